"""Jobs, health and weather as others see them over HTTP."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import pytest

from matewindow.demo import NOW
from matewindow.keeping.jobs import NOBODY
from tests.service.made import Client, Clock, edge, service_in

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

    from api.service import Service
    from matewindow.keeping.schedule import Schedule

SITE: dict[str, Any] = {
    "name": "Hollin Bank (invented)",
    "latitude": 53.2,
    "longitude": -1.9,
    "elevation_m": 210.0,
    "timezone": "Europe/London",
}


@pytest.fixture
def service(tmp_path: Path) -> Iterator[Service]:
    """With its own work at hand, none of it begun."""
    made = service_in(tmp_path, Clock(NOW), refresh=True)
    yield made
    made.register.database.close()


@pytest.fixture
def client(service: Service) -> Client:
    from api.app import create_app

    return Client(create_app(service, edge()))


@pytest.fixture
def schedule(service: Service) -> Schedule:
    assert service.schedule is not None
    return service.schedule


def add_site(client: Client) -> str:
    answer = client("POST", "/v1/sites", SITE)
    assert answer.status == 201
    return str(answer.json["id"])


def test_a_job_is_asked_for_watched_and_done(client: Client, schedule: Schedule) -> None:
    site = add_site(client)
    client("POST", "/v1/batches", {"site_id": site, "name": "May", "grafted_on": "2026-05-13"})
    schedule.renew()
    asked = client("POST", "/v1/jobs", {"site_id": site})
    assert (asked.status, asked.json["state"], asked.json["said"]) == (202, "waiting", "")
    assert client("POST", "/v1/jobs", {"site_id": site}).json["id"] == asked.json["id"]
    assert schedule.run_jobs() == 1
    done = client.get(asked["location"]).json
    assert (done["state"], done["said"]) == ("done", "1 outlook issued.")
    assert client.get("/v1/jobs?open_only=true").json["items"] == []
    assert client("POST", f"/v1/jobs/{done['id']}/cancel").slug == "conflict"


def test_a_job_that_nobody_would_run_says_so(client: Client, schedule: Schedule) -> None:
    site = add_site(client)
    job = client("POST", "/v1/jobs", {"site_id": site}).json
    assert job["said"] == NOBODY
    assert client("POST", f"/v1/jobs/{job['id']}/cancel").json["state"] == "cancelled"
    assert schedule.run_jobs() == 0


def test_a_job_for_a_site_that_is_not_there_is_a_problem(client: Client) -> None:
    answer = client("POST", "/v1/jobs", {"site_id": "site_0123456789abcdef"})
    assert (answer.status, answer.slug) == (404, "not-found")


def test_health_follows_the_refreshes(client: Client, schedule: Schedule) -> None:
    add_site(client)
    before = client.get("/v1/health").json
    schedule.renew()
    schedule.refresh_due()
    after = client.get("/v1/health").json
    keys = ("status", "refresh", "sites", "sites_without_weather", "sites_in_trouble", "troubles")
    assert [before[k] for k in keys] == ["ok", "off", 1, 1, 0, []]
    assert [after[k] for k in keys] == ["ok", "running", 1, 0, 0, []]
    assert after["last_refresh_at"] == "2026-06-01T06:00:00Z"


def test_the_service_works_by_itself_from_its_start_to_its_end(client: Client, service: Service) -> None:
    """Its life as the server drives it: begun and ended with the application."""
    import asyncio

    from api.app import create_api

    site = add_site(client)
    batch = client("POST", "/v1/batches", {"site_id": site, "name": "May", "grafted_on": "2026-05-13"}).json["id"]
    api = create_api(service)
    assert service.schedule is not None

    async def live() -> None:
        async with api.router.lifespan_context(api):
            while not service.keeper.issued(batch):
                await asyncio.sleep(0.01)

    asyncio.run(asyncio.wait_for(live(), 30.0))
    assert client.get("/v1/health").json["refresh"] == "off"
    assert len(service.keeper.issued(batch)) == 1
