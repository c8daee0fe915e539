"""An endpoint on 127.0.0.1 that counts who comes, keeps what was sent and answers with the bytes it was told to."""

from __future__ import annotations

import socket
import socketserver
import threading
from contextlib import suppress
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, BinaryIO, cast

if TYPE_CHECKING:
    import ssl
    from collections.abc import Callable

    Reply = bytes | Callable[["Exchange"], None]

PAUSE_S = 0.02
OK = b"HTTP/1.1 204 No Content\r\n\r\n"


@dataclass
class Seen:
    """A request as it came: names of headers in small letters."""

    method: str
    path: str
    headers: dict[str, str]
    body: bytes


class Exchange(socketserver.StreamRequestHandler):
    """Reads one request, answers it, and closes the connection."""

    server: _Server
    said: Seen

    def handle(self) -> None:
        """Called by socketserver."""
        with suppress(OSError):  # the client has hung up
            head = []
            while (line := self.rfile.readline()) not in {b"", b"\r\n"}:
                head.append(line.rstrip(b"\r\n"))
            if not head or not line:  # nothing, or not all of it: who sent it was killed
                return
            method, path, _ = head[0].decode("latin-1").split(" ", 2)
            pairs = (each.decode("latin-1").partition(":") for each in head[1:])
            headers = {name.lower(): value.strip() for name, _, value in pairs}
            length = int(headers.get("content-length", "0"))
            body = self.rfile.read(length)
            if len(body) < length:
                return
            self.said = Seen(method, path, headers, body)
            self.server.seen.append(self.said)
            reply = self.server.reply
            if isinstance(reply, bytes):
                cast("BinaryIO", self.wfile).write(reply)
            else:
                reply(self)


class _Server(socketserver.ThreadingTCPServer):
    daemon_threads = True
    block_on_close = False

    def __init__(self, tls: ssl.SSLContext | None) -> None:
        self.tls = tls
        self.connections = 0
        self.seen: list[Seen] = []
        self.reply: Reply = OK
        self.stopped = threading.Event()
        super().__init__(("127.0.0.1", 0), Exchange)

    def get_request(self) -> tuple[socket.socket, Any]:
        """Counted before anything is read, so that an attempt to connect is enough."""
        line, address = super().get_request()
        self.connections += 1
        return line, address

    def finish_request(self, request: Any, client_address: Any) -> None:
        """In the thread of this connection."""
        if self.tls is None:
            super().finish_request(request, client_address)
            return
        with suppress(OSError), self.tls.wrap_socket(request, server_side=True) as secure:
            super().finish_request(secure, client_address)

    def handle_error(self, request: Any, client_address: Any) -> None:
        """A client that hangs up is part of the game."""


class Endpoint:
    """The running server; the reply can be changed at any time."""

    def __init__(self, tls: ssl.SSLContext | None = None) -> None:
        self._server = _Server(tls)
        self.port: int = self._server.server_address[1]
        self._probes = 0

    def __enter__(self) -> Endpoint:
        threading.Thread(target=self._server.serve_forever, args=(PAUSE_S,), daemon=True).start()
        return self

    def __exit__(self, *exc: object) -> None:
        self._server.stopped.set()
        self._server.shutdown()
        self._server.server_close()

    @property
    def connections(self) -> int:
        """How many connections were made, whatever came of them.

        They are taken in order: when one of our own has been taken, all before it have been counted.
        """
        self._probes += 1
        with socket.create_connection(("127.0.0.1", self.port), timeout=10.0) as probe:
            probe.shutdown(socket.SHUT_WR)
            with suppress(ConnectionResetError):
                probe.recv(100)
        return self._server.connections - self._probes

    @property
    def seen(self) -> list[Seen]:
        """Requests that came whole."""
        return self._server.seen

    def will(self, reply: Reply) -> None:
        """Answer all requests from now on with these bytes, or as this function does."""
        self._server.reply = reply


def answer(status: int, body: bytes = b"", **headers: str) -> bytes:
    """A whole answer; underscores in names of headers stand for hyphens."""
    named = {"Content_Length": str(len(body)), **headers}
    lines = "".join(f"{name.replace('_', '-')}: {value}\r\n" for name, value in named.items())
    return f"HTTP/1.1 {status} Said\r\n{lines}\r\n".encode("latin-1") + body


def dripping(head: bytes) -> Callable[[Exchange], None]:
    """Sends this beginning and then one byte every fiftieth of a second, for ever."""

    def send(exchange: Exchange) -> None:
        out = cast("BinaryIO", exchange.wfile)
        out.write(head)
        while not exchange.server.stopped.wait(PAUSE_S):
            out.write(b"1")

    return send


def silent(exchange: Exchange) -> None:
    """Takes the request and says nothing."""
    exchange.server.stopped.wait(30.0)


def hang_up(exchange: Exchange) -> None:
    """Closes the connection instead of answering."""
