"""Bringing a backup back: proven first, and what is there now is kept beside it, never destroyed."""

from __future__ import annotations

import os
import secrets
import sqlite3
from contextlib import closing, suppress
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING

import sqlalchemy as sa

from matewindow.errors import ConflictError, RequestError, UnavailableError
from matewindow.register.database import Database
from matewindow.register.interchange import import_into
from matewindow.register.register import Register
from matewindow.register.tables import ENTITIES
from matewindow.register.wholefiles import explained, flush
from matewindow.upkeep.backup import copy_of, prove
from matewindow.weather.entries import flush_folder

if TYPE_CHECKING:
    from collections.abc import Callable
    from datetime import datetime

    from matewindow.biology import Biology
    from matewindow.register.importing import Tell

_MAGIC = b"SQLite format 3\0"
_BESIDE = ("-wal", "-shm")
_LOCK_BYTES, _LOCK_COUNT = 0x40000002, 510
"""Where SQLite's readers hold their lock in a file (sqlite.org/fileformat2.html, the lock-byte page)."""
_MOST_BYTES = 10**12
_WAIT_S = 30.0


@dataclass(frozen=True)
class Restored:
    """What was brought back.

    Attributes:
        source: the backup.
        address: of the register.
        rows: number of rows by table.
        kept: where the register that was there before is now; None = there was none, or it was empty.
        while_in_use: whether somebody had it open, so that it was written into instead of exchanged.
        without_secrets: whether the backup holds no tokens, feeds and webhooks.
    """

    source: Path
    address: str
    rows: dict[str, int] = field(default_factory=dict)
    kept: Path | None = None
    while_in_use: bool = False
    without_secrets: bool = False


def restore(
    url: sa.URL,
    source: Path,
    biology: Biology,
    clock: Callable[[], datetime],
    *,
    who: str,
    force: bool = False,
    tell: Tell | None = None,
) -> Restored:
    """Make the register into what a backup holds.

    Args:
        url: of the register, from ``url_of``.
        source: an SQLite copy, or an export.
        biology: parameters by which the records of an export are judged.
        clock: gives the present, aware.
        who: by whom.
        force: do it although a service holds the register.
        tell: is told how it goes on.

    Raises:
        RequestError: there is no such backup, or the register cannot be written.
        UnavailableError: the backup is damaged, or of a later version; nothing was changed.
        ConflictError: a service holds the register, or a PostgreSQL register is not empty.
        ImportRefusedError: an export that cannot be imported.
    """
    if not source.exists():
        raise RequestError("there is no such file", where=str(source), fix="Name the backup.")
    if url.get_backend_name() != "sqlite":
        return _into_empty(url, source, biology, clock, who, tell)
    target = Path(str(url.database))
    if target.exists() and source.exists() and target.samefile(source):
        raise RequestError("this is the register itself", where=str(source), fix="Name the backup.")
    with explained(target):
        target.parent.mkdir(parents=True, exist_ok=True)
    new = target.with_name(f".{target.name[:100]}.{secrets.token_hex(4)}.part")
    try:
        copied = _is_sqlite(source)
        rows = _made(new, source, biology, clock, who, tell, copied=copied)
        with explained(target):
            in_use = target.exists() and is_held(target)
        if in_use and not force:
            raise ConflictError(
                f"a service or another command has the register at {target} open",
                fix="Stop it and try again, or give --force to write into the register while it is in use.",
            )
        kept = _kept_name(target, clock()) if target.exists() and target.stat().st_size else None
        with explained(target):
            _write_into(target, new, kept) if in_use else _exchange(target, new, kept)
    finally:
        for left in (new, *(Path(f"{new}{end}") for end in (*_BESIDE, "-journal", ".lock"))):
            left.unlink(missing_ok=True)
    return Restored(source, str(target), rows, kept, while_in_use=in_use, without_secrets=not copied)


def _is_sqlite(source: Path) -> bool:
    if source.is_dir():
        return False
    with explained(source), source.open("rb") as raw:
        return raw.read(len(_MAGIC)) == _MAGIC


def _made(
    new: Path,
    source: Path,
    biology: Biology,
    clock: Callable[[], datetime],
    who: str,
    tell: Tell | None,
    *,
    copied: bool,
) -> dict[str, int]:
    """The register that will be: made aside, brought to this version, and proven."""
    with explained(new):
        os.close(os.open(new, os.O_CREAT | os.O_EXCL | os.O_WRONLY, 0o600))
    if copied:
        on_part = None if tell is None else (lambda done, wanted: tell("Copying", done, wanted))
        copy_of(source, new, on_part)
        prove(new)
    if tell is not None:
        tell("Proving", 0, 0)
    database = Database(sa.URL.create("sqlite", database=str(new.absolute())))
    try:
        if not copied:
            import_into(Register(database, biology, clock), source, who, most_bytes=_MOST_BYTES, tell=tell)
    finally:
        database.close()
    rows = prove(new)
    with closing(sqlite3.connect(new, isolation_level=None)) as connection:
        # in this mode who has it open, even only to read, can be told (``is_held``)
        connection.execute("PRAGMA journal_mode=WAL")
    flush(new)
    return rows


def is_held(file: Path) -> bool:
    """Whether another connection has an SQLite register open; if none has, its log is brought into the file.

    Only who is alone may take a file out of WAL mode.
    """
    with closing(sqlite3.connect(file, timeout=0.0, isolation_level=None)) as connection:
        try:
            mode = connection.execute("PRAGMA journal_mode=DELETE").fetchone()[0]
            if mode != "delete":
                return True
            connection.execute("BEGIN EXCLUSIVE")
            connection.execute("ROLLBACK")
        except sqlite3.OperationalError as fault:
            if (fault.sqlite_errorcode & 0xFF) in {sqlite3.SQLITE_BUSY, sqlite3.SQLITE_LOCKED}:
                return True
        except sqlite3.DatabaseError:  # damaged: the file system still knows who has it open
            pass
        else:
            return False
    return _locked(file)


def _locked(file: Path) -> bool:
    """Whether another process holds SQLite's lock on a file that SQLite cannot read."""
    try:
        import fcntl
    except ImportError:  # Windows refuses to rename a file that is open
        return False
    with file.open("r+b") as raw:
        try:
            fcntl.lockf(raw, fcntl.LOCK_EX | fcntl.LOCK_NB, _LOCK_COUNT, _LOCK_BYTES)
        except OSError:
            return True
        fcntl.lockf(raw, fcntl.LOCK_UN, _LOCK_COUNT, _LOCK_BYTES)
    return False


def _kept_name(target: Path, now: datetime) -> Path:
    """A free name beside the register."""
    name = f"{target.name}.before-{now:%Y%m%dT%H%M%SZ}"
    names = [target.with_name(name if n == 1 else f"{name}-{n}") for n in range(1, 100)]
    return next(path for path in names if not path.exists())


def _exchange(target: Path, new: Path, kept: Path | None) -> None:
    """Put the new file in the place of the old one, which gets another name."""
    for end in _BESIDE:  # of a damaged register: its log belongs to it
        with suppress(FileNotFoundError):
            Path(f"{target}{end}").rename(f"{kept or target.with_name(f'{target.name}.empty')}{end}")
    if kept is not None:
        try:
            os.link(target, kept)  # so that there is a register under its name at every moment
        except OSError:
            target.rename(kept)
    new.replace(target)
    flush_folder(target.parent)


def _write_into(target: Path, new: Path, kept: Path | None) -> None:
    """Write the new content into the file that others have open, in one transaction; they see it from then on."""
    if kept is not None:
        os.close(os.open(kept, os.O_CREAT | os.O_EXCL | os.O_WRONLY, 0o600))
        copy_of(target, kept)
        flush(kept)
        flush_folder(kept.parent)
    try:
        with closing(sqlite3.connect(new)) as source, closing(sqlite3.connect(target, timeout=_WAIT_S)) as live:
            live.execute("PRAGMA synchronous=FULL")
            source.backup(live)
    except sqlite3.Error as fault:
        raise UnavailableError(
            f"the register at {target} cannot be written while it is in use ({fault})",
            fix="Stop the service and restore again; the register is as it was.",
        ) from fault


def _into_empty(
    url: sa.URL, source: Path, biology: Biology, clock: Callable[[], datetime], who: str, tell: Tell | None
) -> Restored:
    """An export into a PostgreSQL database with no records in it."""
    if _is_sqlite(source):
        raise RequestError(
            "a copy of an SQLite register cannot go into PostgreSQL as it is",
            where=str(source),
            fix="Export it first: matewindow export --register COPY register.json.",
        )
    database = Database(url)
    try:
        with database.read() as connection:
            for table in ENTITIES.values():
                if connection.execute(sa.select(table.c.id).limit(1)).first() is not None:
                    raise ConflictError(
                        f"the register at {database.address} holds records",
                        fix="Restore into an empty database, or use matewindow import.",
                    )
        done = import_into(Register(database, biology, clock), source, who, most_bytes=_MOST_BYTES, tell=tell)
    finally:
        database.close()
    rows = {name: counts.get("added", 0) for name, counts in done.tables.items()}
    return Restored(source, database.address, rows, without_secrets=True)
