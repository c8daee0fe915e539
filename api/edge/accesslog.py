"""The access log: one JSON line for each answer, without secrets.

A line names the request id, the method, the template of the route (``/v1/feeds/{token}/calendar.ics``) or, where there
is none, the path with its secrets masked, the status and the milliseconds. Queries, header fields, addresses of callers
and bodies are never written.

Source: OWASP ASVS 5.0, items 14.2.1, 16.2.5 and 16.4.1.
"""

from __future__ import annotations

import time
from typing import TYPE_CHECKING

import structlog

from api.edge.logs import mask
from api.edge.problems import state_of

if TYPE_CHECKING:
    from collections.abc import Callable, Collection

    from starlette.types import ASGIApp, Message, Receive, Scope, Send
    from structlog.typing import FilteringBoundLogger

PATH_MAX = 200
"""Characters of a path that fits no route; such paths are written by whoever calls."""


class AccessLog:
    """Writes a line when an answer is complete, or when there will be none.

    Args:
        app: the application.
        quiet: route templates that are left out while they answer below 400, such as that of the health check.
        log: where to; the configured structlog if left out.
        clock: seconds from any start.
    """

    def __init__(
        self,
        app: ASGIApp,
        *,
        quiet: Collection[str] = (),
        log: FilteringBoundLogger | None = None,
        clock: Callable[[], float] = time.perf_counter,
    ) -> None:
        self.app = app
        self._quiet = frozenset(quiet)
        self._log: FilteringBoundLogger = log or structlog.get_logger("api.access")
        self._clock = clock

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Pass the request on and write its line."""
        if scope["type"] != "http":
            await self.app(scope, receive, send)
            return
        began = self._clock()
        status: int | None = None

        async def watched(message: Message) -> None:
            nonlocal status
            if message["type"] == "http.response.start":
                status = message["status"]
            await send(message)

        try:
            await self.app(scope, receive, watched)
        finally:
            self._write(scope, status, (self._clock() - began) * 1000.0)

    def _write(self, scope: Scope, status: int | None, ms: float) -> None:
        template = getattr(scope.get("route"), "path", None)
        if template in self._quiet and status is not None and status < 400:
            return
        where = {"route": template} if template else {"path": mask(scope["path"])[:PATH_MAX]}
        self._log.info(
            "request",
            request_id=state_of(scope).get("request_id"),
            method=scope["method"],
            **where,
            status=status,  # None: the caller hung up before an answer
            ms=round(ms, 2),
        )
