"""Several processes on one store, some of them killed in mid-write: nothing corrupt, nothing lost, nothing counted twice.

A worker says what is finished only after it is, through a pipe. What was said must be there after ``kill -9``; what
was not may be there or not, but never by half. (A kill is no power cut: the page cache outlives it. That each
file and folder is flushed before the next step is checked in ``test_store.py``.)
"""

from __future__ import annotations

import hashlib
import multiprocessing
import os
import random
import shutil
import signal
import sys
import time
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import TYPE_CHECKING, Any

import pytest

from matewindow.errors import SourceError
from matewindow.settings import Settings
from matewindow.weather.budget import Budget, Ledger
from matewindow.weather.entries import Key, Received
from matewindow.weather.http import Client, Clock, SourceRequest
from matewindow.weather.manners import OPEN_METEO
from matewindow.weather.store import WeatherStore
from tests.weather.loopback import Loopback, reply

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator
    from multiprocessing.connection import Connection
    from multiprocessing.process import BaseProcess

    from tests.weather.loopback import Handler

pytestmark = pytest.mark.skipif(sys.platform == "win32", reason="Windows has no kill -9")

NOON = datetime(2026, 6, 1, 12, 0, 20, tzinfo=UTC)
KEY = Key.of(source="open-meteo", site="here", kind="ensemble", url="https://weather.example/", params={})
WORKERS = 2
ROUNDS = 50


def noon() -> datetime:
    """A clock that stands still, so that no period of the budget ends while we count."""
    return NOON


class StandingClock(Clock):
    def now(self) -> datetime:
        return NOON


# --- what workers do ----------------------------------------------------------------------------------------


def answer(seed: int, at: datetime) -> Received:
    """An answer whose body begins with its own hash and cannot be shrunk."""
    rng = random.Random(seed)
    rest = rng.randbytes(rng.randrange(1000, 150_000))
    return Received(KEY, "https://weather.example/", {}, at, 200, hashlib.sha256(rest).digest() + rest)


def sound(body: bytes) -> bool:
    return hashlib.sha256(body[32:]).digest() == body[:32]


def write_for_ever(folder: Path, said: Connection, seed: int, die_at: int) -> None:
    """Reserve, write, say so, over and over; or die by one's own hand at a given step of the file system."""
    if die_at:
        _die_at(die_at)
    store, budget = WeatherStore(folder, now=noon), Budget(Ledger(folder, now=noon))
    for n in range(1000):
        budget.reserve(0.25)
        entry = store.put(answer(seed + n, NOON + timedelta(seconds=seed + n)))
        said.send(entry.id)


def _die_at(step: int) -> None:
    """Kill this process at a flush or a renaming, half of the time before it and half after it."""
    taken = 0

    def deadly(real: Callable[..., Any]) -> Callable[..., Any]:
        def call(*args: Any, **kwargs: Any) -> Any:
            nonlocal taken
            taken += 1
            if taken == step:
                if step % 2:
                    real(*args, **kwargs)
                os.kill(os.getpid(), signal.SIGKILL)
            return real(*args, **kwargs)

        return call

    os.fsync = deadly(os.fsync)
    Path.rename = deadly(Path.rename)  # type: ignore[method-assign]  # this process is about to die
    Path.replace = deadly(Path.replace)  # type: ignore[method-assign]


def reserve_all(folder: Path, said: Connection) -> None:
    budget = Budget(Ledger(folder, now=noon))
    taken = 0
    while True:
        try:
            budget.reserve(3.0)
        except SourceError:
            said.send(taken)
            return
        taken += 1


def fetch_all(folder: Path, url: str, said: Connection) -> None:
    """Ask for five sites, one after the other."""
    with Client(Settings(), WeatherStore(folder, now=noon), StandingClock()) as client:
        for n in range(5):
            asked = SourceRequest(OPEN_METEO, url, {"site": str(n)}, site=f"s{n}", kind="forecast", weight=2.0)
            said.send((n, client.get(asked).body))


# --- running them -------------------------------------------------------------------------------------------

CONTEXT = multiprocessing.get_context("forkserver")


@pytest.fixture(scope="module", autouse=True)
def quick_start() -> None:
    """Workers are forked from a process that has imported everything once."""
    CONTEXT.set_forkserver_preload([__name__, "matewindow.weather.http"])


class Workers:
    """Running workers and what each of them said."""

    def __init__(self) -> None:
        self._running: list[tuple[BaseProcess, Connection]] = []

    def start(self, target: Callable[..., None], *args: Any) -> None:
        ours, theirs = CONTEXT.Pipe(duplex=False)
        process = CONTEXT.Process(target=target, args=tuple(theirs if arg is PIPE else arg for arg in args))
        process.start()
        theirs.close()
        self._running.append((process, ours))

    def wait_until_all_spoke(self) -> None:
        for process, said in self._running:
            assert said.poll(20.0) or process.exitcode is not None

    def kill(self) -> None:
        for process, _ in self._running:
            process.kill()

    def heard(self) -> list[list[Any]]:
        """Wait for the end of all; what each said before."""
        heard = []
        for process, said in self._running:
            words = []
            try:
                while True:
                    words.append(said.recv())
            except EOFError:
                pass
            process.join(20.0)
            assert process.exitcode is not None
            heard.append(words)
            said.close()
            process.close()
        return heard


PIPE = object()


@pytest.fixture
def watch() -> Iterator[None]:
    begun = time.monotonic()
    yield
    assert time.monotonic() - begun < 60.0  # a third of that is usual on a slow machine


def used(folder: Path) -> float:
    return Budget(Ledger(folder, now=noon)).state()[2].used


# --- the tests ----------------------------------------------------------------------------------------------


def test_killed_writers_leave_no_corrupt_entry_lose_none_and_count_no_call_twice(
    tmp_path: Path, watch: None, record_property: Callable[[str, object], None]
) -> None:
    """50 rounds with two writers each. In every other round both are killed from outside at a random moment; in the
    rest one kills itself at its 1st, 2nd, 3rd … flush or renaming, and the other is killed after it."""
    rng = random.Random(1)
    folder = tmp_path / "store"
    store = WeatherStore(folder, now=noon)
    n_said = n_started = n_leftovers = 0
    for round_number in range(ROUNDS):
        workers = Workers()
        for worker in range(WORKERS):
            die_at = round_number // 2 + 1 if round_number % 2 and worker == 0 else 0
            workers.start(write_for_ever, folder, PIPE, (round_number * WORKERS + worker) * 1000, die_at)
        workers.wait_until_all_spoke()
        time.sleep(rng.uniform(0.0, 0.02))
        workers.kill()
        heard = workers.heard()

        there = {entry.id: store.body(entry) for entry in store.entries()}
        said = [entry_id for words in heard for entry_id in words]
        n_said += len(said)
        n_started += WORKERS
        assert len(set(said)) == len(said)
        assert set(said) <= set(there)
        assert all(map(sound, there.values()))
        assert store.state().n_set_aside == 0
        n_leftovers += store.sweep(leftover=timedelta(0)).n_leftovers
        if round_number % 10 == 9:  # so that reading everything does not take longer and longer
            assert n_said <= 4 * used(folder) <= n_said + n_started
            assert store.verify() == 0
            for entry in store.entries():
                shutil.rmtree(entry.folder)

    assert n_said >= ROUNDS
    assert n_leftovers >= 10  # else no kill came in mid-write, and nothing was tested
    record_property("acknowledged writes", n_said)
    record_property("writes cut short", n_leftovers)


def test_processes_together_get_no_more_calls_than_there_are(tmp_path: Path, watch: None) -> None:
    """600 a minute are 200 calls of weight 3."""
    workers = Workers()
    for _ in range(3):
        workers.start(reserve_all, tmp_path, PIPE)

    taken = [words[0] for words in workers.heard()]

    assert sum(taken) == 200
    assert used(tmp_path) == 600.0


@pytest.mark.allow_hosts(["127.0.0.1"])
def test_two_processes_that_want_the_same_at_once_ask_the_source_once_and_one_at_a_time(
    tmp_path: Path, watch: None
) -> None:
    """Open-Meteo runs one call at a time for an address; whoever waited finds the answer in the store."""
    at_once = most_at_once = 0

    def slowly(handler: Handler) -> None:
        nonlocal at_once, most_at_once
        at_once += 1
        most_at_once = max(most_at_once, at_once)
        handler.server.stopped.wait(0.03)
        at_once -= 1
        reply(b'{"asked": "%s"}' % handler.path.encode(), 200, Cache_Control="max-age=3600")(handler)

    with Loopback() as server:
        server.will(slowly)
        workers = Workers()
        for _ in range(2):
            workers.start(fetch_all, tmp_path, server.url, PIPE)
        one, other = workers.heard()
        n_calls = len(server.seen)

    expected = [(n, b'{"asked": "/v1/forecast?site=%d"}' % n) for n in range(5)]
    assert one == other == expected
    assert n_calls == 5
    assert most_at_once == 1
    store = WeatherStore(tmp_path, now=noon)
    assert (store.state().n_answers, store.verify()) == (5, 0)
    assert used(tmp_path) == 10.0
