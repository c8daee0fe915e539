"""The command line. It parses, calls the library and prints; it holds no arithmetic.

Everything heavy is imported inside the commands, so that ``--help`` answers at once.
"""

from __future__ import annotations

import io
import os
import sys

import typer

from matewindow.cli import (
    access,
    commands,
    hindcast,
    interchange,
    laying,
    learning,
    learning_weather,
    recorded,
    records,
    site,
    upkeep,
    weather,
)
from matewindow.cli.plugins import CommandGroup
from matewindow.errors import MatewindowError

app = typer.Typer(
    name="matewindow",
    cls=CommandGroup,
    help="Odds of well mated queens from real weather: when to graft, and how a batch's mating window looks.",
    no_args_is_help=True,
    add_completion=False,
    pretty_exceptions_enable=False,
    rich_markup_mode=None,
)
app.command()(commands.demo)
app.command()(commands.graft)
app.command()(commands.window)
app.command()(commands.hours)
app.command()(laying.laying)
app.command()(recorded.outlook)
app.command()(hindcast.hindcast)
app.command()(learning.learn)
app.command(name="learn-weather")(learning_weather.learn_weather)
app.add_typer(learning.models, name="models")
app.add_typer(weather.app, name="weather")
app.add_typer(site.app, name="site")
app.add_typer(records.app, name="records")
app.command()(interchange.export)
app.command(name="import")(interchange.import_)
app.command()(upkeep.backup)
app.command()(upkeep.restore)
app.command()(upkeep.doctor)
app.add_typer(access.token, name="token")
app.add_typer(access.feed, name="feed")


@app.callback(invoke_without_command=True)
def _root(version: bool = typer.Option(False, "--version", help="Print the version and stop.")) -> None:  # noqa: FBT001, FBT003
    if version:
        from matewindow import __version__

        typer.echo(__version__)
        raise typer.Exit


def main() -> None:
    """Run the command line; a user's mistake ends in one message and exit code 2, never in a traceback."""
    # our matrices are small: threads of the linear algebra library only wait for each other
    os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
    for stream in (sys.stdout, sys.stderr):  # a terminal that cannot show a degree sign gets a question mark
        if isinstance(stream, io.TextIOWrapper):
            stream.reconfigure(errors="replace")
    try:
        app()
    except MatewindowError as fault:
        typer.echo(f"matewindow: {fault}", err=True)
        sys.exit(2)
