"""Columns of Open-Meteo's answers: which variable, model and member each one is, and its values.

What they mean is told in ``openmeteo``.
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Literal

import numpy as np

from matewindow.units import MS_PER_KMH, MS_PER_KNOT, MS_PER_MPH
from matewindow.weather.files import fault, first_impossible, is_number, shown
from matewindow.weather.normal import REQUIRED, VARIABLES, Kind

if TYPE_CHECKING:
    from collections.abc import Mapping

    from numpy.typing import NDArray

    Floats = NDArray[np.float64]
    Times = NDArray[np.datetime64]


@dataclass(frozen=True)
class Wire:
    """How a column of the service becomes one of the normal form."""

    name: str
    factors: Mapping[str, float]
    stamped: Literal["instant", "preceding"]
    fix: str


_WIND = {"m/s": 1.0, "km/h": MS_PER_KMH, "mp/h": MS_PER_MPH, "mph": MS_PER_MPH, "kn": MS_PER_KNOT}
WIRE = {
    "temperature_2m": Wire("temp_c", {"°C": 1.0}, "instant", "Ask for temperature_unit=celsius."),
    "wind_speed_10m": Wire("wind_ms", _WIND, "instant", "Ask for wind_speed_unit=ms."),
    "precipitation": Wire("rain_mm", {"mm": 1.0}, "preceding", "Ask for precipitation_unit=mm."),
    "shortwave_radiation": Wire("ghi_wm2", {"W/m²": 1.0}, "preceding", "Ask for it in W/m²."),
    "cloud_cover": Wire("cloud_frac", {"%": 0.01}, "instant", "Ask for it in percent."),
}
"""Column of the service -> column of the normal form, factors by unit, time stamp."""

NEEDED = tuple(column for column, wire in WIRE.items() if wire.name in REQUIRED)
ASK = f"Ask for hourly={','.join(WIRE)}."

_COLUMN = re.compile(rf"({'|'.join(WIRE)})(?:_member(\d{{1,4}}))?(?:_([a-z][a-z0-9_]*))?", re.ASCII)
# Suffixes that make another variable of a column and are no model.
_DERIVED = re.compile(r"previous_day\d|spread|mean|max|min|anomaly|instant")

Keys = dict[str, dict[int, str]]
"""Column without suffixes -> member (0 is the control) -> key in the answer."""


def choose_columns(hourly: dict[str, Any], kind: Kind, where: str) -> tuple[str, Keys]:
    """The one model in the answer ("" if the columns do not name it), and its columns."""
    models: dict[str, Keys] = {}
    for key in hourly:
        form = _COLUMN.fullmatch(key)
        if form and not _DERIVED.match(form[3] or ""):
            models.setdefault(form[3] or "", {}).setdefault(form[1], {})[int(form[2] or 0)] = key
    whole = [model for model, keys in models.items() if all(column in keys for column in NEEDED)]
    if len(whole) > 1:
        names = ", ".join(model or "one without a name" for model in whole)
        raise fault(f"it holds several models: {names}", where, "Ask for one model.")
    if not whole:
        found = {column for keys in models.values() for column in keys}
        lacking = [column for column in NEEDED if column not in found]
        what = f"there is no column {lacking[0]}" if lacking else "no model gives both temperature and wind"
        raise fault(what, where, ASK)
    keys = models[whole[0]]
    has_members = any(member for of in keys.values() for member in of)
    if has_members and kind != "ensemble":
        raise fault("it holds the members of an ensemble", where, "Give it as an ensemble, not as a single run.")
    if not has_members and kind == "ensemble":
        what = "it holds no members (no column ends in _member01)"
        raise fault(what, where, "Give it as a forecast, not as an ensemble.")
    return whole[0], keys


def choose_members(given: dict[str, dict[int, Floats | None]], where: str) -> tuple[list[int], list[str], list[str]]:
    """Members that have every column used, these columns, and what to say about the rest."""
    known = {column: {m for m, values in of.items() if values is not None} for column, of in given.items()}
    for column in NEEDED:
        if not known[column]:
            raise fault(f"column {column} holds no value at all", where, "Ask for a model that has it here.")
    members = set.intersection(*(known[column] for column in NEEDED))
    if not members:
        raise fault("no member has both temperature and wind", where, "Ask for another model.")
    columns, notes = list(NEEDED), []
    for column in WIRE:
        if column in NEEDED or column not in given:
            continue
        having = members & known[column]
        if 2 * len(having) >= len(members):  # the smaller loss: a few members, or the whole variable
            members = having
            columns.append(column)
        else:
            of = f" in {len(members) - len(having)} of {len(members)} members" if having else ""
            notes.append(f"{column} holds no value{of} and was left out")
    everyone = {member for of in given.values() for member in of}
    if len(members) < len(everyone):
        dropped = len(everyone) - len(members)
        notes.append(f"{dropped} of {len(everyone)} members lack a variable and were left out")
    return sorted(members), columns, notes


def column_values(raw: object, unit: object, wire: Wire, times: Times, where: str) -> Floats | None:
    """One column in the unit of the normal form, or None if it holds nothing."""
    if not isinstance(raw, list):
        raise fault("it is no list of numbers", where)
    if len(raw) != len(times):
        raise fault(f"it has {len(raw)} values for {len(times)} times", where)
    types = set(map(type, raw))
    if not types <= {int, float, type(None)}:
        row = next(i for i, value in enumerate(raw) if value is not None and not is_number(value))
        raise fault(f"{shown(raw[row])} in row {row + 1} is no number", where)
    if types == {type(None)} or unit == "undefined":
        return None
    if not isinstance(unit, str) or unit not in wire.factors:
        what = "its unit is not stated" if unit is None else f"its unit is {shown(unit)}"
        raise fault(f"{what}; it should be {' or '.join(wire.factors)}", where, wire.fix)
    try:
        values = np.array(raw, dtype=np.float64) * wire.factors[unit]
    except OverflowError:
        raise fault("it holds a number with hundreds of digits", where) from None
    bad = first_impossible(wire.name, values)
    if bad is not None:
        limits = f"{VARIABLES[wire.name].low:g} to {VARIABLES[wire.name].high:g} {VARIABLES[wire.name].unit}"
        what = f"{shown(raw[bad])} {unit} in row {bad + 1} ({times[bad]}Z) is impossible (allowed {limits})"
        raise fault(what, where)
    return values
