"""A batch's window as a picture: flight hours day by day, what they stand on, and what spoils the rest."""

from __future__ import annotations

from math import ceil
from typing import TYPE_CHECKING

from matewindow.charts import signs, style
from matewindow.charts.signs import LINE_PX, Sign
from matewindow.charts.style import CAUSE_FILLS, CAUSE_WORDS, ORIGIN_FILLS, ORIGIN_WORDS, SHAPES, USUAL, Frame
from matewindow.charts.tables import Row, chart_table, day_label, event_day
from matewindow.outlook import solar_today
from matewindow.words import percent, verbal

if TYPE_CHECKING:
    from collections.abc import Mapping
    from datetime import date

    import altair as alt

    from matewindow.outlook import Outlook
    from matewindow.site import Site

HOURS_PX, LOST_PX = 150, 120
_LEFT_PX = 30


def window_chart(outlook: Outlook, width_px: int = 640, *, site: Site | None = None) -> alt.VConcatChart:
    """Draw the window of a batch.

    Args:
        outlook: from ``outlook.batch_outlook``.
        width_px: width of the whole picture; 360 for a telephone.
        site: for its name, its clock and its solar day; without it the clock is the one that the graft was given in.

    Returns:
        An Altair chart: effective flight hours by day, stacked by what the day stands on, with their 10 to 90 % range
        and the usual; the prime window, today, the first laying check and the late edge; below, hours lost by cause.

    Raises:
        RequestError: a width that cannot be read.
    """
    measures = style.frame(width_px, _LEFT_PX)
    rows = chart_table(outlook)
    high = max(1, ceil(max(day.window_hours for day in outlook.days) - 1e-9))
    x = _axis(outlook, measures)
    marked = _signs(outlook, _today(outlook, site))
    stacks = _stack(rows, {name: f"{name}_share" for name in ORIGIN_WORDS}, ORIGIN_WORDS, "effective_h")
    lost = _stack(rows, {name: f"lost_{name}_h" for name in CAUSE_WORDS}, CAUSE_WORDS, None)
    chart = style.picture(
        [_hours_panel(rows, marked, x, high, measures), _lost_panel(x, high, measures)],
        style.title(_head(outlook), _subtitle(outlook, site), width_px),
        _head(outlook),
        {"days": rows, "stacks": stacks, "lost": lost},
    )
    resolved: alt.VConcatChart = chart.resolve_scale(fill="independent", shape="independent", stroke="independent")
    return resolved


def _head(outlook: Outlook) -> str:
    p, usual = outlook.well_mated.value, outlook.well_mated_usual
    against = "" if usual is None else f"; usual for these dates {percent(usual)}"
    return f"A virgin is {verbal(p)} to end well mated: {percent(p)}{against}"


def _subtitle(outlook: Outlook, site: Site | None) -> list[str]:
    hours, usual = outlook.prime_flight_hours, outlook.prime_flight_hours_usual
    against = "" if usual is None else f", usual {usual.mean:.0f} h"
    zone = site.zone if site is not None else outlook.batch.grafted.tzinfo
    grafted = day_label(outlook.batch.grafted.astimezone(zone).date())
    place = [site.name] if site is not None else []
    return [
        f"Prime window: {hours.mean:.0f} flight hours (10 to 90 %: {hours.p10:.0f} to {hours.p90:.0f} h){against}",
        style.standing_on(outlook.shares),
        " · ".join([*place, f"grafted {grafted}", style.computed(outlook.now, zone)]),
    ]


def _today(outlook: Outlook, site: Site | None) -> date:
    if site is not None:
        return site.civil_day(solar_today(outlook.now, site))
    return outlook.now.astimezone(outlook.batch.grafted.tzinfo).date()


def _axis(outlook: Outlook, measures: Frame) -> alt.X:
    days = [day.day for day in outlook.days]
    return style.day_axis(
        days, measures, lambda i: [f"{days[i]:%a}", f"{days[i].day} {days[i]:%b}", f"age {outlook.days[i].age}"]
    )


def _signs(outlook: Outlook, today: date) -> list[Sign]:
    """The marked days that lie in the picture."""
    shown = {day.day for day in outlook.days}
    found = [(today, "today, {}", 0.5, False)]
    for name, text, edge in (("first laying check", "first laying check, {}", 0.5), ("late", "late after {}", 1.0)):
        day = event_day(outlook, name)
        if day is not None:
            found.append((day, text, edge, True))
    return [
        Sign(day.isoformat(), text.format(day_label(day)), edge, planned)
        for day, text, edge, planned in found
        if day in shown
    ]


def _stack(rows: list[Row], columns: Mapping[str, str], words: Mapping[str, str], times: str | None) -> list[Row]:
    """Rows of a table in long form, one for each part of a stacked bar; unknown parts are left out."""
    long: list[Row] = []
    for row in rows:
        whole = 1.0 if times is None else row[times]
        for order, (name, column) in enumerate(columns.items()):
            part = row[column]
            if isinstance(part, float) and isinstance(whole, float):
                long.append({"day": row["day"], "kind": words[name], "order": order, "hours": whole * part})
    return long


def _bars(data: str, fills: Mapping[str, str], x: alt.X, y: alt.Y) -> alt.Chart:
    """Bars stacked in the order of their key, each part outlined."""
    import altair as alt  # slow to import

    key = alt.Legend(title=None, orient="top")
    fill = alt.Fill("kind:N", sort=None, scale=style.by_kind(list(fills), fills), legend=key)
    bars: alt.Chart = alt.Chart(alt.NamedData(data)).mark_bar(stroke=style.INK, strokeWidth=0.7)
    return bars.encode(x=x, y=y, order="order:Q", fill=fill)


def _hours(high: int, measures: Frame, top_px: int, height_px: int) -> alt.Y:
    import altair as alt  # slow to import

    return alt.Y(
        "hours:Q",
        stack="zero",
        scale=alt.Scale(domain=[0, high], nice=False, range=[top_px + height_px, top_px]),
        axis=style.value_axis("h", 1, measures, list(range(high + 1))),
    )


def _hours_panel(rows: list[Row], marked: list[Sign], x: alt.X, high: int, measures: Frame) -> alt.LayerChart:
    import altair as alt  # slow to import

    top = LINE_PX * (1 + len(marked))
    placed = signs.place(marked, [str(row["day"]) for row in rows], measures.plot_px)
    layers = [
        *_prime(rows, x),
        *signs.rules(placed, x, LINE_PX, top + HOURS_PX),
        _bars("stacks", ORIGIN_FILLS, x, _hours(high, measures, top, HOURS_PX)),
        *_ranges(rows, x, measures),
        *signs.labels(placed, x, LINE_PX),
    ]
    return alt.LayerChart(
        layer=layers,
        width=measures.plot_px,
        height=top + HOURS_PX,
        title=style.panel_title("Flight hours a day", "(mean; line: 10 to 90 %)", measures),
    )


def _lost_panel(x: alt.X, high: int, measures: Frame) -> alt.Chart:
    """Hours of each day's flying time that are lost, by cause."""
    return _bars("lost", CAUSE_FILLS, x, _hours(high, measures, 0, LOST_PX)).properties(
        width=measures.plot_px,
        height=LOST_PX,
        title=style.panel_title("Flight hours a day lost, by cause", "", measures),
    )


def _ranges(rows: list[Row], x: alt.X, measures: Frame) -> list[alt.Chart]:
    """10 to 90 % range and usual of each day, with a key of their own."""
    import altair as alt  # slow to import

    table = alt.Chart(alt.NamedData("days"))
    spans = table.mark_rule(color=style.INK, strokeWidth=1.2).encode(x=x, y="p10_h:Q", y2="p90_h:Q")
    if all(row["usual_h"] is None for row in rows):
        return [spans]
    kinds = [USUAL]
    size = (0.95 * measures.plot_px / len(rows)) ** 2
    key = alt.Legend(title=None, orient="top")
    halo = table.mark_point(shape=SHAPES[USUAL], size=size, strokeWidth=4.5, opacity=1, stroke=style.PAPER)
    return [
        spans,
        halo.encode(x=x, y="usual_h:Q"),
        table.transform_calculate(kind=f"'{USUAL}'")
        .mark_point(size=size, strokeWidth=2.5, opacity=1)
        .encode(
            x=x,
            y="usual_h:Q",
            shape=alt.Shape("kind:N", scale=style.by_kind(kinds, SHAPES), legend=key),
            stroke=alt.Stroke("kind:N", scale=style.by_kind(kinds, style.STROKES), legend=key),
        ),
    ]


def _prime(rows: list[Row], x: alt.X) -> list[alt.Chart]:
    """The prime window as a shaded band with its name and ages."""
    import altair as alt  # slow to import

    prime = [row for row in rows if row["prime"]]
    if not prime:
        return []
    text = f"prime window, age {prime[0]['age_d']} to {prime[-1]['age_d']}"
    band = alt.Chart(alt.InlineData(values=[{"day": prime[0]["day"], "to": prime[-1]["day"], "text": text}]))
    left = style.at_edge(x, 0)
    return [
        band.mark_rect(color=style.INK, opacity=style.BAND_OPACITY).encode(x=left, x2=alt.X2("to:O", bandPosition=1)),
        band.mark_text(align="left", baseline="top", dx=3, dy=3, fontWeight="bold").encode(
            x=left, y=alt.value(0), text="text:N"
        ),
    ]
