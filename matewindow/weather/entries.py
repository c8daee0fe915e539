"""Fetched answers on disk: one folder an answer, which appears whole or not at all, and proves itself by hashes.

::

    entries/<source>/<site>/<kind>/<request>/<time fetched>-<random>/
        meta.json       what was asked, when, what the source said about it; sealed with its own SHA-256
        body.gz         the answer as received, packed; its SHA-256 stands in meta.json
        check.json      when the source last confirmed it (a 304), if it did; sealed
        normal.<h>.npz  the same weather in normal form; h is the beginning of the file's SHA-256

A new folder is written under ``tmp/``, every file and the folder itself flushed to the disk, and then renamed
into place, which is one step for the file system. Files that are added later are written and renamed likewise.
"""

from __future__ import annotations

import gzip
import hashlib
import json
import os
import re
import zlib
from dataclasses import asdict, dataclass, field
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import TYPE_CHECKING, Any

from matewindow.errors import RequestError

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping

META, BODY, CHECK = "meta.json", "body.gz", "check.json"
NORMAL = "normal.*.npz"
CLOCK_SLACK = timedelta(minutes=5)
"""By so much an answer may seem to come from the future before the clock is thought to have been wrong."""

_FORMAT = 1
_NAME = re.compile(r"[a-z0-9-][a-z0-9._-]{0,79}", re.ASCII)
_ID_TIME = "%Y%m%dT%H%M%S.%fZ"


class DamagedError(Exception):
    """A file of the store is not what was written."""


@dataclass(frozen=True)
class Key:
    """What identifies a request: answers with the same key are answers to the same question.

    Args:
        source: short name of the source.
        site: what the answer is for, such as "51.5_-0.12".
        kind: kind of weather (``normal.Kind``), or another word for answers that are no weather.
        digest: hash of address and parameters, secrets not included.
    """

    source: str
    site: str
    kind: str
    digest: str

    @classmethod
    def of(cls, *, source: str, site: str, kind: str, url: str, params: Mapping[str, str]) -> Key:
        """The key of a request; the order of the parameters does not matter.

        Raises:
            RequestError: a name that cannot be a folder: lower-case letters, digits, ".", "_" and "-" can.
        """
        for name in (source, site, kind):
            if not _NAME.fullmatch(name) or name.endswith("."):
                raise RequestError(
                    f"{name!r} cannot name a folder of the weather store",
                    fix='Use lower-case letters, digits, ".", "_" and "-", at most 80.',
                )
        asked = json.dumps([url, sorted(params.items())], ensure_ascii=True)
        return cls(source, site, kind, hashlib.sha256(asked.encode()).hexdigest()[:20])

    @property
    def path(self) -> Path:
        """Folder of this key, relative to the store."""
        return Path("entries", self.source, self.site, self.kind, self.digest)


@dataclass(frozen=True)
class Received:
    """An answer as it came, before it is stored. ``url`` and ``params`` hold no secrets, times are aware."""

    key: Key
    url: str
    params: Mapping[str, str]
    fetched_at: datetime
    status: int
    body: bytes = field(repr=False)
    content_type: str | None = None
    etag: str | None = None
    last_modified: str | None = None
    fresh_until: datetime | None = None


@dataclass(frozen=True)
class Entry:
    """A stored answer without its body.

    ``etag`` and ``last_modified`` are exactly as the source sent them. ``checked_at`` is when the source last said
    that the answer is current: ``fetched_at``, or later if it answered 304 since. Until ``fresh_until`` the source
    need not be asked again.
    """

    id: str
    key: Key
    url: str
    params: Mapping[str, str]
    fetched_at: datetime
    status: int
    sha256: str
    n_bytes: int
    content_type: str | None
    etag: str | None
    last_modified: str | None
    checked_at: datetime
    fresh_until: datetime | None
    folder: Path = field(repr=False)

    @property
    def has_body(self) -> bool:
        """Whether the answer itself is still there; of old ones only the normal form is kept."""
        return (self.folder / BODY).exists()

    def age(self, now: datetime) -> timedelta:
        """Time since the source last said that this is current; negative if the clock was set back since."""
        return now - self.checked_at


# --- hashes -------------------------------------------------------------------------------------------------


def sha256(data: bytes) -> str:
    """SHA-256 in hex."""
    return hashlib.sha256(data).hexdigest()


def sealed(values: Mapping[str, Any]) -> bytes:
    """One line of JSON and, below it, its hash."""
    line = json.dumps(values, ensure_ascii=False, sort_keys=True, default=_as_text).encode()
    return line + b"\n" + sha256(line).encode() + b"\n"


def unsealed(data: bytes) -> dict[str, Any]:
    """Read back what ``sealed`` made.

    Raises:
        DamagedError: the hash does not fit.
    """
    line, _, rest = data.partition(b"\n")
    if rest != sha256(line).encode() + b"\n":
        raise DamagedError("the hash does not fit")
    values: dict[str, Any] = json.loads(line)
    return values


def _as_text(value: object) -> str:
    if isinstance(value, datetime):
        return value.isoformat()
    raise TypeError(value)


# --- an entry -----------------------------------------------------------------------------------------------


def entry_id(fetched_at: datetime, token: str) -> str:
    """Name of an entry's folder; names sort by time."""
    return f"{fetched_at.astimezone(UTC).strftime(_ID_TIME)}-{token}"


def fetched_at_of(name: str) -> datetime:
    """Time in the name of an entry's folder.

    Raises:
        ValueError: it is no such name.
    """
    return datetime.strptime(name.rpartition("-")[0], _ID_TIME).replace(tzinfo=UTC)


def write_entry(folder: Path, received: Received) -> None:
    """Write the files of a new entry into an empty folder and flush them to the disk."""
    write_flushed(folder / BODY, gzip.compress(received.body, compresslevel=6, mtime=0))
    meta = {
        "format": _FORMAT,
        "key": asdict(received.key),
        "url": received.url,
        "params": dict(received.params),
        "fetched_at": received.fetched_at.astimezone(UTC),
        "status": received.status,
        "sha256": sha256(received.body),
        "n_bytes": len(received.body),
        "content_type": received.content_type,
        "etag": received.etag,
        "last_modified": received.last_modified,
        "fresh_until": received.fresh_until,
    }
    write_flushed(folder / META, sealed(meta))
    flush_folder(folder)


def check_record(
    checked_at: datetime, fresh_until: datetime | None, etag: str | None, last_modified: str | None
) -> bytes:
    """Contents of ``check.json``."""
    return sealed(
        {
            "checked_at": checked_at.astimezone(UTC),
            "fresh_until": fresh_until,
            "etag": etag,
            "last_modified": last_modified,
        }
    )


def read_entry(folder: Path) -> Entry:
    """Read what is known about an entry.

    Raises:
        DamagedError: what is there is not what was written, or lies in the wrong folder.
        FileNotFoundError: the entry is gone.
    """
    meta = unsealed((folder / META).read_bytes())
    if meta.get("format") != _FORMAT:
        raise DamagedError(f"format {meta.get('format')} is unknown")
    key = Key(**meta["key"])
    if folder.parts[-5:] != (*key.path.parts[1:], folder.name):
        raise DamagedError("it lies in the wrong folder")
    check = _read_check(folder)
    return Entry(
        id=folder.name,
        key=key,
        url=meta["url"],
        params=meta["params"],
        fetched_at=datetime.fromisoformat(meta["fetched_at"]),
        status=meta["status"],
        sha256=meta["sha256"],
        n_bytes=meta["n_bytes"],
        content_type=meta["content_type"],
        etag=check.get("etag") or meta["etag"],
        last_modified=check.get("last_modified") or meta["last_modified"],
        checked_at=datetime.fromisoformat(check.get("checked_at") or meta["fetched_at"]),
        fresh_until=_time(check["fresh_until"] if check else meta["fresh_until"]),
        folder=folder,
    )


def _read_check(folder: Path) -> dict[str, Any]:
    """The last confirmation; none if it is absent or damaged, which only makes the answer look older."""
    try:
        return unsealed((folder / CHECK).read_bytes())
    except (FileNotFoundError, DamagedError):
        return {}


def _time(text: str | None) -> datetime | None:
    return None if text is None else datetime.fromisoformat(text)


def read_body(entry: Entry) -> bytes:
    """The answer as it came.

    Raises:
        DamagedError: it is not what was written.
        FileNotFoundError: it is gone.
    """
    packed = (entry.folder / BODY).read_bytes()
    try:
        body = gzip.decompress(packed)
    except (OSError, EOFError, zlib.error):
        raise DamagedError("the answer cannot be unpacked") from None
    if len(body) != entry.n_bytes or sha256(body) != entry.sha256:
        raise DamagedError("the hash of the answer does not fit")
    return body


# --- files --------------------------------------------------------------------------------------------------


def write_flushed(path: Path, data: bytes) -> None:
    """Write a new file and wait until it is on the disk."""
    with path.open("xb") as file:
        file.write(data)
        file.flush()
        os.fsync(file.fileno())


def flush_folder(folder: Path) -> None:
    """Wait until the names in a folder are on the disk. Windows cannot and need not."""
    if os.name == "nt":
        return
    handle = os.open(folder, os.O_RDONLY)
    try:
        os.fsync(handle)
    finally:
        os.close(handle)


def make_folder(folder: Path, mode: int = 0o777) -> None:
    """Make a folder and what is missing above it, so that it is still there after a power cut."""
    missing = [folder, *folder.parents]
    missing = missing[: next(i for i, path in enumerate(missing) if path.is_dir())]
    for path in reversed(missing):
        path.mkdir(mode=mode, exist_ok=True)
        flush_folder(path.parent)


def files_below(folder: Path) -> Iterator[tuple[Path, int]]:
    """All files below a folder with their sizes in bytes; what vanishes meanwhile is passed over."""
    try:
        found = list(os.scandir(folder))
    except (FileNotFoundError, NotADirectoryError):
        return
    for item in found:
        if item.is_dir(follow_symlinks=False):
            yield from files_below(Path(item.path))
            continue
        try:
            yield Path(item.path), item.stat(follow_symlinks=False).st_size
        except FileNotFoundError:
            continue
