"""Conditional requests and content codings by RFC 9110, and answers that are made once."""

from __future__ import annotations

import gzip
import json
from typing import TYPE_CHECKING, Any

import pytest
from fastapi import FastAPI, Request, Response
from hypothesis import given
from hypothesis import strategies as st
from starlette.applications import Starlette
from starlette.routing import Route

from api.edge.conditional import (
    HeadLikeGet,
    Prepared,
    both_tags,
    coding_for,
    matches,
    none_matches,
    require_absent,
    require_match,
)
from api.edge.handlers import LastResort, install
from api.edge.problems import Problem
from tests.service.edge.asgi import Echo, call
from tests.service.edge.running import Wire, running

if TYPE_CHECKING:
    from starlette.types import Scope

BODY = json.dumps({"text": "x" * 5000}).encode()
GZIP = {"Accept-Encoding": "gzip, deflate, br"}


# --- entity tags ---------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("one", "other", "strongly", "weakly"),
    [
        ('W/"1"', 'W/"1"', False, True),
        ('W/"1"', 'W/"2"', False, False),
        ('W/"1"', '"1"', False, True),
        ('"1"', '"1"', True, True),
    ],
)
def test_tags_are_compared_as_in_the_table_of_the_standard(one: str, other: str, strongly: bool, weakly: bool) -> None:  # noqa: FBT001
    """RFC 9110, section 8.8.3.2, the table of examples. Our own tags are always strong: the second column is ours."""
    if not other.startswith("W/"):
        assert matches(one.encode(), {other.encode()}) == strongly
        assert none_matches(one.encode(), other.encode()) != weakly


@pytest.mark.parametrize(
    ("value", "found"),
    [
        ('"xyzzy"', True),  # the examples of RFC 9110, sections 13.1.1 and 13.1.2, with our tag in their place
        ('"xyzzy", "r2d2xxxx", "c3piozzzz"', True),
        ('W/"xyzzy", W/"r2d2xxxx", W/"c3piozzzz"', True),
        ("*", True),
        (' * ', True),
        ('"r2d2xxxx" , "xyzzy"', True),
        ('"a,b", "xyzzy"', True),  # a comma is allowed within a tag
        (', ,"xyzzy",,', True),  # empty entries are to be ignored (section 5.6.1.2)
        ('""', False),
        ('"XYZZY"', False),
        ('w/"xyzzy"', False),  # the mark of weakness is case-sensitive
        ("xyzzy", False),
        ('"xyzzy', False),
        ('"a" "xyzzy"', False),
        ('"x yzzy"', False),
        ("", False),
    ],
)  # fmt: skip
def test_if_none_match_finds_our_tag_in_a_list(value: str, found: bool) -> None:  # noqa: FBT001
    assert none_matches(value.encode("latin-1"), b'"xyzzy"') != found


@given(st.lists(st.text(st.characters(min_codepoint=0x21, max_codepoint=0xFF, exclude_characters='"\x7f'), max_size=8), max_size=6),
       st.integers(0, 5))  # fmt: skip
def test_any_list_of_tags_is_read_as_it_was_written(names: list[str], which: int) -> None:
    names = [name for name in names if not any(0x7F <= ord(c) < 0x80 for c in name)]
    value = ", ".join(f'"{name}"' for name in names).encode("latin-1")
    ours = f'"{names[which % len(names)]}"' if names else '"absent"'

    assert none_matches(value, ours.encode("latin-1")) != bool(names)
    assert matches(value, {ours.encode("latin-1")}) == bool(names)


# --- writes --------------------------------------------------------------------------------------------------


def asked(**headers: str) -> Scope:
    """A request with these header fields."""
    return {
        "type": "http",
        "headers": [(name.lower().replace("_", "-").encode(), value.encode()) for name, value in headers.items()],
    }


def refusal(scope: Scope, tags: tuple[str, ...]) -> int:
    """Status of the refusal of a write; 0 if it goes through."""
    try:
        require_match(scope, tags)
    except Problem as problem:
        return problem.status
    return 0


@pytest.mark.parametrize(
    ("headers", "status"),
    [
        ({}, 428),
        ({"If_Match": '"7"'}, 0),
        ({"If_Match": '"7-gz"'}, 0),
        ({"If_Match": '"6", "7"'}, 0),
        ({"If_Match": "*"}, 0),
        ({"If_Match": '"6"'}, 412),
        ({"If_Match": 'W/"7"'}, 412),
        ({"If_Match": '"6", W/"7"'}, 412),
        ({"If_Match": ""}, 412),
        ({"If_Match": "7"}, 400),
        ({"If_Match": '"7'}, 400),
    ],
)
def test_a_change_needs_the_tag_of_the_version_that_was_seen(headers: dict[str, str], status: int) -> None:
    """RFC 9110, section 13.1.1, and RFC 6585, section 3."""
    assert refusal(asked(**headers), both_tags("7")) == status


def test_any_version_is_no_version_where_there_is_nothing() -> None:
    assert refusal(asked(If_Match="*"), ()) == 412


def test_several_lines_of_if_match_are_one_list() -> None:
    scope = {"type": "http", "headers": [(b"if-match", b'"6"'), (b"if-match", b'"7"')]}

    assert refusal(scope, both_tags("7")) == 0


def test_a_tag_without_quotes_is_told_how_to_write_it() -> None:
    with pytest.raises(Problem) as caught:
        require_match(asked(If_Match="7"), both_tags("7"))

    assert 'If-Match: "7"' in caught.value.fix


@pytest.mark.parametrize(
    ("value", "tags", "passes"),
    [
        ("*", (), True),
        ("*", both_tags("7"), False),
        ('"7"', both_tags("7"), False),
        ('W/"7-gz"', both_tags("7"), False),
        ('"6"', both_tags("7"), True),
    ],
)
def test_a_creation_can_ask_that_nothing_is_there_yet(value: str, tags: tuple[str, ...], passes: bool) -> None:  # noqa: FBT001
    """RFC 9110, section 13.1.2."""
    if passes:
        require_absent(asked(If_None_Match=value), tags)
    else:
        with pytest.raises(Problem, match="exists already") as caught:
            require_absent(asked(If_None_Match=value), tags)
        assert caught.value.status == 412


def test_a_creation_without_a_condition_goes_through() -> None:
    require_absent(asked(), both_tags("7"))


# --- content coding ------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("accept", "coding"),
    [
        (None, "identity"),
        ("compress, gzip", "gzip"),  # the five examples of RFC 9110, section 12.5.3
        ("", "identity"),
        ("*", "gzip"),
        ("compress;q=0.5, gzip;q=1.0", "gzip"),
        ("gzip;q=1.0, identity; q=0.5, *;q=0", "gzip"),
        ("gzip;q=0", "identity"),
        ("gzip;q=0.000", "identity"),
        ("GZIP", "gzip"),
        ("x-gzip", "gzip"),
        ("gzip ; q=0.3 , identity;q=0.8", "identity"),
        ("gzip;q=0.8, identity;q=0.8", "gzip"),
        ("deflate, br, zstd", "identity"),
        ("identity", "identity"),
        ("*;q=0, gzip", "gzip"),
        ("gzip;q=0, *", "identity"),
        ("br, *;q=0.1", "gzip"),
        ("identity;q=0, gzip;q=0.1", "gzip"),
        ("identity;q=0", None),
        ("*;q=0", None),
        ("br, *;q=0", None),
        ("gzip;q=7", "identity"),  # an entry that cannot be read is as if it were not there
        ("gzip;q=nonsense", "identity"),
        (";;,,;q=1", "identity"),
    ],
)
def test_the_coding_is_what_the_caller_likes_best(accept: str | None, coding: str | None) -> None:
    assert coding_for(accept.encode() if accept is not None else None, gzip_exists=True) == coding


@pytest.mark.parametrize(
    ("accept", "coding"), [("gzip", "identity"), ("gzip, identity;q=0", None), ("gzip, *;q=0", None)]
)
def test_what_does_not_exist_is_not_chosen(accept: str, coding: str | None) -> None:
    assert coding_for(accept.encode(), gzip_exists=False) == coding


@given(st.text(st.characters(codec="latin-1"), max_size=600))
def test_any_accept_encoding_has_an_answer(accept: str) -> None:
    assert coding_for(accept.encode("latin-1"), gzip_exists=True) in {"gzip", "identity", None}


# --- prepared answers ----------------------------------------------------------------------------------------


def test_a_prepared_answer_is_sent_plain_or_compressed_and_each_form_has_its_own_strong_tag() -> None:
    prepared = Prepared(BODY)
    plain, squeezed = call(prepared), call(prepared, headers=GZIP)

    assert (plain.status, plain.body, plain["content-encoding"]) == (200, BODY, "")
    assert (squeezed.status, gzip.decompress(squeezed.body), squeezed["content-encoding"]) == (200, BODY, "gzip")
    assert plain["etag"] != squeezed["etag"]
    assert (plain["etag"], squeezed["etag"]) == prepared.tags
    for answer in (plain, squeezed):
        assert answer["etag"].startswith('"')
        assert answer["vary"] == "Accept-Encoding"
        assert answer["content-type"] == "application/json"
        assert int(answer["content-length"]) == len(answer.body)


@pytest.mark.parametrize("headers", [{}, GZIP])
def test_a_caller_who_has_it_is_told_so_with_the_fields_that_caches_need(headers: dict[str, str]) -> None:
    """RFC 9110, section 15.4.5: Content-Location, Date, ETag, Vary, Cache-Control and Expires, no others needed."""
    prepared = Prepared(BODY, cache_control="private, max-age=60", vary=["Accept-Language"])
    full = call(prepared, headers=headers)
    answer = call(prepared, headers={**headers, "If-None-Match": full["etag"]})

    assert (answer.status, answer.body) == (304, b"")
    assert answer.fields == [(n, v) for n, v in full.fields if n in {"etag", "cache-control", "vary"}]
    assert answer["vary"] == "Accept-Encoding, Accept-Language"


def test_the_tag_of_the_other_form_is_not_what_the_caller_would_get() -> None:
    prepared = Prepared(BODY)

    assert call(prepared, headers={**GZIP, "If-None-Match": prepared.tags[0]}).status == 200
    assert call(prepared, headers={"If-None-Match": prepared.tags[1]}).status == 200
    assert call(prepared, headers={"If-None-Match": ", ".join(prepared.tags)}).status == 304


def test_if_match_on_a_read_stops_it_when_the_version_is_another() -> None:
    app = LastResort(Prepared(BODY, tag="7"))

    assert call(app, headers={"If-Match": '"7"'}).status == 200
    assert call(app, headers={"If-Match": '"6"'}).slug == "precondition-failed"
    assert call(app, headers={"If-Match": '"6"', "If-None-Match": '"7"'}).status == 412  # section 13.2.2: first


def test_tags_follow_content_and_type_and_nothing_else() -> None:
    assert Prepared(b"a").tags == Prepared(b"a", cache_control="no-cache").tags
    assert Prepared(b"a").tags != Prepared(b"b").tags
    assert Prepared(b"a").tags != Prepared(b"a", "text/plain").tags
    assert Prepared(BODY).gzip is not None
    assert Prepared(BODY, tag="7").tags == both_tags("7")


def test_the_same_body_gives_the_same_bytes_in_both_forms_at_any_time() -> None:
    first, second = Prepared(BODY).gzip, Prepared(BODY).gzip

    assert first is not None
    assert second is not None
    assert first.body == second.body


@pytest.mark.parametrize("body", [b"", b"short", bytes(range(256)) * 4])
def test_what_does_not_become_smaller_is_not_compressed(body: bytes) -> None:
    answer = call(Prepared(body[:859]), headers=GZIP)

    assert (answer.body, answer["content-encoding"]) == (body[:859], "")


def test_a_caller_who_takes_no_form_is_told_so() -> None:
    answer = call(LastResort(Prepared(BODY)), headers={"Accept-Encoding": "br, *;q=0"})

    assert (answer.status, answer.slug) == (406, "not-acceptable")


@pytest.mark.parametrize("headers", [{}, GZIP, {"If-None-Match": "*"}])
def test_head_is_like_get_without_the_body(headers: dict[str, str]) -> None:
    prepared = Prepared(BODY)
    get, head = call(prepared, headers=headers), call(prepared, method="HEAD", headers=headers)

    assert (head.status, head.fields, head.body) == (get.status, get.fields, b"")


@pytest.mark.parametrize("method", ["POST", "PUT", "DELETE", "OPTIONS"])
def test_other_methods_are_refused(method: str) -> None:
    answer = call(LastResort(Prepared(BODY)), method=method)

    assert (answer.status, answer["allow"]) == (405, "GET, HEAD")


def test_what_is_put_around_a_prepared_answer_does_not_change_it() -> None:
    """Its messages are new each time and its header fields cannot be added to, so nothing is kept for the next."""
    prepared = Prepared(BODY)
    messages: list[Any] = []

    async def app(scope: Any, receive: Any, send: Any) -> None:
        async def adds(message: Any) -> None:
            messages.append(message)
            if "headers" in message:
                message["headers"] = [*message["headers"], (b"x-added", b"1")]
            await send(message)

        await prepared(scope, receive, adds)

    assert call(app)["x-added"] == "1"
    assert call(app)["x-added"] == "1"
    assert call(prepared)["x-added"] == ""


def framework() -> FastAPI:
    """Routes of a framework that answer with prepared bodies, or with their own."""
    app = FastAPI()
    install(app)
    prepared = Prepared(BODY, tag="7")

    @app.get("/prepared")
    def from_a_route(request: Request) -> Response:
        return prepared.response(request.scope)

    @app.get("/own")
    async def own() -> Response:
        return Response(BODY, media_type="application/json")

    app.router.add_route("/plain", prepared, methods=["GET"])  # type: ignore[arg-type]
    return app


@pytest.mark.parametrize("headers", [{}, GZIP, {"If-None-Match": '"7"'}, {"If-Match": '"6"'}])
@pytest.mark.parametrize("method", ["GET", "HEAD"])
def test_a_route_of_a_framework_gives_the_same_answer_as_the_plain_one(headers: dict[str, str], method: str) -> None:
    app = HeadLikeGet(framework())
    plain = call(app, "/plain", method=method, headers=headers)
    routed = call(app, "/prepared", method=method, headers=headers)

    assert (plain.status, plain.body) == (routed.status, routed.body)
    assert sorted(plain.fields) == sorted(routed.fields)


async def changed(request: Request) -> Response:
    """A route that has made a change and answers with the new version."""
    return Prepared(BODY, tag="7").response(request.scope)


@pytest.mark.parametrize(
    ("headers", "coding"),
    [
        ({"If-Match": '"6"'}, ""),
        ({**GZIP, "If-Match": '"6"', "If-None-Match": "*"}, "gzip"),
        ({"Accept-Encoding": "br, *;q=0"}, ""),
    ],
)
def test_the_answer_to_a_change_is_whole_whatever_version_the_change_was_made_to(
    headers: dict[str, str], coding: str
) -> None:
    """RFC 9110, section 13.2.1: preconditions are judged before the change, and only once."""
    app = Starlette(routes=[Route("/", changed, methods=["PATCH"])])
    answer = call(app, method="PATCH", headers=headers)

    assert (answer.status, answer["content-encoding"]) == (200, coding)
    assert answer["etag"] == ('"7-gz"' if coding else '"7"')


def test_head_works_on_every_route_that_has_get() -> None:
    get, head = call(HeadLikeGet(framework()), "/own"), call(HeadLikeGet(framework()), "/own", method="HEAD")

    assert (head.status, head.fields, head.body) == (200, get.fields, b"")
    assert call(HeadLikeGet(framework()), "/none", method="HEAD").status == 404


def test_head_leaves_the_route_where_the_log_finds_it() -> None:
    answer = call(HeadLikeGet(framework()), "/own", method="HEAD")

    assert answer.scope["route"].path == "/own"
    assert answer.scope["method"] == "HEAD"


def test_head_like_get_leaves_other_methods_alone() -> None:
    app = Echo()
    call(HeadLikeGet(app), method="POST")

    assert app.scopes[0]["method"] == "POST"


@pytest.mark.allow_hosts(["127.0.0.1"])
@pytest.mark.parametrize("path", [b"/plain", b"/prepared", b"/own"])
def test_a_real_server_sends_head_and_304_so_that_the_connection_goes_on(path: bytes) -> None:
    with running(HeadLikeGet(framework())) as port, Wire(port) as wire:
        for method, more, status in [(b"HEAD", b"", 200), (b"GET", b'If-None-Match: "7"\r\n', 304), (b"GET", b"", 200)]:
            wire.write(method + b" " + path + b" HTTP/1.1\r\nHost: localhost\r\n" + more + b"\r\n")
            if status == 200 and method == b"GET":
                assert wire.answer()[2] == BODY
            elif status == 304 and path == b"/own":
                assert wire.answer()[0] == 200
            else:
                head = b""
                while not head.endswith(b"\r\n\r\n"):
                    head += wire.socket.recv(1)
                assert head.startswith(b"HTTP/1.1 %d " % status)
