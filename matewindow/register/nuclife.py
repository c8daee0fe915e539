"""A nuc's queen and the looks into it: which records can be true, and which cannot. See ``life.py``."""

from __future__ import annotations

from itertools import pairwise
from typing import TYPE_CHECKING

from matewindow.errors import InputError
from matewindow.register.life import Refusal, Row, nuc_batch, said_beside
from matewindow.timeline import emergence_days
from matewindow.words import day_month

if TYPE_CHECKING:
    from collections.abc import Sequence
    from datetime import date

    from matewindow.biology import Biology
    from matewindow.site import Site
    from matewindow.timeline import Batch


def judge_nuc(
    row: Row, batch: Batch | None, batch_row: Row | None, site: Site, biology: Biology, today: date
) -> list[Refusal]:
    """What cannot be in a nuc's record.

    Args:
        row: the nuc as it would be stored.
        batch, batch_row: the batch that its cell is of; None if it has none.
        site: where it stands.
        biology: parameters.
        today: of the site's calendar.
    """
    said = [
        Refusal(name, f"{row[name]} lies in the future: today is {today} at the site", "Give only what has been seen.")
        for name in ("emerged_on", "outcome_on", "broodless_since")
        if row[name] is not None and row[name] > today
    ]
    if (row["outcome"] is None) != (row["outcome_on"] is None):
        said.append(Refusal("outcome_on", "an outcome and its day belong together", "Give both, or neither."))
    if batch is None or batch_row is None:
        if row["emerged_on"] is not None or row["outcome"] is not None:
            said.append(Refusal("batch_id", "a queen's story without her batch", "Give the batch of her cell."))
        return said
    said += _nuc_order(row, batch_row)
    if not said and row["emerged_on"] is not None:
        try:
            emergence_days(nuc_batch(batch, row), site, biology)
        except InputError as fault:
            said.append(Refusal("emerged_on", fault.what, fault.fix))
    if not said and row["outcome"] in {"laying", "poor"}:
        said += _too_young(row["outcome_on"], nuc_batch(batch, row), site, biology, "outcome_on")
    return said


def _nuc_order(row: Row, batch_row: Row) -> list[Refusal]:
    """The steps of one queen's story: graft, cell placed, emerged, outcome."""
    steps = [
        ("grafted_on", "the graft", batch_row["grafted_on"]),
        ("cell_placed_on", "the placing of the cell", row["cell_placed_on"]),
        ("emerged_on", "the emergence", row["emerged_on"]),
        ("outcome_on", "the outcome", row["outcome_on"]),
    ]
    if batch_row["kept_in"] == "incubator":  # a virgin may be placed after she has emerged
        steps[1:3] = [steps[2], steps[1]] if _after(row["cell_placed_on"], row["emerged_on"]) else steps[1:3]
    given = [step for step in steps if step[2] is not None]
    return [
        Refusal(
            name,
            f"{words} ({said_beside(day, before)}) comes before {first} ({said_beside(before, day)})",
            "Check both dates.",
        )
        for (_, first, before), (name, words, day) in pairwise(given)
        if day < before
    ]


def _after(day: date | None, other: date | None) -> bool:
    return day is not None and other is not None and day > other


def judge_check(
    row: Row, others: Sequence[Row], batch: Batch, site: Site, biology: Biology, today: date
) -> list[Refusal]:
    """What cannot be in a check's record.

    Args:
        row: the check as it would be stored.
        others: the other checks of the same nuc (or of the batch as a whole).
        batch: the batch as that nuc has it, without checks.
        site: where.
        biology: parameters.
        today: of the site's calendar.
    """
    day = row["day"]
    if day > today:
        return [Refusal("day", f"{day} lies in the future: today is {today} at the site", "Give only what was seen.")]
    first, _ = emergence_days(batch, site, biology)
    born = site.civil_day(first)
    if day < born:
        return [
            Refusal(
                "day",
                f"a check on {_before_birth(day, born)}",
                "Check the date, and the day of the graft.",
            )
        ]
    if row["saw"] == "eggs" and (young := _too_young(day, batch, site, biology, "saw")):
        return young
    return _contradictions(row, others)


def _before_birth(day: date, born: date) -> str:
    return f"{said_beside(day, born)}, before any virgin of the batch can have emerged ({said_beside(born, day)})"


def _too_young(day: date, batch: Batch, site: Site, biology: Biology, field: str) -> list[Refusal]:
    """Eggs of a virgin that cannot have mated yet."""
    first, _ = emergence_days(batch, site, biology)
    born = site.civil_day(first)
    age = (day - born).days
    least = int(biology.mating.earliest_flight_age_d) + 1
    if age >= least:
        return []
    if age < 0:
        text = f"eggs on {_before_birth(day, born)}"
    else:
        old = "not a day" if age == 0 else f"{age} day{'' if age == 1 else 's'}"
        text = f"eggs on {day_month(day)}: these virgins are {old} old then, and none lays before {least} days"
    return [Refusal(field, text, "Look for an older queen in the nuc, or check the dates.")]


def _contradictions(row: Row, others: Sequence[Row]) -> list[Refusal]:
    same = [c for c in others if c["day"] == row["day"] and c["saw"] != row["saw"]]
    if same:
        return [
            Refusal(
                "saw",
                f"another check of the same day says {same[0]['saw']}",
                "Change or delete that one first.",
            )
        ]
    laid = [c["day"] for c in others if c["saw"] == "eggs"]
    if row["saw"] == "virgin" and laid and min(laid) < row["day"]:
        text = f"a virgin on {day_month(row['day'])}, but eggs were seen on {day_month(min(laid))}"
        return [Refusal("saw", text, "If she is a new queen, add the nuc once more, with her batch.")]
    seen = [c["day"] for c in others if c["saw"] == "virgin"]
    if row["saw"] == "eggs" and seen and max(seen) > row["day"]:
        text = f"eggs on {day_month(row['day'])}, but a virgin was seen on {day_month(max(seen))}"
        return [Refusal("saw", text, "Check the dates of both.")]
    return []
