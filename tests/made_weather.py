"""Invented weather on solar days, for tests of what is built on it.

``by_hours`` gives every day as many flight hours as wanted; ``changeable`` looks like weather. Both have a mating
window of four whole hours, 12 to 16, so that sums can be worked out by hand.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np

from matewindow.site import Site
from matewindow.siteweather import SiteWeather
from matewindow.weather.normal import Provenance

if TYPE_CHECKING:
    from numpy.typing import ArrayLike, NDArray

    from matewindow.weather.normal import Kind

    Floats = NDArray[np.float64]

WINDOW_H = 4.0
WARM_C = 30.0  # at 30 °C cold costs 5 parts in 100,000 and heat nothing


def stand(**changes: Any) -> Site:
    """An invented site on the meridian, where solar days are UTC days."""
    values: dict[str, Any] = {
        "name": "Test stand (invented)",
        "latitude": 52.0,
        "longitude": 0.0,
        "elevation_m": 50.0,
        "timezone": "Europe/London",
    }
    return Site(**{**values, **changes})


def window(n_days: int) -> tuple[Floats, NDArray[np.bool_]]:
    """The four hours from 12 to 16 as shares of each hour, and which hours have their middle in them."""
    share = np.zeros((n_days, 24))
    share[:, 12:16] = 1.0
    return share, share > 0.5


def made_on(kind: Kind, first_day: str, issued: str | None) -> np.datetime64 | None:
    """The day a forecast was made: its first one unless told otherwise. Records were not made on a day."""
    forecast = kind in ("forecast", "ensemble", "spread")
    return np.datetime64(issued or first_day, "D") if forecast else None


def by_hours(
    first_day: str,
    hours: ArrayLike,
    *,
    kind: Kind = "observation",
    temp_c: float = WARM_C,
    issued: str | None = None,
) -> SiteWeather:
    """Warm, dry, calm days whose light lets queens fly for the hours given.

    Args:
        first_day: ISO date.
        hours: 0 to 4, NaN for a missing day, shape (n_days,) or (n_series, n_days).
        kind: of the source.
        temp_c: of every hour.
        issued: day on which a forecast was made; None = its first day.
    """
    wanted = np.atleast_2d(np.asarray(hours, dtype=np.float64))
    n_days = wanted.shape[1]
    each_hour = np.repeat(wanted[:, :, None], 24, axis=2)
    share, inside = window(n_days)
    return SiteWeather(
        days=np.datetime64(first_day, "D") + np.arange(n_days),
        temp_c=np.full_like(each_hour, temp_c),
        wind_ms=np.zeros_like(each_hour),
        rain_mm=np.zeros_like(each_hour),
        ghi_wm2=100.0 + 200.0 * each_hour / WINDOW_H,  # light counts from 100 W/m², fully at 300
        share=share,
        inside=inside,
        provenance=Provenance("invented", kind, "none"),
        issued=made_on(kind, first_day, issued),
    )


def changeable(
    first_day: str,
    n_days: int,
    rng: np.random.Generator,
    *,
    n_series: int = 1,
    kind: Kind = "observation",
    warmth_c: float = 19.0,
    issued: str | None = None,
) -> SiteWeather:
    """Weather with spells: warm and cool, still and windy, dry and wet days that last for some days each."""
    mood = np.empty((n_series, n_days))
    mood[:, 0] = rng.normal(size=n_series)
    for day in range(1, n_days):
        mood[:, day] = 0.7 * mood[:, day - 1] + np.sqrt(1.0 - 0.7**2) * rng.normal(size=n_series)
    shape = (n_series, n_days, 24)
    hour = np.arange(24)
    temp = (
        warmth_c
        - 3.0
        + 4.0 * mood[..., None]
        + 4.0 * np.cos(2.0 * np.pi * (hour - 15) / 24)
        + rng.normal(0, 0.7, shape)
    )
    wind = rng.gamma(3.0, 1.2, shape) * np.exp(-0.25 * mood[..., None])
    wet = rng.random(shape) < 0.25 / (1.0 + np.exp(2.0 * mood[..., None]))
    light = np.maximum(0.0, 850.0 * np.sin(np.pi * (hour - 4) / 16)) * (hour > 4) * (hour < 20)
    cloud = np.clip(0.55 - 0.25 * mood[..., None] + rng.normal(0, 0.2, shape), 0.0, 1.0)
    share, inside = window(n_days)
    return SiteWeather(
        days=np.datetime64(first_day, "D") + np.arange(n_days),
        temp_c=temp,
        wind_ms=wind,
        rain_mm=np.where(wet, rng.exponential(0.6, shape), 0.0),
        ghi_wm2=light * (1.0 - 0.75 * cloud**3.4),
        share=share,
        inside=inside,
        provenance=Provenance("invented", kind, "none"),
        issued=made_on(kind, first_day, issued),
    )
