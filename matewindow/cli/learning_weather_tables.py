"""Tables of what stored runs of the forecast teach."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from rich.text import Text

from matewindow.cli.layout import new_table
from matewindow.cli.learning_tables import nats_lines

if TYPE_CHECKING:
    from rich.table import Table

Report = dict[str, Any]

_TITLES = {
    "forecast-weight": "Weight of the forecast",
    "day-recalibration": "Odds of a flying day",
    "bias": "What the runs get wrong",
}
_VARIABLES = {"temp_c": "temperature", "wind_ms": "wind", "rain_mm": "wet hours"}


def weather_tables(report: Report) -> list[Any]:
    """What there is, how much the forecast counts at each lead, and what became of each thing that may be learnt."""
    runs = sum(site["runs"] for site in report["sites"])
    title = (
        f"{_number(runs, 'run')} at {_number(len(report['sites']), 'site')} in "
        f"{_number(len(report['seasons']), 'season')}: {_number(report['cases'], 'day')} forecast, "
        f"{report['flying_days']:,} of them flying days"
    )
    out: list[Any] = [Text(title, style="bold")]
    out += [Text(f"  {_number(n, 'day')} left out: {why}.", style="dim") for why, n in report["set_aside"].items()]
    out.append(Text(""))
    for finding in report["findings"]:
        out += _finding_lines(finding, dry_run=report["dry_run"])
    return out + nats_lines(report["findings"])


def _finding_lines(finding: Report, *, dry_run: bool) -> list[Any]:
    lines: list[Any] = [Text(f"{_TITLES[finding['kind']]}: {finding['sentence']}")]
    lines += [Text(f"  {_number(n, 'day')} set aside: {why}.", style="dim") for why, n in finding["set_aside"].items()]
    if finding["model"] is not None:
        lines.append(Text(f"  Kept. Put it to use with: matewindow models use {finding['model']}"))
    elif finding["earned"] and dry_run:
        lines.append(Text("  It has earned its use, but nothing is kept: this was a dry run."))
    if finding["rows"]:
        lines.append(Text(""))
        lines.append(_weights(finding["rows"]) if finding["kind"] == "forecast-weight" else _errors(finding["rows"]))
    return [*lines, Text("")]


def _weights(rows: list[Report]) -> Table:
    table = new_table("Weight of the forecast against past years")
    for name in ("days ahead", "cases", "in use", "best on its own", "fitted"):
        table.add_column(name, justify="right", overflow="fold")
    for row in rows:
        table.add_row(
            str(row["lead"]), f"{row['cases']:,}", *(_share(row[name]) for name in ("in_use", "alone", "fitted"))
        )
    return table


def _errors(rows: list[Report]) -> Table:
    """Of afternoons, when queens fly; all of them stand in the JSON."""
    table = new_table("Afternoons: mean of runs and of the record")
    for name in ("site", "what", "days ahead"):
        table.add_column(name, overflow="fold")
    for name in ("days", "forecast", "record"):
        table.add_column(name, justify="right", overflow="fold")
    for row in rows:
        if row["hours"] == "afternoon":
            first, last = row["leads"]
            said = (_amount(row, name) for name in ("forecast", "analysis"))
            table.add_row(row["site"], _VARIABLES[row["variable"]], f"{first} to {last}", str(row["days"]), *said)
    return table


def _amount(row: Report, name: str) -> str:
    if row["variable"] == "rain_mm":
        return f"{row[name]:.0%}".replace("%", " %")
    return f"{row[name]:.1f} {'°C' if row['variable'] == 'temp_c' else 'm/s'}"


def _share(value: float | None) -> str:
    return "-" if value is None else f"{value:.2f}"


def _number(n: int, what: str) -> str:
    return f"{n:,} {what}{'' if n == 1 else 's'}"
