"""Raw grid forecasts of the US National Weather Service (api.weather.gov), read from their JSON.

The service gives layers, each a list of values with the interval they apply to: a start and a duration. Equal
values of consecutive hours are run together into one longer interval; from some lead on the forecast itself
knows only blocks of three or six hours (its makers in their own issue tracker, weather-gov/api 21 and 69).

========================= ======================================= ======================================
layer                     value                                   becomes
========================= ======================================= ======================================
temperature               holds for the interval                  ``temp_c`` of every hour of it
windSpeed                 likewise; "maximum prevailing" wind     ``wind_ms`` likewise
skyCover                  likewise                                ``cloud_frac`` likewise
quantitativePrecipitation total of the interval, never run        ``rain_mm``, placed in wet hours
                          together with others
========================= ======================================= ======================================

State layers are taken by the service's word: the value *is* that of every hour in its interval, not of the
instant at which it begins. The forecasters' grids behind it are said to be for the hour's beginning, so that
an hour may be told half an hour late: up to half a degree too cold in mid-morning, next to nothing around the
warmest hours.

Other layers are passed over. Neither radiation nor sunshine is given: light is told from sky cover. A value
of null and hours outside every interval are missing, not zero; a layer without values is absent. Such gaps
are normal here, and so are hours without any forecast (status 503).
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np

from matewindow.units import MS_PER_KMH
from matewindow.weather.files import (
    block,
    fault,
    first_impossible,
    impossible,
    json_object,
    moment,
    number,
    read_text,
    shown,
    trimmed,
)
from matewindow.weather.hours import HOUR, MAX_DAYS, hours_of
from matewindow.weather.normal import Provenance, Weather, make_weather
from matewindow.weather.steps import MAX_STEP_H, NO_RECORD, WetHours, spread_rain, step_draws

if TYPE_CHECKING:
    from collections.abc import Mapping
    from pathlib import Path

    from numpy.typing import NDArray

    from matewindow.errors import WeatherFileError

    Floats = NDArray[np.float64]
    Times = NDArray[np.datetime64]

SOURCE = "US National Weather Service"
LICENCE = "US National Weather Service, public domain"


@dataclass(frozen=True)
class NwsPoint:
    """Where the forecast of a place is found. Grids move under places: ask again from time to time."""

    grid_id: str
    grid_x: int
    grid_y: int
    forecast_grid_url: str
    timezone: str


@dataclass(frozen=True)
class _Wire:
    name: str
    units: Mapping[str, tuple[float, float]]


@dataclass(frozen=True)
class _Layer:
    """Values in the unit of the normal form, NaN where null; their intervals in order, never overlapping."""

    starts: Times
    lengths: NDArray[np.int64]
    values: Floats

    @property
    def ends(self) -> Times:
        return self.starts + self.lengths * HOUR


WIRE = {
    "temperature": _Wire("temp_c", {"degC": (1.0, 0.0), "degF": (1.0 / 1.8, -32.0 / 1.8)}),
    "windSpeed": _Wire("wind_ms", {"km_h-1": (MS_PER_KMH, 0.0), "m_s-1": (1.0, 0.0)}),
    "skyCover": _Wire("cloud_frac", {"percent": (0.01, 0.0)}),
    "quantitativePrecipitation": _Wire("rain_mm", {"mm": (1.0, 0.0), "kg_m-2": (1.0, 0.0)}),
}
"""Layer -> column of the normal form, factor and offset by unit. The unit of an answer counts: eras differ."""

_RAIN = "quantitativePrecipitation"
_NEEDED = ("temperature", "windSpeed")
_UNIT = re.compile(r"(?:wmoUnit|wmo|unit|uc|nwsUnit):(.+)")
_DURATION = re.compile(r"P(?=.)(?:(\d{1,3})D)?(?:T(?=.)(?:(\d{1,4})H)?(?:(\d{1,5})M)?(?:(\d{1,6})S)?)?", re.ASCII)
_ZONE = re.compile(r"[A-Za-z_]+(?:/[A-Za-z0-9_+-]+)*")
_HOUR_S = 3600


def parse_points(text: str, *, file: str | None = None) -> NwsPoint:
    """Read the answer for a place (``/points/{latitude},{longitude}``): which grid cell it lies in.

    Raises:
        WeatherFileError: no such answer, a place without a forecast grid, or the service's own error.
    """
    where = file or "NWS points answer"
    properties = _properties(json_object(text, where), where)
    grid_id, zone = properties.get("gridId"), properties.get("timeZone")
    x, y, url = properties.get("gridX"), properties.get("gridY"), properties.get("forecastGridData")
    if not isinstance(grid_id, str) or type(x) is not int or type(y) is not int:
        what = f"it names no grid cell (gridId {shown(grid_id)}, gridX {shown(x)}, gridY {shown(y)})"
        raise fault(what, where, "The place may lie at sea or outside the United States: use another source there.")
    if not isinstance(url, str) or not re.fullmatch(r"https://[\w.-]+(?::\d{1,5})?/[\w./,-]+", url, re.ASCII):
        raise fault(f"forecastGridData is no address but {shown(url)}", where)
    if not isinstance(zone, str) or not _ZONE.fullmatch(zone):
        raise fault(f"timeZone is none but {shown(zone)}", where)
    return NwsPoint(grid_id, x, y, url, zone)


def read_gridpoints(path: str | Path, *, table: WetHours | None = None) -> Weather:
    """Read a saved raw grid forecast. See ``parse_gridpoints``."""
    return parse_gridpoints(read_text(path), file=str(path), table=table)


def parse_gridpoints(text: str, *, file: str | None = None, table: WetHours | None = None, seed: int = 0) -> Weather:
    """Read a raw grid forecast (``/gridpoints/{office}/{x},{y}``).

    Args:
        text: the answer, JSON.
        file: name of the file it was saved in, for errors and for the provenance.
        table: how totals of rain fall into hours at the place; that of another place if there is none.
        seed: of the draws that place them, see ``steps.step_draws``.

    Returns:
        Weather of kind "forecast" with one member, from the first to the last hour that has temperature and
        wind. It may begin in the past: the service leaves hours in that are over.

    Raises:
        WeatherFileError: no such answer, the service's own error, no temperature or no wind, other units than
            those of ``WIRE``, intervals that overlap, run backwards or are no whole hours, impossible values.
            The text names the file, the layer and the value (counted from 1).
    """
    where = file or "NWS grid forecast"
    answer = json_object(text, where)
    properties = _properties(answer, where)
    layers = _layers(properties, where)
    records, notes = {}, [f"{name} holds no value and was left out" for name in WIRE if name not in layers]
    hours = _hours(layers, where)
    for name, layer in layers.items():
        if name == _RAIN:
            hourly = _rain(layer, table or NO_RECORD, seed, notes)
        else:
            hourly = np.repeat(layer.values, layer.lengths)
        records[WIRE[name].name] = _onto(layer, hourly, hours)
    hours, records = trimmed(hours, records, where)
    empty = [name for name in layers if np.isnan(records[WIRE[name].name]).all()]
    notes += [f"{name} holds no value in these hours and was left out" for name in empty]
    if _RAIN in layers and layers[_RAIN].ends[-1] <= hours[-1]:
        end = layers[_RAIN].ends[-1].astype("datetime64[h]")
        notes.append(f"rain is given until {end}Z only: it is missing in later hours")
    latitude, longitude = _position(answer.get("geometry"), f"{where}, geometry")
    provenance = Provenance(
        SOURCE,
        "forecast",
        LICENCE,
        run_time=moment(properties.get("updateTime"), f"{where}, updateTime"),
        native_step_h=float(layers[_RAIN].lengths.max()) if _RAIN in layers else 1.0,
        latitude=latitude,
        longitude=longitude,
        elevation_m=_elevation(properties.get("elevation"), f"{where}, elevation"),
        file=file,
        notes=tuple(notes),
    )
    return make_weather(hours, {WIRE[n].name: records[WIRE[n].name] for n in layers if n not in empty}, provenance)


# --- the answer as a whole -----------------------------------------------------------------------------


def _properties(answer: dict[str, Any], where: str) -> dict[str, Any]:
    """The properties of an answer, or the service's own error."""
    if "properties" not in answer and isinstance(answer.get("title"), str):
        raise _refusal(answer, where)
    return block(answer, "properties", where)


def _refusal(problem: dict[str, Any], where: str) -> WeatherFileError:
    """The service's own error (application/problem+json) in its own words."""
    status = problem.get("status")
    said = [_words(problem[key]) for key in ("title", "detail") if isinstance(problem.get(key), str)]
    status = status if type(status) is int and 100 <= status <= 599 else 0
    of_status = f" ({status})" if status else ""
    if status == 404:
        fix = "The place may lie at sea or outside the United States: use another source there."
    elif status >= 500:
        fix = "The service is out of order, which may take hours: wait, or use another source."
    else:
        fix = "Mend the request and fetch it again."
    return fault(f'the service refused{of_status}: "{": ".join(said)}"', where, fix)


def _words(text: str) -> str:
    return " ".join(text.split())[:300]


def _position(geometry: object, where: str) -> tuple[float | None, float | None]:
    """Latitude and longitude: those of a point, or of the middle of a grid cell's corners."""
    if geometry is None:
        return None, None
    form = geometry.get("type") if isinstance(geometry, dict) else None
    if not isinstance(geometry, dict) or form not in ("Point", "Polygon"):
        raise fault("it is neither a Point nor a Polygon", where)
    corners = geometry.get("coordinates")
    if form == "Point":
        corners = [corners]
    elif isinstance(corners, list) and corners and isinstance(corners[0], list):
        corners = corners[0][:-1]  # the last corner of a ring is its first one again
    if not isinstance(corners, list) or not corners or not all(_is_pair(corner) for corner in corners):
        raise fault("its coordinates are not of the form that the service writes", where)
    places = np.array([[number(value, where) for value in corner[:2]] for corner in corners])
    if not (np.abs(places) <= (180.0, 90.0)).all():
        raise fault("its coordinates are no longitude and latitude on earth", where)
    longitude, latitude = places.mean(axis=0).tolist()
    return latitude, longitude


def _is_pair(corner: object) -> bool:
    return isinstance(corner, list) and len(corner) in (2, 3)


def _elevation(elevation: object, where: str) -> float | None:
    """Metres above the sea; None unless it is given in metres."""
    if not isinstance(elevation, dict) or _unit(elevation.get("unitCode")) != "m":
        return None
    value = number(elevation.get("value"), where)
    return value if abs(value) < 10_000 else None


# --- layers and their intervals ------------------------------------------------------------------------


def _layers(properties: dict[str, Any], where: str) -> dict[str, _Layer]:
    """The layers that hold a value."""
    found = {}
    for name in WIRE:
        layer = _layer(properties.get(name), name, f"{where}, layer {name}")
        if layer is not None:
            found[name] = layer
    for name in _NEEDED:
        if name not in found:
            what = f"the layer {name} is absent or holds no value"
            raise fault(what, where, "Wait for the next forecast and fetch it again, or use another source.")
    return found


def _layer(raw: object, name: str, where: str) -> _Layer | None:
    """One layer, or None if it is absent or holds nothing."""
    if raw is None:
        return None
    entries = raw.get("values") if isinstance(raw, dict) else None
    if not isinstance(raw, dict) or not isinstance(entries, list):
        raise fault("it has no list of values", where)
    if not entries:
        return None
    starts: list[np.datetime64] = []
    lengths: list[int] = []
    values: list[float] = []
    for row, entry in enumerate(entries):
        here = f"{where}, value {row + 1}"
        if not isinstance(entry, dict) or "value" not in entry:
            raise fault("it is no value with its validTime", here)
        start, length = _interval(entry.get("validTime"), here)
        if starts and start < starts[-1] + lengths[-1] * HOUR:
            what = "overlaps the one before" if start >= starts[-1] else "runs backwards"
            raise fault(f"its interval {shown(entry['validTime'])} {what}", here)
        starts.append(start)
        lengths.append(length)
        values.append(number(entry["value"], here))
    if np.isnan(values).all():
        return None
    if starts[-1] - starts[0] > np.timedelta64(MAX_DAYS, "D"):
        raise fault(f"its intervals span more than {MAX_DAYS} days", where)
    return _Layer(np.array(starts), np.array(lengths), _converted(values, raw.get("uom"), name, entries, where))


def _converted(values: list[float], uom: object, name: str, entries: list[Any], where: str) -> Floats:
    """Values in the unit of the normal form, checked."""
    wire, unit = WIRE[name], _unit(uom)
    if unit not in wire.units:
        what = "its unit (uom) is not stated" if uom is None else f"its unit is {shown(uom)}"
        raise fault(f"{what}; it should be {' or '.join(wire.units)}", where)
    factor, offset = wire.units[unit]
    converted: Floats = np.array(values) * factor + offset
    bad = first_impossible(wire.name, converted)
    if bad is not None:
        here = f"{where}, value {bad + 1} ({entries[bad]['validTime']})"
        raise impossible(f"{values[bad]:g} {unit}", wire.name, here)
    return converted


def _unit(uom: object) -> str:
    """The unit without the name of its vocabulary, of which several have been in use."""
    form = _UNIT.fullmatch(uom) if isinstance(uom, str) else None
    return form[1] if form else ""


def _interval(text: object, where: str) -> tuple[np.datetime64, int]:
    """Start and whole hours of an interval like 2026-06-01T12:00:00+00:00/PT6H."""
    parts = text.split("/") if isinstance(text, str) else []
    if len(parts) != 2:
        raise fault(f"{shown(text)} is no interval like 2026-06-01T12:00:00+00:00/PT6H", f"{where}, validTime")
    start, duration_s = moment(parts[0], f"{where}, validTime"), _duration_s(parts[1], f"{where}, validTime")
    if start.minute or start.second or duration_s % _HOUR_S:
        raise fault(f"{text} does not begin and end on the full hour", f"{where}, validTime")
    return np.datetime64(start.replace(tzinfo=None), "s"), duration_s // _HOUR_S


def _duration_s(text: str, where: str) -> int:
    """Seconds of an ISO 8601 duration made of days, hours, minutes and seconds, such as P1DT6H.

    Months and years have no fixed length and are refused; so are weeks and fractions, which the service does
    not write.
    """
    form = _DURATION.fullmatch(text)
    if form is None:
        raise fault(f"{shown(text)} is no duration like PT6H or P1DT6H", where)
    days, hours, minutes, seconds = (int(part or 0) for part in form.groups())
    total_s = ((days * 24 + hours) * 60 + minutes) * 60 + seconds
    if not 0 < total_s <= MAX_DAYS * 24 * _HOUR_S:
        raise fault(f"{shown(text)} is not between an hour and {MAX_DAYS} days", where)
    return total_s


# --- from intervals to hours ---------------------------------------------------------------------------


def _hours(layers: dict[str, _Layer], where: str) -> Times:
    """All hours for which temperature or wind is given."""
    first = min(layers[name].starts[0] for name in _NEEDED)
    end = max(layers[name].ends[-1] for name in _NEEDED)
    if end - first > np.timedelta64(2 * MAX_DAYS, "D"):
        raise fault(f"temperature and wind lie more than {MAX_DAYS} days apart", where)
    return np.arange(first, end, HOUR)


def _onto(layer: _Layer, hourly: Floats, hours: Times) -> Floats:
    """All hours of a layer laid on a series of hours, shape (1, n_hours); what lies outside of it is dropped."""
    at = hours_of(layer.starts, layer.lengths, hours[0])
    inside = (at >= 0) & (at < len(hours))
    laid = np.full((1, len(hours)), np.nan)
    laid[0, at[inside]] = hourly[inside]
    return laid


def _rain(layer: _Layer, table: WetHours, seed: int, notes: list[str]) -> Floats:
    """Rain of every hour of the layer; a wet interval that is too long to be placed is missing."""
    too_long = (layer.lengths > MAX_STEP_H) & (layer.values > 0)
    if too_long.any():
        notes.append(f"{too_long.sum()} totals of rain over more than {MAX_STEP_H} hours count as missing")
    if (layer.lengths > 1).any():
        longest = layer.lengths.max()
        notes.append(f"rain comes in totals of up to {longest} hours and is placed in wet hours {table.basis}")
    totals = np.where(too_long, np.nan, layer.values)
    return spread_rain(totals, layer.lengths, table, step_draws(layer.starts, 1, seed)[0])
