"""Seasons as cases for ``verification``: two products, by lead."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np

from matewindow.hindcast.oneseason import LEADS_D, STAGES_D
from matewindow.verification import Cases, EggCases, HoursCases, Samples, exact_days

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    from matewindow.biology import Biology
    from matewindow.hindcast.oneseason import SeasonCases

LEAD_GROUPS = {
    "days 1 to 3": (1, 3),
    "days 4 to 7": (4, 7),
    "days 8 to 12": (8, 12),
    "days 13 to 16": (13, 16),
    "day 17 on": (17, LEADS_D),
}
"""Lead days that are judged together."""
CHAIN_NOTE = (
    "Whether queens ended well mated is what the program's own chain makes of the weather that came, not what was "
    "found in nucs: the weather and its forecast are on trial here, not the biology."
)


def window_cases(seasons: Sequence[SeasonCases], site: str, biology: Biology, *, notes: tuple[str, ...] = ()) -> Cases:
    """The odds that a virgin ends well mated, by stage of the batch.

    Args:
        seasons: as judged.
        site: its name.
        biology: parameters; from them the age at which a nuc without eggs is given up.
        notes: what a reader must know.
    """
    stage = _joined(seasons, "window_stage")
    name_of = {days: name for name, days in STAGES_D.items()}
    eggs, usual_eggs = (_joined(seasons, name) for name in ("window_eggs", "window_eggs_usual"))
    days = np.append(np.arange(eggs.shape[1] - 1, dtype=np.float64), np.inf)
    possible = np.broadcast_to(days, eggs.shape)
    after, by = exact_days(_joined(seasons, "window_egg_came"))
    return Cases(
        product="Queen well mated",
        event="a virgin of the batch ends well mated",
        issued=_joined(seasons, "window_issued"),
        lead_group=np.array([name_of[int(days)] for days in stage], dtype=np.str_),
        season=_seasons(seasons, "window_p"),
        site=np.full(len(stage), site),
        p=_joined(seasons, "window_p"),
        p_usual=_joined(seasons, "window_usual"),
        outcome=_joined(seasons, "window_outcome"),
        p_persistence=_joined(seasons, "window_persistence"),
        lead_groups=tuple(STAGES_D),
        hours=_hours(seasons, "window"),
        first_egg=EggCases(
            Samples(possible, eggs, drawn=False),
            Samples(possible, usual_eggs, drawn=False),
            after,
            by,
            horizon_d=int(biology.checks.give_up_age_d),
        ),
        notes=(CHAIN_NOTE, *notes),
    )


def flying_day_cases(seasons: Sequence[SeasonCases], site: str, *, notes: tuple[str, ...] = ()) -> Cases:
    """The odds that one of the days ahead is a flying day; arguments as in ``window_cases``."""
    issued, lead = _joined(seasons, "day_issued"), _joined(seasons, "day_lead")
    group = np.full(len(lead), "", dtype=f"U{max(map(len, LEAD_GROUPS))}")
    for name, (first, last) in LEAD_GROUPS.items():
        group[(lead >= first) & (lead <= last)] = name
    return Cases(
        product="Flying day",
        event="the day has a flight hour or more",
        issued=issued,
        lead_group=group,
        season=_seasons(seasons, "day_p"),
        site=np.full(len(lead), site),
        p=_joined(seasons, "day_p"),
        p_usual=_joined(seasons, "day_usual"),
        outcome=_joined(seasons, "day_outcome"),
        p_persistence=_joined(seasons, "day_persistence"),
        came_on=issued + lead.astype(np.int64),
        lead_groups=tuple(LEAD_GROUPS),
        hours=_hours(seasons, "day"),
        notes=notes,
    )


def _hours(seasons: Sequence[SeasonCases], kind: str) -> HoursCases:
    """Flight hours: spreads that are whole, not a draw, see ``oneseason.evenly``."""
    issued, usual = (Samples(_joined(seasons, f"{kind}_hours{end}"), drawn=False) for end in ("", "_usual"))
    return HoursCases(issued, usual, _joined(seasons, f"{kind}_hours_came"))


def _joined(seasons: Sequence[SeasonCases], name: str) -> NDArray[Any]:
    return np.concatenate([getattr(season, name) for season in seasons])


def _seasons(seasons: Sequence[SeasonCases], like: str) -> NDArray[np.int_]:
    return np.repeat([season.year for season in seasons], [len(getattr(season, like)) for season in seasons])
