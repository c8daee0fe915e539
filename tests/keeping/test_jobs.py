"""Jobs: asked for once, watched, cancelled, taken over from a runner that is gone, and dropped when they are old."""

from __future__ import annotations

from datetime import timedelta
from typing import TYPE_CHECKING, Any

import pytest

from matewindow.errors import BusyError, ConflictError, NotThereError, SourceError
from matewindow.keeping import jobs as keeping_jobs
from matewindow.keeping.jobs import KEPT_FOR, LASTS, Jobs, run_one
from matewindow.keeping.outlooks import Keeper
from matewindow.keeping.refresh import CancelledError, Refresher
from matewindow.keeping.working import OURS
from matewindow.register import tables
from tests.keeping.made import add_batch, add_site, rows

if TYPE_CHECKING:
    from matewindow.register.register import Register
    from tests.keeping.invented import InventedDesk
    from tests.register.made import Clock


@pytest.fixture
def jobs(either: Register) -> Jobs:
    return Jobs(either.database, either.clock)


@pytest.fixture
def runner(either: Register, desk: InventedDesk) -> Refresher:
    return Refresher(Keeper(either, desk))


def test_a_job_is_asked_for_once_and_runs(either: Register, jobs: Jobs, runner: Refresher, clock: Clock) -> None:
    site = add_site(either)
    add_batch(either, site)
    job = jobs.ask("refresh", site)
    assert jobs.ask("refresh", site)["id"] == job["id"]
    clock.step(seconds=2)
    assert run_one(jobs, runner, "me") is True
    done = jobs.get(job["id"])

    assert (done["state"], done["said"]) == ("done", "1 outlook issued.")
    assert (done["done"], done["wanted"], done["started_at"], done["ended_at"]) == (1, 1, clock.now, clock.now)
    assert run_one(jobs, runner, "me") is False
    assert jobs.ask("refresh", site)["id"] != job["id"]


def test_jobs_are_run_in_the_order_in_which_they_were_asked_for(either: Register, jobs: Jobs, clock: Clock) -> None:
    asked = []
    for _ in range(3):
        asked.append(jobs.ask("refresh", add_site(either))["id"])
        clock.step(seconds=1)
    claimed = [jobs.claim("me") for _ in range(4)]
    assert [None if job is None else job["id"] for job in claimed] == [*asked, None]


def test_two_runners_never_have_the_same_job(either: Register, jobs: Jobs) -> None:
    jobs.ask("refresh", add_site(either))
    assert [jobs.claim(who) is not None for who in ("one", "other")] == [True, False]


def test_a_job_for_a_site_that_is_not_there_is_refused(either: Register, jobs: Jobs) -> None:
    with pytest.raises(NotThereError):
        jobs.ask("refresh", "site_0000000000000000")
    with pytest.raises(NotThereError):
        jobs.get("jobs_0000000000000000")


def test_too_many_waiting_jobs_are_refused(either: Register, jobs: Jobs, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(keeping_jobs, "MOST_WAITING", 2)
    for _ in range(2):
        jobs.ask("refresh", add_site(either))
    with pytest.raises(ConflictError, match="too many"):
        jobs.ask("refresh", add_site(either))


def test_a_site_in_trouble_is_told_as_the_end_of_the_job(
    either: Register, jobs: Jobs, runner: Refresher, desk: InventedDesk
) -> None:
    found = []
    for fault in (SourceError("The invented service", "it is down"), ZeroDivisionError("invented")):
        site = add_site(either)
        desk.broken[site] = fault
        job = jobs.ask("refresh", site)
        run_one(jobs, runner, "me")
        found.append((jobs.get(job["id"])["state"], jobs.get(job["id"])["said"]))
    assert found == [("failed", "The invented service gave no weather: it is down."), ("failed", OURS)]


def test_a_job_that_waits_is_cancelled_at_once(either: Register, jobs: Jobs, runner: Refresher) -> None:
    job = jobs.ask("refresh", add_site(either))
    assert jobs.cancel(job["id"])["state"] == "cancelled"
    assert run_one(jobs, runner, "me") is False
    with pytest.raises(ConflictError, match="has ended"):
        jobs.cancel(job["id"])
    with pytest.raises(NotThereError):
        jobs.cancel("jobs_0000000000000000")


@pytest.mark.parametrize("when", ["at a step", "before anything is written"])
def test_a_job_that_runs_is_cancelled_at_its_next_step_and_writes_nothing(
    when: str, either: Register, jobs: Jobs, runner: Refresher, desk: InventedDesk, monkeypatch: pytest.MonkeyPatch
) -> None:
    site = add_site(either)
    add_batch(either, site)
    job = jobs.ask("refresh", site)
    if when == "at a step":
        desk.on_ask = lambda _: cancel(jobs, job["id"])
    else:
        held = desk.held

        def late(site_id: str, site: Any) -> Any:
            cancel(jobs, job["id"])
            return held(site_id, site)

        monkeypatch.setattr(desk, "held", late)
    assert run_one(jobs, runner, "me") is True
    ended = jobs.get(job["id"])

    assert (ended["state"], ended["said"]) == ("cancelled", "Cancelled.")
    assert rows(either.database, tables.outlooks) == rows(either.database, tables.site_state) == []


def cancel(jobs: Jobs, job_id: str) -> None:
    jobs.cancel(job_id)


def test_a_cancelled_job_that_still_runs_is_not_given_to_whoever_asks_anew(either: Register, jobs: Jobs) -> None:
    site = add_site(either)
    job = jobs.ask("refresh", site)
    jobs.claim("me")
    jobs.cancel(job["id"])
    assert jobs.ask("refresh", site)["id"] != job["id"]


def test_a_job_whose_runner_was_killed_is_taken_over_and_the_dead_one_writes_nothing(
    either: Register, jobs: Jobs, runner: Refresher, desk: InventedDesk, clock: Clock
) -> None:
    site = add_site(either)
    add_batch(either, site)
    job = jobs.ask("refresh", site)
    assert jobs.claim("gone") is not None
    clock.step(seconds=LASTS.total_seconds() - 1)
    assert (jobs.any_ready(), run_one(jobs, runner, "me")) == (False, False)
    clock.step(seconds=2)
    assert jobs.any_ready() is True
    assert run_one(jobs, runner, "me") is True
    with pytest.raises(CancelledError, match="taken the job over"):
        jobs.step(job["id"], "gone", 3, 31)
    jobs.end(job["id"], "gone", "failed", "by the dead")
    assert jobs.get(job["id"])["state"] == "done"


def test_the_claim_is_kept_while_a_step_takes_long(either: Register, jobs: Jobs, clock: Clock) -> None:
    jobs.ask("refresh", add_site(either))
    jobs.claim("me")
    for _ in range(5):
        clock.step(seconds=60)
        jobs.renew("me")
        jobs.renew("somebody else")
        assert jobs.claim("other") is None
    assert jobs.any_ready() is False


def test_a_claim_from_a_clock_that_ran_ahead_does_not_block_for_ever(
    either: Register, jobs: Jobs, clock: Clock
) -> None:
    jobs.ask("refresh", add_site(either))
    clock.step(days=30)
    jobs.claim("gone")
    clock.step(days=-30)
    assert jobs.claim("me") is not None


def test_a_register_that_cannot_be_written_leaves_the_job_to_be_begun_anew(
    either: Register, jobs: Jobs, runner: Refresher, desk: InventedDesk, clock: Clock, monkeypatch: pytest.MonkeyPatch
) -> None:
    site = add_site(either)
    job = jobs.ask("refresh", site)

    def breaks(*_: Any) -> None:
        raise BusyError("in use")

    monkeypatch.setattr(desk, "store", breaks)
    with pytest.raises(BusyError):
        run_one(jobs, runner, "me")
    assert jobs.get(job["id"])["state"] == "running"
    monkeypatch.undo()
    for _ in range(6):
        clock.step(seconds=30)
        jobs.renew("me")  # the process goes on, and keeps what it still runs
    assert run_one(jobs, runner, "me") is True
    assert jobs.get(job["id"])["state"] == "done"


def test_a_job_waits_while_its_site_is_being_refreshed(
    either: Register, jobs: Jobs, runner: Refresher, desk: InventedDesk
) -> None:
    site, other = add_site(either), add_site(either)
    ids = [jobs.ask("refresh", s)["id"] for s in (site, other)]
    beside = []

    def meanwhile(asked: str) -> None:
        if asked == site:
            desk.on_ask = lambda _: None
            beside.append([run_one(jobs, runner, "me") for _ in range(2)])

    desk.on_ask = meanwhile
    list(runner.refresh_many([site]))
    assert beside == [[True, False]]
    assert [jobs.get(i)["state"] for i in ids] == ["waiting", "done"]
    assert run_one(jobs, runner, "me") is True


def test_old_jobs_are_dropped_and_open_ones_never(
    either: Register, jobs: Jobs, clock: Clock, monkeypatch: pytest.MonkeyPatch
) -> None:
    old = jobs.ask("refresh", add_site(either))["id"]
    jobs.cancel(old)
    waiting = jobs.ask("refresh", add_site(either))["id"]
    clock.now += KEPT_FOR + timedelta(seconds=1)
    newer = []
    for _ in range(3):
        clock.step(seconds=1)
        newer.append(jobs.ask("refresh", add_site(either))["id"])
        jobs.cancel(newer[-1])
    assert jobs.prune() == 1
    assert {j["id"] for j in jobs.page()} == {waiting, *newer}
    monkeypatch.setattr(keeping_jobs, "MOST_KEPT", 2)
    assert jobs.prune() == 1
    assert {j["id"] for j in jobs.page()} == {waiting, *newer[1:]}


def test_pages_and_open_jobs(either: Register, jobs: Jobs, clock: Clock) -> None:
    ids = []
    for _ in range(3):
        ids.append(jobs.ask("refresh", add_site(either))["id"])
        clock.step(seconds=1)
    jobs.cancel(ids[0])
    assert [j["id"] for j in jobs.page(open_only=True)] == ids[1:]
    assert [j["id"] for j in jobs.page(after=ids[0], limit=1)] == [ids[1]]
