"""Reports as Rich tables. Everything is read from the report, so that table and JSON cannot differ."""

from __future__ import annotations

from datetime import date, datetime
from typing import Any

from rich import box
from rich.table import Table
from rich.text import Text

from matewindow.words import percent

Report = dict[str, Any]
_FROM = {"observed": "measured", "forecast": "forecast", "past_years": "past years", "nothing": "no weather"}
_FATES = {
    "well_mated": "well mated",
    "under_mated": "under-mated",
    "late_mated": "mated late",
    "unmated": "unmated",
    "lost": "lost",
}
_CAUSES = {"cold": "cold", "heat": "heat", "wind": "wind", "rain": "rain", "light": "poor light"}


def graft_tables(report: Report) -> list[Any]:
    """The sentence, then the days, then what each limit means."""
    by = report["by"]
    table = _table(_title(report, "graft days"))
    table.add_column("graft on", no_wrap=True)
    table.add_column("in lay by then" if by else "well mated", justify="right", no_wrap=True)
    table.add_column("usual", justify="right", no_wrap=True)
    table.add_column("laying", justify="right", no_wrap=True)
    table.add_column("first eggs", no_wrap=True)
    table.add_column("flight h", justify="right", no_wrap=True)
    table.add_column("", no_wrap=True)
    for d in report["days"]:
        prime, (low, high) = d["prime_flight_hours"], d["p_well_mated_range"]
        odds = percent(d["p_in_lay_by"]) if by else f"{percent(d['p_well_mated'])} ({_pc(low)}-{_pc(high)})"
        usual = d["p_in_lay_by_usual"] if by else d["p_well_mated_usual"]
        table.add_row(
            _weekday(d["graft_date"]),
            odds,
            "-" if usual is None else percent(usual),
            f"{d['expected_laying']:.0f} ({d['laying_p10_p90'][0]}-{d['laying_p10_p90'][1]})",
            _span(d["first_egg"]["p10"], d["first_egg"]["p90"]),
            f"{prime['mean']:.0f} ({prime['p10']:.0f}-{prime['p90']:.0f})",
            "limited" if d["constraints"] else "best" if d["rank"] == 1 else "as good" if d["tied_with_best"] else "",
        )
    limits = [
        Text(f"{_weekday(d['graft_date'])} limited: {c['text']}.", style="yellow")
        for d in report["days"]
        for c in d["constraints"]
    ]
    key = Text(
        f"Odds: of one virgin in her nuc, with their 5-95 % range. Laying: queens of {report['grafts']} grafts, "
        "flight h: flight hours "
        "in the prime window (ages 6 to 14 days), each with its 10-90 % range.",
        style="dim",
    )
    return [_bold(report["recommendation"]["sentence"]), table, *limits, key, *_foot(report)]


def window_tables(report: Report) -> list[Any]:
    """The message, the odds, the days, the work."""
    odds = _table(_title(report, "odds of one virgin"))
    for name in ("", "odds", "5-95 %", "usual"):
        odds.add_column(name, justify="right" if name else "left", no_wrap=True)
    for key, name in (
        ("p_well_mated", "well mated"),
        ("risk_poor_mating", "poor mating, if not lost"),
        ("risk_delayed_laying", "good, but late into lay"),
    ):
        (low, high), usual = report[key + "_range"], report[key + "_usual"]
        odds.add_row(name, percent(report[key]), f"{_pc(low)}-{_pc(high)}", "-" if usual is None else percent(usual))
    fates = Text("Of 100 virgins: " + ", ".join(f"{n} {_FATES[f]}" for f, n in _of_hundred(report["fates"])) + ".\n")
    days = _table("Flight hours by day")
    for name in ("day", "age", "hours", "10-90 %", "usual", "lost to", "stands on"):
        days.add_column(name, justify="left" if name in ("day", "lost to", "stands on") else "right", no_wrap=True)
    for d in report["days"]:
        kind = max(d["shares"], key=lambda k: d["shares"][k])
        days.add_row(
            _weekday(d["date"]),
            str(d["age"]),
            f"{d['effective_hours']:.1f}",
            f"{d['effective_hours_p10']:.1f}-{d['effective_hours_p90']:.1f}",
            "-" if d["usual_hours"] is None else f"{d['usual_hours']:.1f}",
            _spoiled(d["spoiled_by"], most=2),
            _FROM[kind] if d["shares"][kind] > 0.995 else f"{_pc(d['shares'][kind])}% {_FROM[kind]}",
            style="" if d["prime"] else "dim",
        )
    work = _table("Dates and work")
    for name in ("date", "what", "work"):
        work.add_column(name, no_wrap=name == "date")
    for e in report["timeline"]:
        sure = e["earliest"] == e["latest"]
        when = _weekday(e["date"]) + ("" if sure else f"\n({_span(e['earliest'], e['latest'])})")
        work.add_row(when, e["event"], e["work"] + (f" {e['caution']}" if e["caution"] else ""))
    return [_bold(report["message"]), odds, fates, days, work, *_foot(report)]


def hours_tables(report: Report) -> list[Any]:
    """A heading and a table for each day."""
    out: list[Any] = [Text(_title(report, "flight hours") + "\n", style="italic")]
    for d in report["days"]:
        whole = "missing" if d["effective_hours"] is None else f"{d['effective_hours']:.1f} flight hours"
        series = {"forecast": f" of {d['series']} members", "past_years": f" ({d['series']})"}.get(d["from"], "")
        ground = _FROM[d["from"]] + (series if d["series"] > 1 else "")
        out.append(
            Text(f"{_weekday(d['date'])}: {whole}; {ground}; daylight {d['daylight_hours']:.1f} h", style="bold")
        )
        table = _table(None)
        for name in ("hour", "°C", "wind m/s", "rain mm", "light W/m²", "fit", "lost to"):
            table.add_column(name, justify="left" if name == "lost to" else "right", no_wrap=True)
        columns = (("temp_c", 1), ("wind_ms", 1), ("rain_mm", 1), ("ghi_wm2", 0), ("suitable", 2))
        for h in d["hours"]:
            part = "" if h["share"] > 0.999 else f" ({h['share']:.1f})"
            table.add_row(
                f"{datetime.fromisoformat(h['start']):%H:%M}{part}",
                *(_number(h[k], n) for k, n in columns),
                _spoiled(h["spoiled_by"], 0.05, most=2),
            )
        out.append(table)
    note = Text(
        "Means over members or years. Wind is that of the open at 10 m. The fit is that of a queen that could fly "
        "yesterday; "
        "days shut in make her less choosy.",
        style="dim",
    )
    return [*out, note, *_foot(report, warnings=False)]


def demo_tables(report: Report) -> list[Any]:
    """Both answers, marked as invented."""
    return [
        Text(report["invented"], style="italic"),
        *graft_tables(report["graft"])[:2],
        Text(""),
        *window_tables(report["window"]),
    ]


def _foot(report: Report, *, warnings: bool = True) -> list[Text]:
    lines = [Text(f"! {w}", style="yellow") for w in report["warnings"]] if warnings else []
    licences = sorted({s["licence"] for s in report["sources"]})
    lines.append(Text("Weather: " + "; ".join(licences), style="dim"))
    lines += [Text(c, style="dim") for c in report["cautions"]]
    return lines


def _table(title: str | None) -> Table:
    return Table(title=title, title_justify="left", box=box.SIMPLE_HEAD, padding=(0, 1, 0, 0), pad_edge=False)


def _of_hundred(fates: dict[str, float]) -> list[tuple[str, int]]:
    """Shares as whole numbers that add up to 100: the largest remainders are rounded up."""
    counts = {f: int(100 * p) for f, p in fates.items()}
    for f in sorted(fates, key=lambda f: 100 * fates[f] - counts[f], reverse=True)[: 100 - sum(counts.values())]:
        counts[f] += 1
    return list(counts.items())


def _title(report: Report, what: str) -> str:
    now = datetime.fromisoformat(report["now"])
    return f"{report['site']['name']}: {what}, as of {_weekday(now.date().isoformat())} {now:%Y %H:%M}"


def _spoiled(lost: dict[str, float], least: float = 0.15, most: int = 5) -> str:
    """The causes that cost most, worst first."""
    worst = sorted(((hours, cause) for cause, hours in lost.items() if hours >= least), reverse=True)
    return ", ".join(f"{_CAUSES[cause]} {hours:.1f}" for hours, cause in worst[:most])


def _number(value: float | None, digits: int) -> str:
    return "-" if value is None else f"{value:.{digits}f}"


def _pc(share: float) -> str:
    return f"{100 * share:.0f}"


def _weekday(iso: str) -> str:
    day = date.fromisoformat(iso)
    return f"{day:%a} {day.day} {day:%b}"


def _span(start: str | None, end: str | None) -> str:
    if start is None or end is None:
        return "-"
    first, last = date.fromisoformat(start), date.fromisoformat(end)
    if first.month != last.month:
        return f"{first.day} {first:%b} - {last.day} {last:%b}"
    return f"{first.day}-{last.day} {last:%b}"


def _bold(text: str) -> Text:
    return Text(text + "\n", style="bold")
