"""Bodies are small, of the right type, and JSON that everybody reads in the same way; or they are refused."""

from __future__ import annotations

import json
import time
from contextlib import suppress
from typing import TYPE_CHECKING

import pytest
from hypothesis import example, given
from hypothesis import strategies as st

from api.edge.body import BodyGuard, BodyRule
from api.edge.problems import Problem
from api.edge.strictjson import check_json
from tests.service.edge.asgi import Answer, Echo, call

if TYPE_CHECKING:
    from starlette.types import Receive, Scope, Send

JSON = {"Content-Type": "application/json"}


def send(body: bytes | list[bytes], headers: dict[str, str] = JSON, method: str = "POST") -> tuple[Answer, Echo]:
    """Send a body to an application behind the guard; as a server would, with its length or in chunks."""
    app = Echo()
    framing = {"Transfer-Encoding": "chunked"} if isinstance(body, list) else {"Content-Length": str(len(body))}
    return call(BodyGuard(app), method=method, headers={**headers, **framing}, body=body), app


# --- size ----------------------------------------------------------------------------------------------------


def test_a_body_within_the_limit_reaches_the_application_whole() -> None:
    body = json.dumps({"text": "x" * 900_000}).encode()

    assert send(body)[0].body == body
    assert send([body[:10], body[10:500_000], body[500_000:]])[0].body == body


def test_a_body_that_announces_too_much_is_refused_before_any_of_it_is_read() -> None:
    app = Echo()
    headers = {**JSON, "Content-Length": "1000001"}
    answer = call(BodyGuard(app), method="POST", headers=headers, body=[b"["], hang_up=True)

    assert (answer.status, answer.slug, answer.json["limit_bytes"]) == (413, "content-too-large", 1_000_000)
    assert app.calls == 0


def test_a_body_that_does_not_announce_its_length_is_counted_while_it_comes() -> None:
    answer, app = send([b'"' + b"1," * 200_000] * 10)

    assert (answer.status, app.calls) == (413, 0)


def test_reading_stops_at_the_limit() -> None:
    asked: list[int] = []

    async def endless() -> dict[str, object]:
        asked.append(1)
        return {"type": "http.request", "body": bytes(100_000), "more_body": True}

    async def app(scope: Scope, receive: Receive, send: Send) -> None:
        await BodyGuard(Echo())(scope, endless, send)

    assert call(app, method="POST", headers={**JSON, "Transfer-Encoding": "chunked"}).status == 413
    assert len(asked) == 11


@pytest.mark.parametrize("length", ["x", "-1", "1e3", "9" * 5000])
def test_a_length_that_is_no_number_or_absurd_is_refused(length: str) -> None:
    answer = call(BodyGuard(Echo()), method="POST", headers={**JSON, "Content-Length": length}, body=b"{}")

    assert answer.status in {400, 413}


def test_a_path_may_take_more_and_another_type() -> None:
    rule = BodyRule(limit_bytes=3_000_000, media_types=("text/csv",), strict_json=False)
    guard = BodyGuard(Echo(), lambda scope: rule if scope["path"] == "/import" else BodyRule())
    headers = {"Content-Type": "text/csv; charset=UTF-8", "Content-Length": "2000000"}

    assert call(guard, "/import", method="POST", headers=headers, body=bytes(2_000_000)).status == 200
    assert call(guard, "/other", method="POST", headers=headers, body=bytes(2_000_000)).status == 413


def test_a_caller_who_hangs_up_gets_no_answer_and_bothers_nobody() -> None:
    app = Echo()
    answer = call(BodyGuard(app), method="POST", headers={**JSON, "Content-Length": "100"}, body=[b"{"], hang_up=True)

    assert (answer.status, app.calls) == (0, 0)


# --- type ----------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    "content_type",
    [
        "application/json",
        "Application/JSON",
        "application/json; charset=utf-8",
        'application/json;charset="UTF-8"',
        "application/merge-patch+json",
    ],
)
def test_json_is_taken_by_all_its_names(content_type: str) -> None:
    assert send(b"{}", {"Content-Type": content_type})[0].status == 200


@pytest.mark.parametrize(
    "content_type",
    ["", "text/plain", "application/x-www-form-urlencoded", "multipart/form-data; boundary=x", "text/json",
     "application/json; charset=utf-16", "application/jsonp", "text/plain+json"],
)  # fmt: skip
@pytest.mark.parametrize("method", ["POST", "PUT", "PATCH", "DELETE"])
def test_writes_of_another_type_are_refused(content_type: str, method: str) -> None:
    """A form of a foreign page can only send the types that need no preflight (OWASP ASVS 5.0, item 3.5.2)."""
    answer, app = send(b"{}", {"Content-Type": content_type} if content_type else {}, method)

    assert (answer.status, answer.slug, app.calls) == (415, "unsupported-media-type", 0)
    assert answer["accept"] == "application/json"


def test_a_compressed_body_is_refused() -> None:
    """RFC 9110, section 15.5.16: the answer says which codings would do."""
    answer, app = send(b"{}", {**JSON, "Content-Encoding": "gzip"})

    assert (answer.status, answer["accept-encoding"], app.calls) == (415, "identity", 0)


@pytest.mark.parametrize("method", ["POST", "PUT", "PATCH", "DELETE", "GET"])
def test_a_request_without_a_body_needs_no_type(method: str) -> None:
    assert send(b"", {}, method)[0].status == 200
    assert call(BodyGuard(Echo()), method=method).status == 200


def test_a_body_of_a_get_is_bounded_too() -> None:
    assert send(b"x" * 1_000_001, {}, "GET")[0].status == 413
    assert send(b"anything", {}, "GET")[0].status == 200


# --- JSON ----------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("body", "words"),
    [
        (b"{nonsense", "line 1, column 2"),
        (b'{"lat": NaN}', "NaN"),
        (b"[Infinity]", "Infinity"),
        (b"[-Infinity]", "-Infinity"),
        (b'{"name": "\xff"}', "byte 10"),
        (b'{"name": "\xed\xa0\x80"}', "UTF-8"),  # a surrogate written out in bytes
        (b"\xef\xbb\xbf{}", "not JSON"),  # a byte order mark (RFC 8259, section 8.1)
        ('{"a": 1}'.encode("utf-16"), "UTF-8"),
        (b"[" * 100_000, "32 deep"),
        (b"[" * 33 + b"]" * 33, "32 deep"),
        (b'{"a":' * 33 + b"1" + b"}" * 33, "32 deep"),
        (b'{"name": "line\nbreak"}', "control character"),
        (b'{"name": "\x00"}', "control character"),
        (b"{'a': 1}", "not JSON"),
        (b"[1,]", "not JSON"),
        (b"{} {}", "not JSON"),
        (b"01", "not JSON"),
        (b" ", "not JSON"),
    ],
)
def test_what_is_no_json_is_refused_with_its_place(body: bytes, words: str) -> None:
    """RFC 8259 gives the grammar, and UTF-8 as the only encoding."""
    answer, app = send(body)

    assert (answer.status, answer.slug, app.calls) == (400, "malformed-json", 0)
    assert words in answer.json["detail"]


@pytest.mark.parametrize(
    ("body", "words"),
    [
        (b'{"a": 1, "b": 2, "a": 3}', "'a'"),
        (b'{"outer": [{"a": 1, "\\u0061": 2}]}', "'a'"),  # the same name, written differently
        (b'{"names": ["fine", "\\ud800"]}', "/names/1"),
        (b'{"names": ["\\udc00\\ud800"]}', "/names/0"),
        (b'{"\\udfff": 1}', "at the top"),
        (b'{"name": "a\\u0000b"}', "NUL"),
        (b'{"\\u0000": 1}', "NUL"),
        (b"9007199254740992", "9007199254740992"),
        (b"[-" + b"9" * 5000 + b"]", "too large"),
        (b"[1e999]", "1e999"),
        (b"[-1e999]", "-1e999"),
    ],
)
def test_json_that_readers_disagree_on_is_refused_with_its_place(body: bytes, words: str) -> None:
    """RFC 7493, sections 2.1 to 2.3: surrogates, numbers, duplicate names."""
    answer, app = send(body)

    assert (answer.status, answer.slug, app.calls) == (422, "unusable-json", 0)
    assert words in answer.json["detail"]


@pytest.mark.parametrize(
    "body",
    [
        b"null",
        b'"text"',
        b"-0.0",
        b"9007199254740991",
        b"[1e308, 1e-999]",
        b'{"a": {"a": 1}, "b": {"a": 1}}',
        b'{"smile": "\\ud83d\\ude00", "n\xc3\xa4me": "\xf0\x9f\x90\x9d"}',
        b'{"backslash": "\\\\u0000 \\\\ud800"}',
        b"[" * 32 + b"]" * 32,
        b'{"brackets in a text": "' + b"[{" * 5000 + b'"}',
        b'{"quote": "\\"' + b"[" * 50 + b'"}',
        b"[" + b"[]," * 5000 + b"[]]",
        b"[" + b"1," * 49_000 + b"1]",
        b'{"commas in a text": "' + b"," * 200_000 + b'"}',
        b"[1234567890.123456789012345678901234567890, 1e99, 0.0000000000000000000000000001]",
        b' \r\n\t{ "a" : [ ] } \n',
    ],
)
def test_good_json_passes_byte_for_byte(body: bytes) -> None:
    assert send(body)[0].body == body


@pytest.mark.parametrize("body", [b"[" + b"1," * 50_001 + b"1]", b"[" + b"[]," * 30_000 + b"1]"])
def test_a_body_of_very_many_values_is_refused(body: bytes) -> None:
    answer, app = send(body)

    assert (answer.status, answer.slug, answer.json["values_max"], app.calls) == (413, "content-too-large", 50_000, 0)


VALUES = st.recursive(
    st.none() | st.booleans() | st.integers(-(2**53) + 1, 2**53 - 1) | st.floats(allow_nan=False, allow_infinity=False)
    | st.text(st.characters(codec="utf-8", exclude_characters="\0")),
    lambda inner: st.lists(inner, max_size=5) | st.dictionaries(st.text(st.characters(codec="utf-8", exclude_characters="\0")), inner, max_size=5),
    max_leaves=30,
)  # fmt: skip


@given(VALUES, st.sampled_from(["ascii", "utf-8"]))
def test_whatever_a_json_library_writes_passes(value: object, written_in: str) -> None:
    check_json(json.dumps(value, ensure_ascii=written_in == "ascii").encode("utf-8"))


@given(st.binary(max_size=60) | st.text('[]{}":,\\u0d8A1eE.-+ntf \n', max_size=60).map(str.encode))
@example(b'"\\')
@example(b'"\\"')
def test_any_bytes_either_pass_and_are_json_or_are_refused_by_a_problem(body: bytes) -> None:
    """Whatever passes is read by the standard library too, and can be written again as UTF-8."""
    refused = 0
    try:
        check_json(body)
    except Problem as problem:
        refused = problem.status
    if refused:
        assert refused in {400, 422}
        return
    json.dumps(json.loads(body), ensure_ascii=False, allow_nan=False).encode("utf-8")


@pytest.mark.parametrize(
    "body",
    [
        b"[" * 1_000_000,
        b'"' + b'\\"' * 499_999,
        b'["' + b"[" * 999_990 + b'"]',
        b"[" + b"[]," * 333_000 + b"1]",
        b"[" + b'"\\u0001",' * 111_000 + b'"\\u0000"]',
        b"[" + b"1," * 499_999 + b"1]",
        b"9" * 1_000_000,
        b"[" + b"9" * 900_000 + b",1e400" + b"]",
        b"{" + b",".join(b'"%d":%d' % (n, n) for n in range(49_000)) + b"}",
    ],
    ids=["open brackets", "a text that never ends", "brackets in a text", "pairs of brackets", "escapes", "numbers",
         "one number", "two numbers", "names"],
)  # fmt: skip
def test_the_worst_megabyte_takes_no_longer_than_a_moment(body: bytes) -> None:
    """Quadratic time would take minutes; here it is well below a second."""
    began = time.perf_counter()
    with suppress(Problem):
        check_json(body)

    assert time.perf_counter() - began < 5.0


def test_after_the_body_the_application_still_hears_that_the_caller_hangs_up() -> None:
    heard: list[str] = []

    async def app(scope: Scope, receive: Receive, send: Send) -> None:
        heard.extend([(await receive())["type"], (await receive())["type"]])

    call(BodyGuard(app), method="POST", headers={**JSON, "Content-Length": "2"}, body=b"{}")

    assert heard == ["http.request", "http.disconnect"]
