"""The doctor's look at Python, packages, settings, parameters and the clock."""

from __future__ import annotations

import platform
import re
import sqlite3
import sys
from dataclasses import fields
from datetime import UTC, datetime, timedelta
from importlib import metadata
from pathlib import Path
from typing import TYPE_CHECKING
from zoneinfo import ZoneInfo, ZoneInfoNotFoundError

from matewindow import __version__
from matewindow.biology import load_biology
from matewindow.errors import InputError
from matewindow.learning.inuse import in_use
from matewindow.register.database import sqlite_is_safe, url_of
from matewindow.settings import PREFIX, Settings
from matewindow.upkeep.doctor import Finding
from matewindow.weather.live.addresses import Addresses

if TYPE_CHECKING:
    from collections.abc import Iterator

    from matewindow.upkeep.doctor import Patient

DISTRIBUTION = "matewindow"
_OLDEST = (3, 11)
_SMALL_STORE_MB = 50.0
"""One site's thirty past years and its forecasts take about so much (measured)."""
SLACK = timedelta(minutes=5)
"""By so much clocks differ that are well."""
_REACHABLE = re.compile(r"[^@\s]+@[^@\s]+\.[^@\s]+|https?://\S+\.\S+")


def look_at_program(patient: Patient) -> Iterator[Finding]:
    """Versions of Python, packages and SQLite; the parameters and models that odds are given with."""
    if sys.version_info < _OLDEST:
        yield Finding("Python", "fault", f"it is {platform.python_version()}", "Install Python 3.11 or newer.")
    else:
        yield Finding("Python", "ok", f"{platform.python_version()} on {platform.system()}; matewindow {__version__}")
    yield from _packages()
    yield from _sqlite(patient)
    try:
        biology = load_biology(patient.settings.models_folder)
        yield Finding("parameters", "ok", f"version {biology.version}")
    except InputError as fault:
        yield Finding("parameters", "fault", str(fault), "Install matewindow again, or mend that folder.")
        return
    try:
        yield Finding("models", "ok", f"odds are given with {in_use(patient.settings).version}")
    except InputError as fault:
        yield Finding("models", "fault", f"{fault.where}: {fault.what}", fault.fix)


def _packages() -> Iterator[Finding]:
    """Whether all packages are there, in versions that fit."""
    from packaging.requirements import Requirement

    try:
        said = [Requirement(text) for text in metadata.requires(DISTRIBUTION) or ()]
    except metadata.PackageNotFoundError:
        yield Finding("packages", "warning", "matewindow runs without being installed", "Install it with pip.")
        return
    wanted = [need for need in said if need.marker is None or need.marker.evaluate({"extra": ""})]
    wrong = 0
    for need in wanted:
        try:
            version = metadata.version(need.name)
        except metadata.PackageNotFoundError:
            wrong += 1
            yield Finding(need.name, "fault", "it is not installed", f"pip install '{need.name}{need.specifier}'")
            continue
        if not need.specifier.contains(version, prereleases=True):
            wrong += 1
            what = f"{version} is installed, and {need.specifier} is wanted"
            yield Finding(need.name, "fault", what, f"pip install '{need.name}{need.specifier}'")
    if not wrong:
        yield Finding("packages", "ok", f"all {len(wanted)} that are wanted are there")


def _sqlite(patient: Patient) -> Iterator[Finding]:
    try:
        if url_of(patient.settings).get_backend_name() != "sqlite":
            return
    except InputError:
        return
    version = sqlite3.sqlite_version
    if sqlite_is_safe():
        yield Finding("SQLite", "ok", version)
        return
    yield Finding(
        "SQLite",
        "warning",
        f"{version} has a rare fault by which a register that two processes write at once can be damaged; it is mended "
        "in 3.51.3, 3.50.7 and 3.44.6",
        "Install a Python with a newer SQLite; until then run one service, and back up every day.",
    )


def look_at_settings(patient: Patient) -> Iterator[Finding]:
    """Settings that make no sense."""
    settings, known = patient.settings, {PREFIX + f.name.upper() for f in fields(Settings)}
    found = list(_unknown(patient, known)) + list(_files(settings))
    if settings.contact is None:
        found.append(
            Finding(
                PREFIX + "CONTACT",
                "warning",
                "it is not set, so that MET Norway, which wants to know who asks, is never asked",
                "Set it to your mail address or web page.",
            )
        )
    elif not _REACHABLE.fullmatch(settings.contact):
        what = "it is neither a mail address nor a web page, and MET Norway may refuse it"
        found.append(Finding(PREFIX + "CONTACT", "warning", what, "Set it to one, such as me@example.org."))
    if settings.store_max_mb < _SMALL_STORE_MB:
        what = (
            f"{settings.store_max_mb:g} MB are less than one site's weather takes: it would be fetched again and again"
        )
        found.append(Finding(PREFIX + "STORE_MAX_MB", "warning", what, "Give at least 500."))
    if settings.trade_without_key:
        what = "services that want a key for trade are left out"
        found.append(Finding(PREFIX + "TRADE", "note", what, f"Set {PREFIX}OPENMETEO_API_KEY if you have one."))
    yield from found or [Finding("settings", "ok", "they make sense")]


def _unknown(patient: Patient, known: set[str]) -> Iterator[Finding]:
    from difflib import get_close_matches

    for name in sorted(patient.environment):
        if name.startswith(PREFIX) and name not in known:
            near = get_close_matches(name, known, 1)
            fix = f"Did you mean {near[0]}?" if near else "Take it away."
            yield Finding(name, "warning", "there is no such setting", fix)


def _files(settings: Settings) -> Iterator[Finding]:
    """Files and folders that are named but are not there."""
    if settings.ca_bundle is not None and not settings.ca_bundle.is_file():
        what = f"there is no file {settings.ca_bundle}: no weather service can be reached"
        yield Finding(PREFIX + "CA_BUNDLE", "fault", what, "Name the file with the certificates.")
    for name in ("models_folder", "sample_weather_folder"):
        folder: Path | None = getattr(settings, name)
        if folder is not None and not folder.is_dir():
            yield Finding(PREFIX + name.upper(), "fault", f"there is no folder {folder}", "Take the setting away.")
    if settings.addresses_file is not None:
        try:
            Addresses.read(settings.addresses_file)
        except InputError as fault:
            yield Finding(PREFIX + "ADDRESSES_FILE", "fault", fault.what, fault.fix)
    try:
        url_of(settings)
    except InputError as fault:
        yield Finding(PREFIX + "REGISTER", "fault", fault.what, fault.fix)


def look_at_time(patient: Patient) -> Iterator[Finding]:
    """The clock, as far as it can be judged without asking anybody, and the rules of time zones."""
    installed = datetime.fromtimestamp(Path(__file__).stat().st_mtime, UTC)
    if installed - patient.now > SLACK:
        what = f"it says {patient.now:%Y-%m-%d %H:%M} UTC, which is before this program was installed"
        yield Finding("clock", "fault", what, "Set the machine's clock, and let it be kept right (NTP).")
    else:
        yield Finding("clock", "ok", f"{patient.now:%Y-%m-%d %H:%M} UTC")
    try:
        summer = datetime(2026, 7, 1, tzinfo=ZoneInfo("Europe/London")).utcoffset()
    except ZoneInfoNotFoundError:
        summer = None
    if summer != timedelta(hours=1):
        yield Finding("time zones", "fault", "their rules are missing", "pip install --upgrade tzdata")
        return
    try:
        yield Finding("time zones", "ok", f"tzdata {metadata.version('tzdata')}")
    except metadata.PackageNotFoundError:
        yield Finding("time zones", "ok", "those of the machine")
