"""What the commands on the register share: opening it, who writes, progress of what takes its time."""

from __future__ import annotations

from contextlib import contextmanager
from dataclasses import replace
from threading import Lock, Timer
from typing import TYPE_CHECKING, Annotated

import typer

from matewindow.errors import RequestError

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator
    from datetime import datetime

    from rich.progress import Progress, TaskID

    from matewindow.register.database import Database
    from matewindow.register.register import Register
    from matewindow.settings import Settings

RegisterAt = Annotated[
    str | None,
    typer.Option("--register", metavar="FILE", help="Register: a file, or a postgresql:// URL. Else the setting's."),
]
AsJson = Annotated[bool, typer.Option("--json", help="Print JSON instead of a table.")]
_SOON_S = 1.0


def settings_for(register: str | None) -> Settings:
    """The settings of the process, with another register if one is named."""
    from matewindow.cli.options import settings_of_process

    settings = settings_of_process()
    return settings if register is None else replace(settings, register=register)


@contextmanager
def open_database(register: str | None, *, make: bool = False) -> Iterator[Database]:
    """The register's database, closed at the end.

    Args:
        register: file or URL; None = the setting's.
        make: whether it is made where there is none yet.

    Raises:
        RequestError: there is none.
    """
    from matewindow.register.database import Database, url_of

    url = url_of(settings_for(register))
    if not make and url.get_backend_name() == "sqlite":
        from pathlib import Path

        if not Path(str(url.database)).is_file():
            raise RequestError(
                "there is no register there yet",
                where=str(url.database),
                fix="Name it with --register, or begin one: matewindow records add site name=...",
            )
    database = Database(url)
    try:
        yield database
    finally:
        database.close()


@contextmanager
def open_register(
    register: str | None, *, make: bool = False, clock: Callable[[], datetime] | None = None
) -> Iterator[Register]:
    """The register, closed at the end; arguments as ``open_database``."""
    from matewindow.biology import load_biology
    from matewindow.register.register import Register

    biology = load_biology(settings_for(register).models_folder)
    with open_database(register, make=make) as database:
        yield Register(database, biology) if clock is None else Register(database, biology, clock)


def who() -> str:
    """Who types, for the history."""
    import getpass

    try:
        name = "".join(c for c in getpass.getuser() if c.isprintable())
    except (OSError, KeyError, ImportError):
        name = "unknown"
    return f"command line ({name})"


class Waiting:
    """Progress on the error channel, shown as soon as something takes longer than a second."""

    def __init__(self) -> None:
        self._lock = Lock()
        self._timer = Timer(_SOON_S, self._show)
        self._timer.daemon = True
        self._bar: Progress | None = None
        self._known: dict[str, tuple[int, int]] = {}
        self._tasks: dict[str, TaskID] = {}

    def __enter__(self) -> Waiting:
        self._timer.start()
        return self

    def __exit__(self, *_: object) -> None:
        self._timer.cancel()
        self._timer.join()
        if self._bar is not None:
            self._bar.stop()

    def __call__(self, what: str, done: int, wanted: int) -> None:
        """So much of so much is done; of 0 = that cannot be told."""
        with self._lock:
            self._known[what] = (done, wanted)
            if self._bar is not None:
                self._update(self._bar, what)

    def of(self, what: str) -> Callable[[int, int], None]:
        """The same for one thing."""
        return lambda done, wanted: self(what, done, wanted)

    def _update(self, bar: Progress, what: str) -> None:
        done, wanted = self._known[what]
        if what not in self._tasks:
            self._tasks[what] = bar.add_task(what, total=wanted or None)
        bar.update(self._tasks[what], completed=done, total=wanted or None)

    def _show(self) -> None:
        from rich.console import Console
        from rich.progress import BarColumn, Progress, TaskProgressColumn, TextColumn, TimeRemainingColumn

        columns = (TextColumn("{task.description}"), BarColumn(), TaskProgressColumn(), TimeRemainingColumn())
        bar = Progress(*columns, console=Console(stderr=True), transient=True)
        with self._lock:
            for what in self._known:
                self._update(bar, what)
            self._bar = bar
            bar.start()
