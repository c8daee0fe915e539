"""A real uvicorn on 127.0.0.1, and a raw socket to talk to it byte by byte."""

from __future__ import annotations

import socket
import threading
import time
from contextlib import contextmanager
from typing import TYPE_CHECKING

import uvicorn

from api.edge.protocol import Limits, uvicorn_config

if TYPE_CHECKING:
    from collections.abc import Iterator

    from starlette.types import ASGIApp

PATIENCE_S = 20.0


class _Server(uvicorn.Server):
    """Tells when it listens."""

    def __init__(self, config: uvicorn.Config) -> None:
        super().__init__(config)
        self.listens = threading.Event()

    async def startup(self, sockets: list[socket.socket] | None = None) -> None:
        await super().startup(sockets)
        self.listens.set()


@contextmanager
def running(app: ASGIApp, limits: Limits | None = None, base_url: str = "", loop: str = "auto") -> Iterator[int]:
    """Serve an application on 127.0.0.1; gives the port."""
    config = uvicorn_config(app, port=0, limits=limits or Limits(), base_url=base_url)
    config.lifespan = "off"
    config.loop = loop
    server = _Server(config)
    listening = socket.socket()
    listening.bind(("127.0.0.1", 0))
    thread = threading.Thread(target=server.run, kwargs={"sockets": [listening]})
    thread.start()
    try:
        assert server.listens.wait(PATIENCE_S)
        yield listening.getsockname()[1]
    finally:
        server.should_exit = True
        thread.join(PATIENCE_S)
        listening.close()
        assert not thread.is_alive()


class Wire:
    """A connection on which a test writes and reads bytes."""

    def __init__(self, port: int, *, receive_buffer: int | None = None) -> None:
        self.socket = socket.socket()
        if receive_buffer is not None:
            self.socket.setsockopt(socket.SOL_SOCKET, socket.SO_RCVBUF, receive_buffer)
        self.socket.settimeout(PATIENCE_S)
        self.socket.connect(("127.0.0.1", port))
        self.began = time.monotonic()
        self.left = b""

    def __enter__(self) -> Wire:
        return self

    def __exit__(self, *_: object) -> None:
        self.socket.close()

    @property
    def age_s(self) -> float:
        """Seconds since the connection was made."""
        return time.monotonic() - self.began

    def write(self, data: bytes) -> None:
        """Send bytes."""
        self.socket.sendall(data)

    def write_until_cut(self, data: bytes) -> None:
        """Send bytes for as long as the other side takes them."""
        try:
            self.socket.sendall(data)
        except OSError:
            return

    def answer(self) -> tuple[int, dict[str, str], bytes]:
        """Read one answer: status, header fields, body by its Content-Length."""
        while b"\r\n\r\n" not in self.left:
            self._more()
        head, _, self.left = self.left.partition(b"\r\n\r\n")
        status_line, *lines = head.decode("latin-1").split("\r\n")
        fields = {name.lower(): value for name, _, value in (line.partition(": ") for line in lines)}
        size = int(fields.get("content-length", "0"))
        while len(self.left) < size:
            self._more()
        body, self.left = self.left[:size], self.left[size:]
        return int(status_line.split()[1]), fields, body

    def _more(self) -> None:
        data = self.socket.recv(65536)
        if not data:
            raise ConnectionError(f"closed after {self.left!r}")
        self.left += data

    def closed(self) -> bytes:
        """Wait until the other side closes; gives what it still sent."""
        data = self.left
        self.left = b""
        try:
            while part := self.socket.recv(65536):
                data += part
        except ConnectionError:
            pass
        return data
