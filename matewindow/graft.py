"""Candidate graft days ranked: odds, dates, constraints, ties, and one sentence of advice.

All candidates are computed on the same weather paths, so that their differences are paired and the noise of shared
weather cancels. Utility and tie rule are judgement, stated in ``models/literature.md``.
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from datetime import date, datetime, timedelta
from typing import TYPE_CHECKING

import numpy as np

from matewindow import mating
from matewindow.advice import advise
from matewindow.caveats import caveats
from matewindow.errors import RequestError
from matewindow.limits import Constraint, Limits, broken
from matewindow.odds import MIN_YEARS_FOR_RANGE, Range, Spread, egg_quantiles, spread
from matewindow.outlook import (
    RUN_IN_D,
    drone_share,
    known_hours,
    known_paths,
    named_shares,
    prime_sums,
    solar_today,
    window_span,
)
from matewindow.paths import Paths, Sources, build_paths
from matewindow.resampling import draw_weights, resampled_ranges
from matewindow.timeline import Batch, emergence_days, graft_time, likeliest_emergence

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    from matewindow.biology import Biology
    from matewindow.site import Site

    Floats = NDArray[np.float64]

MAX_DAYS = 120
_NORMAL_FROM = 1000
"""Grafts from which counts are spread by the normal approximation of each binomial."""


@dataclass(frozen=True)
class GraftDay:
    """One candidate day. Odds are per virgin in a nuc; ``expected_laying`` counts from the grafts made.

    ``utility`` ranks the days; ``merit`` is the same without what waiting from the first candidate costs, and says
    whether the graft is worth it at all; ``break_even`` is the chance of a well mated queen at which it would just be.
    """

    day: date
    well_mated: Range
    well_mated_by_weather: Spread
    well_mated_usual: float | None
    in_lay_by: float | None
    in_lay_by_usual: float | None
    expected_laying: float
    expected_laying_usual: float | None
    laying_range: tuple[int, int]
    first_egg: dict[str, date] | None
    prime: tuple[date, date]
    prime_flight_hours: Spread
    prime_flight_hours_usual: Spread | None
    forecast_share: float
    utility: float
    merit: float
    break_even: float
    rank: int
    tied_with_best: bool
    constraints: list[Constraint]


@dataclass(frozen=True)
class GraftDecision:
    """The candidates in order of date, the advice, and what it stands on."""

    site: Site
    now: datetime
    n_grafts: int
    by: date | None
    days: list[GraftDay]
    sentence: str
    graft_dates: list[date]
    threshold: float
    shares: dict[str, float]
    years: int
    members: int
    warnings: list[str] = field(default_factory=list)


def graft_decision(
    site: Site,
    sources: Sources,
    first_day: date,
    n_days: int,
    now: datetime,
    biology: Biology,
    *,
    n_grafts: int = 20,
    by: date | None = None,
    limits: Limits | None = None,
) -> GraftDecision:
    """Rank the days of a span for grafting.

    Args:
        site, sources, now, biology: as ``outlook.batch_outlook``.
        first_day: first candidate day.
        n_days: number of candidate days in a row.
        n_grafts: larvae grafted.
        by: day by which queens should be in lay; None = no such day.
        limits: of the producer's yard and week.

    Raises:
        RequestError: no days, no grafts, a deadline that no queen can meet, or weather that does not cover the windows.
    """
    _check_request(first_day, n_days, n_grafts, by, site, biology)
    days = [first_day + timedelta(days=i) for i in range(n_days)]
    first, weights = _emergence_table(days, site, biology)
    span = window_span(weights.shape[1], biology)
    paths, usual = build_paths(
        sources, first - RUN_IN_D, span.n_days, solar_today(now, site), biology, site.exposure, needed=span.needed
    )
    paths, unknown = known_paths(paths, span)
    work = _evaluate(paths, site, weights, by, biology)
    before = None
    if usual is not None:
        before = _evaluate(replace(usual, hours=known_hours(usual)), site, weights, by, biology)
    redraws = draw_weights(paths)
    ranges = resampled_ranges(work.well, np.ones_like(work.well), redraws)
    today = now.astimezone(site.zone).date()
    limited = [broken(day, today, site, biology, limits or Limits()) for day in days]
    ranking = _ranking(work, np.array([bool(c) for c in limited]))
    best = int(ranking.argmin())
    tied = _ties(work, best, redraws, biology)
    shares = _shares(paths, days, site, biology)
    known = len(paths.years) >= MIN_YEARS_FOR_RANGE
    arrive = biology.success.take * biology.success.emergence_acceptance
    rows = []
    for i, day in enumerate(days):
        success = float(work.success[i].mean())
        low, high = (float(x) for x in ranges[i]) if known else (None, None)
        rows.append(
            GraftDay(
                day=day,
                well_mated=Range(float(work.well[i].mean()), low, high),
                well_mated_by_weather=spread(work.well[i], np.ones(work.well.shape[1])),
                well_mated_usual=None if before is None else float(before.well[i].mean()),
                in_lay_by=None if by is None else success,
                in_lay_by_usual=None if by is None or before is None else float(before.success[i].mean()),
                expected_laying=n_grafts * arrive * success,
                expected_laying_usual=None if before is None else n_grafts * arrive * float(before.success[i].mean()),
                laying_range=laying_range(n_grafts, arrive * work.success[i]),
                first_egg=egg_quantiles(work.eggs[i], first, site),
                prime=_prime(day, site, biology),
                prime_flight_hours=spread(work.prime_sums, work.prime_mass[i]),
                prime_flight_hours_usual=None if before is None else spread(before.prime_sums, before.prime_mass[i]),
                forecast_share=float(shares[i, 1]),
                utility=float(work.utility[i].mean()),
                merit=float(work.merit[i]),
                break_even=float(work.break_even[i]),
                rank=int(ranking[i]),
                tied_with_best=bool(tied[i]),
                constraints=limited[i],
            )
        )
    sentence, chosen = advise(rows, by)
    overall = named_shares(shares.mean(axis=0))
    width = rows[best].well_mated.width
    return GraftDecision(
        site=site,
        now=now,
        n_grafts=n_grafts,
        by=by,
        days=rows,
        sentence=sentence,
        graft_dates=chosen,
        threshold=rows[best].break_even,
        shares=overall,
        years=len(paths.years),
        members=paths.n_members,
        warnings=caveats(paths, overall, sources, now, site, width, unknown),
    )


def for_nuc(biology: Biology, kind: str) -> Biology:
    """The parameters with the cost of a failed nuc of some kind: mini, few-frames or five-frames."""
    d = biology.decision
    cost = {"mini": d.nuc_cost, "few-frames": d.few_frames_nuc_cost, "five-frames": d.five_frames_nuc_cost}[kind]
    return biology.with_values({"decision.nuc_cost": cost})


@dataclass(frozen=True)
class _Work:
    """What the chain says of each candidate: arrays (n_days, n_paths); merit and break-even (n_days,)."""

    well: Floats
    success: Floats
    utility: Floats
    merit: Floats
    break_even: Floats
    eggs: Floats
    mean_egg_day: Floats
    prime_sums: Floats
    prime_mass: Floats


def _emergence_table(days: Sequence[date], site: Site, biology: Biology) -> tuple[np.datetime64, Floats]:
    """First emergence day of all candidates, and each one's shares over emergence days (n_days, n_emergence)."""
    spans = [emergence_days(Batch(graft_time(day, site)), site, biology) for day in days]
    first = min(start for start, _ in spans)
    last = max(start + len(shares) for start, shares in spans)
    table = np.zeros((len(days), int((last - first).astype(int))))
    for row, (start, shares) in zip(table, spans, strict=True):
        at = int((start - first).astype(int))
        row[at : at + len(shares)] = shares
    return first, table


def _evaluate(paths: Paths, site: Site, weights: Floats, by: date | None, biology: Biology) -> _Work:
    n_emergence = weights.shape[1]
    by_index = None if by is None else int((site.solar_day(by) - paths.days[0]).astype(int))
    chain = mating.summarise(
        paths.hours, drone_share(paths.days, site), RUN_IN_D, n_emergence, biology, by_index=by_index
    )
    well, success = weights @ chain.fates[0], weights @ chain.well_by_day
    emergence = np.arange(n_emergence)[:, None]
    egg_day = weights @ (chain.well_egg_age + emergence * chain.fates[0])  # probability x day since first emergence
    eggs = np.zeros((len(weights), n_emergence + chain.egg_age.shape[1]))
    for e in range(n_emergence):
        eggs[:, e : e + chain.egg_age.shape[1]] += weights[:, e : e + 1] * chain.egg_age[e]
    mean_egg_day = egg_day.mean(axis=1) / np.maximum(well.mean(axis=1), 1e-12)
    sums, mass = prime_sums(paths.hours, weights, biology)
    utility, merit, break_even = _utility(chain, weights, well, success, egg_day, biology)
    return _Work(well, success, utility, merit, break_even, eggs, mean_egg_day, sums, mass)


def _utility(
    chain: mating.Summary, weights: Floats, well: Floats, success: Floats, egg_day: Floats, biology: Biology
) -> tuple[Floats, Floats, Floats]:
    """Utility of one nuc per candidate and path, in laying queens; its mean without the wait, and the break-even.

    A nuc with a queen in lay (in time, if there is a deadline) counts 1, one that fails costs ``nuc_cost``, a poor
    queen found late ``poor_queen_cost``. Every day that a nuc is held costs ``delay_cost_per_d``, counted from the day
    on which a queen of this graft could first be in lay, and so does every day by which that is later than for the
    first candidate. A nuc without a good queen is held until the first laying check.
    """
    decision, accept = biology.decision, biology.success.emergence_acceptance
    poor = weights @ (chain.fates[1] + chain.fates[2])
    failed = weights @ (chain.fates[3] + chain.fates[4])
    emergence = (weights @ np.arange(weights.shape[1]))[:, None]
    earliest = emergence + biology.mating.maturity_age_d + biology.laying.lag_d
    to_check = biology.checks.first_check_age_d - biology.mating.maturity_age_d - biology.laying.lag_d
    day = decision.delay_cost_per_d
    waiting = day * (emergence - emergence.min())
    good = success - day * (egg_day - earliest * well)
    bad = decision.nuc_cost * failed + decision.poor_queen_cost * poor + day * to_check * (failed + poor)
    no_virgin = (1.0 - accept) * (decision.nuc_cost + day * to_check)
    worth: Floats = accept * (good - bad) - no_virgin
    p = np.clip(well.mean(axis=1), 1e-9, 1.0 - 1e-9)
    gain, loss = good.mean(axis=1) / p, bad.mean(axis=1) / (1.0 - p)
    break_even = np.clip((loss + no_virgin / accept) / np.maximum(gain + loss, 1e-9), 0.0, 1.0)
    return worth - waiting, worth.mean(axis=1), break_even


def _ranking(work: _Work, limited: NDArray[np.bool_]) -> NDArray[np.intp]:
    """Rank of each candidate from 1, by utility; days that break a limit come after all that break none."""
    order = np.lexsort((-work.utility.mean(axis=1), limited))
    ranking = np.empty(len(order), dtype=np.intp)
    ranking[order] = np.arange(1, len(order) + 1)
    return ranking


def _ties(work: _Work, best: int, redraws: Floats, biology: Biology) -> NDArray[np.bool_]:
    """Which candidates are no worse than the best one beyond the noise.

    A candidate ties if the 90 % range of its paired difference to the best, over redrawn years and members, contains
    0, or if it is within ``tie_points`` of success and ``tie_days`` of the best's mean first egg.
    """
    behind = work.utility[best] - work.utility
    ranges = resampled_ranges(behind, np.ones_like(behind), redraws)
    points = np.abs(work.success.mean(axis=1) - work.success[best].mean()) < biology.decision.tie_points
    dates = np.abs(work.mean_egg_day - work.mean_egg_day[best]) < biology.decision.tie_days
    tied: NDArray[np.bool_] = (ranges[:, 0] <= 0.0) | (points & dates)
    tied[best] = True
    return tied


def laying_range(n_grafts: int, share: Floats, weight: Floats | None = None) -> tuple[int, int]:
    """10 and 90 % points of the count of queens in lay.

    A mixture of binomials over paths, since the queens of a batch share their weather. Paths with nearly the same share
    (to a thousandth) are counted together; from a thousand grafts on each binomial is taken as normal.

    Args:
        n_grafts: larvae grafted.
        share: probability that a graft ends as a queen in lay, on each path, shape (n_paths,).
        weight: how much each path counts, shape (n_paths,); None = all alike.
    """
    from scipy.special import bdtr

    classes, of_path = np.unique(np.round(np.clip(share, 0.0, 1.0), 3), return_inverse=True)
    number = np.bincount(of_path, weight)
    counts, p = np.arange(n_grafts + 1, dtype=np.float64), classes[:, None]
    if n_grafts < _NORMAL_FROM:
        each = bdtr(counts, n_grafts, p)
    else:
        each = mating.normal_cdf((counts + 0.5 - n_grafts * p) / np.sqrt(np.maximum(n_grafts * p * (1.0 - p), 1e-6)))
    low, high = np.minimum(np.searchsorted((number / number.sum()) @ each, [0.1, 0.9]), n_grafts)
    return int(low), int(high)


def _prime(day: date, site: Site, biology: Biology) -> tuple[date, date]:
    born = likeliest_emergence(Batch(graft_time(day, site)), site, biology)
    mating_ = biology.mating
    return born + timedelta(days=round(mating_.prime_from_age_d)), born + timedelta(days=round(mating_.prime_to_age_d))


def _shares(paths: Paths, days: Sequence[date], site: Site, biology: Biology) -> Floats:
    """Shares of observation, forecast and past years in each candidate's prime window, shape (n_days, 3)."""
    daily = paths.daily_shares()
    rows = []
    for day in days:
        start, end = _prime(day, site, biology)
        inside = (paths.days >= site.solar_day(start)) & (paths.days <= site.solar_day(end))
        rows.append(daily[inside].mean(axis=0))
    return np.array(rows, dtype=np.float64)


def _check_request(first_day: date, n_days: int, n_grafts: int, by: date | None, site: Site, biology: Biology) -> None:
    if not 1 <= n_days <= MAX_DAYS:
        raise RequestError(f"{n_days} days", where="days", fix=f"Ask for 1 to {MAX_DAYS} days.")
    if not 1 <= n_grafts <= 10_000:
        raise RequestError(f"{n_grafts} grafts", where="grafts", fix="Give the number of larvae, 1 to 10000.")
    if by is not None:
        born = likeliest_emergence(Batch(graft_time(first_day, site)), site, biology)
        earliest = born + timedelta(days=4)
        if by < earliest:
            raise RequestError(
                f"no queen grafted on {first_day} can be in lay by {by}",
                where="by",
                fix=f"The earliest possible egg is on {earliest}; choose a later day.",
            )
