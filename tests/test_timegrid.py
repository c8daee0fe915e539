"""The solar-day grid: what belongs to which day, and that nothing is lost or invented on the way."""

from __future__ import annotations

import datetime as dt
from typing import TYPE_CHECKING

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from matewindow import timegrid
from matewindow.errors import InputError, ParameterError

if TYPE_CHECKING:
    from collections.abc import Callable

    from numpy.typing import NDArray

LONGITUDES = st.floats(-180.0, 180.0)
# Its yearly extremes are -14.3 and +16.5 min; the grid must stand a little more.
EQUATION_MIN = st.floats(-17.0, 17.0)
STARTS = st.datetimes(dt.datetime(1980, 1, 1), dt.datetime(2060, 1, 1))  # noqa: DTZ001  (UTC by convention)


def hours_from(start: str | dt.datetime, n_hours: int) -> NDArray[np.datetime64]:
    return np.datetime64(start, "h") + np.arange(n_hours)


def naive_solar_day(hour_start: np.datetime64, longitude: float) -> dt.date:
    """The date shown by a clock on local mean solar time in the middle of the hour, with Python's own dates."""
    hour: dt.datetime = hour_start.astype("datetime64[s]").item()
    return (hour + dt.timedelta(minutes=30) + dt.timedelta(hours=longitude / 15)).date()


# --- where a day begins --------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("longitude", "start_hour"),
    [
        (0.0, 0),
        (14.5, -1),  # Slovenia: solar midnight at 23:02 UTC, the hour 23 has its middle after it
        (13.4, -1),  # Berlin: 23:06
        (-0.1, 0),  # London
        (-105.2, 7),  # Colorado: 07:01
        (174.8, -12),  # New Zealand: 12:21 UTC the day before
        (-171.8, 11),  # Samoa east of the date line: 11:27
        (180.0, -12),
        (-180.0, 12),
        (179.9, -12),
        (-179.9, 12),
    ],
)
def test_a_day_begins_with_the_hour_whose_middle_first_passes_solar_midnight(longitude: float, start_hour: int) -> None:
    assert timegrid.solar_day_start_hour(longitude) == start_hour


@pytest.mark.parametrize(("longitude", "start_hour"), [(7.5, -1), (-7.5, 0), (22.5, -2), (-22.5, 1), (172.5, -12)])
def test_an_hour_whose_middle_is_exactly_solar_midnight_opens_the_new_day(longitude: float, start_hour: int) -> None:
    assert timegrid.solar_day_start_hour(longitude) == start_hour
    assert start_hour + 0.5 + longitude / 15 == 0.0


def test_the_tie_tips_the_other_way_just_west_of_it() -> None:
    assert timegrid.solar_day_start_hour(7.5 - 1e-9) == 0
    assert timegrid.solar_day_start_hour(7.5 + 1e-9) == -1


@given(longitude=LONGITUDES)
def test_the_first_hour_has_its_middle_less_than_an_hour_after_solar_midnight(longitude: float) -> None:
    start_hour = timegrid.solar_day_start_hour(longitude)
    assert -12 <= start_hour <= 12
    assert -1e-12 <= start_hour + 0.5 + longitude / 15 < 1.0 + 1e-12


@pytest.mark.parametrize("longitude", [180.1, -181.0, float("nan"), float("inf")])
def test_a_longitude_off_the_globe_is_refused(longitude: float) -> None:
    with pytest.raises(InputError, match="longitude"):
        timegrid.solar_day_start_hour(longitude)


# --- which day an instant belongs to -------------------------------------------------------------------------------


@given(start=STARTS, longitude=LONGITUDES)
def test_every_hour_gets_the_date_that_a_mean_solar_clock_shows_in_its_middle(
    start: dt.datetime, longitude: float
) -> None:
    for hour in hours_from(start, 30):
        middle_h = (hour.astype(np.int64) % 24 + 0.5 + longitude / 15) % 24
        if min(middle_h, 24 - middle_h) > 1e-8:  # Python's dates stop at microseconds: not for exact ties
            assert timegrid.solar_day_of(hour, longitude).item() == naive_solar_day(hour, longitude)


def test_an_instant_belongs_to_the_day_of_its_hour() -> None:
    """At 14.5° E solar midnight is 23:02 UTC; the whole hour from 23:00 counts to the day that begins then."""
    assert timegrid.solar_day_of(np.datetime64("2026-06-10T22:59:59"), 14.5) == np.datetime64("2026-06-10")
    assert timegrid.solar_day_of(np.datetime64("2026-06-10T23:00:00"), 14.5) == np.datetime64("2026-06-11")


def test_the_day_of_an_instant_has_the_unit_of_a_day() -> None:
    day = timegrid.solar_day_of(np.datetime64("1969-12-31T23:30"), 0.0)
    assert day.dtype == np.dtype("datetime64[D]")
    assert day == np.datetime64("1969-12-31")


def test_both_sides_of_the_date_line_call_the_same_hours_by_two_dates() -> None:
    noon_there = np.datetime64("2026-06-10T00:30")
    assert timegrid.solar_day_of(noon_there, 179.9) == np.datetime64("2026-06-10")
    assert timegrid.solar_day_of(noon_there, -179.9) == np.datetime64("2026-06-09")
    east, _ = timegrid.to_solar_days(hours_from("2026-06-09T12", 24), np.zeros(24), 179.9)
    west, _ = timegrid.to_solar_days(hours_from("2026-06-09T12", 24), np.zeros(24), -179.9)
    assert east.tolist() == [dt.date(2026, 6, 10)]
    assert west.tolist() == [dt.date(2026, 6, 9)]


# --- laying a series onto days -------------------------------------------------------------------------------------


@given(start=STARTS, longitude=LONGITUDES, n_hours=st.integers(1, 100))
def test_the_grid_holds_every_hour_once_in_its_place(start: dt.datetime, longitude: float, n_hours: int) -> None:
    times = hours_from(start, n_hours)
    days, grid = timegrid.to_solar_days(times, np.arange(n_hours), longitude)

    offset_h = timegrid.solar_day_start_hour(longitude)
    placed = {}
    for row, day in enumerate(days):
        for column in range(24):
            if not np.isnan(grid[row, column]):
                placed[int(grid[row, column])] = day.astype("datetime64[h]") + offset_h + column
    assert list(placed) == list(range(n_hours))
    assert list(placed.values()) == list(times)


@given(start=STARTS, longitude=LONGITUDES, n_hours=st.integers(1, 100))
def test_every_solar_day_has_24_hours_and_none_stands_empty(start: dt.datetime, longitude: float, n_hours: int) -> None:
    days, grid = timegrid.to_solar_days(hours_from(start, n_hours), np.ones(n_hours), longitude)
    assert grid.shape == (days.size, 24)
    assert np.all(np.diff(days) == np.timedelta64(1, "D"))
    filled = np.count_nonzero(~np.isnan(grid), axis=1)
    assert filled.min() > 0
    assert np.all(filled[1:-1] == 24)


@given(start=STARTS, longitude=LONGITUDES, n_hours=st.integers(1, 100))
def test_the_span_of_days_agrees_with_the_grid(start: dt.datetime, longitude: float, n_hours: int) -> None:
    times = hours_from(start, n_hours)
    first_day, n_days, offset = timegrid.solar_days(times, longitude)
    days, grid = timegrid.to_solar_days(times, np.arange(n_hours), longitude)
    assert (first_day, n_days) == (days[0], days.size)
    assert grid.ravel()[offset] == 0
    assert 0 <= offset < 24


def test_hours_outside_the_series_are_missing_not_zero() -> None:
    days, grid = timegrid.to_solar_days(hours_from("2026-06-10T05", 3), np.array([7.0, 8.0, 9.0]), 0.0)
    assert days.tolist() == [dt.date(2026, 6, 10)]
    assert grid[0, 5:8].tolist() == [7.0, 8.0, 9.0]
    assert np.isnan(np.delete(grid[0], [5, 6, 7])).all()


@pytest.mark.parametrize(
    ("first_hour", "n_days", "last_day"),
    [
        ("2024-02-28T23", 3, dt.date(2024, 3, 2)),  # 29 February is a day like any other
        ("2025-02-27T23", 3, dt.date(2025, 3, 2)),
        ("2025-12-30T23", 3, dt.date(2026, 1, 2)),  # over the year's end
        ("2026-03-28T23", 3, dt.date(2026, 3, 31)),  # summer time begins in Europe: still 24 hours
    ],
)
def test_days_follow_one_another_over_leap_days_years_and_clock_changes(
    first_hour: str, n_days: int, last_day: dt.date
) -> None:
    days, grid = timegrid.to_solar_days(hours_from(first_hour, 24 * n_days), np.ones(24 * n_days), 14.5)
    assert days[-1].item() == last_day
    assert grid.shape == (n_days, 24)
    assert not np.isnan(grid).any()


def test_whole_days_are_a_view_and_cut_days_are_a_copy() -> None:
    values = np.arange(2 * 48, dtype=np.float64).reshape(2, 48)
    _, whole = timegrid.to_solar_days(hours_from("2026-06-09T23", 48), values, 14.5)
    _, cut = timegrid.to_solar_days(hours_from("2026-06-10T00", 48), values, 14.5)
    assert np.shares_memory(whole, values)
    assert whole.shape == (2, 2, 24)
    assert not np.shares_memory(cut, values)
    assert cut.shape == (2, 3, 24)
    assert cut[1, 0, 1] == values[1, 0]


def test_leading_axes_and_float_precision_are_kept() -> None:
    values = np.ones((3, 2, 30), dtype=np.float32)
    _, grid = timegrid.to_solar_days(hours_from("2026-06-10T00", 30), values, 0.0)
    assert grid.shape == (3, 2, 2, 24)
    assert grid.dtype == np.float32


def test_seconds_and_hours_as_units_of_time_give_the_same_grid() -> None:
    times = hours_from("2026-06-10T05", 50)
    by_hours = timegrid.to_solar_days(times, np.arange(50), 14.5)
    by_seconds = timegrid.to_solar_days(times.astype("datetime64[s]"), np.arange(50), 14.5)
    np.testing.assert_array_equal(by_hours[0], by_seconds[0])
    np.testing.assert_array_equal(by_hours[1], by_seconds[1])


def gap(times: NDArray[np.datetime64]) -> NDArray[np.datetime64]:
    return np.delete(times, 4)


def half_hours(times: NDArray[np.datetime64]) -> NDArray[np.datetime64]:
    later: NDArray[np.datetime64] = (times.astype("datetime64[m]").astype(np.int64) + 30).astype("datetime64[m]")
    return later


def no_hours(times: NDArray[np.datetime64]) -> NDArray[np.datetime64]:
    return times[:0]


def one_missing(times: NDArray[np.datetime64]) -> NDArray[np.datetime64]:
    broken = times.copy()
    broken[2] = np.datetime64("NaT")
    return broken


@pytest.mark.parametrize(
    ("spoil", "said"),
    [
        (gap, "2026-06-10T05 follows 2026-06-10T03"),
        (half_hours, "2026-06-10T00:30 is no full hour"),
        (no_hours, "no hours at all"),
        (one_missing, "NaT is no full hour"),
    ],
)
def test_a_series_that_is_not_hour_after_hour_is_refused_by_name(
    spoil: Callable[[NDArray[np.datetime64]], NDArray[np.datetime64]], said: str
) -> None:
    times = spoil(hours_from("2026-06-10T00", 10))
    with pytest.raises(InputError, match=said):
        timegrid.to_solar_days(times, np.zeros(len(times)), 0.0)


@pytest.mark.parametrize("shape", [(9,), (10, 2), ()])
def test_values_that_do_not_fit_the_hours_are_refused(shape: tuple[int, ...]) -> None:
    with pytest.raises(InputError, match="one value per hour"):
        timegrid.to_solar_days(hours_from("2026-06-10T00", 10), np.zeros(shape), 0.0)


# --- apparent solar time and the daily window ----------------------------------------------------------------------


def test_apparent_time_is_utc_plus_longitude_plus_the_equation_of_time() -> None:
    """At 14.5° E with +6 min: 11 UTC is 11:58 mean and 12:04 apparent; the day's hour 12 starts at 11 UTC."""
    hours = timegrid.apparent_solar_hours(np.array(["2026-06-10"], "datetime64[D]"), 14.5, np.array([6.0]))
    assert hours.shape == (1, 24)
    assert hours[0, 12] == pytest.approx(12 + 4 / 60, abs=1e-12)
    np.testing.assert_allclose(np.diff(hours[0]), 1.0, atol=1e-12)


@given(longitude=LONGITUDES, equation_min=EQUATION_MIN)
def test_a_day_begins_within_48_minutes_of_apparent_midnight(longitude: float, equation_min: float) -> None:
    days = np.array(["2026-06-10"], "datetime64[D]")
    first = timegrid.apparent_solar_hours(days, longitude, np.array([equation_min]))[0, 0]
    assert abs(first) <= 0.5 + 17 / 60 + 1e-12


@given(longitude=LONGITUDES, equation_min=EQUATION_MIN)
def test_the_shares_of_a_day_add_up_to_the_window_and_four_hours_have_their_middle_inside(
    longitude: float, equation_min: float
) -> None:
    """Middles stand 1 h apart and the 4 h window is half open, so it holds exactly four, wherever it falls."""
    days = np.array(["2026-06-10"], "datetime64[D]")
    share, inside = timegrid.window_share(days, longitude, np.array([equation_min]))
    assert share.sum() == pytest.approx(4.0, abs=1e-12)
    assert share.min() >= 0.0
    assert share.max() <= 1.0
    assert inside.sum() == 4


@given(
    longitude=LONGITUDES,
    equation_min=EQUATION_MIN,
    centre_h=st.floats(11.0, 16.0),
    half_width_h=st.floats(0.05, 6.0),
)
def test_any_window_is_shared_out_fully_and_holds_its_length_in_middles_give_or_take_one(
    longitude: float, equation_min: float, centre_h: float, half_width_h: float
) -> None:
    days = np.array(["2026-06-10"], "datetime64[D]")
    share, inside = timegrid.window_share(days, longitude, np.array([equation_min]), centre_h, half_width_h)
    assert share.sum() == pytest.approx(2 * half_width_h, abs=1e-11)
    assert abs(inside.sum() - 2 * half_width_h) < 1.0 + 1e-11
    assert np.all(share[inside] >= min(0.5, half_width_h) - 1e-12)


@given(longitude=LONGITUDES, equation_min=EQUATION_MIN)
def test_the_share_is_what_counting_the_seconds_gives(longitude: float, equation_min: float) -> None:
    """Each hour cut into 3600 seconds, each second asked on its own."""
    days = np.array(["2026-06-10"], "datetime64[D]")
    share, _ = timegrid.window_share(days, longitude, np.array([equation_min]))
    utc_h = timegrid.solar_day_start_hour(longitude) + np.arange(24)[:, np.newaxis] + (np.arange(3600) + 0.5) / 3600
    apparent_h = utc_h + longitude / 15 + equation_min / 60
    counted = ((apparent_h >= 12.0) & (apparent_h < 16.0)).mean(axis=1)
    np.testing.assert_allclose(share[0], counted, atol=1 / 3600)


def test_a_middle_on_the_opening_of_the_window_is_inside_and_one_on_its_close_is_not() -> None:
    """At 7.5° E with no equation of time the middles fall on 0, 1, 2, ... o'clock: 12 to 15 are inside, 16 is not."""
    share, inside = timegrid.window_share(np.array(["2026-06-10"], "datetime64[D]"), 7.5, np.array([0.0]))
    assert np.flatnonzero(inside[0]).tolist() == [12, 13, 14, 15]
    np.testing.assert_allclose(share[0, 11:18], [0, 0.5, 1, 1, 1, 0.5, 0], atol=1e-12)


def test_each_day_has_its_own_equation_of_time() -> None:
    days = np.array(["2026-02-11", "2026-11-03"], "datetime64[D]")
    share, _ = timegrid.window_share(days, 0.0, np.array([-15.0, 15.0]))
    np.testing.assert_allclose(share[0, 11:17], [0, 0.75, 1, 1, 1, 0.25], atol=1e-12)
    np.testing.assert_allclose(share[1, 11:17], [0.25, 1, 1, 1, 0.75, 0], atol=1e-12)


def test_one_equation_of_time_for_many_days_is_refused() -> None:
    days = np.arange("2026-06-10", "2026-06-13", dtype="datetime64[D]")
    with pytest.raises(InputError, match="equation of time"):
        timegrid.window_share(days, 0.0, np.array([1.0]))


@pytest.mark.parametrize(
    ("centre_h", "half_width_h"), [(14.0, 0.0), (14.0, -1.0), (22.0, 2.0), (2.0, 2.0), (14.0, np.nan)]
)
def test_a_window_that_is_empty_or_runs_into_the_night_is_refused(centre_h: float, half_width_h: float) -> None:
    days = np.array(["2026-06-10"], "datetime64[D]")
    with pytest.raises(ParameterError, match="daily window"):
        timegrid.window_share(days, 0.0, np.array([0.0]), centre_h, half_width_h)
