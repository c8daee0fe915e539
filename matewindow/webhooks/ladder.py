"""What follows an attempt: nothing more, another attempt, or the end of an endpoint. A pure function.

Source:
    Standard Webhooks 1.0.0, "Deliverability and reliability" (schedule) and "Delivery success and failure" (statuses).
    The size of the random part, the longest ``Retry-After`` and the shortest pause of an endpoint that asks for fewer
    calls are choices of ours.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import TYPE_CHECKING, Literal

if TYPE_CHECKING:
    from matewindow.webhooks.sending import Outcome

MINUTE_S, HOUR_S = 60.0, 3600.0
WAITS_S = (
    0.0,
    5.0,
    5 * MINUTE_S,
    30 * MINUTE_S,
    2 * HOUR_S,
    5 * HOUR_S,
    10 * HOUR_S,
    14 * HOUR_S,
    20 * HOUR_S,
    24 * HOUR_S,
)
"""Seconds before each of the ten attempts, from the one before. [s]"""
JITTER = 0.2
"""A wait becomes longer by up to this share at random, so that what failed together does not come back together."""
LONGEST_ASKED_S = 24 * HOUR_S
"""A ``Retry-After`` is kept to up to here; an endpoint must not postpone its messages for ever. [s]"""
SLOW_S = 5 * MINUTE_S
"""An endpoint that asks for fewer calls is left alone at least so long. [s]"""
SLOW_STATUSES = frozenset({429, 502, 504})
GONE = 410

Verdict = Literal["delivered", "again", "given up", "test failed", "endpoint gone"]


@dataclass(frozen=True)
class Step:
    """What follows an attempt.

    Attributes:
        verdict: "delivered"; "again" at ``at``; "given up": tell the owner by another way and pause the endpoint;
            "test failed": tell who sent the test, nothing else; "endpoint gone": disable it, it has asked for that.
        at: earliest time of the next attempt.
        endpoint_rests_until: before this no other message goes to the endpoint either; None if nothing is against it.
    """

    verdict: Verdict
    at: datetime | None = None
    endpoint_rests_until: datetime | None = None


def next_step(attempt: int, outcome: Outcome, now: datetime, random: float, *, once: bool = False) -> Step:
    """What follows an attempt.

    Args:
        attempt: its number, the first being 1. Replaying a message begins at 1 again.
        outcome: what came of it.
        now: time at which it ended, aware.
        random: 0 to 1, evenly distributed.
        once: whether the message is a test, which is not sent again and pauses nothing.

    Raises:
        ValueError: no such attempt or random number.
    """
    if attempt < 1 or not 0.0 <= random <= 1.0:
        raise ValueError(f"attempt {attempt} or random number {random} does not exist")
    if outcome.delivered:
        return Step("delivered")
    if outcome.status == GONE:
        return Step("endpoint gone")
    asked_s = min(outcome.retry_after_s or 0.0, LONGEST_ASKED_S)
    rest_s = max(asked_s, SLOW_S if outcome.status in SLOW_STATUSES else 0.0)
    rests_until = now + timedelta(seconds=rest_s) if rest_s > 0.0 else None
    if once:
        return Step("test failed", None, rests_until)
    if attempt >= len(WAITS_S):
        return Step("given up", None, rests_until)
    wait_s = max(WAITS_S[attempt], rest_s) * (1.0 + JITTER * random)
    return Step("again", now + timedelta(seconds=wait_s), rests_until)
