"""Rank histogram: whether what came falls evenly among what was thought possible.

Sources: Hamill 2001, Mon Wea Rev 129:550-560 (from memory); tests for a slope (too low or too high) and for a bend (too
narrow or too wide): Jolliffe and Primo 2008, Mon Wea Rev 136(6), doi:10.1175/2007MWR2219.1; for cases that go together
in blocks the chi-square is corrected for its design effects, Rao and Scott 1981, JASA 76:221-230 (from memory), and
slope and bend are tested against how they differ between blocks.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from scipy.stats import chi2, norm, t

from matewindow.verification.blocks import MIN_BLOCKS, Blocks

if TYPE_CHECKING:
    from numpy.typing import ArrayLike, NDArray

    Floats = NDArray[np.float64]

N_BINS = 10
_LEVEL = 0.90


@dataclass(frozen=True, eq=False)
class RankHistogram:
    """Counts of the places of what came, from the lowest to the highest tenth of what was thought possible.

    Attributes:
        counts: shape (k,).
        expected: in each bin if the forecasts are right.
        low, high: between which a single count lies in 9 of 10 records of right forecasts.
        chi_square: of flatness, as counted.
        chance: share of the records of right forecasts that are at least as uneven; None without cases.
        slope, slope_chance: standardised; above 0 more came than was thought.
        bend, bend_chance: standardised; above 0 the forecasts were too narrow, below too wide.
        n, missing: cases used and left out.
    """

    counts: NDArray[np.intp]
    expected: float
    low: float
    high: float
    chi_square: float
    chance: float | None
    slope: float
    slope_chance: float | None
    bend: float
    bend_chance: float | None
    n: int
    missing: int


def rank_histogram(places: ArrayLike, blocks: Blocks | None = None, n_bins: int = N_BINS) -> RankHistogram:
    """Rank histogram and its tests.

    Args:
        places: from ``samples.positions``, 0 to 1, NaN if missing, shape (n,).
        blocks: cases that share their weather; without them each stands alone.
        n_bins: M + 1 gives the ranks among M members.
    """
    known = ~np.isnan(np.asarray(places, dtype=np.float64))
    place = np.minimum((np.asarray(places, dtype=np.float64)[known] * n_bins).astype(int), n_bins - 1)
    here = Blocks.of(np.arange(len(place))) if blocks is None else blocks.of_cases(known)
    n, missing = len(place), int((~known).sum())
    counts = np.bincount(place, minlength=n_bins)
    if n == 0:
        nan = float("nan")
        return RankHistogram(counts, 0.0, 0.0, 0.0, nan, None, nan, None, nan, None, 0, missing)
    expected = n / n_bins
    uneven = float(((counts - expected) ** 2).sum() / expected)
    design = _Design(1.0, 1.0, n_bins - 1.0) if blocks is None else _design(place, here, n_bins)
    reach = norm.ppf((1.0 + _LEVEL) / 2.0) * np.sqrt(design.effect * expected * (1.0 - 1.0 / n_bins))
    slope, bend = (_contrast(shape[place], here, independent=blocks is None) for shape in _shapes(n_bins))
    return RankHistogram(
        counts=counts,
        expected=expected,
        low=float(max(0.0, expected - reach)),
        high=float(expected + reach),
        chi_square=uneven,
        chance=float(chi2.sf(uneven / design.scale, design.freedom)),
        slope=slope[0],
        slope_chance=slope[1],
        bend=bend[0],
        bend_chance=bend[1],
        n=n,
        missing=missing,
    )


def _shapes(n_bins: int) -> tuple[Floats, Floats]:
    """A line and a bowl over the bins, at right angles to a constant and to each other, of mean square 1."""
    x = np.arange(n_bins) - (n_bins - 1) / 2.0
    bowl = x**2 - (x**2).mean()
    return x / np.sqrt((x**2).mean()), bowl / np.sqrt(max((bowl**2).mean(), 1e-300))


def _contrast(values: Floats, blocks: Blocks, *, independent: bool) -> tuple[float, float | None]:
    """A sum of cases over its standard error if they are flat, and the chance of one as far from nil.

    Its square for independent cases is the component of the chi-square.
    """
    if independent:
        z = float(values.sum() / np.sqrt(len(values)))
        return z, float(2.0 * norm.sf(abs(z)))
    total = blocks.sums(values[:, None])[:, 0]
    error = np.sqrt((total**2).sum())
    if blocks.count < MIN_BLOCKS or error <= 0.0:
        return float(values.sum() / np.sqrt(len(values))), None
    z = float(total.sum() / error)
    return z, float(2.0 * t.sf(abs(z), blocks.count - 1))


@dataclass(frozen=True)
class _Design:
    """What blocks do to counts: how much their variance grows, and the scale and freedom of the chi-square."""

    effect: float
    scale: float
    freedom: float


def _design(place: NDArray[np.intp], blocks: Blocks, n_bins: int) -> _Design:
    """Design effects of counts with these blocks, from how counts differ between blocks.

    Blocks pull the counts in a few directions only (all too low, all too high), so that the chi-square is a sum of few
    large parts: its mean and its variance are matched (second-order correction).
    """
    inside = np.zeros((len(place), n_bins))
    inside[np.arange(len(place)), place] = 1.0
    off = blocks.sums(inside - 1.0 / n_bins)
    spread = off.T @ off * n_bins / len(place)
    total, squares = float(np.trace(spread)), float((spread**2).sum())
    effect = total / (n_bins - 1)
    if effect <= 1.0:  # no more alike than chance makes them
        return _Design(1.0, 1.0, n_bins - 1.0)
    return _Design(effect, squares / total, total**2 / squares)
