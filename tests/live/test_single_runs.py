"""One run of a model as it was issued, fetched: what is asked, what it says of which hour, how long it lasts."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta, timezone
from typing import TYPE_CHECKING, Any

import numpy as np
import pytest

from matewindow.errors import RequestError, SourceError, WeatherFileError
from matewindow.weather.budget import open_meteo_weight
from matewindow.weather.openmeteo_runs_fetch import fetch_previous_runs, fetch_single_run
from tests.live.helpers import BRITAIN, desk_at, later, sound
from tests.loopback.exchange import NOW
from tests.loopback.scenario import HOUR_S, Place

if TYPE_CHECKING:
    from pathlib import Path

    from tests.loopback.server import LoopbackServer

pytestmark = pytest.mark.allow_hosts(["127.0.0.1"])

RUN = datetime(2026, 5, 20, 0, tzinfo=UTC)


def single_run_calls(server: LoopbackServer) -> list[Any]:
    return server.calls("open-meteo-single-runs")


@pytest.mark.parametrize("model", ["ecmwf_ifs", "icon_seamless"])
def test_every_hour_of_a_run_is_what_that_run_said_of_it_and_of_no_other_hour(
    model: str, server: LoopbackServer, tmp_path: Path
) -> None:
    """Against the stand-in's own weather: the mean of an hour's two ends, the sum of the hour. Off by an hour it would
    miss by degrees. Values are told to 0.1 °C and m/s and to 0.01 mm."""
    with desk_at(server, tmp_path) as desk:
        weather = fetch_single_run(BRITAIN, desk, RUN, model=model, days=3)

    stamps = int(RUN.timestamp()) + HOUR_S * np.arange(72)
    place = Place(BRITAIN.latitude, BRITAIN.longitude, BRITAIN.elevation_m)
    said = server.scenario.forecast(place, stamps, int(RUN.timestamp()), model)
    assert [str(t) for t in weather.times[[0, -1]]] == ["2026-05-20T00:00:00", "2026-05-22T22:00:00"]
    for name, told, rounded in (("temp_c", said.temp_c[0], 0.051), ("wind_ms", said.wind_ms[0], 0.051)):
        values = weather.values(name)
        assert values is not None
        assert np.abs(values[0] - 0.5 * (told[:-1] + told[1:])).max() < rounded
    rain = weather.values("rain_mm")
    assert rain is not None
    assert np.abs(rain[0] - said.rain_mm[0][1:]).max() < 0.0051
    p = weather.provenance
    assert (p.run_time, p.model, p.kind, p.fetched_at) == (RUN, model, "forecast", NOW)


def test_it_is_asked_by_its_time_in_utc_and_weighs_what_the_service_counts(
    server: LoopbackServer, tmp_path: Path
) -> None:
    with desk_at(server, tmp_path) as desk:
        fetch_single_run(BRITAIN, desk, RUN.astimezone(timezone(timedelta(hours=2))))
        used = desk.client.budget.state()[0].used

    (call,) = single_run_calls(server)
    assert call.request.text("run") == "2026-05-20T00:00"
    assert call.request.text("models") == "ecmwf_ifs025"
    assert used == call.weight == open_meteo_weight(5, days=16) == 1.0


def test_an_old_run_is_asked_for_once_and_a_young_one_again_until_it_is_whole(
    server: LoopbackServer, tmp_path: Path
) -> None:
    young = datetime(2026, 5, 31, 18, tzinfo=UTC)
    with desk_at(server, tmp_path) as desk:
        for run in (RUN, young):
            for _ in range(2):
                fetch_single_run(BRITAIN, desk, run)
    assert len(single_run_calls(server)) == 2
    later(server, hours=2)
    with desk_at(server, tmp_path) as desk:
        for run in (RUN, young):
            fetch_single_run(BRITAIN, desk, run)
    assert [c.request.text("run") for c in single_run_calls(server)[2:]] == ["2026-05-31T18:00"]
    later(server, days=400)
    server.faults.on("refused")
    with desk_at(server, tmp_path) as desk:
        assert fetch_single_run(BRITAIN, desk, RUN).provenance.run_time == RUN
    assert sound(tmp_path, server)


def test_a_key_goes_to_the_paid_host(server: LoopbackServer, tmp_path: Path) -> None:
    with desk_at(server, tmp_path, openmeteo_api_key="k3y") as desk:
        fetch_single_run(BRITAIN, desk, RUN)
        assert desk.client.budget.state()[0].used == 0.0
    (call,) = single_run_calls(server)
    assert call.request.headers["host"] == "customer-single-runs-api.open-meteo.com"
    assert call.request.text("apikey") == "k3y"


@pytest.mark.parametrize(
    ("run", "days", "words"),
    [
        (RUN.replace(tzinfo=None), 3, "no run time"),
        (RUN.replace(minute=30), 3, "no run time"),
        (RUN, 0, "0 days"),
        (RUN, 17, "17 days"),
    ],
)
def test_what_cannot_be_a_run_is_not_asked_for(
    run: datetime, days: int, words: str, server: LoopbackServer, tmp_path: Path
) -> None:
    with desk_at(server, tmp_path) as desk, pytest.raises(RequestError, match=words):
        fetch_single_run(BRITAIN, desk, run, days=days)
    assert server.calls() == []


def test_a_run_that_the_service_does_not_have_is_said_in_its_words(server: LoopbackServer, tmp_path: Path) -> None:
    with desk_at(server, tmp_path) as desk, pytest.raises(SourceError, match="No data is available"):
        fetch_single_run(BRITAIN, desk, RUN.replace(hour=1))


@pytest.mark.parametrize("fault", ["wrong_coordinates", "all_nulls", "undefined_units", "temperature_200"])
def test_nonsense_is_refused_and_asked_for_again_soon(fault: str, server: LoopbackServer, tmp_path: Path) -> None:
    """Unmarked it would be fresh for ten years."""
    server.faults.on(fault, "open-meteo-single-runs", times=1)
    with desk_at(server, tmp_path) as desk:
        with pytest.raises(WeatherFileError):
            fetch_single_run(BRITAIN, desk, RUN)
        later(server, minutes=11)
        assert fetch_single_run(BRITAIN, desk, RUN).provenance.run_time == RUN


def test_a_run_agrees_with_what_the_service_tells_of_it_among_previous_runs(
    server: LoopbackServer, tmp_path: Path
) -> None:
    """The hours 24 to 26 after a run of a model that runs every six hours are told by that run one day ahead; of its
    next step of three hours the end is told by the next run."""
    with desk_at(server, tmp_path) as desk:
        alone = fetch_single_run(BRITAIN, desk, RUN, days=3)
        runs = fetch_previous_runs(BRITAIN, desk)

    values, told = alone.values("temp_c"), runs.earlier["temp_c"][1]
    assert values is not None
    in_run, among = ({str(t): v for t, v in zip(times, v_s, strict=True)} for times, v_s in (
        (alone.times, values[0]), (runs.times, told)))  # fmt: skip
    for hour in range(3):
        stamp = f"2026-05-21T{hour:02d}:00:00"
        assert in_run[stamp] == pytest.approx(among[stamp], abs=1e-9)
