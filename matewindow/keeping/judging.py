"""New outlooks held against earlier ones: warnings recorded and put into the outbox, with the outlook or not at all."""

from __future__ import annotations

import logging
from datetime import datetime, time, timedelta
from typing import TYPE_CHECKING, Any
from zoneinfo import ZoneInfo

from matewindow.errors import StoreError
from matewindow.keeping.issuing import Remembered
from matewindow.register import outbox
from matewindow.register.ids import new_id
from matewindow.register.records import as_data
from matewindow.register.tables import warnings
from matewindow.warnings.judge import judge
from matewindow.warnings.message import message
from matewindow.warnings.state import State
from matewindow.warnings.thresholds import thresholds_of

if TYPE_CHECKING:
    from collections.abc import Callable

    import sqlalchemy as sa

    from matewindow.biology import Biology
    from matewindow.keeping.records import Records
    from matewindow.warnings.judge import Verdict
    from matewindow.warnings.message import Message
    from matewindow.warnings.reading import Reading

_log = logging.getLogger(__name__)


class Judging:
    """Judges every new outlook of the register; an ``OnIssue``.

    Args:
        biology: parameters.
        clock: gives the present, aware.
    """

    def __init__(self, biology: Biology, clock: Callable[[], datetime]) -> None:
        self._biology, self._clock = biology, clock

    def __call__(
        self, connection: sa.Connection, records: Records, reading: Reading, state: dict[str, Any] | None
    ) -> Remembered:
        """Judge a new outlook and record what came of it."""
        row, site = records.row, records.site_row
        low = row["warn_below"] if row["warn_below"] is not None else site["warn_below"]
        thresholds = thresholds_of(self._biology, low=low, drop=site["warn_drop"])
        now = self._clock()
        verdict = judge(_state(state), reading, thresholds, now)
        level = logging.INFO if verdict.speaks else logging.DEBUG
        _log.log(level, "batch %s: %s (%s)", records.id, verdict.outcome, verdict.reason)
        said = message(verdict, records.row["name"], self._biology, batch_id=records.id) if verdict.speaks else None
        if verdict.speaks or verdict.ends:
            with connection.begin_nested():  # all of it or nothing: a fault in between keeps no outlook from its place
                if verdict.ends or verdict.outcome == "worse":
                    self._end_standing(connection, records, verdict, said, now)
                if said is not None:
                    self._say(connection, records, verdict, said, now)
        return Remembered(verdict.state.as_data(), _again_at(verdict))

    def _say(self, connection: sa.Connection, records: Records, verdict: Verdict, said: Message, now: datetime) -> None:
        """A warning that is raised or has got worse goes on record; every message goes into the outbox."""
        data: dict[str, Any] = {"message": said.text, "message_parts": list(said.parts)} | said.data
        if verdict.outcome != "clear":
            row = {
                "id": new_id("warning", now),
                "batch_id": records.id,
                "site_id": records.row["site_id"],
                "outlook_id": verdict.reading.outlook_id,
                "kind": "raised" if verdict.outcome == "raise" else "worse",
                "raised_at": now,
                "cleared_at": None,
                "cleared_by": None,
                "cleared_message": "",
                "cause": said.data["cause"] or "unknown",
                "message": said.text,
                "data": said.data,
            }
            connection.execute(warnings.insert().values(row))
            data |= {"warning_id": row["id"]}
        kind = {"raise": "warning.raised", "worse": "warning.worse", "clear": "warning.cleared"}[verdict.outcome]
        data |= as_data({"batch_id": records.id, "site_id": records.row["site_id"], "at": now})
        outbox.put(connection, kind, data, now=now, site_id=records.row["site_id"], batch_id=records.id)

    def _end_standing(
        self, connection: sa.Connection, records: Records, verdict: Verdict, said: Message | None, now: datetime
    ) -> None:
        cleared = said.text if said is not None and verdict.outcome == "clear" else verdict.reason
        standing = warnings.c.cleared_at.is_(None)
        connection.execute(
            warnings.update()
            .where(warnings.c.batch_id == records.id, standing)
            .values(cleared_at=now, cleared_by=verdict.reading.outlook_id, cleared_message=cleared)
        )


def _again_at(verdict: Verdict) -> datetime | None:
    """When a message that was held back, because there was one today, may be said if it is still true."""
    if verdict.outcome != "held":
        return None
    day = max(verdict.day, verdict.state.message_day or verdict.day) + timedelta(days=1)
    return datetime.combine(day, time(), tzinfo=ZoneInfo(verdict.reading.timezone))


def _state(data: dict[str, Any] | None) -> State:
    """What was remembered; what another version of the program wrote is a new beginning."""
    try:
        return State() if data is None else State.from_data(data)
    except StoreError:
        return State()
