"""Answers that tools ask for all the time, given again without waking the framework.

A tool that polls sends the same request over and over: same path, same header fields, same token. Where a route has
marked its answer as one that follows from the register alone, and nothing has been written to the register since, by
whichever process, the whole answer is given again, word for word as the ordinary way made it, for two seconds
at most, or while one request is finding out anew.

An answer is only given to a request that is the same in all that could have decided about it: the caller's address,
the path, the query and every header field in its order, so token, Host, Origin and Accept-Encoding too. The number of
the register's changes is read before the token of the first request is looked at; revoking a token is a change, so
whatever was let in before it is forgotten with it. A request that the ordinary way answers in any other manner makes
the kept answer forgotten as well.

Such answers count against the rate of requests and in the figures, and are not written into the access log.
"""

from __future__ import annotations

import os
import time
from collections import OrderedDict
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

from api.edge.problems import state_of
from api.edge.rates import client_key
from api.metering import template_of

if TYPE_CHECKING:
    from collections.abc import Callable

    from starlette.types import ASGIApp, Message, Receive, Scope, Send

    from api.edge.rates import Buckets
    from matewindow.feeds.requestmeter import RequestMeter
    from matewindow.register.database import Database

AGAIN_S = 2.0
"""After so many seconds an answer is made anew, so that a change of weather files or of the day is not missed."""
ANSWERS = 1_000
BYTES_MAX = 200_000
"""Larger answers are not kept."""
BYTES_IN_ALL = 32_000_000
_MARK = "hot"
_Key = tuple[object, ...]


def mark_hot(scope: Scope) -> None:
    """Say that the answer to a request follows from the register alone, but for what two seconds may change."""
    state_of(scope)[_MARK] = True


@dataclass(frozen=True, slots=True)
class _Kept:
    status: int
    fields: tuple[tuple[bytes, bytes], ...]
    body: bytes
    generation: int
    until_s: float
    route: str
    size: int


class Hot:
    """Gives marked answers again; stands outside of everything else.

    Args:
        app: the application with its edge.
        database: whose changes make answers worthless.
        requests: buckets that limit the rate; the ones of the edge.
        meter: counts requests; None = nobody does.
        monotonic: seconds that never run backwards.
    """

    def __init__(
        self,
        app: ASGIApp,
        database: Database,
        requests: Buckets,
        meter: RequestMeter | None = None,
        *,
        monotonic: Callable[[], float] = time.monotonic,
    ) -> None:
        self.app = app
        self._database, self._requests, self._meter, self._monotonic = database, requests, meter, monotonic
        self._kept: OrderedDict[_Key, _Kept] = OrderedDict()
        self._size = 0

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Answer again, or pass on and keep the answer."""
        if scope["type"] != "http" or scope["method"] != "GET":
            await self.app(scope, receive, send)
            return
        caller = client_key(scope)
        key = (caller, scope["path"], scope["query_string"], tuple(map(tuple, scope["headers"])))
        began = self._monotonic()
        kept = self._kept.get(key)
        if kept is not None and self._still_good(key, kept, began) and self._requests.take(caller) == 0.0:
            fields = [*kept.fields, (b"x-request-id", os.urandom(12).hex().encode("ascii"))]
            await send({"type": "http.response.start", "status": kept.status, "headers": fields})
            await send({"type": "http.response.body", "body": kept.body})
            if self._meter is not None:
                self._meter.observe("GET", kept.route, kept.status, max(0.0, self._monotonic() - began))
            return
        await self._ordinary(key, scope, receive, send)

    def _still_good(self, key: _Key, kept: _Kept, now_s: float) -> bool:
        """Whether a kept answer may be given again.

        When its time is up, the first request to find that goes the ordinary way and the others do not wait for it.
        """
        if kept.generation != self._database.generation():
            self._forget(key)
            return False
        if now_s < kept.until_s:
            return True
        self._kept[key] = replace(kept, until_s=now_s + AGAIN_S)
        return False

    async def _ordinary(self, key: _Key, scope: Scope, receive: Receive, send: Send) -> None:
        """The ordinary way; a marked answer is kept once it is complete."""
        generation = self._database.generation()  # before anybody looks at the token
        status, body, single = 0, b"", True
        fields: tuple[tuple[bytes, bytes], ...] = ()

        async def watched(message: Message) -> None:
            nonlocal status, fields, body, single
            if message["type"] == "http.response.start":
                status = message["status"]
                fields = tuple((n, v) for n, v in message.get("headers", ()) if n != b"x-request-id")
            elif message["type"] == "http.response.body":
                single = single and not message.get("more_body", False)
                body = message.get("body", b"")
            await send(message)

        try:
            await self.app(scope, receive, watched)
        finally:
            self._forget(key)
        if generation is None or not state_of(scope).get(_MARK) or not single or status not in {200, 304}:
            return
        if len(body) > BYTES_MAX or any(name == b"x-request-id" for name, _ in scope["headers"]):
            return
        size = len(body) + sum(len(n) + len(v) for n, v in (*fields, *scope["headers"])) + len(scope["query_string"])
        until_s = self._monotonic() + AGAIN_S
        self._kept[key] = _Kept(status, fields, body, generation, until_s, template_of(scope), size)
        self._size += size
        while len(self._kept) > ANSWERS or self._size > BYTES_IN_ALL:
            self._forget(next(iter(self._kept)))

    def _forget(self, key: _Key) -> None:
        kept = self._kept.pop(key, None)
        if kept is not None:
            self._size -= kept.size
