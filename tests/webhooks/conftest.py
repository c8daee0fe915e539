"""A register on SQLite and on PostgreSQL, endpoints on loopback, and senders for them."""

from __future__ import annotations

from typing import TYPE_CHECKING

import pytest

from tests.register.conftest import (  # noqa: F401 - fixtures
    clock,
    home,
    made_file,
    new_url,
    nursery,
    opened,
    postgres,
    quick_disk_folder,
    register,
    tell,
    url,
)
from tests.webhooks.endpoint import Endpoint
from tests.webhooks.made import Hooked

if TYPE_CHECKING:
    from collections.abc import Iterator

    from matewindow.register.register import Register
    from tests.register.made import Clock


@pytest.fixture
def endpoint() -> Iterator[Endpoint]:
    with Endpoint() as running:
        yield running


@pytest.fixture
def other() -> Iterator[Endpoint]:
    """A second one."""
    with Endpoint() as running:
        yield running


@pytest.fixture
def hooked(register: Register, clock: Clock, endpoint: Endpoint) -> Hooked:  # noqa: F811
    """A register with a site, and a webhook that wants everything and leads to the endpoint."""
    made = Hooked(register, clock)
    made.add_webhook(endpoint)
    return made
