"""Who may talk to the service through a browser: names it goes by, sites that may write, origins that may read.

A browser can be made to send requests to a service on the same machine or network. Three checks keep foreign sites
out: the Host header must be a name of ours (a foreign name that points to our address is refused), writes on behalf of
another site are refused, and no other origin may read answers unless it is named.

Source: RFC 9110, sections 7.2 (Host) and 15.5.20 (421); RFC 9112, section 3.2; W3C Fetch Metadata (Sec-Fetch-Site);
WHATWG Fetch (Origin, CORS); OWASP ASVS 5.0, items 3.5.1 to 3.5.3.
"""

from __future__ import annotations

import re
from functools import lru_cache
from ipaddress import ip_address
from typing import TYPE_CHECKING

from starlette.datastructures import Headers
from starlette.middleware.cors import CORSMiddleware

from api.edge.problems import Problem, send_problem

if TYPE_CHECKING:
    from collections.abc import Collection

    from starlette.types import ASGIApp, Receive, Scope, Send

LOOPBACK = ("localhost", "127.0.0.1", "::1")
SAFE = frozenset({"GET", "HEAD", "OPTIONS"})
_HOST = re.compile(r"(?P<name>[A-Za-z0-9._-]{1,253}|\[[0-9A-Fa-f:.]{2,45}\])(?::\d{1,5})?")
_NAME = re.compile(r"(\*\.)?[a-z0-9_-]+(\.[a-z0-9_-]+)*")
_ORIGIN = re.compile(r"https?://[a-z0-9._\-\[\]:]+")


# --- the names we go by --------------------------------------------------------------------------------------


class HostGuard:
    """Refuses requests whose Host header is not one of the service's names (421) or is missing or malformed (400).

    Args:
        app: the application.
        allowed: names and addresses without port; ``*.example.org`` stands for every name below example.org.

    Raises:
        ValueError: an entry is no name or address; ``*`` alone would switch the protection off and is none.
    """

    def __init__(self, app: ASGIApp, allowed: Collection[str] = LOOPBACK) -> None:
        self.app = app
        names = [_normal(name) for name in allowed]
        wrong = [name for name in names if not (_is_address(name) or _NAME.fullmatch(name))]
        if wrong or not names:
            raise ValueError(f"allowed hosts must be names or addresses without a port, got {sorted(wrong)}")
        self._names = frozenset(name for name in names if not name.startswith("*."))
        self._below = tuple(name[1:] for name in names if name.startswith("*."))
        self._judge = lru_cache(maxsize=256)(self._verdict)

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Pass the request on or refuse it."""
        if scope["type"] != "http":
            await self.app(scope, receive, send)
            return
        hosts = [value for name, value in scope["headers"] if name == b"host"]
        slug = self._judge(hosts[0]) if len(hosts) == 1 and len(hosts[0]) <= 300 else "malformed-request"
        if not slug:
            await self.app(scope, receive, send)
            return
        told = "" if slug == "misdirected-request" else "There must be exactly one Host header with a name in it."
        ours = {**scope, "headers": []}  # the refused name is not repeated in the answer
        await send_problem(Problem(slug, told), ours, send)

    def _verdict(self, value: bytes) -> str:
        """Slug of the problem with a Host header, empty if it is fine."""
        match = _HOST.fullmatch(value.decode("latin-1"))
        if match is None:
            return "malformed-request"
        name = _normal(match["name"])
        return "" if name in self._names or name.endswith(self._below) else "misdirected-request"


def _normal(name: str) -> str:
    """Lower case, without brackets and the dot at the end; addresses in their shortest form."""
    bare = name.strip().lower().removesuffix(".").strip("[]")
    return str(ip_address(bare)) if _is_address(bare) else bare


def _is_address(name: str) -> bool:
    try:
        ip_address(name)
    except ValueError:
        return False
    return True


# --- writes on behalf of other sites -------------------------------------------------------------------------


class CrossSiteGuard:
    """Refuses writes that a browser sends on behalf of another site (403).

    ``Sec-Fetch-Site`` decides where it is sent; a page cannot forge it. Browsers leave it out over plain HTTP on a
    network, so then ``Origin`` must have our own host. A request with neither does not come from a browser.

    Args:
        app: the application.
        origins: further origins that may write, such as ``https://example.org``.
        own: our own origins, if a proxy in front changes the Host header.
    """

    def __init__(self, app: ASGIApp, origins: Collection[str] = (), own: Collection[str] = ()) -> None:
        self.app = app
        self._origins = frozenset(checked_origin(origin) for origin in (*origins, *own))

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Pass the request on or refuse it."""
        if scope["type"] != "http" or scope["method"] in SAFE or self._may_write(scope):
            await self.app(scope, receive, send)
            return
        await send_problem(Problem("cross-site-refused"), scope, send)

    def _may_write(self, scope: Scope) -> bool:
        sites: set[str] = set()
        origins: set[str] = set()
        host = ""
        for name, value in scope["headers"]:
            if name == b"sec-fetch-site":
                sites.add(value.decode("latin-1").strip().lower())
            elif name == b"origin":
                origins.add(value.decode("latin-1").strip().lower())
            elif name == b"host":
                host = value.decode("latin-1").strip().lower()
        if origins and origins <= self._origins:
            return True
        if sites:
            return sites <= {"same-origin", "none"}
        return all(host and origin.partition("://")[2] == host for origin in origins)


def checked_origin(origin: str) -> str:
    """An origin in lower case, without a slash at its end.

    Raises:
        ValueError: it is none; ``*`` and ``null`` are none.
    """
    plain = origin.strip().lower().removesuffix("/")
    if not _ORIGIN.fullmatch(plain):
        raise ValueError(f"an origin is written like https://example.org or http://192.0.2.7:8377, got {origin!r}")
    return plain


# --- answers for other origins -------------------------------------------------------------------------------


class Cors(CORSMiddleware):
    """Lets named origins read answers and send what the interface needs; without cookies.

    Leave it out to let nobody: without CORS headers a browser keeps answers from other origins.

    Args:
        app: the application.
        origins: origins by name.
        max_age_s: how long a browser may keep the answer to a preflight.
    """

    METHODS = ("GET", "HEAD", "POST", "PUT", "PATCH", "DELETE")
    TAKEN = ("Authorization", "Content-Type", "Idempotency-Key", "If-Match", "If-None-Match", "X-Request-Id")
    SHOWN = ("ETag", "Link", "Location", "Retry-After", "X-Request-Id")

    def __init__(self, app: ASGIApp, origins: Collection[str], *, max_age_s: int = 600) -> None:
        super().__init__(
            app,
            allow_origins=[checked_origin(origin) for origin in origins],
            allow_methods=self.METHODS,
            allow_headers=self.TAKEN,
            expose_headers=self.SHOWN,
            max_age=max_age_s,
        )

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Answer a preflight, or pass the request on and add the header fields to its answer."""
        if scope["type"] != "http" or scope["method"] != "OPTIONS":
            await super().__call__(scope, receive, send)
            return
        headers = Headers(scope=scope)
        if "origin" not in headers or "access-control-request-method" not in headers:
            await super().__call__(scope, receive, send)
            return
        answer = self.preflight_response(headers)
        if answer.status_code < 400:
            await answer(scope, receive, send)
            return
        told = f"{bytes(answer.body).decode('ascii')}: not among those that the service allows."
        problem = Problem("cross-site-refused", told, headers={"Vary": answer.headers["Vary"]})
        await send_problem(problem, scope, send)


def own_origins(base_url: str | None) -> tuple[str, ...]:
    """The origin of a configured base URL, for ``CrossSiteGuard``."""
    if not base_url:
        return ()
    scheme, _, rest = base_url.partition("://")
    return (checked_origin(f"{scheme}://{rest.partition('/')[0]}"),)
