"""Asking Bright Sky for DWD's observations and station forecasts. Read in ``brightsky``."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import UTC, timedelta
from typing import TYPE_CHECKING

import numpy as np

from matewindow.errors import WeatherFileError
from matewindow.weather import brightsky, regions
from matewindow.weather.desk import BEHIND_D, FRESH, Question, site_name, stamped
from matewindow.weather.http import SourceRequest
from matewindow.weather.manners import BRIGHT_SKY, Source, coordinates
from matewindow.weather.obtain import MAX_AGE, Obtained, obtain

if TYPE_CHECKING:
    from matewindow.site import Site
    from matewindow.weather.desk import Desk, Part
    from matewindow.weather.http import Fetched
    from matewindow.weather.normal import Weather

OBSERVED_AGE = timedelta(days=14)
"""Up to which age observations serve when there are no newer ones."""
_AHEAD_D = 10
_REACH = np.timedelta64(8, "D")
"""What is asked for ends nine days ahead or more, and each of DWD's runs reaches ten: a shorter one is two days old."""


@dataclass(frozen=True)
class BrightSky:
    """DWD by way of Bright Sky: stations' observations of the last days, and the station forecast.

    Args:
        part: "observed" or "forecast".
    """

    part: Part
    name: str = "Bright Sky (DWD)"
    source: Source = BRIGHT_SKY

    def serves(self, site: Site) -> bool:
        """Germany."""
        return regions.in_germany(site)

    def question(self, site: Site, desk: Desk) -> Question[Weather]:
        """One request serves both parts."""
        latitude, longitude = coordinates(self.source, site.latitude, site.longitude)
        day = desk.now.astimezone(UTC).date()
        request = SourceRequest(
            source=self.source,
            url=desk.addresses.brightsky,
            params={
                "lat": latitude,
                "lon": longitude,
                "date": (day - timedelta(days=BEHIND_D)).isoformat(),
                "last_date": (day + timedelta(days=_AHEAD_D)).isoformat(),
                "tz": "Etc/UTC",
            },
            site=site_name(site, self.source),
            kind="forecast",
            fresh=FRESH,
        )
        return Question(request, self._read, shared=True, moving=frozenset({"date", "last_date"}))

    def _read(self, fetched: Fetched) -> Weather:
        answer = brightsky.parse_weather(fetched.text)
        weather = answer.observed if self.part == "observed" else answer.forecast
        if weather is None:
            raise WeatherFileError(f"it has no {self.part} hours here", where="Bright Sky")
        reach = weather.times[-1] - np.datetime64(fetched.fetched_at.replace(tzinfo=None), "s")
        if self.part == "forecast" and reach < _REACH:  # it tells no run time
            raise WeatherFileError("its forecast ends too early: it comes from an old run", where="Bright Sky")
        return stamped(weather, fetched)


def fetch_observed(site: Site, desk: Desk, *, max_age: timedelta = OBSERVED_AGE) -> Obtained:
    """Get what stations near a site observed in the last days.

    Args:
        site: where.
        desk: whom to ask.
        max_age: up to which a stored answer serves when the service fails.

    Raises:
        SourceError, WeatherFileError: as ``obtain``.
    """
    return obtain(BrightSky("observed").question(site, desk), site, desk, max_age=max_age)


def fetch_forecast(site: Site, desk: Desk, *, max_age: timedelta = MAX_AGE) -> Obtained:
    """Get the forecast for the station next to a site. Arguments and errors as those of the observations."""
    return obtain(BrightSky("forecast").question(site, desk), site, desk, max_age=max_age)
