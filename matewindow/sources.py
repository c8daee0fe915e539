"""From weather in normal form to the parts that paths are spliced from, laid on the site's solar days."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np

from matewindow.paths import Sources
from matewindow.siteweather import SiteWeather, lay_on_site
from matewindow.timegrid import solar_day_start_hour
from matewindow.weather.folder import WeatherFolder, check_place, read_folder
from matewindow.weather.steps import NO_RECORD, WetHours, evenly_split_steps, respread

if TYPE_CHECKING:
    from collections.abc import Callable, Collection
    from pathlib import Path

    from numpy.typing import NDArray

    from matewindow.biology import Biology, Flight
    from matewindow.keptpast import KeptPast
    from matewindow.site import Site
    from matewindow.weather.normal import Weather

    Floats = NDArray[np.float64]
    HourlyRain = tuple[np.datetime64, Floats]


_SHORTEST_STEP_H, _LONGEST_STEP_H = 3, 6
"""Steps over which sources split rain evenly, see ``steps.evenly_split_steps``."""


def sources_of(
    weather: WeatherFolder,
    site: Site,
    biology: Biology,
    *,
    correct: Callable[[Weather], Weather] | None = None,
    kept: KeptPast | None = None,
) -> Sources:
    """Lay each part on the site's solar days.

    Args:
        weather: the parts that there are.
        site: where.
        biology: parameters with the site's thresholds.
        correct: takes a known bias out of the ensemble.
        kept: past years from an earlier time, instead of ``weather.past``; then ``weather.record`` need only reach back
            to where they end and over the days that batches under way ask for.
    """
    rain = _past_rain(weather.record) if kept is None else kept.rain_with(weather.record)
    table = _tables(rain)
    forecast, ensemble = (_in_wet_hours(w, table) for w in (weather.forecast, weather.ensemble))
    if ensemble is not None and correct is not None:
        ensemble = correct(ensemble)

    def laid(part: Weather | None) -> SiteWeather | None:
        return None if part is None else lay_on_site(part, site, biology.flight)

    observed = laid(weather.record)
    if kept is not None:
        past: SiteWeather | None = kept.with_record(observed)
    else:
        past = observed if weather.past is weather.record else laid(weather.past)
    return Sources(observed=observed, run=laid(forecast), members=laid(ensemble), past=past)


def runs_on_site(
    record: Weather | SiteWeather | None,
    site: Site,
    flight: Flight,
    *,
    without: tuple[np.datetime64, np.datetime64] | None = None,
    correct: Callable[[Weather], Weather] | None = None,
) -> Callable[[Weather], SiteWeather]:
    """How stored runs are laid on a site's days: as live ones are, and what is needed for that is made once.

    Args:
        record: hourly weather of the site; how its rain falls into hours is how that of coarse steps is placed.
        site: where.
        flight: thresholds, of which the mating window matters here.
        without: first and last solar day that the record is not asked about, since they are to be judged by the runs.
        correct: takes a known bias out of ensembles.

    Returns:
        Lays a run. It raises ``WeatherFileError`` for one of another place.
    """
    rain = _rain_on_days(record, site) if isinstance(record, SiteWeather) else _past_rain(record)
    if rain is not None and without is not None:
        rain = _rain_without(rain, without, site.longitude)
    table = _tables(rain)

    def laid(run: Weather) -> SiteWeather:
        check_place(run, site)
        placed = _in_wet_hours(run, table)
        assert placed is not None
        if correct is not None and run.provenance.kind == "ensemble":
            placed = correct(placed)
        return lay_on_site(placed, site, flight)

    return laid


def season_days(season: int, site: Site) -> tuple[np.datetime64, np.datetime64]:
    """First and last day of the year of a season: a calendar year, in the south from July of that year to June."""
    if site.latitude >= 0.0:
        return np.datetime64(f"{season:04d}-01-01", "D"), np.datetime64(f"{season:04d}-12-31", "D")
    return np.datetime64(f"{season:04d}-07-01", "D"), np.datetime64(f"{season + 1:04d}-06-30", "D")


def with_run(sources: Sources, run: SiteWeather | None) -> Sources:
    """The sources with this run as the only forecast there is: an ensemble, a single run, or none."""
    single = run is not None and run.provenance.kind == "forecast"
    return replace(sources, run=run if single else None, members=None if single else run)


def _rain_on_days(record: SiteWeather, site: Site) -> HourlyRain | None:
    """As ``_past_rain``, of a record that lies on the site's solar days already."""
    rain = record.whole_days().rain_mm
    first_hour = record.days[0].astype("datetime64[h]") + solar_day_start_hour(site.longitude)
    return None if rain is None else (first_hour, rain[0].ravel())


def _rain_without(rain: HourlyRain, days: tuple[np.datetime64, np.datetime64], longitude: float) -> HourlyRain:
    """The rain with the hours of some solar days missing."""
    first_hour, rain_mm = rain
    start = solar_day_start_hour(longitude)
    ends = [(day.astype("datetime64[h]") - first_hour.astype("datetime64[h]")).astype(np.int64) + start for day in days]
    left = rain_mm.copy()
    left[max(0, int(ends[0])) : max(0, int(ends[1]) + 24)] = np.nan
    return first_hour, left


def _past_rain(record: Weather | None) -> HourlyRain | None:
    """Start of the first hour and hourly rain of a record; None if it tells of none."""
    rain = None if record is None else record.values("rain_mm")
    return None if record is None or rain is None else (record.times[0], rain[0])


def _tables(rain: HourlyRain | None) -> Callable[[Weather], WetHours]:
    """Gives the table of how rain falls into hours in the months of a forecast, made once for all that share them."""
    made: dict[frozenset[int], WetHours] = {}

    def table(forecast: Weather) -> WetHours:
        if rain is None:
            return NO_RECORD
        months = {int(m) % 12 for m in np.unique(forecast.times.astype("datetime64[M]")).astype(int)}
        beside = frozenset((m + step) % 12 + 1 for m in months for step in (-1, 0, 1))
        if beside not in made:
            made[beside] = WetHours.from_hourly(_near_rain(_of_months(*rain, beside)))
        return made[beside]

    return table


def _in_wet_hours(forecast: Weather | None, table: Callable[[Weather], WetHours]) -> Weather | None:
    """The forecast, rain that came in steps of several hours placed in wet hours as the site's record shows.

    A coarse model's rain, split evenly over its steps, would make every hour of a showery day damp.
    """
    rain = None if forecast is None else forecast.values("rain_mm")
    if forecast is None or rain is None or evenly_split_steps(rain, forecast.times[0]).max() < _SHORTEST_STEP_H:
        return forecast  # the table of a long record is only made where it is needed
    return respread(forecast, table(forecast))


def _of_months(first_hour: np.datetime64, rain_mm: Floats, months: Collection[int]) -> Floats:
    """The hours of some months of the year (1 to 12, UTC), with a missing hour between stretches.

    Missing hours in the others' place would give the same patterns in three times the time.
    """
    first = first_hour.astype("datetime64[h]")
    each = np.arange(first.astype("datetime64[M]"), (first + len(rain_mm)).astype("datetime64[M]") + 2)
    starts = np.clip((each.astype("datetime64[h]") - first).astype(np.int64), 0, len(rain_mm))
    wanted = np.isin(each.astype(np.int64) % 12 + 1, list(months))[:-1]
    parts = []
    for i in np.flatnonzero(wanted):
        parts.append(rain_mm[starts[i] : starts[i + 1]])
        if not wanted[i + 1 : i + 2].any():
            parts.append(np.array([np.nan]))
    return np.concatenate(parts or [np.array([np.nan])])


def _near_rain(rain_mm: Floats) -> Floats:
    """The hours that lie in one step with a wet hour, with a missing hour in the place of each stretch of others.

    Only wet steps have a pattern, so the patterns are the same.
    """
    reach = _LONGEST_STEP_H - 1
    wet = np.cumsum(np.pad(rain_mm > 0.0, (reach + 1, reach)))  # up to each hour
    kept = np.flatnonzero(wet[2 * reach + 1 :] > wet[: len(rain_mm)])
    return np.insert(rain_mm[kept], np.flatnonzero(np.diff(kept) > 1) + 1, np.nan)


def load_sources(folder: Path, site: Site, biology: Biology) -> Sources:
    """Read a weather folder for a site.

    Raises:
        WeatherFileError: as ``read_folder``; a light or rain variable that only one part lacks is no error but
            reported by the outlook.
    """
    return sources_of(read_folder(folder, site), site, biology)


def site_biology(site: Site, biology: Biology) -> Biology:
    """The parameters with the site's own flight thresholds.

    Raises:
        ParameterError: unknown threshold or outside its range.
    """
    where = f"{site.file or 'site'}, [thresholds]"
    return biology.with_values(site.thresholds, where=where, group="flight")
