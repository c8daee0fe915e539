"""Tables of what was learnt from records, and of the models there are."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from rich.text import Text

from matewindow.cli.layout import new_table
from matewindow.words import percent

if TYPE_CHECKING:
    from rich.table import Table

Report = dict[str, Any]
NATS = "A gain of 0.01 nats means that what came true had been given a probability about 1 % higher."


def learn_tables(report: Report) -> list[Any]:
    """What is to be asked, how often queens came good at each site, and what became of each kind of model."""
    ground = report["records"]
    open_ = ground["n"] - ground["successes"] - ground["failures"]
    title = (
        f"{_number(ground['n'], 'queen')} of {_number(len(ground['sites']), 'site')} and "
        f"{_number(len(ground['seasons']), 'season')}: {ground['successes']} came good, {ground['failures']} did not"
        + (f", of {open_} it is not known" if open_ else "")
    )
    out: list[Any] = [Text(title, style="bold"), Text("")]
    out += [Text(f"? {q['text']}", style="yellow") for q in report["questions"]]
    if report["sites"]:
        out += _rates(report)
    for finding in report["findings"]:
        out += _finding_lines(finding, dry_run=report["dry_run"])
    return out + nats_lines(report["findings"])


def nats_lines(findings: list[Report]) -> list[Text]:
    """What a nat is, where one was spoken of."""
    said = [f["sentence"] for f in findings] + [r["sentence"] for f in findings for r in f.get("remarks", ())]
    return [Text(NATS, style="dim")] if any(" nats " in sentence for sentence in said) else []


def _rates(report: Report) -> list[Any]:
    table = _table(f"Came good, beside the {percent(report['expected_success'])} expected", ("site",))
    for name in ("queens", "came good", "with the expectation", "5-95 %"):
        table.add_column(name, justify="right", overflow="fold")
    for site in report["sites"]:
        span = f"{percent(site['low'])} to {percent(site['high'])}"
        table.add_row(site["site"], str(site["n"]), str(site["successes"]), percent(site["mean"]), span)
    weight = _number(round(report["sites"][0]["n0"]), "queen")
    return [table, Text(f"The expectation counts for {weight} at each site.\n", style="dim")]


def _number(n: int, what: str) -> str:
    return f"{n} {what}{'' if n == 1 else 's'}"


_TITLES = {"flight-rate": "Flight rate", "recalibration": "Odds of being well mated"}


def _finding_lines(finding: Report, *, dry_run: bool) -> list[Any]:
    kind = finding["kind"]
    lines = [Text(f"{_TITLES.get(kind, kind)}: {finding['sentence']}")]
    lines += [
        Text(f"  {_number(n, 'queen')} set aside: {why}.", style="dim") for why, n in finding["set_aside"].items()
    ]
    lines += [Text(f"  {remark['sentence']}", style="dim") for remark in finding["remarks"]]
    if finding["model"] is not None:
        lines.append(Text(f"  Kept. Put it to use with: matewindow models use {finding['model']}"))
    elif finding["earned"] and dry_run:
        lines.append(
            Text("  It has earned its use, but nothing is kept: this was a dry run, or its weather is invented.")
        )
    return [*lines, Text("")]


def models_tables(report: Report) -> list[Any]:
    """All models, with what they were made from and which are in use."""
    table = _table("Models", ("", "name", "made", "beside"))
    for name in ("records", "gain"):
        table.add_column(name, justify="right", overflow="fold")
    for m in report["models"]:
        made = "-" if m["made_at"] is None else m["made_at"][:10]
        gain = "-" if m["gain"] is None else f"{m['gain']:+.4f}"
        records = "-" if m["records"] is None else f"{m['records']:,}"
        table.add_row("*" if m["in_use"] else "", m["name"], made, m["version"] or "damaged", records, gain)
    faults = [Text(f"! {m['fault']}", style="yellow") for m in report["models"] if m["fault"]]
    return [
        table,
        *faults,
        Text(
            "* in use. Beside: the version of the parameters that it goes with. Gain: how much better the odds were "
            f"on seasons or sites left out, in nats a record. {NATS}",
            style="dim",
        ),
    ]


def _table(title: str, columns: tuple[str, ...]) -> Table:
    table = new_table(title)
    for name in columns:
        table.add_column(name, overflow="fold")
    return table
