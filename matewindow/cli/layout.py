"""What the tables of all reports look like: head, foot, ranges, days."""

from __future__ import annotations

from datetime import date, datetime
from typing import Any

from rich import box
from rich.table import Table
from rich.text import Text

from matewindow.words import percent

_PARTS = {"run": "forecast", "members": "ensemble"}


def title_of(report: dict[str, Any], what: str) -> str:
    """Whose report it is, what it is about and when it was made."""
    now = datetime.fromisoformat(report["now"])
    return f"{report['site']['name']}: {what}, as of {weekday(now.date().isoformat())} {now:%Y %H:%M}"


def bold(text: str) -> Text:
    """A line that matters most."""
    return Text(text, style="bold")


def new_table(title: str | None) -> Table:
    """A table without rows and columns."""
    return Table(
        title=None if title is None else Text(title, style="italic"),
        title_justify="left",
        box=box.SIMPLE_HEAD,
        padding=(0, 1, 0, 0),
        pad_edge=False,
    )


def foot(report: dict[str, Any]) -> list[Text]:
    """What every report ends with: its warnings, what it stands on, licences and cautions."""
    lines = [Text(f"! {w}", style="yellow") for w in report["warnings"]]
    made = [f"{_PARTS[s['part']]} of {weekday(s['made_on'])}" for s in report["sources"] if s["made_on"]]
    if made:
        lines.append(Text("Stands on " + ", ".join(made) + ".", style="dim"))
    model = report.get("model") or ""  # outlooks that earlier versions of the program issued do not tell
    if "+" in model:  # the literature's own version is without
        lines.append(Text(f"Model: {model}, learnt from records.", style="dim"))
    licences = sorted({s["licence"] for s in report["sources"]})
    lines.append(Text("Source and terms of the weather: " + "; ".join(licences), style="dim"))
    lines += [Text(c, style="dim") for c in report["cautions"]]
    return lines


def between(range_: list[float] | None) -> str:
    """A range of odds in brackets, never 0 or 100; empty where it is not known."""
    return "" if range_ is None else f" ({percent(range_[0])[:-2]}-{percent(range_[1])[:-2]})"


def weekday(iso: str) -> str:
    """A day as people say it."""
    day = date.fromisoformat(iso)
    return f"{day:%a} {day.day} {day:%b}"
