"""The webhooks of the register: whom the program tells what.

A secret is shown once, when it is made: ``add`` and ``rotate`` hand out the one that they make, nothing else does. An
address, which may hold a secret of its own, stands in no error and no log.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any, Literal

import sqlalchemy as sa

from matewindow.errors import (
    ConflictError,
    NotThereError,
    OutboundFailedError,
    RequestError,
    StaleError,
    UnknownReferenceError,
)
from matewindow.register import outbox
from matewindow.register.ids import is_id, new_id
from matewindow.register.records import storable
from matewindow.register.rows import stored
from matewindow.register.tables import deliveries, webhooks
from matewindow.webhooks.keptsecrets import OVERLAP, as_kept, exchanged
from matewindow.webhooks.kinds import TEST, in_order
from matewindow.webhooks.signing import new_secret

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping, Sequence
    from datetime import datetime

    from matewindow.outbound import Guard
    from matewindow.register.database import Database

Row = dict[str, Any]
Because = Literal["owner", "gone", "given up"]
"""Why a webhook is disabled: its owner wished it; it answered 410; a message to it was given up."""
PAUSED: tuple[Because, ...] = ("gone", "given up")
"""The reasons that call for somebody to look after its receiver."""
MOST = 50
"""Every change is held against every webhook."""
OPEN = ("waiting", "claimed")
"""States of a delivery that is still to be sent."""
_HIDDEN = {"secrets", "deleted_at", "rests_until", "n_delivered", "n_failed", "n_given_up"}
SHOWN = [column for column in webhooks.c if column.name not in _HIDDEN]
"""What a webhook shows: neither its secrets nor what changes with every message."""
_LONGEST_WHY = 200


class Endpoints:
    """Webhooks in the register.

    Args:
        database: of the register.
        guard: knows where messages may go.
        clock: gives the present, aware.
    """

    def __init__(self, database: Database, guard: Guard, clock: Callable[[], datetime]) -> None:
        self.database, self.guard, self.clock = database, guard, clock

    def add(self, url: str, types: Sequence[str], site_id: str | None = None) -> tuple[Row, str]:
        """Add a webhook; its secret is returned here and never again.

        Args:
            url: where messages go.
            types: of ``kinds.WANTED``.
            site_id: only events of this site; None = of all.

        Raises:
            RequestError: a type that there is not, or a name in the address that cannot be looked up.
            OutboundRefusedError: messages may not go there.
            UnknownReferenceError: no such site.
            ConflictError: there are too many already.
        """
        fields = {"url": url, "types": in_order(types), "site_id": site_id}
        self._check_url(url)
        now, secret = self.clock(), new_secret()
        row: Row = {"id": new_id("webhook", now), "version": 1, "created_at": now, "changed_at": now}
        row |= fields | {
            "disabled_why": "",
            "secrets": [as_kept(secret)],
            "n_delivered": 0,
            "n_failed": 0,
            "n_given_up": 0,
        }
        with self.database.write() as connection:
            _check_site(connection, site_id)
            counted = sa.select(sa.func.count()).select_from(webhooks).where(webhooks.c.deleted_at.is_(None))
            if connection.execute(counted).scalar_one() >= MOST:
                raise ConflictError(f"there are {MOST} webhooks, and there can be no more", fix="Delete one first.")
            connection.execute(webhooks.insert().values(row))
            return find(connection, row["id"]), secret.text

    def _check_url(self, url: str) -> None:
        """Refuse an address to which messages may not go or which leads nowhere.

        Raises:
            OutboundRefusedError, RequestError: which of the two.
        """
        try:
            self.guard.check(url)
        except OutboundFailedError as fault:
            fix = "Look for a slip of the pen, or try again when the network is there."
            raise RequestError(f"the host {fault.host} cannot be found: {fault.reason}", where="url", fix=fix) from None

    def every(self, *, after: str | None = None, limit: int = MOST) -> list[Row]:
        """Webhooks, disabled ones too, in the order in which they were added.

        Args:
            after: id of the last one of the page before.
            limit: at most so many.
        """
        query = sa.select(*SHOWN).where(webhooks.c.deleted_at.is_(None)).order_by(webhooks.c.id).limit(limit)
        if after is not None:
            query = query.where(webhooks.c.id > after)
        with self.database.read() as connection:
            return [dict(row) for row in connection.execute(query).mappings()]

    def get(self, thing: str) -> Row:
        """One webhook.

        Raises:
            NotThereError: there is none, or it was deleted.
        """
        with self.database.read() as connection:
            return find(connection, thing)

    def change(self, thing: str, given: Mapping[str, Any], *, version: int | None = None) -> Row:
        """Write another address, other types or another site.

        What is still waiting goes to the new address; what was stored for the old types stays stored.

        Args:
            thing: which webhook.
            given: ``url``, ``types``, ``site_id``, or some of them.
            version: the version that the change is made to; None = whatever is stored.

        Raises:
            NotThereError: there is no such webhook.
            StaleError: another version is stored.
            RequestError, OutboundRefusedError, UnknownReferenceError: as ``add``.
        """
        fields = dict(given)
        if "types" in fields:
            fields["types"] = in_order(fields["types"])
        if "url" in fields:
            self._check_url(fields["url"])
        with self.database.write() as connection:
            row = find(connection, thing, version)
            _check_site(connection, fields.get("site_id"))
            if all(row[name] == value for name, value in fields.items()):
                return row
            return _rewrite(connection, row, fields, self.clock())

    def rotate(self, thing: str) -> tuple[str, datetime]:
        """Exchange the secret. Until the time returned messages are signed with the old one too.

        Returns:
            The new secret, which is shown here and never again; until when the old one counts.

        Raises:
            NotThereError: there is no such webhook.
        """
        now, secret = self.clock(), new_secret()
        with self.database.write() as connection:
            find(connection, thing)
            own = webhooks.c.id == thing
            kept = connection.execute(sa.select(webhooks.c.secrets).where(own)).scalar_one()
            connection.execute(webhooks.update().where(own).values(secrets=exchanged(kept, secret, now)))
        return secret.text, now + OVERLAP

    def disable(self, thing: str, why: str = "") -> Row:
        """Send it nothing more until it is enabled. What happens meanwhile is kept as missed and can be replayed.

        Raises:
            RequestError: the reason is too long or holds a control character.
            NotThereError: there is no such webhook.
        """
        if len(why) > _LONGEST_WHY or not storable(why):
            fix = f"Give at most {_LONGEST_WHY} characters."
            raise RequestError("the reason cannot be stored", where="why", fix=fix)
        now = self.clock()
        with self.database.write() as connection:
            row = find(connection, thing)
            _put_aside(connection, thing)
            off = {"disabled_at": row["disabled_at"] or now, "disabled_because": "owner"}
            return _rewrite(connection, row, off | {"disabled_why": why or "its owner disabled it"}, now)

    def enable(self, thing: str) -> Row:
        """Send to it again, from what happens now on, also where it had asked to be left alone for a while.

        Raises:
            NotThereError: there is no such webhook.
        """
        with self.database.write() as connection:
            row = find(connection, thing)
            connection.execute(webhooks.update().where(webhooks.c.id == thing).values(rests_until=None))
            if row["disabled_at"] is None:
                return row
            fields = {"disabled_at": None, "disabled_because": None, "disabled_why": ""}
            return _rewrite(connection, row, fields, self.clock())

    def delete(self, thing: str, *, version: int | None = None) -> None:
        """Take a webhook away for good, its secrets at once.

        Raises:
            StaleError, NotThereError: as ``change``.
        """
        now = self.clock()
        with self.database.write() as connection:
            row = find(connection, thing, version)
            _put_aside(connection, thing)
            gone = {"deleted_at": now, "secrets": [], "version": row["version"] + 1, "changed_at": now}
            connection.execute(webhooks.update().where(webhooks.c.id == thing).values(gone))

    def test(self, thing: str) -> str:
        """Put a test event for this webhook alone into the outbox.

        Returns:
            The id of its delivery.

        Raises:
            NotThereError: there is no such webhook.
            ConflictError: it has asked to be left alone for now.
        """
        now = self.clock()
        with self.database.write() as connection:
            find(connection, thing)
            rests = connection.execute(sa.select(webhooks.c.rests_until).where(webhooks.c.id == thing)).scalar()
            if rests is not None and rests > now:
                raise ConflictError(
                    f"this webhook has asked to be left alone until {rests:%Y-%m-%d %H:%M:%S} UTC",
                    fix="Try again after that, or enable it to try at once.",
                )
            data = {"webhook_id": thing, "message": "A test, sent because the owner of this webhook asked for it."}
            event = outbox.put(connection, TEST, data, now=now, only=thing)
            made = sa.select(deliveries.c.id).where(deliveries.c.event_id == event)
            return str(connection.execute(made).scalar_one())

    def paused(self) -> list[Row]:
        """Webhooks that were not disabled by their owner and need looking after: gone, or given up."""
        with self.database.read() as connection:
            return paused_in(connection)


def paused_in(connection: sa.Connection) -> list[Row]:
    """As ``Endpoints.paused``, within a transaction."""
    query = sa.select(*SHOWN).where(webhooks.c.deleted_at.is_(None), webhooks.c.disabled_because.in_(PAUSED))
    return [dict(row) for row in connection.execute(query.order_by(webhooks.c.id)).mappings()]


def find(connection: sa.Connection, thing: str, version: int | None = None) -> Row:
    """A webhook, without what it hides.

    Raises:
        NotThereError: there is none, or it was deleted.
        StaleError: another version is stored.
    """
    query = sa.select(*SHOWN).where(webhooks.c.id == thing, webhooks.c.deleted_at.is_(None))
    row = connection.execute(query).mappings().first() if is_id(thing, "webhook") else None
    if row is None:
        raise NotThereError(f"there is no webhook {thing[:64]!r}", fix="Look at the list of webhooks for its id.")
    if version is not None and row["version"] != version:
        raise StaleError(
            f"this webhook was changed meanwhile: version {row['version']} is stored",
            fix="Read it again and repeat the change if it is still wanted.",
        )
    return dict(row)


def pause(connection: sa.Connection, thing: str, because: Because, why: str, now: datetime) -> None:
    """Disable a webhook that cannot be reached and put aside what waits for it; one that is disabled stays as it is."""
    own = sa.and_(webhooks.c.id == thing, webhooks.c.disabled_at.is_(None), webhooks.c.deleted_at.is_(None))
    off = {"disabled_at": now, "disabled_because": because, "disabled_why": why, "changed_at": now}
    done = connection.execute(webhooks.update().where(own).values(off | {"version": webhooks.c.version + 1}))
    if done.rowcount:
        _put_aside(connection, thing)


def _put_aside(connection: sa.Connection, thing: str) -> None:
    """What is open becomes missed. Whoever is sending one just now still records what came of it."""
    mine = sa.and_(deliveries.c.webhook_id == thing, deliveries.c.state.in_(OPEN))
    connection.execute(deliveries.update().where(mine).values(state="missed", next_at=None))


def _rewrite(connection: sa.Connection, row: Row, fields: Row, now: datetime) -> Row:
    changed = {"version": row["version"] + 1, "changed_at": max(now, row["changed_at"])}
    connection.execute(webhooks.update().where(webhooks.c.id == row["id"]).values(fields | changed))
    return find(connection, row["id"])


def _check_site(connection: sa.Connection, site_id: str | None) -> None:
    """Refuse a site that is not there.

    Raises:
        UnknownReferenceError: it is not there, or was deleted.
    """
    if site_id is None:
        return
    try:
        stored(connection, "site", site_id)
    except NotThereError as fault:
        raise UnknownReferenceError(fault.what, field="site_id", fix=fault.fix) from None
