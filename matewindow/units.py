"""Conversions to the SI units used inside, back to those that people read, and the words in which wind is read.

What comes in is converted as numbers or arrays, what goes out as single numbers; NaN stays NaN.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from matewindow.errors import InputError

if TYPE_CHECKING:
    from numpy.typing import ArrayLike, NDArray

MS_PER_KMH = 1.0 / 3.6
MS_PER_MPH = 0.44704
"""International mile of 1609.344 m, exact."""
MS_PER_KNOT = 1852.0 / 3600.0
"""International nautical mile of 1852 m, exact."""
MM_PER_INCH = 25.4
M_PER_FOOT = 0.3048

BEAUFORT_FROM_MS = (0.3, 1.6, 3.4, 5.5, 8.0, 10.8, 13.9, 17.2, 20.8, 24.5, 28.5, 32.7)
"""Lowest wind of forces 1 to 12, m/s, 10-minute mean at 10 m in the open (WMO-No. 8, Beaufort scale)."""
BEAUFORT_NAMES = (
    "calm",
    "light air",
    "light breeze",
    "gentle breeze",
    "moderate breeze",
    "fresh breeze",
    "strong breeze",
    "near gale",
    "gale",
    "strong gale",
    "storm",
    "violent storm",
    "hurricane",
)
"""Names of forces 0 to 12 (WMO-No. 8)."""


def kmh_to_ms(wind_kmh: ArrayLike) -> NDArray[np.float64]:
    """Convert km/h to m/s."""
    return _floats(wind_kmh) * MS_PER_KMH


def mph_to_ms(wind_mph: ArrayLike) -> NDArray[np.float64]:
    """Convert statute miles per hour to m/s."""
    return _floats(wind_mph) * MS_PER_MPH


def knots_to_ms(wind_kn: ArrayLike) -> NDArray[np.float64]:
    """Convert knots to m/s."""
    return _floats(wind_kn) * MS_PER_KNOT


def fahrenheit_to_c(temp_f: ArrayLike) -> NDArray[np.float64]:
    """Convert °F to °C."""
    return (_floats(temp_f) - 32.0) / 1.8


def inches_to_mm(depth_in: ArrayLike) -> NDArray[np.float64]:
    """Convert inches to mm, for rain."""
    return _floats(depth_in) * MM_PER_INCH


def c_to_fahrenheit(temp_c: float) -> float:
    """Convert °C to °F."""
    return temp_c * 1.8 + 32.0


def ms_to_mph(wind_ms: float) -> float:
    """Convert m/s to statute miles per hour."""
    return wind_ms / MS_PER_MPH


def mm_to_inches(depth_mm: float) -> float:
    """Convert mm to inches, for rain."""
    return depth_mm / MM_PER_INCH


def m_to_feet(length_m: float) -> float:
    """Convert metres to feet."""
    return length_m / M_PER_FOOT


def beaufort(wind_ms: ArrayLike) -> NDArray[np.float64]:
    """Give the Beaufort force of a wind.

    The printed classes leave gaps (0.2 to 0.3 m/s and so on); here each class reaches up to where the next
    one starts.

    Args:
        wind_ms: 10-minute mean wind 10 m above open ground, m/s, any shape.

    Returns:
        Whole numbers 0 to 12 as floats, same shape; NaN where the wind is missing.

    Raises:
        InputError: a negative wind.

    Source: WMO-No. 8, Guide to Instruments and Methods of Observation, Beaufort scale.
    """
    wind = _floats(wind_ms)
    if np.any(wind < 0):
        raise InputError(f"a wind of {np.nanmin(wind):g} m/s", where="wind", fix="A wind speed is 0 or more.")
    force = np.searchsorted(BEAUFORT_FROM_MS, wind, side="right").astype(np.float64)
    return np.where(np.isnan(wind), np.nan, force)


def beaufort_name(force: int) -> str:
    """Give the name of a Beaufort force from 0 to 12, such as ``gentle breeze`` for 3.

    Raises:
        InputError: there is no such force.
    """
    if not 0 <= force < len(BEAUFORT_NAMES):
        raise InputError(f"there is no Beaufort force {force}", where="wind", fix="Forces go from 0 to 12.")
    return BEAUFORT_NAMES[force]


def short_grass_wind(u_ms: ArrayLike, z_m: float) -> NDArray[np.float64]:
    """Bring a wind measured at some height over short grass to 2 m above the same grass.

    The logarithmic profile holds over open, mown ground only. It says nothing about a nuc behind a hedge, in
    an orchard or on a roof, where the wind is neither this nor a fixed share of it.

    Args:
        u_ms: wind at height ``z_m``, m/s, any shape.
        z_m: height of the wind above ground, m, 0.5 to 100.

    Returns:
        Wind at 2 m, m/s, same shape.

    Raises:
        InputError: a height outside the profile's use.

    Source: Allen et al. 1998, FAO Irrigation and Drainage Paper 56, eq. 47.
    """
    if not 0.5 <= z_m <= 100.0:
        raise InputError(f"a wind height of {z_m} m", where="wind", fix="Give the height above ground, 0.5 to 100 m.")
    return _floats(u_ms) * float(4.87 / np.log(67.8 * z_m - 5.42))


def _floats(values: ArrayLike) -> NDArray[np.float64]:
    return np.asarray(values, dtype=np.float64)
