"""Stored runs: each is given out only from when it could have been known, and a bad file is named."""

from __future__ import annotations

import pickle
from datetime import UTC, date, datetime, timedelta
from pathlib import Path

import numpy as np
import pytest

from matewindow.biology import Biology
from matewindow.errors import RequestError, WeatherFileError
from matewindow.paths import Sources
from matewindow.siteweather import SiteWeather
from matewindow.sources import runs_on_site, season_days, with_run
from matewindow.storedruns import NO_RUNS, PUBLISHED_AFTER, StoredRuns
from matewindow.weather import openmeteo
from matewindow.weather.desk import site_name
from matewindow.weather.entries import Key, Received
from matewindow.weather.folder import read_folder
from matewindow.weather.manners import OPEN_METEO
from matewindow.weather.normal import Provenance, Weather, make_weather
from matewindow.weather.store import WeatherStore
from tests.made_runs import SITE, Seasons

YEARS = range(2020, 2026)
MADE = Seasons.made(YEARS, 40, seed=5)


def text(day: int, members: int = 3) -> str:
    return MADE.run(2025, day, np.random.default_rng(day), members=members, leads=5)


def folder_with(tmp_path: Path, **files: str) -> Path:
    (tmp_path / "runs").mkdir()
    for name, content in files.items():
        (tmp_path / "runs" / f"{name.replace('_', '-')}.json").write_text(content)
    return tmp_path


def utc(text: str) -> datetime:
    return datetime.fromisoformat(text).replace(tzinfo=UTC)


def started(weather: Weather | None) -> datetime | None:
    return None if weather is None else weather.provenance.run_time


@pytest.fixture
def three(tmp_path: Path) -> Path:
    """Runs of 1, 2 and 5 May 2025."""
    return folder_with(tmp_path, **{f"2025_05_0{day + 1}T00Z": text(day) for day in (0, 1, 4)})


# --- when a run is known ------------------------------------------------------------------------------------------


def test_a_run_is_not_known_before_it_was_published_and_from_then_on_it_is(three: Path) -> None:
    runs, start = StoredRuns.of_folder(three), utc("2025-05-01T00:00")
    assert runs.at(start + PUBLISHED_AFTER - timedelta(seconds=1)) is None
    assert started(runs.at(start + PUBLISHED_AFTER)) == start


def test_no_instant_of_a_week_is_given_a_run_of_its_future_or_an_old_one(three: Path) -> None:
    runs = StoredRuns.of_folder(three)
    seen = set()
    for hour in range(24 * 9):
        now = utc("2025-04-30T00:00") + timedelta(hours=hour)
        begun = started(runs.at(now))
        due = [
            s for d in (1, 2, 5) if (s := utc(f"2025-05-0{d}T00:00")) + PUBLISHED_AFTER <= now <= s + timedelta(days=2)
        ]
        assert begun == max(due, default=None), now
        seen.add(begun)
    assert len(seen) == 4  # none, and each of the three


def test_a_run_holds_its_own_start_and_nothing_of_the_days_before(tmp_path: Path) -> None:
    # fetched with two days behind it, as a live forecast is
    made = MADE.run(2025, 3, np.random.default_rng(1), members=1, leads=6)
    home = folder_with(tmp_path, **{"2025_05_06T12Z": made})
    run = StoredRuns.of_folder(home).at(utc("2025-05-07T00:00"))
    assert run is not None
    assert run.provenance.kind == "forecast"
    assert started(run) == utc("2025-05-06T12:00")
    assert str(run.times[0]) == "2025-05-06T00:00:00"


def test_an_ensemble_comes_before_a_newer_single_run_and_either_can_be_asked_for(tmp_path: Path) -> None:
    home = folder_with(tmp_path, **{"2025_05_01T00Z": text(0), "2025_05_02T00Z": text(1, members=1)})
    runs, now = StoredRuns.of_folder(home), utc("2025-05-02T12:00")
    assert started(runs.at(now)) == started(runs.at(now, kind="ensemble")) == utc("2025-05-01T00:00")
    assert started(runs.at(now, kind="forecast")) == utc("2025-05-02T00:00")
    later = utc("2025-05-03T12:00")  # the ensemble is too old by then
    assert started(runs.at(later)) == utc("2025-05-02T00:00")


def test_a_time_without_a_zone_is_refused(three: Path) -> None:
    with pytest.raises(RequestError, match="no time zone"):
        StoredRuns.of_folder(three).at(datetime(2025, 5, 1))  # noqa: DTZ001


# --- what is there ------------------------------------------------------------------------------------------------


def test_days_and_edition_tell_what_there_is(three: Path) -> None:
    runs = StoredRuns.of_folder(three)
    assert runs.days == (date(2025, 5, 1), date(2025, 5, 2), date(2025, 5, 5))
    assert runs.edition == StoredRuns.of_folder(three).edition
    file = three / "runs" / "2025-05-02T00Z.json"
    file.write_text(text(1, members=2))
    changed = StoredRuns.of_folder(three).edition
    file.rename(file.with_name("2025-05-03T00Z.json"))
    assert len({runs.edition, changed, StoredRuns.of_folder(three).edition, NO_RUNS.edition}) == 4


def test_a_folder_without_runs_has_none(tmp_path: Path) -> None:
    for runs in (StoredRuns.of_folder(tmp_path), NO_RUNS):
        assert not runs
        assert runs.days == ()
        assert runs.at(utc("2025-05-01T12:00")) is None


def test_runs_go_to_another_process_without_their_weather(three: Path) -> None:
    runs = StoredRuns.of_folder(three)
    now = utc("2025-05-02T12:00")
    here = runs.at(now)
    packed = pickle.dumps(runs)
    there = pickle.loads(packed)  # noqa: S301
    assert len(packed) < 2_000
    assert there == runs
    assert there.edition == runs.edition
    other = there.at(now)
    assert here is not None
    assert other is not None
    assert other.provenance == here.provenance
    assert other.frame.equals(here.frame)


# --- bad files ----------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("name", ["2025-05-01", "2025-02-30T00Z", "2025-05-01T24Z", "run1", "2025-05-01T00:00Z"])
def test_a_name_that_tells_no_start_is_refused_with_the_file(tmp_path: Path, name: str) -> None:
    home = folder_with(tmp_path, **{name: text(0)})
    with pytest.raises(WeatherFileError, match="does not say when the run starts") as refused:
        StoredRuns.of_folder(home)
    assert name in str(refused.value)
    assert "2025-05-01T00Z.json" in str(refused.value)


@pytest.mark.parametrize(
    ("content", "said"),
    [
        ("", "empty"),
        ("{", "no whole JSON"),
        ("[]", "places"),
        ('{"error": true, "reason": "no"}', "refused"),
        (text(4), "no run that starts at 2025-05-01"),
    ],
    ids=["empty", "broken", "list", "refusal", "another run"],
)
def test_a_bad_file_is_named_when_it_is_asked_for(tmp_path: Path, content: str, said: str) -> None:
    home = folder_with(tmp_path, **{"2025_05_01T00Z": content})
    runs = StoredRuns.of_folder(home)
    with pytest.raises(WeatherFileError, match=said) as refused:
        runs.at(utc("2025-05-01T12:00"))
    assert "2025-05-01T00Z.json" in str(refused.value)


def test_other_files_beside_the_runs_do_no_harm(three: Path) -> None:
    (three / "runs" / "notes.txt").write_text("from the archive")
    (three / "runs" / "more.json").mkdir()
    assert len(StoredRuns.of_folder(three)) == 3


# --- what the weather store kept ----------------------------------------------------------------------------------


def kept(
    store: WeatherStore, content: str, at: str, kind: str = "ensemble", *, run: str = "", normal: bool = True
) -> None:
    key = Key.of(source=OPEN_METEO.name, site=site_name(SITE, OPEN_METEO), kind=kind, url="u", params={"models": "m"})
    entry = store.put(Received(key, "u", {"models": "m"}, utc(at), 200, content.encode()))
    if normal:
        parse = openmeteo.parse_ensemble if kind == "ensemble" else openmeteo.parse_forecast
        weather = parse(content)
        p = weather.provenance
        when = utc(run) if run else None
        store.save_normal(
            entry, Weather(weather.frame, Provenance(p.source, p.kind, p.licence, run_time=when, fetched_at=utc(at)))
        )


def test_the_stores_runs_are_known_from_when_they_were_fetched(tmp_path: Path) -> None:
    store = WeatherStore(tmp_path, now=lambda: utc("2025-06-01T00:00"))
    kept(store, text(0), "2025-05-01T09:30", run="2025-05-01T00:00")
    kept(store, text(1), "2025-05-02T06:00", normal=False)
    runs = StoredRuns.of_store(store, SITE)
    assert len(runs) == 2
    assert runs.days == (date(2025, 5, 1), date(2025, 5, 2))
    assert runs.at(utc("2025-05-01T09:29")) is None
    assert started(runs.at(utc("2025-05-01T09:30"))) == utc("2025-05-01T00:00")
    second = pickle.loads(pickle.dumps(runs)).at(utc("2025-05-02T06:00"))  # noqa: S301
    assert second is not None
    assert second.provenance.fetched_at == utc("2025-05-02T06:00")
    assert second.provenance.run_time is None
    assert second.n_members == 3


def test_a_stored_run_that_began_long_before_it_was_fetched_is_too_old_by_its_start(tmp_path: Path) -> None:
    store = WeatherStore(tmp_path, now=lambda: utc("2025-06-01T00:00"))
    kept(store, text(0), "2025-05-02T09:00", run="2025-05-01T00:00")
    runs = StoredRuns.of_store(store, SITE)
    assert runs.at(utc("2025-05-03T00:00")) is not None
    assert runs.at(utc("2025-05-03T01:00")) is None


def test_a_damaged_entry_of_the_store_gives_way_to_the_run_before(tmp_path: Path) -> None:
    store = WeatherStore(tmp_path, now=lambda: utc("2025-06-01T00:00"))
    kept(store, text(0), "2025-05-01T09:00", normal=False)
    kept(store, text(1), "2025-05-02T09:00", normal=False)
    runs = StoredRuns.of_store(store, SITE)
    (runs.runs[-1].place / "body.gz").write_bytes(b"damaged")
    found = runs.at(utc("2025-05-02T12:00"))
    assert found is not None
    assert found.provenance.fetched_at == utc("2025-05-01T09:00")


# --- laid on the site's days --------------------------------------------------------------------------------------


def coarse_run() -> Weather:
    """Six days of rain that a source split evenly over six hours."""
    times = np.datetime64("2025-05-10T00", "s") + np.arange(144) * np.timedelta64(1, "h")
    columns = {"temp_c": np.full((2, 144), 20.0), "wind_ms": np.ones((2, 144)), "rain_mm": np.full((2, 144), 0.25)}
    return make_weather(times, columns, Provenance("made", "ensemble", "none", run_time=utc("2025-05-10T00:00")))


def wet_hours(laid: SiteWeather) -> float:
    assert laid.rain_mm is not None
    return float((np.nan_to_num(laid.rain_mm) > 0.0).sum() / laid.rain_mm.shape[0] / 6.0)


def test_a_stored_run_is_laid_as_a_live_one_and_a_season_can_be_kept_out_of_its_rain(biology: Biology) -> None:
    # in 2025 it rains in the first hour of each six only, in the years before in two hours of six
    first = np.datetime64("2021-05-01T00", "s")
    n_hours = int((np.datetime64("2025-06-10T00") - first) / np.timedelta64(1, "h"))
    times = first + np.arange(n_hours) * np.timedelta64(1, "h")
    this_year = times >= np.datetime64("2025-01-01")
    hour = np.arange(n_hours) % 6
    rain = np.where((hour == 0) | ((hour == 1) & ~this_year), np.where(this_year, 1.5, 0.75), 0.0)
    columns = {"temp_c": np.full(n_hours, 15.0), "wind_ms": np.ones(n_hours), "rain_mm": rain}
    record = make_weather(times, columns, Provenance("made", "observation", "none"))
    season = np.datetime64("2025-01-01"), np.datetime64("2025-12-31")
    lay = {
        name: runs_on_site(record, SITE, biology.flight, without=days)
        for name, days in {"all": None, "others": season}.items()
    }
    both, others = (wet_hours(lay[name](coarse_run())) for name in ("all", "others"))
    assert pytest.approx(others, abs=0.8) == 8.0  # two of each six hours
    assert both < others  # with the season itself some have one wet hour


def test_a_run_of_another_place_is_refused_and_one_of_the_site_becomes_the_only_forecast(
    three: Path, biology: Biology
) -> None:
    MADE.write_past(three)
    record = read_folder(three, SITE).record
    lay = runs_on_site(record, SITE, biology.flight)
    run = StoredRuns.of_folder(three).at(utc("2025-05-02T12:00"))
    assert run is not None
    laid = lay(run)
    assert laid.issued == np.datetime64("2025-05-02")
    assert laid.temp_c.shape == (3, 5, 24)
    sources = with_run(Sources(), laid)
    assert sources.members is laid
    assert with_run(sources, None) == Sources()
    elsewhere = runs_on_site(record, type(SITE)("Elsewhere", 40.0, 0.0, 50.0, "Europe/Madrid"), biology.flight)
    with pytest.raises(WeatherFileError, match="weather for latitude 52"):
        elsewhere(run)


def test_a_season_of_the_south_runs_from_july_to_june() -> None:
    south = type(SITE)("South (invented)", -40.0, 175.0, 50.0, "Pacific/Auckland")
    assert [str(day) for day in season_days(2024, south)] == ["2024-07-01", "2025-06-30"]
    assert [str(day) for day in season_days(2024, SITE)] == ["2024-01-01", "2024-12-31"]
