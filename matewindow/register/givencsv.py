"""Reading CSV files: one table, a folder of them, or a zip."""

from __future__ import annotations

import csv
import hashlib
import io
import json
import struct
import zipfile
import zlib
from typing import TYPE_CHECKING, Any

from matewindow.register.carried import FORMAT, TABLES, VERSION, columns_of, from_text
from matewindow.register.exporting import MANIFEST, SPREADSHEET
from matewindow.register.given import Given, Meter, UnreadableError
from matewindow.register.migrating import HEAD
from matewindow.register.problems import Place
from matewindow.register.shapes import is_plain, unknown_columns

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator
    from pathlib import Path
    from typing import BinaryIO

    import sqlalchemy as sa

    from matewindow.register.problems import Problems

LONGEST = 32_000_000
"""Characters of one row."""
_MANIFEST_MOST = 100_000
_ENTRIES_MOST = 64
_DIRECTORY_MOST = 1 << 16
_END_OF_ZIP = 65_557
"""The record at the end of a zip with the longest comment that it can have (APPNOTE 6.3.10, 4.3.16)."""
_EDITED = f"Get it once more; if you edited it on purpose, take {MANIFEST} away."
_OTHER = "Put only files of tables there."


class _Watched(io.RawIOBase):
    """A binary stream that counts and seals what is read from it."""

    def __init__(self, raw: BinaryIO, meter: Meter) -> None:
        self._raw, self._meter, self.digest = raw, meter, hashlib.sha256()

    def readable(self) -> bool:
        """It is."""
        return True

    def readinto(self, buffer: Any) -> int:  # noqa: ANN401  as the base class has it
        """Read on."""
        data = self._raw.read(len(buffer))
        self._meter.count(len(data))
        self.digest.update(data)
        buffer[: len(data)] = data
        return len(data)


def csv_rows(raw: BinaryIO, table: str, at: Place, problems: Problems, meter: Meter) -> Iterator[Given]:
    """The rows of one file; what is wrong with it goes to the problems.

    Args:
        raw: the file, open for reading.
        table: name of its table.
        at: the file's place.
        problems: where to put them.
        meter: counts bytes.
    """
    yield from _File(raw, table, at, problems, meter).rows()


class _File:
    """One CSV file.

    Attributes:
        count: rows that were read.
        ended: whether it was read to its end.
    """

    def __init__(self, raw: BinaryIO, table: str, at: Place, problems: Problems, meter: Meter) -> None:
        self._watched = _Watched(raw, meter)
        self._table, self._at, self._problems = table, at, problems
        self.count, self.ended = 0, False

    @property
    def seal(self) -> str:
        """SHA-256 of what was read, as it stands in a manifest."""
        return self._watched.digest.hexdigest()

    def rows(self) -> Iterator[Given]:
        """Its rows."""
        place = self._at
        try:
            text = io.TextIOWrapper(io.BufferedReader(self._watched, 1 << 16), encoding="utf-8-sig", newline="")
            header = text.readline(LONGEST)
            lines = _Lines(text, header)
            cells = self._reader(iter(lines), header)
            names = [name.strip() for name in next(cells, [])]
            if not self._usable(names):
                return
            for row, values in enumerate(cells, start=2):
                lines.forget()
                place = Place(self._at.order, row, self._at.file, self._table)
                if any(values):
                    self.count += 1
                    given = self._given(place, names, values)
                    if given is not None:
                        yield given
            self.ended = True
        except UnicodeDecodeError:
            self._problems.add(place, "", "what follows is not UTF-8 text", 'Save it as "CSV UTF-8".')
        except (csv.Error, UnreadableError) as fault:
            self._problems.add(place, "", f"what follows cannot be read: {fault}", getattr(fault, "fix", ""))
        except (zipfile.BadZipFile, zlib.error, EOFError, OSError) as fault:
            self._problems.add(place, "", f"what follows is damaged: {fault}", "Get the file once more.")

    def _reader(self, lines: Iterator[str], header: str) -> Iterator[list[str]]:
        csv.field_size_limit(max(csv.field_size_limit(), LONGEST))
        comma = next((mark for mark in (",", ";", "\t") if mark in header), ",")  # as spreadsheets write it abroad
        return csv.reader(lines, delimiter=comma, strict=True)

    def _usable(self, names: list[str]) -> bool:
        """Whether the line of column names says what the columns are."""
        place = Place(self._at.order, 1, self._at.file, self._table)
        faults = unknown_columns(self._table, names)
        faults += [(n[:64], "this column is there twice", "") for n in dict.fromkeys(names) if names.count(n) > 1]
        if not names:
            faults.append(("", "it is empty", "Begin with a line of column names."))
        for name, what, fix in faults:
            self._problems.add(place, name, what, fix)
        return not faults

    def _given(self, place: Place, names: list[str], cells: list[str]) -> Given | None:
        if len(cells) != len(names):
            what = f"it has {len(cells)} cells, and there are {len(names)} columns"
            self._problems.add(place, "", what, "Put text with commas into quotes.")
            return None
        columns = {c.name: c for c in columns_of(TABLES[self._table])}
        raw = {name: _value(columns.get(name), cell) for name, cell in zip(names, cells, strict=True)}
        if is_plain(self._table, raw):
            raw = {name: value for name, value in raw.items() if value not in {None, ""}}
        return Given(place, self._table, raw)


def _value(column: sa.Column[Any] | None, cell: str) -> Any:  # noqa: ANN401  what JSON would have there
    return cell if column is None else from_text(column, cell)


class _Lines:
    """Lines of a text, none of which may be without end; nor may those of one row together."""

    def __init__(self, text: io.TextIOWrapper, first: str) -> None:
        self._text, self._first = text, first
        self._since = 0

    def __iter__(self) -> Iterator[str]:
        """One after the other."""
        line = self._first
        while line:
            self._since += len(line)
            if self._since > LONGEST:
                raise UnreadableError(f"a row is longer than {LONGEST:,} characters", "")
            yield line
            line = self._text.readline(LONGEST + 1)

    def forget(self) -> None:
        """A row has ended."""
        self._since = 0


# --- folders and zips -------------------------------------------------------------------------------------------


def folder_rows(folder: Path, problems: Problems, meter: Meter) -> Iterator[Given]:
    """The rows of a folder of CSV files."""
    names = sorted(path.name for path in folder.iterdir() if not path.name.startswith(".") and path.is_file())
    meter.wanted = sum((folder / name).stat().st_size for name in names)
    yield from _Files(folder.name, names, lambda name: (folder / name).open("rb"), problems, meter).rows()


def zip_rows(file: Path, problems: Problems, meter: Meter) -> Iterator[Given]:
    """The rows of a zip of CSV files. Nothing of it is unpacked onto the disk."""
    place = Place(0, 0, file.name, "")
    try:
        _check_directory(file)
        with zipfile.ZipFile(file) as archive:
            _check_entries(archive, meter)
            names = [info.filename for info in archive.infolist()]
            yield from _Files(file.name, names, archive.open, problems, meter).rows()
    except UnreadableError as fault:
        problems.add(place, "", str(fault), fault.fix)
    except (zipfile.BadZipFile, struct.error, NotImplementedError, RuntimeError) as fault:
        problems.add(place, "", f"it is no whole zip: {fault}", "Get the file once more.")


def _check_directory(file: Path) -> None:
    """Refuse a zip whose list of files alone would fill the memory."""
    with file.open("rb") as raw:
        raw.seek(max(0, file.stat().st_size - _END_OF_ZIP))
        end = raw.read()
    at = end.rfind(b"PK\x05\x06")
    if at < 0 or len(end) < at + 22:
        raise UnreadableError("it is no whole zip", "Get the file once more.")
    entries, size = struct.unpack_from("<HL", end, at + 10)
    if entries > _ENTRIES_MOST or size > _DIRECTORY_MOST:
        raise UnreadableError(f"it holds {entries} files", _OTHER)


def _check_entries(archive: zipfile.ZipFile, meter: Meter) -> None:
    """Refuse what no export of ours is: paths, files of the same name, encryption, too much."""
    infos = archive.infolist()
    names = [info.filename for info in infos]
    for info in infos:
        name = info.filename
        if name.removesuffix(".csv") not in TABLES and name != MANIFEST:
            raise UnreadableError(f"it holds {name[:60]!r}", f"{_OTHER} They lie at the top, without folders.")
        if info.flag_bits & 0x1:
            raise UnreadableError("it is encrypted", "Unpack it and give the folder.")
    if len(set(names)) < len(names):
        raise UnreadableError("it holds two files of one name", "Get the file once more.")
    meter.wanted = sum(info.file_size for info in infos)
    if meter.wanted > meter.most:
        meter.count(meter.wanted)


class _Files:
    """Several CSV files that belong together, with their manifest if there is one."""

    def __init__(
        self, where: str, names: list[str], open_: Callable[[str], Any], problems: Problems, meter: Meter
    ) -> None:
        self._where, self._names, self._open = where, names, open_
        self._problems, self._meter = problems, meter

    def rows(self) -> Iterator[Given]:
        """The rows of all files, parents first."""
        try:
            marks = self._manifest()
        except UnreadableError as fault:
            self._problems.add(Place(0, 0, MANIFEST, ""), "", str(fault), fault.fix)
            return
        others = [n for n in self._names if n != MANIFEST and n.removesuffix(".csv") not in TABLES]
        for name in others:
            fix = f"The files are {', '.join(f'{table}.csv' for table in TABLES)}."
            self._problems.add(Place(0, 0, name, ""), "", "there is no such table", fix)
        if len(others) == len(self._names):
            place = Place(0, 0, self._where, "")
            self._problems.add(place, "", "there is nothing to import", "Give a folder with a file such as sites.csv.")
        for order, table in enumerate(TABLES, start=1):
            yield from self._table(order, table, None if marks is None else marks.get(table, {}))

    def _table(self, order: int, table: str, mark: dict[str, Any] | None) -> Iterator[Given]:
        name = f"{table}.csv"
        place = Place(order, 0, name, table)
        if name not in self._names:
            if mark:
                self._problems.add(place, "", "it is missing", _EDITED)
            return
        with self._open(name) as raw:
            file = _File(raw, table, place, self._problems, self._meter)
            yield from file.rows()
        if mark is None or not file.ended or mark.get("sha256") == file.seal:
            return
        what = "it is not as it was exported: it was damaged or edited"
        if mark.get("rows") != file.count:
            what += f" ({file.count} rows instead of {mark.get('rows')})"
        self._problems.add(place, "", what, _EDITED)

    def _manifest(self) -> dict[str, Any] | None:
        """The marks of each table; None where there is no manifest."""
        if MANIFEST not in self._names:
            return None
        try:
            with self._open(MANIFEST) as raw:
                said = json.loads(raw.read(_MANIFEST_MOST).decode("utf-8"))
            form, version, schema = said["format"], said["version"], said.get("schema", HEAD)
            if form == SPREADSHEET:
                raise UnreadableError("it was written for spreadsheets and cannot be read back", "Use a plain export.")
            if form != FORMAT:
                raise UnreadableError(f'it is no export of a register: "format" is not "{FORMAT}"', "")
            if version != VERSION or schema > HEAD:
                raise UnreadableError(
                    "it was written by another version of matewindow", "Install that version, or newer."
                )
            marks: dict[str, Any] = {name: dict(mark) for name, mark in said["tables"].items()}
        except (
            ValueError,
            KeyError,
            TypeError,
            AttributeError,
            RecursionError,
            zlib.error,
            zipfile.BadZipFile,
        ) as fault:
            raise UnreadableError(f"it cannot be read ({fault})", _EDITED) from fault
        return marks
