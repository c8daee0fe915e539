"""The parts that paths are spliced from: daily flight hours of several sources over the same days."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from collections.abc import Callable

    from numpy.typing import NDArray

    from matewindow.biology import Biology
    from matewindow.flight import FlightDays
    from matewindow.siteweather import SiteWeather

    Floats = NDArray[np.float64]
    Indices = NDArray[np.intp]

OBSERVED, FORECAST, PAST_YEARS, UNKNOWN = 0, 1, 2, 3
ORIGINS = ("observed", "forecast", "past_years")
"""The kinds that say something, in the order of their numbers."""


@dataclass(frozen=True)
class Rows:
    """Daily flight hours of S sources of one kind over the L days of the paths.

    ``effective_h`` (S, L, n_levels) and ``strict_h`` (S, L), NaN where a source does not reach; ``lost`` works out the
    lost hours by cause (n, n_causes) of n cells when they are asked for, from three arrays (n,): source, day and level.
    ``issued`` is the day a forecast was made; ``dressed`` marks members made from percentiles or expected errors.
    """

    kind: int
    effective_h: Floats
    strict_h: Floats
    lost: Callable[[Indices, Indices, Indices], Floats] = field(repr=False)
    issued: np.datetime64 | None = None
    dressed: bool = False


@dataclass(frozen=True)
class Flown:
    """Weather of some days in a row and the flight hours of all its series on them, worked out once for all batches."""

    weather: SiteWeather
    days: FlightDays
    biology: Biology
    exposure: float

    @classmethod
    def of(
        cls,
        weather: SiteWeather | None,
        first_day: np.datetime64,
        n_days: int,
        biology: Biology,
        exposure: float,
    ) -> Flown | None:
        """Judge those of the days that the weather holds; None if it holds none of them."""
        if weather is None:
            return None
        start = max(0, int((first_day - weather.days[0]).astype(np.int64)))
        stop = min(len(weather.days), int((first_day - weather.days[0]).astype(np.int64)) + n_days)
        if start >= stop:
            return None
        part = weather.between(start, stop)
        return cls(part, part.flight(biology.flight, exposure), biology, exposure)

    def rows(self, kind: int, days: NDArray[np.datetime64], *, before: np.datetime64 | None = None) -> Rows | None:
        """The same series over exactly ``days``, missing where they do not reach; None where they hold none of them.

        Args:
            kind: what they are.
            days: in a row.
            before: days from here on count as missing.
        """
        at = (days - self.weather.days[0]).astype(np.intp)
        known = (at >= 0) & (at < len(self.weather.days))
        if before is not None:
            known &= days < before
        if not known.any():
            return None
        day_of = np.where(known, at, 0)

        def lost(row: Indices, day: Indices, level: Indices) -> Floats:
            found = self.weather.day_losses(row, day_of[day], level, self.biology.flight, self.exposure)
            found[~known[day]] = np.nan
            return found

        effective_h = np.where(known[:, None], self.days.effective_h[:, day_of], np.nan)
        strict_h = np.where(known, self.days.strict_h[:, day_of], np.nan)
        dressed = self.weather.provenance.kind == "spread"
        return Rows(kind, effective_h, strict_h, lost, self.weather.issued, dressed)


def unknown_row(n_days: int, n_levels: int, n_causes: int) -> Rows:
    """One source that knows nothing: what a path follows on days that nothing covers."""
    effective_h, strict_h = np.full((1, n_days, n_levels), np.nan), np.full((1, n_days), np.nan)
    return Rows(UNKNOWN, effective_h, strict_h, lambda row, _day, _level: np.full((len(row), n_causes), np.nan))
