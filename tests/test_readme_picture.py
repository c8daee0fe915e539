"""The picture in the README is the one that the demo draws now."""

from __future__ import annotations

import re
from pathlib import Path

from matewindow.biology import Biology
from matewindow.charts import window_chart, write_chart
from matewindow.demo import run_demo
from matewindow.paths import Sources
from matewindow.site import Site
from tests.conftest import SAMPLE


def words(svg: str) -> list[str]:
    """All that is written in a picture, in order; where it stands may move with the drawing library."""
    return re.findall(r"<text[^>]*>([^<]+)</text>", svg)


def test_the_picture_in_the_readme_says_what_the_demo_says(
    sample_site: Site, sample_sources: Sources, sample_biology: Biology, tmp_path: Path
) -> None:
    _, outlook = run_demo(sample_site, sample_sources, sample_biology)
    svg, _ = write_chart(window_chart(outlook, site=sample_site), tmp_path / "window")

    stored = words((SAMPLE / "demo-window.svg").read_text(encoding="utf-8"))
    assert len(stored) > 20
    assert words(svg.read_text(encoding="utf-8")) == stored
