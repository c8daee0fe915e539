"""``matewindow weather``: what the services give for a site, and which services there are."""

from __future__ import annotations

from pathlib import Path  # noqa: TC003  Typer reads annotations at run time
from typing import Annotated

import typer

app = typer.Typer(help="What the weather services give for a site, and which there are.", no_args_is_help=True)

AsJson = Annotated[bool, typer.Option("--json", help="Print JSON instead of a table.")]


@app.command()
def get(
    site: Annotated[Path, typer.Option("--site", metavar="FILE", help="Site file (TOML).")],
    as_json: AsJson = False,
) -> None:
    """Pull a site's weather now: what came, from whom, how old it is, and how much of the quota is used."""
    from matewindow.biology import load_biology
    from matewindow.cli import options, tables
    from matewindow.live import open_desk
    from matewindow.servicereports import weather_report
    from matewindow.site import read_site
    from matewindow.sources import site_biology

    settings = options.settings_of_process()
    place = read_site(site)
    live = options.pull(place, site_biology(place, load_biology(settings.models_folder)), settings)
    with open_desk(settings) as desk:
        report = weather_report(place, live, desk)
    options.show(report, tables.weather_tables(report), as_json=as_json)


@app.command()
def sources(
    site: Annotated[
        Path | None, typer.Option("--site", metavar="FILE", help="Show the order for this site only.")
    ] = None,
    as_json: AsJson = False,
) -> None:
    """List the weather services: what each gives, where, and whether trade may use it without a key."""
    from matewindow.cli import options, tables
    from matewindow.servicereports import services_report
    from matewindow.site import read_site

    settings = options.settings_of_process()
    report = services_report(None if site is None else read_site(site), settings)
    options.show(report, tables.services_tables(report), as_json=as_json)
