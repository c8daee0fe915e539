"""Asking Open-Meteo for a site's hours: the forecast, an ensemble, a year of the archive. Read in ``openmeteo``."""

from __future__ import annotations

from dataclasses import dataclass, replace
from datetime import UTC, date, timedelta
from typing import TYPE_CHECKING

import numpy as np

from matewindow.errors import WeatherFileError
from matewindow.weather import openmeteo
from matewindow.weather.budget import open_meteo_weight
from matewindow.weather.desk import AHEAD_D, BEHIND_D, FRESH, Question, site_name, stamped
from matewindow.weather.http import SourceRequest
from matewindow.weather.manners import OPEN_METEO, Source, coordinates
from matewindow.weather.obtain import MAX_AGE, Obtained, obtain
from matewindow.weather.openmeteo_dating import get_between_notes, run_at

if TYPE_CHECKING:
    from collections.abc import Sequence

    from matewindow.site import Site
    from matewindow.weather.desk import Desk, Part
    from matewindow.weather.entries import Entry
    from matewindow.weather.http import Fetched
    from matewindow.weather.normal import Weather

HOURLY = ("temperature_2m", "wind_speed_10m", "precipitation", "shortwave_radiation")
WITH_CLOUD = (*HOURLY, "cloud_cover")
ENSEMBLE_MODEL, ENSEMBLE_MEMBERS = "ecmwf_ifs025_ensemble", 51
LATE_D = 6
"""ERA5 comes five days late; one more for the day that is not over yet. [d]"""
KEPT_FOR = timedelta(days=3650)
"""How long an answer is fresh that will not change any more, and how old a year of the archive may be."""
_THIS_YEAR = timedelta(days=1)
_MONTHS_AFTER = 2
"""A year is final in the archive when so many months have passed: preliminary days are replaced."""
_A_DAY = np.timedelta64(1, "D")


def openmeteo_params(site: Site) -> dict[str, str]:
    """What every question to Open-Meteo for a site's hours has: place and height, true UTC, SI wind."""
    latitude, longitude = coordinates(OPEN_METEO, site.latitude, site.longitude)
    return {
        "latitude": latitude,
        "longitude": longitude,
        "elevation": f"{site.elevation_m:.0f}",
        "timeformat": "unixtime",
        "wind_speed_unit": "ms",
    }


@dataclass(frozen=True)
class OpenMeteo:
    """Open-Meteo: one run with some days behind it, or an ensemble with counted members.

    Args:
        part: "forecast" or "ensemble".
        model: of the ensemble; None = the usual one.
    """

    part: Part
    model: str | None = None
    name: str = "Open-Meteo"
    source: Source = OPEN_METEO

    def serves(self, site: Site) -> bool:  # noqa: ARG002
        """Everywhere."""
        return True

    def question(self, site: Site, desk: Desk) -> Question[Weather]:
        """Hourly values of one place in UTC and SI units."""
        return self._ensemble(site, desk) if self.part == "ensemble" else self._forecast(site, desk)

    def _ensemble(self, site: Site, desk: Desk) -> Question[Weather]:
        model = self.model or ENSEMBLE_MODEL
        request = SourceRequest(
            source=self.source,
            url=desk.hosts.openmeteo_ensemble,
            params=openmeteo_params(site)
            | {"hourly": ",".join(HOURLY), "forecast_days": str(AHEAD_D), "models": model},
            site=site_name(site, self.source),
            kind=self.part,
            secrets=desk.secrets,
            weight=open_meteo_weight(len(HOURLY), days=AHEAD_D, members=ENSEMBLE_MEMBERS),
            fresh=FRESH,
        )

        def read(fetched: Fetched) -> Weather:
            weather = stamped(openmeteo.parse_ensemble(fetched.text), fetched)
            run, said = run_at(desk, model, fetched.fetched_at)
            notes = weather.provenance.notes + said
            return replace(weather, provenance=replace(weather.provenance, model=model, run_time=run, notes=notes))

        return Question(request, read, get=lambda asked: get_between_notes(desk, asked, model))

    def _forecast(self, site: Site, desk: Desk) -> Question[Weather]:
        request = SourceRequest(
            source=self.source,
            url=desk.hosts.openmeteo_forecast,
            params=openmeteo_params(site)
            | {"hourly": ",".join(WITH_CLOUD), "forecast_days": str(AHEAD_D), "past_days": str(BEHIND_D)},
            site=site_name(site, self.source),
            kind=self.part,
            secrets=desk.secrets,
            weight=open_meteo_weight(len(WITH_CLOUD), days=AHEAD_D + BEHIND_D),
            fresh=FRESH,
        )
        return Question(request, _read_forecast)


def _read_forecast(fetched: Fetched) -> Weather:
    weather = openmeteo.parse_forecast(fetched.text)
    first, asked_for = weather.times[0], np.datetime64(fetched.fetched_at.date() - timedelta(days=BEHIND_D), "s")
    if first < asked_for - _A_DAY:  # it tells no run time: that it lives in the past shows in its days only
        raise WeatherFileError(f"it begins on {first.item():%d %B}, {(asked_for - first) // _A_DAY} days too early")
    return stamped(weather, fetched)


def archive_question(site: Site, desk: Desk, year: int) -> Question[Weather]:
    """One year of hourly ERA5 for a site; of the current year as much as there is."""
    today = desk.now.astimezone(UTC).date()
    first, last = date(year, 1, 1), min(date(year, 12, 31), today - timedelta(days=LATE_D))
    settled = today - last > timedelta(days=31 * _MONTHS_AFTER)
    request = SourceRequest(
        source=OPEN_METEO,
        url=desk.hosts.openmeteo_archive,
        params=openmeteo_params(site)
        | {
            "start_date": first.isoformat(),
            "end_date": last.isoformat(),
            "hourly": ",".join(HOURLY),
            "models": "era5",
        },
        site=site_name(site, OPEN_METEO),
        kind="analysis",
        secrets=desk.secrets,
        weight=open_meteo_weight(len(HOURLY), days=(last - first).days + 1),
        fresh=KEPT_FOR if settled else _THIS_YEAR,
    )

    def read(fetched: Fetched) -> Weather:
        weather = stamped(openmeteo.parse_archive(fetched.text), fetched)
        return replace(weather, provenance=replace(weather.provenance, model="ERA5"))

    return Question(request, read, moving=frozenset({"end_date"}))


# --- asked for and read --------------------------------------------------------------------------------


def fetch_forecast(site: Site, desk: Desk, *, max_age: timedelta = MAX_AGE) -> Obtained:
    """Get the forecast for a site, with the last days before it.

    Args:
        site: where.
        desk: whom to ask.
        max_age: up to which a stored answer serves when the service fails.

    Raises:
        SourceError, WeatherFileError: as ``obtain``.
    """
    return obtain(OpenMeteo("forecast").question(site, desk), site, desk, max_age=max_age)


def fetch_ensemble(site: Site, desk: Desk, *, model: str | None = None, max_age: timedelta = MAX_AGE) -> Obtained:
    """Get an ensemble for a site, dated by its run.

    Args:
        site: where.
        desk: whom to ask.
        model: None = the usual one.
        max_age: up to which a stored answer serves when the service fails.

    Raises:
        SourceError, WeatherFileError: as ``obtain``.
    """
    return obtain(OpenMeteo("ensemble", model).question(site, desk), site, desk, max_age=max_age)


def fetch_archive_year(
    site: Site,
    desk: Desk,
    year: int,
    *,
    not_asked: str | None = None,
    spared: str | None = None,
    stored: Sequence[Entry] | None = None,
) -> Obtained:
    """Get a year of reanalysis for a site.

    Args:
        site: where.
        desk: whom to ask.
        year: from 1940 to this one.
        not_asked: a reason to take only what is in the store.
        spared: a reason to do so if there is something in the store.
        stored: the site's stored years, to look through for an older answer; None = they are looked up.

    Raises:
        SourceError, WeatherFileError: as ``obtain``.
    """
    question = archive_question(site, desk, year)
    return obtain(question, site, desk, max_age=KEPT_FOR, not_asked=not_asked, spared=spared, stored=stored)
