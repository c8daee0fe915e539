"""What became of each message, and sending it once more.

States of a delivery: ``waiting`` for its first or next attempt; ``claimed`` by whoever sends it just now;
``delivered``; ``given up`` after ten attempts or because the endpoint is gone; ``test failed``; ``missed``, not sent
since the webhook was disabled. The first two are open.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any, Literal, get_args

import sqlalchemy as sa

from matewindow.errors import ConflictError, NotThereError
from matewindow.register.ids import is_id
from matewindow.register.tables import deliveries, events, webhooks
from matewindow.webhooks.endpoints import OPEN, find
from matewindow.webhooks.keptsecrets import valid
from matewindow.webhooks.kinds import TEST

if TYPE_CHECKING:
    from datetime import datetime

    from matewindow.register.database import Database

Row = dict[str, Any]
State = Literal["waiting", "claimed", "delivered", "given up", "test failed", "missed"]
STATES: tuple[str, ...] = get_args(State)
_HIDDEN = {"claimed_by", "claimed_until"}
_COUNTS = ("delivered", "failed", "given_up")
_QUERY = sa.select(
    *(column for column in deliveries.c if column.name not in _HIDDEN), events.c.type, events.c.at, events.c.site_id
).join(events, events.c.id == deliveries.c.event_id)
_AGAIN: dict[str, Any] = {"state": "waiting", "attempts": 0, "next_at": None, "claimed_by": None, "claimed_until": None}
"""A replay begins at the first attempt; the event, and so the id that the receiver sees, stays."""


def one(database: Database, delivery_id: str) -> Row:
    """One delivery with the type and time of its event.

    Raises:
        NotThereError: there is none of this id, or no longer.
    """
    with database.read() as connection:
        return _one(connection, delivery_id)


def _one(connection: sa.Connection, delivery_id: str) -> Row:
    query = _QUERY.where(deliveries.c.id == delivery_id)
    row = connection.execute(query).mappings().first() if is_id(delivery_id, "delivery") else None
    if row is None:
        raise NotThereError(
            f"there is no delivery {delivery_id[:64]!r}", fix="Look at the webhook's list; they are kept for 30 days."
        )
    return dict(row)


def page(
    database: Database, webhook_id: str, *, state: str | None = None, after: int | None = None, limit: int = 100
) -> list[Row]:
    """Deliveries of a webhook, the newest first.

    Args:
        database: of the register.
        webhook_id: whose.
        state: only those in this state.
        after: ``seq`` of the last one of the page before.
        limit: at most so many.

    Raises:
        NotThereError: there is no such webhook.
    """
    query = _QUERY.where(deliveries.c.webhook_id == webhook_id).order_by(deliveries.c.seq.desc()).limit(limit)
    if state is not None:
        query = query.where(deliveries.c.state == state)
    if after is not None:
        query = query.where(deliveries.c.seq < after)
    with database.read() as connection:
        find(connection, webhook_id)
        return [dict(row) for row in connection.execute(query).mappings()]


def totals(connection: sa.Connection) -> Row:
    """Counts over all webhooks, deleted ones too, which only ever rise.

    Returns:
        ``delivered`` and ``given_up``: messages; ``failed``: attempts.
    """
    counts = [sa.func.coalesce(sa.func.sum(webhooks.c[f"n_{name}"]), 0).label(name) for name in _COUNTS]
    row = connection.execute(sa.select(*counts)).mappings().one()
    return {name: int(row[name]) for name in _COUNTS}


def status(database: Database, webhook_id: str) -> Row:
    """How a webhook does.

    Returns:
        ``delivered``, ``failed``, ``given_up``: as ``totals``, of this webhook; ``waiting``: messages that are still
        to be sent; ``rests_until``: nothing is sent before this, since the endpoint asked for it.

    Raises:
        NotThereError: there is no such webhook.
    """
    counts = [webhooks.c[f"n_{name}"].label(name) for name in _COUNTS]
    mine = sa.and_(deliveries.c.webhook_id == webhook_id, deliveries.c.state.in_(OPEN))
    waiting = sa.select(sa.func.count()).select_from(deliveries).where(mine)
    with database.read() as connection:
        find(connection, webhook_id)
        own = sa.select(*counts, webhooks.c.rests_until).where(webhooks.c.id == webhook_id)
        row = connection.execute(own).mappings().one()
        return dict(row) | {"waiting": connection.execute(waiting).scalar_one()}


def replay(database: Database, delivery_id: str, now: datetime) -> Row:
    """Send a message once more, with the id that it had, beginning at the first attempt.

    One that still waits is sent at once.

    Raises:
        NotThereError: there is no such delivery, or its webhook was deleted.
        ConflictError: the webhook is disabled, the message is being sent just now, or it is a test.
    """
    with database.write() as connection:
        row = _one(connection, delivery_id)
        _check_enabled(connection, row["webhook_id"])
        if row["type"] == TEST:
            raise ConflictError("a test is not sent again", fix="Send another one.")
        own = sa.and_(deliveries.c.id == delivery_id, _free(now))
        if connection.execute(deliveries.update().where(own).values(_AGAIN)).rowcount != 1:
            raise ConflictError("this message is being sent just now", fix="Look at what comes of it in a minute.")
        return _one(connection, delivery_id)


def replay_range(
    database: Database, webhook_id: str, begin: datetime, end: datetime, now: datetime, *, delivered: bool = False
) -> int:
    """Send all messages of events of a time once more that were given up or missed.

    Args:
        database: of the register.
        webhook_id: whose.
        begin, end: aware; events from ``begin`` on and before ``end``.
        now: the present, aware.
        delivered: also those that were delivered.

    Returns:
        How many will be sent. Those that still wait are not among them: they are sent anyway.

    Raises:
        NotThereError: there is no such webhook.
        ConflictError: it is disabled.
    """
    wanted = ["given up", "missed", *(["delivered"] if delivered else [])]
    of_that_time = sa.select(events.c.id).where(events.c.at >= begin, events.c.at < end, events.c.type != TEST)
    mine = sa.and_(
        deliveries.c.webhook_id == webhook_id,
        deliveries.c.state.in_(wanted),
        deliveries.c.event_id.in_(of_that_time),
        _free(now),
    )
    with database.write() as connection:
        _check_enabled(connection, webhook_id)
        return connection.execute(deliveries.update().where(mine).values(_AGAIN)).rowcount


def _free(now: datetime) -> sa.ColumnElement[bool]:
    """That nobody is sending it just now."""
    return sa.or_(deliveries.c.claimed_until.is_(None), deliveries.c.claimed_until <= now)


def _check_enabled(connection: sa.Connection, webhook_id: str) -> None:
    if find(connection, webhook_id)["disabled_at"] is not None:
        raise ConflictError("this webhook is disabled", fix="Enable it first.")


def prune(connection: sa.Connection, before: datetime, now: datetime) -> int:
    """Drop events from before a time with their deliveries, and secrets that no longer count.

    What is still to be sent is kept, however old it is.

    Returns:
        How many deliveries were dropped.
    """
    old = sa.select(events.c.id).where(events.c.at < before)
    active = sa.select(webhooks.c.id).where(webhooks.c.disabled_at.is_(None), webhooks.c.deleted_at.is_(None))
    closed = sa.or_(deliveries.c.state.not_in(OPEN), deliveries.c.webhook_id.not_in(active))
    dropped = connection.execute(deliveries.delete().where(deliveries.c.event_id.in_(old), closed)).rowcount
    told = sa.select(deliveries.c.event_id).where(deliveries.c.event_id == events.c.id)
    connection.execute(events.delete().where(events.c.at < before, ~told.exists()))
    for thing, entries in connection.execute(sa.select(webhooks.c.id, webhooks.c.secrets)).all():
        if len(kept := valid(entries, now)) < len(entries):
            connection.execute(webhooks.update().where(webhooks.c.id == thing).values(secrets=kept))
    return dropped
