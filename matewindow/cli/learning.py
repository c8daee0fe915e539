"""``matewindow learn`` and ``matewindow models``: what records of queens say, and which model is in use."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from matewindow.errors import RequestError

if TYPE_CHECKING:
    from rich.table import Table

    from matewindow.biology import Biology
    from matewindow.learning.artefacts import Shelf
    from matewindow.learning.eggpaths import Ground
    from matewindow.learning.recalibration import Recalibration

models = typer.Typer(help="Models learnt from records: which there are, and which is in use.", no_args_is_help=True)

AsJson = Annotated[bool, typer.Option("--json", help="Print JSON instead of a table.")]
Home = Annotated[
    Path | None,
    typer.Option("--models", metavar="FOLDER", help="Folder of models, instead of the one in your user data."),
]


def learn(
    *,
    records: Annotated[Path, typer.Option("--records", metavar="FILE", help="Records of queens (CSV), failures too.")],
    site: Annotated[
        list[Path] | None, typer.Option("--site", metavar="FILE", help="Site file (TOML); may be repeated.")
    ] = None,
    weather: Annotated[
        list[Path] | None,
        typer.Option(
            "--weather",
            metavar="FOLDER",
            help="Folder with the weather of that site, or the word live; once for each --site, in the same order.",
        ),
    ] = None,
    dry_run: Annotated[bool, typer.Option("--dry-run", help="Say what would be learnt and keep nothing.")] = False,
    now: Annotated[
        str | None, typer.Option("--now", metavar="TIME", help="Take this as the present, such as 2026-11-01T08:00Z.")
    ] = None,
    home: Home = None,
    as_json: AsJson = False,
) -> None:
    """See what records of queens say, and make a model of what has earned it. None is put to use by that."""
    from matewindow import __version__
    from matewindow.cli import options
    from matewindow.learning.findings import Maker
    from matewindow.learning.learn import learn as learnt_from
    from matewindow.learning.recordsfile import read_records
    from matewindow.learning.report import learn_report

    moment = _moment(now)
    found = read_records(records, moment.date())
    literature, shelf = _literature(), _shelf(home)
    using = shelf.in_use(literature)
    grounds = _grounds(site or [], weather or [], now)
    maker = Maker(moment, __version__)
    undo = _undo(shelf, using.biology.version)
    learned = learnt_from(found, grounds, using.biology, literature, maker, today=moment.date(), undo=undo)
    asked = [question.text for question in learned.questions]
    kept: dict[str, str] = {
        f.kind: shelf.add(f.model, asked) for f in learned.findings if f.model is not None and not dry_run
    }
    report = learn_report(learned, kept, dry_run=dry_run)
    options.show(report, _learn_tables(report), as_json=as_json)


@models.command(name="list")
def list_models(*, home: Home = None, as_json: AsJson = False) -> None:
    """List all models, oldest first, and say which are in use."""
    from matewindow.cli import options
    from matewindow.learning.report import models_report

    shelf = _shelf(home)
    report = models_report(shelf.entries(), shelf.using(), _literature())
    options.show(report, _models_tables(report), as_json=as_json)


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
        report = literature_report(_literature(), (folder / "literature.md").read_text(encoding="utf-8"))
    else:
        shelf = _shelf(home)
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

    report = use_report(name, _shelf(home).use(name, _literature()))
    lines = [Text(f"In use: {report['version']}."), Text(_USE, style="dim")]
    options.show(report, lines, as_json=as_json)


_USE = "matewindow models use literature goes back to the parameters that ship with the program."


def _shelf(home: Path | None) -> Shelf:
    from matewindow.learning.artefacts import Shelf, default_home

    return Shelf(home or default_home())


def _literature() -> Biology:
    from matewindow.biology import load_biology
    from matewindow.cli import options

    return load_biology(options.settings_of_process().models_folder)


def _moment(now: str | None) -> Any:  # noqa: ANN401  a datetime, which is imported late
    from datetime import UTC, datetime

    if now is None:
        return datetime.now(UTC)
    try:
        moment = datetime.fromisoformat(now.strip())
    except ValueError as fault:
        raise RequestError(f"{now!r} is no time", where="--now", fix="Write it as 2026-11-01T08:00Z.") from fault
    return (moment if moment.tzinfo else moment.replace(tzinfo=UTC)).astimezone(UTC)


def _grounds(sites: list[Path], folders: list[Path], now: str | None) -> list[Ground]:
    from matewindow.cli import options
    from matewindow.learning.eggpaths import Ground

    if len(sites) != len(folders):
        raise RequestError(
            f"{len(sites)} sites and {len(folders)} folders of weather",
            where="--weather",
            fix="Give one --weather after each --site. Without any only the odds are held against the records.",
        )
    grounds: list[Ground] = []
    for file, folder in zip(sites, folders, strict=True):
        place, sources, _ = options.load(file, folder, now)
        if place.name in {ground.site.name for ground in grounds}:
            raise RequestError(f"there are two sites called {place.name!r}", where="--site", fix="Rename one of them.")
        grounds.append(Ground(place, sources))
    return grounds


def _undo(shelf: Shelf, base: str) -> dict[str, Recalibration]:
    """What odds of each version were put right with, so that this can be taken back."""
    from matewindow.learning.model import RECALIBRATION

    return {
        f"{base}+{entry.name}": entry.model.recalibration(base, entry.name)
        for entry in shelf.entries()
        if entry.model is not None and entry.model.kind == RECALIBRATION and entry.model.base == base
    }


# --- tables -----------------------------------------------------------------------------------------------------


def _learn_tables(report: dict[str, Any]) -> list[Any]:
    from rich.text import Text

    from matewindow.words import percent

    ground = report["records"]
    title = (
        f"{ground['n']} queens of {_number(ground['sites'], 'site')} and {_number(ground['seasons'], 'season')}: "
        f"{ground['successes']} came good, {ground['failures']} did not"
    )
    out: list[Any] = [Text(title, style="bold"), Text("")]
    out += [Text(f"? {q['text']}", style="yellow") for q in report["questions"]]
    rates = _table(f"Came good, beside the {percent(report['expected_success'])} expected", ("site",))
    for name in ("queens", "came good", "with the expectation", "5-95 %"):
        rates.add_column(name, justify="right", overflow="fold")
    for site in report["sites"]:
        span = f"{percent(site['low'])} to {percent(site['high'])}"
        rates.add_row(site["site"], str(site["n"]), str(site["successes"]), percent(site["mean"]), span)
    out.append(rates)
    if report["sites"]:
        weight = f"{report['sites'][0]['n0']:.0f}"
        out.append(Text(f"The expectation counts for {weight} queens at each site.\n", style="dim"))
    for finding in report["findings"]:
        out += _finding_lines(finding, dry_run=report["dry_run"])
    return out


def _number(names: list[str], what: str) -> str:
    return f"{len(names)} {what}{'' if len(names) == 1 else 's'}"


_TITLES = {"flight-rate": "Flight rate", "recalibration": "Odds of being well mated"}


def _finding_lines(finding: dict[str, Any], *, dry_run: bool) -> list[Any]:
    from rich.text import Text

    lines = [Text(f"{_TITLES[finding['kind']]}: {finding['sentence']}")]
    lines += [Text(f"  {n} set aside: {why}.", style="dim") for why, n in finding["set_aside"].items()]
    if finding["model"] is not None:
        lines.append(Text(f"  Kept. Put it to use with: matewindow models use {finding['model']}"))
    elif finding["earned"] and dry_run:
        lines.append(Text("  Not kept: this was a dry run."))
    return [*lines, Text("")]


def _models_tables(report: dict[str, Any]) -> list[Any]:
    from rich.text import Text

    table = _table("Models", ("", "name", "made", "beside"))
    for name in ("queens", "gain"):
        table.add_column(name, justify="right", overflow="fold")
    for m in report["models"]:
        made = "-" if m["made_at"] is None else m["made_at"][:10]
        gain = "-" if m["gain"] is None else f"{m['gain']:+.4f}"
        queens = "-" if m["records"] is None else str(m["records"])
        table.add_row("in use" if m["in_use"] else "", m["name"], made, m["version"] or "damaged", queens, gain)
    faults = [Text(f"! {m['fault']}", style="yellow") for m in report["models"] if m["fault"]]
    return [table, *faults, Text("Gain: nats a record on seasons or sites left out.", style="dim")]


def _table(title: str, columns: tuple[str, ...]) -> Table:
    from matewindow.cli import tables

    table = tables._table(title)
    for name in columns:
        table.add_column(name, overflow="fold")
    return table
