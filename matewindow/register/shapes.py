"""A row from outside held against the shape of its table: columns, types, ids. See ``carried.py`` for what there is."""

from __future__ import annotations

import json
import math
from datetime import UTC, datetime
from typing import TYPE_CHECKING, Any

import sqlalchemy as sa

from matewindow.errors import RefusedError
from matewindow.register.carried import KIND_OF, TABLES, Row, body_text, columns_of, is_body, is_instant, packed
from matewindow.register.checking import checked
from matewindow.register.ids import is_id
from matewindow.register.records import KINDS, storable
from matewindow.register.register import OWN
from matewindow.register.rows import PARENTS, WORDS
from matewindow.register.tables import ENTITIES

if TYPE_CHECKING:
    from collections.abc import Mapping

Fault = tuple[str, str, str]
"""Field, what is wrong, what to do."""
_LARGEST = 2**31 - 1
_KEYS = {"outlooks": "outlook", "warnings": "warning"} | KIND_OF
"""Kind of the ids of a table."""
_NAMED = {"batch_id": "batch", "site_id": "site", "outlook_id": "outlook", "cleared_by": "outlook"}
_WHOLE_FIX = "A row with an id is a whole record of an export; leave id out to add a new one."
_INSTANT = "must be a time with its zone, such as 2026-06-01T12:00:00Z"


def unknown_columns(table: str, names: list[str]) -> list[Fault]:
    """Names that a table does not have, among those of a row or a file."""
    known = [c.name for c in columns_of(TABLES[table])]
    also = [name.removesuffix("_id") for name in PARENTS if name in TABLES[table].c] if table in KIND_OF else []
    return [
        (name[:64], f"{table} has no such column", f"The columns are {', '.join(known)}.")
        for name in names
        if name not in known and name not in also
    ]


def is_plain(table: str, raw: Mapping[str, Any]) -> bool:
    """Whether a row is a record that somebody wrote by hand: it has no id, so that it is to be added."""
    return table in KIND_OF and raw.get("id") in {None, ""}


def whole_row(table: str, raw: Mapping[str, Any]) -> tuple[Row, list[Fault]]:
    """A row of an export, with all its columns.

    Args:
        table: name of the table.
        raw: its values as JSON has them.

    Returns:
        The values as the database takes them, and all that is wrong; the values hold only where nothing is.
    """
    faults = unknown_columns(table, list(raw))
    kind = KIND_OF.get(table)
    mine = [c for c in columns_of(TABLES[table]) if kind is None or c.name in OWN]
    missing = [c.name for c in columns_of(TABLES[table]) if c.name not in raw]
    fix = _WHOLE_FIX if kind else ""
    faults += [(name, "is missing", fix) for name in missing]
    row: Row = {}
    for column in mine:
        if column.name in raw:
            row[column.name], said = _value(table, column, raw[column.name])
            faults += [(column.name, what, fix) for what in said]
    if kind is not None:
        given = {name: raw[name] for name in KINDS[kind].model_fields if name in raw}
        fields, said_of = fields_of(kind, given)
        row |= fields
        faults += [f for f in said_of if f[0] not in missing]
    if not faults:
        faults = _together(table, row)
    return row, faults


def fields_of(kind: str, given: Mapping[str, Any]) -> tuple[Row, list[Fault]]:
    """Fields that people write, checked by themselves."""
    try:
        row = checked(kind, given)
    except RefusedError as refused:
        return {}, refused.refusals
    for column in ENTITIES[kind].c:
        if isinstance(column.type, sa.Float) and row.get(column.name) is not None:
            row[column.name] = row[column.name] + 0.0  # SQLite keeps no sign of a zero
    return row, []


def _value(table: str, column: sa.Column[Any], raw: Any) -> tuple[Any, list[str]]:  # noqa: ANN401  as JSON has it
    """One value as the database takes it, and what is wrong with it."""
    if raw is None:
        return None, [] if column.nullable else ["must not be empty"]
    if is_instant(column):
        return _instant(raw)
    if is_body(column):
        return _body(raw)
    if isinstance(column.type, (sa.Integer, sa.Float)):
        return _number(column, raw)
    return raw, _json(raw) if isinstance(column.type, sa.JSON) else _text(table, column.name, raw)


def _number(column: sa.Column[Any], raw: Any) -> tuple[Any, list[str]]:  # noqa: ANN401  as JSON has it
    is_number = isinstance(raw, (int, float)) and not isinstance(raw, bool)
    if isinstance(column.type, sa.Integer):
        good = is_number and isinstance(raw, int) and 1 <= raw <= _LARGEST
        return raw, [] if good else ["must be a whole number above zero"]
    return (float(raw) + 0.0, []) if is_number and math.isfinite(raw) else (raw, ["must be a number"])


def _text(table: str, name: str, raw: object) -> list[str]:
    if not isinstance(raw, str):
        return ["must be text"]
    if not storable(raw):
        return ["holds a control character, which cannot be stored"]
    kind = _KEYS.get(table) if name == "id" else _NAMED.get(name)
    if kind is not None and not is_id(raw, kind):
        return [f"{raw[:40]!r} is no id of {'an' if kind == 'outlook' else 'a'} {WORDS.get(kind, kind)}"]
    return []


def _instant(raw: object) -> tuple[Any, list[str]]:
    try:
        moment = datetime.fromisoformat(raw) if isinstance(raw, str) and "T" in raw else None
        if moment is None or moment.tzinfo is None:
            return raw, [_INSTANT]
        return moment.astimezone(UTC), []
    except (ValueError, OverflowError):
        return raw, [_INSTANT]


def _body(raw: object) -> tuple[Any, list[str]]:
    """A body: an object, or its text where that cannot be written as an object."""
    try:
        if isinstance(raw, dict):
            return packed(body_text(raw)), []
        if isinstance(raw, str) and isinstance(json.loads(raw), dict):
            return packed(raw), []
    except (ValueError, RecursionError):
        pass
    return raw, ["must be a JSON object"]


def _json(raw: object) -> list[str]:
    if not isinstance(raw, dict):
        return ["must be a JSON object"]
    try:
        json.dumps(raw, allow_nan=False)
    except (ValueError, RecursionError):
        return ["holds a number that is none"]
    return []


def _together(table: str, row: Row) -> list[Fault]:
    """What cannot be between the columns of one row."""
    faults: list[Fault] = []
    if table in KIND_OF:
        if row["changed_at"] < row["created_at"]:
            faults.append(("changed_at", "lies before created_at", ""))
        if row["deleted_at"] is not None and row["deleted_at"] < row["created_at"]:
            faults.append(("deleted_at", "lies before created_at", ""))
    elif table == "changes":
        if row["kind"] not in KINDS:
            faults.append(("kind", f"must be {', '.join(KINDS)}", ""))
        elif not is_id(row["thing_id"], row["kind"]):
            faults.append(("thing_id", f"{row['thing_id'][:40]!r} is no id of a {WORDS[row['kind']]}", ""))
        if row["after"] is None:
            faults.append(("after", "must not be empty", ""))
    return faults
