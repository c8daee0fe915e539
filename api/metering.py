"""Counts and times of requests, by the template of their route."""

from __future__ import annotations

import time
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Callable

    from starlette.types import ASGIApp, Message, Receive, Scope, Send

    from matewindow.feeds.requestmeter import RequestMeter


def template_of(scope: Scope) -> str:
    """Template of the route that answered a request; its path where it has none, which no figure may show unseen."""
    return getattr(scope.get("route"), "path", None) or str(scope["path"])


class Metered:
    """Counts every answer once it is complete.

    Args:
        app: the application with its edge.
        meter: what counts.
        monotonic: seconds that never run backwards.
    """

    def __init__(self, app: ASGIApp, meter: RequestMeter, monotonic: Callable[[], float] = time.monotonic) -> None:
        self.app, self._meter, self._monotonic = app, meter, monotonic

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Pass the request on and count its answer."""
        if scope["type"] != "http":
            await self.app(scope, receive, send)
            return
        began, status = self._monotonic(), 0

        async def watched(message: Message) -> None:
            nonlocal status
            if message["type"] == "http.response.start":
                status = message["status"]
            await send(message)

        try:
            await self.app(scope, receive, watched)
        finally:
            if status:  # 0: the caller hung up before an answer
                self._meter.observe(scope["method"], template_of(scope), status, max(0.0, self._monotonic() - began))
