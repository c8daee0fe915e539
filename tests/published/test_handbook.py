"""Handbook numbers: wind forces, wind over grass, clouds and light, units, sundial time.

Sources:

- WMO-No. 8, Guide to Instruments and Methods of Observation: Beaufort scale (m/s from memory, knots as printed).
- FAO-56: Allen, Pereira, Raes, Smith, Crop evapotranspiration, FAO Irrigation and Drainage Paper 56, Rome 1998.
- Kasten and Czeplak 1980, Solar Energy 24, 177-189.
- NIST Special Publication 811, appendix B: factors for units.
"""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from matewindow import sun, timegrid, units
from matewindow.errors import InputError

# Force, name, m/s from and to as printed, knots from and to as printed.
BEAUFORT_TABLE = [
    (0, "calm", 0.0, 0.2, 0, 0),
    (1, "light air", 0.3, 1.5, 1, 3),
    (2, "light breeze", 1.6, 3.3, 4, 6),
    (3, "gentle breeze", 3.4, 5.4, 7, 10),
    (4, "moderate breeze", 5.5, 7.9, 11, 16),
    (5, "fresh breeze", 8.0, 10.7, 17, 21),
    (6, "strong breeze", 10.8, 13.8, 22, 27),
    (7, "near gale", 13.9, 17.1, 28, 33),
    (8, "gale", 17.2, 20.7, 34, 40),
    (9, "strong gale", 20.8, 24.4, 41, 47),
    (10, "storm", 24.5, 28.4, 48, 55),
    (11, "violent storm", 28.5, 32.6, 56, 63),
    (12, "hurricane", 32.7, 60.0, 64, 90),
]


@pytest.mark.parametrize(("force", "name", "from_ms", "to_ms"), [row[:4] for row in BEAUFORT_TABLE])
def test_beaufort_classes_in_metres_per_second(force: int, name: str, from_ms: float, to_ms: float) -> None:
    """WMO-No. 8: both printed ends lie in their class, and so does the gap up to the next class."""
    next_ms = BEAUFORT_TABLE[force + 1][2] if force < 12 else 100.0
    assert units.beaufort([from_ms, to_ms, next_ms - 1e-9]).tolist() == [force, force, force]
    assert units.beaufort_name(force) == name


@pytest.mark.parametrize(("force", "from_kn", "to_kn"), [(row[0], *row[4:]) for row in BEAUFORT_TABLE])
def test_beaufort_classes_in_knots(force: int, from_kn: int, to_kn: int) -> None:
    """WMO-No. 8 prints whole knots, rounded apart from m/s (16 kn = 8.2 m/s): the middle of a class must agree."""
    assert units.beaufort(units.knots_to_ms((from_kn + to_kn) / 2)) == force


def test_beaufort_limits_follow_the_formula_behind_the_scale() -> None:
    """v = 0.836 B^1.5 at B + 1/2 (WMO's equivalent speeds): a class starts with the first tenth above the limit."""
    limits_ms = 0.836 * (np.arange(12) + 0.5) ** 1.5
    np.testing.assert_allclose(units.BEAUFORT_FROM_MS, np.ceil(limits_ms * 10) / 10, atol=1e-9)


def test_a_missing_wind_has_no_force_and_a_negative_one_is_refused() -> None:
    assert np.isnan(units.beaufort([np.nan, 3.0])).tolist() == [True, False]
    with pytest.raises(InputError, match="0 or more"):
        units.beaufort([2.0, -0.1])


@pytest.mark.parametrize("force", [-1, 13])
def test_there_is_no_force_outside_0_to_12(force: int) -> None:
    with pytest.raises(InputError, match="from 0 to 12"):
        units.beaufort_name(force)


def test_fao56_example_14_wind_at_two_metres() -> None:
    """3.2 m/s at 10 m is 2.4 m/s at 2 m; the factor is 0.748 (FAO-56 table of conversions), as printed."""
    assert units.short_grass_wind(3.2, 10.0) == pytest.approx(2.4, abs=0.05)
    assert units.short_grass_wind(1.0, 10.0) == pytest.approx(0.748, abs=0.0005)


def test_wind_at_two_metres_is_itself() -> None:
    """Eq. 47 gives a factor of 1.000 at 2 m, printed so in the book's table."""
    assert units.short_grass_wind(5.0, 2.0) == pytest.approx(5.0, abs=0.005)


def test_short_grass_wind_keeps_missing_values_and_refuses_odd_heights() -> None:
    assert np.isnan(units.short_grass_wind([np.nan, 1.0], 10.0)).tolist() == [True, False]
    with pytest.raises(InputError, match="height"):
        units.short_grass_wind(3.0, 0.05)


# 1 - 0.75 (N/8)^3.4 for N oktas, worked out with decimal arithmetic (20 digits) apart from the code.
KASTEN_CZEPLAK = [
    1.0,
    0.999362390,
    0.993269346,
    0.973284238,
    0.928950786,
    0.848276336,
    0.717986721,
    0.523691158,
    0.25,
]


@pytest.mark.parametrize(("oktas", "share"), list(enumerate(KASTEN_CZEPLAK)))
def test_kasten_and_czeplak_share_of_clear_sky_light_by_oktas(oktas: int, share: float) -> None:
    """A quarter of the light comes through an overcast sky; half cover takes only 7 %."""
    assert sun.cloudy_ghi(800.0, oktas / 8) == pytest.approx(800.0 * share, abs=1e-5)


@given(
    clear_wm2=st.floats(0.0, 1200.0),
    covers=st.tuples(st.floats(0.0, 1.0), st.floats(0.0, 1.0)),
)
def test_more_cloud_is_never_more_light(clear_wm2: float, covers: tuple[float, float]) -> None:
    less, more = sorted(covers)
    darker, brighter = sun.cloudy_ghi(clear_wm2, [more, less])
    assert 0.25 * clear_wm2 <= darker <= brighter <= clear_wm2


def test_missing_cloud_or_light_stays_missing() -> None:
    ghi_wm2 = sun.cloudy_ghi([500.0, np.nan, 500.0], [np.nan, 0.5, 0.0])
    assert np.isnan(ghi_wm2).tolist() == [True, True, False]


@pytest.mark.parametrize("cover", [75.0, 1.01, -0.1])
def test_cloud_in_percent_is_refused(cover: float) -> None:
    with pytest.raises(InputError, match="divide percent by 100"):
        sun.cloudy_ghi([500.0, 500.0], [0.5, cover])


def test_units_of_wind_temperature_and_rain() -> None:
    """NIST SP 811, B.8: 1 mi/h = 0.44704 m/s, 1 kn = 0.514444 m/s, 1 km/h = 0.277778 m/s, 1 in = 25.4 mm."""
    assert units.mph_to_ms(1.0) == pytest.approx(0.44704, abs=1e-12)
    assert units.knots_to_ms(1.0) == pytest.approx(0.514444, abs=5e-7)
    assert units.kmh_to_ms(1.0) == pytest.approx(0.277778, abs=5e-7)
    assert units.inches_to_mm(1.0) == 25.4
    assert units.fahrenheit_to_c([32.0, 212.0, -40.0]).tolist() == [0.0, 100.0, -40.0]


def test_fifteen_miles_an_hour_is_the_trades_limit_in_all_units() -> None:
    """Common practice puts the limit for mating flights at 15 mph or 24 km/h: 6.7 m/s, force 4, in either unit."""
    for wind_ms in (units.mph_to_ms(15.0), units.kmh_to_ms(24.0)):
        assert wind_ms == pytest.approx(6.7, abs=0.05)
        assert units.beaufort(wind_ms) == 4


def test_conversions_keep_shape_and_missing_values() -> None:
    for convert in (
        units.kmh_to_ms,
        units.mph_to_ms,
        units.knots_to_ms,
        units.fahrenheit_to_c,
        units.inches_to_mm,
    ):
        converted = convert([[np.nan, 50.0]])
        assert converted.shape == (1, 2)
        assert np.isnan(converted).tolist() == [[True, False]]


def test_a_summer_afternoon_on_the_clock_is_an_hour_earlier_by_the_sun() -> None:
    """17:17 CEST at 14.5° E is 16:15 mean solar time, to the minute.

    The release hour of a trial of late mating flights at Brezovica, Slovenia (University of Ljubljana, thesis 169478);
    solar time derived from longitude alone, so the equation of time is set to 0.
    """
    instant = np.datetime64("2026-06-20T17:17", "s") - np.timedelta64(2, "h")
    day = timegrid.solar_day_of(instant, 14.5)
    hours = timegrid.apparent_solar_hours(np.array([day]), 14.5, np.array([0.0]))[0]
    day_start = day.astype("datetime64[h]") + timegrid.solar_day_start_hour(14.5)
    since_start_h = float((instant - day_start).astype("timedelta64[s]").astype(np.int64)) / 3600
    assert hours[0] + since_start_h == pytest.approx(16.25, abs=1 / 60)
