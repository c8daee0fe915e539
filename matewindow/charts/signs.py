"""Days that a picture marks with a rule and a label, placed so that no rule runs through another's label."""

from __future__ import annotations

from dataclasses import dataclass
from itertools import permutations, product
from typing import TYPE_CHECKING, Literal

from matewindow.charts import style
from matewindow.charts.lettering import SMALL_PX, text_px

if TYPE_CHECKING:
    from collections.abc import Sequence

    import altair as alt

SIDES: tuple[Literal["left", "right"], ...] = ("left", "right")
LINE_PX = 15
_GAP_PX = 5


@dataclass(frozen=True)
class Sign:
    """A marked day: its key on the axis, its label, the rule's place in its band (0 to 1), whether it is planned."""

    day: str
    text: str
    edge: float = 0.5
    planned: bool = True


@dataclass(frozen=True)
class Placed:
    """A sign with the side that its label stands on and its line from the top."""

    sign: Sign
    side: Literal["left", "right"]
    line: int


def place(signs: Sequence[Sign], days: Sequence[str], plot_px: float) -> list[Placed]:
    """Choose a line and a side for each label: none leaves the panel, and as few as can be are crossed by a rule.

    A rule starts at its own label and runs down, so it crosses only labels on lower lines.
    """
    band = plot_px / len(days)
    spots = [(days.index(sign.day) + sign.edge) * band for sign in signs]
    widths = [text_px(sign.text, SMALL_PX) + _GAP_PX for sign in signs]

    def faults(lines: Sequence[int], sides: Sequence[str]) -> float:
        bad = 0.0
        for i, (spot, width) in enumerate(zip(spots, widths, strict=True)):
            left, right = (spot, spot + width) if sides[i] == "left" else (spot - width, spot)
            bad += 10.0 * (max(0.0, -left) + max(0.0, right - plot_px))
            bad += sum(left - 2 < s < right + 2 and lines[j] < lines[i] for j, s in enumerate(spots) if j != i)
        return bad

    choices = product(permutations(range(len(signs))), product(SIDES, repeat=len(signs)))
    lines, sides = min(choices, key=lambda choice: faults(*choice))  # of equals the first: the same picture every time
    return [Placed(sign, side, line) for sign, side, line in zip(signs, sides, lines, strict=True)]


def rules(placed: Sequence[Placed], x: alt.X, top_px: int, bottom_px: int) -> list[alt.Chart]:
    """The rules, to lie behind the data: solid for a day that is, dashed for one that is planned."""
    import altair as alt  # slow to import

    return [
        _data(p)
        .mark_rule(color=style.QUIET, strokeWidth=2.5, strokeDash=[6, 4] if p.sign.planned else [1, 0])
        .encode(x=style.at_edge(x, p.sign.edge), y=alt.value(top_px + LINE_PX * p.line), y2=alt.value(bottom_px))
        for p in placed
    ]


def labels(placed: Sequence[Placed], x: alt.X, top_px: int) -> list[alt.Chart]:
    """The labels."""
    import altair as alt  # slow to import

    return [
        _data(p)
        .mark_text(align=p.side, baseline="top", dx=_GAP_PX if p.side == "left" else -_GAP_PX, dy=2)
        .encode(x=style.at_edge(x, p.sign.edge), y=alt.value(top_px + LINE_PX * p.line), text="text:N")
        for p in placed
    ]


def _data(placed: Placed) -> alt.Chart:
    import altair as alt  # slow to import

    return alt.Chart(alt.InlineData(values=[{"day": placed.sign.day, "text": placed.sign.text}]))
