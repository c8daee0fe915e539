"""Many sites with few requests: what is asked, what is shared, and that one bad answer spoils one site only.

The weather of these tests is that of the loopback server, but alike within a cell of 0.25 degrees for the models that
have such cells, as it is with the service; there only the temperature differs, by the height of the site.
"""

from __future__ import annotations

import os
from collections import Counter, defaultdict
from dataclasses import replace
from datetime import datetime, timedelta
from typing import TYPE_CHECKING, Any

import numpy as np
import pytest

from matewindow.errors import InputError
from matewindow.site import Site
from matewindow.weather.live.adopt import adopt
from matewindow.weather.live.cells import LAPSE_K_M, cell_of, moved, neighbours
from matewindow.weather.live.gather import Gathered, gather
from matewindow.weather.live.many import MANY_LIMITS, ManySites, gather_many
from tests.live.helpers import GERMANY, sound
from tests.live.manysites import APART, InCells, invented_sites, many_desk, places_asked, weather_calls
from tests.loopback import openmeteo_weather
from tests.loopback.exchange import NOW

if TYPE_CHECKING:
    from collections.abc import Callable
    from pathlib import Path

    from numpy.typing import NDArray

    from matewindow.weather.normal import Weather
    from tests.loopback.server import LoopbackServer

pytestmark = pytest.mark.allow_hosts(["127.0.0.1"])

YEARS = 1
NORWAY = Site("Vestøy", 59.41, 10.47, 12.0, "Europe/Oslo", exposure=0.7)


@pytest.fixture(autouse=True)
def _in_cells(server: LoopbackServer, monkeypatch: pytest.MonkeyPatch) -> None:
    """The weather of these tests; and nothing waits for the disk, of which many sites ask much."""
    server.scenario = InCells()
    monkeypatch.setattr(os, "fsync", lambda _: None)


@pytest.fixture(scope="module")
def each_alone(running: LoopbackServer, tmp_path_factory: pytest.TempPathFactory) -> dict[str, dict[str, Weather]]:
    """What a pull for each of the three sites alone gives, at the time that the server shows at first."""
    running.forget()
    running.scenario = InCells()
    running.clock.set(NOW)
    alone = {}
    for site in APART:
        with many_desk(running, tmp_path_factory.mktemp(site.name)) as desk:
            alone[site.name] = weather_of(gather(site, desk, years=YEARS))
            assert alone[site.name].keys() == {"ensemble", "forecast", "past"}
    return alone


def weather_of(gathered: Gathered) -> dict[str, Weather]:
    """The parts that came."""
    parts = {
        "ensemble": gathered.weather.ensemble,
        "forecast": gathered.weather.forecast,
        "past": gathered.weather.past,
    }
    return {part: weather for part, weather in parts.items() if weather is not None}


def outcomes(gathered: Gathered) -> dict[str, str]:
    """Who gave each part, and how."""
    said = {a.part: f"{a.service}, {a.outcome}" for a in gathered.attempts if a.outcome not in ("failed", "incomplete")}
    return dict(sorted(said.items()))


BY_OPEN_METEO = {
    "ensemble": "Open-Meteo, fresh",
    "forecast": "Open-Meteo, fresh",
    "past years": "Open-Meteo archive, fresh",
}


def differences(one: Weather, other: Weather) -> dict[str, float]:
    """The largest difference of each variable; hours and gaps must be the same."""
    assert np.array_equal(one.times, other.times)
    assert list(one.frame.columns) == list(other.frame.columns)
    found = {}
    for name in one.frame.columns:
        a, b = one.frame[name].to_numpy(), other.frame[name].to_numpy()
        assert np.array_equal(np.isnan(a), np.isnan(b))
        found[name] = float(np.nanmax(np.abs(a - b)))
    return found


def minutes_used(server: LoopbackServer) -> dict[datetime, float]:
    """Weighted calls that the service counted, by full minute."""
    used: dict[datetime, float] = defaultdict(float)
    for call in server.calls("open-meteo"):
        used[call.request.at.replace(second=0, microsecond=0)] += call.weight
    return dict(used)


def assert_within_budget(server: LoopbackServer) -> None:
    """600 weighted calls a minute, 5,000 an hour (pricing page of the service), and never a refusal."""
    used = minutes_used(server)
    assert max(used.values()) <= 600.0
    assert server.budget.used(3600, server.clock.now()) <= 5000.0
    assert {e.status for e in server.calls("open-meteo")} == {200}


# --- few requests --------------------------------------------------------------------------------------------


def test_three_sites_in_three_cells_take_one_request_a_kind_and_one_a_year(
    server: LoopbackServer, tmp_path: Path
) -> None:
    with many_desk(server, tmp_path) as desk:
        many = gather_many(APART, desk, years=2)
        after_batches = len(server.calls())
        got = {name: outcomes(gathered) for name, gathered in many.items()}

    assert [(e.request.service, places_asked(e)) for e in weather_calls(server)] == [
        ("open-meteo-ensemble", 3),
        ("open-meteo-forecast", 3),
        ("open-meteo-archive", 3),
        ("open-meteo-archive", 3),
        ("open-meteo-archive", 3),
    ]
    assert len(server.calls()) == after_batches  # looking a site up asks for nothing more
    assert got == {site.name: BY_OPEN_METEO for site in APART}
    assert sound(tmp_path, server)


def test_an_answer_for_all_is_kept_once_site_by_site(server: LoopbackServer, tmp_path: Path) -> None:
    with many_desk(server, tmp_path) as desk:
        gather_many(APART, desk, years=YEARS)
        kept = Counter((e.key.site, e.key.kind) for e in desk.client.store.entries())
        n_bytes = sum(e.n_bytes for e in desk.client.store.entries())

    each = Counter({"ensemble": 1, "forecast": 1, "analysis": YEARS + 1})
    sites = [f"{site.latitude:g}_{site.longitude:g}" for site in APART]
    assert kept == Counter({(s, kind): n for s in sites for kind, n in each.items()} | {("all", "run"): 1})
    one = max(w.n_bytes for w in desk.client.store.entries(kind="ensemble"))
    assert n_bytes < 3 * 2.5 * one  # ensembles are the larger part of it


def test_sites_in_cells_of_their_own_get_the_very_numbers_of_a_pull_for_each_alone(
    server: LoopbackServer, each_alone: dict[str, dict[str, Weather]], tmp_path: Path
) -> None:
    with many_desk(server, tmp_path) as desk:
        many = {name: weather_of(gathered) for name, gathered in gather_many(APART, desk, years=YEARS).items()}
    for name, alone in each_alone.items():
        assert many[name].keys() == alone.keys()
        for part, weather in alone.items():
            assert set(differences(many[name][part], weather).values()) == {0.0}
            assert many[name][part].provenance == weather.provenance


def test_a_hundred_and_one_sites_share_cells_and_keep_addresses_and_answers_short(
    server: LoopbackServer, tmp_path: Path, tell: Callable[[str, str], None]
) -> None:
    sites = invented_sites(101)
    cells = len(list(neighbours(sites)))
    with many_desk(server, tmp_path) as desk:
        many = gather_many(sites, desk, years=YEARS, wait_s=300.0, sleep=server.clock.sleep)
        got = Counter(tuple(outcomes(gathered).items()) for gathered in many.values())

    calls = weather_calls(server)
    asked = Counter[str]()
    for call in calls:
        asked[call.request.service] += places_asked(call)
    assert got == {tuple(BY_OPEN_METEO.items()): 101}
    assert asked["open-meteo-forecast"] == 101
    assert asked["open-meteo-ensemble"] == cells < 20
    assert asked["open-meteo-archive"] == cells * (YEARS + 1)
    assert max(len(e.request.raw_query) for e in calls) < 4000
    assert max(e.sent_bytes for e in calls) < 3_000_000
    assert max(places_asked(e) for e in calls) == 100
    assert_within_budget(server)
    tell(
        "many sites", f"101 sites in {cells} cells: {len(calls)} requests, {len(server.calls())} with notes on the run"
    )


def test_a_second_pull_within_freshness_asks_nobody(server: LoopbackServer, tmp_path: Path) -> None:
    sites = invented_sites(6)
    with many_desk(server, tmp_path) as desk:
        first = {n: weather_of(g) for n, g in gather_many(sites, desk, years=YEARS).items()}
    server.clock.advance(timedelta(minutes=50))
    server.forget()
    with many_desk(server, tmp_path) as desk:
        second = {n: weather_of(g) for n, g in gather_many(sites, desk, years=YEARS).items()}

    assert server.calls() == []
    for name, parts in first.items():
        assert all(set(differences(second[name][part], w).values()) == {0.0} for part, w in parts.items())


def test_sites_added_later_are_served_from_the_cells_that_are_there(server: LoopbackServer, tmp_path: Path) -> None:
    """The site that was asked for stays the giver of its cell, though another may now be in the middle."""
    sites = invented_sites(101)
    cell = max(neighbours(sites), key=len)
    assert len(cell) > 3
    with many_desk(server, tmp_path) as desk:
        list(gather_many(cell[:2], desk, years=YEARS).values())
        server.forget()
        got = [outcomes(gathered) for gathered in gather_many(cell, desk, years=YEARS).values()]

    assert got == [BY_OPEN_METEO] * len(cell)
    assert [(e.request.service, places_asked(e)) for e in weather_calls(server)] == [
        ("open-meteo-forecast", len(cell) - 2)
    ]


# --- what is shared ------------------------------------------------------------------------------------------


def test_sites_in_one_cell_get_its_numbers_and_their_own_temperature(
    server: LoopbackServer, tmp_path: Path, tell: Callable[[str, str], None]
) -> None:
    """6.5 K/km, ISO 2533. Both answers are rounded to 0.1 °C and may so differ by that; the stand-in's ensemble is
    rounded twice, before and after it is brought to hours. On the mean nothing is left.
    """
    cell = max(neighbours(invented_sites(101)), key=len)
    with many_desk(server, tmp_path / "many") as desk:
        many = {name: weather_of(gathered) for name, gathered in gather_many(cell, desk, years=YEARS).items()}
    heights = {site.elevation_m for site in cell}
    assert len(cell) > 3
    assert max(heights) - min(heights) > 60.0  # so that 0.4 K are at stake
    shown: dict[str, float] = {}
    for site in (cell[0], cell[-1]):
        with many_desk(server, tmp_path / site.name) as desk:
            alone = weather_of(gather(site, desk, years=YEARS))
        assert set(differences(many[site.name]["forecast"], alone["forecast"]).values()) == {0.0}
        for part, rounded in (("ensemble", 0.2), ("past", 0.1)):
            apart = differences(many[site.name][part], alone[part])
            shown = {name: max(shown.get(name, 0.0), most) for name, most in apart.items()}
            assert apart["temp_c"] <= rounded + 1e-9
            assert np.nanmean((many[site.name][part].frame - alone[part].frame)["temp_c"]) == pytest.approx(0, abs=0.01)
            assert apart["wind_ms"] == apart["rain_mm"] == 0.0
            assert apart["ghi_wm2"] <= 6.0  # the stand-in shares a step's radiation out by the sun at the site
            assert many[site.name][part].provenance.elevation_m == alone[part].provenance.elevation_m
    largest = ", ".join(f"{name} {most:.2f}" for name, most in shown.items())
    tell("many sites", f"largest difference between a shared answer and a site's own: {largest}")


def test_a_shared_answer_says_so_and_by_how_much_it_was_moved(server: LoopbackServer, tmp_path: Path) -> None:
    low, high = (Site(f"at {m} m", 52.13, -1.74, float(m), "Europe/London") for m in (100, 180))
    with many_desk(server, tmp_path) as desk:
        many = {name: weather_of(gathered) for name, gathered in gather_many([low, high], desk, years=YEARS).items()}

    assert [places_asked(e) for e in weather_calls(server, "open-meteo-ensemble")] == [1]
    asked_m = float(weather_calls(server, "open-meteo-ensemble")[0].request.text("elevation"))
    other = low if asked_m == 180.0 else high
    own = high if other is low else low
    for part in ("ensemble", "past"):
        note = many[other.name][part].provenance.notes[-1]
        assert "same 0.25° cell" in note
        assert f"{-LAPSE_K_M * (other.elevation_m - asked_m):+.2f} K" in note
        assert not any("cell" in n for n in many[own.name][part].provenance.notes)
        change = many[other.name][part].frame["temp_c"] - many[own.name][part].frame["temp_c"]
        assert change.dropna().to_numpy() == pytest.approx(-0.0065 * (other.elevation_m - own.elevation_m))


def test_hill_and_valley_in_one_cell_do_not_share(server: LoopbackServer, tmp_path: Path) -> None:
    """The service takes another cell for a site whose height is more than 100 m off its own cell's."""
    valley, hill = (Site(f"at {m} m", 52.13, -1.74, float(m), "Europe/London") for m in (100, 201))
    with many_desk(server, tmp_path) as desk:
        list(gather_many([valley, hill], desk, years=YEARS).values())

    assert [places_asked(e) for e in weather_calls(server, "open-meteo-ensemble")] == [2]


@pytest.mark.parametrize(
    ("latitude", "longitude", "cell"),
    [
        (52.13, -1.74, (209, 1433)),  # 52.25, -1.75: the nearest multiples of a quarter
        (52.12, -1.62, (208, 1434)),
        (-0.1, 0.1, (0, 0)),
        (10.0, 179.95, (40, 720)),
        (10.0, -179.95, (40, 720)),  # one cell on both sides of the date line
        (90.0, 0.0, (360, 0)),
    ],
)
def test_a_cell_lies_around_a_multiple_of_a_quarter_of_a_degree(
    latitude: float, longitude: float, cell: tuple[int, int]
) -> None:
    assert cell_of(latitude, longitude) == cell


def test_no_neighbours_are_more_than_a_hundred_metres_of_height_apart_and_every_site_has_a_place() -> None:
    sites = invented_sites(400, high_m=900.0)
    bands = list(neighbours(sites))

    assert sorted(s.name for band in bands for s in band) == sorted(s.name for s in sites)
    assert max(max(s.elevation_m for s in band) - min(s.elevation_m for s in band) for band in bands) <= 101.0
    assert all(len({cell_of(s.latitude, s.longitude) for s in band}) == 1 for band in bands)


def test_moving_there_and_back_gives_the_temperature_again(server: LoopbackServer, tmp_path: Path) -> None:
    with many_desk(server, tmp_path) as desk:
        weather = weather_of(gather(APART[0], desk, years=YEARS))["past"]
    back = moved(moved(weather, 210, 110), 110, 210)

    assert differences(back, weather) == {
        "temp_c": pytest.approx(0.0, abs=1e-12),
        "wind_ms": 0,
        "rain_mm": 0,
        "ghi_wm2": 0,
    }
    up = moved(weather, 0, 1000).values("temp_c")
    ground = weather.values("temp_c")
    assert up is not None
    assert ground is not None
    assert np.nanmean(ground - up) == pytest.approx(6.5)  # ISO 2533: 6.5 K/km


# --- one site's nonsense -------------------------------------------------------------------------------------


def _elsewhere(told: dict[str, Any]) -> None:
    told["latitude"] -= 10.0


def _nothing(told: dict[str, Any]) -> None:
    told["hourly"] = {k: v if k == "time" else [None] * len(v) for k, v in told["hourly"].items()}


def _no_numbers(told: dict[str, Any]) -> None:
    told["hourly"]["temperature_2m"][5] = "warm"


def _misnumbered(told: dict[str, Any]) -> None:
    told["location_id"] = 77


def _refused(told: dict[str, Any]) -> None:
    told.clear()
    told.update({"error": True, "reason": "invented"})


def spoil(
    monkeypatch: pytest.MonkeyPatch, site: Site, change: Callable[[dict[str, Any]], None], *, alone: bool = False
) -> None:
    """Have the service change what it says for a site, in answers for several, or in those for it alone too."""
    as_it_is = openmeteo_weather.Asked._answer

    def answer(self: openmeteo_weather.Asked, spot: Any, axis: tuple[NDArray[np.int64], int]) -> dict[str, Any]:
        told = as_it_is(self, spot, axis)
        here = (spot.place.latitude, spot.place.longitude) == (site.latitude, site.longitude)
        if here and (alone or len(self.request.items("latitude")) > 1):
            change(told)
        return told

    monkeypatch.setattr(openmeteo_weather.Asked, "_answer", answer)


@pytest.mark.parametrize("change", [_elsewhere, _nothing, _no_numbers, _misnumbered, _refused])
def test_one_sites_nonsense_in_an_answer_for_all_has_that_site_asked_for_by_itself(
    server: LoopbackServer,
    each_alone: dict[str, dict[str, Weather]],
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
    change: Callable[[dict[str, Any]], None],
) -> None:
    spoil(monkeypatch, APART[1], change)
    with many_desk(server, tmp_path) as desk:
        many = dict(gather_many(APART, desk, years=YEARS).items())

    single = [e for e in weather_calls(server) if places_asked(e) == 1]
    assert {e.request.text("latitude") for e in single} == {"52.61"}
    assert Counter(e.request.service for e in single) == {
        "open-meteo-ensemble": 1,
        "open-meteo-forecast": 1,
        "open-meteo-archive": YEARS + 1,
    }
    assert [g.remarks for g in many.values()] == [(), (), ()]
    for name, alone in each_alone.items():
        for part, weather in weather_of(many[name]).items():
            assert set(differences(weather, alone[part]).values()) == {0.0}


@pytest.mark.parametrize("change", [_elsewhere, _nothing])
def test_a_site_for_which_the_service_has_nothing_but_nonsense_is_served_by_another_and_the_rest_is_not_touched(
    server: LoopbackServer, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, change: Callable[[dict[str, Any]], None]
) -> None:
    spoil(monkeypatch, APART[1], change, alone=True)
    with many_desk(server, tmp_path) as desk:
        many = dict(gather_many(APART, desk, years=YEARS).items())

    assert outcomes(many["Dale"]) == {"ensemble": "MET Norway, network", "forecast": "MET Norway, fresh"}
    assert {"Open-Meteo gave no ensemble", "Open-Meteo gave no forecast", "Open-Meteo archive gave no past years"} == {
        remark.partition(":")[0] for remark in many["Dale"].remarks
    }
    for name in ("Hill", "Moor"):
        assert outcomes(many[name]) == BY_OPEN_METEO
        assert many[name].remarks == ()
    assert {places_asked(e) for e in server.calls("met-norway")} == {0}
    assert len(server.calls("met-norway")) == 1


def test_when_the_giver_of_a_cell_gets_nonsense_its_neighbours_ask_for_themselves(
    server: LoopbackServer, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    cell = [Site(f"at {m} m", 52.13 + m / 1e4, -1.74, float(m), "Europe/London") for m in (100, 120, 140)]
    spoil(monkeypatch, cell[1], _elsewhere, alone=True)
    with many_desk(server, tmp_path) as desk:
        many = dict(gather_many([*cell, APART[2]], desk, years=YEARS).items())

    assert outcomes(many["at 120 m"])["ensemble"] == "MET Norway, network"
    for name in ("at 100 m", "at 140 m"):
        assert {part: said.partition(",")[0] for part, said in outcomes(many[name]).items()} == {
            "ensemble": "Open-Meteo",
            "forecast": "Open-Meteo",
            "past years": "Open-Meteo archive",
        }
    assert outcomes(many["Moor"]) == BY_OPEN_METEO


# --- the whole request fails ---------------------------------------------------------------------------------


@pytest.mark.parametrize(("fault", "tries"), [("broken", 2), ("reset", 2), ("broken_stream", 2), ("html", 1)])
def test_a_request_that_fails_is_made_up_for_site_by_site(
    server: LoopbackServer, tmp_path: Path, fault: str, tries: int
) -> None:
    """The fault spoils every try of the one request."""
    server.faults.on(fault, "open-meteo-forecast", times=tries)
    with many_desk(server, tmp_path) as desk:
        got = [outcomes(gathered) for gathered in gather_many(APART, desk, years=YEARS).values()]

    assert got == [BY_OPEN_METEO | {"forecast": "Open-Meteo, network"}] * 3
    assert [places_asked(e) for e in weather_calls(server, "open-meteo-forecast")][-3:] == [1, 1, 1]


def test_with_open_meteo_down_every_site_is_served_by_another_and_few_calls_are_wasted(
    server: LoopbackServer, tmp_path: Path
) -> None:
    server.faults.on("unavailable", "open-meteo")
    sites = invented_sites(12)
    with many_desk(server, tmp_path) as desk:
        got = Counter(tuple(outcomes(g).items()) for g in gather_many(sites, desk, years=YEARS).values())

    assert got == {(("ensemble", "MET Norway, network"), ("forecast", "MET Norway, fresh")): 12}
    assert len(weather_calls(server)) <= 3 * 3 * 2  # each host is left alone after three failures, of two tries each


def test_a_service_that_hangs_keeps_the_whole_pull_waiting_once(server: LoopbackServer, tmp_path: Path) -> None:
    server.faults.on("timeout", "open-meteo")
    limits = replace(MANY_LIMITS, read_s=2.6, total_s=2.6)
    with many_desk(server, tmp_path, limits=limits) as desk:
        many = gather_many(invented_sites(6), desk, years=YEARS)
        got = [outcomes(gathered) for gathered in many.values()]

    assert got == [{"ensemble": "MET Norway, network", "forecast": "MET Norway, fresh"}] * 6
    assert len(server.calls("open-meteo")) == 1


def test_a_site_for_which_nobody_gives_anything_is_empty_and_says_why(server: LoopbackServer, tmp_path: Path) -> None:
    server.faults.on("refused")
    with many_desk(server, tmp_path) as desk:
        many = dict(gather_many(APART, desk, years=YEARS).items())
    server.faults.off()

    for gathered in many.values():
        assert weather_of(gathered) == {}
        assert "could not be reached" in " ".join(gathered.remarks)


# --- the budget ----------------------------------------------------------------------------------------------


def test_what_finds_no_room_in_the_budget_is_left_for_later_and_the_service_never_refuses(
    server: LoopbackServer, tmp_path: Path
) -> None:
    """Three cells weigh 3 · (23.3 + 1) and 31 a whole year: the nearest years come, the others another minute."""
    with many_desk(server, tmp_path) as desk:
        desk.client.budget.reserve(440.0)  # by another process
        first = dict(gather_many(APART, desk, years=4).items())
        assert 120.0 < server.budget.used(60, server.clock.now()) <= 160.0
        server.clock.advance(timedelta(minutes=1))
        second = dict(gather_many(APART, replace(desk, now=server.clock.now()), years=4).items())

    assert_within_budget(server)
    for site in APART:
        lacking = [r for r in first[site.name].remarks if "gave not all past years" in r]
        assert len(lacking) == 1
        assert "free in a minute" in lacking[0]
        assert second[site.name].remarks == ()
        once, twice = (g.weather.past for g in (first[site.name], second[site.name]))
        assert once is not None
        assert twice is not None
        assert twice.times[0] == np.datetime64("2022-01-01T00", "s") < once.times[0]
        assert twice.times[-1] == once.times[-1]


def test_whoever_has_time_waits_for_room_and_gets_everything(server: LoopbackServer, tmp_path: Path) -> None:
    begun = server.clock.now()
    with many_desk(server, tmp_path) as desk:
        desk.client.budget.reserve(550.0)
        many = dict(gather_many(APART, desk, years=YEARS, wait_s=300.0, sleep=server.clock.sleep).items())

    assert [g.remarks for g in many.values()] == [(), (), ()]
    assert timedelta(minutes=1) <= server.clock.now() - begun < timedelta(minutes=2)
    assert_within_budget(server)


def test_whoever_has_less_time_than_the_budget_needs_does_not_wait_at_all(
    server: LoopbackServer, tmp_path: Path
) -> None:
    begun = server.clock.now()
    with many_desk(server, tmp_path) as desk:
        desk.client.budget.reserve(599.0)
        got = [
            outcomes(g)
            for g in gather_many(APART[:2], desk, years=YEARS, wait_s=30.0, sleep=server.clock.sleep).values()
        ]

    assert server.clock.now() == begun
    assert [e.weight for e in weather_calls(server)] == [1.0]  # one forecast is all that there is room for
    assert Counter(said["ensemble"].partition(",")[0] for said in got) == {"MET Norway": 2}
    assert Counter(said["forecast"].partition(",")[0] for said in got) == {"MET Norway": 1, "Open-Meteo": 1}


def test_with_a_key_nothing_waits_and_the_key_is_not_kept(server: LoopbackServer, tmp_path: Path) -> None:
    key = "k3y-that/nobody&may=see"
    with many_desk(server, tmp_path, openmeteo_api_key=key) as desk:
        desk.client.budget.reserve(599.0)
        many = dict(gather_many(APART, desk, years=YEARS).items())

    assert [g.remarks for g in many.values()] == [(), (), ()]
    assert {e.request.text("apikey") for e in weather_calls(server)} == {key}
    assert {e.request.headers["host"].partition("-")[0] for e in weather_calls(server)} == {"customer"}
    files = [path for path in tmp_path.rglob("*") if path.is_file()]
    assert len(files) > 10
    assert [path for path in files if b"k3y" in path.read_bytes() or "k3y" in path.name] == []


# --- a single site afterwards --------------------------------------------------------------------------------


def test_a_site_that_was_asked_for_is_fresh_for_a_later_call_for_it_alone(
    server: LoopbackServer, tmp_path: Path
) -> None:
    with many_desk(server, tmp_path) as desk:
        gather_many(APART, desk, years=YEARS)  # nobody has looked a site up yet
        server.forget()
        got = [outcomes(gather(site, desk, years=YEARS)) for site in APART]

    assert got == [BY_OPEN_METEO] * 3
    assert weather_calls(server) == []


def test_a_site_that_shared_takes_over_its_neighbours_answers_and_is_fresh_too(
    server: LoopbackServer, tmp_path: Path
) -> None:
    cell = max(neighbours(invented_sites(101)), key=len)[:4]
    with many_desk(server, tmp_path) as desk:
        many = {name: weather_of(gathered) for name, gathered in gather_many(cell, desk, years=YEARS).items()}
        server.forget()
        given = [adopt(site, desk, years=YEARS) for site in cell]
        alone = {site.name: weather_of(gather(site, desk, years=YEARS)) for site in cell}

        assert weather_calls(server) == []
        assert sorted(given) == [0, *[YEARS + 2] * (len(cell) - 1)]  # the ensemble and each year; the giver has them
        assert [adopt(site, desk, years=YEARS) for site in cell] == [0] * len(cell)
    for name, parts in alone.items():
        for part, weather in parts.items():
            apart = differences(weather, many[name][part])
            assert max(apart.values()) < 1e-9
            assert weather.provenance.elevation_m == many[name][part].provenance.elevation_m


def test_nothing_is_taken_over_from_another_cell_from_another_height_or_when_it_is_old(
    server: LoopbackServer, tmp_path: Path
) -> None:
    with many_desk(server, tmp_path) as desk:
        gather(APART[0], desk, years=YEARS)
        beside = replace(APART[0], name="beside", latitude=52.14)
        assert adopt(replace(beside, elevation_m=311.0), desk, years=YEARS) == 0
        assert adopt(replace(beside, latitude=52.40), desk, years=YEARS) == 0
        server.clock.advance(timedelta(hours=2))
        assert adopt(beside, replace(desk, now=server.clock.now()), years=YEARS) == YEARS + 1  # the years last


def test_what_was_moved_once_is_not_moved_on(server: LoopbackServer, tmp_path: Path) -> None:
    """Else a row of neighbours would carry an answer up a mountain."""
    sites = [
        replace(APART[0], name=f"at {m} m", latitude=52.13 + m / 1e5, elevation_m=float(m)) for m in (100, 180, 260)
    ]
    with many_desk(server, tmp_path) as desk:
        gather(sites[0], desk, years=YEARS)
        assert adopt(sites[1], desk, years=YEARS) == YEARS + 2
        assert adopt(sites[2], desk, years=YEARS) == 0


# --- who is asked --------------------------------------------------------------------------------------------


def test_where_another_service_comes_first_open_meteo_is_not_asked_for_the_forecast(
    server: LoopbackServer, tmp_path: Path
) -> None:
    sites = [NORWAY, replace(NORWAY, name="Austøy", longitude=10.97)]
    with many_desk(server, tmp_path) as desk:
        got = [outcomes(gathered) for gathered in gather_many(sites, desk, years=YEARS).values()]

    assert got == [BY_OPEN_METEO | {"forecast": "MET Norway, network"}] * 2
    assert weather_calls(server, "open-meteo-forecast") == []
    assert [places_asked(e) for e in weather_calls(server, "open-meteo-ensemble")] == [2]


def test_observations_are_asked_for_site_by_site(server: LoopbackServer, tmp_path: Path) -> None:
    sites = [GERMANY, replace(GERMANY, name="beside", longitude=9.19)]
    with many_desk(server, tmp_path) as desk:
        got = [outcomes(gathered)["observed"] for gathered in gather_many(sites, desk, years=YEARS).values()]

    assert got == ["Bright Sky (DWD), network"] * 2
    assert len(server.calls("bright-sky")) == 2


def test_trade_without_a_key_asks_open_meteo_for_nothing(server: LoopbackServer, tmp_path: Path) -> None:
    with many_desk(server, tmp_path) as desk:
        many = dict(gather_many(APART, desk, years=YEARS, trade_without_key=True).items())

    assert server.calls("open-meteo") == []
    assert {outcomes(g)["forecast"] for g in many.values()} == {"MET Norway, fresh"}


def test_two_sites_of_one_name_are_refused(server: LoopbackServer, tmp_path: Path) -> None:
    with many_desk(server, tmp_path) as desk, pytest.raises(InputError, match="two sites are called 'Hill'"):
        gather_many([APART[0], APART[0]], desk)


def test_no_sites_ask_for_nothing(server: LoopbackServer, tmp_path: Path) -> None:
    with many_desk(server, tmp_path) as desk:
        assert dict(gather_many([], desk)) == {}
    assert server.calls() == []


def test_a_name_that_is_none_of_the_sites_is_no_key(server: LoopbackServer, tmp_path: Path) -> None:
    with many_desk(server, tmp_path) as desk:
        many: ManySites = gather_many(APART[:1], desk, years=YEARS)
        assert len(many) == 1
        calls = len(server.calls())
        assert "Hill" in many
        assert "Dale" not in many
        with pytest.raises(KeyError):
            many["Dale"]
    assert len(server.calls()) == calls
