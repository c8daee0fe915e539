"""Bringing a backup back: proven before, never over the register that is there, never under a service unasked."""

from __future__ import annotations

import shutil
import sqlite3
import stat
from contextlib import closing
from typing import TYPE_CHECKING

import pytest
import sqlalchemy as sa

from matewindow.errors import ConflictError, InputError, UnavailableError
from matewindow.register.database import Database
from matewindow.register.interchange import ImportRefusedError, export_from
from matewindow.register.register import Register
from matewindow.register.soundness import faults
from matewindow.upkeep.backup import back_up
from matewindow.upkeep.restore import Restored, is_held, restore
from tests.interchange.filled import everything_in, fill
from tests.register.conftest import file_url
from tests.register.made import ME, NOON, Clock, check_laws
from tests.upkeep_ import keepers

if TYPE_CHECKING:
    from collections.abc import Callable
    from pathlib import Path

    from matewindow.biology import Biology
    from tests.register.nursery import Nursery
    from tests.register.postgres import Postgres


@pytest.fixture
def file(home: Path, made_file: Path, biology: Biology) -> Path:
    """A register with something of everything, that nobody has open; beside it a backup, made before one more change."""
    shutil.copy(made_file, home / "register.sqlite")
    database = Database(file_url(home / "register.sqlite"))
    register = Register(database, biology, Clock())
    fill(register)
    back_up(database, home / "backup.sqlite")
    register.change("batch", register.every("batch")[0]["id"], {"notes": "after the backup"}, ME)
    database.close()
    return home / "register.sqlite"


def bring(file: Path, source: Path, biology: Biology, *, force: bool = False) -> Restored:
    return restore(file_url(file), source, biology, lambda: NOON, who="test", force=force)


def content(file: Path, biology: Biology) -> dict[str, list[dict[str, object]]]:
    register = Register(Database(file_url(file)), biology)
    try:
        assert faults(register.database) == []
        return everything_in(register)
    finally:
        register.database.close()


def notes(file: Path) -> list[str]:
    with closing(sqlite3.connect(file)) as connection:
        return [row[0] for row in connection.execute("SELECT notes FROM batches")]


def test_the_backup_comes_back_and_the_present_one_is_kept_beside_it(file: Path, biology: Biology) -> None:
    wanted = content(file.with_name("backup.sqlite"), biology)
    present = content(file, biology)
    done = bring(file, file.with_name("backup.sqlite"), biology)

    assert content(file, biology) == wanted
    assert done.kept == file.with_name("register.sqlite.before-20260629T120020Z")
    assert content(done.kept, biology) == present
    assert (done.while_in_use, done.without_secrets) == (False, False)
    assert done.rows["tokens"] == 1
    assert stat.S_IMODE(file.stat().st_mode) == 0o600
    again = bring(file, file.with_name("backup.sqlite"), biology)
    assert again.kept == file.with_name("register.sqlite.before-20260629T120020Z-2")


def test_without_a_register_it_is_simply_there(file: Path, biology: Biology, home: Path) -> None:
    done = bring(home / "new" / "register.sqlite", home / "backup.sqlite", biology)

    assert done.kept is None
    assert content(home / "new" / "register.sqlite", biology) == content(home / "backup.sqlite", biology)
    assert sorted(
        path.name for path in (home / "new").iterdir() if not path.name.endswith((".lock", "-wal", "-shm"))
    ) == ["register.sqlite"]


@pytest.mark.parametrize(
    "how", ["cut short", "a byte turned over", "another file", "no register", "a later version", "a trigger"]
)
def test_a_backup_that_is_not_good_changes_nothing(file: Path, biology: Biology, how: str) -> None:
    source, before = file.with_name("backup.sqlite"), file.read_bytes()
    raw = source.read_bytes()
    if how == "cut short":
        source.write_bytes(raw[: len(raw) // 2])
    elif how == "a byte turned over":
        at = raw.rfind(b"Orchard, upper")
        source.write_bytes(raw[:at] + b"P" + raw[at + 1 :])
    elif how == "another file":
        source.write_bytes(b"hello")
    else:
        with closing(sqlite3.connect(source, isolation_level=None)) as connection:
            if how == "no register":
                connection.execute("DELETE FROM alembic_version")
            elif how == "a trigger":
                connection.execute("CREATE TRIGGER t AFTER INSERT ON batches BEGIN DELETE FROM sites; END")
            else:
                connection.execute("UPDATE alembic_version SET version_num = '9999'")
    with pytest.raises((UnavailableError, InputError)):
        bring(file, source, biology)
    assert file.read_bytes() == before
    assert not [path for path in file.parent.iterdir() if path.name.endswith(".part") or "before" in path.name]


def test_an_older_backup_is_brought_up_to_date(file: Path, biology: Biology) -> None:
    """Whatever the schema was, what comes back is of this version."""
    from matewindow.register import migrating

    bring(file, file.with_name("backup.sqlite"), biology)
    database = Database(file_url(file), migrate=False)
    assert migrating.current(database) == migrating.HEAD
    database.close()


def test_an_export_comes_back_too_but_without_secrets(file: Path, biology: Biology) -> None:
    database = Database(file_url(file.with_name("backup.sqlite")))
    export_from(database, file.with_name("backup.json"))
    export_from(database, file.with_name("csv"))
    database.close()
    wanted = content(file.with_name("backup.sqlite"), biology)
    for name in ("backup.json", "csv"):
        done = bring(file, file.with_name(name), biology)
        assert done.without_secrets
        assert done.rows["tokens"] == 0
        assert content(file, biology) == wanted


def test_a_damaged_export_changes_nothing(file: Path, biology: Biology) -> None:
    before = file.read_bytes()
    source = file.with_name("backup.json")
    source.write_text("{", encoding="utf-8")
    with pytest.raises(ImportRefusedError):
        bring(file, source, biology)
    assert file.read_bytes() == before


def test_the_register_is_not_its_own_backup(file: Path, biology: Biology) -> None:
    (file.parent / "link.sqlite").symlink_to(file)
    for source in (file, file.parent / "link.sqlite"):
        with pytest.raises(InputError, match="the register itself"):
            bring(file, source, biology)
    with pytest.raises(InputError, match="no such file"):
        bring(file, file.with_name("none.sqlite"), biology)


def test_a_damaged_register_is_put_aside_with_its_log(file: Path, biology: Biology) -> None:
    raw = file.read_bytes()
    for damage in (b"hello" + raw[5:], raw[:4096] + b"\xff" * 8192 + raw[12288:], raw[: len(raw) // 3]):
        file.write_bytes(damage)
        file.with_name("register.sqlite-wal").write_bytes(b"a log")
        done = bring(file, file.with_name("backup.sqlite"), biology)

        assert content(file, biology) == content(file.with_name("backup.sqlite"), biology)
        assert done.kept is not None
        assert done.kept.exists()


def test_a_register_in_use_is_left_alone(file: Path, biology: Biology, nursery: Nursery) -> None:
    """By another process, and by another connection of this one."""
    mine = Database(file_url(file))
    with mine.read() as connection:
        connection.execute(sa.text("SELECT 1 FROM sites"))
    assert is_held(file)
    mine.close()
    bring(file, file.with_name("backup.sqlite"), biology)
    mine = Database(file_url(file))
    with mine.read() as connection:
        connection.execute(sa.text("SELECT 1 FROM sites"))
    assert is_held(file)
    mine.close()

    child = nursery.begin(keepers.hold, str(file_url(file)))
    count = child.hear()
    assert is_held(file)
    with pytest.raises(ConflictError, match="--force"):
        bring(file, file.with_name("backup.sqlite"), biology)
    child.tell("add")
    assert child.hear() == count + 1
    child.tell("end")
    assert child.hear() == "closed"
    assert not is_held(file)


def test_by_force_a_service_sees_the_restored_register_from_then_on(
    file: Path, biology: Biology, nursery: Nursery
) -> None:
    """It is written into the open file in one transaction; what the service had acknowledged is in the one kept."""
    child = nursery.begin(keepers.hold, str(file_url(file)))
    count = child.hear()
    for n in range(3):
        child.tell("add")
        assert child.hear() == count + n + 1
    done = bring(file, file.with_name("backup.sqlite"), biology, force=True)
    assert done.while_in_use
    assert done.kept is not None
    child.tell("look")
    assert child.hear() == count
    child.tell("add")
    assert child.hear() == count + 1
    child.tell("end")
    child.hear()

    kept, now = content(done.kept, biology), content(file, biology)
    assert len(kept["batches"]) == len(now["batches"]) + 2
    assert "after the backup" in notes(done.kept)
    assert "after the backup" not in notes(file)
    register = Register(Database(file_url(file)), biology, Clock())
    register.clock = lambda: NOON
    assert register.every("site")
    register.database.close()


def test_killed_in_the_midst_there_is_always_a_whole_register(
    file: Path, biology: Biology, nursery: Nursery, tell: Callable[[str, str], None]
) -> None:
    """``kill -9`` at any moment: under its name lies the old register or the restored one."""
    old, new = content(file, biology), content(file.with_name("backup.sqlite"), biology)
    found = set()
    for n in range(14):
        child = nursery.begin(keepers.bring_back, str(file_url(file)), str(file.with_name("backup.sqlite")))
        assert child.hear() == "begins"
        child.said.poll(0.02 * n)
        child.kill()
        now = content(file, biology)
        assert now in (old, new)
        found.add("new" if now == new else "old")
        if now == new:
            before = [path for path in file.parent.iterdir() if "before" in path.name]
            assert any(
                content(path, biology) == old for path in before if not path.name.endswith(("-wal", "-shm", ".lock"))
            )
    tell("upkeep", f"killed in the midst of a restore: the {' and the '.join(sorted(found))} register")


def test_into_postgresql_an_export_comes_back_where_nothing_is(
    postgres: Postgres, opened: Callable[..., Database], file: Path, biology: Biology
) -> None:
    database = Database(file_url(file))
    export_from(database, file.with_name("backup.json"))
    database.close()
    url = postgres.new()
    with pytest.raises(InputError, match="Export it first"):
        restore(url, file.with_name("backup.sqlite"), biology, lambda: NOON, who="test")
    done = restore(url, file.with_name("backup.json"), biology, lambda: NOON, who="test")
    register = Register(opened(url), biology, Clock())
    export_from(register.database, file.with_name("again.json"))

    assert done.rows["sites"] == 2
    assert file.with_name("again.json").read_bytes() == file.with_name("backup.json").read_bytes()
    check_laws(register)
    with pytest.raises(ConflictError, match="holds records"):
        restore(url, file.with_name("backup.json"), biology, lambda: NOON, who="test")
