"""Figures for monitoring, out of either database, and as many askers at once as there like to be."""

from __future__ import annotations

from concurrent.futures import ThreadPoolExecutor
from datetime import UTC, datetime
from typing import TYPE_CHECKING

from matewindow.keeping.figures import figures_of
from matewindow.keeping.judging import Judging
from matewindow.keeping.outlooks import Keeper
from matewindow.keeping.refresh import Refresher
from matewindow.keeping.state import health_of
from matewindow.register.database import READERS
from tests.keeping.made import add_batch, add_site, body

if TYPE_CHECKING:
    from matewindow.register.register import Register
    from tests.keeping.invented import InventedDesk
    from tests.register.made import Clock


def test_figures_are_those_of_the_outlooks_that_were_issued_last(
    either: Register, desk: InventedDesk, clock: Clock
) -> None:
    keeper = Keeper(either, desk, Judging(either.biology, either.clock))
    site, empty = add_site(either), add_site(either)
    batch = add_batch(either, site)
    list(Refresher(keeper).refresh_many([site, empty]))
    found = figures_of(either.database, clock.now, each_batch=True)

    told = body(keeper.outlook(batch))
    assert {f.site: (f.batches_open, f.outlook_computed, f.weather_fetched) for f in found.sites} == {
        site: (1, clock.now, clock.now),
        empty: (0, None, clock.now),
    }
    made = next(f.forecast_made for f in found.sites if f.site == site)
    assert made == datetime(2026, 5, 27, tzinfo=UTC)  # the run of that day
    (mine,) = found.batches
    assert (mine.batch, mine.site, mine.well_mated) == (batch, site, told["p_well_mated"])
    assert mine.flight_today_h is not None
    today = next(day["effective_hours"] for day in told["days"] if day["date"] == "2026-05-27")
    assert abs(mine.flight_today_h - today) < 1e-3
    assert figures_of(either.database, clock.now, empty).batches == ()


def test_many_who_ask_at_once_do_not_wait_for_each_other(either: Register, clock: Clock) -> None:
    """Each takes one connection; were it two, so many could hold the last ones of each other."""
    add_site(either)
    with ThreadPoolExecutor(4 * READERS) as threads:
        asked = [threads.submit(figures_of, either.database, clock.now) for _ in range(8 * READERS)]
        asked_too = [threads.submit(health_of, either.database, clock.now) for _ in range(8 * READERS)]
        assert {len(one.result().sites) for one in asked} == {1}
        assert {one.result()["sites"] for one in asked_too} == {1}
