"""A folder of weather files: what may lie in it, and whether it belongs to the site."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from matewindow.errors import WeatherFileError
from matewindow.weather import openmeteo, plain_csv, typical

if TYPE_CHECKING:
    from collections.abc import Callable
    from pathlib import Path

    from matewindow.site import Site
    from matewindow.weather.normal import Weather

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


@dataclass(frozen=True)
class WeatherFolder:
    """The weather that lies in one folder; every part may be absent.

    ``record`` is real hourly weather of the past (observation or analysis), ``typical`` one typical year.
    """

    forecast: Weather | None = None
    ensemble: Weather | None = None
    record: Weather | None = None
    typical: Weather | None = None


def read_folder(folder: Path, site: Site) -> WeatherFolder:
    """Read all weather files of a folder that the program knows.

    Of two real records of the past, that of a station (``past.csv``) is taken; of two typical years the EPW.

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
    past = [read[name] for name in reversed(list(PAST)) if name in read]
    records = [w for w in past if w.provenance.kind != "typical"]
    typicals = [w for w in past if w.provenance.kind == "typical"]
    return WeatherFolder(
        forecast=read.get(FORECAST),
        ensemble=read.get(ENSEMBLE),
        record=records[0] if records else None,
        typical=typicals[-1] if typicals and not records else None,
    )


def check_place(weather: Weather, site: Site) -> None:
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
