"""Processes of the service for tests to stop and kill: each refreshes a register on invented weather.

A child says what it does through its pipe, and goes on where it was told to wait when it hears something.
"""

from __future__ import annotations

import time
from datetime import datetime, timedelta
from functools import lru_cache
from threading import Event
from typing import TYPE_CHECKING, Any

import sqlalchemy as sa

from matewindow.biology import load_biology
from matewindow.keeping.jobs import Jobs
from matewindow.keeping.judging import Judging
from matewindow.keeping.leases import Lease, LostError
from matewindow.keeping.outlooks import Keeper
from matewindow.keeping.refresh import Refresher
from matewindow.keeping.schedule import Schedule
from matewindow.keeping.state import LEASE
from matewindow.outbound import Guard
from matewindow.outbound_networks import allowed_networks
from matewindow.register.database import Database
from matewindow.register.register import Register
from matewindow.webhooks.sender import Sender
from tests.keeping.invented import InventedDesk, invented, of_run, wet

if TYPE_CHECKING:
    from multiprocessing.connection import Connection

    from matewindow.paths import Sources

SHORT = timedelta(seconds=1)
"""A lease that a test can wait for."""


@lru_cache(maxsize=1)
def weathers() -> tuple[Sources, Sources]:
    """Fine weather, and the same with rain."""
    fine = invented(1, years=4, members=5)
    return fine, wet(fine)


class Process:
    """One process of the service."""

    def __init__(
        self, url: str, now: datetime, holder: str = "me", *, rain: bool = False, ticking: bool = False
    ) -> None:
        began = time.monotonic()
        self.database = Database(sa.make_url(url), migrate=False)
        self._now = now

        def clock() -> datetime:
            return self._now + timedelta(seconds=time.monotonic() - began if ticking else 0.0)

        self.clock = clock
        biology = load_biology()
        self.register = Register(self.database, biology, self.clock)
        self.desk = InventedDesk(biology, [of_run(weathers()[rain], now - timedelta(hours=3))])
        self.keeper = Keeper(self.register, self.desk, Judging(biology, self.clock))
        self.refresher = Refresher(self.keeper)
        self.jobs = Jobs(self.database, self.clock)
        self.lease = Lease(self.database, LEASE, holder, self.clock, SHORT)
        self.schedule = Schedule(self.refresher, self.jobs, self.lease, holder)
        self.sender = Sender(self.database, Guard(allowed_networks("127.0.0.1")), self.clock)

    def set(self, now: datetime) -> None:
        """Set its clock."""
        self._now = now


def refresh_until(said: Connection, url: str, now: datetime, where: str) -> None:
    """Refresh in rain, and stop for ever where it is said: before the commit, or between that and the sending."""
    process = Process(url, now, rain=True)

    def stop(*_: Any) -> None:
        said.send("stopped")
        said.recv()

    if where == "before the commit":
        process.desk.on_store = stop
    list(process.refresher.refresh_many(process.refresher.due()))
    stop()


def work(said: Connection, url: str, now: datetime, holder: str) -> None:
    """Refresh what is due whenever it is told to, until it hears nothing more; say which sites that were."""
    process = Process(url, now, holder)
    said.send("ready")
    while (moment := said.recv()) is not None:
        process.desk.asked.clear()
        process.set(moment)
        done = process.schedule.refresh_due()
        said.send((done, list(process.desk.asked)))


def hold(said: Connection, url: str, now: datetime) -> None:
    """Refresh, and wait for a word with the second site's weather in hand; say how it ended."""
    process = Process(url, now, "first", ticking=True)

    def wait(site_id: str) -> None:
        if len(process.desk.asked) == 2:
            said.send("holding")
            said.recv()

    process.desk.on_ask = wait
    try:
        said.send(("done", process.schedule.refresh_due()))
    except LostError:
        said.send(("lost", len(process.desk.asked)))


def take_over(said: Connection, url: str, now: datetime) -> None:
    """Wait for the lease to run out and refresh; say how many sites that were."""
    process = Process(url, now, "second", ticking=True)
    while not process.lease.take():
        Event().wait(0.02)
    said.send(process.schedule.refresh_due())
    said.recv()


def with_workers(said: Connection) -> None:
    """Have two processes work, and say which they are."""
    from matewindow.processes import in_processes

    waiting = in_processes(_tell_and_wait, [1, 2, 3, 4, 5, 6], processes=2)
    pids: set[int] = set()
    for pid in waiting:
        pids.add(pid)
        if len(pids) == 2:
            break
    said.send(sorted(pids))
    said.recv()


def _tell_and_wait(number: int) -> int:
    import os

    from matewindow.keeping import working

    working._end_with_parent()
    Event().wait(0.2)
    return os.getpid()


def gone(pid: int, patience_s: float) -> bool:
    """Whether a process has ended, or does so in time."""
    import os
    import select

    try:
        end = os.pidfd_open(pid)
    except ProcessLookupError:
        return True
    try:
        return bool(select.select([end], [], [], patience_s)[0])
    finally:
        os.close(end)
