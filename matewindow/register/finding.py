"""Which records are wanted, and the statement that finds them."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any

import sqlalchemy as sa

from matewindow.register.records import storable
from matewindow.register.tables import ENTITIES

if TYPE_CHECKING:
    from collections.abc import Mapping

    from matewindow.register.rows import Row


@dataclass(frozen=True)
class Filter:
    """Which records are wanted.

    Attributes:
        equal: column and the value it must have.
        at_least, at_most: column and the bounds of its value, both included.
        under_way: only batches that have not ended.
        deleted: the deleted ones instead of the others; None = both.
    """

    equal: Mapping[str, Any] = field(default_factory=dict)
    at_least: Mapping[str, Any] = field(default_factory=dict)
    at_most: Mapping[str, Any] = field(default_factory=dict)
    under_way: bool = False
    deleted: bool | None = False


@dataclass(frozen=True)
class Page:
    """Records in the order of their ids, and the id after which the next page begins (None = this was the last)."""

    rows: list[Row]
    next_after: str | None


def query_of(kind: str, wanted: Filter, after: str | None = None) -> sa.Select[Any] | None:
    """The statement that finds records in the order of their ids.

    Args:
        kind: of ``KINDS``.
        wanted: which of them.
        after: id of the last record of the page before.

    Returns:
        None where a text is asked for that no record can hold.
    """
    table = ENTITIES[kind]
    query = sa.select(table).order_by(table.c.id)
    texts = [after, *wanted.equal.values(), *wanted.at_least.values(), *wanted.at_most.values()]
    if not all(storable(text) for text in texts if isinstance(text, str)):
        return None
    if after is not None:
        query = query.where(table.c.id > after)
    for name, value in wanted.equal.items():
        query = query.where(table.c[name] == value)
    for name, value in wanted.at_least.items():
        query = query.where(table.c[name] >= value)
    for name, value in wanted.at_most.items():
        query = query.where(table.c[name] <= value)
    if wanted.under_way:
        query = query.where(table.c.ended_on.is_(None))
    if wanted.deleted is not None:
        query = query.where(table.c.deleted_at.is_not(None) if wanted.deleted else table.c.deleted_at.is_(None))
    return query
