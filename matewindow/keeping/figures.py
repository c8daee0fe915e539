"""Figures of the service out of its database, for monitoring."""

from __future__ import annotations

from datetime import datetime
from typing import TYPE_CHECKING, Any
from zoneinfo import ZoneInfo

import sqlalchemy as sa

from matewindow import __version__
from matewindow.feeds.metrics import BatchFigures, Figures, OutboxFigures, SiteFigures, TaskFigures
from matewindow.keeping.state import LEASE, states_in
from matewindow.register import tables
from matewindow.register.tables import batch_state, deliveries, events, leases, outlooks, warnings
from matewindow.warnings.reading import VERSION
from matewindow.webhooks.deliveries import totals
from matewindow.webhooks.endpoints import OPEN

if TYPE_CHECKING:
    from matewindow.register.database import Database

    Row = dict[str, Any]


def figures_of(database: Database, now: datetime, site_id: str | None = None, *, each_batch: bool = False) -> Figures:
    """The figures at this moment.

    Args:
        database: of the register.
        now: aware.
        site_id: only this site; None = all.
        each_batch: also of each batch under way.
    """
    with database.read() as connection:
        states = states_in(connection, site_id)
        return Figures(
            version=__version__,
            sites=_sites(connection, states),
            batches=_batches(connection, now, site_id) if each_batch else (),
            outbox=(_outbox(connection),) if site_id is None else (),
            tasks=_tasks(connection, states) if site_id is None else (),
        )


def _sites(connection: sa.Connection, states: dict[str, Row]) -> tuple[SiteFigures, ...]:
    standing = sa.select(warnings.c.site_id, sa.func.count()).where(warnings.c.cleared_at.is_(None))
    warned: dict[str, int] = _pairs(connection, standing.group_by(warnings.c.site_id))
    own = sa.and_(tables.batches.c.deleted_at.is_(None), tables.batches.c.ended_on.is_(None))
    counted = sa.select(tables.batches.c.site_id, sa.func.count()).where(own).group_by(tables.batches.c.site_id)
    under_way: dict[str, int] = _pairs(connection, counted)
    made = sa.func.max(outlooks.c.reading["grounds", "forecast_made"].as_string())  # UTC, so that texts sort by time
    issued = sa.select(tables.batches.c.site_id, sa.func.max(outlooks.c.issued_at), made).select_from(
        tables.batches.join(batch_state, batch_state.c.batch_id == tables.batches.c.id).join(
            outlooks, outlooks.c.id == batch_state.c.outlook_id
        )
    )
    told = connection.execute(issued.where(own).group_by(tables.batches.c.site_id)).all()
    computed = {site: at for site, at, _ in told}
    forecasts = {site: datetime.fromisoformat(run) for site, _, run in told if run is not None}
    return tuple(
        SiteFigures(
            site=each,
            weather_fetched=state["refreshed_at"],
            forecast_made=forecasts.get(each),
            outlook_computed=computed.get(each),
            batches_open=under_way.get(each, 0),
            warnings_open=warned.get(each, 0),
        )
        for each, state in states.items()
    )


def _batches(connection: sa.Connection, now: datetime, site_id: str | None) -> tuple[BatchFigures, ...]:
    query = (
        sa.select(tables.batches.c.id, tables.batches.c.site_id, outlooks.c.p_well_mated, outlooks.c.reading)
        .join(batch_state, batch_state.c.batch_id == tables.batches.c.id)
        .join(outlooks, outlooks.c.id == batch_state.c.outlook_id)
        .where(tables.batches.c.deleted_at.is_(None), tables.batches.c.ended_on.is_(None))
        .order_by(tables.batches.c.id)
    )
    if site_id is not None:
        query = query.where(tables.batches.c.site_id == site_id)
    return tuple(_batch(b, s, p, reading, now) for b, s, p, reading in connection.execute(query))


def _batch(batch: str, site: str, well_mated: float, reading: Row, now: datetime) -> BatchFigures:
    """One batch; of an outlook whose summary another version wrote only the odds are told.

    The summary is read as it lies there (``Reading.as_data``): to check ten thousand of them takes seconds.
    """
    if reading.get("version") != VERSION:
        return BatchFigures(batch, site, well_mated)
    today = now.astimezone(ZoneInfo(reading["timezone"])).date().isoformat()
    hours = next((day["effective_hours"] for day in reading["days"] if day["day"] == today), None)
    return BatchFigures(batch, site, well_mated, flight_today_h=hours, prime_flight_h=reading["prime_hours"])


def _outbox(connection: sa.Connection) -> OutboxFigures:
    open_, rising = deliveries.c.state.in_(OPEN), totals(connection)
    waiting = sa.select(sa.func.count()).select_from(deliveries).where(open_)
    oldest = sa.select(sa.func.min(events.c.at)).join(deliveries, deliveries.c.event_id == events.c.id).where(open_)
    return OutboxFigures(
        channel="webhook",
        waiting=connection.execute(waiting).scalar_one(),
        oldest_waiting=connection.execute(oldest).scalar(),
        delivered=rising["delivered"],
        failed=rising["failed"],
        given_up=rising["given_up"],
    )


def _tasks(connection: sa.Connection, states: dict[str, Row]) -> tuple[TaskFigures, ...]:
    lease = connection.execute(sa.select(leases).where(leases.c.name == LEASE)).mappings().first()
    came = [s["refreshed_at"] for s in states.values() if s["refreshed_at"] is not None]
    if lease is None:
        return ()
    return (TaskFigures(task="refresh", last_run=lease["renewed_at"], last_success=max(came, default=None)),)


def _pairs(connection: sa.Connection, query: sa.Select[Any]) -> dict[str, Any]:
    """What a query of two columns finds, the second by the first."""
    return {row[0]: row[1] for row in connection.execute(query)}
