"""The weather services: what all of them can do, which there are, and in which order they are asked for a site.

What each is asked, and how, stands beside its reader: ``openmeteo_fetch``, ``metno_fetch``, ``nws_fetch``,
``brightsky_fetch``, ``mosmix_fetch``. The archive of past years has a module of its own (``archive.py``).
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Protocol

from matewindow.weather import regions
from matewindow.weather.brightsky_fetch import BrightSky
from matewindow.weather.desk import Desk, Part, Question
from matewindow.weather.metno_fetch import MetNorway
from matewindow.weather.mosmix_fetch import MosmixSpread
from matewindow.weather.nws_fetch import NationalWeatherService
from matewindow.weather.openmeteo_fetch import OpenMeteo

if TYPE_CHECKING:
    from matewindow.site import Site
    from matewindow.weather.manners import Source
    from matewindow.weather.normal import Weather

__all__ = ["LISTINGS", "Desk", "Listing", "Part", "Question", "Service", "services_for"]


class Service(Protocol):
    """A weather service that can be asked for one part of a site's weather."""

    @property
    def name(self) -> str:
        """Name for tables and messages."""

    @property
    def source(self) -> Source:
        """Whose manners apply."""

    @property
    def part(self) -> Part:
        """What it gives."""

    def serves(self, site: Site) -> bool:
        """Whether the site lies where the service is at home."""

    def question(self, site: Site, desk: Desk) -> Question[Weather]:
        """The request for a site. May itself ask for a grid cell or a station first, and raise ``SourceError``."""


@dataclass(frozen=True)
class Listing:
    """A service as the table of services shows it."""

    service: Service
    region: str
    terms: str
    licence: str
    without_key_for_trade: bool
    gives: str = field(default="")


LISTINGS = (
    Listing(
        OpenMeteo("ensemble"),
        "everywhere",
        "free for non-commercial use, 10,000 weighted calls a day; trade needs a key",
        "CC BY 4.0",
        without_key_for_trade=False,
        gives="ensemble of 51 members, 15 days",
    ),
    Listing(
        OpenMeteo("forecast"),
        "everywhere",
        "as above",
        "CC BY 4.0 (UK Met Office data CC BY-SA 4.0)",
        without_key_for_trade=False,
        gives="one run, 16 days, with the last 10 days",
    ),
    Listing(
        MetNorway("ensemble"),
        "everywhere, best in the Nordic countries",
        "free, also for trade; a contact must be named",
        "CC BY 4.0, NLOD 2.0",
        without_key_for_trade=True,
        gives="11 members made from percentiles, 9 days",
    ),
    Listing(
        MetNorway("forecast"),
        "everywhere, best in the Nordic countries",
        "free, also for trade; a contact must be named",
        "CC BY 4.0, NLOD 2.0",
        without_key_for_trade=True,
        gives="one run, 9 days",
    ),
    Listing(
        NationalWeatherService(),
        "United States",
        "free, also for trade",
        "public domain",
        without_key_for_trade=True,
        gives="one run, 7 days",
    ),
    Listing(
        BrightSky("forecast"),
        "Germany",
        "free, also for trade",
        "DWD, CC BY 4.0",
        without_key_for_trade=True,
        gives="station forecast, 10 days",
    ),
    Listing(
        BrightSky("observed"),
        "Germany",
        "free, also for trade",
        "DWD, CC BY 4.0",
        without_key_for_trade=True,
        gives="station observations",
    ),
    Listing(
        MosmixSpread(),
        "Germany",
        "free, also for trade",
        "DWD, CC BY 4.0",
        without_key_for_trade=True,
        gives="15 members made from DWD's expected errors, 10 days",
    ),
)


def services_for(site: Site, part: Part, *, trade_without_key: bool = False) -> list[Service]:
    """The services that give a part of a site's weather, best first.

    In the Nordic countries MET Norway's forecast comes first; an ensemble of true members always comes before one made
    from percentiles or expected errors.

    Args:
        site: where.
        part: what.
        trade_without_key: leave out those that may not serve trade without a key.
    """
    fit = [
        listing.service
        for listing in LISTINGS
        if listing.service.part == part
        and listing.service.serves(site)
        and (listing.without_key_for_trade or not trade_without_key)
    ]

    def order(service: Service) -> int:
        if part == "forecast" and regions.in_the_north(site):
            return 0 if isinstance(service, MetNorway) else 1
        if isinstance(service, OpenMeteo):
            return 0
        return 2 if isinstance(service, MetNorway) else 1

    return sorted(fit, key=order)
