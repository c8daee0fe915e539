"""The same work for many sites on several cores, with few of them in memory at a time.

A process whose parent was killed ends by itself.
"""

from __future__ import annotations

import os
from collections import deque
from concurrent.futures import Future, ProcessPoolExecutor
from multiprocessing import get_context, parent_process
from threading import Thread
from typing import TYPE_CHECKING, TypeVar

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable, Iterator

_Item = TypeVar("_Item")
_Result = TypeVar("_Result")

AHEAD = 2
"""Items handed to each process beyond the one that it works on: it never waits, and no more wait in memory."""


def in_processes(work: Callable[[_Item], _Result], items: Iterable[_Item], *, processes: int = 2) -> Iterator[_Result]:
    """Do the same with every item, in processes of their own, and give the results in the order of the items.

    Processes are started afresh (``spawn``), so threads, locks and open files of this one are no danger to them. Each
    uses one core: two that both split their matrix products over all cores would wait for each other. Items are taken
    from ``items`` only as room comes free.

    Args:
        work: a function of a module that can be imported; it and the items and results go from process to process by
            pickle. What is the same for all items (parameters, say) is better loaded by the function and cached there.
        items: any number, also endless ones.
        processes: how many, at least 1.

    Yields:
        One result an item. What ``work`` raises is raised here, and ends the rest.
    """
    waiting: deque[Future[_Result]] = deque()
    with ProcessPoolExecutor(processes, mp_context=get_context("spawn"), initializer=_begin) as pool:
        try:
            for item in items:
                waiting.append(pool.submit(work, item))
                if len(waiting) >= processes * (1 + AHEAD):
                    yield waiting.popleft().result()
            while waiting:
                yield waiting.popleft().result()
        finally:
            pool.shutdown(cancel_futures=True)


def when_orphaned(act: Callable[[], object]) -> None:
    """In a child: do something as soon as the parent is gone, however it ended."""
    parent = parent_process()
    assert parent is not None

    def wait() -> None:
        parent.join()
        act()

    Thread(target=wait, name="parent", daemon=True).start()


def _begin() -> None:
    """A worker waits for work from its pool for ever; the pool of a parent that was killed has none."""
    when_orphaned(lambda: os._exit(1))
    _use_one_core()


def _use_one_core() -> None:
    import numpy as np  # noqa: F401  only what is loaded can be limited
    from threadpoolctl import threadpool_limits  # type: ignore[import-untyped]

    threadpool_limits(limits=1)
