"""How far outcomes go together, and records drawn as they would be if the odds were right.

Outcomes of one block (a season, say) share their weather; those of neighbouring days share more of it, and mating
windows of grafts on neighbouring days are nearly the same window. A record of a thousand cases may be worth a hundred.

A Gaussian stands behind each outcome (a copula): one part is shared by the block, one is a first-order autoregression
over the days within it, the rest is the case's own. Their sizes are taken from what the recalibrated odds leave over,
so that wrong odds do not pass as shared weather. The link between the correlation of yes and no and that of the
Gaussian is r = sin(π c / 2), exact at odds of one half (Sheppard 1899; from memory), close elsewhere.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from scipy.special import ndtr, ndtri

if TYPE_CHECKING:
    from numpy.typing import NDArray

    Floats = NDArray[np.float64]
    Indices = NDArray[np.intp]
    Whole = NDArray[np.int64]

_STRONGEST = 0.99
_FAR_D = 30
"""Cases further apart than this share no more than any two of their block; in shorter blocks the last third stands for
them."""
_MEMORIES_D = (0.5, 1.0, 1.5, 2.0, 3.0, 4.0, 5.0, 7.0, 10.0, 14.0, 20.0)


@dataclass(frozen=True)
class Sharing:
    """How outcomes go together, as correlations of Gaussians.

    Attributes:
        vary: 1 for yes and no, less for shares of many queens; 0 if the outcomes are the odds.
        block: correlation of any two cases of a block.
        days: correlation beyond it of two cases of one block on the same day.
        memory_d: days after which 1 / e of it is left [d].
    """

    vary: float
    block: float = 0.0
    days: float = 0.0
    memory_d: float = 0.0


def sharing_of(share: Floats, fitted: Floats, of_case: Indices | None, day: Whole | None) -> Sharing:
    """Estimate it from what recalibrated odds leave over.

    Args:
        share: outcomes, shape (n,).
        fitted: what they are expected to be, shape (n,).
        of_case: block of each case, from 0 on, shape (n,); None if each stands alone.
        day: of each case, whole numbers, shape (n,); None if not known: then all days of a block are alike.
    """
    left, room = share - fitted, fitted * (1.0 - fitted)
    if room.sum() <= 0.0:  # all came alike: nothing tells how far they go together, so as far as can be
        return Sharing(1.0, 0.0 if of_case is None else _STRONGEST)
    vary = _gaussian((left**2).sum() / room.sum())
    if of_case is None or vary <= 0.0:
        return Sharing(vary)
    day = np.zeros(len(left), dtype=np.int64) if day is None else day
    together, pairs = _by_distance(left, np.sqrt(room), of_case, day)
    far_d = min(_FAR_D, 2 * len(pairs) // 3)
    if pairs[far_d:].sum() <= 0.0:
        far_d = 0  # with nothing far apart everything is shared by the block: nothing else can be told
    apart = float(together[far_d:].sum() / pairs[far_d:].sum()) if pairs[far_d:].sum() > 0.0 else 0.0
    # what is left over adds up to nil over all blocks, which takes one part in their number of what they share
    n_blocks = int(of_case.max()) + 1
    alike = max(0.0, apart) * n_blocks / (n_blocks - 1) if n_blocks > 1 else 0.0
    near, memory_d = (0.0, 0.0) if far_d == 0 else _near(together[:far_d], pairs[:far_d], apart)
    block = min(_gaussian(alike) / vary, _STRONGEST)
    return Sharing(vary, block, min(_gaussian(alike + near) / vary, _STRONGEST) - block, memory_d)


def drawn_outcomes(
    odds: Floats,
    sharing: Sharing,
    of_case: Indices | None,
    day: Whole | None,
    n_draws: int,
    rng: np.random.Generator,
) -> Floats:
    """Outcomes as they would be if the odds were right, (n_draws, n).

    Behind each stands a Gaussian whose mean over all draws gives the odds exactly, whatever its parts.

    Args:
        odds: shape (n,).
        sharing: how they go together.
        of_case, day: as in ``sharing_of``.
        n_draws: how many records.
        rng: of the draws.
    """
    own = 1.0 - sharing.block - sharing.days
    hidden = np.sqrt(own) * rng.standard_normal((n_draws, len(odds)))
    if of_case is not None and sharing.block > 0.0:
        hidden += np.sqrt(sharing.block) * rng.standard_normal((n_draws, int(of_case.max()) + 1))[:, of_case]
    if of_case is not None and day is not None and sharing.days > 0.0:
        hidden += np.sqrt(sharing.days) * _over_days(sharing.memory_d, of_case, day, n_draws, rng)
    edge = ndtri(odds)
    if sharing.vary >= 1.0 - 1e-9:
        return np.asarray(hidden < edge, dtype=np.float64)
    drawn: Floats = ndtr((edge - np.sqrt(sharing.vary) * hidden) / np.sqrt(1.0 - sharing.vary))
    return drawn


def _gaussian(correlation: float) -> float:
    return float(np.sin(np.pi / 2.0 * np.clip(correlation, 0.0, 1.0)))


def _by_distance(left: Floats, size: Floats, of_case: Indices, day: Whole) -> tuple[Floats, Floats]:
    """Products of what two cases of a block leave over, and of their sizes, added up by their distance in days.

    Returns:
        Both of shape (n_distances,), the pairs of a case with itself left out.
    """
    n_blocks, day = int(of_case.max()) + 1, _within(of_case, day)
    n_days = int(day.max()) + 1
    width = 1 << (2 * n_days - 1).bit_length()
    total, pairs = np.zeros(n_days), np.zeros(n_days)
    for block in range(n_blocks):
        here = of_case == block
        total += _products(np.bincount(day[here], left[here], n_days).astype(np.float64), width)
        pairs += _products(np.bincount(day[here], size[here], n_days).astype(np.float64), width)
    own_left, own_size = float((left**2).sum()), float((size**2).sum())
    total[0] -= own_left
    pairs[0] -= own_size
    total[0], pairs[0] = total[0] / 2.0, pairs[0] / 2.0  # other distances count each pair once
    pairs[pairs < 1e-9 * max(1.0, own_size)] = 0.0
    return np.where(pairs > 0.0, total, 0.0), pairs


def _within(of_case: Indices, day: Whole) -> Whole:
    """Days counted from the first of each block."""
    first = np.full(int(of_case.max()) + 1, day.max())
    np.minimum.at(first, of_case, day)
    counted: Whole = day - first[of_case]
    return counted


def _products(by_day: Floats, width: int) -> Floats:
    """Sum of the products of all days that lie 0, 1, 2, ... days apart, shape as ``by_day``."""
    spectrum = np.fft.rfft(by_day, width)
    found: Floats = np.fft.irfft(spectrum * spectrum.conj(), width)[: len(by_day)]
    return found


def _near(together: Floats, pairs: Floats, apart: float) -> tuple[float, float]:
    """What neighbouring days share beyond days far apart, and its memory, by weighted least squares over a few."""
    there = pairs > 0.0
    if not there.any():
        return 0.0, 0.0
    distance = np.flatnonzero(there).astype(np.float64)
    beyond, weight = together[there] / pairs[there] - apart, pairs[there]
    best = (np.inf, 0.0, 0.0)
    for memory_d in _MEMORIES_D:
        shape = np.exp(-distance / memory_d)
        size = float(np.clip((weight * shape) @ beyond / ((weight * shape) @ shape), 0.0, 1.0 - max(0.0, apart)))
        best = min(best, (float(weight @ (beyond - size * shape) ** 2), size, memory_d))
    return best[1], best[2]


def _over_days(memory_d: float, of_case: Indices, day: Whole, n_draws: int, rng: np.random.Generator) -> Floats:
    """A Gaussian autoregression over the days of each block, at the days of the cases, (n_draws, n)."""
    days, place = np.unique(_within(of_case, day), return_inverse=True)
    n_blocks = int(of_case.max()) + 1
    found = np.empty((n_draws, len(of_case)))
    state = rng.standard_normal((n_draws, n_blocks))
    for i, here in enumerate(_cases_of(place, len(days))):
        if i:
            kept = np.exp(-float(days[i] - days[i - 1]) / memory_d)
            state = kept * state + np.sqrt(1.0 - kept**2) * rng.standard_normal((n_draws, n_blocks))
        found[:, here] = state[:, of_case[here]]
    return found


def _cases_of(place: Indices, n: int) -> list[Indices]:
    """The cases of each day."""
    order = np.argsort(place, kind="stable")
    return np.split(order, np.searchsorted(place[order], np.arange(1, n)))
