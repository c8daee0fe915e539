"""Typical years, against pvlib's own reading of the two TMY3 files that it ships.

- 723170TYA.CSV: Greensboro, NC; 36.100 N, 79.950 W, 273 m, UTC-5; revised in 2015, with present weather.
- 703165TY.csv: Sand Point, AK; UTC-9; as first published.

EPW files are made here from the numbers of the Greensboro file, so that both readers must give the same weather.
"""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd
import pvlib
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from matewindow.errors import WeatherFileError
from matewindow.weather.typical import is_in_tenths, read_epw, read_tmy3, to_utc

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from matewindow.weather.normal import Weather

DATA = Path(pvlib.__file__).parent / "data"
GREENSBORO, SAND_POINT = DATA / "723170TYA.CSV", DATA / "703165TY.csv"
LINES = GREENSBORO.read_text(encoding="ascii").splitlines()


@pytest.fixture(scope="module")
def greensboro() -> Weather:
    return read_tmy3(GREENSBORO)


@pytest.fixture(scope="module")
def sand_point() -> Weather:
    return read_tmy3(SAND_POINT)


def values(weather: Weather, name: str) -> NDArray[np.float64]:
    column = weather.values(name)
    assert column is not None
    return column.ravel()


def at(weather: Weather, name: str, hour: str) -> float:
    return float(values(weather, name)[weather.times == np.datetime64(hour, "s")].item())


# --- TMY3 -------------------------------------------------------------------------------------------------


def test_a_known_hour_of_greensboro(greensboro: Weather) -> None:
    """Lines 5005 and 5006: 07/28/1981 11:00 and 12:00 at UTC-5. 29.4 and 31.1 °C, 3.1 and 3.1 m/s, no cloud, 911 W/m² and
    no rain in the hour that ends at 12:00, which starts at 16:00 UTC."""
    assert LINES[5004].startswith("07/28/1981,11:00,")
    assert LINES[5005].startswith("07/28/1981,12:00,")

    assert at(greensboro, "temp_c", "2001-07-28T16") == pytest.approx((29.4 + 31.1) / 2)
    assert at(greensboro, "wind_ms", "2001-07-28T16") == pytest.approx(3.1)
    assert at(greensboro, "cloud_frac", "2001-07-28T16") == 0.0
    assert at(greensboro, "ghi_wm2", "2001-07-28T16") == 911.0
    assert at(greensboro, "rain_mm", "2001-07-28T16") == 0.0


def test_the_same_hour_in_pvlibs_own_reading(greensboro: Weather) -> None:
    """pvlib labels an hour of a TMY3 file with its end."""
    frame, _ = pvlib.iotools.read_tmy3(GREENSBORO, coerce_year=2001, map_variables=True)
    row = frame.loc[pd.Timestamp("2001-07-28T12:00", tz="Etc/GMT+5")]

    assert at(greensboro, "ghi_wm2", "2001-07-28T16") == row["ghi"]
    both_ends = frame.loc["2001-07-28T11:00":"2001-07-28T12:00", "temp_air"]
    assert at(greensboro, "temp_c", "2001-07-28T16") == pytest.approx(both_ends.mean())


@pytest.mark.parametrize("path", [GREENSBORO, SAND_POINT])
def test_all_radiation_is_that_of_pvlib_one_hour_earlier(path: Path) -> None:
    frame, _ = pvlib.iotools.read_tmy3(path, coerce_year=2001, map_variables=True)
    ghi = pd.Series(frame["ghi"].to_numpy(float), index=frame.index.tz_convert("UTC") - pd.Timedelta(hours=1))
    inside = ghi[ghi.index.year == 2001]
    ours = read_tmy3(path).frame.xs(0)["ghi_wm2"]

    assert len(inside) in (8755, 8751)
    assert ours.loc[inside.index].to_numpy() == pytest.approx(inside.to_numpy())


def test_the_sun_is_in_the_south_at_the_middle_of_the_radiation(greensboro: Weather) -> None:
    """Centre of the year's radiation in apparent solar time (equation of time: pvlib, Spencer 1971): 12 h but for cloudier
    afternoons. One hour wrong would be plain to see."""
    times = pd.DatetimeIndex(greensboro.times)
    equation_min = pvlib.solarposition.equation_of_time_spencer71(times.day_of_year)
    hour_utc = times.hour.to_numpy() + 0.5
    solar = (hour_utc - 79.95 / 15.0 + np.asarray(equation_min) / 60.0) % 24.0
    weights = values(greensboro, "ghi_wm2")

    assert float((solar * weights).sum() / weights.sum()) == pytest.approx(12.0, abs=0.2)


def test_a_typical_year_is_one_unbroken_year_in_utc(greensboro: Weather) -> None:
    assert (str(greensboro.times[0]), str(greensboro.times[-1])) == (
        "2001-01-01T00:00:00",
        "2001-12-31T23:00:00",
    )
    assert (len(greensboro.times), greensboro.n_members) == (8760, 1)


def test_hours_that_utc_moves_over_the_end_of_the_year_stand_at_its_beginning(sand_point: Weather) -> None:
    """Sand Point, UTC-9: the first hour of the UTC year is 15:00 to 16:00 local on 12/31, line 8754 (105 W/m²)."""
    line = SAND_POINT.read_text(encoding="ascii").splitlines()[8753].split(",")
    assert line[:2] == ["12/31/1998", "16:00"]

    assert at(sand_point, "ghi_wm2", "2001-01-01T00") == float(line[4]) == 105.0


def test_the_first_local_hour_starts_with_the_last_reading_of_the_year(greensboro: Weather) -> None:
    """00:00 on 01/01 is 24:00 on 12/31: the year goes round."""
    last, first = float(LINES[-1].split(",")[31]), float(LINES[2].split(",")[31])

    assert at(greensboro, "temp_c", "2001-01-01T05") == pytest.approx((last + first) / 2)


def test_months_are_not_shifted_by_the_leap_year_they_came_from(greensboro: Weather) -> None:
    """February of this file is of 1996. Its last hour ends at 24:00 on 02/28, which is 03/01 00:00 in 2001."""
    row = next(i for i, line in enumerate(LINES) if line.startswith("02/28/1996,14:00"))

    assert at(greensboro, "ghi_wm2", "2001-02-28T18") == float(LINES[row].split(",")[4])


def test_provenance_of_a_typical_year(greensboro: Weather) -> None:
    provenance = greensboro.provenance

    assert (provenance.kind, provenance.file) == ("typical", str(GREENSBORO))
    assert provenance.source == "TMY3 typical year, GREENSBORO PIEDMONT TRIAD INT, NC"
    assert (provenance.latitude, provenance.longitude, provenance.elevation_m) == (36.1, -79.95, 273.0)
    assert provenance.notes[0].startswith("a typical year: its months come from different years")


def test_cloud_in_tenths_becomes_a_fraction(greensboro: Weather) -> None:
    """Lines 6001 and 6002: 10 tenths at 23:00 and none at 24:00 on 09/07."""
    assert [LINES[n].split(",")[25] for n in (6000, 6001)] == ["10", "0"]

    assert at(greensboro, "cloud_frac", "2001-09-08T04") == pytest.approx(0.5)


# --- rain in TMY3 -----------------------------------------------------------------------------------------


def test_rain_of_greensboro_is_brought_from_tenths_to_millimetres(greensboro: Weather) -> None:
    """The file adds up to 8345 under a heading in mm (pvlib's own soiling test has that sum). The climate normal of the
    place is near 1,100 mm a year (from memory), so that only tenths can be meant."""
    assert sum(int(line.split(",")[64]) for line in LINES[2:]) == 8345

    assert np.nansum(values(greensboro, "rain_mm")) == pytest.approx(834.5)
    assert any("tenths of a millimetre" in note for note in greensboro.provenance.notes)


def test_rain_falls_in_the_hour_that_ends_at_the_stamp(greensboro: Weather) -> None:
    """Line 4362: 07/01 16:00, 58 tenths of a mm, 20:00 to 21:00 UTC."""
    assert LINES[4361].startswith("07/01/1981,16:00,")
    assert LINES[4361].split(",")[64] == "58"

    assert at(greensboro, "rain_mm", "2001-07-01T20") == pytest.approx(5.8)


def test_a_february_of_zeros_with_rain_and_snow_reported_counts_as_missing(greensboro: Weather) -> None:
    months = pd.DatetimeIndex(greensboro.times - np.timedelta64(5, "h")).month
    rain = values(greensboro, "rain_mm")

    assert np.isnan(rain[months == 2]).all()
    assert np.isfinite(rain[months != 2]).all()
    assert any("missing in 2001-02" in note for note in greensboro.provenance.notes)


def test_rain_of_sand_point_is_left_out(sand_point: Weather) -> None:
    """Most hours have none, and most of the others are sums over 3, 6 or 24 h."""
    assert sand_point.values("rain_mm") is None
    assert "rain was not judged: the file gives hourly sums for 268 of 8760 hours only" in sand_point.provenance.notes


def test_millimetres_from_a_gauge_that_reads_tenths_of_an_inch_stay_millimetres() -> None:
    """0.1, 0.2 and 0.3 inch are 3, 5 and 8 mm: the numbers of tenths, but an hour of 3 mm is no rare one."""
    inches = np.array([0.1] * 70 + [0.2] * 20 + [0.3] * 10)

    assert not is_in_tenths(np.round(25.4 * inches))
    assert is_in_tenths(np.round(254.0 * inches))


def test_millimetres_from_hundredths_of_an_inch_stay_millimetres() -> None:
    """Seeded draw, mean 2 mm an hour; and a tenfold of it that stands on all numbers alike."""
    depth_mm = np.round(np.random.default_rng(1).exponential(2.0, 400) + 0.5)

    assert not is_in_tenths(depth_mm)
    assert not is_in_tenths(10.0 * depth_mm + np.arange(400) % 10)


# --- EPW --------------------------------------------------------------------------------------------------

LOCATION = "LOCATION,Greensboro,NC,USA,made for a test,723170,36.10,-79.95,-5.0,273.0"
N_FIELDS = 35


def epw_row(line: str, rain: tuple[str, str] = ("999", "99")) -> str:
    """One row of an EPW file from one line of the TMY3 file. Fields: EPW data dictionary."""
    cells = line.split(",")
    month, day, year = cells[0].split("/")
    row = [
        year,
        month.lstrip("0"),
        day.lstrip("0"),
        str(int(cells[1][:2])),
        "0",
        "?",
        *["0"] * (N_FIELDS - 6),
    ]
    row[6], row[13], row[21], row[22] = cells[31], cells[4], cells[46], cells[25]
    row[33], row[34] = rain
    return ",".join(row)


def epw_text(location: str = LOCATION, rain: tuple[str, str] = ("999", "99")) -> str:
    headers = ["DESIGN CONDITIONS,0", "TYPICAL/EXTREME PERIODS,0", "GROUND TEMPERATURES,0"]
    headers += [
        "HOLIDAYS/DAYLIGHT SAVINGS,No,0,0,0",
        'COMMENTS 1,half a "quotation',
        "COMMENTS 2,",
        "DATA PERIODS,1,1",
    ]
    return "\n".join([location, *headers, *(epw_row(line, rain) for line in LINES[2:])]) + "\n"


EPW = epw_text()


@pytest.fixture
def epw_file(tmp_path: Path) -> Path:
    path = tmp_path / "made.epw"
    path.write_text(EPW, encoding="utf-8")
    return path


def test_an_epw_file_of_the_same_numbers_is_the_same_weather(epw_file: Path, greensboro: Weather) -> None:
    """Hour 1 of an EPW file is the hour that a TMY3 file stamps 01:00; pvlib labels them an hour apart."""
    weather = read_epw(epw_file)

    for name in ("temp_c", "wind_ms", "ghi_wm2", "cloud_frac"):
        assert values(weather, name) == pytest.approx(values(greensboro, name))
    assert weather.provenance.source == "EPW typical year, Greensboro, USA, made for a test"
    assert (weather.provenance.kind, weather.provenance.elevation_m) == ("typical", 273.0)


def test_rain_that_is_missing_throughout_an_epw_file_is_left_out(epw_file: Path) -> None:
    weather = read_epw(epw_file)

    assert weather.values("rain_mm") is None
    assert weather.provenance.notes[-1].startswith("rain was not judged: the file gives hourly sums for 0 of 8760")


def test_rain_of_an_epw_file_is_read_where_it_is_an_hourly_sum(tmp_path: Path) -> None:
    """1.5 mm in the hour that ends at 12:00 on 28 July, UTC-5; a 6-hour sum one hour later is no hourly sum."""
    path = tmp_path / "rain.epw"
    text = epw_text(rain=("0", "1"))
    for hour, rain in ((12, "1.5,1"), (13, "9.0,6")):
        row = next(r for r in text.splitlines() if r.startswith(f"1981,7,28,{hour},"))
        text = text.replace(row, row.removesuffix("0,1") + rain)
    path.write_text(text, encoding="utf-8")
    weather = read_epw(path)

    assert at(weather, "rain_mm", "2001-07-28T16") == 1.5
    assert np.isnan(at(weather, "rain_mm", "2001-07-28T17"))
    assert at(weather, "rain_mm", "2001-07-28T15") == 0.0


def test_a_year_without_any_rain_is_not_believed(tmp_path: Path) -> None:
    path = tmp_path / "dry.epw"
    path.write_text(epw_text(rain=("0", "1")), encoding="utf-8")
    weather = read_epw(path)

    assert weather.values("rain_mm") is None
    assert weather.provenance.notes[-1] == "rain was not judged: the file gives no rain in the whole year"


def test_missing_values_of_an_epw_file_are_missing(tmp_path: Path) -> None:
    """99.9 °C, 999 m/s, 9999 Wh/m² and 99 tenths mean missing: EPW data dictionary."""
    path = tmp_path / "gaps.epw"
    row = next(r for r in EPW.splitlines() if r.startswith("1981,7,28,12,"))
    cells = row.split(",")
    cells[6], cells[13], cells[21], cells[22] = "99.9", "9999", "999", "99"
    path.write_text(EPW.replace(row, ",".join(cells)), encoding="utf-8")
    weather = read_epw(path)

    for name in ("temp_c", "wind_ms", "cloud_frac"):
        missing = weather.times[np.isnan(values(weather, name))]
        assert [str(t) for t in missing] == ["2001-07-28T16:00:00", "2001-07-28T17:00:00"]
    assert [str(t) for t in weather.times[np.isnan(values(weather, "ghi_wm2"))]] == ["2001-07-28T16:00:00"]


def test_half_an_hour_off_utc_blends_two_hours(tmp_path: Path, greensboro: Weather) -> None:
    """At UTC+5:30, 06:00 to 07:00 UTC is the second half of the local hour from 11 and the first half of the one from 12."""
    path = tmp_path / "india.epw"
    path.write_text(epw_text(LOCATION.replace("-5.0", "5.5")), encoding="utf-8")
    weather = read_epw(path)

    from_11, from_12 = (at(greensboro, "ghi_wm2", f"2001-07-28T{hour}") for hour in (16, 17))
    assert at(weather, "ghi_wm2", "2001-07-28T06") == pytest.approx((from_11 + from_12) / 2)
    assert any("blend" in note for note in weather.provenance.notes)


@given(st.floats(-12, 14), st.integers(0, 100))
def test_moving_a_year_to_utc_keeps_its_sum(offset_h: float, seed: int) -> None:
    local = np.random.default_rng(seed).random(48)

    assert to_utc(local, offset_h).sum() == pytest.approx(local.sum())


def test_a_name_in_another_encoding_does_no_harm(tmp_path: Path) -> None:
    path = tmp_path / "malmö.epw"
    path.write_bytes(EPW.replace("Greensboro", "Malmö").encode("latin-1"))

    assert "Malmö" in read_epw(path).provenance.source


# --- what is refused --------------------------------------------------------------------------------------


def tmy3_with(line: int, old: str, new: str) -> str:
    assert old in LINES[line - 1]
    return "\n".join([*LINES[: line - 1], LINES[line - 1].replace(old, new, 1), *LINES[line:]])


def tmy3_cell(line: int, column: int, new: str) -> str:
    cells = LINES[line - 1].split(",")
    cells[column] = new
    return "\n".join([*LINES[: line - 1], ",".join(cells), *LINES[line:]])


def epw_cell(line: int, column: int, new: str) -> str:
    lines = EPW.splitlines()
    cells = lines[line - 1].split(",")
    cells[column] = new
    return "\n".join([*lines[: line - 1], ",".join(cells), *lines[line:]])


TMY3_REFUSED: dict[str, tuple[str, list[str]]] = {
    "an empty file": ("", ["0 rows", "8760"]),
    "half a file": ("\n".join(LINES[:4000]), ["3998 rows", "8760"]),
    "a leap year": ("\n".join([*LINES, *LINES[-24:]]), ["8784 rows", "without a 29 February"]),
    "a line left empty": ("\n".join([*LINES[:100], "", *LINES[101:]]), ["only 8759 of its 8760 rows"]),
    "a column renamed": (tmy3_with(2, "Dry-bulb (C)", "T"), ["line 2", "no column 'Dry-bulb (C)'"]),
    "no zone": (tmy3_with(1, "-5.0", "EST"), ["no TMY3 file that can be read"]),
    "a zone beyond the globe": (tmy3_with(1, "-5.0", "-15"), ["line 1", "TZ cannot be -15"]),
    "a zone that is no number": (tmy3_with(1, "-5.0", "nan"), ["no TMY3 file that can be read"]),
    "a latitude beyond the pole": (tmy3_with(1, "36.100", "136.1"), ["line 1", "latitude cannot be 136.1"]),
    "a date that is none": (tmy3_with(5006, "07/28/1981", "07/32/1981"), ["no TMY3 file that can be read"]),
    "an hour that is none": (tmy3_with(5006, "12:00", "noon"), ["no TMY3 file that can be read"]),
    "a day out of place": (
        tmy3_with(5006, "07/28/1981", "07/29/1981"),
        ["line 5006", "2001-07-29 12:00:00 stands where 2001-07-28 12:00:00 should be"],
    ),
    "half an hour": (tmy3_with(5006, "12:00", "12:30"), ["line 5006", "12:30:00 stands where"]),
    "a word": (tmy3_cell(5006, 31, "warm"), ["column Dry-bulb (C), line 5006", "'warm' is no number"]),
    "an impossible temperature": (
        tmy3_cell(5006, 31, "311"),
        ["column Dry-bulb (C), line 5006", "impossible"],
    ),
    "an impossible cloud": (tmy3_cell(5006, 25, "11"), ["column TotCld (tenths), line 5006", "impossible"]),
    "no temperature": (
        "\n".join([*LINES[:2], *(",".join([*(c := r.split(","))[:31], "-9900", *c[32:]]) for r in LINES[2:])]),
        ["temp_c", "no value at all"],
    ),
}

EPW_REFUSED: dict[str, tuple[str, list[str]]] = {
    "an empty file": ("", ["0 rows", "8760"]),
    "a TMY3 file": ("\n".join([*["x"] * 6, *LINES]), ["line 1", "LOCATION"]),
    "a location cut short": (EPW.replace(LOCATION, "LOCATION,Greensboro"), ["no EPW file that can be read"]),
    "a 29 February": (
        EPW.replace("\n1996,2,28,5,", "\n1996,2,29,5,"),
        ["no EPW file that can be read"],
    ),
    "an hour out of place": (
        EPW.replace("\n1981,7,28,12,", "\n1981,7,28,13,"),
        ["line 5012", "2001-07-28 12:00:00 stands where 2001-07-28 11:00:00 should be"],
    ),
    "a word": (epw_cell(5012, 6, "warm"), ["column temp_air, line 5012", "'warm' is no number"]),
    "an impossible wind": (epw_cell(5012, 21, "-3"), ["column wind_speed, line 5012", "-3", "impossible"]),
}


@pytest.mark.parametrize("what", list(TMY3_REFUSED))
def test_refuses_a_tmy3_file_and_names_the_place(what: str, tmp_path: Path) -> None:
    text, words = TMY3_REFUSED[what]
    path = tmp_path / "year.csv"
    path.write_text(text, encoding="utf-8")
    with pytest.raises(WeatherFileError) as caught:
        read_tmy3(path)

    assert str(caught.value).startswith(str(path))
    for word in words:
        assert word in str(caught.value)
    assert caught.value.fix


@pytest.mark.parametrize("what", list(EPW_REFUSED))
def test_refuses_an_epw_file_and_names_the_place(what: str, tmp_path: Path) -> None:
    text, words = EPW_REFUSED[what]
    path = tmp_path / "year.epw"
    path.write_text(text, encoding="utf-8")
    with pytest.raises(WeatherFileError) as caught:
        read_epw(path)

    assert str(caught.value).startswith(str(path))
    for word in words:
        assert word in str(caught.value)
    assert caught.value.fix


def test_a_missing_file_and_a_web_address_are_no_typical_year() -> None:
    """pvlib would download from an address; nothing here goes on the net."""
    for read in (read_tmy3, read_epw):
        with pytest.raises(WeatherFileError, match="no such file"):
            read("https://example.org/year.epw")


@settings(max_examples=50)
@given(raw=st.binary())
def test_any_bytes_are_refused(tmp_path_factory: pytest.TempPathFactory, raw: bytes) -> None:
    path = tmp_path_factory.getbasetemp() / "bytes.year"
    path.write_bytes(raw)
    for read in (read_tmy3, read_epw):
        with pytest.raises(WeatherFileError):
            read(path)


@settings(max_examples=12, deadline=None, suppress_health_check=[HealthCheck.too_slow])
@given(st.data())
def test_a_file_with_one_cell_changed_is_read_or_refused(
    tmp_path_factory: pytest.TempPathFactory, data: st.DataObject
) -> None:
    path = tmp_path_factory.getbasetemp() / "changed.year"
    lines = LINES if data.draw(st.booleans()) else EPW.splitlines()
    line = data.draw(st.sampled_from([0, 1, 9, 4000, len(lines) - 1]))
    cells = lines[line].split(",")
    cells[data.draw(st.integers(0, len(cells) - 1))] = data.draw(
        st.sampled_from(["", "x", "nan", "-1", "1e9", '"', "24:00"])
    )
    path.write_text("\n".join([*lines[:line], ",".join(cells), *lines[line + 1 :]]), encoding="utf-8")
    try:
        weather = (read_tmy3 if lines is LINES else read_epw)(path)
    except WeatherFileError:
        return
    assert len(weather.times) == 8760
