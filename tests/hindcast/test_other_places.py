"""The same on the other side of the date line, in the south, over New Year and over a leap day: no day is off by one.

What a season says of a batch is held against ``batch_outlook`` asked on the same morning of the local clock, and what
came of it against one asked long afterwards, which knows the whole window as measured.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from datetime import UTC, date, datetime, time, timedelta
from functools import cache

import numpy as np
import pytest

from matewindow.hindcast.asof import Ground, bees_year
from matewindow.hindcast.cases import flying_day_cases, window_cases
from matewindow.hindcast.oneseason import STAGES_D, SeasonCases, judge_season
from matewindow.hindcast.seasons import Plan
from matewindow.outlook import Outlook, batch_outlook
from matewindow.paths import Sources
from matewindow.timeline import Batch, graft_time
from tests.hindcast.made_seasons import BIOLOGY, Planted, small
from tests.made_weather import stand


@dataclass(frozen=True)
class Place:
    """A site, and the first graft of the season that is looked back on."""

    latitude: float
    longitude: float
    timezone: str
    first: date


PLACES = {
    "east": Place(38.0, 175.0, "Pacific/Majuro", date(2012, 6, 1)),
    "west": Place(20.0, -150.0, "Pacific/Honolulu", date(2012, 6, 1)),
    "calendar ahead of the sun": Place(2.0, -157.4, "Pacific/Kiritimati", date(2012, 6, 1)),
    "calendar behind the sun": Place(52.9, 172.9, "America/Adak", date(2012, 6, 1)),
    "south": Place(-38.0, 175.0, "Pacific/Auckland", date(2012, 10, 20)),
    "over New Year": Place(-34.0, 150.0, "Australia/Sydney", date(2012, 12, 12)),
    "over a leap day": Place(-34.0, 150.0, "Australia/Sydney", date(2012, 2, 10)),
}
GRAFTS = 10


@cache
def ground(name: str, *, forecasts: bool) -> Ground:
    place = PLACES[name]
    site = stand(latitude=place.latitude, longitude=place.longitude, timezone=place.timezone)
    planted = Planted(small().record, half_d=4.0, longitude=place.longitude)
    return replace(small(), site=site, forecasts=planted if forecasts else None)


@cache
def season(name: str, *, forecasts: bool) -> SeasonCases:
    first = PLACES[name].first
    plan = Plan((first.month, first.day), GRAFTS, (first.year,))
    return judge_season(ground(name, forecasts=forecasts), plan, first.year)


def outlook_of(name: str, graft: date, now: datetime, *, forecasts: bool) -> Outlook:
    here = ground(name, forecasts=forecasts)
    members = None if here.forecasts is None else here.forecasts.known_at(now, bees_year(graft, here.site))[1]
    sources = Sources(observed=here.record, members=members, past=here.record, hindsight=True)
    return batch_outlook(Batch(graft_time(graft, here.site)), here.site, sources, now, BIOLOGY)


def morning(name: str, day: date) -> datetime:
    return datetime.combine(day, time(7), tzinfo=ground(name, forecasts=False).site.zone)


@pytest.mark.parametrize("forecasts", [False, True])
@pytest.mark.parametrize("name", PLACES)
def test_the_odds_are_those_of_an_outlook_asked_for_on_that_morning(name: str, *, forecasts: bool) -> None:
    cases = season(name, forecasts=forecasts)
    graft = PLACES[name].first + timedelta(days=4)
    later = outlook_of(name, graft, datetime(2013, 12, 1, tzinfo=UTC), forecasts=False)
    for stage in STAGES_D.values():
        issued = graft + timedelta(days=stage)
        outlook = outlook_of(name, graft, morning(name, issued), forecasts=forecasts)
        (row,) = np.flatnonzero((cases.window_issued == np.datetime64(issued)) & (cases.window_stage == stage))
        assert cases.window_p[row] == pytest.approx(outlook.well_mated.value, abs=1e-12)
        assert cases.window_usual[row] == pytest.approx(outlook.well_mated_usual, abs=1e-12)
        assert cases.window_forecast[row] == pytest.approx(outlook.shares["forecast"], abs=1e-12)
        eggs = list(outlook.laying_by_day.values())
        np.testing.assert_allclose(np.cumsum(cases.window_eggs[row])[: len(eggs)], eggs, atol=1e-12)
        assert cases.window_outcome[row] == pytest.approx(later.fates["well_mated"], abs=1e-12)
        assert cases.window_hours_came[row] == pytest.approx(later.prime_flight_hours.mean, abs=1e-12)
    assert (cases.window_forecast > 0.1).any() == forecasts


@pytest.mark.parametrize("name", PLACES)
def test_lead_one_is_tomorrow_on_the_local_calendar(name: str) -> None:
    cases = season(name, forecasts=False)
    graft = PLACES[name].first + timedelta(days=4)
    issued = graft + timedelta(days=18)
    day_of = {d.day: d for d in outlook_of(name, graft, morning(name, issued), forecasts=False).days}
    came_on = {d.day: d for d in outlook_of(name, graft, datetime(2013, 12, 1, tzinfo=UTC), forecasts=False).days}
    for lead in (1, 2, 7):
        (row,) = np.flatnonzero((cases.day_issued == np.datetime64(issued)) & (cases.day_lead == lead))
        day = issued + timedelta(days=lead)
        assert cases.day_p[row] == pytest.approx(day_of[day].p_flying, abs=1e-12)
        assert cases.day_hours_came[row] == pytest.approx(came_on[day].effective_hours, abs=1e-12)
    assert not np.isnan(cases.day_persistence).any()
    assert not np.isnan(cases.day_outcome).any()


@pytest.mark.parametrize("name", PLACES)
def test_first_eggs_that_came_are_drawn_from_what_the_chain_says_afterwards(name: str) -> None:
    """The same lots, held against the chance of laying by each day that an outlook knows afterwards."""
    first = PLACES[name].first
    cases = season(name, forecasts=False)
    lots = np.random.default_rng([1, first.year]).random(GRAFTS)
    for i, lot in enumerate(lots):
        graft = first + timedelta(days=i)
        later = outlook_of(name, graft, datetime(2013, 12, 1, tzinfo=UTC), forecasts=False)
        by_day = np.array(list(later.laying_by_day.values()))
        (row,) = np.flatnonzero((cases.window_issued == np.datetime64(graft)) & (cases.window_stage == 0))
        laid = np.flatnonzero(by_day > lot)
        assert cases.window_egg_came[row] == (laid[0] if len(laid) else np.inf)
    assert np.isfinite(cases.window_egg_came).any()


def test_drones_of_a_season_that_begins_in_january_were_ready_in_the_spring_before() -> None:
    site = stand(latitude=-34.0, longitude=150.0, timezone="Australia/Sydney", drones_mature_from=date(2020, 10, 5))
    here = replace(small(), site=site)
    for first in (date(2012, 1, 5), date(2011, 11, 20)):
        plan = Plan((first.month, first.day), 3, (first.year,))
        assert here.of_season(bees_year(first, site)).drones_mature_from == date(2011, 10, 5)
        assert (judge_season(here, plan, first.year).window_outcome > 0.1).any()


def test_a_season_that_no_other_year_covers_has_no_cases_and_spoils_none() -> None:
    """Of the one other year a part is missing: no odds, no error, and the seasons still join."""
    record = small().record
    gone = (record.days < np.datetime64("2012-01-01")) | (record.days > np.datetime64("2013-01-31"))
    lonely = replace(small(), record=replace(record, temp_c=np.where(gone[:, None], np.nan, record.temp_c)))
    plan = Plan((6, 1), 8, (2012,))
    alone = judge_season(lonely, plan, 2012)
    assert len(alone.window_p) == len(alone.day_p) == len(alone.graft_days) == 0
    both = [alone, judge_season(small(), plan, 2012)]
    for cases in (window_cases(both, "here", BIOLOGY), flying_day_cases(both, "here")):
        assert len(cases) > 0
        assert set(cases.site.tolist()) == {"here"}
