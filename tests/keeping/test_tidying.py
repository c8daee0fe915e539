"""What grows is dropped by stated rules, and what must be kept is kept."""

from __future__ import annotations

from datetime import timedelta
from typing import TYPE_CHECKING

from matewindow.keeping.jobs import KEPT_FOR, Jobs
from matewindow.keeping.tidying import DATES_KEPT_FOR, Tidying
from matewindow.register import tables
from matewindow.settings import Settings
from tests.keeping.made import ME, add_batch, add_site, rows

if TYPE_CHECKING:
    from pathlib import Path

    import pytest

    from matewindow.keeping.outlooks import Keeper
    from matewindow.paths import Sources
    from matewindow.register.register import Register
    from tests.keeping.invented import InventedDesk
    from tests.register.made import Clock


def test_issued_outlooks_and_warnings_stay_and_jobs_and_dates_go(
    keeper: Keeper, register: Register, clock: Clock
) -> None:
    site = add_site(register)
    old = add_batch(register, site)
    keeper.outlook(old)
    jobs = Jobs(register.database, clock)
    jobs.cancel(jobs.ask("refresh", site)["id"])
    clock.now += max(DATES_KEPT_FOR, KEPT_FOR) + timedelta(days=30)
    new = add_batch(register, site, grafted_on=clock.now.date().isoformat())
    keeper.outlook(new)
    Tidying(register.database, jobs, clock)()

    assert {r["batch_id"] for r in rows(register.database, tables.outlooks)} == {old, new}
    assert {r["batch_id"] for r in rows(register.database, tables.calendar_stamps)} == {new}
    assert jobs.page() == []


def test_the_warning_of_a_batch_that_went_with_its_site_stands_no_longer(
    keeper: Keeper, register: Register, desk: InventedDesk, clock: Clock, rainy: Sources
) -> None:
    site = add_site(register)
    batch = add_batch(register, site)
    keeper.outlook(batch)
    desk.weathers = [rainy]
    keeper.outlook(batch)
    register.delete("batch", batch, ME)
    register.delete("site", site, ME)
    Tidying(register.database, Jobs(register.database, clock), clock)()
    [warning] = rows(register.database, tables.warnings)
    assert warning["cleared_at"] == clock.now


def test_weather_of_a_deleted_site_goes(register: Register, clock: Clock) -> None:
    sites = [add_site(register), add_site(register)]
    with register.database.write() as connection:
        for site in sites:
            weather = {"site_id": site, "place": "", "stamp": "", "asked_at": clock.now, "body": b"x"}
            past = {"site_id": site, "edition": "", "before": "2025-01-03", "made_at": clock.now, "body": b"x"}
            connection.execute(tables.site_weather.insert().values(weather))
            connection.execute(tables.site_past.insert().values(past))
    register.delete("site", sites[0], ME)
    Tidying(register.database, Jobs(register.database, clock), clock)()
    for table in (tables.site_weather, tables.site_past):
        assert [r["site_id"] for r in rows(register.database, table)] == [sites[1]]


def test_the_store_of_weather_is_swept(
    register: Register, clock: Clock, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """What a process that was killed left behind goes."""
    import os

    settings = Settings(store_folder=tmp_path / "store")
    tidy = Tidying(register.database, Jobs(register.database, clock), clock, settings)
    tidy()
    left = tmp_path / "store" / "tmp" / "left"
    left.write_bytes(b"half of an answer")
    os.utime(left, (0, 0))
    tidy()
    assert not left.exists()
