"""What all pictures share: colours, shapes, type, the calendar axis, titles and measures.

Colours are picked so that classes within one panel differ in relative luminance (WCAG 2.2, a published formula:
contrast ratio of
1.5 and more between neighbours), which survives black-and-white print and every kind of colour blindness; the hues
follow Okabe & Ito 2008 where their lightness allows. Shapes, outlines and words say the same again.
"""

from __future__ import annotations

import textwrap
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from matewindow.charts.tables import BEHIND, BEST, LIMITED, day_label
from matewindow.errors import RequestError

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence
    from datetime import date, datetime, tzinfo

    import altair as alt

FONT = "Liberation Sans, Arial, Helvetica, sans-serif"
"""vl-convert brings Liberation Sans along; Arial and Helvetica have the same widths where an SVG is shown without it."""
SMALL_PX, TEXT_PX, TITLE_PX = 11, 12, 14
INK, GRID, BAND, PAPER = "#222222", "#DDDDDD", "#E6E6E6", "#FFFFFF"

RANGE, USUAL = "range", "usual for the dates"
FILLS = {BEST: "#004B76", BEHIND: PAPER, LIMITED: PAPER, RANGE: INK, USUAL: "#D55E00"}
STROKES = {BEST: "#004B76", BEHIND: INK, LIMITED: INK, USUAL: "#D55E00", RANGE: INK}
CROSS = "M-1,-1L1,1M-1,1L1,-1"
DASH, BAR = "M-1,0L1,0", "M0,-1L0,1"
SHAPES = {BEST: "circle", BEHIND: "diamond", LIMITED: CROSS, USUAL: DASH, RANGE: BAR}

ORIGIN_WORDS = {"observed": "observed", "forecast": "forecast", "past_years": "past years"}
ORIGIN_FILLS = {"observed": "#004B76", "forecast": "#56B4E9", "past years": PAPER}
CAUSE_WORDS = {"cold": "cold", "wind": "wind", "rain": "rain", "light": "poor light", "heat": "heat"}
CAUSE_FILLS = {"cold": "#003A5C", "wind": "#00785A", "rain": "#56B4E9", "poor light": "#F7EFA0", "heat": "#B84A00"}

MIN_WIDTH_PX, MAX_WIDTH_PX = 320, 2000
RIGHT_PX = 22  # room for half of the last day's label
_EDGE_PX = 6


@dataclass(frozen=True)
class Frame:
    """Measures of a picture: its width, the room left of the panels for axis labels, and the panels' own width (px)."""

    width_px: int
    left_px: int

    @property
    def plot_px(self) -> int:
        """Width of the panels."""
        return self.width_px - self.left_px - RIGHT_PX - _EDGE_PX


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


def wrap(text: str, width_px: int, size_px: int, *, bold: bool = False) -> list[str]:
    """A text in lines that fit a width. The mean character of Liberation Sans is about half as wide as its size, bold a bit more."""
    per_line = int(width_px / (size_px * (0.56 if bold else 0.51)))
    return textwrap.wrap(text, per_line) or [""]


def computed(now: datetime, zone: tzinfo | None) -> str:
    """When an answer was computed, by the site's clock."""
    here = now.astimezone(zone)
    return f"computed {day_label(here.date())} {here.year}, {here:%H:%M} {here.tzname()}"


def standing_on(shares: dict[str, float]) -> str:
    """What the prime window rests on, in whole percents, the largest share first."""
    parts = sorted(((share, ORIGIN_WORDS[name]) for name, share in shares.items() if share >= 0.005), reverse=True)
    return "stands on " + ", ".join(f"{100 * share:.0f} % {word}" for share, word in parts)


def title(head: str, tail: Sequence[str], width_px: int) -> alt.TitleParams:
    """The answer in words, with smaller lines below it."""
    import altair as alt  # noqa: PLC0415  slow to import

    room = width_px - 2 * _EDGE_PX
    return alt.TitleParams(
        text=wrap(head, room, TITLE_PX, bold=True),
        subtitle=[line for text in tail for line in wrap(text, room, TEXT_PX)],
        anchor="start",
        frame="bounds",
        offset=10,
    )


def panel_title(text: str, measures: Frame) -> alt.TitleParams:
    """What a panel shows and in which unit."""
    import altair as alt  # noqa: PLC0415  slow to import

    lines = wrap(text, measures.plot_px + RIGHT_PX, TEXT_PX, bold=True)
    return alt.TitleParams(text=lines, anchor="start", fontSize=TEXT_PX, offset=6, frame="group")


def day_axis(days: Sequence[date], measures: Frame, lines: Callable[[int], list[str]], room_px: int = 42) -> alt.X:
    """Days as bands along x. They are ISO texts, not times: a time would be shifted to the reader's own clock.

    Args:
        days: in order.
        measures: of the picture.
        lines: the lines of a day's label, by its position.
        room_px: width that a label takes; only as many days are labelled as fit.
    """
    import altair as alt  # noqa: PLC0415  slow to import

    step = next(
        (n for n in (1, 2, 3, 4, 7, 14) if n * measures.plot_px / len(days) >= room_px),
        28,
    )
    named = {day.isoformat(): lines(i) for i, day in enumerate(days) if i % step == 0}
    return alt.X(
        "day:O",
        sort=None,
        scale=alt.Scale(type="band", domain=[d.isoformat() for d in days], paddingInner=0.2, paddingOuter=0.1),
        axis=alt.Axis(
            values=list(named),
            labelExpr=f"{as_expression(named)}[datum.value]",
            labelAngle=0,
            labelPadding=3,
            labelOverlap=False,
            title=None,
            grid=False,
        ),
    )


def as_expression(value: Any) -> str:  # noqa: ANN401  any JSON value
    """A value as a literal of Vega's expression language, which reads JSON."""
    import json  # noqa: PLC0415  not needed without a picture

    return json.dumps(value, ensure_ascii=False, sort_keys=True)


def value_axis(unit: str, factor: int, measures: Frame, ticks: Sequence[float]) -> alt.Axis:
    """An axis of numbers, each with its unit."""
    import altair as alt  # noqa: PLC0415  slow to import

    return alt.Axis(
        values=list(ticks),
        labelExpr=f"format(datum.value * {factor}, '.0f') + '\u00a0{unit}'",
        title=None,
        minExtent=measures.left_px,
        maxExtent=measures.left_px,
    )


def by_kind(names: Sequence[str], shown: dict[str, str]) -> alt.Scale:
    """A scale that gives each kind of mark its own shape or colour."""
    import altair as alt  # noqa: PLC0415  slow to import

    return alt.Scale(domain=list(names), range=[shown[name] for name in names])


def dress(chart: alt.VConcatChart) -> alt.VConcatChart:
    """Type, paper and lines of every picture."""
    text = {"labelFont": FONT, "titleFont": FONT, "labelColor": INK, "titleColor": INK, "labelFontSize": SMALL_PX}
    dressed: alt.VConcatChart = (
        chart.configure(
            font=FONT,
            background=PAPER,
            padding={"left": _EDGE_PX, "right": 0, "top": _EDGE_PX, "bottom": _EDGE_PX},
        )
        .configure_view(stroke=None, clip=False)
        .configure_axis(**text, gridColor=GRID, domainColor=INK, tickColor=INK, tickSize=4)
        .configure_legend(**text, symbolStrokeColor=INK, symbolSize=90, padding=0, offset=6, rowPadding=3)
        .configure_title(
            font=FONT, subtitleFont=FONT, color=INK, subtitleColor=INK, fontSize=TITLE_PX, subtitleFontSize=TEXT_PX
        )
        .configure_mark(aria=False)
    )
    return dressed
