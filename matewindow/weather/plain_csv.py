"""The plain CSV of hourly weather: for a weather station, a logger, or a table kept by hand.

::

    # anything may stand in comment lines at the top
    time,temp_c,wind_ms,rain_mm,ghi_wm2,cloud_percent
    2026-06-01T12:00:00+02:00,19.4,2.1,0.0,640,35
    2026-06-01T13:00:00+02:00,20.1,2.4,,655,30

- One row an hour, in order of time. A row covers the hour that *starts* at ``time``; ``temp_c``, ``wind_ms``,
  ``ghi_wm2`` and ``cloud_percent`` are means of that hour and ``rain_mm`` is its sum. Hours may be left out:
  they count as missing.
- ``time`` is ISO 8601 with its UTC offset or ``Z``. A time without an offset is refused, because nobody can
  tell afterwards whether it was summer time.
- ``time``, ``temp_c`` (°C, 2 m) and ``wind_ms`` (m/s, 10 m) are required; ``rain_mm``, ``ghi_wm2`` (W/m²) and
  ``cloud_percent`` may be left out. An empty cell is a missing value, never a zero.
- Commas between columns, points in numbers, UTF-8.
"""

from __future__ import annotations

import csv
import io
import re
from datetime import datetime, timedelta
from typing import TYPE_CHECKING, Any

import numpy as np

from matewindow.errors import WeatherFileError
from matewindow.units import short_grass_wind
from matewindow.weather.files import first_impossible, read_text
from matewindow.weather.normal import REQUIRED, VARIABLES, Kind, Provenance, Weather, make_weather

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence
    from pathlib import Path

    from numpy.typing import NDArray

    Floats = NDArray[np.float64]

COLUMNS: dict[str, tuple[str, float]] = {
    "temp_c": ("temp_c", 1.0),
    "wind_ms": ("wind_ms", 1.0),
    "wind_2m_ms": ("wind_ms", 1.0 / float(short_grass_wind(1.0, 10.0))),
    "rain_mm": ("rain_mm", 1.0),
    "ghi_wm2": ("ghi_wm2", 1.0),
    "cloud_percent": ("cloud_frac", 0.01),
}
"""Column of the file -> (column of the normal form, factor). Many home stations measure wind at 2 m over grass: it is
brought to 10 m by the profile of FAO-56, eq. 47."""

_TIME = re.compile(r"(\d{4})-\d\d-\d\d[T ]\d\d:\d\d(?::\d\d(?:\.0+)?)?(Z|[+-]\d\d:?\d\d)?", re.ASCII)
_NUMBER = re.compile(r"[+-]?(?:\d+\.?\d*|\.\d+)(?:[eE][+-]?\d{1,3})?", re.ASCII)
_HINTS = (
    (re.compile(r"(^|_)f($|_)|fahrenheit|°f"), "Convert Fahrenheit to °C: (F - 32) / 1.8, as temp_c."),
    (re.compile(r"temp|celsius"), "Air temperature in °C is called temp_c."),
    (re.compile(r"kmh|kph|km_h|km/h"), "Divide km/h by 3.6 and call the column wind_ms."),
    (re.compile(r"mph|mp_h"), "Multiply miles an hour by 0.44704 and call the column wind_ms."),
    (re.compile(r"knot|_kn|_kt"), "Multiply knots by 0.514444 and call the column wind_ms."),
    (re.compile(r"wind"), "Wind speed in m/s is called wind_ms."),
    (re.compile(r"inch|(^|_)in$"), "Multiply inches by 25.4 and call the column rain_mm."),
    (re.compile(r"rain|precip"), "Rain in mm in the hour is called rain_mm."),
    (re.compile(r"cloud"), "Cloud cover from 0 to 100 is called cloud_percent."),
    (re.compile(r"rad|solar|ghi"), "Global horizontal radiation in W/m² is called ghi_wm2."),
)
_ALLOWED = f"The columns are time, {', '.join(COLUMNS)}."
_YEARS = (1900, 2200)


def read_csv(path: str | Path) -> Weather:
    """Read a file of observed hourly weather in the plain CSV form. See ``parse_csv``."""
    return parse_csv(read_text(path), file=str(path))


def parse_csv(text: str, *, file: str | None = None, kind: Kind = "observation") -> Weather:
    """Read hourly weather in the plain CSV form described at the top of this module.

    Args:
        text: the whole file.
        file: its name, for errors and for the provenance.
        kind: what the records are; observations unless said otherwise.

    Returns:
        Weather of one member. Hours that are left out are missing; a column without any value is left out,
        with a note.

    Raises:
        WeatherFileError: anything else than the form above. The text names the file, the line and the column.
    """
    where = file or "CSV"
    header, rows = _table(text, where)
    lines, cells = zip(*rows, strict=True) if rows else ((), ())
    times = _times(cells, lines, header.index("time"), where)
    columns, notes = {}, []
    for name, (normal, factor) in COLUMNS.items():
        if name not in header:
            continue
        values = _numbers(cells, lines, header.index(name), where=f"{where}, column {name}") * factor
        _check_range(normal, values, lines, where=f"{where}, column {name}")
        if len(values) and np.isnan(values).all() and normal not in REQUIRED:
            notes.append(f"column {name} is empty throughout and was left out")
        else:
            columns[normal] = values
            if name == "wind_2m_ms":
                notes.append("wind was measured at 2 m and brought to 10 m by the profile over short grass")
    licence = "the file's owner decides; its terms are not stated in it"
    provenance = Provenance("plain CSV", kind, licence, file=file, notes=tuple(notes))
    return make_weather(times, columns, provenance)


def _table(text: str, where: str) -> tuple[list[str], list[tuple[int, list[str]]]]:
    """Header, and (line number, cells) of every row."""
    lines = io.StringIO(text.removeprefix("\ufeff"), newline=None).readlines()
    top = 0
    while top < len(lines) and (not lines[top].strip() or lines[top].lstrip().startswith("#")):
        top += 1
    if top == len(lines):
        raise WeatherFileError("it holds no table", where=where, fix=f"Start with a header row. {_ALLOWED}")
    reader = csv.reader(lines[top:], strict=True)
    try:
        header = [name.strip() for name in next(reader)]
        _check_header(header, lines[top], where=f"{where}, line {top + 1}")
        rows = [(top + reader.line_num, cells) for cells in reader if any(cell.strip() for cell in cells)]
    except csv.Error as error:
        raise WeatherFileError(
            f"this is no CSV ({error})",
            where=f"{where}, line {top + reader.line_num}",
            fix="Check the quotes.",
        ) from None
    for line, cells in rows:
        if len(cells) != len(header):
            raise _ragged(cells, len(header), where=f"{where}, line {line}")
    return header, rows


def _check_header(header: list[str], line: str, *, where: str) -> None:
    for mark, word in ((";", "semicolons"), ("\t", "tabs")):
        if mark in line and "," not in line:
            raise WeatherFileError(
                f"the columns are separated by {word}",
                where=where,
                fix="Save it with commas between the columns and points in the numbers.",
            )
    for name in header:
        if name != "time" and name not in COLUMNS:
            raise WeatherFileError(f"unknown column {name!r}", where=where, fix=_hint(name))
        if header.count(name) > 1:
            raise WeatherFileError(f"column {name} stands there twice", where=where, fix="Keep one of them.")
    if {"wind_ms", "wind_2m_ms"} <= set(header):
        raise WeatherFileError("there are two columns of wind", where=where, fix="Keep wind_ms or wind_2m_ms.")
    given = {COLUMNS[name][0] if name in COLUMNS else name for name in header}
    for name in ("time", *REQUIRED):
        if name not in given:
            raise WeatherFileError(f"there is no column {name}", where=where, fix=f"Add it. {_ALLOWED}")


def _hint(name: str) -> str:
    hint = next((text for pattern, text in _HINTS if pattern.search(name.lower())), "Leave it out.")
    return f"{hint} {_ALLOWED}"


def _ragged(cells: list[str], n_columns: int, *, where: str) -> WeatherFileError:
    what = f"the row has {len(cells)} cells and the header {n_columns}"
    if cells[0].lstrip().startswith("#"):
        return WeatherFileError("a comment stands among the rows", where=where, fix="Move it to the top.")
    if len(cells) > n_columns:
        return WeatherFileError(what, where=where, fix="Write numbers with a decimal point, not a comma.")
    return WeatherFileError(what, where=where, fix="Leave a cell empty for a missing value, but keep its comma.")


def _times(cells: Sequence[list[str]], lines: Sequence[int], at: int, where: str) -> NDArray[np.datetime64]:
    """Time stamps in UTC: on the hour, increasing."""
    utc: list[datetime] = []
    for line, row in zip(lines, cells, strict=True):
        here = f"{where}, line {line}, column time"
        moment = _moment(row[at].strip(), here)
        if moment.minute or moment.second:
            raise WeatherFileError(
                f"{row[at].strip()} is not on the hour in UTC",
                where=here,
                fix="Give one row for each full UTC hour.",
            )
        if utc and moment <= utc[-1]:
            what = "stands there twice" if moment == utc[-1] else "runs backwards"
            raise WeatherFileError(
                f"{row[at].strip()} {what}",
                where=here,
                fix="Sort the rows by UTC time and keep one for each hour.",
            )
        utc.append(moment)
    return np.array(utc, dtype="datetime64[s]")


def _moment(cell: str, where: str) -> datetime:
    """One time stamp as naive UTC."""
    form = _TIME.fullmatch(cell)
    if form is None:
        raise WeatherFileError(
            f"{cell!r} is no time",
            where=where,
            fix="Write it like 2026-06-01T12:00:00+02:00 or 2026-06-01T10:00:00Z.",
        )
    if form[2] is None:
        raise WeatherFileError(
            f"{cell} has no UTC offset",
            where=where,
            fix="Write the offset behind it, like +02:00, or Z if the times are UTC.",
        )
    try:
        moment = datetime.fromisoformat(cell)
    except ValueError as error:
        raise WeatherFileError(f"{cell} is no time ({error})", where=where, fix="Correct the date.") from None
    if not _YEARS[0] <= moment.year < _YEARS[1]:
        raise WeatherFileError(
            f"{cell} is not between the years {_YEARS[0]} and {_YEARS[1]}",
            where=where,
            fix="Correct the date.",
        )
    return moment.replace(tzinfo=None) - (moment.utcoffset() or timedelta(0))


def _numbers(cells: Sequence[list[str]], lines: Sequence[int], at: int, *, where: str) -> Floats:
    """One column as numbers, NaN where the cell is empty."""

    def number(cell: str, line: int) -> float:
        if not cell:
            return np.nan
        if not _NUMBER.fullmatch(cell):
            comma = "," in cell
            fix = "Write a decimal point." if comma else "Leave the cell empty if the value is missing."
            raise WeatherFileError(f"{cell!r} is no number", where=f"{where}, line {line}", fix=fix)
        return float(cell)

    stripped: Iterator[Any] = ((row[at].strip(), line) for row, line in zip(cells, lines, strict=True))
    return np.array([number(cell, line) for cell, line in stripped], dtype=np.float64)


def _check_range(name: str, values: Floats, lines: Sequence[int], *, where: str) -> None:
    bad = first_impossible(name, values)
    if bad is not None:
        variable = VARIABLES[name]
        raise WeatherFileError(
            f"{values[bad]:g} {variable.unit} is impossible (allowed {variable.low:g} to {variable.high:g})",
            where=f"{where}, line {lines[bad]}",
            fix="Check the unit of the column, or leave the cell empty if the instrument failed.",
        )
