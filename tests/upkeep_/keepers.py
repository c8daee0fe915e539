"""What processes do to a register while it is backed up or restored."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import sqlalchemy as sa

from matewindow.errors import MatewindowError
from matewindow.upkeep.restore import restore
from tests.register import writers
from tests.register.made import NOON
from tests.register.writers import open_register

if TYPE_CHECKING:
    from multiprocessing.connection import Connection


def hold(said: Connection, url: str) -> None:
    """Have a register open as a service has, count its batches whenever asked, and add one when told to."""
    register = open_register(url)
    said.send(len(register.every("batch")))
    while (order := said.recv()) != "end":
        if order == "add":
            site = register.every("site")[0]["id"]
            register.add("batch", {"site_id": site, "grafted_on": "2026-06-02"}, "the service")
        said.send(len(register.every("batch")))
    register.database.close()
    said.send("closed")


def bring_back(said: Connection, url: str, source: str) -> None:
    """Restore a backup, and say how that went."""
    biology = writers.BIOLOGY
    assert biology is not None
    said.send("begins")
    try:
        restore(sa.make_url(url), Path(source), biology, lambda: NOON, who="somebody")
    except MatewindowError as refused:
        said.send(str(refused))
    else:
        said.send("done")
