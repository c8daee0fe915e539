"""Weather from the services, for the service: asked at refreshes, answered from memory or the register in between."""

from __future__ import annotations

import logging
from collections import defaultdict
from dataclasses import replace
from datetime import timedelta
from threading import Lock
from typing import TYPE_CHECKING

from matewindow.errors import MatewindowError, SourceError
from matewindow.keeping import kepttables
from matewindow.keeping.asheld import from_bytes, held_of, to_bytes, unfinished
from matewindow.keeping.kepttables import NEVER, Kept, place_of
from matewindow.keeping.olderyears import OlderYears, keep_until, more_years, years_from
from matewindow.keeping.weather import AtHand, Held, HeldSites, NewPast, PastRuns
from matewindow.live import MANY_LIMITS, live_sources, live_sources_many, open_desk
from matewindow.sources import site_biology
from matewindow.storedruns import StoredRuns
from matewindow.weather.budget import OPEN_METEO_PERIODS, open_meteo_weight
from matewindow.weather.desk import AHEAD_D, BEHIND_D
from matewindow.weather.entries import DamagedError
from matewindow.weather.http import Clock
from matewindow.weather.live.archive import YEARS
from matewindow.weather.live.cells import neighbours
from matewindow.weather.openmeteo_fetch import ENSEMBLE_MEMBERS, HOURLY, WITH_CLOUD
from matewindow.weather.store import WeatherStore
from matewindow.weather.transport import Limits

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator, Sequence

    import sqlalchemy as sa

    from matewindow.biology import Biology
    from matewindow.keptpast import KeptPast
    from matewindow.live import Live
    from matewindow.register.database import Database
    from matewindow.settings import Settings
    from matewindow.site import Site
    from matewindow.weather.desk import Desk

_log = logging.getLogger(__name__)

LIMITS = Limits(connect_s=5.0, read_s=15.0, total_s=30.0, tries=3, longest_wait_s=10.0)
"""Nobody waits for a refresh, so a slow service gets its time."""
SOONEST, LATEST = timedelta(hours=3), timedelta(hours=12)
"""How often the services are asked. Forecasts are renewed two to four times a day; past twelve hours results say that
theirs is old."""
_PART_OF_BUDGET = 0.6
"""Share of a day's free calls that refreshes may take; the rest is for first fetches of past years, and for people."""
_NOTHING_YET = "it holds nothing of this site yet; the first refresh fetches it"


class LiveDesk:
    """Weather pulled from open services.

    Args:
        settings: of the process.
        biology: parameters for laying weather on a site's days: those of flight, which no model sets.
        database: of the register, where the weather is kept between refreshes.
        clock: gives the present; None = the real one.
        years: past years wanted.
        limits: time limits of the requests of a refresh for one site.
    """

    def __init__(
        self,
        settings: Settings,
        biology: Biology,
        database: Database,
        clock: Clock | None = None,
        *,
        years: int = YEARS,
        limits: Limits = LIMITS,
    ) -> None:
        self._settings, self._biology, self._database = settings, biology, database
        self._clock, self._limits, self._years = clock or Clock(), limits, years
        self._sites = HeldSites()
        self._reading = Lock()

    # --- what is held -----------------------------------------------------------------------------------------

    def stamp(self, site_id: str, site: Site) -> str | None:
        """That of the last refresh, by whichever process; None = there was none for the site where it is now."""
        with self._database.read() as connection:
            kept = kepttables.kept_of(connection, [site_id]).get(site_id)
        return kept.stamp if kept is not None and kept.place == self._place(site) else None

    def held(self, site_id: str, site: Site) -> Held:
        """What memory, the register or the store on disk has; nobody is asked.

        Raises:
            SourceError: nothing has been fetched for this site yet, or what was fetched is too old.
        """
        stamp = self.stamp(site_id, site)
        with self._reading:
            held = self._sites.get(site_id)
            if held is not None and self._place(held.site) == self._place(site) and stamp in (None, held.stamp):
                return held.at(site)
            held = None if stamp is None else self._kept(site_id, site)
            return self._sites.put(site_id, held or self._offline(site))

    def forget(self, site_id: str) -> None:
        """Drop what is held in memory of a site."""
        self._sites.drop(site_id)

    def past_runs(self, site_id: str, held: Held) -> PastRuns:
        """Those in the store on this machine's disk; the rain of all hours is that of the older years."""
        runs = StoredRuns.of_store(WeatherStore.at_home(self._settings), held.site)
        if not runs:
            return PastRuns(runs)
        older = self._older(site_id, held.site, site_biology(held.site, self._biology))
        return PastRuns(runs, None if older is None else older.kept.with_whole_rain(held.site))

    def store(self, connection: sa.Connection, site_id: str, held: Held) -> None:
        """Keep what a refresh gave in the register, within a transaction."""
        now = held.asked_at
        assert now is not None
        fresh = Kept(held.stamp, self._place(held.site), NEVER if unfinished(held) else now)
        there = kepttables.kept_of(connection, [site_id]).get(site_id)
        same = there is not None and (there.stamp, there.place) == (fresh.stamp, fresh.place)
        if held.new_past is not None:
            assert held.older is not None
            kepttables.write_past(connection, site_id, held.new_past.body, held.new_past.edition, held.older, now)
        body = None if same and held.new_past is None else to_bytes(held)
        kepttables.write_weather(connection, site_id, fresh, body)

    def _kept(self, site_id: str, site: Site) -> Held | None:
        """What the register has; None if it is damaged."""
        biology = site_biology(site, self._biology)
        with self._database.read() as connection:
            row = kepttables.read_weather(connection, site_id)
            older = kepttables.read_past(connection, site_id, site, biology.flight)
        try:
            return None if row is None else from_bytes(row[1], row[0], site, older)
        except DamagedError as fault:
            _log.warning("weather of site %s is read anew: %s", site_id, fault)
            return None

    def _offline(self, site: Site) -> Held:
        """What the store on disk has, for a register that no refresh has reached yet."""
        biology = site_biology(site, self._biology)
        with open_desk(self._settings, self._clock, self._limits, offline=True) as desk:
            try:
                live = live_sources(site, biology, desk, self._settings, years=self._years)
            except SourceError as fault:
                raise SourceError("The weather store", _NOTHING_YET) from fault
        return held_of(site, live)

    # --- refreshes --------------------------------------------------------------------------------------------

    def refresh(self, site_id: str, site: Site, on_year: Callable[[int, int], None] | None = None) -> Held:
        """Ask the services for what is due.

        Raises:
            SourceError: nobody gave anything and nothing usable is in the store.
        """
        biology = site_biology(site, self._biology)
        with open_desk(self._settings, self._clock, self._limits) as desk:
            older = self._older(site_id, site, biology)
            kept = None if older is None else older.kept
            years = self._years if older is None else years_from(older.end, desk)
            live = live_sources(site, biology, desk, self._settings, on_year=on_year, years=years, kept=kept)
            return self._came(site_id, site, biology, live, older, desk)

    def refresh_many(self, sites: Sequence[tuple[str, Site]]) -> Iterator[tuple[str, Held | AtHand | Exception]]:
        """The same for many sites, on shared requests. Sites whose weather is young enough are not asked for."""
        ids = [site_id for site_id, _ in sites]
        with self._database.read() as connection:
            kept, ends = kepttables.kept_of(connection, ids), kepttables.ends_of(connection, ids)
        now, pace, due = self._clock.now(), self.pace([site for _, site in sites]), []
        for site_id, site in sites:
            there = kept.get(site_id)
            if there is None or there.place != self._place(site) or not timedelta() <= now - there.asked_at < pace:
                due.append((site_id, site))
            else:
                yield site_id, AtHand(there.stamp)
        if not due:
            return
        with open_desk(self._settings, self._clock, MANY_LIMITS) as desk:
            groups = defaultdict(list)
            for site_id, site in due:
                end = ends.get(site_id)
                groups[self._years if end is None else years_from(end, desk)].append((site_id, site))
            for years, group in groups.items():
                yield from self._asked(group, years, desk)

    def pace(self, sites: Sequence[Site]) -> timedelta:
        """How long weather serves until the services are asked again: so many sites must share the free budget."""
        if self._settings.openmeteo_api_key is not None:
            return SOONEST
        one_ensemble = open_meteo_weight(len(HOURLY), days=AHEAD_D, members=ENSEMBLE_MEMBERS)
        one_forecast = open_meteo_weight(len(WITH_CLOUD), days=AHEAD_D + BEHIND_D)
        weight = one_forecast * len(sites) + one_ensemble * sum(1 for _ in neighbours(sites))
        a_day = _PART_OF_BUDGET * OPEN_METEO_PERIODS[-1].limit
        return min(LATEST, max(SOONEST, timedelta(days=weight / a_day)))

    def _asked(
        self, group: Sequence[tuple[str, Site]], years: int, desk: Desk
    ) -> Iterator[tuple[str, Held | Exception]]:
        """Ask for sites of which equally many past years are kept."""
        ids = {id(site): site_id for site_id, site in group}
        at_hand: dict[str, OlderYears | None] = {}  # of the site that is being made ready: each takes megabytes

        def kept(site: Site) -> KeptPast | None:
            older = self._older(ids[id(site)], site, site_biology(site, self._biology))
            at_hand.clear()
            at_hand[ids[id(site)]] = older
            return None if older is None else older.kept

        asked = [site for _, site in group]
        for site, outcome in live_sources_many(asked, self._biology, desk, self._settings, years=years, kept=kept):
            site_id = ids[id(site)]
            if isinstance(outcome, Exception):
                yield site_id, outcome
                continue
            older = at_hand.get(site_id)
            try:
                if older is None and years < self._years:  # what was kept cannot be read any more
                    yield site_id, self.refresh(site_id, site)
                else:
                    biology = site_biology(site, self._biology)
                    yield site_id, self._came(site_id, site, biology, outcome, older, desk)
            except MatewindowError as fault:
                yield site_id, fault

    def _came(
        self, site_id: str, site: Site, biology: Biology, live: Live, older: OlderYears | None, desk: Desk
    ) -> Held:
        """Weather that has just come, with the older years in the form in which they are kept."""
        more = more_years(older, live, site, biology, keep_until(desk))
        held = self._sites.put(site_id, held_of(site, live, more or older))
        new_past = None if more is None else NewPast(more.kept.as_bytes(), more.edition)
        return replace(held, asked_at=desk.now, new_past=new_past)

    def _older(self, site_id: str, site: Site, biology: Biology) -> OlderYears | None:
        with self._database.read() as connection:
            return kepttables.read_past(connection, site_id, site, biology.flight)

    def _place(self, site: Site) -> str:
        return place_of(site, site_biology(site, self._biology).flight)
