"""Asking a weather source: from the store while fresh, politely over the wire, from the store again if that fails.

What one ``Client.get`` does, in this order:

1. an answer in the store that is still fresh is taken, and nobody is asked, unless the caller wants it anew;
2. one call at a time to a source, over all processes; whoever waited looks into the store again;
3. a source in a cool-down is not asked; a call to Open-Meteo is entered in the budget;
4. the stored answer's ETag and Last-Modified are sent back exactly as they came; 304 makes it fresh again;
5. up to three tries where a further one may help, with growing random waits, all within one time limit;
6. the answer is checked, kept as received, and given out;
7. if there is none, the stored one is given out marked as stale, if it is not older than the caller allows.

Why not ``requests-cache`` (1.3.3 was tried): it keeps one answer a request and overwrites it, while every run must be
kept to be judged later; a garbage answer that its filter refuses also deletes the good one in the cache; it reads a
body without limit before handing it on (100 MB out of a 100 kB gzip took 514 MB of memory, also with ``stream=True``);
on an error it logs the address with its traceback and leaves only "from cache" of the reason; its clock cannot be
passed in. What would be left for it, the rules of RFC 9111 that matter here, is ``freshness.py``.
"""

from __future__ import annotations

import json
import logging
import random
import re
import time
from contextlib import contextmanager
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta
from typing import TYPE_CHECKING, Literal
from urllib.parse import urlsplit

import filelock

from matewindow.errors import RequestError, SourceError, StoreError
from matewindow.weather.budget import Budget, CoolDowns, Ledger
from matewindow.weather.entries import CLOCK_SLACK, Entry, Key, Received
from matewindow.weather.freshness import NO_TIME, fresh_for
from matewindow.weather.manners import user_agent
from matewindow.weather.session import Deadline, make_session
from matewindow.weather.transport import Answer, Call, CallFailedError, Limits, get_once

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping

    import requests

    from matewindow.settings import Settings
    from matewindow.weather.manners import Source
    from matewindow.weather.store import WeatherStore

_log = logging.getLogger(__name__)

_BACKOFF_S, _LONGEST_BACKOFF_S = 1.0, 8.0
_THROTTLED = timedelta(minutes=10)
"""Cool-down after a 429 that does not say how long."""
_LONGEST_NETWORK = timedelta(minutes=2)
"""Where the network is down no source is spared by a long rest, and the user waits for it to come back."""
_LONGEST_SOURCE = timedelta(hours=1)


class Clock:
    """Time as the client sees it; a test passes its own."""

    def now(self) -> datetime:
        """The time of day, aware UTC."""
        return datetime.now(UTC)

    def monotonic(self) -> float:
        """Seconds that never run backwards, for time limits."""
        return time.monotonic()

    def sleep(self, seconds: float) -> None:
        """Wait."""
        time.sleep(seconds)


@dataclass(frozen=True)
class SourceRequest:
    """One question to a weather source.

    Args:
        source: whom to ask (``manners``).
        url: address without a query.
        params: the query, without secrets. Part of what is stored.
        site: what it is for, as a folder name, such as "51.5_-0.12".
        kind: kind of weather (``normal.Kind``), or another word, such as "grid-point", for what is no weather.
        secrets: the part of the query that is never stored, logged or shown, such as ``apikey``.
        weight: weighted calls that it costs (``budget.open_meteo_weight``); counts for budgeted sources without a key.
        max_bytes: size in bytes, unpacked, above which the answer is refused.
        expect: "json" has the answer checked to be JSON.
        fresh: how long an answer counts as fresh if the source does not say; nothing is assumed by default.
        keep: whether the answer is kept in the store. What is not kept is asked for every time: for one that is taken
            apart at once into answers that are.
    """

    source: Source
    url: str
    params: Mapping[str, str]
    site: str
    kind: str
    secrets: Mapping[str, str] = field(default_factory=dict, repr=False)
    weight: float = 1.0
    max_bytes: int = 20_000_000
    expect: Literal["json", "bytes"] = "json"
    fresh: timedelta = NO_TIME
    keep: bool = True

    def __post_init__(self) -> None:
        """Refuse an address that hides a query, a password or another scheme."""
        parts = urlsplit(self.url)
        if parts.scheme not in {"http", "https"} or not parts.hostname or re.search(r"[?#@\s]", self.url):
            raise RequestError(
                f"the address given for {self.source.title} cannot be used",
                fix="Give one that begins with https:// and has no query, fragment, user name or password.",
            )

    @property
    def key(self) -> Key:
        """What it is found by in the store."""
        names = {"source": self.source.name, "site": self.site, "kind": self.kind}
        return Key.of(**names, url=self.url, params=self.params)

    @property
    def host(self) -> str:
        """Host name."""
        return urlsplit(self.url).hostname or ""


@dataclass(frozen=True)
class Fetched:
    """An answer and how it was come by.

    ``origin`` says whether it came over the wire now ("network"), was confirmed now ("confirmed", a 304), is in
    the store and still fresh ("fresh"), or is in the store and past that because the source failed ("stale", with
    ``reason``). ``age`` counts from when the source last said that it is current. ``entry`` is None only if it was not
    to be kept or could not be stored. Until ``fresh_until`` the source need not be asked again.
    """

    body: bytes = field(repr=False)
    entry: Entry | None
    fetched_at: datetime
    origin: Literal["network", "confirmed", "fresh", "stale"]
    age: timedelta = NO_TIME
    reason: str | None = None
    notes: tuple[str, ...] = ()
    fresh_until: datetime | None = None

    @property
    def stale(self) -> bool:
        """Whether it is an old answer given because there is no new one."""
        return self.origin == "stale"

    @property
    def text(self) -> str:
        """The answer as text. What is no UTF-8 becomes replacement characters, for the reader to refuse."""
        return self.body.decode("utf-8-sig", errors="replace")


class Client:
    """Asks weather sources on behalf of one process.

    Args:
        settings: contact, key and certificates.
        store: where answers are kept; its folder also holds what processes share.
        clock: time and waiting.
        limits: time limits and number of tries.
        session: to send with, instead of one made from the settings.
        rng: for the random part of waits.
        offline: nobody is asked; what the store holds must do.
    """

    def __init__(
        self,
        settings: Settings,
        store: WeatherStore,
        clock: Clock | None = None,
        *,
        limits: Limits | None = None,
        session: requests.Session | None = None,
        rng: random.Random | None = None,
        offline: bool = False,
    ) -> None:
        self.store = store
        self._offline = offline
        self._settings = settings
        self._clock = clock or Clock()
        self._limits = limits or Limits()
        self._session = session or make_session(settings.ca_bundle)
        self._rng = rng or random.Random()
        ledger = Ledger(store.folder, now=self._clock.now)
        self.budget = Budget(ledger)
        self.cooldowns = CoolDowns(ledger)

    def __enter__(self) -> Client:
        return self

    def __exit__(self, *exc: object) -> None:
        self.close()

    def close(self) -> None:
        """Close connections that are kept open for a next call."""
        self._session.close()

    def get(self, request: SourceRequest, *, max_age: timedelta | None = None, anew: bool = False) -> Fetched:
        """Get an answer, from the store or the source.

        Args:
            request: the question.
            max_age: if the source fails, a stored answer up to this age will do; none will do by default.
            anew: ask even if a stored answer is fresh.

        Raises:
            SourceError: there is no answer, and none in the store that is young enough.
            InputError: the source wants a contact and none is set.
            StoreError: the folder of the store cannot be read, or the count of calls not be kept.
        """
        agent = user_agent(self._settings, request.source)
        deadline = Deadline(self._limits.total_s, self._clock.monotonic)
        in_store = request.keep and not anew
        found = self._fresh(request) if in_store else None
        if found is not None:
            return found
        try:
            with self._alone_with(request.source, deadline):
                found = self._fresh(request) if in_store else None  # another process may have fetched it meanwhile
                if found is not None:
                    return found
                stored = self.store.latest(request.key) if request.keep else None
                answer = self._ask(request, _headers(agent, stored), deadline)
                return self._keep(request, answer, stored)
        except SourceError as error:
            old = None if max_age is None else self._old(request, max_age, str(error))
            if old is None:
                raise
            _log.warning("%s An answer of %s ago is used.", error, _about(old.age))
            return old

    # --- from the store -------------------------------------------------------------------------------------

    def _fresh(self, request: SourceRequest) -> Fetched | None:
        now, entry = self._clock.now(), self.store.latest(request.key)
        if entry is None or entry.fresh_until is None:
            return None
        age = entry.age(now)
        if age < -CLOCK_SLACK or now >= entry.fresh_until:
            return None
        body, until = self.store.body(entry), entry.fresh_until
        return Fetched(body, entry, entry.fetched_at, "fresh", max(age, NO_TIME), fresh_until=until)

    def _old(self, request: SourceRequest, max_age: timedelta, reason: str) -> Fetched | None:
        entry = self.store.latest(request.key, max_age=max_age)
        if entry is None:
            return None
        age = max(entry.age(self._clock.now()), NO_TIME)
        return Fetched(self.store.body(entry), entry, entry.fetched_at, "stale", age, reason)

    def _keep(self, request: SourceRequest, answer: Answer, stored: Entry | None) -> Fetched:
        now = self._clock.now()
        lasting = fresh_for(answer.headers, now, default=request.fresh)
        until = now + lasting if lasting else None
        received = Received(
            key=request.key,
            url=request.url,
            params=request.params,
            fetched_at=now,
            status=answer.status,
            body=answer.body,
            content_type=answer.headers.get("Content-Type"),
            etag=answer.headers.get("ETag"),
            last_modified=answer.headers.get("Last-Modified"),
            fresh_until=until,
        )
        if answer.status == 304:
            assert stored is not None  # _ask lets a 304 pass only if something was sent back
            body, entry = self.store.body(stored), self.store.confirm(stored, received)
            return Fetched(body, entry, stored.fetched_at, "confirmed", fresh_until=until)
        notes: tuple[str, ...] = ()
        if answer.status == 203:
            notes = (f"{request.source.title} says that this address is in trial or will be withdrawn (status 203)",)
            _log.warning("%s: %s", notes[0], request.url)
        put: Entry | None = None
        try:
            put = self.store.put(received) if request.keep else None
        except StoreError as error:  # a full disk must not keep anyone from the answer in hand
            _log.warning("%s", error)
            notes += (f"It could not be stored: {error}",)
        return Fetched(answer.body, put, now, "network", notes=notes, fresh_until=until)

    # --- over the wire --------------------------------------------------------------------------------------

    @contextmanager
    def _alone_with(self, source: Source, deadline: Deadline) -> Iterator[None]:
        """Hold the machine-wide lock of a source; it falls if this process dies."""
        if self._offline:
            raise SourceError(source.title, "it is asked at the next refresh only")
        lock = filelock.FileLock(self.store.folder / "locks" / f"{source.name}.lock", timeout=deadline.left_s())
        try:
            lock.acquire()
        except filelock.Timeout:
            raise SourceError(source.title, "another process has been asking it all the time") from None
        except OSError as error:
            fix = "See whether the disk is full or read-only, or set MATEWINDOW_STORE_FOLDER."
            raise StoreError(f"no lock could be made ({error.strerror})", where=str(lock.lock_file), fix=fix) from error
        try:
            yield
        finally:
            lock.release()

    def _ask(self, request: SourceRequest, headers: Mapping[str, str], deadline: Deadline) -> Answer:
        """Try until there is an answer, trying again makes no sense, or the time is up."""
        source, tries = request.source, 0
        while True:
            rest = self.cooldowns.resting(source.name, request.host)
            if rest is not None:
                raise SourceError(source.title, f"it is left alone for now: {rest.reason}", retry_after=rest.until)
            tries += 1
            try:
                answer = self._try_once(request, headers, deadline)
            except CallFailedError as error:
                failure = error
            else:
                self.cooldowns.succeeded(request.host)
                return answer
            wait_s = self._wait_s(failure, tries)
            if wait_s is None or wait_s >= deadline.left_s():
                break
            _log.info("%s: %s; next try in %.1f s", source.title, failure.reason, wait_s)
            self._clock.sleep(wait_s)
        until = self._note(request, failure)
        said = failure.reason if tries == 1 else f"{failure.reason}, at the last of {tries} tries"
        raise SourceError(source.title, said, retry_after=until)

    def _try_once(self, request: SourceRequest, headers: Mapping[str, str], deadline: Deadline) -> Answer:
        call = Call(request.url, request.params, request.secrets, headers, request.max_bytes)
        entered = None
        if request.source.budgeted and not request.secrets:  # who has a key has a contract of his own
            entered = self.budget.reserve(request.weight)
        try:
            answer = get_once(self._session, call, limits=self._limits, deadline=deadline, now=self._clock.now)
        except CallFailedError as error:
            if entered is not None and error.answered:
                self.budget.settle(entered, 1.0)
            raise
        if answer.status == 304 and not {"If-None-Match", "If-Modified-Since"} & set(headers):
            raise CallFailedError("it answered 304 to a question that had no condition")
        if answer.status != 304 and request.expect == "json":
            _check_json(answer)
        return answer

    def _wait_s(self, failure: CallFailedError, tries: int) -> float | None:
        """Seconds before the next try, or None if there is none. The whole wait is random ("full jitter").

        Source: M. Brooker, "Exponential backoff and jitter", AWS Architecture Blog, 2015.
        """
        if not failure.again or tries >= self._limits.tries:
            return None
        wait_s = self._rng.uniform(0.0, min(_LONGEST_BACKOFF_S, _BACKOFF_S * 2.0 ** (tries - 1)))
        if failure.wait_s is None:
            return wait_s
        return None if failure.wait_s > self._limits.longest_wait_s else failure.wait_s + wait_s

    def _note(self, request: SourceRequest, failure: CallFailedError) -> datetime | None:
        """Remember a failed request for all processes; the time until when the source rests, if it does."""
        name = request.source.name
        if failure.status == 429:
            asked = timedelta(seconds=failure.wait_s) if failure.wait_s is not None else self._throttled(failure)
            return self.cooldowns.rest(name, asked, failure.reason).until
        if failure.blame == "nobody":
            return None
        longest = _LONGEST_NETWORK if failure.blame == "network" else _LONGEST_SOURCE
        rest = self.cooldowns.failed(request.host, failure.reason, longest=longest)
        if failure.wait_s is not None and failure.wait_s > self._limits.longest_wait_s:
            rest = self.cooldowns.rest(request.host, timedelta(seconds=failure.wait_s), failure.reason)
        return None if rest is None else rest.until

    def _throttled(self, failure: CallFailedError) -> timedelta:
        """Cool-down after a 429 without ``Retry-After``. Open-Meteo says in words which of its limits was met."""
        now_s = self._clock.now().timestamp()
        for words, period_s in (("tomorrow", 86400.0), ("next hour", 3600.0), ("one minute", 60.0)):
            if words in failure.reason:
                return timedelta(seconds=period_s - now_s % period_s)
        return _THROTTLED


def _headers(agent: str, stored: Entry | None) -> dict[str, str]:
    headers = {"User-Agent": agent, "Accept-Encoding": "gzip"}
    if stored is not None and stored.etag:
        headers["If-None-Match"] = stored.etag
    if stored is not None and stored.last_modified:
        headers["If-Modified-Since"] = stored.last_modified
    return headers


def _check_json(answer: Answer) -> None:
    """Refuse an answer that is no JSON: a page of a proxy or hotel network, or a stream that ended in an error text."""
    media = answer.headers.get("Content-Type", "").partition(";")[0].strip().lower()
    if media in {"text/html", "application/xhtml+xml"} or answer.body[:100].lstrip().startswith(b"<"):
        raise CallFailedError("it sent a web page instead of data, as a login page or a proxy in between would")
    try:
        json.loads(answer.body)
    except (ValueError, RecursionError):
        pass
    else:
        return
    raise CallFailedError("its answer is no whole JSON", again=True)


def _about(age: timedelta) -> str:
    minutes = round(age.total_seconds() / 60.0)
    return f"{minutes} min" if minutes < 120 else f"{minutes / 60.0:.0f} h"
