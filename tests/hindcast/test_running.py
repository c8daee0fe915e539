"""Many seasons: the same for any number of processes, kept as they are done, and told when they are."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import fields, replace
from pathlib import Path

import numpy as np
import pytest

from matewindow.errors import RequestError
from matewindow.hindcast import running
from matewindow.hindcast.asof import Ground
from matewindow.hindcast.forecasts import KeptForecasts
from matewindow.hindcast.oneseason import SeasonCases, judge_season
from matewindow.hindcast.running import hindcast
from matewindow.hindcast.seasons import Plan
from matewindow.storedruns import NO_RUNS
from tests.hindcast.made_seasons import SMALL, Planted, small


class StoppedError(Exception):
    """Somebody has had enough."""


def same(one: SeasonCases, other: SeasonCases) -> bool:
    pairs = ((getattr(one, f.name), getattr(other, f.name)) for f in fields(SeasonCases))
    return all(np.array_equal(a, b, equal_nan=np.asarray(a).dtype.kind == "f") for a, b in pairs)


def test_one_process_and_two_find_the_same_to_the_last_digit() -> None:
    ground = replace(small(), forecasts=Planted(small().record, half_d=3.0))
    one, two = (hindcast(ground, SMALL, processes=n) for n in (1, 2))
    assert [s.year for s in two.seasons] == list(SMALL.years)
    assert all(same(a, b) for a, b in zip(one.seasons, two.seasons, strict=True))


def test_another_seed_draws_other_queens_and_leaves_the_odds() -> None:
    one, other = (hindcast(small(), replace(SMALL, seed=seed), processes=1).seasons[0] for seed in (1, 2))
    np.testing.assert_array_equal(one.window_p, other.window_p)
    assert not np.array_equal(one.window_egg_came, other.window_egg_came)


def test_a_run_that_was_stopped_goes_on_where_it_was(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    def stop(done: int, wanted: int) -> None:
        assert wanted == 3
        if done == 2:
            raise StoppedError

    with pytest.raises(StoppedError):
        hindcast(small(), SMALL, processes=1, keep=tmp_path, on_season=stop)
    whole = hindcast(small(), SMALL, processes=1)
    worked: list[int] = []

    def watched(ground: Ground, plan: Plan, year: int) -> SeasonCases:
        worked.append(year)
        return judge_season(ground, plan, year)

    monkeypatch.setattr(running, "judge_season", watched)
    told: list[int] = []
    found = hindcast(small(), SMALL, processes=1, keep=tmp_path, on_season=lambda done, wanted: told.append(done))
    assert worked == [2013]
    assert found.n_kept == 2
    assert told == [2, 3]
    assert all(same(a, b) for a, b in zip(found.seasons, whole.seasons, strict=True))


@pytest.mark.parametrize(
    "change",
    [
        lambda g, p: (replace(g, biology=g.biology.with_values({"mating.flight_rate_per_h": 0.3})), p),
        lambda g, p: (replace(g, record=replace(g.record, temp_c=g.record.temp_c + 0.1)), p),
        lambda g, p: (replace(g, forecasts=Planted(g.record, 3.0)), p),
        lambda g, p: (replace(g, site=replace(g.site, exposure=0.7)), p),
        lambda g, p: (g, replace(p, n_days=p.n_days - 1)),
        lambda g, p: (g, replace(p, seed=5)),
    ],
    ids=["parameter", "weather", "forecasts", "site", "days", "seed"],
)
def test_what_was_kept_serves_only_the_same_question(
    tmp_path: Path, change: Callable[[Ground, Plan], tuple[Ground, Plan]]
) -> None:
    short = replace(SMALL, n_days=2, years=(2011, 2012))
    hindcast(small(), short, processes=1, keep=tmp_path)
    ground, plan = change(small(), short)
    assert hindcast(ground, plan, processes=1, keep=tmp_path).n_kept == 0


def test_fewer_or_more_years_take_over_what_is_kept(tmp_path: Path) -> None:
    short = replace(SMALL, n_days=2, years=(2011, 2012))
    hindcast(small(), short, processes=1, keep=tmp_path)
    assert hindcast(small(), replace(short, years=(2012, 2013)), processes=1, keep=tmp_path).n_kept == 1


def test_a_damaged_season_is_done_again(tmp_path: Path) -> None:
    short = replace(SMALL, n_days=2, years=(2011, 2012))
    first = hindcast(small(), short, processes=1, keep=tmp_path)
    for n, file in enumerate(sorted(tmp_path.iterdir())):
        data = bytearray(file.read_bytes())
        if n:
            data[len(data) // 2] ^= 1
        file.write_bytes(data if n else data[:100])
    again = hindcast(small(), short, processes=1, keep=tmp_path)
    assert again.n_kept == 0
    assert all(same(a, b) for a, b in zip(first.seasons, again.seasons, strict=True))
    assert hindcast(small(), short, processes=1, keep=tmp_path).n_kept == 2


def test_a_folder_that_cannot_be_written_is_named(tmp_path: Path) -> None:
    target = tmp_path / "file"
    target.write_text("no folder")
    with pytest.raises(RequestError, match="cannot be written"):
        hindcast(small(), replace(SMALL, n_days=2, years=(2011,)), processes=1, keep=target)


def test_forecasts_are_others_if_the_rain_is_that_puts_theirs_into_hours() -> None:
    record = small().record
    assert record.rain_mm is not None
    wetter = replace(record, rain_mm=record.rain_mm + 0.1)
    kept = [KeptForecasts(NO_RUNS, rain, small().site, small().biology.flight) for rain in (record, record, wetter)]
    assert kept[0].edition == kept[1].edition != kept[2].edition


def test_a_record_of_window_hours_is_another_if_its_whole_days_were_warmer() -> None:
    """Their mean decides the trend, so what was kept must hang on it."""
    lean = small().record.window_only
    assert lean.daily_temp_c is not None
    warmer = replace(lean, daily_temp_c=lean.daily_temp_c + 0.1)
    assert replace(small(), record=lean).edition != replace(small(), record=warmer).edition
