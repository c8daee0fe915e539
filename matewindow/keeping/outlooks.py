"""Outlooks of the batches in the register: issued when what they stand on has changed, and kept as they were issued.

An outlook stands on the records of its batch (site, batch, nucs, checks), on the weather, on the parameters and models
in use (``learning.inuse``) and on the day. While none of these has changed, the one that was issued last is given out,
word for word; when one has, a new one is worked out and issued. So an observation changes the odds at once, and what
was said earlier can be scored.
"""

from __future__ import annotations

import gzip
from dataclasses import dataclass
from threading import Lock
from typing import TYPE_CHECKING, Any

import sqlalchemy as sa

from matewindow.errors import BusyError, MatewindowError, NotThereError, SourceError
from matewindow.keeping.issuing import OnIssue, Put, Told, end_warnings, put, told_last
from matewindow.keeping.records import Records, read_batch, read_site
from matewindow.keeping.working import (
    Asked,
    Work,
    Worked,
    parameters_mark,
    said,
    standing_records,
    stands_on,
    work_out,
)
from matewindow.learning.inuse import Models
from matewindow.outlook import batch_outlook
from matewindow.register.ids import is_id
from matewindow.register.tables import batch_state, outlooks
from matewindow.reporting import window_report

if TYPE_CHECKING:
    from datetime import datetime

    from matewindow.keeping.weather import Held, WeatherDesk
    from matewindow.learning.artefacts import InUse
    from matewindow.register.register import Register
    from matewindow.site import Site

    Row = dict[str, Any]

__all__ = ["Due", "Issued", "Keeper", "OnIssue"]

_TRIES = 5


@dataclass(frozen=True)
class Issued:
    """An outlook as it was issued; ``body`` is its JSON text."""

    id: str
    batch_id: str
    issued_at: datetime
    stands_on: str
    p_well_mated: float
    body: bytes


@dataclass(frozen=True)
class Due:
    """What a site needs: the batches under way, the work that is due, and those that cannot be judged and why."""

    under_way: tuple[str, ...]
    work: Work | None
    without: dict[str, str]


class Keeper:
    """Issues outlooks.

    Args:
        register: the records.
        desk: the weather.
        on_issue: judges every new outlook; None = nobody does.
        models: what is in use; None = the register's parameters alone.
    """

    def __init__(
        self, register: Register, desk: WeatherDesk, on_issue: OnIssue | None = None, models: Models | None = None
    ) -> None:
        self.register, self.desk, self.on_issue = register, desk, on_issue
        self.models = models or Models(register.biology)
        self._marked = self.models.now(), parameters_mark(self.models.now())
        self._one_at_a_time = Lock()

    @property
    def _parameters(self) -> str:
        """The mark of what is in use now."""
        return self._mark(self.models.now())

    def _mark(self, using: InUse) -> str:
        """The mark of what is in use, made once for each choice."""
        marked = self._marked
        if marked[0] is not using:
            marked = self._marked = using, parameters_mark(using)
        return marked[1]

    # --- one batch ----------------------------------------------------------------------------------------------

    def outlook(self, batch_id: str) -> Issued:
        """The outlook of a batch as of now.

        Where there is no weather any more, or no queen of the batch can come into lay any more, it is the one that was
        issued last, as long as nothing else has changed.

        Raises:
            NotThereError: there is no such batch.
            SourceError: no weather of its site has been fetched yet.
            InputError: nothing can be said: no weather covers the window, or the checks contradict each other.
            BusyError: the batch is being changed all the time.
        """
        for _ in range(_TRIES):
            records, last, now = self._read(batch_id)
            if last is not None and self._holds(records, last, now):
                return _issued(last)
            with self._one_at_a_time:  # a second asker takes what the first has issued meanwhile
                records, last, now = self._read(batch_id)
                if last is not None and self._holds(records, last, now):
                    return _issued(last)
                issued = self._issue_one(records, last, now)
            if issued is not None:
                return issued
        raise BusyError("this batch is being changed all the time", fix="Try again in a few seconds.")

    def _read(self, batch_id: str) -> tuple[Records, Row | None, datetime]:
        query = (
            sa.select(outlooks)
            .join(batch_state, batch_state.c.outlook_id == outlooks.c.id)
            .where(batch_state.c.batch_id == batch_id)
        )
        with self.register.database.read() as connection:
            records = read_batch(connection, batch_id)
            row = connection.execute(query).mappings().first()
        return records, None if row is None else dict(row), self.register.clock()

    def _holds(self, records: Records, last: Row, now: datetime) -> bool:
        """Whether the outlook that was issued last still holds."""
        site = records.site
        stamp = self.desk.stamp(records.row["site_id"], site)
        if stamp is not None and last["stands_on"] == stands_on(records, self._parameters, stamp, site, now):
            return True
        return self._same_records(records, last) and not self._under_way(records, site, now)

    def _same_records(self, records: Records, last: Row) -> bool:
        standing: str = last["stands_on"]
        return standing.startswith(f"{standing_records(records, self._parameters)}.")

    def _under_way(self, records: Records, site: Site, now: datetime) -> bool:
        return records.under_way(now.astimezone(site.zone).date(), self.register.biology)

    def _issue_one(self, records: Records, last: Row | None, now: datetime) -> Issued | None:
        """Issue a batch's outlook; None if something was changed meanwhile."""
        site_id = records.row["site_id"]
        try:
            held = self.desk.held(site_id, records.site)
        except SourceError:
            if last is not None and self._same_records(records, last):
                return _issued(last)
            raise
        if last is not None and last["stands_on"] == stands_on(records, self._parameters, held.stamp, held.site, now):
            return _issued(last)  # the desk could not tell so without the weather
        told = None if last is None else Told(last["id"], last["stands_on"], last["reading"], None)
        done = self._store(work_out(self._work(site_id, held, [(records, told)], now)))
        for fault in done.faults.values():
            raise fault
        return _issued(done.stored[0].row) if done.stored else None

    def _store(self, worked: Worked) -> Put:
        """Store new outlooks in a transaction of their own; what was overtaken meanwhile is left out."""
        with self.register.database.write() as connection:
            return put(connection, worked, self.on_issue, self.register.clock())

    # --- all batches of a site ----------------------------------------------------------------------------------

    def site_outlooks(self, site_id: str, held: Held | None = None) -> tuple[list[Issued], dict[str, str]]:
        """Issue what is due for a site's batches under way, on shared work.

        Args:
            site_id: which site.
            held: its weather; None = what the desk holds.

        Returns:
            What was issued anew, and for each batch that has none the reason in words.

        Raises:
            NotThereError, SourceError, WeatherFileError: as ``outlook``, for the whole site.
        """
        due = self.due(site_id, held)
        if due.work is None:
            return [], due.without
        done = self._store(work_out(due.work))
        return [_issued(made.row) for made in done.stored], due.without | done.without

    def due(self, site_id: str, held: Held | None = None) -> Due:
        """What is due for a site; arguments and errors as ``site_outlooks``."""
        with self.register.database.read() as connection:
            _, found = read_site(connection, site_id)
            last = told_last(connection, [records.id for records in found])
        now, without, under_way = self.register.clock(), dict[str, str](), []
        for records in found:
            try:
                if self._under_way(records, records.site, now):
                    under_way.append(records)
            except MatewindowError as fault:
                without[records.id] = said(fault)
        ids = tuple(records.id for records in under_way)
        if not under_way:
            return Due((), None, without)
        site = under_way[0].site
        stamp = held.stamp if held is not None else self.desk.stamp(site_id, site)
        if stamp is None:
            held = self.desk.held(site_id, site)
            stamp = held.stamp
        asked = [r for r in under_way if not self._stands(r, last.get(r.id), stamp, site, now)]
        if not asked:
            return Due(ids, None, without)
        held = self.desk.held(site_id, site) if held is None or held.site != site else held
        return Due(ids, self._work(site_id, held, [(r, last.get(r.id)) for r in asked], now), without)

    def _stands(self, records: Records, last: Told | None, stamp: str, site: Site, now: datetime) -> bool:
        if last is None or (last.due_at is not None and last.due_at <= now):
            return False
        return last.stands_on == stands_on(records, self._parameters, stamp, site, now)

    def _work(self, site_id: str, held: Held, batches: list[tuple[Records, Told | None]], now: datetime) -> Work:
        using = self.models.now()  # once: what is worked out and what it is said to stand on must be of one piece
        asked = tuple(
            Asked(records, None if told is None else told.outlook_id, None if told is None else told.reading)
            for records, told in batches
        )
        return Work(
            site_id,
            held.site,
            held.sources,
            using.at(held.site),
            held.stamp,
            asked,
            now,
            self.register.instance(),
            self._mark(using),
        )

    def end_warnings(self, connection: sa.Connection, site_id: str, due: Due) -> int:
        """Let warnings of batches that are not under way any more stand no longer, within a transaction."""
        now = self.register.clock()

        def goes_on(records: Records) -> bool:
            try:
                return self._under_way(records, records.site, now)
            except MatewindowError:
                return True

        return end_warnings(connection, site_id, [*due.under_way, *due.without], now, goes_on)

    # --- what was issued, and what an answer stands on -----------------------------------------------------------

    def nuc_outlook(self, nuc_id: str) -> dict[str, Any]:
        """The outlook of one nuc, from its own emergence and checks; worked out anew at every call.

        Raises:
            NotThereError: there is no such nuc, or it holds no queen of a batch.
        """
        row = self.register.get("nuc", nuc_id)
        records, held, now = self.basis(row["batch_id"], nuc_id)
        using, batch = self.models.at(records.site), records.in_nuc(nuc_id)
        outlook = using.put_right(batch_outlook(batch, records.site, held.sources, now, using.biology))
        report = window_report(outlook, records.site, held.sources, using.biology, using.made(batch))
        return {"nuc_id": nuc_id, "batch_id": records.id} | report

    def basis(self, batch_id: str | None, nuc_id: str = "") -> tuple[Records, Held, datetime]:
        """What an answer about a batch is worked out from: its records, the weather and the time.

        Raises:
            NotThereError: there is no such batch, or the nuc has none.
        """
        if batch_id is None:
            raise NotThereError(f"the nuc {nuc_id!r} holds no queen of a batch", fix="Give it the batch of its cell.")
        with self.register.database.read() as connection:
            records = read_batch(connection, batch_id)
        return records, self.desk.held(records.row["site_id"], records.site), self.register.clock()

    def issued(self, batch_id: str, *, after: str | None = None, limit: int = 100) -> list[Row]:
        """What was issued for a batch, oldest first, without the bodies."""
        columns = [c for c in outlooks.c if c.name not in {"body", "reading"}]
        query = sa.select(*columns).where(outlooks.c.batch_id == batch_id).order_by(outlooks.c.id).limit(limit)
        if after is not None:
            query = query.where(outlooks.c.id > after)
        self.register.get("batch", batch_id, deleted=True)
        with self.register.database.read() as connection:
            return [dict(row) for row in connection.execute(query).mappings()]

    def one_issued(self, outlook_id: str) -> Issued:
        """An outlook as it was issued, by its id.

        Raises:
            NotThereError: there is none.
        """
        query = sa.select(outlooks).where(outlooks.c.id == outlook_id)
        with self.register.database.read() as connection:
            row = connection.execute(query).mappings().first() if is_id(outlook_id, "outlook") else None
        if row is None:
            raise NotThereError(f"there is no outlook {outlook_id[:64]!r}", fix="Look at the list of what was issued.")
        return _issued(dict(row))


def _issued(row: Row) -> Issued:
    return Issued(
        row["id"],
        row["batch_id"],
        row["issued_at"],
        row["stands_on"],
        row["p_well_mated"],
        gzip.decompress(row["body"]),
    )
