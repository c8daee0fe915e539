"""``matewindow hindcast``: past seasons lived through again, and how good the odds would have been."""

from __future__ import annotations

from pathlib import Path  # noqa: TC003  typer reads annotations when the command runs
from typing import TYPE_CHECKING, Annotated

import typer

from matewindow.cli.commands import AsJson, Now, SiteFile, WeatherFolder  # noqa: TC001
from matewindow.errors import RequestError

if TYPE_CHECKING:
    from matewindow.hindcast.ofsite import Question
    from matewindow.hindcast.running import Hindcast
    from matewindow.hindcast.seasons import MonthDay

_MOST_PROCESSES = 64


def hindcast(
    site: SiteFile,
    weather: WeatherFolder,
    *,
    first: Annotated[
        str | None, typer.Option("--first", metavar="MM-DD", help="First graft of each season, such as 04-20.")
    ] = None,
    last: Annotated[
        str | None, typer.Option("--last", metavar="MM-DD", help="Last graft of each season, such as 07-31.")
    ] = None,
    seasons: Annotated[
        str | None, typer.Option("--seasons", metavar="YEARS", help="Only these, such as 2006-2025; all if not given.")
    ] = None,
    processes: Annotated[
        int | None, typer.Option("--processes", help="How many seasons at once; one a core if not given.")
    ] = None,
    keep: Annotated[
        Path | None,
        typer.Option("--keep", metavar="FOLDER", help="Keep each season here; a run that was stopped then goes on."),
    ] = None,
    seed: Annotated[int, typer.Option("--seed", help="Of the lots that are drawn.", min=0)] = 1,
    report: Annotated[
        Path | None, typer.Option("--report", metavar="STEM", help="Also write STEM.html, STEM.json and STEM.txt.")
    ] = None,
    now: Now = None,
    as_json: AsJson = False,
) -> None:
    """Live through past seasons again and say how good the odds and the advice would have been."""
    import json
    from datetime import UTC, datetime

    from rich.console import Console
    from rich.text import Text

    from matewindow.cli import options
    from matewindow.hindcast.ofsite import question_of
    from matewindow.hindcast.report import told

    if report is not None:
        _make_room(report)
    place, sources, using = options.load_in_use(site, weather, now)
    today = datetime.now(UTC).date() if now is None else options.the_clock(now, place).date()
    question = question_of(
        place,
        sources.past,
        using.biology,
        days_right=using.days,
        model=using.weather_version,
        runs=options.stored_runs(weather, place),
        first=_month_day(first, "--first"),
        last=_month_day(last, "--last"),
        years=_years(seasons),
        seed=seed,
        made_on=today,
        processes=_processes(processes),
        keep=keep,
    )
    judged = told(question.ground, _run(question))
    data = judged.data(today)
    written = []
    if report is not None:
        page = judged.page(today)
        whole = json.dumps(data, indent=2, ensure_ascii=False, allow_nan=False) + "\n"
        written = [
            _write(report, end, body) for end, body in ((".html", page), (".json", whole), (".txt", judged.text(today)))
        ]
    lines = [Text(judged.text(today, width=min(100, Console().width))), *(Text(f"Written: {path}") for path in written)]
    options.show(data | {"written": written}, lines, as_json=as_json)


def _run(question: Question) -> Hindcast:
    """With progress on the error channel."""
    from matewindow.cli import options
    from matewindow.hindcast.running import hindcast as run

    q = question
    with options.progress_bar() as progress:
        task = progress.add_task("Seasons", total=len(q.plan.years))

        def on_season(done: int, wanted: int) -> None:
            progress.update(task, completed=done, total=wanted)

        return run(q.ground, q.plan, processes=q.processes, keep=q.keep, on_season=on_season)


def _make_room(stem: Path) -> None:
    """Make sure that the report can be written, before the long work begins."""
    import tempfile

    from matewindow.register.wholefiles import explained

    with explained(stem):
        stem.parent.mkdir(parents=True, exist_ok=True)
        with tempfile.TemporaryFile(dir=stem.parent):
            pass


def _write(stem: Path, end: str, body: str) -> str:
    from matewindow.register.wholefiles import whole_file

    target = stem.with_name(stem.name + end)
    with whole_file(target, overwrite=True) as file:
        file.write_text(body, encoding="utf-8")
    return str(target)


def _processes(wanted: int | None) -> int:
    import os

    if wanted is None:
        there = os.sched_getaffinity(0) if hasattr(os, "sched_getaffinity") else range(os.cpu_count() or 1)
        return max(1, min(len(there), _MOST_PROCESSES))
    if not 1 <= wanted <= _MOST_PROCESSES:
        raise RequestError(f"{wanted} processes", where="--processes", fix=f"Give 1 to {_MOST_PROCESSES}.")
    return wanted


def _month_day(text: str | None, option: str) -> MonthDay | None:
    from datetime import date

    if text is None:
        return None
    try:
        month, day = (int(part) for part in text.strip().split("-"))
        date(2000, month, day)
    except ValueError as fault:
        raise RequestError(
            f"{text!r} is no day of the year", where=option, fix="Write month and day, such as 04-20."
        ) from fault
    return month, day


def _years(text: str | None) -> tuple[int, int] | None:
    if text is None:
        return None
    try:
        first, last = (int(part) for part in (text.split("-") if "-" in text else (text, text)))
    except ValueError as fault:
        raise RequestError(
            f"{text!r} are no years", where="--seasons", fix="Write the first and the last, such as 2006-2025."
        ) from fault
    if last < first:
        raise RequestError(f"{text!r} ends before it begins", where="--seasons", fix="Write the earlier year first.")
    return first, last
