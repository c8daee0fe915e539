"""Bringing the register's schema up or down, by Alembic; Alembic is only loaded where there is something to do."""

from __future__ import annotations

import logging
import re
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING

import sqlalchemy as sa
from filelock import FileLock, Timeout

from matewindow.errors import UnavailableError
from matewindow.register.tables import metadata
from matewindow.register.troubles import as_damage, busy

if TYPE_CHECKING:
    from collections.abc import Iterator

    from alembic.config import Config

    from matewindow.register.database import Database

_log = logging.getLogger(__name__)

HEAD = "0002"
"""The newest migration; a test holds it against the folder."""
_LOCK_KEY = 0x6D617465
"""Advisory lock of PostgreSQL that is held while tables are made or changed."""
_WAIT_S = 60
"""How long one process waits while another makes or changes the tables."""
_OURS = re.compile(r"\d{4}")
FOLDER = Path(__file__).resolve().parent / "migrations"


def current(database: Database) -> str | None:
    """The migration that the database stands at; None = it is empty.

    Raises:
        BusyError, UnavailableError: it cannot be read; or there are tables in it, but not ours.
    """
    try:
        with database.reader.begin() as connection:
            tables = set(sa.inspect(connection).get_table_names())
            if "alembic_version" in tables:
                return connection.execute(sa.text("SELECT version_num FROM alembic_version")).scalar()
    except sa.exc.DBAPIError as fault:
        raise as_damage(fault, database.address) from fault
    if tables if database.sqlite else tables & set(metadata.tables):
        raise UnavailableError(
            f"the database at {database.address} holds tables of another program",
            fix="Set MATEWINDOW_REGISTER to a file or database of its own; nothing was changed.",
        )
    return None


def to_head(database: Database) -> None:
    """Bring an empty or older database to the newest schema; one that is newer is refused.

    Raises:
        BusyError: another process has been changing the tables for too long.
        UnavailableError: a later version of the program has written this register, or another program.
    """
    at = current(database)
    if at == HEAD:
        return
    if at is not None and (at > HEAD or not _OURS.fullmatch(at)):
        raise UnavailableError(
            f"the register at {database.address} was written by a later version of matewindow (schema {at}, this one "
            f"knows {HEAD})",
            fix="Install that version again; nothing was changed.",
        )
    with _alone(database):
        upgrade(database)
    _log.info("the register at %s was brought to schema %s (before: %s)", database.address, HEAD, at or "nothing in it")


@contextmanager
def _alone(database: Database) -> Iterator[None]:
    """Keep other processes from making the same tables at the same time."""
    if database.file is None:
        with database.reader.begin() as connection:
            connection.execute(sa.text(f"SET LOCAL lock_timeout = '{_WAIT_S}s'"))
            connection.execute(sa.text("SELECT pg_advisory_xact_lock(:key)"), {"key": _LOCK_KEY})
            yield
        return
    try:
        with FileLock(f"{database.file}.lock", timeout=_WAIT_S):
            yield
    except Timeout as fault:
        raise busy() from fault


def upgrade(database: Database, to: str = "head", folder: Path = FOLDER) -> None:
    """Run the migrations of a folder up to ``to``, in one transaction.

    Raises:
        UnavailableError: rows would be left that name others that are not there; nothing is changed then.
    """
    from alembic import command

    with _rebuilding(database) as connection:
        command.upgrade(_config(connection, folder), to)


def downgrade(database: Database, to: str, folder: Path = FOLDER) -> None:
    """Run the migrations down to ``to`` ("base" = empty); otherwise as ``upgrade``."""
    from alembic import command

    with _rebuilding(database) as connection:
        command.downgrade(_config(connection, folder), to)


@contextmanager
def _rebuilding(database: Database) -> Iterator[sa.Connection]:
    """A writing transaction in which a table may be dropped while rows of others name its rows.

    SQLite knows few ways to alter a table: a migration makes it anew, copies its rows, drops the old one and gives its
    name to the new one. With foreign keys on, dropping it would delete the rows that hang on it. They can only be
    switched between transactions; so they are off during the whole of it, and everything is checked before it counts
    (sqlite.org/lang_altertable.html, section 7).
    """
    with database.writer.connect() as connection:
        if not database.sqlite:
            with connection.begin():
                yield connection
            return
        driver = connection.connection.driver_connection
        assert driver is not None
        driver.execute("PRAGMA foreign_keys=OFF")
        try:
            with connection.begin():
                yield connection
                _check_references(connection, database.address)
        finally:
            driver.execute("PRAGMA foreign_keys=ON")


def _check_references(connection: sa.Connection, address: str) -> None:
    broken = connection.exec_driver_sql("PRAGMA foreign_key_check").first()
    if broken is not None:
        raise UnavailableError(
            f"the register at {address} cannot be brought to another schema: a row of {broken[0]} names one of "
            f"{broken[2]} that is not there",
            fix="Nothing was changed. Bring back the last backup with matewindow restore, or use the version before.",
        )


def _config(connection: sa.Connection, folder: Path) -> Config:
    from alembic.config import Config

    config = Config()
    config.set_main_option("script_location", str(folder).replace("%", "%%"))
    config.attributes["connection"] = connection
    return config
