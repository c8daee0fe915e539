"""Asking the US National Weather Service: the grid cell of a place, then its forecast. Read in ``nws``."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import timedelta
from typing import TYPE_CHECKING
from urllib.parse import urlsplit

from matewindow.errors import SourceError
from matewindow.weather import nws, regions
from matewindow.weather.desk import FRESH, Question, site_name, stamped
from matewindow.weather.http import SourceRequest
from matewindow.weather.manners import NWS, Source, coordinates
from matewindow.weather.obtain import MAX_AGE, Obtained, obtain, read_answer

if TYPE_CHECKING:
    from matewindow.site import Site
    from matewindow.weather.desk import Desk, Part
    from matewindow.weather.normal import Weather

_CELL_FRESH, _CELL_SERVES = timedelta(days=7), timedelta(days=90)
"""Grids move: a cell is asked anew every week, and one up to so old serves where that fails."""


def fetch_grid_cell(site: Site, desk: Desk) -> nws.NwsPoint:
    """Get the grid cell that a site lies in.

    Args:
        site: where.
        desk: whom to ask.

    Raises:
        SourceError: no answer, as for a place that the service does not serve, or one that leads to another host.
        WeatherFileError: it makes no sense.
    """
    place = ",".join(coordinates(NWS, site.latitude, site.longitude))
    request = SourceRequest(
        source=NWS,
        url=f"{desk.addresses.nws_points}/{place}",
        params={},
        site=site_name(site, NWS),
        kind="grid-point",
        fresh=_CELL_FRESH,
    )
    cell = read_answer(desk, request, lambda fetched: nws.parse_points(fetched.text), max_age=_CELL_SERVES)
    if urlsplit(cell.forecast_grid_url).hostname != urlsplit(request.url).hostname:
        raise SourceError(NWS.title, "its answer sends us to another host")
    return cell


@dataclass(frozen=True)
class NationalWeatherService:
    """US National Weather Service: the raw forecast of a grid cell."""

    name: str = "US National Weather Service"
    source: Source = NWS
    part: Part = "forecast"

    def serves(self, site: Site) -> bool:
        """The United States."""
        return regions.in_the_united_states(site)

    def question(self, site: Site, desk: Desk) -> Question[Weather]:
        """Asks for the grid cell first, if it is not known.

        Raises:
            SourceError, WeatherFileError: as ``fetch_grid_cell``.
        """
        url = fetch_grid_cell(site, desk).forecast_grid_url
        here = site_name(site, self.source)
        request = SourceRequest(source=self.source, url=url, params={}, site=here, kind="forecast", fresh=FRESH)
        return Question(request, lambda fetched: stamped(nws.parse_gridpoints(fetched.text), fetched))


def fetch_gridpoints(site: Site, desk: Desk, *, max_age: timedelta = MAX_AGE) -> Obtained:
    """Get the forecast of a site's grid cell.

    Args:
        site: where.
        desk: whom to ask.
        max_age: up to which a stored answer serves when the service fails.

    Raises:
        SourceError, WeatherFileError: as ``obtain`` and ``fetch_grid_cell``.
    """
    return obtain(NationalWeatherService().question(site, desk), site, desk, max_age=max_age)
