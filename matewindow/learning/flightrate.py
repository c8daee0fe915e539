"""The daily flight rate from first-egg dates that were never seen, only hemmed in by looks.

A queen whose eggs were found between two looks weighs S(L) - S(R), one that was still without eggs at the last look
S(L), S being what the chain says for a rate on the weather that she really had. A share of queens comes to nothing for
reasons that are no matter of weather (robbed, absconded, a cell that failed): it is fitted beside the rate, so that
such nucs do not pass for queens that would not fly. Both lean on priors.

Source: interval censoring, Zhang & Sun 2010, doi 10.1177/0962280209105023; priors are judgement.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import exp, log
from typing import TYPE_CHECKING

import numpy as np

from matewindow.learning.eggpaths import NEVER, FirstEggs, Looks, look_odds

if TYPE_CHECKING:
    from collections.abc import Callable

    from numpy.typing import ArrayLike, NDArray

    Floats = NDArray[np.float64]

RATE_SD_LOG = 0.7
"""Standard deviation of the log-normal prior of the rate about the literature's (judgement)."""
GONE_PRIOR = 9.0
"""The share that comes to nothing for other reasons has the prior Beta(1, 9): 10 % in the mean (judgement)."""
_RATES_PER_H = (0.01, 20.0)
_GRID = 25
_TINY = 1e-300


@dataclass(frozen=True)
class RateFit:
    """The fitted rate.

    Attributes:
        n, n_eggs: queens, and those of them that laid.
        rate_per_h: the likeliest rate per effective flight hour.
        low, high: its 90 % range by the profile of the likelihood and the prior.
        sd_log: standard deviation of the rate's logarithm (Laplace).
        gone: share that comes to nothing for other reasons; 0 where it was not fitted.
    """

    n: int
    n_eggs: int
    rate_per_h: float
    low: float
    high: float
    sd_log: float
    gone: float


def interval_log_likelihoods(left: ArrayLike, right: ArrayLike, gone: float = 0.0) -> Floats:
    """Log-likelihood of what looks saw, from the odds of no event by the last look without and the first look with it.

    Args:
        left: odds of no event by the last look without it; 1 where there was none, shape (n,).
        right: the same by the first look with it; NaN where it was never seen, shape (n,).
        gone: share to which it never comes.
    """
    s_left, s_right = np.asarray(left, dtype=np.float64), np.asarray(right, dtype=np.float64)
    seen = (1.0 - gone) * (s_left - np.nan_to_num(s_right))
    waiting = gone + (1.0 - gone) * s_left
    result: Floats = np.log(np.maximum(np.where(np.isnan(s_right), waiting, seen), _TINY))
    return result


def look_log_likelihoods(eggs: FirstEggs, looks: Looks, rate_per_h: float, gone: float) -> Floats:
    """The same for queens on their paths at a rate, shape (n,)."""
    left, right = look_odds(eggs.survival(rate_per_h), looks)
    return interval_log_likelihoods(left, np.where(looks.right == NEVER, np.nan, right), gone)


def fit_flight_rate(
    eggs: FirstEggs,
    looks: Looks,
    prior_rate_per_h: float,
    *,
    prior_sd_log: float = RATE_SD_LOG,
    gone_prior: float | None = GONE_PRIOR,
    range_: float = 0.90,
) -> RateFit:
    """Fit the rate.

    Args:
        eggs: what the chain says of the queens' paths.
        looks: what was seen, at least one.
        prior_rate_per_h: the literature's rate.
        prior_sd_log: how far the rate may be from it; infinite for no prior.
        gone_prior: second number of the Beta(1, .) prior of the share gone for other reasons; None = there is none.
        range_: share of the range given.
    """
    from scipy.optimize import brentq, minimize_scalar
    from scipy.stats import chi2

    def profile(log_rate: float) -> float:
        rate = exp(log_rate)
        gone = best_gone(eggs, looks, rate, gone_prior)
        value = float(look_log_likelihoods(eggs, looks, rate, gone).sum())
        if gone_prior is not None:
            value += (gone_prior - 1.0) * log(1.0 - gone)
        return value - 0.5 * ((log_rate - log(prior_rate_per_h)) / prior_sd_log) ** 2

    at = _top(profile, lambda f, bounds: minimize_scalar(f, bounds=bounds, method="bounded", options={"xatol": 1e-6}).x)
    best = profile(at)
    drop = 0.5 * float(chi2.ppf(range_, 1))
    ends = []
    for bound in (log(_RATES_PER_H[0]), log(_RATES_PER_H[1])):
        inside = profile(bound) > best - drop  # no prior, and records that do not tell
        ends.append(bound if inside else brentq(lambda x: profile(x) - best + drop, bound, at, xtol=1e-4))
    step = max(1e-3, 0.1 * (ends[1] - ends[0]))
    bend = (profile(at + step) - 2.0 * best + profile(at - step)) / step**2
    sd = (-bend) ** -0.5 if bend < 0.0 else float("inf")
    rate = exp(at)
    gone = best_gone(eggs, looks, rate, gone_prior)
    n_eggs = int((looks.right != NEVER).sum())
    return RateFit(len(looks.left), n_eggs, rate, exp(ends[0]), exp(ends[1]), sd, gone)


def best_gone(eggs: FirstEggs, looks: Looks, rate_per_h: float, gone_prior: float | None = GONE_PRIOR) -> float:
    """The likeliest share that comes to nothing for other reasons, at a rate."""
    from scipy.optimize import brentq

    if gone_prior is None:
        return 0.0
    waiting = looks.right == NEVER
    left, _ = look_odds(eggs.survival(rate_per_h), looks)
    yet, others = left[waiting], float((~waiting).sum()) + gone_prior - 1.0

    def slope(gone: float) -> float:
        return float(((1.0 - yet) / (gone + (1.0 - gone) * yet)).sum()) - others / (1.0 - gone)

    low, high = 1e-9, 1.0 - 1e-9
    if slope(low) <= 0.0:
        return 0.0
    return float(brentq(slope, low, high, xtol=1e-9))


def _top(profile: Callable[[float], float], refine: Callable[..., float]) -> float:
    """Where the profile is highest: a coarse walk, then a fine search about its best step."""
    grid = np.linspace(log(_RATES_PER_H[0]), log(_RATES_PER_H[1]), _GRID)
    best = int(np.argmax([profile(float(x)) for x in grid]))
    bounds = float(grid[max(0, best - 1)]), float(grid[min(_GRID - 1, best + 1)])
    return float(refine(lambda x: -profile(x), bounds))
