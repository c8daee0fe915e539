"""The weighted budget of Open-Meteo and the cool-downs: what counts, until when, and over all processes."""

from __future__ import annotations

import threading
from contextlib import suppress
from datetime import UTC, datetime, timedelta
from typing import TYPE_CHECKING

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from matewindow.errors import SourceError, StoreError
from matewindow.weather.budget import (
    OPEN_METEO_PERIODS,
    Budget,
    CoolDowns,
    Ledger,
    Period,
    PeriodState,
    Rest,
    open_meteo_weight,
)
from tests.weather.loopback import NOON, TurnedClock

if TYPE_CHECKING:
    from pathlib import Path

SECOND, MINUTE, HOUR, DAY = timedelta(seconds=1), timedelta(minutes=1), timedelta(hours=1), timedelta(days=1)


@pytest.fixture
def clock() -> TurnedClock:
    return TurnedClock()


@pytest.fixture
def ledger(tmp_path: Path, clock: TurnedClock) -> Ledger:
    return Ledger(tmp_path, now=clock.now)


@pytest.fixture
def budget(ledger: Ledger) -> Budget:
    return Budget(ledger)


@pytest.fixture
def cooldowns(ledger: Ledger) -> CoolDowns:
    return CoolDowns(ledger)


def used(budget: Budget) -> list[float]:
    return [period.used for period in budget.state()]


def refused(budget: Budget, weight: float) -> SourceError:
    with pytest.raises(SourceError) as caught:
        budget.reserve(weight)
    return caught.value


# --- weight: Open-Meteo's pricing page, with its own examples -----------------------------------------------


def test_ten_variables_for_two_weeks_are_one_call() -> None:
    """Pricing page: more than 10 variables, or more than two weeks, count as more than one call."""
    assert open_meteo_weight(10, days=14) == 1.0
    assert open_meteo_weight(15, days=7) == 1.5
    assert open_meteo_weight(10, days=28) == 2.0
    assert open_meteo_weight(1, days=1) == 1.0


def test_an_ensemble_of_51_members_with_8_variables_for_15_days_is_about_44_calls() -> None:
    assert open_meteo_weight(8, days=15, members=51) == pytest.approx(43.714, abs=0.001)


def test_places_and_models_multiply() -> None:
    assert open_meteo_weight(5, days=7, locations=3) == 3.0
    assert open_meteo_weight(10, days=14, models=2) == 2.0


@given(st.integers(1, 20), st.integers(1, 60), st.integers(1, 4), st.floats(0.1, 20000), st.integers(1, 50))
def test_weight_never_falls_when_more_is_asked_for(
    variables: int, members: int, models: int, days: float, locations: int
) -> None:
    def weight(more: int, more_days: float) -> float:
        return open_meteo_weight(
            variables + more, days=days + more_days, members=members, models=models, locations=locations
        )

    assert locations <= weight(0, 0) <= weight(1, 0) <= weight(1, 1)


# --- counting -----------------------------------------------------------------------------------------------


def test_the_limits_are_600_a_minute_5000_an_hour_and_10000_a_day() -> None:
    """Open-Meteo, terms of the free service, 2026."""
    minute, hour, day = OPEN_METEO_PERIODS

    assert minute == Period("minute", 60, 600)
    assert hour == Period("hour", 3600, 5000)
    assert day == Period("day", 86400, 10000)


def test_a_call_that_just_fits_is_let_through_and_the_next_one_is_not(budget: Budget) -> None:
    budget.reserve(599.0)
    budget.reserve(1.0)

    error = refused(budget, 1.0)

    assert error.retry_after == datetime(2026, 6, 1, 12, 1, tzinfo=UTC)
    assert "weighs 1 calls, and so many are not left of the 600 that are free in a minute" in str(error)
    assert used(budget) == [600.0, 600.0, 600.0]


def test_each_counter_begins_anew_at_its_full_minute_hour_and_day_of_utc(budget: Budget, clock: TurnedClock) -> None:
    budget.reserve(100.0)
    seen = []
    for at in ("12:00:59", "12:01:00", "12:59:59", "13:00:00", "23:59:59"):
        clock.time = datetime.fromisoformat(f"2026-06-01T{at}+00:00")
        seen.append(used(budget))
    clock.time = datetime(2026, 6, 2, tzinfo=UTC)

    assert seen == [[100, 100, 100], [0, 100, 100], [0, 100, 100], [0, 0, 100], [0, 0, 100]]
    assert used(budget) == [0, 0, 0]


def test_a_spent_hour_is_free_again_at_the_full_hour_and_a_spent_day_at_midnight(
    budget: Budget, clock: TurnedClock
) -> None:
    free_again = []
    for hour in (12, 13):
        for minute in range(10):
            clock.time = datetime(2026, 6, 1, hour, minute, tzinfo=UTC)
            if minute < 9:
                budget.reserve(555.0)
            else:
                free_again.append(refused(budget, 555.0).retry_after)
    clock.time = datetime(2026, 6, 1, 14, tzinfo=UTC)
    free_again.append(refused(budget, 555.0).retry_after)

    assert free_again == [
        datetime(2026, 6, 1, 13, tzinfo=UTC),
        datetime(2026, 6, 2, tzinfo=UTC),
        datetime(2026, 6, 2, tzinfo=UTC),
    ]


def test_a_refused_reservation_takes_nothing(budget: Budget) -> None:
    budget.reserve(500.0)
    refused(budget, 200.0)

    assert used(budget)[0] == 500.0
    budget.reserve(100.0)


def test_a_call_that_never_fits_is_refused_with_what_to_do(budget: Budget) -> None:
    error = refused(budget, 782.0)

    assert error.retry_after is None
    assert "weighs 782 calls and only 600 are free in a minute; ask for fewer years" in str(error)
    assert used(budget) == [0, 0, 0]


def test_settling_replaces_the_weight_and_doing_it_twice_changes_nothing(budget: Budget) -> None:
    kept, failed = budget.reserve(40.0), budget.reserve(40.0)
    budget.settle(failed, 1.0)
    budget.settle(failed, 1.0)
    budget.settle(99999, 7.0)

    assert kept != failed
    assert used(budget)[0] == 41.0


def test_the_state_says_what_is_used_and_until_when(budget: Budget) -> None:
    budget.reserve(12.5)

    assert budget.state()[1] == PeriodState("hour", 12.5, 5000.0, datetime(2026, 6, 1, 13, tzinfo=UTC))


def test_the_count_outlives_the_process(ledger: Ledger, tmp_path: Path, clock: TurnedClock) -> None:
    Budget(ledger).reserve(600.0)

    refused(Budget(Ledger(tmp_path, now=clock.now)), 1.0)


def test_threads_together_get_no_more_than_there_is(ledger: Ledger) -> None:
    got: list[int] = []

    def take() -> None:
        for _ in range(50):
            try:
                got.append(Budget(ledger).reserve(4.0))
            except SourceError:
                return

    threads = [threading.Thread(target=take) for _ in range(4)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()

    assert len(got) == len(set(got)) == 150


@settings(deadline=None, max_examples=40)
@given(st.lists(st.tuples(st.integers(0, 4000), st.floats(1, 600)), max_size=25))
def test_no_period_is_ever_overdrawn(tmp_path_factory: pytest.TempPathFactory, steps: list[tuple[int, float]]) -> None:
    clock = TurnedClock()
    budget = Budget(Ledger(tmp_path_factory.mktemp("budget"), now=clock.now))
    let_through: list[tuple[datetime, float]] = []
    for wait_s, weight in steps:
        clock.turn(wait_s * SECOND)
        with suppress(SourceError):
            budget.reserve(weight)
            let_through.append((clock.now(), weight))
    for name, pattern in (("minute", "%d%H%M"), ("hour", "%d%H"), ("day", "%d")):
        limit = next(p.limit for p in OPEN_METEO_PERIODS if p.name == name)
        totals: dict[str, float] = {}
        for at, weight in let_through:
            totals[at.strftime(pattern)] = totals.get(at.strftime(pattern), 0.0) + weight
        assert all(total <= limit + 1e-6 for total in totals.values())


# --- clocks that are wrong ----------------------------------------------------------------------------------


def test_setting_the_clock_back_does_not_give_calls_back(budget: Budget, clock: TurnedClock) -> None:
    budget.reserve(600.0)
    clock.set_back(10 * MINUTE)

    refused(budget, 1.0)


def test_calls_made_under_a_clock_that_was_years_ahead_do_not_block_for_years(
    budget: Budget, clock: TurnedClock
) -> None:
    clock.time += 3650 * DAY
    budget.reserve(600.0)
    clock.set_back(3650 * DAY)

    budget.reserve(600.0)
    assert used(budget) == [600.0, 600.0, 600.0]


def test_a_rest_ordered_under_a_clock_that_was_years_ahead_is_not_kept(
    cooldowns: CoolDowns, clock: TurnedClock
) -> None:
    clock.time += 3650 * DAY
    cooldowns.rest("nws", HOUR, "answered 429")
    clock.set_back(3650 * DAY)

    assert cooldowns.resting("nws") is None
    assert cooldowns.rest("nws", HOUR, "answered 429").until == NOON + HOUR


# --- cool-downs ---------------------------------------------------------------------------------------------


def test_a_rest_lasts_until_its_end_and_names_its_reason(cooldowns: CoolDowns, clock: TurnedClock) -> None:
    cooldowns.rest("met-norway", HOUR, "it answered 429")

    clock.turn(HOUR - SECOND)
    assert cooldowns.resting("met-norway") == Rest(NOON + HOUR, "it answered 429")
    assert cooldowns.resting("nws") is None
    clock.turn(SECOND)
    assert cooldowns.resting("met-norway") is None


def test_of_several_rests_the_longest_counts(cooldowns: CoolDowns) -> None:
    cooldowns.rest("open-meteo", HOUR, "source")
    cooldowns.rest("api.host.example", 2 * HOUR, "host")

    resting = cooldowns.resting("open-meteo", "api.host.example", "nobody")
    assert resting is not None
    assert resting.reason == "host"


def test_a_shorter_rest_does_not_cut_a_longer_one_short(cooldowns: CoolDowns) -> None:
    """As when two processes are refused at once and only one is told for how long."""
    cooldowns.rest("nws", 2 * HOUR, "first")

    assert cooldowns.rest("nws", MINUTE, "second").until == NOON + 2 * HOUR
    cooldowns.failed("nws", "third", longest=MINUTE)
    resting = cooldowns.resting("nws")
    assert resting is not None
    assert resting.until == NOON + 2 * HOUR


def test_failures_of_yesterday_are_no_row(cooldowns: CoolDowns, clock: TurnedClock) -> None:
    rests = []
    for _ in range(5):
        rests.append(cooldowns.failed("nws", "it answered 500", longest=HOUR))
        clock.turn(7 * HOUR)

    assert rests == [None] * 5


def test_failures_met_by_threads_at_once_are_all_counted(ledger: Ledger) -> None:
    def fail() -> None:
        for _ in range(5):
            CoolDowns(ledger).failed("nws", "it answered 500", longest=HOUR)

    threads = [threading.Thread(target=fail) for _ in range(4)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()

    with ledger.transaction() as connection:
        assert connection.execute("select name, failures from cooldown").fetchall() == [("nws", 20)]


def test_success_ends_a_row_and_a_rest(cooldowns: CoolDowns) -> None:
    for _ in range(3):
        cooldowns.failed("nws", "it answered 500", longest=HOUR)
    assert cooldowns.resting("nws") is not None
    cooldowns.succeeded("nws")

    assert cooldowns.resting("nws") is None
    assert cooldowns.failed("nws", "it answered 500", longest=HOUR) is None


# --- the file -----------------------------------------------------------------------------------------------


def test_a_file_that_is_no_database_is_set_aside_and_counting_begins_anew(
    budget: Budget, ledger: Ledger, caplog: pytest.LogCaptureFixture
) -> None:
    budget.reserve(10.0)
    ledger.path.write_bytes(b"this was a database once, before the card failed" * 100)

    budget.reserve(5.0)

    assert used(budget)[0] == 5.0
    assert "is damaged" in caplog.text
    assert len(list(ledger.path.parent.glob("calls.damaged-20260601T120020Z.sqlite"))) == 1


def test_damage_inside_the_file_is_reported_once_and_then_counting_begins_anew(budget: Budget, ledger: Ledger) -> None:
    budget.reserve(10.0)
    content = bytearray(ledger.path.read_bytes())
    page = len(content) // 4096
    for number in range(1, page):  # all pages but the first, which holds the names of the tables
        content[number * 4096 : number * 4096 + 200] = b"\xff" * 200
    ledger.path.write_bytes(content)

    with pytest.raises(StoreError, match="the count of calls cannot be kept"):
        budget.reserve(5.0)

    budget.reserve(5.0)
    assert used(budget)[0] == 5.0


def test_a_folder_that_cannot_be_written_is_named(tmp_path: Path, clock: TurnedClock) -> None:
    with pytest.raises(
        StoreError, match=r"calls\.sqlite: the count of calls cannot be kept .* disk is full or read-only"
    ):
        Budget(Ledger(tmp_path / "nowhere", now=clock.now)).reserve(1.0)


def test_an_error_inside_a_transaction_undoes_it(ledger: Ledger, budget: Budget) -> None:
    def half_way() -> None:
        with ledger.transaction() as connection:
            connection.execute("insert into call (at_s, weight) values (?, 9)", (ledger.now_s(),))
            raise KeyError

    with pytest.raises(KeyError):
        half_way()

    assert used(budget)[0] == 0.0
