"""From a source's time stamps to hourly records that cover [t, t + 1 h)."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from collections.abc import Mapping

    from numpy.typing import NDArray

    Floats = NDArray[np.float64]
    Times = NDArray[np.datetime64]

HOUR = np.timedelta64(1, "h")
MAX_DAYS = 40
"""No source here forecasts further; a longer span of times is a broken file. [d]"""


def hour_records(
    times: NDArray[np.datetime64],
    *,
    instant: Mapping[str, Floats] | None = None,
    preceding: Mapping[str, Floats] | None = None,
    following: Mapping[str, Floats] | None = None,
) -> tuple[NDArray[np.datetime64], dict[str, Floats]]:
    """Bring values stamped in three ways onto hours that start at their time stamp.

    An instant value at *t* is the state at that moment: the hour [t, t + 1 h) gets the mean of its two ends. A
    preceding value at *t* belongs to [t - 1 h, t). A following value at *t* already belongs to [t, t + 1 h).

    Args:
        times: time stamps, UTC, increasing, whole hours; hours may be absent. Shape (n,).
        instant: name -> array (..., n) of instant values.
        preceding: name -> array (..., n) of sums or means of the hour before the stamp.
        following: name -> array (..., n) of sums or means of the hour after the stamp.

    Returns:
        Starts of the hours, shape (m,), and name -> array (..., m). The first hour starts one hour before the first
        stamp if there are preceding values; where an end of an hour is absent or NaN, its record is NaN.

    Example:
        >>> stamps = np.array(["2026-06-01T12", "2026-06-01T13"], dtype="datetime64[h]")
        >>> hours, records = hour_records(
        ...     stamps, instant={"temp_c": np.array([20.0, 22.0])}, preceding={"rain_mm": np.array([0.0, 1.5])}
        ... )
        >>> [str(h) for h in hours]
        ['2026-06-01T11', '2026-06-01T12', '2026-06-01T13']
        >>> records["temp_c"].tolist(), records["rain_mm"].tolist()
        ([nan, 21.0, nan], [0.0, 1.5, nan])
    """
    instant, preceding, following = instant or {}, preceding or {}, following or {}
    stamps = np.asarray(times).astype("datetime64[h]")
    first = stamps[0] - HOUR if preceding else stamps[0]
    hours = np.arange(first, stamps[-1] + HOUR, HOUR)
    slot = ((stamps - first) // HOUR).astype(np.intp)
    records: dict[str, Floats] = {}
    for name, values in instant.items():
        at = _spread(values, slot, len(hours) + 1)
        records[name] = 0.5 * (at[..., :-1] + at[..., 1:])
    for name, values in preceding.items():
        records[name] = _spread(values, slot - 1, len(hours))
    for name, values in following.items():
        records[name] = _spread(values, slot, len(hours))
    return hours, records


def hours_of(starts: Times, lengths: NDArray[np.int64], first: np.datetime64) -> NDArray[np.int64]:
    """Places of the hours of intervals in a series from ``first`` on.

    Args:
        starts: of the intervals, UTC, whole hours, shape (n_intervals,).
        lengths: of each, in hours, shape (n_intervals,).
        first: start of the series' first hour.

    Returns:
        Indices into the series, interval by interval, shape (sum of the lengths,).
    """
    offset = ((starts - first) // HOUR).astype(np.int64)
    within = np.arange(int(lengths.sum())) - np.repeat(np.cumsum(lengths) - lengths, lengths)
    return np.repeat(offset, lengths) + within


def _spread(values: Floats, slot: NDArray[np.intp], size: int) -> Floats:
    values = np.asarray(values, dtype=np.float64)
    wide = np.full((*values.shape[:-1], size), np.nan)
    wide[..., slot] = values
    return wide
