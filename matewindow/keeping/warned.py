"""Warnings on record: which were raised, which stand."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import sqlalchemy as sa

from matewindow.errors import NotThereError
from matewindow.register.ids import is_id
from matewindow.register.tables import warnings

if TYPE_CHECKING:
    from matewindow.register.database import Database

Row = dict[str, Any]


def list_warnings(
    database: Database,
    *,
    site_id: str | None = None,
    batch_id: str | None = None,
    standing: bool | None = None,
    after: str | None = None,
    limit: int = 100,
) -> list[Row]:
    """Warnings in the order in which they were raised.

    Args:
        database: of the register.
        site_id, batch_id: only those of this site or batch.
        standing: only those that stand (True) or were cleared (False).
        after: id of the last one of the page before.
        limit: at most so many.
    """
    query = sa.select(warnings).order_by(warnings.c.id).limit(limit)
    for column, value in ((warnings.c.site_id, site_id), (warnings.c.batch_id, batch_id)):
        if value is not None:
            query = query.where(column == value)
    if standing is not None:
        query = query.where(warnings.c.cleared_at.is_(None) if standing else warnings.c.cleared_at.is_not(None))
    if after is not None:
        query = query.where(warnings.c.id > after)
    with database.read() as connection:
        return [dict(row) for row in connection.execute(query).mappings()]


def one_warning(database: Database, warning_id: str) -> Row:
    """One warning.

    Raises:
        NotThereError: there is none of this id.
    """
    query = sa.select(warnings).where(warnings.c.id == warning_id)
    with database.read() as connection:
        row = connection.execute(query).mappings().first() if is_id(warning_id, "warning") else None
    if row is None:
        raise NotThereError(f"there is no warning {warning_id[:64]!r}", fix="Look at the list of warnings for its id.")
    return dict(row)
