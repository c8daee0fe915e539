"""One request to Open-Meteo for many sites: as large as service, budget and line bear, taken apart into the store.

Every site's part of an answer is kept under the site's own request, word for word as it came, so that whoever asks for
the site alone afterwards finds it fresh. The answer as a whole is not kept beside its parts. What makes no sense for a
site is not kept, and the site is then asked for by itself, like one whose request failed or had to wait.

How large a request may be (the service's pricing page and source code, 2026): 1,000 places, a weight of 5,000, and no
more than is left of the budget, which is held to before anything is sent. Kept to here: 100 places, whose positions and
heights fill some 3,000 characters of the address, and a weight of 300. One unit of weight is at most 3,360 numbers
(10 columns over 14 days), so that an answer has a million of them, or 6 MB, 1.5 MB packed.
"""

from __future__ import annotations

import logging
import math
import re
from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING

from matewindow.errors import SourceError, StoreError, WeatherFileError
from matewindow.weather.entries import Received
from matewindow.weather.files import fault
from matewindow.weather.folder import check_place
from matewindow.weather.manners import OPEN_METEO
from matewindow.weather.openmeteo_list import ANSWER, split_places

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence

    from matewindow.site import Site
    from matewindow.weather.desk import Desk, Question
    from matewindow.weather.http import Fetched, SourceRequest
    from matewindow.weather.live.patience import Patience
    from matewindow.weather.normal import Weather
    from matewindow.weather.openmeteo_runs import PreviousRuns

_log = logging.getLogger(__name__)

MAX_PLACES = 100
MAX_WEIGHT = 300.0
_OF_A_PLACE = ("latitude", "longitude", "elevation")
_CLOCKS_APART_S = 5.0
"""Waited for beyond the end of a period of the budget: the service's clock may be behind."""
_FAILURES = 2
"""So many failed requests of a kind end it; what was not got is asked for site by site."""
_NUMBER = re.compile(r'"location_id"\s*:\s*(\d+)')


@dataclass(frozen=True)
class Wanted:
    """A site and what is asked for it."""

    site: Site
    question: Question[Weather] | Question[PreviousRuns]


@dataclass
class Batches:
    """Asks for many sites at a time.

    Args:
        desk: client, addresses, clock, key.
        patience: what slow calls have cost this pull.
        sleep: waits so many seconds.
        wait_s: how long to wait in all for room in the budget; used up by waiting.
    """

    desk: Desk
    patience: Patience
    sleep: Callable[[float], None]
    wait_s: float = 0.0
    _failures: int = field(default=0, init=False)

    def ask(self, wanted: Sequence[Wanted]) -> bool:
        """Ask for what is not fresh in the store, and keep what comes.

        Args:
            wanted: questions that differ in the place only, the most important first.

        Returns:
            Whether everything was asked for; False if there was no room in the budget, or the service failed.
        """
        self._failures = 0
        once = {w.question.request.key: w for w in wanted}
        left = [w for w in once.values() if self.desk.fresh(w.question.request) is None]
        while left:
            if self._failures >= _FAILURES or self.patience.hung(OPEN_METEO.name):
                return False
            n = _fitting(left, self._room(left[0].question.request.weight))
            if n == 0:
                return False
            self._ask(left[:n])
            left = left[n:]
        return True

    def _room(self, needed: float) -> float:
        """Weighted calls that may be made now. If that is less than needed, wait for more, if there is time."""
        if self.desk.api_key is not None:  # who has a key has a contract of his own
            return math.inf
        while True:
            periods = self.desk.client.budget.state()
            room = min(p.limit - p.used for p in periods)
            if room >= needed:
                return room
            again = max(p.resets_at for p in periods if p.limit - p.used < needed)
            wait_s = (again - self.desk.client.store.now()).total_seconds() + _CLOCKS_APART_S
            if wait_s > self.wait_s:
                return room
            self.wait_s -= wait_s
            self.sleep(wait_s)

    def _ask(self, batch: Sequence[Wanted]) -> None:
        self.patience.begin()
        try:
            if len(batch) == 1:
                batch[0].question.ask(self.desk)  # kept as it is, and read when it is looked for
                return
            fetched = batch[0].question.ask(self.desk, _for_all(batch))
            parts = split_places(fetched.text)
            if len(parts) != len(batch):
                raise fault(f"it is for {len(parts)} places, and {len(batch)} were asked for", ANSWER)
        except (SourceError, WeatherFileError, StoreError) as failure:
            self.patience.end(OPEN_METEO.name, failed=True)
            self._failures += 1
            _log.warning("One request for %d sites: %s", len(batch), failure)
            return
        for number, (wanted, text) in enumerate(zip(batch, parts, strict=True)):
            try:
                self._keep(number, wanted, text, fetched)
            except (WeatherFileError, StoreError) as failure:
                _log.warning("%s, one of %d sites: %s", wanted.site.name, len(batch), failure)

    def _keep(self, number: int, wanted: Wanted, text: str, fetched: Fetched) -> None:
        """Put a site's part of an answer where its own answer would be, if it makes sense for the site."""
        request, body = wanted.question.request, text.encode()
        _check_number(text, number)
        check_place(wanted.question.read(replace(fetched, body=body)), wanted.site)
        self.desk.client.store.put(
            Received(
                key=request.key,
                url=request.url,
                params=request.params,
                fetched_at=fetched.fetched_at,
                status=200,
                body=body,
                fresh_until=fetched.fresh_until,
            )
        )


def _fitting(wanted: Sequence[Wanted], room: float) -> int:
    """How many of the first go into one request."""
    weight = 0.0
    for n, w in enumerate(wanted[:MAX_PLACES]):
        weight += w.question.request.weight
        if weight > room or (weight > MAX_WEIGHT and n):
            return n
    return min(len(wanted), MAX_PLACES)


def _for_all(batch: Sequence[Wanted]) -> SourceRequest:
    """One request for all; its answer is kept site by site only."""
    requests = [w.question.request for w in batch]
    first = requests[0]
    places = {name: ",".join(r.params[name] for r in requests) for name in _OF_A_PLACE}
    weight = sum(r.weight for r in requests)
    return replace(first, params={**first.params, **places}, weight=weight, keep=False)


def _check_number(text: str, number: int) -> None:
    """Refuse a part that bears another number than its place in the order asked."""
    found = _NUMBER.search(text.partition('"hourly')[0])
    if found is not None and int(found[1]) != number:
        raise fault(f"it bears the number {found[1]} and stands at {number}, counted from 0", ANSWER)
