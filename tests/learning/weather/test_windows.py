"""What is left out in turn: nothing that shares its weather is fitted to, and chance is reckoned by blocks."""

from __future__ import annotations

import numpy as np
import pytest

from matewindow.learning.acceptance import BOUND, PURGE_D
from matewindow.learning.weather.windows import BLOCK_D, WINDOW_D, Windows
from tests.learning.weather.made_cases import made


@pytest.mark.parametrize("seasons", [1, 2, 4])
@pytest.mark.parametrize("sites", [1, 2, 3])
def test_nothing_within_forty_days_of_what_is_left_out_is_fitted_to(seasons: int, sites: int) -> None:
    cases = made(1, seasons=seasons, sites=sites, days=120, leads=3, members=2)
    windows = Windows.of(cases)
    seen = np.zeros(len(cases), dtype=int)
    for training, held in windows.folds():
        seen[held] += 1
        assert not set(training) & set(held)
        gap = np.abs(cases.issued[training][:, None] - cases.issued[held][None, :]).astype(int)
        assert gap.size == 0 or gap.min() > PURGE_D
        if sites >= 3:
            assert not set(cases.site[training]) & set(cases.site[held])
    assert (seen == 1).all()


def test_all_days_beyond_the_purge_are_fitted_to() -> None:
    cases = made(1, seasons=1, sites=1, days=150, leads=2, members=2)
    windows = Windows.of(cases)
    training, held = next(iter(windows.folds()))
    last = cases.issued[held].max()
    assert set(training) == set(np.flatnonzero((cases.issued - last).astype(int) > PURGE_D))
    assert int((last - cases.issued.min()).astype(int)) == WINDOW_D - 1


@pytest.mark.parametrize(("seasons", "days", "enough"), [(1, 60, False), (1, 140, True), (2, 20, True), (3, 5, True)])
def test_a_fit_can_be_tried_only_where_weather_lies_far_enough_apart(seasons: int, days: int, enough: bool) -> None:  # noqa: FBT001
    assert Windows.of(made(1, seasons=seasons, days=days, leads=2, members=2)).enough is enough


def test_seasons_are_left_out_where_there_are_three_and_sites_with_them_where_there_are_three() -> None:
    def by(seasons: int, sites: int = 1) -> str:
        return Windows.of(made(1, days=10, leads=2, members=2, seasons=seasons, sites=sites)).by

    assert by(seasons=3) == "season"
    assert by(seasons=2) == "stretch of 45 days"
    assert by(seasons=3, sites=3) == "season at each site"


def test_a_gain_that_a_single_month_carries_is_chance() -> None:
    cases = made(1, seasons=4, days=100, leads=2, members=2)
    windows = Windows.of(cases)
    before = np.zeros(len(cases))
    steady = np.full(len(cases), 0.003)
    lucky = np.where((cases.season == "2021") & (cases.issued < np.datetime64("2021-05-30")), 0.07, -0.003)
    assert lucky.mean() > steady.mean() * 0.5
    good, luck = (windows.verdict(before, after) for after in (steady, lucky))
    assert good.accepted
    assert good.bound == pytest.approx(0.003)
    assert not luck.accepted
    assert luck.gain is not None
    assert luck.gain > 0.0
    assert luck.bound_records is not None
    assert luck.bound_records < BOUND


def test_a_small_steady_loss_is_never_accepted_and_what_was_not_tried_does_not_count() -> None:
    cases = made(1, seasons=3, days=10, leads=2, members=2)
    windows = Windows.of(cases)
    before = np.zeros(len(cases))
    assert not windows.verdict(before, before - 1e-6).accepted
    part = np.where(cases.season == "2020", np.nan, 0.01)
    verdict = windows.verdict(before, part)
    assert verdict.n_groups == 2
    assert verdict.gain == pytest.approx(0.01)


def test_the_lower_end_over_blocks_is_that_of_drawing_them_anew() -> None:
    """Beside a plain bootstrap of our own with other random numbers."""
    cases = made(1, seasons=4, days=120, leads=4, members=2)
    windows = Windows.of(cases)
    rng = np.random.default_rng(5)
    gains = np.repeat(rng.normal(0.01, 0.05, len(cases) // 4), 4) + rng.normal(0, 0.05, 40)[windows.block]
    blocks = [gains[windows.block == b] for b in np.unique(windows.block)]
    assert len(blocks) == 4 * 120 // BLOCK_D
    draws = []
    for _ in range(4000):
        picked = rng.integers(0, len(blocks), len(blocks))
        draws.append(np.concatenate([blocks[i] for i in picked]).mean())
    assert windows.bounds(gains)[1] == pytest.approx(np.quantile(draws, 0.10), abs=0.002)
