"""Forecasts of an amount: the possible values of each case, equally likely or weighted, and their scores."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from matewindow.errors import InputError

if TYPE_CHECKING:
    from numpy.typing import ArrayLike, NDArray

    Floats = NDArray[np.float64]


@dataclass(frozen=True, eq=False)
class Samples:
    """Possible values of an amount for each case.

    Attributes:
        values: shape (n_cases, n_values). NaN is a value that is missing; +inf stands for "never" where the amount is a
            day.
        weights: of the values, not negative, of any sum, shape (n_cases, n_values); None if they are equally likely.
        drawn: whether the values are a draw out of what is possible (ensemble members, past years, paths): then scores
            are fair, freed of what a small number of values costs. False if they are the whole distribution, such as
            the chain's odds by day.
    """

    values: Floats
    weights: Floats | None = None
    drawn: bool = True

    def __post_init__(self) -> None:
        if self.values.ndim != 2:
            raise InputError(
                f"possible values of shape {self.values.shape}",
                where="Samples.values",
                fix="Give a row for each case and a column for each possible value.",
            )
        if self.weights is not None and (self.weights.shape != self.values.shape or (self.weights < 0.0).any()):
            raise InputError(
                f"weights of shape {self.weights.shape} for values of shape {self.values.shape}",
                where="Samples.weights",
                fix="Give a weight of 0 or more for each value.",
            )

    def __len__(self) -> int:
        return len(self.values)

    def take(self, cases: NDArray[np.bool_]) -> Samples:
        """The same for some of the cases."""
        return Samples(self.values[cases], None if self.weights is None else self.weights[cases], self.drawn)

    def shares(self) -> Floats:
        """Probability of each value, adding up to 1 over the values that are known; nil everywhere where none is."""
        weights = np.ones_like(self.values) if self.weights is None else self.weights
        weights = np.where(np.isnan(self.values) | np.isnan(weights), 0.0, weights)
        total = weights.sum(axis=1, keepdims=True)
        shares: Floats = np.divide(weights, total, out=np.zeros_like(weights), where=total > 0.0)
        return shares

    def repeats(self) -> Floats:
        """Chance that two independent picks are the same value, by case (n_cases,): 1 / M for M equal values.

        1 where there is one value only, 0 where there is none.
        """
        squares: Floats = (self.shares() ** 2).sum(axis=1)
        return squares

    def fairness(self) -> Floats:
        """What the mean distance between picks is divided by to be that between independent draws, shape (n_cases,).

        1 for a whole distribution; NaN for a draw of one value, which says nothing about its spread.
        """
        if not self.drawn:
            return np.ones(len(self))
        left = 1.0 - self.repeats()
        return np.where(left > 1e-12, left, np.nan)


def crps(samples: Samples, observed: ArrayLike) -> Floats:
    """Continuous ranked probability score of each case, in the unit of the amount: 0 is best.

    E|X - y| - E|X - X'| / 2; for values that are a draw, X and X' are different ones (the fair score), so that its mean
    does not depend on how many there are.

    Args:
        samples: finite or NaN, shape (n, m).
        observed: shape (n,).

    Returns:
        Shape (n,); NaN where nothing was observed, no value is known, or a draw has one value only.

    Sources: Gneiting and Raftery 2007, JASA 102:359-378; fair form: Ferro 2014, QJRMS 140:1917-1923 (both from memory),
    compared by Zamo and Naveau 2018, Math Geosci 50:209-234, doi:10.1007/s11004-017-9709-7. For weighted draws 1 / M is
    replaced by the sum of squared weights, which keeps the score free of bias for weights that do not depend on the
    values.
    """
    seen = np.asarray(observed, dtype=np.float64)[:, None]
    away = samples.values - seen  # distances alone matter, and small numbers lose less
    shares = samples.shares()
    order = np.argsort(away, axis=1)  # NaN comes last, with a share of nil
    away, shares = np.take_along_axis(away, order, 1), np.take_along_axis(shares, order, 1)
    weighed = np.where(shares > 0.0, shares * away, 0.0)
    below = np.cumsum(shares, axis=1)
    spread = (weighed * (2.0 * below - shares - 1.0)).sum(axis=1)  # half the mean distance between two picks
    scores: Floats = np.abs(weighed).sum(axis=1) - spread / samples.fairness()
    nothing = np.isnan(seen[:, 0]) | (shares.sum(axis=1) == 0.0)
    return np.where(nothing, np.nan, scores)


def positions(samples: Samples, observed: ArrayLike, seed: int = 0) -> Floats:
    """Where each observed amount falls among the possible values, from 0 (below all) to 1 (above all), shape (n,).

    Evenly spread if the forecasts are right. Among equal values (hours are often exactly 0) the place is drawn by lot.
    For a draw of M equally likely values floor(position (M + 1)) is the rank, 0 to M; for weighted ones it is the
    randomised probability integral transform. M equal values that are no draw are the middles of equal shares of what
    is possible: between two of them lies half the share of each, and the place in it is drawn by lot.

    Args:
        samples: shape (n, m).
        observed: shape (n,).
        seed: of the lots.

    Returns:
        NaN where nothing was observed or no value is known.

    Sources: Hamill 2001, Mon Wea Rev 129:550-560; ties as in Czado, Gneiting and Held 2009, Biometrics 65:1254-1261
    (both from memory).
    """
    seen = np.asarray(observed, dtype=np.float64)
    lot = np.random.default_rng(seed).random(len(seen))
    shares = samples.shares()
    below = np.where(samples.values < seen[:, None], shares, 0.0).sum(axis=1)
    level = np.where(samples.values == seen[:, None], shares, 0.0).sum(axis=1)
    count = (~np.isnan(samples.values)).sum(axis=1)
    if samples.weights is None and samples.drawn:
        places = (count * below + lot * (count * level + 1.0)) / (count + 1.0)
    elif samples.weights is None:
        half = np.where(level > 0.0, 0.0, 0.5 / np.maximum(count, 1))
        low, high = np.maximum(below - half, 0.0), np.minimum(below + level + half, 1.0)
        places = low + lot * (high - low)
    else:
        places = below + lot * level
    return np.where(np.isnan(seen) | (shares.sum(axis=1) == 0.0), np.nan, places)
