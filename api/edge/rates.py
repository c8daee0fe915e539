"""Limits on how often somebody may ask: token buckets in memory, with a strict one for failed authentication.

A bucket holds up to ``burst`` permits and is refilled steadily. The number of buckets is bounded: when there are too
many, the one that was used longest ago is dropped. Nobody gains by pushing out their own bucket, since the addresses
needed for that have more permits than the dropped bucket would have gained.

The limits hold for one process.
"""

from __future__ import annotations

import math
import time
from collections import OrderedDict
from functools import lru_cache
from ipaddress import IPv6Address, ip_address, ip_network
from threading import Lock
from typing import TYPE_CHECKING

from api.edge.problems import Problem, send_problem, state_of

if TYPE_CHECKING:
    from collections.abc import Callable

    from starlette.types import ASGIApp, Message, Receive, Scope, Send


class Buckets:
    """Token buckets by key.

    Args:
        per_minute: permits that come back in a minute.
        burst: permits of a full bucket.
        keys_max: number of buckets kept.
        clock: seconds from any start that never run backwards.
    """

    def __init__(
        self,
        per_minute: float,
        burst: int,
        *,
        keys_max: int = 20_000,
        clock: Callable[[], float] = time.monotonic,
    ) -> None:
        if not (per_minute > 0.0 and burst >= 1 and keys_max >= 1):
            raise ValueError("a rate, a burst and a number of keys above zero are needed")
        self._per_s = per_minute / 60.0
        self._burst = float(burst)
        self._keys_max = keys_max
        self._clock = clock
        self._kept: OrderedDict[str, tuple[float, float]] = OrderedDict()
        self._lock = Lock()

    def take(self, key: str) -> float:
        """Take a permit.

        Returns:
            0.0 if there was one, else the seconds until there will be one; then nothing was taken.
        """
        with self._lock:
            now = self._clock()
            level = self._level(key, now)
            if level < 1.0:
                return (1.0 - level) / self._per_s
            self._kept[key] = (level - 1.0, now)
            self._kept.move_to_end(key)
            if len(self._kept) > self._keys_max:
                self._kept.popitem(last=False)
            return 0.0

    def wait_s(self, key: str) -> float:
        """Seconds until there is a permit, 0.0 if there is one; takes none."""
        with self._lock:
            level = self._level(key, self._clock())
            return 0.0 if level >= 1.0 else (1.0 - level) / self._per_s

    def _level(self, key: str, now: float) -> float:
        level, at = self._kept.get(key, (self._burst, now))
        return min(self._burst, level + (now - at) * self._per_s)

    def __len__(self) -> int:
        return len(self._kept)


@lru_cache(maxsize=4096)
def address_key(address: str) -> str:
    """Key of a client address: an IPv6 customer has a whole /64 network, which counts as one caller."""
    try:
        ip = ip_address(address)
    except ValueError:
        return "unknown"
    if not isinstance(ip, IPv6Address):
        return str(ip)
    return str(ip.ipv4_mapped) if ip.ipv4_mapped else str(ip_network((ip, 64), strict=False))


def client_key(scope: Scope) -> str:
    """Key of whoever is connected; ``unknown`` for all that come through a local socket."""
    client = scope.get("client")
    return address_key(client[0]) if client else "unknown"


def caller_key(scope: Scope) -> str:
    """Key of a verified token (``scope["state"]["token_id"]``) if the request has one, else of the address.

    A token that was not verified must not be a key: whoever invents tokens would get a new bucket with each.
    """
    token_id = state_of(scope).get("token_id")
    return f"token {token_id}" if token_id else client_key(scope)


def carries_authorization(scope: Scope) -> bool:
    """Whether the request has an Authorization header."""
    for name, _ in scope["headers"]:  # noqa: SIM110  a generator takes three times as long, at every request
        if name == b"authorization":
            return True
    return False


def spend(buckets: Buckets, key: str) -> None:
    """Take a permit, for use inside of the application once a token has been verified.

    Raises:
        Problem: 429 with Retry-After.
    """
    wait = buckets.take(key)
    if wait > 0.0:
        raise too_many(wait)


def too_many(wait_s: float) -> Problem:
    """The answer to a request that comes too soon."""
    return Problem("too-many-requests", headers={"Retry-After": str(max(1, math.ceil(wait_s)))})


class RateLimit:
    """Refuses requests that come too often (429), and guessing at tokens much sooner.

    A failed authentication is an answer of 401 to a request that carried credentials, or whatever the application
    marks with ``scope["state"]["auth_failed"] = True`` (a wrong token in a path, say). While an address has used up
    its failures, its requests with credentials are refused unseen; those without go on.

    Args:
        app: the application.
        requests: buckets for all requests.
        failures: buckets for failed authentications, by address.
        key: whose bucket a request takes from.
        has_credentials: whether a request could be a failed authentication.
    """

    def __init__(
        self,
        app: ASGIApp,
        requests: Buckets,
        failures: Buckets,
        *,
        key: Callable[[Scope], str] = caller_key,
        has_credentials: Callable[[Scope], bool] = carries_authorization,
    ) -> None:
        self.app = app
        self._requests = requests
        self._failures = failures
        self._key = key
        self._has_credentials = has_credentials

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Pass the request on or refuse it."""
        if scope["type"] != "http":
            await self.app(scope, receive, send)
            return
        watched = self._has_credentials(scope)
        wait = self._failures.wait_s(client_key(scope)) if watched else 0.0
        wait = wait or self._requests.take(self._key(scope))
        if wait > 0.0:
            await send_problem(too_many(wait), scope, send)
            return
        await self.app(scope, receive, self._counting(scope, send) if watched else send)

    def _counting(self, scope: Scope, send: Send) -> Send:
        """A ``send`` that notes a failed authentication when its answer starts."""

        async def counting(message: Message) -> None:
            if message["type"] == "http.response.start" and (
                message["status"] == 401 or state_of(scope).get("auth_failed")
            ):
                self._failures.take(client_key(scope))
            await send(message)

        return counting
