"""Reading a picture back: what Vega lays out, as marks and texts with their places on the page."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import altair as alt
import vl_convert

if TYPE_CHECKING:
    from collections.abc import Iterator

_ACROSS = {"left": 0.0, "center": 0.5, "right": 1.0}
_DOWN = {"top": 0.0, "middle": 0.5, "bottom": 1.0, "alphabetic": 0.8}


@dataclass(frozen=True)
class Mark:
    """One drawn item: its kind ("symbol", "rect", "rule", "text" ...), its role, and Vega's own description, x and y on the page."""

    kind: str
    role: str
    item: dict[str, Any]
    x: float
    y: float


@dataclass(frozen=True)
class Box:
    """A line of text with the room that it takes."""

    text: str
    left: float
    right: float
    top: float
    bottom: float

    def overlaps(self, other: Box) -> bool:
        return (
            self.left < other.right
            and other.left < self.right
            and self.top < other.bottom
            and other.top < self.bottom
        )


def layout(chart: alt.VConcatChart) -> tuple[float, float, list[Mark]]:
    """Width, height and marks of a picture as Vega lays it out."""
    scene = vl_convert.vegalite_to_scenegraph(chart.to_dict(), allowed_base_urls=[])
    x, y = scene["origin"]
    return scene["width"], scene["height"], list(_walk(scene["scenegraph"], x, y))


def _walk(group: dict[str, Any], x: float, y: float) -> Iterator[Mark]:
    for item in group.get("items", []):
        kind, role = group.get("marktype", "group"), group.get("role", "")
        across, down = x + item.get("x", 0.0), y + item.get("y", 0.0)
        if "items" in item:
            for inner in item["items"]:
                yield from _walk(inner, across, down)
        else:
            yield Mark(kind, role, item, across, down)


def texts(marks: list[Mark]) -> list[Box]:
    """The lines of all texts. Widths come from a rule of thumb that is independent of the package: half the type size a character."""
    boxes = []
    for mark in marks:
        if mark.kind != "text" or not mark.item.get("text"):
            continue
        lines = mark.item["text"] if isinstance(mark.item["text"], list) else [mark.item["text"]]
        size = mark.item["fontSize"]
        height = 1.15 * size
        top = mark.y + mark.item.get("dy", 0) - _DOWN[mark.item.get("baseline", "alphabetic")] * size
        for i, line in enumerate(lines):
            width = 0.5 * size * len(line)
            left = mark.x + mark.item.get("dx", 0) - _ACROSS[mark.item.get("align", "left")] * width
            boxes.append(Box(line, left, left + width, top + i * height, top + i * height + size))
    return boxes
