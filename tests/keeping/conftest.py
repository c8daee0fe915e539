"""What the tests of keeping share: registers of both kinds, invented weather, and the parts that keep them fresh."""

from __future__ import annotations

import shutil
from typing import TYPE_CHECKING

import pytest
import sqlalchemy as sa

from matewindow.keeping.judging import Judging
from matewindow.keeping.outlooks import Keeper
from matewindow.keeping.refresh import Refresher
from matewindow.register.database import BUSY_MS, Database
from matewindow.register.register import Register
from matewindow.register.tables import meta
from tests.keeping.invented import NOW, InventedDesk, invented, wet
from tests.register.made import Clock
from tests.register.postgres import MISSING, THERE, Postgres, serving

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator
    from pathlib import Path

    from matewindow.biology import Biology
    from matewindow.paths import Sources


@pytest.fixture(scope="session")
def fine() -> Sources:
    """Weather in which most queens are well mated."""
    return invented(1, years=8, members=9)


@pytest.fixture(scope="session")
def rainy(fine: Sources) -> Sources:
    """The same with rain in every hour that is forecast."""
    return wet(fine)


@pytest.fixture
def clock() -> Clock:
    return Clock(NOW)


@pytest.fixture(scope="session")
def postgres() -> Iterator[Postgres]:
    """One server for the whole run."""
    if not THERE:
        pytest.skip(MISSING)
    with serving(durable=False) as server:
        yield server


@pytest.fixture(scope="session")
def empty_file(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A register with its tables and nothing in them, to be copied."""
    file = tmp_path_factory.mktemp("register") / "empty.sqlite"
    Database(file_url(file)).close()
    return file


def file_url(file: Path) -> sa.URL:
    return sa.URL.create("sqlite", database=str(file))


@pytest.fixture
def file(tmp_path: Path, empty_file: Path) -> sa.URL:
    """The address of a fresh register on SQLite."""
    target = tmp_path / "register.sqlite"
    shutil.copy(empty_file, target)
    return file_url(target)


@pytest.fixture
def new_file(tmp_path: Path, empty_file: Path) -> sa.URL:
    """The address of another fresh register on SQLite."""
    target = tmp_path / "another.sqlite"
    shutil.copy(empty_file, target)
    return file_url(target)


@pytest.fixture(params=["sqlite", "postgresql"])
def url(request: pytest.FixtureRequest) -> Iterator[sa.URL]:
    """The address of a fresh register, on SQLite and on PostgreSQL."""
    if request.param == "sqlite":
        yield request.getfixturevalue("file")
        return
    server: Postgres = request.getfixturevalue("postgres")
    address = server.new()
    yield address
    server.drop(address)


@pytest.fixture
def opened() -> Iterator[Callable[..., Database]]:
    """Opens databases that are closed after the test."""
    databases = []

    def open_(address: sa.URL, *, busy_ms: int = BUSY_MS) -> Database:
        databases.append(Database(address, busy_ms=busy_ms))
        return databases[-1]

    yield open_
    for database in databases:
        database.close()


INSTANCE = "keeping.matewindow.invalid"


def named(register: Register) -> Register:
    """The register with a fixed name of its own: at which minute sites fall due goes by it."""
    with register.database.write() as connection:
        connection.execute(meta.insert().values(key="instance", value=INSTANCE))
    return register


@pytest.fixture
def register(file: sa.URL, opened: Callable[..., Database], biology: Biology, clock: Clock) -> Register:
    """A register on SQLite."""
    return named(Register(opened(file), biology, clock))


@pytest.fixture
def either(url: sa.URL, opened: Callable[..., Database], biology: Biology, clock: Clock) -> Register:
    """A register on SQLite, and on PostgreSQL."""
    return named(Register(opened(url), biology, clock))


@pytest.fixture
def desk(biology: Biology, fine: Sources) -> InventedDesk:
    return InventedDesk(biology, [fine])


@pytest.fixture
def keeper(register: Register, desk: InventedDesk) -> Keeper:
    return Keeper(register, desk, Judging(register.biology, register.clock))


@pytest.fixture
def refresher(keeper: Keeper) -> Refresher:
    return Refresher(keeper)
