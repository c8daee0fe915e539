"""What was known of a site's weather on a day of the past, and what came after."""

from __future__ import annotations

import hashlib
import json
from dataclasses import asdict, dataclass, fields, is_dataclass, replace
from functools import cached_property
from typing import TYPE_CHECKING, Protocol

import numpy as np

from matewindow.paths import Sources

if TYPE_CHECKING:
    from datetime import date, datetime

    from matewindow.biology import Biology
    from matewindow.learning.recalibration import Recalibration
    from matewindow.site import Site
    from matewindow.siteweather import SiteWeather

MARGIN_D = 10
"""Days of a season's own record beyond those that paths ask for."""


class Forecasts(Protocol):
    """Forecasts as they were made, laid on a site's solar days."""

    @property
    def edition(self) -> str:
        """A digest of all of them."""

    def known_at(self, now: datetime, season: int) -> tuple[SiteWeather | None, SiteWeather | None]:
        """The single run and the ensemble that were there at a time; None where none was kept.

        Args:
            now: aware.
            season: ``bees_year`` whose own weather must not be used to put coarse rain into hours.
        """


@dataclass(frozen=True)
class Ground:
    """A site with all that is known of its weather.

    Attributes:
        site: where.
        record: hourly weather of many years, one series.
        biology: parameters with the site's thresholds.
        forecasts: as they were made; None for none: then the odds stand on past years alone.
        days: what puts the odds of a flying day right; None where they are left as they are worked out. What puts those
            of a well mated queen right was learnt from nucs, and there are none here to hold it against.
        model: version of what makes the odds; empty for that of ``biology``.
        remarks: what a reader must know of the weather: "Invented weather.".
    """

    site: Site
    record: SiteWeather
    biology: Biology
    forecasts: Forecasts | None = None
    days: Recalibration | None = None
    model: str = ""
    remarks: tuple[str, ...] = ()

    @property
    def version(self) -> str:
        """Version of what makes the odds."""
        return self.model or self.biology.version

    @property
    def edition(self) -> str:
        """A hash of everything that a season's cases hang on, but for the plan."""
        digest = hashlib.sha256()
        r = self.record
        for values in (r.days.astype(np.int64), r.temp_c, r.wind_ms, r.rain_mm, r.ghi_wm2, r.share, r.daily_temp_c):
            digest.update(b"-" if values is None else np.ascontiguousarray(values).tobytes())
        groups = [getattr(self.biology, f.name) for f in fields(self.biology)]
        values_of = [asdict(group) for group in groups if is_dataclass(group) and not isinstance(group, type)]
        site = {f.name: getattr(self.site, f.name) for f in fields(self.site) if f.name not in {"file", "thresholds"}}
        digest.update(
            json.dumps([site, values_of, self.version, repr(self.days)], sort_keys=True, default=str).encode()
        )
        digest.update((self.forecasts.edition if self.forecasts is not None else "none").encode())
        return digest.hexdigest()

    @property
    def portable(self) -> Ground:
        """The same, fit to be sent to another process, with no more of the record than is asked for."""
        return replace(self, record=self.lean, biology=replace(self.biology, parameters=dict(self.biology.parameters)))

    @cached_property
    def lean(self) -> SiteWeather:
        """The record with only what the odds ask of it."""
        return self.record.window_only

    def of_season(self, season: int) -> Site:
        """The site as it was in a ``bees_year``: its drones mature on the same date."""
        ready = self.site.drones_mature_from
        if ready is None:
            return self.site
        return replace(self.site, drones_mature_from=_same_date(ready, season, self.site))

    def measured(self, first_day: np.datetime64, n_days: int) -> SiteWeather | None:
        """The record of some days and a few before and after; None where it holds none of them."""
        start = int((first_day - self.lean.days[0]).astype(np.int64)) - MARGIN_D
        stop = start + n_days + 2 * MARGIN_D
        start, stop = max(0, start), min(len(self.lean.days), stop)
        return self.lean.between(start, stop) if start < stop else None

    def known_at(self, now: datetime, season: int, measured: SiteWeather | None) -> Sources:
        """What could be known at a time. What ``measured`` holds of later days is not looked at by paths."""
        run, members = (None, None) if self.forecasts is None else self.forecasts.known_at(now, season)
        return Sources(observed=measured, run=run, members=members, past=self.lean, hindsight=True)


def bees_year(day: date, site: Site) -> int:
    """The year that the season of a day is named by: it runs from January on, in the south from July on."""
    return day.year - 1 if site.latitude < 0.0 and day.month < _JULY else day.year


def _same_date(day: date, season: int, site: Site) -> date:
    """A date of the year, in a ``bees_year``."""
    of = season + day.year - bees_year(day, site)
    leap = (day.month, day.day) == (2, 29)
    return day.replace(year=of, day=28 if leap else day.day)


_JULY = 7
