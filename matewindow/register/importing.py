"""Reading an export, or what a keeper wrote by hand, into the register: all of it or nothing.

First everything is read into a scratch database and held against the register, beside whoever goes on working with it;
every problem is told. Only then it is written, in one transaction.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING

import sqlalchemy as sa

from matewindow.errors import ConflictError, RequestError
from matewindow.register.allrules import judge_all
from matewindow.register.carried import KIND_OF, TABLES
from matewindow.register.given import Given, Meter
from matewindow.register.givencsv import csv_rows, folder_rows, zip_rows
from matewindow.register.givenjson import json_rows
from matewindow.register.histories import weigh_histories
from matewindow.register.plainrows import weigh_plain
from matewindow.register.problems import ImportRefusedError, Place, Problem, Problems
from matewindow.register.records import KINDS, storable
from matewindow.register.register import Register
from matewindow.register.shapes import is_plain, whole_row
from matewindow.register.staging import GIVEN, PLAIN, TOUCHED, Scratch, bare, part_of
from matewindow.register.tables import ENTITIES, changes
from matewindow.register.tellings import weigh_tellings
from matewindow.register.weighing import Scale, check_references, copy_register, in_parts, tell_doubles, weigh_records

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator
    from pathlib import Path

    from matewindow.register.carried import Row

    Tell = Callable[[str, int, int], None]

MOST_BYTES = 2_000_000_000
"""What an import may unpack to if nobody says otherwise."""


@dataclass(frozen=True)
class Imported:
    """What an import did, or would do.

    Attributes:
        source: what was read.
        written: whether anything was written.
        tables: by table, how many rows were added, same, changed, or kept as the register has them.
        steps_left: steps of histories that were not taken over.
        problems: all that is wrong; only of a dry run, otherwise the import is refused.
        problem_count: how many there are; only the first ten thousand are kept.
    """

    source: Path
    written: bool
    tables: dict[str, dict[str, int]] = field(default_factory=dict)
    steps_left: int = 0
    problems: list[Problem] = field(default_factory=list)
    problem_count: int = 0


def import_into(
    register: Register,
    source: Path,
    who: str,
    *,
    dry_run: bool = False,
    replace: bool = False,
    most_bytes: int = MOST_BYTES,
    tell: Tell | None = None,
) -> Imported:
    """Take over what a file, a folder or a zip holds.

    Args:
        register: where to.
        source: a JSON file, a CSV file named after its table, a zip or a folder of such.
        who: by whom, for the history.
        dry_run: write nothing, only say what would be done and what is wrong.
        replace: make differing records of the register into what the file holds, as changes in their history.
        most_bytes: what the source may hold, unpacked.
        tell: is told how it goes on.

    Raises:
        ImportRefusedError: something is wrong with it (not in a dry run).
        RequestError: there is no such file, or no room to check it.
        ConflictError: somebody changed a record while the import was checked.
        BusyError, UnavailableError: the register cannot be used.
    """
    tell = tell or _nothing
    if not storable(who):
        raise RequestError("a control character cannot be stored", where="who", fix="Leave it out.")
    problems = Problems()
    with Scratch() as scratch:
        meter = Meter(most_bytes, on_bytes=lambda done, wanted: tell("Reading", done, wanted))
        for given in _rows_of(source, problems, meter):
            _take(scratch, given, problems)
        scratch.settle()
        with register.database.read() as connection:
            seen = _last_change(connection)
            scale = Scale(scratch, connection, register.biology, register.now(), problems, replace, tell)
            if not meter.ended_early:  # what was read of a file that is too large tells nothing of the whole
                _weigh(scale)
        scratch.settle()
        found = {name: {k: n for k, n in scale.counts[name].items() if n} for name in TABLES if name in scale.counts}
        if dry_run:
            said = problems.in_order()
            return Imported(source, written=False, tables=found, steps_left=scale.steps_left, problems=said,
                            problem_count=problems.count)  # fmt: skip
        if problems.count:
            raise ImportRefusedError(problems)
        _write(register, scratch, who, seen, tell)
    return Imported(source, written=True, tables=found, steps_left=scale.steps_left)


def _nothing(what: str, done: int, wanted: int) -> None:
    """Nobody wants to be told."""


# --- reading ------------------------------------------------------------------------------------------------------


def _rows_of(source: Path, problems: Problems, meter: Meter) -> Iterator[Given]:
    """The rows of whatever was given."""
    try:
        if source.is_dir():
            yield from folder_rows(source, problems, meter)
            return
        meter.wanted = source.stat().st_size
        form = source.suffix.lower()
        if form == ".json":
            with source.open("rb") as raw:
                yield from json_rows(raw, source.name, problems, meter)
        elif form == ".zip":
            yield from zip_rows(source, problems, meter)
        elif form == ".csv" and source.stem.lower() in TABLES:
            table = source.stem.lower()
            with source.open("rb") as raw:
                yield from csv_rows(raw, table, Place(1, 0, source.name, table), problems, meter)
        else:
            names = ", ".join(f"{table}.csv" for table in TABLES)
            raise RequestError(
                "it is not told what it holds", where=str(source), fix=f"Give a .json, a .zip, a folder, or {names}."
            )
    except OSError as fault:
        raise RequestError(f"it cannot be read ({fault.strerror or fault})", where=str(source)) from fault


def _take(scratch: Scratch, given: Given, problems: Problems) -> None:
    """Keep a row, if it has the shape of its table."""
    if is_plain(given.table, given.raw):
        raw = {name: value for name, value in given.raw.items() if name != "id"}
        scratch.put(PLAIN, {"kind": KIND_OF[given.table], "raw": raw}, given.place)
        return
    row, faults = whole_row(given.table, given.raw)
    for name, what, fix in faults:
        problems.add(given.place, name, what, fix)
    if not faults:
        scratch.put(GIVEN[given.table], row, given.place)
        return
    for name in ("id", "thing_id"):
        if isinstance(given.raw.get(name), str):
            scratch.spoil(given.raw[name])


def _last_change(connection: sa.Connection) -> int:
    return connection.execute(sa.select(sa.func.max(changes.c.seq))).scalar() or 0


def _weigh(scale: Scale) -> None:
    """All that is looked at before anything is written."""
    copy_register(scale)
    tell_doubles(scale)
    weigh_records(scale)
    scale.scratch.settle()
    weigh_plain(scale)
    check_references(scale)
    weigh_histories(scale)
    weigh_tellings(scale)
    judge_all(scale)


# --- writing ------------------------------------------------------------------------------------------------------


class _Judged(Register):
    """The register, with everything judged already."""

    def judge(self, connection: sa.Connection, kind: str, row: Row) -> None:
        """It was."""

    def add_row(self, connection: sa.Connection, kind: str, row: Row, who: str) -> None:
        """Write a new record with its first step of history."""
        connection.execute(ENTITIES[kind].insert().values(row))
        self._note(connection, kind, "added", None, row, who)

    def make_into(self, connection: sa.Connection, kind: str, fields: Row, who: str) -> None:
        """Write a record's new fields, as its next version."""
        table = ENTITIES[kind]
        before = dict(connection.execute(sa.select(table).where(table.c.id == fields["id"])).mappings().one())
        was, is_ = before["deleted_at"], fields["deleted_at"]
        action = "changed"
        if (was is None) != (is_ is None):
            action = "deleted" if was is None else "brought back"
            fields |= {"deleted_at": self._later(before) if was is None else None}
        else:
            fields |= {"deleted_at": was}
        self._replace(connection, kind, action, before, fields, who)


def _write(register: Register, scratch: Scratch, who: str, seen: int, tell: Tell) -> None:
    """Write it all, in one transaction."""
    writer = _Judged(register.database, register.biology, register.clock)
    new = [*((GIVEN[name], TABLES[name]) for name in TABLES if name != "meta")]
    count = sa.select(sa.func.count())
    wanted = sum(scratch.connection.execute(count.select_from(t)).scalar_one() for t, _ in new)
    done = 0
    with register.database.write() as connection:
        if _last_change(connection) != seen:
            raise ConflictError(
                "somebody changed the register while the import was checked; nothing was written",
                fix="Import it again.",
            )
        for given, table in new:
            for part in in_parts(_to_insert(scratch, given, table), size=part_of(given)):
                connection.execute(table.insert(), part)
                done += len(part)
                tell("Writing", done, max(done, wanted))
        _write_instance(scratch, connection)
        for kind in KINDS:
            for row in _touched_rows(scratch, kind, "added"):
                writer.add_row(connection, kind, row, who)
        for kind in KINDS:
            for row in _touched_rows(scratch, kind, "changed"):
                writer.make_into(connection, kind, row, who)


def _to_insert(scratch: Scratch, given: sa.Table, table: sa.Table) -> Iterator[Row]:
    """Rows that are new, in the order in which they were given."""
    if table.name in KIND_OF:
        new = given.c.id.in_(sa.select(TOUCHED.c.id).where(TOUCHED.c.fate == "new"))
        rows = scratch.stream(given, new, given.c.fate.is_(None))
    else:
        rows = scratch.stream(given, given.c.fate == "new")
    return (bare(table, row) for row in rows)


def _touched_rows(scratch: Scratch, kind: str, fate: str) -> Iterator[Row]:
    """Records as they are to be."""
    table = ENTITIES[kind]
    for part in in_parts(scratch.stream(TOUCHED, TOUCHED.c.kind == kind, TOUCHED.c.fate == fate)):
        query = sa.select(table).where(table.c.id.in_([touched["id"] for touched in part]))
        rows = {row["id"]: dict(row) for row in scratch.connection.execute(query).mappings()}
        yield from (rows[touched["id"]] for touched in part)


def _write_instance(scratch: Scratch, connection: sa.Connection) -> None:
    meta = TABLES["meta"]
    for row in scratch.stream(GIVEN["meta"], GIVEN["meta"].c.fate.in_(["new", "changed"])):
        connection.execute(meta.delete().where(meta.c.key == row["key"]))
        connection.execute(meta.insert().values(bare(meta, row)))
