"""What a reading stands on, and whether that is enough to judge the weather by: a fault of ours is no weather.

Where a service is down, past years take the place of the forecast and the odds move to the usual, up or down. Such
a change must neither raise nor clear a warning. Two kinds of fault are told apart: what is wrong with a reading by
itself (``faults``), and what it lacks beside the last one that was judged (``lesser``).
"""

from __future__ import annotations

import hashlib
import json
from dataclasses import asdict, dataclass, replace
from datetime import UTC, datetime, timedelta
from functools import lru_cache
from typing import TYPE_CHECKING, Any, ClassVar

from matewindow import timegrid
from matewindow.outlook import solar_today
from matewindow.paths import issued
from matewindow.warnings.plain import STRICT
from matewindow.words import count

if TYPE_CHECKING:
    from collections.abc import Iterable
    from datetime import date

    from pydantic import ConfigDict

    from matewindow.biology import Biology
    from matewindow.paths import Sources
    from matewindow.site import Site
    from matewindow.siteweather import SiteWeather
    from matewindow.timeline import Batch
    from matewindow.warnings.reading import DayReading, Reading

NEAR_D = 5
"""Today and the four days after it: even a single run weighs about a third at least there."""
NEAR_SHARE = 0.2
"""Less forecast than this over the near days is none (a single run gives 0.46 there, see ``paths.single_weight``)."""
REACH_D = 15
"""Past so many days ahead no forecast in use says anything, so none can be lacking."""
MAX_FORECAST_AGE = timedelta(hours=24)
"""Services renew ensembles two to four times a day: a forecast older than a day has missed runs (judgement)."""
UNKNOWN_DAYS = 1.0
"""A window in which more days than this stand on nothing has no odds to speak of: they count as without flight."""
LOST_DAYS = 0.5
"""Forecast or record lost since the last reading, in whole days of weather, that is more than rounding (judgement).
An ensemble whose runs of 06 and 18 UTC end after six days loses about three days against those of 00 and 12."""


@dataclass(frozen=True)
class Grounds:
    """What a reading stands on.

    Attributes:
        baseline: fingerprint of all that is not weather: batch, observations, site, parameters. Where it differs, the
            odds cannot be compared.
        forecast_made: when the forecast in use was made or fetched, aware UTC; None without one.
        forecast_kind: ``ensemble``, ``spread`` or ``forecast``.
        forecast_source: whose it is.
        members: of the ensemble.
        years: past years.
        unjudged: variables that a part does not give, such as ``rain of the forecast``.
    """

    __pydantic_config__: ClassVar[ConfigDict] = STRICT

    baseline: str
    forecast_made: datetime | None
    forecast_kind: str | None
    forecast_source: str
    members: int
    years: int
    unjudged: tuple[str, ...]


def grounds_of(
    batch: Batch, site: Site, sources: Sources, now: datetime, biology: Biology, *, members: int, years: int
) -> Grounds:
    """What an outlook of a batch stands on."""
    today = solar_today(now, site)
    used = issued(sources.members, today) or issued(sources.run, today)
    parts = {"record": sources.observed, "forecast": sources.run, "ensemble": sources.members, "past": sources.past}
    return Grounds(
        baseline=_fingerprint(batch, site, biology),
        forecast_made=None if used is None else _made(used, site),
        forecast_kind=None if used is None else used.provenance.kind,
        forecast_source="" if used is None else used.provenance.source,
        members=members,
        years=years,
        unjudged=tuple(
            f"{variable} of the {name}"
            for name, part in parts.items()
            if part is not None
            for variable in part.not_judged
        ),
    )


def faults(reading: Reading, now: datetime) -> str | None:
    """What makes a reading unfit to judge by, as the end of a sentence; None if nothing does."""
    today = reading.civil_day(now)
    ahead = [d for d in reading.window if d.day >= today]
    unknown = sum(d.unknown for d in reading.window)
    if unknown > UNKNOWN_DAYS:
        days = f"{count(round(unknown)).lower()} {'day' if round(unknown) == 1 else 'days'}"
        return f"no weather covers {days} of the mating window"
    if not any(d.day < today + timedelta(days=REACH_D) for d in ahead):
        return None  # the window is past or beyond any forecast: it rests on the record and on past years alone
    near = [d.forecast for d in ahead if d.day < today + timedelta(days=NEAR_D)]
    if near and sum(near) / len(near) < NEAR_SHARE:
        return "no forecast covers the next days of the mating window"
    made = reading.grounds.forecast_made
    if made is None:
        return "there is no forecast, though one could reach the mating window"
    if now - made > MAX_FORECAST_AGE:
        return f"the forecast is {(now - made) / timedelta(hours=1):.0f} hours old"
    return None


def lesser(last: Reading, reading: Reading) -> str | None:
    """What a reading lacks that the last one had, as the end of a sentence; None if nothing."""
    was, now = last.grounds, reading.grounds
    if now.years < was.years:
        return f"only {now.years} of {was.years} past years were at hand"
    more = sorted(set(now.unjudged) - set(was.unjudged))
    if more:
        return f"the weather lacks {' and '.join(more)}"
    today, days = reading.civil_day(reading.issued_at), _by_date(reading.window)
    before = _by_date(last.window)
    gone = sum(max(0.0, before[d].forecast - days[d].forecast) for d in days if d >= today and d in before)
    if gone > LOST_DAYS:
        return f"the forecast covers {gone:.1f} days of the mating window less than before"
    if _record_lost(last, reading):
        return "days just past were not measured"
    if sum(d.unknown for d in days.values()) > sum(d.unknown for d in before.values()) + LOST_DAYS:
        return "more days of the mating window stand on nothing than before"
    return None


def _record_lost(last: Reading, reading: Reading) -> bool:
    """Whether the record of days past broke off. A site that never had one has none to lose."""
    then, today = last.civil_day(last.issued_at), reading.civil_day(reading.issued_at)
    was, now = _by_date(last.days), _by_date(reading.days)
    had = any(d < then and was[d].observed + was[d].forecast > 0.5 for d in was)
    lost = [
        was[d].observed + was[d].forecast - now[d].observed - now[d].forecast for d in now if d < today and d in was
    ]
    return had and sum(max(0.0, x) for x in lost) > LOST_DAYS


def _by_date(days: Iterable[DayReading]) -> dict[date, DayReading]:
    return {d.day: d for d in days}


def _made(forecast: SiteWeather, site: Site) -> datetime | None:
    """When a forecast was made: its run, else its fetching, else the beginning of the day it is taken to be of."""
    p = forecast.provenance
    moment = p.run_time or p.fetched_at
    if moment is not None:
        return moment.astimezone(UTC)
    if forecast.issued is None:
        return None
    start_h = timegrid.solar_day_start_hour(site.longitude)
    day = datetime.fromisoformat(str(forecast.issued.astype("datetime64[D]"))).replace(tzinfo=UTC)
    return day + timedelta(hours=start_h)


def _fingerprint(batch: Batch, site: Site, biology: Biology) -> str:
    """One text for all that the odds depend on beside weather. When the cells were moved is none of it."""
    facts = {
        "batch": {
            "grafted": batch.grafted.astimezone(UTC),
            "larva_age_h": batch.larva_age_h,
            "sealed_temp_c": batch.sealed_temp_c,
            "emerged": batch.emerged,
            "checks": [(c.day, c.saw) for c in batch.checks],
        },
        "site": [
            *(site.latitude, site.longitude, site.elevation_m, site.timezone, site.exposure),
            *(dict(site.thresholds), site.drones_mature_from),
        ],
        "biology": _plain(biology),
    }
    text = json.dumps(facts, sort_keys=True, default=str)
    return hashlib.sha256(text.encode()).hexdigest()[:16]


@lru_cache(maxsize=16)
def _plain(biology: Biology) -> dict[str, Any]:
    """The values of parameters by group and name. Kept: all batches of a site share them."""
    return asdict(replace(biology, parameters={}))
