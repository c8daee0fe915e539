"""With ``replace`` records that differ become what the file holds, each as a change that can be undone."""

from __future__ import annotations

import csv
from typing import TYPE_CHECKING, Any

from matewindow.register.interchange import export_from
from matewindow.register.soundness import faults
from tests.interchange.filled import everything_in, said, take_in
from tests.register.made import ME, add_batch, add_nuc, add_site, check_laws

if TYPE_CHECKING:
    from collections.abc import Callable
    from pathlib import Path

    from matewindow.register.register import Register


def rows_of(file: Path) -> list[dict[str, str]]:
    with file.open(encoding="utf-8", newline="") as lines:
        return list(csv.DictReader(lines))


def write_rows(file: Path, rows: list[dict[str, str]]) -> None:
    with file.open("w", encoding="utf-8", newline="") as lines:
        writer = csv.DictWriter(lines, list(rows[0]))
        writer.writeheader()
        writer.writerows(rows)


def change_in(folder: Path, table: str, thing: str, **values: str) -> None:
    (folder / "manifest.json").unlink(missing_ok=True)
    rows = rows_of(folder / f"{table}.csv")
    for row in rows:
        if row["id"] == thing:
            row.update(values)
    write_rows(folder / f"{table}.csv", rows)


def test_an_edited_export_changes_what_was_edited_and_nothing_else(
    fresh: Callable[[], Register], tmp_path: Path
) -> None:
    register = fresh()
    site = add_site(register)
    batches = [add_batch(register, site, name=f"B {n}") for n in range(5)]
    export_from(register.database, tmp_path / "out")
    change_in(tmp_path / "out", "batches", batches[2], n_grafted="25", notes="=edited")
    before = everything_in(register)
    done = take_in(register, tmp_path / "out", replace=True)
    after = everything_in(register)

    assert done.tables["batches"] == {"same": 4, "changed": 1}
    assert [r["id"] for r, s in zip(after["batches"], before["batches"], strict=True) if r != s] == [batches[2]]
    row = register.get("batch", batches[2])
    assert (row["version"], row["n_grafted"], row["notes"]) == (2, 25, "=edited")
    assert [(s["action"], s["who"]) for s in register.history("batch", batches[2])] == [("added", ME), ("changed", ME)]
    register.undo("batch", batches[2], ME)
    assert register.get("batch", batches[2])["notes"] == ""
    check_laws(register)


def test_an_older_export_brings_back_what_records_were(full: Register, tmp_path: Path) -> None:
    export_from(full.database, tmp_path / "x.json")
    before = everything_in(full)
    for row in full.every("batch")[:4]:
        full.change("batch", row["id"], {"notes": "spoilt"}, "somebody")
    full.delete("check", full.every("check")[0]["id"], "somebody")
    gone = next(r["id"] for r in before["nucs"] if r["deleted_at"] is not None)
    full.bring_back("nuc", gone, "somebody")
    done = take_in(full, tmp_path / "x.json", replace=True)
    after = everything_in(full)
    own = {"version", "changed_at", "deleted_at"}

    for table in ("sites", "builders", "batches", "nucs", "checks"):
        for row, was in zip(after[table], before[table], strict=True):
            assert {k: v for k, v in row.items() if k not in own} == {k: v for k, v in was.items() if k not in own}
            assert (row["deleted_at"] is None) == (was["deleted_at"] is None)
    assert full.history("nuc", gone)[-1]["action"] == "deleted"
    assert done.tables["batches"]["changed"] == 4
    assert done.steps_left == 0
    assert faults(full.database) == []
    check_laws(full)


def test_steps_that_the_register_does_not_have_are_counted(full: Register, tmp_path: Path) -> None:
    """The file is newer: its records are taken, as changes of now; its further history is not."""
    export_from(full.database, tmp_path / "old.json")
    batch = full.every("batch")[0]["id"]
    for n in range(3):
        full.change("batch", batch, {"notes": f"newer {n}"}, ME)
    export_from(full.database, tmp_path / "new.json")
    take_in(full, tmp_path / "old.json", replace=True)
    done = take_in(full, tmp_path / "new.json", replace=True)

    assert full.get("batch", batch)["notes"] == "newer 2"
    assert done.tables["batches"]["changed"] == 1
    assert done.steps_left == 0  # the register has them all, under what came after
    check_laws(full)


def test_several_records_may_change_together_that_could_not_one_by_one(
    fresh: Callable[[], Register], tmp_path: Path
) -> None:
    """Only how they stand afterwards is judged."""
    register = fresh()
    site = add_site(register)
    batch = add_batch(register, site)
    nuc = add_nuc(register, site, batch, emerged_on="2026-06-12")
    export_from(register.database, tmp_path / "out")
    change_in(tmp_path / "out", "batches", batch, grafted_on="2026-06-10")
    alone = take_in(register, tmp_path / "out", replace=True, dry_run=True)
    assert said(alone.problems) == {("batches", 2, "emerged_on")}
    assert f"the nuc {nuc} of the register would become impossible" in str(alone.problems[0])

    change_in(tmp_path / "out", "nucs", nuc, emerged_on="2026-06-22")
    take_in(register, tmp_path / "out", replace=True)
    assert str(register.get("nuc", nuc)["emerged_on"]) == "2026-06-22"
    check_laws(register)


def test_what_others_stand_on_cannot_be_deleted_so(fresh: Callable[[], Register], tmp_path: Path) -> None:
    register = fresh()
    site = add_site(register)
    batch = add_batch(register, site)
    export_from(register.database, tmp_path / "out")
    change_in(tmp_path / "out", "sites", site, deleted_at="2026-06-29T12:00:20.123456Z")
    done = take_in(register, tmp_path / "out", replace=True, dry_run=True)

    assert said(done.problems) == {("sites", 2, "deleted_at")}
    assert batch in str(done.problems[0])


def test_outlooks_and_history_are_never_replaced(full: Register, tmp_path: Path) -> None:
    from tests.interchange.filled import edited

    def change(tables: dict[str, list[dict[str, Any]]]) -> None:
        tables["outlooks"][0]["p_well_mated"] = 0.99
        tables["changes"][0]["who"] = "somebody else"
        tables["warnings"][0]["message"] = "all is well"

    export_from(full.database, tmp_path / "x.json")
    edited(tmp_path / "x.json", change)
    done = take_in(full, tmp_path / "x.json", replace=True, dry_run=True)

    assert said(done.problems) == {("outlooks", 1, "id"), ("changes", 1, "after"), ("warnings", 1, "id")}


def test_a_warning_that_was_cleared_since_stays_cleared(full: Register, tmp_path: Path) -> None:
    from matewindow.register.tables import warnings
    from tests.register.made import NOON

    export_from(full.database, tmp_path / "x.json")
    with full.database.write() as connection:
        connection.execute(warnings.update().where(warnings.c.cleared_at.is_(None)).values(cleared_at=NOON))
    before = everything_in(full)
    done = take_in(full, tmp_path / "x.json")

    assert done.tables["warnings"] == {"same": 1, "kept": 1}
    assert everything_in(full) == before
