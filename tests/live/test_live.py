"""Live weather end to end: what is kept, how it ages, how the archive is filled, who is asked and with which key."""

from __future__ import annotations

import gzip
import json
import logging
from collections import Counter
from dataclasses import replace
from datetime import date, timedelta
from typing import TYPE_CHECKING

import numpy as np
import pytest

from matewindow.errors import RequestError, SourceError
from matewindow.hours import hourly_outlook
from matewindow.live import live_sources
from matewindow.paths import ensemble_weight
from matewindow.weather.store import WeatherStore
from tests.live.helpers import (
    AMERICA,
    BIOLOGY,
    BRITAIN,
    GERMANY,
    YEARS,
    answered,
    attempts,
    decide,
    desk_at,
    later,
    pull,
    settings_of,
    sound,
)
from tests.loopback.exchange import NOW

if TYPE_CHECKING:
    from collections.abc import Callable
    from pathlib import Path

    from matewindow.live import Live
    from tests.loopback.server import LoopbackServer

pytestmark = pytest.mark.allow_hosts(["127.0.0.1"])

KEY = "k3y-that/nobody&may=see"


def asked_years(server: LoopbackServer) -> list[int]:
    """The years for which the archive was asked, in the order of the calls."""
    return [int(e.request.text("start_date")[:4]) for e in server.calls("open-meteo-archive")]


def warmth(live: Live) -> np.ndarray:
    """Temperatures of all members as they came."""
    ensemble = live.gathered.weather.ensemble
    assert ensemble is not None
    values = ensemble.values("temp_c")
    assert values is not None
    return values


# --- what is kept -------------------------------------------------------------------------------------------


def test_a_second_pull_within_freshness_asks_nobody_and_gives_the_same(server: LoopbackServer, warm: Path) -> None:
    first = pull(server, GERMANY, warm)
    later(server, minutes=59)
    second = pull(server, GERMANY, warm)

    # notes about the newest run are asked for with a new ensemble only
    assert server.calls() == []
    assert [answered(second, part) for part in ("ensemble", "forecast", "observed", "past years")] == [
        "Open-Meteo, fresh",
        "Open-Meteo, fresh",
        "Bright Sky (DWD), fresh",
        "Open-Meteo archive, fresh",
    ]
    assert np.array_equal(warmth(first), warmth(second))
    assert decide(second, GERMANY, server).sentence == decide(first, GERMANY, server).sentence


def test_answers_are_kept_packed_as_they_came_with_the_normal_form_beside(
    server: LoopbackServer, tmp_path: Path
) -> None:
    pull(server, GERMANY, tmp_path)
    pull(server, AMERICA, tmp_path)
    store = WeatherStore(tmp_path, now=server.clock.now)
    kinds = Counter((e.key.source, e.key.kind) for e in store.entries())

    weather = {
        ("open-meteo", "ensemble"),
        ("open-meteo", "forecast"),
        ("open-meteo", "analysis"),
        ("bright-sky", "forecast"),
    }
    assert weather <= set(kinds)
    assert kinds["open-meteo", "analysis"] == 2 * (YEARS + 1)
    for entry in store.entries():
        body = gzip.decompress((entry.folder / "body.gz").read_bytes())
        assert len(body) == entry.n_bytes
        assert (entry.folder / "body.gz").stat().st_size < 0.5 * entry.n_bytes or entry.n_bytes < 1000
        assert json.loads(body)
        if (entry.key.source, entry.key.kind) in weather:
            normal = store.load_normal(entry)
            assert normal is not None
            assert normal.provenance.fetched_at == entry.fetched_at


# --- ageing -------------------------------------------------------------------------------------------------


def test_with_every_service_down_the_last_answer_serves_for_three_days_with_its_age_and_ever_less_weight(
    server: LoopbackServer, warm: Path, tell: Callable[[str, str], None]
) -> None:
    """Leads count from the day of the run, so that the same day after tomorrow weighs less and less."""
    weights = []
    for hours in (2, 24, 48, 71):
        server.clock.set(NOW)
        later(server, hours=hours)
        server.faults.on("refused")
        live = pull(server, GERMANY, warm)
        server.faults.off()
        now = server.clock.now()
        ahead = (now + timedelta(days=3)).date()
        day = hourly_outlook(GERMANY, live.sources, ahead, 1, now, BIOLOGY)[0]
        members = live.sources.members
        assert members is not None
        lead = np.array(float((ahead - date(2026, 5, 31)).days))  # the run of 31 May, 18 UTC
        assert members.issued == np.datetime64("2026-05-31")
        assert day.forecast_weight == pytest.approx(float(ensemble_weight(lead, BIOLOGY.forecast)))
        weights.append(day.forecast_weight or 0.0)
        for part in ("ensemble", "forecast"):
            assert answered(live, part) == "Open-Meteo, stale"
            assert any(r.startswith(f"The {part} of Open-Meteo is {hours} hours old; ") for r in live.sources.remarks)
        assert any(
            r.startswith(f"The observations of Bright Sky (DWD) are {hours} hours old; ") for r in live.sources.remarks
        )
        decision = decide(live, GERMANY, server)
        tell("ageing, every service down", f"{hours:>3} h: weight of the ensemble three days ahead {weights[-1]:.2f}")
        assert set(live.sources.remarks) <= set(decision.warnings)
    assert weights == sorted(weights, reverse=True)
    assert weights[-1] < weights[0] - 0.1


def test_after_three_days_past_years_alone_answer_and_it_is_said(server: LoopbackServer, warm: Path) -> None:
    later(server, days=3, minutes=1)
    server.faults.on("refused")

    live = pull(server, GERMANY, warm)
    decision = decide(live, GERMANY, server)

    assert (answered(live, "ensemble"), answered(live, "forecast")) == ("nobody", "nobody")
    assert answered(live, "past years") == "Open-Meteo archive, stale"
    assert decision.shares == {"observed": 0.0, "forecast": 0.0, "past_years": 1.0}
    assert "No forecast was given." in decision.warnings
    for service, part in (("Open-Meteo", "ensemble"), ("DWD MOSMIX", "ensemble"), ("MET Norway", "forecast")):
        assert any(w.startswith(f"{service} gave no {part}: it could not be reached") for w in decision.warnings)


def test_with_nothing_young_enough_in_the_store_the_error_lists_every_reason(
    server: LoopbackServer, tmp_path: Path
) -> None:
    """Trade without a key keeps no past years, so that after three days nothing is left."""
    pull(server, GERMANY, tmp_path, trade=True)
    later(server, days=3, minutes=1)
    server.faults.on("refused")

    with pytest.raises(SourceError) as error:
        pull(server, GERMANY, tmp_path, trade=True)

    text = str(error.value)
    assert text.startswith(
        "The weather services gave no weather: none of them could be used, and the store holds nothing"
    )
    for who in ("DWD MOSMIX, ensemble", "MET Norway, ensemble", "Bright Sky (DWD), forecast", "MET Norway, forecast"):
        assert f"{who}: it could not be reached (ConnectionRefusedError)" in text
    assert "Open-Meteo, ensemble, forecast and past years: its free service is not for trade" in text


def test_an_entry_from_a_clock_that_was_ahead_is_never_the_last_good_one(
    server: LoopbackServer, tmp_path: Path
) -> None:
    later(server, days=2)
    pull(server, BRITAIN, tmp_path, years=1)
    server.clock.set(NOW)
    server.faults.on("refused")

    with pytest.raises(SourceError, match="none of them could be used"):
        pull(server, BRITAIN, tmp_path, years=1)


# --- nonsense -----------------------------------------------------------------------------------------------


@pytest.mark.parametrize("fault", ["wrong_coordinates", "all_nulls", "stale_run", "slow_clock"])
def test_nonsense_never_takes_the_place_of_the_last_good_answer(fault: str, server: LoopbackServer, warm: Path) -> None:
    """Not when it comes, not when it is found in the store later, and not for longer than it lasts."""
    good = warmth(pull(server, GERMANY, warm))
    for minutes in (120, 5, 60):  # within ten minutes the nonsense is not asked for again, later it is
        later(server, minutes=minutes)
        n_asked = len(server.calls("open-meteo-ensemble", path="/v1"))
        server.faults.on(fault)
        live = pull(server, GERMANY, warm)
        server.faults.off()
        assert (answered(live, "ensemble"), answered(live, "forecast")) == ("Open-Meteo, stale", "Open-Meteo, stale")
        assert np.array_equal(warmth(live), good)
        assert len(server.calls("open-meteo-ensemble", path="/v1")) - n_asked == (minutes > 10)
    later(server, minutes=11)
    live = pull(server, GERMANY, warm)
    assert answered(live, "ensemble") == "Open-Meteo, network"
    assert not np.array_equal(warmth(live), good)
    assert sound(warm, server)


def test_an_older_run_in_an_answer_that_serves_two_parts_is_refused_again_and_again(
    server: LoopbackServer, tmp_path: Path
) -> None:
    """MET Norway gives one answer for spread and course; the site is Nordic, so that it is asked first."""
    oslo = replace(BRITAIN, latitude=59.91, longitude=10.75, timezone="Europe/Oslo")
    pull(server, oslo, tmp_path, years=1)
    for _ in range(3):
        later(server, hours=7)
        server.faults.on("refused", "open-meteo-forecast")
        server.faults.on("stale_run", "met-norway")
        live = pull(server, oslo, tmp_path, years=1)
        server.faults.off()
        assert answered(live, "forecast") == "MET Norway, stale"
        (said,) = (r for r in live.sources.remarks if r.startswith("The forecast of MET Norway"))
        assert "no newer one: it gave the run of " in said


def test_a_year_of_nonsense_is_asked_for_again_and_does_not_keep_back_the_others(
    server: LoopbackServer, tmp_path: Path
) -> None:
    """Unmarked it would be taken for settled, and be fresh for ten years."""
    server.faults.on("all_nulls", "open-meteo-archive", times=1)
    live = pull(server, GERMANY, tmp_path)
    assert asked_years(server) == [2026, 2025, 2024]
    (lacking,) = (r for r in live.sources.remarks if r.startswith("Open-Meteo archive"))
    assert lacking.startswith("Open-Meteo archive gave not all past years: 1 of 3 are lacking (column temperature_2m")

    later(server, minutes=11)
    live = pull(server, GERMANY, tmp_path)
    assert asked_years(server) == [2026, 2025, 2024, 2026]
    assert not any("archive" in r for r in live.sources.remarks)


# --- the archive --------------------------------------------------------------------------------------------


def test_the_archive_is_asked_year_by_year_from_now_back_and_nothing_twice(
    server: LoopbackServer, tmp_path: Path
) -> None:
    done: list[tuple[int, int]] = []
    with desk_at(server, tmp_path) as desk:
        live = live_sources(
            GERMANY, BIOLOGY, desk, settings_of(tmp_path), years=6, on_year=lambda n, of: done.append((n, of))
        )

    assert asked_years(server) == [2026, 2025, 2024, 2023, 2022, 2021, 2020]
    assert done == [(n, 7) for n in range(1, 8)]
    assert live.gathered.weather.past is not None
    assert str(live.gathered.weather.past.times[0]) == "2020-01-01T00:00:00"
    later(server, hours=2)
    pull(server, GERMANY, tmp_path, years=6)
    assert len(asked_years(server)) == 7
    later(server, days=1)
    pull(server, GERMANY, tmp_path, years=6)
    assert asked_years(server)[7:] == [2026]  # a day more of the current year, and no other


def test_a_fetch_that_was_broken_off_goes_on_where_it_ended(server: LoopbackServer, tmp_path: Path) -> None:
    def break_off(done: int, wanted: int) -> None:
        if done == 3:
            raise KeyboardInterrupt

    with desk_at(server, tmp_path) as desk, pytest.raises(KeyboardInterrupt):
        live_sources(GERMANY, BIOLOGY, desk, settings_of(tmp_path), years=6, on_year=break_off)
    assert asked_years(server) == [2026, 2025, 2024]

    pull(server, GERMANY, tmp_path, years=6)
    assert asked_years(server) == [2026, 2025, 2024, 2023, 2022, 2021, 2020]


def test_when_the_quota_ends_half_way_the_years_that_are_there_serve_and_the_rest_comes_later(
    server: LoopbackServer, tmp_path: Path
) -> None:
    """600 weighted calls a minute; all but 63 are used up already: 24 for the ensemble, 5 for the current year and
    10 for each year before it, so that 2025, 2024 and 2023 still fit."""
    with desk_at(server, tmp_path) as desk:
        desk.client.budget.reserve(537.0)
        live = live_sources(GERMANY, BIOLOGY, desk, settings_of(tmp_path), years=9)
        used = desk.client.budget.state()[0].used

    assert asked_years(server) == [2026, 2025, 2024, 2023]
    assert used <= 600.0
    (said,) = (r for r in live.sources.remarks if r.startswith("Open-Meteo archive"))
    assert said.startswith(
        "Open-Meteo archive gave not all past years: 6 of 10 are lacking (this request weighs 10 calls"
    )
    assert said.endswith("it is asked again from 01 June 06:01 UTC on).")
    decision = decide(live, GERMANY, server)
    assert decision.years == 3
    assert said in decision.warnings
    assert "Only 3 past years; 20 or more are wanted." in decision.warnings

    later(server, minutes=1)
    live = pull(server, GERMANY, tmp_path, years=9)
    assert sorted(asked_years(server)) == list(range(2017, 2027))
    assert not any("archive" in r for r in live.sources.remarks)


def test_when_the_archive_refuses_half_way_it_is_left_alone_and_the_years_that_are_there_serve(
    server: LoopbackServer, tmp_path: Path
) -> None:
    def refuse(done: int, wanted: int) -> None:
        if done == 4:
            server.faults.on("throttled", "open-meteo-archive")

    with desk_at(server, tmp_path) as desk:
        live = live_sources(GERMANY, BIOLOGY, desk, settings_of(tmp_path), years=9, on_year=refuse)

    assert asked_years(server) == [2026, 2025, 2024, 2023, 2022]
    (said,) = (r for r in live.sources.remarks if r.startswith("Open-Meteo archive"))
    assert "6 of 10 are lacking (it answered 429 (Hourly API request limit exceeded." in said
    assert decide(live, GERMANY, server).years == 3
    later(server, hours=1, minutes=1)
    pull(server, GERMANY, tmp_path, years=9)
    assert sorted(asked_years(server)) == sorted([*range(2017, 2027), 2022])


def test_an_archive_that_is_down_is_said_when_the_current_year_grows_old(server: LoopbackServer, warm: Path) -> None:
    later(server, hours=26)
    server.faults.on("unavailable", "open-meteo-archive")

    live = pull(server, GERMANY, warm)

    said = "The past years of Open-Meteo archive are 26 hours old; no newer one: it answered 503"
    assert any(r.startswith(said) for r in live.sources.remarks)
    past = live.gathered.weather.past
    assert past is not None
    assert str(past.times[-1])[:10] == "2026-05-26"  # six days before yesterday's pull


# --- trade and keys -----------------------------------------------------------------------------------------


def test_trade_without_a_key_leaves_open_meteo_out_and_says_so(server: LoopbackServer, tmp_path: Path) -> None:
    live = pull(server, GERMANY, tmp_path, trade=True)

    assert server.calls("open-meteo") == []
    assert (answered(live, "ensemble"), answered(live, "forecast")) == (
        "DWD MOSMIX, network",
        "Bright Sky (DWD), fresh",
    )
    (out,) = attempts(live, "ensemble, forecast and past years")
    assert (out.service, out.outcome) == ("Open-Meteo", "left out")
    said = "Open-Meteo was not asked for ensemble, forecast and past years: its free service is not for trade"
    assert any(r.startswith(said) for r in live.sources.remarks)
    assert live.sources.past is None
    with pytest.raises(RequestError) as error:  # a window that begins 17 days ahead stands on them alone
        decide(live, GERMANY, server)
    assert "where it lacks them, `matewindow weather get` shows why" in str(error.value)


def test_a_key_goes_to_the_paid_hosts_alone_and_is_found_nowhere_else(
    server: LoopbackServer, tmp_path: Path, caplog: pytest.LogCaptureFixture
) -> None:
    """Failures are provoked as well, since errors like to quote addresses."""
    caplog.set_level(logging.DEBUG)
    settings = settings_of(tmp_path, trade=True, openmeteo_api_key=KEY)
    with desk_at(server, tmp_path, trade=True, openmeteo_api_key=KEY) as desk:
        live = live_sources(GERMANY, BIOLOGY, desk, settings, years=2)
        shown = [repr(desk), repr(settings), repr(live.gathered.attempts), repr(live.sources.remarks)]
        assert desk.client.budget.state()[2].used == 0.0  # who pays has no quota of ours
    for fault in ("broken", "reset", "html", "throttled"):
        later(server, days=1)
        server.faults.on(fault, "open-meteo")
        again = pull(server, GERMANY, tmp_path, years=2, trade=True, openmeteo_api_key=KEY)
        shown += [repr(again.gathered.attempts), *again.sources.remarks]
        server.faults.off()

    calls = server.calls("open-meteo")
    assert len({e.request.service for e in calls}) == 4
    for e in calls:
        assert e.request.headers["host"].startswith("customer-")
        assert e.request.text("apikey") == KEY
    assert all("apikey" not in e.request.raw_query for e in server.log if e not in calls)
    shown += [record.getMessage() for record in caplog.records]
    assert any("/v1/ensemble" in text for text in shown)  # the log is on
    spellings = (KEY, "k3y-that%2Fnobody%26may%3Dsee")
    assert not any(k in text for text in shown for k in spellings)
    for path in tmp_path.rglob("*"):
        if path.is_file():
            data = path.read_bytes()
            data += gzip.decompress(data) if path.suffix == ".gz" else b""
            assert not any(k.encode() in data for k in spellings)
