"""What a refresh of many sites costs once their weather is there: by batch, by site, with more sites, on two cores.

Figures are printed always; a test fails only on a gross regression. All weather is invented. A site has ten batches
grafted on ten days of the last six weeks, thirty kept past years, a record of this season, a run and 51 members.
"""

from __future__ import annotations

import hashlib
import os
import resource
import sys
import time
from dataclasses import dataclass
from datetime import UTC, date, datetime, timedelta
from functools import lru_cache
from itertools import pairwise
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np
import pytest
from threadpoolctl import threadpool_limits  # type: ignore[import-untyped]

from matewindow.biology import load_biology
from matewindow.keptpast import KeptPast, past_edition, past_key
from matewindow.manyoutlooks import outlooks_of
from matewindow.outlook import Outlook, batch_outlook
from matewindow.processes import in_processes
from matewindow.sources import sources_of
from matewindow.timeline import Batch, graft_time
from matewindow.weather import normal_file
from matewindow.weather.folder import WeatherFolder
from matewindow.weather.normal import Provenance, Weather, make_weather
from tests.made_weather import stand

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator

    from matewindow.site import Site
    from matewindow.weather.normal import Kind

pytestmark = pytest.mark.benchmark

BIOLOGY = load_biology()
NOW = datetime(2026, 5, 27, 12, tzinfo=UTC)
BEFORE = np.datetime64("2026-01-01")
PLACES = [(-1.7, "Europe/London"), (-105.0, "America/Denver")]
BATCHES = 10
AIM_S = 60.0
"""For 1,000 sites with ten batches each, on two cores."""


@dataclass(frozen=True)
class Kept:
    """What a service has of a site when a refresh begins, its fresh weather included."""

    site: Site
    past: bytes
    key: str
    weather: WeatherFolder
    record: Weather


def hourly(first: str, n_days: int, kind: Kind, seed: int, n_members: int = 1, step_h: int = 1) -> Weather:
    """Hourly weather in spells of some days, a tenth of the hours wet; invented."""
    rng, shape = np.random.default_rng(seed), (n_members, 24 * n_days)
    mood = np.empty((n_members, n_days))
    mood[:, 0] = 0.0
    for day in range(1, n_days):
        mood[:, day] = 0.7 * mood[:, day - 1] + 0.7 * rng.normal(size=n_members)
    spell, hour = np.repeat(mood, 24, axis=1), np.arange(24 * n_days)
    season = 6.0 * np.cos(2.0 * np.pi * (hour / 24.0 - 200.0) / 365.25)
    wet = rng.random((n_members, 24 * n_days // step_h)) < 0.35 / (1.0 + np.exp(3.0 + 4.0 * spell[:, ::step_h]))
    amount = np.where(wet, np.round(0.1 + rng.exponential(0.8, wet.shape), 1), 0.0)
    columns = {
        "temp_c": np.round(11.0 + season + 3.0 * spell + 4.0 * np.cos(2.0 * np.pi * (hour - 15) / 24.0), 1),
        "wind_ms": np.round(rng.gamma(3.0, 1.1, shape), 2),
        "rain_mm": np.repeat(amount / step_h, step_h, axis=1),
        "ghi_wm2": np.round(np.maximum(0.0, 700.0 * np.sin(np.pi * (hour % 24 - 5.0) / 14.0) + 60.0 * spell)),
    }
    run = None if kind == "analysis" else NOW - timedelta(hours=12)
    times = np.datetime64(first, "s") + hour * np.timedelta64(3600, "s")
    return make_weather(times, columns, Provenance("invented", kind, "none", run_time=run))


@lru_cache(maxsize=2)
def kept(place: int) -> Kept:
    """One of two sites."""
    longitude, zone = PLACES[place]
    site = stand(longitude=longitude, timezone=zone)
    record = hourly(
        "1996-01-01", int((np.datetime64("2026-05-26") - np.datetime64("1996-01-01")).astype(int)), "analysis", place
    )
    edition = past_edition(record)
    past = KeptPast.of(record, site, BIOLOGY.flight, edition=edition, before=BEFORE)
    since = int((np.datetime64("2025-12-31") - record.times[0]).astype("timedelta64[h]").astype(int))
    season = make_weather(
        record.times[since:],
        {name: record.values(name)[:, since:] for name in record.frame.columns},  # type: ignore[index]
        record.provenance,
    )
    weather = WeatherFolder(
        hourly("2026-05-25", 12, "forecast", 10 + place),
        hourly("2026-05-27", 15, "ensemble", 20 + place, 51, step_h=3),
        season,
    )
    return Kept(site, past.as_bytes(), past_key(edition, site, BIOLOGY.flight, before=BEFORE), weather, record)


def batches(n: int, site: Site) -> list[Batch]:
    """Grafted on as many different days as there are, up to forty."""
    return [Batch(graft_time(date(2026, 4, 16) + timedelta(days=40 * i // max(n, 2) % 40), site)) for i in range(n)]


@dataclass(frozen=True)
class Cost:
    """Seconds of one core from the kept bytes to the weather on solar days, and on to the outlooks; MB at the peak."""

    weather_s: float
    outlooks_s: float
    peak_mb: float
    process: int

    @property
    def seconds(self) -> float:
        return self.weather_s + self.outlooks_s


def peak_mb() -> float:
    """Largest memory of this process so far; unlike ``ru_maxrss`` it knows nothing of the parent's."""
    status = Path("/proc/self/status")
    if status.exists():
        return next(int(x.split()[1]) for x in status.read_text("ascii").splitlines() if x.startswith("VmHWM:")) / 1e3
    return float(resource.getrusage(resource.RUSAGE_SELF).ru_maxrss) / (1e6 if sys.platform == "darwin" else 1e3)


def refresh(number: int, n_batches: int = BATCHES) -> Cost:
    """All that is done for one site after its weather has come."""
    has = kept(number % len(PLACES))
    began = time.process_time()
    past = KeptPast.from_bytes(has.past, key=has.key)
    sources = sources_of(has.weather, has.site, BIOLOGY, kept=past)
    ready = time.process_time()
    found = outlooks_of(batches(n_batches, has.site), has.site, sources, NOW, BIOLOGY)
    done = time.process_time()
    assert all(isinstance(one, Outlook) and one.years == 30 and one.members >= 51 for one in found)
    return Cost(ready - began, done - ready, peak_mb(), os.getpid())


@pytest.fixture(autouse=True, scope="module")
def _one_core() -> Iterator[None]:
    """Small matrix products on one core: seconds of a core are counted, and waiting for another one counts."""
    with threadpool_limits(limits=1):
        yield


@pytest.fixture
def say(capsys: pytest.CaptureFixture[str]) -> Callable[[str], None]:
    """Print past pytest's capture, so that figures are seen in every run."""

    def tell(text: str) -> None:
        with capsys.disabled():
            print(f"\n  benchmark: {text}", flush=True)

    return tell


@pytest.fixture(scope="module")
def reference_s() -> float:
    """The yardstick: 200 times the exponential of a million numbers."""
    numbers = np.random.default_rng(0).uniform(-1.0, 1.0, 1_000_000)
    out, taken = np.empty_like(numbers), []
    for _ in range(20):
        began = time.process_time()
        np.exp(numbers, out=out)
        taken.append(time.process_time() - began)
    return 200.0 * min(taken)


@pytest.mark.parametrize("n_batches", [1, 10, 50])
def test_batches_of_one_site_together(n_batches: int, reference_s: float, say: Callable[[str], None]) -> None:
    """Against as many calls of ``batch_outlook``. Aim: 10 ms a batch from ten on; fails at 2 yardsticks."""
    has = kept(0)
    sources = sources_of(has.weather, has.site, BIOLOGY, kept=KeptPast.from_bytes(has.past, key=has.key))
    these = batches(n_batches, has.site)
    repeats = max(2, 10 // n_batches)
    together, apart = [], []
    for _ in range(repeats):
        began = time.process_time()
        found = outlooks_of(these, has.site, sources, NOW, BIOLOGY)
        ended = time.process_time()
        alone = [batch_outlook(batch, has.site, sources, NOW, BIOLOGY) for batch in these]
        together.append(ended - began)
        apart.append(time.process_time() - ended)
        assert found == alone
    each_s = min(together) / n_batches
    say(
        f"{n_batches} batches of one site: {1e3 * each_s:.1f} ms each (aim 10), one by one "
        f"{1e3 * min(apart) / n_batches:.1f} ms, {each_s / reference_s:.3f} of the yardstick"
    )
    assert each_s < 2.0 * reference_s


def test_a_kept_past_against_the_whole_record(say: Callable[[str], None]) -> None:
    """From bytes with a record of the season, against thirty years from the store's normal form. Fails at twice these."""
    has = kept(0)
    stored = normal_file.to_bytes(has.record)
    begins = hashlib.sha256(stored).hexdigest()[:16]
    taken: tuple[list[float], ...] = [], [], []
    for _ in range(4):
        times = [time.process_time()]
        sources_of(has.weather, has.site, BIOLOGY, kept=KeptPast.from_bytes(has.past, key=has.key))
        times.append(time.process_time())
        record = normal_file.from_bytes(stored, sha256_start=begins)
        times.append(time.process_time())
        sources_of(WeatherFolder(has.weather.forecast, has.weather.ensemble, record, record), has.site, BIOLOGY)
        times.append(time.process_time())
        for part, (start, end) in zip(taken, pairwise(times), strict=True):
            part.append(end - start)
    short_s, read_s, long_s = (min(part) for part in taken)
    say(
        f"a site's weather ready in {1e3 * short_s:.0f} ms from a kept past of {len(has.past) / 1e3:.0f} kB; from "
        f"thirty years in normal form, {len(stored) / 1e3:.0f} kB, in {1e3 * read_s:.0f} ms for reading and "
        f"{1e3 * long_s:.0f} ms for the rest"
    )
    assert short_s < 2.0 * (read_s + long_s)
    assert len(has.past) < 1_000_000


def test_a_hundred_sites_cost_five_times_as_much_as_twenty(reference_s: float, say: Callable[[str], None]) -> None:
    """Ten batches each, in one process. Fails if a site among a hundred costs twice as much as among twenty."""
    refresh(0), refresh(1)
    few = [refresh(i) for i in range(20)]
    many = [refresh(i) for i in range(100)]
    per_site = {len(costs): sum(c.seconds for c in costs) / len(costs) for costs in (few, many)}
    weather_s = sum(c.weather_s for c in many) / len(many)
    say(
        f"a site of {BATCHES} batches {1e3 * per_site[20]:.0f} ms among 20 sites, {1e3 * per_site[100]:.0f} ms among 100 "
        f"({1e3 * weather_s:.0f} ms of it for its weather), {per_site[100] / reference_s:.2f} of the yardstick; 100 sites "
        f"{100.0 * per_site[100]:.1f} s and 1,000 sites {1000.0 * per_site[100]:.0f} s of one core; "
        f"{many[-1].peak_mb - few[0].peak_mb:.0f} MB more at the end than at the beginning, peak {many[-1].peak_mb:.0f} MB"
    )
    assert per_site[100] < 2.0 * per_site[20]
    assert many[-1].peak_mb - few[0].peak_mb < 100.0


def test_sites_on_two_cores(say: Callable[[str], None]) -> None:
    """Forty sites in two processes. Fails above 1 GB in all."""
    alone_s = float(np.median([refresh(i).seconds for i in range(8)]))
    results = in_processes(refresh, range(4 + 40), processes=2)
    warm = [next(results) for _ in range(4)]  # processes start and make up their weather
    began = time.perf_counter()
    costs = list(results)
    taken_s = (time.perf_counter() - began) / len(costs)
    processes = {c.process for c in costs}
    own_s = sum(c.seconds for c in costs) / len(costs)
    peak_mb = sum(max(c.peak_mb for c in costs if c.process == process) for process in processes)
    say(
        f"sites of {BATCHES} batches: {1e3 * alone_s:.0f} ms of a core each in this process, {1e3 * own_s:.0f} ms in "
        f"{len(processes)} others, where one is done every {1e3 * taken_s:.0f} ms; 1,000 sites {1000.0 * taken_s:.0f} s "
        f"(aim {AIM_S:.0f}), peak memory of both {peak_mb:.0f} MB"
    )
    assert len(warm) == 4
    assert peak_mb < 1000.0
