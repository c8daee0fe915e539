"""Hindcasts as jobs: asked for, watched, cancelled, failed in words, taken over; and their results as they are kept."""

from __future__ import annotations

import os
from dataclasses import dataclass, field
from threading import Event
from typing import TYPE_CHECKING, Any

import pytest

from matewindow.errors import BusyError, ConflictError, NotThereError, RequestError, WeatherFileError
from matewindow.keeping import hindcasts as keeping_hindcasts
from matewindow.keeping import siterecords
from matewindow.keeping.hindcasts import Hindcasts
from matewindow.keeping.jobs import KEPT_FOR, LASTS, MOST_OF_A_SITE, Jobs, run_one
from matewindow.keeping.leases import Lease
from matewindow.keeping.outlooks import Keeper
from matewindow.keeping.refresh import Refresher
from matewindow.keeping.schedule import Schedule
from matewindow.keeping.siterecords import MadeRecord, bounds_of
from matewindow.keeping.state import LEASE
from matewindow.keeping.tidying import Tidying
from matewindow.keeping.working import OURS
from matewindow.learning.inuse import Models
from matewindow.register import tables
from tests.keeping.made import ME, add_batch, add_site, rows

if TYPE_CHECKING:
    from collections.abc import Callable
    from pathlib import Path

    from matewindow.keeping.hindcasts import Wanted
    from matewindow.register.register import Register
    from tests.keeping.invented import InventedDesk
    from tests.register.made import Clock

PATIENCE_S = 30.0
MAY = bounds_of({"first_graft": "05-01", "last_graft": "05-31"})
SEASONS = 3


def _nothing(_: int) -> None:
    """No more than the season is done."""


@dataclass
class Made:
    """Makes a record without judging anything: three seasons, each a file of the folder that it may keep them in.

    Attributes:
        before: called before each season with how many are done.
        wanted: what was asked of it, for each record.
        n_kept: seasons that were there already, for each record.
    """

    before: Callable[[int], None] = _nothing
    wanted: list[Wanted] = field(default_factory=list)
    n_kept: list[int] = field(default_factory=list)

    def __call__(self, wanted: Wanted, on_season: Callable[[int, int], None], still: Callable[[], None]) -> MadeRecord:
        self.wanted.append(wanted)
        assert wanted.keep is not None
        self.n_kept.append(len(list(wanted.keep.iterdir())))
        for done in range(SEASONS):
            self.before(done)
            still()
            (wanted.keep / f"season-{done}").write_bytes(b"judged")
            on_season(done + 1, SEASONS)
        page = f"<!doctype html><p>{wanted.asked['first_graft']}</p>"
        return MadeRecord({"model": wanted.using.biology.version, "figure": 0.1 + 0.2}, page, "3 seasons judged.")


@pytest.fixture
def jobs(either: Register) -> Jobs:
    return Jobs(either.database, either.clock)


@pytest.fixture
def made() -> Made:
    return Made()


@pytest.fixture
def keep(tmp_path: Path) -> Path:
    return tmp_path / "seasons"


@pytest.fixture
def runner(either: Register, desk: InventedDesk, jobs: Jobs, made: Made, keep: Path) -> Hindcasts:
    return Hindcasts(either, desk, Models(either.biology), jobs, made, keep)


# --- the life of a job --------------------------------------------------------------------------------------------


def test_a_hindcast_is_asked_for_and_its_record_is_kept(
    either: Register, jobs: Jobs, runner: Hindcasts, made: Made, keep: Path, clock: Clock
) -> None:
    site = add_site(either)
    job = jobs.ask("hindcast", site, MAY)
    assert (job["state"], job["asked"]) == ("waiting", MAY)
    told = []
    made.before = lambda _: told.append((jobs.get(job["id"])["done"], jobs.get(job["id"])["wanted"]))
    assert runner.run_one("me") is True
    done = jobs.get(job["id"])

    assert told == [(0, None), (1, SEASONS), (2, SEASONS)]
    assert (done["state"], done["said"], done["done"]) == ("done", "3 seasons judged.", SEASONS)
    assert siterecords.data_of(either.database, site) == {
        "site_id": site,
        "made_at": clock.now,
        "site_version": 1,
        "bounds": MAY,
        "model": either.biology.version,
        "figure": 0.1 + 0.2,
    }
    assert siterecords.page_of(either.database, site) == b"<!doctype html><p>05-01</p>"
    assert list(keep.iterdir()) == []
    assert runner.run_one("me") is False
    (wanted,) = made.wanted
    assert wanted.past is not None
    assert wanted.past.provenance.kind != "typical"
    assert wanted.made_on == clock.now.date()


def test_hindcasts_of_a_site_are_told_apart_by_their_bounds_and_too_many_are_refused(
    either: Register, jobs: Jobs
) -> None:
    site = add_site(either)
    asked = [bounds_of({"first_season": 2000 + n}) for n in range(MOST_OF_A_SITE + 1)]
    first = jobs.ask("hindcast", site, asked[0])
    assert jobs.ask("hindcast", site, asked[0])["id"] == first["id"]
    others = [jobs.ask("hindcast", site, each)["id"] for each in asked[1:-1]]
    assert len({first["id"], *others}) == MOST_OF_A_SITE
    with pytest.raises(ConflictError, match="open for this site"):
        jobs.ask("hindcast", site, asked[-1])
    assert jobs.ask("refresh", site)["kind"] == "refresh"
    assert jobs.ask("hindcast", add_site(either), asked[-1])["state"] == "waiting"


def test_whoever_refreshes_leaves_hindcasts_alone_and_the_other_way_round(
    either: Register, jobs: Jobs, runner: Hindcasts, desk: InventedDesk
) -> None:
    site = add_site(either)
    refresher = Refresher(Keeper(either, desk))
    long = jobs.ask("hindcast", site, MAY)
    assert (jobs.any_ready(), run_one(jobs, refresher, "me")) == (False, False)
    short = jobs.ask("refresh", site)
    assert runner.run_one("me") is True
    assert [jobs.get(job["id"])["state"] for job in (long, short)] == ["done", "waiting"]
    assert (runner.any_ready(), runner.run_one("me")) == (False, False)


@pytest.mark.parametrize("seasons_done", [1, SEASONS])
def test_a_hindcast_that_runs_is_cancelled_and_writes_nothing(
    seasons_done: int, either: Register, jobs: Jobs, runner: Hindcasts, made: Made, keep: Path
) -> None:
    """Between two seasons, or when all are done and the record is about to be written."""
    job = jobs.ask("hindcast", add_site(either), MAY)
    if seasons_done < SEASONS:
        made.before = lambda done: cancel(jobs, job["id"]) if done == seasons_done else None
    else:
        runner._make = cancelled_at_last(made, jobs, job["id"])
    assert runner.run_one("me") is True
    ended = jobs.get(job["id"])

    assert (ended["state"], ended["said"], ended["done"]) == ("cancelled", "Cancelled.", seasons_done)
    assert rows(either.database, tables.site_records) == []
    assert list(keep.iterdir()) == []


def cancel(jobs: Jobs, job_id: str) -> None:
    jobs.cancel(job_id)


def cancelled_at_last(made: Made, jobs: Jobs, job_id: str) -> Any:
    def make(*given: Any) -> MadeRecord:
        record = made(*given)
        jobs.cancel(job_id)
        return record

    return make


def test_what_keeps_a_record_from_being_made_is_the_end_of_the_job_in_words(
    either: Register, jobs: Jobs, runner: Hindcasts, made: Made, keep: Path
) -> None:
    faults = [
        RequestError("Only 2019 is covered", fix="Ask again later."),
        WeatherFileError("it is no run", where="/home/somebody/weather/runs/2026-05-01T00Z.json"),
        ZeroDivisionError("invented"),
    ]
    said = []
    for fault in faults:
        made.before = raiser(fault)
        job = jobs.ask("hindcast", add_site(either), MAY)
        runner.run_one("me")
        said.append((jobs.get(job["id"])["state"], jobs.get(job["id"])["said"]))
    assert said == [
        ("failed", "Only 2019 is covered. Ask again later."),
        ("failed", "2026-05-01T00Z.json: it is no run."),
        ("failed", OURS),
    ]
    assert rows(either.database, tables.site_records) == []
    assert list(keep.iterdir()) == []


def raiser(fault: BaseException) -> Callable[[int], None]:
    def raises(_: int) -> None:
        raise fault

    return raises


def test_a_site_without_weather_or_a_site_that_is_gone_is_told_so(
    either: Register, jobs: Jobs, runner: Hindcasts, desk: InventedDesk
) -> None:
    gone, dry = add_site(either), add_site(either)
    first, second = (jobs.ask("hindcast", site, MAY)["id"] for site in (gone, dry))
    either.delete("site", gone, ME)
    desk.weathers = []
    assert [runner.run_one("me") for _ in range(3)] == [True, True, False]
    assert {(jobs.get(i)["state"]) for i in (first, second)} == {"failed"}
    assert "was deleted" in jobs.get(first)["said"]
    assert jobs.get(second)["said"] == "The invented service gave no weather: it has no weather."


def test_a_hindcast_whose_runner_was_killed_goes_on_from_the_seasons_that_are_done(
    either: Register, jobs: Jobs, runner: Hindcasts, made: Made, clock: Clock
) -> None:
    site = add_site(either)
    job = jobs.ask("hindcast", site, MAY)

    def killed(done: int) -> None:
        if done == 2:
            raise KeyboardInterrupt  # nothing that is caught: the runner writes nothing more

    made.before = killed
    with pytest.raises(KeyboardInterrupt):
        runner.run_one("gone")
    made.before = _nothing
    assert jobs.get(job["id"])["state"] == "running"
    assert (runner.any_ready(), runner.run_one("me")) == (False, False)
    clock.step(seconds=LASTS.total_seconds() + 1)
    assert runner.run_one("me") is True

    assert jobs.get(job["id"])["state"] == "done"
    assert made.n_kept == [0, 2]
    assert siterecords.data_of(either.database, site)["bounds"] == MAY


def test_a_runner_that_has_lost_its_job_to_another_leaves_it_the_seasons_and_writes_nothing(
    either: Register, jobs: Jobs, runner: Hindcasts, made: Made, keep: Path, clock: Clock
) -> None:
    job = jobs.ask("hindcast", add_site(either), MAY)

    def asleep(done: int) -> None:
        if done == 1:
            clock.step(seconds=LASTS.total_seconds() + 1)
            assert jobs.claim("other", kind="hindcast") is not None

    made.before = asleep
    runner.run_one("me")
    assert jobs.get(job["id"])["state"] == "running"
    assert [f.name for f in (keep / job["id"]).iterdir()] == ["season-0"]
    assert rows(either.database, tables.site_records) == []


def test_a_runner_that_stops_puts_its_hindcast_back_for_the_next_one(
    either: Register, jobs: Jobs, runner: Hindcasts, made: Made
) -> None:
    job = jobs.ask("hindcast", add_site(either), MAY)
    stopping = Event()
    made.before = lambda done: stopping.set() if done == 1 else None
    assert runner.run_one("me", stopping.is_set) is False
    assert jobs.get(job["id"])["state"] == "waiting"
    made.before = _nothing
    assert runner.run_one("next") is True
    assert (jobs.get(job["id"])["state"], made.n_kept) == ("done", [0, 1])


def test_a_register_that_is_busy_leaves_the_hindcast_to_be_begun_anew(
    either: Register, jobs: Jobs, runner: Hindcasts, made: Made, monkeypatch: pytest.MonkeyPatch, clock: Clock
) -> None:
    job = jobs.ask("hindcast", add_site(either), MAY)
    monkeypatch.setattr(siterecords, "put", lambda *_: raiser(BusyError("in use"))(0))
    with pytest.raises(BusyError):
        runner.run_one("me")
    monkeypatch.undo()
    clock.step(seconds=LASTS.total_seconds() + 1)
    jobs.renew("me")
    assert runner.run_one("me") is True
    assert (jobs.get(job["id"])["state"], made.n_kept) == ("done", [0, SEASONS])


# --- seasons that are done ----------------------------------------------------------------------------------------


def test_a_folder_that_cannot_be_made_only_means_that_nothing_is_kept_on_the_way(
    either: Register, desk: InventedDesk, jobs: Jobs, tmp_path: Path
) -> None:
    in_the_way = tmp_path / "file"
    in_the_way.write_text("no folder")
    seen = []

    def make(wanted: Wanted, on_season: Any, still: Any) -> MadeRecord:
        seen.append(wanted.keep)
        return MadeRecord({"model": "x"}, "<p>", "Judged.")

    job = jobs.ask("hindcast", add_site(either), MAY)
    Hindcasts(either, desk, Models(either.biology), jobs, make, in_the_way / "below").run_one("me")
    assert (jobs.get(job["id"])["state"], seen) == ("done", [None])


def test_seasons_that_were_left_behind_long_ago_are_dropped(
    either: Register, jobs: Jobs, runner: Hindcasts, keep: Path
) -> None:
    old, young = keep / "jobs_old", keep / "jobs_young"
    for folder in (old, young):
        folder.mkdir(parents=True)
    long_ago = young.stat().st_mtime - keeping_hindcasts.LEFT_BEHIND_S - 60
    os.utime(old, (long_ago, long_ago))
    jobs.ask("hindcast", add_site(either), MAY)
    runner.run_one("me")
    assert list(keep.iterdir()) == [young]


# --- beside the refreshes -----------------------------------------------------------------------------------------


def test_a_refresh_that_is_asked_for_meanwhile_does_not_wait_for_a_hindcast(
    either: Register, desk: InventedDesk, jobs: Jobs, runner: Hindcasts, made: Made
) -> None:
    """The hindcast does not go on before the refresh is done."""
    site = add_site(either)
    add_batch(either, site)
    begun, refreshed, go_on = Event(), Event(), Event()

    def waits(_: int) -> None:
        begun.set()
        assert go_on.wait(PATIENCE_S)

    made.before = waits
    jobs_of_others = Jobs(either.database, either.clock)
    end = jobs.end

    def ended(job_id: str, holder: str, state: str, said: str) -> None:
        end(job_id, holder, state, said)
        refreshed.set()

    jobs.end = ended  # type: ignore[method-assign]
    lease = Lease(either.database, LEASE, "me", either.clock)
    schedule = Schedule(Refresher(Keeper(either, desk)), jobs, lease, "me", hindcasts=runner)
    long = jobs_of_others.ask("hindcast", site, MAY)
    schedule.start()
    try:
        assert begun.wait(PATIENCE_S)
        short = jobs_of_others.ask("refresh", site)
        assert refreshed.wait(PATIENCE_S)
        assert [jobs_of_others.get(job["id"])["state"] for job in (short, long)] == ["done", "running"]
    finally:
        go_on.set()
        schedule.stop()
    assert jobs_of_others.get(long["id"])["state"] in {"done", "waiting"}


# --- what is kept -------------------------------------------------------------------------------------------------


def put(register: Register, site: str, first_season: int | None, figure: int) -> None:
    record = MadeRecord({"model": "m", "figure": figure}, f"<p>{figure}", "")
    with register.database.write() as connection:
        siterecords.put(connection, site, 1, {"first_season": first_season}, record, register.now())


def test_the_latest_record_of_the_same_bounds_takes_the_place_of_the_one_before(either: Register, clock: Clock) -> None:
    site = add_site(either)
    for figure, year in enumerate((None, 2001, None)):
        put(either, site, year, figure)
        clock.step(seconds=1)
    assert len(rows(either.database, tables.site_records)) == 2
    assert siterecords.data_of(either.database, site)["figure"] == 2
    assert siterecords.data_of(either.database, site, {"first_season": 2001})["figure"] == 1
    assert siterecords.page_of(either.database, site, {}) == b"<p>2"
    with pytest.raises(NotThereError, match=r"with these bounds\. Ask for one: POST /v1/jobs"):
        siterecords.data_of(either.database, site, {"first_season": 2002})
    with pytest.raises(NotThereError, match=r"no record of its odds\. Ask for one"):
        siterecords.page_of(either.database, add_site(either))


def test_of_many_bounds_the_newest_are_kept(either: Register, clock: Clock) -> None:
    site, other = add_site(either), add_site(either)
    put(either, other, 1999, 0)
    for year in range(2000, 2010):
        clock.step(seconds=1)
        put(either, site, year, 0)
    kept = {r["asked"]["first_season"] for r in rows(either.database, tables.site_records) if r["site_id"] == site}
    assert kept == set(range(2010 - siterecords.MOST_OF_A_SITE, 2010))
    assert siterecords.data_of(either.database, other)["bounds"]["first_season"] == 1999


def test_records_go_with_their_site(either: Register, jobs: Jobs, clock: Clock) -> None:
    gone, stays = add_site(either), add_site(either)
    for site in (gone, stays):
        put(either, site, None, 0)
    either.delete("site", gone, ME)
    clock.now += KEPT_FOR
    Tidying(either.database, jobs, clock)()
    assert [r["site_id"] for r in rows(either.database, tables.site_records)] == [stays]
