"""Every error is one kind of answer: a problem by RFC 9457 that a person can follow and a program can tell apart."""

from __future__ import annotations

import json
import re
from datetime import UTC, datetime
from typing import TYPE_CHECKING, Any

import pytest
import structlog
from fastapi import APIRouter, FastAPI, Response
from hypothesis import given
from hypothesis import strategies as st
from pydantic import BaseModel, Field
from starlette.exceptions import HTTPException
from starlette.routing import Mount, Route

from api.edge.conditional import HeadLikeGet, Prepared
from api.edge.handlers import LastResort, allowed_methods, install, problem_of
from api.edge.kinds import BY_STATUS, KINDS
from api.edge.problems import Problem, base_url, problem_page
from matewindow.errors import (
    BusyError,
    ConflictError,
    InputError,
    MatewindowError,
    NotThereError,
    RequestError,
    SourceError,
    StaleError,
    StoreError,
    UnavailableError,
    WeatherFileError,
)
from tests.service.edge.asgi import Answer, Echo, call

if TYPE_CHECKING:
    from starlette.types import Receive, Scope, Send


class Nuc(BaseModel):
    """A body with rules."""

    name: str = Field(max_length=10)
    frames: int = Field(ge=1)
    deep: dict[str, int] = {}


def service() -> FastAPI:
    """A FastAPI application with problem answers and a route for each way to fail."""
    app = FastAPI()
    install(app)
    app.add_route("/problems", problem_page)
    app.add_route("/problems/{slug}", problem_page)

    @app.post("/nucs")
    def post(nuc: Nuc) -> Nuc:
        return nuc

    @app.get("/fails/{how}")
    def fails(how: str) -> Response:
        raise {
            "problem": Problem("conflict", "Two builders share it.", fix="Name one.", holders=["a", "b"]),
            "library": RequestError("0 days", where="days", fix="Ask for 1 to 60 days."),
            "http": HTTPException(418, "short and stout"),
            "missing": HTTPException(404),
            "fault": ZeroDivisionError("secret inner workings"),
            "nothing": HTTPException(304, headers={"ETag": '"1"'}),
        }[how]

    return app


def assert_problem(answer: Answer, status: int, slug: str) -> dict[str, Any]:
    """The answer is a well-formed problem of this kind; gives its members."""
    body: dict[str, Any] = answer.json
    assert answer.status == status
    assert answer["content-type"] == "application/problem+json"
    assert answer["cache-control"] == "no-store"
    assert int(answer["content-length"]) == len(answer.body)
    assert body["status"] == status
    assert body["type"] == f"http://localhost/problems/{slug}"
    assert body["title"] == KINDS[slug].title
    assert body["detail"]
    assert body["fix"]
    assert all(re.fullmatch(r"[a-z][a-z0-9_]{2,}", name) for name in body), "names by RFC 9457, section 3.2"
    return body


# --- the exception -------------------------------------------------------------------------------------------


def test_a_problem_says_what_is_wrong_and_what_to_do() -> None:
    body = assert_problem(call(service(), "/fails/problem"), 409, "conflict")

    assert (body["detail"], body["fix"], body["holders"]) == ("Two builders share it.", "Name one.", ["a", "b"])


@pytest.mark.parametrize("extra", [{"ab": 1}, {"with-hyphen": 1}, {"type": 1}, {"request_id": 1}, {"1st": 1}])
def test_members_that_the_standard_does_not_allow_are_found_when_the_problem_is_made(extra: dict[str, object]) -> None:
    with pytest.raises(ValueError, match="not allowed as members"):
        Problem("conflict", **extra)  # type: ignore[arg-type]


def test_a_kind_that_does_not_exist_is_found_when_the_problem_is_made() -> None:
    with pytest.raises(ValueError, match="unknown kind"):
        Problem("confilct")


def test_a_problem_has_a_kind_or_a_status() -> None:
    with pytest.raises(ValueError, match="needs a status"):
        Problem("")


def test_a_status_that_nobody_has_named_has_a_title_too() -> None:
    assert Problem("", status=499).title == "Unknown"


def test_a_bare_status_has_the_type_about_blank_and_the_phrase_as_its_title() -> None:
    """RFC 9457, section 4.2.1."""
    body = json.loads(Problem("", status=418).body())

    assert (body["type"], body["title"]) == ("about:blank", "I'm a Teapot")


@given(
    st.recursive(
        st.none() | st.booleans() | st.integers() | st.floats() | st.text(st.characters(codec=None)) | st.binary(),
        lambda inner: st.lists(inner, max_size=4) | st.dictionaries(st.text(st.characters(codec=None)), inner, max_size=4),
        max_leaves=12,
    )
)  # fmt: skip
def test_whatever_a_problem_is_given_its_body_is_json_that_any_reader_takes(value: object) -> None:
    body = Problem("conflict", "odd \ud800 text \x00", value=value, number=float("nan")).body("http://h", "id-1")

    read = json.loads(body, parse_constant=pytest.fail)
    assert read["number"] is None
    assert read["detail"] == "odd � text \x00"
    json.dumps(read, ensure_ascii=False).encode("utf-8")  # no lone surrogate is left


def test_a_request_without_a_valid_token_is_told_how_to_authenticate() -> None:
    """RFC 9110, section 15.5.2: a 401 has a WWW-Authenticate."""
    assert Problem("unauthenticated").headers["WWW-Authenticate"].startswith("Bearer ")


# --- types and their pages -----------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("scope", "base"),
    [
        ({}, "http://localhost"),
        ({"scheme": "https"}, "https://localhost"),
        ({"root_path": "/mw"}, "http://localhost/mw"),
        ({"state": {"base_url": "https://bees.example/mw"}}, "https://bees.example/mw"),
        ({"headers": [(b"host", b"[::1]:8377")]}, "http://[::1]:8377"),
        ({"headers": [(b"host", b'evil"><script>')]}, "http://127.0.0.1:8377"),
        ({"headers": [], "server": ("::1", 8377)}, "http://[::1]:8377"),
        ({"headers": [], "server": ("/run/socket", None)}, ""),
    ],
)
def test_types_stand_on_the_configured_base_or_on_the_address_of_the_request(scope: dict[str, Any], base: str) -> None:
    full = {"type": "http", "scheme": "http", "headers": [(b"host", b"localhost")], "server": ("127.0.0.1", 8377)}

    assert base_url({**full, **scope}) == base


@pytest.mark.parametrize("slug", sorted(KINDS))
def test_each_type_has_a_page_that_says_what_it_means_and_what_to_do(slug: str) -> None:
    plain = call(service(), f"/problems/{slug}")
    page = call(service(), f"/problems/{slug}", headers={"Accept": "text/html,*/*"})

    assert (plain.status, plain["content-type"]) == (200, "text/plain; charset=utf-8")
    assert KINDS[slug].meaning in plain.body.decode()
    assert (page.status, page["content-type"]) == (200, "text/html; charset=utf-8")
    assert page["vary"] == "Accept"
    assert f"<h1>{KINDS[slug].title.replace(chr(39), '&#x27;')}</h1>" in page.body.decode()
    assert "<script" not in page.body.decode()
    assert "style=" not in page.body.decode()


def test_the_list_of_problems_names_all_kinds() -> None:
    assert call(service(), "/problems").body.decode().count("\n") == len(KINDS)


def test_a_kind_that_does_not_exist_has_no_page() -> None:
    assert_problem(call(service(), "/problems/nonsense"), 404, "not-found")


def test_kinds_are_written_as_they_are_used() -> None:
    assert all(KINDS[slug].status == status for status, slug in BY_STATUS.items())
    for slug, kind in KINDS.items():
        assert kind.slug == slug
        assert re.fullmatch(r"[a-z]+(-[a-z]+)*", slug)
        assert not kind.title.endswith(".")
        assert kind.meaning.endswith(".")
        assert kind.remedy.endswith(".")


# --- from exceptions to problems -----------------------------------------------------------------------------


def test_a_library_error_is_told_with_its_own_fix() -> None:
    body = assert_problem(call(service(), "/fails/library"), 422, "cannot-be-answered")

    assert (body["detail"], body["fix"]) == ("days: 0 days.", "Ask for 1 to 60 days.")


@pytest.mark.parametrize(
    ("fault", "status", "slug"),
    [
        (InputError("x"), 422, "cannot-be-answered"),
        (MatewindowError("x"), 422, "cannot-be-answered"),
        (SourceError("MET Norway", "no answer"), 503, "weather-unavailable"),
        (StoreError("x", where="/srv/store", fix="y"), 503, "storage-unavailable"),
        (NotThereError("no such nuc"), 404, "not-found"),
        (ConflictError("builder in use"), 409, "conflict"),
        (StaleError("changed"), 412, "precondition-failed"),
        (BusyError("another writes"), 503, "busy"),
        (UnavailableError("gone"), 503, "storage-unavailable"),
        (UnavailableError("full", full=True), 507, "storage-full"),
    ],
)
def test_each_library_error_has_its_kind_of_problem(fault: MatewindowError, status: int, slug: str) -> None:
    problem = problem_of(fault)

    assert (problem.status, problem.slug) == (status, slug)


def test_a_mapping_gives_an_error_another_kind_and_its_children_with_it() -> None:
    app = FastAPI()
    install(app, {InputError: "invalid-request"})
    app.add_route("/", Echo(fault=RequestError("0 days")))  # type: ignore[arg-type]

    assert_problem(call(app), 422, "invalid-request")


def test_a_source_that_may_be_asked_again_later_says_when() -> None:
    problem = problem_of(SourceError("X", "over budget", retry_after=datetime(2026, 6, 1, 12, tzinfo=UTC)))

    assert problem.headers["Retry-After"] == "Mon, 01 Jun 2026 12:00:00 GMT"  # RFC 9110, section 5.6.7


@pytest.mark.parametrize(
    ("where", "told"),
    [
        ("/home/anna/bees/observed.csv, row 3", "observed.csv, row 3: 900 °C."),
        ("C:\\Users\\Anna\\bees\\observed.csv", "observed.csv: 900 °C."),
        ("row 3, column temp/c", "row 3, column temp/c: 900 °C."),
    ],
)
def test_folders_of_the_machine_are_not_told(where: str, told: str) -> None:
    assert problem_of(WeatherFileError("900 °C", where=where)).detail == told


def test_what_the_owner_must_mend_is_logged_and_not_told() -> None:
    app = FastAPI()
    install(app)
    app.add_route("/", Echo(fault=StoreError("disk error", where="/srv/anna", fix="Mend it.")))  # type: ignore[arg-type]
    with structlog.testing.capture_logs() as lines:
        answer = call(app, state={"request_id": "abc"})

    assert_problem(answer, 503, "storage-unavailable")
    assert b"anna" not in answer.body
    assert "/srv/anna: disk error" in lines[0]["reason"]
    assert lines[0]["request_id"] == "abc"


# --- values --------------------------------------------------------------------------------------------------

JSON = {"Content-Type": "application/json"}


def test_each_value_that_does_not_fit_is_named_with_its_place_and_never_repeated() -> None:
    sent = {"name": "TOO-LONG-AND-SECRET", "frames": 0, "deep": {"a/b~c": "WRONG"}}
    answer = call(service(), "/nucs", method="POST", headers=JSON, body=json.dumps(sent).encode())
    body = assert_problem(answer, 422, "invalid-request")

    assert [e["pointer"] for e in body["errors"]] == ["/name", "/frames", "/deep/a~1b~0c"]  # RFC 6901, section 3
    assert body["errors"][1]["location"] == ["body", "frames"]
    assert "must be at least 1" in body["errors"][1]["message"]
    assert "SECRET" not in answer.body.decode()
    assert "WRONG" not in answer.body.decode()


def test_a_body_full_of_mistakes_gets_a_short_answer() -> None:
    sent = {"name": "x", "frames": 1, "deep": {"k" * 5000 + str(n): "no" for n in range(300)}}
    answer = call(service(), "/nucs", method="POST", headers=JSON, body=json.dumps(sent).encode())
    body = assert_problem(answer, 422, "invalid-request")

    assert len(body["errors"]) == 50
    assert body["errors_not_listed"] == 250
    assert len(answer.body) < 100_000


def test_a_body_that_is_no_json_is_told_so() -> None:
    assert_problem(call(service(), "/nucs", method="POST", headers=JSON, body=b"{nonsense"), 400, "malformed-json")


# --- statuses and methods ------------------------------------------------------------------------------------


def test_a_path_that_does_not_exist_is_a_problem() -> None:
    assert_problem(call(service(), "/nothing"), 404, "not-found")
    assert_problem(call(service(), "/fails/missing"), 404, "not-found")


def test_a_status_without_a_kind_keeps_its_own_words() -> None:
    answer = call(service(), "/fails/http")

    assert answer.status == 418
    assert (answer.json["type"], answer.json["detail"]) == ("about:blank", "short and stout")


def test_an_exception_that_is_no_error_is_no_problem() -> None:
    answer = call(service(), "/fails/nothing")

    assert (answer.status, answer.body, answer["etag"]) == (304, b"", '"1"')


def nothing() -> Response:
    """An endpoint with nothing to say."""
    return Response()


def many_methods() -> FastAPI:
    """Methods of one path spread over routes, an included router, a mount and a plain ASGI route."""
    app = FastAPI()
    install(app)
    router = APIRouter()
    app.add_api_route("/v1/nucs/{id}", nothing, methods=["GET"])
    app.add_api_route("/v1/nucs/{id}", nothing, methods=["DELETE"])
    router.add_api_route("/nucs/{id}", nothing, methods=["PATCH"])
    router.add_api_route("/only", nothing, methods=["PUT"])
    app.include_router(router, prefix="/v1")
    inner = [Route("/thing", Prepared(b"{}"), methods=["GET"]), Route("/thing", Echo(), methods=["POST"])]
    app.router.routes.append(Mount("/mounted", routes=inner))
    return app


@pytest.mark.parametrize(
    ("path", "method", "allow"),
    [
        ("/v1/nucs/7", "POST", "GET, PATCH, DELETE, HEAD, OPTIONS"),
        ("/v1/nucs/7", "PUT", "GET, PATCH, DELETE, HEAD, OPTIONS"),
        ("/v1/nucs/7", "TRACE", "GET, PATCH, DELETE, HEAD, OPTIONS"),
        ("/v1/nucs/7", "PROPFIND", "GET, PATCH, DELETE, HEAD, OPTIONS"),
        ("/v1/only", "GET", "PUT, OPTIONS"),
        ("/mounted/thing", "DELETE", "GET, POST, HEAD, OPTIONS"),
    ],
)
def test_a_wrong_method_is_told_all_methods_of_the_path(path: str, method: str, allow: str) -> None:
    answer = call(many_methods(), path, method=method)

    assert_problem(answer, 405, "method-not-allowed")
    assert answer["allow"] == allow


@pytest.mark.parametrize("method", ["GET", "POST", "PUT", "PATCH", "DELETE", "HEAD", "OPTIONS"])
@pytest.mark.parametrize("path", ["/v1/nucs/7", "/v1/only", "/mounted/thing"])
def test_allow_is_true(path: str, method: str) -> None:
    """What is listed does not end in 405, what is not listed does."""
    app = HeadLikeGet(many_methods())
    allow = call(app, path, method="OPTIONS")["allow"].split(", ")

    assert (call(app, path, method=method).status != 405) == (method in allow)


def test_options_tells_the_methods_without_a_problem() -> None:
    answer = call(many_methods(), "/v1/nucs/7", method="OPTIONS")

    assert (answer.status, answer.body) == (204, b"")
    assert answer["allow"] == "GET, PATCH, DELETE, HEAD, OPTIONS"


def test_allow_is_true_below_a_path_of_a_proxy() -> None:
    answer = call(many_methods(), "/mw/v1/nucs/7", method="POST", root_path="/mw")

    assert (answer.status, answer["allow"]) == (405, "GET, PATCH, DELETE, HEAD, OPTIONS")


def test_options_of_a_path_that_does_not_exist_finds_nothing() -> None:
    assert_problem(call(many_methods(), "/v1/none", method="OPTIONS"), 404, "not-found")


def test_no_method_is_allowed_where_there_is_no_application() -> None:
    assert allowed_methods({"type": "http", "path": "/", "headers": []}) == []


# --- faults of ours ------------------------------------------------------------------------------------------


@pytest.mark.parametrize("app", [service(), Echo(fault=ZeroDivisionError("secret inner workings"))])
def test_a_fault_of_ours_is_answered_without_inner_workings_and_logged_once(app: Any) -> None:
    with structlog.testing.capture_logs() as lines:
        answer = call(LastResort(app), "/fails/fault", state={"request_id": "abc-123"})
    body = assert_problem(answer, 500, "internal-error")

    assert body["request_id"] == "abc-123"
    assert b"secret" not in answer.body
    assert b"Zero" not in answer.body
    assert [(line["log_level"], line["request_id"]) for line in lines] == [("error", "abc-123")]
    assert isinstance(lines[0]["exc_info"], ZeroDivisionError)


def test_a_problem_raised_outside_of_an_application_is_answered_and_is_no_fault() -> None:
    with structlog.testing.capture_logs() as lines:
        answer = call(LastResort(Prepared(b"{}")), method="DELETE")

    assert_problem(answer, 405, "method-not-allowed")
    assert answer["allow"] == "GET, HEAD"
    assert not lines


def test_a_fault_in_the_middle_of_an_answer_goes_on_to_the_server_which_cuts_the_connection() -> None:
    async def half(scope: Scope, receive: Receive, send: Send) -> None:
        await send({"type": "http.response.start", "status": 200, "headers": []})
        await send({"type": "http.response.body", "body": b"half", "more_body": True})
        raise ZeroDivisionError

    with structlog.testing.capture_logs() as lines, pytest.raises(ZeroDivisionError):
        call(LastResort(half))
    assert len(lines) == 1


def test_a_fault_after_a_whole_answer_is_logged_and_ends_there() -> None:
    async def late(scope: Scope, receive: Receive, send: Send) -> None:
        await Echo()(scope, receive, send)
        raise ZeroDivisionError

    with structlog.testing.capture_logs() as lines:
        assert call(LastResort(late)).status == 200
    assert len(lines) == 1


def test_a_problem_for_head_has_no_body() -> None:
    answer = call(LastResort(Echo(fault=Problem("conflict"))), method="HEAD")

    assert (answer.status, answer.body) == (409, b"")
    assert int(answer["content-length"]) > 100
