"""The graft decision as a picture: odds of each candidate day, the limits it breaks, and the flight hours behind it."""

from __future__ import annotations

from math import ceil, floor
from typing import TYPE_CHECKING

from matewindow.charts import style
from matewindow.charts.style import RANGE, SHAPES, USUAL, Frame
from matewindow.charts.tables import BEST, LIMITED, STANDINGS, Row, chart_table

if TYPE_CHECKING:
    from collections.abc import Sequence
    from datetime import date

    import altair as alt

    from matewindow.graft import GraftDecision

ODDS_PX, HOURS_PX, LIMIT_PX = 170, 110, 18
_MIN_SPAN = 0.30  # odds that lie close together are not blown up into a drama
_LEFT_PX, _LEFT_WITH_LIMITS_PX = 36, 66


def graft_chart(decision: GraftDecision, width_px: int = 640) -> alt.VConcatChart:
    """Draw a graft decision.

    Args:
        decision: from ``graft.graft_decision``.
        width_px: width of the whole picture; 360 for a telephone.

    Returns:
        An Altair chart: odds by graft day with their 5 to 95 % range and what is usual, a strip of the limits that days
        break, and below it the effective flight hours of the prime window with their 10 to 90 % range.

    Raises:
        RequestError: a width that cannot be read.
    """
    import altair as alt  # noqa: PLC0415  slow to import

    rows = chart_table(decision)
    limited = any(row["limits"] for row in rows)
    measures = style.frame(width_px, _LEFT_WITH_LIMITS_PX if limited else _LEFT_PX)
    days = [day.day for day in decision.days]
    x = style.day_axis(days, measures, lambda i: [f"{days[i]:%a}", f"{days[i].day} {days[i]:%b}"])
    panels = [_odds_panel(decision, rows, x, measures)]
    if limited:
        panels.append(_limits_panel(rows, x, measures))
    panels.append(_hours_panel(rows, x, measures))
    head, _, tail = decision.sentence.partition(": ")
    chart = alt.vconcat(*panels, spacing=12).properties(
        title=style.title(head if tail else decision.sentence, _subtitle(decision, tail), width_px),
        description=decision.sentence,
    )
    return style.dress(chart)


def _subtitle(decision: GraftDecision, tail: str) -> list[str]:
    said = [tail[0].upper() + tail[1:]] if tail else []
    zone = decision.site.zone
    foot = f"{decision.site.name} · {style.standing_on(decision.shares)} · {style.computed(decision.now, zone)}"
    return [*said, foot]


def _odds_panel(decision: GraftDecision, rows: list[Row], x: alt.X, measures: Frame) -> alt.LayerChart:
    import altair as alt  # noqa: PLC0415  slow to import

    low, high = _span(
        [row[k] for row in rows for k in ("odds", "odds_low", "odds_high", "odds_usual")], decision.threshold
    )
    ticks = [t / 100 for t in range(round(100 * low), round(100 * high) + 1, 10 if high - low <= 0.6 else 20)]
    y = alt.Y(
        "odds:Q",
        scale=alt.Scale(domain=[low, high], nice=False, zero=False),
        axis=style.value_axis("%", 100, measures, ticks),
    )
    what = f"in lay by {decision.by.day} {decision.by:%B}" if decision.by else "well mated (range: 5 to 95 %)"
    layers = [*_advised(decision, rows, x, measures), *_threshold(decision.threshold, low, high, measures)]
    layers += _marks(rows, x, y, ("odds", "odds_low", "odds_high", "odds_usual"), measures, legend=True)
    return alt.layer(*layers).properties(
        width=measures.plot_px,
        height=ODDS_PX,
        title=style.panel_title(f"By graft day: odds that a virgin ends {what}", measures),
    )


def _hours_panel(rows: list[Row], x: alt.X, measures: Frame) -> alt.LayerChart:
    import altair as alt  # noqa: PLC0415  slow to import

    fields = ("prime_mean_h", "prime_p10_h", "prime_p90_h", "prime_usual_h")
    top = max(float(row[f] or 0.0) for row in rows for f in fields)
    step = next((s for s in (1, 2, 5, 10, 20) if top / s <= 5), 50)
    high = step * max(1, ceil(top / step))
    y = alt.Y(
        "prime_mean_h:Q",
        scale=alt.Scale(domain=[0, high], nice=False),
        axis=style.value_axis("h", 1, measures, list(range(0, high + 1, step))),
    )
    marks = _marks(rows, x, y, fields, measures, legend=False)
    text = "Flight hours in the prime window (mean; range: 10 to 90 %)"
    return alt.layer(*marks).properties(
        width=measures.plot_px, height=HOURS_PX, title=style.panel_title(text, measures)
    )


def _marks(
    rows: list[Row],
    x: alt.X,
    y: alt.Y,
    fields: tuple[str, str, str, str],
    measures: Frame,
    *,
    legend: bool,
) -> list[alt.Chart]:
    """Range, usual and value of each day; ``fields`` are the value, the range's ends and the usual."""
    import altair as alt  # noqa: PLC0415  slow to import

    value, low, high, usual = fields
    kinds = _kinds(rows)
    step = measures.plot_px / len(rows)
    side = max(4.0, min(9.0, 0.7 * step))
    key = alt.Legend(title=None, orient="top", columns=2 if measures.width_px < 480 else len(kinds)) if legend else None
    look = {
        "shape": alt.Shape("kind:N", sort=None, scale=style.by_kind(kinds, SHAPES), legend=key),
        "fill": alt.Fill("kind:N", sort=None, scale=style.by_kind(kinds, style.FILLS), legend=key),
        "stroke": alt.Stroke("kind:N", sort=None, scale=style.by_kind(kinds, style.STROKES), legend=key),
    }

    def keep(field: str, *more: str) -> list[Row]:
        return [{k: row[k] for k in ("day", field, *more)} for row in rows if row[field] is not None]

    def at(field: str) -> alt.Y:
        moved = y.copy(deep=False)
        moved.shorthand = f"{field}:Q"
        return moved

    spans = alt.Chart(alt.Data(values=keep(low, high))).mark_rule(color=style.INK, strokeWidth=1.2)
    ticks = alt.Chart(alt.Data(values=[row | {"kind": USUAL} for row in keep(usual)])).mark_point(
        size=(0.9 * step) ** 2, strokeWidth=2.5, opacity=1
    )
    values = [row | {"kind": row["standing"]} for row in keep(value, "standing")]
    points = alt.Chart(alt.Data(values=values)).mark_point(size=side**2, strokeWidth=1.4, opacity=1)
    return [
        spans.encode(x=x, y=at(low), y2=f"{high}:Q"),
        ticks.encode(x=x, y=at(usual), **look),
        points.encode(x=x, y=at(value), **look),
    ]


def _kinds(rows: list[Row]) -> list[str]:
    """The kinds of mark that the picture holds: one key for all its panels."""
    kinds = [standing for standing in STANDINGS if any(row["standing"] == standing for row in rows)]
    return [*kinds, RANGE, *([USUAL] if any(row["prime_usual_h"] is not None for row in rows) else [])]


def _limits_panel(rows: list[Row], x: alt.X, measures: Frame) -> alt.Chart:
    """One line for each limit, with a cross under every day that breaks it."""
    import altair as alt  # noqa: PLC0415  slow to import

    broken = [{"day": row["day"], "limit": name} for row in rows for name in str(row["limits"]).split(", ") if name]
    names = sorted({str(b["limit"]) for b in broken})
    bare = x.copy(deep=False)
    bare.axis = None
    y = alt.Y(
        "limit:N",
        scale=alt.Scale(domain=names),
        axis=alt.Axis(title=None, minExtent=measures.left_px, maxExtent=measures.left_px, ticks=False, grid=True),
    )
    side = max(4.0, min(8.0, 0.6 * measures.plot_px / len(rows)))
    return (
        alt.Chart(alt.Data(values=broken))
        .mark_point(shape=SHAPES[LIMITED], size=side**2, stroke=style.STROKES[LIMITED], strokeWidth=1.4, opacity=1)
        .encode(x=bare, y=y)
        .properties(
            width=measures.plot_px,
            height=LIMIT_PX * len(names),
            title=style.panel_title("Limits of your own", measures),
        )
    )


def _advised(decision: GraftDecision, rows: list[Row], x: alt.X, measures: Frame) -> list[alt.Chart]:
    """A bracket over the days that the sentence names, the longest run of them labelled."""
    import altair as alt  # noqa: PLC0415  slow to import

    runs = _runs([row for row in rows if row["advised"]], [str(row["day"]) for row in rows])
    if not runs:
        return []
    longest = max(runs, key=len)
    middle = longest[len(longest) // 2]
    position = [str(row["day"]) for row in rows].index(middle) / len(rows)
    text = BEST if len(decision.graft_dates) > 1 else "best"
    half = 0.5 * style.SMALL_PX * 0.55 * len(text) / measures.plot_px
    align, edge = ("left", 0.0) if position < half else ("right", 1.0) if position > 1 - half else ("center", 0.5)
    anchor = longest[0] if align == "left" else longest[-1] if align == "right" else middle
    bars = [{"day": run[0], "to": run[-1]} for run in runs]
    left, at = x.copy(deep=False), x.copy(deep=False)
    left.bandPosition, at.bandPosition = 0, edge
    return [
        alt.Chart(alt.Data(values=bars))
        .mark_rule(color=style.INK, strokeWidth=3)
        .encode(x=left, x2=alt.X2("to:O", bandPosition=1), y=alt.value(0)),
        alt.Chart(alt.Data(values=[{"day": anchor, "text": text}]))
        .mark_text(align=align, baseline="top", dy=4, fontSize=style.SMALL_PX, color=style.INK)
        .encode(x=at, y=alt.value(0), text="text:N"),
    ]


def _runs(rows: list[Row], order: list[str]) -> list[list[str]]:
    """Days that follow one another, as runs."""
    runs: list[list[str]] = []
    for row in rows:
        day = str(row["day"])
        if runs and order.index(day) == order.index(runs[-1][-1]) + 1:
            runs[-1].append(day)
        else:
            runs.append([day])
    return runs


def _threshold(threshold: float, low: float, high: float, measures: Frame) -> list[alt.Chart]:
    """The odds from which a nuc is worth stocking, where the panel reaches down to them."""
    import altair as alt  # noqa: PLC0415  slow to import

    if not low <= threshold <= high:
        return []
    data = alt.Data(values=[{"odds": threshold, "text": "worth a nuc from here up"}])
    line = alt.Chart(data).mark_rule(color=style.INK, strokeDash=[4, 3]).encode(y="odds:Q")
    text = (
        alt.Chart(data)
        .mark_text(align="right", baseline="top", dy=3, fontSize=style.SMALL_PX, color=style.INK)
        .encode(x=alt.value(measures.plot_px), y="odds:Q", text="text:N")
    )
    return [line, text]


def _span(values: Sequence[object], threshold: float) -> tuple[float, float]:
    """Ends of the odds axis, in steps of 10 points, at least 30 points apart; with the threshold where odds come near it."""
    known = [v for v in values if isinstance(v, float)]
    if min(known) < threshold + 0.10:
        known.append(threshold)
    low, high = floor(10 * min(known) - 0.2) / 10, ceil(10 * max(known) + 0.5) / 10
    high = min(1.0, max(high, low + _MIN_SPAN))
    return max(0.0, min(low, high - _MIN_SPAN)), high
