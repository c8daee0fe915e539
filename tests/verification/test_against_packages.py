"""Scores agree with independent packages on random inputs: `scores`, `scoringrules` and scikit-learn."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import pytest
import xarray as xr
from scipy.stats import chisquare
from sklearn.isotonic import IsotonicRegression, isotonic_regression
from sklearn.metrics import brier_score_loss, log_loss, roc_auc_score, roc_curve

from matewindow.verification import (
    Samples,
    brier_scores,
    crps,
    economic_value,
    first_egg_scores,
    log_scores,
    positions,
    rank_histogram,
    recalibrate,
    reliability,
    roc,
    rps,
    rps_of_samples,
)
from matewindow.verification.blocks import Blocks
from matewindow.verification.ordered import class_odds, exact_days

if TYPE_CHECKING:
    from numpy.typing import NDArray

    Floats = NDArray[np.float64]

scores = pytest.importorskip("scores", reason="the package `scores` is a development dependency")
scoringrules = pytest.importorskip("scoringrules", reason="the package `scoringrules` is a development dependency")
TOLERANCE = 1e-9


@pytest.fixture(name="rng", params=range(5))
def _rng(request: pytest.FixtureRequest) -> np.random.Generator:
    return np.random.default_rng(request.param)


def odds_and_events(rng: np.random.Generator, n: int = 200) -> tuple[Floats, Floats]:
    p = np.round(rng.random(n), 2)  # with ties
    return p, (rng.random(n) < 0.2 + 0.6 * p).astype(float)


def cases(values: Floats, *dims: str) -> xr.DataArray:
    return xr.DataArray(values, dims=dims or ("case",))


def test_brier_score(rng: np.random.Generator) -> None:
    p, y = odds_and_events(rng)
    found = brier_scores(p, y).mean()
    assert found == pytest.approx(float(scores.probability.brier_score(cases(p), cases(y))), abs=TOLERANCE)
    assert found == pytest.approx(brier_score_loss(y, p), abs=TOLERANCE)
    assert brier_scores(p, y) == pytest.approx(scoringrules.brier_score(y, p), abs=TOLERANCE)


def test_log_score(rng: np.random.Generator) -> None:
    p, y = odds_and_events(rng)
    assert log_scores(p, y).mean() == pytest.approx(log_loss(y, np.clip(p, 0.01, 0.99)), abs=TOLERANCE)


def test_a_share_scores_as_its_queens_would_one_by_one(rng: np.random.Generator) -> None:
    """7 of 9 queens at odds p are nine cases, two of them failures."""
    p, mated = rng.random(30), rng.integers(0, 10, 30)
    each_p = np.repeat(p, 9)
    each_y = (np.arange(9) < mated[:, None]).astype(float).ravel()
    assert brier_scores(p, mated / 9).mean() == pytest.approx(brier_score_loss(each_y, each_p), abs=TOLERANCE)
    assert log_scores(p, mated / 9).mean() == pytest.approx(
        log_loss(each_y, np.clip(each_p, 0.01, 0.99)), abs=TOLERANCE
    )
    assert roc(p, mated / 9).area.value == pytest.approx(roc_auc_score(each_y, each_p), abs=TOLERANCE)


@pytest.mark.parametrize(("drawn", "method", "estimator"), [(True, "fair", "fair"), (False, "ecdf", "nrg")])
def test_crps_of_members(rng: np.random.Generator, drawn: bool, method: str, estimator: str) -> None:  # noqa: FBT001
    members, seen = np.round(rng.gamma(2.0, 2.0, (60, 21)), 1), np.round(rng.gamma(2.0, 2.0, 60), 1)
    found = crps(Samples(members, drawn=drawn), seen)
    other = scores.probability.crps_for_ensemble(
        cases(members, "case", "member"), cases(seen), "member", method=method, preserve_dims="case"
    )
    assert found == pytest.approx(other.to_numpy(), abs=TOLERANCE)
    assert found == pytest.approx(scoringrules.crps_ensemble(seen, members, estimator=estimator), abs=TOLERANCE)


def test_crps_of_weighted_values_is_that_of_repeated_ones(rng: np.random.Generator) -> None:
    members, seen, times = rng.normal(size=(20, 6)), rng.normal(size=20), rng.integers(1, 5, 6)
    weighted = Samples(members, np.tile(times.astype(float), (20, 1)), drawn=False)
    repeated = scoringrules.crps_ensemble(seen, np.repeat(members, times, axis=1), estimator="nrg")
    assert crps(weighted, seen) == pytest.approx(repeated, abs=TOLERANCE)


def test_crps_leaves_out_missing_members(rng: np.random.Generator) -> None:
    members, seen = rng.normal(size=(10, 12)), rng.normal(size=10)
    holes = np.where(np.arange(12) >= 9, np.nan, members)
    assert crps(Samples(holes), seen) == pytest.approx(
        scoringrules.crps_ensemble(seen, members[:, :9], estimator="fair"), abs=TOLERANCE
    )


def test_rps(rng: np.random.Generator) -> None:
    odds, came = rng.dirichlet(np.ones(4), 50), rng.integers(0, 4, 50)
    assert rps(odds, came.astype(float)) == pytest.approx(
        scoringrules.rps_score(came + 1, odds), abs=TOLERANCE
    )  # classes from 1 there


def test_rps_of_members_is_the_brier_score_over_thresholds(rng: np.random.Generator) -> None:
    members, seen, edges = np.round(rng.gamma(2, 2, (40, 11))), np.round(rng.gamma(2, 2, 40)), (1.0, 3.0, 6.0)
    other = scores.probability.brier_score_for_ensemble(
        cases(members, "case", "member"),
        cases(seen),
        "member",
        event_thresholds=list(edges),
        preserve_dims=["case"],
        fair_correction=True,
    )
    assert rps_of_samples(Samples(members), seen, edges) == pytest.approx(
        other.sum("threshold").to_numpy(), abs=TOLERANCE
    )
    plain = rps(class_odds(Samples(members), edges), np.searchsorted(edges, seen, side="right").astype(float))
    assert rps_of_samples(Samples(members, drawn=False), seen, edges) == pytest.approx(plain, abs=TOLERANCE)


def test_first_egg_is_the_crps_of_the_day_cut_off_at_the_horizon(rng: np.random.Generator) -> None:
    days, seen = rng.integers(5, 40, (50, 15)).astype(float), rng.integers(5, 40, 50).astype(float)
    days[rng.random(days.shape) < 0.2] = np.inf
    seen[:10] = np.inf
    found = first_egg_scores(Samples(days), *exact_days(seen), 28)
    cut = scoringrules.crps_ensemble(np.minimum(seen, 28), np.minimum(days, 28), estimator="fair")
    assert found == pytest.approx(cut, abs=TOLERANCE)


def test_roc(rng: np.random.Generator) -> None:
    p, y = odds_and_events(rng)
    found = roc(p, y)
    false, hits, _ = roc_curve(y, p, drop_intermediate=False)
    assert found.area.value == pytest.approx(roc_auc_score(y, p), abs=TOLERANCE)
    assert found.hit_rate == pytest.approx(hits, abs=TOLERANCE)
    assert found.false_alarm_rate == pytest.approx(false, abs=TOLERANCE)


def test_value_over_cost_loss_ratios(rng: np.random.Generator) -> None:
    p, y = odds_and_events(rng)
    ratios = (0.105, 0.305, 0.505, 0.705)  # between the steps of p, where "at least" and "more than" are the same
    found = economic_value(p, np.full_like(p, y.mean()), y, Blocks.of(np.arange(len(p)) // 20), ratios)
    theirs = scores.categorical.relative_economic_value(
        cases(p), cases(y), cost_loss_ratios=list(ratios), probability_thresholds=list(ratios)
    )
    own = [float(theirs.sel(cost_loss_ratio=a, probability_threshold=a)) for a in ratios]
    assert [v.value for v in found.odds] == pytest.approx(own, abs=TOLERANCE)


def test_isotonic_regression(rng: np.random.Generator) -> None:
    p, y = odds_and_events(rng)
    theirs = scores.processing.isotonic_fit(cases(p), cases(y))
    found = dict(zip(p, recalibrate(p, y), strict=True))
    assert [found[x] for x in theirs["fcst_sorted"]] == pytest.approx(
        theirs["regression_values"].tolist(), abs=TOLERANCE
    )


def test_bars_use_the_same_regression_as_the_curve(rng: np.random.Generator) -> None:
    """Distinct odds with counts as weights, or case by case: one result."""
    p, y = odds_and_events(rng)
    values, place, count = np.unique(p, return_inverse=True, return_counts=True)
    grouped = isotonic_regression(np.bincount(place, y) / count, sample_weight=count.astype(float), y_min=0, y_max=1)
    assert grouped[place] == pytest.approx(IsotonicRegression(y_min=0, y_max=1).fit_transform(p, y), abs=TOLERANCE)
    r = reliability(p, y, n_draws=10)
    assert r is not None
    assert r.recalibrated == pytest.approx(grouped, abs=TOLERANCE)
    assert r.odds.tolist() == values.tolist()


def test_rank_histogram(rng: np.random.Generator) -> None:
    members, seen = rng.normal(size=(300, 9)), rng.normal(size=300)
    h = rank_histogram(positions(Samples(members), seen), n_bins=10)
    theirs = scores.probability.rank_histogram(cases(members, "case", "member"), cases(seen), "member")
    assert h.counts / 300 == pytest.approx(theirs.to_numpy(), abs=TOLERANCE)
    assert h.chi_square == pytest.approx(chisquare(h.counts).statistic, abs=TOLERANCE)
    assert h.chance == pytest.approx(chisquare(h.counts).pvalue, abs=TOLERANCE)
