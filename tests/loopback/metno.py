"""MET Norway's Locationforecast 2.0 on loopback, with its terms of use.

Spoken: ``/weatherapi/locationforecast/2.0/compact`` and ``/complete``. An answer depends on the place and the time of the
last update alone, so that the same ``Last-Modified`` always means the same bytes. The limit of 20 requests a second is
not kept: the clock may stand still.
"""

from __future__ import annotations

import re
from datetime import timedelta
from typing import TYPE_CHECKING, Any

import numpy as np

from tests.loopback.exchange import (
    Answer,
    RefusedError,
    confirmed,
    html_answer,
    http_date,
    json_answer,
    moment_of,
    packed,
    zulu,
)
from tests.loopback.openmeteo_models import VARIABLES
from tests.loopback.scenario import DAY_S, HOUR_S, Hours, Place

if TYPE_CHECKING:
    from tests.loopback.exchange import Request, Scene

NORDIC = (54.0, 73.0, 0.0, 32.0)
"""South, north, west, east: updated every hour; the rest of the Earth every six."""
LASTING = timedelta(minutes=30)
_DELAY_S = 7 * HOUR_S
_MEMBERS = 11
_GENERIC = re.compile(r"^(python|curl|wget|java|okhttp|go-http|mozilla|node|axios|postman|$)", re.IGNORECASE)
_CONTACT = re.compile(r"\w@\w|\w\.[a-z]{2,}", re.IGNORECASE)
UNITS = {
    "air_pressure_at_sea_level": "hPa",
    "air_temperature": "celsius",
    "air_temperature_max": "celsius",
    "air_temperature_min": "celsius",
    "air_temperature_percentile_10": "celsius",
    "air_temperature_percentile_90": "celsius",
    "cloud_area_fraction": "%",
    "dew_point_temperature": "celsius",
    "precipitation_amount": "mm",
    "precipitation_amount_max": "mm",
    "precipitation_amount_min": "mm",
    "probability_of_precipitation": "%",
    "relative_humidity": "%",
    "wind_from_direction": "degrees",
    "wind_speed": "m/s",
    "wind_speed_of_gust": "m/s",
    "wind_speed_percentile_10": "m/s",
    "wind_speed_percentile_90": "m/s",
}
_COMPACT = (
    "air_pressure_at_sea_level",
    "air_temperature",
    "cloud_area_fraction",
    "precipitation_amount",
    "relative_humidity",
    "wind_from_direction",
    "wind_speed",
)


def answer(request: Request, scene: Scene) -> Answer:
    """Answer a request to the service."""
    form = re.fullmatch(r"/weatherapi/locationforecast/2\.0/(compact|complete)", request.path)
    if form is None:
        raise RefusedError(html_answer(404, "404 Not Found"))
    agent = request.headers.get("user-agent", "")
    if _GENERIC.match(agent) or not _CONTACT.search(agent):
        raise RefusedError(html_answer(403, "403 Forbidden: identify yourself with a contact in User-Agent"))
    place = _place(request)
    run_s, updated_s = _update(scene, place)
    shown = scene.shown(place)
    # Longitude first, as in GeoJSON (RFC 7946, 3.1.1).
    coordinates = [shown.longitude, shown.latitude, round(shown.height_m)]
    payload = {
        "type": "Feature",
        "geometry": {"type": "Point", "coordinates": coordinates},
        "properties": _forecast(scene, place, run_s, updated_s, full=form[1] == "complete"),
    }
    told = json_answer(payload, media="application/json")
    told.headers["Expires"] = http_date(scene.now + LASTING)
    return packed(confirmed(request, told, moment_of(updated_s)), request)


def _place(request: Request) -> Place:
    numbers = []
    for name, most in (("lat", 90.0), ("lon", 180.0)):
        form = re.fullmatch(r"-?\d{1,3}(?:\.(\d+))?", request.text(name))
        if form is None or abs(float(form[0])) > most:
            raise RefusedError(html_answer(400, f"400 Bad Request: {name} is missing or out of range"))
        if form[1] and len(form[1]) > 4:
            raise RefusedError(html_answer(403, "403 Forbidden: use four decimals at most"))
        numbers.append(float(form[0]))
    altitude = request.text("altitude")
    if altitude and not re.fullmatch(r"-?\d{1,4}", altitude):
        raise RefusedError(html_answer(400, "400 Bad Request: altitude must be a whole number"))
    return Place(numbers[0], numbers[1], float(altitude) if altitude else None)


def _update(scene: Scene, place: Place) -> tuple[int, int]:
    """Start of the newest run and the time at which the forecast was made from it, epoch seconds."""
    south, north, west, east = NORDIC
    if south <= place.latitude <= north and west <= place.longitude <= east:
        run = (scene.newest_s - HOUR_S) // HOUR_S * HOUR_S
        return run, run + HOUR_S
    run = (scene.newest_s - _DELAY_S) // (6 * HOUR_S) * 6 * HOUR_S
    return run, run + _DELAY_S


def _forecast(scene: Scene, place: Place, run_s: int, updated_s: int, *, full: bool) -> dict[str, Any]:
    first = updated_s // HOUR_S * HOUR_S + HOUR_S
    coarse = -(-(first + 52 * HOUR_S) // (6 * HOUR_S)) * 6 * HOUR_S  # steps of six hours from here on
    last = first // DAY_S * DAY_S + 9 * DAY_S + 18 * HOUR_S
    stamps = np.arange(first, last + 7 * HOUR_S, HOUR_S)
    told = scene.spoiled(scene.scenario.forecast(place, stamps, run_s, "met norway", range(_MEMBERS)))
    steps = [*range(first, coarse, HOUR_S), *range(coarse, last + 1, 6 * HOUR_S)]
    series = [_step(told, place, first, step, coarse, last, full=full) for step in steps]
    wanted = UNITS if full else _COMPACT
    units = {name: scene.unit(UNITS[name]) for name in wanted}
    return {"meta": {"updated_at": zulu(updated_s), "units": units}, "timeseries": series}


def _step(hours: Hours, place: Place, first: int, at: int, coarse: int, last: int, *, full: bool) -> dict[str, Any]:
    i = (at - first) // HOUR_S
    hourly = at < coarse
    data: dict[str, Any] = {"instant": {"details": _instant(hours, place, i, full=full, hourly=hourly)}}
    if at < last:
        if at % (6 * HOUR_S) == 0 or not hourly:
            data["next_12_hours"] = {"summary": {"symbol_code": _symbol(hours, i)}, "details": {}}
        if hourly:
            data["next_1_hours"] = _period(hours, i, 1, full=full)
        if not hourly or at + 6 * HOUR_S <= coarse:
            data["next_6_hours"] = _period(hours, i, 6, full=full)
    return {"time": zulu(at), "data": data}


def _instant(hours: Hours, place: Place, i: int, *, full: bool, hourly: bool) -> dict[str, float | None]:
    control = hours.only(slice(i, i + 1))
    details = {
        "air_pressure_at_sea_level": 1013.0,
        "air_temperature": hours.temp_c[0, i],
        "cloud_area_fraction": 100.0 * hours.cloud_frac[0, i],
        "relative_humidity": VARIABLES["relative_humidity_2m"].values(control, place)[0, 0],
        "wind_from_direction": 250.0,
        "wind_speed": hours.wind_ms[0, i],
    }
    if full:
        for name, values in (("air_temperature", hours.temp_c[:, i]), ("wind_speed", hours.wind_ms[:, i])):
            low, high = np.percentile(values, (10, 90))
            details |= {f"{name}_percentile_10": low, f"{name}_percentile_90": high}
        details["dew_point_temperature"] = VARIABLES["dew_point_2m"].values(control, place)[0, 0]
        if hourly:
            details["wind_speed_of_gust"] = 1.7 * hours.wind_ms[0, i] + 0.5
    return {name: _number(value) for name, value in details.items()}


def _period(hours: Hours, i: int, length: int, *, full: bool) -> dict[str, Any]:
    """Rain of the hours that begin at the step: those that end one hour later and so on."""
    within = slice(i + 1, i + 1 + length)
    totals = hours.rain_mm[:, within].sum(axis=1)
    details = {"precipitation_amount": totals[0]}
    if full:
        low, high = np.percentile(totals, (10, 90))
        details |= {
            "precipitation_amount_min": min(low, totals[0]),
            "precipitation_amount_max": max(high, totals[0]),
            "probability_of_precipitation": 100.0 * np.mean(totals > 0.1),
        }
        if length == 6:
            temps = hours.temp_c[0, within]
            details |= {"air_temperature_max": temps.max(), "air_temperature_min": temps.min()}
    symbol = {"symbol_code": "rain" if totals[0] > 0.1 else _symbol(hours, i)}
    return {"summary": symbol, "details": {name: _number(value) for name, value in details.items()}}


def _symbol(hours: Hours, i: int) -> str:
    return "cloudy" if hours.cloud_frac[0, i] > 0.7 else "fair_day"


def _number(value: float) -> float | None:
    return None if np.isnan(value) else round(float(value), 1) + 0.0
