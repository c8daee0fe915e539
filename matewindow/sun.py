"""The sun at a site: equation of time, rising and setting, clear-sky radiation.

Thin over pvlib, whose NREL SPA (Reda and Andreas, NREL/TP-560-34302) gives the sun's place to 0.0003 degrees.
pvlib is imported only when a function is called: it takes longer to load than most answers take to compute.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from matewindow.errors import InputError

if TYPE_CHECKING:
    from numpy.typing import ArrayLike, NDArray

DELTA_T_S = 67.0
"""Terrestrial minus universal time, s: 64 to 70 from 2000 to now. 5 s more move no event here by 0.1 s."""
HORIZON_DEG = -0.8333
"""Height of the sun's centre when its upper edge is seen to rise: 34' refraction, 16' radius (SPA, A.2)."""
REFRACTION_DEG = 0.5667
"""Refraction at the horizon, degrees (SPA, 3.11)."""
AIR_TEMP_C = 12.0
"""Air temperature for refraction; 20 °C more or less turn a height of 10 degrees by 0.007 degrees."""
S_PER_DEG = 240.0
"""Seconds in which the mean sun moves one degree."""

_NODE_DAYS = 4
_DAY_S = 86400.0


@dataclass(frozen=True)
class SunTimes:
    """Rising, setting and noon of some solar days; all arrays have shape (n_days,).

    Attributes:
        sunrise: upper edge of the sun rises, UTC ``datetime64[s]``; NaT if it does not on that day.
        sunset: upper edge sets, likewise. May fall on another UTC date than the solar day's own.
        transit: the sun crosses the meridian (apparent noon), UTC ``datetime64[s]``; every day has one.
        daylight_h: hours from rising to setting; 24 where the sun stays up, 0 where it stays down.
    """

    sunrise: NDArray[np.datetime64]
    sunset: NDArray[np.datetime64]
    transit: NDArray[np.datetime64]
    daylight_h: NDArray[np.float64]


def equation_of_time_min(days: NDArray[np.datetime64]) -> NDArray[np.float64]:
    """Give apparent minus mean solar time at 12 UTC of each date.

    SPA is evaluated on every fourth date, counted from 1970-01-01, and a cubic through the four nearest joins
    them. That takes a third of the time, stays within 0.02 s of SPA, and a date's value does not depend on
    which others are asked for.

    Args:
        days: dates, shape (n_days,), in any order.

    Returns:
        Minutes, shape (n_days,); positive when the sundial is ahead of the clock (early November: +16.4).

    Raises:
        InputError: a date is missing (NaT).
    """
    number = _day_numbers(days)
    if number.size == 0:
        return np.empty(0)
    before, phase = np.divmod(number, _NODE_DAYS)
    first = before.min() - 1
    nodes = np.arange(first, before.max() + 3)
    at_nodes = _spa(nodes * (_NODE_DAYS * _DAY_S) + 0.5 * _DAY_S)[5]
    around = at_nodes[(before - first)[:, np.newaxis] + np.arange(-1, 3)]
    minutes: NDArray[np.float64] = np.einsum("ij,ij->i", around, _cubic_weights(phase / _NODE_DAYS))
    return minutes


def sunrise_sunset(latitude: float, longitude: float, days: NDArray[np.datetime64]) -> SunTimes:
    """Give rising, noon and setting of the sun on solar days of a place.

    The times belong to the solar day, not to a UTC date: noon is within 17 minutes of mean-solar noon of that
    day, rising comes before it and setting after it, also at the date line. Sea-level horizon, standard
    refraction. Whether the sun rises at all is judged by its declination at noon; on the one or two days a
    year on which it would rise and not set, or set and not rise, the missing event is put at solar midnight.

    Args:
        latitude: degrees north, -90 to 90.
        longitude: degrees east, -180 to 180.
        days: solar days, shape (n_days,), in any order.

    Returns:
        Times to the second, see ``SunTimes``.

    Raises:
        InputError: a latitude or longitude that is none, or a missing date.

    Source: hour angle of the rising sun as in SPA, A.2.4, iterated on SPA's own sun at the moment sought.
    pvlib's ready-made routine goes by UTC date and would skip or repeat a day beside the date line.
    """
    _check_place(latitude, longitude)
    mean_noon = _day_numbers(days) * _DAY_S + 0.5 * _DAY_S - longitude * S_PER_DEG
    transit = mean_noon - 60.0 * equation_of_time_min(days)
    # The equation of time holds for 12 UTC, which may be 12 hours (15 s of it) from noon here.
    hour_angle, declination = _hour_angle_and_declination(transit, longitude)
    transit = transit - hour_angle * S_PER_DEG

    cos_half_day = _cos_half_day(latitude, declination)
    side = np.array([[-1.0], [1.0]])
    event = transit + side * _arc_deg(cos_half_day) * S_PER_DEG
    for _ in range(3):
        hour_angle, declination = _hour_angle_and_declination(event, longitude)
        step = side * _arc_deg(_cos_half_day(latitude, declination)) - hour_angle
        event = event + _within_half_turn(step) * S_PER_DEG

    stays_up, stays_down = cos_half_day < -1.0, cos_half_day > 1.0
    sunrise, sunset = np.where(stays_up | stays_down, np.nan, event)
    daylight_h = np.select([stays_up, stays_down], [24.0, 0.0], (sunset - sunrise) / 3600.0)
    return SunTimes(_instants(sunrise), _instants(sunset), _instants(transit), daylight_h)


def sun_zenith_deg(
    latitude: float, longitude: float, elevation_m: float, instants: NDArray[np.datetime64]
) -> NDArray[np.float64]:
    """Give the apparent (refracted) angle of the sun from straight overhead.

    Args:
        latitude: degrees north, -90 to 90.
        longitude: degrees east, -180 to 180.
        elevation_m: metres above the sea; sets the air pressure by the standard atmosphere.
        instants: UTC, shape (n,).

    Returns:
        Degrees, 0 to 180, shape (n,).

    Source: NREL SPA, steps 3.1 to 3.14, through pvlib.
    """
    from pvlib import atmosphere

    _check_place(latitude, longitude)
    unix_s = instants.astype("datetime64[s]").astype(np.int64).astype(np.float64)
    pressure_hpa = atmosphere.alt2pres(elevation_m) / 100.0
    zenith: NDArray[np.float64] = _spa(unix_s, latitude, longitude, elevation_m, pressure_hpa)[0]
    return zenith


def clear_sky_ghi(
    latitude: float, longitude: float, elevation_m: float, times: NDArray[np.datetime64]
) -> NDArray[np.float64]:
    """Give the radiation on level ground under a cloudless sky, hour by hour.

    The sun of the middle of the hour stands for the whole hour. Haze is that usual for the place and month.

    Args:
        latitude: degrees north, -90 to 90.
        longitude: degrees east, -180 to 180.
        elevation_m: metres above the sea.
        times: starts of UTC hours, shape (n_hours,).

    Returns:
        W/m², shape (n_hours,); 0 when the sun is down at the middle of the hour.

    Source: Ineichen and Perez 2002, Solar Energy 73, 151-157, with the Linke turbidity climatology of Remund
    et al. 2003, both through pvlib.
    """
    from pvlib import atmosphere, clearsky, irradiance

    middle = (times.astype("datetime64[m]").astype(np.int64) + 30).astype("datetime64[m]")
    zenith = sun_zenith_deg(latitude, longitude, elevation_m, middle)
    up = zenith < 90.0
    middle, zenith = middle[up], zenith[up]
    airmass = atmosphere.get_absolute_airmass(atmosphere.get_relative_airmass(zenith), atmosphere.alt2pres(elevation_m))
    day_of_year = (middle.astype("datetime64[D]") - middle.astype("datetime64[Y]")).astype(np.int64) + 1
    sky = clearsky.ineichen(
        zenith,
        airmass,
        _linke_turbidity(latitude, longitude, middle),
        altitude=elevation_m,
        dni_extra=irradiance.get_extra_radiation(day_of_year),
    )
    ghi = np.zeros(up.shape)
    ghi[up] = sky["ghi"]
    return ghi


def cloudy_ghi(clear_ghi_wm2: ArrayLike, cloud_frac: ArrayLike) -> NDArray[np.float64]:
    """Lower clear-sky radiation by the share of the sky that clouds cover.

    Fitted to ten years at Hamburg over all kinds of cloud; thin high cloud takes less, thick low cloud more.

    Args:
        clear_ghi_wm2: clear-sky radiation on level ground, W/m², any shape.
        cloud_frac: total cloud cover, 0 to 1, a shape that fits.

    Returns:
        W/m²; NaN where either is missing.

    Raises:
        InputError: cover outside 0 to 1, as when percent or oktas are given.

    Source: Kasten and Czeplak 1980, Solar Energy 24, 177-189: G = G0 (1 - 0.75 (N/8)^3.4).
    """
    cover = np.asarray(cloud_frac, dtype=np.float64)
    outside = (cover < 0.0) | (cover > 1.0)
    if np.any(outside):
        raise InputError(
            f"a cloud cover of {cover[outside].flat[0]:g}",
            where="cloud cover",
            fix="Give a fraction from 0 to 1: divide percent by 100, oktas by 8.",
        )
    return np.asarray(clear_ghi_wm2, dtype=np.float64) * (1.0 - 0.75 * cover**3.4)


def _spa(
    unix_s: NDArray[np.float64],
    latitude: float = 0.0,
    longitude: float = 0.0,
    elevation_m: float = 0.0,
    pressure_hpa: float = 1013.25,
) -> NDArray[np.float64]:
    """Apparent and true zenith and height, azimuth (all degrees), equation of time (min): shape (6, n)."""
    from pvlib import spa

    place = (latitude, longitude, elevation_m, pressure_hpa, AIR_TEMP_C)
    result: NDArray[np.float64] = spa.solar_position(unix_s, *place, DELTA_T_S, REFRACTION_DEG, 1)
    return result


def _hour_angle_and_declination(
    unix_s: NDArray[np.float64], longitude: float
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Angle past the meridian (-180 to 180) and declination of the sun, degrees, shapes as given."""
    from pvlib import spa

    flat = spa.solar_position(unix_s.ravel(), 0, 0, 0, 0, 0, DELTA_T_S, 0, 1, sst=True)
    sidereal, right_ascension, declination = (row.reshape(unix_s.shape) for row in flat[:3])
    return _within_half_turn(sidereal + longitude - right_ascension), declination


def _linke_turbidity(latitude: float, longitude: float, instants: NDArray[np.datetime64]) -> NDArray[np.float64]:
    """Haze usual for the place, from monthly means taken to hold in mid-month.

    pvlib would interpolate as well, but by a pandas attribute that is deprecated from pandas 3.1.
    """
    import pandas as pd
    from pvlib import clearsky

    any_year = pd.DatetimeIndex(np.arange("2001-01", "2002-01", dtype="datetime64[M]").astype("datetime64[s]"))
    monthly = clearsky.lookup_linke_turbidity(any_year, latitude, longitude, interp_turbidity=False).to_numpy()
    month = instants.astype("datetime64[M]")
    elapsed = (instants - month) / ((month + np.timedelta64(1, "M")).astype(instants.dtype) - month)
    months = month.astype(np.int64) % 12 + elapsed
    turbidity: NDArray[np.float64] = np.interp(months, np.arange(12) + 0.5, monthly, period=12)
    return turbidity


def _cos_half_day(latitude: float, declination_deg: NDArray[np.float64]) -> NDArray[np.float64]:
    """Cosine of the hour angle at which the sun rises; below -1 it stays up, above 1 it stays down."""
    phi, delta = np.radians(latitude), np.radians(declination_deg)
    height = np.sin(np.radians(HORIZON_DEG)) - np.sin(phi) * np.sin(delta)
    cosine: NDArray[np.float64] = height / (np.cos(phi) * np.cos(delta))
    return cosine


def _arc_deg(cosine: NDArray[np.float64]) -> NDArray[np.float64]:
    angle: NDArray[np.float64] = np.degrees(np.arccos(np.clip(cosine, -1.0, 1.0)))
    return angle


def _within_half_turn(angle_deg: NDArray[np.float64]) -> NDArray[np.float64]:
    return (angle_deg + 180.0) % 360.0 - 180.0


def _cubic_weights(t: NDArray[np.float64]) -> NDArray[np.float64]:
    """Lagrange weights of nodes at -1, 0, 1 and 2 for a place ``t`` in [0, 1), shape (n, 4)."""
    return np.stack(
        [
            -t * (t - 1) * (t - 2) / 6,
            (t + 1) * (t - 1) * (t - 2) / 2,
            -(t + 1) * t * (t - 2) / 2,
            (t + 1) * t * (t - 1) / 6,
        ],
        axis=-1,
    )


def _day_numbers(days: NDArray[np.datetime64]) -> NDArray[np.int64]:
    """Whole days since 1970-01-01."""
    dates = np.asarray(days, dtype="datetime64[D]")
    if np.any(np.isnat(dates)):
        raise InputError("a date is missing", where="days", fix="Give a date for every day.")
    return dates.astype(np.int64)


def _instants(unix_s: NDArray[np.float64]) -> NDArray[np.datetime64]:
    """To the nearest second; NaN becomes NaT."""
    known = np.isfinite(unix_s)
    whole = np.rint(np.where(known, unix_s, 0.0)).astype(np.int64).astype("datetime64[s]")
    return np.where(known, whole, np.datetime64("NaT", "s"))


def _check_place(latitude: float, longitude: float) -> None:
    if not (-90.0 <= latitude <= 90.0 and -180.0 <= longitude <= 180.0):
        raise InputError(
            f"latitude {latitude}, longitude {longitude} is no place on earth",
            where="position",
            fix="Give degrees north (-90 to 90) and east (-180 to 180).",
        )
