"""The register as files that anybody can read: export and import without loss.

**JSON**, one file::

    {
    "format": "matewindow register",
    "version": 1,
    "schema": "0002",
    "left_out": ["deliveries", "events", ...],
    "tables": {
    "sites": [
    {"id": "site_...", "version": 1, ...},
    ...
    ],
    ...
    },
    "rows": {"sites": 1, ...},
    "sha256": "..."
    }

**CSV**, a folder or a zip: one file a table (``sites.csv``, ``builders.csv``, ``batches.csv``, ``nucs.csv``,
``checks.csv``, ``changes.csv``, ``outlooks.csv``, ``batch_state.csv``, ``warnings.csv``, ``calendar_stamps.csv``,
``meta.csv``) and ``manifest.json`` with the number of rows and the SHA-256 of each. Lines are those of RFC 4180 in
UTF-8; how values are written stands in ``carried.py``. Nothing is put before cells that a spreadsheet might take for a
formula: that would change them. For spreadsheets there is a form of its own, which cannot be read back.

Both hold the same rows in the same order, and the same register gives the same bytes on every database: records by
their ids, history in the order in which it happened. ``seq`` of the history is a number of each database; the order of
the rows stands for it. The JSON text of an outlook is unpacked and stands as it was issued, letter by letter. Tokens,
feeds, webhooks and stored answers hold secrets and are left out, as are what is on its way to webhooks, jobs, leases,
the state of the weather and hindcasts, which can be made again.

**By hand**: a CSV (or JSON) of a keeper's own needs no manifest and no ids. Columns are called as the fields are
(``records.py``); those left out and empty cells get their defaults; ``site_id``, ``builder_id``, ``batch_id`` and
``nuc_id`` (or ``site``, ``builder``, ``batch``, ``nuc``) may hold what the keeper calls the record, if no other is
called so. Such a row is added as if it had been typed in.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from matewindow.register.exporting import Export, write_csv, write_for_spreadsheet, write_json
from matewindow.register.importing import MOST_BYTES, Imported, import_into
from matewindow.register.problems import ImportRefusedError, Problem

if TYPE_CHECKING:
    from pathlib import Path

    from matewindow.register.database import Database
    from matewindow.register.exporting import OnRow

__all__ = ["MOST_BYTES", "Export", "ImportRefusedError", "Imported", "Problem", "export_from", "import_into"]


def export_from(
    database: Database,
    target: Path,
    *,
    for_spreadsheet: bool = False,
    overwrite: bool = False,
    on_row: OnRow | None = None,
) -> Export:
    """Write the register into a file or folder, whole or not at all.

    Args:
        database: of the register.
        target: a name that ends in ``.json`` or ``.zip``, or else a folder.
        for_spreadsheet: CSV to look at, which cannot be read back.
        overwrite: whether an earlier export may be written over.
        on_row: is told how many rows of how many are done.

    Raises:
        RequestError: it cannot be written; nothing of it is left.
        UnavailableError: the register cannot be read, or is damaged.
    """
    if for_spreadsheet:
        return write_for_spreadsheet(database, target, overwrite=overwrite, on_row=on_row)
    write = write_json if target.suffix.lower() == ".json" else write_csv
    return write(database, target, overwrite=overwrite, on_row=on_row)
