"""What the tests of many sites share: invented sites, a desk for many, and weather that is alike within a grid cell."""

from __future__ import annotations

from contextlib import contextmanager
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np

from matewindow.settings import Settings
from matewindow.site import Site
from matewindow.weather.desk import Desk
from matewindow.weather.http import Client
from matewindow.weather.live.addresses import Addresses
from matewindow.weather.live.cells import cell_of
from matewindow.weather.live.many import MANY_LIMITS
from matewindow.weather.store import WeatherStore
from tests.live.helpers import CONTACT
from tests.loopback.scenario import Hours, Place, Scenario

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence
    from pathlib import Path

    from numpy.typing import ArrayLike

    from tests.loopback.exchange import Exchange
    from tests.loopback.server import LoopbackServer

APART = tuple(
    Site(name, latitude, longitude, height_m, "Europe/London", exposure=0.7)
    for name, latitude, longitude, height_m in (
        ("Hill", 52.13, -1.74, 210.0),
        ("Dale", 52.61, -2.31, 45.0),
        ("Moor", 53.40, -1.93, 330.0),
    )
)
"""Three sites in three cells; invented."""


@dataclass(frozen=True)
class InCells(Scenario):
    """The invented weather, alike over a cell where the model is coarse. Heights stay those of the site."""

    def truth(self, place: Place, stamps: ArrayLike) -> Hours:
        return super().truth(_middle(place), stamps)

    def forecast(
        self, place: Place, stamps: ArrayLike, run_s: ArrayLike, model: str, members: Sequence[int] = (0,)
    ) -> Hours:
        return super().forecast(_middle(place) if "025" in model else place, stamps, run_s, model, members)


def _middle(place: Place) -> Place:
    row, column = cell_of(place.latitude, place.longitude)
    return Place(0.25 * row, (0.25 * column + 180.0) % 360.0 - 180.0, place.height_m)


def invented_sites(n: int, *, side_km: float = 40.0, high_m: float = 140.0, seed: int = 1) -> list[Site]:
    """Sites in a square in the English Midlands, positions and heights from 40 m up drawn at random."""
    drawn = np.random.default_rng(seed).random((n, 3))
    return [
        Site(
            f"site {i}",
            51.6 + 0.009 * side_km * a,
            -2.2 + 0.0145 * side_km * b,
            40.0 + (high_m - 40.0) * c,
            "Europe/London",
            exposure=0.7,
        )
        for i, (a, b, c) in enumerate(drawn)
    ]


@contextmanager
def many_desk(server: LoopbackServer, folder: Path, **more: Any) -> Iterator[Desk]:
    """A desk for many sites, its calls led to the loopback server."""
    limits, key = more.pop("limits", MANY_LIMITS), more.get("openmeteo_api_key")
    settings = Settings(**{"contact": CONTACT, "store_folder": folder, **more})
    store = WeatherStore.at_home(settings, now=server.clock.now)
    with Client(settings, store, server.clock, limits=limits, session=server.session()) as client:
        yield Desk(client, Addresses(), server.clock.now(), key, monotonic=server.clock.monotonic)


def weather_calls(server: LoopbackServer, service: str = "open-meteo") -> list[Exchange]:
    """Requests for weather, without those for the time of the newest run."""
    return [e for e in server.calls(service) if "/v1/" in e.path]


def places_asked(call: Exchange) -> int:
    return len(call.request.items("latitude"))
