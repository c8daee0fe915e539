"""Invented entries and calendars for the tests of feeds."""

from __future__ import annotations

from datetime import UTC, date, datetime, timedelta
from typing import TYPE_CHECKING, Any

from ical.calendar_stream import IcsCalendarStream

from matewindow.biology import load_biology
from matewindow.feeds.calendar import Entry, Stamp, entries_of, render, restamp
from matewindow.timeline import Batch, graft_time
from tests.made_weather import stand

if TYPE_CHECKING:
    from collections.abc import Iterable, Mapping

    from ical.calendar import Calendar
    from ical.event import Event as ReadEvent

    from matewindow.site import Site

BIOLOGY = load_biology()
LONDON = stand()
GRAFT = date(2026, 5, 10)
BATCH = Batch(graft_time(GRAFT, LONDON))
BATCH_ID = "btch_0123456789abcdef"
INSTANCE = "bees.example.org"
NOW = datetime(2026, 5, 11, 6, tzinfo=UTC)
HOURLY = timedelta(hours=1)


def dates(name: str = "Batch 3", batch: Batch = BATCH, site: Site = LONDON, **more: Any) -> list[Entry]:
    """The entries of a batch without an outlook."""
    values: dict[str, Any] = {"biology": BIOLOGY, "instance": INSTANCE, "now": NOW, **more}
    return entries_of(BATCH_ID, name, batch, site, None, **values)


def by_key(entries: Iterable[Entry]) -> dict[str, Entry]:
    return {entry.key: entry for entry in entries}


def an_entry(**changes: Any) -> Entry:
    """A plain whole day."""
    values: dict[str, Any] = {
        "batch_id": BATCH_ID,
        "key": "graft",
        "instance": INSTANCE,
        "summary": "Batch 3: graft",
        "description": "Graft.",
        "start": date(2026, 5, 10),
        "end": date(2026, 5, 11),
    }
    return Entry(**{**values, **changes})


def ledger(*entries: Entry, now: datetime = NOW) -> dict[str, Stamp]:
    return restamp({}, entries, now)


def octets(stamps: Mapping[str, Stamp], now: datetime = NOW, name: str = "Home") -> bytes:
    return render(name, stamps, now, refresh=HOURLY)


def read(data: bytes) -> Calendar:
    """The calendar as a second, independent library reads it."""
    return IcsCalendarStream.calendar_from_ics(data.decode("utf-8"))


def read_events(data: bytes) -> dict[str, ReadEvent]:
    """Its events by UID."""
    return {event.uid: event for event in read(data).events}
