"""Probability mass of one batch: the chain's outcome by emergence day, held against what was seen in the nuc."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Protocol

import numpy as np

from matewindow import mating
from matewindow.errors import RequestError
from matewindow.resampling import ranges_of, redrawn_sums

if TYPE_CHECKING:
    from datetime import date

    from numpy.typing import ArrayLike, NDArray

    from matewindow.biology import Biology
    from matewindow.paths import Paths
    from matewindow.site import Site
    from matewindow.timeline import Check

    Floats = NDArray[np.float64]

_DIGITS = 12  # of masses that count as equal
_NOTHING = 1e-9
"""Less probability than this is rounding: what rests on it is not known."""
MIN_YEARS_FOR_RANGE = 5
_SEEN = {"eggs": "eggs", "virgin": "a virgin", "nothing": "no eggs"}


@dataclass(frozen=True)
class Range:
    """A probability and how far it moves with another draw of years and members (5 to 95 %).

    ``low`` and ``high`` are None where there are too few years to tell.
    """

    value: float
    low: float | None = None
    high: float | None = None

    @property
    def width(self) -> float:
        """Width of the range, 0 where it is not known."""
        return 0.0 if self.low is None or self.high is None else self.high - self.low


@dataclass(frozen=True)
class Spread:
    """Mean and 10, 50 and 90 % points of something that differs between possible weathers."""

    mean: float
    p10: float
    p50: float
    p90: float


def spread(values: Floats, mass: Floats) -> Spread:
    """Mean and weighted 10, 50 and 90 % points of ``values``, shape (n,), with ``mass``, shape (n,)."""
    order = np.argsort(values)
    cumulative = np.cumsum(mass[order]) / mass.sum()
    at = np.minimum(np.searchsorted(cumulative, [0.1, 0.5, 0.9]), len(values) - 1)
    return Spread(float(values @ mass / mass.sum()), *(float(x) for x in values[order][at]))


def moved(share: Floats, before: ArrayLike, after: ArrayLike) -> Floats:
    """Shares with another mean, none outside 0 to 1 and all in their old order.

    Where the mean falls every share falls in proportion; where it rises, what each one lacks of 1 does.

    Args:
        share: of 1, any shape.
        before: their mean; of several groups one for each, shaped so that it fits.
        after: the mean that is wanted.
    """
    was, wanted = np.asarray(before, dtype=np.float64), np.asarray(after, dtype=np.float64)
    lowered = share * (wanted / np.maximum(was, _NOTHING))
    raised = 1.0 - (1.0 - share) * ((1.0 - wanted) / np.maximum(1.0 - was, _NOTHING))
    return np.where(wanted < was, lowered, raised)


class Mass(Protocol):
    """Probability mass of one batch, as far as its risks ask for it."""

    def by_path(self) -> Floats:
        """Mass of each fate on each path, shape (5, n_paths), in the order of ``mating.FATES``."""

    def well_mated_from(self, age: int) -> Floats:
        """Mass of the well mated on each path that lay their first egg at this age or later, shape (n_paths,)."""

    def egg_days(self) -> Floats:
        """Mass of the first egg by fate (well, under, late) and day since the first emergence day, (3, n_days)."""


@dataclass(frozen=True)
class Odds:
    """Probability mass of one batch, every cell of it spelt out; all of it together adds up to 1.

    ``chainodds.ChainOdds`` is the same in less memory and time.

    Attributes:
        egg: first egg, by fate (well, under, late), age, emergence day and path (3, n_ages, n_emergence, n_paths).
        lost: by age at the loss, emergence day and path (n_ages, n_emergence, n_paths).
        unmated: by emergence day and path (n_emergence, n_paths).
        flights: expected mating flights by age, emergence day and path, before any check.
        checked: whether checks have been taken into account.
    """

    egg: Floats
    lost: Floats
    unmated: Floats
    flights: Floats
    checked: bool = False

    def by_path(self) -> Floats:
        """Mass of each fate on each path, shape (5, n_paths), in the order of ``mating.FATES``."""
        return np.concatenate(
            [self.egg.sum(axis=(1, 2)), self.unmated.sum(axis=0)[None], self.lost.sum(axis=(0, 1))[None]]
        )

    def fates(self) -> dict[str, float]:
        """Probability of each fate; they add up to 1."""
        return dict(zip(mating.FATES, (float(x) for x in self.by_path().sum(axis=1)), strict=True))

    def well_mated_from(self, age: int) -> Floats:
        """Mass of the well mated on each path that lay their first egg at this age or later, shape (n_paths,)."""
        mass: Floats = self.egg[0, age:].sum(axis=(0, 1))
        return mass

    def egg_days(self) -> Floats:
        """Mass of the first egg by fate and day since the first emergence day, (3, n_ages + n_emergence - 1)."""
        return by_day(self.egg.sum(axis=-1))

    def flight_days(self) -> Floats:
        """Expected mating flights by day since the first emergence day."""
        days: Floats = by_day(self.flights.sum(axis=-1)[None])[0]
        return days


def by_day(by_age: Floats) -> Floats:
    """(k, n_ages, n_emergence) by age to (k, n_days) by day since the first emergence day."""
    n_kinds, n_ages, n_emergence = by_age.shape
    days = np.zeros((n_kinds, n_ages + n_emergence - 1))
    for e in range(n_emergence):
        days[:, e : e + n_ages] += by_age[:, :, e]
    return days


def odds_of(hours: Floats, drones: Floats, first_emergence: int, weights: Floats, biology: Biology) -> Odds:
    """Run the chain for one batch.

    Args:
        hours: effective flight hours, days first, shape (n_days, n_paths).
        drones: share of drones on each day, shape (n_days,).
        first_emergence: index of the first emergence day.
        weights: share that emerges on it and on each day after, adding up to 1, shape (n_emergence,).
        biology: parameters.
    """
    d = mating.distribution(hours, drones, first_emergence, len(weights), biology)
    share = weights[:, None] / hours.shape[1]
    return Odds(d.egg * share, d.lost * share, d.unmated * share, d.flights * share)


def after_checks(odds: Odds, checks: tuple[Check, ...], first: np.datetime64, site: Site) -> Odds:
    """Bayes: keep the mass that agrees with what was seen, over fates, days, emergence days and weathers alike.

    Eggs: laid by that day. Virgin: emerged, alive and not laying. Nothing: not laying, alive or lost.

    Args:
        odds: before the checks.
        checks: in any order.
        first: first emergence day (solar).
        site: whose calendar the checks are dated by.

    Raises:
        RequestError: what was seen cannot be, given the graft, the emergence and the other checks.
    """
    for check in checks:
        agrees = agreeing(check, first, site, odds.egg.shape[1:3], odds.lost.shape[:2])
        kept = (
            odds.egg * agrees.egg[..., None],
            odds.lost * agrees.lost[..., None],
            odds.unmated * agrees.unmated[:, None],
        )
        left = share_left(sum(float(part.sum()) for part in kept), check)
        egg, lost, unmated = (part / left for part in kept)
        odds = Odds(egg, lost, unmated, odds.flights, checked=True)
    return odds


@dataclass(frozen=True)
class Cells:
    """A share of each cell of the mass: of first eggs and losses (n_ages, n_emergence), of unmated (n_emergence,)."""

    egg: Floats
    lost: Floats
    unmated: Floats


def agreeing(check: Check, first: np.datetime64, site: Site, eggs: tuple[int, ...], losses: tuple[int, ...]) -> Cells:
    """1 for every cell that agrees with a look into the nuc, 0 for the others; rules and arguments of ``after_checks``.

    Args:
        check: what was seen, and when.
        first: first emergence day (solar).
        site: whose calendar the check is dated by.
        eggs, losses: number of ages of first eggs and of losses, each with the number of emergence days.
    """
    at = int((site.solar_day(check.day) - first).astype(int)) - np.arange(eggs[1])  # age at the check
    laid, gone = (np.less_equal(np.arange(n)[:, None], at) for n in (eggs[0], losses[0]))
    emerged = at >= 0
    none, every = np.zeros_like(gone), np.ones_like(gone)
    agrees = {
        "eggs": (laid, none, none[0]),
        "virgin": (~laid & emerged, ~gone & emerged, emerged),
        "nothing": (~laid, every, every[0]),
    }
    return Cells(*(np.asarray(part, dtype=np.float64) for part in agrees[check.saw]))


def share_left(left: float, check: Check) -> float:
    """The share of the mass that agrees with a check, if there is any.

    Raises:
        RequestError: there is none.
    """
    if left <= _NOTHING:
        raise RequestError(
            f"{_SEEN[check.saw]} on {check.day} cannot be",
            where="check",
            fix="It contradicts the graft, the emergence or another check. No queen lays before she is 4 days old.",
        )
    return left


@dataclass(frozen=True, eq=False)
class ByPath:
    """The odds of being well mated on each path of weather, and how much each path counts, both of shape (n_paths,).

    All paths count alike until checks make some weathers likelier than others.
    """

    share: Floats
    weight: Floats


@dataclass(frozen=True)
class Risks:
    """What a keeper fears, with ranges; None where there is nobody left whom it could befall.

    ``poor_mating`` is a share of the queens not lost, ``delayed_laying`` of the well mated: first egg later than the
    first check. ``by_path`` has the odds of being well mated on single paths of weather.
    """

    well_mated: Range
    poor_mating: Range | None
    delayed_laying: Range | None
    by_path: ByPath

    @property
    def by_weather(self) -> Spread:
        """How the odds of being well mated differ between single weathers."""
        return spread(self.by_path.share, self.by_path.weight)


def risks(odds: Mass, paths: Paths, biology: Biology, *, ranges: bool = True) -> Risks:
    """Well mated, poor mating and delayed laying, with the range over redrawn years and members if asked for."""
    late_egg = int(biology.checks.first_check_age_d) + 1
    masses = odds.by_path()
    tops = np.stack([masses[0], masses[1:4].sum(axis=0), odds.well_mated_from(late_egg)])
    bottoms = np.stack([masses.sum(axis=0), masses[:4].sum(axis=0), masses[0]])
    known = ranges and len(paths.years) >= MIN_YEARS_FOR_RANGE
    spans = _redrawn(tops, masses[4], paths) if known else np.full((3, 2), np.nan)

    def result(i: int) -> Range | None:
        bottom = bottoms[i].sum()
        if bottom <= _NOTHING:
            return None
        low, high = (None if np.isnan(x) else float(x) for x in spans[i])
        return Range(float(tops[i].sum() / bottom), low, high)

    well = result(0)
    assert well is not None  # everything together adds up to 1
    alive = bottoms[0] > _NOTHING / len(bottoms[0])
    single = np.divide(tops[0], bottoms[0], out=np.zeros_like(tops[0]), where=alive)
    # without rounding the last digit of equal masses would choose the points of the spread
    likely = np.round(bottoms[0] * len(single), _DIGITS)
    return Risks(well, result(1), result(2), ByPath(single, likely))


def _redrawn(tops: Floats, lost: Floats, paths: Paths) -> Floats:
    """Ranges of the risks, (3, 2); what their shares are taken of is made up of their own sums and of the lost."""
    well, poor, delayed, gone = redrawn_sums(np.stack([*tops, lost]), paths).T
    return ranges_of(np.stack([well, poor, delayed], axis=1), np.stack([well + poor + gone, well + poor, well], axis=1))


def egg_quantiles(by_day: Floats, first: np.datetime64, site: Site) -> dict[str, date] | None:
    """Local dates by which 10, 50 and 90 % have laid, from mass by day since ``first``; None where there is none."""
    total = by_day.sum()
    if total <= _NOTHING:
        return None
    cumulative = np.cumsum(by_day) / total
    return {
        name: site.civil_day(first + int(np.searchsorted(cumulative, q - 1e-12)))
        for name, q in (("p10", 0.1), ("p50", 0.5), ("p90", 0.9))
    }


def still_good(odds: Mass) -> Floats:
    """For each day since the first emergence, the odds that a nuc without eggs then still gets a well mated queen."""
    eggs = odds.egg_days()
    well_later = eggs[0].sum() - np.cumsum(eggs[0])
    waiting = odds.by_path().sum() - np.cumsum(eggs.sum(axis=0))
    good = np.divide(well_later, waiting, out=np.zeros_like(waiting), where=waiting > _NOTHING)
    return np.asarray(np.clip(good, 0.0, 1.0))
