"""What Open-Meteo forecast earlier: previous runs, single runs, and when a run was made.

Columns mean what they mean in a forecast (see ``openmeteo``): temperature, wind and cloud at the instant, rain
and radiation of the hour before the stamp.

**Previous runs** put beside each column what older runs said for the same hours. ``<column>_previous_dayN`` is
from the newest run that was at least 24 N hours old at that hour, so its lead is 24 N hours and up to one
interval between two runs more (5 h or so for global models). The column without a suffix is from the newest
run of all, at a lead of a few hours. That is still a forecast and no observation: errors are to be taken
against a station or a reanalysis.

**Single runs** are one forecast as it was issued. Sums and means of the preceding hour have no value at the
run's own time, and behind the run's horizon all is null.

Neither says in its answer when a run was made. That stands in the **run metadata** of the model, which is to be
read before and after the forecast: if it has changed in between, nobody knows which run the forecast was.
"""

from __future__ import annotations

import re
from dataclasses import dataclass, replace
from datetime import UTC, datetime, timedelta
from typing import TYPE_CHECKING, Any

import numpy as np

from matewindow.errors import RequestError
from matewindow.weather.files import fault, json_object, read_text, shown
from matewindow.weather.hours import hour_records
from matewindow.weather.openmeteo import answer_of_one_place, hourly_block, parse_forecast, provenance_of
from matewindow.weather.openmeteo_columns import WIRE, column_values

if TYPE_CHECKING:
    from collections.abc import Mapping
    from pathlib import Path

    from numpy.typing import NDArray

    from matewindow.weather.normal import Provenance, Weather

    Floats = NDArray[np.float64]
    Times = NDArray[np.datetime64]

MAX_DAY = 7
"""The service keeps no runs that are older."""
LATE_START = timedelta(hours=3)
"""A run's first hour with values: that of the run itself, or one step of a model that starts with its first step."""

_KEY = re.compile(
    rf"({'|'.join(WIRE)})(?:_previous_day(\d{{1,3}}))?(?:_(?!member|spread|mean|max|min|anomaly|instant)([a-z]\w*))?",
    re.ASCII,
)
_ASK = "Ask for hourly=temperature_2m,temperature_2m_previous_day1 and so on, up to day 7."
_END_S = int(datetime(2200, 1, 1, tzinfo=UTC).timestamp())
_NEWEST = 0


@dataclass(frozen=True, eq=False)
class PreviousRuns:
    """What runs of different ages said for the same hours, at one place.

    Attributes:
        times: starts of the hours, UTC, ``datetime64[s]``, without gaps, shape (n_hours,).
        newest: column of the normal form -> its values from the newest run, NaN where missing, shape
            (n_hours,). A column that was not asked for is absent.
        earlier: column -> lead day N, 1 to 7 -> likewise from the run that was N days old. Columns and days
            without any value are absent.
        provenance: where it came from; the notes name what was left out.
    """

    times: Times
    newest: Mapping[str, Floats]
    earlier: Mapping[str, Mapping[int, Floats]]
    provenance: Provenance


@dataclass(frozen=True)
class RunMetadata:
    """The newest run of a model that the service has. Times are aware UTC.

    Attributes:
        run_time: when the run begins.
        available_at: from when the service could answer from it.
        update_interval: from one run to the next.
        native_step: between two steps of the model, before the service fills in hours.
        data_end: last time that the service holds, None if it does not say.
    """

    run_time: datetime
    available_at: datetime
    update_interval: timedelta
    native_step: timedelta
    data_end: datetime | None


def read_previous_runs(path: str | Path) -> PreviousRuns:
    """Read a saved answer of the previous runs service. See ``parse_previous_runs``."""
    return parse_previous_runs(read_text(path), file=str(path))


def read_single_run(path: str | Path, run_time: datetime) -> Weather:
    """Read a saved answer of the single runs service. See ``parse_single_run``."""
    return parse_single_run(read_text(path), run_time, file=str(path))


def read_run_metadata(path: str | Path) -> RunMetadata:
    """Read saved run metadata. See ``parse_run_metadata``."""
    return parse_run_metadata(read_text(path), file=str(path))


def parse_previous_runs(text: str, *, file: str | None = None) -> PreviousRuns:
    """Read an answer of the previous runs service for one place and one model.

    No column is required but one ``_previous_dayN`` with values: errors of temperature can be learnt without
    any wind.

    Args:
        text: the answer, JSON.
        file: name of the file it was saved in, for errors and for the provenance.

    Returns:
        All columns of the normal form that are in it, over the hours from the first to the last of which
        anything is known.

    Raises:
        WeatherFileError: as for a forecast (``openmeteo.parse_forecast``), no column of a previous run with any
            value, or a day other than 1 to 7.
    """
    where = file or "Open-Meteo answer (previous runs)"
    answer = answer_of_one_place(text, where)
    hourly, units, times = hourly_block(answer, where)
    model, keys = _choose_keys(hourly, where)
    notes: list[str] = []
    stamped: dict[str, dict[str, Floats]] = {"instant": {}, "preceding": {}}
    for (column, day), key in keys.items():
        wire = WIRE[column]
        values = column_values(hourly[key], units.get(key), wire, times, f"{where}, column {key}")
        if values is None:
            notes.append(f"{key} holds no value and was left out")
        else:
            stamped[wire.stamped][f"{wire.name} {day}"] = values
    hours, records = _known(*hour_records(times, **stamped)) if any(stamped.values()) else (times, {})
    newest: dict[str, Floats] = {}
    earlier: dict[str, dict[int, Floats]] = {}
    for label, record in records.items():
        name, age = label.split()
        if int(age) == _NEWEST:
            newest[name] = record
        else:
            earlier.setdefault(name, {})[int(age)] = record
    if not earlier:
        raise fault("no column of a previous run holds any value", where, _ASK)
    ordered = {name: dict(sorted(days.items())) for name, days in earlier.items()}
    return PreviousRuns(hours, newest, ordered, provenance_of(answer, "forecast", model, file, notes, where))


def parse_single_run(text: str, run_time: datetime, *, file: str | None = None) -> Weather:
    """Read an answer of the single runs service for one place and one model.

    Args:
        text: the answer, JSON.
        run_time: the run that was asked for: its initialisation, on the full hour. The answer does not say.
        file: name of the file it was saved in, for errors and for the provenance.

    Returns:
        Weather of kind "forecast" with one member and its run time, from the run's first hour to its horizon.

    Raises:
        WeatherFileError: as ``openmeteo.parse_forecast``; values for hours before the run, or none until 3 hours
            after it, so that it must be another run.
        RequestError: a run time without a time zone or off the hour.
    """
    run_time = as_run_time(run_time)
    where = file or "Open-Meteo answer (single run)"
    weather = parse_forecast(text, file=where)
    first = weather.times[0].astype("datetime64[s]").astype(datetime).replace(tzinfo=UTC)
    if not run_time <= first <= run_time + LATE_START:
        order = "before" if first < run_time else f"more than {LATE_START // timedelta(hours=1)} hours after"
        what = f"its first hour with values, {first:%Y-%m-%dT%H:%MZ}, lies {order} the run, {run_time:%Y-%m-%dT%H:%MZ}"
        raise fault(what, where, "Give the run that was asked for, or ask for that run again.")
    return replace(weather, provenance=replace(weather.provenance, run_time=run_time, file=file))


def as_run_time(moment: datetime) -> datetime:
    """The time of a run in UTC.

    Raises:
        RequestError: no time zone, or off the hour.
    """
    if moment.tzinfo is None or moment.astimezone(UTC).replace(minute=0, second=0, microsecond=0) != moment:
        what = f"{moment.isoformat()} is no run time"
        raise RequestError(what, where="run_time", fix="Give a full hour with its time zone.")
    return moment.astimezone(UTC)


def parse_run_metadata(text: str, *, file: str | None = None) -> RunMetadata:
    """Read the metadata of a model's newest run (``meta.json``).

    Args:
        text: the answer, JSON; times are epoch seconds in UTC.
        file: name of the file it was saved in, for errors.

    Raises:
        WeatherFileError: no such answer, a time or an interval that is missing or none, a run that was available
            before it began. The text names the key.
    """
    where = file or "Open-Meteo run metadata"
    answer = json_object(text, where)
    run_time = _time(answer, "last_run_initialisation_time", where)
    available_at = _time(answer, "last_run_availability_time", where)
    if available_at < run_time:
        raise fault("the run was available before it began", f"{where}, last_run_availability_time")
    return RunMetadata(
        run_time,
        available_at,
        _interval(answer, "update_interval_seconds", where),
        _interval(answer, "temporal_resolution_seconds", where),
        None if answer.get("data_end_time") is None else _time(answer, "data_end_time", where),
    )


# --- columns -------------------------------------------------------------------------------------------


def _choose_keys(hourly: dict[str, Any], where: str) -> tuple[str, dict[tuple[str, int], str]]:
    """The one model in the answer ("" if the columns do not name it); (column, day, 0 the newest) -> key."""
    models: dict[str, dict[tuple[str, int], str]] = {}
    for key in hourly:
        form = _KEY.fullmatch(key)
        if form is None:
            continue
        if form[2] and not 1 <= int(form[2]) <= MAX_DAY:
            raise fault(f"there is no such day as {int(form[2])}", f"{where}, column {key}", _ASK)
        models.setdefault(form[3] or "", {})[form[1], int(form[2] or _NEWEST)] = key
    with_runs = [model for model, keys in models.items() if any(day != _NEWEST for _, day in keys)]
    if len(with_runs) > 1:
        names = ", ".join(model or "one without a name" for model in with_runs)
        raise fault(f"it holds several models: {names}", where, "Ask for one model.")
    if not with_runs:
        raise fault("there is no column of a previous run in it (none ends in _previous_day1)", where, _ASK)
    return with_runs[0], models[with_runs[0]]


def _known(hours: Times, records: dict[str, Floats]) -> tuple[Times, dict[str, Floats]]:
    """Cut off hours at both ends of which nothing is known."""
    usable = np.flatnonzero(np.any([np.isfinite(record) for record in records.values()], axis=0))
    if len(usable) == 0:
        return hours, {}
    kept = slice(usable[0], usable[-1] + 1)
    return hours[kept].astype("datetime64[s]"), {label: record[kept] for label, record in records.items()}


# --- run metadata --------------------------------------------------------------------------------------


def _time(answer: dict[str, Any], key: str, where: str) -> datetime:
    seconds = answer.get(key)
    if type(seconds) is not int or not 0 < seconds < _END_S:
        raise _wrong(seconds, key, where, "no time in epoch seconds")
    return datetime.fromtimestamp(seconds, UTC)


def _interval(answer: dict[str, Any], key: str, where: str) -> timedelta:
    seconds = answer.get(key)
    if type(seconds) is not int or not 0 < seconds <= timedelta(days=366).total_seconds():
        raise _wrong(seconds, key, where, "no interval in seconds")
    return timedelta(seconds=seconds)


def _wrong(value: object, key: str, where: str, what: str) -> Exception:
    return fault("it is missing" if value is None else f"{shown(value)} is {what}", f"{where}, {key}")
