"""The register: adding, changing, deleting and finding records, with what was there before each change.

Every change is one transaction: it is judged against the records around it, written with its version, kept in the
history with who made it, and put into the outbox for whoever listens. It is all there, or nothing of it is.
"""

from __future__ import annotations

from datetime import UTC, datetime
from typing import TYPE_CHECKING, Any
from uuid import uuid4

import sqlalchemy as sa

from matewindow.errors import ConflictError, RefusedError, StaleError
from matewindow.register import idempotency, outbox
from matewindow.register.checking import checked
from matewindow.register.finding import Filter, Page, query_of
from matewindow.register.ids import new_id
from matewindow.register.judging import Judge
from matewindow.register.records import as_data, storable
from matewindow.register.rows import WORDS, Row, check_free, check_version, find, stored
from matewindow.register.tables import ENTITIES, changes, meta

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping, Sequence

    from matewindow.biology import Biology
    from matewindow.register.database import Database
    from matewindow.register.idempotency import Answer

__all__ = ["OWN", "Filter", "Page", "Register", "checked", "rows_as_data"]
OWN = ("id", "version", "created_at", "changed_at", "deleted_at")
"""Columns that the register writes by itself."""


class Register:
    """Records in a database.

    Args:
        database: where they are kept.
        biology: parameters by which impossible records are told.
        clock: gives the present, aware.
    """

    def __init__(
        self, database: Database, biology: Biology, clock: Callable[[], datetime] = lambda: datetime.now(UTC)
    ) -> None:
        self.database, self.biology, self.clock = database, biology, clock

    def now(self) -> datetime:
        """The present, in UTC."""
        return self.clock().astimezone(UTC)

    def add(self, kind: str, given: Mapping[str, Any], who: str) -> Row:
        """Write a new record.

        Args:
            kind: of ``KINDS``.
            given: its fields, as JSON or as Python values.
            who: made by whom, for the history.

        Raises:
            RefusedError: a field that cannot be, each with what to write instead.
            NotThereError: the site, batch, ... that it names is not there.
        """
        fields = checked(kind, given)
        with self.database.write() as connection:
            return self._add(connection, kind, fields, who)

    def add_once(
        self,
        kind: str,
        given: Mapping[str, Any],
        who: str,
        *,
        route: str,
        key: str,
        mark: str,
        say: Callable[[Row], Answer],
        holder: str | None = None,
    ) -> Answer:
        """As ``add``, but a repeated request gets the answer that the first one got.

        Args:
            kind, given, who: as ``add``.
            route, key: of the request; together with ``holder`` they tell a repetition.
            mark: ``idempotency.fingerprint`` of the request's body.
            say: makes the answer from the new record.
            holder: whose keys they are, where ``who`` may be the name of several; ``who`` if left out.

        Raises:
            ReusedKeyError: the key came with another body before.
        """
        with self.database.write() as connection:
            found = idempotency.earlier(connection, holder or who, route, key, mark)
            if found is not None:
                return found
            answer = say(self._add(connection, kind, checked(kind, given), who))
            idempotency.keep(connection, holder or who, route, key, mark, answer, self.clock())
            return answer

    def change(self, kind: str, thing: str, given: Mapping[str, Any], who: str, *, version: int | None = None) -> Row:
        """Write other values into some fields of a record.

        Args:
            kind, thing: which record.
            given: the fields to change.
            who: made by whom.
            version: the version that the change was made to; None = whatever is stored.

        Raises:
            StaleError: another version is stored by now.
            RefusedError, NotThereError: as ``add``.
        """
        with self.database.write() as connection:
            before = stored(connection, kind, thing, version)
            fields = checked(kind, {k: v for k, v in before.items() if k not in OWN} | dict(given))
            return self._replace(connection, kind, "changed", before, fields, who)

    def delete(self, kind: str, thing: str, who: str, *, version: int | None = None) -> Row:
        """Take a record out of sight. It can be brought back.

        Raises:
            ConflictError: other records stand on it.
            StaleError, NotThereError: as ``change``.
        """
        with self.database.write() as connection:
            before = stored(connection, kind, thing, version)
            check_free(connection, kind, thing)
            return self._replace(connection, kind, "deleted", before, {"deleted_at": self._later(before)}, who)

    def bring_back(self, kind: str, thing: str, who: str) -> Row:
        """Undo a delete.

        Raises:
            NotThereError: no such record, or one that it stands on is deleted.
            ConflictError: it is not deleted.
        """
        with self.database.write() as connection:
            before = find(connection, kind, thing)
            if before["deleted_at"] is None:
                raise ConflictError(f"this {WORDS[kind]} is not deleted", fix="There is nothing to bring back.")
            return self._replace(connection, kind, "brought back", before, {"deleted_at": None}, who)

    def undo(self, kind: str, thing: str, who: str, *, version: int | None = None) -> Row:
        """Write again what a record held before its last change, as a new version.

        Raises:
            ConflictError: nothing was changed since it was added.
            RefusedError, StaleError, NotThereError: as ``change``.
        """
        with self.database.write() as connection:
            now = find(connection, kind, thing)
            check_version(kind, now, version)
            last = connection.execute(
                sa.select(changes.c.before)
                .where(changes.c.kind == kind, changes.c.thing_id == thing)
                .order_by(changes.c.seq.desc())
                .limit(1)
            ).scalar()
            if last is None:
                raise ConflictError(
                    f"this {WORDS[kind]} has not been changed since it was added", fix="Delete it if it is wrong."
                )
            fields = checked(kind, {k: v for k, v in last.items() if k not in OWN})
            deleted = None if last["deleted_at"] is None else now["deleted_at"] or self._later(now)
            if deleted is not None:
                check_free(connection, kind, thing)
            return self._replace(connection, kind, "undone", now, fields | {"deleted_at": deleted}, who)

    def get(self, kind: str, thing: str, *, deleted: bool = False) -> Row:
        """One record.

        Raises:
            NotThereError: there is none, or it is deleted.
        """
        with self.database.read() as connection:
            return find(connection, kind, thing) if deleted else stored(connection, kind, thing)

    def page(self, kind: str, wanted: Filter | None = None, *, after: str | None = None, limit: int = 100) -> Page:
        """Records in the order of their ids: that in which they were added, to the sixtieth of a second.

        Args:
            kind: of ``KINDS``.
            wanted: which of them.
            after: id of the last record of the page before.
            limit: at most so many.
        """
        query = query_of(kind, wanted or Filter(), after)
        rows = [] if query is None else self._rows(query.limit(limit + 1))
        return Page(rows[:limit], rows[limit - 1]["id"] if len(rows) > limit else None)

    def every(self, kind: str, wanted: Filter | None = None) -> list[Row]:
        """All records of a kind, in the order of their ids, as they are at one instant."""
        query = query_of(kind, wanted or Filter())
        return [] if query is None else self._rows(query)

    def _rows(self, query: sa.Select[Any]) -> list[Row]:
        with self.database.read() as connection:
            return [dict(row) for row in connection.execute(query).mappings()]

    def history(self, kind: str, thing: str, *, after: int = 0, limit: int = 100) -> list[Row]:
        """What was done to a record, oldest first: when, by whom, what it held before and after.

        Raises:
            NotThereError: there never was such a record.
        """
        query = (
            sa.select(changes)
            .where(changes.c.kind == kind, changes.c.thing_id == thing, changes.c.seq > after)
            .order_by(changes.c.seq)
            .limit(limit)
        )
        with self.database.read() as connection:
            find(connection, kind, thing)
            return [dict(row) for row in connection.execute(query).mappings()]

    def instance(self) -> str:
        """The name of this register among all, made once and kept for ever: calendar entries are told apart by it."""
        query = sa.select(meta.c.value).where(meta.c.key == "instance")
        with self.database.read() as connection:
            name = connection.execute(query).scalar()
        if name is None:
            with self.database.write() as connection:
                name = connection.execute(query).scalar()
                if name is None:
                    name = f"{uuid4()}.matewindow.invalid"
                    connection.execute(meta.insert().values(key="instance", value=name))
        return str(name)

    # -- within a transaction

    def _add(self, connection: sa.Connection, kind: str, fields: Row, who: str) -> Row:
        now = self.now()
        row = {"id": new_id(kind, now), "version": 1, "created_at": now, "changed_at": now, "deleted_at": None}
        row |= fields
        self.judge(connection, kind, row)
        connection.execute(ENTITIES[kind].insert().values(row))
        self._note(connection, kind, "added", None, row, who)
        return row

    def judge(self, connection: sa.Connection, kind: str, row: Row) -> None:
        """Refuse a record that cannot be, seen beside those around it.

        Raises:
            RefusedError, NotThereError: as ``add``.
        """
        Judge(connection, self.biology, row["changed_at"]).check(kind, row)

    def _later(self, row: Row) -> datetime:
        """The present, but never before a record's last change: clocks are set back now and then."""
        before: datetime = row["changed_at"]
        return max(self.now(), before)

    def _replace(self, connection: sa.Connection, kind: str, action: str, before: Row, new: Row, who: str) -> Row:
        table = ENTITIES[kind]
        row = before | new
        if row == before:
            return before
        row |= {"version": before["version"] + 1, "changed_at": self._later(before)}
        if row["deleted_at"] is None:
            self.judge(connection, kind, row)
        own = sa.and_(table.c.id == row["id"], table.c.version == before["version"])
        if connection.execute(table.update().where(own).values(row)).rowcount != 1:
            raise StaleError(f"this {WORDS[kind]} was changed meanwhile", fix="Read it again and repeat the change.")
        self._note(connection, kind, action, before, row, who)
        return row

    def _note(
        self, connection: sa.Connection, kind: str, action: str, before: Row | None, after: Row, who: str
    ) -> None:
        """The change in the history and in the outbox."""
        if not storable(who):
            raise RefusedError([("who", "a control character cannot be stored", "Leave it out.")])
        data = as_data(after)
        connection.execute(
            changes.insert().values(
                at=after["changed_at"],
                who=who,
                action=action,
                kind=kind,
                thing_id=after["id"],
                version=after["version"],
                before=None if before is None else as_data(before),
                after=data,
            )
        )
        about = find(connection, "batch", after["batch_id"]) if kind == "check" else after
        outbox.put(
            connection,
            f"{kind}.{action.replace(' ', '_')}",
            data,
            now=after["changed_at"],
            site_id=after["id"] if kind == "site" else about["site_id"],
            batch_id=after["id"] if kind == "batch" else after.get("batch_id"),
        )


def rows_as_data(rows: Sequence[Row]) -> list[dict[str, Any]]:
    """Records as JSON knows them."""
    return [as_data(row) for row in rows]
