"""What follows an attempt, by the schedule and the statuses of Standard Webhooks 1.0.0."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta

import pytest
from hypothesis import assume, given
from hypothesis import strategies as st

from matewindow.webhooks.ladder import JITTER, LONGEST_ASKED_S, SLOW_S, WAITS_S, Step, next_step
from matewindow.webhooks.sending import Outcome

NOW = datetime(2026, 6, 1, 12, tzinfo=UTC)
attempts = st.integers(1, len(WAITS_S))
chances = st.floats(0.0, 1.0)
failing = st.none() | st.integers(100, 599).filter(lambda status: not 200 <= status <= 299)
asked = st.none() | st.floats(0.0, 1e9)


def came(status: int | None, retry_after_s: float | None = None) -> Outcome:
    return Outcome(NOW, status, "", 0.1, retry_after_s=retry_after_s)


def test_the_schedule_is_that_of_the_standard() -> None:
    """Source: "Example retry schedule" of Standard Webhooks 1.0.0, its column "Time since start"."""
    since_start = ["0:00:00", "0:00:05", "0:05:05", "0:35:05", "2:35:05", "7:35:05", "17:35:05"]
    since_start += ["1 day, 7:35:05", "2 days, 3:35:05", "3 days, 3:35:05"]

    at, times = NOW, ["0:00:00"]
    for attempt in range(1, 10):
        step = next_step(attempt, came(500), at, 0.0)
        assert step.verdict == "again"
        assert step.at is not None
        at = step.at
        times.append(str(at - NOW))

    assert times == since_start
    assert next_step(10, came(500), at, 0.0) == Step("given up")


@given(attempts, st.integers(200, 299), chances, asked)
def test_any_status_from_200_to_299_is_success(attempt: int, status: int, chance: float, asked_s: float | None) -> None:
    assert next_step(attempt, came(status, asked_s), NOW, chance) == Step("delivered")


@given(attempts, failing, chances, asked)
def test_anything_else_is_tried_again_until_the_tenth_time(
    attempt: int, status: int | None, chance: float, asked_s: float | None
) -> None:
    assume(status != 410)
    step = next_step(attempt, came(status, asked_s), NOW, chance)

    assert step.verdict == ("again" if attempt < 10 else "given up")
    assert (step.at is None) == (attempt == 10)


@given(attempts, chances, asked)
def test_an_endpoint_that_is_gone_is_disabled(attempt: int, chance: float, asked_s: float | None) -> None:
    assert next_step(attempt, came(410, asked_s), NOW, chance) == Step("endpoint gone")


@given(st.integers(1, 9), failing, chances, asked)
def test_a_wait_is_never_shorter_than_the_schedule_or_what_was_asked_and_never_much_longer(
    attempt: int, status: int | None, chance: float, asked_s: float | None
) -> None:
    assume(status != 410)
    step = next_step(attempt, came(status, asked_s), NOW, chance)
    assert step.at is not None
    wait_s = (step.at - NOW).total_seconds()
    least_s = max(WAITS_S[attempt], min(asked_s or 0.0, LONGEST_ASKED_S))

    assert wait_s >= least_s - 1e-6  # a date has microseconds
    assert wait_s <= max(least_s, SLOW_S) * (1.0 + JITTER) + 1e-6
    assert step.endpoint_rests_until is None or step.endpoint_rests_until <= step.at


@given(st.integers(1, 9), chances, chances)
def test_a_larger_random_number_waits_longer(attempt: int, one: float, other: float) -> None:
    steps = [next_step(attempt, came(500), NOW, chance) for chance in sorted((one, other))]

    assert steps[0].at is not None
    assert steps[1].at is not None
    assert steps[0].at <= steps[1].at


def test_what_failed_together_does_not_come_back_together() -> None:
    times = {next_step(3, came(503), NOW, chance / 10).at for chance in range(11)}

    assert len(times) == 11


@pytest.mark.parametrize("status", [429, 502, 504])
def test_an_endpoint_that_asks_for_fewer_calls_rests_with_all_its_messages(status: int) -> None:
    step = next_step(1, came(status), NOW, 0.0)

    assert step == Step("again", NOW + timedelta(seconds=SLOW_S), NOW + timedelta(seconds=SLOW_S))
    assert next_step(1, came(500), NOW, 0.0).endpoint_rests_until is None


def test_retry_after_is_kept_with_any_status() -> None:
    step = next_step(1, came(503, 3600.0), NOW, 0.0)

    assert step == Step("again", NOW + timedelta(hours=1), NOW + timedelta(hours=1))
    assert next_step(10, came(503, 3600.0), NOW, 0.0) == Step("given up", None, NOW + timedelta(hours=1))


def test_a_retry_after_of_years_is_kept_for_a_day() -> None:
    assert next_step(1, came(429, 1e9), NOW, 0.0).at == NOW + timedelta(days=1)


@given(attempts, failing, chances)
def test_a_test_message_is_not_sent_again(attempt: int, status: int | None, chance: float) -> None:
    assume(status != 410)

    assert next_step(attempt, came(status), NOW, chance, once=True).verdict == "test failed"
    assert next_step(attempt, came(204), NOW, chance, once=True) == Step("delivered")


@pytest.mark.parametrize(("attempt", "chance"), [(0, 0.5), (-1, 0.5), (1, -0.1), (1, 1.1), (1, float("nan"))])
def test_attempts_and_random_numbers_that_do_not_exist_are_faults(attempt: int, chance: float) -> None:
    with pytest.raises(ValueError, match="does not exist"):
        next_step(attempt, came(500), NOW, chance)
