"""Backups while the register is in use, each proven by bringing it back."""

from __future__ import annotations

import shutil
import sqlite3
import stat
from contextlib import closing
from typing import TYPE_CHECKING

import pytest

from matewindow.errors import InputError, UnavailableError
from matewindow.register.database import Database
from matewindow.register.interchange import export_from
from matewindow.register.register import Register
from matewindow.register.soundness import faults
from matewindow.upkeep.backup import back_up, prove
from matewindow.upkeep.restore import restore
from tests.interchange.filled import everything_in, fill
from tests.register import writers
from tests.register.conftest import file_url
from tests.register.made import Clock, check_laws

if TYPE_CHECKING:
    from collections.abc import Callable
    from pathlib import Path

    from matewindow.biology import Biology
    from tests.register.nursery import Child, Nursery
    from tests.register.postgres import Postgres

BACKUPS, WRITERS, CHANGES = 12, 3, 200


@pytest.fixture
def filled(home: Path, made_file: Path, opened: Callable[..., Database], biology: Biology) -> Register:
    shutil.copy(made_file, home / "register.sqlite")
    register = Register(opened(file_url(home / "register.sqlite")), biology, Clock())
    fill(register)
    return register


def _heard(children: list[Child], known: dict[str, tuple[str, int]]) -> int:
    """Take down all that was acknowledged so far."""
    count = 0
    for child in children:
        while child.said.poll():
            kind, thing, version = child.hear()
            known[thing] = (kind, max(version, known.get(thing, ("", 0))[1]))
            count += 1
    return count


def test_backups_under_writers_are_whole_and_have_all_that_was_acknowledged(
    home: Path, made_file: Path, biology: Biology, nursery: Nursery, tell: Callable[[str, str], None]
) -> None:
    """The loop that finds what backups get wrong: write, back up, bring back, check, again and again."""
    shutil.copy(made_file, home / "register.sqlite")
    url = file_url(home / "register.sqlite")
    children = [nursery.begin(writers.write_for_ever, str(url), seed) for seed in range(WRITERS)]
    for child in children:
        child.hear()
    database, known, sizes, steps = Database(url), dict[str, tuple[str, int]](), list[int](), 0
    while len(sizes) < BACKUPS or steps < CHANGES:
        children[0].hear()
        steps += _heard(children, known)
        acknowledged = dict(known)
        made = back_up(database, home / f"backup_{len(sizes)}.sqlite")
        sizes.append(sum(made.rows.values()))
        restore(file_url(home / "again.sqlite"), made.target, biology, Clock(), who="test")
        copy = Register(Database(file_url(home / "again.sqlite")), biology, Clock())
        try:
            for thing, (kind, version) in acknowledged.items():
                assert copy.get(kind, thing, deleted=True)["version"] >= version
            assert faults(copy.database) == []
        finally:
            copy.database.close()
        made.target.unlink()
    for child in children:
        child.kill()
    check_laws(Register(database, biology, Clock()))
    database.close()
    tell("upkeep", f"{len(sizes)} backups under {WRITERS} writers, {steps} changes meanwhile, up to {sizes[-1]} rows")
    assert sizes == sorted(sizes)


def test_a_backup_is_one_private_file_and_holds_everything(filled: Register, home: Path) -> None:
    made = back_up(filled.database, home / "to" / "backup.sqlite")

    assert [path.name for path in (home / "to").iterdir()] == ["backup.sqlite"]
    assert stat.S_IMODE(made.target.stat().st_mode) == 0o600
    assert made.rows["tokens"] == 1
    assert made.rows["sites"] == 2
    assert made.size_bytes == made.target.stat().st_size
    copy = Register(Database(file_url(made.target), migrate=False), filled.biology)
    assert everything_in(copy) == everything_in(filled)
    copy.database.close()


def test_a_backup_covers_nothing_unless_told(filled: Register, home: Path) -> None:
    back_up(filled.database, home / "backup.sqlite")
    with pytest.raises(InputError, match="there already"):
        back_up(filled.database, home / "backup.sqlite")
    back_up(filled.database, home / "backup.sqlite", overwrite=True)
    with pytest.raises(InputError, match=r"ends in \.sqlite"):
        back_up(filled.database, home / "backup.json")


def test_a_register_that_is_damaged_gives_no_backup(filled: Register, home: Path) -> None:
    """A backup is made to be relied upon: of a damaged register there is none, and the damage is told."""
    with closing(sqlite3.connect(home / "register.sqlite", isolation_level=None)) as connection:
        connection.execute("UPDATE sites SET elevation_m = elevation_m + 1")
    with pytest.raises(UnavailableError, match="is not what its history says"):
        back_up(filled.database, home / "backup.sqlite")
    assert not [path for path in home.iterdir() if "backup" in path.name]


DAMAGE: dict[str, Callable[[bytes], bytes]] = {
    "cut short": lambda raw: raw[: len(raw) // 2],
    "of another kind": lambda raw: b"hello" + raw[5:],
    "empty": lambda raw: b"",
    "a page overwritten": lambda raw: raw[:8192] + b"\xff" * 4096 + raw[12288:],
}


@pytest.mark.parametrize("how", DAMAGE)
def test_a_damaged_copy_is_not_proven(filled: Register, home: Path, how: str) -> None:
    made = back_up(filled.database, home / "backup.sqlite")
    made.target.write_bytes(DAMAGE[how](made.target.read_bytes()))
    with pytest.raises(UnavailableError):
        prove(made.target, made.rows)


def test_a_copy_that_lacks_a_row_is_not_proven(filled: Register, home: Path) -> None:
    made = back_up(filled.database, home / "backup.sqlite")
    with closing(sqlite3.connect(made.target, isolation_level=None)) as connection:
        connection.execute("DELETE FROM tokens")
    with pytest.raises(UnavailableError, match="table tokens holds 0 rows instead of 1"):
        prove(made.target, made.rows)


def test_a_full_disk_leaves_no_half_backup(filled: Register, home: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    def connect(name: object, **options: object) -> sqlite3.Connection:
        connection = real(name, **options)  # type: ignore[call-overload]
        if str(name).endswith(".part"):
            connection.execute("PRAGMA max_page_count=10")
        return connection  # type: ignore[no-any-return]

    real = sqlite3.connect
    monkeypatch.setattr(sqlite3, "connect", connect)
    before = {path.name for path in home.iterdir()}
    with pytest.raises(InputError, match="nothing half-written was left"):
        back_up(filled.database, home / "backup.sqlite")
    assert {path.name for path in home.iterdir()} == before


def test_of_postgresql_the_backup_is_the_export(
    postgres: Postgres, opened: Callable[..., Database], biology: Biology, home: Path
) -> None:
    register = Register(opened(postgres.new()), biology, Clock())
    fill(register)
    with pytest.raises(InputError, match=r"ends in \.json"):
        back_up(register.database, home / "backup.sqlite")
    made = back_up(register.database, home / "backup.json")
    export_from(register.database, home / "export.json")

    assert made.form == "json"
    assert made.left_out["tokens"] == 1
    assert (home / "backup.json").read_bytes() == (home / "export.json").read_bytes()
