"""The site's own past as blocks of days: what a forecast gives way to, and the usual for a date."""

from __future__ import annotations

from collections import OrderedDict
from typing import TYPE_CHECKING

import numpy as np

from matewindow.pathparts import PAST_YEARS, Rows

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from matewindow.biology import Biology, Forecast
    from matewindow.siteweather import SiteWeather

    Floats = NDArray[np.float64]
    Indices = NDArray[np.intp]
    Found = tuple[Rows | None, NDArray[np.int64], float, tuple[str, ...]]

SHIFTS_D = (-7, -4, 0, 4, 7)
"""Each past year serves five times, moved by so many days: worth about two independent years each."""
FILL_REACH_D = 3  # a missing day of a past year takes the nearest known one this close
_SEASON_D = 15  # the trend is fitted on the days asked for and so many on either side


class KeptRows:
    """Blocks of the last spans of days that were asked for, of one record with the same parameters and exposure.

    A batch that is asked about again and again finds those of its window ready.
    """

    def __init__(self, most: int = 32) -> None:
        self._most = most
        self._found: OrderedDict[tuple[object, ...], Found] = OrderedDict()

    def get(self, key: tuple[object, ...]) -> Found | None:
        """What was found before; None if it was not, or too long ago."""
        if key not in self._found:
            return None
        self._found.move_to_end(key)
        return self._found[key]

    def put(self, key: tuple[object, ...], found: Found) -> Found:
        """Keep it; what was not asked for for longest goes."""
        self._found[key] = found
        while len(self._found) > self._most:
            self._found.popitem(last=False)
        return found


def past_rows(
    past: SiteWeather | None,
    days: NDArray[np.datetime64],
    today: np.datetime64,
    needed: slice,
    biology: Biology,
    exposure: float,
    *,
    hindsight: bool = False,
    kept: KeptRows | None = None,
) -> Found:
    """Past years as blocks (years x shifts) over the days.

    A year serves if it knows all the needed days, moved by any of the shifts; a missing day takes the nearest known one
    of the same year within three days. Other days may stay unknown.

    Args:
        past: many years, or one typical year.
        days: solar days wanted.
        today: nothing from today on serves.
        needed: the days that decide the answer.
        biology: parameters with the site's thresholds.
        exposure: share of the 10 m wind met at flight height.
        hindsight: as in ``year_rows``.
        kept: what was found before, to be looked through and added to.

    Returns:
        The blocks (None if no year serves), the years, the warming added to the mean year [K], and remarks.
    """
    nothing = None, np.array([], dtype=np.int64), 0.0, ()
    if past is None:
        return nothing
    past = past.window_only
    margin = max(SHIFTS_D)
    wide = np.arange(-margin, len(days) + margin)
    years, at = year_rows(past, days[0], wide, today, hindsight=hindsight)
    if len(years) == 0:
        return nothing
    start, stop, _ = needed.indices(len(days))
    key = days[0].astype(np.int64), len(days), start, stop, years.tobytes()
    before = None if kept is None else kept.get(key)
    if before is not None:
        return before
    nearest = _nearest_known((at >= 0) & past.known_days[0][np.maximum(at, 0)])
    whole = (nearest[:, start : stop + 2 * margin] >= 0).all(axis=1)
    some = (nearest >= 0).any(axis=1)
    dropped = int((~whole & some).sum())
    left_out = "1 past year lacks" if dropped == 1 else f"{dropped} past years lack"
    notes = (f"{left_out} too much weather around these dates and was left out",) if dropped else ()
    if not whole.any():
        return nothing[0], nothing[1], 0.0, notes
    years, at, nearest = years[whole], at[whole], nearest[whole]
    offset_c = warming(past, at, years, int(str(days[0])[:4]), biology.forecast)
    weather = past.take(at, offset_c)
    flown = weather.flight(biology.flight, exposure)
    # the day of its year that each block takes on each day, missing days filled, -1 where there is none
    cut = [nearest[:, margin + shift : margin + shift + len(days)] for shift in SHIFTS_D]
    taken = np.stack(cut, axis=1).reshape(-1, len(days))
    year = np.repeat(np.arange(len(years)), len(SHIFTS_D))
    unknown, cell = taken < 0, year[:, None] * flown.strict_h.shape[1] + np.maximum(taken, 0)

    def blocks(values: Floats) -> Floats:
        """(years, wide days, ...) to (years x shifts, days, ...)."""
        found: Floats = values.reshape(-1, *values.shape[2:]).take(cell, axis=0)
        found[unknown] = np.nan
        return found

    def lost(row: Indices, day: Indices, level: Indices) -> Floats:
        # blocks of one year share its days, so each of these is worked out once
        cells = (year[row] * shape[1] + np.maximum(taken[row, day], 0)) * shape[2] + level
        place = np.zeros(shape[0] * shape[1] * shape[2], dtype=np.intp)
        place[cells] = 1
        once = np.flatnonzero(place)
        place[once] = np.arange(len(once))
        of_year, of_day, at_level = np.unravel_index(once, shape)
        found: Floats = weather.day_losses(of_year, of_day, at_level, biology.flight, exposure)[place[cells]]
        found[unknown[row, day]] = np.nan
        return found

    shape = flown.effective_h.shape
    rows = Rows(PAST_YEARS, blocks(flown.effective_h), blocks(flown.strict_h), lost)
    found = rows, years, float(np.mean(offset_c)), notes
    return found if kept is None else kept.put(key, found)


def past_day(past: SiteWeather, day: np.datetime64, today: np.datetime64, forecast: Forecast) -> SiteWeather | None:
    """One date as it was in past years: a series for each year and shift, warmed for the trend; None without years."""
    season = np.arange(-_SEASON_D, _SEASON_D + 1)
    years, at = year_rows(past, day, season, today)
    if len(years) == 0:
        return None
    offset_c = warming(past, at, years, int(str(day)[:4]), forecast)
    rows = np.concatenate([at[:, [_SEASON_D + shift]] for shift in SHIFTS_D])
    return past.take(rows, np.tile(offset_c, len(SHIFTS_D))).whole_days()


def year_rows(
    past: SiteWeather, first_day: np.datetime64, wide: Indices, today: np.datetime64, *, hindsight: bool = False
) -> tuple[NDArray[np.int64], Indices]:
    """For each past year the rows of ``past`` that hold the same dates, contiguous from the first.

    Args:
        past: many years, or one typical year.
        first_day: the day that ``wide`` counts from.
        wide: days wanted, counted from ``first_day``, shape (n_days,).
        today: years that reach into the days being judged, or past today, are left out.
        hindsight: whether later years serve as well, if they begin after the days being judged and today: a season of
            the past is looked back on, with only its own year left out.

    Returns:
        The years (n_years,), 0 for a typical one, and day indices of ``past`` (n_years, n_days), -1 where it does
        not reach.
    """
    month_day = str(first_day)[5:]
    day = "02-28" if month_day == "02-29" else month_day
    if past.provenance.kind == "typical":
        start = np.datetime64(f"2001-{day}", "D")
        return np.array([0]), ((start - past.days[0]).astype(int) + wide)[None, :] % len(past.days)
    first_year, last_year = int(str(past.days[0])[:4]), int(str(past.days[-1])[:4])
    years = np.arange(first_year - 1, last_year + 1)
    starts = np.array([f"{year:04d}-{day}" for year in years], dtype="datetime64[D]")
    at = (starts - past.days[0]).astype(np.intp)[:, None] + wide
    inside = (at >= 0) & (at < len(past.days))
    # a year that reaches into the days being judged would tell their outcome
    serves = starts + wide[-1] < min(today, first_day + wide[0])
    if hindsight:
        serves |= starts + wide[0] > max(today, first_day + wide[-1])
    serves &= inside.mean(axis=1) > 0.5
    return years[serves], np.where(inside, at, -1)[serves]


def warming(past: SiteWeather, at: Indices, years: NDArray[np.int64], target: int, forecast: Forecast) -> Floats:
    """Temperature to add to each past year so that it fits the target year [K], shape (n_years,).

    A straight line through the yearly means of the days that all years know, its slope kept within 0 and the cap;
    nothing with too few years.

    Args:
        past: many years.
        at: day indices of each year, shape (n_years, n_days).
        years: the years, shape (n_years,).
        target: the year that they stand for.
        forecast: the cap, and how many years are too few.
    """
    daily = np.where(at >= 0, past.mean_temp_c[0][np.maximum(at, 0)], np.nan)
    common = ~np.isnan(daily).any(axis=0)
    means = daily[:, common].mean(axis=1) if common.any() else np.full(len(years), np.nan)
    good = ~np.isnan(means)
    if good.sum() < forecast.trend_min_years:
        return np.zeros(len(years))
    year, mean = years[good] - years[good].mean(), means[good] - means[good].mean()
    slope = (year @ mean) / (year @ year)  # least squares
    return float(np.clip(slope, 0.0, forecast.trend_cap_k_per_a)) * (target - years).astype(np.float64)


def _nearest_known(known: NDArray[np.bool_]) -> Indices:
    """For each row and day the nearest known day of that row, -1 where none is close enough; shape as ``known``."""
    day = np.arange(known.shape[1])
    nearest = np.where(known, day, -1)
    if known.all():
        return nearest
    for reach in range(1, FILL_REACH_D + 1):
        for step in (-reach, reach):
            other = np.clip(day + step, 0, len(day) - 1)
            nearest = np.where((nearest < 0) & known[:, other], other, nearest)
    return nearest
