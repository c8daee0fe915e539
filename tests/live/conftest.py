"""Fixtures of the tests of live weather, and the tables that they print at the end of a run, also when all is well."""

from __future__ import annotations

import shutil
from typing import TYPE_CHECKING

import pytest

from tests.live.helpers import GERMANY, CountingClock, pull
from tests.loopback.exchange import NOW
from tests.loopback.scenario import Scenario
from tests.loopback.server import LoopbackServer

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator
    from pathlib import Path

_TOLD: dict[str, list[str]] = {}


@pytest.fixture(scope="session")
def tell() -> Callable[[str, str], None]:
    """Print a line under a heading at the end of the run."""

    def add(heading: str, line: str) -> None:
        _TOLD.setdefault(heading, []).append(line)

    return add


def pytest_terminal_summary(terminalreporter: pytest.TerminalReporter) -> None:
    for heading, lines in _TOLD.items():
        terminalreporter.section(heading, "-")
        for line in lines:
            terminalreporter.write_line(line)


@pytest.fixture(scope="session")
def clock() -> CountingClock:
    return CountingClock()


@pytest.fixture(scope="session")
def running(clock: CountingClock) -> Iterator[LoopbackServer]:
    with LoopbackServer(clock=clock) as server:
        yield server


@pytest.fixture
def server(running: LoopbackServer) -> LoopbackServer:
    """The services on the morning of 1 June 2026, in good health."""
    running.forget()
    running.scenario = Scenario()
    running.clock.set(NOW)
    return running


@pytest.fixture(scope="session")
def _warm_store(running: LoopbackServer, tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("warm") / "store"
    running.forget()
    running.scenario = Scenario()
    running.clock.set(NOW)
    pull(running, GERMANY, folder)
    return folder


@pytest.fixture
def warm(_warm_store: Path, server: LoopbackServer, tmp_path: Path) -> Path:
    """A store into which the German site's weather was pulled at the time that the server shows at first."""
    folder = tmp_path / "store"
    shutil.copytree(_warm_store, folder)
    server.forget()
    server.clock.set(NOW)
    return folder
