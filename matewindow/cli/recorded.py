"""``matewindow outlook``: the outlook of a batch or nuc of the register, as the service gives it."""

from __future__ import annotations

from typing import TYPE_CHECKING, Annotated

import typer

from matewindow.cli.commands import Now  # noqa: TC001  Typer reads annotations at run time
from matewindow.cli.opened import AsJson, RegisterAt  # noqa: TC001  Typer reads annotations at run time

if TYPE_CHECKING:
    from collections.abc import Callable
    from datetime import datetime

    from matewindow.keeping.weather import WeatherDesk
    from matewindow.register.register import Register
    from matewindow.settings import Settings
    from matewindow.site import Site

DEMO = "demo"


def outlook(
    thing: Annotated[str, typer.Argument(metavar="ID", help="Id of the batch or nuc.")],
    *,
    weather: Annotated[
        str,
        typer.Option(
            "--weather", metavar="FOLDER", help="Folder with weather files, or live, or demo (invented weather)."
        ),
    ] = "live",
    now: Now = None,
    register: RegisterAt = None,
    as_json: AsJson = False,
) -> None:
    """Show the mating window of a batch or nuc of the register.

    It goes on record as if the service had been asked, unless the weather is invented or --now is given.
    """
    from matewindow.cli import opened, options, tables
    from matewindow.keeping.judging import Judging
    from matewindow.keeping.outlooks import Keeper
    from matewindow.keeping.shown import refresh_beside, shown_outlook, site_beside
    from matewindow.learning.inuse import Models, shelf_of
    from matewindow.register.register import Register
    from matewindow.register.typedin import kind_of_id

    kind = kind_of_id(thing)
    _check(kind, thing, weather, now)
    with opened.open_register(register) as stored, opened.Waiting() as waiting:
        records = Register(stored.database, stored.biology, _clock(weather, now, site_beside(stored, kind, thing)))
        settings = opened.settings_for(register)
        models = Models(records.biology, None if weather == DEMO else shelf_of(settings))
        desk = desk_for(weather, settings, records)
        keeper = Keeper(records, desk, Judging(records.biology, records.clock), models)
        if weather == options.LIVE:
            trouble = refresh_beside(keeper, kind, thing, waiting.of("Past years"))
            if trouble:
                typer.echo(f"matewindow: {trouble}", err=True)
        report = shown_outlook(keeper, kind, thing, keep=weather != DEMO and now is None)
    options.show(report, tables.window_tables(report), as_json=as_json)


def _check(kind: str, thing: str, weather: str, now: str | None) -> None:
    from matewindow.cli.options import LIVE
    from matewindow.errors import RequestError

    if kind not in {"batch", "nuc"}:
        raise RequestError(f"{thing!r} is a {kind}", where="ID", fix="Give the id of a batch or a nuc.")
    if now is not None and weather == LIVE:
        raise RequestError("live weather is of now", where="--now", fix="Leave it out, or give a folder as --weather.")


def _clock(weather: str, now: str | None, site: Site) -> Callable[[], datetime]:
    from datetime import UTC, datetime

    from matewindow.cli.options import a_time
    from matewindow.demo import NOW

    if now is not None:
        moment = a_time(now, "--now", site)
        return lambda: moment
    return (lambda: NOW) if weather == DEMO else (lambda: datetime.now(UTC))


def desk_for(weather: str, settings: Settings, records: Register) -> WeatherDesk:
    """Where weather comes from: a folder, ``live`` or ``demo``."""
    from pathlib import Path

    from matewindow.artefacts import data_folder
    from matewindow.cli.options import LIVE
    from matewindow.keeping.livedesk import LiveDesk
    from matewindow.keeping.weather import FolderDesk

    if weather == LIVE:
        return LiveDesk(settings, records.biology, records.database)
    folder = data_folder("sample_weather", settings.sample_weather_folder) if weather == DEMO else Path(weather)
    return FolderDesk(folder, records.biology)
