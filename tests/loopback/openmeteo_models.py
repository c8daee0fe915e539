"""Models and variables of Open-Meteo as the loopback server knows them, and what a model says of an hour.

Members, steps, horizons, runs a day and the variables that a model lacks follow the service's documentation (2026);
delays are rounded. A coarse model is brought to hours as the service does it: rain is shared out evenly over the step,
radiation follows the sun, the rest is interpolated (by straight lines here, by curves there).
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np

from tests.loopback.scenario import DAY_S, FIELDS, HOUR_S, Hours, Place, clear_sky_wm2, sun_height_sine

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence

    from tests.loopback.exchange import Scene
    from tests.loopback.scenario import Floats, Seconds

EUROPE = (29.5, 70.5, -23.5, 45.0)
CENTRE = (43.2, 58.1, -3.9, 20.3)
BRITAIN = (49.0, 61.0, -11.0, 3.0)
KEPT_DAYS = 3
"""Members older than this are gone."""
_COARSE_H = 6


@dataclass(frozen=True)
class Model:
    """A weather model.

    Attributes:
        name: as in ``models=``.
        members: the control included; 1 of a single run.
        step_h: step to ``fine_h`` hours of lead, and 6 h from there on.
        horizon_h: length of the run.
        short_h: length of the runs between the main ones (06 and 18 UTC); the same if they are as long.
        cycle_h: hours from run to run.
        delay_min: from the start of a run to its being there.
        grid_deg: mesh.
        area: south, north, west, east in degrees; None is the Earth.
        lacks: variables that it does not have.
    """

    name: str
    members: int
    step_h: int
    horizon_h: int
    cycle_h: int
    delay_min: int
    grid_deg: float
    fine_h: int = 10_000
    short_h: int = 0
    area: tuple[float, float, float, float] | None = None
    lacks: frozenset[str] = frozenset()

    def covers(self, place: Place) -> bool:
        """Whether it has the place."""
        if self.area is None:
            return True
        south, north, west, east = self.area
        return south <= place.latitude <= north and west <= place.longitude <= east

    def newest_run(self, scene: Scene) -> int:
        """Start of the newest run that is there, epoch seconds."""
        cycle_s = self.cycle_h * HOUR_S
        return (scene.newest_s - self.delay_min * 60) // cycle_s * cycle_s

    def reach_h(self, run_s: int) -> int:
        """Length of a run that starts then."""
        return int(self.reaches_h(np.array([run_s]))[0])

    def reaches_h(self, runs_s: Seconds) -> Seconds:
        """Lengths of runs."""
        short = (runs_s // HOUR_S % 12 != 0) & (self.short_h > 0)
        return np.where(short, self.short_h, self.horizon_h)

    def runs(self, stamps: Seconds, newest: int) -> Seconds:
        """The run that each hour comes from: the newest that has it, of those up to ``newest``."""
        cycle_s = self.cycle_h * HOUR_S
        return self.long_enough(stamps, np.minimum(newest, stamps // cycle_s * cycle_s))

    def long_enough(self, stamps: Seconds, runs_s: Seconds) -> Seconds:
        """The same runs, or the one before where a short run does not reach so far."""
        reaches = stamps <= runs_s + self.reaches_h(runs_s) * HOUR_S
        return np.where(reaches, runs_s, runs_s - (self.short_h > 0) * self.cycle_h * HOUR_S)


_FLUX = frozenset({"wind_gusts_10m"})
MODELS = {
    m.name: m
    for m in (
        Model("best_match", 1, 1, 384, 3, 180, 0.02),
        Model("ecmwf_ifs", 1, 1, 360, 6, 460, 0.1, short_h=144),
        Model("ecmwf_ifs025", 1, 3, 360, 6, 460, 0.25, fine_h=144, short_h=144),
        Model("icon_seamless", 1, 1, 180, 3, 180, 0.02),
        Model("icon_eu", 1, 1, 120, 3, 210, 0.0625, area=EUROPE),
        Model("icon_d2", 1, 1, 48, 3, 120, 0.02, area=CENTRE),
        Model("gfs_seamless", 1, 1, 384, 6, 300, 0.11),
        Model("ukmo_seamless", 1, 1, 168, 6, 300, 0.09),
    )
}
ENSEMBLES = {
    m.name: m
    for m in (
        Model("ecmwf_ifs025_ensemble", 51, 3, 360, 6, 460, 0.25, fine_h=144, short_h=144),
        Model("ecmwf_aifs025_ensemble", 51, 6, 360, 6, 420, 0.25, lacks=_FLUX),
        Model("icon_seamless_eps", 40, 1, 180, 6, 210, 0.125),
        Model("icon_global_eps", 40, 1, 180, 12, 240, 0.25, lacks=_FLUX),
        Model("icon_eu_eps", 40, 1, 120, 6, 210, 0.125, area=EUROPE, lacks=frozenset({"relative_humidity_2m"})),
        Model("icon_d2_eps", 20, 1, 48, 3, 120, 0.02, area=CENTRE),
        Model("ncep_gefs_seamless", 31, 3, 840, 6, 360, 0.25, fine_h=240),
        Model("ncep_gefs025", 31, 3, 240, 6, 360, 0.25),
        Model("gem_global_ensemble", 21, 3, 384, 12, 420, 0.25),
        Model("ukmo_uk_ensemble_2km", 3, 1, 120, 1, 240, 0.02, area=BRITAIN),
        Model("ukmo_global_ensemble_20km", 18, 1, 192, 6, 420, 0.2),
    )
}
RENAMED = {
    "icon_seamless": "icon_seamless_eps",
    "icon_eu": "icon_eu_eps",
    "icon_d2": "icon_d2_eps",
    "icon_global": "icon_global_eps",
    "gfs_seamless": "ncep_gefs_seamless",
    "gfs025": "ncep_gefs025",
    "ecmwf_ifs025": "ecmwf_ifs025_ensemble",
    "ecmwf_aifs025": "ecmwf_aifs025_ensemble",
    "gem_global": "gem_global_ensemble",
}
"""Names that the ensemble service still takes, and the new ones that its answers carry."""
REANALYSES = ("best_match", "era5", "era5_land", "era5_seamless", "ecmwf_ifs", "cerra")


# --- variables -------------------------------------------------------------------------------------------------


@dataclass(frozen=True)
class Variable:
    """How a column is made of the weather, and its unit; ``kind`` decides over other units."""

    unit: str
    digits: int
    values: Callable[[Hours, Place], Floats]
    kind: str = ""


def _humidity(hours: Hours, place: Place) -> Floats:
    del place
    return np.clip(45.0 + 45.0 * hours.cloud_frac + 10.0 * (hours.rain_mm > 0.0), 0.0, 100.0)


def dew_point_c(hours: Hours, place: Place) -> Floats:
    """Dew point by the rule of thumb of one degree for five percent (Lawrence 2005, doi 10.1175/BAMS-86-2-225)."""
    return hours.temp_c - (100.0 - _humidity(hours, place)) / 5.0


def _sunshine(hours: Hours, place: Place) -> Floats:
    clear = clear_sky_wm2(place, hours.stamps)
    return np.where(clear > 120.0, HOUR_S * np.clip(1.2 - 1.2 * hours.cloud_frac, 0.0, 1.0), 0.0)


def _day(hours: Hours, place: Place) -> Floats:
    light = (sun_height_sine(place, hours.stamps) > -0.0145).astype(np.float64)  # sine of -0.83 degrees
    return np.broadcast_to(light, hours.temp_c.shape)


def _odds(hours: Hours, place: Place) -> Floats:
    del place
    return np.clip(100.0 * (hours.cloud_frac - 0.5) + 40.0 * (hours.rain_mm > 0.0), 0.0, 100.0)


VARIABLES: dict[str, Variable] = {
    "temperature_2m": Variable("°C", 1, lambda h, _: h.temp_c, "temperature"),
    "relative_humidity_2m": Variable("%", 0, _humidity),
    "dew_point_2m": Variable("°C", 1, dew_point_c, "temperature"),
    "precipitation": Variable("mm", 2, lambda h, _: h.rain_mm, "rain"),
    "rain": Variable("mm", 2, lambda h, _: h.rain_mm, "rain"),
    "precipitation_probability": Variable("%", 0, _odds),
    "cloud_cover": Variable("%", 0, lambda h, _: 100.0 * h.cloud_frac),
    "wind_speed_10m": Variable("km/h", 1, lambda h, _: h.wind_ms, "wind"),
    "wind_gusts_10m": Variable("km/h", 1, lambda h, _: 1.7 * h.wind_ms + 0.5, "wind"),
    "shortwave_radiation": Variable("W/m²", 1, lambda h, _: h.ghi_wm2),
    "sunshine_duration": Variable("s", 1, _sunshine),
    "is_day": Variable("", 0, _day),
}
NOT_MODELLED = frozenset(
    {
        "cape", "visibility", "surface_pressure", "pressure_msl", "snowfall", "snow_depth", "showers", "weather_code",
        "wind_direction_10m", "uv_index", "direct_radiation", "diffuse_radiation", "soil_temperature_0cm",
        "et0_fao_evapotranspiration", "vapour_pressure_deficit", "temperature_850hPa",
    }
)  # fmt: skip
"""Names that the service knows and this server has no weather for: unit "undefined" and nothing but nulls."""
_FACTORS: dict[str, dict[str, tuple[float, float, str]]] = {
    "temperature": {"": (1.0, 0.0, "°C"), "celsius": (1.0, 0.0, "°C"), "fahrenheit": (1.8, 32.0, "°F")},
    "wind": {
        "": (3.6, 0.0, "km/h"),
        "kmh": (3.6, 0.0, "km/h"),
        "ms": (1.0, 0.0, "m/s"),
        "mph": (1.0 / 0.44704, 0.0, "mp/h"),
        "kn": (3600.0 / 1852.0, 0.0, "kn"),
    },
    "rain": {"": (1.0, 0.0, "mm"), "mm": (1.0, 0.0, "mm"), "inch": (1.0 / 25.4, 0.0, "inch")},
}
UNIT_KEYS = {"temperature": "temperature_unit", "wind": "wind_speed_unit", "rain": "precipitation_unit"}


def conversion(kind: str, wanted: str) -> tuple[float, float, str] | None:
    """Factor, offset and unit by which a kind of variable is given, or None if there is no such unit."""
    return _FACTORS[kind].get(wanted)


# --- what a model says -----------------------------------------------------------------------------------------


def model_hours(
    scene: Scene,
    model: Model,
    place: Place,
    stamps: Seconds,
    runs_of: Callable[[Seconds], Seconds],
    *,
    members: Sequence[int] = (0,),
    step_h: int = 1,
) -> Hours:
    """What a model says at the stamps, which are ``step_h`` apart; NaN past the end of its runs.

    Args:
        scene: what to answer from.
        model: which.
        place: where.
        stamps: epoch seconds, multiples of ``step_h``.
        runs_of: gives the run that each hour comes from, all in epoch seconds.
        members: which.
        step_h: rain and radiation are sum and mean over so many hours.
    """
    around = np.arange(stamps[0] - 2 * _COARSE_H * HOUR_S, stamps[-1] + (_COARSE_H + 1) * HOUR_S, HOUR_S)
    runs = runs_of(around)
    hours = scene.scenario.forecast(place, around, runs, model.name, members)
    if model.step_h > 1 or model.fine_h < model.horizon_h:
        hours = _as_coarse(hours, place, model, runs)
    hours = hours.blanked(around > runs + model.reaches_h(runs) * HOUR_S)
    return over_steps(hours, step_h).only(np.isin(around, stamps))


def over_steps(hours: Hours, step_h: int) -> Hours:
    """Rain and radiation of every ``step_h`` hours up to each stamp instead of one hour."""
    if step_h == 1:
        return hours
    rain, light = (_moving_sum(values, step_h) for values in (hours.rain_mm, hours.ghi_wm2))
    return replace(hours, rain_mm=np.round(rain, 2), ghi_wm2=np.round(light / step_h, 1))


def _moving_sum(values: Floats, n: int) -> Floats:
    padded = np.concatenate([np.full((*values.shape[:-1], n - 1), np.nan), values], axis=-1)
    result: Floats = np.lib.stride_tricks.sliding_window_view(padded, n, axis=-1).sum(axis=-1)
    return result


def _as_coarse(hours: Hours, place: Place, model: Model, runs: Seconds) -> Hours:
    """Hours as they come out of steps of 3 or 6 hours."""
    lead_h = (hours.stamps - runs) // HOUR_S
    merged = _through_steps(hours, place, model.step_h)
    if model.fine_h < model.horizon_h:
        late = _through_steps(hours, place, _COARSE_H)
        merged = replace(
            merged, **{n: np.where(lead_h > model.fine_h, getattr(late, n), getattr(merged, n)) for n in FIELDS}
        )
    return merged


def _through_steps(hours: Hours, place: Place, step_h: int) -> Hours:
    stamps, step_s = hours.stamps, step_h * HOUR_S
    end = -(-stamps // step_s) * step_s  # the step that an hour lies in ends here
    at = np.clip((end - stamps[0]) // HOUR_S, 0, len(stamps) - 1)
    start = np.clip(at - step_h, 0, len(stamps) - 1)
    share = (stamps - (end - step_s)) / step_s
    straight = {
        name: (1.0 - share) * getattr(hours, name)[..., start] + share * getattr(hours, name)[..., at]
        for name in ("temp_c", "wind_ms", "cloud_frac")
    }
    rain = np.round(_moving_sum(hours.rain_mm, step_h), 1)[..., at] / step_h
    clear = clear_sky_wm2(place, stamps)
    of_clear = _moving_sum(hours.ghi_wm2, step_h)[..., at] / np.maximum(_moving_sum(clear, step_h)[at], 1.0)
    return Hours(stamps, **straight, rain_mm=np.round(rain, 2), ghi_wm2=np.round(of_clear * clear, 1))


def archive_hours(scene: Scene, model: str, place: Place, stamps: Seconds) -> Hours:
    """What an archive says: the truth, and nothing after its last day (ERA5 is five days late)."""
    late_days = 5 if model.startswith("era5") else 0
    last = (scene.newest_s // DAY_S - late_days) * DAY_S
    return scene.scenario.truth(place, stamps).blanked(stamps >= last)
