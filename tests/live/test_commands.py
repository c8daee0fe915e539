"""The commands that ask weather services, as a user meets them: output, JSON, errors, exit codes, attribution."""

from __future__ import annotations

import json
import os
import re
import subprocess
import sys
import tomllib
from contextlib import contextmanager
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any

import pytest
from typer.testing import CliRunner

from matewindow.cli import app
from matewindow.errors import MatewindowError
from matewindow.live import live_sources
from matewindow.weather.live.archive import YEARS
from tests.live.helpers import (
    AMERICA,
    BRITAIN,
    CONTACT,
    GERMANY,
    CountingClock,
    Stopwatch,
    desk_at,
    later,
    write_addresses,
)
from tests.loopback.client import make_certificate
from tests.loopback.exchange import SetClock
from tests.loopback.server import LoopbackServer

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator

    from typer.testing import Result

    from matewindow.live import Live
    from matewindow.settings import Settings
    from matewindow.site import Site
    from matewindow.weather.desk import Desk

pytestmark = pytest.mark.allow_hosts(["127.0.0.1"])

ROOT = Path(__file__).resolve().parents[2]
NOW = ["--now", "2026-06-01T08:00"]
OPEN_METEO, DWD = "Weather data by Open-Meteo.com (CC BY 4.0)", "Deutscher Wetterdienst"


def write_site(site: Site, path: Path) -> str:
    lines = [f'name = "{site.name}"', f'timezone = "{site.timezone}"', f"exposure = {site.exposure}"]
    lines += [f"latitude = {site.latitude}", f"longitude = {site.longitude}", f"elevation = {site.elevation_m}"]
    path.write_text("\n".join(lines) + "\n", encoding="utf-8")
    return str(path)


class Keyboard:
    """Somebody who types commands on the morning of 1 June 2026."""

    def __init__(self, server: LoopbackServer, folder: Path) -> None:
        self.server = server
        self.folder = folder
        self.years = 3

    def types(self, *words: str) -> Result:
        return CliRunner().invoke(app, list(words), env={"COLUMNS": "100"})

    def gets(self, *words: str) -> Any:
        """What a command prints as JSON; nothing else may be on that channel."""
        result = self.types(*words, "--json")
        assert result.exit_code == 0, result.output + repr(result.exception)
        return json.loads(result.stdout)


@pytest.fixture
def keyboard(server: LoopbackServer, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Keyboard:
    """Commands in this process, their calls led to the loopback server and their clock to its clock."""

    @contextmanager
    def here(settings: Settings) -> Iterator[Desk]:
        more = {"trade": settings.trade, "openmeteo_api_key": settings.openmeteo_api_key, "contact": settings.contact}
        with desk_at(server, tmp_path / "store", **more) as desk:
            yield desk

    typing = Keyboard(server, tmp_path)

    def pulled(*args: Any, **more: Any) -> Live:
        return live_sources(*args, years=typing.years, **more)

    monkeypatch.setattr("matewindow.live.open_desk", here)
    monkeypatch.setattr("matewindow.live.live_sources", pulled)
    monkeypatch.setenv("MATEWINDOW_CONTACT", CONTACT)
    monkeypatch.setenv("MATEWINDOW_STORE_FOLDER", str(tmp_path / "store"))
    return typing


# --- each command -------------------------------------------------------------------------------------------


def test_weather_get_shows_what_came_from_whom_cold_and_warm(
    keyboard: Keyboard, clock: CountingClock, tell: Callable[[str, str], None]
) -> None:
    site = write_site(GERMANY, keyboard.folder / "home.toml")
    for state in ("cold", "warm"):
        with Stopwatch(clock) as watch:
            result = keyboard.types("weather", "get", "--site", site)
        assert result.exit_code == 0
        tell(f"matewindow weather get, {state}: {watch.seconds:.1f} s", result.stdout)
        outcome = r"network +0\.0" if state == "cold" else r"fresh +0\.1"
        for row in ("ensemble", "forecast", "observed", "past years"):
            assert re.search(rf"^ ?{row} +\S.* {outcome} h +\d+ *$", result.stdout, re.M)
        assert OPEN_METEO in re.sub(r"\s+", " ", result.stdout)
        assert DWD in result.stdout
        assert re.search(
            r"quota used: \d+ of 600 this minute, \d+ of 5000 this hour, \d+ of 10000 this\s+day", result.stdout
        )
        later(keyboard.server, minutes=5)


def test_weather_get_gives_the_same_as_json(keyboard: Keyboard) -> None:
    report = keyboard.gets("weather", "get", "--site", write_site(GERMANY, keyboard.folder / "home.toml"))

    assert {(a["service"], a["part"], a["outcome"]) for a in report["attempts"]} == {
        ("Open-Meteo", "ensemble", "network"),
        ("Open-Meteo", "forecast", "network"),
        ("Bright Sky (DWD)", "observed", "network"),
        ("Open-Meteo archive", "past years", "network"),
    }
    assert all(a["licence"] and a["hours"] > 100 for a in report["attempts"])
    assert report["attempts"][0]["model"] == "ecmwf_ifs025_ensemble"
    assert [s["part"] for s in report["sources"]] == ["observed", "run", "members", "past"]
    assert report["sources"][2]["run_time"] == "2026-05-31T18:00:00+00:00"
    minute, hour, day = report["quota"]
    assert (minute["limit"], hour["limit"], day["limit"]) == (600.0, 5000.0, 10000.0)
    used = sum(e.weight for e in keyboard.server.calls("open-meteo"))
    assert used <= day["used"] <= used + 2.0  # a note about the newest run before the ensemble, and one after
    assert report["store"] == str(keyboard.folder / "store")


@pytest.mark.parametrize(
    ("command", "words"),
    [
        ("graft", ["--from", "2026-06-01", "--grafts", "30"]),
        ("window", ["--graft", "2026-05-18"]),
        ("hours", ["--days", "5"]),
    ],
)
def test_a_decision_on_live_weather_cold_and_warm_as_table_and_as_json(
    command: str, words: list[str], keyboard: Keyboard, clock: CountingClock, tell: Callable[[str, str], None]
) -> None:
    site = write_site(GERMANY, keyboard.folder / "home.toml")
    asked = [command, "--site", site, "--weather", "live", *words, *NOW]
    keyboard.years = YEARS if command == "graft" else 3
    shown = []
    for state in ("cold", "warm"):
        with Stopwatch(clock) as watch:
            result = keyboard.types(*asked)
        assert result.exit_code == 0, result.output
        assert watch.seconds < 10.0
        heading = f"matewindow {command} --weather live, {keyboard.years} past years, {state}: {watch.seconds:.1f} s"
        tell(heading, result.stdout if state == "cold" else "(the same)")
        shown.append(result.stdout)
    assert shown[0] == shown[1]
    assert "Asking the weather services" not in shown[0]
    assert "Past years" not in shown[0]

    report = keyboard.gets(*asked)
    licences = {s["licence"] for s in report["sources"]}
    assert {s["source"] for s in report["sources"]} == {"Open-Meteo", "Bright Sky"}
    flat = " ".join(shown[0].split())
    for licence in licences:
        assert licence in flat
    for warning in report["warnings"]:
        assert f"! {' '.join(warning.split())}" in flat
    assert any("corrected for what its model got wrong" in w for w in report["warnings"])


def test_weather_sources_lists_the_services_for_a_site_in_the_order_they_are_asked(keyboard: Keyboard) -> None:
    everything = keyboard.gets("weather", "sources")
    assert len(everything["services"]) == 8
    assert {s["service"] for s in everything["services"]} >= {"Open-Meteo", "MET Norway", "DWD MOSMIX"}
    for site, first in ((GERMANY, ["Open-Meteo", "DWD MOSMIX", "MET Norway"]), (AMERICA, ["Open-Meteo", "MET Norway"])):
        path = write_site(site, keyboard.folder / f"{site.name}.toml")
        services = keyboard.gets("weather", "sources", "--site", path)["services"]
        assert [s["service"] for s in services if s["part"] == "ensemble"] == first
        assert all(s["licence"] for s in services)
        table = keyboard.types("weather", "sources", "--site", path)
        assert table.exit_code == 0
        assert f"for {site.name}, in the order they are asked" in table.stdout
    assert keyboard.server.calls() == []


def test_trade_without_a_key_is_told_who_is_left(keyboard: Keyboard, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("MATEWINDOW_TRADE", "yes")
    site = write_site(GERMANY, keyboard.folder / "home.toml")

    assert "Open-Meteo" not in {s["service"] for s in keyboard.gets("weather", "sources", "--site", site)["services"]}
    report = keyboard.gets("weather", "get", "--site", site)
    assert report["attempts"][-1]["outcome"] == "left out"
    assert any("not for trade" in w for w in report["warnings"])
    assert keyboard.types("site", "find", "Ambleholt").exit_code != 0
    assert keyboard.server.calls("open-meteo") == []


# --- sites --------------------------------------------------------------------------------------------------


def test_site_find_and_site_new_lead_from_a_name_to_a_file_that_the_other_commands_take(keyboard: Keyboard) -> None:
    report = keyboard.gets("site", "find", "Grünau")
    (place,) = report["places"]
    assert place["name"] == "Grünau an der Lahle"
    assert "GeoNames" in report["licence"]
    table = keyboard.types("site", "find", "Grünau")
    assert re.search(r"Grünau an der Lahle +DE +50\.6200 +9\.1800 +240 +Europe/Berlin", table.stdout)
    assert "GeoNames" in table.stdout

    out = str(keyboard.folder / "new.toml")
    position = ["--latitude", str(place["latitude"]), "--longitude", str(place["longitude"])]
    made = keyboard.types("site", "new", "--name", "Am Bach", *position, "--out", out)
    assert made.exit_code == 0
    assert "ASSUMED: a sheltered place" in " ".join(made.stdout.split())
    assert "Copernicus" in made.stdout
    written = tomllib.loads(Path(out).read_text(encoding="utf-8"))
    assert written["timezone"] == "Europe/Berlin"
    assert (
        keyboard.gets("graft", "--site", out, "--weather", "live", "--from", "2026-06-01", *NOW)["site"]["name"]
        == "Am Bach"
    )

    again = keyboard.types("site", "new", "--name", "Other", *position, "--out", out)
    assert isinstance(again.exception, MatewindowError)
    assert "is there already" in str(again.exception)
    assert tomllib.loads(Path(out).read_text(encoding="utf-8")) == written


def test_a_place_that_is_not_found_is_no_error(keyboard: Keyboard) -> None:
    assert keyboard.gets("site", "find", "Nowhere at all")["places"] == []
    assert "No such place was found" in keyboard.types("site", "find", "Nowhere at all").stdout


def test_names_with_markup_are_shown_as_they_are(keyboard: Keyboard) -> None:
    out = str(keyboard.folder / "odd.toml")
    name = '[bold]a "b"[/bold] [/] \\'
    made = keyboard.types("site", "new", "--name", name, "--latitude", "50.62", "--longitude", "9.18", "--out", out)
    assert made.exit_code == 0, made.output
    for words in (["weather", "get"], ["weather", "sources"], ["hours", "--weather", "live", "--days", "1", *NOW]):
        shown = keyboard.types(*words, "--site", out)
        assert shown.exit_code == 0, shown.output
        assert name in shown.stdout.replace("\n", " ")


# --- attribution --------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("site", "down", "credited"),
    [
        (GERMANY, [], [OPEN_METEO, DWD]),
        (GERMANY, ["open-meteo-forecast", "open-meteo-ensemble"], [OPEN_METEO, DWD]),
        (BRITAIN, ["open-meteo-forecast", "open-meteo-ensemble"], [OPEN_METEO, "MET Norway"]),
        (
            AMERICA,
            ["open-meteo-forecast", "open-meteo-ensemble"],
            [OPEN_METEO, "MET Norway", "National Weather Service"],
        ),
        (
            AMERICA,
            ["open-meteo-forecast", "open-meteo-ensemble", "met-norway"],
            [OPEN_METEO, "National Weather Service"],
        ),
    ],
)
def test_every_service_that_was_used_is_credited_in_json_and_in_the_table(
    site: Site, down: list[str], credited: list[str], keyboard: Keyboard
) -> None:
    for service in down:
        keyboard.server.faults.on("refused", service)
    words = ["hours", "--site", write_site(site, keyboard.folder / "s.toml"), "--weather", "live", "--days", "2", *NOW]

    licences = " ".join(s["licence"] for s in keyboard.gets(*words)["sources"])
    table = " ".join(keyboard.types(*words).stdout.split())
    got = " ".join(
        a["licence"] or ""
        for a in keyboard.gets("weather", "get", "--site", str(keyboard.folder / "s.toml"))["attempts"]
    )
    for credit in credited:
        for text in (licences, table, got):
            assert credit in text


# --- failures -----------------------------------------------------------------------------------------------


def test_without_a_contact_the_others_serve_and_it_is_said_what_to_set(
    keyboard: Keyboard, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.delenv("MATEWINDOW_CONTACT")
    keyboard.server.faults.on("refused", "open-meteo-ensemble")
    site = write_site(BRITAIN, keyboard.folder / "home.toml")

    report = keyboard.gets("weather", "get", "--site", site)

    assert any("MATEWINDOW_CONTACT" in w for w in report["warnings"])
    assert keyboard.server.calls("met-norway") == []


# --- real processes -----------------------------------------------------------------------------------------


@pytest.fixture(scope="module")
def terminal(tmp_path_factory: pytest.TempPathFactory) -> Iterator[tuple[LoopbackServer, dict[str, str]]]:
    """A loopback server over TLS that lives now, and the environment that leads the program to it."""
    folder = tmp_path_factory.mktemp("terminal")
    made = make_certificate(folder)
    if made is None:
        pytest.skip("there is no openssl program to make a certificate with")
    both, trusted = made
    with LoopbackServer(clock=SetClock(datetime.now(UTC)), certificate=both) as server:
        environment = {name: value for name, value in os.environ.items() if not name.startswith("MATEWINDOW_")}
        environment |= {
            "MATEWINDOW_ADDRESSES_FILE": str(write_addresses(server, folder / "addresses.toml")),
            "MATEWINDOW_CA_BUNDLE": str(trusted),
            "MATEWINDOW_STORE_FOLDER": str(folder / "store"),
            "MATEWINDOW_CONTACT": CONTACT,
            "PYTHONPATH": str(ROOT),
            "COLUMNS": "100",
        }
        yield server, environment


def run(environment: dict[str, str], *words: str) -> subprocess.CompletedProcess[str]:
    command = [sys.executable, "-m", "matewindow.cli", *words]
    return subprocess.run(command, env=environment, capture_output=True, text=True, timeout=60, check=False)


def test_as_a_program_over_tls_progress_goes_to_the_error_channel_and_the_exit_code_is_zero(
    terminal: tuple[LoopbackServer, dict[str, str]], tmp_path: Path, tell: Callable[[str, str], None]
) -> None:
    server, environment = terminal
    site = write_site(GERMANY, tmp_path / "home.toml")
    today = server.clock.now().date().isoformat()
    clock = CountingClock()
    with Stopwatch(clock) as cold:
        done = run(environment, "hours", "--site", site, "--weather", "live", "--from", today, "--days", "3", "--json")
    assert done.returncode == 0, done.stderr
    assert len(json.loads(done.stdout)["days"]) == 3
    n_calls = len(server.calls())
    with Stopwatch(clock) as warm:
        got = run(environment, "weather", "get", "--site", site)
    assert got.returncode == 0, got.stderr
    assert len(server.calls()) == n_calls
    assert OPEN_METEO in " ".join(got.stdout.split())
    assert "Asking" not in got.stdout
    tell(
        "as a program with 30 past years, its start included, over TLS",
        f"hours --weather live, cold: {cold.seconds:.1f} s",
    )
    tell("as a program with 30 past years, its start included, over TLS", f"weather get, warm: {warm.seconds:.1f} s")
    tell("as a program with 30 past years, its start included, over TLS", got.stdout)


def test_as_a_program_failures_end_in_one_message_and_exit_code_two(
    terminal: tuple[LoopbackServer, dict[str, str]], tmp_path: Path
) -> None:
    """Nothing in the store, and every service down."""
    server, environment = terminal
    environment = environment | {"MATEWINDOW_STORE_FOLDER": str(tmp_path / "empty")}
    site = write_site(GERMANY, tmp_path / "home.toml")
    server.faults.on("refused")
    try:
        for words in (
            ["weather", "get", "--site", site],
            ["graft", "--site", site, "--weather", "live", "--from", server.clock.now().date().isoformat()],
            ["site", "find", "Ambleholt"],
        ):
            done = run(environment, *words)
            assert (done.returncode, done.stdout) == (2, "")
            assert "could not be reached (ConnectionRefusedError)" in done.stderr
            assert "Traceback" not in done.stderr
            if words[0] != "site":
                for who in (
                    "Open-Meteo, ensemble",
                    "DWD MOSMIX, ensemble",
                    "MET Norway, forecast",
                    "Open-Meteo archive",
                ):
                    assert who in done.stderr
    finally:
        server.faults.off()
