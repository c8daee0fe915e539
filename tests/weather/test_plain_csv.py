"""The plain CSV: what a row means, and what is refused."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from matewindow.errors import WeatherFileError
from matewindow.weather.files import first_impossible, read_text
from matewindow.weather.plain_csv import COLUMNS, parse_csv, read_csv

if TYPE_CHECKING:
    from pathlib import Path

HEADER = "time,temp_c,wind_ms,rain_mm,ghi_wm2,cloud_percent"
# Invented: row i has i in every column.
ROWS = [f"2026-06-01T{hour:02d}:00:00Z,{hour}.5,{hour / 10},0.{hour},{hour}00,{hour}" for hour in range(5)]
WHOLE = "\n".join([HEADER, *ROWS])


def values(text: str, name: str) -> list[float]:
    column = parse_csv(text).values(name)
    assert column is not None
    return [float(v) for v in column[0]]


def test_a_row_covers_the_hour_that_starts_at_its_time() -> None:
    weather = parse_csv(WHOLE)

    assert [str(t) for t in weather.times[:2]] == ["2026-06-01T00:00:00", "2026-06-01T01:00:00"]
    assert values(WHOLE, "temp_c") == [0.5, 1.5, 2.5, 3.5, 4.5]
    assert values(WHOLE, "rain_mm") == [0.0, 0.1, 0.2, 0.3, 0.4]
    assert values(WHOLE, "ghi_wm2") == [0.0, 100.0, 200.0, 300.0, 400.0]


def test_cloud_in_percent_becomes_a_fraction() -> None:
    assert values(WHOLE, "cloud_frac") == pytest.approx([0.0, 0.01, 0.02, 0.03, 0.04])


def test_times_with_an_offset_are_brought_to_utc() -> None:
    text = "time,temp_c,wind_ms\n2026-06-01T02:00:00+02:00,1,1\n2026-05-31T20:00-0500,2,2\n2026-06-01 02:00Z,3,3"

    assert [str(t) for t in parse_csv(text).times] == [f"2026-06-01T0{h}:00:00" for h in (0, 1, 2)]


def test_the_hour_that_the_clocks_repeat_in_autumn_is_two_hours() -> None:
    """Central Europe, 2026-10-25: 02:00 comes twice, first at +02:00 and then at +01:00."""
    text = "time,temp_c,wind_ms\n2026-10-25T02:00+02:00,1,1\n2026-10-25T02:00+01:00,2,1"

    assert values(text, "temp_c") == [1.0, 2.0]


def test_an_empty_cell_is_missing_and_no_zero() -> None:
    text = WHOLE.replace(",0.2,200,", ",,200,")
    rain = values(text, "rain_mm")

    assert np.isnan(rain[2])
    assert [rain[1], rain[3]] == [0.1, 0.3]


def test_hours_left_out_are_missing() -> None:
    text = "\n".join([HEADER, ROWS[0], ROWS[3]])

    assert np.isnan(values(text, "temp_c")).tolist() == [False, True, True, False]
    assert parse_csv(text).provenance.notes == ("2 hours are absent from the file and count as missing",)


def test_comments_and_empty_lines_at_the_top_are_passed_over() -> None:
    text = f"# station in the orchard, {2026}\n\n  # mast 10 m\n{WHOLE}\n\n"

    assert parse_csv(text).frame.equals(parse_csv(WHOLE).frame)


def test_order_of_columns_and_blanks_around_cells_do_not_matter() -> None:
    text = "wind_ms , time,temp_c\r\n 2 , 2026-06-01T00:00Z , 19.5 \r\n3,2026-06-01T01:00Z,20\r\n"

    assert values(text, "temp_c") == [19.5, 20.0]
    assert values(text, "wind_ms") == [2.0, 3.0]


def test_a_column_without_any_value_is_left_out_and_said_so() -> None:
    text = "time,temp_c,wind_ms,rain_mm\n2026-06-01T00:00Z,19,2,\n2026-06-01T01:00Z,20,2,"
    weather = parse_csv(text)

    assert weather.values("rain_mm") is None
    assert weather.provenance.notes == ("column rain_mm is empty throughout and was left out",)


def test_kind_is_observation_unless_said_otherwise() -> None:
    assert parse_csv(WHOLE).provenance.kind == "observation"
    assert parse_csv(WHOLE, kind="forecast").provenance.kind == "forecast"


def test_reads_from_a_file_what_it_parses_from_its_text(tmp_path: Path) -> None:
    path = tmp_path / "station.csv"
    path.write_text(WHOLE, encoding="utf-8-sig")
    weather = read_csv(path)

    assert weather.frame.equals(parse_csv(WHOLE).frame)
    assert weather.provenance.file == str(path)


def header(line: str) -> str:
    return "\n".join([line, *ROWS])


def row(line: str) -> str:
    """The fourth line of the file is this one: a comment, the header, one good row, and it."""
    return "\n".join(["# a comment", HEADER, ROWS[0], line, *ROWS[2:]])


# (text, words that the error must have)
REFUSED: dict[str, tuple[str, list[str]]] = {
    "an empty file": ("", ["no table", "header row"]),
    "comments alone": ("# nothing\n# here", ["no table"]),
    "a header alone": (HEADER, ["no hours at all"]),
    "no time": (header(HEADER.replace("time,", "")), ["line 1", "no column time", "temp_c, wind_ms"]),
    "no temperature": ("time,wind_ms\n2026-06-01T00:00Z,1", ["line 1", "no column temp_c"]),
    "no wind": ("time,temp_c\n2026-06-01T00:00Z,1", ["line 1", "no column wind_ms"]),
    "Fahrenheit": (header(HEADER.replace("temp_c", "temp_f")), ["unknown column 'temp_f'", "(F - 32) / 1.8"]),
    "wind in km/h": (header(HEADER.replace("wind_ms", "wind_kmh")), ["'wind_kmh'", "Divide km/h by 3.6"]),
    "wind in mph": (header(HEADER.replace("wind_ms", "wind_mph")), ["'wind_mph'", "0.44704"]),
    "wind in knots": (header(HEADER.replace("wind_ms", "wind_knots")), ["'wind_knots'", "0.514444"]),
    "rain in inches": (header(HEADER.replace("rain_mm", "rain_in")), ["'rain_in'", "25.4"]),
    "cloud as a fraction": (
        header(HEADER.replace("cloud_percent", "cloud_frac")),
        ["'cloud_frac'", "0 to 100"],
    ),
    "another column": (
        header(HEADER.replace("cloud_percent", "humidity")),
        ["'humidity'", "The columns are time"],
    ),
    "a column twice": (header(HEADER.replace("rain_mm", "temp_c")), ["temp_c stands there twice"]),
    "semicolons": (WHOLE.replace(",", ";"), ["line 1", "semicolons", "commas between"]),
    "tabs": (WHOLE.replace(",", "\t"), ["line 1", "tabs"]),
    "decimal commas": (
        row("2026-06-01T01:00:00Z,19,5,2,1,0,2,300,10"),
        ["line 4", "9 cells", "decimal point"],
    ),
    "a quoted decimal comma": (
        row('2026-06-01T01:00:00Z,"19,5",2.1,0.2,300,10'),
        ["column temp_c, line 4", "'19,5' is no number", "decimal point"],
    ),
    "too few cells": (
        row("2026-06-01T01:00:00Z,19"),
        ["line 4", "2 cells and the header 6", "keep its comma"],
    ),
    "a comment among the rows": (row("# rain gauge cleaned"), ["line 4", "comment stands among the rows"]),
    "a time without an offset": (
        row("2026-06-01T01:00:00,1,1,1,1,1"),
        ["line 4, column time", "no UTC offset", "+02:00"],
    ),
    "a date alone": (row("2026-06-01,1,1,1,1,1"), ["line 4, column time", "is no time"]),
    "another form of time": (row("01/06/2026 01:00,1,1,1,1,1"), ["line 4, column time", "is no time"]),
    "no time in the row": (row(",1,1,1,1,1"), ["line 4, column time", "'' is no time"]),
    "a month 13": (
        row("2026-13-01T01:00Z,1,1,1,1,1"),
        ["line 4, column time", "2026-13-01T01:00Z is no time"],
    ),
    "an offset of 30 h": (row("2026-06-01T01:00+30:00,1,1,1,1,1"), ["line 4, column time"]),
    "a year 9999": (row("9999-12-31T23:00-05:00,1,1,1,1,1"), ["line 4, column time", "between the years"]),
    "half hours": (row("2026-06-01T01:30Z,1,1,1,1,1"), ["line 4, column time", "not on the hour in UTC"]),
    "an offset with half an hour": (
        row("2026-06-01T06:00+05:30,1,1,1,1,1"),
        ["line 4", "not on the hour in UTC"],
    ),
    "a time twice": (row("2026-06-01T00:00Z,1,1,1,1,1"), ["line 4, column time", "stands there twice"]),
    "a time that runs backwards": (
        row("2026-05-31T00:00Z,1,1,1,1,1"),
        ["line 4, column time", "runs backwards"],
    ),
    "a word": (
        row("2026-06-01T01:00Z,19,2,trace,300,10"),
        ["column rain_mm, line 4", "'trace' is no number", "empty"],
    ),
    "nan": (row("2026-06-01T01:00Z,nan,2,0,300,10"), ["column temp_c, line 4", "'nan' is no number"]),
    "infinity": (row("2026-06-01T01:00Z,inf,2,0,300,10"), ["column temp_c, line 4", "'inf' is no number"]),
    "digits grouped by underscores": (row("2026-06-01T01:00Z,1_9,2,0,300,10"), ["'1_9' is no number"]),
    "digits of another script": (
        row("2026-06-01T01:00Z,١٩,2,0,300,10"),
        ["column temp_c, line 4", "is no number"],
    ),
    "an impossible temperature": (
        row("2026-06-01T01:00Z,66,2,0,300,10"),
        ["column temp_c, line 4", "66 °C is impossible"],
    ),
    "a number beyond floating point": (
        row("2026-06-01T01:00Z,1e999,2,0,300,10"),
        ["column temp_c, line 4", "inf °C"],
    ),
    "a negative rain": (
        row("2026-06-01T01:00Z,19,2,-1,300,10"),
        ["column rain_mm, line 4", "-1 mm is impossible"],
    ),
    "a cloud of 120 %": (row("2026-06-01T01:00Z,19,2,1,300,120"), ["column cloud_percent, line 4", "1.2"]),
    "no temperature at all": ("time,temp_c,wind_ms\n2026-06-01T00:00Z,,1", ["temp_c", "no value at all"]),
    "a quote that never ends": (row('"2026-06-01T01:00Z,19,2,0,300,10'), ["no CSV", "quotes"]),
}


@pytest.mark.parametrize("what", list(REFUSED))
def test_refuses_and_names_the_place(what: str) -> None:
    text, words = REFUSED[what]
    with pytest.raises(WeatherFileError) as caught:
        parse_csv(text, file="station.csv")

    message = str(caught.value)
    assert message.startswith("station.csv")
    for word in words:
        assert word in message
    assert caught.value.fix


def test_a_file_in_another_encoding_is_refused(tmp_path: Path) -> None:
    path = tmp_path / "station.csv"
    path.write_bytes(WHOLE.encode("utf-16"))
    with pytest.raises(WeatherFileError, match="no UTF-8 text"):
        read_csv(path)


def test_encodings_are_tried_in_their_order(tmp_path: Path) -> None:
    path = tmp_path / "name.txt"
    path.write_bytes("Malmö".encode("latin-1"))

    assert read_text(path, encodings=("utf-8", "latin-1")) == "Malmö"


def test_missing_values_are_possible_and_night_offsets_of_radiation_too() -> None:
    assert first_impossible("temp_c", np.array([np.nan, 20.0])) is None
    assert first_impossible("ghi_wm2", np.array([-3.0])) is None
    assert first_impossible("ghi_wm2", np.array([0.0, -30.0])) == 1


@given(st.text())
def test_any_text_is_refused_as_a_weather_file(text: str) -> None:
    with pytest.raises(WeatherFileError):
        parse_csv(text)


cells = st.text(max_size=8) | st.sampled_from(
    ["", "1.5", "-3", "1e3", "2026-06-01T05:00Z", "2026-06-01T05:00+02:00", '"']
)


@given(
    st.lists(st.sampled_from(["time", *COLUMNS]), min_size=3, unique=True),
    st.lists(st.lists(cells, max_size=6), max_size=4),
)
def test_any_rows_under_good_headers_are_read_or_refused(names: list[str], rows: list[list[str]]) -> None:
    text = "\n".join(",".join(line) for line in [names, *rows])
    try:
        weather = parse_csv(text)
    except WeatherFileError:
        return
    assert len(weather.times) > 0


@given(st.data())
def test_a_file_with_some_text_changed_is_read_or_refused(data: st.DataObject) -> None:
    start = data.draw(st.integers(0, len(WHOLE)))
    end = data.draw(st.integers(start, min(len(WHOLE), start + 20)))
    try:
        weather = parse_csv(WHOLE[:start] + data.draw(st.text(max_size=8)) + WHOLE[end:])
    except WeatherFileError:
        return
    assert len(weather.times) > 0


@settings(max_examples=50)
@given(raw=st.binary())
def test_any_bytes_in_a_file_are_refused(tmp_path_factory: pytest.TempPathFactory, raw: bytes) -> None:
    path = tmp_path_factory.getbasetemp() / "bytes.csv"
    path.write_bytes(raw)
    with pytest.raises(WeatherFileError):
        read_csv(path)
