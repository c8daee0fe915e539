"""The report stands by itself, says the same in all its forms, and can be read on a telephone."""

from __future__ import annotations

import html
import json
import re
import shutil
import subprocess
from dataclasses import replace
from datetime import date
from functools import cache
from html.parser import HTMLParser
from itertools import combinations
from pathlib import Path

import numpy as np
import pytest

from matewindow.verification import Record, judgement, record_of, report_data, report_html, report_text
from matewindow.verification.pictures import (
    WIDTH_PX,
    rank_chart,
    reliability_chart,
    roc_chart,
    skill_chart,
    value_chart,
)
from matewindow.verification.tables import (
    as_text,
    parts_table,
    reliability_table,
    scores_table,
    skill_table,
    value_table,
)
from tests.pictures import layout, texts
from tests.verification.made_cases import INVENTED, made_cases

MADE_ON = date(2026, 11, 25)
HOSTILE = '<script>alert("1")</script> & "days" \' 1'
CHROMIUM = shutil.which("chromium")


@cache
def records() -> tuple[Record, ...]:
    """A product with two lead groups and everything, and one with a single group, few odds and no persistence."""
    two = record_of(made_cases(n_seasons=8, n_days=20, skill={"days 1 to 3": 0.8, "day 17 on": 0.0}))
    made = made_cases(n_seasons=6, n_sites=1, n_days=20, skill={"window": 0.5}, amounts=False, seed=3)
    few = replace(made, product="Queen well mated", p=np.round(made.p * 4) / 4, p_persistence=None)
    return two, record_of(few)


@cache
def page() -> str:
    return report_html(records(), made_on=MADE_ON)


class Reader(HTMLParser):
    """Counts elements, keeps ids, links and what is loaded, and checks that elements are closed in order."""

    VOID = frozenset({"meta", "br", "link", "img", "hr"})

    def __init__(self) -> None:
        super().__init__()
        self.open: list[str] = []
        self.seen: list[tuple[str, dict[str, str | None]]] = []
        self.text: list[str] = []

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.seen.append((tag, dict(attrs)))
        if tag not in self.VOID:
            self.open.append(tag)

    def handle_startendtag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.seen.append((tag, dict(attrs)))

    def handle_endtag(self, tag: str) -> None:
        assert self.open.pop() == tag

    def handle_data(self, data: str) -> None:
        self.text.append(data)


def read(text: str) -> Reader:
    reader = Reader()
    reader.feed(text)
    assert reader.open == []
    return reader


class TestPage:
    """One file of HTML."""

    def test_needs_nothing_but_itself(self) -> None:
        """No script, no handler, nothing fetched, and a policy that says so; SVG names its namespace alone."""
        reader = read(page())
        tags = {tag for tag, _ in reader.seen}
        assert not tags & {"script", "link", "img", "iframe", "object", "embed", "base", "form"}
        for tag, attributes in reader.seen:
            assert not [name for name in attributes if name.startswith("on") or name in {"src", "srcset", "xlink:href"}]
            assert tag == "a" or "href" not in attributes
        assert "url(" not in page()
        assert "@import" not in page()
        assert set(re.findall(r"https?://[^\s\"<]+", page())) <= {
            "http://www.w3.org/2000/svg",
            "http://www.w3.org/1999/xlink",
        }
        assert "default-src 'none'" in page()

    def test_links_lead_to_places_on_the_page_and_names_are_used_once(self) -> None:
        reader = read(page())
        ids = [a["id"] for _, a in reader.seen if "id" in a]
        assert len(ids) == len(set(ids))
        links = [a["href"] for tag, a in reader.seen if tag == "a"]
        assert len(links) == 2 + 3 + 1
        assert all(link and link.startswith("#") and link[1:] in ids for link in links)

    def test_every_picture_has_its_table_and_its_words(self) -> None:
        reader = read(page())
        figures = [i for i, (tag, _) in enumerate(reader.seen) if tag == "figure"]
        assert len(figures) == 2 + 2 * 4 + 3  # no hours in the second product
        for start, end in zip(figures, [*figures[1:], len(reader.seen)], strict=True):
            inside = [tag for tag, _ in reader.seen[start:end]]
            assert inside.count("svg") == 1
            assert "table" in inside
        pictures = [a for tag, a in reader.seen if tag == "div" and a.get("role") == "img"]
        assert len(pictures) == len(figures)
        assert all(len(a["aria-label"] or "") > 20 for a in pictures)
        assert [tag for tag, _ in reader.seen].count("caption") == [tag for tag, _ in reader.seen].count("table")

    def test_says_every_sentence_of_the_judgement(self) -> None:
        said = " ".join(" ".join(read(page()).text).replace("\u00a0", " ").split())
        for record in records():
            words = judgement(record)
            for sentence in [words.headline, *words.doubts, *(s for g in words.groups for s in g.sentences)]:
                assert sentence in said
        assert INVENTED in said
        assert "Made on 25 November 2026." in said

    def test_names_cannot_smuggle_in_markup(self) -> None:
        made = made_cases(n_seasons=5, n_sites=1, n_days=6, skill={HOSTILE: 0.5}, amounts=False)
        hostile = replace(made, product=HOSTILE, event=HOSTILE, notes=(HOSTILE,))
        text = report_html([record_of(hostile)], title=HOSTILE)
        reader = read(text)
        assert "script" not in {tag for tag, _ in reader.seen}
        assert HOSTILE in "".join(reader.text)
        assert "<script" not in text
        assert html.escape("<script>") in text

    def test_is_the_same_every_time(self) -> None:
        assert report_html(records()[1:]) == report_html(records()[1:])

    def test_nothing_to_judge_is_said(self) -> None:
        assert "There is nothing to judge yet." in report_html([])

    def test_a_product_without_a_known_case_has_a_page(self) -> None:
        made = made_cases(n_seasons=5, n_sites=1, n_days=6, skill={"window": 0.5})
        unknown = record_of(replace(made, outcome=np.full(len(made), np.nan)))
        reader = read(report_html([unknown]))
        assert "Nothing to go by: window." in " ".join(reader.text)

    def test_colours_of_pictures_follow_the_page_in_the_dark(self) -> None:
        """Every colour that a picture uses has a rule; bars keep their outline."""
        used = set(re.findall(r'(?:fill|stroke)="(#[0-9A-F]{6})"', page()))
        assert used
        assert used <= set(re.findall(r'svg \[(?:fill|stroke)="(#[0-9A-F]{6})"\]', page()))
        for attribute, colour in set(re.findall(r'<[^>]* (fill|stroke)="(#[0-9A-F]{6})"', page())):
            assert f'svg [{attribute}="{colour}"]' in page()


class TestOtherForms:
    """Plain data and text."""

    def test_data_is_json_without_nan_and_in_full(self) -> None:
        data = report_data(records(), made_on=MADE_ON)
        again = json.loads(json.dumps(data, allow_nan=False))
        assert again == data
        first = data["products"][0]["lead_groups"][0]
        group = records()[0].groups[0]
        assert first["brier"]["usual"]["skill"]["value"] == group.brier.usual.skill.value
        assert first["reliability"]["miscalibration"] == (group.reliability and group.reliability.miscalibration)
        assert first["flight_hours"]["ranks"]["counts"] == (group.hours and group.hours.ranks.counts.tolist())
        assert first["verdict"] == "better"
        assert data["products"][1]["lead_groups"][0]["flight_hours"] is None
        assert data["made_on"] == "2026-11-25"

    def test_text_fits_a_hundred_columns_and_says_the_judgement(self) -> None:
        text = report_text(records(), made_on=MADE_ON)
        assert max(len(line) for line in text.splitlines()) <= 100
        joined = " ".join(text.split())
        for record in records():
            for sentence in [judgement(record).headline, *judgement(record).doubts, *record.notes]:
                assert sentence in joined
        assert "\u00a0" not in text

    def test_text_says_what_its_words_mean(self) -> None:
        text = report_text(records())
        words, meanings = text.split("WHAT THE WORDS MEAN")
        for word in ("usual", "persistence", "skill", "cases", "5 to 95 %"):
            assert word in words
            assert word.removesuffix("s") in meanings.lower()
        assert "WHAT THE WORDS MEAN" not in report_text(())

    def test_every_score_of_the_page_is_among_its_words(self) -> None:
        terms = " ".join(f"{term} {meaning}" for term, meaning in report_data(records())["terms"].items()).lower()
        group = records()[0].groups[0]
        parts = parts_table(group)
        shown = [*parts.head[1:], *(row[0] for row in parts.rows)]
        for row in scores_table(group).rows:
            name, unit, *_ = [*row[0].split(", "), ""]
            shown += [name.split(" to day ")[0], *([unit.partition(" ")[0].removesuffix("s")] if len(unit) > 1 else [])]
        assert {"nat", "CRPS", "told apart", "by tenths"} <= set(shown)
        assert [word for word in shown if word.lower() not in terms] == []

    def test_tables_show_what_the_record_holds(self) -> None:
        record = records()[0]
        lines = as_text(skill_table(record))
        assert len(lines) == 2 + len(record.groups) + 1
        skill = record.groups[0].brier.usual.skill
        assert skill.value is not None
        assert skill.low is not None
        assert f"{100 * skill.value:.0f} % ({100 * skill.low:.0f} to " in lines[2]
        r = record.groups[0].reliability
        assert r is not None
        assert sum(int(row[1].replace(",", "")) for row in reliability_table(r).rows) == r.n
        assert len(value_table(record.groups[0].value).rows) == 19


@pytest.mark.parametrize("width_px", [320, WIDTH_PX, 640])
def test_pictures_have_no_small_overlapping_or_cut_off_text(width_px: int) -> None:
    charts = []
    for record in records():
        renamed = {"day 17 on": "everything from day 17 on, up to the end of the season", "days 1 to 3": "days 1 to 3"}
        groups = tuple(replace(group, name=renamed.get(group.name, group.name)) for group in record.groups)
        charts.append(skill_chart(replace(record, groups=groups), width_px))
        for group in record.groups:
            assert group.reliability is not None
            charts += [
                reliability_chart(group.reliability, width_px),
                roc_chart(group.roc, group.roc_usual, width_px),
                value_chart(group.value, width_px),
            ]
            if group.hours is not None:
                charts.append(rank_chart(group.hours.ranks, width_px))
    assert len(charts) == 2 + 3 * 3 + 2
    for chart in charts:
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


def test_pictures_draw_the_numbers_of_the_record() -> None:
    group = records()[0].groups[0]
    assert group.reliability is not None
    assert group.hours is not None
    dots = reliability_chart(group.reliability)["datasets"]["bins"]
    assert [dot["came"] for dot in dots] == [b.came for b in group.reliability.bins]
    assert [bar["n"] for bar in rank_chart(group.hours.ranks)["datasets"]["ranks"]] == group.hours.ranks.counts.tolist()
    values = value_chart(group.value)["datasets"]["values"]
    assert [row["value"] for row in values if row["kind"] == "odds"] == [v.value for v in group.value.odds]
    groups = skill_chart(records()[0])["datasets"]["groups"]
    assert [row["skill"] for row in groups if row["kind"] == "usual"] == [
        g.brier.usual.skill.value for g in records()[0].groups
    ]


def test_skill_far_below_nil_is_cut_off_and_said_so() -> None:
    awful = record_of(made_cases(n_seasons=6, skill={"window": 0.0}, shift=2.5, amounts=False))
    said = " ".join(box.text for box in texts(layout(skill_chart(awful))[2])).replace("\u00a0", " ")
    assert "cut off below −50 %" in said


@pytest.mark.skipif(
    CHROMIUM is None, reason="chromium is not installed, so the page was not laid out by a real browser"
)
@pytest.mark.parametrize(("width", "columns"), [(360, 1), (1200, 3)])
def test_a_real_browser_lays_the_page_out_without_sideways_scrolling(width: int, columns: int, tmp_path: Path) -> None:
    """In a frame of that width, measured by a script outside of it; the page itself has none and allows none."""
    assert CHROMIUM is not None
    framed = html.escape(page(), quote=True)
    (tmp_path / "frame.html").write_text(
        '<!doctype html><meta charset="utf-8">'
        f'<iframe id="f" style="border:0;width:{width}px;height:800px" srcdoc="{framed}"></iframe><pre id="o"></pre>'
        """<script>onload = () => { const d = f.contentDocument, w = f.contentWindow;
        const px = e => parseFloat(w.getComputedStyle(e).fontSize);
        const svg = [...d.querySelectorAll("svg")].map(s => s.getBoundingClientRect().width / s.viewBox.baseVal.width);
        const tiles = [...d.querySelector(".grid").children].map(e => Math.round(e.getBoundingClientRect().left));
        o.textContent = JSON.stringify({ wide: d.documentElement.scrollWidth,
          sideways: [...d.querySelectorAll(".wide")].filter(e => e.scrollWidth > e.clientWidth).map(e => e.innerText),
          smallest: Math.min(...[...d.querySelectorAll("p, li, td, th, caption, dd")].map(px)),
          shrunk: Math.min(...svg), columns: new Set(tiles).size,
          short: [...d.querySelectorAll("nav a")].filter(e => e.getBoundingClientRect().height < 40).length }) }
        </script>""",
        encoding="utf-8",
    )
    run = subprocess.run(
        [
            *(CHROMIUM, "--headless", "--no-sandbox", "--disable-gpu", "--disable-background-networking"),
            "--hide-scrollbars",  # as on a telephone
            *(f"--user-data-dir={tmp_path / 'profile'}", "--window-size=1400,900", "--dump-dom"),
            (tmp_path / "frame.html").as_uri(),
        ],
        capture_output=True,
        text=True,
        timeout=120,
        check=True,
    )
    found = json.loads(html.unescape(run.stdout.rsplit('<pre id="o">', 1)[1].split("</pre>", 1)[0]))
    assert found["wide"] <= width
    assert found["sideways"] == []
    assert found["smallest"] >= 13
    assert found["shrunk"] >= 0.97  # letters of 11 px stay letters of 11 px
    assert found["columns"] == columns
    assert found["short"] == 0  # links are tall enough for a thumb
