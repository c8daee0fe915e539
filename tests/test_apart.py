"""Work in a process of its own: its steps and its end are told, it is broken off at any time, and leaves nobody behind."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from matewindow.apart import EndedError, apart
from matewindow.errors import RequestError, SourceError
from matewindow.processes import in_processes

psutil: Any = pytest.importorskip("psutil")  # comes with the wheel of PostgreSQL

PATIENCE_S = 30.0
ENDLESS_S = 600.0


class StoppedError(Exception):
    """Whoever asked has had enough."""


def count(n: int, on_step: Callable[[int, int], None]) -> tuple[int, int]:
    for done in range(1, n + 1):
        on_step(done, n)
    return os.getpid(), os.nice(0)


def fail(kind: str, on_step: Callable[[int, int], None]) -> None:
    on_step(1, 2)
    if kind == "ours":
        raise SourceError("The invented service", "it is down")  # takes two texts, so that pickle cannot make it anew
    raise RequestError("too few", where="weather", fix="Add some.")


def be_killed(_: int, on_step: Callable[[int, int], None]) -> None:
    os.kill(os.getpid(), signal.SIGKILL)


def with_workers(file: str, on_step: Callable[[int, int], None]) -> None:
    """Have others work for ever, and tell who they are."""
    for n, _ in enumerate(in_processes(tell_and_wait, [(file, i) for i in range(3)], processes=2)):
        on_step(n, 3)


def tell_and_wait(item: tuple[str, int]) -> None:
    file, n = item
    Path(f"{file}{n}").write_text(str(os.getpid()))
    if n:
        time.sleep(ENDLESS_S)


def workers_of(file: Path) -> list[Any]:
    """The processes that have told who they are, with the one that has begun them."""
    texts = [part.read_text() for part in file.parent.glob(f"{file.name}*")]
    found = [psutil.Process(int(text)) for text in set(texts) if text]
    return [*found, *(p for p in {p.parent() for p in found} if p is not None)]


def alive_after_all(processes: list[Any]) -> list[Any]:
    """Those that do not end; one that only waits to be taken note of has ended."""
    latest = time.monotonic() + PATIENCE_S
    while (left := [p for p in processes if is_alive(p)]) and time.monotonic() < latest:
        time.sleep(0.05)
    for process in left:
        process.kill()
    return left


def is_alive(process: Any) -> bool:
    try:
        return bool(process.status() != psutil.STATUS_ZOMBIE)
    except psutil.NoSuchProcess:
        return False


def test_steps_and_result_come_from_another_process_of_low_priority() -> None:
    told: list[tuple[int, int]] = []
    pid, niceness = apart(count, 3, lambda done, wanted: told.append((done, wanted)))
    assert told == [(1, 3), (2, 3), (3, 3)]
    assert pid != os.getpid()
    assert niceness > os.nice(0)


def test_what_goes_wrong_there_is_raised_here() -> None:
    with pytest.raises(RequestError, match="too few") as no:
        apart(fail, "given")
    assert (no.value.where, no.value.fix) == ("weather", "Add some.")
    with pytest.raises(RuntimeError, match="SourceError: The invented service gave no weather: it is down"):
        apart(fail, "ours")


def test_a_process_that_is_killed_is_told_of() -> None:
    with pytest.raises(EndedError):
        apart(be_killed, 1)


def test_what_a_step_raises_breaks_the_work_off() -> None:
    def stop(done: int, wanted: int) -> None:
        raise StoppedError

    with pytest.raises(StoppedError):
        apart(count, 1_000_000, stop)


def test_work_is_broken_off_between_two_steps_with_everybody_it_has_begun(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Both workers sleep for ten minutes; the grace in which they might end by themselves is cut short."""
    monkeypatch.setattr("matewindow.apart._GRACE_S", 0.5)
    file, seen = tmp_path / "worker", list[Any]()

    def enough() -> None:
        if len(list(tmp_path.iterdir())) == 3:
            seen.extend(workers_of(file))
            raise StoppedError

    with pytest.raises(StoppedError):
        apart(with_workers, str(file), still=enough)
    assert len(seen) == 3
    assert alive_after_all(seen) == []


@pytest.mark.parametrize("name", ["apart", "in_processes"])
def test_nobody_is_left_behind_where_the_parent_is_killed(name: str, tmp_path: Path) -> None:
    file = tmp_path / "worker"
    call = {
        "apart": f"apart(with_workers, {str(file)!r})",
        "in_processes": f"with_workers({str(file)!r}, print)",
    }[name]
    script = tmp_path / "parent.py"
    script.write_text(
        f"from matewindow.apart import apart\nfrom tests.test_apart import with_workers\n"
        f"if __name__ == '__main__':\n    {call}\n"
    )
    environment = os.environ | {"PYTHONPATH": str(Path(__file__).parents[1])}
    parent = subprocess.Popen([sys.executable, str(script)], env=environment, stderr=subprocess.DEVNULL)
    begun = time.monotonic()
    while len(list(tmp_path.glob("worker*"))) < 3 and time.monotonic() - begun < PATIENCE_S:
        time.sleep(0.05)
    left = [p for p in workers_of(file) if p.pid != parent.pid]
    assert len(left) == (3 if name == "apart" else 2)
    parent.kill()
    parent.wait(PATIENCE_S)
    assert alive_after_all(left) == []
