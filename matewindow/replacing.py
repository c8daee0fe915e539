"""Waiting for a queen that does not lay yet, or giving the nuc another: from which day the second is the better bet.

The plan of a day: leave the nuc until then, look, and replace its queen if there are no eggs. Every plan is followed on
every path of weather, with the weight that the looks so far leave it. Costs are those of ``graft`` (judgement, stated
in ``models/literature.md``), in laying queens: a nuc counts 1 with a well mated queen in lay. Off go a nuc that fails,
a poor queen, every day until eggs, a mated queen given to the nuc, and fresh bees for a nuc still without eggs when its
own time without brood is over.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import UTC, date, timedelta
from typing import TYPE_CHECKING, Literal

import numpy as np

from matewindow.errors import RequestError
from matewindow.looking import NOTHING, Ground
from matewindow.odds import MIN_YEARS_FOR_RANGE, Range
from matewindow.replacements import KINDS, Kind, Then, replacements
from matewindow.resampling import redrawn_ranges

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from matewindow.biology import Biology

    Floats = NDArray[np.float64]
    Indices = NDArray[np.intp]

AHEAD_D = 7
"""Days looked ahead where the virgin's own clock has run out."""
Verdict = Literal["wait", "either", "replace"]


@dataclass(frozen=True)
class Clocks:
    """The two clocks of a nuc: the virgin's age, and the nuc's own time without brood.

    ``told`` is whether the keeper said since when; else it counts from the day the cells went in, or were ripe.
    """

    age: int
    uneasy_on: date
    over_on: date
    without_brood_since: date
    told: bool
    worn_out_on: date


@dataclass(frozen=True)
class Option:
    """One thing to do, for a keeper who finds no eggs today.

    Attributes:
        what: a replacement today, or to "wait" until ``until`` and do ``then`` if there are still no eggs.
        good: odds that the nuc ends with a well mated queen in lay; None where no weather covers a new cell's window.
        worth: in laying queens, costs taken off; None as before.
        first_egg: mean day of the first egg of the good ones; None where there are none.
        equal: whether it is no worse than the best of the options beyond the noise.
        better_from: of a replacement, the first day from which it beats waiting on if nothing else is at hand.
    """

    what: Literal["wait"] | Kind
    good: Range | None
    worth: float | None
    first_egg: date | None
    equal: bool
    until: date | None = None
    then: Kind | None = None
    better_from: date | None = None


@dataclass(frozen=True)
class WaitDay:
    """Waiting until a day and replacing on it if there are no eggs by then; all of it given no eggs today.

    ``none_yet`` is the chance that there are none by then; ``still_good`` the odds that a nuc without eggs then still
    gets a well mated queen if left; ``cell`` those of a ripe cell given on that day, None if not known; ``then`` the
    best replacement on it; ``equal`` whether the plan is no worse than the best one beyond the noise.
    """

    day: date
    age: int
    none_yet: float
    still_good: Range
    cell: float | None
    then: Kind
    worth: float
    equal: bool


@dataclass(frozen=True)
class WaitOrReplace:
    """What to do with a nuc without eggs.

    ``replace_on`` is the first day from which replacing beats waiting; the days from ``equal_from`` to ``equal_to`` do
    not differ from it beyond the noise. ``p_none_today`` is the chance that a look today would show no eggs: all else
    holds if it does not.
    """

    verdict: Verdict
    replace_on: date
    with_what: Kind
    equal_from: date
    equal_to: date
    p_none_today: float
    still_good: Range
    options: list[Option]
    days: list[WaitDay]


def clocks_of(ground: Ground, nuc_without_brood_since: date | None = None) -> Clocks:
    """The virgin's clock and the nuc's.

    Source: COLOSS BEEBOOK, queen rearing 2.2.2 (three weeks of age); four weeks of age and three without brood are
        common practice.

    Raises:
        RequestError: the nuc is without brood only from a day to come.
    """
    checks, batch = ground.biology.checks, ground.batch
    if nuc_without_brood_since is not None and nuc_without_brood_since > ground.today:
        raise RequestError(
            f"{nuc_without_brood_since} lies in the future: today is {ground.today}",
            where="nuc without brood since",
            fix="Give the day from which the nuc has had no brood, or leave it out.",
        )
    stocked = batch.moved or batch.grafted.astimezone(UTC) + timedelta(days=ground.biology.development.move_cells_d)
    since = nuc_without_brood_since or stocked.astimezone(ground.site.zone).date()
    return Clocks(
        age=(ground.today - ground.born).days,
        uneasy_on=ground.born + timedelta(days=round(ground.biology.mating.late_age_d)),
        over_on=ground.born + timedelta(days=round(checks.give_up_age_d)),
        without_brood_since=since,
        told=nuc_without_brood_since is not None,
        worn_out_on=since + timedelta(days=round(checks.nuc_without_brood_d)),
    )


def wait_or_replace(ground: Ground, clocks: Clocks) -> WaitOrReplace | None:
    """From which day replacing beats waiting, and what each choice is worth today; None if there are eggs for sure."""
    if ground.eggs_seen is not None:
        return None
    days = decision_days(ground.born, ground.today, ground.biology)
    plans = _plans(ground, days, clocks)
    base = float(plans.none[0].sum())
    if base <= NOTHING:
        return None
    best = _first_best(plans.worth.sum(axis=1))
    # standing at the earlier of two days without eggs, how much more is the other one worth?
    given = plans.none[np.minimum(np.arange(len(days)), best)]
    low, high = _run_around(best, _no_worse(plans.worth[best] - plans.worth, given, ground))
    good = _ranges(ground, plans.good_later, plans.none)
    cell = plans.then["ripe cell"]
    rows = [
        WaitDay(
            day=day,
            age=(day - ground.born).days,
            none_yet=float(plans.none[i].sum()) / base,
            still_good=good[i],
            cell=float((plans.none[i] * cell.good[i]).sum() / plans.none[i].sum()) if cell.known[i] else None,
            then=plans.kind[i],
            worth=float(plans.worth[i].sum()) / base,
            equal=bool(low <= i <= high),
        )
        for i, day in enumerate(days)
    ]
    return WaitOrReplace(
        verdict="replace" if best == 0 else "either" if low == 0 else "wait",
        replace_on=days[best],
        with_what=plans.kind[best],
        equal_from=days[low],
        equal_to=days[high],
        p_none_today=base,
        still_good=good[0],
        options=_options(ground, plans, days),
        days=rows,
    )


# --- what each plan comes to ----------------------------------------------------------------------------------------


@dataclass(frozen=True)
class _Plans:
    """The plans of all days, (n_days, n_paths), as mass: no eggs by the day, well mated but later, worth of the plan.

    Only nucs without eggs on the first day count. ``good_so_far`` and ``good_so_far_days`` are the well mated with eggs
    after it and by the day, and these times their days from it; ``kind`` is the best replacement on each day.
    """

    none: Floats
    good_later: Floats
    good_so_far: Floats
    good_so_far_days: Floats
    then: dict[Kind, Then]
    by_kind: dict[Kind, Floats]
    worth: Floats
    kind: list[Kind]


def _plans(ground: Ground, days: list[date], clocks: Clocks) -> _Plans:
    cost, start = ground.biology.decision, ground.index(days[0])
    at = start + np.arange(len(days))
    worn_out = max(ground.index(clocks.worn_out_on), start)
    day = np.arange(max(len(ground.good), int(at[-1]) + 1))
    good, poor = (np.pad(mass, ((0, len(day) - len(mass)), (0, 0))) for mass in (ground.good, ground.poor))
    held = np.maximum(day - start, 0)[:, None]
    off = cost.delay_cost_per_d * held + cost.fresh_bees_cost * (day > worn_out)[:, None]
    so_far = _since_start(good * (1.0 - off) - poor * (cost.poor_queen_cost + off), at)
    laid = np.cumsum(good + poor, axis=0)[at]
    none = np.maximum(ground.odds.by_path().sum(axis=0) - laid, 0.0)
    then = replacements(ground, days, at, worn_out)
    waited = cost.delay_cost_per_d * (at - start)[:, None]
    by_kind = {k: so_far + none * (t.worth - waited) for k, t in then.items()}
    kind = [KINDS[k] for k in np.stack([_told(then[k], by_kind[k]) for k in KINDS]).argmax(axis=0)]
    return _Plans(
        none=none,
        good_later=np.maximum(good.sum(axis=0) - np.cumsum(good, axis=0)[at], 0.0),
        good_so_far=_since_start(good, at),
        good_so_far_days=_since_start(good * held, at),
        then=then,
        by_kind=by_kind,
        worth=np.stack([by_kind[k][i] for i, k in enumerate(kind)]),
        kind=kind,
    )


def _since_start(by_day: Floats, at: Indices) -> Floats:
    """Sums over the days after the first of ``at`` up to each of them, (len(at), n_paths)."""
    total = np.cumsum(by_day, axis=0)[at]
    sums: Floats = total - total[0]
    return sums


def _told(then: Then, worth: Floats) -> Floats:
    """Worth of the plans that end in one kind of replacement, (n_days,); the least of all where it cannot be told."""
    return np.where(then.known, worth.sum(axis=1), -np.inf)


# --- choosing -------------------------------------------------------------------------------------------------------


def _options(ground: Ground, plans: _Plans, days: list[date]) -> list[Option]:
    """Waiting to the best later day, and each kind of replacement today; all of it given no eggs today."""
    none, later = plans.none[:1], 1 + _first_best(plans.worth[1:].sum(axis=1))
    last, left = plans.then[plans.kind[later]], plans.none[later]
    # of each choice: mass that ends good, that times her days until eggs, worth; each (1, n_paths)
    wait = (
        plans.good_so_far[later] + left * last.good[later],
        plans.good_so_far_days[later] + left * (last.good_days[later] + later * last.good[later]),
        plans.worth[later],
    )
    today = {k: (none[0] * t.good[0], none[0] * t.good_days[0], plans.by_kind[k][0]) for k, t in plans.then.items()}
    known = [k for k in KINDS if plans.then[k].known[0]]
    chosen = [wait, *(today[k] for k in known)]
    worth = np.stack([value for *_, value in chosen])
    behind = worth[worth.sum(axis=1).argmax()] - worth
    equal = _no_worse(behind, np.repeat(none, len(worth), axis=0), ground)
    odds = _ranges(ground, np.stack([good for good, *_ in chosen]), np.repeat(none, len(worth), axis=0))
    found = [
        Option(
            what="wait" if i == 0 else known[i - 1],
            good=odds[i],
            worth=float(worth[i].sum() / none.sum()),
            first_egg=_mean_day(days[0], good, good_days),
            equal=bool(equal[i]),
            until=days[later] if i == 0 else None,
            then=plans.kind[later] if i == 0 else None,
            better_from=None
            if i == 0
            else days[_first_best(_told(plans.then[known[i - 1]], plans.by_kind[known[i - 1]]))],
        )
        for i, (good, good_days, _) in enumerate(chosen)
    ]
    return found + [Option(k, None, None, None, equal=False) for k in KINDS if k not in known]


def _mean_day(start: date, good: Floats, good_days: Floats) -> date | None:
    mass = float(good.sum())
    return None if mass <= NOTHING else start + timedelta(days=round(float(good_days.sum()) / mass))


def _first_best(worth: Floats) -> int:
    """The first of the days whose plan is worth as much as the best, rounding aside."""
    return int((worth >= worth.max() - NOTHING).argmax())


def _no_worse(behind: Floats, given: Floats, ground: Ground) -> NDArray[np.bool_]:
    """Which choices are no worse than the best beyond the noise, by the rule for graft days.

    Args:
        behind: what each lacks to the best on each path, as mass, (n, n_paths).
        given: mass of the nucs that stand before the choice, of the same shape.
        ground: with the paths, and the size below which a difference counts for nothing.
    """
    ranges = redrawn_ranges(behind, given, ground.paths)
    gap = behind.sum(axis=1) / np.maximum(given.sum(axis=1), NOTHING)
    return np.asarray((ranges[:, 0] <= 0.0) | (gap < ground.biology.decision.tie_points))


def decision_days(born: date, today: date, biology: Biology) -> list[date]:
    """From today, or from emergence, to the age at which the trade gives up; a week more where that is past."""
    start = max(today, born)
    end = max(born + timedelta(days=round(biology.checks.give_up_age_d)), start + timedelta(days=AHEAD_D))
    return [start + timedelta(days=i) for i in range((end - start).days + 1)]


def _run_around(best: int, equal: NDArray[np.bool_]) -> tuple[int, int]:
    """First and last of the days in a row around the best that are equal to it."""
    low = high = best
    while low > 0 and equal[low - 1]:
        low -= 1
    while high + 1 < len(equal) and equal[high + 1]:
        high += 1
    return low, high


def _ranges(ground: Ground, tops: Floats, bottoms: Floats) -> list[Range]:
    """Ratios of masses, (n, n_paths) each, with their range over redrawn years and members if there are enough."""
    values = np.clip(tops.sum(axis=1) / np.maximum(bottoms.sum(axis=1), NOTHING), 0.0, 1.0)
    if len(ground.paths.years) < MIN_YEARS_FOR_RANGE:
        return [Range(float(value)) for value in values]
    spans = np.clip(redrawn_ranges(tops, bottoms, ground.paths), 0.0, 1.0)
    return [
        Range(float(value)) if np.isnan(low) else Range(float(value), float(min(low, value)), float(max(high, value)))
        for value, (low, high) in zip(values, spans, strict=True)
    ]
