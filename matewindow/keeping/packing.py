"""Weather on a site's days as bytes, to be kept in the register between refreshes and read by every process.

The hours of the mating window are kept, and the mean temperature of each day: no more is asked for odds and flight
hours (``SiteWeather.window_only``). The bytes are those of ``keptbytes``; numbers come back exactly.
"""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING, Any

import numpy as np

from matewindow.keptbytes import HOURLY, opened, provenance_as_data, provenance_of, sealed
from matewindow.siteweather import SiteWeather
from matewindow.weather.entries import DamagedError

if TYPE_CHECKING:
    from collections.abc import Mapping

    from numpy.typing import NDArray

_FORMAT = 1


def packed(parts: Mapping[str, SiteWeather], head: Mapping[str, Any]) -> bytes:
    """Parts of a site's weather as bytes.

    Args:
        parts: by name.
        head: what else is to be kept with them, JSON-able.
    """
    arrays: dict[str, Any] = {}
    heads = {}
    for name, part in parts.items():
        heads[name] = _head(part)
        short = part.window_only
        arrays[f"{name}.share"], arrays[f"{name}.inside"] = short.share, short.inside
        arrays[f"{name}.daily_temp_c"] = short.mean_temp_c
        arrays |= {f"{name}.{v}": values for v in HOURLY if (values := getattr(short, v)) is not None}
    return sealed({"format": _FORMAT, "parts": heads, "head": dict(head)}, arrays)


def unpacked(data: bytes) -> tuple[dict[str, SiteWeather], dict[str, Any]]:
    """The parts and the head that ``packed`` was given; days have 24 hours again, those outside the window missing.

    Raises:
        DamagedError: the bytes are not what was packed, or another version of the program packed them.
    """
    with opened(data) as (text, arrays):
        if text["format"] != _FORMAT:
            raise DamagedError("another version of the program wrote it")
        return {name: _part(name, head, arrays) for name, head in text["parts"].items()}, text["head"]


def _head(part: SiteWeather) -> dict[str, Any]:
    return {
        "first_day": str(part.days[0]),
        "first_hour": part.window_only.first_hour,
        "issued": None if part.issued is None else str(part.issued),
        "light_filled": part.light_filled,
        "provenance": provenance_as_data(part.provenance),
    }


def _part(name: str, head: dict[str, Any], arrays: Mapping[str, NDArray[Any]]) -> SiteWeather:
    def array(of: str) -> NDArray[Any] | None:
        return arrays.get(f"{name}.{of}")

    temp_c, wind_ms = arrays[f"{name}.temp_c"], arrays[f"{name}.wind_ms"]
    part = SiteWeather(
        days=np.datetime64(head["first_day"], "D") + np.arange(temp_c.shape[1]),
        temp_c=temp_c,
        wind_ms=wind_ms,
        rain_mm=array("rain_mm"),
        ghi_wm2=array("ghi_wm2"),
        share=arrays[f"{name}.share"],
        inside=arrays[f"{name}.inside"],
        provenance=provenance_of(head["provenance"]),
        light_filled=head["light_filled"],
        issued=None if head["issued"] is None else np.datetime64(head["issued"], "D"),
        first_hour=head["first_hour"],
        daily_temp_c=arrays[f"{name}.daily_temp_c"],
    )
    return part.whole_days()


def without_paths(part: SiteWeather) -> SiteWeather:
    """The same weather; of the file that it was read from only the name is told."""
    file = part.provenance.file
    if file is None:
        return part
    name = file.replace("\\", "/").rsplit("/", 1)[-1]
    return replace(part, provenance=replace(part.provenance, file=name))
