"""One process at a time: the lease is taken, kept, lost and given back, on both databases, whatever the clocks do."""

from __future__ import annotations

from datetime import datetime, timedelta
from typing import TYPE_CHECKING

import pytest

from matewindow.keeping.leases import Lease, LostError, this_process
from matewindow.keeping.state import LEASE, health_of
from tests.keeping.invented import NOW
from tests.register.made import Clock

if TYPE_CHECKING:
    from matewindow.register.database import Database
    from matewindow.register.register import Register

LASTS = timedelta(seconds=90)


def lease(database: Database, holder: str, clock: Clock) -> Lease:
    return Lease(database, LEASE, holder, clock, LASTS)


def holds(database: Database, one: Lease) -> bool:
    """Whether it may write now."""
    try:
        with database.write() as connection:
            one.check(connection)
    except LostError:
        return False
    return True


def test_one_has_it_until_it_runs_out(either: Register, clock: Clock) -> None:
    database = either.database
    first, second = lease(database, "first", clock), lease(database, "second", clock)
    assert (first.take(), second.take()) == (True, False)
    clock.step(seconds=60)
    assert (first.take(), second.take()) == (True, False)
    clock.step(seconds=89)
    assert second.take() is False
    clock.step(seconds=1)
    assert (second.take(), first.take()) == (True, False)
    assert (holds(database, first), holds(database, second)) == (False, True)


def test_a_lease_that_ran_out_is_still_good_while_nobody_else_took_it(either: Register, clock: Clock) -> None:
    mine = lease(either.database, "mine", clock)
    mine.take()
    clock.step(hours=1)
    assert holds(either.database, mine)


def test_it_is_given_back_at_once_and_by_its_holder_only(either: Register, clock: Clock) -> None:
    first, second = (lease(either.database, name, clock) for name in ("first", "second"))
    first.take()
    second.give_back()
    assert second.take() is False
    first.give_back()
    assert health_of(either.database, clock.now)["refresh"] == "off"
    assert second.take() is True


@pytest.mark.parametrize("step_h", [1, -1])
def test_a_clock_that_steps_leaves_one_holder(step_h: int, either: Register, clock: Clock) -> None:
    """Set forward, the lease may change hands; set back, its holder keeps it. Never do both hold it."""
    database = either.database
    first, second = lease(database, "first", clock), lease(database, "second", clock)
    first.take()
    clock.step(hours=step_h)
    second.take()
    assert [holds(database, first), holds(database, second)].count(True) == 1
    assert (first.take(), second.take()).count(True) == 1


def test_a_lease_written_by_a_clock_that_ran_ahead_does_not_block_for_ever(either: Register, clock: Clock) -> None:
    ahead = Clock(NOW + timedelta(days=400))
    lease(either.database, "gone", ahead).take()
    assert lease(either.database, "here", clock).take() is True


def test_processes_have_names_of_their_own() -> None:
    assert this_process() != this_process()


@pytest.mark.parametrize(
    ("until", "due", "words"),
    [
        (60, None, "running"),
        (-1, None, "stopped: no process holds the lease"),
        (60, -60, "running"),
        (60, -8000, "behind: a site has been due since 2026-05-27 03:46 UTC"),
    ],
)
def test_health_tells_a_standstill_though_no_error_does(
    until: int, due: int | None, words: str, register: Register, clock: Clock
) -> None:
    from matewindow.register import tables
    from tests.keeping.made import add_site

    lease(register.database, "mine", clock).take()
    site = add_site(register)
    with register.database.write() as connection:
        connection.execute(tables.leases.update().values(until=clock.now + timedelta(seconds=until)))
        if due is not None:
            at: datetime = clock.now + timedelta(seconds=due)
            state = {"site_id": site, "failures": 0, "trouble": "", "weather": {}, "next_at": at}
            connection.execute(tables.site_state.insert().values(state))
    health = health_of(register.database, clock.now)
    assert health["refresh"] == words
    assert health["status"] == ("ok" if words == "running" else "degraded")
