"""The commands as a user runs them."""

from __future__ import annotations

import json
import os
import re
import subprocess
import sys
from datetime import date
from pathlib import Path
from typing import Any

import pytest
from typer.testing import CliRunner

from matewindow.cli import app

ROOT = Path(__file__).resolve().parent.parent
SAMPLE = ["--site", str(ROOT / "sample_weather/site.toml"), "--weather", str(ROOT / "sample_weather")]
NOW = ["--now", "2026-06-01T06:00Z"]


def run_json(*arguments: str) -> Any:
    result = CliRunner().invoke(app, [*arguments, "--json"], catch_exceptions=False)
    assert result.exit_code == 0, result.output
    return json.loads(result.output)


def test_graft_json_has_the_promised_fields_for_each_day() -> None:
    report = run_json("graft", *SAMPLE, *NOW, "--from", "2026-06-01", "--days", "7", "--grafts", "30")

    assert [d["graft_date"] for d in report["days"]] == [f"2026-06-0{i}" for i in range(1, 8)]
    for day in report["days"]:
        assert 0 < day["p_well_mated"] < 1
        assert 0 < day["p_well_mated_usual"] < 1
        assert 0 < day["expected_laying"] < 30
        assert day["first_egg"]["p10"] <= day["first_egg"]["p50"] <= day["first_egg"]["p90"]
        hours = day["prime_flight_hours"]
        assert hours["p10"] <= hours["mean"] <= hours["p90"]
        assert 0 <= day["forecast_share"] <= 1
        assert isinstance(day["tied_with_best"], bool)
        assert day["constraints"] == []
    assert sorted(d["rank"] for d in report["days"]) == list(range(1, 8))
    assert report["recommendation"]["graft_dates"][0] in {d["graft_date"] for d in report["days"]}
    assert report["recommendation"]["sentence"].startswith("Graft on")


def test_window_json_has_the_promised_fields() -> None:
    report = run_json("window", *SAMPLE, *NOW, "--graft", "2026-05-15")

    assert set(report["fates"]) == {"well_mated", "under_mated", "late_mated", "unmated", "lost"}
    assert sum(report["fates"].values()) == pytest.approx(1.0, abs=1e-12)
    assert sum(report["shares"].values()) == pytest.approx(1.0, abs=1e-12)
    assert set(report["shares"]) == {"observed", "forecast", "past_years"}
    assert 0 < report["risk_poor_mating"] < 1
    assert 0 < report["risk_delayed_laying"] < 1
    assert [d["age"] for d in report["days"]] == list(range(22))
    for day in report["days"]:
        lost = sum(day["spoiled_by"].values())
        assert day["effective_hours"] + lost == pytest.approx(day["window_hours"], abs=1e-9)
    assert report["timeline"][0]["event"] == "prepare the cell builder"
    assert report["warnings"]


def test_days_before_now_that_the_record_covers_count_as_observed() -> None:
    report = run_json("window", *SAMPLE, *NOW, "--graft", "2026-05-15")
    by_date = {d["date"]: d["shares"] for d in report["days"]}

    assert by_date["2026-05-31"]["observed"] == 1.0
    assert by_date["2026-06-02"]["observed"] == 0.0
    assert by_date["2026-06-02"]["forecast"] == pytest.approx(0.9, abs=0.01)


def test_an_observation_changes_the_odds_at_once() -> None:
    before = run_json("window", *SAMPLE, *NOW, "--graft", "2026-05-10")
    eggs = run_json("window", *SAMPLE, *NOW, "--graft", "2026-05-10", "--check", "2026-06-01:eggs")
    nothing = run_json("window", *SAMPLE, *NOW, "--graft", "2026-05-10", "--check", "2026-06-01:nothing")

    assert eggs["p_well_mated"] > before["p_well_mated"] > nothing["p_well_mated"]
    assert eggs["fates"]["lost"] == 0.0
    assert "leave her alone until there is sealed brood" in eggs["message"]


def test_hours_json_judges_each_window_hour_and_adds_up() -> None:
    report = run_json("hours", *SAMPLE, *NOW, "--from", "2026-05-30", "--days", "4")

    assert [d["from"] for d in report["days"]] == ["observed", "observed", "forecast", "forecast"]
    assert [d["series"] for d in report["days"]] == [1, 1, 51, 51]
    for day in report["days"]:
        assert sum(h["share"] for h in day["hours"]) == pytest.approx(4.0)
        assert sum(h["suitable"] for h in day["hours"]) == pytest.approx(day["effective_hours"])
        assert day["sunrise"] < day["sunset"]
        assert 16 < day["daylight_hours"] < 17.5


def test_a_day_off_and_busy_nucs_are_named_and_ranked_last() -> None:
    report = run_json(
        "graft", *SAMPLE, *NOW, "--from", "2026-06-01", "--days", "3", "--day-off", "monday", "--nucs-free-from", "2026-06-13"
    )  # fmt: skip
    names = {d["graft_date"]: {c["name"] for c in d["constraints"]} for d in report["days"]}

    assert names == {"2026-06-01": {"day off", "nucs"}, "2026-06-02": {"nucs"}, "2026-06-03": set()}
    assert report["recommendation"]["graft_dates"] == ["2026-06-03"]
    assert report["days"][2]["rank"] == 1


def test_when_every_day_is_limited_the_advice_is_not_to_graft() -> None:
    report = run_json("graft", *SAMPLE, *NOW, "--from", "2026-06-01", "--days", "2", "--nucs-free-from", "2026-07-01")

    assert report["recommendation"]["graft_dates"] == []
    assert report["recommendation"]["sentence"].startswith("No day here works")
    assert "nucs" in report["recommendation"]["sentence"]


def test_a_deadline_lowers_the_odds_of_later_grafts() -> None:
    report = run_json("graft", *SAMPLE, *NOW, "--from", "2026-06-01", "--days", "5", "--by", "2026-06-28")
    in_time = [d["p_in_lay_by"] for d in report["days"]]

    assert in_time == sorted(in_time, reverse=True)
    assert all(d["p_in_lay_by"] < d["p_well_mated"] for d in report["days"])


def test_only_past_years_are_enough(tmp_path: Path) -> None:
    (tmp_path / "past.json").write_bytes((ROOT / "sample_weather/past.json").read_bytes())
    report = run_json(
        "graft", "--site", SAMPLE[1], "--weather", str(tmp_path), *NOW, "--from", "2026-06-03", "--days", "2"
    )  # fmt: skip

    assert all(d["forecast_share"] == 0.0 for d in report["days"])
    assert any("No forecast was given" in w for w in report["warnings"])
    for day in report["days"]:
        assert day["p_well_mated"] == pytest.approx(day["p_well_mated_usual"], abs=1e-12)


def test_demo_answers_and_writes_its_pictures(tmp_path: Path) -> None:
    report = run_json("demo", "--out", str(tmp_path / "out"))

    assert report["graft"]["recommendation"]["sentence"]
    pictures = [Path(p) for p in report["pictures"]]
    assert sorted(p.name for p in pictures) == ["graft.png", "graft.svg", "window.png", "window.svg"]
    for picture in pictures:
        start = picture.read_bytes()[:8]
        assert start == b"\x89PNG\r\n\x1a\n" if picture.suffix == ".png" else start.startswith(b"<svg")


def test_new_fields_of_a_graft_day_are_there_and_in_bounds() -> None:
    report = run_json("graft", *SAMPLE, *NOW, "--from", "2026-06-01", "--days", "4")

    for day in report["days"]:
        assert 0.0 <= day["worth_it_from"] <= 1.0
        assert (day["merit"] > 0.0) == (day["p_well_mated"] > day["worth_it_from"])
        assert day["utility"] <= day["merit"]
        by_weather = day["p_well_mated_by_weather"]
        assert 0.0 <= by_weather["p10"] <= by_weather["p50"] <= by_weather["p90"] <= 1.0
        assert by_weather["mean"] == pytest.approx(day["p_well_mated"], abs=1e-9)
        low, high = day["p_well_mated_range"]
        assert low <= day["p_well_mated"] <= high
    best = next(d for d in report["days"] if d["rank"] == 1)
    assert report["recommendation"]["worth_it_from"] == best["worth_it_from"]


def test_sources_say_on_which_day_a_forecast_was_made() -> None:
    report = run_json("hours", *SAMPLE, *NOW, "--days", "2")

    made = {s["part"]: s["made_on"] for s in report["sources"]}
    assert made == {"observed": None, "run": "2026-06-01", "members": "2026-06-01", "past": None}


def test_new_fields_of_a_window_are_there_and_in_bounds() -> None:
    report = run_json("window", *SAMPLE, *NOW, "--graft", "2026-05-15")

    assert report["message"] == " ".join(report["message_parts"])
    assert 2 <= len(report["message_parts"]) <= 5
    by_weather = report["p_well_mated_by_weather"]
    assert by_weather["mean"] == pytest.approx(report["p_well_mated"], abs=1e-9)
    for day in report["days"]:
        assert 0.0 <= day["p_flying_day"] <= 1.0
        assert day["drones"] in (0.0, 1.0)
        assert day["mating_flights"] >= 0.0
    assert "nuc wears out" in [e["event"] for e in report["timeline"]]
    checked = run_json("window", *SAMPLE, *NOW, "--graft", "2026-05-10", "--check", "2026-05-31:virgin")
    assert checked["mean_mating_flights"] is None
    assert {day["mating_flights"] for day in checked["days"]} == {None}


def test_hours_give_the_wind_in_beaufort_and_the_weight_of_the_forecast() -> None:
    """WMO-No. 8: force 2, light breeze, from 1.6 m/s; force 3, gentle breeze, from 3.4; force 4 from 5.5."""
    report = run_json("hours", *SAMPLE, *NOW, "--from", "2026-05-31", "--days", "12")

    names = {1: "light air", 2: "light breeze", 3: "gentle breeze", 4: "moderate breeze", 5: "fresh breeze"}
    for hour in (h for day in report["days"] for h in day["hours"]):
        force = sum(hour["wind_ms"] >= limit for limit in (0.3, 1.6, 3.4, 5.5, 8.0))
        assert (hour["beaufort"], hour["wind"]) == (force, names[force])
    weights = [day["forecast_weight"] for day in report["days"]]
    assert weights[0] is None  # measured
    assert weights[1:] == sorted(weights[1:], reverse=True)
    assert weights[1] == pytest.approx(0.9)


def test_the_cell_builder_takes_grafts_on_the_day_that_it_is_free() -> None:
    report = run_json(
        "graft", *SAMPLE, *NOW, "--from", "2026-06-01", "--days", "3", "--builder-free-from", "2026-06-02"
    )  # fmt: skip

    assert [[c["name"] for c in d["constraints"]] for d in report["days"]] == [["cell builder"], [], []]


def test_a_dearer_nuc_asks_for_better_odds() -> None:
    worth = [
        run_json("graft", *SAMPLE, *NOW, "--from", "2026-06-01", "--days", "1", "--nuc", nuc)["recommendation"][
            "worth_it_from"
        ]
        for nuc in ("mini", "few-frames", "five-frames")
    ]

    assert worth == sorted(worth)
    assert worth[0] < worth[2]


NAMES = (
    "[red]Top[/red] yard",
    "[/]",
    "[link=http://x]y[/link]",
    ":bee: yard",
    "Hof „Zur Linde“",
    "ферма",
    "a" * 200,
    "100 % {0} %s \\n",
)


@pytest.mark.parametrize("name", NAMES)
@pytest.mark.parametrize(
    "command",
    [["graft", "--from", "2026-06-01", "--days", "1"], ["window", "--graft", "2026-05-15"], ["hours", "--days", "1"]],
)
def test_a_site_name_is_shown_as_it_is_written(name: str, command: list[str], tmp_path: Path) -> None:
    site = tmp_path / "site.toml"
    text = (ROOT / "sample_weather/site.toml").read_text(encoding="utf-8")
    site.write_text(text.replace('"Hollin Bank (invented)"', json.dumps(name, ensure_ascii=False)), encoding="utf-8")
    arguments = [command[0], "--site", str(site), *SAMPLE[2:], *NOW, *command[1:]]

    result = CliRunner().invoke(app, arguments, catch_exceptions=False, env={"COLUMNS": "400"})
    assert result.exit_code == 0
    assert "".join(name.split()) in "".join(result.output.split())  # a long one folds
    assert json.loads(CliRunner().invoke(app, [*arguments, "--json"]).output)["site"]["name"] == name


@pytest.mark.parametrize(
    "stem", ["plain", "with.dots.in", "per%cent and space", "[red]x", "-dash", "größe–ü", "deep/er/still"]
)
def test_a_picture_may_have_any_name_that_the_disk_takes(stem: str, tmp_path: Path) -> None:
    command = ["graft", *SAMPLE, *NOW, "--from", "2026-06-01", "--days", "1", "--picture", str(tmp_path / stem)]

    result = CliRunner().invoke(app, command, catch_exceptions=False, env={"COLUMNS": "400"})
    assert result.exit_code == 0, result.output
    for ending in (".svg", ".png"):
        assert (tmp_path / f"{stem}{ending}").is_file()
        assert f"Picture: {tmp_path / stem}{ending}" in result.output


@pytest.mark.parametrize("encoding", ["ascii", "latin-1", "cp437", "cp1252"])
def test_a_terminal_that_cannot_show_all_signs_gets_the_answer_all_the_same(encoding: str) -> None:
    environment = {**os.environ, "PYTHONIOENCODING": encoding, "LC_ALL": "C", "PYTHONUTF8": "0"}
    for command in (["hours", "--days", "1"], ["window", "--graft", "2026-05-15", "--json"]):
        line = [sys.executable, "-m", "matewindow.cli", command[0], *SAMPLE, *NOW, *command[1:]]
        done = subprocess.run(line, capture_output=True, env=environment, check=False)

        assert (done.returncode, done.stderr) == (0, b"")
        text = done.stdout.decode("utf-8" if "--json" in command and encoding == "ascii" else encoding)
        if "--json" in command:
            assert json.loads(text)["site"]["name"] == "Hollin Bank (invented)"
        else:
            assert text.startswith("Hollin Bank (invented): flight hours, as of Mon 1 Jun 2026 07:00")
            assert "lost to" in text


@pytest.mark.parametrize("columns", ["40", "60", "80"])
@pytest.mark.parametrize(
    "command",
    [
        ["graft", "--from", "2026-06-01", "--grafts", "10000"],
        ["window", "--graft", "2026-05-15"],
        ["hours", "--days", "3"],
    ],
)
def test_on_a_narrow_terminal_tables_fold_and_lose_no_digit(columns: str, command: list[str]) -> None:
    arguments = [command[0], *SAMPLE, *NOW, *command[1:]]
    narrow = CliRunner().invoke(app, arguments, env={"COLUMNS": columns}, catch_exceptions=False)
    wide = CliRunner().invoke(app, arguments, env={"COLUMNS": "400"}, catch_exceptions=False)

    assert narrow.exit_code == 0
    assert "…" not in narrow.output
    for sign in "0123456789%":
        assert narrow.output.count(sign) == wide.output.count(sign), sign


def test_odds_without_a_range_and_days_without_weather_fit_their_tables(tmp_path: Path) -> None:
    """A forecast alone: no usual, no ranges, days that nothing covers."""
    for name in ("forecast.json", "ensemble.json"):
        (tmp_path / name).write_bytes((ROOT / "sample_weather" / name).read_bytes())
    folder = ["--site", SAMPLE[1], "--weather", str(tmp_path)]
    report = run_json("window", *folder, *NOW, "--graft", "2026-05-15")

    assert report["p_well_mated_range"] is None
    assert report["p_well_mated_usual"] is None
    assert sum(report["shares"].values()) == pytest.approx(1.0)
    unknown = [d for d in report["days"] if d["shares"].get("unknown") == 1.0]
    assert unknown
    for day in unknown:
        assert (day["strict_hours"], day["effective_hours"], day["usual_hours"]) == (None, 0.0, None)
        assert set(day["spoiled_by"].values()) == {0.0}
    result = CliRunner().invoke(app, ["window", *folder, *NOW, "--graft", "2026-05-15"], env={"COLUMNS": "80"})
    assert result.exit_code == 0
    assert re.search(r"unknown\s*$", result.output, re.MULTILINE)
    warnings = " ".join(result.output.split())
    assert "! No weather covers " in warnings
    graft = CliRunner().invoke(
        app, ["graft", *folder, *NOW, "--from", "2026-05-18", "--days", "3"], env={"COLUMNS": "80"}
    )
    assert graft.exit_code == 0
    assert "nan" not in result.output + graft.output


def test_a_table_fits_eighty_columns_and_starts_with_the_answer() -> None:
    for command in (
        ["graft", "--from", "2026-06-01"],
        ["window", "--graft", "2026-05-15"],
        ["hours", "--days", "3"],
    ):
        result = CliRunner().invoke(app, [*command[:1], *SAMPLE, *NOW, *command[1:]], env={"COLUMNS": "80"})
        assert result.exit_code == 0, result.output
        assert "…" not in result.output, result.output
        assert max(len(line) for line in result.output.splitlines()) <= 80
    graft = CliRunner().invoke(app, ["graft", *SAMPLE, *NOW, "--from", "2026-06-01"]).output
    assert graft.startswith("Graft on")


def test_no_odds_of_nought_or_a_hundred_are_shown() -> None:
    for command in (
        ["graft", "--from", "2026-06-01"],
        ["window", "--graft", "2026-05-10", "--check", "2026-06-01:eggs"],
    ):
        output = CliRunner().invoke(app, [*command[:1], *SAMPLE, *NOW, *command[1:]]).output
        assert not re.search(r"(?<![\d.-])(0|100) %", output.split("Of 100")[0]), output


def test_every_command_is_in_the_readme() -> None:
    readme = (ROOT / "README.md").read_text(encoding="utf-8")

    for command in app.registered_commands:
        assert command.callback is not None
        assert f"matewindow {command.name or command.callback.__name__}" in readme


def test_help_loads_none_of_the_heavy_packages() -> None:
    code = "import sys, matewindow.cli; print([m for m in ('numpy', 'pandas', 'pvlib', 'scipy', 'altair', 'fastapi') if m in sys.modules])"
    result = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)

    assert result.stdout.strip() == "[]"


def test_dates_print_as_dates() -> None:
    report = run_json("window", *SAMPLE, *NOW, "--graft", "2026-05-15")
    check = next(e for e in report["timeline"] if e["event"] == "first laying check")

    assert date.fromisoformat(check["date"]) == date(2026, 6, 10)
    assert check["work"].startswith("Look for eggs before 11:00 or after 17:30")
