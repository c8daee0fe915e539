"""Warnings that a result carries: what it stands on and where it is thin. They are no errors."""

from __future__ import annotations

from datetime import UTC, datetime
from typing import TYPE_CHECKING

from matewindow.paths import issued
from matewindow.words import percent

if TYPE_CHECKING:
    import numpy as np

    from matewindow.paths import Paths, Sources

MANY_PAST_YEARS = 0.80
FEW_YEARS = 20
FEW_MEMBERS = 10
OLD_FORECAST_H = 12.0
WIDE_POINTS = 0.25


def caveats(
    paths: Paths,
    shares: dict[str, float],
    sources: Sources,
    now: datetime,
    today: np.datetime64,
    width: float,
) -> list[str]:
    """Say in plain words what weakens a result.

    Args:
        paths: what it was computed on.
        shares: of the window, by ``paths.ORIGINS``.
        sources: the weather behind it.
        now: aware.
        today: the solar day of now.
        width: width of the 5 to 95 % range of the main probability.
    """
    said = []
    if shares["past_years"] > MANY_PAST_YEARS:
        part = "The whole" if shares["past_years"] > 0.995 else f"{percent(shares['past_years'])} of the"
        said.append(
            f"{part} prime mating window lies beyond what a forecast can say: the odds there are those of past years."
        )
    n_years = len(paths.years)
    typical = sources.past is not None and sources.past.provenance.kind == "typical"
    if typical:
        said.append("Past weather is one typical year: it shows neither how years differ nor how bad a bad one is.")
    elif 0 < n_years < FEW_YEARS:
        said.append(f"Only {n_years} past year{'s' if n_years > 1 else ''}; 20 or more are wanted.")
    if n_years == 0:
        said.append("No past years: nothing is known beyond the forecast's edge.")
    said += _forecast_caveats(paths, sources, now, today)
    said += _unjudged(sources)
    if paths.trend_k > 0.05:
        said.append(f"Past years were warmed by {paths.trend_k:.1f} °C on average for the trend at this site.")
    if width > WIDE_POINTS:
        said.append(f"The odds are uncertain by {100 * width:.0f} points (5 to 95 % range over years and members).")
    return [*said, *(note[0].upper() + note[1:] + "." for note in paths.notes)]


def _forecast_caveats(paths: Paths, sources: Sources, now: datetime, today: np.datetime64) -> list[str]:
    said = []
    forecasts = [f for f in (sources.members, sources.run) if f is not None]
    if not forecasts:
        return ["No forecast was given."]
    if all(f.days[-1] < today for f in forecasts):
        return ["The forecast ends before today and was not used."]
    if all(issued(f, today) is None for f in forecasts):
        return ["The forecast begins later than tomorrow and was not used."]
    for forecast in forecasts:
        run = forecast.provenance.run_time
        if run is not None and (now.astimezone(UTC) - run).total_seconds() / 3600.0 > OLD_FORECAST_H:
            hours = (now.astimezone(UTC) - run).total_seconds() / 3600.0
            said.append(f"The forecast of {forecast.provenance.source} is {hours:.0f} hours old.")
    if sources.members is None or paths.n_members < 2:
        said.append("A single forecast run: it cannot show its own doubt and gets little weight.")
    elif paths.n_members < FEW_MEMBERS:
        said.append(f"The ensemble has only {paths.n_members} members.")
    return said


def _unjudged(sources: Sources) -> list[str]:
    said = []
    parts = {
        "observed": sources.observed,
        "forecast": sources.run,
        "ensemble": sources.members,
        "past": sources.past,
    }
    for variable in ("rain", "light"):
        absent = [name for name, part in parts.items() if part is not None and variable in part.not_judged]
        if absent:
            said.append(
                f"{variable.capitalize()} was not judged in the {' and '.join(absent)} weather: it does not tell."
            )
    for name, part in parts.items():
        if part is not None and part.provenance.native_step_h > 1.0:
            step = part.provenance.native_step_h
            said.append(
                f"Rain of the {name} weather came in steps of up to {step:.0f} hours: "
                "its wet hours were placed as past weather shows."
            )
    filled = [name for name, part in parts.items() if part is not None and part.light_filled]
    if filled:
        said.append(f"Light was worked out from cloud cover in the {' and '.join(filled)} weather.")
    return said
