"""What can still be done for a batch at its stage, and by when: nothing that is past, nothing that cannot be done.

Sources: design and practice collected in ``models/literature.md`` where a number is named; the rest is common practice
among queen rearers. Holding cells shelters them, it does not put off their emergence.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import timedelta
from typing import TYPE_CHECKING

from matewindow.timeline import clock
from matewindow.warnings.causes import foreseeable
from matewindow.words import day_month, weekday_day

if TYPE_CHECKING:
    from collections.abc import Callable
    from datetime import date

    from matewindow.biology import Biology
    from matewindow.limits import Limits
    from matewindow.warnings.reading import Reading

HUNGRY_D = 3
"""So many days in a row without flying, and small nucs are fed before (judgement: they hold little)."""
SHUT_IN = 0.4
"""A day with a smaller chance of flying than this counts as one without (the other side of ``advice.FORESEEN``)."""
_LOOK_AHEAD_D = 14
_WEEK = timedelta(days=7)  # between two looks: common practice
_SHELTER = {
    "wind": "If you have a more sheltered site, take them there.",
    "cold": "If you have a warmer site, lower down or out of the wind, take them there.",
    "heat": "If you have a cooler or shadier site, take them there.",
    "drones": "If you have a site where drones are flying, take them there.",
}
_ELSEWHERE = "If you have a site with a better outlook, take them there."


@dataclass(frozen=True)
class Action:
    """One thing to do or to leave.

    Attributes:
        code: for machines.
        text: to do or to leave it, in a sentence.
        by: last day for it, not before the day of the message.
        when: the same in a sentence; empty where ``text`` says all.
    """

    code: str
    text: str
    by: date
    when: str = ""


def actions(
    reading: Reading, causes: tuple[str, ...], today: date, biology: Biology, limits: Limits
) -> tuple[Action, ...]:
    """What can be done now that a window has turned bad; the most urgent first.

    Args:
        reading: of the batch; its stage decides.
        causes: of the change, the main one first.
        today: civil day of the message.
        biology: parameters.
        limits: days on which the keeper does not work.
    """
    if reading.stage == "before transfer":
        return _before_transfer(reading, causes)
    protect = _protect(reading, causes, today)
    if reading.stage == "cells in nucs":
        shut = "Leave the nucs shut and do not look for the virgins when they emerge."
        return (Action("leave_alone", shut, reading.dates.late), *protect, _look(reading, today))
    alone = _leave_alone(reading)
    if reading.stage == "virgins out":
        return (alone, *protect, _look(reading, today))
    return (replacement(reading, today, biology, limits), alone, *protect, _look(reading, today))


def actions_when_clear(reading: Reading, today: date) -> tuple[Action, ...]:
    """What remains to be done once a window looks better again."""
    d = reading.dates
    if reading.stage == "before transfer":
        text = "Move the cells when they are ripe, as you had planned."
        return (Action("keep_to_plan", text, d.move_by, _move_when(reading)),)
    if reading.stage == "cells in nucs":
        return (
            Action("leave_alone", "Leave the nucs shut; there is nothing to change.", d.late),
            _look(reading, today),
        )
    look = _look(reading, today)
    if reading.stage == "virgins out":
        return (_leave_alone(reading), look)
    text = "A replacement graft is no longer pressing."
    return (Action("no_replacement", text, d.late), _leave_alone(reading), look)


def _before_transfer(reading: Reading, causes: tuple[str, ...]) -> tuple[Action, ...]:
    by = reading.dates.move_by
    hold = (
        "Ripe cells can wait for a dry, still hour in the builder or an incubator; that shelters them but does not put "
        "off their emergence."
    )
    site = _SHELTER.get(causes[0], _ELSEWHERE) if causes else _ELSEWHERE
    return (Action("hold_cells", hold, by, _move_when(reading)), Action("sheltered_site", site, by))


def _move_when(reading: Reading) -> str:
    d = reading.dates
    return (
        f"The cells can be moved from {weekday_day(d.move_from)} on; by {weekday_day(d.move_by)} all must be in nucs "
        "or caged, before the first virgin may emerge."
    )


def _leave_alone(reading: Reading) -> Action:
    start, end = (clock(h) for h in reading.quiet)
    text = f"Leave the nucs shut from {start} to {end}: on any better day the virgins may still fly."
    return Action("leave_alone", text, reading.dates.late)


def _protect(reading: Reading, causes: tuple[str, ...], today: date) -> tuple[Action, ...]:
    if "heat" in causes:
        shade = "Shade the nucs and see that their entrances and vents are clear."
        hot = [d.day for d in reading.window if d.day >= today]
        by = hot[0] if hot else today
        return (Action("shade", shade, by, f"Shade by {weekday_day(by)}."),)
    start = _shut_in_from(reading, today)
    if start is None:
        return ()
    by = max(today, start - timedelta(days=1))
    feed = "Feed small nucs, with paste or fondant, early or late in the day: they cannot forage."
    return (Action("feed", feed, by, "Feed today." if by == today else f"Feed by {weekday_day(by)}."),)


def _shut_in_from(reading: Reading, today: date) -> date | None:
    """First day of the next run of days that are foreseen to be without flying; None if there is none."""
    run: list[date] = []
    for d in reading.days:
        if d.day < today:
            continue
        run = [*run, d.day] if foreseeable(d) and d.p_flying < SHUT_IN else []
        if len(run) == HUNGRY_D:
            return run[0]
    return None


def _look(reading: Reading, today: date) -> Action:
    """When to look for eggs: as planned, or later if most of the queens will not lay by then."""
    d = reading.dates
    again = d.last_check is not None
    planned = d.first_check if d.last_check is None else d.last_check + _WEEK
    later = planned
    if d.eggs_half is not None and d.eggs_to is not None and d.eggs_half > planned:
        later = min(d.eggs_to, max(d.eggs_half, planned + _WEEK))
    day = min(max(later, today), max(d.give_up, today))
    if day > planned >= today and not again:
        text = f"Put the first look off from {weekday_day(planned)}: most would not lay by then."
        return Action("postpone_check", text, planned, f"First look {weekday_day(day)}.")
    word = "Next" if again else "First"
    return Action("look", "", day, f"{word} look {weekday_day(day)}.")


def replacement(reading: Reading, today: date, biology: Biology, limits: Limits) -> Action:
    """A graft whose cells are ripe when these virgins are past the age to mate well and their nucs come free."""
    ripe = timedelta(days=round(biology.development.move_cells_d))
    earliest = max(today + timedelta(days=1), reading.dates.late + timedelta(days=1) - ripe)
    day = _working_day(earliest, lambda d: limits.off(d) or limits.off(d + ripe))
    if limits.builder_free_from and day < limits.builder_free_from:
        day = _working_day(limits.builder_free_from, lambda d: limits.off(d) or limits.off(d + ripe))
    text = (
        f"Plan a replacement graft for {weekday_day(day)}: its cells are ripe on {weekday_day(day + ripe)}, when these "
        "virgins are past the age to mate well. Ask for the odds of that day first."
    )
    return Action("replacement_graft", text, day, f"Prepare the cell builder by {day_month(day - timedelta(days=1))}.")


def _working_day(day: date, off: Callable[[date], bool]) -> date:
    """The first day from ``day`` on that suits; ``day`` itself if none within two weeks does."""
    ahead = [day + timedelta(days=i) for i in range(_LOOK_AHEAD_D)]
    return next((d for d in ahead if not off(d)), day)
