"""When a batch warns, when it clears, and when it keeps silent. The rules are those of the judge's own first page."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime, timedelta

import pytest

from matewindow.warnings.judge import judge, swing
from matewindow.warnings.reading import Reading
from matewindow.warnings.thresholds import Thresholds
from tests.warnings_.made_readings import LIMITS, START, a_reading, at, course, messages, outcomes, run


def on(reading: Reading, **changes: object) -> Reading:
    """The same reading on other grounds."""
    return replace(reading, grounds=replace(reading.grounds, **changes))  # type: ignore[arg-type]


def without_forecast(reading: Reading) -> Reading:
    """The same when no service answered: past years stand in for the forecast."""
    days = tuple(replace(d, forecast=0.0, past_years=1.0 - d.observed) for d in reading.days)
    return on(replace(reading, days=days), forecast_made=None, forecast_kind=None, members=0)


def with_share_of_forecast(reading: Reading, factor: float) -> Reading:
    """The same on a forecast that weighs less, as a single run does beside an ensemble."""
    days = tuple(
        replace(d, forecast=factor * d.forecast, past_years=1.0 - d.observed - factor * d.forecast)
        for d in reading.days
    )
    return replace(reading, days=days)


# --- raising ------------------------------------------------------------------------------------------------------


def test_odds_that_fall_below_the_threshold_warn() -> None:
    verdicts, state = run(course([0.65, 0.52, 0.48]))
    assert outcomes(verdicts) == ["nothing", "nothing", "raise"]
    assert verdicts[-1].before is not None
    assert (verdicts[-1].before.p, verdicts[-1].reading.p) == (0.65, 0.48)
    assert state.phase == "warned"


def test_a_fall_by_more_than_the_drop_in_one_run_warns_though_the_odds_stay_above_the_threshold() -> None:
    verdicts, _ = run(course([0.80, 0.59], usual=0.80))
    assert outcomes(verdicts) == ["nothing", "raise"]


def test_a_fall_by_just_the_drop_does_not_warn() -> None:
    verdicts, _ = run(course([0.80, 0.60], usual=0.80))
    assert outcomes(verdicts) == ["nothing", "nothing"]


def test_a_slow_slide_over_several_runs_warns_once_it_has_gone_far_enough_from_what_was_told() -> None:
    verdicts, _ = run(course([0.80, 0.76, 0.72, 0.68, 0.64, 0.59], usual=0.80))
    assert outcomes(verdicts) == ["nothing"] * 5 + ["raise"]
    assert verdicts[-1].before is not None
    assert verdicts[-1].before.p == 0.80


def test_a_fall_in_one_run_from_a_height_that_nobody_was_told_of_warns_as_well() -> None:
    verdicts, _ = run(course([0.62, 0.85, 0.58], usual=0.74))
    assert outcomes(verdicts) == ["nothing", "nothing", "raise"]
    assert verdicts[-1].before is not None
    assert verdicts[-1].before.p == 0.85


def test_where_the_usual_is_55_percent_the_usual_does_not_warn() -> None:
    """The break-even of grafting is about 50 %: odds that come and go around the usual are no news there."""
    verdicts, _ = run(course([0.55, 0.52, 0.49, 0.44, 0.50, 0.41, 0.56], usual=0.55))
    assert messages(verdicts) == []


def test_where_the_usual_is_55_percent_a_window_clearly_worse_warns() -> None:
    verdicts, _ = run(course([0.55, 0.50, 0.40], usual=0.55))
    assert outcomes(verdicts)[-1] == "raise"


def test_odds_that_only_come_back_to_the_usual_from_a_fine_forecast_do_not_warn() -> None:
    verdicts, _ = run(course([0.70, 0.92, 0.66]))
    assert messages(verdicts) == []


def test_a_keepers_own_threshold_is_taken_at_its_word() -> None:
    own = Thresholds(0.60, below_usual=None)
    verdicts, _ = run(course([0.66, 0.59], usual=0.55), thresholds=own)
    assert outcomes(verdicts) == ["nothing", "raise"]


def test_the_first_reading_warns_if_the_window_is_bad_already() -> None:
    verdicts, _ = run(course([0.30]))
    assert outcomes(verdicts) == ["raise"]
    assert verdicts[0].before is None


def test_without_past_years_the_threshold_alone_decides() -> None:
    verdicts, _ = run(course([0.60, 0.49], usual=None))
    assert outcomes(verdicts) == ["nothing", "raise"]


# --- one message a day --------------------------------------------------------------------------------------------


def test_what_gets_worse_on_the_day_of_a_message_is_held_and_said_the_next_day() -> None:
    verdicts, _ = run(course([0.65, 0.45, 0.20, 0.20, 0.20], step_h=6.0))  # 6, 12, 18 h and the next morning, UTC
    assert outcomes(verdicts) == ["nothing", "raise", "held", "worse", "nothing"]
    assert verdicts[3].day == verdicts[1].day + timedelta(days=1)


def test_what_was_held_is_not_said_if_it_has_passed_by_the_next_day() -> None:
    verdicts, _ = run(course([0.65, 0.45, 0.20, 0.40], step_h=6.0))
    assert outcomes(verdicts) == ["nothing", "raise", "held", "nothing"]


def test_a_clear_on_the_day_of_the_raise_is_held() -> None:
    verdicts, _ = run(course([0.65, 0.45, 0.80, 0.80], step_h=5.0, begin_h=-2.0))  # 4, 9, 14 and 19 h
    assert outcomes(verdicts) == ["nothing", "raise", "held", "held"]
    after, _ = run(course([0.80], begin_h=20.0), verdicts[-1].state)
    assert outcomes(after) == ["clear"]


def test_a_raise_on_the_day_of_a_clear_is_held_and_a_fall_in_one_run_is_not_forgotten_overnight() -> None:
    """The clear told 62 %; then 80 % and 55 % in the same afternoon: far from the 80 %, not from what was told."""
    _, state = run(course([0.75, 0.45], usual=0.72))
    verdicts, state = run(course([0.62, 0.63], begin_h=48.0, step_h=4.0, usual=0.72), replace(state, clear_at=0.61))
    assert outcomes(verdicts) == ["nothing", "clear"]
    verdicts, state = run(course([0.80, 0.55], begin_h=56.0, step_h=4.0, usual=0.72), state)
    assert outcomes(verdicts) == ["nothing", "held"]
    verdicts, _ = run(course([0.55], begin_h=72.0, usual=0.72), state)
    assert outcomes(verdicts) == ["raise"]


def test_the_day_is_that_of_the_site_and_not_of_utc() -> None:
    """23:30 and 00:30 in London summer time are one UTC day, and two days there."""
    late, soon_after = datetime(2026, 5, 28, 22, 30, tzinfo=UTC), datetime(2026, 5, 28, 23, 30, tzinfo=UTC)
    _, state = run(course([0.65]))
    verdicts, _ = run([a_reading(late, 0.45), a_reading(soon_after, 0.20)], state)
    assert outcomes(verdicts) == ["raise", "worse"]


# --- clearing -----------------------------------------------------------------------------------------------------


def test_a_warning_clears_with_the_second_forecast_above_the_margin() -> None:
    verdicts, state = run(course([0.65, 0.48, 0.56, 0.57]))
    assert outcomes(verdicts) == ["nothing", "raise", "nothing", "clear"]
    assert verdicts[-1].ends
    assert state.phase == "watching"


def test_one_forecast_above_the_margin_and_one_below_it_do_not_clear() -> None:
    verdicts, _ = run(course([0.65, 0.48, 0.56, 0.52, 0.56, 0.53]))
    assert outcomes(verdicts)[2:] == ["nothing"] * 4


def test_by_a_wide_margin_one_forecast_clears() -> None:
    verdicts, _ = run(course([0.65, 0.48, 0.66]))
    assert outcomes(verdicts) == ["nothing", "raise", "clear"]


def test_hourly_refreshes_of_one_forecast_are_no_second_opinion() -> None:
    _, state = run(course([0.65, 0.48]))
    made = at(40.0)
    again = [on(r, forecast_made=made) for r in course([0.56] * 5, begin_h=48.0, step_h=1.0)]
    verdicts, state = run(again, state)
    assert outcomes(verdicts) == ["nothing"] * 5
    verdicts, _ = run([on(r, forecast_made=made + timedelta(hours=6)) for r in course([0.56], begin_h=54.0)], state)
    assert outcomes(verdicts) == ["clear"]


def test_after_a_fall_the_odds_must_come_back_to_near_where_they_were() -> None:
    verdicts, _ = run(course([0.88, 0.62, 0.72, 0.72, 0.79, 0.79], usual=0.88))
    assert outcomes(verdicts) == ["nothing", "raise", "nothing", "nothing", "nothing", "clear"]


def test_a_window_about_as_good_as_usual_clears_though_it_was_better_once() -> None:
    verdicts, _ = run(course([0.95, 0.50, 0.66, 0.66]))
    assert outcomes(verdicts) == ["nothing", "raise", "nothing", "clear"]


def test_a_standing_warning_gets_worse_when_the_odds_fall_below_the_threshold_only_now() -> None:
    verdicts, _ = run(course([0.90, 0.60, 0.47, 0.45], usual=0.90))
    assert outcomes(verdicts) == ["nothing", "raise", "worse", "nothing"]


# --- no weather ---------------------------------------------------------------------------------------------------


def test_the_same_refresh_again_says_nothing_and_changes_nothing() -> None:
    readings = course([0.65, 0.45])
    _, state = run(readings)
    verdict = judge(state, readings[-1], LIMITS, at(24.1))
    assert verdict.outcome == "seen"
    assert verdict.state == state


def test_a_refresh_repeated_because_its_verdict_was_not_stored_gives_the_same_message_under_the_same_key() -> None:
    first, second = course([0.65, 0.45])
    _, state = run([first])
    keys = {judge(state, second, LIMITS, moment).key for moment in (at(24.0), at(24.2))}
    assert len(keys) == 1


def test_an_older_outlook_that_comes_late_is_passed_over() -> None:
    old, new = course([0.30, 0.65])
    verdicts, _ = run([new, old])
    assert outcomes(verdicts) == ["nothing", "seen"]


def test_odds_that_fall_because_every_service_is_down_do_not_warn_and_the_verdict_says_why() -> None:
    good, bad, back = course([0.90, 0.60, 0.90], usual=0.60)
    verdicts, _ = run([good, without_forecast(bad), back])
    assert outcomes(verdicts) == ["nothing", "not judged", "nothing"]
    assert verdicts[1].reason == "not judged, because no forecast covers the next days of the mating window"


def test_odds_that_rise_because_every_service_is_down_do_not_clear() -> None:
    readings = course([0.65, 0.30, 0.70, 0.70, 0.30])
    readings[2:4] = [without_forecast(r) for r in readings[2:4]]
    verdicts, _ = run(readings)
    assert outcomes(verdicts) == ["nothing", "raise", "not judged", "not judged", "nothing"]


def test_a_forecast_of_the_day_before_yesterday_is_not_judged_by() -> None:
    readings = course([0.65, 0.30])
    readings[1] = on(readings[1], forecast_made=at(24.0 - 49.0))
    verdicts, _ = run(readings)
    assert verdicts[1].outcome == "not judged"
    assert "the forecast is 49 hours old" in verdicts[1].reason


def test_a_forecast_grows_old_while_its_outlook_waits_to_be_judged() -> None:
    first, second = course([0.65, 0.30])
    _, state = run([first])
    assert judge(state, second, LIMITS, at(24.0 + 20.0)).outcome == "not judged"


def test_a_single_run_in_place_of_the_ensemble_is_not_judged_until_it_has_become_the_rule() -> None:
    readings = course([0.90, 0.60, 0.60, 0.60, 0.36], usual=0.60)
    readings[1:] = [with_share_of_forecast(r, 0.55) for r in readings[1:]]
    verdicts, _ = run(readings)
    assert outcomes(verdicts) == ["nothing", "not judged", "not judged", "baseline", "raise"]
    assert "less than before" in verdicts[1].reason


def test_a_standing_warning_outlives_the_loss_of_an_ensemble() -> None:
    """And what was told on better grounds stays the measure: their return is no change for the worse."""
    readings = course([0.90, 0.30, 0.51, 0.51, 0.51, 0.29], usual=0.60)
    readings[2:5] = [with_share_of_forecast(r, 0.55) for r in readings[2:5]]
    verdicts, state = run(readings)
    assert outcomes(verdicts) == ["nothing", "raise", "not judged", "not judged", "baseline", "nothing"]
    assert state.phase == "warned"


def test_an_ensemble_run_that_ends_after_six_days_is_not_held_against_one_of_fifteen() -> None:
    """As the runs of 06 and 18 UTC do at some centres."""
    readings = course([0.90, 0.65, 0.90], step_h=12.0, usual=0.90)
    last = readings[1].issued_at.date() + timedelta(days=6)
    short = tuple(
        d if d.day <= last else replace(d, forecast=0.0, past_years=1.0 - d.observed) for d in readings[1].days
    )
    readings[1] = replace(readings[1], days=short)
    verdicts, _ = run(readings)
    assert outcomes(verdicts) == ["nothing", "not judged", "nothing"]


def test_a_record_that_broke_off_is_not_judged() -> None:
    first, second = course([0.85, 0.40], begin_h=96.0, step_h=48.0)
    yesterday = second.issued_at.date() - timedelta(days=1)
    days = tuple(replace(d, observed=0.0, past_years=1.0) if d.day == yesterday else d for d in second.days)
    verdicts, _ = run([first, replace(second, days=days)])
    assert verdicts[1].reason == "not judged, because days just past were not measured"


@pytest.mark.parametrize(
    ("changes", "reason"),
    [
        ({"years": 15}, "only 15 of 22 past years"),
        ({"unjudged": ("rain of the forecast",)}, "lacks rain of the forecast"),
    ],
)
def test_years_or_variables_that_are_lacking_are_not_judged_without(changes: dict[str, object], reason: str) -> None:
    readings = course([0.85, 0.40])
    verdicts, _ = run([readings[0], on(readings[1], **changes)])
    assert verdicts[1].outcome == "not judged"
    assert reason in verdicts[1].reason


def test_a_window_with_days_that_nothing_covers_is_not_judged() -> None:
    reading = a_reading(START, 0.2)
    days = tuple(replace(d, past_years=0.0, unknown=d.past_years) for d in reading.days)
    verdicts, _ = run([replace(reading, days=days)])
    assert verdicts[0].outcome == "not judged"
    assert "days of the mating window" in verdicts[0].reason


def test_a_window_beyond_any_forecast_needs_none() -> None:
    early = a_reading(datetime(2026, 5, 10, 12, tzinfo=UTC), 0.7)
    verdicts, _ = run([without_forecast(early)])
    assert outcomes(verdicts) == ["nothing"]


# --- edits, checks and ends ---------------------------------------------------------------------------------------


@pytest.mark.parametrize("p", [0.30, 0.49])
def test_an_edit_of_the_batch_is_a_new_baseline_and_no_warning_then_or_later(p: float) -> None:
    readings = course([0.70, p, p, p + 0.01, p - 0.01])
    readings[1:] = [on(r, baseline="another emergence") for r in readings[1:]]
    verdicts, _ = run(readings)
    assert outcomes(verdicts) == ["nothing", "baseline", "nothing", "nothing", "nothing"]


def test_after_an_edit_a_fall_of_the_weather_warns_again() -> None:
    readings = course([0.70, 0.45, 0.24])
    readings[1:] = [on(r, baseline="another emergence") for r in readings[1:]]
    verdicts, _ = run(readings)
    assert outcomes(verdicts) == ["nothing", "baseline", "raise"]
    assert verdicts[-1].before is not None
    assert verdicts[-1].before.p == 0.45


def test_new_thresholds_are_a_new_baseline() -> None:
    first, second = course([0.58, 0.58])
    _, state = run([first])
    verdicts, _ = run([second], state, replace(LIMITS, low=0.60))
    assert outcomes(verdicts) == ["baseline"]


def test_an_edit_that_cures_the_odds_ends_the_warning_without_a_message() -> None:
    readings = course([0.65, 0.40, 0.66])
    readings[2] = on(readings[2], baseline="another emergence")
    verdicts, state = run(readings)
    assert outcomes(verdicts) == ["nothing", "raise", "baseline"]
    assert verdicts[2].ends
    assert state.phase == "watching"


def test_an_edit_that_leaves_the_odds_bad_lets_the_warning_stand_without_saying_it_twice() -> None:
    readings = course([0.65, 0.40, 0.38, 0.37])
    readings[2:] = [on(r, baseline="another emergence") for r in readings[2:]]
    verdicts, state = run(readings)
    assert outcomes(verdicts) == ["nothing", "raise", "baseline", "nothing"]
    assert not verdicts[2].ends
    assert state.phase == "warned"


@pytest.mark.parametrize("stage", ["over", "laying"])
def test_a_batch_that_lays_or_whose_window_is_over_is_closed_without_a_word(stage: str) -> None:
    readings = course([0.65, 0.40, 0.05, 0.05])
    readings[2:] = [replace(r, stage=stage) for r in readings[2:]]  # type: ignore[arg-type]
    verdicts, state = run(readings)
    assert outcomes(verdicts) == ["nothing", "raise", "closed", "closed"]
    assert [v.ends for v in verdicts] == [False, False, True, False]
    assert state.phase == "closed"


def test_closing_needs_no_weather() -> None:
    verdicts, _ = run([without_forecast(replace(a_reading(START, 0.4), stage="laying"))])
    assert outcomes(verdicts) == ["closed"]


def test_a_check_that_was_struck_out_takes_the_batch_up_again_with_a_new_baseline() -> None:
    readings = course([0.65, 0.60, 0.60, 0.30])
    readings[1] = on(replace(readings[1], stage="laying"), baseline="with eggs")
    verdicts, _ = run(readings)
    assert outcomes(verdicts) == ["nothing", "closed", "baseline", "raise"]


def test_a_batch_closed_at_first_sight_is_taken_up_as_a_new_one() -> None:
    readings = course([0.65, 0.60, 0.35])
    readings[0] = replace(readings[0], stage="laying")
    verdicts, state = run(readings)
    assert outcomes(verdicts) == ["closed", "nothing", "raise"]
    assert state.phase == "warned"


def test_after_a_check_the_usual_is_not_asked_since_it_knows_nothing_of_the_check() -> None:
    looked = replace(a_reading(START, 0.5).dates, last_check=START.date())
    readings = course([0.70, 0.60, 0.39], usual=0.40, dates=looked)
    readings[1:] = [on(r, baseline="virgin seen") for r in readings[1:]]
    verdicts, _ = run(readings)
    assert outcomes(verdicts) == ["nothing", "baseline", "raise"]


# --- the caveat ---------------------------------------------------------------------------------------------------


def test_a_swing_by_over_20_points_between_two_runs_is_a_caveat() -> None:
    before, now = course([0.61, 0.37])
    assert swing(before, now) == (
        "The last two runs changed the odds by 24 points, from 61 % to 37 %: the next one may change them again."
    )
    assert swing(now, before) is not None


@pytest.mark.parametrize("p", [0.61, 0.42, 0.81])
def test_a_smaller_swing_is_none(p: float) -> None:
    before, now = course([0.61, p])
    assert swing(before, now) is None


def test_a_swing_by_an_edit_or_from_nothing_is_none() -> None:
    before, now = course([0.61, 0.2])
    assert swing(None, now) is None
    assert swing(before, on(now, baseline="another emergence")) is None
