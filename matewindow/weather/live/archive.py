"""Past years from the archive: fetched year by year, kept, and gone on with where a fetch broke off."""

from __future__ import annotations

from dataclasses import dataclass, replace
from datetime import UTC, date, timedelta
from typing import TYPE_CHECKING

from matewindow.errors import SourceError, WeatherFileError
from matewindow.weather import openmeteo
from matewindow.weather.budget import open_meteo_weight
from matewindow.weather.http import SourceRequest
from matewindow.weather.join import joined
from matewindow.weather.live.obtain import Obtained, obtain, reason_of
from matewindow.weather.live.patience import Patience
from matewindow.weather.live.services import HOURLY, Question, openmeteo_params, site_name
from matewindow.weather.manners import OPEN_METEO

if TYPE_CHECKING:
    from collections.abc import Callable

    from matewindow.site import Site
    from matewindow.weather.http import Fetched
    from matewindow.weather.live.services import Desk
    from matewindow.weather.normal import Weather

YEARS = 30
LATE_D = 6
"""ERA5 comes five days late; one more for the day that is not over yet."""
_THIS_YEAR, _DONE = timedelta(days=1), timedelta(days=3650)
_NONSENSE_YEARS = 1
"""So many years may make no sense, such as the first days of January, before no more are asked for."""
_MONTHS_AFTER = 2
"""A year is final in the archive when so many months have passed: preliminary days are replaced."""


@dataclass(frozen=True)
class Archive:
    """What the archive gave: the record, the year of each part of it, and for each year that failed the reason."""

    record: Weather | None
    obtained: dict[int, Obtained]
    failed: dict[int, str]

    @property
    def stale(self) -> Obtained | None:
        """The newest year, if it is an older answer because there is no new one."""
        newest = self.obtained[max(self.obtained)] if self.obtained else None
        return newest if newest is not None and newest.stale else None


def archive_question(site: Site, desk: Desk, year: int) -> Question:
    """One year of hourly ERA5 for a site; of the current year as much as there is."""
    today = desk.now.astimezone(UTC).date()
    first, last = date(year, 1, 1), min(date(year, 12, 31), today - timedelta(days=LATE_D))
    settled = today - last > timedelta(days=31 * _MONTHS_AFTER)
    request = SourceRequest(
        source=OPEN_METEO,
        url=desk.hosts.openmeteo_archive,
        params=openmeteo_params(site)
        | {
            "start_date": first.isoformat(),
            "end_date": last.isoformat(),
            "hourly": ",".join(HOURLY),
            "models": "era5",
        },
        site=site_name(site, OPEN_METEO),
        kind="analysis",
        secrets=desk.secrets,
        weight=open_meteo_weight(len(HOURLY), days=(last - first).days + 1),
        fresh=_DONE if settled else _THIS_YEAR,
    )

    def read(fetched: Fetched) -> Weather:
        weather = openmeteo.parse_archive(fetched.text)
        provenance = replace(weather.provenance, fetched_at=fetched.fetched_at, model="ERA5")
        return replace(weather, provenance=provenance)

    return Question(request, read, moving=frozenset({"end_date"}))


def years_wanted(desk: Desk, years: int = YEARS) -> list[int]:
    """The current year first, as far as the archive has any of it, then back in time: the nearest years count most."""
    last = (desk.now.astimezone(UTC).date() - timedelta(days=LATE_D)).year
    return list(range(last, last - years - 1, -1))


def fetch_archive(
    site: Site,
    desk: Desk,
    *,
    years: int = YEARS,
    on_year: Callable[[int, int], None] | None = None,
    patience: Patience | None = None,
    not_asked: str | None = None,
) -> Archive:
    """Get the site's past years, from the store or the archive.

    Years already kept cost nothing. When the service refuses (budget spent, throttled), the years that are there serve
    and the rest is fetched another time.

    Args:
        site: where.
        desk: whom to ask.
        years: how many past years beside the current one.
        on_year: called with the number of years done and wanted, for a progress bar.
        patience: what slow calls have cost this pull.
        not_asked: a reason to take only what is in the store.
    """
    patience = patience or Patience(desk.monotonic)
    obtained: dict[int, Obtained] = {}
    failed: dict[int, str] = {}
    wanted = years_wanted(desk, years)
    questions = {year: archive_question(site, desk, year) for year in wanted}
    key = questions[wanted[0]].request.key
    stored = list(desk.client.store.entries(source=key.source, site=key.site, kind=key.kind))
    refused = not_asked
    nonsense = 0
    for done, year in enumerate(wanted):
        patience.begin()
        spared = patience.hung(OPEN_METEO.name) or patience.spent
        reason, made_no_sense = None, False
        try:
            got = obtain(questions[year], site, desk, max_age=_DONE, not_asked=refused, spared=spared, stored=stored)
            obtained[year], reason, made_no_sense = got, got.reason, got.nonsense
        except (SourceError, WeatherFileError) as fault:
            failed[year] = reason = reason_of(fault)
            made_no_sense = isinstance(fault, WeatherFileError)
        patience.end(OPEN_METEO.name, failed=reason is not None)
        nonsense += made_no_sense
        if reason is not None and (nonsense > _NONSENSE_YEARS or not made_no_sense):
            refused = refused or reason
        if on_year is not None:
            on_year(done + 1, len(wanted))
    stretches = [obtained[year].weather for year in sorted(obtained)]
    return Archive(joined(stretches) if stretches else None, obtained, failed)
