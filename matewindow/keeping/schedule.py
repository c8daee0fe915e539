"""What the service does by itself: refreshes, jobs, deliveries and tidying up, each in its own time.

Each task has a thread, which waits for so many seconds between one run and the next by a clock that nobody can set: a
step of the machine's clock neither holds a task up nor lets it run twice. A run that takes longer only begins the next
one later, and work that was missed is found in the database, where all that is to be done stands: it is done once,
however often it was missed. One process at a time refreshes and runs jobs (``leases``).
"""

from __future__ import annotations

import logging
import time
from contextlib import closing
from threading import Event, Thread
from typing import TYPE_CHECKING

from matewindow.errors import MatewindowError
from matewindow.keeping.jobs import run_one
from matewindow.keeping.leases import LostError

if TYPE_CHECKING:
    from collections.abc import Callable

    from matewindow.keeping.hindcasts import Hindcasts
    from matewindow.keeping.jobs import Jobs
    from matewindow.keeping.leases import Lease
    from matewindow.keeping.refresh import Refresher

_log = logging.getLogger(__name__)

AT_ONCE = 2_000
"""Sites taken from the list at a time, so that those of a grid cell share their requests."""
NEW_AT_ONCE = 5
LOOK_S, JOBS_S, TIDY_S = 5.0, 2.0, 3600.0
"""How often it is looked for sites that are due and for jobs, and how often old things are dropped. [s]"""
TELL_AGAIN_S = 3600.0
"""How often a task that fails in the same way again and again says so. [s]"""
STOP_S = 25.0
"""How long the end of the service waits for what is being done. [s]"""


class Schedule:
    """Runs the service's own work in threads of this process.

    Args:
        refresher: refreshes sites.
        jobs: on record.
        lease: for refreshing and jobs.
        holder: name of this process.
        others: further work, by name: what to do, and every how many seconds.
        tidy: drops what is old; the holder of the lease does it.
        hindcasts: runs them, one at a time and in a thread of their own, since they take minutes; None = nobody does.
    """

    def __init__(
        self,
        refresher: Refresher,
        jobs: Jobs,
        lease: Lease,
        holder: str,
        others: dict[str, tuple[Callable[[], object], float]] | None = None,
        tidy: Callable[[], object] | None = None,
        hindcasts: Hindcasts | None = None,
    ) -> None:
        self._refresher, self._jobs, self._lease, self._holder = refresher, jobs, lease, holder
        self._tidy, self._stop, self._in_a_round = tidy, Event(), False
        self._hindcasts = hindcasts
        self._failing: dict[str, tuple[str, float]] = {}
        tasks: dict[str, tuple[Callable[[], object], float]] = {
            "lease": (self.renew, lease.lasts.total_seconds() / 4.0),
            "refresh": (self.refresh_due, LOOK_S),
            "new sites": (self.refresh_new, LOOK_S),
            "jobs": (self.run_jobs, JOBS_S),
            "hindcasts": (self.run_hindcasts, JOBS_S),
            "tidying up": (self.tidy, TIDY_S),
            **(others or {}),
        }
        self._threads = [
            Thread(target=self._again_and_again, args=(name, work, every_s), name=name, daemon=True)
            for name, (work, every_s) in tasks.items()
        ]

    def start(self) -> None:
        """Begin."""
        for thread in self._threads:
            thread.start()

    def stop(self) -> None:
        """Finish what is being done and stop; what takes too long is left to whoever takes over."""
        self._stop.set()
        latest_s = time.monotonic() + STOP_S
        for thread in self._threads:
            thread.join(max(0.0, latest_s - time.monotonic()))
        if any(thread.is_alive() for thread in self._threads):
            return
        try:
            self._lease.give_back()
        except MatewindowError as fault:
            _log.warning("the lease could not be given back: %s", fault)

    # --- the tasks ------------------------------------------------------------------------------------------------

    def renew(self) -> bool:
        """Take or keep the lease, and keep the jobs that run here; whether it is ours."""
        mine = self._lease.take()
        if mine:
            self._jobs.renew(self._holder)
        return mine

    def refresh_due(self) -> int:
        """Refresh the sites that are due, while the lease is ours; how many were."""
        done = 0
        while not self._stop.is_set():
            due = self._refresher.due(AT_ONCE)
            if not due or not self._lease.take():
                break
            before = done
            self._in_a_round = True
            try:
                done += self._round(due)
            finally:
                self._in_a_round = False
            if done == before:  # all of them are under way elsewhere
                break
        return done

    def _round(self, due: list[str]) -> int:
        done = 0
        with closing(self._refresher.refresh_many(due, self._lease.check)) as refreshed:
            for _ in refreshed:
                done += 1
                if self._stop.is_set():
                    break
        return done

    def refresh_new(self) -> int:
        """Refresh sites that were added while a round of many is going on; how many were."""
        if not self._in_a_round:
            return 0
        new = self._refresher.due(NEW_AT_ONCE, new_only=True)
        for site_id in new:
            if self._stop.is_set():
                break
            self._refresher.refresh(site_id, guard=self._lease.check)
        return len(new)

    def run_jobs(self) -> int:
        """Run the refreshes that were asked for; how many there were."""
        done = 0
        while not self._stop.is_set() and self._jobs.any_ready() and self._lease.take():
            if not run_one(self._jobs, self._refresher, self._holder):
                break
            done += 1
        return done

    def run_hindcasts(self) -> int:
        """Run the hindcasts that wait; how many there were."""
        done = 0
        while self._hindcasts is not None and not self._stop.is_set():
            if not (self._hindcasts.any_ready() and self._lease.take()):
                break
            if not self._hindcasts.run_one(self._holder, self._stop.is_set):
                break
            done += 1
        return done

    def tidy(self) -> bool:
        """Drop what is old; whether it was for us to do."""
        if self._tidy is None or not self._lease.take():
            return False
        self._tidy()
        return True

    # --- the threads ----------------------------------------------------------------------------------------------

    def _again_and_again(self, name: str, work: Callable[[], object], every_s: float) -> None:
        while not self._stop.is_set():
            self._guarded(name, work)
            self._stop.wait(every_s)

    def _guarded(self, name: str, work: Callable[[], object]) -> None:
        """A fault of one task ends neither the task's next run nor the others."""
        try:
            work()
        except LostError as fault:
            _log.info("%s: %s", name, fault)
        except MatewindowError as fault:
            if self._is_news(name, str(fault)):
                _log.warning("%s: %s", name, fault)
        except Exception as fault:
            if self._is_news(name, repr(fault)):
                _log.exception("%s", name)
        else:
            if self._failing.pop(name, None) is not None:
                _log.info("%s: works again", name)

    def _is_news(self, name: str, what: str) -> bool:
        """Whether a failure is to be told: not the same every few seconds, or nobody would find anything in the log."""
        now = time.monotonic()
        before, told_s = self._failing.get(name, ("", 0.0))
        if before == what and now - told_s < TELL_AGAIN_S:
            return False
        self._failing[name] = what, now
        return True
