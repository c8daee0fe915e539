"""Weather in normal form laid on the solar days of one site, with its mating window: what the flight kernel reads."""

from __future__ import annotations

from dataclasses import dataclass, fields, replace
from functools import cached_property, lru_cache
from typing import TYPE_CHECKING, Any

import numpy as np

from matewindow import sun, timegrid
from matewindow.flight import FlightDays, day_losses, flight_days, hourly_losses, losses, window_band

if TYPE_CHECKING:
    from collections.abc import Callable

    from numpy.typing import NDArray

    from matewindow.biology import Flight
    from matewindow.site import Site
    from matewindow.weather.normal import Provenance, Weather

    Floats = NDArray[np.float64]
    Indices = NDArray[np.intp]

_LONGEST_FORECAST_D = 16


@dataclass(frozen=True)
class SiteWeather:
    """Hourly weather on solar days.

    ``temp_c``, ``wind_ms``, ``rain_mm`` and ``ghi_wm2`` have the shape (n_series, n_days, n_hours), series being
    members or years; rain
    and light are None where the source does not give them. ``share`` and ``inside`` describe the mating window:
    (n_days, n_hours) or, where series stand for different years, (n_series, n_days, n_hours).

    ``n_hours`` is 24, or fewer where only the hours around the mating window are there (``window_only``): they begin
    with ``first_hour`` of the solar day, and ``daily_temp_c`` (n_series, n_days) has the mean temperature of whole
    days, NaN where any of the 24 hours is missing. The arrays are never changed once they are here.
    """

    days: NDArray[np.datetime64]
    temp_c: Floats
    wind_ms: Floats
    rain_mm: Floats | None
    ghi_wm2: Floats | None
    share: Floats
    inside: NDArray[np.bool_]
    provenance: Provenance
    light_filled: bool = False
    issued: np.datetime64 | None = None
    first_hour: int = 0
    daily_temp_c: Floats | None = None

    @cached_property
    def window_only(self) -> SiteWeather:
        """The same weather with only those hours that lie in some day's mating window, views on these arrays.

        It flies and loses exactly the same hours and takes a quarter of the work.
        """
        band = window_band(self.share)
        return self.changed(
            lambda values: values[..., band],
            share=self.share[..., band],
            inside=self.inside[..., band],
            first_hour=self.first_hour + band.start,
            daily_temp_c=self.mean_temp_c,
        )

    @cached_property
    def mean_temp_c(self) -> Floats:
        """Mean temperature of each whole day, NaN where an hour of it is missing, shape (n_series, n_days)."""
        mean: Floats = self.temp_c.mean(axis=-1) if self.daily_temp_c is None else self.daily_temp_c
        return mean

    @cached_property
    def known_days(self) -> NDArray[np.bool_]:
        """Which days lack no more than one input hour of their mating window, shape (n_series, n_days)."""
        lacking = np.isnan(self.temp_c) | np.isnan(self.wind_ms)
        for values in (self.rain_mm, self.ghi_wm2):
            if values is not None:
                lacking |= np.isnan(values)
        return np.asarray((lacking & (self.share > 0.0)).sum(axis=-1) <= 1)

    def __getstate__(self) -> dict[str, Any]:
        """For pickle: the fields alone, since what was worked out from them would take as much room once more."""
        return {field.name: getattr(self, field.name) for field in fields(self)}

    def whole_days(self) -> SiteWeather:
        """The same weather with 24 hours a day again: hours that are not there are missing and have no share."""
        n_hours = self.temp_c.shape[-1]
        if n_hours == timegrid.HOURS_PER_DAY:
            return self
        there = slice(self.first_hour, self.first_hour + n_hours)

        def whole(values: NDArray[Any], fill: float) -> NDArray[Any]:
            day = np.full((*values.shape[:-1], timegrid.HOURS_PER_DAY), fill, dtype=values.dtype)
            day[..., there] = values
            return day

        return self.changed(
            lambda values: whole(values, np.nan),
            share=whole(self.share, 0.0),
            inside=whole(self.inside, 0.0),
            first_hour=0,
        )

    def changed(self, change: Callable[[Floats], Floats], **more: Any) -> SiteWeather:  # noqa: ANN401
        """The same weather with all hourly values changed alike, and more."""
        rain, ghi = self.rain_mm, self.ghi_wm2
        return replace(
            self,
            temp_c=change(self.temp_c),
            wind_ms=change(self.wind_ms),
            rain_mm=None if rain is None else change(rain),
            ghi_wm2=None if ghi is None else change(ghi),
            **more,
        )

    @property
    def not_judged(self) -> tuple[str, ...]:
        """What the source gives no means to judge: ``rain``, ``light`` or both."""
        absent = {"rain": self.rain_mm is None, "light": self.ghi_wm2 is None}
        return tuple(name for name, gone in absent.items() if gone)

    def flight(self, flight: Flight, exposure: float) -> FlightDays:
        """Flight hours of all days and series."""
        hourly = self.temp_c, self.wind_ms, self.rain_mm, self.ghi_wm2
        return flight_days(*hourly, self.share, self.inside, flight, exposure=exposure)

    def losses(self, flight: Flight, exposure: float) -> Floats:
        """Lost hours by cause, shape (n_series, n_days, n_levels, n_causes)."""
        hourly = self.temp_c, self.wind_ms, self.rain_mm, self.ghi_wm2
        return losses(*hourly, self.share, flight, exposure=exposure)

    def day_losses(self, series: Indices, days: Indices, level: Indices, flight: Flight, exposure: float) -> Floats:
        """Lost hours by cause of single days at one level of pent-up drive each, shape (n, n_causes)."""
        hourly = [
            None if values is None else values[series, days]
            for values in (self.temp_c, self.wind_ms, self.rain_mm, self.ghi_wm2)
        ]
        share = self.share[days] if self.share.ndim == 2 else self.share[series, days]
        temp_c, wind_ms, rain_mm, ghi_wm2 = hourly
        assert temp_c is not None
        assert wind_ms is not None
        return day_losses(temp_c, wind_ms, rain_mm, ghi_wm2, share, flight, level, exposure=exposure)

    def losses_by_hour(self, flight: Flight, exposure: float) -> Floats:
        """What each hour of the first day lost, by cause, shape (n_series, n_hours, n_causes)."""
        rain = None if self.rain_mm is None else self.rain_mm[:, 0]
        ghi = None if self.ghi_wm2 is None else self.ghi_wm2[:, 0]
        share = self.share.reshape(-1, self.share.shape[-1])
        return hourly_losses(self.temp_c[:, 0], self.wind_ms[:, 0], rain, ghi, share, flight, exposure=exposure)

    def between(self, start: int, stop: int) -> SiteWeather:
        """The same series on a run of the days, by index, as views on these arrays."""
        run = slice(start, stop)
        return self.changed(
            lambda values: values[:, run],
            days=self.days[run],
            share=self.share[..., run, :],
            inside=self.inside[..., run, :],
            daily_temp_c=None if self.daily_temp_c is None else self.daily_temp_c[:, run],
        )

    def followed_by(self, later: SiteWeather) -> SiteWeather:
        """One series over the days of both, with the hours of this one.

        Args:
            later: from the day after these on; what only one of both tells is missing on the days of the other.
        """
        n_hours, whole = self.temp_c.shape[-1], later.whole_days()
        hours = slice(self.first_hour, self.first_hour + n_hours)

        def joined(name: str) -> NDArray[Any] | None:
            mine, its = getattr(self, name), getattr(whole, name)
            if mine is None and its is None:
                return None
            mine = np.full_like(self.temp_c, np.nan) if mine is None else mine
            its = np.full_like(whole.temp_c, np.nan) if its is None else its
            return np.concatenate([mine, its[..., hours]], axis=-2)

        names = ("temp_c", "wind_ms", "rain_mm", "ghi_wm2", "share", "inside")
        changes: dict[str, Any] = {name: joined(name) for name in names}
        daily = np.concatenate([self.mean_temp_c, later.mean_temp_c], axis=-1)
        return replace(self, days=np.concatenate([self.days, later.days]), daily_temp_c=daily, **changes)

    def on_days(self, rows: NDArray[np.intp]) -> SiteWeather:
        """The same series on other days: day indices (n_days,), -1 gives a missing day."""
        known = rows >= 0
        at = np.where(known, rows, 0)
        daily = self.daily_temp_c
        return self.changed(
            lambda values: np.where(known[:, None], values[:, at], np.nan),
            share=self.share[at],
            inside=self.inside[at],
            daily_temp_c=None if daily is None else np.where(known, daily[:, at], np.nan),
        )

    def take(self, rows: NDArray[np.intp], offset_c: Floats | float = 0.0) -> SiteWeather:
        """Series cut from this one's days.

        Args:
            rows: day indices, shape (n_series, n_days); an index outside the days, or -1, gives a missing day.
            offset_c: added to the temperature of each series, shape (n_series,).
        """
        known = (rows >= 0) & (rows < len(self.days))
        at = np.where(known, rows, 0)
        cut = self.changed(
            (lambda values: values[0][at]) if known.all() else lambda v: np.where(known[..., None], v[0][at], np.nan),
            share=self.share[at],
            inside=self.inside[at],
            daily_temp_c=None if self.daily_temp_c is None else np.where(known, self.daily_temp_c[0][at], np.nan),
        )
        offsets = np.broadcast_to(offset_c, len(rows))[:, None]
        warmer = None if cut.daily_temp_c is None else cut.daily_temp_c + offsets
        return replace(cut, temp_c=cut.temp_c + offsets[..., None], daily_temp_c=warmer)


def lay_on_site(weather: Weather, site: Site, flight: Flight) -> SiteWeather:
    """Lay weather on the solar days of a site and work out the mating window of each day.

    Where the source gives cloud and no radiation, light is clear-sky radiation dimmed by the cloud (Kasten and
    Czeplak 1980); single hours that lack radiation are filled in the same way.
    """
    times, longitude = weather.times, site.longitude

    def laid(values: Floats | None) -> Floats | None:
        return (
            None
            if values is None
            else timegrid.to_solar_days(times, values, longitude)[1].astype(np.float64, copy=False)
        )

    days = timegrid.to_solar_days(times, np.zeros((1, len(times))), longitude)[0]
    share, inside = timegrid.window_share(
        days,
        longitude,
        _equation_of_time_min(days[0], len(days)),
        centre_h=flight.window_centre_h,
        half_width_h=flight.window_half_width_h,
    )
    ghi, filled = _light(weather, site)
    temp_c, wind_ms = laid(weather.values("temp_c")), laid(weather.values("wind_ms"))
    assert temp_c is not None
    assert wind_ms is not None
    return SiteWeather(
        days,
        temp_c,
        wind_ms,
        laid(weather.values("rain_mm")),
        laid(ghi),
        share,
        inside,
        weather.provenance,
        filled,
        _issue_day(weather.provenance, days, longitude),
    )


@lru_cache(maxsize=32)
def _equation_of_time_min(first_day: np.datetime64, n_days: int) -> Floats:
    """Of days in a row. Kept, since it hangs on the dates alone: weather of one time serves many sites."""
    minutes = sun.equation_of_time_min(first_day + np.arange(n_days))
    minutes.setflags(write=False)
    return minutes


def _issue_day(provenance: Provenance, days: NDArray[np.datetime64], longitude: float) -> np.datetime64 | None:
    """The solar day on which a forecast was made: of its run, else of its fetching.

    A file that tells neither is taken as made on its first day, or 15 days before its last if that is later: no service
    in use looks more than 16 days ahead, and days before the run come with some answers. Too old rather than too fresh.
    """
    if provenance.kind not in ("forecast", "ensemble", "spread"):
        return None
    moment = provenance.run_time or provenance.fetched_at
    if moment is None:
        earliest: np.datetime64 = days[-1] - (_LONGEST_FORECAST_D - 1)
        first: np.datetime64 = days[0]
        return earliest if earliest > first else first
    return timegrid.solar_day_at(moment, longitude)


def _light(weather: Weather, site: Site) -> tuple[Floats | None, bool]:
    """Radiation, from cloud where need be, and whether any of it was."""
    ghi, cloud = weather.values("ghi_wm2"), weather.values("cloud_frac")
    if cloud is None or (ghi is not None and not np.isnan(ghi).any()):
        return ghi, False
    wanted = np.ones(cloud.shape[1], dtype=bool) if ghi is None else np.isnan(ghi).any(axis=0)
    clear = np.full(cloud.shape[1], np.nan)
    clear[wanted] = sun.clear_sky_ghi(site.latitude, site.longitude, site.elevation_m, weather.times[wanted])
    dimmed = sun.cloudy_ghi(clear, cloud)
    if ghi is None:
        return dimmed, True
    gaps = np.isnan(ghi) & ~np.isnan(dimmed)
    return np.where(gaps, dimmed, ghi), bool(gaps.any())
