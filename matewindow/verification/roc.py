"""Telling cases apart: hit and false alarm rates over all thresholds, and the area under them.

The area says whether odds were higher where it came true. It does not say whether they meant what they said, so it is
never quoted alone.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from matewindow.verification.blocks import Blocks, Ranged, ranges
from matewindow.verification.missing import complete

if TYPE_CHECKING:
    from numpy.typing import ArrayLike, NDArray

    Floats = NDArray[np.float64]

_N_DRAWS = 500


@dataclass(frozen=True, eq=False)
class Roc:
    """Rates for every threshold: it is acted on where the odds are at least the threshold.

    Attributes:
        threshold: falling, the first +inf (never acted on), shape (k + 1,).
        hit_rate: share of the events that are acted on.
        false_alarm_rate: share of the non-events that are acted on.
        area: under the curve: the chance that odds are higher where it came true, equal odds counting half; None
            without events or without non-events.
        n, missing: cases used and left out.
    """

    threshold: Floats
    hit_rate: Floats
    false_alarm_rate: Floats
    area: Ranged
    n: int
    missing: int


def roc(p: ArrayLike, outcome: ArrayLike, blocks: Blocks | None = None) -> Roc:
    """The ROC curve of odds and the area under it.

    Args:
        p: odds issued, shape (n,).
        outcome: share for whom it came true, shape (n,); a share counts in part as event and in part as non-event.
        blocks: of the cases; without them the area has no range.

    Source: Mason and Graham 2002, QJRMS 128:2145-2166 (from memory): the area is the Mann-Whitney statistic, scaled.
    """
    known = complete(p, outcome)
    odds, share = np.asarray(p, dtype=np.float64)[known], np.asarray(outcome, dtype=np.float64)[known]
    values, start, order = _groups(odds)
    events, others = (_by_value(column[order][None], start) for column in (share, 1.0 - share))
    with np.errstate(invalid="ignore", divide="ignore"):  # no event, no rate
        hits, alarms = (np.append(0.0, np.cumsum(column[0][::-1]) / column.sum()) for column in (events, others))
        area = _areas(events, others)
        here = None if blocks is None else blocks.of_cases(known)
        redrawn, n_blocks = np.empty((0, 1)), 0
        if here is not None and here.enough:
            times = here.draws(_N_DRAWS)[:, here.of_case[order]]
            drawn = (_by_value(times * column[order], start) for column in (share, 1.0 - share))
            redrawn, n_blocks = _areas(*drawn)[:, None], here.count
    thresholds = np.append(np.inf, values[::-1])
    return Roc(thresholds, hits, alarms, ranges(area, redrawn, n_blocks)[0], len(odds), int((~known).sum()))


def rates_at(roc: Roc, threshold: float) -> tuple[float, float]:
    """Hit rate and false alarm rate if acted on where the odds are at least the threshold."""
    place = int((roc.threshold >= threshold - 1e-12).sum()) - 1
    return float(roc.hit_rate[place]), float(roc.false_alarm_rate[place])


def _groups(odds: Floats) -> tuple[Floats, NDArray[np.intp], NDArray[np.intp]]:
    """Distinct odds, rising; where each begins in the order of rising odds; and that order."""
    order = np.argsort(odds, kind="stable")
    values, start = np.unique(odds[order], return_index=True)
    return values, start, order


def _by_value(columns: Floats, start: NDArray[np.intp]) -> Floats:
    """Sums over the cases of each distinct value, (..., k)."""
    return np.add.reduceat(columns, start, axis=-1) if len(start) else np.zeros((len(columns), 0))


def _areas(events: Floats, others: Floats) -> Floats:
    """Area for each row of events and non-events by rising odds; NaN where there are none of either."""
    lower = np.cumsum(others, axis=1) - others / 2.0
    areas: Floats = (events * lower).sum(axis=1) / (events.sum(axis=1) * others.sum(axis=1))
    return areas
