"""Answers to draw, and reading a picture back: what Vega lays out, as marks and texts with their places on the page."""

from __future__ import annotations

from dataclasses import dataclass, replace
from datetime import UTC, date, datetime
from functools import cache
from pathlib import Path
from typing import TYPE_CHECKING, Any

import vl_convert

from matewindow.biology import load_biology
from matewindow.charts.lettering import text_px
from matewindow.graft import GraftDecision, graft_decision
from matewindow.limits import Limits
from matewindow.outlook import Outlook, batch_outlook
from matewindow.site import Site, read_site
from matewindow.sources import load_sources, site_biology
from matewindow.timeline import Batch, graft_time

if TYPE_CHECKING:
    from collections.abc import Iterator

    import altair as alt

FOLDER = Path(__file__).resolve().parent.parent / "sample_weather"
NOW = datetime(2026, 6, 1, 6, tzinfo=UTC)
Answers = tuple[Site, GraftDecision, GraftDecision, Outlook]

_ACROSS = {"left": 0.0, "center": 0.5, "right": 1.0}
_DOWN = {"top": 0.0, "middle": 0.5, "bottom": 1.0, "alphabetic": 0.8}


@cache
def made_answers() -> Answers:
    """The invented site of the demo, a graft decision, one with limits and a deadline, and a batch under way."""
    site = read_site(FOLDER / "site.toml")
    biology = site_biology(site, load_biology())
    sources = load_sources(FOLDER, site, biology)
    limits = Limits(nucs_free_from=date(2026, 6, 15), weekdays_off=frozenset({6}))
    free = graft_decision(site, sources, date(2026, 6, 1), 14, NOW, biology)
    bound = graft_decision(site, sources, date(2026, 5, 30), 14, NOW, biology, by=date(2026, 6, 30), limits=limits)
    batch = batch_outlook(Batch(graft_time(date(2026, 5, 13), site)), site, sources, NOW, biology)
    return site, free, bound, batch


@cache
def answers_of_a_forecast_alone() -> tuple[Site, GraftDecision, Outlook]:
    """The same site with its forecast and ensemble, but without any record or past years."""
    site = read_site(FOLDER / "site.toml")
    biology = site_biology(site, load_biology())
    sources = replace(load_sources(FOLDER, site, biology), observed=None, past=None)
    decision = graft_decision(site, sources, date(2026, 5, 18), 3, NOW, biology)
    return site, decision, batch_outlook(Batch(graft_time(date(2026, 5, 15), site)), site, sources, NOW, biology)


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
            self.left < other.right and other.left < self.right and self.top < other.bottom and other.top < self.bottom
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
    """The lines of all texts, with their widths as estimated by the package, which is checked against the drawn ones."""
    boxes = []
    for mark in marks:
        if mark.kind != "text" or not mark.item.get("text"):
            continue
        lines = mark.item["text"] if isinstance(mark.item["text"], list) else [mark.item["text"]]
        size = mark.item["fontSize"]
        height = 1.15 * size
        top = mark.y + mark.item.get("dy", 0) - _DOWN[mark.item.get("baseline", "alphabetic")] * size
        for i, line in enumerate(lines):
            width = text_px(line, size, bold=mark.item.get("fontWeight") == "bold")
            left = mark.x + mark.item.get("dx", 0) - _ACROSS[mark.item.get("align", "left")] * width
            boxes.append(Box(line, left, left + width, top + i * height, top + i * height + size))
    return boxes
