"""What an export or import did, as Rich tables. Everything is read from the report."""

from __future__ import annotations

from typing import Any

from rich.text import Text

from matewindow.cli.record_tables import table_of

Report = dict[str, Any]
_FATES = ("added", "changed", "same", "kept")


def export_tables(report: Report) -> list[Any]:
    """Rows by table, and what was left out."""
    rows = [[name, str(n)] for name, n in report["rows"].items() if n]
    left = ", ".join(f"{name} {n}" for name, n in report["left_out"].items()) or "there are none"
    out = [Text(f"Written to {report['target']}:"), table_of(("table", "rows"), rows)]
    if report["form"] == "spreadsheet":
        return [*out, Text("These files are for looking at; they cannot be imported.", style="dim")]
    note = f"Secrets and work of this machine are not in it ({left}): make tokens, webhooks and feeds anew."
    return [*out, Text(note, style="dim")]


def import_tables(report: Report, *, dry_run: bool) -> list[Any]:
    """What was or would be done, by table; then everything that is wrong."""
    if not report["problem_count"] or report["tables"]:
        title = "Imported" if report["written"] else "This would be done"
        rows = [[name, *(str(n.get(fate) or "-") for fate in _FATES)] for name, n in report["tables"].items() if n]
        out: list[Any] = [Text(f"{title}, from {report['source']}:"), table_of(("table", *_FATES), rows)]
    else:
        out = []
    if report["history_left"]:
        n = report["history_left"]
        out.append(Text(f"Not taken over: {n} steps of histories of records that the register has.", style="dim"))
    if not report["problem_count"]:
        return [*out, *([Text("Nothing is wrong; nothing was written.")] if dry_run else [])]
    lines = [Text(problem["text"], style="yellow") for problem in report["problems"]]
    more = report["problem_count"] - len(lines)
    rest = [Text(f"... and {more} more.")] if more else []
    n = report["problem_count"]
    return [*out, *lines, *rest, Text(f"{n} problem{'' if n == 1 else 's'}; nothing was written.", style="bold")]
