"""Answers that take a processor for long: a few at once, a few that wait, and no more.

Without it forty callers could keep every thread of the service busy with reckoning, and nobody would be told even that
it is ready.
"""

from __future__ import annotations

import os
from contextlib import contextmanager
from threading import Condition
from typing import TYPE_CHECKING

from api.edge.problems import Problem

if TYPE_CHECKING:
    from collections.abc import Iterator


class Gate:
    """Lets some in at once.

    Args:
        at_once: so many may be inside.
        waiting: so many may wait before it; more are refused at once.
        patience_s: how long one waits.
    """

    def __init__(self, at_once: int = 0, *, waiting: int = 8, patience_s: float = 10.0) -> None:
        self._at_once = at_once or max(2, os.cpu_count() or 2)
        self._waiting_most, self._patience_s = waiting, patience_s
        self._inside = self._waiting = 0
        self._change = Condition()

    @contextmanager
    def open(self) -> Iterator[None]:
        """Stay inside for as long as the work takes.

        Raises:
            Problem: 503 with Retry-After, too many are there already.
        """
        with self._change:
            if self._inside >= self._at_once:
                if self._waiting >= self._waiting_most:
                    raise _too_many()
                self._waiting += 1
                try:
                    if not self._change.wait_for(lambda: self._inside < self._at_once, self._patience_s):
                        raise _too_many()
                finally:
                    self._waiting -= 1
            self._inside += 1
        try:
            yield
        finally:
            with self._change:
                self._inside -= 1
                self._change.notify()


def _too_many() -> Problem:
    told = "Too many answers that take long are being worked out."
    return Problem("busy", told, headers={"Retry-After": "5"})
