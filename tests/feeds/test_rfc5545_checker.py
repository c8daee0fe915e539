"""The checker of calendars finds each fault that is planted, and none in the example that the standard prints."""

from __future__ import annotations

import pytest

from tests.feeds.rfc5545 import content_line, faults

GOOD = (
    "BEGIN:VCALENDAR\r\nVERSION:2.0\r\nPRODID:-//a//b//EN\r\n"
    "BEGIN:VEVENT\r\nUID:1@a\r\nDTSTAMP:20260601T060000Z\r\nDTSTART;VALUE=DATE:20260601\r\nDTEND;VALUE=DATE:20260602\r\n"
    "SUMMARY:One\\, two\r\nBEGIN:VALARM\r\nACTION:DISPLAY\r\nTRIGGER:-PT18H\r\nDESCRIPTION:x\r\nEND:VALARM\r\nEND:VEVENT\r\n"
    "END:VCALENDAR\r\n"
)


def test_a_plain_calendar_has_no_faults() -> None:
    assert faults(GOOD.encode()) == []


def test_the_standards_own_example_with_a_zone_has_no_faults() -> None:
    """RFC 5545 section 4 and 3.6.5, shortened: an event in New York's zone, with the zone that belongs to it."""
    zone = (
        "BEGIN:VTIMEZONE\r\nTZID:America/New_York\r\nBEGIN:STANDARD\r\nDTSTART:19981025T020000\r\n"
        "TZOFFSETFROM:-0400\r\nTZOFFSETTO:-0500\r\nTZNAME:EST\r\nEND:STANDARD\r\nEND:VTIMEZONE\r\n"
    )
    event = "DTSTART;TZID=America/New_York:19980312T083000\r\nDTEND;TZID=America/New_York:19980312T093000\r\n"
    text = GOOD.replace("DTSTART;VALUE=DATE:20260601\r\nDTEND;VALUE=DATE:20260602\r\n", event)
    assert faults(text.encode()) == ["3.2.19: TZID America/New_York has no VTIMEZONE"] * 2
    assert faults(text.replace("BEGIN:VEVENT", zone + "BEGIN:VEVENT").encode()) == []


@pytest.mark.parametrize(
    ("old", "new", "section"),
    [
        ("SUMMARY:One\\, two\r\n", "SUMMARY:One\\, two\n", "3.1"),
        ("SUMMARY:One", "SUMMARY:" + "x" * 80, "3.1"),
        ("SUMMARY:One", "SUMMARY:\x00", "3.1"),
        ("SUMMARY:One", "SUMMARY:\x0b", "3.1"),
        ("SUMMARY:One", "SUMMARY:\x7f", "3.1"),
        ("SUMMARY:One", "SUMMARY;X=a\"b:One", "3.2"),
        ("SUMMARY:One", "SUMMARY;X=a;X=b:One", "3.2"),
        ("SUMMARY:One\\, two", "SUMMARY:One, two", "3.3.11"),
        ("SUMMARY:One\\, two", "SUMMARY:One; two", "3.3.11"),
        ("SUMMARY:One\\, two", "SUMMARY:One\\x", "3.3.11"),
        ("UID:1@a\r\n", "", "3.6"),
        ("DTSTAMP:20260601T060000Z\r\n", "", "3.6"),
        ("UID:1@a\r\n", "UID:1@a\r\nUID:2@a\r\n", "3.6"),
        ("PRODID:-//a//b//EN\r\n", "", "3.6"),
        ("DTSTAMP:20260601T060000Z", "DTSTAMP:20260601T060000", "3.8.7.2"),
        ("DTEND;VALUE=DATE:20260602", "DTEND;VALUE=DATE:20260601", "3.8.2.2"),
        ("DTEND;VALUE=DATE:20260602", "DTEND:20260602T000000Z", "3.8.2.2"),
        ("DTSTART;VALUE=DATE:20260601", "DTSTART;VALUE=DATE:20260631", "3.3.4"),
        ("TRIGGER:-PT18H", "TRIGGER:-18:00:00", "3.8.6.3"),
        ("SUMMARY:", "STATUS:GONE\r\nSUMMARY:", "3.8.1.11"),
        ("SUMMARY:", "RRULE:FREQ=DAILY\r\nSUMMARY:", "a feed"),
        ("VERSION:2.0\r\n", "VERSION:2.0\r\nMETHOD:PUBLISH\r\n", "a feed"),
        ("VERSION:2.0\r\n", "VERSION:2.0\r\nREFRESH-INTERVAL:PT1H\r\n", "RFC 7986 5.7"),
        ("VERSION:2.0\r\n", "VERSION:2.0\r\nSOURCE;VALUE=URI:no address\r\n", "RFC 7986 5.8"),
        ("VERSION:2.0\r\n", "VERSION:2.0\r\nFOO:bar\r\n", "3.6"),
        ("END:VALARM\r\n", "", "3.6"),
        ("END:VCALENDAR\r\n", "", "3.4"),
        ("END:VCALENDAR\r\n", "END:VCALENDAR\r\nBEGIN:VCALENDAR\r\nEND:VCALENDAR\r\n", "3.4"),
        ("BEGIN:VALARM\r\n", "\r\nBEGIN:VALARM\r\n", "3.1"),
    ],
)  # fmt: skip
def test_each_planted_fault_is_found(old: str, new: str, section: str) -> None:
    found = faults(GOOD.replace(old, new).encode())
    assert any(fault.startswith(section) for fault in found), found


def test_a_fold_inside_a_character_is_found() -> None:
    assert faults(GOOD.encode().replace(b"One", b"Caf\xc3\r\n \xa9")) != []


def test_one_uid_for_two_events_is_found() -> None:
    event = GOOD[GOOD.index("BEGIN:VEVENT") : GOOD.index("END:VCALENDAR")]
    assert faults(GOOD.replace(event, event + event).encode()) == ["3.8.4.7: UID 1@a stands twice"]


def test_a_quoted_parameter_may_hold_colon_and_semicolon() -> None:
    line = content_line('DTSTART;TZID="a;b:c":20260601T060000')
    assert (line.parameters, line.value) == ({"TZID": "a;b:c"}, "20260601T060000")
