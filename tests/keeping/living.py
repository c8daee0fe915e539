"""A service on live weather whose weather services are the loopback server: its parts, and another process's view of it.

All weather, sites and records are invented.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from typing import TYPE_CHECKING, Any

from api.app import create_app
from api.service import Service
from matewindow.biology import load_biology
from matewindow.keeping.jobs import Jobs
from matewindow.keeping.judging import Judging
from matewindow.keeping.livedesk import LiveDesk
from matewindow.keeping.outlooks import Keeper
from matewindow.keeping.refresh import Refresher
from matewindow.outbound import Guard
from matewindow.outbound_networks import allowed_networks
from matewindow.register.access import Access
from matewindow.register.register import Register
from matewindow.webhooks.endpoints import Endpoints
from matewindow.webhooks.sender import Sender
from tests.keeping.made import ME
from tests.loopback.scenario import Scenario
from tests.service.made import Client, edge

if TYPE_CHECKING:
    from collections.abc import Callable

    from matewindow.register.database import Database
    from matewindow.settings import Settings
    from matewindow.weather.http import Clock
    from tests.loopback.server import LoopbackServer

BIOLOGY = load_biology()
YEARS = 2
PLACE: dict[str, Any] = {
    "name": "Ambleholt (invented)",
    "latitude": 52.14,
    "longitude": -1.71,
    "elevation_m": 96.0,
    "timezone": "Europe/London",
    "exposure": 0.7,
}
GRAFT = {"name": "May graft", "grafted_on": "2026-05-09", "n_grafted": 30}
"""Virgins emerge on 21 May; their prime window runs from 27 May to 4 June, its late end to 11 June."""
FINE = Scenario(seed=1, dry_outside=True, warmer_c=1.0)
WET = FINE.with_spell(datetime(2026, 5, 28, tzinfo=UTC), datetime(2026, 6, 17, tzinfo=UTC))


@dataclass
class Living:
    """One process of the service."""

    database: Database
    settings: Settings
    clock: Clock
    years: int = YEARS

    def __post_init__(self) -> None:
        now: Callable[[], datetime] = self.clock.now
        self.register = Register(self.database, BIOLOGY, now)
        self.desk = LiveDesk(self.settings, BIOLOGY, self.database, self.clock, years=self.years)
        self.keeper = Keeper(self.register, self.desk, Judging(BIOLOGY, now))
        self.refresher, self.jobs = Refresher(self.keeper), Jobs(self.database, now)
        guard = Guard(allowed_networks("127.0.0.1"))
        self.sender = Sender(self.database, guard, now)
        self.endpoints = Endpoints(self.database, guard, now)
        access = Access(self.database, now)
        self.service = Service(
            self.register,
            access,
            self.keeper,
            self.desk,
            self.keeper.models,
            now,
            self.jobs,
            open_door=True,
            guard=guard,
        )

    def client(self) -> Client:
        """Asks this process over HTTP."""
        return Client(create_app(self.service, edge()))

    def again(self) -> Living:
        """Another process on the same register, with nothing in memory yet."""
        return Living(self.database, self.settings, self.clock, self.years)

    def add(self, **graft: Any) -> tuple[str, str]:
        """A site with a batch."""
        site = str(self.register.add("site", PLACE, ME)["id"])
        return site, str(self.register.add("batch", {"site_id": site} | GRAFT | graft, ME)["id"])

    def refresh(self) -> int:
        """Refresh what is due; how many sites were."""
        return sum(1 for _ in self.refresher.refresh_many(self.refresher.due()))


def later(server: LoopbackServer, **span: float) -> None:
    """Let time pass for the services and the program, and forget what was asked until now."""
    server.clock.advance(timedelta(**span))
    server.forget()


def asked(server: LoopbackServer) -> list[str]:
    """What was asked, without the look-ups of the newest run's time."""
    return [e.request.service for e in server.calls() if "/v1/" in e.path or not e.request.service.startswith("open-")]
