"""Header fields of every answer: security fields, a request id, and nothing kept by caches unless a route says so.

Source: OWASP ASVS 5.0, items 3.4.3 to 3.4.8 and 14.3.2; Content Security Policy Level 3; RFC 9111, section 5.2.2.5.
"""

from __future__ import annotations

import os
import re
from typing import TYPE_CHECKING

from api.edge.problems import state_of

if TYPE_CHECKING:
    from starlette.types import ASGIApp, Message, Receive, Scope, Send

API_CSP = "default-src 'none'; base-uri 'none'; form-action 'none'; frame-ancestors 'none'"
"""Policy of answers that are no pages: shown in a browser they load nothing and are framed by nobody."""
PAGE_CSP = (
    "default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self' data:; font-src 'self'; "
    "connect-src 'self'; manifest-src 'self'; worker-src 'self'; form-action 'self'; object-src 'none'; "
    "base-uri 'none'; frame-ancestors 'none'"
)
"""Policy of HTML pages: only files of our own, no script inside the page."""

_SANE_ID = re.compile(rb"[A-Za-z0-9][A-Za-z0-9._-]{7,63}")


class SecurityHeaders:
    """Adds the security header fields to every answer; what a route has set itself stays.

    Answers without a Cache-Control of their own get ``no-store``, since most of what is served is private.

    Args:
        app: the application.
        page_csp: Content-Security-Policy of answers of type ``text/html``.
        hsts: whether to tell browsers to come by HTTPS only; for services behind TLS.
    """

    def __init__(self, app: ASGIApp, page_csp: str = PAGE_CSP, *, hsts: bool = False) -> None:
        self.app = app
        fixed = {
            b"x-content-type-options": b"nosniff",
            b"referrer-policy": b"no-referrer",
            b"cross-origin-opener-policy": b"same-origin",
            b"cross-origin-resource-policy": b"same-origin",
        }
        if hsts:
            fixed[b"strict-transport-security"] = b"max-age=31536000"
        no_store = (b"cache-control", b"no-store")
        csp = b"content-security-policy"
        self._page = (*fixed.items(), no_store, (csp, page_csp.encode("latin-1")))
        self._api = (*fixed.items(), no_store, (csp, API_CSP.encode("latin-1")))
        self._names = frozenset(name for name, _ in self._api)

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Pass the request on and complete the header fields of its answer."""
        if scope["type"] != "http":
            await self.app(scope, receive, send)
            return

        async def completed(message: Message) -> None:
            if message["type"] == "http.response.start":
                message["headers"] = self._complete(message)
            await send(message)

        await self.app(scope, receive, completed)

    def _complete(self, message: Message) -> list[tuple[bytes, bytes]]:
        fields = message.get("headers", ())
        ours = self._api
        # A 304 only repeats what has changed; a no-store of ours would spoil the copy that the caller keeps.
        there = {b"cache-control"} if message["status"] == 304 else set()
        for name, value in fields:
            if name in self._names:
                there.add(name)
            elif name == b"content-type" and value.startswith(b"text/html"):
                ours = self._page
        return [*fields, *([f for f in ours if f[0] not in there] if there else ours)]


class RequestIds:
    """Gives each request an id that its answer, its problem and the log share.

    An id that the caller sends as ``X-Request-Id`` is kept if it is of 8 to 64 letters, digits, dots, hyphens and
    underscores. It is found as ``scope["state"]["request_id"]``.

    Args:
        app: the application.
        base_url: base URL of the service where it is configured, for the types of problems (``problems.base_url``).
    """

    def __init__(self, app: ASGIApp, base_url: str | None = None) -> None:
        self.app = app
        self._base_url = base_url.rstrip("/") if base_url else None

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Pass the request on under its id."""
        if scope["type"] != "http":
            await self.app(scope, receive, send)
            return
        request_id = b""
        for name, value in scope["headers"]:
            if name == b"x-request-id" and _SANE_ID.fullmatch(value):
                request_id = value
                break
        request_id = request_id or os.urandom(12).hex().encode("ascii")
        state = state_of(scope)
        state["request_id"] = request_id.decode("ascii")
        if self._base_url is not None:
            state["base_url"] = self._base_url

        async def named(message: Message) -> None:
            if message["type"] == "http.response.start":
                message["headers"] = [*message.get("headers", ()), (b"x-request-id", request_id)]
            await send(message)

        await self.app(scope, receive, named)
