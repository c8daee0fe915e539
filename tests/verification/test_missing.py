"""What is not known stays unknown: a case without it is left out of a score and counted, never taken for nil."""

from __future__ import annotations

import numpy as np
import pytest

from matewindow.verification import (
    Blocks,
    Samples,
    brier_scores,
    compare,
    crps,
    decompose,
    economic_value,
    first_egg_log_scores,
    first_egg_scores,
    log_scores,
    persistence_odds,
    positions,
    rank_histogram,
    reliability,
    roc,
    rps,
    rps_of_samples,
)
from matewindow.verification.missing import mean_score
from matewindow.verification.ordered import class_odds

NAN = np.nan
P = np.array([0.2, NAN, 0.7, 0.4, 0.9, 0.6])
Y = np.array([0.0, 1.0, NAN, 1.0, 1.0, 0.0])
KNOWN = np.array([0, 3, 4, 5])
BLOCKS = Blocks.of(np.arange(6))


def test_scores_of_single_cases_are_missing_where_anything_is() -> None:
    for score in (brier_scores, log_scores):
        assert np.flatnonzero(np.isnan(score(P, Y))).tolist() == [1, 2]
    assert np.isnan(rps([[0.2, 0.8], [NAN, NAN], [0.5, 0.5]], [0.0, 1.0, NAN])).tolist() == [False, True, True]


def test_a_mean_counts_what_it_left_out() -> None:
    mean = mean_score(brier_scores(P, Y))
    assert (mean.n, mean.missing) == (4, 2)
    assert mean.value == pytest.approx(brier_scores(P[KNOWN], Y[KNOWN]).mean())
    nothing = mean_score([NAN, NAN])
    assert np.isnan(nothing.value)
    assert (nothing.n, nothing.missing) == (0, 2)


def test_figures_are_those_of_the_complete_cases() -> None:
    d, r, c = decompose(P, Y), reliability(P, Y, n_draws=5), roc(P, Y)
    assert r is not None
    assert (d.n, d.missing, r.n, r.missing, c.n, c.missing) == (4, 2) * 3
    assert d.score == decompose(P[KNOWN], Y[KNOWN]).score
    assert c.area == roc(P[KNOWN], Y[KNOWN]).area
    v = economic_value(P, np.full(6, 0.5), Y, BLOCKS, (0.5,))
    assert (v.n, v.missing) == (4, 2)


def test_a_comparison_takes_pairs_only() -> None:
    a, b = np.array([0.1, 0.2, NAN, 0.4]), np.array([0.2, NAN, 0.3, 0.5])
    c = compare(a, b, Blocks.of([1, 1, 2, 2]))
    assert (c.n, c.missing, c.n_blocks) == (2, 2, 2)
    assert c.score.value == pytest.approx(0.25)
    assert c.reference.value == pytest.approx(0.35)


def test_a_season_without_a_known_case_is_no_block() -> None:
    a = np.where(np.arange(12) // 2 < 3, 0.1, NAN)
    assert compare(a, a + 0.1, Blocks.of(np.arange(12) // 2)).n_blocks == 3


def test_members_that_are_missing_count_for_nothing() -> None:
    full, holes = Samples(np.array([[1.0, 3.0]])), Samples(np.array([[1.0, NAN, 3.0]]))
    assert crps(holes, [2.0]) == pytest.approx(crps(full, [2.0]))
    assert positions(holes, [2.0], seed=3) == pytest.approx(positions(full, [2.0], seed=3))
    assert rps_of_samples(holes, [2.0], (2.0,)) == pytest.approx(rps_of_samples(full, [2.0], (2.0,)))
    weighted = Samples(np.array([[1.0, 5.0, 3.0]]), np.array([[0.5, NAN, 0.5]]))
    assert crps(weighted, [2.0]) == pytest.approx(crps(full, [2.0]))


def test_no_member_or_no_observation_gives_no_score() -> None:
    samples, seen = Samples(np.array([[NAN, NAN], [1.0, 2.0]])), np.array([1.0, NAN])
    for found in (
        crps(samples, seen),
        positions(samples, seen),
        rps_of_samples(samples, seen, (1.0, 2.0)),
        first_egg_scores(samples, seen - 1, seen, 10),
        first_egg_log_scores(samples, seen - 1, seen, 10),
    ):
        assert np.isnan(found).all()
    assert np.isnan(class_odds(samples, (1.5,))[0]).all()


def test_a_first_egg_that_is_not_pinned_down_has_no_summed_score() -> None:
    """Lost from sight on day 5, and eggs some time between day 4 and day 9; pinned down from the horizon on."""
    samples = Samples(np.tile(np.arange(4.0, 14.0), (3, 1)))
    after, by = np.array([5.0, 4.0, 11.0]), np.array([np.inf, 9.0, np.inf])
    assert np.isnan(first_egg_scores(samples, after, by, 12)).tolist() == [True, True, False]
    assert not np.isnan(first_egg_log_scores(samples, after, by, 12)).any()


def test_nothing_at_all_is_said_as_nothing() -> None:
    none = np.full(6, NAN)
    assert decompose(none, Y).corrected is None
    assert reliability(none, Y) is None
    assert roc(none, Y).area.value is None
    assert rank_histogram(none).chance is None
    assert economic_value(none, P, Y, BLOCKS).odds[0].value is None
    assert compare(none, P, BLOCKS).skill.value is None
    assert np.isnan(persistence_odds([0.5], [NAN], [0.4])).all()


def test_only_one_kind_of_outcome_leaves_area_and_value_open() -> None:
    ones = np.ones(6)
    p = np.linspace(0.1, 0.9, 6)
    assert roc(p, ones, Blocks.of(np.arange(6))).area.value is None
    assert all(v.value is None for v in economic_value(p, p, ones, BLOCKS).odds)
    assert decompose(p, ones).parts.uncertainty == 0.0
