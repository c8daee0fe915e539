"""Which deliveries are due: those whose time has come, at webhooks that are awake, the first of each batch."""

from __future__ import annotations

from typing import TYPE_CHECKING

import sqlalchemy as sa

from matewindow.register.tables import deliveries, webhooks
from matewindow.webhooks.endpoints import OPEN

if TYPE_CHECKING:
    from datetime import datetime


def queues(connection: sa.Connection, now: datetime, limit: int) -> dict[str, list[str]]:
    """By webhook, what is due: those first that have waited longest."""
    awake = sa.select(webhooks.c.id).where(*_awake(now)).order_by(webhooks.c.id)
    found = {webhook: queue(connection, webhook, now, limit) for webhook in connection.execute(awake).scalars().all()}
    return {webhook: queue for webhook, queue in sorted(found.items(), key=lambda item: item[1]) if queue}


def queue(connection: sa.Connection, webhook: str, now: datetime, limit: int) -> list[str]:
    """Deliveries of one webhook that are due, in the order of the changes."""
    found: list[tuple[int, str]] = []
    for due in (left_behind(now), waits(now)):  # one after the other, so that each takes its index
        query = sa.select(deliveries.c.seq, deliveries.c.id).where(deliveries.c.webhook_id == webhook, due)
        query = query.where(first_of_batch()).order_by(deliveries.c.seq).limit(limit)
        found += [(seq, delivery) for seq, delivery in connection.execute(query)]
    return [delivery for _, delivery in sorted(found)[:limit]]


def waits(now: datetime) -> sa.ColumnElement[bool]:
    """That the time of a delivery's next attempt has come."""
    its_time = sa.or_(deliveries.c.next_at.is_(None), deliveries.c.next_at <= now)
    return sa.and_(deliveries.c.state == "waiting", its_time)


def left_behind(now: datetime) -> sa.ColumnElement[bool]:
    """That whoever claimed a delivery has not recorded anything in time."""
    return sa.and_(deliveries.c.state == "claimed", deliveries.c.claimed_until <= now)


def first_of_batch() -> sa.ColumnElement[bool]:
    """That no earlier delivery of the same webhook and batch is still open."""
    earlier = deliveries.alias()
    in_the_way = sa.select(earlier.c.id).where(
        earlier.c.webhook_id == deliveries.c.webhook_id,
        earlier.c.batch_id == deliveries.c.batch_id,
        earlier.c.state.in_(OPEN),
        earlier.c.seq < deliveries.c.seq,
    )
    return ~in_the_way.correlate(deliveries).exists()


def _awake(now: datetime) -> tuple[sa.ColumnElement[bool], ...]:
    """That a webhook is enabled and has not asked to be left alone."""
    rests = sa.or_(webhooks.c.rests_until.is_(None), webhooks.c.rests_until <= now)
    return webhooks.c.disabled_at.is_(None), webhooks.c.deleted_at.is_(None), rests


def is_awake(now: datetime) -> sa.ColumnElement[bool]:
    """That a delivery's webhook is awake."""
    return deliveries.c.webhook_id.in_(sa.select(webhooks.c.id).where(*_awake(now)))


def is_enabled(connection: sa.Connection, webhook: str) -> bool:
    """Whether a webhook is there and enabled."""
    own = sa.and_(webhooks.c.id == webhook, webhooks.c.disabled_at.is_(None), webhooks.c.deleted_at.is_(None))
    return connection.execute(sa.select(webhooks.c.id).where(own)).first() is not None
