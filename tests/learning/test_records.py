"""What has to be asked about records, and records out of the register's rows."""

from __future__ import annotations

from datetime import UTC, date, datetime, time, timedelta
from pathlib import Path
from typing import Any

import sqlalchemy as sa

from matewindow.learning.fromregister import records_of_register, season_of
from matewindow.learning.records import Record, ground_of, questions
from matewindow.register.database import Database
from matewindow.register.register import Register
from matewindow.register.tables import batches, checks, nucs, sites
from tests.learning.made_records import BIOLOGY, TODAY, record
from tests.register.made import Clock, add_batch, add_nuc, add_site

ME = "the keeper"


def asked(records: list[Record], today: date = TODAY) -> dict[str, tuple[int, str]]:
    return {q.about: (q.count, q.text) for q in questions(records, today)}


# --- questions --------------------------------------------------------------------------------------------------


def test_records_with_failures_and_every_outcome_raise_no_question() -> None:
    told = [record(success=i % 4 != 0, reason="" if i % 4 else "lost") for i in range(20)]

    assert questions(told, TODAY) == []


def test_nucs_without_an_outcome_are_counted_by_batch_those_without_a_record_too() -> None:
    told = [record(batch="A", nucs_in_batch=10, success=s) for s in (True, True, False, None)]
    told += [record(batch="B", success=None, grafted_on=date(2025, 6, 8))]

    count, text = asked(told)["no outcome"]

    assert count == 6 + 1 + 1  # six nucs of A have no row at all
    assert text.startswith("8 nucs of 2 batches have no outcome (A: 7, B: 1). What became of them?")


def test_batches_still_open_are_not_asked_after() -> None:
    told = [record(success=None, grafted_on=date(2026, 9, 20), season="2026")]

    assert asked(told) == {}
    assert asked(told, TODAY + timedelta(days=30))["no outcome"][0] == 1


def test_a_season_without_any_failure_is_asked_after() -> None:
    told = [record(season="2024") for _ in range(6)] + [record(season="2025") for _ in range(4)]

    count, text = asked(told)["only successes"]

    assert count == 6
    assert "Season 2024 has 6 queens that came good and none that failed. Were failures left out?" in text


def test_eggs_that_nobody_judged_are_asked_after_and_are_not_without_outcome() -> None:
    told = [record(success=None, first_with_eggs=date(2025, 6, 28))]

    assert list(asked(told)) == ["eggs without a verdict"]


def test_failures_without_a_sign_that_a_virgin_emerged_are_asked_after() -> None:
    told = [
        record(success=False),
        record(success=False, reason="robbed"),
        record(success=False, emerged_on=date(2025, 6, 13)),
    ]

    assert asked(told)["perhaps never emerged"][0] == 1


def test_what_nobody_can_judge_and_the_keeper_said_why_is_not_asked_after_again() -> None:
    told = [
        record(success=None, reason="removed"),
        record(success=None, first_with_eggs=date(2025, 6, 28), reason="lost"),
    ]

    assert asked(told) == {}


def test_the_digest_tells_records_apart() -> None:
    one, same, other = (ground_of([record(nuc=nuc)]) for nuc in ("7", "7", "8"))

    assert one.sha256 == same.sha256 != other.sha256
    assert (one.n, one.successes, one.first, one.seasons) == (1, 1, "2025-06-01", ["2025"])


# --- the register -----------------------------------------------------------------------------------------------

SITE = {"id": "s", "name": "Home", "latitude": 53.0, "timezone": "Europe/London"}
BATCH = {
    "id": "b",
    "site_id": "s",
    "name": "June",
    "grafted_on": date(2026, 6, 1),
    "grafted_at": time(14, 30),
    "larva_age_h": None,
    "sealed_temp_c": 33.0,
    "emerged_on": None,
    "n_placed": 4,
    "n_emerged": None,
    "n_laying": None,
}
NUC = {
    "id": "n",
    "batch_id": "b",
    "name": "7",
    "kind": "mini",
    "emerged_on": None,
    "outcome": None,
    "outcome_on": None,
    "outcome_reason": "",
}


def check(day: int, saw: str, nuc: str | None = "n") -> dict[str, Any]:
    return {"batch_id": "b", "nuc_id": nuc, "day": date(2026, 6, day), "saw": saw}


def issued(day: int, p: float, hour: int = 12) -> dict[str, Any]:
    at = datetime(2026, 6, day, hour, tzinfo=UTC)
    return {"batch_id": "b", "issued_at": at, "parameters": "2026.1", "p_well_mated": p}


def of_nuc(looks: list[dict[str, Any]], **changes: Any) -> Record:
    (found,) = records_of_register([SITE], [BATCH], [NUC | changes], looks, [])
    return found


def test_looks_hem_in_the_first_egg() -> None:
    looks = [
        check(24, "nothing"),
        check(20, "virgin"),
        check(28, "eggs"),
        check(30, "eggs"),
        check(29, "nothing", "other"),
    ]

    found = of_nuc(looks, outcome="laying", outcome_on=date(2026, 7, 6))

    assert found.last_without_eggs == date(2026, 6, 24)
    assert found.first_with_eggs == date(2026, 6, 28)
    assert found.success is True
    assert (found.site, found.season, found.batch, found.nuc) == ("Home", "2026", "June", "7")
    assert (found.grafted_at, found.sealed_temp_c, found.nucs_in_batch) == (time(14, 30), 33.0, 4)


def test_outcomes_are_looks_and_verdicts() -> None:
    on = date(2026, 7, 6)
    told = {outcome: of_nuc([check(20, "virgin")], outcome=outcome, outcome_on=on) for outcome in
            ("laying", "poor", "lost", "never laid", "removed", None)}  # fmt: skip

    assert {k: r.success for k, r in told.items()} == {
        "laying": True, "poor": False, "lost": False, "never laid": False, "removed": None, None: None,
    }  # fmt: skip
    assert {k: r.first_with_eggs for k, r in told.items() if r.first_with_eggs} == {"laying": on, "poor": on}
    assert told["never laid"].last_without_eggs == told["lost"].last_without_eggs == on
    assert told["removed"].last_without_eggs == date(2026, 6, 20)
    assert told["never laid"].reason == "never laid"


def test_a_queen_lost_after_she_laid_tells_nothing_of_her_mating() -> None:
    found = of_nuc([check(28, "eggs")], outcome="lost", outcome_on=date(2026, 7, 20))

    assert found.success is None
    assert found.first_with_eggs == date(2026, 6, 28)
    assert found.last_without_eggs is None


def test_the_odds_of_a_record_are_the_last_that_could_not_know_the_answer() -> None:
    outlooks = [issued(2, 0.71), issued(12, 0.75), issued(13, 0.77, hour=20), issued(20, 0.9), issued(28, 0.99)]

    (found,) = records_of_register([SITE], [BATCH], [NUC], [], outlooks)
    (late,) = records_of_register([SITE], [BATCH], [NUC], [], outlooks[3:])

    assert (found.p_issued, found.model) == (0.77, "2026.1")  # 13 June 21:00 in London is 12 days after the graft
    assert (late.p_issued, late.model) == (None, "")


def test_a_batch_that_was_only_counted_gives_a_record_for_each_virgin() -> None:
    counted = BATCH | {"n_emerged": 5, "n_laying": 3}

    found = records_of_register([SITE], [counted], [], [], [issued(5, 0.7)])

    assert [r.success for r in found] == [True, True, True, False, False]
    assert {r.p_issued for r in found} == {0.7}
    assert {r.nucs_in_batch for r in found} == {5}


def test_a_batch_counted_without_its_virgins_is_asked_after() -> None:
    (found,) = records_of_register([SITE], [BATCH | {"n_laying": 3}], [], [], [])

    assert found.success is None
    assert asked([found])["no outcome"][0] == 4


def test_sites_that_are_called_the_same_are_told_apart() -> None:
    other = SITE | {"id": "t"}
    batches_ = [BATCH, BATCH | {"id": "c", "site_id": "t"}]
    nucs_ = [NUC, NUC | {"id": "o", "batch_id": "c"}]

    found = records_of_register([SITE, other], batches_, nucs_, [], [])

    assert [r.site for r in found] == ["Home (s)", "Home (t)"]


def test_the_kind_of_the_nuc_is_carried_over() -> None:
    assert of_nuc([], kind="few-frames").nuc_kind == "few-frames"


def test_what_was_deleted_is_left_out() -> None:
    gone = {"deleted_at": datetime(2026, 7, 1, tzinfo=UTC)}

    assert records_of_register([SITE | gone], [BATCH], [NUC], [], []) == []
    assert records_of_register([SITE], [BATCH | gone], [NUC], [], []) == []
    assert records_of_register([SITE], [BATCH], [NUC], [check(28, "eggs") | gone], [])[0].first_with_eggs is None


def test_a_season_of_the_south_runs_over_the_new_year() -> None:
    assert season_of(date(2026, 1, 10), 53.0) == "2026"
    assert season_of(date(2026, 1, 10), -37.0) == season_of(date(2025, 11, 10), -37.0) == "2025/26"
    assert season_of(date(1999, 12, 1), -37.0) == "1999/00"


def test_rows_of_a_real_register_can_be_used_as_they_are(tmp_path: Path) -> None:
    database = Database(sa.make_url(f"sqlite:///{tmp_path / 'register.sqlite'}"))
    try:
        register = Register(database, BIOLOGY, Clock(datetime(2026, 7, 20, 12, tzinfo=UTC)))
        site = add_site(register)
        batch = add_batch(register, site, n_placed=2)
        nuc = add_nuc(register, site, batch)
        register.add("check", {"batch_id": batch, "nuc_id": nuc, "day": "2026-06-24", "saw": "nothing"}, ME)
        register.add("check", {"batch_id": batch, "nuc_id": nuc, "day": "2026-06-29", "saw": "eggs"}, ME)
        with database.read() as connection:
            tables = [
                [dict(r) for r in connection.execute(sa.select(t)).mappings()] for t in (sites, batches, nucs, checks)
            ]
    finally:
        database.close()

    (found,) = records_of_register(tables[0], tables[1], tables[2], tables[3], [])

    assert found.site == "Invented orchard"
    assert (found.last_without_eggs, found.first_with_eggs) == (date(2026, 6, 24), date(2026, 6, 29))
    assert found.grafted_on == date(2026, 6, 1)
