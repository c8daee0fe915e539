"""``matewindow learn`` and ``matewindow models`` as a keeper types them."""

from __future__ import annotations

import csv
import json
import subprocess
import sys
from datetime import UTC, date, datetime, timedelta
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import typer
from typer.testing import CliRunner

from matewindow.cli import learning
from matewindow.errors import MatewindowError
from matewindow.learning.records import Record
from tests.learning.made_records import SEASONS, grafts_of, ground, hours_from, lived

APP = typer.Typer()
APP.command(name="learn")(learning.learn)
APP.add_typer(learning.models, name="models")
NOW = ["--now", "2026-11-01T08:00Z"]


@pytest.fixture(scope="module")
def kept(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A site file, a folder of weather and a file of records, all invented: queens flew at 0.25 an hour."""
    folder = tmp_path_factory.mktemp("learning")
    place = ground(51)
    records = lived(place, grafts_of(SEASONS, 5), 12, 0.25, np.random.default_rng(51))
    (folder / "home.toml").write_text(
        f'name = "{place.site.name}"\nlatitude = 52.0\nlongitude = 0.0\nelevation = 50\ntimezone = "Europe/London"\n'
    )
    (folder / "weather").mkdir()
    write_weather(folder / "weather" / "past.csv", place)
    write_records(folder / "queens.csv", records)
    return folder


def write_weather(file: Path, place: Any) -> None:
    """30 °C, calm and dry; at noon to four the light that gives the hours of the day (apparent solar time differs)."""
    with file.open("w", newline="") as opened:
        rows = csv.writer(opened)
        rows.writerow(["time", "temp_c", "wind_ms", "rain_mm", "ghi_wm2"])
        for year in SEASONS:
            hours = [
                *hours_from(place, date(year, 5, 1)),
                *hours_from(place, date(year, 6, 30)),
                *hours_from(place, date(year, 8, 29)),
            ]
            for day, h in enumerate(hours[:150]):
                start = datetime(year, 5, 1, tzinfo=UTC) + timedelta(days=day)
                for hour in range(24):
                    rows.writerow(
                        [f"{start + timedelta(hours=hour):%Y-%m-%dT%H:%MZ}", 30.0, 0.0, 0.0, f"{100.0 + 50.0 * h:.3f}"]
                    )


def write_records(file: Path, records: list[Record]) -> None:
    names = [
        "site",
        "season",
        "batch",
        "nuc",
        "grafted_on",
        "emerged_on",
        "last_without_eggs",
        "first_with_eggs",
        "reason",
    ]
    with file.open("w", newline="") as opened:
        rows = csv.writer(opened)
        rows.writerow([*names, "success", "p_issued", "model_version"])
        for r in records:
            rows.writerow([*(getattr(r, n) or "" for n in names), "yes" if r.success else "no", 0.85, "2026.1"])


def run(*arguments: str) -> str:
    result = CliRunner().invoke(APP, list(arguments), catch_exceptions=False)
    assert result.exit_code == 0, result.output
    return result.output


def run_json(*arguments: str) -> Any:
    return json.loads(run(*arguments, "--json"))


def learn(kept: Path, home: Path, *more: str) -> list[str]:
    return ["learn", "--records", str(kept / "queens.csv"), "--site", str(kept / "home.toml"), "--weather",
            str(kept / "weather"), "--models", str(home), *NOW, *more]  # fmt: skip


def test_learning_makes_a_model_that_is_used_shown_and_left_again(kept: Path, tmp_path: Path) -> None:
    home = tmp_path / "models"
    at = ["--models", str(home)]

    report = run_json(*learn(kept, home))
    by_kind = {f["kind"]: f for f in report["findings"]}
    name = by_kind["flight-rate"]["model"]
    assert by_kind["flight-rate"]["earned"]
    assert by_kind["flight-rate"]["estimate"]["low"] <= 0.25 <= by_kind["flight-rate"]["estimate"]["high"]
    assert by_kind["flight-rate"]["test"]["gain"] > 0.0
    assert report["records"]["n"] == 240
    assert report["sites"][0]["n"] == 240

    listed = run_json("models", "list", *at)["models"]
    assert (listed[0]["name"], listed[0]["in_use"]) == ("literature", True)
    assert name in {m["name"] for m in listed}

    used = run_json("models", "use", name, *at)
    assert used["version"] == f"2026.1+{name}"
    assert used["flight_rate_per_h"] == pytest.approx(by_kind["flight-rate"]["estimate"]["rate_per_h"])
    assert {m["name"] for m in run_json("models", "list", *at)["models"] if m["in_use"]} == {name}

    card = run_json("models", "show", name, *at)["card"]
    assert "## When not to use it" in card
    assert run_json("models", "show", "literature", *at)["card"].startswith("# Card of `literature.toml`")

    assert run_json("models", "use", "literature", *at)["version"] == "2026.1"


def test_tables_say_the_same_in_words(kept: Path, tmp_path: Path) -> None:
    home = tmp_path / "models"
    text = " ".join(run(*learn(kept, home)).split())

    assert "240 queens of 1 site and 4 seasons" in text
    assert "Flight rate: Your queens make 0.2" in text
    assert "Kept. Put it to use with: matewindow models use flight-rate-20261101-" in text
    (name,) = [part for part in text.split() if part.startswith("flight-rate-")][:1]
    assert "in use" in run("models", "list", "--models", str(home))
    assert f"In use: 2026.1+{name}" in " ".join(run("models", "use", name, "--models", str(home)).split())
    assert "When not to use it" in run("models", "show", name, "--models", str(home))


def test_a_dry_run_keeps_nothing(kept: Path, tmp_path: Path) -> None:
    home = tmp_path / "models"

    text = " ".join(run(*learn(kept, home, "--dry-run")).split())

    assert "nothing is kept: this was a dry run" in text
    assert not home.exists()


def test_records_alone_are_enough_to_hold_the_odds_against_them(kept: Path, tmp_path: Path) -> None:
    report = run_json("learn", "--records", str(kept / "queens.csv"), "--models", str(tmp_path / "m"), *NOW)

    rate, odds = report["findings"]
    assert rate["set_aside"] == {"no weather was given for the site Test stand (invented)": 240}
    assert odds["records"] == 240
    assert report["expected_success"] == pytest.approx(0.85)


def refused(*arguments: str) -> str:
    with pytest.raises(MatewindowError) as fault:
        CliRunner().invoke(APP, list(arguments), catch_exceptions=False)
    return str(fault.value)


def test_mistakes_end_in_one_message(kept: Path, tmp_path: Path) -> None:
    home = ["--models", str(tmp_path / "m")]
    records = ["learn", "--records", str(kept / "queens.csv"), *home]
    site = ["--site", str(kept / "home.toml")]
    weather = ["--weather", str(kept / "weather")]
    bad = tmp_path / "bad.csv"
    bad.write_text("site,grafted_on,success\nHome,2025-06-01,perhaps\n")

    assert "1 site and 0 folders of weather" in refused(*records, *site)
    assert "there are two sites called" in refused(*records, *site, *weather, *site, *weather)
    assert "is no time" in refused(*records, "--now", "tomorrow")
    assert "row 2, success: 'perhaps' is neither yes, no nor unknown" in refused("learn", "--records", str(bad), *home)
    assert "there is no such file" in refused("learn", "--records", str(tmp_path / "none.csv"), *home)
    assert "there is no model 'best'" in refused("models", "use", "best", *home)
    assert "there is no model 'best'" in refused("models", "show", "best", *home)


def test_questions_about_flattering_records_are_shown(tmp_path: Path) -> None:
    file = tmp_path / "queens.csv"
    file.write_text("site,grafted_on,success,batch,count,nucs_in_batch\nHome,2025-06-01,yes,A,12,20\n")

    report = run_json("learn", "--records", str(file), "--models", str(tmp_path / "m"), *NOW)

    assert [(q["about"], q["count"]) for q in report["questions"]] == [("no outcome", 8), ("only successes", 12)]
    assert "8 nucs of 1 batch have no outcome (A: 8). What became of them?" in report["questions"][0]["text"]


def test_the_commands_load_nothing_heavy_before_they_run() -> None:
    code = (
        "import sys; import matewindow.cli.learning; "
        "print([m for m in ('numpy', 'scipy', 'pandas', 'pydantic', 'sqlalchemy', 'sklearn') if m in sys.modules])"
    )
    result = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)

    assert result.stdout.strip() == "[]"
