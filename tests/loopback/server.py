"""A server on 127.0.0.1 that speaks for all weather services, for tests.

Each service listens on a port of its own, so that it can be switched off alone, and answers under a prefix:
``server.url("nws")`` is something like ``http://127.0.0.1:41235/nws``. A client that insists on the services' own names
takes ``server.session()``: it sends what is meant for ``https://api.weather.gov`` to the server, and nothing anywhere
else. See README.md beside this file.
"""

from __future__ import annotations

import http.server
import json
import selectors
import socket
import ssl
import threading
import traceback
from contextlib import suppress
from dataclasses import replace
from http import HTTPStatus
from typing import TYPE_CHECKING, ClassVar
from urllib.parse import parse_qsl, unquote, urlsplit

from matewindow.weather.session import make_session
from tests.loopback import brightsky, faults, metno, mosmix, nws, openmeteo
from tests.loopback.client import Rerouted
from tests.loopback.exchange import (
    ADDRESS,
    HOSTS,
    SERVICES,
    Answer,
    Exchange,
    RefusedError,
    Request,
    Scene,
    SetClock,
    http_date,
    json_answer,
)
from tests.loopback.faults import Fault, Faults, damaged, group_of
from tests.loopback.scenario import Scenario

if TYPE_CHECKING:
    from collections.abc import Callable
    from pathlib import Path

    import requests

_AT_ONCE = 6
"""Open-Meteo: one request running and five waiting; see weather documentation of the service."""
_MAX_BODY = 1_000_000


class LoopbackServer:
    """The server. Use it in a ``with`` block, or ``start`` and ``close`` it.

    Args:
        scenario: the weather; may be set anew at any time.
        clock: time of day of all services.
        certificate: a PEM file with key and certificate makes it speak TLS (``client.make_certificate``).

    Attributes:
        scenario: the weather.
        clock: its clock.
        faults: what goes wrong.
        budget: the weighted calls of Open-Meteo.
        log: every exchange, in the order in which they were answered. An answer that is in the client's hands is in it;
            of one that a fault cuts short the number of bytes may come a little later.
    """

    def __init__(
        self, scenario: Scenario | None = None, clock: SetClock | None = None, *, certificate: Path | None = None
    ) -> None:
        self.scenario = scenario or Scenario()
        self.clock = clock or SetClock()
        self.faults = Faults(self.clock.now, self._open_and_shut)
        self.budget = openmeteo.Budget()
        self.log: list[Exchange] = []
        self._bugs: list[str] = []
        self._tls = None
        if certificate is not None:
            self._tls = ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER)
            self._tls.load_cert_chain(certificate)
        self._lock = threading.RLock()
        self._number = 0
        self._at_once = 0
        self._ports: dict[str, int] = {}
        self._listeners: dict[str, socket.socket] = {}
        self._lines: dict[socket.socket, str] = {}
        self._threads: list[threading.Thread] = []
        self._selector = selectors.DefaultSelector()
        self._woken, self._waker = socket.socketpair()
        self._closing = False

    # --- running -------------------------------------------------------------------------------------------------

    def __enter__(self) -> LoopbackServer:
        self.start()
        return self

    def __exit__(self, *error: object) -> None:
        self.close()

    def start(self) -> None:
        """Listen."""
        self._selector.register(self._woken, selectors.EVENT_READ)
        for service in HOSTS:
            self._listen(service)
        thread = threading.Thread(target=self._accept, name="loopback", daemon=True)
        self._threads.append(thread)
        thread.start()

    def close(self) -> None:
        """Close all connections and end all threads; once is enough.

        Raises:
            AssertionError: the server itself has failed in a request; the text has the traceback.
        """
        with self._lock:
            if self._closing:
                return
            self._closing = True
            for line in self._lines:
                _shut(line)
        self._waker.send(b"x")
        for thread in list(self._threads):
            thread.join(10.0)
        for listener in self._listeners.values():
            listener.close()
        self._selector.close()
        self._woken.close()
        self._waker.close()
        if self._bugs:
            raise AssertionError("the loopback server has failed:\n" + "\n".join(self._bugs))

    # --- addresses -----------------------------------------------------------------------------------------------

    def url(self, service: str) -> str:
        """What addresses of a service begin with, without a slash at the end."""
        return f"{'https' if self._tls else 'http'}://{ADDRESS}:{self._ports[service]}/{service}"

    def local(self, address: str) -> str:
        """An address of a service, such as https://api.weather.gov/points, turned into that of this server.

        Raises:
            ValueError: it is none of the services.
        """
        for host, service in SERVICES.items():
            for scheme in ("https", "http"):
                if address.startswith(f"{scheme}://{host}/"):
                    return self.url(service) + address.removeprefix(f"{scheme}://{host}")
        raise ValueError(f"{address} belongs to none of the services {', '.join(HOSTS)}")

    def session(self) -> requests.Session:
        """A session in which the services' own addresses lead to this server, and all others nowhere.

        It is the program's own session otherwise, time limits included. Only for a server without TLS: the client
        believes in https, and plain HTTP goes over the line.
        """
        session = make_session()
        session.mount("https://", Rerouted(self._ports))
        session.mount("http://", Rerouted({}))
        return session

    # --- looking back ----------------------------------------------------------------------------------------------

    def calls(self, service: str | None = None, path: str = "") -> list[Exchange]:
        """Exchanges with a service ("open-meteo": all its hosts) whose path contains a text, oldest first."""
        with self._lock:
            return [e for e in self.log if faults.concerns(service, e.request.service) and path in e.request.path]

    def forget(self) -> None:
        """Empty the log and the budget, and switch off all faults."""
        with self._lock:
            self.log.clear()
        self.budget.clear()
        self.faults.off()

    # --- connections ---------------------------------------------------------------------------------------------

    def _listen(self, service: str) -> None:
        listener = socket.socket()
        listener.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        listener.bind((ADDRESS, self._ports.get(service, 0)))
        listener.listen(64)
        listener.settimeout(0.0)  # a client may be gone again before it is accepted
        self._ports[service] = listener.getsockname()[1]
        self._listeners[service] = listener
        self._selector.register(listener, selectors.EVENT_READ, service)

    def _open_and_shut(self) -> None:
        """Close the ports of services that refuse connections, and open the others."""
        with self._lock:
            if self._closing or not self._ports:
                return
            for service in HOSTS:
                refuses, listener = self.faults.refused(service), self._listeners.get(service)
                if refuses and listener is not None:
                    self._selector.unregister(self._listeners.pop(service))
                    listener.close()
                    for line in [line for line, of in self._lines.items() if of == service]:
                        _shut(line)
                elif not refuses and listener is None:
                    self._listen(service)
            self._waker.send(b"x")

    def _accept(self) -> None:
        while not self._closing:
            for key, _ in self._selector.select():
                if key.data is None:
                    self._woken.recv(64)
                    continue
                with self._lock, suppress(OSError):
                    listener = self._listeners.get(key.data)
                    if listener is not None:  # it may have been closed meanwhile
                        self._serve(listener.accept()[0], key.data)

    def _serve(self, line: socket.socket, service: str) -> None:
        line.settimeout(None)
        self._lines[line] = service
        thread = threading.Thread(target=self._converse, args=(line,), name=f"loopback {service}", daemon=True)
        self._threads = [t for t in self._threads if t.is_alive()] + [thread]
        thread.start()

    def _converse(self, line: socket.socket) -> None:
        talking = line
        try:
            if self._tls is not None:
                talking = self._tls.wrap_socket(line, server_side=True)
                with self._lock:
                    self._lines[talking] = self._lines.pop(line)
            with self._lock:
                over = self._closing
            if not over:
                _Handler(talking, self)
        except OSError:
            pass  # the client went away, or did not like the certificate
        finally:
            with self._lock:
                self._lines.pop(line, None)
                self._lines.pop(talking, None)
            talking.close()
            line.close()

    # --- one exchange ----------------------------------------------------------------------------------------------

    def handle(self, method: str, target: str, headers: dict[str, str], body: bytes, line: socket.socket) -> bool:
        """Answer one request over a connection; whether the connection may serve another."""
        request = self._read(method, target, headers, body)
        if request is None:
            note = b"no such service; addresses begin with one of " + ", ".join(f"/{s}" for s in HOSTS).encode()
            _send(line, Answer(404, note, {"Content-Type": "text/plain"}), method, self.clock, None)
            return True
        met = self.faults.meet(request.service, request.path)
        on_line = next((f.name for f in met if group_of(f.name) == "line"), None)
        answer = self._answer(request, met)
        slow = any(f.name == "slow_clock" for f in met)
        # Entered before it is sent, so that whoever has the answer finds it in the log.
        status = None if on_line in {"reset", "timeout"} else answer.status
        size = 0 if on_line is not None or method == "HEAD" else len(answer.body)
        entry = Exchange(request, status, size, answer.weight, tuple(f.name for f in met))
        with self._lock:
            self.log.append(entry)
        sent = _send(line, answer, method, self.clock, on_line, slow=slow)
        if sent != size:
            with self._lock:
                self.log[:] = [replace(e, sent_bytes=sent or 0) if e is entry else e for e in self.log]
        return on_line is None

    def _read(self, method: str, target: str, headers: dict[str, str], body: bytes) -> Request | None:
        parts = urlsplit(target)
        path = unquote(parts.path)
        service = SERVICES.get(headers.get("host", ""))
        prefix, root = "", f"https://{headers.get('host', '')}"
        if service is None:
            service = next((s for s in HOSTS if path == f"/{s}" or path.startswith(f"/{s}/")), None)
            if service is None:
                return None
            prefix, root = f"/{service}", self.url(service)
            path = path.removeprefix(prefix)
        query = parse_qsl(parts.query, keep_blank_values=True) + _posted(headers.get("content-type", ""), body)
        with self._lock:
            self._number += 1
            number = self._number
        now = self.clock.now()
        return Request(number, now, method, service, path, tuple(query), headers, root, prefix, parts.query)

    def _answer(self, request: Request, met: tuple[Fault, ...]) -> Answer:
        replaced = next((f for f in met if group_of(f.name) == "answer"), None)
        now = self.clock.now()
        if replaced is not None and replaced.name in {"throttled", "unavailable", "broken", "redirect_loop"}:
            return damaged(Answer(200), replaced, request, now)
        names = frozenset(f.name for f in met)
        back = now - faults.BEHIND
        scene = Scene(
            self.scenario,
            now=back if "slow_clock" in names else now,
            newest=back if names & {"slow_clock", "stale_run"} else now,
            faults=names,
        )
        answer = self._spoken(request, scene)
        return answer if replaced is None else damaged(answer, replaced, request, now)

    def _spoken(self, request: Request, scene: Scene) -> Answer:
        try:
            return self._service(request, scene)
        except RefusedError as error:
            return error.answer
        except Exception:  # a fault of ours must not look like one of the service
            self._bugs.append(f"{request.method} {request.service} {request.path}\n{traceback.format_exc()}")
            return Answer(500, b"the loopback server has failed", {"Content-Type": "text/plain"})

    def _service(self, request: Request, scene: Scene) -> Answer:
        if request.method == "POST" and not request.service.startswith("open-meteo"):
            return Answer(405, b"", {"Allow": "GET, HEAD"})
        if request.service.startswith("open-meteo"):
            return self._open_meteo(request, scene)
        answers: dict[str, Callable[[Request, Scene], Answer]] = {
            "met-norway": metno.answer,
            "nws": nws.answer,
            "bright-sky": brightsky.answer,
            "dwd": mosmix.answer,
        }
        return answers[request.service](request, scene)

    def _open_meteo(self, request: Request, scene: Scene) -> Answer:
        with self._lock:
            self._at_once += 1
            crowded = self._at_once > _AT_ONCE
        try:
            if crowded:
                reason = {"error": True, "reason": "Too many concurrent requests"}
                return json_answer(reason, status=429, weight=0.0)
            return openmeteo.answer(request, scene, self.budget)
        finally:
            with self._lock:
                self._at_once -= 1


def _posted(media: str, body: bytes) -> list[tuple[str, str]]:
    """Names and values of a form or of a JSON object."""
    if not body:
        return []
    if not media.startswith("application/json"):
        return parse_qsl(body.decode("utf-8", "replace"), keep_blank_values=True)
    try:
        given = json.loads(body)
    except ValueError:
        return []
    pairs = given.items() if isinstance(given, dict) else ()
    return [(str(k), str(v)) for k, values in pairs for v in (values if isinstance(values, list) else [values])]


def _send(
    line: socket.socket, answer: Answer, method: str, clock: SetClock, fault: str | None, *, slow: bool = False
) -> int | None:
    """Send an answer; bytes of its body that were sent, None if nothing was."""
    now = clock.now() - faults.BEHIND if slow else clock.now()
    headers = {"Date": http_date(now), "Server": "loopback", **answer.headers}
    if answer.status != 304:
        headers["Content-Length"] = str(len(answer.body))
    if fault is not None:
        headers["Connection"] = "close"
    lines = [f"HTTP/1.1 {answer.status} {HTTPStatus(answer.status).phrase}", *(f"{k}: {v}" for k, v in headers.items())]
    head = ("\r\n".join(lines) + "\r\n\r\n").encode("latin-1")
    return faults.send(line, head, b"" if method == "HEAD" else answer.body, fault)


def _shut(line: socket.socket) -> None:
    with suppress(OSError):  # it is closed already
        line.shutdown(socket.SHUT_RDWR)


class _Handler(http.server.BaseHTTPRequestHandler):
    """Reads requests from one connection until either side has enough."""

    protocol_version = "HTTP/1.1"
    rbufsize: ClassVar[int] = -1

    def __init__(self, line: socket.socket, owner: LoopbackServer) -> None:
        self._owner = owner
        super().__init__(line, (ADDRESS, 0), owner)  # type: ignore[arg-type]  # it only stores the server

    def log_message(self, *said: object, **more: object) -> None:
        """Say nothing: the log is ``LoopbackServer.log``."""

    def _any(self) -> None:
        length = self.headers.get("Content-Length", "0")
        body = self.rfile.read(min(int(length), _MAX_BODY)) if length.isdigit() else b""
        headers = {name.lower(): value for name, value in self.headers.items()}
        if not self._owner.handle(self.command, self.path, headers, body, self.connection):
            self.close_connection = True

    do_GET = do_HEAD = do_POST = _any  # noqa: N815 - names that the base class looks for
