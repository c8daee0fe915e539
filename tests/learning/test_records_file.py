"""The CSV of records: what it says, and what is told of each row that cannot be."""

from __future__ import annotations

import re
from datetime import date, time
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from matewindow.artefacts import data_folder
from matewindow.errors import InputError
from matewindow.learning import recordsfile
from matewindow.learning.records import questions
from matewindow.learning.recordsfile import COLUMNS, RecordsFileError, parse_records, read_records

TODAY = date(2026, 11, 1)
HEAD = "site,grafted_on,success"


def rows(*lines: str, head: str = HEAD) -> str:
    return "\n".join([head, *lines]) + "\n"


def problems(text: str) -> list[tuple[int, str, str]]:
    with pytest.raises(RecordsFileError) as refused:
        parse_records(text, TODAY)
    return [(p.row, p.column, p.what) for p in refused.value.problems]


def test_the_example_in_the_module_s_own_description_can_be_read() -> None:
    described = (recordsfile.__doc__ or "").split("::\n\n")[1].split("\n\nOne row")[0]
    records = parse_records("\n".join(line.strip() for line in described.splitlines()), TODAY)

    good, failed = records
    assert (good.site, good.season, good.batch, good.nuc) == ("Home apiary", "2025", "May 2", "7")
    assert (good.success, failed.success) == (True, False)
    assert good.last_without_eggs == date(2025, 6, 20)
    assert good.eggs_by == date(2025, 6, 24)
    assert (good.p_issued, good.model) == (0.78, "2026.1")
    assert (failed.first_with_eggs, failed.reason) == (None, "never laid")


def test_every_column_is_described() -> None:
    described = recordsfile.__doc__ or ""

    assert all(f"\n{name} " in described or f"{name}," in described or f", {name}" in described for name in COLUMNS)


DESCRIBED = (data_folder("models") / "records.md").read_text(encoding="utf-8")


def test_the_example_that_ships_with_the_program_can_be_read() -> None:
    example = DESCRIBED.split("```csv\n")[1].split("```")[0]

    records = parse_records(example, TODAY)

    assert [r.success for r in records] == [True, False, False, None]
    assert questions(records, TODAY) == []


def test_every_column_stands_in_the_description_that_ships_with_the_program() -> None:
    table = "\n".join(line.split("|")[1] for line in DESCRIBED.splitlines() if line.startswith("| `"))

    assert set(re.findall(r"`(\w+)`", table)) == set(COLUMNS)


def test_what_is_left_out_or_empty_is_not_known_and_never_a_zero() -> None:
    (record,) = parse_records(rows("Home,2025-06-01,unknown,", head=HEAD + ",p_issued"), TODAY)

    assert record.success is None
    assert record.p_issued is None
    assert record.larva_age_h is None
    assert record.last_without_eggs is None
    assert record.last_look is None


def test_all_columns_are_taken_over() -> None:
    cells = {
        "site": "Home",
        "season": "2025/26",
        "batch": "B",
        "nuc": "3",
        "nuc_kind": "Few-Frames",
        "grafted_on": "2025-12-01",
        "grafted_at": "14:30",
        "larva_age_h": "20",
        "sealed_temp_c": "33.5",
        "emerged_on": "2025-12-13",
        "success": "NO",
        "last_without_eggs": "2025-12-24",
        "first_with_eggs": "2026-01-10",
        "brood_age_d": "3",
        "p_issued": "0.81",
        "model_version": "2026.1",
        "reason": "drone layer, shaken out",
        "nucs_in_batch": "12",
        "count": "2",
    }
    assert set(cells) == set(COLUMNS)
    line = ",".join(f'"{cell}"' for cell in cells.values())

    first, second = parse_records(rows(line, head=",".join(cells)), TODAY)

    assert first == second
    assert first.season == "2025/26"
    assert first.grafted_at == time(14, 30)
    assert (first.larva_age_h, first.sealed_temp_c) == (20.0, 33.5)
    assert first.emerged_on == date(2025, 12, 13)
    assert first.success is False
    assert first.eggs_by == date(2026, 1, 7)
    assert first.last_look == date(2026, 1, 10)
    assert first.nuc_kind == "few-frames"
    assert (first.reason, first.nucs_in_batch) == ("drone layer, shaken out", 12)


@pytest.mark.parametrize("mark", [";", "\t"])
def test_semicolons_and_tabs_a_byte_order_mark_and_windows_line_ends_do_no_harm(mark: str) -> None:
    text = "\ufeff" + rows("Home,2025-06-01,yes", "", "Home,2025-06-01,no").replace(",", mark).replace("\n", "\r\n")

    assert [r.success for r in parse_records(text, TODAY)] == [True, False]


@pytest.mark.parametrize(
    ("head", "line", "column", "what"),
    [
        ("", ",2025-06-01,yes", "site", "the cell is empty"),
        ("", "Home,,yes", "grafted_on", "the cell is empty"),
        ("", "Home,1 June 2025,yes", "grafted_on", "'1 June 2025' is no date"),
        ("", "Home,2025-02-30,yes", "grafted_on", "2025-02-30 is no day of the calendar"),
        ("", "Home,0025-06-01,yes", "grafted_on", "'0025-06-01' is no date"),
        ("", "Home,2027-06-01,yes", "grafted_on", "2027-06-01 lies in the future"),
        ("", "Home,2025-06-01,maybe", "success", "'maybe' is neither yes, no nor unknown"),
        (",p_issued,model_version", "Home,2025-06-01,yes,80,2026.1", "p_issued", "80 lies outside 0 to 1"),
        (",p_issued,model_version", "Home,2025-06-01,yes,nan,2026.1", "p_issued", "'nan' is no number"),
        (",p_issued", "Home,2025-06-01,yes,0.8", "model_version", "odds without the model that gave them"),
        (",emerged_on", "Home,2025-06-01,yes,2025-07-01", "emerged_on", "emerged 30 days after the graft"),
        (
            ",first_with_eggs",
            "Home,2025-06-01,yes,2025-06-10",
            "first_with_eggs",
            "eggs by 2025-06-10, 9 days after the graft",
        ),
        (
            ",last_without_eggs",
            "Home,2025-06-01,no,2025-05-01",
            "last_without_eggs",
            "this look comes before the graft",
        ),
        (",brood_age_d", "Home,2025-06-01,yes,5", "brood_age_d", "brood without the look that found it"),
        (",brood_age_d", "Home,2025-06-01,yes,2.5", "brood_age_d", "'2.5' is no whole number from 0 to 60"),
        (",grafted_at", "Home,2025-06-01,yes,25:00", "grafted_at", "'25:00' is no time of day"),
        (",larva_age_h", "Home,2025-06-01,yes,50", "larva_age_h", "50 lies outside 6 to 36"),
        (",nuc_kind", "Home,2025-06-01,yes,huge", "nuc_kind", "'huge' is no kind of nuc"),
        (",count", "Home,2025-06-01,yes,0", "count", "'0' is no whole number from 1 to 1000"),
        (",nuc", "Home,2025-06-01,yes,\x07", "nuc", "this text is too long or has unprintable signs"),
        ("", "Home,2025-06-01", "", "it has 2 cells, and there are 3 columns"),
    ],
)
def test_a_row_that_cannot_be_is_told_with_its_number_and_column(head: str, line: str, column: str, what: str) -> None:
    good = "Home,2025-06-01,yes" + "," * head.count(",")

    assert problems(rows(good, line, head=HEAD + head)) == [(3, column, what)]


def test_looks_that_contradict_each_other_are_refused_with_the_age_of_the_brood_counted_in() -> None:
    head = HEAD + ",last_without_eggs,first_with_eggs,brood_age_d"
    fits, not_so = "Home,2025-06-01,yes,2025-06-24,2025-07-01,6", "Home,2025-06-01,yes,2025-06-24,2025-07-01,7"

    assert len(parse_records(rows(fits, head=head), TODAY)) == 1
    assert problems(rows(not_so, head=head)) == [
        (2, "last_without_eggs", "no eggs on 2025-06-24, but by the other look there were some by 2025-06-24")
    ]


def test_the_same_nuc_of_a_batch_twice_is_refused_and_other_batches_may_use_the_nuc_again() -> None:
    head = HEAD + ",batch,nuc"
    first, again, later = "Home,2025-06-01,yes,A,7", "Home,2025-06-01,no,A,7", "Home,2025-07-01,no,B,7"

    assert len(parse_records(rows(first, later, head=head), TODAY)) == 2
    assert problems(rows(first, later, again, head=head)) == [(4, "nuc", "this nuc of this batch stands in row 2 too")]


def test_all_that_is_wrong_is_told_at_once_and_nothing_is_learnt() -> None:
    bad = [f"Home,2025-06-01,{word}" for word in ("perhaps", "yes", "ja", "no")]

    with pytest.raises(RecordsFileError) as refused:
        parse_records(rows(*bad), TODAY, file="queens.csv")

    text = str(refused.value)
    assert [p.row for p in refused.value.problems] == [2, 4]
    assert text.startswith("queens.csv: 2 things are wrong, and nothing was learnt from it:")
    assert "row 2, success: 'perhaps' is neither yes, no nor unknown. Write one of these." in text


def test_of_very_many_faults_the_message_shows_the_first_twenty() -> None:
    with pytest.raises(RecordsFileError) as refused:
        parse_records(rows(*["Home,2025-06-01,hm"] * 50), TODAY)

    assert len(refused.value.problems) == 50
    assert "and 30 more" in str(refused.value)
    assert str(refused.value).count("row ") == 20


def test_columns_that_are_missing_unknown_or_there_twice_are_told() -> None:
    assert problems("site,grafted,success,success\n") == [
        (1, "grafted_on", "there is no such column"),
        (1, "grafted", "there is no such column"),
        (1, "success", "this column is there twice"),
    ]


@pytest.mark.parametrize("text", ["", HEAD, HEAD + "\n\n \n"])
def test_a_file_without_records_is_refused(text: str) -> None:
    assert problems(text)


def test_files_that_cannot_be_read_end_in_one_message(tmp_path: Path) -> None:
    latin = tmp_path / "latin.csv"
    latin.write_bytes((HEAD + "\nHöhe,2025-06-01,yes\n").encode("latin-1"))

    for path, what in ((tmp_path / "none.csv", "no such file"), (latin, "not UTF-8"), (tmp_path, "cannot be read")):
        with pytest.raises(InputError, match=what):
            read_records(path, TODAY)


CELLS = st.one_of(
    st.text(max_size=12), st.sampled_from(["yes", "no", "2025-06-01", "2025-07-01", "0.5", "3", "Home", '"'])
)


@given(
    st.lists(st.sampled_from([*COLUMNS, "other", ""]), max_size=8), st.lists(st.lists(CELLS, max_size=8), max_size=4)
)
@settings(max_examples=300, deadline=None)
def test_whatever_stands_in_a_file_it_gives_records_or_a_list_of_what_is_wrong(
    head: list[str], lines: list[list[str]]
) -> None:
    text = "\n".join(",".join(line) for line in [head, *lines])
    told: tuple[object, ...] = ()
    try:
        told = tuple(parse_records(text, TODAY))
    except RecordsFileError as refused:
        told = refused.problems

    assert told
