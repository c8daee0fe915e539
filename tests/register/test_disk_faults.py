"""A full disk and a disk that fails to flush: nothing is acknowledged that is not there, and it is said in words.

``strace`` injects the faults into the calls of a real process, so that it is Python's own SQLite that meets them; where
it is missing or not allowed, these tests say loudly that they are skipped. The same faults come from a file system
written in Python (``recorded.py``), at every single write and flush of a change.
"""

from __future__ import annotations

import json
import os
import shutil
import subprocess
import sys
from pathlib import Path
from typing import TYPE_CHECKING, Any

import pytest
import sqlalchemy as sa

from matewindow.biology import load_biology
from matewindow.errors import UnavailableError
from matewindow.register.database import Database
from matewindow.register.register import Register
from matewindow.register.soundness import faults
from tests.register import writers
from tests.register.conftest import file_url
from tests.register.made import Clock, check_laws, everything
from tests.register.test_kills import missing

if TYPE_CHECKING:
    from collections.abc import Callable
    from multiprocessing.connection import Connection

    from matewindow.biology import Biology
    from tests.register.nursery import Nursery

ROOT = Path(__file__).resolve().parents[2]
TIMES = 120
FULL = (
    "there is no room left for the register: the disk is full. Free some space; nothing that was acknowledged is lost."
)


def strace_works() -> bool:
    found = shutil.which("strace")
    return found is not None and subprocess.run([found, "-o", os.devnull, "true"], check=False).returncode == 0


needs_strace = pytest.mark.skipif(
    not strace_works(), reason="DISK FAULTS NOT INJECTED INTO A REAL PROCESS: strace is not installed or not allowed"
)


def write_under_strace(file: Path, inject: str, home: Path) -> list[dict[str, Any]]:
    """What a process says that makes ``TIMES`` changes while system calls on its files fail."""
    calls = "trace=pwrite64,fdatasync,fsync,ftruncate"
    command = ["strace", "-f", "--seccomp-bpf", "-o", str(home / "strace.log"), "-e", calls, "-e", f"inject={inject}"]
    command += ["-P", str(file), "-P", f"{file}-wal", sys.executable, "-m", "tests.register.writers"]
    url = file_url(file).render_as_string()
    done = subprocess.run(
        [*command, url, str(TIMES)], cwd=ROOT, capture_output=True, text=True, timeout=120, check=False
    )
    assert done.returncode == 0, done.stderr
    injected = (home / "strace.log").read_text(encoding="utf-8").count("(INJECTED)")
    assert injected > 0
    return [json.loads(line) for line in done.stdout.splitlines()]


@needs_strace
@pytest.mark.parametrize(
    ("inject", "full"),
    [
        pytest.param("pwrite64:error=ENOSPC:when=90+40", True, id="disk full now and then"),
        pytest.param("pwrite64:error=ENOSPC:when=90..140", True, id="disk full for a while"),
        pytest.param("pwrite64:error=EIO:when=90+45", False, id="writes that fail"),
        pytest.param("fdatasync,fsync:error=EIO:when=20+7", False, id="flushes that fail"),
        pytest.param("fdatasync,fsync:error=ENOSPC:when=20+7", False, id="flushes that find the disk full"),
        pytest.param("ftruncate:error=EIO:when=1+2", False, id="cutting off that fails"),
    ],
)
def test_what_a_failing_disk_refuses_is_not_acknowledged_and_it_goes_on_by_itself(
    home: Path,
    made_file: Path,
    biology: Biology,
    inject: str,
    full: bool,  # noqa: FBT001
    tell: Callable[[str, str], None],
) -> None:
    file = home / "register.sqlite"
    shutil.copy(made_file, file)
    said = write_under_strace(file, inject, home)
    assert len(said) == TIMES
    acknowledged = [tuple(line["acknowledged"]) for line in said if "acknowledged" in line]
    refused = [line for line in said if "refused" in line]
    tell(
        "disk faults", f"{inject}: {len(acknowledged)} of {TIMES} changes acknowledged, {len(refused)} refused in words"
    )
    for line in refused:
        assert line["full"] is full
        assert line["refused"] == FULL if full else "cannot be used just now (disk I/O error)" in line["refused"]
    if "ftruncate" not in inject:  # of which nothing depends: it only saves room
        first = next(n for n, line in enumerate(said) if "refused" in line)
        assert any("acknowledged" in line for line in said[first:]), "the same process goes on"
    database = Database(file_url(file))
    assert missing(database, acknowledged) == []
    assert faults(database) == []
    register = Register(database, biology, Clock())
    steps = check_laws(register)
    assert len(acknowledged) <= steps <= TIMES, (
        "of what was refused some may be there, as nobody knows what a disk did that failed to say so"
    )
    writers.Work(register, seed=2).step()
    database.close()


FAULTS: dict[str, tuple[str, Callable[[Any], BaseException], bool]] = {
    "a write that finds the disk full": ("write", lambda apsw: apsw.FullError("no room"), True),
    "a write that fails": ("write", lambda apsw: apsw.IOError("broken"), False),
    "a flush that fails": ("sync", lambda apsw: apsw.IOError("broken"), False),
}


@pytest.mark.parametrize(("step", "fault", "full"), FAULTS.values(), ids=FAULTS)
def test_a_change_that_fails_at_any_of_its_writes_leaves_nothing_and_the_next_one_works(
    home: Path,
    made_file: Path,
    biology: Biology,
    step: str,
    fault: Callable[[Any], BaseException],
    full: bool,  # noqa: FBT001
) -> None:
    """The n-th write (or flush) of a change fails, for every n that it has."""
    apsw = pytest.importorskip("apsw", reason="DISK FAULTS NOT TESTED AT EVERY WRITE: apsw is not installed")
    from tests.register import recorded

    file = home / "register.sqlite"
    shutil.copy(made_file, file)
    database = Database(recorded.url_of_recorded(file), migrate=False)
    sa.event.listen(
        database.writer,
        "connect",
        lambda connection, _record: connection.execute("PRAGMA locking_mode=EXCLUSIVE"),
        insert=True,
    )
    keeper, refused = writers.Work(Register(database, biology, Clock()), seed=3), list[UnavailableError]()
    acknowledged = [keeper.step()]
    failing = 0
    while True:
        failing += 1
        seen = 0

        def fail(name: str, _file: str, failing: int = failing) -> None:
            nonlocal seen
            seen += name == step
            if name == step and seen == failing:
                raise fault(apsw)

        recorded.FAULTS.append(fail)
        try:
            acknowledged.append(keeper.step())
        except UnavailableError as error:
            refused.append(error)
        finally:
            recorded.FAULTS.clear()
        if seen < failing:
            break
        acknowledged.append(keeper.step())
    assert len(refused) >= (2 if step == "write" else 1)
    for words in refused:
        assert words.full is full
        assert str(words) == FULL if full else "cannot be used just now" in str(words)
    database.close()
    after = Database(file_url(file))
    assert missing(after, acknowledged) == []
    assert faults(after) == []
    after.close()


def test_a_file_that_grows_over_its_limit_is_refused_in_words(nursery: Nursery, home: Path, made_file: Path) -> None:
    """A quota of the operating system, met by a real process."""
    file = home / "register.sqlite"
    shutil.copy(made_file, file)
    child = nursery.begin(write_within_limit, file_url(file).render_as_string(), 400_000)
    said = child.hear_all()
    assert any(isinstance(line, str) for line in said)
    assert all("cannot be used just now (disk I/O error)" in line for line in said if isinstance(line, str))
    database = Database(file_url(file))
    assert missing(database, [line for line in said if isinstance(line, tuple)]) == []
    assert faults(database) == []
    assert everything(Register(database, load_biology(), Clock()), "batch")
    database.close()


def write_within_limit(said: Connection, url: str, most_bytes: int) -> None:
    """Change records while no file may grow over so many bytes; then without that limit."""
    import resource
    import signal

    signal.signal(signal.SIGXFSZ, signal.SIG_IGN)  # or the process would be ended
    work = writers.Work(writers.open_register(url, migrate=False), 1)
    _, hard = resource.getrlimit(resource.RLIMIT_FSIZE)
    for limit in (most_bytes, hard):
        resource.setrlimit(resource.RLIMIT_FSIZE, (limit, hard))
        for _ in range(60):
            try:
                said.send(work.step())
            except UnavailableError as refused:
                said.send(str(refused))
