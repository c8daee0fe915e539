"""The laying report as tables. Everything is read from the report, so that table and JSON cannot differ."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from rich.text import Text

from matewindow.cli.layout import between, bold, foot, new_table, title_of, weekday
from matewindow.words import percent

if TYPE_CHECKING:
    from rich.table import Table

Report = dict[str, Any]


def laying_tables(report: Report) -> list[Any]:
    """The message, what a look would tell, what each choice comes to, day by day."""
    title = Text(title_of(report, "laying check"), style="italic")
    out: list[Any] = [*(bold(part) for part in report["message_parts"]), Text(""), title, Text("")]
    if report["check"] is not None:
        out.append(_look_table(report))
    if report["decision"] is not None:
        out += [_choice_table(report), _day_table(report), _key()]
    return [*out, *foot(report)]


_SAW = {"eggs": "eggs", "virgin": "her, without eggs", "nothing": "no eggs"}
_WHAT = {"ripe cell": "a ripe cell today", "mated queen": "a mated queen today", "unite": "unite the nuc today"}
_THEN = {"ripe cell": "ripe cell", "mated queen": "mated queen", "unite": "unite"}


def _look_table(report: Report) -> Table:
    check = report["check"]
    table = new_table(f"What a look on {weekday(check['date'])} would tell")
    for name in ("if you see", "how likely", "then well mated", "5-95 %"):
        table.add_column(name, justify="left" if name == "if you see" else "right", overflow="fold")
    for f in check["findings"]:
        odds = "cannot be" if f["p_well_mated"] is None else percent(f["p_well_mated"])
        table.add_row(_SAW[f["saw"]], percent(f["p"]), odds, _between(f["p_well_mated_range"]))
    return table


def _choice_table(report: Report) -> Table:
    table = new_table("If there are no eggs today")
    for name in ("choice", "good queen", "5-95 %", "first eggs about", "worth", ""):
        table.add_column(
            name, justify="right" if name in ("good queen", "5-95 %", "worth") else "left", overflow="fold"
        )
    for o in report["decision"]["options"]:
        what = _WHAT.get(o["what"]) or f"wait to {weekday(o['until'])}, then {_THEN[o['then']]}"
        if o["worth"] is None:
            table.add_row(what, "not known", "-", "-", "-", "")
            continue
        table.add_row(
            what,
            "-" if o["what"] == "unite" else percent(o["p_good"]),
            "-" if o["what"] == "unite" else _between(o["p_good_range"]),
            "-" if o["first_egg_mean"] is None else weekday(o["first_egg_mean"]),
            f"{o['worth']:+.1f}".replace("-0.0", "+0.0"),
            "equal" if o["tied_with_best"] else "",
        )
    return table


def _day_table(report: Report) -> Table:
    decision = report["decision"]
    table = new_table("Day by day")
    for name in ("no eggs by", "age", "how likely", "still good", "5-95 %", "with a ripe cell", ""):
        table.add_column(name, justify="left" if name in ("no eggs by", "") else "right", overflow="fold")
    for d in decision["days"]:
        cell = d["p_good_with_ripe_cell"]
        mark = "replace from" if d["date"] == decision["replace_on"] else "equal" if d["tied_with_best"] else ""
        table.add_row(
            weekday(d["date"]),
            str(d["age"]),
            percent(d["p_no_eggs_by_then"]) if d["date"] != decision["days"][0]["date"] else "-",
            percent(d["p_still_good_without_eggs"]),
            _between(d["p_still_good_range"]),
            "not known" if cell is None else percent(cell),
            mark,
        )
    return table


def _key() -> Text:
    return Text(
        "Still good: odds of a well mated queen if the nuc has no eggs by that day and is left. Worth: laying queens "
        "that the choice comes to, costs taken off. Equal: no real difference to the best.",
        style="dim",
    )


def _between(range_: list[float] | None) -> str:
    return between(range_).strip(" ()") or "-"
