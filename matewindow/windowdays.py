"""The days of a batch's mating window one by one: what the weather allows, and what spoils the rest."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from matewindow.flight import CAUSES
from matewindow.pathparts import ORIGINS
from matewindow.resampling import quantiles

if TYPE_CHECKING:
    from collections.abc import Sequence
    from datetime import date

    from numpy.typing import NDArray

    from matewindow.biology import Biology
    from matewindow.paths import Paths

    Floats = NDArray[np.float64]

FLYING_H = 1.0
"""Effective hours that make a flying day: the shortest usable spell (judgement)."""


@dataclass(frozen=True)
class DayOutlook:
    """One day of a batch's window. Hours are means over the paths; ``spoiled_by`` is hours lost by cause.

    A day that no weather covers counts as without flight: its share is ``unknown``, its strict hours are None, and no
    cause is blamed, so that lost and effective hours fall short of the window.
    ``p_flying`` is the chance of an effective hour or more with drones about; ``flights`` the mating flights expected
    of a virgin, None once checks have been taken into account.
    """

    day: date
    age: int
    prime: bool
    strict_hours: float | None
    effective_hours: float
    p10_hours: float
    p90_hours: float
    p_flying: float
    usual_hours: float | None
    window_hours: float
    spoiled_by: dict[str, float]
    shares: dict[str, float]
    drones: float
    flights: float | None


@dataclass(frozen=True)
class DayFigures:
    """What paths say of some days in a row, as means over them unless told otherwise; arrays (n_days,) and more.

    Attributes:
        strict, effective: hours; strict ones NaN where not every path knows them.
        low, high: 10 and 90 % points of the effective hours.
        flying: chance of ``FLYING_H`` or more with drones about.
        usual: effective hours of past years alone; None without them.
        window_h: length of the mating window.
        lost: hours by cause, (n_days, n_causes).
        shares: by what they stand on, (n_days, 3).
        drones: share of drones about.
    """

    strict: Floats
    effective: Floats
    low: Floats
    high: Floats
    flying: Floats
    usual: Floats | None
    window_h: Floats
    lost: Floats
    shares: Floats
    drones: Floats

    @classmethod
    def of(cls, paths: Paths, usual: Paths | None, drones: Floats, days: slice) -> DayFigures:
        """Work them out for some of the days of the paths.

        Args:
            paths, usual: their hours without missing values.
            drones: share of drones on each of the paths' days.
            days: which of these days.
        """
        hours = paths.hours[days]
        low, high = quantiles(hours, (0.1, 0.9))
        return cls(
            strict=paths.strict_hours(days).mean(axis=1),
            effective=hours.mean(axis=1),
            low=low,
            high=high,
            flying=(hours >= FLYING_H).mean(axis=1) * (drones[days] > 0.0),
            usual=None if usual is None else usual.hours[days].mean(axis=1),
            window_h=paths.window_h[days],
            lost=paths.mean_losses(days),
            shares=paths.daily_shares(days),
            drones=drones[days],
        )


def day_outlooks(
    days: Sequence[date], figures: DayFigures, flights: Floats | None, biology: Biology
) -> list[DayOutlook]:
    """The days of a window from the likeliest emergence on.

    Args:
        days: on the site's calendar.
        figures: of these days.
        flights: mating flights expected of a virgin on each of them; None = not said.
        biology: parameters.
    """
    m, f = biology.mating, figures
    return [
        DayOutlook(
            day=day,
            age=age,
            prime=bool(m.prime_from_age_d <= age <= m.prime_to_age_d),
            strict_hours=None if np.isnan(f.strict[age]) else float(f.strict[age]),
            effective_hours=float(f.effective[age]),
            p10_hours=float(f.low[age]),
            p90_hours=float(f.high[age]),
            p_flying=float(f.flying[age]),
            usual_hours=None if f.usual is None else float(f.usual[age]),
            window_hours=float(f.window_h[age]),
            spoiled_by=dict(zip(CAUSES, f.lost[age].tolist(), strict=True)),
            shares=named_shares(f.shares[age]),
            drones=float(f.drones[age]),
            flights=None if flights is None else float(flights[age]),
        )
        for age, day in enumerate(days)
    ]


def named_shares(shares: Floats) -> dict[str, float]:
    """Shares by what they stand on, adding up to 1; ``unknown`` only where some days stand on nothing."""
    named = dict(zip(ORIGINS, (float(x) for x in shares), strict=True))
    unknown = 1.0 - sum(named.values())
    return named if unknown < 1e-9 else named | {"unknown": unknown}
