"""Processes for tests to kill, each begun within milliseconds: a child that has imported the program forks them off."""

from __future__ import annotations

import multiprocessing
import multiprocessing.connection
import os
import signal
from multiprocessing import reduction
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from collections.abc import Callable
    from multiprocessing.connection import Connection
    from types import TracebackType

_SPAWN = multiprocessing.get_context("spawn")


class Child:
    """A process that runs one function, and what it says through a pipe."""

    def __init__(self, pid: int, said: Connection) -> None:
        self.pid, self.said = pid, said

    def hear(self, timeout_s: float = 60) -> Any:
        """The next thing that it says.

        Raises:
            EOFError: it has ended and has nothing more to say.
        """
        assert self.said.poll(timeout_s), f"process {self.pid} has said nothing for {timeout_s} s"
        return self.said.recv()

    def tell(self, what: object) -> None:
        """Say something to it."""
        self.said.send(what)

    def hear_all(self) -> list[Any]:
        """Everything that it says until it ends."""
        heard = []
        try:
            while True:
                heard.append(self.hear())
        except EOFError:
            return heard

    def kill(self) -> None:
        """``kill -9``."""
        os.kill(self.pid, signal.SIGKILL)

    def stop(self) -> None:
        """SIGSTOP."""
        os.kill(self.pid, signal.SIGSTOP)

    def go_on(self) -> None:
        """SIGCONT."""
        os.kill(self.pid, signal.SIGCONT)


class Nursery:
    """Begins children, and ends those that are left at its own end."""

    def __enter__(self) -> Nursery:
        self._pipe, theirs = _SPAWN.Pipe()
        self._process = _SPAWN.Process(target=_fork_on_demand, args=(theirs,), daemon=False)
        self._process.start()
        theirs.close()
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self._pipe.send(None)
        self._process.join(30)
        self._pipe.close()

    def begin(self, task: Callable[..., None], *args: object) -> Child:
        """Run a function of an importable module in a new process; its first argument is its end of a pipe."""
        ours, theirs = _SPAWN.Pipe()
        self._pipe.send((task, args))
        assert self._process.pid is not None
        reduction.send_handle(self._pipe, theirs.fileno(), self._process.pid)
        theirs.close()
        return Child(self._pipe.recv(), ours)


def _fork_on_demand(orders: Connection) -> None:
    """Fork a child for each order until there are no more, then kill those that still live."""
    import alembic.command  # noqa: F401  so that no child has to

    from matewindow.biology import load_biology
    from tests.register import writers

    writers.BIOLOGY = load_biology()
    fork, children = multiprocessing.get_context("fork"), []
    while (order := orders.recv()) is not None:
        task, args = order
        said = multiprocessing.connection.Connection(reduction.recv_handle(orders))
        child = fork.Process(target=task, args=(said, *args))
        child.start()
        children.append(child)
        said.close()
        orders.send(child.pid)
        children = [c for c in children if c.exitcode is None]
    for child in children:
        child.kill()
        child.join()
