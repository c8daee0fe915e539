"""The outlooks of a site's batches worked out: no database, no clock, no files, so that it can be done anywhere.

What goes wrong with one batch is told of that batch, and keeps no other from its outlook.
"""

from __future__ import annotations

import gzip
import hashlib
import json
import logging
import os
import signal
from dataclasses import asdict, dataclass, replace
from functools import lru_cache
from multiprocessing import connection, parent_process
from threading import Thread
from typing import TYPE_CHECKING, Any

from matewindow.errors import MatewindowError, StoreError
from matewindow.feeds.batchdates import entries_of
from matewindow.layingcount import expected_laying
from matewindow.manyoutlooks import outlooks_of
from matewindow.outlook import Outlook, solar_today
from matewindow.register.ids import new_id
from matewindow.reporting import window_report
from matewindow.warnings.judge import swing
from matewindow.warnings.reading import Reading, reading_of

if TYPE_CHECKING:
    from collections.abc import Mapping
    from datetime import datetime

    from matewindow.biology import Biology
    from matewindow.feeds.entries import Entry
    from matewindow.keeping.records import Records
    from matewindow.learning.artefacts import InUse
    from matewindow.paths import Sources
    from matewindow.site import Site

    Row = dict[str, Any]

_log = logging.getLogger(__name__)
OURS = "A fault of the program's own; its log has it."
"""What is said of an error that no person can do anything about."""
COUNTS = ("grafted", "taken", "sealed", "placed", "emerged", "laying")


@dataclass(frozen=True)
class Asked:
    """A batch whose outlook is to be worked out.

    Attributes:
        records: all that is known of it.
        last_id, last_reading: of the outlook that was issued last; None = there is none.
    """

    records: Records
    last_id: str | None = None
    last_reading: Mapping[str, Any] | None = None


@dataclass(frozen=True)
class Work:
    """Batches of one site, and all that their outlooks are worked out from.

    ``using`` has the site's thresholds, ``stamp`` is that of the weather, ``parameters`` comes from
    ``parameters_mark``, ``instance`` names the register.
    """

    site_id: str
    site: Site
    sources: Sources
    using: InUse
    stamp: str
    asked: tuple[Asked, ...]
    now: datetime
    instance: str
    parameters: str

    @property
    def portable(self) -> Work:
        """The same, fit to be sent to another process; of the weather only what odds ask for."""
        biology = replace(self.using.biology, parameters=dict(self.using.biology.parameters))
        return replace(self, using=replace(self.using, biology=biology), sources=self.sources.window_only)


@dataclass(frozen=True)
class Made:
    """A new outlook: its row in the register, its reading, its dates, and what it was worked out from."""

    batch_id: str
    edition: str
    last_id: str | None
    row: Row
    reading: Reading
    entries: list[Entry]


@dataclass(frozen=True)
class Worked:
    """New outlooks of a site, and for each batch without one the reason."""

    site_id: str
    made: tuple[Made, ...]
    faults: dict[str, Exception]


def said(fault: Exception) -> str:
    """What to say of an error to a person."""
    return str(fault) if isinstance(fault, MatewindowError) else OURS


def work_out(work: Work) -> Worked:
    """Work out all outlooks that are asked for."""
    made, faults = [], {}
    for asked, outlook in zip(work.asked, _outlooks(work), strict=True):
        batch_id = asked.records.id
        if isinstance(outlook, Exception):
            faults[batch_id] = outlook
            continue
        try:
            made.append(_made(asked, work.using.put_right(outlook), work))
        except MatewindowError as fault:
            faults[batch_id] = fault
        except Exception as fault:
            _log.exception("batch %s", batch_id)
            faults[batch_id] = fault
    return Worked(work.site_id, tuple(made), faults)


def work_out_elsewhere(work: Work) -> Worked:
    """The same in a process of its own, which ends with the one that gave it work; errors come back as words."""
    _end_with_parent()
    worked = work_out(work)
    return replace(worked, faults={batch: MatewindowError(said(fault)) for batch, fault in worked.faults.items()})


@lru_cache(maxsize=1)
def _end_with_parent() -> None:
    """End with the process that gave this one its work, also where that is killed; and leave an interrupt to it."""
    parent = parent_process()
    if parent is None:
        return
    signal.signal(signal.SIGINT, signal.SIG_IGN)

    def watch() -> None:
        connection.wait([parent.sentinel])
        os._exit(1)

    Thread(target=watch, name="watch-parent", daemon=True).start()


def _outlooks(work: Work) -> list[Outlook | Exception]:
    """On shared work; if anything unforeseen happens there, each by itself, so that one batch spoils no other."""
    batches: list[Any] = []
    for asked in work.asked:
        try:
            batches.append(asked.records.batch)
        except Exception as fault:
            _log.exception("batch %s", asked.records.id)
            batches.append(fault)
    sound = [batch for batch in batches if not isinstance(batch, Exception)]
    found: list[Outlook | Exception]
    try:
        found = [*outlooks_of(sound, work.site, work.sources, work.now, work.using.biology)]
    except Exception:
        _log.exception("site %s: each batch is worked out by itself", work.site_id)
        found = []
        for batch in sound:
            try:
                found += outlooks_of([batch], work.site, work.sources, work.now, work.using.biology)
            except Exception as fault:
                _log.exception("site %s", work.site_id)
                found.append(fault)
    results = iter(found)
    return [batch if isinstance(batch, Exception) else next(results) for batch in batches]


def _made(asked: Asked, outlook: Outlook, work: Work) -> Made:
    records, now, biology = asked.records, work.now, work.using.biology
    outlook_id, model = new_id("outlook", now), work.using.made(outlook.batch)
    report = window_report(outlook, work.site, work.sources, biology, model)
    # to whom judges it another model is another measure, not other weather
    reading = reading_of(outlook, work.site, work.sources, replace(biology, version=model), outlook_id)
    swung = swing(_reading(asked.last_reading), reading)
    if swung is not None:
        report["warnings"] = [*report["warnings"], swung]
    head = {
        "outlook_id": outlook_id,
        "batch_id": records.id,
        "site_id": work.site_id,
        "issued_at": now.isoformat().replace("+00:00", "Z"),
        "name": records.row["name"],
        "expected_laying": expected_of(records, outlook, biology),
    }
    text = json.dumps(head | report, ensure_ascii=False, allow_nan=False, separators=(",", ":"))
    odds = outlook.well_mated
    row = {
        "id": outlook_id,
        "batch_id": records.id,
        "issued_at": now,
        "stands_on": stands_on(records, work.parameters, work.stamp, work.site, now),
        "parameters": model,
        "p_well_mated": odds.value,
        "p_well_mated_low": odds.low,
        "p_well_mated_high": odds.high,
        "p_well_mated_usual": outlook.well_mated_usual,
        "reading": reading.as_data(),
        "body": gzip.compress(text.encode("utf-8"), 6, mtime=0),
    }
    entries = entries_of(
        records.id,
        records.called,
        records.batch,
        work.site,
        outlook,
        biology=biology,
        instance=work.instance,
        now=now,
        notes=records.row["notes"],
        sources=work.sources,
    )
    return Made(records.id, records.edition(), asked.last_id, row, reading, entries)


def expected_of(records: Records, outlook: Outlook, biology: Biology) -> dict[str, Any] | None:
    """Queens in lay to be expected, as plain data; None if nothing of the batch was counted."""
    row = records.row
    counts = {step: row[f"n_{step}"] for step in COUNTS}
    found = expected_laying(counts, outlook, biology, incubator=row["kept_in"] == "incubator")
    return None if found is None else asdict(found)


def _reading(data: Mapping[str, Any] | None) -> Reading | None:
    """The reading of an earlier outlook; one that another version of the program wrote is a new beginning."""
    try:
        return None if data is None else Reading.from_data(data)
    except StoreError:
        return None


# --- what an outlook stands on ------------------------------------------------------------------------------------


def stands_on(records: Records, parameters: str, stamp: str, site: Site, now: datetime) -> str:
    """A digest of all that an outlook is worked out from: first of the records and parameters, then of the weather.

    Args:
        records: of the batch; the site's thresholds are among them.
        parameters: from ``parameters_mark``.
        stamp: of the weather.
        site: whose day it is.
        now: aware; the outlook is of its solar day.
    """
    return f"{standing_records(records, parameters)}.{_digest(f'{stamp} {solar_today(now, site)}')}"


def standing_records(records: Records, parameters: str) -> str:
    """The part of ``stands_on`` that no weather changes."""
    return _digest(f"{records.edition()} {parameters}")


def parameters_mark(using: InUse) -> str:
    """A digest of all parameters, whatever their version says, and of the models in use."""
    models = "" if using.version == using.biology.version else f" {using.version}"
    return _digest(repr(replace(using.biology, parameters={})) + models)


def _digest(text: str) -> str:
    return hashlib.sha256(text.encode()).hexdigest()[:20]
