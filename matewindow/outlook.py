"""The main path on one page: one batch, one site, one weather -> its outlook."""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from datetime import timedelta
from typing import TYPE_CHECKING

import numpy as np

from matewindow import timegrid
from matewindow.caveats import caveats
from matewindow.chainodds import Chain, ChainOdds
from matewindow.errors import RequestError
from matewindow.odds import ByPath, Range, Risks, Spread, egg_quantiles, risks, spread, still_good
from matewindow.paths import Judged, Paths, Sources, build_paths
from matewindow.timeline import Batch, Event, emergence_days, timeline
from matewindow.windowdays import DayFigures, DayOutlook, day_outlooks, named_shares

if TYPE_CHECKING:
    from datetime import date, datetime

    from numpy.typing import NDArray

    from matewindow.biology import Biology
    from matewindow.site import Site

    Floats = NDArray[np.float64]

__all__ = [
    "RUN_IN_D",
    "DayOutlook",
    "Outlook",
    "SiteWork",
    "Span",
    "batch_outlook",
    "drone_share",
    "known_hours",
    "known_paths",
    "named_shares",
    "prime_sums",
    "solar_today",
    "window_span",
]

RUN_IN_D = 10
"""Days before the first emergence that paths begin, so that the pent-up drive is known whatever it was before."""
_NOTHING = 1e-9
"""Less probability than this is rounding."""


@dataclass(frozen=True)
class Outlook:
    """The odds of one batch. Probabilities are shares of 1; dates are those of the site's calendar.

    What ends in ``_usual`` is the same from past years alone and without checks; None where there are no past years.
    ``by_path`` has the odds of being well mated on single paths of weather.
    """

    batch: Batch
    now: datetime
    emergence: tuple[date, date, date]
    fates: dict[str, float]
    well_mated: Range
    well_mated_by_weather: Spread
    well_mated_usual: float | None
    risk_poor_mating: Range | None
    risk_poor_mating_usual: float | None
    risk_delayed_laying: Range | None
    risk_delayed_laying_usual: float | None
    first_egg: dict[str, date] | None
    first_egg_usual: dict[str, date] | None
    mean_flights: float | None
    prime_flight_hours: Spread
    prime_flight_hours_usual: Spread | None
    laying_by_day: dict[date, float]
    still_good: dict[date, float]
    days: list[DayOutlook]
    timeline: list[Event]
    shares: dict[str, float]
    years: int
    members: int
    warnings: list[str]
    by_path: ByPath = field(repr=False, compare=False)


def batch_outlook(batch: Batch, site: Site, sources: Sources, now: datetime, biology: Biology) -> Outlook:
    """Work out the odds of one batch.

    Args:
        batch: its graft, and what was observed of it.
        site: where its queens mate.
        sources: weather laid on the site's solar days.
        now: aware; days before it may be observed, days from it on are forecast or past years.
        biology: parameters with the site's thresholds.

    Raises:
        RequestError: the weather holds nothing for the window, an observation lies in the future, or the checks
            contradict each other or the chain.
    """
    return SiteWork(site, sources, now, biology).outlook(batch)


class SiteWork:
    """What the outlooks of one site's batches share, done once; each comes out as if it were the only one.

    Batches that emerge in the same days share their paths, those with the same shares of emergence the chain as well,
    if they are asked for one after the other.
    """

    def __init__(self, site: Site, sources: Sources, now: datetime, biology: Biology) -> None:
        self._site, self._sources, self._now, self._biology = site, sources, now, biology
        self._today, self._chain = solar_today(now, site), Chain(biology)
        self._judged: Judged | None = None
        self._window: Window | None = None
        self._emergence: Emergence | None = None

    def judge(self, first_day: np.datetime64, n_days: int) -> None:
        """Judge the observed and forecast weather of some solar days, for all batches that are asked for later."""
        self._judged = Judged.of(self._sources, first_day, n_days, self._today, self._biology, self._site.exposure)

    def outlook(self, batch: Batch) -> Outlook:
        """The odds of one batch; arguments and errors as in ``batch_outlook``."""
        check_dates(batch, self._site, self._now)
        emergence = self.before_looks(batch)
        window = emergence.window
        seen = emergence.odds.after(batch.checks, window.first, self._site)
        return _describe(batch, self._site, self._now, self._biology, self._sources, window, emergence, seen)

    def before_looks(self, batch: Batch) -> Emergence:
        """What weather alone says of a batch, in full and not yet told; it holds until the next batch is asked for."""
        first, weights = emergence_days(batch, self._site, self._biology)
        return self._emergence_of(self._window_of(first, len(weights)), weights)

    def _window_of(self, first: np.datetime64, n_emergence: int) -> Window:
        """The paths of a window; those of the one before are kept, and no others, since they are large."""
        last, site = self._window, self._site
        if last is not None and (last.first, last.n_emergence) == (first, n_emergence):
            return last
        span = window_span(n_emergence, self._biology)
        paths, usual = build_paths(
            self._sources,
            first - RUN_IN_D,
            span.n_days,
            self._today,
            self._biology,
            site.exposure,
            needed=span.needed,
            judged=self._judged,
        )
        paths, unknown = known_paths(paths, span)
        usual = None if usual is None else replace(usual, hours=known_hours(usual))
        self._window = Window(first, n_emergence, paths, usual, unknown, drone_share(paths.days, site))
        return self._window

    def _emergence_of(self, window: Window, weights: Floats) -> Emergence:
        """The odds on the paths of a window; those of the batch before are kept."""
        last = self._emergence
        if last is not None and last.window is window and np.array_equal(last.weights, weights):
            return last
        self._emergence = None  # its odds are written over
        odds, before = self._chain.odds(window.paths, window.usual, window.drones, RUN_IN_D, weights)
        usual = None
        if window.usual is not None and before is not None:
            eggs = egg_quantiles(before.egg_days().sum(axis=0), window.first, self._site)
            risk = risks(before, window.usual, self._biology, ranges=False)
            usual = _Usual(risk, eggs, _prime_hours(window.usual, weights, self._biology))
        prime_hours = _prime_hours(window.paths, weights, self._biology)
        self._emergence = Emergence(window, weights, odds, prime_hours, usual)
        return self._emergence


@dataclass(frozen=True)
class Span:
    """The days of paths that an answer needs: how many in all, and which of them decide it."""

    n_days: int
    needed: slice


def window_span(n_emergence: int, biology: Biology) -> Span:
    """Days from ``RUN_IN_D`` before the first emergence to the last possible flight, and the mating window among them.

    The window runs from the earliest flight of the first virgin to the late age of the last one.
    """
    m = biology.mating
    needed = slice(RUN_IN_D + int(m.earliest_flight_age_d), RUN_IN_D + n_emergence + int(m.late_age_d))
    return Span(RUN_IN_D + n_emergence + int(m.end_age_d) + 1, needed)


def solar_today(now: datetime, site: Site) -> np.datetime64:
    """The solar day of the site that an aware time lies in."""
    return timegrid.solar_day_at(now, site.longitude)


def drone_share(days: NDArray[np.datetime64], site: Site) -> Floats:
    """Share of drones available on each day: none before the site's first mature drones, all of them from then on."""
    if site.drones_mature_from is None:
        return np.ones(len(days))
    return (days >= site.solar_day(site.drones_mature_from)).astype(np.float64)


def known_hours(paths: Paths) -> Floats:
    """Flight hours with days that nothing covers counted as without flight."""
    return np.where(np.isnan(paths.hours), 0.0, paths.hours)


def known_paths(paths: Paths, span: Span) -> tuple[Paths, list[np.datetime64]]:
    """The paths with unknown days counted as without flight, and which of the needed days those are.

    Raises:
        RequestError: none of the needed days is known.
    """
    missing = np.asarray(np.isnan(paths.hours).any(axis=1))[span.needed]
    days = paths.days[span.needed]
    if missing.all():
        raise RequestError(
            f"no weather covers the mating window, {days[0]} to {days[-1]}",
            where="weather",
            fix="A forecast alone does not reach so far: add past years (past.json or past.csv) to the folder. "
            "Live weather brings past years along; where it lacks them, `matewindow weather get` shows why.",
        )
    return replace(paths, hours=known_hours(paths)), list(days[missing])


def check_dates(batch: Batch, site: Site, now: datetime) -> None:
    """Refuse observations from the future and moves before the graft."""
    today = now.astimezone(site.zone).date()
    for what, day in [("check", c.day) for c in batch.checks] + ([("emerged", batch.emerged)] if batch.emerged else []):
        if day is not None and day > today:
            raise RequestError(
                f"{day} lies in the future: today is {today}", where=what, fix="Give only what has been seen."
            )
    if batch.moved is not None and batch.moved < batch.grafted:
        raise RequestError("the cells were moved before the graft", where="moved", fix="Check both dates.")


@dataclass(frozen=True)
class Window:
    """The paths over one mating window and before, and what past years alone say; no hours missing any more.

    Attributes:
        first: first emergence day.
        n_emergence: so many emergence days from there on.
        paths, usual: from ``RUN_IN_D`` days before ``first``; ``usual`` None without past years.
        unknown: days of the mating window that nothing covers.
        drones: share of drones on each day of the paths.
    """

    first: np.datetime64
    n_emergence: int
    paths: Paths
    usual: Paths | None
    unknown: list[np.datetime64]
    drones: Floats
    _figures: dict[int, DayFigures] = field(default_factory=dict)

    def figures(self, start: int, n_days: int) -> DayFigures:
        """Of some days, counted from the beginning of the paths."""
        if start not in self._figures:
            days = slice(start, start + n_days)
            self._figures[start] = DayFigures.of(self.paths, self.usual, self.drones, days)
        return self._figures[start]


@dataclass(frozen=True)
class _Usual:
    """What past years alone say of a batch."""

    risks: Risks
    first_egg: dict[str, date] | None
    prime_hours: Spread


@dataclass(frozen=True)
class Emergence:
    """What the chain says of queens that emerge in given shares over the first days of a window, before any check.

    Attributes:
        window: its paths.
        weights: shares of the emergence days, shape (n_emergence,).
        odds: on these paths.
        prime_hours: flight hours in the prime window.
        usual: the same from past years alone; None without them.
    """

    window: Window
    weights: Floats
    odds: ChainOdds
    prime_hours: Spread
    usual: _Usual | None


def _describe(
    batch: Batch,
    site: Site,
    now: datetime,
    biology: Biology,
    sources: Sources,
    window: Window,
    emergence: Emergence,
    seen: ChainOdds,
) -> Outlook:
    paths, usual, m = window.paths, emergence.usual, biology.mating
    risk, egg_days = risks(seen, paths, biology), seen.egg_days().sum(axis=0)
    eggs = egg_quantiles(egg_days, window.first, site)
    first_day = site.civil_day(window.first)
    dates = [first_day + timedelta(days=i) for i in range(len(egg_days))]
    likeliest = int(emergence.weights.argmax())
    figures = window.figures(RUN_IN_D + likeliest, int(m.late_age_d) + 1)
    window_days = [first_day + timedelta(days=likeliest + age) for age in range(int(m.late_age_d) + 1)]
    ages = np.arange(len(window_days))
    prime = (ages >= m.prime_from_age_d) & (ages <= m.prime_to_age_d)
    shares, flew = named_shares(figures.shares[prime].mean(axis=0)), 1.0 - seen.fates()["unmated"]
    flights = None if seen.checked else seen.flight_days()
    return Outlook(
        batch=batch,
        now=now,
        emergence=_emergence_span(emergence.weights, first_day),
        fates=seen.fates(),
        well_mated=risk.well_mated,
        well_mated_by_weather=risk.by_weather,
        well_mated_usual=None if usual is None else usual.risks.well_mated.value,
        risk_poor_mating=risk.poor_mating,
        risk_poor_mating_usual=_value(usual.risks.poor_mating if usual else None),
        risk_delayed_laying=risk.delayed_laying,
        risk_delayed_laying_usual=_value(usual.risks.delayed_laying if usual else None),
        first_egg=eggs,
        first_egg_usual=None if usual is None or usual.first_egg is None else dict(usual.first_egg),
        mean_flights=None if flights is None or flew <= _NOTHING else float(flights.sum()) / flew,
        prime_flight_hours=emergence.prime_hours,
        prime_flight_hours_usual=None if usual is None else usual.prime_hours,
        laying_by_day=dict(zip(dates, np.cumsum(egg_days).tolist(), strict=True)),
        still_good=dict(zip(dates, still_good(seen).tolist(), strict=True)),
        days=day_outlooks(window_days, figures, None if flights is None else flights[likeliest:], biology),
        timeline=timeline(batch, site, biology, first_egg=None if eggs is None else eggs["p50"]),
        shares=shares,
        years=len(paths.years),
        members=paths.n_members,
        warnings=caveats(paths, shares, sources, now, site, risk.well_mated.width, window.unknown),
        by_path=risk.by_path,
    )


def _value(r: Range | None) -> float | None:
    return None if r is None else r.value


def _emergence_span(weights: Floats, first_day: date) -> tuple[date, date, date]:
    """First day with 5 % of the emergences behind it, the likeliest, and the one with 95 %."""
    cumulative = np.cumsum(weights)
    low, likeliest, high = (
        first_day + timedelta(days=int(i))
        for i in (np.searchsorted(cumulative, 0.05), weights.argmax(), np.searchsorted(cumulative, 0.95))
    )
    return low, likeliest, high


def _prime_hours(paths: Paths, weights: Floats, biology: Biology) -> Spread:
    sums, mass = prime_sums(paths.hours, weights[None], biology)
    return spread(sums, mass[0])


def prime_sums(hours: Floats, weights: Floats, biology: Biology) -> tuple[Floats, Floats]:
    """Effective hours in the prime window for each emergence day and path, flat, and their mass by set of weights.

    Args:
        hours: days first, (n_days, n_paths), beginning ``RUN_IN_D`` before the first emergence day, none missing.
        weights: shares of emergence days, shape (n_sets, n_emergence).
        biology: parameters.
    """
    n_emergence, n_paths = weights.shape[1], hours.shape[1]
    start, end = int(biology.mating.prime_from_age_d), int(biology.mating.prime_to_age_d)
    asked = hours[RUN_IN_D : RUN_IN_D + n_emergence + end]
    total = np.concatenate([np.zeros((1, n_paths)), np.cumsum(asked, axis=0)])
    emergence = np.arange(n_emergence)
    sums = total[emergence + end + 1] - total[emergence + start]
    mass = np.repeat(weights / n_paths, n_paths, axis=1)
    return sums.ravel(), mass
