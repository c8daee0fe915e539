"""One part of the weather from one service: asked, read, held against sense, kept; or an older good answer."""

from __future__ import annotations

import logging
from dataclasses import dataclass, replace
from datetime import timedelta
from typing import TYPE_CHECKING, TypeVar

import numpy as np

from matewindow.errors import SourceError, StoreError, WeatherFileError
from matewindow.weather.entries import CLOCK_SLACK, Received
from matewindow.weather.folder import check_place
from matewindow.weather.http import Fetched

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence
    from datetime import datetime

    from matewindow.site import Site
    from matewindow.weather.desk import Desk, Question
    from matewindow.weather.entries import Entry
    from matewindow.weather.http import SourceRequest
    from matewindow.weather.normal import Weather

_log = logging.getLogger(__name__)
_Read = TypeVar("_Read")

MAX_AGE = timedelta(days=3)
"""Up to which age a forecast serves when nobody gives a newer one; its lead, and so its weight, goes by its age."""
NONSENSE_FRESH = timedelta(minutes=10)
"""An answer that makes no sense is not asked for again for so long, however long it would be fresh if it made sense."""
OLDEST_RUN = timedelta(days=3)
"""A service whose newest run is older hangs."""
_SHORTER = np.timedelta64(12, "h")
"""Of two answers without a run time, one that ends so much earlier than the one before comes from an older run."""


@dataclass(frozen=True)
class Obtained:
    """Weather and how it was come by; ``reason`` says why it is stale, if it is: ``nonsense`` or nothing came."""

    weather: Weather
    origin: str
    age: timedelta
    reason: str | None = None
    nonsense: bool = False

    @property
    def stale(self) -> bool:
        """Whether the service failed and this is what it had said before."""
        return self.origin == "stale"


def obtain(
    question: Question[Weather],
    site: Site,
    desk: Desk,
    *,
    max_age: timedelta = MAX_AGE,
    not_asked: str | None = None,
    spared: str | None = None,
    stored: Sequence[Entry] | None = None,
) -> Obtained:
    """Get a part of the weather.

    An answer that makes no sense counts as a failure of the service: wrong units, impossible values, nothing but nulls,
    another place, a run older than the one before. Then the last good answer serves, if it is young enough.

    Args:
        question: the request and the reader of its answer.
        site: that it must be for.
        desk: client and clock.
        max_age: up to which a stored answer serves when the service fails.
        not_asked: a reason to take only what is in the store.
        spared: a reason to do so if there is something in the store.
        stored: entries to look through for an older answer; None = those of the request's site and kind.

    Raises:
        SourceError: the service failed and nothing good and young enough is in the store.
        WeatherFileError: likewise, its answer made no sense.
    """
    title = question.request.source.title
    good = _last_good(question, desk, max_age, site, stored)
    why = not_asked or (spared if good is not None else None)
    if why is not None:
        if good is None:
            raise SourceError(title, why)
        return good if good.origin == "fresh" else _older(good, why)
    try:
        fetched = question.ask(desk)
        weather = _checked(question, fetched, site, desk, good)
    except (SourceError, WeatherFileError, StoreError) as fault:
        nonsense = isinstance(fault, WeatherFileError)
        if good is not None:
            return replace(_older(good, reason_of(fault)), nonsense=nonsense)
        if nonsense:
            raise
        raise SourceError(title, reason_of(fault)) from fault
    return Obtained(weather, fetched.origin, fetched.age)


def read_answer(
    desk: Desk,
    request: SourceRequest,
    read: Callable[[Fetched], _Read],
    *,
    max_age: timedelta | None = None,
    not_asked: str | None = None,
    anew: bool = False,
) -> _Read:
    """Ask for what is not kept in normal form, and read it; nonsense is soon asked for again.

    Args:
        desk: client and clock.
        request: what to ask.
        read: reader of the answer.
        max_age: up to which a stored answer serves when the service fails.
        not_asked: a reason to take only what is in the store.
        anew: ask even if a stored answer is fresh.

    Raises:
        SourceError: no answer, and none in the store that is young enough.
        WeatherFileError: it makes no sense.
    """
    if not_asked is not None:
        entry = desk.client.store.latest(request.key, max_age=max_age)
        if entry is None:
            raise SourceError(request.source.title, not_asked)
        return read(Fetched(desk.client.store.body(entry), entry, entry.fetched_at, "stale"))
    fetched = desk.client.get(request, max_age=max_age, anew=anew)
    try:
        return read(fetched)
    except WeatherFileError:
        _distrust(fetched, desk)
        raise


def reason_of(fault: Exception) -> str:
    """What happened in words without a full stop, with the time from which the source is asked again."""
    if isinstance(fault, SourceError):
        again = fault.retry_after
        return fault.reason if again is None else f"{fault.reason}; it is asked again from {again:%d %B %H:%M} UTC on"
    if not isinstance(fault, WeatherFileError):
        return str(fault).rstrip(".")
    what = f"it {fault.what}" if fault.what.startswith("is ") else fault.what
    place = fault.where.partition(", ")[2]  # the service is named already, and there is no file to mend
    return (f"{place}: {what}" if place else what).rstrip(".")


def _checked(question: Question[Weather], fetched: Fetched, site: Site, desk: Desk, good: Obtained | None) -> Weather:
    """Read an answer and hold it against sense; only then is its normal form kept, which lets it serve later."""
    entry = fetched.entry
    kept = None if entry is None else desk.client.store.load_normal(entry)
    if kept is not None and not question.shared:
        return kept
    try:
        weather = question.read(fetched)
        check_place(weather, site)
        _check_run(weather, good, desk.now, question.request.source.title)
    except WeatherFileError:
        _distrust(fetched, desk)
        raise
    if entry is not None and kept is None:
        try:
            desk.client.store.save_normal(entry, weather)
        except StoreError as fault:  # a full disk must not keep anyone from the weather in hand
            _log.warning("%s", fault)
    return weather


def _distrust(fetched: Fetched, desk: Desk) -> None:
    """Let an answer that makes no sense be fresh for minutes only: it may claim days, and an archive year for ever."""
    entry = fetched.entry
    if entry is None or fetched.origin not in ("network", "confirmed"):
        return
    now = desk.client.store.now()
    noted = Received(entry.key, entry.url, entry.params, now, entry.status, b"", fresh_until=now + NONSENSE_FRESH)
    try:
        desk.client.store.confirm(entry, noted)
    except StoreError as fault:
        _log.warning("%s", fault)


def _older(good: Obtained, reason: str) -> Obtained:
    return Obtained(good.weather, "stale", good.age, reason)


def _last_good(
    question: Question[Weather], desk: Desk, max_age: timedelta, site: Site, stored: Sequence[Entry] | None
) -> Obtained | None:
    """The newest stored answer to this question that made sense and is young enough."""
    key, store = question.request.key, desk.client.store
    entries = list(store.entries(source=key.source, site=key.site, kind=key.kind)) if stored is None else stored
    alike = sorted((e for e in entries if question.same_as(e)), key=lambda e: e.id, reverse=True)
    for entry in alike:
        age = entry.age(desk.now)
        if not -CLOCK_SLACK <= age <= max_age:
            continue
        weather = _kept(question, entry, desk, site)
        if weather is not None:
            fresh = entry is alike[0] and entry.fresh_until is not None and desk.now < entry.fresh_until
            return Obtained(weather, "fresh" if fresh else "store", max(age, timedelta(0)))
    return None


def _kept(question: Question[Weather], entry: Entry, desk: Desk, site: Site) -> Weather | None:
    """What a stored answer says; None if it made no sense when it came, or cannot be read any more."""
    store = desk.client.store
    kept = store.load_normal(entry)
    if kept is None or not question.shared:
        return kept
    try:
        weather = question.read(Fetched(store.body(entry), entry, entry.fetched_at, "stale"))
        check_place(weather, site)
    except (WeatherFileError, StoreError):
        return None
    return weather


def _check_run(weather: Weather, before: Obtained | None, now: datetime, title: str) -> None:
    """Refuse a very old run, and one older than the one before: by its time, or if it tells none by how far it reaches.

    Raises:
        WeatherFileError: says which run it gave.
    """
    run, earlier = weather.provenance.run_time, None if before is None else before.weather.provenance.run_time
    what = ""
    if run is not None and earlier is not None and run < earlier:
        what = f"it gave the run of {run:%d %B %H:%M} after that of {earlier:%d %B %H:%M} UTC"
    elif run is not None and now - run > OLDEST_RUN:
        what = f"its newest run is that of {run:%d %B %H:%M} UTC"
    elif before is not None and None in (run, earlier) and weather.times[-1] < before.weather.times[-1] - _SHORTER:
        what = "its answer ends before the one that it gave last: it comes from an older run"
    if what:
        raise WeatherFileError(what, where=title)
