"""Reading thirty years of a site's archive, beside ``json.loads`` of the same bytes."""

from __future__ import annotations

import json
import time
import tracemalloc
from collections.abc import Callable

import numpy as np
import pytest

from matewindow.weather.openmeteo import parse_archive

AIM, GROSS = 3.0, 6.0


def an_archive() -> str:
    """Thirty invented years of hourly archive in the wire format."""
    rng = np.random.default_rng(30)
    hours = np.arange(np.datetime64("1996-01-01T00"), np.datetime64("2026-01-01T00"), np.timedelta64(1, "h"))
    n = len(hours)
    hourly = {
        "time": hours.astype("datetime64[s]").astype(int).tolist(),
        "temperature_2m": np.round(rng.normal(10, 8, n), 1).tolist(),
        "wind_speed_10m": np.round(rng.gamma(2, 2, n), 1).tolist(),
        "precipitation": np.round(np.where(rng.random(n) < 0.1, rng.exponential(1, n), 0), 1).tolist(),
        "shortwave_radiation": rng.integers(0, 900, n).tolist(),
    }
    units = {"time": "unixtime", "temperature_2m": "°C", "wind_speed_10m": "m/s", "precipitation": "mm"}
    head = {"latitude": 51.0, "longitude": 0.0, "elevation": 50.0, "utc_offset_seconds": 0}
    return json.dumps({**head, "hourly_units": {**units, "shortwave_radiation": "W/m²"}, "hourly": hourly})


def _seconds(work: Callable[[], object]) -> float:
    best = float("inf")
    for _ in range(3):
        start = time.perf_counter()
        work()
        best = min(best, time.perf_counter() - start)
    return best


def _peak_mb(work: Callable[[], object]) -> float:
    tracemalloc.start()
    try:
        work()
        return tracemalloc.get_traced_memory()[1] / 1e6
    finally:
        tracemalloc.stop()


@pytest.mark.benchmark
def test_thirty_years_of_archive_against_json_loads(capsys: pytest.CaptureFixture[str]) -> None:
    """Only a gross regression fails; the aim is a ratio of three in time and in peak memory."""
    text = an_archive()
    seconds = _seconds(lambda: parse_archive(text)), _seconds(lambda: json.loads(text))
    memory = _peak_mb(lambda: parse_archive(text)), _peak_mb(lambda: json.loads(text))
    ratios = seconds[0] / seconds[1], memory[0] / memory[1]
    with capsys.disabled():
        print(
            f"\n30 years of archive, {len(text) / 1e6:.0f} MB: {seconds[0]:.2f} s = {ratios[0]:.2f} x json.loads, "
            f"peak {memory[0]:.0f} MB = {ratios[1]:.2f} x (aim {AIM:g})"
        )
    assert max(ratios) < GROSS
