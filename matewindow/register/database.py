"""The database under the register: SQLite in one file with no set-up, or PostgreSQL by URL.

SQLite runs in WAL mode with ``synchronous=FULL``: a change that was acknowledged survives a power cut. All writing
of a process goes through one connection, behind one lock, in transactions that take the write lock at their start;
PostgreSQL is given the same by an advisory lock.
"""

from __future__ import annotations

import sqlite3
from contextlib import contextmanager, suppress
from pathlib import Path
from threading import Lock, RLock
from typing import TYPE_CHECKING, Any

import platformdirs
import sqlalchemy as sa

from matewindow.errors import BusyError, InputError, UnavailableError
from matewindow.register import migrating
from matewindow.register.troubles import as_trouble, busy

if TYPE_CHECKING:
    from collections.abc import Iterator

    from matewindow.settings import Settings

BUSY_MS = 5_000
"""How long a writer waits for another process before it gives up with ``BusyError``."""
READERS = 8
WRITE_LOCK = 0x6D617477
"""Advisory lock that a writing transaction of PostgreSQL holds."""
_POSTGRES = {"connect_timeout": 3, "keepalives_idle": 10, "keepalives_interval": 5, "keepalives_count": 3}
_POSTGRES |= {"tcp_user_timeout": 15_000}
"""A server that has vanished from the network is noticed within half a minute."""
_FIRST_FIXED = ((3, 51, 3),)
_BACKPORTS = ((3, 50, 7), (3, 44, 6))


def default_file() -> Path:
    """Where the register lies if nobody says otherwise: the user's data folder."""
    return Path(platformdirs.user_data_path("matewindow", appauthor=False)) / "register.sqlite"


def url_of(settings: Settings) -> sa.URL:
    """The database's address: the setting's, a file or a URL, else the default file.

    Raises:
        InputError: a URL of a database that is neither SQLite nor PostgreSQL.
    """
    given = settings.register
    if given is None:
        return _file_url(default_file())
    if "://" not in given:
        return _file_url(Path(given))
    try:
        url = sa.make_url(given)
    except sa.exc.ArgumentError:
        url = None
    if url is not None and url.get_backend_name() == "sqlite" and url.database:
        return _file_url(Path(url.database))
    if url is not None and url.get_backend_name() == "postgresql":
        return url.set(drivername="postgresql+psycopg")
    raise InputError(
        "is no address of a register",
        where="MATEWINDOW_REGISTER",
        fix="Give a file such as register.sqlite, or a URL that begins with postgresql://.",
    )


def _file_url(file: Path) -> sa.URL:
    if file.name == ":memory:":
        raise InputError(
            "a register in memory would be lost at the end",
            where="MATEWINDOW_REGISTER",
            fix="Give a file such as register.sqlite.",
        )
    return sa.URL.create("sqlite", database=str(file.absolute()))


class Database:
    """Connections to the register's database.

    Args:
        url: from ``url_of``.
        busy_ms: how long a writer waits for another process.
        migrate: bring the schema up to date when it is opened.
    """

    def __init__(self, url: sa.URL, *, busy_ms: int = BUSY_MS, migrate: bool = True) -> None:
        self.url = url
        self.busy_ms = busy_ms
        self._lock = RLock()
        self._watching = Lock()
        self._watch: sqlite3.Connection | None = None
        self._open: sa.Connection | None = None
        self.sqlite = url.get_backend_name() == "sqlite"
        if self.sqlite:
            self._make_file()
        self.writer = self._engine(writes=True)
        self.reader = self._engine(writes=False)
        if migrate:
            try:
                with self._translated():
                    migrating.to_head(self)
            except BaseException:
                self.close()
                raise

    @property
    def file(self) -> Path | None:
        """The file of an SQLite register."""
        return Path(str(self.url.database)) if self.sqlite else None

    @property
    def address(self) -> str:
        """Where the register lies, without a password."""
        return str(self.file) if self.sqlite else self.url.render_as_string(hide_password=True)

    def _make_file(self) -> None:
        """Make the folder, and a file that only its owner may read: it holds the secrets of webhooks."""
        assert self.file is not None
        try:
            self.file.parent.mkdir(parents=True, exist_ok=True)
            self.file.touch(mode=0o600, exist_ok=True)
        except OSError as fault:
            raise UnavailableError(
                f"no register can be opened at {self.file} ({fault.strerror})",
                fix="Set MATEWINDOW_REGISTER to a file in a folder that you may write to.",
            ) from fault

    def _engine(self, *, writes: bool) -> sa.Engine:
        if not self.sqlite:
            engine = sa.create_engine(
                self.url,
                hide_parameters=True,  # values of the keeper's have no place in a log
                pool_size=1 if writes else READERS,
                max_overflow=0,
                pool_timeout=self.busy_ms / 1000,
                pool_pre_ping=True,
                # readers see one state of the register throughout a transaction, as they do in SQLite
                isolation_level="READ COMMITTED" if writes else "REPEATABLE READ",
                connect_args=_POSTGRES | {"options": _options(self.busy_ms, writes=writes)},
            )
            if writes:
                sa.event.listen(engine, "begin", _take_write_lock)
            return engine
        engine = sa.create_engine(
            self.url,
            hide_parameters=True,
            poolclass=sa.pool.QueuePool,
            pool_size=1 if writes else READERS,
            max_overflow=0,
            pool_timeout=self.busy_ms / 1000,
            connect_args={"timeout": self.busy_ms / 1000, "check_same_thread": False, "isolation_level": None},
        )
        sa.event.listen(engine, "connect", _settle_writer if writes else _settle_reader)
        sa.event.listen(engine, "begin", _begin_writing if writes else _begin_reading)
        return engine

    @contextmanager
    def write(self) -> Iterator[sa.Connection]:
        """A transaction that may write: committed at the end, or nothing of it.

        All writing is done one transaction after the other, between processes too and on both databases: what was
        judged against the records around it is still true when it is stored. A ``write`` within a ``write`` of the
        same thread becomes part of it, and can fail by itself.

        Raises:
            BusyError: another process holds the write lock for too long.
            ConflictError: a unique or foreign key was broken.
            UnavailableError: disk full or damaged, file not writable, server gone.
        """
        with self._translated():
            if not self._lock.acquire(timeout=self.busy_ms / 1000):
                raise busy()
            try:
                if self._open is not None:
                    with self._open.begin_nested():
                        yield self._open
                else:
                    with self.writer.begin() as connection:
                        self._open = connection
                        try:
                            yield connection
                        finally:
                            self._open = None
            finally:
                self._lock.release()

    def check_writable(self) -> None:
        """Refuse to go on where nothing can be written. Meant for the start of a service.

        Raises:
            UnavailableError: why not. That another process writes just now is no reason.
        """
        with suppress(BusyError), self.write() as connection:  # to begin is allowed in a file that can only be read
            connection.exec_driver_sql("DELETE FROM meta WHERE 1 = 0")

    @contextmanager
    def read(self) -> Iterator[sa.Connection]:
        """A transaction that only reads, beside any writer, and sees one state of the register throughout.

        Raises:
            BusyError: all connections are in use for too long.
            UnavailableError: as ``write``.
        """
        with self._translated(), self.reader.begin() as connection:
            yield connection

    @contextmanager
    def _translated(self) -> Iterator[None]:
        try:
            yield
        except sa.exc.TimeoutError as fault:
            raise busy() from fault
        except sa.exc.DBAPIError as fault:
            trouble = as_trouble(fault, self.address)
            if trouble is fault:
                raise
            raise trouble from fault

    def generation(self) -> int | None:
        """A number that differs after every change by any process; None where it cannot be told cheaply (PostgreSQL).

        SQLite counts the changes that others make, seen from one connection that never writes.
        """
        if not self.sqlite:
            return None
        with self._watching:
            if self._watch is None:
                self._watch = sqlite3.connect(str(self.file), check_same_thread=False, isolation_level=None)
            try:
                number: int = self._watch.execute("PRAGMA data_version").fetchone()[0]
            except sqlite3.Error:
                return None
            return number

    def close(self) -> None:
        """Close all connections."""
        if self._watch is not None:
            self._watch.close()
            self._watch = None
        self.reader.dispose()
        self.writer.dispose()


def _options(busy_ms: int, *, writes: bool) -> str:
    """Settings of a PostgreSQL connection, whatever the server's own are.

    A process that stops in the midst of writing loses its lock after a minute.
    """
    given = {"lock_timeout": busy_ms, "synchronous_commit": "on"}
    given |= {"idle_in_transaction_session_timeout": 60_000} if writes else {"default_transaction_read_only": "on"}
    return " ".join(f"-c {name}={value}" for name, value in given.items())


def _take_write_lock(connection: sa.Connection) -> None:
    """PostgreSQL's equal of ``BEGIN IMMEDIATE``: released at the end of the transaction."""
    connection.exec_driver_sql(f"SELECT pg_advisory_xact_lock({WRITE_LOCK})")


def _settle_writer(connection: Any, _record: object) -> None:  # noqa: ANN401  a driver's connection
    cursor = connection.cursor()
    if cursor.execute("PRAGMA journal_mode").fetchone()[0] != "wal":
        cursor.execute("PRAGMA journal_mode=WAL")
    cursor.close()
    _settle(connection)


def _settle_reader(connection: Any, _record: object) -> None:  # noqa: ANN401  a driver's connection
    _settle(connection)
    connection.execute("PRAGMA query_only=ON")


def _settle(connection: sqlite3.Connection) -> None:
    connection.execute("PRAGMA synchronous=FULL")
    connection.execute("PRAGMA fullfsync=ON")  # for macOS, whose plain fsync leaves data in the drive's cache
    connection.execute("PRAGMA foreign_keys=ON")


def _begin_writing(connection: sa.Connection) -> None:
    connection.exec_driver_sql("BEGIN IMMEDIATE")


def _begin_reading(connection: sa.Connection) -> None:
    connection.exec_driver_sql("BEGIN")


def sqlite_is_safe(version: tuple[int, ...] = sqlite3.sqlite_version_info) -> bool:
    """Whether this SQLite has the mend for the race that can damage a WAL database written by two connections.

    Source: SQLite 3.51.3 and the backports 3.50.7 and 3.44.6.
    """
    return version >= _FIRST_FIXED[0] or any(version[:2] == b[:2] and version >= b for b in _BACKPORTS)
