"""A scratch database on disk in which an import is held against the register before anything is written.

It holds two things: what was given, row by row with its place; and what the records would be afterwards, those of the
register with those given laid over them. So an import of any size needs little memory, and is judged while others go
on writing.
"""

from __future__ import annotations

import sqlite3
import tempfile
from collections import defaultdict
from pathlib import Path
from typing import TYPE_CHECKING, Any

import sqlalchemy as sa

from matewindow.errors import RequestError
from matewindow.register.carried import TABLES, Row, columns_of, is_body
from matewindow.register.problems import Place
from matewindow.register.tables import ENTITIES

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator, Sequence
    from types import TracebackType

AT_A_TIME, FEW_AT_A_TIME = 500, 50
KEYS = {name: next(iter(table.primary_key.columns)).name for name, table in TABLES.items() if name != "changes"}
"""The column by which rows of a table are told apart."""
_own = sa.MetaData()


def _given(table: sa.Table) -> sa.Table:
    """A table for rows as they were given: their order, place and fate, without any constraint."""
    copied = [sa.Column(c.name, c.type) for c in columns_of(table)]
    key = ("kind", "thing_id", "version") if table.name == "changes" else (KEYS[table.name],)
    return sa.Table(
        f"given_{table.name}",
        _own,
        sa.Column("n", sa.Integer, primary_key=True),
        sa.Column("at_file", sa.Integer, nullable=False),
        sa.Column("at_row", sa.Integer, nullable=False),
        sa.Column("fate", sa.Text),
        *copied,
        sa.Index(f"by_{table.name}", *key),
    )


GIVEN = {name: _given(table) for name, table in TABLES.items()}
"""What was given, by table."""
PLAIN = sa.Table(
    "plain",
    _own,
    sa.Column("n", sa.Integer, primary_key=True),
    sa.Column("at_file", sa.Integer, nullable=False),
    sa.Column("at_row", sa.Integer, nullable=False),
    sa.Column("kind", sa.Text, nullable=False),
    sa.Column("raw", sa.JSON, nullable=False),
)
"""Records written by hand, without ids."""
SPOILT = sa.Table("spoilt", _own, sa.Column("name", sa.Text, index=True))
"""Ids (or kinds and names) of rows with faults, so that what stands on them is not called dangling."""
TOUCHED = sa.Table(
    "touched",
    _own,
    sa.Column("n", sa.Integer, primary_key=True),
    sa.Column("at_file", sa.Integer, nullable=False),
    sa.Column("at_row", sa.Integer, nullable=False),
    sa.Column("kind", sa.Text, nullable=False),
    sa.Column("id", sa.Text, nullable=False, index=True),
    sa.Column("fate", sa.Text, nullable=False),
)
"""Records that the import writes: "new" with their history, "added" from plain rows, or "changed"."""


class Scratch:
    """The scratch database; it vanishes at the end."""

    def __enter__(self) -> Scratch:
        self._folder = tempfile.TemporaryDirectory(prefix="matewindow-import-", ignore_cleanup_errors=True)
        self._files: dict[int, tuple[str, str]] = {}
        self._waiting: dict[str, list[Row]] = defaultdict(list)
        self._any_spoilt = False
        self._engine = sa.create_engine(
            sa.URL.create("sqlite", database=str(Path(self._folder.name) / "scratch.sqlite")),
            poolclass=sa.pool.StaticPool,
        )
        sa.event.listen(self._engine, "connect", _settle)
        sa.event.listen(self._engine, "handle_error", _explain)
        self.connection = self._engine.connect()
        _own.create_all(self.connection)
        for table in ENTITIES.values():
            table.create(self.connection)
        return self

    def __exit__(
        self, kind: type[BaseException] | None, fault: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.connection.close()
        self._engine.dispose()
        self._folder.cleanup()

    # --- what was given

    def put(self, table: sa.Table, row: Row, place: Place) -> None:
        """Keep a given row, with its place."""
        self._files[place.order] = (place.file, place.table)
        waiting = self._waiting[table.name]
        waiting.append({"at_file": place.order, "at_row": place.row} | row)
        if len(waiting) >= part_of(table):
            self.flush(table)

    def spoil(self, name: str) -> None:
        """Remember that a row of this name has faults."""
        self._any_spoilt = True
        self.connection.execute(SPOILT.insert().values(name=name))

    def spoilt(self, name: str) -> bool:
        """Whether a row of this name has faults."""
        if not self._any_spoilt:
            return False
        return self.connection.execute(sa.select(SPOILT).where(SPOILT.c.name == name).limit(1)).first() is not None

    def settle(self) -> None:
        """Write all that waits to be written."""
        for table in (*GIVEN.values(), PLAIN, TOUCHED):
            self.flush(table)

    def flush(self, table: sa.Table) -> None:
        """Write what waits to be written into a table."""
        rows = self._waiting.pop(table.name, [])
        if rows:
            self.connection.execute(table.insert(), rows)

    def place(self, row: Row) -> Place:
        """Where a row stood that was put here."""
        return Place(row["at_file"], row["at_row"], *self._files[row["at_file"]])

    def stream(self, table: sa.Table, *where: sa.ColumnElement[bool]) -> Iterator[Row]:
        """Rows in the order in which they were given; other rows may be written meanwhile."""
        last, size = 0, part_of(table)
        while True:
            query = sa.select(table).where(table.c.n > last, *where).order_by(table.c.n).limit(size)
            rows = [dict(r) for r in self.connection.execute(query).mappings()]
            yield from rows
            if len(rows) < size:
                return
            last = rows[-1]["n"]

    def mark(self, table: sa.Table, fates: Sequence[tuple[int, str]]) -> None:
        """Note what becomes of rows, by their number."""
        if fates:
            own = table.c.n == sa.bindparam("own")
            statement = table.update().where(own).values(fate=sa.bindparam("becomes"))
            self.connection.execute(statement, [{"own": n, "becomes": fate} for n, fate in fates])

    def touch(self, kind: str, thing: str, place: Place, fate: str) -> None:
        """Note that the import writes a record."""
        self.put(TOUCHED, {"kind": kind, "id": thing, "fate": fate}, place)

    def touched(self, things: Iterable[str]) -> dict[str, Row]:
        """What the import does to records, by id; nothing to those that are not in it."""
        query = sa.select(TOUCHED).where(TOUCHED.c.id.in_(list(things)))
        return {row["id"]: dict(row) for row in self.connection.execute(query).mappings()}

    def one(self, table: sa.Table, key: str, value: str) -> Row | None:
        """The first row that has this value."""
        found = self.connection.execute(sa.select(table).where(table.c[key] == value).limit(1)).mappings().first()
        return None if found is None else dict(found)


def part_of(table: sa.Table) -> int:
    """How many rows of a table are held in memory at once: few of those that are large."""
    return FEW_AT_A_TIME if any(is_body(c) for c in table.c) else AT_A_TIME


def bare(table: sa.Table, row: Row) -> Row:
    """A given row as its own table takes it."""
    return {c.name: row[c.name] for c in columns_of(table)}


def _settle(connection: Any, _record: object) -> None:  # noqa: ANN401  a driver's connection
    for name, value in (("journal_mode", "OFF"), ("synchronous", "OFF"), ("foreign_keys", "OFF")):
        connection.execute(f"PRAGMA {name}={value}")


def _explain(context: sa.engine.ExceptionContext) -> None:
    """Tell of a full disk here as such: it is not the register's."""
    if isinstance(context.original_exception, sqlite3.OperationalError):
        raise RequestError(
            f"an import cannot be checked there ({context.original_exception})",
            where=tempfile.gettempdir(),
            fix="Make room, or set TMPDIR to another folder. Nothing was written.",
        )
