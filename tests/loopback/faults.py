"""What can go wrong with a service, by name, to be switched on for a service and a number of requests.

A fault of the *line* breaks the connection, one of the *answer* replaces or damages what is sent, one of the *content*
changes what the service says. They come one at a time on the line and in the answer; several of the content may meet.
"""

from __future__ import annotations

import gzip
import select
import socket
import struct
import threading
import zlib
from contextlib import suppress
from dataclasses import dataclass, replace
from datetime import datetime, timedelta
from functools import cache
from http import HTTPStatus
from typing import TYPE_CHECKING, Literal

from tests.loopback.exchange import Answer, Request, html_answer, json_answer

if TYPE_CHECKING:
    from collections.abc import Callable

Group = Literal["line", "answer", "content"]

LINE = {
    "refused": "nobody listens on the service's port",
    "reset": "takes the request and breaks off the connection",
    "timeout": "takes the request and never answers",
    "slow_headers": "sends a byte of the header lines every 20 ms",
    "slow_drip": "sends a byte of the body every 20 ms",
    "stalled": "sends half of the body and then nothing more",
    "truncated": "sends half of the body and closes",
}
ANSWER = {
    "truncated_gzip": "half of a packed answer, with a length that fits",
    "gzip_bomb": "100 MB of blanks in 100 kB",
    "ten_times_size": "blanks after the answer make it ten times as long",
    "html": "a login page instead of data, status 200",
    "text_after_json": "the answer, and then a line of text",
    "broken_stream": "half of the answer, and then the service's error text, status 200",
    "redirect_loop": "a redirect to the same address",
    "throttled": "429 for an hour",
    "unavailable": "503",
    "broken": "500",
}
CONTENT = {
    "wrong_coordinates": "the answer is for a place ten degrees away",
    "all_nulls": "no value anywhere",
    "undefined_units": 'every unit is "undefined"',
    "negative_rain": "rain below zero",
    "temperature_200": "200 °C all the time",
    "members_missing": "half of the ensemble's members are left out and the rest is renumbered",
    "renamed_model_suffix": "columns end in the name of another model",
    "stale_run": "the newest run is three days old, clock and headers are right",
    "slow_clock": "the service lives three days ago, clock and headers too",
}
BEHIND = timedelta(days=3)
"""How far back ``stale_run`` and ``slow_clock`` are."""
DRIP_S = 0.02
BOMB_BYTES = 100_000_000
_OPEN_METEO = "open-meteo"
_ONLY: dict[str, tuple[str, ...]] = {
    "undefined_units": (_OPEN_METEO, "met-norway", "nws"),  # the others send no units
    "members_missing": ("open-meteo-ensemble",),
    "renamed_model_suffix": ("open-meteo-forecast", "open-meteo-ensemble"),
}


def group_of(name: str) -> Group:
    """Group of a fault.

    Raises:
        ValueError: there is no such fault.
    """
    groups: tuple[tuple[Group, dict[str, str]], ...] = (("line", LINE), ("answer", ANSWER), ("content", CONTENT))
    for group, names in groups:
        if name in names:
            return group
    raise ValueError(f"no fault is called {name!r}; there are {', '.join([*LINE, *ANSWER, *CONTENT])}")


def concerns(given: str | None, service: str) -> bool:
    """Whether a service is meant by a name: its own, "open-meteo" for all hosts of that service, or None for all."""
    return given is None or given == service or (given == _OPEN_METEO and service.startswith(_OPEN_METEO))


@dataclass(frozen=True)
class Fault:
    """A fault that is switched on: for whom, for how many more requests, until when, and on which paths."""

    name: str
    service: str | None
    times: int | None = None
    until: datetime | None = None
    path: str = ""


class Faults:
    """The faults that are switched on.

    Args:
        now: the server's clock.
        on_change: called with every change, outside the lock.
    """

    def __init__(self, now: Callable[[], datetime], on_change: Callable[[], None]) -> None:
        self._now = now
        self._on_change = on_change
        self._lock = threading.Lock()
        self._on: list[Fault] = []

    def on(self, name: str, service: str | None = None, *, times: int | None = None, path: str = "") -> None:
        """Switch a fault on.

        Args:
            name: of ``LINE``, ``ANSWER`` or ``CONTENT``.
            service: whose; "open-meteo" means all its hosts, None all services.
            times: number of requests that meet it; without it, all until it is switched off ("throttled": for an
                hour, at Open-Meteo until the full hour as its text says).
            path: only requests whose path contains this.

        Raises:
            ValueError: no such fault, or the service cannot have it.
        """
        if group_of(name) == "line" and name == "refused" and (times is not None or path):
            raise ValueError("a refused connection is never seen, so it cannot be counted or bound to a path")
        able = _ONLY.get(name)
        if able and service is not None and not any(concerns(a, service) or concerns(service, a) for a in able):
            raise ValueError(f"{service} cannot have {name!r}, only {', '.join(able)} can")
        until = self._throttled_until(service) if name == "throttled" else None
        with self._lock:
            self._on.append(Fault(name, service, times, until, path))
        self._on_change()

    def off(self, name: str | None = None, service: str | None = None) -> None:
        """Switch off one fault or all, of one service or of all."""
        with self._lock:
            self._on = [
                f for f in self._on if (name or f.name) != f.name or (service is not None and f.service != service)
            ]
        self._on_change()

    def refused(self, service: str) -> bool:
        """Whether connections to a service are refused now."""
        with self._lock:
            return any(f.name == "refused" and concerns(f.service, service) for f in self._on)

    def meet(self, service: str, path: str) -> tuple[Fault, ...]:
        """The faults that a request meets; those that are counted have one time less."""
        now = self._now()
        met: dict[str, Fault] = {}
        with self._lock:
            kept = []
            for fault in self._on:
                here = fault.name != "refused" and concerns(fault.service, service) and fault.path in path
                here = here and any(concerns(a, service) for a in _ONLY.get(fault.name, (None,)))
                if fault.until is not None and now >= fault.until:
                    continue
                group = group_of(fault.name)
                place = fault.name if group == "content" else group
                if here and place not in met:
                    met[place] = fault
                    if fault.times is not None:
                        fault = replace(fault, times=fault.times - 1)  # noqa: PLW2901 - it is kept with one time less
                if fault.times is None or fault.times > 0:
                    kept.append(fault)
            self._on = kept
        return tuple(met.values())

    def _throttled_until(self, service: str | None) -> datetime:
        now = self._now()
        if service is not None and service.startswith(_OPEN_METEO):
            return now.replace(minute=0, second=0, microsecond=0) + timedelta(hours=1)
        return now + timedelta(hours=1)


# --- faults of the answer --------------------------------------------------------------------------------------


def damaged(answer: Answer, fault: Fault, request: Request, now: datetime) -> Answer:
    """The answer as a fault of the group "answer" leaves it."""
    headers = {k: v for k, v in answer.headers.items() if k not in ("Content-Encoding", "Content-Length", "ETag")}
    plain = gzip.decompress(answer.body) if answer.headers.get("Content-Encoding") == "gzip" else answer.body
    if fault.name in ("throttled", "unavailable", "broken"):
        status = {"throttled": 429, "unavailable": 503, "broken": 500}[fault.name]
        return service_error(request.service, status, fault, now)
    if fault.name == "redirect_loop":
        here = request.prefix + request.path + (f"?{request.raw_query}" if request.raw_query else "")
        return Answer(302, b"", {"Location": here})
    if fault.name == "html":
        return html_answer(200, "Welcome to the guest network: please log in")
    if fault.name == "gzip_bomb":
        return Answer(200, _bomb(), headers | {"Content-Encoding": "gzip"}, answer.weight)
    if fault.name == "truncated_gzip":
        whole = gzip.compress(plain, mtime=0)
        return Answer(answer.status, whole[: len(whole) // 2], headers | {"Content-Encoding": "gzip"}, answer.weight)
    said = b"Unexpected error while streaming data: connection reset by peer"
    body = {
        "ten_times_size": plain + b" " * (9 * len(plain)),
        "text_after_json": plain + b"\n" + said,
        "broken_stream": plain[: len(plain) // 2] + said,
    }[fault.name]
    return Answer(answer.status, body, headers, answer.weight)


def service_error(service: str, status: int, fault: Fault, now: datetime) -> Answer:
    """An error of the status in the form in which the service gives it."""
    retry = {}
    if status == 429 and fault.until is not None and not service.startswith(_OPEN_METEO):
        retry = {"Retry-After": str(max(0, round((fault.until - now).total_seconds())))}
    answer = _error_body(service, status)
    answer.headers |= retry
    answer.weight = 0.0 if status == 429 else 1.0
    return answer


def _error_body(service: str, status: int) -> Answer:
    if service.startswith(_OPEN_METEO):
        reasons = {
            429: "Hourly API request limit exceeded. Please try again in the next hour.",
            503: "The service is overloaded",
            500: "Something went wrong.",
        }
        return json_answer({"error": True, "reason": reasons[status]}, status=status)
    if service == "nws":
        titles = {429: "Rate Limit Exceeded", 503: "Forecast Grid Expired", 500: "Unexpected Problem"}
        return problem(status, titles[status], "An unexpected problem has occurred.")
    if service == "bright-sky":
        return json_answer({"detail": HTTPStatus(status).phrase}, status=status)
    return html_answer(status, f"{status} {HTTPStatus(status).phrase}")


def problem(status: int, title: str, detail: str) -> Answer:
    """A problem as the US National Weather Service states it."""
    kind = title.title().replace(" ", "")
    payload = {
        "correlationId": "1a2b3c4d",
        "title": title,
        "type": f"https://api.weather.gov/problems/{kind}",
        "status": status,
        "detail": detail,
        "instance": "https://api.weather.gov/requests/1a2b3c4d",
    }
    return json_answer(payload, status=status, media="application/problem+json")


@cache
def _bomb() -> bytes:
    """Blanks in gzip; blanks, so that a reader that trusts its size gets no JSON either."""
    packer = zlib.compressobj(1, wbits=31)
    blanks = b" " * 1_000_000
    return b"".join([*(packer.compress(blanks) for _ in range(BOMB_BYTES // len(blanks))), packer.flush()])


# --- faults of the line ----------------------------------------------------------------------------------------


def send(connection: socket.socket, head: bytes, body: bytes, fault: str | None) -> int | None:
    """Send an answer over a connection, as a fault of the group "line" lets it.

    Waiting ends when the client gives up or the server closes the connection; nothing sleeps longer.

    Returns:
        Bytes of the body that were sent, or None if nothing was sent at all.
    """
    half = len(body) // 2
    if fault is None:
        connection.sendall(head + body)
        return len(body)
    if fault == "reset":
        connection.setsockopt(socket.SOL_SOCKET, socket.SO_LINGER, struct.pack("ii", 1, 0))
        return None
    if fault == "timeout":
        _until_gone(connection)
        return None
    if fault == "slow_headers":
        return None if _drip(connection, head) < len(head) else _whole(connection, body)
    if fault == "slow_drip":
        connection.sendall(head)
        return _drip(connection, body)
    connection.sendall(head + body[:half])
    if fault == "stalled":
        _until_gone(connection)
    return half


def _whole(connection: socket.socket, body: bytes) -> int:
    connection.sendall(body)
    return len(body)


def _until_gone(connection: socket.socket) -> None:
    with suppress(OSError):
        while connection.recv(4096):
            pass


def _drip(connection: socket.socket, data: bytes) -> int:
    for sent in range(len(data)):
        readable, _, _ = select.select([connection], [], [], DRIP_S)
        if readable and not connection.recv(4096):
            return sent
        connection.sendall(data[sent : sent + 1])
    return len(data)
