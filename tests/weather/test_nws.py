"""Raw grid forecasts of the US National Weather Service: what a number means, and what is refused.

The answers are invented, in the wire format: from 2026-06-01T06 UTC on.

=========================  ======================================================
temperature                h / 2 °C in hour h for 12 hours, then 20 °C for 18 h
windSpeed                  3.6 (h + 1) km/h for 6 hours, then 18 km/h for 24 h
skyCover                   40 % for 30 hours
quantitativePrecipitation  1 mm in 3 h, 6 mm in 6 h, 0 in 6 h, 12 mm in 6 h, 2 mm in 9 h
=========================  ======================================================
"""

from __future__ import annotations

import copy
import json
import os
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from matewindow.errors import WeatherFileError
from matewindow.weather.nws import (
    LICENCE,
    NwsPoint,
    _duration_s,
    parse_gridpoints,
    parse_points,
    read_gridpoints,
)
from matewindow.weather.steps import NO_RECORD, WetHours

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from matewindow.weather.normal import Weather

    Floats = NDArray[np.float64]

RECORDED = os.environ.get("MATEWINDOW_RECORDED_PAYLOADS")
recorded = pytest.mark.skipif(
    not RECORDED, reason="MATEWINDOW_RECORDED_PAYLOADS names no folder: real answers were not read"
)
START = np.datetime64("2026-06-01T06", "h")


def value(h: int, duration: str, number: float | None) -> dict[str, Any]:
    return {"validTime": f"{START + np.timedelta64(h, 'h')}:00:00+00:00/{duration}", "value": number}


def answer() -> dict[str, Any]:
    """A raw grid forecast. Change it, then ``wire`` it."""
    return {
        "type": "Feature",
        "geometry": {
            "type": "Polygon",
            "coordinates": [[[-85.01, 30.01], [-85.01, 29.99], [-84.99, 29.99], [-84.99, 30.01], [-85.01, 30.01]]],
        },
        "properties": {
            "updateTime": "2026-06-01T09:15:41+00:00",
            "validTimes": "2026-06-01T06:00:00+00:00/P7DT14H",
            "elevation": {"unitCode": "wmoUnit:m", "value": 20.1168},
            "gridId": "TAE",
            "temperature": {
                "uom": "wmoUnit:degC",
                "values": [*(value(h, "PT1H", h / 2) for h in range(12)), value(12, "PT18H", 20)],
            },
            "windSpeed": {
                "uom": "wmoUnit:km_h-1",
                "values": [*(value(h, "PT1H", 3.6 * (h + 1)) for h in range(6)), value(6, "P1D", 18)],
            },
            "skyCover": {"uom": "wmoUnit:percent", "values": [value(0, "P1DT6H", 40)]},
            "quantitativePrecipitation": {
                "uom": "wmoUnit:mm",
                "values": [
                    value(0, "PT3H", 1.0),
                    value(3, "PT6H", 6.0),
                    value(9, "PT6H", 0),
                    value(15, "PT6H", 12.0),
                    value(21, "PT9H", 2.0),
                ],
            },
            "probabilityOfPrecipitation": {"uom": "wmoUnit:percent", "values": [value(0, "PT12H", 80)]},
            "pressure": {"values": []},
            "hazards": {"values": [{"validTime": "2026-06-01T06:00:00+00:00/PT7H", "value": [{"phenomenon": "WI"}]}]},
        },
    }


def layer(payload: dict[str, Any], name: str) -> dict[str, Any]:
    found: dict[str, Any] = payload["properties"][name]
    return found


def wire(payload: object) -> str:
    return json.dumps(payload, ensure_ascii=False)


def values(weather: Weather, name: str) -> Floats:
    found = weather.values(name)
    assert found is not None
    first: Floats = found[0]
    return first


def all_in_hour(number: int) -> WetHours:
    """A table in which all rain of a step falls in one of its hours, or in the last if it is shorter."""
    tables = {}
    for length in (3, 6, 9):
        shares = np.zeros((1, length))
        shares[0, min(number, length - 1)] = 1.0
        tables[length] = [(shares, np.ones(1))] * 9
    return WetHours(None, tables)


# --- what a number means: weather-gov/api, gridpoints.md and issues 21, 69, 134 ------------------------------------


def test_a_temperature_is_that_of_the_hours_in_its_interval() -> None:
    """Hour 5 begins at 11 UTC and has 2.5 °C; one hour off would give 2 or 3."""
    temp = values(parse_gridpoints(wire(answer())), "temp_c")

    assert temp[:12] == pytest.approx(np.arange(12) / 2)
    assert temp[5] == pytest.approx(2.5)


def test_a_value_that_stands_for_eighteen_hours_is_repeated_for_each() -> None:
    weather = parse_gridpoints(wire(answer()))

    assert values(weather, "temp_c")[12:].tolist() == [20.0] * 18
    assert values(weather, "cloud_frac").tolist() == [0.4] * 30


def test_wind_is_read_in_km_per_hour_and_may_last_a_day() -> None:
    """3.6 km/h = 1 m/s, exactly."""
    wind = values(parse_gridpoints(wire(answer())), "wind_ms")

    assert wind == pytest.approx([1, 2, 3, 4, 5, 6, *[5] * 24])


@pytest.mark.parametrize("number", [0, 8])
def test_rain_is_the_total_of_its_interval_placed_within_it(number: int) -> None:
    """All in the first hour (0, 3, 15, 21) or in the last (2, 8, 20, 29): one hour off would leave the interval."""
    rain = values(parse_gridpoints(wire(answer()), table=all_in_hour(number)), "rain_mm")

    hours = [0, 3, 15, 21] if number == 0 else [2, 8, 20, 29]
    assert np.flatnonzero(rain > 0).tolist() == hours
    assert rain[hours].tolist() == [1.0, 6.0, 12.0, 2.0]


def test_rain_is_never_repeated() -> None:
    rain = values(parse_gridpoints(wire(answer())), "rain_mm")

    assert rain.sum() == pytest.approx(21.0)
    assert (rain[9:15] == 0).all()


def test_hours_run_from_the_first_to_the_last_with_temperature_and_wind() -> None:
    payload = answer()
    layer(payload, "temperature")["values"].pop(0)
    layer(payload, "windSpeed")["values"][-1]["validTime"] = value(6, "PT20H", None)["validTime"]
    weather = parse_gridpoints(wire(payload))

    assert (str(weather.times[0]), str(weather.times[-1])) == ("2026-06-01T07:00:00", "2026-06-02T07:00:00")
    assert values(weather, "rain_mm")[20:26].sum() <= 2.0


def test_a_first_interval_that_was_cut_lines_up() -> None:
    """Rain from 03 UTC on in a forecast that begins at 06: what fell before belongs to no hour of it."""
    payload = answer()
    first = layer(payload, "quantitativePrecipitation")["values"]
    first[0] = value(-3, "PT6H", 8.0)
    early = values(parse_gridpoints(wire(payload), table=all_in_hour(2)), "rain_mm")
    late = values(parse_gridpoints(wire(payload), table=all_in_hour(3)), "rain_mm")

    assert early[:3].tolist() == [0.0, 0.0, 0.0]
    assert late[:3].tolist() == [8.0, 0.0, 0.0]


def test_a_time_with_another_offset_is_that_moment() -> None:
    payload = answer()
    for entry in layer(payload, "skyCover")["values"]:
        entry["validTime"] = "2026-06-01T05:00:00-05:00/PT1H"
    cloud = values(parse_gridpoints(wire(payload)), "cloud_frac")

    assert np.flatnonzero(np.isfinite(cloud)).tolist() == [4]


def test_null_and_gaps_between_intervals_are_missing() -> None:
    payload = answer()
    layer(payload, "temperature")["values"][3]["value"] = None
    del layer(payload, "windSpeed")["values"][4]
    layer(payload, "quantitativePrecipitation")["values"][1]["value"] = None
    weather = parse_gridpoints(wire(payload))

    missing = {name: np.flatnonzero(np.isnan(values(weather, str(name)))).tolist() for name in weather.frame}
    assert missing == {"temp_c": [3], "wind_ms": [4], "rain_mm": [3, 4, 5, 6, 7, 8], "cloud_frac": []}


@pytest.mark.parametrize(
    "empty", [{"values": []}, None, {"uom": "wmoUnit:percent", "values": [value(0, "PT6H", None)]}]
)
def test_a_layer_without_values_is_absent_and_it_is_said(empty: object) -> None:
    payload = answer()
    payload["properties"]["skyCover"] = empty
    weather = parse_gridpoints(wire(payload))

    assert weather.values("cloud_frac") is None
    assert "skyCover holds no value and was left out" in weather.provenance.notes


def test_a_layer_that_is_over_before_the_forecast_begins_is_left_out() -> None:
    payload = answer()
    layer(payload, "skyCover")["values"] = [value(-6, "PT6H", 50)]
    weather = parse_gridpoints(wire(payload))

    assert weather.values("cloud_frac") is None
    assert "skyCover holds no value in these hours and was left out" in weather.provenance.notes


def test_rain_that_ends_early_is_missing_afterwards_and_it_is_said() -> None:
    """The service often gives rain for three days and the rest for seven."""
    payload = answer()
    del layer(payload, "quantitativePrecipitation")["values"][3:]
    weather = parse_gridpoints(wire(payload))

    assert np.isnan(values(weather, "rain_mm")[15:]).all()
    assert np.isfinite(values(weather, "rain_mm")[:15]).all()
    assert "rain is given until 2026-06-01T21Z only: it is missing in later hours" in weather.provenance.notes


def test_a_wet_total_of_two_days_is_missing_and_a_dry_one_is_dry() -> None:
    payload = answer()
    layer(payload, "quantitativePrecipitation")["values"] = [value(0, "PT30H", 4.0)]
    weather = parse_gridpoints(wire(payload))
    assert weather.values("rain_mm") is None
    assert "1 totals of rain over more than 24 hours count as missing" in weather.provenance.notes

    layer(payload, "quantitativePrecipitation")["values"] = [value(0, "PT30H", 0)]
    assert values(parse_gridpoints(wire(payload)), "rain_mm").tolist() == [0.0] * 30


@pytest.mark.parametrize("prefix", ["wmoUnit:", "wmo:", "unit:", "uc:", "nwsUnit:"])
def test_units_are_known_under_every_vocabulary(prefix: str) -> None:
    payload = answer()
    for name in ("temperature", "windSpeed", "skyCover", "quantitativePrecipitation"):
        layer(payload, name)["uom"] = prefix + layer(payload, name)["uom"].split(":")[1]

    assert parse_gridpoints(wire(payload)).frame.equals(parse_gridpoints(wire(answer())).frame)


@pytest.mark.parametrize(
    ("name", "column", "uom", "number", "expected"),
    [
        ("temperature", "temp_c", "wmoUnit:degF", 68.0, 20.0),  # NIST SP 811, B.9: (F - 32) / 1.8
        ("windSpeed", "wind_ms", "wmoUnit:m_s-1", 5.0, 5.0),
        ("quantitativePrecipitation", "rain_mm", "wmoUnit:kg_m-2", 5.0, 5.0),  # 1 kg of water on 1 m² is 1 mm deep
    ],
)
def test_each_answer_says_its_own_units(name: str, column: str, uom: str, number: float, expected: float) -> None:
    payload = answer()
    payload["properties"][name] = {"uom": uom, "values": [value(h, "PT1H", number) for h in range(30)]}

    assert values(parse_gridpoints(wire(payload)), column) == pytest.approx([expected] * 30)


def test_provenance_says_where_it_came_from() -> None:
    provenance = parse_gridpoints(wire(answer()), file="saved.json").provenance

    assert (provenance.source, provenance.kind) == ("US National Weather Service", "forecast")
    assert (provenance.file, provenance.licence) == ("saved.json", LICENCE)
    assert LICENCE == "US National Weather Service, public domain"
    assert provenance.run_time == datetime(2026, 6, 1, 9, 15, 41, tzinfo=UTC)
    assert provenance.latitude == pytest.approx(30.0)
    assert provenance.longitude == pytest.approx(-85.0)
    assert provenance.elevation_m == pytest.approx(20.1168)
    assert provenance.native_step_h == 9.0
    assert provenance.notes == (f"rain comes in totals of up to 9 hours and is placed in wet hours {NO_RECORD.basis}",)


def test_position_and_elevation_may_be_absent() -> None:
    payload = answer() | {"geometry": None}
    del payload["properties"]["elevation"]
    provenance = parse_gridpoints(wire(payload)).provenance

    assert (provenance.latitude, provenance.longitude, provenance.elevation_m) == (None, None, None)


def test_a_point_is_a_position_too() -> None:
    payload = answer() | {"geometry": {"type": "Point", "coordinates": [-85, 30]}}
    provenance = parse_gridpoints(wire(payload)).provenance

    assert (provenance.latitude, provenance.longitude) == (30.0, -85.0)


def test_the_same_answer_gives_the_same_weather_and_another_seed_other_hours() -> None:
    def rain(seed: int) -> Floats:
        return values(parse_gridpoints(wire(answer()), seed=seed), "rain_mm")

    assert rain(0).tolist() == rain(0).tolist()
    assert any(rain(seed).tolist() != rain(0).tolist() for seed in range(1, 5))


def test_a_file_is_read_as_its_text_is(tmp_path: Path) -> None:
    path = tmp_path / "nws.json"
    path.write_text(wire(answer()), encoding="utf-8")

    assert read_gridpoints(path).frame.equals(parse_gridpoints(wire(answer())).frame)


# --- durations: ISO 8601, checked against pandas ---------------------------------------------------------------------


@pytest.mark.parametrize(
    ("text", "hours"), [("PT1H", 1), ("PT13H", 13), ("P1D", 24), ("P1DT6H", 30), ("P7DT14H", 182), ("PT90M", 1.5)]
)
def test_durations_of_the_service(text: str, hours: float) -> None:
    assert _duration_s(text, "") == hours * 3600


@settings(deadline=None)
@given(
    days=st.none() | st.integers(0, 9),
    hours=st.none() | st.integers(0, 99),
    minutes=st.none() | st.integers(0, 99),
    seconds=st.none() | st.integers(0, 99),
)
def test_durations_agree_with_pandas(
    days: int | None, hours: int | None, minutes: int | None, seconds: int | None
) -> None:
    date = "" if days is None else f"{days}D"
    time = "".join(f"{n}{unit}" for n, unit in ((hours, "H"), (minutes, "M"), (seconds, "S")) if n is not None)
    text = f"P{date}" + (f"T{time}" if time else "")
    if not any((days, hours, minutes, seconds)):
        with pytest.raises(WeatherFileError):
            _duration_s(text, "")
        return

    assert _duration_s(text, "") == pd.Timedelta(text).total_seconds()


@pytest.mark.parametrize(
    "text",
    [
        "",
        "P",
        "PT",
        "P1DT",
        "1H",
        "PT1",
        "P1H",
        "PT1D",
        "P1M",
        "P1Y",
        "P1W",
        "PT-1H",
        "PT1.5H",
        "pt1h",
        "PT1H ",
        "PT0H",
        "P41D",
    ],
)
def test_other_durations_are_refused(text: str) -> None:
    with pytest.raises(WeatherFileError):
        _duration_s(text, "")


# --- what is refused -------------------------------------------------------------------------------------------------


def with_layer(name: str, content: object) -> str:
    payload = answer()
    payload["properties"][name] = content
    return wire(payload)


def with_value(name: str, row: int, **changes: object) -> str:
    payload = answer()
    layer(payload, name)["values"][row].update(changes)
    return wire(payload)


def with_property(name: str, content: object) -> str:
    payload = answer()
    payload["properties"][name] = content
    return wire(payload)


def problem(status: int, title: str, detail: str) -> str:
    return wire({"correlationId": "1a2b", "title": title, "type": "about:blank", "status": status, "detail": detail})


WHOLE = wire(answer())
T = "temperature"

# (text, words that the error must have)
REFUSED: dict[str, tuple[str, list[str]]] = {
    "an empty file": (" ", ["it is empty"]),
    "a web page": ("<html>502</html>", ["web page"]),
    "an answer cut short": (WHOLE[: len(WHOLE) // 2], ["no whole JSON document"]),
    "a list": ("[]", ["no answer of the service"]),
    "no properties": (wire({"type": "Feature"}), ['no "properties" block']),
    "an expired grid": (
        problem(503, "Forecast Grid Expired", "The requested forecast grid was issued 2026-05-30."),
        ['(503): "Forecast Grid Expired: The requested forecast grid was issued 2026-05-30."', "wait"],
    ),
    "an error of the service": (problem(500, "Unexpected Problem", "Oops"), ["(500)", "Unexpected Problem", "wait"]),
    "a place abroad": (problem(404, "Invalid Point", "Not in the domain"), ["(404)", "outside the United States"]),
    "a bad request": (problem(400, "Bad Request", "Bad Request"), ["(400)", "Mend the request"]),
    "a problem without a status": (wire({"title": "Forbidden", "detail": 3}), ['refused: "Forbidden"']),
    "no temperature": (
        with_layer(T, {"values": []}),
        ["layer temperature is absent or holds no value", "another source"],
    ),
    "no wind": (with_layer("windSpeed", None), ["layer windSpeed is absent"]),
    "a temperature of nulls": (with_layer(T, {"values": [value(0, "PT6H", None)]}), ["temperature is absent"]),
    "temperature and wind that never meet": (
        with_layer(T, {"uom": "wmoUnit:degC", "values": [value(40, "PT6H", 20)]}),
        ["no hour in it has both"],
    ),
    "temperature and wind months apart": (
        with_layer(T, {"uom": "wmoUnit:degC", "values": [value(4000, "PT6H", 20)]}),
        ["more than 40 days"],
    ),
    "a layer that is a list": (with_layer(T, []), ["layer temperature", "no list of values"]),
    "a layer without values": (with_layer(T, {"uom": "wmoUnit:degC"}), ["layer temperature", "no list of values"]),
    "a value that is none": (with_layer(T, {"uom": "wmoUnit:degC", "values": [3]}), ["value 1", "no value"]),
    "a value without its time": (
        with_layer(T, {"uom": "wmoUnit:degC", "values": [{"value": 3}]}),
        ["value 1", "None is no interval"],
    ),
    "a time without its value": (
        with_layer(T, {"uom": "wmoUnit:degC", "values": [{"validTime": "2026-06-01T06:00:00+00:00/PT1H"}]}),
        ["value 1"],
    ),
    "no unit": (with_layer(T, {"values": [value(0, "PT6H", 3)]}), ["layer temperature", "not stated", "degC or degF"]),
    "Kelvin": (with_layer(T, {"uom": "wmoUnit:K", "values": [value(0, "PT6H", 293)]}), ["'wmoUnit:K'", "degC or degF"]),
    "a unit of another vocabulary": (with_layer(T, {"uom": "degC", "values": [value(0, "PT6H", 3)]}), ["'degC'"]),
    "a unit that is a number": (with_layer(T, {"uom": 5, "values": [value(0, "PT6H", 3)]}), ["its unit is 5"]),
    "rain in metres": (
        with_layer("quantitativePrecipitation", {"uom": "wmoUnit:m", "values": [value(0, "PT6H", 3)]}),
        ["quantitativePrecipitation", "wmoUnit:m", "mm or kg_m-2"],
    ),
    "words for a number": (with_value(T, 2, value="warm"), ["temperature, value 3", "'warm' is no number"]),
    "a list for a number": (with_value("windSpeed", 2, value=[]), ["windSpeed, value 3", "a list is no number"]),
    "an impossible temperature": (
        with_value(T, 2, value=250),
        ["temperature, value 3 (2026-06-01T08:00:00+00:00/PT1H)", "250 degC is impossible"],
    ),
    "a negative wind": (with_value("windSpeed", 1, value=-3), ["windSpeed, value 2", "-3 km_h-1 is impossible"]),
    "sky cover over 100 %": (with_value("skyCover", 0, value=140), ["skyCover, value 1", "140 percent is impossible"]),
    "an interval without a duration": (
        with_value(T, 2, validTime="2026-06-01T08:00:00+00:00"),
        ["value 3", "no interval"],
    ),
    "an interval with two ends": (
        with_value(T, 2, validTime="2026-06-01T08:00:00+00:00/2026-06-01T09:00:00+00:00"),
        ["value 3", "no duration like PT6H"],
    ),
    "a start without an offset": (with_value(T, 2, validTime="2026-06-01T08:00:00/PT1H"), ["value 3", "is no time"]),
    "a month 13": (with_value(T, 2, validTime="2026-13-01T08:00:00+00:00/PT1H"), ["value 3", "is no time"]),
    "half an hour": (with_value(T, 2, validTime="2026-06-01T08:00:00+00:00/PT30M"), ["value 3", "full hour"]),
    "a start off the hour": (with_value(T, 2, validTime="2026-06-01T08:30:00+00:00/PT1H"), ["value 3", "full hour"]),
    "intervals that overlap": (
        with_value(T, 2, validTime="2026-06-01T08:00:00+00:00/PT2H"),
        ["temperature, value 4", "overlaps the one before"],
    ),
    "an interval twice": (with_value(T, 2, validTime="2026-06-01T07:00:00+00:00/PT1H"), ["value 3", "overlaps"]),
    "intervals running backwards": (
        with_value(T, 2, validTime="2026-05-31T07:00:00+00:00/PT1H"),
        ["value 3", "runs backwards"],
    ),
    "an interval in another year": (
        with_value(T, 12, validTime="2027-06-01T07:00:00+00:00/PT1H"),
        ["temperature", "more than 40 days"],
    ),
    "no update time": (with_property("updateTime", None), ["updateTime", "None is no time"]),
    "an elevation in words": (
        with_property("elevation", {"unitCode": "wmoUnit:m", "value": "high"}),
        ["elevation", "'high' is no number"],
    ),
    "a geometry of lines": (wire(answer() | {"geometry": {"type": "LineString"}}), ["geometry", "neither"]),
    "a geometry in words": (wire(answer() | {"geometry": "POINT(-85 30)"}), ["geometry", "neither"]),
    "a polygon without corners": (
        wire(answer() | {"geometry": {"type": "Polygon", "coordinates": [[]]}}),
        ["geometry", "form"],
    ),
    "a point off the globe": (
        wire(answer() | {"geometry": {"type": "Point", "coordinates": [30, -95]}}),
        ["geometry", "on earth"],
    ),
}


@pytest.mark.parametrize("what", list(REFUSED))
def test_refuses_and_names_the_file(what: str) -> None:
    text, words = REFUSED[what]
    with pytest.raises(WeatherFileError) as caught:
        parse_gridpoints(text, file="saved.json")

    message = str(caught.value)
    assert message.startswith("saved.json")
    for word in words:
        assert word in message
    assert caught.value.fix


def test_without_a_file_the_error_names_the_service() -> None:
    with pytest.raises(WeatherFileError, match="NWS grid forecast"):
        parse_gridpoints("")
    with pytest.raises(WeatherFileError, match="NWS points answer"):
        parse_points("")


# --- points ----------------------------------------------------------------------------------------------------------


def point(**changes: object) -> str:
    properties: dict[str, object] = {
        "gridId": "XYZ",
        "gridX": 58,
        "gridY": 65,
        "forecastGridData": "https://api.weather.gov/gridpoints/XYZ/58,65",
        "timeZone": "America/New_York",
    }
    return wire({"type": "Feature", "properties": properties | changes})


def test_a_point_names_its_grid_cell() -> None:
    assert parse_points(point()) == NwsPoint(
        "XYZ", 58, 65, "https://api.weather.gov/gridpoints/XYZ/58,65", "America/New_York"
    )


@pytest.mark.parametrize(
    ("text", "word"),
    [
        (point(gridId=None), "names no grid cell"),
        (point(gridX="58"), "names no grid cell"),
        (point(gridY=True), "names no grid cell"),
        (point(forecastGridData=None), "forecastGridData is no address"),
        (point(forecastGridData="file:///etc/passwd"), "forecastGridData is no address"),
        (point(forecastGridData="https://api.weather.gov/x y"), "forecastGridData is no address"),
        (point(timeZone=""), "timeZone is none"),
        (point(timeZone="../../x"), "timeZone is none"),
        (problem(404, "Invalid Point", "Unable to provide data for requested point 0,0"), "Invalid Point"),
        ("{}", '"properties"'),
    ],
)
def test_a_point_without_a_grid_is_refused(text: str, word: str) -> None:
    with pytest.raises(WeatherFileError, match=word):
        parse_points(text)


# --- anything at all -------------------------------------------------------------------------------------------------

JSON = st.recursive(
    st.none() | st.booleans() | st.integers() | st.floats() | st.text(max_size=8),
    lambda inner: st.lists(inner, max_size=3) | st.dictionaries(st.text(max_size=8), inner, max_size=3),
    max_leaves=6,
)


def parse_all(text: str) -> None:
    for parse in (parse_points, parse_gridpoints):
        try:
            parse(text)
        except WeatherFileError as error:
            assert error.fix  # noqa: PT017  (raising nothing is fine too)


@settings(deadline=None)
@given(text=st.text())
def test_no_text_raises_anything_else(text: str) -> None:
    parse_all(text)


@settings(deadline=None)
@given(payload=JSON)
def test_no_json_raises_anything_else(payload: object) -> None:
    parse_all(json.dumps(payload))


def places(inside: Any, path: tuple[Any, ...] = ()) -> list[tuple[Any, ...]]:
    """Paths to everything within a JSON value."""
    if not isinstance(inside, dict | list):
        return [path]
    items = inside.items() if isinstance(inside, dict) else enumerate(inside)
    return [path, *(place for key, within in items for place in places(within, (*path, key)))]


@settings(max_examples=300, deadline=None)
@given(path=st.sampled_from(places(answer())[1:]), anything=JSON)
def test_no_broken_answer_raises_anything_else(path: tuple[Any, ...], anything: object) -> None:
    """Any value anywhere in a good answer replaced by anything."""
    payload = copy.deepcopy(answer())
    inside: Any = payload
    for key in path[:-1]:
        inside = inside[key]
    inside[path[-1]] = anything
    parse_all(wire(payload))


@settings(deadline=None)
@given(day=st.integers(0, 99), hour=st.integers(0, 99), duration=st.from_regex(r"\AP(\d{1,3}D)?(T\d{1,3}[HMS])?\Z"))
def test_no_interval_raises_anything_else(day: int, hour: int, duration: str) -> None:
    parse_all(with_value("skyCover", 0, validTime=f"2026-06-{day:02d}T{hour:02d}:00:00+00:00/{duration}"))


# --- a real answer ---------------------------------------------------------------------------------------------------


@recorded
def test_a_real_answer_for_a_point() -> None:
    assert RECORDED is not None
    text = (Path(RECORDED) / "nws_points.json").read_text(encoding="utf-8")

    assert parse_points(text) == NwsPoint(
        "TAE", 58, 65, "https://api.weather.gov/gridpoints/TAE/58,65", "America/New_York"
    )
