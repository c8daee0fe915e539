"""All weather of a site, service by service, with a record of what was tried."""

from __future__ import annotations

from dataclasses import dataclass, field
from datetime import timedelta
from typing import TYPE_CHECKING

from matewindow.errors import InputError, SourceError, WeatherFileError
from matewindow.weather.folder import WeatherFolder
from matewindow.weather.join import joined
from matewindow.weather.live.archive import YEARS, fetch_archive
from matewindow.weather.live.obtain import Obtained, obtain
from matewindow.weather.live.services import Desk, Part, services_for

if TYPE_CHECKING:
    from collections.abc import Callable

    from matewindow.site import Site
    from matewindow.weather.normal import Weather

MAX_AGE = timedelta(days=3)
"""Up to which age a forecast serves when nobody gives a newer one; its lead, and so its weight, goes by its age."""
_PART_WORDS = {"observed": "observations"}
_OBSERVED_AGE = timedelta(days=14)


@dataclass(frozen=True)
class Attempt:
    """One service asked for one part: what came of it, in a word and, where it failed or is stale, with the reason."""

    service: str
    part: str
    outcome: str
    age: timedelta | None = None
    reason: str = ""
    licence: str = ""
    model: str = ""
    hours: int = 0


@dataclass(frozen=True)
class Gathered:
    """The weather that was got, all attempts, and what the user must know about them."""

    weather: WeatherFolder
    attempts: list[Attempt] = field(default_factory=list)

    @property
    def remarks(self) -> tuple[str, ...]:
        """A sentence for every service that failed or gave stale weather, and for years that are lacking."""
        said = []
        for a in self.attempts:
            if a.outcome == "failed":
                said.append(f"{a.service} gave no {_PART_WORDS.get(a.part, a.part)}: {a.reason}.")
            elif a.outcome == "stale" and a.age is not None:
                hours = a.age.total_seconds() / 3600.0
                what = _PART_WORDS.get(a.part, a.part)
                text = f"The {what} of {a.service} is {hours:.0f} hours old; no newer one: {a.reason}."
                said.append(text)
        return tuple(said)


def gather(
    site: Site,
    desk: Desk,
    *,
    trade_without_key: bool = False,
    years: int = YEARS,
    on_year: Callable[[int, int], None] | None = None,
) -> Gathered:
    """Get a site's weather: ensemble and forecast from the first service that gives each, observations, past years.

    A service that fails is passed over with its reason. Of two stale answers the fresher counts; a fresh one from a
    service further down the list comes before a stale one.

    Args:
        site: where.
        desk: client, addresses, clock, key.
        trade_without_key: leave out services that may not serve trade without a key.
        years: past years wanted.
        on_year: progress of the archive.

    Raises:
        SourceError: nobody gave anything, and nothing is in the store; the text lists all reasons.
    """
    attempts: list[Attempt] = []
    ensemble = _part("ensemble", site, desk, attempts, trade_without_key=trade_without_key)
    forecast = _part("forecast", site, desk, attempts, trade_without_key=trade_without_key)
    observed = _part("observed", site, desk, attempts, trade_without_key=trade_without_key)
    past: Weather | None = None
    if trade_without_key:
        reason = "its free archive is not for trade: set MATEWINDOW_OPENMETEO_API_KEY"
        attempts.append(Attempt("Open-Meteo", "past years", "left out", reason=reason))
    else:
        past = _past(site, desk, attempts, years, on_year)
    if ensemble is None and forecast is None and past is None:
        reasons = "; ".join(f"{a.service}, {a.part}: {a.reason}" for a in attempts if a.reason)
        raise SourceError("Nobody", f"every source failed and the store holds nothing for this site ({reasons})")
    records = [w for w in (past, observed) if w is not None]
    record = joined(records) if records else None
    return Gathered(WeatherFolder(forecast, ensemble, record, past), attempts)


def _part(part: Part, site: Site, desk: Desk, attempts: list[Attempt], *, trade_without_key: bool) -> Weather | None:
    """One part from the first service that has it fresh, else the youngest stale one."""
    stale: list[tuple[Obtained, Attempt]] = []
    for service in services_for(site, part, trade_without_key=trade_without_key):
        try:
            question = service.question(site, desk)
            max_age = _OBSERVED_AGE if part == "observed" else MAX_AGE
            got = obtain(question, site, desk, max_age=max_age)
        except (SourceError, WeatherFileError, InputError) as fault:
            reason = fault.reason if isinstance(fault, SourceError) else str(fault).rstrip(".")
            attempts.append(Attempt(service.name, part, "failed", reason=reason))
            continue
        attempt = _attempt(service.name, part, got)
        if not got.stale:
            attempts.append(attempt)
            return got.weather
        stale.append((got, attempt))
    if not stale:
        return None
    stale.sort(key=lambda pair: pair[0].age)
    attempts += [attempt for _, attempt in stale[:1]]
    return stale[0][0].weather


def _past(
    site: Site, desk: Desk, attempts: list[Attempt], years: int, on_year: Callable[[int, int], None] | None
) -> Weather | None:
    archive = fetch_archive(site, desk, years=years, on_year=on_year)
    if archive.failed:
        n, reason = len(archive.failed), next(iter(archive.failed.values())).rstrip(".")
        attempts.append(Attempt("Open-Meteo archive", f"{n} of {years + 1} past years", "failed", reason=reason))
    if archive.record is not None:
        newest = min(archive.obtained, key=lambda o: o.age)
        attempts.append(_attempt("Open-Meteo archive", "past years", Obtained(archive.record, "store", newest.age)))
    return archive.record


def _attempt(service: str, part: str, got: Obtained) -> Attempt:
    p = got.weather.provenance
    return Attempt(
        service,
        part,
        "stale" if got.stale else got.origin,
        got.age,
        got.reason or "",
        p.licence,
        p.model or "",
        len(got.weather.times),
    )
