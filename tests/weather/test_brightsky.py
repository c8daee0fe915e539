"""Answers of Bright Sky: what a number means, which rows are observed, and what is refused.

The answers are invented, in the wire format, ``units=dwd``. In the row of hour h, counted from 2026-06-01T00:00Z:

=============  ================  ==================
value          observed row      row of the forecast
=============  ================  ==================
temperature    h                 h + 0.4, °C
wind_speed     3.6 h / 10        3.6 (h / 10 + 5), km/h
precipitation  h / 100           h / 100 + 1, mm
solar          h / 1000          h / 1000 + 0.1, kWh/m²
cloud_cover    2 h               2 h + 1, %
=============  ================  ==================
"""

from __future__ import annotations

import copy
import json
import os
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from matewindow.errors import RequestError, WeatherFileError
from matewindow.weather.brightsky import LICENCE, WIRE, BrightSky, parse_weather, read_weather

if TYPE_CHECKING:
    from matewindow.weather.normal import Weather

RECORDED = os.environ.get("MATEWINDOW_RECORDED_PAYLOADS")
recorded = pytest.mark.skipif(
    not RECORDED, reason="MATEWINDOW_RECORDED_PAYLOADS names no folder: real answers were not read"
)
START = np.datetime64("2026-06-01T00", "h")
STATION, NEIGHBOUR, MOSMIX = 7, 8, 9


def source(number: int, kind: str, distance: int | None, latitude: float) -> dict[str, Any]:
    return {
        "id": number,
        "dwd_station_id": f"{number:05d}",
        "observation_type": kind,
        "lat": latitude,
        "lon": 13.4,
        "height": 10.0 * number,
        "station_name": "INVENTED",
        "distance": distance,
    }


def row(h: int, *, forecast: bool) -> dict[str, Any]:
    return {
        "timestamp": f"{START + np.timedelta64(h, 'h')}:00:00+00:00",
        "source_id": MOSMIX if forecast else STATION,
        "temperature": h + 0.4 * forecast,
        "wind_speed": 3.6 * (h / 10 + 5 * forecast),
        "precipitation": h / 100 + forecast,
        "solar": h / 1000 + 0.1 * forecast,
        "cloud_cover": 2 * h + forecast,
        "sunshine": 30,
        "relative_humidity": None,
        "condition": "dry",
    }


def answer(observed: int = 12, forecast: int = 12, *, kind: str = "historical") -> dict[str, Any]:
    """So many observed rows, and behind them so many of the forecast. Change it, then ``wire`` it."""
    return {
        "weather": [row(h, forecast=h >= observed) for h in range(observed + forecast)],
        "sources": [
            source(STATION, kind, 5000, 52.5),
            source(NEIGHBOUR, kind, 9000, 52.6),
            source(MOSMIX, "forecast", 1000, 52.4),
        ],
    }


def wire(payload: object) -> str:
    return json.dumps(payload, ensure_ascii=False)


def both(payload: dict[str, Any], **options: Any) -> tuple[Weather, Weather]:
    parts = parse_weather(wire(payload), **options)
    assert parts.observed is not None
    assert parts.forecast is not None
    return parts.observed, parts.forecast


def observed_of(payload: dict[str, Any]) -> Weather:
    return both(payload)[0]


def forecast_of(payload: dict[str, Any]) -> Weather:
    return both(payload)[1]


def at(weather: Weather, name: str, h: int) -> float:
    """The value of the hour that starts h hours after the first stamp."""
    values = weather.values(name)
    assert values is not None
    slot = np.flatnonzero(weather.times == (START + np.timedelta64(h, "h")).astype("datetime64[s]"))
    assert len(slot) == 1, f"hour {h} is not among {weather.times[0]} .. {weather.times[-1]}"
    return float(values[0, slot[0]])


def hours(weather: Weather) -> list[int]:
    return [int((time - START.astype("datetime64[s]")) / np.timedelta64(1, "h")) for time in weather.times]


# --- what a number means: documentation of the service, "at timestamp" or "during previous 60 minutes" ---


def test_temperature_of_an_hour_is_the_mean_of_the_readings_at_its_two_ends() -> None:
    """Stamped 5 -> 5 °C and 6 -> 6 °C: the hour from 5 has 5.5. One hour off gives 4.5 or 6.5."""
    assert at(observed_of(answer()), "temp_c", 5) == pytest.approx(5.5)
    assert at(forecast_of(answer()), "temp_c", 15) == pytest.approx(15.9)


def test_cloud_is_an_instant_too() -> None:
    assert at(observed_of(answer()), "cloud_frac", 5) == pytest.approx(0.11)
    assert at(forecast_of(answer()), "cloud_frac", 15) == pytest.approx(0.32)


def test_wind_stamped_6_is_the_mean_from_5_to_6_in_ms() -> None:
    """21.6 km/h over ten are 0.6 m/s. Taken for an instant, the hour from 5 would have 0.55."""
    assert at(observed_of(answer()), "wind_ms", 5) == pytest.approx(0.6)
    assert at(forecast_of(answer()), "wind_ms", 15) == pytest.approx(6.6)


def test_rain_stamped_6_fell_between_5_and_6() -> None:
    assert at(observed_of(answer()), "rain_mm", 5) == pytest.approx(0.06)
    assert at(forecast_of(answer()), "rain_mm", 15) == pytest.approx(1.16)


def test_sun_of_one_kwh_in_an_hour_is_a_mean_of_1000_wm2() -> None:
    """0.006 kWh/m² stamped 6 are 6 W/m² from 5 to 6."""
    assert at(observed_of(answer()), "ghi_wm2", 5) == pytest.approx(6.0)
    assert at(forecast_of(answer()), "ghi_wm2", 15) == pytest.approx(116.0)


def test_units_si_are_read_when_the_caller_says_so() -> None:
    """K, m/s, kg/m², J/m² (1 kWh = 3.6e6 J, NIST SP 811): the same weather comes out."""
    payload = answer()
    for entry in payload["weather"]:
        entry["temperature"] += 273.15
        entry["wind_speed"] /= 3.6
        entry["solar"] *= 3.6e6

    plain, si = both(answer()), both(payload, units="si")
    for one, other in zip(plain, si, strict=True):
        np.testing.assert_allclose(one.frame.to_numpy(), other.frame.to_numpy(), atol=1e-9)


def test_times_with_another_offset_are_the_same_moments() -> None:
    payload = answer()
    for h, entry in enumerate(payload["weather"]):
        entry["timestamp"] = f"{START + np.timedelta64(h + 2, 'h')}:00:00+02:00"

    assert observed_of(payload).frame.equals(observed_of(answer()).frame)


def test_null_is_missing_and_spoils_the_two_hours_it_ends() -> None:
    payload = answer()
    payload["weather"][6]["temperature"] = payload["weather"][6]["precipitation"] = None
    del payload["weather"][6]["wind_speed"]
    frame = observed_of(payload).frame.droplevel("member")

    assert np.flatnonzero(frame["temp_c"].isna()).tolist() == [5, 6]
    assert np.flatnonzero(frame["rain_mm"].isna()).tolist() == [5]
    assert np.flatnonzero(frame["wind_ms"].isna()).tolist() == [5]


def test_recent_observations_have_no_sun_and_say_so() -> None:
    payload = answer(kind="current")
    for entry in payload["weather"][:12]:
        entry["solar"] = None
    observed, forecast = both(payload)

    assert observed.values("ghi_wm2") is None
    assert observed.provenance.notes == ("solar holds no value and was left out",)
    assert at(forecast, "ghi_wm2", 11) == pytest.approx(112.0)


def test_sun_that_is_known_for_some_hours_is_missing_in_the_others() -> None:
    payload = answer()
    payload["weather"][6]["solar"] = None

    assert np.isnan(at(observed_of(payload), "ghi_wm2", 5))
    assert at(observed_of(payload), "ghi_wm2", 6) == pytest.approx(7.0)


# --- where observation ends and forecast begins -----------------------------------------------------------


def test_no_hour_is_in_both_parts_and_none_between_them_is_lost() -> None:
    """Observed stamps 0 to 11 make the hours 0 to 10; the hour from 11 ends with a row of the forecast."""
    observed, forecast = both(answer())

    assert hours(observed) == list(range(11))
    assert hours(forecast) == list(range(11, 23))


def test_the_hour_between_begins_observed_and_ends_forecast() -> None:
    """11 °C observed and 12.4 °C forecast, 22 and 25 % of cloud; wind, rain and sun are those of the forecast row."""
    forecast = forecast_of(answer())

    assert at(forecast, "temp_c", 11) == pytest.approx(11.7)
    assert at(forecast, "cloud_frac", 11) == pytest.approx(0.235)
    assert at(forecast, "wind_ms", 11) == pytest.approx(6.2)
    assert at(forecast, "rain_mm", 11) == pytest.approx(1.12)
    assert at(forecast, "ghi_wm2", 11) == pytest.approx(112.0)


def test_nothing_forecast_enters_the_observed_hours() -> None:
    payload = answer()
    for entry in payload["weather"][12:]:
        entry.update(temperature=40, wind_speed=99, precipitation=9, solar=0.9, cloud_cover=100)

    assert observed_of(payload).frame.equals(observed_of(answer()).frame)


def test_rows_that_the_service_left_out_between_the_parts_are_in_neither() -> None:
    payload = answer()
    del payload["weather"][12:14]
    observed, forecast = both(payload)

    assert hours(observed) == list(range(11))
    assert hours(forecast) == list(range(14, 23))


def test_an_observed_row_without_temperature_makes_no_first_hour_of_the_forecast() -> None:
    payload = answer()
    payload["weather"][11]["temperature"] = None

    assert hours(forecast_of(payload))[0] == 12


def test_a_row_of_forecast_among_observed_ones_is_no_observation() -> None:
    """The station was silent at 6: both hours at that stamp are missing, in either part."""
    payload = answer()
    payload["weather"][6] = row(6, forecast=True)
    observed, forecast = both(payload)
    frame = observed.frame.droplevel("member")

    assert np.flatnonzero(frame["temp_c"].isna()).tolist() == [5, 6]
    assert np.flatnonzero(frame["rain_mm"].isna()).tolist() == [5]
    assert hours(forecast) == list(range(11, 23))
    assert observed.provenance.notes == ("rows of forecast before the last observed row were passed over: 1",)


def test_rows_of_forecast_before_the_first_observed_one_are_passed_over() -> None:
    payload = answer()
    payload["weather"][0] = row(0, forecast=True)

    assert hours(observed_of(payload)) == list(range(1, 11))


def test_a_value_filled_in_from_a_forecast_is_no_observation() -> None:
    payload = answer()
    payload["weather"][6] |= {"temperature": 39.0, "fallback_source_ids": {"temperature": MOSMIX}}
    observed = observed_of(payload)

    assert np.isnan([at(observed, "temp_c", 5), at(observed, "temp_c", 6)]).all()
    assert at(observed, "rain_mm", 5) == pytest.approx(0.06)
    assert observed.provenance.notes == (
        "temperature was filled in from a forecast in 1 of 12 rows and counts as missing there",
    )


def test_a_value_from_another_station_counts_and_is_said_so() -> None:
    payload = answer()
    payload["weather"][6] |= {"precipitation": 0.7, "fallback_source_ids": {"precipitation": NEIGHBOUR}}
    observed = observed_of(payload)

    assert at(observed, "rain_mm", 5) == pytest.approx(0.7)
    assert observed.provenance.notes == ("precipitation comes from another station in 1 of 12 rows",)
    assert forecast_of(payload).provenance.notes == ()


def test_a_forecast_may_take_a_value_from_the_forecast_of_another_station() -> None:
    payload = answer()
    payload["sources"].append(source(10, "forecast", 20000, 52.0))
    payload["weather"][14] |= {"wind_speed": 7.2, "fallback_source_ids": {"wind_speed": 10}}
    forecast = forecast_of(payload)

    assert at(forecast, "wind_ms", 13) == pytest.approx(2.0)
    assert forecast.provenance.notes == ("wind_speed comes from another station in 1 of 12 rows",)


def test_other_stations_for_values_that_are_not_used_are_no_matter() -> None:
    payload = answer()
    for entry in payload["weather"]:
        entry["fallback_source_ids"] = {"sunshine": NEIGHBOUR}

    assert observed_of(payload).provenance.notes == ()


@pytest.mark.parametrize("kind", ["historical", "current", "synop"])
def test_these_kinds_of_sources_are_observation(kind: str) -> None:
    observed, forecast = both(answer(kind=kind))

    assert (observed.provenance.kind, forecast.provenance.kind) == ("observation", "forecast")


def test_a_forecast_alone_begins_with_its_first_whole_hour() -> None:
    parts = parse_weather(wire(answer(0, 12)))

    assert parts.observed is None
    assert parts.forecast is not None
    assert hours(parts.forecast) == list(range(11))


def test_observations_alone_have_no_forecast() -> None:
    parts = parse_weather(wire(answer(12, 0)))

    assert parts.forecast is None
    assert parts.observed is not None
    assert hours(parts.observed) == list(range(11))


def test_one_observed_row_is_no_hour_but_begins_the_forecast() -> None:
    parts = parse_weather(wire(answer(1, 12)))

    assert parts.observed is None
    assert parts.forecast is not None
    assert at(parts.forecast, "temp_c", 0) == pytest.approx(0.7)
    assert parts.forecast.provenance.notes == ()


def test_a_station_without_wind_leaves_the_forecast_and_says_so() -> None:
    payload = answer()
    for entry in payload["weather"][:12]:
        entry["wind_speed"] = None
    parts = parse_weather(wire(payload))

    assert parts.observed is None
    assert parts.forecast is not None
    assert parts.forecast.provenance.notes == ("12 observed rows make no whole hour and were left out",)


def test_rows_that_are_absent_are_missing_hours() -> None:
    payload = answer()
    del payload["weather"][5:7]
    observed = observed_of(payload)

    assert hours(observed) == list(range(11))
    assert np.isnan([at(observed, "temp_c", h) for h in (4, 5, 6)]).all()
    assert observed.provenance.notes == ("2 hours are absent from the file and count as missing",)


def test_the_forecast_is_cut_off_behind_its_last_value() -> None:
    payload = answer()
    for entry in payload["weather"][20:]:
        entry.update(dict.fromkeys(WIRE))

    assert hours(forecast_of(payload))[-1] == 18


# --- provenance -------------------------------------------------------------------------------------------


def test_provenance_says_where_it_came_from() -> None:
    for part, kind, model, latitude, height in zip(
        both(answer(), file="saved.json"),
        ("observation", "forecast"),
        (None, "MOSMIX"),
        (52.5, 52.4),
        (70.0, 90.0),
        strict=True,
    ):
        provenance = part.provenance
        assert (provenance.source, provenance.kind, provenance.model) == ("Bright Sky", kind, model)
        assert provenance.licence == LICENCE == "Deutscher Wetterdienst via Bright Sky"
        assert (provenance.latitude, provenance.longitude, provenance.elevation_m) == (latitude, 13.4, height)
        assert (provenance.file, provenance.run_time, provenance.notes) == ("saved.json", None, ())


def test_of_several_stations_the_nearest_gives_the_place() -> None:
    payload = answer()
    payload["weather"][0]["source_id"] = NEIGHBOUR
    provenance = observed_of(payload).provenance

    assert provenance.latitude == 52.5
    assert provenance.notes == ("rows come from 2 sources; the place is that of the nearest",)


def test_without_distances_the_first_station_gives_the_place() -> None:
    """A request for a station has no place to be distant from."""
    payload = answer()
    for entry in payload["sources"]:
        entry["distance"] = None

    assert observed_of(payload).provenance.latitude == 52.5


def test_a_station_without_height_is_fine() -> None:
    payload = answer()
    del payload["sources"][0]["height"]

    assert observed_of(payload).provenance.elevation_m is None


# --- what is refused --------------------------------------------------------------------------------------


def changed(*path: str | int, to: Any) -> str:
    payload: Any = answer()
    inside = payload
    for part in path[:-1]:
        inside = inside[part]
    inside[path[-1]] = to
    return wire(payload)


REFUSED: dict[str, tuple[str, list[str]]] = {
    "nothing": ("", ["it is empty"]),
    "a web page": ("<html>", ["web page"]),
    "half an answer": (wire(answer())[:500], ["no whole JSON document", "Fetch it again"]),
    "a list": ("[]", ["no answer of the service"]),
    "the service's own words (404)": (
        wire({"detail": "No sources match your criteria"}),
        ['the service refused: "No sources match your criteria"', "another place or date"],
    ),
    "the service's own list (422)": (
        wire({"detail": [{"loc": ["query", "date"], "msg": "Field required", "type": "missing"}, {"msg": "Why"}]}),
        ['the service refused: "date: Field required; Why"'],
    ),
    "a refusal without words": (wire({"detail": 3}), ["the service refused."]),
    "no rows": (wire({"weather": [], "sources": []}), ["no rows (weather)"]),
    "rows that are no list": (wire({"weather": {}, "sources": []}), ["no rows (weather)"]),
    "a row that is none": (changed("weather", 3, to=7), ["row 4", "7 is no row"]),
    "no sources": (wire({"weather": answer()["weather"]}), ["no list of sources"]),
    "a source without id": (changed("sources", 1, "id", to="8"), ["source 2", "no id"]),
    "a source that is not listed": (
        changed("weather", 3, "source_id", to=99),
        ["row 4 (2026-06-01T03:00:00Z)", "source 99 is not among the sources"],
    ),
    "no source": (changed("weather", 3, "source_id", to=None), ["row 4", "source None is not among"]),
    "a third kind of source": (
        changed("sources", 2, "observation_type", to="nowcast"),
        ["row 13", "'nowcast'", "historical, current, synop, forecast"],
    ),
    "a kind that is a list": (changed("sources", 2, "observation_type", to=[]), ["row 13", "a list"]),
    "a lender that is not listed": (
        changed("weather", 3, "fallback_source_ids", to={"temperature": 99}),
        ["row 4", "temperature", "99 is not among"],
    ),
    "lenders that are no object": (
        changed("weather", 3, "fallback_source_ids", to=[9]),
        ["row 4", "fallback_source_ids"],
    ),
    "a time without offset": (
        changed("weather", 3, "timestamp", to="2026-06-01T03:00:00"),
        ["row 4, timestamp", "no time like"],
    ),
    "no time": (changed("weather", 3, "timestamp", to=None), ["row 4, timestamp", "None is no time"]),
    "half an hour": (
        changed("weather", 3, "timestamp", to="2026-06-01T03:30:00+00:00"),
        ["row 4", "not on the hour"],
    ),
    "a doubled time": (changed("weather", 3, "timestamp", to="2026-06-01T02:00:00+00:00"), ["row 4", "twice"]),
    "times running backwards": (
        changed("weather", 3, "timestamp", to="2026-06-01T01:00:00+00:00"),
        ["row 4", "backwards"],
    ),
    "a life's time": (changed("weather", 0, "timestamp", to="1950-06-01T00:00:00+00:00"), ["more than 30 years"]),
    "words for a number": (
        changed("weather", 3, "temperature", to="mild"),
        ["row 4 (2026-06-01T03:00:00Z), temperature", "'mild' is no number"],
    ),
    "true for a number": (changed("weather", 3, "precipitation", to=True), ["row 4", "True is no number"]),
    "NaN": (changed("weather", 3, "temperature", to=float("nan")), ["NaN is no JSON number"]),
    "an impossible wind": (
        changed("weather", 3, "wind_speed", to=-1),
        ["row 4", "wind_speed", "-1 km/h is impossible", "0 to 90 m/s"],
    ),
    "cloud over 100 %": (changed("weather", 3, "cloud_cover", to=101), ["row 4", "101 % is impossible"]),
    "a station at no place": (changed("sources", 0, "lat", to=95), ["source 7", "no place on earth"]),
    "a station without place": (changed("sources", 0, "lon", to=None), ["source 7", "no place on earth"]),
    "one row": (wire(answer(1, 0)), ["no hour", "both temperature and wind"]),
}


@pytest.mark.parametrize("what", list(REFUSED))
def test_refuses_and_names_the_file(what: str) -> None:
    text, words = REFUSED[what]
    with pytest.raises(WeatherFileError) as caught:
        parse_weather(text, file="saved.json")

    message = str(caught.value)
    assert message.startswith("saved.json")
    for word in words:
        assert word in message
    assert caught.value.fix


def test_si_read_as_dwd_is_refused_with_what_to_say() -> None:
    with pytest.raises(WeatherFileError, match=r"290 °C is impossible.*read in units=dwd"):
        parse_weather(changed("weather", 3, "temperature", to=290.0))


def test_dwd_read_as_si_is_refused_with_what_to_say() -> None:
    with pytest.raises(WeatherFileError, match=r"row 1 .*0 K is impossible.*read in units=si"):
        parse_weather(wire(answer()), units="si")


def test_other_units_are_refused() -> None:
    with pytest.raises(RequestError, match="dwd or si"):
        parse_weather(wire(answer()), units="us")  # type: ignore[arg-type]


# --- files and anything at all ----------------------------------------------------------------------------


def test_reads_from_a_file_what_it_parses_from_its_text(tmp_path: Path) -> None:
    path = tmp_path / "saved.json"
    path.write_text(wire(answer()), encoding="utf-8")
    parts = read_weather(path)

    assert parts.observed is not None
    assert parts.observed.frame.equals(observed_of(answer()).frame)
    assert parts.observed.provenance.file == str(path)


def refuses_or_reads(text: str) -> None:
    """Nothing but weather or a WeatherFileError comes out; any other exception fails the test."""
    try:
        parts = parse_weather(text)
    except WeatherFileError:
        return
    assert isinstance(parts, BrightSky)
    assert parts.observed or parts.forecast


@given(st.text())
def test_any_text_is_read_or_refused(text: str) -> None:
    refuses_or_reads(text)


json_scraps = st.recursive(
    st.none()
    | st.booleans()
    | st.integers(-(10**20), 10**20)
    | st.floats(allow_nan=False, allow_infinity=False)
    | st.text(max_size=20)
    | st.sampled_from(["2026-06-01T05:00:00+00:00", "current", "forecast", STATION, MOSMIX, 10**400]),
    lambda inner: st.lists(inner, max_size=4) | st.dictionaries(st.text(max_size=5), inner, max_size=3),
    max_leaves=8,
)


@given(st.data())
def test_an_answer_with_one_thing_changed_is_read_or_refused(data: st.DataObject) -> None:
    payload: Any = copy.deepcopy(answer(3, 3))
    payload["weather"][1]["fallback_source_ids"] = {"temperature": NEIGHBOUR}
    inside = payload
    while True:
        place = data.draw(st.sampled_from(range(len(inside)) if isinstance(inside, list) else sorted(inside)))
        deeper = inside[place]
        if not isinstance(deeper, dict | list) or data.draw(st.booleans()):
            inside[place] = data.draw(json_scraps)
            break
        inside = deeper
    refuses_or_reads(wire(payload))


def known_hours(weather: Weather | None) -> list[int]:
    """Hours with temperature and wind."""
    if weather is None:
        return []
    known = weather.frame[["temp_c", "wind_ms"]].notna().all(axis=1).to_numpy()
    return [h for h, is_known in zip(hours(weather), known, strict=True) if is_known]


@given(st.lists(st.sampled_from([STATION, MOSMIX]), min_size=2, max_size=12))
def test_however_rows_are_mixed_no_hour_is_in_both_parts(ids: list[int]) -> None:
    """Observed are the hours between two observed rows, forecast all those from the last observed row on."""
    payload = answer(0, 0)
    payload["weather"] = [row(h, forecast=number == MOSMIX) for h, number in enumerate(ids)]
    whole = [h for h in range(len(ids) - 1) if ids[h] == ids[h + 1] == STATION]
    last = max((h for h, number in enumerate(ids) if number == STATION), default=0)
    behind = list(range(last, len(ids) - 1))
    if not whole and not behind:
        with pytest.raises(WeatherFileError, match="no hour"):
            parse_weather(wire(payload))
    else:
        parts = parse_weather(wire(payload))
        assert known_hours(parts.observed) == whole
        assert known_hours(parts.forecast) == behind


# --- recorded answers -------------------------------------------------------------------------------------


@recorded
def test_reads_a_recorded_answer_of_14_observed_and_168_forecast_rows() -> None:
    """Berlin, 2025-09-18: the last observed stamp is 13 UTC (19.4 °C), the first forecast one 14 UTC (19.6 °C)."""
    path = Path(str(RECORDED)) / "brightsky_weather_berlin_2025-09-18.json"
    raw = json.loads(path.read_text(encoding="utf-8"))["weather"]
    parts = read_weather(path)
    assert parts.observed is not None
    assert parts.forecast is not None

    assert [str(t) for t in parts.observed.times[[0, -1]]] == ["2025-09-18T00:00:00", "2025-09-18T12:00:00"]
    assert [str(t) for t in parts.forecast.times[[0, -1]]] == ["2025-09-18T13:00:00", "2025-09-25T12:00:00"]
    temp, wind, sun = (parts.forecast.values(name) for name in ("temp_c", "wind_ms", "ghi_wm2"))
    assert temp is not None
    assert wind is not None
    assert sun is not None
    assert temp[0, 0] == pytest.approx((19.4 + 19.6) / 2)
    assert wind[0] == pytest.approx(np.array([entry["wind_speed"] for entry in raw[14:]]) / 3.6)
    assert sun[0] == pytest.approx(np.array([entry["solar"] for entry in raw[14:]]) * 1000)
    assert parts.observed.values("ghi_wm2") is None
    assert (parts.observed.provenance.latitude, parts.forecast.provenance.latitude) == (52.47, 52.52)
