"""Health, readiness, warnings, weather, parameters, figures, calendars and the map over HTTP."""

from __future__ import annotations

import json
from datetime import UTC, datetime, timedelta
from typing import TYPE_CHECKING, Any

import pytest
from ical.calendar_stream import IcsCalendarStream
from icalendar import Calendar
from prometheus_client.openmetrics.parser import text_string_to_metric_families as openmetrics
from prometheus_client.parser import text_string_to_metric_families as prometheus

from matewindow import __version__
from matewindow.errors import UnavailableError
from matewindow.keeping.refresh import Refresher
from tests.service.made import GRAFTED, SITE, Client, Clock, app_of, service_in

if TYPE_CHECKING:
    from pathlib import Path

    from api.service import Service


class House:
    """A service with the demo's site and batch."""

    def __init__(self, folder: Path) -> None:
        self.clock = Clock()
        self.service: Service = service_in(folder, self.clock, open_door=True)
        self.client = Client(app_of(self.service))
        self.site, self.batch = self.client.demo()


@pytest.fixture(scope="module")
def house(tmp_path_factory: pytest.TempPathFactory) -> House:
    return House(tmp_path_factory.mktemp("service"))


# --- health --------------------------------------------------------------------------------------------------


def test_health_tells_the_ages_and_turns_when_they_grow(tmp_path: Path) -> None:
    house = House(tmp_path)
    before = house.client.get("/v1/health").json
    Refresher(house.service.keeper).refresh(house.site)
    after = house.client.get("/v1/health").json
    house.clock.now += timedelta(hours=25)
    late = house.client.get("/v1/health").json

    assert (before["status"], before["version"], before["storage"], before["refresh"]) == (
        "ok",
        __version__,
        "ok",
        "off",
    )
    assert (before["sites"], before["sites_without_weather"], before["oldest_weather_at"]) == (1, 1, None)
    assert (after["sites_without_weather"], after["oldest_weather_at"]) == (0, "2026-06-01T06:00:00Z")
    assert late["status"] == "degraded"


def test_readiness_needs_no_token_and_tells_nothing_but_yes_or_no(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    service = service_in(tmp_path, open_door=False)
    client = Client(app_of(service))
    ready = client.get("/v1/ready")

    def broken() -> None:
        raise UnavailableError("no register can be opened at /srv/register.sqlite")

    monkeypatch.setattr(service.register.database, "read", broken)
    down = client.get("/v1/ready")

    assert (ready.status, ready.body, ready["cache-control"]) == (200, b'{"status":"ready"}', "no-store")
    assert (down.status, down.slug) == (503, "storage-unavailable")
    assert b"/srv" not in down.body


# --- warnings ------------------------------------------------------------------------------------------------


def test_a_bad_window_is_a_warning_that_can_be_found_and_read(tmp_path: Path) -> None:
    client = Client(app_of(service_in(tmp_path, open_door=True)))
    site = client.add("sites", **SITE, warn_below=0.9)["id"]
    batch = client.add("batches", site_id=site, grafted_on=GRAFTED)["id"]
    assert client.get("/v1/warnings").json == {"items": [], "next_after": None}

    outlook = client.get(f"/v1/batches/{batch}/outlook").json
    found = client.get(f"/v1/warnings?site_id={site}&batch_id={batch}&standing=true").json["items"]

    (warning,) = found
    assert (warning["kind"], warning["cause"], warning["cleared_at"]) == ("raised", "cold", None)
    assert warning["outlook_id"] == outlook["outlook_id"]
    assert warning["data"]["p_now"] == pytest.approx(outlook["p_well_mated"], abs=1e-5)
    assert client.get(f"/v1/warnings/{warning['id']}").json == warning
    assert client.get("/v1/warnings?standing=false").json["items"] == []
    assert client.get("/v1/warnings?site_id=site_0123456789abcdef").json["items"] == []


# --- weather and parameters ----------------------------------------------------------------------------------


def test_the_weather_of_a_site_tells_whom_it_is_from(house: House) -> None:
    answer = house.client.get(f"/v1/sites/{house.site}/weather").json

    assert {s["part"] for s in answer["sources"]} == {"observed", "run", "members", "past"}
    assert {s["licence"] for s in answer["sources"]} == {"Invented weather: no real place, time or climate"}
    assert (answer["trouble"], answer["failures"], answer["site_id"]) == ("", 0, house.site)


def test_the_parameters_are_those_in_use(house: House) -> None:
    answer = house.client.get("/v1/models").json

    assert answer["version"] == answer["model"] == house.service.models.now().version
    named = {p["name"]: p for p in answer["parameters"]}
    assert named["flight.strict_temp_c"]["value"] == house.service.models.now().biology.flight.strict_temp_c
    assert all(p["low"] <= p["value"] <= p["high"] and p["unit"] for p in answer["parameters"])


# --- figures -------------------------------------------------------------------------------------------------


def figures(answer: Any, parse: Any = prometheus) -> dict[tuple[str, ...], float]:
    return {
        (s.name, *(v for _, v in sorted(s.labels.items()))): s.value
        for family in parse(answer.body.decode())
        for s in family.samples
    }


def test_requests_are_counted_by_the_template_of_their_route(tmp_path: Path) -> None:
    house = House(tmp_path)
    path = f"/v1/batches/{house.batch}/outlook"
    for _ in range(5):  # the last ones are given again without waking the framework, and count too
        house.client.get(path)
    house.client.get("/v1/feeds/mw_f" + "x" * 49 + "/calendar.ics")
    house.client.get("/v1/made-up")
    house.client.get("/v1/openapi.json")
    answer = house.client.get("/v1/metrics")

    found = figures(answer)
    total = "matewindow_http_requests_total"
    assert found[total, "GET", "/v1/batches/{batch_id}/outlook", "2xx"] == 5
    assert found[total, "GET", "/v1/feeds/{secret}/calendar.ics", "4xx"] == 1
    assert found[total, "GET", "other", "4xx"] == 1
    assert found[total, "GET", "/v1/openapi.json", "2xx"] == 1
    assert found[total, "POST", "/v1/sites", "2xx"] == 1
    assert found["matewindow_http_request_duration_seconds_count", "/v1/batches/{batch_id}/outlook"] == 5
    assert b"mw_f" not in answer.body
    assert b"made-up" not in answer.body


def test_figures_come_in_either_text_format_and_name_batches_only_when_asked(house: House) -> None:
    house.client.get(f"/v1/batches/{house.batch}/outlook")
    plain = house.client.get("/v1/metrics")
    newer = house.client.get("/v1/metrics?batches=true", accept="application/openmetrics-text; version=1.0.0")

    assert plain["content-type"].startswith("text/plain")
    assert newer["content-type"].startswith("application/openmetrics-text")
    assert house.batch.encode() not in plain.body
    outlook = house.client.get(f"/v1/batches/{house.batch}/outlook").json
    seen, mine = figures(newer, openmetrics), (house.batch, house.site)
    assert seen["matewindow_batch_well_mated_ratio", *mine] == outlook["p_well_mated"]
    prime_s = outlook["prime_flight_hours"]["mean"] * 3600.0
    assert seen["matewindow_batch_prime_flight_seconds", *mine] == pytest.approx(prime_s, abs=2.0)
    today_s = next(day["effective_hours"] for day in outlook["days"] if day["date"] == "2026-06-01") * 3600.0
    assert seen["matewindow_batch_flight_today_seconds", *mine] == pytest.approx(today_s, abs=2.0)
    made = datetime.fromtimestamp(seen["matewindow_forecast_made_timestamp_seconds", house.site], UTC)
    assert timedelta() <= house.clock.now - made < timedelta(days=1)
    assert figures(plain)["matewindow_batches_open", house.site] == 1


def test_a_feed_of_one_site_has_the_figures_of_that_site_alone(tmp_path: Path) -> None:
    house = House(tmp_path)
    other = house.client.add("sites", **(SITE | {"name": "Other"}))["id"]
    feed = house.client("POST", "/v1/feeds", {"name": "Board", "kind": "metrics", "site_id": other}).json
    whole = house.client("POST", "/v1/feeds", {"name": "Board", "kind": "metrics"}).json

    one, all_ = house.client.get(feed["path"] + "?batches=true"), house.client.get(whole["path"])

    assert other.encode() in one.body
    assert house.site.encode() not in one.body
    assert house.batch.encode() not in one.body
    assert b"matewindow_http_requests" not in one.body  # those are of the whole service
    assert {house.site.encode() in all_.body, b"matewindow_http_requests" in all_.body} == {True}
    assert one["cache-control"] == "no-store"


# --- calendars -----------------------------------------------------------------------------------------------


def events(calendar: bytes) -> dict[str, Any]:
    return {str(event["UID"]): event for event in Calendar.from_ical(calendar.decode()).walk("VEVENT")}


def test_the_calendar_reads_the_same_with_two_libraries_and_moves_with_the_odds(tmp_path: Path) -> None:
    house = House(tmp_path)
    first = house.client.get("/v1/calendar.ics")
    mine = events(first.body)
    theirs = IcsCalendarStream.calendar_from_ics(first.body.decode())
    house.clock.now += timedelta(minutes=1)
    house.client("PATCH", f"/v1/batches/{house.batch}", {"emerged_on": "2026-05-26"}, headers={"If-Match": "*"})
    later = events(house.client.get("/v1/calendar.ics").body)

    assert first["content-type"] == "text/calendar; charset=utf-8"
    assert {e.uid for e in theirs.events} == set(mine)
    assert {e.summary for e in theirs.events} == {str(e["SUMMARY"]) for e in mine.values()}
    assert set(mine) <= set(later)
    assert any(later[uid]["SEQUENCE"] > event["SEQUENCE"] for uid, event in mine.items())
    assert house.client.get("/v1/calendar.ics", if_none_match=first["etag"]).status == 200


def test_a_calendar_can_be_had_by_token_or_by_feed_token_and_for_one_site(house: House) -> None:
    whole = house.client.get("/v1/calendar.ics")
    one = house.client.get(f"/v1/calendar.ics?site_id={house.site}")
    feed = house.client("POST", "/v1/feeds", {"name": "Phone", "kind": "calendar"}).json
    stranger = Client(house.client.app, client="192.0.2.7")

    assert b"X-WR-CALNAME" in one.body
    assert house.client.get("/v1/calendar.ics", if_none_match=whole["etag"]).status == 304
    fed = stranger.get(feed["path"])
    assert (fed.status, fed.body) == (200, whole.body)
    assert fed["cache-control"] == "no-store"
    assert feed["url"] == f"http://localhost:8377{feed['path']}"
    assert house.client.get("/v1/calendar.ics?site_id=site_0123456789abcdef").slug == "not-found"


# --- the map -------------------------------------------------------------------------------------------------


def test_sites_come_as_geojson_with_longitude_first(tmp_path: Path) -> None:
    client = Client(app_of(service_in(tmp_path, open_door=True)))
    site = client.add("sites", **SITE)
    gone = client.add("sites", **SITE)
    client("DELETE", f"/v1/sites/{gone['id']}", headers={"If-Match": '"1"'})

    answer = client.get("/v1/sites.geojson")

    assert answer["content-type"] == "application/geo+json"
    own = {k: v for k, v in site.items() if k not in {"id", "latitude", "longitude", "deleted_at"}}
    feature = {
        "type": "Feature",
        "id": site["id"],
        "geometry": {"type": "Point", "coordinates": [-1.9, 53.2]},
        "properties": own,
    }
    assert answer.json == {"type": "FeatureCollection", "features": [feature], "next_after": None}
    assert client.get("/v1/sites.geojson", if_none_match=answer["etag"]).status == 304
    json.dumps(answer.json, allow_nan=False)


def test_a_map_of_many_sites_comes_in_pages(tmp_path: Path) -> None:
    client = Client(app_of(service_in(tmp_path, open_door=True)))
    sites = sorted(client.add("sites", **SITE)["id"] for _ in range(3))

    first = client.get("/v1/sites.geojson?limit=2").json
    rest = client.get(f"/v1/sites.geojson?limit=2&after={first['next_after']}").json

    assert [f["id"] for f in first["features"] + rest["features"]] == sites
    assert rest["next_after"] is None
