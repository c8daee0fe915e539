"""Answers of MET Norway's Locationforecast 2.0, ``compact`` or ``complete``, read from their JSON.

What the values mean (data model and description of the format by MET Norway):

========================= ==================================== ==========================================
value                     belongs to                           becomes
========================= ==================================== ==========================================
air_temperature           the instant of its step              ``temp_c``, mean of the hour's two ends
wind_speed                the instant, 10 min mean at 10 m     ``wind_ms``, likewise
cloud_area_fraction       the instant                          ``cloud_frac``, likewise
precipitation_amount of   the hour that *begins* at the step   ``rain_mm`` of that hour
next_1_hours
precipitation_amount of   the six hours that begin there       ``rain_mm``, placed in wet hours
next_6_hours
========================= ==================================== ==========================================

The first two days and a bit come in steps of an hour, the rest in steps of six. Windows of six hours that
begin at hourly steps overlap and are passed over. The last step is an instant only. There is no radiation:
light is told from cloud. A value that is left out is missing, not zero.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np

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
from matewindow.weather.hours import HOUR, MAX_DAYS, hour_records, hours_of
from matewindow.weather.normal import VARIABLES, Kind, Provenance, Weather, make_weather
from matewindow.weather.steps import NO_RECORD, WetHours, smooth, spread_rain, step_draws

if TYPE_CHECKING:
    from datetime import datetime
    from pathlib import Path

    from numpy.typing import NDArray

    Floats = NDArray[np.float64]
    Times = NDArray[np.datetime64]

SOURCE = "MET Norway"
LICENCE = "Data from MET Norway (CC BY 4.0, NLOD 2.0)"
N_MEMBERS = 11
"""Members made from percentiles: ten and more are no thin ensemble, and of an odd number one is the
middle."""


@dataclass(frozen=True)
class _Wire:
    name: str
    unit: str
    factor: float


WIRE = {
    "air_temperature": _Wire("temp_c", "celsius", 1.0),
    "wind_speed": _Wire("wind_ms", "m/s", 1.0),
    "cloud_area_fraction": _Wire("cloud_frac", "%", 0.01),
    "precipitation_amount": _Wire("rain_mm", "mm", 1.0),
}
"""Value of the service -> column of the normal form, the unit it must have, factor."""

# Places of temperature, wind and rain among their eleven ranks, member by member. Each number stands once in
# a row, so each variable is spread as its percentiles say; the rows are unrelated (correlation of the normal
# scores under 0.02), the middle member has the middle of everything, and opposite members are opposites.
_RANKS = (
    (0, 1, 2, 3, 4, 5, 6, 7, 8, 9, 10),
    (9, 2, 3, 0, 6, 5, 4, 10, 7, 8, 1),
    (2, 7, 10, 1, 6, 5, 4, 9, 0, 3, 8),
)
_Z90 = 1.2815515594457412
"""The 90th percentile of the standard normal distribution (NIST/SEMATECH e-Handbook, 1.3.6.7.1: 1.2816)."""
_PERIODS = {"next_1_hours": 1, "next_6_hours": 6}


def read_locationforecast(path: str | Path, *, table: WetHours | None = None) -> Weather:
    """Read a saved answer of Locationforecast. See ``parse_locationforecast``."""
    return parse_locationforecast(read_text(path), file=str(path), table=table)


def parse_locationforecast(
    text: str, *, file: str | None = None, table: WetHours | None = None, seed: int = 0
) -> Weather:
    """Read an answer of Locationforecast, ``compact`` or ``complete``, as a single run.

    Args:
        text: the answer, JSON.
        file: name of the file it was saved in, for errors and for the provenance.
        table: how totals of six hours fall into hours at the place; that of another place if there is none.
        seed: of the draws that place them, see ``steps.step_draws``.

    Returns:
        Weather of kind "forecast" with one member, from the first to the last hour for which temperature and
        wind are known at both ends.

    Raises:
        WeatherFileError: no such answer, a block that is missing, units other than those of the data model,
            times that are not on the hour or run backwards, no temperature or no wind, impossible values. The
            text names the file, the step (counted from 1) and the value.
    """
    answer = _answer(text, file)
    instants = {wire.name: answer.instant(key) for key, wire in WIRE.items() if key != "precipitation_amount"}
    totals = answer.period("precipitation_amount")
    return _weather(answer, instants, totals, table or NO_RECORD, seed, "forecast", ())


def parse_spread(text: str, *, file: str | None = None, table: WetHours | None = None, seed: int = 0) -> Weather | None:
    """Make a small ensemble from the percentiles of a ``complete`` answer.

    The service gives, for each step by itself, the 10th and 90th percentile of temperature and wind and the
    least and most rain that is likely. What is made of it is judgement, in these points:

    - A member keeps one rank of each variable from the first step to the last. Real members cross; so spells
      of good or bad weather come out too long and sums over days too far apart.
    - The ranks of temperature, wind and rain are unrelated, whatever the weather of the day. Cloud is the
      same in all members.
    - Temperature and wind follow two halves of normal distributions that meet at the forecast value and pass
      through the percentiles. Where the forecast value lies outside the percentiles (another model has made
      it), they meet at the nearer of them. Wind stays at or above 0.
    - Least and most likely rain are taken for percentiles 10 and 90 (the data model does not say) and the
      forecast for the median, with straight lines between, from 0 at the lowest rank to a quarter of the last
      piece more at the highest.
    - A step without percentiles has no spread.

    Args:
        text: the answer, JSON.
        file: name of the file it was saved in, for errors and for the provenance.
        table: as ``parse_locationforecast``.
        seed: as there; each member draws for itself.

    Returns:
        Weather of kind "spread" with ``N_MEMBERS`` members, the sixth the middle one, its hours as in
        ``parse_locationforecast``. None if fewer than half of the steps have percentiles of temperature and
        wind, as in a ``compact`` answer and outside the regions for which the service computes them.

    Raises:
        WeatherFileError: as ``parse_locationforecast``, and for percentiles in the wrong order.
    """
    answer = _answer(text, file)
    instants = {"cloud_frac": answer.instant("cloud_area_fraction")}
    made = (
        f"{N_MEMBERS} members were made from percentiles: each keeps its rank in time, so that persistence is "
        "overstated, and ranks of temperature, wind and rain are unrelated"
    )
    notes = [made]
    for key, ranks in zip(("air_temperature", "wind_speed"), _RANKS[:2], strict=True):
        middle = answer.instant(key)
        low, high = answer.band(key, "percentile_10", "percentile_90")
        known = np.isfinite(low) & np.isfinite(high)
        if 2 * np.count_nonzero(known) < len(middle):
            return None
        outside = np.count_nonzero((middle < low) | (middle > high))
        if outside:
            notes.append(f"{key} lies outside its percentiles in {outside} of {len(middle)} steps")
        if not known.all():
            notes.append(f"{key} has no percentiles, hence no spread, in {len(middle) - known.sum()} steps")
        instants[WIRE[key].name] = np.maximum(_two_halves(middle, low, high, ranks), VARIABLES[WIRE[key].name].low)
    totals = _straight_lines(answer, _RANKS[2])
    return _weather(answer, instants, totals, table or NO_RECORD, seed, "spread", tuple(notes))


def _weather(
    answer: _Answer,
    instants: dict[str, Floats],
    totals: Floats,
    table: WetHours,
    seed: int,
    kind: Kind,
    notes: tuple[str, ...],
) -> Weather:
    """Bring steps to hours. Arrays have the shape (..., n_steps), that of ``totals`` (..., n_periods)."""
    stamps = answer.stamps
    wanted = np.arange(stamps[0], stamps[-1] + HOUR, HOUR)
    fine = {name: smooth(stamps, values, wanted) for name, values in instants.items()}
    n_members = max(values.size // values.shape[-1] for values in (*fine.values(), totals))
    fine = {name: np.broadcast_to(values, (n_members, len(wanted))) for name, values in fine.items()}
    starts, lengths = stamps[answer.at], answer.lengths
    draws = step_draws(starts, n_members, seed)
    rain = np.full((n_members, len(wanted)), np.nan)
    rain[:, hours_of(starts, lengths, wanted[0])] = spread_rain(
        np.broadcast_to(totals, draws.shape), lengths, table, draws
    )
    hours, records = hour_records(wanted, instant=fine, following={"rain_mm": rain})
    hours, records = trimmed(hours, records, answer.where)
    for key, wire in WIRE.items():
        if np.isnan(records[wire.name]).all():
            del records[wire.name]
            notes += (f"{key} holds no value and was left out",)
    coarse = np.flatnonzero(np.diff(stamps) > HOUR)
    if len(coarse):
        since = stamps[coarse[0]].astype("datetime64[h]")
        note = (
            f"from {since}Z on the source gives steps of up to 6 hours: temperature, wind and cloud follow a smooth "
            "curve, which may cut afternoon peaks by half a degree, and rain is placed in wet hours "
            f"{table.basis}, totals kept"
        )
        notes += (note,)
    provenance = Provenance(
        SOURCE,
        kind,
        LICENCE,
        run_time=answer.updated_at,
        native_step_h=6.0 if len(coarse) else 1.0,
        latitude=answer.latitude,
        longitude=answer.longitude,
        elevation_m=answer.elevation_m,
        file=answer.file,
        notes=notes,
    )
    return make_weather(hours, records, provenance)


def _two_halves(middle: Floats, low: Floats, high: Floats, ranks: tuple[int, ...]) -> Floats:
    """Values of members at their ranks, shape (n_members, n); without percentiles they are the middle."""
    from scipy.special import ndtri  # slow to load

    z = ndtri((np.array(ranks) + 0.5) / len(ranks))[:, np.newaxis] / _Z90
    centre = np.clip(middle, low, high)
    values = centre + np.where(z > 0, z * (high - centre), z * (centre - low))
    return np.where(np.isnan(values), middle, values)


def _straight_lines(answer: _Answer, ranks: tuple[int, ...]) -> Floats:
    """Rain of members at their ranks, shape (n_members, n_periods)."""
    amount = answer.period("precipitation_amount")
    low, high = answer.period("precipitation_amount_min"), answer.period("precipitation_amount_max")
    low, high = np.fmin(low, amount), np.fmax(high, amount)  # the amount itself where one is missing
    at_knots = np.array([np.zeros_like(amount), low, amount, high, high + 0.25 * (high - amount)])
    places = (np.array(ranks) + 0.5) / len(ranks)
    knots = (0.0, 0.1, 0.5, 0.9, 1.0)
    weights = np.array([np.interp(places, knots, row) for row in np.eye(len(knots))])
    rain: Floats = np.where(np.isnan(amount), np.nan, weights.T @ np.nan_to_num(at_knots))
    return np.where(high > low, rain, amount)  # no spread given: no spread made


# --- the answer ----------------------------------------------------------------------------------------


@dataclass(frozen=True)
class _Answer:
    """One answer, its times checked; values are checked as they are asked for."""

    where: str
    file: str | None
    stamps: Times
    steps: list[dict[str, Any]]
    units: dict[str, Any]
    updated_at: datetime
    latitude: float
    longitude: float
    elevation_m: float | None
    at: NDArray[np.intp]
    lengths: NDArray[np.int64]

    def instant(self, key: str) -> Floats:
        """A value at every step in the unit of the normal form, NaN where left out; shape (n_steps,)."""
        return self._values(key, list(range(len(self.steps))), ["instant"] * len(self.steps))

    def period(self, key: str) -> Floats:
        """A value of every period of rain, likewise; shape (n_periods,)."""
        names = {hours: name for name, hours in _PERIODS.items()}
        return self._values(key, self.at.tolist(), [names[hours] for hours in self.lengths.tolist()])

    def band(self, key: str, low: str, high: str) -> tuple[Floats, Floats]:
        """Two percentiles of a value."""
        lower, upper = self.instant(f"{key}_{low}"), self.instant(f"{key}_{high}")
        wrong = np.flatnonzero(lower > upper)
        if len(wrong):
            what = f"{key}_{low} lies above {key}_{high}"
            raise fault(what, f"{self.where}, step {wrong[0] + 1} ({self.stamps[wrong[0]]}Z)")
        return lower, upper

    def _values(self, key: str, rows: list[int], blocks: list[str]) -> Floats:
        raw = [_details(self.steps[row], block).get(key) for row, block in zip(rows, blocks, strict=True)]
        values = np.full(len(raw), np.nan)
        if all(value is None for value in raw):
            return values
        base = next(name for name in WIRE if key.startswith(name))
        wire = WIRE[base]
        self._check_unit(key, base)
        for i, value in enumerate(raw):
            here = f"{self.where}, step {rows[i] + 1} ({self.stamps[rows[i]]}Z), {key}"
            values[i] = number(value, here) * wire.factor
            if first_impossible(wire.name, values[i : i + 1]) is not None:
                raise impossible(f"{value} {wire.unit}", wire.name, here)
        return values

    def _check_unit(self, key: str, base: str) -> None:
        unit, wanted = self.units.get(key, self.units.get(base)), WIRE[base].unit
        if unit != wanted:
            what = "its unit is not stated" if unit is None else f"its unit is {shown(unit)}"
            fix = "The service has changed its units: nothing can be read until the program is changed too."
            raise fault(f"{what}; it should be {wanted}", f"{self.where}, meta.units, {key}", fix)


def _answer(text: str, file: str | None) -> _Answer:
    where = file or "MET Norway answer"
    answer = json_object(text, where)
    properties = block(answer, "properties", where)
    meta = block(properties, "meta", where)
    steps = properties.get("timeseries")
    if not isinstance(steps, list) or len(steps) < 2:
        raise fault("there is no list of at least two steps (timeseries) in it", where)
    for row, step in enumerate(steps):
        _check_step(step, f"{where}, step {row + 1}")
    stamps = _stamps([step.get("time") for step in steps], where)
    latitude, longitude, elevation_m = _position(answer, where)
    at, lengths = _periods(stamps, steps)
    return _Answer(
        where,
        file,
        stamps,
        steps,
        block(meta, "units", where),
        moment(meta.get("updated_at"), f"{where}, meta.updated_at"),
        latitude,
        longitude,
        elevation_m,
        at,
        lengths,
    )


def _check_step(step: object, where: str) -> None:
    """Refuse a step whose blocks are no blocks; what is absent is missing."""
    if not isinstance(step, dict) or not isinstance(step.get("data"), dict):
        raise fault('it has no "data"', where)
    if "instant" not in step["data"]:
        raise fault('it has no "instant"', where)
    for name in ("instant", *_PERIODS):
        inner = step["data"].get(name, {})
        if not isinstance(inner, dict) or not isinstance(inner.get("details", {}), dict):
            raise fault(f'its "{name}" is not of the form that the service writes', where)


def _details(step: dict[str, Any], block_name: str) -> dict[str, Any]:
    details: dict[str, Any] = step["data"].get(block_name, {}).get("details", {})
    return details


def _stamps(texts: list[Any], where: str) -> Times:
    """Times in UTC: on the hour, increasing."""
    stamps: list[datetime] = []
    for row, text in enumerate(texts):
        here = f"{where}, step {row + 1}, time"
        stamp = moment(text, here)
        if stamp.minute or stamp.second:
            raise fault(f"{text} is not on the hour", here)
        if stamps and stamp <= stamps[-1]:
            raise fault(f"{text} {'stands there twice' if stamp == stamps[-1] else 'runs backwards'}", here)
        stamps.append(stamp)
    if (stamps[-1] - stamps[0]).days > MAX_DAYS:
        raise fault(f"its times span more than {MAX_DAYS} days", where)
    return np.array([stamp.replace(tzinfo=None) for stamp in stamps], dtype="datetime64[s]")


def _periods(stamps: Times, steps: list[dict[str, Any]]) -> tuple[NDArray[np.intp], NDArray[np.int64]]:
    """Rows whose rain is used and how many hours it covers: no period reaches beyond the next step."""
    gap_h = np.diff(stamps) / HOUR
    has_six = np.array(["next_6_hours" in step["data"] for step in steps[:-1]])
    return np.arange(len(gap_h)), np.where(has_six & (gap_h >= 6), 6, 1)


def _position(answer: dict[str, Any], where: str) -> tuple[float, float, float | None]:
    here = f"{where}, geometry.coordinates"
    place = block(answer, "geometry", where).get("coordinates")
    if not isinstance(place, list) or not 2 <= len(place) <= 3:
        raise fault("it is no longitude, latitude and altitude", here)
    longitude, latitude, *altitude = (number(value, here) for value in place)
    if not (abs(latitude) <= 90.0 and abs(longitude) <= 180.0):
        raise fault(f"longitude {longitude:g}, latitude {latitude:g} is no place on earth", here)
    known = bool(altitude) and abs(altitude[0]) < 10_000
    return latitude, longitude, altitude[0] if known else None
