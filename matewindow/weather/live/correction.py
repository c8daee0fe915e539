"""What earlier runs of the ensemble's model got wrong at the site, fetched and learnt."""

from __future__ import annotations

from typing import TYPE_CHECKING

from matewindow.errors import SourceError, WeatherFileError
from matewindow.weather.bias import Bias, lead_days, learn
from matewindow.weather.obtain import reason_of
from matewindow.weather.openmeteo_runs_fetch import fetch_previous_runs
from matewindow.weather.steps import WetHours

if TYPE_CHECKING:
    from matewindow.site import Site
    from matewindow.weather.desk import Desk
    from matewindow.weather.normal import Weather

Learnt = tuple[Bias | None, str]
"""What was learnt, None if nothing could be, and then the reason."""


def learn_correction(
    site: Site, desk: Desk, record: Weather | None, *, spared: str | None = None, wet: WetHours | None = None
) -> Learnt:
    """Hold the last three months' runs against the record.

    Args:
        site: where.
        desk: whom to ask.
        record: analysis or observation of the site.
        spared: a reason to ask nobody and to take what is in the store.
        wet: how rain falls into hours, from a longer record; None = as this record has it.

    Returns:
        What was learnt, None if nothing could be, and then the reason.
    """
    if record is None:
        return None, "there is no record to hold earlier forecasts against"
    try:
        runs = fetch_previous_runs(site, desk, not_asked=spared)
        return learn(lead_days(runs, wet or WetHours.from_weather(record)), record, site.longitude), ""
    except (SourceError, WeatherFileError) as fault:
        return None, reason_of(fault)
