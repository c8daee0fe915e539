"""Senders that are killed, and several at once: everything arrives, with the same ids, and is recorded once."""

from __future__ import annotations

import random
from collections import Counter
from contextlib import closing
from typing import TYPE_CHECKING

import pytest

from tests.webhooks.endpoint import OK, Endpoint, Exchange
from tests.webhooks.made import Hooked, check_order, check_recorded_once, ids
from tests.webhooks.senders import send_all, send_for_ever, send_until, sender_of

if TYPE_CHECKING:
    from collections.abc import Callable

    import sqlalchemy as sa

    from tests.register.nursery import Nursery

pytestmark = pytest.mark.allow_hosts(["127.0.0.1"])
ROUNDS = {"sqlite": 12, "postgresql": 6}


@pytest.fixture
def address(url: sa.URL) -> str:
    """Of the register, as a process is given it."""
    return url.render_as_string(hide_password=False)


def add_changes(hooked: Hooked, n: int, seed: int = 0) -> None:
    """So many changes of up to five batches."""
    rng, made = random.Random(seed), [hooked.add_batch() for _ in range(min(n, 5))]
    for i in range(n - len(made)):
        hooked.change(rng.choice(made), f"change {i}")


def drain(address: str, leases: int) -> set[str]:
    """Send all that can be sent so many leases later: ids of the messages."""
    sender, names = sender_of(address, leases), set()
    with closing(sender.database):
        while sent := sender.run_once():
            names |= {each.event_id for each in sent}
    return names


def check_all_arrived(hooked: Hooked, endpoint: Endpoint) -> None:
    rows = hooked.deliveries()
    assert {row["state"] for row in rows} == {"delivered"}
    assert set(ids(endpoint.seen)) == {row["event_id"] for row in rows}
    assert len(hooked.verified(endpoint)) == len(endpoint.seen)
    check_order(endpoint.seen)
    check_recorded_once(hooked.register)


@pytest.mark.parametrize("where", ["before", "after"])
def test_a_sender_killed_before_or_after_a_message_went_out_leaves_it_to_the_next(
    hooked: Hooked, endpoint: Endpoint, nursery: Nursery, address: str, where: str
) -> None:
    add_changes(hooked, 7)
    child = nursery.begin(send_until, address, where)
    name, delivered = child.hear()
    child.kill()
    child.hear_all()

    assert delivered is (True if where == "after" else None)
    assert ids(endpoint.seen) == ([name] if where == "after" else [])
    first = next(row for row in hooked.deliveries() if row["event_id"] == name)
    assert (first["state"], first["attempts"], first["delivered_at"]) == ("claimed", 1, None)
    assert name not in drain(address, leases=0)  # the claim is not over: all but what waits for that message
    assert name in drain(address, leases=1)
    check_all_arrived(hooked, endpoint)
    assert Counter(ids(endpoint.seen))[name] == (2 if where == "after" else 1)
    assert sum(Counter(ids(endpoint.seen)).values()) == 7 + (1 if where == "after" else 0)


def test_however_often_senders_are_killed_everything_arrives_and_is_recorded_once(
    hooked: Hooked,
    endpoint: Endpoint,
    nursery: Nursery,
    url: sa.URL,
    address: str,
    tell: Callable[[str, str], None],
) -> None:
    rng, said = random.Random(4), []
    rounds = ROUNDS[url.get_backend_name()]
    for leases in range(rounds):
        add_changes(hooked, 8, seed=leases)
        child = nursery.begin(send_for_ever, address, leases)
        said += [child.hear() for _ in range(rng.randrange(1, 5))]
        child.said.poll(rng.random() * 0.02)  # somewhere within the next message
        child.kill()
        said += child.hear_all()
    drain(address, leases=rounds)

    check_all_arrived(hooked, endpoint)
    told = Counter(name for name, verdict in said if verdict == "delivered")
    assert max(told.values()) == 1  # what was said to be recorded was not recorded again
    twice = len(endpoint.seen) - len(hooked.deliveries())
    assert 0 <= twice <= rounds
    heading = "Senders killed"
    tell(heading, f"{url.get_backend_name()}: {rounds} kills, {len(hooked.deliveries())} messages, {twice} sent twice")


def test_two_processes_send_each_message_once_and_never_at_the_same_time(
    hooked: Hooked,
    endpoint: Endpoint,
    nursery: Nursery,
    url: sa.URL,
    address: str,
    tell: Callable[[str, str], None],
) -> None:
    for _ in range(30):
        hooked.change(hooked.add_batch(), "later")
    there: Counter[str] = Counter()
    most = []

    def reply(exchange: Exchange) -> None:
        name = exchange.said.headers["webhook-id"]
        there[name] += 1
        most.append((there[name], there.total()))
        exchange.wfile.write(OK)
        exchange.wfile.close()
        there[name] -= 1

    endpoint.will(reply)
    children = [nursery.begin(send_all, address) for _ in range(2)]
    for child in children:
        child.tell("go")
    done = [child.hear() for child in children]

    assert sum(done) == 60
    assert len(endpoint.seen) == len(set(ids(endpoint.seen))) == 60
    assert max(each for each, _ in most) == 1
    check_all_arrived(hooked, endpoint)
    tell("Two senders at once", f"{url.get_backend_name()}: {done[0]} and {done[1]} messages")
