"""The store of fetched weather: every answer as received, its normal form beside it, bounded in size.

Several processes may use one store at once. There is no index that could disagree with the files: an answer is
found by the names of its folders, which hold source, site, kind, request and time. What can go wrong:

============================== ===============================================================================
a process dies in mid-write    nothing that was there changes; what it began lies in ``tmp/`` until ``sweep``
a file is damaged later        its hash does not fit: it is moved to ``aside/``, said so in the log, never served
two processes write at once    two entries; their names differ
two processes drop at once     one of them does it (file lock)
the disk is full               ``StoreError``; nothing half-written stays
the clock was ahead once       such entries are never fresh and stand behind all others
============================== ===============================================================================

How entries look on disk: ``entries.py``. What is dropped first: ``upkeep.py``.
"""

from __future__ import annotations

import logging
import secrets
import shutil
import time
from contextlib import contextmanager, suppress
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import TYPE_CHECKING

import filelock
import platformdirs

from matewindow.errors import StoreError
from matewindow.weather import normal_file, upkeep
from matewindow.weather.entries import (
    BODY,
    CHECK,
    CLOCK_SLACK,
    META,
    NORMAL,
    DamagedError,
    Entry,
    Key,
    Received,
    check_record,
    entry_id,
    fetched_at_of,
    flush_folder,
    make_folder,
    read_body,
    read_entry,
    sha256,
    write_entry,
    write_flushed,
)

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator

    from matewindow.settings import Settings
    from matewindow.weather.normal import Weather

_log = logging.getLogger(__name__)

_LEFTOVER = timedelta(hours=1)
"""What lies in ``tmp/`` for so long was left by a process that died: a write takes a fraction of a second."""
_RECOUNT = 0.02
"""After writing this share of its size a process counts the whole store again, others write too."""
_SWEPT_TO = 0.9


def utc_now() -> datetime:
    """The machine's clock, aware UTC."""
    return datetime.now(UTC)


@dataclass(frozen=True)
class StoreState:
    """What the store holds. Sizes in bytes on the disk."""

    folder: Path
    n_answers: int
    n_bodies: int
    n_normals: int
    n_set_aside: int
    size_bytes: int
    max_bytes: int
    oldest: datetime | None
    newest: datetime | None

    @property
    def over(self) -> bool:
        """Whether it is larger than it should be, as when all that is left must not be dropped."""
        return self.size_bytes > self.max_bytes


@dataclass(frozen=True)
class Sweep:
    """What a sweep removed. ``done`` is False if another process was sweeping."""

    done: bool
    n_leftovers: int = 0
    n_dropped: int = 0
    freed_bytes: int = 0


class WeatherStore:
    """A folder of fetched weather.

    Args:
        folder: where; it is made, for its owner only, if it does not exist.
        max_mb: size in megabytes (1e6 bytes) above which old weather is dropped.
        now: clock, aware UTC.

    Raises:
        StoreError: the folder cannot be made or written.
    """

    def __init__(self, folder: Path, max_mb: float = 500.0, *, now: Callable[[], datetime] = utc_now) -> None:
        self.folder = folder
        self.max_bytes = int(max_mb * 1e6)
        self.now = now
        self._size: int | None = None
        self._since_count = 0
        with self._explained("made"):
            if not folder.is_dir():
                make_folder(folder, mode=0o700)
            for name in ("entries", "tmp", "aside", "locks"):
                make_folder(folder / name)

    @classmethod
    def at_home(cls, settings: Settings, *, now: Callable[[], datetime] = utc_now) -> WeatherStore:
        """The store of the settings, else the one in the user's data folder."""
        home = settings.store_folder or Path(platformdirs.user_data_dir("matewindow", appauthor=False)) / "weather"
        return cls(home, settings.store_max_mb, now=now)

    # --- answers --------------------------------------------------------------------------------------------

    def put(self, received: Received) -> Entry:
        """Keep an answer. If it is the newest one over again, word for word, that is noted and no copy made.

        Raises:
            StoreError: it cannot be written, as when the disk is full.
        """
        newest = self.latest(received.key)
        if newest is not None and newest.sha256 == sha256(received.body):
            return self.confirm(newest, received)
        home = self.folder / received.key.path
        with self._explained("written"), self._scratch() as scratch:
            scratch.mkdir()
            write_entry(scratch, received)
            target = home / entry_id(received.fetched_at, secrets.token_hex(4))
            for _ in range(3):  # a sweep may remove the folder while it is empty
                with suppress(FileNotFoundError):
                    make_folder(home)
                    scratch.rename(target)
                    break
            flush_folder(home)
            entry = read_entry(target)
        self._grown(upkeep.size_of(target))
        return entry

    def confirm(self, entry: Entry, answer: Received) -> Entry:
        """Note that the source says that a stored answer is still current (a 304, or the same answer again).

        Args:
            entry: the stored answer.
            answer: what came now; only its time, validators and freshness are used, its body may be empty.
        """
        validators = answer.etag or entry.etag, answer.last_modified or entry.last_modified
        record = check_record(answer.fetched_at, answer.fresh_until, *validators)
        self._add(entry.folder / CHECK, record)
        try:
            return read_entry(entry.folder)
        except (FileNotFoundError, DamagedError):  # dropped meanwhile; what we know of it is still true
            return entry

    def latest(self, key: Key, *, max_age: timedelta | None = None) -> Entry | None:
        """The newest stored answer to a request whose body is there and whole.

        Damaged ones are set aside on the way. One that was fetched under a clock that was ahead stands behind
        all others.

        Args:
            key: the request.
            max_age: oldest age that will do, counted from when the source last said that it is current; with it, an
                answer from the future will not do either.
        """
        now = self.now()
        for folder in reversed(self._folders(key)):
            entry = self._read(folder)
            if entry is None or not self._whole(entry):
                continue
            if max_age is not None and not -CLOCK_SLACK <= entry.age(now) <= max_age:
                continue
            return entry
        return None

    def answers(self, key: Key) -> Iterator[Entry]:
        """All stored answers to a request, the newest first, also those of which only the normal form is kept."""
        for folder in reversed(self._folders(key)):
            entry = self._read(folder)
            if entry is not None:
                yield entry

    def entries(
        self, *, source: str | None = None, site: str | None = None, kind: str | None = None
    ) -> Iterator[Entry]:
        """All stored answers, also those of which only the normal form is kept, by source, site, kind and time."""
        pattern = "/".join((source or "*", site or "*", kind or "*", "*", "*"))
        found = sorted((self.folder / "entries").glob(pattern), key=lambda f: (f.parts[-5:-2], f.name))
        for folder in found:
            entry = self._read(folder)
            if entry is not None:
                yield entry

    def body(self, entry: Entry) -> bytes:
        """The answer as received.

        Raises:
            StoreError: it was dropped to save space, or is damaged and has been set aside.
        """
        with self._explained("read"):
            try:
                return read_body(entry)
            except FileNotFoundError:
                what = "the answer itself is not kept any more"
            except DamagedError as error:
                self._set_aside(entry.folder, str(error))
                what = f"{error}; it was set aside"
        raise StoreError(what, where=str(entry.folder), fix="Fetch it again, or use an older one.")

    # --- normal form ----------------------------------------------------------------------------------------

    def save_normal(self, entry: Entry, weather: Weather) -> None:
        """Keep what was read from an answer beside it, replacing an earlier reading.

        Raises:
            StoreError: it cannot be written, or the entry has been dropped.
            WeatherFileError: the weather would not pass the checks of the normal form.
        """
        data = normal_file.to_bytes(weather)
        target = entry.folder / NORMAL.replace("*", sha256(data)[:32])
        earlier = [path for path in entry.folder.glob(NORMAL) if path != target]
        if not self._add(target, data):
            raise StoreError("the entry has been dropped", where=str(entry.folder), fix="Fetch it again.")
        for path in earlier:
            path.unlink(missing_ok=True)
        self._grown(upkeep.on_disk(len(data)))

    def load_normal(self, entry: Entry) -> Weather | None:
        """The weather read from an answer, or None if it is not kept or was damaged: then read the body again."""
        with self._explained("read"):
            for path in sorted(entry.folder.glob(NORMAL)):
                try:
                    return normal_file.from_bytes(path.read_bytes(), sha256_start=path.name.split(".")[1])
                except FileNotFoundError:  # dropped, or replaced by a newer reading
                    continue
                except DamagedError as error:
                    self._set_aside(path, str(error))
        return None

    # --- upkeep ---------------------------------------------------------------------------------------------

    def state(self) -> StoreState:
        """Count everything."""
        held = upkeep.holdings(self.folder / "entries")
        times = [h.fetched_at for h in held]
        return StoreState(
            self.folder,
            n_answers=len(held),
            n_bodies=sum(BODY in h.sizes for h in held),
            n_normals=sum(h.has_normal for h in held),
            n_set_aside=self._n_aside(),
            size_bytes=self._count(),
            max_bytes=self.max_bytes,
            oldest=min(times, default=None),
            newest=max(times, default=None),
        )

    def sweep(self, *, leftover: timedelta = _LEFTOVER) -> Sweep:
        """Remove what dead processes left in ``tmp/`` and, if the store is too large, drop what ``upkeep`` says.

        Args:
            leftover: age from which something in ``tmp/`` counts as left behind.
        """
        lock = filelock.FileLock(self.folder / "locks" / "sweep.lock", timeout=0)
        with self._explained("swept"):
            try:
                with lock:
                    n_leftovers = self._sweep_scratch(leftover)
                    n_dropped, freed = self._drop()
                    self._remove_empty_folders()
            except filelock.Timeout:
                return Sweep(done=False)
        return Sweep(done=True, n_leftovers=n_leftovers, n_dropped=n_dropped, freed_bytes=freed)

    def verify(self) -> int:
        """Read everything and set aside what is damaged; returns how many files or entries that were."""
        before = self._n_aside()
        for entry in self.entries():
            self._whole(entry)
            self.load_normal(entry)
        return self._n_aside() - before

    def _n_aside(self) -> int:
        return sum(1 for _ in (self.folder / "aside").iterdir())

    def _drop(self) -> tuple[int, int]:
        size = self._count()
        if size <= self.max_bytes:
            return 0, 0
        n_dropped, freed, n_records = 0, 0, 0
        for drop in self._droppable():
            if size - freed <= _SWEPT_TO * self.max_bytes:
                break
            self._remove(drop.path)
            n_dropped, freed, n_records = n_dropped + 1, freed + drop.size, n_records + drop.of_records
        self._size = size - freed
        _log.info("weather store %s: dropped %d old items, %.1f MB", self.folder, n_dropped, freed / 1e6)
        if n_records or self._size > self.max_bytes:
            _log.warning(
                "weather store %s is too small at %.0f MB: %d records of past weather were dropped, %.1f MB are left; "
                "raise MATEWINDOW_STORE_MAX_MB",
                *(self.folder, self.max_bytes / 1e6, n_records, self._size / 1e6),
            )
        return n_dropped, freed

    def _droppable(self) -> Iterator[upkeep.Drop]:
        for path in sorted((self.folder / "aside").iterdir(), key=lambda p: p.stat().st_mtime):
            yield upkeep.Drop(path, upkeep.size_of(path), of_records=False)
        yield from upkeep.drops(upkeep.holdings(self.folder / "entries"), self.now())

    def _sweep_scratch(self, leftover: timedelta) -> int:
        """File times come from the machine's clock, so that one is asked, not ours."""
        n_removed, before_s = 0, time.time() - leftover.total_seconds()
        for path in list((self.folder / "tmp").iterdir()):
            with suppress(FileNotFoundError):
                if path.stat().st_mtime <= before_s:
                    _erase(path)
                    n_removed += 1
        return n_removed

    def _remove_empty_folders(self) -> None:
        top = self.folder / "entries"
        for depth in (4, 3, 2, 1):
            for folder in list(top.glob("/".join("*" * depth))):
                with suppress(OSError):  # not empty, or gone
                    folder.rmdir()

    def _count(self) -> int:
        self._since_count = 0
        self._size = upkeep.size_of(self.folder)
        return self._size

    def _grown(self, size: int) -> None:
        """Sweep at the first write of a process, when others may have filled the store, and when it is full."""
        self._since_count += size
        self._size = None if self._size is None else self._size + size
        if self._size is None or self._since_count > _RECOUNT * self.max_bytes or self._size > self.max_bytes:
            self.sweep()

    # --- files ----------------------------------------------------------------------------------------------

    def _folders(self, key: Key) -> list[Path]:
        """Folders of all entries of a request, newest last."""
        held = []
        with suppress(FileNotFoundError):
            for folder in (self.folder / key.path).iterdir():
                with suppress(ValueError):  # not ours
                    held.append(upkeep.Holding(folder, fetched_at_of(folder.name)))
        return [h.folder for h in upkeep.newest_last(held, self.now())]

    def _read(self, folder: Path) -> Entry | None:
        with self._explained("read"):
            try:
                return read_entry(folder)
            except FileNotFoundError:
                if folder.is_dir():  # else it was dropped just now
                    self._set_aside(folder, f"{META} is missing")
            except DamagedError as error:
                self._set_aside(folder, str(error))
        return None

    def _whole(self, entry: Entry) -> bool:
        with self._explained("read"):
            try:
                read_body(entry)
            except FileNotFoundError:
                return False
            except DamagedError as error:
                self._set_aside(entry.folder, str(error))
                return False
        return True

    def _add(self, target: Path, data: bytes) -> bool:
        """Put a file into an entry in one step; False if the entry is gone."""
        with self._explained("written"), self._scratch() as scratch:
            write_flushed(scratch, data)
            try:
                scratch.replace(target)
                flush_folder(target.parent)
            except FileNotFoundError:
                return False
        return True

    @contextmanager
    def _scratch(self) -> Iterator[Path]:
        """A path under ``tmp/`` that is free; whatever is there afterwards is removed."""
        path = self.folder / "tmp" / secrets.token_hex(8)
        try:
            yield path
        finally:
            _erase(path)

    def _remove(self, path: Path) -> None:
        """Take out of sight in one step, then erase."""
        with self._scratch() as scratch, suppress(FileNotFoundError):
            path.rename(scratch)

    def _set_aside(self, path: Path, why: str) -> None:
        target = self.folder / "aside" / f"{path.name}-{secrets.token_hex(4)}"
        _log.warning("weather store: %s is damaged (%s) and was set aside as %s", path, why, target)
        with suppress(FileNotFoundError):  # another process was faster
            path.rename(target)

    @contextmanager
    def _explained(self, done: str) -> Iterator[None]:
        """Turn an error of the file system into one that says what to do."""
        try:
            yield
        except OSError as error:
            fix = "See whether the disk is full or read-only, or set MATEWINDOW_STORE_FOLDER to a folder of yours."
            what = f"the weather store could not be {done} ({error.strerror or type(error).__name__})"
            raise StoreError(what, where=str(error.filename or self.folder), fix=fix) from error


def _erase(path: Path) -> None:
    if path.is_dir():
        shutil.rmtree(path, ignore_errors=True)
    else:
        path.unlink(missing_ok=True)
