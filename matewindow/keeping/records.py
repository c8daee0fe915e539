"""All that the register knows of a batch, read at one instant."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import sqlalchemy as sa

from matewindow.register.life import batch_of, nuc_batch, planned_end, site_of
from matewindow.register.rows import stored
from matewindow.register.tables import batches, checks, nucs
from matewindow.words import day_month

if TYPE_CHECKING:
    from collections.abc import Sequence
    from datetime import date

    from matewindow.biology import Biology
    from matewindow.site import Site
    from matewindow.timeline import Batch

Row = dict[str, Any]


@dataclass(frozen=True)
class Records:
    """A batch with its site, nucs and checks, none of them deleted."""

    site_row: Row
    row: Row
    nucs: Sequence[Row]
    checks: Sequence[Row]

    @property
    def id(self) -> str:
        """Of the batch."""
        return str(self.row["id"])

    @property
    def called(self) -> str:
        """What people call the batch: its name, or the day of its graft where it has none."""
        return str(self.row["name"]) or f"Batch of {day_month(self.row['grafted_on'])}"

    @property
    def site(self) -> Site:
        """The site as the library knows it."""
        return site_of(self.site_row)

    @property
    def batch(self) -> Batch:
        """The batch, with the checks that stand for it as a whole."""
        return batch_of(self.row, self.site, [c for c in self.checks if c["nuc_id"] is None])

    def in_nuc(self, nuc_id: str) -> Batch:
        """The batch as one of its nucs has it, with the checks of that nuc."""
        nuc = next(n for n in self.nucs if n["id"] == nuc_id)
        return nuc_batch(batch_of(self.row, self.site, [c for c in self.checks if c["nuc_id"] == nuc_id]), nuc)

    def edition(self) -> str:
        """Which records these are, by id and version."""
        rows = [self.site_row, self.row, *self.nucs, *self.checks]
        return " ".join(f"{r['id']}.{r['version']}" for r in rows)

    def under_way(self, today: date, biology: Biology) -> bool:
        """Whether a queen of the batch can still come into lay, as far as the records tell."""
        if self.row["ended_on"] is not None or today > planned_end(self.batch, self.site, biology):
            return False
        settled = [n["outcome"] is not None or self._laid(n["id"]) for n in self.nucs]
        return not settled or not all(settled)

    def _laid(self, nuc_id: str) -> bool:
        return any(c["nuc_id"] == nuc_id and c["saw"] == "eggs" for c in self.checks)


def read_batch(connection: sa.Connection, batch_id: str) -> Records:
    """One batch.

    Raises:
        NotThereError: there is none, or it is deleted.
    """
    row = stored(connection, "batch", batch_id)
    return _with_children(connection, stored(connection, "site", row["site_id"]), [row])[0]


def read_site(connection: sa.Connection, site_id: str) -> tuple[Row, list[Records]]:
    """A site and its batches that have not ended.

    Raises:
        NotThereError: there is no such site, or it is deleted.
    """
    site = stored(connection, "site", site_id)
    query = sa.select(batches).where(
        batches.c.site_id == site_id, batches.c.deleted_at.is_(None), batches.c.ended_on.is_(None)
    )
    rows = [dict(r) for r in connection.execute(query.order_by(batches.c.id)).mappings()]
    return site, _with_children(connection, site, rows)


def _with_children(connection: sa.Connection, site: Row, rows: list[Row]) -> list[Records]:
    ids = [row["id"] for row in rows]
    mine: dict[str, tuple[list[Row], list[Row]]] = {i: ([], []) for i in ids}
    for at, table in enumerate((nucs, checks)):
        query = sa.select(table).where(table.c.batch_id.in_(ids), table.c.deleted_at.is_(None)).order_by(table.c.id)
        for found in connection.execute(query).mappings():
            mine[found["batch_id"]][at].append(dict(found))
    return [Records(site, row, *mine[row["id"]]) for row in rows]
