"""Whether odds mean what they say: recalibration by isotonic regression, and how far chance alone would bend it.

The odds are put in order and their outcomes pooled until the shares that came true rise with the odds; no bins are
chosen by hand. What the Brier score would gain by that is miscalibration (MCB), what recalibrated odds gain over the
base rate is discrimination (DSC), and the score is MCB - DSC + UNC.

Consistency bars: outcomes are drawn again as if the odds were right, and pooled in the same way. Outcomes of one block
share their weather, and those of neighbouring days share more of it, so they are drawn together (``sharing``).

Sources: Dimitriadis, Gneiting and Jordan 2021, PNAS 118(8) e2016191118 (the CORP approach); consistency resampling,
Bröcker and Smith 2007, Wea Forecasting 22:651-661.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from matewindow.verification.blocks import LEVEL, Blocks
from matewindow.verification.missing import complete
from matewindow.verification.odds_scores import brier_scores
from matewindow.verification.sharing import drawn_outcomes, sharing_of

if TYPE_CHECKING:
    from numpy.typing import ArrayLike, NDArray

    Floats = NDArray[np.float64]

N_DRAWS = 500
N_BINS = 10
_CELLS = 2_000_000
"""Outcomes drawn at once, so that a long record does not take all memory."""
_SEED = 43


@dataclass(frozen=True)
class Bin:
    """Cases whose odds lie in a tenth: how many, the odds on average, what came true, and what chance allows.

    ``came`` is the mean of the recalibrated odds; ``low`` and ``high`` bound it for odds that mean what they say.
    """

    start: float
    end: float
    n: int
    issued: float
    came: float
    low: float
    high: float

    @property
    def off(self) -> float:
        """How far what came true lies outside what chance allows: below 0 the odds were too high, above too low."""
        return min(0.0, self.came - self.low) + max(0.0, self.came - self.high)


@dataclass(frozen=True, eq=False)
class Reliability:
    """The reliability of odds.

    Attributes:
        score: mean Brier score, = miscalibration - discrimination + uncertainty.
        miscalibration, discrimination, uncertainty: its parts.
        odds: distinct odds issued, rising, shape (k,).
        count: cases of each.
        recalibrated: what the record says that each of them meant.
        low, high: consistency bars: where the recalibrated odds would lie in ``level`` of the records if the odds
            issued were right, at each single one of ``odds``.
        level: of the bars.
        chance: share of the records of right odds that look at least as miscalibrated as this one.
        by_chance: miscalibration that 95 % of the records of right odds stay below. (A range over redrawn blocks is not
            given: redrawing makes any record look more miscalibrated than it is.)
        shared: correlation of outcomes within a block that was allowed for.
        shared_days, memory_d: correlation beyond it on the same day, and after how many days a third of it is left [d].
        bins: the same in tenths of the odds issued.
        n, missing: cases used and left out.
    """

    score: float
    miscalibration: float
    discrimination: float
    uncertainty: float
    odds: Floats
    count: NDArray[np.intp]
    recalibrated: Floats
    low: Floats
    high: Floats
    level: float
    chance: float
    by_chance: float
    shared: float
    shared_days: float
    memory_d: float
    bins: tuple[Bin, ...]
    n: int
    missing: int


def recalibrate(p: ArrayLike, outcome: ArrayLike) -> Floats:
    """What each of the odds issued should have been, by isotonic regression: shares that rise with the odds, (n,).

    Args:
        p: odds issued, none missing, shape (n,).
        outcome: share for whom it came true, none missing, shape (n,).
    """
    odds, place, count = np.unique(np.asarray(p, dtype=np.float64), return_inverse=True, return_counts=True)
    means = np.bincount(place, np.asarray(outcome, dtype=np.float64), minlength=len(odds)) / count
    fitted: Floats = _pooled(means[None], count)[0][place]
    return fitted


def reliability(
    p: ArrayLike,
    outcome: ArrayLike,
    blocks: Blocks | None = None,
    *,
    level: float = LEVEL,
    days: NDArray[np.datetime64] | None = None,
    n_draws: int = N_DRAWS,
    seed: int = _SEED,
) -> Reliability | None:
    """Reliability of odds with consistency bars; None where no case is known.

    Args:
        p: odds issued, shape (n,).
        outcome: share for whom it came true, shape (n,).
        blocks: cases that share their weather; without them each stands alone.
        level: share of honest records that the bars hold, at each point.
        days: on which the outcomes of the cases came, shape (n,): within a block those close to each other share more
            of their weather; None if this is not known.
        n_draws: records drawn as if the odds were right.
        seed: of the draws.
    """
    known = complete(p, outcome)
    order = np.argsort(np.asarray(p, dtype=np.float64)[known], kind="stable")
    odds, share = (np.asarray(x, dtype=np.float64)[known][order] for x in (p, outcome))
    if len(odds) == 0:
        return None
    fitted = recalibrate(odds, share)
    base = share.mean()
    score, best, uncertainty = (float(brier_scores(x, share).mean()) for x in (odds, fitted, np.full_like(odds, base)))
    of_case = None if blocks is None else blocks.of_cases(known).of_case[order]
    of_day = None if days is None else days[known][order].astype("datetime64[D]").astype(np.int64)
    sharing = sharing_of(share, fitted, of_case, of_day)
    values, start, count = np.unique(odds, return_index=True, return_counts=True)
    rng, at_once = np.random.default_rng(seed), max(1, _CELLS // len(odds))
    parts = []
    for first in range(0, n_draws, at_once):
        drawn = drawn_outcomes(odds, sharing, of_case, of_day, min(at_once, n_draws - first), rng)
        fits = _curves(drawn, start, count)
        parts.append((fits, _miscalibration(drawn, np.repeat(fits, count, axis=1), odds)))
    curves, extra = (np.concatenate(part) for part in zip(*parts, strict=True))
    tails = ((1.0 - level) / 2.0, (1.0 + level) / 2.0)
    low, high = np.quantile(curves, tails, axis=0)
    return Reliability(
        score=score,
        miscalibration=score - best,
        discrimination=uncertainty - best,
        uncertainty=uncertainty,
        odds=values,
        count=count,
        recalibrated=fitted[start],
        low=low,
        high=high,
        level=level,
        chance=float((1 + (extra >= score - best - 1e-12).sum()) / (1 + n_draws)),
        by_chance=float(np.quantile(extra, 0.95)),
        shared=sharing.block,
        shared_days=sharing.days,
        memory_d=sharing.memory_d,
        bins=_bins(values, count, fitted[start], curves, tails),
        n=len(odds),
        missing=int((~known).sum()),
    )


def _curves(drawn: Floats, start: NDArray[np.intp], count: NDArray[np.intp]) -> Floats:
    """Isotonic regression of each draw on the distinct odds, (n_draws, k)."""
    return _pooled(np.add.reduceat(drawn, start, axis=1) / count, count)


def _pooled(means: Floats, count: NDArray[np.intp]) -> Floats:
    """Rows of means by rising odds, with the cases behind each, pooled until every row rises.

    scikit-learn's ``IsotonicRegression`` does the same and interpolates between odds afterwards, which loses its
    footing where two odds differ by next to nothing.
    """
    from sklearn.isotonic import isotonic_regression  # slow to import

    weights = count.astype(np.float64)
    return np.stack([isotonic_regression(row, sample_weight=weights, y_min=0.0, y_max=1.0) for row in means])


def _miscalibration(drawn: Floats, fitted: Floats, odds: Floats) -> Floats:
    """MCB of each draw; the variance of the outcomes themselves falls out."""
    extra: Floats = ((odds - drawn) ** 2 - (fitted - drawn) ** 2).mean(axis=1)
    return extra


def _bins(
    values: Floats, count: NDArray[np.intp], recalibrated: Floats, curves: Floats, tails: tuple[float, float]
) -> tuple[Bin, ...]:
    """Tenths of the odds issued that hold cases; odds of exactly 1 belong to the last."""
    place = np.minimum((values * N_BINS + 1e-9).astype(int), N_BINS - 1)
    found = []
    for i in np.unique(place):
        here = place == i
        weights = count[here] / count[here].sum()
        low, high = np.quantile(curves[:, here] @ weights, tails)
        issued, came = float(values[here] @ weights), float(recalibrated[here] @ weights)
        start, end = float(i) / N_BINS, float(i + 1) / N_BINS
        found.append(Bin(start, end, int(count[here].sum()), issued, came, float(low), float(high)))
    return tuple(found)
