"""Invented answers and files in the wire formats, made in code. Nobody measured any of these numbers.

Every number tells where it came from. In row i (counted from 0) of member m, with i < 24:

===================  =======================
temperature_2m       m + i, °C
wind_speed_10m       m + i / 10, m/s
precipitation        m + i / 100, mm
shortwave_radiation  100 m + i, W/m²
cloud_cover          m + 2 i, %
===================  =======================
"""

from __future__ import annotations

import json
from typing import Any

import numpy as np

UNITS = {
    "temperature_2m": "°C",
    "wind_speed_10m": "m/s",
    "precipitation": "mm",
    "shortwave_radiation": "W/m²",
    "cloud_cover": "%",
}
START = "2026-06-01T00:00"
N_ROWS = 24


def wire_value(variable: str, row: int, member: int = 0) -> float:
    """The number that an invented answer holds in this place."""
    return {
        "temperature_2m": member + row,
        "wind_speed_10m": member + row / 10,
        "precipitation": member + row / 100,
        "shortwave_radiation": 100 * member + row,
        "cloud_cover": member + 2 * row,
    }[variable]


def iso_times(start: str = START, n_rows: int = N_ROWS, step_h: int = 1) -> list[str]:
    first = np.datetime64(start, "m")
    return [str(first + np.timedelta64(step_h * i, "h")) for i in range(n_rows)]


def answer(
    *,
    start: str = START,
    n_rows: int = N_ROWS,
    members: int = 1,
    model: str = "",
    variables: tuple[str, ...] = tuple(UNITS),
) -> dict[str, Any]:
    """An answer of the service for one place, iso8601 times in GMT. Change it, then ``wire`` it."""
    hourly: dict[str, Any] = {"time": iso_times(start, n_rows)}
    units = {"time": "iso8601"}
    for variable in variables:
        for member in range(members):
            key = variable + (f"_member{member:02d}" if member else "") + (f"_{model}" if model else "")
            hourly[key] = [wire_value(variable, row, member) for row in range(n_rows)]
            units[key] = UNITS[variable]
    return {
        "latitude": 51.5,
        "longitude": -0.12,
        "generationtime_ms": 0.3,
        "utc_offset_seconds": 0,
        "timezone": "GMT",
        "timezone_abbreviation": "GMT",
        "elevation": 21.0,
        "hourly_units": units,
        "hourly": hourly,
    }


def wire(payload: object) -> str:
    return json.dumps(payload, ensure_ascii=False)


def unix_times(payload: dict[str, Any]) -> dict[str, Any]:
    """The same answer with its times as true epoch seconds."""
    offset = payload["utc_offset_seconds"]
    stamps = np.array(payload["hourly"]["time"], dtype="datetime64[s]").astype(int) - offset
    payload["hourly"]["time"] = stamps.tolist()
    payload["hourly_units"]["time"] = "unixtime"
    return payload
