"""Whether odds mean what they say: recalibration by isotonic regression, and how far chance alone would bend it.

The odds are put in order and their outcomes pooled until the shares that came true rise with the odds; no bins are
chosen by hand. What the Brier score would gain by that is miscalibration (MCB), what recalibrated odds gain over the
base rate is discrimination (DSC), and the score is MCB - DSC + UNC.

Consistency bars: outcomes are drawn again as if the odds were right, and pooled in the same way. Outcomes of one block
share their weather, so they are drawn together, by a Gaussian copula with one factor for each block; its strength is
taken from what the recalibrated odds leave over, so that wrong odds do not pass as shared weather. The link between the
correlation of yes and no and that of the Gaussian behind them is r = sin(π c / 2), exact at odds of one half (Sheppard
1899; from memory), close elsewhere.

Sources: Dimitriadis, Gneiting and Jordan 2021, PNAS 118(8) e2016191118 (the CORP approach); consistency resampling,
Bröcker and Smith 2007, Wea Forecasting 22:651-661.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from scipy.special import ndtr, ndtri

from matewindow.verification.blocks import LEVEL, Blocks
from matewindow.verification.missing import complete
from matewindow.verification.odds_scores import brier_scores

if TYPE_CHECKING:
    from numpy.typing import ArrayLike, NDArray

    Floats = NDArray[np.float64]

N_DRAWS = 500
N_BINS = 10
_SEED = 43
_STRONGEST = 0.99


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
    n_draws: int = N_DRAWS,
    seed: int = _SEED,
) -> Reliability | None:
    """Reliability of odds with consistency bars; None where no case is known.

    Args:
        p: odds issued, shape (n,).
        outcome: share for whom it came true, shape (n,).
        blocks: cases that share their weather; without them each stands alone.
        level: share of honest records that the bars hold, at each point.
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
    vary, shared = _dependence(share, fitted, of_case)
    values, start, count = np.unique(odds, return_index=True, return_counts=True)
    drawn = _drawn(odds, vary, shared, of_case, n_draws, np.random.default_rng(seed))
    curves = _curves(drawn, start, count)
    extra = _miscalibration(drawn, np.repeat(curves, count, axis=1), odds)
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
        shared=shared,
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


def _dependence(share: Floats, fitted: Floats, of_case: NDArray[np.intp] | None) -> tuple[float, float]:
    """How much outcomes vary about their odds, and how alike they are within a block, as correlations of Gaussians.

    The first is 1 for yes and no, less for shares of many queens; 0 if the outcomes are the odds.
    """
    left, room = share - fitted, fitted * (1.0 - fitted)
    if room.sum() <= 0.0:
        return 1.0, 0.0
    vary = float(np.sin(np.pi / 2.0 * min(1.0, (left**2).sum() / room.sum())))
    if of_case is None or vary <= 0.0:
        return vary, 0.0
    n_blocks = int(of_case.max()) + 1
    total, spread = np.bincount(of_case, left), np.bincount(of_case, np.sqrt(room))
    pairs = (spread**2).sum() - room.sum()
    if n_blocks < 2 or pairs <= 0.0:
        return vary, 0.0
    # what is left over adds up to nil over all blocks: that takes one part in n_blocks of what they share
    alike = ((total**2).sum() * n_blocks / (n_blocks - 1) - (left**2).sum()) / pairs
    shared = float(np.sin(np.pi / 2.0 * np.clip(alike, 0.0, 1.0))) / vary
    return vary, min(shared, _STRONGEST)


def _drawn(
    odds: Floats, vary: float, shared: float, of_case: NDArray[np.intp] | None, n_draws: int, rng: np.random.Generator
) -> Floats:
    """Outcomes as they would be if the odds were right, (n_draws, n).

    Behind each stands a Gaussian whose mean over all draws gives the odds exactly, whatever its parts.
    """
    hidden = rng.standard_normal((n_draws, len(odds)))
    if of_case is not None and shared > 0.0:
        common = rng.standard_normal((n_draws, int(of_case.max()) + 1))[:, of_case]
        hidden = np.sqrt(shared) * common + np.sqrt(1.0 - shared) * hidden
    edge = ndtri(odds)
    if vary >= 1.0 - 1e-9:
        return np.asarray(hidden < edge, dtype=np.float64)
    drawn: Floats = ndtr((edge - np.sqrt(vary) * hidden) / np.sqrt(1.0 - vary))
    return drawn


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
