"""One outbound GET within hard limits: time in all, bytes in all, same host, own words in errors.

What `requests` leaves open and is closed here and in ``session.py``:

- time: each read gets what is left for the whole call;
- size: gzip is unpacked in steps whose output is bounded, so that a small answer cannot fill the memory;
- redirects are followed by hand, to the same host over https only;
- errors of the libraries quote the address with its key: nothing of their text is passed on.
"""

from __future__ import annotations

import json
import zlib
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any, Literal
from urllib.parse import urljoin, urlsplit

import requests
from urllib3.exceptions import HTTPError, NewConnectionError, ReadTimeoutError

from matewindow.weather.freshness import http_date
from matewindow.weather.session import masked, within

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping, Set
    from datetime import datetime

    from matewindow.weather.session import Deadline

_CHUNK = 65536
_ERROR_BODY = 65536
"""Bytes of an error answer that are read for the reason it gives."""
_TRANSIENT = frozenset({500, 502, 503, 504})
_REDIRECTS = frozenset({301, 302, 303, 307, 308})

Blame = Literal["nobody", "network", "source"]


@dataclass(frozen=True)
class Limits:
    """Limits of one request, retries included. Times in seconds."""

    connect_s: float = 5.0
    read_s: float = 20.0
    total_s: float = 60.0
    tries: int = 3
    longest_wait_s: float = 30.0
    """A ``Retry-After`` up to this is waited for; a longer one becomes a cool-down."""
    redirects: int = 2


@dataclass(frozen=True)
class Call:
    """One GET: address without query, query, and the part of the query that nobody may see."""

    url: str
    params: Mapping[str, str]
    secrets: Mapping[str, str] = field(repr=False)
    headers: Mapping[str, str]
    max_bytes: int


@dataclass(frozen=True)
class Answer:
    """An answer with a status that is no error. ``body`` is unpacked and whole."""

    status: int
    headers: Mapping[str, str]
    body: bytes = field(repr=False)


class CallFailedError(Exception):
    """One try failed.

    Args:
        reason: what happened, in our own words, free of secrets.
        again: whether a second try may help.
        blame: who counts as having failed: the source, the network on the way to it, or neither.
        answered: whether the source refused at once, so that a weighted call has cost little.
        status: of the answer, if there was one.
        wait_s: how long the source asks to be left alone.
    """

    def __init__(
        self,
        reason: str,
        *,
        again: bool = False,
        blame: Blame = "source",
        answered: bool = False,
        status: int | None = None,
        wait_s: float | None = None,
    ) -> None:
        super().__init__(reason)
        self.reason = reason
        self.again = again
        self.blame: Blame = blame
        self.answered = answered
        self.status = status
        self.wait_s = wait_s


def get_once(
    session: requests.Session, call: Call, *, limits: Limits, deadline: Deadline, now: Callable[[], datetime]
) -> Answer:
    """Send one GET and read the whole answer.

    Args:
        session: from ``make_session``; a test may pass its own.
        call: what to ask for.
        limits: times and number of redirects; ``deadline`` runs over all of it.
        deadline: what is left for this call.
        now: clock, for a ``Retry-After`` that is a date.

    Raises:
        CallFailedError: anything but a whole answer with status 200, 203 or 304.
    """
    secrets = frozenset(call.secrets.values())
    with within(deadline, secrets):
        response = _follow(session, call, limits, deadline)
        try:
            _check_status(response, deadline, secrets, now)
            body = b"" if response.status_code == 304 else _body(response, call.max_bytes, deadline)
        finally:
            response.close()
    return Answer(response.status_code, response.headers, body)


def _follow(session: requests.Session, call: Call, limits: Limits, deadline: Deadline) -> requests.Response:
    """Send, and follow redirects to the same host over https."""
    url, params = call.url, {**call.params, **call.secrets}
    for _ in range(limits.redirects + 1):
        response = _send(session, url, params, call.headers, limits, deadline)
        target = response.headers.get("Location")
        if response.status_code not in _REDIRECTS or target is None:
            return response
        response.close()
        target = urljoin(response.url or url, target)
        if not _same_host_over_https(url, target):
            raise CallFailedError("it redirects to another host or to an unencrypted address")
        url, params = target, {}
    raise CallFailedError(f"it redirects more than {limits.redirects} times")


def _same_host_over_https(url: str, target: str) -> bool:
    old, new = urlsplit(url), urlsplit(target)
    if new.scheme != "https" or new.hostname != old.hostname or "@" in new.netloc:
        return False
    try:
        port = new.port
    except ValueError:  # no number
        return False
    return port in {None, 443, old.port}


def _send(
    session: requests.Session,
    url: str,
    params: dict[str, str],
    headers: Mapping[str, str],
    limits: Limits,
    deadline: Deadline,
) -> requests.Response:
    left_s = deadline.left_s()
    if left_s <= 0.0:
        raise _too_late(deadline)
    failure: CallFailedError
    try:
        return session.get(
            url,
            params=params,
            headers=dict(headers),
            timeout=(min(limits.connect_s, left_s), min(limits.read_s, left_s)),
            allow_redirects=False,
            stream=True,
        )
    except requests.RequestException as error:
        failure = _no_answer(error, deadline)
    raise failure  # outside the except clause, so that it does not carry their text along


def _no_answer(error: requests.RequestException, deadline: Deadline) -> CallFailedError:
    causes = list(_causes(error))
    names = [type(cause).__name__ for cause in causes]
    if deadline.left_s() <= 0.0:
        return _too_late(deadline)
    if isinstance(error, requests.exceptions.SSLError):
        what = "its certificate is not trusted or the encrypted connection failed"
        return CallFailedError(what, blame="network")
    if isinstance(error, requests.ReadTimeout):
        return CallFailedError("it did not answer in time")
    if isinstance(error, requests.ConnectTimeout) or any(isinstance(c, NewConnectionError) for c in causes):
        last = "no reply" if not names else "no such host, or no network" if "gaierror" in names else names[-1]
        return CallFailedError(f"it could not be reached ({last})", again=True, blame="network", answered=True)
    if isinstance(error, requests.ConnectionError):
        return CallFailedError("it broke off the connection", again=True)
    return CallFailedError(f"the call could not be made ({type(error).__name__})", blame="nobody", answered=True)


def _causes(error: BaseException) -> list[BaseException]:
    """The error and what lies under it, as `requests` and `urllib3` nest them."""
    chain: list[BaseException] = []
    current: BaseException | None = error
    while current is not None and current not in chain:
        chain.append(current)
        inner = [getattr(current, "reason", None), *current.args, current.__cause__, current.__context__]
        current = next((e for e in inner if isinstance(e, BaseException)), None)
    return chain


def _too_late(deadline: Deadline) -> CallFailedError:
    return CallFailedError(f"it took more than {deadline.seconds:g} s in all")


def _check_status(
    response: requests.Response, deadline: Deadline, secrets: Set[str], now: Callable[[], datetime]
) -> None:
    """Pass 200, 203 and 304.

    Raises:
        CallFailedError: any other status, with the reason that the answer gives.
    """
    status = response.status_code
    if status in {200, 203, 304}:
        return
    said = masked(_said(response, deadline), secrets)
    reason = f"it answered {status}" + (f" ({said})" if said else "")
    wait_s = retry_after_s(response.headers, now)
    if status == 429:
        raise CallFailedError(reason, again=wait_s is not None, answered=True, status=status, wait_s=wait_s)
    blame: Blame = "source" if status >= 500 or status in {401, 403} or status < 400 else "nobody"
    raise CallFailedError(reason, again=status in _TRANSIENT, blame=blame, answered=True, status=status, wait_s=wait_s)


def _said(response: requests.Response, deadline: Deadline) -> str:
    """The reason that an error answer gives in JSON, shortened; nothing if it gives none."""
    try:
        answer = json.loads(_body(response, _ERROR_BODY, deadline))
    except (CallFailedError, ValueError, RecursionError):
        return ""
    if not isinstance(answer, dict):
        return ""
    given = [answer[k] for k in ("reason", "detail", "title") if isinstance(answer.get(k), str)]
    text = " ".join("".join(c if c.isprintable() else " " for c in given[0]).split()) if given else ""
    return text if len(text) <= 200 else text[:197] + "..."


def retry_after_s(headers: Mapping[str, str], now: Callable[[], datetime]) -> float | None:
    """Seconds that ``Retry-After`` asks for; a date is compared with the server's own ``Date``, if it sends one."""
    text = headers.get("Retry-After", "").strip()
    if text.isascii() and text.isdigit():
        return float(text[:9])
    until, server_now = http_date(text), http_date(headers.get("Date", ""))
    if until is None:
        return None
    return max(0.0, (until - (server_now or now())).total_seconds())


def _body(response: requests.Response, max_bytes: int, deadline: Deadline) -> bytes:
    """Read the answer to its end, unpacking gzip, within the limits of size and time."""
    encoding = response.headers.get("Content-Encoding", "identity").strip().lower()
    if encoding not in {"", "identity", "gzip", "x-gzip"}:
        raise CallFailedError("it sent an encoding that was not asked for")
    unpack = zlib.decompressobj(wbits=31) if "gzip" in encoding else None
    declared = response.headers.get("Content-Length", "")
    too_large = CallFailedError(f"its answer is larger than the {max_bytes:,} bytes that are accepted")
    if declared.isascii() and declared.isdigit() and float(declared) > max_bytes:
        raise too_large
    parts, size, raw_size = [], 0, 0
    while chunk := _chunk(response, deadline):
        raw_size += len(chunk)
        if unpack is not None:
            chunk = _unpacked(unpack, chunk, max_bytes - size + 1)
        size += len(chunk)
        if max(size, raw_size) > max_bytes:
            raise too_large
        parts.append(chunk)
    if unpack is not None and not unpack.eof:
        raise CallFailedError("its answer breaks off", again=True)
    return b"".join(parts)


def _chunk(response: requests.Response, deadline: Deadline) -> bytes:
    """What has arrived, at most one chunk; empty at the end."""
    if deadline.left_s() <= 0.0:
        raise _too_late(deadline)
    failure: CallFailedError
    try:
        data: bytes = response.raw.read1(_CHUNK, decode_content=False)
    except ReadTimeoutError:
        late = deadline.left_s() <= 0.0
        failure = _too_late(deadline) if late else CallFailedError("it stopped sending in mid-answer")
    except (HTTPError, OSError):
        failure = CallFailedError("its answer breaks off", again=True)
    else:
        return data
    raise failure


def _unpacked(unpack: Any, chunk: bytes, most: int) -> bytes:  # noqa: ANN401 - zlib's type has no public name
    failed = False
    try:
        data: bytes = unpack.decompress(chunk, most)
    except zlib.error:
        failed = True
    if failed or unpack.unused_data:
        raise CallFailedError("its answer is damaged (gzip)", again=True)
    return data
