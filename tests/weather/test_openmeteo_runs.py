"""Previous runs, single runs and run metadata of Open-Meteo: what a number means, and what is refused.

The answers are those of ``payloads``: what day N says is what member N says there.
"""

from __future__ import annotations

import copy
import json
import os
from datetime import UTC, datetime, timedelta, timezone
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from matewindow.errors import RequestError, WeatherFileError
from matewindow.weather.openmeteo import LICENCE
from matewindow.weather.openmeteo_runs import (
    PreviousRuns,
    parse_previous_runs,
    parse_run_metadata,
    parse_single_run,
    read_previous_runs,
    read_run_metadata,
    read_single_run,
)
from tests.weather.payloads import N_ROWS, UNITS, answer, unix_times, wire, wire_value

if TYPE_CHECKING:
    from collections.abc import Iterable

    from numpy.typing import NDArray

RECORDED = os.environ.get("MATEWINDOW_RECORDED_PAYLOADS")
recorded = pytest.mark.skipif(
    not RECORDED, reason="MATEWINDOW_RECORDED_PAYLOADS names no folder: real answers were not read"
)
RUN = datetime(2026, 6, 1, tzinfo=UTC)


def previous(
    days: Iterable[int] = range(1, 8), *, model: str = "", variables: tuple[str, ...] = tuple(UNITS)
) -> dict[str, Any]:
    """An answer with the newest run and those of so many days before. Change it, then ``wire`` it."""
    payload = answer(model=model, variables=variables)
    for variable in variables:
        for day in days:
            key = f"{variable}_previous_day{day}" + (f"_{model}" if model else "")
            payload["hourly"][key] = [wire_value(variable, row, day) for row in range(N_ROWS)]
            payload["hourly_units"][key] = UNITS[variable]
    return payload


def at(runs: PreviousRuns, values: NDArray[np.float64], hour: str) -> float:
    """The value of the hour that starts at this UTC time."""
    slot = np.flatnonzero(runs.times == np.datetime64(hour, "s"))
    assert len(slot) == 1, f"{hour} is not among {runs.times[0]} .. {runs.times[-1]}"
    return float(values[slot[0]])


# --- previous runs: what a number means -------------------------------------------------------------------


@pytest.mark.parametrize("day", range(1, 8))
def test_temperature_of_an_hour_is_the_mean_of_the_readings_at_its_two_ends(day: int) -> None:
    """Day N stamped 12 -> N + 12 °C and 13 -> N + 13 °C: the hour from 12 has N + 12.5."""
    runs = parse_previous_runs(wire(previous()))

    assert at(runs, runs.earlier["temp_c"][day], "2026-06-01T12") == pytest.approx(day + 12.5)
    assert at(runs, runs.earlier["wind_ms"][day], "2026-06-01T12") == pytest.approx(day + 1.25)
    assert at(runs, runs.earlier["cloud_frac"][day], "2026-06-01T12") == pytest.approx(day / 100 + 0.25)


@pytest.mark.parametrize("day", range(1, 8))
def test_rain_and_radiation_stamped_13_are_those_from_12_to_13(day: int) -> None:
    runs = parse_previous_runs(wire(previous()))

    assert at(runs, runs.earlier["rain_mm"][day], "2026-06-01T12") == pytest.approx(day + 0.13)
    assert at(runs, runs.earlier["ghi_wm2"][day], "2026-06-01T12") == pytest.approx(100 * day + 13)


def test_the_newest_run_stands_beside_the_older_ones_for_the_same_hours() -> None:
    """Hence what a run of N days before was off by is one subtraction: N, in every variable."""
    runs = parse_previous_runs(wire(previous()))
    scale = {"ghi_wm2": 100.0, "cloud_frac": 0.01}

    assert set(runs.newest) == set(runs.earlier) == {"temp_c", "wind_ms", "rain_mm", "ghi_wm2", "cloud_frac"}
    for name, days in runs.earlier.items():
        assert list(days) == [1, 2, 3, 4, 5, 6, 7]
        for day, values in days.items():
            off = (values - runs.newest[name])[np.isfinite(values)]
            assert off == pytest.approx(np.full(len(off), day * scale.get(name, 1.0)))


def test_hours_reach_as_far_as_anything_is_known() -> None:
    """Rain stamped 00 fell in the hour before the first stamp, of which there is no temperature."""
    runs = parse_previous_runs(wire(previous()))

    assert (str(runs.times[0]), str(runs.times[-1])) == ("2026-05-31T23:00:00", "2026-06-01T22:00:00")
    assert at(runs, runs.newest["rain_mm"], "2026-05-31T23") == 0.0
    assert np.isnan(at(runs, runs.newest["temp_c"], "2026-05-31T23"))
    assert all(len(values) == len(runs.times) for values in runs.newest.values())


def test_epoch_times_are_the_same_moments() -> None:
    payload = previous()
    payload["utc_offset_seconds"] = 7200
    local, epoch = parse_previous_runs(wire(payload)), parse_previous_runs(wire(unix_times(payload)))

    assert str(local.times[0]) == "2026-05-31T21:00:00"
    np.testing.assert_array_equal(local.times, epoch.times)
    np.testing.assert_array_equal(local.earlier["rain_mm"][3], epoch.earlier["rain_mm"][3])


def test_each_column_is_converted_from_its_own_unit() -> None:
    payload = previous([1])
    payload["hourly_units"]["wind_speed_10m_previous_day1"] = "km/h"
    runs = parse_previous_runs(wire(payload))

    assert at(runs, runs.earlier["wind_ms"][1], "2026-06-01T12") == pytest.approx(2.25 / 3.6)
    assert at(runs, runs.newest["wind_ms"], "2026-06-01T12") == pytest.approx(1.25)


def test_null_is_missing() -> None:
    payload = previous([1, 2])
    payload["hourly"]["temperature_2m_previous_day2"][12] = None
    runs = parse_previous_runs(wire(payload))

    assert np.flatnonzero(np.isnan(runs.earlier["temp_c"][2])).tolist() == [0, 12, 13]
    assert np.flatnonzero(np.isnan(runs.earlier["temp_c"][1])).tolist() == [0]


@pytest.mark.parametrize("unit", ["undefined", "m/s"])
def test_a_column_without_values_is_absent_and_said_so(unit: str) -> None:
    payload = previous([1, 2])
    payload["hourly"]["wind_speed_10m_previous_day2"] = [None] * N_ROWS
    payload["hourly_units"]["wind_speed_10m_previous_day2"] = unit
    runs = parse_previous_runs(wire(payload))

    assert list(runs.earlier["wind_ms"]) == [1]
    assert runs.provenance.notes == ("wind_speed_10m_previous_day2 holds no value and was left out",)


def test_temperature_alone_will_do() -> None:
    runs = parse_previous_runs(wire(previous([4, 2], variables=("temperature_2m",))))

    assert (list(runs.newest), list(runs.earlier), list(runs.earlier["temp_c"])) == (["temp_c"], ["temp_c"], [2, 4])


def test_previous_runs_may_come_without_the_newest() -> None:
    payload = previous([1])
    for variable in UNITS:
        del payload["hourly"][variable]
    runs = parse_previous_runs(wire(payload))

    assert runs.newest == {}
    assert at(runs, runs.earlier["temp_c"][1], "2026-06-01T12") == pytest.approx(13.5)


def test_the_model_stands_behind_the_day() -> None:
    runs = parse_previous_runs(wire(previous(model="icon_seamless")))

    assert runs.provenance.model == "icon_seamless"
    assert at(runs, runs.earlier["temp_c"][7], "2026-06-01T12") == pytest.approx(19.5)
    assert at(runs, runs.newest["temp_c"], "2026-06-01T12") == pytest.approx(12.5)


def test_other_columns_are_passed_over() -> None:
    payload = previous()
    for key in ("temperature_2m_spread", "wind_gusts_10m_previous_day1", "shortwave_radiation_instant", "is_day"):
        payload["hourly"][key] = [99] * N_ROWS
    runs, plain = parse_previous_runs(wire(payload)), parse_previous_runs(wire(previous()))

    for name, values in plain.newest.items():
        np.testing.assert_array_equal(runs.newest[name], values)


def test_provenance_says_where_it_came_from() -> None:
    provenance = parse_previous_runs(wire(previous()), file="saved.json").provenance

    assert (provenance.source, provenance.kind, provenance.licence) == ("Open-Meteo", "forecast", LICENCE)
    assert (provenance.latitude, provenance.longitude, provenance.elevation_m) == (51.5, -0.12, 21.0)
    assert (provenance.file, provenance.notes) == ("saved.json", ())


def several_models() -> dict[str, Any]:
    payload, other = previous([1], model="icon_seamless"), previous([1], model="gfs_seamless")
    payload["hourly"] |= other["hourly"]
    payload["hourly_units"] |= other["hourly_units"]
    return payload


def without_values() -> dict[str, Any]:
    payload = previous([1])
    for variable in UNITS:
        payload["hourly"][f"{variable}_previous_day1"] = [None] * N_ROWS
    return payload


def column(key: str, values: object, unit: str = "°C") -> dict[str, Any]:
    payload = previous([1])
    payload["hourly"][key], payload["hourly_units"][key] = values, unit
    return payload


REFUSED: dict[str, tuple[str, list[str]]] = {
    "nothing": ("", ["it is empty"]),
    "a web page": ("<html>", ["web page"]),
    "the service's own error": (wire({"error": True, "reason": "Too many requests"}), ['refused: "Too many requests"']),
    "an answer that broke off": (wire(previous())[:300], ["no whole JSON document"]),
    "two places": (wire([previous(), previous()]), ["for 2 places"]),
    "a plain forecast": (wire(answer()), ["no column of a previous run", "temperature_2m_previous_day1"]),
    "an ensemble": (wire(answer(members=3)), ["no column of a previous run"]),
    "previous runs without a value": (wire(without_values()), ["no column of a previous run holds any value"]),
    "one reading of temperature in two": (
        wire(
            {
                **previous([1], variables=("temperature_2m",)),
                "hourly": {
                    "time": previous()["hourly"]["time"],
                    "temperature_2m_previous_day1": [1.0, None] * (N_ROWS // 2),
                },
            }
        ),
        ["no column of a previous run holds any value"],
    ),
    "several models": (wire(several_models()), ["several models: icon_seamless, gfs_seamless"]),
    "a day 0": (wire(column("temperature_2m_previous_day0", [1.0] * N_ROWS)), ["previous_day0", "no such day as 0"]),
    "a day 8": (wire(column("precipitation_previous_day8", [1.0] * N_ROWS)), ["previous_day8", "no such day as 8"]),
    "a column too short": (
        wire(column("temperature_2m_previous_day1", [1.0])),
        ["column temperature_2m_previous_day1", "1 values for 24 times"],
    ),
    "an impossible temperature": (
        wire(column("temperature_2m_previous_day1", [1.0] * 7 + [99.0] + [1.0] * 16)),
        ["column temperature_2m_previous_day1", "99.0 °C in row 8"],
    ),
    "Fahrenheit": (
        wire(column("temperature_2m_previous_day1", [1.0] * N_ROWS, "°F")),
        ["column temperature_2m_previous_day1", "temperature_unit=celsius"],
    ),
    "no hourly block": (wire({"latitude": 1.0}), ['no "hourly" block']),
    "no place": (wire({k: v for k, v in previous().items() if k != "latitude"}), ["latitude is missing"]),
}


@pytest.mark.parametrize("what", list(REFUSED))
def test_refuses_previous_runs_and_names_the_file(what: str) -> None:
    text, words = REFUSED[what]
    with pytest.raises(WeatherFileError) as caught:
        parse_previous_runs(text, file="saved.json")

    message = str(caught.value)
    assert message.startswith("saved.json")
    for word in words:
        assert word in message
    assert caught.value.fix


# --- single runs ------------------------------------------------------------------------------------------


def single_run() -> dict[str, Any]:
    """A run of 2026-06-01 00 UTC: no sums and means of an hour at its own time, and nothing behind hour 18."""
    payload = answer()
    for variable in ("precipitation", "shortwave_radiation"):
        payload["hourly"][variable][0] = None
    for variable in UNITS:
        payload["hourly"][variable][18:] = [None] * 6
    return payload


def test_a_single_run_goes_from_its_own_time_to_its_horizon() -> None:
    """The null at lead 0 belongs to the hour before the run; those at the end lie behind its horizon."""
    weather = parse_single_run(wire(single_run()), RUN)

    assert (str(weather.times[0]), str(weather.times[-1])) == ("2026-06-01T00:00:00", "2026-06-01T16:00:00")
    assert not weather.frame.isna().to_numpy().any()
    rain, temp = weather.values("rain_mm"), weather.values("temp_c")
    assert rain is not None
    assert temp is not None
    assert (rain[0, 12], temp[0, 12]) == (pytest.approx(0.13), pytest.approx(12.5))


def test_a_single_run_knows_when_it_was_made() -> None:
    provenance = parse_single_run(wire(single_run()), RUN, file="saved.json").provenance

    assert (provenance.run_time, provenance.kind, provenance.file) == (RUN, "forecast", "saved.json")
    assert parse_single_run(wire(single_run()), RUN).provenance.file is None


def test_the_run_time_may_be_given_in_any_zone() -> None:
    run = RUN.astimezone(timezone(timedelta(hours=2)))

    assert parse_single_run(wire(single_run()), run).provenance.run_time == RUN


def test_nulls_from_midnight_to_the_run_are_no_part_of_it() -> None:
    payload = single_run()
    for variable in UNITS:
        payload["hourly"][variable][:6] = [None] * 6
    weather = parse_single_run(wire(payload), RUN + timedelta(hours=6))

    assert str(weather.times[0]) == "2026-06-01T06:00:00"


@pytest.mark.parametrize("late_h", [0, 1, 3])
def test_a_model_may_start_with_its_first_step(late_h: int) -> None:
    assert parse_single_run(wire(single_run()), RUN - timedelta(hours=late_h)).provenance.run_time is not None


def test_values_from_before_the_run_are_of_another_run() -> None:
    with pytest.raises(WeatherFileError, match=r"saved.json: its first hour.*00:00Z, lies before the run, .*T01:00Z"):
        parse_single_run(wire(single_run()), RUN + timedelta(hours=1), file="saved.json")


def test_a_run_that_starts_hours_late_is_another_run() -> None:
    with pytest.raises(WeatherFileError, match="more than 3 hours after the run"):
        parse_single_run(wire(single_run()), RUN - timedelta(hours=4))


@pytest.mark.parametrize("run", [RUN.replace(tzinfo=None), RUN.replace(minute=30)])
def test_a_run_time_that_is_none_is_refused(run: datetime) -> None:
    with pytest.raises(RequestError, match="is no run time"):
        parse_single_run(wire(single_run()), run)


def test_a_single_run_is_refused_as_a_forecast_would_be() -> None:
    with pytest.raises(WeatherFileError, match="no column wind_speed_10m"):
        parse_single_run(wire(answer(variables=("temperature_2m",))), RUN)


# --- run metadata -----------------------------------------------------------------------------------------


def metadata(**changes: Any) -> dict[str, Any]:
    """Invented: the run of 2026-06-01 00 UTC, there at 07:25, every 6 hours, in steps of 3."""
    plain = {
        "data_end_time": 1781568000,
        "last_run_availability_time": 1780298700,
        "last_run_initialisation_time": 1780272000,
        "last_run_modification_time": 1780298000,
        "temporal_resolution_seconds": 10800,
        "update_interval_seconds": 21600,
    }
    return {key: value for key, value in {**plain, **changes}.items() if value != "absent"}


def test_run_metadata_are_epoch_seconds_in_utc() -> None:
    """1780272000 s is 2026-06-01T00:00:00Z (20 605 days of 86 400 s)."""
    run = parse_run_metadata(wire(metadata()))

    assert run.run_time == RUN
    assert run.available_at == datetime(2026, 6, 1, 7, 25, tzinfo=UTC)
    assert (run.update_interval, run.native_step) == (timedelta(hours=6), timedelta(hours=3))
    assert run.data_end == datetime(2026, 6, 16, tzinfo=UTC)


def test_the_end_of_the_data_may_be_absent() -> None:
    assert parse_run_metadata(wire(metadata(data_end_time="absent"))).data_end is None


@pytest.mark.parametrize(
    ("changes", "words"),
    [
        ({"last_run_initialisation_time": "absent"}, "last_run_initialisation_time: it is missing"),
        ({"last_run_initialisation_time": 1780272000.5}, "1780272000.5 is no time in epoch seconds"),
        ({"last_run_initialisation_time": 1780272000000}, "is no time in epoch seconds"),
        ({"last_run_initialisation_time": True}, "True is no time in epoch seconds"),
        ({"last_run_availability_time": 0}, "last_run_availability_time: 0 is no time"),
        ({"last_run_availability_time": 1780271999}, "available before it began"),
        ({"update_interval_seconds": 0}, "update_interval_seconds: 0 is no interval"),
        ({"update_interval_seconds": "6 h"}, "'6 h' is no interval"),
        ({"temporal_resolution_seconds": -3600}, "temporal_resolution_seconds: -3600 is no interval"),
        ({"temporal_resolution_seconds": None}, "temporal_resolution_seconds: it is missing"),
        ({"data_end_time": []}, "data_end_time: a list is no time"),
    ],
)
def test_refuses_run_metadata_and_names_the_key(changes: dict[str, Any], words: str) -> None:
    with pytest.raises(WeatherFileError) as caught:
        parse_run_metadata(wire(metadata(**changes)), file="meta.json")

    assert str(caught.value).startswith("meta.json")
    assert words in str(caught.value)
    assert caught.value.fix


def test_a_web_page_is_no_metadata() -> None:
    with pytest.raises(WeatherFileError, match="web page"):
        parse_run_metadata("<html>Not found</html>")


# --- files and anything at all ----------------------------------------------------------------------------


def test_reads_from_a_file_what_it_parses_from_its_text(tmp_path: Path) -> None:
    path = tmp_path / "saved.json"
    path.write_text(wire(previous()), encoding="utf-8")
    np.testing.assert_array_equal(
        read_previous_runs(path).earlier["temp_c"][3], parse_previous_runs(wire(previous())).earlier["temp_c"][3]
    )
    path.write_text(wire(single_run()), encoding="utf-8")
    assert read_single_run(path, RUN).provenance.file == str(path)
    path.write_text(wire(metadata()), encoding="utf-8")
    assert read_run_metadata(path).run_time == RUN


def refuses_or_reads(text: str) -> None:
    """Nothing but a result or a WeatherFileError comes out; any other exception fails the test."""
    for parse in (parse_previous_runs, parse_run_metadata, lambda text: parse_single_run(text, RUN)):
        try:
            parse(text)
        except WeatherFileError:
            continue


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


@given(st.data(), st.sampled_from([previous([1, 7]), metadata(), single_run()]))
def test_an_answer_with_one_thing_changed_is_read_or_refused(data: st.DataObject, whole: dict[str, Any]) -> None:
    payload = copy.deepcopy(whole)
    inside: Any = payload
    while True:
        place = data.draw(st.sampled_from(range(len(inside)) if isinstance(inside, list) else sorted(inside)))
        deeper = inside[place]
        if not isinstance(deeper, dict | list) or data.draw(st.booleans()):
            inside[place] = data.draw(json_scraps)
            break
        inside = deeper
    refuses_or_reads(wire(payload))


@given(st.from_regex(r"temperature_2m(_previous_day[0-9]{0,4})?(_[a-z0-9_]{1,12})?", fullmatch=True))
def test_a_column_of_any_name_is_read_passed_over_or_refused(key: str) -> None:
    refuses_or_reads(wire(column(key, [1.0] * N_ROWS)))


# --- recorded answers -------------------------------------------------------------------------------------


@recorded
def test_reads_a_recorded_answer_of_previous_runs() -> None:
    """Three stamps of 2026-10-02, temperature and precipitation, the newest run and days 1 and 2."""
    path = Path(str(RECORDED)) / "openmeteo_previous_runs_2026-10-02.json"
    raw = json.loads(path.read_text(encoding="utf-8"))["hourly"]
    runs = read_previous_runs(path)

    assert [str(t)[:13] for t in runs.times] == ["2026-10-01T23", "2026-10-02T00", "2026-10-02T01"]
    assert {name: list(days) for name, days in runs.earlier.items()} == {"temp_c": [1, 2], "rain_mm": [1, 2]}
    for day in (1, 2):
        ends = np.array(raw[f"temperature_2m_previous_day{day}"])
        assert runs.earlier["temp_c"][day][1:] == pytest.approx((ends[:-1] + ends[1:]) / 2)
        assert runs.earlier["rain_mm"][day] == pytest.approx(raw[f"precipitation_previous_day{day}"])
    assert runs.newest["temp_c"][1:] == pytest.approx([13.55, 12.7])
    assert runs.provenance.notes == ()
