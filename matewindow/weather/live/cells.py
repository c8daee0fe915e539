"""Sites that lie in one cell of a coarse model, which says the same of all of them but for the height.

The ensemble and the reanalysis have cells of 0.25 degrees, some 28 km from south to north. What the service makes of a
cell for a site in it differs in the temperature only, which it moves to the site's height with 6.5 K/km (its source
code, 2026; the lapse rate of the standard atmosphere, ISO 2533). So one site of a cell is asked for, and the others
get its answer, moved likewise.

It is the very answer that they would get as long as the service takes the same cell for them. By its source code it
takes the one that a site lies in if its model height is within 100 m of the site's, else the land cell among the nine
around whose height is nearest. Sites share an answer if their heights lie within 100 m, so that neighbours on a plain
share and hill and valley do not; where the service still would have taken the cell next door (judgement: seldom), the
difference is that between neighbouring cells. A temperature is rounded to 0.1 °C by the service before it is moved, so
that it may differ by 0.1 °C from what the service would have said.
"""

from __future__ import annotations

from dataclasses import replace
from itertools import groupby
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator, Sequence

    from matewindow.site import Site
    from matewindow.weather.normal import Weather

CELL_DEG = 0.25
"""Mesh of ``ecmwf_ifs025_ensemble`` and ERA5; their cells lie around whole multiples of it."""
SHARED_WITHIN_M = 100
LAPSE_K_M = 0.0065
"""Temperature falls by so much with height: standard atmosphere, ISO 2533."""
_MOVED = "The answer for a site in the same 0.25° cell"

Cell = tuple[int, int]


def cell_of(latitude: float, longitude: float) -> Cell:
    """Row and column of the cell that a position lies in."""
    columns = round(360.0 / CELL_DEG)
    return round(latitude / CELL_DEG), round(longitude / CELL_DEG) % columns


def height_m(site: Site) -> int:
    """A site's height in whole metres, as the service is told it."""
    return int(f"{site.elevation_m:.0f}")


def neighbours(sites: Sequence[Site]) -> Iterator[list[Site]]:
    """Sites that may share an answer, cell by cell from the lowest up: within one cell and 100 m of height."""

    def place(site: Site) -> tuple[Cell, int]:
        return cell_of(site.latitude, site.longitude), height_m(site)

    for _, of in groupby(sorted(sites, key=place), key=lambda s: place(s)[0]):
        band: list[Site] = []
        for site in of:
            if band and height_m(site) - height_m(band[0]) > SHARED_WITHIN_M:
                yield band
                band = []
            band.append(site)
        yield band


def asked_for(band: Sequence[Site], worth: Callable[[Site], int]) -> Site:
    """The site of a band that is asked for: of those that are worth most the one in the middle of the heights.

    Args:
        band: from ``neighbours``.
        worth: how much of a site's weather is in the store already; that need not be asked for again.
    """
    most = max(worth(site) for site in band)
    best = [site for site in band if worth(site) == most]
    return best[len(best) // 2]


def moved(weather: Weather, from_m: int, to_m: int) -> Weather:
    """Weather of a cell, told for one height, as the service tells it for another.

    Args:
        weather: with the temperature at ``from_m``.
        from_m: height that it was told for. [m]
        to_m: height that it is wanted for. [m]

    Returns:
        The same with every temperature changed by 6.5 K/km, and a note that says so.
    """
    change_k = -LAPSE_K_M * (to_m - from_m)
    frame = weather.frame.assign(temp_c=weather.frame["temp_c"] + change_k)
    note = f"{_MOVED}, moved by {change_k:+.2f} K for {to_m - from_m:+d} m of height (6.5 K/km, ISO 2533)"
    at_site = replace(weather.provenance, elevation_m=float(to_m), notes=(*weather.provenance.notes, note))
    return replace(weather, frame=frame, provenance=at_site)


def is_moved(weather: Weather) -> bool:
    """Whether weather came from ``moved``: it is not moved again, lest small steps add up."""
    return any(note.startswith(_MOVED) for note in weather.provenance.notes)
