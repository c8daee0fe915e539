"""Many requests over many connections from another process: by wrk where it is installed, else by the client here.

``python -m tests.benchmarks.driving URL SECONDS CONNECTIONS [HEADER...]`` prints requests a second and the 99 % time.
"""

from __future__ import annotations

import asyncio
import os
import re
import shutil
import subprocess
import sys
import time
from dataclasses import dataclass
from urllib.parse import urlsplit

CONNECTIONS = 50


@dataclass(frozen=True)
class Driven:
    """What came of it: requests a second, and the time within which 99 % were answered. [ms]"""

    per_s: float
    p99_ms: float


def tool() -> str:
    """What makes the requests."""
    return "wrk" if shutil.which("wrk") else "the asyncio client of this test"


def drive(url: str, headers: dict[str, str], seconds: float) -> Driven:
    """Ask for a URL over and over, on another core than the server's where there is one."""
    fields = [f"{name}: {value}" for name, value in headers.items()]
    wrk = shutil.which("wrk")
    if wrk is None:
        words = [sys.executable, "-m", "tests.benchmarks.driving", url, str(seconds), str(CONNECTIONS), *fields]
    else:
        given = [word for field in fields for word in ("-H", field)]
        words = [wrk, "-t1", f"-c{CONNECTIONS}", f"-d{max(1, round(seconds))}s", "--latency", *given, url]
    done = subprocess.run(words, capture_output=True, text=True, check=True, preexec_fn=_elsewhere)
    if wrk is None:
        per_s, p99_ms = map(float, done.stdout.split())
        return Driven(per_s, p99_ms)
    assert "Non-2xx" not in done.stdout, done.stdout
    rate = re.search(r"Requests/sec:\s+([\d.]+)", done.stdout)
    tail = re.search(r"99%\s+([\d.]+)(us|ms|s)", done.stdout)
    assert rate is not None
    assert tail is not None
    return Driven(float(rate[1]), float(tail[1]) * {"us": 1e-3, "ms": 1.0, "s": 1e3}[tail[2]])


def _elsewhere() -> None:
    if hasattr(os, "sched_setaffinity"):
        os.sched_setaffinity(0, {max(os.sched_getaffinity(0))})


# --- the client ----------------------------------------------------------------------------------------------


class _Asking(asyncio.Protocol):
    """Sends the request again as soon as its answer is complete."""

    def __init__(self, request: bytes, times_s: list[float]) -> None:
        self._request, self._times_s = request, times_s
        self._left = self._sent_s = 0.0
        self._head = b""

    def connection_made(self, transport: asyncio.BaseTransport) -> None:
        self._transport = transport
        self._ask()

    def _ask(self) -> None:
        self._head, self._left, self._sent_s = b"", -1, time.perf_counter()
        self._transport.write(self._request)  # type: ignore[attr-defined]

    def data_received(self, data: bytes) -> None:
        if self._left < 0:
            self._head += data
            head, found, rest = self._head.partition(b"\r\n\r\n")
            if not found:
                return
            size = re.search(rb"content-length: (\d+)", head.lower())
            self._left, data = int(size[1]) if size else 0, rest
        self._left -= len(data)
        if self._left <= 0:
            self._times_s.append(time.perf_counter() - self._sent_s)
            self._ask()


async def _many(url: str, seconds: float, connections: int, fields: list[str]) -> list[float]:
    parts = urlsplit(url)
    lines = [f"GET {parts.path} HTTP/1.1", f"Host: {parts.netloc}", *fields, "", ""]
    request, times_s = "\r\n".join(lines).encode(), list[float]()
    loop = asyncio.get_running_loop()
    for _ in range(connections):
        await loop.create_connection(lambda: _Asking(request, times_s), parts.hostname or "", parts.port or 80)
    await asyncio.sleep(seconds)
    return times_s


if __name__ == "__main__":
    _, _url, _seconds, _connections, *_fields = sys.argv
    _times = sorted(asyncio.run(_many(_url, float(_seconds), int(_connections), _fields)))
    sys.stdout.write(f"{len(_times) / float(_seconds)} {_times[int(len(_times) * 0.99)] * 1e3}\n")
