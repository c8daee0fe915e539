"""How much a weather forecast is worth against past years, lead day by lead day.

There is no published day-by-day table for European stations. The weights are a judgement between published anchors; what is
checked here is that they are the curve that the theory gives for the skill assumed, and that they respect the anchors.

Sources:

- Form of the curve (Hill): Dirmeyer and Ford 2020, Mon Wea Rev 148(9), doi:10.1175/MWR-D-19-0076.1.
- Weight of k of M members: posterior mean under a Beta prior, Katz and Ehrendorfer 2006, Wea Forecasting 21:220-231,
  doi:10.1175/WAF913.1. With R the potential Brier skill, B the error of an ensemble of any size:
  w = R / (R + (1 - R) / M + B).
- Skill of rain to about 7 days, of temperature beyond nine: Richardson, Haiden and Janousek, ECMWF Newsletter 154 (2018).
- Nothing at a point beyond 16 to 23 days: Buizza and Leutbecher 2015, doi:10.1002/qj.2619.
"""

from __future__ import annotations

import numpy as np
import pytest

from matewindow.biology import load_biology
from matewindow.paths import ensemble_weight, single_weight, switch_days

FORECAST = load_biology().forecast
LEADS = np.array([1.0, 2.0, 3.0, 5.0, 7.0, 10.0, 14.0, 16.0])
SKILL = np.array([0.60, 0.53, 0.43, 0.28, 0.15, 0.057, 0.018, 0.009])  # judgement: between the anchors
ENSEMBLE_TABLE = [0.91, 0.90, 0.88, 0.81, 0.69, 0.46, 0.21, 0.12]  # 50 members, B = 0.05
SINGLE_TABLE = [0.55, 0.48, 0.39, 0.25, 0.14, 0.05, 0.02, 0.01]  # one run, B = 0.10


def optimal_weight(skill: float | np.ndarray, members: int, error: float) -> float | np.ndarray:
    """Weight that makes the mixture of k/M and climatology best in the Brier score."""
    return skill / (skill + (1.0 - skill) / members + error)


@pytest.mark.parametrize(
    ("members", "skill", "error", "weight"),
    [(50, 0.1, 0.0, 0.8474576), (50, 0.1, 0.05, 0.5952381), (1, 0.1, 0.0, 0.1), (10, 0.3, 0.02, 0.7692308)],
)
def test_the_theory_has_its_hand_worked_values(members: int, skill: float, error: float, weight: float) -> None:
    """Worked by hand; with one member and no error the weight is the skill itself."""
    assert optimal_weight(skill, members, error) == pytest.approx(weight, abs=5e-8)


def test_the_theory_holds_in_a_simulation() -> None:
    """50,000 forecasts of a yes-or-no event by 10 exchangeable members: no other weight scores better than the formula's.

    Seeded; the best weight on a grid lies within 0.05 of the formula.
    """
    rng = np.random.default_rng(6)
    n, members, base = 50_000, 10, 0.3
    spread = 0.15
    a = base * (1.0 / spread - 1.0)
    p = rng.beta(a, a * (1.0 - base) / base, n)  # true chances; their variance over base (1 - base) is the skill
    event = rng.random(n) < p
    k = rng.binomial(members, p) / members
    grid = np.linspace(0.0, 1.0, 101)
    score = [np.mean((w * k + (1.0 - w) * base - event) ** 2) for w in grid]
    assert grid[int(np.argmin(score))] == pytest.approx(float(optimal_weight(spread, members, 0.0)), abs=0.05)


def test_the_ensembles_weight_follows_the_table_of_the_theory() -> None:
    """Largest difference of the fitted curve 0.03 (0.023 before rounding of the table)."""
    weight = ensemble_weight(LEADS, FORECAST)
    np.testing.assert_allclose(weight, ENSEMBLE_TABLE, atol=0.03)
    np.testing.assert_allclose(weight, optimal_weight(SKILL, 50, 0.05), atol=0.03)


def test_a_single_runs_weight_follows_the_table_of_the_theory() -> None:
    weight = single_weight(LEADS, FORECAST)
    np.testing.assert_allclose(weight, SINGLE_TABLE, atol=0.03)
    np.testing.assert_allclose(weight, optimal_weight(SKILL, 1, 0.10), atol=0.03)


def test_the_curves_are_the_ones_that_are_documented() -> None:
    leads = np.arange(0.0, 40.0)
    np.testing.assert_allclose(ensemble_weight(leads, FORECAST), 0.90 / (1.0 + (leads / 9.8) ** 3.5), rtol=1e-14)
    np.testing.assert_allclose(single_weight(leads, FORECAST), 0.55 / (1.0 + (leads / 4.5) ** 2.5), rtol=1e-14)


def test_weights_respect_the_published_anchors() -> None:
    """More than half within the first week (rain is skilful to day 7), little at day 16, next to nothing past day 23."""
    leads = np.arange(0.0, 60.0)
    weight = ensemble_weight(leads, FORECAST)
    assert weight[7] > 0.5
    assert weight[16] < 0.15
    assert weight[23] < 0.05
    assert (np.diff(weight) < 0.0).all()
    assert (single_weight(leads, FORECAST) < weight).all()


def test_splicing_gives_each_lead_exactly_its_weight() -> None:
    """w = .9, .5, .2 on 1,000 paths: shares of paths still on the forecast within 0.001, in any order of the dice."""
    for seed in range(20):
        days = switch_days(np.array([0.9, 0.5, 0.2]), 1000, np.random.default_rng(seed))
        shares = [(days > lead).mean() for lead in range(3)]
        assert shares == pytest.approx([0.9, 0.5, 0.2], abs=0.001)
        assert days.max() <= 3


def test_a_weight_that_rises_again_is_made_non_increasing() -> None:
    days = switch_days(np.array([0.5, 0.9, 0.2, 0.4]), 1000, np.random.default_rng(1))
    assert [(days > lead).mean() for lead in range(4)] == pytest.approx([0.5, 0.5, 0.2, 0.2], abs=0.001)


def test_weights_of_none_and_of_all_leave_no_doubt() -> None:
    rng = np.random.default_rng(2)
    assert (switch_days(np.zeros(5), 500, rng) == 0).all()
    assert (switch_days(np.ones(5), 500, rng) == 5).all()
    assert (switch_days(np.array([7.0, -1.0]), 500, rng) == 1).all()
