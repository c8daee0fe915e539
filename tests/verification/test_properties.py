"""What scores, ranges and bars must do whatever the numbers: honest odds score best, ranges hold what they promise."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from hypothesis.extra.numpy import arrays
from scipy.special import ndtr, ndtri
from scipy.stats import kstest

from matewindow.verification import (
    Blocks,
    Samples,
    Verdict,
    brier_scores,
    compare,
    crps,
    decompose,
    economic_value,
    exact_days,
    first_egg_log_scores,
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
from matewindow.verification.blocks import worth
from tests.verification.made_cases import honest_odds, shared_outcomes

if TYPE_CHECKING:
    from collections.abc import Callable

    from numpy.typing import NDArray

    Floats = NDArray[np.float64]

SHARES = st.floats(0.0, 1.0)
GRID = np.linspace(0.01, 0.99, 99)


def first_eggs(rng: np.random.Generator, shape: tuple[int, ...], later: float, never: float) -> Floats:
    """Days of first eggs, some of them never."""
    day = np.round(10 + later + rng.gamma(3.0, 1.5, shape))
    return np.where(rng.random(shape) < never, np.inf, day)


def looked(rng: np.random.Generator, seen: Floats, looks: str) -> tuple[Floats, Floats]:
    """What is known of first eggs if nucs are looked into on such days."""
    after, by = exact_days(seen)
    if looks == "once a week":
        start = rng.integers(0, 7, len(seen))
        by = np.where(np.isinf(seen), np.inf, start + 7 * np.ceil((seen - start) / 7))
        return np.where(np.isinf(seen), np.inf, by - 7), by
    if looks == "lost from sight":
        last = rng.integers(8, 28, len(seen)).astype(float)
        return np.where(seen <= last, after, last), np.where(seen <= last, by, np.inf)
    return after, by


class TestHonestOddsScoreBest:
    """The true odds have the smallest expected score."""

    @given(st.sampled_from(GRID.tolist()))
    def test_brier_and_log_score(self, truth: float) -> None:
        """A share as outcome gives the expected score itself."""
        for score in (brier_scores, log_scores):
            assert GRID[int(np.argmin(score(GRID, np.full(99, truth))))] == pytest.approx(truth)

    @pytest.mark.parametrize("score", [brier_scores, log_scores])
    def test_odds_pushed_outwards_or_inwards_score_worse(self, score: Callable[[Floats, Floats], Floats]) -> None:
        p, y = honest_odds(np.random.default_rng(1), 40_000)
        honest = score(p, y).mean()
        for pushed in (np.clip(0.5 + 1.4 * (p - 0.5), 0, 1), 0.5 + 0.6 * (p - 0.5), np.clip(p + 0.1, 0, 1)):
            assert score(pushed, y).mean() > honest

    @pytest.mark.parametrize("change", ["later", "wider", "narrower"])
    def test_hours(self, change: str) -> None:
        rng = np.random.default_rng(2)
        seen, noise = rng.normal(size=4000), rng.normal(size=(4000, 12))
        changed = {"later": noise + 0.4, "wider": 1.6 * noise, "narrower": 0.6 * noise}[change]
        assert crps(Samples(noise), seen).mean() < crps(Samples(changed), seen).mean()
        edges = (-0.7, 0.0, 0.7)
        assert rps_of_samples(Samples(noise), seen, edges).mean() < rps_of_samples(Samples(changed), seen, edges).mean()

    @pytest.mark.parametrize("change", ["later", "never too often", "never too seldom"])
    @pytest.mark.parametrize("looks", ["every day", "once a week", "lost from sight"])
    def test_first_egg(self, change: str, looks: str) -> None:
        """Also where looks are few, or end early, as long as they are not chosen by what is in the nuc."""
        rng = np.random.default_rng(3)
        n, m = 6000, 20
        seen = first_eggs(rng, (n,), 0.0, 0.25)
        after, by = looked(rng, seen, looks)
        wrong = {"later": (2.0, 0.25), "never too often": (0.0, 0.45), "never too seldom": (0.0, 0.05)}[change]
        honest, other = (Samples(first_eggs(rng, (n, m), *truth)) for truth in ((0.0, 0.25), wrong))

        scores = [first_egg_log_scores] if looks != "every day" else [first_egg_scores, first_egg_log_scores]
        for score in scores:
            assert score(honest, after, by, 28).mean() < score(other, after, by, 28).mean()

    def test_days_that_happen_to_be_known_would_mislead(self) -> None:
        """Why the summed score asks for the day itself: with weekly looks, adding up known days prefers late odds."""
        rng = np.random.default_rng(3)
        seen = first_eggs(rng, (6000,), 0.0, 0.25)
        after, by = looked(rng, seen, "once a week")
        honest, late = (Samples(first_eggs(rng, (6000, 20), later, 0.25)) for later in (0.0, 2.0))

        days = np.arange(28)
        known = (days <= after[:, None]) | (days >= by[:, None])

        def summed(samples: Samples) -> float:
            below = (samples.values[:, None, :] <= days[:, None]).mean(axis=2)
            return float(np.where(known, (below - (days >= by[:, None])) ** 2, 0.0).sum(axis=1).mean())

        assert summed(late) < summed(honest)
        assert np.isnan(first_egg_scores(honest, after, by, 28)[(by > after + 1) & (after < 27)]).all()

    @given(st.lists(st.floats(0.05, 1.0), min_size=3, max_size=5), st.integers(0, 10_000))
    def test_classes(self, raw: list[float], seed: int) -> None:
        truth = np.array(raw) / sum(raw)
        other = np.random.default_rng(seed).dirichlet(np.ones(len(raw)))
        k = len(raw)

        def expected(odds: Floats) -> float:
            return float(truth @ rps(np.tile(odds, (k, 1)), np.arange(float(k))))

        assert expected(truth) <= expected(other) + 1e-12


class TestFairScores:
    """The number of members does not matter for the mean of a fair score."""

    def test_crps_is_free_of_bias_in_the_number_of_members(self) -> None:
        """Right members of N(0, 1): 1 / sqrt(pi) = 0.5641896 on average, unfair (1 + 1/M) times that."""
        rng = np.random.default_rng(4)
        for m in (2, 5, 20):
            members, seen = rng.normal(size=(40_000, m)), rng.normal(size=40_000)
            fair, plain = crps(Samples(members), seen), crps(Samples(members, drawn=False), seen)
            error = 3 * fair.std() / 200
            assert abs(fair.mean() - 1 / np.sqrt(np.pi)) < error
            assert abs(plain.mean() - (1 + 1 / m) / np.sqrt(np.pi)) < error

    def test_weights_do_not_bias_it(self) -> None:
        rng = np.random.default_rng(5)
        members, weights, seen = rng.normal(size=(40_000, 6)), rng.gamma(0.5, 1.0, (40_000, 6)), rng.normal(size=40_000)
        fair = crps(Samples(members, weights), seen)
        assert abs(fair.mean() - 1 / np.sqrt(np.pi)) < 3 * fair.std() / 200

    def test_first_egg_and_classes(self) -> None:
        rng = np.random.default_rng(6)
        means: dict[int, tuple[float, float]] = {}
        for m in (3, 30):
            days, seen = np.round(rng.gamma(3, 3, (40_000, m))), np.round(rng.gamma(3, 3, 40_000))
            egg = first_egg_scores(Samples(np.where(days > 15, np.inf, days)), *exact_days(seen), 15)
            means[m] = float(egg.mean()), float(rps_of_samples(Samples(days), seen, (4.0, 8.0, 12.0)).mean())
        assert means[3] == pytest.approx(means[30], rel=0.02)

    def test_one_member_tells_nothing_of_its_spread(self) -> None:
        assert np.isnan(crps(Samples(np.zeros((2, 1))), [0.0, 1.0])).all()
        assert np.isnan(first_egg_scores(Samples(np.ones((1, 1))), *exact_days([1.0]), 5)).all()
        assert crps(Samples(np.zeros((1, 1)), drawn=False), [2.0])[0] == 2.0


class TestPartsAddUp:
    """Decompositions are sums."""

    @given(arrays(float, 12, elements=SHARES), arrays(float, 12, elements=SHARES))
    def test_of_the_brier_score(self, p: Floats, share: Floats) -> None:
        for edges in (None, [0.2, 0.5, 0.8]):
            d = decompose(p, share, edges)
            parts = d.parts
            total = parts.reliability - parts.resolution + parts.uncertainty + d.within_bins
            assert total == pytest.approx(d.score, abs=1e-12)
            assert d.corrected is not None
            assert min(d.corrected.reliability, d.corrected.resolution) >= -1e-12
            assert d.corrected.uncertainty <= 0.25 + 1e-12

    @settings(max_examples=30, deadline=None)
    @given(arrays(float, 15, elements=SHARES), arrays(float, 15, elements=SHARES))
    def test_of_the_isotonic_fit(self, p: Floats, share: Floats) -> None:
        r = reliability(p, share, n_draws=5)
        assert r is not None
        assert r.miscalibration - r.discrimination + r.uncertainty == pytest.approx(r.score, abs=1e-12)
        assert r.miscalibration >= -1e-12
        assert r.discrimination >= -1e-12
        again = reliability(recalibrate(p, share), share, n_draws=5)
        assert again is not None
        assert again.miscalibration == pytest.approx(0.0, abs=1e-9)

    def test_correction_takes_the_bias_of_small_bins_off(self) -> None:
        """Honest odds in seven classes, 60 cases: reliability is nil, but counts as more than 0.01 on average.

        At base rates near one half the method corrects less, to keep uncertainty within 1/4.
        """
        rng = np.random.default_rng(7)
        plain, corrected = [], []
        for _ in range(400):
            p = np.round(0.6 * rng.random(60), 1)
            d = decompose(p, (rng.random(60) < p).astype(float))
            assert d.corrected is not None
            plain.append(d.parts.reliability)
            corrected.append(d.corrected.reliability)
        assert np.mean(plain) > 0.01
        assert np.mean(corrected) < 0.4 * np.mean(plain)


class TestBarsOfChance:
    """Odds that mean what they say lie inside their consistency bars about as often as stated."""

    def inside(self, n: int, n_blocks: int, shared: float, *, told: bool, runs: int = 60) -> tuple[float, float]:
        """Share of points inside the bars, and share of records that look miscalibrated at 1 in 10."""
        points, off = [], []
        for seed in range(runs):
            rng = np.random.default_rng(seed)
            block = np.arange(n) * n_blocks // n
            p = np.round(rng.beta(3, 2, n), 2)
            y = shared_outcomes(rng, p, block, shared)
            r = reliability(p, y, Blocks.of(block) if told else None, n_draws=150, seed=seed)
            assert r is not None
            middle = (r.odds > 0.2) & (r.odds < 0.95)
            held = (r.recalibrated >= r.low - 1e-12) & (r.recalibrated <= r.high + 1e-12)
            points.append(held[middle].mean())
            off.append(r.chance <= 0.1)
        return float(np.mean(points)), float(np.mean(off))

    def test_independent_cases(self) -> None:
        held, off = self.inside(300, 300, 0.0, told=False)
        assert held == pytest.approx(0.90, abs=0.04)
        assert off == pytest.approx(0.10, abs=0.09)

    def test_seasons_that_share_their_weather(self) -> None:
        held, off = self.inside(600, 20, 0.3, told=True)
        assert held == pytest.approx(0.88, abs=0.05)
        assert off == pytest.approx(0.12, abs=0.10)

    def test_shared_weather_that_is_not_told_makes_honest_odds_look_wrong(self) -> None:
        """Why blocks matter."""
        _, off = self.inside(600, 20, 0.3, told=False)
        assert off > 0.3

    def test_miscalibration_of_honest_odds_stays_below_what_chance_allows(self) -> None:
        """In 19 of 20 records."""
        below = []
        for seed in range(100):
            p, y = honest_odds(np.random.default_rng(seed), 150)
            r = reliability(p, y, n_draws=150, seed=seed)
            assert r is not None
            below.append(r.miscalibration <= r.by_chance)
        assert np.mean(below) == pytest.approx(0.95, abs=0.05)

    def test_wrong_odds_do_not_pass_as_shared_weather(self) -> None:
        rng = np.random.default_rng(8)
        p, y = honest_odds(rng, 1500)
        r = reliability(np.clip(p + 0.15, 0, 1), y, Blocks.of(np.arange(1500) // 75))
        assert r is not None
        assert r.chance < 0.01
        assert r.shared < 0.1
        assert all(b.off < 0 for b in r.bins if b.n > 100 and b.start >= 0.3)


class TestRangesHoldWhatTheyPromise:
    """The 5 to 95 % range of a gain holds the truth in about nine of ten records."""

    @pytest.mark.parametrize(("n_blocks", "shared"), [(6, 0.3), (20, 0.3), (20, 0.0)])
    def test_of_a_gain(self, n_blocks: int, shared: float) -> None:
        """Odds moved 0.1 from the truth against honest ones: a gain of 0.01 exactly."""
        held = []
        for seed in range(300):
            rng = np.random.default_rng(seed)
            block = np.repeat(np.arange(n_blocks), 40)
            p = 0.2 + 0.6 * rng.random(len(block))
            y = shared_outcomes(rng, p, block, shared)
            c = compare(brier_scores(p, y), brier_scores(p + 0.1, y), Blocks.of(block))
            assert c.gain.low is not None
            assert c.gain.high is not None
            held.append(c.gain.low <= 0.01 <= c.gain.high)
        assert np.mean(held) == pytest.approx(0.90, abs=0.055)

    def test_of_an_area(self) -> None:
        """Scores N(1, 1) of events and N(0, 1) of others: an area of Phi(1 / sqrt 2)."""
        held = []
        for seed in range(150):
            rng = np.random.default_rng(seed)
            y = (rng.random(400) < 0.5).astype(float)
            found = roc(ndtr(rng.normal(size=400) + y), y, Blocks.of(np.arange(400) // 20)).area
            assert found.low is not None
            assert found.high is not None
            held.append(found.low <= ndtr(1 / np.sqrt(2)) <= found.high)
        assert np.mean(held) == pytest.approx(0.90, abs=0.07)

    def test_odds_no_better_than_the_usual_are_rarely_called_better(self) -> None:
        """Two ranges of one end each: 1 in 20 is meant."""
        said = []
        for seed in range(300):
            rng = np.random.default_rng(seed)
            block = np.repeat(np.arange(15), 40)
            p = 0.2 + 0.6 * rng.random(len(block))
            y = shared_outcomes(rng, p, block, 0.3)
            noise = rng.choice([-0.1, 0.1], (2, len(p)))
            said.append(compare(brier_scores(p + noise[0], y), brier_scores(p + noise[1], y), Blocks.of(block)).verdict)
        assert said.count(Verdict.BETTER) / 300 < 0.09
        assert said.count(Verdict.WORSE) / 300 < 0.09


class TestWorth:
    """Cases that share their weather tell less."""

    def test_of_a_series_in_which_each_follows_the_last(self) -> None:
        """A first-order series of correlation 0.5: a third of its number, n (1 - r) / (1 + r); a textbook formula."""
        rng = np.random.default_rng(14)
        found = []
        for _ in range(30):
            x = rng.normal(size=6000)
            for i in range(1, 6000):
                x[i] = 0.5 * x[i - 1] + np.sqrt(0.75) * x[i]
            found.append(worth(x, Blocks.of(np.arange(6000) // 60)) / 6000)
        assert np.mean(found) == pytest.approx(1 / 3, rel=0.06)

    def test_copies_of_a_case_are_one_case(self) -> None:
        rng = np.random.default_rng(9)
        found = [worth(np.repeat(rng.normal(size=50), 8), Blocks.of(np.repeat(np.arange(50), 8))) for _ in range(40)]
        assert np.mean(found) == pytest.approx(50, rel=0.03)

    def test_independent_cases_are_worth_their_number(self) -> None:
        rng = np.random.default_rng(10)
        found = [worth(rng.normal(size=400), Blocks.of(np.repeat(np.arange(50), 8))) for _ in range(40)]
        assert 330 < np.mean(found) <= 400


class TestRanks:
    """What came lies evenly among what was thought possible."""

    def test_places_are_even_even_with_ties(self) -> None:
        """Hours are often exactly 0: a third of them here."""
        rng = np.random.default_rng(11)
        members, seen = np.maximum(rng.normal(0.4, 1, (3000, 11)), 0), np.maximum(rng.normal(0.4, 1, 3000), 0)
        for samples in (Samples(members), Samples(members, rng.random((3000, 11)) * 0 + 1)):
            places = positions(samples, seen, seed=1)
            h = rank_histogram(places, n_bins=12)
            assert samples.weights is not None or kstest(places, "uniform").pvalue > 0.01
            assert samples.weights is not None or (h.chance is not None and h.chance > 0.01)
            assert (places >= 0).all()
            assert (places <= 1).all()

    @pytest.mark.parametrize("seed", range(5))
    def test_equal_shares_of_a_right_distribution_make_a_flat_rank_histogram(self, seed: int) -> None:
        """25 points in 10 bins: were what lies between two points put on one of them, every other bin would be too full."""
        rng = np.random.default_rng(seed)
        middles = ndtri((np.arange(25) + 0.5) / 25.0)
        points, seen = np.broadcast_to(middles, (20_000, 25)), rng.normal(size=20_000)
        places = positions(Samples(points, drawn=False), seen, seed)
        assert kstest(places, "uniform").pvalue > 0.001
        chance = rank_histogram(places).chance
        assert chance is not None
        assert chance > 0.001

    @pytest.mark.parametrize(
        ("mean", "sd", "slope", "bend"), [(-0.5, 1, 1, 0), (0.5, 1, -1, 0), (0, 0.6, 0, 1), (0, 1.6, 0, -1)]
    )
    def test_faults_are_told_apart(self, mean: float, sd: float, slope: int, bend: int) -> None:
        rng = np.random.default_rng(12)
        h = rank_histogram(positions(Samples(mean + sd * rng.normal(size=(1500, 19))), rng.normal(size=1500)))
        assert h.slope_chance is not None
        assert h.bend_chance is not None
        assert (np.sign(h.slope) * (h.slope_chance < 0.01) == slope) or slope == 0
        assert (np.sign(h.bend) * (h.bend_chance < 0.01) == bend) or bend == 0
        assert h.chance is not None
        assert h.chance < 0.01

    def test_shared_weather_does_not_make_a_right_forecast_look_uneven(self) -> None:
        """Places that go together within 20 seasons: 1 record in 20 is called uneven, not every other one."""
        told: list[bool] = []
        untold: list[bool] = []
        for seed in range(200):
            rng = np.random.default_rng(seed)
            block = np.repeat(np.arange(20), 40)
            z = np.sqrt(0.3) * rng.normal(size=20)[block] + np.sqrt(0.7) * rng.normal(size=800)
            for blocks, said in ((Blocks.of(block), told), (None, untold)):
                chance = rank_histogram(ndtr(z), blocks).chance
                assert chance is not None
                said.append(chance < 0.05)
        assert np.mean(told) < 0.10
        assert np.mean(untold) > 0.3


class TestValue:
    """Economic value."""

    @given(arrays(float, 20, elements=st.sampled_from([0.0, 1.0])).filter(lambda y: 0 < y.sum() < 20))
    def test_perfect_odds_are_worth_everything_and_the_base_rate_nothing(self, y: Floats) -> None:
        v = economic_value(y, np.full(20, y.mean()), y, Blocks.of(np.arange(20) // 4))
        assert [x.value for x in v.odds] == pytest.approx([1.0] * len(v.ratios))
        assert [x.value for x in v.reference] == pytest.approx([0.0] * len(v.ratios))

    def test_no_threshold_beats_the_best_one(self) -> None:
        p, y = honest_odds(np.random.default_rng(13), 500)
        v = economic_value(p, np.full(500, 0.6), y, Blocks.of(np.arange(500) // 25))
        for own, best in zip(v.odds, v.potential, strict=True):
            assert own.value is not None
            assert best is not None
            assert own.value <= best + 1e-12
            assert best >= -1e-12


@settings(max_examples=25, deadline=None)
@given(st.integers(0, 10_000))
def test_the_order_of_cases_does_not_matter(seed: int) -> None:
    rng = np.random.default_rng(seed)
    p, y = honest_odds(rng, 60)
    block, mixed = np.arange(60) // 10, rng.permutation(60)
    for a, b in zip(_figures(p, y, block), _figures(p[mixed], y[mixed], block[mixed]), strict=True):
        assert a == pytest.approx(b, abs=1e-12)


def _figures(p: Floats, y: Floats, block: NDArray[np.int_]) -> list[float | None]:
    c = compare(brier_scores(p, y), brier_scores(np.full_like(p, 0.5), y), Blocks.of(block))
    r = reliability(p, y, n_draws=5)
    assert r is not None
    return [c.skill.value, c.skill.low, c.skill.high, c.worth, roc(p, y).area.value, r.miscalibration]
