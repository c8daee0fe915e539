"""How long past seasons take to live through again: the time of a season, and how it grows with their number."""

from __future__ import annotations

import time
from dataclasses import replace

import numpy as np
import pytest

from matewindow.hindcast.asof import Ground
from matewindow.hindcast.running import hindcast
from matewindow.hindcast.seasons import Plan
from tests.hindcast.made_seasons import BIOLOGY
from tests.made_weather import changeable, stand

pytestmark = pytest.mark.benchmark


def ground(n_years: int) -> Ground:
    record = changeable("2000-01-01", int(365.25 * n_years), np.random.default_rng(2))
    return Ground(stand(), record, BIOLOGY)


def test_time_grows_with_the_seasons_and_hardly_with_the_past_years() -> None:
    """A few grafts of 5 and of 20 seasons in one process; four times as many seasons have four times as many others."""
    whole, took = ground(20), {}
    for n in (5, 20):
        plan = Plan(first=(5, 1), n_days=4, years=tuple(range(2000, 2000 + n)))
        start = time.perf_counter()
        hindcast(whole, plan, processes=1)
        took[n] = time.perf_counter() - start
    grafts = 20 * 4
    print(f"\nhindcast: {took[20] / grafts * 1000:.0f} ms a graft day of 20 seasons in one process")
    print(f"hindcast: 20 seasons take {took[20] / took[5]:.1f} times as long as 5 (linear: 4)")
    assert took[20] < 8.0 * took[5]


def test_more_past_years_cost_less_than_they_are_more() -> None:
    took = {}
    for n in (5, 20):
        plan = replace(Plan(first=(5, 1), n_days=4, years=(2002, 2003)))
        start = time.perf_counter()
        hindcast(ground(n), plan, processes=1)
        took[n] = time.perf_counter() - start
    print(f"\nhindcast: a season beside 19 others takes {took[20] / took[5]:.1f} times one beside 4")
    assert took[20] < 4.0 * took[5]
