"""What each candidate graft day is worth: odds, laying dates and utility on every path of weather.

All candidates stand on the same paths, so that their differences are paired. Utility is judgement, stated in
``models/literature.md``.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Protocol

import numpy as np

from matewindow import mating
from matewindow.odds import moved
from matewindow.outlook import RUN_IN_D, drone_share, prime_sums
from matewindow.timeline import Batch, emergence_days, graft_time

if TYPE_CHECKING:
    from collections.abc import Sequence
    from datetime import date

    from numpy.typing import ArrayLike, NDArray

    from matewindow.biology import Biology
    from matewindow.paths import Paths
    from matewindow.site import Site

    Floats = NDArray[np.float64]

_NOTHING = 1e-9
"""Less probability than this is rounding."""


class PutsRight(Protocol):
    """Puts odds of being well mated right, as ``learning.recalibration.Recalibration`` does."""

    def apply(self, p: ArrayLike) -> Floats:
        """The odds put right; shape as given."""


@dataclass(frozen=True)
class Worth:
    """What the chain says of each candidate, per virgin in a nuc.

    Attributes:
        well: probability of a well mated queen, shape (n_candidates, n_paths).
        well_by_chain: the same before it was put right by records.
        success: probability of a well mated queen in lay by the deadline, the same shape; ``well`` without one.
        utility: ranks the candidates [laying queens], the same shape.
        merit: mean utility without what waiting from the first candidate costs [laying queens], (n_candidates,).
        break_even: mean ``well`` at which the merit would be nothing, shape (n_candidates,).
        eggs: mean over paths of the mass of the first egg of all queens in lay, by day since the first emergence day,
            as the chain gives it, shape (n_candidates, n_days).
        mean_egg_day: mean day of the well mated's first egg since the first emergence day [d], shape (n_candidates,).
        prime_sums: effective flight hours in the prime window [h] by emergence day and path, flat,
            (n_emergence * n_paths,).
        prime_mass: how much each of these counts, shape (n_candidates, n_emergence * n_paths).
    """

    well: Floats
    well_by_chain: Floats
    success: Floats
    utility: Floats
    merit: Floats
    break_even: Floats
    eggs: Floats
    mean_egg_day: Floats
    prime_sums: Floats
    prime_mass: Floats


def emergence_table(days: Sequence[date], site: Site, biology: Biology) -> tuple[np.datetime64, Floats]:
    """The solar days over which the queens of all candidates emerge.

    Args:
        days: of the graft, on the site's calendar.
        site: where they are grafted.
        biology: parameters with the site's thresholds.

    Returns:
        The first emergence day of all, and each candidate's shares over the days from it,
        shape (n_candidates, n_emergence); each row adds up to 1.
    """
    spans = [emergence_days(Batch(graft_time(day, site)), site, biology) for day in days]
    first = min(start for start, _ in spans)
    last = max(start + len(shares) for start, shares in spans)
    table = np.zeros((len(days), int((last - first).astype(int))))
    for row, (start, shares) in zip(table, spans, strict=True):
        at = int((start - first).astype(int))
        row[at : at + len(shares)] = shares
    return first, table


def evaluate(
    paths: Paths,
    site: Site,
    weights: Floats,
    by: date | None,
    biology: Biology,
    recalibration: PutsRight | None = None,
) -> Worth:
    """Run the chain over the paths and weigh what it says for each candidate.

    Args:
        paths: beginning ``outlook.RUN_IN_D`` before the first emergence day, no hours missing.
        site: whose drones and calendar they are.
        weights: from ``emergence_table``, shape (n_candidates, n_emergence).
        by: day by which queens should be in lay; None = no such day.
        biology: parameters with the site's thresholds.
        recalibration: puts each candidate's odds right, and with them all that follows; None = they stay.
    """
    n_emergence = weights.shape[1]
    by_index = None if by is None else int((site.solar_day(by) - paths.days[0]).astype(int))
    chain = mating.summarise(
        paths.hours, drone_share(paths.days, site), RUN_IN_D, n_emergence, biology, by_index=by_index
    )
    emergence = np.arange(n_emergence)[:, None]
    found = _Fates(
        well=weights @ chain.fates[0],
        success=weights @ chain.well_by_day,
        egg_day=weights @ (chain.well_egg_age + emergence * chain.fates[0]),
        poor=weights @ (chain.fates[1] + chain.fates[2]),
        failed=weights @ (chain.fates[3] + chain.fates[4]),
    )
    right = found if recalibration is None else _put_right(found, recalibration)
    eggs = np.zeros((len(weights), n_emergence + chain.egg_age.shape[1]))
    for e in range(n_emergence):
        eggs[:, e : e + chain.egg_age.shape[1]] += weights[:, e : e + 1] * chain.egg_age[e]
    mean_egg_day = right.egg_day.mean(axis=1) / np.maximum(right.well.mean(axis=1), 1e-12)
    sums, mass = prime_sums(paths.hours, weights, biology)
    utility, merit, break_even = _utility(right, weights, biology)
    return Worth(
        well=right.well,
        well_by_chain=found.well,
        success=right.success,
        utility=utility,
        merit=merit,
        break_even=break_even,
        eggs=eggs,
        mean_egg_day=mean_egg_day,
        prime_sums=sums,
        prime_mass=mass,
    )


@dataclass(frozen=True)
class _Fates:
    """Probabilities of each candidate on each path, (n_candidates, n_paths); well, poor and failed add up to 1.

    ``egg_day`` is that of being well mated times the day of the first egg, counted from the first emergence day.
    """

    well: Floats
    success: Floats
    egg_day: Floats
    poor: Floats
    failed: Floats


def _put_right(found: _Fates, recalibration: PutsRight) -> _Fates:
    """Each candidate's mean odds put right and its paths moved with them; all fates still add up to 1.

    The well mated lay as early as before, and the others share what is left as before; where there were none of these
    on a path, that candidate's mean stands for them, and what is left fails.
    """
    before = found.well.mean(axis=1, keepdims=True)
    well = moved(found.well, before, recalibration.apply(before))
    rest, left = 1.0 - found.well, 1.0 - well

    def kept(part: Floats, of: Floats, otherwise: Floats) -> Floats:
        return np.divide(part, of, out=np.broadcast_to(otherwise, part.shape).copy(), where=of > _NOTHING)

    some = np.maximum(before, _NOTHING)
    poor = left * kept(found.poor, rest, np.zeros(1))
    return _Fates(
        well=well,
        success=well * kept(found.success, found.well, found.success.mean(axis=1, keepdims=True) / some),
        egg_day=well * kept(found.egg_day, found.well, found.egg_day.mean(axis=1, keepdims=True) / some),
        poor=poor,
        failed=left - poor,
    )


def _utility(found: _Fates, weights: Floats, biology: Biology) -> tuple[Floats, Floats, Floats]:
    """Utility of one nuc per candidate and path, in laying queens; its mean without the wait, and the break-even.

    A nuc with a queen in lay (in time, if there is a deadline) counts 1, one that fails costs ``nuc_cost``, a poor
    queen found late ``poor_queen_cost``. Every day that a nuc is held costs ``delay_cost_per_d``, counted from the day
    on which a queen of this graft could first be in lay, and so does every day by which that is later than for the
    first candidate. A nuc without a good queen is held until the first laying check.
    """
    decision, accept = biology.decision, biology.success.emergence_acceptance
    emergence = (weights @ np.arange(weights.shape[1]))[:, None]
    earliest = emergence + biology.mating.maturity_age_d + biology.laying.lag_d
    to_check = biology.checks.first_check_age_d - biology.mating.maturity_age_d - biology.laying.lag_d
    day = decision.delay_cost_per_d
    waiting = day * (emergence - emergence.min())
    good = found.success - day * (found.egg_day - earliest * found.well)
    bad = decision.nuc_cost * found.failed + decision.poor_queen_cost * found.poor
    bad = bad + day * to_check * (found.failed + found.poor)
    no_virgin = (1.0 - accept) * (decision.nuc_cost + day * to_check)
    worth: Floats = accept * (good - bad) - no_virgin
    p = np.clip(found.well.mean(axis=1), 1e-9, 1.0 - 1e-9)
    gain, loss = good.mean(axis=1) / p, bad.mean(axis=1) / (1.0 - p)
    break_even = np.clip((loss + no_virgin / accept) / np.maximum(gain + loss, 1e-9), 0.0, 1.0)
    return worth - waiting, worth.mean(axis=1), break_even
