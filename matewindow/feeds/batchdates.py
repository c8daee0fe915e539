"""A batch's dates as calendar entries: what is a whole day, what has an hour, and what each entry says.

Days are those of the site's own calendar. The one job with an hour of its own, moving the ripe cells, is an instant:
so many hours after the graft, whatever the clocks do in between. Nothing here warns of weather: calendar programs ask
again every few hours at best, some once a day.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import UTC, date, datetime, time, timedelta
from functools import cached_property
from typing import TYPE_CHECKING

from matewindow.feeds.entries import Alarm, Entry
from matewindow.feeds.oddstext import ground_of, odds_lines
from matewindow.feeds.plaintext import clean, one_line, shortened
from matewindow.reporting import CAUTIONS
from matewindow.timeline import move_span, timeline
from matewindow.words import day_month, weekday_day

if TYPE_CHECKING:
    from matewindow.biology import Biology
    from matewindow.outlook import Outlook
    from matewindow.paths import Sources
    from matewindow.site import Site
    from matewindow.timeline import Batch, Event

JOB_TAKES = timedelta(hours=1)
"""How long moving the cells stands in the calendar (judgement)."""
EVENING = time(18)
"""When, on the day before, one is reminded of it (judgement)."""
_NAME_LENGTH = 80
_NOTES_LENGTH = 500  # they stand in a dozen entries; the whole of them is in the register
_DAY = timedelta(days=1)


@dataclass(frozen=True)
class Kind:
    """How one of a batch's dates looks in a calendar.

    Attributes:
        key: its name in the UID. Never to be changed: calendars know the entry by it.
        title: behind the batch's name in the summary.
        category: shown by calendar programs.
        lasts: whether all days from the earliest to the latest belong to it, or only the likeliest.
        shifts: whether it moves with the day of emergence, which is not known to the day.
    """

    key: str
    title: str
    category: str
    lasts: bool = False
    shifts: bool = False


_JOB, _STAGE, _ALONE = "Job", "Stage", "Leave alone"
KINDS = {
    "prepare the cell builder": Kind("prepare-builder", "prepare the cell builder", _JOB),
    "graft": Kind("graft", "graft", _JOB),
    "check the takes": Kind("takes", "count the takes", _JOB),
    "cells sealed": Kind("sealed", "cells sealed, leave them where they are", _ALONE),
    "move ripe cells": Kind("move-cells", "move the ripe cells", _JOB),
    "emergence": Kind("emergence", "virgins emerge", _STAGE, shifts=True),
    "prime window": Kind("prime-window", "prime window for mating flights", _STAGE, lasts=True),
    "leave alone": Kind("leave-alone", "leave the nucs alone", _ALONE, lasts=True),
    "first laying check": Kind("first-check", "first look for eggs", _JOB, shifts=True),
    "late": Kind("late", "late for a first mating flight", _STAGE, shifts=True),
    "sealed-brood check": Kind("sealed-brood", "look for sealed brood", _JOB),
    "nuc wears out": Kind("nuc-worn-out", "nuc without brood wears out", _STAGE),
    "give up": Kind("give-up", "give up if there are no eggs", _JOB, shifts=True),
}
"""By the names of ``timeline.Event``."""
MOVE = "move ripe cells"
_AFTER_EGGS = "sealed-brood check"


def entries_of(
    batch_id: str,
    batch_name: str,
    batch: Batch,
    site: Site,
    outlook: Outlook | None,
    *,
    biology: Biology,
    instance: str,
    now: datetime,
    notes: str = "",
    sources: Sources | None = None,
) -> list[Entry]:
    """All calendar entries of a batch, from the first job to the last, however long past.

    Args:
        batch_id: the register's id, opaque; it goes into the UID.
        batch_name: what the keeper calls it; any text.
        batch, site, biology: as ``timeline``.
        outlook: of this batch as it is; None = there is none, the dates are then those of fine weather.
        instance: tells this service from others in the UID, the same for ever, such as its domain.
        now: aware; the time of working out where there is no outlook.
        notes: the keeper's own; any text.
        sources: the weather behind the outlook, to be named.

    Raises:
        ValueError: the outlook is of another batch, or an id cannot be part of a UID.
    """
    if outlook is not None and outlook.batch != batch:
        raise ValueError("the outlook is of another batch, or of this one before something was recorded")
    name = shortened(one_line(batch_name), _NAME_LENGTH) or batch_id
    events = timeline(batch, site, biology) if outlook is None else outlook.timeline
    scene = _Scene(
        batch_id,
        name,
        shortened(clean(notes).strip(), _NOTES_LENGTH),
        batch,
        site,
        outlook,
        biology,
        instance,
        now,
        sources,
    )
    return [_entry(event, KINDS[event.name], scene) for event in _still_of_use(events, batch)]


@dataclass(frozen=True)
class _Scene:
    """What all entries of a batch share."""

    batch_id: str
    name: str
    notes: str
    batch: Batch
    site: Site
    outlook: Outlook | None
    biology: Biology
    instance: str
    now: datetime
    sources: Sources | None

    @cached_property
    def place(self) -> str:
        """The name of the site."""
        return one_line(self.site.name)

    @cached_property
    def graft(self) -> str:
        """The day of the graft in words."""
        day = self.batch.grafted.astimezone(self.site.zone)
        return f"graft of {weekday_day(day)} {day.year}"

    @cached_property
    def worked_out(self) -> str:
        """The time of working out in words."""
        moment = self.now if self.outlook is None else self.outlook.now
        local = moment.astimezone(self.site.zone)
        clock = f"{weekday_day(local)} {local.year}, {local:%H:%M} ({self.site.timezone})"
        return f"Worked out {clock}; written anew only when something here changes."


def eggs_seen(batch: Batch) -> date | None:
    """The day of the last look if it showed eggs."""
    last = max(batch.checks, key=lambda c: c.day, default=None)
    return last.day if last is not None and last.saw == "eggs" else None


def _still_of_use(events: list[Event], batch: Batch) -> list[Event]:
    """Without what eggs have settled: nobody gives up a queen that lays."""
    seen = eggs_seen(batch)
    if seen is None:
        return events
    return [e for e in events if e.name == _AFTER_EGGS or _first_day(e) <= seen]


def _first_day(event: Event) -> date:
    return event.earliest if KINDS[event.name].lasts else event.day


def _entry(event: Event, kind: Kind, scene: _Scene) -> Entry:
    start, end = _days(event, kind, scene.batch)
    alarms: tuple[Alarm, ...] = ()
    hours = ""
    if event.name == MOVE:
        start, end, hours = _move(scene)
        alarms = _evening_before(start, scene)
    lines = [
        f"{scene.name}, {scene.graft}, at {scene.place}.",
        event.work,
        hours,
        event.caution,
        _range(event, kind),
        *odds_lines(kind.key, event, scene.outlook, eggs_seen(scene.batch)),
        scene.notes,
        *(CAUTIONS if kind.category == _JOB else ()),
    ]
    return Entry(
        batch_id=scene.batch_id,
        key=kind.key,
        instance=scene.instance,
        summary=f"{scene.name}: {_title(kind, scene.batch)}",
        description="\n".join(line for line in lines if line),
        start=start,
        end=end,
        ground=ground_of(kind.key, scene.outlook, scene.sources),
        worked_out=scene.worked_out,
        alarms=alarms,
        categories=("Queen rearing", kind.category),
        location=scene.place,
    )


def _title(kind: Kind, batch: Batch) -> str:
    if kind.key == "move-cells" and batch.moved is not None:
        return "cells moved into the nucs"
    if kind.key == "emergence" and batch.emerged is not None:
        return "virgins emerged"
    return kind.title


def _days(event: Event, kind: Kind, batch: Batch) -> tuple[date, date]:
    """First day and the day after the last; a stretch of days ends with the day on which eggs were seen."""
    if not kind.lasts:
        return event.day, event.day + _DAY
    last = min(event.latest, eggs_seen(batch) or event.latest)
    return event.earliest, last + _DAY


def _range(event: Event, kind: Kind) -> str:
    if not kind.shifts or event.earliest == event.latest:
        return ""
    days = f"{day_month(event.earliest)} to {day_month(event.latest)}"
    return f"This goes by the day of emergence: {days} in 9 of 10 batches."


# --- moving the cells, the one job with an hour of its own ------------------------------------------------------


def _move(scene: _Scene) -> tuple[datetime, datetime, str]:
    """Start and end of the job, and its hours in words: when it was done, or from when the cells are ripe."""
    batch, dev = scene.batch, scene.biology.development
    if batch.moved is not None:
        moved = _whole(batch.moved)
        return moved, moved + JOB_TAKES, f"Moved {_clock(moved, scene)}."
    _, ripe, latest = move_span(batch, scene.biology)
    earliest = batch.grafted.astimezone(UTC) + timedelta(days=dev.move_earliest_d)
    start = _whole(min(ripe, max(earliest, latest - JOB_TAKES)))
    words = f"Ripe from {_clock(ripe, scene)}; have all of them moved or caged by {_clock(latest, scene)}."
    if latest - JOB_TAKES < ripe:
        words = (
            f"These cells come early: have all of them moved or caged by {_clock(latest, scene)}, though they are "
            f"fully ripe only from {_clock(ripe, scene)}."
        )
    return start, start + JOB_TAKES, words


def _evening_before(start: datetime, scene: _Scene) -> tuple[Alarm, ...]:
    """One reminder while the job is still to be done."""
    if scene.batch.moved is not None or scene.batch.emerged is not None or scene.batch.checks:
        return ()
    local = start.astimezone(scene.site.zone)
    evening = datetime.combine(local.date() - _DAY, EVENING, tzinfo=scene.site.zone)
    text = f"Tomorrow from {local:%H:%M}: move the ripe cells of {scene.name}."
    return (Alarm(start - evening.astimezone(UTC), text),)


def _whole(moment: datetime) -> datetime:
    return moment.astimezone(UTC).replace(microsecond=0)


def _clock(moment: datetime, scene: _Scene) -> str:
    local = moment.astimezone(scene.site.zone)
    return f"{weekday_day(local)} {local:%H:%M}"
