"""What an export carries: which tables and columns, in which order, and how a value is written.

The same rules serve both forms. As JSON a value is what JSON has for it; as CSV it is text, by these rules:

* numbers and dates as in JSON, without quotes of their own; true and false in these words; JSON in one line;
* an empty field is null in a column that may be null, and empty text in one that may not;
* in a column of text that may be null, text that is empty or begins with a backslash has one more backslash put before
  it, so that null and empty text are told apart and nothing is lost.
"""

from __future__ import annotations

import gzip
import json
import re
import zlib
from datetime import date, datetime, time
from typing import TYPE_CHECKING, Any

import sqlalchemy as sa

from matewindow.register.records import as_data
from matewindow.register.tables import (
    ENTITIES,
    Instant,
    batch_state,
    calendar_stamps,
    changes,
    meta,
    outlooks,
    warnings,
)
from matewindow.register.troubles import damaged

if TYPE_CHECKING:
    from collections.abc import Mapping

Row = dict[str, Any]
FORMAT = "matewindow register"
VERSION = 1
TABLES: dict[str, sa.Table] = {
    table.name: table for table in (*ENTITIES.values(), changes, outlooks, batch_state, warnings, calendar_stamps, meta)
}
"""What is carried, parents before children."""
KIND_OF: dict[str, str] = {table.name: kind for kind, table in ENTITIES.items()}
"""Kinds of records by the names of their tables."""
LEFT_OUT = {
    "tokens": "secrets",
    "feeds": "secrets",
    "webhooks": "secrets",
    "idempotency": "secrets",
    "events": "on their way to webhooks",
    "deliveries": "on their way to webhooks",
    "jobs": "work of this machine",
    "leases": "work of this machine",
    "site_state": "work of this machine",
    "site_weather": "work of this machine",
    "site_records": "work of this machine",
    "site_past": "work of this machine",
}
"""What is left out, and as what."""
MEMORY = ("batch_state", "calendar_stamps", "meta")
"""Tables that remember what was told to whom: taken over with new batches only, never changed for those there are."""
_COUNTED = {"changes": "seq"}
"""Numbers that a database gives by itself. The order of the rows stands for them."""
_NUMBER = re.compile(r"[-+]?(\d+\.?\d*|\.\d+)([eE][-+]?\d+)?", re.ASCII)
_WHOLE = re.compile(r"[-+]?\d{1,18}", re.ASCII)
_YES = {"true": True, "yes": True, "false": False, "no": False}


def columns_of(table: sa.Table) -> list[sa.Column[Any]]:
    """The columns that are carried, in their order."""
    return [c for c in table.c if c.name != _COUNTED.get(table.name)]


def in_order(table: sa.Table, dialect: str) -> sa.Select[Any]:
    """The statement that reads a table in the order of an export: the same on every database."""
    query = sa.select(*columns_of(table))
    if table.name in _COUNTED:
        return query.order_by(table.c[_COUNTED[table.name]])
    (key,) = table.primary_key.columns
    # other collations of PostgreSQL pass over hyphens and underscores
    return query.order_by(sa.collate(key, "C") if dialect == "postgresql" else key)


def is_body(column: sa.Column[Any]) -> bool:
    """Whether a column holds packed JSON text."""
    return isinstance(column.type, sa.LargeBinary)


# --- out of the database ------------------------------------------------------------------------------------------


def as_json_text(table: sa.Table, row: Mapping[str, Any]) -> str:
    """A row as a JSON object in one line, the same for the same row wherever it is stored.

    Raises:
        UnavailableError: a value that cannot have been written.
    """
    parts = [f"{json.dumps(c.name)}: {_json_value(table, c, row[c.name])}" for c in columns_of(table)]
    return "{" + ", ".join(parts) + "}"


def as_cells(table: sa.Table, row: Mapping[str, Any]) -> list[str]:
    """The same row as text for each column, by the rules above."""
    return [_cell(table, c, row[c.name]) for c in columns_of(table)]


def _json_value(table: sa.Table, column: sa.Column[Any], value: Any) -> str:  # noqa: ANN401  a column's value
    if value is None:
        return "null"
    if is_body(column):
        text = unpacked(table, value)
        return text if _is_canonical(text) else dumped(text)
    return dumped(_plain(column, value))


def _cell(table: sa.Table, column: sa.Column[Any], value: Any) -> str:  # noqa: ANN401  a column's value
    if value is None:
        return ""
    if is_body(column):
        return unpacked(table, value)
    plain = _plain(column, value)
    if not isinstance(plain, str) or isinstance(column.type, sa.JSON):
        return dumped(plain, compact=True)
    if _may_be_escaped(column) and plain[:1] in {"", "\\"}:
        return "\\" + plain
    return plain


def _may_be_escaped(column: sa.Column[Any]) -> bool:
    return isinstance(column.type, sa.Text) and bool(column.nullable)


def _plain(column: sa.Column[Any], value: Any) -> Any:  # noqa: ANN401  a column's value
    if isinstance(column.type, sa.Float):
        return float(value) + 0.0  # SQLite keeps no sign of a zero
    return as_data({"": value})[""] if isinstance(value, (date, time, datetime)) else value


def dumped(value: Any, *, compact: bool = False) -> str:  # noqa: ANN401  whatever JSON knows
    """JSON text with sorted keys; half characters, which UTF-8 does not know, as escapes."""
    separators = (",", ":") if compact else (", ", ": ")
    text = json.dumps(value, ensure_ascii=False, allow_nan=False, sort_keys=True, separators=separators)
    if text.isascii() or _encodable(text):
        return text
    return json.dumps(value, allow_nan=False, sort_keys=True, separators=separators)


def _encodable(text: str) -> bool:
    try:
        text.encode("utf-8")
    except UnicodeEncodeError:
        return False
    return True


def unpacked(table: sa.Table, value: bytes) -> str:
    """The text of a packed body.

    Raises:
        UnavailableError: it is damaged.
    """
    try:
        return gzip.decompress(value).decode("utf-8")
    except (OSError, EOFError, zlib.error, UnicodeDecodeError) as fault:
        raise damaged(f"table {table.name}", f"the text of a row cannot be unpacked: {fault}") from fault


def packed(text: str) -> bytes:
    """A body as the register keeps it."""
    return gzip.compress(text.encode("utf-8"), 6, mtime=0)


def body_text(value: dict[str, Any]) -> str:
    """The text of a body that stood in JSON as an object: keys in their own order, as it was issued."""
    return json.dumps(value, ensure_ascii=False, allow_nan=False, separators=(",", ":"))


def _is_canonical(text: str) -> bool:
    """Whether a text is an object that comes out letter by letter as it went in."""
    try:
        value = json.loads(text)
        return isinstance(value, dict) and body_text(value) == text
    except (ValueError, RecursionError):
        return False


# --- out of text --------------------------------------------------------------------------------------------------


def from_text(column: sa.Column[Any], text: str) -> Any:  # noqa: ANN401  what JSON would have there
    """A value that was typed or stood in a CSV file, as JSON would have it.

    Text that cannot be a value of the column comes back as it is: whoever checks the value says so.
    """
    if text == "" and column.nullable:
        return None
    if _may_be_escaped(column) and text.startswith("\\"):
        return text[1:]
    kind, bare = column.type, text.strip()
    if isinstance(kind, sa.Boolean):
        return _YES.get(bare.lower(), text)
    if isinstance(kind, sa.Integer) and _WHOLE.fullmatch(bare):
        return int(bare)
    if isinstance(kind, sa.Float) and _NUMBER.fullmatch(bare):
        return float(bare)
    return _parsed(text) if isinstance(kind, sa.JSON) else text


def _parsed(text: str) -> Any:  # noqa: ANN401  whatever JSON knows
    try:
        return json.loads(text)
    except (ValueError, RecursionError):
        return text


def is_instant(column: sa.Column[Any]) -> bool:
    """Whether a column holds instants."""
    return isinstance(column.type, Instant)
