"""From weather in normal form to the parts that paths are spliced from, laid on the site's solar days."""

from __future__ import annotations

from typing import TYPE_CHECKING

from matewindow.paths import Sources
from matewindow.siteweather import lay_on_site
from matewindow.weather.folder import WeatherFolder, read_folder

if TYPE_CHECKING:
    from pathlib import Path

    from matewindow.biology import Biology
    from matewindow.site import Site


def sources_of(weather: WeatherFolder, site: Site, biology: Biology) -> Sources:
    """Lay each part on the site's solar days. A real record serves both as observation and for past years."""
    flight = biology.flight
    record = None if weather.record is None else lay_on_site(weather.record, site, flight)
    past = record if weather.typical is None else lay_on_site(weather.typical, site, flight)
    return Sources(
        observed=record,
        run=None if weather.forecast is None else lay_on_site(weather.forecast, site, flight),
        members=None if weather.ensemble is None else lay_on_site(weather.ensemble, site, flight),
        past=past,
    )


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
