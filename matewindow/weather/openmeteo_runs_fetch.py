"""Asking Open-Meteo for earlier forecasts: previous runs, one run as it was issued. Read in ``openmeteo_runs``."""

from __future__ import annotations

from dataclasses import replace
from datetime import timedelta
from typing import TYPE_CHECKING

from matewindow.errors import RequestError
from matewindow.weather.budget import open_meteo_weight
from matewindow.weather.desk import AHEAD_D, FRESH, Question, site_name, stamped
from matewindow.weather.folder import check_place
from matewindow.weather.http import SourceRequest
from matewindow.weather.manners import OPEN_METEO
from matewindow.weather.obtain import read_answer
from matewindow.weather.openmeteo_fetch import KEPT_FOR, WITH_CLOUD, openmeteo_params
from matewindow.weather.openmeteo_runs import (
    MAX_DAY,
    PreviousRuns,
    as_run_time,
    parse_previous_runs,
    parse_single_run,
)

if TYPE_CHECKING:
    from datetime import datetime

    from matewindow.site import Site
    from matewindow.weather.desk import Desk
    from matewindow.weather.http import Fetched
    from matewindow.weather.normal import Weather

MODEL = "ecmwf_ifs025"
"""The single run beside the ensemble: its archive of earlier runs stands in for the members', of which none is kept."""
BACK_D = 92
"""The service's longest look back. [d]"""
_PREVIOUS = ("temperature_2m", "wind_speed_10m", "precipitation")
_WEEK = timedelta(days=7)
_WHOLE_AFTER = timedelta(hours=24)
"""A run comes in part by part; by then it is whole, or will never be (judgement: the slowest take half a day)."""


def previous_runs_question(site: Site, desk: Desk) -> Question[PreviousRuns]:
    """What runs up to seven days old said for the hours of the last three months."""
    earlier = [f"{v}_previous_day{d}" for v in _PREVIOUS for d in range(1, MAX_DAY + 1)]
    request = SourceRequest(
        source=OPEN_METEO,
        url=desk.hosts.openmeteo_previous_runs,
        params=openmeteo_params(site)
        | {
            "hourly": ",".join([*_PREVIOUS, *earlier]),
            "models": MODEL,
            "past_days": str(BACK_D),
            "forecast_days": "1",
        },
        site=site_name(site, OPEN_METEO),
        kind="previous-runs",
        secrets=desk.secrets,
        weight=open_meteo_weight(len(earlier) + len(_PREVIOUS), days=BACK_D + 1),
        fresh=_WEEK,
    )
    return Question(request, lambda fetched: parse_previous_runs(fetched.text))


def fetch_previous_runs(site: Site, desk: Desk, *, not_asked: str | None = None) -> PreviousRuns:
    """Get the model's earlier forecasts of the last three months for a site; once a week is enough.

    Args:
        site: where.
        desk: whom to ask.
        not_asked: a reason to ask nobody and to take what is in the store.

    Raises:
        SourceError: no answer, and none in the store that is less than eight weeks old.
        WeatherFileError: it makes no sense, or is for another place.
    """
    question = previous_runs_question(site, desk)

    def read(fetched: Fetched) -> PreviousRuns:
        runs = question.read(fetched)
        check_place(runs, site)
        return runs

    return read_answer(desk, question.request, read, max_age=_WEEK * 8, not_asked=not_asked)


def fetch_single_run(site: Site, desk: Desk, run_time: datetime, *, model: str = MODEL, days: int = AHEAD_D) -> Weather:
    """Get one run of a model as it was issued, to hold it against what came.

    The service has ``ecmwf_ifs025`` from 14 March 2024 on and other models from 2 April 2026 on (its documentation,
    2026). Runs between the main ones are shorter; behind the end of a run there is nothing.

    Args:
        site: where.
        desk: whom to ask.
        run_time: when the run began, aware, on the full hour.
        model: of the forecast service.
        days: from the day of the run on, 1 to 16. [d]

    Returns:
        Weather of kind "forecast" with one member, dated by the run.

    Raises:
        RequestError: no such run time or number of days.
        SourceError: no answer, as when there is no such run, and none in the store.
        WeatherFileError: it makes no sense, is for another place, or begins at another time than the run.
    """
    question = _single_run_question(site, desk, run_time, model, days)

    def read(fetched: Fetched) -> Weather:
        weather = question.read(fetched)
        check_place(weather, site)
        return weather

    return read_answer(desk, question.request, read, max_age=KEPT_FOR)


def _single_run_question(site: Site, desk: Desk, run_time: datetime, model: str, days: int) -> Question[Weather]:
    run = as_run_time(run_time)
    if not 1 <= days <= AHEAD_D:
        raise RequestError(f"{days} days", where="days", fix=f"Ask for 1 to {AHEAD_D} days.")
    request = SourceRequest(
        source=OPEN_METEO,
        url=desk.hosts.openmeteo_single_runs,
        params=openmeteo_params(site)
        | {
            "hourly": ",".join(WITH_CLOUD),
            "models": model,
            "run": f"{run:%Y-%m-%dT%H:%M}",
            "forecast_days": str(days),
        },
        site=site_name(site, OPEN_METEO),
        kind="single-run",
        secrets=desk.secrets,
        weight=open_meteo_weight(len(WITH_CLOUD), days=days),
        fresh=KEPT_FOR if desk.now - run > _WHOLE_AFTER else FRESH,
    )

    def read(fetched: Fetched) -> Weather:
        weather = stamped(parse_single_run(fetched.text, run), fetched)
        return replace(weather, provenance=replace(weather.provenance, model=model))

    return Question(request, read)
