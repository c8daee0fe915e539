"""Hour by hour: each day from the first weather that knows it whole, in agreement with the window of a batch."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, date, datetime, timedelta
from typing import TYPE_CHECKING, Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from matewindow.biology import load_biology
from matewindow.errors import RequestError
from matewindow.flight import CAUSES
from matewindow.hours import DayHours, hourly_outlook
from matewindow.outlook import DayOutlook, batch_outlook
from matewindow.paths import Sources, ensemble_weight, single_weight
from matewindow.siteweather import lay_on_site
from matewindow.timeline import Batch, graft_time
from matewindow.weather.normal import Provenance, make_weather
from tests.made_weather import by_hours, changeable, stand

if TYPE_CHECKING:
    from matewindow.siteweather import SiteWeather

BIOLOGY = load_biology().with_values({"flight.pent_up_per_day_c": 0.0})  # queens that could fly yesterday
FORECAST = BIOLOGY.forecast
SITE = stand()
BATCH = Batch(graft_time(date(2026, 5, 10), SITE))  # days of its window: 22 May to 12 June
NOW = datetime(2026, 6, 1, 6, tzinfo=UTC)


def hourly(sources: Sources, first: date = date(2026, 5, 22), n_days: int | None = 22, **more: Any) -> list[DayHours]:
    return hourly_outlook(more.get("site", SITE), sources, first, n_days, more.get("now", NOW), BIOLOGY)


def windowed(sources: Sources) -> list[DayOutlook]:
    return batch_outlook(BATCH, SITE, sources, NOW, BIOLOGY).days


def record(n_days: int = 40, seed: int = 1) -> SiteWeather:
    return changeable("2026-05-01", n_days, np.random.default_rng(seed))


def ensemble(n_members: int = 20, n_days: int = 16, first: str = "2026-06-01", **more: Any) -> SiteWeather:
    rng = np.random.default_rng(2)
    return changeable(first, n_days, rng, n_series=n_members, kind="ensemble", **more)


def run(n_days: int = 7, first: str = "2026-06-01", **more: Any) -> SiteWeather:
    return changeable(first, n_days, np.random.default_rng(3), kind="forecast", **more)


def past(n_years: int = 12) -> SiteWeather:
    n_days = int((np.datetime64("2026-01-01") - np.datetime64(f"{2026 - n_years}-01-01")).astype(int))
    return changeable(f"{2026 - n_years}-01-01", n_days, np.random.default_rng(4))


def without(weather: SiteWeather, day: str, hours: list[int], series: int | slice = slice(None)) -> SiteWeather:
    """The same weather without the temperature of some hours of a day."""
    temp = weather.temp_c.copy()
    temp[series, int((np.datetime64(day) - weather.days[0]).astype(int)), hours] = np.nan
    return replace(weather, temp_c=temp)


# --- in agreement with the window ---------------------------------------------------------------------------------


def test_measured_days_have_the_hours_and_losses_that_the_window_of_a_batch_counts() -> None:
    sources = Sources(observed=record(60))
    for day, same in zip(
        hourly(sources, now=datetime(2026, 7, 10, tzinfo=UTC)),
        batch_outlook(BATCH, SITE, sources, datetime(2026, 7, 10, tzinfo=UTC), BIOLOGY).days,
        strict=True,
    ):
        assert (day.day, day.origin, day.n_series, day.forecast_weight) == (same.day, "observed", 1, None)
        assert day.effective_hours == pytest.approx(same.effective_hours, abs=1e-12)
        assert day.strict_hours == same.strict_hours
        for cause in CAUSES:
            lost = sum(hour.spoiled_by[cause] for hour in day.hours)
            assert lost == pytest.approx(same.spoiled_by[cause], abs=1e-12)


def test_days_of_an_ensemble_taken_at_face_value_have_the_hours_that_the_window_counts() -> None:
    """20 members on 1,000 paths: each serves fifty times, so the means agree."""
    sources = Sources(observed=record(31), members=ensemble())
    by_day = {d.day: d for d in windowed(sources)}
    for day in hourly(sources, date(2026, 6, 1), 12):
        assert (day.origin, day.n_series, day.forecast_weight) == ("forecast", 20, 1.0)
        assert day.effective_hours == pytest.approx(by_day[day.day].effective_hours, abs=1e-9)
        assert day.strict_hours == pytest.approx(by_day[day.day].strict_hours, abs=1e-9)


def test_days_of_past_years_have_the_usual_hours_of_the_window() -> None:
    """12 years in five shifts; with so few there is no trend to estimate, which is done over other days here and there."""
    sources = Sources(past=past())
    for day, same in zip(hourly(sources), windowed(sources), strict=True):
        assert (day.day, day.origin, day.n_series, day.forecast_weight) == (same.day, "past_years", 60, None)
        assert day.effective_hours == pytest.approx(same.usual_hours, abs=1e-9)
        assert day.strict_hours == pytest.approx(same.strict_hours, abs=1e-9)


def test_past_years_are_warmed_for_the_trend() -> None:
    """Each year 0.05 K warmer than the one before, without scatter: brought to 2026 all are alike."""
    days = np.arange("2000-01-01", "2026-01-01", dtype="datetime64[D]")
    year = days.astype("datetime64[Y]").astype(int) + 1970
    cool = by_hours("2000-01-01", np.full(len(days), 4.0), temp_c=17.0)
    warming = replace(cool, temp_c=cool.temp_c + 0.05 * (year - 2000)[None, :, None])
    (day,) = hourly(Sources(past=warming), date(2026, 6, 1), 1)
    assert day.n_series == 26 * 5
    assert [hour.temp_c for hour in day.hours] == pytest.approx([17.0 + 0.05 * 26] * 4)


@pytest.mark.parametrize(
    ("made", "what"),
    [
        (Sources(members=ensemble()), "an ensemble"),
        (Sources(run=run(10)), "a run"),
        (Sources(run=run(7), members=ensemble()), "both"),
        (Sources(run=run(16), members=ensemble(n_days=9)), "a run that reaches beyond the ensemble"),
        (Sources(members=ensemble(first="2026-05-28")), "an ensemble of four days ago"),
        (Sources(run=run(14, "2026-05-28", issued="2026-05-31")), "a run that holds the days before it"),
        (Sources(run=run(9), members=without(ensemble(), "2026-06-01", list(range(24)))), "a late ensemble"),
    ],
    ids=lambda value: value if isinstance(value, str) else "",
)
def test_the_weight_of_a_forecast_is_its_share_in_the_odds_of_a_batch(made: Sources, what: str) -> None:
    sources = replace(made, past=past())
    by_day = {d.day: d for d in windowed(sources)}
    for day in hourly(sources):
        share = by_day[day.day].shares["forecast"]
        assert (day.forecast_weight or 0.0) == pytest.approx(share, abs=2e-3), (what, day.day)
        assert (day.forecast_weight is None) == (day.origin != "forecast")


def test_members_dressed_from_a_run_have_the_weight_of_dressed_members() -> None:
    dressed = ensemble()
    dressed = replace(dressed, provenance=replace(dressed.provenance, kind="spread"))
    weights = [day.forecast_weight for day in hourly(Sources(members=dressed, past=past()), date(2026, 6, 1), 16)]
    leads = np.arange(16.0)
    expected = np.where(leads <= 7, ensemble_weight(leads, FORECAST), single_weight(leads, FORECAST))
    assert weights == pytest.approx(expected.tolist(), abs=1e-12)


@given(st.integers(0, 1000), st.floats(8.0, 28.0), st.floats(-179.0, 179.0))
@settings(max_examples=25, deadline=None)
def test_hours_of_any_day_add_up_to_its_window(seed: int, warmth_c: float, longitude: float) -> None:
    """Real windows with parts of hours: shown shares are the window but for less than a minute, flown and lost the shares."""
    rng = np.random.default_rng(seed)
    site = stand(longitude=longitude, timezone="UTC")
    n_hours = 5 * 24
    times = np.datetime64("2026-06-01T00", "h") + np.arange(n_hours)
    columns = {
        "temp_c": warmth_c + rng.normal(0.0, 3.0, n_hours),
        "wind_ms": rng.gamma(3.0, 1.2, n_hours),
        "rain_mm": np.where(rng.random(n_hours) < 0.2, rng.exponential(0.5, n_hours), 0.0),
        "ghi_wm2": rng.uniform(50.0, 900.0, n_hours),
    }
    kind = Provenance("invented", "observation", "none")
    weather = lay_on_site(make_weather(times, columns, kind), site, BIOLOGY.flight)
    whole = weather.days[1:4]
    for day in hourly_outlook(
        site, Sources(observed=weather), site.civil_day(whole[0]), 3, datetime(2026, 8, 1, tzinfo=UTC), BIOLOGY
    ):
        assert day.effective_hours is not None
        assert sum(hour.share for hour in day.hours) == pytest.approx(4.0, abs=0.03)
        for hour in day.hours:
            assert hour.suitable is not None
            assert hour.strictly in (0.0, 1.0)
            assert hour.share > 0.02
            assert hour.suitable + sum(hour.spoiled_by.values()) == pytest.approx(hour.share, abs=1e-12)
        flown = sum(hour.suitable or 0.0 for hour in day.hours)
        assert day.effective_hours == pytest.approx(flown, abs=0.03)
        assert day.strict_hours == sum(hour.strictly or 0.0 for hour in day.hours)
        starts = [hour.start for hour in day.hours]
        assert starts == sorted(starts)


# --- from the first weather that knows the day whole --------------------------------------------------------------


def test_each_day_stands_on_the_record_then_the_ensemble_then_the_run_then_past_years() -> None:
    sources = Sources(
        observed=record(29), run=run(12, "2026-05-28", issued="2026-06-01"), members=ensemble(n_days=5), past=past()
    )
    found = {day.day.isoformat(): (day.origin, day.n_series) for day in hourly(sources, date(2026, 5, 27), 16)}
    assert found["2026-05-27"] == ("observed", 1)
    assert found["2026-05-29"] == ("observed", 1)
    assert found["2026-05-30"] == ("forecast", 1)  # what the run says of days before it
    assert found["2026-06-01"] == ("forecast", 20)
    assert found["2026-06-05"] == ("forecast", 20)
    assert found["2026-06-06"] == ("forecast", 1)
    assert found["2026-06-08"] == ("forecast", 1)
    assert found["2026-06-09"] == ("past_years", 60)


def test_a_record_of_today_and_later_days_is_not_looked_at() -> None:
    sources = Sources(observed=record(60), past=past())
    assert [day.origin for day in hourly(sources, date(2026, 5, 31), 3)] == ["observed", "past_years", "past_years"]


def test_members_have_no_say_about_days_before_they_were_made() -> None:
    members = ensemble(first="2026-05-28", issued="2026-05-31")
    found = [day.origin for day in hourly(Sources(members=members, past=past()), date(2026, 5, 29), 4)]
    assert found == ["past_years", "past_years", "forecast", "forecast"]


def test_a_forecast_that_is_not_made_yet_is_not_looked_at() -> None:
    members = ensemble(first="2026-05-28", issued="2026-06-04")
    assert {day.origin for day in hourly(Sources(members=members, past=past()), date(2026, 5, 29), 9)} == {"past_years"}


def test_a_day_with_one_missing_window_hour_is_scaled_up_and_the_hour_is_shown_as_missing() -> None:
    """By the kernel's rule: three hours of 12 to 16 stand for four."""
    weather = by_hours("2026-05-01", np.full(40, 2.0))
    (whole,) = hourly(Sources(observed=weather), date(2026, 5, 22), 1)
    (day,) = hourly(Sources(observed=without(weather, "2026-05-22", [13]), past=past()), date(2026, 5, 22), 1)
    assert day.origin == "observed"
    assert day.effective_hours == pytest.approx(whole.effective_hours)
    assert [hour.suitable is None for hour in day.hours] == [False, True, False, False]
    missing = day.hours[1]
    assert (missing.temp_c, missing.suitable, missing.strictly) == (None, None, None)
    assert set(missing.spoiled_by.values()) == {0.0}
    assert missing.wind_ms == 0.0


def test_hours_outside_the_window_may_be_missing() -> None:
    weather = without(by_hours("2026-05-01", np.full(40, 2.0)), "2026-05-22", [*range(12), *range(16, 24)])
    (day,) = hourly(Sources(observed=weather, past=past()), date(2026, 5, 22), 1)
    assert (day.origin, len(day.hours)) == ("observed", 4)
    assert day.effective_hours == pytest.approx(2.0, abs=1e-3)


def test_a_day_with_two_missing_window_hours_is_taken_from_the_next_source() -> None:
    gap = without(record(), "2026-05-22", [13, 14])
    sources = Sources(observed=gap, past=past())
    days = hourly(sources, date(2026, 5, 22), 2)
    assert [day.origin for day in days] == ["past_years", "observed"]
    assert days[0].effective_hours is not None


def test_where_no_source_has_the_day_whole_the_first_that_has_any_hour_is_shown_without_sums() -> None:
    gap = without(record(), "2026-05-22", [13, 14])
    days = hourly(Sources(observed=gap), date(2026, 5, 22), 2)
    assert (days[0].origin, days[0].effective_hours, days[0].strict_hours) == ("observed", None, None)
    assert [hour.suitable is None for hour in days[0].hours] == [False, True, True, False]
    assert days[1].effective_hours is not None


def test_a_day_of_an_ensemble_is_the_mean_over_the_members_that_know_it() -> None:
    members = by_hours("2026-06-01", np.array([[1.0] * 5, [2.0] * 5, [4.0] * 5]), kind="ensemble")
    lacking = without(members, "2026-06-02", [12, 13, 14, 15], series=2)
    whole, partly = hourly(Sources(members=lacking), date(2026, 6, 1), 2)
    assert whole.effective_hours == pytest.approx(7.0 / 3.0, abs=1e-3)
    assert partly.effective_hours == pytest.approx(1.5, abs=1e-3)
    assert partly.n_series == 3


def test_days_that_nothing_knows_say_so_between_days_that_are_known() -> None:
    days = hourly(Sources(members=ensemble(n_days=3)), date(2026, 5, 31), 6)
    assert [day.origin for day in days] == ["nothing", "forecast", "forecast", "forecast", "nothing", "nothing"]
    nothing = days[0]
    assert (nothing.n_series, nothing.effective_hours, nothing.strict_hours, nothing.hours) == (0, None, None, [])
    assert nothing.daylight_h == pytest.approx(16.3, abs=0.5)  # light needs no weather


# --- what is asked ------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("sources", "n_days"),
    [(Sources(members=ensemble(n_days=9)), 9), (Sources(run=run(5), past=past()), 5), (Sources(past=past()), 7)],
    ids=["to the end of the ensemble", "to the end of the run", "a week of past years"],
)
def test_without_a_span_the_days_run_from_today_as_far_as_the_forecast_goes(sources: Sources, n_days: int) -> None:
    days = hourly_outlook(SITE, sources, None, None, NOW, BIOLOGY)
    assert [day.day for day in days] == [date(2026, 6, 1) + timedelta(days=i) for i in range(n_days)]


@pytest.mark.parametrize("n_days", [0, -1, 61])
def test_a_span_out_of_bounds_is_refused_with_the_bounds(n_days: int) -> None:
    with pytest.raises(RequestError, match=f"{n_days} days") as refused:
        hourly(Sources(past=past()), n_days=n_days)
    assert "1 to 60" in refused.value.fix


def test_days_of_which_nothing_is_known_are_refused_by_the_dates_of_the_calendar() -> None:
    site = stand(longitude=-176.5, timezone="Pacific/Chatham", latitude=-44.0)
    with pytest.raises(RequestError, match="holds nothing for 2026-09-01 to 2026-09-03"):
        hourly(Sources(observed=record()), date(2026, 9, 1), 3, site=site)


def test_beside_the_date_line_days_and_hours_are_those_of_the_local_calendar() -> None:
    """Chatham's 23 May is the sun's 22 May: its window lies on the local 23 May, in the early afternoon."""
    site = stand(longitude=-176.5, timezone="Pacific/Chatham", latitude=-44.0)
    sources = Sources(observed=record(60))
    (day,) = hourly(sources, date(2026, 5, 23), 1, site=site, now=datetime(2026, 7, 1, tzinfo=UTC))
    (same,) = hourly(sources, date(2026, 5, 22), 1, now=datetime(2026, 7, 1, tzinfo=UTC))
    assert day.day == date(2026, 5, 23)
    assert day.effective_hours == same.effective_hours
    for hour in day.hours:
        assert hour.start.date() == date(2026, 5, 23)
        assert 11 <= hour.start.hour <= 17
    assert day.sunrise is not None
    assert day.sunset is not None
    assert day.sunrise.date() == day.sunset.date() == date(2026, 5, 23)


def test_at_high_latitudes_a_day_without_sunset_has_none() -> None:
    site = stand(latitude=70.0)
    (day,) = hourly(Sources(past=past()), date(2026, 6, 21), 1, site=site)
    assert (day.sunrise, day.sunset) == (None, None)
    assert day.daylight_h == pytest.approx(24.0)
