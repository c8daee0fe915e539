"""Scores meet the numbers that others have printed, and worked examples small enough to check by hand."""

from __future__ import annotations

import numpy as np
import pytest

from matewindow.verification import (
    Samples,
    brier_scores,
    crps,
    decompose,
    economic_value,
    exact_days,
    first_egg_log_scores,
    first_egg_scores,
    log_scores,
    rank_histogram,
    recalibrate,
    relative_value,
    reliability,
    roc,
    rps,
    rps_of_samples,
)
from matewindow.verification.blocks import Blocks, expanded
from matewindow.verification.missing import mean_score

# Mason and Graham 2002, QJRMS 128:2145-2166: 15 years; data and areas as in the R package `verification`, roc.area.Rd
EVENT = np.array([0, 0, 0, 1, 1, 1, 0, 1, 1, 0, 0, 0, 0, 1, 1], dtype=float)
P1 = np.array([0.8, 0.8, 0, 1, 1, 0.6, 0.4, 0.8, 0, 0, 0.2, 0, 0, 1, 1])
P2 = np.array(
    [0.928, 0.576, 0.008, 0.944, 0.832, 0.816, 0.136, 0.584, 0.032, 0.016, 0.28, 0.024, 0, 0.984, 0.952]
)  # fmt: skip


def every_value(*values: float, drawn: bool = True) -> Samples:
    return Samples(np.array([values], dtype=float), drawn=drawn)


class TestMasonAndGraham:
    """Fifteen years of odds, a published example."""

    def test_areas_under_the_roc_curve(self) -> None:
        """0.8392857 and 0.875: roc.area.Rd of the R package `verification`."""
        assert roc(P1, EVENT).area.value == pytest.approx(0.8392857, abs=1e-7)
        assert roc(P2, EVENT).area.value == pytest.approx(0.875, abs=1e-9)

    def test_brier_score_and_its_parts(self) -> None:
        """Worked out from the same data, distinct values as bins."""
        d = decompose(P1, EVENT)
        assert d.score == pytest.approx(0.1786667, abs=1e-7)
        assert d.parts.reliability == pytest.approx(0.0808889, abs=1e-7)
        assert d.parts.resolution == pytest.approx(0.1511111, abs=1e-7)
        assert d.parts.uncertainty == pytest.approx(0.2488889, abs=1e-7)
        assert d.within_bins == pytest.approx(0.0, abs=1e-12)
        assert 1 - d.score / d.parts.uncertainty == pytest.approx(0.2821429, abs=1e-7)
        assert mean_score(brier_scores(P2, EVENT)).value == pytest.approx(0.1645739, abs=1e-7)

    def test_isotonic_parts(self) -> None:
        """MCB, DSC, UNC of Dimitriadis, Gneiting and Jordan 2021, with odds held to 0.001 to 0.999."""
        r = reliability(np.clip(P1, 0.001, 0.999), EVENT, n_draws=20)
        assert r is not None
        found = [r.miscalibration, r.discrimination, r.uncertainty, r.score]
        assert found == pytest.approx([0.054724, 0.125079, 0.248889, 0.178534], abs=1e-6)


class TestTenCases:
    """p = 0.1 four times (one of them true), 0.5 twice (one), 0.8 four times (three): worked by hand."""

    p = np.repeat([0.1, 0.5, 0.8], [4, 2, 4])
    y = np.array([0, 0, 0, 1, 0, 1, 1, 1, 1, 0], dtype=float)

    def test_parts_of_the_brier_score(self) -> None:
        d = decompose(self.p, self.y)
        found = [d.score, d.parts.reliability, d.parts.resolution, d.parts.uncertainty]
        assert found == pytest.approx([0.21, 0.01, 0.05, 0.25])

    def test_isotonic_fit(self) -> None:
        assert recalibrate(self.p, self.y) == pytest.approx(np.repeat([0.25, 0.5, 0.75], [4, 2, 4]))


class TestBiasOfTheParts:
    """Ferro and Fricker 2012, doi:10.1002/qj.1924, worked by hand on ten cases."""

    def test_sampling_errors_are_taken_off(self) -> None:
        """0.1 four times (none true), 0.9 six times (three): REL 0.1, RES 0.06, UNC 0.21.

        Squared errors of the shares: in the bins (0 + 0.25 x 6/5) / 10 = 0.03, over all 0.21 / 9.
        """
        d = decompose(np.repeat([0.1, 0.9], [4, 6]), np.repeat([0.0, 1.0], [7, 3]))
        assert d.parts.reliability == pytest.approx(0.1)
        assert d.corrected is not None
        found = [d.corrected.reliability, d.corrected.resolution, d.corrected.uncertainty]
        assert found == pytest.approx([0.1 - 0.03, 0.06 - 0.03 + 0.21 / 9, 0.21 + 0.21 / 9])
        assert found[0] - found[1] + found[2] == pytest.approx(d.score)

    def test_no_part_leaves_its_limits(self) -> None:
        """0.1 four times (one true), 0.3 six times (two): more error than reliability, which goes to nil and no further."""
        d = decompose(np.repeat([0.1, 0.3], [4, 6]), np.array([0.0, 0, 0, 1, 0, 0, 0, 0, 1, 1]))
        assert d.corrected is not None
        assert 0.0 <= d.corrected.reliability < d.parts.reliability
        assert d.corrected.resolution == pytest.approx(0.0)
        assert d.corrected.uncertainty <= 0.25


def test_pooling_of_adjacent_violators() -> None:
    """y = 1, 0, 1, 1, 0 over rising odds pools to 1/2, 1/2, 2/3, 2/3, 2/3: by hand."""
    assert recalibrate(np.arange(5) / 5, np.array([1.0, 0, 1, 1, 0])) == pytest.approx([0.5, 0.5, 2 / 3, 2 / 3, 2 / 3])


class TestWilksRainOdds:
    """Twelve subjective odds of rain, Wilks, via reliability.plot.Rd of the R package `verification`.

    Frequencies 0.0245 and 0.0203 replace two misprints there, so that they add up to 1.
    """

    odds = np.array([0, 0.05, 0.1, 0.2, 0.3, 0.4, 0.5, 0.6, 0.7, 0.8, 0.9, 1.0])
    came = np.array([0.006, 0.019, 0.059, 0.15, 0.277, 0.377, 0.511, 0.587, 0.723, 0.779, 0.934, 0.933])
    count = np.array([4112, 671, 1833, 986, 616, 366, 303, 275, 245, 220, 170, 203])

    def test_parts_of_the_brier_score(self) -> None:
        d = decompose(np.repeat(self.odds, self.count), np.repeat(self.came, self.count))
        assert d.n == 10000
        assert d.parts.reliability == pytest.approx(0.00082762, abs=1e-8)
        assert d.parts.resolution == pytest.approx(0.06278663, abs=1e-8)
        assert d.parts.uncertainty == pytest.approx(0.13542005, abs=1e-8)
        assert d.score == pytest.approx(0.07346104, abs=1e-8)
        assert 1 - d.score / d.parts.uncertainty == pytest.approx(0.4575320, abs=1e-7)


class TestFinley:
    """Finley's tornado forecasts of 1884: hits 28, false alarms 72, misses 23, correct negatives 2680."""

    hit, false, base = 28 / 51, 72 / 2752, 51 / 2803

    def test_value_at_the_base_rate_is_the_peirce_score(self) -> None:
        """POD .549 - POFD .026 = 0.5228568."""
        value = relative_value(self.hit, self.false, self.base, self.base)
        assert float(value) == pytest.approx(0.5228568, abs=1e-7)
        assert float(value) == pytest.approx(self.hit - self.false, abs=1e-12)

    @pytest.mark.parametrize(
        ("ratio", "value"),
        [
            (0.01, 0.1464390),
            (0.02, 0.5202081),
            (0.05, 0.4747162),
            (0.10, 0.3921569),
            (0.20, 0.1960784),
            (0.30, -0.0560224),
        ],
    )
    def test_value_over_cost_loss_ratios(self, ratio: float, value: float) -> None:
        """Richardson's formula on Finley's table."""
        assert float(relative_value(self.hit, self.false, self.base, ratio)) == pytest.approx(value, abs=1e-7)

    def test_value_is_above_nil_only_between_two_ratios(self) -> None:
        """From misses / (misses + correct negatives) to hits / (hits + false alarms)."""
        ends = np.array([23 / 2703, 28 / 100])
        assert ends == pytest.approx([0.0085091, 0.28], abs=1e-7)
        assert relative_value(self.hit, self.false, self.base, ends) == pytest.approx([0.0, 0.0], abs=1e-12)

    def test_the_same_from_single_cases(self) -> None:
        p = np.repeat([1.0, 1.0, 0.0, 0.0], [28, 72, 23, 2680])
        y = np.repeat([1.0, 0.0, 1.0, 0.0], [28, 72, 23, 2680])
        value = economic_value(p, np.full(2803, self.base), y, Blocks.of(np.arange(2803) // 500), (0.05, 0.2))
        assert [v.value for v in value.odds] == pytest.approx([0.4747162, 0.1960784], abs=1e-7)
        assert value.potential == pytest.approx([0.4747162, 0.1960784], abs=1e-7)
        assert [v.value for v in value.reference] == [0.0, 0.0]


def test_stocking_a_nuc_pays_above_cost_over_gain() -> None:
    """Gain 100, cost 30: act above 0.30; at 0.45 the expected gain is 15, a worked example."""
    gain, cost = 100.0, 30.0
    events = np.repeat([1.0, 0.0], [45, 55])
    value = economic_value(
        np.full(100, 0.45), np.full(100, 0.29), events, Blocks.of(np.arange(100) // 10), (cost / gain,)
    )
    acting = (gain * events - cost).mean()
    perfect = ((gain - cost) * events).mean()
    assert acting == pytest.approx(15.0)
    # both always acting (odds) and the better of always and never are worth 15; never acting (usual) is worth 0
    assert value.odds[0].value == pytest.approx(0.0)
    assert value.reference[0].value == pytest.approx((0.0 - acting) / (perfect - acting))


class TestCrps:
    """Continuous ranked probability score."""

    def test_of_four_members(self) -> None:
        """{0, 4, 3, 7} and 3: 0.625 as counted, 1/6 fair; worked by hand and in the tests of the package `scores`."""
        assert crps(every_value(0, 4, 3, 7, drawn=False), [3])[0] == pytest.approx(0.625)
        assert crps(every_value(0, 4, 3, 7), [3])[0] == pytest.approx(1 / 6)

    def test_of_three_members(self) -> None:
        """{1, 2, 3} and 2.5: 7/18 as counted, 1/6 fair."""
        assert crps(every_value(1, 2, 3, drawn=False), [2.5])[0] == pytest.approx(7 / 18)
        assert crps(every_value(1, 2, 3), [2.5])[0] == pytest.approx(1 / 6)

    @pytest.mark.parametrize(
        ("mean", "sd", "seen", "printed"),
        [
            (0, 1, 0, 0.2336949773),
            (0, 1, 1, 0.6024413576),
            (0, 1, -3, 2.4365747251),  # 2.43657473 in the tests of the R package scoringRules
            (0, 2, 1, 0.6628070625),
            (20, 2, 23, 1.9888480080),
        ],
    )
    def test_of_a_gaussian(self, mean: float, sd: float, seen: float, printed: float) -> None:
        """A Gaussian given as 20,001 weighted values meets its closed form (Gneiting et al. 2005, MWR 133:1098-1118)."""
        x = np.linspace(-9, 9, 20001)
        density = np.exp(-(x**2) / 2)
        whole = Samples((mean + sd * x)[None], density[None], drawn=False)
        assert crps(whole, [seen])[0] == pytest.approx(printed, abs=2e-6)


class TestOrderedClasses:
    """Ranked probability score."""

    def test_of_terciles(self) -> None:
        """(0.2, 0.3, 0.5), the highest came: 0.29; equal odds: 5/9; skill 0.478."""
        scores = rps([[0.2, 0.3, 0.5], [1 / 3] * 3], [2, 2])
        assert scores == pytest.approx([0.29, 5 / 9])
        assert 1 - scores[0] / scores[1] == pytest.approx(0.478, abs=1e-9)

    def test_ensemble_brier_score(self) -> None:
        """{0, 4, 3, 7}, at least 1, and it was: 0.0625 as counted, fair nil; tests of the package `scores`."""
        assert rps_of_samples(every_value(0, 4, 3, 7, drawn=False), [1], [1.0])[0] == pytest.approx(0.0625)
        assert rps_of_samples(every_value(0, 4, 3, 7), [1], [1.0])[0] == pytest.approx(0.0, abs=1e-15)


class TestFirstEgg:
    """Day of the first egg, where a queen may never lay."""

    def test_a_steady_hazard(self) -> None:
        """A daily hazard of 0.2 leaves 0.8, 0.64, 0.512 waiting: worked example; 0.488 have laid by day 3.

        Laid on day 2, asked up to day 3: 0.2² + (0.36 - 1)² + (0.488 - 1)² = 0.711744.
        """
        left = 0.8 ** np.arange(4)
        mass = [0.0, *(left[:-1] - left[1:]), left[-1]]
        assert sum(mass[:4]) == pytest.approx(0.488)
        odds = Samples(np.array([[0, 1, 2, 3, np.inf]]), np.array([mass]), drawn=False)
        assert first_egg_scores(odds, *exact_days([2.0]), 4)[0] == pytest.approx(0.711744)
        # never, and asked up to day 2: 0.2² + 0.36²
        assert first_egg_scores(odds, *exact_days([np.inf]), 3)[0] == pytest.approx(0.2**2 + 0.36**2)

    def test_span_between_two_looks(self) -> None:
        """Hazard 0.1 an hour on 4, 0 and 6 hours, first egg after day 1 and by day 3: likelihood 0.3024406.

        exp(-0.4) - exp(-1) = 0.6703200 - 0.3678794: worked example of an interval-censored likelihood.
        """
        left = np.exp(-0.1 * np.cumsum([4.0, 0.0, 6.0]))
        odds = Samples(np.array([[1.0, 2, 3, np.inf]]), np.array([[1 - left[0], 0.0, left[1] - left[2], left[2]]]))
        assert left == pytest.approx([0.6703200, 0.6703200, 0.3678794], abs=1e-7)
        assert np.exp(-first_egg_log_scores(odds, [1.0], [3.0], 28)) == pytest.approx([0.3024406], abs=1e-7)
        # lost from sight after day 2: later, or never
        assert np.exp(-first_egg_log_scores(odds, [2.0], [np.inf], 28)) == pytest.approx([0.6703200], abs=1e-7)

    def test_from_the_horizon_on_and_never_are_one_outcome(self) -> None:
        """Half by day 5, a quarter on day 30, a quarter never; horizon 28: late, never or out of sight is one half."""
        odds = Samples(np.array([[5.0, 30.0, np.inf]]), np.array([[0.5, 0.25, 0.25]]), drawn=False)
        for after, by in ((29.0, 30.0), (29.0, 35.0), (np.inf, np.inf), (27.0, np.inf), (20.0, 31.0)):
            assert np.exp(-first_egg_log_scores(odds, [after], [by], 28)) == pytest.approx([0.5])
            assert by == 31.0 or first_egg_scores(odds, [after], [by], 28)[0] == pytest.approx(23 * 0.25)

    def test_without_never_it_is_the_crps(self) -> None:
        """Whole days below the horizon: {0, 4, 3, 7} and 3 again."""
        assert first_egg_scores(every_value(0, 4, 3, 7, drawn=False), *exact_days([3.0]), 28)[0] == pytest.approx(0.625)
        assert first_egg_scores(every_value(0, 4, 3, 7), *exact_days([3.0]), 28)[0] == pytest.approx(1 / 6)


def test_log_score() -> None:
    """Odds of 0.8: 0.2231436 if it happens, 1.6094379 if not: -ln 0.8 and -ln 0.2."""
    assert log_scores([0.8, 0.8], [1, 0]) == pytest.approx([0.2231436, 1.6094379], abs=1e-7)


class TestRankHistogram:
    """Sixteen ranks of sixty cases, the example in the README of the open-source package testrankhist."""

    counts = np.array([3, 6, 3, 7, 4, 6, 4, 4, 2, 4, 1, 2, 3, 6, 2, 3])

    def test_flatness_and_slope(self) -> None:
        """Chi-square 12.0 (p 0.679), linear component 1.807 (p 0.179): Jolliffe and Primo 2008."""
        h = rank_histogram(np.repeat((np.arange(16) + 0.5) / 16, self.counts), n_bins=16)
        assert h.counts.tolist() == self.counts.tolist()
        assert h.chi_square == pytest.approx(12.0)
        assert h.chance == pytest.approx(0.679, abs=5e-4)
        assert h.slope**2 == pytest.approx(1.807, abs=5e-4)
        assert h.slope_chance == pytest.approx(0.179, abs=5e-4)


class TestRangesOverFewBlocks:
    """Percentiles of redrawn blocks."""

    def test_percentiles_are_moved_outwards(self) -> None:
        """Hesterberg 2015: z(q) sqrt((n - 1) / n) = t(p, n - 1); t(0.05, 9) = -1.833 (printed in every t table)."""
        from scipy.stats import norm

        low, high = expanded(0.90, 10)
        assert norm.ppf(low) * np.sqrt(9 / 10) == pytest.approx(-1.833, abs=5e-4)
        assert high == pytest.approx(1 - low)
