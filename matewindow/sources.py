"""From weather in normal form to the parts that paths are spliced from, laid on the site's solar days."""

from __future__ import annotations

from typing import TYPE_CHECKING

from matewindow.paths import Sources
from matewindow.siteweather import lay_on_site
from matewindow.weather.folder import WeatherFolder, read_folder
from matewindow.weather.steps import WetHours, respread

if TYPE_CHECKING:
    from collections.abc import Callable
    from pathlib import Path

    from matewindow.biology import Biology
    from matewindow.site import Site
    from matewindow.siteweather import SiteWeather
    from matewindow.weather.normal import Weather


def sources_of(
    weather: WeatherFolder, site: Site, biology: Biology, *, correct: Callable[[Weather], Weather] | None = None
) -> Sources:
    """Lay each part on the site's solar days.

    Args:
        weather: the parts that there are.
        site: where.
        biology: parameters with the site's thresholds.
        correct: takes a known bias out of the ensemble.
    """
    forecast, ensemble = (_in_wet_hours(w, weather.record) for w in (weather.forecast, weather.ensemble))
    if ensemble is not None and correct is not None:
        ensemble = correct(ensemble)

    def laid(part: Weather | None) -> SiteWeather | None:
        return None if part is None else lay_on_site(part, site, biology.flight)

    observed = laid(weather.record)
    past = observed if weather.past is weather.record else laid(weather.past)
    return Sources(observed=observed, run=laid(forecast), members=laid(ensemble), past=past)


def _in_wet_hours(forecast: Weather | None, record: Weather | None) -> Weather | None:
    """The forecast, rain that came in steps of several hours placed in wet hours as the site's record shows.

    A coarse model's rain, split evenly over its steps, would make every hour of a showery day damp.
    """
    if forecast is None:
        return None
    plain = respread(forecast)
    if plain is forecast or record is None:  # the table of a long record is only made where it is needed
        return plain
    months = {int(m) % 12 + 1 for m in forecast.times.astype("datetime64[M]").astype(int)}
    beside = {(m + step - 1) % 12 + 1 for m in months for step in (-1, 0, 1)}
    return respread(forecast, WetHours.from_weather(record, beside))


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
