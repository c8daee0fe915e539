"""Calendar feeds as RFC 5545 and RFC 7986 have them: the ledger of entries as octets, for any calendar program.

Times are written in UTC. The entries with an hour are single instants that follow from the graft by hours, none of
them recurs: written in UTC they mean the same instant to every program, whereas a local time stands or falls with each
program's reading of a VTIMEZONE, and with the zone's rules on the day on which it was written. The clock of the site
stands in the text. Whole days are dates and have no zone.

``METHOD`` is absent, since this is a publication to be read again and no invitation. DTSTAMP equals LAST-MODIFIED, as
RFC 5545 section 3.8.7.2 wants it where there is no METHOD.
"""

from __future__ import annotations

import re
from datetime import timedelta
from functools import lru_cache
from typing import TYPE_CHECKING

import icalendar
from icalendar.prop import vDuration, vText, vUri

from matewindow.errors import RequestError
from matewindow.feeds.batchdates import entries_of
from matewindow.feeds.entries import Alarm, Entry
from matewindow.feeds.plaintext import clean, one_line
from matewindow.feeds.stamps import WITHDRAWN_FOR, Stamp, restamp, stamp_from_text, stamp_to_text
from matewindow.reporting import CAUTIONS

if TYPE_CHECKING:
    from collections.abc import Iterable, Mapping
    from datetime import datetime

__all__ = [
    "AHEAD",
    "CONTENT_TYPE",
    "Alarm",
    "Entry",
    "Stamp",
    "entries_of",
    "last_modified",
    "render",
    "restamp",
    "stamp_from_text",
    "stamp_to_text",
]

CONTENT_TYPE = "text/calendar; charset=utf-8"
AHEAD = timedelta(days=366)
"""How far ahead entries are shown: a season (judgement)."""
_ADDRESS = re.compile(r"https?://[!#-;=?-\[\]_a-z~]{1,2000}")  # RFC 3986: printable ASCII without space, quotes, braces
_FOLD = 75
_BACKSLASH = 0x5C
_PRODUCT = "-//matewindow//batch dates//EN"
_ABOUT = (
    "Dates of queen-rearing batches, with odds as they were when each text was written. Calendar programs read this "
    "again a few times a day at most: it holds dates and no warnings."
)


def shown(ledger: Mapping[str, Stamp], now: datetime) -> list[Stamp]:
    """What a calendar shows now, in order: 30 days back, a season ahead, and for 30 days what was withdrawn."""
    inside = [
        stamp
        for stamp in ledger.values()
        if now - stamp.entry.ends < WITHDRAWN_FOR
        and stamp.entry.begins - now <= AHEAD
        and (stamp.withdrawn is None or now - stamp.withdrawn < WITHDRAWN_FOR)
    ]
    return sorted(inside, key=lambda stamp: (stamp.entry.begins, stamp.entry.uid))


def last_modified(ledger: Mapping[str, Stamp], now: datetime) -> datetime | None:
    """When the shown entries last changed; None if there are none.

    Entries also leave the calendar by growing old, without a change: for conditional answers use a hash of the octets.
    """
    return max((stamp.last_modified for stamp in shown(ledger, now)), default=None)


def render(
    name: str, ledger: Mapping[str, Stamp], now: datetime, *, refresh: timedelta, source: str | None = None
) -> bytes:
    """A calendar feed. The same arguments give the same octets.

    Args:
        name: of the calendar; any text.
        ledger: stamps by UID, of the batches that belong into this calendar.
        now: aware; decides only which entries are shown.
        refresh: how often programs are asked to read again; whole minutes.
        source: address of the feed. It is written into the calendar, and so is any token in it: leave it out where the
            calendar may be passed on without the right to read it again.

    Raises:
        RequestError: an interval or address that no calendar program could use.
    """
    calendar = icalendar.Calendar()
    calendar.add("version", "2.0")
    calendar.add("prodid", _PRODUCT)
    calendar.add("calscale", "GREGORIAN")
    _head(calendar, name, refresh, source)
    stamps = shown(ledger, now)
    if stamps:
        calendar.add("last-modified", max(stamp.last_modified for stamp in stamps))
    *head, end = calendar.content_lines()[:-1]  # the last one is empty, for the line break after the last but one
    return b"".join([_octets([*head, ""]), *(_event_octets(stamp) for stamp in stamps), _octets([end, ""])])


def _head(calendar: icalendar.Calendar, name: str, refresh: timedelta, source: str | None) -> None:
    """Name, description, interval and address, in today's words (RFC 7986) and in those that older programs read."""
    if refresh < timedelta(minutes=1) or refresh % timedelta(minutes=1):
        raise RequestError(f"refresh interval {refresh}", where="calendar", fix="Give whole minutes, at least one.")
    title = one_line(name) or "Batches"
    calendar.add("name", _text(title))
    calendar.add("x-wr-calname", _text(title))
    calendar.add("description", _text("\n".join((_ABOUT, *CAUTIONS))))
    calendar.add("refresh-interval", vDuration(refresh), parameters={"VALUE": "DURATION"})
    calendar.add("x-published-ttl", vDuration(refresh))
    if source is not None:
        calendar.add("source", _address(source), parameters={"VALUE": "URI"})


def _address(source: str) -> vUri:
    if not _ADDRESS.fullmatch(source):
        raise RequestError(
            f"{source[:80]!r} is no address of a feed", where="calendar", fix="Give one that begins with https://."
        )
    return vUri(source)


@lru_cache(maxsize=4096)
def _event_octets(stamp: Stamp) -> bytes:
    """One event. Kept, since of hundreds of entries only a few change between two readings of a calendar."""
    return _octets(_event(stamp).content_lines())


def _octets(lines: Iterable[str]) -> bytes:
    return b"\r\n".join(_folded(line) for line in lines)


def _event(stamp: Stamp) -> icalendar.Event:
    entry, event = stamp.entry, icalendar.Event()
    gone = stamp.withdrawn is not None
    event.add("uid", entry.uid)
    event.add("dtstamp", stamp.last_modified)
    event.add("created", stamp.created)
    event.add("last-modified", stamp.last_modified)
    event.add("sequence", stamp.sequence)
    event.add("status", "CANCELLED" if gone else "CONFIRMED")
    event.add("dtstart", entry.begins if entry.timed else entry.start)
    event.add("dtend", entry.ends if entry.timed else entry.end)
    event.add("transp", "OPAQUE" if entry.timed else "TRANSPARENT")  # a whole day does not make its keeper busy
    event.add("summary", _text(one_line(f"Withdrawn: {entry.summary}" if gone else entry.summary)))
    if gone:
        event.add("description", _text("This date no longer holds."))
        return event
    event.add("description", _text(entry.text))
    if entry.location:
        event.add("location", _text(one_line(entry.location)))
    if entry.categories:
        event.add("categories", [_text(one_line(category)) for category in entry.categories])
    for alarm in entry.alarms:
        event.add_component(_alarm(alarm))
    return event


def _alarm(alarm: Alarm) -> icalendar.Alarm:
    component = icalendar.Alarm()
    component.add("action", "DISPLAY")
    component.add("trigger", -alarm.before)
    component.add("description", _text(alarm.text))
    return component


class _Text(vText):
    """A TEXT value escaped as RFC 5545 section 3.3.11 has it.

    The library's own escaping takes a backslash before a capital N for a line break, so that such a name changed.
    """

    __slots__ = ()

    def to_ical(self) -> bytes:
        escaped = self.replace("\\", "\\\\").replace(";", "\\;").replace(",", "\\,").replace("\n", "\\n")
        return escaped.encode()


def _text(value: str) -> _Text:
    return _Text(clean(value))


def _folded(line: str) -> bytes:
    """A content line in pieces of at most 75 octets, as RFC 5545 section 3.1 has it, no character cut in two.

    The library folds letter by letter, which took two thirds of the time of a large calendar.
    """
    octets, pieces, start, room = line.encode(), [], 0, _FOLD
    while len(octets) - start > room:
        cut = start + room
        while octets[cut] & 0xC0 == 0x80:  # inside a character of several octets
            cut -= 1
        if octets[cut - 1] == _BACKSLASH:  # some programs read an escape only if it stands on one line
            cut -= 1
        pieces.append(octets[start:cut])
        start, room = cut, _FOLD - 1
    return b"\r\n ".join([*pieces, octets[start:]])
