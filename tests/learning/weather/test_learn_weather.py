"""``matewindow learn-weather`` as a keeper types it, and its models on the shelf."""

from __future__ import annotations

import json
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import typer
from typer.testing import CliRunner

from matewindow.biology import load_biology
from matewindow.cli import learning, learning_weather, options
from matewindow.errors import MatewindowError
from matewindow.learning.artefacts import Shelf
from matewindow.paths import ensemble_weight
from matewindow.weather.desk import site_name
from matewindow.weather.entries import Key, Received
from matewindow.weather.manners import OPEN_METEO
from matewindow.weather.store import WeatherStore
from tests.made_runs import SITE, SITE_TOML, Seasons, nothing

APP = typer.Typer()
APP.command(name="learn-weather")(learning_weather.learn_weather)
APP.add_typer(learning.models, name="models")
NOW = ["--now", "2026-11-01T08:00Z"]
YEARS = range(2015, 2026)


@pytest.fixture(scope="module")
def useless(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Runs of three seasons that are sure of themselves and know nothing."""
    folder = tmp_path_factory.mktemp("useless")
    made = Seasons.made(YEARS, 90, seed=3)
    made.write_past(folder)
    issued = [(year, day) for year in (2023, 2024, 2025) for day in range(5, 75)]
    made.write_runs(folder, issued, 7, members=4, leads=6, skill=nothing, agreed=0.9)
    (folder / "home.toml").write_text(SITE_TOML)
    return folder


@pytest.fixture(scope="module")
def few(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Runs of twelve days."""
    folder = tmp_path_factory.mktemp("few")
    made = Seasons.made(YEARS, 40, seed=4)
    made.write_past(folder)
    made.write_runs(folder, [(2025, day) for day in range(10, 22)], 8, members=3, leads=5)
    (folder / "home.toml").write_text(SITE_TOML)
    return folder


def run(*arguments: str) -> str:
    result = CliRunner().invoke(APP, list(arguments), catch_exceptions=False)
    assert result.exit_code == 0, result.output
    return result.stdout


def learn(folder: Path, home: Path, *more: str) -> list[str]:
    at = ["--site", str(folder / "home.toml"), "--weather", str(folder), "--models", str(home)]
    return ["learn-weather", *at, *NOW, *more]


def test_useless_runs_become_a_model_of_no_weight_that_is_used_shown_and_left_again(
    useless: Path, tmp_path: Path
) -> None:
    home = tmp_path / "models"
    report = json.loads(run(*learn(useless, home, "--json")))
    by_kind = {f["kind"]: f for f in report["findings"]}
    weight = by_kind["forecast-weight"]
    assert report["cases"] == 3 * 70 * 6
    assert report["sites"] == [{"site": "Larch Hollow (invented)", "runs": 210, "cases": 1260}]
    assert weight["earned"]
    assert weight["estimate"]["weight"] == 0.0
    assert by_kind["bias"]["model"] is None

    at = ["--models", str(home)]
    used = json.loads(run("models", "use", weight["model"], *at, "--json"))
    assert used["version"] == f"2026.1+{weight['model']}"
    literature = load_biology()
    biology = Shelf(home).in_use(literature).biology
    assert (ensemble_weight(np.arange(16.0), biology.forecast) == 0.0).all()
    assert biology.mating == literature.mating

    card = json.loads(run("models", "show", weight["model"], *at, "--json"))["card"]
    assert "the forecast gets no weight" in card
    assert "1,260 days that stored runs spoke of, issued on 210 site-days from 2023-05-06" in card
    again = json.loads(run(*learn(useless, home, "--json")))  # with no weight in use there is nothing left to gain
    assert not next(f for f in again["findings"] if f["kind"] == "forecast-weight")["earned"]
    run("models", "use", "literature", *at)
    assert Shelf(home).in_use(literature).biology is literature


def test_the_tables_say_in_words_what_there_is_and_what_it_would_take(few: Path, tmp_path: Path) -> None:
    said = " ".join(run(*learn(few, tmp_path / "models")).split())
    assert "12 runs at 1 site in 1 season: 60 days forecast" in said
    assert "The stored runs do not yet justify a change" in said
    assert "About 190 more site-days would be the least" in said
    assert "days ahead" in said
    assert not (tmp_path / "models").exists()


def test_a_dry_run_keeps_nothing(useless: Path, tmp_path: Path) -> None:
    said = " ".join(run(*learn(useless, tmp_path / "models", "--dry-run")).split())
    assert "this was a dry run" in said
    assert not (tmp_path / "models").exists()


def test_the_same_runs_make_the_same_report(few: Path, tmp_path: Path) -> None:
    first, second = (run(*learn(few, tmp_path / "models", "--json")) for _ in range(2))
    assert first == second


def test_mistakes_end_in_one_message(few: Path, tmp_path: Path) -> None:
    site, folder = str(few / "home.toml"), str(few)
    bare = tmp_path / "bare"
    Seasons.made(range(2024, 2026), 20, seed=1).write_past(bare)
    broken = tmp_path / "broken"
    Seasons.made(range(2024, 2026), 20, seed=1).write_past(broken)
    (broken / "runs").mkdir()
    (broken / "runs" / "2025-05-03T00Z.json").write_text("{")
    runs_only = tmp_path / "runs-only"
    (runs_only / "runs").mkdir(parents=True)
    (runs_only / "runs" / "2025-05-03T00Z.json").write_text("{")
    wrong: list[tuple[list[Any], str]] = [
        (["--site", site, "--weather", folder, "--weather", folder], "1 site files and 2 folders of weather"),
        (["--site", site, "--site", site, "--weather", folder, "--weather", folder], "there are two sites called"),
        (["--site", site, "--weather", str(bare)], "there are no stored runs for Larch Hollow"),
        (["--site", site, "--weather", str(broken)], "2025-05-03T00Z.json: it is no whole JSON document"),
        (["--site", site, "--weather", str(runs_only)], "holds no weather that can be read"),
        (["--site", site, "--weather", folder, "--now", "soon"], "'soon' is no time"),
    ]
    for arguments, said in wrong:
        with pytest.raises(MatewindowError, match=said.replace("(", r"\(")):
            run("learn-weather", *arguments, "--models", str(tmp_path / "m"))
    assert not (tmp_path / "m").exists()


def test_live_takes_the_runs_that_the_weather_store_kept(
    few: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The pull itself is put in the place of a folder here; the store is a real one."""
    loaded = options.load_in_use

    def from_folder(site: Path, weather: Path, now: str | None = None, **how: Any) -> Any:
        return loaded(site, few if str(weather) == "live" else weather, now, **how)

    store = WeatherStore(tmp_path / "store")
    for file in sorted((few / "runs").iterdir()):
        at = datetime.fromisoformat(file.name.removesuffix("T00Z.json")).replace(hour=9, tzinfo=UTC)
        key = Key.of(source=OPEN_METEO.name, site=site_name(SITE, OPEN_METEO), kind="ensemble", url="u", params={})
        store.put(Received(key, "u", {}, at, 200, file.read_bytes()))
    monkeypatch.setattr(options, "load_in_use", from_folder)
    monkeypatch.setenv("MATEWINDOW_STORE_FOLDER", str(tmp_path / "store"))
    at_home = ["--site", str(few / "home.toml"), "--weather", "live", "--models", str(tmp_path / "m"), *NOW]
    live, folder = (
        json.loads(run(*args, "--json")) for args in (["learn-weather", *at_home], learn(few, tmp_path / "m"))
    )
    assert live["sites"] == folder["sites"]
    assert live["findings"] == folder["findings"]

    monkeypatch.setenv("MATEWINDOW_STORE_FOLDER", str(tmp_path / "empty"))
    with pytest.raises(MatewindowError, match="the weather store: there are no stored runs"):
        run("learn-weather", *at_home)
