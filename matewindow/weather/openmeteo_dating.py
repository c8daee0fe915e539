"""Which run of a model an answer of Open-Meteo's ensemble service comes from: the service does not say it there.

It keeps a note about each model: the newest run that it has (``meta.json``). The note is read before and after the
answer is asked for. If both name the same run, that is the run of the answer. If not, the run was replaced in between
and nobody knows which of the two it is: it is asked once more, and should that happen again, or the second call fail,
the answer is dated by the earlier run, and its provenance says so. A run that is thought too old weighs a little less
than it should (``paths.py``); one that is thought too new would weigh more.

Notes are kept in the store like any answer, with when they were first got and last found to be unchanged. So an answer
is dated by the note whose time spans it, also long afterwards, and also if another process got one of them. Where no
note of those minutes is there, as when the service refused it, the run is unknown.

Nobody asks for notes while the answer in the store is fresh.
"""

from __future__ import annotations

import logging
from contextlib import suppress
from datetime import timedelta
from typing import TYPE_CHECKING

from matewindow.errors import SourceError, StoreError, WeatherFileError
from matewindow.weather.desk import SLOW_S
from matewindow.weather.http import Fetched, SourceRequest
from matewindow.weather.manners import OPEN_METEO
from matewindow.weather.obtain import read_answer
from matewindow.weather.openmeteo_runs import RunMetadata, parse_run_metadata

if TYPE_CHECKING:
    from datetime import datetime

    from matewindow.weather.desk import Desk
    from matewindow.weather.entries import Entry

_log = logging.getLogger(__name__)

NOTE_FRESH = timedelta(minutes=5)
"""A note that is not older serves as the one before."""
_NOTE_SERVES = timedelta(minutes=15)
"""An answer may have been asked for so long after the note before it: as long as that is fresh, and then a call."""


def metadata_request(desk: Desk, model: str) -> SourceRequest:
    """The request for the note about an ensemble model's newest run."""
    return SourceRequest(
        source=OPEN_METEO,
        url=desk.hosts.openmeteo_meta.format(model=model),
        params={},
        site="all",
        kind="run",
        secrets=desk.secrets,
        fresh=NOTE_FRESH,
    )


def fetch_run_metadata(desk: Desk, model: str, *, anew: bool = False) -> RunMetadata:
    """Get what the service says about a model's newest run.

    Args:
        desk: whom to ask.
        model: of the ensemble service.
        anew: ask even if a note in the store is fresh.

    Raises:
        SourceError: it gives no answer.
        WeatherFileError: the answer makes no sense.
    """
    return read_answer(desk, metadata_request(desk, model), _read, anew=anew)


def get_between_notes(desk: Desk, request: SourceRequest, model: str) -> Fetched:
    """Get an answer of a model, with a look at its newest run before and after.

    Args:
        desk: whom to ask.
        request: for weather of the model, of one place or many.
        model: as the note names it.

    Raises:
        SourceError, StoreError: as ``Client.get``. That a note is refused does not matter; but a service that hangs on
            the first one is not asked for more.
    """
    if request.keep and desk.fresh(request) is not None:
        return desk.client.get(request)
    before = _run_before(desk, model)
    fetched = desk.client.get(request)
    if before is None or _run(desk, model, anew=True) in {None, before}:
        return fetched
    _log.info("%s: the run of %s was replaced; it is asked again", request.source.title, model)
    try:
        fetched = desk.client.get(request, anew=True)
    except (SourceError, StoreError) as failure:
        _log.warning("%s", failure)
    else:
        _run(desk, model, anew=True)
    return fetched


def run_at(desk: Desk, model: str, at: datetime) -> tuple[datetime | None, tuple[str, ...]]:
    """The run that the service gave at a moment, by the notes in the store. Nobody is asked.

    Args:
        desk: its store.
        model: as the notes name it.
        at: when the answer came, aware UTC.

    Returns:
        When the run began, None if that is unknown; and what there is to say about it.
    """
    after: datetime | None = None
    for entry in desk.client.store.answers(metadata_request(desk, model).key):
        run = _run_of(entry, desk)
        if run is None:
            continue
        if entry.fetched_at > at:
            after = run
        elif entry.checked_at >= at or after == run:
            return run, ()
        elif at - entry.checked_at <= _NOTE_SERVES:
            earlier = run if after is None else min(run, after)
            said = "the newest run may have changed while it was asked for"
            return earlier, (f"{said}: it counts as that of {earlier:%d %B %H:%M} UTC, the earlier one",)
        else:
            break
    return None, ()


def _run(desk: Desk, model: str, *, anew: bool = False) -> datetime | None:
    """When the newest run began; None if the service does not say."""
    with suppress(SourceError, WeatherFileError):
        return fetch_run_metadata(desk, model, anew=anew).run_time
    return None


def _run_before(desk: Desk, model: str) -> datetime | None:
    """The same before anything else is asked.

    Raises:
        SourceError: the service hangs.
    """
    begun_s = desk.monotonic()
    try:
        return fetch_run_metadata(desk, model).run_time
    except WeatherFileError:
        return None
    except SourceError:
        if desk.monotonic() - begun_s >= SLOW_S:
            raise
        return None


def _run_of(entry: Entry, desk: Desk) -> datetime | None:
    try:
        body = desk.client.store.body(entry)
        return _read(Fetched(body, entry, entry.fetched_at, "stale")).run_time
    except (StoreError, WeatherFileError):  # dropped, or nonsense when it came
        return None


def _read(fetched: Fetched) -> RunMetadata:
    return parse_run_metadata(fetched.text)
