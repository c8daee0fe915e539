"""Odds over HTTP: what the library and the command line say, to the last digit, and at once after a change."""

from __future__ import annotations

import asyncio
import json
import threading
from dataclasses import replace
from datetime import timedelta
from pathlib import Path
from typing import Any

import pytest
from typer.testing import CliRunner

from api.edge.problems import Problem
from api.gate import Gate
from api.routes import outlooks
from api.service import Service
from matewindow.cli import app as command_line
from matewindow.demo import NOW
from matewindow.errors import SourceError
from matewindow.graft import graft_decision
from matewindow.units import c_to_fahrenheit, m_to_feet, mm_to_inches, ms_to_mph
from tests.service.made import GRAFTED, SITE, Client, Clock, app_of, service_in

SAMPLE = Path(__file__).resolve().parent.parent.parent / "sample_weather"


@pytest.fixture(scope="module")
def service(tmp_path_factory: pytest.TempPathFactory) -> Service:
    return service_in(tmp_path_factory.mktemp("service"), open_door=True)


@pytest.fixture(scope="module")
def client(service: Service) -> Client:
    return Client(app_of(service))


@pytest.fixture(scope="module")
def site(client: Client) -> str:
    """The demo's site."""
    site_id: str = client.add("sites", **SITE)["id"]
    return site_id


def batch_at(client: Client, site: str, **fields: Any) -> str:
    batch_id: str = client.add("batches", **({"site_id": site, "grafted_on": GRAFTED} | fields))["id"]
    return batch_id


def printed(*command: str) -> dict[str, Any]:
    """What a command prints as JSON."""
    first, *rest = command
    given = [first, "--site", str(SAMPLE / "site.toml"), "--weather", str(SAMPLE), "--now", NOW.isoformat(), *rest]
    result = CliRunner().invoke(command_line, [*given, "--json"])
    assert result.exit_code == 0, result.output
    report: dict[str, Any] = json.loads(result.output)
    report.pop("picture", None)
    for source in report["sources"]:
        source["file"] = Path(source["file"]).name  # the service tells nobody in which folder its weather lies
    return report


# --- the same numbers ----------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("path", "command"),
    [
        (
            "graft-days?from=2026-06-02&days=3&grafts=12&nuc=few-frames&by=2026-07-05&day_off=2026-06-03",
            "graft --from 2026-06-02 --days 3 --grafts 12 --nuc few-frames --by 2026-07-05 --day-off 2026-06-03",
        ),
        (
            "graft-days?from=2026-06-02&weekday_off=sunday&builder_free_from=2026-06-03&nucs_free_from=2026-06-10",
            "graft --from 2026-06-02 --day-off sunday --builder-free-from 2026-06-03 --nucs-free-from 2026-06-10",
        ),
        (
            "window?graft=2026-05-15&emerged=2026-05-27&check=2026-05-31:virgin",
            "window --graft 2026-05-15 --emerged 2026-05-27 --check 2026-05-31:virgin",
        ),
        ("hours?from=2026-05-31&days=3", "hours --from 2026-05-31 --days 3"),
        ("hours", "hours"),
    ],
)
def test_the_service_and_the_command_line_give_the_same_numbers_to_the_last_digit(
    client: Client, site: str, path: str, command: str
) -> None:
    answer = client.get(f"/v1/sites/{site}/{path}")

    assert answer.status == 200
    assert answer.json == printed(*command.split())


def test_a_batch_on_record_has_the_outlook_of_the_command(client: Client, site: str) -> None:
    batch = batch_at(client, site, name="Demo batch", larva_age_h=20.0, moved_on="2026-05-23", moved_at="09:30")

    answer = client.get(f"/v1/batches/{batch}/outlook").json

    told = printed("window", "--graft", GRAFTED, "--larva-age", "20", "--moved", "2026-05-23T09:30")
    assert {name: answer[name] for name in told} == told
    assert set(answer) - set(told) == {"outlook_id", "batch_id", "site_id", "name", "issued_at", "expected_laying"}
    assert (answer["batch_id"], answer["site_id"], answer["name"]) == (batch, site, "Demo batch")


def test_a_laying_check_of_a_batch_is_that_of_the_command(client: Client, site: str) -> None:
    batch = batch_at(client, site)

    answer = client.get(f"/v1/batches/{batch}/laying-check?nuc=five-frames")

    assert answer.json == printed("laying", "--graft", GRAFTED, "--nuc", "five-frames")


# --- issued and kept -----------------------------------------------------------------------------------------


def test_an_outlook_stands_until_what_it_stands_on_changes_and_is_kept_for_ever(tmp_path: Path) -> None:
    clock = Clock()
    client = Client(app_of(service_in(tmp_path, clock, open_door=True)))
    _, batch = client.demo()
    first, again = (client.get(f"/v1/batches/{batch}/outlook") for _ in range(2))
    clock.now += timedelta(minutes=1)
    client.add("checks", batch_id=batch, day="2026-05-31", saw="virgin")
    second = client.get(f"/v1/batches/{batch}/outlook")

    assert first.body == again.body
    assert first["etag"] == again["etag"] == f'"{first.json["outlook_id"]}"'
    assert second.json["p_well_mated"] != first.json["p_well_mated"]
    issued = client.get(f"/v1/batches/{batch}/outlooks").json["items"]
    assert [i["p_well_mated"] for i in issued] == [first.json["p_well_mated"], second.json["p_well_mated"]]
    kept = client.get(f"/v1/outlooks/{first.json['outlook_id']}")
    assert kept.body == first.body
    assert kept["cache-control"] == "private, max-age=86400"


def test_who_has_the_outlook_that_stands_gets_304(client: Client, site: str) -> None:
    batch = batch_at(client, site)
    path = f"/v1/batches/{batch}/outlook"
    tag, squeezed = client.get(path)["etag"], client.get(path, accept_encoding="gzip")

    assert client.get(path, if_none_match=tag).status == 304
    assert squeezed["etag"] == tag.removesuffix('"') + '-gz"'
    assert client.get(path, if_none_match=squeezed["etag"], accept_encoding="gzip").status == 304
    assert client.get(path, if_none_match=squeezed["etag"]).status == 200
    assert client.get(path, if_match='"another"').status == 412


def test_the_outlook_of_a_deleted_batch_is_gone_and_what_was_issued_stays(client: Client, site: str) -> None:
    batch = batch_at(client, site)
    outlook = client.get(f"/v1/batches/{batch}/outlook").json["outlook_id"]
    client("DELETE", f"/v1/batches/{batch}", headers={"If-Match": '"1"'})

    assert client.get(f"/v1/batches/{batch}/outlook").slug == "not-found"
    assert client.get(f"/v1/batches/{batch}/outlooks").json["items"][0]["id"] == outlook
    assert client.get(f"/v1/outlooks/{outlook}").status == 200


def test_counts_of_a_batch_give_the_queens_to_be_expected(client: Client, site: str) -> None:
    batch = batch_at(client, site, n_grafted=30, n_taken=24)

    answer = client.get(f"/v1/batches/{batch}/outlook").json

    expected = answer["expected_laying"]
    assert (expected["counted"], expected["count"]) == ("taken", 24)
    assert 0 <= expected["p10"] <= expected["mean"] <= expected["p90"] <= 24


def test_a_new_day_brings_a_new_outlook(tmp_path: Path) -> None:
    clock = Clock()
    client = Client(app_of(service_in(tmp_path, clock, open_door=True)))
    _, batch = client.demo()
    first = client.get(f"/v1/batches/{batch}/outlook").json["outlook_id"]
    clock.now += timedelta(hours=1)
    same = client.get(f"/v1/batches/{batch}/outlook").json["outlook_id"]
    clock.now += timedelta(days=1)

    assert first == same != client.get(f"/v1/batches/{batch}/outlook", x_request_id="another-one").json["outlook_id"]


# --- nucs ----------------------------------------------------------------------------------------------------


def test_a_nuc_has_its_own_story(client: Client, site: str) -> None:
    batch = batch_at(client, site)
    plain = client.add("nucs", site_id=site, batch_id=batch, name="Nuc 1")["id"]
    late = client.add("nucs", site_id=site, batch_id=batch, name="Nuc 2", emerged_on="2026-05-26")["id"]
    whole, one, two = (
        client.get(f"/v1/{thing}/outlook").json for thing in (f"batches/{batch}", f"nucs/{plain}", f"nucs/{late}")
    )

    assert one["p_well_mated"] == whole["p_well_mated"]
    assert (one["nuc_id"], one["batch_id"]) == (plain, batch)
    assert two["batch"]["emerged"] == "2026-05-26"
    assert two["p_well_mated"] != one["p_well_mated"]
    client.add("checks", batch_id=batch, nuc_id=plain, day="2026-05-31", saw="nothing")
    assert client.get(f"/v1/nucs/{plain}/outlook").json["p_well_mated"] < one["p_well_mated"]
    assert client.get(f"/v1/nucs/{plain}/laying-check").status == 200


@pytest.mark.parametrize("what", ["outlook", "laying-check"])
def test_a_nuc_without_a_batch_has_no_odds(client: Client, site: str, what: str) -> None:
    nuc = client.add("nucs", site_id=site, name="Empty nuc")["id"]

    answer = client.get(f"/v1/nucs/{nuc}/{what}")

    assert (answer.status, answer.slug) == (404, "not-found")
    assert answer.json["fix"] == "Give it the batch of its cell."


# --- units ---------------------------------------------------------------------------------------------------


def test_hours_come_in_the_units_asked_for_and_each_form_has_its_etag(client: Client, site: str) -> None:
    path = f"/v1/sites/{site}/hours?from=2026-06-01&days=1"
    metric, uk, us = (client.get(f"{path}&units={units}") for units in ("metric", "uk", "us"))
    plain, miles, all_ = ([h for d in a.json["days"] for h in d["hours"]] for a in (metric, uk, us))

    assert len({metric["etag"], uk["etag"], us["etag"]}) == 3
    assert client.get(path).body == metric.body
    for one, two, three in zip(plain, miles, all_, strict=True):
        assert (two["temp_c"], two["wind_mph"], two["rain_mm"]) == (
            one["temp_c"],
            ms_to_mph(one["wind_ms"]),
            one["rain_mm"],
        )
        assert three["temp_f"] == c_to_fahrenheit(one["temp_c"])
        assert three["rain_in"] == mm_to_inches(one["rain_mm"])
        assert "temp_c" not in three
    assert us.json["site"]["elevation_ft"] == m_to_feet(210.0)


def test_there_are_no_other_units(client: Client, site: str) -> None:
    answer = client.get(f"/v1/sites/{site}/hours?units=imperial")

    assert (answer.status, answer.json["errors"][0]["location"]) == (422, ["query", "units"])


# --- what cannot be answered ---------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("path", "slug"),
    [
        ("graft-days", "invalid-request"),
        ("graft-days?from=yesterday", "invalid-request"),
        ("graft-days?from=2026-06-01&days=0", "invalid-request"),
        ("graft-days?from=2026-06-01&days=61", "invalid-request"),
        ("graft-days?from=2026-06-01&grafts=0", "invalid-request"),
        ("graft-days?from=2026-06-01&grafts=100001", "invalid-request"),
        ("graft-days?from=2026-06-01&nuc=huge", "invalid-request"),
        ("graft-days?from=2026-06-01&weekday_off=Sunday", "invalid-request"),
        ("graft-days?from=2026-06-01&weekday_off=someday", "invalid-request"),
        ("graft-days?from=2026-06-01&" + "&".join(["day_off=2026-06-07"] * 61), "invalid-request"),
        ("graft-days?from=1949-12-31", "invalid-request"),
        ("graft-days?from=2200-01-01", "invalid-request"),
        ("graft-days?from=9999-12-31", "invalid-request"),
        ("graft-days?from=2199-12-31&days=60", "cannot-be-answered"),
        ("graft-days?from=2026-06-01&by=0001-01-01", "invalid-request"),
        ("window?graft=2026-05-15&check=now:eggs", "invalid-request"),
        ("window?graft=2026-05-15&check=2026-06-02:eggs", "cannot-be-answered"),
        ("window?graft=2026-05-15&check=2026-02-30:eggs", "cannot-be-answered"),
        ("window?graft=2026-05-15&check=2026-05-31:EGGS", "invalid-request"),
        ("window?graft=2026-05-15&emerged=2026-05-16", "cannot-be-answered"),
        ("window?graft=2199-12-31", "cannot-be-answered"),
        ("window?graft=1950-01-01", "cannot-be-answered"),
        ("hours?days=61", "invalid-request"),
        ("hours?from=2199-12-31&days=60", "cannot-be-answered"),
        ("hours?from=1950-01-01", "cannot-be-answered"),
    ],
)
def test_what_cannot_be_answered_is_a_problem_of_the_asker_that_says_what_to_do(
    client: Client, site: str, path: str, slug: str
) -> None:
    answer = client.get(f"/v1/sites/{site}/{path}")

    assert (answer.status, answer.slug) == (422, slug)
    assert answer["content-type"] == "application/problem+json"
    assert answer.json["fix"]


def test_without_weather_there_are_no_odds_and_the_records_go_on(
    service: Service, client: Client, site: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    batch = batch_at(client, site)

    def held(*_: object) -> None:
        raise SourceError("The weather store", "it holds nothing of this site yet")

    monkeypatch.setattr(type(service.desk), "held", held)
    monkeypatch.setattr(type(service.desk), "stamp", lambda *_: None, raising=False)
    fresh = Client(app_of(replace(service)))
    paths = [f"/v1/batches/{batch}/outlook", f"/v1/sites/{site}/hours", f"/v1/sites/{site}/graft-days?from=2026-06-01"]

    for path in paths:
        answer = fresh.get(path)
        assert (answer.status, answer.slug) == (503, "weather-unavailable")
        assert "it holds nothing of this site yet" in answer.json["detail"]
    assert fresh.get(f"/v1/batches/{batch}").status == 200
    assert fresh.get(f"/v1/sites/{site}/weather").json["trouble"]
    assert fresh.get("/v1/calendar.ics").status == 200


# --- many at once --------------------------------------------------------------------------------------------


def test_of_many_that_take_long_a_few_are_worked_out_and_the_rest_is_told_to_come_again(
    client: Client, site: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    at_once, most = [0], [0]
    release = threading.Event()
    whole = graft_decision

    def slow(*args: Any, **options: Any) -> Any:
        at_once[0] += 1
        most[0] = max(most[0], at_once[0])
        release.wait(20)
        at_once[0] -= 1
        return whole(*args, **options)

    monkeypatch.setattr(outlooks, "gate", Gate(2, waiting=3))
    monkeypatch.setattr(outlooks, "graft_decision", slow)

    async def flood() -> list[Any]:
        path = f"/v1/sites/{site}/graft-days?from=2026-06-01&days=1"
        asked = [asyncio.create_task(client.send("GET", path)) for _ in range(30)]
        while sum(task.done() for task in asked) < 25:
            await asyncio.sleep(0.01)
        ready = await client.send("GET", "/v1/ready")
        release.set()
        return [ready, *[await task for task in asked]]

    ready, *answers = asyncio.run(flood())

    assert ready.status == 200  # while two reckon and three wait
    assert most[0] == 2
    statuses = [a.status for a in answers]
    assert (statuses.count(200), statuses.count(503)) == (5, 25)
    assert {(a.slug, a["retry-after"]) for a in answers if a.status == 503} == {("busy", "5")}


def test_who_has_waited_long_enough_is_told_so() -> None:
    gate = Gate(1, waiting=1, patience_s=0.01)
    with gate.open(), pytest.raises(Problem) as told, gate.open():
        pass

    assert (told.value.slug, told.value.headers["Retry-After"]) == ("busy", "5")
    with gate.open():  # nothing is left behind
        pass
