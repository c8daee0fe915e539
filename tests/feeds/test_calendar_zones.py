"""Hours and days of calendars across changes of the clocks, in both hemispheres and beside the date line.

What a second library reads is held against offsets written down here from the laws, not against a zone database:
United Kingdom: Summer Time Act 1972 as amended by SI 2002/262, last Sundays of March and October at 01:00 UTC.
United States: Energy Policy Act of 2005, section 110, second Sunday of March and first of November at 02:00.
New South Wales: Standard Time Act 1987, first Sundays of April and October. New Zealand: Daylight Time Order 2007,
first Sunday of April and last of September. Nepal (UTC+5:45) and the Line Islands of Kiribati (UTC+14) change nothing.
"""

from __future__ import annotations

from datetime import UTC, date, datetime, timedelta, timezone
from typing import TYPE_CHECKING

import pytest

from matewindow.timeline import Batch, graft_time, timeline
from tests.feeds.made import BIOLOGY, by_key, dates, ledger, octets, read_events
from tests.feeds.rfc5545 import faults
from tests.made_weather import stand

if TYPE_CHECKING:
    from matewindow.site import Site


def site(zone: str, latitude: float, longitude: float) -> Site:
    return stand(name=f"{zone} (invented)", latitude=latitude, longitude=longitude, timezone=zone)


LONDON = site("Europe/London", 52.0, 0.0)
NEW_YORK = site("America/New_York", 42.0, -74.0)
SYDNEY = site("Australia/Sydney", -33.9, 151.2)
AUCKLAND = site("Pacific/Auckland", -43.5, 172.6)
KATHMANDU = site("Asia/Kathmandu", 27.7, 85.3)
KIRITIMATI = site("Pacific/Kiritimati", 1.9, -157.4)


def midnight(day: date) -> datetime:
    return datetime(day.year, day.month, day.day, tzinfo=UTC)


# site, day of the change, offset before and after it in hours
CHANGES = [
    (LONDON, date(2026, 3, 29), 0.0, 1.0),
    (LONDON, date(2026, 10, 25), 1.0, 0.0),
    (NEW_YORK, date(2026, 3, 8), -5.0, -4.0),
    (NEW_YORK, date(2026, 11, 1), -4.0, -5.0),
    (SYDNEY, date(2026, 4, 5), 11.0, 10.0),
    (SYDNEY, date(2026, 10, 4), 10.0, 11.0),
    (AUCKLAND, date(2026, 4, 5), 13.0, 12.0),
    (AUCKLAND, date(2026, 9, 27), 12.0, 13.0),
    (KATHMANDU, date(2026, 4, 14), 5.75, 5.75),
    (KIRITIMATI, date(2026, 4, 14), 14.0, 14.0),
]
each_change = pytest.mark.parametrize(
    ("place", "change", "before_h", "after_h"), CHANGES, ids=[f"{c[0].timezone}-{c[1]}" for c in CHANGES]
)


@each_change
@pytest.mark.parametrize("days_after", [0, 1, 5])
def test_cells_are_moved_240_hours_after_a_graft_and_one_is_reminded_at_six_by_the_clock_of_the_eve(
    place: Site, change: date, before_h: float, after_h: float, days_after: int
) -> None:
    """The clocks change in the night before the move, the night before that, or five nights before it."""
    move_day = change + timedelta(days=days_after)
    old, new = timezone(timedelta(hours=before_h)), timezone(timedelta(hours=after_h))
    graft = move_day - timedelta(days=10)
    entries = dates(batch=Batch(graft_time(graft, place)), site=place)
    data = octets(ledger(*entries), midnight(graft))
    assert faults(data) == []
    event = read_events(data)[by_key(entries)["move-cells"].uid]
    assert isinstance(event.dtstart, datetime)
    assert event.dtstart == datetime(graft.year, graft.month, graft.day, 12, tzinfo=old) + timedelta(hours=240)
    eve = move_day - timedelta(days=1)
    six = datetime(eve.year, eve.month, eve.day, 18, tzinfo=old if days_after == 0 else new)
    (alarm,) = event.alarm
    assert isinstance(alarm.trigger, timedelta)
    assert event.dtstart + alarm.trigger == six
    ripe = event.dtstart.astimezone(new)
    assert f"Tomorrow from {ripe:%H:%M}" in str(alarm.description)
    assert ripe.date() == move_day


@each_change
def test_whole_days_are_those_of_the_sites_calendar_whatever_the_clocks_do(
    place: Site, change: date, before_h: float, after_h: float
) -> None:
    batch = Batch(graft_time(change - timedelta(days=10), place))
    entries = dates(batch=batch, site=place)
    seen = read_events(octets(ledger(*entries), midnight(change)))
    events = {event.name: event for event in timeline(batch, place, BIOLOGY)}
    for key, name in (("graft", "graft"), ("emergence", "emergence"), ("give-up", "give up")):
        shown = seen[by_key(entries)[key].uid]
        assert type(shown.dtstart) is date
        assert (shown.dtstart, shown.dtend) == (events[name].day, events[name].day + timedelta(days=1))
    assert seen[by_key(entries)["graft"].uid].dtstart == change - timedelta(days=10)


@each_change
def test_no_time_depends_on_a_zone_that_a_program_would_have_to_know(
    place: Site, change: date, before_h: float, after_h: float
) -> None:
    data = octets(ledger(*dates(batch=Batch(graft_time(change, place)), site=place)), midnight(change))
    assert data.count(b"BEGIN:VEVENT") == 13
    assert b"TZID" not in data
    assert b"VTIMEZONE" not in data


def test_at_the_date_line_a_graft_at_noon_stands_on_the_local_day_though_utc_is_still_on_the_day_before() -> None:
    batch = Batch(graft_time(date(2026, 4, 14), KIRITIMATI))
    assert batch.grafted.astimezone(UTC).date() == date(2026, 4, 13)
    entries = by_key(dates(batch=batch, site=KIRITIMATI))
    assert entries["graft"].start == date(2026, 4, 14)
    assert entries["move-cells"].start == datetime(2026, 4, 23, 22, tzinfo=UTC)
    assert "Ripe from Friday 24 April 12:00" in entries["move-cells"].text
