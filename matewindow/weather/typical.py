"""Typical years: TMY3 and EPW files, as used for buildings and solar plants, read through pvlib.

A typical year is put together from months of different years. It can show what is usual, not how years
differ, and its months do not follow each other. All of it is dated 2001 (a year of 365 days).

Both forms give local standard time and 24 stamps a day, 01:00 to 24:00. Radiation and rain stamped 01:00 are
those of the hour from 00:00 to 01:00. Temperature, wind and cloud are readings at the stamp ("at the time
indicated"; observed within minutes before it). So says the Users Manual for TMY3 Data Sets,
NREL/TP-581-43156, table 1-3, as given in the documentation of ``pvlib.iotools.read_tmy3``, and so say the
field descriptions of the EPW data dictionary in EnergyPlus Auxiliary Programs. The hour therefore gets the
mean of the readings at its two ends, and the radiation and rain stamped at its end.

Rain in these files needs care, and where it does not deserve trust it is left out with a note:

- the depth is for a period given beside it, which is often 3, 6 or 24 hours: only sums over 1 h are used;
- it may be missing for most hours (Sand Point, AK, as shipped with pvlib: hourly sums for 268 of 8760 hours,
  some of them 255 mm), or zero throughout;
- it may be in tenths of a millimetre under a heading that says millimetres, with zeros in months without any
  record although the present-weather column reports rain (Greensboro, NC, as shipped with pvlib, a file
  revised in 2015: 8345 "mm" in the year, and a February without a wet hour but with rain and snow reported).
"""

from __future__ import annotations

import io
import warnings
from dataclasses import dataclass
from functools import partial
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd

from matewindow.errors import WeatherFileError
from matewindow.weather.files import first_impossible, read_text
from matewindow.weather.normal import REQUIRED, VARIABLES, Provenance, Weather, make_weather

if TYPE_CHECKING:
    from collections.abc import Callable
    from pathlib import Path

    from numpy.typing import NDArray

    Floats = NDArray[np.float64]

YEAR = 2001
N_HOURS = 8760
INSTANT = ("temp_c", "wind_ms", "cloud_frac")

NOTE = (
    f"a typical year: its months come from different years and are dated {YEAR}; it shows what is usual, "
    "not how years differ"
)
_ENCODINGS = ("utf-8-sig", "latin-1")


@dataclass(frozen=True)
class _Form:
    """Where a file form keeps what is needed. ``columns``: normal name -> (column, factor, missing)."""

    name: str
    n_header: int
    columns: dict[str, tuple[str, float, Callable[[Floats], NDArray[np.bool_]]]]
    rain: str
    rain_period: str
    licence: str


def _is_gap(values: Floats) -> NDArray[np.bool_]:
    return values <= -9000.0  # -9900 in TMY3


def _from(limit: float) -> Callable[[Floats], NDArray[np.bool_]]:
    return lambda values: values >= limit


_TMY3 = _Form(
    name="TMY3",
    n_header=2,
    columns={
        "temp_c": ("Dry-bulb (C)", 1.0, _is_gap),
        "wind_ms": ("Wspd (m/s)", 1.0, _is_gap),
        "rain_mm": ("Lprecip depth (mm)", 1.0, _is_gap),
        "ghi_wm2": ("GHI (W/m^2)", 1.0, _is_gap),  # Wh/m² received in the hour, hence its mean in W/m²
        "cloud_frac": ("TotCld (tenths)", 0.1, _is_gap),
    },
    rain="Lprecip depth (mm)",
    rain_period="Lprecip quantity (hr)",
    licence="TMY3 data of the U.S. National Renewable Energy Laboratory; name it as the source",
)
# Values from which a field counts as missing: EPW data dictionary.
_EPW = _Form(
    name="EPW",
    n_header=8,
    columns={
        "temp_c": ("temp_air", 1.0, _from(99.9)),
        "wind_ms": ("wind_speed", 1.0, _from(999.0)),
        "rain_mm": ("liquid_precipitation_depth", 1.0, _from(999.0)),
        "ghi_wm2": ("ghi", 1.0, _from(9999.0)),
        "cloud_frac": ("total_sky_cover", 0.1, _from(99.0)),
    },
    rain="liquid_precipitation_depth",
    rain_period="liquid_precipitation_quantity",
    licence="as stated by the maker of the EPW file",
)


def read_tmy3(path: str | Path) -> Weather:
    """Read a typical year in the TMY3 form of the U.S. National Renewable Energy Laboratory.

    Args:
        path: the file (text, 8760 rows after two header lines).

    Returns:
        Weather of kind "typical": one member, 8760 hours from 2001-01-01T00 to 2001-12-31T23 UTC. The hours
        that the step from local time to UTC moves over the end of the year are put at its other end.

    Raises:
        WeatherFileError: it is no whole TMY3 file, or holds impossible values. The text names the file, the
            column and the line.

    Source: Wilcox and Marion 2008, Users Manual for TMY3 Data Sets, NREL/TP-581-43156.
    """
    text, where = read_text(path, encodings=_ENCODINGS), str(path)
    lines = _lines(text, _TMY3, where)
    header = [name.strip() for name in lines[1].split(",")]
    needed = ["Date (MM/DD/YYYY)", "Time (HH:MM)", *(column for column, *_ in _TMY3.columns.values())]
    for column in (*needed, _TMY3.rain_period):
        if column not in header:
            raise _fault(f"there is no column {column!r}", f"{where}, line 2", "Give an unchanged TMY3 file.")

    from pvlib.iotools import read_tmy3 as pvlib_reader  # pvlib takes 2 s to import

    read = partial(pvlib_reader, io.StringIO("\n".join(lines)), coerce_year=YEAR, map_variables=False)
    frame, meta = _through_pvlib(read, "TMY3", where)
    ends = pd.date_range(f"{YEAR}-01-01T01:00", periods=N_HOURS, freq="h")
    _check_calendar(frame, ends, _TMY3, where)
    return _weather(frame, meta, _TMY3, where, place=f"{meta['Name']}, {meta['State']}".replace('"', ""))


def read_epw(path: str | Path) -> Weather:
    """Read a typical year in the EPW form of EnergyPlus.

    Args:
        path: the file (text, 8760 rows after eight header lines).

    Returns:
        Weather as from ``read_tmy3``.

    Raises:
        WeatherFileError: it is no whole EPW file of hourly rows, or holds impossible values. The text names
            the file, the column and the line.

    Source: EnergyPlus Auxiliary Programs, EnergyPlus Weather File (EPW) Data Dictionary.
    """
    text, where = read_text(path, encodings=_ENCODINGS), str(path)
    lines = _lines(text, _EPW, where)
    if not lines[0].startswith("LOCATION,"):
        raise _fault("it does not begin with LOCATION", f"{where}, line 1", "Give an EPW file.")
    # The other headers are free text, in which a lone quotation mark would swallow rows.
    plain = [lines[0], *["-"] * (_EPW.n_header - 1), *lines[_EPW.n_header :]]

    from pvlib.iotools import read_epw as pvlib_reader  # pvlib takes 2 s to import

    read = partial(pvlib_reader, io.StringIO("\n".join(plain)), coerce_year=YEAR)
    frame, meta = _through_pvlib(read, "EPW", where)
    # pvlib labels an EPW row with the beginning of its hour, and a TMY3 row with the end.
    _check_calendar(frame, pd.date_range(f"{YEAR}-01-01T00:00", periods=N_HOURS, freq="h"), _EPW, where)
    return _weather(frame, meta, _EPW, where, place=f"{meta['city']}, {meta['country']}, {meta['data_type']}")


def _fault(what: str, where: str, fix: str) -> WeatherFileError:
    return WeatherFileError(what, where=where, fix=fix)


def _lines(text: str, form: _Form, where: str) -> list[str]:
    lines = [line.rstrip("\r") for line in text.rstrip().split("\n")]
    n_rows = len(lines) - form.n_header
    if n_rows != N_HOURS:
        what = f"it has {max(n_rows, 0)} rows, and a typical year has {N_HOURS}"
        raise _fault(what, where, f"Give a whole {form.name} file of hourly rows without a 29 February.")
    return lines


def _through_pvlib(
    read: Callable[[], tuple[pd.DataFrame, dict[str, Any]]], name: str, where: str
) -> tuple[pd.DataFrame, dict[str, Any]]:
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore", pd.errors.DtypeWarning)  # text in a number column: reported below
            frame, meta = read()
    except (ValueError, LookupError, TypeError, AttributeError, ArithmeticError) as error:
        reason = " ".join(str(error).split())[:120]
        what = f"it is no {name} file that can be read ({type(error).__name__}: {reason})"
        raise _fault(what, where, "Check its header lines, dates and hours, or download it again.") from None
    limits = {"latitude": 90.0, "longitude": 180.0, "altitude": 10_000.0, "TZ": 14.0}
    for key, limit in limits.items():
        if not -limit <= meta[key] <= limit:
            what = f"{key} cannot be {meta[key]:g}"
            raise _fault(what, f"{where}, line 1", "Correct the header line, or download it again.")
    return frame, meta


def _check_calendar(frame: pd.DataFrame, expected: pd.DatetimeIndex, form: _Form, where: str) -> None:
    """Every hour of one year, in order."""
    found = frame.index.tz_localize(None)
    fix = "Give one row for every hour of the year, without empty lines between."
    if len(found) != len(expected):
        raise _fault(f"only {len(found)} of its {len(expected)} rows hold something", where, fix)
    wrong = np.flatnonzero(found != expected)
    if len(wrong):
        row = int(wrong[0])
        what = f"the hour {found[row]} stands where {expected[row]} should be"
        raise _fault(what, f"{where}, line {row + 1 + form.n_header}", fix)


def _weather(frame: pd.DataFrame, meta: dict[str, Any], form: _Form, where: str, *, place: str) -> Weather:
    local: dict[str, Floats] = {}
    notes = [NOTE]
    for name in VARIABLES:
        values = _column(frame, name, form, where)
        if name == "rain_mm":
            rain = _hourly_rain(values, frame, form, notes)
            local |= {} if rain is None else {name: rain}
        elif name not in REQUIRED and np.isnan(values).all():
            notes.append(f"{form.columns[name][0]} holds no value and was left out")
        else:
            # The reading before the first one of the year is the last one: the year goes round.
            local[name] = 0.5 * (np.roll(values, 1) + values) if name in INSTANT else values
    if meta["TZ"] % 1.0:
        notes.append("local time is no whole number of hours off UTC: each hour is a blend of two of the file")
    hours = np.arange(f"{YEAR}-01-01T00", f"{YEAR + 1}-01-01T00", dtype="datetime64[h]")
    provenance = Provenance(
        f"{form.name} typical year, {place}",
        "typical",
        form.licence,
        latitude=meta["latitude"],
        longitude=meta["longitude"],
        elevation_m=meta["altitude"],
        file=where,
        notes=tuple(notes),
    )
    return make_weather(hours, {n: to_utc(values, meta["TZ"]) for n, values in local.items()}, provenance)


def to_utc(local: Floats, offset_h: float) -> Floats:
    """Move the hours of a year that goes round from local standard time to UTC.

    Args:
        local: values of the hours of a year in local time, shape (n,).
        offset_h: local time minus UTC, h. With a part of an hour, each UTC hour is the weighted mean of the
            two local hours that it overlaps.

    Returns:
        Values of the hours of the year in UTC, shape (n,); NaN where an hour used is NaN.
    """
    whole = int(np.floor(offset_h))
    part = offset_h - whole
    moved = np.roll(local, -whole)
    return moved if part == 0.0 else (1.0 - part) * moved + part * np.roll(moved, -1)


def _column(frame: pd.DataFrame, name: str, form: _Form, where: str) -> Floats:
    """One column as stamped in the file, in the unit of the normal form, NaN where missing."""
    column, factor, is_missing = form.columns[name]
    here = f"{where}, column {column}"
    values = _floats(frame[column], here, form.n_header)
    values = np.where(is_missing(values), np.nan, values) * factor
    bad = first_impossible(name, values)
    if bad is not None and name != "rain_mm":  # rain is looked at once its unit is known
        variable = VARIABLES[name]
        limits = f"{variable.low:g} to {variable.high:g} {variable.unit}"
        what = f"{frame[column].iloc[bad]} is impossible (allowed {limits})"
        raise _fault(what, f"{here}, line {bad + 1 + form.n_header}", "Correct it, or download the file again.")
    return values


def _floats(column: pd.Series, where: str, n_header: int) -> Floats:
    values: Floats = pd.to_numeric(column, errors="coerce").to_numpy(dtype=np.float64)
    bad = np.flatnonzero(np.isnan(values) & column.notna().to_numpy())
    if len(bad):
        what = f"{str(column.iloc[bad[0]])[:40]!r} is no number"
        raise _fault(what, f"{where}, line {bad[0] + 1 + n_header}", "Correct it, or download the file again.")
    return values


# --- rain ----------------------------------------------------------------------------------------------


def _hourly_rain(depth: Floats, frame: pd.DataFrame, form: _Form, notes: list[str]) -> Floats | None:
    """Hourly sums in mm, or None if there are too few or they cannot be believed; says why in ``notes``."""
    period = pd.to_numeric(frame[form.rain_period], errors="coerce").to_numpy(dtype=np.float64)
    rain = np.where(period == 1.0, depth, np.nan)
    if form is _TMY3:
        rain = _without_empty_months(rain, frame, notes)
    known = np.count_nonzero(np.isfinite(rain))
    if 2 * known < len(rain):
        notes.append(f"rain was not judged: the file gives hourly sums for {known} of {len(rain)} hours only")
        return None
    if not (rain > 0.0).any():
        notes.append("rain was not judged: the file gives no rain in the whole year")
        return None
    if is_in_tenths(rain):
        notes.append("rain is in tenths of a millimetre in this file, against its heading, and was divided by 10")
        rain = rain / 10.0
    impossible = rain > VARIABLES["rain_mm"].high
    if impossible.any() or (rain < 0.0).any():
        notes.append("rain was not judged: the file gives impossible depths")
        return None
    return rain


def is_in_tenths(rain: Floats) -> bool:
    """Whether hourly depths headed "mm" are hundredths of an inch turned into tenths of a millimetre.

    Judgement: at least 30 wet hours, nine tenths of them on the whole numbers nearest to multiples of 2.54,
    and a mean wet hour above 6. In millimetres that would be no climate on earth (1 to 4 mm is usual),
    whereas a gauge that reads tenths of an inch gives the same numbers in millimetres, mostly 3, with a mean
    below 5.

    Args:
        rain: depths as they stand in the file, NaN where missing, shape (n,).
    """
    wet = rain[rain > 0.0]
    if len(wet) < 30 or wet.mean() <= 6.0:
        return False
    on_lattice = wet == np.round(2.54 * np.round(wet / 2.54))
    return bool(on_lattice.mean() >= 0.9)


def _without_empty_months(rain: Floats, frame: pd.DataFrame, notes: list[str]) -> Floats:
    """Take zeros for missing in months that report rain or snow as present weather and have no wet hour."""
    if "PresWth (METAR code)" not in frame.columns:
        return rain
    code = pd.to_numeric(frame["PresWth (METAR code)"], errors="coerce").to_numpy(dtype=np.float64)
    # 60 to 99: rain, snow, showers or thunderstorm at the station (WMO-No. 306, code table 4677; from
    # memory). Drizzle (50 to 59) is left aside: it may stay below what a gauge can measure for a whole month.
    falling = (code >= 60) & (code <= 99)
    months = (frame.index - pd.Timedelta(hours=1)).month.to_numpy()
    empty = [m for m in range(1, 13) if falling[months == m].sum() >= 10 and not (rain[months == m] > 0.0).any()]
    if not empty:
        return rain
    names = ", ".join(f"{YEAR}-{month:02d}" for month in empty)
    notes.append(f"rain counts as missing in {names}: no wet hour there, though rain or snow was reported")
    return np.where(np.isin(months, empty), np.nan, rain)
