"""When an outlook stands and when a new one is issued, and that nothing is issued that does not hold any more."""

from __future__ import annotations

import logging
from dataclasses import replace
from datetime import datetime, timedelta
from typing import TYPE_CHECKING, Any

import pytest

from matewindow.errors import BusyError, NotThereError, RequestError, SourceError
from matewindow.keeping import working
from matewindow.keeping.issuing import Remembered, put
from matewindow.keeping.outlooks import Keeper
from matewindow.keeping.working import OURS, work_out
from matewindow.manyoutlooks import outlooks_of
from matewindow.register import tables
from matewindow.register.register import Register
from matewindow.reporting import window_report
from tests.keeping.invented import InventedDesk
from tests.keeping.made import ME, add_batch, add_check, add_hook, add_site, body, rows, told

if TYPE_CHECKING:
    from matewindow.biology import Biology
    from matewindow.paths import Sources
    from tests.register.made import Clock


# --- standing -----------------------------------------------------------------------------------------------------


def test_an_outlook_stands_while_nothing_that_it_stands_on_has_changed(
    keeper: Keeper, register: Register, clock: Clock
) -> None:
    batch = add_batch(register, add_site(register))
    first = keeper.outlook(batch)
    clock.step(hours=9)
    again = keeper.outlook(batch)

    assert (again.id, again.body) == (first.id, first.body)
    assert [o["id"] for o in keeper.issued(batch)] == [first.id]


def test_an_observation_changes_the_outlook_at_once(keeper: Keeper, register: Register, clock: Clock) -> None:
    batch = add_batch(register, add_site(register))
    before = keeper.outlook(batch)
    clock.step(seconds=1)
    add_check(register, batch)
    after = keeper.outlook(batch)

    assert after.p_well_mated != before.p_well_mated
    assert [c["saw"] for c in body(after)["batch"]["checks"]] == ["virgin"]
    assert [o["id"] for o in keeper.issued(batch)] == [before.id, after.id]


def test_the_same_after_a_change_of_the_batch_of_a_nuc_or_of_the_site(keeper: Keeper, register: Register) -> None:
    site = add_site(register)
    batch = add_batch(register, site)
    seen = {keeper.outlook(batch).id}
    register.change("batch", batch, {"n_grafted": 20}, ME)
    seen.add(keeper.outlook(batch).id)
    register.add("nuc", {"site_id": site, "batch_id": batch, "name": "Nuc 1"}, ME)
    seen.add(keeper.outlook(batch).id)
    warmer = keeper.outlook(batch).p_well_mated
    register.change("site", site, {"thresholds": {"temp_midpoint_c": 21.0}}, ME)
    colder = keeper.outlook(batch)
    seen.add(colder.id)

    assert len(seen) == 4
    assert colder.p_well_mated < warmer


def test_new_weather_gives_a_new_outlook_and_the_same_weather_fetched_again_does_not(
    keeper: Keeper, register: Register, desk: InventedDesk, fine: Sources, rainy: Sources
) -> None:
    batch = add_batch(register, add_site(register))
    first = keeper.outlook(batch)
    assert fine.members is not None
    later = replace(fine.members.provenance, fetched_at=datetime.fromisoformat("2026-05-27T05:00:00Z"))
    desk.weathers = [replace(fine, members=replace(fine.members, provenance=later))]
    same = keeper.outlook(batch)
    desk.weathers = [rainy]
    rained = keeper.outlook(batch)

    assert same.id == first.id
    assert rained.p_well_mated < first.p_well_mated


def test_a_new_day_gives_a_new_outlook(keeper: Keeper, register: Register, clock: Clock) -> None:
    batch = add_batch(register, add_site(register))
    first = keeper.outlook(batch)
    clock.step(hours=18)
    assert keeper.outlook(batch).id != first.id


def test_other_parameters_give_a_new_outlook_whatever_their_version_says(
    register: Register, desk: InventedDesk, biology: Biology
) -> None:
    batch = add_batch(register, add_site(register))
    first = Keeper(register, desk).outlook(batch)
    other = Register(register.database, biology.with_values({"mating.flight_rate_per_h": 0.3}), register.clock)
    second = Keeper(other, InventedDesk(other.biology, desk.weathers)).outlook(batch)

    assert second.p_well_mated < first.p_well_mated


def test_a_batch_at_its_end_keeps_its_last_outlook_whatever_the_weather(
    keeper: Keeper, register: Register, clock: Clock, desk: InventedDesk, rainy: Sources
) -> None:
    batch = add_batch(register, add_site(register))
    keeper.outlook(batch)
    register.change("batch", batch, {"ended_on": "2026-05-27"}, ME)
    last = keeper.outlook(batch)
    desk.weathers = [rainy]
    clock.step(days=3)

    assert keeper.outlook(batch).id == last.id


def test_without_weather_the_last_outlook_stands_until_something_is_recorded(
    keeper: Keeper, register: Register, desk: InventedDesk, monkeypatch: pytest.MonkeyPatch
) -> None:
    batch = add_batch(register, add_site(register))
    first = keeper.outlook(batch)
    monkeypatch.setattr(desk, "stamp", lambda site_id, site: None)
    monkeypatch.setattr(desk, "held", no_weather)

    assert keeper.outlook(batch).id == first.id
    add_check(register, batch)
    with pytest.raises(SourceError, match="it has none"):
        keeper.outlook(batch)


def no_weather(site_id: str, site: object) -> Any:
    raise SourceError("The weather store", "it has none")


def test_a_site_is_worked_out_at_once_with_the_numbers_of_each_batch_alone(
    keeper: Keeper, register: Register, desk: InventedDesk
) -> None:
    site = add_site(register)
    batches = [add_batch(register, site, grafted_on=f"2026-05-{day:02d}") for day in (4, 6, 6, 18)]
    issued, without = keeper.site_outlooks(site)
    alone = {b: Keeper(register, desk).outlook(b) for b in batches}

    assert without == {}
    assert {o.batch_id: o.id for o in issued} == {b: o.id for b, o in alone.items()}
    assert keeper.site_outlooks(site) == ([], {})


def test_what_goes_out_names_files_without_their_folders(
    register: Register, biology: Biology, sample_folder: Any
) -> None:
    from matewindow.keeping.weather import FolderDesk

    place = {"latitude": 53.2, "longitude": -1.9, "elevation_m": 210.0}
    batch = add_batch(register, add_site(register, **place))
    issued = Keeper(register, FolderDesk(sample_folder, biology)).outlook(batch)

    assert {s["file"] for s in body(issued)["sources"]} == {"past.json", "forecast.json", "ensemble.json"}
    assert str(sample_folder) not in issued.body.decode()


def test_a_broken_file_is_told_by_its_name_alone(
    register: Register, biology: Biology, sample_folder: Any, tmp_path: Any
) -> None:
    from matewindow.errors import WeatherFileError
    from matewindow.keeping.weather import FolderDesk

    (tmp_path / "past.json").write_text("{")
    batch = add_batch(register, add_site(register))
    with pytest.raises(WeatherFileError, match=r"^past\.json") as fault:
        Keeper(register, FolderDesk(tmp_path, biology)).outlook(batch)
    assert str(tmp_path) not in str(fault.value)


def test_a_folder_of_its_own_serves_a_site_and_changed_files_are_read_again(
    register: Register, biology: Biology, sample_folder: Any, tmp_path: Any
) -> None:
    import shutil

    from matewindow.keeping.weather import FolderDesk

    place = {"latitude": 53.2, "longitude": -1.9, "elevation_m": 210.0}
    site = add_site(register, **place)
    own = tmp_path / site
    own.mkdir()
    for name in ("past.json", "forecast.json"):
        shutil.copy(sample_folder / name, own)
    keeper, batch = Keeper(register, FolderDesk(tmp_path, biology)), add_batch(register, site)
    first = keeper.outlook(batch)
    shutil.copy(sample_folder / "ensemble.json", own)
    second = keeper.outlook(batch)

    assert {s["part"] for s in body(first)["sources"]} == {"observed", "past", "run"}
    assert {s["part"] for s in body(second)["sources"]} == {"observed", "past", "run", "members"}


# --- one batch spoils no other ------------------------------------------------------------------------------------


def test_checks_that_contradict_each_other_are_told_of_their_batch_alone(keeper: Keeper, register: Register) -> None:
    site = add_site(register)
    good, bad = add_batch(register, site), add_batch(register, site, name="Odd one")
    # a later look that the register lets pass, and the chain does not
    with register.database.write() as connection:
        for day, saw in (("2026-05-26", "eggs"), ("2026-05-19", "eggs")):
            connection.execute(tables.checks.insert().values(check_row(register, bad, day, saw)))
    issued, without = keeper.site_outlooks(site)

    assert [o.batch_id for o in issued] == [good]
    assert "eggs on 2026-05-19 cannot be" in without[bad]
    with pytest.raises(RequestError, match="cannot be"):
        keeper.outlook(bad)
    [state] = [r for r in rows(register.database, tables.batch_state) if r["batch_id"] == bad]
    assert (state["outlook_id"], "cannot be" in state["trouble"]) == (None, True)


def check_row(register: Register, batch: str, day: str, saw: str) -> dict[str, Any]:
    from matewindow.register.ids import new_id

    now = register.now()
    times = {"created_at": now, "changed_at": now}
    text = {"batch_id": batch, "day": datetime.fromisoformat(day).date(), "saw": saw, "notes": ""}
    return {"id": new_id("check", now), "version": 1} | times | text


def test_an_unforeseen_fault_in_one_batch_keeps_no_other_from_its_outlook(
    keeper: Keeper, register: Register, monkeypatch: pytest.MonkeyPatch, caplog: pytest.LogCaptureFixture
) -> None:
    site = add_site(register)
    good, bad = add_batch(register, site), add_batch(register, site, name="Odd one", grafted_on="2026-05-11")

    def breaks(batches: Any, *rest: Any) -> Any:
        if any(b.grafted.day == 11 for b in batches):
            raise ZeroDivisionError("invented")
        return outlooks_of(batches, *rest)

    monkeypatch.setattr(working, "outlooks_of", breaks)
    with caplog.at_level(logging.ERROR):
        issued, without = keeper.site_outlooks(site)

    assert [o.batch_id for o in issued] == [good]
    assert without == {bad: OURS}
    assert "each batch is worked out by itself" in caplog.text
    with pytest.raises(ZeroDivisionError):
        keeper.outlook(bad)


def test_the_same_where_a_report_cannot_be_made(
    keeper: Keeper, register: Register, monkeypatch: pytest.MonkeyPatch, caplog: pytest.LogCaptureFixture
) -> None:
    site = add_site(register)
    good, bad = add_batch(register, site), add_batch(register, site, grafted_on="2026-05-11")

    def breaks(outlook: Any, *rest: Any) -> Any:
        return {"odd": float("nan")} if outlook.batch.grafted.day == 11 else window_report(outlook, *rest)

    monkeypatch.setattr(working, "window_report", breaks)
    with caplog.at_level(logging.ERROR):
        issued, without = keeper.site_outlooks(site)

    assert ([o.batch_id for o in issued], without) == ([good], {bad: OURS})


@pytest.mark.parametrize("when", ["at once", "after it has written"])
def test_a_judge_that_breaks_down_costs_no_outlook_and_writes_nothing_by_halves(
    when: str, either: Register, desk: InventedDesk, caplog: pytest.LogCaptureFixture
) -> None:
    site = add_site(either)
    good, bad = add_batch(either, site), add_batch(either, site, name="Odd one")
    add_hook(either)

    def judge(connection: Any, records: Any, reading: Any, state: Any) -> Remembered:
        if records.id == good:
            return Remembered({"seen": reading.outlook_id})
        if when == "at once":
            raise ZeroDivisionError("invented")
        with connection.begin_nested():
            from matewindow.register import outbox

            outbox.put(connection, "warning.raised", {}, now=either.now(), site_id=site, batch_id=bad)
            raise ZeroDivisionError("invented")

    keeper = Keeper(either, desk, judge)
    with caplog.at_level(logging.ERROR):
        issued, without = keeper.site_outlooks(site)
    states = {r["batch_id"]: r for r in rows(either.database, tables.batch_state)}

    assert ({o.batch_id for o in issued}, without) == ({good, bad}, {})
    assert states[good]["judge"] == {"seen": states[good]["outlook_id"]}
    assert (states[bad]["judge"], states[bad]["trouble"]) == (None, OURS)
    assert told(either) == []
    assert "was not judged" in caplog.text


# --- what was overtaken -------------------------------------------------------------------------------------------


def test_an_outlook_of_records_that_were_changed_meanwhile_is_not_issued(either: Register, desk: InventedDesk) -> None:
    keeper, site = Keeper(either, desk), add_site(either)
    changed, gone, left = (add_batch(either, site, name=name) for name in ("changed", "gone", "left"))
    due = keeper.due(site)
    assert due.work is not None
    worked = work_out(due.work)
    add_check(either, changed)
    either.delete("batch", gone, ME)
    with either.database.write() as connection:
        done = put(connection, worked, None, either.now())

    assert [made.batch_id for made in done.stored] == [left]
    assert keeper.issued(changed) == keeper.issued(gone) == []


def test_of_two_who_work_out_the_same_outlook_one_issues_it(either: Register, desk: InventedDesk) -> None:
    keeper, site = Keeper(either, desk), add_site(either)
    batch = add_batch(either, site)
    first, second = (keeper.due(site).work for _ in range(2))
    assert first is not None
    assert second is not None
    for work in (first, second):
        with either.database.write() as connection:
            put(connection, work_out(work), None, either.now())

    assert len(keeper.issued(batch)) == 1


def test_a_batch_that_is_being_changed_again_and_again_is_told_to_be_busy(
    keeper: Keeper, register: Register, monkeypatch: pytest.MonkeyPatch
) -> None:
    batch = add_batch(register, add_site(register))
    from matewindow.keeping import outlooks

    def meanwhile(work: Any) -> Any:
        register.change("batch", batch, {"notes": f"{work.asked[0].records.row['version']}"}, ME)
        return work_out(work)

    monkeypatch.setattr(outlooks, "work_out", meanwhile)
    with pytest.raises(BusyError, match="changed all the time"):
        keeper.outlook(batch)
    monkeypatch.undo()
    assert keeper.outlook(batch).batch_id == batch


def test_one_change_meanwhile_is_caught_up_with(
    keeper: Keeper, register: Register, monkeypatch: pytest.MonkeyPatch
) -> None:
    batch = add_batch(register, add_site(register))
    from matewindow.keeping import outlooks

    changes = iter(["once"])

    def meanwhile(work: Any) -> Any:
        for notes in changes:
            register.change("batch", batch, {"n_grafted": 12, "notes": notes}, ME)
        return work_out(work)

    monkeypatch.setattr(outlooks, "work_out", meanwhile)
    found = body(keeper.outlook(batch))
    assert found["expected_laying"]["count"] == 12


def test_a_batch_that_was_deleted_has_no_outlook(keeper: Keeper, register: Register) -> None:
    batch = add_batch(register, add_site(register))
    issued = keeper.outlook(batch)
    register.delete("batch", batch, ME)
    with pytest.raises(NotThereError):
        keeper.outlook(batch)
    assert keeper.one_issued(issued.id).body == issued.body


# --- what is kept -------------------------------------------------------------------------------------------------


def test_only_the_last_outlook_keeps_the_summary_that_warnings_are_judged_by(
    keeper: Keeper, register: Register, clock: Clock
) -> None:
    batch = add_batch(register, add_site(register))
    keeper.outlook(batch)
    clock.step(days=1)
    last = keeper.outlook(batch)
    readings = {row["id"]: row["reading"] for row in rows(register.database, tables.outlooks)}

    assert readings.pop(last.id)["outlook_id"] == last.id
    assert list(readings.values()) == [{}]


def test_odds_that_swing_are_told_as_such(
    keeper: Keeper, register: Register, desk: InventedDesk, rainy: Sources
) -> None:
    batch = add_batch(register, add_site(register))
    keeper.outlook(batch)
    desk.weathers = [rainy]
    after = body(keeper.outlook(batch))
    assert any("The last two runs changed the odds" in text for text in after["warnings"])


def test_ids_of_outlooks_sort_by_their_age(keeper: Keeper, register: Register, clock: Clock) -> None:
    batch = add_batch(register, add_site(register))
    ids = []
    for _ in range(3):
        ids.append(keeper.outlook(batch).id)
        clock.step(days=1)
    assert ids == sorted(ids) == [o["id"] for o in keeper.issued(batch)]
    assert clock.now - keeper.one_issued(ids[-1]).issued_at == timedelta(days=1)
