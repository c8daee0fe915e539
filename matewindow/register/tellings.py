"""What was told of the records: outlooks as they were issued, warnings, and what calendars were shown."""

from __future__ import annotations

from typing import TYPE_CHECKING

import sqlalchemy as sa

from matewindow.errors import StoreError
from matewindow.feeds.stamps import stamp_from_text
from matewindow.register.carried import MEMORY, TABLES, columns_of, is_body, unpacked
from matewindow.register.rows import WORDS
from matewindow.register.staging import GIVEN, KEYS, part_of
from matewindow.register.tables import ENTITIES, calendar_stamps
from matewindow.register.weighing import in_parts

if TYPE_CHECKING:
    from matewindow.register.carried import Row
    from matewindow.register.weighing import Scale

_TOLD = ("outlooks", "batch_state", "warnings", "calendar_stamps")
INSTANCE = "instance"


def weigh_tellings(scale: Scale) -> None:
    """See to all that is no record."""
    for name in _TOLD:
        table, given = TABLES[name], GIVEN[name]
        for part in in_parts(scale.scratch.stream(given, given.c.fate.is_(None)), size=part_of(given)):
            there = scale.at_once(table, KEYS[name], [row[KEYS[name]] for row in part], scratch=False)
            scale.presents("batch", (row["batch_id"] for row in part))
            fates = []
            for row in part:
                fate = _fate(scale, name, row, there.get(row[KEYS[name]]))
                fates.append((row["n"], fate))
                if fate != "bad":
                    scale.counts[name]["added" if fate == "new" else fate] += 1
            scale.scratch.mark(given, fates)
    _weigh_instance(scale)


def _fate(scale: Scale, name: str, row: Row, known: Row | None) -> str:
    """New, same, kept as the register has it, or bad."""
    if not _names_what_is_there(scale, row):
        return "bad"
    if known is not None and _equal(name, row, known):
        return "same"
    if name in MEMORY and (known is not None or not _of_new_batch(scale, row)):
        return "kept"
    if known is None:
        return "new" if name != "calendar_stamps" or _good_stamp(scale, row) else "bad"
    if name == "warnings" and _equal(name, row, known, but=("cleared_at", "cleared_by", "cleared_message")):
        return "kept"
    what = f"the register has {row['id']} with other content, and what was told is never changed"
    scale.blame(scale.scratch.place(row), "id", what, "Leave the row out.")
    return "bad"


def _of_new_batch(scale: Scale, row: Row) -> bool:
    touched = scale.scratch.touched([row["batch_id"]]).get(row["batch_id"])
    return touched is not None and touched["fate"] == "new"


def _names_what_is_there(scale: Scale, row: Row) -> bool:
    place, good = scale.scratch.place(row), True
    for name, kind in (("batch_id", "batch"), ("site_id", "site")):
        thing = row.get(name)
        if thing is None:
            continue
        if scale.scratch.spoilt(thing):
            good = False
        elif scale.present(kind, thing) is None:
            good = False
            what = f"there is no {WORDS[kind]} {thing!r}, neither here nor in the register"
            scale.blame(place, name, what, f"Add it to {ENTITIES[kind].name}, or leave this row out.")
    for name in ("outlook_id", "cleared_by"):
        thing = row.get(name)
        if thing is not None and not _outlook_there(scale, thing):
            good = False
            scale.blame(place, name, f"there is no outlook {thing!r}, neither here nor in the register")
    return good


def _outlook_there(scale: Scale, thing: str) -> bool:
    if scale.scratch.spoilt(thing) or scale.scratch.one(GIVEN["outlooks"], "id", thing) is not None:
        return True
    table = TABLES["outlooks"]
    return scale.register.execute(sa.select(table.c.id).where(table.c.id == thing)).first() is not None


def _equal(name: str, row: Row, known: Row, but: tuple[str, ...] = ()) -> bool:
    table = TABLES[name]
    for column in columns_of(table):
        mine, other = row[column.name], known[column.name]
        if column.name in but:
            continue
        if is_body(column):
            mine, other = unpacked(table, mine), unpacked(table, other)
        if mine != other:
            return False
    return True


def _good_stamp(scale: Scale, row: Row) -> bool:
    try:
        entry = stamp_from_text(row["stamp"]).entry
    except StoreError:
        entry = None
    if entry is None or (entry.uid, entry.batch_id) != (row["uid"], row["batch_id"]):
        scale.blame(scale.scratch.place(row), "stamp", "it is no entry of the calendars' ledger of this uid and batch")
        return False
    return True


def _weigh_instance(scale: Scale) -> None:
    """The name of the register: kept where calendars know one already, else taken over."""
    meta = TABLES["meta"]
    for row in scale.scratch.stream(GIVEN["meta"], GIVEN["meta"].c.fate.is_(None)):
        if row["key"] != INSTANCE:
            scale.blame(scale.scratch.place(row), "key", f"{row['key'][:40]!r} is not known")
            continue
        mine = scale.register.execute(sa.select(meta.c.value).where(meta.c.key == INSTANCE)).scalar()
        told = scale.register.execute(sa.select(calendar_stamps.c.uid).limit(1)).first() is not None
        fate = "new" if mine is None else "same" if mine == row["value"] else "kept" if told else "changed"
        scale.scratch.mark(GIVEN["meta"], [(row["n"], fate)])
        scale.counts["meta"]["added" if fate == "new" else fate] += 1
