"""Weather that the program pulls by itself, made ready for the paths: gathered, corrected, laid on the site's days."""

from __future__ import annotations

import logging
import math
import time
from contextlib import contextmanager
from dataclasses import dataclass, replace
from datetime import UTC, datetime
from typing import TYPE_CHECKING

from matewindow.errors import MatewindowError, RequestError, StoreError
from matewindow.outlook import solar_today
from matewindow.site import check_site
from matewindow.sources import site_biology, sources_of
from matewindow.weather import bias
from matewindow.weather.desk import Desk
from matewindow.weather.http import Client, Clock
from matewindow.weather.live.addresses import Addresses
from matewindow.weather.live.adopt import adopt
from matewindow.weather.live.archive import YEARS
from matewindow.weather.live.correction import Learnt, learn_correction
from matewindow.weather.live.gather import Attempt, Gathered, gather
from matewindow.weather.live.many import MANY_LIMITS, gather_many
from matewindow.weather.live.patience import Patience
from matewindow.weather.manners import OPEN_METEO, coordinates
from matewindow.weather.steps import WetHours
from matewindow.weather.store import WeatherStore
from matewindow.weather.transport import Limits

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator, Sequence

    from matewindow.biology import Biology
    from matewindow.keptpast import KeptPast
    from matewindow.paths import Sources
    from matewindow.settings import Settings
    from matewindow.site import Site
    from matewindow.weather.live.many import ManySites
    from matewindow.weather.normal import Weather

__all__ = ["LIMITS", "MANY_LIMITS", "Live", "live_sources", "live_sources_many", "open_desk"]

_log = logging.getLogger(__name__)

LIMITS = Limits(connect_s=2.0, read_s=3.5, total_s=4.0, tries=2, longest_wait_s=1.0)
"""A keeper waits at the hive: a service that does not answer within these seconds is passed over. Two that do not use
up the patience of a pull (``patience.py``), which so ends within ten seconds where the store holds anything."""


@dataclass(frozen=True)
class Live:
    """Weather ready for use, and the record of how it was come by."""

    sources: Sources
    gathered: Gathered


@contextmanager
def open_desk(
    settings: Settings, clock: Clock | None = None, limits: Limits = LIMITS, *, offline: bool = False
) -> Iterator[Desk]:
    """A client with its store, addresses and key, from the settings.

    Args:
        settings: of the process.
        clock: gives the present; None = the real one.
        limits: time limits of each request.
        offline: nobody is asked; what the store holds must do.
    """
    clock = clock or Clock()
    addresses = Addresses.read(settings.addresses_file) if settings.addresses_file else Addresses()
    store = WeatherStore.at_home(settings, now=clock.now)
    with Client(settings, store, clock, limits=limits, offline=offline) as client:
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
    kept: KeptPast | None = None,
) -> Live:
    """Pull a site's weather and make it ready.

    What a site in the same grid cell got lately is taken over instead of asked for again (``adopt.py``).

    Args:
        site: where.
        biology: parameters with the site's thresholds.
        desk: from ``open_desk``.
        settings: whether the program serves trade.
        now: aware; None = the desk's.
        years: past years wanted.
        on_year: progress of the archive, years done and wanted.
        kept: older past years from an earlier pull; then ``years`` need only reach back to where they end.

    Raises:
        SourceError: nobody gave anything and the store holds nothing.
    """
    patience, barred = Patience(desk.monotonic), settings.trade_without_key
    if not barred:
        try:
            adopt(site, desk, years=years)
        except StoreError as fault:  # then it is asked for
            _log.warning("%s", fault)
    gathered = gather(site, desk, trade_without_key=barred, years=years, on_year=on_year, patience=patience)

    def learn(past: Weather | None, wet: WetHours | None) -> Learnt:
        return learn_correction(site, desk, past, spared=patience.hung(OPEN_METEO.name) or patience.spent, wet=wet)

    return _ready(site, biology, gathered, learn, now or desk.now, kept)


def live_sources_many(
    sites: Sequence[Site],
    biology: Biology,
    desk: Desk,
    settings: Settings,
    *,
    now: datetime | None = None,
    years: int = YEARS,
    wait_s: float = 0.0,
    sleep: Callable[[float], None] = time.sleep,
    on_progress: Callable[[str, int, int], None] | None = None,
    kept: Callable[[Site], KeptPast | None] = lambda _: None,
) -> Iterator[tuple[Site, Live | Exception]]:
    """Pull the weather of many sites, up to a hundred with one request, and make it ready site by site.

    Nothing is done before the first is taken: then all requests for many are made. Every site comes once, those of a
    grid cell one after the other and not in the order given. Take what is needed of one before the next: thirty years
    of a site are tens of megabytes, and only what its cell shares is held here.

    Args:
        sites: where; they may bear the same name.
        biology: parameters; each site's own thresholds are put into them.
        desk: from ``open_desk``, with ``MANY_LIMITS``.
        settings: whether the program serves trade.
        now: aware; None = the desk's.
        years: past years wanted.
        wait_s: how long to wait in all for room in the budget of calls, see ``gather_many``.
        sleep: waits so many seconds.
        on_progress: called with what is being done ("requests", then "sites"), how much of it is done, and how much
            there is in all.
        kept: gives a site's older past years from an earlier pull, as in ``live_sources``.

    Yields:
        A site and its weather, or what kept it from having any: an error of ours to show (``MatewindowError``), or a
        fault of the program's, which is logged. One site's error keeps no other from its weather.

    Raises:
        StoreError: the store cannot be read or written at all.
    """
    done = 0

    def given(site: Site, outcome: Live | Exception) -> tuple[Site, Live | Exception]:
        nonlocal done
        done += 1
        if on_progress is not None:
            on_progress("sites", done, len(sites))
        return site, outcome

    numbered: dict[str, tuple[Site, Biology]] = {}
    for i, site in enumerate(sites):
        try:
            numbered[f"{site.name} ({i + 1})"] = site, _of_site(site, biology)
        except MatewindowError as failure:
            yield given(site, failure)
    many = gather_many(
        [replace(site, name=name) for name, (site, _) in numbered.items()],
        desk,
        trade_without_key=settings.trade_without_key,
        years=years,
        earlier_runs=True,
        wait_s=wait_s,
        sleep=sleep,
        on_step=None if on_progress is None else lambda step, of: on_progress("requests", step, of),
    )
    for name in many:
        site, own = numbered[name]
        yield given(site, _outcome(site, name, own, many, now or desk.now, kept))


def _outcome(
    site: Site,
    name: str,
    biology: Biology,
    many: ManySites,
    now: datetime,
    kept: Callable[[Site], KeptPast | None],
) -> Live | Exception:
    """A site's weather, or what kept it from having any."""
    try:
        gathered = many.gathered(name)
        return _ready(site, biology, gathered, lambda past, wet: many.correction(name, past, wet), now, kept(site))
    except MatewindowError as failure:
        return failure
    except Exception as failure:
        _log.exception("%s", name)
        return failure


def _of_site(site: Site, biology: Biology) -> Biology:
    """The parameters with the site's thresholds; a site of which no weather can be asked is refused.

    Raises:
        InputError: an unknown time zone, one far from the sun's time, a place not on Earth, or an impossible threshold.
    """
    coordinates(OPEN_METEO, site.latitude, site.longitude)
    if not math.isfinite(site.elevation_m):
        raise RequestError(f"elevation {site.elevation_m:g} m does not exist", fix="Give metres above the sea.")
    check_site(site)
    return site_biology(site, biology)


def _ready(
    site: Site,
    biology: Biology,
    gathered: Gathered,
    learn: Callable[[Weather | None, WetHours | None], Learnt],
    now: datetime,
    kept: KeptPast | None,
) -> Live:
    """Correct the ensemble for what earlier runs got wrong, and lay everything on the site's days."""
    weather, attempts = gathered.weather, list(gathered.attempts)
    ensemble = weather.ensemble
    learnt: bias.Bias | None = None
    if ensemble is not None and ensemble.provenance.source == OPEN_METEO.title:
        rain = None if kept is None else kept.rain_with(weather.past)
        learnt, why = learn(weather.past, None if rain is None else WetHours.from_hourly(rain[1]))
        if learnt is None:
            attempts.append(Attempt(OPEN_METEO.title, "check of earlier runs", "failed", reason=why))
    today = solar_today(now.astimezone(UTC), site)
    sources = sources_of(
        weather,
        site,
        biology,
        correct=None if learnt is None else lambda w: bias.apply(learnt, w, today, site.longitude),
        kept=kept,
    )
    gathered = replace(gathered, attempts=attempts)
    remarks = gathered.remarks
    if learnt is not None and any(c.applies for c in learnt.corrections):
        remarks += ("The ensemble was corrected for what its model got wrong here in the last months.",)
    return Live(replace(sources, remarks=remarks), gathered)
