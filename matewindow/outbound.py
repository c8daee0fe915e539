"""Calls to addresses that a user gives (webhooks, sources of weather): only where the program may go, within limits.

Who gives an address must not make the program call the machine it runs on, the network around it or the metadata
service of its host. Therefore:

- addresses are judged, never spellings: ``127.1``, ``0x7f000001`` and a name that leads to 127.0.0.1 all end at the
  resolver, and what it answers is what counts;
- the name is looked up once, every answer must be fit to be called, and the connection goes to one of these answers,
  so that a name which changes its answer in between gains nothing. Host header, server name and the check of the
  certificate keep the name;
- redirects are not followed, and proxies, passwords and cookies from the environment are not used;
- looking up, connecting, sending and reading share one limit of time, and the answer has a limit of bytes.

Which addresses are fit to be called says ``outbound_networks``.
"""

from __future__ import annotations

import http.client
import ipaddress
import queue
import re
import socket
import ssl
import threading
import time
from contextlib import closing
from dataclasses import dataclass, field
from functools import cached_property, partial
from ipaddress import IPv4Address, IPv6Address
from typing import TYPE_CHECKING, Any, Protocol
from urllib.parse import quote, urlsplit

import certifi
import idna
from urllib3 import HTTPHeaderDict

from matewindow.errors import InputError, OutboundFailedError, OutboundRefusedError
from matewindow.outbound_networks import SETTING, is_never_called, is_public
from matewindow.weather.session import Deadline, TimedResponse, within

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping, Sequence
    from pathlib import Path

    from matewindow.outbound_networks import Address, AllowedNetwork

_LONGEST_URL = 2000
_CHUNK = 65536
_FIX_URL = "Give one such as https://hooks.example.org/bees, without user name and password."
_FIX_NETWORK = (
    "Give an address on the public internet, or ask whoever runs this program to allow the network it is in, "
    f"with {SETTING}."
)


@dataclass(frozen=True)
class Target:
    """What a URL says: where to connect to and what to ask for there.

    ``host`` is in ASCII and as the resolver is to see it, with a dot at its end if there is one; ``path`` includes the
    query, is not shown since it may hold a secret, and is ready to be sent.
    """

    scheme: str
    host: str
    port: int
    path: str = field(repr=False)

    @property
    def name(self) -> str:
        """The host as servers and certificates know it: without the dot at its end."""
        return self.host.rstrip(".")


def parse_url(url: str) -> Target:
    """Read a URL that a user gives. There is no second reading of it, so nothing can be read in two ways.

    Raises:
        OutboundRefusedError: it is no http or https URL, has a user name, or is malformed.
    """
    if len(url) > _LONGEST_URL or re.search(r"[\x00-\x20\x7f-\xa0\\]|\s", url):
        what = f"the address is longer than {_LONGEST_URL} characters, or has spaces or backslashes"
        raise OutboundRefusedError(what, fix=_FIX_URL)
    try:
        parts = urlsplit(url)
    except ValueError:
        raise OutboundRefusedError("the address is malformed", fix=_FIX_URL) from None
    if parts.scheme not in {"http", "https"}:
        raise OutboundRefusedError("the address begins with neither https:// nor http://", fix=_FIX_URL)
    if "@" in parts.netloc:
        raise OutboundRefusedError("the address has a user name or password", fix=_FIX_URL)
    found = re.fullmatch(r"(?:\[([0-9A-Fa-f:.]+)\]|([^\[\]:]+))(?::([0-9]{1,5}))?", parts.netloc)
    port = int(found[3] or {"http": 80, "https": 443}[parts.scheme]) if found else 0
    if found is None or not 1 <= port <= 65535:
        raise OutboundRefusedError("the host or port in the address is malformed", fix=_FIX_URL)
    path = quote(parts.path or "/", safe="/%:@!$&'()*+,;=~")
    query = "?" + quote(parts.query, safe="/?%:@!$&'()*+,;=~[]") if parts.query else ""
    return Target(parts.scheme, _ascii_host(found[1], found[2]), port, path + query)


def _ascii_host(literal: str | None, name: str) -> str:
    """The host in ASCII. Which address it is the resolver says, also where it is written as a number."""
    try:
        if literal is not None:
            return str(IPv6Address(literal))
        host = name if name.isascii() else idna.encode(name, uts46=True).decode("ascii")
    except ValueError:
        host = ""
    label = r"[A-Za-z0-9_](?:[A-Za-z0-9_-]{0,61}[A-Za-z0-9_])?"
    if len(host) > 253 or not re.fullmatch(rf"{label}(?:\.{label})*\.?", host):
        raise OutboundRefusedError("the host in the address is malformed", fix=_FIX_URL)
    return host.lower()


@dataclass(frozen=True)
class CallLimits:
    """Limits of one call. Times in seconds.

    ``only_beginning``: a longer answer, or one that breaks off, is no failure; its first ``max_bytes`` are wanted.
    """

    connect_s: float = 5.0
    read_s: float = 15.0
    total_s: float = 20.0
    max_bytes: int = 1_000_000
    only_beginning: bool = False


@dataclass(frozen=True)
class OutboundAnswer:
    """An answer, whatever its status.

    Names of headers may be asked for in any case; ``whole`` tells whether the body is all there is.
    """

    status: int
    headers: Mapping[str, str] = field(repr=False)
    body: bytes = field(repr=False)
    whole: bool


class Resolve(Protocol):
    """What looks up a name: ``socket.getaddrinfo`` or a stand-in for it."""

    def __call__(self, host: str, port: int, *, type: int) -> Sequence[tuple[Any, ...]]:  # noqa: A002
        """Answers as ``socket.getaddrinfo`` gives them."""


def connect_to(address: Address, port: int, limit_s: float) -> socket.socket:
    """Connect to an address. Nothing is looked up.

    Args:
        address: vetted.
        port: number.
        limit_s: seconds until giving up.
    """
    family = socket.AF_INET if isinstance(address, IPv4Address) else socket.AF_INET6
    line = socket.socket(family, socket.SOCK_STREAM)
    try:
        line.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
        line.settimeout(limit_s)
        line.connect((str(address), port))
    except BaseException:
        line.close()
        raise
    return line


class _Connection(http.client.HTTPConnection):
    """A connection whose line is opened by the guard. The library under it would look the name up once more."""

    response_class = TimedResponse

    def __init__(
        self,
        target: Target,
        open_line: Callable[[Callable[[], float]], socket.socket],
        tls: ssl.SSLContext | None,
        step_s: Callable[[], float],
    ) -> None:
        super().__init__(target.name, target.port)
        self.default_port = 443 if tls else 80  # the Host header names any other port
        self._open_line = open_line
        self._tls = tls
        self._step_s = step_s

    def connect(self) -> None:
        self.sock = self._open_line(self._step_s)
        if self._tls is not None:
            self.sock.settimeout(self._step_s())
            self.sock = self._tls.wrap_socket(self.sock, server_hostname=self.host)


class Guard:
    """Calls addresses that users give.

    Args:
        allowed: networks that may be called though they are not public.
        ca_bundle: file with the certificates to trust, instead of those of `certifi`.
        resolve: in place of ``socket.getaddrinfo``.
        connect: in place of ``connect_to``.
        monotonic: clock for limits, in seconds.

    Raises:
        InputError: there is no file of certificates.
    """

    def __init__(
        self,
        allowed: Sequence[AllowedNetwork] = (),
        *,
        ca_bundle: Path | None = None,
        resolve: Resolve | None = None,
        connect: Callable[[Address, int, float], socket.socket] = connect_to,
        monotonic: Callable[[], float] = time.monotonic,
    ) -> None:
        if ca_bundle is not None and not ca_bundle.is_file():
            raise InputError(f"there is no file {ca_bundle}", where="MATEWINDOW_CA_BUNDLE", fix="Name a PEM file.")
        self._allowed = tuple(allowed)
        self._ca_bundle = ca_bundle
        self._resolve = resolve
        self._connect = connect
        self._monotonic = monotonic

    def check(self, url: str, *, limit_s: float = 5.0) -> Target:
        """Refuse a URL when it is given, before anything is to be sent. A call judges it again.

        Args:
            url: as the user gave it.
            limit_s: seconds that looking up the name may take.

        Raises:
            OutboundRefusedError: it may not be called.
            OutboundFailedError: its name cannot be looked up.
        """
        target = parse_url(url)
        self._vetted(target, Deadline(limit_s, self._monotonic))
        return target

    def call(
        self,
        method: str,
        url: str,
        *,
        headers: Mapping[str, str],
        body: bytes | None = None,
        limits: CallLimits | None = None,
    ) -> OutboundAnswer:
        """Call a URL once. Redirects are answers like any other, and no encoding of the answer is undone.

        Args:
            method: such as POST.
            url: as the user gave it.
            headers: to send besides Host and Content-Length.
            body: to send.
            limits: of time and size.

        Raises:
            OutboundRefusedError: it may not be called.
            OutboundFailedError: there was no whole answer within the limits.
        """
        limits = limits or CallLimits()
        deadline = Deadline(limits.total_s, self._monotonic)
        target = parse_url(url)
        addresses = self._vetted(target, deadline)
        connection = _Connection(
            target,
            partial(self._open_line, addresses, target.port),
            self._tls if target.scheme == "https" else None,
            partial(_left_s, limits.connect_s, deadline),
        )
        sent = {"Connection": "close", "Accept-Encoding": "identity", **headers}
        try:
            with within(deadline, frozenset()), closing(connection):
                connection.connect()
                connection.sock.settimeout(_left_s(limits.read_s, deadline))
                connection.request(method, target.path, body, sent)
                connection.sock.settimeout(_left_s(limits.read_s, deadline))
                return _answer(connection.getresponse(), target, limits)
        except (OSError, http.client.HTTPException) as error:
            reason = _reason(error, deadline)
        raise OutboundFailedError(target.host, reason)  # outside, so that the library's text is not carried along

    @cached_property
    def _tls(self) -> ssl.SSLContext:
        tls = ssl.create_default_context(cafile=str(self._ca_bundle or certifi.where()))
        tls.set_alpn_protocols(["http/1.1"])
        return tls

    def _vetted(self, target: Target, deadline: Deadline) -> tuple[Address, ...]:
        """All addresses of the host, each fit to be called."""
        addresses = _looked_up(self._resolve or socket.getaddrinfo, target, deadline)
        if not all(self._may_be_called(address, target.port) for address in addresses):
            raise OutboundRefusedError("it does not lead to a public address", where=target.host, fix=_FIX_NETWORK)
        return addresses

    def _may_be_called(self, address: Address, port: int) -> bool:
        if is_never_called(address):
            return False
        return is_public(address) or any(allowed.holds(address, port) for allowed in self._allowed)

    def _open_line(self, addresses: Sequence[Address], port: int, step_s: Callable[[], float]) -> socket.socket:
        """A connection to the first of these addresses that takes one."""
        failure: OSError = TimeoutError()
        for address in addresses:
            try:
                return self._connect(address, port, step_s())
            except OSError as error:
                failure = error
        raise failure


def _left_s(limit_s: float, deadline: Deadline) -> float:
    """Seconds that a step may take."""
    left_s = min(limit_s, deadline.left_s())
    if left_s <= 0.0:
        raise TimeoutError
    return left_s


def _looked_up(resolve: Resolve, target: Target, deadline: Deadline) -> tuple[Address, ...]:
    """Look up a host within the limit. The system's resolver has none of its own, so it runs beside and may be left."""
    answers: queue.SimpleQueue[Sequence[tuple[Any, ...]] | Exception] = queue.SimpleQueue()

    def look_up() -> None:
        try:
            answers.put(resolve(target.host, target.port, type=socket.SOCK_STREAM))
        except Exception as error:  # the caller knows which are meant
            answers.put(error)

    threading.Thread(target=look_up, name="look up a host", daemon=True).start()
    found: Sequence[tuple[Any, ...]] | Exception = []
    reason = "there is no host of this name"
    try:
        found = answers.get(timeout=deadline.left_s())
    except queue.Empty:
        reason = f"looking up its name took more than {deadline.seconds:g} s"
    if isinstance(found, Exception) and not isinstance(found, (OSError, UnicodeError)):
        raise found
    if isinstance(found, Exception) or not found:
        raise OutboundFailedError(target.host, reason)
    return tuple(dict.fromkeys(_plain(ipaddress.ip_address(answer[4][0])) for answer in found))


def _plain(address: Address) -> Address:
    """An IPv4 address that came in the clothes of IPv6, without them."""
    mapped = address.ipv4_mapped if isinstance(address, IPv6Address) else None
    return mapped or address


def _answer(response: http.client.HTTPResponse, target: Target, limits: CallLimits) -> OutboundAnswer:
    """Read an answer within the limit of size; that of time is kept by the socket."""
    parts: list[bytes] = []
    room, broken = limits.max_bytes, False
    try:
        while room >= 0 and (chunk := response.read1(min(_CHUNK, room + 1))):
            parts.append(chunk)
            room -= len(chunk)
        broken = room >= 0 and bool(response.length)  # less came than was promised
    except (OSError, http.client.HTTPException):
        if not limits.only_beginning:
            raise
        broken = True
    if not limits.only_beginning and room < 0:
        raise OutboundFailedError(target.host, f"its answer is larger than {limits.max_bytes:,} bytes")
    if not limits.only_beginning and broken:
        raise OutboundFailedError(target.host, "its answer breaks off")
    headers = HTTPHeaderDict(response.getheaders())
    return OutboundAnswer(response.status, headers, b"".join(parts)[: limits.max_bytes], whole=room >= 0 and not broken)


_REASONS: tuple[tuple[type[Exception], str], ...] = (
    (ssl.SSLCertVerificationError, "its certificate is not trusted or belongs to another name"),
    (ssl.SSLError, "the encrypted connection failed"),
    (TimeoutError, "it did not answer in time"),
    (ConnectionRefusedError, "it refused the connection"),
    (ConnectionError, "it broke off the connection"),
    (http.client.IncompleteRead, "its answer breaks off"),
    (http.client.HTTPException, "it did not answer in HTTP"),
    (OSError, "it could not be reached"),
)
"""What went wrong, in our own words; the first that fits counts."""


def _reason(error: Exception, deadline: Deadline) -> str:
    if deadline.left_s() <= 0.0:
        return f"it took more than {deadline.seconds:g} s in all"
    return next(words for kind, words in _REASONS if isinstance(error, kind))
