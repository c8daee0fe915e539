"""The life of a batch as the trade knows it: which records can be true, and which cannot.

Nothing here judges a keeper's work; a record is refused only where it cannot have happened, or contradicts what is
already written. Biological limits come from the parameters; the orders of steps are common practice.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from datetime import datetime, timedelta
from itertools import pairwise
from typing import TYPE_CHECKING, Any

from matewindow.errors import InputError, ParameterError, RequestError, SiteFileError
from matewindow.site import Site, check_site
from matewindow.sources import site_biology
from matewindow.timeline import NOON, Batch, Check, emergence_days
from matewindow.words import day_month

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence
    from datetime import date

    from matewindow.biology import Biology

Row = dict[str, Any]

_STEPS = (
    ("grafted_on", "the graft"),
    ("taken_on", "the count of the take"),
    ("sealed_on", "the sealing"),
    ("emerged_on", "the emergence"),
)
_COUNTS = (
    ("n_grafted", "grafted"),
    ("n_taken", "taken"),
    ("n_sealed", "sealed"),
    ("n_placed", "placed in nucs"),
    ("n_emerged", "emerged"),
    ("n_laying", "laying"),
)
_SEALED_AFTER_D = (2, 8)
"""Days after the graft between which cells are sealed: five, plus or minus the larva's age and a day of looking (common
practice)."""


@dataclass(frozen=True)
class Refusal:
    """One thing that cannot be: which field, why, and what to do."""

    field: str
    what: str
    fix: str

    def error(self) -> RequestError:
        """As an error for a person."""
        return RequestError(self.what, where=self.field, fix=self.fix)


def site_of(row: Mapping[str, Any]) -> Site:
    """A site of the register as the library knows it."""
    quiet = None if row["quiet_from_h"] is None else (row["quiet_from_h"], row["quiet_to_h"])
    return Site(
        name=row["name"],
        latitude=row["latitude"],
        longitude=row["longitude"],
        elevation_m=row["elevation_m"],
        timezone=row["timezone"],
        exposure=row["exposure"],
        thresholds=row["thresholds"],
        drones_mature_from=row["drones_mature_from"],
        quiet_hours=quiet,
        file=str(row.get("id") or "site"),
    )


def batch_of(row: Mapping[str, Any], site: Site, checks: Sequence[Mapping[str, Any]] = ()) -> Batch:
    """A batch of the register, with checks, as the library knows it."""
    moved = row["moved_on"]
    return Batch(
        grafted=datetime.combine(row["grafted_on"], row["grafted_at"] or NOON, tzinfo=site.zone),
        larva_age_h=row["larva_age_h"],
        sealed_temp_c=row["sealed_temp_c"],
        moved=None if moved is None else datetime.combine(moved, row["moved_at"] or NOON, tzinfo=site.zone),
        emerged=row["emerged_on"],
        checks=tuple(sorted((Check(c["day"], c["saw"]) for c in checks), key=lambda c: c.day)),
    )


def nuc_batch(batch: Batch, nuc: Mapping[str, Any]) -> Batch:
    """The batch as one nuc has it: its own day of emergence, where that was seen."""
    return batch if nuc["emerged_on"] is None else replace(batch, emerged=nuc["emerged_on"])


def judge_site(row: Row, biology: Biology) -> list[Refusal]:
    """What cannot be in a site's record."""
    said = []
    if (row["quiet_from_h"] is None) != (row["quiet_to_h"] is None):
        said.append(Refusal("quiet_from_h", "only one end of the quiet hours is given", "Give both, or neither."))
    elif row["quiet_from_h"] is not None and row["quiet_from_h"] >= row["quiet_to_h"]:
        said.append(Refusal("quiet_to_h", "the quiet hours end before they begin", "Give them as 11 and 16."))
    site = site_of(row)
    try:
        check_site(site)
    except SiteFileError as fault:
        field = "timezone" if fault.what.startswith("timezone") else "longitude"
        said.append(Refusal(field, fault.what, fault.fix))
    try:
        site_biology(site, biology)
    except ParameterError as fault:
        said.append(Refusal("thresholds", fault.what, fault.fix))
    return said


def said_beside(day: date, beside: date) -> str:
    """A date in words, with its year where that of the other date differs: most often the year is the mistake."""
    return day_month(day) if day.year == beside.year else f"{day_month(day)} {day.year}"


def judge_batch(row: Row, site: Site, biology: Biology, today: date) -> list[Refusal]:
    """What cannot be in a batch's record, by itself.

    Args:
        row: the batch as it would be stored.
        site: its site.
        biology: parameters.
        today: of the site's calendar.
    """
    said = [*_order(row), *_counts(row), *_future(row, today)]
    sealed = row["sealed_on"]
    if sealed is not None:
        days = (sealed - row["grafted_on"]).days
        if days >= 0 and not _SEALED_AFTER_D[0] <= days <= _SEALED_AFTER_D[1]:
            said.append(
                Refusal(
                    "sealed_on",
                    f"cells sealed {days} days after the graft",
                    "They are sealed about five days after it: check both dates.",
                )
            )
    moved, ended = row["moved_on"], row["ended_on"]
    if moved is not None and moved < row["grafted_on"]:
        said.append(Refusal("moved_on", "the cells were moved before the graft", "Check both dates."))
    if ended is not None and ended < row["grafted_on"]:
        said.append(Refusal("ended_on", "the batch ended before its graft", "Check both dates."))
    if (
        row["kept_in"] == "builder"
        and moved is not None
        and row["emerged_on"] is not None
        and moved > row["emerged_on"]
    ):
        said.append(
            Refusal(
                "moved_on",
                "the cells were moved after the virgins had emerged",
                'Check both dates, or set kept_in to "incubator" if virgins were put into the nucs.',
            )
        )
    if row["moved_at"] is not None and moved is None:
        said.append(Refusal("moved_at", "a time of day without its day", "Give moved_on too."))
    if not said:
        try:
            emergence_days(batch_of(row, site), site, biology)
        except InputError as fault:
            said.append(Refusal(field_of(row), fault.what, fault.fix))
    return said


def field_of(row: Row) -> str:
    """The field that most likely made the emergence impossible."""
    for field in ("emerged_on", "larva_age_h", "sealed_temp_c"):
        if row[field] is not None:
            return field
    return "grafted_on"


def _order(row: Row) -> list[Refusal]:
    given = [(name, words, row[name]) for name, words in _STEPS if row[name] is not None]
    return [
        Refusal(
            name,
            f"{words} ({said_beside(day, earlier)}) comes before {earlier_words} ({said_beside(earlier, day)})",
            "Check both dates.",
        )
        for (_, earlier_words, earlier), (name, words, day) in pairwise(given)
        if day < earlier
    ]


def _counts(row: Row) -> list[Refusal]:
    """Of each step there are no more than of the one before it.

    From an incubator either cells or virgins are placed, so that neither of the two numbers bounds the other.
    """
    given = [(name, words, row[name]) for name, words in _COUNTS if row[name] is not None]
    loose = ("n_placed", "n_emerged") if row["kept_in"] == "incubator" else ("",)
    pairs = {pair: None for out in loose for pair in pairwise(step for step in given if step[0] != out)}
    return [
        Refusal(name, f"more {words} ({n}) than {earlier_words} ({earlier})", "Check both counts.")
        for (_, earlier_words, earlier), (name, words, n) in pairs
        if n > earlier
    ]


def _future(row: Row, today: date) -> list[Refusal]:
    """What was seen cannot lie ahead; a graft or a move may be planned."""
    return [
        Refusal(name, f"{row[name]} lies in the future: today is {today} at the site", "Give only what has been seen.")
        for name in ("taken_on", "sealed_on", "emerged_on", "ended_on")
        if row[name] is not None and row[name] > today
    ]


def planned_end(batch: Batch, site: Site, biology: Biology) -> date:
    """The day after which a batch needs no outlook any more: no virgin of it can still mate and lay."""
    first, weights = emergence_days(batch, site, biology)
    last = site.civil_day(first + len(weights) - 1)
    return last + timedelta(days=int(biology.mating.end_age_d) + 14)
