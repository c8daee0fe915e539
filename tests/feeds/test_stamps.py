"""The ledger: what counts as a change, what becomes of entries that are gone, and how it is kept as text."""

from __future__ import annotations

import json
from dataclasses import replace
from datetime import UTC, date, datetime, timedelta
from zoneinfo import ZoneInfo

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from matewindow.errors import StoreError
from matewindow.feeds.calendar import Alarm, Entry, Stamp, restamp, stamp_from_text, stamp_to_text
from tests.feeds.made import NOW, an_entry, dates, ledger, octets, read_events

LATER = NOW + timedelta(hours=6)
TEXTS = st.text(max_size=40)


def changed(entry: Entry, now: datetime = LATER) -> Stamp:
    """The stamp of the plain entry once it has become another."""
    return restamp(ledger(an_entry()), [entry], now)[entry.uid]


def test_a_new_entry_begins_at_sequence_nought() -> None:
    (stamp,) = ledger(an_entry()).values()
    assert (stamp.sequence, stamp.created, stamp.last_modified, stamp.withdrawn) == (0, NOW, NOW, None)


def test_an_entry_that_did_not_change_keeps_its_stamp() -> None:
    before = ledger(*dates())
    assert restamp(before, dates(), LATER) == before


@pytest.mark.parametrize(
    "changes",
    [
        {"summary": "Batch 4: graft"},
        {"description": "Graft with care."},
        {"start": date(2026, 5, 9)},
        {"end": date(2026, 5, 12)},
        {"start": datetime(2026, 5, 10, tzinfo=UTC), "end": datetime(2026, 5, 11, tzinfo=UTC)},
        {"alarms": (Alarm(timedelta(hours=1), "x"),)},
        {"categories": ("Job",)},
        {"location": "Elsewhere"},
        {"ground": "Counted anew."},
    ],
)
def test_whatever_a_person_can_see_counts_as_a_change(changes: dict[str, object]) -> None:
    stamp = changed(an_entry(**changes))
    assert (stamp.sequence, stamp.created, stamp.last_modified) == (1, NOW, LATER)


def test_neither_the_time_of_working_out_nor_numbers_of_the_footing_count_and_the_older_text_stays() -> None:
    first = an_entry(ground="The odds rest 60 % on the forecast.", worked_out="Worked out Monday.")
    before = ledger(first)
    again = replace(first, ground="The odds rest 61.5 % on the forecast.", worked_out="Worked out Tuesday.")
    assert restamp(before, [again], LATER) == before


def test_the_same_instant_in_another_zone_is_no_change() -> None:
    first = an_entry(start=datetime(2026, 5, 10, 11, tzinfo=UTC), end=datetime(2026, 5, 10, 12, tzinfo=UTC))
    london = ZoneInfo("Europe/London")
    again = replace(
        first,
        start=datetime(2026, 5, 10, 12, tzinfo=london),
        end=datetime(2026, 5, 10, 13, tzinfo=london),
    )
    before = ledger(first)
    assert restamp(before, [again], LATER) == before


def test_last_modified_rises_with_a_change_though_the_clock_was_put_back() -> None:
    stamp = changed(an_entry(summary="other"), NOW - timedelta(days=1))
    assert stamp.last_modified == NOW + timedelta(seconds=1)


def test_the_same_uid_twice_is_refused() -> None:
    with pytest.raises(ValueError, match="two entries are called"):
        ledger(an_entry(), an_entry(summary="other"))


# --- gone -------------------------------------------------------------------------------------------------------


def test_an_entry_that_is_gone_is_cancelled_for_thirty_days_and_then_not_shown() -> None:
    entry = an_entry(start=date(2026, 9, 1), end=date(2026, 9, 2))
    gone = restamp(ledger(entry), [], LATER)
    assert (gone[entry.uid].sequence, gone[entry.uid].withdrawn, gone[entry.uid].last_modified) == (1, LATER, LATER)
    assert restamp(gone, [], LATER + timedelta(days=5)) == gone
    shown = read_events(octets(gone, LATER + timedelta(days=29)))[entry.uid]
    assert (shown.status, shown.sequence, shown.summary) == ("CANCELLED", 1, "Withdrawn: Batch 3: graft")
    assert (shown.dtstart, shown.alarm) == (date(2026, 9, 1), [])
    assert read_events(octets(gone, LATER + timedelta(days=30))) == {}


def test_an_entry_that_comes_back_goes_on_counting_even_long_after() -> None:
    entry = an_entry(start=date(2026, 9, 1), end=date(2026, 9, 2))
    gone = restamp(ledger(entry), [], LATER)
    for days in (1, 60, 399):
        back = restamp(restamp(gone, [], LATER + timedelta(days=days)), [entry], LATER + timedelta(days=days))
        assert (back[entry.uid].sequence, back[entry.uid].withdrawn) == (2, None)
    assert restamp(gone, [], LATER + timedelta(days=400)) == {}


def test_what_is_long_past_leaves_without_being_cancelled() -> None:
    entry = an_entry()  # ends on 11 May
    over = datetime(2026, 6, 10, tzinfo=UTC)
    before = ledger(entry)
    assert restamp(before, [], over) == before
    assert read_events(octets(before, over)) == {}
    assert restamp(before, [], over - timedelta(seconds=1))[entry.uid].withdrawn is not None
    assert restamp(before, [], datetime(2027, 6, 20, tzinfo=UTC)) == {}


def test_a_batch_regrafted_later_moves_each_of_its_dates_and_loses_none() -> None:
    moved = [replace(e, start=e.start + timedelta(days=3), end=e.end + timedelta(days=3)) for e in dates()]
    after = restamp(ledger(*dates()), moved, LATER)
    assert {stamp.sequence for stamp in after.values()} == {1}
    assert all(stamp.withdrawn is None for stamp in after.values())


@settings(max_examples=60, deadline=None)
@given(
    steps=st.lists(
        st.tuples(st.sampled_from(["a", "b", "c", None]), st.integers(-2, 40), st.sampled_from(["1", "2"])), max_size=12
    )
)
def test_through_any_history_one_sequence_means_one_text(steps: list[tuple[str | None, int, str]]) -> None:
    """SEQUENCE and LAST-MODIFIED never fall, and where SEQUENCE stands still so do the octets of the event."""
    stamps: dict[str, Stamp] = {}
    served: dict[int, bytes] = {}
    now, last = NOW, (-1, NOW)
    for summary, days, number in steps:
        now += timedelta(days=days)
        entries = (
            []
            if summary is None
            else [an_entry(start=date(2026, 12, 1), end=date(2026, 12, 2), summary=summary, ground=number)]
        )
        stamps = restamp(stamps, entries, now)
        for stamp in stamps.values():
            assert (stamp.sequence, stamp.last_modified) >= last
            last = (stamp.sequence, stamp.last_modified)
            event = octets({stamp.entry.uid: replace(stamp, withdrawn=stamp.withdrawn and NOW)}, NOW)
            assert served.setdefault(stamp.sequence, event) == event


# --- kept as text -----------------------------------------------------------------------------------------------


@settings(max_examples=80, deadline=None)
@given(summary=TEXTS, description=TEXTS, ground=TEXTS, alarm=TEXTS, sorts=st.tuples(st.booleans(), st.booleans()))
def test_a_stamp_comes_back_from_its_text_as_it_was(
    summary: str, description: str, ground: str, alarm: str, sorts: tuple[bool, bool]
) -> None:
    timed, gone = sorts
    start: date = datetime(2026, 5, 10, 11, tzinfo=UTC) if timed else date(2026, 5, 10)
    entry = an_entry(
        summary=summary,
        description=description,
        ground=ground,
        alarms=(Alarm(timedelta(hours=18), alarm),),
        categories=("a", "b"),
        start=start,
        end=start + timedelta(days=1),
    )
    stamp = Stamp(entry, 3, NOW, LATER, LATER if gone else None)
    text = stamp_to_text(stamp)
    assert text.isascii()
    assert stamp_from_text(text) == stamp
    assert stamp_to_text(stamp_from_text(text)) == text


@pytest.mark.parametrize(
    "text",
    ["", "[]", "{}", '{"format": 2}', "nonsense", "null", stamp_to_text(ledger(an_entry())[an_entry().uid])[:-2]],
)
def test_a_line_that_is_none_says_where_and_what_to_do(text: str) -> None:
    with pytest.raises(StoreError, match=r"calendar ledger: .* Restore a backup"):
        stamp_from_text(text)


def test_a_line_with_an_impossible_entry_is_refused_too() -> None:
    row = json.loads(stamp_to_text(ledger(an_entry())[an_entry().uid]))
    with pytest.raises(StoreError, match="cannot be part of a UID"):
        stamp_from_text(json.dumps({**row, "batch_id": "a@b"}))
