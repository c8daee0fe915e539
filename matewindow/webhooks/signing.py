"""Signatures of Standard Webhooks 1.0: who receives a message can tell that it is ours, whole and of now.

What is signed are the bytes ``{id}.{timestamp}.{body}``. Neither id nor timestamp may hold a full stop or be chosen by
users, or one message could pass for another. While a secret is being exchanged the message is signed with the new one
and the old one.

Source:
    Standard Webhooks 1.0.0, "Signature scheme" and "Webhook headers" (specification at github.com/standard-webhooks).
"""

from __future__ import annotations

import base64
import binascii
import hashlib
import hmac
import math
import re
import secrets as system
from dataclasses import dataclass, field
from typing import TYPE_CHECKING

from matewindow.errors import InputError

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence
    from datetime import datetime

PREFIX = "whsec_"
FEWEST_BYTES, MOST_BYTES = 24, 64
"""Length of a secret: 192 to 512 bits."""
_NEW_BYTES = 32
_ID = re.compile(r"[A-Za-z0-9_-]{1,100}")


@dataclass(frozen=True)
class Secret:
    """The secret of one endpoint. It does not show itself in logs or errors; ``text`` is what the receiver is given."""

    key: bytes = field(repr=False)

    def __post_init__(self) -> None:
        """Refuse a length that the standard does not have."""
        if not FEWEST_BYTES <= len(self.key) <= MOST_BYTES:
            raise InputError(
                f"the secret has {len(self.key)} bytes, and {FEWEST_BYTES} to {MOST_BYTES} are needed",
                where="webhook secret",
                fix="Leave it out: a new one will be made.",
            )

    @property
    def text(self) -> str:
        """The secret as people pass it on: ``whsec_`` and base64."""
        return PREFIX + base64.b64encode(self.key).decode("ascii")

    @classmethod
    def parse(cls, text: str) -> Secret:
        """Read a secret in the form of ``text``.

        Raises:
            InputError: it has another form or length; the text of the error does not show it.
        """
        try:
            key = base64.b64decode(text.removeprefix(PREFIX), validate=True) if text.startswith(PREFIX) else None
        except (binascii.Error, ValueError):
            key = None
        if key is None:
            what = f"the secret is not {PREFIX} followed by base64"
            raise InputError(
                what, where="webhook secret", fix="Copy it whole, with the prefix and the signs at its end."
            )
        return cls(key)


def new_secret(random_bytes: Callable[[int], bytes] = system.token_bytes) -> Secret:
    """A new secret of 32 random bytes; each endpoint has its own.

    Args:
        random_bytes: gives so many bytes that nobody can guess.
    """
    return Secret(random_bytes(_NEW_BYTES))


def signature(secret: Secret, message_id: str, timestamp: int, body: bytes) -> str:
    """The signature of one attempt with one secret: ``v1,`` and the base64 of HMAC-SHA256.

    Args:
        secret: key.
        message_id: the same at every attempt; letters, digits, ``_`` and ``-``.
        timestamp: of the attempt, whole seconds since 1970 UTC.
        body: the very bytes that are sent.

    Raises:
        ValueError: the id has other characters, or the timestamp lies before 1970.
    """
    if not _ID.fullmatch(message_id):
        raise ValueError(f"{message_id!r} is no message id: letters, digits, _ and - only")
    if timestamp < 0:
        raise ValueError(f"timestamp {timestamp} lies before 1970")
    signed = f"{message_id}.{timestamp}.".encode("ascii") + body
    return "v1," + base64.b64encode(hmac.digest(secret.key, signed, hashlib.sha256)).decode("ascii")


def headers(message_id: str, at: datetime, body: bytes, secrets: Sequence[Secret]) -> dict[str, str]:
    """The three headers of one attempt.

    Args:
        message_id: the same at every attempt.
        at: time of this attempt, aware.
        body: the very bytes that are sent.
        secrets: the endpoint's secret; while it is exchanged the new one and then the old one.

    Raises:
        ValueError: the time is not aware, there is no secret, or the id cannot be signed.
    """
    if at.utcoffset() is None:
        raise ValueError("the time of an attempt must be aware")
    if not secrets:
        raise ValueError("a message needs at least one secret")
    timestamp = math.floor(at.timestamp())
    return {
        "webhook-id": message_id,
        "webhook-timestamp": str(timestamp),
        "webhook-signature": " ".join(signature(secret, message_id, timestamp, body) for secret in secrets),
    }
