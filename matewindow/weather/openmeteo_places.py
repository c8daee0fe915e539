"""Places and elevations, read from the answers of Open-Meteo's geocoding and elevation services."""

from __future__ import annotations

import re
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from matewindow.errors import WeatherFileError
from matewindow.weather.files import fault, is_number, json_object, shown

if TYPE_CHECKING:
    from collections.abc import Sequence

LICENCE = "Places by GeoNames and elevations by Copernicus via Open-Meteo.com (CC BY 4.0)"

# The elevation service prints the name that its language has for an unknown number, which is no JSON.
_NAN = re.compile(r"(?<=[\[,\s])-?nan(?=\s*[,\]])", re.IGNORECASE)
_HEIGHTS_M = (-500.0, 9000.0)
"""Shore of the Dead Sea and summit of Mount Everest, with room (values from memory)."""
_ASK = "Mend the request and ask again."


@dataclass(frozen=True)
class Place:
    """A place as a gazetteer knows it; what it does not say is None.

    Attributes:
        name: in the language that was asked for.
        latitude: degrees north.
        longitude: degrees east.
        elevation_m: above the sea, m. The service leaves out what is empty, which may be a place at sea level as
            well as one of unknown height: ask the elevation service then.
        country_code: two letters (ISO 3166-1).
        region: the largest division of the country, such as a state or county.
        timezone: IANA name.
        population: inhabitants.
    """

    name: str
    latitude: float
    longitude: float
    elevation_m: float | None = None
    country_code: str | None = None
    region: str | None = None
    timezone: str | None = None
    population: int | None = None


def parse_geocoding(text: str, *, file: str | None = None) -> list[Place]:
    """Read an answer of the geocoding service.

    Args:
        text: the answer, JSON.
        file: name of the file it was saved in, for errors.

    Returns:
        The places in the order of the service, best match first; none if nothing was found.

    Raises:
        WeatherFileError: no such answer, the service's own refusal, a place without name or position, or a
            value of another kind. The text names the result (counted from 1) and the key.
    """
    where = file or "Open-Meteo answer (places)"
    answer = json_object(text, where)
    _refuse_refusal(answer, where)
    results = answer.get("results")
    if results is None:  # so the service says that nothing was found
        if "generationtime_ms" not in answer:
            raise fault("it is JSON, but no answer of the geocoding service", where)
        return []
    if not isinstance(results, list):
        raise fault("its results are no list", where)
    return [_place(result, f"{where}, result {row + 1}") for row, result in enumerate(results)]


def parse_elevation(text: str, *, file: str | None = None) -> list[float | None]:
    """Read an answer of the elevation service.

    Args:
        text: the answer: JSON, but for a ``nan`` where the elevation is not known.
        file: name of the file it was saved in, for errors.

    Returns:
        Metres above the sea, one for each point that was asked for and in their order; None where unknown.

    Raises:
        WeatherFileError: no such answer, the service's own refusal, or an elevation that no place has.
    """
    where = file or "Open-Meteo answer (elevation)"
    answer = _object_with_nan(text, where)
    _refuse_refusal(answer, where)
    heights = answer.get("elevation")
    if not isinstance(heights, list):
        raise fault('there is no list "elevation" in it', where)
    return [_height(height, f"{where}, value {row + 1}") for row, height in enumerate(heights)]


def _object_with_nan(text: str, where: str) -> dict[str, Any]:
    try:
        return json_object(text, where)
    except WeatherFileError:
        mended, count = _NAN.subn("null", text)
        if not count:
            raise
        return json_object(mended, where)


def _refuse_refusal(answer: dict[str, Any], where: str) -> None:
    if answer.get("error"):
        reason = answer.get("reason")
        what = f'the service refused: "{reason[:300]}"' if isinstance(reason, str) else "the service refused"
        raise fault(what, where, _ASK)


def _place(result: object, where: str) -> Place:
    if not isinstance(result, dict):
        raise fault(f"{shown(result)} is no place", where)
    name = _words(result, "name", where)
    if name is None:
        raise fault("it has no name", where)
    population = _number(result, "population", (0.0, 1e11), where)
    height = _number(result, "elevation", None, where)
    return Place(
        name,
        _needed(result, "latitude", (-90.0, 90.0), where),
        _needed(result, "longitude", (-180.0, 180.0), where),
        height if height is not None and _HEIGHTS_M[0] <= height <= _HEIGHTS_M[1] else None,
        _words(result, "country_code", where),
        _words(result, "admin1", where),
        _words(result, "timezone", where),
        None if population is None else int(population),
    )


def _words(result: dict[str, Any], key: str, where: str) -> str | None:
    words = result.get(key)
    if words is not None and not isinstance(words, str):
        raise fault(f"{shown(words)} is no text", f"{where}, {key}")
    return words or None


def _needed(result: dict[str, Any], key: str, limits: Sequence[float], where: str) -> float:
    value = _number(result, key, limits, where)
    if value is None:
        raise fault(f"it has no {key}", where)
    return value


def _number(result: dict[str, Any], key: str, limits: Sequence[float] | None, where: str) -> float | None:
    value = result.get(key)
    if value is None:
        return None
    if not is_number(value) or (limits and not limits[0] <= value <= limits[1]):
        raise fault(f"{key} cannot be {shown(value)}", where)
    return float(value) if abs(value) < 1e300 else None


def _height(height: object, where: str) -> float | None:
    if height is None:
        return None
    if not isinstance(height, int | float) or isinstance(height, bool):
        raise fault(f"{shown(height)} is no number", where)
    if not _HEIGHTS_M[0] <= height <= _HEIGHTS_M[1]:
        raise fault(f"{shown(height)} m is no elevation on earth", where)
    return float(height)
