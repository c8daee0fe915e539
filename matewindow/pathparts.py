"""The parts that paths are spliced from: daily flight hours of several sources over the same days."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from collections.abc import Callable

    from numpy.typing import NDArray

    from matewindow.biology import Biology
    from matewindow.siteweather import SiteWeather

    Floats = NDArray[np.float64]

OBSERVED, FORECAST, PAST_YEARS, UNKNOWN = 0, 1, 2, 3
ORIGINS = ("observed", "forecast", "past_years")
"""The kinds that say something, in the order of their numbers."""


@dataclass(frozen=True)
class Rows:
    """Daily flight hours of S sources of one kind over the L days of the paths.

    ``effective_h`` (S, L, n_levels) and ``strict_h`` (S, L), NaN where a source does not reach; ``lost`` works out the
    lost hours by cause (S, L, n_levels, n_causes) when they are asked for. ``issued`` is the day a forecast was made;
    ``dressed`` marks members made from percentiles or expected errors.
    """

    kind: int
    effective_h: Floats
    strict_h: Floats
    lost: Callable[[], Floats] = field(repr=False)
    issued: np.datetime64 | None = None
    dressed: bool = False


def rows_of(kind: int, weather: SiteWeather | None, biology: Biology, exposure: float) -> Rows | None:
    """The flight hours of all series of some weather; None for none."""
    if weather is None:
        return None
    flown = weather.flight(biology.flight, exposure)
    lost = lambda: weather.losses(biology.flight, exposure)  # noqa: E731  worked out only where it is asked for
    dressed = weather.provenance.kind == "spread"
    return Rows(kind, flown.effective_h, flown.strict_h, lost, weather.issued, dressed)


def unknown_row(n_days: int, n_levels: int, n_causes: int) -> Rows:
    """One source that knows nothing: what a path follows on days that nothing covers."""
    effective_h, strict_h = np.full((1, n_days, n_levels), np.nan), np.full((1, n_days), np.nan)
    return Rows(UNKNOWN, effective_h, strict_h, lambda: np.full((1, n_days, n_levels, n_causes), np.nan))
