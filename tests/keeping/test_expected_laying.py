"""Queens in lay that are to be expected of a batch, against a plain simulation of every larva on every weather."""

from __future__ import annotations

from dataclasses import replace
from datetime import date
from typing import TYPE_CHECKING, Any

import numpy as np
import pytest

from matewindow.graft import laying_range
from matewindow.layingcount import ExpectedLaying, expected_laying
from matewindow.outlook import Outlook, batch_outlook
from matewindow.timeline import Batch, Check, graft_time
from tests.keeping.invented import NOW
from tests.keeping.made import ME, add_batch, add_check, add_site, body
from tests.made_weather import stand

if TYPE_CHECKING:
    from matewindow.biology import Biology
    from matewindow.keeping.outlooks import Keeper
    from matewindow.paths import Sources
    from matewindow.register.register import Register

SITE = stand()
N_DRAWS = 200_000


@pytest.fixture(scope="module")
def outlook(fine: Sources, biology: Biology) -> Outlook:
    """Of a batch whose window turns half wet: its odds differ much between the weathers."""
    return batch_outlook(Batch(graft_time(date(2026, 5, 16), SITE)), SITE, fine, NOW, biology)


@pytest.fixture(scope="module")
def checked(fine: Sources, biology: Biology) -> Outlook:
    """From past years alone, after a look that showed a virgin: bad weathers have become likelier than good ones."""
    batch = Batch(graft_time(date(2026, 5, 5), SITE), checks=(Check(date(2026, 5, 27), "virgin"),))
    return batch_outlook(batch, SITE, replace(fine, observed=None, members=None), NOW, biology)


def simulated(outlook: Outlook, biology: Biology, counted: str, count: int) -> np.ndarray[Any, np.dtype[np.int64]]:
    """The number of queens in lay in many seasons: a weather is drawn, then each larva's fate in it, step by step."""
    rng = np.random.default_rng(7)
    odds, success = outlook.by_path, biology.success
    weather = rng.choice(len(odds.share), N_DRAWS, p=odds.weight / odds.weight.sum())
    n = np.full(N_DRAWS, count)
    if counted == "grafted":
        n = rng.binomial(n, success.take)
    if counted != "emerged":
        n = rng.binomial(n, success.emergence_acceptance)
    laying: np.ndarray[Any, np.dtype[np.int64]] = rng.binomial(n, np.clip(odds.share[weather], 0.0, 1.0))
    return laying


@pytest.mark.parametrize(
    ("counted", "count"), [("grafted", 40), ("taken", 33), ("sealed", 31), ("placed", 24), ("emerged", 20)]
)
@pytest.mark.parametrize("which", ["outlook", "checked"])
def test_mean_and_range_are_those_of_a_simulation(
    which: str, counted: str, count: int, request: pytest.FixtureRequest, biology: Biology
) -> None:
    outlook: Outlook = request.getfixturevalue(which)
    found = expected_laying({counted: count}, outlook, biology)
    seasons = simulated(outlook, biology, counted, count)
    assert found is not None

    assert found.mean == pytest.approx(seasons.mean(), abs=5.0 * seasons.std() / N_DRAWS**0.5)
    # the points of a count: at most one in ten below the first, at least nine in ten not above the second
    shares = {n: float((seasons <= n).mean()) for n in range(-1, count + 1)}
    assert shares[found.p10 - 1] < 0.1 + 0.005
    assert shares[found.p10] > 0.1 - 0.005
    assert shares[found.p90 - 1] < 0.9 + 0.005
    assert shares[found.p90] > 0.9 - 0.005


def test_queens_share_their_weather_so_that_counts_spread_wider_than_coins(checked: Outlook, biology: Biology) -> None:
    found = expected_laying({"emerged": 30}, checked, biology)
    assert found is not None
    one_weather = laying_range(30, np.array([checked.well_mated.value]))
    assert found.p90 - found.p10 > one_weather[1] - one_weather[0]


def test_paths_count_by_what_a_check_has_made_of_them(checked: Outlook, biology: Biology) -> None:
    """The mean over the paths, weighed, is the chance that the outlook tells."""
    odds = checked.by_path
    assert np.ptp(odds.weight) > 0.5 * odds.weight.mean()
    assert float(odds.share @ odds.weight / odds.weight.sum()) == pytest.approx(checked.well_mated.value, rel=1e-12)


def test_each_count_takes_the_place_of_what_was_expected(outlook: Outlook, biology: Biology) -> None:
    """Take 0.80 and emergence with acceptance 0.80: the parameters' own card."""
    p, counts = outlook.well_mated.value, dict[str, int | None]()
    means = []
    for step, n in (("grafted", 40), ("taken", 30), ("sealed", 29), ("placed", 25), ("emerged", 22), ("laying", 17)):
        counts[step] = n
        found = expected_laying(counts, outlook, biology)
        assert found is not None
        assert (found.counted, found.count) == (step, n)
        means.append(found.mean)
    assert means == pytest.approx([40 * 0.64 * p, 30 * 0.8 * p, 29 * 0.8 * p, 25 * 0.8 * p, 22 * p, 17.0])


def test_what_was_counted_at_last_is_no_guess(outlook: Outlook, biology: Biology) -> None:
    found = expected_laying({"grafted": 40, "laying": 17}, outlook, biology)
    assert found == ExpectedLaying(17.0, 17, 17, None, "laying", 17)


def test_without_a_count_nothing_is_expected(outlook: Outlook, biology: Biology) -> None:
    assert expected_laying({}, outlook, biology) is None
    assert expected_laying({"grafted": None}, outlook, biology) is None
    nothing = expected_laying({"grafted": 0}, outlook, biology)
    assert nothing is not None
    assert (nothing.mean, nothing.p10, nothing.p90) == (0.0, 0, 0)


def test_of_virgins_from_an_incubator_only_those_in_nucs_count(outlook: Outlook, biology: Biology) -> None:
    counts = {"emerged": 22, "placed": 18}
    found = [expected_laying(counts, outlook, biology, incubator=incubator) for incubator in (False, True)]
    assert [f and f.count for f in found] == [22, 18]


def test_the_usual_is_the_same_from_past_years(outlook: Outlook, biology: Biology) -> None:
    found = expected_laying({"placed": 10}, outlook, biology)
    assert found is not None
    assert outlook.well_mated_usual is not None
    assert found.mean_usual == pytest.approx(8.0 * outlook.well_mated_usual)


def test_the_service_gives_it_with_the_outlook_and_a_count_changes_it_at_once(
    keeper: Keeper, register: Register
) -> None:
    batch = add_batch(register, add_site(register), n_grafted=None)
    none = body(keeper.outlook(batch))
    register.change("batch", batch, {"n_grafted": 30}, ME)
    grafted = body(keeper.outlook(batch))
    register.change("batch", batch, {"n_taken": 20}, ME)
    taken = body(keeper.outlook(batch))
    add_check(register, batch)
    looked = body(keeper.outlook(batch))

    assert none["expected_laying"] is None
    assert grafted["expected_laying"]["mean"] == pytest.approx(30 * 0.64 * grafted["p_well_mated"])
    assert taken["expected_laying"]["mean"] == pytest.approx(20 * 0.8 * taken["p_well_mated"])
    assert looked["expected_laying"]["mean"] == pytest.approx(20 * 0.8 * looked["p_well_mated"])
    assert set(taken["expected_laying"]) == {"mean", "p10", "p90", "mean_usual", "counted", "count"}


def test_more_than_a_thousand_larvae_are_spread_by_the_normal_approximation_with_weights(checked: Outlook) -> None:
    odds = checked.by_path
    low, high = laying_range(2_000, odds.share, odds.weight)
    exact_low, exact_high = laying_range(999, odds.share, odds.weight)
    assert low / 2_000 == pytest.approx(exact_low / 999, abs=0.01)
    assert high / 2_000 == pytest.approx(exact_high / 999, abs=0.01)
