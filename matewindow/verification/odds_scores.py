"""Scores of odds for something that happens or does not: Brier and log score, and what the Brier score is made of.

An outcome is a share between 0 and 1: of one queen 0 or 1; of nine nucs stocked alike 7/9; in a hindcast the odds that
the chain gives for the weather that really came. A share stands for many queens, and every score is the mean over
them, so that no lot needs to be drawn: E[(p - y)²] = (p - share)² + share (1 - share).
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from scipy.special import xlog1py, xlogy

from matewindow.verification.missing import complete

if TYPE_CHECKING:
    from numpy.typing import ArrayLike, NDArray

    Floats = NDArray[np.float64]

LOG_BOUND = 0.01
"""Odds are shown as 1 to 99 %, so they are held to that: what was said as 99 % is not punished as certainty."""


def brier_scores(p: ArrayLike, outcome: ArrayLike) -> Floats:
    """Brier score of each case, in its half form: 0 is best, 1 worst.

    Args:
        p: odds issued, 0 to 1, shape (n,).
        outcome: share for whom it came true, 0 to 1, shape (n,).

    Returns:
        Shape (n,); NaN where either is NaN.

    Source: Brier 1950, Mon Wea Rev 78:1-3.
    """
    odds, share = np.asarray(p, dtype=np.float64), np.asarray(outcome, dtype=np.float64)
    scores: Floats = (odds - share) ** 2 + share * (1.0 - share)
    return scores


def log_scores(p: ArrayLike, outcome: ArrayLike, bound: float = LOG_BOUND) -> Floats:
    """Logarithmic score of each case, in nats: 0 is best, without an upper limit.

    Args:
        p: odds issued, 0 to 1, shape (n,).
        outcome: share for whom it came true, 0 to 1, shape (n,).
        bound: odds nearer to 0 or 1 than this are moved to it. With 0 nothing is moved, and odds of 0 for what
            happened, or of 1 for what did not, score infinity.

    Returns:
        Shape (n,); NaN where either is NaN.

    Source: Good 1952, J R Stat Soc B 14:107-114 (from memory).
    """
    odds = np.clip(np.asarray(p, dtype=np.float64), bound, 1.0 - bound)
    share = np.asarray(outcome, dtype=np.float64)
    scores: Floats = -(xlogy(share, odds) + xlog1py(1.0 - share, -odds))
    return scores


@dataclass(frozen=True)
class Parts:
    """What a Brier score is made of: reliability (small is good), resolution (large is good), uncertainty."""

    reliability: float
    resolution: float
    uncertainty: float


@dataclass(frozen=True)
class Decomposition:
    """A Brier score and its parts: score = reliability - resolution + uncertainty + within_bins.

    Attributes:
        score: mean Brier score.
        parts: as counted.
        corrected: freed of the bias that small bins cause; None where it is not defined.
        within_bins: what differing odds inside a bin leave over; nil if every bin holds one value.
        n_bins: bins that hold cases.
        n, missing: cases used and left out.
    """

    score: float
    parts: Parts
    corrected: Parts | None
    within_bins: float
    n_bins: int
    n: int
    missing: int


def decompose(p: ArrayLike, outcome: ArrayLike, edges: ArrayLike | None = None) -> Decomposition:
    """Murphy's decomposition of the Brier score, plain and bias-corrected.

    Args:
        p: odds issued, shape (n,).
        outcome: share for whom it came true, shape (n,).
        edges: inner edges of the bins, rising; a value on an edge belongs to the upper bin. Without them every distinct
            value is a bin.

    Returns:
        NaN throughout where no case is known.

    Sources: Murphy 1973, J Appl Meteorol 12:595-600; correction and its limits: Ferro and Fricker 2012, QJRMS
    138:1954-1960, doi:10.1002/qj.1924, with the sample variance of shares in the place of that of single events; bins
    with one case add nothing to it.
    """
    known = complete(p, outcome)
    odds, share = np.asarray(p, dtype=np.float64)[known], np.asarray(outcome, dtype=np.float64)[known]
    n, nan = len(odds), float("nan")
    if n == 0:
        return Decomposition(nan, Parts(nan, nan, nan), None, nan, 0, 0, len(known))
    bins = odds if edges is None else np.searchsorted(np.asarray(edges, dtype=np.float64), odds, side="right")
    _, place = np.unique(bins, return_inverse=True)
    size = np.bincount(place).astype(np.float64)
    issued, came = (np.bincount(place, column) / size for column in (odds, share))
    base = share.mean()
    plain = Parts(
        float((size * (issued - came) ** 2).sum() / n),
        float((size * (came - base) ** 2).sum() / n),
        float(base * (1.0 - base)),
    )
    score = float(brier_scores(odds, share).mean())
    within = score - (plain.reliability - plain.resolution + plain.uncertainty)
    variance = np.bincount(place, (share - came[place]) ** 2) / np.maximum(size - 1.0, 1.0)
    corrected = _corrected(plain, float(variance.sum() / n), float(share.var(ddof=1) / n) if n > 1 else nan)
    return Decomposition(score, plain, corrected, within, len(size), n, int((~known).sum()))


def _corrected(plain: Parts, inside: float, overall: float) -> Parts | None:
    """The parts less their bias, as much of it as keeps them within their limits.

    Args:
        plain: as counted.
        inside: mean squared sampling error of the bins' shares.
        overall: squared sampling error of the base rate.
    """
    if np.isnan(overall):
        return None
    limits = [1.0]
    if inside > 0.0:
        limits.append(plain.reliability / inside)
    if inside > overall:
        limits.append(plain.resolution / (inside - overall))
    if overall > 0.0:
        limits.append((0.25 - plain.uncertainty) / overall)
    shift = max(0.0, min(limits))
    return Parts(
        plain.reliability - shift * inside,
        plain.resolution - shift * (inside - overall),
        plain.uncertainty + shift * overall,
    )
