"""From exceptions to problem answers: handlers for the application, and the last resort around it.

``install`` gives a Starlette or FastAPI application handlers for everything that can be raised in it. ``LastResort``
stands around the application and answers what is raised outside of them.
"""

from __future__ import annotations

import re
from email.utils import format_datetime
from typing import TYPE_CHECKING, Any

import structlog
from fastapi.exceptions import RequestValidationError
from starlette.exceptions import HTTPException
from starlette.responses import Response
from starlette.routing import BaseRoute, Match, Mount

from api.edge.kinds import BY_STATUS
from api.edge.problems import Problem, phrase, problem_response, send_problem, state_of
from matewindow.errors import (
    BusyError,
    ConflictError,
    InputError,
    MatewindowError,
    NotThereError,
    RefusedError,
    RegisterError,
    SourceError,
    StaleError,
    StoreError,
    UnavailableError,
    UnknownReferenceError,
)
from matewindow.register.ids import PATTERN
from matewindow.wrongvalues import in_words

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from starlette.applications import Starlette
    from starlette.requests import Request
    from starlette.types import ASGIApp, Message, Receive, Scope, Send

SLUGS: dict[type[MatewindowError], str] = {
    MatewindowError: "cannot-be-answered",
    SourceError: "weather-unavailable",
    StoreError: "storage-unavailable",
    RefusedError: "record-refused",
    NotThereError: "not-found",
    UnknownReferenceError: "record-refused",
    ConflictError: "conflict",
    StaleError: "precondition-failed",
    BusyError: "busy",
    UnavailableError: "storage-unavailable",
}
"""The kind of problem of each error that is meant for a person; the nearest ancestor counts."""

ERRORS_MAX = 50
"""Number of faulty values that are listed; whoever sent a thousand learns enough from these."""
TEXT_MAX = 300
"""Characters of one message or of one part of a location."""
PROBED = ("GET", "POST", "PUT", "PATCH", "DELETE")

_FOLDERS = re.compile(r"(?<![\w./\\])(?:[A-Za-z]:)?[/\\](?:[^/\\\s:]+[/\\])+")
_log = structlog.get_logger("api.edge")


# --- errors of the library -----------------------------------------------------------------------------------


def problem_of(fault: MatewindowError, slugs: Mapping[type[MatewindowError], str] = SLUGS) -> Problem:
    """The problem that tells a person of a library error, without paths or other internals of the machine.

    Args:
        fault: what was raised.
        slugs: kind for each class; must have one for ``MatewindowError``.
    """
    slug = next(slugs[c] for c in type(fault).__mro__ if c in slugs)
    if isinstance(fault, UnavailableError) and fault.full:
        slug = "storage-full"
    told, fix = _texts(fault)
    problem = Problem(slug, told, fix=fix, headers=_retry(fault))
    refusals = _refusals(fault)
    if refusals:
        problem.extra["errors"] = [_one_refusal(*one) for one in refusals[:ERRORS_MAX]]
    if len(refusals) > ERRORS_MAX:
        problem.extra["errors_not_listed"] = len(refusals) - ERRORS_MAX
    return problem


def _refusals(fault: MatewindowError) -> list[tuple[str, str, str]]:
    """Field, what is wrong and what to do, for each thing that is wrong with a record."""
    if isinstance(fault, RefusedError):
        return fault.refusals
    return [(fault.field, fault.what, fault.fix)] if isinstance(fault, UnknownReferenceError) else []


def _one_refusal(field: str, what: str, fix: str) -> dict[str, Any]:
    found = _one_value({"loc": ("body", field), "msg": what})
    return found | {"fix": fix[:TEXT_MAX]} if fix else found


def _texts(fault: MatewindowError) -> tuple[str, str]:
    """What is told of an error, and what to do; empty where the kind of problem says all that a caller may know."""
    if isinstance(fault, StoreError | UnavailableError):
        return "", ""  # their texts name folders and databases of the machine
    if isinstance(fault, InputError):
        what = f"{fault.where}: {fault.what}" if fault.where else fault.what
        return _sentence(_without_folders(what)), _without_folders(fault.fix)
    if isinstance(fault, RegisterError):
        return _sentence(fault.what), fault.fix
    return _without_folders(str(fault)), ""


def _retry(fault: MatewindowError) -> dict[str, str]:
    if isinstance(fault, SourceError) and fault.retry_after is not None:
        return {"Retry-After": format_datetime(fault.retry_after, usegmt=True)}
    return {"Retry-After": "1"} if isinstance(fault, BusyError) else {}


def _sentence(text: str) -> str:
    return text if text.endswith((".", "!", "?")) else text + "."


def _without_folders(text: str) -> str:
    """The text with ``/folder/of/the/machine/file.csv`` shortened to ``file.csv``."""
    return _FOLDERS.sub("", text)


# --- values that do not fit ----------------------------------------------------------------------------------


def problem_of_values(errors: Sequence[Any]) -> Problem:
    """One problem for all values that pydantic refused: where and why, never the value itself.

    Each entry of ``errors`` has ``location`` (the parts), ``pointer`` (RFC 6901, for values in the body) and
    ``message``.
    """
    listed = [_one_value(error) for error in errors[:ERRORS_MAX]]
    more = len(errors) - len(listed)
    detail = "; ".join(f"{'.'.join(one['location'])}: {one['message']}" for one in listed[:3])
    rest = len(errors) - min(len(listed), 3)
    detail += f"; and {rest} more." if rest else "."
    problem = Problem("invalid-request", detail, errors=listed)
    if more:
        problem.extra["errors_not_listed"] = more
    return problem


def _message(error: Mapping[str, Any]) -> str:
    given = error.get("ctx", {}).get("pattern")
    return in_words(error, {"string_pattern_mismatch": "is no id"} if given == PATTERN else None)[:TEXT_MAX]


def _one_value(error: Mapping[str, Any]) -> dict[str, Any]:
    parts = [str(part)[:TEXT_MAX] for part in error["loc"]]
    found: dict[str, Any] = {"location": parts, "message": _message(error)}
    if parts and parts[0] == "body":
        found["pointer"] = "".join("/" + part.replace("~", "~0").replace("/", "~1") for part in parts[1:])
    return found


# --- methods -------------------------------------------------------------------------------------------------


def allowed_methods(scope: Scope) -> list[str]:
    """All methods that the application serves under the request's path, over all its routes.

    The router itself names only those of the first route that fits the path. HEAD is served wherever GET is, OPTIONS
    everywhere.
    """
    probe = {
        "type": "http",
        "path": scope["path"],
        "root_path": scope.get("app_root_path", scope.get("root_path", "")),
        "headers": scope["headers"],
    }
    routes = getattr(scope.get("app"), "routes", [])
    found = [method for method in PROBED if _serves(routes, {**probe, "method": method})]
    return [*found, *(["HEAD"] if "GET" in found else []), "OPTIONS"] if found else []


def _serves(routes: Sequence[BaseRoute], probe: Scope) -> bool:
    for route in routes:
        match, child = route.matches(dict(probe))
        if match is Match.FULL and not (isinstance(route, Mount) and route.routes):
            return True
        if match is Match.FULL and isinstance(route, Mount) and _serves(route.routes, {**probe, **child}):
            return True
    return False


# --- handlers ------------------------------------------------------------------------------------------------


def install(app: Starlette, slugs: Mapping[type[MatewindowError], str] | None = None) -> None:
    """Let an application answer everything that is raised in it with a problem.

    Args:
        app: Starlette or FastAPI application.
        slugs: kinds of problem for library errors, instead of or beside those of ``SLUGS``.
    """
    kinds = {**SLUGS, **(slugs or {})}

    async def library(request: Request, fault: Exception) -> Response:
        assert isinstance(fault, MatewindowError)
        problem = problem_of(fault, kinds)
        if problem.status >= 500:
            _log.warning("refused", slug=problem.slug, reason=str(fault), request_id=_id(request.scope))
        return problem_response(problem, request.scope)

    app.add_exception_handler(Problem, _problem)
    app.add_exception_handler(MatewindowError, library)
    app.add_exception_handler(RequestValidationError, _values)
    app.add_exception_handler(HTTPException, _http)
    app.add_exception_handler(Exception, _our_fault)


async def _problem(request: Request, fault: Exception) -> Response:
    assert isinstance(fault, Problem)
    return problem_response(fault, request.scope)


async def _values(request: Request, fault: Exception) -> Response:
    assert isinstance(fault, RequestValidationError)
    errors = fault.errors()
    if any(error.get("type") == "json_invalid" for error in errors):
        return problem_response(Problem("malformed-json"), request.scope)
    return problem_response(problem_of_values(errors), request.scope)


async def _http(request: Request, fault: Exception) -> Response:
    assert isinstance(fault, HTTPException)
    headers = dict(fault.headers or {})
    if fault.status_code < 400:
        return Response(status_code=fault.status_code, headers=headers)
    if fault.status_code == 405:
        methods = allowed_methods(request.scope)
        headers["Allow"] = ", ".join(methods) if methods else headers.get("Allow", "")
        if request.method == "OPTIONS" and methods:  # RFC 9110, section 9.3.7
            return Response(status_code=204, headers=headers)
    told = fault.detail if isinstance(fault.detail, str) and fault.detail != phrase(fault.status_code) else ""
    slug = BY_STATUS.get(fault.status_code, "")
    return problem_response(Problem(slug, told, status=fault.status_code, headers=headers), request.scope)


async def _our_fault(request: Request, fault: Exception) -> Response:
    _log_fault(request.scope, fault)
    return problem_response(Problem("internal-error"), request.scope)


def _log_fault(scope: Scope, fault: BaseException) -> None:
    """Write a fault of ours into the log, once for each request."""
    state = state_of(scope)
    if not state.get("fault_logged"):
        state["fault_logged"] = True
        _log.error("fault", request_id=_id(scope), exc_info=fault)


def _id(scope: Scope) -> str | None:
    found: str | None = state_of(scope).get("request_id")
    return found


class LastResort:
    """Answers with a problem whatever is raised inside of it and not answered yet, and logs it.

    An application with ``install`` answers most itself; this is for faults in middleware and in plain ASGI routes.
    If an answer had begun and was not finished, the fault goes on to the server, which cuts the connection, so that
    nobody takes half an answer for a whole one.
    """

    def __init__(self, app: ASGIApp) -> None:
        self.app = app

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Run the application behind this piece."""
        if scope["type"] != "http":
            await self.app(scope, receive, send)
            return
        begun = complete = False

        async def watched(message: Message) -> None:
            nonlocal begun, complete
            begun = True
            complete = message["type"] == "http.response.body" and not message.get("more_body", False)
            await send(message)

        try:
            await self.app(scope, receive, watched)
        except Exception as fault:
            if not isinstance(fault, Problem):
                _log_fault(scope, fault)
            if not begun:
                await send_problem(fault if isinstance(fault, Problem) else Problem("internal-error"), scope, send)
            elif not complete:
                raise
