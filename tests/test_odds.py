"""The mass of one batch: counted cell by cell, held against what was seen, and what is said where nobody is left."""

from __future__ import annotations

import itertools
from dataclasses import astuple
from datetime import date, timedelta
from typing import TYPE_CHECKING, Literal

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from matewindow import mating
from matewindow.biology import load_biology
from matewindow.errors import RequestError
from matewindow.odds import Odds, Range, after_checks, egg_quantiles, odds_of, risks, spread, still_good
from matewindow.paths import Sources, build_paths
from matewindow.timeline import Check
from tests.made_weather import by_hours, stand

if TYPE_CHECKING:
    from collections.abc import Iterator

    from matewindow.paths import Paths

    Saw = Literal["eggs", "virgin", "nothing"]
    Cell = tuple[str, int | None, int | None, int, float]  # fate, age at first egg, age at loss, emergence, mass

BIOLOGY = load_biology()
SITE = stand()
FIRST = np.datetime64("2026-05-22")
N_AGES, N_EMERGENCE, N_PATHS = 9, 3, 4


def made(seed: int) -> Odds:
    """Any mass at all over fates, ages, emergence days and paths, some of it nothing."""
    rng = np.random.default_rng(seed)
    egg = rng.random((3, N_AGES, N_EMERGENCE, N_PATHS)) * (rng.random((3, N_AGES, N_EMERGENCE, N_PATHS)) < 0.6)
    lost, unmated = rng.random((N_AGES, N_EMERGENCE, N_PATHS)), rng.random((N_EMERGENCE, N_PATHS))
    total = egg.sum() + lost.sum() + unmated.sum()
    return Odds(egg / total, lost / total, unmated / total, rng.random((N_AGES, N_EMERGENCE, N_PATHS)))


def cells(odds: Odds) -> Iterator[Cell]:
    """The mass, one cell at a time, paths together."""
    for f, age, e in itertools.product(range(3), range(N_AGES), range(N_EMERGENCE)):
        yield mating.FATES[f], age, None, e, float(odds.egg[f, age, e].sum())
    for age, e in itertools.product(range(N_AGES), range(N_EMERGENCE)):
        yield "lost", None, age, e, float(odds.lost[age, e].sum())
    for e in range(N_EMERGENCE):
        yield "unmated", None, None, e, float(odds.unmated[e].sum())


def agrees(cell: Cell, day: int, saw: Saw) -> bool:
    _, egg, loss, e, _ = cell
    laying = egg is not None and e + egg <= day
    gone = loss is not None and e + loss <= day
    emerged = e <= day
    return {"eggs": laying, "virgin": emerged and not laying and not gone, "nothing": not laying}[saw]


def seen(*checks: tuple[int, Saw]) -> tuple[Check, ...]:
    return tuple(Check(date(2026, 5, 22) + timedelta(days=day), saw) for day, saw in checks)


CHECKS = st.lists(st.tuples(st.integers(-2, 14), st.sampled_from(["eggs", "virgin", "nothing"])), max_size=3)


@given(st.integers(0, 10_000), CHECKS)
@settings(max_examples=150, deadline=None)
def test_checks_keep_the_cells_that_agree_with_them_in_proportion(seed: int, checks: list[tuple[int, Saw]]) -> None:
    odds = made(seed)
    left = [cell for cell in cells(odds) if all(agrees(cell, *check) for check in checks)]
    total = sum(mass for *_, mass in left)
    if total <= 1e-9:
        with pytest.raises(RequestError, match="cannot be"):
            after_checks(odds, seen(*checks), FIRST, SITE)
        return
    found = after_checks(odds, seen(*checks), FIRST, SITE)
    for fate, p in found.fates().items():
        assert p == pytest.approx(sum(m for f, *_, m in left if f == fate) / total, abs=1e-9)
    assert sum(found.fates().values()) == pytest.approx(1.0, abs=1e-12)
    by_day = found.egg_days()
    for day in range(by_day.shape[1]):
        laid = sum(m for _, egg, _, e, m in left if egg is not None and e + egg == day)
        assert by_day[:, day].sum() == pytest.approx(laid / total, abs=1e-9)
    assert found.checked == bool(checks)


@given(st.integers(0, 10_000), CHECKS)
@settings(max_examples=60, deadline=None)
def test_the_order_in_which_checks_are_given_does_not_matter(seed: int, checks: list[tuple[int, Saw]]) -> None:
    odds, results = made(seed), []
    for order in itertools.permutations(checks):
        try:
            results.append(after_checks(odds, seen(*order), FIRST, SITE).fates())
        except RequestError:
            results.append({})
    for other in results[1:]:
        assert other == pytest.approx(results[0], abs=1e-9)


@given(st.integers(0, 10_000))
@settings(max_examples=40, deadline=None)
def test_waiting_pays_by_the_share_of_those_not_in_lay_that_will_yet_be_good(seed: int) -> None:
    odds = made(seed)
    good = still_good(odds)
    for day, found in enumerate(good):
        waiting = [c for c in cells(odds) if c[1] is None or c[3] + c[1] > day]
        later = sum(m for f, *_, m in waiting if f == "well_mated")
        assert found == pytest.approx(later / sum(m for *_, m in waiting), abs=1e-9)
    assert ((good >= 0.0) & (good <= 1.0)).all()


def test_the_chains_mass_adds_up_to_one_whatever_the_emergence() -> None:
    hours = np.random.default_rng(2).uniform(0.0, 4.0, (60, 7))
    odds = odds_of(hours, np.ones(60), 5, np.array([0.2, 0.5, 0.3]), BIOLOGY)
    assert sum(odds.fates().values()) == pytest.approx(1.0, abs=1e-12)
    assert odds.by_path().sum(axis=0) == pytest.approx(np.full(7, 1.0 / 7.0))
    assert odds.flight_days().sum() == pytest.approx(odds.flights.sum())
    assert not odds.checked


# --- risks ----------------------------------------------------------------------------------------------------------


def paths_of(n_years: int) -> Paths:
    past = by_hours(f"{2026 - n_years}-01-01", np.full(366 * n_years, 2.0))
    paths, _ = build_paths(Sources(past=past), FIRST, 50, FIRST, BIOLOGY, 1.0)
    assert len(paths.years) == n_years
    return paths


def one_cell(n_paths: int, *, egg: tuple[int, int] | None = None, lost: int | None = None) -> Odds:
    """All mass in one cell: a first egg of some fate at an age, a loss at an age, or neither."""
    shape = (40, 1, n_paths)
    odds = Odds(np.zeros((3, *shape)), np.zeros(shape), np.zeros((1, n_paths)), np.zeros(shape))
    if egg is not None:
        odds.egg[egg[0], egg[1]] = 1.0 / n_paths
    elif lost is not None:
        odds.lost[lost] = 1.0 / n_paths
    else:
        odds.unmated[:] = 1.0 / n_paths
    return odds


@pytest.mark.parametrize(
    ("cell", "well", "poor", "delayed"),
    [
        ({"egg": (0, 14)}, 1.0, 0.0, 0.0),  # in lay by the first check, 14 days after emergence
        ({"egg": (0, 15)}, 1.0, 0.0, 1.0),
        ({"egg": (1, 10)}, 0.0, 1.0, None),
        ({"egg": (2, 25)}, 0.0, 1.0, None),
        ({}, 0.0, 1.0, None),
        ({"lost": 9}, 0.0, None, None),
    ],
    ids=["well in time", "well but late into lay", "under-mated", "late", "unmated", "lost"],
)
def test_risks_are_unsaid_where_nobody_is_left_whom_they_could_befall(
    cell: dict[str, tuple[int, int]], well: float, poor: float | None, delayed: float | None
) -> None:
    paths = paths_of(6)
    found = risks(one_cell(len(paths.year), **cell), paths, BIOLOGY)  # type: ignore[arg-type]
    assert found.well_mated == Range(well, well, well)
    assert found.poor_mating == (None if poor is None else Range(poor, poor, poor))
    assert found.delayed_laying == (None if delayed is None else Range(delayed, delayed, delayed))
    assert astuple(found.by_weather) == pytest.approx((well, well, well, well))


@pytest.mark.parametrize(("n_years", "known"), [(1, False), (4, False), (5, True), (9, True)])
def test_a_range_needs_five_years(n_years: int, known: bool) -> None:  # noqa: FBT001
    paths = paths_of(n_years)
    odds = one_cell(len(paths.year), egg=(0, 10))
    found = risks(odds, paths, BIOLOGY).well_mated
    assert (found.low is None, found.high is None) == (not known, not known)
    assert risks(odds, paths, BIOLOGY, ranges=False).well_mated == Range(1.0)


def test_a_range_that_is_not_known_has_no_width() -> None:
    assert Range(0.4).width == 0.0
    assert Range(0.4, 0.25, 0.5).width == pytest.approx(0.25)


# --- quantiles ------------------------------------------------------------------------------------------------------


@given(st.lists(st.tuples(st.integers(0, 20), st.integers(0, 5)), min_size=1, max_size=20))
def test_weighted_points_are_those_of_the_values_repeated(pairs: list[tuple[int, int]]) -> None:
    repeated = np.sort(np.repeat([v for v, _ in pairs], [m for _, m in pairs])).astype(float)
    if not len(repeated):
        return
    found = spread(np.array([v for v, _ in pairs], dtype=float), np.array([m for _, m in pairs], dtype=float))
    assert found.mean == pytest.approx(repeated.mean())
    for q, point in ((0.1, found.p10), (0.5, found.p50), (0.9, found.p90)):
        at = q * len(repeated)
        if abs(at - round(at)) > 1e-6:  # else rounding decides between two neighbours
            assert point == np.quantile(repeated, q, method="inverted_cdf")


@pytest.mark.parametrize(
    ("longitude", "zone", "ahead"), [(0.0, "Europe/London", 0), (-176.5, "Pacific/Chatham", 1), (174.8, "Pacific/Auckland", 0)]
)  # fmt: skip
def test_egg_dates_are_the_local_days_by_which_a_tenth_half_and_nine_tenths_have_laid(
    longitude: float, zone: str, ahead: int
) -> None:
    site = stand(longitude=longitude, timezone=zone)
    by_day = np.array([0.0, 0.05, 0.05, 0.3, 0.1, 0.4, 0.0, 0.1]) * 0.37
    day = date(2026, 5, 22 + ahead)
    assert egg_quantiles(by_day, FIRST, site) == {
        "p10": day + timedelta(days=2),
        "p50": day + timedelta(days=4),
        "p90": day + timedelta(days=5),
    }
    assert egg_quantiles(by_day * 1e-12, FIRST, site) is None
