"""``matewindow learn`` from a register's nucs, as from a file of the same records."""

from __future__ import annotations

import json
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import sqlalchemy as sa
from typer.testing import CliRunner

from matewindow.cli import app
from matewindow.errors import MatewindowError
from matewindow.learning.fromregister import read_register
from matewindow.learning.records import Record
from matewindow.register.database import Database
from matewindow.register.register import Register
from matewindow.register.tables import outlooks
from tests.learning.made_records import BIOLOGY, SEASONS, grafts_of, ground, lived
from tests.learning.test_learning_commands import write_records, write_weather

NOW = ["--now", "2026-11-01T08:00Z"]
ME = "the keeper"
AT_NOW = datetime(2026, 11, 1, 8, tzinfo=UTC)


@pytest.fixture(scope="module")
def kept(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A register, a folder of weather and a file, all of the same invented records: queens flew at 0.25 an hour."""
    folder = tmp_path_factory.mktemp("register")
    place = ground(61)
    queens = lived(place, grafts_of(SEASONS, 3), 8, 0.25, np.random.default_rng(61))
    queens = [q for q in queens if q.first_with_eggs is not None or not q.success]  # one laid after the last look
    (folder / "weather").mkdir()
    write_weather(folder / "weather" / "past.csv", place)
    (folder / "home.toml").write_text(
        f'name = "{place.site.name}"\nlatitude = 52.0\nlongitude = 0.0\nelevation = 50\ntimezone = "Europe/London"\n'
    )
    write_records(folder / "queens.csv", queens)
    database = Database(sa.make_url(f"sqlite:///{folder / 'register.sqlite'}"))
    try:
        fill(Register(database, BIOLOGY, lambda: AT_NOW), place.site.name, queens)
    finally:
        database.close()
    return folder


HOME = {"latitude": 52.0, "longitude": 0.0, "elevation_m": 50.0, "timezone": "Europe/London"}


def fill(register: Register, site_name: str, queens: list[Record], **place: float) -> None:
    site = register.add("site", HOME | {"name": site_name} | place, ME)["id"]
    batches: dict[str, str] = {}
    for queen in queens:
        if queen.batch not in batches:
            given = {"site_id": site, "name": queen.batch, "grafted_on": str(queen.grafted_on), "n_placed": 8}
            batches[queen.batch] = register.add("batch", given, ME)["id"]
            issue(register, batches[queen.batch], datetime.combine(queen.grafted_on, AT_NOW.timetz()))
        batch = batches[queen.batch]
        looks = [day for day in (queen.last_without_eggs, queen.first_with_eggs) if day is not None]
        outcome = {"outcome": "laying" if queen.success else "poor" if queen.first_with_eggs else "never laid"}
        nuc = {"site_id": site, "batch_id": batch, "name": queen.nuc, "outcome_on": str(max(looks))} | outcome
        if queen.emerged_on is not None:
            nuc["emerged_on"] = str(queen.emerged_on)
        nuc_id = register.add("nuc", nuc, ME)["id"]
        if queen.last_without_eggs is not None:
            look = {"batch_id": batch, "nuc_id": nuc_id, "day": str(queen.last_without_eggs), "saw": "nothing"}
            register.add("check", look, ME)


def issue(register: Register, batch: str, at: datetime) -> None:
    """Odds of 85 % on record, as the service would have issued them."""
    row = {"id": f"otlk_{batch}", "batch_id": batch, "issued_at": at, "stands_on": "", "parameters": "2026.1",
           "p_well_mated": 0.85, "reading": {}, "body": b""}  # fmt: skip
    with register.database.write() as connection:
        connection.execute(outlooks.insert().values(row))


@pytest.fixture
def home(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    monkeypatch.setenv("MATEWINDOW_LEARNED_FOLDER", str(tmp_path / "models"))
    monkeypatch.setenv("MATEWINDOW_STORE_FOLDER", str(tmp_path / "store"))
    monkeypatch.setenv("MATEWINDOW_REGISTER", str(tmp_path / "register.sqlite"))
    return tmp_path / "models"


def run(*arguments: str) -> Any:
    result = CliRunner().invoke(app, [*arguments, "--json"], catch_exceptions=False)
    assert result.exit_code == 0, result.output
    return json.loads(result.stdout)


def at(kept: Path) -> list[str]:
    return ["--register", str(kept / "register.sqlite")]


def test_the_register_tells_the_same_as_a_file_of_the_same_records(kept: Path, home: Path) -> None:
    weather = ["--weather", str(kept / "weather")]
    file = ["--records", str(kept / "queens.csv"), "--site", str(kept / "home.toml")]

    from_register = run("learn", *at(kept), *weather, *NOW, "--dry-run")
    from_file = run("learn", *file, *weather, *NOW, "--dry-run")

    for one, other in zip(from_register["findings"], from_file["findings"], strict=True):
        assert one["estimate"] == pytest.approx(other["estimate"])
        assert one["test"]["gain"] == pytest.approx(other["test"]["gain"])
    assert [f["records"] for f in from_register["findings"]] == [95, 95]
    assert from_register["sites"] == from_file["sites"]
    assert not home.exists()


def test_what_is_kept_goes_to_the_folder_of_the_setting_and_the_outlook_says_so(kept: Path, home: Path) -> None:
    report = run("learn", *at(kept), "--weather", str(kept / "weather"), *NOW)

    name = report["findings"][0]["model"]
    assert (home / name / "card.md").is_file()
    assert name in {m["name"] for m in run("models", "list")["models"]}
    assert run("models", "use", name)["version"] == f"2026.1+{name}"


def test_nothing_is_kept_of_what_was_learnt_on_invented_weather(home: Path, tmp_path: Path) -> None:
    queens = lived(ground(63), grafts_of(SEASONS, 3), 8, 0.25, np.random.default_rng(63))
    database = Database(sa.make_url(f"sqlite:///{tmp_path / 'register.sqlite'}"))
    try:
        fill(Register(database, BIOLOGY, lambda: AT_NOW), "Where the demo is", queens, latitude=53.2, longitude=-1.9)
    finally:
        database.close()

    report = run("learn", "--weather", "demo")

    assert report["dry_run"]
    assert report["findings"][0]["records"] > 50
    assert not home.exists()


def test_without_the_services_the_odds_are_still_held_against_the_records(kept: Path, home: Path) -> None:
    result = CliRunner().invoke(app, ["learn", *at(kept), "--json"], catch_exceptions=False)

    assert result.exit_code == 0
    assert "matewindow: weather of Test stand (invented): " in result.stderr
    rate, odds = json.loads(result.stdout)["findings"]
    assert rate["set_aside"] == {"no weather was given for the site Test stand (invented)": 95}
    assert odds["records"] == 95


def refused(*arguments: str) -> str:
    with pytest.raises(MatewindowError) as fault:
        CliRunner().invoke(app, ["learn", *arguments], catch_exceptions=False)
    return str(fault.value)


def test_mistakes_end_in_one_message(kept: Path, home: Path, tmp_path: Path) -> None:
    weather = ["--weather", str(kept / "weather")]

    assert "there is no register there yet" in refused()
    assert "live weather is of now" in refused(*at(kept), *NOW)
    assert "the register knows its own sites" in refused(*at(kept), "--site", "home.toml", *weather)
    assert "2 folders of weather for one register" in refused(*at(kept), *weather, *weather)
    assert "there is no such weather folder" in refused(*at(kept), "--weather", str(tmp_path / "none"))
    assert "records of a file and of a register at once" in refused("--records", "x.csv", *at(kept))
    Database(sa.make_url(f"sqlite:///{tmp_path / 'register.sqlite'}")).close()
    run("records", "add", "site", "name=Home", "latitude=52", "longitude=0", "elevation_m=50", "timezone=Europe/London")
    assert "the register holds no batch with nucs" in refused(*weather)


def test_only_sites_with_looks_for_eggs_are_asked_for_their_weather(tmp_path: Path) -> None:
    database = Database(sa.make_url(f"sqlite:///{tmp_path / 'two.sqlite'}"))
    try:
        register = Register(database, BIOLOGY, lambda: AT_NOW)
        fill(register, "Home", [])
        fill(register, "Away", lived(ground(62, (2025,)), grafts_of((2025,), 1), 2, 0.4, np.random.default_rng(1)))
        with database.read() as connection:
            told = read_register(connection)
    finally:
        database.close()

    assert [site.name for site in told.sites.values()] == ["Away"]
    assert [r.site for r in told.records] == ["Away", "Away"]
    assert {r.p_issued for r in told.records} == {0.85}
