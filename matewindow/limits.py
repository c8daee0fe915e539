"""What the keeper's own yard and week allow, and which of it a graft day breaks."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date, timedelta
from typing import TYPE_CHECKING

from matewindow.timeline import Batch, graft_time, likeliest_emergence
from matewindow.words import day_month, weekday_day

if TYPE_CHECKING:
    from matewindow.biology import Biology
    from matewindow.site import Site

WEEKDAYS = ("monday", "tuesday", "wednesday", "thursday", "friday", "saturday", "sunday")


@dataclass(frozen=True)
class Limits:
    """What the keeper's own yard and week allow. None and empty mean no limit.

    Attributes:
        builder_free_from: first day on which the cell builder takes grafts again.
        nucs_free_from: first day on which nucs can take ripe cells.
        days_off: days on which the producer does not work.
        weekdays_off: the same, every week, as 0 for Monday to 6 for Sunday.
    """

    builder_free_from: date | None = None
    nucs_free_from: date | None = None
    days_off: frozenset[date] = frozenset()
    weekdays_off: frozenset[int] = frozenset()

    def off(self, day: date) -> bool:
        """Whether the producer does not work on a day."""
        return day in self.days_off or day.weekday() in self.weekdays_off


@dataclass(frozen=True)
class Constraint:
    """A limit that a candidate day breaks: its name and what it means here."""

    name: str
    text: str


def broken(day: date, today: date, site: Site, biology: Biology, limits: Limits) -> list[Constraint]:
    """The limits that a graft on this day breaks.

    Args:
        day: of the graft.
        today: days before it are past.
        site: with the day from which its drones are mature.
        biology: parameters.
        limits: of the producer's yard and week.
    """
    out = []
    move = day + timedelta(days=round(biology.development.move_cells_d))
    if day < today:
        out.append(Constraint("past", "the day is past"))
    if limits.builder_free_from and day < limits.builder_free_from:
        out.append(
            Constraint(
                "cell builder", f"the cell builder takes grafts again from {day_month(limits.builder_free_from)}"
            )
        )
    if limits.nucs_free_from and move < limits.nucs_free_from:
        out.append(Constraint("nucs", f"no nuc is free on {day_month(move)}, when the cells are ripe"))
    born = likeliest_emergence(Batch(graft_time(day, site)), site, biology)
    fit = born + timedelta(days=round(biology.mating.maturity_age_d))
    if site.drones_mature_from and fit < site.drones_mature_from:
        lead_d = biology.drones.emergence_d + biology.drones.mature_age_d
        out.append(
            Constraint(
                "drones",
                f"drones are mature from {day_month(site.drones_mature_from)}, the virgins from {day_month(fit)}; "
                f"drone eggs are needed {lead_d:.0f} days ahead",
            )
        )
    for what, when in (("graft", day), ("move the ripe cells", move)):
        if limits.off(when):
            out.append(Constraint("day off", f"you do not work on {weekday_day(when)}, the day to {what}"))
    return out
