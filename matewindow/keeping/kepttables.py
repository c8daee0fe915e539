"""The weather that refreshes leave in the register, so that no answer has to ask a service or read a long archive.

Two tables: what the last refresh made ready of forecasts and the record (some 100 kB a site, written with every new
forecast), and the older past years, cut down (half a megabyte a site, written once a year). Damage costs a refresh, no
more.
"""

from __future__ import annotations

import logging
from dataclasses import dataclass
from datetime import UTC, datetime
from typing import TYPE_CHECKING, Any

import numpy as np
import sqlalchemy as sa

from matewindow.keeping.olderyears import OlderYears
from matewindow.keptpast import KeptPast, past_key
from matewindow.register.tables import site_past, site_weather
from matewindow.weather.entries import DamagedError

if TYPE_CHECKING:
    from collections.abc import Iterable

    from matewindow.biology import Flight
    from matewindow.site import Site

_log = logging.getLogger(__name__)
NEVER = datetime(1970, 1, 1, tzinfo=UTC)
"""When nothing has been asked yet, or what came was not enough: then it is asked for again at the next look."""
_AT_A_TIME = 500


@dataclass(frozen=True)
class Kept:
    """What the last refresh left of a site, without the weather itself."""

    stamp: str
    place: str
    asked_at: datetime


def place_of(site: Site, flight: Flight) -> str:
    """What kept weather hangs on: it was laid on this place's solar days and cut to this mating window."""
    parts = (site.latitude, site.longitude, site.elevation_m, flight.window_centre_h, flight.window_half_width_h)
    return " ".join(repr(part) for part in parts)


def kept_of(connection: sa.Connection, site_ids: Iterable[str]) -> dict[str, Kept]:
    """What is kept of some sites, by site id."""
    ids, found = list(site_ids), dict[str, Kept]()
    columns = (site_weather.c.site_id, site_weather.c.stamp, site_weather.c.place, site_weather.c.asked_at)
    for start in range(0, len(ids), _AT_A_TIME):
        query = sa.select(*columns).where(site_weather.c.site_id.in_(ids[start : start + _AT_A_TIME]))
        found |= {r.site_id: Kept(r.stamp, r.place, r.asked_at) for r in connection.execute(query)}
    return found


def read_weather(connection: sa.Connection, site_id: str) -> tuple[str, bytes] | None:
    """The stamp and the bytes of what is kept of a site."""
    query = sa.select(site_weather.c.stamp, site_weather.c.body).where(site_weather.c.site_id == site_id)
    row = connection.execute(query).first()
    return None if row is None else (row.stamp, bytes(row.body))


def write_weather(connection: sa.Connection, site_id: str, kept: Kept, body: bytes | None) -> None:
    """Keep a site's weather; ``None`` for a body that is there already."""
    values: dict[str, Any] = {"stamp": kept.stamp, "place": kept.place, "asked_at": kept.asked_at}
    if body is not None:
        values["body"] = body
    own = site_weather.c.site_id == site_id
    if connection.execute(site_weather.update().where(own).values(values)).rowcount == 0:
        assert body is not None
        connection.execute(site_weather.insert().values(site_id=site_id, **values))


def ends_of(connection: sa.Connection, site_ids: Iterable[str]) -> dict[str, np.datetime64]:
    """Up to which day, itself not included, past years are kept, by site id."""
    ids, found = list(site_ids), dict[str, np.datetime64]()
    for start in range(0, len(ids), _AT_A_TIME):
        query = sa.select(site_past.c.site_id, site_past.c.before)
        rows = connection.execute(query.where(site_past.c.site_id.in_(ids[start : start + _AT_A_TIME])))
        found |= {r.site_id: np.datetime64(r.before, "D") for r in rows}
    return found


def read_past(connection: sa.Connection, site_id: str, site: Site, flight: Flight) -> OlderYears | None:
    """The kept past years of a site; None if there are none, or another place's, or they are damaged."""
    row = connection.execute(sa.select(site_past).where(site_past.c.site_id == site_id)).mappings().first()
    if row is None:
        return None
    key = past_key(row["edition"], site, flight, before=np.datetime64(row["before"], "D"))
    try:
        return OlderYears(KeptPast.from_bytes(bytes(row["body"]), key=key), row["edition"])
    except DamagedError as fault:
        _log.warning("past years of site %s are read anew: %s", site_id, fault)
        return None


def write_past(
    connection: sa.Connection, site_id: str, body: bytes, edition: str, before: np.datetime64, now: datetime
) -> None:
    """Keep a site's past years."""
    values: dict[str, Any] = {"edition": edition, "before": str(before), "made_at": now, "body": body}
    own = site_past.c.site_id == site_id
    if connection.execute(site_past.update().where(own).values(values)).rowcount == 0:
        connection.execute(site_past.insert().values(site_id=site_id, **values))


def drop(connection: sa.Connection, site_id: str) -> None:
    """Keep nothing of a site any more."""
    for table in (site_weather, site_past):
        connection.execute(table.delete().where(table.c.site_id == site_id))
