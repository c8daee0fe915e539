"""Tables that a keeper wrote: without ids, with few columns, other records named by what they are called."""

from __future__ import annotations

import csv
from typing import TYPE_CHECKING, Any

import pytest

from matewindow.register.ids import is_id
from matewindow.register.soundness import faults
from tests.interchange.filled import everything_in, said, take_in
from tests.register.made import ME, SITE, add_batch, add_site, check_laws

if TYPE_CHECKING:
    from collections.abc import Callable
    from pathlib import Path

    from matewindow.register.register import Register

SITES = "name,latitude,longitude,elevation_m,timezone,notes\nOrchard,53.2,-1.9,250,Europe/London,\nHill,53,-2,300,Europe/London,=steep\n"
BATCHES = (
    "site,name,grafted_on,n_grafted,kept_in\nOrchard,June one,2026-06-01,30,\nHill,June two,2026-06-02,,incubator\n"
)
NUCS = "site,batch,name,kind\nOrchard,June one,Nuc 1,\nOrchard,June one,Nuc 2,five-frames\n"
CHECKS = "batch,nuc,day,saw\nJune one,Nuc 1,2026-06-27,eggs\nJune one,Nuc 2,2026-06-27,nothing\n"


def write(folder: Path, **files: str) -> Path:
    folder.mkdir(exist_ok=True)
    for name, text in files.items():
        (folder / f"{name}.csv").write_text(text, encoding="utf-8")
    return folder


def test_four_plain_tables_become_records_as_if_typed_in(fresh: Callable[[], Register], tmp_path: Path) -> None:
    register = fresh()
    source = write(tmp_path / "mine", sites=SITES, batches=BATCHES, nucs=NUCS, checks=CHECKS)
    done = take_in(register, source)

    assert done.tables == {
        "sites": {"added": 2}, "batches": {"added": 2}, "nucs": {"added": 2}, "checks": {"added": 2},
    }  # fmt: skip
    one, two = register.every("batch")
    assert (one["name"], two["name"]) == ("June one", "June two")
    assert (one["n_grafted"], two["n_grafted"]) == (30, None)
    assert (one["kept_in"], two["kept_in"]) == ("builder", "incubator")
    assert register.get("site", one["site_id"])["name"] == "Orchard"
    assert register.get("site", two["site_id"])["notes"] == "=steep"
    assert [nuc["kind"] for nuc in register.every("nuc")] == ["mini", "five-frames"]
    assert {check["saw"] for check in register.every("check")} == {"eggs", "nothing"}
    for kind in ("site", "batch", "nuc", "check"):
        for row in register.every(kind):
            assert is_id(row["id"], kind)
            assert [step["who"] for step in register.history(kind, row["id"])] == [ME]
    check_laws(register)
    assert faults(register.database) == []


def test_records_stand_in_the_order_of_the_rows(empty: Register, tmp_path: Path) -> None:
    names = [f"Batch {n}" for n in range(700)]
    rows = "".join(f"Orchard,{name},2026-06-01\n" for name in names)
    take_in(empty, write(tmp_path / "mine", sites=SITES, batches=f"site,name,grafted_on\n{rows}"))

    assert [row["name"] for row in empty.every("batch")] == names


def test_one_file_with_a_site_and_a_day_is_enough(empty: Register, tmp_path: Path) -> None:
    add_site(empty, name="Orchard")
    (tmp_path / "batches.csv").write_text("site_id,grafted_on\nOrchard,2026-06-01\n", encoding="utf-8")
    take_in(empty, tmp_path / "batches.csv")

    assert len(empty.every("batch")) == 1


@pytest.mark.parametrize("comma", [";", "\t"])
def test_what_a_spreadsheet_writes_abroad_is_read_too(empty: Register, tmp_path: Path, comma: str) -> None:
    """A byte order mark, semicolons or tabs, CRLF, blank rows at the end."""
    add_site(empty, name="Orchard")
    lines = [["site", "grafted_on", "notes", "builder"], ["Orchard", "2026-06-01", "a, b", ""], ["", "", "", ""]]
    text = "\ufeff" + "\r\n".join(comma.join(line) for line in lines) + "\r\n\r\n"
    (tmp_path / "batches.csv").write_text(text, encoding="utf-8", newline="")
    take_in(empty, tmp_path / "batches.csv")

    assert [row["notes"] for row in empty.every("batch")] == ["a, b"]


def test_a_file_that_has_grown_adds_only_what_is_new(empty: Register, tmp_path: Path) -> None:
    source = write(tmp_path / "mine", sites=SITES, batches=BATCHES)
    take_in(empty, source)
    before = everything_in(empty)
    again = take_in(empty, source)
    assert again.tables == {"sites": {"same": 2}, "batches": {"same": 2}}
    assert everything_in(empty) == before

    write(source, batches=BATCHES + "Hill,June two,2026-06-02,,incubator\n")
    assert take_in(empty, source).tables["batches"] == {"same": 2, "added": 1}


def test_two_rows_alike_are_two_records(empty: Register, tmp_path: Path) -> None:
    add_site(empty, name="Orchard")
    (tmp_path / "batches.csv").write_text("site,grafted_on\n" + "Orchard,2026-06-01\n" * 3, encoding="utf-8")

    assert take_in(empty, tmp_path / "batches.csv").tables["batches"] == {"added": 3}
    assert take_in(empty, tmp_path / "batches.csv").tables["batches"] == {"same": 3}


def test_a_name_that_several_have_is_refused_with_their_ids(empty: Register, tmp_path: Path) -> None:
    ids = sorted([add_site(empty, name="Orchard"), add_site(empty, name="Orchard", exposure=0.7)])
    (tmp_path / "batches.csv").write_text("site,grafted_on\nOrchard,2026-06-01\n", encoding="utf-8")
    done = take_in(empty, tmp_path / "batches.csv", dry_run=True)

    assert said(done.problems) == {("batches", 2, "site_id")}
    assert done.problems[0].what == "there are 2 sites called 'Orchard'"
    assert all(thing in done.problems[0].fix for thing in ids)
    (tmp_path / "batches.csv").write_text(f"site,grafted_on\n{ids[1]},2026-06-01\n", encoding="utf-8")
    take_in(empty, tmp_path / "batches.csv")
    assert empty.every("batch")[0]["site_id"] == ids[1]


def test_names_are_looked_for_at_the_site_and_in_the_batch(empty: Register, tmp_path: Path) -> None:
    """Every apiary has a batch called June and a nuc called 1."""
    sites = "name,latitude,longitude,elevation_m,timezone\nA,53,-1,9,Europe/London\nB,54,-1,9,Europe/London\n"
    batches = "site,name,grafted_on\nA,June,2026-06-01\nB,June,2026-06-01\nB,July,2026-06-03\n"
    nucs = "site,batch,name\nA,June,1\nB,June,1\nB,July,1\n"
    take_in(empty, write(tmp_path / "mine", sites=sites, batches=batches, nucs=nucs))
    b = next(s["id"] for s in empty.every("site") if s["name"] == "B")
    june = next(x["id"] for x in empty.every("batch") if x["site_id"] == b and x["name"] == "June")
    (tmp_path / "checks.csv").write_text(f"batch,nuc,day,saw\n{june},1,2026-06-27,eggs\n", encoding="utf-8")
    take_in(empty, tmp_path / "checks.csv")

    nuc = empty.get("nuc", empty.every("check")[0]["nuc_id"])
    assert (nuc["site_id"], nuc["batch_id"]) == (b, june)


def test_deleted_records_have_no_name_any_more(empty: Register, tmp_path: Path) -> None:
    old = add_site(empty, name="Orchard")
    empty.delete("site", old, ME)
    (tmp_path / "batches.csv").write_text("site,grafted_on\nOrchard,2026-06-01\n", encoding="utf-8")
    assert "no site called 'Orchard'" in str(take_in(empty, tmp_path / "batches.csv", dry_run=True).problems[0])


def test_problems_of_plain_rows_name_file_row_and_field(empty: Register, tmp_path: Path) -> None:
    source = write(
        tmp_path / "mine",
        sites=SITES + "Wet,1,2,3,Europe/Atlantis,\n" + "Cold,1,2,,Europe/London,\n",
        batches=BATCHES + "Orchard,x,2026-13-01,many,\n" + "Nowhere,y,2026-06-01,,\n" + "Cold,z,2026-06-01,,\n"
        + ",w,2026-06-01,,\n",
        checks="batch,day,saw\nJune one,2026-06-13,eggs\nJune one,2026-06-27,bees\nJune one,2027-06-27,eggs\n",
    )  # fmt: skip
    done = take_in(empty, source, dry_run=True)

    assert said(done.problems) == {
        ("sites", 4, "timezone"), ("sites", 5, "elevation_m"), ("batches", 4, "grafted_on"), ("batches", 4, "n_grafted"),
        ("batches", 5, "site_id"), ("batches", 7, "site_id"), ("checks", 2, "saw"), ("checks", 3, "saw"), ("checks", 4, "day"),
    }  # fmt: skip
    lines = [str(p) for p in done.problems]
    assert "batches.csv, row 4, n_grafted: must be a whole number." in lines
    assert "batches.csv, row 5, site_id: there is no site called 'Nowhere'. Add it to sites, or give its id." in lines
    assert empty.every("site") == []


def test_whole_and_plain_rows_may_stand_together(empty: Register, full: Register, tmp_path: Path) -> None:
    from matewindow.register.interchange import export_from

    export_from(full.database, tmp_path / "out")
    (tmp_path / "out" / "manifest.json").unlink()
    with (tmp_path / "out" / "batches.csv").open("r+", encoding="utf-8", newline="") as file:
        names = next(csv.reader(file))
        file.seek(0, 2)
        new = {"site_id": "Høyfjell 🐝", "name": "new one", "grafted_on": "2026-06-09"}
        csv.DictWriter(file, names, restval="").writerow(new)
    done = take_in(empty, tmp_path / "out")

    assert done.tables["batches"]["added"] == len(full.every("batch")) + 1 + sum(
        row["deleted_at"] is not None for row in everything_in(full)["batches"]
    )
    assert [row["name"] for row in empty.every("batch") if str(row["grafted_on"]) == "2026-06-09"] == ["new one"]


def test_plain_records_in_json(empty: Register, tmp_path: Path) -> None:
    import json

    tables: dict[str, list[dict[str, Any]]] = {
        "sites": [SITE | {"name": "Orchard", "thresholds": {"strict_temp_c": 17.0}}],
        "batches": [{"site": "Orchard", "grafted_on": "2026-06-01", "grafted_at": "14:30", "larva_age_h": 18}],
    }
    document = {"format": "matewindow register", "version": 1, "tables": tables}
    (tmp_path / "mine.json").write_text(json.dumps(document), encoding="utf-8")
    take_in(empty, tmp_path / "mine.json")

    assert empty.every("batch")[0]["larva_age_h"] == 18.0
    assert empty.every("site")[0]["thresholds"] == {"strict_temp_c": 17.0}


def test_a_plain_row_cannot_choose_its_version(empty: Register, tmp_path: Path) -> None:
    (tmp_path / "sites.csv").write_text(
        SITES.splitlines()[0] + ",version\n" + SITES.splitlines()[1] + ",7\n", encoding="utf-8"
    )
    assert said(take_in(empty, tmp_path / "sites.csv", dry_run=True).problems) == {("sites", 2, "version")}


def test_webhooks_hear_of_plain_rows_as_of_any_new_record(empty: Register, tmp_path: Path) -> None:
    import sqlalchemy as sa

    from matewindow.register.tables import events
    from tests.interchange.filled import tell_of

    site = add_site(empty, name="Orchard")
    tell_of(empty, add_batch(empty, site), site)  # adds a webhook for everything
    (tmp_path / "batches.csv").write_text("site,grafted_on\nOrchard,2026-06-02\n", encoding="utf-8")
    take_in(empty, tmp_path / "batches.csv")
    with empty.database.read() as connection:
        told = list(connection.execute(sa.select(events.c.type)).scalars())

    assert told == ["batch.added"]
