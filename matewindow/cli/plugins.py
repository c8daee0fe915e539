"""Commands that other packages offer under the entry points ``matewindow.commands``, such as ``serve``.

An entry point names a function with Typer's annotations, a Typer application or a command. It is imported only when the
command runs or its own help is asked for; the list of commands shows it without importing anything.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import typer
from typer.core import TyperCommand, TyperGroup

from matewindow.errors import MatewindowError

if TYPE_CHECKING:
    from importlib.metadata import EntryPoint

GROUP = "matewindow.commands"
_SHORT = {"serve": "Serve the register over HTTP, and keep its outlooks fresh."}
"""What the list of commands says of those that we know."""


class BrokenCommandError(MatewindowError):
    """A command that another package offers cannot be loaded."""


class CommandGroup(TyperGroup):
    """Our own commands, and those of the entry points."""

    def list_commands(self, ctx: typer.Context) -> list[str]:  # type: ignore[override]
        """The names of all of them."""
        mine = super().list_commands(ctx)
        return [*mine, *sorted(name for name in _offered() if name not in mine)]

    def get_command(self, ctx: typer.Context, cmd_name: str) -> Any:  # type: ignore[override]  # noqa: ANN401
        """A command by its name; None if there is none. Our own come first."""
        mine = super().get_command(ctx, cmd_name)
        if mine is not None:
            return mine
        entry = _offered().get(cmd_name)
        return None if entry is None else _Later(entry)


class _Later(TyperCommand):
    """Stands for a command that is imported when it is needed."""

    def __init__(self, entry: EntryPoint) -> None:
        said = _SHORT.get(entry.name, f"Offered by {entry.value.partition(':')[0].partition('.')[0]}.")
        super().__init__(name=entry.name, callback=None, help=said, short_help=said)
        self._entry = entry

    def make_context(self, info_name: str | None, args: list[str], parent: Any = None, **extra: Any) -> Any:  # noqa: ANN401  as the base class has it
        """The context of the real command."""
        return loaded(self._entry).make_context(info_name, args, parent, **extra)


def _offered() -> dict[str, EntryPoint]:
    """The entry points by name; nothing is imported."""
    from importlib.metadata import entry_points

    return {entry.name: entry for entry in entry_points(group=GROUP)}


def loaded(entry: EntryPoint) -> Any:  # noqa: ANN401  a command
    """The command that an entry point names.

    Raises:
        BrokenCommandError: it cannot be imported.
    """
    try:
        found = entry.load()
    except (ImportError, AttributeError) as fault:
        raise BrokenCommandError(
            f"The command {entry.name} ({entry.value}) cannot be loaded: {fault}. Install its package again."
        ) from fault
    if isinstance(found, typer.Typer):
        return typer.main.get_command(found)
    if hasattr(found, "make_context"):
        return found
    app = typer.Typer(add_completion=False, pretty_exceptions_enable=False, rich_markup_mode=None)
    app.command(name=entry.name)(found)
    return typer.main.get_command(app)
