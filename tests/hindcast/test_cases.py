"""Seasons as cases: the record's figures are those of independent packages on the same rows, for any size of plan."""

from __future__ import annotations

import re
from dataclasses import replace
from datetime import timedelta
from functools import cache

import numpy as np
import pytest
import xarray as xr
from sklearn.metrics import brier_score_loss

from matewindow.hindcast.asof import Ground
from matewindow.hindcast.cases import LEAD_GROUPS, flying_day_cases, window_cases
from matewindow.hindcast.oneseason import LEADS_D, STAGES_D
from matewindow.hindcast.report import told
from matewindow.hindcast.running import Hindcast, hindcast
from matewindow.hindcast.seasons import Plan
from matewindow.verification import Verdict, record_of
from tests.hindcast.made_seasons import BIOLOGY, SMALL, Planted, small
from tests.made_weather import changeable, stand

scores = pytest.importorskip("scores", reason="the package `scores` is a development dependency")


@cache
def three_seasons() -> Hindcast:
    return hindcast(replace(small(), forecasts=Planted(small().record, half_d=4.0)), SMALL, processes=1)


def test_figures_of_flying_days_are_those_of_independent_packages() -> None:
    seasons = three_seasons().seasons
    record = record_of(flying_day_cases(seasons, "here"))
    lead = np.concatenate([s.day_lead for s in seasons])
    p, usual, came = (np.concatenate([getattr(s, f"day_{n}") for s in seasons]) for n in ("p", "usual", "outcome"))
    hours, seen = (np.concatenate([getattr(s, f"day_{n}") for s in seasons]) for n in ("hours", "hours_came"))
    for group, (first, last) in zip(record.groups, LEAD_GROUPS.values(), strict=True):
        here = (lead >= first) & (lead <= last)
        assert group.n == here.sum() > 0
        assert group.n_missing == 0
        brier = group.brier.usual
        assert brier.score.value == pytest.approx(brier_score_loss(came[here], p[here]), abs=1e-9)
        assert brier.reference.value == pytest.approx(brier_score_loss(came[here], usual[here]), abs=1e-9)
        assert group.hours is not None
        assert group.hours.crps.usual.score.value == pytest.approx(crps(hours[here], seen[here]), abs=1e-9)


def test_figures_of_windows_are_those_of_independent_packages() -> None:
    seasons = three_seasons().seasons
    record = record_of(window_cases(seasons, "here", BIOLOGY))
    stage = np.concatenate([s.window_stage for s in seasons])
    p, came = (np.concatenate([getattr(s, f"window_{n}") for s in seasons]) for n in ("p", "outcome"))
    eggs, laid = (np.concatenate([getattr(s, f"window_{n}") for s in seasons]) for n in ("eggs", "egg_came"))
    for group, days in zip(record.groups, STAGES_D.values(), strict=True):
        here = stage == days
        # a share of queens scores as they would one by one
        one_by_one = np.repeat([1.0, 0.0], here.sum()), np.tile(p[here], 2)
        brier = brier_score_loss(*one_by_one, sample_weight=np.concatenate([came[here], 1.0 - came[here]]))
        assert group.brier.usual.score.value == pytest.approx(brier, abs=1e-9)
        assert group.first_egg is not None
        assert group.first_egg.score is not None
        by_day = np.cumsum(eggs[here], axis=1)[:, : group.first_egg.horizon_d]
        in_lay = (np.arange(by_day.shape[1]) >= laid[here, None]).astype(np.float64)
        wanted = scores.probability.brier_score(xr.DataArray(np.minimum(by_day, 1.0)), xr.DataArray(in_lay))
        assert group.first_egg.score.usual.score.value == pytest.approx(float(wanted) * by_day.shape[1], abs=1e-9)


def test_leads_are_told_by_the_day_that_they_are_about() -> None:
    cases = flying_day_cases(three_seasons().seasons, "here")
    assert cases.came_on is not None
    ahead = (cases.came_on - cases.issued).astype(np.int64)
    assert set(ahead.tolist()) == set(range(1, LEADS_D + 1))
    of_day: dict[object, set[float]] = {}
    for day, came in zip(cases.came_on.tolist(), cases.outcome, strict=True):
        of_day.setdefault(day, set()).add(came)
    assert all(len(outcomes) == 1 for outcomes in of_day.values())  # one day, one outcome


def test_one_graft_a_season_is_judged_without_advice() -> None:
    plan = Plan((6, 10), 1, (2011, 2012, 2013))
    found = told(small(), hindcast(small(), plan, processes=1))
    assert found.sections == ()
    mated, _ = found.records
    assert [group.n for group in mated.groups] == [3] * 5
    assert all(group.brier.usual.verdict == Verdict.TOO_FEW for group in mated.groups)
    text = re.sub(r"\s+", " ", found.text())
    assert "3 seasons are few" in text
    assert "In 3 seasons luck can do that" in text or "in 3 seasons luck can do that" in text


def test_forty_seasons_are_judged_and_have_ranges() -> None:
    ground = Ground(stand(), changeable("1980-01-01", 365 * 42 + 11, np.random.default_rng(5)), BIOLOGY)
    plan = Plan((6, 10), 3, tuple(range(1981, 2021)), week_d=2)
    found = told(ground, hindcast(ground, plan, processes=1))
    mated, _ = found.records
    grown = mated.groups[-1].brier.usual
    assert (grown.n, grown.n_blocks) == (120, 40)
    assert grown.verdict != Verdict.TOO_FEW
    assert "seasons are few" not in found.text()
    assert found.sections[0].data["mornings"] == 80


def test_every_graft_is_asked_about_at_each_stage_once() -> None:
    for season in three_seasons().seasons:
        for days in STAGES_D.values():
            issued = season.window_issued[season.window_stage == days]
            wanted = [np.datetime64(graft + timedelta(days=days)) for graft in SMALL.grafts(season.year)]
            np.testing.assert_array_equal(issued, np.array(wanted))


def crps(points: np.ndarray, seen: np.ndarray) -> float:
    """Of whole distributions kept as equal shares."""
    forecast = xr.DataArray(points, dims=("case", "member"))
    return float(
        scores.probability.crps_for_ensemble(forecast, xr.DataArray(seen, dims="case"), "member", method="ecdf")
    )
