"""Hour by hour: what the weather of a site is or was good for, and what spoiled it."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import UTC, date, datetime, timedelta
from typing import TYPE_CHECKING

import numpy as np

from matewindow import sun
from matewindow.errors import RequestError
from matewindow.flight import CAUSES, factors, strict
from matewindow.outlook import solar_today
from matewindow.pastyears import past_day, year_rows
from matewindow.paths import forecast_weights, issued
from matewindow.timegrid import solar_day_start_hour

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from matewindow.biology import Biology
    from matewindow.paths import Sources
    from matewindow.site import Site
    from matewindow.siteweather import SiteWeather

    Floats = NDArray[np.float64]

MAX_DAYS = 60
_LEAST_SHARE = 0.02  # a minute of an hour is not shown


@dataclass(frozen=True)
class Hour:
    """One hour of the mating window; weather values are means over members or years, odds too.

    ``suitable`` is the effective share of the hour in [0, 1], ``strictly`` the chance that it passes every strict
    limit; both are None where the hour is missing. ``spoiled_by`` holds the hours lost by cause.
    """

    start: datetime
    share: float
    temp_c: float | None
    wind_ms: float | None
    rain_mm: float | None
    ghi_wm2: float | None
    suitable: float | None
    strictly: float | None
    spoiled_by: dict[str, float]


@dataclass(frozen=True)
class DayHours:
    """The window hours of one solar day, its daylight, and which part of the weather it comes from.

    ``forecast_weight`` is how much the forecast counts against past years on this day in the odds of a batch, 1 where
    there are no past years; None where the day stands on no forecast. The day's sums are None where more than one
    window hour is missing.
    """

    day: date
    origin: str
    n_series: int
    forecast_weight: float | None
    sunrise: datetime | None
    sunset: datetime | None
    daylight_h: float
    effective_hours: float | None
    strict_hours: float | None
    hours: list[Hour]


def hourly_outlook(
    site: Site, sources: Sources, first_day: date | None, n_days: int | None, now: datetime, biology: Biology
) -> list[DayHours]:
    """Judge the window hours of a span of days, each from the best part of the weather that knows it.

    Observation comes first (days before ``now``), then the ensemble, the single run, and past years. Pent-up drive
    is left out: this is a queen that could fly yesterday.

    Args:
        site, sources, now, biology: as in ``outlook.batch_outlook``.
        first_day: None = today.
        n_days: None = as far as the forecast goes, or 7 without one.

    Raises:
        RequestError: a span that is too long, or no weather for any of it.
    """
    today = solar_today(now, site)
    start = today if first_day is None else site.solar_day(first_day)
    if n_days is None:
        ends = [f.days[-1] for f in (sources.members, sources.run) if f is not None and f.days[-1] >= start]
        n_days = min(MAX_DAYS, int((max(ends) - start).astype(int)) + 1) if ends else 7
    if not 1 <= n_days <= MAX_DAYS:
        raise RequestError(f"{n_days} days", where="days", fix=f"Ask for 1 to {MAX_DAYS} days.")
    days = start + np.arange(n_days)
    light = sun.sunrise_sunset(site.latitude, site.longitude, days)
    weights = forecast_weights(sources, days, today, biology, site.exposure)
    if sources.past is None or not len(year_rows(sources.past, start, np.arange(n_days), today)[0]):
        weights = np.ceil(weights)  # at face value, as in the odds
    judged = [_judge_day(day, site, sources, today, biology) for day in days]
    if all(j is None for j in judged):
        raise RequestError(
            f"the weather holds nothing for {site.civil_day(days[0])} to {site.civil_day(days[-1])}",
            where="from",
            fix="Choose days that the forecast or the past years reach.",
        )
    out = []
    for i, (day, perhaps) in enumerate(zip(days, judged, strict=True)):
        found = perhaps or _Judged("nothing", 0, None, None, [])
        out.append(
            DayHours(
                day=site.civil_day(day),
                origin=found.origin,
                n_series=found.n_series,
                forecast_weight=float(weights[i]) if found.origin == "forecast" else None,
                sunrise=_local(light.sunrise[i], site),
                sunset=_local(light.sunset[i], site),
                daylight_h=float(light.daylight_h[i]),
                effective_hours=found.effective_h,
                strict_hours=found.strict_h,
                hours=found.hours,
            )
        )
    return out


def _judge_day(
    day: np.datetime64, site: Site, sources: Sources, today: np.datetime64, biology: Biology
) -> _Judged | None:
    """The hours of one day from the first part of the weather that knows the day, else from the one that knows any."""
    members = issued(sources.members, today)
    if members is not None and members.issued is not None and day < members.issued:
        members = None  # as in the paths: only a run's own analysis counts before it was made
    parts: list[tuple[str, SiteWeather | None]] = [
        ("observed", _only(sources.observed if day < today else None, day)),
        ("forecast", _only(members, day)),
        ("forecast", _only(issued(sources.run, today), day)),
        ("past_years", None if sources.past is None else past_day(sources.past, day, today, biology.forecast)),
    ]
    partly: _Judged | None = None
    for origin, weather in parts:
        if weather is None:
            continue
        judged = _judge(origin, weather, day, site, biology)
        if judged.effective_h is not None:
            return judged
        if partly is None and any(h.suitable is not None for h in judged.hours):
            partly = judged
    return partly


@dataclass(frozen=True)
class _Judged:
    origin: str
    n_series: int
    effective_h: float | None
    strict_h: float | None
    hours: list[Hour]


def _only(weather: SiteWeather | None, day: np.datetime64) -> SiteWeather | None:
    """One day of some weather; None where it does not reach."""
    if weather is None or not weather.days[0] <= day <= weather.days[-1]:
        return None
    return weather.on_days(np.array([int((day - weather.days[0]).astype(int))]))


def _judge(origin: str, weather: SiteWeather, day: np.datetime64, site: Site, biology: Biology) -> _Judged:
    """Judge one day of several series (members or years) and average over them."""
    flight, exposure = biology.flight, site.exposure
    inputs = weather.temp_c[:, 0], weather.wind_ms[:, 0], _first(weather.rain_mm), _first(weather.ghi_wm2)
    f = factors(*inputs, flight, exposure=exposure)
    product = np.prod(np.stack([f[c] for c in CAUSES]), axis=0)
    good = strict(*inputs, flight, exposure=exposure)
    share, inside = weather.share.reshape(-1, 24), weather.inside.reshape(-1, 24)
    lost, flown = weather.losses_by_hour(flight, exposure), weather.flight(flight, exposure)
    first = datetime.fromisoformat(str(day)).replace(tzinfo=UTC) + timedelta(hours=solar_day_start_hour(site.longitude))
    hours = [
        Hour(
            start=(first + timedelta(hours=int(h))).astimezone(site.zone),
            share=float(share[:, h].mean()),
            temp_c=_mean(inputs[0][:, h]),
            wind_ms=_mean(inputs[1][:, h]),
            rain_mm=None if inputs[2] is None else _mean(inputs[2][:, h]),
            ghi_wm2=None if inputs[3] is None else _mean(inputs[3][:, h]),
            suitable=_mean(share[:, h] * product[:, h]),
            strictly=_mean(np.where(inside[:, h], good[:, h], 0.0 * good[:, h])),
            spoiled_by={c: _mean(lost[:, h, i]) or 0.0 for i, c in enumerate(CAUSES)},
        )
        for h in np.flatnonzero((share > _LEAST_SHARE).any(axis=0))
    ]
    effective, strictly = _mean(flown.effective_h[:, 0, 0]), _mean(flown.strict_h[:, 0])
    return _Judged(origin, len(weather.temp_c), effective, strictly, hours)


def _first(values: Floats | None) -> Floats | None:
    return None if values is None else values[:, 0]


def _mean(values: Floats) -> float | None:
    """Mean over the series that know the hour; None if none does."""
    known = values[~np.isnan(values)]
    return float(known.mean()) if len(known) else None


def _local(instant: np.datetime64, site: Site) -> datetime | None:
    if np.isnat(instant):
        return None
    return datetime.fromisoformat(str(instant.astype("datetime64[s]"))).replace(tzinfo=UTC).astimezone(site.zone)
