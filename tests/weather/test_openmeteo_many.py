"""Answers of Open-Meteo for several places, and for several ranges of dates of one place."""

from __future__ import annotations

import json
from typing import TYPE_CHECKING, Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from matewindow.errors import WeatherFileError
from matewindow.weather.openmeteo import (
    parse_archive,
    parse_ensemble,
    parse_forecast,
    parse_many_archives,
    parse_many_ensembles,
    parse_many_forecasts,
    read_archive,
)
from matewindow.weather.openmeteo_list import split_places
from tests.weather.payloads import answer, unix_times, wire

if TYPE_CHECKING:
    from collections.abc import Callable
    from pathlib import Path

    from matewindow.weather.normal import Weather


def place(number: int, *, warmer_c: float = 0.0, **more: Any) -> dict[str, Any]:
    """The answer for the place of this number (counted from 0) among several, as the service numbers them."""
    told = answer(**more)
    told["latitude"] = 51.5 + 0.25 * number
    told["hourly"] = {
        key: [v + warmer_c for v in values] if key.startswith("temperature") else values
        for key, values in told["hourly"].items()
    }
    return told | ({"location_id": number} if number else {})


def temperatures(weather: Weather) -> list[float]:
    values = weather.values("temp_c")
    assert values is not None
    return [float(v) for v in values[0]]


# --- several places ------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("many", "one", "more"),
    [
        (parse_many_forecasts, parse_forecast, {}),
        (parse_many_ensembles, parse_ensemble, {"members": 3}),
        (parse_many_archives, parse_archive, {}),
    ],
)
def test_every_place_reads_as_it_would_alone_and_in_its_order(
    many: Callable[[str], list[Weather]], one: Callable[[str], Weather], more: dict[str, Any]
) -> None:
    told = [place(i, warmer_c=10.0 * i, **more) for i in range(3)]
    read = many(wire(told))

    assert [w.provenance.latitude for w in read] == [51.5, 51.75, 52.0]
    for weather, alone in zip(read, map(one, map(wire, told)), strict=True):
        assert weather.frame.equals(alone.frame)
        assert weather.provenance == alone.provenance


@pytest.mark.parametrize("many", [parse_many_forecasts, parse_many_archives])
def test_an_answer_for_one_place_is_a_list_of_one(many: Callable[[str], list[Weather]]) -> None:
    assert [len(many(text)) for text in (wire(answer()), wire([answer()]))] == [1, 1]


def test_places_may_have_other_hours_and_other_variables() -> None:
    told = [place(0), place(1, n_rows=48, variables=("temperature_2m", "wind_speed_10m"))]
    short, long = parse_many_forecasts(wire(told))

    assert (len(short.times), len(long.times)) == (23, 47)
    assert short.values("rain_mm") is not None
    assert long.values("rain_mm") is None


def test_two_places_in_one_cell_at_one_height_stay_two() -> None:
    """The service gives both the middle of the cell; their numbers in the order asked tell them apart."""
    told = [answer(), answer() | {"location_id": 1}]

    assert len(parse_many_archives(wire(told))) == 2
    assert len(parse_many_forecasts(wire(told))) == 2


def _without_wind(told: dict[str, Any]) -> None:
    del told["hourly"]["wind_speed_10m"]


def _nulls(told: dict[str, Any]) -> None:
    told["hourly"]["temperature_2m"] = [None] * 24


def _nowhere(told: dict[str, Any]) -> None:
    told["latitude"] = 91.0


def _error(told: dict[str, Any]) -> None:
    told.update({"error": True, "reason": "invented"})


@pytest.mark.parametrize("spoil", [_without_wind, _nulls, _nowhere, _error])
@pytest.mark.parametrize("many", [parse_many_forecasts, parse_many_archives])
def test_nonsense_at_one_place_is_refused_with_the_number_of_the_place(
    many: Callable[[str], list[Weather]], spoil: Callable[[dict[str, Any]], None]
) -> None:
    told = [place(i) for i in range(3)]
    spoil(told[1])

    with pytest.raises(WeatherFileError, match="place 2"):
        many(wire(told))


@pytest.mark.parametrize("text", ["[]", "", "[1]", "[[]]", "null", '"text"', '[{"hourly": 1}]', "[{}, {}]"])
@pytest.mark.parametrize("many", [parse_many_forecasts, parse_many_ensembles, parse_many_archives, parse_archive])
def test_what_is_no_answer_is_refused(many: Callable[[str], Any], text: str) -> None:
    with pytest.raises(WeatherFileError):
        many(text)


def test_an_answer_for_several_places_is_still_refused_where_one_was_asked_for() -> None:
    for one in (parse_forecast, parse_archive):
        with pytest.raises(WeatherFileError, match="2 places"):
            one(wire([place(0), place(1)]))


# --- one place, several ranges of dates ----------------------------------------------------------------------


def season(year: int, *, unix: bool = False, n_rows: int = 48) -> dict[str, Any]:
    """Two days of June of a year at the one place."""
    told = answer(start=f"{year}-06-01T00:00", n_rows=n_rows)
    return unix_times(told) if unix else told


@pytest.mark.parametrize("unix", [False, True])
def test_several_ranges_of_one_place_become_one_record_with_the_time_between_them_missing(*, unix: bool) -> None:
    told = [season(year, unix=unix) for year in (2023, 2024, 2025)]
    record = parse_archive(wire(told))

    assert (str(record.times[0]), str(record.times[-1])) == ("2023-06-01T00:00:00", "2025-06-02T22:00:00")
    values = record.values("temp_c")
    assert values is not None
    assert np.isfinite(values).sum() == 3 * 47
    for year, told_year in zip((2023, 2024, 2025), told, strict=True):
        alone = parse_archive(wire(told_year))
        at = int(np.flatnonzero(record.times == alone.times[0])[0])
        for name in alone.frame.columns:
            joined, own = record.values(name), alone.values(name)
            assert joined is not None
            assert own is not None
            assert np.array_equal(joined[0, at : at + 47], own[0], equal_nan=True), (year, name)


def test_the_order_of_the_ranges_does_not_matter() -> None:
    told = [season(year) for year in (2025, 2023, 2024)]
    sorted_told = sorted(told, key=lambda t: str(t["hourly"]["time"][0]))

    assert parse_archive(wire(told)).frame.equals(parse_archive(wire(sorted_told)).frame)


def test_ranges_that_follow_each_other_at_once_lose_the_hour_between_them_only() -> None:
    """Its temperature is the mean of its two ends, which stand in two objects."""
    june, then = season(2025), answer(start="2025-06-03T00:00", n_rows=24)
    values = parse_archive(wire([june, then])).values("temp_c")

    assert values is not None
    assert np.flatnonzero(np.isnan(values[0])).tolist() == [47]


def test_ranges_that_share_days_are_no_ranges() -> None:
    with pytest.raises(WeatherFileError, match="2 places"):
        parse_archive(wire([season(2025), season(2025)]))
    assert len(parse_many_archives(wire([season(2025), season(2025)]))) == 2


def test_in_an_answer_for_one_place_among_many_archives_its_ranges_are_one_record() -> None:
    assert [len(w.times) for w in parse_many_archives(wire([season(2024), season(2025)]))] == [365 * 24 + 47]


def test_a_forecast_has_no_ranges() -> None:
    with pytest.raises(WeatherFileError, match="2 places"):
        parse_forecast(wire([season(2024), season(2025)]))


def test_a_fault_in_one_range_spoils_the_record_and_is_named() -> None:
    told = [season(2024), season(2025)]
    told[1]["hourly"]["temperature_2m"][3] = "warm"

    with pytest.raises(WeatherFileError, match="column temperature_2m: 'warm' in row 4"):
        parse_archive(wire(told))


def test_saved_ranges_are_read_from_a_file_and_name_it(tmp_path: Path) -> None:
    path = tmp_path / "past.json"
    path.write_text(wire([season(2024), season(2025)]), encoding="utf-8")

    assert read_archive(path).provenance.file == str(path)


# --- taking a list apart -------------------------------------------------------------------------------------


def test_the_parts_are_as_they_were_received() -> None:
    text = ' [ {"a":1.50,  "b":[1,2]} ,\n{"c":"],[{"}]\n'

    assert split_places(text) == ['{"a":1.50,  "b":[1,2]}', '{"c":"],[{"}']
    assert split_places('{"a":1}') == ['{"a":1}']
    assert split_places("[]") == []


_JSON = st.recursive(
    st.none() | st.booleans() | st.integers() | st.floats(allow_nan=False, allow_infinity=False) | st.text(),
    lambda inner: st.lists(inner, max_size=3) | st.dictionaries(st.text(), inner, max_size=3),
    max_leaves=8,
)


@settings(max_examples=100, deadline=None)
@given(st.lists(st.dictionaries(st.text(), _JSON, max_size=3), max_size=4), st.sampled_from([None, 1]))
def test_any_list_is_taken_apart_into_what_it_holds(told: list[Any], indent: int | None) -> None:
    parts = split_places(json.dumps(told, indent=indent))

    assert [json.loads(part) for part in parts] == told


@pytest.mark.parametrize("text", ["[", "[1", "[1,", "[1 2]", "[}", "[" * 100_000])
def test_a_list_that_breaks_off_is_refused(text: str) -> None:
    with pytest.raises(WeatherFileError, match="no whole JSON"):
        split_places(text)


@settings(max_examples=150, deadline=None)
@given(st.lists(_JSON, max_size=3))
def test_any_json_is_read_or_refused_with_our_own_error(told: list[Any]) -> None:
    for read in (parse_many_forecasts, parse_many_archives, parse_archive):
        try:
            read(json.dumps(told))
        except WeatherFileError as error:
            assert str(error)  # noqa: PT017 - nothing else may come


@settings(max_examples=100, deadline=None)
@given(
    st.sampled_from(["latitude", "longitude", "elevation", "location_id", "hourly", "hourly_units"]),
    _JSON,
    st.integers(0, 1),
)
def test_any_json_in_a_head_is_read_or_refused_with_our_own_error(name: str, value: object, which: int) -> None:
    told = [season(2024), season(2025)]
    told[which][name] = value
    for read in (parse_many_archives, parse_archive):
        try:
            read(json.dumps(told))
        except WeatherFileError as error:
            assert "Open-Meteo answer" in str(error)  # noqa: PT017 - nothing else may come
