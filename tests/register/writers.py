"""What processes do to a register while tests kill them, starve them or hold them up.

Each says what was acknowledged only after it was; what was said must be there afterwards, whatever happens.
"""

from __future__ import annotations

import json
import os
import random
import signal
import sys
import time
from itertools import count
from typing import TYPE_CHECKING, Any

import sqlalchemy as sa

from matewindow.biology import Biology, load_biology
from matewindow.errors import BusyError, ConflictError, NotThereError, RefusedError, StaleError, UnavailableError
from matewindow.register.database import Database
from matewindow.register.register import Register
from matewindow.register.rows import find
from tests.register.made import GRAFT, SITE, Clock

if TYPE_CHECKING:
    from multiprocessing.connection import Connection

    from matewindow.register.rows import Row

BIOLOGY: Biology | None = None
"""Read once by whoever forks."""
BREATH_S = 0.002
"""A keeper's pause between two changes."""
Told = tuple[str, str, int]
"""Kind, id and version of a record."""


def open_register(url: str, **options: Any) -> Register:
    """A register with a clock that stands."""
    return Register(Database(sa.make_url(url), **options), BIOLOGY or load_biology(), Clock())


class Work:
    """A keeper's changes, one after the other: batches are added, changed, deleted, brought back and undone."""

    def __init__(self, register: Register, seed: int) -> None:
        self.register, self.rng, self.who = register, random.Random(seed), f"writer {seed}"
        self.site = ""
        self.batches: list[str] = []

    def step(self) -> Told:
        """One change, acknowledged when this returns."""
        if not self.site:
            row = self.register.add("site", SITE, self.who)
            self.site = row["id"]
            return "site", row["id"], row["version"]
        roll, kind = self.rng.random(), "batch"
        if roll < 0.5 or not self.batches:
            row = self.register.add(kind, {"site_id": self.site, "notes": self._notes()} | GRAFT, self.who)
            self.batches.append(row["id"])
        else:
            row = self._again(self.rng.choice(self.batches), roll)
        return kind, row["id"], row["version"]

    def _again(self, batch: str, roll: float) -> Row:
        if self._is_deleted(batch):
            return self.register.bring_back("batch", batch, self.who)
        if roll < 0.8:
            return self.register.change("batch", batch, {"notes": self._notes()}, self.who)
        if roll < 0.9:
            return self.register.delete("batch", batch, self.who)
        return self.register.change("batch", batch, {"n_grafted": self.rng.randrange(100)}, self.who)

    def _is_deleted(self, batch: str) -> bool:
        with self.register.database.write() as connection:
            deleted: bool = find(connection, "batch", batch)["deleted_at"] is not None
        return deleted

    def _notes(self) -> str:
        return "".join(self.rng.choices("abc déf\n", k=self.rng.randrange(600)))


def write_for_ever(said: Connection, url: str, seed: int) -> None:
    """Change records without end, and say which."""
    work = Work(open_register(url), seed)
    while True:
        said.send(work.step())
        time.sleep(work.rng.uniform(0, BREATH_S))  # or the other would never get its turn


def write_through_trouble(said: Connection, url: str, seed: int) -> None:
    """Change records until told to end; say what was acknowledged, and in which words anything was refused."""
    work = Work(open_register(url, migrate=False), seed)
    while not said.poll():
        try:
            said.send(work.step())
        except (UnavailableError, BusyError) as refused:
            said.send(str(refused))
            time.sleep(10 * BREATH_S)
    said.recv()


def open_and_add(said: Connection, url: str) -> None:
    """Open a register when told, perhaps the first to do so, and add one site."""
    said.recv()
    said.send(Work(open_register(url), os.getpid()).step())


def count_up(said: Connection, url: str, batch: str, times: int) -> None:
    """Raise a batch's count by one, so many times, each upon what was last read, and say how often that was stale."""
    register, stale = open_register(url), 0
    said.recv()
    for _ in range(times):
        for _ in count():
            row = register.get("batch", batch)
            try:
                register.change("batch", batch, {"n_grafted": row["n_grafted"] + 1}, "counter", version=row["version"])
            except StaleError:
                stale += 1
            else:
                break
    said.send(stale)


def attempt(said: Connection, url: str, tries: list[tuple[str, tuple[Any, ...]]]) -> None:
    """Make calls to a register as soon as told, and say of each whether it was done or refused."""
    register = open_register(url)
    register.every("site")
    said.recv()
    for name, args in tries:
        try:
            getattr(register, name)(*args)
        except (ConflictError, NotThereError, RefusedError):
            said.send("refused")
        except Exception as fault:
            said.send(repr(fault))
        else:
            said.send("done")


def hold_write_lock(said: Connection, url: str) -> None:
    """Change a batch's notes, but keep the transaction open until told to end it."""
    register = open_register(url)
    with register.database.write():
        row = register.add("site", SITE, "the one who holds")
        said.send(row["id"])
        said.recv()
    said.send("done")


def main(url: str, times: str) -> None:
    """For a process under strace: so many changes, told line by line as JSON."""
    work = Work(open_register(url, migrate=False), 1)
    for _ in range(int(times)):
        line: dict[str, Any]
        try:
            line = {"acknowledged": work.step()}
        except UnavailableError as refused:
            line = {"refused": str(refused), "full": refused.full}
        print(json.dumps(line), flush=True)


if __name__ == "__main__":
    signal.signal(signal.SIGPIPE, signal.SIG_DFL)
    main(*sys.argv[1:])
