"""The register on SQLite and on a real PostgreSQL, fresh for each test."""

from __future__ import annotations

import shutil
from itertools import count
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import TYPE_CHECKING, Any

import pytest
import sqlalchemy as sa

from matewindow.register.database import Database
from matewindow.register.register import Register
from tests.register.made import Clock
from tests.register.nursery import Nursery
from tests.register.postgres import MISSING, THERE, Postgres, quick_disk, serving

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator

    from matewindow.biology import Biology

BOTH = ("sqlite", "postgresql")
_TOLD: dict[str, list[str]] = {}


@pytest.fixture(scope="session")
def tell() -> Callable[[str, str], None]:
    """Print a line under a heading at the end of the run."""

    def add(heading: str, line: str) -> None:
        _TOLD.setdefault(heading, []).append(line)

    return add


def pytest_terminal_summary(terminalreporter: pytest.TerminalReporter) -> None:
    if not THERE:
        terminalreporter.section(MISSING, "!")
    for heading, lines in _TOLD.items():
        terminalreporter.section(heading, "-")
        for line in lines:
            terminalreporter.write_line(line)


@pytest.fixture(scope="session")
def postgres() -> Iterator[Postgres]:
    """One server for the whole run."""
    if not THERE:
        pytest.skip(MISSING)
    with serving(durable=False) as server:
        yield server


@pytest.fixture(scope="session")
def quick_disk_folder() -> Iterator[Path]:
    """A folder for the whole run, in memory if there is room."""
    with TemporaryDirectory(prefix="register-", dir=quick_disk()) as folder:
        yield Path(folder)


@pytest.fixture
def home(quick_disk_folder: Path) -> Iterator[Path]:
    """A folder of the test's own, in memory if there is room."""
    with TemporaryDirectory(dir=quick_disk_folder) as folder:
        yield Path(folder)


@pytest.fixture(scope="session")
def made_file(quick_disk_folder: Path) -> Path:
    """A file with the register's tables and nothing in them."""
    file = quick_disk_folder / "made.sqlite"
    Database(file_url(file)).close()
    return file


def file_url(file: Path) -> sa.URL:
    return sa.URL.create("sqlite", database=str(file))


@pytest.fixture(params=BOTH)
def new_url(request: pytest.FixtureRequest, home: Path, made_file: Path) -> Iterator[Callable[..., sa.URL]]:
    """Gives addresses of fresh databases of one kind: with the register's tables, or empty."""
    if request.param == "sqlite":
        numbers = count(1)

        def new_file(*, empty: bool = False) -> sa.URL:
            file = home / f"register_{next(numbers)}.sqlite"
            if not empty:
                shutil.copy(made_file, file)
            return file_url(file)

        yield new_file
        return
    server: Postgres = request.getfixturevalue("postgres")
    given = []

    def new_database(*, empty: bool = False) -> sa.URL:
        given.append(server.new(empty=empty))
        return given[-1]

    yield new_database
    for url in given:
        server.drop(url)


@pytest.fixture
def url(new_url: Callable[..., sa.URL]) -> sa.URL:
    """The address of a fresh register."""
    return new_url()


@pytest.fixture
def opened() -> Iterator[Callable[..., Database]]:
    """Opens databases that are closed after the test."""
    databases = []

    def open_(url: sa.URL, **options: Any) -> Database:
        databases.append(Database(url, **options))
        return databases[-1]

    yield open_
    for database in databases:
        database.close()


@pytest.fixture
def clock() -> Clock:
    return Clock()


@pytest.fixture
def register(url: sa.URL, opened: Callable[..., Database], biology: Biology, clock: Clock) -> Register:
    """A register with nothing in it."""
    return Register(opened(url), biology, clock)


@pytest.fixture(scope="session")
def nursery() -> Iterator[Nursery]:
    """Gives processes that know the program already, at once."""
    with Nursery() as it:
        yield it
