"""Files and folders that are there as a whole or not at all."""

from __future__ import annotations

import os
import secrets
import shutil
from contextlib import contextmanager, suppress
from typing import TYPE_CHECKING

from matewindow.errors import RequestError
from matewindow.weather.entries import flush_folder

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path


@contextmanager
def explained(target: Path) -> Iterator[None]:
    """Tell in words what a disk refuses.

    Raises:
        RequestError: the file or folder cannot be written.
    """
    try:
        yield
    except OSError as fault:
        raise RequestError(
            f"it cannot be written ({fault.strerror or fault})",
            where=str(target),
            fix="Make room or choose another place; nothing half-written was left.",
        ) from fault


def refuse_to_cover(target: Path, *, overwrite: bool) -> None:
    """Refuse to write over something that is there.

    Raises:
        RequestError: it is there and may not be written over.
    """
    if target.is_dir() and not target.is_symlink():
        raise RequestError("there is a folder of this name", where=str(target), fix="Give another name.")
    if not overwrite and (target.exists() or target.is_symlink()):
        raise RequestError("it is there already", where=str(target), fix="Give another name, or --overwrite.")


@contextmanager
def whole_file(target: Path, *, overwrite: bool) -> Iterator[Path]:
    """A file to write, which takes its name when it is complete and on the disk. Only its owner may read it.

    Args:
        target: its name.
        overwrite: whether a file of this name may be there already.

    Yields:
        The name under which it is to be written.

    Raises:
        RequestError: it is there already, or cannot be written.
    """
    with explained(target):
        refuse_to_cover(target, overwrite=overwrite)
        target.parent.mkdir(parents=True, exist_ok=True)
        part = target.with_name(f".{target.name[:100]}.{secrets.token_hex(4)}.part")
        try:
            os.close(os.open(part, os.O_CREAT | os.O_EXCL | os.O_WRONLY, 0o600))
            yield part
            flush(part)
            part.replace(target)
            flush_folder(target.parent)
        finally:
            part.unlink(missing_ok=True)


@contextmanager
def whole_folder(target: Path, *, overwrite: bool, ours: frozenset[str]) -> Iterator[Path]:
    """The same for a folder of files.

    Args:
        target: its name.
        overwrite: whether a folder may be there that holds nothing but files of these names.
        ours: names of the files.
    """
    with explained(target):
        there = {path.name for path in target.iterdir()} if target.is_dir() else set()
        if (target.exists() and not target.is_dir()) or not there <= (ours if overwrite else frozenset()):
            raise RequestError("it is there already", where=str(target), fix="Give another name, or an empty folder.")
        target.parent.mkdir(parents=True, exist_ok=True)
        part = target.with_name(f".{target.name[:100]}.{secrets.token_hex(4)}.part")
        old = part.with_suffix(".old")
        try:
            part.mkdir(mode=0o700)
            yield part
            for file in part.iterdir():
                flush(file)
            flush_folder(part)
            if target.exists():
                target.rename(old)
            part.rename(target)
            flush_folder(target.parent)
        finally:
            if old.exists() and not target.exists():
                old.rename(target)
            for left in (part, old):
                with suppress(FileNotFoundError):
                    shutil.rmtree(left)


def flush(file: Path) -> None:
    """Wait until a file is on the disk."""
    handle = os.open(file, os.O_RDWR)
    try:
        os.fsync(handle)
    finally:
        os.close(handle)
