"""A folder of weather files: what may lie in it, and whether it belongs to the site."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np

from matewindow.errors import WeatherFileError
from matewindow.weather import openmeteo, plain_csv, typical
from matewindow.weather.files import read_text
from matewindow.weather.join import joined

if TYPE_CHECKING:
    from collections.abc import Callable
    from pathlib import Path

    from matewindow.site import Site
    from matewindow.weather.normal import Weather
    from matewindow.weather.openmeteo_runs import PreviousRuns

_YEAR_H = 365 * 24
_GRID_REACH_DEG = 0.6
"""Half the cell of the coarsest ensemble in use (0.5 degrees), with room for a land cell picked beside it."""

FORECAST, ENSEMBLE = "forecast.json", "ensemble.json"
PAST: dict[str, Callable[[Path], Weather]] = {
    "past.json": openmeteo.read_archive,
    "past.csv": plain_csv.read_csv,
    "past.epw": typical.read_epw,
    "past.tmy3.csv": typical.read_tmy3,
}
FILES = (FORECAST, ENSEMBLE, *PAST)
TERMS = "terms.txt"
"""A line that says whose weather a folder holds and on what terms, in place of what its files are taken for."""
_LONGEST_TERMS = 200


@dataclass(frozen=True)
class WeatherFolder:
    """The weather that lies in one folder; every part may be absent.

    ``record`` is what is known of real hours up to now, a station's reading before an analysis; ``past`` is what past
    years are cut from: the longest record, or a typical year where no record fills a year.
    """

    forecast: Weather | None = None
    ensemble: Weather | None = None
    record: Weather | None = None
    past: Weather | None = None


def read_folder(folder: Path, site: Site) -> WeatherFolder:
    """Read all weather files of a folder that the program knows.

    Of two typical years the EPW is taken. Where there is a ``terms.txt``, its line is the attribution of them all.

    Raises:
        WeatherFileError: no such folder, none of the files in it, a broken file, or weather of another place.
    """
    if not folder.is_dir():
        raise WeatherFileError(
            "there is no such weather folder",
            where=str(folder),
            fix=f"Give a folder that holds any of {', '.join(FILES)}.",
        )
    there = [name for name in FILES if (folder / name).is_file()]
    if not there:
        raise WeatherFileError(
            "holds no weather that can be read",
            where=str(folder),
            fix=f"Put any of {', '.join(FILES)} into it.",
        )
    read: dict[str, Weather] = {}
    for name in there:
        reader = PAST.get(name, openmeteo.read_ensemble if name == ENSEMBLE else openmeteo.read_forecast)
        read[name] = reader(folder / name)
        check_place(read[name], site)
    if (folder / TERMS).is_file():
        terms = _terms(folder / TERMS)
        read = {name: replace(w, provenance=replace(w.provenance, licence=terms)) for name, w in read.items()}
    records = [read[name] for name in PAST if name in read and read[name].provenance.kind != "typical"]
    typical_years = [read[name] for name in PAST if name in read and read[name].provenance.kind == "typical"]
    return WeatherFolder(
        forecast=read.get(FORECAST),
        ensemble=read.get(ENSEMBLE),
        record=joined(records) if records else None,
        past=_past(records, typical_years),
    )


def _terms(file: Path) -> str:
    """The line that tells whose weather it is."""
    text = " ".join(read_text(file).split())
    if not text or len(text) > _LONGEST_TERMS or not text.isprintable():
        raise WeatherFileError(
            "it does not say in a line whose weather this is",
            where=str(file),
            fix=f"Write one line of up to {_LONGEST_TERMS} characters, or remove the file.",
        )
    return text


def _past(records: list[Weather], typical_years: list[Weather]) -> Weather | None:
    """The record that knows most hours; a typical year instead of one that does not fill a year."""
    longest = max(records, key=_known_hours, default=None)
    if longest is None or (typical_years and _known_hours(longest) < _YEAR_H):
        return typical_years[0] if typical_years else None
    return longest


def _known_hours(weather: Weather) -> int:
    temp = weather.values("temp_c")
    return 0 if temp is None else int(np.isfinite(temp).sum())


def check_place(weather: Weather | PreviousRuns, site: Site) -> None:
    """Refuse weather whose file says that it belongs to another place than the site.

    Raises:
        WeatherFileError: names both places, and says if the site's coordinates look swapped.
    """
    latitude, longitude = weather.provenance.latitude, weather.provenance.longitude
    if latitude is None or longitude is None:
        return
    reach = _GRID_REACH_DEG if weather.provenance.kind != "typical" else 2.0 * _GRID_REACH_DEG

    def near(lat: float, lon: float) -> bool:
        return abs(latitude - lat) <= reach and abs((longitude - lon + 180.0) % 360.0 - 180.0) <= reach

    if near(site.latitude, site.longitude):
        return
    swapped = near(site.longitude, site.latitude)
    raise WeatherFileError(
        f"is weather for latitude {latitude:g}, longitude {longitude:g}, but the site lies at "
        f"{site.latitude:g}, {site.longitude:g}",
        where=weather.provenance.file or weather.provenance.source,
        fix="Latitude and longitude of the site look swapped."
        if swapped
        else "Fetch the weather for the site's position.",
    )
