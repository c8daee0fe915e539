"""The service's own work: each task goes on by itself, a fault of one ends no other, and the holder of the lease works."""

from __future__ import annotations

import logging
from datetime import timedelta
from threading import Event
from typing import TYPE_CHECKING, Any

import pytest

from matewindow.errors import SourceError, UnavailableError
from matewindow.keeping import schedule as keeping_schedule
from matewindow.keeping.jobs import Jobs
from matewindow.keeping.leases import Lease
from matewindow.keeping.outlooks import Keeper
from matewindow.keeping.refresh import EVERY, Refresher
from matewindow.keeping.schedule import Schedule
from matewindow.keeping.state import LEASE, health_of
from matewindow.register import tables
from tests.keeping.made import add_batch, add_site, rows

if TYPE_CHECKING:
    from collections.abc import Callable

    from matewindow.register.register import Register
    from tests.keeping.invented import InventedDesk
    from tests.register.made import Clock

PATIENCE_S = 30.0


def schedule_of(register: Register, desk: InventedDesk, holder: str = "me", **more: Any) -> Schedule:
    """A process of this name on a register."""
    lease = Lease(register.database, LEASE, holder, register.clock, timedelta(seconds=90))
    refresher, jobs = Refresher(Keeper(register, desk)), Jobs(register.database, register.clock)
    return Schedule(refresher, jobs, lease, holder, **more)


def test_of_two_processes_one_refreshes_each_site_once_a_period(
    either: Register, desk: InventedDesk, clock: Clock
) -> None:
    sites = [add_site(either) for _ in range(3)]
    for site in sites:
        add_batch(either, site)
    first, second = schedule_of(either, desk, "first"), schedule_of(either, desk, "second")
    for _ in range(4):
        done = [(first.refresh_due(), second.refresh_due()) for _ in range(3)]
        assert done == [(3, 0), (0, 0), (0, 0)]
        assert len(desk.asked) == 3
        desk.asked.clear()
        first.renew()
        clock.now += EVERY
    assert len(rows(either.database, tables.outlooks)) == 3


def test_another_process_takes_over_from_one_that_is_gone(either: Register, desk: InventedDesk, clock: Clock) -> None:
    first, second = schedule_of(either, desk, "first"), schedule_of(either, desk, "second")
    add_site(either)
    assert first.refresh_due() == 1
    clock.now += EVERY
    assert second.refresh_due() == 1
    assert (first.renew(), second.renew()) == (False, True)


def test_a_holder_that_was_stopped_for_longer_than_its_lease_writes_nothing_more(
    either: Register, desk: InventedDesk, clock: Clock, caplog: pytest.LogCaptureFixture
) -> None:
    """It stops after asking for the second site's weather; the other process does its work meanwhile."""
    sites = [add_site(either) for _ in range(4)]
    batches = {add_batch(either, site) for site in sites}
    first, second = schedule_of(either, desk, "first"), schedule_of(either, desk, "second")
    stopped = iter([False, True, False])
    meanwhile = []

    def stop(_: str) -> None:
        if next(stopped, False):
            clock.step(seconds=91)
            meanwhile.append(second.refresh_due())

    desk.on_ask = stop
    with caplog.at_level(logging.INFO):
        first._guarded("refresh", first.refresh_due)

    assert meanwhile == [3]
    assert "another process does the work of the lease" in caplog.text
    assert sorted(r["batch_id"] for r in rows(either.database, tables.outlooks)) == sorted(batches)
    assert (first.refresh_due(), second.refresh_due()) == (0, 0)


def test_a_task_that_fails_in_the_same_way_every_few_seconds_says_so_once_and_when_it_works_again(
    register: Register, desk: InventedDesk, caplog: pytest.LogCaptureFixture, monkeypatch: pytest.MonkeyPatch
) -> None:
    schedule, now_s = schedule_of(register, desk), 1000.0
    monkeypatch.setattr("time.monotonic", lambda: now_s)
    faults: list[Exception] = [UnavailableError("gone"), ZeroDivisionError("odd")]

    def work() -> None:
        raise faults[0]

    def lines(name: str = "odd") -> list[str]:
        return [r.getMessage() for r in caplog.records if r.getMessage().startswith(name)]

    with caplog.at_level(logging.INFO):
        for _ in range(5):
            schedule._guarded("odd", work)
        assert lines() == ["odd: gone."]
        del faults[0]
        for _ in range(5):
            schedule._guarded("odd", work)
        assert lines() == ["odd: gone.", "odd"]
        now_s += keeping_schedule.TELL_AGAIN_S
        schedule._guarded("odd", work)
        assert lines() == ["odd: gone.", "odd", "odd"]
        for _ in range(2):
            schedule._guarded("odd", list)
        assert lines() == ["odd: gone.", "odd", "odd", "odd: works again"]


def test_jobs_are_run_by_the_holder_of_the_lease_alone(either: Register, desk: InventedDesk) -> None:
    first, second = schedule_of(either, desk, "first"), schedule_of(either, desk, "second")
    first.renew()
    job = Jobs(either.database, either.clock).ask("refresh", add_site(either))
    assert (second.run_jobs(), first.run_jobs()) == (0, 1)
    assert Jobs(either.database, either.clock).get(job["id"])["state"] == "done"


def test_a_site_that_is_added_during_a_round_of_many_need_not_wait_for_its_end(
    register: Register, desk: InventedDesk
) -> None:
    schedule, new = schedule_of(register, desk), list[str]()
    for _ in range(3):
        add_site(register)

    def add_one(_: str) -> None:
        if not new:
            new.append(add_site(register))
            assert schedule.refresh_new() == 1

    desk.on_ask = add_one
    assert schedule.refresh_new() == 0
    assert schedule.refresh_due() == 3
    assert desk.asked[1] == new[0]
    assert schedule.refresh_due() == 0


def test_a_fault_of_one_task_ends_neither_that_task_nor_the_others(
    register: Register, desk: InventedDesk, monkeypatch: pytest.MonkeyPatch, caplog: pytest.LogCaptureFixture
) -> None:
    """Every run but the third fails; all of them are made, and another task goes on beside."""
    monkeypatch.setattr(keeping_schedule, "LOOK_S", 0.001)
    runs, done, beside = [], Event(), Event()
    faults = [SourceError("The invented service", "it is down"), ZeroDivisionError("invented"), None]

    def fails() -> None:
        runs.append(1)
        fault = faults[min(len(runs), 3) - 1]
        if fault is not None:
            raise fault
        done.set()

    others: dict[str, tuple[Callable[[], object], float]] = {"odd": (fails, 0.001), "even": (beside.set, 0.001)}
    schedule = schedule_of(register, desk, others=others)
    with caplog.at_level(logging.WARNING):
        schedule.start()
        try:
            assert done.wait(PATIENCE_S)
            assert beside.wait(PATIENCE_S)
        finally:
            schedule.stop()
    assert "odd: The invented service gave no weather" in caplog.text
    assert "ZeroDivisionError" in caplog.text
    assert health_of(register.database, register.clock())["refresh"] == "off"


def test_the_end_waits_for_the_site_at_hand_and_leaves_the_rest_to_whoever_comes_next(
    register: Register, desk: InventedDesk, clock: Clock
) -> None:
    for _ in range(5):
        add_batch(register, add_site(register))
    schedule, begun = schedule_of(register, desk), Event()

    def while_working(_: str) -> None:
        begun.set()
        assert schedule._stop.wait(PATIENCE_S)

    desk.on_ask = while_working
    schedule.start()
    assert begun.wait(PATIENCE_S)
    schedule.stop()
    assert len(rows(register.database, tables.outlooks)) == 1
    desk.on_ask = lambda _: None
    clock.step(seconds=1)
    assert schedule_of(register, desk, "next").refresh_due() == 4


def test_a_register_that_is_gone_for_a_while_is_worked_with_again_when_it_is_back(
    register: Register, desk: InventedDesk, monkeypatch: pytest.MonkeyPatch, caplog: pytest.LogCaptureFixture
) -> None:
    monkeypatch.setattr(keeping_schedule, "LOOK_S", 0.001)
    add_batch(register, add_site(register))
    schedule, tries, back = schedule_of(register, desk), [], Event()
    due = schedule._refresher.due

    def gone(*args: Any, **how: Any) -> list[str]:
        tries.append(1)
        if len(tries) < 4:
            raise UnavailableError("the database is gone", fix="Wait.")
        found = due(*args, **how)
        if not found:
            back.set()
        return found

    monkeypatch.setattr(schedule._refresher, "due", gone)
    with caplog.at_level(logging.WARNING):
        schedule.start()
        try:
            assert back.wait(PATIENCE_S)
        finally:
            schedule.stop()
    assert "refresh: the database is gone" in caplog.text
    assert len(rows(register.database, tables.outlooks)) == 1


def test_what_is_old_is_dropped_by_the_holder_of_the_lease(register: Register, desk: InventedDesk) -> None:
    runs: list[str] = []
    first = schedule_of(register, desk, "first", tidy=lambda: runs.append("first"))
    second = schedule_of(register, desk, "second", tidy=lambda: runs.append("second"))
    assert (first.tidy(), second.tidy()) == (True, False)
    assert runs == ["first"]
