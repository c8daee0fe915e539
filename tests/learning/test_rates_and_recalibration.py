"""Shares that lean on the expectation, and odds put right: against worked examples and other libraries."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.optimize import minimize
from sklearn.linear_model import LogisticRegression

from matewindow.learning.rates import N0, fit_beta, prior_weight, site_rate, site_rates
from matewindow.learning.recalibration import NO_CHANGE, fit_recalibration, log_scores, safe_logit
from tests.learning.made_records import record

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from matewindow.learning.records import Record

# Tarone 1982 in Gelman et al., Bayesian Data Analysis, table 5.1: rats with a tumour of those in each of 70 earlier groups
# (from memory; the moments and the likeliest parameters below, which were worked out elsewhere, confirm them).
RATS = (
    [(0, 20)] * 7 + [(0, 19)] * 4 + [(0, 18)] * 2 + [(0, 17)] + [(1, 20)] * 4 + [(1, 19)] * 2 + [(1, 18)] * 2
    + [(2, 25), (2, 24), (2, 23)] + [(2, 20)] * 6 + [(1, 10), (5, 49), (2, 19), (5, 46), (3, 27), (2, 17), (7, 49), (7, 47)]
    + [(3, 20)] * 2 + [(2, 13), (9, 48), (10, 50)] + [(4, 20)] * 7 + [(10, 48)] + [(4, 19)] * 3
    + [(5, 22), (11, 46), (12, 49), (5, 20), (5, 20), (6, 23), (5, 19), (6, 22)] + [(6, 20)] * 3
    + [(16, 52), (15, 47), (15, 46), (9, 24)]
)  # fmt: skip
LAST_GROUP = (4, 14)


def test_the_rat_tumours_are_those_of_the_book() -> None:
    shares = np.array([k / n for k, n in RATS])

    assert len(RATS) == 70
    assert shares.mean() == pytest.approx(0.136007, abs=5e-7)
    assert shares.std(ddof=1) == pytest.approx(0.103492, abs=5e-7)


def test_the_likeliest_beta_distribution_of_the_rat_tumours_comes_out() -> None:
    """Worked out elsewhere: 2.304783 and 14.079808 on 70 groups, 2.341615 and 14.114806 on 71."""
    k, n = np.array(RATS).T
    both = np.array([*RATS, LAST_GROUP]).T

    assert fit_beta(k, n) == pytest.approx((2.304783, 14.079808), rel=1e-5)
    assert fit_beta(*both) == pytest.approx((2.341615, 14.114806), rel=1e-5)


def test_the_71st_group_leans_on_the_others_as_in_the_book() -> None:
    """Gelman et al. chapter 5: by moments alpha 1.4, beta 8.6; then 4 of 14 has the mean .223 and not .286, sd .083."""
    shares = np.array([k / n for k, n in RATS])
    mean, variance = shares.mean(), shares.var(ddof=1)
    n0 = float(mean * (1.0 - mean) / variance - 1.0)
    rate = site_rate(*LAST_GROUP, float(mean), n0)
    sd = (rate.mean * (1.0 - rate.mean) / (n0 + LAST_GROUP[1] + 1.0)) ** 0.5

    assert (n0 * mean, n0 * (1.0 - mean)) == pytest.approx((1.4, 8.6), abs=0.05)
    assert (n0 * mean, n0 * (1.0 - mean)) == pytest.approx((1.35615, 8.61506), abs=5e-5)
    assert rate.mean == pytest.approx(0.2234, abs=5e-5)
    assert sd == pytest.approx(0.083, abs=5e-4)


@pytest.mark.parametrize(
    ("k", "mean", "low", "high"), [(0, 0.0161290, 0.000065, 0.061517), (15, 0.5, 0.354342, 0.645658)]
)
def test_an_expectation_that_counts_for_one_record_and_says_half_is_jeffreys_prior(
    k: int, mean: float, low: float, high: float
) -> None:
    """Beta(1/2, 1/2), Jeffreys 1946; 5 to 95 % of 0 and of 15 in 30, worked out elsewhere (R's qbeta gives them)."""
    rate = site_rate(k, 30, 0.5, 1.0)

    assert (rate.mean, rate.low, rate.high) == pytest.approx((mean, low, high), abs=6e-7)


def test_three_of_eight_beside_an_expectation_of_eight_in_ten() -> None:
    """Prior mean .8, n0 20, 3 of 8: mean .6785714, 90 % range .5286 to .8138 (worked by hand and by R's qbeta)."""
    rate = site_rate(3, 8, 0.8)

    assert (N0, rate.n0) == (20.0, 20.0)
    assert rate.mean == pytest.approx(19.0 / 28.0)
    assert (rate.low, rate.high) == pytest.approx((0.5286, 0.8138), abs=5e-5)


def test_sites_are_told_apart_and_unknown_outcomes_are_passed_over() -> None:
    told = (
        [record(site="A", success=True)] * 3
        + [record(site="B", success=False)] * 2
        + [record(site="A", success=None)] * 5
    )

    a, b = site_rates(told, 0.8)

    assert (a.site, a.n, a.successes, b.site, b.n, b.successes) == ("A", 3, 3, "B", 2, 0)
    assert a.mean == pytest.approx((16 + 3) / 23)
    assert b.mean == pytest.approx(16 / 22)


def test_no_records_give_no_rates() -> None:
    assert site_rates([], 0.8) == []


def test_five_sites_that_differ_lean_less_on_the_expectation_than_five_that_agree() -> None:
    def told(shares: tuple[float, ...]) -> list[Record]:
        return [record(site=f"{i}", success=q < 40 * s) for i, s in enumerate(shares) for q in range(40)]

    apart, alike = site_rates(told((0.3, 0.5, 0.8, 0.95, 0.6)), 0.65), site_rates(told((0.65,) * 5), 0.65)

    assert apart[0].n0 < N0 < alike[0].n0
    assert apart[0].mean < 0.45
    assert site_rates(told((0.3, 0.5, 0.8, 0.95)), 0.65)[0].n0 == N0


def test_the_weight_of_the_expectation_is_the_one_that_makes_the_counts_likeliest() -> None:
    rng = np.random.default_rng(4)
    n = np.full(400, 30)
    k = rng.binomial(n, rng.beta(12.0 * 0.7, 12.0 * 0.3, 400))

    assert prior_weight(k, n, 0.7) == pytest.approx(12.0, rel=0.25)


# --- odds put right ---------------------------------------------------------------------------------------------

P = [0.2, 0.4, 0.6, 0.8, 0.9, 0.5, 0.7, 0.3]
Y = [0, 0, 1, 1, 1, 0, 1, 1]


def test_the_worked_recalibration_comes_out() -> None:
    """Eight cases, priors N(0, .5²) and N(1, .25²): a .1070297, b 1.0427278, sd .4255 and .2402 (worked out elsewhere)."""
    fit = fit_recalibration(P, Y)

    assert (fit.a, fit.b) == pytest.approx((0.1070297, 1.0427278), abs=5e-8)
    assert (fit.a_sd, fit.b_sd) == pytest.approx((0.4255, 0.2402), abs=5e-5)


def test_without_priors_it_is_scikit_learn_s_logistic_regression() -> None:
    rng = np.random.default_rng(8)
    p = rng.beta(4.0, 2.0, 400)
    y = rng.random(400) < p
    x = safe_logit(p)[:, None]

    ours = fit_recalibration(p, y, a_sd=np.inf, b_sd=np.inf)
    theirs = LogisticRegression(C=np.inf, tol=1e-10, max_iter=1000).fit(x, y)

    assert (ours.a, ours.b) == pytest.approx((theirs.intercept_[0], theirs.coef_[0, 0]), abs=1e-5)


@pytest.mark.parametrize("slope", [True, False])
def test_with_priors_it_is_where_a_general_optimiser_finds_the_top(*, slope: bool) -> None:
    rng = np.random.default_rng(9)
    p = rng.beta(4.0, 2.0, 60)
    y = rng.random(60) < 0.6
    x = safe_logit(p)

    def loss(at: NDArray[np.float64]) -> float:
        a, b = at[0], at[1] if slope else 1.0
        scores = log_scores(1.0 / (1.0 + np.exp(-(a + b * x))), y)
        return float(-scores.sum() + a**2 / 0.5 + (b - 1.0) ** 2 / 0.125)

    found = minimize(loss, [0.0, 1.0][: 1 + slope], method="BFGS", options={"gtol": 1e-9}).x
    ours = fit_recalibration(p, y, slope=slope)

    assert ours.a == pytest.approx(found[0], abs=1e-5)
    assert ours.b == pytest.approx(found[1] if slope else 1.0, abs=1e-5)
    assert (ours.b_sd > 0.0) is slope


def test_without_records_nothing_changes() -> None:
    fit = fit_recalibration([], [])

    assert (fit.a, fit.b, fit.a_sd, fit.b_sd) == pytest.approx((0.0, 1.0, 0.5, 0.25))


def test_records_that_separate_perfectly_do_not_run_away() -> None:
    p = [0.1] * 50 + [0.9] * 50

    fit = fit_recalibration(p, [0] * 50 + [1] * 50)

    assert 1.0 < fit.b < 3.0


ODDS = st.floats(0.001, 0.999)


@given(st.lists(st.tuples(ODDS, st.booleans()), max_size=40))
@settings(max_examples=100, deadline=None)
def test_odds_put_right_stay_odds_and_can_be_taken_back(cases: list[tuple[float, bool]]) -> None:
    fit = fit_recalibration([p for p, _ in cases], [y for _, y in cases])
    p = np.linspace(0.01, 0.99, 50)
    after = fit.apply(p)

    assert ((after > 0.0) & (after < 1.0)).all()
    inside = (after > 0.001) & (after < 0.999)
    if abs(fit.b) > 0.05:
        assert fit.undone(after)[inside] == pytest.approx(p[inside], rel=1e-6)


def test_no_change_is_no_change_and_missing_stays_missing() -> None:
    assert NO_CHANGE.apply([0.2, 0.7]) == pytest.approx([0.2, 0.7])
    assert np.isnan(NO_CHANGE.apply([np.nan])).all()
    assert np.isfinite(NO_CHANGE.apply([0.0, 1.0])).all()


def test_log_scores_are_those_of_the_textbook() -> None:
    """p = .8: a hit costs .2231436 nats, a miss 1.6094379."""
    assert log_scores([0.8, 0.8], [True, False]) == pytest.approx([-0.2231436, -1.6094379], abs=1e-7)
