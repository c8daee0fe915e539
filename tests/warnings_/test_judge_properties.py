"""What must hold of the judge over any run of readings: one message a day, in turn, and never about ourselves."""

from __future__ import annotations

import json
from dataclasses import replace
from datetime import UTC, date, datetime, timedelta
from itertools import pairwise
from zoneinfo import ZoneInfo

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from matewindow.warnings.judge import Verdict, judge
from matewindow.warnings.reading import Reading
from matewindow.warnings.state import State
from matewindow.warnings.thresholds import Thresholds
from tests.warnings_.made_readings import LIMITS, START, a_reading, at, messages, run

ZONES = (
    "Europe/London",
    "America/St_Johns",
    "Australia/Lord_Howe",
    "Pacific/Apia",
    "Pacific/Auckland",
    "Pacific/Honolulu",
    "Pacific/Kiritimati",
    "Pacific/Pago_Pago",
)
BORN = st.sampled_from(
    [
        date(2026, 5, 22),
        date(2026, 3, 21),  # clocks in Europe go forward on 29 March
        date(2026, 10, 19),  # and back on 25 October
        date(2026, 3, 28),  # in New Zealand and on Lord Howe Island back on 5 April
        date(2026, 9, 20),  # and forward on 27 September and 4 October
    ]
)
ODDS = st.floats(0.01, 0.99).map(lambda p: round(p, 3))
STEPS_H = st.sampled_from([0.5, 1.0, 3.0, 6.0, 12.0, 23.0, 24.0, 25.0, 30.0])
COURSE = st.lists(st.tuples(STEPS_H, ODDS), min_size=1, max_size=25)


def readings_of(steps: list[tuple[float, float]], born: date, zone: str = "Europe/London") -> list[Reading]:
    """Readings from the day after emergence on, at any hours."""
    begin = datetime(born.year, born.month, born.day, 7, 20, tzinfo=UTC) + timedelta(days=1)
    hours, made = 0.0, []
    for step, p in steps:
        hours += step
        made.append(a_reading(begin + timedelta(hours=hours), p, born=born, zone=zone))
    return made


def in_turn(verdicts: list[Verdict]) -> bool:
    """Whether raising and clearing alternate, with changes for the worse only in between."""
    warned = False
    for verdict in verdicts:
        if verdict.outcome == "raise":
            if warned:
                return False
            warned = True
        elif verdict.outcome == "clear":
            if not warned:
                return False
            warned = False
        elif verdict.outcome == "worse" and not warned:
            return False
        if verdict.ends and verdict.outcome != "clear":
            warned = False
    return True


# --- over any weather ---------------------------------------------------------------------------------------------


@given(COURSE, BORN, st.sampled_from(ZONES))
@settings(max_examples=200, deadline=None)
def test_there_are_never_two_messages_on_one_civil_day_of_the_site(
    steps: list[tuple[float, float]], born: date, zone: str
) -> None:
    readings = readings_of(steps, born, zone)
    verdicts, _ = run(readings)
    days = [v.reading.issued_at.astimezone(ZoneInfo(zone)).date() for v in verdicts if v.speaks]
    assert len(days) == len(set(days))


@given(COURSE, BORN)
@settings(max_examples=200, deadline=None)
def test_raising_and_clearing_alternate(steps: list[tuple[float, float]], born: date) -> None:
    verdicts, state = run(readings_of(steps, born))
    assert in_turn(verdicts)
    if state.phase == "watching":
        assert sum(v.outcome == "raise" for v in verdicts) == sum(v.ends for v in verdicts)


@given(COURSE, st.lists(st.sampled_from(ZONES), min_size=25, max_size=25))
@settings(max_examples=150, deadline=None)
def test_moving_the_site_over_the_date_line_and_back_does_not_double_a_day(
    steps: list[tuple[float, float]], zones: list[str]
) -> None:
    readings = [
        replace(reading, timezone=zone)
        for reading, zone in zip(readings_of(steps, date(2026, 5, 22)), zones, strict=False)
    ]
    verdicts, _ = run(readings)
    days = [day for _, day in messages(verdicts)]
    assert days == sorted(set(days))


@given(COURSE, BORN, st.lists(st.integers(1, 3), min_size=25, max_size=25))
@settings(max_examples=150, deadline=None)
def test_refreshes_that_are_repeated_after_a_crash_give_no_second_message(
    steps: list[tuple[float, float]], born: date, times: list[int]
) -> None:
    readings = readings_of(steps, born)
    repeated = [reading for reading, n in zip(readings, times, strict=False) for _ in range(n)]
    once, state = run(readings)
    again, same = run(repeated)
    assert messages(again) == messages(once)
    assert same == state


@given(COURSE, BORN)
@settings(max_examples=60, deadline=None)
def test_the_judge_goes_on_from_its_stored_state_as_if_it_had_not_been_away(
    steps: list[tuple[float, float]], born: date
) -> None:
    readings = readings_of(steps, born)
    straight, _ = run(readings)
    state, verdicts = State(), []
    for reading in readings:
        stored = State.from_data(json.loads(json.dumps(state.as_data())))
        verdict = judge(stored, Reading.from_data(json.loads(json.dumps(reading.as_data()))), LIMITS, reading.issued_at)
        verdicts.append(verdict)
        state = verdict.state
    assert [(v.outcome, v.reason, v.key) for v in verdicts] == [(v.outcome, v.reason, v.key) for v in straight]


# --- hysteresis ---------------------------------------------------------------------------------------------------


@given(
    st.floats(0.05, 0.48),
    st.lists(st.floats(0.0, 0.1), min_size=5, max_size=12),
    st.lists(STEPS_H, min_size=14, max_size=14),
)
@settings(max_examples=200, deadline=None)
def test_a_recovery_that_goes_only_upward_clears_exactly_once(
    low: float, rises: list[float], steps_h: list[float]
) -> None:
    odds, p = [0.65, round(low, 3)], low
    for rise in rises:
        p = min(0.9, p + rise)
        odds.append(round(p, 3))
    odds = [*odds, 0.9, 0.9, 0.9]
    _, state = run([a_reading(START, odds[0]), a_reading(at(24.0), odds[1])])
    assert state.phase == "warned"
    hours, upward = 24.0, []
    for step, p in zip([*steps_h, 24.0, 24.0][-len(odds[2:]) :], odds[2:], strict=True):
        hours += step
        upward.append(a_reading(at(hours), p))
    verdicts, state = run([r for r in upward if r.stage != "over"], state)
    assert [v.outcome for v in verdicts if v.speaks] == ["clear"]
    assert state.phase == "watching"


@given(steps=st.lists(st.tuples(STEPS_H, st.floats(0.5005, 0.5495)), min_size=3, max_size=20), warned=st.booleans())
@settings(max_examples=150, deadline=None)
def test_noise_within_the_band_of_the_threshold_never_toggles(
    *, steps: list[tuple[float, float]], warned: bool
) -> None:
    """Between the threshold and the margin above it nothing is raised and nothing cleared, from either side."""
    state = run([a_reading(START, 0.60), a_reading(at(24.0), 0.48 if warned else 0.54)])[1]
    hours, noisy = 24.0, []
    for step, p in steps:
        hours += step
        noisy.append(a_reading(at(hours), p))
    verdicts, after = run([r for r in noisy if r.stage != "over"], state)
    assert messages(verdicts) == []
    assert after.phase == ("warned" if warned else "watching")


@given(
    st.floats(0.3, 0.9),
    st.lists(st.tuples(STEPS_H, st.floats(-0.0495, 0.0495)), min_size=3, max_size=20),
    st.sampled_from([0.3, 0.55, 0.7, 0.9, None]),
    st.sampled_from([0.05, 0.1, None]),
)
@settings(max_examples=200, deadline=None)
def test_noise_of_under_five_points_gives_at_most_one_message(
    level: float, steps: list[tuple[float, float]], usual: float | None, below_usual: float | None
) -> None:
    """Wherever the odds and the usual lie: every level of clearing keeps its distance from the one of raising."""
    hours, noisy = 0.0, []
    for step, noise in steps:
        hours += step
        noisy.append(a_reading(at(hours), round(level + noise / 2.0, 5), usual=usual))
    limits = Thresholds(0.5, below_usual=below_usual, margin=0.05, wide=0.0)
    verdicts, _ = run([r for r in noisy if r.stage != "over"], thresholds=limits)
    assert len(messages(verdicts)) <= 1


# --- faults of our own --------------------------------------------------------------------------------------------


def no_forecast(reading: Reading) -> Reading:
    days = tuple(replace(d, forecast=0.0, past_years=1.0 - d.observed) for d in reading.days)
    return replace(reading, days=days, grounds=replace(reading.grounds, forecast_made=None, members=0))


def stale(reading: Reading) -> Reading:
    return replace(reading, grounds=replace(reading.grounds, forecast_made=reading.issued_at - timedelta(hours=40)))


def single_run(reading: Reading) -> Reading:
    days = tuple(
        replace(d, forecast=d.forecast / 2.0, past_years=d.past_years + d.forecast / 2.0) for d in reading.days
    )
    return replace(reading, days=days)


def few_years(reading: Reading) -> Reading:
    return replace(reading, grounds=replace(reading.grounds, years=9))


def rain_lacking(reading: Reading) -> Reading:
    return replace(reading, grounds=replace(reading.grounds, unjudged=("rain of the ensemble",)))


def uncovered(reading: Reading) -> Reading:
    days = tuple(replace(d, past_years=0.0, unknown=d.past_years + d.forecast, forecast=0.0) for d in reading.days)
    return replace(reading, days=days)


FAULTS = (no_forecast, stale, single_run, few_years, rain_lacking, uncovered)


@given(COURSE, st.data())
@settings(max_examples=200, deadline=None)
def test_faults_of_our_own_neither_raise_nor_clear_nor_change_what_comes_after(
    steps: list[tuple[float, float]], data: st.DataObject
) -> None:
    """With readings of any odds from broken weather strewn in between, the messages are those without them."""
    sound = [r for r in readings_of(steps, date(2026, 5, 22)) if r.stage != "over"]
    strewn: list[Reading] = sound[:1]
    for before, reading in pairwise(sound):
        breaks = [f for f in FAULTS if f is not single_run or _ahead(reading)]
        for n in range(data.draw(st.integers(0, 2))):
            moment = before.issued_at + (n + 1) * (reading.issued_at - before.issued_at) / 3
            broken = data.draw(st.sampled_from(breaks))(a_reading(moment, data.draw(ODDS)))
            strewn.append(broken)
        strewn.append(reading)
    alone, _ = run(sound)
    among, _ = run(strewn)
    broken_ids = {r.outlook_id for r in strewn} - {r.outlook_id for r in sound}
    assert messages(among) == messages(alone)
    assert all(v.outcome == "not judged" for v in among if v.reading.outlook_id in broken_ids)
    assert all(v.reason.startswith("not judged, because ") for v in among if v.outcome == "not judged")


def _ahead(reading: Reading) -> bool:
    """Whether enough of the window lies within the forecast that halving its weight shows."""
    return sum(d.forecast for d in reading.window if d.day > reading.issued_at.date()) > 1.5


@pytest.mark.parametrize("fault", FAULTS, ids=lambda f: f.__name__)
@pytest.mark.parametrize(("warned", "p"), [(False, 0.05), (True, 0.95)])
def test_each_fault_by_itself_keeps_the_judge_silent(fault: object, p: float, *, warned: bool) -> None:
    assert callable(fault)
    _, state = run([a_reading(START, 0.65), a_reading(at(24.0), 0.40 if warned else 0.65)])
    broken = [fault(a_reading(at(24.0 + 6.0 * i), p)) for i in range(1, 6)]
    verdicts, after = run(broken, state)
    assert {v.outcome for v in verdicts} == {"not judged"}
    assert after.phase == ("warned" if warned else "watching")
