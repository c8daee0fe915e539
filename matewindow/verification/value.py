"""What odds are worth to somebody who acts on them, over all relations of cost to loss.

Two tellings, one number. Somebody pays C to be spared a loss L if it happens (a = C / L); or stocks a nuc for C and
wins G if it comes good (a = C / G). Both act where the odds are above a, and in both the value is the share of what
perfect knowledge would bring over the better of always and never acting.

Source: Richardson 2000, QJRMS 126:649-667, doi:10.1002/qj.49712656313.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from matewindow.verification.blocks import Blocks, Ranged, redrawn_ranges
from matewindow.verification.missing import complete

if TYPE_CHECKING:
    from numpy.typing import ArrayLike, NDArray

    Floats = NDArray[np.float64]

RATIOS = tuple(round(0.05 * i, 2) for i in range(1, 20))
_N_DRAWS = 1000


def relative_value(hit_rate: ArrayLike, false_alarm_rate: ArrayLike, base_rate: ArrayLike, ratio: ArrayLike) -> Floats:
    """Relative economic value of yes-or-no advice: 1 is perfect, 0 no better than the better of always and never.

    Args:
        hit_rate: share of the events that are acted on.
        false_alarm_rate: share of the non-events that are acted on.
        base_rate: share of the cases that are events.
        ratio: cost over loss, or cost over gain, between 0 and 1.

    Returns:
        Of the shape of all of them together; NaN where nothing could be gained because it always or never happens.
    """
    h, f, s, a = (np.asarray(x, dtype=np.float64) for x in (hit_rate, false_alarm_rate, base_rate, ratio))
    best = np.minimum(a, s)
    with np.errstate(invalid="ignore", divide="ignore"):
        value: Floats = (best - f * a * (1.0 - s) + h * s * (1.0 - a) - s) / (best - s * a)
    return np.where((s > 0.0) & (s < 1.0), value, np.nan)


@dataclass(frozen=True)
class Value:
    """Value of acting on odds, by ratio of cost to gain, on the cases in which both sets of odds are known.

    Attributes:
        ratios: cost over gain (or loss).
        odds: value of acting where the odds issued are above the ratio.
        reference: the same with what the odds are held against.
        gain: odds less reference.
        potential: value if for each ratio the threshold is chosen that would have been best, with hindsight: what
            recalibrated odds might reach.
        n, missing: cases used and left out.
    """

    ratios: tuple[float, ...]
    odds: tuple[Ranged, ...]
    reference: tuple[Ranged, ...]
    gain: tuple[Ranged, ...]
    potential: tuple[float | None, ...]
    n: int
    missing: int


def economic_value(
    p: ArrayLike, reference: ArrayLike, outcome: ArrayLike, blocks: Blocks, ratios: tuple[float, ...] = RATIOS
) -> Value:
    """Value of odds and of a reference over ratios of cost to gain.

    Args:
        p: odds issued, shape (n,).
        reference: odds they are held against, such as the usual, shape (n,).
        outcome: share for whom it came true, shape (n,).
        blocks: of the cases.
        ratios: each between 0 and 1.
    """
    known = complete(p, reference, outcome)
    odds, other, share = (np.asarray(x, dtype=np.float64)[known] for x in (p, reference, outcome))
    at = np.asarray(ratios)
    acted = [np.greater(column[:, None], at).astype(np.float64) for column in (odds, other)]
    counts = [act * (share if hit else 1.0 - share)[:, None] for act in acted for hit in (True, False)]
    columns = np.concatenate([*counts, share[:, None], np.ones((len(odds), 1))], axis=1)
    here = blocks.of_cases(known)
    k = len(ratios)
    if len(odds) == 0:
        none = (Ranged(None),) * k
        return Value(ratios, none, none, none, (None,) * k, 0, len(known))
    found = redrawn_ranges(lambda sums: _values(sums, at), columns, here, n_draws=_N_DRAWS)
    best = _potential(odds, share, at)
    return Value(
        ratios=ratios,
        odds=tuple(found[:k]),
        reference=tuple(found[k : 2 * k]),
        gain=tuple(found[2 * k :]),
        potential=tuple(None if np.isnan(x) else float(x) for x in best),
        n=len(odds),
        missing=int((~known).sum()),
    )


def _values(sums: Floats, ratios: Floats) -> Floats:
    """Values of odds and reference, and their difference, from the sums that ``economic_value`` makes."""
    k = len(ratios)
    events, n = sums[..., -2:-1], sums[..., -1:]
    values = [
        relative_value(sums[..., i : i + k] / events, sums[..., i + k : i + 2 * k] / (n - events), events / n, ratios)
        for i in (0, 2 * k)
    ]
    return np.concatenate([*values, values[0] - values[1]], axis=-1)


def _potential(odds: Floats, share: Floats, ratios: Floats) -> Floats:
    """Best value over all thresholds, for each ratio."""
    order = np.argsort(-odds, kind="stable")
    last = np.concatenate([np.diff(odds[order]) != 0.0, [True]])  # equal odds are acted on together
    with np.errstate(invalid="ignore", divide="ignore"):
        hits, alarms = (np.append(0.0, np.cumsum(x[order])[last]) / x.sum() for x in (share, 1.0 - share))
    values = relative_value(hits[:, None], alarms[:, None], share.mean(), ratios)
    best: Floats = values.max(axis=0)
    return best
