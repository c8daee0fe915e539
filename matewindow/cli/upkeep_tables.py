"""What a backup, a restore or the doctor did, as Rich tables. Everything is read from the report."""

from __future__ import annotations

from typing import Any

from rich.table import Table
from rich.text import Text

from matewindow.cli.record_tables import table_of

Report = dict[str, Any]
_STYLES = {"ok": "green", "note": "", "warning": "yellow", "fault": "bold red"}
_SAID = {
    "ok": "All is well.",
    "note": "All is well.",
    "warning": "It works, but something should be seen to.",
    "fault": "Something does not work.",
}


def backup_tables(report: Report) -> list[Any]:
    """What is in it."""
    rows = [[name, str(n)] for name, n in report["rows"].items() if n]
    size = f"{report['size_bytes']:,} bytes"
    out: list[Any] = [Text(f"Backed up and proven: {report['target']} ({size})"), table_of(("table", "rows"), rows)]
    if report["form"] == "json":
        out.append(Text("This is an export: tokens, webhooks and feeds are not in it. For those use pg_dump."))
    else:
        out.append(Text("It holds everything, secrets too: keep it where others cannot read it.", style="dim"))
    return out


def restore_tables(report: Report) -> list[Any]:
    """What came back, and where the other register is."""
    rows = [[name, str(n)] for name, n in report["rows"].items() if n]
    out: list[Any] = [Text(f"Brought back into {report['register']}:"), table_of(("table", "rows"), rows)]
    if report["kept"]:
        out.append(Text(f"What was there before is kept as {report['kept']}."))
    if report["while_in_use"]:
        out.append(Text("It was written while others had it open: they see it from now on."))
    if report["without_secrets"]:
        out.append(Text("There are no tokens, webhooks and feeds in it: make them anew."))
    else:
        out.append(Text("Tokens are as they were then: revoke again what was revoked since."))
    return out


def doctor_tables(report: Report) -> list[Any]:
    """What was found, the worst last."""
    grid = Table.grid(padding=(0, 2))
    for _ in range(3):
        grid.add_column(overflow="fold")
    for finding in sorted(report["findings"], key=lambda f: list(_STYLES).index(f["state"])):
        said = Text(finding["what"] + (f". {finding['fix']}" if finding["fix"] else ""))
        grid.add_row(Text(finding["state"], style=_STYLES[finding["state"]]), Text(finding["about"]), said)
    return [grid, Text(""), Text(_SAID[report["state"]], style="bold")]
