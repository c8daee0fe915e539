"""Reports as Rich tables. Everything is read from the report, so that table and JSON cannot differ."""

from __future__ import annotations

from datetime import date, datetime
from typing import Any

from rich.text import Text

from matewindow.cli.layout import between, bold, foot, new_table, title_of, weekday
from matewindow.words import CAUSES, percent

Report = dict[str, Any]
_FROM = {
    "observed": "measured",
    "forecast": "forecast",
    "past_years": "past years",
    "unknown": "unknown",
    "nothing": "no weather",
}
_FATES = {
    "well_mated": "well mated",
    "under_mated": "under-mated",
    "late_mated": "mated late",
    "unmated": "unmated",
    "lost": "lost",
}


def graft_tables(report: Report) -> list[Any]:
    """The sentence, then the days, then what each limit means."""
    by = report["by"]
    table = new_table(title_of(report, "graft days"))
    table.add_column("graft on", overflow="fold")
    table.add_column("in lay by then" if by else "well mated", justify="right", overflow="fold")
    table.add_column("usual", justify="right", overflow="fold")
    table.add_column("laying", justify="right", overflow="fold")
    table.add_column("first eggs", overflow="fold")
    table.add_column("flight h", justify="right", overflow="fold")
    table.add_column("", overflow="fold")
    for d in report["days"]:
        prime = d["prime_flight_hours"]
        odds = percent(d["p_in_lay_by"]) if by else percent(d["p_well_mated"]) + between(d["p_well_mated_range"])
        usual = d["p_in_lay_by_usual"] if by else d["p_well_mated_usual"]
        table.add_row(
            weekday(d["graft_date"]),
            odds,
            "-" if usual is None else percent(usual),
            f"{d['expected_laying']:.0f} ({d['laying_p10_p90'][0]}-{d['laying_p10_p90'][1]})",
            _span(d["first_egg"]["p10"], d["first_egg"]["p90"]),
            f"{prime['mean']:.0f} ({prime['p10']:.0f}-{prime['p90']:.0f})",
            _mark(d, report["recommendation"]["graft_dates"]),
        )
    span = "" if by else "; in brackets how far they move with other draws of years and members (5-95 %)"
    key = Text(
        f"Odds: of one virgin in her nuc{span}. Laying: queens of {report['grafts']} grafts, flight h: flight hours in "
        "the prime window (ages 6 to 14 days), each with its 10-90 % range.",
        style="dim",
    )
    limits = _limits(report["days"])
    return [bold(report["recommendation"]["sentence"]), Text(""), table, *limits, key, *foot(report)]


def window_tables(report: Report) -> list[Any]:
    """The message, the odds, the days, the work."""
    odds = new_table(title_of(report, "odds of one virgin"))
    for name in ("", "odds", "5-95 %", "usual"):
        odds.add_column(name, justify="right" if name else "left", overflow="fold")
    for key, name in (
        ("p_well_mated", "well mated"),
        ("risk_poor_mating", "poor mating, if not lost"),
        ("risk_delayed_laying", "good, but late into lay"),
    ):
        value, usual = report[key], report[key + "_usual"]
        odds.add_row(
            name,
            "-" if value is None else percent(value),
            between(report[key + "_range"]).strip(" ()") or "-",
            "-" if usual is None else percent(usual),
        )
    fates = Text("Of 100 virgins: " + ", ".join(f"{n} {_FATES[f]}" for f, n in _of_hundred(report["fates"])) + ".\n")
    days = new_table("Flight hours by day")
    for name in ("day", "age", "hours", "10-90 %", "usual", "lost to", "stands on"):
        days.add_column(name, justify="left" if name in ("day", "lost to", "stands on") else "right", overflow="fold")
    for d in report["days"]:
        kind = max(d["shares"], key=lambda k: d["shares"][k])
        days.add_row(
            weekday(d["date"]),
            str(d["age"]),
            f"{d['effective_hours']:.1f}",
            f"{d['effective_hours_p10']:.1f}-{d['effective_hours_p90']:.1f}",
            "-" if d["usual_hours"] is None else f"{d['usual_hours']:.1f}",
            _spoiled(d["spoiled_by"], most=2),
            _FROM[kind] if d["shares"][kind] > 0.995 else f"{_pc(d['shares'][kind])} % {_FROM[kind]}",
            style="" if d["prime"] else "dim",
        )
    work = new_table("Dates and work")
    for name in ("date", "what", "work"):
        work.add_column(name, overflow="fold")
    for e in report["timeline"]:
        sure = e["earliest"] == e["latest"]
        when = weekday(e["date"]) + ("" if sure else f"\n({_span(e['earliest'], e['latest'])})")
        work.add_row(when, e["event"], e["work"] + (f" {e['caution']}" if e["caution"] else ""))
    return [*(bold(part) for part in report["message_parts"]), Text(""), odds, fates, days, work, *foot(report)]


def hours_tables(report: Report) -> list[Any]:
    """A heading and a table for each day."""
    out: list[Any] = [Text(title_of(report, "flight hours") + "\n", style="italic")]
    for d in report["days"]:
        whole = "hours missing" if d["effective_hours"] is None else f"{d['effective_hours']:.1f} flight hours"
        series = {"forecast": f" of {d['series']} members", "past_years": f" ({d['series']})"}.get(d["from"], "")
        ground = _FROM[d["from"]] + (series if d["series"] > 1 else "")
        if d["forecast_weight"] is not None and d["forecast_weight"] < 0.5:
            ground += f", weight {_pc(d['forecast_weight'])} % against past years"
        out.append(Text(f"{weekday(d['date'])}: {whole}; {ground}; daylight {d['daylight_hours']:.1f} h", style="bold"))
        table = new_table(None)
        for name in ("hour", "°C", "wind (Bft)", "rain mm", "light", "flight h", "lost to"):
            table.add_column(name, justify="left" if name == "lost to" else "right", overflow="fold")
        columns = (("rain_mm", 1), ("ghi_wm2", 0), ("suitable", 2))
        for h in d["hours"]:
            part = "" if h["share"] > 0.999 else f" ({h['share']:.1f})"
            table.add_row(
                f"{datetime.fromisoformat(h['start']):%H:%M}{part}",
                _number(h["temp_c"], 1),
                "-" if h["wind_ms"] is None else f"{h['wind_ms']:.1f} ({h['beaufort']})",
                *(_number(h[k], n) for k, n in columns),
                _spoiled(h["spoiled_by"], 0.05, most=2),
            )
        out.append(table)
    note = Text(
        "Means over members or years. Wind is in m/s in the open at 10 m, in brackets in Beaufort; light in W/m². "
        "Flight h is that of a queen that could fly yesterday; days shut in make her less choosy.",
        style="dim",
    )
    return [*out, note, *foot(report)]


def demo_tables(report: Report) -> list[Any]:
    """Both answers, marked as invented."""
    return [
        Text(report["invented"], style="italic"),
        *graft_tables(report["graft"])[:3],
        Text(""),
        *window_tables(report["window"]),
    ]


def weather_tables(report: Report) -> list[Any]:
    """What came, from whom, how old; the quota."""
    table = new_table(title_of(report, "weather"))
    for name in ("part", "service", "outcome", "age", "hours"):
        table.add_column(name, justify="right" if name in ("age", "hours") else "left", overflow="fold")
    for a in report["attempts"]:
        age = "-" if a["age_h"] is None else f"{a['age_h']:.1f} h"
        table.add_row(a["part"], a["service"], a["outcome"], age, str(a["hours"] or "-"))
    reasons = [
        Text(f"! {a['service']}, {a['part']}: {a['reason']}.", style="yellow")
        for a in report["attempts"]
        if a["reason"]
    ]
    used = ", ".join(f"{q['used']:.0f} of {q['limit']:.0f} this {q['period']}" for q in report["quota"])
    licences = sorted({a["licence"] for a in report["attempts"] if a["licence"]})
    foot = [Text(f"Open-Meteo quota used: {used}.", style="dim"), Text(f"Kept in {report['store']}", style="dim")]
    return [table, *reasons, *foot, Text("Source and terms of the weather: " + "; ".join(licences), style="dim")]


def services_tables(report: Report) -> list[Any]:
    """The services, one a row."""
    where = "" if report["site"] is None else f" for {report['site']['name']}, in the order they are asked"
    table = new_table(f"Weather services{where}")
    for name in ("service", "gives", "region", "trade without key"):
        table.add_column(name, overflow="fold")
    for s in report["services"]:
        table.add_row(s["service"], s["gives"], s["region"], "yes" if s["trade_without_key"] else "no")
    return [table]


def places_tables(report: Report) -> list[Any]:
    """Places found, with the numbers that a site file needs."""
    if not report["places"]:
        return [Text("No such place was found. Try another spelling, or take the position from a map.")]
    table = new_table("Places")
    for name in ("name", "region", "latitude", "longitude", "metres", "time zone"):
        table.add_column(
            name, justify="right" if name in ("latitude", "longitude", "metres") else "left", overflow="fold"
        )
    for p in report["places"]:
        region = ", ".join(x for x in (p["region"], p["country_code"]) if x)
        metres = "-" if p["elevation_m"] is None else f"{p['elevation_m']:.0f}"
        table.add_row(p["name"], region, f"{p['latitude']:.4f}", f"{p['longitude']:.4f}", metres, p["timezone"] or "-")
    return [
        table,
        Text(
            "Write a site file with: matewindow site new --name … --latitude … --longitude … --out home.toml",
            style="dim",
        ),
    ]


def site_tables(report: Report) -> list[Any]:
    """The site file as it was written."""
    return [Text(report["text"]), Text(f"Written to {report['file']}. Look it over once.", style="dim")]


def _mark(day: Report, advised: list[str]) -> str:
    if day["constraints"]:
        return "limited"
    if not advised:
        return ""
    return "best" if day["rank"] == 1 else "equal" if day["tied_with_best"] else ""


def _limits(days: list[Report]) -> list[Text]:
    """What limits which days, each limit once."""
    by_text: dict[str, list[str]] = {}
    for d in days:
        for c in d["constraints"]:
            by_text.setdefault(c["text"] if c["name"] != "past" else "past", []).append(weekday(d["graft_date"]))
    return [
        Text(f"Limited, {on[0] if len(on) == 1 else f'{on[0]} to {on[-1]}'}: {text}.", style="yellow")
        for text, on in by_text.items()
    ]


def _of_hundred(fates: dict[str, float]) -> list[tuple[str, int]]:
    """Shares as whole numbers that add up to 100: the largest remainders are rounded up."""
    counts = {f: int(100 * p) for f, p in fates.items()}
    for f in sorted(fates, key=lambda f: 100 * fates[f] - counts[f], reverse=True)[: 100 - sum(counts.values())]:
        counts[f] += 1
    return list(counts.items())


def _spoiled(lost: dict[str, float], least: float = 0.15, most: int = 5) -> str:
    """The causes that cost most, worst first."""
    worst = sorted(((hours, cause) for cause, hours in lost.items() if hours >= least), reverse=True)
    return ", ".join(f"{CAUSES[cause]} {hours:.1f}" for hours, cause in worst[:most])


def _number(value: float | None, digits: int) -> str:
    return "-" if value is None else f"{value:.{digits}f}"


def _pc(share: float) -> str:
    return f"{100 * share:.0f}"


def _span(start: str | None, end: str | None) -> str:
    if start is None or end is None:
        return "-"
    first, last = date.fromisoformat(start), date.fromisoformat(end)
    if first.month != last.month:
        return f"{first.day} {first:%b} - {last.day} {last:%b}"
    return f"{first.day}-{last.day} {last:%b}"
