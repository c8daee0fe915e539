"""What is to be told to others, written in the same transaction as the change that it tells of.

An event is stored once, with one delivery for each webhook that wants it; both are there if and only if the change is.
A webhook that is disabled gets its deliveries too, as missed ones: they are not sent, but can be replayed.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import sqlalchemy as sa

from matewindow.register.ids import new_id
from matewindow.register.tables import deliveries, events, webhooks
from matewindow.webhooks.events import Event, fitting_body

if TYPE_CHECKING:
    from collections.abc import Mapping
    from datetime import datetime


def put(
    connection: sa.Connection,
    kind: str,
    data: Mapping[str, Any],
    *,
    now: datetime,
    site_id: str | None = None,
    batch_id: str | None = None,
    only: str | None = None,
) -> str | None:
    """Store an event with its deliveries.

    An event that is too large for a message is shortened, so that nothing that can be stored fails for it.

    Args:
        connection: of the transaction that makes the change.
        kind: dotted type, such as ``batch.changed``; all of them stand in ``webhooks.kinds``.
        data: what happened, JSON-able.
        now: aware; the time of the event.
        site_id, batch_id: what it is about.
        only: id of the one webhook that gets it (a test event); None = all that want its type and site.

    Returns:
        The event's id; None if nobody wants it.
    """
    wanting = _wanting(connection, kind, site_id) if only is None else {only: True}
    if not wanting:
        return None
    event_id = new_id("event", now)
    body = fitting_body(Event(kind, now, dict(data)))
    connection.execute(
        events.insert().values(id=event_id, at=now, type=kind, batch_id=batch_id, site_id=site_id, body=body)
    )
    # all writing is done one transaction after the other, so the number is nobody else's
    last: int = connection.execute(sa.select(sa.func.coalesce(sa.func.max(deliveries.c.seq), 0))).scalar_one()
    connection.execute(
        deliveries.insert(),
        [
            {
                "id": new_id("delivery", now),
                "seq": seq,
                "event_id": event_id,
                "webhook_id": webhook,
                "batch_id": batch_id,
                "state": "waiting" if enabled else "missed",
                "attempts": 0,
                "next_at": None,  # at once: the clock may be set back before it is sent
                "last_reason": "",
                "last_answer": "",
            }
            for seq, (webhook, enabled) in enumerate(wanting.items(), last + 1)
        ],
    )
    return event_id


def _wanting(connection: sa.Connection, kind: str, site_id: str | None) -> dict[str, bool]:
    """The webhooks that want this type of event of this site, and whether each is enabled."""
    query = sa.select(webhooks.c.id, webhooks.c.types, webhooks.c.site_id, webhooks.c.disabled_at)
    return {
        row.id: row.disabled_at is None
        for row in connection.execute(query.where(webhooks.c.deleted_at.is_(None)).order_by(webhooks.c.id))
        if (row.site_id is None or row.site_id == site_id) and matches(kind, row.types)
    }


def matches(kind: str, wanted: list[str]) -> bool:
    """Whether an event's type is among those wanted: ``batch.changed``, all of ``batch.*``, or ``*``."""
    return any(w in {"*", kind} or (w.endswith(".*") and kind.startswith(w[:-1])) for w in wanted)
