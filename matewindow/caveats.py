"""Warnings that a result carries: what it stands on and where it is thin. They are no errors."""

from __future__ import annotations

from datetime import UTC, datetime
from typing import TYPE_CHECKING

from matewindow import timegrid
from matewindow.paths import issued
from matewindow.words import day_month, percent, spans

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

    import numpy as np

    from matewindow.paths import Paths, Sources
    from matewindow.site import Site
    from matewindow.siteweather import SiteWeather

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
    site: Site,
    width: float,
    unknown: Sequence[np.datetime64],
) -> list[str]:
    """Say in plain words what weakens a result.

    Args:
        paths: what it was computed on.
        shares: of the prime window, by ``pathparts.ORIGINS``.
        sources: the weather behind it.
        now: aware.
        site: whose calendar dates are said by.
        width: width of the 5 to 95 % range of the main probability.
        unknown: days of the mating window that nothing covers.
    """
    said = list(sources.remarks)
    measured = shares["observed"] > 0.995
    if unknown:
        span = spans([site.civil_day(day) for day in unknown])
        said.append(f"No weather covers {span}: these days count as without flight, so the true odds are better.")
    if shares["past_years"] > MANY_PAST_YEARS:
        part = "The whole" if shares["past_years"] > 0.995 else f"{percent(shares['past_years'])} of the"
        said.append(f"{part} prime mating window lies beyond a forecast's reach: its odds are those of past years.")
    said += _past_caveats(paths, sources)
    if not measured:
        said += _forecast_caveats(paths, sources, now, site)
    said += _unjudged(sources)
    if width > WIDE_POINTS:
        said.append(f"The odds would move by up to {100 * width:.0f} points with another draw of years and members.")
    return [*said, *(note[0].upper() + note[1:] + "." for note in paths.notes)]


def _past_caveats(paths: Paths, sources: Sources) -> Iterator[str]:
    n_years = len(paths.years)
    if sources.past is not None and sources.past.provenance.kind == "typical":
        yield "Past weather is one typical year: it shows neither how years differ nor how bad a bad one is."
    elif 0 < n_years < FEW_YEARS:
        yield f"Only {n_years} past year{'s' if n_years > 1 else ''}; 20 or more are wanted."
    elif n_years == 0:
        yield "No past years for these dates: a forecast is taken at face value, beyond its edge nothing is known."
    if paths.trend_k > 0.05:
        yield f"Past years were warmed by {paths.trend_k:.1f} °C on average for the trend at this site."


def _forecast_caveats(paths: Paths, sources: Sources, now: datetime, site: Site) -> Iterator[str]:
    today = timegrid.solar_day_at(now, site.longitude)
    forecasts = [f for f in (sources.members, sources.run) if f is not None]
    if not forecasts:
        yield "No forecast was given."
        return
    if all(f.days[-1] < today for f in forecasts):
        yield "The forecast ends before today."
        return
    if all(issued(f, today) is None for f in forecasts):
        yield "The forecast begins or was made later than tomorrow and was not used."
        return
    for forecast in forecasts:
        yield from _age(forecast, now, today, site)
    if sources.members is None or paths.n_members < 2:
        yield "A single forecast run: it cannot show its own doubt."
    elif paths.n_members < FEW_MEMBERS:
        yield f"The ensemble has only {paths.n_members} members."


def _age(forecast: SiteWeather, now: datetime, today: np.datetime64, site: Site) -> Iterator[str]:
    """A warning if a forecast is old, or cannot tell when it was made and may be."""
    p, made = forecast.provenance, forecast.issued
    what = {"ensemble": "ensemble", "spread": "spread"}.get(p.kind, "forecast")
    if p.run_time is not None:
        hours = (now.astimezone(UTC) - p.run_time).total_seconds() / 3600.0
        if hours > OLD_FORECAST_H:
            yield f"The {what} of {p.source} is {hours:.0f} hours old."
    elif made is not None and made < today:
        days = int((today - made).astype(int))
        since = day_month(site.civil_day(made))
        yield f"The {what} does not say when it was made; it may be of {since}, {days} days ago, and is weighed so."


def _unjudged(sources: Sources) -> list[str]:
    said = []
    parts = {"observed": sources.observed, "forecast": sources.run, "ensemble": sources.members, "past": sources.past}
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
