"""Finding one record within a transaction, and what it stands on."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import sqlalchemy as sa

from matewindow.errors import ConflictError, NotThereError, StaleError
from matewindow.register.ids import is_id
from matewindow.register.tables import ENTITIES

if TYPE_CHECKING:
    from collections.abc import Mapping

Row = dict[str, Any]
PARENTS = {"site_id": "site", "builder_id": "builder", "batch_id": "batch", "nuc_id": "nuc"}
"""Columns that name another record, and its kind."""
WORDS = {"site": "site", "builder": "cell builder", "batch": "batch", "nuc": "nuc", "check": "check"}


def find(connection: sa.Connection, kind: str, thing: str) -> Row:
    """A record, deleted or not.

    Raises:
        NotThereError: there is none.
    """
    table = ENTITIES[kind]
    query = sa.select(table).where(table.c.id == thing)
    row = connection.execute(query).mappings().first() if is_id(thing, kind) else None
    if row is None:
        raise NotThereError(f"there is no {WORDS[kind]} {thing[:64]!r}", fix="Look at the list for its id.")
    return dict(row)


def stored(connection: sa.Connection, kind: str, thing: str, version: int | None = None) -> Row:
    """A record that is not deleted, of this version if one is named.

    Raises:
        NotThereError: there is none, or it is deleted.
        StaleError: another version is stored.
    """
    row = find(connection, kind, thing)
    if row["deleted_at"] is not None:
        raise NotThereError(f"the {WORDS[kind]} {thing!r} was deleted", fix="It can be brought back.")
    check_version(kind, row, version)
    return row


def check_version(kind: str, row: Mapping[str, Any], version: int | None) -> None:
    """Refuse a change that was made to another version.

    Raises:
        StaleError: another version is stored.
    """
    if version is not None and row["version"] != version:
        raise StaleError(
            f"this {WORDS[kind]} was changed meanwhile: version {row['version']} is stored, the change was made to "
            f"version {version}",
            fix="Read it again and repeat the change if it is still wanted.",
        )


def check_free(connection: sa.Connection, kind: str, thing: str) -> None:
    """Refuse to delete what others stand on.

    Raises:
        ConflictError: other records name it.
    """
    for other, table in ENTITIES.items():
        for column, parent in PARENTS.items():
            if parent != kind or column not in table.c:
                continue
            count = sa.select(sa.func.count()).select_from(table)
            n = connection.execute(count.where(table.c[column] == thing, table.c.deleted_at.is_(None))).scalar_one()
            if n:
                what = f"{n} {WORDS[other]}{'' if n == 1 else 'es' if other == 'batch' else 's'}"
                raise ConflictError(f"this {WORDS[kind]} has {what} on record", fix="Delete those first, or leave it.")
