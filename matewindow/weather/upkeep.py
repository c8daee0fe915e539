"""What the weather store drops when it grows beyond its size.

The order, oldest first within each step, until the store is at nine tenths of its size:

1. what was set aside as damaged;
2. the answer itself of superseded runs whose normal form is kept, so that the run can still be judged;
3. superseded runs altogether;
4. the answer itself of records of the past (archive years, observations) whose normal form is kept;
5. records of the past altogether.

Never dropped is the newest of each site, source and kind. A record is superseded by a newer answer to the same
request only, since each request asks for other days. A forecast is superseded by a newer one for its site, source
and kind, unless it is the newest answer to its own request and came within three days of the newest: models asked
in turn do not push each other out, requests that carry a date do.
"""

from __future__ import annotations

from collections import defaultdict
from dataclasses import dataclass, field
from datetime import timedelta
from fnmatch import fnmatch
from typing import TYPE_CHECKING

from matewindow.weather.entries import BODY, CLOCK_SLACK, META, NORMAL, fetched_at_of, files_below

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator, Sequence
    from datetime import datetime
    from pathlib import Path

RECORD_KINDS = frozenset({"analysis", "observation", "typical"})
"""Kinds of weather of the past, which no later run supersedes."""
TOGETHER = timedelta(days=3)
"""Answers to different requests for one site, source and kind that came so close together stand side by side."""
_BLOCK = 4096


@dataclass
class Holding:
    """One entry as it lies on the disk: names and sizes only, in bytes of whole blocks."""

    folder: Path
    fetched_at: datetime
    sizes: dict[str, int] = field(default_factory=dict)

    @property
    def request(self) -> tuple[str, ...]:
        """Source, site, kind and request."""
        return self.folder.parts[-5:-1]

    @property
    def subject(self) -> tuple[str, ...]:
        """Source, site and kind."""
        return self.request[:3]

    @property
    def is_record(self) -> bool:
        """Whether it is weather of the past."""
        return self.request[2] in RECORD_KINDS

    @property
    def has_normal(self) -> bool:
        """Whether the normal form is kept beside the answer."""
        return any(fnmatch(name, NORMAL) for name in self.sizes)

    @property
    def size(self) -> int:
        """Bytes on the disk, the folder itself included."""
        return sum(self.sizes.values()) + _BLOCK


@dataclass(frozen=True)
class Drop:
    """Something to drop, a folder or a file, and what that frees in bytes."""

    path: Path
    size: int
    of_records: bool


def on_disk(size: int) -> int:
    """Bytes that a file of this size takes, in whole blocks."""
    return -(-size // _BLOCK) * _BLOCK


def size_of(path: Path) -> int:
    """Bytes on the disk of a file or of all files below a folder; a folder of an entry takes a block too."""
    found = list(files_below(path)) if path.is_dir() else [(path, path.stat().st_size)]
    return sum(on_disk(size) + (_BLOCK if file.name == META else 0) for file, size in found)


def holdings(entries: Path) -> list[Holding]:
    """All entries below ``entries/``, by walking the folders; nothing is opened."""
    found: dict[Path, Holding] = {}
    for path, size in files_below(entries):
        if len(path.relative_to(entries).parts) != 6:
            continue
        holding = found.get(path.parent)
        if holding is None:
            try:
                holding = found[path.parent] = Holding(path.parent, fetched_at_of(path.parent.name))
            except ValueError:
                continue
        holding.sizes[path.name] = on_disk(size)
    return list(found.values())


def newest_last(held: Iterable[Holding], now: datetime) -> list[Holding]:
    """By time; entries from a clock that was ahead come first, for their place in time is unknown."""
    return sorted(held, key=lambda h: (h.fetched_at <= now + CLOCK_SLACK, h.fetched_at, h.folder.name))


def drops(held: Sequence[Holding], now: datetime) -> Iterator[Drop]:
    """All that may be dropped, in the order in which to drop it."""
    by_age = newest_last(held, now)
    newest = {h.subject: h for h in by_age}
    newest_answer = {h.request: h for h in by_age}
    steps: dict[int, list[Drop]] = defaultdict(list)
    for holding in by_age:
        latest = newest[holding.subject]
        if holding is latest:
            continue
        answers_last = holding is newest_answer[holding.request]
        if holding.is_record:
            superseded = not answers_last
        else:
            superseded = not answers_last or latest.fetched_at - holding.fetched_at > TOGETHER
            if not superseded:
                continue
        first = 2 if superseded else 4
        records = holding.is_record and not superseded
        rest = holding.size
        if holding.has_normal and BODY in holding.sizes:
            freed = holding.sizes[BODY]
            rest -= freed
            steps[first].append(Drop(holding.folder / BODY, freed, records))
        steps[first + 1].append(Drop(holding.folder, rest, records))
    for step in sorted(steps):
        yield from steps[step]
