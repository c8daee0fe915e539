"""A season lived through again says what the product would have said on each of its days, and looks at no day to come."""

from __future__ import annotations

from dataclasses import fields, replace
from datetime import UTC, date, datetime, time, timedelta
from functools import cache

import numpy as np
import pytest

from matewindow.graft import graft_decision
from matewindow.hindcast.asof import Ground
from matewindow.hindcast.oneseason import POINTS, STAGES_D, SeasonCases, evenly, judge_season
from matewindow.hindcast.seasons import Plan
from matewindow.learning.recalibration import Recalibration
from matewindow.mating import FATES
from matewindow.outlook import batch_outlook
from matewindow.paths import Sources
from matewindow.timeline import Batch, graft_time
from matewindow.windowdays import FLYING_H
from tests.hindcast.made_seasons import BIOLOGY, SMALL, Planted, sample, small
from tests.made_weather import stand

YEAR = 2012
PLANTED = Planted(small().record, half_d=4.0)


@cache
def season(*, forecasts: bool = False) -> SeasonCases:
    ground = replace(small(), forecasts=PLANTED) if forecasts else small()
    return judge_season(ground, SMALL, YEAR)


def row_of(cases: SeasonCases, graft: date, stage: int) -> int:
    issued = np.datetime64(graft + timedelta(days=stage), "D")
    (found,) = np.flatnonzero((cases.window_issued == issued) & (cases.window_stage == stage))
    return int(found)


def morning(day: date) -> datetime:
    return datetime.combine(day, time(7), tzinfo=small().site.zone)


def frozen(record_from: date) -> Ground:
    """The ground with ice-cold weather from a day on to the end of that year."""
    record = small().record
    here = (record.days >= np.datetime64(record_from)) & (record.days < np.datetime64(f"{record_from.year + 1}-01-01"))
    return replace(small(), record=replace(record, temp_c=np.where(here[:, None], -5.0, record.temp_c)))


@pytest.mark.parametrize("forecasts", [False, True])
@pytest.mark.parametrize("stage", STAGES_D.values())
def test_the_odds_are_those_of_an_outlook_asked_for_on_that_morning(stage: int, *, forecasts: bool) -> None:
    graft = SMALL.grafts(YEAR)[5]
    now = morning(graft + timedelta(days=stage))
    members = PLANTED.known_at(now, YEAR)[1] if forecasts else None
    sources = Sources(observed=small().record, members=members, past=small().record, hindsight=True)
    outlook = batch_outlook(Batch(graft_time(graft, small().site)), small().site, sources, now, BIOLOGY)
    cases = season(forecasts=forecasts)
    row = row_of(cases, graft, stage)
    assert cases.window_p[row] == pytest.approx(outlook.well_mated.value, abs=1e-12)
    assert cases.window_usual[row] == pytest.approx(outlook.well_mated_usual, abs=1e-12)
    assert cases.window_hours[row].mean() == pytest.approx(outlook.prime_flight_hours.mean, abs=0.15)
    assert np.cumsum(cases.window_eggs[row])[20] == pytest.approx(list(outlook.laying_by_day.values())[20], abs=1e-12)
    assert cases.window_forecast[row] == pytest.approx(outlook.shares["forecast"], abs=1e-12)


def test_what_became_of_the_queens_is_the_chain_on_the_weather_that_came() -> None:
    """As an outlook asked for long afterwards says it, which knows the whole window as measured."""
    graft = SMALL.grafts(YEAR)[3]
    later = datetime(YEAR, 12, 1, tzinfo=UTC)
    outlook = batch_outlook(
        Batch(graft_time(graft, small().site)), small().site, Sources(observed=small().record), later, BIOLOGY
    )
    cases = season()
    row = row_of(cases, graft, 0)
    assert tuple(outlook.fates) == FATES
    assert cases.window_outcome[row] == pytest.approx(outlook.fates["well_mated"], abs=1e-12)
    assert cases.window_hours_came[row] == pytest.approx(outlook.prime_flight_hours.mean, abs=1e-12)


def test_nothing_of_the_days_to_come_is_looked_at() -> None:
    """From 20 June on the season is made ice-cold: what was issued up to that morning stays the same to the last digit."""
    turn = date(YEAR, 6, 20)
    before, after = season(), judge_season(frozen(turn), SMALL, YEAR)
    early = before.window_issued <= np.datetime64(turn)
    for name in ("window_p", "window_usual", "window_persistence", "window_hours", "window_eggs"):
        np.testing.assert_array_equal(getattr(before, name)[early], getattr(after, name)[early])
    same = before.day_issued <= np.datetime64(turn)
    for name in ("day_p", "day_usual", "day_persistence", "day_hours"):
        np.testing.assert_array_equal(getattr(before, name)[same], getattr(after, name)[same])
    advised = before.graft_issued <= np.datetime64(turn)
    np.testing.assert_array_equal(before.graft_days[advised], after.graft_days[advised])
    assert (after.window_outcome < before.window_outcome - 0.3).any()
    assert (before.window_p[~early] != after.window_p[~early]).any()  # later it is known


def test_a_season_is_no_part_of_its_own_usual_but_later_years_are() -> None:
    own = judge_season(frozen(date(YEAR, 1, 1)), SMALL, YEAR)
    np.testing.assert_array_equal(own.window_usual, season().window_usual)
    later = judge_season(frozen(date(YEAR + 2, 1, 1)), SMALL, YEAR)
    assert (later.window_usual < season().window_usual - 0.05).all()


def test_the_worth_that_came_is_the_utility_of_a_decision_that_knew_the_weather() -> None:
    first = SMALL.grafts(YEAR)[2]
    later = datetime(YEAR, 12, 1, tzinfo=UTC)
    knew = graft_decision(small().site, Sources(observed=small().record), first, SMALL.week_d, later, BIOLOGY)
    worth = np.array([day.utility for day in knew.days])
    cases = season()
    (row,) = np.flatnonzero(cases.graft_issued == np.datetime64(first))
    assert cases.graft_at_once[row] == pytest.approx(worth[0], abs=1e-12)
    assert cases.graft_any[row] == pytest.approx(worth.mean(), abs=1e-12)
    assert cases.graft_best[row] == pytest.approx(max(0.0, worth.max()), abs=1e-12)


def test_the_advice_is_that_of_the_decision_of_that_morning() -> None:
    first = SMALL.grafts(YEAR)[2]
    sources = Sources(observed=small().record, past=small().record, hindsight=True)
    decision = graft_decision(small().site, sources, first, SMALL.week_d, morning(first), BIOLOGY)
    later = datetime(YEAR, 12, 1, tzinfo=UTC)
    knew = graft_decision(small().site, Sources(observed=small().record), first, SMALL.week_d, later, BIOLOGY)
    cases = season()
    (row,) = np.flatnonzero(cases.graft_issued == np.datetime64(first))
    advised = [(day - first).days for day in decision.graft_dates]
    assert cases.graft_days[row] == len(advised) > 0
    best = min(advised, key=lambda i: decision.days[i].rank)
    assert cases.graft_advised[row] == pytest.approx(knew.days[best].utility, abs=1e-12)
    assert cases.graft_equal[row] == pytest.approx(np.mean([knew.days[i].utility for i in advised]), abs=1e-12)


def test_a_flying_day_has_an_hour_or_more_of_flight() -> None:
    cases = season()
    np.testing.assert_array_equal(cases.day_outcome, cases.day_hours_came >= FLYING_H)
    assert set(cases.day_lead) == set(range(1, 25))
    assert 0.1 < cases.day_outcome.mean() < 0.9


def test_drones_mature_on_the_same_date_of_every_season() -> None:
    north = replace(small(), site=stand(drones_mature_from=date(2024, 2, 29)))
    assert north.of_season(2011).drones_mature_from == date(2011, 2, 28)
    south = replace(small(), site=stand(latitude=-38.0, drones_mature_from=date(2020, 10, 5)))
    assert south.of_season(2011).drones_mature_from == date(2011, 10, 5)
    late = replace(small(), site=stand(latitude=-38.0, drones_mature_from=date(2020, 1, 5)))
    assert late.of_season(2011).drones_mature_from == date(2012, 1, 5)


def test_without_drones_nobody_is_mated() -> None:
    ground = replace(small(), site=stand(drones_mature_from=date(2024, 9, 1)))
    cases = judge_season(ground, SMALL, YEAR)
    assert (cases.window_outcome == 0.0).all()
    assert (cases.window_p < 1e-9).all()
    assert np.isinf(cases.window_egg_came).all()


def test_graft_days_whose_window_the_record_does_not_cover_are_left_out() -> None:
    """The sample's archive ends with August: of later grafts the other years do not know the window when moved by a week."""
    plan = Plan(first=(7, 20), n_days=8, years=(2015,))
    cases = judge_season(sample(), plan, 2015)
    grafts = {
        str(day - np.timedelta64(int(stage), "D"))
        for day, stage in zip(cases.window_issued, cases.window_stage, strict=True)
    }
    assert max(grafts) == "2015-07-23"
    assert len(cases.graft_issued) == 0  # no week of seven days that could be judged


def test_every_array_of_a_kind_has_a_row_for_each_case() -> None:
    cases = season()
    for kind in ("window", "day", "graft"):
        lengths = {len(getattr(cases, f.name)) for f in fields(cases) if f.name.startswith(f"{kind}_")}
        assert len(lengths) == 1
        assert lengths.pop() > 0
    assert not np.isnan(cases.window_p).any()


@pytest.mark.parametrize("seed", range(5))
def test_a_spread_keeps_its_mean_and_its_middle(seed: int) -> None:
    values = np.random.default_rng(seed).gamma(2.0, 3.0, 4000)
    few = evenly(values)
    assert few.shape == (POINTS,)
    assert (np.diff(few) >= 0.0).all()
    assert few.mean() == pytest.approx(values.mean(), rel=0.02)
    assert np.median(few) == pytest.approx(np.median(values), rel=0.05)
    np.testing.assert_array_equal(evenly(np.stack([values, values])), np.stack([few, few]))


def test_hours_thought_possible_are_those_of_the_batch_as_what_comes_is() -> None:
    """Once the whole window has been measured there is one number left, the one that came: no error and no spread."""
    record, year = small().record, YEAR
    late = record.days >= np.datetime64(f"{year}-06-22")  # of the first graft; nothing flies afterwards
    cold = np.where((late & (record.days < np.datetime64(f"{year + 1}-01-01")))[:, None], -5.0, record.temp_c)
    others = np.where((record.days.astype("datetime64[Y]") != np.datetime64(f"{year}"))[:, None], -5.0, cold)
    cases = judge_season(replace(small(), record=replace(record, temp_c=others)), SMALL, year)
    row = row_of(cases, SMALL.grafts(year)[0], 22)
    assert cases.window_hours_came[row] > 1.0
    np.testing.assert_allclose(cases.window_hours[row], cases.window_hours_came[row], atol=1e-9)


def test_what_puts_flying_days_right_is_judged_and_leaves_the_queens_alone() -> None:
    right = Recalibration(-0.4, 0.7, 0.1, 0.1)
    moved = judge_season(replace(small(), days=right), SMALL, YEAR)
    np.testing.assert_allclose(moved.day_p, right.apply(season().day_p), atol=1e-12)
    np.testing.assert_array_equal(moved.day_usual, season().day_usual)
    np.testing.assert_array_equal(moved.window_p, season().window_p)
