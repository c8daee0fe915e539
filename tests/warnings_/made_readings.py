"""Invented readings of one batch: odds as wanted, standing on what a sound forecast of that day would give.

The batch is grafted twelve days before ``BORN``; its mating window runs from age 6 to 21, its prime days to age 14.
"""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, date, datetime, timedelta
from typing import TYPE_CHECKING, Any
from zoneinfo import ZoneInfo

from matewindow.flight import CAUSES
from matewindow.warnings.grounds import Grounds
from matewindow.warnings.judge import Verdict, judge
from matewindow.warnings.reading import Dates, DayReading, Reading, Stage
from matewindow.warnings.state import State
from matewindow.warnings.thresholds import Thresholds

if TYPE_CHECKING:
    from collections.abc import Iterable, Mapping

BORN = date(2026, 5, 22)
LIMITS = Thresholds(low=0.50)  # warns below 50 %, a fall by 20 points, both only 15 points under the usual
FORECAST_D = 15
OPEN_H = 3.0
START = datetime(2026, 5, 26, 6, tzinfo=UTC)


def at(hours: float) -> datetime:
    """So many hours after ``START``, when the virgins are four days old."""
    return START + timedelta(hours=hours)


def forecast_share(lead_d: int) -> float:
    """Share of a day that an ensemble made today has, the form of ``paths.ensemble_weight``."""
    return 0.9 / (1.0 + (lead_d / 9.8) ** 3.5) if lead_d < FORECAST_D else 0.0


def dates_of(born: date) -> Dates:
    def aged(n: int) -> date:
        return born + timedelta(days=n)

    return Dates(
        grafted=aged(-12),
        move_from=aged(-3),
        move_by=aged(-2),
        born=born,
        first_check=aged(14),
        late=aged(21),
        give_up=aged(28),
        last_check=None,
        eggs_from=aged(10),
        eggs_half=aged(13),
        eggs_to=aged(18),
    )


def stage_at(today: date, dates: Dates) -> Stage:
    if today > dates.late:
        return "over"
    if (dates.late - today).days <= 9:
        return "window nearly over"
    if today >= dates.born:
        return "virgins out"
    return "cells in nucs" if today > dates.move_by else "before transfer"


def a_day(age: int, today: date, born: date, lost: Mapping[str, float]) -> DayReading:
    day = born + timedelta(days=age)
    lead = (day - today).days
    forecast = forecast_share(lead) if lead >= 0 else 0.0
    observed = 1.0 if lead < 0 else 0.0
    losses = dict.fromkeys(CAUSES, 0.2) | dict(lost)
    effective = max(0.0, 4.0 - sum(losses.values()))
    flies = 0.9 if effective >= 1.0 else 0.1
    past = 1.0 - forecast - observed
    return DayReading(day, age, 6 <= age <= 14, effective, 1.5, flies, losses, 1.0, observed, forecast, past, 0.0)


def a_reading(
    moment: datetime,
    p: float,
    *,
    born: date = BORN,
    zone: str = "Europe/London",
    lost: Mapping[int, Mapping[str, float]] | None = None,
    **changes: Any,
) -> Reading:
    """A sound reading.

    Args:
        moment: when it was issued; its forecast was made five hours before.
        p: the odds.
        born: day of emergence.
        zone: of the site.
        lost: hours lost by age and cause, beside a little of everything.
        changes: other fields.
    """
    today = moment.astimezone(ZoneInfo(zone)).date()
    dates = dates_of(born)
    days = tuple(a_day(age, today, born, (lost or {}).get(age, {})) for age in range(22))
    made = Reading(
        outlook_id=f"otlk_{moment:%Y%m%d%H%M%S}",
        issued_at=moment.astimezone(UTC),
        timezone=zone,
        stage=stage_at(today, dates),
        emerged_seen=False,
        p=p,
        low=max(0.0, p - 0.05),
        high=min(1.0, p + 0.05),
        usual=0.70,
        prime_hours=12.0,
        prime_hours_usual=13.0,
        shares={"observed": 0.2, "forecast": 0.5, "past_years": 0.3},
        quiet=(11.0, 16.0),
        dates=dates,
        days=days,
        grounds=Grounds("the batch as grafted", moment - timedelta(hours=5), "ensemble", "invented", 20, 22, ()),
    )
    return replace(made, **changes)


def run(
    readings: Iterable[Reading], state: State | None = None, thresholds: Thresholds = LIMITS
) -> tuple[list[Verdict], State]:
    """Judge one reading after the other, each at the time of its issue."""
    now_state, verdicts = state or State(), []
    for reading in readings:
        verdict = judge(now_state, reading, thresholds, reading.issued_at)
        now_state = verdict.state
        verdicts.append(verdict)
    return verdicts, now_state


def course(odds: Iterable[float], *, step_h: float = 24.0, begin_h: float = 0.0, **changes: Any) -> list[Reading]:
    """Readings of given odds, one every ``step_h`` hours from ``START`` plus ``begin_h`` on."""
    return [a_reading(at(begin_h + step_h * i), p, **changes) for i, p in enumerate(odds)]


def outcomes(verdicts: Iterable[Verdict]) -> list[str]:
    return [v.outcome for v in verdicts]


def messages(verdicts: Iterable[Verdict]) -> list[tuple[str, date]]:
    """What was said and on which civil day."""
    return [(v.outcome, v.day) for v in verdicts if v.speaks]
