"""From a name or a position to a site file: elevation and time zone filled in, shelter as said or assumed."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

from matewindow.errors import RequestError, SourceError, WeatherFileError
from matewindow.site import parse_site
from matewindow.weather.http import SourceRequest
from matewindow.weather.manners import OPEN_METEO, coordinates
from matewindow.weather.openmeteo_places import Place, parse_elevation, parse_geocoding

if TYPE_CHECKING:
    from datetime import date
    from pathlib import Path

    from matewindow.site import Site
    from matewindow.weather.live.services import Desk

SHELTERED = 0.7
"""Share of the open wind behind a hedge or in a garden: assumed where nothing is said (judgement)."""


def find_places(name: str, desk: Desk, count: int = 10) -> list[Place]:
    """Places of that name, most likely first; empty if there is none.

    Raises:
        SourceError: the place search cannot be asked.
        RequestError: a name too short to look for.
    """
    if len(name.strip()) < 2:
        raise RequestError(f"{name!r} is too short to look for", where="name", fix="Give two letters or more.")
    _refuse_trade_without_key(desk)
    request = SourceRequest(
        source=OPEN_METEO,
        url=desk.hosts.openmeteo_geocoding,
        params={"name": name.strip(), "count": str(count), "language": "en"},
        site="search",
        kind="place",
        secrets=desk.secrets,
    )
    return parse_geocoding(desk.client.get(request).text)


def _refuse_trade_without_key(desk: Desk) -> None:
    if desk.trade_without_key:
        raise RequestError(
            "Open-Meteo's free search for places is not for trade",
            where="MATEWINDOW_TRADE",
            fix="Set MATEWINDOW_OPENMETEO_API_KEY if you have a key, or take the position from a map.",
        )


def elevation_at(latitude: float, longitude: float, desk: Desk) -> float | None:
    """Height of the ground in metres (90 m terrain model); None where the service cannot tell or may not be asked."""
    if desk.trade_without_key:
        return None
    lat, lon = coordinates(OPEN_METEO, latitude, longitude)
    request = SourceRequest(
        source=OPEN_METEO,
        url=desk.hosts.openmeteo_elevation,
        params={"latitude": lat, "longitude": lon},
        site=f"{lat}_{lon}",
        kind="elevation",
        secrets=desk.secrets,
    )
    try:
        return parse_elevation(desk.client.get(request).text)[0]
    except (SourceError, WeatherFileError, IndexError):
        return None


def zone_at(latitude: float, longitude: float) -> str:
    """IANA time zone of a place, from a table of borders that ships with a library: no network.

    Borders are simplified: look at the result near one.
    """
    from tzfpy import get_tz

    zone: str = get_tz(longitude, latitude)
    return zone or "Etc/UTC"


def write_new(path: Path, text: str) -> None:
    """Write a file that is not there yet.

    Raises:
        RequestError: it is there, or cannot be written.
    """
    try:
        with path.open("x", encoding="utf-8") as file:
            file.write(text)
    except FileExistsError as fault:
        raise RequestError("is there already", where=str(path), fix="Choose another name, or move it away.") from fault
    except OSError as fault:
        raise RequestError(f"cannot be written ({fault.strerror})", where=str(path)) from fault


def _quoted(text: str) -> str:
    """A text in one line as a TOML string: breaks become blanks, what cannot be printed is left out."""
    plain = "".join(c for c in " ".join(text.split()) if c.isprintable())
    return '"' + plain.replace("\\", "\\\\").replace('"', '\\"') + '"'


def site_text(
    name: str,
    latitude: float,
    longitude: float,
    *,
    elevation_m: float | None,
    zone: str | None = None,
    exposure: float | None = None,
    drones_mature_from: date | None = None,
) -> tuple[str, Site]:
    """The text of a site file, and the site that it describes.

    Args:
        name: what the keeper calls the site.
        latitude, longitude: degrees north and east.
        elevation_m: metres; None = unknown, then 0 is written with a remark.
        zone: IANA name; None = looked up.
        exposure: share of the open wind at flight height; None = sheltered, with a remark.
        drones_mature_from: first day with mature drones, if known.

    Raises:
        SiteFileError: the values make no site.
    """
    known = elevation_m is not None and not math.isnan(elevation_m)
    lines = [
        f"name = {_quoted(name)}",
        f"latitude = {latitude:.5f}    # degrees north",
        f"longitude = {longitude:.5f}    # degrees east, west is negative",
        f"elevation = {elevation_m if known else 0.0:z.0f}    # metres"
        + ("" if known else ", NOT KNOWN: please correct"),
        f"timezone = {_quoted(zone or zone_at(latitude, longitude))}"
        + ("" if zone else "    # looked up from the position: correct it if you live near a border"),
        f"exposure = {SHELTERED if exposure is None else exposure:g}    # share of the open wind at flight height"
        + (", ASSUMED: a sheltered place; 1.0 in the open" if exposure is None else ""),
    ]
    if drones_mature_from is not None:
        lines.append(f"drones_mature_from = {drones_mature_from.isoformat()}")
    text = "\n".join(lines) + "\n"
    return text, parse_site(text)
