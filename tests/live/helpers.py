"""What the tests of live weather share: sites, a clock that counts waits, pulls from the loopback server."""

from __future__ import annotations

from contextlib import contextmanager
from dataclasses import dataclass, field, replace
from datetime import timedelta
from typing import TYPE_CHECKING, Any

from matewindow.biology import Biology, load_biology
from matewindow.graft import GraftDecision, graft_decision
from matewindow.live import LIMITS, Live, live_sources
from matewindow.settings import Settings
from matewindow.site import Site
from matewindow.weather.desk import Desk
from matewindow.weather.http import Client
from matewindow.weather.live.addresses import Addresses
from matewindow.weather.store import WeatherStore
from tests.loopback.exchange import NOW, SetClock

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

    from matewindow.weather.live.gather import Attempt
    from tests.loopback.server import LoopbackServer

GERMANY = Site("Grünau", 50.62, 9.18, 240.0, "Europe/Berlin", exposure=0.7)
"""At an invented station of the loopback server."""
AMERICA = Site("Notch", 44.0125, -71.6625, 310.0, "America/New_York", exposure=0.7)
"""In the middle of a cell of the invented grid of the US service."""
BRITAIN = Site("Ambleholt", 52.14, -1.71, 96.0, "Europe/London", exposure=0.7)
YEARS = 2
"""Past years asked for where their number does not matter; the current one comes on top."""
CONTACT = "keeper@example.org"
BIOLOGY: Biology = load_biology()


ADDRESSES = {
    "openmeteo_forecast": ("open-meteo-forecast", "/v1/forecast"),
    "openmeteo_ensemble": ("open-meteo-ensemble", "/v1/ensemble"),
    "openmeteo_archive": ("open-meteo-archive", "/v1/archive"),
    "openmeteo_previous_runs": ("open-meteo-previous-runs", "/v1/forecast"),
    "openmeteo_single_runs": ("open-meteo-single-runs", "/v1/forecast"),
    "openmeteo_elevation": ("open-meteo-forecast", "/v1/elevation"),
    "openmeteo_geocoding": ("open-meteo-geocoding", "/v1/search"),
    "openmeteo_meta": ("open-meteo-ensemble", "/data/{model}/static/meta.json"),
    "metno": ("met-norway", "/weatherapi/locationforecast/2.0/complete"),
    "nws_points": ("nws", "/points"),
    "brightsky": ("bright-sky", "/weather"),
    "mosmix": ("dwd", "/weather/local_forecasts/mos/MOSMIX_L/single_stations/{id}/kml/MOSMIX_L_LATEST_{id}.kmz"),
}
"""Where each of the program's addresses is spoken by the loopback server."""


def write_addresses(server: LoopbackServer, path: Path) -> Path:
    """Write the file that leads another process to a loopback server, for ``MATEWINDOW_ADDRESSES_FILE``."""
    lines = [f'{name} = "{server.url(service)}{rest}"' for name, (service, rest) in ADDRESSES.items()]
    path.write_text("\n".join(lines) + "\n", encoding="utf-8")
    return path


class CountingClock(SetClock):
    """A clock that stands still and adds up how long the program would have slept."""

    def __init__(self) -> None:
        super().__init__(NOW)
        self.slept_s = 0.0

    def sleep(self, seconds: float) -> None:
        """Wait without waiting."""
        self.slept_s += seconds
        super().sleep(seconds)

    def monotonic(self) -> float:
        """Seconds that pass, with those that were not waited for."""
        return super().monotonic() + self.slept_s


def settings_of(folder: Path, **more: Any) -> Settings:
    """Settings with a contact and a store in a folder."""
    return Settings(**{"contact": CONTACT, "store_folder": folder, **more})


@contextmanager
def desk_at(server: LoopbackServer, folder: Path, **more: Any) -> Iterator[Desk]:
    """A desk as ``open_desk`` makes it, its calls led to the loopback server."""
    settings = settings_of(folder, **more)
    store = WeatherStore.at_home(settings, now=server.clock.now)
    with Client(settings, store, server.clock, limits=LIMITS, session=server.session()) as client:
        barred = settings.trade and settings.openmeteo_api_key is None
        key, ticks = settings.openmeteo_api_key, server.clock.monotonic
        yield Desk(client, Addresses(), server.clock.now(), key, trade_without_key=barred, monotonic=ticks)


def pull(server: LoopbackServer, site: Site, folder: Path, *, years: int = YEARS, **more: Any) -> Live:
    """Pull a site's weather as the command line does."""
    with desk_at(server, folder, **more) as desk:
        return live_sources(site, BIOLOGY, desk, settings_of(folder, **more), years=years)


def decide(live: Live, site: Site, server: LoopbackServer, days: int = 7) -> GraftDecision:
    """The graft decision from today on."""
    now = server.clock.now()
    return graft_decision(site, live.sources, now.date(), days, now, BIOLOGY)


def attempts(live: Live, part: str) -> list[Attempt]:
    """What was tried for a part."""
    return [a for a in live.gathered.attempts if a.part == part]


def answered(live: Live, part: str) -> str:
    """Who answered for a part, and how: "Open-Meteo, fresh"; "nobody" if none did."""
    for a in attempts(live, part):
        if a.outcome not in ("failed", "left out", "incomplete"):
            return f"{a.service}, {a.outcome}"
    return "nobody"


def sound(folder: Path, server: LoopbackServer) -> bool:
    """Whether everything in a store is whole and nothing was ever set aside."""
    store = WeatherStore(folder, now=server.clock.now)
    return store.verify() == 0 and store.state().n_set_aside == 0


def later(server: LoopbackServer, **span: float) -> None:
    """Let time pass for the services and the program."""
    server.clock.advance(timedelta(**span))


@dataclass
class Stopwatch:
    """Seconds that something takes, with those that the program would have slept."""

    clock: CountingClock
    seconds: float = field(default=0.0, init=False)

    def __enter__(self) -> Stopwatch:
        self._begun_s = self.clock.monotonic()
        return self

    def __exit__(self, *error: object) -> None:
        self.seconds = self.clock.monotonic() - self._begun_s


def elsewhere(site: Site, **changes: Any) -> Site:
    """The same site with other values."""
    return replace(site, **changes)
