"""The service answers the same on PostgreSQL, where several processes share a register."""

from __future__ import annotations

import asyncio
from typing import TYPE_CHECKING, Any

import pytest

from tests.register.postgres import MISSING, THERE, serving
from tests.service.made import (
    BOUNDS,
    GRAFTED,
    SITE,
    Client,
    app_of,
    close_all,
    keep_record,
    service_at,
    service_in,
)

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

pytestmark = pytest.mark.skipif(not THERE, reason=MISSING)


@pytest.fixture(scope="module")
def url() -> Iterator[str]:
    with serving(durable=False) as server:
        yield server.new().render_as_string(hide_password=False).replace("+psycopg", "")
        close_all()  # before the server goes


def client_of(url: str, **options: Any) -> Client:
    """A client of a process of its own, as far as the register can tell."""
    return Client(app_of(service_at(url, **options)))


def test_two_services_on_one_postgresql_and_one_on_sqlite_say_the_same(url: str, tmp_path: Path) -> None:
    one, two = client_of(url), client_of(url)
    alone = Client(app_of(service_in(tmp_path, open_door=True)))
    said = []
    for first, second in ((one, two), (alone, alone)):
        site, batch = first.demo()
        outlook = second.get(f"/v1/batches/{batch}/outlook")
        assert first.get(f"/v1/batches/{batch}/outlook").body == outlook.body
        second.add("checks", batch_id=batch, day="2026-05-31", saw="virgin")
        after = first.get(f"/v1/batches/{batch}/outlook").json
        feed = first("POST", "/v1/feeds", {"name": "Phone", "kind": "calendar", "site_id": site}).json
        ours = {"outlook_id", "batch_id", "site_id"}
        said.append(
            [{name: value for name, value in body.items() if name not in ours} for body in (outlook.json, after)]
        )
        assert second.get(feed["path"]).status == 200
        assert second.get(f"/v1/batches?site_id={site}&grafted_from={GRAFTED}").json["items"][0]["id"] == batch
        refused = second("PATCH", f"/v1/batches/{batch}", {"notes": "x"}, headers={"If-Match": '"9"'})
        assert refused.slug == "precondition-failed"
    assert said[0] == said[1]


def test_a_key_sent_to_two_services_at_once_makes_one_record(url: str) -> None:
    clients = [client_of(url), client_of(url)]

    async def all_at_once() -> list[Any]:
        key = {"Idempotency-Key": '"hasty-key"'}
        return await asyncio.gather(*(clients[n % 2].send("POST", "/v1/sites", SITE, headers=key) for n in range(12)))

    answers = asyncio.run(all_at_once())

    assert {a.status for a in answers} == {201}
    assert len({a.body for a in answers}) == 1


def test_a_token_revoked_in_one_service_is_worthless_in_the_other(url: str) -> None:
    owner = client_of(url)
    made = owner("POST", "/v1/tokens", {"name": "Phone", "scope": "read"})
    phone = Client(client_of(url, open_door=False).app, made.json["token"])
    for _ in range(3):
        assert phone.get("/v1/warnings").status == 200

    owner("POST", f"{made['location']}/revoke")
    assert phone.get("/v1/warnings").status == 401


def test_text_that_postgresql_cannot_keep_is_refused_before_it_gets_there(url: str) -> None:
    client = client_of(url)

    assert client("POST", "/v1/sites", raw=b'{"name": "a\\u0000b"}').slug == "unusable-json"
    assert client("POST", "/v1/sites", SITE | {"name": "a\x01b"}).slug == "invalid-request"
    assert client.get("/v1/sites?after=site_%00").status == 422
    assert client("POST", "/v1/sites", SITE, headers={"Idempotency-Key": "k\x7f"}).status == 422


def test_a_record_kept_by_one_service_is_read_in_the_other(url: str, tmp_path: Path) -> None:
    shown, stored = service_at(url), service_at(url)
    said = []
    for reader, writer in ((shown, stored), (alone := service_in(tmp_path), alone)):
        client = Client(app_of(reader))
        site = client.add("sites", **SITE)["id"]
        keep_record(writer, site)
        job = client("POST", "/v1/jobs", {"kind": "hindcast", "site_id": site, "bounds": BOUNDS}).json
        assert writer.jobs.get(job["id"])["asked"] == BOUNDS
        assert client("POST", "/v1/jobs", {"kind": "hindcast", "site_id": site, "bounds": BOUNDS}).json == job
        found = client.get(f"/v1/sites/{site}/record").json
        said.append({name: value for name, value in found.items() if name != "site_id"})
        assert client.get(f"/v1/sites/{site}/record.html").status == 200
    assert said[0] == said[1]
