"""Cases are checked when they are made, and taken apart without losing rows."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from matewindow.errors import InputError
from matewindow.verification import Cases, EggCases, HoursCases, Samples, persistence_odds
from tests.verification.made_cases import made_cases


def small() -> Cases:
    return made_cases(n_seasons=6, n_sites=2, n_days=5)


def test_rows_that_do_not_match_are_refused_by_name() -> None:
    cases = small()
    with pytest.raises(InputError, match=r"Cases\.season: 3 rows beside 300 odds"):
        replace(cases, season=cases.season[:3])
    assert cases.hours is not None
    with pytest.raises(InputError, match=r"HoursCases\.observed: 3 rows"):
        replace(cases, hours=replace(cases.hours, observed=cases.hours.observed[:3]))


@pytest.mark.parametrize("name", ["p", "p_usual", "p_persistence", "outcome"])
def test_odds_beyond_0_and_1_are_refused(name: str) -> None:
    cases = small()
    with pytest.raises(InputError, match=rf"Cases\.{name}: 70\. Odds and outcomes lie between 0 and 1"):
        replace(cases, **{name: np.full(len(cases), 70.0)})  # type: ignore[arg-type]  # columns of odds


def test_a_lead_group_that_is_not_named_is_refused() -> None:
    with pytest.raises(InputError, match="cases of day 17 on, days 13 to 16"):
        replace(small(), lead_groups=("days 1 to 3", "days 4 to 7", "days 8 to 12"))


def test_hours_must_be_finite_and_edges_rise() -> None:
    hours, one = Samples(np.array([[1.0, np.inf]])), np.array([1.0])
    with pytest.raises(InputError, match="hours that are not finite"):
        HoursCases(hours, hours, one)
    fine = Samples(np.array([[1.0, 2.0]]))
    with pytest.raises(InputError, match="rising"):
        HoursCases(fine, fine, one, edges=(3.0, 2.0))


def test_eggs_before_the_last_look_without_them_are_refused() -> None:
    days = Samples(np.array([[12.0, 14.0]] * 2))
    with pytest.raises(InputError, match=r"case 1: no eggs up to day 14, but eggs by day 12"):
        EggCases(days, days, np.array([np.inf, 14.0]), np.array([np.inf, 12.0]), 28)
    with pytest.raises(InputError, match="a horizon of 0 days"):
        EggCases(days, days, np.array([3.0, 3.0]), np.array([4.0, 4.0]), 0)


def test_samples_are_rows_with_weights_of_their_shape() -> None:
    with pytest.raises(InputError, match="a row for each case"):
        Samples(np.zeros(3))
    with pytest.raises(InputError, match="a weight of 0 or more"):
        Samples(np.zeros((2, 3)), np.zeros((2, 2)))
    with pytest.raises(InputError, match="a weight of 0 or more"):
        Samples(np.zeros((1, 2)), np.array([[1.0, -1.0]]))


def test_groups_take_all_their_rows_along() -> None:
    cases = small()
    parts = [cases.of(name) for name in cases.groups]
    assert sum(len(part) for part in parts) == len(cases)
    second = parts[1]
    at = cases.lead_group == "days 4 to 7"
    assert cases.hours is not None
    assert second.hours is not None
    assert second.first_egg is not None
    assert second.p.tolist() == cases.p[at].tolist()
    assert second.hours.issued.values.tolist() == cases.hours.issued.values[at].tolist()
    assert len(second.first_egg.by_d) == len(second) == len(second.hours.usual)
    assert second.first_egg.horizon_d == 28


def test_a_named_group_without_cases_is_kept() -> None:
    cases = small()
    wider = replace(cases, lead_groups=(*cases.lead_groups, "window"))
    assert wider.groups[-1] == "window"
    assert len(wider.of("window")) == 0


def test_seasons_are_the_blocks_and_sites_where_seasons_are_too_few() -> None:
    assert small().blocks().name == "seasons"
    few = made_cases(n_seasons=2, n_sites=6, n_days=5)
    assert (few.blocks().name, few.blocks().count) == ("sites", 6)
    neither = made_cases(n_seasons=2, n_sites=2, n_days=5)
    assert (neither.blocks().name, neither.blocks().enough) == ("seasons", False)


def test_persistence_carries_the_last_days_on() -> None:
    """Usual 0.5; of the last week 0.9 came true where 0.6 is usual: 0.8, with half of it carried 0.65, never beyond 0.99."""
    assert persistence_odds([0.5], [0.9], [0.6]) == pytest.approx([0.8])
    assert persistence_odds([0.5], [0.9], [0.6], carried=0.5) == pytest.approx([0.65])
    assert persistence_odds([0.9], [0.9], [0.1]) == pytest.approx([0.99])


def test_the_day_whose_weather_decides_a_case_is_that_of_its_issue_unless_told() -> None:
    cases = small()
    np.testing.assert_array_equal(cases.outcome_days, cases.issued)
    later = replace(cases, came_on=cases.issued + 3)
    np.testing.assert_array_equal(later.outcome_days, cases.issued + 3)
    some = np.arange(len(cases)) % 2 == 0
    np.testing.assert_array_equal(later.take(some).outcome_days, (cases.issued + 3)[some])
    with pytest.raises(InputError, match=r"Cases\.came_on"):
        replace(cases, came_on=cases.issued[1:])
