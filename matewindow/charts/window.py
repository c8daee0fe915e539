"""A batch's window as a picture: flight hours day by day, what they stand on, and what spoils the rest."""

from __future__ import annotations

from math import ceil
from typing import TYPE_CHECKING

from matewindow.charts import style
from matewindow.charts.style import (
    CAUSE_FILLS,
    CAUSE_WORDS,
    ORIGIN_FILLS,
    ORIGIN_WORDS,
    RANGE,
    SHAPES,
    USUAL,
    Frame,
)
from matewindow.charts.tables import Row, chart_table, day_label, event_day
from matewindow.outlook import solar_today
from matewindow.timeline import to_date
from matewindow.words import percent, verbal

if TYPE_CHECKING:
    from datetime import date

    import altair as alt

    from matewindow.outlook import Outlook
    from matewindow.site import Site

HOURS_PX, LOST_PX, LINE_PX = 150, 120, 15
_LEFT_PX = 30


def window_chart(outlook: Outlook, width_px: int = 640, *, site: Site | None = None) -> alt.VConcatChart:
    """Draw the window of a batch.

    Args:
        outlook: from ``outlook.batch_outlook``.
        width_px: width of the whole picture; 360 for a telephone.
        site: for its name, its clock and its solar day; without it the clock is the one that the graft was given in.

    Returns:
        An Altair chart: effective flight hours by day, stacked by what the day stands on, with their 10 to 90 %
            range and
        the usual; the prime window, today, the first laying check and the late edge; below, hours lost by cause.

    Raises:
        RequestError: a width that cannot be read.
    """
    import altair as alt  # noqa: PLC0415  slow to import

    measures = style.frame(width_px, _LEFT_PX)
    rows = chart_table(outlook)
    days = [day.day for day in outlook.days]
    x = style.day_axis(
        days, measures, lambda i: [f"{days[i]:%a}", f"{days[i].day} {days[i]:%b}", f"age {outlook.days[i].age}"]
    )
    high = max(1, ceil(max(float(row["window_h"] or 0.0) for row in rows) - 1e-9))
    panels = [
        _hours_panel(outlook, rows, _today(outlook, site), x, high, measures),
        _lost_panel(rows, x, high, measures),
    ]
    chart = alt.vconcat(*panels, spacing=14).resolve_scale(fill="independent")
    return style.dress(
        chart.properties(title=style.title(_head(outlook), _subtitle(outlook, site), width_px),
        description=_head(outlook))
    )


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
        f"Prime window: {hours.mean:.0f} flight hours (10 to 90 %: {hours.p10:.0f} to {hours.p90:.0f} h){against}; "
        f"{style.standing_on(outlook.shares)}",
        " · ".join([*place, f"grafted {grafted}", style.computed(outlook.now, zone)]),
    ]


def _today(outlook: Outlook, site: Site | None) -> date:
    if site is not None:
        return to_date(solar_today(outlook.now, site))
    return outlook.now.astimezone(outlook.batch.grafted.tzinfo).date()


def _hours_panel(
    outlook: Outlook, rows: list[Row], today: date, x: alt.X, high: int, measures: Frame
) -> alt.LayerChart:
    import altair as alt  # noqa: PLC0415  slow to import

    signs = _signs(outlook, today)
    top = LINE_PX * (1 + len(signs))
    y = alt.Y(
        "hours:Q",
        stack="zero",
        scale=alt.Scale(domain=[0, high], nice=False, range=[top + HOURS_PX, top]),
        axis=style.value_axis("h", 1, measures, list(range(high + 1))),
    )
    layers = [*_prime(rows, x, measures), _bars(rows, x, y), *_ranges(rows, x, measures)]
    for line, (day, edge, text) in enumerate(signs, start=1):
        layers += _sign(day, edge, text, LINE_PX * line, top + HOURS_PX, x, outlook, measures)
    return alt.layer(*layers).properties(
        width=measures.plot_px,
        height=top + HOURS_PX,
        title=style.panel_title("Flight hours a day (mean; range: 10 to 90 %)", measures),
    )


def _bars(rows: list[Row], x: alt.X, y: alt.Y) -> alt.Chart:
    """Mean effective hours of each day, split by the shares of what the day stands on."""
    import altair as alt  # noqa: PLC0415  slow to import

    values = [
        {"day": row["day"], "kind": word, "order": i, "hours": float(row["effective_h"] or 0.0) * float(row[f"{name}_share"] or 0.0)}
        for row in rows
        if row["effective_h"] is not None
        for i, (name, word) in enumerate(ORIGIN_WORDS.items())
    ]
    kinds = list(ORIGIN_FILLS)
    return (
        alt.Chart(alt.Data(values=values))
        .mark_bar(stroke=style.INK, strokeWidth=0.7)
        .encode(
            x=x,
            y=y,
            order="order:Q",
            fill=alt.Fill(
                "kind:N", sort=None, scale=style.by_kind(kinds, ORIGIN_FILLS), legend=alt.Legend(title=None, orient="top")
            ),
        )
    )


def _ranges(rows: list[Row], x: alt.X, measures: Frame) -> list[alt.Chart]:
    """10 to 90 % range and usual of each day, with a key of their own."""
    import altair as alt  # noqa: PLC0415  slow to import

    step = measures.plot_px / len(rows)
    spans = [{"day": r["day"], "low": r["p10_h"], "high": r["p90_h"]} for r in rows if r["p10_h"] is not None]
    usual = [{"day": r["day"], "usual": r["usual_h"], "mark": USUAL} for r in rows if r["usual_h"] is not None]
    kinds = [RANGE, USUAL] if usual else [RANGE]
    key = alt.Legend(title=None, orient="top")
    ticks = alt.Chart(alt.Data(values=usual)).mark_point(size=(0.95 * step) ** 2, strokeWidth=2.5, opacity=1)
    halo = alt.Chart(alt.Data(values=usual)).mark_point(
        shape=SHAPES[USUAL], size=(0.95 * step) ** 2, strokeWidth=4.5, opacity=1, stroke=style.PAPER
    )
    return [
        alt.Chart(alt.Data(values=spans)).mark_rule(color=style.INK, strokeWidth=1.2).encode(x=x, y="low:Q",
        y2="high:Q"), halo.encode(x=x, y="usual:Q"),
        ticks.encode(
            x=x,
            y="usual:Q",
            shape=alt.Shape("mark:N", sort=None, scale=style.by_kind(kinds, SHAPES), legend=key),
            stroke=alt.Stroke("mark:N", sort=None, scale=style.by_kind(kinds, style.STROKES), legend=key),
        ),
    ]


def _prime(rows: list[Row], x: alt.X, measures: Frame) -> list[alt.Chart]:
    """The prime window as a shaded band with its name and ages."""
    import altair as alt  # noqa: PLC0415  slow to import

    prime = [row for row in rows if row["prime"]]
    if not prime:
        return []
    text = f"prime window, age {prime[0]['age_d']} to {prime[-1]['age_d']}"
    left = x.copy(deep=False)
    left.bandPosition = 0
    data = alt.Data(values=[{"day": prime[0]["day"], "to": prime[-1]["day"], "text": text}])
    return [
        alt.Chart(data).mark_rect(color=style.BAND).encode(x=left, x2=alt.X2("to:O", bandPosition=1)),
        alt.Chart(data)
        .mark_text(align="left", baseline="top", dx=3, dy=3, fontSize=style.SMALL_PX, fontWeight="bold", color=style.INK)
        .encode(x=left, y=alt.value(0), text="text:N"),
    ]


def _signs(outlook: Outlook, today: date) -> list[tuple[date, float, str]]:
    """Days to mark with a rule: the day, where in its band, and the label."""
    found = [(today, 0.5, f"today, {day_label(today)}")]
    check, late = event_day(outlook, "first laying check"), event_day(outlook, "late")
    if check is not None:
        found.append((check, 0.5, f"first laying check, {day_label(check)}"))
    if late is not None:
        found.append((late, 1.0, f"late after {day_label(late)}"))
    shown = {day.day for day in outlook.days}
    return sorted((sign for sign in found if sign[0] in shown), key=lambda sign: sign[0])


def _sign(
    day: date, edge: float, text: str, line_px: int, bottom_px: int, x: alt.X, outlook: Outlook, measures: Frame
) -> list[alt.Chart]:
    """A rule from its label down. The label stands on the side that has room for it."""
    import altair as alt  # noqa: PLC0415  slow to import

    place = ([d.day for d in outlook.days].index(day) + edge) / len(outlook.days)
    room = (1.0 - place) * measures.plot_px
    side = "left" if room > 0.52 * style.SMALL_PX * len(text) else "right"
    at = x.copy(deep=False)
    at.bandPosition = edge
    data = alt.Data(values=[{"day": day.isoformat(), "text": text}])
    label = alt.Chart(data).encode(x=at, y=alt.value(line_px + 2), text="text:N")
    place_text = {"align": side, "baseline": "top", "dx": 4 if side == "left" else -4, "fontSize": style.SMALL_PX}
    dash = [1, 0] if text.startswith("today") else [5, 3]
    return [
        alt.Chart(data).mark_rule(color=style.INK, strokeDash=dash).encode(x=at, y=alt.value(line_px), y2=alt.value(bottom_px)),
        label.mark_text(**place_text, stroke=style.PAPER, strokeWidth=3),
        label.mark_text(**place_text, color=style.INK),
    ]


def _lost_panel(rows: list[Row], x: alt.X, high: int, measures: Frame) -> alt.Chart:
    """Hours of each day's flying time that are lost, by cause."""
    import altair as alt  # noqa: PLC0415  slow to import

    values = [
        {"day": row["day"], "cause": word, "order": i, "lost": row[f"lost_{name}_h"]}
        for row in rows
        for i, (name, word) in enumerate(CAUSE_WORDS.items())
        if row[f"lost_{name}_h"] is not None
    ]
    return (
        alt.Chart(alt.Data(values=values))
        .mark_bar(stroke=style.INK, strokeWidth=0.7)
        .encode(
            x=x,
            y=alt.Y(
                "lost:Q",
                stack="zero",
                scale=alt.Scale(domain=[0, high], nice=False),
                axis=style.value_axis("h", 1, measures, list(range(high + 1))),
            ),
            order="order:Q",
            fill=alt.Fill(
                "cause:N",
                sort=None,
                scale=style.by_kind(list(CAUSE_FILLS), CAUSE_FILLS),
                legend=alt.Legend(title=None, orient="top"),
            ),
        )
        .properties(
            width=measures.plot_px, height=LOST_PX, title=style.panel_title("Flight hours a day lost, by cause",
            measures)
        )
    )
