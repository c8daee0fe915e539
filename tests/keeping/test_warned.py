"""From new weather to a warning in the register and a message in the outbox: once, with its cause, and cleared once."""

from __future__ import annotations

from datetime import timedelta
from typing import TYPE_CHECKING

import pytest

from matewindow.keeping.judging import Judging
from matewindow.keeping.outlooks import Keeper
from matewindow.keeping.refresh import Refresher
from matewindow.register import tables
from tests.keeping.invented import NOW, InventedDesk, of_run
from tests.keeping.made import add_batch, add_hook, add_site, rows, told

if TYPE_CHECKING:
    from datetime import datetime

    from matewindow.paths import Sources
    from matewindow.register.register import Register
    from tests.register.made import Clock

ROUND_H = 2.0
"""Every site is due by then."""
KEPT = (tables.outlooks, tables.warnings, tables.batch_state, tables.events)


class Days:
    """A season in which runs of the model follow each other."""

    def __init__(self, register: Register, desk: InventedDesk, clock: Clock) -> None:
        self.register, self.desk, self.clock = register, desk, clock
        add_hook(register)
        self.keeper = Keeper(register, desk, Judging(register.biology, register.clock))
        self.refresher = Refresher(self.keeper)
        self.batch = add_batch(register, add_site(register))

    def run(self, sources: Sources, at: datetime | None = None) -> list[str]:
        """Let a run come and refresh; the messages since the beginning."""
        self.desk.weathers = [of_run(sources, at or self.clock.now - timedelta(hours=6))]
        self.clock.step(hours=ROUND_H)
        list(self.refresher.refresh_many(self.refresher.due()))
        return told(self.register)

    def until(self, day: str, hour: int) -> None:
        self.clock.now = self.clock.now.fromisoformat(f"{day}T{hour:02d}:00:00+00:00")


@pytest.fixture
def days(register: Register, desk: InventedDesk, clock: Clock) -> Days:
    return Days(register, desk, clock)


def test_a_wet_spell_is_warned_of_once_with_rain_as_its_cause(days: Days, fine: Sources, rainy: Sources) -> None:
    assert days.run(fine) == []
    assert days.run(rainy) == ["warning.raised"]
    [warning] = rows(days.register.database, tables.warnings)
    [state] = rows(days.register.database, tables.batch_state)

    assert (warning["cause"], warning["kind"], warning["cleared_at"]) == ("rain", "raised", None)
    assert warning["batch_id"] == days.batch
    assert warning["outlook_id"] == state["outlook_id"]
    assert "rain" in warning["message"]


def test_the_same_refresh_once_more_adds_nothing(days: Days, fine: Sources, rainy: Sources) -> None:
    days.run(fine)
    days.run(rainy, NOW)
    before = [rows(days.register.database, table) for table in KEPT]
    for _ in range(3):
        assert days.run(rainy, NOW) == ["warning.raised"]
    assert before == [rows(days.register.database, table) for table in KEPT]


def test_it_clears_once_when_the_spell_moves_away(days: Days, fine: Sources, rainy: Sources) -> None:
    days.run(fine)
    days.run(rainy)
    days.until("2026-05-28", 6)
    said = [days.run(fine) for _ in range(4)]
    [warning] = rows(days.register.database, tables.warnings)

    assert said[-1] == ["warning.raised", "warning.cleared"]
    assert (warning["cleared_at"] is None, "good again" in warning["cleared_message"].lower()) == (False, False)
    assert warning["cleared_message"] != ""


def test_what_comes_up_later_on_the_same_day_is_said_on_the_next_without_new_weather(
    days: Days, fine: Sources, rainy: Sources
) -> None:
    """The odds fall, recover and fall again on one day. The second fall is held until the site's midnight."""
    days.run(fine)
    days.run(rainy)
    said = [days.run(fine), days.run(fine), days.run(fine)]
    [state] = rows(days.register.database, tables.batch_state)
    issued = len(days.keeper.issued(days.batch))
    last = days.clock.now - timedelta(hours=6 + ROUND_H)

    assert said == [["warning.raised"]] * 3
    assert state["due_at"].isoformat() == "2026-05-27T23:00:00+00:00"  # midnight of British summer time
    days.until("2026-05-27", 20)
    assert days.run(fine, last) == ["warning.raised"]
    assert len(days.keeper.issued(days.batch)) == issued
    assert days.run(fine, last) == ["warning.raised", "warning.cleared"]
    assert rows(days.register.database, tables.batch_state)[0]["due_at"] is None


@pytest.mark.parametrize("step_h", [-1, 1])
def test_a_clock_that_steps_brings_no_second_warning(step_h: int, days: Days, fine: Sources, rainy: Sources) -> None:
    days.run(fine)
    days.run(rainy, NOW)
    days.clock.step(hours=step_h)
    for _ in range(4):
        days.run(rainy, NOW)
    assert told(days.register) == ["warning.raised"]
    assert len(rows(days.register.database, tables.warnings)) == 1


@pytest.mark.parametrize("change", ["2026-03-29T00:30:00+00:00", "2026-10-25T00:30:00+00:00"])
def test_a_change_to_or_from_summer_time_brings_no_second_warning(
    change: str, register: Register, clock: Clock, desk: InventedDesk, fine: Sources, rainy: Sources
) -> None:
    """The batch is grafted three weeks before the change; weather is that of May, moved to that day."""
    import numpy as np

    from tests.keeping.invented import moved

    clock.now = clock.now.fromisoformat(change) - timedelta(hours=5)
    by_days = int((np.datetime64(clock.now.date(), "D") - np.datetime64(NOW.date(), "D")).astype(np.int64))
    add_hook(register)
    graft = (clock.now - timedelta(days=21)).date().isoformat()
    add_batch(register, add_site(register), grafted_on=graft)
    refresher = Refresher(Keeper(register, desk, Judging(register.biology, register.clock)))
    for weather in (fine, rainy, rainy, rainy, rainy, rainy):
        desk.weathers = [of_run(moved(weather, by_days), clock.now - timedelta(hours=4))]
        list(refresher.refresh_many(refresher.due()))
        clock.step(hours=ROUND_H)
    assert told(register) == ["warning.raised"]


def test_an_edit_and_a_refresh_together_warn_of_nothing_and_a_later_fall_still_does(
    days: Days, fine: Sources, rainy: Sources
) -> None:
    days.run(fine)
    days.register.change("batch", days.batch, {"larva_age_h": 20.0}, "the keeper")
    assert days.run(rainy) == []
    days.until("2026-05-28", 5)
    assert days.run(fine) == []
    assert days.run(rainy) == ["warning.raised"]
