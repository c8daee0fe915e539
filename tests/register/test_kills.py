"""``kill -9`` under writing: of processes that write to SQLite, and of PostgreSQL itself.

A kill is no power cut, since the page cache outlives it; that is in ``test_power_cuts.py``. Here are real processes that
die at any instruction, and a real server that recovers.
"""

from __future__ import annotations

import random
import sys
import time
from typing import TYPE_CHECKING, Any

import pytest
import sqlalchemy as sa

from matewindow.register.database import Database
from matewindow.register.register import Register
from matewindow.register.soundness import faults
from matewindow.register.tables import changes
from tests.register import writers
from tests.register.made import Clock, check_laws
from tests.register.postgres import MISSING, THERE, serving

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable
    from pathlib import Path

    from matewindow.biology import Biology
    from tests.register.nursery import Child, Nursery

pytestmark = pytest.mark.skipif(sys.platform == "win32", reason="Windows has no kill -9")

KILLS_SQLITE = 50
KILLS_POSTGRES = 25
WRITERS = 2


def missing(database: Database, said: Iterable[writers.Told]) -> list[writers.Told]:
    """What was acknowledged and is not in the history."""
    with database.read() as connection:
        rows = connection.execute(sa.select(changes.c.kind, changes.c.thing_id, changes.c.version))
        there = {tuple(row) for row in rows}
    return [told for told in said if tuple(told) not in there]


def test_killed_writers_of_sqlite_lose_nothing_that_was_acknowledged(
    home: Path, nursery: Nursery, biology: Biology, tell: Callable[[str, str], None]
) -> None:
    """Two processes at a time write to one file and are killed together at a random moment, fifty times."""
    rng, steps = random.Random(5), 0
    for n in range(KILLS_SQLITE):
        if n % 10 == 0:  # a new register now and then, or looking through it would take most of the time
            url = sa.URL.create("sqlite", database=str(home / f"register_{n}.sqlite"))
            address, database, said = url.render_as_string(), Database(url), list[writers.Told]()
        children = [nursery.begin(writers.write_for_ever, address, WRITERS * n + w) for w in range(WRITERS)]
        said += [child.hear() for child in children]  # each is at work, and then ...
        time.sleep(rng.uniform(0, 0.15))  # ... dies at whatever it is doing
        for child in children:
            child.kill()
        for child in children:
            said += child.hear_all()
        assert missing(database, said) == []
        assert faults(database) == [], "the file, its foreign keys, and every record beside its history"
        if n % 10 == 9:
            steps += check_laws(Register(database, biology, Clock()))
            database.close()
    tell(
        "kill -9", f"SQLite: {KILLS_SQLITE} kills of {WRITERS} writers each, {steps} changes there, 0 acknowledged lost"
    )


@pytest.mark.skipif(not THERE, reason=MISSING)
def test_killing_postgresql_loses_nothing_and_its_writers_go_on_by_themselves(
    nursery: Nursery, biology: Biology, tell: Callable[[str, str], None]
) -> None:
    """The postmaster is killed 25 times; the same processes write on as soon as it has recovered."""
    rng, said, refused = random.Random(6), list[writers.Told](), list[str]()
    with serving() as server:
        url = server.new()
        address = url.render_as_string(hide_password=False)
        children = [nursery.begin(writers.write_through_trouble, address, w) for w in range(WRITERS)]
        database = Database(url)
        recoveries = []
        for _ in range(KILLS_POSTGRES):
            for child in children:
                hear_until_acknowledged(child, said, refused)
            time.sleep(rng.uniform(0, 0.3))
            server.kill()
            begun = time.perf_counter()
            server.start()
            recoveries.append(time.perf_counter() - begun)
            assert missing(database, said) == []
        for child in children:
            child.tell("enough")
            collect(child.hear_all(), said, refused)
        assert missing(database, said) == []
        assert faults(database) == []
        steps = check_laws(Register(database, biology, Clock()))
        assert steps >= len(set(said))
        database.close()
    assert refused, "somebody was in the midst of it"
    for words in refused:
        assert words.startswith("the register at postgresql+psycopg://postgres@/register_1"), words
        assert words.endswith("It will be tried again with the next request; matewindow doctor says more."), words
    tell(
        "kill -9",
        f"PostgreSQL: {KILLS_POSTGRES} kills of the postmaster under {WRITERS} writers, {len(said)} changes acknowledged, 0 "
        f"lost; {len(refused)} refused in words meanwhile; up again in {sum(recoveries) / len(recoveries):.2f} s on "
        f"average, {max(recoveries):.2f} s at worst",
    )


def hear_until_acknowledged(child: Child, said: list[writers.Told], refused: list[str]) -> None:
    """Listen until a change has been acknowledged after all that was said before."""
    while child.said.poll():
        collect([child.hear()], said, refused)
    before = len(said)
    while len(said) == before:
        collect([child.hear()], said, refused)


def collect(heard: list[Any], said: list[writers.Told], refused: list[str]) -> None:
    for one in heard:
        refused.append(one) if isinstance(one, str) else said.append(one)
