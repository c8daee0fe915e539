"""What the service's tests share: a service on the invented weather, called without a network.

All records are invented. The clock stands at the time that the weather was made for.
"""

from __future__ import annotations

import asyncio
import json
from dataclasses import replace
from datetime import timedelta
from functools import cache
from typing import TYPE_CHECKING, Any

from api.app import create_app
from api.edge.rates import Buckets
from api.serve import edge_of, make_service
from matewindow.demo import NOW
from matewindow.keeping import siterecords
from matewindow.settings import Settings

if TYPE_CHECKING:
    from collections.abc import Iterable
    from datetime import datetime
    from pathlib import Path

    from starlette.types import ASGIApp, Message, Scope

    from api.edge.stack import Edge
    from api.service import Service
    from matewindow.keeping.siterecords import MadeRecord
    from matewindow.register.database import Database

SITE: dict[str, Any] = {
    "name": "Hollin Bank (invented)",
    "latitude": 53.2,
    "longitude": -1.9,
    "elevation_m": 210.0,
    "timezone": "Europe/London",
    "exposure": 0.8,
    "drones_mature_from": "2026-05-20",
}
"""The site of the demo, as ``sample_weather/site.toml`` has it."""
GRAFTED = "2026-05-13"
PLENTY = 10**9


class Clock:
    """A clock that stands until it is moved."""

    def __init__(self, now: datetime = NOW) -> None:
        self.now = now

    def __call__(self) -> datetime:
        return self.now


class Ticking(Clock):
    """A clock that goes on by a twentieth of a second whenever it is looked at, so that ids sort by their age."""

    def __call__(self) -> datetime:
        self.now += timedelta(seconds=0.05)
        return self.now


def service_in(folder: Path, clock: Clock | None = None, **options: Any) -> Service:
    """A service with an empty register in a folder, the invented weather and a clock that stands."""
    return service_at(str(folder / "register.sqlite"), clock, **options)


_open: list[Database] = []


def service_at(register: str, clock: Clock | None = None, **options: Any) -> Service:
    """The same on a register of a file or an address; it is closed at the end of the test's module."""
    given: dict[str, Any] = {"demo": True, "clock": clock or Clock()} | options
    made = make_service(Settings.from_environment({}), register=register, **given)
    _open.append(made.register.database)
    return made


def close_all() -> None:
    """Close every register that was opened here."""
    while _open:
        _open.pop().close()


def edge(**changes: Any) -> Edge:
    """The edge as ``serve`` sets it up on loopback, without an access log and with as many requests as one likes."""
    given: dict[str, Any] = {"requests": Buckets(PLENTY, PLENTY), "access_log": False} | changes
    return replace(edge_of("127.0.0.1", None, [], [], []), **given)


BOUNDS = {"first_graft": "06-01", "last_graft": "06-08", "first_season": 2018, "last_season": 2022}
"""A short hindcast: eight grafts in each of five seasons of the sample climate."""


@cache
def short_record() -> MadeRecord:
    """What comes of it, but for the page: its pictures take seconds."""
    from datetime import date

    from api.hindcasting import made
    from matewindow.hindcast.ofsite import Answer as Found
    from matewindow.hindcast.ofsite import question_of
    from matewindow.hindcast.report import told
    from matewindow.hindcast.running import hindcast
    from tests.hindcast.made_seasons import sample

    g = sample()
    q = question_of(
        g.site, g.record, g.biology, first=(6, 1), last=(6, 8), years=(2018, 2022), made_on=date(2026, 6, 1)
    )
    data = told(q.ground, hindcast(q.ground, q.plan, processes=1)).data(q.made_on)
    return made(Found(data, "<!doctype html><title>A page without pictures</title>"))


def keep_record(service: Service, site_id: str) -> None:
    """Put that record into the register, as a job would."""
    with service.register.database.write() as connection:
        siterecords.put(connection, site_id, 1, BOUNDS, short_record(), service.register.now())


class Answer:
    """What the service sent."""

    def __init__(self, status: int, fields: list[tuple[str, str]], body: bytes) -> None:
        self.status, self.fields, self.body = status, fields, body

    def __getitem__(self, name: str) -> str:
        """The header field of this name; empty if it is not there."""
        found = [value for n, value in self.fields if n == name.lower()]
        assert len(found) <= 1, f"{name} is there {len(found)} times"
        return found[0] if found else ""

    @property
    def json(self) -> Any:
        """The body, as JSON by the standard."""
        return json.loads(self.body, parse_constant=lambda constant: 1 / 0)

    @property
    def slug(self) -> str:
        """Kind of problem; empty if this is no problem."""
        return str(self.json["type"]).rpartition("/")[2] if self["content-type"] == "application/problem+json" else ""

    @property
    def pointers(self) -> list[str]:
        """Where the values stand that a problem names."""
        return [error.get("pointer") or ".".join(error["location"]) for error in self.json["errors"]]


class Client:
    """Sends requests to an application in the same process, as a server would hand them over.

    Args:
        app: the application.
        token: sent with every request.
        client: address of the caller.
        headers: sent with every request.
    """

    def __init__(
        self,
        app: ASGIApp,
        token: str | None = None,
        *,
        client: str = "127.0.0.1",
        headers: dict[str, str] | None = None,
    ) -> None:
        self.app, self.address = app, client
        self.headers = {"host": "localhost:8377"} | (headers or {})
        if token is not None:
            self.headers["authorization"] = f"Bearer {token}"

    def __call__(
        self,
        method: str,
        path: str,
        body: Any = None,
        *,
        headers: dict[str, str] | Iterable[tuple[str, str]] = (),
        raw: bytes | None = None,
    ) -> Answer:
        return asyncio.run(self.send(method, path, body, headers=headers, raw=raw))

    async def send(
        self,
        method: str,
        path: str,
        body: Any = None,
        *,
        headers: dict[str, str] | Iterable[tuple[str, str]] = (),
        raw: bytes | None = None,
    ) -> Answer:
        """Send one request; ``body`` goes as JSON, ``raw`` as it is."""
        content = raw if raw is not None else b"" if body is None else json.dumps(body).encode()
        own = dict(self.headers)
        if content:
            own |= {"content-type": "application/json", "content-length": str(len(content))}
        more = list(headers.items() if isinstance(headers, dict) else headers)
        named = {name.lower() for name, _ in more}
        fields = [*((n, v) for n, v in own.items() if n not in named), *((n.lower(), v) for n, v in more)]
        plain, _, query = path.partition("?")
        scope: Scope = {
            "type": "http",
            "asgi": {"version": "3.0"},
            "http_version": "1.1",
            "method": method,
            "path": plain,
            "raw_path": plain.encode(),
            "root_path": "",
            "query_string": query.encode(),
            "scheme": "http",
            "server": ("127.0.0.1", 8377),
            "client": (self.address, 50000),
            "headers": [(n.encode("latin-1"), v.encode("latin-1")) for n, v in fields],
            "state": {},
        }
        sent: list[Message] = []
        given = False

        async def receive() -> Message:
            nonlocal given
            if given:
                return {"type": "http.disconnect"}
            given = True
            return {"type": "http.request", "body": content, "more_body": False}

        async def send(message: Message) -> None:
            sent.append(dict(message))

        await self.app(scope, receive, send)
        start = next(m for m in sent if m["type"] == "http.response.start")
        body_ = b"".join(m.get("body", b"") for m in sent if m["type"] == "http.response.body")
        return Answer(start["status"], [(n.decode("latin-1"), v.decode("latin-1")) for n, v in start["headers"]], body_)

    def get(self, path: str, **headers: str) -> Answer:
        """GET; header fields by name with underscores."""
        return self("GET", path, headers={n.replace("_", "-"): v for n, v in headers.items()})

    def add(self, plural: str, **fields: Any) -> dict[str, Any]:
        """Add a record; it must be taken."""
        answer = self("POST", f"/v1/{plural}", fields)
        assert answer.status == 201, answer.body
        added: dict[str, Any] = answer.json
        return added

    def demo(self) -> tuple[str, str]:
        """Add the demo's site and its batch; gives their ids."""
        site_id = self.add("sites", **SITE)["id"]
        return site_id, self.add("batches", site_id=site_id, grafted_on=GRAFTED, name="Demo batch")["id"]


def app_of(service: Service, **changes: Any) -> ASGIApp:
    """The whole application, with its edge."""
    return create_app(service, edge(**changes))
