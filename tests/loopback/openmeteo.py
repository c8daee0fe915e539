"""Open-Meteo on loopback: the hosts, the budget of calls, and the small services beside the weather.

Written after the service's documentation and source of 2026; ``README.md`` beside this file lists what is spoken and
what is not. What is not spoken is refused with status 501, so that nobody mistakes it for weather.
"""

from __future__ import annotations

import re
import threading
from typing import TYPE_CHECKING, Any

from tests.loopback.exchange import Answer, RefusedError, json_answer, packed
from tests.loopback.openmeteo_models import ENSEMBLES, MODELS
from tests.loopback.openmeteo_weather import Asked, numbers, refused
from tests.loopback.scenario import DAY_S, HOUR_S, Place, terrain_m

if TYPE_CHECKING:
    from datetime import datetime

    from tests.loopback.exchange import Request, Scene

PLACES: tuple[dict[str, Any], ...] = (
    {"id": 9000001, "name": "Ambleholt", "latitude": 52.14, "longitude": -1.71, "elevation": 96.0,
     "feature_code": "PPL", "country_code": "GB", "timezone": "Europe/London", "population": 2310,
     "country": "United Kingdom", "admin1": "England"},
    {"id": 9000002, "name": "Ambleholt", "latitude": 44.02, "longitude": -71.65, "elevation": 310.0,
     "feature_code": "PPL", "country_code": "US", "timezone": "America/New_York", "country": "United States"},
    {"id": 9000003, "name": "Grünau an der Lahle", "latitude": 50.62, "longitude": 9.18, "elevation": 240.0,
     "feature_code": "PPL", "country_code": "DE", "timezone": "Europe/Berlin", "population": 840, "country": "Germany"},
    {"id": 9000004, "name": "Vestøy", "latitude": 59.41, "longitude": 10.47, "elevation": 12.0,
     "feature_code": "PPL", "country_code": "NO", "timezone": "Europe/Oslo", "country": "Norway"},
)  # fmt: skip
"""Invented places, as the search for names tells them."""


def answer(request: Request, scene: Scene, budget: Budget) -> Answer:
    """Answer a request to one of the hosts of the service."""
    host = request.service.removeprefix("open-meteo-")
    run_times = re.fullmatch(r"/data/([a-z0-9_]+)/static/meta\.json", request.path)
    if run_times and host in {"forecast", "ensemble"}:
        return _run_times(run_times[1], host, scene)
    paths = {
        "forecast": {"/v1/forecast", "/v1/elevation"},
        "ensemble": {"/v1/ensemble"},
        "archive": {"/v1/archive"},
        "geocoding": {"/v1/search", "/v1/get"},
    }
    if request.path not in paths.get(host, {"/v1/forecast"}):
        return json_answer({"error": True, "reason": "Not Found"}, status=404)
    budget.check(request, scene.now)
    try:
        if host == "geocoding":
            told = _places(request)
        elif request.path == "/v1/elevation":
            told = _elevation(request, scene)
        else:
            told = Asked(request, scene, host).told()
    except RefusedError as error:
        budget.add(request, error.answer.weight, scene.now)
        raise
    budget.add(request, told.weight, scene.now)
    return packed(told, request)


class Budget:
    """Weighted calls a minute, hour and day. Whoever sends an ``apikey`` has a contract of his own.

    A call is refused when what was used before it has reached a limit (as the service is remembered to do it), so
    that the last call may go beyond.
    """

    LIMITS = (
        ("Minutely", 60, 600.0, "in one minute"),
        ("Hourly", HOUR_S, 5000.0, "in the next hour"),
        ("Daily", DAY_S, 10000.0, "tomorrow"),
    )

    def __init__(self) -> None:
        self._lock = threading.Lock()
        self._used: list[tuple[float, float]] = []

    def check(self, request: Request, now: datetime) -> None:
        """Raise 429 if nothing is left."""
        if request.text("apikey"):
            return
        for name, length_s, limit, words in reversed(self.LIMITS):
            if self.used(length_s, now) >= limit:
                error = refused(f"{name} API request limit exceeded. Please try again {words}.", 429)
                error.answer.weight = 0.0
                raise error

    def add(self, request: Request, weight: float, now: datetime) -> None:
        """Count a call."""
        if not request.text("apikey"):
            with self._lock:
                self._used.append((now.timestamp(), weight))

    def used(self, length_s: int, now: datetime) -> float:
        """Weighted calls since the full minute, hour or day began."""
        begun = now.timestamp() // length_s * length_s
        with self._lock:
            return sum(weight for at, weight in self._used if begun <= at < begun + length_s)

    def clear(self) -> None:
        """Forget all calls."""
        with self._lock:
            self._used.clear()


def _run_times(name: str, host: str, scene: Scene) -> Answer:
    model = (ENSEMBLES if host == "ensemble" else MODELS).get(name)
    if model is None or name == "best_match":
        return json_answer({"error": True, "reason": "Not Found"}, status=404)
    run = model.newest_run(scene)
    there = run + model.delay_min * 60
    times = {
        "chunk_time_length": 504,
        "crs_wkt": "",
        "data_end_time": run + model.reach_h(run) * HOUR_S,
        "last_run_availability_time": there,
        "last_run_initialisation_time": run,
        "last_run_modification_time": there - 120,
        "temporal_resolution_seconds": model.step_h * HOUR_S,
        "update_interval_seconds": model.cycle_h * HOUR_S,
    }
    return json_answer(times, weight=0.0)  # a file, not a call


def _elevation(request: Request, scene: Scene) -> Answer:
    latitudes, longitudes = numbers(request, "latitude"), numbers(request, "longitude")
    if len(latitudes) != len(longitudes) or not latitudes:
        raise refused("Parameter 'latitude' and 'longitude' must have the same amount of elements")
    if len(latitudes) > 100:
        raise refused("Parameter 'latitude' and 'longitude' must not exceed 100 coordinates.")
    heights = []
    for latitude, longitude in zip(latitudes, longitudes, strict=True):
        shown = scene.shown(Place(latitude, longitude))
        at_edge = latitude >= 90.0 or longitude >= 180.0
        heights.append("nan" if at_edge else str(terrain_m(shown.latitude, shown.longitude)))
    text = '{"elevation":[' + ",".join(heights) + "]}"  # "nan" is no JSON, and the service writes it
    return Answer(200, text.encode(), {"Content-Type": "application/json; charset=utf-8"})


def _places(request: Request) -> Answer:
    if request.path == "/v1/get":
        found = [place for place in PLACES if str(place["id"]) == request.text("id")]
        return json_answer(found[0]) if found else json_answer({"error": True, "reason": "Not Found"}, status=404)
    name, country = request.text("name").casefold(), request.text("countryCode").upper()
    if not name:
        raise refused("Parameter 'name' must be set")
    count = request.text("count", "10")
    if not (count.isdigit() and 1 <= int(count) <= 100):
        raise refused(f"Parameter count must be between 1 and 100. Given: {count}")
    found = [
        place
        for place in PLACES
        if len(name) > 1 and str(place["name"]).casefold().startswith(name) and country in {"", place["country_code"]}
    ]
    results: dict[str, Any] = {"results": found[: int(count)]} if found else {}
    return json_answer(results | {"generationtime_ms": 0.1})
