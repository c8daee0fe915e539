"""Processes that send, for tests to kill: each says how far it has come."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from typing import TYPE_CHECKING, Any

import sqlalchemy as sa

from matewindow.outbound import Guard
from matewindow.outbound_networks import allowed_networks
from matewindow.register.database import Database
from matewindow.webhooks import sending
from matewindow.webhooks.sender import LEASE, Sender
from tests.register.made import NOON

if TYPE_CHECKING:
    from multiprocessing.connection import Connection


def sender_of(url: str, leases: int = 0) -> Sender:
    """A sender with a database of its own, and a clock that starts so many leases after that of the records."""
    began = NOON + leases * (LEASE + timedelta(seconds=1)) - datetime.now(UTC)
    database = Database(sa.make_url(url), migrate=False)
    return Sender(database, Guard(allowed_networks("127.0.0.1")), lambda: datetime.now(UTC) + began)


def send_until(said: Connection, url: str, where: str) -> None:
    """Send what is due, but stop for ever where it is said: "before" or "after" the first message goes out."""
    attempt = sending.attempt

    def stopped(message: Any, **how: Any) -> Any:
        outcome = attempt(message, **how) if where == "after" else None
        said.send((message.id, outcome.delivered if outcome else None))
        said.recv()
        return outcome or attempt(message, **how)

    sending.attempt = stopped
    sender_of(url).run_once()
    said.send("done")


def send_for_ever(said: Connection, url: str, leases: int) -> None:
    """Send again and again, and say after each message which it was."""
    sender = sender_of(url, leases)
    while True:
        for sent in sender.run_once(limit=1):
            said.send((sent.event_id, sent.verdict))


def send_all(said: Connection, url: str) -> None:
    """As soon as told send until there is nothing more, and say how many messages that were."""
    sender, done = sender_of(url), 0
    said.recv()
    while sent := sender.run_once(limit=10):
        done += len(sent)
    said.send(done)
