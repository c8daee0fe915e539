"""MOSMIX: what a number means, what members are made of, and what is refused.

The files are invented, in the wire format. At step i, counted from 0 at 2026-06-01T01:00Z:

========  ====================
TTT       273.15 + i, K
FF        i / 10, m/s
N         2 i, %
RR1c      i / 100, kg/m²
Rad1h     3.6 i, kJ/m²
E_TTT     1 + i / 10, K
E_FF      0.5 + i / 100, m/s
R101 ...  40, 35, 30, 25, 20, 15, 10, 5, 1, %
========  ====================
"""

from __future__ import annotations

import io
import zipfile
from datetime import UTC, datetime
from typing import TYPE_CHECKING

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import stats

from matewindow.errors import RequestError, WeatherFileError
from matewindow.weather import mosmix_kml
from matewindow.weather.mosmix import (
    HOURLY_CORRELATION,
    LICENCE,
    RAIN_OVER_MM,
    Mosmix,
    parse_kmz,
    read_kmz,
    spread_members,
)

if TYPE_CHECKING:
    from collections.abc import Mapping
    from pathlib import Path

    from numpy.typing import NDArray

    from matewindow.weather.normal import Weather

    Floats = NDArray[np.float64]
    Column = list[float | str]

START = np.datetime64("2026-06-01T01", "h")
N_STEPS = 24
ODDS = dict(zip(RAIN_OVER_MM, (40, 35, 30, 25, 20, 15, 10, 5, 1), strict=True))
TOP = """<?xml version="1.0" encoding="ISO-8859-1" standalone="yes"?>
<kml:kml xmlns:dwd="https://opendata.dwd.de/weather/lib/pointforecast_dwd_extension_V1_0.xsd" \
xmlns:kml="http://www.opengis.net/kml/2.2"><kml:Document><kml:ExtendedData><dwd:ProductDefinition>
<dwd:Issuer>Deutscher Wetterdienst</dwd:Issuer>
<dwd:IssueTime>2026-06-01T00:00:00.000Z</dwd:IssueTime>
<dwd:ReferencedModel><dwd:Model dwd:name="ICON" dwd:referenceTime="2026-05-31T18:00:00Z"/></dwd:ReferencedModel>
<dwd:ForecastTimeSteps>"""


def elements(n_steps: int = N_STEPS) -> dict[str, Column]:
    steps = range(n_steps)
    return {
        "PPPP": [101325.0 for _ in steps],
        "TTT": [273.15 + i for i in steps],
        "E_TTT": [1 + i / 10 for i in steps],
        "FF": [i / 10 for i in steps],
        "E_FF": [0.5 + i / 100 for i in steps],
        "N": [2 * i for i in steps],
        "Neff": ["-" for _ in steps],
        "RR1c": [i / 100 for i in steps],
        "Rad1h": [3.6 * i for i in steps],
        **{name: [float(percent) for _ in steps] for name, percent in ODDS.items()},
    }


def kml(
    given: Mapping[str, Column] | None = None,
    *,
    times: list[str] | None = None,
    coordinates: str = "13.40,52.52,37.0",
    name: str = "10389",
) -> str:
    given = elements() if given is None else given
    if times is None:
        times = [f"{START + np.timedelta64(i, 'h')}:00:00.000Z" for i in range(len(next(iter(given.values()), [])))]
    steps = "".join(f"<dwd:TimeStep>{stamp}</dwd:TimeStep>\n" for stamp in times)
    forecasts = "".join(
        f'<dwd:Forecast dwd:elementName="{element}"><dwd:value>{" ".join(f"{value:>11}" for value in values)}'
        "</dwd:value></dwd:Forecast>\n"
        for element, values in given.items()
    )
    return (
        f"{TOP}{steps}</dwd:ForecastTimeSteps></dwd:ProductDefinition></kml:ExtendedData><kml:Placemark>"
        f"<kml:name>{name}</kml:name><kml:description>INVENTED / KÖLN</kml:description><kml:ExtendedData>{forecasts}"
        f"</kml:ExtendedData><kml:Point><kml:coordinates>{coordinates}</kml:coordinates></kml:Point></kml:Placemark>"
        "</kml:Document></kml:kml>"
    )


def kmz(text: str | bytes, name: str = "MOSMIX_L_2026060100_10389.kml", method: int = zipfile.ZIP_DEFLATED) -> bytes:
    buffer = io.BytesIO()
    with zipfile.ZipFile(buffer, "w", method) as archive:
        archive.writestr(name, text.encode("iso-8859-1") if isinstance(text, str) else text)
    return buffer.getvalue()


def with_elements(**changes: Column | None) -> Mosmix:
    changed = {key: values for key, values in {**elements(), **changes}.items() if values is not None}
    return parse_kmz(kmz(kml(changed)))


def slot_of(weather: Weather, hour: str) -> int:
    slot = np.flatnonzero(weather.times == np.datetime64(f"2026-06-01T{hour}", "s"))
    assert len(slot) == 1, f"{hour} is not among {weather.times[0]} .. {weather.times[-1]}"
    return int(slot[0])


def at(weather: Weather, name: str, hour: str) -> float:
    """The value of the hour that starts at this UTC time of the first day."""
    values = weather.values(name)
    assert values is not None
    return float(values[0, slot_of(weather, hour)])


WHOLE = kmz(kml())


# --- what a number means: table of elements of DWD ---------------------------------------------------------


def test_temperature_of_an_hour_is_the_mean_of_the_readings_at_its_two_ends() -> None:
    """Stamped 12:00 -> 11 °C and 13:00 -> 12 °C: the hour from 12 has 11.5. One hour off gives 10.5 or 12.5."""
    assert at(parse_kmz(WHOLE).weather, "temp_c", "12") == pytest.approx(11.5)


def test_wind_and_cloud_are_instants_too() -> None:
    weather = parse_kmz(WHOLE).weather

    assert at(weather, "wind_ms", "12") == pytest.approx(1.15)
    assert at(weather, "cloud_frac", "12") == pytest.approx(0.23)


def test_rain_stamped_13_fell_between_12_and_13() -> None:
    assert at(parse_kmz(WHOLE).weather, "rain_mm", "12") == pytest.approx(0.12)


def test_irradiation_of_3600_kj_in_the_hour_before_is_a_mean_of_1000_wm2() -> None:
    """43.2 kJ/m² stamped 13 are 12 W/m² from 12 to 13; 1 W h = 3.6 kJ."""
    assert at(parse_kmz(WHOLE).weather, "ghi_wm2", "12") == pytest.approx(12.0)


def test_expected_errors_are_those_of_the_same_hours() -> None:
    """Of the instants 12:00 and 13:00: 2.1 and 2.2 K, 0.61 and 0.62 m/s."""
    parsed = parse_kmz(WHOLE)
    slot = slot_of(parsed.weather, "12")
    assert parsed.expected_error is not None

    assert parsed.expected_error["temp_c"][slot] == pytest.approx(2.15)
    assert parsed.expected_error["wind_ms"][slot] == pytest.approx(0.615)
    assert {len(values) for values in parsed.expected_error.values()} == {len(parsed.weather.times)}


def test_odds_of_rain_stamped_13_are_those_from_12_to_13() -> None:
    odds: Column = [50.0 if i == 12 else 0.0 for i in range(N_STEPS)]
    parsed = with_elements(R101=odds)

    assert np.flatnonzero(parsed.rain_odds[0.1]).tolist() == [slot_of(parsed.weather, "12")]
    assert parsed.rain_odds[0.1].max() == 0.5


def test_more_rain_is_never_likelier_than_less() -> None:
    """Odds of neighbouring amounts are forecast apart and may cross."""
    parsed = with_elements(R102=[60.0] * N_STEPS)

    assert parsed.rain_odds[0.2] == pytest.approx(np.full(23, 0.40))
    assert parsed.rain_odds[0.3] == pytest.approx(np.full(23, 0.30))


def test_hours_run_from_the_first_to_the_last_with_both_ends_known() -> None:
    times = parse_kmz(WHOLE).weather.times

    assert (str(times[0]), str(times[-1]), len(times)) == ("2026-06-01T01:00:00", "2026-06-01T23:00:00", 23)


def test_a_dash_is_missing_and_spoils_the_two_hours_it_ends() -> None:
    ttt, rain, error = (elements()[key] for key in ("TTT", "RR1c", "E_TTT"))
    ttt[11] = rain[11] = error[11] = "-"
    parsed = with_elements(TTT=ttt, RR1c=rain, E_TTT=error)
    frame = parsed.weather.frame
    assert parsed.expected_error is not None

    assert np.flatnonzero(frame["temp_c"].isna()).tolist() == [10, 11]
    assert np.flatnonzero(frame["rain_mm"].isna()).tolist() == [10]
    assert np.flatnonzero(np.isnan(parsed.expected_error["temp_c"])).tolist() == [10, 11]


def test_an_element_without_values_is_left_out_and_said_so() -> None:
    weather = with_elements(RR1c=["-"] * N_STEPS, Rad1h=None).weather

    assert list(weather.frame.columns) == ["temp_c", "wind_ms", "cloud_frac"]
    assert weather.provenance.notes == (
        "RR1c holds no value and was left out",
        "Rad1h holds no value and was left out",
    )


def test_an_element_with_values_outside_of_the_hours_only_is_left_out_too() -> None:
    """Stamped with the first time, the rain fell in an hour without temperature."""
    weather = with_elements(RR1c=[0.5, *["-"] * (N_STEPS - 1)]).weather

    assert weather.values("rain_mm") is None
    assert weather.provenance.notes == ("RR1c holds no value in these hours and was left out",)


def test_hours_behind_the_last_value_are_cut_off() -> None:
    ttt = elements()["TTT"]
    ttt[20:] = ["-"] * 4
    parsed = with_elements(TTT=ttt)
    assert parsed.expected_error is not None

    assert str(parsed.weather.times[-1]) == "2026-06-01T19:00:00"
    assert len(parsed.expected_error["wind_ms"]) == len(parsed.rain_odds[5.0]) == len(parsed.weather.times)


def test_absent_time_steps_are_missing_hours() -> None:
    given = {key: values[:5] + values[7:] for key, values in elements().items()}
    times = [f"{START + np.timedelta64(i, 'h')}:00:00.000Z" for i in range(N_STEPS) if i not in (5, 6)]
    weather = parse_kmz(kmz(kml(given, times=times))).weather

    assert np.flatnonzero(weather.frame["temp_c"].isna()).tolist() == [4, 5, 6]
    assert weather.provenance.notes == ("2 hours are absent from the file and count as missing",)


def test_a_file_without_expected_errors_and_odds_is_a_forecast_alone() -> None:
    """MOSMIX_S has fewer elements."""
    parsed = with_elements(E_TTT=None, E_FF=None, **dict.fromkeys(RAIN_OVER_MM))

    assert parsed.expected_error is None
    assert parsed.rain_odds == {}
    assert parsed.weather.frame.equals(parse_kmz(WHOLE).weather.frame)


def test_one_expected_error_may_be_there_without_the_other() -> None:
    parsed = with_elements(E_FF=["-"] * N_STEPS)
    assert parsed.expected_error is not None

    assert list(parsed.expected_error) == ["temp_c"]


def test_odds_of_heavy_rain_alone_say_too_little() -> None:
    assert with_elements(R101=None).rain_odds == {}


def test_provenance_says_where_it_came_from() -> None:
    provenance = parse_kmz(WHOLE, file="saved.kmz").weather.provenance

    assert (provenance.source, provenance.model, provenance.kind) == ("DWD MOSMIX", "MOSMIX", "forecast")
    assert provenance.licence == LICENCE == "Source: Deutscher Wetterdienst (CC BY 4.0)"
    assert provenance.run_time == datetime(2026, 6, 1, tzinfo=UTC)
    assert (provenance.latitude, provenance.longitude, provenance.elevation_m) == (52.52, 13.4, 37.0)
    assert (provenance.file, provenance.notes, provenance.native_step_h) == ("saved.kmz", (), 1.0)


def test_the_encoding_is_the_one_that_the_file_declares() -> None:
    """ISO-8859-1, in which the name of the station is no UTF-8; or UTF-8, if it says so."""
    with pytest.raises(UnicodeDecodeError):
        kml().encode("iso-8859-1").decode("utf-8")
    utf8 = kmz(kml().replace("ISO-8859-1", "UTF-8").encode("utf-8"))

    assert parse_kmz(utf8).weather.frame.equals(parse_kmz(WHOLE).weather.frame)


def test_a_zip_may_be_stored_without_compression() -> None:
    assert parse_kmz(kmz(kml(), method=zipfile.ZIP_STORED)).weather.frame.equals(parse_kmz(WHOLE).weather.frame)


def test_reads_from_a_file_what_it_parses_from_its_bytes(tmp_path: Path) -> None:
    path = tmp_path / "saved.kmz"
    path.write_bytes(WHOLE)

    assert read_kmz(path).weather.frame.equals(parse_kmz(WHOLE).weather.frame)
    assert read_kmz(path).weather.provenance.file == str(path)


def test_a_file_that_is_not_there_is_named(tmp_path: Path) -> None:
    with pytest.raises(WeatherFileError, match=r"absent\.kmz: there is no such file"):
        read_kmz(tmp_path / "absent.kmz")


# --- what is refused --------------------------------------------------------------------------------------

LAUGHS = "".join(f'<!ENTITY l{i} "{f"&l{i - 1};" * 10}">' for i in range(1, 12))


def with_doctype(inside: str) -> bytes:
    top, rest = kml(name="&l11;").split("\n", 1)
    return kmz(f"{top}<!DOCTYPE kml [{inside}]>{rest}")


def two_files() -> bytes:
    buffer = io.BytesIO(WHOLE)
    with zipfile.ZipFile(buffer, "a") as archive:
        archive.writestr("second.kml", kml())
    return buffer.getvalue()


def flagged(at_local: int, at_central: int, value: int) -> bytes:
    """The same zip with one number of its headers changed."""
    raw = bytearray(WHOLE)
    raw[raw.index(b"PK\3\4") + at_local] = value
    raw[raw.index(b"PK\1\2") + at_central] = value
    return bytes(raw)


def step(element: str, i: int, value: float | str) -> bytes:
    given = elements()
    given[element][i] = value
    return kmz(kml(given))


def at_times(*stamps: str) -> bytes:
    given = {key: values[: len(stamps)] for key, values in elements().items()}
    return kmz(kml(given, times=list(stamps)))


REFUSED: dict[str, tuple[bytes, list[str]]] = {
    "nothing": (b"", ["no whole KMZ file"]),
    "a web page": (b"<html>Not found</html>", ["web page or XML, and no KMZ file"]),
    "an unpacked KML file": (kml().encode("iso-8859-1"), ["web page or XML, and no KMZ file"]),
    "half a file": (WHOLE[: len(WHOLE) // 2], ["no whole KMZ file"]),
    "a changed byte": (WHOLE[:200] + bytes([WHOLE[200] ^ 0xFF]) + WHOLE[201:], ["saved.kmz"]),
    "an empty zip": (b"PK\5\6" + bytes(18), ["a zip of 0 files"]),
    "two files": (two_files(), ["a zip of 2 files"]),
    "another file": (kmz(kml(), name="readme.txt"), ["not of one KML file"]),
    "an encrypted file": (flagged(6, 8, 1), ["encrypted"]),
    "an unusual packing": (flagged(8, 10, 12), ["packed in an unusual way"]),
    "a zip bomb": (kmz(kml() + " " * mosmix_kml.MAX_KML_BYTES), ["unpacked it has more than 4 MB"]),
    "a billion laughs": (with_doctype('<!ENTITY l0 "ha">' + LAUGHS), ["document type declaration"]),
    "a file from elsewhere": (
        with_doctype('<!ENTITY l11 SYSTEM "file:///etc/hostname">'),
        ["document type declaration"],
    ),
    "a document type elsewhere": (
        kmz(kml().replace("<kml:kml", '<!DOCTYPE kml SYSTEM "http://example.org/kml.dtd"><kml:kml', 1)),
        ["document type declaration"],
    ),
    "an entity of its own": (kmz(kml(name="&station;")), ["KML is broken (undefined entity"]),
    "XML that broke off": (kmz(kml()[:-20]), ["KML is broken"]),
    "an unknown encoding": (kmz(kml().replace("ISO-8859-1", "KLINGON")), ["KML is broken (unknown encoding"]),
    "no XML": (kmz("TTT 290"), ["KML is broken"]),
    "another XML": (kmz("<a><b>1</b></a>"), ["0 time step(s)"]),
    "a tower of tags": (kmz("<a>" * 100 + "</a>" * 100), ["nested too deeply"]),
    "an endless element": (step("TTT", 3, "1" * 70_000), ["its value is longer than that of any forecast"]),
    "several stations": (
        kmz(kml().replace("</kml:Document>", "<kml:Placemark></kml:Placemark></kml:Document>")),
        ["several stations", "single station"],
    ),
    "an element twice": (
        kmz(
            kml().replace(
                "</kml:ExtendedData><kml:Point>",
                '<dwd:Forecast dwd:elementName="FF"><dwd:value>1</dwd:value></dwd:Forecast>'
                "</kml:ExtendedData><kml:Point>",
            )
        ),
        ["element FF stands there twice"],
    ),
    "no issue time": (
        kmz(kml().replace("<dwd:IssueTime>2026-06-01T00:00:00.000Z</dwd:IssueTime>", "")),
        ["IssueTime", "'' is no time"],
    ),
    "an issue time of words": (kmz(kml().replace("2026-06-01T00:00:00.000Z", "today")), ["IssueTime", "'today'"]),
    "one step": (at_times("2026-06-01T01:00:00.000Z"), ["1 time step(s)"]),
    "a step of words": (at_times("2026-06-01T01:00:00.000Z", "soon"), ["time step 2", "'soon' is no time"]),
    "half an hour": (
        at_times("2026-06-01T01:00:00.000Z", "2026-06-01T01:30:00.000Z"),
        ["time step 2", "not on the hour"],
    ),
    "seconds and their parts": (
        at_times("2026-06-01T01:00:00.000Z", "2026-06-01T02:00:00.500Z"),
        ["time step 2", "is no time"],
    ),
    "a doubled step": (at_times(*["2026-06-01T01:00:00.000Z"] * 2), ["time step 2", "twice"]),
    "steps running backwards": (
        at_times("2026-06-01T02:00:00.000Z", "2026-06-01T01:00:00.000Z"),
        ["time step 2", "backwards"],
    ),
    "steps over years": (
        at_times("2020-06-01T02:00:00.000Z", "2026-06-01T01:00:00.000Z"),
        ["more than 40 days"],
    ),
    "no temperature": (kmz(kml({k: v for k, v in elements().items() if k != "TTT"})), ["10389", "no TTT"]),
    "no wind with a value": (kmz(kml({**elements(), "FF": ["-"] * N_STEPS})), ["10389", "no FF"]),
    "temperature at every other step": (
        kmz(kml({**elements(), "TTT": [280.0, "-"] * (N_STEPS // 2)})),
        ["no hour in it has both"],
    ),
    "an element too short": (
        kmz(kml({**elements(), "RR1c": [0.0]})),
        ["station 10389, RR1c", "1 values for 24 time steps"],
    ),
    "words for a number": (step("TTT", 3, "warm"), ["TTT, step 4 (2026-06-01T04:00:00Z)", "'warm' is no number"]),
    "not a number": (step("N", 3, "nan"), ["N, step 4", "'nan' is no number"]),
    "a decimal comma": (step("FF", 3, "1,5"), ["FF, step 4", "'1,5' is no number"]),
    "degrees Celsius": (step("TTT", 3, 15.0), ["TTT, step 4", "15 K is impossible", "-90 to 60 °C"]),
    "a negative wind": (step("FF", 3, -1.0), ["FF, step 4", "-1 m/s is impossible"]),
    "a negative error": (step("E_TTT", 3, -1.0), ["E_TTT, step 4", "-1 is impossible (allowed 0 to 30)"]),
    "odds over 100 %": (step("R101", 3, 101.0), ["R101, step 4", "101 is impossible (allowed 0 to 100)"]),
    "no place": (kmz(kml(coordinates="")), ["coordinates", "'' is no longitude"]),
    "a place of words": (kmz(kml(coordinates="Berlin,Mitte")), ["coordinates", "'Berlin,Mitte'"]),
    "a place off the earth": (kmz(kml(coordinates="13.4,95.0,37.0")), ["no place on earth"]),
}


@pytest.mark.parametrize("what", list(REFUSED))
def test_refuses_and_names_the_file(what: str) -> None:
    data, words = REFUSED[what]
    with pytest.raises(WeatherFileError) as caught:
        parse_kmz(data, file="saved.kmz")

    message = str(caught.value)
    assert message.startswith("saved.kmz")
    for word in words:
        assert word in message
    assert caught.value.fix


def test_a_zip_bomb_is_not_unpacked_any_further_than_allowed(monkeypatch: pytest.MonkeyPatch) -> None:
    """Of 64 MB of blanks, packed into 64 kB, no more is unpacked than the cap and one piece."""
    read: list[int] = []
    plain = zipfile.ZipExtFile.read

    def counted(self: zipfile.ZipExtFile, n: int | None = -1) -> bytes:
        chunk = plain(self, n)
        read.append(len(chunk))
        return chunk

    buffer = io.BytesIO()
    with zipfile.ZipFile(buffer, "w", zipfile.ZIP_DEFLATED) as archive, archive.open("bomb.kml", "w") as bomb:
        for _ in range(64):
            bomb.write(b" " * 2**20)
    monkeypatch.setattr(zipfile.ZipExtFile, "read", counted)
    with pytest.raises(WeatherFileError, match="unpacked it has more than 4 MB"):
        parse_kmz(buffer.getvalue())
    assert sum(read) <= mosmix_kml.MAX_KML_BYTES + 2**18


# --- members ----------------------------------------------------------------------------------------------


def long_forecast(n_steps: int = 240) -> Mosmix:
    """Ten days of 15 °C, 10 m/s and an expected error of 2 K and 1 m/s; odds of rain as above."""
    given: dict[str, Column] = {
        **{name: [float(percent)] * n_steps for name, percent in ODDS.items()},
        "TTT": [288.15] * n_steps,
        "FF": [10.0] * n_steps,
        "E_TTT": [2.0] * n_steps,
        "E_FF": [1.0] * n_steps,
        "RR1c": [0.1] * n_steps,
        "N": [50.0] * n_steps,
        "Rad1h": [360.0] * n_steps,
    }
    return parse_kmz(kmz(kml(given)))


LONG = long_forecast()


def values(weather: Weather, name: str) -> Floats:
    found = weather.values(name)
    assert found is not None
    return found


@pytest.fixture(scope="module")
def many() -> Weather:
    return spread_members(LONG, 1000)


def test_the_mean_of_the_members_is_the_forecast() -> None:
    weather = spread_members(LONG, 15)

    assert values(weather, "temp_c").mean(axis=0) == pytest.approx(values(LONG.weather, "temp_c")[0])
    assert values(weather, "wind_ms").mean(axis=0) == pytest.approx(values(LONG.weather, "wind_ms")[0])


@pytest.mark.parametrize(("name", "expected"), [("temp_c", 2.0), ("wind_ms", 1.0)])
def test_members_are_off_by_the_expected_absolute_error_on_average(many: Weather, name: str, expected: float) -> None:
    """A normal error of sd 1.25 e has a mean absolute error of 1.25 e sqrt(2 / pi) = 0.997 e."""
    off = values(many, name) - values(LONG.weather, name)[0]

    assert np.abs(off).mean() == pytest.approx(expected, rel=0.03)
    assert off.std() == pytest.approx(1.25 * expected, rel=0.03)
    assert np.abs(off).mean(axis=0) == pytest.approx(np.full(off.shape[1], expected), rel=0.1)


def test_few_members_are_as_far_off_as_many() -> None:
    """Errors that add up to 0 over three members would be too small by a third of their variance, were they not raised."""
    off = [values(spread_members(LONG, 3, seed=s), "temp_c") - values(LONG.weather, "temp_c")[0] for s in range(20)]

    assert np.mean(np.square(off)) == pytest.approx(2.5**2, rel=0.15)


def test_the_spread_follows_the_expected_error_of_each_hour() -> None:
    parsed = parse_kmz(WHOLE)
    assert parsed.expected_error is not None
    weather = spread_members(parsed, 1000)

    assert values(weather, "temp_c").std(axis=0) == pytest.approx(1.25 * parsed.expected_error["temp_c"], rel=0.1)


@pytest.mark.parametrize(("name", "lags"), [("temp_c", (1, 17, 48)), ("wind_ms", (1, 8, 24))])
def test_errors_run_on_in_time_as_stated(many: Weather, name: str, lags: tuple[int, ...]) -> None:
    """An AR(1) series: after k hours the correlation is that of one hour to the power k."""
    off = values(many, name) - values(LONG.weather, name)[0]

    for lag in lags:
        kept = np.corrcoef(off[:, :-lag].ravel(), off[:, lag:].ravel())[0, 1]
        assert kept == pytest.approx(HOURLY_CORRELATION[name] ** lag, abs=0.03)


def test_errors_of_temperature_and_wind_are_unrelated(many: Weather) -> None:
    assert abs(np.corrcoef(values(many, "temp_c").ravel(), values(many, "wind_ms").ravel())[0, 1]) < 0.05


@pytest.mark.parametrize(("element", "amount"), list(RAIN_OVER_MM.items()))
def test_so_many_members_are_over_an_amount_as_the_odds_say(many: Weather, element: str, amount: float) -> None:
    share = (values(many, "rain_mm") > amount).mean()

    assert share == pytest.approx(ODDS[element] / 100, abs=0.01)


def test_the_other_members_are_dry_where_the_forecast_drizzles(many: Weather) -> None:
    """RR1c is 0.1 mm in every hour; 60 % of the hours of the members have no rain at all."""
    rain = values(many, "rain_mm")

    assert (rain == 0.0).mean() == pytest.approx(0.60, abs=0.01)
    assert ((rain > 0.0) & (rain < 0.1)).sum() == 0
    assert rain.max() <= 10.0


def test_wet_hours_follow_one_another_as_stated(many: Weather) -> None:
    """Odds of two wet hours in a row by the bivariate normal distribution of scipy, correlation 0.90."""
    wet = values(many, "rain_mm") > 0.1
    z = stats.norm.ppf(0.40)
    both = stats.multivariate_normal.cdf([z, z], cov=[[1.0, 0.9], [0.9, 1.0]])

    assert (wet[:, :-1] & wet[:, 1:]).mean() == pytest.approx(both, abs=0.01)


def test_certain_rain_falls_in_every_member_and_none_in_none() -> None:
    sure: Column = [100.0 if i < 12 else 0.0 for i in range(N_STEPS)]
    parsed = with_elements(**dict.fromkeys(RAIN_OVER_MM, sure))
    rain = values(spread_members(parsed, 200), "rain_mm")

    assert (rain[:, :11] > 5.0).all()
    assert (rain[:, 11:] == 0.0).all()


def test_odds_are_those_of_their_own_hour() -> None:
    odds: Column = [100.0 if i == 12 else 0.0 for i in range(N_STEPS)]
    parsed = with_elements(**{**dict.fromkeys(RAIN_OVER_MM), "R101": odds})
    rain = values(spread_members(parsed), "rain_mm")

    assert np.flatnonzero((rain > 0).all(axis=0)).tolist() == [slot_of(parsed.weather, "12")]
    assert np.flatnonzero((rain > 0).any(axis=0)).tolist() == [slot_of(parsed.weather, "12")]
    assert rain.max() <= 0.2


def test_without_odds_all_members_have_the_rain_of_the_forecast() -> None:
    parsed = with_elements(**dict.fromkeys(RAIN_OVER_MM))
    weather = spread_members(parsed, 5)

    np.testing.assert_array_equal(values(weather, "rain_mm"), np.repeat(values(parsed.weather, "rain_mm"), 5, axis=0))
    assert weather.provenance.notes[-1] == "no odds of rain are stated: it is the same in all members"


def test_where_odds_are_missing_members_have_the_rain_of_the_forecast() -> None:
    odds: Column = [100.0] * N_STEPS
    odds[12] = "-"
    parsed = with_elements(**{**dict.fromkeys(RAIN_OVER_MM), "R101": odds})
    slot = slot_of(parsed.weather, "12")

    assert values(spread_members(parsed, 5), "rain_mm")[:, slot] == pytest.approx([0.12] * 5)


def test_radiation_and_cloud_are_those_of_the_forecast() -> None:
    weather = spread_members(LONG, 5)

    for name in ("ghi_wm2", "cloud_frac"):
        np.testing.assert_array_equal(values(weather, name), np.repeat(values(LONG.weather, name), 5, axis=0))


def test_no_member_has_a_wind_below_zero() -> None:
    calm = with_elements(FF=[0.2] * N_STEPS, E_FF=[1.0] * N_STEPS)
    wind = values(spread_members(calm, 200), "wind_ms")

    assert wind.min() == 0.0
    assert wind.mean() > 0.2


def test_no_member_is_beyond_any_weather() -> None:
    """However large the error that is stated: an error of 30 K at 0 °C reaches below -90 °C now and then."""
    temp = values(spread_members(with_elements(E_TTT=[30.0] * N_STEPS), 1000), "temp_c")

    assert (temp.min(), temp.max()) == (-90.0, 60.0)


def test_an_error_that_is_missing_is_that_between_its_neighbours() -> None:
    error: Column = [1.0, 1.0, *["-"] * 20, 3.0, 3.0]
    parsed = with_elements(E_TTT=error)
    spread = values(spread_members(parsed, 1000), "temp_c").std(axis=0) / 1.25

    assert spread[[0, 11, 22]] == pytest.approx([1.0, 2.0, 3.0], rel=0.1)


def test_a_variable_without_an_error_is_the_same_in_all_members() -> None:
    parsed = with_elements(E_FF=None)
    weather = spread_members(parsed, 5)

    assert np.ptp(values(weather, "wind_ms"), axis=0).max() == 0.0
    assert np.ptp(values(weather, "temp_c"), axis=0).min() > 0.0
    assert "no error of wind_ms is stated: it is the same in all members" in weather.provenance.notes


def test_an_hour_that_the_forecast_lacks_is_missing_in_all_members() -> None:
    ttt, rain = elements()["TTT"], elements()["RR1c"]
    ttt[11] = rain[11] = "-"
    weather = spread_members(with_elements(TTT=ttt, RR1c=rain), 5)

    for name, slots in (("temp_c", [10, 11]), ("rain_mm", [10])):
        missing = np.isnan(values(weather, name))
        assert np.flatnonzero(missing.all(axis=0)).tolist() == np.flatnonzero(missing.any(axis=0)).tolist() == slots


def test_a_pseudo_ensemble_says_that_it_is_one() -> None:
    provenance = spread_members(parse_kmz(WHOLE, file="saved.kmz"), 15).provenance

    assert (provenance.kind, provenance.licence, provenance.file) == ("spread", LICENCE, "saved.kmz")
    assert provenance.run_time == datetime(2026, 6, 1, tzinfo=UTC)
    assert provenance.notes[0].startswith("15 members were made from the errors that the source expects")
    assert "pseudo-ensemble" in provenance.notes[0]


def test_the_same_seed_makes_the_same_members_and_another_one_others() -> None:
    one, same, other = (spread_members(LONG, 15, seed=seed) for seed in (3, 3, 4))

    assert one.n_members == 15
    assert one.frame.equals(same.frame)
    assert not one.frame.equals(other.frame)


def test_the_next_forecast_has_the_same_errors_in_the_same_hours() -> None:
    """So that odds move between two forecasts because the weather did. Six hours later: no more than 0.1 K apart."""
    later = kml({key: column[:234] for key, column in elements(240).items()} | {
        "TTT": [288.15] * 234, "FF": [10.0] * 234, "E_TTT": [2.0] * 234, "E_FF": [1.0] * 234,
        "N": [50.0] * 234, "Rad1h": [360.0] * 234, "RR1c": [0.1] * 234,
    }, times=[f"{START + np.timedelta64(i, 'h')}:00:00.000Z" for i in range(6, 240)])  # fmt: skip
    now, then = values(spread_members(LONG), "temp_c")[:, 6:], values(spread_members(parse_kmz(kmz(later))), "temp_c")

    assert now.shape == then.shape
    assert np.abs(now - then).max() < 0.1


@pytest.mark.parametrize("n", [-1, 0, 1, 1001])
def test_a_number_of_members_that_is_none_is_refused(n: int) -> None:
    with pytest.raises(RequestError, match="2 to 1000"):
        spread_members(LONG, n)


def test_a_negative_seed_is_refused() -> None:
    with pytest.raises(RequestError, match="a seed from 0"):
        spread_members(LONG, seed=-1)


def test_a_forecast_without_expected_errors_makes_no_members() -> None:
    with pytest.raises(WeatherFileError, match=r"DWD MOSMIX: it states no expected errors.*MOSMIX_L"):
        spread_members(with_elements(E_TTT=None, E_FF=None))


# --- anything at all --------------------------------------------------------------------------------------


def refuses_or_reads(data: bytes) -> None:
    """Nothing but a forecast or a WeatherFileError comes out; any other exception fails the test."""
    try:
        parsed = parse_kmz(data)
    except WeatherFileError:
        return
    assert len(parsed.weather.times) > 0
    if parsed.expected_error is not None:
        assert spread_members(parsed, 3).n_members == 3


@given(st.binary())
def test_any_bytes_are_read_or_refused(data: bytes) -> None:
    refuses_or_reads(data)


@given(st.binary(max_size=200))
def test_any_bytes_in_a_zip_are_read_or_refused(data: bytes) -> None:
    refuses_or_reads(kmz(data, method=zipfile.ZIP_STORED))


SHORT = kml(elements(4))


@given(st.data())
def test_a_file_with_some_text_changed_is_read_or_refused(data: st.DataObject) -> None:
    start = data.draw(st.integers(0, len(SHORT)))
    end = data.draw(st.integers(start, min(len(SHORT), start + 30)))
    put = data.draw(st.text(st.characters(max_codepoint=255), max_size=10))
    refuses_or_reads(kmz(SHORT[:start] + put + SHORT[end:]))


@given(st.data())
def test_a_file_with_some_bytes_changed_is_read_or_refused(data: st.DataObject) -> None:
    raw = bytearray(kmz(SHORT))
    for _ in range(data.draw(st.integers(1, 3))):
        raw[data.draw(st.integers(0, len(raw) - 1))] = data.draw(st.integers(0, 255))
    refuses_or_reads(bytes(raw))


@given(
    st.sampled_from(sorted(elements())),
    st.lists(
        st.floats().map(str) | st.sampled_from(["-", "1e999", "--", "1e400", "٣", "0x10", "1_0", "273.15"]), max_size=5
    ),
)
def test_an_element_of_anything_is_read_or_refused(element: str, words: Column) -> None:
    refuses_or_reads(kmz(kml({**elements(4), element: words}).encode("utf-8")))
