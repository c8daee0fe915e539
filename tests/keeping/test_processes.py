"""Several processes on one register, killed, stopped and cut off: nothing is done twice, nothing is lost."""

from __future__ import annotations

import json
import sys
from datetime import timedelta
from typing import TYPE_CHECKING

import pytest
import sqlalchemy as sa

from matewindow.errors import UnavailableError
from matewindow.keeping.outlooks import Keeper
from matewindow.keeping.refresh import EVERY, Refresher
from matewindow.register import tables
from matewindow.register.database import Database
from matewindow.register.register import Register
from matewindow.webhooks.endpoints import Endpoints
from matewindow.webhooks.sender import LEASE as CLAIM
from tests.keeping import children
from tests.keeping.invented import NOW, InventedDesk, fill, of_run
from tests.keeping.made import add_batch, add_site, rows, told
from tests.register.nursery import Nursery
from tests.register.postgres import MISSING, THERE, serving
from tests.webhooks.endpoint import Endpoint

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator

    from matewindow.biology import Biology
    from matewindow.paths import Sources
    from tests.register.made import Clock

pytestmark = [
    pytest.mark.allow_hosts(["127.0.0.1"]),
    pytest.mark.skipif(sys.platform == "win32", reason="Windows has no kill -9"),
]

LATER = NOW + timedelta(hours=2)


@pytest.fixture(scope="module")
def nursery() -> Iterator[Nursery]:
    """Gives processes that know the program already, at once."""
    with Nursery() as it:
        yield it


def address(register: Register) -> str:
    return register.database.url.render_as_string(hide_password=False)


@pytest.mark.parametrize("where", ["before the commit", "before the sending"])
def test_a_process_that_is_killed_between_deciding_and_sending_costs_no_message_and_doubles_none(
    where: str, either: Register, nursery: Nursery
) -> None:
    """What was decided and not written is decided again; what was written is sent by whoever comes next."""
    with Endpoint() as receiver:
        fine = children.Process(address(either), NOW)
        Endpoints(either.database, fine.sender.guard, either.clock).add(
            f"http://127.0.0.1:{receiver.port}/bees", ["warning.*"]
        )
        batch = add_batch(either, add_site(either))
        list(fine.refresher.refresh_many(fine.refresher.due()))

        child = nursery.begin(children.refresh_until, address(either), LATER, where)
        assert child.hear() == "stopped"
        child.kill()
        assert told(either) == ([] if where == "before the commit" else ["warning.raised"])

        after = children.Process(address(either), LATER + CLAIM, rain=True)
        after.desk.weathers = [of_run(children.weathers()[True], LATER - timedelta(hours=3))]
        for _ in range(3):
            list(after.refresher.refresh_many(after.refresher.due()))
            after.sender.run_once()
        messages = [json.loads(seen.body) for seen in receiver.seen]
        fine.database.close()
        after.database.close()

    assert [(m["type"], m["data"]["batch_id"]) for m in messages] == [("warning.raised", batch)]
    assert len(rows(either.database, tables.warnings)) == 1


def test_two_processes_at_once_refresh_each_site_once_a_period(either: Register, nursery: Nursery) -> None:
    sites = fill(either.database, 6, 2)
    pair = [nursery.begin(children.work, address(either), NOW, name) for name in ("first", "second")]
    assert [child.hear() for child in pair] == ["ready", "ready"]
    for moment in (NOW, NOW + timedelta(seconds=5), NOW + EVERY):
        for child in pair:
            child.tell(moment)
        done = [child.hear() for child in pair]
        asked = [site for _, of_child in done for site in of_child]
        assert sorted(asked) == ([] if moment - NOW == timedelta(seconds=5) else sorted(sites))
    for child in pair:
        child.tell(None)
    per_batch = sa.select(sa.func.count()).select_from(tables.outlooks).group_by(tables.outlooks.c.batch_id)
    with either.database.read() as connection:
        assert list(connection.execute(per_batch).scalars()) == [1] * 12


def test_a_holder_that_is_stopped_for_longer_than_its_lease_is_taken_over_from_and_writes_nothing_more(
    either: Register, nursery: Nursery
) -> None:
    """SIGSTOP with one site done and the next one's weather in hand."""
    fill(either.database, 4, 1)
    first = nursery.begin(children.hold, address(either), NOW)
    assert first.hear() == "holding"
    first.stop()
    first.tell("go on")
    second = nursery.begin(children.take_over, address(either), NOW)
    assert second.hear() == 3
    first.go_on()
    assert first.hear() == ("lost", 2)
    second.kill()
    batches = [row["batch_id"] for row in rows(either.database, tables.outlooks)]
    assert len(batches) == len(set(batches)) == 4


def test_postgresql_that_goes_away_during_a_round_and_comes_back_costs_time_and_nothing_else(
    biology: Biology, clock: Clock, fine: Sources, opened: Callable[..., Database]
) -> None:
    if not THERE:
        pytest.skip(MISSING)
    with serving(durable=False) as server:
        register = Register(opened(server.new()), biology, clock)
        sites = fill(register.database, 4, 2)
        desk = InventedDesk(biology, [fine])
        refresher = Refresher(Keeper(register, desk))

        def cut(_: str) -> None:
            if len(desk.asked) == 3:
                server.kill()

        desk.on_ask = cut
        with pytest.raises(UnavailableError):
            list(refresher.refresh_many(refresher.due()))
        with pytest.raises(UnavailableError):
            refresher.due()
        server.start()
        assert len(refresher.due()) == 2
        assert {r.site_id for r in refresher.refresh_many(refresher.due())} < set(sites)
        assert refresher.due() == []
        assert len(rows(register.database, tables.outlooks)) == 8
        register.database.close()


def test_a_process_that_works_for_another_ends_with_it(nursery: Nursery) -> None:
    """``kill -9`` of the service leaves no worker behind."""
    child = nursery.begin(children.with_workers)
    workers = child.hear()
    assert len(workers) == 2
    child.kill()
    for pid in workers:
        assert children.gone(pid, 30.0), pid
