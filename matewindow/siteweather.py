"""Weather in normal form laid on the solar days of one site, with its mating window: what the flight kernel reads."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np

from matewindow import sun, timegrid
from matewindow.flight import FlightDays, flight_days, hourly_losses, losses

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from matewindow.biology import Flight
    from matewindow.site import Site
    from matewindow.weather.normal import Provenance, Weather

    Floats = NDArray[np.float64]

_LONGEST_FORECAST_D = 16


@dataclass(frozen=True)
class SiteWeather:
    """Hourly weather on solar days.

    ``temp_c``, ``wind_ms``, ``rain_mm`` and ``ghi_wm2`` have the shape (n_series, n_days, 24), series being members
    or years; rain
    and light are None where the source does not give them. ``share`` and ``inside`` describe the mating window:
    (n_days, 24) or, where series stand for different years, (n_series, n_days, 24).
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

    def losses_by_hour(self, flight: Flight, exposure: float) -> Floats:
        """What each hour of the first day lost, by cause, shape (n_series, 24, n_causes)."""
        rain = None if self.rain_mm is None else self.rain_mm[:, 0]
        ghi = None if self.ghi_wm2 is None else self.ghi_wm2[:, 0]
        share = self.share.reshape(-1, 24)
        return hourly_losses(self.temp_c[:, 0], self.wind_ms[:, 0], rain, ghi, share, flight, exposure=exposure)

    def on_days(self, rows: NDArray[np.intp]) -> SiteWeather:
        """The same series on other days: day indices (n_days,), -1 gives a missing day."""
        known = rows >= 0
        at = np.where(known, rows, 0)

        def cut(values: Floats | None) -> Floats | None:
            return None if values is None else np.where(known[:, None], values[:, at], np.nan)

        temp_c, wind_ms = cut(self.temp_c), cut(self.wind_ms)
        assert temp_c is not None
        assert wind_ms is not None
        return replace(
            self,
            temp_c=temp_c,
            wind_ms=wind_ms,
            rain_mm=cut(self.rain_mm),
            ghi_wm2=cut(self.ghi_wm2),
            share=self.share[at],
            inside=self.inside[at],
        )

    def take(self, rows: NDArray[np.intp], offset_c: Floats | float = 0.0) -> SiteWeather:
        """Series cut from this one's days.

        Args:
            rows: day indices, shape (n_series, n_days); an index outside the days, or -1, gives a missing day.
            offset_c: added to the temperature of each series, shape (n_series,).
        """
        known = (rows >= 0) & (rows < len(self.days))
        at = np.where(known, rows, 0)

        def cut(values: Floats | None) -> Floats | None:
            return None if values is None else np.where(known[..., None], values[0][at], np.nan)

        temp_c, wind_ms = cut(self.temp_c), cut(self.wind_ms)
        assert temp_c is not None
        assert wind_ms is not None
        return replace(
            self,
            temp_c=temp_c + np.broadcast_to(offset_c, len(rows))[:, None, None],
            wind_ms=wind_ms,
            rain_mm=cut(self.rain_mm),
            ghi_wm2=cut(self.ghi_wm2),
            share=self.share[at],
            inside=self.inside[at],
        )


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
        sun.equation_of_time_min(days),
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
