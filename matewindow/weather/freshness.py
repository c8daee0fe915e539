"""How long an answer is fresh, by its headers (RFC 9111), as far as a private store needs to know."""

from __future__ import annotations

from datetime import datetime, timedelta
from email.utils import parsedate_to_datetime
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Mapping

NO_TIME = timedelta(0)
_LONGEST_FRESH = timedelta(days=7)
"""No answer is taken for fresh longer than this because a header says so."""


def fresh_for(headers: Mapping[str, str], now: datetime, *, default: timedelta = NO_TIME) -> timedelta:
    """How long an answer that came just now is fresh.

    ``Expires`` is compared with the server's own ``Date``, so that a wrong clock here does no harm.

    Args:
        headers: of the answer; names in any case.
        now: taken for ``Date`` where there is none, aware UTC.
        default: if the source says nothing about it.

    Returns:
        0 to 7 days.

    Source:
        RFC 9111, sections 4.2.1 (freshness lifetime), 4.2.3 (Age), 5.2.2 (response directives), 5.3 (Expires).
    """
    control = _directives(headers.get("Cache-Control", ""))
    if "no-store" in control or "no-cache" in control:
        return NO_TIME
    expires = headers.get("Expires")
    if "max-age" in control:
        lasting = _seconds(control["max-age"])
    elif expires is not None:
        until = http_date(expires)
        since = http_date(headers.get("Date", "")) or now
        lasting = until - since if until is not None else NO_TIME  # "0" and the like mean: already past
    else:
        return default
    lasting -= _seconds(headers.get("Age", ""))
    return min(max(lasting, NO_TIME), _LONGEST_FRESH)


def _directives(text: str) -> dict[str, str]:
    pairs = (part.partition("=") for part in text.lower().split(","))
    return {name.strip(): value.strip().strip('"') for name, _, value in pairs}


def _seconds(text: str) -> timedelta:
    text = text.strip()
    return timedelta(seconds=int(text[:9])) if text.isascii() and text.isdigit() else NO_TIME


def http_date(text: str) -> datetime | None:
    """An HTTP date as aware UTC time, or None if it is none."""
    try:
        parsed = parsedate_to_datetime(text)
    except (TypeError, ValueError, IndexError):
        return None
    return parsed if parsed.tzinfo is not None else None
