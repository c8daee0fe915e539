"""Weather that is left out in turn, so that a fit is tried on days that it was not made from.

What is left out is a stretch of time: a season where there are three or more, else stretches of 45 days. Runs issued
within 40 days of it are fitted to neither, at no site, since they speak of the same weather. With three or more sites a
site is left out along with it: a fit must serve places that it does not know.

How far a gain may be chance is seen from drawing anew: whole stretches that were left out, and blocks of 30 days of
issue, which are as long as a forecast reaches and its weather lasts; the less certain of the two counts.

Source of the shape: forecasts of neighbouring days share their weather, so blocks have to be about as long as window
and lead (Künsch 1989, Ann Stat 17:1217-1241, from memory).
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from matewindow.learning.acceptance import BOUND, PURGE_D, Verdict, lower_bound

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator

    from numpy.typing import NDArray

    from matewindow.learning.weather.cases import DayCases

    Floats = NDArray[np.float64]
    Indices = NDArray[np.intp]

WINDOW_D = 45
BLOCK_D = 30
MIN_SEASONS, MIN_SITES = 3, 3
_TESTED = 0.5
"""A fit is tried if so many of the cases can be left out with something to fit to beside them (judgement)."""


@dataclass(frozen=True, eq=False)
class Windows:
    """Stretches of time, and sites, that are left out in turn.

    Attributes:
        by: ``season`` or ``stretch of 45 days``, with ``at each site`` where sites are left out as well.
        window: number of each case's stretch, (n,).
        n: how many there are.
        site: number of each case's site, (n,); all 0 where sites stay in.
        block: number of each case's block of days of issue, (n,).
        issued: of the cases.
    """

    by: str
    window: Indices
    n: int
    site: Indices
    block: Indices
    issued: NDArray[np.datetime64]

    @classmethod
    def of(cls, cases: DayCases) -> Windows:
        """The stretches of some cases."""
        season = _numbers(cases.season)
        n_seasons, n_sites = (len(np.unique(labels)) for labels in (cases.season, cases.site))
        within = np.zeros(len(cases), dtype=np.intp)
        for number in range(n_seasons):
            mine = season == number
            within[mine] = (cases.issued[mine] - cases.issued[mine].min()).astype(np.intp)
        by_season = n_seasons >= MIN_SEASONS
        window = season if by_season else _numbers(season * 1000 + within // WINDOW_D)
        site = _numbers(cases.site) if n_sites >= MIN_SITES else np.zeros(len(cases), dtype=np.intp)
        by = "season" if by_season else f"stretch of {WINDOW_D} days"
        n = int(window.max()) + 1 if len(cases) else 0
        block = _numbers(season * 1000 + within // BLOCK_D)
        return cls(by + (" at each site" if n_sites >= MIN_SITES else ""), window, n, site, block, cases.issued)

    def folds(self) -> Iterator[tuple[Indices, Indices]]:
        """Rows to fit to and rows left out, for each stretch and site of which there is a case."""
        for window in range(self.n):
            mine = self.window == window
            first, last = self.issued[mine].min(), self.issued[mine].max()
            away = np.maximum(first - self.issued, self.issued - last).astype(np.int64) > PURGE_D
            for site in np.unique(self.site[mine]):
                here = self.site == site
                others = away & ~here if self.site.any() else away
                yield np.flatnonzero(others), np.flatnonzero(mine & here)

    @property
    def can_be_tried(self) -> NDArray[np.bool_]:
        """Which cases can be left out with others to fit to, (n,)."""
        possible = np.zeros(len(self.window), dtype=bool)
        for training, held in self.folds():
            possible[held] = len(training) > 0
        return possible

    @property
    def enough(self) -> bool:
        """Whether a fit can be tried at all."""
        return self.n > 1 and bool(self.can_be_tried.mean() >= _TESTED)

    def out_of_sample(self, fitted: Callable[[Indices, Indices], Floats]) -> Floats:
        """A figure of each case from a fit to others, (n,); NaN where there is nothing to fit to.

        Args:
            fitted: given the rows to fit to and those left out, the figures of the latter.
        """
        figures = np.full(len(self.window), np.nan)
        for training, held in self.folds():
            if len(training):
                figures[held] = fitted(training, held)
        return figures

    def bounds(self, gains: Floats) -> tuple[float, float]:
        """Lower ends of the one-sided 90 % range of a mean gain: over the stretches, and over the blocks."""
        tried = ~np.isnan(gains)
        window, block = (_numbers(labels[tried]) for labels in (self.window, self.block))
        return lower_bound(gains[tried], window), lower_bound(gains[tried], block)

    def verdict(self, before: Floats, after: Floats) -> Verdict:
        """Whether scores of cases left out are so much better that a fit has earned its use; NaN = not tried."""
        tried = ~np.isnan(after)
        if not self.enough or not tried.any():
            return Verdict(accepted=False)
        gains = np.where(tried, after - before, np.nan)
        gain, (bound, bound_blocks) = float(np.nanmean(gains)), self.bounds(gains)
        return Verdict(
            accepted=gain > 0.0 and min(bound, bound_blocks) > BOUND,
            by=self.by,
            n_groups=len(np.unique(self.window[tried])),
            before=float(before[tried].mean()),
            after=float(after[tried].mean()),
            gain=gain,
            bound=bound,
            bound_records=bound_blocks,
        )


def _numbers(labels: NDArray[np.generic]) -> Indices:
    """Labels as numbers from 0 on."""
    result: Indices = np.unique(labels, return_inverse=True)[1].astype(np.intp)
    return result
