"""Whether what is stored is what was written.

SQLite keeps no checksums: a bit that turns over on a worn card can change a date and leave the file well formed. But
every record stands in the register twice, in its table and in the history, and the history tells each change twice
again; where the two differ, one of them is damaged. PostgreSQL has its own checksums for what lies on its disk; the
comparison holds there too.
"""

from __future__ import annotations

from contextlib import closing
from itertools import islice
from typing import TYPE_CHECKING, Any

import sqlalchemy as sa

from matewindow.register.records import as_data
from matewindow.register.rows import WORDS
from matewindow.register.tables import ENTITIES, changes
from matewindow.register.troubles import as_trouble, damaged, first_line

if TYPE_CHECKING:
    from collections.abc import Generator

    from matewindow.register.database import Database

_MOST = 20
_AT_A_TIME = 500


def check_sound(database: Database) -> None:
    """Refuse to go on with a damaged register. Meant for the start of a service, and for a copy that was restored.

    Raises:
        UnavailableError: it is damaged; the text tells the first thing that is.
    """
    found = faults(database)
    if found:
        raise damaged(database.address, found[0])


def faults(database: Database) -> list[str]:
    """All that is wrong with what is stored, at most 20 things; empty if all is well.

    Raises:
        UnavailableError: the database cannot be read at all.
    """
    found: list[str] = []
    with database.read() as connection:
        try:
            with closing(_all(connection)) as told:
                found += islice(told, _MOST)
        except (ValueError, TypeError, LookupError) as fault:  # a date, a number or a JSON text that is none any more
            found.append(f"a value cannot be read ({fault})")
        except sa.exc.DBAPIError as fault:
            if as_trouble(fault, database.address) is not fault:
                raise  # it cannot be read at all, which is told by whoever reads
            found.append(f"a table is not what was made ({first_line(str(fault.orig))})")
    return found


def _all(connection: sa.Connection) -> Generator[str, None, None]:
    if connection.dialect.name == "sqlite":
        said = connection.exec_driver_sql(f"PRAGMA integrity_check({_MOST})").scalars().all()
        yield from (text for text in said if text != "ok")
        for row in connection.exec_driver_sql("PRAGMA foreign_key_check"):
            yield f"a row of {row[0]} names one of {row[2]} that is not there"
    for kind in ENTITIES:
        yield from _beside_history(connection, kind)


def _beside_history(connection: sa.Connection, kind: str) -> Generator[str, None, None]:
    """Where the history of a kind has a gap, contradicts itself, or ends otherwise than the table."""
    table = ENTITIES[kind]
    records = sa.select(table).order_by(table.c.id)
    history = sa.select(changes).where(changes.c.kind == kind).order_by(changes.c.thing_id, changes.c.version)
    with closing(_stream(connection, records)) as rows, closing(_stream(connection, history)) as steps:
        step = next(steps, None)
        for row in rows:
            words, last = f"the {WORDS[kind]} {row['id']}", None
            while step is not None and step["thing_id"] == row["id"]:
                if not _joins(last, step):
                    yield f"the history of {words} does not join at version {step['version']}"
                last, step = step["after"], next(steps, None)
            if last != as_data(row):
                yield f"{words} is not what its history says"
        if step is not None:
            yield f"the history tells of a {WORDS[kind]} {step['thing_id']} that is not there"


def _joins(last: dict[str, Any] | None, step: dict[str, Any]) -> bool:
    """Whether a step of a history follows upon what the one before it has left."""
    after, version = step["after"], 1 if last is None else last["version"] + 1
    instant = as_data({"at": step["at"]})["at"]
    told = (step["before"], step["version"], after["version"], after["changed_at"])
    return told == (last, version, version, instant)


def _stream(connection: sa.Connection, query: sa.Select[Any]) -> Generator[dict[str, Any], None, None]:
    with connection.execute(query.execution_options(yield_per=_AT_A_TIME)) as result:
        for row in result.mappings():
            yield dict(row)
