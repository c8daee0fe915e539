"""The numbers of a record as tables of text: under each picture of the page, and in the plain text."""

from __future__ import annotations

from dataclasses import dataclass
from math import isnan
from typing import TYPE_CHECKING

from matewindow.charts.lettering import NO_BREAK
from matewindow.verification.roc import rates_at

if TYPE_CHECKING:
    from collections.abc import Sequence

    from matewindow.verification.blocks import Ranged
    from matewindow.verification.comparing import Comparison
    from matewindow.verification.ranks import RankHistogram
    from matewindow.verification.records import Against, GroupRecord, Record
    from matewindow.verification.reliability import Reliability
    from matewindow.verification.roc import Roc
    from matewindow.verification.value import Value

UNKNOWN = "–"
ROC_STEPS = tuple(round(0.1 * i, 1) for i in range(1, 10))


@dataclass(frozen=True)
class Table:
    """A table of text.

    Attributes:
        caption: what it shows.
        head: column names.
        rows: cells; the first of a row names it.
    """

    caption: str
    head: tuple[str, ...]
    rows: tuple[tuple[str, ...], ...]


def skill_table(record: Record) -> Table:
    """Brier skill of every lead group against the usual and against persistence."""
    rows = [_skill_row(group.name, group.brier) for group in record.groups]
    if record.overall is not None:
        rows.append(("all", f"{record.overall.n:,}", skill(record.overall.skill), UNKNOWN))
    head: tuple[str, ...] = ("lead", "cases", "skill on the usual", "on persistence")
    if all(group.brier.persistence is None for group in record.groups):
        head, rows = head[:-1], [row[:-1] for row in rows]
    caption = "Brier skill: share of the error that the odds take away (5 to 95 %)"
    return Table(caption, head, tuple(rows))


def scores_table(group: GroupRecord) -> Table:
    """All scores of a lead group against the usual."""
    found = [("Brier", group.brier), ("log, nats", group.log)]
    if group.hours is not None:
        edges = ", ".join(f"{edge:g}" for edge in group.hours.edges)
        found += [("hours, CRPS, h", group.hours.crps), (f"hours, RPS, edges {edges} h", group.hours.rps)]
    if group.first_egg is not None:
        egg = group.first_egg
        summed = f"first egg to day {egg.horizon_d}, d"
        found.append(("first egg, log, nats", egg.log) if egg.score is None else (summed, egg.score))
    rows = tuple((name, *_compared(against.usual)) for name, against in found)
    return Table("Scores: small is good", ("score", "cases", "odds", "usual", "skill (5 to 95 %)"), rows)


def parts_table(group: GroupRecord) -> Table:
    """What the Brier score is made of."""
    d, r = group.parts, group.reliability
    rows = [
        ("by tenths", number(d.parts.reliability), number(d.parts.resolution), number(d.parts.uncertainty)),
    ]
    if d.corrected is not None:
        c = d.corrected
        rows.append(("corrected for bias", number(c.reliability), number(c.resolution), number(c.uncertainty)))
    if r is not None:
        rows.append(("pooled", number(r.miscalibration), number(r.discrimination), number(r.uncertainty)))
    head = ("", "off the mark", "told apart", "uncertainty")
    return Table("What the Brier score is made of: off the mark less told apart plus uncertainty", head, tuple(rows))


def reliability_table(r: Reliability) -> Table:
    """Odds in tenths, what came true, and what chance allows for odds that mean what they say."""
    rows = tuple(
        (
            f"{100 * b.start:.0f}–{100 * b.end:.0f}{NO_BREAK}%",
            f"{b.n:,}",
            percent(b.issued),
            percent(b.came),
            _span(b.low, b.high),
            "" if b.off == 0.0 else "too low" if b.off > 0.0 else "too high",
        )
        for b in r.bins
    )
    return Table(
        "Odds issued and what came true, pooled so that it rises with the odds; luck puts about one row in ten outside",
        ("odds", "cases", "mean", "came true", "chance allows", "odds were"),
        rows,
    )


def rank_table(h: RankHistogram) -> Table:
    """Counts of the rank histogram."""
    k = len(h.counts)
    rows = tuple(
        (f"{100 * i / k:.0f}–{100 * (i + 1) / k:.0f}{NO_BREAK}%", f"{int(n):,}") for i, n in enumerate(h.counts)
    )
    caption = (
        f"Where the hours that came lay among those thought possible; {h.expected:,.0f} wanted in each, "
        f"{h.low:,.0f} to {h.high:,.0f} by chance"
    )
    return Table(caption, ("place", "cases"), rows)


def roc_table(odds: Roc, usual: Roc) -> Table:
    """Areas, and the rates at round thresholds."""
    rows: list[tuple[str, ...]] = [("area under the curve", ranged(odds.area), ranged(usual.area))]
    for step in ROC_STEPS:
        cells = [f"{percent(h)} / {percent(f)}" for h, f in (rates_at(roc, step) for roc in (odds, usual))]
        rows.append((f"from {percent(step)}", *cells))
    return Table("Hits / false alarms if acted on from these odds up", ("threshold", "odds", "usual"), tuple(rows))


def value_table(v: Value) -> Table:
    """Value of acting, by cost over gain."""
    rows = tuple(
        (percent(ratio), skill(odds), _share(usual.value), _share(potential))
        for ratio, odds, usual, potential in zip(v.ratios, v.odds, v.reference, v.potential, strict=True)
    )
    return Table(
        "Value of acting where the odds are above cost ÷ gain: 100 % is perfect, 0 % no better than always or never",
        ("cost ÷ gain", "odds (5 to 95 %)", "usual", "best threshold"),
        rows,
    )


def _skill_row(name: str, against: Against) -> tuple[str, ...]:
    usual, third = against.usual, against.persistence
    return name, f"{usual.n:,}", skill(usual.skill), UNKNOWN if third is None else skill(third.skill)


def _compared(c: Comparison) -> tuple[str, ...]:
    return f"{c.n:,}", number(c.score.value), number(c.reference.value), skill(c.skill)


def number(x: float | None) -> str:
    """A score to three places; what is not known as a dash."""
    return UNKNOWN if x is None or isnan(x) else f"{x:.3f}".replace("-0.000", "0.000").replace("-", "−")


def percent(x: float) -> str:
    """A share as whole percent, as it was counted: 0 and 100 can occur."""
    return UNKNOWN if isnan(x) else f"{100 * x:.0f}{NO_BREAK}%"


def _span(low: float, high: float) -> str:
    ends = dict.fromkeys(f"{100 * x:.0f}" for x in (low, high))
    return f"{'–'.join(ends)}{NO_BREAK}%"


def _share(x: float | None) -> str:
    return UNKNOWN if x is None else f"{_points(x)}{NO_BREAK}%"


def skill(r: Ranged) -> str:
    """A skill or a value in whole percent with its range."""
    if r.value is None:
        return UNKNOWN
    low_high = "" if r.low is None or r.high is None else f" ({_points(r.low)}{NO_BREAK}to{NO_BREAK}{_points(r.high)})"
    return f"{_share(r.value)}{low_high}"


def ranged(r: Ranged) -> str:
    """An area to two places with its range."""
    if r.value is None:
        return UNKNOWN
    low_high = "" if r.low is None or r.high is None else f" ({_two(r.low)}{NO_BREAK}to{NO_BREAK}{_two(r.high)})"
    return f"{_two(r.value)}{low_high}"


def _two(x: float) -> str:
    return f"{x:.2f}".replace("-0.00", "0.00").replace("-", "−")


def _points(x: float) -> str:
    return f"{100 * x:.0f}".replace("-0", "0").replace("-", "−")


def as_text(table: Table) -> list[str]:
    """A table in lines of plain text, columns side by side."""
    lines = [table.head, *table.rows]
    widths = [max(len(row[i]) for row in lines) for i in range(len(table.head))]
    return [table.caption, *(_line(row, widths) for row in lines)]


def _line(row: Sequence[str], widths: Sequence[int]) -> str:
    cells = [row[0].ljust(widths[0]), *(cell.rjust(width) for cell, width in zip(row[1:], widths[1:], strict=True))]
    return ("  " + "  ".join(cells)).rstrip().replace(NO_BREAK, " ")
