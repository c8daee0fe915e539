"""Who may do what: tokens with a scope, and feed tokens that open one feed.

A token is ``mw_``, its kind, 32 random bytes and a checksum: a scanner can find leaked ones, and a typing error is told
from a guess. It is shown once; only its SHA-256 is stored, which is enough for 256 random bits (OWASP ASVS 5.0, 6.5.2)
and costs nothing to check.
"""

from __future__ import annotations

import base64
import hashlib
import hmac
import re
import secrets
import zlib
from dataclasses import dataclass
from datetime import timedelta
from typing import TYPE_CHECKING, Any, Literal

import sqlalchemy as sa

from matewindow.errors import NotThereError, RequestError, UnknownReferenceError
from matewindow.register.ids import is_id, new_id
from matewindow.register.tables import feeds, sites, tokens

if TYPE_CHECKING:
    from collections.abc import Callable
    from datetime import datetime

    from matewindow.register.database import Database

Scope = Literal["read", "record", "manage"]
SCOPES: tuple[Scope, ...] = ("read", "record", "manage")
"""Each may what those before it may: look; write records; see to tokens, webhooks and feeds."""
FEEDS = ("calendar", "metrics")
_KINDS = {"token": "t", "feed": "f"}
_FORM = re.compile(r"mw_([tf])([A-Za-z0-9_-]{43})([0-9a-z]{6})")
_USED_STEP = timedelta(minutes=1)
"""``last_used_at`` is written at most so often."""
Row = dict[str, Any]


@dataclass(frozen=True)
class Principal:
    """Who asks: the id and name of a token (or of the way in), and what it may do."""

    id: str
    name: str
    scope: Scope

    def may(self, scope: Scope) -> bool:
        """Whether this scope is included."""
        return SCOPES.index(self.scope) >= SCOPES.index(scope)


def make_secret(kind: Literal["token", "feed"]) -> str:
    """A new secret of this kind: ``mw_t`` or ``mw_f``, 43 characters for 32 random bytes, 6 of checksum."""
    body = base64.urlsafe_b64encode(secrets.token_bytes(32)).rstrip(b"=").decode()
    head = f"mw_{_KINDS[kind]}{body}"
    return head + _checksum(head)


def _checksum(head: str) -> str:
    """CRC-32 in base 36, six characters."""
    digits = "0123456789abcdefghijklmnopqrstuvwxyz"
    number, text = zlib.crc32(head.encode()), ""
    for _ in range(6):
        number, digit = divmod(number, 36)
        text = digits[digit] + text
    return text


def well_formed(secret: str, kind: Literal["token", "feed"]) -> bool:
    """Whether a text can be a secret of this kind at all, by its form and checksum."""
    match = _FORM.fullmatch(secret)
    if match is None or match[1] != _KINDS[kind]:
        return False
    return hmac.compare_digest(_checksum(secret[:-6]), secret[-6:])


def hash_of(secret: str) -> str:
    """What is stored of a secret."""
    return hashlib.sha256(secret.encode()).hexdigest()


class Access:
    """Tokens and feed tokens in the register."""

    def __init__(self, database: Database, clock: Callable[[], datetime]) -> None:
        self.database, self.clock = database, clock

    def new_token(self, name: str, scope: str) -> tuple[Row, str]:
        """Make a token; the secret is returned here and never again.

        Raises:
            RequestError: an unknown scope or an empty name.
        """
        if scope not in SCOPES:
            raise RequestError(f"{scope!r} is no scope", where="scope", fix=f"Give one of {', '.join(SCOPES)}.")
        row = self._row("token", name) | {"scope": scope}
        return self._insert(tokens, row, "token")

    def new_feed(self, name: str, kind: str, site_id: str | None = None) -> tuple[Row, str]:
        """Make a feed token: read-only, for one feed, of one site or of all.

        Raises:
            RequestError: an unknown kind of feed or an empty name.
            UnknownReferenceError: no such site.
        """
        if kind not in FEEDS:
            raise RequestError(f"{kind!r} is no feed", where="kind", fix=f"Give one of {', '.join(FEEDS)}.")
        if site_id is not None:
            with self.database.read() as connection:
                there = sa.select(sites.c.id).where(sites.c.id == site_id, sites.c.deleted_at.is_(None))
                if not is_id(site_id, "site") or connection.execute(there).first() is None:
                    fix = "Look at the list of sites for its id."
                    raise UnknownReferenceError(f"there is no site {site_id!r}", field="site_id", fix=fix)
        row = self._row("feed", name) | {"kind": kind, "site_id": site_id}
        return self._insert(feeds, row, "feed")

    def _row(self, kind: str, name: str) -> Row:
        name = name.strip()
        if not name or len(name) > 200 or not name.isprintable():
            raise RequestError("a name is wanted", where="name", fix="Say who or what will use it, in one line.")
        now = self.clock()
        return {"id": new_id(kind, now), "name": name, "created_at": now, "last_used_at": None, "revoked_at": None}

    def _insert(self, table: sa.Table, row: Row, kind: Literal["token", "feed"]) -> tuple[Row, str]:
        secret = make_secret(kind)
        with self.database.write() as connection:
            connection.execute(table.insert().values(row | {"hash": hash_of(secret)}))
        return row, secret

    def tokens(self, *, after: str | None = None, limit: int | None = None) -> list[Row]:
        """Tokens in the order in which they were made, revoked ones too, without their hashes.

        Args:
            after: id of the last one of the page before.
            limit: at most so many; None = all.
        """
        return self._list(tokens, after, limit)

    def feeds(self, *, after: str | None = None, limit: int | None = None) -> list[Row]:
        """Feed tokens, as ``tokens``."""
        return self._list(feeds, after, limit)

    def _list(self, table: sa.Table, after: str | None, limit: int | None) -> list[Row]:
        query = sa.select(*_shown(table)).order_by(table.c.id).limit(limit)
        if after is not None:
            query = query.where(table.c.id > after)
        with self.database.read() as connection:
            return [dict(r) for r in connection.execute(query).mappings()]

    def get(self, thing: str) -> Row:
        """One token or feed token, without its hash.

        Raises:
            NotThereError: there is no such token.
        """
        table = _table(thing)
        with self.database.read() as connection:
            row = connection.execute(sa.select(*_shown(table)).where(table.c.id == thing)).mappings().first()
        if row is None:
            raise _unknown(thing)
        return dict(row)

    def revoke(self, thing: str) -> Row:
        """Make a token or feed token worthless, at once.

        Raises:
            NotThereError: there is no such token.
        """
        table = _table(thing)
        with self.database.write() as connection:
            own = table.c.id == thing
            connection.execute(table.update().where(own, table.c.revoked_at.is_(None)).values(revoked_at=self.clock()))
            row = connection.execute(sa.select(*_shown(table)).where(own)).mappings().first()
        if row is None:
            raise _unknown(thing)
        return dict(row)

    def any_token(self) -> bool:
        """Whether there is a token that opens anything."""
        with self.database.read() as connection:
            return (
                connection.execute(sa.select(tokens.c.id).where(tokens.c.revoked_at.is_(None)).limit(1)).first()
                is not None
            )

    def holder(self, secret: str) -> Principal | None:
        """Who holds this token; None if nobody does."""
        row = self._lookup(tokens, secret, "token")
        return None if row is None else Principal(row["id"], row["name"], row["scope"])

    def feed(self, secret: str) -> Row | None:
        """The feed that this feed token opens; None if it opens none."""
        return self._lookup(feeds, secret, "feed")

    def _lookup(self, table: sa.Table, secret: str, kind: Literal["token", "feed"]) -> Row | None:
        if not well_formed(secret, kind):
            return None
        digest = hash_of(secret)
        with self.database.read() as connection:
            row = connection.execute(sa.select(table).where(table.c.hash == digest)).mappings().first()
        if row is None or not hmac.compare_digest(row["hash"], digest) or row["revoked_at"] is not None:
            return None
        return {k: v for k, v in row.items() if k != "hash"}

    def used(self, thing: str) -> None:
        """Note that a token was used, at most once a minute."""
        table, now = _table(thing), self.clock()
        long_ago = sa.or_(table.c.last_used_at.is_(None), table.c.last_used_at < now - _USED_STEP)
        with self.database.read() as connection:
            due = connection.execute(sa.select(table.c.id).where(table.c.id == thing, long_ago)).first()
        if due is not None:
            with self.database.write() as connection:
                connection.execute(table.update().where(table.c.id == thing, long_ago).values(last_used_at=now))


def _table(thing: str) -> sa.Table:
    """Where a token or feed token of this id would stand.

    Raises:
        NotThereError: no such id was ever made; the database is not asked, since not every text can be put to it.
    """
    if is_id(thing, "feed"):
        return feeds
    if not is_id(thing, "token"):
        raise _unknown(thing)
    return tokens


def _shown(table: sa.Table) -> list[sa.Column[Any]]:
    return [c for c in table.c if c.name != "hash"]


def _unknown(thing: str) -> NotThereError:
    return NotThereError(f"there is no token {thing[:64]!r}", fix="Look at the list for its id.")
