"""``matewindow learn-weather``: what stored runs of the forecast say, held against the weather that came."""

from __future__ import annotations

from pathlib import Path  # noqa: TC003  Typer reads annotations at run time
from typing import TYPE_CHECKING, Annotated, Any

import typer

from matewindow.cli.learning import Home, literature_of_process, moment_of, shelf_at
from matewindow.cli.opened import AsJson  # noqa: TC001  Typer reads annotations at run time
from matewindow.errors import RequestError

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator

    from matewindow.learning.weather.learn import WeatherLearned
    from matewindow.learning.weather.reading import Ground

Report = dict[str, Any]


def learn_weather(
    *,
    site: Annotated[list[Path], typer.Option("--site", metavar="FILE", help="Site file (TOML); may be repeated.")],
    weather: Annotated[
        list[Path],
        typer.Option(
            "--weather",
            metavar="FOLDER",
            help="Folder with past years (past.json or past.csv) and stored runs (runs/2025-05-01T00Z.json), or the "
            "word live: then past years and runs that the weather store kept. Once for each --site, in the same order.",
        ),
    ],
    dry_run: Annotated[bool, typer.Option("--dry-run", help="Say what would be learnt and keep nothing.")] = False,
    now: Annotated[
        str | None, typer.Option("--now", metavar="TIME", help="Take this as the present, such as 2026-11-01T08:00Z.")
    ] = None,
    home: Home = None,
    as_json: AsJson = False,
) -> None:
    """See how much the forecast is worth at your sites, and make a model of what has earned it. None is put to use."""
    from matewindow import __version__
    from matewindow.cli import options
    from matewindow.cli.learning_weather_tables import weather_tables
    from matewindow.learning.findings import Maker
    from matewindow.learning.weather.learn import learn_weather as learnt_from
    from matewindow.learning.weather.learn import weather_report

    moment, literature, shelf = moment_of(now), literature_of_process(), shelf_at(home)
    using = shelf.in_use(literature).biology
    grounds = list(_grounds(site, weather, now))
    learned: WeatherLearned = _watched(
        lambda on_run: learnt_from(grounds, using, literature, Maker(moment, __version__), on_run)
    )
    kept = {f.kind: shelf.add(f.model) for f in learned.findings if f.model is not None and not dry_run}
    report = weather_report(learned, kept, dry_run=dry_run)
    options.show(report, weather_tables(report), as_json=as_json)


def _grounds(sites: list[Path], folders: list[Path], now: str | None) -> Iterator[Ground]:
    """The sites with their record, their runs and the parameters of the literature."""
    from matewindow.cli import options
    from matewindow.learning.weather.reading import Ground
    from matewindow.storedruns import FOLDER

    if len(sites) != len(folders):
        raise RequestError(
            f"{len(sites)} site files and {len(folders)} folders of weather",
            where="--weather",
            fix="Give one --weather after each --site.",
        )
    names: set[str] = set()
    for file, folder in zip(sites, folders, strict=True):
        place, sources, using = options.load_in_use(file, folder, now, literature=True)
        if place.name in names:
            raise RequestError(f"there are two sites called {place.name!r}", where="--site", fix="Rename one of them.")
        names.add(place.name)
        live = str(folder) == options.LIVE
        runs = options.stored_runs(folder, place)
        if not runs:
            raise RequestError(
                f"there are no stored runs for {place.name}",
                where="the weather store" if live else str(folder / FOLDER),
                fix="Runs are kept from the first live outlook on, one a day is enough."
                if live
                else "Put one file a run there, named by its start in UTC, such as 2025-05-01T00Z.json.",
            )
        yield Ground(place, sources.past, runs, using.biology)


def _watched(work: Callable[[Callable[[str, int, int], None]], WeatherLearned]) -> WeatherLearned:
    """Do it with progress on the error channel."""
    from matewindow.cli import options

    with options.progress_bar() as progress:
        task = progress.add_task("Reading runs", total=None)

        def on_run(name: str, done: int, of: int) -> None:
            progress.update(task, description=f"Reading runs of {name}", completed=done, total=of)

        return work(on_run)
