"""Problem answers by RFC 9457: one exception, one encoder, and the pages behind the types.

Whoever refuses a request raises a ``Problem`` (inside the application) or sends one with ``send_problem`` (in
middleware). Both end in the same ``application/problem+json``.

Source: RFC 9457, sections 3.1 (members) and 3.2 (names of extension members).
"""

from __future__ import annotations

import json
import math
import re
from http import HTTPStatus
from typing import TYPE_CHECKING, Any

from starlette.responses import PlainTextResponse, Response

from api.edge.kinds import KINDS, list_text, page_html, page_text

if TYPE_CHECKING:
    from collections.abc import Iterable, Mapping

    from starlette.requests import Request
    from starlette.types import Scope, Send

MEDIA_TYPE = "application/problem+json"
PAGES = "/problems"
"""Path, below the service's base URL, under which the page of each kind is served."""

_EXTENSION = re.compile(r"[A-Za-z][A-Za-z0-9_]{2,}")  # RFC 9457, section 3.2
_RESERVED = frozenset({"type", "title", "status", "detail", "instance", "fix", "request_id"})
_HOST = re.compile(r"[A-Za-z0-9._-]{1,253}(:[0-9]{1,5})?|\[[0-9A-Fa-f:.]{2,45}\](:[0-9]{1,5})?")


class Problem(Exception):  # noqa: N818  it is an answer before it is an error
    """A request that is answered with a problem.

    Args:
        slug: kind of problem, a key of ``KINDS``; empty for a bare status without a page (``about:blank``).
        detail: what is wrong with this very request, as full sentences; the kind's meaning if left out.
        fix: what to do; the kind's remedy if left out.
        status: HTTP status instead of the kind's own.
        headers: further header fields of the answer, such as ``Retry-After``.
        extra: further members of the body; at least three letters, digits or ``_``.

    Raises:
        ValueError: unknown slug, missing status, or a member name that RFC 9457 does not allow or reserves.
    """

    def __init__(
        self,
        slug: str,
        detail: str = "",
        *,
        fix: str = "",
        status: int | None = None,
        headers: Mapping[str, str] | None = None,
        **extra: object,
    ) -> None:
        kind = KINDS.get(slug)
        if slug and kind is None:
            raise ValueError(f"unknown kind of problem: {slug!r}")
        if kind is None and status is None:
            raise ValueError("a problem without a kind needs a status")
        wrong = [name for name in extra if name in _RESERVED or not _EXTENSION.fullmatch(name)]
        if wrong:
            raise ValueError(f"not allowed as members of a problem: {', '.join(wrong)}")
        self.slug = slug
        self.status = status if status is not None else (kind.status if kind else 500)
        self.title = kind.title if kind else phrase(self.status)
        self.detail = detail or (kind.meaning if kind else "")
        self.fix = fix or (kind.remedy if kind else "")
        self.headers = dict(headers or {})
        if self.status == 401:  # RFC 9110, section 15.5.2
            self.headers.setdefault("WWW-Authenticate", 'Bearer realm="matewindow"')
        self.extra = extra
        super().__init__(self.detail)

    def body(self, base: str = "", request_id: str | None = None) -> bytes:
        """The answer's body.

        Args:
            base: base URL of the service without a slash at its end, so that ``type`` becomes absolute.
            request_id: under which the log has the request.

        Returns:
            JSON in ASCII. Numbers that JSON lacks become null, halves of surrogate pairs become U+FFFD.
        """
        members: dict[str, object] = {
            "type": f"{base}{PAGES}/{self.slug}" if self.slug else "about:blank",
            "title": self.title,
            "status": self.status,
            "detail": self.detail,
            "fix": self.fix,
            "request_id": request_id,
        }
        members = {name: value for name, value in members.items() if value not in {"", None}}
        return json.dumps(_plain({**members, **self.extra}), allow_nan=False).encode("ascii")


def phrase(status: int) -> str:
    """The status phrase, or ``Unknown`` for a number that has none."""
    try:
        return HTTPStatus(status).phrase
    except ValueError:
        return "Unknown"


def _plain(value: object) -> object:
    """The same value with nothing in it that JSON, or a reader of JSON, cannot take."""
    if isinstance(value, str):
        return value.encode("utf-16", "surrogatepass").decode("utf-16", "replace")
    if isinstance(value, float):
        return value if math.isfinite(value) else None
    if value is None or isinstance(value, bool | int):
        return value
    if isinstance(value, dict):
        return {_plain(str(name)): _plain(part) for name, part in value.items()}
    if isinstance(value, list | tuple | set | frozenset):
        return [_plain(part) for part in value]
    return _plain(str(value))


# --- answering -----------------------------------------------------------------------------------------------


def base_url(scope: Scope) -> str:
    """The service's base URL, without a slash at its end.

    The configured one (``scope["state"]["base_url"]``, see ``RequestIds``) if there is one; else what the request was
    sent to, if its Host header is a plausible one; else the address that the server listens on.
    """
    configured = state_of(scope).get("base_url")
    if configured:
        return str(configured)
    host = next((value.decode("latin-1") for name, value in scope["headers"] if name == b"host"), "")
    if not _HOST.fullmatch(host):
        host = _own_host(scope)
    prefix = str(scope.get("app_root_path", scope.get("root_path", ""))).rstrip("/")
    return f"{scope.get('scheme', 'http')}://{host}{prefix}" if host else prefix


def _own_host(scope: Scope) -> str:
    name, port = scope.get("server") or ("", None)
    return "" if port is None else f"[{name}]:{port}" if ":" in name else f"{name}:{port}"


def state_of(scope: Scope) -> dict[str, Any]:
    """What the pieces of the edge tell each other about one request; shared by all copies of its scope."""
    state: dict[str, Any] = scope.setdefault("state", {})
    return state


def _fields(problem: Problem, body: bytes) -> Iterable[tuple[str, str]]:
    yield "Content-Type", MEDIA_TYPE
    yield "Content-Length", str(len(body))
    yield "Cache-Control", "no-store"
    yield from problem.headers.items()


async def send_problem(problem: Problem, scope: Scope, send: Send) -> None:
    """Answer with a problem from middleware; for HEAD without the body."""
    body = problem.body(base_url(scope), state_of(scope).get("request_id"))
    fields = [(name.lower().encode("latin-1"), value.encode("latin-1")) for name, value in _fields(problem, body)]
    await send({"type": "http.response.start", "status": problem.status, "headers": fields})
    await send({"type": "http.response.body", "body": b"" if scope["method"] == "HEAD" else body})


def problem_response(problem: Problem, scope: Scope) -> Response:
    """The same answer as a response object, for exception handlers."""
    body = problem.body(base_url(scope), state_of(scope).get("request_id"))
    return Response(body, problem.status, headers=dict(_fields(problem, body)))


# --- pages ---------------------------------------------------------------------------------------------------


def problem_page(request: Request) -> Response:
    """Serve ``/problems/{slug}`` (and ``/problems``): what a kind of problem means and what to do.

    HTML for those who ask for it, else plain text.

    Raises:
        Problem: there is no such kind (404).
    """
    slug = request.path_params.get("slug")
    headers = {"Cache-Control": "public, max-age=86400", "Vary": "Accept"}
    if slug is None:
        return PlainTextResponse(list_text(), headers=headers)
    kind = KINDS.get(slug)
    if kind is None:
        raise Problem("not-found", "There is no such kind of problem.", fix=f"See {PAGES} for all kinds.")
    if "text/html" in request.headers.get("accept", ""):
        return Response(page_html(kind), media_type="text/html", headers=headers)
    return PlainTextResponse(page_text(kind), headers=headers)
