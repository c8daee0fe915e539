"""Answers of MET Norway: what a number means, what is made of percentiles, and what is refused.

The answers are invented, in the wire format. In the step h hours after the first one:

========================  =========================================
air_temperature           10 + h / 10, °C
wind_speed                2 + h / 50, m/s
cloud_area_fraction       h / 2, %
next_1_hours              h / 100, mm
next_6_hours              6, mm, or 99 at hourly steps (to be passed over)
========================  =========================================
"""

from __future__ import annotations

import copy
import json
import os
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import stats

from matewindow.errors import WeatherFileError
from matewindow.weather.metno import (
    LICENCE,
    N_MEMBERS,
    parse_locationforecast,
    parse_spread,
    read_locationforecast,
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
START = np.datetime64("2026-06-01T07", "h")
UNITS = {
    "air_temperature": "celsius",
    "wind_speed": "m/s",
    "cloud_area_fraction": "%",
    "precipitation_amount": "mm",
    "air_pressure_at_sea_level": "hPa",
}


def step(h: int, *, six: bool, last: bool = False) -> dict[str, Any]:
    data: dict[str, Any] = {
        "instant": {
            "details": {
                "air_pressure_at_sea_level": 1013.0,
                "air_temperature": 10 + h / 10,
                "cloud_area_fraction": h / 2,
                "wind_speed": 2 + h / 50,
            }
        }
    }
    if not last:
        data["next_6_hours"] = {"summary": {}, "details": {"precipitation_amount": 6.0 if six else 99.0}}
        data["next_12_hours"] = {"summary": {"symbol_code": "rain"}, "details": {}}
    if not six and not last:
        data["next_1_hours"] = {"summary": {}, "details": {"precipitation_amount": h / 100}}
    return {"time": f"{START + np.timedelta64(h, 'h')}:00:00Z", "data": data}


HOURLY, SIXES = range(53), (53, 59, 65, 71)  # from 07 UTC: hourly until 12 UTC two days later, then at 12, 18, 00, 06


def answer() -> dict[str, Any]:
    """An answer of ``compact``. Change it, then ``wire`` it."""
    steps = [step(h, six=False) for h in HOURLY]
    for row in steps[-5:]:
        del row["data"]["next_6_hours"]  # as the service does at the end of its hourly part
    steps += [step(h, six=True, last=h == SIXES[-1]) for h in SIXES]
    return {
        "type": "Feature",
        "geometry": {"type": "Point", "coordinates": [10.75, 59.91, 5]},
        "properties": {
            "meta": {"updated_at": "2026-06-01T06:12:34Z", "units": dict(UNITS)},
            "timeseries": steps,
        },
    }


def complete() -> dict[str, Any]:
    """An answer of ``complete``: 2 °C less and 3 °C more, half and 1.5 times the wind, 0 and 2.5 times the rain."""
    payload = answer()
    for row in payload["properties"]["timeseries"]:
        now = row["data"]["instant"]["details"]
        now["air_temperature_percentile_10"] = now["air_temperature"] - 2
        now["air_temperature_percentile_90"] = now["air_temperature"] + 3
        now["wind_speed_percentile_10"] = now["wind_speed"] * 0.5
        now["wind_speed_percentile_90"] = now["wind_speed"] * 1.5
        for name in ("next_1_hours", "next_6_hours"):
            if name in row["data"]:
                rain = row["data"][name]["details"]
                rain["precipitation_amount_min"] = 0.0
                rain["precipitation_amount_max"] = 2.5 * rain["precipitation_amount"]
    for key, unit in list(UNITS.items())[:2]:
        for percent in (10, 90):
            payload["properties"]["meta"]["units"][f"{key}_percentile_{percent}"] = unit
    return payload


def steps_of(payload: dict[str, Any]) -> list[dict[str, Any]]:
    found: list[dict[str, Any]] = payload["properties"]["timeseries"]
    return found


def instant(payload: dict[str, Any], row: int) -> dict[str, Any]:
    found: dict[str, Any] = steps_of(payload)[row]["data"]["instant"]["details"]
    return found


def wire(payload: object) -> str:
    return json.dumps(payload, ensure_ascii=False)


def values(weather: Weather | None, name: str) -> Floats:
    assert weather is not None
    found = weather.values(name)
    assert found is not None
    return found


def at(weather: Weather | None, name: str, h: int, member: int = 0) -> float:
    """The value of the hour that starts h hours after the first step."""
    assert weather is not None
    slot = np.flatnonzero(weather.times == START + np.timedelta64(h, "h"))
    assert len(slot) == 1
    return float(values(weather, name)[member, slot[0]])


def all_in_hour(number: int) -> WetHours:
    """A table in which all rain of a step falls in one of its hours."""
    shares = np.zeros((1, 6))
    shares[0, number] = 1.0
    return WetHours(None, {6: [(shares, np.ones(1))] * 9})


# --- what a number means: MET Norway, data model of Locationforecast and description of the JSON format ----------


def test_temperature_of_an_hour_is_the_mean_of_its_two_ends() -> None:
    """12 h after the first step 11.2 °C, 13 h after it 11.3: the hour between has 11.25. One hour off: 11.15 or 11.35."""
    assert at(parse_locationforecast(wire(answer())), "temp_c", 12) == pytest.approx(11.25)


def test_wind_and_cloud_are_instants_too() -> None:
    weather = parse_locationforecast(wire(answer()))

    assert at(weather, "wind_ms", 12) == pytest.approx(2.25)
    assert at(weather, "cloud_frac", 12) == pytest.approx(0.0625)


def test_rain_of_the_next_hour_at_a_step_falls_in_the_hour_that_begins_there() -> None:
    weather = parse_locationforecast(wire(answer()))

    assert at(weather, "rain_mm", 12) == pytest.approx(0.12)
    assert at(weather, "rain_mm", 52) == pytest.approx(0.52)


def test_between_steps_of_six_hours_temperature_wind_and_cloud_run_on_smoothly() -> None:
    """They rise in a straight line, and so does the curve through them."""
    weather = parse_locationforecast(wire(answer()))

    for h in (53, 56, 58, 59, 70):
        assert at(weather, "temp_c", h) == pytest.approx(10 + (h + 0.5) / 10)
        assert at(weather, "wind_ms", h) == pytest.approx(2 + (h + 0.5) / 50)
        assert at(weather, "cloud_frac", h) == pytest.approx((h + 0.5) / 200)


@pytest.mark.parametrize("number", [0, 5])
def test_rain_of_the_next_six_hours_falls_within_them(number: int) -> None:
    """All of it in the first hour (53, 59, 65) or in the last (58, 64, 70): one hour off would leave the step."""
    rain = values(parse_locationforecast(wire(answer()), table=all_in_hour(number)), "rain_mm")[0]

    assert np.flatnonzero(rain[53:] > 0).tolist() == [number, 6 + number, 12 + number]
    assert rain[53:][rain[53:] > 0].tolist() == [6.0, 6.0, 6.0]


def test_overlapping_windows_of_six_hours_are_not_added_up() -> None:
    rain = values(parse_locationforecast(wire(answer())), "rain_mm")

    assert rain.sum() == pytest.approx(sum(h / 100 for h in HOURLY) + 3 * 6.0)


def test_hours_run_from_the_first_step_to_the_last_which_is_an_instant_only() -> None:
    weather = parse_locationforecast(wire(answer()))

    assert (str(weather.times[0]), str(weather.times[-1])) == ("2026-06-01T07:00:00", "2026-06-04T05:00:00")
    assert np.isfinite(weather.frame.to_numpy()).all()


def test_there_is_no_radiation() -> None:
    assert parse_locationforecast(wire(answer())).values("ghi_wm2") is None


def test_what_is_left_out_is_missing() -> None:
    payload = answer()
    del instant(payload, 10)["air_temperature"]
    del steps_of(payload)[20]["data"]["next_1_hours"]["details"]["precipitation_amount"]
    del steps_of(payload)[30]["data"]["next_1_hours"]
    del steps_of(payload)[54]["data"]["next_6_hours"]
    instant(payload, 40)["cloud_area_fraction"] = None
    weather = parse_locationforecast(wire(payload))

    missing = {name: np.flatnonzero(np.isnan(values(weather, name)[0])).tolist() for name in weather.frame}
    assert missing == {
        "temp_c": [9, 10],
        "wind_ms": [],
        "rain_mm": [20, 30, *range(59, 65)],
        "cloud_frac": [39, 40],
    }


def test_a_step_that_is_absent_leaves_its_hour_without_rain_but_not_dry() -> None:
    """Gone is the step 10 h after the first: 9 h keeps its rain, 10 h has none; the curve goes on."""
    payload = answer()
    del steps_of(payload)[10]
    weather = parse_locationforecast(wire(payload))

    assert np.flatnonzero(np.isnan(values(weather, "rain_mm")[0])).tolist() == [10]
    assert at(weather, "rain_mm", 9) == pytest.approx(0.09)
    assert at(weather, "temp_c", 10) == pytest.approx(11.05)


def test_a_gap_of_a_day_is_not_bridged() -> None:
    payload = answer()
    del steps_of(payload)[10:34]
    weather = parse_locationforecast(wire(payload))

    assert np.flatnonzero(np.isnan(values(weather, "temp_c")[0])).tolist() == list(range(9, 34))
    rain = values(weather, "rain_mm")[0]
    assert rain[9:15].sum() == pytest.approx(99.0)  # here the window of six hours fits before the next step
    assert np.isnan(rain[15:34]).all()


@pytest.mark.parametrize("key", ["cloud_area_fraction", "precipitation_amount"])
def test_cloud_and_rain_may_be_absent_and_it_is_said(key: str) -> None:
    payload = answer()
    for row in steps_of(payload):
        row["data"]["instant"]["details"].pop(key, None)
        for name in ("next_1_hours", "next_6_hours"):
            row["data"].get(name, {"details": {}})["details"].pop(key, None)
    weather = parse_locationforecast(wire(payload))

    assert len(weather.frame.columns) == 3
    assert f"{key} holds no value and was left out" in weather.provenance.notes


def test_provenance_says_where_it_came_from() -> None:
    provenance = parse_locationforecast(wire(answer()), file="saved.json").provenance

    assert (provenance.source, provenance.kind, provenance.file) == ("MET Norway", "forecast", "saved.json")
    assert provenance.licence == LICENCE == "Data from MET Norway (CC BY 4.0, NLOD 2.0)"
    assert provenance.run_time == datetime(2026, 6, 1, 6, 12, 34, tzinfo=UTC)
    assert (provenance.latitude, provenance.longitude, provenance.elevation_m) == (59.91, 10.75, 5.0)
    assert provenance.native_step_h == 6.0
    assert len(provenance.notes) == 1
    assert "from 2026-06-03T12Z on the source gives steps of up to 6 hours" in provenance.notes[0]
    assert NO_RECORD.basis in provenance.notes[0]


def test_an_answer_of_hourly_steps_needs_no_note() -> None:
    payload = answer()
    payload["properties"]["timeseries"] = steps_of(payload)[:-4]
    payload["geometry"]["coordinates"].pop()
    provenance = parse_locationforecast(wire(payload)).provenance

    assert (provenance.native_step_h, provenance.notes, provenance.elevation_m) == (1.0, (), None)


def test_the_same_answer_gives_the_same_weather_and_another_seed_other_hours() -> None:
    def rain(seed: int) -> Floats:
        return values(parse_locationforecast(wire(answer()), seed=seed), "rain_mm")

    assert rain(0).tolist() == rain(0).tolist()
    assert any(rain(seed).tolist() != rain(0).tolist() for seed in range(1, 5))


def test_complete_reads_as_compact_does() -> None:
    assert parse_locationforecast(wire(complete())).frame.equals(parse_locationforecast(wire(answer())).frame)


def test_a_file_is_read_as_its_text_is(tmp_path: Path) -> None:
    path = tmp_path / "metno.json"
    path.write_text(wire(answer()), encoding="utf-8")

    assert read_locationforecast(path).frame.equals(parse_locationforecast(wire(answer())).frame)
    assert read_locationforecast(path).provenance.file == str(path)


# --- members made from percentiles -----------------------------------------------------------------------------


def test_members_of_an_hour_are_the_quantiles_of_two_halves_of_normal_distributions() -> None:
    """Against scipy.stats: standard deviation 2 °C / 1.2816 below the middle, 3 °C / 1.2816 above it."""
    members = np.sort(values(parse_spread(wire(complete())), "temp_c")[:, 12]) - 11.25
    ranks = (np.arange(N_MEMBERS) + 0.5) / N_MEMBERS
    below, above = (stats.norm(0.0, width / stats.norm.ppf(0.9)).ppf(ranks) for width in (2.0, 3.0))

    assert members == pytest.approx(np.where(ranks < 0.5, below, above))


def test_one_in_ten_lies_below_the_lower_and_one_in_ten_above_the_upper_percentile() -> None:
    """As near as eleven members can: one on each side."""
    spread = parse_spread(wire(complete()))
    for name, low, high in (("temp_c", 9.25, 14.25), ("wind_ms", 1.125, 3.375)):
        members = values(spread, name)[:, 12]
        assert [int((members < low).sum()), int((members > high).sum())] == [1, 1]


def test_the_middle_member_is_the_forecast_itself() -> None:
    spread, single = parse_spread(wire(complete()), seed=5), parse_locationforecast(wire(answer()), seed=5)

    assert spread is not None
    assert spread.n_members == N_MEMBERS == 11
    assert spread.times.tolist() == single.times.tolist()
    for name in ("temp_c", "wind_ms", "cloud_frac"):
        assert values(spread, name)[5] == pytest.approx(values(single, name)[0])
    assert values(spread, "rain_mm")[5, :53] == pytest.approx(values(single, "rain_mm")[0, :53])


def test_a_member_keeps_its_rank_throughout() -> None:
    for name in ("temp_c", "wind_ms"):
        ranks = np.argsort(np.argsort(values(parse_spread(wire(complete())), name), axis=0), axis=0)
        assert (ranks == ranks[:, :1]).all()


def test_ranks_of_temperature_wind_and_rain_are_unrelated() -> None:
    spread = parse_spread(wire(complete()))
    rows = [values(spread, name)[:, 40] for name in ("temp_c", "wind_ms", "rain_mm")]
    scores = stats.norm.ppf((stats.rankdata(rows, axis=1) - 0.5) / N_MEMBERS)

    assert np.abs(np.corrcoef(scores)[np.triu_indices(3, 1)]).max() < 0.02


def test_rain_of_members_follows_straight_lines_through_least_forecast_and_most() -> None:
    """Hour 40: 0.4 mm, least 0, most 1.0 mm. Rank 7.5 of 11 is the quantile 0.6818: 0.4 + 0.6 * 0.1818 / 0.4 mm."""
    rain = np.sort(values(parse_spread(wire(complete())), "rain_mm")[:, 40])

    assert rain[5] == pytest.approx(0.4)
    assert rain[7] == pytest.approx(0.4 + 0.6 * (7.5 / 11 - 0.5) / 0.4)
    assert rain[0] == 0.0
    assert rain[2] == pytest.approx(0.4 * (2.5 / 11 - 0.1) / 0.4)
    assert 1.0 < rain[10] < 1.0 + 0.25 * 0.6


def test_members_place_their_rain_each_for_itself_and_keep_its_total() -> None:
    payload = complete()
    for row in steps_of(payload)[53:-1]:
        row["data"]["next_6_hours"]["details"] = {"precipitation_amount": 6.0}
    rain = values(parse_spread(wire(payload)), "rain_mm")[:, 53:].reshape(N_MEMBERS, 3, 6)

    assert rain.sum(axis=2) == pytest.approx(np.full((N_MEMBERS, 3), 6.0))
    assert len(np.unique(rain[:, 0], axis=0)) > 3


def test_wind_of_members_never_falls_below_zero() -> None:
    payload = complete()
    for row in range(len(steps_of(payload))):
        instant(payload, row)["wind_speed_percentile_10"] = 0.0
    wind = values(parse_spread(wire(payload)), "wind_ms")

    assert wind.min() == 0.0


def test_a_forecast_outside_its_percentiles_is_drawn_to_the_nearer_one_and_it_is_said() -> None:
    payload = complete()
    for row in range(len(steps_of(payload))):
        instant(payload, row)["air_temperature"] += 10
    spread = parse_spread(wire(payload))

    assert values(spread, "temp_c")[5, 12] == pytest.approx(14.25)
    assert spread is not None
    assert any("air_temperature lies outside its percentiles in 57 of 57 steps" in n for n in spread.provenance.notes)


def test_steps_without_percentiles_have_no_spread_and_it_is_said() -> None:
    payload = complete()
    for row in range(10):
        del instant(payload, row)["wind_speed_percentile_90"]
    spread = parse_spread(wire(payload))

    assert np.ptp(values(spread, "wind_ms")[:, :9], axis=0) == pytest.approx(0.0)
    assert np.ptp(values(spread, "wind_ms")[:, 12]) > 1
    assert np.ptp(values(spread, "temp_c")[:, 3]) > 1
    assert spread is not None
    assert any("wind_speed has no percentiles, hence no spread, in 10 steps" in n for n in spread.provenance.notes)


@pytest.mark.parametrize("key", ["air_temperature_percentile_10", "wind_speed_percentile_90"])
def test_without_percentiles_there_are_no_members(key: str) -> None:
    payload = complete()
    for row in range(len(steps_of(payload))):
        del instant(payload, row)[key]

    assert parse_spread(wire(payload)) is None
    assert parse_spread(wire(answer())) is None


def test_rain_without_least_and_most_is_the_same_in_all_members() -> None:
    payload = complete()
    for row in steps_of(payload):
        for name in ("next_1_hours", "next_6_hours"):
            row["data"].get(name, {"details": {}})["details"].pop("precipitation_amount_max", None)
            row["data"].get(name, {"details": {}})["details"].pop("precipitation_amount_min", None)
    rain = values(parse_spread(wire(payload)), "rain_mm")

    assert np.ptp(rain[:, :53], axis=0) == pytest.approx(0.0)


def test_missing_rain_is_missing_in_every_member() -> None:
    payload = complete()
    steps_of(payload)[12]["data"]["next_1_hours"]["details"]["precipitation_amount"] = None

    assert np.isnan(values(parse_spread(wire(payload)), "rain_mm")[:, 12]).all()


def test_the_members_say_what_they_are() -> None:
    spread = parse_spread(wire(complete()), file="saved.json")

    assert spread is not None
    assert (spread.provenance.kind, spread.provenance.file) == ("spread", "saved.json")
    assert "keeps its rank in time, so that persistence is overstated" in spread.provenance.notes[0]


# --- what is refused ---------------------------------------------------------------------------------------------


def with_step(row: int, key: str, value: object) -> str:
    payload = answer()
    instant(payload, row)[key] = value
    return wire(payload)


def with_time(row: int, value: object) -> str:
    payload = answer()
    steps_of(payload)[row]["time"] = value
    return wire(payload)


def with_unit(key: str, value: object) -> str:
    payload = answer()
    payload["properties"]["meta"]["units"][key] = value
    return wire(payload)


def without(*path: str | int) -> str:
    payload = answer()
    inside: Any = payload
    for key in path[:-1]:
        inside = inside[key]
    del inside[path[-1]]
    return wire(payload)


def with_geometry(geometry: object) -> str:
    return wire(answer() | {"geometry": geometry})


def with_data(row: int, data: object) -> str:
    payload = answer()
    steps_of(payload)[row]["data"] = data
    return wire(payload)


def without_all(key: str) -> str:
    payload = answer()
    for row in range(len(steps_of(payload))):
        del instant(payload, row)[key]
    return wire(payload)


def crossed() -> str:
    payload = complete()
    instant(payload, 3)["wind_speed_percentile_10"] = 9.0
    return wire(payload)


WHOLE = wire(answer())

# (text, words that the error must have)
REFUSED: dict[str, tuple[str, list[str]]] = {
    "an empty file": ("", ["it is empty", "Fetch it again"]),
    "a web page": ("<html><title>403 Forbidden</title></html>", ["web page"]),
    "prose": ("429 throttled", ["no whole JSON document"]),
    "an answer cut short": (WHOLE[: len(WHOLE) // 2], ["no whole JSON document", "broken off"]),
    "a list": ("[]", ["no answer of the service"]),
    "a number": ("42", ["no answer of the service"]),
    "deep nesting": ("[" * 100_000, ["no whole JSON document"]),
    "NaN": (WHOLE.replace("[10.75", "[NaN"), ["NaN is no JSON number"]),
    "no properties": (without("properties"), ['no "properties" block']),
    "no meta": (without("properties", "meta"), ['no "meta" block']),
    "no units": (without("properties", "meta", "units"), ['no "units" block']),
    "no update time": (without("properties", "meta", "updated_at"), ["meta.updated_at", "None is no time"]),
    "no timeseries": (without("properties", "timeseries"), ["timeseries"]),
    "no geometry": (without("geometry"), ['no "geometry" block']),
    "no coordinates": (with_geometry({"type": "Point"}), ["geometry.coordinates"]),
    "latitude first, off the globe": (
        with_geometry({"coordinates": [10.0, 120.0]}),
        ["longitude 10, latitude 120 is no place"],
    ),
    "coordinates in words": (with_geometry({"coordinates": ["10", 60]}), ["'10' is no number"]),
    "a missing latitude": (with_geometry({"coordinates": [10, None]}), ["no place on earth"]),
    "a step that is none": (
        wire({**answer(), "properties": {**answer()["properties"], "timeseries": [1, 2]}}),
        ["step 1", "data"],
    ),
    "a step without data": (without("properties", "timeseries", 4, "data"), ["step 5", '"data"']),
    "a step without an instant": (without("properties", "timeseries", 4, "data", "instant"), ["step 5", '"instant"']),
    "an instant that is a list": (with_data(4, {"instant": []}), ["step 5", '"instant"']),
    "details that are none": (with_data(4, {"instant": {"details": 3}}), ["step 5", '"instant"']),
    "a period that is none": (with_data(4, {"instant": {}, "next_6_hours": 1}), ["step 5", '"next_6_hours"']),
    "a step without a time": (without("properties", "timeseries", 4, "time"), ["step 5", "None is no time"]),
    "a time without a zone": (with_time(4, "2026-06-01T11:00:00"), ["step 5", "2026-06-01T11:00:00"]),
    "a month 13": (with_time(4, "2026-13-01T11:00:00Z"), ["step 5", "2026-13-01"]),
    "a year 9999": (with_time(4, "9999-06-01T11:00:00Z"), ["step 5"]),
    "a half hour": (with_time(4, "2026-06-01T11:30:00Z"), ["step 5", "not on the hour"]),
    "a time twice": (with_time(4, "2026-06-01T10:00:00Z"), ["step 5", "stands there twice"]),
    "times running backwards": (with_time(4, "2026-06-01T09:00:00Z"), ["step 5", "runs backwards"]),
    "a year between two steps": (with_time(56, "2027-06-04T06:00:00Z"), ["more than 40 days"]),
    "Kelvin": (with_unit("air_temperature", "K"), ["air_temperature", "'K'", "celsius", "changed its units"]),
    "knots": (with_unit("wind_speed", "knots"), ["wind_speed", "'knots'", "m/s"]),
    "cloud as a fraction": (with_unit("cloud_area_fraction", "1"), ["cloud_area_fraction", "'1'", "%"]),
    "inches": (with_unit("precipitation_amount", "inch"), ["precipitation_amount", "'inch'", "mm"]),
    "a unit that is not stated": (without("properties", "meta", "units", "wind_speed"), ["wind_speed", "not stated"]),
    "no temperature": (without_all("air_temperature"), ["no hour in it has both temperature and wind"]),
    "no wind": (without_all("wind_speed"), ["no hour in it has both temperature and wind"]),
    "words for a number": (
        with_step(7, "air_temperature", "warm"),
        ["step 8", "air_temperature", "'warm' is no number"],
    ),
    "true for a number": (with_step(7, "air_temperature", True), ["step 8", "True is no number"]),  # noqa: FBT003
    "a list for a number": (with_step(7, "wind_speed", [1]), ["step 8", "wind_speed", "a list is no number"]),
    "a number of 400 digits": (with_step(7, "wind_speed", 10**400), ["step 8", "hundreds of digits"]),
    "an impossible temperature": (
        with_step(7, "air_temperature", 290.0),
        ["step 8 (2026-06-01T14:00:00Z), air_temperature", "290.0 celsius is impossible"],
    ),
    "a negative wind": (with_step(7, "wind_speed", -1), ["step 8", "-1 m/s is impossible"]),
    "cloud over 100 %": (with_step(7, "cloud_area_fraction", 101), ["step 8", "101 % is impossible"]),
}


@pytest.mark.parametrize("what", list(REFUSED))
def test_refuses_and_names_the_file(what: str) -> None:
    text, words = REFUSED[what]
    with pytest.raises(WeatherFileError) as caught:
        parse_locationforecast(text, file="saved.json")

    message = str(caught.value)
    assert message.startswith("saved.json")
    for word in words:
        assert word in message
    assert caught.value.fix


def test_percentiles_in_the_wrong_order_are_refused() -> None:
    with pytest.raises(
        WeatherFileError, match=r"step 4 .*wind_speed_percentile_10 lies above wind_speed_percentile_90"
    ):
        parse_spread(crossed())


def test_a_percentile_in_another_unit_is_refused() -> None:
    payload = complete()
    payload["properties"]["meta"]["units"]["air_temperature_percentile_90"] = "K"
    with pytest.raises(WeatherFileError, match=r"air_temperature_percentile_90: its unit is 'K'"):
        parse_spread(wire(payload))


def test_negative_rain_is_refused() -> None:
    payload = answer()
    steps_of(payload)[7]["data"]["next_1_hours"]["details"]["precipitation_amount"] = -0.1
    with pytest.raises(WeatherFileError, match=r"step 8 .*precipitation_amount: -0.1 mm is impossible"):
        parse_locationforecast(wire(payload))


def test_without_a_file_the_error_names_the_service() -> None:
    with pytest.raises(WeatherFileError, match="MET Norway answer"):
        parse_locationforecast("")


# --- anything at all ---------------------------------------------------------------------------------------------

JSON = st.recursive(
    st.none() | st.booleans() | st.integers() | st.floats() | st.text(max_size=8),
    lambda inner: st.lists(inner, max_size=3) | st.dictionaries(st.text(max_size=8), inner, max_size=3),
    max_leaves=6,
)


def parse_all(text: str) -> None:
    for parse in (parse_locationforecast, parse_spread):
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


SHORT = complete()
SHORT["properties"]["timeseries"] = steps_of(SHORT)[:2] + steps_of(SHORT)[-3:]


def places(inside: Any, path: tuple[Any, ...] = ()) -> list[tuple[Any, ...]]:
    """Paths to everything within a JSON value."""
    if not isinstance(inside, dict | list):
        return [path]
    items = inside.items() if isinstance(inside, dict) else enumerate(inside)
    return [path, *(place for key, value in items for place in places(value, (*path, key)))]


@settings(max_examples=300, deadline=None)
@given(path=st.sampled_from(places(SHORT)[1:]), value=JSON)
def test_no_broken_answer_raises_anything_else(path: tuple[Any, ...], value: object) -> None:
    """Any value anywhere in a good answer replaced by anything."""
    payload = copy.deepcopy(SHORT)
    inside: Any = payload
    for key in path[:-1]:
        inside = inside[key]
    inside[path[-1]] = value
    parse_all(wire(payload))


# --- a real answer -----------------------------------------------------------------------------------------------


@recorded
def test_a_real_answer_for_oslo() -> None:
    """83 steps: hourly from 2026-02-06T21 to 02-08T23, six-hourly from 02-09T00 to 02-16T18."""
    assert RECORDED is not None
    path = Path(RECORDED) / "metno_compact_oslo_2026-02-06.json"
    raw = {row["time"]: row["data"] for row in json.loads(path.read_text(encoding="utf-8"))["properties"]["timeseries"]}
    weather = read_locationforecast(path)

    assert (str(weather.times[0]), str(weather.times[-1])) == ("2026-02-06T21:00:00", "2026-02-16T17:00:00")
    assert np.isfinite(weather.frame.to_numpy()).all()
    assert weather.provenance.run_time == datetime(2026, 2, 6, 20, 27, 6, tzinfo=UTC)
    assert (weather.provenance.latitude, weather.provenance.longitude) == (59.9139, 10.7522)
    assert weather.provenance.elevation_m == 5.0

    temp, rain = values(weather, "temp_c")[0], values(weather, "rain_mm")[0]
    ends = [raw[f"2026-02-06T{hour}:00:00Z"]["instant"]["details"]["air_temperature"] for hour in (21, 22)]
    assert temp[0] == pytest.approx(sum(ends) / 2)
    hourly = [
        data["next_1_hours"]["details"]["precipitation_amount"] for data in raw.values() if "next_1_hours" in data
    ]
    assert len(hourly) == 51
    assert rain[:51] == pytest.approx(hourly)
    sixes = [
        data["next_6_hours"]["details"]["precipitation_amount"]
        for data in raw.values()
        if "next_6_hours" in data and "next_1_hours" not in data
    ]
    assert rain[51:].reshape(-1, 6).sum(axis=1) == pytest.approx(sixes)


@recorded
def test_a_real_compact_answer_has_no_percentiles() -> None:
    assert RECORDED is not None
    text = (Path(RECORDED) / "metno_compact_oslo_2026-02-06.json").read_text(encoding="utf-8")

    assert parse_spread(text) is None
