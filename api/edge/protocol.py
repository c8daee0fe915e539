"""Limits that must hold before any application is reached: time, header bytes, length of the address, connections.

uvicorn waits for ever for a request that trickles in, and reads header fields without end. ``GuardedProtocol`` is its
own HTTP protocol with a deadline for the head and the body of each request, bounds on all that is kept before the
application is called, and an end to callers that do not take their answer.

Source: RFC 9110, sections 4.1 (length of addresses) and 15.5.9 (408); RFC 6585, section 5 (431); RFC 9112, section 9.6
(closing); RFC 9110, section 6.5.1 (trailer fields are not merged into the head).
"""

from __future__ import annotations

import sys
from contextlib import suppress
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, ClassVar

from uvicorn import Config
from uvicorn.protocols.http.httptools_impl import STATUS_LINE, HttpToolsProtocol, RequestResponseCycle

from api.edge.headers import API_CSP
from api.edge.problems import MEDIA_TYPE, Problem

if TYPE_CHECKING:
    import asyncio

    from starlette.types import ASGIApp
    from uvicorn._types import ASGI3Application
    from uvicorn.server import ServerState

if sys.platform == "linux":
    import fcntl
    import termios

_LINGER_S = 2.0
"""Seconds that a connection stays half open after a refusal."""


@dataclass(frozen=True)
class Limits:
    """What a connection may cost.

    Args:
        head_s: seconds for the head of a request, from the connection or the first byte on.
        body_s: seconds for its body, from the end of the head on.
        stalled_s: seconds that a caller may take nothing of its answer.
        header_bytes: names and values of all header fields together.
        header_fields: number of header fields.
        url_bytes: path and query.
        message_bytes: all bytes of one request on the wire; also how much of a refused body is still taken, so that
            the refusal can be read.
        pipelined: requests that wait for the answer to the one before.
        connections: connections open at once; well below the files that a process may have open (1,024 by default).
        keep_alive_s: seconds that a connection without a request stays open.
    """

    head_s: float = 15.0
    body_s: float = 20.0
    stalled_s: float = 30.0
    header_bytes: int = 65_536
    header_fields: int = 100
    url_bytes: int = 8_192
    message_bytes: int = 8_000_000
    pipelined: int = 64
    connections: int = 500
    keep_alive_s: int = 5


class _Refused(Exception):  # noqa: N818
    """Stops the parser; the reason stands in ``GuardedProtocol._refusal``."""


class GuardedProtocol(HttpToolsProtocol):
    """uvicorn's protocol on httptools, with ``limits``. Make a class with other limits by ``protocol_class``.

    One timer runs while something of a request is missing: the head first, then the body. It does not run while the
    application works, nor while the application is not ready to read. Another one runs while the caller takes
    nothing of its answer.
    """

    limits: ClassVar[Limits] = Limits()
    base_url: ClassVar[str] = ""

    def __init__(
        self,
        config: Config,
        server_state: ServerState,
        app_state: dict[str, Any],
        _loop: asyncio.AbstractEventLoop | None = None,
    ) -> None:
        super().__init__(config, server_state, app_state, _loop)
        self._receiving: asyncio.TimerHandle | None = None
        self._sending: asyncio.TimerHandle | None = None
        self._unsent = 0
        self._running: RequestResponseCycle | None = None  # the request that is being answered
        self._number = 0  # of the message that is read
        self._inside = False  # a message has begun and is not complete
        self._in_head = False
        self._head_bytes = 0
        self._wire_bytes = 0  # of this message, without its first chunk, which may hold the end of another one
        self._refusal: Problem | None = None
        self._ended = False  # whatever still comes is thrown away

    # --- the connection ---

    def connection_made(self, transport: asyncio.BaseTransport) -> None:
        """Start the deadline of the first request, or turn the connection away if there are too many."""
        super().connection_made(transport)  # type: ignore[arg-type]
        if len(self.connections) > self.limits.connections:
            self._refuse(Problem("busy", "Too many connections are open.", headers={"Retry-After": "2"}))
        else:
            self._wait_for_bytes(self.limits.head_s)

    def connection_lost(self, exc: Exception | None) -> None:
        """Stop all timers."""
        self._stop_waiting()
        self._stop_watching()
        if self._running is not None and self._running is not self.cycle and not self._running.response_complete:
            self._running.disconnected = True
            self._running.message_event.set()
        super().connection_lost(exc)

    def data_received(self, data: bytes) -> None:
        """Parse what came, within the limits, and see that a deadline runs while something is missing."""
        if self._ended:
            self._throw_away(len(data))
            return
        number = self._number if self._inside else -1
        super().data_received(data)
        if self._ended or self.transport.is_closing():
            return
        if self._inside:
            self._count(len(data) if self._number == number else 0)
        elif self._receiving is None and self._idle():
            # Empty lines between requests stop uvicorn's keep-alive timer without beginning a request.
            self._wait_for_bytes(self.limits.head_s)

    def _count(self, size: int) -> None:
        """Add bytes to the present message and see that they are not too many and its deadline runs."""
        self._wire_bytes += size
        limits = self.limits
        if self._in_head and self._wire_bytes > limits.header_bytes + limits.url_bytes:
            self._refuse(Problem("header-too-large", f"The limit is {limits.header_bytes:,} bytes."))
        elif self._wire_bytes > limits.message_bytes:
            self._refuse(Problem("content-too-large", f"The limit is {limits.message_bytes:,} bytes."))
        elif self._receiving is None:
            self._wait_for_bytes(limits.head_s if self._in_head else limits.body_s)

    def _idle(self) -> bool:
        """Whether nothing is going on and nothing limits how long that lasts."""
        answered = self._running is None or self._running.response_complete
        return answered and self.timeout_keep_alive_task is None

    # --- the parser ---

    def on_message_begin(self) -> None:
        """A request begins."""
        super().on_message_begin()
        self._number += 1
        self._inside = self._in_head = True
        self._head_bytes = self._wire_bytes = 0

    def on_url(self, url: bytes) -> None:
        """A part of the address."""
        super().on_url(url)
        if len(self.url) > self.limits.url_bytes:
            self._stop(Problem("uri-too-long", f"The limit is {self.limits.url_bytes:,} bytes."))

    def on_header(self, name: bytes, value: bytes) -> None:
        """A header field; trailer fields after the body are dropped, since nobody may take them for the head's."""
        if not self._in_head:
            return
        self._head_bytes += len(name) + len(value) + 4
        if self._head_bytes > self.limits.header_bytes or len(self.headers) >= self.limits.header_fields:
            told = f"The limits are {self.limits.header_bytes:,} bytes and {self.limits.header_fields} fields."
            self._stop(Problem("header-too-large", told))
        name = name.lower()
        if name == b"transfer-encoding" and value.lower() != b"chunked":
            # The parser notices too, but only after the application has been called (RFC 9112, section 6.1).
            self._stop(Problem("malformed-request", "The only Transfer-Encoding that is read is chunked."))
        if name == b"expect" and value.lower() == b"100-continue":
            self.expect_100_continue = True
        self.headers.append((name, value))  # as uvicorn does; a call up for each field would take its time

    def on_headers_complete(self) -> None:
        """The head is complete: the time of the body begins, if there is one."""
        if len(self.pipeline) >= self.limits.pipelined:
            self._stop(Problem("too-many-requests", "Too many requests wait on this connection."))
        super().on_headers_complete()
        self._in_head = False
        self._stop_waiting()

    def on_message_complete(self) -> None:
        """The request is complete: nothing more to wait for."""
        self._inside = False
        self._stop_waiting()
        super().on_message_complete()

    def _stop(self, problem: Problem) -> None:
        self._refusal = problem
        raise _Refused

    def _start_asgi_task(self, cycle: RequestResponseCycle, app: ASGI3Application) -> None:
        self._running = cycle
        super()._start_asgi_task(cycle, app)

    def _unsupported_upgrade_warning(self) -> None:
        """Nothing to warn of: there are no web sockets here, and the request is answered as it is."""

    # --- refusals ---

    def send_400_response(self, msg: str) -> None:  # noqa: ARG002  the parser's words are no help to a person
        """Called by uvicorn when the parser has given up."""
        self._refuse(self._refusal or Problem("malformed-request", "This is no HTTP request that can be read."))

    def _refuse(self, problem: Problem) -> None:
        """Answer the message that is being read with a problem, where an answer still can be given, and close."""
        self._stop_waiting()
        self._ended = True
        mine = self.cycle if self._inside and not self._in_head else None
        running = self._running if self._running is not None and not self._running.response_complete else None
        if running is not None and running is not mine:  # an earlier request: its answer goes out first
            self.pipeline.clear()
            running.keep_alive = False
            return
        if running is not None:  # the application is at work on this very request: let it see the caller gone
            running.disconnected = True
            running.message_event.set()
        if mine is None or not mine.response_started:
            self.transport.write(self._raw(problem))
        self._leave()

    def _raw(self, problem: Problem) -> bytes:
        base = self.base_url or (f"{self.scheme}://{self.server[0]}:{self.server[1]}" if self.server else "")
        body = problem.body(base)
        fields = [
            *self.server_state.default_headers,
            (b"content-type", MEDIA_TYPE.encode("ascii")),
            (b"content-length", str(len(body)).encode("ascii")),
            (b"cache-control", b"no-store"),
            (b"x-content-type-options", b"nosniff"),
            (b"content-security-policy", API_CSP.encode("ascii")),
            (b"connection", b"close"),
            *((name.encode("ascii"), value.encode("ascii")) for name, value in problem.headers.items()),
        ]
        lines = b"".join(name + b": " + value + b"\r\n" for name, value in fields)
        return STATUS_LINE[problem.status] + lines + b"\r\n" + body

    def _leave(self) -> None:
        """Close so that the answer can be read: a close with unread input would make the kernel take it back."""
        self._watch_sending()
        if not self.transport.can_write_eof():
            self.transport.close()
            return
        self.transport.write_eof()
        self._wire_bytes = 0
        self.flow.resume_reading()
        self._receiving = self.loop.call_later(min(_LINGER_S, self.limits.head_s), self.transport.close)

    def _throw_away(self, size: int) -> None:
        self._wire_bytes += size
        if self._wire_bytes > self.limits.message_bytes:
            self.transport.close()

    # --- deadlines ---

    def _wait_for_bytes(self, seconds: float) -> None:
        self._receiving = self.loop.call_later(seconds, self._too_slow)

    def _stop_waiting(self) -> None:
        if self._receiving is not None:
            self._receiving.cancel()
            self._receiving = None

    def _too_slow(self) -> None:
        """The time for the head or the body is up."""
        self._receiving = None
        if self.transport.is_closing():
            return
        if self.flow.read_paused:  # it is us who do not read
            self._wait_for_bytes(self.limits.head_s if self._in_head else self.limits.body_s)
        elif self._inside:
            self._refuse(Problem("request-timeout"))
        elif self._running is None or self._running.response_complete:
            self.transport.close()

    def pause_writing(self) -> None:
        """The caller takes its answer slower than it is made."""
        super().pause_writing()
        self._watch_sending()

    def resume_writing(self) -> None:
        """The caller has taken most of it."""
        super().resume_writing()
        if not self.transport.is_closing():
            self._stop_watching()

    def on_response_complete(self) -> None:
        """An answer is complete; if the connection ends with it, see that it does."""
        super().on_response_complete()
        if self.transport.is_closing():
            self._watch_sending()

    def timeout_keep_alive_handler(self) -> None:
        """No further request has come."""
        super().timeout_keep_alive_handler()
        self._watch_sending()

    def _watch_sending(self) -> None:
        self._stop_watching()
        if self.transport.get_write_buffer_size():
            self._unsent = self._not_taken()
            self._sending = self.loop.call_later(self.limits.stalled_s, self._see_sending)

    def _stop_watching(self) -> None:
        if self._sending is not None:
            self._sending.cancel()
            self._sending = None

    def _see_sending(self) -> None:
        """Cut the connection if nothing was taken since the last look, else look again later."""
        self._sending = None
        if self._not_taken() >= self._unsent:
            self.transport.abort()
        else:
            self._watch_sending()

    def _not_taken(self) -> int:
        """Bytes that the caller has not taken yet: ours, and on Linux those that the kernel holds.

        The kernel takes more from us only when a good part of its buffer has become free, so ours alone may stand
        still while a slow caller reads.
        """
        left = self.transport.get_write_buffer_size()
        connection = self.transport.get_extra_info("socket")
        if sys.platform == "linux" and connection is not None:
            with suppress(OSError):
                left += int.from_bytes(fcntl.ioctl(connection.fileno(), termios.TIOCOUTQ, bytes(4)), sys.byteorder)
        return left


# --- set-up --------------------------------------------------------------------------------------------------


def protocol_class(limits: Limits, base_url: str = "") -> type[GuardedProtocol]:
    """A protocol with these limits; ``base_url`` makes the types of its problems absolute."""
    return type("LimitedProtocol", (GuardedProtocol,), {"limits": limits, "base_url": base_url.rstrip("/")})


def uvicorn_config(
    app: ASGIApp,
    host: str = "127.0.0.1",
    port: int = 8377,
    *,
    limits: Limits = Limits(),
    base_url: str = "",
    root_path: str = "",
) -> Config:
    """Settings of uvicorn for the service: guarded protocol, uvloop where there is one, no logs of its own.

    Proxy header fields are left to ``forwarded.Forwarded``, the access log to ``accesslog.AccessLog``, and what uvicorn
    has to tell goes the way of ``logs.configure``.

    Args:
        app: the guarded application.
        host: address to listen on.
        port: 0 for any free one.
        limits: of each connection.
        base_url: where the service is reached, if configured.
        root_path: path below which a proxy serves it.
    """
    return Config(
        app,
        host=host,
        port=port,
        http=protocol_class(limits, base_url),
        ws="none",
        proxy_headers=False,
        server_header=False,
        access_log=False,
        log_config=None,
        root_path=root_path,
        timeout_keep_alive=limits.keep_alive_s,
        timeout_graceful_shutdown=10,
    )
