"""A checker of calendars, line by line, written from RFC 5545 (September 2009) and RFC 7986 (October 2016).

It knows nothing of the program: it takes octets and names what breaks which section. Only what a feed of plain events
needs is known to it; any property that it does not know is a fault, unless its name begins with ``X-``.
"""

from __future__ import annotations

import re
from dataclasses import dataclass, field
from datetime import datetime

NAME = re.compile(r"[A-Za-z0-9-]+")
UTC_TIME = re.compile(r"\d{8}T\d{6}Z")
LOCAL_TIME = re.compile(r"\d{8}T\d{6}")
DATE = re.compile(r"\d{8}")
DURATION = re.compile(r"[+-]?P(\d+W|\d+D(T(\d+H)?(\d+M)?(\d+S)?)?|T(\d+H(\d+M(\d+S)?)?|\d+M(\d+S)?|\d+S))")
URI = re.compile(r"[A-Za-z][A-Za-z0-9+.-]*:[!-~]+")

TEXT = {"SUMMARY", "DESCRIPTION", "LOCATION", "NAME", "X-WR-CALNAME", "UID", "PRODID", "COMMENT"}
LISTS = {"CATEGORIES"}
NEVER = {"RRULE", "RDATE", "EXDATE", "EXRULE", "RECURRENCE-ID", "METHOD", "ATTENDEE", "ORGANIZER"}
KNOWN = {
    "VCALENDAR": {"PRODID", "VERSION", "CALSCALE", "NAME", "DESCRIPTION", "LAST-MODIFIED", "REFRESH-INTERVAL", "SOURCE", "COLOR"},
    "VEVENT": {"UID", "DTSTAMP", "DTSTART", "DTEND", "CREATED", "LAST-MODIFIED", "SEQUENCE", "STATUS", "TRANSP", "SUMMARY",
               "DESCRIPTION", "LOCATION", "CATEGORIES"},
    "VALARM": {"ACTION", "TRIGGER", "DESCRIPTION"},
    "VTIMEZONE": {"TZID", "LAST-MODIFIED"},
    "STANDARD": {"DTSTART", "TZOFFSETFROM", "TZOFFSETTO", "TZNAME", "RDATE", "RRULE"},
    "DAYLIGHT": {"DTSTART", "TZOFFSETFROM", "TZOFFSETTO", "TZNAME", "RDATE", "RRULE"},
}  # fmt: skip
NEEDED = {
    "VCALENDAR": {"PRODID", "VERSION"},
    "VEVENT": {"UID", "DTSTAMP", "DTSTART"},
    "VALARM": {"ACTION", "TRIGGER", "DESCRIPTION"},
    "VTIMEZONE": {"TZID"},
    "STANDARD": {"DTSTART", "TZOFFSETFROM", "TZOFFSETTO"},
    "DAYLIGHT": {"DTSTART", "TZOFFSETFROM", "TZOFFSETTO"},
}
INSIDE = {
    "VCALENDAR": (None,),
    "VEVENT": ("VCALENDAR",),
    "VTIMEZONE": ("VCALENDAR",),
    "VALARM": ("VEVENT",),
    "STANDARD": ("VTIMEZONE",),
    "DAYLIGHT": ("VTIMEZONE",),
}


@dataclass
class Line:
    """One content line, unfolded: its name, its parameters without quotes, its value as written."""

    name: str
    parameters: dict[str, str]
    value: str


@dataclass
class Component:
    """What stands between BEGIN and END."""

    kind: str
    lines: list[Line] = field(default_factory=list)
    parts: list[Component] = field(default_factory=list)

    def all(self, name: str) -> list[Line]:
        return [line for line in self.lines if line.name == name]

    def one(self, name: str) -> Line:
        (line,) = self.all(name)
        return line

    def walk(self) -> list[Component]:
        return [self, *(c for part in self.parts for c in part.walk())]


def faults(octets: bytes) -> list[str]:
    """Everything that is wrong with a calendar; an empty list if nothing is."""
    found = _octet_faults(octets)
    if found:
        return found
    try:
        calendar = parse(octets)
    except ValueError as fault:
        return [str(fault)]
    for component in calendar.walk():
        found += _property_faults(component)
    uids = [line.value for event in calendar.parts if event.kind == "VEVENT" for line in event.all("UID")]
    found += [f"3.8.4.7: UID {uid} stands twice" for uid in sorted({u for u in uids if uids.count(u) > 1})]
    zones = {part.one("TZID").value for part in calendar.parts if part.kind == "VTIMEZONE" and part.all("TZID")}
    for component in calendar.walk():
        for line in component.lines:
            zone = line.parameters.get("TZID")
            if zone is not None and zone not in zones:
                found.append(f"3.2.19: TZID {zone} has no VTIMEZONE")
    return found


def _octet_faults(octets: bytes) -> list[str]:
    """Section 3.1: lines end with CRLF, hold at most 75 octets of UTF-8, and no control characters but the tab."""
    if not octets.endswith(b"\r\n"):
        return ["3.1: the last line does not end with CRLF"]
    found = []
    for number, line in enumerate(octets[:-2].split(b"\r\n"), 1):
        if len(line) > 75:
            found.append(f"3.1: line {number} has {len(line)} octets")
        try:
            line.decode("utf-8")
        except UnicodeDecodeError:
            found.append(f"3.1: line {number} cuts a character or is no UTF-8")
        if any((octet < 0x20 and octet != 0x09) or octet == 0x7F for octet in line):
            found.append(f"3.1: line {number} has a control character")
        if not line.strip(b" \t"):
            found.append(f"3.1: line {number} is empty")
    return found


def parse(octets: bytes) -> Component:
    """Unfold and nest.

    Raises:
        ValueError: a line or the nesting breaks the grammar.
    """
    top: Component | None = None
    open_: list[Component] = []
    for text in octets.decode("utf-8").replace("\r\n ", "").replace("\r\n\t", "")[:-2].split("\r\n"):
        line = content_line(text)
        if line.name == "BEGIN":
            component = Component(line.value)
            outer = open_[-1].kind if open_ else None
            if outer not in INSIDE.get(component.kind, ()) or (outer is None and top is not None):
                raise ValueError(f"3.4: {component.kind} inside {outer}")
            if open_:
                open_[-1].parts.append(component)
            else:
                top = component
            open_.append(component)
        elif line.name == "END":
            if not open_ or open_.pop().kind != line.value:
                raise ValueError(f"3.6: END:{line.value} without its BEGIN")
        elif not open_:
            raise ValueError(f"3.4: {line.name} stands outside of the calendar")
        elif open_[-1].parts:
            raise ValueError(f"3.6: {line.name} stands after a part of {open_[-1].kind}")
        else:
            open_[-1].lines.append(line)
    if top is None or open_:
        raise ValueError("3.4: the calendar is not closed")
    return top


def content_line(text: str) -> Line:
    """Section 3.1: name, parameters, colon, value. A quote may stand only around a whole parameter value.

    Raises:
        ValueError: it is not so.
    """
    match = NAME.match(text)
    if not match:
        raise ValueError(f"3.1: {text[:40]!r} has no name")
    at, parameters = match.end(), {}
    while text[at : at + 1] == ";":
        parameter = re.compile(r';([A-Za-z0-9-]+)=("[^"]*"|[^";:,]*)(?=[;:])').match(text, at)
        if not parameter:
            raise ValueError(f"3.2: a parameter of {match.group()} is not written well: {text[at : at + 40]!r}")
        if parameter.group(1).upper() in parameters:
            raise ValueError(f"3.2: parameter {parameter.group(1)} stands twice")
        parameters[parameter.group(1).upper()] = parameter.group(2).strip('"')
        at = parameter.end()
    if text[at : at + 1] != ":":
        raise ValueError(f"3.1: {text[:40]!r} has no colon")
    return Line(match.group().upper(), parameters, text[at + 1 :])


def _property_faults(component: Component) -> list[str]:
    missing = NEEDED[component.kind] - {line.name for line in component.lines}
    found = [f"3.6: {component.kind} has no {name}" for name in sorted(missing)]
    for name in sorted({line.name for line in component.lines}):
        if name in NEVER and component.kind in ("VCALENDAR", "VEVENT"):
            found.append(f"a feed of single events has no {name}")
        elif name not in KNOWN[component.kind] and not name.startswith("X-"):
            found.append(f"3.6: {component.kind} has no property {name}")
        if len(component.all(name)) > 1 and component.kind not in ("STANDARD", "DAYLIGHT"):
            found.append(f"3.6: {name} stands more than once in {component.kind}")
    for line in component.lines:
        found += _value_faults(component.kind, line)
    return found + (_event_faults(component) if component.kind == "VEVENT" else [])


SHAPES = {
    "VERSION": ("3.7.4", re.compile(r"2\.0")),
    "CALSCALE": ("3.7.1", re.compile("GREGORIAN")),
    "SEQUENCE": ("3.8.7.4", re.compile(r"\d+")),
    "STATUS": ("3.8.1.11", re.compile("TENTATIVE|CONFIRMED|CANCELLED")),
    "TRANSP": ("3.8.2.7", re.compile("OPAQUE|TRANSPARENT")),
    "ACTION": ("3.8.6.1", re.compile("DISPLAY")),
    "DTSTAMP": ("3.8.7.2", UTC_TIME),
    "CREATED": ("3.8.7.1", UTC_TIME),
    "LAST-MODIFIED": ("3.8.7.3", UTC_TIME),
    "TRIGGER": ("3.8.6.3", DURATION),
    "REFRESH-INTERVAL": ("RFC 7986 5.7", DURATION),
    "X-PUBLISHED-TTL": ("RFC 7986 5.7", DURATION),
    "SOURCE": ("RFC 7986 5.8", URI),
}
TYPED = {"REFRESH-INTERVAL": ("RFC 7986 5.7", "DURATION"), "SOURCE": ("RFC 7986 5.8", "URI")}


def _value_faults(kind: str, line: Line) -> list[str]:
    name, value = line.name, line.value
    if name in TEXT | LISTS:
        return [f"3.3.11: {name} {fault}" for fault in text_faults(value, commas=name in LISTS)]
    if kind == "VEVENT" and name in ("DTSTART", "DTEND"):
        return _moment_faults(line)
    found = []
    if name in SHAPES and not SHAPES[name][1].fullmatch(value):
        found.append(f"{SHAPES[name][0]}: {name} is {value!r}")
    if name in TYPED and line.parameters.get("VALUE") != TYPED[name][1]:
        found.append(f"{TYPED[name][0]}: {name} needs VALUE={TYPED[name][1]}")
    return found


def text_faults(value: str, *, commas: bool) -> list[str]:
    """Section 3.3.11: a backslash stands only before backslash, semicolon, comma or n; those never stand bare."""
    rest = re.sub(r"\\[\\;,nN]", "", value)
    found = ["has a bare backslash"] if "\\" in rest else []
    if ";" in rest or ("," in rest and not commas):
        found.append("has a bare comma or semicolon")
    return found


def _moment_faults(line: Line) -> list[str]:
    if line.parameters.get("VALUE") == "DATE":
        shape = DATE
    elif "TZID" in line.parameters:
        shape = LOCAL_TIME
    else:
        shape = UTC_TIME
    if not shape.fullmatch(line.value) or not _exists(line.value):
        return [f"3.3.4/3.3.5: {line.name} {line.value!r} is no date or time of its kind"]
    return []


def _exists(value: str) -> bool:
    try:
        datetime.strptime(value.rstrip("Z"), "%Y%m%dT%H%M%S" if "T" in value else "%Y%m%d")  # noqa: DTZ007
    except ValueError:
        return False
    return True


def _event_faults(event: Component) -> list[str]:
    found = []
    starts, ends = event.all("DTSTART"), event.all("DTEND")
    if len(starts) == len(ends) == 1:
        if starts[0].parameters != ends[0].parameters:
            found.append("3.8.2.2: DTEND is of another kind than DTSTART")
        elif not ends[0].value > starts[0].value:
            found.append("3.8.2.2: DTEND is not later than DTSTART")
    return found
