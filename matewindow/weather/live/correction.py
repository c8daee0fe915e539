"""What earlier runs of the ensemble's model got wrong at the site, fetched and learnt."""

from __future__ import annotations

from datetime import timedelta
from typing import TYPE_CHECKING

from matewindow.errors import SourceError, WeatherFileError
from matewindow.weather.bias import Bias, lead_days, learn
from matewindow.weather.budget import open_meteo_weight
from matewindow.weather.folder import check_place
from matewindow.weather.http import SourceRequest
from matewindow.weather.live.obtain import read_answer, reason_of
from matewindow.weather.live.services import openmeteo_params, site_name
from matewindow.weather.manners import OPEN_METEO
from matewindow.weather.openmeteo_runs import parse_previous_runs
from matewindow.weather.steps import WetHours

if TYPE_CHECKING:
    from matewindow.site import Site
    from matewindow.weather.http import Fetched
    from matewindow.weather.live.services import Desk
    from matewindow.weather.normal import Weather

MODEL = "ecmwf_ifs025"
"""The single run beside the ensemble: its archive of earlier runs stands in for the members', of which none is kept."""
_VARIABLES = ("temperature_2m", "wind_speed_10m", "precipitation")
_LEADS = range(1, 8)
_BACK_D = 92
_WEEK = timedelta(days=7)


def learn_correction(
    site: Site, desk: Desk, record: Weather | None, *, spared: str | None = None
) -> tuple[Bias | None, str]:
    """Hold the last three months' runs against the record.

    Args:
        site: where.
        desk: whom to ask.
        record: analysis or observation of the site.
        spared: a reason to ask nobody and to take what is in the store.

    Returns:
        What was learnt, None if nothing could be, and then the reason.
    """
    if record is None:
        return None, "there is no record to hold earlier forecasts against"
    hourly = [f"{v}_previous_day{d}" for v in _VARIABLES for d in _LEADS]
    request = SourceRequest(
        source=OPEN_METEO,
        url=desk.hosts.openmeteo_previous_runs,
        params=openmeteo_params(site)
        | {
            "hourly": ",".join([*_VARIABLES, *hourly]),
            "models": MODEL,
            "past_days": str(_BACK_D),
            "forecast_days": "1",
        },
        site=site_name(site, OPEN_METEO),
        kind="previous-runs",
        secrets=desk.secrets,
        weight=open_meteo_weight(len(hourly) + len(_VARIABLES), days=_BACK_D + 1),
        fresh=_WEEK,
    )

    def read(fetched: Fetched) -> dict[int, Weather]:
        forecasts = dict(lead_days(parse_previous_runs(fetched.text), WetHours.from_weather(record)))
        for forecast in forecasts.values():
            check_place(forecast, site)
        return forecasts

    try:
        return learn(read_answer(desk, request, read, max_age=_WEEK * 8, not_asked=spared), record, site.longitude), ""
    except (SourceError, WeatherFileError) as fault:
        return None, reason_of(fault)
