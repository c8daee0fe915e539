"""What all pictures share: colours, shapes, measures, the calendar axis and titles.

Colours are picked so that any two parts of a bar differ in relative luminance (WCAG 2.2, a published formula) by a
contrast ratio of 1.5 and more, which survives black-and-white print and every kind of colour blindness; the hues
follow Okabe & Ito 2008 where their lightness allows. Shapes, outlines and words say the same again.
"""

from __future__ import annotations

import json
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from matewindow.charts.lettering import FONT, NO_BREAK, SMALL_PX, TEXT_PX, TITLE_PX, text_px, wrap
from matewindow.charts.tables import BEHIND, BEST, LIMITED, day_label
from matewindow.errors import RequestError

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping, Sequence
    from datetime import date, datetime, tzinfo

    import altair as alt

    from matewindow.charts.tables import Row

INK, QUIET, GRID, PAPER = "#222222", "#777777", "#DDDDDD", "#FFFFFF"
BAND_OPACITY = 0.10  # of ink on paper, so that the grid shows through

USUAL = "usual"
FILLS = {BEST: "#004B76", BEHIND: PAPER, LIMITED: PAPER, USUAL: "#D55E00"}
STROKES = {BEST: "#004B76", BEHIND: INK, LIMITED: INK, USUAL: "#D55E00"}
SHAPES = {
    BEST: "circle",
    BEHIND: "diamond",
    LIMITED: "M-1,-1L1,1M-1,1L1,-1",
    USUAL: "M-1,0L1,0",
}

ORIGIN_WORDS = {"observed": "measured", "forecast": "forecast", "past_years": "past years"}
ORIGIN_FILLS = {"measured": "#004B76", "forecast": "#56B4E9", "past years": PAPER}
CAUSE_WORDS = {"cold": "cold", "wind": "wind", "rain": "rain", "heat": "heat", "light": "poor light"}
CAUSE_FILLS = {"cold": "#00304D", "wind": "#00705A", "rain": "#4A90C4", "heat": "#E69F00", "poor light": "#F7EFA0"}

MIN_WIDTH_PX, MAX_WIDTH_PX = 320, 2000
EDGE_PX, RIGHT_PX = 6, 12


@dataclass(frozen=True)
class Frame:
    """Measures of a picture: its width, and the room left of the panels for the labels of their axes (px)."""

    width_px: int
    left_px: int

    @property
    def plot_px(self) -> int:
        """Width of the panels."""
        return self.width_px - 2 * EDGE_PX - self.left_px - RIGHT_PX


def frame(width_px: int, left_px: int) -> Frame:
    """The measures of a picture.

    Raises:
        RequestError: too narrow to be read or absurdly wide.
    """
    if not MIN_WIDTH_PX <= width_px <= MAX_WIDTH_PX:
        raise RequestError(
            f"a picture {width_px} px wide",
            where="width",
            fix=f"Ask for {MIN_WIDTH_PX} to {MAX_WIDTH_PX} px; a telephone shows 360, a page 640.",
        )
    return Frame(width_px, left_px)


def computed(now: datetime, zone: tzinfo | None) -> str:
    """When an answer was computed, by the site's clock."""
    here = now.astimezone(zone)
    return f"computed {day_label(here.date())} {here.year}, {here:%H:%M}{NO_BREAK}{here.tzname()}"


def standing_on(shares: Mapping[str, float]) -> str:
    """What the prime window rests on, in whole percents, the largest share first."""
    parts = sorted(((share, ORIGIN_WORDS[name]) for name, share in shares.items() if share >= 0.005), reverse=True)
    return "Stands on " + ", ".join(f"{100 * share:.0f} % {word}" for share, word in parts)


def title(head: str, tail: Sequence[str], width_px: int) -> alt.TitleParams:
    """The answer in words, with smaller lines below it."""
    import altair as alt  # slow to import

    room = width_px - 2 * EDGE_PX
    return alt.TitleParams(
        text=wrap(head, room, TITLE_PX, bold=True),
        subtitle=[line for text in tail for line in wrap(text, room, TEXT_PX)],
        anchor="start",
        frame="bounds",
        offset=10,
    )


def panel_title(text: str, note: str, measures: Frame) -> alt.TitleParams:
    """What a panel shows, with a note on its marks that gets a line of its own where both do not fit in one."""
    import altair as alt  # slow to import

    room = measures.plot_px + RIGHT_PX
    lines = wrap(f"{text} {note}".strip(), room, TEXT_PX, bold=True)
    if len(lines) > 1 and note:
        lines = wrap(text, room, TEXT_PX, bold=True) + wrap(note, room, TEXT_PX, bold=True)
    return alt.TitleParams(text=lines, anchor="start", fontSize=TEXT_PX, offset=6, frame="group")


def day_axis(days: Sequence[date], measures: Frame, lines: Callable[[int], list[str]]) -> alt.X:
    """Days as bands along x. They are ISO texts, not times: a time would be shifted to the reader's own clock.

    Args:
        days: in order.
        measures: of the picture; only as many days are labelled as fit.
        lines: the lines of a day's label, by its position.
    """
    import altair as alt  # slow to import

    labels = [lines(i) for i in range(len(days))]
    widest = max(text_px(line, SMALL_PX) for label in labels for line in label)
    band = measures.plot_px / len(days)
    step = next((n for n in (1, 2, 3, 4, 7, 14) if n * band >= widest + 4.0), 28)
    last = (measures.plot_px + RIGHT_PX - widest / 2) / band - 0.5  # a label further right would leave the picture
    named = {days[i].isoformat(): labels[i] for i in range(0, len(days), step) if i <= last}
    return alt.X(
        "day:O",
        sort=None,
        scale=alt.Scale(type="band", domain=[d.isoformat() for d in days], paddingInner=0.2, paddingOuter=0.1),
        axis=alt.Axis(
            values=list(named),
            labelExpr=f"{json.dumps(named, ensure_ascii=False)}[datum.value]",  # Vega's expressions read JSON literals
            labelAngle=0,
            labelPadding=3,
            labelOverlap=False,
            title=None,
            grid=False,
        ),
    )


def at_edge(x: alt.X, edge: float) -> alt.X:
    """The same axis, with marks at a place in each day's band: 0 its left edge, 1 its right one."""
    moved: alt.X = x.copy(deep=False)
    moved["bandPosition"] = edge
    return moved


def of_field(y: alt.Y, field: str) -> alt.Y:
    """The same axis for another column of the table."""
    moved: alt.Y = y.copy(deep=False)
    moved["shorthand"] = f"{field}:Q"
    return moved


def value_axis(unit: str, factor: int, measures: Frame, ticks: Sequence[float]) -> alt.Axis:
    """An axis of numbers, each with its unit."""
    import altair as alt  # slow to import

    return alt.Axis(
        values=list(ticks),
        labelExpr=f"format(datum.value * {factor}, '.0f') + '{NO_BREAK}{unit}'",
        title=None,
        minExtent=measures.left_px,
        maxExtent=measures.left_px,
    )


def by_kind(names: Sequence[str], shown: Mapping[str, str]) -> alt.Scale:
    """A scale that gives each kind of mark its own shape or colour."""
    import altair as alt  # slow to import

    return alt.Scale(domain=list(names), range=[shown[name] for name in names])


def picture(
    panels: Sequence[alt.Chart | alt.LayerChart],
    heading: alt.TitleParams,
    description: str,
    datasets: Mapping[str, Sequence[Row]],
    *,
    spacing: int = 12,
) -> alt.VConcatChart:
    """The panels one below the other, with the data once, in our type on white paper."""
    import altair as alt  # slow to import

    chart: alt.VConcatChart = alt.vconcat(
        *panels, spacing=spacing, title=heading, description=description, config=_config()
    )
    chart["datasets"] = {name: list(rows) for name, rows in datasets.items()}
    return chart


def _config() -> dict[str, Any]:
    text = {"labelFont": FONT, "titleFont": FONT, "labelColor": INK, "titleColor": INK, "labelFontSize": SMALL_PX}
    return {
        "font": FONT,
        "background": PAPER,
        "padding": EDGE_PX,
        "view": {"stroke": None, "clip": False},
        "axis": text | {"gridColor": GRID, "domainColor": INK, "tickColor": INK, "tickSize": 4},
        "legend": text | {"symbolStrokeColor": INK, "symbolSize": 90, "padding": 0, "offset": 6, "rowPadding": 3},
        "title": {
            "font": FONT,
            "subtitleFont": FONT,
            "color": INK,
            "subtitleColor": INK,
            "fontSize": TITLE_PX,
            "subtitleFontSize": TEXT_PX,
        },
        "text": {"font": FONT, "fontSize": SMALL_PX, "color": INK},
        "mark": {"aria": False},  # hundreds of labels help nobody: every picture has its table
    }
