"""How fast a batch's outlook is given, against a bare FastAPI route that returns the same bytes.

Server and asker are processes of their own, each on a core of its own where there are two. The rounds of all variants
alternate, and medians are compared, so that what else the machine does falls on all of them. Figures are printed
always; only a gross regression fails.
"""

from __future__ import annotations

import json
import os
import statistics
import subprocess
import sys
import time
import urllib.request
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING, Any

import pytest

from matewindow.register.access import Access
from tests.benchmarks.driving import CONNECTIONS, Driven, drive, tool
from tests.service.made import GRAFTED, SITE, service_in

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator

pytestmark = [pytest.mark.benchmark, pytest.mark.allow_hosts(["127.0.0.1"])]
ROOT = Path(__file__).resolve().parent.parent.parent
ROUNDS, SECONDS = 3, 3.0
LEAST_RATIO = 0.8
MOST_P99 = 2.0
CHANGES = 7
GROSS_COLD_MS = 2_000.0


@pytest.fixture
def say(capsys: pytest.CaptureFixture[str]) -> Callable[[str], None]:
    """Print past pytest's capture, so that figures are seen in every run."""

    def tell(text: str) -> None:
        with capsys.disabled():
            print(f"\n  benchmark: {text}", flush=True)

    return tell


@contextmanager
def serving(*words: str) -> Iterator[str]:
    """A server in a process of its own; gives its address."""
    process = subprocess.Popen(
        [sys.executable, "-m", "tests.benchmarks.serving", *words], cwd=ROOT, stdout=subprocess.PIPE, text=True
    )
    assert process.stdout is not None
    try:
        yield f"http://127.0.0.1:{process.stdout.readline().strip()}"
    finally:
        process.terminate()
        process.wait()
        process.stdout.close()


class Batch:
    """A batch on record, and a token to ask for its outlook."""

    def __init__(self, folder: Path) -> None:
        service = service_in(folder)
        self.token = Access(service.register.database, service.clock).new_token("Benchmark", "record")[1]
        site = service.register.add("site", SITE, "benchmark")["id"]
        self.id = service.register.add("batch", {"site_id": site, "grafted_on": GRAFTED}, "benchmark")["id"]
        service.register.database.close()
        self.path = f"/v1/batches/{self.id}/outlook"
        self.headers = {"Authorization": f"Bearer {self.token}"}

    def ask(self, address: str, method: str = "GET", path: str = "", body: Any = None) -> tuple[dict[str, str], bytes]:
        """One request; its answer must be good."""
        sent = None if body is None else json.dumps(body).encode()
        request = urllib.request.Request(address + (path or self.path), sent, method=method)  # noqa: S310  our own
        for name, value in ({"Content-Type": "application/json"} | self.headers).items():
            request.add_header(name, value)
        with urllib.request.urlopen(request) as answer:  # noqa: S310  our own
            return {name.lower(): value for name, value in answer.headers.items()}, answer.read()


def test_a_warm_outlook_comes_as_fast_as_bare_bytes(tmp_path: Path, say: Callable[[str], None]) -> None:
    batch = Batch(tmp_path)
    with serving("ours", str(tmp_path)) as ours:
        fields, body = batch.ask(ours)
        (tmp_path / "body.json").write_bytes(body)
        named = {"x-request-id": "benchmark-0001"}  # such requests always go the ordinary way
        with serving("bare", str(tmp_path / "body.json")) as bare:
            asked: dict[str, tuple[str, dict[str, str]]] = {
                "bare": (f"{bare}/outlook", {}),
                "200": (ours + batch.path, batch.headers),
                "304": (ours + batch.path, batch.headers | {"If-None-Match": fields["etag"]}),
                "gzip": (ours + batch.path, batch.headers | {"Accept-Encoding": "gzip"}),
                "ordinary": (ours + batch.path, batch.headers | named),
            }
            rounds: dict[str, list[Driven]] = {name: [] for name in asked}
            for _ in range(ROUNDS):
                for name, (url, headers) in asked.items():
                    rounds[name].append(drive(url, headers, SECONDS))
    per_s = {name: statistics.median(d.per_s for d in driven) for name, driven in rounds.items()}
    p99_ms = {name: statistics.median(d.p99_ms for d in driven) for name, driven in rounds.items()}

    say(
        f"outlook of {len(body):,} bytes by {tool()}, {CONNECTIONS} connections, token checked, ETag answered, against a "
        f"bare FastAPI route ({per_s['bare']:,.0f} a second, p99 {p99_ms['bare']:.1f} ms): "
        + ", ".join(
            f"{name} {per_s[name] / per_s['bare']:.2f} x (p99 {p99_ms[name] / p99_ms['bare']:.2f} x)"
            for name in ("200", "304", "gzip", "ordinary")
        )
    )
    for name in ("200", "304", "gzip"):
        assert per_s[name] >= LEAST_RATIO * per_s["bare"], name
        # slowest answers tell of the neighbour where two workers of the tests share two cores
        assert p99_ms[name] <= MOST_P99 * p99_ms["bare"] or "PYTEST_XDIST_WORKER" in os.environ, name


def test_an_outlook_is_there_soon_after_a_check(tmp_path: Path, say: Callable[[str], None]) -> None:
    batch = Batch(tmp_path)
    took_ms, warm_ms = [], []
    with serving("ours", str(tmp_path)) as ours:
        before = batch.ask(ours)[1]
        for n in range(CHANGES):
            check = {"batch_id": batch.id, "day": f"2026-05-{25 + n}", "saw": "virgin"}
            batch.ask(ours, "POST", "/v1/checks", check)
            took_ms.append(_ms(lambda: batch.ask(ours)))
            after = batch.ask(ours)[1]
            assert after != before
            before = after
            warm_ms.append(_ms(lambda: batch.ask(ours)))

    say(
        f"outlook after a changed check: {statistics.median(took_ms):.0f} ms ({min(took_ms):.0f} to {max(took_ms):.0f}); "
        f"the same, warm: {statistics.median(warm_ms):.1f} ms with a new connection each"
    )
    assert statistics.median(took_ms) < GROSS_COLD_MS


def _ms(work: Callable[[], object]) -> float:
    began = time.perf_counter()
    work()
    return (time.perf_counter() - began) * 1e3
