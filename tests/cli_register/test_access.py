"""Tokens and feeds from the command line: shown once, listed without their secrets, worthless once revoked."""

from __future__ import annotations

from datetime import UTC, datetime
from typing import TYPE_CHECKING, Any

from typer.testing import CliRunner

from matewindow.cli import app
from matewindow.register.access import Access, well_formed
from matewindow.register.database import Database, url_of
from matewindow.settings import Settings

if TYPE_CHECKING:
    from collections.abc import Callable
    from pathlib import Path


def access(home: Path) -> Access:
    return Access(Database(url_of(Settings(register=str(home / "register.sqlite")))), lambda: datetime.now(UTC))


def test_a_token_opens_what_its_scope_says_until_it_is_revoked(
    run: Callable[..., Any], refused: Callable[..., str], home: Path
) -> None:
    made = run("token", "new", "--name", "the phone", "--scope", "record")
    doors = access(home)
    holder = doors.holder(made["token"])
    assert holder is not None
    assert (holder.name, holder.scope) == ("the phone", "record")
    (listed,) = run("token", "list")["items"]
    assert listed["id"] == made["id"]
    assert made["token"] not in str(listed)
    assert "hash" not in listed
    assert run("token", "revoke", made["id"])["revoked_at"] is not None
    assert doors.holder(made["token"]) is None
    doors.database.close()
    assert "there is no token" in refused("token", "revoke", "tokn_0000000000000000")
    assert "there is no token" in refused("token", "revoke", "feed_0000000000000000")


def test_a_feed_is_of_one_site_named_by_id_or_name(
    run: Callable[..., Any], refused: Callable[..., str], site: str, home: Path
) -> None:
    made = run("feed", "new", "--name", "calendar", "--kind", "calendar", "--site", "Orchard")
    every = run("feed", "new", "--name", "all", "--kind", "metrics")
    assert run("feed", "new", "--name", "x", "--kind", "calendar", "--site", site)["site_id"] == site
    assert made["site_id"] == site
    assert every["site_id"] is None
    doors = access(home)
    _, v1, feeds, secret, file = made["path"].split("/")
    assert (v1, feeds, file) == ("v1", "feeds", "calendar.ics")
    assert well_formed(secret, "feed")
    assert (doors.feed(secret) or {})["id"] == made["id"]
    assert every["path"].endswith("/metrics")
    run("feed", "revoke", made["id"])
    assert doors.feed(secret) is None
    doors.database.close()
    assert [row["revoked_at"] is None for row in run("feed", "list")["items"]] == [False, True, True]
    assert "no site called 'Nowhere'" in refused(
        "feed", "new", "--name", "x", "--kind", "calendar", "--site", "Nowhere"
    )


def test_a_secret_is_shown_in_one_piece_on_a_narrow_terminal(
    run: Callable[..., Any], home: Path, monkeypatch: Any
) -> None:
    monkeypatch.setenv("COLUMNS", "30")
    lines = run("token", "new", "--name", "x", "--scope", "read", text=True).splitlines()
    assert sum(well_formed(line.strip(), "token") for line in lines) == 1
    lines = run("feed", "new", "--name", "x", "--kind", "metrics", text=True).splitlines()
    assert sum(line.strip().startswith("/v1/feeds/mw_f") and line.strip().endswith("/metrics") for line in lines) == 1


def test_unknown_scopes_and_kinds_are_refused_by_the_options(home: Path) -> None:
    for words in (("token", "new", "--name", "x", "--scope", "all"), ("feed", "new", "--name", "x", "--kind", "rss")):
        result = CliRunner().invoke(app, list(words))
        assert result.exit_code == 2
        assert "is not one of" in result.output
    assert not (home / "register.sqlite").exists()
