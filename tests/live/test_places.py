"""A site from a name or a position: height and time zone filled in, what was assumed is said, nothing overwritten."""

from __future__ import annotations

from typing import TYPE_CHECKING

import pytest

from matewindow.errors import InputError, RequestError, SourceError
from matewindow.places import elevation_at, find_places, site_text, write_new, zone_at
from matewindow.site import read_site
from tests.live.helpers import desk_at
from tests.loopback.scenario import terrain_m

if TYPE_CHECKING:
    from pathlib import Path

    from tests.loopback.server import LoopbackServer

pytestmark = pytest.mark.allow_hosts(["127.0.0.1"])

# Zones as the IANA database (zone1970.tab and backward) gives them for these towns; positions from memory, to a tenth.
ZONES = {
    "Oxford": (51.75, -1.26, "Europe/London"),
    "Ljubljana": (46.06, 14.51, {"Europe/Ljubljana", "Europe/Belgrade"}),
    "Freiburg": (48.0, 7.85, "Europe/Berlin"),
    "Bergen": (60.39, 5.32, {"Europe/Oslo", "Europe/Berlin"}),
    "Lisbon": (38.72, -9.14, "Europe/Lisbon"),
    "Phoenix, without summer time": (33.45, -112.07, "America/Phoenix"),
    "Denver": (39.74, -104.99, "America/Denver"),
    "Knox, Indiana, in a county of its own": (41.29, -86.62, {"America/Indiana/Knox"}),
    "Kolkata, half an hour off": (22.57, 88.36, {"Asia/Kolkata", "Asia/Calcutta"}),
    "Adelaide, half an hour off": (-34.93, 138.6, "Australia/Adelaide"),
    "Chatham Islands, three quarters off": (-43.95, -176.55, "Pacific/Chatham"),
    "Apia, beyond the date line": (-13.83, -171.77, "Pacific/Apia"),
}


@pytest.mark.parametrize("town", ZONES)
def test_a_position_finds_its_time_zone_without_any_network(town: str) -> None:
    latitude, longitude, zones = ZONES[town]
    assert zone_at(latitude, longitude) in ({zones} if isinstance(zones, str) else zones)


def test_a_position_alone_makes_a_site_file_that_can_be_read(server: LoopbackServer, tmp_path: Path) -> None:
    with desk_at(server, tmp_path / "store") as desk:
        height = elevation_at(48.02, 8.12, desk)
    text, site = site_text("Home", 48.02, 8.12, elevation_m=height)
    write_new(tmp_path / "home.toml", text)

    again = read_site(tmp_path / "home.toml")
    assert (again.name, again.latitude, again.longitude) == ("Home", 48.02, 8.12)
    assert again.elevation_m == site.elevation_m == terrain_m(48.02, 8.12)
    assert again.timezone == "Europe/Berlin"
    assert again.exposure == 0.7
    (shelter,) = (line for line in text.splitlines() if line.startswith("exposure"))
    assert shelter.endswith("ASSUMED: a sheltered place; 1.0 in the open")
    assert "looked up from the position" in text


def test_what_the_keeper_says_himself_is_not_marked_as_assumed_or_looked_up() -> None:
    text, site = site_text("Home", 51.0, -1.0, elevation_m=80.4, zone="Europe/London", exposure=1.0)

    assert (site.exposure, site.elevation_m) == (1.0, 80.0)
    for word in ("ASSUMED", "NOT KNOWN", "looked up"):
        assert word not in text


@pytest.mark.parametrize("fault", ["refused", "html", "broken", "redirect_loop", "gzip_bomb"])
def test_without_the_terrain_model_the_file_is_made_and_says_that_the_height_is_not_known(
    fault: str, server: LoopbackServer, tmp_path: Path
) -> None:
    server.faults.on(fault, "open-meteo-forecast")
    with desk_at(server, tmp_path) as desk:
        height = elevation_at(48.02, 8.12, desk)

    text, site = site_text("Home", 48.02, 8.12, elevation_m=height)
    assert height is None
    assert site.elevation_m == 0.0
    assert "elevation = 0    # metres, NOT KNOWN: please correct" in text


def test_a_file_that_is_there_is_never_overwritten(tmp_path: Path) -> None:
    path = tmp_path / "home.toml"
    path.write_text("mine", encoding="utf-8")

    with pytest.raises(RequestError, match="is there already"):
        write_new(path, "other")
    assert path.read_text(encoding="utf-8") == "mine"
    with pytest.raises(RequestError, match="cannot be written"):
        write_new(tmp_path / "no" / "such" / "folder.toml", "other")


@pytest.mark.parametrize(
    ("name", "kept"),
    [
        ('The "old" orchard', 'The "old" orchard'),
        ("back\\slash\\n", "back\\slash\\n"),
        ("two\nlines\r\n and\ttabs", "two lines and tabs"),
        ('x"\nexposure = 1.2 # ', 'x" exposure = 1.2 #'),
        ("[bold]loud[/bold] [/] <b>&amp;", "[bold]loud[/bold] [/] <b>&amp;"),
        ("\x1b[31mred\x07\x00", "[31mred"),
        ("Grünau · 蜂場 🐝", "Grünau · 蜂場 🐝"),
    ],
)
def test_any_name_is_kept_in_one_line_and_changes_nothing_else(name: str, kept: str, tmp_path: Path) -> None:
    text, _ = site_text(name, 51.0, -1.0, elevation_m=80.0)
    write_new(tmp_path / "site.toml", text)

    site = read_site(tmp_path / "site.toml")
    assert site.name == kept
    assert (site.exposure, site.elevation_m, site.timezone) == (0.7, 80.0, "Europe/London")


def test_a_name_of_nothing_is_refused() -> None:
    with pytest.raises(InputError, match="name is ''"):
        site_text(" \n\x00", 51.0, -1.0, elevation_m=80.0)


def test_impossible_numbers_are_refused_and_no_number_counts_as_unknown() -> None:
    for values in ({"latitude": 95.0}, {"longitude": float("inf")}, {"elevation_m": float("inf")}, {"exposure": 3.0}):
        asked = {"latitude": 51.0, "longitude": -1.0, "elevation_m": 80.0} | values
        with pytest.raises(InputError, match="is outside"):
            site_text("Home", **asked)  # type: ignore[arg-type]  # numbers all
    text, _ = site_text("Home", 51.0, -1.0, elevation_m=float("nan"))
    assert "NOT KNOWN" in text


def test_a_place_is_found_by_the_beginning_of_its_name(server: LoopbackServer, tmp_path: Path) -> None:
    with desk_at(server, tmp_path) as desk:
        found = find_places(" ambleholt ", desk)
        nothing = find_places("Nowhere at all", desk)
        with pytest.raises(RequestError, match="too short"):
            find_places("x", desk)

    assert [(p.country_code, p.timezone, p.elevation_m) for p in found] == [
        ("GB", "Europe/London", 96.0),
        ("US", "America/New_York", 310.0),
    ]
    assert nothing == []
    assert [e.request.text("name") for e in server.calls("open-meteo-geocoding")] == ["ambleholt", "Nowhere at all"]


def test_a_search_that_fails_says_why(server: LoopbackServer, tmp_path: Path) -> None:
    server.faults.on("unavailable", "open-meteo-geocoding")
    with desk_at(server, tmp_path) as desk, pytest.raises(SourceError, match="it answered 503"):
        find_places("Ambleholt", desk)


def test_trade_without_a_key_searches_no_places_and_with_one_asks_the_paid_host(
    server: LoopbackServer, tmp_path: Path
) -> None:
    with desk_at(server, tmp_path, trade=True) as desk:
        with pytest.raises(RequestError, match="not for trade"):
            find_places("Ambleholt", desk)
        assert elevation_at(48.02, 8.12, desk) is None
    assert server.calls() == []

    with desk_at(server, tmp_path, trade=True, openmeteo_api_key="key") as desk:
        assert len(find_places("Ambleholt", desk)) == 2
        assert elevation_at(48.02, 8.12, desk) == terrain_m(48.02, 8.12)
    assert {e.request.headers["host"].partition("-")[0] for e in server.calls()} == {"customer"}
