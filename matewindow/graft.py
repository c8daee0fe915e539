"""Candidate graft days ranked: odds, dates, constraints, ties, and one sentence of advice.

All candidates are computed on the same weather paths, so that their differences are paired and the noise of shared
weather cancels. The tie rule is judgement, stated in ``models/literature.md``.
"""

from __future__ import annotations

from bisect import bisect_left
from dataclasses import dataclass, field, replace
from datetime import date, datetime, timedelta
from typing import TYPE_CHECKING

import numpy as np

from matewindow import mating
from matewindow.advice import advise
from matewindow.caveats import caveats
from matewindow.errors import RequestError
from matewindow.graftworth import Worth, emergence_table, evaluate
from matewindow.limits import Constraint, Limits, broken
from matewindow.odds import MIN_YEARS_FOR_RANGE, Range, Spread, egg_quantiles, spread
from matewindow.outlook import (
    RUN_IN_D,
    known_hours,
    known_paths,
    named_shares,
    solar_today,
    window_span,
)
from matewindow.paths import Paths, Sources, build_paths
from matewindow.resampling import draw_weights, resampled_ranges
from matewindow.timeline import Batch, graft_time, likeliest_emergence

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    from matewindow.biology import Biology
    from matewindow.graftworth import PutsRight
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
    recalibration: PutsRight | None = None,
) -> GraftDecision:
    """Rank the days of a span for grafting.

    Args:
        site, sources, now, biology: as ``outlook.batch_outlook``.
        first_day: first candidate day.
        n_days: number of candidate days in a row.
        n_grafts: larvae grafted.
        by: day by which queens should be in lay; None = no such day.
        limits: of the producer's yard and week.
        recalibration: puts the odds right by records, and with them all that follows: counts, utility, break-even, ties
            and the advice; the usual likewise by its own odds. First eggs and flight hours stay. None = odds stay.

    Raises:
        RequestError: no days, no grafts, a deadline that no queen can meet, or weather that does not cover the windows.
    """
    _check_request(first_day, n_days, n_grafts, by, site, biology)
    days = [first_day + timedelta(days=i) for i in range(n_days)]
    first, weights = emergence_table(days, site, biology)
    span = window_span(weights.shape[1], biology)
    paths, usual = build_paths(
        sources, first - RUN_IN_D, span.n_days, solar_today(now, site), biology, site.exposure, needed=span.needed
    )
    paths, unknown = known_paths(paths, span)
    work = evaluate(paths, site, weights, by, biology, recalibration)
    before = None
    if usual is not None:
        before = evaluate(replace(usual, hours=known_hours(usual)), site, weights, by, biology, recalibration)
    redraws = draw_weights(paths)
    ranges = resampled_ranges(work.well_by_chain, np.ones_like(work.well), redraws)
    if recalibration is not None:
        ranges = recalibration.apply(ranges)
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


def _ranking(work: Worth, limited: NDArray[np.bool_]) -> NDArray[np.intp]:
    """Rank of each candidate from 1, by utility; days that break a limit come after all that break none."""
    order = np.lexsort((-work.utility.mean(axis=1), limited))
    ranking = np.empty(len(order), dtype=np.intp)
    ranking[order] = np.arange(1, len(order) + 1)
    return ranking


def _ties(work: Worth, best: int, redraws: Floats, biology: Biology) -> NDArray[np.bool_]:
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

    by_thousandth = np.bincount(np.rint(1000.0 * np.clip(share, 0.0, 1.0)).astype(np.intp), weight)
    classes = np.flatnonzero(by_thousandth)
    number, p = by_thousandth[classes] / by_thousandth.sum(), classes / 1000.0

    def up_to(count: int) -> float:
        if n_grafts < _NORMAL_FROM:
            return float(number @ bdtr(float(count), n_grafts, p))
        spread_out = np.sqrt(np.maximum(n_grafts * p * (1.0 - p), 1e-6))
        return float(number @ mating.normal_cdf((count + 0.5 - n_grafts * p) / spread_out))

    low, high = (bisect_left(range(n_grafts), point, key=up_to) for point in (0.1, 0.9))
    return low, high


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
