"""All that is issued in one season, and what came: plain arrays, a row for each case.

Every number is worked out by what works it out for today's batches: ``outlook.SiteWork``, ``graft.graft_decision`` and
``paths.build_paths``, asked on each day of the season with what was known then.
"""

from __future__ import annotations

from dataclasses import dataclass, fields, replace
from datetime import date, datetime, time, timedelta
from typing import TYPE_CHECKING, Any

import numpy as np

from matewindow.errors import RequestError
from matewindow.graft import graft_decision
from matewindow.graftworth import evaluate
from matewindow.hindcast.asof import bees_year
from matewindow.hindcast.seasons import whole_windows
from matewindow.hindcast.truth import Truth, truth_of
from matewindow.mating import egg_ages
from matewindow.outlook import RUN_IN_D, SiteWork, known_hours, prime_sums, solar_today
from matewindow.pastyears import KeptRows
from matewindow.pathparts import FORECAST
from matewindow.paths import Sources, build_paths
from matewindow.timeline import Batch, graft_time
from matewindow.verification import persistence_odds
from matewindow.windowdays import FLYING_H

if TYPE_CHECKING:
    from collections.abc import Iterator

    from numpy.typing import NDArray

    from matewindow.biology import Biology
    from matewindow.hindcast.asof import Ground
    from matewindow.hindcast.seasons import Plan
    from matewindow.outlook import Emergence
    from matewindow.paths import Paths

    Floats = NDArray[np.float64]

STAGES_D = {
    "at the graft": 0,
    "when cells are moved": 10,
    "at emergence": 12,
    "at 6 days of age": 18,
    "at 10 days of age": 22,
}
"""Days after the graft on which an outlook is given. A virgin of a graft's noon emerges on day 12 (295 h)."""
LEADS_D = 24
"""Days ahead for which the odds of a flying day are given."""
POINTS = 25
"""Spreads of hours are kept as so many equally likely values, the middles of equal shares."""
EMERGENCE_DAYS = 8
"""Room for the days over which one batch emerges."""
_RECENT_D = 7
_ISSUED_AT = time(7)
"""Of the morning, on the site's clock: when a keeper looks."""
_REACH_D = 80
"""Days from a graft to the last flight, and more."""


@dataclass(frozen=True)
class SeasonCases:
    """The cases of one season. A row of what begins with ``window_``, ``day_`` or ``graft_`` is one case of its kind.

    Attributes:
        year: in which the season begins.
        window_issued: day of issue, datetime64[D], (n,).
        window_stage: days after the graft, (n,).
        window_p, window_usual, window_persistence, window_outcome: odds of ending well mated: as issued, from other
            years alone, the usual moved by the last week's departure, and of the weather that came, (n,).
        window_hours, window_hours_usual: equally likely flight hours in the prime window, mean over the emergence days
            of the batch [h], (n, POINTS).
        window_hours_came: those that came [h], (n,).
        window_eggs, window_eggs_usual: mass of the first egg by day since the batch's first emergence day, and of none
            in the last column, (n, n_egg_days + 1).
        window_egg_came: day of the first egg of one queen drawn by lot, +inf for none, (n,).
        window_forecast: share of the prime window that stood on a forecast, (n,).
        day_issued, day_lead: day of issue and days ahead, (m,).
        day_p, day_usual, day_persistence, day_outcome: odds of a flying day, and whether it was one, (m,).
        day_hours, day_hours_usual: equally likely flight hours of the day [h], (m, POINTS).
        day_hours_came: those that came [h], (m,).
        day_forecast: share of the odds that stood on a forecast, (m,).
        graft_issued: first day of the days to choose from, (k,).
        graft_advised, graft_equal, graft_at_once, graft_any, graft_best: utility that came [laying queens a nuc] of
            grafting on the day that the advice ranked first, on any of those it called equal to it (both 0 where it
            advised against all), on the first day, on any of the days, and on the best of them or none, (k,).
        graft_days: how many days the advice named, (k,).
    """

    year: int
    window_issued: NDArray[np.datetime64]
    window_stage: NDArray[np.int64]
    window_p: Floats
    window_usual: Floats
    window_persistence: Floats
    window_outcome: Floats
    window_hours: Floats
    window_hours_usual: Floats
    window_hours_came: Floats
    window_eggs: Floats
    window_eggs_usual: Floats
    window_egg_came: Floats
    window_forecast: Floats
    day_issued: NDArray[np.datetime64]
    day_lead: NDArray[np.int64]
    day_p: Floats
    day_usual: Floats
    day_persistence: Floats
    day_outcome: Floats
    day_hours: Floats
    day_hours_usual: Floats
    day_hours_came: Floats
    day_forecast: Floats
    graft_issued: NDArray[np.datetime64]
    graft_advised: Floats
    graft_equal: Floats
    graft_at_once: Floats
    graft_any: Floats
    graft_best: Floats
    graft_days: NDArray[np.int64]


def judge_season(ground: Ground, plan: Plan, year: int) -> SeasonCases:
    """Live through a season.

    Args:
        ground: the site and all its weather.
        plan: which days.
        year: in which the season begins.
    """
    return _Season(ground, plan, year).cases()


class _Season:
    """One season: its site, its days, what came of it."""

    def __init__(self, ground: Ground, plan: Plan, year: int) -> None:
        self.ground, self.plan, self.year = ground, plan, year
        self.grafts = plan.grafts(year)
        self.season = bees_year(self.grafts[0], ground.site)
        self.site, self.biology = ground.of_season(self.season), ground.biology
        whole = whole_windows(ground.lean, self.grafts, self.site, self.biology)
        first, last = (self.site.solar_day(self.grafts[i]) for i in (0, -1))
        n_days = int((last - first).astype(np.int64)) + 2 * RUN_IN_D + LEADS_D + _REACH_D
        measured = ground.measured(first - RUN_IN_D, n_days)
        assert measured is not None  # the plan holds seasons that the record covers
        self.measured = measured
        self.truth: Truth = truth_of(measured, self.grafts, self.site, self.biology, whole)
        self.n_eggs = egg_ages(self.biology) + EMERGENCE_DAYS
        lots = np.random.default_rng([plan.seed, year]).random(len(self.grafts))
        self.egg_came = np.array([self._drawn_egg(i, lot) for i, lot in enumerate(lots)])
        self.prime_came = self.truth.prime_hours(self.biology)
        self.merit = evaluate(self.truth.path, self.site, self.truth.weights, None, self.biology).merit
        self.born = self.truth.weights @ np.arange(self.truth.weights.shape[1])
        self._usual: dict[int, _Told | None] = {}
        self._kept = KeptRows()  # a graft's window is asked about at each stage

    def cases(self) -> SeasonCases:
        """All of them."""
        rows: dict[str, list[dict[str, Any]]] = {"window": [], "day": [], "graft": []}
        for day in self._days():
            now = datetime.combine(day, _ISSUED_AT, tzinfo=self.site.zone)
            sources = self.ground.known_at(now, self.season, self.measured)
            recent, days = self._flying_days(day, now, sources)
            rows["day"] += days
            rows["window"] += self._windows(day, now, sources, recent)
            graft = self._decision(day, now, sources)
            if graft is not None:
                rows["graft"].append(graft)
        return _gathered(self.year, rows, self.n_eggs)

    def _days(self) -> Iterator[date]:
        """Every day of the season on which there is something to issue."""
        last = (self.grafts[-1] - self.grafts[0]).days + max(STAGES_D.values())
        return (self.grafts[0] + timedelta(days=i) for i in range(last + 1))

    # --- flying days ----------------------------------------------------------------------------------------------

    def _flying_days(self, day: date, now: datetime, sources: Sources) -> tuple[_Recent, list[dict[str, Any]]]:
        """Odds that each of the next days is a flying day; and how the last week departed from its usual.

        No odds where no other year covers these days.
        """
        today = solar_today(now, self.site)
        start, n_days = today - RUN_IN_D, RUN_IN_D + LEADS_D + 1
        needed = slice(RUN_IN_D, None)
        try:
            paths, usual = build_paths(sources, start, n_days, today, self.biology, self.site.exposure, needed=needed)
        except RequestError:  # nothing at all is known of them
            return _Recent(np.nan, np.nan), []
        if usual is None:
            return _Recent(np.nan, np.nan), []
        issued, alone = known_hours(paths), known_hours(usual)
        came = self.truth.hours_on(paths.days)
        p, p_usual = (issued >= FLYING_H).mean(axis=1), _known_share(_flew(usual.hours))
        week, ahead = slice(RUN_IN_D - _RECENT_D, RUN_IN_D), slice(RUN_IN_D + 1, None)
        recent = _Recent(float(_flew(came[week]).mean()), float(p_usual[week].mean()))
        hours = came[ahead]
        cases = {
            "issued": np.full(LEADS_D, np.datetime64(day, "D")),
            "lead": np.arange(1, LEADS_D + 1),
            "p": self._put_right(p[ahead]),
            "usual": p_usual[ahead],
            "persistence": recent.moved(p_usual[ahead]),
            "outcome": _flew(hours),
            "hours": evenly(issued[ahead]),
            "hours_usual": evenly(alone[ahead]),
            "hours_came": hours,
            "forecast": paths.daily_shares(ahead)[:, FORECAST],
        }
        return recent, [cases]

    def _put_right(self, p: Floats) -> Floats:
        return p if self.ground.days is None else self.ground.days.apply(p)

    # --- mating windows -------------------------------------------------------------------------------------------

    def _windows(self, day: date, now: datetime, sources: Sources, recent: _Recent) -> list[dict[str, Any]]:
        """The outlooks of the batches that are at one of the stages on this day."""
        due = [(stage, (day - self.grafts[0]).days - stage) for stage in STAGES_D.values()]
        due = [(stage, i) for stage, i in due if 0 <= i < len(self.grafts) and self.truth.whole[i]]
        if not due:
            return []
        work = SiteWork(self.site, replace(sources, kept=self._kept), now, self.biology)
        first = self.truth.first + min(i for _, i in due) - RUN_IN_D - EMERGENCE_DAYS
        spread = max(i for _, i in due) - min(i for _, i in due)
        work.judge(first, spread + 2 * EMERGENCE_DAYS + 2 * RUN_IN_D + egg_ages(self.biology))
        rows = (self._window(stage, i, day, work, recent) for stage, i in due)
        return [row for row in rows if row is not None]

    def _window(self, stage: int, i: int, day: date, work: SiteWork, recent: _Recent) -> dict[str, Any] | None:
        usual = self._usual_of(i)
        if usual is None:
            return None
        told = self._told(work, i)
        return {
            "issued": np.datetime64(day, "D"),
            "stage": stage,
            "p": told.p,
            "usual": usual.p,
            "persistence": recent.moved(usual.p),
            "outcome": self.truth.well[i],
            "hours": told.hours,
            "hours_usual": usual.hours,
            "hours_came": self.prime_came[i],
            "eggs": told.eggs,
            "eggs_usual": usual.eggs,
            "egg_came": self.egg_came[i],
            "forecast": told.forecast,
        }

    def _usual_of(self, i: int) -> _Told | None:
        """What other years alone say of a graft, the same at each stage; None where none of them covers its window."""
        if i not in self._usual:
            alone = Sources(past=self.ground.lean, hindsight=True, kept=self._kept)
            now = datetime.combine(self.grafts[i], _ISSUED_AT, tzinfo=self.site.zone)
            try:
                self._usual[i] = self._told(SiteWork(self.site, alone, now, self.biology), i)
            except RequestError:
                self._usual[i] = None
        return self._usual[i]

    def _told(self, work: SiteWork, i: int) -> _Told:
        found = work.before_looks(Batch(graft_time(self.grafts[i], self.site)))
        return _Told.of(found, self.n_eggs, self.biology)

    def _drawn_egg(self, i: int, lot: float) -> float:
        """Day of the first egg of one queen, since her batch's first emergence day; +inf for none."""
        day = int(np.searchsorted(np.cumsum(self.truth.eggs[i]), lot, side="right"))
        born = int(np.flatnonzero(self.truth.weights[i])[0])
        return float(day - born) if day < self.truth.eggs.shape[1] else np.inf

    # --- the graft decision ---------------------------------------------------------------------------------------

    def _decision(self, day: date, now: datetime, sources: Sources) -> dict[str, Any] | None:
        """What following the advice of the day was worth; None where not all the days can be judged."""
        i, n = (day - self.grafts[0]).days, self.plan.week_d
        if i + n > len(self.grafts) or not self.truth.whole[i : i + n].all():
            return None
        if any(self._usual_of(j) is None for j in range(i, i + n)):
            return None
        try:
            decision = graft_decision(self.site, sources, day, n, now, self.biology)
        except RequestError:  # no other year covers the windows of all these days
            return None
        came = self._worth(i, n)
        chosen = [(graft - day).days for graft in decision.graft_dates]
        first = min(chosen, key=lambda k: decision.days[k].rank, default=None)
        return {
            "issued": np.datetime64(day, "D"),
            "advised": 0.0 if first is None else float(came[first]),
            "equal": float(came[chosen].mean()) if chosen else 0.0,
            "at_once": float(came[0]),
            "any": float(came.mean()),
            "best": max(0.0, float(came.max())),
            "days": len(chosen),
        }

    def _worth(self, i: int, n: int) -> Floats:
        """Utility that came of grafting on each of some days, waiting from the first of them counted, shape (n,)."""
        waited: Floats = self.born[i : i + n] - self.born[i]
        return self.merit[i : i + n] - self.biology.decision.delay_cost_per_d * waited


@dataclass(frozen=True)
class _Recent:
    """Share of the last days that were flying days, and what was usual."""

    flew: float
    usual: float

    def moved(self, p_usual: Floats | float) -> Floats:
        """The usual odds, moved by as much as the last days departed from theirs."""
        return persistence_odds(p_usual, self.flew, self.usual)


@dataclass(frozen=True)
class _Told:
    """One outlook, as far as it is judged."""

    p: float
    hours: Floats
    eggs: Floats
    forecast: float

    @classmethod
    def of(cls, found: Emergence, n_eggs: int, biology: Biology) -> _Told:
        masses, mass_by_day = found.odds.by_path(), found.odds.egg_days().sum(axis=0)
        eggs = np.zeros(n_eggs + 1)
        eggs[: len(mass_by_day)] = mass_by_day
        eggs[-1] = max(0.0, 1.0 - float(mass_by_day.sum()))
        paths = found.window.paths
        sums, _ = prime_sums(paths.hours, found.weights[None], biology)
        # what comes is one number for the batch, so what may come is one for each path
        of_batch = found.weights @ sums.reshape(len(found.weights), -1)
        p = float(masses[0].sum() / masses.sum())
        return cls(p, evenly(of_batch), eggs, _forecast_share(paths, found, biology))


def _forecast_share(paths: Paths, found: Emergence, biology: Biology) -> float:
    born = RUN_IN_D + int(found.weights.argmax())
    m = biology.mating
    prime = slice(born + int(m.prime_from_age_d), born + int(m.prime_to_age_d) + 1)
    return float(paths.daily_shares(prime)[:, FORECAST].mean())


def evenly(values: Floats) -> Floats:
    """A spread as ``POINTS`` equally likely values: the middles of as many equal shares of it, rising.

    Args:
        values: equally likely, none missing, shape (..., n).

    Returns:
        Shape (..., POINTS).
    """
    middles = (np.arange(POINTS) + 0.5) / POINTS
    ordered = np.sort(values, axis=-1)
    return ordered[..., (middles * values.shape[-1]).astype(np.intp)]


def _known_share(flew: Floats) -> Floats:
    """Share of the paths that know a day on which it is a flying day, (n_days, n_paths) to (n_days,); NaN for none."""
    known = (~np.isnan(flew)).sum(axis=1)
    return np.where(known > 0, np.nansum(flew, axis=1) / np.maximum(known, 1), np.nan)


def _flew(hours: Floats) -> Floats:
    """1 for flying days, 0 for others, NaN where the hours are not known; shape as given."""
    return np.where(np.isnan(hours), np.nan, hours >= FLYING_H)


def _gathered(year: int, rows: dict[str, list[dict[str, Any]]], n_eggs: int) -> SeasonCases:
    """Rows of each kind as arrays; without any of them empty ones of the same width."""
    found: dict[str, Any] = {"year": year}
    width = {"hours": POINTS, "hours_usual": POINTS, "eggs": n_eggs + 1, "eggs_usual": n_eggs + 1}
    for field in fields(SeasonCases)[1:]:
        kind, _, name = field.name.partition("_")
        column = [np.asarray(row[name]) for row in rows[kind]]
        if column:
            joined = np.concatenate(column) if kind == "day" else np.stack(column)
        else:
            joined = np.zeros((0, width[name]) if name in width else 0)
        found[field.name] = joined.astype("datetime64[D]") if name == "issued" else joined
    return SeasonCases(**found)
