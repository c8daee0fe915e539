"""How often queens come good at each site, leaning on what was expected until the site's own records outweigh it.

Beta-binomial: the expectation counts as ``n0`` records beside the site's own. Sites of one keeper tell how far sites
differ: with five of them ``n0`` is taken from the records (marginal likelihood), before that it is ``N0``.

Source: Gelman et al., Bayesian Data Analysis, chapter 5 (the method and its worked example); 20 is judgement.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import ArrayLike

    from matewindow.learning.records import Record

N0 = 20.0
"""Records that the expectation counts for (judgement)."""
SITES_FOR_N0 = 5
_N0_RANGE = (1.0, 1_000.0)


@dataclass(frozen=True)
class SiteRate:
    """Share of queens that come good at a site.

    Attributes:
        site: its name; empty for no site in particular.
        n, successes: its records with a known outcome.
        mean, low, high: expected share and its 5 to 95 % range.
        prior_mean, n0: the expectation, and the records that it counts for.
    """

    site: str
    n: int
    successes: int
    mean: float
    low: float
    high: float
    prior_mean: float
    n0: float


def site_rate(successes: int, n: int, prior_mean: float, n0: float = N0, *, site: str = "") -> SiteRate:
    """The share that comes good, from ``n0`` records of the expectation and ``n`` of the site."""
    from scipy.stats import beta

    a, b = n0 * prior_mean + successes, n0 * (1.0 - prior_mean) + n - successes
    low, high = (float(x) for x in beta.ppf([0.05, 0.95], a, b))
    return SiteRate(site, n, successes, a / (a + b), low, high, prior_mean, n0)


def site_rates(records: Sequence[Record], prior_mean: float) -> list[SiteRate]:
    """The share that comes good at each site, in order of their names.

    Args:
        records: of any sites; those without a known outcome are passed over.
        prior_mean: share that was expected.
    """
    known = [r for r in records if r.success is not None]
    sites = sorted({r.site for r in known})
    counts = np.array(
        [[sum(r.site == s and bool(r.success) for r in known), sum(r.site == s for r in known)] for s in sites]
    )
    n0 = N0
    if len(sites) >= SITES_FOR_N0:
        n0 = prior_weight(counts[:, 0], counts[:, 1], prior_mean)
    return [
        site_rate(int(k), int(n), prior_mean, n0, site=site)
        for site, (k, n) in zip(sites, counts.tolist(), strict=True)
    ]


def prior_weight(successes: ArrayLike, n: ArrayLike, prior_mean: float) -> float:
    """The ``n0`` that makes the records of several sites likeliest, between 1 and 1,000.

    Args:
        successes, n: of each site, shape (n_sites,).
        prior_mean: share that was expected.
    """
    from scipy.optimize import minimize_scalar
    from scipy.stats import betabinom

    k, size = np.asarray(successes), np.asarray(n)

    def loss(log_n0: float) -> float:
        n0 = float(np.exp(log_n0))
        return -float(betabinom.logpmf(k, size, n0 * prior_mean, n0 * (1.0 - prior_mean)).sum())

    found = minimize_scalar(loss, bounds=tuple(np.log(_N0_RANGE)), method="bounded")
    return float(np.exp(found.x))


def fit_beta(successes: ArrayLike, n: ArrayLike) -> tuple[float, float]:
    """Alpha and beta of the beta distribution that makes the counts of several groups likeliest.

    Args:
        successes, n: of each group, shape (n_groups,).
    """
    from scipy.optimize import minimize
    from scipy.special import expit, logit
    from scipy.stats import betabinom

    k, size = np.asarray(successes), np.asarray(n)

    def parameters(x: ArrayLike) -> tuple[float, float]:
        place, log_n0 = np.asarray(x, dtype=np.float64)
        mean, n0 = float(expit(place)), float(np.exp(log_n0))
        return n0 * mean, n0 * (1.0 - mean)

    def loss(x: ArrayLike) -> float:
        return -float(betabinom.logpmf(k, size, *parameters(x)).sum())

    start = [float(logit(np.clip(k.sum() / size.sum(), 0.01, 0.99))), np.log(N0)]
    found = minimize(loss, start, method="Nelder-Mead", options={"xatol": 1e-9, "fatol": 1e-12, "maxiter": 4000})
    return parameters(found.x)
