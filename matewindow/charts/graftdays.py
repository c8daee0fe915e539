"""The graft decision as a picture: odds of each candidate day, the limits it breaks, and the flight hours behind it."""

from __future__ import annotations

from math import ceil, floor
from typing import TYPE_CHECKING, Literal

from matewindow.charts import style
from matewindow.charts.lettering import SMALL_PX, text_px
from matewindow.charts.style import SHAPES, USUAL, Frame
from matewindow.charts.tables import BEHIND, BEST, LIMITED, STANDINGS, Row, chart_table

if TYPE_CHECKING:
    from collections.abc import Sequence

    import altair as alt

    from matewindow.graft import GraftDecision

ODDS_PX, HOURS_PX, LIMIT_PX, SIGN_PX = 160, 110, 18, 20
_MIN_SPAN = 30  # points: odds that lie close together are not blown up into a drama
_LEFT_PX, _LEFT_WITH_LIMITS_PX = 38, 66
_ODDS = ("odds", "odds_low", "odds_high", "odds_usual")
_HOURS = ("prime_mean_h", "prime_p10_h", "prime_p90_h", "prime_usual_h")


def graft_chart(decision: GraftDecision, width_px: int = 640) -> alt.VConcatChart:
    """Draw a graft decision.

    Args:
        decision: from ``graft.graft_decision``.
        width_px: width of the whole picture; 360 for a telephone.

    Returns:
        An Altair chart: odds by graft day with their 5 to 95 % range and what is usual, a strip of the limits that days
        break, and below it the effective flight hours of the prime window with their 10 to 90 % range. Odds of being in
        lay by a deadline have no range.

    Raises:
        RequestError: a width that cannot be read.
    """
    rows = chart_table(decision)
    limits = [{"day": row["day"], "limit": name} for row in rows for name in str(row["limits"]).split(", ") if name]
    measures = style.frame(width_px, _LEFT_WITH_LIMITS_PX if limits else _LEFT_PX)
    days = [day.day for day in decision.days]
    x = style.day_axis(days, measures, lambda i: [f"{days[i]:%a}", f"{days[i].day} {days[i]:%b}"])
    strips = [_limits_panel(limits, x, measures, len(days))] if limits else []
    head, _, tail = decision.sentence.partition(": ")
    return style.picture(
        [_odds_panel(decision, rows, x, measures), *strips, _hours_panel(rows, x, measures)],
        style.title(head if tail else decision.sentence, _subtitle(decision, tail), width_px),
        decision.sentence,
        {"days": rows, "limits": limits},
    )


def _subtitle(decision: GraftDecision, tail: str) -> list[str]:
    said = [tail[0].upper() + tail[1:]] if tail else []
    if "the wait" not in decision.sentence and _better_but_behind(decision):
        said.append("Some days have better odds, but they cost the wait.")
    foot = f"{decision.site.name} · {style.computed(decision.now, decision.site.zone)}"
    return [*said, style.standing_on(decision.shares), foot]


def _better_but_behind(decision: GraftDecision) -> bool:
    """Whether a later day that breaks no limit has clearly better odds than one that the sentence names."""
    rows = [row for row in chart_table(decision) if not row["limits"]]
    named = [row for row in rows if row["advised"]]
    later = [row for row in rows if row["standing"] == BEHIND and all(str(row["day"]) > str(n["day"]) for n in named)]
    return bool(named and later) and max(_numbers([r["odds"] for r in later])) > 0.05 + min(
        _numbers([r["odds"] for r in named])
    )


def _odds_panel(decision: GraftDecision, rows: list[Row], x: alt.X, measures: Frame) -> alt.LayerChart:
    import altair as alt  # slow to import

    low, high = _span([row[field] for row in rows for field in _ODDS], decision.threshold)
    scale = alt.Scale(domain=[low / 100, high / 100], nice=False, zero=False, range=[SIGN_PX + ODDS_PX, SIGN_PX])
    ticks = [t / 100 for t in range(low, high + 1, 10 if high - low <= 60 else 20)]
    y = alt.Y("odds:Q", scale=scale, axis=style.value_axis("%", 100, measures, ticks))
    ends = f"ends well mated and in lay by {decision.by.day} {decision.by:%B}" if decision.by else "ends well mated"
    note = "" if decision.by else "(line: 5 to 95 %)"
    layers = [*_advised(rows, x, measures), *_threshold(decision.threshold, rows, (low, high), y, measures)]
    return alt.LayerChart(
        layer=[*layers, *_marks(rows, x, y, _ODDS, measures, legend=True)],
        width=measures.plot_px,
        height=SIGN_PX + ODDS_PX,
        title=style.panel_title(f"By graft day: odds that a virgin {ends}", note, measures),
    )


def _hours_panel(rows: list[Row], x: alt.X, measures: Frame) -> alt.LayerChart:
    import altair as alt  # slow to import

    top = max(_numbers([row[field] for row in rows for field in _HOURS]), default=1.0)
    step = next((s for s in (1, 2, 5, 10, 20) if top / s <= 5), 50)
    high = step * max(1, ceil(top / step))
    axis = style.value_axis("h", 1, measures, list(range(0, high + 1, step)))
    y = alt.Y("prime_mean_h:Q", scale=alt.Scale(domain=[0, high], nice=False), axis=axis)
    return alt.LayerChart(
        layer=_marks(rows, x, y, _HOURS, measures, legend=False),
        width=measures.plot_px,
        height=HOURS_PX,
        title=style.panel_title("Flight hours in the prime window", "(mean; line: 10 to 90 %)", measures),
    )


def _marks(
    rows: list[Row], x: alt.X, y: alt.Y, fields: tuple[str, str, str, str], measures: Frame, *, legend: bool
) -> list[alt.Chart]:
    """Range, usual and value of each day; ``fields`` are the value, the range's ends and the usual."""
    import altair as alt  # slow to import

    value, low, high, usual = fields
    kinds = _kinds(rows)
    band = measures.plot_px / len(rows)
    dash, side = min(40.0, band), max(4.0, min(8.5, 0.55 * band))
    columns = 2 if measures.width_px < 480 else len(kinds)
    key = alt.Legend(title=None, orient="top", columns=columns) if legend else None
    shown = {"shape": SHAPES, "fill": style.FILLS, "stroke": style.STROKES}
    channels = {"shape": alt.Shape, "fill": alt.Fill, "stroke": alt.Stroke}
    look = {
        name: channels[name]("standing:N", sort=None, scale=style.by_kind(kinds, shown[name]), legend=key)
        for name in shown
    }
    table = alt.Chart(alt.NamedData("days"))
    return [
        table.mark_rule(color=style.INK, strokeWidth=1.2).encode(x=x, y=style.of_field(y, low), y2=f"{high}:Q"),
        table.mark_point(size=dash**2, strokeWidth=2.5, opacity=1).encode(
            x=x, y=style.of_field(y, usual), **{name: alt.datum(USUAL) for name in shown}
        ),
        table.mark_point(size=side**2, strokeWidth=1.4, opacity=1).encode(x=x, y=style.of_field(y, value), **look),
    ]


def _kinds(rows: list[Row]) -> list[str]:
    """The kinds of mark that the picture holds: one key for all its panels."""
    kinds = [standing for standing in STANDINGS if any(row["standing"] == standing for row in rows)]
    return [*kinds, *([USUAL] if any(row["prime_usual_h"] is not None for row in rows) else [])]


def _limits_panel(limits: list[Row], x: alt.X, measures: Frame, n_days: int) -> alt.Chart:
    """One line for each limit, with a cross under every day that breaks it."""
    import altair as alt  # slow to import

    names = sorted({str(row["limit"]) for row in limits})
    bare: alt.X = x.copy(deep=False)
    bare["axis"] = None
    axis = alt.Axis(title=None, minExtent=measures.left_px, maxExtent=measures.left_px, ticks=False, grid=True)
    side = max(4.0, min(8.0, 0.6 * measures.plot_px / n_days))
    strip = alt.Chart(
        alt.NamedData("limits"),
        width=measures.plot_px,
        height=LIMIT_PX * len(names),
        title=style.panel_title("Limits of your own that a day breaks", "", measures),
    )
    marks: alt.Chart = strip.mark_point(
        shape=SHAPES[LIMITED], size=side**2, stroke=style.STROKES[LIMITED], strokeWidth=1.4, opacity=1
    )
    return marks.encode(x=bare, y=alt.Y("limit:N", scale=alt.Scale(domain=names), axis=axis))


def _advised(rows: list[Row], x: alt.X, measures: Frame) -> list[alt.Chart]:
    """A bracket over the days that the sentence names, the longest run of them labelled."""
    import altair as alt  # slow to import

    runs = _runs([bool(row["advised"]) for row in rows])
    if not runs:
        return []
    start, end = max(runs, key=lambda run: run[1] - run[0])
    text = BEST if sum(b - a + 1 for a, b in runs) > 1 else "best"
    side, place, edge = _beside(start, end, text_px(text, SMALL_PX) / measures.plot_px * len(rows), len(rows))
    days = [row["day"] for row in rows]
    bars = alt.Chart(alt.InlineData(values=[{"day": days[a], "to": days[b]} for a, b in runs]))
    label = alt.Chart(alt.InlineData(values=[{"day": days[place], "text": text}]))
    return [
        bars.mark_rule(color=style.INK, strokeWidth=3).encode(
            x=style.at_edge(x, 0), x2=alt.X2("to:O", bandPosition=1), y=alt.value(2)
        ),
        label.mark_text(align=side, baseline="top", dy=4).encode(
            x=style.at_edge(x, edge), y=alt.value(2), text="text:N"
        ),
    ]


def _beside(start: int, end: int, width: float, n_days: int) -> tuple[Literal["left", "center", "right"], int, float]:
    """Where the label of a run goes: its alignment, its day, and the place in that day's band; widths are in days."""
    middle = (start + end + 1) / 2
    if middle < width / 2:
        return "left", start, 0.0
    if middle > n_days - width / 2:
        return "right", end, 1.0
    return "center", (start + end) // 2, 0.5 if (end - start) % 2 == 0 else 1.0


def _runs(flags: Sequence[bool]) -> list[tuple[int, int]]:
    """First and last position of each run of true flags."""
    starts = [i for i, flag in enumerate(flags) if flag and (i == 0 or not flags[i - 1])]
    ends = [i for i, flag in enumerate(flags) if flag and (i == len(flags) - 1 or not flags[i + 1])]
    return list(zip(starts, ends, strict=True))


def _threshold(threshold: float, rows: list[Row], span: tuple[int, int], y: alt.Y, measures: Frame) -> list[alt.Chart]:
    """The odds from which a nuc is worth stocking, where the panel reaches down to them."""
    import altair as alt  # slow to import

    if not span[0] < 100 * threshold < span[1]:
        return []
    label = "worth a nuc from here up"
    gap = [abs(odds - threshold) for odds in _numbers([row["odds"] for row in rows])]
    covered = ceil(text_px(label, SMALL_PX) / measures.plot_px * len(gap)) + 1
    right = min(gap[-covered:]) >= min(gap[:covered])  # the label goes where the odds leave room for it
    line = alt.Chart(alt.InlineData(values=[{"odds": threshold, "text": label}]))
    text = line.mark_text(align="right" if right else "left", baseline="bottom", dy=-3, dx=0 if right else 4)
    return [
        line.mark_rule(color=style.INK, strokeDash=[4, 3]).encode(y=y),
        text.encode(x=alt.value(measures.plot_px if right else 0), y=y, text="text:N"),
    ]


def _span(values: Sequence[object], threshold: float) -> tuple[int, int]:
    """Ends of the odds axis in percent, 30 points apart at least, with the threshold where odds come near it."""
    known = _numbers(values)
    if min(known) < threshold + 0.10:
        known.append(threshold)
    low, high = 10 * floor(10 * min(known) - 0.1), 10 * ceil(10 * max(known) + 0.1)
    high = min(100, max(high, low + _MIN_SPAN))
    low = max(0, min(low, high - _MIN_SPAN))
    return (low, high) if high - low <= 60 else (20 * (low // 20), 20 * ceil(high / 20))


def _numbers(values: Sequence[object]) -> list[float]:
    return [value for value in values if isinstance(value, float)]
