"""The connections that outbound calls use: bounded in time, cut off from the environment, silent about keys.

The time limits of `requests` hold between two packets, so a server that sends a byte a second keeps a caller for
hours. Here every read of the socket, of header lines too, may take no longer than what is left for the whole call.
Looking up the name of a host is bounded by the system's resolver only.

`urllib3` logs addresses with their query; a filter on its loggers masks the keys that were used in this process.
"""

from __future__ import annotations

import http.client
import io
import logging
from contextlib import contextmanager
from contextvars import ContextVar
from http.cookiejar import DefaultCookiePolicy
from typing import TYPE_CHECKING, Any, cast
from urllib.parse import quote, quote_plus

import requests
from requests.adapters import HTTPAdapter
from urllib3.connection import HTTPConnection, HTTPSConnection
from urllib3.connectionpool import HTTPConnectionPool, HTTPSConnectionPool

from matewindow.errors import InputError

if TYPE_CHECKING:
    import socket
    from collections.abc import Callable, Iterator, Set
    from pathlib import Path


class Deadline:
    """The time that is left for everything that one request does."""

    def __init__(self, seconds: float, monotonic: Callable[[], float]) -> None:
        self.seconds = seconds
        self._monotonic = monotonic
        self._end = monotonic() + seconds

    def left_s(self) -> float:
        """Seconds left, 0 if none."""
        return max(0.0, self._end - self._monotonic())


_deadline: ContextVar[Deadline | None] = ContextVar("deadline", default=None)


@contextmanager
def within(deadline: Deadline, secrets: Set[str]) -> Iterator[None]:
    """Calls made in this block end by the deadline, and these secrets are masked in logs from now on."""
    _MASK.secrets |= secrets
    token = _deadline.set(deadline)
    try:
        yield
    finally:
        _deadline.reset(token)


class _TimedReader(io.RawIOBase):
    """Reads a socket; each read may take the read limit or what is left in all, whichever is less."""

    def __init__(self, sock: socket.socket, deadline: Deadline) -> None:
        self._sock = sock
        self._raw = sock.makefile("rb", buffering=0)
        self._deadline = deadline
        self._read_s = sock.gettimeout()  # set by urllib3 just before it makes the response

    def readable(self) -> bool:
        return True

    def readinto(self, buffer: Any) -> int | None:  # noqa: ANN401 - the type is that of io.RawIOBase
        left_s = self._deadline.left_s()
        if left_s <= 0.0:
            raise TimeoutError
        self._sock.settimeout(left_s if self._read_s is None else min(self._read_s, left_s))
        return self._raw.readinto(buffer)

    def close(self) -> None:
        self._raw.close()
        super().close()


class TimedResponse(http.client.HTTPResponse):
    """A response whose reads, those of header lines too, end by the deadline of ``within``."""

    def __init__(self, sock: socket.socket, *args: Any, **kwargs: Any) -> None:  # noqa: ANN401 - passed on
        super().__init__(sock, *args, **kwargs)
        deadline = _deadline.get()
        if deadline is not None:
            timed = io.BufferedReader(_TimedReader(sock, deadline))
            self.fp.close()
            self.fp = cast("io.BufferedReader", timed)


class _Connection(HTTPConnection):
    response_class = TimedResponse


class _SecureConnection(HTTPSConnection):
    response_class = TimedResponse


class _Pool(HTTPConnectionPool):
    ConnectionCls = _Connection


class _SecurePool(HTTPSConnectionPool):
    ConnectionCls = _SecureConnection


class TimedAdapter(HTTPAdapter):
    """Transport adapter of `requests` whose connections keep the time limit of the call they serve."""

    def init_poolmanager(self, *args: Any, **kwargs: Any) -> None:  # noqa: ANN401 - passed on
        """Make the pools as `requests` does, with our connections in them."""
        super().init_poolmanager(*args, **kwargs)
        self.poolmanager.pool_classes_by_scheme = {"http": _Pool, "https": _SecurePool}


def make_session(ca_bundle: Path | None = None) -> requests.Session:
    """A session that takes nothing from the environment (proxies, .netrc, certificates) and keeps no cookies.

    Args:
        ca_bundle: file with the certificates to trust, instead of those of `certifi`.

    Raises:
        InputError: there is no such file.
    """
    if ca_bundle is not None and not ca_bundle.is_file():
        raise InputError(f"there is no file {ca_bundle}", where="MATEWINDOW_CA_BUNDLE", fix="Name a PEM file.")
    session = requests.Session()
    session.trust_env = False
    session.verify = str(ca_bundle) if ca_bundle else True
    session.cookies.set_policy(DefaultCookiePolicy(allowed_domains=[]))
    for scheme in ("http://", "https://"):
        session.mount(scheme, TimedAdapter())
    return session


class _Mask(logging.Filter):
    """Takes secrets out of log lines of the libraries below us."""

    def __init__(self) -> None:
        super().__init__()
        self.secrets: frozenset[str] = frozenset()  # replaced, never changed: other threads read it

    def filter(self, record: logging.LogRecord) -> bool:
        if self.secrets:
            record.msg, record.args = masked(record.getMessage(), self.secrets), ()
        return True


_MASK = _Mask()
for _name in ("urllib3.connectionpool", "urllib3.util.retry"):
    logging.getLogger(_name).addFilter(_MASK)


def masked(text: str, secrets: Set[str]) -> str:
    """The text with every secret, plain or as in an address, replaced by asterisks."""
    for secret in secrets:
        for spelling in {secret, quote(secret, safe=""), quote_plus(secret)} - {""}:
            text = text.replace(spelling, "***")
    return text
