"""What a forecast model gets wrong at a site time and again, learnt from its earlier forecasts and taken out.

Earlier forecasts are set against the later analysis of the same hours. That analysis has to be the one that the
past years come from: a path that changes from forecast to past year then meets no step there. What a station or
a hive shows against the analysis goes on both equally and is no matter of this module.

Apart for night, morning and afternoon and for near, middle and far lead days, with n the number of different
days (the hours of one day err together), f the forecasts and o the analysis::

    b = n / (n + n0) * (mean f - mean o)            no matter how many hours and lead days are behind it

=============  ===============================================================  ======================
temperature    f - b                                                            at most 4 K up or down
wind           f * (1 - b / mean f), which takes b off the mean                 half to twice
rain           f and o are shares of wet hours (0.1 mm or more); the forecast   threshold 0.02 to
               amount that the share ``mean f - b`` reaches becomes 0.1 mm      0.5 mm
=============  ===============================================================  ======================

The line for rain is the matching of frequencies that begins local intensity scaling (Schmidli, Frei and Vidale
2006, Int. J. Climatol. 26, 679-689, doi 10.1002/joc.1287; from memory), with amounts changed only where they are
small: straight lines through 0, the threshold and 1 mm take them to 0, 0.1 mm and 1 mm. So hours below the
threshold become dry (under 0.1 mm), order is kept, no rain is made out of none, and 1 mm or more stays.

n0 is the variance of the daily errors over that of the bias between sites and seasons, in days. 12, and 8 to 15 as
its range, is judgement, and so are the limits of the table, the 10 days below which nothing is corrected, and the
hours of the groups. Light and cloud are left as they are.

What it is worth: with one airport of New York taken for the forecast of the next, 2013, learnt from 42 days and used
on the three after these, mean squared errors of temperature fell by 24 %, of wind by 14 %. Without any bias, in
invented seasons whose errors last for days, they rose by 1 to 2 % in the mean, and of 1,000 hours 1 to 3 more were
wrongly wet or dry (tests/weather/test_bias.py).

What this does not do: where few amounts lie near 0.1 mm the threshold of rain may move far for a small share of
hours; it takes out bias, not a wrong spread; it goes from single runs to the members of an ensemble as if they
erred alike; a bias that comes only in some weather or season is averaged over what it is learnt from, which is the
choice of the caller.
"""

from __future__ import annotations

import math
from dataclasses import asdict, dataclass, replace
from datetime import date
from itertools import groupby
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd

from matewindow.errors import InputError, ParameterError
from matewindow.timegrid import solar_days
from matewindow.weather.files import is_number
from matewindow.weather.normal import HOUR, VARIABLES, Weather
from matewindow.weather.steps import NO_RECORD, WET_MM, WetHours, respread

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable, Iterator, Mapping

    from numpy.typing import NDArray

    from matewindow.weather.openmeteo_runs import PreviousRuns

    Floats = NDArray[np.float64]
    Whole = NDArray[np.int64]

N0_DAYS = 12.0
"""Days of error after which a mean counts half; judgement, like the range."""
N0_RANGE_DAYS = (8.0, 15.0)
MIN_DAYS = 10
"""With fewer days nothing is corrected."""
LEAD_GROUPS = ((1, 3), (4, 7), (8, 16))
"""First and last lead day, counted in solar days from today. The last group inherits from the one before where it
has no archive of its own. Today (0) is corrected as days 1 to 3: a step at midnight would be of our own making."""
HOUR_GROUPS = {
    "afternoon": tuple(range(10, 18)),
    "morning": tuple(range(4, 10)),
    "night": (18, 19, 20, 21, 22, 23, 0, 1, 2, 3),
}
"""Hours of the solar day: the middle of hour k lies in [k, k + 1) mean solar time. The widest mating window that the
parameters allow, 11 to 17 apparent, lies in 10.7 to 17.3 mean solar time; all hours that it touches are in 10 to 17."""

BOUNDS = {"temp_c": (-4.0, 4.0), "wind_ms": (0.5, 2.0), "rain_mm": (0.02, 0.5)}
NEUTRAL = {"temp_c": 0.0, "wind_ms": 1.0, "rain_mm": WET_MM}
SMALL_MM = 1.0
"""Amounts from here on are kept."""

_SAME_MM = 1e-9
_NO_GROUP = len(LEAD_GROUPS)
_GROUP_OF_HOUR = np.array([next(g for g, hours in enumerate(HOUR_GROUPS.values()) if k in hours) for k in range(24)])


@dataclass(frozen=True)
class Correction:
    """What one variable needs at some hours and lead days.

    Attributes:
        variable: column of the normal form.
        hours: one of ``HOUR_GROUPS``.
        leads: one of ``LEAD_GROUPS``.
        days: number of different solar days that it rests on; with fewer than ``MIN_DAYS`` it is not applied.
        forecast: mean of the earlier forecasts, °C or m/s, or their share of wet hours.
        analysis: the same of the analysis in these hours.
        amount: K to add to temperature, factor of wind, or forecast rain that becomes 0.1 mm; shrunken and bounded.
    """

    variable: str
    hours: str
    leads: tuple[int, int]
    days: int
    forecast: float
    analysis: float
    amount: float

    @property
    def applies(self) -> bool:
        """Whether it rests on enough days."""
        return self.days >= MIN_DAYS


@dataclass(frozen=True)
class Bias:
    """What was learnt from earlier forecasts.

    Attributes:
        source: whose forecasts, with the model.
        analysis: what they were held against.
        first_day, last_day: solar days of the first and last pair of hours, ISO; None if there was none.
        n0_days: of the shrinkage.
        corrections: by variable, lead days and hours; those without any pair of hours are absent.
    """

    source: str
    analysis: str
    first_day: str | None
    last_day: str | None
    n0_days: float
    corrections: tuple[Correction, ...]

    def as_data(self) -> dict[str, Any]:
        """Give it as plain data that JSON can hold."""
        return {**asdict(self), "corrections": [{**asdict(c), "leads": [*c.leads]} for c in self.corrections]}

    @classmethod
    def from_data(cls, data: object) -> Bias:
        """Take it back from ``as_data``, be it by way of JSON.

        Raises:
            InputError: it is no such data, or holds an amount outside ``BOUNDS``.
        """
        try:
            values = dict(data)  # type: ignore[call-overload]
            values["corrections"] = tuple(_correction(dict(c)) for c in values["corrections"])
            values["n0_days"] = _finite(values["n0_days"])
            for name in ("source", "analysis"):
                values[name] = _text(values[name])
            for name in ("first_day", "last_day"):
                if values[name] is not None:
                    values[name] = date.fromisoformat(values[name]).isoformat()
            return cls(**values)
        except (KeyError, TypeError, ValueError, OverflowError) as error:
            what = f"it is no bias ({type(error).__name__}: {error})"
            raise InputError(what, where="stored bias", fix="Learn it again from earlier forecasts.") from None


def lead_days(runs: PreviousRuns, table: WetHours = NO_RECORD) -> dict[int, Weather]:
    """Bring an answer with previous runs into the form that ``learn`` reads.

    Rain that the source had split evenly over its steps is placed in wet hours, as it is to be in the forecast
    that is corrected: else the damp hours of the one would be taken for a bias of the other.

    Args:
        runs: what older runs said for the same hours.
        table: how totals fall into hours at the site.

    Returns:
        Lead day -> hourly weather of one member. Variables that were not asked for are absent, be they required
        of a forecast or not.
    """
    index = pd.MultiIndex.from_product([[0], pd.DatetimeIndex(runs.times, tz="UTC")], names=["member", "time"])
    found = {}
    for day in sorted({day for of_day in runs.earlier.values() for day in of_day}):
        columns = {name: runs.earlier[name][day] for name in VARIABLES if day in runs.earlier.get(name, {})}
        frame = pd.DataFrame({name: np.asarray(values) for name, values in columns.items()}, index=index)
        found[day] = respread(Weather(frame, runs.provenance), table)
    return found


def learn(forecasts: Mapping[int, Weather], analysis: Weather, longitude: float, *, n0_days: float = N0_DAYS) -> Bias:
    """Learn the bias of a model at a site. See the head of this module for the formulas.

    Args:
        forecasts: lead day, 1 to 16 -> hourly forecasts at that lead, of one or more members. Any variable may
            be absent, and the hours need not be those of the analysis. Rain in the form in which it is corrected
            later, see ``lead_days``.
        analysis: hourly weather of the same place and the same source as the past years, one member.
        longitude: of the site, degrees east.
        n0_days: days after which a mean error counts half, 8 to 15.

    Returns:
        A correction for each variable, group of hours and group of lead days of which both sides know an hour.
        An hour that either side lacks counts for nothing.

    Raises:
        InputError: a lead day other than 1 to 16, or an analysis of several members.
        ParameterError: ``n0_days`` out of range.
    """
    if not N0_RANGE_DAYS[0] <= n0_days <= N0_RANGE_DAYS[1]:
        low, high = N0_RANGE_DAYS
        raise ParameterError(f"{n0_days:g} days", where="n0_days", fix=f"Give {low:g} to {high:g} days.")
    first, last = LEAD_GROUPS[0][0], LEAD_GROUPS[-1][1]
    for day in forecasts:
        if not first <= day <= last:
            raise InputError(f"there is no lead day {day}", where="bias", fix=f"Give days {first} to {last}.")
    if analysis.n_members != 1:
        raise InputError(f"an analysis of {analysis.n_members} members", where="bias", fix="Give one series.")
    learnt, days = [], []
    for variable in BOUNDS:
        for leads in LEAD_GROUPS:
            runs = [forecasts[day] for day in range(leads[0], leads[1] + 1) if day in forecasts]
            pairs = _Pairs.of(runs, analysis, variable, longitude)
            for group, hours in enumerate(HOUR_GROUPS):
                here = pairs.at(group)
                if len(here.day):
                    days += [here.day.min(), here.day.max()]
                    learnt.append(_learnt(here, variable, hours, leads, n0_days))
    first_day, last_day = (str(np.datetime64(int(f(days)), "D")) if days else None for f in (min, max))
    source, against = _names(forecasts.values()), _names([analysis])
    return Bias(source, against, first_day, last_day, float(n0_days), tuple(learnt))


def apply(bias: Bias, weather: Weather, today: np.datetime64, longitude: float) -> Weather:
    """Take the bias out of a forecast.

    Args:
        bias: learnt from earlier forecasts of the same model, or of the single run beside the ensemble.
        weather: hourly forecast, any number of members.
        today: solar day of now, from which lead days count.
        longitude: of the site, degrees east.

    Returns:
        The forecast with temperature, wind and rain of today and lead days 1 to 16 corrected, and with notes of
        what was done. Missing stays missing. Days before today, lead days from 17 on (they come from
        coarser models, of whose errors nothing is known here) and variables without archive are left as they are.

    Raises:
        InputError: ``today`` is missing or no whole day.
    """
    day = today.astype("datetime64[D]")
    if np.isnat(today) or day != today:
        raise InputError(f"{today} is no day", where="today", fix="Give the solar day of now.")
    if not any(c.applies for c in bias.corrections):
        most = max((c.days for c in bias.corrections), default=0)
        why = f"{most} days of earlier forecasts to learn from, {MIN_DAYS} are needed"
        return weather.with_notes(f"not corrected for bias: {why}")
    solar_day, hour_group = _places(weather, longitude)
    lead_group = _lead_groups(solar_day - day.astype(np.int64))
    present = np.unique(lead_group[lead_group != _NO_GROUP]).tolist()
    columns: dict[str, Floats] = {}
    notes = []
    for variable, correct in _CORRECT.items():
        values, table = weather.values(variable), _in_force(bias, variable)
        if values is None or not any(group in table for group in present):
            continue
        amounts = np.full((_NO_GROUP + 1, len(HOUR_GROUPS)), NEUTRAL[variable])
        for group, of_hours in table.items():
            for hours, correction in of_hours.items():
                amounts[group, list(HOUR_GROUPS).index(hours)] = correction.amount
        limits = VARIABLES[variable]
        columns[variable] = np.clip(correct(values, amounts[lead_group, hour_group]), limits.low, limits.high).ravel()
        notes.append("; ".join(_said(table, present)))
    if not columns:
        return weather
    head = f"corrected towards {bias.analysis} by what earlier forecasts of {bias.source} got wrong from "
    head += f"{bias.first_day} to {bias.last_day}, today as lead days 1-3"
    return replace(weather, frame=weather.frame.assign(**columns)).with_notes(head, *notes)


# --- learning ------------------------------------------------------------------------------------------


@dataclass(frozen=True, eq=False)
class _Pairs:
    """Forecasts and analysis of the same hours, none missing, each of shape (n,)."""

    forecast: Floats
    analysis: Floats
    day: Whole
    group: Whole

    @classmethod
    def of(cls, runs: Iterable[Weather], analysis: Weather, variable: str, longitude: float) -> _Pairs:
        truth = analysis.values(variable)
        parts: list[tuple[Floats, ...]] = []
        for run in runs:
            values = run.values(variable)
            if values is None or truth is None:
                continue
            slot = (run.times - analysis.times[0]) // HOUR
            known = (slot >= 0) & (slot < truth.shape[1])
            beside = np.where(known, truth[0, np.where(known, slot, 0)], np.nan)
            whole = np.broadcast_arrays(values, beside, *_places(run, longitude))
            both = np.isfinite(values) & np.isfinite(beside)
            parts.append(tuple(array[both] for array in whole))
        if not parts:
            return cls(np.empty(0), np.empty(0), np.empty(0, dtype=np.int64), np.empty(0, dtype=np.int64))
        forecast, beside, day, group = (np.concatenate(column) for column in zip(*parts, strict=True))
        return cls(forecast, beside, day.astype(np.int64), group.astype(np.int64))

    def at(self, group: int) -> _Pairs:
        here = self.group == group
        return _Pairs(self.forecast[here], self.analysis[here], self.day[here], self.group[here])


def _learnt(pairs: _Pairs, variable: str, hours: str, leads: tuple[int, int], n0_days: float) -> Correction:
    """Source: the formula at the head of this module; ``b = n / (n + n0) * mean error``."""
    forecast, analysis = pairs.forecast, pairs.analysis
    if variable == "rain_mm":
        forecast, analysis = (np.where(amount >= WET_MM - _SAME_MM, 1.0, 0.0) for amount in (forecast, analysis))
    mean_f, mean_o = float(forecast.mean()), float(analysis.mean())
    n_days = len(np.unique(pairs.day))
    b = n_days / (n_days + n0_days) * (mean_f - mean_o)
    if variable == "temp_c":
        amount = -b
    elif variable == "wind_ms":
        amount = 1.0 - b / mean_f if mean_f > 0.0 else NEUTRAL[variable]  # no factor makes wind out of calm
    else:
        amount = _wet_from(pairs.forecast, mean_f - b)
    amount = float(np.clip(amount, *BOUNDS[variable]))
    return Correction(variable, hours, leads, n_days, mean_f, mean_o, amount)


def _wet_from(rain_mm: Floats, share: float) -> float:
    """Find the amount that this share of the hours reaches, as near as the amounts allow.

    Halfway between two amounts that occur, so that records in steps of 0.1 mm are cut between the steps; 0.1 mm
    itself if the same hours are wet then. An hour without any rain stays dry.
    """
    amounts, counts = np.unique(rain_mm, return_counts=True)
    dry_to, wet_from = np.append(0.0, amounts), np.append(amounts, amounts[-1] + WET_MM)
    reached = np.append(np.cumsum(counts[::-1])[::-1], 0) / len(rain_mm)
    as_it_is = int(np.searchsorted(amounts, WET_MM - _SAME_MM))
    cuts = np.flatnonzero(wet_from > 0.0)
    miss = np.round(np.abs(reached[cuts] - share), 12)
    best = cuts[np.lexsort((np.abs(cuts - as_it_is), miss))[0]]
    return WET_MM if best == as_it_is else float(dry_to[best] + wet_from[best]) / 2.0


def _places(weather: Weather, longitude: float) -> tuple[Whole, Whole]:
    """Solar day (days since 1970) and group of hours of each hour, shape (n_hours,)."""
    first_day, _, offset = solar_days(weather.times, longitude)
    day, hour = np.divmod(offset + np.arange(len(weather.times)), 24)
    return first_day.astype(np.int64) + day, _GROUP_OF_HOUR[hour]


def _names(weathers: Iterable[Weather]) -> str:
    said = (f"{p.source} {p.model}" if p.model else p.source for p in (w.provenance for w in weathers))
    return ", ".join(dict.fromkeys(said)) or "no source"


# --- applying ------------------------------------------------------------------------------------------


def _matched(rain_mm: Floats, wet_from_mm: Floats) -> Floats:
    """Straight lines through (0, 0), (threshold, 0.1 mm) and (1 mm, 1 mm); nothing changes from there on."""
    below = rain_mm * (WET_MM / wet_from_mm)
    above = WET_MM + (rain_mm - wet_from_mm) * ((SMALL_MM - WET_MM) / (SMALL_MM - wet_from_mm))
    kept = (wet_from_mm == WET_MM) | (rain_mm >= SMALL_MM) | np.isnan(rain_mm)
    return np.where(kept, rain_mm, np.where(rain_mm < wet_from_mm, below, above))


_CORRECT: dict[str, Callable[[Floats, Floats], Floats]] = {
    "temp_c": np.add,
    "wind_ms": np.multiply,
    "rain_mm": _matched,
}


def _lead_groups(lead: Whole) -> Whole:
    """Place of each lead day in ``LEAD_GROUPS``, ``_NO_GROUP`` outside all; today goes with the first."""
    group = np.searchsorted([last for _, last in LEAD_GROUPS], lead).astype(np.int64)
    return np.where(lead < 0, _NO_GROUP, group)


def _in_force(bias: Bias, variable: str) -> dict[int, dict[str, Correction]]:
    """Group of lead days -> hours -> correction; the last group inherits from the one that holds day 7."""
    table: dict[int, dict[str, Correction]] = {}
    for c in bias.corrections:
        if c.variable == variable and c.applies:
            table.setdefault(LEAD_GROUPS.index(c.leads), {})[c.hours] = c
    inherited = {**table.get(_NO_GROUP - 2, {}), **table.get(_NO_GROUP - 1, {})}
    return {**table, _NO_GROUP - 1: inherited} if inherited else table


def _said(table: dict[int, dict[str, Correction]], present: list[int]) -> Iterator[str]:
    """What was done to one variable, in words, for the groups of lead days that the forecast has."""
    for hours in HOUR_GROUPS:
        in_turn = [(group, table[group][hours]) for group in present if hours in table.get(group, {})]
        for correction, run in groupby(in_turn, key=lambda pair: pair[1]):
            groups = [group for group, _ in run]
            leads = f"{LEAD_GROUPS[groups[0]][0]}-{LEAD_GROUPS[groups[-1]][1]}"
            yield f"{_deed(correction)} at lead days {leads}, from {correction.days} days"


def _deed(c: Correction) -> str:
    if c.variable == "temp_c":
        return f"temperature of {c.hours}s {_moved(c.amount, '°C', 1)}"
    if c.variable == "wind_ms":
        return f"wind of {c.hours}s {_moved(100.0 * (c.amount - 1.0), '%', 0)}"
    if c.amount == WET_MM:
        return f"rain of {c.hours}s left as it is"
    shares = f"{100 * c.forecast:.0f} % of hours forecast wet, {100 * c.analysis:.0f} % analysed"
    return f"rain of {c.hours}s taken as wet from {c.amount:.2g} mm instead of {WET_MM:g} on ({shares})"


def _moved(by: float, unit: str, digits: int) -> str:
    if round(abs(by), digits) == 0.0:
        return f"changed by no more than {0.5 * 10.0**-digits:g} {unit}"
    return f"{'raised' if by > 0 else 'lowered'} by {abs(by):.{digits}f} {unit}"


# --- stored --------------------------------------------------------------------------------------------


def _correction(values: dict[str, Any]) -> Correction:
    """One correction from plain data; KeyError, TypeError or ValueError if it is none."""
    values["leads"] = tuple(values["leads"])
    for name in ("forecast", "analysis", "amount"):
        values[name] = _finite(values[name])
    made = Correction(**values)
    if made.hours not in HOUR_GROUPS or made.leads not in LEAD_GROUPS or type(made.days) is not int or made.days < 1:
        raise ValueError(f"{made.hours}, lead days {made.leads}, {made.days} days")
    low, high = BOUNDS[made.variable]
    if not low <= made.amount <= high:
        raise ValueError(f"{made.variable} by {made.amount:g}, allowed are {low:g} to {high:g}")
    return made


def _finite(value: Any) -> float:  # noqa: ANN401 - whatever stands in a file
    if not is_number(value) or not math.isfinite(value):
        raise ValueError(f"{value!r} is no number")
    return float(value)


def _text(value: Any) -> str:  # noqa: ANN401 - whatever stands in a file
    if not isinstance(value, str):
        raise TypeError(f"{value!r} is no text")
    return value
