"""Sending what the outbox holds: claim a delivery, send it, record what came of it.

What is promised: every message arrives at least once while its webhook is enabled, with the same id at every attempt;
in order for each batch where possible; never twice recorded as delivered. A delivery is claimed by a conditional
update for a minute at most, so that any number of senders, in one process or several, work side by side, and what a
sender that was killed had claimed is sent by another after that minute. Lease and retries go by the clock that is
passed in: processes that share a register should keep the same time.
"""

from __future__ import annotations

import logging
import os
import random as chance
import secrets
import socket
import time
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from threading import Semaphore
from typing import TYPE_CHECKING, Any, Literal

import sqlalchemy as sa

from matewindow.errors import InputError
from matewindow.register.tables import deliveries, events, webhooks
from matewindow.webhooks import due, sending
from matewindow.webhooks.deliveries import prune
from matewindow.webhooks.endpoints import pause
from matewindow.webhooks.keptsecrets import secrets_of
from matewindow.webhooks.kinds import TEST
from matewindow.webhooks.ladder import WAITS_S, next_step
from matewindow.webhooks.sending import Message, Outcome

if TYPE_CHECKING:
    from collections.abc import Callable

    from matewindow.outbound import Guard
    from matewindow.register.database import Database
    from matewindow.webhooks.ladder import Step

_log = logging.getLogger(__name__)
Row = dict[str, Any]
LEASE = timedelta(seconds=60)
"""So long a delivery is claimed; an attempt takes a third of it at most."""
KEPT = timedelta(days=30)
"""So long events and their deliveries are kept, and longer while they are still to be sent."""
PRUNE_EVERY = timedelta(hours=6)
LANES = 8
"""So many endpoints are called at the same time, each with one message after the other: a slow one delays no other."""


@dataclass(frozen=True)
class Sent:
    """One attempt and what came of it; no address and no secret is in it.

    Attributes:
        delivery_id, event_id, webhook_id, type: what was sent to whom.
        attempt: its number.
        verdict: as in ``ladder``; "not recorded": it took longer than it was claimed for, and belongs to another now.
        reason: in words.
        duration_s: how long it took. [s]
    """

    delivery_id: str
    event_id: str
    webhook_id: str
    type: str
    attempt: int
    verdict: Literal["delivered", "again", "given up", "test failed", "endpoint gone", "not recorded"]
    reason: str
    duration_s: float


class Sender:
    """Sends messages.

    Args:
        database: of the register.
        guard: knows where messages may go.
        clock: the register's present, aware.
        name: of this sender, for whoever looks into the register; host and process if left out.
        wall: the time that messages are signed with, which receivers hold against their own: the machine's, also where
            ``clock`` is an invented one.
        random: 0 to 1, evenly distributed, for the times of retries.
        monotonic: clock for durations. [s]
    """

    def __init__(
        self,
        database: Database,
        guard: Guard,
        clock: Callable[[], datetime],
        *,
        name: str = "",
        wall: Callable[[], datetime] = lambda: datetime.now(UTC),
        random: Callable[[], float] = chance.random,
        monotonic: Callable[[], float] = time.monotonic,
    ) -> None:
        self.database, self.guard, self.clock = database, guard, clock
        self.name = name or f"{socket.gethostname()}:{os.getpid()}"
        self._wall, self._random, self._monotonic = wall, random, monotonic
        self._pruned_at: datetime | None = None

    def run_once(self, limit: int = 100) -> list[Sent]:
        """Send what is due, and now and then drop what is old.

        To each endpoint one message goes after the other, in the order of the changes, until one fails: the rest of
        its messages is left for the next run.

        Args:
            limit: at most so many attempts.

        Returns:
            What was done, endpoint by endpoint.

        Raises:
            RegisterError: the register cannot be read or written. What was sent but could not be recorded is sent
                again when its claim has run out.
        """
        self._prune_now_and_then()
        with self.database.read() as connection:
            queues = due.queues(connection, self.clock(), limit)
        if not queues:
            return []
        permits = Semaphore(limit)
        with ThreadPoolExecutor(min(LANES, len(queues)), thread_name_prefix="webhooks") as pool:
            lanes = [pool.submit(self._serve, webhook, queue, permits, limit) for webhook, queue in queues.items()]
        return [sent for lane in lanes for sent in lane.result()]

    def send(self, delivery_id: str) -> Sent | None:
        """Send one delivery now, also where its webhook is disabled: for a test that somebody waits for.

        Returns:
            None: it is not due, or another sender has it.
        """
        row = self._claim(delivery_id, sa.true())
        return None if row is None else self._deliver(row)

    def _serve(self, webhook: str, queue: list[str], permits: Semaphore, limit: int) -> list[Sent]:
        """Send to one endpoint what is due, one message after the other, and what becomes due thereby."""
        done: list[Sent] = []
        while queue:
            before = len(done)
            for thing in queue:
                if not permits.acquire(blocking=False):
                    return done
                row = self._claim(thing, due.is_awake(self.clock()))
                sent = None if row is None else self._deliver(row)
                if sent is None:
                    permits.release()
                    continue
                done.append(sent)
                if sent.verdict != "delivered":
                    return done
            if len(done) == before:  # others are at it
                return done
            with self.database.read() as connection:
                queue = due.queue(connection, webhook, self.clock(), limit)
        return done

    def _claim(self, thing: str, may: sa.ColumnElement[bool]) -> Row | None:
        """Take a delivery that is due, so that nobody else sends it while the claim lasts.

        An attempt counts from here on: a message that brings down whoever sends it is given up in the end.
        """
        with self.database.write() as connection:
            now = self.clock()
            claim: Row = {"claimed_by": f"{self.name} {secrets.token_hex(8)}", "claimed_until": now + LEASE}
            claim |= {"state": "claimed", "attempts": deliveries.c.attempts + 1}
            own = sa.and_(
                deliveries.c.id == thing, may, due.first_of_batch(), sa.or_(due.waits(now), due.left_behind(now))
            )
            if connection.execute(deliveries.update().where(own).values(claim)).rowcount != 1:
                return None
            return self._claimed(connection, thing)

    def _claimed(self, connection: sa.Connection, thing: str) -> Row:
        """All that is needed to send a delivery."""
        query = (
            sa.select(deliveries, events.c.type, events.c.body, webhooks.c.url, webhooks.c.secrets)
            .join(events, events.c.id == deliveries.c.event_id)
            .join(webhooks, webhooks.c.id == deliveries.c.webhook_id)
        )
        return dict(connection.execute(query.where(deliveries.c.id == thing)).mappings().one())

    def _deliver(self, row: Row) -> Sent | None:
        """Send what was claimed and record it; nothing if this process was held up until the claim is nearly over."""
        if self.clock() > row["claimed_until"] - timedelta(seconds=sending.LIMITS.total_s):
            return None
        outcome = self._attempt(row)
        return self._record(row, outcome)

    def _attempt(self, row: Row) -> Outcome:
        if row["attempts"] > (1 if row["type"] == TEST else len(WAITS_S)):
            return Outcome(self._wall(), None, "not sent again: whoever made the last attempt broke off", 0.0)
        try:
            signed_with = secrets_of(row["secrets"], self.clock())
        except InputError as fault:
            return Outcome(self._wall(), None, f"not sent: {fault}", 0.0)
        message = Message(row["url"], row["event_id"], bytes(row["body"]), signed_with)
        return sending.attempt(message, guard=self.guard, now=self._wall, monotonic=self._monotonic)

    def _record(self, row: Row, outcome: Outcome) -> Sent:
        """What came of an attempt, if the claim is still this sender's own; whoever has it now records its own."""
        now = self.clock()
        step = next_step(row["attempts"], outcome, now, self._random(), once=row["type"] == TEST)
        verdict: Any = step.verdict
        with self.database.write() as connection:
            own = sa.and_(deliveries.c.id == row["id"], deliveries.c.claimed_by == row["claimed_by"])
            values = _came(step, outcome, now, enabled=due.is_enabled(connection, row["webhook_id"]))
            if outcome.delivered:
                values["delivered_at"] = sa.func.coalesce(deliveries.c.delivered_at, now)
            if connection.execute(deliveries.update().where(own).values(values)).rowcount == 1:
                _note(connection, row["webhook_id"], step, outcome, now)
            else:
                verdict = "not recorded"
        level = logging.INFO if outcome.delivered else logging.WARNING
        _log.log(level, "%s to %s: %s (%s)", row["event_id"], row["webhook_id"], verdict, outcome.reason)
        named = {name: row[name] for name in ("event_id", "webhook_id", "type")}
        return Sent(
            row["id"],
            **named,
            attempt=row["attempts"],
            verdict=verdict,
            reason=outcome.reason,
            duration_s=outcome.duration_s,
        )

    def _prune_now_and_then(self) -> None:
        now = self.clock()
        if self._pruned_at is None or abs(now - self._pruned_at) >= PRUNE_EVERY:
            with self.database.write() as connection:
                prune(connection, now - KEPT, now)
            self._pruned_at = now


def _came(step: Step, outcome: Outcome, now: datetime, *, enabled: bool) -> Row:
    """Columns of a delivery after an attempt. What would be tried again is missed if the webhook was disabled."""
    state = {
        "delivered": "delivered",
        "again": "waiting" if enabled else "missed",
        "given up": "given up",
        "endpoint gone": "given up",
        "test failed": "test failed",
    }[step.verdict]
    return {
        "state": state,
        "next_at": step.at if state == "waiting" else None,
        "claimed_by": None,
        "claimed_until": None,
        "last_at": now,
        "last_status": outcome.status,
        "last_reason": outcome.reason,
        "last_answer": outcome.answer,
        "last_duration_s": outcome.duration_s,
    }


def _note(connection: sa.Connection, webhook: str, step: Step, outcome: Outcome, now: datetime) -> None:
    """What an attempt means for the webhook: counts, rest, and the end of it."""
    counted = webhooks.c.n_delivered if outcome.delivered else webhooks.c.n_failed
    values: Row = {counted.name: counted + 1}
    if step.verdict in {"given up", "endpoint gone"}:
        values["n_given_up"] = webhooks.c.n_given_up + 1
    if step.endpoint_rests_until is not None:
        longer = webhooks.c.rests_until > step.endpoint_rests_until  # asked for by a message that was sent beside
        values["rests_until"] = sa.case((longer, webhooks.c.rests_until), else_=step.endpoint_rests_until)
    connection.execute(webhooks.update().where(webhooks.c.id == webhook).values(values))
    if step.verdict == "endpoint gone":
        pause(connection, webhook, "gone", outcome.reason, now)
    elif step.verdict == "given up":
        why = f"a message was given up after {len(WAITS_S)} attempts; the last one: {outcome.reason}"
        pause(connection, webhook, "given up", why, now)
