"""The records of queens as a plain CSV, for keepers who have them in a table of their own.

::

    site,grafted_on,success,batch,nuc,last_without_eggs,first_with_eggs,brood_age_d,p_issued,model_version,reason
    Home apiary,2025-05-28,yes,May 2,7,2025-06-20,2025-06-27,3,0.78,2026.1,
    Home apiary,2025-05-28,no,May 2,8,2025-07-08,,,0.78,2026.1,never laid

One row is one queen in her nuc. ``site``, ``grafted_on`` and ``success`` are needed; all other columns may be left out
or left empty: an empty cell is something not known. Commas, semicolons or tabs separate the columns, points stand in
numbers, the text is UTF-8. Dates are civil days of the site, as 2025-06-20.

==================  ===================================================================================================
site                what the site is called, as in its site file
season              name of the season; the year of the graft if not given. In the south give it, such as 2025/26
batch, nuc          what you call them
nuc_kind            mini, few-frames or five-frames
grafted_on          day of the graft
grafted_at          time of day, as 14:30; noon if not given
larva_age_h         age of the larva at the graft, hours since hatching
sealed_temp_c       temperature of the sealed cells, °C
emerged_on          day on which she was found emerged
success             yes: in lay and good, as far as you looked; no: poor, drone layer, lost or never in lay; unknown
last_without_eggs   last look that found no eggs
first_with_eggs     first look that found eggs or brood
brood_age_d         age of the oldest brood at that look, whole days since it was laid: eggs 0 to 3, larvae 3 to 9,
                    sealed 9 or more
p_issued            odds of being well mated that were given out before her mating window, as a share such as 0.78
model_version       version of the parameters those odds were worked out with, as the outlook says it
reason              why it failed, if known; beside unknown, why nobody can say, such as removed
nucs_in_batch       how many nucs the batch went into, so that those without a row can be asked after
count               so many queens with the very same story; 1 if not given
==================  ===================================================================================================

Enter failures as you enter successes: a record that forgets them makes the odds too good. Leave out cells from which
nobody emerged: the odds are those of a virgin.
"""

from __future__ import annotations

import csv
import io
import re
from dataclasses import dataclass, field
from datetime import date, time, timedelta
from typing import TYPE_CHECKING, Any

from matewindow.dates import FIRST_YEAR, LAST_YEAR
from matewindow.errors import InputError
from matewindow.learning.covariates import NUC_KINDS
from matewindow.learning.records import Record

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence
    from pathlib import Path

NEEDED = ("site", "grafted_on", "success")
_MOST_BYTES = 32_000_000
_MOST_SHOWN = 20
_LONGEST = 200
_DAY = re.compile(r"\d{4}-\d{2}-\d{2}", re.ASCII)
_CLOCK = re.compile(r"\d{2}:\d{2}", re.ASCII)
_WHOLE = re.compile(r"\d{1,6}", re.ASCII)
_NUMBER = re.compile(r"\d+(\.\d+)?", re.ASCII)
_SAID = {"yes": True, "no": False, "unknown": None, "": None}
_EMERGED_D = (9, 17)
"""Days after the graft between which virgins emerge: 12.3 in the mean, with cool cells and a wide spread (handbook)."""
_EGGS_D = 13
"""No virgin lays sooner after the graft: the earliest emerge after 9 days and none lays before she is 4 (SZA87)."""


@dataclass(frozen=True)
class RowProblem:
    """One thing that is wrong with a row, counted as a person does: the line of column names is row 1."""

    row: int
    column: str
    what: str
    fix: str

    def __str__(self) -> str:
        where = f"row {self.row}, {self.column}" if self.column else f"row {self.row}"
        return f"{where}: {self.what}. {self.fix}".rstrip()


class RecordsFileError(InputError):
    """A file of records that cannot be used: all that is wrong with it, row by row.

    Args:
        file: its name.
        problems: in the order of the rows.
    """

    def __init__(self, file: str, problems: Sequence[RowProblem]) -> None:
        self.problems = tuple(problems)
        n = len(self.problems)
        lines = "\n".join(f"  {problem}" for problem in self.problems[:_MOST_SHOWN])
        more = f"\n  and {n - _MOST_SHOWN} more" if n > _MOST_SHOWN else ""
        what = f"{n} thing{' is' if n == 1 else 's are'} wrong, and nothing was learnt from it:\n{lines}{more}\n"
        super().__init__(what.rstrip("\n"), where=file)


def read_records(path: Path, today: date) -> list[Record]:
    """Read a file of records. See ``parse_records``."""
    try:
        with path.open("rb") as file:
            data = file.read(_MOST_BYTES + 1)
        if len(data) > _MOST_BYTES:
            raise InputError(f"it holds more than {_MOST_BYTES / 1e6:.0f} MB", where=str(path), fix="Split it.")
        text = data.decode("utf-8-sig")
    except FileNotFoundError:
        raise InputError("there is no such file", where=str(path), fix="Check the name and the folder.") from None
    except UnicodeDecodeError:
        raise InputError("it is not UTF-8 text", where=str(path), fix='Save it as "CSV UTF-8".') from None
    except OSError as fault:
        raise InputError(f"it cannot be read ({fault.strerror or fault})", where=str(path)) from fault
    return parse_records(text, today, file=str(path))


def parse_records(text: str, today: date, *, file: str = "records") -> list[Record]:
    """Read records in the form that stands at the top of this module.

    Args:
        text: the whole file.
        today: nothing may have been seen after it.
        file: its name, for errors.

    Returns:
        A record for each queen; a row with a ``count`` gives as many.

    Raises:
        RecordsFileError: anything is wrong; it names every row and column.
    """
    table = _Table()
    try:
        rows = list(
            csv.reader(io.StringIO(text.removeprefix("\ufeff"), newline=""), delimiter=_delimiter(text), strict=True)
        )
    except csv.Error as fault:
        raise RecordsFileError(file, [RowProblem(1, "", f"this is no CSV ({fault})", "Check the quotes.")]) from None
    names = [name.strip() for name in rows[0]] if rows else []
    table.check_header(names)
    if not table.problems:
        for number, cells in enumerate(rows[1:], start=2):
            if any(cell.strip() for cell in cells):
                table.read(number, names, cells, today)
    if not table.problems and not table.records:
        table.problem(1, "", "it holds no record", "Write one row for each queen.")
    if table.problems:
        raise RecordsFileError(file, table.problems)
    return table.records


def _delimiter(text: str) -> str:
    header = text.lstrip("\ufeff").split("\n", 1)[0]
    return next((mark for mark in (",", ";", "\t") if mark in header), ",")


@dataclass
class _Table:
    """The rows that were read, and what is wrong with the others."""

    records: list[Record] = field(default_factory=list)
    problems: list[RowProblem] = field(default_factory=list)
    seen: dict[tuple[str, ...], int] = field(default_factory=dict)

    def problem(self, row: int, column: str, what: str, fix: str) -> None:
        """Note what is wrong."""
        self.problems.append(RowProblem(row, column, what, fix))

    def check_header(self, names: Sequence[str]) -> None:
        """Refuse columns that are missing, unknown or there twice."""
        allowed = f"The columns are {', '.join(COLUMNS)}."
        for name in NEEDED:
            if name not in names:
                self.problem(1, name, "there is no such column", f"Add it. {allowed}")
        for name in dict.fromkeys(names):
            if name not in COLUMNS:
                self.problem(1, name[:64], "there is no such column", f"Leave it out. {allowed}")
            elif names.count(name) > 1:
                self.problem(1, name, "this column is there twice", "Keep one of them.")

    def read(self, row: int, names: Sequence[str], cells: Sequence[str], today: date) -> None:
        """Take a row, or note what is wrong with it."""
        if len(cells) != len(names):
            what = f"it has {len(cells)} cells, and there are {len(names)} columns"
            return self.problem(row, "", what, "Put text with commas into quotes, and write numbers with a point.")
        values: dict[str, Any] = {}
        before = len(self.problems)
        for name, cell in zip(names, cells, strict=True):
            try:
                values[name] = COLUMNS[name](cell.strip())
            except ValueError as fault:
                what, _, fix = str(fault).partition("|")
                self.problem(row, name, what, fix)
        for name in ("site", "grafted_on"):
            if name in values and values[name] in {"", None}:
                self.problem(row, name, "the cell is empty", "Every record needs it.")
        if len(self.problems) == before:
            self._check(row, values, today)
        if len(self.problems) == before:
            self.records += [_record(values)] * (values.get("count") or 1)
        return None

    def _check(self, row: int, values: dict[str, Any], today: date) -> None:
        """What cannot be in one row: dates out of order, odds without their model, the same nuc twice."""
        for column, what, fix in _contradictions(values, today):
            self.problem(row, column, what, fix)
        if values.get("nuc"):
            key = tuple(str(values.get(name) or "") for name in ("site", "grafted_on", "batch", "nuc"))
            if key in self.seen:
                self.problem(
                    row, "nuc", f"this nuc of this batch stands in row {self.seen[key]} too", "Keep one of them."
                )
            self.seen.setdefault(key, row)


def _contradictions(values: dict[str, Any], today: date) -> list[tuple[str, str, str]]:
    said = []
    grafted = values["grafted_on"]
    for name in ("grafted_on", "emerged_on", "last_without_eggs", "first_with_eggs"):
        day = values.get(name)
        if day is not None and day > today:
            said.append((name, f"{day} lies in the future", "Give only what has been seen."))
    emerged, last, first = (values.get(name) for name in ("emerged_on", "last_without_eggs", "first_with_eggs"))
    if emerged is not None and not _EMERGED_D[0] <= (emerged - grafted).days <= _EMERGED_D[1]:
        what = f"emerged {(emerged - grafted).days} days after the graft"
        said.append(("emerged_on", what, "Virgins emerge about 12 days after it: check both dates."))
    if last is not None and last < grafted:
        said.append(("last_without_eggs", "this look comes before the graft", "Check both dates."))
    age = values.get("brood_age_d")
    if age is not None and first is None:
        said.append(("brood_age_d", "brood without the look that found it", "Give first_with_eggs too."))
    if first is None:
        return said + _odds_without_model(values)
    laid = first - timedelta(days=age or 0)
    if (laid - grafted).days < _EGGS_D:
        what = f"eggs by {laid}, {(laid - grafted).days} days after the graft"
        said.append(("first_with_eggs", what, "No virgin of that graft lays so soon: check dates and brood age."))
    if last is not None and last >= laid:
        what = f"no eggs on {last}, but by the other look there were some by {laid}"
        said.append(("last_without_eggs", what, "Check both dates, and the age of the brood."))
    return said + _odds_without_model(values)


def _odds_without_model(values: dict[str, Any]) -> list[tuple[str, str, str]]:
    if values.get("p_issued") is None or values.get("model_version"):
        return []
    return [("model_version", "odds without the model that gave them", "Write the version that the outlook showed.")]


def _record(values: dict[str, Any]) -> Record:
    grafted = values["grafted_on"]
    same = ("batch", "nuc", "grafted_at", "larva_age_h", "sealed_temp_c", "emerged_on", "p_issued", "last_without_eggs")
    more = ("first_with_eggs", "brood_age_d", "reason", "nucs_in_batch", "nuc_kind")
    return Record(
        site=values["site"],
        season=values.get("season") or str(grafted.year),
        grafted_on=grafted,
        success=values["success"],
        model=values.get("model_version", ""),
        **{name: values[name] for name in (*same, *more) if name in values},
    )


# --- cells ------------------------------------------------------------------------------------------------------
# a fault is told as "what|fix"


def _text(cell: str) -> str:
    if len(cell) > _LONGEST or not cell.isprintable():
        raise ValueError(f"this text is too long or has unprintable signs|Write up to {_LONGEST} plain characters.")
    return cell


def _day(cell: str) -> date | None:
    if not cell:
        return None
    if _DAY.fullmatch(cell):
        try:
            day = date.fromisoformat(cell)
        except ValueError:
            raise ValueError(f"{cell} is no day of the calendar|Write a date as 2025-06-20.") from None
        if FIRST_YEAR <= day.year <= LAST_YEAR:
            return day
    raise ValueError(f"{cell[:40]!r} is no date|Write it as 2025-06-20.")


def _clock(cell: str) -> time | None:
    if not cell:
        return None
    try:
        return time.fromisoformat(cell if _CLOCK.fullmatch(cell) else "")
    except ValueError:
        raise ValueError(f"{cell[:40]!r} is no time of day|Write it as 14:30.") from None


def _success(cell: str) -> bool | None:
    if cell.lower() not in _SAID:
        raise ValueError(f"{cell[:40]!r} is neither yes, no nor unknown|Write one of these.")
    return _SAID[cell.lower()]


def _nuc_kind(cell: str) -> str:
    if cell and cell.lower() not in NUC_KINDS:
        raise ValueError(f"{cell[:40]!r} is no kind of nuc|Write {', '.join(NUC_KINDS)}, or leave the cell empty.")
    return cell.lower()


def _between(low: float, high: float, unit: str) -> Callable[[str], float | None]:
    def read(cell: str) -> float | None:
        if not cell:
            return None
        if not _NUMBER.fullmatch(cell):
            fix = "Write a decimal point." if "," in cell else f"Write {unit}, or leave the cell empty."
            raise ValueError(f"{cell[:40]!r} is no number|{fix}")
        if not low <= float(cell) <= high:
            raise ValueError(f"{cell[:40]} lies outside {low:g} to {high:g}|Write {unit}.")
        return float(cell)

    return read


def _whole(low: int, high: int) -> Callable[[str], int | None]:
    def read(cell: str) -> int | None:
        if not cell:
            return None
        if not _WHOLE.fullmatch(cell) or not low <= int(cell) <= high:
            raise ValueError(f"{cell[:40]!r} is no whole number from {low} to {high}|Write one, or leave it empty.")
        return int(cell)

    return read


COLUMNS: dict[str, Callable[[str], Any]] = {
    "site": _text,
    "season": _text,
    "batch": _text,
    "nuc": _text,
    "nuc_kind": _nuc_kind,
    "grafted_on": _day,
    "grafted_at": _clock,
    "larva_age_h": _between(6, 36, "hours since hatching"),
    "sealed_temp_c": _between(31, 35.5, "°C of the sealed cells"),
    "emerged_on": _day,
    "success": _success,
    "last_without_eggs": _day,
    "first_with_eggs": _day,
    "brood_age_d": _whole(0, 60),
    "p_issued": _between(0, 1, "a share such as 0.78"),
    "model_version": _text,
    "reason": _text,
    "nucs_in_batch": _whole(1, 100_000),
    "count": _whole(1, 1_000),
}
"""Reader of each column."""
