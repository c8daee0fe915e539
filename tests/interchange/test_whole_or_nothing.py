"""An import is there as a whole or not at all, and so is an export, whatever happens meanwhile."""

from __future__ import annotations

import gzip
import json
import os
import shutil
from datetime import timedelta
from typing import TYPE_CHECKING, Any

import pytest

from matewindow.errors import BusyError, RequestError
from matewindow.register.database import Database
from matewindow.register.ids import new_id
from matewindow.register.interchange import export_from
from matewindow.register.register import Register
from matewindow.register.soundness import faults
from matewindow.register.tables import changes, outlooks
from tests.interchange import importers
from tests.interchange.filled import everything_in, n_rows, take_in
from tests.register.conftest import file_url
from tests.register.made import ME, NOON, Clock, add_batch, add_site

if TYPE_CHECKING:
    from collections.abc import Callable
    from pathlib import Path

    import sqlalchemy as sa

    from matewindow.biology import Biology
    from tests.register.nursery import Nursery

ROUNDS = 5


@pytest.fixture(scope="module")
def many(quick_disk_folder: Path, made_file: Path, biology: Biology) -> Path:
    """An export of some thousands of records."""
    shutil.copy(made_file, quick_disk_folder / "many.sqlite")
    database = Database(file_url(quick_disk_folder / "many.sqlite"))
    register, folder = Register(database, biology, Clock()), quick_disk_folder / "many"
    folder.mkdir()
    add_site(register, name="Orchard")
    rows = "".join(f"Orchard,Batch {n},2026-06-01,{'é' * (n % 300)}\n" for n in range(600))
    (folder / "batches.csv").write_text(f"site,name,grafted_on,notes\n{rows}", encoding="utf-8")
    take_in(register, folder)
    export_from(database, quick_disk_folder / "many.json")
    database.close()
    return quick_disk_folder / "many.json"


def test_killed_in_the_midst_of_an_import_nothing_of_it_is_there(
    new_url: Callable[..., sa.URL], opened: Callable[..., Database], biology: Biology, many: Path, nursery: Nursery
) -> None:
    """``kill -9`` before each part that is written; the next import works."""
    url = new_url()
    for n in range(ROUNDS):
        child = nursery.begin(importers.take_in_slowly, url.render_as_string(hide_password=False), str(many))
        for _ in range(n):
            assert child.hear() != "done"
            child.tell("go on")
        assert child.hear() != "done"
        child.kill()
        register = Register(opened(url), biology, Clock())
        assert everything_in(register) == {name: [] for name in everything_in(register)}, n
        assert faults(register.database) == []
        register.database.close()
    register = Register(opened(url), biology, Clock())
    take_in(register, many)
    assert len(register.every("batch")) == 600
    assert faults(register.database) == []


def test_killed_after_the_commit_all_of_it_is_there(
    new_url: Callable[..., sa.URL], opened: Callable[..., Database], biology: Biology, many: Path, nursery: Nursery
) -> None:
    url = new_url()
    child = nursery.begin(importers.take_in_slowly, url.render_as_string(hide_password=False), str(many))
    while child.hear() != "done":
        child.tell("go on")
    child.kill()
    register = Register(opened(url), biology, Clock())
    assert len(register.every("batch")) == 600
    assert n_rows(register, changes) == 601


def test_others_read_and_write_while_an_import_is_checked(
    new_url: Callable[..., sa.URL], opened: Callable[..., Database], biology: Biology, many: Path
) -> None:
    """Only the writing itself holds the register, for as long as it takes to write."""
    url = new_url()
    mine = Register(opened(url), biology, Clock())
    theirs, seen = Register(opened(url, busy_ms=50), biology, Clock()), set()

    def look(what: str, _done: int, _wanted: int) -> None:
        assert len(theirs.every("batch")) == 0
        try:
            with theirs.database.write():
                seen.add((what, "free"))
        except BusyError:
            seen.add((what, "held"))

    take_in(mine, many, tell=look)
    assert len(theirs.every("batch")) == 600
    assert {what for what, how in seen if how == "free"} >= {"Reading", "Judging the records"}
    assert {how for what, how in seen if what == "Writing"} == {"held"}


@pytest.mark.parametrize("form", ["out.json", "out.zip", "out"])
def test_on_a_full_disk_nothing_half_written_is_left(
    many: Path, home: Path, quick_disk_folder: Path, nursery: Nursery, form: str
) -> None:
    """The operating system refuses to let a file grow, as it does where a disk or quota is full."""
    shutil.copy(quick_disk_folder / "many.sqlite", home / "many.sqlite")
    (home / "out.json").write_text("an earlier export", encoding="utf-8")
    (home / "out.json").rename(home / "earlier.json")
    child = nursery.begin(
        importers.export_into_little, str(file_url(home / "many.sqlite")), str(home / "to" / form), 20_000
    )
    kind, text = child.hear()

    assert kind == "RequestError"
    assert "cannot be written" in text
    assert "nothing half-written was left" in text
    assert list((home / "to").iterdir()) == []


def test_a_disk_that_fails_at_the_last_moment_keeps_the_earlier_export(
    full: Register, home: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    export_from(full.database, home / "out.json")
    export_from(full.database, home / "out")
    before = {path: path.read_bytes() for path in home.rglob("*") if path.suffix in {".json", ".csv"}}
    full.change("batch", full.every("batch")[0]["id"], {"notes": "newer"}, ME)

    def fail(_handle: int) -> None:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(os, "fsync", fail)
    for name in ("out.json", "out"):
        with pytest.raises(RequestError, match="No space left on device"):
            export_from(full.database, home / name, overwrite=True)
    assert {path: path.read_bytes() for path in home.rglob("*") if path.suffix in {".json", ".csv"}} == before
    assert not [path for path in home.iterdir() if path.name.startswith(".")]


def test_no_room_to_check_an_import_is_told_as_such(
    empty: Register, many: Path, monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    """The scratch database is not the register: its full disk is not the register's."""
    from matewindow.register import staging

    def small(connection: Any, record: object) -> None:
        settle(connection, record)
        connection.execute("PRAGMA max_page_count=200")

    settle = staging._settle
    monkeypatch.setattr(staging, "_settle", small)
    with pytest.raises(RequestError, match="TMPDIR"):
        take_in(empty, many)
    assert empty.every("batch") == []


def test_a_large_export_needs_little_memory(
    home: Path, made_file: Path, biology: Biology, nursery: Nursery, tell: Callable[[str, str], None]
) -> None:
    """Fifty megabytes of outlooks go in and out without being held at once."""
    shutil.copy(made_file, home / "large.sqlite")
    shutil.copy(made_file, home / "target.sqlite")
    database = Database(file_url(home / "large.sqlite"))
    register = Register(database, biology, Clock())
    site = add_site(register)
    batches = [add_batch(register, site) for _ in range(25)]
    body = gzip.compress(json.dumps({"days": [n / 7 for n in range(1_500)]}, separators=(",", ":")).encode(), mtime=0)
    row: dict[str, Any] = {
        "issued_at": NOON, "stands_on": "x", "parameters": "2026.1", "p_well_mated": 0.5, "reading": {}, "body": body,
    }  # fmt: skip
    with database.write() as connection:
        for batch in batches:
            rows = [row | {"id": new_id("outlook", NOON + timedelta(days=n)), "batch_id": batch} for n in range(80)]
            connection.execute(outlooks.insert(), rows)
    export_from(database, home / "large.json")
    database.close()
    size = (home / "large.json").stat().st_size
    child = nursery.begin(importers.measured, str(file_url(home / "target.sqlite")), str(home / "large.json"))
    taken_in, given_out = child.hear(300)

    tell("interchange", f"{size / 1e6:.0f} MB: memory grew by {taken_in / 1e6:.0f} MB in, {given_out / 1e6:.0f} MB out")
    assert size > 45e6
    assert taken_in < 60e6
    assert given_out < 15e6
    assert (home / "again.json").read_bytes() == (home / "large.json").read_bytes()
