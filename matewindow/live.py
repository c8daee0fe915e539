"""Weather that the program pulls by itself, made ready for the paths: gathered, corrected, laid on the site's days."""

from __future__ import annotations

from contextlib import contextmanager
from dataclasses import dataclass, replace
from datetime import UTC, datetime
from typing import TYPE_CHECKING

from matewindow.outlook import solar_today
from matewindow.sources import sources_of
from matewindow.weather import bias
from matewindow.weather.http import Client, Clock
from matewindow.weather.live.addresses import Addresses
from matewindow.weather.live.archive import YEARS
from matewindow.weather.live.correction import learn_correction
from matewindow.weather.live.gather import Attempt, Gathered, gather
from matewindow.weather.live.patience import Patience
from matewindow.weather.live.services import Desk
from matewindow.weather.manners import OPEN_METEO
from matewindow.weather.store import WeatherStore
from matewindow.weather.transport import Limits

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator

    from matewindow.biology import Biology
    from matewindow.paths import Sources
    from matewindow.settings import Settings
    from matewindow.site import Site

LIMITS = Limits(connect_s=2.0, read_s=3.5, total_s=4.0, tries=2, longest_wait_s=1.0)
"""A keeper waits at the hive: a service that does not answer within these seconds is passed over. Two that do not use
up the patience of a pull (``patience.py``), which so ends within ten seconds where the store holds anything."""


@dataclass(frozen=True)
class Live:
    """Weather ready for use, and the record of how it was come by."""

    sources: Sources
    gathered: Gathered


@contextmanager
def open_desk(settings: Settings, clock: Clock | None = None, limits: Limits = LIMITS) -> Iterator[Desk]:
    """A client with its store, addresses and key, from the settings.

    Args:
        settings: of the process.
        clock: gives the present; None = the real one.
        limits: time limits of each request.
    """
    clock = clock or Clock()
    addresses = Addresses.read(settings.addresses_file) if settings.addresses_file else Addresses()
    with Client(settings, WeatherStore.at_home(settings, now=clock.now), clock, limits=limits) as client:
        key, barred = settings.openmeteo_api_key, settings.trade_without_key
        yield Desk(client, addresses, clock.now(), key, trade_without_key=barred, monotonic=clock.monotonic)


def live_sources(
    site: Site,
    biology: Biology,
    desk: Desk,
    settings: Settings,
    *,
    now: datetime | None = None,
    years: int = YEARS,
    on_year: Callable[[int, int], None] | None = None,
) -> Live:
    """Pull a site's weather and make it ready.

    Args:
        site: where.
        biology: parameters with the site's thresholds.
        desk: from ``open_desk``.
        settings: whether the program serves trade.
        now: aware; None = the desk's.
        years: past years wanted.
        on_year: progress of the archive, years done and wanted.

    Raises:
        SourceError: nobody gave anything and the store holds nothing.
    """
    patience = Patience(desk.monotonic)
    gathered = gather(
        site, desk, trade_without_key=settings.trade_without_key, years=years, on_year=on_year, patience=patience
    )
    weather, attempts = gathered.weather, list(gathered.attempts)
    ensemble = weather.ensemble
    learnt: bias.Bias | None = None
    if ensemble is not None and ensemble.provenance.source == "Open-Meteo":
        spared = patience.hung(OPEN_METEO.name) or patience.spent
        learnt, why = learn_correction(site, desk, weather.past, spared=spared)
        if learnt is None:
            attempts.append(Attempt("Open-Meteo", "check of earlier runs", "failed", reason=why))
    today = solar_today((now or desk.now).astimezone(UTC), site)
    sources = sources_of(
        weather,
        site,
        biology,
        correct=None if learnt is None else lambda w: bias.apply(learnt, w, today, site.longitude),
    )
    gathered = replace(gathered, attempts=attempts)
    remarks = gathered.remarks
    if learnt is not None and any(c.applies for c in learnt.corrections):
        remarks += ("The ensemble was corrected for what its model got wrong here in the last months.",)
    return Live(replace(sources, remarks=remarks), gathered)
