"""The one normal form of hourly weather, and the checks that everything passes on its way in.

A record at time *t* (UTC) covers the hour [t, t + 1 h). Temperature, wind and cloud are means over that hour,
rain is its sum, radiation its mean. Nothing here knows which source a record came from; the readers beside this
module bring their source's own conventions to this form.
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING, Any, Literal

import numpy as np
import pandas as pd

from matewindow.errors import WeatherFileError

if TYPE_CHECKING:
    from collections.abc import Mapping
    from datetime import datetime

    from numpy.typing import NDArray

    Floats = NDArray[np.float64]

HOUR = np.timedelta64(1, "h")

Kind = Literal["forecast", "ensemble", "spread", "analysis", "observation", "typical"]
"""``spread`` is a pseudo-ensemble made from percentiles or expected errors: less worth than true members."""


@dataclass(frozen=True)
class Variable:
    """One column of the normal form: its unit, its possible range and how it fills its hour."""

    name: str
    unit: str
    low: float
    high: float
    meaning: str


# Ranges are wider than any weather on record (WMO archive of extremes: air temperature -89.2 to 56.7 °C, rain in
# an hour 305 mm, gusts above 100 m/s only in tornadoes and one cyclone; values from memory), so that a value
# outside them is a broken file and not a rare day.
VARIABLES: dict[str, Variable] = {
    v.name: v
    for v in (
        Variable("temp_c", "°C", -90.0, 60.0, "air temperature 2 m above ground, mean of the hour"),
        Variable("wind_ms", "m/s", 0.0, 90.0, "wind speed 10 m above ground, mean of the hour"),
        Variable("rain_mm", "mm", 0.0, 310.0, "precipitation, sum of the hour"),
        Variable("ghi_wm2", "W/m²", 0.0, 1600.0, "global horizontal irradiance, mean of the hour"),
        Variable("cloud_frac", "0-1", 0.0, 1.0, "total cloud cover as a fraction, mean of the hour"),
    )
}
REQUIRED = ("temp_c", "wind_ms")
"""Without these there is nothing to judge; rain and light may be absent and are then reported as not judged."""


@dataclass(frozen=True)
class Provenance:
    """Where weather came from. Times are aware UTC datetimes; ``native_step_h`` is in hours."""

    source: str
    kind: Kind
    licence: str
    model: str | None = None
    run_time: datetime | None = None
    fetched_at: datetime | None = None
    native_step_h: float = 1.0
    latitude: float | None = None
    longitude: float | None = None
    elevation_m: float | None = None
    file: str | None = None
    notes: tuple[str, ...] = ()


@dataclass(frozen=True)
class Weather:
    """Hourly weather of one place in normal form.

    ``frame`` has the columns of ``VARIABLES`` that the source gives, float64, NaN where missing, and a MultiIndex
    (``member``: 0..M-1, ``time``: UTC, hourly without gaps), sorted, every member over the same hours. A single run
    or a record of observations has one member.
    """

    frame: pd.DataFrame
    provenance: Provenance
    n_members: int = field(init=False)

    def __post_init__(self) -> None:
        object.__setattr__(self, "n_members", len(self.frame.index.levels[0]))

    @property
    def times(self) -> NDArray[np.datetime64]:
        """Starts of the hours, UTC, ``datetime64[s]``, shape (n_hours,)."""
        n_hours = len(self.frame) // self.n_members
        times = self.frame.index.get_level_values("time")[:n_hours]
        result: NDArray[np.datetime64] = times.tz_convert(None).to_numpy().astype("datetime64[s]")
        return result

    def values(self, name: str) -> Floats | None:
        """One variable as an array of shape (n_members, n_hours), or None if the source does not give it."""
        if name not in self.frame.columns:
            return None
        result: Floats = self.frame[name].to_numpy().reshape(self.n_members, -1)
        return result

    def with_notes(self, *notes: str) -> Weather:
        """The same weather with remarks added to its provenance."""
        return replace(self, provenance=replace(self.provenance, notes=self.provenance.notes + notes))


def make_weather(times: NDArray[np.datetime64], columns: Mapping[str, Any], provenance: Provenance) -> Weather:
    """Check hourly records and put them into the normal form.

    Args:
        times: starts of the hours, UTC, ``datetime64``, strictly increasing; whole hours may be absent.
        columns: normal-form name -> array (n_hours,) or (n_members, n_hours) in the unit of ``VARIABLES``; NaN =
            missing.
        provenance: where it came from; its ``file`` is named in errors.

    Returns:
        Weather over an unbroken run of hours: an hour that the source left out is missing (NaN), not zero, and the
            provenance
        says how many there were.

    Raises:
        WeatherFileError: no rows, times doubled or running backwards or off the hour, a required column absent or
            wholly missing, an impossible value. The text names file, column and row (counted from 1).
    """
    where = provenance.file or provenance.source
    times = np.asarray(times).astype("datetime64[s]")
    _check_times(times, where)
    arrays = {name: np.atleast_2d(np.asarray(values, dtype=np.float64)) for name, values in columns.items()}
    for name in REQUIRED:
        if name not in arrays:
            raise WeatherFileError(
                f"there is no {VARIABLES[name].meaning.split(',')[0]} ({name}) in it",
                where=where,
                fix="Ask the source for it as well: without it no flight hour can be judged.",
            )
    n_members = max(a.shape[0] for a in arrays.values())
    arrays = {
        name: _checked(name, np.broadcast_to(a, (n_members, len(times))), times, where) for name, a in arrays.items()
    }
    full = np.arange(times[0], times[-1] + HOUR, HOUR)
    slot = ((times - times[0]) // HOUR).astype(np.intp)
    notes = provenance.notes
    if len(full) > len(times):
        notes += (f"{len(full) - len(times)} hours are absent from the file and count as missing",)
        arrays = {name: _onto(a, slot, len(full)) for name, a in arrays.items()}
    index = pd.MultiIndex.from_product(
        [np.arange(n_members), pd.DatetimeIndex(full, tz="UTC")], names=["member", "time"]
    )
    frame = pd.DataFrame({name: arrays[name].ravel() for name in VARIABLES if name in arrays}, index=index)
    return Weather(frame, replace(provenance, notes=notes))


def _onto(values: Floats, slot: NDArray[np.intp], n_hours: int) -> Floats:
    wide = np.full((values.shape[0], n_hours), np.nan)
    wide[:, slot] = values
    return wide


def _check_times(times: NDArray[np.datetime64], where: str) -> None:
    if len(times) == 0:
        raise WeatherFileError("it holds no hours at all", where=where, fix="Fetch it again.")
    off_hour = np.flatnonzero(times.astype(np.int64) % 3600)
    if len(off_hour):
        row = int(off_hour[0])
        raise WeatherFileError(
            f"time {times[row]} in row {row + 1} is not on the hour", where=where, fix="Give one row an hour."
        )
    steps = np.diff(times)
    bad = np.flatnonzero(steps <= np.timedelta64(0, "s"))
    if len(bad):
        row = int(bad[0]) + 1
        what = "stands there twice" if steps[row - 1] == np.timedelta64(0, "s") else "runs backwards"
        raise WeatherFileError(
            f"time {times[row]}Z in row {row + 1} {what}",
            where=where,
            fix="Sort the rows by UTC time and keep one for each hour.",
        )


def _checked(name: str, values: Floats, times: NDArray[np.datetime64], where: str) -> Floats:
    if name not in VARIABLES:
        raise WeatherFileError(f"unknown column {name!r}", where=where, fix=f"The columns are {', '.join(VARIABLES)}.")
    if np.isnan(values).all():
        raise WeatherFileError(
            f"column {name} holds no value at all (all missing)",
            where=where,
            fix="The source has no such variable here: leave the column out or use another model.",
        )
    variable = VARIABLES[name]
    if name == "ghi_wm2":  # pyranometers and radiation schemes read a little below zero at night
        values = np.where((values < 0.0) & (values > -20.0), 0.0, values)
    wrong = (values < variable.low) | (values > variable.high) | np.isinf(values)
    if wrong.any():
        member, row = (int(i[0]) for i in np.nonzero(wrong))
        of_member = f", member {member}" if values.shape[0] > 1 else ""
        raise WeatherFileError(
            f"column {name}, row {row + 1} ({times[row]}Z{of_member}): {values[member, row]:g} {variable.unit} is "
            "impossible "
            f"(allowed {variable.low:g} to {variable.high:g})",
            where=where,
            fix="Check the unit of the column, or leave the value empty if the instrument failed.",
        )
    return values
