"""Answers of the Open-Meteo forecast, ensemble and archive services, read from their JSON.

What the columns mean (documentation of the service, and its source code):

==================== ======================= ===========================================
column               stamped                 becomes
==================== ======================= ===========================================
temperature_2m       at the instant          ``temp_c``, mean of the hour's two ends
wind_speed_10m       at the instant          ``wind_ms``, likewise
cloud_cover          at the instant          ``cloud_frac``, likewise
precipitation        sum of the hour before  ``rain_mm`` of the hour that ends there
shortwave_radiation  mean of the hour before ``ghi_wm2`` of the hour that ends there
==================== ======================= ===========================================

Other columns are passed over. Times are epoch seconds in UTC (``unixtime``) or local times without an offset
(``iso8601``); the latter are off UTC by ``utc_offset_seconds`` throughout, also where the clocks changed in
between. A variable that the model lacks comes as a column of nulls, mostly with the unit "undefined": it is
missing, not zero.
"""

from __future__ import annotations

import json
import re
from contextlib import suppress
from dataclasses import dataclass
from datetime import datetime
from typing import TYPE_CHECKING, Any, Literal, NoReturn

import numpy as np

from matewindow.errors import WeatherFileError
from matewindow.units import MS_PER_KMH, MS_PER_KNOT, MS_PER_MPH
from matewindow.weather.hours import hour_records
from matewindow.weather.normal import REQUIRED, VARIABLES, Kind, Provenance, Weather, make_weather
from matewindow.weather.plain_csv import first_impossible, read_text

if TYPE_CHECKING:
    from collections.abc import Mapping
    from pathlib import Path

    from numpy.typing import NDArray

    Floats = NDArray[np.float64]
    Times = NDArray[np.datetime64]

LICENCE = "Weather data by Open-Meteo.com (CC BY 4.0)"


@dataclass(frozen=True)
class _Wire:
    """How a column of the service becomes one of the normal form."""

    name: str
    factors: Mapping[str, float]
    stamped: Literal["instant", "preceding"]
    fix: str


_WIND = {"m/s": 1.0, "km/h": MS_PER_KMH, "mp/h": MS_PER_MPH, "mph": MS_PER_MPH, "kn": MS_PER_KNOT}
WIRE = {
    "temperature_2m": _Wire("temp_c", {"°C": 1.0}, "instant", "Ask for temperature_unit=celsius."),
    "wind_speed_10m": _Wire("wind_ms", _WIND, "instant", "Ask for wind_speed_unit=ms."),
    "precipitation": _Wire("rain_mm", {"mm": 1.0}, "preceding", "Ask for precipitation_unit=mm."),
    "shortwave_radiation": _Wire("ghi_wm2", {"W/m²": 1.0}, "preceding", "Ask for it in W/m²."),
    "cloud_cover": _Wire("cloud_frac", {"%": 0.01}, "instant", "Ask for it in percent."),
}
"""Column of the service -> column of the normal form, factors by unit, time stamp."""

_NEEDED = tuple(column for column, wire in WIRE.items() if wire.name in REQUIRED)
_COLUMN = re.compile(rf"({'|'.join(WIRE)})(?:_member(\d{{1,4}}))?(?:_([a-z][a-z0-9_]*))?", re.ASCII)
# Suffixes that make another variable of a column and are no model.
_DERIVED = re.compile(r"previous_day\d|spread|mean|max|min|anomaly|instant")
_STAMP = re.compile(r"\d{4}-\d\d-\d\dT\d\d:\d\d", re.ASCII)
_STREAM_ERROR = "Unexpected error while streaming data"
_AGAIN = "Fetch it again."
_ASK = f"Ask for hourly={','.join(WIRE)}."
_FIRST_YEAR, _END_YEAR = 1900, 2200
_HOUR_S, _DAY_S = 3600, 86400

Keys = dict[str, dict[int, str]]
"""Column without suffixes -> member (0 is the control) -> key in the answer."""


def read_forecast(path: str | Path) -> Weather:
    """Read a saved answer of the forecast service: a single run, one member. See ``parse_forecast``."""
    return parse_forecast(read_text(path), file=str(path))


def read_ensemble(path: str | Path) -> Weather:
    """Read a saved answer of the ensemble service, all members of one model. See ``parse_ensemble``."""
    return parse_ensemble(read_text(path), file=str(path))


def read_archive(path: str | Path) -> Weather:
    """Read a saved answer of the archive service: reanalysis of past years. See ``parse_archive``."""
    return parse_archive(read_text(path), file=str(path))


def parse_forecast(text: str, *, file: str | None = None) -> Weather:
    """Read an answer of the forecast service for one place and one model.

    Args:
        text: the answer, JSON.
        file: name of the file it was saved in, for errors and for the provenance.

    Returns:
        Weather of kind "forecast" with one member, from the first to the last hour for which temperature and
        wind are known at both ends. Variables without any value are left out, with a note.

    Raises:
        WeatherFileError: no such answer, several places or models, other units than °C, mm, W/m², % and a
            wind in m/s, km/h, mph or knots, steps other than one hour, no temperature or no wind, impossible
            values. The text names the file, the column and the row (counted from 1).
    """
    return _parse(text, "forecast", file)


def parse_ensemble(text: str, *, file: str | None = None) -> Weather:
    """Read an answer of the ensemble service for one place and one model.

    Members are counted from the columns: the control has no suffix, the others end in ``_member01`` and so
    on. A member that lacks temperature or wind is dropped; so is one that lacks a variable that at least half
    of the members have. A variable that fewer have is left out instead. The notes say what was dropped.

    Args:
        text: the answer, JSON.
        file: name of the file it was saved in, for errors and for the provenance.

    Returns:
        Weather of kind "ensemble", members in the order of the service, the control first. Hours as in
        ``parse_forecast``.

    Raises:
        WeatherFileError: as ``parse_forecast``, and if there are no members.
    """
    return _parse(text, "ensemble", file)


def parse_archive(text: str, *, file: str | None = None) -> Weather:
    """Read an answer of the archive service for one place and one model.

    The answer may hold several ranges of dates, such as the season of every year: what lies between them is
    missing.

    Args:
        text: the answer, JSON.
        file: name of the file it was saved in, for errors and for the provenance.

    Returns:
        Weather of kind "analysis" with one member. Hours as in ``parse_forecast``.

    Raises:
        WeatherFileError: as ``parse_forecast``.
    """
    return _parse(text, "analysis", file)


def _parse(text: str, kind: Kind, file: str | None) -> Weather:
    where = file or "Open-Meteo answer"
    answer = _one_place(_json(text, where), where)
    hourly, units = _block(answer, "hourly", where), _block(answer, "hourly_units", where)
    times = _times(answer, hourly.get("time"), units.get("time"), where)
    model, keys = _choose_columns(hourly, kind, where)
    given = {
        column: {
            m: _values(hourly[k], units.get(k), WIRE[column], times, f"{where}, column {k}") for m, k in of.items()
        }
        for column, of in keys.items()
    }
    members, columns, notes = _choose_members(given, where)
    stamped: dict[str, dict[str, Floats]] = {"instant": {}, "preceding": {}}
    for column in columns:
        wire = WIRE[column]
        stamped[wire.stamped][wire.name] = np.array([given[column][member] for member in members])
    hours, records = _trim(*hour_records(times, **stamped), where)
    absent = len(hours) - np.count_nonzero((times >= hours[0]) & (times <= hours[-1]))
    if absent:
        notes.append(f"{absent} hours are absent from the file and count as missing")
    provenance = Provenance(
        "Open-Meteo",
        kind,
        LICENCE,
        model=model or None,
        latitude=_degrees(answer, "latitude", 90.0, where),
        longitude=_degrees(answer, "longitude", 180.0, where),
        elevation_m=_elevation(answer),
        file=file,
        notes=tuple(notes),
    )
    return make_weather(hours, records, provenance)


def _fault(what: str, where: str, fix: str = _AGAIN) -> WeatherFileError:
    return WeatherFileError(what, where=where, fix=fix)


# --- the answer as a whole -----------------------------------------------------------------------------


def _json(text: str, where: str) -> object:
    text = text.removeprefix("\ufeff")
    if not text.strip():
        raise _fault("it is empty", where)
    if text.lstrip().startswith("<"):
        raise _fault("it is a web page, not weather data", where, f"{_AGAIN} The service may be down.")
    try:
        return json.loads(text, parse_constant=_refuse_constant)
    except (ValueError, RecursionError) as error:
        if _STREAM_ERROR in text:
            what = f'the download broke off: the service wrote "{_STREAM_ERROR}" into its answer'
            raise _fault(what, where) from None
        what = f"it is no whole JSON document ({str(error).rstrip('.')})"
        raise _fault(what, where, f"{_AGAIN} The download may have broken off.") from None


def _refuse_constant(name: str) -> NoReturn:
    raise ValueError(f"{name} is no JSON number; a missing value is null")


def _one_place(answer: object, where: str) -> dict[str, Any]:
    if isinstance(answer, list):
        if len(answer) != 1:
            raise _fault(f"it is for {len(answer)} places", where, "Ask for one latitude and one longitude.")
        answer = answer[0]
    if not isinstance(answer, dict):
        raise _fault("it is JSON, but no answer of the service", where)
    if answer.get("error"):
        reason = answer.get("reason")
        what = f'the service refused: "{reason[:300]}"' if isinstance(reason, str) else "the service refused"
        raise _fault(what, where, "Mend the request, or wait if a limit was reached, and fetch it again.")
    return answer


def _block(answer: dict[str, Any], name: str, where: str) -> dict[str, Any]:
    block = answer.get(name)
    if not isinstance(block, dict):
        raise _fault(f'there is no "{name}" block in it', where, _ASK)
    return block


def _degrees(answer: dict[str, Any], name: str, limit: float, where: str) -> float:
    value = answer.get(name)
    if value is None:
        raise _fault(f"{name} is missing", where)
    if not _is_number(value) or not -limit <= value <= limit:
        raise _fault(f"{name} cannot be {_shown(value)}", where)
    return float(value)


def _elevation(answer: dict[str, Any]) -> float | None:
    value = answer.get("elevation")  # left out by the service where it is not known
    return float(value) if value is not None and _is_number(value) and abs(value) < 10_000 else None


def _is_number(value: object) -> bool:
    return type(value) in (int, float)  # True and False are integers to Python, but none here


def _shown(value: object) -> str:
    if isinstance(value, list | dict):
        return "a list" if isinstance(value, list) else "an object"
    text = repr(value)
    return text if len(text) <= 40 else f"{text[:40]}…"


# --- times ---------------------------------------------------------------------------------------------


def _times(answer: dict[str, Any], stamps: object, unit: object, where: str) -> Times:
    """Time stamps in UTC: on the hour, increasing by one hour or leaping from range to range."""
    here = f"{where}, column time"
    if not isinstance(stamps, list) or len(stamps) < 2:
        count = len(stamps) if isinstance(stamps, list) else "no list of"
        raise _fault(f"there is {count} time stamp(s)", here, "Ask for one day at least.")
    if unit == "unixtime":
        seconds = _epoch_seconds(stamps, here)
    elif unit == "iso8601":
        seconds = _iso_seconds(stamps, here) - _utc_offset(answer, where)
    else:
        what = "its unit is not stated" if unit is None else f"its unit is {_shown(unit)}"
        raise _fault(what, here, "Ask for timeformat=unixtime or timeformat=iso8601.")
    _check_steps(seconds, stamps, here)
    return seconds.astype("datetime64[s]")


def _epoch_seconds(stamps: list[Any], where: str) -> NDArray[np.int64]:
    low, end = (int(np.datetime64(str(year), "s").astype(np.int64)) for year in (_FIRST_YEAR, _END_YEAR))
    if set(map(type, stamps)) != {int} or not low <= min(stamps) <= max(stamps) < end:
        row = next(i for i, stamp in enumerate(stamps) if type(stamp) is not int or not low <= stamp < end)
        raise _fault(f"{_shown(stamps[row])} in row {row + 1} is no time in epoch seconds", where)
    return np.array(stamps, dtype=np.int64)


def _iso_seconds(stamps: list[Any], where: str) -> NDArray[np.int64]:
    """Local times as if they were UTC, the whole column at once: 30 years are a quarter of a million rows."""
    if _have_form(stamps):
        with suppress(ValueError):  # a month 13 or a 31 June; the row is looked for below
            times = np.array(stamps, dtype="datetime64[s]")
            years = times.astype("datetime64[Y]").astype(np.int64) + 1970
            if years.min() >= _FIRST_YEAR and years.max() < _END_YEAR:
                return times.astype(np.int64)
    row = next(i for i, stamp in enumerate(stamps) if not _is_stamp(stamp))
    raise _fault(f"{_shown(stamps[row])} in row {row + 1} is no time like 2026-06-01T12:00", where)


def _have_form(stamps: list[Any]) -> bool:
    """Whether all are written like 2026-06-01T12:00, seen in one table of characters."""
    if set(map(type, stamps)) != {str} or set(map(len, stamps)) != {16}:
        return False
    signs = np.frombuffer("".join(stamps).encode("ascii", "replace"), dtype=np.uint8).reshape(-1, 16)
    marks, digits = signs[:, [4, 7, 10, 13]], np.delete(signs, [4, 7, 10, 13], axis=1)
    is_marked = (marks == np.frombuffer(b"--T:", dtype=np.uint8)).all()
    return bool(is_marked and ((digits >= ord("0")) & (digits <= ord("9"))).all())


def _is_stamp(stamp: object) -> bool:
    if isinstance(stamp, str) and _STAMP.fullmatch(stamp):
        with suppress(ValueError):
            return _FIRST_YEAR <= datetime.fromisoformat(stamp).year < _END_YEAR
    return False


def _utc_offset(answer: dict[str, Any], where: str) -> int:
    offset = answer.get("utc_offset_seconds")
    if type(offset) is not int or abs(offset) > 14 * _HOUR_S:
        what = f"local times need utc_offset_seconds, and that is {_shown(offset)}"
        raise _fault(what, where, "Ask for timeformat=unixtime.")
    if offset % _HOUR_S:
        what = f"utc_offset_seconds {offset} puts the times off the full hour in UTC"
        raise _fault(what, where, "Ask for timezone=GMT.")
    return offset


def _check_steps(seconds: NDArray[np.int64], stamps: list[Any], where: str) -> None:
    off = np.flatnonzero(seconds % _HOUR_S)
    if len(off):
        raise _fault(f"{stamps[off[0]]} in row {off[0] + 1} is not on the hour", where, "Ask for hourly data.")
    steps = np.diff(seconds)
    # A leap of a day or more separates two ranges of dates; one of a few hours is a coarser model.
    odd = np.flatnonzero((steps < _DAY_S) & (steps != _HOUR_S)) if (steps == _HOUR_S).any() else np.arange(1)
    if len(odd) == 0:
        return
    row, step = int(odd[0]) + 2, int(steps[odd[0]])
    if step <= 0:
        what = "stands there twice" if step == 0 else "runs backwards"
        raise _fault(f"{stamps[row - 1]} in row {row} {what}", where)
    what = f"row {row} comes {step / _HOUR_S:g} h after the one before, and hourly steps are needed"
    raise _fault(what, where, "Ask for temporal_resolution=hourly, or leave that option out.")


# --- columns, models, members --------------------------------------------------------------------------


def _choose_columns(hourly: dict[str, Any], kind: Kind, where: str) -> tuple[str, Keys]:
    """The one model in the answer ("" if the columns do not name it), and its columns."""
    models: dict[str, Keys] = {}
    for key in hourly:
        form = _COLUMN.fullmatch(key)
        if form and not _DERIVED.match(form[3] or ""):
            models.setdefault(form[3] or "", {}).setdefault(form[1], {})[int(form[2] or 0)] = key
    whole = [model for model, keys in models.items() if all(column in keys for column in _NEEDED)]
    if len(whole) > 1:
        names = ", ".join(model or "one without a name" for model in whole)
        raise _fault(f"it holds several models: {names}", where, "Ask for one model.")
    if not whole:
        found = {column for keys in models.values() for column in keys}
        lacking = [column for column in _NEEDED if column not in found]
        what = f"there is no column {lacking[0]}" if lacking else "no model gives both temperature and wind"
        raise _fault(what, where, _ASK)
    keys = models[whole[0]]
    has_members = any(member for of in keys.values() for member in of)
    if has_members and kind != "ensemble":
        raise _fault("it holds the members of an ensemble", where, "Give it as an ensemble, not as a single run.")
    if not has_members and kind == "ensemble":
        what = "it holds no members (no column ends in _member01)"
        raise _fault(what, where, "Give it as a forecast, not as an ensemble.")
    return whole[0], keys


def _choose_members(given: dict[str, dict[int, Floats | None]], where: str) -> tuple[list[int], list[str], list[str]]:
    """Members that have every column used, these columns, and what to say about the rest."""
    known = {column: {m for m, values in of.items() if values is not None} for column, of in given.items()}
    for column in _NEEDED:
        if not known[column]:
            raise _fault(f"column {column} holds no value at all", where, "Ask for a model that has it here.")
    members = set.intersection(*(known[column] for column in _NEEDED))
    if not members:
        raise _fault("no member has both temperature and wind", where, "Ask for another model.")
    columns, notes = list(_NEEDED), []
    for column in WIRE:
        if column in _NEEDED or column not in given:
            continue
        having = members & known[column]
        if 2 * len(having) >= len(members):  # the smaller loss: a few members, or the whole variable
            members = having
            columns.append(column)
        else:
            of = f" in {len(members) - len(having)} of {len(members)} members" if having else ""
            notes.append(f"{column} holds no value{of} and was left out")
    everyone = {member for of in given.values() for member in of}
    if len(members) < len(everyone):
        dropped = len(everyone) - len(members)
        notes.append(f"{dropped} of {len(everyone)} members lack a variable and were left out")
    return sorted(members), columns, notes


def _values(raw: object, unit: object, wire: _Wire, times: Times, where: str) -> Floats | None:
    """One column in the unit of the normal form, or None if it holds nothing."""
    if not isinstance(raw, list):
        raise _fault("it is no list of numbers", where)
    if len(raw) != len(times):
        raise _fault(f"it has {len(raw)} values for {len(times)} times", where)
    types = set(map(type, raw))
    if not types <= {int, float, type(None)}:
        row = next(i for i, value in enumerate(raw) if value is not None and not _is_number(value))
        raise _fault(f"{_shown(raw[row])} in row {row + 1} is no number", where)
    if types == {type(None)} or unit == "undefined":
        return None
    if not isinstance(unit, str) or unit not in wire.factors:
        what = "its unit is not stated" if unit is None else f"its unit is {_shown(unit)}"
        raise _fault(f"{what}; it should be {' or '.join(wire.factors)}", where, wire.fix)
    try:
        values = np.array(raw, dtype=np.float64) * wire.factors[unit]
    except OverflowError:
        raise _fault("it holds a number with hundreds of digits", where) from None
    bad = first_impossible(wire.name, values)
    if bad is not None:
        limits = f"{VARIABLES[wire.name].low:g} to {VARIABLES[wire.name].high:g} {VARIABLES[wire.name].unit}"
        what = f"{_shown(raw[bad])} {unit} in row {bad + 1} ({times[bad]}Z) is impossible (allowed {limits})"
        raise _fault(what, where)
    return values


def _trim(hours: Times, records: dict[str, Floats], where: str) -> tuple[Times, dict[str, Floats]]:
    """Cut off hours at both ends that cannot be judged: half-known ones, and those past the run's horizon."""
    known = [np.isfinite(records[name]).any(axis=0) for name in REQUIRED]
    usable = np.flatnonzero(np.logical_and.reduce(known))
    if len(usable) == 0:
        what = "no hour has temperature and wind at its beginning and at its end"
        raise _fault(what, where, "Ask for another model or place.")
    kept = slice(usable[0], usable[-1] + 1)
    return hours[kept], {name: values[..., kept] for name, values in records.items()}
