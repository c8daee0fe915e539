"""The US National Weather Service's api.weather.gov on loopback: points and raw grid forecasts.

Spoken: ``/points/{latitude},{longitude}`` and ``/gridpoints/{office}/{x},{y}``. Offices and grids are invented: an office
has two degrees by two, cut into cells of a fortieth of a degree.
"""

from __future__ import annotations

import re
from datetime import timedelta
from itertools import pairwise
from typing import TYPE_CHECKING, Any

import numpy as np

from tests.loopback.exchange import Answer, RefusedError, confirmed, http_date, json_answer, moment_of, packed
from tests.loopback.faults import problem
from tests.loopback.openmeteo_models import VARIABLES
from tests.loopback.scenario import DAY_S, HOUR_S, Hours, Place, terrain_m

if TYPE_CHECKING:
    from tests.loopback.exchange import Request, Scene
    from tests.loopback.scenario import Floats

STATES = (
    (24.4, 49.4, -125.0, -66.9),
    (51.0, 71.5, -180.0, -129.9),
    (18.8, 22.3, -160.6, -154.7),
    (17.8, 18.6, -67.4, -65.2),
)
"""South, north, west, east of the lower states, Alaska, Hawaii and Puerto Rico, roughly."""
_OFFICE_DEG, _CELL_DEG, _SOUTH, _WEST, _COLUMNS = 2.0, 0.025, 16.0, -180.0, 60
_PAST_H, _LENGTH_H, _FINE_H = 6, 7 * 24 + 14, 84
_KNOT_KMH = 1.852
_ZONES = ((-82.5, "America/New_York"), (-97.5, "America/Chicago"), (-112.5, "America/Denver"))
GEOJSON = "application/geo+json"


def answer(request: Request, scene: Scene) -> Answer:
    """Answer a request to the service."""
    if not request.headers.get("user-agent", "").strip():
        raise RefusedError(problem(403, "Forbidden", "A User-Agent is required to access this service."))
    point = re.fullmatch(r"/points/([^,/]+),([^,/]+)", request.path)
    if point:
        return _point(request, scene, point[1], point[2])
    cell = re.fullmatch(r"/gridpoints/([A-Z]{3})/(\d{1,3}),(\d{1,3})", request.path)
    if cell is None:
        raise RefusedError(problem(404, "Not Found", f"'{request.path}' is not a valid resource path."))
    _no_query(request)
    return _grid(request, scene, cell[1], int(cell[2]), int(cell[3]))


def _no_query(request: Request) -> None:
    if request.query:
        name = request.query[0][0]
        raise RefusedError(problem(400, "Bad Request", f"Query parameter '{name}' is not recognized."))


# --- points ------------------------------------------------------------------------------------------------------


def _point(request: Request, scene: Scene, latitude: str, longitude: str) -> Answer:
    if not all(re.fullmatch(r"-?\d{1,3}(?:\.\d*)?", text) for text in (latitude, longitude)):
        raise RefusedError(
            problem(400, "Invalid Parameter", "Parameter 'point' is invalid: does not match the pattern.")
        )
    plain = f"{_short(latitude)},{_short(longitude)}"
    if plain != f"{latitude},{longitude}":
        told = problem(
            301, "Adjusting Precision Of Point Coordinate", "The precision of points is limited to 4 decimals."
        )
        told.headers["Location"] = f"{request.prefix}/points/{plain}"
        return told
    _no_query(request)
    place = Place(float(latitude), float(longitude))
    if not any(s <= place.latitude <= n and w <= place.longitude <= e for s, n, w, e in STATES):
        raise RefusedError(problem(404, "Invalid Point", f"Unable to provide data for requested point {plain}"))
    shown = scene.shown(place)
    office, x, y = _cell(place)
    here = f"{request.root}/gridpoints/{office}/{x},{y}"
    properties = {
        "@id": f"{request.root}/points/{plain}",
        "@type": "wx:Point",
        "cwa": office,
        "forecastOffice": f"{request.root}/offices/{office}",
        "gridId": office,
        "gridX": x,
        "gridY": y,
        "forecast": f"{here}/forecast",
        "forecastHourly": f"{here}/forecast/hourly",
        "forecastGridData": here,
        "timeZone": next((zone for west, zone in _ZONES if place.longitude > west), "America/Los_Angeles"),
    }
    geometry = {"type": "Point", "coordinates": [shown.longitude, shown.latitude]}
    payload = {"id": properties["@id"], "type": "Feature", "geometry": geometry, "properties": properties}
    told = json_answer(payload, media=GEOJSON)
    _cached(told, scene, timedelta(days=1))
    return packed(told, request)


def _short(text: str) -> str:
    short = f"{float(text):.4f}".rstrip("0").rstrip(".")
    return "0" if short == "-0" else short


def _cell(place: Place) -> tuple[str, int, int]:
    row, column = int((place.latitude - _SOUTH) / _OFFICE_DEG), int((place.longitude - _WEST) / _OFFICE_DEG)
    number = row * _COLUMNS + column
    x = int((place.longitude - _WEST - column * _OFFICE_DEG) / _CELL_DEG)
    y = int((place.latitude - _SOUTH - row * _OFFICE_DEG) / _CELL_DEG)
    return "".join(chr(65 + part) for part in (number // 676, number // 26 % 26, number % 26)), x, y


def _middle(office: str, x: int, y: int) -> Place:
    number = sum((ord(letter) - 65) * 26**i for i, letter in enumerate(reversed(office)))
    row, column = divmod(number, _COLUMNS)
    latitude = _SOUTH + row * _OFFICE_DEG + (y + 0.5) * _CELL_DEG
    longitude = _WEST + column * _OFFICE_DEG + (x + 0.5) * _CELL_DEG
    if not (latitude < 72.0 and longitude < -60.0 and max(x, y) < _OFFICE_DEG / _CELL_DEG):
        raise RefusedError(problem(404, "Not Found", f"Grid {office}/{x},{y} does not exist."))
    return Place(round(latitude, 4), round(longitude, 4))


def _cached(told: Answer, scene: Scene, lasting: timedelta) -> None:
    told.headers["Cache-Control"] = f"public, max-age={lasting // timedelta(seconds=1)}, s-maxage=120"
    told.headers["Expires"] = http_date(scene.now + lasting)


# --- grids -------------------------------------------------------------------------------------------------------


def _grid(request: Request, scene: Scene, office: str, x: int, y: int) -> Answer:
    place = _middle(office, x, y)
    updated_s = _updated(scene.newest_s)
    hour_s = updated_s // HOUR_S * HOUR_S
    start = hour_s - _PAST_H * HOUR_S
    stamps = start + HOUR_S * np.arange(_LENGTH_H + 1)
    hours = scene.spoiled(scene.scenario.forecast(place, stamps, hour_s, "nws"))
    shown = scene.shown(place)
    payload = {
        "id": f"{request.root}/gridpoints/{office}/{x},{y}",
        "type": "Feature",
        "geometry": {"type": "Polygon", "coordinates": [_corners(shown)]},
        "properties": {
            "@id": f"{request.root}/gridpoints/{office}/{x},{y}",
            "@type": "wx:Gridpoint",
            "updateTime": _offset(updated_s),
            "validTimes": f"{_offset(start)}/{_duration(_LENGTH_H)}",
            "elevation": {"unitCode": "wmoUnit:m", "value": terrain_m(place.latitude, place.longitude)},
            "forecastOffice": f"{request.root}/offices/{office}",
            "gridId": office,
            "gridX": str(x),
            "gridY": str(y),
            **_layers(scene, hours, place),
        },
    }
    told = json_answer(payload, media=GEOJSON)
    _cached(told, scene, timedelta(minutes=30))
    return packed(confirmed(request, told, moment_of(updated_s)), request)


def _updated(now_s: int) -> int:
    """The last time that the forecasters sent a grid: about once an hour, at no fixed minute."""
    hours = now_s // HOUR_S - np.arange(2)
    sent = hours * HOUR_S + hours * 37 % 55 * 60 + 41
    return int(sent[sent <= now_s].max())


def _corners(middle: Place) -> list[list[float]]:
    half = _CELL_DEG / 2.0
    ring = ((-half, -half), (-half, half), (half, half), (half, -half), (-half, -half))
    return [[round(middle.longitude + east, 7), round(middle.latitude + north, 7)] for east, north in ring]


def _layers(scene: Scene, hours: Hours, place: Place) -> dict[str, Any]:
    """State layers by the hour that begins at each stamp, and rain in totals of six hours."""
    now = hours.only(slice(0, _LENGTH_H))
    temp_f = np.round(_blocked(now.temp_c[0]) * 1.8 + 32.0)  # forecasters work in whole degrees and knots
    knots = np.round(_blocked(now.wind_ms[0]) * 3.6 / _KNOT_KMH)
    sky = 5.0 * np.round(20.0 * _blocked(now.cloud_frac[0]))
    humidity = np.round(_blocked(VARIABLES["relative_humidity_2m"].values(now, place)[0]))
    state = {
        "temperature": ("wmoUnit:degC", (temp_f - 32.0) / 1.8),
        "relativeHumidity": ("wmoUnit:percent", humidity),
        "windSpeed": ("wmoUnit:km_h-1", knots * _KNOT_KMH),
        "windGust": ("wmoUnit:km_h-1", np.round(1.7 * knots) * _KNOT_KMH),
        "skyCover": ("wmoUnit:percent", sky),
    }
    starts = now.stamps.tolist()
    layers: dict[str, Any] = {
        name: {"uom": scene.unit(uom), "values": _runs_of_equals(starts, values)}
        for name, (uom, values) in state.items()
    }
    # Rain of the hour that begins at a stamp stands at the next one.
    falls = np.round(hours.rain_mm[0, 1:], 1)
    layers["quantitativePrecipitation"] = {"uom": scene.unit("wmoUnit:mm"), "values": _totals(starts, falls)}
    return layers | {"pressure": {"values": []}, "snowLevel": {"values": []}}


def _blocked(values: Floats) -> Floats:
    """Hours as they are, and from some lead on blocks of three hours."""
    late = np.arange(len(values))
    first = np.where(late >= _FINE_H, late - late % 3, late)
    result: Floats = values[first]
    return result


def _runs_of_equals(starts: list[int], values: Floats) -> list[dict[str, Any]]:
    """Equal values of consecutive hours run together, as the service writes them."""
    both_missing = np.isnan(values[1:]) & np.isnan(values[:-1])
    differs = (values[1:] != values[:-1]) & ~both_missing
    new = np.flatnonzero(np.concatenate([[True], differs]))
    ends = np.append(new[1:], len(values))
    return [_entry(starts[i], int(j - i), values[i]) for i, j in zip(new.tolist(), ends.tolist(), strict=True)]


def _totals(starts: list[int], falls: Floats) -> list[dict[str, Any]]:
    """Totals of intervals that end at 00, 06, 12 and 18 UTC; the first one is cut."""
    ends = [i for i in range(1, len(starts)) if starts[i] % (6 * HOUR_S) == 0]
    bounds = [0, *ends, len(starts)]
    return [_entry(starts[a], b - a, np.round(falls[a:b].sum(), 1)) for a, b in pairwise(bounds)]


def _entry(start: int, hours: int, value: float) -> dict[str, Any]:
    number = None if np.isnan(value) else float(value)
    return {"validTime": f"{_offset(start)}/{_duration(hours)}", "value": number}


def _offset(seconds: int) -> str:
    return f"{moment_of(seconds):%Y-%m-%dT%H:%M:%S}+00:00"


def _duration(hours: int) -> str:
    """Like PT6H, P1D, P7DT14H."""
    days, rest = divmod(hours, DAY_S // HOUR_S)
    return "P" + (f"{days}D" if days else "") + (f"T{rest}H" if rest else "")
