"""One attempt to deliver a message: signed, posted through the guard of outbound calls, and put into words."""

from __future__ import annotations

import time
from dataclasses import dataclass, field
from http import HTTPStatus
from typing import TYPE_CHECKING

from matewindow import __version__
from matewindow.errors import OutboundFailedError, OutboundRefusedError
from matewindow.outbound import CallLimits
from matewindow.weather.transport import retry_after_s
from matewindow.webhooks.ladder import GONE, SLOW_STATUSES
from matewindow.webhooks.signing import headers

if TYPE_CHECKING:
    from collections.abc import Callable
    from datetime import datetime

    from matewindow.outbound import Guard, OutboundAnswer
    from matewindow.webhooks.signing import Secret

ANSWER_CHARACTERS = 500
"""So much of an answer is kept for the owner of the endpoint to read."""
LIMITS = CallLimits(connect_s=5.0, read_s=20.0, total_s=20.0, max_bytes=4 * ANSWER_CHARACTERS, only_beginning=True)
"""The standard has 15 to 30 s. A character has at most 4 bytes in UTF-8."""


@dataclass(frozen=True)
class Message:
    """What is to be delivered where.

    Args:
        url: of the endpoint; not shown, since such addresses often hold a secret.
        id: the same at every attempt and replay.
        body: the bytes made by ``events.body``.
        secrets: of the endpoint, the newest first.
    """

    url: str = field(repr=False)
    id: str
    body: bytes = field(repr=False)
    secrets: tuple[Secret, ...]


@dataclass(frozen=True)
class Outcome:
    """What came of one attempt.

    Attributes:
        at: when it began, aware.
        status: of the answer, or None if there was none.
        reason: in words.
        duration_s: how long it took. [s]
        answer: its first 500 characters, without control characters.
        retry_after_s: how long the endpoint asks to be left alone, if it does. [s]
    """

    at: datetime
    status: int | None
    reason: str
    duration_s: float
    answer: str = ""
    retry_after_s: float | None = None

    @property
    def delivered(self) -> bool:
        """Whether the endpoint has taken the message: a status of 200 to 299 and no other."""
        return self.status is not None and 200 <= self.status <= 299


def attempt(
    message: Message, *, guard: Guard, now: Callable[[], datetime], monotonic: Callable[[], float] = time.monotonic
) -> Outcome:
    """Try once to deliver a message. Whatever the endpoint does becomes an outcome; nothing is raised for it.

    Args:
        message: what and where to.
        guard: knows where calls may go.
        now: clock for the time that is signed, aware.
        monotonic: clock for the duration. [s]
    """
    at, began_s = now(), monotonic()
    sent = {
        "Content-Type": "application/json",
        "User-Agent": f"matewindow/{__version__}",
        **headers(message.id, at, message.body, message.secrets),
    }
    try:
        answer = guard.call("POST", message.url, headers=sent, body=message.body, limits=LIMITS)
    except OutboundRefusedError as error:
        return Outcome(at, None, f"not sent: {error}", monotonic() - began_s)
    except OutboundFailedError as error:
        return Outcome(at, None, error.reason, monotonic() - began_s)
    asked_s = retry_after_s(answer.headers, now)
    return Outcome(at, answer.status, _in_words(answer.status), monotonic() - began_s, _excerpt(answer), asked_s)


def _in_words(status: int) -> str:
    name = next((f"{status} {known.phrase}" for known in HTTPStatus if known == status), str(status))
    if 200 <= status <= 299:
        return f"delivered ({name})"
    if 300 <= status <= 399:
        return f"it answered {name}: redirects are not followed, so the address of the endpoint has to be changed"
    if status == GONE:
        return f"it answered {name}: it wants no more messages"
    if status in SLOW_STATUSES:
        return f"it answered {name}: it is asked less often for now"
    return f"it answered {name}"


def _excerpt(answer: OutboundAnswer) -> str:
    """The beginning of an answer as one line of printable characters."""
    text = answer.body.decode("utf-8", errors="replace")[:ANSWER_CHARACTERS]
    return "".join(c if c.isprintable() else " " for c in text).strip()
