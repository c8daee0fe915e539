"""What the commands share: reading dates, clocks, checks and limits from text, and loading a site with its weather."""

from __future__ import annotations

from datetime import UTC, date, datetime
from typing import TYPE_CHECKING, Any

from matewindow.dates import in_reach
from matewindow.errors import RequestError

if TYPE_CHECKING:
    from collections.abc import Sequence
    from pathlib import Path

    from rich.progress import Progress

    from matewindow.biology import Biology
    from matewindow.learning.artefacts import InUse
    from matewindow.limits import Limits
    from matewindow.live import Live
    from matewindow.paths import Sources
    from matewindow.settings import Settings
    from matewindow.site import Site
    from matewindow.storedruns import StoredRuns


def settings_of_process() -> Settings:
    """The settings from this process's environment: the one place that reads it."""
    import os

    from matewindow.settings import Settings

    return Settings.from_environment(os.environ)


LIVE = "live"


def load(site_file: Path, weather: Path, now: str | None = None) -> tuple[Site, Sources, Biology]:
    """A site, its weather on its solar days, and the parameters in use with its thresholds.

    Arguments and errors as ``load_in_use``, which also gives what puts odds right.
    """
    site, sources, using = load_in_use(site_file, weather, now)
    return site, sources, using.biology


def load_in_use(
    site_file: Path, weather: Path, now: str | None = None, *, literature: bool = False
) -> tuple[Site, Sources, InUse]:
    """A site, its weather on its solar days, and the parameters and models in use with its thresholds.

    Args:
        site_file: site file (TOML).
        weather: folder with weather files, or the word ``live``: then it is pulled from the services.
        now: ``--now``, for live weather's lead days.
        literature: whether no model is used, whatever is chosen.

    Raises:
        ModelError: a model in use is gone, damaged, or does not fit the parameters any more.
    """
    from matewindow.biology import load_biology
    from matewindow.learning.inuse import in_use, literature_alone
    from matewindow.site import read_site
    from matewindow.sources import load_sources

    settings = settings_of_process()
    site = read_site(site_file)
    chosen = literature_alone(load_biology(settings.models_folder)) if literature else in_use(settings)
    using = chosen.at(site)
    if str(weather) == LIVE:
        return site, pull(site, using.biology, settings, now).sources, using
    return site, load_sources(weather, site, using.biology), using


def pull(site: Site, biology: Biology, settings: Settings, now: str | None = None) -> Live:
    """Weather from the services, with progress on the error channel while past years are fetched."""
    from matewindow.live import live_sources, open_desk

    with open_desk(settings) as desk, progress_bar() as progress:
        task = progress.add_task("Asking the weather services", total=None)

        def on_year(done: int, wanted: int) -> None:
            progress.update(task, description="Past years", completed=done, total=wanted)

        moment = None if now is None else the_clock(now, site)
        return live_sources(site, biology, desk, settings, now=moment, on_year=on_year)


def progress_bar() -> Progress:
    """Progress of long work, on the error channel, gone when it is done."""
    from rich.console import Console
    from rich.progress import BarColumn, MofNCompleteColumn, Progress, TextColumn, TimeRemainingColumn

    columns = (TextColumn("{task.description}"), BarColumn(), MofNCompleteColumn(), TimeRemainingColumn())
    return Progress(*columns, console=Console(stderr=True), transient=True)


def stored_runs(weather: Path, site: Site) -> StoredRuns:
    """Forecast runs that were kept when they were made: those of the folder, or with ``live`` of the weather store."""
    from matewindow.storedruns import StoredRuns
    from matewindow.weather.store import WeatherStore

    if str(weather) != LIVE:
        return StoredRuns.of_folder(weather)
    return StoredRuns.of_store(WeatherStore.at_home(settings_of_process()), site)


def a_date(text: str, option: str) -> date:
    """A date as YYYY-MM-DD."""
    try:
        day = date.fromisoformat(text.strip())
    except ValueError as fault:
        hint = " A weekday is written in full or as its first three letters." if option == "--day-off" else ""
        raise RequestError(f"{text!r} is no date", where=option, fix=f"Write it as 2026-06-01.{hint}") from fault
    return in_reach(day, option)


def a_time(text: str, option: str, site: Site) -> datetime:
    """A date and time; without an offset it is the site's civil time, a bare date is its noon."""
    try:
        moment = datetime.fromisoformat(text.strip())
    except ValueError as fault:
        raise RequestError(
            f"{text!r} is no date or time", where=option, fix="Write it as 2026-06-01 or 2026-06-01T14:30."
        ) from fault
    in_reach(moment.date(), option)
    if "T" not in text and ":" not in text:  # a date alone, in either form that ISO 8601 has
        moment = moment.replace(hour=12)
    return moment if moment.tzinfo else moment.replace(tzinfo=site.zone)


def the_clock(text: str | None, site: Site) -> datetime:
    """``--now`` if it was given, else the real time."""
    return datetime.now(UTC) if text is None else a_time(text, "--now", site)


def limits_of(builder: str | None, nucs: str | None, off: list[str]) -> Limits:
    """The producer's own limits from their options."""
    from matewindow.limits import WEEKDAYS, Limits

    weekdays = {w for text in off for w, name in enumerate(WEEKDAYS) if len(text) > 2 and name.startswith(text.lower())}
    dates = [t for t in off if not (len(t) > 2 and any(name.startswith(t.lower()) for name in WEEKDAYS))]
    return Limits(
        builder_free_from=None if builder is None else a_date(builder, "--builder-free-from"),
        nucs_free_from=None if nucs is None else a_date(nucs, "--nucs-free-from"),
        days_off=frozenset(a_date(text, "--day-off") for text in dates),
        weekdays_off=frozenset(weekdays),
    )


def show(report: dict[str, Any], tables: list[Any], *, as_json: bool, written: Sequence[str] = ()) -> None:
    """Print a report as JSON or as its tables, and where pictures went."""
    import typer

    if as_json:
        import json

        typer.echo(json.dumps(report, indent=2, ensure_ascii=False, allow_nan=False))
        return
    from rich.console import Console

    console = Console(highlight=False, markup=False)
    for table in tables:
        console.print(table)
    for path in written:
        console.print(f"Picture: {path}", markup=False)
