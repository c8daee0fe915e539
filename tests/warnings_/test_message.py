"""What the keeper is told: five parts, the cause that explains the change, and nothing that can no longer be done."""

from __future__ import annotations

import json
import re
from dataclasses import replace
from datetime import UTC, date, datetime, timedelta
from typing import TYPE_CHECKING, Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from matewindow.biology import load_biology
from matewindow.flight import CAUSES
from matewindow.limits import Limits
from matewindow.warnings.causes import Change, change, standing
from matewindow.warnings.message import Message, message
from tests.warnings_.made_readings import BORN, START, a_reading, course, run

if TYPE_CHECKING:
    from collections.abc import Mapping

    from matewindow.warnings.judge import Verdict
    from matewindow.warnings.reading import Reading

    Lost = Mapping[int, Mapping[str, float]]

BIOLOGY = load_biology()
WET = {age: {"rain": 3.0} for age in range(7, 13)}
ACTIONS = {
    "before transfer": {"hold_cells", "sheltered_site"},
    "cells in nucs": {"leave_alone", "feed", "shade", "look", "postpone_check"},
    "virgins out": {"leave_alone", "feed", "shade", "look", "postpone_check"},
    "window nearly over": {"replacement_graft", "leave_alone", "feed", "shade", "look", "postpone_check"},
}


def on_age(age: int, hour: int = 6) -> datetime:
    return datetime(2026, 5, 22, hour, tzinfo=UTC) + timedelta(days=age)


def raised(age: int, lost: Lost, *, before: Lost | None = None, **changes: Any) -> Verdict:
    """A warning raised on the day that the virgins have some age; the day before the odds were 70 %."""
    calm = a_reading(on_age(age - 1), 0.70, lost=before, **changes)
    bad = a_reading(on_age(age), 0.35, lost=lost, **changes)
    verdict = run([calm, bad])[0][-1]
    assert verdict.outcome == "raise"
    return verdict


def cleared(age: int, lost: Lost) -> Verdict:
    """A warning raised the day before and cleared on this one."""
    readings = [a_reading(on_age(age - 2), 0.70), a_reading(on_age(age - 1), 0.35, lost=lost)]
    verdict = run([*readings, a_reading(on_age(age), 0.72)])[0][-1]
    assert verdict.outcome == "clear"
    return verdict


def told(verdict: Verdict, **options: Any) -> Message:
    said = message(verdict, "Blue 3", BIOLOGY, batch_id="btch_1", **options)
    assert_sensible(said, verdict)
    return said


def codes(said: Message) -> list[str]:
    return [action["action"] for action in said.data["what_can_be_done"]]


def assert_sensible(said: Message, verdict: Verdict) -> None:
    """What holds for every message."""
    assert len(said.parts) == 5
    assert not re.search(r"nan|None|\b(?:0|100) %|  |\.\.|\bnever\b|\balways\b|drones drones", said.text), said.text
    for part in said.parts:
        assert part[0].isupper() or part[0].isdigit(), part
        assert part.endswith("."), part
    for name, day, month in re.findall(r"(\w+day) (\d+) (\w+)", said.text):
        written = datetime.strptime(f"{day} {month} 2026", "%d %B %Y").date()  # noqa: DTZ007  a date
        assert f"{written:%A}" == name, said.text
    for what in said.data["what_can_be_done"]:
        assert date.fromisoformat(what["by"]) >= verdict.day, said.data
    for name, day, month in re.findall(
        r"(?:look|by|[Gg]raft for|off from) (\w+day) (\d+) (\w+)", " ".join(said.parts[2:4])
    ):
        written = datetime.strptime(f"{name} {day} {month} 2026", "%A %d %B %Y").date()  # noqa: DTZ007
        assert written >= verdict.day, said.text
    assert json.loads(json.dumps(said.data, allow_nan=False)) == said.data


# --- the five parts -----------------------------------------------------------------------------------------------


def test_a_wet_spell_over_virgins_that_are_out_is_told_in_five_parts() -> None:
    said = told(raised(4, WET))
    who, weather, do, by, why = said.parts  # the forecast's share of 28 May to 5 June is 6.47 of 9 days
    assert who == "Blue 3, grafted 10 May: virgins emerged about 22 May, 4 days old today."
    assert weather == (
        "Rain is foreseen for Friday 29 May to Wednesday 3 June. Flying days foreseen to 4 June: Thursday 28 May and "
        "Thursday 4 June. From 5 June only past years can tell: about 1.5 flight hours a day."
    )
    assert do == (
        "Leave the nucs shut from 11:00 to 16:00: on any better day the virgins may still fly. Feed small nucs, with "
        "paste or fondant, early or late in the day: they cannot forage."
    )
    assert by == "Feed by Thursday 28 May. First look Friday 5 June."
    assert why == (
        "Why: rain takes about 17 flight hours more out of the prime window than yesterday; the odds of a well mated "
        "queen fell from 70 % to 35 % (about as likely as not, 30 % to 40 %; usual 70 %). 72 % of the prime window is "
        "forecast and 28 % taken from past years: it can still turn out better or worse."
    )


def test_the_data_say_the_same_to_machines() -> None:
    data = told(raised(4, WET)).data
    assert {k: data[k] for k in ("type", "batch", "stage", "cause", "p_before", "p_now", "usual", "by")} == {
        "type": "raise",
        "batch": {"id": "btch_1", "name": "Blue 3"},
        "stage": "virgins out",
        "cause": "rain",
        "p_before": 0.70,
        "p_now": 0.35,
        "usual": 0.70,
        "by": "2026-05-28",
    }
    assert data["days_affected"] == ["2026-05-29", "2026-05-30", "2026-05-31", "2026-06-01", "2026-06-02", "2026-06-03"]
    assert data["flying_days"] == ["2026-05-28", "2026-06-04"]
    assert [a["action"] for a in data["what_can_be_done"]] == ["leave_alone", "feed", "look"]


def test_cells_not_yet_moved_can_wait_but_no_longer_than_emergence_allows_or_go_to_a_sheltered_site() -> None:
    said = told(raised(-3, {age: {"wind": 3.5} for age in range(6, 12)}))
    assert codes(said) == ["hold_cells", "sheltered_site"]
    assert "does not put off their emergence" in said.parts[2]
    assert "If you have a more sheltered site, take them there." in said.parts[2]
    assert said.parts[3] == (
        "The cells can be moved from Tuesday 19 May on; by Wednesday 20 May all must be in nucs or caged, before the "
        "first virgin may emerge."
    )
    assert said.data["by"] == "2026-05-20"


def test_once_the_cells_are_in_nucs_nobody_is_told_to_hold_or_move_them() -> None:
    said = told(raised(-1, WET))
    assert said.parts[0].endswith("the cells are in nucs, virgins emerge about 22 May.")
    assert codes(said) == ["leave_alone", "look"]


def test_a_first_look_is_put_off_if_most_would_not_lay_by_then() -> None:
    slow = replace(a_reading(START, 0.5).dates, eggs_half=BORN + timedelta(days=17), eggs_to=BORN + timedelta(days=25))
    said = told(raised(5, WET, dates=slow))
    assert "Put the first look off from Friday 5 June: most would not lay by then." in said.parts[2]
    assert "First look Friday 12 June." in said.parts[3]


def test_a_window_nearly_over_asks_for_a_replacement_graft_and_names_the_day() -> None:
    said = told(raised(13, {age: {"cold": 3.5} for age in range(13, 22)}))
    assert codes(said) == ["replacement_graft", "leave_alone", "feed", "look"]
    assert "Plan a replacement graft for Friday 5 June: its cells are ripe on Monday 15 June" in said.parts[2]
    assert said.parts[3].startswith("Prepare the cell builder by 4 June.")


def test_a_replacement_graft_keeps_clear_of_the_keepers_days_off() -> None:
    """Friday 5 June would ripen on a Monday, Saturday 6 on a Tuesday; on Mondays and Saturdays nobody works."""
    limits = Limits(weekdays_off=frozenset({0, 5}))
    said = told(raised(13, {age: {"cold": 3.5} for age in range(13, 22)}), limits=limits)
    assert "Plan a replacement graft for Sunday 7 June: its cells are ripe on Wednesday 17 June" in said.parts[2]


def test_a_replacement_graft_waits_for_the_cell_builder() -> None:
    limits = Limits(builder_free_from=date(2026, 6, 9))
    said = told(raised(13, {age: {"cold": 3.5} for age in range(13, 22)}), limits=limits)
    assert "Plan a replacement graft for Tuesday 9 June" in said.parts[2]


def test_heat_asks_for_shade_and_not_for_food() -> None:
    said = told(raised(4, {age: {"heat": 3.5} for age in range(6, 15)}))
    assert codes(said) == ["leave_alone", "shade", "look"]


def test_after_a_look_the_next_one_is_named_and_no_first_one() -> None:
    looked = replace(a_reading(START, 0.5).dates, last_check=BORN + timedelta(days=13))
    said = told(raised(15, {age: {"rain": 3.5} for age in range(15, 22)}, dates=looked))
    assert "Next look Thursday 11 June." in said.parts[3]
    assert "irst look" not in said.text
    assert said.data["usual"] is None


def test_better_weather_clears_in_the_same_five_parts() -> None:
    said = told(cleared(5, WET))
    assert said.parts[1].startswith("The window looks better again. Less rain is foreseen than yesterday.")
    assert said.parts[2] == "Leave the nucs shut from 11:00 to 16:00: on any better day the virgins may still fly."
    assert said.parts[3] == "First look Friday 5 June."
    assert said.parts[4].startswith(
        "Why: rain takes about 17 flight hours less out of the prime window than yesterday; the odds of a well mated "
        "queen rose from 35 % to 72 % (likely, 67 % to 77 %; usual 70 %)."
    )
    assert said.data["type"] == "clear"


def test_a_clear_before_the_transfer_goes_back_to_the_plan_and_near_the_end_drops_the_replacement() -> None:
    assert codes(told(cleared(-2, WET))) == ["keep_to_plan"]
    late = told(cleared(13, {age: {"rain": 3.0} for age in range(12, 21)}))
    assert codes(late) == ["no_replacement", "leave_alone", "look"]


def test_a_window_bad_at_first_sight_is_told_without_a_before() -> None:
    verdict = run([a_reading(START, 0.3, lost=WET)])[0][0]
    said = told(verdict)
    assert said.parts[4].startswith("Why: rain costs the most flying time in the prime window, and the odds of a well ")
    assert said.data["p_before"] is None


def test_days_already_spoilt_are_told_as_past() -> None:
    said = told(raised(10, {8: {"wind": 3.5}, 9: {"wind": 3.5}, 10: {"wind": 3.5}}))
    assert (
        "Wind cost flying time on Saturday 30 May and Sunday 31 May. Wind is foreseen for Monday 1 June."
        in said.parts[1]
    )


def test_a_batch_without_a_name_goes_by_its_graft() -> None:
    said = message(raised(4, WET), "", BIOLOGY)
    assert said.parts[0].startswith("Batch grafted 10 May: virgins emerged about 22 May")


def test_a_silent_verdict_has_no_message() -> None:
    verdict = run(course([0.65]))[0][0]
    with pytest.raises(ValueError, match="no message"):
        message(verdict, "Blue 3", BIOLOGY)


# --- the cause ----------------------------------------------------------------------------------------------------


def both(before: Lost, now: Lost, age: int = 4) -> tuple[Reading, Reading]:
    return a_reading(on_age(age - 1), 0.7, lost=before), a_reading(on_age(age), 0.3, lost=now)


@pytest.mark.parametrize("cause", CAUSES)
def test_the_cause_is_what_grew_and_not_what_costs_the_most(cause: str) -> None:
    other = "wind" if cause != "wind" else "cold"
    steady: Lost = {age: {other: 2.0} for age in range(6, 15)}
    worse: Lost = {age: {other: 2.0, cause: 1.2} for age in range(6, 15)}
    assert change(*both(steady, worse)).causes == (cause,)


def test_a_second_cause_is_named_if_it_took_half_as_much() -> None:
    worse: Lost = {8: {"rain": 2.0, "wind": 1.2}, 9: {"rain": 1.6, "wind": 1.2, "cold": 0.7}}
    found = change(*both({}, worse))
    assert found.causes == ("rain", "wind")
    assert found.hours == pytest.approx(3.6 - 2 * 0.2)
    assert found.days == (date(2026, 5, 30), date(2026, 5, 31))


def test_the_prime_window_speaks_before_the_days_after_it() -> None:
    worse: Lost = {9: {"rain": 1.4}} | {age: {"wind": 3.5} for age in range(15, 22)}
    assert change(*both({}, worse)).causes == ("rain",)
    late = change(*both({}, {age: {"wind": 3.5} for age in range(15, 19)}, age=8))
    assert (late.causes, late.prime) == (("wind",), False)


def test_where_nothing_grew_there_is_no_cause() -> None:
    assert change(*both(WET, {})) == Change()
    assert change(*both({}, {8: {"rain": 0.4}})) == Change()
    verdict = raised(4, {}, before=WET)
    said = told(verdict)
    assert said.data["cause"] is None
    assert "Why: the odds of a well mated queen fell from 70 % to 35 %" in said.parts[4]


def test_days_without_drones_do_not_count() -> None:
    before, now = both({}, {7: {"rain": 3.0}, 12: {"cold": 1.5}})
    days = tuple(replace(d, drones=0.0) if d.age < 10 else d for d in now.days)
    assert change(before, replace(now, days=days)).causes == ("cold",)
    assert standing(replace(now, days=days)).causes == ("drones",)


def test_a_lack_of_drones_is_told_as_that() -> None:
    reading = a_reading(START, 0.1)
    days = tuple(replace(d, drones=0.0) if d.age < 14 else d for d in reading.days)
    said = told(run([replace(reading, days=days)])[0][0])
    assert said.data["cause"] == "drones"
    assert "There are no mature drones for part or all of the prime window." in said.parts[1]
    assert "a lack of mature drones costs the most flying time" in said.parts[4]


# --- over everything ----------------------------------------------------------------------------------------------

LOSSES = st.dictionaries(
    st.integers(0, 21), st.dictionaries(st.sampled_from(CAUSES), st.floats(0.0, 3.0), max_size=3), max_size=22
)


@given(
    age=st.integers(-11, 21),
    hour=st.integers(0, 20),
    before=LOSSES,
    now=LOSSES,
    p=st.floats(0.0, 0.44),
    usual=st.sampled_from([0.6, 0.95, None]),
    low=st.sampled_from([0.0, None]),
    eggs=st.none() | st.integers(8, 40),
    looked=st.booleans(),
    off=st.frozensets(st.integers(0, 6), max_size=6),
    better=st.booleans(),
)
@settings(max_examples=300, deadline=None)
def test_no_message_advises_what_is_past_or_cannot_be_done(
    *,
    age: int,
    hour: int,
    before: Lost,
    now: Lost,
    p: float,
    usual: float | None,
    low: float | None,
    eggs: int | None,
    looked: bool,
    off: frozenset[int],
    better: bool,
) -> None:
    born = BORN
    dates = a_reading(START, 0.5).dates
    if eggs is None:
        dates = replace(dates, eggs_from=None, eggs_half=None, eggs_to=None)
    else:
        half = born + timedelta(days=eggs)
        dates = replace(dates, eggs_half=half, eggs_to=half + timedelta(days=6))
    if looked and age > 14:
        dates = replace(dates, last_check=born + timedelta(days=age - 1))
    fields: dict[str, Any] = {"usual": usual, "low": low, "high": None if low is None else 1.0, "dates": dates}
    moments = [on_age(age + day, hour) for day in (-2, -1, 0)]
    odds = (0.70, round(p, 5), 0.995) if better else (0.70, 0.70, round(p, 5))
    lost = (before, now, before) if better else (before, before, now)
    readings = [a_reading(m, q, lost=x, **fields) for m, q, x in zip(moments, odds, lost, strict=True)]
    verdicts, _ = run(readings)
    verdict = verdicts[-1]
    assert verdict.outcome == ("clear" if better else "raise")
    said = told(verdict, limits=Limits(weekdays_off=off))
    stage = verdict.reading.stage
    allowed = ACTIONS[stage] | ({"keep_to_plan", "no_replacement"} if better else set())
    assert set(codes(said)) <= allowed
    assert len(codes(said)) == len(set(codes(said)))
