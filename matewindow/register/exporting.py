"""Writing the register out: as one JSON file, as CSV files in a folder or a zip, or as CSV for a spreadsheet.

All of it is one state of the register, read in one transaction beside any writer, row by row, so that memory stays
small. See ``interchange.py`` for the forms.
"""

from __future__ import annotations

import csv
import hashlib
import io
import json
import zipfile
from contextlib import contextmanager
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any, Protocol

import sqlalchemy as sa

from matewindow.register.carried import (
    FORMAT,
    LEFT_OUT,
    TABLES,
    VERSION,
    Row,
    as_cells,
    as_json_text,
    columns_of,
    in_order,
)
from matewindow.register.migrating import HEAD
from matewindow.register.tables import ENTITIES, metadata
from matewindow.register.troubles import damaged
from matewindow.register.wholefiles import whole_file, whole_folder

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator
    from pathlib import Path

    from matewindow.register.database import Database

    OnRow = Callable[[int, int], None]

MANIFEST = "manifest.json"
SPREADSHEET = "matewindow spreadsheet"
"""Format of what was written for people to look at; it cannot be read back."""
_AT_A_TIME = 50
_GUARDED = ("=", "+", "-", "@", "\t", "\r", "\0")
"""First characters of a cell by which spreadsheets take it for a formula (OWASP ASVS 5.0, 1.2.10)."""
_SHEETS = (*(table.name for table in ENTITIES.values()), "outlooks", "warnings")
_NO_SHEET = {"outlooks": {"reading", "body", "stands_on"}, "warnings": {"data"}}
"""What tells people nothing."""
_LONG_AGO = (1980, 1, 1, 0, 0, 0)


@dataclass
class Export:
    """What was written.

    Attributes:
        target: where.
        form: "json", "csv" or "spreadsheet".
        rows: number of rows by table.
        left_out: number of rows that were left out, by table.
    """

    target: Path
    form: str
    rows: dict[str, int] = field(default_factory=dict)
    left_out: dict[str, int] = field(default_factory=dict)


class _Tell:
    """Counts rows and tells how many of how many are done."""

    def __init__(self, wanted: int, on_row: OnRow | None) -> None:
        self.done, self.wanted, self._on_row = 0, wanted, on_row

    def __call__(self) -> None:
        self.done += 1
        if self._on_row is not None and self.done % 50 == 0:
            self._on_row(self.done, self.wanted)


def write_json(database: Database, target: Path, *, overwrite: bool, on_row: OnRow | None = None) -> Export:
    """Write everything into one JSON file.

    Raises:
        RequestError: the file cannot be written; nothing of it is left.
        UnavailableError: the register cannot be read, or is damaged.
    """
    export = Export(target, "json")
    with whole_file(target, overwrite=overwrite) as part, database.read() as connection:
        tell = _begin(connection, export, list(TABLES), on_row)
        seal = hashlib.sha256()
        with part.open("w", encoding="utf-8", newline="\n") as file:
            head = {"format": FORMAT, "version": VERSION, "schema": HEAD, "left_out": sorted(LEFT_OUT)}
            file.write("{\n" + "".join(f"{json.dumps(k)}: {json.dumps(v)},\n" for k, v in head.items()))
            file.write('"tables": {')
            for at, (name, table) in enumerate(TABLES.items()):
                file.write(("," if at else "") + f"\n{json.dumps(name)}: [")
                seal.update(f"{name}\n".encode())
                for n, row in enumerate(_rows(connection, table)):
                    text = _text(table, row)
                    seal.update(f"{text}\n".encode())
                    file.write(("," if n else "") + "\n" + text)
                    tell()
                file.write("\n]" if export.rows[name] else "]")
            file.write(f'\n}},\n"rows": {json.dumps(export.rows)},\n"sha256": "{seal.hexdigest()}"\n}}\n')
    return export


class _Put(Protocol):
    """Where the files of a CSV export go."""

    def __call__(self, name: str) -> Any:  # noqa: ANN401  a context manager that gives a binary file
        """Begin a file of this name."""


def write_csv(database: Database, target: Path, *, overwrite: bool, on_row: OnRow | None = None) -> Export:
    """Write everything into CSV files, in a folder or, where the name ends so, in a zip.

    Raises:
        RequestError, UnavailableError: as ``write_json``.
    """
    export = Export(target, "csv")
    with _place(target, list(TABLES), overwrite=overwrite) as put, database.read() as connection:
        tell = _begin(connection, export, list(TABLES), on_row)
        marks: dict[str, Any] = {}
        for name, table in TABLES.items():
            with put(f"{name}.csv") as raw:
                seal = _Sealed(raw)
                writer = _Csv(seal, [c.name for c in columns_of(table)])
                for row in _rows(connection, table):
                    writer.row(_cells(table, row))
                    tell()
            marks[name] = {"rows": export.rows[name], "sha256": seal.digest.hexdigest()}
        manifest = {"format": FORMAT, "version": VERSION, "schema": HEAD, "left_out": sorted(LEFT_OUT), "tables": marks}
        with put(MANIFEST) as raw:
            raw.write((json.dumps(manifest, indent=1) + "\n").encode())
    return export


def write_for_spreadsheet(database: Database, target: Path, *, overwrite: bool, on_row: OnRow | None = None) -> Export:
    """Write what people look at into CSV files that a spreadsheet opens safely. It cannot be read back.

    Raises:
        RequestError, UnavailableError: as ``write_json``.
    """
    export = Export(target, "spreadsheet")
    with _place(target, list(_SHEETS), overwrite=overwrite) as put, database.read() as connection:
        tell = _begin(connection, export, list(_SHEETS), on_row)
        for name in _SHEETS:
            table = TABLES[name]
            shown = [c for c in columns_of(table) if c.name not in _NO_SHEET.get(name, ())]
            at = [i for i, c in enumerate(columns_of(table)) if c in shown]
            text = [isinstance(c.type, sa.Text) for c in shown]
            with put(f"{name}.csv") as raw:
                raw.write("\N{BYTE ORDER MARK}".encode())  # by this a spreadsheet knows UTF-8
                writer = _Csv(raw, [c.name for c in shown])
                for row in _rows(connection, table):
                    cells = _cells(table, row)
                    writer.row([_guarded(cells[i]) if words else cells[i] for i, words in zip(at, text, strict=True)])
                    tell()
        with put(MANIFEST) as raw:
            raw.write((json.dumps({"format": SPREADSHEET, "version": VERSION}, indent=1) + "\n").encode())
    return export


def _guarded(cell: str) -> str:
    """A cell that no spreadsheet takes for a formula."""
    return f"'{cell}" if cell.startswith(_GUARDED) else cell


def _begin(connection: sa.Connection, export: Export, names: list[str], on_row: OnRow | None) -> _Tell:
    """Count what there is."""
    for name in names:
        export.rows[name] = _count(connection, TABLES[name])
    export.left_out = {name: n for name in LEFT_OUT if (n := _count(connection, metadata.tables[name]))}
    return _Tell(sum(export.rows.values()), on_row)


def _count(connection: sa.Connection, table: sa.Table) -> int:
    return connection.execute(sa.select(sa.func.count()).select_from(table)).scalar_one()


def _rows(connection: sa.Connection, table: sa.Table) -> Iterator[Row]:
    query = in_order(table, connection.dialect.name).execution_options(yield_per=_AT_A_TIME)
    try:
        yield from (dict(row) for row in connection.execute(query).mappings())
    except (ValueError, TypeError) as fault:  # a date or a JSON text that is none any more
        raise damaged(f"table {table.name}", f"a value cannot be read: {fault}") from fault


def _text(table: sa.Table, row: Row) -> str:
    try:
        return as_json_text(table, row)
    except ValueError as fault:
        raise damaged(f"table {table.name}", f"a value cannot be written: {fault}") from fault


def _cells(table: sa.Table, row: Row) -> list[str]:
    try:
        return as_cells(table, row)
    except ValueError as fault:
        raise damaged(f"table {table.name}", f"a value cannot be written: {fault}") from fault


class _Csv:
    """Lines of RFC 4180: commas, CRLF, quotes where they are needed."""

    def __init__(self, raw: Any, names: list[str]) -> None:  # noqa: ANN401  a binary file
        self._raw, self._line = raw, io.StringIO(newline="")
        self._writer = csv.writer(self._line, lineterminator="\r\n")
        self.row(names)

    def row(self, cells: list[str]) -> None:
        """Write one line."""
        self._writer.writerow(cells)
        self._raw.write(self._line.getvalue().encode("utf-8"))
        self._line.seek(0)
        self._line.truncate()


class _Sealed:
    """A file whose SHA-256 is known at the end."""

    def __init__(self, raw: Any) -> None:  # noqa: ANN401  a binary file
        self._raw, self.digest = raw, hashlib.sha256()

    def write(self, data: bytes) -> None:
        """Write on."""
        self.digest.update(data)
        self._raw.write(data)


@contextmanager
def _place(target: Path, tables: list[str], *, overwrite: bool) -> Iterator[_Put]:
    """A folder or a zip to put files into."""
    names = frozenset([MANIFEST, *(f"{name}.csv" for name in tables)])
    if target.suffix.lower() != ".zip":
        with whole_folder(target, overwrite=overwrite, ours=names) as folder:

            def put_file(name: str) -> Any:  # noqa: ANN401  as the protocol has it
                return (folder / name).open("xb")

            yield put_file
        return
    with whole_file(target, overwrite=overwrite) as part, zipfile.ZipFile(part, "w") as archive:

        def put_entry(name: str) -> Any:  # noqa: ANN401  as the protocol has it
            info = zipfile.ZipInfo(name, _LONG_AGO)  # the same content gives the same file
            info.compress_type, info.external_attr, info.create_system = zipfile.ZIP_DEFLATED, 0o600 << 16, 3
            return archive.open(info, "w", force_zip64=True)

        yield put_entry
