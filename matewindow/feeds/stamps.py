"""What calendar programs must be told of changes: the ledger of entries as they were last served.

A calendar program takes an entry anew only if its SEQUENCE rose, and believes that one which it has seen stays unless
it is told otherwise. So the ledger keeps, for each UID, the entry as it was served, how often it changed and when.
The rule that follows from it: the same UID and SEQUENCE, the same octets.
"""

from __future__ import annotations

import json
from dataclasses import dataclass, replace
from datetime import UTC, date, datetime, timedelta
from typing import TYPE_CHECKING, Any

from matewindow.errors import StoreError
from matewindow.feeds.entries import Alarm, Entry

if TYPE_CHECKING:
    from collections.abc import Iterable, Mapping

WITHDRAWN_FOR = timedelta(days=30)
"""How long an entry that no longer holds is shown as cancelled; also how far back entries are shown."""
REMEMBERED_FOR = timedelta(days=400)
"""How long the ledger keeps an entry that is gone, so that its SEQUENCE goes on if it comes back (judgement)."""
_SECOND = timedelta(seconds=1)
_FORMAT = 1


@dataclass(frozen=True)
class Stamp:
    """One line of the ledger. Times are aware UTC, in whole seconds.

    Attributes:
        entry: as it was when it last changed.
        sequence: number of changes since it was first served.
        created, last_modified: when it was first served and when it last changed.
        withdrawn: when it was found gone; None while it holds.
    """

    entry: Entry
    sequence: int
    created: datetime
    last_modified: datetime
    withdrawn: datetime | None = None

    @property
    def fingerprint(self) -> str:
        """Of the entry."""
        return self.entry.fingerprint


def restamp(earlier: Mapping[str, Stamp], entries: Iterable[Entry], now: datetime) -> dict[str, Stamp]:
    """The ledger brought up to date.

    Entries missing now are withdrawn, unless they are over so long that they have left the calendar anyway. Give all
    entries that the ledger is about: those of a batch left out count as gone.

    Args:
        earlier: the ledger so far, by UID.
        entries: as they are now.
        now: aware; the clock may have been put back, LAST-MODIFIED still rises with each change.

    Raises:
        ValueError: two entries of the same UID.
    """
    moment = now.astimezone(UTC).replace(microsecond=0)
    ledger: dict[str, Stamp] = {}
    for entry in entries:
        if entry.uid in ledger:
            raise ValueError(f"two entries are called {entry.uid}")
        ledger[entry.uid] = _present(earlier.get(entry.uid), entry, moment)
    for uid, stamp in earlier.items():
        if uid not in ledger:
            gone = _absent(stamp, moment)
            if gone is not None:
                ledger[uid] = gone
    return ledger


def _present(before: Stamp | None, entry: Entry, now: datetime) -> Stamp:
    if before is None:
        return Stamp(entry, 0, now, now)
    if before.withdrawn is None and before.fingerprint == entry.fingerprint:
        return before
    return replace(before, entry=entry, sequence=before.sequence + 1, last_modified=_after(before, now), withdrawn=None)


def _absent(before: Stamp, now: datetime) -> Stamp | None:
    if before.withdrawn is None and now - before.entry.ends < WITHDRAWN_FOR:
        return replace(before, sequence=before.sequence + 1, last_modified=_after(before, now), withdrawn=now)
    gone_at = before.withdrawn or before.entry.ends
    return before if now - gone_at < REMEMBERED_FOR else None


def _after(before: Stamp, now: datetime) -> datetime:
    return max(now, before.last_modified + _SECOND)


# --- as text, for whoever keeps the ledger ----------------------------------------------------------------------


def stamp_to_text(stamp: Stamp) -> str:
    """A line of the ledger as JSON in ASCII; the same stamp gives the same text."""
    entry = stamp.entry
    return json.dumps(
        {
            "format": _FORMAT,
            "batch_id": entry.batch_id,
            "key": entry.key,
            "instance": entry.instance,
            "summary": entry.summary,
            "description": entry.description,
            "start": _written(entry.start),
            "end": _written(entry.end),
            "ground": entry.ground,
            "worked_out": entry.worked_out,
            "alarms": [[round(alarm.before.total_seconds()), alarm.text] for alarm in entry.alarms],
            "categories": list(entry.categories),
            "location": entry.location,
            "sequence": stamp.sequence,
            "created": _written(stamp.created),
            "last_modified": _written(stamp.last_modified),
            "withdrawn": None if stamp.withdrawn is None else _written(stamp.withdrawn),
        },
        sort_keys=True,
    )


def stamp_from_text(text: str) -> Stamp:
    """The line of the ledger that ``stamp_to_text`` wrote.

    Raises:
        StoreError: the text is no such line.
    """
    try:
        return _stamp(json.loads(text))
    except (ValueError, KeyError, TypeError, AttributeError) as fault:
        raise StoreError(
            f"the line {text[:60]!r} cannot be read ({fault})",
            where="calendar ledger",
            fix="Restore a backup, or delete the line: its entry then starts anew and some calendars may miss changes.",
        ) from fault


def _stamp(row: dict[str, Any]) -> Stamp:
    if row["format"] != _FORMAT:
        raise ValueError(f"its format is {row['format']!r}, not {_FORMAT}")
    entry = Entry(
        batch_id=row["batch_id"],
        key=row["key"],
        instance=row["instance"],
        summary=row["summary"],
        description=row["description"],
        start=_read(row["start"]),
        end=_read(row["end"]),
        ground=row["ground"],
        worked_out=row["worked_out"],
        alarms=tuple(Alarm(timedelta(seconds=before), said) for before, said in row["alarms"]),
        categories=tuple(row["categories"]),
        location=row["location"],
    )
    withdrawn = None if row["withdrawn"] is None else datetime.fromisoformat(row["withdrawn"])
    created, modified = (datetime.fromisoformat(row[name]) for name in ("created", "last_modified"))
    return Stamp(entry, int(row["sequence"]), created, modified, withdrawn)


def _written(moment: date) -> str:
    return moment.astimezone(UTC).isoformat() if isinstance(moment, datetime) else moment.isoformat()


def _read(text: str) -> date:
    return datetime.fromisoformat(text) if "T" in text else date.fromisoformat(text)
