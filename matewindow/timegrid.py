"""Solar days and solar hours on an hourly UTC grid.

Every site has its own fixed day: the *solar day* ``d`` is made of the 24 UTC hours whose middles fall between
two local mean-solar midnights, mean solar time being UTC + longitude / 15 h. Such a day never has 23 or 25
hours, noon always stands near its middle, and all years line up. An hour is known by its start and covers
[t, t + 1 h).

Two solar times are in use: *mean* (longitude alone) cuts the days; *apparent* (mean plus the equation of
time, what a sundial shows) sets the mating window of the day. The equation of time is passed in, see
``matewindow.sun``.

All times are UTC, as numpy ``datetime64`` of any unit; results are ``datetime64[D]`` for days.
"""

from __future__ import annotations

import math
from datetime import UTC
from typing import TYPE_CHECKING

import numpy as np

from matewindow.errors import InputError, ParameterError

if TYPE_CHECKING:
    from datetime import datetime

    from numpy.typing import ArrayLike, NDArray

HOURS_PER_DAY = 24
DEG_PER_HOUR = 15.0
"""The mean sun moves 360 degrees in 24 hours."""

_HOUR = np.timedelta64(1, "h")
_NIGHT_MARGIN_H = 1.0
"""A grid day begins up to 0.5 h from mean midnight and the equation of time stays under 0.3 h: a window that
keeps this far from midnight lies wholly inside its solar day."""


def solar_day_start_hour(longitude: float) -> int:
    """Give the UTC hour, counted from 00 UTC of date ``d``, at which the solar day ``d`` begins.

    An hour belongs to the solar day in which its middle lies. Where the middle falls exactly on mean-solar
    midnight (longitudes of 7.5, 22.5, ... degrees) the hour opens the new day.

    Args:
        longitude: degrees east, -180 to 180.

    Returns:
        Whole hours h0, from -12 (longitude 180) to 12 (longitude -180): the solar day covers
        [d + h0, d + h0 + 24 h) in UTC.

    Raises:
        InputError: the longitude is no number from -180 to 180.

    Example:
        >>> solar_day_start_hour(14.5), solar_day_start_hour(-105.2)
        (-1, 7)
    """
    if not -180.0 <= longitude <= 180.0:
        raise InputError(
            f"{longitude} is no longitude",
            where="longitude",
            fix="Give degrees east, from -180 to 180 (west is negative).",
        )
    # In mean solar time the middle of UTC hour h is h + 0.5 + longitude / 15; the first >= 0 opens the day.
    return math.ceil(-0.5 - longitude / DEG_PER_HOUR)


def solar_day_of(instant_utc: np.datetime64, longitude: float) -> np.datetime64:
    """Give the solar day whose 24 grid hours hold an instant.

    It is the day of the hour that the instant lies in, so that it agrees with the grid; within half an hour
    of midnight this may differ by one from the day that the mean sun itself would say.

    Args:
        instant_utc: UTC.
        longitude: degrees east, -180 to 180.

    Returns:
        ``datetime64[D]``; NaT stays NaT.
    """
    hour = instant_utc.astype("datetime64[h]")
    return np.datetime64(hour - solar_day_start_hour(longitude) * _HOUR, "D")


def solar_day_at(moment: datetime, longitude: float) -> np.datetime64:
    """Give the solar day whose 24 grid hours hold an aware time.

    Args:
        moment: aware.
        longitude: degrees east, -180 to 180.
    """
    return solar_day_of(np.datetime64(moment.astimezone(UTC).replace(tzinfo=None), "s"), longitude)


def solar_days(times: NDArray[np.datetime64], longitude: float) -> tuple[np.datetime64, int, int]:
    """Find the solar days that an unbroken hourly series touches.

    Args:
        times: starts of consecutive UTC hours, shape (n_hours,), at least one.
        longitude: degrees east, -180 to 180.

    Returns:
        The first solar day (``datetime64[D]``), the number of days, and the place of ``times[0]`` in the grid
        of ``n_days * 24`` hours (0 to 23).

    Raises:
        InputError: no hours, hours not whole, or not consecutive; names the first hour that is wrong.
    """
    start_hour = solar_day_start_hour(longitude)
    hours = _consecutive_hours(times)
    ends = hours[[0, -1]].astype(np.int64) - start_hour
    (first_day, last_day), (offset, _) = np.divmod(ends, HOURS_PER_DAY)
    return np.datetime64(int(first_day), "D"), int(last_day - first_day) + 1, int(offset)


def to_solar_days(
    times: NDArray[np.datetime64], values: ArrayLike, longitude: float
) -> tuple[NDArray[np.datetime64], NDArray[np.floating]]:
    """Lay an unbroken hourly series onto whole solar days.

    Args:
        times: starts of consecutive UTC hours, shape (n_hours,).
        values: any quantity on these hours, shape (..., n_hours). Floats keep their precision, other numbers
            become float64.
        longitude: degrees east, -180 to 180.

    Returns:
        The days, ``datetime64[D]`` of shape (n_days,), and the values, shape (..., n_days, 24). Hours of the
        first and last day that the series does not cover are NaN. If it covers both wholly, the result is a
        view on ``values``.

    Raises:
        InputError: as ``solar_days``, or the last axis of ``values`` is not as long as ``times``.
    """
    first_day, n_days, offset = solar_days(times, longitude)
    array = np.asarray(values)
    if not np.issubdtype(array.dtype, np.floating):
        array = array.astype(np.float64)
    n_hours = len(times)
    if array.ndim == 0 or array.shape[-1] != n_hours:
        raise InputError(
            f"values of shape {array.shape} do not fit {n_hours} hours",
            where="hourly series",
            fix="The last axis must hold one value per hour.",
        )
    days = first_day + np.arange(n_days)
    lead = array.shape[:-1]
    if n_hours != n_days * HOURS_PER_DAY:
        padded = np.full((*lead, n_days * HOURS_PER_DAY), np.nan, dtype=array.dtype)
        padded[..., offset : offset + n_hours] = array
        array = padded
    return days, array.reshape(*lead, n_days, HOURS_PER_DAY)


def apparent_solar_hours(
    days: NDArray[np.datetime64], longitude: float, equation_of_time_min: ArrayLike
) -> NDArray[np.float64]:
    """Give the apparent solar time at the start of each hour of each solar day.

    Apparent solar time = UTC + longitude / 15 h + equation of time.

    Args:
        days: solar days, shape (n_days,).
        longitude: degrees east, -180 to 180.
        equation_of_time_min: apparent minus mean solar time on each day, minutes, shape (n_days,).

    Returns:
        Hours, shape (n_days, 24). The first column lies within 0.8 h of 0, on either side, and each next one
        is 1 later, so the last may pass 24.

    Raises:
        InputError: the equation of time has another shape than the days.
    """
    equation_h = np.asarray(equation_of_time_min, dtype=np.float64) / 60.0
    if equation_h.shape != np.shape(days):
        raise InputError(
            f"{equation_h.shape} values of the equation of time for days of shape {np.shape(days)}",
            where="equation of time",
            fix="Give one value in minutes for each solar day.",
        )
    first_hour = solar_day_start_hour(longitude) + longitude / DEG_PER_HOUR + equation_h
    hours: NDArray[np.float64] = first_hour[:, np.newaxis] + np.arange(HOURS_PER_DAY)
    return hours


def window_share(
    days: NDArray[np.datetime64],
    longitude: float,
    equation_of_time_min: ArrayLike,
    centre_h: float = 14.0,
    half_width_h: float = 2.0,
) -> tuple[NDArray[np.float64], NDArray[np.bool_]]:
    """Tell how much of each hour lies within the daily window, which is set in apparent solar time.

    Args:
        days: solar days, shape (n_days,).
        longitude: degrees east, -180 to 180.
        equation_of_time_min: apparent minus mean solar time on each day, minutes, shape (n_days,).
        centre_h: middle of the window, apparent solar hours.
        half_width_h: from the middle to either end, hours.

    Returns:
        The share of each hour inside the window, 0 to 1, and whether the hour's middle lies inside, both of
        shape (n_days, 24). The shares of a day add up to ``2 * half_width_h``. The window is closed at its
        start and open at its end, so one of n whole hours always holds the middles of n hours, any other the
        next number up or down.

    Raises:
        ParameterError: the window is empty or comes within an hour of solar midnight.
        InputError: the equation of time has another shape than the days.
    """
    opens_h, closes_h = centre_h - half_width_h, centre_h + half_width_h
    if not (half_width_h > 0 and opens_h >= _NIGHT_MARGIN_H and closes_h <= HOURS_PER_DAY - _NIGHT_MARGIN_H):
        raise ParameterError(
            f"{centre_h} h ± {half_width_h} h is no window within one day",
            where="daily window",
            fix="Give a half width above 0 and keep the window between 1 and 23 h solar time.",
        )
    start_h = apparent_solar_hours(days, longitude, equation_of_time_min)
    share = np.clip(np.minimum(start_h + 1.0, closes_h) - np.maximum(start_h, opens_h), 0.0, 1.0)
    inside = (start_h + 0.5 >= opens_h) & (start_h + 0.5 < closes_h)
    return share, inside


def _consecutive_hours(times: NDArray[np.datetime64]) -> NDArray[np.datetime64]:
    """Return the times in whole hours, or say which of them breaks the series."""
    if len(times) == 0:
        raise InputError("no hours at all", where="hourly series", fix="Give at least one hour.")
    hours = times.astype("datetime64[h]")
    # NaT differs from itself, so it is caught here as well.
    if np.any(hours != times):
        raise InputError(
            f"{times[np.argmax(hours != times)]} is no full hour",
            where="hourly series",
            fix="Times must be starts of UTC hours.",
        )
    breaks = np.diff(hours) != _HOUR
    if np.any(breaks):
        place = int(np.argmax(breaks))
        raise InputError(
            f"{hours[place + 1]} follows {hours[place]}",
            where="hourly series",
            fix="Hours must follow one another; put NaN where a value is missing.",
        )
    return hours
