"""How much a forecast counts against past years at each lead: found by least squares, smoothed to a Hill curve.

Odds of a flying day are w f + (1 - w) c, with f the share of members that have it and c the share of past years. The
weight that is right by the squared error of many cases is

    w = sum (f - c)(y - c) / sum (f - c)²,

and for M exchangeable members it is R / (R + (1 - R) / M + B): R the Brier skill of the perfect probability, B the
error of an infinite ensemble in the same unit (``best_weight``; for B = 0 it is the posterior mean under a Beta prior,
Katz and Ehrendorfer 2006, doi 10.1175/WAF913.1). The curve over leads is w(l) = a / (1 + (l / h)^p), three numbers
fitted at once (form: Dirmeyer and Ford 2020, doi 10.1175/MWR-D-19-0076.1): it never rises with lead.

Each lead pulls with its own sum of (f - c)² over the variance of what is left unexplained, so a forecast that says no
more than past years pulls at nothing. Since neighbouring days of issue share their weather, a third of the cases count
(n (1 - r) / (1 + r) with r = 1/2, judgement). The literature's curve is the prior; how much today's forecast counts is
left nearly free, since an untried source may be worth nothing.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from numpy.typing import ArrayLike, NDArray

    from matewindow.biology import Forecast
    from matewindow.learning.weather.cases import DayCases

    Floats = NDArray[np.float64]
    Indices = NDArray[np.intp]

MIN_SITE_DAYS = 200
"""Cases of a lead below which it moves nothing."""
MIN_LEADS = 5
"""Leads that must have so many cases: fewer say nothing of the shape (judgement)."""
WORTH = 1.0 / 3.0
"""Independent cases in one of neighbouring days."""
PRIOR_SD = (0.5, 3.0, 1.0)
"""Standard deviations of the prior: of the weight today, of the lead at which half is left [d], of the power
(judgement)."""
_LEAST = 1e-9


def best_weight(skill: ArrayLike, members: ArrayLike, miscalibration: ArrayLike = 0.0) -> Floats:
    """The best weight of the share of members against the usual: R / (R + (1 - R) / M + B).

    Args:
        skill: R, the Brier skill of the perfect probability.
        members: M.
        miscalibration: B, mean squared error of the infinite ensemble over that of the usual.
    """
    r, m, b = (np.asarray(x, dtype=np.float64) for x in (skill, members, miscalibration))
    weight: Floats = r / (r + (1.0 - r) / m + b)
    return weight


@dataclass(frozen=True)
class Hill:
    """A weight that falls with lead: ``today`` / (1 + (l / ``half_d``)^``power``)."""

    today: float
    half_d: float
    power: float

    def at(self, leads: ArrayLike) -> Floats:
        """The weight at lead days."""
        weight: Floats = self.today / (1.0 + (np.asarray(leads, dtype=np.float64) / self.half_d) ** self.power)
        return weight

    @classmethod
    def of(cls, forecast: Forecast, *, single: bool) -> Hill:
        """The curve of the parameters, for single runs or for ensembles."""
        f = forecast
        if single:
            return cls(f.single_weight, f.single_half_d, f.single_power)
        return cls(f.ensemble_weight, f.ensemble_half_d, f.ensemble_power)


@dataclass(frozen=True)
class LeadSums:
    """What the cases of each lead day say of the weight, arrays (n_leads,).

    Attributes:
        n: cases, one a site and day of issue.
        pull: sum of (f - c)².
        found: the best weight of this lead alone; NaN where members and past years never differ.
        left: variance of what that weight leaves unexplained.
    """

    n: Indices
    pull: Floats
    found: Floats
    left: Floats

    @classmethod
    def of(cls, cases: DayCases, n_leads: int | None = None) -> LeadSums:
        """Of some cases, for at least so many leads."""
        size = max(cases.n_leads, n_leads or 0)
        x, y = cases.share - cases.usual, cases.came - cases.usual
        n, xx, xy, yy = (
            np.bincount(cases.lead, values, minlength=size) for values in (np.ones_like(x), x * x, x * y, y * y)
        )
        with np.errstate(invalid="ignore", divide="ignore"):
            found: Floats = np.where(xx > _LEAST, xy / xx, np.nan)
            left: Floats = np.where(n > 0, (yy - np.nan_to_num(found) * xy) / n, np.nan)
        return cls(n.astype(np.intp), xx.astype(np.float64), found, left)

    @property
    def weight(self) -> Floats:
        """The best weight of each lead alone, 0 to 1, NaN where nothing tells it."""
        return np.clip(self.found, 0.0, 1.0)

    @property
    def pulls(self) -> Floats:
        """One over the variance of each lead's best weight, 0 where nothing tells it."""
        known = ~np.isnan(self.found) & (self.n > 0)
        precision: Floats = np.where(known, WORTH * self.pull / np.maximum(np.nan_to_num(self.left), _LEAST), 0.0)
        return precision


@dataclass(frozen=True)
class HillFit:
    """A fitted curve with the standard deviations of its three numbers."""

    curve: Hill
    sd: tuple[float, float, float]


def fit_hill(
    sums: LeadSums,
    prior: Hill,
    leads: Indices,
    bounds: tuple[tuple[float, float, float], tuple[float, float, float]],
    sd: tuple[float, float, float] = PRIOR_SD,
) -> HillFit:
    """The likeliest curve by least squares.

    Args:
        sums: of the cases.
        prior: where the curve is without cases.
        leads: those that count.
        bounds: lowest and highest today, half and power.
        sd: of the prior.
    """
    from scipy.optimize import least_squares

    pulls = sums.pulls[leads]
    root, found = np.sqrt(pulls), np.where(pulls > 0.0, np.nan_to_num(sums.found[leads]), 0.0)
    centre, tight = np.array([prior.today, prior.half_d, prior.power]), 1.0 / np.array(sd)

    def misses(at: Floats) -> Floats:
        return np.concatenate([root * (Hill(*at).at(leads) - found), tight * (at - centre)])

    low, high = np.array(bounds[0]), np.array(bounds[1])
    inside = np.clip(centre, low + 1e-6 * (high - low), high - 1e-6 * (high - low))
    solved = least_squares(misses, inside, bounds=(low, high), x_scale=np.array(sd))
    spread = np.sqrt(np.diag(np.linalg.inv(solved.jac.T @ solved.jac)))
    today, half_d, power = (float(x) for x in solved.x)
    return HillFit(Hill(today, half_d, power), (float(spread[0]), float(spread[1]), float(spread[2])))
