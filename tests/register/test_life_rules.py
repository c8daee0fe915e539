"""The life of a batch as the trade knows it: what can be true is stored, what cannot is refused in a keeper's words.

Days of development: emergence 385 h after laying at 34.5 °C (Chuda-Mickiewicz & Samborski 2015), larvae hatch 72 h after
laying (handbook); a virgin needs at least three days before she flies, and no source has an egg before her fourth
(Szabo et al. 1987). That cells are sealed about five days after the graft, and that of each step there are no more than
of the one before, is common practice. It is 29 June 2026; the batch was grafted at noon of 1 June.
"""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING, Any

import pytest

from matewindow.errors import NotThereError, RefusedError
from matewindow.register.database import Database
from matewindow.register.register import Register
from tests.register.made import GRAFT, ME, SITE, Clock, add_batch, add_nuc, add_site, check_laws, everything, refusals

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator
    from pathlib import Path

    import sqlalchemy as sa

    from matewindow.biology import Biology

Given = dict[str, Any]
ELSEWHERE = {"name": "Elsewhere", "latitude": 52.0, "longitude": -2.0}

TRUE_BATCHES: dict[str, Given] = {
    "nothing but the graft": {},
    "everything told": {
        "grafted_at": "14:30",
        "larva_age_h": 18.0,
        "sealed_temp_c": 34.5,
        "taken_on": "2026-06-02",
        "sealed_on": "2026-06-06",
        "moved_on": "2026-06-11",
        "moved_at": "18:00",
        "emerged_on": "2026-06-13",
        "n_grafted": 30,
        "n_taken": 25,
        "n_sealed": 24,
        "n_placed": 22,
        "n_emerged": 21,
        "n_laying": 17,
        "ended_on": "2026-06-29",
    },
    "all steps that can be on one day": {"taken_on": "2026-06-06", "sealed_on": "2026-06-06", "ended_on": "2026-06-06"},
    "none of the larvae taken": {"n_grafted": 30, "n_taken": 0},
    "as many of each as of the one before": {"n_grafted": 9, "n_taken": 9, "n_sealed": 9, "n_placed": 9, "n_laying": 9},
    "counts with gaps between them": {"n_grafted": 30, "n_laying": 17},
    "a graft and a move that are planned": {"grafted_on": "2026-07-06", "moved_on": "2026-07-16"},
    "a graft of years ago": {"grafted_on": "1950-06-01"},
    "sealed two days after the graft, of old larvae": {"sealed_on": "2026-06-03"},
    "sealed eight days after it": {"sealed_on": "2026-06-09"},
    "emerged on the first day that can be": {"emerged_on": "2026-06-11"},
    "emerged on the last day that can be": {"emerged_on": "2026-06-15"},
    "emerged late from cool cells": {"emerged_on": "2026-06-16", "sealed_temp_c": 32.0},
    "virgins from an incubator, moved after they emerged": {
        "kept_in": "incubator",
        "emerged_on": "2026-06-13",
        "moved_on": "2026-06-14",
    },
    "fewer virgins placed than emerged in an incubator": {
        "kept_in": "incubator",
        "n_sealed": 24,
        "n_emerged": 22,
        "n_placed": 20,
        "n_laying": 15,
    },
    "cells placed from an incubator, fewer emerged in the nucs": {
        "kept_in": "incubator",
        "n_sealed": 24,
        "n_placed": 22,
        "n_emerged": 20,
    },
    "over the turn of the year, in the south": {
        "grafted_on": "2025-12-28",
        "sealed_on": "2026-01-02",
        "emerged_on": "2026-01-09",
    },
}

IMPOSSIBLE_BATCHES: dict[str, tuple[Given, str, str]] = {
    "emerged before sealed": (
        {"sealed_on": "2026-06-08", "emerged_on": "2026-06-07"},
        "emerged_on",
        "the emergence (7 June) comes before the sealing (8 June)",
    ),
    "emerged before the graft": (
        {"emerged_on": "2026-05-13"},
        "emerged_on",
        "the emergence (13 May) comes before the graft (1 June)",
    ),
    "sealed in the wrong year": (
        {"sealed_on": "2025-06-06"},
        "sealed_on",
        "the sealing (6 June 2025) comes before the graft (1 June 2026)",
    ),
    "takes counted before the graft": (
        {"taken_on": "2026-05-31"},
        "taken_on",
        "the count of the take (31 May) comes before the graft (1 June)",
    ),
    "more taken than grafted": ({"n_grafted": 20, "n_taken": 21}, "n_taken", "more taken (21) than grafted (20)"),
    "more placed than taken": ({"n_taken": 20, "n_placed": 21}, "n_placed", "more placed in nucs (21) than taken (20)"),
    "more sealed than taken": ({"n_taken": 20, "n_sealed": 21}, "n_sealed", "more sealed (21) than taken (20)"),
    "more laying than emerged": ({"n_emerged": 3, "n_laying": 4}, "n_laying", "more laying (4) than emerged (3)"),
    "more emerged than placed, from a builder": (
        {"n_placed": 20, "n_emerged": 22},
        "n_emerged",
        "more emerged (22) than placed in nucs (20)",
    ),
    "more emerged than sealed, in an incubator": (
        {"kept_in": "incubator", "n_sealed": 20, "n_placed": 18, "n_emerged": 21},
        "n_emerged",
        "more emerged (21) than sealed (20)",
    ),
    "more laying than placed, from an incubator": (
        {"kept_in": "incubator", "n_placed": 18, "n_emerged": 20, "n_laying": 19},
        "n_laying",
        "more laying (19) than placed in nucs (18)",
    ),
    "sealed on the next day": ({"sealed_on": "2026-06-02"}, "sealed_on", "cells sealed 1 days after the graft"),
    "sealed after nine days": ({"sealed_on": "2026-06-10"}, "sealed_on", "cells sealed 9 days after the graft"),
    "emerged two days too early": (
        {"emerged_on": "2026-06-10"},
        "emerged_on",
        "emerged on 2026-06-10 does not fit a graft on 2026-06-01",
    ),
    "emerged a week too late": (
        {"emerged_on": "2026-06-20"},
        "emerged_on",
        "emerged on 2026-06-20 does not fit a graft on 2026-06-01",
    ),
    "emerged in the future": (
        {"grafted_on": "2026-06-20", "emerged_on": "2026-07-02"},
        "emerged_on",
        "2026-07-02 lies in the future: today is 2026-06-29 at the site",
    ),
    "takes counted tomorrow": (
        {"grafted_on": "2026-06-29", "taken_on": "2026-06-30"},
        "taken_on",
        "2026-06-30 lies in the future: today is 2026-06-29 at the site",
    ),
    "moved before the graft": ({"moved_on": "2026-05-31"}, "moved_on", "the cells were moved before the graft"),
    "cells moved after they had emerged": (
        {"emerged_on": "2026-06-13", "moved_on": "2026-06-14"},
        "moved_on",
        "the cells were moved after the virgins had emerged",
    ),
    "ended before it began": ({"ended_on": "2026-05-31"}, "ended_on", "the batch ended before its graft"),
    "a time without its day": ({"moved_at": "18:00"}, "moved_at", "a time of day without its day"),
    "larvae too old to graft": ({"larva_age_h": 40.0}, "larva_age_h", "a larva 40 h old"),
    "cells kept too cold": ({"sealed_temp_c": 25.0}, "sealed_temp_c", "sealed cells at 25 °C"),
}

FIELDS: dict[str, tuple[str, Given, str, str]] = {
    "a site without a name": ("site", {"name": " "}, "name", "must not be empty"),
    "north of the pole": ("site", {"latitude": 91}, "latitude", "must be at most 90"),
    "a number as text": ("site", {"latitude": "53.2"}, "latitude", "must be a number"),
    "a truth as a number": ("site", {"elevation_m": True}, "elevation_m", "must be a number"),
    "no number at all": ("site", {"exposure": float("nan")}, "exposure", "must be a number"),
    "an empty time zone": ("site", {"timezone": ""}, "timezone", "must not be empty"),
    "an unknown time zone": ("site", {"timezone": "Mars/Olympus"}, "timezone", "timezone 'Mars/Olympus' is not known"),
    "a file as time zone": ("site", {"timezone": "../../etc/passwd"}, "timezone", "is not known"),
    "a folder as time zone": ("site", {"timezone": "Europe"}, "timezone", "timezone 'Europe' is not known"),
    "east for west": ("site", {"longitude": 120.0}, "longitude", "the sun and the clock are"),
    "half of the quiet hours": ("site", {"quiet_from_h": 11.0}, "quiet_from_h", "only one end of the quiet hours"),
    "quiet hours turned round": (
        "site",
        {"quiet_from_h": 16.0, "quiet_to_h": 11.0},
        "quiet_to_h",
        "the quiet hours end before they begin",
    ),
    "an unknown threshold": ("site", {"thresholds": {"warmth": 1.0}}, "thresholds", "there is no parameter 'warmth'"),
    "a threshold out of range": ("site", {"thresholds": {"strict_temp_c": 99.0}}, "thresholds", "strict_temp_c"),
    "thresholds as a list": ("site", {"thresholds": []}, "thresholds", "must be names with numbers"),
    "a threshold that is text": (
        "site",
        {"thresholds": {"strict_temp_c": "16"}},
        "thresholds.strict_temp_c",
        "must be a number",
    ),
    "far too many thresholds": (
        "site",
        {"thresholds": {str(n): 1.0 for n in range(65)}},
        "thresholds",
        "has more than 64 entries",
    ),
    "notes without end": ("site", {"notes": "x" * 5001}, "notes", "is longer than 5000 characters"),
    "an unknown field": ("site", {"colour": "green"}, "colour", "is no field of a site"),
    "odds above one": ("site", {"warn_below": 1.5}, "warn_below", "must be at most "),
    "an unknown kind of builder": (
        "builder",
        {"kind": "queenless"},
        "kind",
        "must be 'starter', 'finisher' or 'starter-finisher'",
    ),
    "a negative strength": ("builder", {"strength_frames": -1}, "strength_frames", "must be at least 0"),
    "no site": ("builder", {"site_id": None}, "site_id", "must be text"),
    "no id": ("builder", {"site_id": "the orchard"}, "site_id", "is no id"),
    "a day that is none": ("batch", {"grafted_on": "2026-06-31"}, "grafted_on", "there is no such day"),
    "a day as a number": ("batch", {"grafted_on": 20260601}, "grafted_on", "write a date as 2026-06-01"),
    "a day in other digits": ("batch", {"grafted_on": "٢٠٢٦-٠٦-٠١"}, "grafted_on", "write a date as 2026-06-01"),
    "a day of another age": ("batch", {"grafted_on": "1949-12-31"}, "grafted_on", "give a year from 1950 to 2199"),
    "an hour that is none": ("batch", {"grafted_at": "24:30"}, "grafted_at", "there is no such time"),
    "an hour as a keeper says it": ("batch", {"grafted_at": "2 pm"}, "grafted_at", "write a time of day as 14:30"),
    "half a larva": ("batch", {"n_grafted": 1.5}, "n_grafted", "must be a whole number"),
    "fewer than none": ("batch", {"n_grafted": -1}, "n_grafted", "must be at least 0"),
    "too long a name": ("batch", {"name": "x" * 201}, "name", "is longer than 200 characters"),
    "no graft": ("batch", {"grafted_on": None}, "grafted_on", "write a date as 2026-06-01"),
}

TRUE_NUCS: dict[str, Given] = {
    "a nuc that has just got its cell": {"cell_placed_on": "2026-06-11"},
    "a whole story": {
        "cell_placed_on": "2026-06-11",
        "emerged_on": "2026-06-13",
        "outcome": "laying",
        "outcome_on": "2026-06-28",
        "broodless_since": "2026-06-10",
    },
    "lost on the day she emerged": {"emerged_on": "2026-06-13", "outcome": "lost", "outcome_on": "2026-06-13"},
    "laying on the first day that any virgin can": {"outcome": "laying", "outcome_on": "2026-06-16"},
    "a cell to be placed tomorrow": {"cell_placed_on": "2026-06-30"},
    "no batch, and nothing told": {"batch_id": None, "broodless_since": "2026-06-10"},
}
IMPOSSIBLE_NUCS: dict[str, tuple[Given, str, str]] = {
    "laying at two days": (
        {"emerged_on": "2026-06-14", "outcome": "laying", "outcome_on": "2026-06-16"},
        "outcome_on",
        "eggs on 16 June: these virgins are 2 days old then, and none lays before 4 days",
    ),
    "laying on the day she emerged": (
        {"emerged_on": "2026-06-14", "outcome": "poor", "outcome_on": "2026-06-14"},
        "outcome_on",
        "eggs on 14 June: these virgins are not a day old then, and none lays before 4 days",
    ),
    "laying before any can have emerged": (
        {"outcome": "laying", "outcome_on": "2026-06-08"},
        "outcome_on",
        "eggs on 8 June, before any virgin of the batch can have emerged (12 June)",
    ),
    "her cell placed before the graft": (
        {"cell_placed_on": "2026-05-31"},
        "cell_placed_on",
        "the placing of the cell (31 May) comes before the graft (1 June)",
    ),
    "emerged before her cell was placed": (
        {"cell_placed_on": "2026-06-14", "emerged_on": "2026-06-13"},
        "emerged_on",
        "the emergence (13 June) comes before the placing of the cell (14 June)",
    ),
    "lost before she emerged": (
        {"emerged_on": "2026-06-13", "outcome": "lost", "outcome_on": "2026-06-12"},
        "outcome_on",
        "the outcome (12 June) comes before the emergence (13 June)",
    ),
    "emerged on a day that does not fit the graft": (
        {"emerged_on": "2026-06-20"},
        "emerged_on",
        "emerged on 2026-06-20 does not fit a graft on 2026-06-01",
    ),
    "emerged tomorrow": ({"emerged_on": "2026-06-30"}, "emerged_on", "2026-06-30 lies in the future"),
    "an outcome tomorrow": (
        {"outcome": "removed", "outcome_on": "2026-06-30"},
        "outcome_on",
        "2026-06-30 lies in the future: today is 2026-06-29 at the site",
    ),
    "an outcome without its day": ({"outcome": "lost"}, "outcome_on", "an outcome and its day belong together"),
    "a day without its outcome": ({"outcome_on": "2026-06-28"}, "outcome_on", "an outcome and its day belong together"),
    "a story without a batch": (
        {"batch_id": None, "outcome": "lost", "outcome_on": "2026-06-28"},
        "batch_id",
        "a queen's story without her batch",
    ),
}

TRUE_CHECKS: dict[str, tuple[list[Given], Given]] = {
    "nothing, on the first day that any can have emerged": ([], {"day": "2026-06-12", "saw": "nothing"}),
    "eggs, on the first day that any can lay": ([], {"day": "2026-06-16", "saw": "eggs"}),
    "a look today": ([], {"day": "2026-06-29", "saw": "virgin"}),
    "eggs after the virgin was seen": ([{"day": "2026-06-20", "saw": "virgin"}], {"day": "2026-06-27", "saw": "eggs"}),
    "nothing after eggs: she was lost": (
        [{"day": "2026-06-20", "saw": "eggs"}],
        {"day": "2026-06-27", "saw": "nothing"},
    ),
    "the virgin after nothing: she was overlooked": (
        [{"day": "2026-06-20", "saw": "nothing"}],
        {"day": "2026-06-21", "saw": "virgin"},
    ),
    "the same seen twice in a day": ([{"day": "2026-06-20", "saw": "virgin"}], {"day": "2026-06-20", "saw": "virgin"}),
}
IMPOSSIBLE_CHECKS: dict[str, tuple[list[Given], Given, str, str]] = {
    "in the future": (
        [],
        {"day": "2026-06-30", "saw": "nothing"},
        "day",
        "2026-06-30 lies in the future: today is 2026-06-29 at the site",
    ),
    "before any can have emerged": (
        [],
        {"day": "2026-06-11", "saw": "nothing"},
        "day",
        "a check on 11 June, before any virgin of the batch can have emerged (12 June)",
    ),
    "in the wrong year": (
        [],
        {"day": "2025-06-27", "saw": "eggs"},
        "day",
        "a check on 27 June 2025, before any virgin of the batch can have emerged (12 June 2026)",
    ),
    "eggs seen at age 2": (
        [],
        {"day": "2026-06-14", "saw": "eggs"},
        "saw",
        "eggs on 14 June: these virgins are 2 days old then, and none lays before 4 days",
    ),
    "eggs seen at age 1": ([], {"day": "2026-06-13", "saw": "eggs"}, "saw", "these virgins are 1 day old then"),
    "another thing on the same day": (
        [{"day": "2026-06-20", "saw": "virgin"}],
        {"day": "2026-06-20", "saw": "eggs"},
        "saw",
        "another check of the same day says virgin",
    ),
    "a virgin after eggs": (
        [{"day": "2026-06-20", "saw": "eggs"}],
        {"day": "2026-06-27", "saw": "virgin"},
        "saw",
        "a virgin on 27 June, but eggs were seen on 20 June",
    ),
    "eggs before a virgin": (
        [{"day": "2026-06-27", "saw": "virgin"}],
        {"day": "2026-06-20", "saw": "eggs"},
        "saw",
        "eggs on 20 June, but a virgin was seen on 27 June",
    ),
    "something else than eggs, virgin or nothing": (
        [],
        {"day": "2026-06-20", "saw": "brood"},
        "saw",
        "must be 'eggs', 'virgin' or 'nothing'",
    ),
}


@pytest.fixture(scope="module", params=["sqlite", "postgresql"])
def shared(request: pytest.FixtureRequest, quick_disk_folder: Path, biology: Biology) -> Iterator[Register]:
    """One register for the whole table: each line of it has a site of its own."""
    if request.param == "sqlite":
        import sqlalchemy as sa

        url = sa.URL.create("sqlite", database=str(quick_disk_folder / "life.sqlite"))
    else:
        url = request.getfixturevalue("postgres").new()
    database = Database(url)
    yield Register(database, biology, Clock())
    database.close()


def refused(call: Callable[[], object]) -> list[tuple[str, str]]:
    with pytest.raises(RefusedError) as caught:
        call()
    for _, what, fix in caught.value.refusals:
        assert what[0] == what[0].lower() or what[0].isdigit(), "goes on after a colon"
        assert not what.endswith("."), what
        assert fix == "" or fix.endswith((".", "?")), fix
    return refusals(caught.value)


def only(found: list[tuple[str, str]], field: str, words: str) -> None:
    """Exactly one thing was refused, in these words."""
    assert [f for f, _ in found] == [field], found
    assert words in found[0][1], found


@pytest.mark.parametrize("given", TRUE_BATCHES.values(), ids=TRUE_BATCHES)
def test_a_batch_that_can_be_is_stored(shared: Register, given: Given) -> None:
    site = add_site(shared)
    batch = add_batch(shared, site, **given)
    assert shared.get("batch", batch)["version"] == 1
    assert shared.change("batch", batch, {"notes": "and stays so"}, ME)["version"] == 2


@pytest.mark.parametrize(("given", "field", "words"), IMPOSSIBLE_BATCHES.values(), ids=IMPOSSIBLE_BATCHES)
def test_a_batch_that_cannot_be_is_refused_when_added_and_when_changed(
    shared: Register, given: Given, field: str, words: str
) -> None:
    site = add_site(shared)
    only(refused(lambda: add_batch(shared, site, **given)), field, words)
    batch = add_batch(shared, site)
    only(refused(lambda: shared.change("batch", batch, given, ME)), field, words)
    assert shared.get("batch", batch)["version"] == 1


@pytest.mark.parametrize(("kind", "given", "field", "words"), FIELDS.values(), ids=FIELDS)
def test_a_field_that_cannot_be_is_refused_in_words(
    shared: Register, kind: str, given: Given, field: str, words: str
) -> None:
    whole = {"site": SITE, "builder": {"site_id": "", "name": "B"}, "batch": {"site_id": ""} | GRAFT}[kind]
    if kind != "site":
        whole = whole | {"site_id": add_site(shared)}
    only(refused(lambda: shared.add(kind, whole | given, ME)), field, words)


@pytest.mark.parametrize("given", TRUE_NUCS.values(), ids=TRUE_NUCS)
def test_a_nuc_that_can_be_is_stored(shared: Register, given: Given) -> None:
    site = add_site(shared)
    nuc = shared.add("nuc", {"site_id": site, "batch_id": add_batch(shared, site), "name": "Nuc"} | given, ME)
    assert shared.change("nuc", nuc["id"], {"notes": "and stays so"}, ME)["version"] == 2


@pytest.mark.parametrize(("given", "field", "words"), IMPOSSIBLE_NUCS.values(), ids=IMPOSSIBLE_NUCS)
def test_a_nuc_that_cannot_be_is_refused(shared: Register, given: Given, field: str, words: str) -> None:
    site = add_site(shared)
    whole = {"site_id": site, "batch_id": add_batch(shared, site), "name": "Nuc"}
    only(refused(lambda: shared.add("nuc", whole | given, ME)), field, words)


def test_a_virgin_from_an_incubator_is_placed_after_she_has_emerged(shared: Register) -> None:
    site = add_site(shared)
    batch = add_batch(shared, site, kept_in="incubator")
    story = {"emerged_on": "2026-06-13", "cell_placed_on": "2026-06-14", "outcome": "lost", "outcome_on": "2026-06-14"}
    add_nuc(shared, site, batch, **story)
    only(
        refused(lambda: add_nuc(shared, site, batch, **(story | {"outcome_on": "2026-06-13"}))),
        "outcome_on",
        "the outcome (13 June) comes before the placing of the cell (14 June)",
    )


@pytest.mark.parametrize("in_nuc", [True, False], ids=["in a nuc", "of the batch"])
@pytest.mark.parametrize(("before", "given"), TRUE_CHECKS.values(), ids=TRUE_CHECKS)
def test_a_check_that_can_be_is_stored(
    shared: Register,
    before: list[Given],
    given: Given,
    in_nuc: bool,  # noqa: FBT001  parametrised
) -> None:
    whole = looked_into(shared, in_nuc=in_nuc)
    for earlier in before:
        shared.add("check", whole | earlier, ME)
    check = shared.add("check", whole | given, ME)
    assert shared.change("check", check["id"], {"notes": "and stays so"}, ME)["version"] == 2


@pytest.mark.parametrize("in_nuc", [True, False], ids=["in a nuc", "of the batch"])
@pytest.mark.parametrize(("before", "given", "field", "words"), IMPOSSIBLE_CHECKS.values(), ids=IMPOSSIBLE_CHECKS)
def test_a_check_that_cannot_be_is_refused(
    shared: Register,
    before: list[Given],
    given: Given,
    field: str,
    words: str,
    in_nuc: bool,  # noqa: FBT001
) -> None:
    whole = looked_into(shared, in_nuc=in_nuc)
    for earlier in before:
        shared.add("check", whole | earlier, ME)
    only(refused(lambda: shared.add("check", whole | given, ME)), field, words)


def looked_into(register: Register, *, in_nuc: bool) -> Given:
    site = add_site(register)
    batch = add_batch(register, site)
    return {"batch_id": batch, "nuc_id": add_nuc(register, site, batch) if in_nuc else None}


def test_checks_of_different_nucs_do_not_contradict_each_other(shared: Register) -> None:
    site = add_site(shared)
    batch = add_batch(shared, site)
    for saw in ("eggs", "virgin", "nothing"):
        shared.add(
            "check", {"batch_id": batch, "nuc_id": add_nuc(shared, site, batch), "day": "2026-06-25", "saw": saw}, ME
        )


def test_a_deleted_check_contradicts_nothing_and_comes_back_only_where_it_fits(shared: Register) -> None:
    whole = looked_into(shared, in_nuc=True)
    eggs = shared.add("check", whole | {"day": "2026-06-20", "saw": "eggs"}, ME)
    shared.delete("check", eggs["id"], ME)
    shared.add("check", whole | {"day": "2026-06-21", "saw": "virgin"}, ME)
    only(
        refused(lambda: shared.bring_back("check", eggs["id"], ME)),
        "saw",
        "eggs on 20 June, but a virgin was seen on 21 June",
    )


def test_the_nuc_s_own_day_of_emergence_decides_what_its_checks_can_be(shared: Register) -> None:
    site = add_site(shared)
    batch = add_batch(shared, site)
    late = add_nuc(shared, site, batch, emerged_on="2026-06-15")
    eggs = {"batch_id": batch, "nuc_id": late, "day": "2026-06-18", "saw": "eggs"}
    only(refused(lambda: shared.add("check", eggs, ME)), "saw", "these virgins are 3 days old then")
    shared.add("check", eggs | {"day": "2026-06-19"}, ME)


@pytest.mark.parametrize(
    ("change", "field", "words"),
    [
        ({"grafted_on": "2026-06-08"}, "grafted_on", "eggs on 16 June, before any virgin"),
        ({"emerged_on": "2026-06-14"}, "emerged_on", "eggs on 16 June: these virgins are 2 days old then"),
        ({"larva_age_h": 6.0, "sealed_temp_c": 32.0}, "larva_age_h", "eggs on 16 June: these virgins are"),
    ],
    ids=["grafted a week later", "emerged two days later", "younger larvae, cooler cells"],
)
def test_a_batch_cannot_become_one_whose_checks_are_impossible(
    shared: Register, change: Given, field: str, words: str
) -> None:
    whole = looked_into(shared, in_nuc=False)
    check = shared.add("check", whole | {"day": "2026-06-16", "saw": "eggs"}, ME)
    found = refused(lambda: shared.change("batch", whole["batch_id"], change, ME))
    only(found, field, f"the check of 2026-06-16 ({check['id']}) would become impossible: ")
    assert words in found[0][1] or "before any virgin" in found[0][1]
    shared.delete("check", check["id"], ME)
    assert shared.change("batch", whole["batch_id"], change, ME)["version"] == 2


def test_a_batch_cannot_become_one_whose_nucs_are_impossible(shared: Register) -> None:
    site = add_site(shared)
    batch = add_batch(shared, site)
    nuc = add_nuc(shared, site, batch, emerged_on="2026-06-13")
    only(
        refused(lambda: shared.change("batch", batch, {"grafted_on": "2026-06-08"}, ME)),
        "grafted_on",
        f"the nuc Nuc 7 of 2026-06-13 ({nuc}) would become impossible: emerged on 2026-06-13 does not fit",
    )


def test_a_nuc_cannot_become_one_whose_checks_are_impossible(shared: Register) -> None:
    site = add_site(shared)
    batch, other = add_batch(shared, site), add_batch(shared, site, grafted_on="2026-06-02")
    nuc = add_nuc(shared, site, batch)
    check = shared.add("check", {"batch_id": batch, "nuc_id": nuc, "day": "2026-06-16", "saw": "eggs"}, ME)
    only(
        refused(lambda: shared.change("nuc", nuc, {"emerged_on": "2026-06-14"}, ME)),
        "emerged_on",
        f"the check of 2026-06-16 ({check['id']}) would become impossible: eggs on 16 June: these virgins are 2 days",
    )
    with pytest.raises(RefusedError, match=r"holds no queen of that batch.*For a new queen add the nuc once more"):
        shared.change("nuc", nuc, {"batch_id": other}, ME)


def test_a_site_cannot_move_so_that_its_checks_are_impossible(shared: Register) -> None:
    """In the west of China the clock runs three hours ahead of the sun, so that the first virgins, who emerge at half
    past two in the morning by the clock, are of the solar day before; in Shanghai they are not."""
    kashgar = {"timezone": "Asia/Shanghai", "latitude": 39.0, "longitude": 74.0}
    site = add_site(shared, **kashgar)
    batch = add_batch(shared, site, grafted_at="11:30")
    check = shared.add("check", {"batch_id": batch, "day": "2026-06-15", "saw": "eggs"}, ME)
    only(
        refused(lambda: shared.change("site", site, {"latitude": 31.2, "longitude": 121.5}, ME)),
        "longitude",
        f"the check of 2026-06-15 ({check['id']}) would become impossible: eggs on 15 June: these virgins are 3 days old",
    )
    assert shared.change("site", site, {"latitude": 39.5, "longitude": 74.1, "notes": "moved"}, ME)["version"] == 2


def test_the_other_site_s_batch_or_nuc_is_refused(shared: Register) -> None:
    here, there = add_site(shared), add_site(shared, **ELSEWHERE)
    batch = add_batch(shared, there)
    only(refused(lambda: add_nuc(shared, here, batch)), "batch_id", "this batch belongs to another site")
    nuc, own = add_nuc(shared, there, batch), add_batch(shared, here)
    only(
        refused(lambda: shared.add("check", {"batch_id": own, "nuc_id": nuc, "day": "2026-06-25", "saw": "eggs"}, ME)),
        "nuc_id",
        "this nuc holds no queen of that batch",
    )


def test_cells_may_be_raised_at_home_and_mated_at_a_yard_elsewhere(shared: Register) -> None:
    """Common practice: the cell builder stands at home, the nucs at a mating yard."""
    home, yard = add_site(shared), add_site(shared, **ELSEWHERE)
    builder = shared.add("builder", {"site_id": home, "name": "At home"}, ME)["id"]
    batch = add_batch(shared, yard, builder_id=builder)
    assert shared.get("batch", batch)["builder_id"] == builder
    assert shared.change("builder", builder, {"site_id": yard}, ME)["site_id"] == yard


def test_a_batch_does_not_leave_behind_what_belongs_to_its_site(shared: Register) -> None:
    here, there = add_site(shared), add_site(shared, **ELSEWHERE)
    batch = add_batch(shared, here, name="June")
    add_nuc(shared, here, batch)
    only(
        refused(lambda: shared.change("batch", batch, {"site_id": there}, ME)),
        "site_id",
        "would become impossible: this batch belongs to another site",
    )


def test_a_parent_that_is_not_there_is_named(shared: Register) -> None:
    with pytest.raises(NotThereError, match="there is no site 'site_0000000000000000'"):
        add_batch(shared, "site_0000000000000000")
    site = add_site(shared)
    with pytest.raises(NotThereError, match="there is no cell builder"):
        add_batch(shared, site, builder_id="bldr_0000000000000000")
    with pytest.raises(NotThereError, match="there is no batch 'site_"):
        add_nuc(shared, site, site)


def test_all_that_is_wrong_is_told_at_once(shared: Register) -> None:
    site = add_site(shared)
    with pytest.raises(RefusedError) as caught:
        add_batch(
            shared, site, n_grafted=3, n_taken=4, sealed_on="2026-05-30", moved_on="2026-05-30", ended_on="2026-07-01"
        )
    assert {field for field, _ in refusals(caught.value)} == {"sealed_on", "n_taken", "ended_on", "moved_on"}
    assert str(caught.value) == (
        "sealed_on: the sealing (30 May) comes before the graft (1 June) (and 3 more things: n_taken: more taken (4) than "
        "grafted (3); ended_on: 2026-07-01 lies in the future: today is 2026-06-29 at the site; moved_on: the cells were "
        "moved before the graft). Check both dates."
    )


def test_the_least_age_for_eggs_follows_the_parameters(
    url: sa.URL, opened: Callable[..., Database], biology: Biology
) -> None:
    later = replace(biology, mating=replace(biology.mating, earliest_flight_age_d=5.0))
    register = Register(opened(url), later, Clock())
    site = add_site(register)
    batch = add_batch(register, site)
    with pytest.raises(RefusedError, match="these virgins are 5 days old then, and none lays before 6 days"):
        register.add("check", {"batch_id": batch, "day": "2026-06-17", "saw": "eggs"}, ME)
    register.add("check", {"batch_id": batch, "day": "2026-06-18", "saw": "eggs"}, ME)


def test_every_register_of_this_table_keeps_the_laws(shared: Register) -> None:
    """After all of the above: nothing impossible was stored, and every history is whole."""
    assert len(everything(shared, "batch")) > 30
    check_laws(shared)
