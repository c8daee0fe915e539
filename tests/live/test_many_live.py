"""Live weather of many sites made ready one after the other, and a site that takes over what its neighbour got."""

from __future__ import annotations

import gc
import logging
import os
import weakref
from collections import Counter
from dataclasses import replace
from datetime import timedelta
from typing import TYPE_CHECKING, Any

import numpy as np
import pytest

from matewindow.errors import MatewindowError, ParameterError, RequestError, SiteFileError, SourceError
from matewindow.live import Live, live_sources, live_sources_many
from matewindow.sources import sources_of
from matewindow.weather.live.cells import neighbours
from matewindow.weather.store import WeatherStore
from tests.live.helpers import BIOLOGY, GERMANY, decide, settings_of, sound
from tests.live.manysites import APART, InCells, invented_sites, many_desk, places_asked, weather_calls

if TYPE_CHECKING:
    from collections.abc import Sequence
    from pathlib import Path

    from matewindow.paths import Sources
    from matewindow.site import Site
    from matewindow.siteweather import SiteWeather
    from tests.loopback.server import LoopbackServer

pytestmark = pytest.mark.allow_hosts(["127.0.0.1"])

YEARS = 1
CORRECTED = "The ensemble was corrected for what its model got wrong here in the last months."


@pytest.fixture(autouse=True)
def _in_cells(server: LoopbackServer, monkeypatch: pytest.MonkeyPatch) -> None:
    """The weather of these tests; and nothing waits for the disk, of which many sites ask much."""
    server.scenario = InCells()
    monkeypatch.setattr(os, "fsync", lambda _: None)


def pull_many(server: LoopbackServer, folder: Path, sites: Sequence[Site], **how: Any) -> list[tuple[Site, Any]]:
    settings = settings_of(folder, **how.pop("settings", {}))
    with many_desk(server, folder) as desk:
        return list(live_sources_many(sites, BIOLOGY, desk, settings, years=YEARS, **how))


def pull_one(server: LoopbackServer, folder: Path, site: Site) -> Live:
    with many_desk(server, folder) as desk:
        return live_sources(site, BIOLOGY, desk, settings_of(folder), years=YEARS)


def by_name(found: Sequence[tuple[Site, Any]]) -> dict[str, Any]:
    return {site.name: outcome for site, outcome in found}


def members(live: Live) -> SiteWeather:
    """Its ensemble, on the site's days."""
    assert live.sources.members is not None
    return live.sources.members


def cell_mates(n: int) -> list[Site]:
    """Sites in one cell and within 100 m of height."""
    return max(neighbours(invented_sites(101)), key=len)[:n]


# --- many ----------------------------------------------------------------------------------------------------


def test_many_sites_get_what_each_would_get_alone_with_one_request_a_kind(
    server: LoopbackServer, tmp_path: Path
) -> None:
    found = by_name(pull_many(server, tmp_path / "many", APART))
    assert [(e.request.service, places_asked(e)) for e in weather_calls(server)] == [
        ("open-meteo-ensemble", 3),
        ("open-meteo-forecast", 3),
        ("open-meteo-archive", 3),
        ("open-meteo-archive", 3),
        ("open-meteo-previous-runs", 3),
    ]
    for site in APART:
        alone = pull_one(server, tmp_path / site.name, site)
        together = found[site.name]
        assert together.sources.remarks == alone.sources.remarks == (CORRECTED,)
        assert decide(together, site, server).sentence == decide(alone, site, server).sentence
        assert np.array_equal(members(together).temp_c, members(alone).temp_c, equal_nan=True)
    assert sound(tmp_path / "many", server)


def test_sites_of_a_cell_share_what_was_learnt_from_earlier_runs(server: LoopbackServer, tmp_path: Path) -> None:
    """Model and reanalysis are moved by height alike, so that their difference is the same for all of them."""
    cell = cell_mates(5)
    found = by_name(pull_many(server, tmp_path / "many", cell))
    assert [places_asked(e) for e in weather_calls(server, "open-meteo-previous-runs")] == [1]
    for site in (cell[0], cell[-1]):
        together, alone = found[site.name], pull_one(server, tmp_path / site.name, site)
        assert together.sources.remarks == alone.sources.remarks == (CORRECTED,)
        warmer, windier = (
            np.abs(getattr(members(together), name) - getattr(members(alone), name)) for name in ("temp_c", "wind_ms")
        )
        assert np.nanmax(warmer) < 0.25  # each is rounded to 0.1 °C on its way
        assert np.nanmax(windier) < 0.02


def test_a_second_pull_while_all_is_fresh_asks_nobody(server: LoopbackServer, tmp_path: Path) -> None:
    sites = [*cell_mates(3), *APART]
    pull_many(server, tmp_path, sites)
    server.clock.advance(timedelta(minutes=50))
    server.forget()
    found = pull_many(server, tmp_path, sites)
    assert server.calls() == []
    assert all(outcome.sources.remarks == (CORRECTED,) for _, outcome in found)


def test_sites_of_the_same_name_and_place_are_told_apart_by_what_they_are(
    server: LoopbackServer, tmp_path: Path
) -> None:
    """Two keepers may call their yards alike, or stand on the same spot with other bees."""
    hill, dale, _ = APART
    same_name, same_place = replace(dale, name=hill.name), replace(hill, exposure=0.3)
    found = pull_many(server, tmp_path, [hill, same_name, same_place])

    assert sorted((s.latitude, s.exposure) for s, _ in found) == [(52.13, 0.3), (52.13, 0.7), (52.61, 0.7)]
    warmth = {(s.latitude, s.exposure): float(np.nanmean(members(x).temp_c)) for s, x in found}
    assert warmth[52.13, 0.3] == warmth[52.13, 0.7] != warmth[52.61, 0.7]


@pytest.mark.parametrize(
    ("change", "error", "words"),
    [
        ({"latitude": 97.0}, RequestError, "latitude 97 does not exist"),
        ({"longitude": float("nan")}, RequestError, "longitude nan does not exist"),
        ({"elevation_m": float("nan")}, RequestError, "elevation nan m does not exist"),
        ({"timezone": "Mars/North"}, SiteFileError, "Mars/North"),
        ({"timezone": "Asia/Tokyo"}, SiteFileError, "does not lie in time zone"),
        ({"thresholds": {"warmest_dream_c": 3.0}}, ParameterError, "warmest_dream_c"),
    ],
)
def test_a_site_that_cannot_be_one_gives_its_error_and_keeps_nobody_from_the_weather(
    change: dict[str, Any], error: type[MatewindowError], words: str, server: LoopbackServer, tmp_path: Path
) -> None:
    found = by_name(pull_many(server, tmp_path, [APART[0], replace(APART[1], **change), APART[2]]))

    assert isinstance(found["Dale"], error)
    assert words in str(found["Dale"])
    for name in ("Hill", "Moor"):
        assert found[name].sources.remarks == (CORRECTED,)


def test_where_nobody_gives_anything_every_site_says_why(server: LoopbackServer, tmp_path: Path) -> None:
    server.faults.on("refused")
    found = pull_many(server, tmp_path, APART)
    server.faults.off()

    assert len(found) == 3
    for _, outcome in found:
        assert isinstance(outcome, SourceError)
        assert "could not be reached" in str(outcome)


def test_a_fault_of_the_programs_at_one_site_is_logged_and_keeps_nobody_from_the_weather(
    server: LoopbackServer, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, caplog: pytest.LogCaptureFixture
) -> None:
    def stumbles(weather: Any, site: Site, *args: Any, **more: Any) -> Sources:
        if site.name == "Dale":
            raise ZeroDivisionError("invented")
        return sources_of(weather, site, *args, **more)

    monkeypatch.setattr("matewindow.live.sources_of", stumbles)
    with caplog.at_level(logging.ERROR):
        found = by_name(pull_many(server, tmp_path, APART))

    assert isinstance(found["Dale"], ZeroDivisionError)
    assert isinstance(found["Hill"], Live)
    assert isinstance(found["Moor"], Live)
    (said,) = caplog.records
    assert (said.getMessage(), said.exc_info is not None) == ("Dale (2)", True)


def test_progress_counts_requests_and_then_every_site(server: LoopbackServer, tmp_path: Path) -> None:
    told: list[tuple[str, int, int]] = []
    sites = [replace(APART[0], latitude=97.0), *APART[1:]]
    pull_many(server, tmp_path, sites, on_progress=lambda *now: told.append(now))

    steps = 2 + (YEARS + 1) + 1
    assert [t for t in told if t[0] == "requests"] == [("requests", n, steps) for n in range(1, steps + 1)]
    assert [t for t in told if t[0] == "sites"] == [("sites", n, 3) for n in (1, 2, 3)]


def test_trade_without_a_key_asks_open_meteo_for_nothing(server: LoopbackServer, tmp_path: Path) -> None:
    found = pull_many(server, tmp_path, APART, settings={"trade": True})

    assert server.calls("open-meteo") == []
    assert all(outcome.sources.run is not None and outcome.sources.past is None for _, outcome in found)


def test_no_sites_ask_for_nothing(server: LoopbackServer, tmp_path: Path) -> None:
    assert pull_many(server, tmp_path, []) == []
    assert server.calls() == []


def test_the_weather_of_a_site_is_let_go_before_the_next_but_one_comes(server: LoopbackServer, tmp_path: Path) -> None:
    """So that the memory needed does not grow with the number of sites."""
    sites = [*cell_mates(6), *APART]
    alive: list[weakref.ref[Live]] = []
    most = n = 0
    with many_desk(server, tmp_path) as desk:
        for _, outcome in live_sources_many(sites, BIOLOGY, desk, settings_of(tmp_path), years=YEARS):
            assert isinstance(outcome, Live)
            alive.append(weakref.ref(outcome))
            gc.collect()
            most, n = max(most, sum(ref() is not None for ref in alive)), n + 1
    assert n == len(sites)
    assert most == 1


def test_whoever_has_time_waits_for_room_and_gets_everything(server: LoopbackServer, tmp_path: Path) -> None:
    begun = server.clock.now()
    with many_desk(server, tmp_path) as desk:
        desk.client.budget.reserve(550.0)  # by another process
        settings, sleep = settings_of(tmp_path), server.clock.sleep
        found = list(live_sources_many(APART, BIOLOGY, desk, settings, years=YEARS, wait_s=300.0, sleep=sleep))

    assert [outcome.sources.remarks for _, outcome in found if isinstance(outcome, Live)] == [(CORRECTED,)] * 3
    assert server.clock.now() - begun >= timedelta(minutes=1)
    assert {e.status for e in server.calls("open-meteo")} == {200}


# --- one beside another --------------------------------------------------------------------------------------


def kinds(store: WeatherStore, site: Site) -> Counter[str]:
    name = f"{site.latitude:.3f}".rstrip("0").rstrip(".") + "_" + f"{site.longitude:.3f}".rstrip("0").rstrip(".")
    return Counter(e.key.kind for e in store.entries(source="open-meteo", site=name))


def test_a_site_beside_one_already_pulled_takes_its_ensemble_and_years_and_asks_for_the_rest(
    server: LoopbackServer, tmp_path: Path
) -> None:
    first, second = cell_mates(2)
    pull_one(server, tmp_path / "both", first)
    server.forget()
    beside = pull_one(server, tmp_path / "both", second)

    assert [e.request.service for e in weather_calls(server)] == ["open-meteo-forecast", "open-meteo-previous-runs"]
    assert beside.sources.remarks == (CORRECTED,)
    alone = pull_one(server, tmp_path / "alone", second)
    assert decide(beside, second, server).sentence == decide(alone, second, server).sentence
    assert any("same 0.25° cell" in note for note in members(beside).provenance.notes)
    assert np.nanmax(np.abs(members(beside).temp_c - members(alone).temp_c)) < 0.25
    store = WeatherStore(tmp_path / "both", now=server.clock.now)
    assert kinds(store, second) == Counter({"ensemble": 1, "analysis": YEARS + 1, "forecast": 1, "previous-runs": 1})


def test_a_store_that_cannot_be_written_keeps_nobody_from_asking(
    server: LoopbackServer, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, caplog: pytest.LogCaptureFixture
) -> None:
    first, second = cell_mates(2)
    pull_one(server, tmp_path, first)
    server.forget()

    def full(*_: Any, **__: Any) -> None:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr("matewindow.weather.store.write_entry", full)
    got = pull_one(server, tmp_path, second)

    assert got.sources.members is not None
    assert "No space left on device" in caplog.text
    assert [e.request.service for e in weather_calls(server, "open-meteo-ensemble")] == ["open-meteo-ensemble"]


def test_trade_without_a_key_takes_nothing_over(
    server: LoopbackServer, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    first, second = cell_mates(2)
    pull_one(server, tmp_path, first)

    def called(*_: Any, **__: Any) -> int:
        raise AssertionError("Open-Meteo's weather is not for trade without a key")

    monkeypatch.setattr("matewindow.live.adopt", called)
    with many_desk(server, tmp_path) as desk:
        got = live_sources(second, BIOLOGY, desk, settings_of(tmp_path, trade=True), years=YEARS)
    assert (got.sources.past, got.sources.run is None) == (None, False)


def test_two_far_sites_take_nothing_from_each_other(server: LoopbackServer, tmp_path: Path) -> None:
    pull_one(server, tmp_path, APART[0])
    server.forget()
    pull_one(server, tmp_path, GERMANY)
    assert Counter(e.request.service for e in weather_calls(server)) == Counter(
        {
            "open-meteo-ensemble": 1,
            "open-meteo-forecast": 1,
            "open-meteo-archive": YEARS + 1,
            "open-meteo-previous-runs": 1,
        }
    )
