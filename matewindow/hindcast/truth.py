"""What became of the queens of a season, as the chain has it for the weather that came."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np

from matewindow import mating
from matewindow.graftworth import emergence_table
from matewindow.outlook import RUN_IN_D, drone_share, known_hours, window_span
from matewindow.paths import Paths, Sources, build_paths

if TYPE_CHECKING:
    from collections.abc import Sequence
    from datetime import date

    from numpy.typing import NDArray

    from matewindow.biology import Biology
    from matewindow.site import Site
    from matewindow.siteweather import SiteWeather

    Floats = NDArray[np.float64]


@dataclass(frozen=True)
class Truth:
    """The weather of a season as one path, and what the chain makes of it.

    Attributes:
        path: from ``RUN_IN_D`` before the first emergence day of all grafts, hours that are not known counted as none.
        flown: the same with all days that were measured, earlier ones too; hours that are not known are NaN.
        first: first emergence day of all grafts.
        weights: share of each graft that emerges on the days from ``first``, shape (n_grafts, n_emergence).
        whole: of which grafts the whole mating window is known, shape (n_grafts,).
        well: odds of ending well mated, shape (n_grafts,).
        eggs: mass of the first egg of each graft by day since ``first``, all fates together, shape (n_grafts, n_days).
    """

    path: Paths
    flown: Paths
    first: np.datetime64
    weights: Floats
    whole: NDArray[np.bool_]
    well: Floats
    eggs: Floats

    def hours_on(self, days: NDArray[np.datetime64]) -> Floats:
        """Effective flight hours of some days [h], NaN where they are not known or lie outside, shape (n,)."""
        at = (days - self.flown.days[0]).astype(np.intp)
        inside = (at >= 0) & (at < len(self.flown.days))
        return np.where(inside, self.flown.hours[np.where(inside, at, 0), 0], np.nan)

    def prime_hours(self, biology: Biology) -> Floats:
        """Effective flight hours in the prime window of each graft, mean over its emergence days [h], (n_grafts,)."""
        total = np.concatenate([[0.0], np.cumsum(self.path.hours[RUN_IN_D:, 0])])
        born = np.arange(self.weights.shape[1])
        start, end = int(biology.mating.prime_from_age_d), int(biology.mating.prime_to_age_d)
        sums: Floats = self.weights @ (total[born + end + 1] - total[born + start])
        return sums


def truth_of(
    measured: SiteWeather, grafts: Sequence[date], site: Site, biology: Biology, whole: NDArray[np.bool_]
) -> Truth:
    """Run the weather that came through the chain.

    Args:
        measured: the record of the season, one series.
        grafts: days of the grafts, in a row.
        site: as it was in this season.
        biology: parameters with the site's thresholds.
        whole: of which grafts the mating window is known, shape (n_grafts,).
    """
    first, weights = emergence_table(grafts, site, biology)
    n_emergence = weights.shape[1]
    span = window_span(n_emergence, biology)
    after = max(first + span.n_days, measured.days[-1] + 1)  # everything lies in the past

    def as_it_came(first_day: np.datetime64, n_days: int) -> Paths:
        return build_paths(Sources(observed=measured), first_day, n_days, after, biology, site.exposure)[0]

    flown = as_it_came(measured.days[0], len(measured.days))
    path = as_it_came(first - RUN_IN_D, span.n_days)
    path = replace(path, hours=known_hours(path))
    chain = mating.summarise(path.hours, drone_share(path.days, site), RUN_IN_D, n_emergence, biology)
    n_ages = chain.egg_age.shape[1]
    eggs = np.zeros((len(grafts), n_emergence + n_ages - 1))
    for e in np.flatnonzero(weights.any(axis=0)):
        eggs[:, e : e + n_ages] += weights[:, e : e + 1] * chain.egg_age[e]
    return Truth(path, flown, first, weights, whole, weights @ chain.fates[0][:, 0], eggs)
