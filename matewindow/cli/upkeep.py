"""``matewindow backup``, ``restore`` and ``doctor``."""

from __future__ import annotations

from pathlib import Path  # noqa: TC003  Typer reads annotations at run time
from typing import Annotated

import typer

from matewindow.cli.opened import AsJson, RegisterAt  # noqa: TC001  Typer reads annotations at run time

EXIT_CODES = {"ok": 0, "note": 0, "warning": 1, "fault": 2}
"""Of the doctor."""


def backup(
    target: Annotated[Path, typer.Argument(metavar="FILE", help="File to write, such as register-2026-06-01.sqlite.")],
    *,
    overwrite: Annotated[bool, typer.Option("--overwrite", help="Write over an earlier backup.")] = False,
    register: RegisterAt = None,
    as_json: AsJson = False,
) -> None:
    """Back the register up while it is in use, and prove the backup.

    Of SQLite it holds everything, secrets too; of PostgreSQL it is the export in JSON, without secrets.
    """
    from matewindow.cli import opened, options, upkeep_tables
    from matewindow.upkeep.backup import back_up

    with opened.open_database(register) as database, opened.Waiting() as waiting:
        done = back_up(database, target, overwrite=overwrite, tell=waiting)
    report = {
        "target": str(done.target),
        "form": done.form,
        "size_bytes": done.size_bytes,
        "rows": done.rows,
        "left_out": done.left_out,
    }
    options.show(report, upkeep_tables.backup_tables(report), as_json=as_json)


def restore(
    source: Annotated[Path, typer.Argument(metavar="FILE", help="A backup, or an export in JSON.")],
    *,
    force: Annotated[bool, typer.Option("--force", help="Also while a service has the register open.")] = False,
    register: RegisterAt = None,
    as_json: AsJson = False,
) -> None:
    """Prove a backup and bring it back. The register that is there is kept beside it."""
    from datetime import UTC, datetime

    from matewindow.biology import load_biology
    from matewindow.cli import opened, options, upkeep_tables
    from matewindow.register.database import url_of
    from matewindow.upkeep import restore as restoring

    settings = opened.settings_for(register)
    with opened.Waiting() as waiting:
        done = restoring.restore(
            url_of(settings),
            source,
            load_biology(settings.models_folder),
            lambda: datetime.now(UTC),
            who=opened.who(),
            force=force,
            tell=waiting,
        )
    report = {
        "source": str(done.source),
        "register": done.address,
        "rows": done.rows,
        "kept": None if done.kept is None else str(done.kept),
        "while_in_use": done.while_in_use,
        "without_secrets": done.without_secrets,
    }
    options.show(report, upkeep_tables.restore_tables(report), as_json=as_json)


def doctor(
    *,
    thorough: Annotated[
        bool, typer.Option("--thorough", help="Also hold every record against its history, and check stored weather.")
    ] = False,
    register: RegisterAt = None,
    as_json: AsJson = False,
) -> None:
    """Tell what is wrong with this installation and how to mend it. Exit code: 0 well, 1 warnings, 2 faults."""
    import os
    from datetime import UTC, datetime

    from matewindow.cli import opened, options, upkeep_tables
    from matewindow.upkeep.doctor import as_report, examine

    with opened.Waiting() as waiting:
        findings = examine(
            os.environ,
            datetime.now(UTC),
            register=register,
            thorough=thorough,
            on_look=lambda about: waiting(f"Looking at the {about}", 0, 0),
        )
    report = as_report(findings)
    options.show(report, upkeep_tables.doctor_tables(report), as_json=as_json)
    raise typer.Exit(EXIT_CODES[report["state"]])
