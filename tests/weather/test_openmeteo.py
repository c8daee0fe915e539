"""Answers of Open-Meteo: what a number means, and what is refused."""

from __future__ import annotations

import copy
import json
import os
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from matewindow.errors import WeatherFileError
from matewindow.weather.openmeteo import (
    LICENCE,
    parse_archive,
    parse_ensemble,
    parse_forecast,
    read_archive,
    read_ensemble,
    read_forecast,
)
from tests.weather.payloads import UNITS, answer, iso_times, unix_times, wire, wire_value

if TYPE_CHECKING:
    from matewindow.weather.normal import Weather

RECORDED = os.environ.get("MATEWINDOW_RECORDED_PAYLOADS")
recorded = pytest.mark.skipif(
    not RECORDED, reason="MATEWINDOW_RECORDED_PAYLOADS names no folder: real answers were not read"
)


def at(weather: Weather, name: str, hour: str, member: int = 0) -> float:
    """The value of the hour that starts at this UTC time."""
    values = weather.values(name)
    assert values is not None
    slot = np.flatnonzero(weather.times == np.datetime64(hour, "s"))
    assert len(slot) == 1, f"{hour} is not among {weather.times[0]} .. {weather.times[-1]}"
    return float(values[member, slot[0]])


# --- what a number means: documentation of the service, "instant" or "preceding hour" --------------------


def test_temperature_of_an_hour_is_the_mean_of_the_readings_at_its_two_ends() -> None:
    """Stamped 12:00 -> 12 °C and 13:00 -> 13 °C: the hour from 12 has 12.5. One hour off gives 11.5 or 13.5."""
    assert at(parse_forecast(wire(answer())), "temp_c", "2026-06-01T12") == pytest.approx(12.5)


def test_wind_and_cloud_are_instants_too() -> None:
    weather = parse_forecast(wire(answer()))

    assert at(weather, "wind_ms", "2026-06-01T12") == pytest.approx(1.25)
    assert at(weather, "cloud_frac", "2026-06-01T12") == pytest.approx(0.25)


def test_rain_stamped_13_fell_between_12_and_13() -> None:
    assert at(parse_forecast(wire(answer())), "rain_mm", "2026-06-01T12") == pytest.approx(0.13)


def test_radiation_stamped_13_is_the_mean_from_12_to_13() -> None:
    assert at(parse_forecast(wire(answer())), "ghi_wm2", "2026-06-01T12") == pytest.approx(13.0)


def test_hours_run_from_the_first_to_the_last_with_both_ends_known() -> None:
    """24 stamps make 23 hours: the hour before the first stamp has rain only, and the one from the last stamp nothing."""
    times = parse_forecast(wire(answer())).times

    assert (str(times[0]), str(times[-1]), len(times)) == ("2026-06-01T00:00:00", "2026-06-01T22:00:00", 23)


def test_hours_past_the_horizon_of_the_run_are_cut_off() -> None:
    """A run that ends early comes with nulls behind it."""
    payload = answer()
    for variable in UNITS:
        payload["hourly"][variable][18:] = [None] * 6

    assert str(parse_forecast(wire(payload)).times[-1]) == "2026-06-01T16:00:00"


def test_local_times_are_off_by_one_fixed_offset_even_where_the_clocks_change() -> None:
    """New York, across 2026-03-08 where the clocks went forward at 07:00 UTC: the service keeps -5 h throughout."""
    payload = answer(start="2026-03-07T12:00", n_rows=48)
    payload["utc_offset_seconds"] = -18000

    weather = parse_forecast(wire(payload))

    assert at(weather, "temp_c", "2026-03-07T17") == pytest.approx(0.5)
    assert at(weather, "temp_c", "2026-03-08T17") == pytest.approx(24.5)
    assert len(weather.times) == 47


def test_epoch_times_are_utc_whatever_the_offset_says() -> None:
    payload = answer()
    payload["utc_offset_seconds"] = 7200
    weather = parse_forecast(wire(unix_times(payload)))

    assert str(weather.times[0]) == "2026-05-31T22:00:00"
    assert parse_forecast(wire(payload)).frame.equals(weather.frame)


@pytest.mark.parametrize(
    ("unit", "one_ms"),
    [("m/s", 1.0), ("km/h", 3.6), ("mp/h", 2.2369363), ("mph", 2.2369363), ("kn", 1.9438445)],
)
def test_wind_is_converted_from_the_stated_unit(unit: str, one_ms: float) -> None:
    """1 m/s = 3.6 km/h = 2.2369363 mph = 1.9438445 kn: NIST SP 811, appendix B.8 (rounded)."""
    payload = answer()
    payload["hourly_units"]["wind_speed_10m"] = unit
    payload["hourly"]["wind_speed_10m"] = [5 * one_ms] * 24

    assert at(parse_forecast(wire(payload)), "wind_ms", "2026-06-01T12") == pytest.approx(5.0, rel=1e-7)


def test_null_is_missing_and_spoils_the_two_hours_it_ends() -> None:
    payload = answer()
    payload["hourly"]["temperature_2m"][12] = None
    payload["hourly"]["precipitation"][12] = None
    weather = parse_forecast(wire(payload))

    temp, rain = weather.values("temp_c"), weather.values("rain_mm")
    assert temp is not None
    assert rain is not None
    assert np.flatnonzero(np.isnan(temp[0])).tolist() == [11, 12]
    assert np.flatnonzero(np.isnan(rain[0])).tolist() == [11]


def test_a_little_below_zero_at_night_is_no_radiation() -> None:
    """-0.2 W/m² has been seen in answers; it is clipped, not refused."""
    payload = answer()
    payload["hourly"]["shortwave_radiation"][3] = -0.2

    assert at(parse_forecast(wire(payload)), "ghi_wm2", "2026-06-01T02") == 0.0


def test_other_columns_are_passed_over() -> None:
    """None of these is the rain, the radiation, the cloud or the temperature itself."""
    plain = parse_forecast(wire(answer()))
    payload = answer()
    for key in (
        "precipitation_probability",
        "shortwave_radiation_instant",
        "cloud_cover_low",
        "temperature_2m_previous_day1",
        "wind_speed_10m_previous_day1",
        "temperature_2m_spread",
        "wind_speed_10m_spread",
        "is_day",
        "weather_code",
    ):
        payload["hourly"][key] = [99] * 24
        payload["hourly_units"][key] = "undefined"
    payload["daily"] = {"time": "whatever"}

    assert parse_forecast(wire(payload)).frame.equals(plain.frame)
    assert parse_forecast(wire(payload)).provenance.model is None


def test_provenance_says_where_it_came_from() -> None:
    provenance = parse_forecast(wire(answer()), file="saved.json").provenance

    assert (provenance.source, provenance.kind, provenance.file) == ("Open-Meteo", "forecast", "saved.json")
    assert provenance.licence == LICENCE == "Weather data by Open-Meteo.com (CC BY 4.0)"
    assert (provenance.latitude, provenance.longitude, provenance.elevation_m) == (51.5, -0.12, 21.0)
    assert (provenance.native_step_h, provenance.model, provenance.notes) == (1.0, None, ())


def test_an_answer_without_elevation_is_fine() -> None:
    payload = answer()
    del payload["elevation"]

    assert parse_forecast(wire(payload)).provenance.elevation_m is None


def test_a_list_of_one_place_is_that_place() -> None:
    assert parse_forecast(wire([answer()])).frame.equals(parse_forecast(wire(answer())).frame)


def test_rain_and_light_may_be_absent() -> None:
    weather = parse_forecast(wire(answer(variables=("temperature_2m", "wind_speed_10m"))))

    assert list(weather.frame.columns) == ["temp_c", "wind_ms"]
    assert str(weather.times[0]) == "2026-06-01T00:00:00"


@pytest.mark.parametrize("unit", ["undefined", "mm"])
def test_a_variable_that_the_model_lacks_is_left_out_and_said_so(unit: str) -> None:
    payload = answer()
    payload["hourly"]["precipitation"] = [None] * 24
    payload["hourly_units"]["precipitation"] = unit
    weather = parse_forecast(wire(payload))

    assert weather.values("rain_mm") is None
    assert weather.provenance.notes == ("precipitation holds no value and was left out",)


def test_numbers_under_the_unit_undefined_are_not_believed() -> None:
    payload = answer()
    payload["hourly_units"]["cloud_cover"] = "undefined"

    assert parse_forecast(wire(payload)).values("cloud_frac") is None


def test_the_suffix_of_the_only_model_is_its_name() -> None:
    weather = parse_forecast(wire(answer(model="icon_seamless")))

    assert weather.provenance.model == "icon_seamless"
    assert weather.frame.equals(parse_forecast(wire(answer())).frame)


# --- ensembles --------------------------------------------------------------------------------------------


def test_members_are_the_control_and_the_numbered_columns() -> None:
    weather = parse_ensemble(wire(answer(members=3)))

    assert weather.n_members == 3
    assert weather.provenance.kind == "ensemble"
    assert [at(weather, "temp_c", "2026-06-01T12", m) for m in range(3)] == pytest.approx([12.5, 13.5, 14.5])
    assert [at(weather, "rain_mm", "2026-06-01T12", m) for m in range(3)] == pytest.approx([0.13, 1.13, 2.13])


def test_members_are_put_in_the_order_of_their_numbers() -> None:
    payload = answer(members=12)
    payload["hourly"] = dict(sorted(payload["hourly"].items(), key=lambda item: item[0], reverse=True))
    weather = parse_ensemble(wire(payload))

    expected = [wire_value("temperature_2m", 0, m) + 0.5 for m in range(12)]
    assert [at(weather, "temp_c", "2026-06-01T00", m) for m in range(12)] == pytest.approx(expected)


def test_members_carry_the_model_behind_their_number() -> None:
    weather = parse_ensemble(wire(answer(members=4, model="icon_seamless_eps")))

    assert (weather.n_members, weather.provenance.model) == (4, "icon_seamless_eps")


def test_one_column_for_all_members_such_as_daylight_changes_nothing() -> None:
    payload = answer(members=3)
    payload["hourly"]["is_day"] = [1] * 24

    assert parse_ensemble(wire(payload)).n_members == 3


def test_a_member_without_wind_is_dropped_and_counted() -> None:
    payload = answer(members=4)
    payload["hourly"]["wind_speed_10m_member02"] = [None] * 24
    payload["hourly_units"]["wind_speed_10m_member02"] = "undefined"
    weather = parse_ensemble(wire(payload))

    assert [at(weather, "temp_c", "2026-06-01T12", m) for m in range(3)] == pytest.approx([12.5, 13.5, 15.5])
    assert weather.provenance.notes == ("1 of 4 members lack a variable and were left out",)


def test_a_member_without_rain_is_dropped_if_most_have_it() -> None:
    """Otherwise that member would be one without rain, or all would be without."""
    payload = answer(members=4)
    del payload["hourly"]["precipitation_member01"]
    weather = parse_ensemble(wire(payload))

    assert [at(weather, "rain_mm", "2026-06-01T12", m) for m in range(3)] == pytest.approx([0.13, 2.13, 3.13])
    assert weather.provenance.notes == ("1 of 4 members lack a variable and were left out",)


def test_radiation_of_the_control_alone_is_left_out_and_the_members_stay() -> None:
    payload = answer(members=4)
    for member in (1, 2, 3):
        payload["hourly"][f"shortwave_radiation_member{member:02d}"] = [None] * 24
    weather = parse_ensemble(wire(payload))

    assert (weather.n_members, weather.values("ghi_wm2")) == (4, None)
    assert weather.provenance.notes == ("shortwave_radiation holds no value in 3 of 4 members and was left out",)


def test_a_member_that_lacks_one_hour_keeps_the_others() -> None:
    payload = answer(members=2)
    payload["hourly"]["temperature_2m_member01"][5] = None
    weather = parse_ensemble(wire(payload))

    assert np.isnan(at(weather, "temp_c", "2026-06-01T05", 1))
    assert at(weather, "temp_c", "2026-06-01T05", 0) == pytest.approx(5.5)


# --- the archive ------------------------------------------------------------------------------------------


def seasons(*years: int) -> dict[str, Any]:
    """One day of several years in one answer, as for repeated start and end dates."""
    payload = answer()
    payload["hourly"] = {key: values * len(years) for key, values in payload["hourly"].items()}
    payload["hourly"]["time"] = [t for year in years for t in iso_times(f"{year}-06-01T00:00")]
    return payload


def test_what_lies_between_two_seasons_is_missing() -> None:
    weather = parse_archive(wire(seasons(2023, 2024)))

    assert weather.provenance.kind == "analysis"
    assert at(weather, "temp_c", "2023-06-01T12") == at(weather, "temp_c", "2024-06-01T12") == 12.5
    assert np.isnan(at(weather, "temp_c", "2023-12-24T12"))
    assert len(weather.times) == 366 * 24 + 23
    assert weather.provenance.notes == ("8760 hours are absent from the file and count as missing",)


def test_no_hour_is_made_from_the_two_sides_of_a_gap() -> None:
    """The hour from the last stamp of a season has one end only; the rain before the next season's first stamp is known."""
    weather = parse_archive(wire(seasons(2023, 2024)))

    assert np.isnan(at(weather, "temp_c", "2023-06-01T23"))
    assert np.isnan(at(weather, "rain_mm", "2023-06-01T23"))
    assert at(weather, "rain_mm", "2024-05-31T23") == 0.0


# --- what is refused --------------------------------------------------------------------------------------


def hourly(column: str, row: int, value: object) -> dict[str, Any]:
    payload = answer()
    payload["hourly"][column][row] = value
    return payload


def with_unit(column: str, unit: object) -> dict[str, Any]:
    payload = answer()
    payload["hourly_units"][column] = unit
    return payload


def without(*path: str) -> dict[str, Any]:
    payload = answer()
    inside = payload
    for key in path[:-1]:
        inside = inside[key]
    del inside[path[-1]]
    return payload


def with_times(times: list[Any], unit: str = "iso8601") -> dict[str, Any]:
    payload = answer(n_rows=len(times))
    payload["hourly"]["time"] = times
    payload["hourly_units"]["time"] = unit
    return payload


def with_key(key: str, value: object) -> dict[str, Any]:
    return answer() | {key: value}


def two_models() -> dict[str, Any]:
    payload, other = answer(model="icon_seamless"), answer(model="gfs_seamless")
    payload["hourly"] |= other["hourly"]
    payload["hourly_units"] |= other["hourly_units"]
    return payload


def split_models() -> dict[str, Any]:
    payload = answer(model="icon_seamless", variables=("temperature_2m",))
    payload["hourly"] |= answer(model="gfs_seamless", variables=("wind_speed_10m",))["hourly"]
    return payload


def all_null(column: str) -> dict[str, Any]:
    payload = with_unit(column, "undefined")
    payload["hourly"][column] = [None] * 24
    return payload


def column_of(column: str, values: object) -> dict[str, Any]:
    payload = answer()
    payload["hourly"][column] = values
    return payload


def one_reading_in_two() -> dict[str, Any]:
    payload = answer()
    payload["hourly"]["temperature_2m"][::2] = [None] * 12
    return payload


WHOLE = wire(answer())
DOUBLED = [*iso_times(n_rows=12), *iso_times("2026-06-01T11:00", n_rows=12)]
BACKWARDS = [*iso_times(n_rows=12), *iso_times("2026-05-30T12:00", n_rows=12)]

# (text, words that the error must have)
REFUSED: dict[str, tuple[str, list[str]]] = {
    "an empty file": ("", ["it is empty", "Fetch it again"]),
    "blanks": (" \n\t ", ["it is empty"]),
    "a web page": ("<!doctype html><html>502 Bad Gateway</html>", ["web page"]),
    "prose": ("The service is overloaded", ["no whole JSON document"]),
    "an answer cut short": (WHOLE[: len(WHOLE) // 2], ["no whole JSON document", "broken off"]),
    "an error at the end of the stream": (
        WHOLE[:-40] + "Unexpected error while streaming data: timeoutReached",
        ["the download broke off", "Unexpected error while streaming data", "Fetch it again"],
    ),
    "an error behind the whole answer": (
        WHOLE + "Unexpected error while streaming data: timeoutReached",
        ["the download broke off"],
    ),
    "other text behind the answer": (WHOLE + "}", ["no whole JSON document", "Extra data"]),
    "the service's own error": (
        wire({"error": True, "reason": "Minutely API request limit exceeded. Please try again in one minute."}),
        ['the service refused: "Minutely API request limit exceeded', "fetch it again"],
    ),
    "an error without a reason": (wire({"error": True}), ["the service refused"]),
    "a number": ("42", ["no answer of the service"]),
    "null": ("null", ["no answer of the service"]),
    "several places": (wire([answer(), answer()]), ["2 places", "one latitude"]),
    "an empty list": ("[]", ["0 places"]),
    "a list in a list": ("[[]]", ["no answer of the service"]),
    "deep nesting": ("[" * 100_000, ["no whole JSON document"]),
    "no hourly block": (
        wire(without("hourly")),
        ['no "hourly" block', "hourly=temperature_2m,wind_speed_10m"],
    ),
    "a list for the hourly block": (wire(with_key("hourly", [])), ['no "hourly" block']),
    "no units": (wire(without("hourly_units")), ['no "hourly_units" block']),
    "no latitude": (wire(without("latitude")), ["latitude is missing"]),
    "no longitude": (wire(without("longitude")), ["longitude is missing"]),
    "a latitude in words": (wire(with_key("latitude", "51.5")), ["latitude cannot be '51.5'"]),
    "a latitude off the globe": (wire(with_key("latitude", 151.5)), ["latitude cannot be 151.5"]),
    "a true latitude": (wire(answer() | {"latitude": True}), ["latitude cannot be True"]),
    "no times": (wire(without("hourly", "time")), ["column time", "no list of time stamp(s)"]),
    "one time": (wire(answer(n_rows=1)), ["column time", "1 time stamp(s)"]),
    "no unit of time": (wire(without("hourly_units", "time")), ["column time", "unit is not stated"]),
    "another unit of time": (wire(with_unit("time", "julian")), ["column time", "'julian'", "unixtime"]),
    "no offset for local times": (wire(without("utc_offset_seconds")), ["utc_offset_seconds", "None"]),
    "an offset in words": (wire(with_key("utc_offset_seconds", "0")), ["utc_offset_seconds", "'0'"]),
    "an offset of days": (wire(with_key("utc_offset_seconds", 360000)), ["utc_offset_seconds"]),
    "an offset with half an hour": (
        wire(with_key("utc_offset_seconds", 19800)),
        ["utc_offset_seconds 19800", "off the full hour", "timezone=GMT"],
    ),
    "a time with seconds": (wire(hourly("time", 3, "2026-06-01T03:00:00")), ["column time", "row 4"]),
    "a time with a blank": (wire(hourly("time", 3, "2026-06-01 03:00")), ["column time", "row 4"]),
    "a time of other digits": (wire(hourly("time", 3, "２026-06-01T03:00")), ["column time", "row 4"]),
    "a month 13": (wire(hourly("time", 23, "2026-13-01T23:00")), ["row 24", "2026-13-01T23:00"]),
    "an hour 24": (wire(hourly("time", 23, "2026-06-01T24:00")), ["row 24", "2026-06-01T24:00"]),
    "a year 9999": (wire(hourly("time", 23, "9999-06-01T23:00")), ["row 24"]),
    "a year 0": (wire(hourly("time", 0, "0000-06-01T23:00")), ["row 1"]),
    "now": (wire(hourly("time", 2, "now")), ["row 3", "'now'"]),
    "a null among the times": (wire(hourly("time", 2, None)), ["row 3", "None"]),
    "a number among the times": (wire(hourly("time", 2, 1780272000)), ["row 3"]),
    "words among epoch times": (
        wire(with_times([1780272000, "2026-06-01T01:00"], "unixtime")),
        ["row 2", "no time in epoch seconds"],
    ),
    "epoch times in ms": (
        wire(with_times([1780272000000 + 3600000 * i for i in range(24)], "unixtime")),
        ["row 1", "no time in epoch seconds"],
    ),
    "broken epoch times": (wire(with_times([1780272000.5, 1780275600.5], "unixtime")), ["row 1"]),
    "epoch times that are huge": (wire(with_times([0, 10**30], "unixtime")), ["row 2"]),
    "a doubled time": (wire(with_times(DOUBLED)), ["column time", "row 13", "2026-06-01T11:00", "twice"]),
    "times running backwards": (wire(with_times(BACKWARDS)), ["column time", "row 13", "backwards"]),
    "half hours": (wire(hourly("time", 4, "2026-06-01T04:30")), ["row 5", "not on the hour"]),
    "steps of 3 h": (
        wire(with_times(iso_times(step_h=3))),
        ["row 2", "3 h after", "hourly steps are needed"],
    ),
    "steps of 6 h": (
        wire(with_times(iso_times(step_h=6))),
        ["row 2", "6 h after", "hourly steps are needed"],
    ),
    "steps of a day": (wire(with_times(iso_times(step_h=24))), ["row 2", "24 h after"]),
    "steps that grow to 3 h": (
        wire(with_times([*iso_times(n_rows=12), *iso_times("2026-06-01T14:00", n_rows=12, step_h=3)])),
        ["row 13", "3 h after"],
    ),
    "no temperature": (wire(without("hourly", "temperature_2m")), ["no column temperature_2m", "hourly="]),
    "no wind": (wire(without("hourly", "wind_speed_10m")), ["no column wind_speed_10m"]),
    "temperature without any value": (
        wire(all_null("temperature_2m")),
        ["temperature_2m holds no value at all"],
    ),
    "wind without any value": (wire(all_null("wind_speed_10m")), ["wind_speed_10m holds no value at all"]),
    "temperature at every other stamp": (wire(one_reading_in_two()), ["no hour has temperature and wind"]),
    "two models": (wire(two_models()), ["several models: icon_seamless, gfs_seamless", "one model"]),
    "half a model each": (wire(split_models()), ["no model gives both temperature and wind"]),
    "an ensemble": (wire(answer(members=3)), ["members of an ensemble"]),
    "Fahrenheit": (
        wire(with_unit("temperature_2m", "°F")),
        ["column temperature_2m", "'°F'", "temperature_unit=celsius"],
    ),
    "inches": (wire(with_unit("precipitation", "inch")), ["column precipitation", "precipitation_unit=mm"]),
    "an unknown wind unit": (
        wire(with_unit("wind_speed_10m", "bft")),
        ["'bft'", "km/h", "wind_speed_unit=ms"],
    ),
    "radiation in other units": (
        wire(with_unit("shortwave_radiation", "MJ/m²")),
        ["shortwave_radiation", "MJ/m²"],
    ),
    "cloud in octas": (wire(with_unit("cloud_cover", "okta")), ["column cloud_cover", "okta"]),
    "a column without a unit": (
        wire(without("hourly_units", "temperature_2m")),
        ["column temperature_2m", "unit is not stated"],
    ),
    "a unit that is a number": (wire(with_unit("temperature_2m", 3)), ["column temperature_2m", "unit is 3"]),
    "a column too short": (
        wire(column_of("precipitation", [0.0])),
        ["column precipitation", "1 values for 24 times"],
    ),
    "a column that is no list": (wire(column_of("precipitation", 0.0)), ["column precipitation", "no list"]),
    "words among numbers": (
        wire(hourly("temperature_2m", 7, "19.5")),
        ["column temperature_2m", "'19.5' in row 8 is no number"],
    ),
    "true among numbers": (
        wire(column_of("temperature_2m", [*[1.5] * 7, True, *[1.5] * 16])),
        ["True in row 8"],
    ),
    "a list among numbers": (wire(hourly("temperature_2m", 7, [1.0])), ["a list in row 8"]),
    "NaN": (
        wire(hourly("temperature_2m", 7, float("nan"))),
        ["no whole JSON document", "NaN is no JSON number"],
    ),
    "Infinity": (wire(hourly("temperature_2m", 7, float("inf"))), ["Infinity is no JSON number"]),
    "a number beyond floating point": (
        WHOLE.replace('"temperature_2m": [0,', '"temperature_2m": [1e999,'),
        ["column temperature_2m", "inf °C in row 1"],
    ),
    "a number of 400 digits": (
        wire(hourly("temperature_2m", 7, 10**400)),
        ["column temperature_2m", "hundreds of digits"],
    ),
    "an impossible temperature": (
        wire(hourly("temperature_2m", 7, 290.0)),
        ["column temperature_2m", "290.0 °C in row 8 (2026-06-01T07:00:00Z) is impossible"],
    ),
    "a negative wind": (wire(hourly("wind_speed_10m", 7, -1.0)), ["column wind_speed_10m", "row 8"]),
    "negative rain": (wire(hourly("precipitation", 7, -0.1)), ["column precipitation", "row 8"]),
    "cloud over 100 %": (wire(hourly("cloud_cover", 7, 101)), ["column cloud_cover", "101 % in row 8"]),
}


@pytest.mark.parametrize("what", list(REFUSED))
def test_refuses_and_names_the_file(what: str) -> None:
    text, words = REFUSED[what]
    with pytest.raises(WeatherFileError) as caught:
        parse_forecast(text, file="saved.json")

    message = str(caught.value)
    assert message.startswith("saved.json")
    for word in words:
        assert word in message
    assert caught.value.fix


def test_an_ensemble_without_members_is_refused() -> None:
    with pytest.raises(WeatherFileError, match=r"no members .*as a forecast"):
        parse_ensemble(wire(answer()))


def test_an_ensemble_in_which_no_member_is_whole_is_refused() -> None:
    payload = answer(members=2)
    payload["hourly"]["temperature_2m"] = payload["hourly"]["wind_speed_10m_member01"] = [None] * 24
    with pytest.raises(WeatherFileError, match="no member has both"):
        parse_ensemble(wire(payload))


def test_an_archive_of_members_is_refused() -> None:
    with pytest.raises(WeatherFileError, match="members of an ensemble"):
        parse_archive(wire(answer(members=2)))


def test_without_a_file_the_error_names_the_service() -> None:
    with pytest.raises(WeatherFileError, match="Open-Meteo answer"):
        parse_archive("")


# --- files ------------------------------------------------------------------------------------------------


def test_reads_from_a_file_what_it_parses_from_its_text(tmp_path: Path) -> None:
    single, several = tmp_path / "single.json", tmp_path / "several.json"
    single.write_text(wire(answer()), encoding="utf-8")
    several.write_text(wire(answer(members=3)), encoding="utf-8-sig")

    assert read_forecast(single).frame.equals(parse_forecast(wire(answer())).frame)
    assert read_archive(single).provenance.kind == "analysis"
    assert read_ensemble(several).n_members == 3
    assert read_forecast(single).provenance.file == str(single)


def test_a_file_that_is_not_there_is_named(tmp_path: Path) -> None:
    with pytest.raises(WeatherFileError, match=r"absent\.json: there is no such file"):
        read_forecast(tmp_path / "absent.json")


def test_a_folder_is_no_file(tmp_path: Path) -> None:
    with pytest.raises(WeatherFileError, match="cannot be read"):
        read_archive(tmp_path)


def test_a_name_that_no_file_can_have_is_refused() -> None:
    with pytest.raises(WeatherFileError, match="cannot be read"):
        read_archive("a\0b")


# --- anything at all --------------------------------------------------------------------------------------

PARSERS = [parse_forecast, parse_ensemble, parse_archive]


def refuses_or_reads(text: str) -> None:
    """Nothing but weather or a WeatherFileError comes out; any other exception fails the test."""
    for parse in PARSERS:
        try:
            weather = parse(text)
        except WeatherFileError:
            continue
        assert len(weather.times) > 0


@given(st.text())
def test_any_text_is_read_or_refused(text: str) -> None:
    refuses_or_reads(text)


json_scraps = st.recursive(
    st.none()
    | st.booleans()
    | st.integers(-(10**20), 10**20)
    | st.floats(allow_nan=False, allow_infinity=False)
    | st.text(max_size=20)
    | st.sampled_from(["2026-06-01T05:00", "undefined", "°C", "unixtime", "iso8601"]),
    lambda inner: st.lists(inner, max_size=4) | st.dictionaries(st.text(max_size=5), inner, max_size=3),
    max_leaves=8,
)


@given(st.data())
def test_an_answer_with_one_thing_changed_is_read_or_refused(data: st.DataObject) -> None:
    payload = copy.deepcopy(answer(members=data.draw(st.sampled_from([1, 2])), n_rows=5))
    inside: Any = payload
    while True:
        place = data.draw(st.sampled_from(range(len(inside)) if isinstance(inside, list) else sorted(inside)))
        deeper = inside[place]
        if not isinstance(deeper, dict | list) or data.draw(st.booleans()):
            inside[place] = data.draw(json_scraps)
            break
        inside = deeper
    refuses_or_reads(wire(payload))


@given(st.data())
def test_an_answer_with_some_text_changed_is_read_or_refused(data: st.DataObject) -> None:
    text = wire(answer(n_rows=5))
    start = data.draw(st.integers(0, len(text)))
    end = data.draw(st.integers(start, min(len(text), start + 30)))
    refuses_or_reads(text[:start] + data.draw(st.text(max_size=10)) + text[end:])


@given(st.lists(st.from_regex(r"[0-9]{4}-[01][0-9]-[0-3][0-9]T[0-2][0-9]:00", fullmatch=True), min_size=2, max_size=3))
def test_the_fast_reading_of_times_agrees_with_the_slow_one(times: list[str]) -> None:
    """The whole column at once or row by row: the same stamps are refused."""
    refuses_or_reads(wire(with_times(list(times))))


@settings(max_examples=50)
@given(raw=st.binary())
def test_any_bytes_in_a_file_are_read_or_refused(tmp_path_factory: pytest.TempPathFactory, raw: bytes) -> None:
    path = tmp_path_factory.getbasetemp() / "bytes.json"
    path.write_bytes(raw)
    for read in (read_forecast, read_ensemble, read_archive):
        with pytest.raises(WeatherFileError):
            read(path)


# --- recorded answers -------------------------------------------------------------------------------------


@recorded
def test_reads_a_recorded_forecast_in_local_time_and_kmh() -> None:
    """New York, 2026-02-06: 168 local stamps at UTC-5, °C, mm, km/h; no radiation and no cloud in it."""
    path = Path(str(RECORDED)) / "openmeteo_forecast_nyc_2026-02-06.json"
    raw = json.loads(path.read_text(encoding="utf-8"))["hourly"]
    weather = read_forecast(path)

    assert (str(weather.times[0]), len(weather.times)) == ("2026-02-06T05:00:00", 167)
    assert list(weather.frame.columns) == ["temp_c", "wind_ms", "rain_mm"]
    wind, rain = weather.values("wind_ms"), weather.values("rain_mm")
    assert wind is not None
    assert rain is not None
    assert wind[0] == pytest.approx((np.array(raw["wind_speed_10m"][:-1]) + raw["wind_speed_10m"][1:]) / 7.2)
    assert rain[0] == pytest.approx(raw["precipitation"][1:])


@recorded
def test_a_recorded_ensemble_without_wind_is_refused_with_what_to_ask_for() -> None:
    """21 members of temperature at 2 m and 850 hPa, and no wind."""
    path = Path(str(RECORDED)) / "openmeteo_ensemble_2026-10-03.json"
    with pytest.raises(WeatherFileError, match=r"no column wind_speed_10m.*hourly=temperature_2m,wind_speed_10m"):
        read_ensemble(path)


@recorded
def test_a_recorded_ensemble_with_wind_added_has_21_members(tmp_path: Path) -> None:
    payload = json.loads((Path(str(RECORDED)) / "openmeteo_ensemble_2026-10-03.json").read_text(encoding="utf-8"))
    for key in [k for k in payload["hourly"] if k.startswith("temperature_2m")]:
        wind = key.replace("temperature_2m", "wind_speed_10m")
        payload["hourly"][wind], payload["hourly_units"][wind] = [2.0, 4.0], "m/s"
    weather = parse_ensemble(wire(payload))

    assert weather.n_members == 21
    assert at(weather, "wind_ms", "2026-10-03T00", 20) == 3.0
    assert at(weather, "temp_c", "2026-10-03T00", 20) == pytest.approx((11.1 + 10.8) / 2)


@recorded
def test_a_recorded_answer_of_previous_runs_is_refused_for_want_of_wind() -> None:
    with pytest.raises(WeatherFileError, match="no column wind_speed_10m"):
        read_forecast(Path(str(RECORDED)) / "openmeteo_previous_runs_2026-10-02.json")
