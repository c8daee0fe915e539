"""One invented weather of the whole Earth, at any time, from which every service of the server is answered.

Nothing here was ever measured. Three hidden fields (wetness, warmth, wind) are sums of travelling waves with random
periods, so that a value depends on place and time alone and not on what else is asked for: two services that are
asked for the same hour at the same place tell of the same weather, in their own units and time stamps.

A forecast knows the truth only in part. With share *s* unknown, growing with the lead from 0.2 to 0.95, the part that
is known is ``c = (1 - s²) · truth + sqrt(1 - s²) · s · e0`` and a member is ``c + s · e_m``, the *e* being independent
standard normal fields. Truth and members then are exchangeable: a calibrated ensemble, by construction.

Every number that has no source beside it is judgement, chosen so that days look like weather.
"""

from __future__ import annotations

import zlib
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from collections.abc import Sequence
    from datetime import datetime

    from numpy.typing import ArrayLike, NDArray

    Floats = NDArray[np.float64]
    Seconds = NDArray[np.int64]

HOUR_S, DAY_S = 3600, 86400
_WAVES = 10
_DRAWS = np.arange(5 * _WAVES).reshape(_WAVES, 5)
_SUN_SAMPLES = 4


@dataclass(frozen=True)
class Place:
    """A place on Earth; ``elevation_m`` None means that of the invented terrain."""

    latitude: float
    longitude: float
    elevation_m: float | None = None

    @property
    def height_m(self) -> float:
        """Metres above the sea."""
        return terrain_m(self.latitude, self.longitude) if self.elevation_m is None else self.elevation_m


@dataclass(frozen=True)
class Spell:
    """A wet spell from ``start`` to ``end``, aware datetimes, everywhere on Earth."""

    start: datetime
    end: datetime


@dataclass(frozen=True)
class Hours:
    """Weather at time stamps, epoch seconds; values have the shape (n,), or (members, n) of an ensemble.

    Temperature, wind and cloud are instants at the stamp. Rain and radiation are sum and mean of the hour that *ends*
    there; a service with another convention asks for other stamps.
    """

    stamps: Seconds
    temp_c: Floats
    wind_ms: Floats
    cloud_frac: Floats
    rain_mm: Floats
    ghi_wm2: Floats

    def only(self, wanted: NDArray[np.bool_] | slice) -> Hours:
        """Some of the stamps."""
        values = {name: getattr(self, name)[..., wanted] for name in FIELDS}
        return replace(self, stamps=self.stamps[wanted], **values)

    def blanked(self, unknown: NDArray[np.bool_]) -> Hours:
        """The same with NaN where the mask over the stamps, shape (n,), says so."""
        return replace(self, **{name: np.where(unknown, np.nan, getattr(self, name)) for name in FIELDS})


FIELDS = ("temp_c", "wind_ms", "cloud_frac", "rain_mm", "ghi_wm2")


@dataclass(frozen=True)
class Scenario:
    """The invented weather.

    Args:
        seed: another one gives other weather.
        spells: wet spells; rain in three hours of four, overcast and cool.
        dry_outside: whether it is dry and rather fine at all other times.
        warmer_c: added to every temperature. [°C]
    """

    seed: int = 1
    spells: tuple[Spell, ...] = ()
    dry_outside: bool = False
    warmer_c: float = 0.0

    def with_spell(self, start: datetime, end: datetime) -> Scenario:
        """The same weather with this as its only wet spell."""
        return replace(self, spells=(Spell(start, end),))

    def truth(self, place: Place, stamps: ArrayLike) -> Hours:
        """The weather that comes about.

        Args:
            place: where.
            stamps: epoch seconds, shape (n,).
        """
        seconds = np.asarray(stamps, dtype=np.int64)
        at, before = self._known(place, seconds), self._known(place, seconds - HOUR_S)
        odds = self._uniform("rain", place, seconds)
        return self._weather(place, seconds, at, before, odds, shift_h=0.0)

    def forecast(
        self, place: Place, stamps: ArrayLike, run_s: ArrayLike, model: str, members: Sequence[int] = (0,)
    ) -> Hours:
        """What a model says.

        Args:
            place: where.
            stamps: epoch seconds, shape (n,).
            run_s: start of the run that each value comes from, epoch seconds, one or shape (n,). Consecutive runs
                are alike.
            model: its name; models differ.
            members: which; 0 is the control or the single run.

        Returns:
            Values of shape (members, n).
        """
        seconds = np.asarray(stamps, dtype=np.int64)
        runs = np.broadcast_to(np.asarray(run_s, dtype=np.int64), seconds.shape)
        share = 0.2 + 0.75 * (1.0 - np.exp(-np.maximum(seconds - runs, 0) / DAY_S / 5.0))
        at, before = (self._foreseen(place, moment, runs, model, share) for moment in (seconds, seconds - HOUR_S))
        told = [self._member(place, seconds, runs, f"{model} {m}", share, at, before) for m in members]
        return replace(told[0], **{name: np.array([getattr(h, name) for h in told]) for name in FIELDS})

    # --- hidden fields ---------------------------------------------------------------------------------------

    def _known(self, place: Place, seconds: Seconds) -> dict[str, Floats]:
        return {name: self._field(name, place, seconds) for name in ("wet", "warm", "wind")}

    def _foreseen(self, place: Place, moment: Seconds, runs: Seconds, model: str, share: Floats) -> dict[str, Floats]:
        """What all members of a run have in common; ``share`` is the part of the variance that is not known."""
        kept = np.sqrt(1.0 - share**2)
        truth = self._known(place, moment)
        return {
            name: kept**2 * values + kept * share * self._field(f"{name} {model}", place, moment, runs)
            for name, values in truth.items()
        }

    def _member(
        self,
        place: Place,
        seconds: Seconds,
        runs: Seconds,
        member: str,
        share: Floats,
        at: dict[str, Floats],
        before: dict[str, Floats],
    ) -> Hours:
        fields = [
            {name: v + share * self._field(f"{name} {member}", place, moment, runs) for name, v in common.items()}
            for moment, common in ((seconds, at), (seconds - HOUR_S, before))
        ]
        takes_own = self._uniform(f"which {member}", place, seconds) < share
        odds = np.where(
            takes_own, self._uniform(f"rain {member}", place, seconds), self._uniform("rain", place, seconds)
        )
        shift_h = 10.0 * share * _normal(_key(self.seed, f"shift {member}"))
        return self._weather(place, seconds, fields[0], fields[1], odds, shift_h)

    def _field(self, name: str, place: Place, seconds: Seconds, runs: Seconds | None = None) -> Floats:
        """A standard normal field: waves with periods of 2 to 11 days that travel over the Earth."""
        total = np.zeros(seconds.shape)
        for period, phase, over_lat, over_lon, over_runs in _uniforms(_key(self.seed, name), _DRAWS):
            speed = 2.0 * np.pi / (HOUR_S * 50.0 * 5.4**period)
            start = 2.0 * np.pi * phase + 0.3 * (over_lat - 0.5) * place.latitude + 0.2 * over_lon * place.longitude
            angle = speed * seconds + start
            if runs is not None:
                angle += 2.0 * np.pi / (HOUR_S * (72.0 + 150.0 * over_runs)) * runs
            total += np.cos(angle)
        result: Floats = total * np.sqrt(2.0 / _WAVES)
        return result

    def _uniform(self, name: str, place: Place, seconds: Seconds) -> Floats:
        """A number in [0, 1) for each hour and each tenth of a degree."""
        cell = f"{name} {round(place.latitude, 1)} {round(place.longitude, 1)}"
        return _uniforms(_key(self.seed, cell), seconds // HOUR_S)

    # --- from hidden fields to weather -----------------------------------------------------------------------

    def _weather(
        self,
        place: Place,
        seconds: Seconds,
        at: dict[str, Floats],
        before: dict[str, Floats],
        odds: Floats,
        shift_h: Floats | float,
    ) -> Hours:
        wet, spell = self._wetness(seconds, at["wet"], shift_h)
        wet_before, spell_before = self._wetness(seconds - HOUR_S, before["wet"], shift_h)
        cloud, cloud_before = _cloud(wet), _cloud(wet_before)
        solar_h = seconds / HOUR_S % 24.0 + place.longitude / 15.0
        day_c = 6.0 * (1.0 - 0.6 * cloud) * np.cos(2.0 * np.pi * (solar_h - 15.0) / 24.0)
        lapse_c = -0.0065 * place.height_m  # standard atmosphere, ISO 2533: 6.5 K/km
        temp = _season_c(place.latitude, seconds) + lapse_c + day_c + 3.0 * at["warm"] - 3.0 * spell + self.warmer_c
        breeze = 1.0 + 0.25 * np.cos(2.0 * np.pi * (solar_h - 14.0) / 24.0)
        wind = 3.2 * np.exp(0.45 * at["wind"]) * breeze + 1.5 * spell
        chance = np.clip((wet_before - 0.9) / 1.2, 0.0, 0.75)
        if self.dry_outside:
            chance = np.where(spell_before > 0.0, chance, 0.0)
        heavy = -np.log(np.maximum(odds, 1e-9) / np.maximum(chance, 1e-9))
        rain = np.where(odds < chance, 0.1 + 1.3 * np.maximum(heavy, 0.0), 0.0)
        # Kasten and Czeplak 1980, Solar Energy 24, 177-189: cloud takes 0.75 n^3.4 of the clear-sky radiation.
        light = clear_sky_wm2(place, seconds) * (1.0 - 0.75 * (0.5 * (cloud + cloud_before)) ** 3.4)
        rounded = {"temp_c": temp, "wind_ms": wind, "rain_mm": rain, "ghi_wm2": light}
        values = {name: np.round(v, 1) + 0.0 for name, v in rounded.items()}
        return Hours(seconds, cloud_frac=np.round(cloud, 2), **values)

    def _wetness(self, seconds: Seconds, wet: Floats, shift_h: Floats | float) -> tuple[Floats, Floats]:
        """Wetness with the spells in it, and how far each moment lies in one: 0 outside, 1 an hour inside."""
        spell = np.zeros(seconds.shape)
        moment_h = seconds / HOUR_S + shift_h
        for given in self.spells:
            start_h, end_h = (moment.timestamp() / HOUR_S for moment in (given.start, given.end))
            spell = np.maximum(spell, np.clip(np.minimum(moment_h - start_h + 1.0, end_h - moment_h), 0.0, 1.0))
        if self.dry_outside:
            wet = np.minimum(wet, 0.3)
        return (1.0 - spell) * wet + spell * (2.2 + 0.2 * wet), spell


def terrain_m(latitude: float, longitude: float) -> float:
    """Height of the invented terrain, 30 to 270 m; there is no sea. [m]"""
    return float(round(150.0 + 120.0 * np.sin(0.9 * latitude) * np.cos(0.7 * longitude)))


def _cloud(wet: Floats) -> Floats:
    return np.clip(0.5 + 0.33 * wet, 0.0, 1.0)


def _season_c(latitude: float, seconds: Seconds) -> Floats:
    """Temperature of the season at sea level: 11 °C at 51 degrees over the year, warmest in late July. [°C]"""
    year_part = 2.0 * np.pi * (seconds / DAY_S - 201.0) / 365.2425
    return 27.0 - 0.006 * latitude**2 + 0.15 * latitude * np.cos(year_part)


def sun_height_sine(place: Place, seconds: Floats | Seconds) -> Floats:
    """Sine of the sun's height, to about half a degree.

    Source:
        Spencer 1971, Fourier series representation of the position of the sun, Search 2, 172 (from memory).
    """
    year = 2.0 * np.pi * (seconds / DAY_S % 365.2425) / 365.2425
    cos, sin = (np.array([f(n * year) for n in (1, 2, 3)]) for f in (np.cos, np.sin))
    declination = 0.006918 - 0.399912 * cos[0] + 0.070257 * sin[0] - 0.006758 * cos[1] + 0.000907 * sin[1]
    declination += -0.002697 * cos[2] + 0.00148 * sin[2]
    equation = 0.000075 + 0.001868 * cos[0] - 0.032077 * sin[0] - 0.014615 * cos[1] - 0.040849 * sin[1]
    hour_angle = 2.0 * np.pi * (seconds / DAY_S % 1.0 + place.longitude / 360.0 - 0.5) + equation
    latitude = np.radians(place.latitude)
    upright, level = np.sin(latitude) * np.sin(declination), np.cos(latitude) * np.cos(declination)
    result: Floats = upright + level * np.cos(hour_angle)
    return result


def clear_sky_wm2(place: Place, stamps: Seconds) -> Floats:
    """Radiation of a clear sky, mean of the hour that ends at each stamp. [W/m²]

    Source:
        Haurwitz 1945, Journal of Meteorology 2, 154-166: 1098 sin h exp(-0.057 / sin h) (from memory).
    """
    offsets = HOUR_S * (np.arange(_SUN_SAMPLES) + 0.5) / _SUN_SAMPLES
    sine = np.array([sun_height_sine(place, stamps - offset) for offset in offsets])
    above = np.maximum(sine, 1e-4)
    result: Floats = np.where(sine > 0.0, 1098.0 * above * np.exp(-0.057 / above), 0.0).mean(axis=0)
    return result


# --- random numbers that stay the same with every release of numpy -------------------------------------------


def _key(seed: int, name: str) -> int:
    return zlib.crc32(name.encode()) << 24 ^ seed


def _uniforms(key: int, counters: NDArray[np.int64]) -> Floats:
    """Numbers in [0, 1) by SplitMix64 (Steele, Lea and Flood 2014, doi 10.1145/2660193.2660195; from memory)."""
    z = counters.astype(np.uint64) * np.uint64(0x9E3779B97F4A7C15) + np.uint64(key * 0x2545F4914F6CDD1D % 2**64)
    for shift, factor in ((30, 0xBF58476D1CE4E5B9), (27, 0x94D049BB133111EB)):
        z = (z ^ (z >> np.uint64(shift))) * np.uint64(factor)
    z = z ^ (z >> np.uint64(31))
    return (z >> np.uint64(11)).astype(np.float64) * 2.0**-53


def _normal(key: int) -> float:
    """One standard normal number (Box and Muller 1958, doi 10.1214/aoms/1177706645)."""
    first, second = _uniforms(key, np.arange(2))
    return float(np.sqrt(-2.0 * np.log(1.0 - first)) * np.cos(2.0 * np.pi * second))
