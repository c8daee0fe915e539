"""A backup of the register while it is in use, proven before it gets its name.

Of SQLite it is a copy of the file, made with SQLite's own backup within one reading transaction, so that writers go on
meanwhile and the copy is the register as it was at one instant. It holds everything, secrets too. PostgreSQL has its
own tools for that (``pg_dump``); what is written here of it is the JSON export, without secrets.
"""

from __future__ import annotations

import sqlite3
from contextlib import closing, contextmanager
from dataclasses import dataclass, field
from typing import TYPE_CHECKING

import sqlalchemy as sa

from matewindow.errors import RequestError, UnavailableError
from matewindow.register import migrating
from matewindow.register.database import Database
from matewindow.register.interchange import export_from
from matewindow.register.soundness import faults
from matewindow.register.wholefiles import whole_file

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator
    from pathlib import Path

    from matewindow.register.importing import Tell

_PAGES = 2_000
"""Pages that are copied between two reports of progress: 8 MB."""
_WAIT_S = 30.0


@dataclass(frozen=True)
class Backup:
    """A backup that was made.

    Attributes:
        target: where.
        form: "sqlite" or "json".
        rows: number of rows by table.
        size_bytes: of the file.
        left_out: number of rows that are not in it, by table.
    """

    target: Path
    form: str
    rows: dict[str, int]
    size_bytes: int
    left_out: dict[str, int] = field(default_factory=dict)


def back_up(database: Database, target: Path, *, overwrite: bool = False, tell: Tell | None = None) -> Backup:
    """Make a backup and prove it: it is whole, every reference holds, and it has every row.

    Args:
        database: of the register.
        target: file to write.
        overwrite: whether an earlier backup of this name may be written over.
        tell: is told what is being done, how much of it and of how much.

    Raises:
        RequestError: the file cannot be written; nothing of it is left.
        UnavailableError: the register or the copy is damaged; nothing of the copy is left.
    """
    on_part = None if tell is None else (lambda done, wanted: tell("Copying", done, wanted))
    exported = target.suffix.lower() in {".json", ".zip"}
    if database.file is None:
        if target.suffix.lower() != ".json":
            raise RequestError(
                "a backup of a PostgreSQL register is its export in JSON",
                where=str(target),
                fix="Give a name that ends in .json; for everything, secrets too, use pg_dump.",
            )
        export = export_from(database, target, overwrite=overwrite, on_row=on_part)
        return Backup(target, "json", export.rows, target.stat().st_size, export.left_out)
    if exported:
        raise RequestError(
            "a backup of this register is an SQLite file",
            where=str(target),
            fix="Give a name that ends in .sqlite, or use matewindow export.",
        )
    with whole_file(target, overwrite=overwrite) as part:
        rows = copy_of(database.file, part, on_part)
        if tell is not None:
            tell("Proving", 0, 0)
        prove(part, rows)
    return Backup(target, "sqlite", rows, target.stat().st_size)


def copy_of(file: Path, copy: Path, on_part: Callable[[int, int], None] | None = None) -> dict[str, int]:
    """Copy an SQLite register as it is at one instant.

    Args:
        file: the register; others may be writing to it.
        copy: an empty file.
        on_part: is told how many pages of how many are copied.

    Returns:
        The number of rows in each table at that instant.

    Raises:
        RequestError: the copy cannot be written.
        UnavailableError: the register cannot be read.
    """

    def progress(_status: int, remaining: int, total: int) -> None:
        if on_part is not None:
            on_part(total - remaining, total)

    with _told(file), closing(_opened(file)) as source, closing(sqlite3.connect(copy)) as target:
        # what is read before the first page is copied holds the register still for the whole copy
        source.execute("BEGIN")
        rows = rows_in(source)
        with _told_of_copy(copy):
            source.backup(target, pages=_PAGES, progress=progress)
            target.execute("PRAGMA journal_mode=DELETE")  # one file, that needs no other beside it
    return rows


def _opened(file: Path) -> sqlite3.Connection:
    return sqlite3.connect(f"{file.absolute().as_uri()}?mode=rw", uri=True, isolation_level=None, timeout=_WAIT_S)


def rows_in(connection: sqlite3.Connection) -> dict[str, int]:
    """The number of rows in each table."""
    query = "SELECT name FROM sqlite_master WHERE type = 'table' AND name NOT LIKE 'sqlite~_%' ESCAPE '~' ORDER BY name"
    names = [row[0] for row in connection.execute(query)]
    count = "SELECT count(*) FROM {}"
    return {name: connection.execute(count.format(_quoted(name))).fetchone()[0] for name in names}


def _quoted(name: str) -> str:
    return '"' + name.replace('"', '""') + '"'


def prove(file: Path, rows: dict[str, int] | None = None) -> dict[str, int]:
    """Hold an SQLite copy of a register against what must be true of one.

    SQLite's own check of every page and index, every reference, the number of rows in each table, and every record
    against its history.

    Args:
        file: the copy; nobody else has it open.
        rows: how many there must be in each table; None = as many as there are.

    Returns:
        The number of rows in each table.

    Raises:
        UnavailableError: it is damaged, incomplete, or no register.
    """
    with _told(file), closing(_opened(file)) as connection:
        found = rows_in(connection)
        foreign = connection.execute("SELECT name FROM sqlite_master WHERE type IN ('trigger', 'view')").fetchone()
    database = Database(sa.URL.create("sqlite", database=str(file.absolute())), migrate=False)
    try:
        wrong = faults(database)
        level = None if wrong else migrating.current(database)
    finally:
        database.close()
    if foreign is not None:
        wrong = [f"it holds {foreign[0]!r}, which would act by itself and is none of ours"]
    if not wrong and level is None:
        wrong = ["it holds no register"]
    if not wrong and rows is not None and found != rows:
        wrong = [f"table {n} holds {found.get(n)} rows instead of {m}" for n, m in rows.items() if found.get(n) != m]
    if wrong:
        raise UnavailableError(f"the copy {file.name} is not good: {wrong[0]}", fix="Do not rely on it.")
    return found


@contextmanager
def _told(file: Path) -> Iterator[None]:
    try:
        yield
    except sqlite3.Error as fault:
        raise UnavailableError(f"{file} cannot be read ({fault})", fix="matewindow doctor says more.") from fault


@contextmanager
def _told_of_copy(copy: Path) -> Iterator[None]:
    try:
        yield
    except sqlite3.OperationalError as fault:
        raise RequestError(
            f"the copy cannot be written ({fault})",
            where=str(copy.parent),
            fix="Make room or choose another place; nothing half-written was left.",
        ) from fault
