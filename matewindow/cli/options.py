"""What the commands share: reading dates, clocks, checks and limits from text, and loading a site with its weather."""

from __future__ import annotations

from datetime import UTC, date, datetime
from typing import TYPE_CHECKING

from matewindow.dates import in_reach
from matewindow.errors import RequestError

if TYPE_CHECKING:
    from pathlib import Path

    from matewindow.biology import Biology
    from matewindow.limits import Limits
    from matewindow.paths import Sources
    from matewindow.settings import Settings
    from matewindow.site import Site


def settings_of_process() -> Settings:
    """The settings from this process's environment: the one place that reads it."""
    import os

    from matewindow.settings import Settings

    return Settings.from_environment(os.environ)


def load(site_file: Path, weather: Path) -> tuple[Site, Sources, Biology]:
    """A site, its weather on its solar days, and the parameters with its thresholds."""
    from matewindow.biology import load_biology
    from matewindow.site import read_site
    from matewindow.sources import load_sources, site_biology

    site = read_site(site_file)
    biology = site_biology(site, load_biology(settings_of_process().models_folder))
    return site, load_sources(weather, site, biology), biology


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
