"""Whatever people type as names and notes stays text: no new lines, no new events, nothing lost that can be read."""

from __future__ import annotations

import re
from datetime import timedelta

import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st

from matewindow.feeds.calendar import Alarm
from matewindow.feeds.plaintext import clean, one_line, shortened
from tests.feeds.made import an_entry, by_key, dates, ledger, octets, read, read_events
from tests.feeds.rfc5545 import faults

HOSTILE = [
    "x\r\nEND:VEVENT\r\nBEGIN:VEVENT\r\nUID:evil@a\r\nSUMMARY:evil",
    "x\nATTACH:http://evil.example/\n",
    "x\rRRULE:FREQ=DAILY",
    "x\u2028BEGIN:VALARM\u2029ACTION:AUDIO\x85END:VALARM",
    "x\x0bBEGIN:VEVENT\x0cEND:VEVENT",
    "semi;colon, comma: colon",
    "back\\slash \\n \\N \\; \\, \\\\",
    "C:\\New\\nucs\\",
    '"quoted" =equals ^n ^^ ^\'',
    "\x00\x01\x1f\x7f\x80\x9f",
    "🐝👩‍🌾🇬🇧 " * 30,
    "שלום \u200fעולם\u200e \u202eevil\u202c \u2066x",
    "é" * 200,
    "\\" * 300,
    ";" * 300,
    "\ud83d lone \udc1d",
    "=cmd|' /C calc'!A0",
    "<script>alert(1)</script>",
    " \t ",
    "",
    "a" * 5000,
    "蜂" * 5000,
    "\ufeffmark",
]
each_text = pytest.mark.parametrize("text", HOSTILE, ids=lambda text: repr(text[:24]))
# every plane and every sort of character, half pairs included
ANY = st.text(st.characters(exclude_categories=()), max_size=300) | st.lists(
    st.sampled_from([*'\\;,:"\r\n\t\x00\x0b\x85\u2028^=nN ', "BEGIN:VEVENT", "🐝", "é", "\u202e"]), max_size=60
).map("".join)


def as_read(text: str) -> str:
    """What a reader gives back of a text: RFC 5545 knows one line break, and no program keeps the outer white space."""
    return clean(text).strip()


@each_text
def test_hostile_names_and_notes_stay_inside_their_events(text: str) -> None:
    entries = dates(text, notes=text)
    data = octets(ledger(*entries), name=text)
    assert faults(data) == []
    seen = read_events(data)
    assert seen.keys() == {entry.uid for entry in entries}
    for entry in entries:
        assert seen[entry.uid].summary == entry.summary
        assert seen[entry.uid].description == entry.text
        assert not seen[entry.uid].rrule
        assert len(seen[entry.uid].alarm) == len(entry.alarms)


@each_text
def test_hostile_text_in_every_field_is_written_as_text(text: str) -> None:
    """As the one above, for entries that were not made by ``entries_of`` and so were never cleaned."""
    entry = an_entry(
        summary=text,
        description=text,
        ground=text,
        worked_out=text,
        location=text,
        alarms=(Alarm(timedelta(hours=1), text),),
    )
    data = octets(ledger(entry), name=text)
    assert faults(data) == []
    assert data.count(b"\r\nBEGIN:VEVENT\r\n") == 1
    assert data.count(b"\r\nBEGIN:VALARM\r\n") == 1
    assert (read_events(data)[entry.uid].description or "").strip() == as_read(entry.text)


@settings(max_examples=300, deadline=None)
@given(text=ANY)
@example("\\N")
@example("\\" * 74 + "n")
def test_any_text_comes_back_from_a_second_library_as_it_went_in(text: str) -> None:
    entry = an_entry(summary=text or "x", description=text)
    data = octets(ledger(entry), name=text)
    assert faults(data) == []
    event = read_events(data)[entry.uid]
    assert (event.summary or "").strip() == one_line(text or "x")
    assert (event.description or "").strip() == as_read(text)
    assert read(data).name == [one_line(text) or "Batches"]


@settings(max_examples=300, deadline=None)
@given(text=ANY)
def test_cleaning_leaves_no_control_character_and_is_done_once_and_for_all(text: str) -> None:
    done = clean(text)
    assert not re.search(r"[\x00-\x09\x0b-\x1f\x7f-\x9f\u2028\u2029\u202a-\u202e\u2066-\u2069\ud800-\udfff]", done)
    assert clean(done) == done
    assert one_line(one_line(text)) == one_line(text)
    done.encode("utf-8")


def test_marks_of_direction_stay_and_overrides_that_would_turn_the_rest_of_the_line_do_not() -> None:
    assert clean("a\u200fb\u200ec\u061cd") == "a\u200fb\u200ec\u061cd"
    assert clean("a\u202eb\u202cc\u2066d\u2069") == "abcd"


def test_joined_emoji_stay_joined() -> None:
    assert one_line("👩\u200d🌾 and 🇬🇧") == "👩\u200d🌾 and 🇬🇧"


def test_a_long_name_is_cut_and_a_nameless_batch_goes_by_its_id() -> None:
    summary = by_key(dates("a" * 5000))["graft"].summary
    assert summary == "a" * 79 + "…: graft"
    assert by_key(dates(" \x00 "))["graft"].summary == "btch_0123456789abcdef: graft"
    assert shortened("abc", 3) == "abc"


def test_long_notes_are_cut_since_they_stand_in_every_entry() -> None:
    assert max(len(entry.text) for entry in dates(notes="a" * 5000)) < 1600
