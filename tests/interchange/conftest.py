"""Registers on SQLite and PostgreSQL, as the register's own tests have them, empty or with something of everything."""

from __future__ import annotations

import shutil
from typing import TYPE_CHECKING

import pytest

from matewindow.register.database import Database
from matewindow.register.register import Register
from tests.interchange.filled import fill
from tests.register.conftest import (  # noqa: F401  fixtures
    clock,
    file_url,
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
from tests.register.made import Clock

if TYPE_CHECKING:
    from collections.abc import Callable
    from pathlib import Path

    import sqlalchemy as sa

    from matewindow.biology import Biology


@pytest.fixture(scope="session")
def filled_file(quick_disk_folder: Path, made_file: Path, biology: Biology) -> Path:  # noqa: F811  a fixture
    """A register with something of everything."""
    file = quick_disk_folder / "filled.sqlite"
    shutil.copy(made_file, file)
    database = Database(file_url(file))
    fill(Register(database, biology, Clock()))
    database.close()
    return file


@pytest.fixture
def full(home: Path, filled_file: Path, opened: Callable[..., Database], biology: Biology) -> Register:  # noqa: F811
    """A register with something of everything, on SQLite."""
    shutil.copy(filled_file, home / "full.sqlite")
    return Register(opened(file_url(home / "full.sqlite")), biology, Clock())


@pytest.fixture
def empty(home: Path, made_file: Path, opened: Callable[..., Database], biology: Biology) -> Register:  # noqa: F811
    """A register with nothing in it, on SQLite."""
    shutil.copy(made_file, home / "empty.sqlite")
    return Register(opened(file_url(home / "empty.sqlite")), biology, Clock())


@pytest.fixture
def fresh(new_url: Callable[..., sa.URL], opened: Callable[..., Database], biology: Biology) -> Callable[[], Register]:  # noqa: F811
    """Gives empty registers of one kind of database."""
    return lambda: Register(opened(new_url()), biology, Clock())
