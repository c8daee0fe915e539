"""The product's parameters under the names of the reference implementations, so that both run on the same numbers."""

from __future__ import annotations

from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from matewindow.biology import Biology, Flight


def naive_params(flight: Flight, exposure: float = 1.0) -> dict[str, float]:
    """For ``naive_flight``: thresholds, and the share of the wind that is met at flight height."""
    return {
        "t50_c": flight.temp_midpoint_c,
        "t_slope_per_c": flight.temp_slope_per_c,
        "heat_full_c": flight.heat_full_to_c,
        "heat_zero_c": flight.heat_none_from_c,
        "wind_full_ms": flight.wind_full_to_ms,
        "wind_zero_ms": flight.wind_none_from_ms,
        "exposure": exposure,
        "rain_full_mm": flight.rain_full_to_mm,
        "rain_zero_mm": flight.rain_none_from_mm,
        "ghi_zero_wm2": flight.light_none_to_wm2,
        "ghi_full_wm2": flight.light_full_from_wm2,
        "strict_temp_c": flight.strict_temp_c,
        "strict_wind_ms": flight.wind_none_from_ms,
        "strict_rain_mm": flight.strict_rain_mm,
        "strict_ghi_wm2": flight.light_none_to_wm2,
        "pent_up_below_h": flight.pent_up_below_h,
        "pent_up_step_c": flight.pent_up_per_day_c,
        "pent_up_cap_c": flight.pent_up_cap_c,
    }


def reference_params(biology: Biology) -> dict[str, float]:
    """For ``queen_by_queen``, whose earliest maturity is the chain's earliest flight age."""
    m, lay = biology.mating, biology.laying
    return {
        "maturity_mean_d": m.maturity_age_d,
        "maturity_sd_d": m.maturity_sd_d,
        "earliest_age_d": m.earliest_flight_age_d,
        "rate_per_hour": m.flight_rate_per_h,
        "age_full_d": m.full_drive_to_age_d,
        "age_late_d": m.late_age_d,
        "age_late_factor": m.drive_at_late_age,
        "age_over_d": m.end_age_d,
        "loss_per_flight": m.loss_per_flight,
        "needs_1": m.one_flight_share,
        "needs_2": m.two_flight_share,
        "needs_3": m.three_flight_share,
        "settle_after_d": m.settle_after_d,
        "lag_mean_d": lay.lag_d,
        "lag_sd_d": lay.lag_sd_d,
        "lag_min_d": lay.lag_min_d,
    }
