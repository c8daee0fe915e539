"""Past years from the archive: fetched year by year, kept, and gone on with where a fetch broke off."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import UTC, timedelta
from typing import TYPE_CHECKING

from matewindow.errors import SourceError, WeatherFileError
from matewindow.weather.join import joined
from matewindow.weather.live.patience import Patience
from matewindow.weather.manners import OPEN_METEO
from matewindow.weather.obtain import Obtained, reason_of
from matewindow.weather.openmeteo_fetch import LATE_D, archive_question, fetch_archive_year

if TYPE_CHECKING:
    from collections.abc import Callable

    from matewindow.site import Site
    from matewindow.weather.desk import Desk
    from matewindow.weather.normal import Weather

YEARS = 30
_NONSENSE_YEARS = 1
"""So many years may make no sense, such as the first days of January, before no more are asked for."""


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
    key = archive_question(site, desk, wanted[0]).request.key
    stored = list(desk.client.store.entries(source=key.source, site=key.site, kind=key.kind))
    refused = not_asked
    nonsense = 0
    for done, year in enumerate(wanted):
        patience.begin()
        spared = patience.hung(OPEN_METEO.name) or patience.spent
        reason, made_no_sense = None, False
        try:
            got = fetch_archive_year(site, desk, year, not_asked=refused, spared=spared, stored=stored)
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
