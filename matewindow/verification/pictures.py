"""Pictures of a record, in the house's style, each with its table in ``tables``.

All are drawn at one width that a telephone shows in full; on a larger screen they stand side by side.
"""

from __future__ import annotations

import json
from typing import TYPE_CHECKING, Any

import numpy as np

from matewindow.charts import style
from matewindow.charts.lettering import NO_BREAK, SMALL_PX, text_px, wrap
from matewindow.charts.style import INK, QUIET, USUAL, Frame

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    import altair as alt
    from numpy.typing import NDArray

    from matewindow.charts.tables import Row
    from matewindow.verification.blocks import Ranged
    from matewindow.verification.ranks import RankHistogram
    from matewindow.verification.records import Record
    from matewindow.verification.reliability import Reliability
    from matewindow.verification.roc import Roc
    from matewindow.verification.value import Value

    Floats = NDArray[np.float64]

WIDTH_PX = 328
ODDS, PERSISTENCE = "odds", "persistence"
_FILLS = {ODDS: "#004B76", USUAL: "#D55E00", PERSISTENCE: style.PAPER}
_STROKES = {ODDS: "#004B76", USUAL: "#D55E00", PERSISTENCE: INK}
_SHAPES = {USUAL: "circle", PERSISTENCE: "diamond"}
_DASHES = {ODDS: [1, 0], USUAL: [6, 3]}
_LEFT_PX, _PANEL_PX, _COUNTS_PX, _LINE_PX, _LABEL_PX = 44, 230, 44, 24, 100
_LOWEST_SKILL, _LOWEST_VALUE = -0.5, -0.3
_MOST_POINTS = 120
_SMOOTH_FROM = 13
"""From so many different odds on the bars of chance become a band."""


def skill_chart(record: Record, width_px: int = WIDTH_PX) -> alt.VConcatChart:
    """Brier skill of every lead group, against the usual and against persistence, with ranges."""
    import altair as alt  # slow to import

    rows = _skill_rows(record)
    names = [group.name for group in record.groups]
    labels = {name: wrap(name, _LABEL_PX, SMALL_PX) for name in names}
    widest = max(text_px(line, SMALL_PX) for lines in labels.values() for line in lines)
    measures = style.frame(width_px, 10 + int(widest))
    kinds = [kind for kind in (USUAL, PERSISTENCE) if any(row["kind"] == kind for row in rows)]
    ends = [row[key] for row in rows for key in ("skill", "low", "high")]
    low, high = _skill_span([x for x in ends if isinstance(x, float)])
    scale = alt.Scale(domain=[low, high], nice=False, clamp=True)
    x = alt.X("skill:Q", scale=scale, axis=_axis("%", 100, _skill_ticks(low, high, measures.plot_px)))
    axis = alt.Axis(
        labelExpr=f"{json.dumps(labels, ensure_ascii=False)}[datum.value]",  # Vega's expressions read JSON literals
        title=None,
        minExtent=measures.left_px,
        maxExtent=measures.left_px,
        ticks=False,
        grid=False,
    )
    y = alt.Y("group:N", sort=None, scale=alt.Scale(domain=names, padding=0.25), axis=axis)
    offset = alt.YOffset("kind:N", scale=alt.Scale(domain=kinds))
    table = alt.Chart(alt.NamedData("groups"))
    key = alt.Legend(title=None, orient="top")
    look = {
        "shape": alt.Shape("kind:N", scale=style.by_kind(kinds, _SHAPES), legend=key),
        "fill": alt.Fill("kind:N", scale=style.by_kind(kinds, _FILLS), legend=key),
        "stroke": alt.Stroke("kind:N", scale=style.by_kind(kinds, _STROKES), legend=key),
    }
    zero = alt.Chart(alt.InlineData(values=[{"skill": 0.0}])).mark_rule(color=INK, strokeWidth=1.5).encode(x=x)
    spans = table.mark_rule(color=INK, strokeWidth=1.2).encode(x=_of(x, "low"), x2="high:Q", y=y, yOffset=offset)
    points = table.mark_point(size=64, strokeWidth=1.4, opacity=1).encode(x=x, y=y, yOffset=offset, **look)
    cut = " cut off below −50 %" if any(x < _LOWEST_SKILL for x in ends if isinstance(x, float)) else ""
    note = f"(line: 5 to 95 %;{cut})" if cut else "(line: 5 to 95 %)"
    panel = alt.LayerChart(
        layer=[zero, spans, points],
        width=measures.plot_px,
        height=max(_LINE_PX * len(kinds), 14 * max(len(lines) for lines in labels.values()) + 8) * len(names),
        title=style.panel_title("Error taken away from", note, measures),
    )
    return _picture([panel], "Skill by lead time", "Right of nil the odds are better.", {"groups": rows}, width_px)


def reliability_chart(r: Reliability, width_px: int = WIDTH_PX) -> alt.VConcatChart:
    """Odds issued against what came true, with what chance allows and how often which odds were issued."""
    import altair as alt  # slow to import

    measures = style.frame(width_px, _LEFT_PX)
    x, y = _share_axes("p", "came", measures)
    band: list[Row] = [
        {"p": float(p), "came": float(c), "low": float(low), "high": float(high)}
        for p, c, low, high in zip(r.odds, r.recalibrated, r.low, r.high, strict=True)
    ]
    bins: list[Row] = [{"p": b.issued, "came": b.came, "start": b.start, "end": b.end, "n": b.n} for b in r.bins]
    table = alt.Chart(alt.NamedData("odds"))
    chance = (
        table.mark_area(color=QUIET, opacity=0.35, interpolate="linear")
        if len(band) >= _SMOOTH_FROM
        else table.mark_rule(color=QUIET, strokeWidth=6, opacity=0.35)
    )
    dots = alt.Chart(alt.NamedData("bins")).mark_point(
        shape="circle", size=50, fill=_FILLS[ODDS], stroke=_FILLS[ODDS], opacity=1
    )
    curve = alt.LayerChart(
        layer=[
            chance.encode(x=x, y=style.of_field(y, "low"), y2="high:Q"),
            _diagonal(x, y),
            table.mark_line(color=_FILLS[ODDS], strokeWidth=2).encode(x=x, y=y),
            dots.encode(x=x, y=y),
        ],
        width=measures.plot_px,
        height=_PANEL_PX,
        title=style.panel_title("Came true, by odds issued", f"(grey: {100 * r.level:.0f} % by chance)", measures),
    )
    most = max(b.n for b in r.bins)
    counts = (
        alt.Chart(alt.NamedData("bins"), width=measures.plot_px, height=_COUNTS_PX)
        .mark_bar(fill=style.ORIGIN_FILLS["forecast"], stroke=INK, strokeWidth=0.7)
        .encode(
            x=alt.X("start:Q", scale=x["scale"], axis=_axis("%", 100, [0.0, 0.2, 0.4, 0.6, 0.8, 1.0])),
            x2="end:Q",
            y=alt.Y("n:Q", scale=alt.Scale(domain=[0, most]), axis=_axis("", 1, [0, most], measures)),
            y2=alt.datum(0),
        )
        .properties(title=style.panel_title("Cases, by odds issued", "", measures))
    )
    said = "On the dashed line they do. Inside the grey, chance explains the difference."
    return _picture([curve, counts], "Do the odds mean what they say?", said, {"odds": band, "bins": bins}, width_px)


def rank_chart(h: RankHistogram, width_px: int = WIDTH_PX) -> alt.VConcatChart:
    """Rank histogram of flight hours with what chance allows."""
    import altair as alt  # slow to import

    measures = style.frame(width_px, _LEFT_PX)
    k = len(h.counts)
    rows: list[Row] = [{"start": i / k, "end": (i + 1) / k, "n": int(n)} for i, n in enumerate(h.counts)]
    top = float(max(h.high, h.counts.max(), 1))
    x = alt.X("start:Q", scale=alt.Scale(domain=[0, 1]), axis=_axis("%", 100, [0.0, 0.2, 0.4, 0.6, 0.8, 1.0]))
    y = alt.Y("n:Q", scale=alt.Scale(domain=[0, top]), axis=_axis("", 1, _ticks(top), measures))
    bars = alt.Chart(alt.NamedData("ranks")).mark_bar(fill=style.ORIGIN_FILLS["forecast"], stroke=INK, strokeWidth=0.7)
    level = alt.Chart(alt.InlineData(values=[{"n": h.expected, "low": h.low, "high": h.high}]))
    panel = alt.LayerChart(
        layer=[
            bars.encode(x=x, x2="end:Q", y=y, y2=alt.datum(0)),
            level.mark_rect(color=QUIET, opacity=0.35).encode(y=style.of_field(y, "low"), y2="high:Q"),
            level.mark_rule(color=INK, strokeDash=[4, 3]).encode(y=y),
        ],
        width=measures.plot_px,
        height=150,
        title=style.panel_title("Cases, by place among those thought possible", "(grey: 90 % by chance)", measures),
    )
    return _picture(
        [panel], "Flight hours that came", "Lowest on the left. Even bars are right.", {"ranks": rows}, width_px
    )


def roc_chart(odds: Roc, usual: Roc, width_px: int = WIDTH_PX) -> alt.VConcatChart:
    """Hits against false alarms, of the odds and of the usual."""
    import altair as alt  # slow to import

    measures = style.frame(width_px, _LEFT_PX)
    x, y = _share_axes("alarms", "hits", measures)
    rows: list[Row] = [
        {"kind": kind, "order": i, "alarms": float(f), "hits": float(h)}
        for kind, roc in ((ODDS, odds), (USUAL, usual))
        for i, (f, h) in enumerate(_drawn_points(roc))
    ]
    panel = alt.LayerChart(
        layer=[_diagonal(x, y), _lines("curves", rows, x, y)],
        width=measures.plot_px,
        height=_PANEL_PX,
        title=style.panel_title("Hits (up) and false alarms (across)", "", measures),
    )
    return _picture([panel], "Telling good from bad", "Further up and left is better.", {"curves": rows}, width_px)


def value_chart(v: Value, width_px: int = WIDTH_PX) -> alt.VConcatChart:
    """Value of acting on the odds and on the usual, by cost over gain."""
    import altair as alt  # slow to import

    measures = style.frame(width_px, _LEFT_PX)
    ticks = [0.0, 0.2, 0.4, 0.6, 0.8, 1.0]
    x = alt.X("ratio:Q", scale=alt.Scale(domain=[0, 1]), axis=_axis("%", 100, ticks))
    scale = alt.Scale(domain=[_LOWEST_VALUE, 1.0], nice=False, clamp=True)
    y = alt.Y("value:Q", scale=scale, axis=_axis("%", 100, [-0.2, *ticks], measures))
    rows = _value_rows(v)
    spans = alt.Chart(alt.NamedData("values")).transform_filter(f"datum.kind === '{ODDS}' && isValid(datum.low)")
    zero = alt.Chart(alt.InlineData(values=[{"value": 0.0}])).mark_rule(color=INK).encode(y=y)
    lowest = min(float(x) for row in rows for x in (row["value"], row["low"]) if x is not None)
    cut = "; cut off below −30 %" if lowest < _LOWEST_VALUE else ""
    panel = alt.LayerChart(
        layer=[
            spans.mark_area(color=QUIET, opacity=0.35).encode(x=x, y=style.of_field(y, "low"), y2="high:Q"),
            zero,
            _lines("values", rows, x, y),
        ],
        width=measures.plot_px,
        height=_PANEL_PX,
        title=style.panel_title("Value, by cost ÷ gain", f"(grey: 5 to 95 %{cut})", measures),
    )
    tail = "100 % is perfect knowledge, 0 % the better of always and never."
    return _picture([panel], "What acting on them is worth", tail, {"values": rows}, width_px)


def _drawn_points(roc: Roc) -> list[tuple[float, float]]:
    """False alarms and hits along the curve, no more of them than can be told apart."""
    k = len(roc.hit_rate)
    at = np.unique(np.linspace(0, k - 1, min(k, _MOST_POINTS)).round().astype(int))
    return list(zip(roc.false_alarm_rate[at].tolist(), roc.hit_rate[at].tolist(), strict=True))


def _skill_rows(record: Record) -> list[Row]:
    rows: list[Row] = []
    for group in record.groups:
        for kind, c in ((USUAL, group.brier.usual), (PERSISTENCE, group.brier.persistence)):
            if c is not None and c.skill.value is not None:
                s = c.skill
                rows.append({"group": group.name, "kind": kind, "skill": s.value, "low": s.low, "high": s.high})
    return rows


def _skill_span(ends: Sequence[float]) -> tuple[float, float]:
    """Ends of the skill axis: nil in it, 30 points apart at least, not below −50 % nor above 100 %."""
    low = np.floor(10 * max(_LOWEST_SKILL, min([*ends, -0.05]))) / 10
    high = np.ceil(10 * min(1.0, max([*ends, 0.05]))) / 10
    return float(low), float(max(high, min(1.0, low + 0.3)))


def _skill_ticks(low: float, high: float, plot_px: int) -> list[float]:
    """Round skills with nil among them, as many as have room for their labels."""
    for step in (10, 25, 50):
        ticks = [t / 100 for t in range(-50, 101, step) if low <= t / 100 <= high]
        if step / 100 * plot_px / (high - low) >= 52:  # the labels at the ends are moved inwards
            break
    return ticks


def _value_rows(v: Value) -> list[Row]:
    """Values in long form; what is not known is left out."""
    rows: list[Row] = []
    for kind, values in ((ODDS, v.odds), (USUAL, v.reference)):
        rows += [
            _value_row(kind, i, v.ratios[i], values[i]) for i in range(len(v.ratios)) if values[i].value is not None
        ]
    return rows


def _value_row(kind: str, order: int, ratio: float, r: Ranged) -> Row:
    return {"kind": kind, "order": order, "ratio": ratio, "value": r.value, "low": r.low, "high": r.high}


def _lines(data: str, rows: Sequence[Row], x: alt.X, y: alt.Y) -> alt.Chart:
    """Lines of the odds and of the usual, told apart by colour and dash, with a key."""
    import altair as alt  # slow to import

    kinds = [kind for kind in (ODDS, USUAL) if any(row["kind"] == kind for row in rows)]
    key = alt.Legend(title=None, orient="top", symbolSize=400)
    dashes = alt.Scale(domain=kinds, range=[_DASHES[kind] for kind in kinds])
    lines: alt.Chart = alt.Chart(alt.NamedData(data)).mark_line(strokeWidth=2)
    return lines.encode(
        x=x,
        y=y,
        order="order:Q",
        stroke=alt.Stroke("kind:N", sort=None, scale=style.by_kind(kinds, _STROKES), legend=key),
        strokeDash=alt.StrokeDash("kind:N", sort=None, scale=dashes, legend=key),
    )


def _diagonal(x: alt.X, y: alt.Y) -> alt.Chart:
    import altair as alt  # slow to import

    ends = alt.Chart(alt.InlineData(values=[{"at": 0.0}, {"at": 1.0}]))
    line: alt.Chart = ends.mark_line(color=INK, strokeWidth=1, strokeDash=[4, 3])
    return line.encode(x=_of(x, "at"), y=style.of_field(y, "at"))


def _share_axes(across: str, up: str, measures: Frame) -> tuple[alt.X, alt.Y]:
    """Two axes of shares from 0 to 100 %."""
    import altair as alt  # slow to import

    ticks = [0.0, 0.2, 0.4, 0.6, 0.8, 1.0]
    scale = alt.Scale(domain=[0, 1], nice=False)
    x = alt.X(f"{across}:Q", scale=scale, axis=_axis("%", 100, ticks))
    return x, alt.Y(f"{up}:Q", scale=scale, axis=_axis("%", 100, ticks, measures))


def _axis(unit: str, factor: int, ticks: Sequence[float], measures: Frame | None = None) -> alt.Axis:
    """An axis of numbers with their unit; one that stands on the left is as wide as the frame has room for."""
    import altair as alt  # slow to import

    after = f" + '{NO_BREAK}{unit}'" if unit else ""
    room: dict[str, Any] = {} if measures is None else {"minExtent": measures.left_px, "maxExtent": measures.left_px}
    return alt.Axis(
        values=list(ticks),
        labelExpr=f"replace(format(datum.value * {factor}, '.0f'), '-', '−'){after}",
        title=None,
        labelOverlap=False,
        **room,
    )


def _ticks(top: float) -> list[float]:
    step = next((s for s in (1, 2, 5, 10, 20, 50, 100, 200, 500) if top / s <= 5), 1000)
    return [float(t) for t in range(0, int(top) + 1, step)]


def _of(x: alt.X, field: str) -> alt.X:
    """The same axis for another column of the table."""
    moved: alt.X = x.copy(deep=False)
    moved["shorthand"] = f"{field}:Q"
    return moved


def _picture(
    panels: Sequence[Any], head: str, tail: str, datasets: Mapping[str, Sequence[Row]], width_px: int
) -> alt.VConcatChart:
    return style.picture(panels, style.title(head, [tail], width_px), f"{head} {tail}", datasets)
