"""Hourly flight suitability, one hour at a time: the plain second version that the kernel is tested against.

Every default is the project's own choice within the range that the literature supports (the thresholds of
temperature, wind and light have published sources, the shapes between them are judgement). Nothing here
imports `matewindow`.
"""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

CAUSES = ("cold", "heat", "wind", "rain", "light")

# A factor of 0 would cost infinitely much; this floor makes it cost -log(1e-12), about 27.6.
FACTOR_FLOOR = 1e-12

DEFAULT_PARAMS: dict[str, float] = {
    "t50_c": 19.0,  # half of the queens fly
    "t_slope_per_c": 0.9,
    "heat_full_c": 32.0,  # up to here heat costs nothing
    "heat_zero_c": 40.0,
    "wind_full_ms": 3.0,
    "wind_zero_ms": 6.7,
    "exposure": 1.0,  # wind at flight height over wind at 10 m
    "rain_full_mm": 0.05,
    "rain_zero_mm": 0.3,
    "ghi_zero_wm2": 100.0,
    "ghi_full_wm2": 300.0,
    "strict_temp_c": 18.0,
    "strict_wind_ms": 6.7,
    "strict_rain_mm": 0.1,
    "strict_ghi_wm2": 100.0,
    "pent_up_below_h": 0.75,
    "pent_up_step_c": 0.4,
    "pent_up_cap_c": 2.0,
}


def ramp(value: float, *, start: float, end: float) -> float:
    """How far `value` has come from `start` (0) to `end` (1), held at 0 and 1 outside. [-]"""
    if value <= start:
        return 0.0
    if value >= end:
        return 1.0
    return (value - start) / (end - start)


def hour_factors(
    temp_c: float,
    wind_ms: float,
    rain_mm: float | None,
    ghi_wm2: float | None,
    *,
    params: Mapping[str, float],
    t50_drop: float,
) -> dict[str, float]:
    """The five weather factors of one hour, each in [0, 1], keyed by the cause they stand for.

    Args:
        temp_c: Air temperature at 2 m. [°C]
        wind_ms: Wind speed at 10 m. [m/s]
        rain_mm: Rain in the hour, None where rain is not judged. [mm]
        ghi_wm2: Global horizontal irradiance, None where light is not judged. [W/m²]
        params: Thresholds, as in `DEFAULT_PARAMS`.
        t50_drop: How far pent-up flight lowers T50. [K]
    """
    midpoint_c = params["t50_c"] - t50_drop
    flight_wind_ms = wind_ms * params["exposure"]
    rain_factor = 1.0
    if rain_mm is not None:
        rain_factor = 1.0 - ramp(rain_mm, start=params["rain_full_mm"], end=params["rain_zero_mm"])
    light_factor = 1.0
    if ghi_wm2 is not None:
        light_factor = ramp(ghi_wm2, start=params["ghi_zero_wm2"], end=params["ghi_full_wm2"])
    return {
        "cold": 1.0 / (1.0 + math.exp(-params["t_slope_per_c"] * (temp_c - midpoint_c))),
        "heat": 1.0 - ramp(temp_c, start=params["heat_full_c"], end=params["heat_zero_c"]),
        "wind": 1.0 - ramp(flight_wind_ms, start=params["wind_full_ms"], end=params["wind_zero_ms"]),
        "rain": rain_factor,
        "light": light_factor,
    }


def split_loss(lost: float, factors: Mapping[str, float]) -> dict[str, float]:
    """Share out the `lost` part of an hour over the causes, in proportion to -log of each factor. [h]"""
    weights = {cause: -math.log(max(factors[cause], FACTOR_FLOOR)) for cause in CAUSES}
    total = math.fsum(weights.values())
    if total == 0.0:
        return dict.fromkeys(CAUSES, 0.0)
    return {cause: lost * weights[cause] / total for cause in CAUSES}


def is_strict_hour(
    temp_c: float, wind_ms: float, rain_mm: float | None, ghi_wm2: float | None, params: Mapping[str, float]
) -> bool:
    """Whether every yes-or-no condition on the weather holds; a variable that is not judged passes."""
    if temp_c < params["strict_temp_c"]:
        return False
    if wind_ms * params["exposure"] > params["strict_wind_ms"]:
        return False
    if rain_mm is not None and rain_mm >= params["strict_rain_mm"]:
        return False
    return ghi_wm2 is None or ghi_wm2 >= params["strict_ghi_wm2"]


def naive_day(
    temp_c: Sequence[float],
    wind_ms: Sequence[float],
    rain_mm: Sequence[float] | None,
    ghi_wm2: Sequence[float] | None,
    share: Sequence[float],
    inside: Sequence[bool],
    params: Mapping[str, float],
    t50_drop: float,
) -> dict[str, float]:
    """One solar day's flight hours and what spoiled the rest, hour by hour.

    Args:
        temp_c: Air temperature at 2 m. [°C], 24 values
        wind_ms: Wind speed at 10 m. [m/s], 24 values
        rain_mm: Rain in the hour, or None if not judged. [mm], 24 values
        ghi_wm2: Global horizontal irradiance, or None if not judged. [W/m²], 24 values
        share: The part of each hour that lies in the mating window. [-], 24 values
        inside: Whether the middle of each hour lies in the window. 24 values
        params: Thresholds, as in `DEFAULT_PARAMS`.
        t50_drop: How far pent-up flight lowers T50. [K]

    Returns:
        `effective`, `strict`, `window` (the sum of the shares) and the loss by each of `CAUSES`, all in
        hours. One missing window hour is made up for by scaling; with more than one every value is NaN.
    """
    sums = dict.fromkeys(("effective", "strict", *CAUSES), 0.0)
    window = 0.0
    present = 0.0
    missing_hours = 0
    for hour in range(24):
        if share[hour] <= 0.0:
            continue
        window += share[hour]
        rain = None if rain_mm is None else rain_mm[hour]
        ghi = None if ghi_wm2 is None else ghi_wm2[hour]
        judged = [value for value in (temp_c[hour], wind_ms[hour], rain, ghi) if value is not None]
        if any(math.isnan(value) for value in judged):
            missing_hours += 1
            continue
        present += share[hour]
        factors = hour_factors(temp_c[hour], wind_ms[hour], rain, ghi, params=params, t50_drop=t50_drop)
        effective = math.prod(factors.values()) * share[hour]
        sums["effective"] += effective
        for cause, lost in split_loss(share[hour] - effective, factors).items():
            sums[cause] += lost
        if inside[hour] and is_strict_hour(temp_c[hour], wind_ms[hour], rain, ghi, params):
            sums["strict"] += 1.0

    if missing_hours > 1 or (missing_hours == 1 and present == 0.0):
        return dict.fromkeys((*sums, "window"), math.nan)
    if missing_hours == 1:
        sums = {name: value * window / present for name, value in sums.items()}
    return {**sums, "window": window}


def naive_pent_up(
    daily_hours_at_level: Sequence[Sequence[float]], params: Mapping[str, float] = DEFAULT_PARAMS
) -> list[tuple[float, float]]:
    """Walk through the days and pick each one's hours at the lowering of T50 then in force.

    Args:
        daily_hours_at_level: Effective hours with T50 lowered by 0, 1, ... 5 steps. [h], shape (days, 6)
        params: Thresholds, as in `DEFAULT_PARAMS`.

    Returns:
        For each day its effective hours [h] and the lowering that they were taken at [K]. A missing day
        has NaN hours, keeps the lowering it met, and neither breaks nor lengthens the run of poor days.
    """
    result: list[tuple[float, float]] = []
    poor_days = 0
    for levels in daily_hours_at_level:
        hours = levels[min(5, poor_days)]
        result.append((hours, min(params["pent_up_cap_c"], params["pent_up_step_c"] * poor_days)))
        if math.isnan(hours):
            continue
        poor_days = poor_days + 1 if hours < params["pent_up_below_h"] else 0
    return result
