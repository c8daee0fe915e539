"""What the register's tests share: a clock to set, records to begin with, and the laws that every register keeps.

All records are invented.
"""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from itertools import pairwise
from typing import TYPE_CHECKING, Any

import sqlalchemy as sa

from matewindow.errors import RefusedError
from matewindow.register.judging import Judge
from matewindow.register.records import as_data
from matewindow.register.tables import ENTITIES, Instant

if TYPE_CHECKING:
    from matewindow.register.register import Register

NOON = datetime(2026, 6, 29, 12, 0, 20, 123456, tzinfo=UTC)
ME = "the keeper"
SITE: dict[str, Any] = {
    "name": "Invented orchard",
    "latitude": 53.2,
    "longitude": -1.9,
    "elevation_m": 250.0,
    "timezone": "Europe/London",
}
GRAFT = {"grafted_on": "2026-06-01"}
"""Grafted at noon on 1 June with larvae of 18 h: 295 h later, on 13 June at 19:00 British time, half of the virgins have
emerged, none before the 12th (385 h from laying at 34.5 °C, Chuda-Mickiewicz & Samborski 2015; egg stage 72 h)."""


class Clock:
    """A clock that stands until it is moved."""

    def __init__(self, now: datetime = NOON) -> None:
        self.now = now

    def __call__(self) -> datetime:
        return self.now

    def step(self, **by: float) -> None:
        """Move it; backwards too."""
        self.now += timedelta(**by)


def add_site(register: Register, **other: Any) -> str:
    site_id: str = register.add("site", SITE | other, ME)["id"]
    return site_id


def add_batch(register: Register, site_id: str, **other: Any) -> str:
    batch_id: str = register.add("batch", {"site_id": site_id} | GRAFT | other, ME)["id"]
    return batch_id


def add_nuc(register: Register, site_id: str, batch_id: str | None, **other: Any) -> str:
    nuc_id: str = register.add("nuc", {"site_id": site_id, "batch_id": batch_id, "name": "Nuc 7"} | other, ME)["id"]
    return nuc_id


def refusals(refused: RefusedError) -> list[tuple[str, str]]:
    """Which fields were refused, and why."""
    return [(field, what) for field, what, _ in refused.refusals]


def invented(column: sa.Column[Any]) -> Any:
    """A value for a column that needs one."""
    if column.nullable:
        return None
    values: list[tuple[type[sa.types.TypeEngine[Any]], Any]] = [
        (Instant, NOON),
        (sa.Text, f"{column.name} é"),
        (sa.Integer, 3),
        (sa.Float, 0.25),
        (sa.Boolean, True),
        (sa.LargeBinary, b"\x00\xff"),
        (sa.JSON, {"a": [1, None, "é"]}),
    ]
    of = next((value for of, value in values if isinstance(column.type, of)), None)
    assert of is not None, column
    return of


def check_laws(register: Register) -> int:
    """Hold a whole register against what must be true of every one.

    The history of each record begins with its adding, rises by one version at a time, joins without a gap and ends
    with what is stored; times never run backwards; each record that is not deleted is possible beside the others.

    Returns:
        How many changes the histories hold.
    """
    steps = 0
    for kind in ENTITIES:
        for row in everything(register, kind):
            history = register.history(kind, row["id"], limit=10_000)
            steps += len(history)
            assert [step["version"] for step in history] == list(range(1, row["version"] + 1))
            assert history[0]["action"] == "added"
            assert history[0]["before"] is None
            for earlier, later in pairwise(history):
                assert later["before"] == earlier["after"]
                assert later["at"] >= earlier["at"]
                assert later["seq"] > earlier["seq"]
            assert history[-1]["after"] == as_data(row)
            assert row["created_at"] <= row["changed_at"]
            assert row["deleted_at"] is None or row["created_at"] <= row["deleted_at"]
            if row["deleted_at"] is None:
                check_possible(register, kind, row)
    return steps


def check_possible(register: Register, kind: str, row: dict[str, Any]) -> None:
    with register.database.read() as connection:
        now = max(register.now(), row["changed_at"])
        assert Judge(connection, register.biology, now).of(kind, row) == []


def everything(register: Register, kind: str) -> list[dict[str, Any]]:
    """All records of a kind, deleted ones too."""
    from matewindow.register.register import Filter

    return register.every(kind, Filter(deleted=None))
