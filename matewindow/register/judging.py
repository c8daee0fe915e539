"""A record held against the records around it."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import sqlalchemy as sa

from matewindow.errors import NotThereError, RefusedError, UnknownReferenceError
from matewindow.register import life, nuclife
from matewindow.register.rows import PARENTS, WORDS, Row, find, stored
from matewindow.register.tables import ENTITIES

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator, Mapping
    from datetime import date, datetime

    from matewindow.biology import Biology

_REACHES = {
    "site": ("timezone", "longitude"),
    "builder": ("site_id",),
    "batch": ("site_id", "emerged_on", "grafted_on", "grafted_at", "larva_age_h", "sealed_temp_c"),
    "nuc": ("batch_id", "emerged_on"),
    "check": (),
}
"""Fields by whose change other records may become impossible."""
_STANDS_ON = {
    "batch": (("nuc", "batch_id"), ("check", "batch_id")),
    "nuc": (("check", "nuc_id"),),
}
_INSTEAD = {
    "nuc": "For a new queen add the nuc once more, with her batch; else change or delete that first.",
}


@dataclass(frozen=True)
class Judge:
    """Judges one record beside its neighbours, within a transaction.

    Attributes:
        connection: of the transaction.
        biology: parameters.
        now: the present, aware.
        beside: a record as it is about to become, to be taken instead of what is stored.
    """

    connection: sa.Connection
    biology: Biology
    now: datetime
    beside: Row | None = None

    def check(self, kind: str, row: Row) -> None:
        """Refuse a record that cannot be.

        Raises:
            RefusedError: all that is wrong with it.
            UnknownReferenceError: a record that it names is not there.
        """
        refusals = self.of(kind, row)
        if refusals:
            raise RefusedError([(r.field, r.what, r.fix) for r in refusals])

    def of(self, kind: str, row: Row) -> list[life.Refusal]:
        """All that cannot be in a record, and what those that stand on it would become by its change."""
        parents = {name: self._named(name, row[name]) for name in PARENTS if row.get(name) is not None}
        judge: Callable[[Row, dict[str, Row]], list[life.Refusal]] = getattr(self, f"_{kind}")
        said = judge(row, parents)
        if not said and row["version"] > 1 and self.beside is None:
            said = self._standing(kind, row)
        return said

    def _named(self, field: str, thing: str) -> Row:
        try:
            return self._parent(PARENTS[field], thing)
        except NotThereError as fault:
            raise UnknownReferenceError(fault.what, field=field, fix=fault.fix) from None

    def _parent(self, kind: str, thing: str) -> Row:
        if self.beside is not None and self.beside["id"] == thing:
            return self.beside
        return stored(self.connection, kind, thing)

    def _site(self, row: Row, parents: dict[str, Row]) -> list[life.Refusal]:  # noqa: ARG002  one shape for all
        return life.judge_site(row, self.biology)

    def _builder(self, row: Row, parents: dict[str, Row]) -> list[life.Refusal]:  # noqa: ARG002  one shape for all
        return []

    def _batch(self, row: Row, parents: dict[str, Row]) -> list[life.Refusal]:
        site = life.site_of(parents["site_id"])  # where the queens mate; the cell builder may stand elsewhere
        return life.judge_batch(row, site, self.biology, self._today(parents["site_id"]))

    def _standing(self, kind: str, row: Row) -> list[life.Refusal]:
        """The first record that stands on this one and could not be true beside it any more."""
        old = find(self.connection, kind, row["id"])
        changed = [name for name in _REACHES[kind] if row[name] != old[name]]
        if not changed:
            return []
        for child_kind, child in self._children(kind, row["id"]):
            # what was accepted once does not become a thing of the future when a clock is set back
            judge = replace(self, beside=row, now=max(self.now, child["changed_at"]))
            said = judge.of(child_kind, child)
            if said:
                day = child.get("day") or child.get("grafted_on") or child.get("outcome_on") or child.get("emerged_on")
                words = f"{WORDS[child_kind]} {child.get('name') or ''}".strip() + (f" of {day}" if day else "")
                text = f"the {words} ({child['id']}) would become impossible: {said[0].what}"
                return [life.Refusal(changed[0], text, _INSTEAD.get(kind, "Change or delete that first."))]
        return []

    def _children(self, kind: str, thing: str) -> Iterator[tuple[str, Row]]:
        """Records whose truth depends on this one."""
        if kind == "site":
            for batch in self._rows("batch", site_id=thing):
                yield "batch", batch
                yield from self._children("batch", batch["id"])
        for child, column in _STANDS_ON.get(kind, ()):
            yield from ((child, row) for row in self._rows(child, **{column: thing}))

    def _nuc(self, row: Row, parents: dict[str, Row]) -> list[life.Refusal]:
        site_row = parents["site_id"]
        site, batch_row = life.site_of(site_row), parents.get("batch_id")
        said = _same_site(row, parents, "batch_id")
        batch = None if batch_row is None else life.batch_of(batch_row, site)
        return said + nuclife.judge_nuc(row, batch, batch_row, site, self.biology, self._today(site_row))

    def _check(self, row: Row, parents: dict[str, Row]) -> list[life.Refusal]:
        batch_row, nuc = parents["batch_id"], parents.get("nuc_id")
        if nuc is not None and nuc["batch_id"] != batch_row["id"]:
            return [life.Refusal("nuc_id", "this nuc holds no queen of that batch", "Give the batch of its cell.")]
        site_row = self._parent("site", batch_row["site_id"])
        site = life.site_of(site_row)
        batch = life.batch_of(batch_row, site)
        if nuc is not None:
            batch = life.nuc_batch(batch, nuc)
        others = [c for c in self._rows("check", batch_id=batch_row["id"]) if c["id"] != row["id"]]
        others = [c for c in others if c["nuc_id"] == row["nuc_id"]]
        return nuclife.judge_check(row, others, batch, site, self.biology, self._today(site_row))

    def _rows(self, kind: str, **equal: str) -> list[Row]:
        table = ENTITIES[kind]
        query = sa.select(table).where(table.c.deleted_at.is_(None), *(table.c[k] == v for k, v in equal.items()))
        return [dict(row) for row in self.connection.execute(query.order_by(table.c.id)).mappings()]

    def _today(self, site_row: Row) -> date:
        return self.now.astimezone(life.site_of(site_row).zone).date()


def _same_site(row: Row, parents: Mapping[str, Row], name: str) -> list[life.Refusal]:
    other = parents.get(name)
    if other is None or other["site_id"] == row["site_id"]:
        return []
    return [life.Refusal(name, f"this {WORDS[PARENTS[name]]} belongs to another site", "Give one of the same site.")]
