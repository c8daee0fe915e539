"""New outlooks stored, within a transaction, with their judgement and their dates, and only if they still hold.

Between reading the records and writing an outlook some time passes, and other processes work on the same register. So
what was worked out is held against the records once more when the write lock is held: a batch that was changed, or for
which somebody else has issued an outlook meanwhile, is left as it is.
"""

from __future__ import annotations

import logging
from contextlib import suppress
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any, Protocol

import sqlalchemy as sa

from matewindow.errors import NotThereError, RegisterError, StoreError
from matewindow.keeping.calendars import stamp_batches
from matewindow.keeping.records import Records, read_batch, read_site
from matewindow.keeping.working import OURS, said
from matewindow.register.tables import batch_state, outlooks, warnings
from matewindow.warnings.state import State

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable, Mapping
    from datetime import datetime

    from matewindow.keeping.working import Made, Worked
    from matewindow.warnings.reading import Reading

    Row = dict[str, Any]

_log = logging.getLogger(__name__)
_GONE = "The batch is at its end."


@dataclass(frozen=True)
class Remembered:
    """What is remembered of a batch from one outlook to the next.

    Attributes:
        judge: state of whoever judged it.
        due_at: when it is to be judged again though nothing has changed; None = only when something has.
    """

    judge: Row | None
    due_at: datetime | None = None


class OnIssue(Protocol):
    """What is done with every new outlook, within the transaction that stores it."""

    def __call__(self, connection: sa.Connection, records: Records, reading: Reading, state: Row | None) -> Remembered:
        """Judge the new outlook.

        Args:
            connection: of the transaction.
            records: of the batch.
            reading: what is being issued.
            state: what was remembered of this batch.
        """


@dataclass(frozen=True)
class Told:
    """The outlook of a batch that was issued last, in brief."""

    outlook_id: str
    stands_on: str
    reading: Row
    due_at: datetime | None


@dataclass(frozen=True)
class _State:
    """What the register has of a batch: the outlook that was issued last, and what its judge remembers."""

    outlook_id: str | None
    judge: Row | None


@dataclass(frozen=True)
class Put:
    """What was stored, and for each batch whose outlook was not the reason; what was overtaken is in neither.

    ``overtaken``: whether anything was, of batches that go on. They are due at once: nobody has held what overtook it
    against the weather that has just come.
    """

    stored: list[Made]
    faults: dict[str, Exception]
    overtaken: bool

    @property
    def without(self) -> dict[str, str]:
        """The reasons in words."""
        return {batch: said(fault) for batch, fault in self.faults.items()}


def told_last(connection: sa.Connection, batch_ids: Iterable[str]) -> dict[str, Told]:
    """What was issued last, by batch id; batches without an outlook are left out."""
    query = (
        sa.select(batch_state.c.batch_id, batch_state.c.due_at, outlooks.c.id, outlooks.c.stands_on, outlooks.c.reading)
        .join(outlooks, outlooks.c.id == batch_state.c.outlook_id)
        .where(batch_state.c.batch_id.in_(list(batch_ids)))
    )
    return {r.batch_id: Told(r.id, r.stands_on, r.reading, r.due_at) for r in connection.execute(query)}


def put(connection: sa.Connection, worked: Worked, on_issue: OnIssue | None, now: datetime) -> Put:
    """Store what was worked out for a site, and let it be judged.

    An outlook whose judgement fails by a fault of ours is stored all the same; what is remembered stays as it was.

    Args:
        connection: of a writing transaction.
        worked: what is new.
        on_issue: judges every new outlook; None = nobody does.
        now: aware.

    Raises:
        RegisterError: the register cannot be written, or the site is gone; nothing of it is stored then.
    """
    ids = [made.batch_id for made in worked.made]
    there, known = _as_they_are(connection, worked), _states(connection, [*ids, *worked.faults])
    new = [(there[m.batch_id], m) for m in worked.made if _holds(m, there.get(m.batch_id), known.get(m.batch_id))]
    _write_outlooks(connection, [made for _, made in new])
    states, faults = [], dict(worked.faults)
    for records, made in new:
        kept, trouble = Remembered(known[made.batch_id].judge if made.batch_id in known else None), ""
        try:
            if on_issue is not None:
                kept = on_issue(connection, records, made.reading, kept.judge)
        except (RegisterError, sa.exc.DBAPIError):
            raise
        except Exception:
            _log.exception("batch %s was not judged", made.batch_id)
            trouble = OURS
        told = {"outlook_id": made.row["id"], "judge": kept.judge, "due_at": kept.due_at, "trouble": trouble}
        states.append({"of": made.batch_id} | told)
    _write_states(connection, states, known)
    _write_troubles(connection, {batch: said(fault) for batch, fault in faults.items()}, known)
    stored = [made for _, made in new]
    stamp_batches(connection, {made.batch_id: made.entries for made in stored}, now)
    overtaken = sum(made.batch_id in there for made in worked.made) > len(stored)
    return Put(stored, faults, overtaken)


def end_warnings(
    connection: sa.Connection, site_id: str, under_way: Iterable[str], now: datetime, goes_on: Callable[[Records], bool]
) -> int:
    """Let warnings of a site's batches that are at their end stand no longer; how many batches that were.

    Args:
        connection: of a writing transaction.
        site_id: whose.
        under_way: batches that went on when the site was last looked at.
        now: aware.
        goes_on: whether another one does as it is now: it may have been added or brought back since.
    """
    standing = sa.select(warnings.c.batch_id).where(warnings.c.site_id == site_id, warnings.c.cleared_at.is_(None))
    over = []
    for batch_id in sorted(set(connection.execute(standing).scalars()) - set(under_way)):
        try:
            if goes_on(read_batch(connection, batch_id)):
                continue
        except NotThereError:
            pass
        over.append(batch_id)
    close_batches(connection, over, now)
    return len(over)


def close_batches(connection: sa.Connection, batch_ids: Iterable[str], now: datetime) -> None:
    """No weather matters to these batches any more: what was warned of stands no longer. Nobody is told of it."""
    for batch_id in batch_ids:
        own = sa.and_(warnings.c.batch_id == batch_id, warnings.c.cleared_at.is_(None))
        connection.execute(warnings.update().where(own).values(cleared_at=now, cleared_message=_GONE))
        state = batch_state.c.batch_id == batch_id
        judge = connection.execute(sa.select(batch_state.c.judge).where(state)).scalar()
        connection.execute(batch_state.update().where(state).values(judge=_closed(judge), due_at=None))


def _closed(judge: Row | None) -> Row | None:
    """The judge's memory of a batch that no weather matters to any more."""
    try:
        state = None if judge is None else State.from_data(judge)
    except StoreError:
        return None
    if state is None:
        return None
    over = replace(state, phase="closed", clear_at=None, good_runs=0, good_since=None, lesser_since=None)
    return over.as_data()


def _as_they_are(connection: sa.Connection, worked: Worked) -> Mapping[str, Records]:
    """The records as they are now, by batch id; those that ended or were deleted may be lacking."""
    if len(worked.made) == 1:  # it may have ended: then the site does not tell of it
        with suppress(NotThereError):
            return {worked.made[0].batch_id: read_batch(connection, worked.made[0].batch_id)}
        return {}
    return {records.id: records for records in read_site(connection, worked.site_id)[1]}


def _states(connection: sa.Connection, batch_ids: list[str]) -> dict[str, _State]:
    b = batch_state.c
    query = sa.select(b.batch_id, b.outlook_id, b.judge).where(b.batch_id.in_(batch_ids))
    return {row.batch_id: _State(row.outlook_id, row.judge) for row in connection.execute(query)}


def _holds(made: Made, records: Records | None, known: _State | None) -> bool:
    """Whether an outlook that was worked out is still to be issued."""
    if records is None or records.edition() != made.edition:
        return False
    return made.last_id == (None if known is None else known.outlook_id)


def _write_outlooks(connection: sa.Connection, new: list[Made]) -> None:
    """Store outlooks; of the ones before them the readings go, since warnings are judged by the last one only."""
    if new:
        connection.execute(outlooks.insert(), [made.row for made in new])
        before = [made.last_id for made in new if made.last_id is not None]
        connection.execute(outlooks.update().where(outlooks.c.id.in_(before)).values(reading={}))


def _write_states(connection: sa.Connection, states: list[Row], known: Mapping[str, _State]) -> None:
    """Remember what was issued and judged; ``of`` names the batch."""
    changed = [row for row in states if row["of"] in known]
    added = [{"batch_id": row["of"], **row} for row in states if row["of"] not in known]
    if changed:
        bound: Row = {name: sa.bindparam(name) for name in changed[0] if name != "of"}
        own = batch_state.c.batch_id == sa.bindparam("of")
        connection.execute(batch_state.update().where(own).values(bound), changed)
    for row in added:
        row.pop("of")
    if added:
        connection.execute(batch_state.insert(), added)


def _write_troubles(connection: sa.Connection, troubles: Mapping[str, str], known: Mapping[str, _State]) -> None:
    """Note why batches have no outlook."""
    for batch_id, trouble in troubles.items():
        if batch_id in known:
            own = batch_state.c.batch_id == batch_id
            connection.execute(batch_state.update().where(own).values(trouble=trouble))
        else:
            connection.execute(batch_state.insert().values(batch_id=batch_id, trouble=trouble))
