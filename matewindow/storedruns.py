"""Runs of the weather forecast that were kept, each given out only from when it could have been known.

Two places hold runs:

===================  ==========================================  ==========================================
place                run starts                                  known from
===================  ==========================================  ==========================================
a weather folder     as its file's name says:                    its start and ``PUBLISHED_AFTER``
                     ``runs/2025-05-01T00Z.json``
the weather store    as its provenance says, else when it came   when it was fetched
===================  ==========================================  ==========================================

Files of a folder are answers of Open-Meteo's forecast or ensemble service as they came. What such an answer holds of
days before that of the run is no part of the run and is left out: nobody knows when it was written.
"""

from __future__ import annotations

import hashlib
import re
from collections import OrderedDict
from contextlib import suppress
from dataclasses import dataclass, replace
from datetime import UTC, date, datetime, timedelta
from functools import cached_property
from typing import TYPE_CHECKING, Any

import numpy as np

from matewindow.errors import InputError, RequestError, StoreError, WeatherFileError
from matewindow.weather import openmeteo
from matewindow.weather.desk import site_name
from matewindow.weather.entries import DamagedError, Entry, read_entry
from matewindow.weather.files import fault, read_bytes, read_text
from matewindow.weather.manners import OPEN_METEO
from matewindow.weather.normal import VARIABLES, make_weather
from matewindow.weather.openmeteo_runs import LATE_START

if TYPE_CHECKING:
    from collections.abc import Iterable
    from pathlib import Path

    from matewindow.site import Site
    from matewindow.weather.normal import Weather
    from matewindow.weather.store import WeatherStore

FOLDER = "runs"
"""Where the runs lie inside a weather folder."""
PUBLISHED_AFTER = timedelta(hours=8)
"""From the start of a run to when all of it is there: the last steps of ECMWF's ensemble come 7 h 40 min after 00 and
12 UTC (its dissemination schedule), other centres are no later; rounded up, so that none is known too early."""
OLDEST = timedelta(days=2)
"""An older run is not given out: by then a newer one should have come."""
ENSEMBLE, SINGLE = "ensemble", "forecast"

_NAME = re.compile(r"(\d{4}-\d{2}-\d{2})T(\d{2})Z\.json", re.ASCII)
_NAME_FIX = "Name each run by its start in UTC, such as 2025-05-01T00Z.json."
_MEMBER = re.compile(r'"temperature_2m_member\d')
_KEPT = 6


@dataclass(frozen=True)
class StoredRun:
    """One run as it lies on the disk.

    Attributes:
        start: of the run, aware UTC; of one whose start nobody told, when it was fetched.
        known_from: from when it could have been used, aware UTC.
        place: its file, or the folder of its entry in the store.
        kind: ``ensemble`` or ``forecast``; empty until the file has been read.
        sha256: of the answer; empty until it is asked for.
        store: the folder of the weather store; None for a file.
    """

    start: datetime
    known_from: datetime
    place: Path
    kind: str = ""
    sha256: str = ""
    store: Path | None = None


class StoredRuns:
    """Runs in the order in which they became known. Nothing is read before it is asked for.

    In another process (it can be pickled) the files are read anew. A set without runs is false.
    """

    def __init__(self, runs: Iterable[StoredRun]) -> None:
        self.runs = tuple(sorted(runs, key=lambda run: (run.known_from, run.start, str(run.place))))
        self._read: OrderedDict[Path, Weather | None] = OrderedDict()

    @classmethod
    def of_folder(cls, folder: Path) -> StoredRuns:
        """The runs in the folder ``runs`` of a weather folder; none if there is no such folder.

        Other files than ``.json`` are passed over.

        Raises:
            WeatherFileError: a file whose name does not say when its run starts.
        """
        files = sorted(path for path in (folder / FOLDER).glob("*.json") if path.is_file())
        starts = [(_start_of(path), path) for path in files]
        return cls(StoredRun(start, start + PUBLISHED_AFTER, path) for start, path in starts)

    @classmethod
    def of_store(cls, store: WeatherStore, site: Site) -> StoredRuns:
        """The runs of Open-Meteo that the weather store kept for a site, ensembles and single ones.

        Raises:
            StoreError: the store cannot be read.
        """
        place = site_name(site, OPEN_METEO)
        entries = (e for kind in (ENSEMBLE, SINGLE) for e in _entries(store, place, kind))
        return cls(
            StoredRun(e.fetched_at, e.fetched_at, e.folder, e.key.kind, e.sha256, store.folder.absolute())
            for e in entries
        )

    def __len__(self) -> int:
        return len(self.runs)

    def __eq__(self, other: object) -> bool:
        return isinstance(other, StoredRuns) and self.runs == other.runs

    def __hash__(self) -> int:
        return hash(self.runs)

    def __getstate__(self) -> tuple[StoredRun, ...]:
        return self.runs

    def __setstate__(self, runs: tuple[StoredRun, ...]) -> None:
        self.__init__(runs)  # type: ignore[misc]

    @property
    def days(self) -> tuple[date, ...]:
        """The days (UTC) on which runs became known, each once, in order."""
        return tuple(sorted({run.known_from.date() for run in self.runs}))

    @cached_property
    def edition(self) -> str:
        """A digest of all that is there: names, times and contents.

        Raises:
            WeatherFileError: a file is gone or unreadable.
        """
        digest = hashlib.sha256()
        for run in self.runs:
            content = run.sha256 or hashlib.sha256(read_bytes(run.place)).hexdigest()
            digest.update(f"{run.place.name} {run.start} {run.known_from} {content}\n".encode())
        return digest.hexdigest()

    def at(self, now: datetime, *, kind: str | None = None) -> Weather | None:
        """The newest run that could have been known at a time and is not older than two days; None without one.

        An ensemble of these days comes before a single run, however new.

        Args:
            now: aware.
            kind: only ``ensemble`` or only ``forecast``; None = either.

        Raises:
            WeatherFileError: the file cannot be read, or does not hold the run that its name tells of.
            RequestError: a time without a zone.
        """
        if now.tzinfo is None:
            raise RequestError(f"{now} has no time zone", where="now", fix="Give an aware time.")
        known = [run for run in self.runs if run.known_from <= now and now - run.start <= OLDEST]
        known.sort(key=lambda run: (run.kind != SINGLE, run.start, run.known_from), reverse=True)
        single = None
        for run in known:
            if kind is not None and run.kind not in ("", kind):
                continue
            weather = self.read(run)
            if weather is None or (kind is not None and weather.provenance.kind != kind):
                continue
            started = weather.provenance.run_time
            if started is not None and now - started > OLDEST:
                continue
            if weather.provenance.kind == ENSEMBLE or kind is not None:
                return weather
            single = single or weather
        return single

    def read(self, run: StoredRun) -> Weather | None:
        """One of the runs in normal form; None for one that the store holds no more.

        Raises:
            WeatherFileError: as ``at``.
        """
        if run.place not in self._read:
            self._read[run.place] = _of_store(run) if run.store is not None else _of_file(run)
            while len(self._read) > _KEPT:
                self._read.popitem(last=False)
        self._read.move_to_end(run.place)
        return self._read[run.place]


NO_RUNS = StoredRuns(())


# --- files ------------------------------------------------------------------------------------------------------


def _start_of(path: Path) -> datetime:
    form = _NAME.fullmatch(path.name)
    if form:
        with suppress(ValueError):
            return datetime.fromisoformat(f"{form[1]}T{form[2]}:00").replace(tzinfo=UTC)
    raise WeatherFileError("its name does not say when the run starts", where=str(path), fix=_NAME_FIX)


def _of_file(run: StoredRun) -> Weather:
    where = str(run.place)
    text = read_text(run.place)
    parse = openmeteo.parse_ensemble if _MEMBER.search(text) else openmeteo.parse_forecast
    return _dated(parse(text, file=where), run.start, where)


def _dated(weather: Weather, start: datetime, where: str) -> Weather:
    """The weather of a run from the beginning of its day on, with its start."""
    begins = np.datetime64(start.replace(tzinfo=None), "s")
    first, last = weather.times[0], weather.times[-1]
    if first > begins + np.timedelta64(LATE_START) or last <= begins:
        said = f"it holds {first}Z to {last}Z, and no run that starts at {begins}Z"
        raise fault(said, where, f"{_NAME_FIX} It must hold the hours from there on.")
    kept = weather.times >= begins.astype("datetime64[D]")
    columns: dict[str, Any] = {
        name: values[:, kept] for name in VARIABLES if (values := weather.values(name)) is not None
    }
    return make_weather(weather.times[kept], columns, replace(weather.provenance, run_time=start))


# --- the store --------------------------------------------------------------------------------------------------


def _entries(store: WeatherStore, place: str, kind: str) -> Iterable[Entry]:
    return store.entries(source=OPEN_METEO.name, site=place, kind=kind)


def _of_store(run: StoredRun) -> Weather | None:
    """What was read from an answer when it came, else the answer read again; None if neither is kept any more."""
    from matewindow.weather.store import WeatherStore

    assert run.store is not None
    store = WeatherStore(run.store)
    try:
        entry = read_entry(run.place)
    except (OSError, DamagedError):  # dropped or damaged meanwhile: the store sees to that
        return None
    weather = store.load_normal(entry)
    if weather is not None:
        return weather
    try:
        text = store.body(entry).decode("utf-8", errors="replace")
        parse = openmeteo.parse_ensemble if run.kind == ENSEMBLE else openmeteo.parse_forecast
        weather = parse(text)
    except (StoreError, InputError):  # an answer that made no sense when it came is no run
        return None
    model = entry.params.get("models") or weather.provenance.model
    return replace(weather, provenance=replace(weather.provenance, fetched_at=entry.fetched_at, model=model))
