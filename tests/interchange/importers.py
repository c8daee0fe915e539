"""What processes do in the tests of imports: import a file until they are killed, and export until the disk is full."""

from __future__ import annotations

import resource
import signal
from pathlib import Path
from typing import TYPE_CHECKING, Any

from matewindow.errors import MatewindowError
from matewindow.register.interchange import export_from, import_into
from tests.register.writers import open_register

if TYPE_CHECKING:
    from multiprocessing.connection import Connection


def take_in_slowly(said: Connection, url: str, source: str) -> None:
    """Import a file, and say each part that is written before going on with it."""

    def tell(what: str, done: int, _wanted: int) -> None:
        if what == "Writing":
            said.send(done)
            said.recv()

    register = open_register(url)
    import_into(register, Path(source), "somebody", tell=tell)
    said.send("done")


def export_into_little(said: Connection, url: str, target: str, most_bytes: int) -> None:
    """Export where no file may become larger than this, as on a disk that is nearly full."""
    signal.signal(signal.SIGXFSZ, signal.SIG_IGN)
    register = open_register(url)
    resource.setrlimit(resource.RLIMIT_FSIZE, (most_bytes, most_bytes))
    try:
        export_from(register.database, Path(target))
    except MatewindowError as refused:
        said.send((type(refused).__name__, str(refused)))
    else:
        said.send("done")


def measured(said: Connection, url: str, source: str) -> None:
    """Import and export, and say by how much the memory grew, in bytes."""
    register = open_register(url)
    register.every("site")
    before = _peak()
    import_into(register, Path(source), "somebody")
    after = _peak()
    export_from(register.database, Path(source).with_name("again.json"))
    said.send((after - before, _peak() - after))


def _peak() -> int:
    """Largest memory of this process so far, in bytes; unlike ``ru_maxrss`` it knows nothing of the parent's."""
    for line in Path("/proc/self/status").read_text(encoding="ascii").splitlines():
        if line.startswith("VmHWM:"):
            return int(line.split()[1]) * 1024
    peak: Any = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
    return int(peak) * 1024
