"""How far a result would move with other years and other members: whole years and members are drawn again."""

from __future__ import annotations

from functools import lru_cache
from typing import TYPE_CHECKING

import numpy as np

from matewindow.pathparts import FORECAST, PAST_YEARS

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from matewindow.paths import Paths

    Floats = NDArray[np.float64]
    Indices = NDArray[np.intp]

N_DRAWS = 500
_SEED = 41


def draw_weights(paths: Paths, n_draws: int = N_DRAWS, seed: int = _SEED) -> Floats:
    """Weight of each path in each redraw of years and members, shape (n_draws, n_paths), each row with mean near 1.

    A path counts as often as its year was drawn if it follows a past year on any day, times as often as its member
    was drawn if it follows a forecast on any day.
    """
    (year, years), (member, members) = _drawn(paths, n_draws, seed)
    return years[:, year] * members[:, member]


def redrawn_ranges(numerators: Floats, denominators: Floats, paths: Paths) -> Floats:
    """As ``resampled_ranges`` with the weights of ``draw_weights``, by way of sums over year and member.

    Paths that draw on the same year and the same member weigh the same in every redraw.

    Args:
        numerators, denominators: shape (n_ratios, n_paths).
        paths: what they were computed on.

    Returns:
        Shape (n_ratios, 2); NaN where a denominator is nil.
    """
    total = redrawn_sums(np.concatenate([numerators, denominators]), paths)
    return ranges_of(total[:, : len(numerators)], total[:, len(numerators) :])


def redrawn_sums(values: Floats, paths: Paths) -> Floats:
    """Sums over paths of values (n_values, n_paths) in each redraw of years and members, shape (n_draws, n_values)."""
    (year, years), (member, members) = _drawn(paths, N_DRAWS, _SEED)
    shape = years.shape[1], members.shape[1]
    pair = np.ravel_multi_index((year, member), shape)

    by_pair = np.stack([np.bincount(pair, of_path, minlength=shape[0] * shape[1]) for of_path in values])
    by_draw = years @ np.moveaxis(by_pair.reshape(-1, *shape), 1, 0).reshape(shape[0], -1)
    total: Floats = np.einsum("dvm,dm->dv", by_draw.reshape(len(years), -1, shape[1]), members)
    return total


def _drawn(paths: Paths, n_draws: int, seed: int) -> tuple[tuple[Indices, Floats], tuple[Indices, Floats]]:
    """For years and for members: which of them each path draws on, and how often each was drawn, by redraw.

    One more than there are stands for a path that draws on none: it counts once.
    """
    sizes = max(1, len(paths.years)), max(1, paths.n_members)
    drawn = _draws(sizes, n_draws, seed)
    of_path = [
        np.where(paths.uses(kind), which, size)
        for kind, which, size in zip((PAST_YEARS, FORECAST), (paths.year, paths.member), sizes, strict=True)
    ]
    return (of_path[0], drawn[0]), (of_path[1], drawn[1])


@lru_cache(maxsize=16)
def _draws(sizes: tuple[int, ...], n_draws: int, seed: int) -> list[Floats]:
    """How often each of so many was drawn, for each of the sizes in turn, (n_draws, size + 1), the last always once."""
    rng = np.random.default_rng(seed)
    drawn = []
    for size in sizes:
        times = np.ones((n_draws, size + 1))
        if size > 1:
            times[:, :size] = rng.multinomial(size, np.full(size, 1.0 / size), size=n_draws)
        times.setflags(write=False)
        drawn.append(times)
    return drawn


def resampled_ranges(
    numerators: Floats, denominators: Floats, weights: Floats, between: tuple[float, float] = (0.05, 0.95)
) -> Floats:
    """Range of ratios of sums over paths.

    Args:
        numerators, denominators: shape (n_ratios, n_paths).
        weights: from ``draw_weights``.
        between: lower and upper quantile.

    Returns:
        Shape (n_ratios, 2); NaN where a denominator is nil.
    """
    return ranges_of(weights @ numerators.T, weights @ denominators.T, between)


def ranges_of(top: Floats, bottom: Floats, between: tuple[float, float] = (0.05, 0.95)) -> Floats:
    """Quantiles over the draws of each ratio, (n_ratios, 2), from sums of shape (n_draws, n_ratios)."""
    ratio = np.divide(top, bottom, out=np.full_like(top, np.nan), where=bottom > 0.0)
    known = ~np.isnan(ratio).all(axis=0)
    ranges = np.full((ratio.shape[1], 2), np.nan)
    there = ratio[:, known]
    gaps = np.isnan(there).any()
    ranges[known] = np.nanquantile(there, between, axis=0).T if gaps else quantiles(there.T, between).T
    return ranges


def quantiles(values: Floats, shares: tuple[float, ...]) -> Floats:
    """As ``numpy.quantile`` along the last axis, to the last digit, in a fifth of its time.

    Args:
        values: none missing, shape (..., n).
        shares: 0 to 1, shape (k,).

    Returns:
        Shape (k, ...).
    """
    ordered, at = np.sort(values, axis=-1), (values.shape[-1] - 1) * np.asarray(shares, dtype=np.float64)
    below = np.floor(at).astype(np.intp)
    low, high = ordered[..., below], ordered[..., np.minimum(below + 1, values.shape[-1] - 1)]
    part = at - below
    between = np.where(part < 0.5, low + (high - low) * part, high - (high - low) * (1.0 - part))
    return np.moveaxis(between, -1, 0)
