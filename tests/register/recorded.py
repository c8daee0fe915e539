"""SQLite seen from below: what the real register really writes and flushes, by the real settings, to the last byte.

SQLAlchemy drives ``apsw`` here instead of Python's own driver, because only ``apsw`` lets a file system be written in
Python. Nothing else is exchanged: ``Database`` settles the connection, ``Register`` judges and issues its statements.
So nothing has to be copied into the test that could grow old there: neither schema nor statements nor pragmas.
"""

from __future__ import annotations

import sqlite3
from dataclasses import dataclass
from pathlib import Path
from types import SimpleNamespace
from typing import TYPE_CHECKING, Any

import apsw
import sqlalchemy as sa
from sqlalchemy.dialects.sqlite.pysqlite import SQLiteDialect_pysqlite

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable, Sequence

SCHEME = "sqlite+recorded"


@dataclass(frozen=True)
class Write:
    """Bytes handed to the operating system, which has not written them yet."""

    file: str
    offset: int
    data: bytes


@dataclass(frozen=True)
class Truncate:
    """A file cut to a size, which the disk may not know yet."""

    file: str
    size: int


@dataclass(frozen=True)
class Sync:
    """All that was done to a file is on the disk now."""

    file: str


@dataclass(frozen=True)
class Acknowledged:
    """The register has returned from a change, which is promised from now on."""

    change: tuple[str, str, int]


Step = Write | Truncate | Sync | Acknowledged
LOG: list[Step] = []
"""What was done to all files, in order."""
FAULTS: list[Callable[[str, str], None]] = []
"""Asked before each step, with its name and the file's; may raise what the operating system would."""


class _File(apsw.VFSFile):
    """A file of the real file system whose every change is noted."""

    def __init__(self, filename: Any, flags: list[int]) -> None:
        self._name = Path(str(filename.filename() if isinstance(filename, apsw.URIFilename) else filename)).name
        super().__init__("", filename, flags)

    def _ask(self, step: str) -> None:
        for fault in FAULTS:
            fault(step, self._name)

    def xWrite(self, data: Any, offset: int) -> None:  # noqa: N802  apsw's names
        self._ask("write")
        LOG.append(Write(self._name, offset, bytes(data)))
        super().xWrite(data, offset)

    def xTruncate(self, newsize: int) -> None:  # noqa: N802
        self._ask("truncate")
        LOG.append(Truncate(self._name, newsize))
        super().xTruncate(newsize)

    def xSync(self, flags: int) -> None:  # noqa: N802
        self._ask("sync")
        super().xSync(flags)
        LOG.append(Sync(self._name))


class _FileSystem(apsw.VFS):
    """The real file system, noted."""

    def __init__(self) -> None:
        super().__init__("recorded", "")

    def xOpen(self, name: Any, flags: list[int]) -> apsw.VFSFile:  # noqa: N802
        return _File(name, flags)


_FILE_SYSTEM = _FileSystem()


def _translated(fault: apsw.Error) -> sqlite3.Error:
    """An error as Python's own driver would raise it, with its code."""
    known = {apsw.ConstraintError: sqlite3.IntegrityError, apsw.CorruptError: sqlite3.DatabaseError}
    error = known.get(type(fault), sqlite3.OperationalError)(str(fault))
    raised_here = {apsw.FullError: apsw.SQLITE_FULL, apsw.IOError: apsw.SQLITE_IOERR}
    error.sqlite_errorcode = getattr(fault, "extendedresult", 0) or raised_here.get(type(fault), apsw.SQLITE_ERROR)
    return error


class Cursor:
    """A DB-API cursor over apsw's."""

    def __init__(self, connection: apsw.Connection) -> None:
        self._connection, self.arraysize = connection, 1
        self.description: tuple[Any, ...] | None = None
        self.rowcount, self.lastrowid = -1, 0
        self._rows: list[Any] = []

    def execute(self, statement: str, parameters: Sequence[Any] = ()) -> Cursor:
        cursor = self._connection.cursor()
        self.description = None

        def describe(inner: apsw.Cursor, _statement: str, _bindings: object) -> bool:
            names = inner.get_description()
            self.description = tuple((name, None, None, None, None, None, None) for name, _ in names) or None
            return True

        cursor.exec_trace = describe
        try:
            self._rows = list(cursor.execute(statement, tuple(parameters)))
        except apsw.Error as fault:
            raise _translated(fault) from fault
        self.rowcount, self.lastrowid = self._connection.changes(), self._connection.last_insert_rowid()
        return self

    def executemany(self, statement: str, many: Iterable[Sequence[Any]]) -> Cursor:
        for parameters in many:
            self.execute(statement, parameters)
        return self

    def fetchone(self) -> Any:
        return self._rows.pop(0) if self._rows else None

    def fetchmany(self, size: int | None = None) -> list[Any]:
        some, self._rows = self._rows[: size or self.arraysize], self._rows[size or self.arraysize :]
        return some

    def fetchall(self) -> list[Any]:
        rows, self._rows = self._rows, []
        return rows

    def close(self) -> None:
        self._rows = []


class Connection:
    """A DB-API connection over apsw's, on the noted file system."""

    def __init__(self, file: str, **_options: object) -> None:
        self.isolation_level = None
        self._connection = apsw.Connection(file, vfs="recorded")

    def cursor(self) -> Cursor:
        return Cursor(self._connection)

    def execute(self, statement: str) -> Cursor:
        return self.cursor().execute(statement)

    def commit(self) -> None:
        if self._connection.in_transaction:
            self.execute("COMMIT")

    def rollback(self) -> None:
        if self._connection.in_transaction:
            self.execute("ROLLBACK")

    def create_function(self, name: str, arguments: int, function: Callable[..., Any], **_options: object) -> None:
        self._connection.create_scalar_function(name, function, arguments)

    def close(self) -> None:
        self._connection.close()


class Dialect(SQLiteDialect_pysqlite):
    """SQLAlchemy's own dialect of SQLite, over apsw."""

    driver = "recorded"
    supports_statement_cache = True

    @classmethod
    def import_dbapi(cls) -> Any:
        names = [name for name in dir(sqlite3) if name.endswith("Error") or name in {"Error", "Warning"}]
        return SimpleNamespace(
            connect=Connection,
            paramstyle="qmark",
            sqlite_version_info=tuple(map(int, apsw.sqlite_lib_version().split("."))),
            sqlite_version=apsw.sqlite_lib_version(),
            **{name: getattr(sqlite3, name) for name in [*names, "PARSE_DECLTYPES", "PARSE_COLNAMES", "Binary"]},
        )


sa.dialects.registry.register("sqlite.recorded", __name__, "Dialect")


def url_of_recorded(file: Path) -> sa.URL:
    """The address of a register whose writing is noted in ``LOG``."""
    return sa.URL.create(SCHEME, database=str(file))
