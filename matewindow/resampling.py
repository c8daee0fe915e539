"""How far a result would move with other years and other members: whole years and members are drawn again."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from matewindow.pathparts import FORECAST, PAST_YEARS

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from matewindow.paths import Paths

    Floats = NDArray[np.float64]

N_DRAWS = 500
_SEED = 41


def draw_weights(paths: Paths, n_draws: int = N_DRAWS, seed: int = _SEED) -> Floats:
    """Weight of each path in each redraw of years and members, shape (n_draws, n_paths), each row with mean near 1.

    A path counts as often as its year was drawn if it follows a past year on any day, times as often as its member
    was drawn if it follows a forecast on any day.
    """
    rng = np.random.default_rng(seed)
    weights = np.ones((n_draws, len(paths.year)))
    for kind, of_path, size in (
        (PAST_YEARS, paths.year, max(1, len(paths.years))),
        (FORECAST, paths.member, max(1, paths.n_members)),
    ):
        if size > 1:
            drawn = rng.multinomial(size, np.full(size, 1.0 / size), size=n_draws).astype(np.float64)
            weights *= np.where(paths.uses(kind), drawn[:, of_path], 1.0)
    return weights


def resampled_ranges(
    numerators: Floats, denominators: Floats, weights: Floats, quantiles: tuple[float, float] = (0.05, 0.95)
) -> Floats:
    """Range of ratios of sums over paths.

    Args:
        numerators, denominators: shape (n_ratios, n_paths).
        weights: from ``draw_weights``.
        quantiles: lower and upper.

    Returns:
        Shape (n_ratios, 2); NaN where a denominator is nil.
    """
    top, bottom = weights @ numerators.T, weights @ denominators.T
    ratio = np.divide(top, bottom, out=np.full_like(top, np.nan), where=bottom > 0.0)
    known = ~np.isnan(ratio).all(axis=0)
    ranges = np.full((len(numerators), 2), np.nan)
    ranges[known] = np.nanquantile(ratio[:, known], quantiles, axis=0).T
    return ranges
