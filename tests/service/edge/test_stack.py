"""All pieces together around an application, through a real server."""

from __future__ import annotations

import io
import json
import logging
from typing import TYPE_CHECKING

import pytest
import structlog
from fastapi import FastAPI, Request, Response
from pydantic import BaseModel

from api.edge import logs
from api.edge.conditional import Prepared, both_tags, require_match
from api.edge.handlers import install
from api.edge.problems import problem_page
from api.edge.rates import Buckets
from api.edge.stack import Edge, guard
from tests.service.edge.asgi import call
from tests.service.edge.running import Wire, running

if TYPE_CHECKING:
    from collections.abc import Iterator

pytestmark = pytest.mark.allow_hosts(["127.0.0.1"])


class Nuc(BaseModel):
    """A body."""

    name: str


def service() -> FastAPI:
    """A small application."""
    app = FastAPI()
    install(app)
    app.add_route("/problems/{slug}", problem_page)

    @app.patch("/v1/nucs/{nuc_id}")
    async def change(nuc_id: str, nuc: Nuc, request: Request) -> Response:
        require_match(request.scope, both_tags("7"))
        return Prepared(json.dumps({"id": nuc_id, "name": nuc.name}).encode(), tag="8").response(request.scope)

    @app.get("/v1/private")
    async def private(request: Request) -> Response:
        return Response(status_code=200 if request.headers.get("authorization") == "Bearer good" else 401)

    @app.get("/v1/fault")
    async def fault() -> Response:
        raise ZeroDivisionError

    app.router.add_route("/v1/warm", Prepared(b"{" + b" " * 2000 + b"}"), methods=["GET"])  # type: ignore[arg-type]
    return app


@pytest.fixture
def stream() -> Iterator[io.StringIO]:
    """What is logged meanwhile."""
    root = logging.getLogger()
    before, level = root.handlers[:], root.level
    out = io.StringIO()
    logs.configure(stream=out)
    yield out
    root.handlers[:] = before
    root.setLevel(level)
    structlog.reset_defaults()


def test_a_change_goes_through_all_guards_and_its_answer_has_all_fields(stream: io.StringIO) -> None:
    body = b'{"name": "N 7"}'
    with running(guard(service(), Edge())) as port, Wire(port) as wire:
        wire.write(
            b'PATCH /v1/nucs/n7 HTTP/1.1\r\nHost: localhost\r\nContent-Type: application/json\r\nIf-Match: "7"\r\n'
            b"X-Request-Id: request-1\r\nContent-Length: %d\r\n\r\n%b" % (len(body), body)
        )
        status, fields, answered = wire.answer()

    assert (status, json.loads(answered)) == (200, {"id": "n7", "name": "N 7"})
    assert fields["etag"] == '"8"'
    assert fields["x-request-id"] == "request-1"
    assert fields["x-content-type-options"] == "nosniff"
    assert fields["cache-control"] == "private, no-cache"
    logged = [json.loads(text) for text in stream.getvalue().splitlines()]
    (line,) = [line for line in logged if line["event"] == "request"]
    assert (line["request_id"], line["route"], line["status"]) == ("request-1", "/v1/nucs/{nuc_id}", 200)


@pytest.mark.parametrize(
    ("request_", "status", "slug"),
    [
        (b"GET /v1/none HTTP/1.1\r\nHost: localhost\r\n\r\n", 404, "not-found"),
        (b"PUT /v1/warm HTTP/1.1\r\nHost: localhost\r\n\r\n", 405, "method-not-allowed"),
        (b"GET /v1/warm HTTP/1.1\r\nHost: evil.example\r\n\r\n", 421, "misdirected-request"),
        (b"GET /v1/warm HTTP/1.1\r\n\r\n", 400, "malformed-request"),
        (b"GET /v1/warm HTTP/1.1\r\nHost: localhost\r\nAccept-Encoding: *;q=0\r\n\r\n", 406, "not-acceptable"),
        (b"GET /v1/fault HTTP/1.1\r\nHost: localhost\r\n\r\n", 500, "internal-error"),
        (b"DELETE /v1/nucs/7 HTTP/1.1\r\nHost: localhost\r\nOrigin: null\r\n\r\n", 403, "cross-site-refused"),
        (b"PATCH /v1/nucs/7 HTTP/1.1\r\nHost: localhost\r\nContent-Length: 2\r\n\r\n{}", 415, "unsupported-media-type"),
        (b"PATCH /v1/nucs/7 HTTP/1.1\r\nHost: localhost\r\nContent-Type: application/json\r\nContent-Length: 3\r\n\r\nNaN",
         400, "malformed-json"),
        (b"PATCH /v1/nucs/7 HTTP/1.1\r\nHost: localhost\r\nContent-Type: application/json\r\nContent-Length: 2\r\n\r\n{}",
         422, "invalid-request"),
        (b'PATCH /v1/nucs/7 HTTP/1.1\r\nHost: localhost\r\nContent-Type: application/json\r\nContent-Length: 12\r\n\r\n{"name": "a"}'[:-1] + b"}",
         400, "malformed-json"),
        (b'PATCH /v1/nucs/7 HTTP/1.1\r\nHost: localhost\r\nContent-Type: application/json\r\nContent-Length: 13\r\n\r\n{"name": "a"}',
         428, "precondition-required"),
    ],
)  # fmt: skip
def test_every_refusal_is_a_problem_with_an_id_security_fields_and_a_page(
    request_: bytes, status: int, slug: str, stream: io.StringIO
) -> None:
    app = guard(service(), Edge())
    with running(app) as port, Wire(port) as wire:
        wire.write(request_)
        got, fields, body = wire.answer()
    problem = json.loads(body)

    assert (got, problem["status"]) == (status, status)
    assert problem["type"].endswith(f"/problems/{slug}")
    assert problem["type"].startswith("http://")
    assert fields["content-type"] == "application/problem+json"
    assert fields["x-request-id"] == problem["request_id"]
    assert fields["x-content-type-options"] == "nosniff"
    assert fields["content-security-policy"].startswith("default-src 'none'")
    assert fields["cache-control"] == "no-store"
    assert call(app, f"/problems/{slug}").status == 200
    logged = [json.loads(line) for line in stream.getvalue().splitlines()]
    assert problem["request_id"] in {line.get("request_id") for line in logged}


def test_head_is_answered_wherever_get_is() -> None:
    app = guard(service(), Edge(access_log=False))
    get, head = call(app, "/v1/warm"), call(app, "/v1/warm", method="HEAD")

    assert (head.status, head.body) == (200, b"")
    assert {n: v for n, v in head.fields if n != "x-request-id"} == {n: v for n, v in get.fields if n != "x-request-id"}


def test_guessing_is_stopped_and_requests_are_limited() -> None:
    app = guard(service(), Edge(access_log=False, failures=Buckets(1, 2), requests=Buckets(1, 5)))
    bad = [call(app, "/v1/private", headers={"Authorization": f"Bearer {n}"}).status for n in range(4)]
    free = [call(app, "/v1/warm").status for _ in range(4)]

    assert bad == [401, 401, 429, 429]
    assert free == [200, 200, 200, 429]


def test_other_origins_are_let_in_only_when_named() -> None:
    other = {"Origin": "https://other.example"}
    closed = guard(service(), Edge(access_log=False))
    opened = guard(service(), Edge(access_log=False, origins=("https://other.example",)))

    assert call(closed, "/v1/warm", headers=other)["access-control-allow-origin"] == ""
    assert call(opened, "/v1/warm", headers=other)["access-control-allow-origin"] == "https://other.example"
    asking = {**other, "Access-Control-Request-Method": "PATCH"}
    assert call(closed, "/v1/nucs/7", method="OPTIONS", headers=asking)["access-control-allow-methods"] == ""
    assert "PATCH" in call(opened, "/v1/nucs/7", method="OPTIONS", headers=asking)["access-control-allow-methods"]
    assert call(closed, "/v1/nucs/7", method="PATCH", headers=other).slug == "cross-site-refused"
    assert call(opened, "/v1/nucs/7", method="PATCH", headers=other).slug == "invalid-request"


def test_behind_a_named_proxy_types_and_origins_are_those_that_the_caller_sees() -> None:
    edge = Edge(access_log=False, hosts=("bees.example",), proxies=("192.0.2.10",))
    told = {"X-Forwarded-Host": "bees.example", "X-Forwarded-Proto": "https", "Host": "10.0.0.5:8377"}
    app = guard(service(), edge)

    assert call(app, "/none", headers=told).json["type"] == "https://bees.example/problems/not-found"
    assert call(app, "/none", headers=told, client=("192.0.2.99", 1)).slug == "misdirected-request"
    assert call(app, "/none", method="POST", headers={**told, "Origin": "https://bees.example"}).status == 404


def test_the_lifespan_of_the_application_runs_through_all_pieces() -> None:
    import asyncio

    seen: list[str] = []

    async def app(scope: object, receive: object, send: object) -> None:
        seen.append(scope["type"])  # type: ignore[index]

    asyncio.run(guard(app, Edge(origins=("https://other.example",)))({"type": "lifespan"}, None, None))  # type: ignore[arg-type]

    assert seen == ["lifespan"]
