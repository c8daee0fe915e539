"""Odds put right by what became of the queens they were given for: logit p = a + b logit p_issued.

``a`` shifts all odds, ``b`` draws them towards even or away from it. Both lean on "no change" by their priors, so that
few records hardly move them. Where records are many, ``a`` may also depend on a few covariates (``covariates``), each
about its mean over the records; one that is not known counts as average.

Source: priors and the number of records they need stand in the card of each model; the form is Cox 1958 (logistic
recalibration, from memory).
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np

from matewindow.learning.covariates import centre_of, steps_from

if TYPE_CHECKING:
    from collections.abc import Mapping

    from numpy.typing import ArrayLike, NDArray

    Floats = NDArray[np.float64]

A_SD, B_SD = 0.5, 0.25
"""Standard deviations of the priors: a about 0, b about 1 (judgement)."""
MORE_SD = 0.3
"""The same of the effect of one step of a covariate, about 0: at odds of 75 % about six points (judgement)."""
P_FLOOR = 0.001
"""Odds are kept this far from 0 and 1, where their logit has no end."""
_STEPS = 100
_CLOSE = 1e-12


@dataclass(frozen=True)
class Effect:
    """What a covariate adds to ``a`` for each step above its centre, with its standard deviation."""

    value: float
    sd: float
    centre: float


@dataclass(frozen=True)
class Recalibration:
    """``a`` and ``b`` with their standard deviations, 0 where one was not fitted, and the effects of covariates."""

    a: float
    b: float
    a_sd: float
    b_sd: float
    more: tuple[tuple[str, Effect], ...] = ()

    def apply(self, p: ArrayLike, covariates: Mapping[str, ArrayLike] | None = None) -> Floats:
        """The odds put right; shape as given, NaN stays NaN.

        Args:
            p: odds as worked out.
            covariates: of each, in steps, as ``p`` or single; NaN or left out = not known.
        """
        from scipy.special import expit

        result: Floats = expit(self.a + self._shift(covariates) + self.b * safe_logit(p))
        return result

    def undone(self, p: ArrayLike, covariates: Mapping[str, ArrayLike] | None = None) -> Floats:
        """What the odds were before they were put right; arguments as ``apply``. ``b`` must not be 0."""
        from scipy.special import expit

        result: Floats = expit((safe_logit(p) - self.a - self._shift(covariates)) / self.b)
        return result

    def at(self, covariates: Mapping[str, float]) -> Recalibration:
        """The same for queens of whom this is known, without any covariates left."""
        return replace(self, a=self.a + float(self._shift(covariates)), more=())

    def _shift(self, covariates: Mapping[str, ArrayLike] | None) -> Floats:
        total: Floats = np.zeros(())
        for name, effect in self.more:
            total = total + effect.value * steps_from(name, (covariates or {}).get(name, np.nan), effect.centre)
        return total


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
    p: ArrayLike,
    success: ArrayLike,
    *,
    slope: bool = True,
    more: Mapping[str, ArrayLike] | None = None,
    a_sd: float = A_SD,
    b_sd: float = B_SD,
    more_sd: float = MORE_SD,
) -> Recalibration:
    """The likeliest recalibration under its priors, by Newton's method; standard deviations by Laplace's.

    Args:
        p: odds as issued, shape (n,).
        success: whether the queens came good, shape (n,).
        slope: whether ``b`` is fitted as well; else it stays 1.
        more: covariates in steps, shape (n,) each, NaN where not known.
        a_sd, b_sd, more_sd: of the priors; infinite for none.
    """
    from scipy.special import expit

    x, y = safe_logit(p), np.asarray(success, dtype=np.float64)
    values = {name: np.asarray(v, dtype=np.float64) for name, v in (more or {}).items()}
    centres = {name: centre_of(name, v) for name, v in values.items()}
    extra = [steps_from(name, v, centres[name]) for name, v in values.items()]
    terms = np.stack([np.ones_like(x), *([x] if slope else []), *extra])
    centre = np.array([0.0, *([1.0] if slope else []), *(0.0 for _ in extra)])
    tightness = np.array([a_sd, *([b_sd] if slope else []), *(more_sd for _ in extra)]) ** -2.0
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
    first = 2 if slope else 1
    effects = tuple(
        (name, Effect(float(at[i]), float(sd[i]), centres[name])) for i, name in enumerate(values, start=first)
    )
    b, b_spread = (float(at[1]), float(sd[1])) if slope else (1.0, 0.0)
    return Recalibration(float(at[0]), b, float(sd[0]), b_spread, effects)
