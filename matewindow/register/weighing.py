"""Given rows held against the register and against each other: what each would do, and all that is wrong.

Nothing is written here but into the scratch database; the register is only read, at one instant.
"""

from __future__ import annotations

from collections import Counter, defaultdict
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any, TypeVar

import sqlalchemy as sa

from matewindow.register.records import KINDS
from matewindow.register.rows import PARENTS, WORDS
from matewindow.register.staging import AT_A_TIME, GIVEN, KEYS, TOUCHED, Scratch, bare
from matewindow.register.tables import ENTITIES

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable, Iterator
    from datetime import datetime

    from matewindow.biology import Biology
    from matewindow.register.carried import Row
    from matewindow.register.problems import Place, Problems

T = TypeVar("T")
_HELD = 10_000
"""Records kept in memory."""
_REPLACE = "Leave it out, or import with --replace to make it a change of that record."


@dataclass
class Scale:
    """What the weighing of an import needs, and what came of it.

    Attributes:
        scratch: what was given, and the records as they would be.
        register: a reading transaction of the register.
        biology: parameters by which impossible records are told.
        now: the present, aware.
        problems: what is wrong.
        replace: whether records of the register may be changed.
        tell: is told what is being done, how much of it and of how much.
        counts: by table, how many rows are "added", "same", "changed" or "kept" as the register has them.
        steps_left: steps of histories that are not taken over, of records that the register has.
    """

    scratch: Scratch
    register: sa.Connection
    biology: Biology
    now: datetime
    problems: Problems
    replace: bool
    tell: Callable[[str, int, int], None]
    counts: dict[str, Counter[str]] = field(default_factory=lambda: defaultdict(Counter))
    steps_left: int = 0
    _held: dict[str, Row] = field(default_factory=dict)

    def blame(self, place: Place, name: str, what: str, fix: str = "") -> None:
        """Note a problem."""
        self.problems.add(place, name, what, fix)

    def present(self, kind: str, thing: str) -> Row | None:
        """A record as it would be, deleted or not."""
        found = self._held.get(thing)
        if found is None:
            found = self.scratch.one(ENTITIES[kind], "id", thing)
            if found is not None:
                self._hold([found])
        return found

    def presents(self, kind: str, things: Iterable[str]) -> dict[str, Row]:
        """Several records as they would be, by id; at once, and held for ``present``."""
        wanted = dict.fromkeys(things)
        found = {thing: self._held[thing] for thing in wanted if thing in self._held}
        more = self.at_once(ENTITIES[kind], "id", [thing for thing in wanted if thing not in found], scratch=True)
        self._hold(more.values())
        return found | more

    def _hold(self, rows: Iterable[Row]) -> None:
        if len(self._held) > _HELD:
            self._held.clear()
        self._held.update((row["id"], row) for row in rows)

    def forget(self, thing: str) -> None:
        """A record was changed."""
        self._held.pop(thing, None)

    def at_once(self, table: sa.Table, key: str, values: Iterable[Any], *, scratch: bool) -> dict[Any, Row]:
        """Rows of the scratch database or the register, by the values of their key."""
        connection = self.scratch.connection if scratch else self.register
        values = list(values)
        if not values:
            return {}
        query = sa.select(table).where(table.c[key].in_(values))
        return {row[key]: dict(row) for row in connection.execute(query).mappings()}


def in_parts(things: Iterable[T], size: int = AT_A_TIME) -> Iterator[list[T]]:
    """Things in lists of so many."""
    part: list[T] = []
    for thing in things:
        part.append(thing)
        if len(part) == size:
            yield part
            part = []
    if part:
        yield part


def copy_register(scale: Scale) -> None:
    """The records of the register, as they are now."""
    done = 0
    for kind, table in ENTITIES.items():
        result = scale.register.execute(sa.select(table).execution_options(yield_per=AT_A_TIME)).mappings()
        for part in result.partitions():
            scale.scratch.connection.execute(table.insert(), [dict(row) for row in part])
            done += len(part)
            scale.tell(f"Looking at the {WORDS[kind]} records", done, done)


def tell_doubles(scale: Scale) -> None:
    """Rows that are given twice; only the first of them counts on."""
    for name, key in KEYS.items():
        table = GIVEN[name]
        first = sa.select(table.c[key], sa.func.min(table.c.n).label("n")).group_by(table.c[key])
        several = first.having(sa.func.count() > 1).subquery()
        again = sa.select(table, several.c.n.label("first")).join(several, table.c[key] == several.c[key])
        again = again.where(table.c.n > several.c.n).order_by(table.c.n)
        rows = [dict(row) for row in scale.scratch.connection.execute(again).mappings()]
        for row in rows:
            other = scale.scratch.one(table, "n", row["first"]) or row
            at = scale.scratch.place(other)
            where = f"in row {at.row}" + ("" if at.order == row["at_file"] else f" of {at.file}")
            scale.blame(scale.scratch.place(row), key, f"{row[key]!r} is given twice: it also stands {where}")
        scale.scratch.mark(table, [(row["n"], "double") for row in rows])


def weigh_records(scale: Scale) -> None:
    """Whole records: new ones, ones that the register has as they are, and ones that it has with other content."""
    for kind, table in ENTITIES.items():
        given = GIVEN[table.name]
        for part in in_parts(scale.scratch.stream(given, given.c.fate.is_(None))):
            there = scale.presents(kind, (row["id"] for row in part))
            new = [row for row in part if row["id"] not in there]
            if new:
                scale.scratch.connection.execute(table.insert(), [bare(table, row) for row in new])
            for row in new:
                scale.scratch.touch(kind, row["id"], scale.scratch.place(row), "new")
            scale.counts[table.name]["added"] += len(new)
            for row in part:
                if row["id"] in there:
                    _weigh_known(scale, kind, row, there[row["id"]])


def _weigh_known(scale: Scale, kind: str, row: Row, known: Row) -> None:
    """A record that the register has."""
    table, place = ENTITIES[kind], scale.scratch.place(row)
    differing = [name for name in KINDS[kind].model_fields if row[name] != known[name]]
    if (row["deleted_at"] is None) != (known["deleted_at"] is None):
        differing.append("deleted_at")
    if not differing:
        scale.counts[table.name]["same"] += 1
        return
    if not scale.replace:
        what = f"the register has the {WORDS[kind]} {row['id']} with another {_listed(differing)}"
        scale.blame(place, differing[0], what, _REPLACE)
        scale.scratch.spoil(row["id"])
        return
    values = {name: row[name] for name in differing}
    scale.scratch.connection.execute(table.update().where(table.c.id == row["id"]).values(values))
    scale.forget(row["id"])
    scale.scratch.touch(kind, row["id"], place, "changed")
    scale.counts[table.name]["changed"] += 1


def _listed(names: list[str]) -> str:
    return names[0] if len(names) == 1 else f"{', '.join(names[:-1])} and {names[-1]}"


def check_references(scale: Scale) -> None:
    """Every record that is written names only records that are there."""
    scale.scratch.settle()
    for kind, table in ENTITIES.items():
        mine = [(name, parent) for name, parent in PARENTS.items() if name in table.c]
        for part in in_parts(scale.scratch.stream(TOUCHED, TOUCHED.c.kind == kind)):
            rows = scale.presents(kind, (touched["id"] for touched in part))
            there = {
                parent: scale.presents(parent, (row[name] for row in rows.values() if row[name] is not None))
                for name, parent in mine
            }
            for touched in part:
                row = rows[touched["id"]]
                fits = [
                    _parent_fits(scale, touched, row, name, parent, there[parent].get(row[name]))
                    for name, parent in mine
                    if row[name] is not None
                ]
                if not all(fits):
                    scale.scratch.spoil(row["id"])


def _parent_fits(scale: Scale, touched: Row, row: Row, name: str, kind: str, found: Row | None) -> bool:
    place, other = scale.scratch.place(touched), row[name]
    if scale.scratch.spoilt(other):
        return False
    if found is None:
        what = f"there is no {WORDS[kind]} {other!r}, neither here nor in the register"
        scale.blame(place, name, what, f"Add it to {ENTITIES[kind].name}, or leave this row out.")
        return False
    if found["deleted_at"] is not None and row["deleted_at"] is None:
        scale.blame(place, name, f"the {WORDS[kind]} {other!r} is deleted, and this record is not", "")
        return False
    return True
