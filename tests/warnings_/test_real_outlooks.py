"""From invented weather through whole outlooks to messages: spells that come, go, or only seem to."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, date, datetime, timedelta
from functools import lru_cache
from typing import TYPE_CHECKING, Any

import numpy as np
import pytest

from matewindow.biology import load_biology
from matewindow.outlook import batch_outlook
from matewindow.paths import Sources
from matewindow.timeline import Batch, Check, graft_time
from matewindow.warnings.judge import Verdict, judge
from matewindow.warnings.message import message
from matewindow.warnings.reading import Reading, reading_of
from matewindow.warnings.state import State
from matewindow.warnings.thresholds import thresholds_of
from tests.made_weather import by_hours, changeable, stand

if TYPE_CHECKING:
    from collections.abc import Iterable

    from matewindow.siteweather import SiteWeather

BIOLOGY = load_biology()
SITE = stand()
LIMITS = thresholds_of(BIOLOGY)
BATCH = Batch(graft_time(date(2026, 5, 10), SITE))  # virgins emerge on 22 May; mating window 28 May to 12 June
BORN = date(2026, 5, 22)
RECORD = by_hours("2026-05-01", np.full(90, 3.2), temp_c=24.0)
SPELLS = {
    "rain": ("rain_mm", 1.5),
    "cold": ("temp_c", 9.0),
    "wind": ("wind_ms", 11.0),
    "heat": ("temp_c", 41.0),
    "light": ("ghi_wm2", 60.0),
}
Spell = tuple[str, str, str] | None  # what, first day, last day


@lru_cache
def past_years() -> SiteWeather:
    """A place whose usual is 55 %."""
    return changeable("2014-01-01", 4383, np.random.default_rng(5), warmth_c=12.5)


def spoilt(weather: SiteWeather, spell: Spell) -> SiteWeather:
    """The same weather, but for a spell in every series."""
    if spell is None:
        return weather
    what, first, last = spell
    name, value = SPELLS[what]
    hit = (weather.days >= np.datetime64(first)) & (weather.days <= np.datetime64(last))
    values = getattr(weather, name).copy()
    values[:, hit] = value
    return replace(weather, **{name: values})


def forecast(day: date, spell: Spell = None, *, n: int = 10) -> SiteWeather:
    """Fine weather for two weeks and a day, but for a spell that all members agree on."""
    return spoilt(by_hours(str(day), np.full((n, 15), 3.2), kind="ensemble", temp_c=24.0), spell)


def read(now: datetime, spell: Spell = None, batch: Batch = BATCH, **changes: Any) -> Reading:
    weather = replace(Sources(observed=RECORD, members=forecast(now.date(), spell), past=past_years()), **changes)
    outlook = batch_outlook(batch, SITE, weather, now, BIOLOGY)
    return reading_of(outlook, SITE, weather, BIOLOGY, f"otlk_{now:%m%d%H}")


def on_age(age: int, hour: int = 8) -> datetime:
    return datetime(2026, 5, 22, hour, tzinfo=UTC) + timedelta(days=age)


def run(readings: Iterable[Reading], state: State | None = None) -> tuple[list[Verdict], State]:
    now, verdicts = state or State(), []
    for reading in readings:
        verdicts.append(judge(now, reading, LIMITS, reading.issued_at))
        now = verdicts[-1].state
    return verdicts, now


def spoken(verdicts: list[Verdict]) -> list[str]:
    return [v.outcome for v in verdicts if v.speaks]


def fine_then(spell: Spell, ages: Iterable[int]) -> list[Reading]:
    return [read(on_age(-1)), *(read(on_age(age), spell) for age in ages)]


@pytest.mark.parametrize("what", sorted(SPELLS))
def test_a_spell_that_comes_into_the_forecast_warns_and_is_named_as_the_cause(what: str) -> None:
    verdicts, _ = run(fine_then((what, "2026-05-27", "2026-06-12"), [4]))
    assert [v.outcome for v in verdicts] == ["nothing", "raise"]
    said = message(verdicts[-1], "Blue 3", BIOLOGY)
    assert said.data["cause"] == what
    assert said.data["flying_days"] == []
    assert "Thursday 28 May to " in said.parts[1]
    assert said.data["p_before"] > said.data["usual"] > said.data["p_now"]
    assert said.data["usual"] == pytest.approx(0.55, abs=0.01)


def test_a_wet_spell_that_moves_away_again_warns_once_and_clears_once() -> None:
    wet = ("rain", "2026-05-27", "2026-06-12")
    verdicts, state = run(fine_then(wet, [3, 4, 5]))
    assert spoken(verdicts) == ["raise"]
    verdicts, state = run([read(on_age(age)) for age in range(6, 10)], state)
    assert spoken(verdicts) == ["clear"]
    said = message(next(v for v in verdicts if v.speaks), "Blue 3", BIOLOGY)
    assert said.data["cause"] == "rain"
    assert said.parts[1].startswith("The window looks better again. Less rain is foreseen than on 25 May.")
    assert state.phase == "watching"


def test_a_spell_that_the_record_bears_out_stays_warned_to_the_end_and_is_closed_without_a_word() -> None:
    wet = ("rain", "2026-05-27", "2026-06-20")
    record = spoilt(RECORD, ("rain", "2026-05-27", "2026-06-20"))
    readings = [read(on_age(-1)), *(read(on_age(age), wet, observed=record) for age in (3, 7, 11, 15, 19, 21, 22))]
    verdicts, _ = run(readings)
    assert spoken(verdicts)[0] == "raise"
    assert "clear" not in spoken(verdicts)
    assert (verdicts[-1].outcome, verdicts[-1].ends) == ("closed", True)


def test_a_short_spell_that_leaves_enough_good_days_does_not_warn() -> None:
    verdicts, _ = run(fine_then(("rain", "2026-05-30", "2026-06-01"), [2, 4, 6, 8]))
    assert spoken(verdicts) == []


def test_a_spell_foreseen_while_the_cells_are_in_the_builder_says_what_can_be_done_with_them() -> None:
    wet = ("rain", "2026-05-25", "2026-06-12")
    readings = [read(on_age(-9)), *(read(on_age(age, 5), wet) for age in (-4, -3, -2))]
    own = replace(LIMITS, low=0.60, below_usual=None)
    state, verdicts = State(), []
    for reading in readings:
        verdicts.append(judge(state, reading, own, reading.issued_at))
        state = verdicts[-1].state
    assert spoken(verdicts) == ["raise"]
    said = message(next(v for v in verdicts if v.speaks), "Blue 3", BIOLOGY)
    assert said.data["stage"] == "before transfer"
    assert [a["action"] for a in said.data["what_can_be_done"]] == ["hold_cells", "sheltered_site"]
    assert said.data["by"] == "2026-05-20"


def test_a_spell_at_the_end_of_the_window_asks_for_a_replacement_graft() -> None:
    wet = ("rain", "2026-05-27", "2026-06-12")
    record = spoilt(RECORD, ("rain", "2026-05-27", "2026-06-02"))
    verdicts, _ = run([read(on_age(11), observed=record), read(on_age(12), wet, observed=record)])
    assert spoken(verdicts) == ["raise"]
    said = message(verdicts[-1], "Blue 3", BIOLOGY)
    assert said.data["what_can_be_done"][0]["action"] == "replacement_graft"
    assert "Plan a replacement graft for Thursday 4 June: its cells are ripe on Sunday 14 June" in said.parts[2]


# --- faults of our own --------------------------------------------------------------------------------------------


def test_a_forecast_that_is_lost_neither_warns_nor_clears() -> None:
    """Without the forecast the odds go from 90 % to the usual 55 %, which no rule may take for weather."""
    verdicts, _ = run([read(on_age(3)), read(on_age(4), members=None)])
    assert verdicts[0].reading.p - verdicts[1].reading.p > 0.2
    assert [v.outcome for v in verdicts] == ["nothing", "not judged"]
    wet = ("rain", "2026-05-27", "2026-06-12")
    _, state = run(fine_then(wet, [4]))
    assert state.phase == "warned"
    verdicts, state = run([read(on_age(age), members=None) for age in (5, 6, 7)], state)
    assert {v.outcome for v in verdicts} == {"not judged"}
    assert state.phase == "warned"


def test_one_run_in_place_of_the_ensemble_is_not_judged_though_its_odds_are_far_off() -> None:
    good = read(on_age(4))
    run_alone = replace(forecast(on_age(5).date(), n=1), issued=np.datetime64(on_age(5).date()))
    verdicts, _ = run([good, read(on_age(5), members=None, run=run_alone)])
    assert verdicts[0].reading.p - verdicts[1].reading.p > 0.1
    assert verdicts[1].outcome == "not judged"


def test_an_ensemble_that_is_no_longer_renewed_is_not_judged_by() -> None:
    old = forecast(on_age(3).date(), ("rain", "2026-05-27", "2026-06-12"))
    verdicts, _ = run([read(on_age(2)), *(read(on_age(age), members=old) for age in (4, 5, 6))])
    assert [v.outcome for v in verdicts] == ["nothing", "not judged", "not judged", "not judged"]
    assert "the forecast is 80 hours old" in verdicts[-1].reason


def test_a_record_that_stops_is_not_judged() -> None:
    early = RECORD.days < np.datetime64("2026-05-31")
    stopped = RECORD.on_days(np.flatnonzero(early))
    stopped = replace(stopped, days=RECORD.days[early])
    verdicts, _ = run([read(on_age(9)), read(on_age(11), observed=stopped)])
    assert verdicts[1].reason == "not judged, because days just past were not measured"


def test_a_site_that_never_had_a_record_is_judged_by_its_forecast() -> None:
    wet = ("rain", "2026-05-27", "2026-06-12")
    readings = [read(on_age(-1), observed=None), *(read(on_age(age), wet, observed=None) for age in (2, 3, 4))]
    assert spoken(run(readings)[0]) == ["raise"]


# --- observations -------------------------------------------------------------------------------------------------


def test_a_look_into_the_nuc_is_no_weather_and_eggs_close_the_batch() -> None:
    """Two good days and then rain, and a queen without eggs: the odds fall by more than 20 points through the look alone."""
    record = spoilt(RECORD, ("rain", "2026-05-31", "2026-06-12"))
    wet = ("rain", "2026-06-05", "2026-06-12")
    virgin = replace(BATCH, checks=(Check(BORN + timedelta(days=14), "virgin"),))
    eggs = replace(BATCH, checks=(*virgin.checks, Check(BORN + timedelta(days=16), "eggs")))
    looks = [read(on_age(14), wet, b, observed=record) for b in (BATCH, virgin)]
    looks[1] = replace(looks[1], outlook_id="otlk_after_the_look")
    verdicts, state = run(looks)
    assert looks[0].p - looks[1].p > 0.2
    assert [v.outcome for v in verdicts] == ["nothing", "baseline"]
    verdicts, _ = run([read(on_age(16), wet, eggs, observed=record)], state)
    assert [v.outcome for v in verdicts] == ["closed"]


def test_an_observed_emergence_is_a_new_baseline() -> None:
    verdicts, _ = run([read(on_age(1)), read(on_age(2), batch=replace(BATCH, emerged=BORN + timedelta(days=1)))])
    assert [v.outcome for v in verdicts] == ["nothing", "baseline"]


def test_a_look_that_finds_a_virgin_keeps_the_batch_watched_while_she_may_still_mate() -> None:
    record = spoilt(RECORD, ("rain", "2026-05-27", "2026-06-04"))
    wet = ("rain", "2026-06-05", "2026-06-12")
    virgin = replace(BATCH, checks=(Check(BORN + timedelta(days=13), "virgin"),))
    readings = [read(on_age(13), None, virgin, observed=record), read(on_age(14), wet, virgin, observed=record)]
    verdicts, _ = run(readings)
    assert [v.outcome for v in verdicts] == ["nothing", "raise"]
    said = message(verdicts[-1], "Blue 3", BIOLOGY)
    assert "Next look" in said.parts[3]
    assert said.data["usual"] is None
