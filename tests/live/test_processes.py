"""Several processes pulling weather into one store at once, some of them killed: nothing corrupt, lost or counted twice.

They talk TLS to the loopback server and are led there by settings alone, as to a server of one's own. A worker says
through a pipe which years are done only after they are; what was said must be there after ``kill -9``.
"""

from __future__ import annotations

import multiprocessing
import random
import sys
import time
from collections import Counter
from dataclasses import dataclass, field
from datetime import timedelta
from typing import TYPE_CHECKING, Any

import pytest

from matewindow.biology import load_biology
from matewindow.live import live_sources, open_desk
from matewindow.settings import Settings
from matewindow.weather.budget import Budget, Ledger
from matewindow.weather.store import WeatherStore
from tests.live.helpers import CONTACT, GERMANY, write_addresses
from tests.loopback.client import make_certificate
from tests.loopback.exchange import NOW, SetClock
from tests.loopback.server import LoopbackServer

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator
    from multiprocessing.connection import Connection
    from multiprocessing.process import BaseProcess
    from pathlib import Path

pytestmark = [
    pytest.mark.allow_hosts(["127.0.0.1"]),
    pytest.mark.skipif(sys.platform == "win32", reason="Windows has no kill -9"),
]

KILLS = 50
YEARS = 8
CONTEXT = multiprocessing.get_context("forkserver")


def pull_all(settings: Settings, years: int, said: Connection) -> None:
    """Pull the German site's weather, and say how many years are done and how it ended. Runs in another process."""
    with open_desk(settings, SetClock()) as desk:
        live = live_sources(
            GERMANY, load_biology(), desk, settings, years=years, on_year=lambda done, _: said.send(done)
        )
    said.send(live.sources.remarks)


@pytest.fixture(scope="module", autouse=True)
def _quick_start() -> None:
    """Workers are forked from a process that has imported everything once."""
    CONTEXT.set_forkserver_preload([__name__, "tests.loopback.server"])


@pytest.fixture(scope="module")
def secure(tmp_path_factory: pytest.TempPathFactory) -> Iterator[tuple[LoopbackServer, Settings]]:
    """A loopback server that speaks TLS, and settings that lead to it."""
    folder = tmp_path_factory.mktemp("tls")
    made = make_certificate(folder)
    if made is None:
        pytest.skip("there is no openssl program to make a certificate with")
    both, trusted = made
    with LoopbackServer(certificate=both) as server:
        addresses = write_addresses(server, folder / "addresses.toml")
        yield server, Settings(contact=CONTACT, ca_bundle=trusted, addresses_file=addresses)


@dataclass
class Worker:
    """A process that pulls, and what it said."""

    process: BaseProcess
    pipe: Connection
    heard: list[Any] = field(default_factory=list)

    @classmethod
    def start(cls, settings: Settings, years: int = YEARS) -> Worker:
        ours, theirs = CONTEXT.Pipe(duplex=False)
        process = CONTEXT.Process(target=pull_all, args=(settings, years, theirs))
        process.start()
        theirs.close()
        return cls(process, ours)

    def join(self) -> list[Any]:
        """Wait for its end; all that it said."""
        try:
            while True:
                self.heard.append(self.pipe.recv())
        except EOFError:
            self.pipe.close()
        self.process.join(30.0)
        assert self.process.exitcode is not None
        return self.heard


def in_store(settings: Settings, folder: Path) -> Settings:
    return Settings(
        contact=settings.contact,
        ca_bundle=settings.ca_bundle,
        addresses_file=settings.addresses_file,
        store_folder=folder,
    )


def kept_years(store: WeatherStore) -> set[int]:
    """Years whose answer is whole and has its normal form beside it."""
    entries = store.entries(kind="analysis")
    return {int(e.params["start_date"][:4]) for e in entries if store.body(e) and store.load_normal(e) is not None}


def asked_years(server: LoopbackServer) -> Counter[int]:
    return Counter(int(e.request.text("start_date")[:4]) for e in server.calls("open-meteo-archive"))


def counted(folder: Path) -> float:
    """Weighted calls of the day by the program's own count."""
    return Budget(Ledger(folder, now=SetClock().now)).state()[2].used


def weighed(server: LoopbackServer) -> float:
    """Weighted calls by the server's count, with one for each note about runs: a file to it, a call to the program."""
    return sum(e.weight for e in server.calls("open-meteo")) + len(server.calls("open-meteo", path="meta.json"))


def test_two_processes_at_once_ask_for_everything_once_between_them(
    secure: tuple[LoopbackServer, Settings], tmp_path: Path
) -> None:
    server, settings = secure
    server.forget()
    workers = [Worker.start(in_store(settings, tmp_path)) for _ in range(2)]
    heard = [worker.join() for worker in workers]

    assert [words[-1] for words in heard] == [
        ("The ensemble was corrected for what its model got wrong here in the last months.",)
    ] * 2
    assert [words[:-1] for words in heard] == [list(range(1, YEARS + 2))] * 2
    assert set(asked_years(server).values()) == {1}
    asked = Counter((e.request.service, e.request.path, e.request.raw_query) for e in server.calls())
    notes = [times for (_, path, _), times in asked.items() if path.endswith("meta.json")]
    assert len(notes) == 1
    assert 2 <= notes[0] <= 4  # before and after the ensemble; whoever waited for the other looks once more
    assert sum(asked.values()) - notes[0] == len(asked) - 1  # everything else once
    store = WeatherStore(tmp_path, now=SetClock().now)
    assert (store.verify(), store.state().n_answers) == (0, len(asked))
    assert counted(tmp_path) == pytest.approx(weighed(server))


def test_fifty_kills_in_mid_fetch_corrupt_nothing_lose_nothing_and_count_nothing_twice(
    secure: tuple[LoopbackServer, Settings], tmp_path: Path, tell: Callable[[str, str], None]
) -> None:
    """Two workers share each store; one or both are killed at a random moment, over and over, until all years are in
    it. Then another store is begun."""
    server, settings = secure
    rng = random.Random(1)
    begun = time.monotonic()
    n_kills = n_stores = n_halves = n_again = 0
    while n_kills < KILLS:
        folder = tmp_path / str(n_stores)
        n_stores += 1
        server.forget()
        store = WeatherStore(folder, now=SetClock().now)
        wanted = list(range(NOW.year, NOW.year - YEARS - 1, -1))
        done: set[int] = set()
        asked_when_done: Counter[int] = Counter()
        killed = 0
        while n_kills < KILLS and len(done) < len(wanted):
            workers = [Worker.start(in_store(settings, folder)) for _ in range(2)]
            assert workers[0].pipe.poll(30.0)
            time.sleep(rng.uniform(0.0, 0.06))
            for worker in workers[: rng.choice((1, 2))]:
                worker.process.kill()
                killed += 1
            if rng.random() < 0.8:  # else the other one finishes
                workers[1].process.kill()
            heard = [worker.join() for worker in workers]
            n_kills += sum(worker.process.exitcode == -9 for worker in workers)
            for words in heard:
                years = set(wanted[: max((w for w in words if isinstance(w, int)), default=0)])
                for year in years - done:
                    asked_when_done[year] = asked_years(server)[year]
                done |= years
            assert done <= kept_years(store)
            assert store.verify() == 0
            assert store.state().n_set_aside == 0
            n_halves += store.sweep(leftover=timedelta(0)).n_leftovers
            # a call is entered before it is made: the count may be ahead by what the dead had entered, never behind
            assert weighed(server) - 1e-6 <= counted(folder) <= weighed(server) + 24.0 * killed
        last = Worker.start(in_store(settings, folder)).join()
        assert last[-1] == ("The ensemble was corrected for what its model got wrong here in the last months.",)
        assert kept_years(store) == set(wanted)
        assert store.verify() == 0
        for year, times in asked_when_done.items():
            assert asked_years(server)[year] == times  # what was done was never asked for again
        n_again += sum(times - 1 for times in asked_years(server).values())
    took_s = time.monotonic() - begun
    tell(
        "killed processes",
        f"{n_kills} kills over {n_stores} stores in {took_s:.0f} s: {n_halves} writes cut short, "
        f"{n_again} years asked for again because their answer had not been kept, nothing corrupt, nothing lost",
    )
    assert took_s < 60.0
