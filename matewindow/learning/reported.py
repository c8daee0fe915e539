"""An outlook with its odds put right: what is reported of it, and nothing of how it was worked out.

Only the odds of being well mated were held against records. The other fates share what is left in the proportions that
the chain gave them, so that all still add up to 1. An outlook that already knows of a look into the nuc is left as it
is: the odds that were learnt from were those before any look.
"""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np

from matewindow.odds import ByPath, Range, spread

if TYPE_CHECKING:
    from matewindow.learning.recalibration import Recalibration
    from matewindow.outlook import Outlook

_WELL = "well_mated"
_NOTHING = 1e-9


def recalibrated(outlook: Outlook, recalibration: Recalibration | None) -> Outlook:
    """The outlook with its odds of being well mated put right, and what follows from them.

    Args:
        outlook: as worked out.
        recalibration: made for odds of the parameters that the outlook was worked out with; None leaves it as it is.
    """
    if recalibration is None or outlook.batch.checks:
        return outlook
    before = outlook.well_mated.value
    after = float(recalibration.apply(before))
    share = np.asarray(recalibration.apply(outlook.by_path.share))
    usual = outlook.well_mated_usual
    usual_after = None if usual is None else float(recalibration.apply(usual))
    return replace(
        outlook,
        fates=recalibrated_fates(outlook.fates, recalibration),
        well_mated=recalibrated_range(outlook.well_mated, recalibration),
        well_mated_by_weather=spread(share, outlook.by_path.weight),
        well_mated_usual=usual_after,
        risk_poor_mating=_poor(outlook.risk_poor_mating, before, after),
        risk_poor_mating_usual=None
        if outlook.risk_poor_mating_usual is None or usual is None or usual_after is None
        else _risk(outlook.risk_poor_mating_usual, _factor(usual, usual_after)),
        by_path=ByPath(share, outlook.by_path.weight),
    )


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
