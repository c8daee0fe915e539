"""Bits that turn over, and rows that somebody else has touched: found at the start, never served as the truth."""

from __future__ import annotations

import random
import shutil
import sqlite3
from datetime import date, timedelta
from typing import TYPE_CHECKING, Any

import pytest
import sqlalchemy as sa

from matewindow.errors import MatewindowError, UnavailableError
from matewindow.register.database import Database
from matewindow.register.register import Register
from matewindow.register.soundness import check_sound, faults
from matewindow.register.tables import ENTITIES, batches, changes
from tests.register.conftest import file_url
from tests.register.made import GRAFT, ME, NOON, Clock, add_batch, add_nuc, add_site, everything
from tests.register.writers import Work

if TYPE_CHECKING:
    from collections.abc import Callable
    from pathlib import Path

    from matewindow.biology import Biology

FLIPS = 300
PER_BIT = 1e-5
HEAVY = 25


@pytest.fixture
def filled(register: Register) -> Register:
    """Some of everything, with histories."""
    keeper = Work(register, seed=9)
    for _ in range(40):
        keeper.step()
    site = add_site(register, thresholds={"strict_temp_c": 16.5}, quiet_from_h=11.0, quiet_to_h=16.0)
    batch = add_batch(register, site, grafted_at="14:30", n_grafted=30)
    nuc = add_nuc(register, site, batch, emerged_on="2026-06-13")
    register.add("check", {"batch_id": batch, "nuc_id": nuc, "day": "2026-06-25", "saw": "eggs"}, ME)
    register.add("builder", {"site_id": site, "name": "Builder", "queenright": True}, ME)
    return register


def test_a_register_in_use_is_sound(filled: Register) -> None:
    assert faults(filled.database) == []
    check_sound(filled.database)


def touch(register: Register, statement: sa.Executable) -> None:
    """Change something behind the register's back."""
    with register.database.write() as connection:
        assert connection.execute(statement).rowcount == 1


def of_one(table: sa.Table) -> sa.ColumnElement[bool]:
    return table.c.id == sa.select(sa.func.min(table.c.id)).scalar_subquery()


BEFORE = sa.select(sa.func.max(changes.c.seq)).where(changes.c.version == 2).scalar_subquery()
"""A change in the middle of a history."""
TOUCHED: dict[str, tuple[Callable[[], sa.Executable], str]] = {
    "a date by a day": (
        lambda: batches.update().where(of_one(batches)).values(grafted_on=date(2026, 6, 2)),
        "is not what its history says",
    ),
    "a text by a letter": (
        lambda: batches.update().where(of_one(batches)).values(notes=batches.c.notes + "x"),
        "is not what its history says",
    ),
    "a version": (
        lambda: batches.update().where(of_one(batches)).values(version=batches.c.version + 1),
        "is not what its history says",
    ),
    "when it was done": (
        lambda: changes.update().where(changes.c.seq == BEFORE).values(at=NOON + timedelta(seconds=1)),
        "does not join at version 2",
    ),
    "what a record was before": (
        lambda: changes.update().where(changes.c.seq == BEFORE).values(before={"notes": "forged"}),
        "does not join at version",
    ),
    "what a record became": (
        lambda: changes.update().where(changes.c.seq == BEFORE).values(after={"notes": "forged"}),
        "",
    ),
    "a change that is gone": (lambda: changes.delete().where(changes.c.seq == BEFORE), ""),
}


@pytest.mark.parametrize(("statement", "words"), TOUCHED.values(), ids=TOUCHED)
def test_what_was_changed_behind_the_register_s_back_is_told(
    filled: Register, statement: Callable[[], Any], words: str
) -> None:
    touch(filled, statement())
    found = faults(filled.database)
    assert 1 <= len(found) <= 2, found
    assert words in found[0]
    with pytest.raises(UnavailableError, match=r"is damaged \(.*\)\. Leave it as it is and bring back the last backup"):
        check_sound(filled.database)


def test_a_record_that_is_gone_is_told(filled: Register) -> None:
    touch(filled, ENTITIES["builder"].delete())
    (found,) = faults(filled.database)
    assert found.startswith("the history tells of a cell builder bldr_")
    assert found.endswith("that is not there")


def test_a_record_without_a_history_is_told(filled: Register) -> None:
    with filled.database.write() as connection:
        row = dict(connection.execute(sa.select(ENTITIES["site"]).limit(1)).mappings().one())
        connection.execute(ENTITIES["site"].insert().values(row | {"id": "site_zzzzzzzzzzzzzzzz"}))
    assert faults(filled.database) == ["the site site_zzzzzzzzzzzzzzzz is not what its history says"]


def test_no_more_than_twenty_faults_are_told(register: Register) -> None:
    site = add_site(register)
    for _ in range(30):
        add_batch(register, site)
    with register.database.write() as connection:
        connection.execute(batches.update().values(notes="forged"))
    assert len(faults(register.database)) == 20


# -- bits


@pytest.fixture(scope="module")
def victim(quick_disk_folder: Path, made_file: Path, biology: Biology) -> Path:
    """A register in one file, closed."""
    file = quick_disk_folder / "victim.sqlite"
    shutil.copy(made_file, file)
    database = Database(file_url(file))
    register = Register(database, biology, Clock())
    keeper = Work(register, seed=10)
    for _ in range(50):
        keeper.step()
    add_nuc(register, keeper.site, register.add("batch", {"site_id": keeper.site} | GRAFT, ME)["id"])
    database.close()
    return file


def truth(file: Path, biology: Biology) -> dict[str, list[Any]]:
    """All that a register would serve, and all its histories."""
    database = Database(file_url(file))
    try:
        register = Register(database, biology, Clock())
        served: dict[str, list[Any]] = {kind: everything(register, kind) for kind in ENTITIES}
        for kind in ENTITIES:
            served[f"history of {kind}"] = [
                {k: v for k, v in step.items() if k not in {"seq", "who", "action"}}
                for row in served[kind]
                for step in register.history(kind, row["id"], limit=1000)
            ]
        return served
    finally:
        database.close()


def look(file: Path) -> list[str]:
    """What a start with an examination says."""
    try:
        database = Database(file_url(file))
    except MatewindowError as refused:
        return [str(refused)]
    try:
        return faults(database)
    except MatewindowError as refused:
        return [str(refused)]
    finally:
        database.close()


def flipped(victim: Path, home: Path, bits: list[int]) -> Path:
    content = bytearray(victim.read_bytes())
    for bit in bits:
        content[bit // 8] ^= 1 << bit % 8
    file = home / "flipped.sqlite"
    file.write_bytes(content)
    return file


def test_one_bit_that_turned_over_is_found_or_changes_nothing(
    victim: Path, home: Path, biology: Biology, tell: Callable[[str, str], None]
) -> None:
    """Each in a copy of its own; what is not found must be a bit that nothing is made of (free space, mostly)."""
    right, rng = truth(victim, biology), random.Random(12)
    found = harmless = 0
    for _ in range(FLIPS):
        file = flipped(victim, home, [rng.randrange(victim.stat().st_size * 8)])
        if look(file):
            found += 1
        else:
            assert truth(file, biology) == right, "served as the truth, and is none"
            harmless += 1
    assert found > FLIPS / 10
    tell(
        "bit flips",
        f"{FLIPS} single bits in {victim.stat().st_size / 1000:.0f} kB: {found} found, {harmless} harmless, 0 served",
    )


def test_many_bits_that_turned_over_are_found(
    victim: Path, home: Path, biology: Biology, tell: Callable[[str, str], None]
) -> None:
    """One in 100,000."""
    right, rng, found = truth(victim, biology), random.Random(13), 0
    bits = victim.stat().st_size * 8
    for _ in range(HEAVY):
        file = flipped(victim, home, [rng.randrange(bits) for _ in range(max(1, round(bits * PER_BIT)))])
        if look(file):
            found += 1
        else:
            assert truth(file, biology) == right
    assert found > HEAVY * 0.9
    tell("bit flips", f"{HEAVY} copies with one bit in 100,000 turned over: {found} found, the others harmless")


def test_a_file_cut_short_is_found(victim: Path, home: Path) -> None:
    content = victim.read_bytes()
    for share in (0.2, 0.5, 0.9, 0.999):
        file = home / "short.sqlite"
        file.write_bytes(content[: int(len(content) * share)])
        assert look(file), share


def test_a_text_that_is_none_any_more_is_called_damage(victim: Path, home: Path, biology: Biology) -> None:
    """Also where nobody has examined the file before."""
    file = home / "register.sqlite"
    shutil.copy(victim, file)
    with sqlite3.connect(file) as connection:
        connection.execute("UPDATE sites SET name = CAST(x'c328' AS TEXT)")
    connection.close()
    database = Database(file_url(file))
    with pytest.raises(UnavailableError, match="is damaged"):
        Register(database, biology, Clock()).every("site")
    database.close()
