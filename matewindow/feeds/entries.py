"""A calendar entry: one date of one batch, with the text that a person reads in it."""

from __future__ import annotations

import json
import re
from dataclasses import dataclass
from datetime import UTC, date, datetime, timedelta
from hashlib import sha256

_ID = re.compile(r"[A-Za-z0-9_-]{1,64}")
_KEY = re.compile(r"[a-z]+(-[a-z]+)*")
_INSTANCE = re.compile(r"(?=.{1,253}$)[A-Za-z0-9]([A-Za-z0-9.-]*[A-Za-z0-9])?")
_NUMBER = re.compile(r"\d+(?:[.,]\d+)*")


@dataclass(frozen=True)
class Alarm:
    """A reminder some time before an entry begins."""

    before: timedelta
    text: str


@dataclass(frozen=True)
class Entry:
    """One date of a batch as a calendar shows it.

    Attributes:
        batch_id: the register's id of the batch.
        key: which of the batch's dates it is, such as ``move-cells``; never changes its meaning.
        instance: domain or other name that tells this service from all others, the same for ever.
        summary: one line.
        description: what is to be done, with ranges and cautions.
        start, end: both dates (whole days) or both aware datetimes; the end is exclusive.
        ground: what the dates and odds rest on. Its numbers alone do not make a change.
        worked_out: when and from which forecast. It does not make a change.
        alarms: reminders.
        categories: kinds of entry, in words.
        location: name of the site.
    """

    batch_id: str
    key: str
    instance: str
    summary: str
    description: str
    start: date
    end: date
    ground: str = ""
    worked_out: str = ""
    alarms: tuple[Alarm, ...] = ()
    categories: tuple[str, ...] = ()
    location: str = ""

    def __post_init__(self) -> None:
        """Refuse what no calendar can hold.

        Raises:
            ValueError: an id with other signs than it may have, a naive time, or an end that is not after the start.
        """
        for what, value, pattern in (
            ("batch id", self.batch_id, _ID),
            ("key", self.key, _KEY),
            ("instance", self.instance, _INSTANCE),
        ):
            if not pattern.fullmatch(value):
                raise ValueError(f"{what} {value!r} cannot be part of a UID")
        if isinstance(self.start, datetime) != isinstance(self.end, datetime):
            raise ValueError("start and end must both be dates or both be times")
        for moment in (self.start, self.end):
            if isinstance(moment, datetime) and moment.utcoffset() is None:
                raise ValueError(f"{moment} has no time zone")
        if not _instant(self.start) < _instant(self.end):
            raise ValueError(f"ends at {self.end}, not after it starts at {self.start}")

    @property
    def uid(self) -> str:
        """The name of the entry, the same for ever and nowhere else in the world."""
        return f"{self.batch_id}-{self.key}@{self.instance}"

    @property
    def timed(self) -> bool:
        """Whether it begins at a time of day."""
        return isinstance(self.start, datetime)

    @property
    def begins(self) -> datetime:
        """UTC time of the start; a whole day is taken to begin at midnight UTC."""
        return _instant(self.start)

    @property
    def ends(self) -> datetime:
        """UTC time of the end, as ``begins``."""
        return _instant(self.end)

    @property
    def text(self) -> str:
        """The whole text under the summary."""
        return "\n".join(part for part in (self.description, self.ground, self.worked_out) if part)

    @property
    def fingerprint(self) -> str:
        """SHA-256 of what counts as a change: all but the time of working out and the numbers in the ground.

        The share that the forecast has in the odds moves with every run. Were it to count, every entry would change
        every few hours though no date and no odds did.
        """
        facts = [
            self.uid,
            self.summary,
            self.description,
            self.timed,
            self.begins.isoformat(),
            self.ends.isoformat(),
            _NUMBER.sub("#", self.ground),
            [[alarm.before.total_seconds(), alarm.text] for alarm in self.alarms],
            self.categories,
            self.location,
        ]
        return sha256(json.dumps(facts).encode()).hexdigest()


def _instant(moment: date) -> datetime:
    if isinstance(moment, datetime):
        return moment.astimezone(UTC)
    return datetime(moment.year, moment.month, moment.day, tzinfo=UTC)
