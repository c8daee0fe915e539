"""Bright Sky on loopback: ``/weather`` and ``/sources`` over a handful of invented stations in Germany.

What is past comes from observations, what is to come from the newest MOSMIX; both stand in one list, told apart by the
type of their source only.
"""

from __future__ import annotations

import re
from contextlib import suppress
from datetime import UTC, datetime, timedelta, tzinfo
from typing import TYPE_CHECKING, Any
from zoneinfo import ZoneInfo, ZoneInfoNotFoundError

import numpy as np

from tests.loopback.exchange import Answer, RefusedError, json_answer, moment_of, packed
from tests.loopback.mosmix import STATIONS, STEPS, Station, issues
from tests.loopback.openmeteo_models import VARIABLES
from tests.loopback.scenario import DAY_S, HOUR_S, Hours, Place

if TYPE_CHECKING:
    from tests.loopback.exchange import Request, Scene

_EARTH_M = 6_371_000.0
_CURRENT_S = 2 * DAY_S
_FIRST_S = int(datetime(2010, 1, 1, tzinfo=UTC).timestamp())


_TYPES = ("historical", "current", "forecast")


def answer(request: Request, scene: Scene) -> Answer:
    """Answer a request to the service."""
    if request.path == "/weather":
        return packed(_weather(request, scene), request)
    if request.path == "/sources":
        rows = [_source(s, kind, d, scene) for s, d in _stations(request) for kind in _TYPES]
        return packed(json_answer({"sources": rows}, media="application/json"), request)
    raise RefusedError(json_answer({"detail": "Not Found"}, status=404))


def _weather(request: Request, scene: Scene) -> Answer:
    zone = _zone(request)
    first, last, zone = _span(request, zone)
    if request.text("units", "dwd") not in {"dwd", "si"}:
        raise _invalid("units", "Input should be 'dwd' or 'si'")
    near = _stations(request)
    issue = issues(scene.newest_s)[0]
    stamps = np.arange(-(-first // HOUR_S) * HOUR_S, last + 1, HOUR_S, dtype=np.int64)
    stamps = stamps[(stamps >= _FIRST_S) & (stamps <= issue + STEPS * HOUR_S)]
    observed = stamps <= scene.now_s - HOUR_S
    rows: list[dict[str, Any]] = []
    used: dict[int, dict[str, Any]] = {}
    for kind, wanted in (("observed", observed), ("forecast", ~observed)):
        if wanted.any():
            rows += _rows(scene, near, stamps[wanted], issue, kind, request.text("units", "dwd"), zone, used)
    if not rows:
        raise RefusedError(json_answer({"detail": "Could not find any weather for your location criteria"}, status=404))
    return json_answer({"weather": rows, "sources": [used[i] for i in sorted(used)]}, media="application/json")


def _rows(
    scene: Scene,
    near: list[tuple[Station, int]],
    stamps: np.ndarray[Any, np.dtype[np.int64]],
    issue: int,
    kind: str,
    units: str,
    zone: tzinfo,
    used: dict[int, dict[str, Any]],
) -> list[dict[str, Any]]:
    station, distance = near[0]
    with_sun = next(((s, d) for s, d in near if s.has_sunshine), None)
    if kind == "forecast":
        hours = scene.scenario.forecast(station.place, stamps, issue, "mosmix")
        before = scene.scenario.forecast(station.place, stamps - HOUR_S, issue, "mosmix")
        hours, before = _first(hours), _first(before)
    else:
        hours = scene.scenario.truth(station.place, stamps)
        before = scene.scenario.truth(station.place, stamps - HOUR_S)
    wind_ms = scene.spoiled(hours).wind_ms + scene.spoiled(before).wind_ms
    hours = scene.spoiled(hours)
    humidity = VARIABLES["relative_humidity_2m"].values(hours, station.place)
    dew_c = VARIABLES["dew_point_2m"].values(hours, station.place)
    sunshine_s = VARIABLES["sunshine_duration"].values(hours, station.place)
    rows = []
    for i, stamp in enumerate(stamps.tolist()):
        of = kind if kind == "forecast" else "historical" if stamp < scene.now_s - _CURRENT_S else "current"
        source = _source(station, of, distance, scene)
        used[source["id"]] = source
        row: dict[str, Any] = {
            "timestamp": moment_of(stamp).astimezone(zone).isoformat(),
            "source_id": source["id"],
            "precipitation": _given(hours.rain_mm[i]),
            "pressure_msl": _pressure(1013.0, units),
            "sunshine": _given(sunshine_s[i] / 60.0 if units == "dwd" else sunshine_s[i], 0),
            "temperature": _kelvin(hours.temp_c[i], units),
            "wind_direction": 250,
            "wind_speed": _given(0.5 * wind_ms[i] * (3.6 if units == "dwd" else 1.0)),
            "cloud_cover": _given(100.0 * hours.cloud_frac[i], 0),
            "dew_point": _kelvin(dew_c[i], units),
            "relative_humidity": None if of == "forecast" else _given(humidity[i], 0),
            "visibility": 30000,
            "wind_gust_direction": None,
            "wind_gust_speed": _given((0.85 * wind_ms[i] + 0.5) * (3.6 if units == "dwd" else 1.0)),
            "condition": "rain" if hours.rain_mm[i] > 0.0 else "dry",
            "precipitation_probability": _odds(hours, i) if of == "forecast" else None,
            "precipitation_probability_6h": _odds(hours, i) if of == "forecast" and stamp % (6 * HOUR_S) == 0 else None,
            "solar": None if of == "current" else _solar(hours.ghi_wm2[i], units),
        }
        if of != "forecast" and not station.has_sunshine:
            if with_sun is None:
                row["sunshine"] = None
            else:
                other = _source(with_sun[0], of, with_sun[1], scene)
                used[other["id"]] = other
                row["fallback_source_ids"] = {"sunshine": other["id"]}
        row["icon"] = "cloudy" if hours.cloud_frac[i] > 0.7 else "partly-cloudy-day"
        rows.append(row)
    return rows


def _first(hours: Hours) -> Hours:
    return Hours(
        hours.stamps, hours.temp_c[0], hours.wind_ms[0], hours.cloud_frac[0], hours.rain_mm[0], hours.ghi_wm2[0]
    )


def _odds(hours: Hours, i: int) -> int | None:
    cloud = hours.cloud_frac[i]
    return (
        None if np.isnan(cloud) else int(min(100.0, max(0.0, 100.0 * (cloud - 0.5)) + 40.0 * (hours.rain_mm[i] > 0.0)))
    )


def _given(value: float, digits: int = 1) -> float | int | None:
    if np.isnan(value):
        return None
    return round(float(value), digits) + 0.0 if digits else round(float(value))


def _kelvin(temp_c: float, units: str) -> float | None:
    return _given(temp_c) if units == "dwd" else _given(temp_c + 273.15, 2)


def _pressure(hpa: float, units: str) -> float:
    return hpa if units == "dwd" else hpa * 100.0


def _solar(ghi_wm2: float, units: str) -> float | None:
    """Irradiation of the hour before: kWh/m², or J/m²."""
    return _given(ghi_wm2 / 1000.0, 3) if units == "dwd" else _given(ghi_wm2 * HOUR_S, 0)


# --- stations ------------------------------------------------------------------------------------------------------


def _stations(request: Request) -> list[tuple[Station, int]]:
    """Stations that are meant, nearest first, with their distance in metres."""
    for name, field in (("dwd_station_id", "dwd_id"), ("wmo_station_id", "wmo_id")):
        wanted = request.items(name)
        if wanted:
            found = [(s, 0) for s in STATIONS if getattr(s, field) in wanted]
            break
    else:
        place = _place(request)
        text = request.text("max_dist", "50000")
        if not text.isdigit() or int(text) > 500_000:
            raise _invalid("max_dist", "Input should be less than or equal to 500000")
        distances = [(s, round(_distance_m(place, s))) for s in STATIONS]
        found = sorted(((s, d) for s, d in distances if d <= int(text)), key=lambda pair: pair[1])
    if not found:
        raise RefusedError(json_answer({"detail": "Could not find any sources for your location criteria"}, status=404))
    return found


def _place(request: Request) -> Place:
    numbers = []
    for name, most in (("lat", 90.0), ("lon", 180.0)):
        value = None
        with suppress(ValueError):
            value = float(request.text(name))
        if value is None or not abs(value) <= most:
            raise _invalid(name, f"Input should be a valid number from -{most:g} to {most:g}")
        numbers.append(value)
    return Place(numbers[0], numbers[1])


def _distance_m(place: Place, station: Station) -> float:
    """Along a great circle (haversine)."""
    lat1, lat2 = np.radians(place.latitude), np.radians(station.latitude)
    east = np.radians(station.longitude - place.longitude)
    h = np.sin((lat2 - lat1) / 2.0) ** 2 + np.cos(lat1) * np.cos(lat2) * np.sin(east / 2.0) ** 2
    return float(2.0 * _EARTH_M * np.arcsin(np.sqrt(h)))


def _source(station: Station, kind: str, distance: int, scene: Scene) -> dict[str, Any]:
    issue = issues(scene.newest_s)[0]
    spans = {
        "historical": (_FIRST_S, scene.now_s // DAY_S * DAY_S - DAY_S),
        "current": (scene.now_s // HOUR_S * HOUR_S - _CURRENT_S, scene.now_s // HOUR_S * HOUR_S - HOUR_S),
        "forecast": (issue + HOUR_S, issue + STEPS * HOUR_S),
    }
    place = station.place
    shown = scene.shown(place)
    first, last = spans[kind]
    return {
        "id": 10 * station.number + _TYPES.index(kind) + 1,
        "dwd_station_id": station.dwd_id,
        "observation_type": kind,
        "lat": round(shown.latitude, 2),
        "lon": round(shown.longitude, 2),
        "height": station.height_m,
        "station_name": station.name,
        "wmo_station_id": station.wmo_id,
        "first_record": moment_of(first).isoformat(),
        "last_record": moment_of(last).isoformat(),
        "distance": distance if shown is place else distance + 1_000_000,
    }


# --- reading a query -----------------------------------------------------------------------------------------------


def _zone(request: Request) -> tzinfo:
    name = request.text("tz")
    if not name:
        return UTC
    try:
        return ZoneInfo(name)
    except (ZoneInfoNotFoundError, ValueError):
        raise _invalid("tz", f"Value error, Unknown timezone: {name}") from None


def _span(request: Request, zone: tzinfo) -> tuple[int, int, tzinfo]:
    """First and last moment, epoch seconds, and the zone in which times are told."""
    first = _moment(request, "date", zone)
    if first is None:
        raise _invalid("date", "Field required")
    last = _moment(request, "last_date", zone) or first + timedelta(days=1)
    if not request.text("tz") and re.search(r"[+-]\d\d:?\d\d$", request.text("date")):
        zone = first.tzinfo or zone
    return int(first.timestamp()), int(last.timestamp()), zone


def _moment(request: Request, name: str, zone: tzinfo) -> datetime | None:
    text = request.text(name)
    if not text:
        return None
    try:
        moment = datetime.fromisoformat(text)
    except ValueError:
        raise _invalid(name, "Input should be a valid datetime or date") from None
    return moment if moment.tzinfo else moment.replace(tzinfo=zone)


def _invalid(name: str, words: str) -> RefusedError:
    detail = [{"type": "value_error", "loc": ["query", name], "msg": words, "input": None}]
    return RefusedError(json_answer({"detail": detail}, status=422))
