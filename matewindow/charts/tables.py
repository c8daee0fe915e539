"""The numbers behind each picture as rows: the pictures are drawn from these, so that both always agree."""

from __future__ import annotations

from math import isfinite
from typing import TYPE_CHECKING

from matewindow.flight import CAUSES
from matewindow.outlook import Outlook
from matewindow.pathparts import ORIGINS

if TYPE_CHECKING:
    from datetime import date

    from matewindow.graft import GraftDay, GraftDecision
    from matewindow.outlook import DayOutlook

Cell = str | float | int | bool | None
Row = dict[str, Cell]

BEST = "as good as the best"
BEHIND = "behind the best"
LIMITED = "breaks a limit"
STANDINGS = (BEST, BEHIND, LIMITED)


def chart_table(chart_input: GraftDecision | Outlook) -> list[Row]:
    """The rows that ``graft_chart`` or ``window_chart`` draws, one for each day.

    Args:
        chart_input: the answer that is drawn.

    Returns:
        Days as ISO text, odds and shares of 1, hours in columns that end in ``_h``; what is not known is None, never 0.
    """
    if isinstance(chart_input, Outlook):
        return [_window_row(day, chart_input) for day in chart_input.days]
    return [_graft_row(day, chart_input) for day in chart_input.days]


def day_label(day: date) -> str:
    """A day as "Mon 1 Jun"."""
    return f"{day:%a} {day.day} {day:%b}"


def event_day(outlook: Outlook, name: str) -> date | None:
    """The likeliest day of one of a batch's events; None if its timeline has no such event."""
    return next((event.day for event in outlook.timeline if event.name == name), None)


def _graft_row(day: GraftDay, decision: GraftDecision) -> Row:
    odds, low, high, usual = _odds(day)
    hours, before = day.prime_flight_hours, day.prime_flight_hours_usual
    return {
        "day": day.day.isoformat(),
        "label": day_label(day.day),
        "standing": LIMITED if day.constraints else BEST if day.tied_with_best else BEHIND,
        "advised": day.day in decision.graft_dates,
        "limits": ", ".join(c.name for c in day.constraints),
        "odds": _known(odds),
        "odds_low": _known(low),
        "odds_high": _known(high),
        "odds_usual": _known(usual),
        "prime_from": day.prime[0].isoformat(),
        "prime_to": day.prime[1].isoformat(),
        "prime_mean_h": _known(hours.mean),
        "prime_p10_h": _known(hours.p10),
        "prime_p90_h": _known(hours.p90),
        "prime_usual_h": None if before is None else _known(before.mean),
        "forecast_share": _known(day.forecast_share),
    }


def _odds(day: GraftDay) -> tuple[float, float | None, float | None, float | None]:
    """Odds, their range and the usual: of being well mated, or of being in lay by the deadline if there is one.

    A deadline's odds come without a range.
    """
    if day.in_lay_by is None:
        return day.well_mated.value, day.well_mated.low, day.well_mated.high, day.well_mated_usual
    return day.in_lay_by, None, None, day.in_lay_by_usual


def _window_row(day: DayOutlook, outlook: Outlook) -> Row:
    return {
        "day": day.day.isoformat(),
        "label": day_label(day.day),
        "age_d": day.age,
        "prime": day.prime,
        "first_laying_check": day.day == event_day(outlook, "first laying check"),
        "late": day.day == event_day(outlook, "late"),
        "effective_h": _known(day.effective_hours),
        "p10_h": _known(day.p10_hours),
        "p90_h": _known(day.p90_hours),
        "usual_h": _known(day.usual_hours),
        "strict_h": _known(day.strict_hours),
        "window_h": _known(day.window_hours),
        **{f"{origin}_share": _known(day.shares[origin]) for origin in ORIGINS},
        **{f"lost_{cause}_h": _known(day.spoiled_by[cause]) for cause in CAUSES},
    }


def _known(x: float | None) -> float | None:
    return None if x is None or not isfinite(x) else float(x)
