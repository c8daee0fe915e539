"""A folder of weather files: which of them counts for what, and whether it is weather of the site at all."""

from __future__ import annotations

import json
import shutil
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np
import pytest

from matewindow.biology import load_biology
from matewindow.errors import WeatherFileError
from matewindow.site import Site, read_site
from matewindow.sources import load_sources
from matewindow.weather.folder import FILES, read_folder
from matewindow.weather.join import joined
from matewindow.weather.normal import Provenance, Weather, make_weather
from tests.conftest import SAMPLE
from tests.weather.test_typical import GREENSBORO, epw_text

if TYPE_CHECKING:
    from numpy.typing import NDArray

    Floats = NDArray[np.float64]

SITE = Site("Piedmont (invented)", 36.1, -79.95, 273.0, "America/New_York")
STATION_C, ANALYSIS_C, FORECAST_C, MEMBER_C = 21.0, 11.0, 15.0, 17.0
YEAR = 365


def values(weather: Weather | None, name: str = "temp_c") -> Floats:
    assert weather is not None
    found = weather.values(name)
    assert found is not None
    first: Floats = found[0]
    return first


def at(weather: Weather | None, hour: str, name: str = "temp_c") -> float:
    assert weather is not None
    return float(values(weather, name)[weather.times == np.datetime64(hour, "s")].item())


def answer(first: str, n_days: int, temp_c: float, *, members: int = 0, latitude: float = SITE.latitude) -> str:
    """An invented answer in the wire form that the folder's JSON files have."""
    n = 24 * n_days + 1
    start = int(np.datetime64(first, "s").astype(np.int64))
    names = [f"_member{m:02d}" for m in range(1, members)]
    columns = {"temperature_2m": ("°C", temp_c), "wind_speed_10m": ("m/s", 1.0), "shortwave_radiation": ("W/m²", 400.0)}
    if not members:
        columns["precipitation"] = ("mm", 0.0)
    hourly = {name + of: [value] * n for name, (_, value) in columns.items() for of in ["", *names]}
    units = {name + of: unit for name, (unit, _) in columns.items() for of in ["", *names]}
    return json.dumps(
        {
            "latitude": latitude,
            "longitude": SITE.longitude,
            "utc_offset_seconds": 0,
            "timezone": "GMT",
            "elevation": 273.0,
            "hourly_units": {"time": "unixtime"} | units,
            "hourly": {"time": [start + 3600 * i for i in range(n)]} | hourly,
        }
    )


def table(first: str, n_days: int, temp_c: float = STATION_C, missing: tuple[str, ...] = ()) -> str:
    hours = np.datetime64(first, "h") + np.arange(24 * n_days)
    rows = [f"{hour}:00Z,{'' if str(hour) in missing else temp_c},2.0" for hour in hours]
    return "\n".join(["time,temp_c,wind_ms", *rows, ""])


@pytest.fixture
def home(tmp_path: Path) -> Path:
    return tmp_path


def put(home: Path, **files: str) -> None:
    names = {name.replace(".", "_"): name for name in FILES}
    for key, text in files.items():
        (home / names[key]).write_text(text, encoding="utf-8")


def put_typical(home: Path, *, epw: bool = False, tmy3: bool = False) -> None:
    if epw:
        (home / "past.epw").write_text(epw_text(), encoding="utf-8")
    if tmy3:
        shutil.copy(GREENSBORO, home / "past.tmy3.csv")


# --- the record of real hours -----------------------------------------------------------------------------------


def test_a_stations_reading_comes_before_an_analysis_and_fills_what_the_other_lacks(home: Path) -> None:
    put(
        home,
        past_json=answer("2026-03-01", 60, ANALYSIS_C),
        past_csv=table("2026-04-20", 20, missing=("2026-04-25T12",)),
    )
    record = read_folder(home, SITE).record
    assert at(record, "2026-04-19T23:00") == ANALYSIS_C
    assert at(record, "2026-04-20T00:00") == STATION_C
    assert at(record, "2026-04-25T12:00") == ANALYSIS_C  # a cell that the station lacks
    assert at(record, "2026-05-05T12:00") == STATION_C  # past the analysis' end
    assert at(record, "2026-04-25T11:00", "ghi_wm2") == 400.0  # which the station has not
    assert np.isnan(at(record, "2026-05-05T12:00", "ghi_wm2"))
    assert record is not None
    assert str(record.times[0]) == "2026-03-01T00:00:00"
    assert str(record.times[-1]) == "2026-05-09T23:00:00"


def test_a_gap_between_two_records_is_missing(home: Path) -> None:
    put(home, past_json=answer("2026-03-01", 10, ANALYSIS_C), past_csv=table("2026-03-21", 10))
    record = read_folder(home, SITE).record
    assert at(record, "2026-03-10T20:00") == ANALYSIS_C
    assert np.isnan(at(record, "2026-03-15T12:00"))
    assert at(record, "2026-03-25T12:00") == STATION_C


def test_a_typical_year_is_no_record(home: Path) -> None:
    put_typical(home, tmy3=True)
    found = read_folder(home, SITE)
    assert found.record is None
    assert found.past is not None
    assert found.past.provenance.kind == "typical"


def test_joining_needs_no_copy_of_a_single_record_and_keeps_the_notes_of_all() -> None:
    times = np.datetime64("2026-06-01T00", "h") + np.arange(24)
    columns = {"temp_c": np.full(24, 20.0), "wind_ms": np.zeros(24)}
    first = make_weather(times, columns, Provenance("invented", "analysis", "none", notes=("a", "b")))
    second = replace(first, provenance=Provenance("another", "observation", "own", notes=("b", "c")))
    assert joined([first]) is first
    both = joined([first, second])
    assert both.provenance == replace(second.provenance, notes=("a", "b", "c"))
    assert both.values("rain_mm") is None


# --- past years -------------------------------------------------------------------------------------------------


def test_past_years_come_from_the_record_that_knows_most_hours(home: Path) -> None:
    put(home, past_json=answer("2023-01-01", 2 * YEAR, ANALYSIS_C), past_csv=table("2021-01-01", 3 * YEAR))
    assert set(values(read_folder(home, SITE).past)) == {STATION_C}
    put(home, past_csv=table("2023-06-01", YEAR))
    found = read_folder(home, SITE)
    assert set(values(found.past)) == {ANALYSIS_C}
    assert STATION_C in values(found.record)


def test_known_hours_count_and_not_the_span_of_the_file(home: Path) -> None:
    """A station of three years that was silent for two of them."""
    lines = table("2021-01-01", 3 * YEAR).splitlines()
    silent = [line.replace(f",{STATION_C},", ",,") for line in lines[YEAR * 24 :]]
    put(
        home,
        past_json=answer("2023-01-01", 2 * YEAR, ANALYSIS_C),
        past_csv="\n".join([*lines[: YEAR * 24], *silent, ""]),
    )
    assert set(values(read_folder(home, SITE).past)) == {ANALYSIS_C}


@pytest.mark.parametrize(("n_days", "kind"), [(100, "typical"), (364, "typical"), (365, "observation")])
def test_a_typical_year_serves_where_no_record_fills_a_year(home: Path, n_days: int, kind: str) -> None:
    put(home, past_csv=table("2025-01-01", n_days))
    put_typical(home, tmy3=True)
    found = read_folder(home, SITE)
    assert found.past is not None
    assert found.past.provenance.kind == kind
    assert set(values(found.record)) == {STATION_C}


def test_a_record_that_does_not_fill_a_year_serves_where_there_is_nothing_else(home: Path) -> None:
    put(home, past_csv=table("2026-04-01", 30))
    found = read_folder(home, SITE)
    assert found.past is found.record


def test_of_two_typical_years_the_epw_is_taken(home: Path) -> None:
    put_typical(home, epw=True, tmy3=True)
    found = read_folder(home, SITE)
    assert found.past is not None
    assert found.past.provenance.file == str(home / "past.epw")


def test_without_past_files_there_are_no_past_years(home: Path) -> None:
    put(home, forecast_json=answer("2026-06-01", 7, FORECAST_C))
    found = read_folder(home, SITE)
    assert (found.record, found.past, found.ensemble) == (None, None, None)
    assert set(values(found.forecast)) == {FORECAST_C}


# --- as sources -----------------------------------------------------------------------------------------------


def test_all_parts_are_laid_on_the_site_and_one_record_is_laid_once(home: Path) -> None:
    put(
        home,
        forecast_json=answer("2026-06-01", 7, FORECAST_C),
        ensemble_json=answer("2026-06-01", 15, MEMBER_C, members=3),
        past_json=answer("2024-01-01", 2 * YEAR, ANALYSIS_C),
    )
    sources = load_sources(home, SITE, load_biology())
    assert sources.run is not None
    assert sources.members is not None
    assert sources.past is sources.observed
    assert sources.members.temp_c.shape[0] == 3
    assert np.nanmean(sources.run.temp_c) == FORECAST_C
    assert np.nanmean(sources.members.temp_c) == MEMBER_C
    assert str(sources.run.issued) == "2026-05-31"  # at UTC-5:20 the file's first hour is the evening before
    put(home, past_csv=table("2026-05-01", 20))
    beside = load_sources(home, SITE, load_biology())
    assert beside.past is not beside.observed
    assert beside.observed is not None
    assert beside.past is not None
    assert np.nanmax(beside.observed.temp_c) == STATION_C
    assert np.nanmax(beside.past.temp_c) == ANALYSIS_C


# --- weather of the site ----------------------------------------------------------------------------------------


@pytest.mark.parametrize("name", ["forecast_json", "ensemble_json", "past_json"])
def test_weather_of_another_place_is_refused_whichever_file_it_stands_in(home: Path, name: str) -> None:
    members = 3 if name == "ensemble_json" else 0
    put(home, **{name: answer("2026-06-01", 5, 15.0, members=members, latitude=SITE.latitude + 0.7)})
    with pytest.raises(WeatherFileError, match=r"36\.8, longitude -79\.95, but the site lies at 36\.1") as refused:
        read_folder(home, SITE)
    assert Path(refused.value.where or "").name == name.replace("_", ".")


def test_the_next_cell_of_a_coarse_grid_still_serves(home: Path) -> None:
    put(home, forecast_json=answer("2026-06-01", 5, 15.0, latitude=SITE.latitude - 0.55))
    assert read_folder(home, SITE).forecast is not None


def test_a_typical_year_may_lie_farther_off_since_its_stations_are_few(home: Path) -> None:
    put_typical(home, tmy3=True)
    assert read_folder(home, replace(SITE, latitude=37.2)).past is not None
    with pytest.raises(WeatherFileError, match=r"is weather for latitude 36\.1"):
        read_folder(home, replace(SITE, latitude=37.4))


def test_a_site_beside_the_date_line_has_neighbours_across_it(home: Path) -> None:
    text = answer("2026-06-01", 5, 15.0, latitude=-16.5).replace(str(SITE.longitude), "179.8")
    (home / "forecast.json").write_text(text, encoding="utf-8")
    assert read_folder(home, Site("Fiji (invented)", -16.5, -179.9, 10.0, "Pacific/Fiji")).forecast is not None


# --- whose weather it is ----------------------------------------------------------------------------------------


def test_a_line_in_the_folder_says_whose_weather_it_is(home: Path) -> None:
    put(home, forecast_json=answer("2026-06-01", 5, 15.0), past_csv=table("2026-05-01", 20))
    (home / "terms.txt").write_text("  My own station,\n no terms \n", encoding="utf-8")
    folder = read_folder(home, SITE)
    parts = [part for part in (folder.forecast, folder.record, folder.past) if part is not None]
    assert {part.provenance.licence for part in parts} == {"My own station, no terms"}
    (home / "terms.txt").unlink()
    assert read_folder(home, SITE).forecast.provenance.licence == "Weather data by Open-Meteo.com (CC BY 4.0)"  # type: ignore[union-attr]


@pytest.mark.parametrize("text", ["", " \n", "x" * 201, "a\x00b"])
def test_a_line_that_says_nothing_is_refused_with_its_file(home: Path, text: str) -> None:
    put(home, forecast_json=answer("2026-06-01", 5, 15.0))
    (home / "terms.txt").write_text(text, encoding="utf-8")
    with pytest.raises(WeatherFileError, match="does not say in a line whose weather") as refused:
        read_folder(home, SITE)
    assert Path(refused.value.where or "").name == "terms.txt"


def test_the_sample_says_that_it_is_invented() -> None:
    site = read_site(SAMPLE / "site.toml")
    folder = read_folder(SAMPLE, site)
    assert folder.past is not None
    assert folder.past.provenance.licence.startswith("Invented weather")
