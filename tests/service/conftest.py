"""The service's tests write their logs as the service does, into nothing."""

from __future__ import annotations

import io
import logging
from typing import TYPE_CHECKING

import pytest
import structlog

from api.edge import logs
from tests.service.made import close_all

if TYPE_CHECKING:
    from collections.abc import Iterator


@pytest.fixture(scope="module", autouse=True)
def _registers_are_closed() -> Iterator[None]:
    yield
    close_all()


@pytest.fixture(autouse=True)
def log(request: pytest.FixtureRequest) -> Iterator[io.StringIO]:
    """What the service logs during a test; the tests of the edge see to it themselves."""
    stream = io.StringIO()
    if request.path.parent.name == "edge":
        yield stream
        return
    root = logging.getLogger()
    handlers, level = root.handlers[:], root.level
    logs.configure(stream=stream)
    yield stream
    structlog.reset_defaults()
    root.handlers[:], root.level = handlers, level
    root.setLevel(level)
