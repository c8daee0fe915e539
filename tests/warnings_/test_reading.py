"""Readings of real outlooks: what they hold, how they are kept, and what makes two of them comparable."""

from __future__ import annotations

import json
from dataclasses import replace
from datetime import UTC, date, datetime, timedelta
from functools import lru_cache
from typing import TYPE_CHECKING, Any

import numpy as np
import pytest

from matewindow.biology import load_biology
from matewindow.errors import StoreError
from matewindow.outlook import Outlook, batch_outlook
from matewindow.paths import Sources
from matewindow.timeline import Batch, Check, graft_time
from matewindow.warnings.reading import Reading, reading_of
from matewindow.warnings.state import State
from tests.made_weather import by_hours, changeable, stand
from tests.warnings_.made_readings import course, run

if TYPE_CHECKING:
    from matewindow.site import Site
    from matewindow.siteweather import SiteWeather

BIOLOGY = load_biology()
SITE = stand()
BATCH = Batch(graft_time(date(2026, 5, 10), SITE))  # virgins emerge on 22 May
BORN = date(2026, 5, 22)
RECORD = by_hours("2026-05-01", np.full(90, 2.0))


@lru_cache
def past_years() -> SiteWeather:
    return changeable("2014-01-01", 4383, np.random.default_rng(5), warmth_c=13.0)


def sources(now: datetime, **changes: Any) -> Sources:
    members = by_hours(str(now.date()), np.full((10, 15), 2.0), kind="ensemble")
    return replace(Sources(observed=RECORD, members=members, past=past_years()), **changes)


def on_age(age: int, hour: int = 8) -> datetime:
    return datetime(2026, 5, 22, hour, tzinfo=UTC) + timedelta(days=age)


@lru_cache
def found(age: int, batch: Batch = BATCH) -> Outlook:
    return batch_outlook(batch, SITE, sources(on_age(age)), on_age(age), BIOLOGY)


def read(age: int, batch: Batch = BATCH, site: Site = SITE, **changes: Any) -> Reading:
    return reading_of(found(age, batch), site, sources(on_age(age), **changes), BIOLOGY, f"otlk_{age}")


def looked(age: int, saw: str) -> Batch:
    return replace(BATCH, checks=(Check(BORN + timedelta(days=age), saw),))  # type: ignore[arg-type]


def test_a_reading_has_the_odds_the_losses_and_the_shares_of_its_outlook() -> None:
    reading, outlook = read(8), found(8)
    assert (reading.p, reading.usual) == pytest.approx((outlook.well_mated.value, outlook.well_mated_usual), abs=1e-5)
    assert (reading.low, reading.high) == pytest.approx((outlook.well_mated.low, outlook.well_mated.high), abs=1e-5)
    assert reading.prime_hours == pytest.approx(outlook.prime_flight_hours.mean, abs=1e-3)
    prime = [d for d in outlook.days if d.prime]
    for cause, lost in reading.lost_in_prime().items():
        if cause != "drones":
            assert lost == pytest.approx(sum(d.spoiled_by[cause] for d in prime), abs=1e-2)
    for day, outlooked in zip(reading.days, outlook.days, strict=True):
        assert day.observed + day.forecast + day.past_years + day.unknown == pytest.approx(1.0, abs=1e-4)
        assert day.effective_hours == pytest.approx(outlooked.effective_hours, abs=1e-3)
    assert [d.age for d in reading.window] == list(range(6, 22))
    assert reading.shares == pytest.approx(outlook.shares, abs=1e-5)


def test_hours_in_which_there_are_no_drones_are_lost_to_their_lack() -> None:
    site = stand(drones_mature_from=date(2026, 8, 1))
    outlook = batch_outlook(BATCH, site, sources(on_age(0)), on_age(0), BIOLOGY)
    lost = reading_of(outlook, site, sources(on_age(0)), BIOLOGY, "otlk_x").lost_in_prime()
    prime = [d for d in outlook.days if d.prime]
    assert lost["drones"] == pytest.approx(sum(d.effective_hours for d in prime), abs=1e-2)
    assert all(lost[cause] == 0.0 for cause in lost if cause != "drones")


@pytest.mark.parametrize(
    ("age", "changes", "stage"),
    [
        (-12, {}, "before transfer"),
        (-2, {}, "before transfer"),
        (-1, {}, "cells in nucs"),  # the last day to move them is past: advice to move them would come too late
        (-3, {"moved": datetime(2026, 5, 19, 7, tzinfo=UTC)}, "cells in nucs"),
        (-3, {"moved": datetime(2026, 5, 19, 18, tzinfo=UTC)}, "before transfer"),  # planned for this evening
        (0, {}, "virgins out"),
        (11, {}, "virgins out"),
        (12, {}, "window nearly over"),
        (21, {}, "window nearly over"),
        (22, {}, "over"),
        (16, {"checks": (Check(BORN + timedelta(days=15), "virgin"),)}, "window nearly over"),
        (16, {"checks": (Check(BORN + timedelta(days=15), "eggs"),)}, "laying"),
    ],
)
def test_the_stage_is_what_can_still_be_done(age: int, changes: dict[str, Any], stage: str) -> None:
    assert read(age, replace(BATCH, **changes)).stage == stage


def test_a_reading_and_a_state_survive_the_register() -> None:
    for age in (-5, 8, 14):
        reading = read(age)
        assert Reading.from_data(json.loads(json.dumps(reading.as_data()))) == reading
    _, state = run(course([0.65, 0.40, 0.56]))
    assert State.from_data(json.loads(json.dumps(state.as_data()))) == state
    assert State.from_data(State().as_data()) == State()
    assert len(json.dumps(read(8).as_data())) < 8000


@pytest.mark.parametrize(
    "break_it",
    [
        lambda d: d | {"version": 2},
        lambda d: {k: v for k, v in d.items() if k != "version"},
        lambda d: {k: v for k, v in d.items() if k != "p"},
        lambda d: d | {"mood": "good"},
        lambda d: d | {"p": "0.5"},
        lambda d: d | {"p": float("nan")},
        lambda d: d | {"stage": "flying"},
        lambda d: d | {"days": [*d["days"][:-1], d["days"][-1] | {"age": None}]},
        list,
    ],
)
def test_data_that_are_not_what_was_written_are_refused(break_it: Any) -> None:
    with pytest.raises(StoreError, match="reading"):
        Reading.from_data(break_it(read(8).as_data()))


def test_an_unknown_version_is_named_with_what_to_do() -> None:
    with pytest.raises(StoreError, match=r"a reading of version 7, not 1\. Another release of matewindow wrote it"):
        Reading.from_data(read(8).as_data() | {"version": 7})
    with pytest.raises(StoreError, match="a judge's state of version 'no'"):
        State.from_data({})


# --- grounds ------------------------------------------------------------------------------------------------------


def test_weather_and_the_day_do_not_change_the_baseline_and_neither_does_moving_the_cells() -> None:
    baseline = read(4).grounds.baseline
    assert read(8).grounds.baseline == baseline
    assert read(4, observed=None).grounds.baseline == baseline
    moved = replace(BATCH, moved=datetime(2026, 5, 20, 12, tzinfo=UTC))
    assert read(4, moved).grounds.baseline == baseline


@pytest.mark.parametrize(
    "edit",
    [
        {"batch": replace(BATCH, emerged=BORN)},
        {"batch": replace(BATCH, grafted=BATCH.grafted + timedelta(hours=1))},
        {"batch": looked(3, "virgin")},
        {"site": replace(SITE, exposure=0.7)},
        {"site": replace(SITE, drones_mature_from=date(2026, 5, 1))},
        {"site": replace(SITE, latitude=51.0)},
    ],
)
def test_an_edit_of_batch_or_site_is_another_baseline(edit: dict[str, Any]) -> None:
    assert read(4, **edit).grounds.baseline != read(4).grounds.baseline


def test_other_parameters_are_another_baseline() -> None:
    other = BIOLOGY.with_values({"mating.flight_rate_per_h": 0.5})
    changed = reading_of(found(4), SITE, sources(on_age(4)), other, "otlk_4")
    assert changed.grounds.baseline != read(4).grounds.baseline


def test_a_change_of_the_sites_name_is_none() -> None:
    assert read(4, site=replace(SITE, name="Upper yard")).grounds.baseline == read(4).grounds.baseline


def test_the_grounds_tell_which_forecast_was_used_and_when_it_was_made() -> None:
    grounds = read(4).grounds
    assert (grounds.forecast_kind, grounds.forecast_source, grounds.members) == ("ensemble", "invented", 10)
    assert grounds.forecast_made == datetime(2026, 5, 26, tzinfo=UTC)  # the file tells only its day
    assert read(4, members=None).grounds.forecast_made is None


def test_the_time_of_the_run_comes_before_that_of_its_fetching() -> None:
    members = sources(on_age(4)).members
    assert members is not None
    ran, fetched = on_age(4, 0), on_age(4, 7)
    timed = replace(members, provenance=replace(members.provenance, run_time=ran, fetched_at=fetched))
    assert read(4, members=timed).grounds.forecast_made == ran
    timed = replace(members, provenance=replace(members.provenance, fetched_at=fetched))
    assert read(4, members=timed).grounds.forecast_made == fetched


def test_a_variable_that_a_part_lacks_is_noted() -> None:
    members = sources(on_age(4)).members
    assert members is not None
    assert read(4, members=replace(members, rain_mm=None)).grounds.unjudged == ("rain of the ensemble",)
    assert read(4).grounds.unjudged == ()
