"""Commands that other packages offer are there without being imported, until they are used."""

from __future__ import annotations

import subprocess
import sys
from importlib.metadata import EntryPoint, EntryPoints
from types import ModuleType
from typing import TYPE_CHECKING, Annotated

import pytest
import typer
from typer.testing import CliRunner

from matewindow.cli import app
from matewindow.cli.plugins import GROUP, BrokenCommandError

if TYPE_CHECKING:
    from collections.abc import Callable

HEAVY = ("api", "fastapi", "uvicorn", "sqlalchemy", "pandas", "numpy", "rich.progress")


@pytest.fixture
def offer(monkeypatch: pytest.MonkeyPatch) -> Callable[..., list[str]]:
    """Offers commands; gives a list of the modules that were imported for them."""
    imported: list[str] = []

    def offer_(**commands: object) -> list[str]:
        entries = []
        for name, found in commands.items():
            module = ModuleType(f"offered_{name}")

            def load(attribute: str, name: str = name, found: object = found) -> object:
                if attribute != "it":
                    raise AttributeError(attribute)
                imported.append(name)
                return found

            module.__getattr__ = load  # type: ignore[method-assign]
            monkeypatch.setitem(sys.modules, module.__name__, module)
            entries.append(EntryPoint(name, f"{module.__name__}:it", GROUP))
        monkeypatch.setattr(
            "importlib.metadata.entry_points", lambda *, group: EntryPoints(entries).select(group=group)
        )
        return imported

    return offer_


def hello(name: Annotated[str, typer.Option("--name", help="Who is greeted.")] = "bees") -> None:
    """Greet somebody."""
    typer.echo(f"hello {name}")


def run(*words: str) -> str:
    result = CliRunner().invoke(app, list(words), catch_exceptions=False)
    assert result.exit_code == 0, result.output
    return result.output


def test_the_list_of_commands_shows_them_without_importing(offer: Callable[..., list[str]]) -> None:
    imported = offer(hello=hello, serve=hello)
    shown = " ".join(run("--help").split())

    assert "hello Offered by offered_hello." in shown
    assert "serve Serve the register over HTTP" in shown
    assert imported == []


def test_a_function_an_application_and_a_command_can_be_offered(offer: Callable[..., list[str]]) -> None:
    grouped = typer.Typer(help="Many greetings.")
    grouped.command(name="one")(hello)
    grouped.command(name="two")(hello)
    offer(plain=hello, grouped=grouped, command=typer.main.get_command(grouped))

    assert run("plain", "--name", "queen") == "hello queen\n"
    assert "Who is greeted." in run("plain", "--help")
    assert run("grouped", "two") == "hello bees\n"
    assert "Many greetings." in run("command", "--help")


def test_our_own_commands_cannot_be_taken_over(offer: Callable[..., list[str]]) -> None:
    imported = offer(doctor=hello)
    assert "how to mend" in run("doctor", "--help")
    assert imported == []


def test_a_command_that_cannot_be_loaded_is_told_in_words(
    offer: Callable[..., list[str]], monkeypatch: pytest.MonkeyPatch
) -> None:
    entries = EntryPoints([EntryPoint("lost", "no_such_module_of_bees:it", GROUP)])
    monkeypatch.setattr("importlib.metadata.entry_points", lambda *, group: entries.select(group=group))
    assert "lost" in run("--help")
    with pytest.raises(BrokenCommandError, match="no_such_module_of_bees"):
        CliRunner().invoke(app, ["lost"], catch_exceptions=False)


def test_an_unknown_command_is_told(offer: Callable[..., list[str]]) -> None:
    offer()
    result = CliRunner().invoke(app, ["dance"])
    assert result.exit_code == 2
    assert "No such command 'dance'" in result.output


@pytest.mark.parametrize("words", [["--help"], ["records", "--help"], ["import", "--help"], ["doctor", "--help"]])
def test_help_imports_nothing_heavy(words: list[str]) -> None:
    """So that it answers at once."""
    code = (
        "import sys\nsys.argv = ['matewindow', *sys.argv[1:]]\nfrom matewindow.cli import main\n"
        f"try:\n    main()\nexcept SystemExit:\n    pass\nprint('HEAVY', [m for m in {HEAVY!r} if m in sys.modules])"
    )
    command = [sys.executable, "-c", code, *words]
    done = subprocess.run(command, capture_output=True, text=True, timeout=60, check=True)
    assert done.stdout.splitlines()[-1] == "HEAVY []"
