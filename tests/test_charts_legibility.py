"""Pictures can be read on a telephone, in black-and-white print and by colour-blind people."""

from __future__ import annotations

from dataclasses import replace
from datetime import date, timedelta
from itertools import combinations, pairwise
from typing import TYPE_CHECKING

import numpy as np
import pytest
import vl_convert
from hypothesis import given, settings
from hypothesis import strategies as st

from matewindow.charts import graft_chart, window_chart
from matewindow.charts.lettering import FONT, SMALL_PX, text_px, wrap
from matewindow.charts.signs import Sign, place
from matewindow.charts.style import CAUSE_FILLS, FILLS, ORIGIN_FILLS, RIGHT_PX, SHAPES, STROKES, USUAL, day_axis, frame
from matewindow.charts.tables import BEHIND, BEST, LIMITED
from tests.pictures import Answers, Mark, layout, made_answers, texts

if TYPE_CHECKING:
    from collections.abc import Mapping

    import altair as alt
    from numpy.typing import NDArray

    Floats = NDArray[np.float64]

# Severity 1.0 of the deuteranomaly model, for linear RGB: Machado, Oliveira & Fernandes 2009, IEEE TVCG 15(6), supplement.
DEUTERANOPIA = np.array(
    [[0.367322, 0.860646, -0.227968], [0.280085, 0.672501, 0.047413], [-0.011820, 0.042940, 0.968881]]
)


@pytest.fixture(name="answers")
def _answers() -> Answers:
    return made_answers()


def linear(colour: str) -> Floats:
    """Linear RGB of a hex colour: sRGB as in WCAG 2.2, definition of relative luminance."""
    srgb = np.array([int(colour[i : i + 2], 16) / 255 for i in (1, 3, 5)])
    return np.where(srgb <= 0.04045, srgb / 12.92, ((srgb + 0.055) / 1.055) ** 2.4)


def luminance(rgb: Floats) -> float:
    """WCAG 2.2 relative luminance: 0.2126 R + 0.7152 G + 0.0722 B of linear RGB."""
    return float(np.array([0.2126, 0.7152, 0.0722]) @ rgb)


def contrast(a: float, b: float) -> float:
    """WCAG 2.2 contrast ratio of two relative luminances."""
    return (max(a, b) + 0.05) / (min(a, b) + 0.05)


def seen_by_a_deuteranope(colour: str) -> Floats:
    return np.clip(DEUTERANOPIA @ linear(colour), 0.0, 1.0)


def charts(answers: Answers, width_px: int) -> list[alt.VConcatChart]:
    """Plain, with limits and a deadline, with 120 days, with one day, and a window."""
    site, free, bound, outlook = answers
    many = [replace(free.days[i % 14], day=free.days[0].day + timedelta(days=i)) for i in range(120)]
    return [
        graft_chart(free, width_px),
        graft_chart(bound, width_px),
        graft_chart(replace(free, days=many), width_px),
        graft_chart(replace(free, days=free.days[:1]), width_px),
        window_chart(outlook, width_px, site=site),
    ]


@pytest.mark.parametrize("fills", [ORIGIN_FILLS, CAUSE_FILLS], ids=["stands on", "causes"])
def test_parts_of_a_bar_differ_in_grey(fills: Mapping[str, str]) -> None:
    for a, b in combinations(fills.values(), 2):
        assert contrast(luminance(linear(a)), luminance(linear(b))) >= 1.5, (a, b)


@pytest.mark.parametrize("fills", [ORIGIN_FILLS, CAUSE_FILLS], ids=["stands on", "causes"])
def test_parts_of_a_bar_differ_for_a_deuteranope(fills: Mapping[str, str]) -> None:
    for a, b in combinations(fills.values(), 2):
        lights = [luminance(seen_by_a_deuteranope(c)) for c in (a, b)]
        assert contrast(*lights) >= 1.4, (a, b)


def test_luminance_agrees_with_published_values() -> None:
    """WCAG 2.2: white is 1, black 0, their contrast 21. Mid grey #777777 on white is 4.48 (WebAIM's widely quoted example)."""
    white, black, grey = (luminance(linear(c)) for c in ("#FFFFFF", "#000000", "#777777"))
    assert white == pytest.approx(1.0)
    assert black == 0.0
    assert contrast(white, black) == pytest.approx(21.0)
    assert contrast(white, grey) == pytest.approx(4.48, abs=0.005)


def test_every_class_of_day_and_the_usual_has_a_shape_of_its_own_and_stands_out_from_paper() -> None:
    classes = (BEST, BEHIND, LIMITED, USUAL)
    assert len({SHAPES[c] for c in classes}) == len(classes)
    assert contrast(luminance(linear(FILLS[BEST])), luminance(linear(FILLS[BEHIND]))) > 4.5  # full against hollow
    for c in classes:
        assert contrast(luminance(linear(STROKES[c])), 1.0) >= 3.0  # WCAG 2.2, 1.4.11: graphics 3 to 1


def test_the_drawn_marks_have_the_shapes_that_their_key_names(answers: Answers) -> None:
    marks = layout(graft_chart(answers[2]))[2]

    drawn = {m.item["shape"] for m in marks if m.kind == "symbol" and m.role == "mark"}
    key = [m.item["shape"] for m in marks if m.kind == "symbol" and m.role == "legend-symbol"]
    names = [m.item["text"] for m in marks if m.role == "legend-label"]
    assert len(set(key)) == len(key) == len(names)
    assert dict(zip(names, key, strict=True)) == {name: SHAPES[name] for name in names}
    assert drawn == set(key)


def test_the_days_to_graft_on_are_marked_in_words(answers: Answers) -> None:
    _, free, _, _ = answers
    one = replace(free, graft_dates=free.graft_dates[:1])

    assert BEST in [m.item["text"] for m in layout(graft_chart(free))[2] if m.role == "mark" and m.kind == "text"]
    assert "best" in [m.item["text"] for m in layout(graft_chart(one))[2] if m.role == "mark" and m.kind == "text"]


@pytest.mark.parametrize("width_px", [320, 360, 640])
def test_no_text_is_small_outside_or_across_another(answers: Answers, width_px: int) -> None:
    for chart in charts(answers, width_px):
        width, height, marks = layout(chart)
        assert 0.9 * width_px <= width <= width_px
        assert min(m.item["fontSize"] for m in marks if m.kind == "text") >= 11
        boxes = texts(marks)
        for box in boxes:
            assert box.left >= -1, box
            assert box.right <= width_px + 1, box
            assert box.top >= -1, box
            assert box.bottom <= height + 2, box
        assert not [(a.text, b.text) for a, b in combinations(boxes, 2) if a.overlaps(b)]


@pytest.mark.parametrize("width_px", [360, 640])
def test_no_rule_runs_through_a_label(answers: Answers, width_px: int) -> None:
    site, _, _, outlook = answers
    marks = layout(window_chart(outlook, width_px, site=site))[2]

    signs = [box for box in texts([m for m in marks if m.role == "mark"]) if not box.text.startswith("prime")]
    assert len(signs) == 3
    for rule in (m for m in marks if m.kind == "rule" and m.role == "mark"):
        ends = sorted((rule.y, rule.y + rule.item.get("y2", rule.item["y"]) - rule.item["y"]))
        crossed = [b.text for b in signs if b.left < rule.x < b.right and ends[0] < b.top and ends[1] > b.bottom]
        assert not crossed


def test_axes_carry_units_and_days_carry_weekday_date_and_age(answers: Answers) -> None:
    def labels(marks: list[Mark]) -> list[str | list[str]]:
        return [m.item["text"] for m in marks if m.role == "axis-label"]

    graft, window = (labels(layout(c)[2]) for c in (graft_chart(answers[1]), window_chart(answers[3])))
    assert {text[-1] for text in graft if isinstance(text, str)} == {"%", "h"}
    assert {text[-1] for text in window if isinstance(text, str)} == {"h"}
    assert ["Mon", "1 Jun"] in graft
    assert ["Mon", "25 May", "age 0"] in window


@pytest.mark.parametrize("width_px", [320, 360, 640])
def test_labels_of_days_fit_whatever_the_number_of_days(width_px: int) -> None:
    measures = frame(width_px, 38)
    for n in range(1, 121):
        days = [date(2026, 5, 25) + timedelta(days=i) for i in range(n)]
        named = day_axis(days, measures, lambda _: ["Mon", "25 May"])["axis"]["values"]
        centres = [(days.index(date.fromisoformat(v)) + 0.5) * measures.plot_px / n for v in named]
        wide = text_px("25 May", SMALL_PX)
        assert centres[-1] + wide / 2 <= measures.plot_px + RIGHT_PX
        assert all(b - a >= wide for a, b in pairwise(centres))
        assert len(centres) >= min(n, 3) // 2 + 1


@pytest.mark.parametrize("bold", [False, True])
def test_estimated_widths_are_never_narrower_than_drawn(answers: Answers, bold: bool) -> None:  # noqa: FBT001
    """The drawn width is that of a picture with nothing but the text in it, as vl-convert measures its own font."""
    for text in (
        answers[1].sentence,
        "first laying check, Mon 8 Jun",
        "HOLLIN BANK WWW · 07:00 BST",
        "usual 12 h (10 to 90 %)",
    ):
        heading = {
            "text": text,
            "fontSize": 40,
            "font": FONT,
            "anchor": "start",
            "fontWeight": "bold" if bold else "normal",
        }
        spec = {"data": {"values": []}, "mark": "point", "width": 1, "height": 1, "padding": 0, "title": heading}
        drawn = vl_convert.vegalite_to_scenegraph(spec)["width"]
        assert drawn - 1 <= text_px(text, 40, bold=bold) <= 1.15 * drawn


@given(st.text(st.sampled_from("abc W%1 "), max_size=80), st.floats(30, 300))
def test_wrapped_lines_fit_and_lose_nothing(text: str, width_px: float) -> None:
    lines = wrap(text, width_px, SMALL_PX)

    assert all(text_px(line, SMALL_PX) <= width_px for line in lines)
    assert "".join("".join(lines).split()) == "".join(text.split())


def test_a_number_stays_with_its_unit() -> None:
    lines = wrap("The odds are 89 % on 1 June and 10 to 90 % lie within 12 h of it", 70, 12)

    for pair in ("89\u00a0%", "1\u00a0June", "10\u00a0to\u00a090\u00a0%", "12\u00a0h"):
        assert any(pair in line for line in lines)


@settings(max_examples=60)
@given(st.lists(st.integers(0, 21), min_size=1, max_size=3), st.sampled_from([300, 590]), st.sampled_from([0.5, 1.0]))
def test_signs_stay_inside_the_panel_and_have_a_line_each(at: list[int], plot_px: int, edge: float) -> None:
    days = [(date(2026, 5, 25) + timedelta(days=i)).isoformat() for i in range(22)]
    signs = [Sign(days[i], "first laying check, Mon 25 May", edge) for i in at]

    placed = place(signs, days, plot_px)
    assert sorted(p.line for p in placed) == list(range(len(signs)))
    for p in placed:
        spot = (days.index(p.sign.day) + p.sign.edge) * plot_px / len(days)
        wide = text_px(p.sign.text, SMALL_PX)
        room = plot_px - spot if p.side == "left" else spot
        other = plot_px - room
        assert room >= wide or other < wide + 5
