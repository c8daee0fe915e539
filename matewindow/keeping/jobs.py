"""Long work that is asked for, watched and cancelled: the first fetch of a site's past years, a refresh, a hindcast.

A job stands in the register from the moment it is asked for. Whoever runs it claims it and renews the claim; where the
runner is killed the claim runs out, and the job is begun anew by another. It writes its results only as long as the
claim is its own.
"""

from __future__ import annotations

import logging
from dataclasses import dataclass
from datetime import timedelta
from typing import TYPE_CHECKING, Any

import sqlalchemy as sa

from matewindow.errors import BusyError, ConflictError, MatewindowError, NotThereError, UnavailableError
from matewindow.keeping.refresh import CancelledError
from matewindow.keeping.state import LEASE
from matewindow.keeping.working import OURS
from matewindow.register.ids import is_id, new_id
from matewindow.register.tables import jobs, leases, sites

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping, Sequence
    from datetime import datetime

    from matewindow.keeping.refresh import Guard, Refreshed, Refresher
    from matewindow.register.database import Database

    OnStep = Callable[[int, int], None]
    """Told how many steps are done, and how many there are."""
    Work = Callable[[dict[str, Any], OnStep, Guard], "Ended | None"]

Row = dict[str, Any]
_log = logging.getLogger(__name__)
REFRESH, HINDCAST = KINDS = ("refresh", "hindcast")
OPEN = ("waiting", "running")
MOST_WAITING = 1_000
"""So many jobs may wait; more are refused."""
MOST_OF_A_SITE = 4
"""So many jobs of one kind may wait or run for a site."""
LASTS = timedelta(minutes=2)
"""How long a claim holds without being renewed."""
KEPT_FOR, MOST_KEPT = timedelta(days=30), 1_000
"""How long a job that has ended stays on record, and how many of them at most."""
NOBODY = "No process runs jobs just now: it waits until one does."
_COLUMNS = [c for c in jobs.c if c.name not in {"claimed_by", "claimed_until"}]


class Jobs:
    """The jobs on record.

    Args:
        database: of the register.
        clock: gives the present, aware.
    """

    def __init__(self, database: Database, clock: Callable[[], datetime]) -> None:
        self._database, self._clock = database, clock
        self._here: set[str] = set()
        """Jobs that run in this process; of others it renews no claim."""

    # --- for whoever asks ---------------------------------------------------------------------------------------

    def ask(self, kind: str, site_id: str, asked: Mapping[str, Any] | None = None) -> Row:
        """Ask for a job; one that is already open for the same is given instead of a second one.

        Args:
            kind: one of ``KINDS``.
            site_id: for which site.
            asked: what else is said of it, JSON-able.

        Raises:
            NotThereError: there is no such site.
            ConflictError: too many jobs are waiting.
        """
        now = self._clock()
        with self._database.write() as connection:
            there = sa.select(sites.c.id).where(sites.c.id == site_id, sites.c.deleted_at.is_(None))
            if not is_id(site_id, "site") or connection.execute(there).first() is None:
                raise NotThereError(f"there is no site {site_id[:64]!r}", fix="Look at the list of sites for its id.")
            same = sa.and_(jobs.c.kind == kind, jobs.c.site_id == site_id, jobs.c.state.in_(OPEN))
            given = None if asked is None else dict(asked)
            open_ = [dict(row) for row in connection.execute(sa.select(*_COLUMNS).where(same)).mappings()]
            for found in open_:
                if found["asked"] == given and not found["cancel_asked"]:
                    return found
            if len(open_) >= MOST_OF_A_SITE:
                raise ConflictError(
                    "too many jobs of this kind are open for this site", fix="Wait until one is done, or cancel one."
                )
            waiting = sa.select(sa.func.count()).select_from(jobs).where(jobs.c.state == "waiting")
            if connection.execute(waiting).scalar_one() >= MOST_WAITING:
                raise ConflictError("too many jobs are waiting", fix="Wait until some of them are done.")
            row = {
                "id": new_id("job", now),
                "kind": kind,
                "site_id": site_id,
                "state": "waiting",
                "done": 0,
                "wanted": None,
                "said": "" if _anybody(connection, now) else NOBODY,
                "created_at": now,
                "started_at": None,
                "ended_at": None,
                "cancel_asked": False,
                "asked": given,
            }
            connection.execute(jobs.insert().values(row))
            return row

    def get(self, job_id: str) -> Row:
        """One job.

        Raises:
            NotThereError: there is none.
        """
        query = sa.select(*_COLUMNS).where(jobs.c.id == job_id)
        with self._database.read() as connection:
            row = connection.execute(query).mappings().first() if is_id(job_id, "job") else None
        if row is None:
            raise _unknown(job_id)
        return dict(row)

    def page(self, *, open_only: bool = False, after: str | None = None, limit: int = 100) -> list[Row]:
        """Jobs in the order in which they were asked for."""
        query = sa.select(*_COLUMNS).order_by(jobs.c.id).limit(limit)
        if open_only:
            query = query.where(jobs.c.state.in_(OPEN))
        if after is not None:
            query = query.where(jobs.c.id > after)
        with self._database.read() as connection:
            return [dict(row) for row in connection.execute(query).mappings()]

    def cancel(self, job_id: str) -> Row:
        """Ask a job to stop: one that waits ends at once, one that runs at its next step.

        Raises:
            NotThereError: there is none.
            ConflictError: it has ended.
        """
        now = self._clock()
        with self._database.write() as connection:
            own = jobs.c.id == job_id
            row = connection.execute(sa.select(jobs.c.state).where(own)).first() if is_id(job_id, "job") else None
            if row is None:
                raise _unknown(job_id)
            if row.state not in OPEN:
                raise ConflictError(f"this job has ended ({row.state})", fix="There is nothing to cancel.")
            values: Row = {"cancel_asked": True}
            if row.state == "waiting":
                values |= {"state": "cancelled", "ended_at": now, "said": "Cancelled before it began."}
            connection.execute(jobs.update().where(own).values(values))
        return self.get(job_id)

    # --- for whoever runs them ----------------------------------------------------------------------------------

    def any_ready(self, kind: str = REFRESH) -> bool:
        """Whether a job of a kind waits, or was left behind by a runner that is gone."""
        with self._database.read() as connection:
            query = sa.select(jobs.c.id).where(self._ready(self._clock()), jobs.c.kind == kind).limit(1)
            return connection.execute(query).first() is not None

    def claim(self, holder: str, beside: Sequence[str] = (), kind: str = REFRESH) -> Row | None:
        """Take the oldest job of a kind that waits, or one whose runner is gone; None = there is none.

        Args:
            holder: who takes it.
            beside: sites that are left alone, since they are being refreshed already.
            kind: of the job.
        """
        now = self._clock()
        ready = sa.and_(self._ready(now), jobs.c.kind == kind, jobs.c.site_id.not_in(list(beside)))
        with self._database.write() as connection:
            first = sa.select(jobs.c.id).where(ready).order_by(jobs.c.id).limit(1)
            job_id = connection.execute(first).scalar()
            if job_id is None:
                return None
            values = {
                "state": "running",
                "started_at": now,
                "claimed_by": holder,
                "claimed_until": now + LASTS,
                "done": 0,
                "said": "",
            }
            connection.execute(jobs.update().where(jobs.c.id == job_id).values(values))
        self._here.add(job_id)
        return self.get(job_id)

    def let_go(self, job_id: str) -> None:
        """It runs here no more. If its end could not be put on record, its claim runs out."""
        self._here.discard(job_id)

    def renew(self, holder: str) -> None:
        """Keep what this holder runs, however long a step of it takes."""
        now, here = self._clock(), list(self._here)
        if not here:
            return
        mine = sa.and_(jobs.c.id.in_(here), jobs.c.claimed_by == holder, jobs.c.state == "running")
        with self._database.read() as connection:
            if connection.execute(sa.select(jobs.c.id).where(mine)).first() is None:
                return
        with self._database.write() as connection:
            connection.execute(jobs.update().where(mine).values(claimed_until=now + LASTS))

    def step(self, job_id: str, holder: str, done: int, wanted: int | None) -> None:
        """Note the progress of a running job and renew the claim.

        Raises:
            CancelledError: nobody wants it any more, or another process has taken it over.
        """
        with self._database.write() as connection:
            self.check(connection, job_id, holder)
            values = {"done": done, "wanted": wanted, "claimed_until": self._clock() + LASTS}
            connection.execute(jobs.update().where(jobs.c.id == job_id).values(values))

    def check(self, connection: sa.Connection, job_id: str, holder: str) -> None:
        """Within a transaction that is about to write: the job is still this holder's, and still wanted.

        Raises:
            CancelledError: as ``step``.
        """
        own = sa.and_(jobs.c.id == job_id, jobs.c.claimed_by == holder, jobs.c.state == "running")
        asked = connection.execute(sa.select(jobs.c.cancel_asked).where(own)).scalar()
        if asked is None or asked:
            raise CancelledError("Cancelled." if asked else "Another process has taken the job over.")

    def end(self, job_id: str, holder: str, state: str, said: str) -> None:
        """Put the end of a job on record; ``state`` is done, failed or cancelled."""
        own = sa.and_(jobs.c.id == job_id, jobs.c.claimed_by == holder, jobs.c.state == "running")
        values = {"state": state, "said": said, "ended_at": self._clock(), "claimed_until": None}
        with self._database.write() as connection:
            connection.execute(jobs.update().where(own).values(values))

    def put_back(self, job_id: str, holder: str) -> None:
        """Let a job wait again that could not be begun, or was broken off here."""
        own = sa.and_(jobs.c.id == job_id, jobs.c.claimed_by == holder, jobs.c.state == "running")
        with self._database.write() as connection:
            connection.execute(jobs.update().where(own).values(state="waiting", claimed_by=None, claimed_until=None))

    def prune(self) -> int:
        """Drop jobs that ended long ago, and the oldest of very many; how many that were."""
        ended = jobs.c.state.not_in(OPEN)
        newest = sa.select(jobs.c.id).where(ended).order_by(jobs.c.id.desc()).limit(MOST_KEPT)
        old = sa.or_(jobs.c.ended_at < self._clock() - KEPT_FOR, jobs.c.id.not_in(newest))
        with self._database.write() as connection:
            return connection.execute(jobs.delete().where(ended, old)).rowcount

    @staticmethod
    def _ready(now: datetime) -> sa.ColumnElement[bool]:
        """Waiting, or claimed for a time that is over, or that reaches further ahead than any claim could."""
        gone = sa.or_(jobs.c.claimed_until < now, jobs.c.claimed_until > now + 2 * LASTS)
        return sa.or_(jobs.c.state == "waiting", sa.and_(jobs.c.state == "running", gone))


def _unknown(job_id: str) -> NotThereError:
    return NotThereError(f"there is no job {job_id[:64]!r}", fix="Ask for it anew.")


def _anybody(connection: sa.Connection, now: datetime) -> bool:
    """Whether a process holds the lease, and so runs jobs."""
    held = sa.select(leases.c.name).where(leases.c.name == LEASE, leases.c.until > now)
    return connection.execute(held).first() is not None


@dataclass(frozen=True)
class Ended:
    """How a job ended: ``state`` is done, failed or cancelled, ``said`` tells in words what came of it."""

    state: str
    said: str


class StoppedError(Exception):
    """The process that runs a job is about to end: the job waits for another one."""


def run_one(on_record: Jobs, refresher: Refresher, holder: str) -> bool:
    """Run the next refresh that was asked for, if there is one; whether there was."""

    def work(job: Row, on_year: OnStep, guard: Guard) -> Ended | None:
        came = refresher.refresh(job["site_id"], on_year, guard)
        return None if came.under_way else Ended("failed" if came.trouble else "done", _said(came))

    return run_next(on_record, holder, REFRESH, work, beside=refresher.busy())


def run_next(
    on_record: Jobs,
    holder: str,
    kind: str,
    work: Work,
    *,
    beside: Sequence[str] = (),
) -> bool:
    """Run the next job of a kind, if there is one; whether there was.

    Args:
        on_record: the jobs.
        holder: who runs it.
        kind: of the job.
        work: does it: told the job, what to call at each step, and what to ask within a transaction that is about to
            write. Both raise ``CancelledError`` where nobody wants it any more. None = it could not be begun.
        beside: as in ``Jobs.claim``.
    """
    job = on_record.claim(holder, beside, kind)
    if job is None:
        return False
    try:
        ended = _ended(job, on_record, holder, work)
        if ended is None:
            on_record.put_back(job["id"], holder)
        else:
            on_record.end(job["id"], holder, ended.state, ended.said)
    finally:
        on_record.let_go(job["id"])
    return ended is not None


def _ended(job: Row, on_record: Jobs, holder: str, work: Work) -> Ended | None:
    """Do a job; how it ended, or None where it must wait again."""
    job_id = job["id"]

    def on_step(done: int, wanted: int) -> None:
        on_record.step(job_id, holder, done, wanted)

    def guard(connection: sa.Connection) -> None:
        on_record.check(connection, job_id, holder)

    try:
        on_record.step(job_id, holder, 0, None)
        return work(job, on_step, guard)
    except CancelledError as fault:
        return Ended("cancelled", str(fault))
    except StoppedError:
        return None
    except (BusyError, UnavailableError):  # its claim runs out, then it is begun anew
        raise
    except MatewindowError as fault:
        return Ended("failed", str(fault))
    except Exception:
        _log.exception("job %s", job_id)
        return Ended("failed", OURS)


def _said(came: Refreshed) -> str:
    """What came of it, in words."""
    if came.trouble:
        return came.trouble
    issued = f"{came.issued} {'outlook' if came.issued == 1 else 'outlooks'} issued."
    if not came.without:
        return issued
    n, reason = len(came.without), next(iter(came.without.values()))
    return f"{issued} {n} {'batch has' if n == 1 else 'batches have'} none: {reason}"
