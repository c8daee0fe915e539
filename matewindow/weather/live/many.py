"""Weather of many sites: few requests first, then site by site what they did not give.

How the answers are shared out:

- the forecast, with a mesh of 2 km, is asked for every site, a hundred in a request;
- ensemble and past years, with a mesh of 0.25 degrees, are asked for once in a cell, and moved by height for the other
  sites in it (``cells.py``). For 1,000 sites in a square of 100 km a side the ensemble so weighs under 1,000 calls
  instead of 23,300, of which the service gives 10,000 a day;
- observations, and everything that fails, are asked for site by site (``gather``).

What is kept: every answer once, under the site that was asked for, where a later call for that site alone finds it
fresh. The sites that share it get no copy in the store: those of 1,000 sites with 30 years would fill more than 3 GB,
seven times what the store is allowed. ``adopt.py`` gives one of them its own when it is needed, without asking anybody.
"""

from __future__ import annotations

import time
from collections.abc import Mapping
from contextlib import suppress
from dataclasses import replace
from typing import TYPE_CHECKING

from matewindow.errors import InputError, SourceError, WeatherFileError
from matewindow.weather.desk import site_name
from matewindow.weather.folder import WeatherFolder
from matewindow.weather.live.adopt import sites_folder
from matewindow.weather.live.archive import YEARS, fetch_archive, years_wanted
from matewindow.weather.live.batches import Batches, Wanted
from matewindow.weather.live.cells import asked_for, height_m, moved, neighbours
from matewindow.weather.live.correction import Learnt, learn_correction
from matewindow.weather.live.gather import Attempt, Gathered, InHand, gather
from matewindow.weather.live.patience import Patience
from matewindow.weather.live.services import services_for
from matewindow.weather.manners import OPEN_METEO
from matewindow.weather.obtain import obtain
from matewindow.weather.openmeteo_fetch import OpenMeteo, archive_question
from matewindow.weather.openmeteo_runs_fetch import previous_runs_question
from matewindow.weather.transport import Limits

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable, Iterator, Sequence

    from matewindow.site import Site
    from matewindow.weather.desk import Desk, Part
    from matewindow.weather.normal import Weather
    from matewindow.weather.steps import WetHours

MANY_LIMITS = Limits(connect_s=2.0, read_s=15.0, total_s=30.0, tries=2, longest_wait_s=1.0)
"""For the desk of a pull for many sites: answers are larger, and nobody waits for them at the hive."""
MANY_PATIENCE_S = 120.0
"""What calls that fail may cost a pull for many sites before what is in the store must do (``Patience``)."""
_CELLS_HELD = 2
_WORTH = {"analysis": 2, "ensemble": 1}
"""What it is worth that a site's answers are in the store already, by their kind."""


def gather_many(
    sites: Sequence[Site],
    desk: Desk,
    *,
    trade_without_key: bool = False,
    years: int = YEARS,
    earlier_runs: bool = False,
    wait_s: float = 0.0,
    sleep: Callable[[float], None] = time.sleep,
    patience: Patience | None = None,
    on_step: Callable[[int, int], None] | None = None,
) -> ManySites:
    """Get the weather of many sites, with one request for many where the service allows it.

    All such requests are made here, the ensemble first, then the forecast, then the years from the nearest on, at last
    the earlier runs.

    Args:
        sites: where; each with a name of its own.
        desk: client, addresses, clock, key; better one with ``MANY_LIMITS``.
        trade_without_key: leave out services that may not serve trade without a key.
        years: past years wanted.
        earlier_runs: ask also for what ``ManySites.correction`` learns from.
        wait_s: how long to wait in all for room in the budget, which opens anew every minute and hour. For what finds
            none other services are asked, and past years are lacking until another pull.
        sleep: waits so many seconds.
        patience: what slow calls have cost this pull.
        on_step: called with the number of steps done and in all: ensemble, forecast, each year.

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
    patience = patience or Patience(desk.monotonic, MANY_PATIENCE_S)
    bands = list(neighbours(sites))
    asked = [asked_for(band, lambda s: _worth(s, desk)) for band in bands]
    if not trade_without_key:
        steps = [_wanted(asked, "ensemble", desk), _wanted(by_name.values(), "forecast", desk)]
        steps += [[Wanted(s, archive_question(s, desk, year)) for s in asked] for year in years_wanted(desk, years)]
        if earlier_runs:
            steps.append([Wanted(s, previous_runs_question(s, desk)) for s in asked])
        _ask(steps, Batches(desk, patience, sleep, wait_s), on_step)
    giver = {site.name: giver for giver, band in zip(asked, bands, strict=True) for site in band}
    return ManySites(by_name, giver, desk, patience, years=years, trade_without_key=trade_without_key)


def _ask(steps: Sequence[Sequence[Wanted]], batches: Batches, on_step: Callable[[int, int], None] | None) -> None:
    """Ask step by step. Ensemble and forecast are tried each; of the rest no more once a step was left unfinished."""
    for done, wanted in enumerate(steps):
        everything = batches.ask(wanted)
        if on_step is not None:
            on_step(done + 1, len(steps))
        if not everything and done > 1:
            break


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
        self._learnt: dict[str, Learnt] = {}

    def __len__(self) -> int:
        return len(self._sites)

    def __contains__(self, name: object) -> bool:
        return name in self._sites

    def __iter__(self) -> Iterator[str]:
        return iter(self._giver)

    def __getitem__(self, name: str) -> Gathered:
        try:
            return self.gathered(name)
        except SourceError as failure:
            return Gathered(WeatherFolder(), [Attempt(failure.source, "weather", "failed", reason=failure.reason)])

    def gathered(self, name: str) -> Gathered:
        """Put together the weather of a site.

        Raises:
            KeyError: no such site.
            SourceError: nobody gave anything for it.
        """
        site = self._sites[name]
        return gather(
            site,
            self._desk,
            trade_without_key=self._barred,
            years=self._years,
            patience=self._patience,
            in_hand=None if self._barred else self._in_hand(site),
        )

    def correction(self, name: str, past: Weather | None, wet: WetHours | None = None) -> Learnt:
        """What earlier runs of the ensemble's model got wrong at a site.

        It is learnt once for all sites that share past years: model and reanalysis have the same cell there, and what
        is moved by height is moved alike in both.

        Args:
            name: of a site that was looked up just now.
            past: its own past years, for a site that shares none.
            wet: how rain falls into hours there, from a longer record; None = as these past years have it.
        """
        giver, spared = self._giver[name], self._patience.hung(OPEN_METEO.name) or self._patience.spent
        shared = self._held.get(giver.name, InHand()).archive
        if shared is None or shared.record is None:
            return learn_correction(self._sites[name], self._desk, past, spared=spared, wet=wet)
        if giver.name not in self._learnt:
            found = learn_correction(giver, self._desk, shared.record, spared=spared, wet=wet)
            self._learnt = {giver.name: found}
        return self._learnt[giver.name]

    def _in_hand(self, site: Site) -> InHand:
        """What the answers for the site's cell give for it."""
        giver = self._giver[site.name]
        if giver.name not in self._held:
            self._held = dict([*self._held.items()][1 - _CELLS_HELD :]) | {giver.name: self._of_cell(giver)}
        held = self._held[giver.name]
        return held if giver is site else _moved(held, height_m(giver), height_m(site))

    def _of_cell(self, giver: Site) -> InHand:
        """Ensemble and past years of the site that was asked for in a cell; None where its neighbours must ask."""
        question = OpenMeteo("ensemble").question(giver, self._desk)
        hung, spared = self._patience.hung(OPEN_METEO.name), self._patience.spent
        ensemble = None
        self._patience.begin()
        with suppress(SourceError, WeatherFileError):  # then whoever needs it asks, and tells the reason
            ensemble = obtain(question, giver, self._desk, not_asked=hung, spared=spared)
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


def _worth(site: Site, desk: Desk) -> int:
    here = sites_folder(desk) / site_name(site, OPEN_METEO)
    return sum(worth for kind, worth in _WORTH.items() if (here / kind).is_dir())
