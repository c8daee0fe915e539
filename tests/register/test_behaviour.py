"""Adding, changing, deleting, bringing back, undoing and finding records, with all that was before, on both databases."""

from __future__ import annotations

from datetime import UTC, date, datetime, time, timedelta, timezone
from typing import TYPE_CHECKING, Any

import pytest

from matewindow.errors import ConflictError, NotThereError, RefusedError, StaleError
from matewindow.register.ids import is_id
from matewindow.register.register import Filter, Register, rows_as_data
from matewindow.register.tables import ENTITIES
from tests.register.made import (
    GRAFT,
    ME,
    NOON,
    SITE,
    Clock,
    add_batch,
    add_nuc,
    add_site,
    check_laws,
    everything,
    refusals,
)

if TYPE_CHECKING:
    from collections.abc import Callable

    import sqlalchemy as sa

    from matewindow.biology import Biology
    from matewindow.register.database import Database

UNKNOWN = {
    "site": "site_0000000000000000",
    "builder": "bldr_0000000000000000",
    "batch": "btch_0000000000000000",
    "nuc": "nuc_0000000000000000",
    "check": "chck_0000000000000000",
}


def test_a_batch_needs_only_a_site_and_the_day_of_the_graft(register: Register) -> None:
    site = register.add("site", SITE, ME)
    batch = register.add("batch", {"site_id": site["id"], "grafted_on": "2026-06-01"}, ME)
    assert is_id(batch["id"], "batch")
    assert batch["version"] == 1
    assert batch["created_at"] == batch["changed_at"] == NOON
    assert batch["deleted_at"] is None
    assert batch["grafted_on"] == date(2026, 6, 1)
    assert batch["kept_in"] == "builder"
    untold = {name: value for name, value in batch.items() if value is None}
    assert set(untold) >= {"builder_id", "grafted_at", "larva_age_h", "n_grafted", "emerged_on", "warn_below"}


def test_what_was_written_is_read_again_to_the_last_digit(register: Register) -> None:
    site = register.add(
        "site",
        SITE
        | {
            "latitude": 53.123456789012345,
            "longitude": -1.0000000000000002,
            "thresholds": {"strict_temp_c": 16.100000000000001, "wind_none_from_ms": 5},
            "drones_mature_from": "2026-05-10",
            "quiet_from_h": 10.5,
            "quiet_to_h": 16.25,
            "warn_below": 0.1,
            "notes": "Line one\nLine two\twith a tab. Ünïcödé 🐝, 蜂, \u200f\u202e.",
        },
        ME,
    )
    batch = register.add(
        "batch",
        {"site_id": site["id"], "grafted_at": "14:30:07", "larva_age_h": 18.3, "n_grafted": 0} | GRAFT,
        ME,
    )
    for kind, row in (("site", site), ("batch", batch)):
        again = register.get(kind, row["id"])
        assert again == row
        assert {name: type(value) for name, value in again.items()} == {name: type(v) for name, v in row.items()}
    assert batch["grafted_at"] == time(14, 30, 7)
    assert batch["n_grafted"] == 0, "none is a number too"


def test_python_values_are_taken_as_well_as_json(register: Register) -> None:
    site = add_site(register)
    said = register.add("batch", {"site_id": site, "grafted_on": "2026-06-01", "grafted_at": "14:30"}, ME)
    meant = register.add("batch", {"site_id": site, "grafted_on": date(2026, 6, 1), "grafted_at": time(14, 30)}, ME)
    assert said["grafted_on"] == meant["grafted_on"]
    assert said["grafted_at"] == meant["grafted_at"]


def test_a_change_touches_only_the_fields_given_and_null_clears_one(register: Register, clock: Clock) -> None:
    site = add_site(register)
    batch = register.get("batch", add_batch(register, site, n_grafted=30, n_taken=25, notes="first"))
    clock.step(hours=1)
    changed = register.change("batch", batch["id"], {"n_taken": None, "notes": "second"}, "another")
    assert changed == batch | {
        "n_taken": None,
        "notes": "second",
        "version": 2,
        "changed_at": NOON + timedelta(hours=1),
    }
    assert register.get("batch", batch["id"]) == changed


def test_a_change_that_changes_nothing_makes_no_version(register: Register) -> None:
    site = add_site(register)
    before = register.get("site", site)
    assert register.change("site", site, {"name": SITE["name"], "elevation_m": 250}, ME) == before
    assert len(register.history("site", site)) == 1


def test_nobody_can_write_what_the_register_writes_by_itself(register: Register) -> None:
    site = add_site(register)
    for own in ("id", "version", "created_at", "changed_at", "deleted_at"):
        with pytest.raises(RefusedError) as refused:
            register.change("site", site, {own: "x"}, ME)
        assert refused.value.refusals[0][:2] == (own, "is no field of a site")
        with pytest.raises(RefusedError):
            register.add("site", SITE | {own: "x"}, ME)
    assert register.get("site", site)["version"] == 1


def test_the_history_keeps_who_when_and_what_it_was_before(register: Register, clock: Clock) -> None:
    site = add_site(register)
    clock.step(minutes=1)
    register.change("site", site, {"name": "Renamed"}, "a neighbour")
    clock.step(minutes=1)
    register.delete("site", site, "the keeper's brother")
    clock.step(minutes=1)
    register.bring_back("site", site, ME)
    told = register.history("site", site)
    assert [(step["action"], step["who"], step["version"], step["at"]) for step in told] == [
        ("added", ME, 1, NOON),
        ("changed", "a neighbour", 2, NOON + timedelta(minutes=1)),
        ("deleted", "the keeper's brother", 3, NOON + timedelta(minutes=2)),
        ("brought back", ME, 4, NOON + timedelta(minutes=3)),
    ]
    assert told[0]["before"] is None
    assert told[1]["before"]["name"] == SITE["name"]
    assert told[1]["after"]["name"] == "Renamed"
    assert told[2]["after"]["deleted_at"] == "2026-06-29T12:02:20.123456Z"
    assert told[3]["after"]["deleted_at"] is None
    assert check_laws(register) == 4


def test_a_history_comes_in_pages(register: Register) -> None:
    site = add_site(register)
    for n in range(6):
        register.change("site", site, {"notes": str(n)}, ME)
    pages, after = [], 0
    while page := register.history("site", site, after=after, limit=3):
        pages.append([step["version"] for step in page])
        after = page[-1]["seq"]
    assert pages == [[1, 2, 3], [4, 5, 6], [7]]


def test_a_deleted_record_is_out_of_sight_and_comes_back_whole(register: Register) -> None:
    site = register.add("site", SITE | {"notes": "as it was"}, ME)
    gone = register.delete("site", site["id"], ME)
    assert gone["deleted_at"] == NOON
    with pytest.raises(NotThereError, match=r"was deleted\. It can be brought back"):
        register.get("site", site["id"])
    assert register.get("site", site["id"], deleted=True) == gone
    assert register.every("site") == []
    assert register.every("site", Filter(deleted=True)) == register.every("site", Filter(deleted=None)) == [gone]
    calls: list[Callable[[], object]] = [
        lambda: register.change("site", site["id"], {"notes": "x"}, ME),
        lambda: register.delete("site", site["id"], ME),
        lambda: register.add("batch", {"site_id": site["id"]} | GRAFT, ME),
    ]
    for refused in calls:
        with pytest.raises(NotThereError):
            refused()
    back = register.bring_back("site", site["id"], ME)
    assert back == site | {"version": 3, "changed_at": NOON}
    with pytest.raises(ConflictError, match="is not deleted"):
        register.bring_back("site", site["id"], ME)


@pytest.mark.parametrize(
    ("parent", "child"),
    [
        ("site", "builder"),
        ("site", "batch"),
        ("site", "nuc"),
        ("builder", "batch"),
        ("batch", "nuc"),
        ("batch", "check"),
        ("nuc", "check"),
    ],
)
def test_what_others_stand_on_is_not_deleted_and_they_do_not_come_back_without_it(
    register: Register, parent: str, child: str
) -> None:
    ids = {"site": add_site(register)}
    ids["builder"] = register.add("builder", {"site_id": ids["site"], "name": "Builder"}, ME)["id"]
    given = {"builder_id": ids["builder"]} if parent == "builder" else {}
    ids["batch"] = add_batch(register, ids["site"], **given)
    ids["nuc"] = add_nuc(register, ids["site"], ids["batch"])
    seen = {"batch_id": ids["batch"], "nuc_id": ids["nuc"], "day": "2026-06-25", "saw": "nothing"}
    ids["check"] = register.add("check", seen, ME)["id"]
    with pytest.raises(ConflictError, match=r"has 1 (cell builder|batch|nuc|check) on record"):
        register.delete(parent, ids[parent], ME)
    for kind in ("check", "nuc", "batch", "builder", "site"):
        register.delete(kind, ids[kind], ME)
    with pytest.raises(NotThereError, match="was deleted"):
        register.bring_back(child, ids[child], ME)
    for kind in ENTITIES:
        register.bring_back(kind, ids[kind], ME)
    check_laws(register)


def test_undo_writes_what_was_before_and_undone_twice_it_is_as_it_was(register: Register) -> None:
    site = add_site(register)
    batch = add_batch(register, site, notes="one", n_grafted=30, grafted_at="14:30:07")
    first = register.get("batch", batch)
    second = register.change("batch", batch, {"notes": "two", "n_grafted": 20, "grafted_at": None}, ME)
    third = register.undo("batch", batch, ME)
    assert third == first | {"version": 3}
    fourth = register.undo("batch", batch, ME)
    assert fourth == second | {"version": 4}
    assert [step["action"] for step in register.history("batch", batch)] == ["added", "changed", "undone", "undone"]
    check_laws(register)


def test_a_delete_can_be_undone_and_a_bringing_back_too(register: Register) -> None:
    site = add_site(register)
    register.delete("site", site, ME)
    assert register.undo("site", site, ME)["deleted_at"] is None
    register.delete("site", site, ME)
    register.bring_back("site", site, ME)
    assert register.undo("site", site, ME)["deleted_at"] == NOON
    check_laws(register)


def test_undoing_a_bringing_back_leaves_alone_what_others_stand_on(register: Register) -> None:
    site = add_site(register)
    register.delete("site", site, ME)
    register.bring_back("site", site, ME)
    add_batch(register, site)
    with pytest.raises(ConflictError, match="has 1 batch on record"):
        register.undo("site", site, ME)
    assert register.get("site", site)["version"] == 3


def test_an_undo_is_judged_like_any_change(register: Register) -> None:
    """A batch was moved to a later graft; meanwhile a check was made that the earlier graft cannot have had."""
    site = add_site(register)
    batch = add_batch(register, site, grafted_on="2026-06-12")
    register.change("batch", batch, GRAFT, ME)
    register.add("check", {"batch_id": batch, "day": "2026-06-12", "saw": "virgin"}, ME)
    with pytest.raises(RefusedError, match="would become impossible"):
        register.undo("batch", batch, ME)


def test_there_is_nothing_to_undo_in_a_record_that_was_only_added(register: Register) -> None:
    site = add_site(register)
    with pytest.raises(ConflictError, match=r"has not been changed since it was added\. Delete it if it is wrong"):
        register.undo("site", site, ME)


def test_a_change_to_an_older_version_is_refused_and_says_which_is_stored(register: Register) -> None:
    site = add_site(register)
    register.change("site", site, {"notes": "mine"}, ME, version=1)
    calls: list[Callable[[], object]] = [
        lambda: register.change("site", site, {"notes": "theirs"}, "them", version=1),
        lambda: register.delete("site", site, "them", version=1),
        lambda: register.undo("site", site, "them", version=1),
        lambda: register.change("site", site, {"notes": "theirs"}, "them", version=3),
    ]
    for stale in calls:
        with pytest.raises(StaleError, match=r"version 2 is stored, the change was made to version [13]"):
            stale()
    assert register.get("site", site)["notes"] == "mine"
    assert register.change("site", site, {"notes": "ours"}, "them", version=2)["version"] == 3


@pytest.mark.parametrize("kind", ENTITIES)
def test_a_record_that_never_was_is_not_there_for_anything(register: Register, kind: str) -> None:
    for thing in (
        UNKNOWN[kind],
        "",
        "x",
        UNKNOWN["site" if kind != "site" else "nuc"],
        "\x00",
        "\ud800",
        "' OR 1=1 --",
    ):
        for call in (
            lambda: register.get(kind, thing),  # noqa: B023  called at once
            lambda: register.change(kind, thing, {}, ME),  # noqa: B023
            lambda: register.delete(kind, thing, ME),  # noqa: B023
            lambda: register.bring_back(kind, thing, ME),  # noqa: B023
            lambda: register.undo(kind, thing, ME),  # noqa: B023
            lambda: register.history(kind, thing),  # noqa: B023
        ):
            with pytest.raises(NotThereError, match="Look at the list for its id"):
                call()


@pytest.mark.parametrize("size", [1, 2, 3, 7, 10])
def test_pages_give_every_record_once_and_in_order(register: Register, size: int) -> None:
    made = [register.add("site", SITE | {"name": f"Site {n}"}, ME) for n in range(7)]
    register.delete("site", made[3]["id"], ME)
    wanted = sorted((row for n, row in enumerate(made) if n != 3), key=lambda row: str(row["id"]))
    rows: list[dict[str, Any]] = []
    after = None
    while True:
        page = register.page("site", after=after, limit=size)
        assert len(page.rows) <= size
        rows += page.rows
        if page.next_after is None:
            break
        after = page.next_after
    assert rows == wanted == register.every("site")


def test_a_page_begun_stays_right_while_others_add_and_delete(register: Register, clock: Clock) -> None:
    ids = []
    for _ in range(6):
        ids.append(add_site(register))
        clock.step(seconds=1)
    first = register.page("site", limit=3)
    register.delete("site", ids[1], ME)
    register.delete("site", ids[4], ME)
    later = add_site(register)
    rest = register.page("site", after=first.next_after, limit=10)
    assert [row["id"] for row in first.rows] == ids[:3]
    assert [row["id"] for row in rest.rows] == [ids[3], ids[5], later]


def test_filters_find_by_parent_by_date_and_by_whether_a_batch_has_ended(register: Register) -> None:
    here, there = add_site(register), add_site(register, name="There")
    days = ("2026-05-01", "2026-05-15", "2026-06-01")
    batches = [add_batch(register, here, grafted_on=day) for day in days]
    batches.append(add_batch(register, there, grafted_on="2026-05-15", ended_on="2026-06-20"))

    def found(**of: Any) -> set[str]:
        return {row["id"] for row in register.every("batch", Filter(**of))}

    assert found() == set(batches)
    assert found(equal={"site_id": here}) == set(batches[:3])
    assert found(at_least={"grafted_on": date(2026, 5, 15)}) == set(batches[1:])
    assert found(at_most={"grafted_on": date(2026, 5, 15)}) == {batches[0], batches[1], batches[3]}
    assert found(
        equal={"site_id": here}, at_least={"grafted_on": date(2026, 5, 2)}, at_most={"grafted_on": date(2026, 5, 31)}
    ) == {batches[1]}
    assert found(under_way=True) == set(batches[:3])
    assert found(equal={"builder_id": None}) == set(batches)
    assert found(equal={"site_id": UNKNOWN["site"]}) == set()


def test_a_record_as_json_writes_again_what_it_was_made_from(register: Register) -> None:
    """Dates, times and instants as ISO text, numbers as numbers."""
    site = add_site(register)
    batch = register.get(
        "batch", add_batch(register, site, grafted_at="14:30", moved_on="2026-06-11", moved_at="09:05:30")
    )
    (data,) = rows_as_data([batch])
    assert data["grafted_on"] == "2026-06-01"
    assert data["grafted_at"] == "14:30"
    assert data["moved_at"] == "09:05:30"
    assert data["created_at"] == "2026-06-29T12:00:20.123456Z"
    fields = {
        name: value
        for name, value in data.items()
        if name not in {"id", "version", "created_at", "changed_at", "deleted_at"}
    }
    twin = register.add("batch", fields, ME)
    assert {n: v for n, v in twin.items() if n in fields} == {n: v for n, v in batch.items() if n in fields}


def test_a_clock_of_another_zone_gives_the_same_instants(register: Register, clock: Clock) -> None:
    clock.now = NOON.astimezone(timezone(timedelta(hours=12)))
    site = register.add("site", SITE, ME)
    assert site["created_at"] == NOON
    assert site["created_at"].tzinfo is UTC
    register.change("site", site["id"], {"notes": "x"}, ME)
    check_laws(register)


def add_site_and_fail(register: Register) -> None:
    with register.database.write():
        add_site(register)
        raise ZeroDivisionError


def test_several_changes_in_one_transaction_are_all_there_or_none_is(register: Register) -> None:
    with pytest.raises(ZeroDivisionError):
        add_site_and_fail(register)
    assert everything(register, "site") == []
    with register.database.write():
        site = add_site(register)
        batch = add_batch(register, site)
        with pytest.raises(RefusedError):
            add_batch(register, site, n_grafted=1, n_taken=2)
    assert [row["id"] for row in register.every("batch")] == [batch]
    check_laws(register)


def test_a_part_of_a_transaction_can_fail_by_itself(register: Register) -> None:
    with register.database.write():
        first = add_site(register)
        with pytest.raises(ZeroDivisionError):
            add_site_and_fail(register)
        second = add_site(register)
    assert {row["id"] for row in everything(register, "site")} == {first, second}
    check_laws(register)


def test_a_reader_sees_one_state_throughout(register: Register) -> None:
    import sqlalchemy as sa

    count = sa.select(sa.func.count()).select_from(ENTITIES["site"])
    with register.database.read() as connection:
        assert connection.execute(count).scalar() == 0
        add_site(register)
        assert connection.execute(count).scalar() == 0
    with register.database.read() as connection:
        assert connection.execute(count).scalar() == 1


def test_a_reader_cannot_write(register: Register) -> None:
    import sqlalchemy as sa

    from matewindow.errors import UnavailableError

    with pytest.raises(UnavailableError, match=r"read.?only"), register.database.read() as connection:
        connection.execute(sa.delete(ENTITIES["site"]))


def test_two_registers_of_one_database_see_each_other(
    url: sa.URL, opened: Callable[..., Database], biology: Biology, clock: Clock
) -> None:
    one, two = (Register(opened(url), biology, clock) for _ in range(2))
    site = add_site(one)
    two.change("site", site, {"notes": "from two"}, ME, version=1)
    with pytest.raises(StaleError):
        one.change("site", site, {"notes": "from one"}, ME, version=1)
    assert one.get("site", site)["notes"] == "from two"


def test_who_made_a_change_is_stored_as_given_but_never_half_a_character(register: Register) -> None:
    site = register.add("site", SITE, "Zoë O'Hara; DROP TABLE sites --")["id"]
    assert register.history("site", site)[0]["who"] == "Zoë O'Hara; DROP TABLE sites --"
    for bad in ("\x00", "\ud800"):
        with pytest.raises(RefusedError) as refused:
            register.add("site", SITE, bad)
        assert refusals(refused.value) == [("who", "a control character cannot be stored")]
    assert len(everything(register, "site")) == 1


def test_a_year_and_more_of_records_is_found_as_it_was_written(register: Register) -> None:
    """Instants far from now, and to the microsecond."""
    register.clock = Clock(datetime(1999, 12, 31, 23, 59, 59, 999999, tzinfo=UTC))
    old = register.add("site", SITE, ME)
    register.clock = Clock(datetime(2199, 12, 31, 23, 59, 59, 1, tzinfo=UTC))
    new = register.add("site", SITE, ME)
    assert register.every("site") == [old, new]
