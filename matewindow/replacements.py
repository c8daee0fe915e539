"""What may be done with a nuc without eggs, and what it comes to: a ripe cell, a mated queen, or the end of the nuc.

A ripe cell's virgin has her own mating window, on the same paths of weather as the queen that she replaces.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import UTC, timedelta
from typing import TYPE_CHECKING, Literal

import numpy as np

from matewindow import mating
from matewindow.errors import RequestError
from matewindow.outlook import RUN_IN_D, drone_share, known_hours, solar_today, window_span
from matewindow.paths import build_paths
from matewindow.timeline import Batch, emergence_days, emergence_mean, graft_time

if TYPE_CHECKING:
    from datetime import date

    from numpy.typing import NDArray

    from matewindow.biology import Biology
    from matewindow.looking import Ground
    from matewindow.paths import Paths

    Floats = NDArray[np.float64]
    Indices = NDArray[np.intp]

Kind = Literal["ripe cell", "mated queen", "unite"]
KINDS: tuple[Kind, ...] = ("ripe cell", "mated queen", "unite")
_AT_ONCE = 4
"""Emergence days whose whole distribution is held in memory at once."""


@dataclass(frozen=True)
class Then:
    """A replacement given on each day to a nuc without eggs, counted from that day; arrays (n_days, n_paths).

    Its worth, the odds of a good queen, these times the days until her eggs; and whether it can be told, (n_days,).
    """

    worth: Floats
    good: Floats
    good_days: Floats
    known: NDArray[np.bool_]


def replacements(ground: Ground, days: list[date], at: Indices, worn_out: int) -> dict[Kind, Then]:
    """What each kind of replacement comes to on each day.

    Args:
        ground: the batch and its paths.
        days: on which it may be replaced.
        at: the same, counted from the first emergence day, (n_days,).
        worn_out: day, counted so, by which a nuc without eggs needs fresh bees.
    """
    return {
        "ripe cell": _ripe_cell(ground, days, at, worn_out),
        "mated queen": _mated_queen(ground, at, worn_out),
        "unite": _unite(ground, at, worn_out),
    }


def _ripe_cell(ground: Ground, days: list[date], at: Indices, worn_out: int) -> Then:
    """A ripe cell: its virgin has her own mating window, on the same paths; that she fails shows at her first check."""
    cost, day_cost = ground.biology.decision, ground.biology.decision.delay_cost_per_d
    accept, n_paths = ground.biology.success.emergence_acceptance, ground.good.shape[1]
    first, table = _cell_emergence(ground, days)
    paths, paired = _cell_paths(ground, first, table)
    if paths is None:
        nothing = np.zeros((len(days), n_paths))
        return Then(nothing, nothing, nothing, np.zeros(len(days), dtype=bool))
    virgins = _virgins(ground, paths, first, table.shape[1], worn_out)
    born_after = table * (first + np.arange(table.shape[1]) - at[:, None])  # share times days from cell to emergence
    good, poor = table @ virgins.good, table @ virgins.poor
    good_days = table @ virgins.good_days + born_after @ virgins.good
    poor_days = table @ virgins.poor_days + born_after @ virgins.poor
    to_check = born_after.sum(axis=1)[:, None] + ground.biology.checks.first_check_age_d
    fails = cost.nuc_cost + day_cost * to_check
    worth = good - day_cost * (good_days + poor_days) - cost.poor_queen_cost * poor - fails * (1.0 - good - poor)
    fresh = cost.fresh_bees_cost * (1.0 - accept * (table @ virgins.laying_in_time))
    worth = accept * worth - (1.0 - accept) * fails - fresh

    def on_batch(values: Floats) -> Floats:
        return values if paired else np.repeat(values.mean(axis=1, keepdims=True), n_paths, axis=1)

    known = _covered(paths, first, table, ground.biology)
    return Then(on_batch(worth), on_batch(accept * good), on_batch(accept * good_days), known)


def _mated_queen(ground: Ground, at: Indices, worn_out: int) -> Then:
    """A mated queen: the nuc accepts her or not, whatever the weather; that it did not shows at the check after it."""
    cost, accept, lag = (
        ground.biology.decision,
        ground.biology.success.introduction,
        ground.biology.laying.introduced_lag_d,
    )
    fails = cost.nuc_cost + cost.delay_cost_per_d * ground.biology.checks.introduced_check_d
    fresh = cost.fresh_bees_cost * (1.0 - accept * (at + lag <= worn_out))
    worth = accept * (1.0 - cost.delay_cost_per_d * lag) - (1.0 - accept) * fails - cost.mated_queen_cost - fresh
    each = np.ones((len(at), ground.good.shape[1]))
    return Then(worth[:, None] * each, accept * each, accept * lag * each, np.ones(len(at), dtype=bool))


def _unite(ground: Ground, at: Indices, worn_out: int) -> Then:
    """The nuc is ended: it counts as failed, and fresh bees that it was given before are lost with it."""
    cost, each = ground.biology.decision, np.ones((len(at), ground.good.shape[1]))
    worth = -cost.nuc_cost - cost.fresh_bees_cost * (at > worn_out)
    return Then(worth[:, None] * each, 0.0 * each, 0.0 * each, np.ones(len(at), dtype=bool))


@dataclass(frozen=True)
class _Virgins:
    """Virgins of each emergence day, (n_emergence, n_paths).

    Well mated, mated poorly, each of them times her days from emergence to eggs, and in lay before the nuc is worn out.
    """

    good: Floats
    poor: Floats
    good_days: Floats
    poor_days: Floats
    laying_in_time: Floats


def _virgins(ground: Ground, paths: Paths, first: int, n_emergence: int, worn_out: int) -> _Virgins:
    """Run the chain for virgins that emerge from day ``first`` on, counted as ``Ground.index`` does."""
    hours, drones = known_hours(paths), drone_share(paths.days, ground.site)
    parts = []
    for e in range(first, first + n_emergence, _AT_ONCE):
        n = min(_AT_ONCE, first + n_emergence - e)
        egg = mating.distribution(hours, drones, RUN_IN_D + e, n, ground.biology).egg
        age = np.arange(egg.shape[1], dtype=np.float64)
        good, poor = egg[0], egg[1] + egg[2]
        in_time = age[:, None] <= worn_out - e - np.arange(n)
        parts.append(
            (
                good.sum(axis=0),
                poor.sum(axis=0),
                np.tensordot(age, good, axes=1),
                np.tensordot(age, poor, axes=1),
                ((good + poor) * in_time[..., None]).sum(axis=0),
            )
        )
    return _Virgins(*(np.concatenate(columns) for columns in zip(*parts, strict=True)))


def _cell_emergence(ground: Ground, days: list[date]) -> tuple[int, Floats]:
    """When virgins of cells given at noon of each day emerge: first day, shares from it on, (n_days, n_emergence)."""
    biology, site = ground.biology, ground.site
    given = [graft_time(day, site).astimezone(UTC) for day in days]
    from_graft = emergence_mean(Batch(given[0]), biology) - given[0]
    to_emergence = timedelta(days=biology.development.ripe_cell_emergence_d)
    spans = [emergence_days(Batch(moment + to_emergence - from_graft), site, biology) for moment in given]
    starts = [int((start - ground.first).astype(int)) for start, _ in spans]
    first = min(starts)
    table = np.zeros((len(days), max(s + len(shares) for s, (_, shares) in zip(starts, spans, strict=True)) - first))
    for row, start, (_, shares) in zip(table, starts, spans, strict=True):
        row[start - first : start - first + len(shares)] = shares
    return first, table


def _cell_paths(ground: Ground, first: int, table: Floats) -> tuple[Paths | None, bool]:
    """Paths over the windows of new cells, and whether they are those of the batch, carried on.

    Where they are not, because past years do not reach over both windows, the cell is judged on its own paths, and on
    their mean. None where nothing reaches over its window.
    """
    site, biology = ground.site, ground.biology
    n_days = RUN_IN_D + first + table.shape[1] + int(biology.mating.end_age_d) + 1

    def over(needed: slice) -> Paths:
        start, today = ground.paths.days[0], solar_today(ground.now, site)
        return build_paths(ground.sources, start, n_days, today, biology, site.exposure, needed=needed)[0]

    carried_on = over(window_span(len(ground.odds.unmated), biology).needed)
    same = _same_weather(ground.paths, carried_on)
    if same and _covered(carried_on, first, table, biology)[0]:
        return carried_on, True
    try:
        own = over(_deciding(first, table[0], biology))
    except RequestError:  # of nothing but past years, none reaches over this window
        return None, False
    return own, False


def _same_weather(paths: Paths, longer: Paths) -> bool:
    """Whether each path of the one carries on the same path of the other."""
    return all(np.array_equal(getattr(paths, name), getattr(longer, name)) for name in ("years", "year", "member"))


def _deciding(first: int, shares: Floats, biology: Biology) -> slice:
    """The days of paths that decide a cell: from the first flight of its virgin to the late age."""
    born = RUN_IN_D + first + np.flatnonzero(shares)
    return slice(
        int(born[0] + int(biology.mating.earliest_flight_age_d)), int(born[-1] + int(biology.mating.late_age_d)) + 1
    )


def _covered(paths: Paths, first: int, table: Floats, biology: Biology) -> NDArray[np.bool_]:
    """Whether the weather knows every day that decides the cell given on each day, (n_days,)."""
    missing = np.asarray(np.isnan(paths.hours).any(axis=1), dtype=np.bool_)
    return np.array([not missing[_deciding(first, row, biology)].any() for row in table])
