"""The stand-in for all weather services: what it says can be read, it has their manners, and each fault does what it says.

All sockets are on 127.0.0.1; the marker below lets these tests connect to that address and no other.
"""

from __future__ import annotations

import gzip
import io
import json
import random
import re
import socket
import threading
import zipfile
from concurrent.futures import ThreadPoolExecutor
from contextlib import suppress
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import TYPE_CHECKING, Any
from urllib.parse import urlsplit

import numpy as np
import pytest
import requests
from pytest_socket import SocketConnectBlockedError

from matewindow.errors import SourceError, WeatherFileError
from matewindow.settings import Settings
from matewindow.weather import metno, nws, openmeteo
from matewindow.weather.http import Client, SourceRequest
from matewindow.weather.manners import MET_NORWAY, NWS, OPEN_METEO, Source
from matewindow.weather.store import WeatherStore
from matewindow.weather.transport import Limits
from tests.loopback.client import make_certificate
from tests.loopback.exchange import HOSTS, NOW, SetClock
from tests.loopback.faults import ANSWER, BOMB_BYTES, CONTENT, LINE
from tests.loopback.openmeteo_models import ENSEMBLES, RENAMED
from tests.loopback.scenario import HOUR_S, Place, Scenario, clear_sky_wm2, sun_height_sine
from tests.loopback.server import LoopbackServer

if TYPE_CHECKING:
    from collections.abc import Iterator

    from numpy.typing import NDArray

    from matewindow.weather.normal import Weather
    from tests.loopback.scenario import Hours

pytestmark = pytest.mark.allow_hosts(["127.0.0.1"])

HOUR, DAY = timedelta(hours=1), timedelta(days=1)
AGENT = {"User-Agent": "matewindow/test (keeper@apiary.example)"}
LONDON, NEWARK, BERLIN = Place(51.5, -0.12), Place(40.7, -74.1), Place(52.49, 13.4)
COLUMNS = "temperature_2m,wind_speed_10m,precipitation,shortwave_radiation,cloud_cover"
SI = f"hourly={COLUMNS}&wind_speed_unit=ms&timeformat=unixtime"
HERE = "latitude=51.5&longitude=-0.12"
FORECAST = f"/v1/forecast?{HERE}&{SI}"
ENSEMBLE = f"/v1/ensemble?{HERE}&{SI}"
MET = "/weatherapi/locationforecast/2.0"
NEAR_OSLO, IN_LONDON = f"{MET}/complete?lat=59.9&lon=10.7", f"{MET}/compact?lat=51.5&lon=-0.12"
BERLIN_WEATHER = "/weather?lat=52.5&lon=13.4&date=2026-05-29&last_date=2026-06-10"
KMZ = "/weather/local_forecasts/mos/MOSMIX_L/single_stations/Q1006/kml/MOSMIX_L_LATEST_Q1006.kmz"
SPELL = (datetime(2026, 6, 2, 12, tzinfo=UTC), datetime(2026, 6, 4, 12, tzinfo=UTC))
LIVELY = {
    "open-meteo-forecast": FORECAST,
    "open-meteo-ensemble": f"{ENSEMBLE}&models=icon_eu_eps&forecast_days=2",
    "met-norway": IN_LONDON,
    "bright-sky": BERLIN_WEATHER,
    "dwd": KMZ,
}
"""Services and a request that each answers with weather; that of the NWS needs two."""


@pytest.fixture(scope="module")
def running() -> Iterator[LoopbackServer]:
    with LoopbackServer() as server:
        yield server


@pytest.fixture
def server(running: LoopbackServer) -> LoopbackServer:
    """The server as new."""
    running.forget()
    running.scenario = Scenario()
    running.clock.set(NOW)
    return running


def get(server: LoopbackServer, service: str, path: str, **how: Any) -> requests.Response:
    how.setdefault("timeout", 10.0)
    how["headers"] = AGENT | how.get("headers", {})
    return requests.get(server.url(service) + path, **how)  # noqa: S113 - the time limit stands above


def port_of(server: LoopbackServer, service: str) -> int:
    port = urlsplit(server.url(service)).port
    assert port is not None
    return port


def grid_url(server: LoopbackServer, place: Place = NEWARK) -> str:
    answer = get(server, "nws", f"/points/{place.latitude},{place.longitude}")
    url: str = answer.json()["properties"]["forecastGridData"]
    return url


def grid_path(server: LoopbackServer) -> str:
    return grid_url(server).removeprefix(server.url("nws"))


def column(weather: Weather, name: str) -> NDArray[np.float64]:
    values = weather.values(name)
    assert values is not None
    return values


def epoch(weather: Weather) -> NDArray[np.int64]:
    return weather.times.astype(np.int64)


def kml_elements(kmz: bytes) -> dict[str, list[str]]:
    with zipfile.ZipFile(io.BytesIO(kmz)) as archive:
        text = archive.read(archive.namelist()[0]).decode("iso-8859-1")
    found = re.findall(r'dwd:elementName="(\w+)">\s*<dwd:value>([^<]*)<', text)
    return {name: values.split() for name, values in found}


# --- sockets -----------------------------------------------------------------------------------------------------------


def test_no_test_of_this_file_can_connect_to_anywhere_but_loopback() -> None:
    with socket.socket() as line, pytest.raises((SocketConnectBlockedError, UserWarning), match=r"192\.0\.2\.1"):
        line.connect(("192.0.2.1", 80))  # a documentation address, RFC 5737


def test_a_service_on_the_wrong_prefix_is_told_what_prefixes_there_are(server: LoopbackServer) -> None:
    answer = requests.get(server.url("nws").removesuffix("/nws") + "/points/40,-74", timeout=5)

    assert answer.status_code == 404
    assert all(f"/{service}" in answer.text for service in HOSTS)


def test_any_port_serves_any_service_under_its_prefix(server: LoopbackServer) -> None:
    answer = requests.get(server.url("dwd").removesuffix("/dwd") + "/nws/points/40.7,-74.1", headers=AGENT, timeout=5)

    assert answer.json()["properties"]["timeZone"] == "America/New_York"


# --- the scenario ------------------------------------------------------------------------------------------------------


def test_the_weather_of_an_hour_does_not_depend_on_what_else_is_asked_for() -> None:
    stamps = int(NOW.timestamp()) + HOUR_S * np.arange(100)

    whole, part = Scenario().truth(LONDON, stamps), Scenario().truth(LONDON, stamps[40:43])

    assert part.temp_c.tolist() == whole.temp_c[40:43].tolist()
    assert part.rain_mm.tolist() == whole.rain_mm[40:43].tolist()


def test_a_wet_spell_can_be_moved_and_it_may_be_dry_at_all_other_times() -> None:
    stamps = int(NOW.timestamp()) + HOUR_S * np.arange(240)
    first = Scenario(dry_outside=True).with_spell(*SPELL)
    later = first.with_spell(SPELL[0] + 4 * DAY, SPELL[1] + 4 * DAY)

    for scenario, start in ((first, SPELL[0]), (later, SPELL[0] + 4 * DAY)):
        rain = scenario.truth(LONDON, stamps).rain_mm
        inside = (stamps > start.timestamp()) & (stamps <= (start + 2 * DAY).timestamp())
        assert not rain[~inside].any()
        assert 0.6 < np.mean(rain[inside] > 0.0) < 0.9


def test_the_years_1990_to_2026_look_like_weather() -> None:
    stamps = np.arange(
        datetime(1990, 1, 1, tzinfo=UTC).timestamp(), datetime(2027, 1, 1, tzinfo=UTC).timestamp(), HOUR_S
    )
    hours = Scenario().truth(LONDON, stamps)
    july = np.isin(stamps.astype("datetime64[s]").astype("datetime64[M]").astype(int) % 12, [6])

    assert np.isfinite(hours.temp_c).all()
    assert hours.temp_c.min() > -25.0
    assert hours.temp_c.max() < 42.0
    assert hours.temp_c[july].mean() - hours.temp_c.mean() > 5.0
    assert 0.04 < np.mean(hours.rain_mm > 0.0) < 0.12
    assert (hours.wind_ms >= 0.0).all()
    assert len(np.unique(np.round(hours.temp_c[july][12::24], 1))) > 100  # no year is a copy of another


def test_the_sun_stands_where_pvlib_puts_it_to_half_a_degree_and_clear_skies_are_haurwitz() -> None:
    pd = pytest.importorskip("pandas")
    from pvlib import clearsky, solarposition

    stamps = int(NOW.timestamp()) + 7 * HOUR_S * np.arange(1200)  # a year, all hours of the day
    place = Place(52.0, 13.0)
    at = pd.to_datetime(stamps, unit="s", utc=True)
    true_deg = 90.0 - solarposition.get_solarposition(at, place.latitude, place.longitude)["zenith"].to_numpy()
    ours_deg = np.degrees(np.arcsin(sun_height_sine(place, stamps)))
    minutes = pd.to_datetime(np.arange(stamps[0] - HOUR_S + 30, stamps[0], 60), unit="s", utc=True)
    zenith = solarposition.get_solarposition(minutes, place.latitude, place.longitude)["apparent_zenith"]

    assert np.abs(true_deg - ours_deg).max() < 0.5
    assert clear_sky_wm2(place, stamps[:1])[0] == pytest.approx(clearsky.haurwitz(zenith)["ghi"].mean(), rel=0.04)


def test_the_truth_is_one_of_the_members_as_far_as_ranks_can_tell() -> None:
    """A calibrated ensemble: over many runs the truth takes every rank about equally often."""
    runs = int(NOW.timestamp()) - 5 * 86400 * np.arange(150)
    told = Scenario().forecast(LONDON, runs + 6 * 86400, runs, "any", range(9))
    truth = Scenario().truth(LONDON, told.stamps)
    ranks = (told.temp_c < truth.temp_c).sum(axis=0)
    counts = np.bincount(ranks, minlength=10)

    # Chi-square with 9 degrees of freedom exceeds 27.9 once in a thousand (NIST/SEMATECH e-Handbook 1.3.6.7.4).
    assert ((counts - 15.0) ** 2 / 15.0).sum() < 27.9


def test_members_spread_with_the_lead() -> None:
    run = int(NOW.timestamp())
    told = Scenario().forecast(LONDON, run + HOUR_S * np.arange(1, 337), run, "any", range(20))
    spread_c = told.temp_c.std(axis=0)

    assert spread_c[:24].mean() < 0.6 * spread_c[-48:].mean()


def test_all_services_put_the_rain_where_the_scenario_has_it(server: LoopbackServer) -> None:
    """Dry but for one spell: what they say is wet within it and dry half a day before and after."""
    server.scenario = Scenario(dry_outside=True).with_spell(*SPELL)
    told: list[tuple[NDArray[Any], NDArray[np.float64]]] = []
    forecast = openmeteo.parse_forecast(get(server, "open-meteo-forecast", FORECAST).text)
    members = openmeteo.parse_ensemble(get(server, "open-meteo-ensemble", f"{ENSEMBLE}&models=icon_eu_eps").text)
    nordic = metno.parse_locationforecast(get(server, "met-norway", NEAR_OSLO).text)
    grid = nws.parse_gridpoints(requests.get(grid_url(server), headers=AGENT, timeout=5).text)
    told += [(epoch(w), column(w, "rain_mm").mean(axis=0)) for w in (forecast, members, nordic, grid)]
    rows = get(server, "bright-sky", BERLIN_WEATHER).json()["weather"]
    ends = np.array([int(datetime.fromisoformat(row["timestamp"]).timestamp()) for row in rows])
    told.append((ends - HOUR_S, np.array([row["precipitation"] for row in rows])))
    rain = np.array(kml_elements(get(server, "dwd", KMZ).content)["RR1c"], dtype=np.float64)
    told.append((datetime(2026, 6, 1, 3, tzinfo=UTC).timestamp() + HOUR_S * np.arange(247), rain))

    assert len(told) == 6
    for starts, rain_mm in told:
        clear = (starts < (SPELL[0] - 12 * HOUR).timestamp()) | (starts > (SPELL[1] + 12 * HOUR).timestamp())
        wet = (starts >= (SPELL[0] + 6 * HOUR).timestamp()) & (starts < (SPELL[1] - 6 * HOUR).timestamp())
        assert wet.sum() == 36
        assert np.nansum(rain_mm[clear]) == 0.0
        assert (rain_mm[wet].reshape(6, 6).sum(axis=1) > 0.0).sum() >= 5  # of six stretches of six hours


# --- Open-Meteo ----------------------------------------------------------------------------------------------------------


def test_an_archive_is_the_truth_hour_by_hour(server: LoopbackServer) -> None:
    """Instants are averaged over both ends of an hour, sums belong to the hour before their stamp."""
    path = f"/v1/archive?{HERE}&{SI}&start_date=2001-03-01&end_date=2001-03-31"
    weather = openmeteo.parse_archive(get(server, "open-meteo-archive", path).text)
    begin, end = (server.scenario.truth(LONDON, epoch(weather) + shift) for shift in (0, HOUR_S))

    assert len(weather.times) == 31 * 24 - 1
    assert column(weather, "temp_c")[0] == pytest.approx(0.5 * (begin.temp_c + end.temp_c))
    assert column(weather, "rain_mm")[0] == pytest.approx(end.rain_mm)
    assert column(weather, "ghi_wm2")[0] == pytest.approx(end.ghi_wm2)
    assert end.rain_mm.any()


@pytest.mark.parametrize("year", [1990, 2008, 2025])
def test_every_year_of_the_archive_is_there(server: LoopbackServer, year: int) -> None:
    path = f"/v1/archive?{HERE}&{SI}&start_date={year}-01-01&end_date={year}-12-31&models=era5"
    weather = openmeteo.parse_archive(get(server, "open-meteo-archive", path).text)

    assert np.isfinite(column(weather, "temp_c")).all()


def test_the_era5_archive_is_five_days_late_and_the_archive_ends_yesterday(server: LoopbackServer) -> None:
    def known(model: str) -> int:
        path = f"/v1/archive?{HERE}&hourly=temperature_2m&start_date=2026-05-20&end_date=2026-05-31&models={model}"
        values = get(server, "open-meteo-archive", path).json()["hourly"]["temperature_2m"]
        return sum(value is not None for value in values)

    assert (known("era5"), known("best_match")) == (7 * 24, 12 * 24)


def test_several_ranges_of_days_come_as_a_list_of_answers(server: LoopbackServer) -> None:
    """Source code of the service (``prepareCoordinates``): one place and several ranges make one answer for each."""
    days = "start_date=2020-05-01,2021-05-01&end_date=2020-05-31,2021-05-31"
    answers = get(server, "open-meteo-archive", f"/v1/archive?{HERE}&{SI}&{days}").json()

    seasons = [openmeteo.parse_archive(json.dumps(answer)) for answer in answers]
    assert [str(season.times[0])[:10] for season in seasons] == ["2020-05-01", "2021-05-01"]


def test_a_forecast_begins_at_midnight_and_has_its_days(server: LoopbackServer) -> None:
    answer = get(server, "open-meteo-forecast", f"{FORECAST}&past_days=2&forecast_days=7").json()

    times = answer["hourly"]["time"]
    assert len(times) == 9 * 24
    assert times[0] == datetime(2026, 5, 30, tzinfo=UTC).timestamp()
    assert openmeteo.parse_forecast(json.dumps(answer)).n_members == 1


def test_keys_stand_in_the_order_of_the_service(server: LoopbackServer) -> None:
    head = "latitude longitude generationtime_ms utc_offset_seconds timezone timezone_abbreviation elevation"

    assert list(get(server, "open-meteo-forecast", FORECAST).json()) == [*head.split(), "hourly_units", "hourly"]


def test_several_places_are_a_list_and_all_but_the_first_have_a_number(server: LoopbackServer) -> None:
    answers = get(server, "open-meteo-forecast", f"/v1/forecast?latitude=51.5,48&longitude=-0.12,8&{SI}").json()

    assert [answer.get("location_id") for answer in answers] == [None, 1]


def test_local_times_are_off_by_the_offset_of_today_all_year(server: LoopbackServer) -> None:
    path = f"/v1/archive?{HERE}&hourly=temperature_2m&start_date=2025-01-10&end_date=2025-01-10&timezone=Europe/London"
    answer = get(server, "open-meteo-archive", path).json()

    assert answer["utc_offset_seconds"] == 3600  # it is June on the clock, and January in the data
    first = server.scenario.truth(LONDON, np.array([datetime(2025, 1, 9, 23, tzinfo=UTC).timestamp()]))
    assert answer["hourly"]["time"][0] == "2025-01-10T00:00"
    assert answer["hourly"]["temperature_2m"][0] == first.temp_c[0]


def test_wind_comes_in_km_h_unless_asked_for_otherwise(server: LoopbackServer) -> None:
    plain = get(server, "open-meteo-forecast", f"/v1/forecast?{HERE}&hourly=wind_speed_10m").json()
    knots = get(server, "open-meteo-forecast", f"/v1/forecast?{HERE}&hourly=wind_speed_10m&wind_speed_unit=kn").json()

    assert plain["hourly_units"]["wind_speed_10m"] == "km/h"
    kmh, kn = (np.array(a["hourly"]["wind_speed_10m"]) for a in (plain, knots))
    assert kn * 1.852 == pytest.approx(kmh, abs=0.15)  # international nautical mile: 1852 m


def test_a_height_moves_the_temperature_and_nan_means_none(server: LoopbackServer) -> None:
    def ask(height: str) -> dict[str, Any]:
        answer: dict[str, Any] = get(server, "open-meteo-forecast", f"{FORECAST}&elevation={height}").json()
        return answer

    low, high, without = ask("0"), ask("1000"), ask("nan")
    fall = np.array(low["hourly"]["temperature_2m"]) - np.array(high["hourly"]["temperature_2m"])
    assert fall == pytest.approx(np.full(fall.shape, 6.5), abs=0.11)  # standard atmosphere, ISO 2533
    assert (low["elevation"], high["elevation"], "elevation" in without) == (0.0, 1000.0, False)


def test_the_position_told_is_that_of_the_models_grid(server: LoopbackServer) -> None:
    answer = get(server, "open-meteo-ensemble", f"{ENSEMBLE}&models=ecmwf_ifs025&forecast_days=1").json()

    assert (answer["latitude"], answer["longitude"]) == (51.5, 0.0)


@pytest.mark.parametrize(("model", "members"), [("ecmwf_ifs025_ensemble", 51), ("icon_eu_eps", 40)])
def test_an_ensemble_has_its_members_and_its_control_has_no_number(
    server: LoopbackServer, model: str, members: int
) -> None:
    answer = get(server, "open-meteo-ensemble", f"{ENSEMBLE}&models={model}&forecast_days=3")

    assert "temperature_2m" in answer.json()["hourly"]
    assert openmeteo.parse_ensemble(answer.text).n_members == members


def test_old_model_names_are_taken_and_the_new_ones_given_back(server: LoopbackServer) -> None:
    path = f"/v1/ensemble?{HERE}&hourly=temperature_2m&models=icon_seamless,ecmwf_ifs025&forecast_days=1"
    hourly = get(server, "open-meteo-ensemble", path).json()["hourly"]

    assert {"temperature_2m_icon_seamless_eps", "temperature_2m_member50_ecmwf_ifs025_ensemble"} <= hourly.keys()
    assert set(RENAMED.values()) <= ENSEMBLES.keys()


def test_rain_of_a_coarse_model_is_shared_out_evenly_over_its_steps(server: LoopbackServer) -> None:
    server.scenario = Scenario().with_spell(NOW, NOW + 12 * DAY)
    path = f"/v1/ensemble?{HERE}&hourly=precipitation&models=ecmwf_ifs025&forecast_days=10"
    hourly = get(server, "open-meteo-ensemble", path).json()["hourly"]["precipitation"]
    native = get(server, "open-meteo-ensemble", f"{path}&temporal_resolution=native").json()["hourly"]["precipitation"]

    # The newest run is that of 18 UTC: its steps are of three hours for six days, to 18 UTC of the sixth.
    threes = np.array(hourly[1 : 5 * 24 + 1]).reshape(-1, 3)
    sixes = np.array(hourly[7 * 24 + 1 : 9 * 24 + 1]).reshape(-1, 6)
    assert (threes == threes[:, :1]).all()
    assert (sixes == sixes[:, :1]).all()
    assert threes.any()
    assert sixes.any()
    assert len(native) == 10 * 24 // 3
    assert 3.0 * threes[:, 0] == pytest.approx(np.array(native[1:41]), abs=0.02)


def test_a_model_without_the_place_is_refused(server: LoopbackServer) -> None:
    answer = get(server, "open-meteo-ensemble", f"/v1/ensemble?latitude=40&longitude=-74&{SI}&models=icon_eu_eps")

    assert (answer.status_code, answer.json()["reason"]) == (400, "No data is available for this location")


def test_a_variable_that_a_model_lacks_is_nulls_without_a_unit(server: LoopbackServer) -> None:
    path = f"/v1/ensemble?{HERE}&hourly=relative_humidity_2m,precipitation_probability,is_day&models=icon_eu_eps"
    answer = get(server, "open-meteo-ensemble", path).json()

    assert answer["hourly_units"]["relative_humidity_2m_member07"] == "undefined"
    assert set(answer["hourly"]["relative_humidity_2m_member07"]) == {None}
    assert set(answer["hourly"]["precipitation_probability"]) == {None}
    assert [key for key in answer["hourly"] if key.startswith("is_day")] == ["is_day"]


def test_members_are_kept_for_three_days(server: LoopbackServer) -> None:
    answer = get(server, "open-meteo-ensemble", f"{ENSEMBLE}&models=icon_eu_eps&past_days=5&forecast_days=1").json()

    unknown = sum(value is None for value in answer["hourly"]["temperature_2m_member01"])
    assert unknown == 2 * 24 + 6  # five days back from midnight, three from six o'clock


def test_nothing_is_said_beyond_the_end_of_the_run(server: LoopbackServer) -> None:
    answer = get(server, "open-meteo-ensemble", f"{ENSEMBLE}&models=icon_eu_eps&forecast_days=10").json()
    run = get(server, "open-meteo-ensemble", "/data/icon_eu_eps/static/meta.json").json()

    known = [
        t for t, v in zip(answer["hourly"]["time"], answer["hourly"]["temperature_2m"], strict=True) if v is not None
    ]
    assert max(known) == run["data_end_time"] == run["last_run_initialisation_time"] + 120 * HOUR_S


def test_the_time_of_the_run_moves_with_the_clock(server: LoopbackServer) -> None:
    def run() -> datetime:
        times = get(server, "open-meteo-ensemble", "/data/ecmwf_ifs025_ensemble/static/meta.json").json()
        return datetime.fromtimestamp(times["last_run_initialisation_time"], UTC)

    before = run()
    server.clock.advance(timedelta(hours=2))

    assert (before, run()) == (datetime(2026, 5, 31, 18, tzinfo=UTC), datetime(2026, 6, 1, tzinfo=UTC))


def test_previous_runs_err_more_the_older_they_are(server: LoopbackServer) -> None:
    keys = ["temperature_2m", *(f"temperature_2m_previous_day{day}" for day in (1, 4, 7))]
    path = f"/v1/forecast?{HERE}&hourly={','.join(keys)}&models=ecmwf_ifs025&start_date=2025-06-01&end_date=2026-05-20"
    hourly = get(server, "open-meteo-previous-runs", path).json()["hourly"]
    stamps = np.array(hourly["time"], dtype="datetime64[s]").astype(np.int64)
    truth = server.scenario.truth(LONDON, stamps).temp_c
    errors_c = [np.abs(np.array(hourly[key]) - truth).mean() for key in keys]

    assert errors_c == sorted(errors_c)
    assert errors_c[-1] > 1.5 * errors_c[0] > 0.0


def test_previous_runs_of_ecmwf_have_no_gusts(server: LoopbackServer) -> None:
    path = f"/v1/forecast?{HERE}&hourly=wind_gusts_10m_previous_day1&models=ecmwf_ifs025&past_days=1"

    assert set(get(server, "open-meteo-previous-runs", path).json()["hourly_units"].values()) == {
        "iso8601",
        "undefined",
    }


def test_a_single_run_begins_without_sums_and_ends_in_nulls(server: LoopbackServer) -> None:
    path = f"{FORECAST}&models=ecmwf_ifs&run=2026-05-01T06:00&forecast_days=7"
    hourly = get(server, "open-meteo-single-runs", path).json()["hourly"]

    assert hourly["time"][0] == datetime(2026, 5, 1, 6, tzinfo=UTC).timestamp()
    assert (hourly["precipitation"][0], hourly["temperature_2m"][0] is None) == (None, False)
    assert [v is None for v in hourly["temperature_2m"]].index(True) == 145  # the runs of 06 UTC have six days


@pytest.mark.parametrize(
    ("host", "path", "words"),
    [
        ("forecast", f"/v1/forecast?latitude=91&longitude=0&{SI}", "Latitude must be in range"),
        ("forecast", f"/v1/forecast?latitude=51&{SI}", "must not be empty"),
        ("forecast", f"/v1/forecast?latitude=51,52&longitude=1&{SI}", "same number of elements"),
        ("forecast", f"/v1/forecast?{HERE}&hourly=temperature_3m", "from invalid String value temperature_3m"),
        ("forecast", f"{FORECAST}&wind_speed_unit=knots", "from invalid String value knots for key wind_speed_unit"),
        ("forecast", f"{FORECAST}&timezone=Mars/North", "Invalid timezone"),
        ("forecast", f"{FORECAST}&forecast_days=17", "Forecast days is invalid. Allowed range 0 to 16. Given 17."),
        ("forecast", f"{FORECAST}&past_days=93", "Past days is invalid. Allowed range 0 to 92. Given 93."),
        ("forecast", f"{FORECAST}&start_date=2026-06-02&end_date=2026-06-01", "End-date must be larger"),
        ("forecast", f"{FORECAST}&start_date=2026-06-02&end_date=2026-06-19", "allowed range from 2026-02-28 to 2026-06-17"),
        ("forecast", f"{FORECAST}&start_date=2026-06-01&end_date=2026-06-02&past_days=1", "mutually exclusive"),
        ("archive", f"/v1/archive?{HERE}&{SI}&start_date=1939-01-01&end_date=1939-01-02", "range from 1940-01-01 to 2026-05-31"),
        ("archive", f"/v1/archive?{HERE}&{SI}", "must be set"),
        ("ensemble", f"{ENSEMBLE}&models=no_such_model", "from invalid String value no_such_model for key models"),
        ("single-runs", FORECAST, "'run' is required"),
        ("single-runs", f"{FORECAST}&run=2026-06-01T01:00&models=ecmwf_ifs", "No data is available"),
        ("single-runs", f"{FORECAST}&run=2026-05-01T00:00&start_date=2026-05-01&end_date=2026-05-02", "most not be set"),
    ],
)  # fmt: skip
def test_a_wrong_request_is_refused_with_the_reason(server: LoopbackServer, host: str, path: str, words: str) -> None:
    answer = get(server, f"open-meteo-{host}", path)

    assert (answer.status_code, answer.json()["error"]) == (400, True)
    assert words in answer.json()["reason"]
    assert server.calls("open-meteo")[-1].weight == 1.0


@pytest.mark.parametrize("part", ["daily=temperature_2m_max", "current=temperature_2m", "bounding_box=1,2,3,4"])
def test_what_the_server_does_not_speak_is_refused_loudly(server: LoopbackServer, part: str) -> None:
    answer = get(server, "open-meteo-forecast", f"{FORECAST}&{part}")

    assert answer.status_code == 501
    assert "does not speak" in answer.json()["reason"]


@pytest.mark.parametrize("how", ["data", "json"])
def test_a_long_request_may_be_posted(server: LoopbackServer, how: str) -> None:
    asked = {"latitude": ["51.5"], "longitude": ["-0.12"], "hourly": COLUMNS.split(","), "wind_speed_unit": "ms"}
    answer = requests.post(server.url("open-meteo-forecast") + "/v1/forecast", timeout=5, **{how: asked})  # type: ignore[arg-type]

    assert openmeteo.parse_forecast(answer.text).n_members == 1


def test_heights_are_told_and_at_the_pole_they_are_no_json(server: LoopbackServer) -> None:
    text = get(server, "open-meteo-forecast", "/v1/elevation?latitude=52,90&longitude=1,1").text

    assert re.fullmatch(r'\{"elevation":\[\d+\.0,nan\]\}', text)


def test_places_are_found_by_the_beginning_of_their_name(server: LoopbackServer) -> None:
    def names(query: str) -> list[str]:
        answer = get(server, "open-meteo-geocoding", f"/v1/search?{query}").json()
        return [f"{place['name']} {place['country_code']}" for place in answer.get("results", [])]

    assert names("name=ambleholt") == ["Ambleholt GB", "Ambleholt US"]
    assert names("name=amb&count=1&countryCode=US") == ["Ambleholt US"]
    assert names("name=grünau") == ["Grünau an der Lahle DE"]
    assert names("name=nowhere") == []
    assert "results" not in get(server, "open-meteo-geocoding", "/v1/search?name=nowhere").json()


def test_a_call_weighs_what_the_service_says_it_does(server: LoopbackServer) -> None:
    """Open-Meteo pricing page: max(1, V/10, V/10 · days/14), V = variables x members x models, for each place."""
    get(server, "open-meteo-ensemble", f"{ENSEMBLE}&models=ecmwf_ifs025&forecast_days=15")
    get(server, "open-meteo-forecast", f"/v1/forecast?latitude=51.5,48&longitude=-0.12,8&{SI}")
    archive = f"/v1/archive?{HERE}&{SI}&start_date=2024-01-01&end_date=2025-12-31"
    get(server, "open-meteo-archive", archive)

    weights = [exchange.weight for exchange in server.calls("open-meteo")]
    assert weights == pytest.approx([5 * 51 / 10 * 15 / 14, 2.0, 5 / 10 * 731 / 14])
    assert server.budget.used(60, NOW) == pytest.approx(sum(weights))


def spend(server: LoopbackServer, places: int) -> requests.Response:
    """Spend a call for each of so many places."""
    query = f"latitude={','.join(['51'] * places)}&longitude={','.join(['1'] * places)}"
    return get(server, "open-meteo-forecast", f"/v1/forecast?{query}")


def test_the_budget_of_a_minute_an_hour_and_a_day_is_kept(server: LoopbackServer) -> None:
    server.clock.set(datetime(2026, 6, 1, 22, 0, 10, tzinfo=UTC))
    reasons = []
    for _ in range(2):
        for _ in range(5):
            assert spend(server, 1000).status_code == 200
            refused = spend(server, 1)
            reasons.append(refused.json()["reason"])
            assert (refused.status_code, "Retry-After" in refused.headers) == (429, False)
            server.clock.advance(timedelta(minutes=1))
        reasons.append(spend(server, 1).json()["reason"])
        server.clock.advance(timedelta(minutes=55))

    minutely = "Minutely API request limit exceeded. Please try again in one minute."
    hourly = "Hourly API request limit exceeded. Please try again in the next hour."
    daily = "Daily API request limit exceeded. Please try again tomorrow."
    assert reasons == [*[minutely] * 4, hourly, hourly, *[minutely] * 4, daily, daily]
    assert server.clock.now() == datetime(2026, 6, 2, 0, 0, 10, tzinfo=UTC)
    assert spend(server, 1).status_code == 200


def test_who_has_a_key_has_no_budget(server: LoopbackServer) -> None:
    assert spend(server, 1000).status_code == 200
    assert spend(server, 1).status_code == 429

    assert get(server, "open-meteo-forecast", f"{FORECAST}&apikey=paid").status_code == 200


def test_one_request_runs_five_wait_and_the_next_is_refused(server: LoopbackServer) -> None:
    """Limits of the service, as its source code has them."""
    entered, go = threading.Semaphore(0), threading.Event()

    class Held(Scenario):
        def forecast(self, *args: Any, **kwargs: Any) -> Hours:
            entered.release()
            assert go.wait(10.0)
            return super().forecast(*args, **kwargs)

    server.scenario = Held()
    with ThreadPoolExecutor(6) as pool:
        waiting = [pool.submit(get, server, "open-meteo-forecast", FORECAST) for _ in range(6)]
        assert all(entered.acquire(timeout=10.0) for _ in waiting)
        refused = get(
            server, "open-meteo-archive", f"/v1/archive?{HERE}&{SI}&start_date=2020-01-01&end_date=2020-01-02"
        )
        go.set()

    assert (refused.status_code, refused.json()["reason"]) == (429, "Too many concurrent requests")
    assert {answer.result().status_code for answer in waiting} == {200}


# --- MET Norway ------------------------------------------------------------------------------------------------------------


def test_met_norway_tells_rain_by_the_hour_that_begins_at_a_step(server: LoopbackServer) -> None:
    server.scenario = Scenario().with_spell(NOW - DAY, NOW + 3 * DAY)
    answer = get(server, "met-norway", IN_LONDON)
    weather = metno.parse_locationforecast(answer.text)
    run = datetime(2026, 5, 31, 18, tzinfo=UTC).timestamp()  # seven hours late, every six hours
    hours = slice(0, 48)
    told = server.scenario.forecast(LONDON, epoch(weather)[hours] + HOUR_S, int(run), "met norway")

    assert answer.json()["properties"]["meta"]["updated_at"] == "2026-06-01T01:00:00Z"
    assert column(weather, "rain_mm")[0, hours] == pytest.approx(told.rain_mm[0])
    assert told.rain_mm.any()


def test_met_norway_has_steps_of_an_hour_for_two_days_and_then_of_six(server: LoopbackServer) -> None:
    series = get(server, "met-norway", NEAR_OSLO).json()["properties"]["timeseries"]
    gaps = np.diff(np.array([step["time"].rstrip("Z") for step in series], dtype="datetime64[h]")).astype(int)

    assert set(gaps.tolist()) == {1, 6}
    assert 50 <= int((gaps == 1).sum()) <= 60
    assert list(series[-1]["data"]) == ["instant"]
    assert all(("next_1_hours" in step["data"]) == (gap == 1) for step, gap in zip(series, gaps, strict=False))
    hourly = [step["data"] for step, gap in zip(series, gaps, strict=False) if gap == 1]
    assert ["next_6_hours" in data for data in hourly[-6:]] == [True, False, False, False, False, False]


def test_met_norway_gives_percentiles_in_complete_and_not_in_compact(server: LoopbackServer) -> None:
    complete = get(server, "met-norway", NEAR_OSLO).text
    compact = get(server, "met-norway", NEAR_OSLO.replace("complete", "compact")).text

    members = metno.parse_spread(complete)
    assert members is not None
    assert members.n_members == metno.N_MEMBERS
    assert metno.parse_spread(compact) is None


@pytest.mark.parametrize("agent", ["", "python-requests/2.32", "curl/8.5", "matewindow/0.1.0 (no contact given)"])
def test_met_norway_answers_nobody_without_a_contact(server: LoopbackServer, agent: str) -> None:
    assert get(server, "met-norway", IN_LONDON, headers={"User-Agent": agent}).status_code == 403


def test_met_norway_takes_four_decimals_and_no_more(server: LoopbackServer) -> None:
    assert get(server, "met-norway", f"{MET}/compact?lat=51.5001&lon=-0.12").status_code == 200
    assert get(server, "met-norway", f"{MET}/compact?lat=51.50001&lon=-0.12").status_code == 403
    assert get(server, "met-norway", f"{MET}/compact?lat=151.5&lon=-0.12").status_code == 400


def test_met_norway_confirms_what_has_not_changed_and_says_when_to_come_back(server: LoopbackServer) -> None:
    first = get(server, "met-norway", NEAR_OSLO)
    server.clock.advance(timedelta(minutes=31))
    again = get(server, "met-norway", NEAR_OSLO, headers={"If-Modified-Since": first.headers["Last-Modified"]})
    server.clock.advance(HOUR)
    changed = get(server, "met-norway", NEAR_OSLO, headers={"If-Modified-Since": first.headers["Last-Modified"]})

    assert first.headers["Expires"] == "Mon, 01 Jun 2026 06:30:00 GMT"
    assert (again.status_code, again.content, again.headers["Expires"]) == (304, b"", "Mon, 01 Jun 2026 07:01:00 GMT")
    assert (changed.status_code, changed.text == first.text) == (200, False)


def test_gzip_is_sent_to_those_who_take_it(server: LoopbackServer) -> None:
    packed = get(server, "met-norway", NEAR_OSLO, headers={"Accept-Encoding": "gzip"})
    plain = get(server, "met-norway", NEAR_OSLO, headers={"Accept-Encoding": "identity"})

    assert (packed.headers["Content-Encoding"], "Content-Encoding" in plain.headers) == ("gzip", False)
    assert packed.content == plain.content
    sizes = [exchange.sent_bytes for exchange in server.calls("met-norway")]
    assert sizes[0] < sizes[1] / 5
    assert sizes[1] == len(plain.content)


# --- US National Weather Service ---------------------------------------------------------------------------------------------


def test_a_point_leads_to_a_grid_and_the_grid_to_weather_of_that_place(server: LoopbackServer) -> None:
    weather = nws.parse_gridpoints(requests.get(grid_url(server), headers=AGENT, timeout=5).text)

    assert weather.provenance.latitude == pytest.approx(NEWARK.latitude, abs=0.03)
    assert weather.provenance.longitude == pytest.approx(NEWARK.longitude, abs=0.03)
    assert weather.times[0] == np.datetime64("2026-05-31T23", "s")  # hours that are over are left in
    assert len(weather.times) == 7 * 24 + 14


@pytest.mark.parametrize(("asked", "short"), [("40.700,-74.1", "40.7,-74.1"), ("40.712345,-74.1", "40.7123,-74.1")])
def test_nws_redirects_trailing_zeros_and_too_many_decimals(server: LoopbackServer, asked: str, short: str) -> None:
    answer = get(server, "nws", f"/points/{asked}", allow_redirects=False)

    assert (answer.status_code, answer.headers["Location"]) == (301, f"/nws/points/{short}")
    assert get(server, "nws", f"/points/{asked}").status_code == 200


@pytest.mark.parametrize(
    ("path", "status", "title"),
    [
        ("/points/51.5,-0.12", 404, "Invalid Point"),
        ("/points/30,-140", 404, "Invalid Point"),
        ("/points/north,west", 400, "Invalid Parameter"),
        ("/points/40.7,-74.1?units=si", 400, "Bad Request"),
        ("/gridpoints/ZZZ/1,1", 404, "Not Found"),
        ("/nothing", 404, "Not Found"),
    ],
)
def test_nws_states_its_problems(server: LoopbackServer, path: str, status: int, title: str) -> None:
    answer = get(server, "nws", path)

    assert (answer.status_code, answer.headers["Content-Type"]) == (status, "application/problem+json")
    assert (answer.json()["title"], answer.json()["status"]) == (title, status)
    with pytest.raises(WeatherFileError, match=title):
        nws.parse_points(answer.text)


def test_nws_answers_nobody_without_a_user_agent(server: LoopbackServer) -> None:
    assert get(server, "nws", "/points/40.7,-74.1", headers={"User-Agent": ""}).status_code == 403


def test_nws_runs_equal_hours_together_and_totals_rain_by_six_hours(server: LoopbackServer) -> None:
    layers = requests.get(grid_url(server), headers=AGENT, timeout=5).json()["properties"]

    lengths = [value["validTime"].split("/")[1] for value in layers["temperature"]["values"]]
    assert {"PT1H", "PT3H"} <= set(lengths)
    rain = [value["validTime"] for value in layers["quantitativePrecipitation"]["values"]]
    assert rain[0].endswith("2026-05-31T23:00:00+00:00/PT1H")  # cut at the beginning
    assert all(re.search(r"T(00|06|12|18):00:00\+00:00/PT6H$", interval) for interval in rain[1:-1])
    assert layers["pressure"] == {"values": []}


def test_nws_keeps_the_rain_of_the_scenario(server: LoopbackServer) -> None:
    server.scenario = Scenario().with_spell(NOW, NOW + 2 * DAY)
    layers = requests.get(grid_url(server), headers=AGENT, timeout=5).json()["properties"]
    total = sum(value["value"] for value in layers["quantitativePrecipitation"]["values"])
    middle = Place(40.7125, -74.0875)
    run = datetime(2026, 6, 1, 5, tzinfo=UTC).timestamp()  # the last grid was sent at 05:25
    stamps = datetime(2026, 5, 31, 23, tzinfo=UTC).timestamp() + HOUR_S * np.arange(1, 7 * 24 + 15)

    told = server.scenario.forecast(middle, stamps, int(run), "nws")
    assert total == pytest.approx(told.rain_mm.sum())
    assert total > 5.0


def test_nws_confirms_what_has_not_changed(server: LoopbackServer) -> None:
    url = grid_url(server)
    first = requests.get(url, headers=AGENT, timeout=5)
    again = requests.get(url, headers=AGENT | {"If-Modified-Since": first.headers["Last-Modified"]}, timeout=5)

    assert (again.status_code, again.content) == (304, b"")
    assert "max-age" in again.headers["Cache-Control"]


# --- Bright Sky ----------------------------------------------------------------------------------------------------------------


def test_bright_sky_has_observations_up_to_now_and_forecasts_from_there(server: LoopbackServer) -> None:
    answer = get(server, "bright-sky", BERLIN_WEATHER).json()
    kinds = {source["id"]: source["observation_type"] for source in answer["sources"]}
    rows = [(datetime.fromisoformat(row["timestamp"]), kinds[row["source_id"]]) for row in answer["weather"]]

    assert {kind for at, kind in rows if at < NOW} == {"historical", "current"}
    assert {kind for at, kind in rows if at >= NOW} == {"forecast"}
    assert rows[-1][0] == datetime(2026, 6, 10, tzinfo=UTC)


def test_bright_sky_observed_rows_are_the_truth_at_the_station(server: LoopbackServer) -> None:
    rows = get(server, "bright-sky", "/weather?dwd_station_id=91006&date=2026-05-01&last_date=2026-05-20").json()[
        "weather"
    ]
    stamps = np.array([int(datetime.fromisoformat(row["timestamp"]).timestamp()) for row in rows])
    truth = server.scenario.truth(Place(52.49, 13.40, 50.0), stamps)
    before = server.scenario.truth(Place(52.49, 13.40, 50.0), stamps - HOUR_S)

    assert [row["temperature"] for row in rows] == truth.temp_c.tolist()
    assert [row["precipitation"] for row in rows] == truth.rain_mm.tolist()
    assert [row["solar"] * 1000.0 for row in rows] == pytest.approx(truth.ghi_wm2.tolist(), abs=0.51)
    wind = 0.5 * (truth.wind_ms + before.wind_ms)
    assert [row["wind_speed"] / 3.6 for row in rows] == pytest.approx(wind.tolist(), abs=0.015)


def test_bright_sky_leaves_out_what_a_kind_of_source_does_not_have(server: LoopbackServer) -> None:
    rows = get(server, "bright-sky", BERLIN_WEATHER).json()["weather"]

    assert {row["solar"] for row in rows if row["source_id"] % 10 == 2} == {None}
    assert {row["relative_humidity"] for row in rows if row["source_id"] % 10 == 3} == {None}
    assert {row["precipitation_probability"] for row in rows if row["source_id"] % 10 == 1} == {None}


def test_bright_sky_names_the_station_that_filled_in(server: LoopbackServer) -> None:
    answer = get(server, "bright-sky", BERLIN_WEATHER).json()

    filled = {row["fallback_source_ids"]["sunshine"] for row in answer["weather"] if "fallback_source_ids" in row}
    assert filled == {51, 52}
    assert filled <= {source["id"] for source in answer["sources"]}


def test_bright_sky_in_si_units_says_the_same(server: LoopbackServer) -> None:
    dwd, si = (get(server, "bright-sky", f"{BERLIN_WEATHER}&units={u}").json()["weather"][200] for u in ("dwd", "si"))

    assert si["temperature"] == pytest.approx(dwd["temperature"] + 273.15)
    assert si["wind_speed"] * 3.6 == pytest.approx(dwd["wind_speed"], abs=0.3)
    assert si["solar"] / 3.6e6 == pytest.approx(dwd["solar"], abs=0.001)


def test_bright_sky_takes_times_with_an_offset_and_answers_in_it(server: LoopbackServer) -> None:
    rows = get(server, "bright-sky", "/weather?lat=52.5&lon=13.4&date=2026-05-30T00:00%2B02:00").json()["weather"]

    assert (rows[0]["timestamp"], len(rows)) == ("2026-05-30T00:00:00+02:00", 25)


@pytest.mark.parametrize(
    ("path", "status"),
    [
        ("/weather?lat=40.7&lon=-74.1&date=2026-06-01", 404),
        ("/weather?lat=52.5&lon=13.4", 422),
        ("/weather?lat=abc&lon=13.4&date=2026-06-01", 422),
        ("/weather?lat=52.5&lon=13.4&date=2026-06-01&units=imperial", 422),
        ("/weather?lat=52.5&lon=13.4&date=2026-12-01", 404),
        ("/nothing", 404),
    ],
)
def test_bright_sky_refuses_what_it_does_not_have(server: LoopbackServer, path: str, status: int) -> None:
    answer = get(server, "bright-sky", path)

    assert (answer.status_code, "detail" in answer.json()) == (status, True)


def test_bright_sky_lists_sources_nearest_first(server: LoopbackServer) -> None:
    sources = get(server, "bright-sky", "/sources?lat=52.5&lon=13.4").json()["sources"]

    assert [source["id"] for source in sources] == [61, 62, 63, 51, 52, 53]
    assert sources[0]["distance"] == pytest.approx(1112, abs=2)  # 0.01 degrees of latitude


def test_bright_sky_can_be_read(server: LoopbackServer) -> None:
    reader = pytest.importorskip("matewindow.weather.brightsky", reason="there is no reader for Bright Sky yet")

    parts = reader.parse_weather(get(server, "bright-sky", BERLIN_WEATHER).text)

    assert (parts.observed.provenance.kind, parts.forecast.provenance.kind) == ("observation", "forecast")
    begin, end = (server.scenario.truth(Place(52.49, 13.40, 50.0), epoch(parts.observed) + s) for s in (0, HOUR_S))
    known = np.isfinite(column(parts.observed, "temp_c")[0])
    assert column(parts.observed, "temp_c")[0, known] == pytest.approx(0.5 * (begin.temp_c + end.temp_c)[known])
    assert column(parts.observed, "rain_mm")[0] == pytest.approx(end.rain_mm)


# --- MOSMIX ----------------------------------------------------------------------------------------------------------------------


def test_mosmix_is_a_zip_of_one_kml_with_247_hours(server: LoopbackServer) -> None:
    elements = kml_elements(get(server, "dwd", KMZ).content)

    assert {len(values) for values in elements.values()} == {247}
    assert {"TTT", "FF", "N", "RR1c", "Rad1h", "E_TTT", "E_FF", "R101", "R150"} <= elements.keys()
    assert {elements["RR3c"][i] for i in (0, 1, 3, 4)} == {"-"}  # given at 06 UTC, 09 UTC and so on only


def test_mosmix_is_issued_four_times_a_day_and_kept_for_two_days(server: LoopbackServer) -> None:
    def by_time(hour: str) -> int:
        return get(server, "dwd", KMZ.replace("LATEST", hour)).status_code

    assert (by_time("2026060103"), by_time("2026060109"), by_time("2026053021")) == (200, 404, 200)
    assert by_time("2026052803") == 404
    server.clock.advance(timedelta(hours=5))
    assert by_time("2026060109") == 200


def test_mosmix_of_an_unknown_station_is_a_page_that_says_404(server: LoopbackServer) -> None:
    answer = get(server, "dwd", KMZ.replace("Q1006", "Q9999"))

    assert (answer.status_code, answer.headers["Content-Type"]) == (404, "text/html; charset=utf-8")


def test_mosmix_confirms_by_date_and_by_etag(server: LoopbackServer) -> None:
    first = get(server, "dwd", KMZ)
    for name, value in (("If-None-Match", "ETag"), ("If-Modified-Since", "Last-Modified")):
        assert get(server, "dwd", KMZ, headers={name: first.headers[value]}).status_code == 304


def test_mosmix_can_be_read(server: LoopbackServer) -> None:
    reader = pytest.importorskip("matewindow.weather.mosmix", reason="there is no reader for MOSMIX yet")

    forecast = reader.parse_kmz(get(server, "dwd", KMZ).content).weather

    assert forecast.provenance.run_time == datetime(2026, 6, 1, 3, tzinfo=UTC)
    run = int(forecast.provenance.run_time.timestamp())
    station = Place(52.49, 13.40, 50.0)
    begin, end = (server.scenario.forecast(station, epoch(forecast) + s, run, "mosmix") for s in (0, HOUR_S))
    assert column(forecast, "temp_c") == pytest.approx(0.5 * (begin.temp_c + end.temp_c), abs=0.006)
    assert column(forecast, "rain_mm") == pytest.approx(end.rain_mm)
    assert column(forecast, "ghi_wm2") == pytest.approx(end.ghi_wm2, abs=0.01)


# --- faults of the line ------------------------------------------------------------------------------------------------------------


def test_a_refused_connection_is_refused_and_only_for_its_service(server: LoopbackServer) -> None:
    url = server.url("nws")
    with requests.Session() as kept_alive:
        assert kept_alive.get(url + "/points/40.7,-74.1", headers=AGENT, timeout=5).status_code == 200
        server.faults.on("refused", "nws")
        with pytest.raises(requests.ConnectionError, match="refused"):
            kept_alive.get(url + "/points/40.7,-74.1", headers=AGENT, timeout=5)
    assert get(server, "met-norway", IN_LONDON).status_code == 200

    server.faults.off("refused", "nws")
    assert server.url("nws") == url
    assert get(server, "nws", "/points/40.7,-74.1").status_code == 200


def test_all_services_may_refuse_at_once(server: LoopbackServer) -> None:
    server.faults.on("refused")

    for service, path in LIVELY.items():
        with pytest.raises(requests.ConnectionError, match="refused"):
            get(server, service, path)


@pytest.mark.parametrize(
    ("fault", "error", "patience_s"),
    [
        ("reset", requests.ConnectionError, 10.0),
        ("timeout", requests.ReadTimeout, 0.15),
        ("stalled", (requests.ConnectionError, requests.ReadTimeout), 0.15),
        ("truncated", requests.exceptions.ChunkedEncodingError, 10.0),
    ],
)
@pytest.mark.parametrize("service", ["met-norway", "dwd"])
def test_a_broken_line_breaks_the_call_and_the_next_one_is_well(
    server: LoopbackServer, fault: str, error: Any, patience_s: float, service: str
) -> None:
    server.faults.on(fault, service, times=1)

    with pytest.raises(error):
        get(server, service, LIVELY[service], timeout=patience_s)
    assert get(server, service, LIVELY[service]).status_code == 200
    assert [exchange.faults for exchange in server.calls(service)] == [(fault,), ()]


@pytest.mark.parametrize("fault", ["slow_headers", "slow_drip"])
def test_a_slow_line_sends_a_byte_at_a_time(server: LoopbackServer, fault: str) -> None:
    server.faults.on(fault, "dwd")
    received = b""
    with socket.create_connection(("127.0.0.1", port_of(server, "dwd")), timeout=5) as line:
        line.sendall(f"GET /dwd{KMZ} HTTP/1.1\r\nHost: 127.0.0.1\r\n\r\n".encode())
        sizes: list[int] = []
        while len(sizes) < 6:
            received += (part := line.recv(4096))
            sizes.append(len(part))

    slow = sizes if fault == "slow_headers" else sizes[-4:]
    assert max(slow) < 40  # one byte each, or a few if this process was held up
    assert (b"\r\n\r\n" in received) == (fault == "slow_drip")


def test_a_fault_counts_its_requests_and_leaves_other_paths_alone(server: LoopbackServer) -> None:
    server.faults.on("unavailable", "open-meteo", times=2, path="/data/")
    meta = "/data/icon_eu_eps/static/meta.json"

    statuses = [get(server, "open-meteo-ensemble", meta).status_code for _ in range(3)]
    assert statuses == [503, 503, 200]
    server.faults.on("unavailable", "open-meteo", path="/data/")
    assert get(server, "open-meteo-forecast", FORECAST).status_code == 200


def test_closing_the_server_ends_calls_that_hang() -> None:
    with (
        LoopbackServer() as own,
        socket.create_connection(("127.0.0.1", port_of(own, "dwd"))) as line,
    ):
        own.faults.on("timeout")
        line.sendall(f"GET /dwd{KMZ} HTTP/1.1\r\nHost: 127.0.0.1\r\n\r\n".encode())
        line.settimeout(5)
        own.close()

        with suppress(ConnectionResetError):  # it may have closed before it read the request
            assert line.recv(10) == b""


# --- faults of the answer ----------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("service", LIVELY)
def test_ten_times_the_size(server: LoopbackServer, service: str) -> None:
    whole = get(server, service, LIVELY[service]).content
    server.faults.on("ten_times_size", service)

    answer = get(server, service, LIVELY[service])
    assert len(answer.content) == 10 * len(whole)
    assert answer.content.startswith(whole)


def test_a_small_answer_unpacks_to_a_hundred_megabytes(server: LoopbackServer) -> None:
    server.faults.on("gzip_bomb", "met-norway")
    with get(server, "met-norway", IN_LONDON, stream=True) as answer:
        packed = answer.raw.read(decode_content=False)

    assert answer.headers["Content-Encoding"] == "gzip"
    assert len(packed) < 500_000
    with gzip.open(io.BytesIO(packed)) as unpacked:
        assert sum(len(part) for part in iter(lambda: unpacked.read(1_000_000), b"")) == BOMB_BYTES


@pytest.mark.parametrize("service", LIVELY)
def test_a_login_page_instead_of_data(server: LoopbackServer, service: str) -> None:
    server.faults.on("html", service)
    answer = get(server, service, LIVELY[service])

    assert (answer.status_code, answer.headers["Content-Type"]) == (200, "text/html; charset=utf-8")
    assert answer.text.startswith("<!DOCTYPE html>")


@pytest.mark.parametrize("fault", ["text_after_json", "broken_stream"])
def test_an_error_text_behind_the_answer_or_in_the_midst_of_it(server: LoopbackServer, fault: str) -> None:
    whole = get(server, "open-meteo-forecast", FORECAST).text
    server.faults.on(fault, "open-meteo-forecast")
    answer = get(server, "open-meteo-forecast", FORECAST)

    assert answer.status_code == 200
    assert "Unexpected error while streaming data" in answer.text
    assert answer.text.startswith(whole) == (fault == "text_after_json")
    with pytest.raises(WeatherFileError, match="broke off"):
        openmeteo.parse_forecast(answer.text)


@pytest.mark.parametrize("service", [*LIVELY, "nws"])
def test_a_redirect_that_leads_nowhere(server: LoopbackServer, service: str) -> None:
    server.faults.on("redirect_loop", service)
    path = LIVELY.get(service, "/points/40.7,-74.1")

    with pytest.raises(requests.TooManyRedirects):
        get(server, service, path)


@pytest.mark.parametrize("service", ["met-norway", "nws", "bright-sky", "dwd"])
def test_429_lasts_for_an_hour_and_says_so(server: LoopbackServer, service: str) -> None:
    path = LIVELY.get(service, "/points/40.7,-74.1")
    server.faults.on("throttled", service)
    server.clock.advance(timedelta(minutes=20))
    answer = get(server, service, path)
    server.clock.advance(timedelta(minutes=40))

    assert (answer.status_code, answer.headers["Retry-After"]) == (429, "2400")
    assert get(server, service, path).status_code == 200


def test_429_of_open_meteo_lasts_till_the_full_hour_and_says_so_in_words(server: LoopbackServer) -> None:
    server.clock.set(NOW + timedelta(minutes=45))
    server.faults.on("throttled", "open-meteo")
    answer = get(server, "open-meteo-forecast", FORECAST)
    server.clock.advance(timedelta(minutes=15))

    assert (answer.status_code, "Retry-After" in answer.headers) == (429, False)
    assert answer.json()["reason"].endswith("in the next hour.")
    assert get(server, "open-meteo-forecast", FORECAST).status_code == 200


@pytest.mark.parametrize(("fault", "status"), [("unavailable", 503), ("broken", 500)])
def test_errors_have_the_form_of_the_service(server: LoopbackServer, fault: str, status: int) -> None:
    server.faults.on(fault)
    answers = {s: get(server, s, LIVELY.get(s, "/points/40.7,-74.1")) for s in (*LIVELY, "nws")}

    assert {answer.status_code for answer in answers.values()} == {status}
    assert answers["open-meteo-forecast"].json()["error"] is True
    assert answers["nws"].json()["status"] == status
    assert "detail" in answers["bright-sky"].json()
    assert "<html>" in answers["met-norway"].text


# --- faults of the content -----------------------------------------------------------------------------------------------------------


def spoiled(server: LoopbackServer, fault: str, service: str, path: str) -> tuple[requests.Response, requests.Response]:
    """The answer as it should be, and with the fault."""
    whole = get(server, service, path)
    server.faults.on(fault, service)
    return whole, get(server, service, path)


@pytest.mark.parametrize(
    ("fault", "words"),
    [
        ("all_nulls", "holds no value"),
        ("undefined_units", "holds no value"),
        ("negative_rain", "impossible"),
        ("temperature_200", "200"),
    ],
)
@pytest.mark.parametrize(("service", "parse"), [
    ("open-meteo-forecast", openmeteo.parse_forecast),
    ("open-meteo-ensemble", openmeteo.parse_ensemble),
    ("met-norway", metno.parse_locationforecast),
])  # fmt: skip
def test_the_readers_refuse_spoiled_values(
    server: LoopbackServer, service: str, parse: Any, fault: str, words: str
) -> None:
    whole, bad = spoiled(server, fault, service, LIVELY[service])

    assert parse(whole.text).n_members >= 1
    with pytest.raises(WeatherFileError) as caught:
        parse(bad.text)
    if service != "met-norway" or fault in {"negative_rain", "temperature_200"}:
        assert words in str(caught.value)


@pytest.mark.parametrize("fault", ["all_nulls", "undefined_units", "negative_rain", "temperature_200"])
def test_the_reader_of_nws_grids_refuses_spoiled_values(server: LoopbackServer, fault: str) -> None:
    whole, bad = spoiled(server, fault, "nws", grid_path(server))

    assert nws.parse_gridpoints(whole.text).n_members == 1
    with pytest.raises(WeatherFileError):
        nws.parse_gridpoints(bad.text)


@pytest.mark.parametrize(
    ("fault", "key", "wanted"),
    [
        ("all_nulls", "temperature", {None}),
        ("temperature_200", "temperature", {200.0}),
        ("negative_rain", "precipitation", None),
    ],
)
def test_bright_sky_spoils_its_rows(server: LoopbackServer, fault: str, key: str, wanted: set[Any] | None) -> None:
    _, bad = spoiled(server, fault, "bright-sky", BERLIN_WEATHER)
    values = {row[key] for row in bad.json()["weather"]}

    assert values == wanted if wanted else max(values) < 0.0


@pytest.mark.parametrize(
    ("fault", "element", "wanted"), [("all_nulls", "TTT", "-"), ("temperature_200", "TTT", "473.15")]
)
def test_mosmix_spoils_its_columns(server: LoopbackServer, fault: str, element: str, wanted: str) -> None:
    _, bad = spoiled(server, fault, "dwd", KMZ)

    assert set(kml_elements(bad.content)[element]) == {wanted}


def test_the_place_told_is_ten_degrees_away(server: LoopbackServer) -> None:
    _, bad = spoiled(server, "wrong_coordinates", "open-meteo-forecast", FORECAST)
    weather = openmeteo.parse_forecast(bad.text)
    assert (weather.provenance.latitude, weather.provenance.longitude) == pytest.approx((41.5, 9.88), abs=0.02)

    _, bad = spoiled(server, "wrong_coordinates", "met-norway", IN_LONDON)
    assert bad.json()["geometry"]["coordinates"][:2] == pytest.approx([9.88, 41.5])

    _, bad = spoiled(server, "wrong_coordinates", "nws", grid_path(server))
    assert nws.parse_gridpoints(bad.text).provenance.latitude == pytest.approx(30.7, abs=0.03)

    _, bad = spoiled(server, "wrong_coordinates", "bright-sky", BERLIN_WEATHER)
    assert {round(source["lat"]) for source in bad.json()["sources"]} == {42}
    assert min(source["distance"] for source in bad.json()["sources"]) > 1_000_000


def test_half_of_the_members_are_left_out_and_the_rest_renumbered(server: LoopbackServer) -> None:
    path = f"{ENSEMBLE}&models=ecmwf_ifs025&forecast_days=1"
    whole, bad = (
        openmeteo.parse_ensemble(a.text) for a in spoiled(server, "members_missing", "open-meteo-ensemble", path)
    )

    assert (whole.n_members, bad.n_members) == (51, 26)
    assert column(bad, "temp_c")[1] == pytest.approx(column(whole, "temp_c")[2])


def test_columns_may_end_in_the_name_of_another_model(server: LoopbackServer) -> None:
    path = f"{ENSEMBLE}&models=icon_eu_eps&forecast_days=1"
    whole, bad = (
        openmeteo.parse_ensemble(a.text) for a in spoiled(server, "renamed_model_suffix", "open-meteo-ensemble", path)
    )

    assert (whole.provenance.model, bad.provenance.model) == (None, "another_model")


@pytest.mark.parametrize(("fault", "date"), [("stale_run", "Mon, 01 Jun 2026"), ("slow_clock", "Fri, 29 May 2026")])
def test_runs_may_be_three_days_old_with_or_without_the_clock(server: LoopbackServer, fault: str, date: str) -> None:
    server.faults.on(fault)
    meta = get(server, "open-meteo-ensemble", "/data/ecmwf_ifs025_ensemble/static/meta.json")
    nordic = get(server, "met-norway", NEAR_OSLO)
    grid = requests.get(grid_url(server), headers=AGENT, timeout=5)

    run = datetime.fromtimestamp(meta.json()["last_run_initialisation_time"], UTC)
    assert run == datetime(2026, 5, 28, 18, tzinfo=UTC)
    assert nordic.json()["properties"]["meta"]["updated_at"].startswith("2026-05-29T06")
    assert grid.json()["properties"]["updateTime"].startswith("2026-05-29T05")
    with zipfile.ZipFile(io.BytesIO(get(server, "dwd", KMZ).content)) as archive:
        assert archive.namelist() == ["MOSMIX_L_2026052903_Q1006.kml"]
    assert {answer.headers["Date"][:16] for answer in (meta, nordic, grid)} == {date}


def test_a_fault_that_a_service_cannot_have_is_refused(server: LoopbackServer) -> None:
    with pytest.raises(ValueError, match="bright-sky cannot have 'undefined_units'"):
        server.faults.on("undefined_units", "bright-sky")
    with pytest.raises(ValueError, match="no fault is called 'thunder'"):
        server.faults.on("thunder")
    with pytest.raises(ValueError, match="cannot be counted"):
        server.faults.on("refused", "nws", times=1)


# --- the log, the clock, the documentation -------------------------------------------------------------------------------------------


def test_every_request_is_in_the_log(server: LoopbackServer) -> None:
    get(server, "open-meteo-forecast", f"{FORECAST}&models=icon_eu")
    server.clock.advance(timedelta(minutes=40))
    get(server, "met-norway", IN_LONDON, headers={"If-Modified-Since": "Mon, 01 Jun 2026 01:00:00 GMT"})
    first, second = server.log

    assert (first.request.method, first.request.service, first.path) == ("GET", "open-meteo-forecast", "/v1/forecast")
    assert (first.request.text("models"), first.request.items("hourly")[0]) == ("icon_eu", "temperature_2m")
    assert (first.request.headers["user-agent"], first.status, first.weight) == (AGENT["User-Agent"], 200, 1.0)
    assert first.sent_bytes > 1000
    assert (second.status, second.sent_bytes, second.request.at) == (304, 0, NOW + timedelta(minutes=40))


def test_the_clock_stands_still_and_sleeping_moves_it() -> None:
    clock = SetClock()
    clock.sleep(90.0)

    assert clock.now() == NOW + timedelta(seconds=90)


def test_a_fault_of_the_server_itself_is_raised_when_it_is_closed() -> None:
    class Broken(Scenario):
        def truth(self, *args: Any) -> Hours:
            raise ZeroDivisionError(args)

    own = LoopbackServer(Broken())
    own.start()
    answer = get(own, "bright-sky", BERLIN_WEATHER)

    assert answer.status_code == 500
    with pytest.raises(AssertionError, match="ZeroDivisionError"):
        own.close()


def test_the_read_me_names_every_service_and_every_fault() -> None:
    text = (Path(__file__).parent / "loopback" / "README.md").read_text(encoding="utf-8")

    missing = [name for name in (*HOSTS, *LINE, *ANSWER, *CONTENT) if f"`{name}`" not in text]
    assert missing == []


# --- with the program's own client -----------------------------------------------------------------------------------------------------


KEEPER = Settings(contact="keeper@apiary.example")
HURRY = Limits(connect_s=0.2, read_s=0.2, total_s=0.4)


@pytest.fixture
def store(server: LoopbackServer, tmp_path: Path) -> WeatherStore:
    return WeatherStore(tmp_path / "store", now=server.clock.now)


def make_client(server: LoopbackServer, store: WeatherStore, limits: Limits | None = None) -> Client:
    """The program's client: the services' own addresses lead to the server, and one clock is that of both."""
    return Client(KEEPER, store, server.clock, session=server.session(), limits=limits, rng=random.Random(1))


@pytest.fixture
def client(server: LoopbackServer, store: WeatherStore) -> Iterator[Client]:
    with make_client(server, store) as made:
        yield made


@pytest.fixture
def hurried(server: LoopbackServer, store: WeatherStore) -> Iterator[Client]:
    """With the same store, and 0.4 s for everything."""
    with make_client(server, store, HURRY) as made:
        yield made


def question(source: Source, url: str, **changes: Any) -> SourceRequest:
    asked: dict[str, Any] = {"params": {}, "site": "here", "kind": "forecast"}
    return SourceRequest(source, url, **{**asked, **changes})


OSLO = question(
    MET_NORWAY, "https://api.met.no/weatherapi/locationforecast/2.0/complete", params={"lat": "59.9", "lon": "10.7"}
)
OPEN = question(
    OPEN_METEO,
    "https://api.open-meteo.com/v1/forecast",
    params={"latitude": "51.5", "longitude": "-0.12", "hourly": COLUMNS},
)


def test_an_answer_is_fresh_then_confirmed_then_new(server: LoopbackServer, client: Client) -> None:
    origins = []
    for wait in (timedelta(0), timedelta(minutes=29), timedelta(minutes=2), HOUR):
        server.clock.advance(wait)
        origins.append(client.get(OSLO).origin)

    assert origins == ["network", "fresh", "confirmed", "network"]
    assert [exchange.status for exchange in server.calls("met-norway")] == [200, 304, 200]


def test_the_client_follows_the_redirect_of_nws_and_the_grid_it_names(server: LoopbackServer, client: Client) -> None:
    points = client.get(question(NWS, "https://api.weather.gov/points/40.700,-74.10"))
    cell = nws.parse_points(points.text)
    grid = client.get(question(NWS, cell.forecast_grid_url, kind="grid"))

    assert cell.forecast_grid_url.startswith("https://api.weather.gov/gridpoints/")
    assert nws.parse_gridpoints(grid.text).n_members == 1
    assert [exchange.status for exchange in server.calls("nws")] == [301, 200, 200]


@pytest.mark.parametrize("fault", [*LINE, *ANSWER])
def test_no_fault_gets_through_the_client_and_the_old_answer_is_given(
    server: LoopbackServer, client: Client, hurried: Client, fault: str
) -> None:
    # Ten times of what is asked for here is far below the limit, and a whole answer: that one is taken.
    small = question(OSLO.source, OSLO.url, params=OSLO.params, max_bytes=200_000)
    first = client.get(small)
    server.clock.advance(2 * HOUR)
    server.faults.on(fault, "met-norway")

    second = hurried.get(small, max_age=DAY)

    assert (second.stale, second.body == first.body) == (True, True)
    assert second.reason
    assert "apiary" not in second.reason


@pytest.mark.parametrize("fault", ["slow_headers", "slow_drip", "timeout", "refused"])
def test_the_client_gives_up_in_time(server: LoopbackServer, hurried: Client, fault: str) -> None:
    server.faults.on(fault, "open-meteo")

    with pytest.raises(SourceError):
        hurried.get(OPEN)


def test_the_client_tries_again_after_a_passing_fault(server: LoopbackServer, client: Client) -> None:
    server.faults.on("unavailable", "open-meteo", times=2)

    assert client.get(OPEN).origin == "network"
    assert [exchange.status for exchange in server.calls("open-meteo")] == [503, 503, 200]


def test_the_client_stays_away_for_the_hour_of_a_429(server: LoopbackServer, client: Client) -> None:
    server.faults.on("throttled", "met-norway")
    for _ in range(3):
        with pytest.raises(SourceError):
            client.get(OSLO)
        server.clock.advance(timedelta(minutes=15))

    assert len(server.calls("met-norway")) == 1
    server.clock.advance(timedelta(minutes=16))
    assert client.get(OSLO).origin == "network"


def test_addresses_of_others_lead_nowhere(client: Client) -> None:
    with pytest.raises(SourceError):
        client.get(question(OPEN_METEO, "https://weather.example/v1/forecast"))


def test_an_address_can_be_turned_into_that_of_the_server(server: LoopbackServer) -> None:
    assert server.local("https://api.weather.gov/points") == f"{server.url('nws')}/points"
    paid = server.local("https://customer-archive-api.open-meteo.com/v1/archive")
    assert paid == f"{server.url('open-meteo-archive')}/v1/archive"
    with pytest.raises(ValueError, match="none of the services"):
        server.local("https://weather.example/")


def test_over_tls_other_processes_can_be_served_too(tmp_path: Path) -> None:
    made = make_certificate(tmp_path)
    if made is None:
        pytest.skip("there is no openssl program: the server was not tried over TLS")
    both, trusted = made
    with LoopbackServer(certificate=both) as server:
        settings = Settings(contact="keeper@apiary.example", ca_bundle=trusted)
        store = WeatherStore(tmp_path / "store", now=server.clock.now)
        with Client(settings, store, server.clock, limits=Limits(read_s=0.2)) as client:
            points = client.get(question(NWS, f"{server.url('nws')}/points/40.70,-74.1"))
            grid_address = json.loads(points.body)["properties"]["forecastGridData"]
            grid = client.get(question(NWS, grid_address, kind="grid"))
            server.faults.on("timeout", "nws")
            server.clock.advance(DAY)
            late = client.get(question(NWS, grid_address, kind="grid"), max_age=2 * DAY)

        assert grid_address.startswith("https://127.0.0.1:")
        assert nws.parse_gridpoints(grid.text).n_members == 1
        assert late.stale
