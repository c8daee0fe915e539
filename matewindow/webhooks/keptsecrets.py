"""Secrets of webhooks as the register keeps them.

Unlike a token a secret is stored so that it can be read back, for each message is signed with it: whoever can read the
register's file or database can sign in the program's name. No answer, log or export holds one.
"""

from __future__ import annotations

from datetime import datetime, timedelta
from typing import TYPE_CHECKING, Any

from matewindow.webhooks.signing import Secret

if TYPE_CHECKING:
    from collections.abc import Sequence

OVERLAP = timedelta(hours=24)
"""So long messages are signed with an exchanged secret too."""
MOST = 10
"""Secrets of one webhook that are kept: each makes every message longer."""
Kept = dict[str, Any]
"""A secret in text; ``until`` is the end of one that was exchanged, or None."""


def as_kept(secret: Secret) -> Kept:
    """A new secret as it is stored."""
    return {"secret": secret.text, "until": None}


def exchanged(entries: Sequence[Kept], secret: Secret, now: datetime) -> list[Kept]:
    """The stored secrets with a new one before them; the one that counted until now counts for a day more.

    Args:
        entries: as they are stored, the newest first.
        secret: the new one.
        now: aware.
    """
    until = (now + OVERLAP).isoformat()
    old = [entry | {"until": entry["until"] or until} for entry in valid(entries, now)]
    return [as_kept(secret), *old[: MOST - 1]]


def valid(entries: Sequence[Kept], now: datetime) -> list[Kept]:
    """The stored secrets that still count, the newest first."""
    return [entry for entry in entries if entry["until"] is None or datetime.fromisoformat(entry["until"]) > now]


def secrets_of(entries: Sequence[Kept], now: datetime) -> tuple[Secret, ...]:
    """The secrets that a message is signed with, the newest first.

    Raises:
        InputError: what is stored is no secret; the text of the error does not show it.
    """
    return tuple(Secret.parse(entry["secret"]) for entry in valid(entries, now))
