"""The main path on one page: one batch, one site, one weather -> its outlook."""

from __future__ import annotations

from dataclasses import dataclass, replace
from datetime import UTC, date, datetime
from typing import TYPE_CHECKING

import numpy as np

from matewindow import mating, timegrid
from matewindow.caveats import caveats
from matewindow.errors import RequestError
from matewindow.flight import CAUSES
from matewindow.paths import ORIGINS, Paths, Sources, build_paths
from matewindow.resampling import draw_weights, resampled_ranges
from matewindow.timeline import Batch, Check, Event, emergence_days, timeline, to_date

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from matewindow.biology import Biology
    from matewindow.site import Site

    Floats = NDArray[np.float64]

RUN_IN_D = 10
"""Days before the first emergence that paths begin, so that the pent-up drive is known whatever it was before."""
_IMPOSSIBLE = 1e-9  # less probability than this is rounding
_SEEN = {"eggs": "eggs", "virgin": "a virgin", "nothing": "no eggs"}


@dataclass(frozen=True)
class Range:
    """A number with its 5 to 95 % range over resampled years and members."""

    value: float
    low: float
    high: float


@dataclass(frozen=True)
class Spread:
    """Mean and 10, 50 and 90 % points of something that differs between possible weathers."""

    mean: float
    p10: float
    p50: float
    p90: float


@dataclass(frozen=True)
class DayOutlook:
    """One day of a batch's window. Hours are means over the paths; ``spoiled_by`` is hours lost by cause."""

    day: date
    age: int
    strict_hours: float
    effective_hours: float
    p10_hours: float
    p90_hours: float
    usual_hours: float | None
    window_hours: float
    spoiled_by: dict[str, float]
    shares: dict[str, float]
    flights: float
    prime: bool


@dataclass(frozen=True)
class Outlook:
    """The odds of one batch. Probabilities are shares of 1; dates are solar days of the site."""

    batch: Batch
    now: datetime
    emergence: tuple[date, date, date]
    fates: dict[str, float]
    well_mated: Range
    well_mated_usual: float | None
    risk_poor_mating: Range
    risk_poor_mating_usual: float | None
    risk_delayed_laying: Range
    risk_delayed_laying_usual: float | None
    first_egg: dict[str, date] | None
    first_egg_usual: dict[str, date] | None
    mean_flights: float
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


def batch_outlook(batch: Batch, site: Site, sources: Sources, now: datetime, biology: Biology) -> Outlook:
    """Work out the odds of one batch.

    Args:
        batch: its graft, and what was observed of it.
        site: where its queens mate.
        sources: weather laid on the site's solar days.
        now: aware; days before it may be observed, days from it on are forecast or past years.
        biology: parameters with the site's thresholds.

    Raises:
        RequestError: the weather holds nothing for the window, or the checks contradict each other or the chain.
    """
    first, weights = emergence_days(batch, site, biology)
    today = solar_today(now, site)
    n_days = RUN_IN_D + len(weights) + int(biology.mating.end_age_d) + 1
    paths, usual = build_paths(sources, first - RUN_IN_D, n_days, today, biology, site.exposure)
    paths = require_known(paths, RUN_IN_D, len(weights) + int(biology.mating.late_age_d))
    odds = _odds(paths, site, weights, biology)
    seen = _after_checks(odds, batch.checks, first)
    before = None if usual is None else _odds(usual, site, weights, biology)
    return _describe(batch, site, now, biology, _Worked(paths, usual, odds, seen, before, first, weights), sources)


def solar_today(now: datetime, site: Site) -> np.datetime64:
    """The solar day of the site that an aware time lies in."""
    return timegrid.solar_day_of(np.datetime64(now.astimezone(UTC).replace(tzinfo=None), "s"), site.longitude)


def drone_share(days: NDArray[np.datetime64], site: Site) -> Floats:
    """Share of drones available on each day: none before the site's first mature drones, all of them from then on."""
    if site.drones_mature_from is None:
        return np.ones(len(days))
    return (days >= np.datetime64(site.drones_mature_from, "D")).astype(np.float64)


def require_known(paths: Paths, start: int, length: int) -> Paths:
    """The paths, with days that nothing covers counted as without flight if they lie past the ones that matter.

    Raises:
        RequestError: a day of the ``length`` days from ``start`` is not covered by anything.
    """
    unknown = np.asarray(np.isnan(paths.hours).any(axis=1))
    needed = np.flatnonzero(unknown[start : start + length])
    if len(needed):
        raise RequestError(
            f"no weather covers {paths.days[start + needed[0]]}, and the window reaches to "
            f"{paths.days[start + length - 1]}",
            where="weather",
            fix="Add past years for these dates (past.json or past.csv): a forecast alone does not reach so far.",
        )
    return replace(paths, hours=np.where(np.isnan(paths.hours), 0.0, paths.hours))


@dataclass(frozen=True)
class _Odds:
    """Probability mass of one batch; over everything it adds up to the mean over paths of what the checks leave.

    ``egg`` (3 fates, ages, emergence days, paths), ``lost`` (ages, emergence days, paths), ``unmated`` (emergence
    days, paths).
    """

    egg: Floats
    lost: Floats
    unmated: Floats
    flights: Floats

    def by_path(self) -> Floats:
        """Mass of each fate on each path, shape (5, n_paths), in the order of ``mating.FATES``."""
        return np.concatenate(
            [self.egg.sum(axis=(1, 2)), self.unmated.sum(axis=0)[None], self.lost.sum(axis=(0, 1))[None]]
        )

    def egg_days(self) -> Floats:
        """Mass of the first egg by fate and day since the first emergence day, (3, n_ages + n_emergence - 1)."""
        by_age = self.egg.sum(axis=-1)
        n_emergence = by_age.shape[2]
        days = np.zeros((3, by_age.shape[1] + n_emergence - 1))
        for e in range(n_emergence):
            days[:, e : e + by_age.shape[1]] += by_age[:, :, e]
        return days


@dataclass(frozen=True)
class _Worked:
    paths: Paths
    usual: Paths | None
    odds: _Odds
    seen: _Odds
    before: _Odds | None
    first: np.datetime64
    weights: Floats


def _odds(paths: Paths, site: Site, weights: Floats, biology: Biology) -> _Odds:
    d = mating.distribution(paths.hours, drone_share(paths.days, site), RUN_IN_D, len(weights), biology)
    share = weights[:, None] / paths.hours.shape[1]
    return _Odds(d.egg * share, d.lost * share, d.unmated * share, d.flights * share)


def _after_checks(odds: _Odds, checks: tuple[Check, ...], first: np.datetime64) -> _Odds:
    """Bayes: keep the mass that agrees with what was seen, over fates, days, emergence days and weathers alike."""
    n_ages, n_emergence = odds.egg.shape[1:3]
    age = np.arange(n_ages)[:, None]
    for check in checks:
        day = int((np.datetime64(check.day, "D") - first).astype(int)) - np.arange(n_emergence)  # age at the check
        laid = np.asarray(np.less_equal(age, day), dtype=np.bool_)[..., None]
        # eggs: laid by then. virgin: alive and not laying. nothing: not laying, alive or lost.
        keep_egg = laid if check.saw == "eggs" else ~laid
        keep_lost = {"eggs": np.zeros_like(laid), "virgin": ~laid, "nothing": np.ones_like(laid)}[check.saw]
        odds = _Odds(
            odds.egg * keep_egg,
            odds.lost * keep_lost,
            odds.unmated * float(check.saw != "eggs"),
            odds.flights,
        )
        if odds.by_path().sum() <= _IMPOSSIBLE:
            raise RequestError(
                f"{_SEEN[check.saw]} on {check.day} cannot be",
                where="check",
                fix="It contradicts the graft, the emergence or another check. No queen lays before she is 4 days old.",
            )
    return odds


def _describe(batch: Batch, site: Site, now: datetime, biology: Biology, worked: _Worked, sources: Sources) -> Outlook:
    paths, seen, before, first = worked.paths, worked.seen, worked.before, worked.first
    masses = seen.by_path()
    fates = dict(zip(mating.FATES, (float(x) for x in masses.sum(axis=1) / masses.sum()), strict=True))
    well, poor, delayed = _risks(seen, masses, paths, biology)
    usual = None if before is None else _risks(before, before.by_path(), None, biology)
    eggs = _first_egg(seen, first)
    emergence = first + int(worked.weights.argmax())
    ages = np.arange(int(biology.mating.late_age_d) + 1)
    rows = (emergence - paths.days[0]).astype(int) + ages
    prime = _prime_days(paths, worked, biology)
    share = paths.shares(prime)
    shares = dict(zip(ORIGINS, (float(x) for x in share), strict=True))
    in_lay = seen.egg_days().sum(axis=0) / masses.sum()
    dates = [to_date(first + i) for i in range(len(in_lay))]
    flown = worked.odds.flights.sum()
    return Outlook(
        batch=batch,
        now=now,
        emergence=_emergence_span(worked),
        fates=fates,
        well_mated=well,
        well_mated_usual=None if usual is None else usual[0].value,
        risk_poor_mating=poor,
        risk_poor_mating_usual=None if usual is None else usual[1].value,
        risk_delayed_laying=delayed,
        risk_delayed_laying_usual=None if usual is None else usual[2].value,
        first_egg=eggs,
        first_egg_usual=None if before is None else _first_egg(before, first),
        mean_flights=float(flown / max(1e-12, 1.0 - worked.odds.unmated.sum())),
        prime_flight_hours=_prime_hours(paths, worked.weights, biology),
        prime_flight_hours_usual=None if worked.usual is None else _prime_hours(worked.usual, worked.weights, biology),
        laying_by_day=dict(zip(dates, np.cumsum(in_lay).tolist(), strict=True)),
        still_good=_still_good(seen, dates),
        days=_days(worked, rows, ages, biology),
        timeline=timeline(batch, site, biology, first_egg=None if eggs is None else eggs["p50"]),
        shares=shares,
        years=len(paths.years),
        members=paths.n_members,
        warnings=caveats(paths, shares, sources, now, solar_today(now, site), well.high - well.low),
    )


def _risks(odds: _Odds, masses: Floats, paths: Paths | None, biology: Biology) -> tuple[Range, Range, Range]:
    """Well mated, risk of poor mating (of those not lost), risk of delayed laying (of the well mated), with ranges."""
    late_egg = int(biology.checks.first_check_age_d) + 1
    numerators = np.stack([masses[0], masses[1:4].sum(axis=0), odds.egg[0, late_egg:].sum(axis=(0, 1))])
    denominators = np.stack([masses.sum(axis=0), masses[:4].sum(axis=0), masses[0]])
    tops, bottoms = numerators.sum(axis=1), denominators.sum(axis=1)
    values = [float(t / b) if b > _IMPOSSIBLE else 0.0 for t, b in zip(tops, bottoms, strict=True)]
    if paths is None:
        return tuple(Range(v, v, v) for v in values)  # type: ignore[return-value]  # three values, three ranges
    ranges = resampled_ranges(numerators, denominators, draw_weights(paths))
    return tuple(  # type: ignore[return-value]  # three values, three ranges
        Range(v, *(v if np.isnan(x) else float(x) for x in r)) for v, r in zip(values, ranges, strict=True)
    )


def _first_egg(odds: _Odds, first: np.datetime64) -> dict[str, date] | None:
    """Days by which 10, 50 and 90 % of the queens that come into lay have laid; None if none does."""
    return egg_quantiles(odds.egg_days().sum(axis=0), first)


def egg_quantiles(by_day: Floats, first: np.datetime64) -> dict[str, date] | None:
    """10, 50 and 90 % points of a distribution of first eggs over the days from ``first``; None where it is empty."""
    total = by_day.sum()
    if total <= _IMPOSSIBLE:
        return None
    cumulative = np.cumsum(by_day) / total
    return {
        name: to_date(first + int(np.searchsorted(cumulative, q - 1e-12)))
        for name, q in (("p10", 0.1), ("p50", 0.5), ("p90", 0.9))
    }


def _still_good(odds: _Odds, dates: list[date]) -> dict[date, float]:
    """For each day, the odds that a nuc without eggs on it still gets a well mated queen in the end."""
    eggs = odds.egg_days()
    laid = np.cumsum(eggs.sum(axis=0))
    well_later = eggs[0].sum() - np.cumsum(eggs[0])
    waiting = odds.by_path().sum() - laid
    good = np.divide(well_later, waiting, out=np.zeros_like(waiting), where=waiting > _IMPOSSIBLE)
    return dict(zip(dates, np.clip(good, 0.0, 1.0).tolist(), strict=True))


def _emergence_span(worked: _Worked) -> tuple[date, date, date]:
    """First day with 5 % of the emergences behind it, the likeliest, and the one with 95 %."""
    cumulative = np.cumsum(worked.weights)
    return tuple(  # type: ignore[return-value]  # three days
        to_date(worked.first + int(i))
        for i in (
            np.searchsorted(cumulative, 0.05),
            worked.weights.argmax(),
            np.searchsorted(cumulative, 0.95),
        )
    )


def _prime_days(paths: Paths, worked: _Worked, biology: Biology) -> NDArray[np.bool_]:
    emergence = worked.first + int(worked.weights.argmax())
    age = (paths.days - emergence).astype(int)
    result: NDArray[np.bool_] = (age >= biology.mating.prime_from_age_d) & (age <= biology.mating.prime_to_age_d)
    return result


def _prime_hours(paths: Paths, weights: Floats, biology: Biology) -> Spread:
    sums, mass = prime_sums(paths, weights[None], biology)
    return spread(sums, mass[0])


def prime_sums(paths: Paths, weights: Floats, biology: Biology) -> tuple[Floats, Floats]:
    """Effective hours in the prime window for each emergence day and path, flat, and their mass by set of weights.

    Args:
        paths: beginning ``RUN_IN_D`` before the first emergence day.
        weights: shares of emergence days, shape (n_sets, n_emergence).
    """
    n_emergence, n_paths = weights.shape[1], paths.hours.shape[1]
    start, end = int(biology.mating.prime_from_age_d), int(biology.mating.prime_to_age_d)
    total = np.concatenate([np.zeros((1, n_paths)), np.cumsum(paths.hours[RUN_IN_D:], axis=0)])
    emergence = np.arange(n_emergence)
    sums = total[emergence + end + 1] - total[emergence + start]
    mass = np.repeat(weights / n_paths, n_paths, axis=1)
    return sums.ravel(), mass


def spread(values: Floats, mass: Floats) -> Spread:
    """Mean and weighted 10, 50 and 90 % points."""
    order = np.argsort(values)
    cumulative = np.cumsum(mass[order]) / mass.sum()
    at = np.minimum(np.searchsorted(cumulative, [0.1, 0.5, 0.9]), len(values) - 1)
    return Spread(float(values @ mass / mass.sum()), *(float(x) for x in values[order][at]))


def _days(worked: _Worked, rows: NDArray[np.intp], ages: NDArray[np.intp], biology: Biology) -> list[DayOutlook]:
    paths = worked.paths
    strict, lost = paths.strict_hours().mean(axis=1), paths.mean_losses()
    low, high = np.quantile(paths.hours, (0.1, 0.9), axis=1)
    shares = paths.daily_shares()
    flights = _flights_by_day(worked, len(paths.days))
    return [
        DayOutlook(
            day=to_date(paths.days[row]),
            age=int(age),
            strict_hours=float(strict[row]),
            effective_hours=float(paths.hours[row].mean()),
            p10_hours=float(low[row]),
            p90_hours=float(high[row]),
            usual_hours=None if worked.usual is None else float(worked.usual.hours[row].mean()),
            window_hours=float(paths.window_h[row]),
            spoiled_by={cause: float(x) for cause, x in zip(CAUSES, lost[row], strict=True)},
            shares=dict(zip(ORIGINS, (float(x) for x in shares[row]), strict=True)),
            flights=float(flights[row]),
            prime=bool(biology.mating.prime_from_age_d <= age <= biology.mating.prime_to_age_d),
        )
        for row, age in zip(rows, ages, strict=True)
    ]


def _flights_by_day(worked: _Worked, n_days: int) -> Floats:
    """Mating flights per queen on each day of the paths, before any check."""
    by_age = worked.odds.flights.sum(axis=-1)
    flights = np.zeros(n_days + by_age.shape[0])
    for e in range(by_age.shape[1]):
        flights[RUN_IN_D + e : RUN_IN_D + e + by_age.shape[0]] += by_age[:, e]
    return flights[:n_days]
