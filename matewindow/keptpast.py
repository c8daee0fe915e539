"""A site's past weather cut down to what odds ask of it, to be kept between refreshes.

Thirty years of hourly weather take long to read, check and lay on solar days, and stay the same from one refresh to the
next. What the odds ask of them is little: the hours in the mating window, the mean temperature of each day (for the
trend), and the rain of all hours (for how rain falls into hours). The flight hours themselves cannot be kept: past
years are warmed for the trend of the days asked for, so they differ from batch to batch.

A kept past is a plain value. Its bytes are those of ``keptbytes``; numbers come back exactly.
"""

from __future__ import annotations

import hashlib
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any

import numpy as np

from matewindow import __version__, timegrid
from matewindow.errors import RequestError
from matewindow.keptbytes import HOURLY, opened, provenance_as_data, provenance_of, sealed
from matewindow.siteweather import SiteWeather, lay_on_site
from matewindow.weather.entries import DamagedError
from matewindow.weather.normal import HOUR, VARIABLES

if TYPE_CHECKING:
    from collections.abc import Mapping

    from numpy.typing import NDArray

    from matewindow.biology import Flight
    from matewindow.site import Site
    from matewindow.weather.normal import Weather

    Floats = NDArray[np.float64]

_FORMAT = 1
_MISSING = np.iinfo(np.int16).min
_SCALES = (1.0, 10.0, 100.0)
"""Most sources give whole numbers, tenths or hundredths: these fit into two bytes without loss."""


def past_edition(past: Weather) -> str:
    """A hash of past weather: its hours, its values and where it came from, except when it was fetched."""
    digest = hashlib.sha256()
    provenance = replace(past.provenance, fetched_at=None, file=None)
    digest.update(f"{past.times[0]} {len(past.times)} {provenance!r}".encode())
    for name in VARIABLES:
        values = past.values(name)
        digest.update(name.encode() if values is None else np.ascontiguousarray(values).tobytes())
    return digest.hexdigest()


def past_key(edition: str, site: Site, flight: Flight, *, before: np.datetime64 | None = None) -> str:
    """What a kept past hangs on, as a hash: another key, and it has to be made anew.

    Args:
        edition: tells one past weather from another: ``past_edition``, or hashes of the files it was read from.
        site: its position; thresholds other than the window's are not asked before the odds.
        flight: the mating window.
        before: as in ``KeptPast.of``.
    """
    place = site.latitude, site.longitude, site.elevation_m
    window = flight.window_centre_h, flight.window_half_width_h
    return hashlib.sha256(repr((_FORMAT, __version__, edition, place, window, str(before))).encode()).hexdigest()


@dataclass(frozen=True)
class KeptPast:
    """Past weather of a site for ``paths.Sources.past``, in a tenth of the memory.

    Attributes:
        key: from ``past_key``.
        weather: on solar days, only the hours around the mating window.
        hourly_rain_mm: of all hours up to the end of these days, shape (n_hours,); None if it is not told, or for a
            typical year.
        first_hour: start of the first of these hours, UTC.
    """

    key: str
    weather: SiteWeather
    hourly_rain_mm: Floats | None
    first_hour: np.datetime64

    @classmethod
    def of(
        cls, past: Weather, site: Site, flight: Flight, *, edition: str, before: np.datetime64 | None = None
    ) -> KeptPast:
        """Cut down past weather.

        Args:
            past: the long record, or a typical year.
            site, flight: as in ``siteweather.lay_on_site``.
            edition: as in ``past_key``.
            before: solar day from which on the past is not kept, because a record that is still growing has it: the
                first day of the current year, say; None = all is kept.

        Raises:
            RequestError: nothing of the past lies before that day.
        """
        laid = lay_on_site(past, site, flight)
        hours = slice(None)
        if before is not None:
            if before <= laid.days[0]:
                raise RequestError(
                    f"the past weather begins on {laid.days[0]}, nothing of it lies before {before}",
                    where="past weather",
                    fix="Keep it whole.",
                )
            laid = laid.between(0, min(len(laid.days), int((before - laid.days[0]).astype(np.int64))))
            end = before.astype("datetime64[h]") + timegrid.solar_day_start_hour(site.longitude)
            hours = slice(int((end - past.times[0]) / HOUR))
        rain = None if past.provenance.kind == "typical" else past.values("rain_mm")
        key = past_key(edition, site, flight, before=before)
        return cls(key, _apart(laid.window_only), None if rain is None else rain[0, hours], past.times[0])

    def with_record(self, record: SiteWeather | None) -> SiteWeather:
        """The past with the days that a record of the current season adds to it, as ``Sources.past`` wants it.

        Args:
            record: whole days; those that are kept already count as kept. Days between both are missing.
        """
        past = self.weather
        if record is None or past.provenance.kind == "typical" or record.days[-1] <= past.days[-1]:
            return past
        days = np.arange(past.days[-1] + 1, record.days[-1] + 1)
        later = record.on_days(np.maximum((days - record.days[0]).astype(np.intp), -1))
        return past.followed_by(replace(later, days=days))

    def rain_with(self, record: Weather | None) -> tuple[np.datetime64, Floats] | None:
        """Hourly rain up to now and the start of its first hour: what is kept, and later hours from a record."""
        kept, later = self.hourly_rain_mm, None if record is None else record.values("rain_mm")
        if record is None or later is None:
            return None if kept is None else (self.first_hour, kept)
        if kept is None:
            return record.times[0], later[0]
        start = int((record.times[0] - self.first_hour) / HOUR)
        end = start + later.shape[1]
        if end <= len(kept):
            return self.first_hour, kept
        rain = np.full(end, np.nan)
        rain[max(0, start) :] = later[0, max(0, -start) :]
        rain[: len(kept)] = kept
        return self.first_hour, rain

    def with_whole_rain(self, site: Site) -> SiteWeather:
        """The past with the rain of all 24 hours, and everything else only around the mating window."""
        whole = self.weather.whole_days()
        if self.hourly_rain_mm is None:
            return whole
        start = whole.days[0].astype("datetime64[h]") + timegrid.solar_day_start_hour(site.longitude)
        at = int((start - self.first_hour) / HOUR) + np.arange(whole.temp_c[0].size)
        known = (at >= 0) & (at < len(self.hourly_rain_mm))
        rain = np.where(known, self.hourly_rain_mm[np.where(known, at, 0)], np.nan)
        return replace(whole, rain_mm=rain.reshape(whole.temp_c.shape))

    def as_bytes(self) -> bytes:
        """Pack it."""
        w = self.weather
        arrays: dict[str, Any] = {"share": w.share, "inside": np.packbits(w.inside), "daily_temp_c": w.mean_temp_c[0]}
        head: dict[str, Any] = {
            "key": self.key,
            "first_day": str(w.days[0]),
            "first_hour": w.first_hour,
            "light_filled": w.light_filled,
            "rain_from": str(self.first_hour.astype("datetime64[s]")),
            "provenance": provenance_as_data(w.provenance),
            "scales": {},
        }
        for name in HOURLY:
            values = getattr(w, name)
            if values is not None:
                arrays[name], head["scales"][name] = _short(values[0])
        if self.hourly_rain_mm is not None:
            arrays["hourly_rain_mm"], head["scales"]["hourly_rain_mm"] = _short(self.hourly_rain_mm)
        return sealed(head, arrays)

    @classmethod
    def from_bytes(cls, data: bytes, *, key: str) -> KeptPast:
        """Unpack it.

        Args:
            data: from ``as_bytes``.
            key: that it must have, from ``past_key``.

        Raises:
            DamagedError: the data are not what was packed, or belong to another key: make it anew.
        """
        with opened(data) as (head, arrays):
            if head["key"] != key:
                raise DamagedError("it was made from other weather, for another place or by another version")
            return cls._unpacked(head, arrays)

    @classmethod
    def _unpacked(cls, head: dict[str, Any], arrays: Mapping[str, NDArray[Any]]) -> KeptPast:
        scales, share = head["scales"], arrays["share"]
        hourly = {name: _long(arrays[name], scales[name])[None] for name in HOURLY if name in scales}
        rain = "hourly_rain_mm"
        weather = SiteWeather(
            days=np.datetime64(head["first_day"], "D") + np.arange(len(share)),
            temp_c=hourly["temp_c"],
            wind_ms=hourly["wind_ms"],
            rain_mm=hourly.get("rain_mm"),
            ghi_wm2=hourly.get("ghi_wm2"),
            share=share,
            inside=np.unpackbits(arrays["inside"], count=share.size).reshape(share.shape).astype(np.bool_),
            provenance=provenance_of(head["provenance"]),
            light_filled=head["light_filled"],
            first_hour=head["first_hour"],
            daily_temp_c=arrays["daily_temp_c"][None],
        )
        return cls(
            head["key"],
            weather,
            _long(arrays[rain], scales[rain]) if rain in scales else None,
            np.datetime64(head["rain_from"], "s"),
        )


def _apart(weather: SiteWeather) -> SiteWeather:
    """The same weather in arrays of its own, so that those it was cut from need not be held."""
    return weather.changed(np.copy, share=np.copy(weather.share), inside=np.copy(weather.inside))


def _short(values: Floats) -> tuple[NDArray[Any], float]:
    """Values as two-byte whole numbers and the scale to divide them by; as they are, and 0, where that would lose."""
    known = ~np.isnan(values)
    for scale in _SCALES:
        whole = np.rint(np.where(known, values, 0.0) * scale)
        same = np.array_equal((whole / scale)[known], values[known])
        if same and np.abs(whole).max(initial=0.0) < -_MISSING and not np.signbit(values[known & (whole == 0.0)]).any():
            return np.where(known, whole, _MISSING).astype(np.int16), scale
    return values, 0.0


def _long(values: NDArray[Any], scale: float) -> Floats:
    if not scale:
        return np.asarray(values, dtype=np.float64)
    found: Floats = values / np.float64(scale)
    found[values == _MISSING] = np.nan
    return found
