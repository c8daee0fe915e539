"""From which odds on a batch warns by default, and that the levels of raising and clearing keep apart."""

from __future__ import annotations

from datetime import UTC, date, datetime

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from matewindow.biology import load_biology
from matewindow.errors import RequestError
from matewindow.graft import for_nuc, graft_decision
from matewindow.paths import Sources
from matewindow.warnings.thresholds import Thresholds, break_even, thresholds_of
from tests.made_weather import changeable, stand

BIOLOGY = load_biology()
NOW = datetime(2026, 5, 9, 9, tzinfo=UTC)


@pytest.mark.parametrize("nuc", ["mini", "few-frames", "five-frames"])
@pytest.mark.parametrize("warmth_c", [11.0, 15.0, 20.0])
def test_the_default_is_the_break_even_of_the_graft_decision_to_within_a_few_points(nuc: str, warmth_c: float) -> None:
    biology = for_nuc(BIOLOGY, nuc)
    past = changeable("2014-01-01", 4383, np.random.default_rng(5), warmth_c=warmth_c)
    decision = graft_decision(stand(), Sources(past=past), date(2026, 5, 10), 1, NOW, biology)
    assert break_even(biology) == pytest.approx(decision.threshold, abs=0.1)


def test_the_keepers_own_figures_come_before_the_default_and_the_usual_is_then_not_asked() -> None:
    assert thresholds_of(BIOLOGY) == Thresholds(break_even(BIOLOGY))
    assert thresholds_of(BIOLOGY, low=0.6) == Thresholds(0.6, below_usual=None)
    assert thresholds_of(BIOLOGY, drop=0.3) == Thresholds(break_even(BIOLOGY), drop=0.3)


@pytest.mark.parametrize(
    "wrong", [{"low": 1.0}, {"low": -0.1}, {"low": 0.5, "drop": 0.01}, {"low": 0.5, "margin": 0.0}]
)
def test_thresholds_that_would_always_warn_or_toggle_are_refused(wrong: dict[str, float]) -> None:
    with pytest.raises(RequestError, match="Give a share from"):
        Thresholds(**wrong)


@given(
    low=st.floats(0.0, 0.9),
    expected=st.none() | st.floats(0.05, 0.95),
    before=st.none() | st.floats(0.05, 0.99),
    below=st.none() | st.floats(0.02, 0.5),
)
def test_the_level_of_clearing_lies_clearly_above_any_odds_that_raise(
    low: float, expected: float | None, before: float | None, below: float | None
) -> None:
    limits = Thresholds(low, below_usual=below)
    raised_at = low if before is None else max(0.0, before - limits.drop)
    if expected is not None and below is not None:
        raised_at = min(raised_at, expected - below)
    gaps = [limits.margin, limits.drop / 2.0] + ([] if below is None else [below / 2.0])
    assert limits.clear_level(expected, before) - raised_at >= min(gaps) - 2e-5
