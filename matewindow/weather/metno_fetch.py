"""Asking MET Norway's Locationforecast 2.0. Read in ``metno``."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from matewindow.errors import WeatherFileError
from matewindow.weather import metno
from matewindow.weather.desk import Question, site_name, stamped
from matewindow.weather.http import SourceRequest
from matewindow.weather.manners import MET_NORWAY, Source, coordinates
from matewindow.weather.obtain import MAX_AGE, Obtained, obtain

if TYPE_CHECKING:
    from datetime import timedelta

    from matewindow.site import Site
    from matewindow.weather.desk import Desk, Part
    from matewindow.weather.http import Fetched
    from matewindow.weather.normal import Weather


@dataclass(frozen=True)
class MetNorway:
    """MET Norway Locationforecast: the expected course, and a pseudo-ensemble from its percentiles.

    Args:
        part: "forecast" or "ensemble".
    """

    part: Part
    name: str = "MET Norway"
    source: Source = MET_NORWAY

    def serves(self, site: Site) -> bool:  # noqa: ARG002
        """Everywhere; finest in the north."""
        return True

    def question(self, site: Site, desk: Desk) -> Question[Weather]:
        """Latitude, longitude and whole metres of height; one request serves both parts."""
        latitude, longitude = coordinates(self.source, site.latitude, site.longitude)
        request = SourceRequest(
            source=self.source,
            url=desk.addresses.metno,
            params={"lat": latitude, "lon": longitude, "altitude": f"{site.elevation_m:.0f}"},
            site=site_name(site, self.source),
            kind="forecast",
        )
        return Question(request, _read_spread if self.part == "ensemble" else _read_forecast, shared=True)


def _read_forecast(fetched: Fetched) -> Weather:
    return stamped(metno.parse_locationforecast(fetched.text), fetched)


def _read_spread(fetched: Fetched) -> Weather:
    members = metno.parse_spread(fetched.text)
    if members is None:
        raise WeatherFileError("it gives no percentiles here", where="MET Norway")
    return stamped(members, fetched)


def fetch_locationforecast(site: Site, desk: Desk, *, max_age: timedelta = MAX_AGE) -> Obtained:
    """Get the forecast for a site.

    Args:
        site: where.
        desk: whom to ask.
        max_age: up to which a stored answer serves when the service fails.

    Raises:
        SourceError, WeatherFileError: as ``obtain``.
    """
    return obtain(MetNorway("forecast").question(site, desk), site, desk, max_age=max_age)


def fetch_spread(site: Site, desk: Desk, *, max_age: timedelta = MAX_AGE) -> Obtained:
    """Get the pseudo-ensemble made from the forecast's percentiles. Arguments and errors as the forecast's.

    Raises:
        WeatherFileError: also where the service gives no percentiles.
    """
    return obtain(MetNorway("ensemble").question(site, desk), site, desk, max_age=max_age)
