"""Figures of the service out of its database, for monitoring."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import sqlalchemy as sa

from matewindow import __version__
from matewindow.feeds.metrics import BatchFigures, Figures, OutboxFigures, SiteFigures, TaskFigures
from matewindow.keeping.state import LEASE, site_states
from matewindow.register import tables
from matewindow.register.tables import batch_state, deliveries, events, leases, outlooks, warnings

if TYPE_CHECKING:
    from datetime import datetime

    from matewindow.register.database import Database


def figures_of(database: Database, site_id: str | None = None, *, each_batch: bool = False) -> Figures:
    """The figures at this moment.

    Args:
        database: of the register.
        site_id: only this site; None = all.
        each_batch: also of each batch under way.
    """
    with database.read() as connection:
        return Figures(
            version=__version__,
            sites=_sites(connection, database, site_id),
            batches=_batches(connection, site_id) if each_batch else (),
            outbox=(_outbox(connection),) if site_id is None else (),
            tasks=_tasks(connection, database) if site_id is None else (),
        )


def _sites(connection: sa.Connection, database: Database, site_id: str | None) -> tuple[SiteFigures, ...]:
    standing = sa.select(warnings.c.site_id, sa.func.count()).where(warnings.c.cleared_at.is_(None))
    warned: dict[str, int] = _pairs(connection, standing.group_by(warnings.c.site_id))
    own = sa.and_(tables.batches.c.deleted_at.is_(None), tables.batches.c.ended_on.is_(None))
    counted = sa.select(tables.batches.c.site_id, sa.func.count()).where(own).group_by(tables.batches.c.site_id)
    under_way: dict[str, int] = _pairs(connection, counted)
    issued = sa.select(tables.batches.c.site_id, sa.func.max(outlooks.c.issued_at)).select_from(
        tables.batches.join(batch_state, batch_state.c.batch_id == tables.batches.c.id).join(
            outlooks, outlooks.c.id == batch_state.c.outlook_id
        )
    )
    computed: dict[str, datetime] = _pairs(connection, issued.where(own).group_by(tables.batches.c.site_id))
    return tuple(
        SiteFigures(
            site=each,
            weather_fetched=state["refreshed_at"],
            outlook_computed=computed.get(each),
            batches_open=under_way.get(each, 0),
            warnings_open=warned.get(each, 0),
        )
        for each, state in site_states(database, site_id).items()
    )


def _batches(connection: sa.Connection, site_id: str | None) -> tuple[BatchFigures, ...]:
    query = (
        sa.select(tables.batches.c.id, tables.batches.c.site_id, outlooks.c.p_well_mated)
        .join(batch_state, batch_state.c.batch_id == tables.batches.c.id)
        .join(outlooks, outlooks.c.id == batch_state.c.outlook_id)
        .where(tables.batches.c.deleted_at.is_(None), tables.batches.c.ended_on.is_(None))
        .order_by(tables.batches.c.id)
    )
    if site_id is not None:
        query = query.where(tables.batches.c.site_id == site_id)
    return tuple(BatchFigures(batch=b, site=s, well_mated=p) for b, s, p in connection.execute(query))


def _outbox(connection: sa.Connection) -> OutboxFigures:
    counted = sa.select(deliveries.c.state, sa.func.count()).group_by(deliveries.c.state)
    count: dict[str, int] = _pairs(connection, counted)
    open_ = deliveries.c.state.in_(["waiting", "claimed"])
    oldest = sa.select(sa.func.min(events.c.at)).join(deliveries, deliveries.c.event_id == events.c.id).where(open_)
    return OutboxFigures(
        channel="webhook",
        waiting=count.get("waiting", 0) + count.get("claimed", 0),
        oldest_waiting=connection.execute(oldest).scalar(),
        delivered=count.get("delivered", 0),
        given_up=count.get("given up", 0),
    )


def _tasks(connection: sa.Connection, database: Database) -> tuple[TaskFigures, ...]:
    lease = connection.execute(sa.select(leases).where(leases.c.name == LEASE)).mappings().first()
    came = [s["refreshed_at"] for s in site_states(database).values() if s["refreshed_at"] is not None]
    if lease is None:
        return ()
    return (TaskFigures(task="refresh", last_run=lease["renewed_at"], last_success=max(came, default=None)),)


def _pairs(connection: sa.Connection, query: sa.Select[Any]) -> dict[str, Any]:
    """What a query of two columns finds, the second by the first."""
    return {row[0]: row[1] for row in connection.execute(query)}
