"""Records, their history, tokens and feeds as Rich tables. Everything is read from the report."""

from __future__ import annotations

import re
from typing import Any

from rich import box
from rich.table import Table
from rich.text import Text

from matewindow.register.rows import WORDS

Report = dict[str, Any]
_COLUMNS = {
    "site": ("id", "name", "latitude", "longitude", "elevation_m", "timezone"),
    "builder": ("id", "name", "site_id", "kind", "strength_frames", "recovering_until"),
    "batch": ("id", "name", "site_id", "grafted_on", "emerged_on", "ended_on"),
    "nuc": ("id", "name", "site_id", "batch_id", "cell_placed_on", "emerged_on", "outcome"),
    "check": ("id", "batch_id", "nuc_id", "day", "saw"),
}


def plain(value: object) -> str:
    """A value in a cell."""
    if value is None:
        return "-"
    if isinstance(value, bool):
        return "yes" if value else "no"
    if isinstance(value, dict):
        return ", ".join(f"{k} {plain(v)}" for k, v in value.items()) or "-"
    return f"{value:g}" if isinstance(value, float) else str(value)


def table_of(names: tuple[str, ...], rows: list[list[str]]) -> Table:
    """A table of text, without markup."""
    table = Table(box=box.SIMPLE_HEAD, show_edge=False, show_header=any(names), padding=(0, 1, 0, 0), pad_edge=False)
    for name in names:
        table.add_column(name, overflow="fold", no_wrap=name == "id")  # an id is there to be copied
    for row in rows:
        table.add_row(*(Text(cell) for cell in row))
    return table


def record_tables(row: Report) -> list[Any]:
    """One record, a field a line."""
    rows = [[name, plain(value)] for name, value in row.items()]
    return [table_of(("field", "value"), rows)]


def list_tables(kind: str, report: Report) -> list[Any]:
    """Records, one a line."""
    names = _COLUMNS[kind]
    if not report["items"]:
        return [Text(f"There is no such {WORDS[kind]}.")]
    rows = [[plain(row[name]) for name in names] for row in report["items"]]
    return [table_of(names, rows)]


def history_tables(report: Report) -> list[Any]:
    """What was done, one step a line, with the fields that it changed."""
    rows = [[_to_the_second(s["at"]), s["who"], s["action"], str(s["version"]), _changed(s)] for s in report["items"]]
    return [table_of(("when", "who", "what", "version", "fields"), rows)]


def _to_the_second(value: str) -> str:
    """A time without its fractions, which nobody reads in a table; anything else as it is."""
    return re.sub(r"^(\d{4}-\d\d-\d\dT\d\d:\d\d:\d\d)\.\d+Z$", r"\1Z", value)


def _changed(step: Report) -> str:
    before = step["before"] or {}
    own = {"id", "version", "created_at", "changed_at"}
    fields = [(k, v) for k, v in step["after"].items() if k not in own and (k not in before or before[k] != v)]
    if not before:
        return ", ".join(f"{k} {plain(v)}" for k, v in fields if v not in (None, "", {}))
    return ", ".join(f"{k} {plain(before.get(k))} → {plain(v)}" for k, v in fields)


def access_tables(title: str, report: Report) -> list[Any]:
    """Tokens or feeds, one a line."""
    if not report["items"]:
        return [Text(f"There are no {title}.")]
    names = tuple(report["items"][0])
    return [table_of(names, [[_to_the_second(plain(row[n])) for n in names] for row in report["items"]])]


def secret_tables(report: Report, what: str) -> list[Any]:
    """A new secret, which is shown now and never again."""
    hidden = {"last_used_at", "revoked_at", "token", "path"}
    shown = {k: v for k, v in report.items() if k not in hidden and v is not None}
    note = Text(f"This is shown now and never again; whoever has it may use the {what}:")
    return [table_of(("", ""), [[k, plain(v)] for k, v in shown.items()]), note]
