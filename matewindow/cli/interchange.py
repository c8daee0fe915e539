"""``matewindow export`` and ``matewindow import``: the register as files that anybody can read."""

from __future__ import annotations

from pathlib import Path  # noqa: TC003  Typer reads annotations at run time
from typing import Annotated, Any

import typer

from matewindow.cli.opened import AsJson, RegisterAt  # noqa: TC001  Typer reads annotations at run time

LIMIT_MB = 2000


def export(
    target: Annotated[Path, typer.Argument(metavar="FILE", help="A .json, a .zip of CSV files, or a folder for them.")],
    *,
    for_spreadsheet: Annotated[
        bool, typer.Option("--for-spreadsheet", help="CSV to look at: formulas guarded; it cannot be imported.")
    ] = False,
    overwrite: Annotated[bool, typer.Option("--overwrite", help="Write over an earlier export.")] = False,
    register: RegisterAt = None,
    as_json: AsJson = False,
) -> None:
    """Write the whole register into a file, without loss; tokens, webhooks and feeds are left out."""
    from matewindow.cli import interchange_tables, opened, options
    from matewindow.register.interchange import export_from

    with opened.open_database(register) as database, opened.Waiting() as waiting:
        done = export_from(
            database, target, for_spreadsheet=for_spreadsheet, overwrite=overwrite, on_row=waiting.of("Writing")
        )
    report = {"target": str(done.target), "form": done.form, "rows": done.rows, "left_out": done.left_out}
    options.show(report, interchange_tables.export_tables(report), as_json=as_json)


def import_(
    source: Annotated[
        Path, typer.Argument(metavar="FILE", help="A .json, a .zip, a folder, or one file such as batches.csv.")
    ],
    *,
    dry_run: Annotated[bool, typer.Option("--dry-run", help="Only say what would be done, and all that is wrong.")] = (
        False
    ),
    replace: Annotated[
        bool, typer.Option("--replace", help="Make records that differ into what the file holds, with history.")
    ] = False,
    limit_mb: Annotated[int, typer.Option("--limit-mb", min=1, help="Refuse a file that holds more.")] = LIMIT_MB,
    register: RegisterAt = None,
    as_json: AsJson = False,
) -> None:
    """Take over an export, or a table of your own, into the register: all of it or nothing."""
    from matewindow.cli import interchange_tables, opened, options
    from matewindow.register.interchange import ImportRefusedError, import_into

    with opened.open_register(register, make=True) as records, opened.Waiting() as waiting:
        try:
            done = import_into(
                records,
                source,
                opened.who(),
                dry_run=dry_run,
                replace=replace,
                most_bytes=limit_mb * 1_000_000,
                tell=waiting,
            )
        except ImportRefusedError as refused:
            report = _report(source, problems=refused.problems.in_order(), count=refused.problems.count)
        else:
            report = _report(source, problems=done.problems, count=done.problem_count)
            report |= {"written": done.written, "tables": done.tables, "history_left": done.steps_left}
    options.show(report, interchange_tables.import_tables(report, dry_run=dry_run), as_json=as_json)
    if report["problem_count"]:
        raise typer.Exit(2)


def _report(source: Path, *, problems: list[Any], count: int) -> dict[str, Any]:
    said = {"problem_count": count, "problems": [problem.as_data() | {"text": str(problem)} for problem in problems]}
    return {"source": str(source), "written": False, "tables": {}, "history_left": 0} | said
