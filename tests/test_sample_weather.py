"""The invented weather in sample_weather/: it can be made again, has the wire format, and behaves like weather.

What "behaves like weather" means here is common practice in weather generators, with wide bounds: an afternoon peak, hours that
resemble the hour before, rain that comes in spells, members that part as the lead grows.
"""

from __future__ import annotations

import importlib.util
import json
import sys
import tomllib
from datetime import date
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd
import pvlib
import pytest

if TYPE_CHECKING:
    from types import ModuleType

    from numpy.typing import NDArray

    Floats = NDArray[np.float64]
    Stamps = NDArray[np.datetime64]

FOLDER = Path(__file__).resolve().parent.parent / "sample_weather"
FILES = ("past.json", "forecast.json", "ensemble.json")
FOUR = ("temperature_2m", "wind_speed_10m", "precipitation", "shortwave_radiation")
UNITS = {
    "temperature_2m": "°C",
    "wind_speed_10m": "m/s",
    "precipitation": "mm",
    "shortwave_radiation": "W/m²",
    "cloud_cover": "%",
}
SUFFIXES = ("", *(f"_member{m:02d}" for m in range(1, 51)))
MONTHS = {5: "May", 6: "June", 7: "July", 8: "August"}
HOUR, DAY = np.timedelta64(1, "h"), np.timedelta64(1, "D")


def read(name: str) -> dict[str, Any]:
    content: dict[str, Any] = json.loads((FOLDER / name).read_text(encoding="utf-8"))
    return content


def stamps(name: str) -> Stamps:
    return np.array(read(name)["hourly"]["time"], dtype="datetime64[s]").astype("datetime64[h]")


def column(name: str, variable: str) -> Floats:
    return np.array(read(name)["hourly"][variable], dtype=np.float64)


def members(variable: str) -> Floats:
    """Shape (51, 384)."""
    hourly = read("ensemble.json")["hourly"]
    return np.array([hourly[variable + suffix] for suffix in SUFFIXES], dtype=np.float64)


def year(times: Stamps) -> NDArray[np.int64]:
    return times.astype("datetime64[Y]").astype(np.int64) + 1970


def month(times: Stamps) -> NDArray[np.int64]:
    return times.astype("datetime64[M]").astype(np.int64) % 12 + 1


def hour(times: Stamps) -> NDArray[np.int64]:
    return times.astype(np.int64) % 24


def between(times: Stamps, first: str, last: str) -> NDArray[np.bool_]:
    """Stamps of the days *first* to *last*, both included."""
    days = times.astype("datetime64[D]")
    return (days >= np.datetime64(first)) & (days <= np.datetime64(last))


@pytest.fixture(scope="module")
def script() -> ModuleType:
    spec = importlib.util.spec_from_file_location("make_sample", FOLDER / "make_sample.py")
    assert spec is not None
    assert spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    sys.modules[spec.name] = module  # dataclasses look their module up by name
    spec.loader.exec_module(module)
    return module


def effective_hours(times: Stamps, temp: Floats, wind: Floats, rain: Floats, ghi: Floats) -> Floats:
    """Effective flight hours of each hour, written from section 5 of the design and from nothing else.

    T50 19 °C, slope 0.9, heat ramp 32 to 40 °C; wind 3 to 6.7 m/s after exposure 0.8; rain 0.05 to 0.3 mm; radiation 100 to
    300 W/m²; window 12 to 16 h apparent solar time, longitude -1.9. Without the lowering of T50 after idle days.
    Equation of time: Spencer 1971 (Search 2(5):172), series as printed in pvlib and many handbooks.

    Args: contiguous stamps in Open-Meteo's convention, n. Returns: n - 1 values, hour i from stamp i to stamp i + 1.
    """
    start = times[:-1]
    temp = 0.5 * (temp[:-1] + temp[1:])
    wind = 0.8 * 0.5 * (wind[:-1] + wind[1:])
    rain, ghi = rain[1:], ghi[1:]
    angle = 2.0 * np.pi * ((start - start.astype("datetime64[Y]")) / DAY) / 365.0
    equation_min = 229.18 * (
        0.000075
        + 0.001868 * np.cos(angle)
        - 0.032077 * np.sin(angle)
        - 0.014615 * np.cos(2.0 * angle)
        - 0.040849 * np.sin(2.0 * angle)
    )
    solar = hour(start) - 1.9 / 15.0 + equation_min / 60.0
    in_window = np.clip(np.minimum(solar + 1.0, 16.0) - np.maximum(solar, 12.0), 0.0, 1.0)
    by_temp = np.clip((40.0 - temp) / 8.0, 0.0, 1.0) / (1.0 + np.exp(-0.9 * (temp - 19.0)))
    by_wind = np.clip((6.7 - wind) / (6.7 - 3.0), 0.0, 1.0)
    by_rain = np.clip((0.3 - rain) / (0.3 - 0.05), 0.0, 1.0)
    by_light = np.clip((ghi - 100.0) / 200.0, 0.0, 1.0)
    product: Floats = by_temp * by_wind * by_rain * by_light * in_window
    return product


def daily_flight_hours(times: Stamps, *columns: Floats) -> tuple[Stamps, Floats]:
    days, which = np.unique(times[:-1].astype("datetime64[D]"), return_inverse=True)
    sums = np.bincount(which, effective_hours(times, *columns)).astype(np.float64)
    return days, sums


def monthly_flight_hours() -> dict[int, Floats]:
    """Month -> mean effective flight hours a day, one value for each of the past 20 seasons."""
    times, columns = stamps("past.json"), [column("past.json", v) for v in FOUR]
    found: dict[int, list[float]] = {m: [] for m in MONTHS}
    for y in range(2006, 2026):
        rows = year(times) == y
        days, hours = daily_flight_hours(times[rows], *(c[rows] for c in columns))
        for m in MONTHS:
            found[m].append(float(hours[month(days) == m].mean()))
    return {m: np.array(values) for m, values in found.items()}


# -- made by the script, small, and marked as invented -------------------------------------------------------


def test_script_writes_the_same_bytes_again(script: ModuleType, tmp_path: Path) -> None:
    """The files in the folder are exactly what the script writes."""
    written = script.write(tmp_path)

    assert sorted(p.name for p in written) == sorted(FILES)
    for path in written:
        assert path.read_bytes() == (FOLDER / path.name).read_bytes(), path.name


def test_another_seed_gives_other_weather(script: ModuleType, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """The comparison of bytes above can fail."""
    monkeypatch.setattr(script, "SEED", script.SEED + 1)

    script.write(tmp_path)

    assert all((tmp_path / name).read_bytes() != (FOLDER / name).read_bytes() for name in FILES)


def test_all_files_together_stay_under_two_and_a_half_megabytes() -> None:
    assert sum(p.stat().st_size for p in FOLDER.iterdir() if p.is_file()) < 2_500_000


def test_site_is_marked_as_invented_and_has_typed_keys() -> None:
    site = tomllib.loads((FOLDER / "site.toml").read_text(encoding="utf-8"))

    assert site == {
        "name": "Hollin Bank (invented)",
        "latitude": 53.2,
        "longitude": -1.9,
        "elevation": 210,
        "timezone": "Europe/London",
        "exposure": 0.8,
        "drones_mature_from": date(2026, 5, 20),
    }


def test_readme_states_the_flight_hours_that_are_found_in_the_files() -> None:
    """Each row of its table is computed again here."""
    readme = (FOLDER / "README.md").read_text(encoding="utf-8")
    times, temp, rain = stamps("past.json"), column("past.json", FOUR[0]), column("past.json", FOUR[2])
    wind = column("past.json", FOUR[1])

    for m, hours in monthly_flight_hours().items():
        rows = (month(times) == m) & (year(times) < 2026)
        top = temp[rows].reshape(-1, 24).max(axis=1).mean()
        wet = 100.0 * (rain[rows] >= 0.1).mean()
        row = (
            f"| {MONTHS[m]} | {top:.1f} | {wet:.0f} | {wind[rows].mean():.1f} "
            f"| {hours.mean():.2f} | {hours.min():.2f} to {hours.max():.2f} |"
        )
        assert row in readme


def test_readme_says_that_nothing_in_it_is_real() -> None:
    readme = " ".join((FOLDER / "README.md").read_text(encoding="utf-8").split())

    assert "Nothing in this folder is a real place, a real person or real weather." in readme


# -- the wire format ---------------------------------------------------------------------------------------------


@pytest.mark.parametrize("name", FILES)
def test_envelope_has_the_keys_of_the_wire_format_in_their_order(name: str) -> None:
    content = read(name)

    assert list(content) == [
        "latitude",
        "longitude",
        "generationtime_ms",
        "utc_offset_seconds",
        "timezone",
        "timezone_abbreviation",
        "elevation",
        "hourly_units",
        "hourly",
    ]
    assert (content["latitude"], content["longitude"], content["elevation"]) == (53.2, -1.9, 210.0)
    assert (content["utc_offset_seconds"], content["timezone"]) == (0, "GMT")


@pytest.mark.parametrize("name", FILES)
def test_every_column_has_its_unit_and_as_many_values_as_there_are_stamps(name: str) -> None:
    content = read(name)
    units, hourly = content["hourly_units"], content["hourly"]

    assert list(units) == list(hourly)
    assert units.pop("time") == "unixtime"
    for key, unit in units.items():
        assert unit == UNITS[key.split("_member")[0]]
        assert len(hourly[key]) == len(hourly["time"])
        assert all(isinstance(v, (int, float)) for v in hourly[key])


@pytest.mark.parametrize("name", FILES)
def test_stamps_are_whole_hours_and_strictly_increase(name: str) -> None:
    seconds = np.array(read(name)["hourly"]["time"], dtype=np.int64)

    assert (np.diff(seconds) > 0).all()
    assert (seconds % 3600 == 0).all()


def test_forecast_runs_from_two_days_back_to_sixteen_days_ahead() -> None:
    assert list(read("forecast.json")["hourly"]) == ["time", *UNITS]
    wanted = np.arange(np.datetime64("2026-05-30T00"), np.datetime64("2026-06-17T00"))
    assert np.array_equal(stamps("forecast.json"), wanted)


def test_ensemble_has_a_control_and_fifty_members_over_sixteen_days() -> None:
    wanted = ["time", *(v + suffix for v in FOUR for suffix in SUFFIXES)]
    assert list(read("ensemble.json")["hourly"]) == wanted
    assert members("temperature_2m").shape == (51, 384)
    assert stamps("ensemble.json")[0] == np.datetime64("2026-06-01T00")
    assert len(np.unique(members("temperature_2m"), axis=0)) == 51


def test_past_holds_twenty_seasons_and_this_one_as_far_as_it_was_seen() -> None:
    times = stamps("past.json")

    assert list(read("past.json")["hourly"]) == ["time", *FOUR]
    for y in range(2006, 2026):
        season = times[year(times) == y]
        assert np.array_equal(season, np.arange(np.datetime64(f"{y}-05-01T00"), np.datetime64(f"{y}-09-01T00")))
    seen = times[year(times) == 2026]
    assert np.array_equal(seen, np.arange(np.datetime64("2026-05-01T00"), np.datetime64("2026-06-01T06")))
    assert len(times) == 20 * 123 * 24 + len(seen)


def test_forecast_and_ensemble_begin_with_the_weather_that_was_observed() -> None:
    """The three files tell one story: past days agree, and the first hours of the run nearly so."""
    past, run = stamps("past.json"), stamps("forecast.json")
    both = np.intersect1d(past, run)
    assert len(both) == 54
    before = both < np.datetime64("2026-06-01T01")
    for variable in FOUR:
        seen = column("past.json", variable)[np.isin(past, both)]
        told = column("forecast.json", variable)[np.isin(run, both)]
        assert np.array_equal(seen[before], told[before])
    seen_temp = column("past.json", "temperature_2m")[-6:]
    assert np.abs(members("temperature_2m")[:, :6] - seen_temp).max() < 0.5


# -- believable weather ------------------------------------------------------------------------------------------


@pytest.mark.parametrize("name", FILES)
def test_wind_rain_and_radiation_are_never_negative_and_cloud_stays_within_its_percents(name: str) -> None:
    for key, values in read(name)["hourly"].items():
        if not key.startswith("temperature"):
            assert min(values) >= 0
    assert column("forecast.json", "cloud_cover").max() <= 100


def test_radiation_is_zero_at_night_and_below_the_clear_sky_by_day() -> None:
    """Against pvlib's sun (NREL SPA) and its Haurwitz clear sky (1945), hour by hour over a season."""
    times = stamps("past.json")
    rows = year(times) == 2015
    ghi = column("past.json", "shortwave_radiation")[rows]
    minutes = np.arange(-55, 0, 10).astype("timedelta64[m]")
    at = (times[rows][:, None] + minutes[None, :]).ravel()
    sun = pvlib.solarposition.get_solarposition(pd.DatetimeIndex(at, tz="UTC"), 53.2, -1.9, altitude=210.0)
    elevation = sun["elevation"].to_numpy().reshape(len(ghi), -1)
    clear = pvlib.clearsky.haurwitz(sun["apparent_zenith"])["ghi"].to_numpy().reshape(len(ghi), -1).mean(axis=1)
    night = elevation.max(axis=1) < -1.5

    assert night.sum() > 700
    assert (ghi[night] == 0).all()
    assert (ghi[elevation.min(axis=1) > 5.0] > 0).all()
    assert (ghi <= 1.10 * clear + 15.0).all()


def test_temperature_peaks_in_the_afternoon_and_is_lowest_about_dawn() -> None:
    times, temp = stamps("past.json"), column("past.json", "temperature_2m")
    course = np.array([temp[hour(times) == h].mean() for h in range(24)])

    assert 13 <= course.argmax() <= 16
    assert 3 <= course.argmin() <= 6
    assert 6.0 < course.max() - course.min() < 9.5


def test_afternoons_warm_from_may_to_july_as_in_the_english_midlands() -> None:
    """Asked-for afternoon maxima: May 14 to 15, June 17, July 19.5, August 19 °C; judgement, within 1.5 K."""
    times, temp = stamps("past.json"), column("past.json", "temperature_2m")

    for m, wanted in {5: 14.5, 6: 17.0, 7: 19.5, 8: 19.0}.items():
        rows = (month(times) == m) & (year(times) < 2026)
        assert temp[rows].reshape(-1, 24).max(axis=1).mean() == pytest.approx(wanted, abs=1.5)


def test_an_hour_resembles_the_hour_before_it() -> None:
    """Also when the season's and the day's usual course is taken off, so that it is not the course alone."""
    times, temp = stamps("past.json"), column("past.json", "temperature_2m")
    past = temp[year(times) < 2026].reshape(20, -1)
    anomaly = past - past.mean(axis=0)

    for table in (past, anomaly):
        assert np.corrcoef(table[:, :-1].ravel(), table[:, 1:].ravel())[0, 1] > 0.9


def test_warm_spells_last_for_days_but_not_for_weeks() -> None:
    times, temp = stamps("past.json"), column("past.json", "temperature_2m")
    daily = temp[year(times) < 2026].reshape(20, 123, 24).mean(axis=2)
    anomaly = daily - daily.mean(axis=1, keepdims=True) - (daily.mean(axis=0) - daily.mean())

    def lag(days: int) -> float:
        return float(np.corrcoef(anomaly[:, :-days].ravel(), anomaly[:, days:].ravel())[0, 1])

    assert 0.5 < lag(1) < 0.85
    assert abs(lag(14)) < 0.2


def test_wet_hours_cluster() -> None:
    times = stamps("past.json")
    wet = (column("past.json", "precipitation") >= 0.1)[year(times) < 2026].reshape(20, -1)
    share = wet.mean()
    after_wet = (wet[:, 1:] & wet[:, :-1]).sum() / wet[:, :-1].sum()

    assert 0.08 <= share <= 0.12
    assert after_wet > 3.0 * share


def test_wet_hours_are_cooler_and_dry_sunny_ones_warmer() -> None:
    times, temp = stamps("past.json"), column("past.json", "temperature_2m")
    rain, ghi = column("past.json", "precipitation"), column("past.json", "shortwave_radiation")
    noon = np.isin(hour(times), (12, 13, 14, 15))

    sunny, wet = noon & (rain == 0) & (ghi > 600), noon & (rain >= 0.1)
    assert temp[sunny].mean() > temp[noon].mean() + 0.5
    assert temp[wet].mean() < temp[noon].mean() - 1.5


def test_wind_is_strongest_in_the_afternoon_and_about_four_metres_a_second() -> None:
    times, wind = stamps("past.json"), column("past.json", "wind_speed_10m")
    course = np.array([wind[hour(times) == h].mean() for h in range(24)])

    assert 3.5 < wind.mean() < 4.5
    assert 12 <= course.argmax() <= 16


# -- the story of 2026 -------------------------------------------------------------------------------------------


def test_late_may_is_mild_and_dry() -> None:
    times = stamps("past.json")
    rows = between(times, "2026-05-25", "2026-05-31")

    assert column("past.json", "precipitation")[rows].sum() < 1.0
    assert column("past.json", "temperature_2m")[rows].reshape(7, 24).max(axis=1).mean() > 17.0


def test_forecast_shows_a_cold_breezy_wet_week_with_rain_on_most_afternoons() -> None:
    times = stamps("forecast.json")
    spell = between(times, "2026-06-02", "2026-06-08")
    rain = column("forecast.json", "precipitation")
    afternoons = rain[spell & (hour(times) >= 12) & (hour(times) <= 18)].reshape(7, 7)

    assert 25.0 < rain[spell].sum() < 90.0
    assert ((afternoons >= 0.1).sum(axis=1) >= 2).sum() >= 5
    assert column("forecast.json", "temperature_2m")[spell].reshape(7, 24).max(axis=1).max() < 15.0
    assert column("forecast.json", "wind_speed_10m")[spell].mean() > 5.0


def test_forecast_turns_to_fine_flying_weather_after_the_spell() -> None:
    times = stamps("forecast.json")
    days, hours = daily_flight_hours(times, *(column("forecast.json", v) for v in FOUR))
    fine, spell = between(days, "2026-06-11", "2026-06-15"), between(days, "2026-06-02", "2026-06-08")

    assert column("forecast.json", "precipitation")[between(times, "2026-06-11", "2026-06-15")].sum() < 1.0
    assert hours[spell].max() < 0.2
    assert hours[fine].min() > 2.0


def test_members_part_as_the_lead_grows() -> None:
    """Near zero on the first day, and near the spread of the past years for the date at the end."""
    temp_sd = members("temperature_2m").std(axis=0).reshape(16, 24).mean(axis=1)
    wind_sd = members("wind_speed_10m").std(axis=0).reshape(16, 24).mean(axis=1)
    assert temp_sd[0] < 0.4
    assert temp_sd[1] < temp_sd[5] < temp_sd[12]
    assert wind_sd[0] < 0.4
    assert wind_sd[0] < wind_sd[1] < wind_sd[4]

    times, temp = stamps("past.json"), column("past.json", "temperature_2m")
    june = (month(times) == 6) & (year(times) < 2026)
    usual_sd = temp[june].reshape(20, 30, 24).std(axis=0).mean()
    assert temp_sd[11:14].mean() == pytest.approx(usual_sd, rel=0.25)


def test_members_agree_that_it_turns_wet_and_differ_on_when_it_ends() -> None:
    times = stamps("ensemble.json")
    wet_day = members("precipitation").reshape(51, 16, 24).sum(axis=2) >= 1.0
    days = times.reshape(16, 24)[:, 0].astype("datetime64[D]")

    def share(day: str) -> float:
        return float(wet_day[:, days == np.datetime64(day)].mean())

    assert min(share("2026-06-03"), share("2026-06-04")) > 0.85
    assert 0.25 < share("2026-06-07") < 0.75
    assert 0.10 < share("2026-06-09") < 0.60
    assert share("2026-06-13") < 0.30
    last_wet = np.array([np.flatnonzero(row[:11]).max(initial=0) for row in wet_day])
    assert last_wet.std() > 1.0


@pytest.mark.parametrize(("m", "low", "high"), [(5, 0.4, 0.9), (6, 1.0, 1.6), (7, 1.5, 2.3)])
def test_past_seasons_give_a_believable_number_of_flight_hours(m: int, low: float, high: float) -> None:
    """Mean over 20 seasons of effective hours a day, inside what the sample was asked to have."""
    assert low <= monthly_flight_hours()[m].mean() <= high


def test_past_seasons_hold_good_and_poor_summers() -> None:
    june = monthly_flight_hours()[6]

    assert june.max() > 1.5 * june.mean()
    assert june.min() < 0.5 * june.mean()
