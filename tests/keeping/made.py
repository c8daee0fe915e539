"""Records for the tests of keeping. All are invented."""

from __future__ import annotations

import json
from typing import TYPE_CHECKING, Any

import sqlalchemy as sa

from matewindow.register import tables

if TYPE_CHECKING:
    from matewindow.keeping.outlooks import Issued
    from matewindow.register.database import Database
    from matewindow.register.register import Register

ME = "the keeper"
SITE: dict[str, Any] = {
    "name": "Invented yard 0",
    "latitude": 52.0,
    "longitude": 0.0,
    "elevation_m": 90.0,
    "timezone": "Europe/London",
}
GRAFT = {"name": "Batch", "grafted_on": "2026-05-06", "n_grafted": 30}
"""Grafted on 6 May: the virgins emerge on the 18th and can mate from the 24th on; it is the 27th (``NOW``)."""
HOOK: dict[str, Any] = {
    "id": "hook_0000000000000000",
    "version": 1,
    "url": "https://hooks.example.org/bees",
    "types": ["warning.*"],
    "secrets": [],
    "disabled_why": "",
    "n_delivered": 0,
    "n_failed": 0,
    "n_given_up": 0,
}


def add_site(register: Register, **other: Any) -> str:
    site_id: str = register.add("site", SITE | other, ME)["id"]
    return site_id


def add_batch(register: Register, site_id: str, **other: Any) -> str:
    batch_id: str = register.add("batch", {"site_id": site_id} | GRAFT | other, ME)["id"]
    return batch_id


def add_check(register: Register, batch_id: str, **other: Any) -> str:
    given = {"batch_id": batch_id, "day": "2026-05-27", "saw": "virgin"} | other
    check_id: str = register.add("check", given, ME)["id"]
    return check_id


def add_hook(register: Register) -> None:
    """A webhook for warnings, of which nothing is sent here."""
    now = register.now()
    with register.database.write() as connection:
        connection.execute(tables.webhooks.insert().values(HOOK | {"created_at": now, "changed_at": now}))


def rows(database: Database, table: sa.Table, *where: sa.ColumnElement[bool]) -> list[dict[str, Any]]:
    """All rows of a table, in the order of their keys."""
    with database.read() as connection:
        query = sa.select(table).where(*where).order_by(*table.primary_key.columns)
        return [dict(row) for row in connection.execute(query).mappings()]


def told(register: Register) -> list[str]:
    """The types of the events in the outbox, in the order in which they happened."""
    with register.database.read() as connection:
        query = sa.select(tables.events.c.type).join(
            tables.deliveries, tables.deliveries.c.event_id == tables.events.c.id
        )
        return list(connection.execute(query.order_by(tables.deliveries.c.seq)).scalars())


def body(issued: Issued) -> dict[str, Any]:
    found: dict[str, Any] = json.loads(issued.body)
    return found
