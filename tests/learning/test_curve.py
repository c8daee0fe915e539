"""Whether a straight line is enough: told where it is not, and nothing made of it."""

from __future__ import annotations

from datetime import date
from typing import TYPE_CHECKING

import numpy as np
import pytest
from scipy.special import expit, logit

from matewindow.learning.acceptance import Folds, folds_of
from matewindow.learning.curve import curve_remark, isotonic
from matewindow.verification.reliability import recalibrate

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from matewindow.learning.findings import Remark

    Floats = NDArray[np.float64]


def test_the_worked_example_of_pooling_comes_out() -> None:
    """Odds .1 four times (0, 0, 0, 1), .5 twice (0, 1), .8 four times (1, 1, 1, 0): .25, .5 and .75, by hand."""
    p = np.repeat([0.1, 0.5, 0.8], [4, 2, 4])
    y = np.array([0, 0, 0, 1, 0, 1, 1, 1, 1, 0], dtype=bool)

    assert isotonic(p, y, np.array([0.1, 0.5, 0.8]), lean=0.0) == pytest.approx([0.25, 0.5, 0.75])
    assert isotonic(p, y, np.array([0.1]), lean=4.0) == pytest.approx([(0.25 + 0.1) / 2])


def test_it_pools_as_the_verification_does() -> None:
    """Two ways to the same: scikit-learn's isotonic regression, and the pooling of the report."""
    rng = np.random.default_rng(1)
    p = rng.uniform(0.1, 0.9, 300)
    y = rng.random(300) < p**1.5

    assert isotonic(p, y, p, lean=0.0) == pytest.approx(np.clip(recalibrate(p, y), 0.001, 0.999), abs=1e-9)


def seasons(n: int) -> Folds:
    labels = np.arange(n) % 5
    return folds_of([str(s) for s in labels], ["A"] * n, [date(2020 + int(s), 6, 1) for s in labels])


def told(n: int, seed: int, *, bent: bool) -> Remark:
    rng = np.random.default_rng(seed)
    p = 0.05 + 0.9 * rng.beta(4.0, 2.0, n)
    truth = np.where(p > 0.6, 0.85, 0.35) if bent else expit(-0.3 + 0.8 * logit(p))
    return curve_remark(p, rng.random(n) < truth, seasons(n))


def test_a_straight_line_is_seldom_called_bent_and_a_step_nearly_always_found() -> None:
    def found(*, bent: bool) -> float:
        return float(np.mean(["not enough" in told(500, seed, bent=bent).sentence for seed in range(30)]))

    bent, straight = found(bent=True), found(bent=False)
    print(f"\ncalled bent: {straight:.2f} of straight lines, {bent:.2f} of steps")

    assert straight <= 0.15
    assert bent >= 0.8


def test_the_remark_says_where_the_line_is_worst_and_that_nothing_is_changed() -> None:
    remark = told(600, 2, bent=True)

    assert remark.about == "curve"
    assert "Nothing is changed by that" in remark.sentence
    assert abs(remark.numbers["line_says"] - remark.numbers["came"]) > 0.05
    assert remark.numbers["queens"] == 120


def test_with_nothing_to_leave_out_it_says_so() -> None:
    rng = np.random.default_rng(3)
    p = rng.uniform(0.2, 0.9, 500)
    one = folds_of(["2025"] * 500, ["A"] * 500, [date(2025, 6, 1)] * 500)

    assert "cannot be tried" in curve_remark(p, rng.random(500) < p, one).sentence
