"""Write the invented weather of the invented apiary beside this file, byte for byte the same every time.

Nothing here is real weather. A seeded stochastic model draws hourly paths for the position in ``site.toml``,
and the paths are written in the wire format of Open-Meteo (archive, forecast and ensemble responses with
``timeformat=unixtime`` and ``wind_speed_unit=ms``), so that the readers for that source can be shown and
tried without a network.

Every number in the model is judgement, chosen so that seasons, days, persistence and wet spells look like an
upland site in the English midlands; where a formula comes from somewhere, the line says so.

Run: ``python sample_weather/make_sample.py [folder]`` (numpy only; the folder defaults to this one).
"""

from __future__ import annotations

import json
import sys
import tomllib
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

if TYPE_CHECKING:
    from numpy.typing import NDArray

    Floats = NDArray[np.float64]
    Hours = NDArray[np.datetime64]

HERE = Path(__file__).resolve().parent
SEED = 68  # the first few hundred were looked at; this one shows the story of 2026 plainly
PAST_YEARS = range(2006, 2026)
SEASON_START, SEASON_DAYS = "05-01", 123  # 1 May to 31 August
RUN = np.datetime64("2026-06-01T00", "h")  # forecast and ensemble start here
OBSERVED_TO = np.datetime64("2026-06-01T05", "h")
RUN_DAYS, PAST_DAYS, MEMBERS = 16, 2, 51
HOUR = np.timedelta64(1, "h")

# -- the hidden state: standard normal, autocorrelated, one column a path ------------------------------------


@dataclass(frozen=True)
class Latent:
    """A hidden component of the weather: its memory, its smoothness, how fast a forecast of it goes wrong."""

    memory_h: float
    smooth_h: float
    half_error_days: float


LATENTS = {
    "warm": Latent(memory_h=72.0, smooth_h=5.0, half_error_days=6.0),
    "synoptic": Latent(memory_h=48.0, smooth_h=3.0, half_error_days=4.5),
    "wind": Latent(memory_h=18.0, smooth_h=2.0, half_error_days=4.0),
    "cloud": Latent(memory_h=6.0, smooth_h=1.0, half_error_days=2.0),
    "shower": Latent(memory_h=3.0, smooth_h=0.0, half_error_days=1.5),
    "amount": Latent(memory_h=2.0, smooth_h=0.0, half_error_days=1.5),
}
SPIN_UP_H = 480

State = dict[str, "Floats"]


def normals(stream: int, shape: tuple[int, int]) -> Floats:
    """Standard normal numbers of one stream, the same with every numpy release.

    Raw bits of a bit generator are fixed by numpy's compatibility policy (NEP 19), the stream behind
    ``normal()`` is not; hence the transform by hand (Box and Muller 1958, doi 10.1214/aoms/1177706645).
    """
    n = shape[0] * shape[1]
    bits = np.random.PCG64(np.random.SeedSequence([SEED, stream])).random_raw(2 * n)
    u = (np.asarray(bits >> np.uint64(11), dtype=np.float64) + 0.5) * 2.0**-53
    result: Floats = (np.sqrt(-2.0 * np.log(u[:n])) * np.cos(2.0 * np.pi * u[n:])).reshape(shape)
    return result


def ar1(noise: Floats, memory_h: float) -> Floats:
    """First-order autoregression along the first axis, unit input gain; memory 0 changes nothing."""
    keep = np.exp(-1.0 / memory_h) if memory_h > 0.0 else 0.0
    out = np.empty_like(noise)
    last = np.zeros(noise.shape[1])
    for hour, shock in enumerate(noise):
        last = keep * last + shock
        out[hour] = last
    return out


def draw_state(stream: int, n_hours: int, n_paths: int) -> State:
    """All latents, mean 0 and variance 1, each of shape (n_hours, n_paths)."""
    state: State = {}
    for number, (name, latent) in enumerate(LATENTS.items()):
        noise = normals(100 * stream + number, (SPIN_UP_H + n_hours, n_paths))
        rough = ar1(ar1(noise, latent.memory_h), latent.smooth_h)
        a = np.exp(-1.0 / latent.memory_h)
        b = np.exp(-1.0 / latent.smooth_h) if latent.smooth_h > 0.0 else 0.0
        variance = (1.0 + a * b) / ((1.0 - a * a) * (1.0 - b * b) * (1.0 - a * b))  # of AR(1) fed into AR(1)
        state[name] = rough[SPIN_UP_H:] / np.sqrt(variance)
    return state


# -- from the hidden state to weather ------------------------------------------------------------------------


def hour_of_day(times: Hours) -> Floats:
    """Hour of the UTC day, 0 to 23."""
    result: Floats = ((times - times.astype("datetime64[D]")) / HOUR).astype(np.float64)
    return result


def day_of_year(times: Hours) -> Floats:
    """Day of the year with its fraction, 1 January 00 UTC = 0."""
    result: Floats = ((times - times.astype("datetime64[Y]")) / np.timedelta64(24, "h")).astype(np.float64)
    return result


def clear_sky_wm2(times: Hours, latitude: float, longitude: float) -> Floats:
    """Clear-sky global radiation, mean of the hour before each stamp, in W/m².

    Sun by declination and hour angle (equation of time left out, up to 6 minutes in these months); radiation
    1098 cos z exp(-0.057 / cos z): Haurwitz 1945, J. Meteor. 2:154-166; the 0.057 is from memory, pvlib has
    0.059, which is under 1 % less with the sun above 12 degrees.
    """
    total = np.zeros(times.shape)
    minutes = range(-55, 0, 10)
    for minute in minutes:
        day = day_of_year(times) + minute / 1440.0
        declination = np.radians(-23.44) * np.cos(2.0 * np.pi * (day + 10.0) / 365.24)
        angle = np.radians(15.0 * (hour_of_day(times) + minute / 60.0 - 12.0) + longitude)
        lat = np.radians(latitude)
        cos_z = np.sin(lat) * np.sin(declination) + np.cos(lat) * np.cos(declination) * np.cos(angle)
        up = np.maximum(cos_z, 1e-3)
        total += np.where(cos_z > 0.0, 1098.0 * up * np.exp(-0.057 / up), 0.0)
    return total / len(minutes)


def usual_mean_c(times: Hours) -> Floats:
    """Mean temperature of the day that is usual for the date, in °C."""
    day = [91.0, 121.0, 135.0, 166.0, 196.0, 227.0, 258.0]
    mean = [6.6, 9.6, 11.0, 13.5, 16.1, 15.6, 13.4]
    return np.interp(day_of_year(times), day, mean)


def day_shape(times: Hours) -> Floats:
    """Daily course from -1 at 04 UTC up to +1 at 15 UTC and down again."""
    h = hour_of_day(times)
    falling = (h - 15.0) % 24.0
    return np.where(falling <= 13.0, np.cos(np.pi * falling / 13.0), -np.cos(np.pi * (falling - 13.0) / 11.0))


def logistic(x: Floats) -> Floats:
    """1 / (1 + exp(-x)), for moderate x."""
    return 1.0 / (1.0 + np.exp(-x))


def rain_mm(times: Hours, state: State) -> Floats:
    """Rain of the hour before each stamp, in mm: none below a threshold of wetness, gamma-like above it.

    The cube of a normal number is nearly gamma (Wilson and Hilferty 1931, doi 10.1073/pnas.17.12.684).
    """
    afternoon = np.cos(2.0 * np.pi * (hour_of_day(times) - 16.0) / 24.0)
    excess = 0.80 * state["synoptic"] + 0.60 * state["shower"] + 0.12 * afternoon - 1.27
    shape = 0.9
    root = 1.0 - 1.0 / (9.0 * shape) + state["amount"] / (3.0 * np.sqrt(shape))
    amount = shape * np.maximum(root, 0.0) ** 3
    return np.where(excess > 0.0, 0.1 + amount * (0.35 + 0.9 * excess), 0.0)


def cloud_fraction(state: State, rain: Floats) -> Floats:
    """Cloud at each stamp, 0 to 1, at least three quarters where it rained."""
    index = 0.72 * state["synoptic"] + 0.25 * state["shower"] + 0.65 * state["cloud"] + 0.70
    cloud = logistic(1.7 * index)
    return np.where(rain > 0.0, 0.75 + 0.25 * cloud, cloud)


def weather(times: Hours, state: State, latitude: float, longitude: float, trend_k: Floats) -> State:
    """Open-Meteo's columns from the hidden state: instants, and rain and radiation of the hour before.

    Args:
        times: stamps, UTC, shape (n_hours, n_paths) or (n_hours, 1).
        state: latents, each (n_hours, n_paths).
        latitude: of the site, degrees north.
        longitude: of the site, degrees east.
        trend_k: warming relative to the middle of the past years, K, shape (n_paths,).

    Returns:
        Column name -> array (n_hours, n_paths), not yet rounded.
    """
    rain = rain_mm(times, state)
    cloud = cloud_fraction(state, rain)
    over_hour = 0.5 * (cloud + np.concatenate([cloud[:1], cloud[:-1]]))
    flicker = np.clip(1.0 + 0.06 * state["cloud"], 0.8, 1.08)
    sun = clear_sky_wm2(times, latitude, longitude) * flicker
    sun *= 1.0 - 0.75 * over_hour**3.4  # Kasten and Czeplak 1980, doi 10.1016/0038-092X(80)90391-6

    dull = logistic(1.2 * state["synoptic"] + 0.45)  # slow cloud: mild nights and cool afternoons
    half_range = 4.0 * (1.75 - 1.25 * dull)
    damp = ar1((rain > 0.0).astype(np.float64), 3.0) * (1.0 - np.exp(-1.0 / 3.0))
    temp = usual_mean_c(times) + trend_k + half_range * day_shape(times)
    warm = 2.7 * state["warm"] + 0.4 * (state["warm"] ** 2 - 1.0)  # warm spells reach further than cold ones
    temp = temp + warm - 0.4 * state["synoptic"] - 1.5 * damp - 0.6 * (over_hour - 0.6)

    breeze = 1.0 + 0.07 * np.cos(2.0 * np.pi * (hour_of_day(times) - 14.0) / 24.0)
    root = 1.93 * breeze + 0.48 * (0.90 * state["wind"] + 0.45 * state["synoptic"])
    return {
        "temperature_2m": temp,
        "wind_speed_10m": np.maximum(root, 0.3) ** 2,
        "precipitation": rain,
        "shortwave_radiation": sun,
        "cloud_cover": 100.0 * cloud,
    }


# -- the paths that are written ------------------------------------------------------------------------------


def trend_k(year: int) -> float:
    """A mild warming, zero in the middle of the past years, in K."""
    return 0.03 * (year - 2015.5)


def past_seasons(site: dict[str, Any]) -> tuple[Hours, State]:
    """Stamps (n_hours, n_years) and columns of the past seasons; some years good, some poor."""
    years = np.array([f"{year}-{SEASON_START}" for year in PAST_YEARS], dtype="datetime64[h]")
    times: Hours = np.add(years[None, :], np.arange(24 * SEASON_DAYS)[:, None] * HOUR)
    state = draw_state(1, len(times), len(years))
    kind = normals(2, (1, len(years)))
    state["warm"] = state["warm"] + 0.32 * kind
    state["synoptic"] = state["synoptic"] - 0.28 * kind
    trend = np.array([trend_k(year) for year in PAST_YEARS])
    return times, weather(times, state, site["latitude"], site["longitude"], trend)


def step(times: Hours, at: Hours | np.datetime64, width_h: float) -> Floats:
    """A smooth 0 to 1 around the moment *at*; shape of the broadcast."""
    return logistic(np.clip((times - at) / HOUR / width_h, -40.0, 40.0))


FINE_FROM = np.datetime64("2026-05-22T00", "h")


def story(times: Hours, onset: Hours, end: Hours) -> State:
    """What is imposed on 2026: a fine late May, a wet spell from *onset* to *end*, then fine again."""
    before = step(times, FINE_FROM, 16.0) * (1.0 - step(times, onset, 8.0))
    spell = step(times, onset, 6.0) * (1.0 - step(times, end, 9.0))
    after = step(times, end + 42 * HOUR, 14.0)
    return {
        "warm": 0.7 * before - 0.9 * spell + 0.7 * after,
        "synoptic": -1.1 * before + 1.5 * spell - 1.1 * after,
        "wind": -0.3 * before + 0.7 * spell - 0.5 * after,
        "shower": -0.2 * before + 0.3 * spell - 0.2 * after,
    }


def told_and_drawn(times: Hours, paths: int) -> tuple[State, State]:
    """The imposed story of the first path and of every path; the end of the wet spell differs, by days.

    Paths 0 (what happens) and 1 (the single run) tell it as it is.
    """
    hours_off = normals(5, (2, paths)) * np.array([[4.0], [42.0]])
    hours_off[:, :2] = 0.0
    onset = np.datetime64("2026-06-02T02", "h") + np.rint(hours_off[0]).astype(np.int64) * HOUR
    end = np.datetime64("2026-06-08T20", "h") + np.rint(hours_off[1]).astype(np.int64) * HOUR
    return story(times, onset[:1], end[:1]), story(times, onset, end)


def season_state(times: Hours) -> State:
    """Latents of 2026, shape (n_hours, 2 + members): what is observed, the single run, the members.

    Signal and noise: a path is the common signal times r plus its own noise times sqrt(1 - r²); r falls from
    1 at the run's start, faster for what has a short memory; the single run carries half the noise. The
    imposed story fades in the members as well, so that they end near the usual spread for the date.
    """
    paths = 2 + MEMBERS
    lead_days = np.maximum((times - RUN) / HOUR / 24.0, 0.0)
    signal, own = draw_state(3, len(times), 1), draw_state(4, len(times), paths)
    told, drawn = told_and_drawn(times, paths)
    calm = 1.0 - 0.5 * step(times, FINE_FROM, 24.0)  # weaker chance from here on, so that the story shows
    own_noise = np.array([0.0, 0.5] + [1.0] * MEMBERS)
    is_member = np.arange(paths) >= 2
    state: State = {}
    for name, latent in LATENTS.items():
        wrong = lead_days**2.6 / (lead_days**2.6 + latent.half_error_days**2.6)  # share of variance
        known = np.sqrt(1.0 - wrong)
        state[name] = signal[name] * calm * known + own[name] * own_noise * np.sqrt(wrong)
        if name in told:
            plot = told[name] + (drawn[name] - told[name]) * np.minimum(lead_days, 1.0)
            state[name] = state[name] + plot * np.where(is_member, 0.35 + 0.65 * known, 1.0)
    return state


def this_season(site: dict[str, Any]) -> tuple[Hours, State]:
    """Stamps (n_hours,) and columns (n_hours, 2 + members) of 2026, from 1 May to the end of the run."""
    start = np.datetime64(f"2026-{SEASON_START}", "h")
    times = np.arange(start, RUN + 24 * RUN_DAYS * HOUR, HOUR)[:, None]
    state = season_state(times)
    trend = np.full(2 + MEMBERS, trend_k(2026))
    return times[:, 0], weather(times, state, site["latitude"], site["longitude"], trend)


# -- the wire format -----------------------------------------------------------------------------------------

UNITS = {
    "temperature_2m": ("°C", 1),
    "wind_speed_10m": ("m/s", 1),
    "precipitation": ("mm", 1),
    "shortwave_radiation": ("W/m²", 0),
    "cloud_cover": ("%", 0),
}


def short(values: Floats, decimals: int) -> list[float | int]:
    """Rounded numbers, whole ones without a decimal point to save room."""
    return [int(v) if v == int(v) else v for v in np.round(values, decimals).tolist()]


def document(site: dict[str, Any], times: Hours, columns: dict[str, tuple[str, Floats]]) -> dict[str, Any]:
    """One response: *columns* maps a column's name to the variable it holds and its values."""
    seconds = times.astype("datetime64[s]").astype(np.int64)
    return {
        "latitude": site["latitude"],
        "longitude": site["longitude"],
        "generationtime_ms": 0.5,
        "utc_offset_seconds": 0,
        "timezone": "GMT",
        "timezone_abbreviation": "GMT",
        "elevation": float(site["elevation"]),
        "hourly_units": {"time": "unixtime"} | {name: UNITS[what][0] for name, (what, _) in columns.items()},
        "hourly": {"time": seconds.tolist()}
        | {name: short(values, UNITS[what][1]) for name, (what, values) in columns.items()},
    }


def documents(site: dict[str, Any]) -> dict[str, dict[str, Any]]:
    """File name -> response, all three."""
    four = [name for name in UNITS if name != "cloud_cover"]
    past_times, past = past_seasons(site)
    stamps, now = this_season(site)
    seen = stamps <= OBSERVED_TO
    run = stamps >= RUN - 24 * PAST_DAYS * HOUR
    ahead = stamps >= RUN
    archive = {v: (v, np.concatenate([past[v].T.ravel(), now[v][seen, 0]])) for v in four}
    single = {v: (v, now[v][run, 1]) for v in UNITS}
    suffix = ["", *(f"_member{m:02d}" for m in range(1, MEMBERS))]
    members = {f"{v}{s}": (v, now[v][ahead, 2 + m]) for v in four for m, s in enumerate(suffix)}
    return {
        "past.json": document(site, np.concatenate([past_times.T.ravel(), stamps[seen]]), archive),
        "forecast.json": document(site, stamps[run], single),
        "ensemble.json": document(site, stamps[ahead], members),
    }


def write(folder: Path) -> list[Path]:
    """Write the three files into *folder* and return their paths."""
    site = tomllib.loads((HERE / "site.toml").read_text(encoding="utf-8"))
    written = []
    for name, content in documents(site).items():
        text = json.dumps(content, ensure_ascii=False, separators=(",", ":"))
        path = folder / name
        path.write_bytes(text.encode("utf-8") + b"\n")
        written.append(path)
    return written


if __name__ == "__main__":
    for file in write(Path(sys.argv[1]) if len(sys.argv) > 1 else HERE):
        print(f"{file}: {file.stat().st_size:,} bytes")
