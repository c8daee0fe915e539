"""The weight of a forecast: against its formula, against another solver, and found again where it was planted."""

from __future__ import annotations

import numpy as np
import pytest
from sklearn.linear_model import LinearRegression

from matewindow.biology import load_biology
from matewindow.learning.weather.weights import Hill, LeadSums, best_weight, fit_hill
from matewindow.paths import ensemble_weight, single_weight
from tests.learning.weather.made_cases import fading, made, nothing, skill_of

FORECAST = load_biology().forecast
PRIOR = Hill.of(FORECAST, single=False)
BOUNDS = (0.0, 1.0, 1.0), (1.0, 20.0, 8.0)
LEADS = np.arange(16)


# --- the formula --------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("members", "skill", "off", "weight"),
    [(50, 0.1, 0.0, 0.8474576), (50, 0.1, 0.05, 0.5952381), (1, 0.1, 0.0, 0.1), (10, 0.3, 0.02, 0.7692308)],
)
def test_the_formula_gives_its_worked_values(members: int, skill: float, off: float, weight: float) -> None:
    # worked by hand from w = R / (R + (1 - R) / M + B)
    assert best_weight(skill, members, off) == pytest.approx(weight, abs=5e-8)


def test_without_miscalibration_it_is_the_mean_of_a_beta_posterior() -> None:
    # Katz and Ehrendorfer 2006, doi 10.1175/WAF913.1: k of M members, prior mean c and precision nu = (1 - R) / R
    skill, members, k, c = 0.2, 30, 11, 0.4
    nu = (1.0 - skill) / skill
    w = float(best_weight(skill, members))
    assert w * k / members + (1.0 - w) * c == pytest.approx((k + nu * c) / (members + nu), abs=1e-12)


@pytest.mark.parametrize("members", [1, 10, 50])
def test_least_squares_finds_the_weight_of_the_formula(members: int) -> None:
    # a steady skill at every lead, so that all leads tell the same weight
    rho = 0.6
    cases = made(members, seasons=12, sites=2, leads=12, members=members, skill=lambda lead: np.full_like(lead, rho))
    sums = LeadSums.of(cases)
    pooled = float((sums.found * sums.pull).sum() / sums.pull.sum())
    assert pooled == pytest.approx(float(best_weight(skill_of(np.array(rho)), members)), abs=0.04)


def test_the_weight_of_a_lead_is_that_of_a_regression_through_the_origin() -> None:
    cases = made(3, seasons=2, days=60, leads=8)
    sums = LeadSums.of(cases)
    for lead in range(8):
        mine = cases.take(cases.lead == lead)
        line = LinearRegression(fit_intercept=False).fit((mine.share - mine.usual)[:, None], mine.came - mine.usual)
        assert sums.found[lead] == pytest.approx(line.coef_[0], abs=1e-9)
        assert sums.n[lead] == len(mine)


# --- the curve ----------------------------------------------------------------------------------------------------


def test_the_curve_is_that_of_the_paths() -> None:
    leads = np.arange(20.0)
    np.testing.assert_allclose(PRIOR.at(leads), ensemble_weight(leads, FORECAST), rtol=1e-14)
    np.testing.assert_allclose(Hill.of(FORECAST, single=True).at(leads), single_weight(leads, FORECAST), rtol=1e-14)


def test_without_cases_the_curve_is_the_prior() -> None:
    nobody = LeadSums.of(made(1, seasons=1, days=1).take(np.zeros(16, dtype=bool)), 16)
    fit = fit_hill(nobody, PRIOR, LEADS, BOUNDS)
    assert fit.curve.today == pytest.approx(PRIOR.today, abs=1e-6)
    assert fit.curve.half_d == pytest.approx(PRIOR.half_d, abs=1e-6)
    assert fit.sd == pytest.approx((0.5, 3.0, 1.0), rel=1e-6)


@pytest.mark.parametrize("members", [10, 50])
def test_a_planted_signal_is_found_at_every_lead(members: int) -> None:
    cases = made(11, seasons=6, sites=3, members=members)
    wanted = best_weight(skill_of(fading(LEADS.astype(np.float64))), members)
    found = fit_hill(LeadSums.of(cases), PRIOR, LEADS, BOUNDS).curve.at(LEADS)
    np.testing.assert_allclose(found[:7], wanted[:7], atol=0.06)
    np.testing.assert_allclose(found, wanted, atol=0.13)  # far ahead 1,800 cases a lead tell it to about that


def test_planted_numbers_of_the_curve_are_recovered_within_their_range() -> None:
    """Of 20 sets of cases whose best weight is a Hill curve, its numbers lie in the 90 % range in most."""
    truth = Hill(0.8, 7.0, 3.0)
    members = 20
    weight = truth.at(LEADS)
    skill = weight / (weight + members * (1.0 - weight))  # the formula solved for R
    rho = np.sqrt(np.sin(np.pi / 2.0 * skill))
    inside = np.zeros(3)
    for seed in range(20):
        cases = made(100 + seed, seasons=4, members=members, skill=lambda _: rho)
        fit = fit_hill(LeadSums.of(cases), Hill(0.9, 9.8, 3.5), LEADS, BOUNDS)
        numbers = np.array([fit.curve.today, fit.curve.half_d, fit.curve.power])
        inside += np.abs(numbers - [0.8, 7.0, 3.0]) <= 1.645 * np.array(fit.sd)
    assert (inside >= 15).all(), inside


@pytest.mark.parametrize("agreed", [0.0, 0.9])
def test_a_useless_forecast_pulls_the_weight_to_nothing(agreed: float) -> None:
    cases = made(17, seasons=6, sites=2, skill=nothing, agreed=agreed)
    fit = fit_hill(LeadSums.of(cases), PRIOR, LEADS, BOUNDS)
    assert fit.curve.today < 1.645 * fit.sd[0] + 0.05
    assert fit.curve.today < (0.25 if agreed == 0.0 else 0.06)


def test_a_curve_never_rises_with_lead_and_stays_within_its_bounds() -> None:
    for seed in range(6):
        cases = made(seed, seasons=1, days=30, members=5, skill=lambda lead: fading(lead[::-1]))  # better far ahead
        curve = fit_hill(LeadSums.of(cases), PRIOR, LEADS, BOUNDS).curve
        assert (np.diff(curve.at(np.arange(40))) <= 0.0).all()
        assert 0.0 <= curve.today <= 1.0
        assert 1.0 <= curve.half_d <= 20.0
        assert 1.0 <= curve.power <= 8.0


def test_overconfident_members_get_less() -> None:
    calibrated, narrow = (
        fit_hill(LeadSums.of(made(23, seasons=6, spread=s)), PRIOR, LEADS, BOUNDS).curve for s in (1.0, 0.4)
    )
    assert narrow.today < calibrated.today - 0.05


def test_a_lead_whose_members_never_differ_from_the_usual_tells_nothing() -> None:
    cases = made(1, seasons=1, days=10, leads=3)
    flat = np.where(cases.lead == 1, 0.5, cases.share)
    sums = LeadSums.of(type(cases)(**{**cases.__dict__, "share": flat}))
    assert np.isnan(sums.weight[1])
    assert sums.pulls[1] == 0.0
    assert (sums.pulls[[0, 2]] > 0.0).all()
