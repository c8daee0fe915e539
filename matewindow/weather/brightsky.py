"""Answers of Bright Sky's ``/weather``: stations and MOSMIX of Deutscher Wetterdienst, read from their JSON.

What the values mean (documentation of the service):

============== ===================== ================ ==========================================
value          unit, ``dwd`` (``si``) stamped          becomes
============== ===================== ================ ==========================================
temperature    °C (K)                at the instant   ``temp_c``, mean of the hour's two ends
cloud_cover    %                     at the instant   ``cloud_frac``, likewise
wind_speed     km/h (m/s)            mean of the hour ``wind_ms`` of the hour that ends there
                                     before
precipitation  mm (kg/m²)            sum of the hour  ``rain_mm`` of the hour that ends there
                                     before
solar          kWh/m² (J/m²)         sum of the hour  ``ghi_wm2`` of the hour that ends there
                                     before
============== ===================== ================ ==========================================

The answer does not say in which units it is: ``dwd`` unless the request asked for ``si``. Of the wrong choice
the temperatures come out impossible. (Of rows of the forecast, MOSMIX's own description gives the wind at the
instant; the service calls it a mean of the hour before as for stations, and that is followed.)

One list holds rows of stations and, behind them, rows of the forecast. Which is which stands with the sources.
They are told apart hour by hour:

- An hour belongs to the row at its **end**, which gives its rain, wind and radiation. So the hour from the last
  observed stamp to the first forecast stamp is forecast; its temperature and cloud are the mean of the observed
  value at its beginning and the forecast one at its end. No hour is in both parts, none between them is lost.
- A forecast row that stands among observed ones fills in for a station that was silent. It is no observation:
  the hours that it begins and ends are missing.
- So is a single value that the service took over from a forecast into an observed row (``fallback_source_ids``).
  Values taken over from another station count; the notes say how many rows hold one.

Rows of recent observations have no ``solar``: it is missing, and light is then told from cloud. The answer
does not say when the forecast was issued.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Literal

import numpy as np

from matewindow.errors import RequestError, WeatherFileError
from matewindow.units import MS_PER_KMH
from matewindow.weather.files import (
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
from matewindow.weather.hours import HOUR, hour_records
from matewindow.weather.normal import Kind, Provenance, Weather, make_weather

if TYPE_CHECKING:
    from collections.abc import Mapping
    from datetime import datetime
    from pathlib import Path

    from numpy.typing import NDArray

    Floats = NDArray[np.float64]
    Flags = NDArray[np.bool_]
    Times = NDArray[np.datetime64]

SOURCE = "Bright Sky"
LICENCE = "Deutscher Wetterdienst via Bright Sky"
OBSERVED, FORECAST = ("historical", "current", "synop"), ("forecast",)
"""The kinds of sources."""

Units = Literal["dwd", "si"]


@dataclass(frozen=True)
class _Wire:
    name: str
    stamped: Literal["instant", "preceding"]
    units: Mapping[str, tuple[str, float, float]]


WIRE = {
    "temperature": _Wire("temp_c", "instant", {"dwd": ("°C", 1.0, 0.0), "si": ("K", 1.0, -273.15)}),
    "wind_speed": _Wire("wind_ms", "preceding", {"dwd": ("km/h", MS_PER_KMH, 0.0), "si": ("m/s", 1.0, 0.0)}),
    "precipitation": _Wire("rain_mm", "preceding", {"dwd": ("mm", 1.0, 0.0), "si": ("kg/m²", 1.0, 0.0)}),
    "solar": _Wire("ghi_wm2", "preceding", {"dwd": ("kWh/m²", 1000.0, 0.0), "si": ("J/m²", 1.0 / 3600.0, 0.0)}),
    "cloud_cover": _Wire("cloud_frac", "instant", {"dwd": ("%", 0.01, 0.0), "si": ("%", 0.01, 0.0)}),
}
"""Value of the service -> column of the normal form, time stamp, and by units: their name, factor, offset."""

_MAX_SPAN = np.timedelta64(30 * 366, "D")  # the service has no data before 2010
_ASK = "Ask /weather for a longer span of dates, or for another station."


@dataclass(frozen=True)
class BrightSky:
    """The two parts of an answer; one that holds no whole hour is None, but never both.

    ``observed`` ends where ``forecast`` begins, unless the service left out hours in between.
    """

    observed: Weather | None
    forecast: Weather | None


def read_weather(path: str | Path, *, units: Units = "dwd") -> BrightSky:
    """Read a saved answer of ``/weather``. See ``parse_weather``."""
    return parse_weather(read_text(path), file=str(path), units=units)


def parse_weather(text: str, *, file: str | None = None, units: Units = "dwd") -> BrightSky:
    """Read an answer of ``/weather`` for one place.

    Args:
        text: the answer, JSON.
        file: name of the file it was saved in, for errors and for the provenance.
        units: those that were asked for; the service's own default is ``dwd``.

    Returns:
        Observed weather (kind "observation") and the forecast behind it (kind "forecast"), one member each,
        from the first to the last hour with temperature and wind. Their place is that of the nearest station
        of their rows.

    Raises:
        WeatherFileError: no such answer, the service's own refusal, a row from a source that is not listed or of
            an unknown kind, times that are not on the hour or not in order, impossible values, no whole hour
            with temperature and wind. The text names the file, the row (counted from 1) and the value.
        RequestError: other units.
    """
    where = file or "Bright Sky answer"
    answer = json_object(text, where)
    if "detail" in answer and "weather" not in answer:
        raise _refusal(answer["detail"], where)
    if units not in ("dwd", "si"):
        raise RequestError(f"there are no units {units!r}", where="units", fix="The units are dwd or si.")
    rows = _rows(answer, units, where)
    observed, forecast = _observed(rows, file), _forecast(rows, file)
    if observed is None and forecast is None:
        raise fault("no hour in it has both temperature and wind", where, _ASK)
    n_observed = int(np.count_nonzero(~rows.is_forecast))
    if observed is None and forecast is not None and n_observed > 1:
        forecast = forecast.with_notes(f"{n_observed} observed rows make no whole hour and were left out")
    return BrightSky(observed, forecast)


def _refusal(detail: object, where: str) -> WeatherFileError:
    """The service's own error in its own words: one sentence, or a list of what is wrong with the request."""
    said = [detail] if isinstance(detail, str) else []
    for entry in detail if isinstance(detail, list) else []:
        if isinstance(entry, dict) and isinstance(entry.get("msg"), str):
            place = entry["loc"] if isinstance(entry.get("loc"), list) else []
            said.append(" ".join([*(f"{part}:" for part in place[-1:]), entry["msg"]]))
    words = "; ".join(" ".join(text.split()) for text in said)[:300]
    what = f'the service refused: "{words}"' if words else "the service refused"
    return fault(what, where, "Mend the request, or ask for another place or date.")


# --- rows and sources ----------------------------------------------------------------------------------


@dataclass(frozen=True)
class _Rows:
    """All rows, checked: n_rows of everything.

    ``values`` are in the units of the normal form; ``other`` marks those taken over from another station, and
    ``filled`` those of observed rows that the service took over from a forecast.
    """

    where: str
    stamps: Times
    source_ids: list[int]
    sources: Mapping[int, dict[str, Any]]
    is_forecast: Flags
    values: Mapping[str, Floats]
    other: Mapping[str, Flags]
    filled: Mapping[str, Flags]

    @property
    def n_before(self) -> int:
        """Number of rows up to the last observed one."""
        observed = np.flatnonzero(~self.is_forecast)
        return int(observed[-1]) + 1 if len(observed) else 0


def _rows(answer: dict[str, Any], units: Units, where: str) -> _Rows:
    sources = _sources(answer.get("sources"), where)
    rows = answer.get("weather")
    if not isinstance(rows, list) or not rows:
        raise fault("there are no rows (weather) in it", where, _ASK)
    for row, entry in enumerate(rows):
        if not isinstance(entry, dict):
            raise fault(f"{shown(entry)} is no row", f"{where}, row {row + 1}")
    stamps = _stamps([entry.get("timestamp") for entry in rows], where)
    places = [f"{where}, row {row + 1} ({stamp}Z)" for row, stamp in enumerate(stamps)]
    of = [_source(entry.get("source_id"), sources, place) for entry, place in zip(rows, places, strict=True)]
    is_forecast = np.array([source["observation_type"] in FORECAST for source in of])
    other, filled = {}, {}
    for key in WIRE:
        lenders = [_lender(entry, key, sources, place) for entry, place in zip(rows, places, strict=True)]
        of_forecast = np.array([lender is not None and lender["observation_type"] in FORECAST for lender in lenders])
        filled[key] = of_forecast & ~is_forecast
        other[key] = np.array([lender is not None for lender in lenders]) & ~filled[key]
    values = {key: _values(rows, key, units, places) for key in WIRE}
    ids = [source["id"] for source in of]
    return _Rows(where, stamps, ids, sources, is_forecast, values, other, filled)


def _sources(entries: object, where: str) -> dict[int, dict[str, Any]]:
    if not isinstance(entries, list):
        raise fault("there is no list of sources in it", where)
    sources = {}
    for row, entry in enumerate(entries):
        if not isinstance(entry, dict) or type(entry.get("id")) is not int:
            raise fault("it has no id", f"{where}, source {row + 1}")
        sources[entry["id"]] = entry
    return sources


def _source(source_id: object, sources: Mapping[int, dict[str, Any]], where: str) -> dict[str, Any]:
    """The source of a row or value: one that is listed, and of a kind that is known."""
    source = sources.get(source_id) if type(source_id) is int else None
    if source is None:
        raise fault(f"its source {shown(source_id)} is not among the sources of the answer", where)
    kind = source.get("observation_type")
    if not isinstance(kind, str) or kind not in (*OBSERVED, *FORECAST):
        what = f"it is from a source of the kind {shown(kind)}; known are {', '.join((*OBSERVED, *FORECAST))}"
        raise fault(what, where, "The service has changed: nothing can be read until the program is changed too.")
    return source


def _lender(
    entry: dict[str, Any], key: str, sources: Mapping[int, dict[str, Any]], where: str
) -> dict[str, Any] | None:
    """The other source that a value was taken over from, or None."""
    lenders = entry.get("fallback_source_ids")
    if lenders is None:
        return None
    if not isinstance(lenders, dict):
        raise fault("it is no list of values and sources", f"{where}, fallback_source_ids")
    return _source(lenders[key], sources, f"{where}, {key}") if key in lenders else None


def _stamps(texts: list[Any], where: str) -> Times:
    """Times in UTC: on the hour, increasing."""
    stamps: list[datetime] = []
    for row, text in enumerate(texts):
        here = f"{where}, row {row + 1}, timestamp"
        stamp = moment(text, here)
        if stamp.minute or stamp.second:
            raise fault(f"{text} is not on the hour in UTC", here)
        if stamps and stamp <= stamps[-1]:
            raise fault(f"{text} {'stands there twice' if stamp == stamps[-1] else 'runs backwards'}", here)
        stamps.append(stamp)
    times = np.array([stamp.replace(tzinfo=None) for stamp in stamps], dtype="datetime64[s]")
    if times[-1] - times[0] > _MAX_SPAN:
        raise fault("its times span more than 30 years", where)
    return times


def _values(rows: list[dict[str, Any]], key: str, units: Units, places: list[str]) -> Floats:
    """One value of all rows in the unit of the normal form, NaN where missing."""
    wire = WIRE[key]
    unit, factor, offset = wire.units[units]
    raw = np.array([number(entry.get(key), f"{place}, {key}") for entry, place in zip(rows, places, strict=True)])
    values: Floats = raw * factor + offset
    bad = first_impossible(wire.name, values)
    if bad is not None:
        fix = f"It was read in units={units}: say so if the request asked for others, or fetch it again."
        raise impossible(f"{raw[bad]:g} {unit}", wire.name, f"{places[bad]}, {key}", fix)
    return values


# --- the two parts -------------------------------------------------------------------------------------


def _observed(rows: _Rows, file: str | None) -> Weather | None:
    """Hours that end and begin with observed rows."""
    at = np.flatnonzero(~rows.is_forecast)
    if len(at) == 0:
        return None
    values = {key: np.where(rows.filled[key], np.nan, rows.values[key])[at] for key in WIRE}
    notes = []
    between = int(np.count_nonzero(rows.is_forecast[at[0] : at[-1]]))
    if rows.n_before > len(at):
        notes.append(f"rows of forecast before the last observed row were passed over: {rows.n_before - len(at)}")
    for key in WIRE:
        n_filled = int(np.count_nonzero(rows.filled[key]))
        if n_filled:
            notes.append(
                f"{key} was filled in from a forecast in {n_filled} of {len(at)} rows and counts as missing there"
            )
    absent = int((rows.stamps[at[-1]] - rows.stamps[at[0]]) / HOUR) + 1 - len(at) - between
    return _weather(rows, at, values, "observation", absent, notes, file)


def _forecast(rows: _Rows, file: str | None) -> Weather | None:
    """Hours that end with a row behind the last observed one, which stands at the beginning of the first."""
    behind = rows.n_before
    if behind == len(rows.stamps):
        return None
    at = np.arange(max(behind - 1, 0), len(rows.stamps))
    values = {key: rows.values[key][at] for key in WIRE}  # the hour that the first one ends has no beginning here
    absent = int((rows.stamps[at[-1]] - rows.stamps[at[0]]) / HOUR) + 1 - len(at)
    return _weather(rows, at, values, "forecast", absent, [], file)


def _weather(
    rows: _Rows,
    at: NDArray[np.intp],
    values: Mapping[str, Floats],
    kind: Kind,
    absent: int,
    notes: list[str],
    file: str | None,
) -> Weather | None:
    """Bring some rows to hours; None if no hour has both temperature and wind."""
    stamped: dict[str, dict[str, Floats]] = {"instant": {}, "preceding": {}}
    for key, wire in WIRE.items():
        stamped[wire.stamped][wire.name] = values[key][np.newaxis]
    try:
        hours, records = trimmed(*hour_records(rows.stamps[at], **stamped), rows.where)
    except WeatherFileError:
        return None
    mine = at[rows.is_forecast[at] == (kind == "forecast")]
    for key, wire in WIRE.items():
        if np.isnan(records[wire.name]).all():
            del records[wire.name]
            notes.append(f"{key} holds no value and was left out")
            continue
        n_other = int(np.count_nonzero(rows.other[key][mine]))
        if n_other:
            notes.append(f"{key} comes from another station in {n_other} of {len(mine)} rows")
    if absent:
        notes.append(f"{absent} hours are absent from the file and count as missing")
    return make_weather(hours, records, _provenance(rows, mine, kind, notes, file))


def _provenance(rows: _Rows, mine: NDArray[np.intp], kind: Kind, notes: list[str], file: str | None) -> Provenance:
    """Where a part came from: its nearest station."""
    used = [rows.sources[source_id] for source_id in dict.fromkeys(rows.source_ids[row] for row in mine)]
    away_m = [_metres(source, rows.where) for source in used]
    nearest = used[int(np.argmin(away_m))]
    here = f"{rows.where}, source {nearest['id']}"
    latitude, longitude = (number(nearest.get(key), f"{here}, {key}") for key in ("lat", "lon"))
    if not (abs(latitude) <= 90.0 and abs(longitude) <= 180.0):
        raise fault(f"lat {latitude:g}, lon {longitude:g} is no place on earth", here)
    height = number(nearest.get("height"), f"{here}, height")
    if len(used) > 1:
        notes.append(f"rows come from {len(used)} sources; the place is that of the nearest")
    return Provenance(
        SOURCE,
        kind,
        LICENCE,
        model="MOSMIX" if kind == "forecast" else None,
        latitude=latitude,
        longitude=longitude,
        elevation_m=height if abs(height) < 10_000 else None,
        file=file,
        notes=tuple(notes),
    )


def _metres(source: dict[str, Any], where: str) -> float:
    """Distance to the place that was asked for; endless if the request named a station instead."""
    distance = number(source.get("distance"), f"{where}, source {source['id']}, distance")
    return np.inf if np.isnan(distance) else distance
