"""``export``, ``import``, ``backup``, ``restore`` and ``doctor`` as a keeper runs them."""

from __future__ import annotations

import json
import re
import subprocess
import sys
from typing import TYPE_CHECKING, Any

import pytest
from typer.testing import CliRunner

from matewindow.cli import app
from matewindow.upkeep import lookprogram

if TYPE_CHECKING:
    from collections.abc import Callable
    from pathlib import Path


@pytest.mark.parametrize("form", ["x.json", "x.zip", "x"])
def test_a_register_moves_to_another_machine(run: Callable[..., Any], batch: str, home: Path, form: str) -> None:
    run("token", "new", "--name", "x", "--scope", "read")
    told = run("export", str(home / form))
    assert told["left_out"] == {"tokens": 1}
    assert told["rows"]["batches"] == 1
    other = str(home / "other.sqlite")
    dry = run("import", str(home / form), "--dry-run", "--register", other)
    assert (dry["written"], dry["problem_count"], dry["tables"]["batches"]) == (False, 0, {"added": 1})
    done = run("import", str(home / form), "--register", other)
    assert (done["written"], done["tables"]) == (True, dry["tables"])
    assert run("records", "show", batch, "--register", other) == run("records", "show", batch)


def test_problems_are_listed_and_the_exit_code_tells(run: Callable[..., Any], site: str, home: Path) -> None:
    (home / "batches.csv").write_text("site,grafted_on\nOrchard,June\nNowhere,2026-06-01\n", encoding="utf-8")
    for options in (["--dry-run"], []):
        report = run("import", str(home / "batches.csv"), *options, code=2)
        assert report["problem_count"] == 2
        assert [(p["file"], p["row"], p["field"]) for p in report["problems"]] == [
            ("batches.csv", 2, "grafted_on"), ("batches.csv", 3, "site_id"),
        ]  # fmt: skip
    text = " ".join(run("import", str(home / "batches.csv"), code=2, text=True).split())
    assert "batches.csv, row 2, grafted_on: write a date as 2026-06-01." in text
    assert text.endswith("2 problems; nothing was written.")
    assert run("records", "list", "batch")["items"] == []


def test_replace_and_limit_are_passed_on(run: Callable[..., Any], batch: str, home: Path) -> None:
    run("export", str(home / "x.json"))
    run("records", "change", batch, "notes=newer")
    assert run("import", str(home / "x.json"), code=2)["problem_count"] == 1
    assert run("import", str(home / "x.json"), "--replace")["tables"]["batches"] == {"changed": 1}
    assert run("records", "show", batch)["notes"] == ""
    (home / "batches.csv").write_text("site,grafted_on\n" + "Orchard,2026-06-01\n" * 60_000, encoding="utf-8")
    report = run("import", str(home / "batches.csv"), "--limit-mb", "1", code=2)
    assert any("--limit-mb" in p["fix"] for p in report["problems"])


def test_the_form_for_spreadsheets(run: Callable[..., Any], batch: str, home: Path) -> None:
    run("records", "change", batch, "notes==1+1")
    run("export", str(home / "sheets"), "--for-spreadsheet")
    assert "'=1+1" in (home / "sheets" / "batches.csv").read_text(encoding="utf-8-sig")
    assert "cannot be imported" in run("export", str(home / "more"), "--for-spreadsheet", text=True)


def test_nothing_is_written_over_unasked(
    run: Callable[..., Any], refused: Callable[..., str], site: str, home: Path
) -> None:
    run("export", str(home / "x.json"))
    run("backup", str(home / "x.sqlite"))
    assert "there already" in refused("export", str(home / "x.json"))
    assert "there already" in refused("backup", str(home / "x.sqlite"))
    run("export", str(home / "x.json"), "--overwrite")
    run("backup", str(home / "x.sqlite"), "--overwrite")


def test_backup_and_restore(run: Callable[..., Any], batch: str, home: Path) -> None:
    made = run("backup", str(home / "backup.sqlite"))
    assert made["rows"]["batches"] == 1
    run("records", "change", batch, "notes=newer")
    done = run("restore", str(home / "backup.sqlite"))

    assert run("records", "show", batch)["notes"] == ""
    assert done["kept"].startswith(str(home / "register.sqlite.before-"))
    assert run("records", "show", batch, "--register", done["kept"])["notes"] == "newer"
    text = " ".join(run("restore", str(home / "backup.sqlite"), text=True).split())
    assert "What was there before is kept as" in text


def test_the_doctors_exit_codes(
    run: Callable[..., Any], site: str, home: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """0 well, 1 warnings, 2 faults."""
    monkeypatch.setattr(lookprogram, "sqlite_is_safe", lambda: True)
    for name in [n for n in __import__("os").environ if n.startswith("MATEWINDOW_RECORDED")]:
        monkeypatch.delenv(name)
    assert run("doctor")["state"] in {"ok", "note"}
    assert "All is well." in run("doctor", text=True)
    monkeypatch.delenv("MATEWINDOW_CONTACT")
    assert run("doctor", "--thorough", code=1)["state"] == "warning"
    monkeypatch.setenv("MATEWINDOW_CA_BUNDLE", "/nowhere")
    report = run("doctor", code=2)
    assert {f["about"] for f in report["findings"] if f["state"] == "fault"} == {"MATEWINDOW_CA_BUNDLE"}
    text = run("doctor", code=2, text=True)
    assert "Something does not work." in text


def test_progress_goes_to_the_error_channel_after_a_second(
    batch: str, home: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Standard output stays clean JSON."""
    from matewindow.cli import opened

    monkeypatch.setattr(opened, "_SOON_S", 0.0)
    (home / "batches.csv").write_text("site,grafted_on\n" + "Orchard,2026-06-01\n" * 300, encoding="utf-8")
    result = CliRunner().invoke(app, ["import", str(home / "batches.csv"), "--json"], catch_exceptions=False)
    assert json.loads(result.stdout)["tables"]["batches"] == {"added": 300}
    result = CliRunner().invoke(app, ["export", str(home / "x.json"), "--json"], catch_exceptions=False)
    assert json.loads(result.stdout)["rows"]["batches"] == 301


def test_a_mistake_ends_in_one_line_and_exit_code_2(home: Path) -> None:
    command = [sys.executable, "-m", "matewindow.cli", "export", str(home / "x.json")]
    done = subprocess.run(command, capture_output=True, text=True, timeout=60, check=False)

    assert done.returncode == 2
    assert done.stdout == ""
    assert re.fullmatch(r"matewindow: .*there is no register there yet\..*\n", done.stderr)
