"""Forecasts that were kept when they were made, ready for the paths of a season."""

from __future__ import annotations

import hashlib
from typing import TYPE_CHECKING

import numpy as np

from matewindow.paths import Sources
from matewindow.sources import runs_on_site, season_days, with_run

if TYPE_CHECKING:
    from collections.abc import Callable
    from datetime import datetime

    from matewindow.biology import Flight
    from matewindow.site import Site
    from matewindow.siteweather import SiteWeather
    from matewindow.storedruns import StoredRuns
    from matewindow.weather.normal import Weather

    Lay = Callable[[Weather], SiteWeather]


class KeptForecasts:
    """Stored runs of a site, laid on its solar days.

    Args:
        runs: as they were kept.
        record: hourly weather of the site with all hours of the day: how coarse rain is put into hours.
        site: where.
        flight: thresholds, of which the mating window matters here.
    """

    def __init__(self, runs: StoredRuns, record: SiteWeather, site: Site, flight: Flight) -> None:
        self._runs, self._record, self._site, self._flight = runs, record, site, flight
        self._lay: tuple[int, Lay] | None = None
        self._laid: tuple[Weather, SiteWeather] | None = None

    def __getstate__(self) -> tuple[StoredRuns, SiteWeather, Site, Flight]:
        return self._runs, self._record, self._site, self._flight

    def __setstate__(self, parts: tuple[StoredRuns, SiteWeather, Site, Flight]) -> None:
        self.__init__(*parts)  # type: ignore[misc]

    @property
    def edition(self) -> str:
        """A digest of all runs, and of the rain that tells how theirs falls into hours."""
        rain = self._record.rain_mm
        fallen = b"" if rain is None else np.ascontiguousarray(rain).tobytes()
        return f"{self._runs.edition} {hashlib.sha256(fallen).hexdigest()}"

    def known_at(self, now: datetime, season: int) -> tuple[SiteWeather | None, SiteWeather | None]:
        """The run that was newest at a time: as a single run, or as an ensemble.

        Args:
            now: aware.
            season: ``bees_year`` of the season; its own rain is not asked how rain falls into hours.

        Raises:
            WeatherFileError: a run cannot be read, or is one of another place.
        """
        run = self._runs.at(now)
        if run is None:
            return None, None
        if self._laid is None or self._laid[0] is not run:
            self._laid = run, self._layer(season)(run)
        found = with_run(Sources(), self._laid[1])
        return found.run, found.members

    def _layer(self, season: int) -> Lay:
        if self._lay is None or self._lay[0] != season:
            without = season_days(season, self._site)
            self._lay = season, runs_on_site(self._record, self._site, self._flight, without=without)
        return self._lay[1]
