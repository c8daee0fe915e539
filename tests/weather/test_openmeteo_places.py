"""Places and elevations of Open-Meteo: absent means unknown, and what is refused. All places are invented."""

from __future__ import annotations

import copy
import json
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from matewindow.errors import WeatherFileError
from matewindow.weather.openmeteo_places import Place, parse_elevation, parse_geocoding

WHOLE: dict[str, Any] = {
    "results": [
        {
            "id": 1,
            "name": "Heathcombe",
            "latitude": 51.2,
            "longitude": -0.9,
            "elevation": 88.0,
            "feature_code": "PPL",
            "country_code": "GB",
            "admin1": "England",
            "timezone": "Europe/London",
            "population": 4321,
            "country": "United Kingdom",
        },
        {"id": 2, "name": "Heathcombe", "latitude": -41.3, "longitude": 174.8},
    ],
    "generationtime_ms": 0.4,
}


def wire(payload: object) -> str:
    return json.dumps(payload)


def changed(key: str, to: object) -> str:
    payload = copy.deepcopy(WHOLE)
    payload["results"][0][key] = to
    return wire(payload)


def test_a_place_has_what_the_gazetteer_says() -> None:
    assert parse_geocoding(wire(WHOLE))[0] == Place(
        "Heathcombe", 51.2, -0.9, 88.0, "GB", "England", "Europe/London", 4321
    )


def test_what_is_absent_is_unknown() -> None:
    assert parse_geocoding(wire(WHOLE))[1] == Place("Heathcombe", -41.3, 174.8, None, None, None, None, None)


def test_places_come_in_the_order_of_the_service() -> None:
    assert [place.latitude for place in parse_geocoding(wire(WHOLE))] == [51.2, -41.3]


def test_no_hit_comes_without_results_and_is_no_error() -> None:
    assert parse_geocoding('{"generationtime_ms":0.2}') == []


def test_empty_words_are_unknown() -> None:
    assert parse_geocoding(changed("admin1", ""))[0].region is None


@pytest.mark.parametrize("height", [9999.0, -9999, 1e308, None])
def test_a_height_that_no_place_has_is_unknown(height: float | None) -> None:
    """Gazetteers write such numbers for want of a better one."""
    assert parse_geocoding(changed("elevation", height))[0].elevation_m is None


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("", "it is empty"),
        ("<html>", "web page"),
        (wire(WHOLE)[:80], "no whole JSON document"),
        ("[]", "no answer of the service"),
        ("{}", "no answer of the geocoding service"),
        (wire({"error": True, "reason": "Parameter count must be between 1 and 100."}), 'refused: "Parameter count'),
        (wire({"error": True}), "the service refused"),
        (wire({"results": {}}), "results are no list"),
        (wire({"results": [3]}), "result 1: 3 is no place"),
        (changed("name", None), "result 1: it has no name"),
        (changed("name", 7), "result 1, name: 7 is no text"),
        (changed("latitude", None), "result 1: it has no latitude"),
        (changed("latitude", 91), "result 1: latitude cannot be 91"),
        (changed("longitude", "east"), "result 1: longitude cannot be 'east'"),
        (changed("elevation", "high"), "result 1: elevation cannot be 'high'"),
        (changed("elevation", to=True), "result 1: elevation cannot be True"),
        (changed("population", -1), "result 1: population cannot be -1"),
        (changed("timezone", ["Europe/London"]), "result 1, timezone: a list is no text"),
    ],
)
def test_refuses_places_and_names_the_result(text: str, words: str) -> None:
    with pytest.raises(WeatherFileError) as caught:
        parse_geocoding(text, file="places.json")

    assert str(caught.value).startswith("places.json")
    assert words in str(caught.value)
    assert caught.value.fix


def test_elevations_come_one_for_each_point() -> None:
    assert parse_elevation('{"elevation":[38.0,1204,-3.5]}') == [38.0, 1204.0, -3.5]


@pytest.mark.parametrize(
    ("text", "heights"),
    [
        ('{"elevation":[nan]}', [None]),
        ('{"elevation":[38.0,nan,nan]}', [38.0, None, None]),
        ('{"elevation": [nan , 12.5, -nan ]}', [None, 12.5, None]),
        ('{"elevation":[NaN,1]}', [None, 1.0]),
        ('{"elevation":[null,1]}', [None, 1.0]),
    ],
)
def test_nan_is_no_json_and_means_unknown(text: str, heights: list[float | None]) -> None:
    """So the service prints it at a pole, and where its elevations end."""
    assert parse_elevation(text) == heights


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("", "it is empty"),
        ('{"elevation":[38.0,na', "no whole JSON document"),
        ('{"elevation":[banana]}', "no whole JSON document"),
        ('{"elevation":[nan,', "no whole JSON document"),
        ('{"elevation":nan}', "no whole JSON document"),
        ('{"elevation":[Infinity]}', "no whole JSON document"),
        ('{"elevation":38.0}', 'no list "elevation"'),
        ("{}", 'no list "elevation"'),
        ('{"error":true,"reason":"Latitude must be in range of -90 to 90°. Given: 91."}', 'refused: "Latitude must be'),
        ('{"elevation":["high"]}', "value 1: 'high' is no number"),
        ('{"elevation":[1,true]}', "value 2: True is no number"),
        ('{"elevation":[9999]}', "value 1: 9999 m is no elevation on earth"),
    ],
)
def test_refuses_elevations_and_names_the_value(text: str, words: str) -> None:
    with pytest.raises(WeatherFileError) as caught:
        parse_elevation(text, file="elevation.json")

    assert str(caught.value).startswith("elevation.json")
    assert words in str(caught.value)
    assert caught.value.fix


def refuses_or_reads(text: str) -> None:
    """Nothing but a list or a WeatherFileError comes out; any other exception fails the test."""
    for parse in (parse_geocoding, parse_elevation):
        try:
            found: object = parse(text)
        except WeatherFileError:
            continue
        assert isinstance(found, list)


@given(st.text() | st.from_regex(r'\{"elevation":\[(nan|-?[0-9]{1,3}|,| )*\]\}', fullmatch=True))
def test_any_text_is_read_or_refused(text: str) -> None:
    refuses_or_reads(text)


json_scraps = st.recursive(
    st.none() | st.booleans() | st.integers() | st.floats() | st.text(max_size=20) | st.sampled_from([10**400]),
    lambda inner: st.lists(inner, max_size=4) | st.dictionaries(st.text(max_size=5), inner, max_size=3),
    max_leaves=8,
)


@given(st.sampled_from(["results", "error", "elevation"]), json_scraps)
def test_an_answer_with_anything_in_it_is_read_or_refused(key: str, scrap: object) -> None:
    refuses_or_reads(wire({**WHOLE, key: scrap}))


@given(st.sampled_from(sorted(WHOLE["results"][0])), json_scraps)
def test_a_place_with_anything_in_it_is_read_or_refused(key: str, scrap: object) -> None:
    refuses_or_reads(changed(key, scrap))
