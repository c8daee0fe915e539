"""Which seasons of a record can be looked back on, and on which of their days to graft."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date, timedelta
from typing import TYPE_CHECKING

import numpy as np

from matewindow.errors import RequestError
from matewindow.pastyears import FILL_REACH_D, SHIFTS_D
from matewindow.timeline import Batch, emergence_days, graft_time
from matewindow.words import day_month

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    from matewindow.biology import Biology
    from matewindow.site import Site
    from matewindow.siteweather import SiteWeather

MonthDay = tuple[int, int]

NORTH: tuple[MonthDay, MonthDay] = ((4, 15), (8, 10))
SOUTH: tuple[MonthDay, MonthDay] = ((10, 15), (2, 10))
"""First and last graft of a season in temperate climates (common practice); the record may cover less."""
MIN_SEASONS = 3
"""Of fewer seasons nothing can be told: one is judged, and the others are its usual."""
MAX_DAYS = 250
_WEEK_D = 7
_COVERED = 0.5
"""A season is judged if so many of its grafts have a mating window that the record covers."""


@dataclass(frozen=True)
class Plan:
    """What is looked back on.

    Attributes:
        first: month and day of the first graft of each season.
        n_days: grafts of a season, one a day.
        years: in which the seasons begin, rising.
        week_d: days in a row among which the graft decision chooses.
        seed: of the lots that are drawn.
    """

    first: MonthDay
    n_days: int
    years: tuple[int, ...]
    week_d: int = _WEEK_D
    seed: int = 1

    def grafts(self, year: int) -> list[date]:
        """The graft days of a season."""
        start = _day_in(year, self.first)
        return [start + timedelta(days=i) for i in range(self.n_days)]


def make_plan(
    record: SiteWeather | None,
    site: Site,
    biology: Biology,
    *,
    first: MonthDay | None = None,
    last: MonthDay | None = None,
    years: tuple[int, int] | None = None,
    seed: int = 1,
) -> Plan:
    """Find the seasons that a record covers.

    Args:
        record: hourly weather of many years on the site's solar days, one series.
        site, biology: whose grafts they are.
        first, last: month and day of the first and the last graft; None for the usual season of the hemisphere, as far
            as the record covers it.
        years: first and last year in which a season begins; None for all that the record covers.
        seed: of the lots that are drawn.

    Raises:
        RequestError: there is no such record, a season that is none, or too few seasons are covered.
    """
    if record is None or record.provenance.kind == "typical":
        raise RequestError(
            "there is no record of past years, only a typical year"
            if record is not None
            else "there are no past years",
            where="weather",
            fix="Give hourly weather of several years: past.json or past.csv in the folder.",
        )
    usual = NORTH if site.latitude >= 0.0 else SOUTH
    begin, end = first or usual[0], last or usual[1]
    plan = Plan(begin, _length(begin, end), _all_years(record), seed=seed)
    # the other years must cover the windows when they are moved, or there is no usual to hold the odds against
    margin = max(SHIFTS_D) - FILL_REACH_D
    whole = np.array([whole_windows(record, plan.grafts(year), site, biology, margin_d=margin) for year in plan.years])
    if years is not None:
        inside = np.array([years[0] <= year <= years[1] for year in plan.years], dtype=bool)
        whole &= inside[:, None]
    in_most = whole[whole.any(axis=1)].mean(axis=0) >= _COVERED if whole.any() else np.zeros(plan.n_days, dtype=bool)
    start, stop = (0, plan.n_days) if first or last else _longest(in_most)
    share = whole[:, start:stop].sum(axis=1) / max(1, stop - start)
    kept = [year for year, covered in zip(plan.years, share, strict=True) if covered >= _COVERED]
    if len(kept) < MIN_SEASONS:
        _refuse(kept, begin, end)
    moved = _day_in(2001, begin) + timedelta(days=start)
    return Plan((moved.month, moved.day), stop - start, tuple(kept), seed=seed)


def whole_windows(
    record: SiteWeather, grafts: Sequence[date], site: Site, biology: Biology, *, margin_d: int = 0
) -> NDArray[np.bool_]:
    """Of which grafts the record covers the whole mating window, and some days before and after it, (n_grafts,)."""
    m = biology.mating
    born, shares = emergence_days(Batch(graft_time(grafts[0], site)), site, biology)
    first = int((born - record.days[0]).astype(np.int64)) + int(m.earliest_flight_age_d) - margin_d
    n_window = len(shares) + int(m.late_age_d) - int(m.earliest_flight_age_d) + 2 * margin_d
    at = first + np.arange(len(grafts))[:, None] + np.arange(n_window)
    inside = (at >= 0) & (at < len(record.days))
    known: NDArray[np.bool_] = (inside & record.known_days[0][np.where(inside, at, 0)]).all(axis=1)
    return known


def _all_years(record: SiteWeather) -> tuple[int, ...]:
    first, last = (int(str(day)[:4]) for day in (record.days[0], record.days[-1]))
    return tuple(range(first - 1, last + 1))


def _day_in(year: int, month_day: MonthDay) -> date:
    month, day = month_day
    return date(year, month, 28 if month_day == (2, 29) else day)


def _length(first: MonthDay, last: MonthDay) -> int:
    start, end = _day_in(2001, first), _day_in(2001, last)
    if end < start:
        end = _day_in(2002, last)
    days = (end - start).days + 1
    if days > MAX_DAYS:
        raise RequestError(
            f"a season of {days} days", where="season", fix=f"Give a first and a last graft day within {MAX_DAYS} days."
        )
    return days


def _longest(covered: NDArray[np.bool_]) -> tuple[int, int]:
    """The longest run of days that are covered, as first and end."""
    edges = np.flatnonzero(np.diff(np.concatenate([[0], covered.astype(np.int8), [0]])))
    if not len(edges):
        return 0, 0
    starts, ends = edges[::2], edges[1::2]
    at = int((ends - starts).argmax())
    return int(starts[at]), int(ends[at])


def _refuse(kept: list[int], first: MonthDay, last: MonthDay) -> None:
    span = " to ".join(day_month(date(2000, *day)) for day in (first, last))  # a leap year has every day
    season = f"grafts from {span}"
    covered = f"only {', '.join(map(str, kept))}" if kept else "no season"
    raise RequestError(
        f"the past weather covers {covered} of {season} with the mating windows that follow",
        where="weather",
        fix=f"At least {MIN_SEASONS} seasons are wanted, 20 are good. Add past years, or choose the season with "
        "--first and --last.",
    )
