"""What many sites cost, in requests, bytes and seconds, and what reading thirty years costs, against ``json.loads``.

Figures are printed always; a test fails only on a gross regression. All weather and positions are invented.
"""

from __future__ import annotations

import json
import os
import time
import tracemalloc
from collections import Counter, defaultdict
from itertools import pairwise
from typing import TYPE_CHECKING, Any

import numpy as np
import pytest

from matewindow.settings import Settings
from matewindow.site import Site
from matewindow.weather import http, transport
from matewindow.weather.http import Client
from matewindow.weather.live.addresses import Addresses
from matewindow.weather.live.cells import neighbours
from matewindow.weather.live.many import MANY_LIMITS, gather_many
from matewindow.weather.live.services import Desk
from matewindow.weather.openmeteo import parse_archive
from matewindow.weather.store import WeatherStore
from tests.loopback.server import LoopbackServer

if TYPE_CHECKING:
    from collections.abc import Callable
    from pathlib import Path

    from tests.loopback.exchange import Exchange

pytestmark = [pytest.mark.benchmark, pytest.mark.allow_hosts(["127.0.0.1"])]

YEARS = 1
YEARS_READ = 30


@pytest.fixture
def say(capsys: pytest.CaptureFixture[str]) -> Callable[[str], None]:
    """Print past pytest's capture, so that figures are seen in every run."""

    def tell(text: str) -> None:
        with capsys.disabled():
            print(f"\n  benchmark: {text}", flush=True)

    return tell


# --- many sites ----------------------------------------------------------------------------------------------


@pytest.mark.parametrize("n_sites", [3, 101, 1000])
def test_many_sites_take_few_requests_within_the_budget(
    n_sites: int, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, say: Callable[[str], None]
) -> None:
    """Sites in a square of 100 km a side. Seconds are those of the program, without the stand-in's and the disk's."""
    drawn = np.random.default_rng(1).random((n_sites, 3))
    sites = [
        Site(f"site {i}", 51.6 + 0.9 * a, -2.2 + 1.45 * b, 40.0 + 100.0 * c, "Europe/London")
        for i, (a, b, c) in enumerate(drawn)
    ]
    cells, on_line, flushes = len(list(neighbours(sites))), [0.0], [0]
    get_once = transport.get_once

    def timed(*args: Any, **kwargs: Any) -> Any:
        begun = time.perf_counter()
        try:
            return get_once(*args, **kwargs)
        finally:
            on_line[0] += time.perf_counter() - begun

    def flushed(_: int) -> None:
        flushes[0] += 1

    monkeypatch.setattr(http, "get_once", timed)
    monkeypatch.setattr(os, "fsync", flushed)
    with LoopbackServer() as server:
        settings = Settings(contact="keeper@example.org", store_folder=tmp_path)
        store = WeatherStore(tmp_path, now=server.clock.now)
        began, opened = time.perf_counter(), server.clock.now()
        with Client(settings, store, server.clock, limits=MANY_LIMITS, session=server.session()) as client:
            desk = Desk(client, Addresses(), server.clock.now())
            many = gather_many(sites, desk, years=YEARS, wait_s=600.0, sleep=server.clock.sleep)
            remarks = Counter(remark for gathered in many.values() for remark in gathered.remarks)
        taken_s = time.perf_counter() - began
        calls = server.calls()
        waited_s = (server.clock.now() - opened).total_seconds()
        used_an_hour = server.budget.used(3600, server.clock.now())

    weather = [e for e in calls if "/v1/" in e.path]
    per_minute = _weights(calls)
    alone = n_sites * (2 + YEARS + 1)
    say(
        f"{n_sites} sites in {cells} cells, {YEARS} year and this one: {len(weather)} requests for weather instead of "
        f"{alone} ({len(calls)} in all), {sum(e.sent_bytes for e in calls) / 1e6:.1f} MB packed, "
        f"{sum(e.weight for e in calls):.0f} weighted calls, at most {max(per_minute.values()):.0f} a minute, "
        f"{waited_s:.0f} s waited for room, {taken_s - on_line[0]:.1f} s of work "
        f"(beside {on_line[0]:.1f} s in which the stand-in computes and sends, and {flushes[0]} flushes of the disk "
        f"left out), {store.state().size_bytes / 1e6:.0f} MB in the store"
    )
    assert remarks == Counter()  # everybody got everything, from the first service
    assert max(per_minute.values()) <= 600.0  # pricing page of the service
    assert used_an_hour <= 5000.0
    assert {e.status for e in calls} == {200}
    assert len(weather) <= max(2 + YEARS + 1, alone / 30)
    assert max(e.sent_bytes for e in calls) < 5_000_000
    assert taken_s - on_line[0] < 5.0 + 0.1 * n_sites


def _weights(calls: list[Exchange]) -> dict[str, float]:
    """Weighted calls by full minute."""
    used: dict[str, float] = defaultdict(float)
    for call in calls:
        used[f"{call.request.at:%d %H:%M}"] += call.weight
    return used


# --- reading thirty years ------------------------------------------------------------------------------------


def _archive(ranges: int, stamps: str) -> bytes:
    """An answer with 30 years of hourly values of one place, as one object or as a list of ranges; invented."""
    rng = np.random.default_rng(0)
    times = np.arange(np.datetime64("1996-01-01T00", "m"), np.datetime64("2026-01-01T00", "m"), np.timedelta64(1, "h"))
    n = len(times)
    columns: dict[str, list[Any]] = {
        "time": times.astype("datetime64[s]").astype(int).tolist() if stamps == "unixtime" else [str(t) for t in times],
        "temperature_2m": np.round(rng.normal(10.0, 8.0, n), 1).tolist(),
        "wind_speed_10m": np.round(np.abs(rng.normal(3.0, 2.0, n)), 2).tolist(),
        "precipitation": np.round(np.maximum(0.0, rng.normal(-0.5, 0.5, n)), 1).tolist(),
        "shortwave_radiation": np.round(np.maximum(0.0, rng.normal(100.0, 200.0, n)), 1).tolist(),
    }
    units = {"time": stamps, "temperature_2m": "°C", "wind_speed_10m": "m/s"}
    units |= {"precipitation": "mm", "shortwave_radiation": "W/m²"}
    head = {"latitude": 52.25, "longitude": -1.75, "utc_offset_seconds": 0, "timezone": "GMT", "elevation": 90.0}
    edges = np.linspace(0, n, ranges + 1).astype(int) // 24 * 24
    answers = [
        head | {"hourly_units": units, "hourly": {name: values[a:b] for name, values in columns.items()}}
        for a, b in pairwise(edges)
    ]
    return json.dumps(answers if ranges > 1 else answers[0], ensure_ascii=False, separators=(",", ":")).encode()


def _peak_bytes(work: Callable[[], object]) -> int:
    """Most memory held at one time while something runs, its result included."""
    tracemalloc.start()
    try:
        kept = work()
        peak = tracemalloc.get_traced_memory()[1]
        del kept
    finally:
        tracemalloc.stop()
    return peak


def _taken_s(work: Callable[[], object]) -> float:
    begun = time.perf_counter()
    work()
    return time.perf_counter() - begun


@pytest.mark.parametrize(
    ("what", "ranges", "stamps"),
    [
        ("one answer, epoch seconds", 1, "unixtime"),
        ("one answer, local times", 1, "iso8601"),
        ("a list of 30 ranges", 30, "unixtime"),
    ],
)
def test_reading_thirty_years_against_json_loads(
    what: str, ranges: int, stamps: str, say: Callable[[str], None]
) -> None:
    body = _archive(ranges, stamps)

    def plain() -> object:
        return json.loads(body)

    def read() -> object:
        return parse_archive(body.decode())

    pairs = [(_taken_s(plain), _taken_s(read)) for _ in range(5)]
    plain_s, read_s = min(a for a, _ in pairs), min(b for _, b in pairs)
    plain_bytes, read_bytes = _peak_bytes(plain), _peak_bytes(read)
    say(
        f"{YEARS_READ} years, hourly, 4 variables, {what}, {len(body) / 1e6:.1f} MB: read in {read_s * 1e3:.0f} ms = "
        f"{read_s / plain_s:.1f} times json.loads (aim 3), memory {read_bytes / 1e6:.0f} MB = "
        f"{read_bytes / plain_bytes:.1f} times (aim 3)"
    )
    assert read_s / plain_s < 12.0
    assert read_bytes / plain_bytes < 6.0
