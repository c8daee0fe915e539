"""A request for weather to Open-Meteo, read, refused or answered: columns, models, places, days, units."""

from __future__ import annotations

import math
import re
from contextlib import suppress
from dataclasses import dataclass, field, replace
from datetime import UTC, date, datetime, timedelta, timezone
from typing import TYPE_CHECKING, Any
from zoneinfo import ZoneInfo, ZoneInfoNotFoundError

import numpy as np

from tests.loopback.exchange import RefusedError, json_answer, listed, moment_of
from tests.loopback.openmeteo_models import (
    ENSEMBLES,
    KEPT_DAYS,
    MODELS,
    NOT_MODELLED,
    REANALYSES,
    RENAMED,
    UNIT_KEYS,
    VARIABLES,
    Model,
    archive_hours,
    conversion,
    model_hours,
    over_steps,
)
from tests.loopback.scenario import DAY_S, HOUR_S, Hours, Place

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator

    from tests.loopback.exchange import Answer, Request, Scene
    from tests.loopback.scenario import Seconds

PAST_DAYS_MAX = 92
MAX_DAYS = {"forecast": 16, "ensemble": 36, "previous-runs": 16, "single-runs": 16}
FIRST_ARCHIVE_DAY = date(1940, 1, 1)
_MAX_PLACES, _MAX_WEIGHT = 1000, 5000.0
_UNSPOKEN = frozenset(
    {
        "daily", "current", "current_weather", "minutely_15", "past_hours", "forecast_hours", "start_hour", "end_hour",
        "bounding_box", "tilt", "azimuth", "format", "location_id", "start_minutely_15", "end_minutely_15",
    }
)  # fmt: skip
_PREVIOUS = re.compile(r"(.+)_previous_day([1-7])")


def refused(reason: str, status: int = 400) -> RefusedError:
    """A refusal with its reason, as the service words it."""
    return RefusedError(json_answer({"error": True, "reason": reason}, status=status))


@dataclass(frozen=True)
class _Spot:
    """A place that is asked for, and over which local days."""

    place: Place
    number: int
    zone: tuple[str, str, int]
    days: tuple[date, date] | None


@dataclass
class Asked:
    """A request for weather, read."""

    request: Request
    scene: Scene
    host: str
    models: list[Model] = field(default_factory=list)
    columns: list[str] = field(default_factory=list)

    def told(self) -> Answer:
        """The answer, or the refusal with its reason."""
        self._check()
        self.columns, self.models = self._columns(), self._models()
        spots = list(self._spots())
        axes = [self._hours(spot) for spot in spots]
        weight = sum(self._weight(axis) for axis in axes)
        if weight > _MAX_WEIGHT:
            raise refused("Too many variables, days, models or locations in one request")
        answers = [self._answer(spot, axis) for spot, axis in zip(spots, axes, strict=True)]
        return json_answer(answers[0] if len(answers) == 1 else answers, weight=weight)

    def _weight(self, axis: tuple[Seconds, int]) -> float:
        """Open-Meteo pricing page and server code: max(1, V/10, V/10 · days/14) for each place."""
        stamps, step_h = axis
        tens = sum(m.members for m in self.models) * len(self.columns) / 10.0
        return max(1.0, tens, tens * (len(stamps) * step_h / 24.0) / 14.0)

    def _check(self) -> None:
        for name, value in self.request.query:
            if name in _UNSPOKEN and value:
                raise refused(f"The loopback server does not speak '{name}'", 501)
        for name, allowed in (
            ("timeformat", {"", "iso8601", "unixtime"}),
            ("temporal_resolution", {"", "native", "hourly", "hourly_1", "hourly_3", "hourly_6"}),
        ):
            if self.request.text(name) not in allowed:
                raise _not_initialised(name, self.request.text(name), name)
        for kind, key in UNIT_KEYS.items():
            if conversion(kind, self.request.text(key)) is None:
                raise _not_initialised(key, self.request.text(key), key)

    def _columns(self) -> list[str]:
        columns = list(dict.fromkeys(self.request.items("hourly")))
        for column in columns:
            previous = _PREVIOUS.fullmatch(column) if self.host == "previous-runs" else None
            if (previous[1] if previous else column) not in {*VARIABLES, *NOT_MODELLED}:
                raise _not_initialised("ForecastVariable", column, "hourly")
        return columns

    def _models(self) -> list[Model]:
        names = self.request.items("models")
        known: dict[str, Model] = MODELS
        if self.host == "ensemble":
            known = ENSEMBLES
            names = [RENAMED.get(name, name) for name in names] or ["ncep_gefs_seamless"]
        elif self.host == "archive":
            known = {name: replace(MODELS["best_match"], name=name, grid_deg=0.25) for name in REANALYSES}
        for name in names:
            if name not in known:
                raise _not_initialised("MultiDomains", name, "models")
        return [known[name] for name in names or ["best_match"]]

    # --- places, days, hours -----------------------------------------------------------------------------------

    def _spots(self) -> Iterator[_Spot]:
        places, ranges = self._places(), self._ranges()
        zones = self.request.items("timezone") or ["GMT"]
        if len(zones) not in {1, len(places)}:
            raise refused("Parameter 'latitude' and 'longitude' must have the same number of elements")
        spots = [
            _Spot(p, i, self._zone(zones[i if len(zones) > 1 else 0], p), ranges[0] if ranges else None)
            for i, p in enumerate(places)
        ]
        if len(ranges) < 2:
            yield from spots
        elif len(spots) == 1:  # one place and several ranges of days: one answer for each
            yield from (replace(spots[0], days=days) for days in ranges)
        elif len(ranges) == len(spots):
            yield from (replace(spot, days=days) for spot, days in zip(spots, ranges, strict=True))
        else:
            raise refused("Parameter 'start_date' and 'end_date' must have the same number of elements as coordinates")

    def _places(self) -> list[Place]:
        latitudes, longitudes = numbers(self.request, "latitude"), numbers(self.request, "longitude")
        heights = numbers(self.request, "elevation")
        if not latitudes or not longitudes:
            raise refused("Parameter 'latitude' and 'longitude' must not be empty")
        if len(latitudes) != len(longitudes):
            raise refused("Parameter 'latitude' and 'longitude' must have the same number of elements")
        if len(latitudes) > _MAX_PLACES:
            raise refused(f"Parameter 'latitude' and 'longitude' must not exceed {_MAX_PLACES} coordinates.")
        if heights and len(heights) != len(latitudes):
            raise refused("Parameter 'elevation' must have the same number of elements as coordinates")
        for latitude, longitude in zip(latitudes, longitudes, strict=True):
            if not abs(latitude) <= 90.0:
                raise refused(f"Latitude must be in range of -90 to 90°. Given: {latitude}.")
            if not abs(longitude) <= 180.0:
                raise refused(f"Longitude must be in range of -180 to 180°. Given: {longitude}.")
        return [
            Place(lat, lon, heights[i] if heights else None)
            for i, (lat, lon) in enumerate(zip(latitudes, longitudes, strict=True))
        ]

    def _zone(self, name: str, place: Place) -> tuple[str, str, int]:
        """Name, abbreviation and offset in seconds, that of now for the whole answer."""
        if name == "auto":
            hours = round(place.longitude / 15.0)
            return f"Etc/GMT{-hours:+d}" if hours else "GMT", f"GMT{hours:+d}" if hours else "GMT", hours * HOUR_S
        zone: ZoneInfo | timezone = UTC
        if name not in {"GMT", "UTC"}:
            try:
                zone = ZoneInfo(name)
            except (ZoneInfoNotFoundError, ValueError):
                raise refused("Invalid timezone") from None
        offset = int((self.scene.now.astimezone(zone).utcoffset() or timedelta(0)).total_seconds())
        return name, f"GMT{offset // HOUR_S:+d}" if offset else "GMT", offset

    def _ranges(self) -> list[tuple[date, date]]:
        first, last = self.request.items("start_date"), self.request.items("end_date")
        needed = self.host == "archive"
        if not first and not last:
            if needed:
                raise refused("Parameter 'start_date' and 'end_date' must be set")
            return []
        if self.request.text("run"):
            raise refused("Parameter 'start_date' most not be set")  # as the service spells it
        if len(first) != len(last):
            raise refused("Parameter 'start_date' and 'end_date' must have the same number of elements")
        for name in ("past_days", "forecast_days"):
            if self.request.text(name) not in {"", "0"}:
                raise refused(f"Parameter '{name}' is mutually exclusive with 'start_date' and 'end_date'")
        ranges = [(_day(a), _day(b)) for a, b in zip(first, last, strict=True)]
        today = self.scene.now.date()
        allowed = (FIRST_ARCHIVE_DAY, today - timedelta(days=1)) if needed else self._allowed(today)
        for start, end in ranges:
            if end < start:
                raise refused("End-date must be larger or equals than start-date")
            for name, day in (("start_date", start), ("end_date", end)):
                if not allowed[0] <= day <= allowed[1]:
                    raise refused(f"Parameter '{name}' is out of allowed range from {allowed[0]} to {allowed[1]}")
        return ranges

    def _allowed(self, today: date) -> tuple[date, date]:
        first = date(2021, 3, 1) if self.host == "previous-runs" else today - timedelta(days=PAST_DAYS_MAX + 1)
        return first, today + timedelta(days=MAX_DAYS[self.host])

    def _hours(self, spot: _Spot) -> tuple[Seconds, int]:
        """Time stamps in epoch seconds and their step in hours."""
        offset = spot.zone[2]
        days = self._count("forecast_days", 7, MAX_DAYS.get(self.host, 16))
        if self.host == "single-runs":
            start = self._run()
            stamps = start + HOUR_S * np.arange(24 * days, dtype=np.int64)
        elif spot.days is not None:
            first, last = spot.days
            start = _epoch(first) - offset
            stamps = start + HOUR_S * np.arange(24 * ((last - first).days + 1), dtype=np.int64)
        else:
            past = self._count("past_days", 0, PAST_DAYS_MAX)
            start = (self.scene.now_s + offset) // DAY_S * DAY_S - offset - past * DAY_S
            stamps = start + HOUR_S * np.arange(24 * (days + past), dtype=np.int64)
        wanted = self.request.text("temporal_resolution", "hourly")
        steps = {m.step_h for m in self.models}
        if wanted == "native" and len(steps) > 1:
            raise refused("Cannot return models with different time-intervals")
        step_h = steps.pop() if wanted == "native" else int(wanted.removeprefix("hourly_").replace("hourly", "1"))
        return stamps[stamps % (step_h * HOUR_S) == 0], step_h

    def _count(self, name: str, default: int, most: int) -> int:
        text = self.request.text(name, str(default))
        words = name.replace("_", " ").capitalize()
        given = int(text) if re.fullmatch(r"-?\d{1,6}", text) else -1
        if not 0 <= given <= most:
            raise refused(f"{words} is invalid. Allowed range 0 to {most}. Given {text}.")
        return given

    def _run(self) -> int:
        text = self.request.text("run")
        if not text:
            raise refused("Parameter 'run' is required")
        with suppress(ValueError):
            return int(datetime.strptime(text, "%Y-%m-%dT%H:%M").replace(tzinfo=UTC).timestamp())
        raise _not_initialised("IsoDateTime", text, "run")

    # --- the answer for one place --------------------------------------------------------------------------------

    def _answer(self, spot: _Spot, axis: tuple[Seconds, int]) -> dict[str, Any]:
        models = [m for m in self.models if m.covers(spot.place)]
        if not models:
            raise refused("No data is available for this location")
        stamps, step_h = axis
        name, short, offset = spot.zone
        shown = self.scene.shown(spot.place)
        head: dict[str, Any] = {
            "latitude": _single(round(shown.latitude / models[0].grid_deg) * models[0].grid_deg),
            "longitude": _single(round(shown.longitude / models[0].grid_deg) * models[0].grid_deg),
            "generationtime_ms": 0.25,
            "utc_offset_seconds": offset,
            "timezone": name,
            "timezone_abbreviation": short,
        }
        if math.isfinite(shown.height_m):
            head["elevation"] = float(shown.height_m)
        if spot.number:
            head["location_id"] = spot.number
        if not self.columns:
            return head
        unix = self.request.text("timeformat") == "unixtime"
        units = {"time": "unixtime" if unix else "iso8601"}
        times = stamps.tolist() if unix else [f"{moment_of(t + offset):%Y-%m-%dT%H:%M}" for t in stamps.tolist()]
        values: dict[str, list[Any]] = {"time": times}
        for model in models:
            suffix = f"_{model.name}" if len(models) > 1 else ""
            suffix = "_another_model" if "renamed_model_suffix" in self.scene.faults else suffix
            for key, unit, column in self._model_columns(model, spot.place, stamps, step_h):
                units[key + suffix], values[key + suffix] = unit, column
        return head | {"hourly_units": units, "hourly": values}

    def _model_columns(
        self, model: Model, place: Place, stamps: Seconds, step_h: int
    ) -> Iterator[tuple[str, str, list[Any]]]:
        # The place of a NaN elevation is the model's own height: no downscaling.
        here = (
            place if place.elevation_m is None or math.isfinite(place.elevation_m) else replace(place, elevation_m=None)
        )
        told: dict[str, Hours] = {}
        for column in self.columns:
            previous = _PREVIOUS.fullmatch(column)
            name, day = (previous[1], previous[2]) if previous else (column, "")
            if day not in told:
                told[day] = self.scene.spoiled(self._weather(model, here, stamps, step_h, int(day or 0)))
            yield from self._variable_columns(model, here, name, column, told[day])

    def _weather(self, model: Model, place: Place, stamps: Seconds, step_h: int, day: int) -> Hours:
        scene = self.scene
        if self.host == "archive":
            around = np.arange(stamps[0] - (step_h - 1) * HOUR_S, stamps[-1] + HOUR_S, HOUR_S)
            return over_steps(archive_hours(scene, model.name, place, around), step_h).only(np.isin(around, stamps))
        members: range = range(model.members)
        if "members_missing" in scene.faults and model.members > 1:
            members = range(0, model.members, 2)
        hours = model_hours(scene, model, place, stamps, self._runs(model, day), members=members, step_h=step_h)
        if self.host == "ensemble":
            return hours.blanked(stamps < scene.now_s - KEPT_DAYS * DAY_S)
        if self.host == "single-runs":  # sums are not known at the start of a run, and nothing after its end
            run = self._run()
            at_start = np.where(stamps <= run, np.nan, 0.0)
            hours = replace(hours, rain_mm=hours.rain_mm + at_start, ghi_wm2=hours.ghi_wm2 + at_start)
        return hours

    def _runs(self, model: Model, day: int) -> Callable[[Seconds], Seconds]:
        """The run that each hour comes from."""
        newest, cycle_s = model.newest_run(self.scene), model.cycle_h * HOUR_S
        if self.host == "single-runs":
            run = self._run()
            if run % cycle_s or run > newest:
                raise refused("No data is available for this location")
            return lambda stamps: np.full(stamps.shape, run)
        if day:  # the newest that was 24 · day hours or more ahead of it
            return lambda stamps: model.long_enough(
                stamps, np.minimum((stamps - day * DAY_S) // cycle_s * cycle_s, newest)
            )
        return lambda stamps: model.runs(stamps, newest)

    def _variable_columns(
        self, model: Model, place: Place, name: str, column: str, hours: Hours
    ) -> Iterator[tuple[str, str, list[Any]]]:
        count = hours.temp_c.shape[0] if hours.temp_c.ndim > 1 else 1
        keys = [column + (f"_member{m:02d}" if m else "") for m in range(count)]
        lacking = name in NOT_MODELLED or name in model.lacks
        lacking |= self.host == "archive" and name == "precipitation_probability"
        lacking |= self.host == "previous-runs" and name == "wind_gusts_10m" and model.name.startswith("ecmwf")
        if lacking:
            yield from ((key, "undefined", [None] * len(hours.stamps)) for key in keys)
            return
        variable = VARIABLES[name]
        values, unit = np.atleast_2d(variable.values(hours, place)), variable.unit
        if variable.kind:
            factor, add, unit = conversion(variable.kind, self.request.text(UNIT_KEYS[variable.kind])) or (
                1.0,
                0.0,
                unit,
            )
            values = values * factor + add
        if name == "precipitation_probability" and self.host == "ensemble":
            values = np.full_like(values, np.nan)
        if name == "is_day":
            keys = keys[:1]
        for key, row in zip(keys, values, strict=False):
            yield key, self.scene.unit(unit), listed(row, variable.digits)


# --- reading a query -----------------------------------------------------------------------------------------------


def numbers(request: Request, name: str) -> list[float]:
    """The numbers given for a name."""
    given = []
    for text in request.items(name):
        try:
            given.append(float(text))
        except ValueError:
            raise _not_initialised("Float", text, name) from None
    return given


def _day(text: str) -> date:
    with suppress(ValueError):
        if re.fullmatch(r"\d{4}-\d\d-\d\d", text):
            return date.fromisoformat(text)
    raise refused("Invalid date format. Make sure to use 'YYYY-MM-DD'")


def _epoch(day: date) -> int:
    return int(datetime(day.year, day.month, day.day, tzinfo=UTC).timestamp())


def _single(value: float) -> float:
    """A position as the service writes it: in single precision."""
    return float(str(np.float32(value)))


def _not_initialised(kind: str, value: str, key: str) -> RefusedError:
    words = "".join(part.capitalize() for part in kind.split("_")) if "_" in kind else kind
    return refused(f"Cannot initialize {words} from invalid String value {value} for key {key}")
