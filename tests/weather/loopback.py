"""A server on 127.0.0.1 that behaves as badly as asked, and clocks that tests can turn."""

from __future__ import annotations

import gzip
import threading
from contextlib import suppress
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from socketserver import TCPServer
from typing import TYPE_CHECKING, Any

from matewindow.weather.http import Clock

if TYPE_CHECKING:
    import ssl
    from collections.abc import Callable

    Reply = Callable[["Handler"], None]

NOON = datetime(2026, 6, 1, 12, 0, 20, tzinfo=UTC)
PAUSE_S = 0.02


class TurnedClock(Clock):
    """Stands still unless it is turned or someone sleeps; remembers how long they slept."""

    def __init__(self, now: datetime = NOON) -> None:
        self.time = now
        self.seconds = 1000.0
        self.slept: list[float] = []

    def now(self) -> datetime:
        return self.time

    def monotonic(self) -> float:
        return self.seconds

    def sleep(self, seconds: float) -> None:
        self.slept.append(seconds)
        self.turn(timedelta(seconds=seconds))

    def turn(self, by: timedelta) -> None:
        self.time += by
        self.seconds += max(0.0, by.total_seconds())

    def set_back(self, by: timedelta) -> None:
        self.time -= by


class Handler(BaseHTTPRequestHandler):
    """Answers with the next reply of the script; the last one goes on for ever."""

    protocol_version = "HTTP/1.1"
    disable_nagle_algorithm = True
    server: _Server

    def do_GET(self) -> None:  # the name is given by http.server
        self.server.seen.append(Seen(self.path, dict(self.headers.items())))
        script = self.server.script
        reply = script.pop(0) if len(script) > 1 else script[0]
        with suppress(OSError):  # the client has hung up
            reply(self)

    def log_message(self, format: str, *args: Any) -> None:  # noqa: A002 - the name is given by http.server
        """Keep quiet."""


@dataclass
class Seen:
    """What a call looked like to the server."""

    path: str
    headers: dict[str, str]


class _Server(ThreadingHTTPServer):
    daemon_threads = True
    block_on_close = False

    def __init__(self, script: list[Reply]) -> None:
        self.script = script
        self.seen: list[Seen] = []
        self.stopped = threading.Event()
        super().__init__(("127.0.0.1", 0), Handler)

    def server_bind(self) -> None:
        """As the base class does, but without looking up our own name."""
        TCPServer.server_bind(self)
        self.server_name, self.server_port = "127.0.0.1", self.server_address[1]

    def handle_error(self, request: Any, client_address: Any) -> None:
        """A client that hangs up is what these tests are about."""


@dataclass
class Loopback:
    """The running server. ``script`` may be replaced at any time."""

    tls: ssl.SSLContext | None = None
    _server: _Server = field(init=False)

    def __enter__(self) -> Loopback:
        self._server = _Server([reply()])
        if self.tls is not None:
            self._server.socket = self.tls.wrap_socket(self._server.socket, server_side=True)
        threading.Thread(target=self._server.serve_forever, args=(PAUSE_S,), daemon=True).start()
        return self

    def __exit__(self, *exc: object) -> None:
        self._server.stopped.set()
        self._server.shutdown()
        self._server.server_close()

    @property
    def url(self) -> str:
        return f"http{'s' if self.tls else ''}://127.0.0.1:{self._server.server_port}/v1/forecast"

    @property
    def seen(self) -> list[Seen]:
        return self._server.seen

    def will(self, *replies: Reply) -> None:
        self._server.script[:] = replies


def reply(body: bytes = b'{"n": 1}', status: int = 200, **headers: str) -> Reply:
    """A whole answer; underscores in names of headers stand for hyphens."""

    def send(handler: Handler) -> None:
        _head(handler, status, {"Content_Length": str(len(body)), **headers})
        handler.wfile.write(body)

    return send


def unchanged(**headers: str) -> Reply:
    """A 304."""
    return lambda handler: _head(handler, 304, headers)


def cut_short(body: bytes, missing: int, **headers: str) -> Reply:
    """Promises more than it sends."""

    def send(handler: Handler) -> None:
        _head(handler, 200, {"Content_Length": str(len(body) + missing), **headers})
        handler.wfile.write(body)
        handler.close_connection = True

    return send


def cut_gzip(body: bytes) -> Reply:
    """A gzip stream of the promised length that lacks its end, though all of the text is there."""
    return reply(gzip.compress(body)[:-4], Content_Encoding="gzip")


def in_chunks(*chunks: bytes, whole: bool = True) -> Reply:
    """Chunked transfer, with or without its end."""

    def send(handler: Handler) -> None:
        _head(handler, 200, {"Transfer_Encoding": "chunked"})
        for chunk in chunks:
            handler.wfile.write(b"%x\r\n%s\r\n" % (len(chunk), chunk))
        if whole:
            handler.wfile.write(b"0\r\n\r\n")
        handler.close_connection = True

    return send


def without_length(body: bytes) -> Reply:
    """An answer that ends when the connection does."""

    def send(handler: Handler) -> None:
        _head(handler, 200, {"Connection": "close"})
        handler.wfile.write(body)
        handler.close_connection = True

    return send


def dripping(head: bytes) -> Reply:
    """Sends this beginning and then one byte every fiftieth of a second, for ever."""

    def send(handler: Handler) -> None:
        handler.wfile.write(head)
        while not handler.server.stopped.wait(PAUSE_S):
            handler.wfile.write(b"1")

    return send


def silent(handler: Handler) -> None:
    """Never answers."""
    handler.server.stopped.wait(30.0)


def hang_up(handler: Handler) -> None:
    """Closes the connection instead of answering."""
    handler.close_connection = True


def _head(handler: Handler, status: int, headers: dict[str, str]) -> None:
    handler.send_response_only(status)
    for name, value in headers.items():
        handler.send_header(name.replace("_", "-"), value)
    handler.end_headers()
