"""Names of things in the register: opaque text that tells the kind and sorts by age.

``btch_`` and 16 characters of Crockford's base 32: 40 bits of time in sixtieths of a second (they last until about the
year 2550) and 40 random bits. They are no secrets; who may see a thing is decided by the token, never by the id.
"""

from __future__ import annotations

import re
import secrets
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from datetime import datetime

PREFIXES = {
    "site": "site",
    "builder": "bldr",
    "batch": "btch",
    "nuc": "nuc",
    "check": "chck",
    "outlook": "otlk",
    "warning": "warn",
    "event": "evnt",
    "webhook": "hook",
    "delivery": "dlvr",
    "token": "tokn",
    "feed": "feed",
    "job": "jobs",
}
_ALPHABET = "0123456789abcdefghjkmnpqrstvwxyz"
_TICK_S = 1 / 60
PATTERN = r"^[a-z]{3,4}_[0-9a-hjkmnp-tv-z]{16}$"
_SHAPE = re.compile(PATTERN)


def new_id(kind: str, now: datetime) -> str:
    """A new name for a thing of this kind.

    Args:
        kind: key of ``PREFIXES``.
        now: aware; two ids made in the same sixtieth of a second differ by their random part only.
    """
    ticks = int(now.timestamp() / _TICK_S) & (2**40 - 1)
    number = ticks << 40 | secrets.randbits(40)
    return f"{PREFIXES[kind]}_" + "".join(_ALPHABET[number >> shift & 31] for shift in range(75, -1, -5))


def is_id(text: str, kind: str) -> bool:
    """Whether a text has the form of an id of this kind."""
    return bool(_SHAPE.fullmatch(text)) and text.startswith(PREFIXES[kind] + "_")
