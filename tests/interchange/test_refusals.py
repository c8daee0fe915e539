"""What cannot be imported: each problem is told with its file, row and field, all of them, and nothing is written."""

from __future__ import annotations

import json
import random
import struct
import zipfile
from typing import TYPE_CHECKING, Any

import pytest

from matewindow.errors import ConflictError, InputError, RequestError
from matewindow.register import givencsv, givenjson
from matewindow.register.interchange import ImportRefusedError, export_from
from matewindow.register.problems import MOST
from tests.interchange.filled import edited, everything_in, exported, said, take_in
from tests.register.made import ME, add_site

if TYPE_CHECKING:
    from collections.abc import Callable
    from pathlib import Path

    from matewindow.register.problems import Problem
    from matewindow.register.register import Register


def problems_of(register: Register, source: Path, **options: Any) -> list[Problem]:
    """What is wrong; the dry run and the import say the same, and neither writes anything."""
    before = everything_in(register)
    dry = take_in(register, source, dry_run=True, **options)
    assert not dry.written
    if dry.problem_count:
        with pytest.raises(ImportRefusedError) as refused:
            take_in(register, source, **options)
        assert [str(p) for p in refused.value.problems.in_order()] == [str(p) for p in dry.problems]
        assert "Nothing was written" in str(refused.value)
    assert everything_in(register) == before
    return dry.problems


Change = dict[str, list[dict[str, Any]]]


def _first(rows: list[dict[str, Any]], **wanted: Any) -> dict[str, Any]:
    return next(row for row in rows if all(row[k] == v for k, v in wanted.items()))


def _both(tables: Change, table: str, at: int, **values: Any) -> None:
    """Change a record (of the batches the one with a nuc) and the end of its history alike."""
    row = _first(tables[table], name="-June") if table == "batches" else tables[table][at]
    row.update(values)
    steps = [s for s in tables["changes"] if s["thing_id"] == row["id"]]
    steps[-1]["after"].update(values)


def test_every_problem_is_told_at_once(full: Register, empty: Register, home: Path) -> None:
    def spoil(tables: Change) -> None:
        tables["sites"][0]["latitude"] = 95.0
        tables["sites"][1]["colour"] = "blue"
        tables["builders"][0]["queenright"] = "perhaps"
        del tables["batches"][1]["notes"]
        tables["batches"][2]["grafted_on"] = "2026-02-30"
        tables["batches"][3]["version"] = 0
        tables["batches"][4]["created_at"] = "yesterday"
        tables["batches"][5]["id"] = "btch_1"
        tables["nucs"][0]["site_id"] = None
        tables["changes"][3]["kind"] = "cow"
        tables["outlooks"][0]["p_well_mated"] = "high"
        tables["outlooks"][1]["body"] = [1]
        tables["warnings"][0]["data"] = "x"
        tables["warnings"][1]["message"] = "a\0b"

    export_from(full.database, home / "x.json")
    edited(home / "x.json", spoil)
    found = said(problems_of(empty, home / "x.json"))

    assert found >= {
        ("sites", 1, "latitude"), ("sites", 2, "colour"), ("builders", 1, "queenright"), ("batches", 2, "notes"),
        ("batches", 3, "grafted_on"), ("batches", 4, "version"), ("batches", 5, "created_at"), ("batches", 6, "id"),
        ("nucs", 1, "site_id"), ("changes", 4, "kind"), ("outlooks", 1, "p_well_mated"), ("outlooks", 2, "body"),
        ("warnings", 1, "data"), ("warnings", 2, "message"),
    }  # fmt: skip
    # what stands on a faulty row is not called dangling
    assert not {f for f in found if f[2] in {"site_id", "batch_id", "nuc_id"}} - {("nucs", 1, "site_id")}


REFUSED: dict[str, tuple[Callable[[Change], None], tuple[str, int, str], str]] = {
    "an id that is given twice": (
        lambda t: t["sites"].append(t["sites"][0]), ("sites", 3, "id"), "it also stands in row 1",
    ),
    "a step that is given twice": (
        lambda t: t["changes"].append(t["changes"][0]), ("changes", 0, "version"), "does not join",
    ),
    "a site that is nowhere": (
        lambda t: _both(t, "batches", 0, site_id="site_0000000000000000"), ("batches", 0, "site_id"),
        "neither here nor in the register",
    ),
    "a builder that is nowhere": (
        lambda t: _both(t, "batches", 0, builder_id="bldr_0000000000000000"), ("batches", 0, "builder_id"), "no cell builder",
    ),
    "an id of another kind": (
        lambda t: _both(t, "batches", 0, site_id=t["nucs"][0]["id"]), ("batches", 0, "site_id"), "no site",
    ),
    "a record that cannot be": (
        lambda t: _both(t, "batches", 0, emerged_on="2026-06-02"), ("batches", 0, "emerged_on"), "",
    ),
    "a record that cannot be beside another": (
        lambda t: _both(t, "checks", 0, day="2026-06-12"), ("checks", 1, "saw"), "none lays before",
    ),
    "something seen that lies ahead": (
        lambda t: _both(t, "checks", 0, day="2027-06-12"), ("checks", 1, "day"), "future",
    ),
    "a parent that is deleted": (
        lambda t: _both(t, "batches", 0, deleted_at="2026-06-29T12:00:21Z"), ("nucs", 1, "batch_id"), "is deleted",
    ),
    "a record that its history contradicts": (
        lambda t: t["sites"][0].update(elevation_m=5.0), ("sites", 1, "version"), "not what its history",
    ),
    "a history with a gap": (
        lambda t: t["changes"].remove(_first(t["changes"], kind="batch", version=2)), ("changes", 0, "version"), "join",
    ),
    "a history that begins late": (
        lambda t: t["changes"].remove(_first(t["changes"], thing_id=_first(t["batches"], version=2)["id"])), ("changes", 0, "version"), "join",
    ),
    "a record without its history": (
        lambda t: t["changes"].remove(_first(t["changes"], kind="site")), ("sites", 0, "id"), "history is missing",
    ),
    "a history of nothing": (
        lambda t: t["checks"].clear(), ("changes", 0, "thing_id"), "neither here nor in the register",
    ),
    "an outlook of no batch": (
        lambda t: t["outlooks"][0].update(batch_id="btch_0000000000000000"), ("outlooks", 1, "batch_id"), "no batch",
    ),
    "a warning from no outlook": (
        lambda t: t["warnings"][0].update(outlook_id="otlk_0000000000000000"), ("warnings", 1, "outlook_id"), "no outlook",
    ),
    "a calendar entry that is none": (
        lambda t: t["calendar_stamps"][0].update(stamp="{}"), ("calendar_stamps", 1, "stamp"), "no entry",
    ),
    "a name of something unknown": (
        lambda t: t["meta"][0].update(key="colour"), ("meta", 1, "key"), "not known",
    ),
    "a table that there is not": (lambda t: t.update(tokens=[{}]), ("tokens", 0, ""), "no such table"),
    "times that run backwards": (
        lambda t: _both(t, "sites", 0, changed_at="2020-01-01T00:00:00Z"), ("sites", 1, "changed_at"), "before created_at",
    ),
    "a time without its zone": (
        lambda t: _both(t, "sites", 0, created_at="2026-06-29T12:00:20"), ("sites", 1, "created_at"), "zone",
    ),
    "a number too large for the database": (
        lambda t: _both(t, "sites", 0, version=2**31), ("sites", 1, "version"), "whole number",
    ),
}  # fmt: skip


@pytest.mark.parametrize("case", REFUSED)
def test_what_is_refused_and_why(full: Register, empty: Register, home: Path, case: str) -> None:
    change, (table, row, field), words = REFUSED[case]
    export_from(full.database, home / "x.json")
    edited(home / "x.json", change)
    found = problems_of(empty, home / "x.json")
    mine = [p for p in found if (p.place.table, p.field) == (table, field) and row in {0, p.place.row}]

    assert mine, [str(p) for p in found]
    assert words in mine[0].what
    assert mine[0].place.file == "x.json"


def test_records_that_differ_are_listed_and_refused(full: Register, home: Path) -> None:
    export_from(full.database, home / "x.json")
    batch, site = full.every("batch")[0], full.every("site")[0]
    full.change("batch", batch["id"], {"notes": "newer", "n_grafted": 9}, ME)
    full.change("site", site["id"], {"exposure": 0.7}, ME)
    full.delete("check", full.every("check")[0]["id"], ME)
    found = problems_of(full, home / "x.json")

    assert said(found) == {("batches", 1, "n_grafted"), ("sites", 1, "exposure"), ("checks", 1, "deleted_at")}
    assert "with another n_grafted and notes" in next(str(p) for p in found if p.place.table == "batches")
    assert all("--replace" in p.fix for p in found)


def test_a_register_that_was_changed_meanwhile_is_left_alone(full: Register, empty: Register, home: Path) -> None:
    export_from(full.database, home / "x.json")

    def meddle(what: str, _done: int, _wanted: int) -> None:
        if what == "Judging the records" and not empty.every("site"):
            add_site(empty)

    with pytest.raises(ConflictError, match="nothing was written"):
        take_in(empty, home / "x.json", tell=meddle)
    assert len(empty.every("site")) == 1


# --- files that are broken -------------------------------------------------------------------------------------


@pytest.mark.parametrize("form", ["x.json", "x.zip"])
def test_a_file_cut_short_anywhere_is_refused(full: Register, empty: Register, home: Path, form: str) -> None:
    export_from(full.database, home / form)
    whole = (home / form).read_bytes()
    rng = random.Random(1)
    for cut in [0, 1, 2, 3, len(whole) - 2, *(rng.randrange(len(whole) - 2) for _ in range(30))]:
        (home / form).write_bytes(whole[:cut])
        assert take_in(empty, home / form, dry_run=True).problem_count, cut


@pytest.mark.parametrize("form", ["x.json", "x.zip"])
def test_a_damaged_byte_is_noticed(full: Register, empty: Register, home: Path, form: str) -> None:
    """Whatever byte turns over, either it is told, or what is read is still what was written."""
    export_from(full.database, home / form)
    whole, wanted = (home / form).read_bytes(), everything_in(full)
    rng, unharmed = random.Random(2), 0
    for _ in range(40):
        at = rng.randrange(len(whole))
        (home / form).write_bytes(whole[:at] + bytes([whole[at] ^ (1 << rng.randrange(8))]) + whole[at + 1 :])
        if take_in(empty, home / form, dry_run=True).problem_count == 0:
            unharmed += 1
            assert form == "x.zip" or whole[at : at + 1] in b" \n\r\t", whole[at - 20 : at + 20]
    assert unharmed < 10
    (home / form).write_bytes(whole)
    take_in(empty, home / form)
    assert everything_in(empty) == wanted


def test_a_damaged_file_in_a_folder_is_named(full: Register, empty: Register, home: Path) -> None:
    export_from(full.database, home / "x")
    file = home / "x" / "outlooks.csv"
    file.write_bytes(file.read_bytes().replace(b"2026.1", b"2026.2"))
    (home / "x" / "warnings.csv").unlink()
    lines = (home / "x" / "meta.csv").read_bytes().splitlines(keepends=True)
    (home / "x" / "meta.csv").write_bytes(b"".join(lines[:-1]))
    found = {p.place.file: p.what for p in problems_of(empty, home / "x")}

    assert found["outlooks.csv"] == "it is not as it was exported: it was damaged or edited"
    assert found["warnings.csv"] == "it is missing"
    assert found["meta.csv"].endswith("(0 rows instead of 1)")


BROKEN: dict[str, tuple[str, bytes, str]] = {
    "no JSON": ("x.json", b"hello", "it is no JSON"),
    "nothing": ("x.json", b"", "it ends too early"),
    "another document": ("x.json", b'{"tables": {}}', "it is no export of a register"),
    "a later version": (
        "x.json", b'{"format":"matewindow register","version":2,"tables":{}}', "another version of matewindow",
    ),
    "a later schema": (
        "x.json", b'{"format":"matewindow register","version":1,"schema":"9999","tables":{}}', "another version",
    ),
    "something behind its end": (
        "x.json", b'{"format":"matewindow register","version":1,"tables":{}} 1', "something follows",
    ),
    "no UTF-8": ("x.json", b'{"format":"\xff"}', "not UTF-8"),
    "endless nesting": (
        "x.json", b'{"format":"matewindow register","version":1,"tables":{"sites":[' + b"[" * 100_000, "nesting",
    ),
    "an endless number": (
        "x.json", b'{"format":"matewindow register","version":1,"tables":{"sites":[{"id":' + b"9" * 9_999 + b"}]}}",
        "without end",
    ),
    "a name twice": (
        "x.json", b'{"format":"matewindow register","version":1,"tables":{"sites":[{"name":"a","name":"b"}]}}',
        "given twice",
    ),
    "a number that is none": (
        "x.json", b'{"format":"matewindow register","version":1,"tables":{"sites":[{"name":"a","latitude":NaN}]}}',
        "must be a number",
    ),
    "no record": (
        "x.json", b'{"format":"matewindow register","version":1,"tables":{"sites":[7]}}', "in braces is wanted",
    ),
    "Latin-1": ("sites.csv", "name\nHøyfjell\n".encode("latin-1"), "not UTF-8"),
    "UTF-16": ("sites.csv", "name\nx\n".encode("utf-16"), "not UTF-8"),
    "an empty file": ("sites.csv", b"", "it is empty"),
    "a quote in the midst": ("sites.csv", b'name\n"a"b\n', "cannot be read"),
    "a quote without end": ("sites.csv", b'name\n"a\n', "cannot be read"),
    "a column twice": ("sites.csv", b"name,name\na,b\n", "there twice"),
    "an unknown column": ("sites.csv", b"name,colour\na,b\n", "no such column"),
    "too few cells": ("sites.csv", b"name,latitude\na\n", "1 cells"),
    "a control character": ("sites.csv", b"name,latitude,longitude,elevation_m,timezone\na\x01,1,1,1,UTC\n", "control"),
    "a NUL": ("sites.csv", b"name,latitude,longitude,elevation_m,timezone\na\x00,1,1,1,UTC\n", "control character (U+0000)"),
    "no zip": ("x.zip", b"hello", "it is no whole zip"),
}  # fmt: skip


@pytest.mark.parametrize("case", BROKEN)
def test_broken_files_are_told_in_words(empty: Register, home: Path, case: str) -> None:
    name, raw, words = BROKEN[case]
    (home / name).write_bytes(raw)
    found = problems_of(empty, home / name)

    assert any(words in str(p) for p in found), [str(p) for p in found]


def test_text_in_the_order_of_a_person_who_edits_is_read_as_well(full: Register, empty: Register, home: Path) -> None:
    """Spread over lines, with a byte order mark, without the seal: the same register."""
    export_from(full.database, home / "x.json")
    document = json.loads((home / "x.json").read_text(encoding="utf-8"))
    del document["sha256"], document["rows"], document["schema"]
    (home / "x.json").write_text("\ufeff" + json.dumps(document, indent=4), encoding="utf-8")
    take_in(empty, home / "x.json")

    assert everything_in(empty) == everything_in(full)


def test_a_file_of_another_name_and_one_that_is_not_there(empty: Register, home: Path) -> None:
    (home / "bees.csv").write_text("name\n", encoding="utf-8")
    for source in (home / "bees.csv", home / "none.json", home / "x.sqlite"):
        with pytest.raises(RequestError):
            take_in(empty, source)
    (home / "folder").mkdir()
    assert "nothing to import" in str(problems_of(empty, home / "folder")[0])
    (home / "folder" / "bees.csv").write_text("name\n", encoding="utf-8")
    assert {p.what for p in problems_of(empty, home / "folder")} == {
        "there is no such table",
        "there is nothing to import",
    }


def test_ten_thousand_problems_are_kept_and_the_rest_counted(empty: Register, home: Path) -> None:
    (home / "sites.csv").write_text("name,latitude\n" + "a,100\n" * 4_000, encoding="utf-8")
    done = take_in(empty, home / "sites.csv", dry_run=True)

    assert done.problem_count == 4 * 4_000
    assert len(done.problems) == MOST


# --- too much ----------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("form", ["x.json", "x.zip", "x"])
def test_more_than_the_limit_is_refused_in_words(full: Register, empty: Register, home: Path, form: str) -> None:
    export_from(full.database, home / form)
    found = problems_of(empty, home / form, most_bytes=20_000)

    assert any("--limit-mb" in str(p) for p in found)


def test_a_zip_bomb_is_refused_before_it_is_unpacked(empty: Register, home: Path) -> None:
    with zipfile.ZipFile(home / "x.zip", "w", zipfile.ZIP_DEFLATED) as archive, archive.open("sites.csv", "w") as file:
        for _ in range(300):
            file.write(b"a" * 1_000_000)
    assert (home / "x.zip").stat().st_size < 400_000
    found = problems_of(empty, home / "x.zip", most_bytes=100_000_000)

    assert "more than 100 MB" in str(found[0])


def test_a_zip_that_lies_about_its_size_is_stopped_where_the_limit_is(empty: Register, home: Path) -> None:
    with zipfile.ZipFile(home / "x.zip", "w", zipfile.ZIP_DEFLATED) as archive:
        archive.writestr("sites.csv", b"name\n" + b"a,\n" * 10_000_000)
    raw = bytearray((home / "x.zip").read_bytes())
    for mark, at in ((b"PK\x01\x02", 24), (b"PK\x03\x04", 22)):
        struct.pack_into("<L", raw, raw.find(mark) + at, 1_000)
    (home / "x.zip").write_bytes(raw)

    assert problems_of(empty, home / "x.zip", most_bytes=5_000_000)


@pytest.mark.parametrize(
    "name",
    ["../sites.csv", "/etc/sites.csv", "C:\\sites.csv", "..\\sites.csv", "folder/sites.csv", "sites.csv/", "x.exe"],
)
def test_paths_in_a_zip_are_refused(empty: Register, home: Path, name: str) -> None:
    with zipfile.ZipFile(home / "x.zip", "w") as archive:
        archive.writestr(name, b"name\nx\n")
    before = sorted(home.rglob("*"))

    assert "it holds" in str(problems_of(empty, home / "x.zip")[0])
    assert sorted(home.rglob("*")) == before


def test_other_odd_zips_are_refused(empty: Register, home: Path) -> None:
    with zipfile.ZipFile(home / "x.zip", "w") as archive:
        archive.writestr("sites.csv", b"name\nx\n")
        with pytest.warns(UserWarning, match="Duplicate name"):
            archive.writestr("sites.csv", b"name\nx\n")
    assert "two files of one name" in str(problems_of(empty, home / "x.zip")[0])

    with zipfile.ZipFile(home / "x.zip", "w") as archive:
        archive.writestr("sites.csv", b"name\nx\n")
    raw = bytearray((home / "x.zip").read_bytes())
    raw[raw.find(b"PK\x01\x02") + 8] |= 1
    (home / "x.zip").write_bytes(raw)
    assert "encrypted" in str(problems_of(empty, home / "x.zip")[0])

    with zipfile.ZipFile(home / "x.zip", "w") as archive:
        for n in range(100):
            archive.writestr(f"{n}.csv", b"")
    assert "it holds 100 files" in str(problems_of(empty, home / "x.zip")[0])


@pytest.mark.parametrize("where", ["x.json", "sites.csv"])
def test_a_row_without_end_is_refused(empty: Register, home: Path, monkeypatch: pytest.MonkeyPatch, where: str) -> None:
    monkeypatch.setattr(givenjson, "LONGEST", 2_000_000)
    monkeypatch.setattr(givencsv, "LONGEST", 2_000_000)
    head = b'{"format":"matewindow register","version":1,"tables":{"sites":[{"name":"'
    (home / "x.json").write_bytes(head + b"a" * 9_000_000)
    (home / "sites.csv").write_bytes(b'name\n"' + b"a\n" * 4_500_000)

    assert "is longer than 2,000,000 characters" in str(problems_of(empty, home / where)[0])


def test_an_export_never_covers_what_is_there(full: Register, home: Path) -> None:
    (home / "diary.json").write_text("dear diary", encoding="utf-8")
    (home / "folder").mkdir()
    (home / "folder" / "diary.txt").write_text("dear diary", encoding="utf-8")
    for target, overwrite in ((home / "diary.json", False), (home / "folder", True), (home / "folder", False)):
        with pytest.raises(InputError, match="there already"):
            export_from(full.database, target, overwrite=overwrite)
    before = exported(full, home / "mine")
    with pytest.raises(InputError, match="there already"):
        export_from(full.database, home / "mine")
    full.delete("check", full.every("check")[0]["id"], ME)
    export_from(full.database, home / "mine", overwrite=True)

    assert (home / "diary.json").read_text(encoding="utf-8") == "dear diary"
    assert (home / "mine" / "checks.csv").read_bytes() != before["checks.csv"]
    assert not [path for path in home.iterdir() if path.name.startswith(".")]
