"""The main path on one page: one batch, one site, one weather -> its outlook."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np

from matewindow import timegrid
from matewindow.caveats import caveats
from matewindow.errors import RequestError
from matewindow.flight import CAUSES
from matewindow.odds import Odds, Range, Spread, after_checks, egg_quantiles, odds_of, risks, spread, still_good
from matewindow.pathparts import ORIGINS
from matewindow.paths import Paths, Sources, build_paths
from matewindow.timeline import Batch, Event, emergence_days, timeline

if TYPE_CHECKING:
    from datetime import date, datetime

    from numpy.typing import NDArray

    from matewindow.biology import Biology
    from matewindow.site import Site

    Floats = NDArray[np.float64]

RUN_IN_D = 10
"""Days before the first emergence that paths begin, so that the pent-up drive is known whatever it was before."""
FLYING_H = 1.0
"""Effective hours that make a flying day: the shortest usable spell (judgement)."""


@dataclass(frozen=True)
class DayOutlook:
    """One day of a batch's window. Hours are means over the paths; ``spoiled_by`` is hours lost by cause.

    A day that no weather covers counts as without flight: its share is ``unknown``, its strict hours are None, and no
    cause is blamed, so that lost and effective hours fall short of the window.
    ``p_flying`` is the chance of an effective hour or more with drones about; ``flights`` the mating flights expected
    of a virgin, None once checks have been taken into account.
    """

    day: date
    age: int
    prime: bool
    strict_hours: float | None
    effective_hours: float
    p10_hours: float
    p90_hours: float
    p_flying: float
    usual_hours: float | None
    window_hours: float
    spoiled_by: dict[str, float]
    shares: dict[str, float]
    drones: float
    flights: float | None


@dataclass(frozen=True)
class Outlook:
    """The odds of one batch. Probabilities are shares of 1; dates are those of the site's calendar.

    What ends in ``_usual`` is the same from past years alone and without checks; None where there are no past years.
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
    _check_dates(batch, site, now)
    first, weights = emergence_days(batch, site, biology)
    span = window_span(len(weights), biology)
    paths, usual = build_paths(
        sources, first - RUN_IN_D, span.n_days, solar_today(now, site), biology, site.exposure, needed=span.needed
    )
    paths, unknown = known_paths(paths, span)
    drones = drone_share(paths.days, site)
    odds = odds_of(paths.hours, drones, RUN_IN_D, weights, biology)
    seen = after_checks(odds, batch.checks, first, site)
    before = None if usual is None else odds_of(known_hours(usual), drones, RUN_IN_D, weights, biology)
    worked = _Worked(paths, usual, seen, before, first, weights, drones)
    return _describe(batch, site, now, biology, worked, sources, unknown)


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
            fix="Add past years for these dates (past.json or past.csv): a forecast alone does not reach so far.",
        )
    return replace(paths, hours=known_hours(paths)), list(days[missing])


def _check_dates(batch: Batch, site: Site, now: datetime) -> None:
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
class _Worked:
    paths: Paths
    usual: Paths | None
    seen: Odds
    before: Odds | None
    first: np.datetime64
    weights: Floats
    drones: Floats


def _describe(
    batch: Batch,
    site: Site,
    now: datetime,
    biology: Biology,
    worked: _Worked,
    sources: Sources,
    unknown: list[np.datetime64],
) -> Outlook:
    paths, seen, before, first = worked.paths, worked.seen, worked.before, worked.first
    risk = risks(seen, paths, biology)
    usual = None if before is None or worked.usual is None else risks(before, worked.usual, biology, ranges=False)
    in_lay, good = np.cumsum(seen.egg_days().sum(axis=0)), still_good(seen)
    dates = [site.civil_day(first + i) for i in range(len(in_lay))]
    eggs = egg_quantiles(seen.egg_days().sum(axis=0), first, site)
    shares = named_shares(paths.shares(_prime_days(worked, biology)))
    flew = 1.0 - float(seen.unmated.sum())
    return Outlook(
        batch=batch,
        now=now,
        emergence=_emergence_span(worked, site),
        fates=seen.fates(),
        well_mated=risk.well_mated,
        well_mated_by_weather=risk.by_weather,
        well_mated_usual=None if usual is None else usual.well_mated.value,
        risk_poor_mating=risk.poor_mating,
        risk_poor_mating_usual=_value(usual.poor_mating if usual else None),
        risk_delayed_laying=risk.delayed_laying,
        risk_delayed_laying_usual=_value(usual.delayed_laying if usual else None),
        first_egg=eggs,
        first_egg_usual=None if before is None else egg_quantiles(before.egg_days().sum(axis=0), first, site),
        mean_flights=None if seen.checked or flew <= 0.0 else float(seen.flights.sum()) / flew,
        prime_flight_hours=_prime_hours(paths, worked.weights, biology),
        prime_flight_hours_usual=None
        if worked.usual is None
        else _prime_hours(replace(worked.usual, hours=known_hours(worked.usual)), worked.weights, biology),
        laying_by_day=dict(zip(dates, in_lay.tolist(), strict=True)),
        still_good=dict(zip(dates, good.tolist(), strict=True)),
        days=_days(worked, site, biology),
        timeline=timeline(batch, site, biology, first_egg=None if eggs is None else eggs["p50"]),
        shares=shares,
        years=len(paths.years),
        members=paths.n_members,
        warnings=caveats(paths, shares, sources, now, site, risk.well_mated.width, unknown),
    )


def named_shares(shares: Floats) -> dict[str, float]:
    """Shares by what they stand on, adding up to 1; ``unknown`` only where some days stand on nothing."""
    named = dict(zip(ORIGINS, (float(x) for x in shares), strict=True))
    unknown = 1.0 - sum(named.values())
    return named if unknown < 1e-9 else named | {"unknown": unknown}


def _value(r: Range | None) -> float | None:
    return None if r is None else r.value


def _emergence_span(worked: _Worked, site: Site) -> tuple[date, date, date]:
    """First day with 5 % of the emergences behind it, the likeliest, and the one with 95 %."""
    cumulative = np.cumsum(worked.weights)
    low, likeliest, high = (
        site.civil_day(worked.first + int(i))
        for i in (np.searchsorted(cumulative, 0.05), worked.weights.argmax(), np.searchsorted(cumulative, 0.95))
    )
    return low, likeliest, high


def _prime_days(worked: _Worked, biology: Biology) -> NDArray[np.bool_]:
    age = (worked.paths.days - (worked.first + int(worked.weights.argmax()))).astype(int)
    return np.asarray((age >= biology.mating.prime_from_age_d) & (age <= biology.mating.prime_to_age_d))


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
    total = np.concatenate([np.zeros((1, n_paths)), np.cumsum(hours[RUN_IN_D:], axis=0)])
    emergence = np.arange(n_emergence)
    sums = total[emergence + end + 1] - total[emergence + start]
    mass = np.repeat(weights / n_paths, n_paths, axis=1)
    return sums.ravel(), mass


def _days(worked: _Worked, site: Site, biology: Biology) -> list[DayOutlook]:
    """The days from the likeliest emergence to the late age."""
    paths, m = worked.paths, biology.mating
    start = int((worked.first - paths.days[0]).astype(int)) + int(worked.weights.argmax())
    strict, lost = paths.strict_hours().mean(axis=1), paths.mean_losses()
    low, high = np.quantile(paths.hours, (0.1, 0.9), axis=1)
    flying = (paths.hours >= FLYING_H).mean(axis=1) * (worked.drones > 0.0)
    usual = None if worked.usual is None else known_hours(worked.usual).mean(axis=1)
    shares, flights = paths.daily_shares(), worked.seen.flight_days()
    days = []
    for age in range(int(m.late_age_d) + 1):
        row = start + age
        days.append(
            DayOutlook(
                day=site.civil_day(paths.days[row]),
                age=age,
                prime=bool(m.prime_from_age_d <= age <= m.prime_to_age_d),
                strict_hours=None if np.isnan(strict[row]) else float(strict[row]),
                effective_hours=float(paths.hours[row].mean()),
                p10_hours=float(low[row]),
                p90_hours=float(high[row]),
                p_flying=float(flying[row]),
                usual_hours=None if usual is None else float(usual[row]),
                window_hours=float(paths.window_h[row]),
                spoiled_by={cause: float(x) for cause, x in zip(CAUSES, lost[row], strict=True)},
                shares=named_shares(shares[row]),
                drones=float(worked.drones[row]),
                flights=None if worked.seen.checked else float(flights[row - RUN_IN_D]),
            )
        )
    return days
