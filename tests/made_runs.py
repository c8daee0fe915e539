"""Invented seasons and stored forecast runs of them, in the wire format, with as much skill as wanted.

A hidden mood, one number a day with memory, makes the weather of each day. A run knows the mood at lead day l with
correlation ``skill(l)``: its signal is r z + √(1 - r²) noise, and its members spread about r times that signal as much
as the truth does, so that they are calibrated at every lead. A useless run knows nothing of the mood at all and is
sure of itself: its members agree with each other.
"""

from __future__ import annotations

import json
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from matewindow.site import Site

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable

    from numpy.typing import NDArray

    Floats = NDArray[np.float64]

SITE_TOML = """name = "Larch Hollow (invented)"
latitude = 52.0
longitude = 0.0
elevation = 50
timezone = "Europe/London"
"""
SITE = Site("Larch Hollow (invented)", 52.0, 0.0, 50.0, "Europe/London")
MEMORY = 0.6
HOUR = np.arange(24)
UNITS = {
    "temperature_2m": ("°C", 1),
    "wind_speed_10m": ("m/s", 1),
    "precipitation": ("mm", 1),
    "shortwave_radiation": ("W/m²", 0),
}


def fading(lead_d: Floats) -> Floats:
    """Correlation of a forecast's mean with the truth by lead day: 0.902 / (1 + (l / 7.4)^2.32), a typical loss."""
    return 0.902 / (1.0 + (lead_d / 7.4) ** 2.32)


def nothing(lead_d: Floats) -> Floats:
    """No skill at any lead."""
    return np.zeros_like(lead_d)


def memory(shape: tuple[int, int], rng: np.random.Generator) -> Floats:
    """Standard normal numbers that follow each other along the second axis."""
    out = rng.normal(size=shape)
    for day in range(1, shape[1]):
        out[:, day] = MEMORY * out[:, day - 1] + np.sqrt(1.0 - MEMORY**2) * out[:, day]
    return out


def hourly(mood: Floats, rng: np.random.Generator) -> dict[str, Floats]:
    """Columns of the service from moods (n_series, n_days): each (n_series, n_hours)."""
    shape = (*mood.shape, 24)
    m = mood[..., None]
    temp = 15.5 + 3.5 * m + 4.0 * np.cos(2.0 * np.pi * (HOUR - 15) / 24) + rng.normal(0, 0.5, shape)
    wind = rng.gamma(3.0, 1.2, shape) * np.exp(-0.25 * m)
    wet = rng.random(shape) < 0.25 / (1.0 + np.exp(2.0 * m))
    light = np.maximum(0.0, 850.0 * np.sin(np.pi * (HOUR - 4) / 16)) * (HOUR > 4) * (HOUR < 20)
    cloud = np.clip(0.55 - 0.25 * m + rng.normal(0, 0.2, shape), 0.0, 1.0)
    columns = {
        "temperature_2m": temp,
        "wind_speed_10m": np.clip(wind, 0.0, 40.0),
        "precipitation": np.where(wet, rng.exponential(0.6, shape), 0.0),
        "shortwave_radiation": light * (1.0 - 0.75 * cloud**3.4),
    }
    return {name: values.reshape(len(mood), -1) for name, values in columns.items()}


def answer(start: NDArray[np.datetime64], columns: dict[str, Floats], *, site: Site = SITE) -> str:
    """One answer of the service: stamps (n_hours,), columns (n_members, n_hours)."""
    n_members = len(next(iter(columns.values())))
    suffixes = ["", *(f"_member{m:02d}" for m in range(1, n_members))]
    units, hours = {"time": "unixtime"}, {"time": start.astype("datetime64[s]").astype(np.int64).tolist()}
    for name, values in columns.items():
        unit, digits = UNITS[name]
        for member, suffix in enumerate(suffixes):
            units[name + suffix] = unit
            hours[name + suffix] = np.round(values[member], digits).tolist()
    document: dict[str, Any] = {
        "latitude": site.latitude,
        "longitude": site.longitude,
        "utc_offset_seconds": 0,
        "timezone": "GMT",
        "elevation": site.elevation_m,
        "hourly_units": units,
        "hourly": hours,
    }
    return json.dumps(document, separators=(",", ":"))


def stamps(first_day: np.datetime64, n_days: int) -> NDArray[np.datetime64]:
    hours: NDArray[np.datetime64] = first_day.astype("datetime64[h]") + np.arange(24 * n_days)
    return hours


@dataclass
class Seasons:
    """Invented seasons of some years: the mood of each day, (n_years, n_days), and the hourly weather that it made."""

    years: range
    n_days: int
    first: str
    mood: Floats
    columns: dict[str, Floats]

    @classmethod
    def made(cls, years: range, n_days: int, seed: int, first: str = "05-01") -> Seasons:
        rng = np.random.default_rng(seed)
        mood = memory((len(years), n_days), rng)
        return cls(years, n_days, first, mood, hourly(mood, rng))

    def first_day(self, year: int) -> np.datetime64:
        return np.datetime64(f"{year}-{self.first}", "D")

    def write_past(self, folder: Path) -> None:
        """The record of all years as the archive answers it."""
        folder.mkdir(parents=True, exist_ok=True)
        times = np.concatenate([stamps(self.first_day(year), self.n_days) for year in self.years])
        columns = {name: values.reshape(1, -1) for name, values in self.columns.items()}
        (folder / "past.json").write_text(answer(times, columns), encoding="utf-8")

    def run(
        self,
        year: int,
        day: int,
        rng: np.random.Generator,
        *,
        skill: Callable[[Floats], Floats] = fading,
        members: int = 10,
        leads: int = 12,
        agreed: float = 0.0,
        warm_k: float = 0.0,
    ) -> str:
        """The answer of a run that starts at 00 UTC of a day of the season.

        Args:
            skill: correlation of its signal with the truth by lead day.
            agreed: share of the members' spread that they have in common though it is no signal.
            warm_k: by so much all of it is too warm.
        """
        n_days = min(leads, self.n_days - day)
        truth = self.mood[self.years.index(year), day : day + n_days]
        r = skill(np.arange(n_days, dtype=np.float64))
        signal = r * truth + np.sqrt(1.0 - r**2) * memory((1, n_days), rng)[0]
        common, own = memory((1, n_days), rng), memory((members, n_days), rng)
        spread = np.sqrt(agreed) * common + np.sqrt(1.0 - agreed) * own
        mood = r * signal + np.sqrt(1.0 - r**2) * spread
        columns = hourly(mood, rng)
        columns["temperature_2m"] = columns["temperature_2m"] + warm_k
        return answer(stamps(self.first_day(year) + day, n_days), columns)

    def write_runs(self, folder: Path, issued: Iterable[tuple[int, int]], seed: int, **how: Any) -> list[Path]:
        """Store runs of (year, day of the season) in a weather folder, by their start."""
        rng = np.random.default_rng(seed)
        (folder / "runs").mkdir(parents=True, exist_ok=True)
        written = []
        for year, day in issued:
            path = folder / "runs" / f"{self.first_day(year) + day}T00Z.json"
            path.write_text(self.run(year, day, rng, **how), encoding="utf-8")
            written.append(path)
        return written
