"""Many at once: nothing is silently overwritten, no version is made twice, and what was judged true is still true."""

from __future__ import annotations

import threading
from concurrent.futures import ThreadPoolExecutor
from functools import partial
from typing import TYPE_CHECKING, Any

import pytest

from matewindow.errors import RegisterError, StaleError
from tests.register import writers
from tests.register.made import GRAFT, ME, SITE, add_batch, add_nuc, add_site, check_laws, everything

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence

    import sqlalchemy as sa

    from matewindow.register.register import Register
    from tests.register.nursery import Child, Nursery

THREADS = 8


def all_at_once(calls: Sequence[Callable[[], Any]]) -> list[Any]:
    """What each call gave, or the error that it raised; begun at the same moment in a thread each."""
    gate = threading.Barrier(len(calls))

    def run(call: Callable[[], Any]) -> Any:
        gate.wait(timeout=30)
        try:
            return call()
        except RegisterError as refused:
            return refused

    with ThreadPoolExecutor(len(calls)) as pool:
        return list(pool.map(run, calls))


def test_of_many_threads_that_change_one_version_exactly_one_succeeds(register: Register) -> None:
    site = add_site(register)
    for version in range(1, 11):
        calls = [
            partial(register.change, "site", site, {"notes": f"{version} by {n}"}, f"thread {n}", version=version)
            for n in range(THREADS)
        ]
        said = all_at_once(calls)
        won = [row for row in said if isinstance(row, dict)]
        assert len(won) == 1
        assert all(isinstance(other, StaleError) for other in said if not isinstance(other, dict))
        assert register.get("site", site) == won[0]
    assert check_laws(register) == 11


def test_changes_without_a_version_all_happen_one_after_the_other(register: Register) -> None:
    site = add_site(register)
    all_at_once([partial(register.change, "site", site, {"notes": str(n)}, f"thread {n}") for n in range(THREADS)])
    history = register.history("site", site)
    assert {step["who"] for step in history[1:]} == {f"thread {n}" for n in range(THREADS)}
    assert check_laws(register) == THREADS + 1


def test_changes_of_different_fields_lose_none(register: Register) -> None:
    """Nobody writes back an old value of a field that was none of his."""
    site = add_site(register)
    batch = add_batch(register, site)
    fields: list[dict[str, Any]] = [
        {"name": "n"},
        {"breeder_queen": "q"},
        {"drone_stock": "d"},
        {"notes": "x"},
        {"larva_age_h": 20.0},
        {"n_grafted": 30},
        {"taken_on": "2026-06-02"},
        {"sealed_temp_c": 34.0},
    ]
    all_at_once([partial(register.change, "batch", batch, f, ME) for f in fields])
    stored = register.get("batch", batch)
    for given in fields:
        for name, value in given.items():
            assert str(stored[name]) == str(value)
    assert stored["version"] == len(fields) + 1


def test_readers_beside_writers_see_only_whole_changes(register: Register) -> None:
    """Two fields that are always changed together are always seen together."""
    site = add_site(register)
    batch = add_batch(register, site, notes="0", name="0")
    done = threading.Event()
    seen = []

    def read() -> int:
        times = 0
        while not done.is_set():
            row = register.get("batch", batch)
            assert row["notes"] == row["name"]
            assert row["version"] == int(row["notes"]) + 1
            seen.append(row["version"])
            times += 1
        return times

    with ThreadPoolExecutor(4) as pool:
        readers = [pool.submit(read) for _ in range(4)]
        for n in range(1, 60):
            register.change("batch", batch, {"notes": str(n), "name": str(n)}, ME)
        done.set()
        assert all(reader.result() for reader in readers)
    assert len(set(seen)) > 1


def begun(nursery: Nursery, url: sa.URL, task: Callable[..., None], *args: object, of: int = 2) -> list[Child]:
    address = url.render_as_string(hide_password=False)
    return [nursery.begin(task, address, *args) for _ in range(of)]


def test_two_processes_that_count_up_lose_no_count(register: Register, nursery: Nursery, url: sa.URL) -> None:
    site = add_site(register)
    batch = add_batch(register, site, n_grafted=0)
    times = 40
    children = begun(nursery, url, writers.count_up, batch, times, of=3)
    for child in children:
        child.tell("go")
    stale = [child.hear_all() for child in children]
    assert [len(said) for said in stale] == [1, 1, 1]
    row = register.get("batch", batch)
    assert (row["n_grafted"], row["version"]) == (3 * times, 3 * times + 1)
    counts = [step["after"]["n_grafted"] for step in register.history("batch", batch, limit=1000)]
    assert counts == list(range(3 * times + 1))
    check_laws(register)


RACES: dict[str, Callable[[str, str, str], list[tuple[str, tuple[Any, ...]]]]] = {
    "a batch at a site that is being deleted": lambda site, _batch, _nuc: [
        ("delete", ("site", site, "one")),
        ("add", ("batch", {"site_id": site} | GRAFT, "two")),
    ],
    "eggs in a batch whose graft is being moved": lambda _site, batch, _nuc: [
        ("change", ("batch", batch, {"grafted_on": "2026-06-12"}, "one")),
        ("add", ("check", {"batch_id": batch, "day": "2026-06-16", "saw": "eggs"}, "two")),
    ],
    "eggs and a virgin on one day": lambda _site, batch, nuc: [
        ("add", ("check", {"batch_id": batch, "nuc_id": nuc, "day": "2026-06-20", "saw": "eggs"}, "one")),
        ("add", ("check", {"batch_id": batch, "nuc_id": nuc, "day": "2026-06-20", "saw": "virgin"}, "two")),
    ],
    "a deleting and a change": lambda _site, batch, nuc: [
        ("delete", ("nuc", nuc, "one")),
        ("add", ("check", {"batch_id": batch, "nuc_id": nuc, "day": "2026-06-20", "saw": "eggs"}, "two")),
    ],
}


@pytest.mark.parametrize("race", RACES.values(), ids=RACES)
def test_of_two_changes_that_cannot_both_be_true_only_one_is_stored(
    register: Register, nursery: Nursery, url: sa.URL, race: Callable[..., list[tuple[str, tuple[Any, ...]]]]
) -> None:
    """Each would be accepted by itself; two processes try both at once, over and over."""
    rounds = 12
    tries: tuple[list[Any], list[Any]] = ([], [])
    for _ in range(rounds):
        site = add_site(register)
        empty, batch = add_site(register), add_batch(register, site)
        nuc = add_nuc(register, site, batch)
        one, two = race(empty, batch, nuc)
        tries[0].append(one)
        tries[1].append(two)
    children = [begun(nursery, url, writers.attempt, tries[n], of=1)[0] for n in (0, 1)]
    for child in children:
        child.tell("go")
    said = [child.hear_all() for child in children]
    for mine, theirs in zip(*said, strict=True):
        assert {mine, theirs} == {"done", "refused"}
    check_laws(register)


def test_ids_made_at_one_instant_differ(register: Register) -> None:
    ids = [add_site(register) for _ in range(300)]
    assert len(set(ids)) == 300


def add_site_and_fail(register: Register) -> None:
    with register.database.write():
        add_site(register)
        raise KeyError


def test_a_transaction_that_fails_leaves_the_lock_free(register: Register) -> None:
    for _ in range(3):
        with pytest.raises(KeyError):
            add_site_and_fail(register)
    add_site(register)
    assert [row["name"] for row in everything(register, "site")] == [SITE["name"]]
