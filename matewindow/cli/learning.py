"""``matewindow learn`` and ``matewindow models``: what records of queens say, and which model is in use."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from matewindow.cli.opened import AsJson, RegisterAt  # noqa: TC001  Typer reads annotations at run time
from matewindow.errors import RequestError

if TYPE_CHECKING:
    from datetime import datetime

    from matewindow.biology import Biology
    from matewindow.learning.artefacts import Shelf
    from matewindow.learning.eggpaths import Ground
    from matewindow.learning.records import Record

models = typer.Typer(help="Models learnt from records: which there are, and which is in use.", no_args_is_help=True)

Home = Annotated[
    Path | None,
    typer.Option(
        "--models", metavar="FOLDER", help="Folder of models, instead of MATEWINDOW_LEARNED_FOLDER or your user data."
    ),
]


def learn(
    *,
    records: Annotated[
        Path | None,
        typer.Option("--records", metavar="FILE", help="Records of queens (CSV), failures too. Else the register's."),
    ] = None,
    site: Annotated[
        list[Path] | None,
        typer.Option("--site", metavar="FILE", help="With --records: site file (TOML); may be repeated."),
    ] = None,
    weather: Annotated[
        list[Path] | None,
        typer.Option(
            "--weather",
            metavar="FOLDER",
            help="Folder with weather files, or live. With --records once for each --site, in the same order; for the "
            "register once, or demo (invented weather: nothing is kept); live if not given.",
        ),
    ] = None,
    dry_run: Annotated[bool, typer.Option("--dry-run", help="Say what would be learnt and keep nothing.")] = False,
    now: Annotated[
        str | None, typer.Option("--now", metavar="TIME", help="Take this as the present, such as 2026-11-01T08:00Z.")
    ] = None,
    home: Home = None,
    register: RegisterAt = None,
    as_json: AsJson = False,
) -> None:
    """See what records of queens say, and make a model of what has earned it. None is put to use by that."""
    from matewindow import __version__
    from matewindow.cli import learning_tables, options
    from matewindow.learning.findings import Maker
    from matewindow.learning.learn import learn as learnt_from
    from matewindow.learning.report import learn_report

    moment = moment_of(now)
    literature, shelf = literature_of_process(), shelf_at(home)
    using, undo = shelf.in_use(literature), shelf.undo(literature)
    if records is None:
        found, grounds, invented = _from_register(register, site or [], weather or [], moment if now else None)
        dry_run = dry_run or invented
    else:
        found, grounds = _from_file(records, site or [], weather or [], now, moment, register)
    maker = Maker(moment, __version__)
    learned = learnt_from(found, grounds, using.biology, literature, maker, today=moment.date(), undo=undo)
    asked = [question.text for question in learned.questions]
    kept: dict[str, str] = {
        f.kind: shelf.add(f.model, asked) for f in learned.findings if f.model is not None and not dry_run
    }
    report = learn_report(learned, kept, dry_run=dry_run)
    options.show(report, learning_tables.learn_tables(report), as_json=as_json)


@models.command(name="list")
def list_models(*, home: Home = None, as_json: AsJson = False) -> None:
    """List all models, oldest first, and say which are in use."""
    from matewindow.cli import learning_tables, options
    from matewindow.learning.report import models_report

    shelf = shelf_at(home)
    report = models_report(shelf.entries(), shelf.using(), literature_of_process())
    options.show(report, learning_tables.models_tables(report), as_json=as_json)


@models.command(name="show")
def show_model(
    name: Annotated[str, typer.Argument(metavar="NAME", help="Name of the model, or literature.")],
    *,
    home: Home = None,
    as_json: AsJson = False,
) -> None:
    """Show a model's card: what it is, what it was made from, how it did, and when not to use it."""
    from rich.markdown import Markdown

    from matewindow.artefacts import data_folder
    from matewindow.cli import options
    from matewindow.learning.model import LITERATURE
    from matewindow.learning.report import literature_report, model_report

    if name == LITERATURE:
        folder = data_folder("models", options.settings_of_process().models_folder)
        report = literature_report(literature_of_process(), (folder / "literature.md").read_text(encoding="utf-8"))
    else:
        shelf = shelf_at(home)
        report = model_report(name, shelf.get(name), shelf.card(name))
    options.show(report, [Markdown(report["card"])], as_json=as_json)


@models.command(name="use")
def use_model(
    name: Annotated[str, typer.Argument(metavar="NAME", help="Name of the model, or literature for none.")],
    *,
    home: Home = None,
    as_json: AsJson = False,
) -> None:
    """Put a model to use, or go back to the literature."""
    from rich.text import Text

    from matewindow.cli import options
    from matewindow.learning.report import use_report

    report = use_report(name, shelf_at(home).use(name, literature_of_process()))
    lines = [Text(f"In use: {report['version']}."), Text(_USE, style="dim")]
    options.show(report, lines, as_json=as_json)


_USE = "matewindow models use literature goes back to the parameters that ship with the program."


def shelf_at(home: Path | None) -> Shelf:
    """The shelf in a folder, else that of the settings."""
    from matewindow.cli import options
    from matewindow.learning.artefacts import Shelf
    from matewindow.learning.inuse import shelf_of

    return shelf_of(options.settings_of_process()) if home is None else Shelf(home)


def literature_of_process() -> Biology:
    """The literature's parameters, from where this process's settings say."""
    from matewindow.biology import load_biology
    from matewindow.cli import options

    return load_biology(options.settings_of_process().models_folder)


def moment_of(now: str | None) -> datetime:
    """``--now`` without a site, UTC if it names no zone; else the real time."""
    from datetime import UTC, datetime

    if now is None:
        return datetime.now(UTC)
    try:
        moment = datetime.fromisoformat(now.strip())
    except ValueError as fault:
        raise RequestError(f"{now!r} is no time", where="--now", fix="Write it as 2026-11-01T08:00Z.") from fault
    return (moment if moment.tzinfo else moment.replace(tzinfo=UTC)).astimezone(UTC)


# --- where records and weather come from ---------------------------------------------------------------------------


def _from_file(
    file: Path, sites: list[Path], folders: list[Path], now: str | None, moment: datetime, register: str | None
) -> tuple[list[Record], list[Ground]]:
    """Records of a file, and the sites and their weather that were given for them."""
    from matewindow.cli import options
    from matewindow.learning.eggpaths import Ground
    from matewindow.learning.recordsfile import read_records

    if register is not None:
        raise RequestError("records of a file and of a register at once", where="--register", fix="Give one of them.")
    if len(sites) != len(folders):
        raise RequestError(
            f"{_number(len(sites), 'site')} and {_number(len(folders), 'folder')} of weather",
            where="--weather",
            fix="Give one --weather after each --site. Without any only the odds are held against the records.",
        )
    records = read_records(file, moment.date())
    named = sorted({record.site for record in records})
    grounds: list[Ground] = []
    for site_file, folder in zip(sites, folders, strict=True):
        place, sources, _ = options.load_in_use(site_file, folder, now, literature=True)
        if place.name in {ground.site.name for ground in grounds}:
            raise RequestError(f"there are two sites called {place.name!r}", where="--site", fix="Rename one of them.")
        if place.name not in named:
            raise RequestError(
                f"no record is of the site {place.name!r}",
                where=str(site_file),
                fix=f"Write it the same way in both files; the records name {', '.join(named)}.",
            )
        grounds.append(Ground(place, sources))
    return records, grounds


def _from_register(
    register: str | None, sites: list[Path], folders: list[Path], moment: datetime | None
) -> tuple[list[Record], list[Ground], bool]:
    """Records of the register, the weather of its sites, and whether that is invented."""
    from datetime import UTC, datetime

    from matewindow.cli import opened
    from matewindow.cli.options import LIVE
    from matewindow.cli.recorded import DEMO, desk_for
    from matewindow.keeping.grounds import grounds_of
    from matewindow.keeping.judging import Judging
    from matewindow.keeping.outlooks import Keeper
    from matewindow.learning.fromregister import read_register
    from matewindow.learning.inuse import Models, shelf_of
    from matewindow.register.register import Register

    if sites:
        raise RequestError(
            "the register knows its own sites", where="--site", fix="Leave it out, or give --records FILE too."
        )
    if len(folders) > 1:
        raise RequestError(
            f"{len(folders)} folders of weather for one register",
            where="--weather",
            fix="Give one; in it each site may have a folder named by its id.",
        )
    weather = str(folders[0]) if folders else LIVE
    if weather == LIVE and moment is not None:
        raise RequestError("live weather is of now", where="--now", fix="Leave it out, or give a folder as --weather.")
    with opened.open_register(register) as stored, opened.Waiting() as waiting:
        records = Register(stored.database, stored.biology, lambda: moment or datetime.now(UTC))
        with records.database.read() as connection:
            told = read_register(connection)
        if not told.records:
            raise RequestError(
                "the register holds no batch with nucs, and none that was counted",
                where="--register",
                fix="Enter nucs and what became of their queens (matewindow records add nuc ...), or give --records.",
            )
        settings = opened.settings_for(register)
        models = Models(records.biology, shelf_of(settings))
        keeper = Keeper(records, desk_for(weather, settings, records), Judging(records.biology, records.clock), models)
        live = weather == LIVE
        grounds, trouble = grounds_of(keeper, told.sites, refresh=live, on_year=waiting.of("Past years"))
    for name, said in trouble.items():
        typer.echo(f"matewindow: weather of {name}: {said}", err=True)
    return told.records, grounds, weather == DEMO


def _number(n: int, what: str) -> str:
    return f"{n} {what}{'' if n == 1 else 's'}"
