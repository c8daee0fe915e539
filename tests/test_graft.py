"""The graft decision: odds and utility by hand, differences paired, equal days called equal, the keeper's limits named."""

from __future__ import annotations

import math
from dataclasses import replace
from datetime import UTC, date, datetime, timedelta
from typing import TYPE_CHECKING, Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.stats import binom

from matewindow.biology import Biology, load_biology
from matewindow.errors import RequestError
from matewindow.graft import GraftDay, GraftDecision, for_nuc, graft_decision, laying_range
from matewindow.limits import Limits
from matewindow.outlook import RUN_IN_D, batch_outlook
from matewindow.paths import Sources
from matewindow.timeline import Batch, emergence_days, graft_time
from tests.made_weather import by_hours, changeable, stand
from tests.reference.naive_flight import naive_pent_up
from tests.reference.queen_by_queen import exact_outcomes, flight_odds
from tests.same_names import reference_params

if TYPE_CHECKING:
    from matewindow.siteweather import SiteWeather

BIOLOGY = load_biology()
SITE = stand()
FIRST = date(2026, 5, 18)  # a Monday
NOW = datetime(2026, 5, 17, 8, tzinfo=UTC)
AFTER = datetime(2026, 9, 20, 9, tzinfo=UTC)
FREE = {"decision.delay_cost_per_d": 0.0}
NO_TIES_BY_SIZE = {"decision.tie_points": 0.0, "decision.tie_days": 0.0}


def decide(
    sources: Sources, n_days: int = 5, now: datetime = NOW, biology: Biology = BIOLOGY, **more: Any
) -> GraftDecision:
    return graft_decision(more.pop("site", SITE), sources, FIRST, n_days, now, biology, **more)


def steady_past(hours: float | list[float], first: int = 2001) -> SiteWeather:
    """25 past years, the same flight hours every day; one figure for all years or one for each."""
    days = np.arange(f"{first}-01-01", f"{first + 25}-01-01", dtype="datetime64[D]")
    year = days.astype("datetime64[Y]").astype(int) + 1970 - first
    return by_hours(f"{first}-01-01", np.broadcast_to(np.asarray(hours, dtype=np.float64), 25)[year])


def changeable_past(seed: int = 5, n_years: int = 22) -> SiteWeather:
    first = 2026 - n_years
    n_days = int((np.datetime64("2026-01-01") - np.datetime64(f"{first}-01-01")).astype(int))
    return changeable(f"{first}-01-01", n_days, np.random.default_rng(seed))


# --- the numbers of one day ---------------------------------------------------------------------------------------


def by_hand(day: date, weather: SiteWeather, by: date | None) -> dict[str, float]:
    """Odds of a graft under observed weather, every course of every emergence day added up by the reference."""
    first, weights = emergence_days(Batch(graft_time(day, SITE)), SITE, BIOLOGY)
    start = int((first - RUN_IN_D - weather.days[0]).astype(int))
    hours = [h for h, _ in naive_pent_up(weather.flight(BIOLOGY.flight, 1.0).effective_h[0, start:].tolist())]
    found = dict.fromkeys(("well", "poor", "failed", "in_time", "egg_day", "born"), 0.0)
    epoch = np.datetime64(FIRST, "D")
    deadline = 10_000 if by is None else int((np.datetime64(by, "D") - epoch).astype(int))
    for e, weight in enumerate(weights):
        born = int((first - epoch).astype(int)) + e
        found["born"] += weight * born
        odds = flight_odds(hours, RUN_IN_D + e, [1.0] * len(hours), reference_params(BIOLOGY))
        for outcome, p in exact_outcomes(odds, reference_params(BIOLOGY)).items():
            if outcome.fate == "well_mated" and outcome.egg_age is not None:
                found["well"] += weight * p
                found["egg_day"] += weight * p * (born + outcome.egg_age)
                found["in_time"] += weight * p * (born + outcome.egg_age <= deadline)
            else:
                found["poor" if outcome.egg_age is not None else "failed"] += weight * p
    return found


def utility_by_hand(found: dict[str, float], earliest: float) -> float:
    """One nuc, in laying queens: 1 in lay, -0.3 failed, -0.9 poor, -0.03 a day held from the earliest possible on; 20 % give no virgin.

    A nuc that fails is held until the check 14 days after emergence.
    """
    check = found["born"] + 14.0
    held = found["egg_day"] - earliest * found["well"] + (found["failed"] + found["poor"]) * (check - earliest)
    gain = found["in_time"] - 0.3 * found["failed"] - 0.9 * found["poor"] - 0.03 * held
    return 0.8 * gain - 0.2 * (0.3 + 0.03 * (check - earliest))


@pytest.mark.parametrize("by", [None, date(2026, 6, 12)], ids=["no deadline", "deadline 12 June"])
def test_odds_dates_and_utility_are_those_worked_out_by_hand(by: date | None) -> None:
    weather = changeable("2026-05-01", 120, np.random.default_rng(3), warmth_c=18.5)
    found = decide(Sources(observed=weather), 4, AFTER, by=by, n_grafts=30)
    hands = [by_hand(day.day, weather, by) for day in found.days]
    earliest = min(h["born"] for h in hands) + 6.0 + 3.0
    for day, hand in zip(found.days, hands, strict=True):
        assert day.well_mated.value == pytest.approx(hand["well"], abs=1e-9)
        assert day.in_lay_by == (None if by is None else pytest.approx(hand["in_time"], abs=1e-9))
        assert day.expected_laying == pytest.approx(30 * 0.8 * 0.8 * hand["in_time"], abs=1e-8)
        assert day.utility == pytest.approx(utility_by_hand(hand, earliest), abs=1e-8)
    if by is not None:
        assert all(day.in_lay_by is not None and 0.0 < day.in_lay_by < day.well_mated.value for day in found.days)


@pytest.mark.parametrize(("pent_up", "apart"), [(0.0, 1e-9), (0.4, 1e-3)])
def test_twenty_one_days_at_once_say_what_each_day_says_as_a_batch(pent_up: float, apart: float) -> None:
    """Same odds, dates and prime window as single outlooks, exactly but for the pent-up drive before the first day.

    With 15 past years, since from 20 on the trend is estimated on the dates asked for, which differ.
    """
    sources = Sources(past=changeable_past(n_years=15))
    biology = BIOLOGY.with_values({"flight.pent_up_per_day_c": pent_up})
    found = decide(sources, 21, biology=biology)
    assert [day.day for day in found.days] == [FIRST + timedelta(days=i) for i in range(21)]
    for day in found.days[::4]:
        batch = batch_outlook(Batch(graft_time(day.day, SITE)), SITE, sources, NOW, biology)
        assert day.well_mated.value == pytest.approx(batch.well_mated.value, abs=apart)
        assert day.well_mated_usual == pytest.approx(batch.well_mated_usual, abs=apart)
        assert day.first_egg == batch.first_egg
        assert day.prime_flight_hours.mean == pytest.approx(batch.prime_flight_hours.mean, abs=10.0 * apart)
        assert day.prime == (batch.emergence[1] + timedelta(days=6), batch.emergence[1] + timedelta(days=14))
        assert day.forecast_share == batch.shares["forecast"]


def test_without_a_forecast_every_day_is_as_usual() -> None:
    found = decide(Sources(past=changeable_past()), 7, by=date(2026, 6, 15))
    for day in found.days:
        assert day.well_mated.value == pytest.approx(day.well_mated_usual, abs=1e-12)
        assert day.expected_laying == pytest.approx(day.expected_laying_usual, abs=1e-10)
        assert day.in_lay_by == pytest.approx(day.in_lay_by_usual, abs=1e-12)
        assert day.forecast_share == 0.0
    assert found.shares["past_years"] == pytest.approx(1.0)
    assert found.years == 22


def test_more_grafts_give_more_queens_in_proportion() -> None:
    sources = Sources(past=changeable_past())
    ten, forty = decide(sources, 2, n_grafts=10), decide(sources, 2, n_grafts=40)
    for few, many in zip(ten.days, forty.days, strict=True):
        assert many.expected_laying == pytest.approx(4.0 * few.expected_laying)
        assert few.well_mated == many.well_mated
        assert few.laying_range[0] <= few.expected_laying <= few.laying_range[1]
        assert 0 <= many.laying_range[0] <= many.laying_range[1] <= 40


# --- rank, differences and ties -------------------------------------------------------------------------------------


@given(st.integers(0, 500), st.sampled_from([0.0, 0.03, 0.1]))
@settings(max_examples=12, deadline=None)
def test_days_are_ranked_by_utility(seed: int, delay_cost: float) -> None:
    biology = BIOLOGY.with_values({"decision.delay_cost_per_d": delay_cost})
    found = decide(Sources(past=changeable_past(seed, n_years=3)), 10, biology=biology)
    assert sorted(day.rank for day in found.days) == list(range(1, 11))
    ranked = [day.utility for day in sorted(found.days, key=lambda d: d.rank)]
    assert ranked == sorted(ranked, reverse=True)
    best = next(day for day in found.days if day.rank == 1)
    assert best.tied_with_best


def ends(day: GraftDay) -> tuple[float, float]:
    low, high = day.well_mated.low, day.well_mated.high
    assert low is not None
    assert high is not None
    return low, high


def tied(found: GraftDecision) -> list[bool]:
    return [day.tied_with_best for day in found.days]


def test_differences_are_paired_so_that_years_apart_do_not_hide_a_sure_one() -> None:
    """Years from hopeless to fine: the ranges of all days overlap, yet five days later costs the same wait in every year."""
    found = decide(Sources(past=steady_past(np.linspace(0.2, 3.5, 25).tolist())), 8)
    first, sixth = found.days[0], found.days[5]
    first_low, first_high = ends(first)
    sixth_low, sixth_high = ends(sixth)
    assert first_low < sixth_high
    assert sixth_low < first_high
    assert first_high - first_low > 0.05
    assert first.rank == 1
    assert tied(found)[:2] == [True, True]
    assert not any(tied(found)[3:])


def test_days_that_differ_by_little_are_equal_though_the_difference_is_sure() -> None:
    """Steady weather: a day's wait costs 0.03 of a queen for certain; under 5 points and 2 days that is no real difference."""
    sources = Sources(past=steady_past(2.0))
    assert tied(decide(sources, 4))[:2] == [True, True]
    assert not tied(decide(sources, 4))[3]
    strict = BIOLOGY.with_values(NO_TIES_BY_SIZE)
    assert tied(decide(sources, 4, biology=strict)) == [True, False, False, False]


def test_where_a_day_costs_nothing_and_weather_is_the_same_all_days_are_equal() -> None:
    found = decide(Sources(past=steady_past(2.0)), 10, biology=BIOLOGY.with_values(FREE | NO_TIES_BY_SIZE))
    assert len({round(day.utility, 9) for day in found.days}) == 1


def test_differences_within_the_noise_of_the_years_are_no_real_difference() -> None:
    """Delay free, size rule off: over years of weather by chance, the 90 % range of most differences contains 0."""
    found = decide(Sources(past=changeable_past()), 10, biology=BIOLOGY.with_values(FREE | NO_TIES_BY_SIZE))
    assert sum(tied(found)) >= 4


def test_a_difference_that_all_years_share_is_real() -> None:
    """Fine to 15 June and hopeless after: early grafts are better in every year, though delay costs nothing."""
    days = np.arange("2001-01-01", "2026-01-01", dtype="datetime64[D]")
    of_year = (days - days.astype("datetime64[Y]")).astype(int)
    past = by_hours("2001-01-01", np.where(of_year < 166, 3.0, 0.0))
    found = decide(Sources(past=past), 12, biology=BIOLOGY.with_values(FREE | NO_TIES_BY_SIZE))
    odds = [day.well_mated.value for day in found.days]
    assert odds == sorted(odds, reverse=True)
    assert odds[0] > odds[-1] + 0.3
    assert tied(found)[0]
    assert not any(tied(found)[4:])


# --- limits: each is tested in test_limits -------------------------------------------------------------------------


def test_days_that_break_a_limit_rank_behind_all_others_and_are_not_advised() -> None:
    limits = Limits(builder_free_from=date(2026, 5, 20))
    found = decide(Sources(past=steady_past(2.0)), 5, limits=limits)
    limited = [bool(day.constraints) for day in found.days]
    assert limited == [True, True, False, False, False]
    assert [day.rank for day in found.days] == [4, 5, 1, 2, 3]
    assert found.graft_dates[0] == date(2026, 5, 20)
    assert set(found.graft_dates) <= {day.day for day in found.days if not day.constraints}


def test_days_before_today_by_the_sites_clock_are_past_and_are_not_advised() -> None:
    """23:30 UTC on 18 May is 19 May by British summer time."""
    found = decide(Sources(past=steady_past(2.0)), 4, datetime(2026, 5, 18, 23, 30, tzinfo=UTC))
    assert [[c.name for c in day.constraints] for day in found.days] == [["past"], [], [], []]
    assert [day.rank for day in found.days] == [4, 1, 2, 3]
    assert FIRST not in found.graft_dates


# --- advice -----------------------------------------------------------------------------------------------------------


def test_the_advice_names_the_days_that_tie_with_the_best() -> None:
    found = decide(Sources(past=changeable_past()), 10)
    free = [day for day in found.days if day.tied_with_best and not day.constraints]
    assert found.graft_dates == [day.day for day in sorted(free, key=lambda d: d.rank)]
    assert found.sentence.startswith("Graft on ")


def test_a_single_best_day_is_named_alone() -> None:
    strict = BIOLOGY.with_values(NO_TIES_BY_SIZE)
    found = decide(Sources(past=steady_past(2.0)), 4, biology=strict)
    assert found.graft_dates == [FIRST]
    assert found.sentence.startswith("Graft on Monday 18 May: ")


def test_hopeless_days_are_not_advised_and_the_odds_that_would_pay_are_said() -> None:
    found = decide(Sources(past=steady_past(0.05)), 4)
    assert all(day.well_mated.value < found.threshold for day in found.days)
    assert all(day.merit < 0.0 for day in found.days)
    assert found.graft_dates == []
    assert found.sentence.startswith("Do not graft yet")
    assert f"grafting pays from {round(100 * found.threshold)} %" in found.sentence
    best = next(day for day in found.days if day.rank == 1)
    assert found.threshold == best.break_even


def test_days_that_all_break_a_limit_are_not_advised_and_the_limits_are_said() -> None:
    limits = Limits(nucs_free_from=date(2026, 7, 1), weekdays_off=frozenset({0}))
    found = decide(Sources(past=steady_past(2.0)), 3, limits=limits)
    assert found.graft_dates == []
    assert found.sentence.startswith("No day here works")
    assert "day off" in found.sentence
    assert "nucs" in found.sentence


# --- worth ------------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("cost", "from_p"), [(0.0, 0.0), (0.3, 3 / 13), (0.5, 1 / 3), (0.6, 3 / 8), (1.0, 1 / 2), (3.0, 3 / 4)]
)
def test_where_only_a_failed_nuc_costs_it_is_worth_stocking_from_cost_over_cost_and_gain(
    cost: float, from_p: float
) -> None:
    """Cost-loss rule: act if p (1) > (1 - p) C, that is from p = C / (1 + C).

    Poor queens cost what failed ones do, a day costs nothing and every cell gives a virgin.
    """
    changes = {"decision.nuc_cost": cost, "success.emergence_acceptance": 1.0} | FREE
    biology = BIOLOGY.with_values(changes)
    biology = replace(biology, decision=replace(biology.decision, poor_queen_cost=cost))
    for day in decide(Sources(past=changeable_past(n_years=6)), 3, biology=biology).days:
        assert day.break_even == pytest.approx(from_p, abs=1e-9)


@pytest.mark.parametrize("by", [None, date(2026, 6, 12)], ids=["no deadline", "deadline 12 June"])
def test_merit_is_the_utility_without_the_wait_and_break_even_is_where_it_is_nothing(by: date | None) -> None:
    """By hand from every course: with the same gain a good queen and the same loss a bad one, at what odds it comes to 0."""
    weather = changeable("2026-05-01", 120, np.random.default_rng(3), warmth_c=18.5)
    found = decide(Sources(observed=weather), 4, AFTER, by=by)
    for day in found.days:
        hand = by_hand(day.day, weather, by)
        earliest = hand["born"] + 6.0 + 3.0
        assert day.merit == pytest.approx(utility_by_hand(hand, earliest), abs=1e-8)
        gain = hand["in_time"] - 0.03 * (hand["egg_day"] - earliest * hand["well"])
        loss = 0.3 * hand["failed"] + 0.9 * hand["poor"] + 0.03 * 5.0 * (hand["failed"] + hand["poor"])
        a_good, a_bad = gain / hand["well"], loss / (1.0 - hand["well"])
        no_virgin = 0.2 * (0.3 + 0.03 * 5.0)
        p = day.break_even
        if 0.0 < p < 1.0:
            assert 0.8 * (p * a_good - (1.0 - p) * a_bad) - no_virgin == pytest.approx(0.0, abs=1e-9)


@given(st.integers(0, 500), st.floats(13.0, 24.0), st.sampled_from(["mini", "few-frames", "five-frames"]))
@settings(max_examples=25, deadline=None)
def test_a_graft_has_merit_exactly_from_its_break_even_on(seed: int, warmth_c: float, nuc: str) -> None:
    past = changeable("2022-01-01", 4 * 365 + 1, np.random.default_rng(seed), warmth_c=warmth_c)
    for day in decide(Sources(past=past), 4, biology=for_nuc(BIOLOGY, nuc)).days:
        assert 0.0 <= day.break_even <= 1.0
        if abs(day.well_mated.value - day.break_even) > 1e-9:
            assert (day.merit > 0.0) == (day.well_mated.value > day.break_even)
        assert day.utility <= day.merit + 1e-12


@pytest.mark.parametrize(("kind", "cost"), [("mini", 0.3), ("few-frames", 0.6), ("five-frames", 1.0)])
def test_a_dearer_nuc_asks_for_better_odds(kind: str, cost: float) -> None:
    assert for_nuc(BIOLOGY, kind).decision.nuc_cost == cost
    sources = Sources(past=changeable_past(n_years=6))
    mini, this = (
        decide(sources, 1, biology=for_nuc(BIOLOGY, "mini")),
        decide(sources, 1, biology=for_nuc(BIOLOGY, kind)),
    )
    assert this.threshold >= mini.threshold
    assert this.days[0].merit <= mini.days[0].merit
    assert (this.threshold > mini.threshold) == (kind != "mini")


def test_waiting_costs_do_not_speak_against_grafting_at_all() -> None:
    """A day far down the span costs its wait in rank, not in merit: a decision that begins with it says the same."""
    found = decide(Sources(past=steady_past(2.0)), 21)
    assert found.days[-1].merit == pytest.approx(found.days[0].merit, abs=1e-6)
    assert found.days[0].utility - found.days[-1].utility == pytest.approx(20 * 0.03, abs=1e-6)


# --- the deadline -----------------------------------------------------------------------------------------------------


def odds_by(day: GraftDay) -> float:
    assert day.in_lay_by is not None
    return day.in_lay_by


def test_a_later_deadline_is_never_harder_to_meet_and_a_far_one_no_limit() -> None:
    sources = Sources(past=changeable_past())
    deadlines = [date(2026, 6, 8), date(2026, 6, 15), date(2026, 6, 25), date(2026, 8, 30)]
    found = [decide(sources, 3, by=by) for by in deadlines]
    for i in range(3):
        odds = [odds_by(f.days[i]) for f in found]
        assert odds == sorted(odds)
        assert odds[-1] == pytest.approx(found[-1].days[i].well_mated.value, abs=1e-9)
    for f in found:  # and an earlier graft meets it sooner
        assert odds_by(f.days[0]) >= odds_by(f.days[2]) - 1e-9 or f.by == deadlines[-1]


def test_a_deadline_before_the_earliest_possible_egg_is_refused_with_that_day() -> None:
    """Grafted on 18 May, emerged on 30 May, no egg before 3 June."""
    with pytest.raises(RequestError, match="no queen grafted on 2026-05-18 can be in lay by 2026-06-02") as refused:
        decide(Sources(past=changeable_past()), by=date(2026, 6, 2))
    assert "2026-06-03" in refused.value.fix
    assert decide(Sources(past=changeable_past()), by=date(2026, 6, 3)).days[0].in_lay_by == pytest.approx(
        0.0, abs=1e-3
    )


def test_the_deadline_is_in_the_sentence_and_decides_the_worth() -> None:
    sources = Sources(past=steady_past(2.0))
    assert "in lay by 30 June" in decide(sources, 3, by=date(2026, 6, 30)).sentence
    missed = decide(sources, 3, by=date(2026, 6, 6))
    assert missed.sentence.startswith("None of these days brings queens into lay by 6 June often enough")
    assert missed.graft_dates == []


# --- counts of queens ---------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("seed", range(6))
def test_the_range_of_laying_queens_is_that_of_simulated_batches(seed: int) -> None:
    """Queens of a batch share their weather: 400,000 batches, a path drawn for each, then its queens; 10 and 90 % points."""
    rng = np.random.default_rng(seed)
    share = np.round(
        rng.beta(*[(0.5, 0.5), (8.0, 2.0), (1.0, 3.0), (30.0, 30.0), (0.2, 0.1), (2.0, 2.0)][seed], 200), 3
    )
    n_grafts = int(rng.integers(5, 60))
    counts = rng.binomial(n_grafts, rng.choice(share, 400_000))
    exact = binom.cdf(np.arange(n_grafts + 1)[:, None], n_grafts, share[None, :]).mean(axis=1)
    found = laying_range(n_grafts, share)
    for q, end in ((0.1, found[0]), (0.9, found[1])):
        if np.abs(exact - q).min() > 0.004:  # else the dice may fall on either side
            assert end == int(np.quantile(counts, q, method="inverted_cdf"))
        assert exact[end] >= q
        assert end == 0 or exact[end - 1] < q


def test_shared_weather_widens_the_range_beyond_one_binomial() -> None:
    """Half the years 0.1, half 0.9: 20 queens run from 1 to 19, where one binomial of 0.5 would say 7 to 13."""
    low, high = laying_range(20, np.repeat([0.1, 0.9], 500))
    assert (low, high) == (1, 19)
    assert laying_range(20, np.full(1000, 0.5)) == (7, 13)


@pytest.mark.parametrize("n_grafts", [999, 1000, 5000, 10_000])
def test_the_range_of_very_many_queens_is_that_of_the_binomial_mixture_to_a_queen_or_two(n_grafts: int) -> None:
    """scipy's binomial over the paths; from 1,000 grafts on ours is the normal approximation."""
    rng = np.random.default_rng(n_grafts)
    for share in (np.round(rng.beta(4.0, 2.0, 40), 3), np.array([0.01, 0.02]), np.array([0.999]), np.array([0.5])):
        exact = binom.cdf(np.arange(n_grafts + 1)[:, None], n_grafts, share[None, :]).mean(axis=1)
        expected = [int(np.searchsorted(exact, q)) for q in (0.1, 0.9)]
        found = laying_range(n_grafts, share)
        if n_grafts < 1000:
            assert list(found) == expected
        # between two shares far apart hardly a queen more or less changes the odds: there the odds are what must agree
        for ours, theirs in zip(found, expected, strict=True):
            assert abs(ours - theirs) <= 2 or abs(exact[ours] - exact[theirs]) < 1e-4


def test_the_range_has_its_ends_at_none_and_all() -> None:
    assert laying_range(3000, np.zeros(10)) == (0, 0)
    assert laying_range(3000, np.ones(10)) == (3000, 3000)
    assert laying_range(12, np.zeros(10)) == (0, 0)
    assert laying_range(12, np.ones(10)) == (12, 12)


# --- what cannot be asked -------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("n_days", "n_grafts", "said"),
    [(0, 20, "0 days"), (121, 20, "121 days"), (5, 0, "0 grafts"), (5, 10_001, "10001 grafts")],
)
def test_requests_out_of_bounds_are_refused_with_the_bounds(n_days: int, n_grafts: int, said: str) -> None:
    with pytest.raises(RequestError, match=said) as refused:
        decide(Sources(past=steady_past(2.0)), n_days, n_grafts=n_grafts)
    assert "1 to" in refused.value.fix


def test_weather_that_knows_no_day_of_the_windows_is_refused() -> None:
    """Virgins of 18 to 22 May fly from 1 June on; the forecast ends on 31 May."""
    members = by_hours("2026-05-17", np.full((3, 15), 2.0), kind="ensemble")
    with pytest.raises(RequestError, match="no weather covers the mating window"):
        decide(Sources(members=members))


def test_a_forecast_alone_answers_for_the_days_that_it_knows_and_names_the_others() -> None:
    """16 days from 27 May reach to 11 June; grafts of 18 May are in their prime from 5 to 13 June."""
    now = datetime(2026, 5, 27, 6, tzinfo=UTC)
    found = decide(Sources(members=by_hours("2026-05-27", np.full((10, 16), 3.0), kind="ensemble")), 2, now)
    assert any(w.startswith("No weather covers 12 June to ") for w in found.warnings)
    for day in found.days:
        assert 0.5 < day.well_mated.value < 0.96
        assert (day.well_mated.low, day.well_mated.high) == (None, None)
        assert day.well_mated_usual is None
        assert day.prime_flight_hours_usual is None
    assert found.shares["forecast"] == pytest.approx(np.mean([7 / 9, 6 / 9]))
    assert found.shares["unknown"] == pytest.approx(np.mean([2 / 9, 3 / 9]))


def test_a_forecast_that_reaches_the_window_counts_in_it() -> None:
    now = datetime(2026, 6, 4, 6, tzinfo=UTC)
    members = replace(by_hours("2026-06-04", np.full((20, 16), 3.5), kind="ensemble"))
    found = decide(Sources(members=members, past=steady_past(0.4)), 3, now)
    for day in found.days:
        assert day.forecast_share > 0.3
        assert day.well_mated_usual is not None
        assert day.well_mated.value > day.well_mated_usual + 0.05
    assert math.isclose(sum(found.shares.values()), 1.0)
    assert found.members == 20
