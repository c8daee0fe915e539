"""What is made of stored runs: a planted signal is taken up, a useless one gets no weight, the rest is refused."""

from __future__ import annotations

from datetime import UTC, datetime

import numpy as np
import pytest
from sklearn.linear_model import LogisticRegression

from matewindow.biology import load_biology
from matewindow.learning.acceptance import BOUND
from matewindow.learning.findings import Maker
from matewindow.learning.model import VALUES
from matewindow.learning.recalibration import safe_logit
from matewindow.learning.weather.cases import DayCases, day_scores
from matewindow.learning.weather.dayfinding import day_finding, fit_days, odds_in_use
from matewindow.learning.weather.findings import WeatherFinding
from matewindow.learning.weather.weightfinding import weight_finding
from matewindow.learning.weather.weights import Hill, LeadSums, best_weight, fit_hill
from tests.learning.weather.made_cases import fading, made, nothing, skill_of

BIOLOGY = load_biology()
MAKER = Maker(datetime(2026, 11, 1, 8, tzinfo=UTC), "0.1.0")
LEADS = np.arange(16)


def weights(cases: DayCases) -> WeatherFinding:
    return weight_finding(cases, BIOLOGY, BIOLOGY, MAKER)


def days(cases: DayCases) -> WeatherFinding:
    return day_finding(cases, BIOLOGY, MAKER)


# --- the weight of the forecast -----------------------------------------------------------------------------------


def test_a_planted_signal_is_found_and_earns_its_use() -> None:
    found = weights(made(3, seasons=5, sites=3))
    assert found.model is not None
    assert found.verdict.accepted
    assert found.estimate["gain_over_usual"] > 0.1
    assert set(found.model.values) == set(VALUES["forecast-weight"])
    assert found.model.values["forecast.single_weight"] == BIOLOGY.forecast.single_weight
    curve = Hill(*(found.estimate[part] for part in ("weight", "half_d", "power")))
    wanted = best_weight(skill_of(fading(LEADS.astype(np.float64))), 50)
    np.testing.assert_allclose(curve.at(LEADS)[:7], wanted[:7], atol=0.06)
    assert "better than the weights in use on seasons left out in turn" in found.sentence
    assert [row["lead"] for row in found.rows] == LEADS.tolist()


@pytest.mark.parametrize("agreed", [0.0, 0.9], ids=["spread", "sure of itself"])
@pytest.mark.parametrize("seed", range(4))
def test_a_useless_forecast_gets_no_weight(agreed: float, seed: int) -> None:
    found = weights(made(seed, seasons=4, skill=nothing, agreed=agreed))
    assert found.model is not None
    assert found.model.values["forecast.ensemble_weight"] == 0.0
    assert all(row["fitted"] == 0.0 for row in found.rows)
    assert found.verdict.gain is not None
    assert found.verdict.gain > 0.0
    assert "so they get no weight" in found.sentence


def test_a_useless_forecast_that_looks_good_by_chance_gets_no_weight_either() -> None:
    """In one season it happens to be right, in the next it misleads; fitted to all of it, it seems worth something."""
    lucky = [lambda lead: np.full_like(lead, 0.6), nothing, nothing, lambda lead: np.full_like(lead, -0.3)]
    cases = made(5, seasons=4, agreed=0.5, skill=lucky)
    whole = fit_hill(LeadSums.of(cases), Hill.of(BIOLOGY.forecast, single=False), LEADS, ((0, 1, 1), (1, 20, 8)))
    assert whole.curve.today > 0.10  # what a fit without a test would give it
    found = weights(cases)
    assert found.estimate["weight"] == 0.0


def test_weights_that_are_right_already_are_left_alone_in_a_sentence() -> None:
    """Runs whose best weight is the curve in use: the gain is nothing, and it is said what would show a difference."""
    weight = Hill.of(BIOLOGY.forecast, single=False).at(LEADS)
    rho = np.sqrt(np.sin(np.pi / 2.0 * weight / (weight + 50 * (1.0 - weight))))
    found = [weights(made(40 + seed, seasons=4, skill=lambda _: rho)) for seed in range(6)]
    assert sum(f.model is None for f in found) >= 4
    for f in found:
        if f.model is None:
            assert f.sentence.startswith("The stored runs do not yet justify a change")
            assert "more site-days would" in f.sentence
        else:  # it may move a little, but not by much
            assert f.verdict.gain is not None
            assert f.verdict.gain < 0.004


def test_too_few_runs_move_nothing_and_it_is_said_how_many_more_it_takes() -> None:
    found = weights(made(1, seasons=1, days=130))
    assert found.model is None
    assert found.estimate == {}
    assert "five must have them: there are 130 site-days. About 70 more site-days would be the least" in found.sentence


def test_runs_of_one_stretch_of_weather_cannot_be_tried() -> None:
    found = weights(made(1, seasons=1, sites=5, days=45))
    assert found.model is None
    assert "cannot be tried on weather that it was not made from" in found.sentence
    assert "About 45 more days with runs, more than 40 days away from these" in found.sentence


def test_without_any_case_it_is_said_what_would_be_the_least() -> None:
    for found in (weights(DayCases.none()), days(DayCases.none())):
        assert found.model is None
        assert "there are 0 site-days" in found.sentence


def test_single_runs_set_their_own_numbers_and_a_few_ensembles_among_them_are_set_aside() -> None:
    singles = made(9, seasons=5, sites=3, members=1)
    few = made(10, seasons=1, days=20)
    found = weights(DayCases.joined([singles, few]))
    assert found.set_aside == {"they are of an ensemble": len(few)}
    assert found.n == len(singles)
    curve = Hill(*(found.estimate[part] for part in ("weight", "half_d", "power")))
    wanted = best_weight(skill_of(fading(LEADS.astype(np.float64))), 1)  # a single yes or no deserves its skill
    np.testing.assert_allclose(curve.at(LEADS), wanted, atol=0.08)
    if found.model is not None:
        assert found.model.values["forecast.ensemble_weight"] == BIOLOGY.forecast.ensemble_weight


# --- the odds of a flying day -------------------------------------------------------------------------------------


def mixed(cases: DayCases, a: float, b: float, seed: int = 1) -> DayCases:
    """The same cases with outcomes drawn so that logit p' = a + b logit p of the odds in use is right."""
    p = odds_in_use(cases, BIOLOGY.forecast)
    true = 1.0 / (1.0 + np.exp(-(a + b * safe_logit(np.clip(p, 0.02, 0.98)))))
    came = np.random.default_rng(seed).random(len(p)) < true
    return DayCases(**{**cases.__dict__, "came": came})


def test_odds_are_those_of_the_weights_in_use() -> None:
    ensemble, single = made(1, seasons=1, days=5), made(1, seasons=1, days=5, members=1)
    p = odds_in_use(DayCases.joined([ensemble, single]), BIOLOGY.forecast)
    w = [Hill.of(BIOLOGY.forecast, single=s).at(ensemble.lead) for s in (False, True)]
    for part, weight, cases in zip(np.split(p, 2), w, (ensemble, single), strict=True):
        np.testing.assert_allclose(part, weight * cases.share + (1.0 - weight) * 0.5, rtol=1e-14)


def test_with_many_runs_the_fit_is_plain_logistic_regression() -> None:
    cases = mixed(made(2, seasons=4), -0.4, 0.7)
    p = np.clip(odds_in_use(cases, BIOLOGY.forecast), 0.001, 0.999)
    fit = fit_days(p, cases.came, cases.n_site_days)
    reference = LogisticRegression(C=np.inf, tol=1e-12, max_iter=1000).fit(safe_logit(p)[:, None], cases.came)
    assert fit.a == pytest.approx(reference.intercept_[0], abs=1e-5)
    assert fit.b == pytest.approx(reference.coef_[0, 0], abs=1e-5)


def test_planted_miscalibration_is_found_and_earns_its_use() -> None:
    found = days(mixed(made(2, seasons=4), -0.5, 0.7))
    assert found.model is not None
    assert found.model.values["a"] == pytest.approx(-0.5, abs=0.1)
    assert found.model.values["b"] == pytest.approx(0.7, abs=0.08)
    assert found.model.low["b"] < 0.7 < found.model.high["b"]
    assert "Put right by the weather that came 30 % becomes" in found.sentence


def test_odds_that_are_right_are_left_alone() -> None:
    refused = [days(mixed(made(60 + seed, seasons=4), 0.0, 1.0, seed)) for seed in range(6)]
    assert sum(f.model is None for f in refused) >= 4
    assert all("more site-days would" in f.sentence for f in refused if f.model is None)


@pytest.mark.parametrize(("slope", "end"), [(0.1, 0.5), (2.5, 1.2)])
def test_with_few_runs_the_slope_is_held(slope: float, end: float) -> None:
    cases = mixed(made(2, seasons=2, days=100), 0.0, slope)
    p = odds_in_use(cases, BIOLOGY.forecast)
    assert fit_days(p, cases.came, 299).b == end
    assert fit_days(p, cases.came, 300).b == pytest.approx(slope, abs=0.35)


def test_fewer_than_a_hundred_site_days_put_nothing_right() -> None:
    found = days(mixed(made(2, seasons=3, days=30), -1.0, 0.5))
    assert found.model is None
    assert "nothing is fitted to fewer than 100, and there are 90 site-days. About 10 more" in found.sentence


def test_upside_down_odds_make_no_model() -> None:
    found = days(mixed(made(2, seasons=4), 0.0, -0.5))
    assert found.model is None
    assert "no more common where their odds were higher" in found.sentence


# --- in common ----------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("make", [weights, days])
def test_what_is_accepted_meets_the_rule_and_what_is_refused_does_not(make) -> None:  # type: ignore[no-untyped-def]
    for seed in range(8):
        v = make(made(seed, seasons=3, days=80, members=20)).verdict
        assert v.gain is not None
        assert v.bound is not None
        assert v.bound_records is not None
        assert v.accepted == (v.gain > 0.0 and min(v.bound, v.bound_records) > BOUND)
        assert v.gain == pytest.approx((v.after or 0.0) - (v.before or 0.0))


def test_scores_are_logarithms_of_odds_kept_off_the_ends() -> None:
    # p = .8: hit .2231436, miss 1.6094379 (log score, textbook values); 0 counts as 1 in a hundred
    scores = day_scores(np.array([0.8, 0.8, 0.0, 1.0]), np.array([True, False, True, True]))
    np.testing.assert_allclose(scores, [-0.2231436, -1.6094379, np.log(0.01), np.log(0.99)], atol=5e-8)


def test_the_digest_tells_other_cases_apart() -> None:
    cases = made(1, seasons=1, days=5)
    other = DayCases(**{**cases.__dict__, "came": ~cases.came})
    assert cases.sha256 == made(1, seasons=1, days=5).sha256
    assert len({cases.sha256, other.sha256, cases.take(cases.lead > 0).sha256}) == 3
