"""A register with something of everything in it, and what tests say about it. All records are invented."""

from __future__ import annotations

import gzip
import json
from datetime import timedelta
from typing import TYPE_CHECKING, Any

import sqlalchemy as sa

from matewindow.register.access import Access
from matewindow.register.carried import TABLES, in_order
from matewindow.register.ids import new_id
from matewindow.register.interchange import export_from, import_into
from matewindow.register.tables import Instant, batch_state, calendar_stamps, outlooks, warnings, webhooks
from tests.register.made import ME, NOON, add_batch, add_nuc, add_site

if TYPE_CHECKING:
    from pathlib import Path

    from matewindow.register.interchange import Imported
    from matewindow.register.register import Register

AWKWARD = (
    "=1+1", "+44", "-2", "@home", "\tx", "a,b", 'say "no"', "two\nlines", "\n", ",", '"', "é ß 蜂 🐝", "a;b", " x ", "\\",
    "\\\\n", "null", "NULL", "true", "1", "1e3", "2026-06-01", "\u2028", "\ufeff", "'", "",
)  # fmt: skip
"""Texts that a careless export would change."""
SECRET = "whsec_bm90IGEgc2VjcmV0IGJ1dCBpbnZlbnRlZA=="  # noqa: S105  invented


def fill(register: Register) -> dict[str, str]:
    """Records of every kind: added, changed, deleted, brought back, undone; and what was told of them."""
    site = add_site(
        register, name="=Orchard, upper", thresholds={"strict_temp_c": 17.5}, notes='a "b"\nc', latitude=-0.0
    )
    other = add_site(register, name="Høyfjell 🐝", quiet_from_h=11.0, quiet_to_h=16.0, warn_below=0.5)
    builder = register.add("builder", {"site_id": site, "name": "@2", "queenright": False}, ME)["id"]
    batch = add_batch(register, site, builder_id=builder, grafted_at="14:30", name="-June", larva_age_h=18.5)
    nuc = add_nuc(register, site, batch, broodless_since="2026-06-10")
    check = register.add("check", {"batch_id": batch, "nuc_id": nuc, "day": "2026-06-27", "saw": "eggs"}, ME)["id"]
    for n, text in enumerate(AWKWARD):
        made = add_batch(register, other, notes=text, name=text[:20].strip(), n_grafted=n)
        if n % 3 == 0:
            register.clock.step(seconds=1.25)  # type: ignore[attr-defined]
            register.change("batch", made, {"n_grafted": n + 1, "warn_below": 0.1}, "=the other keeper")
        if n % 5 == 0:
            register.delete("batch", made, ME)
        if n % 10 == 0:
            register.bring_back("batch", made, ME)
    register.undo("batch", made, ME)
    gone = register.add("nuc", {"site_id": other, "name": "Gone"}, ME)["id"]
    register.delete("nuc", gone, ME)
    tell_of(register, batch, site)
    return {"site": site, "other": other, "builder": builder, "batch": batch, "nuc": nuc, "check": check}


BODIES = (
    '{"name":"a","p_well_mated":0.5,"days":[1,2.0,1e-07],"b":{"z":1,"a":null},"a":"é 🐝"}',
    '{ "spaced": 1.50 }',
    '{"half":"\\ud800"}',
    '{"twice":1,"twice":2}',
)
"""Bodies that come out of a JSON parser as they went in, and others that do not."""


def tell_of(register: Register, batch: str, site: str) -> list[str]:
    """Outlooks, warnings, calendar entries, and secrets."""
    made = [new_id("outlook", NOON + timedelta(seconds=n)) for n in range(len(BODIES))]
    with register.database.write() as connection:
        for outlook_id, body in zip(made, BODIES, strict=True):
            row: dict[str, Any] = {
                "id": outlook_id, "batch_id": batch, "issued_at": NOON, "stands_on": "f" * 32, "parameters": "2026.1",
                "p_well_mated": 0.1 + 0.2, "p_well_mated_low": None, "p_well_mated_high": 1.0, "p_well_mated_usual": 0.0,
                "reading": {"b": [1, {"y": 2, "x": 1e-300}], "a": None}, "body": gzip.compress(body.encode(), mtime=0),
            }  # fmt: skip
            connection.execute(outlooks.insert().values(row))
        state = {"batch_id": batch, "outlook_id": made[-1], "judge": None, "trouble": "", "due_at": None}
        connection.execute(batch_state.insert().values(state))
        for cleared in (None, NOON + timedelta(hours=5)):
            warning: dict[str, Any] = {
                "id": new_id("warning", NOON), "batch_id": batch, "site_id": site, "outlook_id": made[0],
                "kind": "raised", "raised_at": NOON, "cleared_at": cleared, "cleared_by": cleared and made[1],
                "cleared_message": "", "cause": "rain", "message": "=rain, again", "data": {"odds": 0.25},
            }  # fmt: skip
            connection.execute(warnings.insert().values(warning))
        for uid, text in stamps(batch, register.instance()).items():
            connection.execute(calendar_stamps.insert().values(uid=uid, batch_id=batch, stamp=text))
        hook = {"id": new_id("webhook", NOON), "url": "https://example.org/hidden-path", "types": ["*"]}
        connection.execute(webhooks.insert().values(_whole(webhooks, hook | {"secrets": [SECRET]})))
    access = Access(register.database, register.clock)
    access.new_token("the phone", "manage")
    access.new_feed("the calendar", "calendar", site)
    return made


def _whole(table: sa.Table, row: dict[str, Any]) -> dict[str, Any]:
    """A row with something in every column that must hold something."""
    plain: dict[type, Any] = {sa.Text: "", sa.Integer: 0, sa.JSON: [], Instant: NOON}
    needed = [c for c in table.c if not c.nullable and c.name not in row]
    return {c.name: plain[type(c.type)] for c in needed} | row


def stamps(batch: str, instance: str) -> dict[str, str]:
    """A ledger of two calendar entries."""
    from datetime import date

    from matewindow.feeds.entries import Entry
    from matewindow.feeds.stamps import restamp, stamp_to_text

    entries = [
        Entry(batch, key, instance, "Look, and =look", "é; \n", date(2026, 6, 1), date(2026, 6, 2))
        for key in ("look", "move-cells")
    ]
    return {uid: stamp_to_text(stamp) for uid, stamp in restamp({}, entries, NOON).items()}


def exported(register: Register, target: Path) -> dict[str, bytes]:
    """The bytes of a fresh export, by the names of its files."""
    export_from(register.database, target)
    return contents(target)


def contents(target: Path) -> dict[str, bytes]:
    files = sorted(target.iterdir()) if target.is_dir() else [target]
    return {("" if file == target else file.name): file.read_bytes() for file in files}


def take_in(register: Register, source: Path, **options: Any) -> Imported:
    return import_into(register, source, ME, **options)


def everything_in(register: Register) -> dict[str, list[dict[str, Any]]]:
    """All carried rows, as they are stored; bodies unpacked."""
    found: dict[str, list[dict[str, Any]]] = {}
    with register.database.read() as connection:
        for name, table in TABLES.items():
            rows = connection.execute(in_order(table, connection.dialect.name)).mappings()
            found[name] = [{k: gzip.decompress(v) if k == "body" else v for k, v in row.items()} for row in rows]
    return found


def n_rows(register: Register, table: sa.Table) -> int:
    with register.database.read() as connection:
        return connection.execute(sa.select(sa.func.count()).select_from(table)).scalar_one()


def said(problems: list[Any]) -> set[tuple[str, int, str]]:
    """Where something is wrong: table, row, field."""
    return {(p.place.table, p.place.row, p.field) for p in problems}


def edited(source: Path, change: Any) -> None:
    """An export as somebody edits it: without its seal."""
    document = json.loads(source.read_text(encoding="utf-8"))
    del document["sha256"], document["rows"]
    change(document["tables"])
    source.write_text(json.dumps(document), encoding="utf-8")
