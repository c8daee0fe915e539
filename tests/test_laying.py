"""The laying check, and wait or replace: against lives gone through one by one, at the extremes, and in words."""

from __future__ import annotations

import itertools
import json
import math
import re
from dataclasses import replace
from datetime import UTC, date, datetime, time, timedelta
from functools import cache
from pathlib import Path
from typing import TYPE_CHECKING, Any, Literal

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from typer.testing import CliRunner

import matewindow.sources
from matewindow.biology import Biology, load_biology
from matewindow.cli import app
from matewindow.errors import MatewindowError, RequestError
from matewindow.graft import for_nuc
from matewindow.laying import LayingOutlook, laying_outlook
from matewindow.layingreport import laying_message, laying_report
from matewindow.looking import OLDEST_D, LayingCheck, look_slots
from matewindow.outlook import RUN_IN_D, batch_outlook
from matewindow.paths import Sources
from matewindow.replacing import Option, WaitOrReplace
from matewindow.site import Site, read_site
from matewindow.sources import load_sources, site_biology, sources_of
from matewindow.timeline import Batch, Check, emergence_days, graft_time
from tests.made_weather import by_hours, changeable, stand
from tests.reference import life_by_life as reference
from tests.reference.life_by_life import Costs, Life
from tests.reference.naive_flight import naive_pent_up
from tests.reference.queen_by_queen import exact_outcomes, flight_odds, normal_below
from tests.same_names import reference_params
from tests.test_any_request import drawn, no_constant

if TYPE_CHECKING:
    from matewindow.siteweather import SiteWeather

    Saw = Literal["eggs", "virgin", "nothing"]

ROOT = Path(__file__).resolve().parent.parent
SAMPLE = ROOT / "sample_weather"
BIOLOGY = load_biology()
SITE = stand()
GRAFT = date(2026, 5, 10)  # virgins emerge on 22 May, see test_timeline
BORN = date(2026, 5, 22)
BATCH = Batch(graft_time(GRAFT, SITE))
EMERGED = replace(BATCH, emerged=BORN)
START = "2026-05-10"
N_KNOWN = 100
"""Days of weather from the graft on: the window of a cell given 28 days after emergence ends 74 days after the graft."""


def on_age(age: int, hour: int = 8) -> datetime:
    return datetime.combine(BORN, time(hour), tzinfo=UTC) + timedelta(days=age)


def looked(batch: Batch, *checks: tuple[int, Saw]) -> Batch:
    """The batch with looks into the nuc at given ages (counted from 22 May)."""
    return replace(batch, checks=tuple(Check(BORN + timedelta(days=age), saw) for age, saw in checks))


def foretold(*, seed: int = 4, warmth_c: float = 19.0, n_series: int = 2) -> SiteWeather:
    """An ensemble that knows everything: without past years it is taken at face value, each member as often."""
    rng = np.random.default_rng(seed)
    return changeable(START, N_KNOWN, rng, n_series=n_series, kind="ensemble", warmth_c=warmth_c)


def steady(hours: float) -> Sources:
    """The same flight hours every day, all of it known."""
    return Sources(members=by_hours(START, np.full((1, N_KNOWN), hours), kind="ensemble"))


def past_years(seed: int = 5, *, n_years: int = 22, warmth_c: float = 19.0) -> SiteWeather:
    first = 2026 - n_years
    n_days = int((np.datetime64("2026-01-01") - np.datetime64(f"{first}-01-01")).astype(int))
    return changeable(f"{first}-01-01", n_days, np.random.default_rng(seed), warmth_c=warmth_c)


def steady_years(*hours: float) -> SiteWeather:
    """One past year for each figure, the last of them 2025, with so many flight hours on all its days."""
    first = 2026 - len(hours)
    n_days = np.diff(np.array([f"{y}-01-01" for y in range(first, 2027)], dtype="datetime64[D]")).astype(int)
    return by_hours(f"{first}-01-01", np.repeat(hours, n_days))


def outlook(
    batch: Batch,
    sources: Sources,
    now: datetime,
    biology: Biology = BIOLOGY,
    site: Site = SITE,
    *,
    since: date | None = None,
) -> LayingOutlook:
    return laying_outlook(batch, site, sources, now, biology, nuc_without_brood_since=since)


def check_of(found: LayingOutlook) -> LayingCheck:
    assert found.check is not None
    return found.check


def decision_of(found: LayingOutlook) -> WaitOrReplace:
    assert found.decision is not None
    return found.decision


def option(found: LayingOutlook, what: str) -> Option:
    (chosen,) = [o for o in decision_of(found).options if o.what == what]
    return chosen


def worth(chosen: Option) -> float:
    assert chosen.worth is not None
    return chosen.worth


# --- against lives gone through one by one --------------------------------------------------------------------------


@cache
def hours_of(seed: int, warmth_c: float, series: int) -> tuple[float, ...]:
    """Flight hours of a member day by day, from ten days before 21 May on, by the reference."""
    weather = foretold(seed=seed, warmth_c=warmth_c)
    start = int((np.datetime64("2026-05-21") - RUN_IN_D - weather.days[0]).astype(int))
    levels = weather.flight(BIOLOGY.flight, 1.0).effective_h[series, start:]
    return tuple(h for h, _ in naive_pent_up(levels.tolist()))


@cache
def lives_from(seed: int, warmth_c: float, series: int, born: int) -> tuple[Life, ...]:
    """Every life of a queen that emerges on a day counted from 22 May."""
    hours, params = hours_of(seed, warmth_c, series), reference_params(BIOLOGY)
    odds = flight_odds(hours, RUN_IN_D + 1 + born, [1.0] * len(hours), params)
    return tuple(
        Life(
            p,
            series,
            None if o.egg_age is None else born + o.egg_age,
            o.fate == "well_mated",
            None if o.loss_age is None else born + o.loss_age,
        )
        for o, p in exact_outcomes(odds, params).items()
    )


def lives_of(batch: Batch, seed: int, warmth_c: float) -> list[Life]:
    """Every life of the batch's queens in both members, before any look."""
    first, weights = emergence_days(batch, SITE, BIOLOGY)
    start = int((first - np.datetime64(BORN, "D")).astype(int))
    return [
        life._replace(p=life.p * float(weight) / 2.0)
        for series in (0, 1)
        for e, weight in enumerate(weights)
        for life in lives_from(seed, warmth_c, series, start + e)
    ]


def births(on: int) -> dict[int, float]:
    """When a cell given at noon by the clock, 11 UTC in summer, emerges: 36 hours on, SD 10 h, cut at four of them."""
    mean, sd = 11.0 + 36.0, 10.0
    days = range(math.floor((mean - 4.0 * sd) / 24.0), math.floor((mean + 4.0 * sd) / 24.0) + 1)
    share = {on + d: normal_below(24.0 * (d + 1), mean, sd) - normal_below(24.0 * d, mean, sd) for d in days}
    total = math.fsum(share.values())
    return {day: p / total for day, p in share.items()}


def costs_of(biology: Biology) -> Costs:
    d = biology.decision
    return Costs(d.nuc_cost, d.delay_cost_per_d, d.poor_queen_cost, d.mated_queen_cost, d.fresh_bees_cost)


CASES: dict[str, tuple[Batch, int, float]] = {
    "spread emergence, nobody looked": (BATCH, 13, 18.0),
    "emergence seen, nothing at 14": (looked(EMERGED, (14, "nothing")), 14, 18.0),
    "the virgin seen at 15 and 19": (looked(BATCH, (15, "virgin"), (19, "virgin")), 20, 17.0),
    "nothing twice in fine weather": (looked(EMERGED, (14, "nothing"), (22, "nothing")), 22, 21.0),
}


def left_of(batch: Batch, warmth_c: float) -> list[Life]:
    """Every life that agrees with all looks, by the reference."""
    lives = lives_of(batch, 4, warmth_c)
    for check in batch.checks:
        lives = reference.after_look(lives, (check.day - BORN).days, check.saw)
    return lives


@pytest.mark.parametrize("case", CASES)
def test_the_look_is_due_when_nine_tenths_of_the_good_show_eggs_and_tells_what_bayes_says(case: str) -> None:
    batch, age, warmth_c = CASES[case]
    check = check_of(outlook(batch, Sources(members=foretold(warmth_c=warmth_c)), on_age(age)))
    lives = left_of(batch, warmth_c)
    assert check.due == BORN + timedelta(days=reference.day_of_look(lives, 0.9))
    at = (check.day - BORN).days
    good = [life for life in lives if life.good]
    shown = reference.total_of([life for life in good if reference.eggs_by(life, at)]) / reference.total_of(good)
    assert check.shown == pytest.approx(shown, abs=1e-9)
    for found in check.findings:
        agreeing = [
            life
            for life in lives
            if reference.eggs_by(life, at) == (found.saw == "eggs")
            and not (found.saw == "virgin" and life.lost_day is not None and life.lost_day <= at)
        ]
        assert found.p == pytest.approx(reference.total_of(agreeing), abs=1e-9)
        assert found.good is not None
        assert found.good.value == pytest.approx(reference.odds_of_good(agreeing), abs=1e-8)


@pytest.mark.parametrize("nuc", ["mini", "five-frames"])
@pytest.mark.parametrize("case", CASES)
def test_every_plan_is_worth_what_its_lives_come_to_one_by_one(case: str, nuc: Any) -> None:
    """Odds, worth and first day of replacing, of every day and of all four choices, with the nuc's own clock running."""
    batch, age, warmth_c = CASES[case]
    biology = for_nuc(BIOLOGY, nuc)
    since = BORN - timedelta(days=2)
    found = decision_of(outlook(batch, Sources(members=foretold(warmth_c=warmth_c)), on_age(age), biology, since=since))
    lives, costs, worn_out = left_of(batch, warmth_c), costs_of(biology), -2 + 21
    accept, check_age = biology.success.emergence_acceptance, biology.checks.first_check_age_d

    @cache
    def cell(on: int, weather: int) -> tuple[float, float, float]:
        virgins = [
            (born, life._replace(p=life.p * share))
            for born, share in births(on).items()
            for life in lives_from(4, warmth_c, weather, born)
        ]
        return reference.new_cell(virgins, on, age, worn_out, accept, check_age, costs)

    def kinds(on: int) -> dict[str, Any]:
        queen = reference.mated_queen(
            on,
            age,
            worn_out,
            biology.success.introduction,
            biology.laying.introduced_lag_d,
            biology.checks.introduced_check_d,
            costs,
        )
        end = reference.united(on, age, worn_out, costs)
        return {"ripe cell": lambda weather: cell(on, weather), "mated queen": lambda _: queen, "unite": lambda _: end}

    def plan(until: int, then: Any) -> tuple[float, float, float]:
        return reference.plan(lives, age, until, worn_out, costs, then)

    none_today = reference.total_of([life for life in lives if not reference.eggs_by(life, age)])
    assert found.p_none_today == pytest.approx(none_today, abs=1e-9)
    values: dict[str, list[float]] = {kind: [] for kind in kinds(0)}
    for day in found.days:
        for kind, then in kinds(day.age).items():
            values[kind].append(plan(day.age, then)[0])
        left = [life for life in lives if not reference.eggs_by(life, day.age)]
        assert day.none_yet == pytest.approx(reference.total_of(left) / none_today, abs=1e-8)
        assert day.still_good.value == pytest.approx(reference.odds_of_good(left), abs=1e-7)
        by_cell = math.fsum(life.p * cell(day.age, life.weather)[1] for life in left) / reference.total_of(left)
        assert day.cell == pytest.approx(by_cell, abs=1e-8)
        best = max(values, key=lambda kind: values[kind][-1])
        assert day.then == best
        assert day.worth == pytest.approx(values[best][-1], abs=1e-8)
    assert [day.age for day in found.days] == list(range(age, max(28, age + 7) + 1))
    best_of_day = [max(values[kind][i] for kind in values) for i in range(len(found.days))]
    assert found.replace_on == found.days[int(np.argmax(best_of_day))].day
    for chosen in found.options:
        if chosen.what == "wait":
            later = 1 + int(np.argmax(best_of_day[1:]))
            assert chosen.until == found.days[later].day
            expected = plan(found.days[later].age, kinds(found.days[later].age)[str(chosen.then)])
        else:
            expected = plan(age, kinds(age)[chosen.what])
            assert chosen.better_from == found.days[int(np.argmax(values[chosen.what]))].day
        assert chosen.good is not None
        assert (chosen.worth, chosen.good.value) == pytest.approx(expected[:2], abs=1e-8)
        after = None if expected[1] < 1e-9 else found.days[0].day + timedelta(days=round(expected[2] / expected[1]))
        assert chosen.first_egg == after


def test_a_new_cell_is_judged_by_the_years_that_the_looks_speak_for() -> None:
    """A fine and a hopeless past year: no eggs at 16 speaks for the hopeless one, and a new cell would live in it too."""
    sources = Sources(past=steady_years(3.5, 0.3))
    now, checked = on_age(16), looked(EMERGED, (16, "nothing"))
    params, hours = reference_params(BIOLOGY), {0: 3.5, 1: 0.3}

    def lives(year: int, born: int) -> list[Life]:
        # short of an hour a day the queens are shut in: as keen as can be before they emerge, and so every day
        day = naive_pent_up(steady_levels(sources, year))[RUN_IN_D][0]
        odds = flight_odds([day] * 60, 0, [1.0] * 60, params)
        return [
            Life(p, year, None if o.egg_age is None else born + o.egg_age, o.fate == "well_mated")
            for o, p in exact_outcomes(odds, params).items()
        ]

    left = reference.after_look(
        [life._replace(p=life.p / 2.0) for year in hours for life in lives(year, 0)], 16, "nothing"
    )
    weight = {year: reference.total_of([life for life in left if life.weather == year]) for year in hours}
    assert weight[1] > 0.9
    of_year = {year: 0.8 * reference.odds_of_good(lives(year, 17)) for year in hours}
    (today, *_) = decision_of(outlook(checked, sources, now)).days
    assert today.cell is not None
    assert today.cell == pytest.approx(sum(weight[y] * of_year[y] for y in hours), abs=1e-6)
    assert today.cell < 0.5 * sum(of_year.values())
    assert today.still_good.value == pytest.approx(reference.odds_of_good(left), abs=1e-6)


def steady_levels(sources: Sources, year: int) -> list[list[float]]:
    """Flight hours at each level of pent-up drive on forty days of May and June of a steady past year."""
    assert sources.past is not None
    start = int((np.datetime64(f"{2024 + year}-05-12") - sources.past.days[0]).astype(int))
    levels: list[list[float]] = sources.past.flight(BIOLOGY.flight, 1.0).effective_h[0, start : start + 40].tolist()
    return levels


def test_waiting_is_told_with_the_odds_of_the_batchs_own_outlook() -> None:
    sources = Sources(
        observed=changeable(START, 30, np.random.default_rng(1)),
        members=changeable("2026-06-05", 15, np.random.default_rng(2), n_series=15, kind="ensemble"),
        past=past_years(),
    )
    batch, now = looked(BATCH, (12, "virgin")), on_age(14)
    found, beside = outlook(batch, sources, now), batch_outlook(batch, SITE, sources, now, BIOLOGY)
    assert found.well_mated.value == pytest.approx(beside.well_mated.value, abs=1e-12)
    assert (found.well_mated.low, found.well_mated.high) == pytest.approx(
        (beside.well_mated.low, beside.well_mated.high), abs=1e-12
    )
    assert (found.shares, found.warnings, found.born) == (beside.shares, beside.warnings, beside.emergence[1])
    for day in decision_of(found).days:
        assert day.still_good.value == pytest.approx(beside.still_good[day.day], abs=1e-9)
    check = check_of(found)
    assert check.due is not None
    assert beside.laying_by_day[check.day] == pytest.approx(check.findings[0].p, abs=1e-9)


# --- the extremes ---------------------------------------------------------------------------------------------------


def test_in_always_fine_weather_the_look_falls_two_weeks_after_emergence() -> None:
    """COLOSS BEEBOOK, queen rearing 2.2.2: about two weeks; B-THENET sheet: 14 days after emergence.

    Nine tenths of the good ones lay before that, but until then the virgins are left alone.
    """
    for age in (0, 5, 13):
        check = check_of(outlook(EMERGED, steady(4.0), on_age(age)))
        assert (check.day, check.why) == (BORN + timedelta(days=14), "alone")
        assert check.due is not None
        assert BORN + timedelta(days=11) <= check.due < check.day
        assert check.shown is not None
        assert 0.9 < check.shown < 1.0


def test_in_always_fine_weather_the_nuc_is_left_until_then_and_replaced_soon_after() -> None:
    found = decision_of(outlook(EMERGED, steady(4.0), on_age(5)))
    assert found.verdict == "wait"
    assert 12 <= (found.replace_on - BORN).days <= 18
    assert found.with_what == "ripe cell"
    assert found.still_good.value > 0.85


@pytest.mark.parametrize("age", [5, 14, 25])
def test_where_no_queen_ever_flies_waiting_is_beaten_at_once(age: int) -> None:
    """Nor would the virgin of a new cell fly: all that is left is the end of the nuc, or a mated queen if one is to spare."""
    never = steady(0.0)
    found = outlook(EMERGED, never, on_age(age))
    decision = decision_of(found)
    assert (decision.verdict, decision.replace_on, decision.with_what) == ("replace", found.today, "unite")
    assert decision.still_good.value < 1e-9
    assert option(found, "ripe cell").better_from == found.today
    assert check_of(found).due is None
    assert check_of(found).shown is None
    assert [f.good is None for f in check_of(found).findings] == [True, False, False]  # eggs cannot be
    spare = BIOLOGY.with_values({"decision.mated_queen_cost": 0.0})
    decision = decision_of(outlook(EMERGED, never, on_age(age), spare))
    assert (decision.verdict, decision.replace_on, decision.with_what) == ("replace", found.today, "mated queen")


def test_where_it_turned_fine_too_late_for_her_a_new_cell_is_given_at_once() -> None:
    """No flying day to her 25th day of age, fine ones after: she is late in any case, a new virgin would not be."""
    members = by_hours(START, np.where(np.arange(N_KNOWN) < 37, 0.0, 4.0)[None], kind="ensemble")
    found = outlook(looked(EMERGED, (24, "virgin")), Sources(members=members), on_age(24))
    decision = decision_of(found)
    assert (decision.verdict, decision.replace_on, decision.with_what) == ("replace", found.today, "ripe cell")
    assert decision.still_good.value < 0.01
    assert decision.days[0].cell == pytest.approx(0.8 * 0.95, abs=0.05)


def test_once_eggs_were_seen_there_is_nothing_to_look_for_and_nothing_to_replace() -> None:
    found = outlook(looked(BATCH, (12, "virgin"), (15, "eggs")), Sources(past=past_years()), on_age(17))
    assert (found.check, found.decision) == (None, None)
    assert found.eggs_seen == BORN + timedelta(days=15)
    assert found.sealed_brood == BORN + timedelta(days=24)  # nine days from egg to sealed brood
    text = " ".join(laying_message(found))
    assert "Eggs were seen on 6 June: there is nothing to replace." in text
    assert "sealed brood, about Monday 15 June" in text


def test_virgins_that_drones_will_not_reach_are_no_reason_to_wait() -> None:
    site = stand(drones_mature_from=date(2026, 8, 15))
    found = outlook(EMERGED, steady(4.0), on_age(10), site=site)
    assert decision_of(found).verdict == "replace"
    assert decision_of(found).with_what == "unite"


# --- what must always hold ------------------------------------------------------------------------------------------


AGES = st.integers(-10, 40)


@given(st.integers(0, 2_000), st.floats(12.0, 26.0), AGES, st.sampled_from([None, "virgin", "nothing"]))
@settings(max_examples=20, deadline=None)
def test_whatever_the_weather_both_answers_hold_together(seed: int, warmth_c: float, age: int, saw: Saw | None) -> None:
    rng = np.random.default_rng(seed)
    sources = Sources(
        observed=changeable(START, 14 + max(0, age), rng, warmth_c=warmth_c),
        members=changeable(str(on_age(age).date()), 14, rng, n_series=6, kind="ensemble", warmth_c=warmth_c),
        past=past_years(seed % 7, n_years=5, warmth_c=warmth_c),
    )
    batch = looked(BATCH, (age - 1, saw)) if saw and age > 6 else BATCH
    found = outlook(batch, sources, on_age(age))
    check, decision = check_of(found), decision_of(found)
    assert_look_holds(found, check)
    assert_decision_holds(found, decision)
    assert_sensible(found)


def assert_look_holds(found: LayingOutlook, check: LayingCheck) -> None:
    assert check.day >= max(found.today, BORN + timedelta(days=14))
    eggs, virgin, nothing = check.findings
    assert (eggs.saw, virgin.saw, nothing.saw) == ("eggs", "virgin", "nothing")
    assert eggs.p + nothing.p == pytest.approx(1.0, abs=1e-9)
    assert virgin.p <= nothing.p + 1e-12
    # the law of total probability: the look cannot be expected to change the odds
    total = sum(f.p * f.good.value for f in (eggs, nothing) if f.good is not None)
    assert total == pytest.approx(found.well_mated.value, abs=1e-9)
    if virgin.good is not None and nothing.good is not None:  # seeing her rules out only that she is lost
        assert virgin.good.value >= nothing.good.value - 1e-9
    if check.shown is not None:
        assert (check.shown >= 0.9 - 1e-9) == (check.why != "over")


def assert_decision_holds(found: LayingOutlook, decision: WaitOrReplace) -> None:
    days = decision.days
    assert days[0].day == max(found.today, found.born)
    assert [b.day - a.day for a, b in itertools.pairwise(days)] == [timedelta(days=1)] * (len(days) - 1)
    assert days[0].none_yet == pytest.approx(1.0)
    assert all(b.none_yet <= a.none_yet + 1e-12 for a, b in itertools.pairwise(days))
    later = [d.none_yet * d.still_good.value for d in days]  # chance of no eggs yet and still good: falls day by day
    assert all(b <= a + 1e-9 for a, b in itertools.pairwise(later))
    assert max(d.worth for d in days) == pytest.approx(next(d.worth for d in days if d.day == decision.replace_on))
    assert decision.equal_from <= decision.replace_on <= decision.equal_to
    assert [d.day for d in days if d.equal] == [
        decision.equal_from + timedelta(days=i) for i in range((decision.equal_to - decision.equal_from).days + 1)
    ]
    verdict = "replace" if decision.replace_on == days[0].day else "either" if days[0].equal else "wait"
    assert decision.verdict == verdict
    for odds in (d.still_good for d in days):
        assert odds.low is not None
        assert odds.high is not None
        assert 0.0 <= odds.low <= odds.value <= odds.high <= 1.0
    assert {o.what for o in decision.options} == {"wait", "ripe cell", "mated queen", "unite"}
    assert any(o.equal for o in decision.options)


def assert_sensible(found: LayingOutlook) -> None:
    """No message names a day that is past as one to come, shows 0 or 100 %, or leaves a gap in a sentence."""
    parts = laying_message(found)
    assert 2 <= len(parts) <= 5
    text = " ".join(parts)
    assert not re.search(r"nan|None|\b(?:0|100) %|  |\.\.|\(\)| ,|-\d", text), text
    for part in parts:
        assert part[0].isupper(), part
        assert part.endswith("."), part
    for day, month in re.findall(r"(?:until|by about|already about|past about) \w+day (\d+) (\w+)", text):
        said = datetime.strptime(f"{day} {month} {found.today.year}", "%d %B %Y").date()  # noqa: DTZ007  a date
        assert said >= found.today, text
    json.dumps(laying_report(found, Sources(), BIOLOGY), allow_nan=False)


def test_the_dearer_a_day_the_sooner_a_nuc_is_ended() -> None:
    """True of the end of the nuc alone: after a new cell the days run on, so that a dear day may speak for her who is there."""
    sources = Sources(past=past_years())
    ends = [
        option(outlook(EMERGED, sources, on_age(8), BIOLOGY.with_values({"decision.delay_cost_per_d": c})), "unite")
        for c in (0.0, 0.03, 0.08, 0.15, 0.2)
    ]
    days = [o.better_from for o in ends]
    assert days == sorted(days, reverse=True)  # type: ignore[type-var]
    assert len(set(days)) > 2


def test_the_dearer_a_mated_queen_the_later_she_is_given() -> None:
    sources = Sources(past=past_years())
    given_on = [
        option(
            outlook(EMERGED, sources, on_age(8), BIOLOGY.with_values({"decision.mated_queen_cost": c})), "mated queen"
        ).better_from
        for c in (0.0, 0.4, 0.7, 1.0, 2.0)
    ]
    assert given_on == sorted(given_on)  # type: ignore[type-var]
    assert len(set(given_on)) > 2


def test_a_week_of_waiting_costs_a_fifth_of_a_queen() -> None:
    """0.03 a nuc and day, 0.21 a week: the project's own reckoning of 0.75 queens in 21 days. Seen where nothing else happens."""
    found = decision_of(outlook(EMERGED, steady(0.0), on_age(8), since=BORN + timedelta(days=8)))
    by_age = {d.age: d.worth for d in found.days}
    assert by_age[8] - by_age[15] == pytest.approx(0.21, abs=1e-9)
    assert by_age[8] == pytest.approx(-0.3, abs=1e-9)  # a mini-nuc that is ended at once


# --- published values -----------------------------------------------------------------------------------------------


def test_a_new_cell_in_an_ordinary_summer_does_what_published_cells_do() -> None:
    """Pérez-Sato and Ratnieks 2006, Apidologie 37(5):571-576: 70 % of ripe cells gave a laying queen, 12.9 days after
    emergence on average; 0.6 to 0.8 and 11.5 to 14 allowed. Sheffield, here sample weather like it.
    """
    now = datetime(2026, 6, 1, 6, tzinfo=UTC)
    site = read_site(SAMPLE / "site.toml")
    biology = site_biology(site, BIOLOGY)
    found = laying_outlook(
        Batch(graft_time(date(2026, 5, 5), site)), site, load_sources(SAMPLE, site, biology), now, biology
    )
    cell = option(found, "ripe cell")
    assert cell.good is not None
    assert 0.6 <= cell.good.value <= 0.8
    assert cell.first_egg is not None
    assert 11.5 <= (cell.first_egg - found.today).days - biology.development.ripe_cell_emergence_d <= 14.0


def test_without_eggs_a_queen_is_given_up_between_the_first_check_and_four_weeks() -> None:
    """COLOSS BEEBOOK, queen rearing 2.2.2: first check after two weeks, no mating by three weeks is too late; four weeks are
    the end by common practice. Over many invented summers from cool to warm.
    """
    ages = []
    for seed, warmth_c in itertools.product(range(4), (17.0, 19.0, 22.0)):
        sources = Sources(past=past_years(seed, n_years=12, warmth_c=warmth_c))
        ages.append((decision_of(outlook(EMERGED, sources, on_age(6))).replace_on - BORN).days)
    assert all(14 <= age <= 28 for age in ages), ages
    assert 17 <= np.median(ages) <= 25


def test_the_virgin_is_a_worry_at_three_weeks_and_over_at_four_and_a_nuc_without_brood_wears_out_in_three() -> None:
    """Three weeks of age: COLOSS BEEBOOK, queen rearing 2.2.2. Four weeks, and three without brood: common practice."""
    found = outlook(replace(BATCH, moved=datetime(2026, 5, 20, 17, tzinfo=UTC)), Sources(past=past_years()), on_age(9))
    clocks = found.clocks
    assert clocks.age == 9
    assert (clocks.uneasy_on, clocks.over_on) == (date(2026, 6, 12), date(2026, 6, 19))
    assert (clocks.without_brood_since, clocks.told, clocks.worn_out_on) == (
        date(2026, 5, 20),
        False,
        date(2026, 6, 10),
    )
    told = outlook(BATCH, Sources(past=past_years()), on_age(9), since=date(2026, 5, 28)).clocks
    assert (told.without_brood_since, told.told, told.worn_out_on) == (date(2026, 5, 28), True, date(2026, 6, 18))
    unknown = outlook(BATCH, Sources(past=past_years()), on_age(9)).clocks
    assert unknown.without_brood_since == date(2026, 5, 20)  # ten days after the graft the cells were ripe


def test_a_nuc_worn_out_needs_young_bees_whichever_way_it_goes_on() -> None:
    """0.2 of a queen, off every choice but its end."""
    sources = Sources(past=past_years())
    batch, now = looked(EMERGED, (14, "nothing")), on_age(14)
    fresh, worn = (outlook(batch, sources, now, since=BORN + timedelta(days=d)) for d in (10, -10))
    for what in ("ripe cell", "mated queen"):
        lost = worth(option(fresh, what)) - worth(option(worn, what))
        assert 0.0 < lost <= 0.2 + 1e-9
    assert worth(option(fresh, "unite")) == pytest.approx(worth(option(worn, "unite")))
    assert "the nuc has been worn out since about 2 June" in " ".join(laying_message(worn))


# --- each parameter counts ------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("name", "value", "what", "better"),
    [
        ("development.ripe_cell_emergence_d", 2.5, "ripe cell", False),
        ("success.introduction", 0.95, "mated queen", True),
        ("laying.introduced_lag_d", 9.0, "mated queen", False),
        ("checks.introduced_check_d", 14.0, "mated queen", False),
        ("decision.mated_queen_cost", 0.2, "mated queen", True),
        ("decision.fresh_bees_cost", 0.9, "ripe cell", False),
        ("decision.poor_queen_cost", 2.0, "ripe cell", False),
        ("decision.nuc_cost", 1.0, "unite", False),
        ("success.emergence_acceptance", 0.95, "ripe cell", True),
    ],
)
def test_a_parameter_moves_what_it_is_meant_to(name: str, value: float, what: str, better: bool) -> None:  # noqa: FBT001
    sources, batch = Sources(past=past_years(n_years=8)), looked(EMERGED, (14, "nothing"))
    before = option(outlook(batch, sources, on_age(14)), what)
    after = option(outlook(batch, sources, on_age(14), BIOLOGY.with_values({name: value})), what)
    assert (worth(after) > worth(before) + 1e-3) if better else (worth(after) < worth(before) - 1e-3)


# --- ties -----------------------------------------------------------------------------------------------------------


def test_where_all_is_known_and_small_differences_count_one_day_alone_is_the_best() -> None:
    strict = BIOLOGY.with_values({"decision.tie_points": 0.0})
    found = decision_of(outlook(EMERGED, steady(2.0), on_age(8), strict))
    assert found.equal_from == found.replace_on == found.equal_to
    loose = decision_of(outlook(EMERGED, steady(2.0), on_age(8)))
    assert loose.replace_on == found.replace_on
    assert loose.equal_from < loose.replace_on or loose.replace_on < loose.equal_to


@pytest.mark.parametrize("hours", [0.5, 1.0, 2.0, 4.0])
def test_days_are_equal_if_who_stands_on_the_earlier_without_eggs_gains_little_by_the_other(hours: float) -> None:
    """One weather, so that nothing but the size of the difference counts: 0.05 of a queen."""
    found = decision_of(outlook(EMERGED, steady(hours), on_age(8)))
    best = next(i for i, d in enumerate(found.days) if d.day == found.replace_on)
    gap = [(found.days[best].worth - d.worth) / found.days[min(i, best)].none_yet for i, d in enumerate(found.days)]
    low = next(i for i in range(best, -2, -1) if i < 0 or gap[i] >= 0.05) + 1
    high = next(i for i in range(best, len(gap) + 1) if i == len(gap) or gap[i] >= 0.05) - 1
    assert (found.equal_from, found.equal_to) == (found.days[low].day, found.days[high].day)
    assert low < high


def test_a_day_whose_gain_hangs_on_a_few_years_is_no_better_than_its_neighbours() -> None:
    """Many years of weather by chance leave more days equal than the same mean known for certain, size rule off."""
    strict = BIOLOGY.with_values({"decision.tie_points": 0.0})
    years = steady_years(*np.linspace(0.2, 3.8, 12))
    found = decision_of(outlook(EMERGED, Sources(past=years), on_age(8), strict))
    assert (found.equal_to - found.equal_from).days >= 1
    assert found.equal_from <= found.replace_on <= found.equal_to


def test_differences_are_between_days_on_the_same_years() -> None:
    """Years from hopeless to fine: the worth of waiting is uncertain by far, yet that 28 days is too long holds in all."""
    years = steady_years(*np.linspace(0.2, 3.8, 12))
    found = decision_of(outlook(EMERGED, Sources(past=years), on_age(8)))
    assert found.still_good.width > 0.1
    assert not found.days[-1].equal
    assert not found.days[0].equal


@pytest.mark.parametrize(("n_years", "known"), [(4, False), (5, True)])
def test_with_fewer_than_five_years_no_range_is_given_and_that_is_said(n_years: int, known: bool) -> None:  # noqa: FBT001
    found = outlook(BATCH, Sources(past=past_years(n_years=n_years)), on_age(8))
    assert all((d.still_good.low is not None) == known for d in decision_of(found).days)
    assert (option(found, "ripe cell").good.low is not None) == known  # type: ignore[union-attr]
    said = "How firm they are cannot be told with so few past years." in " ".join(laying_message(found))
    assert said != known


# --- what is not known ----------------------------------------------------------------------------------------------


def test_where_no_weather_reaches_a_new_cells_window_its_odds_are_not_made_up() -> None:
    """A forecast to 8 June alone: the queen's window is known in part, that of a cell given today is not."""
    members = by_hours(START, np.full((3, 30), 2.0), kind="ensemble")
    found = outlook(looked(EMERGED, (14, "nothing")), Sources(members=members), on_age(14))
    cell, decision = option(found, "ripe cell"), decision_of(found)
    assert (cell.good, cell.worth, cell.first_egg, cell.better_from, cell.equal) == (None, None, None, None, False)
    assert {d.cell for d in decision.days} == {None}
    assert "ripe cell" not in {d.then for d in decision.days}
    text = " ".join(laying_message(found))
    assert "What a new cell would come to is not known: no weather covers its mating window." in text
    assert "Days that no weather covers count as without flight: waiting is worth more than is said here." in text
    assert_sensible(found)


def test_past_years_that_lack_the_start_of_the_window_still_judge_a_new_cell() -> None:
    """A record of each June to September: too short for the batch, whose window is measured, but not for a cell."""
    days = np.arange("2010-01-01", "2026-01-01", dtype="datetime64[D]")
    of_year = (days - days.astype("datetime64[Y]")).astype(int)
    past = by_hours("2010-01-01", np.where((of_year > 160) & (of_year < 270), 2.0, np.nan))
    observed = by_hours(START, np.full(42, 0.1))
    found = outlook(looked(EMERGED, (20, "virgin")), Sources(observed=observed, past=past), on_age(20))
    whole = by_hours("2010-01-01", np.full(len(days), 2.0))
    beside = outlook(EMERGED, Sources(past=whole), on_age(20))
    cell = decision_of(found).days[0].cell
    assert cell is not None
    assert cell == pytest.approx(decision_of(beside).days[0].cell, abs=0.02)


def test_a_nuc_without_brood_from_a_day_to_come_is_refused() -> None:
    with pytest.raises(RequestError, match="2026-06-03 lies in the future: today is 2026-06-02") as refused:
        outlook(BATCH, Sources(past=past_years(n_years=2)), on_age(11), since=date(2026, 6, 3))
    assert refused.value.where == "nuc without brood since"


def test_virgins_too_old_for_any_decision_are_refused_the_day_after_the_last() -> None:
    sources = Sources(past=past_years(n_years=2))
    assert outlook(BATCH, sources, on_age(OLDEST_D)).clocks.age == OLDEST_D
    with pytest.raises(RequestError, match="would be 61 days old"):
        outlook(BATCH, sources, on_age(OLDEST_D + 1))


@pytest.mark.parametrize("checks", [((2, "eggs"),), ((14, "eggs"), (15, "virgin"))])
def test_looks_that_cannot_be_are_refused_as_in_the_outlook(checks: tuple[tuple[int, Saw], ...]) -> None:
    with pytest.raises(RequestError, match="cannot be"):
        outlook(looked(EMERGED, *checks), Sources(past=past_years(n_years=2)), on_age(17))


# --- the time of the look -------------------------------------------------------------------------------------------


def spans(day: date, site: Site, not_before: datetime | None = None) -> list[tuple[str, str]]:
    slots = look_slots(day, site, BIOLOGY, not_before=not_before)
    return [(f"{a:%d %H:%M}", f"{b:%d %H:%M}") for a, b in slots]


def test_a_nuc_is_opened_outside_eleven_to_four_and_by_daylight() -> None:
    """COLOSS BEEBOOK, queen rearing 2.2.2: not from 11 to 16. Greenwich on the longest day: 3:43 to 20:21 UTC (from memory).

    In summer time the mating window, 12 to 4 by the sun, ends two minutes past 17 by the clock.
    """
    greenwich = stand(latitude=51.48, timezone="Europe/London")
    (early, late) = look_slots(date(2026, 6, 21), greenwich, BIOLOGY)
    assert (f"{early[1]:%H:%M}", f"{late[0]:%H:%M}") == ("11:00", "17:30")
    assert abs(early[0] - datetime(2026, 6, 21, 3, 43, tzinfo=UTC)) < timedelta(minutes=3)
    assert abs(late[1] - datetime(2026, 6, 21, 20, 21, tzinfo=UTC)) < timedelta(minutes=3)


@pytest.mark.parametrize(
    ("hour_utc", "expected"),
    [
        (2, ["04", "17:00"]),  # before dawn: the whole day is there
        (8, ["09:00", "17:00"]),
        (10, ["17:00"]),  # 11:00 by the clock: the quiet hours begin
        (13, ["17:00"]),
        (18, ["19:00"]),
        (20, []),  # 21:00 by the clock, twenty minutes of light are not enough
    ],
)
def test_quiet_hours_under_way_push_the_look_past_them(hour_utc: int, expected: list[str]) -> None:
    """Age 14, the day of the first check; the clock is at UTC + 1 h."""
    now = datetime(2026, 6, 5, hour_utc, tzinfo=UTC)
    found = spans(date(2026, 6, 5), SITE, now)
    assert len(found) == len(expected)
    assert all(a.startswith(f"05 {start}") for (a, _), start in zip(found, expected, strict=True))
    check = check_of(outlook(EMERGED, steady(4.0), now))
    assert check.day == (date(2026, 6, 5) if expected else date(2026, 6, 6))
    assert check.at is not None
    assert check.at >= now
    quiet = range(11, 17)
    assert check.at.astimezone(SITE.zone).hour not in quiet
    assert check.why == ("alone" if expected else "past")


def test_no_second_look_is_asked_for_on_a_day_on_which_there_was_one() -> None:
    for age in (16, 24, 33):
        check = check_of(outlook(looked(EMERGED, (14, "nothing"), (age, "nothing")), steady(4.0), on_age(age)))
        assert check.day > BORN + timedelta(days=age)


def test_a_look_overdue_is_made_today() -> None:
    check = check_of(outlook(EMERGED, steady(4.0), on_age(18)))
    assert (check.day, check.why) == (BORN + timedelta(days=18), "past")
    text = " ".join(laying_message(outlook(EMERGED, steady(4.0), on_age(18))))
    assert "Look for eggs today before 11:00 or after 17:00: more than 9 in 10 of the well mated" in text
    assert "Look first: 9" in text


def test_a_look_is_due_no_later_than_the_age_at_which_the_trade_gives_up() -> None:
    """Two flying days, at 21 and 26 days of age: who needs both, a third of the good, lays about her 29th day."""
    members = by_hours(START, np.where(np.isin(np.arange(N_KNOWN), (33, 38)), 4.0, 0.0)[None], kind="ensemble")
    check = check_of(outlook(EMERGED, Sources(members=members), on_age(15)))
    assert check.due is not None
    assert check.due > BORN + timedelta(days=28)
    assert (check.day, check.why) == (BORN + timedelta(days=28), "over")


def test_the_sites_own_quiet_hours_count_and_may_leave_no_time() -> None:
    own = stand(quiet_hours=(9.0, 18.5))
    early, late = spans(date(2026, 6, 5), own)
    assert (early[1], late[0]) == ("05 09:00", "05 18:30")
    evening = stand(quiet_hours=(4.0, 21.3))  # what is left is before dawn and after dusk
    assert spans(date(2026, 6, 5), evening) == [("05 00:00", "05 04:00"), ("05 21:18", "06 00:00")]
    shut = stand(quiet_hours=(0.0, 24.0))
    assert spans(date(2026, 6, 5), shut) == []
    found = outlook(EMERGED, steady(4.0), on_age(5), site=shut)
    assert check_of(found).at is None
    assert check_of(found).day == BORN + timedelta(days=14)
    assert "your quiet hours leave no time of the day" in " ".join(laying_message(found))


def test_in_autumn_when_the_quiet_hours_end_in_the_dark_the_look_is_before_them() -> None:
    """At 57 degrees north on 5 November the sun sets soon after four."""
    site = stand(latitude=57.0, quiet_hours=(10.0, 17.0))
    members = by_hours("2026-10-10", np.full((1, N_KNOWN), 4.0), kind="ensemble")
    batch, now = Batch(graft_time(date(2026, 10, 10), site)), datetime(2026, 10, 25, 8, tzinfo=UTC)
    found = outlook(batch, Sources(members=members), now, site=site)
    check = check_of(found)
    assert [f"{end:%d %H:%M}" for _, end in check.slots] == ["05 10:00"]
    assert check.at == datetime(2026, 11, 5, 9, tzinfo=UTC)
    assert "Leave the nuc alone until Thursday 5 November, then look for eggs before 10:00: " in " ".join(
        laying_message(found)
    )


# --- where the calendar and the sun part ----------------------------------------------------------------------------


PLACES = {  # latitude, longitude, zone, days by which the calendar runs ahead of the solar day
    "Chatham": (-44.0, -176.5, "Pacific/Chatham", 1),
    "Fiji, east of 180": (-17.0, -179.9, "Pacific/Fiji", 1),
    "Fiji, west of 180": (-17.0, 178.4, "Pacific/Fiji", 0),
    "Auckland": (-36.8, 174.8, "Pacific/Auckland", 0),
    "Pago Pago": (-14.3, -170.7, "Pacific/Pago_Pago", 0),
    "Tasmania": (-42.0, 147.0, "Australia/Hobart", 0),
}


@pytest.mark.parametrize("place", PLACES)
def test_elsewhere_the_same_weather_by_the_sun_gives_the_same_answer_on_the_local_calendar(place: str) -> None:
    """Also beside the date line and in the south; the look stays outside eleven to four of the local clock."""
    latitude, longitude, zone, ahead = PLACES[place]
    site = stand(latitude=latitude, longitude=longitude, timezone=zone)
    assert site.day_shift == ahead
    sources, sun_ahead = Sources(members=foretold(warmth_c=18.0)), timedelta(hours=longitude / 15.0)
    grafted, now = datetime(2026, 5, 10, 12, tzinfo=UTC), datetime(2026, 6, 5, 8, tzinfo=UTC)
    seen = date(2026, 6, 4)
    here = outlook(
        Batch(grafted - sun_ahead, checks=(Check(seen + timedelta(days=ahead), "nothing"),)),
        sources,
        now - sun_ahead,
        site=site,
    )
    there = outlook(Batch(grafted, checks=(Check(seen, "nothing"),)), sources, now)
    shift = timedelta(days=ahead)
    assert (here.today, here.born) == (there.today + shift, there.born + shift)
    for name in ("uneasy_on", "over_on", "without_brood_since", "worn_out_on"):
        assert getattr(here.clocks, name) == getattr(there.clocks, name) + shift
    assert check_of(here).day == check_of(there).day + shift
    # solar days begin at full hours of UTC, and noon of the clock is not noon of the sun: cells emerge some hours apart
    for a, b in zip(decision_of(here).days, decision_of(there).days, strict=True):
        assert a.day == b.day + shift
        assert a.still_good.value == pytest.approx(b.still_good.value, abs=0.02)
        assert a.cell == pytest.approx(b.cell, abs=0.05)
    at = check_of(here).at
    assert at is not None
    local = at.astimezone(site.zone)
    assert local.date() == check_of(here).day
    assert not 11 <= local.hour < 16


# --- words ----------------------------------------------------------------------------------------------------------


def test_a_nuc_to_wait_for_is_told_when_to_look_and_from_when_another_queen_is_better() -> None:
    found = outlook(BATCH, Sources(past=past_years()), on_age(5))
    who, look, decide, clocks, why = laying_message(found)
    assert who == "Batch grafted 10 May: virgins emerged about 22 May, 5 days old today."
    assert re.match(r"Leave the nuc alone until \w+ \d+ June, then look for eggs before 11:00 or after 17:00: ", look)
    assert re.search(r"Eggs would mean \d\d % well mated, no eggs \d\d? % \(\d\d? % if you see her\)\.", look)
    assert re.match(r"Wait: a nuc without eggs today is (very )?likely to come good if left \(\d\d %", decide)
    assert re.search(
        r"If there are still no eggs by about \w+ \d+ June, a ripe cell is the better bet from then on", decide
    )
    assert clocks.startswith(
        "Two clocks: the virgin is a worry from 12 June, over by 19 June; the nuc is worn out about"
    )
    assert why == "Why: the odds rest mainly on past years."


def test_a_queen_to_replace_is_to_be_taken_out_first() -> None:
    found = outlook(looked(EMERGED, (14, "nothing"), (24, "nothing")), steady(4.0), on_age(24))
    (_, decide, *_) = laying_message(found)
    assert re.match(
        r"Do not wait any longer, give it a ripe cell: of nucs without eggs today 1 % come good if left, 7\d % with a",
        decide,
    )
    assert "Take the old queen out first; if you do not find her, give a test frame of eggs" in decide
    assert not any(part.startswith("Leave the nuc alone") for part in laying_message(found))


def test_where_nobody_looked_today_replacing_hangs_on_there_being_no_eggs() -> None:
    found = outlook(looked(EMERGED, (14, "nothing")), steady(4.0), on_age(24))
    assert any(
        part.startswith(("If there are no eggs today, do not wait", "Look first: ")) for part in laying_message(found)
    )


def test_before_they_emerge_there_is_nothing_to_decide() -> None:
    found = outlook(BATCH, Sources(past=past_years()), datetime(2026, 5, 12, 8, tzinfo=UTC))
    who, _, decide, *_ = laying_message(found)
    assert who == "Batch grafted 10 May: virgins emerge about 22 May."
    assert decide.startswith(
        "There is nothing to decide before the virgins emerge. If there are still no eggs by about "
    )
    assert decision_of(found).days[0].day == BORN


def test_when_it_makes_no_difference_that_is_what_is_said() -> None:
    """Every day from some early one to the best is equal: then standing on it, the keeper is free to choose."""
    sources = Sources(past=past_years())
    best = decision_of(outlook(EMERGED, sources, on_age(8)))
    before = (best.replace_on - BORN).days - 1
    found = outlook(looked(EMERGED, (before, "nothing")), sources, on_age(before))
    assert decision_of(found).verdict == "either"
    text = " ".join(laying_message(found))
    assert "No real difference between a ripe cell today and waiting: of nucs without eggs today" in text
    assert_sensible(found)


# --- the command ----------------------------------------------------------------------------------------------------


COMMAND = [
    "laying",
    "--site",
    str(SAMPLE / "site.toml"),
    "--weather",
    str(SAMPLE),
    "--now",
    "2026-06-01T06:00Z",
]


def run(*arguments: str, columns: str = "120") -> str:
    result = CliRunner().invoke(app, [*COMMAND, *arguments], catch_exceptions=False, env={"COLUMNS": columns})
    assert result.exit_code == 0, result.output
    return result.output


def test_the_command_prints_the_report_to_the_last_digit() -> None:
    site = read_site(SAMPLE / "site.toml")
    biology = for_nuc(site_biology(site, BIOLOGY), "few-frames").with_values({"decision.mated_queen_cost": 0.5})
    sources = load_sources(SAMPLE, site, biology)
    batch = Batch(graft_time(date(2026, 5, 5), site), checks=(Check(date(2026, 5, 31), "virgin"),))
    now = datetime(2026, 6, 1, 6, tzinfo=UTC)
    found = laying_outlook(batch, site, sources, now, biology, nuc_without_brood_since=date(2026, 5, 20))
    printed = run(
        "--graft", "2026-05-05", "--check", "2026-05-31:virgin", "--nuc", "few-frames", "--mated-queen-cost", "0.5",
        "--nuc-without-brood-since", "2026-05-20", "--json",
    )  # fmt: skip
    assert json.loads(printed) == json.loads(json.dumps(laying_report(found, sources, biology)))


def test_the_report_names_every_number_that_the_answer_holds() -> None:
    report = json.loads(run("--graft", "2026-05-05", "--check", "2026-05-31:virgin", "--json"))
    assert report["message"] == " ".join(report["message_parts"])
    assert set(report["clocks"]) == {
        "age", "uneasy_on", "over_on", "nuc_without_brood_since", "nuc_without_brood_told", "nuc_worn_out_on",
    }  # fmt: skip
    assert [f["saw"] for f in report["check"]["findings"]] == ["eggs", "virgin", "nothing"]
    for span in report["check"]["times"]:
        assert span["from"] < span["to"]
    decision = report["decision"]
    assert decision["no_real_difference"][0] <= decision["replace_on"] <= decision["no_real_difference"][1]
    assert [d["date"] for d in decision["days"]] == sorted(d["date"] for d in decision["days"])
    assert {o["what"] for o in decision["options"]} == {"wait", "ripe cell", "mated queen", "unite"}
    assert report["costs"] == {
        "nuc": 0.3, "delay_per_day": 0.03, "poor_queen": 0.9, "mated_queen": 1.0, "fresh_bees": 0.2,
    }  # fmt: skip
    assert report["cautions"]
    assert report["sources"]


@pytest.mark.parametrize("columns", ["50", "80", "200"])
def test_the_answer_comes_first_and_no_digit_is_cut_off(columns: str) -> None:
    arguments = ["--graft", "2026-05-05", "--check", "2026-05-31:virgin"]
    narrow, wide = run(*arguments, columns=columns), run(*arguments, columns="400")
    assert narrow.startswith("Batch grafted 5 May: virgins emerged")
    assert "…" not in narrow
    for sign in "0123456789%":
        assert narrow.count(sign) == wide.count(sign), sign
    assert wide.index("Wait: ") < wide.index("What a look on ") < wide.index("If there are no eggs today")
    assert re.search(r"\breplace from\b", wide)


def test_after_eggs_the_command_shows_no_tables_of_waiting() -> None:
    text = run("--graft", "2026-05-05", "--check", "2026-05-31:eggs")
    assert "there is nothing to replace" in text
    assert "Day by day" not in text


@pytest.mark.parametrize("group", range(4))
def test_any_request_gets_an_answer_that_holds_together_or_one_message(
    group: int, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Sites anywhere, weather with holes and whole parts missing, looks by chance: as for the other commands."""
    answered = 0
    for seed in range(group, 32, 4):
        request = drawn(seed)
        (tmp_path / "site.toml").write_text(request.site, encoding="utf-8")
        weather = request.weather
        monkeypatch.setattr(
            matewindow.sources, "load_sources", lambda _, site, bio, w=weather: sources_of(w, site, bio)
        )
        line = ["laying", "--site", str(tmp_path / "site.toml"), "--weather", str(tmp_path)]
        result = CliRunner().invoke(app, [*line, *request.commands["window"], "--json"])
        if result.exception is not None:
            assert isinstance(result.exception, MatewindowError), f"seed {seed}: {result.exception!r}"
            continue
        report = json.loads(result.output, parse_constant=no_constant)
        answered += 1
        assert not re.search(r"nan|None|\b(?:0|100) %|  |\.\.", report["message"]), f"seed {seed}"
        assert (report["decision"] is None) == (report["eggs_seen"] is not None)
        assert (report["check"] is None) == (report["eggs_seen"] is not None)
    assert answered


@pytest.mark.parametrize(
    ("arguments", "said"),
    [
        (["--graft", "2026-05-05", "--nuc-without-brood-since", "2026-07-01"], "lies in the future"),
        (["--graft", "2026-05-05", "--nuc-without-brood-since", "soon"], "is no date"),
        (["--graft", "2026-05-05", "--mated-queen-cost", "7"], "outside"),
        (["--graft", "2026-03-01"], "days old"),
        (["--graft", "2026-05-05", "--check", "2026-05-18:eggs"], "cannot be"),
    ],
)
def test_a_mistake_is_refused_in_one_message(arguments: list[str], said: str) -> None:
    result = CliRunner().invoke(app, [*COMMAND, *arguments])
    assert said in str(result.exception)
    assert type(result.exception).__module__ == "matewindow.errors"
