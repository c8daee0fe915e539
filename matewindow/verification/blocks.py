"""How far a figure would move with other seasons or other sites: whole blocks of cases are drawn again.

Odds issued on neighbouring days are judged by the same weather, so cases are far fewer than they look. What may be
taken as independent is a season, or a site, and those are what is drawn. With few blocks the plain percentile range of
a bootstrap is too narrow; its ends are moved outwards so that it becomes the t range where that would be right.

Sources: Künsch 1989, Ann Stat 17:1217-1241 (blocks, from memory); Hesterberg 2015, Am Stat 69:371-386, arXiv 1411.5279
(expanded percentile range).
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from scipy.stats import norm, t

if TYPE_CHECKING:
    from collections.abc import Callable

    from numpy.typing import ArrayLike, NDArray

    Floats = NDArray[np.float64]

MIN_BLOCKS = 5
N_DRAWS = 2000
LEVEL = 0.90
POWER_SHARE, LUCK_SHARE = 0.80, 0.05
_SEED = 41


@dataclass(frozen=True)
class Ranged:
    """A figure and its 5 to 95 % range over redrawn blocks.

    ``value`` is None where there is nothing to work it out from; ``low`` and ``high`` are None where there are too few
    blocks to tell.
    """

    value: float | None
    low: float | None = None
    high: float | None = None


@dataclass(frozen=True, eq=False)
class Blocks:
    """Which block each case belongs to.

    Attributes:
        of_case: 0 to count - 1, shape (n,).
        count: number of blocks.
        name: what they are, in the plural: "seasons", "sites".
    """

    of_case: NDArray[np.intp]
    count: int
    name: str = "blocks"

    @classmethod
    def of(cls, labels: ArrayLike, name: str = "blocks") -> Blocks:
        """Blocks by their labels, shape (n,)."""
        kinds, place = np.unique(np.asarray(labels), return_inverse=True)
        return cls(place, len(kinds), name)

    @property
    def enough(self) -> bool:
        """Whether there are enough blocks for a range."""
        return self.count >= MIN_BLOCKS

    def of_cases(self, cases: NDArray[np.bool_]) -> Blocks:
        """The blocks of some of the cases: blocks that none of them belongs to are not there."""
        return Blocks.of(self.of_case[cases], self.name)

    def sums(self, values: Floats) -> Floats:
        """Sums over the cases of each block, shape (count, k), of values of shape (n, k); none may be NaN."""
        total = np.zeros((self.count, values.shape[1]))
        np.add.at(total, self.of_case, values)
        return total

    def draws(self, n_draws: int = N_DRAWS) -> Floats:
        """How often each block was drawn, shape (n_draws, count), the same for the same number of blocks."""
        rng = np.random.default_rng(_SEED)
        return rng.multinomial(self.count, np.full(self.count, 1.0 / self.count), size=n_draws).astype(np.float64)


def expanded(level: float, n_blocks: int) -> tuple[float, float]:
    """Quantiles between which a percentile range over ``n_blocks`` redrawn blocks is as wide as a t range.

    Source: Hesterberg 2015: z(q) √((n - 1) / n) = t(p, n - 1).
    """
    low = norm.cdf(t.ppf((1.0 - level) / 2.0, n_blocks - 1) * np.sqrt(n_blocks / (n_blocks - 1)))
    return float(low), float(1.0 - low)


def ranges(values: Floats, redrawn: Floats, n_blocks: int, level: float = LEVEL) -> list[Ranged]:
    """Figures with their ranges.

    Args:
        values: as found, NaN for what is not known, shape (k,).
        redrawn: the same in each redraw, NaN where it could not be worked out, shape (n_draws, k).
        n_blocks: that were drawn from; below ``MIN_BLOCKS`` there are no ranges.
        level: share of the draws that lie inside, before it is widened.
    """
    if n_blocks < MIN_BLOCKS:
        return [Ranged(_known(value)) for value in values]
    ends = expanded(level, n_blocks)
    found = []
    for value, column in zip(values, redrawn.T, strict=True):
        good = column[~np.isnan(column)]
        if np.isnan(value) or len(good) < len(column) / 2:  # in most redraws there is nothing to work it out from
            found.append(Ranged(_known(value)))
        else:
            low, high = np.quantile(good, ends)
            found.append(Ranged(float(value), float(low), float(high)))
    return found


def redrawn_ranges(
    sums: Callable[[Floats], Floats], columns: Floats, blocks: Blocks, *, n_draws: int = N_DRAWS, level: float = LEVEL
) -> list[Ranged]:
    """Ranges of figures that follow from sums over cases.

    Args:
        sums: from column sums, shape (..., k), to figures, shape (..., j); NaN where they are not defined.
        columns: of single cases, none missing, shape (n, k).
        blocks: of the same cases.
        n_draws: number of redraws.
        level: of the range.
    """
    by_block = blocks.sums(columns)
    with np.errstate(invalid="ignore", divide="ignore"):  # a redraw without a single event has no figure: NaN
        values = sums(by_block.sum(axis=0))
        redrawn = sums(blocks.draws(n_draws) @ by_block) if blocks.enough else np.empty((0, len(values)))
    return ranges(values, redrawn, blocks.count, level)


def worth(values: ArrayLike, blocks: Blocks) -> float:
    """How many independent cases as many dependent ones are worth, as regards the mean of ``values``.

    The variance of a mean of independent cases over that of the mean of these blocks; never more than there are.

    Args:
        values: of single cases, none missing, shape (n,).
        blocks: of the same cases, two at least.
    """
    x = np.asarray(values, dtype=np.float64)
    spread, error = float(x.var(ddof=1)) if len(x) > 1 else 0.0, standard_error(x, blocks)
    return float(len(x)) if error <= 0.0 else min(float(len(x)), spread / error**2)


def standard_error(values: Floats, blocks: Blocks) -> float:
    """Standard error of a mean over cases that go together in blocks.

    Source: the cluster-robust variance, Liang and Zeger 1986, Biometrika 73:13-22 (from memory), with its usual factor
    count / (count - 1).
    """
    total = blocks.sums((values - values.mean())[:, None])[:, 0]
    return float(np.sqrt(blocks.count / (blocks.count - 1) * (total**2).sum()) / len(values))


def blocks_wanted(gain: float, error: float, n_blocks: int) -> float:
    """How many blocks like these would show a gain of this size: in 8 of 10 tries, wrongly in 1 of 20.

    Args:
        gain: mean difference of scores, in its unit.
        error: its standard error over ``n_blocks`` blocks.
        n_blocks: that were seen.
    """
    needed = norm.ppf(POWER_SHARE) + norm.ppf(1.0 - LUCK_SHARE)
    return float(n_blocks * (needed * error / gain) ** 2)


def _known(value: float) -> float | None:
    return None if np.isnan(value) else float(value)
