"""What is wrong with a file that is to be imported: every problem with its file, row and field."""

from __future__ import annotations

from dataclasses import asdict, dataclass, field
from typing import Any

from matewindow.errors import InputError

MOST = 10_000
"""So many problems are kept one by one; of those beyond it only the number is."""


@dataclass(frozen=True, order=True)
class Place:
    """Where something stands in what is imported.

    Attributes:
        order: of the file or table among those that were read.
        row: as a person counts: in CSV the line of column names is row 1, in JSON the first record is; 0 = the file.
        file: its name.
        table: name of the table.
    """

    order: int
    row: int
    file: str
    table: str


@dataclass(frozen=True)
class Problem:
    """One thing that is wrong."""

    place: Place
    field: str
    what: str
    fix: str = ""

    def __str__(self) -> str:
        """In one line, for a person."""
        place = self.place
        table = place.table if place.table and not place.file.endswith(".csv") else ""
        row = f"row {place.row}" if place.row else ""
        where = ", ".join(part for part in (place.file, table, row, self.field) if part)
        what = self.what if self.what.endswith((".", "!", "?")) else self.what + "."
        return f"{where}: {what} {self.fix}".strip()

    def as_data(self) -> dict[str, Any]:
        """For JSON."""
        place = asdict(self.place)
        del place["order"]
        return place | {"row": self.place.row or None, "field": self.field, "what": self.what, "fix": self.fix}


@dataclass
class Problems:
    """All problems that were found.

    Attributes:
        found: the first ``MOST`` of them.
        count: how many there are.
    """

    found: list[Problem] = field(default_factory=list)
    count: int = 0

    def add(self, place: Place, name: str, what: str, fix: str = "") -> None:
        """Note one."""
        self.count += 1
        if self.count <= MOST:
            self.found.append(Problem(place, name, what, fix))

    def in_order(self) -> list[Problem]:
        """By file and row."""
        return sorted(self.found, key=lambda p: (p.place.order, p.place.row))


class ImportRefusedError(InputError):
    """A file that cannot be imported; nothing of it was written.

    Args:
        problems: all that is wrong with it.
    """

    def __init__(self, problems: Problems) -> None:
        self.problems = problems
        first = problems.in_order()[0]
        more = problems.count - 1
        rest = "" if not more else f" ({more} more problem{'' if more == 1 else 's'})"
        super().__init__(f"{first}{rest}", fix="Nothing was written.")
