"""Weather of many sites: few requests first, then site by site what they did not give.

How the answers are shared out:

- the forecast, with a mesh of 2 km, is asked for every site, a hundred in a request;
- ensemble and past years, with a mesh of 0.25 degrees, are asked for once in a cell, and moved by height for the other
  sites in it (``cells.py``). For 1,000 sites in a square of 100 km a side the ensemble so weighs under 1,000 calls
  instead of 23,300, of which the service gives 10,000 a day;
- observations, and everything that fails, are asked for site by site (``gather``).

What is kept: every answer once, under the site that was asked for, where a later call for that site alone finds it
fresh. The sites that share it get no copy in the store: those of 1,000 sites with 30 years would fill more than 3 GB,
seven times what the store is allowed. ``adopt`` gives one of them its own when it is needed, without asking anybody.
"""

from __future__ import annotations

import time
from collections.abc import Mapping
from contextlib import suppress
from dataclasses import replace
from typing import TYPE_CHECKING

from matewindow.errors import InputError, SourceError, WeatherFileError
from matewindow.weather.entries import Received
from matewindow.weather.folder import WeatherFolder
from matewindow.weather.live.archive import YEARS, archive_question, fetch_archive, years_wanted
from matewindow.weather.live.batches import Batches, Wanted, fresh_entry
from matewindow.weather.live.cells import SHARED_WITHIN_M, asked_for, cell_of, height_m, is_moved, moved, neighbours
from matewindow.weather.live.gather import MAX_AGE, Attempt, Gathered, InHand, gather
from matewindow.weather.live.obtain import obtain
from matewindow.weather.live.patience import Patience
from matewindow.weather.live.services import OpenMeteo, services_for, site_name
from matewindow.weather.manners import OPEN_METEO
from matewindow.weather.transport import Limits

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable, Iterator, Sequence
    from pathlib import Path

    from matewindow.site import Site
    from matewindow.weather.entries import Entry
    from matewindow.weather.live.services import Desk, Part, Question
    from matewindow.weather.normal import Weather

MANY_LIMITS = Limits(connect_s=2.0, read_s=15.0, total_s=30.0, tries=2, longest_wait_s=1.0)
"""For the desk of a pull for many sites: answers are larger, and nobody waits for them at the hive."""
_CELLS_HELD = 2
_WORTH = {"analysis": 2, "ensemble": 1}
"""What it is worth that a site's answers are in the store already, by their kind."""
_PLACE = frozenset({"latitude", "longitude", "elevation"})


def gather_many(
    sites: Sequence[Site],
    desk: Desk,
    *,
    trade_without_key: bool = False,
    years: int = YEARS,
    wait_s: float = 0.0,
    sleep: Callable[[float], None] = time.sleep,
    patience: Patience | None = None,
) -> ManySites:
    """Get the weather of many sites, with one request for many where the service allows it.

    All such requests are made here, the ensemble first, then the forecast, then the years from the nearest on.

    Args:
        sites: where; each with a name of its own.
        desk: client, addresses, clock, key; better one with ``MANY_LIMITS``.
        trade_without_key: leave out services that may not serve trade without a key.
        years: past years wanted.
        wait_s: how long to wait in all for room in the budget, which opens anew every minute and hour. For what finds
            none other services are asked, and past years are lacking until another pull.
        sleep: waits so many seconds.
        patience: what slow calls have cost this pull.

    Returns:
        The weather by the name of the site.

    Raises:
        InputError: two sites bear the same name.
    """
    by_name: dict[str, Site] = {}
    for site in sites:
        if site.name in by_name:
            raise InputError(f"two sites are called {site.name!r}", fix="Give each site a name of its own.")
        by_name[site.name] = site
    patience = patience or Patience(desk.monotonic)
    bands = list(neighbours(sites))
    asked = [asked_for(band, lambda s: _worth(s, desk)) for band in bands]
    if not trade_without_key:
        batches = Batches(desk, patience, sleep, wait_s)
        batches.ask(_wanted(asked, "ensemble", desk))
        batches.ask(_wanted(by_name.values(), "forecast", desk))
        for year in years_wanted(desk, years):
            if not batches.ask([Wanted(s, archive_question(s, desk, year)) for s in asked]):
                break
    giver = {site.name: giver for giver, band in zip(asked, bands, strict=True) for site in band}
    return ManySites(by_name, giver, desk, patience, years=years, trade_without_key=trade_without_key)


class ManySites(Mapping[str, Gathered]):
    """The weather of many sites by their names, put together when it is looked up, and not held.

    Thirty years of a thousand sites would fill 8 GB of memory; so take one after the other. They come cell by cell, as
    what a cell's sites share is read from the store once. What no answer for many has given is asked for when the site
    is looked up. A site for which nothing was got has an empty folder, and its attempts say why.
    """

    def __init__(
        self,
        sites: Mapping[str, Site],
        giver: Mapping[str, Site],
        desk: Desk,
        patience: Patience,
        *,
        years: int,
        trade_without_key: bool,
    ) -> None:
        self._sites, self._giver = sites, giver
        self._desk, self._patience, self._years = desk, patience, years
        self._barred = trade_without_key
        self._held: dict[str, InHand] = {}

    def __len__(self) -> int:
        return len(self._sites)

    def __contains__(self, name: object) -> bool:
        return name in self._sites

    def __iter__(self) -> Iterator[str]:
        return iter(self._giver)

    def __getitem__(self, name: str) -> Gathered:
        site = self._sites[name]
        try:
            return gather(
                site,
                self._desk,
                trade_without_key=self._barred,
                years=self._years,
                patience=self._patience,
                in_hand=None if self._barred else self._in_hand(site),
            )
        except SourceError as failure:
            return Gathered(WeatherFolder(), [Attempt(failure.source, "weather", "failed", reason=failure.reason)])

    def _in_hand(self, site: Site) -> InHand:
        """What the answers for the site's cell give for it."""
        giver = self._giver[site.name]
        if giver.name not in self._held:
            self._held = dict([*self._held.items()][1 - _CELLS_HELD :]) | {giver.name: self._of_cell(giver)}
        held = self._held[giver.name]
        return held if giver is site else _moved(held, height_m(giver), height_m(site))

    def _of_cell(self, giver: Site) -> InHand:
        """Ensemble and past years of the site that was asked for in a cell; None where its neighbours must ask."""
        hung, ensemble = self._patience.hung(OPEN_METEO.name), None
        for wanted in _wanted([giver], "ensemble", self._desk):
            spared = self._patience.spent
            self._patience.begin()
            with suppress(SourceError, WeatherFileError):  # then whoever needs it asks, and tells the reason
                ensemble = obtain(wanted.question, giver, self._desk, max_age=MAX_AGE, not_asked=hung, spared=spared)
            self._patience.end(OPEN_METEO.name, failed=ensemble is None or ensemble.stale)
        archive = fetch_archive(giver, self._desk, years=self._years, patience=self._patience, not_asked=hung)
        return InHand(ensemble, archive if hung or archive.record is not None else None)


def _moved(held: InHand, from_m: int, to_m: int) -> InHand:
    ensemble, archive = held.ensemble, held.archive
    if ensemble is not None:
        ensemble = replace(ensemble, weather=moved(ensemble.weather, from_m, to_m))
    if archive is not None and archive.record is not None:
        archive = replace(archive, record=moved(archive.record, from_m, to_m))
    return InHand(ensemble, archive)


def _wanted(sites: Iterable[Site], part: Part, desk: Desk) -> list[Wanted]:
    """The sites for which Open-Meteo is the first to be asked for a part."""
    found = []
    for site in sites:
        service = services_for(site, part)[0]
        if isinstance(service, OpenMeteo):
            found.append(Wanted(site, service.question(site, desk)))
    return found


# --- what the store has of a neighbour --------------------------------------------------------------------------


def _home(desk: Desk) -> Path:
    """The folder of the store in which every site of Open-Meteo has one."""
    return desk.client.store.folder / "entries" / OPEN_METEO.name


def _worth(site: Site, desk: Desk) -> int:
    home = _home(desk) / site_name(site, OPEN_METEO)
    return sum(worth for kind, worth in _WORTH.items() if (home / kind).is_dir())


def adopt(site: Site, desk: Desk, *, years: int = YEARS) -> int:
    """Give a site answers of its own from those that a neighbour in its cell got and that are still fresh.

    A pull for this site alone then finds them, and asks for the rest only. Nobody is asked here.

    Args:
        site: where.
        desk: its store, and its clock.
        years: past years wanted.

    Returns:
        How many answers were taken over.

    Raises:
        StoreError: the store cannot be read or written.
    """
    near = _names_near(site, desk)
    if not near:
        return 0
    questions = [w.question for w in _wanted([site], "ensemble", desk)]
    questions += [archive_question(site, desk, year) for year in years_wanted(desk, years)]
    entries = {kind: _entries_of(near, kind, desk) for kind in {q.request.kind for q in questions}}
    missing = [q for q in questions if fresh_entry(q.request, desk) is None]
    return sum(_adopted(question, entries[question.request.kind], site, desk) for question in missing)


def _names_near(site: Site, desk: Desk) -> list[str]:
    """Folders of other sites in the same cell."""
    own, cell = site_name(site, OPEN_METEO), cell_of(site.latitude, site.longitude)
    found = []
    for folder in _home(desk).glob("*_*"):
        latitude, _, longitude = folder.name.partition("_")
        try:
            here = cell_of(float(latitude), float(longitude))
        except ValueError:
            continue
        if here == cell and folder.name != own:
            found.append(folder.name)
    return sorted(found)


def _entries_of(names: Sequence[str], kind: str, desk: Desk) -> list[Entry]:
    """Their fresh answers of a kind, the newest first."""
    store, now = desk.client.store, desk.client.store.now()
    found = [e for n in names for e in store.entries(source=OPEN_METEO.name, site=n, kind=kind)]
    fresh = [e for e in found if e.fresh_until is not None and now < e.fresh_until and e.has_body]
    return sorted(fresh, key=lambda e: e.id, reverse=True)


def _adopted(question: Question, entries: Iterable[Entry], site: Site, desk: Desk) -> bool:
    """Take over the first answer that answers the question, if there is one."""
    store = desk.client.store
    for entry in entries:
        weather = _shareable(entry, question, site, desk)
        if weather is None:
            continue
        request = question.request
        own = store.put(
            Received(
                key=request.key,
                url=request.url,
                params=request.params,
                fetched_at=entry.fetched_at,
                status=entry.status,
                body=store.body(entry),
                content_type=entry.content_type,
                fresh_until=entry.fresh_until,
            )
        )
        store.save_normal(own, moved(weather, int(entry.params["elevation"]), height_m(site)))
        return True
    return False


def _shareable(entry: Entry, question: Question, site: Site, desk: Desk) -> Weather | None:
    """What a neighbour's answer says, if the question was the same but for the place, and the heights are alike."""
    request = question.request
    here, there = ({k: v for k, v in p.items() if k not in _PLACE} for p in (request.params, entry.params))
    if entry.url != request.url or here != there:
        return None
    if abs(int(entry.params["elevation"]) - height_m(site)) > SHARED_WITHIN_M:
        return None
    weather = desk.client.store.load_normal(entry)
    return None if weather is None or is_moved(weather) else weather
