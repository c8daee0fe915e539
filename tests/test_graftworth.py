"""Odds of graft days put right: the mean exactly, everything that follows from it, and nothing else."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import UTC, date, datetime
from typing import TYPE_CHECKING

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from matewindow.biology import load_biology
from matewindow.graft import GraftDecision, graft_decision
from matewindow.graftworth import Worth, emergence_table, evaluate
from matewindow.learning.recalibration import NO_CHANGE, Recalibration
from matewindow.learning.reported import recalibrated
from matewindow.odds import moved
from matewindow.outlook import RUN_IN_D, batch_outlook, known_paths, solar_today, window_span
from matewindow.paths import Paths, Sources, build_paths
from matewindow.timeline import Batch, graft_time
from tests.made_weather import changeable, stand

if TYPE_CHECKING:
    from numpy.typing import NDArray

    Floats = NDArray[np.float64]

BIOLOGY, SITE = load_biology(), stand()
NOW = datetime(2026, 5, 17, 8, tzinfo=UTC)
DAYS = [date(2026, 5, 18), date(2026, 5, 19), date(2026, 5, 25)]
BY = date(2026, 6, 15)
LOWER, HIGHER = Recalibration(-0.8, 0.8, 0.1, 0.1), Recalibration(0.9, 1.2, 0.1, 0.1)


@dataclass(frozen=True)
class Case:
    """Paths of weather, and what grafts on ``DAYS`` come to on them."""

    paths: Paths
    weights: Floats

    def worth(self, recalibration: Recalibration | None, by: date | None = BY) -> Worth:
        return evaluate(self.paths, SITE, self.weights, by, BIOLOGY, recalibration)


@pytest.fixture(scope="module")
def sources() -> Sources:
    return Sources(past=changeable("2011-01-01", 5400, np.random.default_rng(11), warmth_c=18.5))


@pytest.fixture(scope="module")
def case(sources: Sources) -> Case:
    first, weights = emergence_table(DAYS, SITE, BIOLOGY)
    span = window_span(weights.shape[1], BIOLOGY)
    paths, _ = build_paths(
        sources, first - RUN_IN_D, span.n_days, solar_today(NOW, SITE), BIOLOGY, SITE.exposure, needed=span.needed
    )
    return Case(known_paths(paths, span)[0], weights)


def test_each_candidate_has_its_own_shares_of_emergence() -> None:
    first, weights = emergence_table(DAYS, SITE, BIOLOGY)

    assert weights.shape[0] == len(DAYS)
    assert weights.sum(axis=1) == pytest.approx(1.0)
    assert first + int(weights[2].argmax()) - (first + int(weights[0].argmax())) == 7


@pytest.mark.parametrize("right", [LOWER, HIGHER])
def test_the_mean_of_each_candidate_is_exactly_the_odds_put_right(case: Case, right: Recalibration) -> None:
    raw, put = case.worth(None), case.worth(right)

    assert put.well.mean(axis=1) == pytest.approx(right.apply(raw.well.mean(axis=1)), abs=1e-13)
    assert put.well.min() >= 0.0
    assert put.well.max() <= 1.0
    assert np.array_equal(put.well_by_chain, raw.well)
    assert np.array_equal(put.eggs, raw.eggs)
    assert np.array_equal(put.prime_sums, raw.prime_sums)
    for one, other in zip(raw.well, put.well, strict=True):
        assert np.array_equal(one.argsort(kind="stable"), other.argsort(kind="stable"))  # good weather stays good


@pytest.mark.parametrize("right", [LOWER, HIGHER])
@pytest.mark.parametrize("by", [None, BY])
def test_utility_is_that_of_the_fates_put_right_path_by_path(case: Case, right: Recalibration, by: date | None) -> None:
    """Utility is linear in the fates: solved for what a poor and a failed one come to together, and put together anew."""
    raw, put = case.worth(None, by), case.worth(right, by)
    d, accept = BIOLOGY.decision, BIOLOGY.success.emergence_acceptance
    # without days held and with a poor queen as dear as a failed nuc: good counts in-time shares, bad all the rest
    free = BIOLOGY.with_values({"decision.delay_cost_per_d": 0.0, "decision.poor_queen_cost": d.nuc_cost})
    plain = evaluate(case.paths, SITE, case.weights, by, free, right)
    in_time = np.divide(raw.success, raw.well, out=np.zeros_like(raw.well), where=raw.well > 0.0)
    hand = accept * (put.well * in_time - d.nuc_cost * (1.0 - put.well)) - (1.0 - accept) * d.nuc_cost

    assert (put.success <= put.well + 1e-12).all()
    assert plain.utility == pytest.approx(hand, abs=1e-9)


@pytest.mark.parametrize("right", [LOWER, HIGHER])
def test_poor_queens_share_what_is_left_as_before(case: Case, right: Recalibration) -> None:
    """A poor queen's cost raised by one takes her share off the utility; her share of the rest must not have moved."""
    dearer = BIOLOGY.with_values({"decision.poor_queen_cost": BIOLOGY.decision.poor_queen_cost + 0.05})

    def share_of_rest(recalibration: Recalibration | None) -> Floats:
        cheap, dear = (evaluate(case.paths, SITE, case.weights, BY, b, recalibration) for b in (BIOLOGY, dearer))
        poor = (cheap.utility - dear.utility) / (0.05 * BIOLOGY.success.emergence_acceptance)
        return poor / (1.0 - cheap.well)

    assert share_of_rest(right) == pytest.approx(share_of_rest(None), abs=1e-9)


def test_no_change_changes_nothing(case: Case) -> None:
    raw, same = case.worth(None), case.worth(NO_CHANGE)

    for name in ("well", "success", "utility", "merit", "break_even", "mean_egg_day"):
        assert getattr(same, name) == pytest.approx(getattr(raw, name), abs=1e-10), name


def test_paths_on_which_nobody_is_well_mated_are_raised_too(case: Case) -> None:
    """Hopeless weather on half of the paths: odds put up need somewhere to go, and stay odds."""
    half = case.paths.hours.copy()
    half[:, ::2] = 0.0
    paths = Case(type(case.paths)(**(vars(case.paths) | {"hours": half})), case.weights)
    raw, put = paths.worth(None), paths.worth(HIGHER)

    assert raw.well[:, ::2].max() < 1e-9
    assert put.well.mean(axis=1) == pytest.approx(HIGHER.apply(raw.well.mean(axis=1)), abs=1e-13)
    assert np.isfinite(put.utility).all()
    assert put.success.min() >= 0.0
    assert (put.success <= put.well + 1e-12).all()


@given(
    st.lists(st.floats(0.0, 1.0), min_size=1, max_size=30),
    st.floats(0.001, 0.999),
)
@settings(max_examples=300, deadline=None)
def test_shares_are_moved_to_any_mean_and_stay_shares_in_their_order(shares: list[float], after: float) -> None:
    share = np.array(shares)
    found = moved(share, share.mean(), after)

    if 1e-6 < share.mean() < 1.0 - 1e-6:
        assert found.mean() == pytest.approx(after, abs=1e-9)
    assert (found >= -1e-9).all()
    assert (found <= 1.0 + 1e-9).all()
    order = share.argsort(kind="stable")
    assert (np.diff(found[order]) >= -1e-12).all()


# --- the decision -----------------------------------------------------------------------------------------------------


def decide(sources: Sources, right: Recalibration | None) -> GraftDecision:
    return graft_decision(SITE, sources, DAYS[0], 4, NOW, BIOLOGY, recalibration=right)


@pytest.mark.parametrize("right", [LOWER, HIGHER])
@pytest.mark.parametrize("by", [None, BY])
def test_the_decision_follows_the_odds_put_right(sources: Sources, right: Recalibration, by: date | None) -> None:
    raw, put = (
        graft_decision(SITE, sources, DAYS[0], 4, NOW, BIOLOGY, n_grafts=50, by=by, recalibration=r)
        for r in (None, right)
    )

    arrive = BIOLOGY.success.take * BIOLOGY.success.emergence_acceptance
    for before, day in zip(raw.days, put.days, strict=True):
        assert day.well_mated.value == pytest.approx(float(right.apply(before.well_mated.value)), abs=1e-12)
        assert day.well_mated.low == pytest.approx(float(right.apply(before.well_mated.low or 0.0)), abs=1e-12)
        assert day.well_mated.high == pytest.approx(float(right.apply(before.well_mated.high or 0.0)), abs=1e-12)
        assert day.well_mated_by_weather.mean == pytest.approx(day.well_mated.value, abs=1e-12)
        assert day.well_mated_usual == pytest.approx(float(right.apply(before.well_mated_usual or 0.0)), abs=1e-12)
        assert day.expected_laying == pytest.approx(
            50 * arrive * (day.well_mated.value if day.in_lay_by is None else day.in_lay_by), abs=1e-9
        )
        assert day.laying_range[0] <= day.expected_laying <= day.laying_range[1]
        assert (day.merit > 0.0) == (day.well_mated.value > day.break_even)
        assert (day.first_egg, day.prime, day.prime_flight_hours) == (
            before.first_egg,
            before.prime,
            before.prime_flight_hours,
        )
        assert (day.utility > before.utility) == (right is HIGHER)
    if by is not None:
        assert all(0.0 < (day.in_lay_by or 0.0) < day.well_mated.value for day in put.days)


def test_odds_put_far_down_are_no_longer_advised(sources: Sources) -> None:
    assert decide(sources, None).sentence.startswith("Graft on ")
    assert decide(sources, Recalibration(-3.0, 1.0, 0.1, 0.1)).sentence.startswith("Do not graft yet")


def test_without_a_forecast_every_day_is_as_usual_with_a_recalibration_too(sources: Sources) -> None:
    for day in decide(sources, LOWER).days:
        assert day.well_mated.value == pytest.approx(day.well_mated_usual, abs=1e-12)
        assert day.expected_laying == pytest.approx(day.expected_laying_usual, abs=1e-10)


def test_a_day_and_a_batch_grafted_on_it_are_put_right_alike(sources: Sources) -> None:
    """As without: the day's odds are those of the outlook, but for the drive pent up before the first day."""
    biology = BIOLOGY.with_values({"flight.pent_up_per_day_c": 0.0})
    found = graft_decision(SITE, sources, DAYS[0], 1, NOW, biology, recalibration=HIGHER)
    batch = recalibrated(batch_outlook(Batch(graft_time(DAYS[0], SITE)), SITE, sources, NOW, biology), HIGHER)

    (day,) = found.days
    assert day.well_mated.value == pytest.approx(batch.well_mated.value, abs=1e-9)
    assert day.well_mated.low == pytest.approx(batch.well_mated.low, abs=1e-9)
    assert day.well_mated_by_weather.p10 == pytest.approx(batch.well_mated_by_weather.p10, abs=1e-9)
    assert day.well_mated_usual == pytest.approx(batch.well_mated_usual, abs=1e-9)
