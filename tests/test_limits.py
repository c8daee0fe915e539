"""The keeper's own limits: which of them a graft day breaks, and what that is called."""

from __future__ import annotations

from datetime import date, timedelta
from typing import Any

import pytest

from matewindow.biology import load_biology
from matewindow.limits import Limits, broken
from tests.made_weather import stand

BIOLOGY = load_biology()
SITE = stand()
DAY = date(2026, 5, 18)  # a Monday


def names(day: date, limits: Limits = Limits(), today: date = DAY, **site: Any) -> list[str]:  # noqa: B008  frozen
    return [c.name for c in broken(day, today, stand(**site), BIOLOGY, limits)]


def test_a_free_yard_sets_no_limits() -> None:
    assert names(DAY) == []


@pytest.mark.parametrize(("today", "limited"), [("2026-05-17", False), ("2026-05-18", False), ("2026-05-19", True)])
def test_a_day_before_today_is_past(today: str, limited: bool) -> None:  # noqa: FBT001
    assert names(DAY, today=date.fromisoformat(today)) == (["past"] if limited else [])


@pytest.mark.parametrize(("free_from", "limited"), [("2026-05-18", False), ("2026-05-19", True)])
def test_the_cell_builder_takes_grafts_on_the_first_day_that_it_is_free(free_from: str, limited: bool) -> None:  # noqa: FBT001
    limits = Limits(builder_free_from=date.fromisoformat(free_from))
    assert names(DAY, limits) == (["cell builder"] if limited else [])


def test_the_cell_builders_limit_says_from_when_it_takes_grafts() -> None:
    (constraint,) = broken(DAY, DAY, SITE, BIOLOGY, Limits(builder_free_from=date(2026, 5, 21)))
    assert constraint.text == "the cell builder takes grafts again from 21 May"


@pytest.mark.parametrize(("free_from", "limited"), [("2026-05-28", False), ("2026-05-29", True)])
def test_nucs_must_be_free_when_cells_are_ripe_on_day_ten(free_from: str, limited: bool) -> None:  # noqa: FBT001
    limits = Limits(nucs_free_from=date.fromisoformat(free_from))
    assert names(DAY, limits) == (["nucs"] if limited else [])


@pytest.mark.parametrize(("mature_from", "limited"), [("2026-06-05", False), ("2026-06-06", True)])
def test_drones_must_be_mature_when_virgins_are_six_days_old(mature_from: str, limited: bool) -> None:  # noqa: FBT001
    """Grafted on 18 May, emerged on 30 May, six days old on 5 June."""
    assert names(DAY, drones_mature_from=date.fromisoformat(mature_from)) == (["drones"] if limited else [])


@pytest.mark.parametrize(
    ("limits", "work"),
    [
        (Limits(days_off=frozenset({date(2026, 5, 18)})), "graft"),
        (Limits(days_off=frozenset({date(2026, 5, 28)})), "move the ripe cells"),
        (Limits(weekdays_off=frozenset({0})), "graft"),
        (Limits(weekdays_off=frozenset({3})), "move the ripe cells"),  # 28 May is a Thursday
    ],
)
def test_a_visit_on_a_day_off_is_named_with_its_work(limits: Limits, work: str) -> None:
    (constraint,) = broken(DAY, DAY, SITE, BIOLOGY, limits)
    assert constraint.name == "day off"
    assert constraint.text.endswith(f"the day to {work}")


def test_other_days_off_do_not_matter() -> None:
    off = frozenset(DAY + timedelta(days=i) for i in range(30)) - {DAY, DAY + timedelta(days=10)}
    assert names(DAY, Limits(days_off=off)) == []


def test_several_limits_are_all_named() -> None:
    limits = Limits(builder_free_from=date(2026, 6, 1), nucs_free_from=date(2026, 6, 9), weekdays_off=frozenset({0, 3}))
    found = names(DAY, limits, date(2026, 5, 20), drones_mature_from=date(2026, 7, 1))
    assert found == ["past", "cell builder", "nucs", "drones", "day off", "day off"]


@pytest.mark.parametrize(
    ("longitude", "zone"), [(-176.5, "Pacific/Chatham"), (-179.9, "Pacific/Fiji"), (174.8, "Pacific/Auckland")]
)
def test_beside_the_date_line_limits_count_by_the_local_calendar(longitude: float, zone: str) -> None:
    """Emergence 295 h after noon falls on the twelfth day after the graft, as anywhere; virgins fit six days later."""
    site: dict[str, Any] = {"longitude": longitude, "timezone": zone, "latitude": -44.0}
    assert names(DAY, drones_mature_from=date(2026, 6, 5), **site) == []
    assert names(DAY, drones_mature_from=date(2026, 6, 6), **site) == ["drones"]
