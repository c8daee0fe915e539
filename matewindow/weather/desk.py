"""What all services share when they are asked: the desk that asks, a question with its reader, whose hours it is for.

A service gives one part of a site's weather: an ``ensemble``, a ``forecast`` (one run), or ``observed`` hours of the
last days.
"""

from __future__ import annotations

import time
from dataclasses import dataclass, field, replace
from datetime import timedelta
from typing import TYPE_CHECKING, Generic, Literal, TypeVar

from matewindow.weather.entries import CLOCK_SLACK
from matewindow.weather.manners import coordinates

if TYPE_CHECKING:
    from collections.abc import Callable
    from datetime import datetime

    from matewindow.site import Site
    from matewindow.weather.entries import Entry
    from matewindow.weather.http import Client, Fetched, SourceRequest
    from matewindow.weather.live.addresses import Addresses
    from matewindow.weather.manners import Source
    from matewindow.weather.normal import Weather

Part = Literal["ensemble", "forecast", "observed"]
_Told_co = TypeVar("_Told_co", covariant=True)

AHEAD_D = 16
"""Days ahead asked of a forecast, today included. [d]"""
BEHIND_D = 10
"""Days before today asked of a forecast: they bridge the days that the archive is late. [d]"""
FRESH = timedelta(hours=1)
"""How long a forecast counts as fresh where its service does not say."""

SLOW_S = 2.5
"""A call that took longer hung; nearly all answers that come at all come within a second or two. [s]"""


@dataclass(frozen=True)
class Desk:
    """What a service needs to ask: whom, with which addresses and key, and what time it is.

    With ``trade_without_key`` those who may not serve trade without a key are not asked for places either.
    ``monotonic`` gives seconds that never run backwards, for what a pull waits in all.
    """

    client: Client
    addresses: Addresses
    now: datetime
    api_key: str | None = field(default=None, repr=False)
    trade_without_key: bool = False
    monotonic: Callable[[], float] = time.monotonic

    @property
    def hosts(self) -> Addresses:
        """The addresses to use: with a key Open-Meteo is asked at its paid hosts."""
        return self.addresses.with_key() if self.api_key else self.addresses

    @property
    def secrets(self) -> dict[str, str]:
        """The part of an Open-Meteo query that nobody may see."""
        return {"apikey": self.api_key} if self.api_key else {}

    def fresh(self, request: SourceRequest) -> Entry | None:
        """The stored answer to a request for which nobody need be asked, if there is one."""
        store = self.client.store
        now, entry = store.now(), store.latest(request.key)
        if entry is None or entry.fresh_until is None or now >= entry.fresh_until or entry.age(now) < -CLOCK_SLACK:
            return None
        return entry


@dataclass(frozen=True)
class Question(Generic[_Told_co]):
    """One request with the reader of its answer.

    Args:
        request: what is asked.
        read: reader of the answer.
        shared: whether the answer serves several parts: each is read anew, as only one reading, that of the part that
            was wanted first, is kept beside an answer.
        moving: names of the parameters that change from day to day: an answer to yesterday's request is an older
            answer to the same question.
        get: asks, where that takes more than one call; None = ``Client.get``. Given the request, which may be one for
            several sites.
    """

    request: SourceRequest
    read: Callable[[Fetched], _Told_co]
    shared: bool = False
    moving: frozenset[str] = frozenset()
    get: Callable[[SourceRequest], Fetched] | None = None

    def ask(self, desk: Desk, request: SourceRequest | None = None) -> Fetched:
        """Get the answer, from the store or the service.

        Args:
            desk: whom to ask.
            request: one for several sites, of which this question is one; None = this question's own.

        Raises:
            SourceError, InputError, StoreError: as ``Client.get``.
        """
        return (self.get or desk.client.get)(request or self.request)

    def same_as(self, entry: Entry) -> bool:
        """Whether a stored answer answers this question, though perhaps for other days."""
        here, there = (
            {k: v for k, v in p.items() if k not in self.moving} for p in (self.request.params, entry.params)
        )
        return entry.url == self.request.url and here == there


def site_name(site: Site, source: Source) -> str:
    """Name of a site's folder in the store: its position as the source is told it."""
    return "_".join(coordinates(source, site.latitude, site.longitude))


def stamped(weather: Weather, fetched: Fetched) -> Weather:
    """The weather with the time it was fetched, and what there was to say about the fetching."""
    notes = weather.provenance.notes + fetched.notes
    return replace(weather, provenance=replace(weather.provenance, fetched_at=fetched.fetched_at, notes=notes))
