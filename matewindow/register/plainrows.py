"""Records written by hand: no ids, fields left out, other records named by what the keeper calls them.

A record that the register has already, field by field, is not added once more, so that a file can be imported again
after it has grown.
"""

from __future__ import annotations

import json
from typing import TYPE_CHECKING, Any

import sqlalchemy as sa

from matewindow.register.ids import is_id, new_id
from matewindow.register.records import KINDS, as_data
from matewindow.register.rows import PARENTS, WORDS
from matewindow.register.shapes import fields_of
from matewindow.register.staging import PLAIN
from matewindow.register.tables import ENTITIES

if TYPE_CHECKING:
    from datetime import datetime

    from matewindow.register.carried import Row
    from matewindow.register.weighing import Scale

_LIKE = {
    "site": ("name",),
    "builder": ("site_id", "name"),
    "batch": ("site_id", "grafted_on"),
    "nuc": ("site_id", "name"),
    "check": ("batch_id", "day"),
}
"""Fields by which a record that may be the same is found."""
_SHOWN = 5
_CALLED = 10_000


def weigh_plain(scale: Scale) -> None:
    """Give every plain record its ids, and lay those that are new over the register's."""
    for kind in KINDS:
        _OneKind(scale, kind).weigh()


class _OneKind:
    """The plain records of one kind."""

    def __init__(self, scale: Scale, kind: str) -> None:
        self._scale, self._kind, self._table = scale, kind, ENTITIES[kind]
        self._taken: set[str] = set()
        """Ids of the register's records that a given row stands for."""
        self._alike: dict[tuple[Any, ...], dict[str, list[str]]] = {}
        self._called: dict[tuple[Any, ...], list[str]] = {}
        """Ids by what they are called: while children are weighed, no parent comes to them."""

    def weigh(self) -> None:
        """See to all of them."""
        scratch, mine = self._scale.scratch, PLAIN.c.kind == self._kind
        count = sa.select(sa.func.count()).select_from(PLAIN).where(mine)
        ids = iter(new_ids(self._kind, scratch.connection.execute(count).scalar_one(), self._scale.now))
        for given in scratch.stream(PLAIN, mine):
            place = scratch.place(given)
            raw, whole = self._resolved(given)
            fields, faults = fields_of(self._kind, raw)
            for name, what, fix in faults:
                self._scale.blame(place, name, what, fix)
            if faults or not whole:
                scratch.spoil(f"{self._kind} {raw.get('name')}")
                continue
            same = self._same(fields)
            if same is not None:
                self._taken.add(same)
                self._scale.counts[self._table.name]["same"] += 1
                continue
            new, now = next(ids), self._scale.now
            row: Row = {"id": new, "version": 1, "created_at": now, "changed_at": now, "deleted_at": None} | fields
            scratch.connection.execute(self._table.insert().values(row))
            scratch.touch(self._kind, new, place, "added")
            self._scale.counts[self._table.name]["added"] += 1

    def _resolved(self, given: Row) -> tuple[Row, bool]:
        """The row with ids instead of names, and whether all of them were found."""
        raw, whole = dict(given["raw"]), True
        for column, parent in PARENTS.items():
            if column not in self._table.c:
                continue
            if parent in raw and column not in raw:
                raw[column] = raw.pop(parent)
            name = raw.get(column)
            if not isinstance(name, str) or is_id(name, parent):
                continue
            asked = (parent, name, raw.get("site_id"), raw.get("batch_id"))
            found = self._called.get(asked)
            if found is None:
                found = self._called[asked] = find_by_name(self._scale.scratch.connection, parent, name, raw)
                if len(self._called) > _CALLED:
                    self._called.clear()
            if len(found) == 1:
                raw[column] = found[0]
                continue
            whole = False
            raw.pop(column)
            if not self._scale.scratch.spoilt(f"{parent} {name}"):
                what, fix = no_single(parent, name, found)
                self._scale.blame(self._scale.scratch.place(given), column, what, fix)
            if self._table.c[column].nullable is False:
                raw[column] = _STANDS_IN[parent]  # so that the other fields are judged too
        return raw, whole

    def _same(self, fields: Row) -> str | None:
        """The id of a record of the register that holds the same, if no other given row stands for it."""
        like = tuple(fields[name] for name in _LIKE[self._kind])
        held = self._alike.get(like)
        if held is None:
            if len(self._alike) > _CALLED:
                self._alike.clear()
            held = self._alike[like] = self._read_alike(like)
        return next((thing for thing in held.get(_mark(fields), ()) if thing not in self._taken), None)

    def _read_alike(self, like: tuple[Any, ...]) -> dict[str, list[str]]:
        """The register's records that may be the same, their ids by what they hold."""
        where = [self._table.c[name] == value for name, value in zip(_LIKE[self._kind], like, strict=True)]
        query = sa.select(self._table).where(*where, self._table.c.deleted_at.is_(None)).order_by(self._table.c.id)
        found: dict[str, list[str]] = {}
        for row in self._scale.register.execute(query).mappings():
            found.setdefault(_mark({name: row[name] for name in KINDS[self._kind].model_fields}), []).append(row["id"])
        return found


def _mark(fields: Row) -> str:
    """What a record holds, as text."""
    return json.dumps(as_data(fields), sort_keys=True)


_STANDS_IN = {kind: f"{prefix}_{'0' * 16}" for kind, prefix in (("site", "site"), ("batch", "btch"))}


def find_by_name(connection: sa.Connection, kind: str, name: str, beside: Row) -> list[str]:
    """Ids of the records that are called so, at the same site or in the same batch where that is told."""
    table = ENTITIES[kind]
    where = [table.c.name == name, table.c.deleted_at.is_(None)]
    where += [
        table.c[column] == beside[column]
        for column, parent in (("site_id", "site"), ("batch_id", "batch"))
        if column in table.c and is_id(str(beside.get(column)), parent)
    ]
    found = connection.execute(sa.select(table.c.id).where(*where).order_by(table.c.id))
    return list(found.scalars())


def no_single(kind: str, name: str, found: list[str]) -> tuple[str, str]:
    """What is wrong with a name that stands for no record, or for several; and what to do."""
    shown = repr(name[:60])
    if not found:
        return f"there is no {WORDS[kind]} called {shown}", f"Add it to {ENTITIES[kind].name}, or give its id."
    ids = ", ".join(found[:_SHOWN]) + (", ..." if len(found) > _SHOWN else "")
    plural = "batches" if kind == "batch" else f"{WORDS[kind]}s"
    return f"there are {len(found)} {plural} called {shown}", f"Give the id of the one that is meant: {ids}."


def new_ids(kind: str, count: int, now: datetime) -> list[str]:
    """So many new ids, in order, so that records stand in the order in which they were given."""
    ids: set[str] = set()
    while len(ids) < count:
        ids.add(new_id(kind, now))
    return sorted(ids)
