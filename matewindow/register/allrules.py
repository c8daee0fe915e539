"""The rules of life for all records that an import writes, each beside the others as they would be afterwards."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import sqlalchemy as sa

from matewindow.register.judging import Judge
from matewindow.register.rows import PARENTS, WORDS
from matewindow.register.staging import TOUCHED
from matewindow.register.tables import ENTITIES
from matewindow.register.weighing import in_parts

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator

    from matewindow.register.carried import Row
    from matewindow.register.life import Refusal
    from matewindow.register.weighing import Scale


@dataclass(frozen=True)
class _HoldingJudge(Judge):
    """A judge that takes the records which others stand on from those that are held in memory."""

    scale: Scale | None = None

    def _parent(self, kind: str, thing: str) -> Row:
        found = None if self.scale is None else self.scale.present(kind, thing)
        return super()._parent(kind, thing) if found is None else found


def judge_all(scale: Scale) -> None:
    """Judge what is written, and where records are changed all that stands beside them."""
    count = sa.select(sa.func.count()).select_from(TOUCHED)
    wanted, done = scale.scratch.connection.execute(count).scalar_one(), 0
    for kind, table in ENTITIES.items():
        for part in in_parts(scale.scratch.stream(TOUCHED, TOUCHED.c.kind == kind)):
            rows = scale.presents(kind, (touched["id"] for touched in part))
            _hold_parents(scale, rows.values(), table)
            for touched in part:
                _judge(scale, kind, rows[touched["id"]], touched)
                done += 1
                scale.tell("Judging the records", done, wanted)
    for kind, table in ENTITIES.items():
        for ids in in_parts(_beside_changed(scale, kind, table)):
            rows = scale.presents(kind, ids)
            for row in rows.values():
                _judge_beside(scale, kind, row)


def _hold_parents(scale: Scale, rows: Iterable[Row], table: sa.Table) -> None:
    """Read at once what the records stand on."""
    for name, parent in PARENTS.items():
        if name in table.c:
            scale.presents(parent, (row[name] for row in rows if row[name] is not None))


def _judge(scale: Scale, kind: str, row: Row, touched: Row) -> None:
    """One record that is written."""
    if row["deleted_at"] is not None or _stands_on_spoilt(scale, row):
        return
    for refusal in _refusals(scale, kind, row):
        scale.blame(scale.scratch.place(touched), refusal.field, refusal.what, refusal.fix)
        scale.scratch.spoil(row["id"])


def _stands_on_spoilt(scale: Scale, row: Row) -> bool:
    return any(scale.scratch.spoilt(row[name]) for name in ("id", *PARENTS) if row.get(name) is not None)


def _refusals(scale: Scale, kind: str, row: Row) -> list[Refusal]:
    # what was accepted once does not become a thing of the future when a clock is set back
    now = max(scale.now, row["changed_at"])
    return _HoldingJudge(scale.scratch.connection, scale.biology, now, beside=row, scale=scale).of(kind, row)


def _beside_changed(scale: Scale, kind: str, table: sa.Table) -> Iterator[str]:
    """Ids of records at the sites where something is changed, that are not written themselves."""
    batches = ENTITIES["batch"]
    sites: set[str] = set()
    for touched in scale.scratch.stream(TOUCHED, TOUCHED.c.fate == "changed"):
        row = scale.present(touched["kind"], touched["id"])
        assert row is not None, "what was touched is there"
        if touched["kind"] == "check":
            row = scale.present("batch", row["batch_id"]) or {"site_id": None}
        sites.add(row["id"] if touched["kind"] == "site" else row["site_id"])
    for part in in_parts(sorted(s for s in sites if s)):
        if kind == "check":
            at = table.c.batch_id.in_(sa.select(batches.c.id).where(batches.c.site_id.in_(part)))
        else:
            at = table.c["id" if kind == "site" else "site_id"].in_(part)
        written = table.c.id.in_(sa.select(TOUCHED.c.id))
        query = sa.select(table.c.id).where(at, ~written, table.c.deleted_at.is_(None)).order_by(table.c.id)
        yield from list(scale.scratch.connection.execute(query).scalars())


def _judge_beside(scale: Scale, kind: str, row: Row) -> None:
    """One record that is not written, but stands beside one that is changed."""
    changed = _changed_below(scale, kind, row)
    if changed is None or _stands_on_spoilt(scale, row):
        return
    for name, parent in PARENTS.items():
        other = None if row.get(name) is None else scale.present(parent, row[name])
        if other is not None and other["deleted_at"] is not None:
            what = f"the {WORDS[kind]} {row['id']} of the register stands on it"
            scale.blame(scale.scratch.place(changed), "deleted_at", what, "Delete that first.")
            return
    said = _refusals(scale, kind, row)
    if said:
        what = f"the {WORDS[kind]} {row['id']} of the register would become impossible: {said[0].what}"
        scale.blame(scale.scratch.place(changed), said[0].field, what, "Change or delete that first.")


def _changed_below(scale: Scale, kind: str, row: Row) -> Row | None:
    """The nearest changed record among those that this one stands on; for a check, also other checks of its nuc."""
    batch = scale.present("batch", row["batch_id"]) if row.get("batch_id") else None
    ids = [row.get("nuc_id"), row.get("batch_id"), row.get("builder_id"), row.get("site_id")]
    ids.append(None if batch is None else batch["site_id"])
    if kind == "check":
        checks = ENTITIES["check"]
        beside = sa.select(checks.c.id).where(
            checks.c.batch_id == row["batch_id"], checks.c.nuc_id.is_not_distinct_from(row["nuc_id"])
        )
        ids += list(scale.scratch.connection.execute(beside).scalars())
    touched = scale.scratch.touched(thing for thing in ids if thing is not None)
    return next((touched[i] for i in ids if i in touched and touched[i]["fate"] == "changed"), None)
