"""Hindcasts of sites as they are kept: the latest for each site and season bounds."""

from __future__ import annotations

import json
import zlib
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import sqlalchemy as sa

from matewindow.errors import NotThereError
from matewindow.register.tables import site_records

if TYPE_CHECKING:
    from collections.abc import Mapping
    from datetime import datetime

    from matewindow.register.database import Database

MOST_OF_A_SITE = 6
"""Records with different bounds that are kept of a site; the oldest goes."""
BOUNDS = ("first_graft", "last_graft", "first_season", "last_season")
"""What may be asked for: first and last graft of each season (MM-DD), first and last year in which a season begins."""
_LEVEL = 9
_ASK = "Ask for one: POST /v1/jobs with the kind hindcast and this site_id."


@dataclass(frozen=True)
class MadeRecord:
    """A record that was made just now.

    Attributes:
        data: as plain data; ``model`` is the version of the parameters that made the odds.
        page: the same as HTML.
        said: what it comes to, in words.
    """

    data: dict[str, Any]
    page: str
    said: str


def bounds_of(asked: Mapping[str, Any] | None) -> dict[str, Any]:
    """All bounds by name; None for those that are not given."""
    return {name: (asked or {}).get(name) for name in BOUNDS}


def put(
    connection: sa.Connection,
    site_id: str,
    site_version: int,
    asked: Mapping[str, Any] | None,
    made: MadeRecord,
    now: datetime,
) -> None:
    """Keep a record instead of the one before with the same bounds."""
    bounds, own = bounds_of(asked), site_records.c.site_id == site_id
    values = {
        "site_id": site_id,
        "bounds": _key(bounds),
        "made_at": now,
        "site_version": site_version,
        "model": made.data["model"],
        "asked": bounds,
        "data": zlib.compress(json.dumps(made.data, ensure_ascii=False, allow_nan=False).encode(), _LEVEL),
        "page": zlib.compress(made.page.encode(), _LEVEL),
    }
    connection.execute(site_records.delete().where(own, site_records.c.bounds == values["bounds"]))
    connection.execute(site_records.insert().values(values))
    newest = sa.select(site_records.c.bounds).where(own).order_by(site_records.c.made_at.desc(), site_records.c.bounds)
    kept = list(connection.execute(newest.limit(MOST_OF_A_SITE)).scalars())
    connection.execute(site_records.delete().where(own, site_records.c.bounds.not_in(kept)))


def data_of(database: Database, site_id: str, asked: Mapping[str, Any] | None = None) -> dict[str, Any]:
    """A record as plain data, with when, for what and of which version of the site it was made.

    Args:
        database: of the register.
        site_id: of a site that is there.
        asked: the bounds that it was asked for with; None = the newest, whatever they were.

    Raises:
        NotThereError: there is none.
    """
    row = _row(database, site_id, asked, site_records.c.data)
    head = {name: row[name] for name in ("site_id", "made_at", "site_version")} | {"bounds": row["asked"]}
    found: dict[str, Any] = json.loads(zlib.decompress(row["data"]))
    return head | found


def page_of(database: Database, site_id: str, asked: Mapping[str, Any] | None = None) -> bytes:
    """The same as a page of HTML, in UTF-8.

    Raises:
        NotThereError: there is none.
    """
    return zlib.decompress(_row(database, site_id, asked, site_records.c.page)["page"])


def _row(database: Database, site_id: str, asked: Mapping[str, Any] | None, body: sa.Column[bytes]) -> sa.RowMapping:
    c = site_records.c
    query = sa.select(c.site_id, c.made_at, c.site_version, c.asked, body).where(c.site_id == site_id)
    if asked is not None:
        query = query.where(c.bounds == _key(bounds_of(asked)))
    with database.read() as connection:
        row = connection.execute(query.order_by(c.made_at.desc(), c.bounds).limit(1)).mappings().first()
    if row is None:
        which = "no record of its odds" if asked is None else "no record of its odds with these bounds"
        raise NotThereError(f"site {site_id} has {which}", fix=_ASK)
    return row


def _key(bounds: Mapping[str, Any]) -> str:
    return json.dumps([bounds[name] for name in BOUNDS], separators=(",", ":"))
