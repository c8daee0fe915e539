"""Hourly weather to flight hours: equal to the plain loop, honest about gaps, never better for worse weather."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from matewindow import sun, timegrid
from matewindow.biology import Flight, load_biology
from matewindow.flight import (
    CAUSES,
    drone_window_h,
    factors,
    flight_days,
    hourly_losses,
    losses,
    pent_up_drops,
    resolve_pent_up,
    strict,
)
from matewindow.siteweather import lay_on_site
from matewindow.weather.normal import Provenance, make_weather
from tests.made_weather import stand, window
from tests.reference.naive_flight import DEFAULT_PARAMS, naive_day, naive_pent_up
from tests.same_names import naive_params

if TYPE_CHECKING:
    from numpy.typing import NDArray

    Floats = NDArray[np.float64]
    Hourly = tuple[Floats, Floats, Floats | None, Floats | None]

FLIGHT = load_biology().flight
INPUTS = ("temp_c", "wind_ms", "rain_mm", "ghi_wm2")


def random_hours(rng: np.random.Generator, shape: tuple[int, ...], gaps: float = 0.0) -> tuple[Floats, ...]:
    """Temperature, wind, rain and light over all that matters, with a share ``gaps`` of each missing."""
    hourly = [
        rng.uniform(5.0, 42.0, shape),
        rng.gamma(2.0, 2.0, shape),
        np.where(rng.random(shape) < 0.6, 0.0, rng.uniform(0.0, 0.5, shape)),
        rng.uniform(0.0, 600.0, shape),
    ]
    return tuple(np.where(rng.random(shape) < gaps, np.nan, values) for values in hourly)


def a_window(n_days: int, longitude: float) -> tuple[Floats, NDArray[np.bool_]]:
    days = np.datetime64("2026-05-20") + np.arange(n_days)
    return timegrid.window_share(days, longitude, sun.equation_of_time_min(days))


def assert_equals_the_loop(
    hourly: Hourly, share: Floats, inside: NDArray[np.bool_], flight: Flight, exposure: float = 1.0
) -> None:
    """Every day, level, cause and the strict hours against ``naive_day``, to 1e-12."""
    got = flight_days(*hourly, share, inside, flight, exposure=exposure)
    lost = losses(*hourly, share, flight, exposure=exposure)
    params = naive_params(flight, exposure)
    lead_and_days = hourly[0].shape[:-1]
    shares = np.broadcast_to(share, (*lead_and_days, 24))
    insides = np.broadcast_to(inside, (*lead_and_days, 24))
    np.testing.assert_allclose(np.broadcast_to(got.window_h, lead_and_days), shares.sum(axis=-1), atol=1e-12)
    for at in np.ndindex(lead_and_days):
        given_hours = [None if values is None else values[at].tolist() for values in hourly]
        for level, drop in enumerate(pent_up_drops(flight)):
            temp, wind, rain, ghi = given_hours
            assert temp is not None
            assert wind is not None
            day = naive_day(temp, wind, rain, ghi, shares[at].tolist(), insides[at].tolist(), params, float(drop))
            expected = [day["effective"], day["strict"], *(day[cause] for cause in CAUSES)]
            found = [got.effective_h[(*at, level)], got.strict_h[at], *lost[(*at, level)]]
            np.testing.assert_allclose(found, expected, rtol=0.0, atol=1e-12)


# --- the same numbers as the plain loop ---------------------------------------------------------------------


def test_the_plain_loop_starts_from_the_same_thresholds() -> None:
    assert naive_params(FLIGHT) == DEFAULT_PARAMS


@pytest.mark.parametrize("seed", range(4))
@pytest.mark.parametrize("longitude", [-105.2, 0.0, 13.4, 172.6])
def test_flight_hours_equal_the_loop_over_random_weather(seed: int, longitude: float) -> None:
    rng = np.random.default_rng(seed)
    share, inside = a_window(8, longitude)
    temp, wind, rain, ghi = random_hours(rng, (8, 24))
    assert_equals_the_loop((temp, wind, rain, ghi), share, inside, FLIGHT)


@pytest.mark.parametrize("seed", range(3))
def test_flight_hours_equal_the_loop_with_gaps_in_every_variable(seed: int) -> None:
    """6 % of each variable missing, so that days lack none, one or more of their window hours."""
    rng = np.random.default_rng(100 + seed)
    share, inside = a_window(30, 9.2)
    temp, wind, rain, ghi = random_hours(rng, (30, 24), gaps=0.06)
    missing_days = np.isnan(flight_days(temp, wind, rain, ghi, share, inside, FLIGHT).strict_h)
    assert missing_days.any()
    assert not missing_days.all()
    assert_equals_the_loop((temp, wind, rain, ghi), share, inside, FLIGHT)


@pytest.mark.parametrize("lead", [(3,), (2, 3), (0,)])
def test_leading_axes_are_kept(lead: tuple[int, ...]) -> None:
    rng = np.random.default_rng(7)
    share, inside = a_window(4, -3.0)
    temp, wind, rain, ghi = random_hours(rng, (*lead, 4, 24), gaps=0.02)
    got = flight_days(temp, wind, rain, ghi, share, inside, FLIGHT)
    assert got.effective_h.shape == (*lead, 4, 6)
    assert got.strict_h.shape == (*lead, 4)
    assert_equals_the_loop((temp, wind, rain, ghi), share, inside, FLIGHT)


def test_more_series_than_are_worked_on_at_a_time_give_the_same_as_one_by_one() -> None:
    rng = np.random.default_rng(8)
    share, inside = a_window(16, 20.0)
    temp, wind, rain, ghi = random_hours(rng, (700, 16, 24), gaps=0.01)
    together = flight_days(temp, wind, rain, ghi, share, inside, FLIGHT)
    for series in (0, 255, 256, 699):
        alone = flight_days(temp[series], wind[series], rain[series], ghi[series], share, inside, FLIGHT)
        np.testing.assert_array_equal(together.effective_h[series], alone.effective_h)
        np.testing.assert_array_equal(together.strict_h[series], alone.strict_h)


def test_each_series_may_have_windows_of_its_own() -> None:
    """Past years have their own equation of time on the same date."""
    rng = np.random.default_rng(9)
    windows = [a_window(5, longitude) for longitude in (0.0, 4.0, 7.0)]
    share, inside = np.stack([w[0] for w in windows]), np.stack([w[1] for w in windows])
    temp, wind, rain, ghi = random_hours(rng, (3, 5, 24), gaps=0.02)
    assert_equals_the_loop((temp, wind, rain, ghi), share, inside, FLIGHT)


@pytest.mark.parametrize("without", [("rain_mm",), ("ghi_wm2",), ("rain_mm", "ghi_wm2")])
def test_what_a_source_does_not_give_is_not_judged(without: tuple[str, ...]) -> None:
    rng = np.random.default_rng(10)
    share, inside = a_window(6, 2.0)
    temp, wind, rain, ghi = random_hours(rng, (6, 24), gaps=0.02)
    hourly = temp, wind, None if "rain_mm" in without else rain, None if "ghi_wm2" in without else ghi
    assert_equals_the_loop(hourly, share, inside, FLIGHT)
    kind = factors(*hourly, FLIGHT)
    for name, cause in (("rain_mm", "rain"), ("ghi_wm2", "light")):
        assert (kind[cause] == 1.0).all() == (name in without)


@pytest.mark.parametrize("exposure", [0.2, 0.7, 1.2])
def test_shelter_lowers_the_wind_before_it_is_judged(exposure: float) -> None:
    rng = np.random.default_rng(11)
    share, inside = a_window(6, 2.0)
    temp, wind, rain, ghi = random_hours(rng, (6, 24), gaps=0.01)
    assert_equals_the_loop((temp, wind, rain, ghi), share, inside, FLIGHT, exposure)
    sheltered = flight_days(temp, wind, rain, ghi, share, inside, FLIGHT, exposure=exposure)
    by_hand = flight_days(temp, wind * exposure, rain, ghi, share, inside, FLIGHT)
    np.testing.assert_allclose(sheltered.effective_h, by_hand.effective_h, atol=1e-12)


@pytest.mark.parametrize("seed", range(6))
def test_a_sites_own_thresholds_are_followed(seed: int) -> None:
    """Each threshold drawn from its whole accepted range."""
    rng = np.random.default_rng(200 + seed)
    biology = load_biology()
    names = [n for n in biology.parameters if n.startswith("flight.") and "pent_up" not in n and "window" not in n]
    drawn = {n: rng.uniform(biology.parameters[n].low, biology.parameters[n].high) for n in names}
    flight = biology.with_values(drawn).flight
    share, inside = a_window(5, 30.0)
    temp, wind, rain, ghi = random_hours(rng, (5, 24), gaps=0.02)
    assert_equals_the_loop((temp, wind, rain, ghi), share, inside, flight, 0.8)


def test_no_window_at_all_gives_no_hours() -> None:
    temp, wind, rain, ghi = random_hours(np.random.default_rng(0), (3, 24))
    nothing = np.zeros((3, 24))
    got = flight_days(temp, wind, rain, ghi, nothing, nothing > 0.0, FLIGHT)
    assert (got.effective_h == 0.0).all()
    assert (got.strict_h == 0.0).all()
    assert (losses(temp, wind, rain, ghi, nothing, FLIGHT) == 0.0).all()


@pytest.mark.parametrize("gaps", [0.0, 0.02])
def test_losses_by_cause_add_up_to_the_window_without_its_effective_hours(gaps: float) -> None:
    rng = np.random.default_rng(12)
    share, inside = a_window(40, 9.0)
    temp, wind, rain, ghi = random_hours(rng, (2, 40, 24), gaps)
    got = flight_days(temp, wind, rain, ghi, share, inside, FLIGHT)
    lost = losses(temp, wind, rain, ghi, share, FLIGHT)
    assert lost.shape == (2, 40, 6, len(CAUSES))
    expected = got.window_h[:, None] - got.effective_h
    np.testing.assert_allclose(lost.sum(axis=-1), expected, atol=1e-12)
    np.testing.assert_array_equal(np.isnan(lost).any(axis=-1), np.isnan(got.effective_h))
    assert np.nanmin(lost) >= 0.0


def test_two_forbidding_causes_share_an_hour() -> None:
    """A gale in a downpour: neither is blamed alone."""
    share, _ = window(1)
    still = np.full((1, 24), 25.0)
    lost = losses(still, still * 0.0 + 20.0, still * 0.0 + 5.0, still * 0.0 + 600.0, share, FLIGHT)[0, 0]
    by_cause = dict(zip(CAUSES, lost, strict=True))
    assert by_cause["wind"] == pytest.approx(by_cause["rain"], rel=1e-12)
    assert by_cause["wind"] > 1.99
    assert by_cause["heat"] == by_cause["light"] == 0.0


# --- pent-up drive ------------------------------------------------------------------------------------------


def test_drops_go_by_steps_up_to_the_cap() -> None:
    assert pent_up_drops(FLIGHT).tolist() == pytest.approx([0.0, 0.4, 0.8, 1.2, 1.6, 2.0])
    uneven = replace(FLIGHT, pent_up_per_day_c=0.8, pent_up_cap_c=2.0)
    assert pent_up_drops(uneven).tolist() == pytest.approx([0.0, 0.8, 1.6, 2.0])
    for name in ("pent_up_per_day_c", "pent_up_cap_c"):
        assert pent_up_drops(replace(FLIGHT, **{name: 0.0})).tolist() == [0.0]


@pytest.mark.parametrize("seed", range(5))
def test_pent_up_drive_follows_the_days_as_the_loop_does(seed: int) -> None:
    """Poor, good and missing days mixed, over leading axes: same hours, same lowering on every day."""
    rng = np.random.default_rng(300 + seed)
    step = np.sort(rng.uniform(0.0, 1.1, (2, 3, 60, 6)), axis=-1)
    table = np.where(rng.random((2, 3, 60, 1)) < 0.1, np.nan, step)
    hours, level = resolve_pent_up(table, FLIGHT)
    assert hours.shape == level.shape == (2, 3, 60)
    assert set(np.unique(level)) == set(range(6))
    drops = pent_up_drops(FLIGHT)
    for at in np.ndindex(2, 3):
        walked = naive_pent_up(table[at].tolist(), naive_params(FLIGHT))
        np.testing.assert_array_equal(hours[at], [h for h, _ in walked])
        np.testing.assert_allclose(drops[level[at]], [d for _, d in walked], atol=1e-12)


def test_a_day_with_exactly_the_limit_of_hours_is_no_day_shut_in() -> None:
    _, level = resolve_pent_up(np.array([[0.75] * 6, [0.7499] * 6, [2.0] * 6]), FLIGHT)
    assert level.tolist() == [0, 0, 1]


def test_the_whole_way_from_hours_of_weather_to_resolved_days_equals_the_loop() -> None:
    rng = np.random.default_rng(13)
    share, inside = a_window(30, 11.0)
    temp, wind, rain, ghi = random_hours(rng, (30, 24))
    temp = 10.0 + 0.35 * temp
    got, _ = resolve_pent_up(flight_days(temp, wind, rain, ghi, share, inside, FLIGHT).effective_h, FLIGHT)
    params = naive_params(FLIGHT)
    by_level = []
    for day in range(30):
        hourly = temp[day].tolist(), wind[day].tolist(), rain[day].tolist(), ghi[day].tolist()
        mask = share[day].tolist(), inside[day].tolist()
        by_level.append([naive_day(*hourly, *mask, params, 0.4 * level)["effective"] for level in range(6)])
    walked = naive_pent_up(by_level, params)
    assert len({drop for _, drop in walked}) > 2
    np.testing.assert_allclose(got, [h for h, _ in walked], atol=1e-12)


# --- missing stays missing ----------------------------------------------------------------------------------

TOUCHES = {"temp_c": {"cold", "heat"}, "wind_ms": {"wind"}, "rain_mm": {"rain"}, "ghi_wm2": {"light"}}


def fine_day(*, missing: str | None = None, at: tuple[int, ...] = ()) -> tuple[Floats, Floats, Floats, Floats]:
    """A day good for flying all through, with one variable missing in some hours."""
    values = {"temp_c": 24.0, "wind_ms": 1.0, "rain_mm": 0.0, "ghi_wm2": 700.0}
    hourly = {name: np.full((1, 24), value) for name, value in values.items()}
    if missing is not None:
        hourly[missing][0, list(at)] = np.nan
    return hourly["temp_c"], hourly["wind_ms"], hourly["rain_mm"], hourly["ghi_wm2"]


@pytest.mark.parametrize("name", INPUTS)
def test_a_missing_value_stays_missing_in_its_factors_and_in_the_strict_verdict(name: str) -> None:
    hourly = fine_day(missing=name, at=(13,))
    for cause, factor in factors(*hourly, FLIGHT).items():
        assert np.isnan(factor[0, 13]) == (cause in TOUCHES[name])
        assert not np.isnan(np.delete(factor, 13, axis=1)).any()
    verdict = strict(*hourly, FLIGHT)
    assert np.isnan(verdict[0, 13])
    assert (np.delete(verdict, 13, axis=1) == 1.0).all()


@pytest.mark.parametrize("name", INPUTS)
def test_a_missing_hour_is_missing_even_if_another_variable_forbids_flight(name: str) -> None:
    """A gale does not turn an hour without a temperature into a known hour of 0."""
    hourly = fine_day(missing=name, at=(13,))
    for other, worst in (("temp_c", 2.0), ("wind_ms", 25.0), ("rain_mm", 9.0), ("ghi_wm2", 0.0)):
        if other != name:
            hourly[INPUTS.index(other)][0, 13] = worst
    assert np.isnan(strict(*hourly, FLIGHT)[0, 13])
    share, inside = window(1)
    assert np.isnan(hourly_losses(*hourly, share, FLIGHT)[0, 13]).all()
    got = flight_days(*hourly, share, inside, FLIGHT)
    whole = flight_days(*fine_day(), share, inside, FLIGHT)
    np.testing.assert_allclose(got.effective_h, whole.effective_h, rtol=1e-12)


@pytest.mark.parametrize("name", INPUTS)
def test_one_missing_window_hour_is_scaled_up_and_two_make_the_day_missing(name: str) -> None:
    share, inside = window(1)
    whole = flight_days(*fine_day(), share, inside, FLIGHT)
    one = flight_days(*fine_day(missing=name, at=(14,)), share, inside, FLIGHT)
    np.testing.assert_allclose(one.effective_h, whole.effective_h, rtol=1e-12)
    np.testing.assert_allclose(one.strict_h, [4.0])
    lost = losses(*fine_day(missing=name, at=(14,)), share, FLIGHT)
    np.testing.assert_allclose(lost.sum(axis=-1), 4.0 - whole.effective_h, atol=1e-12)

    two = flight_days(*fine_day(missing=name, at=(12, 14)), share, inside, FLIGHT)
    assert np.isnan(two.effective_h).all()
    assert np.isnan(two.strict_h).all()
    assert np.isnan(losses(*fine_day(missing=name, at=(12, 14)), share, FLIGHT)).all()


@pytest.mark.parametrize("name", INPUTS)
def test_hours_outside_the_window_may_be_missing(name: str) -> None:
    share, inside = window(1)
    night = flight_days(*fine_day(missing=name, at=(0, 3, 11, 16, 23)), share, inside, FLIGHT)
    np.testing.assert_array_equal(night.effective_h, flight_days(*fine_day(), share, inside, FLIGHT).effective_h)


def test_missing_cloud_or_clear_sky_light_gives_missing_light() -> None:
    light = sun.cloudy_ghi([600.0, np.nan, 600.0], [np.nan, 0.2, 0.2])
    assert np.isnan(light).tolist() == [True, True, False]


def test_light_is_worked_out_from_cloud_only_where_it_is_missing_and_cloud_is_known() -> None:
    times = np.datetime64("2026-06-10T00", "h") + np.arange(24)
    ghi, cloud = np.full(24, 500.0), np.full(24, 0.3)
    ghi[12:15] = np.nan
    cloud[14] = np.nan
    given_hours = {"temp_c": np.full(24, 20.0), "wind_ms": np.ones(24), "ghi_wm2": ghi, "cloud_frac": cloud}
    weather = make_weather(times, given_hours, Provenance("invented", "observation", "none"))
    laid = lay_on_site(weather, stand(), FLIGHT)
    assert laid.light_filled
    assert laid.ghi_wm2 is not None
    filled = laid.ghi_wm2[0, 0]
    assert filled[11] == 500.0
    clear = sun.clear_sky_ghi(52.0, 0.0, 50.0, times)
    np.testing.assert_allclose(filled[12:14], sun.cloudy_ghi(clear, 0.3)[12:14], rtol=1e-12)
    assert np.isnan(filled[14])
    assert laid.rain_mm is None
    assert laid.not_judged == ("rain",)


# --- worse weather is never better --------------------------------------------------------------------------

worse = st.floats(0.0, 15.0)


@given(
    seed=st.integers(0, 10_000),
    colder_c=worse,
    windier_ms=worse,
    wetter_mm=worse,
    dimmer_wm2=st.floats(0.0, 500.0),
    hours=st.sets(st.integers(0, 23), min_size=1),
)
@settings(max_examples=200, deadline=None)
def test_rain_wind_cold_and_dark_never_lengthen_a_days_flight_hours(
    seed: int, colder_c: float, windier_ms: float, wetter_mm: float, dimmer_wm2: float, hours: set[int]
) -> None:
    """At every level of pent-up drive, for the strict hours as well; below 32 °C, where warmth is never too much."""
    rng = np.random.default_rng(seed)
    share, inside = window(3)
    temp, wind, rain, ghi = random_hours(rng, (3, 24))
    temp = np.minimum(temp, FLIGHT.heat_full_to_c)
    before = flight_days(temp, wind, rain, ghi, share, inside, FLIGHT)
    at = np.isin(np.arange(24), list(hours))
    spoiled = (temp - colder_c * at, wind + windier_ms * at, rain + wetter_mm * at, ghi - dimmer_wm2 * at)
    after = flight_days(*spoiled, share, inside, FLIGHT)
    assert (after.effective_h <= before.effective_h + 1e-12).all()
    assert (after.strict_h <= before.strict_h).all()


@given(st.floats(32.0, 40.0), st.floats(0.0, 10.0))
def test_heat_beyond_32_degrees_never_lengthens_them_either(temp_c: float, hotter_c: float) -> None:
    """To within the 1e-5 that cold still costs at 32 °C."""
    hot, hotter = (factors(np.array([t]), np.zeros(1), None, None, FLIGHT) for t in (temp_c, temp_c + hotter_c))
    assert (hotter["cold"] * hotter["heat"] <= hot["cold"] * hot["heat"] + 1e-5).all()


@given(st.integers(0, 10_000))
@settings(max_examples=50, deadline=None)
def test_pent_up_drive_never_shortens_a_days_flight_hours(seed: int) -> None:
    share, inside = window(4)
    temp, wind, rain, ghi = random_hours(np.random.default_rng(seed), (4, 24))
    by_level = flight_days(temp, wind, rain, ghi, share, inside, FLIGHT).effective_h
    assert (np.diff(by_level, axis=-1) >= 0.0).all()


@given(st.integers(0, 10_000), st.floats(0.2, 1.2))
@settings(max_examples=50, deadline=None)
def test_flight_hours_lie_between_none_and_the_window(seed: int, exposure: float) -> None:
    share, inside = a_window(4, 50.0)
    temp, wind, rain, ghi = random_hours(np.random.default_rng(seed), (4, 24))
    got = flight_days(temp, wind, rain, ghi, share, inside, FLIGHT, exposure=exposure)
    assert (got.effective_h >= 0.0).all()
    assert (got.effective_h <= got.window_h[:, None] + 1e-12).all()
    assert (got.strict_h <= np.ceil(got.window_h)).all()


def test_drones_fly_before_and_after_the_queens() -> None:
    """COLOSS BEEBOOK, behavioural studies 13.2: 15 to 30 minutes earlier, and later at the end."""
    start, end = drone_window_h(FLIGHT, load_biology().drones)
    assert start == pytest.approx(12.0 - 25.0 / 60.0)
    assert end == pytest.approx(16.0 + 25.0 / 60.0)
