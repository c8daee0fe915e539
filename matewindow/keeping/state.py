"""How the service does, as far as its database tells: ages of the weather, the refreshes, the deliveries."""

from __future__ import annotations

from datetime import timedelta
from typing import TYPE_CHECKING, Any

import sqlalchemy as sa

from matewindow.register.tables import deliveries, leases, site_state, sites
from matewindow.webhooks.endpoints import OPEN, paused_in

if TYPE_CHECKING:
    from datetime import datetime

    from matewindow.register.database import Database

Row = dict[str, Any]
STALE = timedelta(hours=24)
"""Weather older than this puts the service into trouble: every source gives new forecasts at least twice a day."""
BEHIND = timedelta(hours=2)
"""A site that has been due for so long is not being refreshed, though no error may tell so."""
LEASE = "refresh"
"""Name of the lease that the process holds which refreshes."""
_TROUBLES = 5


def site_states(database: Database, site_id: str | None = None) -> dict[str, Row]:
    """State of the weather by site id, for one site or all that are not deleted; never tried = all null."""
    with database.read() as connection:
        return states_in(connection, site_id)


def states_in(connection: sa.Connection, site_id: str | None = None) -> dict[str, Row]:
    """The same within a transaction."""
    columns = [c for c in site_state.c if c.name not in {"site_id", "weather"}]
    query = sa.select(sites.c.id.label("site_id"), *columns).outerjoin(site_state, site_state.c.site_id == sites.c.id)
    query = query.where(sites.c.deleted_at.is_(None)) if site_id is None else query.where(sites.c.id == site_id)
    rows = [dict(row) for row in connection.execute(query.order_by(sites.c.id)).mappings()]
    return {r["site_id"]: r | {"failures": r["failures"] or 0, "trouble": r["trouble"] or ""} for r in rows}


def health_of(database: Database, now: datetime) -> Row:
    """What the health resource tells, but for the program's version.

    Raises:
        UnavailableError: the register cannot be read.
    """
    with database.read() as connection:
        states = list(states_in(connection).values())
        paused = len(paused_in(connection))
        lease = connection.execute(sa.select(leases).where(leases.c.name == LEASE)).mappings().first()
        waiting = sa.select(sa.func.count()).select_from(deliveries).where(deliveries.c.state.in_(OPEN))
        backlog = connection.execute(waiting).scalar_one()
    came = [s["refreshed_at"] for s in states if s["refreshed_at"] is not None]
    troubles = [s["trouble"] for s in states if s["trouble"]]
    refresh = _refresh(None if lease is None else lease["until"], [s["next_at"] for s in states], now)
    oldest = min(came, default=None)
    well = (oldest is None or now - oldest < STALE) and refresh in {"off", "running"}
    well = well and not troubles and not paused
    return {
        "status": "ok" if well else "degraded",
        "storage": "ok",
        "sites": len(states),
        "sites_without_weather": len(states) - len(came),
        "sites_in_trouble": len(troubles),
        "troubles": sorted(set(troubles))[:_TROUBLES],
        "oldest_weather_at": oldest,
        "refresh": refresh,
        "last_refresh_at": max(came, default=None),
        "deliveries_waiting": backlog,
        "webhooks_paused": paused,
    }


def _refresh(until: datetime | None, next_at: list[datetime | None], now: datetime) -> str:
    """State of the refreshes in words."""
    if until is None:
        return "off"
    if until <= now:
        return "stopped: no process holds the lease"
    since = min((at for at in next_at if at is not None), default=now)
    if now - since > BEHIND:
        return f"behind: a site has been due since {since:%Y-%m-%d %H:%M} UTC"
    return "running"
