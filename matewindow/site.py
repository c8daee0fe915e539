"""A site: the place where a batch's queens mate, and the file that describes it."""

from __future__ import annotations

import difflib
import tomllib
from dataclasses import dataclass, field
from datetime import UTC, date, datetime, time, timedelta
from math import isnan
from typing import TYPE_CHECKING, Any
from zoneinfo import ZoneInfo, ZoneInfoNotFoundError

import numpy as np

from matewindow.errors import SiteFileError

if TYPE_CHECKING:
    from collections.abc import Mapping
    from pathlib import Path

KEYS = (
    "name",
    "latitude",
    "longitude",
    "elevation",
    "timezone",
    "exposure",
    "thresholds",
    "drones_mature_from",
    "quiet_hours",
)
_REQUIRED = ("name", "latitude", "longitude", "elevation", "timezone")
_ZONE_TOLERANCE_H = 4.5  # civil time strays up to about 3.5 h from the sun's (western China), an hour more in summer


@dataclass(frozen=True)
class Site:
    """Where queens mate.

    Attributes:
        name: what the keeper calls it.
        latitude, longitude: degrees north and east.
        elevation_m: metres above sea level.
        timezone: IANA name of the zone whose clock the keeper reads.
        exposure: share of the 10 m wind that is met at flight height; 1 in the open, about 0.7 in shelter.
        thresholds: flight thresholds that differ from the defaults, by the names of ``biology.Flight``.
        drones_mature_from: first day with mature drones; None = not a limit.
        quiet_hours: hours of the local clock in which nucs are left shut; None = the default 11 to 16.
        file: where it was read, for error messages.
    """

    name: str
    latitude: float
    longitude: float
    elevation_m: float
    timezone: str
    exposure: float = 1.0
    thresholds: Mapping[str, float] = field(default_factory=dict)
    drones_mature_from: date | None = None
    quiet_hours: tuple[float, float] | None = None
    file: str = ""

    @property
    def zone(self) -> ZoneInfo:
        """The zone of ``timezone``."""
        return ZoneInfo(self.timezone)

    @property
    def day_shift(self) -> int:
        """Days by which the local calendar runs ahead of the solar day: 0 but beside the date line, there 1 or -1."""
        offset = datetime(2026, 1, 1, 12, tzinfo=self.zone).utcoffset() or timedelta()
        return round((offset.total_seconds() / 3600.0 - self.longitude / 15.0) / 24.0)

    def civil_day(self, solar_day: np.datetime64) -> date:
        """The date on the local calendar of a solar day's noon."""
        return date.fromisoformat(str(solar_day.astype("datetime64[D]"))) + timedelta(days=self.day_shift)

    def solar_day(self, civil_day: date) -> np.datetime64:
        """The solar day whose noon falls on a local date, ``datetime64[D]``."""
        return np.datetime64(civil_day, "D") - self.day_shift


def read_site(path: Path) -> Site:
    """Read a site file (TOML).

    Raises:
        SiteFileError: missing, no TOML, a key missing or unknown, or an impossible value; the text says what to write.
    """
    try:
        text = path.read_text(encoding="utf-8")
    except FileNotFoundError as fault:
        raise SiteFileError(
            "there is no such site file", where=str(path), fix="Give a TOML file; the README shows one."
        ) from fault
    except (OSError, UnicodeDecodeError) as fault:
        raise SiteFileError(f"cannot be read ({fault})", where=str(path)) from fault
    return parse_site(text, file=str(path))


def parse_site(text: str, *, file: str = "site") -> Site:
    """As ``read_site``, from the text of the file."""
    try:
        document = tomllib.loads(text)
    except tomllib.TOMLDecodeError as fault:
        raise SiteFileError(
            f"is no valid TOML ({fault})",
            where=file,
            fix='Write lines such as latitude = 51.2 and name = "Home".',
        ) from fault
    for key in document:
        if key not in KEYS:
            near = difflib.get_close_matches(key, KEYS, n=1)
            hint = f"Did you mean {near[0]}? " if near else ""
            raise SiteFileError(f"unknown key {key!r}", where=file, fix=f"{hint}The keys are {', '.join(KEYS)}.")
    missing = [key for key in _REQUIRED if key not in document]
    if missing:
        raise SiteFileError(f"{' and '.join(missing)} missing", where=file, fix=f"A site needs {', '.join(_REQUIRED)}.")
    name = document["name"]
    if not isinstance(name, str) or not name.strip():
        raise SiteFileError(f"name is {name!r}", where=file, fix='Write a text, such as name = "Home apiary".')
    site = Site(
        name=name.strip(),
        latitude=_number(document, "latitude", -90.0, 90.0, "degrees north", file),
        longitude=_number(document, "longitude", -180.0, 180.0, "degrees east", file),
        elevation_m=_number(document, "elevation", -430.0, 6000.0, "metres above sea level", file),
        timezone=_timezone(document["timezone"], file),
        exposure=_number(document, "exposure", 0.2, 1.2, "as a share of the 10 m wind (open 1.0, shelter 0.7)", file)
        if "exposure" in document
        else 1.0,
        thresholds=_thresholds(document.get("thresholds", {}), file),
        drones_mature_from=_date(document.get("drones_mature_from"), file),
        quiet_hours=_quiet_hours(document.get("quiet_hours"), file),
        file=file,
    )
    check_site(site)
    return site


def _number(document: Mapping[str, Any], key: str, low: float, high: float, unit: str, file: str) -> float:
    value = document[key]
    if isinstance(value, bool) or not isinstance(value, (int, float)) or isnan(value):
        raise SiteFileError(f"{key} is {value!r}, not a number", where=file, fix=f"Write {key} {unit}.")
    if not low <= value <= high:
        swapped = " Are latitude and longitude swapped?" if key == "latitude" else ""
        raise SiteFileError(
            f"{key} {value:g} is outside {low:g} to {high:g}", where=file, fix=f"Write {key} {unit}.{swapped}"
        )
    return float(value)


def _timezone(value: object, file: str) -> str:
    try:
        return ZoneInfo(str(value)).key
    except (ZoneInfoNotFoundError, ValueError, OSError) as fault:
        raise SiteFileError(
            f"timezone {value!r} is not known",
            where=file,
            fix="Write an IANA name such as Europe/London or America/New_York.",
        ) from fault


def _thresholds(value: object, file: str) -> dict[str, float]:
    if not isinstance(value, dict):
        raise SiteFileError(
            f"thresholds is {value!r}, not a table",
            where=file,
            fix="Write a section [thresholds] with name = number.",
        )
    return dict(value)


def _date(value: object, file: str) -> date | None:
    if value is None or (isinstance(value, date) and not isinstance(value, datetime)):
        return value
    if isinstance(value, str):
        try:
            return date.fromisoformat(value)
        except ValueError:
            pass
    raise SiteFileError(
        f"drones_mature_from is {value!r}, not a date",
        where=file,
        fix="Write it as 2026-05-20, without quotes.",
    )


def _quiet_hours(value: object, file: str) -> tuple[float, float] | None:
    if value is None:
        return None
    hours = [_clock(v) for v in value] if isinstance(value, list) else []
    if len(hours) == 2 and hours[0] is not None and hours[1] is not None and 0 <= hours[0] < hours[1] <= 24:
        return hours[0], hours[1]
    raise SiteFileError(
        f"quiet_hours is {value!r}", where=file, fix="Write two hours of the local clock, such as [11, 16]."
    )


def _clock(value: object) -> float | None:
    if isinstance(value, str):
        try:
            value = time.fromisoformat(value)
        except ValueError:
            return None
    if isinstance(value, time):
        return value.hour + value.minute / 60.0
    return float(value) if isinstance(value, (int, float)) and not isinstance(value, bool) else None


def check_site(site: Site) -> None:
    """Refuse an unknown time zone, and one far from the sun's time: it betrays a wrong sign or swapped coordinates.

    Raises:
        SiteFileError: the text says which, and what to write.
    """
    _timezone(site.timezone, site.file)
    offsets = [datetime(2026, month, 1, tzinfo=UTC).astimezone(site.zone).utcoffset() for month in (1, 7)]
    sun = site.longitude / 15.0
    gaps = [abs((o.total_seconds() / 3600.0 - sun + 12.0) % 24.0 - 12.0) for o in offsets if o is not None]
    if min(gaps) > _ZONE_TOLERANCE_H:
        raise SiteFileError(
            f"longitude {site.longitude:g} does not lie in time zone {site.timezone} (the sun and the clock are "
            f"{min(gaps):.0f} hours apart)",
            where=site.file,
            fix="West is negative. Are latitude and longitude swapped, or is the zone of another place?",
        )
