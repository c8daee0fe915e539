"""Calendars as octets: valid by the standards, read alike by a second library, the same octets for the same input."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from time import perf_counter
from typing import TYPE_CHECKING

import pytest

from matewindow.errors import RequestError
from matewindow.feeds.calendar import entries_of, last_modified, render, restamp
from matewindow.feeds.plaintext import clean
from tests.feeds.made import (
    BATCH,
    BIOLOGY,
    HOURLY,
    INSTANCE,
    LONDON,
    NOW,
    an_entry,
    dates,
    ledger,
    octets,
    read,
    read_events,
)
from tests.feeds.rfc5545 import faults, parse

if TYPE_CHECKING:
    from matewindow.biology import Biology
    from matewindow.outlook import Outlook
    from matewindow.paths import Sources
    from matewindow.site import Site

WHOLE = ledger(*dates(notes="Hilda's; two, three\nnotes \\N é 🐝"))
BATCHES = 200


def test_a_calendar_breaks_no_rule_and_a_second_library_reads_the_same_of_every_entry() -> None:
    data = octets(WHOLE)
    assert faults(data) == []
    seen = read_events(data)
    assert seen.keys() == WHOLE.keys()
    for uid, stamp in WHOLE.items():
        entry, event = stamp.entry, seen[uid]
        assert (event.dtstart, event.dtend, event.summary) == (entry.start, entry.end, entry.summary)
        assert (event.description, event.location) == (entry.text, entry.location)
        assert event.categories == list(entry.categories)
        assert (event.sequence, event.created, event.last_modified, event.dtstamp) == (0, NOW, NOW, NOW)
        assert [(a.action, a.trigger, a.description) for a in event.alarm] == [
            ("DISPLAY", -alarm.before, alarm.text) for alarm in entry.alarms
        ]


def test_the_same_input_gives_the_same_octets_in_whatever_order_the_ledger_is() -> None:
    backwards = dict(reversed(WHOLE.items()))
    assert octets(WHOLE) == octets(ledger(*dates(notes="Hilda's; two, three\nnotes \\N é 🐝"))) == octets(backwards)


def test_the_octets_do_not_move_with_the_clock_while_the_same_entries_are_shown() -> None:
    assert octets(WHOLE, NOW) == octets(WHOLE, NOW + timedelta(days=7))


def test_the_head_names_the_calendar_and_its_interval_for_new_and_old_programs() -> None:
    """RFC 7986 sections 5.1, 5.2, 5.7, 5.8; the X- names are what older programs read. No METHOD: this is no invitation."""
    data = render(
        "Home; yard, 2", WHOLE, NOW, refresh=timedelta(hours=4), source="https://bees.example.org/c/x.ics?a=b;c"
    )
    head = parse(data)
    assert {line.name: line.value for line in head.lines if line.name != "DESCRIPTION"} == {
        "VERSION": "2.0",
        "PRODID": "-//matewindow//batch dates//EN",
        "CALSCALE": "GREGORIAN",
        "NAME": "Home\\; yard\\, 2",
        "X-WR-CALNAME": "Home\\; yard\\, 2",
        "REFRESH-INTERVAL": "PT4H",
        "X-PUBLISHED-TTL": "PT4H",
        "SOURCE": "https://bees.example.org/c/x.ics?a=b;c",
        "LAST-MODIFIED": "20260511T060000Z",
    }
    assert head.one("REFRESH-INTERVAL").parameters == {"VALUE": "DURATION"}
    assert "holds dates and no warnings" in read(data).description[0]


def test_an_address_is_only_told_if_it_was_given_since_it_may_hold_the_right_to_read() -> None:
    assert b"SOURCE" not in octets(WHOLE)


def test_an_empty_calendar_is_still_a_calendar() -> None:
    data = octets({})
    assert faults(data) == []
    assert read(data).events == []


@pytest.mark.parametrize("refresh", [timedelta(0), timedelta(seconds=30), timedelta(minutes=-5), timedelta(seconds=90)])
def test_an_interval_that_programs_cannot_use_is_refused(refresh: timedelta) -> None:
    with pytest.raises(RequestError, match="whole minutes"):
        render("x", {}, NOW, refresh=refresh)


@pytest.mark.parametrize(
    "source", ["", "ftp://a/b", "https://a/b\r\nX:1", "https://a/ b", "javascript:alert(1)", "https://ä/"]
)
def test_an_address_that_is_none_is_refused(source: str) -> None:
    with pytest.raises(RequestError, match="no address of a feed"):
        render("x", {}, NOW, refresh=HOURLY, source=source)


# --- which entries are shown ------------------------------------------------------------------------------------


def test_entries_are_shown_from_thirty_days_back_to_a_season_ahead() -> None:
    entry = an_entry()  # 10 May, over on 11 May
    stamps = ledger(entry)
    shown = {
        moment: entry.uid in read_events(octets(stamps, moment))
        for moment in (
            datetime(2025, 5, 8, 23, 59, tzinfo=UTC),
            datetime(2025, 5, 9, tzinfo=UTC),
            datetime(2026, 6, 9, 23, 59, tzinfo=UTC),
            datetime(2026, 6, 10, tzinfo=UTC),
        )
    }
    assert list(shown.values()) == [False, True, True, False]


def test_past_stages_of_a_batch_stay_beside_those_to_come() -> None:
    assert len(read_events(octets(WHOLE, datetime(2026, 6, 8, tzinfo=UTC)))) == len(WHOLE)


def test_the_time_of_the_last_change_is_that_of_the_entries_shown() -> None:
    later = NOW + timedelta(days=1)
    entries = dates()
    entries[3] = an_entry(key=entries[3].key, start=entries[3].start, end=entries[3].end)
    assert last_modified(restamp(ledger(*dates()), entries, later), later) == later
    assert last_modified({}, NOW) is None


def test_whole_days_leave_their_keeper_free_and_a_job_with_an_hour_does_not() -> None:
    events = {e.one("UID").value: e for e in parse(octets(WHOLE)).parts}
    for uid, stamp in WHOLE.items():
        assert events[uid].one("TRANSP").value == ("OPAQUE" if stamp.entry.timed else "TRANSPARENT")
        assert events[uid].one("STATUS").value == "CONFIRMED"


# --- many -------------------------------------------------------------------------------------------------------


def test_two_hundred_batches_with_outlooks_are_rendered_in_a_second(
    sample_outlook: Outlook,
    sample_site: Site,
    sample_sources: Sources,
    sample_biology: Biology,
) -> None:
    """The bound is five times the wish, so that a busy machine does not fail it; the figure is printed with ``-s``."""
    entries = [
        entry
        for number in range(BATCHES)
        for entry in entries_of(
            f"btch_{number:016d}", f"Batch {number}", sample_outlook.batch, sample_site, sample_outlook,
            biology=sample_biology, instance=INSTANCE, now=NOW, sources=sample_sources,
        )
    ]  # fmt: skip
    stamps = restamp({}, entries, NOW)
    start = perf_counter()
    data = octets(stamps)
    seconds = perf_counter() - start
    start = perf_counter()
    assert octets(stamps) == data
    again = perf_counter() - start
    print(f"\n{BATCHES} batches, {len(stamps)} entries, {len(data) / 1e6:.1f} MB: {seconds:.2f} s, again {again:.3f} s")
    assert data.count(b"BEGIN:VEVENT") == BATCHES * 13
    assert seconds < 5.0
    assert again < seconds


def test_every_text_that_goes_in_is_already_clean() -> None:
    for entry in entries_of(
        "btch_1", "a\x00b", BATCH, LONDON, None, biology=BIOLOGY, instance=INSTANCE, now=NOW, notes="\x0b"
    ):
        assert clean(entry.text) == entry.text
        assert clean(entry.summary) == entry.summary
