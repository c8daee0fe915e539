"""Keeping sites fresh: their weather asked for, their outlooks issued, and what came of it put on record.

A site is one transaction: weather, outlooks, warnings, messages and the time of its next refresh are all there, or
nothing of it is. So a refresh may break off anywhere and be done again. What goes wrong with one site is put on record
for that site and keeps no other from its refresh; only a register that cannot be written ends a round.
"""

from __future__ import annotations

import logging
from collections import deque
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta
from threading import Lock
from typing import TYPE_CHECKING, Any

import sqlalchemy as sa

from matewindow.errors import BusyError, MatewindowError, NotThereError, RegisterError, UnavailableError
from matewindow.keeping.issuing import put
from matewindow.keeping.weather import AtHand, Held
from matewindow.keeping.working import Worked, said, work_out, work_out_elsewhere
from matewindow.processes import in_processes
from matewindow.register.life import site_of
from matewindow.register.tables import site_state, sites

if TYPE_CHECKING:
    from collections.abc import Callable, Generator, Iterable, Iterator, Sequence

    from matewindow.keeping.outlooks import Due, Keeper
    from matewindow.keeping.working import Work
    from matewindow.site import Site

    Guard = Callable[[sa.Connection], None]
    """Raises, within the transaction that is about to write, if this process has no right to any more."""

_log = logging.getLogger(__name__)

EVERY = timedelta(minutes=65)
"""How often a site is looked at: a little more than the hour for which answers of most services are fresh. Whether the
services are asked is the desk's to say."""
FIRST_RETRY, LONGEST_RETRY = timedelta(minutes=10), timedelta(hours=6)
CLOCKS_APART = timedelta(minutes=5)
"""A time that lies further ahead was written before the clock was set back."""
WORTH_PROCESSES = 20
"""Sites from which it pays to start processes for a round: that takes them two seconds."""


class CancelledError(Exception):
    """Whoever asked for a refresh no longer wants it."""


@dataclass(frozen=True)
class Refreshed:
    """What came of a refresh: outlooks issued, batches without one and why, and the site's trouble (empty = none).

    ``under_way``: nothing was done, since another thread of this process refreshes the site just now.
    """

    site_id: str
    issued: int
    without: dict[str, str]
    trouble: str = ""
    under_way: bool = False


@dataclass(frozen=True)
class _Step:
    """A site on its way through a round."""

    site_id: str
    held: Held | None
    due: Due | None
    trouble: str = ""

    @property
    def work(self) -> Work | None:
        return None if self.due is None else self.due.work


@dataclass
class _Busy:
    """The sites that are being refreshed in this process."""

    ids: set[str] = field(default_factory=set)
    lock: Lock = field(default_factory=Lock)

    def take(self, wanted: Iterable[str]) -> list[str]:
        """Those that nobody else has; they are ours from now on."""
        with self.lock:
            free = [site_id for site_id in wanted if site_id not in self.ids]
            self.ids.update(free)
            return free

    def give_back(self, site_ids: Iterable[str]) -> None:
        with self.lock:
            self.ids.difference_update(site_ids)


class Refresher:
    """Refreshes sites.

    Args:
        keeper: issues the outlooks, and knows register and weather.
        every: how often a site is due.
        processes: in how many processes outlooks are worked out when many sites are due; 1 = in this one.
    """

    def __init__(self, keeper: Keeper, every: timedelta = EVERY, *, processes: int = 1) -> None:
        self._keeper, self._every, self._processes = keeper, every, processes
        self._register, self._database = keeper.register, keeper.register.database
        self._busy = _Busy()

    def due(self, limit: int = 100, *, new_only: bool = False) -> list[str]:
        """Sites whose refresh is due and not under way here: new ones first, then those that wait for longest.

        A site that was changed since the last refresh was tried is due too: it may have been moved.
        """
        now, state = self._register.now(), site_state.c
        never = state.next_at.is_(None)
        moved = sa.and_(sites.c.changed_at > state.tried_at, sites.c.changed_at <= now)
        ready = sa.or_(never, state.next_at <= now, moved, state.tried_at > now + CLOCKS_APART)
        query = (
            sa.select(sites.c.id)
            .outerjoin(site_state, state.site_id == sites.c.id)
            .where(sites.c.deleted_at.is_(None), never if new_only else ready)
            .order_by(sa.case((never, 0), else_=1), state.next_at, sites.c.id)
            .limit(limit + len(self._busy.ids))
        )
        with self._database.read() as connection:
            found = connection.execute(query).scalars().all()
        return [site_id for site_id in found if site_id not in self._busy.ids][:limit]

    def busy(self) -> list[str]:
        """Sites that are being refreshed in this process just now."""
        with self._busy.lock:
            return sorted(self._busy.ids)

    def refresh(
        self, site_id: str, on_year: Callable[[int, int], None] | None = None, guard: Guard | None = None
    ) -> Refreshed:
        """Refresh one site; what goes wrong with it is put on record and not raised.

        Args:
            site_id: which site.
            on_year: progress of the past years, done and wanted; may raise ``CancelledError``.
            guard: asked before anything is written.

        Raises:
            CancelledError: ``on_year`` or the guard says that nobody wants it any more.
            RegisterError: the register cannot be read or written, or the guard said no.
        """
        if not self._busy.take([site_id]):
            return Refreshed(site_id, 0, {}, under_way=True)
        try:
            site = site_of(self._register.get("site", site_id))
            try:
                outcome: Held | AtHand | Exception = self._keeper.desk.refresh(site_id, site, on_year)
            except (CancelledError, BusyError, UnavailableError):
                raise
            except Exception as fault:
                outcome = fault
            step = self._step(site_id, outcome)
            worked = None if step.work is None else work_out(step.work)
            return self._recorded(step, worked, guard)
        finally:
            self._busy.give_back([site_id])

    def refresh_many(self, site_ids: Sequence[str], guard: Guard | None = None) -> Generator[Refreshed, None, None]:
        """Refresh many sites on shared requests, one after the other in any order.

        Args:
            site_ids: which; those under way in another thread, or deleted, are left out.
            guard: asked before anything is written for a site; what it raises ends the round.

        Raises:
            RegisterError: as ``refresh``; the sites that were not reached yet are still due.
        """
        mine = self._busy.take(site_ids)
        left = set(mine)
        try:
            for step, result in self._worked(self._steps(mine), many=len(mine) >= WORTH_PROCESSES):
                try:
                    yield self._recorded(step, result, guard)
                except NotThereError:  # deleted meanwhile
                    _log.info("site %s was deleted during its refresh", step.site_id)
                left.discard(step.site_id)
                self._busy.give_back([step.site_id])
        finally:
            self._busy.give_back(left)

    # --- the steps of a round -------------------------------------------------------------------------------------

    def _steps(self, site_ids: Sequence[str]) -> Iterator[_Step]:
        """The weather of each site, and what is to be done with it."""
        for site_id, outcome in self._weather(dict(self._sites(site_ids))):
            try:
                yield self._step(site_id, outcome)
            except NotThereError:
                _log.info("site %s was deleted during its refresh", site_id)

    def _weather(self, wanted: dict[str, Site]) -> Iterator[tuple[str, Held | AtHand | Exception]]:
        """What the desk gives for each site; where it breaks down, that is the trouble of all that are left."""
        why: Exception = RuntimeError("the desk has passed the site over")
        try:
            for site_id, outcome in self._keeper.desk.refresh_many(list(wanted.items())):
                del wanted[site_id]
                yield site_id, outcome
        except (BusyError, UnavailableError):
            raise
        except Exception as fault:
            why = fault
        for site_id in wanted:
            yield site_id, why

    def _sites(self, site_ids: Sequence[str]) -> Iterator[tuple[str, Site]]:
        for site_id in site_ids:
            try:
                yield site_id, site_of(self._register.get("site", site_id))
            except NotThereError:
                continue

    def _step(self, site_id: str, outcome: Held | AtHand | Exception) -> _Step:
        if isinstance(outcome, Exception):
            _tell(site_id, "no weather", outcome)
            return _Step(site_id, None, None, said(outcome))
        held = None if isinstance(outcome, AtHand) else outcome
        try:
            due = self._keeper.due(site_id, held)
            return _Step(site_id, held, due, "" if held is None else held.trouble)
        except (NotThereError, BusyError, UnavailableError):
            raise
        except Exception as fault:
            _tell(site_id, "no outlooks", fault)
            return _Step(site_id, held, None, said(fault))

    def _worked(self, steps: Iterator[_Step], *, many: bool) -> Iterator[tuple[_Step, Worked | None]]:
        """Each step with its outlooks worked out, here or in other processes."""
        if not many or self._processes < 2:
            for step in steps:
                yield step, None if step.work is None else work_out(step.work)
            return
        try:
            yield from self._worked_elsewhere(steps)
        except RegisterError:
            raise
        except Exception:  # a process that was killed for want of memory, say; the sites that are left are still due
            self._processes = 1
            _log.exception("outlooks are worked out in this process from now on, since another one broke down")

    def _worked_elsewhere(self, steps: Iterator[_Step]) -> Iterator[tuple[_Step, Worked | None]]:
        handed: deque[_Step] = deque()

        def to_be_done() -> Iterator[Work]:
            for step in steps:
                handed.append(step)
                if step.work is not None:
                    yield step.work.portable

        for worked in in_processes(work_out_elsewhere, to_be_done(), processes=self._processes):
            while handed[0].work is None:
                yield handed.popleft(), None
            yield handed.popleft(), worked
        while handed:
            yield handed.popleft(), None

    def _recorded(self, step: _Step, worked: Worked | None, guard: Guard | None) -> Refreshed:
        """As ``_record``; where that breaks down by a fault of ours, it is the site's trouble and nobody else's."""
        try:
            return self._record(step, worked, guard)
        except (RegisterError, CancelledError):
            raise
        except Exception as fault:
            _tell(step.site_id, "nothing recorded", fault)
            return self._record(_Step(step.site_id, None, None, said(fault)), None, guard)

    def _record(self, step: _Step, worked: Worked | None, guard: Guard | None) -> Refreshed:
        """Everything that came of a site's refresh, in one transaction."""
        now = self._register.now()
        without = {} if step.due is None else dict(step.due.without)
        issued, overtaken = 0, False
        with self._database.write() as connection:
            if guard is not None:
                guard(connection)
            if worked is not None:
                done = put(connection, worked, self._keeper.on_issue, now)
                issued, without, overtaken = len(done.stored), without | done.without, done.overtaken
            if step.due is not None:
                self._keeper.end_warnings(connection, step.site_id, step.due)
            if step.held is not None:
                self._keeper.desk.store(connection, step.site_id, step.held)
            self._note(connection, step, now, again=overtaken)
        return Refreshed(step.site_id, issued, without, step.trouble)

    def _note(self, connection: sa.Connection, step: _Step, now: datetime, *, again: bool) -> None:
        own = site_state.c.site_id == step.site_id
        if connection.execute(sa.select(sites.c.id).where(sites.c.id == step.site_id)).first() is None:
            raise NotThereError(f"there is no site {step.site_id!r}")
        before = connection.execute(sa.select(site_state.c.failures).where(own)).scalar()
        failures = 0 if not step.trouble else 1 + (before or 0)
        next_at = now if again else self._next_at(now)
        values: dict[str, Any] = {
            "tried_at": now,
            "failures": failures,
            "trouble": step.trouble,
            "next_at": now + _wait(failures) if step.trouble else next_at,
        }
        if step.held is not None and not step.held.trouble:
            values["refreshed_at"] = now
        if connection.execute(site_state.update().where(own).values(values)).rowcount == 0:
            connection.execute(site_state.insert().values({"site_id": step.site_id, "weather": {}} | values))

    def _next_at(self, now: datetime) -> datetime:
        """The next time that all sites are due together, so that they can share requests.

        Installations differ, lest all of them ask at the same minute.
        """
        period_s = self._every.total_seconds()
        offset_s = sum(self._register.instance().encode()) * 61 % period_s
        rounds = int((now.timestamp() - offset_s) // period_s) + 1
        return datetime.fromtimestamp(offset_s + rounds * period_s, UTC)


def _tell(site_id: str, what: str, fault: Exception) -> None:
    """In the log: in a line what a person can do something about, with all its traces what is a fault of ours."""
    if isinstance(fault, MatewindowError):
        _log.warning("site %s: %s (%s)", site_id, what, fault)
    else:
        _log.error("site %s: %s", site_id, what, exc_info=fault)


def _wait(failures: int) -> timedelta:
    """Ten minutes after the first failure, twice as long after each further one, six hours at most."""
    return min(LONGEST_RETRY, FIRST_RETRY * int(2 ** min(failures - 1, 10)))
