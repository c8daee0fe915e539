"""From a site, the record of its weather and stored runs to cases, with nothing in them that was not known.

=========================  ===================================================================================
part of a case             where it comes from
=========================  ===================================================================================
what the run says          the run that could have been known at noon UTC of a day (``storedruns``), laid on the
                           site's days as live ones are; the weeks before it as observed, for the pent-up drive
how its coarse rain falls  the record without the season of the run
the usual of the date      all other years of the record, on both sides; the season of the run is left out
what came                  the record itself
=========================  ===================================================================================

A day that was past when the run became known is no case, nor is one of which run, record or five other years are
missing. Each run counts once.
"""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass
from datetime import UTC, datetime, time, timedelta
from typing import TYPE_CHECKING

import numpy as np

from matewindow.errors import RequestError
from matewindow.learning.fromregister import season_of
from matewindow.learning.weather.cases import DayCases
from matewindow.learning.weather.leads import HourlyLeads
from matewindow.outlook import RUN_IN_D, solar_today
from matewindow.pastyears import SHIFTS_D
from matewindow.paths import Sources, build_paths
from matewindow.sources import runs_on_site, season_days, with_run
from matewindow.weather.desk import AHEAD_D
from matewindow.windowdays import FLYING_H

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator

    from numpy.typing import NDArray

    from matewindow.biology import Biology
    from matewindow.site import Site
    from matewindow.siteweather import SiteWeather
    from matewindow.storedruns import StoredRuns
    from matewindow.weather.normal import Weather

    Floats = NDArray[np.float64]
    Days = NDArray[np.datetime64]

ISSUED_AT = time(12)
"""Of each day, UTC: by then the run of midnight is there everywhere."""
MIN_YEARS = 5
"""Other years that a date must have (judgement: with five the usual is known to about 15 points)."""

_A_DAY = timedelta(days=1)
_CHUNK_D = 120
"""Days of issue that share one usual: with a forecast and a run-in far less than a year, so no other year is lost."""


@dataclass(frozen=True)
class Ground:
    """A site with the weather it had and the runs that were kept. ``biology`` has the site's thresholds."""

    site: Site
    record: SiteWeather | None
    runs: StoredRuns
    biology: Biology


@dataclass(frozen=True)
class Read:
    """The cases of a site.

    Attributes:
        cases: of all its runs.
        n_runs: how many there were.
        set_aside: days of which a run spoke that are no case, by reason.
        leads: the hours of runs and record, for what a model gets wrong.
    """

    cases: DayCases
    n_runs: int
    set_aside: dict[str, int]
    leads: HourlyLeads


@dataclass(frozen=True)
class _Issued:
    """One run: when it could first be used, and on the site's days."""

    today: np.datetime64
    season: str
    weather: SiteWeather


def read_cases(ground: Ground, on_run: Callable[[int, int], None] | None = None) -> Read:
    """The cases of a site.

    Args:
        ground: what there is.
        on_run: told how many days with runs are done, and of how many.

    Raises:
        RequestError: no record of past years.
        WeatherFileError: a run cannot be read, or is of another place.
    """
    site, record = ground.site, ground.record
    if record is None or record.provenance.kind == "typical":
        raise RequestError(
            f"{site.name}: there are no past years to hold the runs against",
            where="weather",
            fix="Give hourly weather of several years with the seasons of the runs: past.json or past.csv.",
        )
    aside: Counter[str] = Counter()
    parts: list[DayCases] = []
    hourly, n_runs = HourlyLeads(record, site.longitude), 0
    for chunk in _chunks(_issued(ground, record, on_run)):
        n_runs += len(chunk)
        parts.append(_cases_of(chunk, ground, record, aside))
        for issue in chunk:
            hourly.add(issue.weather, issue.today)
    return Read(DayCases.joined(parts), n_runs, dict(aside), hourly)


def _issued(ground: Ground, record: SiteWeather, on_run: Callable[[int, int], None] | None) -> Iterator[_Issued]:
    """Each run once, on the first noon at which it was the newest, in order of time."""
    runs, site = ground.runs, ground.site
    if not runs:
        return
    wanted = sorted({day + step for day in runs.days for step in (timedelta(), _A_DAY)})
    before: tuple[object, ...] | None = None
    lay: dict[str, Callable[[Weather], SiteWeather]] = {}
    for done, day in enumerate(wanted, start=1):
        now = datetime.combine(day, ISSUED_AT, tzinfo=UTC)
        run = runs.at(now)
        if on_run is not None:
            on_run(done, len(wanted))
        if run is None:
            continue
        p = run.provenance
        which = p.kind, p.run_time, p.fetched_at, p.file
        if which == before:
            continue
        before, today = which, solar_today(now, site)
        season = season_of(datetime.fromisoformat(str(today)).date(), site.latitude)
        if season not in lay:
            own = season_days(int(season[:4]), site)
            lay = {season: runs_on_site(record, site, ground.biology.flight, without=own)}
        yield _Issued(today, season, lay[season](run))


def _chunks(issues: Iterator[_Issued]) -> Iterator[list[_Issued]]:
    """Runs of one season, at most ``_CHUNK_D`` days from the first."""
    chunk: list[_Issued] = []
    for issue in issues:
        if chunk and (issue.season != chunk[0].season or issue.today > chunk[0].today + _CHUNK_D):
            yield chunk
            chunk = []
        chunk.append(issue)
    if chunk:
        yield chunk


def _cases_of(chunk: list[_Issued], ground: Ground, record: SiteWeather, aside: Counter[str]) -> DayCases:
    first = chunk[0].today - RUN_IN_D
    days = first + np.arange(int((chunk[-1].today - first).astype(np.int64)) + AHEAD_D + 1)
    came, usual = _came(record, days, ground), _usual(record, days, ground)
    return DayCases.joined([_of_run(issue, ground, record, days, came, usual, aside) for issue in chunk])


def _of_run(
    issue: _Issued,
    ground: Ground,
    record: SiteWeather,
    days: Days,
    came: Floats,
    usual: Floats,
    aside: Counter[str],
) -> DayCases:
    """The cases of one run; ``came`` and ``usual`` are of ``days``, NaN where they are not known."""
    weather, today = issue.weather, issue.today
    reach = min(int((weather.days[-1] - today).astype(np.int64)) + 1, AHEAD_D + 1)
    if reach <= 0:
        return DayCases.none()
    said = _event(_forecast(weather, record, today, reach, ground))
    share = said.mean(axis=1)
    at = int((today - days[0]).astype(np.int64)) + np.arange(reach)
    lead = (today - _made(weather)).astype(np.int64) + np.arange(reach)
    known = {
        "the run lacks weather in their mating window": ~np.isnan(share),
        "the record lacks the weather that came": ~np.isnan(came[at]),
        f"fewer than {MIN_YEARS} other years tell what is usual": ~np.isnan(usual[at]),
    }
    good = np.ones(reach, dtype=bool)
    for why, has in known.items():
        if n := int((good & ~has).sum()):
            aside[why] += n
        good &= has
    n = int(good.sum())
    return DayCases(
        site=np.full(n, ground.site.name),
        season=np.full(n, issue.season),
        issued=np.full(n, _made(weather)),
        lead=lead[good].astype(np.intp),
        share=share[good],
        members=np.full(n, said.shape[1]),
        usual=usual[at][good],
        came=came[at][good] > 0.5,
    )


def _made(weather: SiteWeather) -> np.datetime64:
    return weather.days[0] if weather.issued is None else weather.issued


def _forecast(weather: SiteWeather, record: SiteWeather, today: np.datetime64, reach: int, ground: Ground) -> Floats:
    """Effective hours of each member from today on after the days that were observed before, (reach, n_members)."""
    alone = with_run(Sources(observed=record), weather)
    paths, _ = build_paths(
        alone,
        today - RUN_IN_D,
        RUN_IN_D + reach,
        today,
        ground.biology,
        ground.site.exposure,
        n_paths=len(weather.temp_c),
    )
    return paths.hours[RUN_IN_D:]


def _came(record: SiteWeather, days: Days, ground: Ground) -> Floats:
    """1 for a flying day, 0 for none, NaN where the record does not know, (n_days,)."""
    wide = days[0] - RUN_IN_D, len(days) + RUN_IN_D
    paths, _ = build_paths(Sources(observed=record), *wide, days[-1] + 1, ground.biology, ground.site.exposure)
    return _event(paths.hours[RUN_IN_D:])[:, 0]


def _usual(record: SiteWeather, days: Days, ground: Ground) -> Floats:
    """Share of other years that have a flying day, NaN where too few of them know the date, (n_days,)."""
    middle = len(days) // 2
    try:
        _, alone = build_paths(
            Sources(past=record, hindsight=True),
            days[0],
            len(days),
            days[0],
            ground.biology,
            ground.site.exposure,
            needed=slice(middle, middle + 1),
        )
    except RequestError:  # no other year knows these dates: the run lies at the edge of the record's seasons
        return np.full(len(days), np.nan)
    if alone is None:
        return np.full(len(days), np.nan)
    event = _event(alone.hours)
    n = (~np.isnan(event)).sum(axis=1)
    share: Floats = np.nansum(event, axis=1) / np.maximum(n, 1)
    return np.where(n >= MIN_YEARS * len(SHIFTS_D), share, np.nan)


def _event(hours: Floats) -> Floats:
    """1 where there are hours for a flying day, 0 where not, NaN where it is not known; shape as given."""
    return np.where(np.isnan(hours), np.nan, hours >= FLYING_H)
