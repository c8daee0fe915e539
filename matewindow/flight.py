"""Hourly weather to hours in which a virgin queen can fly to mate, and what spoiled the rest.

Pure functions over float64 arrays; no files, clocks or pandas. Every hour of a solar day gets a suitability in [0,
1], the
product of a temperature, a wind, a rain, a light and a time-of-day factor. The thresholds are published, the shapes of
the factors are judgement (``models/literature.md``). NaN stands for missing and stays missing through every factor.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import ceil
from typing import TYPE_CHECKING, Any

import numpy as np

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from matewindow.biology import Drones, Flight

    Floats = NDArray[np.float64]

CAUSES = ("cold", "heat", "wind", "rain", "light")

_FLOOR = 1e-12  # a factor of 0 counts as this when a loss is split, so that two causes that each forbid flight share it
_CHUNK = 4_096  # elements worked on at a time: a dozen scratch arrays of this size stay in the processor's cache


@dataclass(frozen=True)
class FlightDays:
    """Flight hours of solar days.

    Attributes:
        effective_h: effective flight hours at each level of pent-up drive, shape (..., n_days, n_levels); level 0 is
            a queen that flew yesterday.
        strict_h: hours that pass all strict limits, shape (..., n_days).
        window_h: length of the day's mating window in hours, shape (n_days,).
    """

    effective_h: Floats
    strict_h: Floats
    window_h: Floats


def pent_up_drops(flight: Flight) -> Floats:
    """How far the temperature midpoint is lowered after 0, 1, 2 … days shut in [°C], shape (n_levels,).

    Source: direction COLOSS BEEBOOK, behavioural studies 13.2; size is judgement.
    """
    if flight.pent_up_per_day_c == 0.0 or flight.pent_up_cap_c == 0.0:
        return np.zeros(1)
    n_levels = 1 + ceil(flight.pent_up_cap_c / flight.pent_up_per_day_c - 1e-9)
    return np.minimum(flight.pent_up_cap_c, flight.pent_up_per_day_c * np.arange(n_levels, dtype=np.float64))


def factors(
    temp_c: Floats,
    wind_ms: Floats,
    rain_mm: Floats | None,
    ghi_wm2: Floats | None,
    flight: Flight,
    *,
    exposure: float = 1.0,
    drop_c: float | Floats = 0.0,
) -> dict[str, Floats]:
    """The five weather factors of single hours, each in [0, 1], NaN where its input is.

    Args:
        temp_c: air temperature 2 m above ground [°C], any shape.
        wind_ms: wind speed 10 m above ground [m/s], same shape.
        rain_mm: rain in the hour [mm], same shape; None = not judged (factor 1).
        ghi_wm2: global horizontal irradiance [W/m²], same shape; None = not judged (factor 1).
        flight: thresholds.
        exposure: share of the 10 m wind that is met at flight height, 1 in the open, about 0.7 in shelter.
        drop_c: lowering of the temperature midpoint by pent-up drive [°C], broadcast against ``temp_c``.

    Returns:
        ``cold`` (logistic in temperature), ``heat``, ``wind``, ``rain``, ``light``.
    """
    one = np.ones(np.shape(temp_c))
    wind = np.asarray(wind_ms) * exposure
    return {
        "cold": 1.0 / (1.0 + np.exp(-flight.temp_slope_per_c * (temp_c - flight.temp_midpoint_c + drop_c))),
        "heat": _falling(np.asarray(temp_c), flight.heat_full_to_c, flight.heat_none_from_c),
        "wind": _falling(wind, flight.wind_full_to_ms, flight.wind_none_from_ms),
        "rain": one
        if rain_mm is None
        else _falling(np.asarray(rain_mm), flight.rain_full_to_mm, flight.rain_none_from_mm),
        "light": one
        if ghi_wm2 is None
        else _falling(np.asarray(ghi_wm2), flight.light_full_from_wm2, flight.light_none_to_wm2),
    }


def strict(
    temp_c: Floats,
    wind_ms: Floats,
    rain_mm: Floats | None,
    ghi_wm2: Floats | None,
    flight: Flight,
    *,
    exposure: float = 1.0,
) -> Floats:
    """1 where an hour passes every strict limit, 0 where not, NaN where an input is missing; arguments as ``factors``.

    Source: wind limit 24 km/h COLOSS BEEBOOK, queen rearing 2.2.1; the others are judgement within published spans.
    """
    good = (temp_c >= flight.strict_temp_c) & (wind_ms * exposure <= flight.wind_none_from_ms)
    missing = np.isnan(temp_c) | np.isnan(wind_ms)
    if rain_mm is not None:
        good &= rain_mm < flight.strict_rain_mm
        missing |= np.isnan(rain_mm)
    if ghi_wm2 is not None:
        good &= ghi_wm2 >= flight.light_none_to_wm2
        missing |= np.isnan(ghi_wm2)
    return np.where(missing, np.nan, good)


def flight_days(
    temp_c: Floats,
    wind_ms: Floats,
    rain_mm: Floats | None,
    ghi_wm2: Floats | None,
    share: Floats,
    inside: NDArray[np.bool_],
    flight: Flight,
    *,
    exposure: float = 1.0,
) -> FlightDays:
    """Flight hours of every solar day, over any leading axes (members, years, sites), in one pass.

    Only the hours that can lie in some day's window are read. A window hour with a missing input is missing; a day
    with more than one is missing (NaN), a day with just one is scaled up from the hours that are there.

    Args:
        temp_c, wind_ms, rain_mm, ghi_wm2: as in ``factors``, shape (..., n_days, n_hours); n_hours is 24, or fewer if
            only the hours around the window are there.
        share: part of each hour that lies in the day's mating window, (n_days, n_hours) or (..., n_days, n_hours).
        inside: whether the middle of the hour lies in it, same shape.
        flight: thresholds.
        exposure: as in ``factors``.
    """
    n_days, n_hours = temp_c.shape[-2:]
    lead = temp_c.shape[:-2]
    drops = pent_up_drops(flight)
    band = window_band(share)
    given = [None if a is None else a.reshape(-1, n_days, n_hours) for a in (temp_c, wind_ms, rain_mm, ghi_wm2)]
    n_series = int(np.prod(lead, dtype=np.int64))
    shares = _rows(share, lead)
    insides = _rows(inside, lead)
    effective_h = np.empty((n_series, n_days, len(drops)))
    strict_h = np.empty((n_series, n_days))
    step = max(1, _CHUNK // max(1, n_days))
    for start in range(0, n_series, step):
        rows = slice(start, start + step)
        temp, wind, rain, ghi = (None if a is None else _hours_first(a[rows], band) for a in given)
        assert temp is not None
        assert wind is not None
        part = slice(None) if shares.shape[0] == 1 else rows
        _sum_days(
            temp,
            wind,
            rain,
            ghi,
            _hours_first(shares[part], band),
            _hours_first(insides[part], band),
            flight,
            exposure,
            drops,
            effective_h[rows],
            strict_h[rows],
        )
    return FlightDays(
        effective_h.reshape(*lead, n_days, len(drops)), strict_h.reshape(*lead, n_days), share.sum(axis=-1)
    )


def losses(
    temp_c: Floats,
    wind_ms: Floats,
    rain_mm: Floats | None,
    ghi_wm2: Floats | None,
    share: Floats,
    flight: Flight,
    *,
    exposure: float = 1.0,
) -> Floats:
    """Hours of each day's window that were lost, by cause and by level of pent-up drive.

    An hour's loss is split in proportion to -log of its factors. Days with missing hours as in ``flight_days``.

    Returns:
        Shape (..., n_days, n_levels, n_causes) in hours, causes in the order of ``CAUSES``; over the causes they add up
        to the window's length minus the effective hours.
    """
    band = window_band(share)
    temp, wind, rain, ghi = (None if a is None else a[..., band] for a in (temp_c, wind_ms, rain_mm, ghi_wm2))
    assert temp is not None
    assert wind is not None
    weight = share[..., band]
    by_level = []
    for drop in pent_up_drops(flight):
        lost = hourly_losses(temp, wind, rain, ghi, weight, flight, exposure=exposure, drop_c=float(drop))
        by_level.append(_sum_with_gaps(lost, np.isnan(lost[..., 0]), weight))
    return np.stack(by_level, axis=-2)


def hourly_losses(
    temp_c: Floats,
    wind_ms: Floats,
    rain_mm: Floats | None,
    ghi_wm2: Floats | None,
    share: Floats,
    flight: Flight,
    *,
    exposure: float = 1.0,
    drop_c: float | Floats = 0.0,
) -> Floats:
    """What each hour lost, by cause: arguments as ``factors`` and ``flight_days``, hours on the last axis.

    Returns:
        Shape (..., n_hours, n_causes) in hours, in the order of ``CAUSES``; NaN where an input is missing.
    """
    f = factors(temp_c, wind_ms, rain_mm, ghi_wm2, flight, exposure=exposure, drop_c=drop_c)
    each = np.stack([f[cause] for cause in CAUSES])
    lost: Floats = np.clip(each, _FLOOR, 1.0)
    np.log(lost, out=lost)
    np.negative(lost, out=lost)
    total = lost.sum(axis=0)
    # where nothing is to blame the total is 0 and nothing was lost
    lost *= share * (1.0 - np.prod(each, axis=0)) / np.where(total == 0.0, 1.0, total)
    return np.moveaxis(lost, 0, -1)


def day_losses(
    temp_c: Floats,
    wind_ms: Floats,
    rain_mm: Floats | None,
    ghi_wm2: Floats | None,
    share: Floats,
    flight: Flight,
    level: NDArray[np.intp],
    *,
    exposure: float = 1.0,
) -> Floats:
    """As ``losses`` for single days, each at one level of pent-up drive: for the few that a result shows.

    Args:
        temp_c, wind_ms, rain_mm, ghi_wm2, share: shape (n, n_hours).
        flight, exposure: as in ``losses``.
        level: of each day, shape (n,).

    Returns:
        Shape (n, n_causes) in hours.
    """
    band = window_band(share)
    temp, wind, rain, ghi = (None if a is None else a[:, band] for a in (temp_c, wind_ms, rain_mm, ghi_wm2))
    assert temp is not None
    assert wind is not None
    weight, drop_c = share[:, band], pent_up_drops(flight)[level][:, None]
    lost = hourly_losses(temp, wind, rain, ghi, weight, flight, exposure=exposure, drop_c=drop_c)
    missing = np.isnan(lost[..., 0])
    return _sum_with_gaps(lost, missing, weight) if missing.any() else lost.sum(axis=-2)


def resolve_pent_up(effective_h: Floats, flight: Flight) -> tuple[Floats, NDArray[np.intp]]:
    """Follow the pent-up drive from day to day along each series.

    After b days in a row with fewer than ``pent_up_below_h`` effective hours (counted as lowered), level b applies.
    The drive
    before the first day is unknown and taken as none, so begin some days early. A missing day leaves the count as it
    is.

    Args:
        effective_h: shape (..., n_days, n_levels), from ``flight_days``.
        flight: thresholds.

    Returns:
        Effective hours of each day at its own level, shape (..., n_days), and that level, same shape.
    """
    n_days, n_levels = effective_h.shape[-2:]
    lead = effective_h.shape[:-2]
    table = effective_h.reshape(-1, n_days, n_levels)
    own = np.broadcast_to(np.arange(len(table)), (n_days, len(table)))
    hours, level = follow_pent_up(table, own, flight)
    return hours.T.reshape(*lead, n_days), level.T.reshape(*lead, n_days)


def follow_pent_up(effective_h: Floats, source: NDArray[np.intp], flight: Flight) -> tuple[Floats, NDArray[np.intp]]:
    """As ``resolve_pent_up``, along series that are spliced from others.

    Args:
        effective_h: of the series to splice from, shape (n_sources, n_days, n_levels).
        source: which of them each spliced series follows on each day, shape (n_days, n_series).
        flight: thresholds.

    Returns:
        Effective hours and level, both of shape (n_days, n_series).
    """
    n_sources, n_days, n_levels = effective_h.shape
    # of each day all sources and levels in a row: their hours, and the level of the next day
    table = np.ascontiguousarray(np.moveaxis(effective_h, 1, 0)).reshape(n_days, -1)
    level = np.tile(np.arange(n_levels), n_sources)
    after = np.where(table < flight.pent_up_below_h, np.minimum(level + 1, n_levels - 1), 0)
    np.copyto(after, level, where=np.isnan(table))
    hours, levels = np.empty(source.shape), np.zeros((n_days + 1, source.shape[1]), dtype=np.intp)
    for day, rows in enumerate(source):
        cell = rows * n_levels + levels[day]
        # no cell lies outside, and without looking for one it takes half the time
        table[day].take(cell, out=hours[day], mode="clip")
        after[day].take(cell, out=levels[day + 1], mode="clip")
    return hours, levels[:-1]


def drone_window_h(flight: Flight, drones: Drones) -> tuple[float, float]:
    """Start and end of the drones' day in apparent solar hours: they start before the queens and end after them.

    Source: COLOSS BEEBOOK, behavioural studies 13.2 (15 to 30 min earlier); Collison 2008.
    """
    start = flight.window_centre_h - flight.window_half_width_h - drones.start_earlier_min / 60.0
    end = flight.window_centre_h + flight.window_half_width_h + drones.end_later_min / 60.0
    return start, end


def _falling(x: Floats, full_to: float, none_from: float, *, out: Floats | None = None) -> Floats:
    """1 at and beyond ``full_to``, 0 at and beyond ``none_from`` on the other side, linear between; NaN stays NaN."""
    slope = 1.0 / (none_from - full_to)
    ramp = np.multiply(x, -slope, out=out)
    ramp += none_from * slope
    return np.clip(ramp, 0.0, 1.0, out=ramp)


def window_band(share: Floats) -> slice:
    """The smallest run of the hours that holds every hour with a share in some day's window."""
    used = np.flatnonzero((share > 0.0).reshape(-1, share.shape[-1]).any(axis=0))
    return slice(int(used[0]), int(used[-1]) + 1) if len(used) else slice(0, 0)


def _rows(mask: NDArray[Any], lead: tuple[int, ...]) -> NDArray[Any]:
    """Window shares as rows of days: one row for all series, or one for each."""
    if mask.ndim == 2:
        return mask[None]
    return np.broadcast_to(mask, (*lead, *mask.shape[-2:])).reshape(-1, *mask.shape[-2:])


def _hours_first(array: NDArray[Any], band: slice) -> NDArray[Any]:
    """(rows, days, 24) to (band, rows, days): sums over the hours then run over whole arrays."""
    return np.ascontiguousarray(np.moveaxis(array[..., band], -1, 0))


def _sum_days(
    temp: Floats,
    wind: Floats,
    rain: Floats | None,
    ghi: Floats | None,
    share: Floats,
    inside: NDArray[np.bool_],
    flight: Flight,
    exposure: float,
    drops: Floats,
    effective_h: Floats,
    strict_h: Floats,
) -> None:
    """Fill ``effective_h`` (rows, days, levels) and ``strict_h`` (rows, days) from hours-first arrays, in place.

    The same arithmetic as ``factors`` and ``strict``, written into two scratch arrays: this is the hot loop.
    """
    base, scratch = np.empty_like(temp), np.empty_like(temp)
    good = temp >= flight.strict_temp_c
    _falling(temp, flight.heat_full_to_c, flight.heat_none_from_c, out=base)
    base *= share
    good &= inside
    good &= np.less_equal(wind, flight.wind_none_from_ms / exposure)
    base *= _falling(wind, flight.wind_full_to_ms / exposure, flight.wind_none_from_ms / exposure, out=scratch)
    if rain is not None:
        good &= rain < flight.strict_rain_mm
        base *= _falling(rain, flight.rain_full_to_mm, flight.rain_none_from_mm, out=scratch)
    if ghi is not None:
        good &= ghi >= flight.light_none_to_wm2
        # the rising ramp is the falling one with its two ends exchanged
        base *= _falling(ghi, flight.light_full_from_wm2, flight.light_none_to_wm2, out=scratch)
    missing = np.isnan(base)
    gaps = bool(missing.any())
    # exp(-s (T - T50 + drop)) = exp(-s (T - T50)) exp(-s drop): one exponential serves every level
    cold = np.multiply(temp, -flight.temp_slope_per_c)
    cold += flight.temp_slope_per_c * flight.temp_midpoint_c
    np.exp(cold, out=cold)
    for level, drop in enumerate(drops):
        np.multiply(cold, np.exp(-flight.temp_slope_per_c * drop), out=scratch)
        scratch += 1.0
        np.divide(base, scratch, out=scratch)
        effective_h[..., level] = _sum_first(scratch, missing, share) if gaps else scratch.sum(axis=0)
    strict_h[...] = _sum_first(good, missing, share) if gaps else good.sum(axis=0)


def _sum_first(hourly: NDArray[Any], missing: NDArray[np.bool_], weight: Floats) -> Floats:
    """Sum over the first axis under the rule for missing hours."""
    weight = np.broadcast_to(weight, missing.shape)
    moved = np.moveaxis(hourly, 0, -1)[..., None]
    return _sum_with_gaps(moved, np.moveaxis(missing, 0, -1), np.moveaxis(weight, 0, -1))[..., 0]


def _sum_with_gaps(hourly: Floats, missing: NDArray[np.bool_], weight: Floats) -> Floats:
    """Sum (..., hours, k) over the hours: NaN with two or more missing window hours, scaled up with just one."""
    weight = np.broadcast_to(weight, missing.shape)
    lacking = missing & (weight > 0.0)
    present = np.where(lacking, 0.0, weight).sum(axis=-1)
    whole = weight.sum(axis=-1)
    sums = np.where((lacking | (weight == 0.0))[..., None], 0.0, hourly).sum(axis=-2)
    scale = np.divide(whole, present, out=np.full_like(whole, np.nan), where=present > 0.0)
    scale = np.where(lacking.sum(axis=-1) > 1, np.nan, scale)
    scaled: Floats = np.where(whole == 0.0, 0.0, scale)[..., None] * sums
    return scaled
