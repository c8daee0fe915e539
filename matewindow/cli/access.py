"""``matewindow token`` and ``matewindow feed``: who may ask the service, and what calendars and monitors may read."""

from __future__ import annotations

from enum import StrEnum
from typing import TYPE_CHECKING, Annotated

import typer

from matewindow.cli.opened import AsJson, RegisterAt  # noqa: TC001  Typer reads annotations at run time

if TYPE_CHECKING:
    from matewindow.register.access import Access
    from matewindow.register.database import Database

token = typer.Typer(help="Tokens with which programs use the service.", no_args_is_help=True)
feed = typer.Typer(help="Feeds that calendars and monitors read.", no_args_is_help=True)


class Scope(StrEnum):
    """What a token may do; each may what those before it may."""

    READ = "read"
    RECORD = "record"
    MANAGE = "manage"


class FeedKind(StrEnum):
    """What a feed gives."""

    CALENDAR = "calendar"
    METRICS = "metrics"


_FILES = {FeedKind.CALENDAR: "calendar.ics", FeedKind.METRICS: "metrics"}
"""Last parts of the addresses that ``api/routes/feeds.py`` answers."""


def _access(database: Database) -> Access:
    from datetime import UTC, datetime

    from matewindow.register.access import Access

    return Access(database, lambda: datetime.now(UTC))


@token.command(name="new")
def new_token(
    *,
    name: Annotated[str, typer.Option("--name", help="Who or what will use it.")],
    scope: Annotated[
        Scope,
        typer.Option("--scope", help="read: look; record: also write records; manage: also tokens, webhooks, feeds."),
    ],
    register: RegisterAt = None,
    as_json: AsJson = False,
) -> None:
    """Make a token. It is shown once."""
    from matewindow.cli import opened, options, record_tables
    from matewindow.register.records import as_data

    with opened.open_database(register, make=True) as database:
        row, secret = _access(database).new_token(name, scope.value)
    report = as_data(row) | {"token": secret}
    options.show(report, record_tables.secret_tables(report, "service"), as_json=as_json)
    if not as_json:
        typer.echo(report["token"])  # in one piece however narrow the terminal is, so that it can be copied


@token.command(name="list")
def list_tokens(*, register: RegisterAt = None, as_json: AsJson = False) -> None:
    """List all tokens, revoked ones too, without their secrets."""
    from matewindow.cli import opened, options, record_tables
    from matewindow.register.register import rows_as_data

    with opened.open_database(register) as database:
        report = {"items": rows_as_data(_access(database).tokens())}
    options.show(report, record_tables.access_tables("tokens", report), as_json=as_json)


@token.command(name="revoke")
def revoke_token(
    thing: Annotated[str, typer.Argument(metavar="ID", help="Id of the token.")],
    *,
    register: RegisterAt = None,
    as_json: AsJson = False,
) -> None:
    """Make a token worthless, at once."""
    _revoke(thing, register, "token", as_json=as_json)


@feed.command(name="new")
def new_feed(
    *,
    name: Annotated[str, typer.Option("--name", help="Who or what will read it.")],
    kind: Annotated[FeedKind, typer.Option("--kind", help="What it gives.")] = FeedKind.CALENDAR,
    site: Annotated[
        str | None, typer.Option("--site", metavar="SITE", help="Id or name of the site; all sites if not given.")
    ] = None,
    register: RegisterAt = None,
    as_json: AsJson = False,
) -> None:
    """Make a feed for a program that can send no token. Its address is shown once."""
    from matewindow.cli import opened, options, record_tables
    from matewindow.register.records import as_data
    from matewindow.register.typedin import id_of

    with opened.open_database(register, make=site is None) as database:
        site_id = None
        if site is not None:
            with database.read() as connection:
                site_id = id_of(connection, "site", site, where="--site")
        row, secret = _access(database).new_feed(name, kind.value, site_id)
    report = as_data(row) | {"path": f"/v1/feeds/{secret}/{_FILES[kind]}"}
    options.show(report, record_tables.secret_tables(report, "feed"), as_json=as_json)
    if not as_json:
        typer.echo(report["path"])


@feed.command(name="list")
def list_feeds(*, register: RegisterAt = None, as_json: AsJson = False) -> None:
    """List all feeds, revoked ones too, without their addresses."""
    from matewindow.cli import opened, options, record_tables
    from matewindow.register.register import rows_as_data

    with opened.open_database(register) as database:
        report = {"items": rows_as_data(_access(database).feeds())}
    options.show(report, record_tables.access_tables("feeds", report), as_json=as_json)


@feed.command(name="revoke")
def revoke_feed(
    thing: Annotated[str, typer.Argument(metavar="ID", help="Id of the feed.")],
    *,
    register: RegisterAt = None,
    as_json: AsJson = False,
) -> None:
    """Make a feed's address worthless, at once."""
    _revoke(thing, register, "feed", as_json=as_json)


def _revoke(thing: str, register: str | None, kind: str, *, as_json: bool) -> None:
    from matewindow.cli import opened, options, record_tables
    from matewindow.errors import NotThereError
    from matewindow.register.ids import is_id
    from matewindow.register.records import as_data

    if not is_id(thing, kind):
        raise NotThereError(f"there is no {kind} {thing[:40]!r}", fix=f"matewindow {kind} list shows their ids.")
    with opened.open_database(register) as database:
        report = as_data(_access(database).revoke(thing))
    options.show(report, record_tables.access_tables(f"{kind}s", {"items": [report]}), as_json=as_json)
