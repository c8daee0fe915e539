"""Pictures say what their answers say: numbers, days, words and limits, to the last digit and in every time zone."""

from __future__ import annotations

import errno
import json
import os
import re
import subprocess
import sys
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any

import pytest

from matewindow.charts import chart_table, graft_chart, window_chart, write_chart
from matewindow.charts.files import render_svg
from matewindow.charts.style import ORIGIN_WORDS
from matewindow.errors import RequestError
from matewindow.flight import CAUSES
from matewindow.graft import GraftDecision
from matewindow.outlook import Outlook
from tests.pictures import Answers, answers_of_a_forecast_alone, layout, made_answers, texts

if TYPE_CHECKING:
    from collections.abc import Iterator

    import altair as alt


@pytest.fixture(name="answers")
def _answers() -> Answers:
    return made_answers()


def parts(node: Any) -> Iterator[dict[str, Any]]:
    """Every object inside a specification."""
    if isinstance(node, dict):
        yield node
        for inner in node.values():
            yield from parts(inner)
    elif isinstance(node, list):
        for inner in node:
            yield from parts(inner)


def fields_of(spec: dict[str, Any], channel: str) -> set[str]:
    return {
        part["encoding"][channel]["field"]
        for part in parts(spec)
        if "encoding" in part and "field" in part["encoding"].get(channel, {})
    }


def words_of(chart: alt.VConcatChart) -> str:
    return " ".join(box.text for box in texts(layout(chart)[2])).replace("\u00a0", " ")


def test_the_picture_of_a_graft_decision_holds_its_odds_ranges_and_hours(answers: Answers) -> None:
    decision = answers[1]
    spec = graft_chart(decision).to_dict()

    rows = spec["datasets"]["days"]
    assert [row["day"] for row in rows] == [day.day.isoformat() for day in decision.days]
    for row, day in zip(rows, decision.days, strict=True):
        odds, hours, usual = day.well_mated, day.prime_flight_hours, day.prime_flight_hours_usual
        assert (row["odds"], row["odds_low"], row["odds_high"]) == (odds.value, odds.low, odds.high)
        assert row["odds_usual"] == day.well_mated_usual
        assert (row["prime_mean_h"], row["prime_p10_h"], row["prime_p90_h"]) == (hours.mean, hours.p10, hours.p90)
        assert usual is not None
        assert row["prime_usual_h"] == usual.mean
    assert fields_of(spec, "y") == {
        "odds", "odds_low", "odds_usual", "prime_mean_h", "prime_p10_h", "prime_usual_h"
    }  # fmt: skip
    assert fields_of(spec, "y2") == {"odds_high", "prime_p90_h"}


def test_points_are_drawn_at_the_height_of_their_odds(answers: Answers) -> None:
    decision = answers[1]
    chart = graft_chart(decision)

    marks = layout(chart)[2]
    filled = [m for m in marks if m.kind == "symbol" and m.role == "mark" and m.item["shape"] in ("circle", "diamond")]
    odds = filled[: len(decision.days)]  # the upper panel comes first
    ticks = {
        float(m.item["text"].removesuffix("\u00a0%")) / 100: m.y
        for m in marks
        if m.role == "axis-label" and str(m.item["text"]).endswith("%")
    }
    (low, y_low), (high, y_high) = min(ticks.items()), max(ticks.items())
    read = [low + (y_low - m.y) / (y_low - y_high) * (high - low) for m in odds]
    assert read == pytest.approx([day.well_mated.value for day in decision.days], abs=1e-3)
    assert [m.x for m in odds] == sorted(m.x for m in odds)


def test_the_picture_of_a_window_holds_hours_shares_and_losses(answers: Answers) -> None:
    outlook = answers[3]
    spec = window_chart(outlook).to_dict()

    stacks, lost = spec["datasets"]["stacks"], spec["datasets"]["lost"]
    for day, row in zip(outlook.days, spec["datasets"]["days"], strict=True):
        key = day.day.isoformat()
        assert (row["day"], row["age_d"], row["usual_h"]) == (key, day.age, day.usual_hours)
        assert (row["p10_h"], row["p90_h"]) == (day.p10_hours, day.p90_hours)
        parts_of_day = {p["kind"]: p["hours"] for p in stacks if p["day"] == key}
        assert sum(parts_of_day.values()) == pytest.approx(day.effective_hours)
        for origin, word in ORIGIN_WORDS.items():
            assert parts_of_day[word] == pytest.approx(day.effective_hours * day.shares[origin])
        losses = {p["kind"].replace("poor ", ""): p["hours"] for p in lost if p["day"] == key}
        assert losses == {cause: day.spoiled_by[cause] for cause in CAUSES}
        assert sum(losses.values()) + day.effective_hours == pytest.approx(day.window_hours)
    assert fields_of(spec, "y") == {"hours", "p10_h", "usual_h"}
    assert fields_of(spec, "y2") == {"p90_h"}


def test_a_deadline_is_drawn_with_its_own_odds_and_usual_and_without_a_range(answers: Answers) -> None:
    decision = answers[2]
    rows = chart_table(decision)

    assert [row["odds"] for row in rows] == [day.in_lay_by for day in decision.days]
    assert all(row["odds_low"] is None and row["odds_high"] is None for row in rows)
    for row, day in zip(rows, decision.days, strict=True):
        assert isinstance(row["odds"], float)
        assert isinstance(row["odds_usual"], float)
        assert day.expected_laying_usual is not None
        assert row["odds_usual"] * day.expected_laying == pytest.approx(row["odds"] * day.expected_laying_usual)
    assert "in lay by 30 June" in words_of(graft_chart(decision))


def test_days_that_break_a_limit_have_a_line_for_each_limit_and_are_never_called_best(answers: Answers) -> None:
    decision = answers[2]
    spec = graft_chart(decision).to_dict()

    crossed = {(row["day"], row["limit"]) for row in spec["datasets"]["limits"]}
    assert crossed == {(day.day.isoformat(), c.name) for day in decision.days for c in day.constraints}
    assert {limit for _, limit in crossed} == {"nucs", "day off", "past"}  # 30 and 31 May lie before 1 June
    for row, day in zip(spec["datasets"]["days"], decision.days, strict=True):
        assert (row["standing"] == "breaks a limit") == bool(day.constraints)


def test_the_title_is_the_answer_in_words_with_the_site_and_the_time(answers: Answers) -> None:
    site, decision, _, outlook = answers

    said = words_of(graft_chart(decision, 360))
    for word in re.findall(r"\w+", decision.sentence):
        assert word.lower() in said.lower()
    assert f"{site.name} · computed Mon 1 Jun 2026, 07:00 BST" in said  # the site's clock, not UTC
    said = words_of(window_chart(outlook, 640, site=site))
    p, usual = outlook.well_mated.value, outlook.well_mated_usual
    assert usual is not None
    assert f"well mated: {100 * p:.0f} %; usual for these dates {100 * usual:.0f} %" in said
    assert f"{site.name} · grafted Wed 13 May · computed Mon 1 Jun 2026, 07:00 BST" in said


def test_later_days_with_better_odds_are_explained(answers: Answers) -> None:
    decision = answers[1]
    day = decision.days[-1]
    better = replace(day, well_mated=replace(day.well_mated, value=decision.days[0].well_mated.value + 0.08))
    odd = replace(
        decision, days=[*decision.days[:-1], better], sentence="Graft on Monday 1 June: the rest is the wait."
    )
    silent = replace(odd, sentence="Graft on Monday 1 June: a virgin is likely to end well mated.")

    said = "Some days have better odds, but they cost the wait."
    assert not day.tied_with_best
    assert said in words_of(graft_chart(silent))
    assert said not in words_of(graft_chart(odd))
    assert said not in words_of(graft_chart(replace(silent, days=decision.days)))


def test_the_odds_worth_a_nuc_are_marked_where_the_odds_come_near_them(answers: Answers) -> None:
    _, free, bound, _ = answers
    poor = [replace(day, in_lay_by=0.1 + 0.01 * i) for i, day in enumerate(bound.days)]

    assert "worth a nuc from here up" in words_of(graft_chart(replace(bound, days=poor)))
    assert "worth a nuc" not in words_of(graft_chart(free))


def test_the_window_names_its_prime_days_today_the_first_check_and_the_late_edge(answers: Answers) -> None:
    site, _, _, outlook = answers
    spec = window_chart(outlook, site=site).to_dict()

    named = {row["text"]: row for rows in spec["datasets"].values() for row in rows if "text" in row}
    prime = [day.day.isoformat() for day in outlook.days if day.prime]
    assert named["prime window, age 6 to 14"] | {"text": ""} == {"day": prime[0], "to": prime[-1], "text": ""}
    assert named["today, Mon 1 Jun"]["day"] == "2026-06-01"
    assert named["first laying check, Mon 8 Jun"]["day"] == "2026-06-08"
    assert named["late after Mon 15 Jun"]["day"] == outlook.days[21].day.isoformat()


def test_signs_outside_the_window_are_left_out(answers: Answers) -> None:
    later = replace(answers[3], now=datetime(2026, 8, 1, tzinfo=UTC))

    assert "today" not in words_of(window_chart(later, site=answers[0]))


def test_what_is_not_known_is_left_out_and_never_drawn_as_zero(answers: Answers) -> None:
    outlook = answers[3]
    blank = replace(outlook.days[8], usual_hours=None, spoiled_by=dict.fromkeys(CAUSES, float("nan")))
    odd = replace(outlook, days=[*outlook.days[:8], blank, *outlook.days[9:]])
    row = chart_table(odd)[8]
    spec = window_chart(odd).to_dict()

    assert row["usual_h"] is None
    assert [row[f"lost_{cause}_h"] for cause in CAUSES] == [None] * 5
    assert not [part for part in spec["datasets"]["lost"] if part["day"] == blank.day.isoformat()]
    ticks = [m for m in layout(window_chart(odd))[2] if m.role == "mark" and m.kind == "symbol"]
    assert len(ticks) == 2 * (len(odd.days) - 1)  # each with a white edge below it
    json.dumps(spec, allow_nan=False)


def test_without_past_years_there_is_no_usual_and_no_key_for_it(answers: Answers) -> None:
    site, decision, _, outlook = answers
    bare = replace(
        decision,
        days=[replace(day, well_mated_usual=None, prime_flight_hours_usual=None) for day in decision.days],
        sentence="Graft on Monday 1 June: a virgin is likely to end well mated (89 %).",
    )
    alone = replace(
        outlook,
        well_mated_usual=None,
        prime_flight_hours_usual=None,
        days=[replace(day, usual_hours=None) for day in outlook.days],
    )

    assert "usual" not in words_of(graft_chart(bare))
    assert "usual" not in words_of(window_chart(alone, site=site))


def test_a_forecast_alone_draws_no_ranges_and_no_usual_and_days_that_it_does_not_know_stay_blank(
    tmp_path: Path,
) -> None:
    site, decision, outlook = answers_of_a_forecast_alone()

    graft, window = graft_chart(decision), window_chart(outlook, site=site)
    for row in chart_table(decision):
        assert (row["odds_low"], row["odds_high"], row["odds_usual"], row["prime_usual_h"]) == (None,) * 4
        assert isinstance(row["odds"], float)
    unknown = [row for row in chart_table(outlook) if row["strict_h"] is None]
    assert [row["day"] for row in unknown] == [d.day.isoformat() for d in outlook.days if "unknown" in d.shares]
    assert 3 < len(unknown) < len(outlook.days)
    assert {row[f"{origin}_share"] for row in unknown for origin in ORIGIN_WORDS} == {0.0}
    for chart, stem in ((graft, "graft"), (window, "window")):
        json.dumps(chart.to_dict(), allow_nan=False)
        assert "usual" not in words_of(chart)
        assert all(path.stat().st_size > 1000 for path in write_chart(chart, tmp_path / stem))


def test_the_table_can_be_written_as_json_and_has_a_row_for_each_day(answers: Answers) -> None:
    for answer in answers[1:]:
        assert isinstance(answer, GraftDecision | Outlook)
        rows = chart_table(answer)
        assert json.loads(json.dumps(rows, allow_nan=False)) == rows
        assert [row["day"] for row in rows] == [day.day.isoformat() for day in answer.days]


def test_days_are_names_and_not_times(answers: Answers) -> None:
    """A bare date read as a time is midnight in UTC, which is the day before west of Greenwich."""
    for chart in (graft_chart(answers[2]), window_chart(answers[3])):
        spec = chart.to_dict()
        assert not [p for p in parts(spec) if p.get("type") in ("temporal", "timeunit") or "timeUnit" in p]
        assert {p["encoding"]["x"]["type"] for p in parts(spec) if "field" in p.get("encoding", {}).get("x", {})} == {
            "ordinal"
        }


@pytest.mark.parametrize("zone", ["America/Los_Angeles", "Pacific/Kiritimati"])
def test_another_process_in_another_zone_draws_the_same_bytes(answers: Answers, zone: str) -> None:
    charts = [graft_chart(answers[1]), window_chart(answers[3], 360, site=answers[0])]
    drawn = "import json, sys, vl_convert\nfor s in json.load(sys.stdin): print(vl_convert.vegalite_to_svg(s, allowed_base_urls=[]))"

    done = subprocess.run(
        [sys.executable, "-c", drawn],
        input=json.dumps([chart.to_dict() for chart in charts]),
        env=os.environ | {"TZ": zone, "PYTHONHASHSEED": "7"},
        capture_output=True,
        text=True,
        check=True,
    )
    assert done.stdout == "".join(render_svg(chart) + "\n" for chart in charts)


def test_a_site_far_west_shows_its_own_days(answers: Answers) -> None:
    _, decision, _, outlook = answers
    west = replace(decision, site=replace(decision.site, timezone="America/Los_Angeles"))

    said = words_of(graft_chart(west))
    assert "computed Sun 31 May 2026, 23:00 PDT" in said
    assert "Mon 1 Jun" in said
    assert chart_table(west)[0]["label"] == "Mon 1 Jun"
    assert outlook.days[0].day.isoformat() in window_chart(outlook).to_json()


def test_the_same_answer_gives_the_same_files(answers: Answers, tmp_path: Path) -> None:
    once = {"graft": graft_chart(answers[2]), "window": window_chart(answers[3])}
    anew = {"graft": graft_chart(answers[2]), "window": window_chart(answers[3])}
    for name, chart in once.items():
        first = [path.read_bytes() for path in write_chart(chart, tmp_path / name)]
        again = [path.read_bytes() for path in write_chart(anew[name], tmp_path / f"{name}.again")]
        assert first == again
        assert first[0].startswith(b"<svg")
        assert first[1].startswith(b"\x89PNG\r\n\x1a\n")  # signature: PNG specification, W3C, section 5.2
    assert sorted(path.name for path in tmp_path.iterdir()) == [
        "graft.again.png", "graft.again.svg", "graft.png", "graft.svg",
        "window.again.png", "window.again.svg", "window.png", "window.svg",
    ]  # fmt: skip


def test_the_png_has_twice_the_pixels_of_the_svg(answers: Answers, tmp_path: Path) -> None:
    svg, png = write_chart(graft_chart(answers[1], 360), tmp_path / "g")
    head = re.search(r'width="(\d+)" height="(\d+)"', svg.read_text(encoding="utf-8"))
    assert head is not None

    width, height = (
        int.from_bytes(png.read_bytes()[at : at + 4], "big") for at in (16, 20)
    )  # IHDR, same section 11.2.1
    assert (width, height) == (2 * int(head[1]), 2 * int(head[2]))


def test_a_picture_asks_nothing_of_the_network(answers: Answers) -> None:
    for chart in (graft_chart(answers[2]), window_chart(answers[3])):
        assert not [part for part in parts(chart.to_dict()) if "url" in part]
        assert set(re.findall(r"https?://[^\"' ]+", render_svg(chart))) <= {
            "http://www.w3.org/2000/svg",
            "http://www.w3.org/1999/xlink",
        }


def test_two_pictures_fit_on_one_page(answers: Answers) -> None:
    """Ids of gradients or clips would be the same in each and the second would take the first one's."""
    assert " id=" not in render_svg(graft_chart(answers[2]))
    assert " id=" not in render_svg(window_chart(answers[3]))


def test_a_site_name_cannot_put_code_into_the_picture(answers: Answers) -> None:
    site = replace(answers[0], name='<script>alert("1")</script> & sons')
    decision = replace(answers[1], site=site)

    for svg in (render_svg(graft_chart(decision)), render_svg(window_chart(answers[3], site=site))):
        assert "<script" not in svg
        assert "&lt;script&gt;" in svg


def test_a_missing_folder_is_named_with_what_to_do(answers: Answers, tmp_path: Path) -> None:
    with pytest.raises(RequestError, match=r"no-such.*Name a folder that exists") as caught:
        write_chart(graft_chart(answers[1]), tmp_path / "no-such" / "graft")
    assert caught.value.where == str(tmp_path / "no-such")


def test_a_full_disk_leaves_the_old_picture_and_no_litter(
    answers: Answers, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    chart = graft_chart(answers[1])
    old = [path.read_bytes() for path in write_chart(chart, tmp_path / "graft")]
    write = Path.write_bytes

    def full(path: Path, data: bytes) -> int:
        if ".png" in path.name:
            write(path, data[:10])
            raise OSError(errno.ENOSPC, "No space left on device")
        return write(path, data)

    monkeypatch.setattr(Path, "write_bytes", full)
    with pytest.raises(RequestError, match="No space left on device"):
        write_chart(graft_chart(answers[2]), tmp_path / "graft")
    assert [path.name for path in sorted(tmp_path.iterdir())] == ["graft.png", "graft.svg"]
    assert [(tmp_path / name).read_bytes() for name in ("graft.svg", "graft.png")] == old


@pytest.mark.parametrize("width_px", [0, 319, 2001])
def test_a_width_that_nobody_can_read_is_refused(answers: Answers, width_px: int) -> None:
    with pytest.raises(RequestError, match="a telephone shows 360"):
        graft_chart(answers[1], width_px)
    with pytest.raises(RequestError, match="320 to 2000 px"):
        window_chart(answers[3], width_px)


def test_an_answer_without_a_picture_does_not_load_the_drawing_libraries() -> None:
    code = "import sys, matewindow.charts; print({'altair', 'vl_convert'} & set(sys.modules))"

    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stdout.strip() == "set()"
