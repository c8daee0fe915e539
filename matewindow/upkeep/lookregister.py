"""The doctor's look at the register and at the service that keeps it."""

from __future__ import annotations

import os
import shutil
import stat
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import TYPE_CHECKING
from zoneinfo import ZoneInfo, ZoneInfoNotFoundError

import sqlalchemy as sa

from matewindow.errors import InputError, UnavailableError
from matewindow.keeping.state import STALE, health_of
from matewindow.register import migrating
from matewindow.register.database import Database, url_of
from matewindow.register.soundness import faults
from matewindow.register.tables import ENTITIES, changes, metadata, sites, tokens, webhooks
from matewindow.upkeep.doctor import Finding
from matewindow.upkeep.lookprogram import SLACK
from matewindow.webhooks.endpoints import paused_in

if TYPE_CHECKING:
    from collections.abc import Iterator

    from matewindow.upkeep.doctor import Patient, State

_MB = 1_000_000
_LITTLE_ROOM, _HARDLY_ROOM = 1_000 * _MB, 100 * _MB
"""Free space from which it should be told, and from which writing may fail soon (our own judgement)."""
_LONG_LOG = 64 * _MB
"""SQLite writes its log back at 4 MB; far more means that something keeps it from doing so."""
_BACKLOG = 1_000
_RESTORE = "Leave it as it is, and bring back the last backup with matewindow restore."


def look_at_register(patient: Patient) -> Iterator[Finding]:
    """Whether it can be reached, read, written and trusted."""
    try:
        url = url_of(patient.settings)
    except InputError:  # told among the settings
        return
    if url.get_backend_name() == "sqlite":
        file = Path(str(url.database))
        yield from _room(file.parent)
        if not file.is_file():
            yield from _none_yet(file)
            return
        yield from _file(file, patient.now)
    try:
        database = Database(url, migrate=False)
    except UnavailableError as fault:
        yield Finding("register", "fault", fault.what, fault.fix)
        return
    try:
        yield from _content(database, patient)
    finally:
        database.close()


def _none_yet(file: Path) -> Iterator[Finding]:
    place = next(folder for folder in file.parents if folder.exists())
    if os.access(place, os.W_OK | os.X_OK):
        yield Finding("register", "note", f"there is none yet at {file}; it is made with the first record")
    else:
        fix = "Set MATEWINDOW_REGISTER to a file in a folder that you may write to."
        yield Finding("register", "fault", f"there is none at {file}, and none can be made there", fix)


def _room(folder: Path) -> Iterator[Finding]:
    """Free space where the register lies."""
    place = next(path for path in (folder, *folder.parents) if path.exists())
    free = shutil.disk_usage(place).free
    if free >= _LITTLE_ROOM:
        yield Finding("disk", "ok", f"{free / 1e9:.0f} GB free at {place}")
        return
    state: State = "fault" if free < _HARDLY_ROOM else "warning"
    yield Finding("disk", state, f"only {free / _MB:.0f} MB free at {place}", "Make room there.")


def _file(file: Path, now: datetime) -> Iterator[Finding]:
    """Permissions, log and time of an SQLite file."""
    if not os.access(file, os.R_OK | os.W_OK) or not os.access(file.parent, os.W_OK | os.X_OK):
        what = f"{file} and its folder cannot be written by who runs this"
        yield Finding("register", "fault", what, "Give them to that user (chown), or run it as their owner.")
    mode = stat.S_IMODE(file.stat().st_mode)
    if os.name == "posix" and mode & 0o077:
        what = f"others on this machine may open {file} (mode {mode:o}), and it holds secrets"
        yield Finding("register", "warning", what, f"chmod 600 '{file}'")
    log = Path(f"{file}-wal")
    if log.is_file() and log.stat().st_size > _LONG_LOG:
        what = f"its log has grown to {log.stat().st_size / _MB:.0f} MB"
        yield Finding("register", "warning", what, "Some command keeps it open: restart the service.")
    written = datetime.fromtimestamp(file.stat().st_mtime, UTC)
    if written - now > SLACK:
        what = f"{file} was written at {written:%Y-%m-%d %H:%M} UTC, which lies in the future"
        yield Finding("clock", "warning", what, "Set the machine's clock, or leave it if it was ahead then.")


def _content(database: Database, patient: Patient) -> Iterator[Finding]:
    try:
        with database.read() as connection:
            connection.execute(sa.text("SELECT 1"))
        level = migrating.current(database)
    except (UnavailableError, sa.exc.DBAPIError) as fault:
        what = fault.what if isinstance(fault, UnavailableError) else str(fault.__cause__ or fault).splitlines()[0]
        fix = fault.fix if isinstance(fault, UnavailableError) else "See that it runs and lets this user in."
        yield Finding("register", "fault", what, fix)
        return
    if level is None:
        yield Finding("register", "note", f"{database.address} is empty; its tables are made with the first record")
        return
    if level > migrating.HEAD:
        what = f"it was written by a later version of matewindow (schema {level}, this one knows {migrating.HEAD})"
        yield Finding("register", "fault", what, "Install that version again.")
        return
    if level < migrating.HEAD:
        what = f"it is of an earlier version (schema {level}, now {migrating.HEAD})"
        yield Finding("register", "note", what, "Back it up; the next command brings it up to date.")
        return
    sound = list(_sound(database, thorough=patient.thorough))
    yield from sound
    if any(finding.state == "fault" for finding in sound):
        return
    yield from _records(database, patient.now)
    yield from _service(database, patient.now)


def _sound(database: Database, *, thorough: bool) -> Iterator[Finding]:
    """Whether what is stored is what was written."""
    if thorough:
        found = faults(database)
    elif database.sqlite:
        try:
            with database.read() as connection:
                found = [t for t in connection.exec_driver_sql("PRAGMA quick_check(5)").scalars() if t != "ok"]
                broken = connection.exec_driver_sql("PRAGMA foreign_key_check").all()
                found += [f"a row of {row[0]} names one of {row[2]} that is not there" for row in broken[:5]]
        except UnavailableError as fault:
            found = [fault.what]
    else:
        found = []
    for text in found:
        yield Finding("register", "fault", f"{database.address} is damaged: {text}", _RESTORE)
    if not found:
        how = "every record is as its history says" if thorough else "use --thorough to hold it against its history"
        yield Finding("register", "ok", f"{database.address} can be read; {how}")


def _records(database: Database, now: datetime) -> Iterator[Finding]:
    """How many there are, and what of them cannot be."""
    with database.read() as connection:
        counts = {
            table.name: connection.execute(
                sa.select(sa.func.count()).select_from(table).where(table.c.deleted_at.is_(None))
            ).scalar_one()
            for table in ENTITIES.values()
        }
        newest = connection.execute(sa.select(sa.func.max(changes.c.at))).scalar()
        zones = connection.execute(sa.select(sites.c.name, sites.c.timezone).where(sites.c.deleted_at.is_(None))).all()
        missing = set(metadata.tables) - set(sa.inspect(connection).get_table_names())
    for name in sorted(missing):
        yield Finding("register", "fault", f"the table {name} is missing", _RESTORE)
    yield Finding("records", "ok", ", ".join(f"{name} {n}" for name, n in counts.items()))
    if newest is not None and newest - now > SLACK:
        what = f"the newest change was written at {newest:%Y-%m-%d %H:%M} UTC, which lies in the future"
        yield Finding("clock", "warning", what, "Set the machine's clock, or leave it if it was ahead then.")
    for name, zone in zones:
        try:
            ZoneInfo(zone)
        except (ZoneInfoNotFoundError, ValueError):
            yield Finding(
                "time zones", "fault", f"{zone} of the site {name} is not known", "pip install --upgrade tzdata"
            )


def _service(database: Database, now: datetime) -> Iterator[Finding]:
    """What the service left behind."""
    health = health_of(database, now)
    if health["refresh"].startswith("stopped"):
        what = "no process keeps outlooks fresh any more"
        yield Finding("service", "warning", what, "Start it again: matewindow serve.")
    oldest: datetime | None = health["oldest_weather_at"]
    if health["refresh"] != "off" and oldest is not None and now - oldest > STALE:
        hours = (now - oldest) / timedelta(hours=1)
        what = f"the oldest weather of a site is {hours:.0f} hours old"
        yield Finding("service", "warning", what, "Look into its log: a weather service may not answer.")
    if health["refresh"] != "off" and health["sites_without_weather"]:
        what = f"{health['sites_without_weather']} of {health['sites']} sites have no weather yet"
        yield Finding("service", "warning", what, "Look into its log, or wait for the first refresh.")
    if health["deliveries_waiting"] > _BACKLOG:
        what = f"{health['deliveries_waiting']} messages wait to go to webhooks"
        yield Finding("service", "warning", what, "See whether the receivers answer.")
    with database.read() as connection:
        for hook in paused_in(connection):
            what = f"{hook['id']} gets nothing any more since {hook['disabled_at']:%Y-%m-%d}: {hook['disabled_why']}"
            fix = "Mend its receiver, then enable the webhook and send again what it missed (replay)."
            yield Finding("webhooks", "warning", what, fix)
        own = sa.select(sa.func.count()).select_from(webhooks)
        own = own.where(webhooks.c.disabled_because == "owner", webhooks.c.deleted_at.is_(None))
        if n := connection.execute(own).scalar_one():
            yield Finding("webhooks", "note", f"{n} disabled by their owner")
        holders = sa.select(sa.func.count()).select_from(tokens).where(tokens.c.revoked_at.is_(None))
        n = connection.execute(holders).scalar_one()
    yield Finding(
        "service", "ok", f"refresh is {health['refresh']}; {n} {'token is' if n == 1 else 'tokens are'} in force"
    )
