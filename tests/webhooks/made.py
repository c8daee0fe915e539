"""What the tests of sending share: a register whose changes go to endpoints on loopback.

All records are invented.
"""

from __future__ import annotations

import json
from collections import Counter
from typing import TYPE_CHECKING, Any

import pytest
import sqlalchemy as sa
from standardwebhooks.webhooks import Webhook

from matewindow.outbound import Guard
from matewindow.outbound_networks import allowed_networks
from matewindow.register.tables import deliveries, webhooks
from matewindow.webhooks.deliveries import one, replay, replay_range, totals
from matewindow.webhooks.endpoints import Endpoints
from matewindow.webhooks.sender import Sender
from tests.register.made import GRAFT, ME, SITE

if TYPE_CHECKING:
    from collections.abc import Sequence
    from datetime import datetime

    from matewindow.register.register import Register
    from matewindow.webhooks.sender import Sent
    from tests.register.made import Clock
    from tests.webhooks.endpoint import Endpoint, Seen

LOOPBACK = allowed_networks("127.0.0.1")
ON_SQLITE = pytest.mark.parametrize("new_url", ["sqlite"], indirect=True)
"""For tests of what no database decides about."""


class Hooked:
    """A register with one site and, as they are added, webhooks; and one sender."""

    def __init__(self, register: Register, clock: Clock) -> None:
        self.register, self.clock, self.database = register, clock, register.database
        self.endpoints = Endpoints(self.database, Guard(LOOPBACK), clock)
        self.sender = Sender(self.database, Guard(LOOPBACK), clock, random=lambda: 0.0)
        self.site = str(register.add("site", SITE, ME)["id"])
        self.secrets: dict[str, str] = {}

    def add_webhook(self, endpoint: Endpoint, types: Sequence[str] = ("*",), site: str | None = None) -> str:
        """Add a webhook that leads to an endpoint; its id."""
        row, secret = self.endpoints.add(address(endpoint), types, site)
        self.secrets[row["id"]] = secret
        return str(row["id"])

    @property
    def webhook(self) -> str:
        """The first webhook."""
        return next(iter(self.secrets))

    def add_batch(self, **other: Any) -> str:
        """One change; the batch's id."""
        return str(self.register.add("batch", {"site_id": self.site} | GRAFT | other, ME)["id"])

    def change(self, batch: str, notes: str) -> None:
        self.register.change("batch", batch, {"notes": notes}, ME)

    def run(self, limit: int = 100) -> list[tuple[str, str]]:
        """Send what is due: types and verdicts."""
        return [(sent.type, sent.verdict) for sent in self.sent(limit)]

    def sent(self, limit: int = 100) -> list[Sent]:
        return self.sender.run_once(limit)

    def deliveries(self, webhook: str | None = None) -> list[dict[str, Any]]:
        """Deliveries of a webhook, in the order of the changes."""
        own = deliveries.c.webhook_id == (webhook or self.webhook)
        with self.database.read() as connection:
            ids = connection.execute(sa.select(deliveries.c.id).where(own).order_by(deliveries.c.seq)).scalars().all()
        return [one(self.database, thing) for thing in ids]

    def states(self, webhook: str | None = None) -> list[str]:
        return [row["state"] for row in self.deliveries(webhook)]

    def totals(self) -> dict[str, Any]:
        """Counts over all webhooks."""
        with self.database.read() as connection:
            return totals(connection)

    def replay(self, delivery: str) -> dict[str, Any]:
        return replay(self.database, delivery, self.clock.now)

    def replay_range(self, begin: datetime, end: datetime, *, delivered: bool = False) -> int:
        return replay_range(self.database, self.webhook, begin, end, self.clock.now, delivered=delivered)

    def verified(self, endpoint: Endpoint, webhook: str | None = None) -> list[dict[str, Any]]:
        """All that an endpoint got, held against the secret by the published library."""
        secret = self.secrets[webhook or self.webhook]
        return [Webhook(secret).verify(seen.body, seen.headers) for seen in endpoint.seen]


def address(endpoint: Endpoint) -> str:
    return f"http://127.0.0.1:{endpoint.port}/hook/s3cret?bees=1"


def ids(seen: Sequence[Seen]) -> list[str]:
    return [each.headers["webhook-id"] for each in seen]


def check_recorded_once(register: Register) -> None:
    """The law of the ledger: each delivery that stands as delivered was counted once, and nothing else was."""
    with register.database.read() as connection:
        delivered = deliveries.c.state == "delivered"
        counted = sa.select(deliveries.c.webhook_id, sa.func.count()).where(delivered).group_by(deliveries.c.webhook_id)
        found: dict[str, int] = dict(connection.execute(counted).all())
        for webhook, n in connection.execute(sa.select(webhooks.c.id, webhooks.c.n_delivered)):
            assert n == found.get(webhook, 0)


def check_order(seen: Sequence[Seen]) -> None:
    """Each batch's changes came in order, as far as they had not come before; the same id always had the same body."""
    latest: Counter[str] = Counter()
    bodies: dict[str, bytes] = {}
    for each in seen:
        name, data = each.headers["webhook-id"], json.loads(each.body)["data"]
        assert bodies.setdefault(name, each.body) == each.body
        assert data["version"] >= latest[data["id"]]
        latest[data["id"]] = data["version"]
