"""Which kind of weather explains why the odds of a batch changed."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from matewindow.advice import BEYOND_SHARE
from matewindow.words import CAUSES

if TYPE_CHECKING:
    from collections.abc import Iterable
    from datetime import date

    from matewindow.warnings.reading import DayReading, Reading

WORDS = {**CAUSES, "drones": "a lack of mature drones"}
"""Causes as a keeper calls them."""
LEAST_H = 0.5
"""Less flying time than this, in hours, is no cause: over a window of nine days it is noise (judgement)."""
BESIDE = 0.5
"""A second cause is named if it took so large a share of what the first one took (judgement)."""


@dataclass(frozen=True)
class Change:
    """What kinds of weather took (or gave back) flying time.

    Attributes:
        causes: the one that explains most first; empty if none stands out.
        hours: flight hours of the first cause over the window, not negative.
        days: the days it is about, as far as record and forecast can tell.
        prime: whether these hours lie in the prime window; else in the days after it.
    """

    causes: tuple[str, ...] = ()
    hours: float = 0.0
    days: tuple[date, ...] = ()
    prime: bool = True


def change(before: Reading, now: Reading, *, better: bool = False) -> Change:
    """What cost more flying time than in the reading before, or less if ``better``.

    The prime window speaks first; only where it hardly changed do the days after it. Days count by the drones about,
    since hours without drones are no loss.
    """
    sign = -1.0 if better else 1.0
    was = {d.day: d for d in before.window}
    both = [d for d in now.window if d.day in was]
    for prime in (True, False):
        days = [d for d in both if d.prime == prime]
        grown = _summed(days, {d.day: _grown(was[d.day], d, sign) for d in days})
        if grown and max(grown.values()) >= LEAST_H:
            return _named(grown, days, was, sign, prime=prime)
    return Change()


def standing(reading: Reading) -> Change:
    """What costs the most flying time in the prime window, where there is nothing to compare with."""
    lost = reading.lost_in_prime()
    cause = max(lost, key=lambda c: lost[c])
    if lost[cause] < LEAST_H:
        return Change()
    days = tuple(d.day for d in reading.days if d.prime and foreseeable(d) and _lost(d, cause) >= LEAST_H)
    return Change((cause,), lost[cause], days)


def _named(
    grown: dict[str, float], days: list[DayReading], was: dict[date, DayReading], sign: float, *, prime: bool
) -> Change:
    order = sorted(grown, key=lambda c: -grown[c])
    main, second = order[0], order[1]
    beside = (second,) if grown[second] >= max(LEAST_H, BESIDE * grown[main]) else ()
    touched = tuple(d.day for d in days if foreseeable(d) and _grown(was[d.day], d, sign)[main] >= LEAST_H)
    return Change((main, *beside), grown[main], touched, prime)


def _grown(was: DayReading, now: DayReading, sign: float) -> dict[str, float]:
    return {cause: sign * now.drones * (now.lost[cause] - was.lost[cause]) for cause in now.lost}


def _summed(days: Iterable[DayReading], each: dict[date, dict[str, float]]) -> dict[str, float]:
    total: dict[str, float] = {}
    for d in days:
        for cause, hours in each[d.day].items():
            total[cause] = total.get(cause, 0.0) + hours
    return total


def _lost(d: DayReading, cause: str) -> float:
    if cause == "drones":
        return d.effective_hours * (1.0 - d.drones)
    return d.lost[cause] * d.drones


def foreseeable(d: DayReading) -> bool:
    """Whether record or forecast speak of a day more than past years do."""
    return d.beyond < BEYOND_SHARE
