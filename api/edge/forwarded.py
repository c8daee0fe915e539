"""What proxies tell about the caller: believed from named ones, removed from everybody else."""

from __future__ import annotations

from typing import TYPE_CHECKING

from uvicorn.middleware.proxy_headers import ProxyHeadersMiddleware

if TYPE_CHECKING:
    from collections.abc import Sequence

    from starlette.types import ASGIApp, Receive, Scope, Send

_TOLD = frozenset(
    {
        b"forwarded",
        b"x-forwarded-for",
        b"x-forwarded-host",
        b"x-forwarded-port",
        b"x-forwarded-prefix",
        b"x-forwarded-proto",
        b"x-forwarded-server",
        b"x-real-ip",
    }
)


class Forwarded:
    """Takes client, scheme and host from ``X-Forwarded-For``, ``-Proto`` and ``-Host`` of named proxies only.

    Of a list of addresses the last one that is no named proxy counts, since only that one was seen by a proxy of ours.
    The fields of anybody else are taken out of the request, so that nothing behind this piece can believe them.

    Args:
        app: the application.
        proxies: addresses and networks (``10.0.0.0/24``) of the proxies.

    Raises:
        ValueError: ``*`` would believe everybody.
    """

    def __init__(self, app: ASGIApp, proxies: Sequence[str] = ()) -> None:
        if "*" in proxies:
            raise ValueError("name the proxies by their addresses or networks; '*' would believe everybody")
        self.app = app
        self._believing = ProxyHeadersMiddleware(app, list(proxies))  # type: ignore[arg-type]  # uvicorn's own ASGI types
        self._proxies = self._believing.trusted_hosts

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Pass the request on with what is believed."""
        if scope["type"] != "http":
            await self.app(scope, receive, send)
            return
        client = scope.get("client")
        if client is not None and client[0] in self._proxies:
            _take_host(scope)
            await self._believing(scope, receive, send)  # type: ignore[arg-type]
            return
        for name, _ in scope["headers"]:
            if name in _TOLD:
                scope["headers"] = [(n, v) for n, v in scope["headers"] if n not in _TOLD]
                break
        await self.app(scope, receive, send)


def _take_host(scope: Scope) -> None:
    """Put the host that the nearest proxy was asked for, the last of X-Forwarded-Host, in the place of Host."""
    told = b",".join(value for name, value in scope["headers"] if name == b"x-forwarded-host")
    host = told.rpartition(b",")[2].strip()
    if host:
        scope["headers"] = [(b"host", host), *((n, v) for n, v in scope["headers"] if n != b"host")]
