"""Where the service's weather comes from: files, or the weather services; held in memory for the sites in use.

Answering a question never waits for a weather service: it takes what is held, or what the register has from the last
refresh. Only a refresh asks the services.
"""

from __future__ import annotations

import hashlib
from collections import OrderedDict
from dataclasses import dataclass, field, replace
from threading import Lock
from typing import TYPE_CHECKING, Any, Protocol

import numpy as np

from matewindow.errors import WeatherFileError
from matewindow.keeping.packing import without_paths
from matewindow.sources import load_sources, site_biology
from matewindow.storedruns import StoredRuns
from matewindow.weather.folder import FILES, TERMS

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable, Iterator, Sequence
    from datetime import datetime
    from pathlib import Path

    import sqlalchemy as sa

    from matewindow.biology import Biology
    from matewindow.paths import Sources
    from matewindow.site import Site
    from matewindow.siteweather import SiteWeather

HELD_SITES = 12
"""Sites whose weather stays in memory: thirty past years of one take 5 MB, 20 to 40 MB from files."""


@dataclass(frozen=True)
class NewPast:
    """Past years of a site as they are to be kept: their bytes, and what tells them from others."""

    body: bytes
    edition: str


@dataclass(frozen=True)
class Held:
    """A site's weather, ready for outlooks.

    Attributes:
        site: as it was when the weather was laid on its days.
        sources: the weather.
        stamp: changes if and only if the weather does, or whom it is lacking from.
        fetched_at: when the newest part came, aware; None = files that do not tell.
        attempts: which services were asked, for what, with what outcome.
        trouble: why there is no new forecast, in words; empty = there is.
        older: days before this one are the desk's to keep, apart from the rest; None = it keeps none apart.
        asked_at: when a refresh asked the services for it, for ``WeatherDesk.store``; None = none did.
        new_past: what is to be kept of older days from now on, likewise; None = what is kept stays.
    """

    site: Site
    sources: Sources
    stamp: str
    fetched_at: datetime | None = None
    attempts: tuple[dict[str, Any], ...] = field(default=())
    trouble: str = ""
    older: np.datetime64 | None = None
    asked_at: datetime | None = None
    new_past: NewPast | None = field(default=None, repr=False)

    def at(self, site: Site) -> Held:
        """The same weather for the site as it is now, at the same place: another name, shelter or other thresholds."""
        return self if self.site == site else replace(self, site=site)


@dataclass(frozen=True)
class AtHand:
    """That nobody need be asked for a site's weather yet: what there is has this stamp, and ``held`` gives it."""

    stamp: str


@dataclass(frozen=True)
class PastRuns:
    """Forecasts of a site that were kept when they were made.

    Attributes:
        runs: there may be none.
        rain: the site's record with the rain of all hours of the day, by which coarse rain is put into hours; None =
            that of the past years that are held.
    """

    runs: StoredRuns
    rain: SiteWeather | None = None


class WeatherDesk(Protocol):
    """Gives a site's weather."""

    def stamp(self, site_id: str, site: Site) -> str | None:
        """The stamp of what ``held`` gives, told without reading the weather; None = it cannot be told so."""

    def held(self, site_id: str, site: Site) -> Held:
        """What there is without asking anybody outside.

        Raises:
            SourceError: nothing has been fetched for this site yet.
            WeatherFileError: files that cannot be used.
        """

    def refresh(self, site_id: str, site: Site, on_year: Callable[[int, int], None] | None = None) -> Held:
        """The newest that can be had; asks the services where that is due.

        Raises:
            SourceError: nobody gave anything and nothing usable is in the store.
            WeatherFileError: files that cannot be used.
        """

    def refresh_many(self, sites: Sequence[tuple[str, Site]]) -> Iterator[tuple[str, Held | AtHand | Exception]]:
        """The same for many sites, on shared requests, one after the other in any order.

        Raises:
            StoreError: the store of weather cannot be used at all.
        """

    def store(self, connection: sa.Connection, site_id: str, held: Held) -> None:
        """Put what a refresh gave where ``held`` finds it, in every process; within a transaction."""

    def past_runs(self, site_id: str, held: Held) -> PastRuns:
        """The forecasts of a site that were kept when they were made, for looking back on them.

        Raises:
            StoreError, WeatherFileError: they cannot be listed.
        """

    def forget(self, site_id: str) -> None:
        """Drop what is held in memory of a site."""


class HeldSites:
    """The weather of the sites last in use, by site id; safe between threads."""

    def __init__(self, size: int = HELD_SITES) -> None:
        self._size = size
        self._held: OrderedDict[str, Held] = OrderedDict()
        self._lock = Lock()

    def get(self, site_id: str) -> Held | None:
        """What is held."""
        with self._lock:
            held = self._held.get(site_id)
            if held is not None:
                self._held.move_to_end(site_id)
            return held

    def put(self, site_id: str, held: Held) -> Held:
        """Hold it; the site that was not used for longest goes."""
        with self._lock:
            self._held[site_id] = held
            self._held.move_to_end(site_id)
            while len(self._held) > self._size:
                self._held.popitem(last=False)
        return held

    def drop(self, site_id: str) -> None:
        """Hold it no longer."""
        with self._lock:
            self._held.pop(site_id, None)


class FolderDesk:
    """Weather from files: a folder of its own for a site, named by the site's id, else the common one.

    Args:
        folder: holds weather files, or folders of them named by site ids, or both.
        biology: parameters for laying weather on a site's days: those of flight, which no model sets.
    """

    def __init__(self, folder: Path, biology: Biology) -> None:
        self._folder, self._biology = folder, biology
        self._sites = HeldSites()

    def stamp(self, site_id: str, site: Site) -> str | None:  # noqa: ARG002  whatever the site, the files are the same
        """Sizes and times of the files as they are now."""
        folder = self._of(site_id)
        told = []
        for name in (*FILES, TERMS):
            try:
                state = (folder / name).stat()
            except OSError:  # not there, or just being replaced: reading it will tell
                continue
            told.append(f"{folder.name}/{name} {state.st_mtime_ns} {state.st_size}")
        return digest(told)

    def held(self, site_id: str, site: Site) -> Held:
        """The files as they are now; read again only when one of them has changed."""
        stamp = self.stamp(site_id, site)
        assert stamp is not None
        held = self._sites.get(site_id)
        if held is None or held.stamp != stamp or _place(held.site) != _place(site):
            held = self._sites.put(site_id, Held(site, self._read(site_id, site), stamp))
        return held.at(site)

    def refresh(self, site_id: str, site: Site, on_year: Callable[[int, int], None] | None = None) -> Held:  # noqa: ARG002
        """As ``held``: files change by other hands."""
        return self.held(site_id, site)

    def refresh_many(self, sites: Sequence[tuple[str, Site]]) -> Iterator[tuple[str, Held | AtHand | Exception]]:
        """One after the other."""
        for site_id, site in sites:
            try:
                yield site_id, self.held(site_id, site)
            except Exception as fault:  # whoever asked tells faults of ours from others
                yield site_id, fault

    def store(self, connection: sa.Connection, site_id: str, held: Held) -> None:
        """Files need not be kept once more."""

    def past_runs(self, site_id: str, held: Held) -> PastRuns:  # noqa: ARG002  files have all hours
        """Those in the folder ``runs`` beside the other files."""
        return PastRuns(StoredRuns.of_folder(self._of(site_id)))

    def forget(self, site_id: str) -> None:
        """Drop what is held in memory of a site."""
        self._sites.drop(site_id)

    def _of(self, site_id: str) -> Path:
        own = self._folder / site_id
        return own if own.is_dir() else self._folder

    def _read(self, site_id: str, site: Site) -> Sources:
        """The files, told of by their names alone: where they lie is nobody's business but the machine's."""
        folder = self._of(site_id)
        try:
            sources = load_sources(folder, site, site_biology(site, self._biology))
        except WeatherFileError as fault:
            where = fault.where.replace(f"{folder}/", "").replace(str(folder), "the weather folder")
            raise WeatherFileError(fault.what, where=where, fix=fault.fix) from fault
        parts: dict[str, Any] = {
            name: None if part is None else without_paths(part) for name, part in parts_of(sources).items()
        }
        if sources.past is sources.observed:
            parts["past"] = parts["observed"]
        return replace(sources, **parts)


def parts_of(sources: Sources) -> dict[str, SiteWeather | None]:
    """The parts of a site's weather by their names."""
    return {name: getattr(sources, name) for name in ("observed", "run", "members", "past")}


def stamp_of(sources: Sources, lacking: Iterable[str] = ()) -> str:
    """A digest of the weather itself: the same hours give the same stamp, whenever they were fetched.

    Args:
        sources: the weather.
        lacking: what could not be had, since results tell of it.
    """
    return digest([*_parts(sources), *(text.encode() for text in lacking)])


def _parts(sources: Sources) -> Iterator[bytes]:
    for name, part in parts_of(sources).items():
        if part is None:
            continue
        p = part.provenance
        yield f"{name} {p.source} {p.model} {p.run_time} {part.issued} {part.days[0]} {part.days[-1]}".encode()
        if name == "past" and part is sources.observed:
            continue
        short = part.window_only
        for hours in (short.temp_c, short.wind_ms, short.rain_mm, short.ghi_wm2):
            yield b"-" if hours is None else np.ascontiguousarray(hours).tobytes()


def digest(parts: Iterable[str] | Iterable[bytes]) -> str:
    """A short hash of some texts in order."""
    made = hashlib.blake2b(digest_size=12)
    for part in parts:
        made.update(part.encode() if isinstance(part, str) else part)
        made.update(b"\0")
    return made.hexdigest()


def _place(site: Site) -> tuple[float, float, float]:
    return site.latitude, site.longitude, site.elevation_m
