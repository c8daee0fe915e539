"""Where the services live. All in one place, so that a test server can stand in for them."""

from __future__ import annotations

import tomllib
from dataclasses import dataclass, fields
from typing import TYPE_CHECKING

from matewindow.errors import InputError

if TYPE_CHECKING:
    from pathlib import Path


@dataclass(frozen=True)
class Addresses:
    """Base addresses, without a query."""

    openmeteo_forecast: str = "https://api.open-meteo.com/v1/forecast"
    openmeteo_ensemble: str = "https://ensemble-api.open-meteo.com/v1/ensemble"
    openmeteo_archive: str = "https://archive-api.open-meteo.com/v1/archive"
    openmeteo_previous_runs: str = "https://previous-runs-api.open-meteo.com/v1/forecast"
    openmeteo_single_runs: str = "https://single-runs-api.open-meteo.com/v1/forecast"
    openmeteo_elevation: str = "https://api.open-meteo.com/v1/elevation"
    openmeteo_geocoding: str = "https://geocoding-api.open-meteo.com/v1/search"
    openmeteo_meta: str = "https://ensemble-api.open-meteo.com/data/{model}/static/meta.json"
    metno: str = "https://api.met.no/weatherapi/locationforecast/2.0/complete"
    nws_points: str = "https://api.weather.gov/points"
    brightsky: str = "https://api.brightsky.dev/weather"
    mosmix: str = (
        "https://opendata.dwd.de/weather/local_forecasts/mos/MOSMIX_L/single_stations/{id}/kml/MOSMIX_L_LATEST_{id}.kmz"
    )

    @classmethod
    def read(cls, path: Path) -> Addresses:
        """Addresses from a TOML file: any of the fields, the others keep their defaults.

        Raises:
            InputError: no such file, no TOML, or a name that is none of the fields.
        """
        names = {f.name for f in fields(cls)}
        try:
            given = tomllib.loads(path.read_text(encoding="utf-8"))
        except (OSError, UnicodeDecodeError, tomllib.TOMLDecodeError) as fault:
            raise InputError(
                f"cannot be read ({fault})", where=str(path), fix="Write name = address, as TOML."
            ) from fault
        for name, value in given.items():
            if name not in names or not isinstance(value, str):
                raise InputError(
                    f"{name} = {value!r} is no address", where=str(path), fix=f"Names: {', '.join(names)}."
                )
        return cls(**given)

    def with_key(self) -> Addresses:
        """The same for users with a key: Open-Meteo's paid hosts carry the prefix ``customer-``."""
        paid = {
            f.name: getattr(self, f.name).replace("https://", "https://customer-", 1)
            for f in fields(self)
            if "open-meteo.com" in getattr(self, f.name)
        }
        return Addresses(**{**{f.name: getattr(self, f.name) for f in fields(self)}, **paid})
