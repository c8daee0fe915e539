"""What the tests of keeping share: invented weather at a desk of its own, and registers filled at once.

Nothing here was ever measured.
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from datetime import UTC, date, datetime, timedelta
from typing import TYPE_CHECKING, Any

import numpy as np

from matewindow.biology import Biology
from matewindow.errors import SourceError
from matewindow.keeping.weather import AtHand, Held, PastRuns, stamp_of
from matewindow.paths import Sources
from matewindow.register.ids import new_id
from matewindow.register.tables import batches, sites
from matewindow.storedruns import NO_RUNS
from tests.made_weather import changeable

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator, Sequence

    import sqlalchemy as sa

    from matewindow.register.database import Database
    from matewindow.site import Site
    from matewindow.siteweather import SiteWeather

NOW = datetime(2026, 5, 27, 6, 0, tzinfo=UTC)
LONGITUDE = 0.0
"""Solar days are then UTC days, as those of ``tests.made_weather``."""
_SITE: dict[str, Any] = {
    "version": 1,
    "deleted_at": None,
    "elevation_m": 90.0,
    "timezone": "Europe/London",
    "exposure": 0.8,
    "thresholds": {},
    "notes": "",
}
_BATCH: dict[str, Any] = {
    "version": 1,
    "deleted_at": None,
    "breeder_queen": "",
    "drone_stock": "",
    "kept_in": "builder",
    "notes": "",
    "n_grafted": 30,
}


def invented(seed: int = 1, *, warmth_c: float = 19.0, years: int = 30, members: int = 51) -> Sources:
    """A record of this season, an ensemble of today over 16 days and past years."""
    rng = np.random.default_rng(seed)
    today = np.datetime64(NOW.date(), "D")
    start = np.datetime64(f"{2026 - years}-01-01", "D")
    n_days = int((np.datetime64("2026-01-01", "D") - start).astype(np.int64))
    past = changeable(str(start), n_days, rng)
    return Sources(
        observed=changeable("2026-03-01", 101, rng),  # up to 9 June; what lies ahead is not looked at
        members=changeable(str(today), 16, rng, n_series=members, kind="ensemble", warmth_c=warmth_c),
        past=past.window_only,
    )


def wet(sources: Sources) -> Sources:
    """The same weather with rain in every hour of the forecast."""
    assert sources.members is not None
    rain = np.full_like(sources.members.temp_c, 1.5)
    return replace(sources, members=replace(sources.members, rain_mm=rain))


def of_run(sources: Sources, run: datetime) -> Sources:
    """The same weather as another run of the model tells it."""
    assert sources.members is not None
    told = replace(sources.members.provenance, run_time=run)
    return replace(sources, members=replace(sources.members, issued=np.datetime64(run.date(), "D"), provenance=told))


def moved(sources: Sources, by_days: int) -> Sources:
    """The same weather so many days later."""

    def later(part: SiteWeather | None) -> SiteWeather | None:
        if part is None:
            return None
        issued = None if part.issued is None else part.issued + by_days
        return replace(part, days=part.days + by_days, issued=issued)

    return replace(sources, observed=later(sources.observed), members=later(sources.members), past=later(sources.past))


@dataclass
class InventedDesk:
    """Gives the weather that it is told to give; counts how often it was asked.

    Attributes:
        biology: parameters.
        weathers: shared by the sites in turn.
        broken: errors to be given instead, by site id.
        asked: every site id that a refresh asked for, in order.
    """

    biology: Biology
    weathers: Sequence[Sources]
    broken: dict[str, Exception] = field(default_factory=dict)
    asked: list[str] = field(default_factory=list)
    on_ask: Callable[[str], None] = lambda _: None
    on_store: Callable[[], None] = lambda: None
    _stamps: dict[int, tuple[Sources, str]] = field(default_factory=dict)

    def stamp(self, site_id: str, site: Site) -> str | None:
        return self._stamp(self._of(site))

    def held(self, site_id: str, site: Site) -> Held:
        sources = self._of(site)
        return Held(site, sources, self._stamp(sources), NOW)

    def refresh(self, site_id: str, site: Site, on_year: Callable[[int, int], None] | None = None) -> Held:
        self.asked.append(site_id)
        self.on_ask(site_id)
        if on_year is not None:
            on_year(1, 1)
        if site_id in self.broken:
            raise self.broken[site_id]
        return self.held(site_id, site)

    def refresh_many(self, sites: Sequence[tuple[str, Site]]) -> Iterator[tuple[str, Held | AtHand | Exception]]:
        for site_id, site in sites:
            try:
                yield site_id, self.refresh(site_id, site)
            except Exception as fault:
                yield site_id, fault

    def store(self, connection: sa.Connection, site_id: str, held: Held) -> None:
        """It gives the same again by itself."""
        self.on_store()

    def past_runs(self, site_id: str, held: Held) -> PastRuns:
        """No forecasts were kept."""
        return PastRuns(NO_RUNS)

    def forget(self, site_id: str) -> None:
        """Nothing is held."""

    def _of(self, site: Site) -> Sources:
        if not self.weathers:
            raise SourceError("The invented service", "it has no weather")
        return self.weathers[int(site.name.rpartition(" ")[2]) % len(self.weathers)]

    def _stamp(self, sources: Sources) -> str:
        if id(sources) not in self._stamps:
            self._stamps[id(sources)] = sources, stamp_of(sources)  # held, or another would get its id
        return self._stamps[id(sources)][1]


def fill(database: Database, n_sites: int, n_batches: int, now: datetime = NOW) -> list[str]:
    """Put sites with batches into a register, all at once; the ids of the sites.

    The batches of a site are grafted on as many days of the last forty, from the day before yesterday back.
    """
    rng = np.random.default_rng(n_sites)
    times = {"created_at": now - timedelta(days=60), "changed_at": now - timedelta(days=60)}
    places = rng.random((n_sites, 2))
    site_rows = [
        _SITE
        | times
        | {
            "id": new_id("site", now),
            "name": f"Invented yard {i}",
            "latitude": 51.0 + 2.0 * float(places[i, 0]),
            "longitude": LONGITUDE + 0.4 * float(places[i, 1]),
        }
        for i in range(n_sites)
    ]
    batch_rows = [
        _BATCH
        | times
        | {
            "id": new_id("batch", now),
            "site_id": site["id"],
            "name": f"Batch {i}",
            "grafted_on": _graft_day(now.date(), i, n_batches),
        }
        for site in site_rows
        for i in range(n_batches)
    ]
    with database.write() as connection:
        connection.execute(sites.insert(), site_rows)
        for start in range(0, len(batch_rows), 2_000):
            connection.execute(batches.insert(), batch_rows[start : start + 2_000])
    return [site["id"] for site in site_rows]


def _graft_day(today: date, i: int, n_batches: int) -> date:
    return today - timedelta(days=2 + 40 * i // max(n_batches, 2) % 40)
