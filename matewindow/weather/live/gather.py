"""All weather of a site, service by service, with a record of what was tried."""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING

from matewindow.errors import InputError, SourceError, WeatherFileError
from matewindow.weather.brightsky_fetch import OBSERVED_AGE
from matewindow.weather.folder import WeatherFolder
from matewindow.weather.join import joined
from matewindow.weather.live.archive import YEARS, Archive, fetch_archive
from matewindow.weather.live.patience import Patience
from matewindow.weather.live.services import services_for
from matewindow.weather.manners import OPEN_METEO
from matewindow.weather.obtain import MAX_AGE, Obtained, obtain, reason_of

if TYPE_CHECKING:
    from collections.abc import Callable
    from datetime import timedelta

    from matewindow.site import Site
    from matewindow.weather.desk import Desk, Part
    from matewindow.weather.live.services import Service
    from matewindow.weather.normal import Weather

_PART_WORDS = {"observed": "observations"}


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
class InHand:
    """What an answer for several sites gave of Open-Meteo's weather (``many.py``): it is not asked for it again."""

    ensemble: Obtained | None = None
    archive: Archive | None = None


@dataclass(frozen=True)
class Gathered:
    """The weather that was got, all attempts, and what the user must know about them."""

    weather: WeatherFolder
    attempts: list[Attempt] = field(default_factory=list)

    @property
    def remarks(self) -> tuple[str, ...]:
        """A sentence for every service that failed, gave stale weather or was left out, and for lacking years."""
        return tuple(said for said in map(_remark, self.attempts) if said)


def _remark(a: Attempt) -> str:
    """What the user must know about an attempt; nothing if all went well."""
    part = _PART_WORDS.get(a.part, a.part)
    if a.outcome == "stale" and a.age is not None:
        hours = a.age.total_seconds() / 3600.0
        verb = "are" if part.endswith("s") else "is"
        return f"The {part} of {a.service} {verb} {hours:.0f} hours old; no newer one: {a.reason}."
    said = {"failed": "gave no", "left out": "was not asked for", "incomplete": "gave not all"}.get(a.outcome)
    return "" if said is None else f"{a.service} {said} {part}: {a.reason}."


def gather(
    site: Site,
    desk: Desk,
    *,
    trade_without_key: bool = False,
    years: int = YEARS,
    on_year: Callable[[int, int], None] | None = None,
    patience: Patience | None = None,
    in_hand: InHand | None = None,
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
        patience: what slow calls have cost this pull.
        in_hand: what is there already.

    Raises:
        SourceError: nobody gave anything, and nothing is in the store; the text lists all reasons.
    """
    attempts: list[Attempt] = []
    patience = patience or Patience(desk.monotonic)
    barred, in_hand = trade_without_key, in_hand or InHand()

    def part(which: Part) -> Weather | None:
        held = in_hand.ensemble if which == "ensemble" else None
        return _part(which, site, desk, attempts, patience, trade_without_key=barred, held=held)

    ensemble, forecast, observed = part("ensemble"), part("forecast"), part("observed")
    past: Weather | None = None
    if barred:
        reason = "its free service is not for trade; set MATEWINDOW_OPENMETEO_API_KEY if you have a key"
        attempts.append(Attempt("Open-Meteo", "ensemble, forecast and past years", "left out", reason=reason))
    else:
        archive = in_hand.archive or fetch_archive(site, desk, years=years, on_year=on_year, patience=patience)
        past = _past(archive, attempts, years)
    if ensemble is None and forecast is None and past is None:
        reasons = "; ".join(f"{a.service}, {a.part}: {a.reason}" for a in attempts if a.reason)
        nothing = "none of them could be used, and the store holds nothing young enough for this site"
        raise SourceError("The weather services", f"{nothing} ({reasons})")
    records = [w for w in (past, observed) if w is not None]
    record = joined(records) if records else None
    return Gathered(WeatherFolder(forecast, ensemble, record, past), attempts)


def _part(
    part: Part,
    site: Site,
    desk: Desk,
    attempts: list[Attempt],
    patience: Patience,
    *,
    trade_without_key: bool,
    held: Obtained | None = None,
) -> Weather | None:
    """One part from the first service that has it fresh, else the youngest stale one."""
    stale: list[tuple[Obtained, Attempt]] = []
    max_age = OBSERVED_AGE if part == "observed" else MAX_AGE
    for service in services_for(site, part, trade_without_key=trade_without_key):
        source = service.source.name
        if stale and patience.spent:
            attempts.append(Attempt(service.name, part, "failed", reason=patience.spent))
            continue
        try:
            in_hand = held if service.source == OPEN_METEO else None
            got = in_hand or _asked(service, site, desk, patience, max_age=max_age, stale=bool(stale))
        except (SourceError, WeatherFileError, InputError) as fault:
            patience.end(source, failed=True)
            attempts.append(Attempt(service.name, part, "failed", reason=reason_of(fault)))
            continue
        attempt = _attempt(service.name, part, got)
        if not got.stale:
            attempts += [_passed_over(older) for _, older in stale]
            attempts.append(attempt)
            return got.weather
        stale.append((got, attempt))
    if not stale:
        return None
    stale.sort(key=lambda pair: pair[0].age)
    attempts += [stale[0][1], *(_passed_over(older) for _, older in stale[1:])]
    return stale[0][0].weather


def _asked(
    service: Service, site: Site, desk: Desk, patience: Patience, *, max_age: timedelta, stale: bool
) -> Obtained:
    """What one service says, or has said."""
    source = service.source.name
    patience.begin()
    question = service.question(site, desk)
    patience.end(source, failed=False)  # of the look-up of a grid cell or station, which may be another's
    not_asked = patience.hung(source) or (patience.spent if stale else None)
    patience.begin()
    got = obtain(question, site, desk, max_age=max_age, not_asked=not_asked, spared=patience.spent)
    patience.end(source, failed=got.stale)
    return got


def _passed_over(stale: Attempt) -> Attempt:
    """A service whose older answer was not used."""
    return replace(stale, outcome="failed", age=None, licence="", model="", hours=0)


def _past(archive: Archive, attempts: list[Attempt], years: int) -> Weather | None:
    """The record of past years, with a line on how much of it there is."""
    name, part = "Open-Meteo archive", "past years"
    if archive.record is not None:
        newest = archive.obtained[max(archive.obtained)]
        attempts.append(_attempt(name, part, replace(newest, weather=archive.record)))
    if archive.failed:
        n, reason = len(archive.failed), next(iter(archive.failed.values()))
        outcome = "failed" if archive.record is None else "incomplete"
        attempts.append(Attempt(name, part, outcome, reason=f"{n} of {years + 1} are lacking ({reason})"))
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
