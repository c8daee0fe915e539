"""The services as the gatherer sees them: each builds its requests and reads its answers.

A service gives one part of the weather: an ``ensemble``, a ``forecast`` (one run), or ``observed`` hours of the last
days. The archive of past years has a module of its own (``archive.py``).
"""

from __future__ import annotations

import json
import time
from contextlib import suppress
from dataclasses import dataclass, field, replace
from datetime import UTC, datetime, timedelta
from typing import TYPE_CHECKING, Literal, Protocol
from urllib.parse import urlsplit

import numpy as np

from matewindow.errors import SourceError, StoreError, WeatherFileError
from matewindow.weather import brightsky, metno, mosmix, nws, openmeteo
from matewindow.weather.budget import open_meteo_weight
from matewindow.weather.http import SourceRequest
from matewindow.weather.live import regions
from matewindow.weather.live.obtain import read_answer
from matewindow.weather.manners import BRIGHT_SKY, DWD, MET_NORWAY, NWS, OPEN_METEO, Source, coordinates
from matewindow.weather.openmeteo_runs import parse_run_metadata

if TYPE_CHECKING:
    from collections.abc import Callable

    from matewindow.site import Site
    from matewindow.weather.entries import Entry
    from matewindow.weather.http import Client, Fetched
    from matewindow.weather.live.addresses import Addresses
    from matewindow.weather.normal import Weather

Part = Literal["ensemble", "forecast", "observed"]

HOURLY = ("temperature_2m", "wind_speed_10m", "precipitation", "shortwave_radiation")
ENSEMBLE_MODEL, ENSEMBLE_MEMBERS = "ecmwf_ifs025_ensemble", 51
AHEAD_D = 16
BEHIND_D = 10
"""Days before today asked of a forecast: they bridge the days that the archive is late."""
FRESH = timedelta(hours=1)
_A_DAY = np.timedelta64(1, "D")


@dataclass(frozen=True)
class Desk:
    """What a service needs to ask: whom, with which addresses and key, and what time it is.

    With ``trade_without_key`` those who may not serve trade without a key are not asked for places either.
    ``monotonic`` gives seconds that never run backwards, for what a pull waits in all.
    """

    client: Client
    addresses: Addresses
    now: datetime
    api_key: str | None = field(default=None, repr=False)
    trade_without_key: bool = False
    monotonic: Callable[[], float] = time.monotonic

    @property
    def hosts(self) -> Addresses:
        """The addresses to use: with a key Open-Meteo is asked at its paid hosts."""
        return self.addresses.with_key() if self.api_key else self.addresses

    @property
    def secrets(self) -> dict[str, str]:
        """The part of an Open-Meteo query that nobody may see."""
        return {"apikey": self.api_key} if self.api_key else {}


@dataclass(frozen=True)
class Question:
    """One request with the reader of its answer.

    ``shared`` marks a request whose answer serves several parts: each is read anew, as only one reading, that of the
    part that was wanted first, is kept beside an answer. ``moving`` names the parameters that change from day to day:
    an answer to yesterday's request is an older answer to the same question.
    """

    request: SourceRequest
    read: Callable[[Fetched], Weather]
    shared: bool = False
    moving: frozenset[str] = frozenset()

    def same_as(self, entry: Entry) -> bool:
        """Whether a stored answer answers this question, though perhaps for other days."""
        return _same(entry, self.request, self.moving)


def _same(entry: Entry, request: SourceRequest, moving: frozenset[str]) -> bool:
    """Whether an entry answers a request, parameters that move from day to day left aside."""
    here, there = ({k: v for k, v in p.items() if k not in moving} for p in (request.params, entry.params))
    return entry.url == request.url and here == there


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

    def question(self, site: Site, desk: Desk) -> Question:
        """The request for a site. May itself ask for a grid cell or a station first, and raise ``SourceError``."""


def site_name(site: Site, source: Source) -> str:
    """Name of a site's folder in the store: its position as the source is told it."""
    return "_".join(coordinates(source, site.latitude, site.longitude))


def openmeteo_params(site: Site) -> dict[str, str]:
    """What every question to Open-Meteo for a site's hours has: place and height, true UTC, SI wind."""
    latitude, longitude = coordinates(OPEN_METEO, site.latitude, site.longitude)
    return {
        "latitude": latitude,
        "longitude": longitude,
        "elevation": f"{site.elevation_m:.0f}",
        "timeformat": "unixtime",
        "wind_speed_unit": "ms",
    }


@dataclass(frozen=True)
class OpenMeteo:
    """Open-Meteo: one run with some days behind it, or an ensemble with counted members."""

    part: Part
    model: str | None = None
    name: str = "Open-Meteo"
    source: Source = OPEN_METEO

    def serves(self, site: Site) -> bool:  # noqa: ARG002
        """Everywhere."""
        return True

    def question(self, site: Site, desk: Desk) -> Question:
        """Hourly values of one place in UTC and SI units."""
        hourly = HOURLY if self.part == "ensemble" else (*HOURLY, "cloud_cover")
        params = openmeteo_params(site) | {"hourly": ",".join(hourly), "forecast_days": str(AHEAD_D)}
        members = 1
        if self.part == "ensemble":
            params["models"], members = self.model or ENSEMBLE_MODEL, ENSEMBLE_MEMBERS
        else:
            params["past_days"] = str(BEHIND_D)
        request = SourceRequest(
            source=self.source,
            url=desk.hosts.openmeteo_ensemble if self.part == "ensemble" else desk.hosts.openmeteo_forecast,
            params=params,
            site=site_name(site, self.source),
            kind=self.part,
            secrets=desk.secrets,
            weight=open_meteo_weight(len(hourly), days=AHEAD_D, members=members),
            fresh=FRESH,
        )
        return Question(request, lambda fetched: self._read(fetched, desk))

    def _read(self, fetched: Fetched, desk: Desk) -> Weather:
        if self.part == "ensemble":
            weather = openmeteo.parse_ensemble(fetched.text)
            weather = replace(weather, provenance=replace(weather.provenance, model=self.model or ENSEMBLE_MODEL))
            return _stamped(weather, fetched, self._run_time(desk))
        weather = openmeteo.parse_forecast(fetched.text)
        first, asked_for = weather.times[0], np.datetime64(fetched.fetched_at.date() - timedelta(days=BEHIND_D), "s")
        if first < asked_for - _A_DAY:  # it tells no run time: that it lives in the past shows in its days only
            raise WeatherFileError(f"it begins on {first.item():%d %B}, {(asked_for - first) // _A_DAY} days too early")
        return _stamped(weather, fetched)

    def _run_time(self, desk: Desk) -> datetime | None:
        """When the run began, from the service's own note about the model; unknown if that cannot be had."""
        model = self.model or ENSEMBLE_MODEL
        request = SourceRequest(
            source=self.source,
            url=desk.hosts.openmeteo_meta.format(model=model),
            params={},
            site="all",
            kind="run",
            secrets=desk.secrets,
            fresh=FRESH / 12,
        )
        try:
            return read_answer(desk, request, lambda fetched: parse_run_metadata(fetched.text)).run_time
        except (SourceError, WeatherFileError):
            return None


@dataclass(frozen=True)
class MetNorway:
    """MET Norway Locationforecast: the expected course, and a pseudo-ensemble from its percentiles."""

    part: Part
    name: str = "MET Norway"
    source: Source = MET_NORWAY

    def serves(self, site: Site) -> bool:  # noqa: ARG002
        """Everywhere; finest in the north."""
        return True

    def question(self, site: Site, desk: Desk) -> Question:
        """Latitude, longitude and whole metres of height."""
        latitude, longitude = coordinates(self.source, site.latitude, site.longitude)
        request = SourceRequest(
            source=self.source,
            url=desk.addresses.metno,
            params={"lat": latitude, "lon": longitude, "altitude": f"{site.elevation_m:.0f}"},
            site=site_name(site, self.source),
            kind="forecast",
        )

        def read(fetched: Fetched) -> Weather:
            if self.part == "forecast":
                return _stamped(metno.parse_locationforecast(fetched.text), fetched)
            members = metno.parse_spread(fetched.text)
            if members is None:
                raise WeatherFileError("it gives no percentiles here", where="MET Norway")
            return _stamped(members, fetched)

        return Question(request, read, shared=True)


@dataclass(frozen=True)
class NationalWeatherService:
    """US National Weather Service: first the grid cell of the place, then its raw forecast."""

    name: str = "US National Weather Service"
    source: Source = NWS
    part: Part = "forecast"

    def serves(self, site: Site) -> bool:
        """The United States."""
        return regions.in_the_united_states(site)

    def question(self, site: Site, desk: Desk) -> Question:
        """The grid cell is asked anew every week: grids move."""
        here = site_name(site, self.source)
        place = ",".join(coordinates(self.source, site.latitude, site.longitude))
        points = SourceRequest(
            source=self.source,
            url=f"{desk.addresses.nws_points}/{place}",
            params={},
            site=here,
            kind="grid-point",
            fresh=timedelta(days=7),
        )
        cell = read_answer(desk, points, lambda f: nws.parse_points(f.text), max_age=timedelta(days=90))
        if urlsplit(cell.forecast_grid_url).hostname != urlsplit(points.url).hostname:
            raise SourceError(self.name, "its answer sends us to another host")
        request = SourceRequest(
            source=self.source, url=cell.forecast_grid_url, params={}, site=here, kind="forecast", fresh=FRESH
        )
        return Question(request, lambda fetched: _stamped(nws.parse_gridpoints(fetched.text), fetched))


_BRIGHT_SKY_REACH = np.timedelta64(8, "D")
"""What is asked for ends nine days ahead or more, and each of DWD's runs reaches ten: a shorter one is two days old."""
_BRIGHT_SKY_DAYS = frozenset({"date", "last_date"})


def _bright_sky_request(site: Site, desk: Desk) -> SourceRequest:
    latitude, longitude = coordinates(BRIGHT_SKY, site.latitude, site.longitude)
    day = desk.now.astimezone(UTC).date()
    return SourceRequest(
        source=BRIGHT_SKY,
        url=desk.addresses.brightsky,
        params={
            "lat": latitude,
            "lon": longitude,
            "date": (day - timedelta(days=BEHIND_D)).isoformat(),
            "last_date": (day + timedelta(days=10)).isoformat(),
            "tz": "Etc/UTC",
        },
        site=site_name(site, BRIGHT_SKY),
        kind="forecast",
        fresh=FRESH,
    )


@dataclass(frozen=True)
class BrightSky:
    """DWD by way of Bright Sky: stations' observations of the last days, and the station forecast."""

    part: Part
    name: str = "Bright Sky (DWD)"
    source: Source = BRIGHT_SKY

    def serves(self, site: Site) -> bool:
        """Germany."""
        return regions.in_germany(site)

    def question(self, site: Site, desk: Desk) -> Question:
        """One request serves both parts."""

        def read(fetched: Fetched) -> Weather:
            answer = brightsky.parse_weather(fetched.text)
            weather = answer.observed if self.part == "observed" else answer.forecast
            if weather is None:
                raise WeatherFileError(f"it has no {self.part} hours here", where="Bright Sky")
            reach = weather.times[-1] - np.datetime64(fetched.fetched_at.replace(tzinfo=None), "s")
            if self.part == "forecast" and reach < _BRIGHT_SKY_REACH:  # it tells no run time
                raise WeatherFileError("its forecast ends too early: it comes from an old run", where="Bright Sky")
            return _stamped(weather, fetched)

        return Question(_bright_sky_request(site, desk), read, shared=True, moving=_BRIGHT_SKY_DAYS)


@dataclass(frozen=True)
class MosmixSpread:
    """DWD MOSMIX: a pseudo-ensemble from the station forecast and the errors that DWD itself expects of it."""

    name: str = "DWD MOSMIX"
    source: Source = DWD
    part: Part = "ensemble"

    def serves(self, site: Site) -> bool:
        """Germany."""
        return regions.in_germany(site)

    def question(self, site: Site, desk: Desk) -> Question:
        """The station is the one that Bright Sky forecasts from."""
        station = self._station(_bright_sky_request(site, desk), desk)
        request = SourceRequest(
            source=self.source,
            url=desk.addresses.mosmix.format(id=station),
            params={},
            site=site_name(site, self.source),
            kind="ensemble",
            expect="bytes",
            fresh=FRESH,
        )
        return Question(
            request, lambda fetched: _stamped(mosmix.spread_members(mosmix.parse_kmz(fetched.body)), fetched)
        )

    @staticmethod
    def _station(request: SourceRequest, desk: Desk) -> str:
        """WMO number of the station; if Bright Sky fails, the one that it named last."""
        try:
            return _forecast_station(desk.client.get(request).text)
        except SourceError:
            store = desk.client.store
            stored = store.entries(source=request.source.name, site=request.site, kind=request.kind)
            for entry in sorted(stored, key=lambda e: e.id, reverse=True):
                with suppress(SourceError, StoreError):
                    if _same(entry, request, _BRIGHT_SKY_DAYS):
                        return _forecast_station(store.body(entry).decode("utf-8", "replace"))
            raise


def _forecast_station(text: str) -> str:
    """WMO number of the station whose forecast an answer of Bright Sky holds."""
    try:
        sources = json.loads(text)["sources"]
        stations = [str(s["wmo_station_id"]) for s in sources if s.get("observation_type") == "forecast"]
    except (ValueError, KeyError, TypeError, AttributeError) as fault:
        raise SourceError("DWD MOSMIX", "no forecast station is known near the site") from fault
    if not stations or not stations[0].isalnum():
        raise SourceError("DWD MOSMIX", "no forecast station is known near the site")
    return stations[0]


def _stamped(weather: Weather, fetched: Fetched, run_time: datetime | None = None) -> Weather:
    """The weather with the time it was fetched, and the run it comes from if that is known."""
    provenance = replace(
        weather.provenance,
        fetched_at=fetched.fetched_at,
        run_time=weather.provenance.run_time or run_time,
        notes=weather.provenance.notes + fetched.notes,
    )
    return replace(weather, provenance=provenance)


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
