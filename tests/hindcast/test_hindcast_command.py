"""``matewindow hindcast`` as a user meets it: text, JSON, report files, and plain words for mistakes."""

from __future__ import annotations

import json
import re
import shutil
import subprocess
import sys
from pathlib import Path
from typing import Any

import pytest
from typer.testing import CliRunner, Result

from matewindow.cli import app, main
from tests.hindcast.made_seasons import SAMPLE

CHROMIUM = shutil.which("chromium")
SHORT = ["--first", "06-01", "--last", "06-08", "--seasons", "2018-2022", "--processes", "1"]


def hindcast(*more: str, weather: Path = SAMPLE) -> Result:
    return CliRunner().invoke(
        app, ["hindcast", "--site", str(SAMPLE / "site.toml"), "--weather", str(weather), *more], catch_exceptions=False
    )


def typed(monkeypatch: pytest.MonkeyPatch, weather: Path, *options: str) -> None:
    """As at a prompt, where mistakes end the process."""
    typed = ["matewindow", "hindcast", "--site", str(SAMPLE / "site.toml"), "--weather", str(weather), *options]
    monkeypatch.setattr(sys, "argv", typed)
    main()


@pytest.fixture(scope="module")
def written(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, dict[str, Any]]:
    stem = tmp_path_factory.mktemp("report") / "record"
    found = hindcast(*SHORT, "--report", str(stem), "--now", "2026-06-01T06:00Z", "--json")
    assert found.exit_code == 0, found.output
    return stem, json.loads(found.stdout)


def test_json_says_what_was_looked_back_on_and_what_came_of_it(written: tuple[Path, dict[str, Any]]) -> None:
    stem, report = written
    assert report["seasons"] == [2018, 2019, 2020, 2021, 2022]
    assert (report["first_graft"], report["last_graft"]) == ("06-01", "06-08")
    assert report["model"].startswith("2026")
    assert report["made_on"] == "2026-06-01"
    mated, flying = report["products"]
    assert [group["cases"] for group in mated["lead_groups"]] == [40] * 5
    assert mated["lead_groups"][0]["brier"]["usual"]["skill"]["value"] == pytest.approx(0.0, abs=1e-9)
    assert flying["lead_groups"][0]["lead_group"] == "days 1 to 3"
    assert report["graft_advice"]["mornings"] == 10
    assert report["written"] == [f"{stem}{end}" for end in (".html", ".json", ".txt")]


def test_the_files_hold_the_same(written: tuple[Path, dict[str, Any]]) -> None:
    stem, report = written
    kept = json.loads(stem.with_name("record.json").read_text())
    assert kept | {"written": report["written"]} == report
    text = stem.with_name("record.txt").read_text()
    for sentence in report["graft_advice"]["sentences"]:
        assert sentence in re.sub(r"\s+", " ", text)
    page = stem.with_name("record.html").read_text()
    assert "Hollin Bank (invented)" in page
    assert "<script" not in page
    assert report["products"][0]["judgement"]["headline"].split(".")[0] in page


def test_text_fits_the_terminal() -> None:
    found = hindcast(*SHORT)
    assert found.exit_code == 0
    assert "QUEEN WELL MATED" in found.output
    assert "THE GRAFT ADVICE" in found.output
    assert "No forecasts of these seasons were kept" in re.sub(r"\s+", " ", found.output)
    assert max(len(line) for line in found.output.splitlines()) <= 80


@pytest.mark.skipif(
    CHROMIUM is None, reason="chromium is not installed, so the page was not laid out by a real browser"
)
def test_the_page_fits_a_telephone_in_a_real_browser(written: tuple[Path, dict[str, Any]], tmp_path: Path) -> None:
    """Nothing but tables, which scroll by themselves, may be wider than the screen."""
    assert CHROMIUM is not None
    stem, _ = written
    page = stem.with_name("record.html").read_text()
    probe = "<script>document.title=document.documentElement.scrollWidth+' '+document.querySelectorAll('svg').length</script>"
    policy = re.compile(r'<meta http-equiv="Content-Security-Policy"[^>]*>')
    assert policy.search(page)  # the real page runs no script; this copy is measured by one
    (tmp_path / "page.html").write_text(policy.sub("", page).replace("</body>", probe + "</body>"))
    flags = ["--headless", "--no-sandbox", "--disable-gpu", "--disable-background-networking", "--no-first-run"]
    shown = subprocess.run(
        [CHROMIUM, *flags, f"--user-data-dir={tmp_path / 'user'}", "--window-size=500,900", "--dump-dom", f"file://{tmp_path / 'page.html'}"],
        capture_output=True, text=True, timeout=120, check=True,
    )  # fmt: skip
    title = re.search(r"<title>(\d+) (\d+)</title>", shown.stdout)
    assert title is not None
    assert int(title[1]) <= 500
    assert int(title[2]) >= 20


@pytest.mark.parametrize(
    ("options", "said"),
    [
        (["--first", "6 June"], "'6 June' is no day of the year"),
        (["--last", "02-30"], "'02-30' is no day of the year"),
        (["--seasons", "lots"], "'lots' are no years"),
        (["--seasons", "2020-2010"], "ends before it begins"),
        (["--seasons", "2020-2021"], "At least 3 seasons are wanted"),
        (["--seasons", "1900-1950"], "covers no season"),
        (["--processes", "0"], "0 processes"),
        (["--first", "01-01", "--last", "01-10"], "covers no season"),
    ],
)
def test_a_mistake_ends_in_one_message(
    options: list[str], said: str, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    with pytest.raises(SystemExit) as ended:
        typed(monkeypatch, SAMPLE, *options)
    assert ended.value.code == 2
    shown = capsys.readouterr()
    assert said in re.sub(r"\s+", " ", shown.err)
    assert "Traceback" not in shown.err
    assert shown.out == ""


def test_a_report_that_cannot_be_written_is_told_before_the_work(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    (tmp_path / "file").write_text("no folder")
    with pytest.raises(SystemExit) as ended:
        typed(monkeypatch, tmp_path / "no weather either", "--report", str(tmp_path / "file" / "record"))
    assert ended.value.code == 2
    assert "cannot be written" in capsys.readouterr().err


def test_stored_runs_with_a_wrong_name_are_named(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    shutil.copy(SAMPLE / "past.json", tmp_path)
    (tmp_path / "runs").mkdir()
    (tmp_path / "runs" / "yesterday.json").write_text("{}")
    with pytest.raises(SystemExit) as ended:
        typed(monkeypatch, tmp_path, *SHORT)
    assert ended.value.code == 2
    assert "yesterday.json" in capsys.readouterr().err


def test_a_stored_run_is_used_on_the_mornings_after_it(tmp_path: Path) -> None:
    """The sample's ensemble, kept as if it had been made for June 2022: the record says that forecasts were there."""
    shutil.copy(SAMPLE / "past.json", tmp_path)
    (tmp_path / "runs").mkdir()
    answer = json.loads((SAMPLE / "ensemble.json").read_text())
    shift = 1654041600 - 1780272000  # from 1 June 2026 to 1 June 2022, 00 UTC
    answer["hourly"]["time"] = [stamp + shift for stamp in answer["hourly"]["time"]]
    (tmp_path / "runs" / "2022-06-01T00Z.json").write_text(json.dumps(answer))
    plain = json.loads(hindcast(*SHORT, "--json").stdout)
    found = json.loads(hindcast(*SHORT, "--json", weather=tmp_path).stdout)
    notes = " ".join(found["products"][0]["notes"])
    assert (
        "A forecast had been kept for 1 of" in notes
    )  # known from 08 UTC on, so on the next morning; too old on the one after
    days = [report["products"][1]["lead_groups"][0]["brier"]["usual"]["score"]["value"] for report in (plain, found)]
    assert days[0] != days[1]
