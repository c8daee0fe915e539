"""The chain from flight hours to fates: equal to queens counted one by one, and to every course a life can take.

On "more flight hours never raise the risk of poor mating". It is not true of every single path, and that is no slip of the
arithmetic: an hour of flight in a bad spell tempts queens out that need more than one flight; if then no other day lets
them fly within ``settle_after_d``, they settle short of what they need, while those that had stayed at home would have
found the fine days later. What is true, and tested here one by one:

- more hours never leave more queens unmated, and never make fewer first flights in time;
- where one flight is all that a queen needs, more hours never raise the risk;
- if either the path before or the path after has no better days late than early (hours that do not rise with age, such
  as the same hours every day), more hours on any days never raise the risk.
"""

from __future__ import annotations

import math
from collections import Counter
from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.stats import chi2

from matewindow import mating
from matewindow.biology import Biology, load_biology
from tests.reference.queen_by_queen import (
    DEFAULT_PARAMS,
    FATES,
    Enumerated,
    exact_enumeration,
    exact_outcomes,
    flight_odds,
    keenness,
    lag_odds,
    maturity_odds,
    one_queen,
    simulate,
)
from tests.same_names import reference_params

if TYPE_CHECKING:
    from numpy.typing import ArrayLike, NDArray

    from matewindow.biology import Mating

    Floats = NDArray[np.float64]

BIOLOGY = load_biology()
N_DAYS = 60
LAG_TAIL = 1e-9  # the chain's longest lag lies 6 standard deviations out, the reference's 9


def summary(
    hours: ArrayLike, biology: Biology = BIOLOGY, *, emergence: int = 0, drones: ArrayLike = 1.0
) -> mating.Summary:
    """The chain on one path, queens of one emergence day."""
    path = np.asarray(hours, dtype=np.float64).reshape(-1, 1)
    return mating.summarise(
        path, np.broadcast_to(np.asarray(drones, dtype=np.float64), len(path)), emergence, 1, biology
    )


def fates(hours: ArrayLike, biology: Biology = BIOLOGY) -> dict[str, float]:
    return dict(zip(mating.FATES, summary(hours, biology).fates[:, 0, 0].tolist(), strict=True))


def risk(hours: ArrayLike, biology: Biology = BIOLOGY) -> float:
    """Poor matings among queens that are not lost."""
    f = fates(hours, biology)
    return (f["under_mated"] + f["late_mated"] + f["unmated"]) / (1.0 - f["lost"])


def a_path(seed: int) -> tuple[list[float], int, list[float]]:
    """Invented weather: some days without flight, drones growing in number; emergence somewhere in the first two weeks."""
    rng = np.random.default_rng(seed)
    hours = rng.uniform(0.0, 4.0, N_DAYS) * (rng.random(N_DAYS) < rng.uniform(0.15, 0.9))
    drones = np.clip(np.linspace(rng.uniform(0.2, 1.0), 1.3, N_DAYS), 0.0, 1.0)
    return hours.tolist(), int(rng.integers(0, 15)), drones.tolist()


def mean_egg_age(found: mating.Summary) -> float:
    by_age = found.egg_age[0]
    return float(by_age @ np.arange(len(by_age)) / by_age.sum())


# --- against the reference ----------------------------------------------------------------------------------


def test_the_reference_starts_from_the_same_parameters() -> None:
    assert {**reference_params(BIOLOGY), "earliest_age_d": -math.inf} == DEFAULT_PARAMS


@pytest.mark.parametrize("seed", range(20))
def test_the_chain_equals_queens_counted_one_by_one(seed: int) -> None:
    """Fates, mean age at the first egg and mean flights, within 4 standard errors of 5,000 rolled queens."""
    n, params = 5_000, reference_params(BIOLOGY)
    hours, emergence, drones = a_path(seed)
    odds, rng = flight_odds(hours, emergence, drones, params), np.random.default_rng(seed)
    queens = [one_queen(odds, rng, params) for _ in range(n)]
    found = summary(hours, emergence=emergence, drones=drones)
    for fate, p in zip(mating.FATES, found.fates[:, 0, 0], strict=True):
        count = sum(queen.fate == fate for queen in queens)
        # where fewer than 10 queens are expected the normal approximation fails: allow 10 more
        error = 4.0 * math.sqrt(n * p * (1.0 - p)) + (10.0 if n * p < 10.0 else 0.0)
        assert abs(count - n * p) <= error, (fate, count / n, p)
    ages = np.array([queen.egg_age for queen in queens if queen.egg_age is not None])
    flights = np.array([queen.flights for queen in queens])
    assert mean_egg_age(found) == pytest.approx(ages.mean(), abs=4.0 * ages.std() / math.sqrt(len(ages)))
    assert found.flights[0, 0] == pytest.approx(flights.mean(), abs=4.0 * flights.std() / math.sqrt(n))


def assert_equals_enumeration(
    found: mating.Distribution, exact: Enumerated, emergence: int, at: tuple[int, int] = (0, 0), *, abs_: float = 1e-12
) -> None:
    """Fates, losses and eggs by day, all from one run of the chain, against every course added up."""
    eggs, lost = found.egg[(..., *at)], found.lost[(..., *at)]
    assert [*eggs.sum(axis=1), found.unmated[at], lost.sum()] == pytest.approx(
        [exact["fates"][f] for f in FATES], abs=abs_
    )
    for fate, by_age in zip(FATES, eggs, strict=False):
        expected = [exact["egg_ages"][fate].get(age, 0.0) for age in range(len(by_age))]
        np.testing.assert_allclose(by_age, expected, atol=max(abs_, LAG_TAIL))
    expected = [exact["loss_days"].get(emergence + age, 0.0) for age in range(len(lost))]
    np.testing.assert_allclose(lost, expected, atol=abs_)


@pytest.mark.parametrize("seed", range(20))
def test_the_chain_equals_every_course_a_life_can_take(seed: int) -> None:
    hours, emergence, drones = a_path(seed)
    exact = exact_enumeration(hours, emergence, drones, reference_params(BIOLOGY))
    path = np.array(hours)[:, None]
    found = mating.distribution(path, np.array(drones), emergence, 1, BIOLOGY)
    assert_equals_enumeration(found, exact, emergence)
    assert mean_egg_age(summary(hours, emergence=emergence, drones=drones)) == pytest.approx(
        exact["mean_egg_age"], abs=1e-8
    )
    courses = exact_outcomes(
        flight_odds(hours, emergence, drones, reference_params(BIOLOGY)), reference_params(BIOLOGY)
    )
    made = math.fsum(outcome.flights * p for outcome, p in courses.items())
    assert found.flights.sum() == pytest.approx(made, abs=1e-12)


@pytest.mark.parametrize("seed", range(3))
def test_without_the_cut_of_the_earliest_maturity_hardly_anything_changes(seed: int) -> None:
    """Source of the cut: no egg before age 4 (Szabo et al. 1987, at second hand). It moves fates by under 1e-4."""
    hours, emergence, drones = a_path(seed)
    uncut = exact_enumeration(hours, emergence, drones, {**reference_params(BIOLOGY), "earliest_age_d": -math.inf})
    found = summary(hours, emergence=emergence, drones=drones).fates[:, 0, 0]
    assert found.tolist() == pytest.approx([uncut["fates"][f] for f in FATES], abs=1e-4)


@pytest.mark.parametrize("seed", range(8))
def test_the_chain_equals_enumeration_for_any_parameters_in_their_ranges(seed: int) -> None:
    """Each mating parameter drawn from its whole range (from 0.4 for the share that needs one flight)."""
    rng = np.random.default_rng(900 + seed)
    biology = with_random_mating(rng)
    hours, emergence, drones = a_path(seed)
    exact = exact_enumeration(hours, emergence, drones, reference_params(biology))
    found = mating.distribution(np.array(hours)[:, None], np.array(drones), emergence, 1, biology)
    assert_equals_enumeration(found, exact, emergence)


def with_random_mating(rng: np.random.Generator) -> Biology:
    """Mating parameters anywhere in their ranges, ages and waits in whole days, the three shares adding up to 1."""

    def draw(name: str) -> float:
        parameter = BIOLOGY.parameters[f"mating.{name}"]
        return float(rng.uniform(parameter.low, parameter.high))

    one = float(rng.uniform(0.4, 1.0))
    three = min(0.3, (1.0 - one) * rng.random())
    values = {
        "mating.one_flight_share": one,
        "mating.two_flight_share": 1.0 - one - three,
        "mating.three_flight_share": three,
        "mating.settle_after_d": float(rng.integers(3, 8)),
        "mating.full_drive_to_age_d": float(rng.integers(12, 17)),
        "mating.late_age_d": float(rng.integers(18, 25)),
        "mating.end_age_d": float(rng.integers(28, 41)),
    }
    for name in ("maturity_age_d", "maturity_sd_d", "drive_at_late_age", "flight_rate_per_h", "loss_per_flight"):
        values[f"mating.{name}"] = draw(name)
    return BIOLOGY.with_values(values)


def test_many_paths_and_emergence_days_at_once_equal_each_alone() -> None:
    paths = [a_path(seed)[0] for seed in range(5)]
    together = np.array(paths).T
    drones = np.linspace(0.3, 1.0, N_DAYS)
    found = mating.distribution(together, drones, 3, 4, BIOLOGY)
    summed = mating.summarise(together, drones, 3, 4, BIOLOGY)
    for e in range(4):
        for n, path in enumerate(paths):
            exact = exact_enumeration(path, 3 + e, drones.tolist(), reference_params(BIOLOGY))
            assert_equals_enumeration(found, exact, 3 + e, (e, n))
            assert summed.fates[:, e, n].tolist() == pytest.approx([exact["fates"][f] for f in FATES], abs=1e-12)


# --- summary and distribution agree -------------------------------------------------------------------------


@pytest.mark.parametrize("by_index", [None, 8, 20, 33, 80])
def test_the_summary_says_the_same_as_the_whole_distribution(by_index: int | None) -> None:
    paths = np.array([a_path(seed)[0] for seed in range(7)]).T
    drones = np.linspace(0.5, 1.0, N_DAYS)
    s = mating.summarise(paths, drones, 4, 5, BIOLOGY, by_index=by_index)
    d = mating.distribution(paths, drones, 4, 5, BIOLOGY)
    ages = np.arange(len(d.egg[0]))
    np.testing.assert_allclose(s.fates, [*d.egg.sum(axis=1), d.unmated, d.lost.sum(axis=0)], atol=1e-13)
    np.testing.assert_allclose(s.flights, d.flights.sum(axis=0), atol=1e-13)
    np.testing.assert_allclose(s.well_egg_age, np.einsum("a,aep->ep", ages, d.egg[0]), atol=1e-12)
    np.testing.assert_allclose(s.egg_age, d.egg.sum(axis=0).mean(axis=-1).T, atol=1e-13)
    last_age = np.full(5, len(ages)) if by_index is None else by_index - (4 + np.arange(5))
    in_time = [d.egg[0, : max(0, last + 1), e].sum(axis=0) for e, last in enumerate(last_age)]
    np.testing.assert_allclose(s.well_by_day, in_time, atol=1e-13)


def test_days_past_the_end_of_the_path_are_without_flight() -> None:
    path = np.array(a_path(1)[0][:20])
    longer = np.concatenate([path, np.zeros(40)])
    np.testing.assert_array_equal(summary(path).fates, summary(longer).fates)


# --- what the parts say -------------------------------------------------------------------------------------


def test_drive_falls_from_14_to_21_to_32_days() -> None:
    expected = [keenness(age) for age in range(45)]
    assert mating.drive(np.arange(45.0), BIOLOGY.mating).tolist() == pytest.approx(expected, abs=1e-15)


@pytest.mark.parametrize("age", [5.0, 6.0, 7.0])
@pytest.mark.parametrize("sd", [0.5, 1.0, 1.5])
def test_queens_mature_by_the_normal_distribution_and_none_too_early(age: float, sd: float) -> None:
    m = replace(BIOLOGY.mating, maturity_age_d=age, maturity_sd_d=sd)
    shares = mating.maturing(38, m)
    assert shares.sum() == pytest.approx(1.0, abs=1e-15)
    params = {**reference_params(BIOLOGY), "maturity_mean_d": age, "maturity_sd_d": sd}
    np.testing.assert_allclose(shares[:-1], [maturity_odds(38, params)[a] for a in range(37)], atol=1e-15)
    assert (shares[:3] == 0.0).all()


def test_the_lag_to_the_first_egg_is_a_rounded_normal_of_a_day_or_more() -> None:
    lags = mating.laying_lag(BIOLOGY.laying)
    assert lags.sum() == pytest.approx(1.0, abs=1e-15)
    assert lags[0] == 0.0
    expected = [lag_odds().get(lag, 0.0) for lag in range(len(lags))]
    np.testing.assert_allclose(lags, expected, atol=LAG_TAIL)


@pytest.mark.parametrize("n_flights", [0, 4])
def test_stored_sperm_is_known_for_one_to_three_flights_only(n_flights: int) -> None:
    with pytest.raises(ValueError, match="1, 2 and 3 only"):
        mating.stored_sperm_m(n_flights, BIOLOGY.quality)


# --- laws -----------------------------------------------------------------------------------------------------

any_hours = st.lists(st.one_of(st.floats(0.0, 6.0), st.just(0.0), st.floats(0.0, 1e300)), min_size=1, max_size=60)


@given(any_hours, st.lists(st.floats(0.0, 1.0), min_size=60, max_size=60), st.integers(0, 10), st.integers(0, 10_000))
@settings(max_examples=150, deadline=None)
def test_fates_add_up_to_1_for_any_hours_drones_and_parameters(
    hours: list[float], drones: list[float], emergence: int, seed: int
) -> None:
    biology = with_random_mating(np.random.default_rng(seed))
    found = summary(hours, biology, emergence=emergence, drones=drones[: len(hours)])
    shares = found.fates[:, 0, 0]
    assert math.fsum(shares) == pytest.approx(1.0, abs=1e-12)
    assert (shares >= -1e-15).all()
    assert 0.0 <= found.flights[0, 0] <= 3.0 + 1e-12
    assert found.egg_age.sum() == pytest.approx(shares[:3].sum(), abs=1e-12)


@pytest.mark.parametrize("share", [1.0, 0.3])
def test_fates_add_up_when_all_need_one_flight_or_most_need_more(share: float) -> None:
    biology = needing({1: share, 2: min(0.6, 1.0 - share), 3: max(0.0, 0.4 - share)})
    for hours in (0.0, 1.0, 1e6):
        assert math.fsum(summary([hours] * 40, biology).fates[:, 0, 0]) == pytest.approx(1.0, abs=1e-12)


def needing(shares: dict[int, float]) -> Biology:
    """Queens that need 1, 2 or 3 flights in given shares."""
    m = replace(
        BIOLOGY.mating, **{f"{w}_flight_share": shares.get(n, 0.0) for n, w in ((1, "one"), (2, "two"), (3, "three"))}
    )
    return replace(BIOLOGY, mating=m)


day_hours = st.floats(0.0, 4.0)
many_days = st.lists(day_hours, min_size=40, max_size=40)


def first_flight_in_time(hours: list[float], biology: Biology = BIOLOGY) -> float:
    """P(first flight by age 21): every later flight, if needed, is made or survived with certainty, so well or lost says it."""
    m: Mating = replace(biology.mating, one_flight_share=1.0, two_flight_share=0.0, three_flight_share=0.0)
    f = fates(hours, replace(biology, mating=m))
    return f["well_mated"] / (1.0 - m.loss_per_flight)


@given(many_days, many_days)
@settings(max_examples=80, deadline=None)
def test_more_hours_never_leave_more_unmated_nor_make_first_flights_later(
    hours: list[float], more: list[float]
) -> None:
    better = [a + b for a, b in zip(hours, more, strict=True)]
    assert fates(better)["unmated"] <= fates(hours)["unmated"] + 1e-12
    assert first_flight_in_time(better) >= first_flight_in_time(hours) - 1e-12


@given(many_days, many_days)
@settings(max_examples=80, deadline=None)
def test_where_one_flight_is_enough_more_hours_never_raise_the_risk(hours: list[float], more: list[float]) -> None:
    once = needing({1: 1.0})
    better = [a + b for a, b in zip(hours, more, strict=True)]
    assert risk(better, once) <= risk(hours, once) + 1e-12


@given(many_days, many_days, st.sampled_from(["before", "after"]))
@settings(max_examples=150, deadline=None)
def test_more_hours_never_raise_the_risk_where_late_days_are_no_better_than_early_ones(
    some: list[float], more: list[float], steady: str
) -> None:
    """Hours do not rise with age on the path before more are added, or on the path after; the other one is free."""
    if steady == "before":
        hours = sorted(some, reverse=True)
        better = [a + b for a, b in zip(hours, more, strict=True)]
    else:
        better = sorted(some, reverse=True)
        hours = [max(0.0, a - b) for a, b in zip(better, more, strict=True)]
    assert risk(better) <= risk(hours) + 1e-12


@given(st.floats(0.0, 4.0), st.integers(0, 39), st.floats(0.0, 4.0))
@settings(max_examples=80, deadline=None)
def test_more_hours_on_any_day_never_raise_the_risk_in_steady_weather(hours: float, day: int, more: float) -> None:
    steady = [hours] * 40
    better = [h + more * (d == day) for d, h in enumerate(steady)]
    assert risk(better) <= risk(steady) + 1e-12


def test_a_lone_fine_day_before_a_bad_spell_does_raise_the_risk() -> None:
    """The least counterexample to "more hours never hurt": nothing but fine days from 15 on, and one fine day at age 8.

    With the lone day three queens in ten fly on it, need another flight, and settle before the fine days come.
    """
    late_spell = [0.0] * 15 + [4.0] * 25
    tempted = [4.0 * (age == 8) + h for age, h in enumerate(late_spell)]
    assert risk(late_spell) == pytest.approx(0.0014, abs=2e-4)
    assert risk(tempted) == pytest.approx(0.2976, abs=2e-3)
    exact = exact_enumeration(tempted, 0, [1.0] * 40, reference_params(BIOLOGY))["fates"]
    assert fates(tempted) == pytest.approx(exact, abs=1e-12)  # the rules themselves, not the code, bring this about
    # and the risk cannot rise by more than the share of queens that need more than one flight
    certain = [1e6 * (h > 0.0) for h in late_spell]
    assert risk([1e6 * (age == 8) + h for age, h in enumerate(certain)]) - risk(certain) <= 0.38


def test_the_queens_need_for_flights_decides_how_many_are_made() -> None:
    for n in (1, 2, 3):
        made = summary([1e6] * 40, needing({n: 1.0})).flights[0, 0]
        survive = 1.0 - BIOLOGY.mating.loss_per_flight
        assert made == pytest.approx(sum(survive**k for k in range(n)), abs=1e-12)


def test_without_drones_no_queen_mates() -> None:
    assert summary([4.0] * 40, drones=0.0).fates[:, 0, 0].tolist() == pytest.approx([0.0, 0.0, 0.0, 1.0, 0.0])


def test_half_the_drones_are_worth_half_the_hours() -> None:
    hours, _, _ = a_path(3)
    np.testing.assert_allclose(summary(hours, drones=0.5).fates, summary([0.5 * h for h in hours]).fates, atol=1e-15)


def test_the_sampled_first_egg_ages_have_the_shape_of_the_chain() -> None:
    """Chi-square of 20,000 rolled first-egg ages against the chain, on one path; 99.9 % point of the statistic."""
    hours, emergence, drones = a_path(5)
    rolled = simulate(hours, emergence, drones, 20_000, np.random.default_rng(55), reference_params(BIOLOGY))
    by_age = summary(hours, emergence=emergence, drones=drones).egg_age[0]
    counts = Counter(rolled["egg_ages"])
    likely = [age for age, p in enumerate(by_age) if 20_000 * p >= 10.0]
    expected = 20_000 * by_age[likely]
    statistic = float((((np.array([counts[a] for a in likely]) - expected) ** 2) / expected).sum())
    assert len(likely) > 8
    assert statistic < chi2.ppf(0.999, len(likely))
