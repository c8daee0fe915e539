"""Clocks are set back, leap, or stand: ids stay unique, times never run backwards within a record, nothing is lost."""

from __future__ import annotations

import random
from datetime import UTC, datetime, timedelta
from typing import TYPE_CHECKING

import pytest

from matewindow.register.ids import PATTERN, PREFIXES, is_id, new_id
from tests.register.made import ME, NOON, SITE, add_batch, add_site, check_laws

if TYPE_CHECKING:
    from matewindow.register.register import Register
    from tests.register.made import Clock


@pytest.mark.parametrize("back", [{"seconds": -1}, {"hours": -1}, {"days": -20}, {"days": -36500}], ids=str)
def test_after_a_step_back_a_record_is_not_changed_before_it_was_made(
    register: Register, clock: Clock, back: dict[str, float]
) -> None:
    site = add_site(register)
    clock.step(**back)
    changed = register.change("site", site, {"notes": "later, and yet earlier"}, ME)
    assert changed["changed_at"] == changed["created_at"] == NOON
    deleted = register.delete("site", site, ME)
    assert deleted["deleted_at"] == NOON
    register.bring_back("site", site, ME)
    assert register.undo("site", site, ME)["deleted_at"] == NOON
    clock.now = NOON + timedelta(hours=1)
    assert register.undo("site", site, ME)["changed_at"] == NOON + timedelta(hours=1)
    check_laws(register)


def test_a_history_is_told_in_the_order_of_its_changes_whatever_the_clock_said(
    register: Register, clock: Clock
) -> None:
    rng, site = random.Random(3), add_site(register)
    other = add_site(register)
    for n in range(30):
        clock.now = NOON + timedelta(seconds=rng.randrange(-7200, 7200))
        register.change(*("site", (site, other)[n % 2]), {"notes": str(n)}, ME)
    for thing, first in ((site, 0), (other, 1)):
        told = register.history("site", thing)
        assert [step["after"]["notes"] for step in told[1:]] == [str(n) for n in range(first, 30, 2)]
        assert [step["seq"] for step in told] == sorted(step["seq"] for step in told)
    check_laws(register)


def test_ids_made_before_and_after_a_step_back_are_all_different(register: Register, clock: Clock) -> None:
    made = []
    for _ in range(5):
        clock.now = NOON
        for _ in range(20):
            made.append(add_site(register))
            clock.step(milliseconds=1)
    assert len(set(made)) == len(register.every("site")) == 100


def test_what_was_seen_today_is_not_of_the_future_after_a_step_back_over_midnight(
    register: Register, clock: Clock
) -> None:
    """The keeper's other changes must not fail for the clock's sake."""
    site = add_site(register)
    batch = add_batch(register, site)
    clock.now = datetime(2026, 6, 30, 0, 30, tzinfo=UTC)
    check = register.add("check", {"batch_id": batch, "day": "2026-06-30", "saw": "eggs"}, ME)["id"]
    other = add_batch(register, site, ended_on="2026-06-30")
    clock.step(hours=-3)
    assert register.change("check", check, {"notes": "many"}, ME)["version"] == 2
    assert register.change("batch", batch, {"larva_age_h": 20.0}, ME)["version"] == 2, "though its check is of tomorrow"
    assert register.change("batch", other, {"notes": "well"}, ME)["version"] == 2
    check_laws(register)


def test_a_clock_that_stands_still_hinders_nothing(register: Register) -> None:
    site = add_site(register)
    for n in range(50):
        register.change("site", site, {"notes": str(n)}, ME)
    assert check_laws(register) == 51


@pytest.mark.parametrize("kind", PREFIXES)
def test_ids_tell_their_kind_and_sort_by_time(kind: str) -> None:
    """In the lifetime of a program: from 1970 to about 2550."""
    times = [datetime(1970, 1, 1, tzinfo=UTC) + timedelta(days=36524 * n / 10) for n in range(55)]
    ids = [new_id(kind, now) for now in times]
    assert ids == sorted(ids)
    assert all(is_id(made, kind) for made in ids)
    assert not any(is_id(made, "site" if kind != "site" else "nuc") for made in ids)
    assert not is_id(ids[0] + "\n", kind)
    assert not is_id(ids[0].upper(), kind)
    assert PATTERN.startswith("^")


def test_a_hundred_thousand_ids_of_one_instant_hardly_ever_meet() -> None:
    """40 random bits: two of 1,000 that are made in one sixtieth of a second meet once in 2 million times."""
    assert len({new_id("batch", NOON) for _ in range(1000)}) == 1000


def test_the_first_record_may_be_older_than_the_epoch(register: Register, clock: Clock) -> None:
    """A board without a battery wakes up in 1970, or in 1900."""
    clock.now = datetime(1900, 1, 1, tzinfo=UTC)
    site = register.add("site", SITE, ME)
    assert is_id(site["id"], "site")
    clock.now = NOON
    assert register.change("site", site["id"], {"notes": "now"}, ME)["changed_at"] == NOON
    check_laws(register)
