"""From readiness to fly to the first egg: the lag that Woyke et al. 2008 measured, as the chain has it."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np

from matewindow import mating

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from matewindow.biology import Biology

    Floats = NDArray[np.float64]


def matured_at(age_d: int, biology: Biology) -> Biology:
    """The same biology for queens that all become ready to fly on one day of age."""
    # a hair before that age and next to no spread
    m = replace(biology.mating, maturity_age_d=age_d - 1e-3, maturity_sd_d=1e-6)
    return replace(biology, mating=m)


def lag_from_readiness(hours: Floats, biology: Biology) -> Floats:
    """Share of first eggs by whole days since a queen became ready to fly, over all paths.

    The chain is run apart for each age at which queens become ready, and the runs are weighted by how many do.

    Args:
        hours: effective flight hours, days since emergence first, shape (n_days, n_paths).
        biology: parameters.
    """
    by_lag = np.zeros(mating.egg_ages(biology))
    ripe = mating.maturing(mating.chain_ages(biology.mating), biology.mating)
    for age in np.flatnonzero(ripe > 1e-9):
        eggs = mating.summarise(hours, np.ones(len(hours)), 0, 1, matured_at(int(age), biology)).egg_age[0]
        by_lag[: len(eggs) - age] += ripe[age] * eggs[age:]
    total: Floats = by_lag / by_lag.sum()
    return total


@dataclass(frozen=True)
class Shape:
    """Mean, mode, 5, 95 and 99 % points (days) and skewness of a lag."""

    mean: float
    mode: int
    q05: int
    q95: int
    q99: int
    skew: float

    def __str__(self) -> str:
        return (
            f"mean {self.mean:.2f} (published 6.8), mode {self.mode} (4.0), q05 {self.q05} (2.1), q95 {self.q95} (15.2), "
            f"q99 {self.q99} (22.7), skewness {self.skew:.2f}"
        )

    @property
    def fits(self) -> bool:
        """Within what is allowed: mean 6.8 ± 0.7, mode 3.5 to 4.7, range 2 to 23 d, right-skewed."""
        return (
            abs(self.mean - 6.8) <= 0.7
            and 3.5 <= self.mode <= 4.7
            and self.q05 >= 2
            and self.q99 <= 23
            and self.skew > 0.3
        )


def shape_of(lag: Floats) -> Shape:
    """Describe a distribution over whole days."""
    days = np.arange(len(lag))
    mean = float(lag @ days)
    sd = math.sqrt(float(lag @ (days - mean) ** 2))
    skew = float(lag @ (days - mean) ** 3) / sd**3
    q05, q95, q99 = (int(np.searchsorted(np.cumsum(lag), q)) for q in (0.05, 0.95, 0.99))
    return Shape(mean, int(lag.argmax()), q05, q95, q99, skew)
