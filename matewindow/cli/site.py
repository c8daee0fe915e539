"""``matewindow site``: find a place by name, write a site file from a position."""

from __future__ import annotations

from pathlib import Path  # noqa: TC003  Typer reads annotations at run time
from typing import TYPE_CHECKING, Annotated

import typer

if TYPE_CHECKING:
    from rich.text import Text

app = typer.Typer(help="Find a place and write its site file.", no_args_is_help=True)

AsJson = Annotated[bool, typer.Option("--json", help="Print JSON instead of a table.")]


@app.command()
def find(
    name: Annotated[str, typer.Argument(metavar="NAME", help="Name of a village, town or postal code.")],
    count: Annotated[int, typer.Option("--count", min=1, max=100, help="How many at most.")] = 10,
    as_json: AsJson = False,
) -> None:
    """Look a place up by its name: position, height and time zone."""
    from matewindow.cli import options, tables
    from matewindow.live import open_desk
    from matewindow.places import find_places
    from matewindow.servicereports import places_report
    from matewindow.weather.openmeteo_places import LICENCE

    with open_desk(options.settings_of_process()) as desk:
        report = places_report(find_places(name, desk, count)) | {"licence": LICENCE}
    options.show(report, [*tables.places_tables(report), _dim(LICENCE)], as_json=as_json)


@app.command()
def new(
    name: Annotated[str, typer.Option("--name", help="What you call the site.")],
    latitude: Annotated[float, typer.Option("--latitude", help="Degrees north.")],
    longitude: Annotated[float, typer.Option("--longitude", help="Degrees east, west is negative.")],
    out: Annotated[Path, typer.Option("--out", metavar="FILE", help="Site file to write; must not be there yet.")],
    elevation: Annotated[
        float | None, typer.Option("--elevation", help="Metres; asked of the terrain model if not given.")
    ] = None,
    timezone: Annotated[
        str | None, typer.Option("--timezone", help="IANA name; looked up from the position if not given.")
    ] = None,
    exposure: Annotated[
        float | None,
        typer.Option("--exposure", help="Share of the open wind at flight height; sheltered if not given."),
    ] = None,
    as_json: AsJson = False,
) -> None:
    """Write a site file from a position; height and time zone are filled in."""
    from matewindow.cli import options, tables
    from matewindow.live import open_desk
    from matewindow.places import elevation_at, site_text, write_new
    from matewindow.reporting import site_report
    from matewindow.weather.openmeteo_places import LICENCE

    licence = None
    if elevation is None:
        with open_desk(options.settings_of_process()) as desk:
            elevation = elevation_at(latitude, longitude, desk)
        licence = None if elevation is None else LICENCE
    text, site = site_text(name, latitude, longitude, elevation_m=elevation, zone=timezone, exposure=exposure)
    write_new(out, text)
    report = site_report(site) | {"file": str(out), "text": text, "licence": licence}
    credit = [] if licence is None else [_dim(licence)]
    options.show(report, [*tables.site_tables(report), *credit], as_json=as_json)


def _dim(text: str) -> Text:
    from rich.text import Text

    return Text(text, style="dim")
