"""``matewindow-api``: serve one site on this machine."""

from __future__ import annotations

import os
import sys
from pathlib import Path  # noqa: TC003  Typer reads annotations at run time
from typing import Annotated

import typer

from matewindow.errors import MatewindowError


def serve(
    site: Annotated[Path, typer.Option("--site", metavar="FILE", help="Site file (TOML).")],
    weather: Annotated[Path, typer.Option("--weather", metavar="FOLDER", help="Folder with weather files.")],
    port: Annotated[int, typer.Option("--port", min=1, max=65535, help="Port on 127.0.0.1.")] = 8377,
) -> None:
    """Answer on 127.0.0.1 only: the service has no tokens yet, so it does not listen to the network."""
    import uvicorn

    from api.app import Desk, create_app
    from matewindow.settings import Settings

    settings = Settings.from_environment(os.environ)
    Desk(site, weather, settings)()  # a broken site or weather file is told now, not at the first request
    uvicorn.run(create_app(site, weather, settings), host="127.0.0.1", port=port)


def main() -> None:
    """Run the service; a user's mistake ends in one message and exit code 2."""
    try:
        typer.run(serve)
    except MatewindowError as fault:
        typer.echo(f"matewindow-api: {fault}", err=True)
        sys.exit(2)


if __name__ == "__main__":
    main()
