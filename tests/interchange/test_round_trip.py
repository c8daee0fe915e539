"""What goes out comes back: letter by letter, on both databases and between them."""

from __future__ import annotations

import csv
import io
import json
from typing import TYPE_CHECKING, Any

import pytest
import sqlalchemy as sa
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from matewindow.register.carried import LEFT_OUT, TABLES, as_cells, as_json_text, columns_of, from_text
from matewindow.register.database import Database
from matewindow.register.exporting import write_for_spreadsheet
from matewindow.register.records import storable
from matewindow.register.register import Register
from matewindow.register.shapes import whole_row
from matewindow.register.soundness import faults
from matewindow.register.tables import ENTITIES, metadata, outlooks
from tests.interchange.filled import AWKWARD, BODIES, SECRET, contents, everything_in, exported, fill, take_in
from tests.register.made import ME, NOON, Clock, check_laws
from tests.register.postgres import MISSING, THERE

if TYPE_CHECKING:
    from collections.abc import Callable
    from pathlib import Path

    from matewindow.biology import Biology
    from tests.register.postgres import Postgres

FORMS = ("out.json", "out.zip", "out")


@pytest.mark.parametrize("form", FORMS)
def test_export_import_export_gives_the_same_bytes(fresh: Callable[[], Register], tmp_path: Path, form: str) -> None:
    first, second = fresh(), fresh()
    fill(first)
    before = exported(first, tmp_path / "1" / form)
    done = take_in(second, tmp_path / "1" / form)

    assert done.written
    assert exported(second, tmp_path / "2" / form) == before
    assert everything_in(second) == everything_in(first)
    assert faults(second.database) == []
    check_laws(second)


def test_both_forms_carry_the_same(fresh: Callable[[], Register], tmp_path: Path) -> None:
    first, through_json, through_csv = fresh(), fresh(), fresh()
    fill(first)
    for target, form in ((through_json, "out.json"), (through_csv, "out")):
        exported(first, tmp_path / form)
        take_in(target, tmp_path / form)

    assert everything_in(through_json) == everything_in(through_csv) == everything_in(first)


@pytest.mark.skipif(not THERE, reason=MISSING)
def test_from_sqlite_to_postgresql_and_back_nothing_changes(
    postgres: Postgres, opened: Callable[..., Database], biology: Biology, tmp_path: Path
) -> None:
    def lite(name: str) -> Register:
        return Register(opened(sa.URL.create("sqlite", database=str(tmp_path / name))), biology, Clock())

    first, between, last = lite("a.sqlite"), Register(opened(postgres.new()), biology, Clock()), lite("b.sqlite")
    fill(first)
    before = exported(first, tmp_path / "1.json")
    take_in(between, tmp_path / "1.json")
    assert exported(between, tmp_path / "2.json")[""] == before[""]
    exported(between, tmp_path / "2.zip")
    take_in(last, tmp_path / "2.zip")
    assert exported(last, tmp_path / "3.json")[""] == before[""]


def test_what_came_over_can_be_worked_with(fresh: Callable[[], Register], tmp_path: Path) -> None:
    """History goes on: a record is changed, undone and brought back after the move as before it."""
    first, second = fresh(), fresh()
    ids = fill(first)
    exported(first, tmp_path / "out.json")
    take_in(second, tmp_path / "out.json")
    second.change("batch", ids["batch"], {"n_grafted": 7}, "somebody")
    second.undo("batch", ids["batch"], "somebody")
    second.add("batch", {"site_id": ids["site"], "grafted_on": "2026-06-02"}, ME)

    assert [step["who"] for step in second.history("batch", ids["batch"])] == [ME, "somebody", "somebody"]
    assert second.instance() == first.instance()
    check_laws(second)


def test_importing_it_again_changes_nothing(fresh: Callable[[], Register], tmp_path: Path) -> None:
    register = fresh()
    fill(register)
    before = exported(register, tmp_path / "1.json")
    done = take_in(register, tmp_path / "1.json")

    assert {fate for counts in done.tables.values() for fate in counts} == {"same"}
    assert exported(register, tmp_path / "2.json") == before


def test_two_registers_can_be_joined(fresh: Callable[[], Register], tmp_path: Path) -> None:
    first, second = fresh(), fresh()
    fill(first)
    fill(second)
    exported(first, tmp_path / "1.json")
    own = second.instance()
    done = take_in(second, tmp_path / "1.json")

    assert done.tables["meta"] == {"kept": 1}
    assert second.instance() == own
    assert len(second.every("site")) == 4
    assert faults(second.database) == []
    check_laws(second)


def test_outlooks_come_back_letter_by_letter(fresh: Callable[[], Register], tmp_path: Path) -> None:
    import gzip

    first, second = fresh(), fresh()
    fill(first)
    exported(first, tmp_path / "out.json")
    take_in(second, tmp_path / "out.json")
    with second.database.read() as connection:
        stored = list(connection.execute(sa.select(outlooks.c.body).order_by(outlooks.c.id)).scalars())

    assert [gzip.decompress(body).decode() for body in stored] == list(BODIES)
    rows = json.loads((tmp_path / "out.json").read_text(encoding="utf-8"))["tables"]["outlooks"]
    assert [type(row["body"]) for row in rows] == [dict, str, str, str]
    assert rows[0]["body"]["days"] == [1, 2.0, 1e-07]


@pytest.mark.parametrize("form", FORMS)
def test_no_secret_leaves_the_register(fresh: Callable[[], Register], tmp_path: Path, form: str) -> None:
    register = fresh()
    fill(register)
    with register.database.read() as connection:
        hashes = [
            r[0] for name in ("tokens", "feeds") for r in connection.execute(sa.select(metadata.tables[name].c.hash))
        ]
    out = b"".join(exported(register, tmp_path / form).values())
    if form == "out.zip":
        out = b"".join(_unzipped(tmp_path / form).values())

    assert len(hashes) == 2
    for secret in (SECRET, "hidden-path", *hashes):
        assert secret.encode() not in out
    assert b'"left_out"' in out


def _unzipped(file: Path) -> dict[str, bytes]:
    import zipfile

    with zipfile.ZipFile(file) as archive:
        return {name: archive.read(name) for name in archive.namelist()}


def test_a_zip_and_a_folder_hold_the_same_files(fresh: Callable[[], Register], tmp_path: Path) -> None:
    register = fresh()
    fill(register)
    folder = exported(register, tmp_path / "out")
    exported(register, tmp_path / "out.zip")

    assert _unzipped(tmp_path / "out.zip") == folder
    assert sorted(folder) == sorted([*(f"{name}.csv" for name in TABLES), "manifest.json"])


def test_every_table_is_carried_or_left_out_on_purpose() -> None:
    assert set(TABLES) | set(LEFT_OUT) == set(metadata.tables)
    assert not set(TABLES) & set(LEFT_OUT)


def test_lines_are_those_of_rfc_4180(fresh: Callable[[], Register], tmp_path: Path) -> None:
    """Comma, CRLF, a line of names, quotes doubled, the same number of fields everywhere; UTF-8 without a mark."""
    register = fresh()
    fill(register)
    raw = exported(register, tmp_path / "out")["batches.csv"]
    outside_quotes = raw.decode("utf-8").split('"')[::2]
    rows = list(csv.reader(io.StringIO(raw.decode("utf-8"), newline=""), strict=True))

    assert all(part.count("\n") == part.count("\r\n") for part in outside_quotes)
    assert raw.endswith(b"\r\n")
    assert rows[0] == [c.name for c in columns_of(TABLES["batches"])]
    assert {len(row) for row in rows} == {len(rows[0])}
    notes = [row[rows[0].index("notes")] for row in rows[1:]]
    assert sorted(notes) == sorted(["", *AWKWARD])


def test_the_form_for_spreadsheets_guards_formulas_and_cannot_be_read_back(
    fresh: Callable[[], Register], tmp_path: Path
) -> None:
    """OWASP ASVS 5.0, 1.2.10: cells that begin with = + - @ tab (or NUL) get a quote before them."""
    register = fresh()
    fill(register)
    write_for_spreadsheet(register.database, tmp_path / "out", overwrite=False)
    files = contents(tmp_path / "out")

    assert set(files) == {
        "sites.csv", "builders.csv", "batches.csv", "nucs.csv", "checks.csv", "outlooks.csv", "warnings.csv",
        "manifest.json",
    }  # fmt: skip
    for name, raw in files.items():
        if not name.endswith(".csv"):
            continue
        assert raw.startswith(b"\xef\xbb\xbf")
        rows = list(csv.DictReader(io.StringIO(raw.decode("utf-8-sig"), newline="")))
        words = {c.name for c in TABLES[name.removesuffix(".csv")].c if isinstance(c.type, sa.Text)}
        for row in rows:
            assert not any(row[k][:1] in {"=", "+", "-", "@", "\t", "\0", "\r"} for k in words & set(row) if row[k])
    rows = list(csv.DictReader(io.StringIO(files["sites.csv"].decode("utf-8-sig"), newline="")))
    assert {row["name"] for row in rows} == {"'=Orchard, upper", "Høyfjell 🐝"}
    assert {row["longitude"] for row in rows} == {"-1.9"}
    done = take_in(fresh(), tmp_path / "out", dry_run=True)
    assert "was written for spreadsheets" in str(done.problems[0])


TEXT = st.text(max_size=40).filter(storable).map(lambda t: t.replace("\r\n", "\n"))
MAYBE = st.none() | TEXT
TREE: st.SearchStrategy[Any] = st.recursive(
    st.none()
    | st.booleans()
    | st.integers(-(2**53), 2**53)
    | st.floats(allow_nan=False, allow_infinity=False)
    | st.text(max_size=9),
    lambda inner: st.lists(inner, max_size=3) | st.dictionaries(st.text(max_size=5), inner, max_size=3),
    max_leaves=8,
)


def _through_csv(table: sa.Table, row: dict[str, Any]) -> dict[str, Any]:
    line = io.StringIO(newline="")
    csv.writer(line, lineterminator="\r\n").writerow(as_cells(table, row))
    (cells,) = csv.reader(io.StringIO(line.getvalue(), newline=""), strict=True)
    return {c.name: from_text(c, cell) for c, cell in zip(columns_of(table), cells, strict=True)}


@given(
    name=TEXT.filter(lambda t: t.strip()), notes=TEXT, odds=st.none() | st.floats(0.1, 0.9), thresholds=st.dictionaries(
        TEXT.filter(lambda t: len(t) <= 20), st.floats(-1e9, 1e9), max_size=3
    )
)  # fmt: skip
@settings(max_examples=300, deadline=None)
def test_any_site_survives_both_forms(name: str, notes: str, odds: float | None, thresholds: dict[str, float]) -> None:
    row: dict[str, Any] = {
        "id": "site_0123456789abcdef", "version": 3, "created_at": NOON, "changed_at": NOON, "deleted_at": None,
        "name": name.strip(), "latitude": 53.2, "longitude": -1.9, "elevation_m": 1e-5, "timezone": "Europe/London",
        "exposure": 1.0, "thresholds": thresholds, "drones_mature_from": None, "quiet_from_h": None, "quiet_to_h": None,
        "warn_below": odds, "warn_drop": None, "notes": notes,
    }  # fmt: skip
    table = ENTITIES["site"]
    for raw in (json.loads(as_json_text(table, row)), _through_csv(table, row)):
        again, wrong = whole_row("sites", raw)
        assert wrong == []
        assert again == row


@given(
    cleared_by=st.none() | st.just("otlk_0123456789abcdef"), message=TEXT, data=st.dictionaries(TEXT, TREE, max_size=3)
)
@settings(max_examples=200, deadline=None)
def test_any_warning_survives_both_forms(cleared_by: str | None, message: str, data: dict[str, Any]) -> None:
    row: dict[str, Any] = {
        "id": "warn_0123456789abcdef", "batch_id": "btch_0123456789abcdef", "site_id": "site_0123456789abcdef",
        "outlook_id": "otlk_0123456789abcdef", "kind": "raised", "raised_at": NOON, "cleared_at": None,
        "cleared_by": cleared_by, "cleared_message": message, "cause": "rain", "message": message, "data": data,
    }  # fmt: skip
    table = TABLES["warnings"]
    for raw in (json.loads(as_json_text(table, row)), _through_csv(table, row)):
        again, wrong = whole_row("warnings", raw)
        assert wrong == []
        assert again == row


@given(text=MAYBE)
@settings(max_examples=300, deadline=None)
def test_null_and_empty_text_are_told_apart_in_csv(text: str | None) -> None:
    """In a column of text that may be null, an empty field is null; empty text is a backslash."""
    table = sa.Table("t", sa.MetaData(), sa.Column("id", sa.Text, primary_key=True), sa.Column("may", sa.Text))
    assert _through_csv(table, {"id": "x", "may": text})["may"] == text
    assert as_cells(table, {"id": "x", "may": ""})[1] == "\\"
    assert as_cells(table, {"id": "x", "may": None})[1] == ""


@given(texts=st.lists(st.tuples(TEXT, TEXT), min_size=1, max_size=4), form=st.sampled_from(FORMS))
@settings(max_examples=15, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
def test_any_texts_survive_a_whole_register(
    texts: list[tuple[str, str]], form: str, biology: Biology, tmp_path_factory: pytest.TempPathFactory, made_file: Path
) -> None:
    import shutil

    folder = tmp_path_factory.mktemp("any")
    registers = []
    for name in ("a.sqlite", "b.sqlite"):
        shutil.copy(made_file, folder / name)
        registers.append(Register(Database(sa.URL.create("sqlite", database=str(folder / name))), biology, Clock()))
    first, second = registers
    site = first.add("site", {"name": "x", "latitude": 1.0, "longitude": 30.0, "elevation_m": 0.0,
                              "timezone": "Africa/Nairobi"}, ME)["id"]  # fmt: skip
    for name, notes in texts:
        batch = first.add(
            "batch", {"site_id": site, "grafted_on": "2026-06-01", "breeder_queen": name, "notes": notes}, ME
        )
        first.change("batch", batch["id"], {"notes": name}, ME)
    before = exported(first, folder / "1" / form)
    take_in(second, folder / "1" / form)
    assert exported(second, folder / "2" / form) == before
    for register in registers:
        register.database.close()
    shutil.rmtree(folder)
