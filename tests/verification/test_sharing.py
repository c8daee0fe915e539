"""How far outcomes go together is found where it was planted, and right odds then look right about as often as stated.

Draws of a Gaussian behind each outcome; the link of its correlation to that of yes and no at odds of one half is
Sheppard's 2 / pi asin r (1899, from memory).
"""

from __future__ import annotations

import numpy as np
import pytest
from numpy.typing import NDArray
from scipy.special import ndtr, ndtri

from matewindow.verification.blocks import Blocks
from matewindow.verification.reliability import Reliability, reliability
from matewindow.verification.sharing import Sharing, _by_distance, drawn_outcomes, sharing_of

Floats = NDArray[np.float64]
FIRST = np.datetime64("2020-05-01", "D")


def behind(rng: np.random.Generator, n_seasons: int, n_days: int, block: float, memory_d: float) -> Floats:
    """Gaussians: a part shared by each season, and a first-order autoregression over its days, (n_seasons, n_days)."""
    kept = np.exp(-1.0 / memory_d) if memory_d else 0.0
    over_days = np.empty((n_seasons, n_days))
    over_days[:, 0] = rng.standard_normal(n_seasons)
    for day in range(1, n_days):
        fresh = np.sqrt(1.0 - kept**2) * rng.standard_normal(n_seasons)
        over_days[:, day] = kept * over_days[:, day - 1] + fresh
    hidden: Floats = np.sqrt(block) * rng.standard_normal((n_seasons, 1)) + np.sqrt(1.0 - block) * over_days
    return hidden


def placed(n_seasons: int, n_days: int) -> tuple[NDArray[np.intp], NDArray[np.int64]]:
    return np.repeat(np.arange(n_seasons), n_days), np.tile(np.arange(n_days), n_seasons)


def right_odds(
    rng: np.random.Generator, n_seasons: int, n_days: int, block: float, memory_d: float
) -> tuple[Floats, Floats]:
    """Odds that rise and fall with the date, and what came of them if they are right."""
    edge = 0.8 * np.sin(np.arange(n_days) / n_days * 3.0) - 0.3 + 0.15 * rng.standard_normal((n_seasons, n_days))
    came = behind(rng, n_seasons, n_days, block, memory_d) < edge
    return ndtr(edge).ravel(), came.ravel().astype(np.float64)


def judged(p: Floats, came: Floats, n_seasons: int, n_days: int, *, told: bool = True) -> Reliability:
    season, day = placed(n_seasons, n_days)
    found = reliability(p, came, Blocks.of(season), days=FIRST + day if told else None, n_draws=120)
    assert found is not None
    return found


# --- what was planted is found -----------------------------------------------------------------------------------


@pytest.mark.parametrize("block", [0.0, 0.1, 0.4])
def test_a_planted_correlation_of_seasons_is_found(block: float) -> None:
    season, day = placed(400, 40)
    came = (behind(np.random.default_rng(1), 400, 40, block, 0.0).ravel() < 0.0).astype(np.float64)
    found = sharing_of(came, np.full(len(came), came.mean()), season, day)
    assert found.vary == pytest.approx(1.0)
    assert found.block == pytest.approx(block, abs=0.04)
    assert found.days == pytest.approx(0.0, abs=0.1)


@pytest.mark.parametrize("memory_d", [2.0, 5.0])
@pytest.mark.parametrize("block", [0.0, 0.15])
@pytest.mark.parametrize("n_days", [20, 90])
def test_a_planted_memory_is_found(n_days: int, block: float, memory_d: float) -> None:
    season, day = placed(400, n_days)
    came = (behind(np.random.default_rng(2), 400, n_days, block, memory_d).ravel() < 0.0).astype(np.float64)
    found = sharing_of(came, np.full(len(came), came.mean()), season, day)
    short = 0.04 if n_days < 30 else 0.0  # the last third of a short season is not far enough apart to share nothing
    assert found.block == pytest.approx(block + short, abs=0.06)
    assert found.block + found.days == pytest.approx(1.0, abs=0.15)
    assert found.memory_d == pytest.approx(memory_d, rel=0.45)


def test_shares_of_many_queens_vary_less_than_single_ones() -> None:
    """Two queens of one case have correlated Gaussians of 0.3; what came is the share of a great many."""
    season, day = placed(400, 40)
    share = ndtr(-np.sqrt(0.3) * behind(np.random.default_rng(3), 400, 40, 0.5, 0.0).ravel() / np.sqrt(0.7))
    found = sharing_of(share, np.full(len(share), share.mean()), season, day)
    assert found.vary == pytest.approx(0.3, abs=0.02)
    assert found.block == pytest.approx(0.5, abs=0.05)


def test_few_seasons_with_many_cases_a_day_are_not_taken_to_share_their_days() -> None:
    """Independent cases, several on each day: what is left over adds up to nil, and that is no weather."""
    season, day = (np.tile(x, 3) for x in placed(3, 60))
    records = (np.random.default_rng(4).random((40, 540)) < 0.5).astype(np.float64)
    found = [sharing_of(came, np.full(540, came.mean()), season, day) for came in records]
    assert np.mean([sharing.block + sharing.days for sharing in found]) < 0.15


# --- records that are drawn ----------------------------------------------------------------------------------------


@pytest.mark.parametrize("sharing", [Sharing(1.0, 0.2, 0.6, 3.0), Sharing(0.4, 0.1, 0.5, 2.0), Sharing(1.0)])
def test_draws_come_true_as_often_as_the_odds_say(sharing: Sharing) -> None:
    season, day = placed(30, 10)
    odds = np.tile([0.0, 0.02, 0.1, 0.3, 0.5, 0.7, 0.9, 0.98, 1.0, 0.25], 30)
    drawn = drawn_outcomes(odds, sharing, season, day, 2000, np.random.default_rng(5))
    assert drawn.shape == (2000, 300)
    assert ((drawn >= 0.0) & (drawn <= 1.0)).all()
    by_odds = drawn.reshape(2000, 30, 10).mean(axis=(0, 1))
    np.testing.assert_allclose(by_odds, odds[:10], atol=0.02)
    assert (drawn[:, odds == 0.0] == 0.0).all()
    assert (drawn[:, odds == 1.0] == 1.0).all()


def test_draws_go_together_as_they_were_told_to() -> None:
    """Correlations of yes and no at odds of one half, by Sheppard's formula."""
    sharing = Sharing(1.0, 0.2, 0.6, 3.0)
    season, day = placed(4, 6)
    drawn = drawn_outcomes(np.full(24, 0.5), sharing, season, day, 20_000, np.random.default_rng(6))
    found = np.corrcoef(drawn.T).reshape(4, 6, 4, 6)
    for apart in (1, 2, 5):
        hidden = 0.2 + 0.6 * np.exp(-apart / 3.0)
        assert found[0, 0, 0, apart] == pytest.approx(2.0 / np.pi * np.arcsin(hidden), abs=0.03)
    assert found[0, 0, 1, 0] == pytest.approx(0.0, abs=0.03)


def test_days_between_cases_count_and_not_their_number() -> None:
    sharing, season, day = Sharing(1.0, 0.0, 0.9, 5.0), np.zeros(3, dtype=np.intp), np.array([40, 41, 60])
    drawn = drawn_outcomes(np.full(3, 0.5), sharing, season, day, 20_000, np.random.default_rng(7))
    found = np.asarray(np.corrcoef(drawn.T))
    assert found[0, 1] == pytest.approx(2.0 / np.pi * np.arcsin(0.9 * np.exp(-0.2)), abs=0.03)
    assert found[1, 2] == pytest.approx(2.0 / np.pi * np.arcsin(0.9 * np.exp(-3.8)), abs=0.03)


# --- bars ------------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(("n_seasons", "n_days", "expected"), [(20, 60, 0.055), (20, 24, 0.055), (5, 90, 0.09)])
def test_right_odds_over_days_with_a_memory_look_right_if_the_days_are_told(
    n_seasons: int, n_days: int, expected: float
) -> None:
    """Of right odds few are found wanting at 1 in 20, and the bars hold about nine tenths in ten.

    ``expected`` was counted over 500 records; with five seasons it is more, as what they share is hardly known.
    """
    rng = np.random.default_rng(8)
    found = [judged(*right_odds(rng, n_seasons, n_days, 0.03, 5.0), n_seasons, n_days) for _ in range(60)]
    wrong = np.mean([record.chance < 0.05 for record in found])
    outside = np.mean([tenth.off != 0.0 for record in found for tenth in record.bins])
    assert wrong < expected + 2.6 * np.sqrt(expected * (1.0 - expected) / 60)  # 1 in 200 by chance
    assert outside < 0.2
    assert np.mean([record.chance < 0.5 for record in found]) == pytest.approx(0.5, abs=0.2)


def test_they_look_wrong_if_cases_are_taken_to_stand_alone() -> None:
    rng = np.random.default_rng(8)
    found = []
    for _ in range(30):
        alone = reliability(*right_odds(rng, 20, 60, 0.03, 5.0), n_draws=120)
        assert alone is not None
        found.append(alone.chance < 0.05)
    assert np.mean(found) > 0.3  # half of 200 records


def test_wrong_odds_do_not_pass_as_shared_weather() -> None:
    rng = np.random.default_rng(9)
    for _ in range(5):
        p, came = right_odds(rng, 20, 90, 0.03, 4.0)
        assert judged(ndtr(2.0 * ndtri(p) + 0.5), came, 20, 90).chance < 0.05


def test_leads_of_one_product_share_the_day_they_are_about() -> None:
    """Odds for eight leads are judged by the same days: told by the day of issue, right odds would look wrong."""
    rng, season, issued = np.random.default_rng(10), *placed(20, 60)
    wrong = {"issued": 0, "came": 0}
    for _ in range(20):
        edge = 0.8 * np.sin(np.arange(70) / 20.0) - 0.3 + 0.1 * rng.standard_normal((20, 70))
        came = (behind(rng, 20, 70, 0.0, 2.0) < edge).astype(np.float64)
        ahead = [slice(lead, lead + 60) for lead in range(8)]
        leads = [(ndtr(edge[:, a]).ravel(), came[:, a].ravel(), issued + a.start) for a in ahead]
        p, y, day = (np.concatenate(part) for part in zip(*leads, strict=True))
        blocks = Blocks.of(np.tile(season, 8))
        for name, days in (("issued", np.tile(issued, 8)), ("came", day)):
            found = reliability(p, y, blocks, days=FIRST + days, n_draws=60)
            assert found is not None
            wrong[name] += found.chance < 0.1
    assert wrong["came"] <= 6
    assert wrong["issued"] >= wrong["came"] + 5


# --- sums and edges ----------------------------------------------------------------------------------------------------


def test_sums_by_distance_are_those_of_every_pair() -> None:
    rng = np.random.default_rng(11)
    season, day = rng.integers(0, 4, 90), rng.integers(100, 140, 90)
    left, size = rng.standard_normal(90), rng.random(90)
    together, pairs = _by_distance(left, size, season, day)
    want, want_pairs = np.zeros(len(together)), np.zeros(len(together))
    for i in range(90):
        for j in range(i):
            if season[i] == season[j]:
                want[abs(day[i] - day[j])] += left[i] * left[j]
                want_pairs[abs(day[i] - day[j])] += size[i] * size[j]
    np.testing.assert_allclose(pairs, want_pairs, atol=1e-9)
    np.testing.assert_allclose(together, want, atol=1e-9)


def test_one_day_tells_only_what_the_season_shares() -> None:
    season = np.repeat(np.arange(200), 5)
    came = (behind(np.random.default_rng(12), 200, 5, 0.3, 0.0).ravel() < 0.0).astype(np.float64)
    for day in (None, np.full(1000, 7)):
        found = sharing_of(came, np.full(1000, came.mean()), season, day)
        assert found.block == pytest.approx(0.3, abs=0.08)
        assert found.days == 0.0


def test_one_season_tells_what_its_days_share_and_nothing_of_seasons() -> None:
    season, day = placed(1, 2000)
    came = (behind(np.random.default_rng(13), 1, 2000, 0.0, 4.0).ravel() < 0.0).astype(np.float64)
    found = sharing_of(came, np.full(2000, came.mean()), season, day)
    assert found.block == 0.0
    assert found.days > 0.7
    assert found.memory_d == pytest.approx(4.0, rel=0.5)


def test_outcomes_that_are_all_alike_count_as_one_for_each_season() -> None:
    """Nothing tells how far they go together: that a thing of one in fifty never came in five seasons proves nothing."""
    season, day = placed(5, 200)
    found = sharing_of(np.zeros(1000), np.zeros(1000), season, day)
    assert found.block > 0.95
    assert judged(np.full(1000, 0.02), np.zeros(1000), 5, 200).chance > 0.05
    assert judged(np.full(1000, 0.6), np.zeros(1000), 5, 200).chance < 0.05
    assert sharing_of(np.zeros(3), np.zeros(3), None, None) == Sharing(1.0)


def test_outcomes_that_are_the_odds_leave_nothing_to_draw() -> None:
    season, day = placed(4, 30)
    odds = np.tile(np.linspace(0.1, 0.9, 30), 4)
    found = sharing_of(odds, odds, season, day)
    assert found == Sharing(0.0)
    np.testing.assert_allclose(drawn_outcomes(odds, found, season, day, 3, np.random.default_rng(0)), [odds] * 3)


def test_one_case_has_a_reliability() -> None:
    found = reliability([0.3], [1.0], Blocks.of([2020]), days=np.array([FIRST]), n_draws=50)
    assert found is not None
    assert (found.n, found.recalibrated[0]) == (1, 1.0)


def test_the_same_record_and_seed_give_the_same_bars() -> None:
    p, came = right_odds(np.random.default_rng(14), 6, 40, 0.1, 3.0)
    one, other = (judged(p, came, 6, 40) for _ in range(2))
    np.testing.assert_array_equal(one.low, other.low)
    assert one.chance == other.chance
