"""Live weather kept for the service: who is asked when, what is kept in between, and a wet spell from end to end.

The weather services are the loopback server, reached by TLS as in earnest. All weather is invented.
"""

from __future__ import annotations

import json
import shutil
from dataclasses import replace
from datetime import datetime, timedelta
from typing import TYPE_CHECKING, Any

import numpy as np
import pytest
from standardwebhooks.webhooks import Webhook

from matewindow.errors import SourceError
from matewindow.keeping.livedesk import LATEST, SOONEST
from matewindow.keeping.state import health_of, site_states
from matewindow.keeping.tidying import Tidying
from matewindow.register import tables
from matewindow.register.database import Database
from matewindow.register.life import site_of
from matewindow.settings import Settings
from tests.keeping.living import FINE, PLACE, WET, YEARS, Living, asked, later
from tests.keeping.made import ME, body, rows
from tests.live.helpers import CONTACT, write_addresses
from tests.live.manysites import InCells, invented_sites
from tests.loopback.client import make_certificate
from tests.loopback.exchange import NOW
from tests.loopback.server import LoopbackServer
from tests.webhooks.endpoint import Endpoint

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator
    from pathlib import Path

    import sqlalchemy as sa

    from matewindow.keeping.weather import Held
    from matewindow.paths import Sources
    from matewindow.site import Site

pytestmark = pytest.mark.allow_hosts(["127.0.0.1"])

ALL_DOWN = ("refused", None)
FORECASTS = ["open-meteo-ensemble", "open-meteo-forecast"]


@pytest.fixture(scope="module")
def running(tmp_path_factory: pytest.TempPathFactory) -> Iterator[tuple[LoopbackServer, Settings]]:
    folder = tmp_path_factory.mktemp("tls")
    made = make_certificate(folder)
    if made is None:
        pytest.skip("there is no openssl program to make a certificate with")
    both, trusted = made
    with LoopbackServer(certificate=both) as server:
        addresses = write_addresses(server, folder / "addresses.toml")
        yield server, Settings(contact=CONTACT, ca_bundle=trusted, addresses_file=addresses)


@pytest.fixture
def server(running: tuple[LoopbackServer, Settings]) -> LoopbackServer:
    """The services on the morning of 1 June 2026, in good health, with fine weather."""
    running[0].forget()
    running[0].scenario = FINE
    running[0].clock.set(NOW)
    return running[0]


@pytest.fixture
def settings(running: tuple[LoopbackServer, Settings], tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Settings:
    import os

    monkeypatch.setattr(os, "fsync", lambda _: None)  # nothing breaks here, and many small files are written
    return replace(running[1], store_folder=tmp_path / "store")


@pytest.fixture
def living(server: LoopbackServer, settings: Settings, file: sa.URL, opened: Callable[..., Database]) -> Living:
    return Living(opened(file), settings, server.clock)


def held(living: Living, site_id: str) -> Held:
    return living.desk.held(site_id, site(living, site_id))


def site(living: Living, site_id: str) -> Site:
    return site_of(living.register.get("site", site_id))


def odds(living: Living, batch: str) -> dict[str, Any]:
    """What an outlook says, without when it was issued and fetched."""
    found = body(living.keeper.outlook(batch))
    keys = ("fates", "p_well_mated_range", "first_egg", "days", "prime_flight_hours_usual", "past_years", "members")
    return {key: found[key] for key in keys}


# --- a wet spell, from end to end -----------------------------------------------------------------------------------


def test_a_wet_spell_is_in_the_service_and_at_a_webhook_within_one_refresh_once_and_clears_once(
    living: Living, server: LoopbackServer
) -> None:
    with Endpoint() as receiver:
        row, secret = living.endpoints.add(f"http://127.0.0.1:{receiver.port}/bees", ["warning.*"])
        _, batch = living.add()
        living.refresh()
        living.sender.run_once()
        assert (receiver.seen, row["disabled_at"]) == ([], None)

        server.scenario = WET
        later(server, hours=4)
        assert living.refresh() == 1
        living.sender.run_once()
        [standing] = living.client().get("/v1/warnings?standing=true").json["items"]
        [message] = [json.loads(seen.body) for seen in receiver.seen]

        assert (standing["batch_id"], standing["cause"], standing["kind"]) == (batch, "rain", "raised")
        assert (message["type"], message["data"]["batch_id"]) == ("warning.raised", batch)
        assert message["data"]["warning_id"] == standing["id"]
        assert message["data"]["cause"] == "rain"
        assert message["data"]["message"] == standing["message"]
        Webhook(secret).verify(receiver.seen[0].body, receiver.seen[0].headers)

        for _ in range(2):  # the spell stays: nothing more is said
            later(server, hours=3)
            living.refresh()
            living.sender.run_once()
        assert len(receiver.seen) == 1

        server.scenario = FINE
        for _ in range(5):
            later(server, hours=9)
            living.refresh()
            living.sender.run_once()
        types = [json.loads(seen.body)["type"] for seen in receiver.seen]
        [cleared] = living.client().get("/v1/warnings?standing=false").json["items"]

    assert types == ["warning.raised", "warning.cleared"]
    assert cleared["id"] == standing["id"]
    assert living.client().get("/v1/warnings?standing=true").json["items"] == []


def test_services_that_are_down_warn_of_nothing_and_health_says_what_is_wrong(
    living: Living, server: LoopbackServer
) -> None:
    site_id, batch = living.add()
    living.refresh()
    before = odds(living, batch)
    server.faults.on(*ALL_DOWN)
    for _ in range(6):
        server.clock.advance(timedelta(hours=5))
        living.refresh()
    health = health_of(living.database, server.clock.now())
    weather = living.client().get(f"/v1/sites/{site_id}/weather").json
    outlook = living.client().get(f"/v1/batches/{batch}/outlook")

    assert rows(living.database, tables.warnings) == []
    assert (health["status"], health["sites_in_trouble"]) == ("degraded", 1)
    assert health["troubles"][0].startswith("No weather service gave a new forecast (")
    assert "Open-Meteo: " in health["troubles"][0]
    assert weather["trouble"] == health["troubles"][0]
    assert weather["failures"] > 1
    assert any("hours old" in text for text in outlook.json["warnings"])
    assert before["members"] == outlook.json["members"]

    server.faults.off(*ALL_DOWN)
    later(server, hours=6)
    living.refresh()
    health = health_of(living.database, server.clock.now())
    assert (health["status"], health["troubles"]) == ("ok", [])
    assert rows(living.database, tables.warnings) == []


def test_services_that_were_never_reached_are_told_as_a_problem_with_its_reason(
    living: Living, server: LoopbackServer
) -> None:
    site_id, batch = living.add()
    server.faults.on(*ALL_DOWN)
    living.refresh()
    answer = living.client().get(f"/v1/batches/{batch}/outlook")
    health = living.client().get("/v1/health").json

    assert answer.status in {502, 503}
    assert "it holds nothing of this site yet" in answer.json["detail"]
    assert (health["status"], health["sites_without_weather"]) == ("degraded", 1)
    assert "The weather services gave no weather" in health["troubles"][0]
    assert site_states(living.database)[site_id]["refreshed_at"] is None


# --- who is asked ---------------------------------------------------------------------------------------------------


def test_answering_never_asks_a_weather_service(living: Living, server: LoopbackServer) -> None:
    site_id, batch = living.add()
    living.refresh()
    later(server, hours=30)
    for process in (living, living.again()):
        client = process.client()
        for path in (
            f"/v1/batches/{batch}/outlook",
            f"/v1/batches/{batch}/laying-check",
            f"/v1/sites/{site_id}/window?graft=2026-05-20",
            f"/v1/sites/{site_id}/graft-days?from=2026-06-03&days=1",
            f"/v1/sites/{site_id}/hours?days=2",
            f"/v1/sites/{site_id}/weather",
            "/v1/calendar.ics",
            "/v1/metrics",
            "/v1/health",
        ):
            assert client.get(path).status == 200, path
    assert server.calls() == []


def test_services_are_asked_every_three_hours_though_sites_are_looked_at_every_hour(
    living: Living, server: LoopbackServer
) -> None:
    living.add()
    living.refresh()
    seen = []
    for _ in range(6):
        later(server, minutes=66)
        assert living.refresh() == 1
        seen.append(asked(server))
    assert [bool(calls) for calls in seen] == [False, False, True, False, False, True]
    assert seen[2] == FORECASTS


def test_a_job_asks_at_once_for_what_is_not_fresh_any_more(living: Living, server: LoopbackServer) -> None:
    from matewindow.keeping.jobs import run_one

    site_id, _ = living.add()
    steps = []
    step = living.jobs.step

    def told(job_id: str, holder: str, done: int, wanted: int | None) -> None:
        steps.append((done, wanted))
        step(job_id, holder, done, wanted)

    living.jobs.step = told  # type: ignore[method-assign]
    living.jobs.ask("refresh", site_id)
    assert run_one(living.jobs, living.refresher, "me")
    assert steps == [(0, None), (1, 3), (2, 3), (3, 3)]
    later(server, minutes=66)
    living.jobs.ask("refresh", site_id)
    run_one(living.jobs, living.refresher, "me")
    assert asked(server) == FORECASTS


def test_a_failed_pull_is_made_good_at_the_next_look(living: Living, server: LoopbackServer) -> None:
    site_id, _ = living.add()
    server.faults.on(*ALL_DOWN)
    living.refresh()
    server.faults.off(*ALL_DOWN)
    later(server, minutes=70)
    living.refresh()
    assert "open-meteo-archive" in asked(server)
    assert site_states(living.database)[site_id]["trouble"] == ""


def test_sites_share_requests_and_the_more_there_are_the_seldomer_they_ask(
    living: Living, server: LoopbackServer
) -> None:
    server.scenario = InCells()
    places = invented_sites(5)
    for i, s in enumerate(places):
        given = {"latitude": s.latitude, "longitude": s.longitude, "elevation_m": s.elevation_m}
        site_id = living.register.add("site", PLACE | given | {"name": f"Yard {i}"}, ME)["id"]
        living.register.add("batch", {"site_id": site_id, "name": "May", "grafted_on": "2026-05-09"}, ME)
    assert living.refresh() == 5
    assert len(rows(living.database, tables.outlooks)) == 5
    assert [s for s in asked(server) if s in FORECASTS] == FORECASTS

    few, many = living.desk.pace(places), living.desk.pace([replace(places[0], latitude=0.3 * i) for i in range(200)])
    assert (few, many) == (SOONEST, LATEST)
    keyed = Living(living.database, replace(living.settings, openmeteo_api_key="k"), server.clock)
    assert keyed.desk.pace([replace(places[0], latitude=0.3 * i) for i in range(200)]) == SOONEST


# --- what is kept ---------------------------------------------------------------------------------------------------


def same(one: Sources, other: Sources) -> bool:
    """Whether two weathers have the same hours in the mating windows of all days."""
    for name in ("observed", "run", "members", "past"):
        a, b = getattr(one, name), getattr(other, name)
        if (a is None) != (b is None):
            return False
        if a is None:
            continue
        a, b = a.window_only, b.window_only
        if not np.array_equal(a.days, b.days) or a.issued != b.issued:
            return False
        inside = a.share > 0.0
        for values in ("temp_c", "wind_ms", "rain_mm", "ghi_wm2"):
            x, y = getattr(a, values), getattr(b, values)
            if (x is None) != (y is None) or (
                x is not None and not np.array_equal(x[:, inside], y[:, inside], equal_nan=True)
            ):
                return False
    return True


def test_another_process_reads_the_same_weather_and_gives_the_same_outlook(
    living: Living, server: LoopbackServer
) -> None:
    site_id, batch = living.add()
    living.refresh()
    outlook = living.keeper.outlook(batch)
    shutil.rmtree(living.settings.store_folder)  # type: ignore[arg-type]  # the register has all that is needed
    other = living.again()

    assert other.keeper.outlook(batch).id == outlook.id
    assert same(held(other, site_id).sources, held(living, site_id).sources)
    assert held(other, site_id).attempts == held(living, site_id).attempts
    living.register.add("check", {"batch_id": batch, "day": "2026-05-31", "saw": "virgin"}, ME)
    assert odds(other, batch) == odds(living, batch)
    assert len(living.keeper.issued(batch)) == 2


def test_a_process_notices_what_another_has_refreshed(living: Living, server: LoopbackServer) -> None:
    site_id, batch = living.add()
    living.refresh()
    other = living.again()
    before = other.keeper.outlook(batch)
    server.scenario = WET
    later(server, hours=4)
    living.refresh()

    assert other.keeper.outlook(batch).id == living.keeper.outlook(batch).id != before.id
    assert held(other, site_id).stamp == held(living, site_id).stamp
    assert len(living.keeper.issued(batch)) == 2


def test_past_years_are_read_once_and_the_odds_stay_what_a_whole_pull_gives(
    living: Living, server: LoopbackServer, settings: Settings, tmp_path: Path, new_file: sa.URL,
    opened: Callable[..., Database],
) -> None:  # fmt: skip
    """After a refresh with kept years the odds are those of a register that reads all years, to the last digit."""
    site_id, batch = living.add()
    living.refresh()
    later(server, hours=30)
    living.refresh()
    assert {*FORECASTS, "open-meteo-archive"} <= set(asked(server))
    assert [e.request.text("start_date") for e in server.calls("open-meteo-archive")] == ["2026-01-01"]

    shutil.copytree(tmp_path / "store", tmp_path / "same")
    fresh = Living(opened(new_file), replace(settings, store_folder=tmp_path / "same"), server.clock)
    new_site, new_batch = fresh.add()
    fresh.refresh()
    assert odds(living, batch) == odds(fresh, new_batch)
    assert odds(living, batch)["past_years"] == YEARS
    assert same(held(living, site_id).sources, held(fresh, new_site).sources)
    assert same(held(living.again(), site_id).sources, held(fresh, new_site).sources)


def test_when_a_year_has_become_final_it_is_kept_too(
    living: Living, server: LoopbackServer, settings: Settings, tmp_path: Path, new_file: sa.URL,
    opened: Callable[..., Database],
) -> None:  # fmt: skip
    """From June 2026 to February 2028: two more years are kept, without asking for the older ones again."""
    site_id, _ = living.add()
    living.refresh()
    assert [r["before"] for r in rows(living.database, tables.site_past)] == ["2025-01-03"]
    later(server, days=620)
    living.refresh()
    assert {e.request.text("start_date")[:4] for e in server.calls("open-meteo-archive")} == {"2026", "2027", "2028"}
    assert [r["before"] for r in rows(living.database, tables.site_past)] == ["2027-01-03"]

    shutil.copytree(tmp_path / "store", tmp_path / "same")
    fresh = Living(opened(new_file), replace(settings, store_folder=tmp_path / "same"), server.clock, years=4)
    new_site, _ = fresh.add(grafted_on="2028-01-20")
    fresh.refresh()
    assert same(held(living, site_id).sources, held(fresh, new_site).sources)
    assert same(held(living.again(), site_id).sources, held(fresh.again(), new_site).sources)


@pytest.mark.parametrize("table", [tables.site_weather, tables.site_past], ids=lambda t: t.name)
def test_kept_weather_that_was_damaged_is_read_from_the_store_and_kept_anew_at_the_next_refresh(
    table: sa.Table, living: Living, server: LoopbackServer
) -> None:
    site_id, batch = living.add()
    living.refresh()
    before = odds(living, batch)
    with living.database.write() as connection:
        connection.execute(table.update().values(body=b"not what was written"))
    later(server, seconds=1)
    other = living.again()
    living.register.change("batch", batch, {"notes": "so that it is worked out anew"}, ME)
    assert odds(other, batch) == before
    assert server.calls() == []

    later(server, hours=4)
    other.refresh()
    [row] = rows(living.database, table)
    assert row["body"] != b"not what was written"
    shutil.rmtree(living.settings.store_folder)  # type: ignore[arg-type]  # the register has all of it again
    assert same(held(living.again(), site_id).sources, held(other, site_id).sources)


def test_years_that_the_budget_had_no_room_for_are_asked_for_at_the_next_look_and_kept_when_all_are_there(
    living: Living, server: LoopbackServer
) -> None:
    _, batch = living.add()
    server.faults.on("unavailable", "open-meteo-archive")
    living.refresh()
    assert rows(living.database, tables.site_past) == []
    assert body(living.keeper.outlook(batch))["past_years"] == 0
    server.faults.off("unavailable", "open-meteo-archive")
    later(server, minutes=70)
    living.refresh()
    assert len(rows(living.database, tables.site_past)) == 1
    assert body(living.keeper.outlook(batch))["past_years"] == 2


def test_a_site_that_was_moved_has_no_weather_until_it_was_fetched_for_the_new_place(
    living: Living, server: LoopbackServer
) -> None:
    site_id, batch = living.add()
    living.refresh()
    later(server, minutes=1)
    living.register.change("site", site_id, {"latitude": 50.9, "elevation_m": 20.0}, ME)
    with pytest.raises(SourceError, match="holds nothing of this site yet"):
        living.keeper.outlook(batch)
    server.clock.advance(timedelta(seconds=1))
    assert living.refresh() == 1
    assert "open-meteo-archive" in asked(server)
    assert body(living.keeper.outlook(batch))["site"]["latitude"] == 50.9


def test_other_thresholds_give_other_odds_from_the_same_weather_at_once(living: Living, server: LoopbackServer) -> None:
    site_id, batch = living.add()
    living.refresh()
    before = odds(living, batch)
    later(server, minutes=1)
    living.register.change("site", site_id, {"thresholds": {"temp_midpoint_c": 21.5}}, ME)
    after = odds(living, batch)
    assert server.calls() == []
    assert after["fates"]["well_mated"] < before["fates"]["well_mated"]
    assert odds(living.again(), batch) == after


def test_a_new_run_gives_a_new_outlook_and_the_same_run_none(living: Living, server: LoopbackServer) -> None:
    """Between 06:00 and 06:50 no run has come; four hours later one has."""
    site_id, batch = living.add()
    living.refresh()
    first = living.keeper.outlook(batch)
    later(server, minutes=50)
    living.desk.refresh(site_id, site(living, site_id))
    assert living.keeper.outlook(batch).id == first.id
    later(server, hours=4)
    living.refresh()
    assert living.keeper.outlook(batch).id != first.id


def test_a_deleted_sites_weather_is_dropped(living: Living, server: LoopbackServer) -> None:
    site_id, batch = living.add()
    living.refresh()
    living.register.delete("batch", batch, ME)
    living.register.delete("site", site_id, ME)
    Tidying(living.database, living.jobs, server.clock.now, living.settings)()
    assert rows(living.database, tables.site_weather) == rows(living.database, tables.site_past) == []


def test_a_batch_of_an_earlier_season_is_looked_up_in_the_record(living: Living, server: LoopbackServer) -> None:
    """Records of past years may be imported: their odds rest on the weather that there was."""
    _, batch = living.add(grafted_on="2025-05-09", name="Last year")
    living.refresh()
    found = body(living.keeper.outlook(batch))
    assert found["shares"]["observed"] == pytest.approx(1.0)
    assert datetime.fromisoformat(found["issued_at"]) == server.clock.now()


def test_forecasts_that_the_store_kept_are_there_for_looking_back_with_the_rain_of_all_hours(
    living: Living, server: LoopbackServer
) -> None:
    """The rain of every hour of the day shows how coarse rain of a forecast falls into hours."""
    site_id, _ = living.add()
    living.refresh()
    later(server, hours=13)
    living.refresh()
    other = living.again()
    found = other.desk.past_runs(site_id, held(other, site_id))
    ensembles = [run.known_from for run in found.runs.runs if run.kind == "ensemble"]
    assert ensembles == [NOW, NOW + timedelta(hours=13)]
    run = found.runs.at(NOW + timedelta(hours=14))
    assert run is not None
    assert run.provenance.kind == "ensemble"

    past = held(other, site_id).sources.past
    assert past is not None
    assert found.rain is not None
    assert found.rain.rain_mm is not None
    assert past.rain_mm is not None
    assert np.isfinite(found.rain.rain_mm).mean() > 0.99
    there, n = slice(past.first_hour, past.first_hour + past.temp_c.shape[-1]), len(found.rain.days)
    assert (found.rain.days == past.days[:n]).all()
    assert past.temp_c.shape[-1] < found.rain.temp_c.shape[-1] == 24
    np.testing.assert_array_equal(found.rain.rain_mm[..., there], past.rain_mm[:, :n])
