"""Calendars of the register's batches: the ledger of what calendar programs were told, kept up to date and rendered.

The dates of a batch are entered with every outlook that is issued. A calendar that is asked for only looks after what
was changed by hand since then, so that it is answered at once however many batches there are.
"""

from __future__ import annotations

from datetime import date, datetime, timedelta
from typing import TYPE_CHECKING

import sqlalchemy as sa

from matewindow.errors import InputError, MatewindowError, NotThereError
from matewindow.feeds.batchdates import entries_of
from matewindow.feeds.calendar import render
from matewindow.feeds.stamps import WITHDRAWN_FOR, Stamp, restamp, stamp_from_text, stamp_to_text
from matewindow.keeping.records import read_batch
from matewindow.register.life import site_of
from matewindow.register.tables import batch_state, batches, calendar_stamps, checks, nucs, outlooks, sites

if TYPE_CHECKING:
    from collections.abc import Iterable, Mapping, Sequence

    from matewindow.biology import Biology
    from matewindow.feeds.entries import Entry
    from matewindow.keeping.outlooks import Keeper
    from matewindow.site import Site

Ledger = dict[str, dict[str, Stamp]]
REFRESH = timedelta(hours=4)
"""How often calendar programs are asked to read again: forecasts come two to four times a day."""
_SHOWN_FOR = timedelta(days=150)
"""Batches grafted earlier have no dates left to show: a nuc is given up two months after the graft."""
_AT_A_TIME = 500


def stamp_batches(connection: sa.Connection, dates: Mapping[str, Iterable[Entry]], now: datetime) -> bool:
    """Bring the batches' part of the ledger up to date, within a transaction; whether anything had to be changed.

    Args:
        connection: of the transaction.
        dates: all entries of each batch, by its id; none = the batch is gone.
        now: aware.
    """
    ledger = ledger_of(connection, list(dates))
    added, altered, forgotten = [], [], []
    for batch_id, entries in dates.items():
        new, changed, gone = _changes(ledger.get(batch_id, {}), entries, now)
        added += [{"uid": uid, "batch_id": batch_id, "stamp": stamp_to_text(stamp)} for uid, stamp in new.items()]
        altered += [{"of": uid, "to": stamp_to_text(stamp)} for uid, stamp in changed.items()]
        forgotten += gone
    if added:
        connection.execute(calendar_stamps.insert(), added)
    if altered:
        own = calendar_stamps.c.uid == sa.bindparam("of")
        connection.execute(calendar_stamps.update().where(own).values(stamp=sa.bindparam("to")), altered)
    if forgotten:
        connection.execute(calendar_stamps.delete().where(calendar_stamps.c.uid.in_(forgotten)))
    return bool(added or altered or forgotten)


def _changes(
    earlier: Mapping[str, Stamp], entries: Iterable[Entry], now: datetime
) -> tuple[dict[str, Stamp], dict[str, Stamp], list[str]]:
    """What is new in a batch's part of the ledger, what changed in it, and what is to be forgotten."""
    ledger = restamp(earlier, entries, now)
    new = {uid: stamp for uid, stamp in ledger.items() if uid not in earlier}
    changed = {uid: stamp for uid, stamp in ledger.items() if uid in earlier and earlier[uid] != stamp}
    return new, changed, [uid for uid in earlier if uid not in ledger]


def ledger_of(connection: sa.Connection, batch_ids: Sequence[str]) -> Ledger:
    """What calendar programs were told of these batches, by batch and UID."""
    found: Ledger = {}
    for start in range(0, len(batch_ids), _AT_A_TIME):
        some = batch_ids[start : start + _AT_A_TIME]
        query = sa.select(calendar_stamps).where(calendar_stamps.c.batch_id.in_(some))
        for row in connection.execute(query):
            found.setdefault(row.batch_id, {})[row.uid] = stamp_from_text(row.stamp)
    return found


def calendar(keeper: Keeper, site_id: str | None) -> bytes:
    """The calendar of a site, or of all sites, as RFC 5545 has it.

    A batch for which there is no weather yet is shown with the dates of fine weather.

    Raises:
        NotThereError: there is no such site.
    """
    register, now = keeper.register, keeper.register.clock()
    wanted = sa.select(sites.c.id, sites.c.name).where(sites.c.deleted_at.is_(None)).order_by(sites.c.id)
    if site_id is not None:
        wanted = wanted.where(sites.c.id == site_id)
    with register.database.read() as connection:
        there = {row.id: row.name for row in connection.execute(wanted)}
        if site_id is not None and not there:
            raise NotThereError(f"there is no site {site_id!r}", fix="Make a new feed for a site that there is.")
        stale = _changed_by_hand(connection, None if site_id is None else [site_id], now)
    if stale:
        _bring_up_to_date(keeper, stale, now)
    mine = sa.select(batches.c.id).where(
        batches.c.site_id.in_(sa.select(wanted.subquery().c.id)), batches.c.grafted_on >= (now - _SHOWN_FOR).date()
    )
    with register.database.read() as connection:
        told = ledger_of(connection, list(connection.execute(mine).scalars()))
    name = there[site_id] if site_id is not None else "All sites"
    ledger = {uid: stamp for of_batch in told.values() for uid, stamp in of_batch.items()}
    return render(f"Queens: {name}", ledger, now, refresh=REFRESH)


def _changed_by_hand(connection: sa.Connection, site_ids: Sequence[str] | None, now: datetime) -> dict[str, list[str]]:
    """Batches that were changed since their dates were entered, by site; those long gone are left alone."""
    b, told = batches.c, outlooks.c.issued_at
    children = [
        sa.exists().where(child.c.batch_id == b.id, child.c.changed_at > told).correlate(batches, outlooks)
        for child in (nucs, checks)
    ]
    lately = (now - 1.5 * WITHDRAWN_FOR).date()
    query = (
        sa.select(b.id, b.site_id)
        .join(sites, sites.c.id == b.site_id)
        .outerjoin(batch_state, batch_state.c.batch_id == b.id)
        .outerjoin(outlooks, outlooks.c.id == batch_state.c.outlook_id)
        .where(
            sa.or_(told.is_(None), b.changed_at > told, sites.c.changed_at > told, *children),
            b.grafted_on >= (now - _SHOWN_FOR).date(),
            sa.or_(b.deleted_at.is_(None), b.deleted_at >= now - 1.5 * WITHDRAWN_FOR),
            sa.or_(b.ended_on.is_(None), b.ended_on >= lately),
        )
    )
    if site_ids is not None:
        query = query.where(b.site_id.in_(site_ids))
    found: dict[str, list[str]] = {}
    for row in connection.execute(query.order_by(b.id)):
        found.setdefault(row.site_id, []).append(row.id)
    return found


def _bring_up_to_date(keeper: Keeper, stale: Mapping[str, Sequence[str]], now: datetime) -> None:
    """Issue outlooks that have fallen due by hand, date the batches without one, withdraw those that are gone."""
    register = keeper.register
    for site_id in stale:
        try:
            site = site_of(register.get("site", site_id))
            if keeper.desk.stamp(site_id, site) is not None:
                keeper.site_outlooks(site_id)
        except MatewindowError:  # no weather: the dates alone are shown; the weather's own state tells why
            continue
    instance = register.instance()
    with register.database.read() as connection:
        left = [batch for of_site in _changed_by_hand(connection, list(stale), now).values() for batch in of_site]
        entries = {batch: _bare(connection, batch, instance, register.biology, now) for batch in left}
        told = ledger_of(connection, left)
    changed = {b: entries[b] for b in left if any(_changes(told.get(b, {}), entries[b], now))}
    if changed:
        with register.database.write() as connection:
            stamp_batches(connection, changed, now)


def _bare(connection: sa.Connection, batch_id: str, instance: str, biology: Biology, now: datetime) -> list[Entry]:
    """The dates of a batch as they are without an outlook; none of one that was deleted."""
    try:
        records = read_batch(connection, batch_id)
        entries = entries_of(
            batch_id,
            records.called,
            records.batch,
            records.site,
            None,
            biology=biology,
            instance=instance,
            now=now,
            notes=records.row["notes"],
        )
    except (NotThereError, InputError):
        return []
    ended: date | None = records.row["ended_on"]
    return entries if ended is None else [entry for entry in entries if _first_day(entry, records.site) <= ended]


def _first_day(entry: Entry, site: Site) -> date:
    return entry.start.astimezone(site.zone).date() if isinstance(entry.start, datetime) else entry.start
