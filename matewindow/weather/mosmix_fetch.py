"""Asking DWD's open data for the MOSMIX forecast of a station. Read in ``mosmix``."""

from __future__ import annotations

import json
from contextlib import suppress
from dataclasses import dataclass
from typing import TYPE_CHECKING

from matewindow.errors import SourceError, StoreError
from matewindow.weather import mosmix, regions
from matewindow.weather.brightsky_fetch import BrightSky
from matewindow.weather.desk import FRESH, Question, site_name, stamped
from matewindow.weather.http import SourceRequest
from matewindow.weather.manners import DWD, Source
from matewindow.weather.obtain import MAX_AGE, Obtained, obtain

if TYPE_CHECKING:
    from datetime import timedelta

    from matewindow.site import Site
    from matewindow.weather.desk import Desk, Part
    from matewindow.weather.normal import Weather

_NAME = "DWD MOSMIX"


def fetch_station(site: Site, desk: Desk) -> str:
    """Get the WMO number of the station that Bright Sky forecasts a site from; if it fails, the one that it named last.

    Args:
        site: where.
        desk: whom to ask.

    Raises:
        SourceError: Bright Sky fails and has never named one, or names none.
    """
    question = BrightSky("forecast").question(site, desk)
    request = question.request
    try:
        return _forecast_station(question.ask(desk).text)
    except SourceError:
        store = desk.client.store
        stored = store.entries(source=request.source.name, site=request.site, kind=request.kind)
        for entry in sorted(stored, key=lambda e: e.id, reverse=True):
            with suppress(SourceError, StoreError):
                if question.same_as(entry):
                    return _forecast_station(store.body(entry).decode("utf-8", "replace"))
        raise


def _forecast_station(text: str) -> str:
    """WMO number of the station whose forecast an answer of Bright Sky holds."""
    try:
        sources = json.loads(text)["sources"]
        stations = [str(s["wmo_station_id"]) for s in sources if s.get("observation_type") == "forecast"]
    except (ValueError, KeyError, TypeError, AttributeError) as fault:
        raise SourceError(_NAME, "no forecast station is known near the site") from fault
    if not stations or not stations[0].isalnum():
        raise SourceError(_NAME, "no forecast station is known near the site")
    return stations[0]


@dataclass(frozen=True)
class MosmixSpread:
    """DWD MOSMIX: a pseudo-ensemble from the station forecast and the errors that DWD itself expects of it."""

    name: str = _NAME
    source: Source = DWD
    part: Part = "ensemble"

    def serves(self, site: Site) -> bool:
        """Germany."""
        return regions.in_germany(site)

    def question(self, site: Site, desk: Desk) -> Question[Weather]:
        """Asks Bright Sky for the station first, if it is not known.

        Raises:
            SourceError: as ``fetch_station``.
        """
        request = SourceRequest(
            source=self.source,
            url=desk.addresses.mosmix.format(id=fetch_station(site, desk)),
            params={},
            site=site_name(site, self.source),
            kind="ensemble",
            expect="bytes",
            fresh=FRESH,
        )
        return Question(
            request, lambda fetched: stamped(mosmix.spread_members(mosmix.parse_kmz(fetched.body)), fetched)
        )


def fetch_spread(site: Site, desk: Desk, *, max_age: timedelta = MAX_AGE) -> Obtained:
    """Get the pseudo-ensemble of the station next to a site.

    Args:
        site: where.
        desk: whom to ask.
        max_age: up to which a stored answer serves when the service fails.

    Raises:
        SourceError, WeatherFileError: as ``obtain`` and ``fetch_station``.
    """
    return obtain(MosmixSpread().question(site, desk), site, desk, max_age=max_age)
