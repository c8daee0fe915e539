"""A register of its own for each test, named by the environment."""

from __future__ import annotations

import json
from typing import TYPE_CHECKING, Any

import pytest
from typer.testing import CliRunner

from matewindow.cli import app
from matewindow.errors import MatewindowError

if TYPE_CHECKING:
    from collections.abc import Callable
    from pathlib import Path


@pytest.fixture
def home(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """A folder with nothing in it; register and weather store would lie there."""
    monkeypatch.setenv("MATEWINDOW_REGISTER", str(tmp_path / "register.sqlite"))
    monkeypatch.setenv("MATEWINDOW_STORE_FOLDER", str(tmp_path / "weather"))
    monkeypatch.setenv("MATEWINDOW_CONTACT", "keeper@example.org")
    monkeypatch.delenv("COLUMNS", raising=False)
    return tmp_path


@pytest.fixture
def run(home: Path) -> Callable[..., Any]:
    """Runs a command; its JSON, or its text with ``text=True``."""

    def run_(*arguments: str, code: int = 0, text: bool = False) -> Any:
        extra = [] if text else ["--json"]
        result = CliRunner().invoke(app, [*arguments, *extra], catch_exceptions=False)
        assert result.exit_code == code, result.output
        return result.output if text else json.loads(result.stdout)

    return run_


@pytest.fixture
def refused(home: Path) -> Callable[..., str]:
    """Runs a command that must end in a message."""

    def refused_(*arguments: str) -> str:
        with pytest.raises(MatewindowError) as fault:
            CliRunner().invoke(app, list(arguments), catch_exceptions=False)
        return str(fault.value)

    return refused_


SITE = ("name=Orchard", "latitude=53.2", "longitude=-1.9", "elevation_m=210", "timezone=Europe/London")


@pytest.fixture
def site(run: Callable[..., Any]) -> str:
    """The id of a site."""
    return str(run("records", "add", "site", *SITE, "exposure=0.8", "drones_mature_from=2026-05-20")["id"])


@pytest.fixture
def batch(run: Callable[..., Any], site: str) -> str:
    """The id of a batch at that site."""
    return str(run("records", "add", "batch", f"site_id={site}", "grafted_on=2026-05-13", "name=May")["id"])
