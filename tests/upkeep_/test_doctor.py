"""The doctor tells each thing that is wrong, and how to mend it; where nothing is wrong it says so. It changes nothing."""

from __future__ import annotations

import os
import shutil
import sqlite3
import sys
from collections import namedtuple
from contextlib import closing
from datetime import UTC, datetime, timedelta
from importlib import metadata
from typing import TYPE_CHECKING, Any

import pytest
import sqlalchemy as sa

from matewindow.errors import StoreError
from matewindow.outbound import Guard
from matewindow.outbound_networks import allowed_networks
from matewindow.register.database import Database
from matewindow.register.register import Register
from matewindow.register.tables import changes, leases, site_state, sites
from matewindow.upkeep import lookprogram, lookregister
from matewindow.upkeep.doctor import Finding, as_report, examine, worst
from matewindow.weather.store import WeatherStore
from matewindow.webhooks.endpoints import Endpoints, pause
from tests.made_models import LITERATURE_VERSION, damage, odds_model, use
from tests.register.conftest import file_url
from tests.register.made import Clock, add_batch, add_site

if TYPE_CHECKING:
    from collections.abc import Callable
    from pathlib import Path

    from matewindow.biology import Biology

NOW = datetime.now(UTC)
"""Files are written with the machine's own clock."""


@pytest.fixture
def home_of(home: Path) -> dict[str, str]:
    """The environment of an installation that is well, with nothing in it yet."""
    return {
        "MATEWINDOW_REGISTER": str(home / "register.sqlite"),
        "MATEWINDOW_STORE_FOLDER": str(home / "weather"),
        "MATEWINDOW_CONTACT": "keeper@example.org",
    }


@pytest.fixture(autouse=True)
def newest_sqlite(monkeypatch: pytest.MonkeyPatch) -> None:
    """Whatever SQLite the tests run on."""
    monkeypatch.setattr(lookprogram, "sqlite_is_safe", lambda: True)


@pytest.fixture
def register(home: Path, made_file: Path, opened: Callable[..., Database], biology: Biology) -> Register:
    shutil.copy(made_file, home / "register.sqlite")
    (home / "register.sqlite").chmod(0o600)
    return Register(opened(file_url(home / "register.sqlite")), biology, Clock(NOW))


def wrong(environment: dict[str, str], **options: Any) -> list[Finding]:
    found = examine(environment, options.pop("now", NOW), **options)
    return [f for f in found if f.state in {"warning", "fault"}]


def only(environment: dict[str, str], **options: Any) -> Finding:
    (finding,) = wrong(environment, **options)
    assert finding.what
    assert finding.fix
    return finding


def test_where_nothing_is_wrong_it_says_so_and_makes_nothing(home_of: dict[str, str], home: Path) -> None:
    found = examine(home_of, NOW)

    assert worst(found) == "note"
    assert {f.about for f in found if f.state == "note"} == {"register", "weather store"}
    assert list(home.iterdir()) == []


def test_a_register_that_is_well(home_of: dict[str, str], home: Path, register: Register) -> None:
    add_batch(register, add_site(register))
    WeatherStore(home / "weather")
    before = {path: path.stat().st_size for path in home.rglob("*")}
    found = examine(home_of, NOW, thorough=True)

    assert worst(found) == "ok", [f for f in found if f.state != "ok"]
    assert "sites 1, builders 0, batches 1" in next(f.what for f in found if f.about == "records")
    assert {path: path.stat().st_size for path in home.rglob("*")} == before
    assert as_report(found)["state"] == "ok"


def test_a_learnt_model_that_is_damaged_and_the_way_back(home_of: dict[str, str], tmp_path: Path) -> None:
    there = home_of | {"MATEWINDOW_LEARNED_FOLDER": str(tmp_path / "learned")}
    name = use(tmp_path / "learned", odds_model())
    told = next(f for f in examine(there, NOW) if f.about == "models")
    damage(tmp_path / "learned", name)
    finding = only(there)

    assert (told.state, told.what) == ("ok", f"odds are given with {LITERATURE_VERSION}+{name}")
    assert (finding.about, finding.state) == ("models", "fault")
    assert "damaged or edited" in finding.what
    assert "matewindow models use literature" in finding.fix
    use(tmp_path / "learned")
    assert wrong(there) == []


@pytest.mark.parametrize(
    ("name", "value", "state", "words"),
    [
        ("CONTACT", "", "warning", "MET Norway"),
        ("CONTACT", "me", "warning", "neither a mail address nor a web page"),
        ("STORE_MAX_MB", "3", "warning", "fetched again and again"),
        ("STORE_MAX_MB", "many", "fault", "no number above zero"),
        ("CA_BUNDLE", "/nowhere.pem", "fault", "no file /nowhere.pem"),
        ("SAMPLE_WEATHER_FOLDER", "/nowhere", "fault", "no folder /nowhere"),
        ("ADDRESSES_FILE", "/nowhere.toml", "fault", "cannot be read"),
        ("REGISTER", "mysql://bees", "fault", "no address of a register"),
        ("CONTRACT", "keeper@example.org", "warning", "no such setting"),
    ],
)
def test_settings_that_make_no_sense(home_of: dict[str, str], name: str, value: str, state: str, words: str) -> None:
    finding = only(home_of | {f"MATEWINDOW_{name}": value})

    assert (finding.state, words in finding.what) == (state, True), finding


def test_a_misspelt_setting_is_guessed(home_of: dict[str, str]) -> None:
    assert only(home_of | {"MATEWINDOW_STORE_FOLDR": "x"}).fix == "Did you mean MATEWINDOW_STORE_FOLDER?"


def test_trade_without_a_key_is_noted(home_of: dict[str, str]) -> None:
    found = examine(home_of | {"MATEWINDOW_TRADE": "yes"}, NOW)
    assert "MATEWINDOW_TRADE" in {f.about for f in found if f.state == "note"}


def test_parameters_that_are_broken(home_of: dict[str, str], home: Path) -> None:
    (home / "models").mkdir()
    (home / "models" / "literature.toml").write_text("version = ", encoding="utf-8")
    assert only(home_of | {"MATEWINDOW_MODELS_FOLDER": str(home / "models")}).about == "parameters"


def test_an_old_sqlite_is_told_with_the_mended_versions(
    home_of: dict[str, str], monkeypatch: pytest.MonkeyPatch
) -> None:
    """3.51.3, and the backports 3.50.7 and 3.44.6: sqlite.org, WAL-reset race."""
    monkeypatch.setattr(lookprogram, "sqlite_is_safe", lambda: False)
    finding = only(home_of)

    assert finding.state == "warning"
    assert "3.51.3, 3.50.7 and 3.44.6" in finding.what


def test_packages_that_are_missing_or_too_old(home_of: dict[str, str], monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(
        metadata, "requires", lambda _: ["rich>=999", "no-such-package-of-bees>=1", "pytest; extra == 'x'"]
    )
    found = {f.about: f for f in wrong(home_of)}

    assert set(found) == {"rich", "no-such-package-of-bees"}
    assert "and >=999 is wanted" in found["rich"].what
    assert found["no-such-package-of-bees"].fix == "pip install 'no-such-package-of-bees>=1'"


def test_an_old_python(home_of: dict[str, str], monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(sys, "version_info", (3, 9, 0, "final", 0))
    assert only(home_of).about == "Python"


def test_a_clock_before_the_program_was_installed(home_of: dict[str, str]) -> None:
    assert only(home_of, now=datetime(2001, 1, 1, tzinfo=UTC)).about == "clock"


def test_times_in_the_future(home_of: dict[str, str], home: Path, register: Register) -> None:
    add_site(register)
    with register.database.write() as connection:
        connection.execute(changes.update().values(at=NOW + timedelta(hours=2)))
    finding = only(home_of)

    assert (finding.about, finding.state) == ("clock", "warning")
    assert "lies in the future" in finding.what


def test_a_register_of_a_later_version_or_of_another_program(
    home_of: dict[str, str], home: Path, register: Register
) -> None:
    with register.database.write() as connection:
        connection.execute(sa.text("UPDATE alembic_version SET version_num = '9999'"))
    assert "later version" in only(home_of).what
    register.database.close()
    (home / "other.sqlite").unlink(missing_ok=True)
    with closing(sqlite3.connect(home / "other.sqlite")) as connection:
        connection.execute("CREATE TABLE bees (a)")
    (home / "other.sqlite").chmod(0o600)
    assert "another program" in only(home_of, register=str(home / "other.sqlite")).what


def test_a_damaged_register(home_of: dict[str, str], home: Path, register: Register) -> None:
    for _ in range(30):
        add_batch(register, add_site(register))
    register.database.close()
    raw = (home / "register.sqlite").read_bytes()
    (home / "register.sqlite").write_bytes(raw[: len(raw) - 40_960] + b"\xff" * 40_960)
    found = wrong(home_of)
    assert found
    assert all("matewindow restore" in f.fix for f in found if f.about == "register")

    (home / "register.sqlite").write_bytes(b"hello, this is no database at all" * 100)
    assert "matewindow restore" in wrong(home_of)[0].fix


def test_a_value_that_turned_over_is_found_by_the_thorough_look(home_of: dict[str, str], register: Register) -> None:
    add_site(register)
    with register.database.write() as connection:
        connection.execute(sites.update().values(elevation_m=251.0))
    assert wrong(home_of) == []
    assert "not what its history says" in only(home_of, thorough=True).what


def test_others_may_read_the_register(home_of: dict[str, str], home: Path, register: Register) -> None:
    (home / "register.sqlite").chmod(0o644)
    finding = only(home_of)

    assert "mode 644" in finding.what
    assert finding.fix.startswith("chmod 600")


def test_places_that_cannot_be_written(
    home_of: dict[str, str], home: Path, made_file: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """As another user sees them; the tests may run as one who may write everywhere."""
    monkeypatch.setattr(os, "access", lambda *_: False)
    found = {f.about: f.what for f in wrong(home_of)}
    assert "none can be made there" in found["register"]
    assert "no folder can be made" in found["weather store"]

    shutil.copy(made_file, home / "register.sqlite")
    (home / "register.sqlite").chmod(0o600)
    assert "cannot be written" in {f.about: f.what for f in wrong(home_of)}["register"]


def test_a_log_that_has_grown(home_of: dict[str, str], register: Register, monkeypatch: pytest.MonkeyPatch) -> None:
    add_site(register)
    monkeypatch.setattr(lookregister, "_LONG_LOG", 1_000)
    assert "its log has grown" in only(home_of).what


@pytest.mark.parametrize(("free", "state"), [(50_000_000, "fault"), (500_000_000, "warning")])
def test_a_disk_that_is_nearly_full(
    home_of: dict[str, str], monkeypatch: pytest.MonkeyPatch, free: int, state: str
) -> None:
    usage = namedtuple("usage", "total used free")
    monkeypatch.setattr(shutil, "disk_usage", lambda _: usage(10**12, 10**12 - free, free))
    finding = only(home_of)
    assert (finding.about, finding.state) == ("disk", state)


def test_a_server_that_is_not_there(home_of: dict[str, str], home: Path) -> None:
    url = f"postgresql://keeper:hunter2@/bees?host={home}"
    finding = only(home_of, register=url)

    assert (finding.about, finding.state) == ("register", "fault")
    assert "hunter2" not in finding.what


def test_a_postgresql_register_that_is_well(
    home_of: dict[str, str], new_url: Callable[..., sa.URL], opened: Callable[..., Database], biology: Biology
) -> None:
    url = new_url()
    registered = Register(opened(url), biology, Clock(NOW))
    add_batch(registered, add_site(registered))
    if registered.database.file is not None:
        registered.database.file.chmod(0o600)
    found = examine(home_of, NOW, register=url.render_as_string(hide_password=False), thorough=True)

    assert worst(found) in {"ok", "note"}, found
    assert any("every record is as its history says" in f.what for f in found)


def test_a_service_that_has_stopped_and_weather_that_is_old(home_of: dict[str, str], register: Register) -> None:
    site = add_site(register)
    with register.database.write() as connection:
        connection.execute(
            leases.insert().values(
                name="refresh", holder="x", until=NOW - timedelta(hours=1), renewed_at=NOW - timedelta(hours=1)
            )
        )
        state: dict[str, Any] = {
            "site_id": site, "refreshed_at": NOW - timedelta(hours=30), "failures": 0, "trouble": "", "weather": {},
        }  # fmt: skip
        connection.execute(site_state.insert().values(state))
    found = wrong(home_of)

    assert [f.about for f in found] == ["service", "service"]
    assert "no process keeps outlooks fresh" in found[0].what
    assert "30 hours old" in found[1].what


@pytest.mark.allow_hosts(["127.0.0.1"])
def test_a_webhook_whose_receiver_is_gone_needs_looking_after_and_one_that_its_owner_disabled_does_not(
    home_of: dict[str, str], register: Register
) -> None:
    endpoints = Endpoints(register.database, Guard(allowed_networks("127.0.0.1")), Clock(NOW))
    gone, own = (endpoints.add("http://127.0.0.1/bees", ["*"])[0]["id"] for _ in range(2))
    endpoints.disable(own, "for the winter")
    with register.database.write() as connection:
        pause(connection, gone, "gone", "it answered 410 Gone", NOW)
    finding = only(home_of)

    assert (finding.about, finding.state) == ("webhooks", "warning")
    assert gone in finding.what
    assert "410 Gone" in finding.what
    assert "1 disabled by their owner" in {f.what for f in examine(home_of, NOW) if f.state == "note"}


def test_a_site_whose_time_zone_is_not_known(home_of: dict[str, str], register: Register) -> None:
    add_site(register)
    with register.database.write() as connection:
        connection.execute(sites.update().values(timezone="Europe/Atlantis"))
    assert "Europe/Atlantis" in only(home_of).what


def test_a_weather_store_that_is_no_folder_or_too_large(
    home_of: dict[str, str], home: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    (home / "weather").write_text("", encoding="utf-8")
    assert "no folder can be made" in only(home_of).what
    (home / "weather").unlink()
    store = WeatherStore(home / "weather")
    (store.folder / "aside" / "damaged").mkdir()
    found = examine(home_of, NOW)
    assert "1 damaged answers were set aside" in {f.what for f in found if f.state == "note"}

    def fail(_store: WeatherStore) -> None:
        raise StoreError("it cannot be read", where="here", fix="Mend it.")

    monkeypatch.setattr(WeatherStore, "state", fail)
    (finding,) = wrong(home_of)
    assert finding.about == "weather store"


def test_it_ends_in_words_whatever_it_meets(home_of: dict[str, str], monkeypatch: pytest.MonkeyPatch) -> None:
    """One look that fails does not keep the others from looking."""

    def fail(_patient: object) -> Any:
        raise StoreError("it broke", where="there", fix="Mend it.")

    monkeypatch.setattr("matewindow.upkeep.lookweather.look_at_weather", fail)
    (finding,) = wrong(home_of)
    assert (finding.about, finding.what, finding.fix) == ("weather", "there: it broke", "Mend it.")
    assert sys.version_info >= (3, 11)
