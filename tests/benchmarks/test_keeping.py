"""What a refresh of many sites costs from weather that is there to outlooks on record: time, memory, and with more sites.

Everything is done that the service does: records read, outlooks worked out in processes of their own, judged, entered in
calendars and stored. Only the weather is at hand: four invented weathers (51 members over 16 days, thirty past years, a
record of the season) are shared by the sites in turn, so that nothing is fetched or read. A site has ten batches grafted
on ten days of the last six weeks; every one of them gets a new outlook.

Figures are printed always; a test fails only on a gross regression. In the normal run 20 sites are held against 100;
``MATEWINDOW_BENCHMARK_SITES=1000`` holds a tenth of that many against all of them.
"""

from __future__ import annotations

import os
import resource
import sys
import time
from dataclasses import dataclass
from typing import TYPE_CHECKING

import pytest
import sqlalchemy as sa
from threadpoolctl import threadpool_limits  # type: ignore[import-untyped]

from matewindow.biology import load_biology
from matewindow.keeping.judging import Judging
from matewindow.keeping.outlooks import Keeper
from matewindow.keeping.refresh import Refresher
from matewindow.register.database import Database
from matewindow.register.register import Register
from tests.keeping.invented import NOW, InventedDesk, fill, invented

if TYPE_CHECKING:
    from collections.abc import Callable
    from pathlib import Path

    from matewindow.paths import Sources

pytestmark = pytest.mark.benchmark

BATCHES = 10
PROCESSES = 2
SITES = int(os.environ.get("MATEWINDOW_BENCHMARK_SITES", "100"))
AIM_S, AIM_MB = 60.0, 1000.0
"""For 1,000 sites with ten batches each, on two cores."""
_MB = 1e6 if sys.platform == "darwin" else 1e3


@dataclass(frozen=True)
class Cost:
    """Of one round: seconds by the clock and of all cores, MB at the peak here and in each other process, MB on disk."""

    wall_s: float
    cores_s: float
    here_mb: float
    there_mb: float
    file_mb: float


@pytest.fixture(scope="module")
def weathers() -> list[Sources]:
    return [invented(seed) for seed in range(4)]


@pytest.fixture
def say(capsys: pytest.CaptureFixture[str]) -> Callable[[str], None]:
    """Print past pytest's capture, so that figures are seen in every run."""

    def tell(text: str) -> None:
        with capsys.disabled():
            print(f"\n  benchmark: {text}", flush=True)

    return tell


def cores_s() -> float:
    """Seconds of a core that this process and its ended children have used."""
    both = [resource.getrusage(who) for who in (resource.RUSAGE_SELF, resource.RUSAGE_CHILDREN)]
    return sum(used.ru_utime + used.ru_stime for used in both)


def a_round(n_sites: int, weathers: list[Sources], folder: Path, processes: int) -> Cost:
    """Refresh so many sites once."""
    file = folder / f"{n_sites}_{processes}.sqlite"
    database = Database(sa.URL.create("sqlite", database=str(file)))
    fill(database, n_sites, BATCHES)
    biology = load_biology()
    keeper = Keeper(
        Register(database, biology, lambda: NOW), InventedDesk(biology, weathers), Judging(biology, lambda: NOW)
    )
    refresher = Refresher(keeper, processes=processes)
    due, began_s, used_s = refresher.due(10 * n_sites), time.perf_counter(), cores_s()
    with threadpool_limits(limits=1):
        issued = sum(refreshed.issued for refreshed in refresher.refresh_many(due))
    wall_s, used_s = time.perf_counter() - began_s, cores_s() - used_s
    assert issued == n_sites * BATCHES
    assert refresher.due() == []
    here, there = (resource.getrusage(who).ru_maxrss / _MB for who in (resource.RUSAGE_SELF, resource.RUSAGE_CHILDREN))
    database.close()
    return Cost(wall_s, used_s, here, there, file.stat().st_size / 1e6)


def test_many_sites_refreshed_without_fetching(
    weathers: list[Sources], tmp_path: Path, say: Callable[[str], None]
) -> None:
    """Fails if a site among many costs twice as much as among a fifth (or tenth) of them, or above 1 GB in all."""
    few_n = SITES // (10 if SITES > 100 else 5)
    few, many = (a_round(n, weathers, tmp_path, PROCESSES) for n in (few_n, SITES))
    scale = 1000.0 / SITES
    peak_mb = many.here_mb + PROCESSES * many.there_mb
    say(
        f"{SITES} sites with {BATCHES * SITES} batches in {many.wall_s:.1f} s, {many.cores_s:.1f} s of a core "
        f"({1e3 * many.cores_s / SITES / BATCHES:.1f} ms a batch), {few_n} sites {few.wall_s:.1f} and {few.cores_s:.1f} s; "
        f"1,000 sites {scale * many.wall_s:.0f} s as it went (aim {AIM_S:.0f}), {scale * many.cores_s / 2.0:.0f} s on two "
        f"cores of one's own; peak {many.here_mb:.0f} MB here and {many.there_mb:.0f} MB in each of {PROCESSES} others, "
        f"{peak_mb:.0f} MB in all (aim {AIM_MB:.0f}); {1e3 * many.file_mb / SITES / BATCHES:.0f} kB on disk a batch"
    )
    assert many.cores_s / SITES < 2.0 * few.cores_s / few_n
    # a process starts with the largest memory of its parent, which is that of the tests before in a worker of xdist
    assert peak_mb < 1.5 * AIM_MB or "PYTEST_XDIST_WORKER" in os.environ


def test_processes_of_their_own_against_none(
    weathers: list[Sources], tmp_path: Path, say: Callable[[str], None]
) -> None:
    """Forty sites in this process and in two others. Fails if the others cost three times as much."""
    alone, others = (a_round(40, weathers, tmp_path, processes) for processes in (1, PROCESSES))
    say(
        f"40 sites in this process {alone.wall_s:.1f} s ({alone.cores_s:.1f} s of a core), in {PROCESSES} others "
        f"{others.wall_s:.1f} s ({others.cores_s:.1f} s of a core, starting them included)"
    )
    assert others.cores_s < 3.0 * alone.cores_s
