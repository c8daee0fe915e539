"""An outlook with its odds put right: what is reported of it, and nothing of how it was worked out.

Only the odds of being well mated were held against records. The other fates share what is left in the proportions that
the chain gave them, so that all still add up to 1; the odds on single weathers move so that their mean is the odds, and
those of being in lay by a day in the proportion in which all that come into lay do. What is left as it is: when those
lay that do, flight hours, and all that follows from a look into the nuc, one to come as well as one that was made. The
odds that were learnt from were those before any look.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from datetime import timedelta
from typing import TYPE_CHECKING

import numpy as np

from matewindow.learning.covariates import of_batch
from matewindow.odds import ByPath, Range, moved, spread

if TYPE_CHECKING:
    from datetime import date

    from numpy.typing import ArrayLike, NDArray

    from matewindow.laying import LayingOutlook
    from matewindow.learning.recalibration import Recalibration
    from matewindow.outlook import Outlook

    Floats = NDArray[np.float64]

_WELL = "well_mated"
_IN_LAY = (_WELL, "under_mated", "late_mated")
_NOTHING = 1e-9


def recalibrated(outlook: Outlook, recalibration: Recalibration | None) -> Outlook:
    """The outlook with its odds of being well mated put right, and what follows from them.

    Args:
        outlook: as worked out.
        recalibration: made for odds of the parameters that the outlook was worked out with, and for such a batch
            (``Recalibration.at``); None leaves it as it is.
    """
    if recalibration is None or outlook.batch.checks:
        return outlook
    before = outlook.well_mated.value
    after = float(recalibration.apply(before))
    share = moved(outlook.by_path.share, before, after)
    fates = recalibrated_fates(outlook.fates, recalibration)
    in_lay = _in_lay(fates) / max(_in_lay(outlook.fates), _NOTHING)
    usual = outlook.well_mated_usual
    usual_after = None if usual is None else float(recalibration.apply(usual))
    return replace(
        outlook,
        fates=fates,
        well_mated=recalibrated_range(outlook.well_mated, recalibration),
        well_mated_by_weather=spread(share, outlook.by_path.weight),
        well_mated_usual=usual_after,
        risk_poor_mating=_poor(outlook.risk_poor_mating, before, after),
        risk_poor_mating_usual=None
        if outlook.risk_poor_mating_usual is None or usual is None or usual_after is None
        else _risk(outlook.risk_poor_mating_usual, _factor(usual, usual_after)),
        laying_by_day={day: p * in_lay for day, p in outlook.laying_by_day.items()},
        by_path=ByPath(share, outlook.by_path.weight),
    )


def recalibrated_laying(outlook: LayingOutlook, recalibration: Recalibration | None) -> LayingOutlook:
    """The laying check with the odds of a queen before any look put right, as her batch's outlook has them.

    What a look would tell, and whether to wait or to replace, weigh one chain's odds against another's and are left.

    Args:
        outlook: as worked out.
        recalibration: as for ``recalibrated``.
    """
    if recalibration is None or outlook.batch.checks:
        return outlook
    return replace(outlook, well_mated=recalibrated_range(outlook.well_mated, recalibration))


def _in_lay(fates: dict[str, float]) -> float:
    """The odds of coming into lay, well mated or not."""
    return sum(fates[fate] for fate in _IN_LAY)


@dataclass(frozen=True)
class OfDays:
    """Puts the odds of grafts on days in a row right, each by what is known of a graft on it; larvae of unknown age.

    Attributes:
        recalibration: made for odds of the parameters that they were worked out with.
        first_day, n_days: which days.
    """

    recalibration: Recalibration
    first_day: date
    n_days: int

    def apply(self, p: ArrayLike) -> Floats:
        """The odds put right, days first; shape (n_days, any), as given."""
        known = [of_batch(self.first_day + timedelta(days=i), None) for i in range(self.n_days)]
        return self.recalibration.apply(p, {name: np.array([[of[name]] for of in known]) for name in known[0]})


def recalibrated_days(outlook: Outlook, recalibration: Recalibration | None) -> Outlook:
    """The outlook with the odds that its days are flying days put right, and nothing else.

    A day that cannot be one, before the first drones, stays at 0.

    Args:
        outlook: as worked out, or put right otherwise.
        recalibration: made for such odds of the parameters in use; None leaves them as they are.
    """
    if recalibration is None:
        return outlook
    days = [
        day if day.drones <= 0.0 else replace(day, p_flying=float(recalibration.apply(day.p_flying)))
        for day in outlook.days
    ]
    return replace(outlook, days=days)


def recalibrated_range(odds: Range, recalibration: Recalibration) -> Range:
    """Odds and both ends of their range put right."""

    def put_right(p: float | None) -> float | None:
        return None if p is None else float(recalibration.apply(p))

    return Range(float(recalibration.apply(odds.value)), put_right(odds.low), put_right(odds.high))


def recalibrated_fates(fates: dict[str, float], recalibration: Recalibration) -> dict[str, float]:
    """The odds of each fate, that of being well mated put right, the others in their old proportions; they add up to 1.

    Where the others are nothing at all, what is left over goes to the lost.
    """
    after = float(recalibration.apply(fates[_WELL]))
    others = 1.0 - fates[_WELL]
    if others <= _NOTHING:
        return dict.fromkeys(fates, 0.0) | {_WELL: after, "lost": 1.0 - after}
    scale = (1.0 - after) / others
    return {fate: after if fate == _WELL else p * scale for fate, p in fates.items()}


def _factor(before: float, after: float) -> float:
    """By how much the odds against being well mated, as a ratio, are multiplied."""
    if before <= _NOTHING or before >= 1.0 - _NOTHING:
        return 1.0
    return (1.0 - after) / after * before / (1.0 - before)


def _risk(risk: float, factor: float) -> float:
    """A risk among those that live: poor against well mated, both moved as the fates are."""
    poor = risk * factor
    return poor / (poor + 1.0 - risk)


def _poor(risk: Range | None, before: float, after: float) -> Range | None:
    if risk is None:
        return None
    factor = _factor(before, after)
    low, high = (None if end is None else _risk(end, factor) for end in (risk.low, risk.high))
    return Range(_risk(risk.value, factor), low, high)
