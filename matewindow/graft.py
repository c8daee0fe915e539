"""Candidate graft days ranked: odds, dates, constraints, ties, and one sentence of advice.

All candidates are computed on the same weather paths, so that their differences are paired and the noise of shared
weather cancels. Utility and tie rule: ``design`` judgement, stated in ``models/literature.md``.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from datetime import date, datetime, timedelta
from typing import TYPE_CHECKING

import numpy as np

from matewindow import mating
from matewindow.advice import advise
from matewindow.caveats import caveats
from matewindow.errors import RequestError
from matewindow.outlook import (
    RUN_IN_D,
    Range,
    Spread,
    drone_share,
    egg_quantiles,
    prime_sums,
    require_known,
    solar_today,
    spread,
)
from matewindow.paths import ORIGINS, Paths, Sources, build_paths
from matewindow.resampling import draw_weights, resampled_ranges
from matewindow.timeline import Batch, emergence_days, emergence_mean, graft_time, to_date
from matewindow.words import day_month, weekday_day

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    from matewindow.biology import Biology
    from matewindow.site import Site

    Floats = NDArray[np.float64]

MAX_DAYS = 120
WEEKDAYS = ("monday", "tuesday", "wednesday", "thursday", "friday", "saturday", "sunday")


@dataclass(frozen=True)
class Limits:
    """What the keeper's own yard and week allow. None and empty mean no limit.

    Attributes:
        builder_free_from: first day on which the cell builder takes grafts again.
        nucs_free_from: first day on which nucs can take ripe cells.
        days_off: days on which the producer does not work.
        weekdays_off: the same, every week, as 0 for Monday to 6 for Sunday.
    """

    builder_free_from: date | None = None
    nucs_free_from: date | None = None
    days_off: frozenset[date] = frozenset()
    weekdays_off: frozenset[int] = frozenset()

    def off(self, day: date) -> bool:
        """Whether the producer does not work on a day."""
        return day in self.days_off or day.weekday() in self.weekdays_off


@dataclass(frozen=True)
class Constraint:
    """A limit that a candidate day breaks: its name and what it means here."""

    name: str
    text: str


@dataclass(frozen=True)
class GraftDay:
    """One candidate day. Odds are per virgin in a nuc; ``expected_laying`` counts from the grafts made."""

    day: date
    well_mated: Range
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
    limits: Limits = Limits(),
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
    span = RUN_IN_D + weights.shape[1] + int(biology.mating.end_age_d) + 1
    paths, usual = build_paths(sources, first - RUN_IN_D, span, solar_today(now, site), biology, site.exposure)
    paths = require_known(paths, RUN_IN_D, weights.shape[1] + int(biology.mating.late_age_d))
    work = _evaluate(paths, site, weights, by, biology)
    before = None if usual is None else _evaluate(usual, site, weights, by, biology)
    redraws = draw_weights(paths)
    ranges = resampled_ranges(work.well, np.ones_like(work.well), redraws)
    limited = [broken(day, site, biology, limits) for day in days]
    ranking = _ranking(work, np.array([bool(c) for c in limited]))
    best = int(ranking.argmin())
    tied = _ties(work, best, redraws, biology)
    arrive = biology.success.take * biology.success.emergence_acceptance
    shares = _shares(paths, days, site, biology)
    rows = []
    for i, day in enumerate(days):
        well = float(work.success[i].mean())
        rows.append(
            GraftDay(
                day=day,
                well_mated=Range(float(work.well[i].mean()), *(float(x) for x in ranges[i])),
                well_mated_usual=None if before is None else float(before.well[i].mean()),
                in_lay_by=None if by is None else well,
                in_lay_by_usual=None if by is None or before is None else float(before.success[i].mean()),
                expected_laying=n_grafts * arrive * well,
                expected_laying_usual=None if before is None else n_grafts * arrive * float(before.success[i].mean()),
                laying_range=laying_range(n_grafts, arrive * work.success[i]),
                first_egg=egg_quantiles(work.eggs[i], first),
                prime=_prime(day, site, biology),
                prime_flight_hours=spread(work.prime_sums, work.prime_mass[i]),
                prime_flight_hours_usual=None if before is None else spread(before.prime_sums, before.prime_mass[i]),
                forecast_share=float(shares[i, 1]),
                utility=float(work.utility[i].mean()),
                rank=int(ranking[i]),
                tied_with_best=bool(tied[i]),
                constraints=limited[i],
            )
        )
    threshold = worth_it_from(biology)
    sentence, chosen = advise(rows, threshold, by)
    overall = dict(zip(ORIGINS, (float(x) for x in shares.mean(axis=0)), strict=True))
    width = float(ranges[best, 1] - ranges[best, 0])
    return GraftDecision(
        site=site,
        now=now,
        n_grafts=n_grafts,
        by=by,
        days=rows,
        sentence=sentence,
        graft_dates=chosen,
        threshold=threshold,
        shares=overall,
        years=len(paths.years),
        members=paths.n_members,
        warnings=caveats(paths, overall, sources, now, solar_today(now, site), width),
    )


@dataclass(frozen=True)
class _Work:
    """What the chain says of each candidate: arrays (n_days, n_paths), eggs by day (n_days, n_egg_days)."""

    well: Floats
    success: Floats
    utility: Floats
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
    by_index = None if by is None else int((np.datetime64(by, "D") - paths.days[0]).astype(int))
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
    sums, mass = prime_sums(paths, weights, biology)
    utility = _utility(chain, weights, well, success, egg_day, biology)
    return _Work(well, success, utility, eggs, mean_egg_day, sums, mass)


def _utility(
    chain: mating.Summary, weights: Floats, well: Floats, success: Floats, egg_day: Floats, biology: Biology
) -> Floats:
    """Utility of one nuc per candidate and path, in laying queens.

    A nuc with a queen in lay (in time, if there is a deadline) counts 1, one that fails costs ``nuc_cost``, a poor
    queen found late
    ``poor_queen_cost``; every day that the nuc is held costs ``delay_cost_per_d``, counted from the first day on
    which any candidate could have a queen in lay. A nuc that fails is held until the first laying check.
    """
    decision, accept = biology.decision, biology.success.emergence_acceptance
    poor = weights @ (chain.fates[1] + chain.fates[2])
    failed = weights @ (chain.fates[3] + chain.fates[4])
    emergence = weights @ np.arange(weights.shape[1])
    earliest = emergence.min() + biology.mating.maturity_age_d + biology.laying.lag_d
    check_day = emergence + biology.checks.first_check_age_d
    held = (egg_day - earliest * well) + (failed + poor) * (check_day - earliest)[:, None]
    no_virgin = (1.0 - accept) * (decision.nuc_cost + decision.delay_cost_per_d * (check_day - earliest)[:, None])
    gain = success - decision.nuc_cost * failed - decision.poor_queen_cost * poor - decision.delay_cost_per_d * held
    utility: Floats = accept * gain - no_virgin
    return utility


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


def laying_range(n_grafts: int, share: Floats) -> tuple[int, int]:
    """10 and 90 % points of the count of queens in lay.

    A mixture of binomials over paths, since the queens of a batch share their weather.

    Args:
        n_grafts: larvae grafted.
        share: probability that a graft ends as a queen in lay, on each path, shape (n_paths,).
    """
    # paths with nearly the same share are counted together: 200 classes are finer than any count
    share = np.clip(share, 0.0, 1.0)
    classes, number = np.unique(np.round(share, 3), return_counts=True)
    from scipy.stats import binom

    cdf = (number / number.sum()) @ binom.cdf(np.arange(n_grafts + 1), n_grafts, classes[:, None])
    low, high = np.minimum(np.searchsorted(cdf, [0.1, 0.9]), n_grafts)
    return int(low), int(high)


def worth_it_from(biology: Biology) -> float:
    """Chance of a good queen from which a nuc is worth stocking: the loss if it fails over gain and loss together."""
    cost = biology.decision.nuc_cost
    return cost / (1.0 + cost)


def broken(day: date, site: Site, biology: Biology, limits: Limits) -> list[Constraint]:
    """The limits that a graft on this day breaks."""
    out = []
    move = day + timedelta(days=round(biology.development.move_cells_d))
    builder = day - timedelta(days=round(biology.checks.builder_before_d))
    if limits.builder_free_from and builder < limits.builder_free_from:
        out.append(
            Constraint(
                "cell builder",
                f"the cell builder is still recovering until {day_month(limits.builder_free_from)}",
            )
        )
    if limits.nucs_free_from and move < limits.nucs_free_from:
        out.append(Constraint("nucs", f"no nuc is free on {day_month(move)}, when the cells are ripe"))
    born = emergence_mean(Batch(graft_time(day, site)), biology).astimezone(site.zone).date()
    fit = born + timedelta(days=round(biology.mating.maturity_age_d))
    if site.drones_mature_from and fit < site.drones_mature_from:
        drones = biology.drones
        out.append(
            Constraint(
                "drones",
                f"drones are mature from {day_month(site.drones_mature_from)}, the virgins from {day_month(fit)}; "
                "drone eggs are needed "
                f"{drones.emergence_d + drones.mature_age_d:.0f} days ahead",
            )
        )
    for what, when in (("graft", day), ("move the ripe cells", move)):
        if limits.off(when):
            out.append(Constraint("day off", f"you do not work on {weekday_day(when)}, the day to {what}"))
    return out


def _prime(day: date, site: Site, biology: Biology) -> tuple[date, date]:
    born = _born(day, site, biology)
    mating_ = biology.mating
    return born + timedelta(days=round(mating_.prime_from_age_d)), born + timedelta(days=round(mating_.prime_to_age_d))


def _born(day: date, site: Site, biology: Biology) -> date:
    first, shares = emergence_days(Batch(graft_time(day, site)), site, biology)
    return to_date(first + int(shares.argmax()))


def _shares(paths: Paths, days: Sequence[date], site: Site, biology: Biology) -> Floats:
    """Shares of observation, forecast and past years in each candidate's prime window, shape (n_days, 3)."""
    daily = paths.daily_shares()
    rows = []
    for day in days:
        start, end = _prime(day, site, biology)
        inside = (paths.days >= np.datetime64(start, "D")) & (paths.days <= np.datetime64(end, "D"))
        rows.append(daily[inside].mean(axis=0))
    return np.array(rows, dtype=np.float64)


def _check_request(first_day: date, n_days: int, n_grafts: int, by: date | None, site: Site, biology: Biology) -> None:
    if not 1 <= n_days <= MAX_DAYS:
        raise RequestError(f"{n_days} days", where="days", fix=f"Ask for 1 to {MAX_DAYS} days.")
    if not 1 <= n_grafts <= 10_000:
        raise RequestError(f"{n_grafts} grafts", where="grafts", fix="Give the number of larvae, 1 to 10000.")
    if by is not None:
        earliest = _born(first_day, site, biology) + timedelta(days=4)
        if by < earliest:
            raise RequestError(
                f"no queen grafted on {first_day} can be in lay by {by}",
                where="by",
                fix=f"The earliest possible egg is on {earliest}; choose a later day.",
            )
