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

Asked for several places, the service answers with a list, one object a place in the order asked; the second and
further ones are numbered (``location_id``). One place with several ranges of dates comes as a list too, one object a
range, none of them numbered.
"""

from __future__ import annotations

import re
from contextlib import suppress
from datetime import datetime
from typing import TYPE_CHECKING, Any

import numpy as np

from matewindow.errors import WeatherFileError
from matewindow.weather.files import block, fault, is_number, json_document, read_text, shown
from matewindow.weather.hours import hour_records
from matewindow.weather.join import joined
from matewindow.weather.normal import REQUIRED, Kind, Provenance, Weather, make_weather
from matewindow.weather.openmeteo_columns import (
    ASK,
    WIRE,
    choose_columns,
    choose_members,
    column_values,
)
from matewindow.weather.openmeteo_list import ANSWER, by_place, listed

if TYPE_CHECKING:
    from pathlib import Path

    from numpy.typing import NDArray

    Floats = NDArray[np.float64]
    Times = NDArray[np.datetime64]

LICENCE = "Weather data by Open-Meteo.com (CC BY 4.0)"

_STAMP = re.compile(r"\d{4}-\d\d-\d\dT\d\d:\d\d", re.ASCII)
_STREAM_ERROR = "Unexpected error while streaming data"
_FIRST_YEAR, _END_YEAR = 1900, 2200
_HOUR_S, _DAY_S = 3600, 86400


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

    The answer may hold several ranges of dates, such as the season of every year, in one object or as a list of
    objects of the same place: what lies between them is missing, and so is the last hour of each range.

    Args:
        text: the answer, JSON.
        file: name of the file it was saved in, for errors and for the provenance.

    Returns:
        Weather of kind "analysis" with one member. Hours as in ``parse_forecast``.

    Raises:
        WeatherFileError: as ``parse_forecast``.
    """
    where = file or ANSWER
    answers = listed(_document(text, where))
    if len(answers) > 1 and len(by_place(answers)) == 1:
        return _of_ranges(answers, "analysis", file, where)
    return _read(_one_place(answers, where), "analysis", file, where)


def parse_many_forecasts(text: str, *, file: str | None = None) -> list[Weather]:
    """Read an answer of the forecast service for any number of places, in their order. See ``parse_forecast``.

    Raises:
        WeatherFileError: as there, for any of the places; the text names it (counted from 1).
    """
    return _parse_many(text, "forecast", file)


def parse_many_ensembles(text: str, *, file: str | None = None) -> list[Weather]:
    """Read an answer of the ensemble service for any number of places, in their order. See ``parse_ensemble``.

    Raises:
        WeatherFileError: as there, for any of the places; the text names it (counted from 1).
    """
    return _parse_many(text, "ensemble", file)


def parse_many_archives(text: str, *, file: str | None = None) -> list[Weather]:
    """Read an answer of the archive service for any number of places, in their order. See ``parse_archive``.

    Several ranges of dates of one place become one record.

    Raises:
        WeatherFileError: as there, for any of the places; the text names it (counted from 1).
    """
    return _parse_many(text, "analysis", file)


def _parse(text: str, kind: Kind, file: str | None) -> Weather:
    where = file or ANSWER
    return _read(answer_of_one_place(text, where), kind, file, where)


def _parse_many(text: str, kind: Kind, file: str | None) -> list[Weather]:
    where = file or ANSWER
    answers = listed(_document(text, where))
    places = by_place(answers) if kind == "analysis" else [[answer] for answer in answers]
    if not places:
        raise fault("it is for 0 places", where, "Ask for one latitude and one longitude at least.")
    return [_of_ranges(p, kind, file, f"{where}, place {i + 1}") for i, p in enumerate(places)]


def _of_ranges(answers: list[object], kind: Kind, file: str | None, where: str) -> Weather:
    """One place, which may come in several ranges of dates in any order."""
    stretches = [_read(_one_place(answer, where), kind, file, where) for answer in answers]
    return joined(sorted(stretches, key=lambda w: w.times[0]))


def _read(answer: dict[str, Any], kind: Kind, file: str | None, where: str) -> Weather:
    hourly, units, times = hourly_block(answer, where)
    model, keys = choose_columns(hourly, kind, where)
    given = {
        column: {
            m: column_values(hourly[k], units.get(k), WIRE[column], times, f"{where}, column {k}")
            for m, k in of.items()
        }
        for column, of in keys.items()
    }
    members, columns, notes = choose_members(given, where)
    stamped: dict[str, dict[str, Floats]] = {"instant": {}, "preceding": {}}
    for column in columns:
        wire = WIRE[column]
        stamped[wire.stamped][wire.name] = np.array([given[column][member] for member in members])
    hours, records = _trim(*hour_records(times, **stamped), where)
    absent = len(hours) - np.count_nonzero((times >= hours[0]) & (times <= hours[-1]))
    if absent:
        notes.append(f"{absent} hours are absent from the file and count as missing")
    return make_weather(hours, records, provenance_of(answer, kind, model, file, notes, where))


# --- the answer as a whole -----------------------------------------------------------------------------


def answer_of_one_place(text: str, where: str) -> dict[str, Any]:
    """Read the JSON of an answer for one place.

    Raises:
        WeatherFileError: no such answer, one that broke off, several places, or the service's own refusal.
    """
    return _one_place(_document(text, where), where)


def _document(text: str, where: str) -> object:
    """Any answer of the service, or the error that it wrote into one that broke off."""
    try:
        return json_document(text, where)
    except WeatherFileError:
        if _STREAM_ERROR not in text:
            raise
        what = f'the download broke off: the service wrote "{_STREAM_ERROR}" into its answer'
        raise fault(what, where) from None


def _one_place(answer: object, where: str) -> dict[str, Any]:
    if isinstance(answer, list):
        if len(answer) != 1:
            raise fault(f"it is for {len(answer)} places", where, "Ask for one latitude and one longitude.")
        answer = answer[0]
    if not isinstance(answer, dict):
        raise fault("it is JSON, but no answer of the service", where)
    if answer.get("error"):
        reason = answer.get("reason")
        what = f'the service refused: "{reason[:300]}"' if isinstance(reason, str) else "the service refused"
        raise fault(what, where, "Mend the request, or wait if a limit was reached, and fetch it again.")
    return answer


def hourly_block(answer: dict[str, Any], where: str) -> tuple[dict[str, Any], dict[str, Any], Times]:
    """Give the hourly columns of an answer, their units, and the time stamps in UTC.

    Raises:
        WeatherFileError: no such block, or times that are none, not on the hour or not in order.
    """
    hourly, units = block(answer, "hourly", where, ASK), block(answer, "hourly_units", where, ASK)
    return hourly, units, _times(answer, hourly.get("time"), units.get("time"), where)


def provenance_of(
    answer: dict[str, Any], kind: Kind, model: str, file: str | None, notes: list[str], where: str
) -> Provenance:
    """Tell where an answer came from.

    Raises:
        WeatherFileError: its position is missing or none on earth.
    """
    return Provenance(
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


def _degrees(answer: dict[str, Any], name: str, limit: float, where: str) -> float:
    value = answer.get(name)
    if value is None:
        raise fault(f"{name} is missing", where)
    if not is_number(value) or not -limit <= value <= limit:
        raise fault(f"{name} cannot be {shown(value)}", where)
    return float(value)


def _elevation(answer: dict[str, Any]) -> float | None:
    value = answer.get("elevation")  # left out by the service where it is not known
    return float(value) if value is not None and is_number(value) and abs(value) < 10_000 else None


# --- times ---------------------------------------------------------------------------------------------


def _times(answer: dict[str, Any], stamps: object, unit: object, where: str) -> Times:
    """Time stamps in UTC: on the hour, increasing by one hour or leaping from range to range."""
    here = f"{where}, column time"
    if not isinstance(stamps, list) or len(stamps) < 2:
        count = len(stamps) if isinstance(stamps, list) else "no list of"
        raise fault(f"there is {count} time stamp(s)", here, "Ask for one day at least.")
    if unit == "unixtime":
        seconds = _epoch_seconds(stamps, here)
    elif unit == "iso8601":
        seconds = _iso_seconds(stamps, here) - _utc_offset(answer, where)
    else:
        what = "its unit is not stated" if unit is None else f"its unit is {shown(unit)}"
        raise fault(what, here, "Ask for timeformat=unixtime or timeformat=iso8601.")
    _check_steps(seconds, stamps, here)
    return seconds.astype("datetime64[s]")


def _epoch_seconds(stamps: list[Any], where: str) -> NDArray[np.int64]:
    low, end = (int(np.datetime64(str(year), "s").astype(np.int64)) for year in (_FIRST_YEAR, _END_YEAR))
    if set(map(type, stamps)) != {int} or not low <= min(stamps) <= max(stamps) < end:
        row = next(i for i, stamp in enumerate(stamps) if type(stamp) is not int or not low <= stamp < end)
        raise fault(f"{shown(stamps[row])} in row {row + 1} is no time in epoch seconds", where)
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
    raise fault(f"{shown(stamps[row])} in row {row + 1} is no time like 2026-06-01T12:00", where)


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
        what = f"local times need utc_offset_seconds, and that is {shown(offset)}"
        raise fault(what, where, "Ask for timeformat=unixtime.")
    if offset % _HOUR_S:
        what = f"utc_offset_seconds {offset} puts the times off the full hour in UTC"
        raise fault(what, where, "Ask for timezone=GMT.")
    return offset


def _check_steps(seconds: NDArray[np.int64], stamps: list[Any], where: str) -> None:
    off = np.flatnonzero(seconds % _HOUR_S)
    if len(off):
        raise fault(f"{stamps[off[0]]} in row {off[0] + 1} is not on the hour", where, "Ask for hourly data.")
    steps = np.diff(seconds)
    # A leap of a day or more separates two ranges of dates; one of a few hours is a coarser model.
    odd = np.flatnonzero((steps < _DAY_S) & (steps != _HOUR_S)) if (steps == _HOUR_S).any() else np.arange(1)
    if len(odd) == 0:
        return
    row, step = int(odd[0]) + 2, int(steps[odd[0]])
    if step <= 0:
        what = "stands there twice" if step == 0 else "runs backwards"
        raise fault(f"{stamps[row - 1]} in row {row} {what}", where)
    what = f"row {row} comes {step / _HOUR_S:g} h after the one before, and hourly steps are needed"
    raise fault(what, where, "Ask for temporal_resolution=hourly, or leave that option out.")


def _trim(hours: Times, records: dict[str, Floats], where: str) -> tuple[Times, dict[str, Floats]]:
    """Cut off hours at both ends that cannot be judged: half-known ones, and those past the run's horizon."""
    known = [np.isfinite(records[name]).any(axis=0) for name in REQUIRED]
    usable = np.flatnonzero(np.logical_and.reduce(known))
    if len(usable) == 0:
        what = "no hour has temperature and wind at its beginning and at its end"
        raise fault(what, where, "Ask for another model or place.")
    kept = slice(usable[0], usable[-1] + 1)
    return hours[kept], {name: values[..., kept] for name, values in records.items()}
