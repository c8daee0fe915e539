"""The power is cut at any moment: what was acknowledged is there, and nothing is there by half.

A real register works on a file system that notes each write and each flush (see ``recorded.py``). A cut is a place in
that log: all that was flushed before it is on the disk; of what was written since, each piece is there, or not, or in
part, in any combination. What is left is opened by the SQLite that Python brings, as after a restart.

With ``synchronous=NORMAL`` SQLite promises less (sqlite.org/pragma.html#pragma_synchronous: "a transaction might
roll back following a power loss" in WAL mode), and the same test must see it.

Two settings of the connection differ from the service's. ``locking_mode=exclusive``, since a file system in Python
has no shared memory. And the WAL is carried over into the database every 64 pages instead of every 1,000, so that many
of the cuts fall into that.
"""

from __future__ import annotations

import os
import random
import shutil
import sqlite3
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import pytest
import sqlalchemy as sa

from matewindow.register.database import Database
from matewindow.register.register import Register
from matewindow.register.soundness import faults
from tests.register.conftest import file_url
from tests.register.made import Clock
from tests.register.writers import Told, Work

recorded = pytest.importorskip(
    "tests.register.recorded", reason="POWER CUTS NOT TESTED: apsw is not installed", exc_type=ImportError
)

if TYPE_CHECKING:
    from collections.abc import Callable
    from pathlib import Path

    from matewindow.biology import Biology

CHANGES = 160
CUTS = 10_000
CUTS_NORMAL = 2_000
OPENED_WHOLE = 40
"""So many of the cuts are followed by a real restart: opened by the program, all of it examined, and worked on."""
SECTOR = 512
NAME = "register.sqlite"


class Disk:
    """Files as they are on the disk for certain, and what was handed over since but not flushed."""

    def __init__(self, folder: Path) -> None:
        self.folder, self.pending = folder, dict[str, list[Any]]()
        self._files = {file.name: file.open("r+b", buffering=0) for file in folder.iterdir()}
        self._before: list[tuple[str, int, int, bytes]] | None = None

    def take(self, step: Any) -> None:
        """One step of the log."""
        if isinstance(step, recorded.Sync):
            for change in self.pending.pop(step.file, []):
                self._apply(change)
        elif not isinstance(step, recorded.Acknowledged):
            self.pending.setdefault(step.file, []).append(step)

    def cut(self, rng: random.Random) -> None:
        """Let some of what is pending reach the disk."""
        self._before = []
        for change in [change for changes in self.pending.values() for change in changes]:
            fate = rng.random()
            if fate < 0.4:
                self._apply(change)
            elif fate < 0.6 and isinstance(change, recorded.Write):
                self._apply(torn(change, rng))

    def mend(self) -> None:
        """Go back to before the cut."""
        for name, size, offset, content in reversed(self._before or []):
            self._files[name].seek(offset)
            self._files[name].write(content)
            self._files[name].truncate(size)
        self._before = None

    def _apply(self, change: Any) -> None:
        file, cuts_off = self._files[change.file], isinstance(change, recorded.Truncate)
        if self._before is not None:
            offset = change.size if cuts_off else change.offset
            file.seek(offset)
            old = file.read(-1 if cuts_off else len(change.data))
            self._before.append((change.file, file.seek(0, os.SEEK_END), offset, old))
        if cuts_off:
            file.truncate(change.size)
        else:
            file.seek(change.offset)
            file.write(change.data)

    def close(self) -> None:
        for file in self._files.values():
            file.close()


def torn(write: Any, rng: random.Random) -> Any:
    """Only some sectors of a write: its beginning, its end, or a piece."""
    start, end = sorted(rng.randrange(0, len(write.data) + 1) for _ in range(2))
    if len(write.data) > SECTOR:
        start, end = start // SECTOR * SECTOR, -(-end // SECTOR) * SECTOR
    return recorded.Write(write.file, write.offset + start, write.data[start:end])


def work(home: Path, made: Path, biology: Biology, *, synchronous: str = "") -> list[Any]:
    """A register at work; returns the log of its file system."""
    shutil.copy(made, home / NAME)
    recorded.LOG.clear()
    database = Database(recorded.url_of_recorded(home / NAME), migrate=False)

    def first(connection: Any, _record: object) -> None:
        connection.execute("PRAGMA locking_mode=EXCLUSIVE")
        connection.execute("PRAGMA wal_autocheckpoint=64")

    def last(connection: Any, _record: object) -> None:
        if synchronous:
            connection.execute(f"PRAGMA synchronous={synchronous}")

    sa.event.listen(database.writer, "connect", first, insert=True)
    sa.event.listen(database.writer, "connect", last)
    keeper = Work(Register(database, biology, Clock()), seed=7)
    for _ in range(CHANGES):
        recorded.LOG.append(recorded.Acknowledged(keeper.step()))
    log = list(recorded.LOG)
    with database.write() as connection:  # what was set is what was tested
        (level,) = connection.exec_driver_sql("PRAGMA synchronous").one()
        (mode,) = connection.exec_driver_sql("PRAGMA journal_mode").one()
    assert (level, mode) == ({"": 2, "NORMAL": 1}[synchronous], "wal")
    database.close()
    return log


def examine(file: Path) -> tuple[int, dict[tuple[str, str], int]]:
    """What a restart finds: how many changes, and which records in which version."""
    connection = sqlite3.connect(f"file:{file}?mode=ro", uri=True)
    try:
        assert connection.execute("PRAGMA quick_check").fetchall() == [("ok",)]
        (changes,) = connection.execute("SELECT count(*) FROM changes").fetchone()
        rows = connection.execute(
            "SELECT 'site', id, version FROM sites UNION ALL SELECT 'batch', id, version FROM batches"
        )
        return changes, {(kind, thing): version for kind, thing, version in rows}
    finally:
        connection.close()


@dataclass
class Outcome:
    cuts: int = 0
    lost: int = 0
    cuts_with_loss: int = 0
    most_lost: int = 0
    damaged: int = 0
    unacknowledged_kept: int = 0


def cut_often(log: list[Any], folder: Path, made: Path, cuts: int, whole: Callable[[Path, int], None]) -> Outcome:
    """Cut the power at ``cuts`` places of the log, spread evenly over it, and look at what is left."""
    shutil.copy(made, folder / NAME)
    (folder / f"{NAME}-wal").touch()
    rng, disk, outcome = random.Random(11), Disk(folder), Outcome()
    promised: list[Told] = []
    states = states_after(log)
    for place, step in enumerate(log):
        disk.take(step)
        if isinstance(step, recorded.Acknowledged):
            promised.append(step.change)
        for _ in range(cuts * (place + 1) // len(log) - cuts * place // len(log)):
            disk.cut(rng)
            try:
                found, records = examine(folder / NAME)
            except (sqlite3.DatabaseError, AssertionError):
                outcome.damaged += 1
            else:
                assert records == states[found], "one of the states that there were, and no mixture"
                lost = max(0, len(promised) - found)
                outcome.lost += lost
                outcome.cuts_with_loss += lost > 0
                outcome.most_lost = max(outcome.most_lost, lost)
                outcome.unacknowledged_kept += found > len(promised)
                assert found <= len(promised) + 1
                if outcome.cuts % (cuts // OPENED_WHOLE) == 0:
                    whole(folder, found)
            outcome.cuts += 1
            disk.mend()
    disk.close()
    return outcome


def states_after(log: list[Any]) -> list[dict[tuple[str, str], int]]:
    """Which records there are in which version, after none, one, two, ... changes."""
    states: list[dict[tuple[str, str], int]] = [{}]
    for step in log:
        if isinstance(step, recorded.Acknowledged):
            kind, thing, version = step.change
            states.append(states[-1] | {(kind, thing): version})
    return states


@pytest.fixture
def restarts(home: Path, biology: Biology) -> Callable[[Path, int], None]:
    """Start the program on a copy of what a cut has left: all is well with it, and it can be worked with."""

    def restart(folder: Path, found: int) -> None:
        again = home / "restarted"
        shutil.copytree(folder, again)
        database = Database(file_url(again / NAME))
        try:
            assert faults(database) == []
            keeper = Work(Register(database, biology, Clock()), seed=found)
            for _ in range(3):
                keeper.step()
            assert faults(database) == []
            assert examine(again / NAME)[0] == found + 3
        finally:
            database.close()
            shutil.rmtree(again)

    return restart


def test_no_power_cut_loses_what_was_acknowledged(
    home: Path,
    made_file: Path,
    biology: Biology,
    restarts: Callable[[Path, int], None],
    tell: Callable[[str, str], None],
) -> None:
    log, disk = work(folder(home, "work"), made_file, biology), folder(home, "disk")
    outcome = cut_often(log, disk, made_file, CUTS, restarts)
    report(tell, "synchronous=FULL, as the program sets it", log, outcome)
    assert outcome.cuts == CUTS
    assert (outcome.lost, outcome.damaged) == (0, 0)
    assert outcome.unacknowledged_kept > 0, "some cuts fell between the flush and the acknowledgement"


def test_the_same_cuts_lose_acknowledged_changes_with_synchronous_normal(
    home: Path, made_file: Path, biology: Biology, tell: Callable[[str, str], None]
) -> None:
    """Or else the test above would prove nothing."""
    log, disk = work(folder(home, "work"), made_file, biology, synchronous="NORMAL"), folder(home, "disk")
    outcome = cut_often(log, disk, made_file, CUTS_NORMAL, lambda _folder, _found: None)
    report(tell, "synchronous=NORMAL, which it does not", log, outcome)
    assert outcome.lost > 0
    assert outcome.damaged == 0


def folder(home: Path, name: str) -> Path:
    (home / name).mkdir()
    return home / name


def report(tell: Callable[[str, str], None], name: str, log: list[Any], outcome: Outcome) -> None:
    writes = sum(isinstance(step, recorded.Write) for step in log)
    syncs = sum(isinstance(step, recorded.Sync) for step in log)
    to_database = sum(isinstance(step, recorded.Write) and step.file == NAME for step in log)
    tell(
        "power cuts",
        f"{name}: {outcome.cuts} cuts in {CHANGES} changes ({writes} writes, {to_database} of them into the database "
        f"file, {syncs} flushes): {outcome.lost} acknowledged changes lost in {outcome.cuts_with_loss} cuts, at most "
        f"{outcome.most_lost} in one; {outcome.damaged} damaged; {outcome.unacknowledged_kept} cuts kept a change that "
        "was not acknowledged yet",
    )
