"""A repeated request does its work once: the answer to a key is kept and given again.

After draft-ietf-httpapi-idempotency-key-header-07: the same key with another body is refused. The answer is written in
the same transaction as the change, so that neither can be there without the other. Keys outlive a phone that was
offline for two weeks.
"""

from __future__ import annotations

import hashlib
from dataclasses import dataclass
from datetime import timedelta
from typing import TYPE_CHECKING

import sqlalchemy as sa

from matewindow.errors import RegisterError
from matewindow.register.tables import idempotency

if TYPE_CHECKING:
    from datetime import datetime

KEPT = timedelta(days=30)


class ReusedKeyError(RegisterError):
    """The key was used for another request before."""


@dataclass(frozen=True)
class Answer:
    """An answer that was given."""

    status: int
    headers: dict[str, str]
    body: bytes


def fingerprint(body: bytes) -> str:
    """What tells one request's body from another's."""
    return hashlib.sha256(body).hexdigest()


def earlier(connection: sa.Connection, who: str, route: str, key: str, mark: str) -> Answer | None:
    """The answer that this key got before; None = it is new.

    Raises:
        ReusedKeyError: it came with another body.
    """
    own = sa.and_(idempotency.c.who == who, idempotency.c.route == route, idempotency.c.key == key)
    row = connection.execute(sa.select(idempotency).where(own)).mappings().first()
    if row is None:
        return None
    if row["fingerprint"] != mark:
        raise ReusedKeyError(
            "this Idempotency-Key was used for another request", fix="Make a new key for every new request."
        )
    return Answer(row["status"], dict(row["headers"]), bytes(row["body"]))


def keep(connection: sa.Connection, who: str, route: str, key: str, mark: str, answer: Answer, now: datetime) -> None:
    """Keep an answer under its key, and drop those that have expired."""
    connection.execute(idempotency.delete().where(idempotency.c.expires_at < now))
    connection.execute(
        idempotency.insert().values(
            who=who,
            route=route,
            key=key,
            fingerprint=mark,
            status=answer.status,
            headers=answer.headers,
            body=answer.body,
            expires_at=now + KEPT,
        )
    )
