"""Refreshes: which sites are due when, that one site's trouble is its own, and that a round may break off anywhere."""

from __future__ import annotations

import logging
from datetime import datetime, timedelta
from typing import TYPE_CHECKING, Any

import pytest
import sqlalchemy as sa

from matewindow.errors import BusyError, SourceError, StoreError, UnavailableError
from matewindow.keeping import refresh
from matewindow.keeping.judging import Judging
from matewindow.keeping.leases import LostError
from matewindow.keeping.outlooks import Keeper
from matewindow.keeping.refresh import EVERY, FIRST_RETRY, LONGEST_RETRY, Refresher
from matewindow.keeping.state import health_of, site_states
from matewindow.keeping.working import OURS, Work, work_out
from matewindow.register import tables
from tests.keeping.invented import InventedDesk, fill
from tests.keeping.made import ME, add_batch, add_check, add_hook, add_site, rows, told

if TYPE_CHECKING:
    from collections.abc import Callable

    from matewindow.paths import Sources
    from matewindow.register.database import Database
    from matewindow.register.register import Register
    from tests.register.made import Clock


def round_of(refresher: Refresher, **how: Any) -> list[str]:
    """Refresh what is due; the sites that were."""
    return [r.site_id for r in refresher.refresh_many(refresher.due(), **how)]


def next_at(register: Register, site: str) -> datetime:
    at: datetime = site_states(register.database)[site]["next_at"]
    return at


# --- when -----------------------------------------------------------------------------------------------------------


def test_new_sites_come_first_then_those_that_wait_for_longest(
    refresher: Refresher, register: Register, clock: Clock, desk: InventedDesk
) -> None:
    first, second = add_site(register), add_site(register)
    desk.broken[first] = SourceError("The invented service", "it is down")
    assert set(round_of(refresher)) == {first, second}
    clock.step(hours=3)
    third = add_site(register)

    assert refresher.due() == [third, first, second]
    assert refresher.due(limit=1) == [third]
    assert refresher.due(new_only=True) == [third]


def test_all_sites_fall_due_together_so_that_they_can_share_requests(
    refresher: Refresher, register: Register, clock: Clock
) -> None:
    first = add_site(register)
    round_of(refresher)
    clock.step(minutes=11)
    second = add_site(register)
    round_of(refresher)

    assert next_at(register, first) == next_at(register, second)
    assert timedelta() < next_at(register, first) - clock.now <= EVERY


def test_installations_do_not_ask_at_the_same_minute(refresher: Refresher, register: Register) -> None:
    """The time goes by the name of the register, which is drawn once."""
    minutes = set()
    for name in ("a", "b", "c"):
        with register.database.write() as connection:
            connection.execute(tables.meta.delete())
            connection.execute(tables.meta.insert().values(key="instance", value=name))
        site = add_site(register)
        round_of(refresher)
        minutes.add(next_at(register, site))
    assert len(minutes) == 3


def test_rounds_that_were_missed_are_made_up_for_by_one(
    refresher: Refresher, register: Register, clock: Clock, desk: InventedDesk
) -> None:
    add_batch(register, add_site(register))
    round_of(refresher)
    clock.step(days=2)
    assert len(round_of(refresher)) == 1
    assert round_of(refresher) == []
    assert len(desk.asked) == 2


def test_a_failed_refresh_is_tried_again_soon_and_then_ever_later(
    refresher: Refresher, register: Register, clock: Clock, desk: InventedDesk
) -> None:
    site = add_site(register)
    desk.broken[site] = SourceError("The invented service", "it is down")
    waits = []
    for _ in range(8):
        round_of(refresher)
        waits.append(next_at(register, site) - clock.now)
        clock.now = next_at(register, site)
    state = site_states(register.database)[site]

    assert waits[:3] == [FIRST_RETRY, 2 * FIRST_RETRY, 4 * FIRST_RETRY]
    assert waits[-1] == LONGEST_RETRY
    assert (state["failures"], state["refreshed_at"]) == (8, None)
    desk.broken.clear()
    round_of(refresher)
    state = site_states(register.database)[site]
    assert (state["failures"], state["trouble"], state["refreshed_at"]) == (0, "", clock.now)


def test_a_site_that_was_moved_is_due_at_once(refresher: Refresher, register: Register, clock: Clock) -> None:
    site = add_site(register)
    round_of(refresher)
    clock.step(minutes=2)
    assert refresher.due() == []
    register.change("site", site, {"latitude": 51.0}, ME)
    assert refresher.due() == [site]
    clock.step(seconds=1)
    round_of(refresher)
    assert refresher.due() == []


def test_a_deleted_site_is_never_due(refresher: Refresher, register: Register, clock: Clock) -> None:
    site = add_site(register)
    register.delete("site", site, ME)
    clock.step(days=1)
    assert refresher.due() == []


def test_a_clock_that_is_set_forward_by_an_hour_brings_one_round(
    refresher: Refresher, register: Register, clock: Clock, desk: InventedDesk
) -> None:
    for _ in range(3):
        add_batch(register, add_site(register))
    round_of(refresher)
    desk.asked.clear()
    clock.step(hours=1, minutes=5)
    for _ in range(10):
        round_of(refresher)
        clock.step(seconds=5)
    assert len(desk.asked) == 3


@pytest.mark.parametrize("back_h", [1, 30, 9000])
def test_a_clock_that_is_set_back_brings_one_round_and_no_standstill(
    back_h: int, refresher: Refresher, register: Register, clock: Clock, desk: InventedDesk
) -> None:
    sites = [add_site(register) for _ in range(3)]
    for site in sites:
        add_batch(register, site)
    round_of(refresher)
    register.change("site", sites[0], {"notes": "changed before the clock was set back"}, ME)
    desk.asked.clear()
    clock.step(hours=-back_h)
    for _ in range(10):
        round_of(refresher)
        clock.step(seconds=5)
    assert len(desk.asked) == 3
    assert next_at(register, sites[1]) - clock.now <= EVERY


@pytest.mark.parametrize("change", ["2026-03-29T00:50:00Z", "2026-10-25T00:50:00Z"])
def test_a_change_to_or_from_summer_time_changes_nothing(
    change: str, register: Register, clock: Clock, desk: InventedDesk
) -> None:
    """Over six hours around the change, looked at every five minutes: a round every 65 minutes, as always."""
    clock.now = datetime.fromisoformat(change) - timedelta(hours=3)
    refresher = Refresher(Keeper(register, desk))
    add_site(register)
    round_of(refresher)
    desk.asked.clear()
    for _ in range(6 * 12):
        clock.step(minutes=5)
        round_of(refresher)
    assert len(desk.asked) in {5, 6}


# --- trouble --------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("fault", "words"),
    [
        (SourceError("The invented service", "it is down"), "The invented service gave no weather: it is down."),
        (ZeroDivisionError("invented"), OURS),
    ],
)
def test_one_site_without_weather_stops_no_other(
    fault: Exception, words: str, refresher: Refresher, register: Register, desk: InventedDesk, clock: Clock,
    caplog: pytest.LogCaptureFixture,
) -> None:  # fmt: skip
    sites = [add_site(register) for _ in range(3)]
    batches = [add_batch(register, site) for site in sites]
    desk.broken[sites[1]] = fault
    with caplog.at_level(logging.WARNING):
        assert set(round_of(refresher)) == set(sites)
    health = health_of(register.database, clock.now)

    assert {r["batch_id"] for r in rows(register.database, tables.outlooks)} == {batches[0], batches[2]}
    assert site_states(register.database)[sites[1]]["trouble"] == words
    assert (health["status"], health["sites_in_trouble"], health["troubles"]) == ("degraded", 1, [words])
    assert f"site {sites[1]}: no weather" in caplog.text


@pytest.mark.parametrize("how", ["breaks down", "stops early"])
def test_a_desk_that_breaks_down_in_the_midst_is_the_trouble_of_the_sites_that_are_left(
    how: str, refresher: Refresher, register: Register, desk: InventedDesk, monkeypatch: pytest.MonkeyPatch,
    caplog: pytest.LogCaptureFixture,
) -> None:  # fmt: skip
    """They are tried again after a while, not at once: services must not be asked every few seconds."""
    for _ in range(3):
        add_batch(register, add_site(register))
    whole = desk.refresh_many

    def breaks(sites: Any) -> Any:
        yield next(whole(sites))
        if how == "breaks down":
            raise StoreError("the disk is full", where="store", fix="Free some space.")

    monkeypatch.setattr(desk, "refresh_many", breaks)
    with caplog.at_level(logging.WARNING):
        assert len(round_of(refresher)) == 3
    troubles = sorted(state["trouble"] for state in site_states(register.database).values())
    words = {"breaks down": "store: the disk is full. Free some space.", "stops early": OURS}[how]
    assert troubles == ["", words, words]
    assert refresher.due() == []
    assert len(rows(register.database, tables.outlooks)) == 1


def test_a_site_whose_outlooks_cannot_be_told_apart_stops_no_other(
    keeper: Keeper, register: Register, monkeypatch: pytest.MonkeyPatch, caplog: pytest.LogCaptureFixture
) -> None:
    sites = [add_site(register) for _ in range(2)]
    for site in sites:
        add_batch(register, site)
    due = keeper.due

    def breaks(site_id: str, held: Any = None) -> Any:
        if site_id == sites[0]:
            raise ZeroDivisionError("invented")
        return due(site_id, held)

    monkeypatch.setattr(keeper, "due", breaks)
    with caplog.at_level(logging.ERROR):
        round_of(Refresher(keeper))
    states = site_states(register.database)
    assert [states[site]["trouble"] for site in sites] == [OURS, ""]


def test_a_site_that_cannot_be_recorded_by_a_fault_of_ours_stops_no_other(
    refresher: Refresher, register: Register, desk: InventedDesk, monkeypatch: pytest.MonkeyPatch, clock: Clock
) -> None:
    """Or it would be the first of every round, and those after it would never have their turn."""
    sites = [add_site(register) for _ in range(3)]
    for site in sites:
        add_batch(register, site)

    def breaks(_connection: sa.Connection, site_id: str, _held: Any) -> None:
        if site_id == sites[0]:
            raise ZeroDivisionError("invented")

    monkeypatch.setattr(desk, "store", breaks)
    assert set(round_of(refresher)) == set(sites)
    states = site_states(register.database)
    assert [states[site]["trouble"] for site in sites] == [OURS, "", ""]
    assert len(rows(register.database, tables.outlooks)) == 2
    clock.step(minutes=11)
    assert refresher.refresh(sites[0]).trouble == OURS
    assert site_states(register.database)[sites[0]]["failures"] == 2


# --- what people do meanwhile ---------------------------------------------------------------------------------------


@pytest.fixture
def meanwhile(monkeypatch: pytest.MonkeyPatch) -> Callable[[Callable[[], object]], None]:
    """Lets something happen once after outlooks were worked out and before they are put on record."""

    def happens(what: Callable[[], object]) -> None:
        left = [what]

        def work_out_slowly(work: Work) -> Any:
            done = work_out(work)
            if left:
                left.pop()()
            return done

        monkeypatch.setattr(refresh, "work_out", work_out_slowly)

    return happens


def test_a_batch_that_was_changed_during_a_refresh_is_held_against_the_new_weather_at_once(
    refresher: Refresher, register: Register, meanwhile: Callable[[Callable[[], object]], None]
) -> None:
    site = add_site(register)
    batch, other = add_batch(register, site), add_batch(register, site, name="Other")
    meanwhile(lambda: add_check(register, batch))
    round_of(refresher)
    assert [row["batch_id"] for row in rows(register.database, tables.outlooks)] == [other]
    assert refresher.due() == [site]
    round_of(refresher)
    assert {row["batch_id"] for row in rows(register.database, tables.outlooks)} == {batch, other}
    assert refresher.due() == []


def test_a_warning_of_a_batch_that_was_added_during_a_refresh_stands(
    register: Register, desk: InventedDesk, rainy: Sources, meanwhile: Callable[[Callable[[], object]], None]
) -> None:
    desk.weathers = [rainy]
    keeper = Keeper(register, desk, Judging(register.biology, register.clock))
    site = add_site(register, warn_below=0.9)
    gone, added = add_batch(register, site), list[str]()
    keeper.outlook(gone)
    register.delete("batch", gone, ME)
    add_batch(register, site)

    def add() -> None:
        added.append(add_batch(register, site, name="Added"))
        keeper.outlook(added[0])

    meanwhile(add)
    round_of(Refresher(keeper))
    cleared = {row["batch_id"]: row["cleared_message"] for row in rows(register.database, tables.warnings)}
    assert cleared[added[0]] == ""
    assert cleared[gone] == "The batch is at its end."


def test_a_fault_of_ours_never_becomes_a_warning(
    register: Register, desk: InventedDesk, clock: Clock, fine: Sources, rainy: Sources
) -> None:
    """Neither where weather is lacking nor where the program itself breaks down."""
    add_hook(register)
    keeper = Keeper(register, desk, Judging(register.biology, register.clock))
    refresher, site = Refresher(keeper), add_site(register)
    add_batch(register, site)
    round_of(refresher)
    for fault in (SourceError("The invented service", "it is down"), ZeroDivisionError("invented")):
        clock.step(hours=7)
        desk.broken[site] = fault
        round_of(refresher)
    clock.step(hours=13)
    desk.broken.clear()
    from dataclasses import replace

    desk.weathers = [replace(rainy, members=None)]
    round_of(refresher)
    assert rows(register.database, tables.warnings) == []
    assert told(register) == []


@pytest.mark.parametrize("fault", [BusyError("in use"), UnavailableError("gone")])
def test_a_register_that_cannot_be_written_ends_the_round_and_nothing_is_lost(
    fault: Exception, keeper: Keeper, register: Register, monkeypatch: pytest.MonkeyPatch, desk: InventedDesk
) -> None:
    sites = [add_site(register) for _ in range(4)]
    batches = {add_batch(register, site) for site in sites}
    refresher, whole, calls = Refresher(keeper), desk.store, []

    def breaks(connection: sa.Connection, site_id: str, held: Any) -> None:
        calls.append(site_id)
        if len(calls) == 3:
            raise fault
        whole(connection, site_id, held)

    monkeypatch.setattr(desk, "store", breaks)
    with pytest.raises(type(fault)):
        round_of(refresher)
    assert len(rows(register.database, tables.outlooks)) == 2
    assert set(refresher.due()) == set(sites) - set(calls[:2])
    round_of(refresher)
    assert {r["batch_id"] for r in rows(register.database, tables.outlooks)} == batches
    assert len(rows(register.database, tables.outlooks)) == 4


def test_a_database_that_another_process_has_locked_is_tried_again(
    file: sa.URL, opened: Callable[..., Database], biology: Any, clock: Clock, desk: InventedDesk
) -> None:
    from matewindow.register.register import Register as Records

    register = Records(opened(file, busy_ms=20), biology, clock)
    batch = add_batch(register, add_site(register))
    refresher, other = Refresher(Keeper(register, desk)), opened(file)
    with other.write(), pytest.raises(BusyError):
        round_of(refresher)
    assert rows(register.database, tables.outlooks) == []
    round_of(refresher)
    assert [r["batch_id"] for r in rows(register.database, tables.outlooks)] == [batch]


def test_a_guard_that_says_no_ends_the_round_before_anything_is_written(
    refresher: Refresher, register: Register
) -> None:
    sites = [add_site(register) for _ in range(3)]
    for site in sites:
        add_batch(register, site)
    passed: list[int] = []

    def guard(connection: sa.Connection) -> None:
        if passed:
            raise LostError("another process does it now")
        passed.append(1)

    with pytest.raises(LostError):
        round_of(refresher, guard=guard)
    assert len(rows(register.database, tables.outlooks)) == len(rows(register.database, tables.site_state)) == 1
    assert len(refresher.due()) == 2


def test_a_site_that_is_deleted_during_its_refresh_is_passed_over(
    refresher: Refresher, register: Register, desk: InventedDesk
) -> None:
    gone, left = add_site(register), add_site(register)
    add_batch(register, left)

    def meanwhile(asked: str) -> None:
        if asked == gone:
            register.delete("site", gone, ME)

    desk.on_ask = meanwhile
    round_of(refresher)
    assert [r["site_id"] for r in rows(register.database, tables.site_state)] == [left]
    assert len(rows(register.database, tables.outlooks)) == 1


def test_a_site_under_way_in_one_thread_is_left_alone_by_the_others(
    refresher: Refresher, register: Register, desk: InventedDesk
) -> None:
    site, other = add_site(register), add_site(register)
    beside = []

    def meanwhile(asked: str) -> None:
        if asked == site:
            beside.append((refresher.due(), refresher.refresh(site), round_of(refresher)))

    desk.on_ask = meanwhile
    refresher.refresh(site)
    [(due, again, round_)] = beside
    assert (due, again.under_way, round_) == ([other], True, [other])
    assert refresher.busy() == []


def test_a_site_that_a_round_is_done_with_belongs_to_whoever_takes_it_next(
    refresher: Refresher, register: Register
) -> None:
    """The end of the round does not take it away from them."""
    sites = [add_site(register) for _ in range(2)]
    under_way = refresher.refresh_many(sites)
    first = next(under_way).site_id
    next(under_way)
    assert refresher.busy() != [first]
    refresher._busy.take([first])
    assert list(under_way) == []
    assert refresher.busy() == [first]


# --- warnings that end ----------------------------------------------------------------------------------------------


@pytest.mark.parametrize("end", ["ended", "deleted", "settled"])
def test_the_warning_of_a_batch_at_its_end_stands_no_longer_and_nobody_is_told(
    end: str, register: Register, desk: InventedDesk, clock: Clock, rainy: Sources
) -> None:
    add_hook(register)
    refresher = Refresher(Keeper(register, desk, Judging(register.biology, register.clock)))
    site = add_site(register)
    batch = add_batch(register, site)
    round_of(refresher)
    desk.weathers = [rainy]
    clock.step(hours=2)
    round_of(refresher)
    assert told(register) == ["warning.raised"]
    if end == "ended":
        register.change("batch", batch, {"ended_on": "2026-05-27"}, ME)
    elif end == "deleted":
        register.delete("batch", batch, ME)
    else:
        nuc = {"site_id": site, "batch_id": batch, "name": "Nuc 1", "outcome": "lost", "outcome_on": "2026-05-27"}
        register.add("nuc", nuc, ME)
    clock.step(hours=2)
    round_of(refresher)
    [warning] = rows(register.database, tables.warnings)

    assert (warning["cleared_at"], warning["cleared_message"]) == (clock.now, "The batch is at its end.")
    assert told(register) == ["warning.raised"]


def test_a_batch_that_is_brought_back_begins_anew(
    register: Register, desk: InventedDesk, clock: Clock, rainy: Sources
) -> None:
    add_hook(register)
    refresher = Refresher(Keeper(register, desk, Judging(register.biology, register.clock)))
    batch = add_batch(register, add_site(register))
    round_of(refresher)
    desk.weathers = [rainy]
    for act in (None, "delete", "bring_back"):
        if act is not None:
            getattr(register, act)("batch", batch, ME)
        clock.step(hours=2)
        round_of(refresher)
    assert told(register) == ["warning.raised"]


# --- in other processes ---------------------------------------------------------------------------------------------


def test_outlooks_worked_out_in_other_processes_are_the_same(
    register: Register, desk: InventedDesk, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(refresh, "WORTH_PROCESSES", 3)
    fill(register.database, 4, 2)
    idle = add_site(register, name="Invented yard 9")
    keeper = Keeper(register, desk, Judging(register.biology, register.clock))
    elsewhere = list(Refresher(keeper, processes=2).refresh_many(Refresher(keeper).due()))
    there = {r["batch_id"]: odds_of(r) for r in rows(register.database, tables.outlooks)}
    with register.database.write() as connection:
        for table in (tables.site_state, tables.batch_state, tables.outlooks, tables.calendar_stamps):
            connection.execute(table.delete())
    here = list(Refresher(keeper).refresh_many(Refresher(keeper).due()))

    assert {r.site_id: r.issued for r in elsewhere} == {r.site_id: r.issued for r in here}
    assert {r.site_id for r in here if r.issued == 0} == {idle}
    assert there == {r["batch_id"]: odds_of(r) for r in rows(register.database, tables.outlooks)}
    assert len(there) == 8


def odds_of(row: dict[str, Any]) -> tuple[Any, ...]:
    return row["p_well_mated"], row["p_well_mated_low"], row["p_well_mated_usual"], row["stands_on"], row["parameters"]


def test_a_process_that_breaks_down_costs_a_round_and_not_the_service(
    register: Register, desk: InventedDesk, monkeypatch: pytest.MonkeyPatch, caplog: pytest.LogCaptureFixture
) -> None:
    monkeypatch.setattr(refresh, "WORTH_PROCESSES", 2)
    monkeypatch.setattr(refresh, "work_out_elsewhere", dies)
    fill(register.database, 3, 1)
    refresher = Refresher(Keeper(register, desk), processes=2)
    with caplog.at_level(logging.ERROR):
        assert round_of(refresher) == []
    assert "another one broke down" in caplog.text
    assert len(refresher.due()) == 3
    assert len(round_of(refresher)) == 3


def dies(work: Work) -> Any:
    import os

    os._exit(9)
