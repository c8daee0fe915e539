"""``matewindow outlook``: the report that the service gives, to the last digit."""

from __future__ import annotations

import json
from pathlib import Path
from typing import TYPE_CHECKING, Any

import pytest

from matewindow.biology import load_biology
from matewindow.demo import NOW
from matewindow.keeping.judging import Judging
from matewindow.keeping.outlooks import Keeper
from matewindow.keeping.weather import FolderDesk
from matewindow.register.database import Database, url_of
from matewindow.register.register import Register
from matewindow.register.tables import outlooks
from matewindow.settings import Settings
from tests.interchange.filled import n_rows

if TYPE_CHECKING:
    from collections.abc import Callable

SAMPLE = str(Path(__file__).resolve().parents[2] / "sample_weather")
OWN = {"outlook_id", "issued_at", "batch_id", "site_id", "nuc_id", "name"}


def service_of(home: Path) -> Keeper:
    """The part of a service that issues outlooks."""
    biology = load_biology()
    register = Register(Database(url_of(Settings(register=str(home / "register.sqlite")))), biology, lambda: NOW)
    return Keeper(register, FolderDesk(Path(SAMPLE), biology), Judging(biology, register.clock))


def test_it_is_the_services_report_letter_by_letter(run: Callable[..., Any], batch: str, home: Path) -> None:
    keeper = service_of(home)
    issued = json.loads(keeper.outlook(batch).body)
    shown = run("outlook", batch, "--weather", SAMPLE, "--now", NOW.isoformat())
    keeper.register.database.close()

    assert {k: v for k, v in shown.items() if k not in OWN} == {k: v for k, v in issued.items() if k not in OWN} | {
        "now": shown["now"]
    }
    assert shown["outlook_id"] is None
    assert shown["batch_id"] == batch


def test_the_demo_tells_the_same_as_the_window_of_a_site_file(run: Callable[..., Any], batch: str) -> None:
    shown = run("outlook", batch, "--weather", "demo")
    window = run(
        "window",
        "--site",
        f"{SAMPLE}/site.toml",
        "--weather",
        SAMPLE,
        "--graft",
        "2026-05-13",
        "--now",
        NOW.isoformat(),
    )
    for name in ("p_well_mated", "p_well_mated_range", "fates", "days", "first_egg", "timeline"):
        assert shown[name] == window[name], name


def test_a_check_changes_it_at_once(run: Callable[..., Any], batch: str) -> None:
    nuc = run("records", "add", "nuc", "site=Orchard", "batch=May", "name=1")["id"]
    before = run("outlook", nuc, "--weather", "demo")
    run("records", "add", "check", f"batch_id={batch}", f"nuc_id={nuc}", "day=2026-06-01", "saw=eggs")
    after = run("outlook", nuc, "--weather", "demo")

    assert before["nuc_id"] == nuc
    assert after["p_well_mated"] > before["p_well_mated"]
    assert run("outlook", batch, "--weather", "demo")["p_well_mated"] == before["p_well_mated"]


def test_invented_weather_and_clocks_leave_no_trace(run: Callable[..., Any], batch: str, home: Path) -> None:
    run("outlook", batch, "--weather", "demo")
    run("outlook", batch, "--weather", SAMPLE, "--now", "2026-06-01T07:00")
    database = Database(url_of(Settings(register=str(home / "register.sqlite"))))
    assert n_rows(Register(database, load_biology()), outlooks) == 0
    database.close()


def test_with_live_weather_the_site_is_refreshed_and_the_outlook_goes_on_record(
    run: Callable[..., Any], batch: str, home: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """As if the service had been asked; asked again, it is the same outlook. Weather from files stands for the services."""
    biology = load_biology()
    monkeypatch.setattr("matewindow.cli.recorded.desk_for", lambda *_: FolderDesk(Path(SAMPLE), biology))
    monkeypatch.setattr("matewindow.cli.recorded._clock", lambda *_: lambda: NOW)
    first, second = run("outlook", batch), run("outlook", batch)
    keeper = service_of(home)
    issued = json.loads(keeper.outlook(batch).body)
    keeper.register.database.close()

    assert first == second == issued
    assert first["outlook_id"].startswith("otlk_")


def test_a_time_without_its_zone_is_the_sites(run: Callable[..., Any], batch: str) -> None:
    shown = run("outlook", batch, "--weather", SAMPLE, "--now", "2026-06-01T07:00")
    assert shown["now"] == "2026-06-01T07:00:00+01:00"


def test_what_it_cannot_show_is_told(refused: Callable[..., str], batch: str, site: str, home: Path) -> None:
    assert "is a site" in refused("outlook", site)
    assert "there is no batch" in refused("outlook", "btch_0000000000000000", "--weather", "demo")
    assert "live weather is of now" in refused("outlook", batch, "--now", "2026-06-01T07:00")
    assert "'June' is no date or time" in refused("outlook", batch, "--weather", SAMPLE, "--now", "June")
    assert refused("outlook", batch, "--weather", str(home / "nowhere"))


def test_the_table_begins_with_the_message(run: Callable[..., Any], batch: str) -> None:
    shown = run("outlook", batch, "--weather", "demo")
    text = " ".join(run("outlook", batch, "--weather", "demo", text=True).split())
    assert text.startswith(shown["message_parts"][0])
