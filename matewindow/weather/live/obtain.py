"""One part of the weather from one service: asked, read, held against sense, kept; or an older good answer."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import timedelta
from typing import TYPE_CHECKING

from matewindow.errors import SourceError, StoreError, WeatherFileError
from matewindow.weather.folder import check_place
from matewindow.weather.http import Fetched

if TYPE_CHECKING:
    from matewindow.site import Site
    from matewindow.weather.entries import Entry
    from matewindow.weather.live.services import Desk, Question
    from matewindow.weather.normal import Weather


@dataclass(frozen=True)
class Obtained:
    """Weather and how it was come by; ``reason`` says why it is stale, if it is."""

    weather: Weather
    origin: str
    age: timedelta
    reason: str | None = None

    @property
    def stale(self) -> bool:
        """Whether the service failed and this is what it had said before."""
        return self.origin == "stale"


def obtain(question: Question, site: Site, desk: Desk, *, max_age: timedelta, ask: bool = True) -> Obtained:
    """Get a part of the weather.

    An answer that makes no sense counts as a failure of the service: wrong units, impossible values, nothing but nulls,
    another place, a run older than the one before. Then the last good answer serves, if it is young enough.

    Args:
        question: the request and the reader of its answer.
        site: that it must be for.
        desk: client and clock.
        max_age: up to which a stored answer serves when the service fails.
        ask: False takes only what is in the store.

    Raises:
        SourceError: the service failed and nothing good and young enough is in the store.
    """
    request = question.request
    good = _last_good(question, desk, max_age)
    if not ask:
        if good is None:
            raise SourceError(request.source.title, "it was not asked again after it had refused")
        return good
    try:
        fetched = desk.client.get(request)
        weather = _read(question, fetched, desk)
        check_place(weather, site)
        _check_run(weather, good, request.source.title)
    except (SourceError, WeatherFileError, StoreError) as fault:
        if good is None:
            raise SourceError(request.source.title, _reason(fault)) from fault
        return Obtained(good.weather, "stale", good.age, _reason(fault))
    return Obtained(weather, fetched.origin, fetched.age)


def _read(question: Question, fetched: Fetched, desk: Desk) -> Weather:
    """The normal form of an answer: as kept beside it, else read now and kept."""
    entry = None if question.shared else fetched.entry
    kept = None if entry is None else desk.client.store.load_normal(entry)
    if kept is not None:
        return kept
    weather = question.read(fetched)
    if entry is not None:
        desk.client.store.save_normal(entry, weather)
    return weather


def _last_good(question: Question, desk: Desk, max_age: timedelta) -> Obtained | None:
    """The newest stored answer to this question that could be read and is young enough."""
    key, store = question.request.key, desk.client.store
    same: list[Entry] = [
        e for e in store.entries(source=key.source, site=key.site, kind=key.kind) if e.key.digest == key.digest
    ]
    for entry in reversed(same):
        age = max(entry.age(desk.now), timedelta(0))
        weather = None if age > max_age else _kept(question, entry, desk)
        if weather is not None:
            return Obtained(weather, "stale", age)
    return None


def _kept(question: Question, entry: Entry, desk: Desk) -> Weather | None:
    """What a stored answer says; None if it could not be read when it came, or not any more."""
    store = desk.client.store
    if not question.shared:
        return store.load_normal(entry)
    try:
        return question.read(Fetched(store.body(entry), entry, entry.fetched_at, "stale"))
    except (WeatherFileError, StoreError):
        return None


def _check_run(weather: Weather, before: Obtained | None, title: str) -> None:
    """Refuse a run older than the one before."""
    run = weather.provenance.run_time
    earlier = None if before is None else before.weather.provenance.run_time
    if run is not None and earlier is not None and run < earlier:
        raise SourceError(title, f"it gave the run of {run:%d %B %H:%M} after that of {earlier:%d %B %H:%M} UTC")


def _reason(fault: Exception) -> str:
    return fault.reason if isinstance(fault, SourceError) else str(fault).rstrip(".")
