"""Odds put right by what became of the queens they were given for: logit p = a + b logit p_issued.

``a`` shifts all odds, ``b`` draws them towards even or away from it. Both lean on "no change" by their priors, so that
few records hardly move them.

Source: priors and the number of records they need stand in the card of each model; the form is Cox 1958 (logistic
recalibration, from memory).
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from numpy.typing import ArrayLike, NDArray

    Floats = NDArray[np.float64]

A_SD, B_SD = 0.5, 0.25
"""Standard deviations of the priors: a about 0, b about 1 (judgement)."""
P_FLOOR = 0.001
"""Odds are kept this far from 0 and 1, where their logit has no end."""
_STEPS = 100
_CLOSE = 1e-12


@dataclass(frozen=True)
class Recalibration:
    """``a`` and ``b`` with their standard deviations; 0 where one was not fitted."""

    a: float
    b: float
    a_sd: float
    b_sd: float

    def apply(self, p: ArrayLike) -> Floats:
        """The odds put right; shape as given, NaN stays NaN."""
        from scipy.special import expit

        result: Floats = expit(self.a + self.b * safe_logit(p))
        return result

    def undone(self, p: ArrayLike) -> Floats:
        """What the odds were before they were put right; shape as given. ``b`` must not be 0."""
        from scipy.special import expit

        result: Floats = expit((safe_logit(p) - self.a) / self.b)
        return result


NO_CHANGE = Recalibration(0.0, 1.0, 0.0, 0.0)


def safe_logit(p: ArrayLike) -> Floats:
    """Log odds of shares, kept ``P_FLOOR`` away from 0 and 1."""
    from scipy.special import logit

    result: Floats = logit(np.clip(np.asarray(p, dtype=np.float64), P_FLOOR, 1.0 - P_FLOOR))
    return result


def log_scores(p: ArrayLike, success: ArrayLike) -> Floats:
    """Logarithm of the odds that were given to what came, in nats; 0 is perfect.

    Args:
        p: odds of success, shape (n,).
        success: whether it came, shape (n,).
    """
    odds = np.clip(np.asarray(p, dtype=np.float64), P_FLOOR, 1.0 - P_FLOOR)
    result: Floats = np.log(np.where(np.asarray(success, dtype=bool), odds, 1.0 - odds))
    return result


def fit_recalibration(
    p: ArrayLike, success: ArrayLike, *, slope: bool = True, a_sd: float = A_SD, b_sd: float = B_SD
) -> Recalibration:
    """The likeliest recalibration under its priors, by Newton's method; standard deviations by Laplace's.

    Args:
        p: odds as issued, shape (n,).
        success: whether the queens came good, shape (n,).
        slope: whether ``b`` is fitted as well; else it stays 1.
        a_sd, b_sd: of the priors; infinite for none.
    """
    from scipy.special import expit

    x, y = safe_logit(p), np.asarray(success, dtype=np.float64)
    terms = np.stack([np.ones_like(x), x]) if slope else np.ones((1, len(x)))
    centre = np.array([0.0, 1.0])[: len(terms)]
    tightness = np.array([a_sd, b_sd])[: len(terms)] ** -2.0
    fixed = np.zeros_like(x) if slope else x

    def loss(at: Floats) -> float:
        z = fixed + at @ terms
        return float(np.logaddexp(0.0, z).sum() - y @ z + 0.5 * tightness @ (at - centre) ** 2)

    at = centre.copy()
    for _ in range(_STEPS):
        odds = expit(fixed + at @ terms)
        pull = terms @ (y - odds) - tightness * (at - centre)
        bend = (terms * (odds * (1.0 - odds))) @ terms.T + np.diag(tightness)
        step = np.linalg.solve(bend, pull)
        while loss(at + step) > loss(at) + _CLOSE and np.abs(step).max() > _CLOSE:
            step = step / 2.0  # far from the top a whole step may overshoot
        at = at + step
        if np.abs(step).max() < _CLOSE:
            break
    sd = np.sqrt(np.diag(np.linalg.inv(bend)))
    return Recalibration(float(at[0]), float(at[1]) if slope else 1.0, float(sd[0]), float(sd[1]) if slope else 0.0)
