"""The histories that come with records: whole for those that are new, none for those that the register has."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import sqlalchemy as sa

from matewindow.register.records import as_data
from matewindow.register.rows import WORDS
from matewindow.register.staging import AT_A_TIME, GIVEN, TOUCHED, bare
from matewindow.register.tables import ENTITIES, changes
from matewindow.register.weighing import in_parts

if TYPE_CHECKING:
    from collections.abc import Iterator

    from matewindow.register.carried import Row
    from matewindow.register.weighing import Scale

_STEPS = GIVEN["changes"]
_FIX = "Export the register once more, or leave id out to add the record anew."
Thing = tuple[str, str]
"""Kind and id."""


def weigh_histories(scale: Scale) -> None:
    """Hold every given step against the record that it is of."""
    for part in _things(scale):
        given, stored = _given_steps(scale, part), _stored_steps(scale, part)
        touched = scale.scratch.touched(thing for _, thing in part)
        rows = {kind: scale.presents(kind, (t for k, t in part if k == kind)) for kind in ENTITIES}
        taken: list[tuple[int, str]] = []
        for kind, thing in part:
            known = _Known(kind, rows[kind].get(thing), touched.get(thing))
            taken += _weigh(scale, thing, known, given[kind, thing], stored)
        scale.scratch.mark(_STEPS, taken)
    _tell_missing(scale)


def _things(scale: Scale) -> Iterator[list[Thing]]:
    """The records that there are steps of."""
    last: Thing | None = None
    while True:
        key = sa.tuple_(_STEPS.c.kind, _STEPS.c.thing_id)
        query = sa.select(_STEPS.c.kind, _STEPS.c.thing_id).distinct().order_by(_STEPS.c.kind, _STEPS.c.thing_id)
        if last is not None:
            query = query.where(key > sa.tuple_(*(sa.literal(part) for part in last)))
        found = [(row.kind, row.thing_id) for row in scale.scratch.connection.execute(query.limit(AT_A_TIME))]
        if found:
            yield found
        if len(found) < AT_A_TIME:
            return
        last = found[-1]


def _given_steps(scale: Scale, part: list[Thing]) -> dict[Thing, list[Row]]:
    query = sa.select(_STEPS).where(_STEPS.c.thing_id.in_([thing for _, thing in part]))
    steps: dict[Thing, list[Row]] = {thing: [] for thing in part}
    for row in scale.scratch.connection.execute(query.order_by(_STEPS.c.version, _STEPS.c.n)).mappings():
        if (thing := (row["kind"], row["thing_id"])) in steps:
            steps[thing].append(dict(row))
    return steps


def _stored_steps(scale: Scale, part: list[Thing]) -> dict[tuple[str, str, int], Row]:
    """Steps of the register's own history, by kind, id and version."""
    query = sa.select(changes).where(changes.c.thing_id.in_([thing for _, thing in part]))
    rows = (dict(row) for row in scale.register.execute(query).mappings())
    return {(row["kind"], row["thing_id"], row["version"]): row for row in rows}


@dataclass(frozen=True)
class _Known:
    """What is known of the record that steps are of."""

    kind: str
    row: Row | None
    touched: Row | None


def _weigh(
    scale: Scale, thing_id: str, known: _Known, steps: list[Row], stored: dict[tuple[str, str, int], Row]
) -> list[tuple[int, str]]:
    """What becomes of the steps of one record."""
    kind, row, touched = known.kind, known.row, known.touched
    if scale.scratch.spoilt(thing_id):
        return []
    if touched is not None and touched["fate"] == "new":
        assert row is not None, "what was touched is there"
        if _joins(scale, touched, steps, as_data(row)):
            scale.counts["changes"]["added"] += len(steps)
            return [(step["n"], "new") for step in steps]
        return []
    if row is None:
        what = f"it tells of a {WORDS[kind]} {thing_id} that is neither here nor in the register"
        scale.blame(scale.scratch.place(steps[0]), "thing_id", what)
        return []
    for step in steps:
        mine = stored.get((kind, thing_id, step["version"]))
        if mine is not None and bare(changes, mine) == bare(changes, step):
            scale.counts["changes"]["same"] += 1
        elif mine is not None and touched is None:
            what = f"the register tells version {step['version']} of the {WORDS[kind]} {thing_id} otherwise"
            scale.blame(scale.scratch.place(step), "after", what, "Leave the row out.")
        else:
            scale.steps_left += 1
    return []


def _joins(scale: Scale, touched: Row, steps: list[Row], row: dict[str, Any]) -> bool:
    """Whether a history begins with the adding, joins without a gap and ends with the record."""
    last: dict[str, Any] | None = None
    for version, step in enumerate(steps, start=1):
        if step["version"] != version or step["before"] != last:
            place = scale.scratch.place(step)
            what = f"this is version {step['version']}, and version {version} does not join the one before it"
            scale.blame(place, "version", what, _FIX)
            return False
        last = step["after"]
    if last != row:
        what = f"the record is not what its history in changes says of version {row['version']}"
        scale.blame(scale.scratch.place(touched), "version", what, _FIX)
        return False
    return True


def _tell_missing(scale: Scale) -> None:
    """New records without any history."""
    there = sa.exists().where(_STEPS.c.kind == TOUCHED.c.kind, _STEPS.c.thing_id == TOUCHED.c.id)
    for part in in_parts(scale.scratch.stream(TOUCHED, TOUCHED.c.fate == "new", ~there)):
        for touched in part:
            if not scale.scratch.spoilt(touched["id"]):
                scale.blame(scale.scratch.place(touched), "id", "its history is missing among the changes", _FIX)
