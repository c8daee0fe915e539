"""Answers that are given again: only to the very same request, and never once anything has changed."""

from __future__ import annotations

import asyncio
from dataclasses import replace
from datetime import timedelta
from typing import TYPE_CHECKING, Any

import pytest

from api import hot
from api.app import create_app
from api.edge.rates import Buckets
from api.hot import Hot, mark_hot
from matewindow.register.access import Access
from matewindow.register.database import Database
from tests.service.made import GRAFTED, SITE, Client, Clock, edge, service_in

if TYPE_CHECKING:
    from pathlib import Path

    from starlette.types import Receive, Scope, Send

    from api.service import Service


class House:
    """A service that asks for tokens, with the demo's batch; counts the requests that reach what stands behind Hot."""

    def __init__(self, folder: Path, **changes: Any) -> None:
        self.seconds = 100.0
        self.clock = Clock()
        self.service: Service = service_in(folder, self.clock, open_door=False)
        self.app = create_app(self.service, edge(**changes))
        assert isinstance(self.app, Hot)
        self.app._monotonic = lambda: self.seconds
        self.reached = 0
        inner = self.app.app

        async def counted(scope: Scope, receive: Receive, send: Send) -> None:
            self.reached += 1
            await inner(scope, receive, send)

        self.app.app = counted
        self.tokens = {s: self.service.access.new_token(s, s) for s in ("read", "record", "manage")}
        self.owner = self.client("manage")
        self.site, self.batch = self.owner.demo()
        self.path = f"/v1/batches/{self.batch}/outlook"
        self.owner.get(self.path)  # issues the outlook, which is a change of the register

    def client(self, scope: str, **options: Any) -> Client:
        """A client with the token of this scope."""
        return Client(self.app, self.tokens[scope][1], **options)

    def warm(self, client: Client, path: str = "", **headers: str) -> Any:
        """The answer to a request that is kept now."""
        for _ in range(2):  # the first one of a token is noted, which is a change of the register
            answer = client.get(path or self.path, **headers)
        return answer

    def again(self, client: Client, path: str = "", **headers: str) -> bool:
        """Whether a request is answered again without waking anybody."""
        before = self.reached
        answer = client.get(path or self.path, **headers)
        assert answer.status in {200, 304}
        return self.reached == before


@pytest.fixture
def house(tmp_path: Path) -> House:
    return House(tmp_path)


def test_the_same_request_gets_the_same_answer_again_with_an_id_of_its_own(house: House) -> None:
    reader = house.client("read")
    first = house.warm(reader)
    reached = house.reached
    second = reader.get(house.path)

    assert house.reached == reached
    assert (second.status, second.body) == (first.status, first.body)
    assert [f for f in second.fields if f[0] != "x-request-id"] == [f for f in first.fields if f[0] != "x-request-id"]
    assert second["x-request-id"] != first["x-request-id"]


@pytest.mark.parametrize("headers", [{}, {"accept_encoding": "gzip"}, {"if_none_match": "ITS"}])
def test_each_form_is_kept_by_itself(house: House, headers: dict[str, str]) -> None:
    reader = house.client("read")
    plain = house.warm(reader)
    asked = {n: plain["etag"] if v == "ITS" else v for n, v in headers.items()}
    first = house.warm(reader, **asked)

    assert house.again(reader, **asked)
    assert reader.get(house.path, **asked).body == first.body
    assert (first["content-encoding"] == "gzip") == ("accept_encoding" in headers)
    assert (first.status == 304) == ("if_none_match" in headers)


def test_no_request_that_differs_in_anything_gets_a_kept_answer(house: House) -> None:
    """Poisoning: what one caller made is never given to another, nor to another question of the same one."""
    reader = house.client("read")
    house.warm(reader)
    assert house.again(reader)
    for client in (house.client("record"), house.client("manage"), house.client("read", client="127.0.0.2")):
        assert not house.again(client)
    for headers in (
        {"host": "127.0.0.1:8377"},
        {"accept_encoding": "gzip"},
        {"accept": "text/html"},
        {"origin": "https://evil.example"},
        {"cookie": "a=b"},
        {"x_forwarded_for": "192.0.2.1"},
        {"x_forwarded_host": "evil.example"},
        {"if_none_match": '"other"'},
    ):
        assert not house.again(reader, **headers), headers
    more = house.owner("POST", "/v1/batches", {"site_id": house.site, "grafted_on": "2026-05-12"})
    house.warm(reader)
    assert not house.again(reader, f"{more['location']}/outlook")
    assert reader("HEAD", house.path).body == b""


@pytest.mark.parametrize("token", [None, "mw_t" + "A" * 43 + "000000", ""])
def test_without_a_valid_token_nothing_kept_is_given(house: House, token: str | None) -> None:
    reader = house.client("read")
    house.warm(reader)
    assert house.again(reader)

    assert Client(house.app, token).get(house.path).status == 401
    assert Client(house.app).get(house.path, authorization=f"bearer {house.tokens['read'][1]}").status == 200
    assert Client(house.app).get(house.path, host="evil.example").status == 421


@pytest.mark.parametrize("elsewhere", [False, True])
def test_a_revoked_token_gets_nothing_from_that_moment_on(
    house: House,
    elsewhere: bool,  # noqa: FBT001  by name
) -> None:
    reader = house.client("read")
    house.warm(reader)
    assert house.again(reader)

    access = house.service.access
    other = Database(house.service.register.database.url) if elsewhere else None  # as another process would
    (Access(other, house.clock) if other else access).revoke(house.tokens["read"][0]["id"])

    assert reader.get(house.path).status == 401
    if other:
        other.close()


def test_a_token_that_is_revoked_while_its_request_is_answered_leaves_nothing_behind(
    house: House, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The token was good when it was looked at; what was let in by it must not outlive it."""
    reader = house.client("read")
    house.warm(reader)
    house.owner("PATCH", f"/v1/sites/{house.site}", {"notes": "Seen."}, headers={"If-Match": "*"})
    house.owner.get(house.path)
    answer = house.service.keeper.outlook

    def slow(batch_id: str) -> Any:
        house.service.access.revoke(house.tokens["read"][0]["id"])
        return answer(batch_id)

    monkeypatch.setattr(house.service.keeper, "outlook", slow)

    assert reader.get(house.path).status == 200  # let in before
    assert reader.get(house.path).status == 401


@pytest.mark.parametrize("what", ["a check", "the site", "another token"])
def test_any_change_of_the_register_makes_what_was_kept_worthless(house: House, what: str) -> None:
    reader = house.client("read")
    before = house.warm(reader)
    assert house.again(reader)

    if what == "a check":
        house.owner.add("checks", batch_id=house.batch, day="2026-05-31", saw="virgin")
    elif what == "the site":
        house.owner("PATCH", f"/v1/sites/{house.site}", {"exposure": 0.7}, headers={"If-Match": "*"})
    else:
        house.service.access.new_token("Another", "read")

    after = reader.get(house.path)
    assert (after.body == before.body) == (what == "another token")


def test_warnings_are_kept_too_and_follow_the_register(house: House) -> None:
    reader = house.client("read")
    house.warm(reader, "/v1/warnings")
    assert house.again(reader, "/v1/warnings")

    site = house.owner.add("sites", **SITE, warn_below=0.9)["id"]
    batch = house.owner.add("batches", site_id=site, grafted_on=GRAFTED)["id"]
    house.owner.get(f"/v1/batches/{batch}/outlook")
    assert len(reader.get("/v1/warnings").json["items"]) == 1


def test_after_two_seconds_an_answer_is_made_anew(house: House) -> None:
    """A new day, or new files of weather, are no changes of the register."""
    reader = house.client("read")
    first = house.warm(reader)
    house.clock.now += timedelta(days=1)
    house.seconds += hot.AGAIN_S - 0.1
    assert reader.get(house.path).body == first.body
    house.seconds += 0.2
    assert reader.get(house.path).body != first.body


def test_an_answer_that_can_no_longer_be_made_is_not_given_again_either(
    house: House, monkeypatch: pytest.MonkeyPatch
) -> None:
    reader = house.client("read")
    house.warm(reader)
    house.seconds += hot.AGAIN_S + 0.1

    def broken(_: str) -> Any:
        raise ZeroDivisionError

    monkeypatch.setattr(house.service.keeper, "outlook", broken)

    assert [reader.get(house.path).status for _ in range(3)] == [500, 500, 500]


def test_while_one_request_finds_out_anew_the_others_do_not_wait(house: House) -> None:
    reader = house.client("read")
    first = house.warm(reader)
    house.seconds += hot.AGAIN_S + 0.1
    assert isinstance(house.app, Hot)
    inner = house.app.app

    async def at_once() -> list[Any]:
        held = asyncio.Event()

        async def slow(scope: Scope, receive: Receive, send: Send) -> None:
            await held.wait()
            await inner(scope, receive, send)

        assert isinstance(house.app, Hot)
        house.app.app = slow
        finding_out = asyncio.create_task(reader.send("GET", house.path))
        await asyncio.sleep(0)
        others = [await reader.send("GET", house.path) for _ in range(3)]
        held.set()
        return [await finding_out, *others]

    assert {a.body for a in asyncio.run(at_once())} == {first.body}


def test_what_no_route_has_marked_is_not_kept(house: House) -> None:
    reader = house.client("read")
    for path in ("/v1/sites", f"/v1/batches/{house.batch}", "/v1/health", "/v1/metrics", "/v1/calendar.ics"):
        house.warm(reader, path)
        assert not house.again(reader, path)


def test_a_caller_who_names_a_request_gets_that_name_back(house: House) -> None:
    reader = house.client("read")
    for n in range(3):
        assert reader.get(house.path, x_request_id=f"request-{n:04}")["x-request-id"] == f"request-{n:04}"


def test_answers_given_again_count_against_the_rate(tmp_path: Path) -> None:
    house = House(tmp_path, requests=Buckets(per_minute=1, burst=20))
    reader = house.client("read", client="192.0.2.7")
    statuses = [reader.get(house.path).status for _ in range(25)]

    assert statuses == [200] * 20 + [429] * 5


# --- by itself -----------------------------------------------------------------------------------------------


class Counted:
    """A register whose number of changes is set by hand."""

    def __init__(self, generation: int | None = 1) -> None:
        self.number = generation

    def generation(self) -> int | None:
        return self.number


def small(body: bytes = b"{}", generation: int | None = 1) -> tuple[Client, list[str]]:
    """An application that marks every answer, behind Hot; and the paths that reached it."""
    reached: list[str] = []

    async def app(scope: Scope, receive: Receive, send: Send) -> None:
        reached.append(scope["path"])
        mark_hot(scope)
        await send({"type": "http.response.start", "status": 200, "headers": []})
        await send({"type": "http.response.body", "body": body})

    return Client(Hot(app, Counted(generation), Buckets(1e9, 10**9))), reached  # type: ignore[arg-type]


def test_where_changes_cannot_be_told_nothing_is_kept() -> None:
    client, reached = small(generation=None)  # as with PostgreSQL
    for _ in range(3):
        client.get("/a")
    assert len(reached) == 3


def test_large_answers_are_not_kept_and_all_that_is_kept_has_a_bound() -> None:
    large, reached = small(b"x" * (hot.BYTES_MAX + 1))
    large.get("/a")
    large.get("/a")
    assert len(reached) == 2

    many, reached = small(b"x" * hot.BYTES_MAX)
    for n in range(400):
        many.get(f"/{n}")
    assert isinstance(many.app, Hot)
    assert many.app._size <= hot.BYTES_IN_ALL
    assert many.app._size == sum(k.size for k in many.app._kept.values())
    assert 100 < len(many.app._kept) < 400

    short, _ = small()
    for n in range(hot.ANSWERS + 50):
        short.get(f"/{n}")
    assert isinstance(short.app, Hot)
    assert len(short.app._kept) == hot.ANSWERS


def test_two_services_keep_nothing_in_common(tmp_path: Path) -> None:
    (tmp_path / "one").mkdir()
    (tmp_path / "two").mkdir()
    one, two = House(tmp_path / "one"), House(tmp_path / "two")
    one.warm(one.client("read"))

    stranger = Client(two.app, one.tokens["read"][1])
    assert stranger.get(one.path).status == 401
    assert replace(two.service) == two.service
