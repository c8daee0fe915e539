"""Any text is stored and found as text, or refused in words: the same on both databases."""

from __future__ import annotations

from datetime import date
from typing import TYPE_CHECKING, Any

import pytest
import sqlalchemy as sa
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from matewindow.errors import NotThereError, RefusedError
from matewindow.register.records import KINDS, storable
from matewindow.register.register import Filter
from matewindow.register.tables import ENTITIES
from tests.register.made import GRAFT, ME, SITE, add_batch, add_site, check_laws, everything, refusals

if TYPE_CHECKING:
    from matewindow.register.register import Register

SQL = [
    "'; DROP TABLE sites; --",
    "' OR '1'='1",
    '" OR ""="',
    "x' UNION SELECT hash FROM tokens --",
    "1; DELETE FROM batches",
    "Robert'); DROP TABLE changes;--",
    "%(name)s %s :name ? {0} $1 \\",
    "\\'; COMMIT; --",
    "pg_sleep(10)",
    "/* comment */",
    "_%",
    "NULL",
]
REFUSED = {
    f"U+{n:04X}": chr(n) for n in (0, 1, 7, 8, 0x0B, 0x0C, 0x0D, 0x1B, 0x1F, 0x7F, 0x80, 0x85, 0x9F, 0xD800, 0xDFFF)
}
TEXT_FIELDS = [
    ("site", "name"),
    ("site", "notes"),
    ("builder", "name"),
    ("builder", "notes"),
    ("batch", "name"),
    ("batch", "breeder_queen"),
    ("batch", "drone_stock"),
    ("batch", "notes"),
    ("nuc", "name"),
    ("nuc", "outcome_reason"),
    ("nuc", "notes"),
    ("check", "notes"),
]


def whole(register: Register, kind: str) -> dict[str, Any]:
    """A record of a kind that can be stored, with all that it stands on."""
    if kind == "site":
        return dict(SITE)
    site = add_site(register)
    return {
        "builder": {"site_id": site, "name": "Builder"},
        "batch": {"site_id": site} | GRAFT,
        "nuc": {"site_id": site, "name": "Nuc"},
        "check": {"batch_id": add_batch(register, site), "day": "2026-06-25", "saw": "eggs"},
    }[kind]


def test_no_text_field_is_forgotten_here() -> None:
    free = {
        (kind, name)
        for kind, fields in KINDS.items()
        for name, field in fields.model_fields.items()
        if field.annotation is str and not name.endswith("_id") and name != "timezone"
    }
    assert free == set(TEXT_FIELDS)


@pytest.mark.parametrize(("kind", "field"), TEXT_FIELDS)
def test_sql_in_a_text_field_is_stored_and_found_as_text(register: Register, kind: str, field: str) -> None:
    made = whole(register, kind)
    rows = {text: register.add(kind, made | {field: text}, text) for text in SQL}
    for text, row in rows.items():
        assert register.get(kind, row["id"])[field] == text
        found = register.every(kind, Filter(equal={field: text}))
        assert [r["id"] for r in found] == [row["id"]], "nothing but itself"
        assert register.change(kind, row["id"], {field: text[::-1]}, text)[field] == text[::-1].strip()
        history = register.history(kind, row["id"])
        assert [step["who"] for step in history] == [text, text]
        assert history[0]["after"][field] == text
    check_laws(register)


@pytest.mark.parametrize("kind", ENTITIES)
def test_sql_in_a_filter_finds_nothing_and_breaks_nothing(register: Register, kind: str) -> None:
    register.add(kind, whole(register, kind), ME)
    names = [column.name for column in ENTITIES[kind].c if isinstance(column.type, sa.Text)]
    before = {k: everything(register, k) for k in ENTITIES}
    for text in SQL:
        for name in names:
            assert register.every(kind, Filter(equal={name: text})) == []
        assert register.page(kind, after="~" + text).rows == []
        with pytest.raises(NotThereError):
            register.get(kind, text)
    assert {k: everything(register, k) for k in ENTITIES} == before


@pytest.mark.parametrize("char", REFUSED.values(), ids=REFUSED)
def test_control_characters_and_halves_of_characters_are_refused_in_every_text(register: Register, char: str) -> None:
    for kind, field in TEXT_FIELDS:
        made = whole(register, kind)
        before = len(everything(register, kind))
        with pytest.raises(RefusedError) as caught:
            register.add(kind, made | {field: f"be{char}e"}, ME)
        assert refusals(caught.value) == [
            (field, f"a control character (U+{ord(char):04X}) cannot be stored; leave it out")
        ]
        assert len(everything(register, kind)) == before


@pytest.mark.parametrize("char", REFUSED.values(), ids=REFUSED)
def test_asked_for_what_no_text_can_hold_the_register_finds_nothing(register: Register, char: str) -> None:
    site = add_site(register)
    assert register.every("site", Filter(equal={"name": char})) == []
    assert register.every("site", Filter(at_least={"name": char})) == []
    assert register.every("site", Filter(at_most={"name": char})) == []
    assert register.page("site", after=char).rows == []
    assert register.page("batch", Filter(equal={"site_id": site + char})).rows == []


@pytest.mark.parametrize("char", REFUSED.values(), ids=REFUSED)
def test_they_are_refused_in_ids_keys_choices_and_zones_too(register: Register, char: str) -> None:
    site = add_site(register)
    for kind, fields in (
        ("site", SITE | {"timezone": f"Europe/London{char}"}),
        ("site", SITE | {"thresholds": {f"strict_temp_c{char}": 16.0}}),
        ("site", SITE | {f"na{char}me": "x"}),
        ("batch", {"site_id": site + char} | GRAFT),
        ("batch", {"site_id": site, "kept_in": f"builder{char}"} | GRAFT),
        ("batch", {"site_id": site, "grafted_on": f"2026-06-01{char}"}),
        ("batch", {"site_id": site, "grafted_at": f"14:30{char}"} | GRAFT),
    ):
        with pytest.raises(RefusedError) as caught:
            register.add(kind, fields, ME)
        str(caught.value).encode("utf-8")  # and the words themselves can be sent to anybody


def test_line_breaks_of_every_system_are_kept_as_line_feeds(register: Register) -> None:
    notes = "one\r\ntwo\nthree\tand a tab"
    assert register.add("site", SITE | {"notes": notes}, ME)["notes"] == "one\ntwo\nthree\tand a tab"


def test_names_lose_only_the_blanks_around_them(register: Register) -> None:
    assert register.add("site", SITE | {"name": "  Two  words \t"}, ME)["name"] == "Two  words"


@given(text=st.text(st.characters(exclude_categories=["Cs", "Cc"]), min_size=1, max_size=200), data=st.data())
@settings(max_examples=60, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
def test_any_other_text_comes_back_as_it_went_in(register: Register, text: str, data: st.DataObject) -> None:
    assert storable(text)
    site = add_site(register)
    kind, field = data.draw(st.sampled_from([pair for pair in TEXT_FIELDS if pair[0] == "batch"]))
    row = register.add(kind, {"site_id": site, field: text, "grafted_on": date(2026, 6, 1)}, ME)
    assert register.get(kind, row["id"])[field] == text
    assert row["id"] in {r["id"] for r in register.every(kind, Filter(equal={field: text, "site_id": site}))}
    assert register.history(kind, row["id"])[0]["after"][field] == text
