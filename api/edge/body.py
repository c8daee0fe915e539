"""What a request's body must be before anything reads it: small enough, JSON by its type, and JSON indeed.

The body is read here up to its limit, checked, and handed to the application as a whole.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from anyio.to_thread import run_sync

from api.edge.problems import Problem, send_problem
from api.edge.strictjson import DEPTH_MAX, VALUES_MAX, check_json

if TYPE_CHECKING:
    from collections.abc import Callable

    from starlette.types import ASGIApp, Message, Receive, Scope, Send

LIMIT_BYTES = 1_000_000
WRITES = frozenset({"POST", "PUT", "PATCH", "DELETE"})
_TOLD = frozenset({b"content-length", b"transfer-encoding", b"content-type", b"content-encoding"})
_IN_THREAD_BYTES = 65_536  # a larger body is checked beside the event loop, so that others do not wait


@dataclass(frozen=True)
class BodyRule:
    """What bodies a path takes.

    Args:
        limit_bytes: largest body.
        media_types: types taken on writes; ``application/*+json`` stands for all such types.
        strict_json: whether the body is checked as JSON.
        depth_max: nesting of lists and objects.
        values_max: entries of all lists and members of all objects together.
    """

    limit_bytes: int = LIMIT_BYTES
    media_types: tuple[str, ...] = ("application/json", "application/*+json")
    strict_json: bool = True
    depth_max: int = DEPTH_MAX
    values_max: int = VALUES_MAX

    def takes(self, content_type: str) -> bool:
        """Whether a Content-Type is among the media types, in UTF-8."""
        kind, _, rest = content_type.lower().partition(";")
        parameters = dict(part.strip().partition("=")[::2] for part in rest.split(";"))
        if parameters.get("charset", "utf-8").strip('"') not in {"utf-8", "utf8"}:
            return False
        kind = kind.strip()
        return kind in self.media_types or (
            "application/*+json" in self.media_types and kind.startswith("application/") and kind.endswith("+json")
        )


JSON_BODY = BodyRule()


class BodyGuard:
    """Refuses bodies that are too large (413), of another type (415) or no strict JSON (400, 422).

    Args:
        app: the application.
        rule: gives the rule for a request; the same one for all if left out.
    """

    def __init__(self, app: ASGIApp, rule: Callable[[Scope], BodyRule] = lambda _: JSON_BODY) -> None:
        self.app = app
        self.rule = rule

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Pass the request on with its body checked, or answer with a problem."""
        if scope["type"] != "http":
            await self.app(scope, receive, send)
            return
        told = _about_the_body(scope)
        if told is None:
            await self.app(scope, receive, send)
            return
        rule = self.rule(scope)
        try:
            _check_head(scope["method"], told, rule)
            body = await _read(receive, rule.limit_bytes)
            if body is None:
                return  # the caller has hung up; nobody is left to answer
            if body and rule.strict_json and scope["method"] in WRITES:
                await _check(body, rule)
        except Problem as problem:
            await send_problem(problem, scope, send)
            return
        await self.app(scope, _replay(body, receive), send)


def _about_the_body(scope: Scope) -> dict[bytes, bytes] | None:
    """The header fields about the body, or None if the request has no body (RFC 9112, section 6)."""
    told = {name: value for name, value in scope["headers"] if name in _TOLD}
    has_body = b"transfer-encoding" in told or told.get(b"content-length", b"0").strip(b"0 ") != b""
    return told if has_body else None


def _check_head(method: str, told: dict[bytes, bytes], rule: BodyRule) -> None:
    length = told.get(b"content-length", b"0")
    if not length.isdigit():
        raise Problem("malformed-request", "The Content-Length is not a number.")
    if len(length) > 15 or int(length) > rule.limit_bytes:
        raise _too_large(rule.limit_bytes)
    if method not in WRITES:
        return
    coding = told.get(b"content-encoding", b"identity").decode("latin-1").strip().lower()
    if coding not in {"identity", ""}:  # a small compressed body can be a huge one
        raise Problem("unsupported-media-type", "The body is compressed.", headers={"Accept-Encoding": "identity"})
    if not rule.takes(told.get(b"content-type", b"").decode("latin-1")):
        accepted = ", ".join(rule.media_types)
        raise Problem(
            "unsupported-media-type",
            f"The body must have one of these types, in UTF-8: {accepted}.",
            headers={"Accept": ", ".join(t for t in rule.media_types if "*" not in t)},
        )


async def _read(receive: Receive, limit_bytes: int) -> bytes | None:
    """The whole body, or None if the caller hung up before its end."""
    parts: list[bytes] = []
    size = 0
    while True:
        message = await receive()
        if message["type"] == "http.disconnect":
            return None
        part: bytes = message.get("body", b"")
        size += len(part)
        if size > limit_bytes:
            raise _too_large(limit_bytes)
        parts.append(part)
        if not message.get("more_body", False):
            return b"".join(parts)


async def _check(body: bytes, rule: BodyRule) -> None:
    if len(body) > _IN_THREAD_BYTES:
        await run_sync(lambda: check_json(body, depth_max=rule.depth_max, values_max=rule.values_max))
    else:
        check_json(body, depth_max=rule.depth_max, values_max=rule.values_max)


def _too_large(limit_bytes: int) -> Problem:
    return Problem("content-too-large", f"The body is larger than {limit_bytes:,} bytes.", limit_bytes=limit_bytes)


def _replay(body: bytes, receive: Receive) -> Receive:
    """A ``receive`` that gives the body once, and then what the server has to tell."""
    given = False

    async def again() -> Message:
        nonlocal given
        if given:
            return await receive()
        given = True
        return {"type": "http.request", "body": body, "more_body": False}

    return again
