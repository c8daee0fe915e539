"""Forecast, past years and observation joined to paths: whose weather each path follows on each day."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime
from typing import TYPE_CHECKING, Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from matewindow.biology import Biology, load_biology
from matewindow.errors import RequestError
from matewindow.pastyears import SHIFTS_D, year_rows
from matewindow.pathparts import FORECAST, OBSERVED, PAST_YEARS, UNKNOWN
from matewindow.paths import (
    Paths,
    Sources,
    build_paths,
    ensemble_weight,
    even_draw,
    single_weight,
)
from matewindow.resampling import draw_weights, resampled_ranges
from matewindow.siteweather import lay_on_site
from matewindow.weather.normal import Provenance, make_weather
from tests.made_weather import by_hours, changeable, stand
from tests.reference.naive_flight import naive_pent_up

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from matewindow.siteweather import SiteWeather
    from matewindow.weather.normal import Kind

    Floats = NDArray[np.float64]

BIOLOGY = load_biology()
TODAY = np.datetime64("2026-06-01")
MEMBERS, RUN, RECORD = 3.0, 3.9, 2.75  # flight hours a day by which a source is recognised; members add 0.01 each
SAME = 1e-3  # cold costs 5e-5 of an hour


def years(first: int, last: int, *, base: float = 0.0) -> SiteWeather:
    """A record in which all days of year y have (y - 2000) / 10 flight hours (``base`` apart)."""
    days = np.arange(f"{first}-01-01", f"{last + 1}-01-01", dtype="datetime64[D]")
    year = days.astype("datetime64[Y]").astype(int) + 1970
    return by_hours(f"{first}-01-01", base + (year - 2000) / 10.0)


def ensemble(n_members: int, n_days: int, first_day: str = "2026-06-01") -> SiteWeather:
    hours = np.repeat(MEMBERS + 0.01 * np.arange(n_members)[:, None], n_days, axis=1)
    return by_hours(first_day, hours, kind="ensemble")


def run(n_days: int, first_day: str = "2026-06-01", hours: float = RUN, issued: str | None = None) -> SiteWeather:
    return by_hours(first_day, np.full(n_days, hours), kind="forecast", issued=issued)


def record(first_day: str, n_days: int) -> SiteWeather:
    return by_hours(first_day, np.full(n_days, RECORD))


def missing(weather: SiteWeather, days: list[str], series: int = 0) -> SiteWeather:
    """The same weather with whole days missing in one series."""
    temp = weather.temp_c.copy()
    temp[series, np.isin(weather.days, np.array(days, dtype="datetime64[D]"))] = np.nan
    return replace(weather, temp_c=temp)


def paths_of(
    sources: Sources, first_day: str = "2026-06-01", n_days: int = 40, biology: Biology = BIOLOGY, **more: Any
) -> tuple[Paths, Paths | None]:
    today = more.pop("today", TODAY)
    return build_paths(sources, np.datetime64(first_day), n_days, today, biology, 1.0, **more)


def spliced(sources: Sources, first_day: str = "2026-06-01", n_days: int = 40, **more: Any) -> Paths:
    return paths_of(sources, first_day, n_days, **more)[0]


def with_forecast(**values: float) -> Biology:
    """Forecast parameters also outside their accepted range, for the ends of the scale."""
    return replace(BIOLOGY, forecast=replace(BIOLOGY.forecast, **values))


def origins(paths: Paths) -> NDArray[np.intp]:
    return paths.origin[paths.source]


# --- the share of the forecast --------------------------------------------------------------------------------


def test_at_every_lead_the_share_of_the_ensemble_is_its_weight() -> None:
    paths = spliced(Sources(members=ensemble(50, 16), past=years(2001, 2025)))
    leads = np.arange(40.0)
    expected = np.where(leads < 16, ensemble_weight(leads, BIOLOGY.forecast), 0.0)
    n_paths = paths.hours.shape[1]
    assert n_paths == 1000
    np.testing.assert_allclose(paths.daily_shares()[:, FORECAST], expected, atol=1.0 / n_paths)
    np.testing.assert_allclose(paths.daily_shares().sum(axis=1), 1.0, atol=1e-12)


def test_at_every_lead_the_share_of_a_single_run_is_its_own_smaller_weight() -> None:
    paths = spliced(Sources(run=run(10), past=years(2001, 2025)))
    leads = np.arange(40.0)
    expected = np.where(leads < 10, single_weight(leads, BIOLOGY.forecast), 0.0)
    np.testing.assert_allclose(paths.daily_shares()[:, FORECAST], expected, atol=1e-3)


def test_every_path_leaves_the_forecast_once_and_never_comes_back() -> None:
    paths = spliced(Sources(members=ensemble(20, 16), past=years(2001, 2025)))
    on_forecast = (origins(paths) == FORECAST).astype(int)
    assert (np.diff(on_forecast, axis=0) <= 0).all()
    for n in range(0, 1000, 111):  # and follows one member before and one past block after
        assert len(set(paths.source[on_forecast[:, n] == 1, n])) <= 1
        assert len(set(paths.source[on_forecast[:, n] == 0, n])) == 1


def test_hours_are_those_of_the_row_that_a_path_follows() -> None:
    paths = spliced(Sources(members=ensemble(20, 16), past=years(2001, 2025)))
    forecast = origins(paths) == FORECAST
    member = MEMBERS + 0.01 * paths.member
    year = (paths.years[paths.year] - 2000) / 10.0
    np.testing.assert_allclose(paths.hours, np.where(forecast, member, year), atol=SAME)
    assert paths.years.tolist() == list(range(2001, 2026))
    assert paths.n_members == 20


def test_members_and_past_blocks_serve_equally_often() -> None:
    paths = spliced(Sources(members=ensemble(30, 16), past=years(2001, 2024)))
    n_paths = paths.hours.shape[1]
    assert n_paths % (24 * len(SHIFTS_D)) == 0
    assert n_paths >= 1000
    assert set(np.bincount(paths.year)) == {n_paths // 24}
    assert np.ptp(np.bincount(paths.member, minlength=30)) <= 1


def test_a_weight_of_nothing_gives_past_years_bit_for_bit() -> None:
    sources = Sources(
        members=changeable("2026-06-01", 16, np.random.default_rng(1), n_series=9, kind="ensemble"),
        past=a_changeable_past(),
    )
    paths, usual = paths_of(sources, biology=with_forecast(ensemble_weight=0.0))
    assert usual is not None
    block = paths.source[0] - first_row_of(paths, PAST_YEARS)
    assert (paths.source == paths.source[0]).all()
    assert set(block) == set(range(len(usual.hours[0])))
    np.testing.assert_array_equal(paths.hours, usual.hours[:, block])


def test_a_weight_of_one_and_a_forecast_that_reaches_to_the_end_give_pure_members() -> None:
    members = changeable("2026-06-01", 40, np.random.default_rng(2), n_series=9, kind="ensemble")
    certain = with_forecast(ensemble_weight=1.0, ensemble_half_d=1e12)
    paths = spliced(Sources(members=members, past=a_changeable_past()), biology=certain)
    assert (origins(paths) == FORECAST).all()
    alone = spliced(Sources(members=members))
    by_member = {int(m): alone.hours[:, n] for n, m in enumerate(alone.member)}
    assert set(by_member) == set(range(9))
    for n, m in enumerate(paths.member):
        np.testing.assert_array_equal(paths.hours[:, n], by_member[int(m)])


def first_row_of(paths: Paths, kind: int) -> int:
    return int(np.flatnonzero(paths.origin == kind)[0])


def a_changeable_past(first: int = 2004, last: int = 2025) -> SiteWeather:
    n_days = int((np.datetime64(f"{last + 1}-01-01") - np.datetime64(f"{first}-01-01")).astype(int))
    return changeable(f"{first}-01-01", n_days, np.random.default_rng(3))


def test_the_draw_is_repeatable_and_its_seed_can_be_changed() -> None:
    sources = Sources(members=ensemble(10, 16), past=years(2001, 2025))
    first, again, other = spliced(sources), spliced(sources), spliced(sources, seed=7)
    np.testing.assert_array_equal(first.source, again.source)
    assert (first.source != other.source).any()


def test_an_even_draw_takes_each_equally_often_up_to_one() -> None:
    for n, size in ((1000, 51), (10, 10), (7, 20), (5, 1)):
        counts = np.bincount(even_draw(n, size, np.random.default_rng(0)), minlength=size)
        assert counts.sum() == n
        assert counts.max() - counts.min() <= 1


# --- observation and forecasts of several kinds ---------------------------------------------------------------


def test_days_before_today_are_observed_on_every_path_and_days_from_today_on_never() -> None:
    sources = Sources(observed=record("2026-05-01", 60), members=ensemble(20, 16), past=years(2001, 2025))
    paths = spliced(sources, "2026-05-20")
    before = paths.days < TODAY
    assert (origins(paths)[before] == OBSERVED).all()
    assert (origins(paths)[~before] != OBSERVED).all()
    np.testing.assert_allclose(paths.hours[before], RECORD, atol=SAME)
    np.testing.assert_allclose(paths.shares(before), [1.0, 0.0, 0.0], atol=1e-12)


def test_a_day_that_was_not_observed_is_taken_from_the_run_then_from_past_years() -> None:
    observed = missing(record("2026-05-01", 31), ["2026-05-24", "2026-05-26"])
    earlier_run = missing(run(14, "2026-05-22", issued="2026-05-28"), ["2026-05-26"])
    paths = spliced(Sources(observed=observed, run=earlier_run, past=years(2001, 2025)), "2026-05-20", 10)
    by_day = dict(zip([str(d) for d in paths.days], origins(paths), strict=True))
    assert (by_day["2026-05-23"] == OBSERVED).all()
    assert (by_day["2026-05-24"] == FORECAST).all()
    assert (by_day["2026-05-26"] == PAST_YEARS).all()


def test_a_single_run_joins_an_ensemble_as_one_more_member_if_it_reaches_as_far() -> None:
    past = years(2001, 2025)
    long = spliced(Sources(run=run(16), members=ensemble(9, 16), past=past))
    short = spliced(Sources(run=run(7), members=ensemble(9, 16), past=past))
    assert (long.n_members, short.n_members) == (10, 9)
    share = np.mean(np.abs(long.hours[0] - RUN) < SAME)
    assert share == pytest.approx(0.1 * 0.9, abs=0.02)
    assert not (np.abs(short.hours[:7] - RUN) < SAME).any()


def test_members_that_end_before_most_others_are_left_out() -> None:
    members = missing(ensemble(5, 16), [f"2026-06-{d}" for d in range(10, 17)], series=2)
    paths = spliced(Sources(members=members, past=years(2001, 2025)))
    assert paths.n_members == 4
    assert not (np.abs(paths.hours - (MEMBERS + 0.02)) < SAME).any()


def test_a_day_that_a_member_lacks_is_taken_from_the_single_run() -> None:
    members = missing(ensemble(1, 16), ["2026-06-01"])
    paths = spliced(
        Sources(run=run(7), members=members, past=years(2001, 2025)), biology=with_forecast(ensemble_weight=1.0)
    )
    np.testing.assert_allclose(paths.hours[0], RUN, atol=SAME)
    assert (np.abs(paths.hours[1] - MEMBERS) < SAME).mean() > 0.99


def test_a_day_that_a_member_lacks_is_never_taken_from_another_member() -> None:
    """Without a single run the gap goes to the path's past year: members are not mixed within a path."""
    members = missing(ensemble(2, 16), ["2026-06-03"], series=1)
    paths = spliced(Sources(members=members, past=years(2001, 2025)), biology=with_forecast(ensemble_weight=1.0))
    gap = paths.member == 1
    assert gap.any()
    assert (origins(paths)[2, gap] == PAST_YEARS).all()
    np.testing.assert_allclose(paths.hours[2, ~gap & (origins(paths)[2] == FORECAST)], MEMBERS, atol=SAME)


def test_a_forecast_that_ended_before_today_has_no_say_about_what_comes() -> None:
    paths = spliced(Sources(members=ensemble(20, 10, "2026-05-15"), past=years(2001, 2025)))
    assert (origins(paths) == PAST_YEARS).all()
    assert paths.n_members == 0


def test_without_past_years_a_forecast_that_is_long_enough_carries_all_paths() -> None:
    paths, usual = paths_of(Sources(members=ensemble(20, 60)))
    assert usual is None
    assert (origins(paths) == FORECAST).all()
    assert not np.isnan(paths.hours).any()
    assert len(paths.years) == 0


def test_without_past_years_days_past_the_forecasts_end_are_unknown_not_zero() -> None:
    paths, usual = paths_of(Sources(members=ensemble(20, 16)))
    assert usual is None
    assert not np.isnan(paths.hours[:16]).any()
    assert np.isnan(paths.hours[16:]).all()
    assert (origins(paths)[16:] == UNKNOWN).all()
    assert np.isnan(paths.strict_hours()[16:]).all()
    np.testing.assert_array_equal(paths.daily_shares()[16:], 0.0)  # and so the named shares fall short of 1


@pytest.mark.parametrize(
    "sources",
    [
        Sources(past=years(2026, 2026)),
        Sources(observed=record("2025-01-01", 100)),
        Sources(members=ensemble(3, 5, "2026-02-01")),
    ],
    ids=["only the year in question", "a record of another season", "an old forecast"],
)
def test_where_nothing_is_known_of_the_dates_the_request_is_refused(sources: Sources) -> None:
    with pytest.raises(RequestError, match="holds nothing for 2026-06-01 to 2026-07-10"):
        paths_of(sources)


# --- the day on which a forecast was made -----------------------------------------------------------------------


def test_leads_count_from_the_day_the_forecast_was_made_so_that_a_stale_one_loses_weight() -> None:
    """An ensemble of 28 May, asked on 1 June: its fifth day has the weight of lead 4, though it is today."""
    members = by_hours("2026-05-28", np.full((50, 16), MEMBERS), kind="ensemble")
    paths = spliced(Sources(members=members, past=years(2001, 2025)), n_days=20)
    leads = np.arange(4.0, 24.0)
    expected = np.where(leads < 16, ensemble_weight(leads, BIOLOGY.forecast), 0.0)
    np.testing.assert_allclose(paths.daily_shares()[:, FORECAST], expected, atol=1e-3)


def test_members_dressed_from_a_run_count_as_an_ensemble_to_lead_7_and_as_a_run_beyond() -> None:
    members = replace(ensemble(20, 16), provenance=replace(ensemble(1, 1).provenance, kind="spread"))
    paths = spliced(Sources(members=members, past=years(2001, 2025)))
    leads = np.arange(16.0)
    expected = np.where(leads <= 7, ensemble_weight(leads, BIOLOGY.forecast), single_weight(leads, BIOLOGY.forecast))
    np.testing.assert_allclose(paths.daily_shares()[:16, FORECAST], expected, atol=1e-3)


def test_what_a_run_says_of_days_before_it_was_made_is_known_and_what_it_says_from_then_on_is_forecast() -> None:
    """A run of 30 May that begins on 25 May, asked on 1 June: five days as analysed, then its weight by lead."""
    paths = spliced(Sources(run=run(14, "2026-05-25", issued="2026-05-30"), past=years(2001, 2025)), "2026-05-20", 20)
    share = paths.daily_shares()[:, FORECAST]
    np.testing.assert_array_equal(share[:5], 0.0)
    np.testing.assert_array_equal(share[5:10], 1.0)
    np.testing.assert_allclose(paths.hours[5:10], RUN, atol=SAME)
    leads = np.arange(9.0)
    np.testing.assert_allclose(share[10:19], single_weight(leads, BIOLOGY.forecast), atol=1e-3)
    assert share[19] == 0.0


def test_a_record_comes_before_what_a_run_says_of_the_same_days() -> None:
    sources = Sources(observed=record("2026-05-01", 29), run=run(14, "2026-05-25", issued="2026-05-30"))
    paths = spliced(sources, "2026-05-24", 10)
    assert [int(kind) for kind in origins(paths)[:, 0]] == [OBSERVED] * 6 + [FORECAST] * 4


def test_a_forecast_that_is_not_made_yet_has_no_say() -> None:
    """Asked on 1 June with a run of 6 June that also holds the days before: it would tell their outcome."""
    later_run, later_members = (
        by_hours("2026-05-25", np.full((n, 20), RUN), kind=kind, issued="2026-06-06")  # type: ignore[arg-type]
        for n, kind in ((1, "forecast"), (9, "ensemble"))
    )
    paths = spliced(Sources(run=later_run, members=later_members, past=years(2001, 2025)), "2026-05-20", 30)
    assert (origins(paths) == PAST_YEARS).all()
    tomorrow = spliced(Sources(run=run(14, "2026-06-02"), past=years(2001, 2025)))
    assert (origins(tomorrow) == FORECAST).any()


def laid_forecast(**known: datetime | None) -> SiteWeather:
    """Twenty days from 25 May at longitude -60, whose solar days begin at 4 UTC, in normal form laid on the site."""
    times = np.datetime64("2026-05-25T04", "h") + np.arange(20 * 24)
    columns = {"temp_c": np.full(480, 20.0), "wind_ms": np.full(480, 1.0)}
    site = stand(longitude=-60.0, timezone="America/Halifax")
    weather = make_weather(times, columns, Provenance("invented", "forecast", "none", **known))  # type: ignore[arg-type]
    return lay_on_site(weather, site, BIOLOGY.flight)


@pytest.mark.parametrize(
    ("known", "made"),
    [
        ({"run_time": datetime(2026, 5, 30, 0, tzinfo=UTC)}, "2026-05-29"),
        ({"run_time": datetime(2026, 5, 30, 6, tzinfo=UTC)}, "2026-05-30"),
        ({"fetched_at": datetime(2026, 5, 31, 18, tzinfo=UTC)}, "2026-05-31"),
        (
            {"run_time": datetime(2026, 5, 30, 12, tzinfo=UTC), "fetched_at": datetime(2026, 5, 31, 12, tzinfo=UTC)},
            "2026-05-30",
        ),
        ({}, "2026-05-29"),
    ],
    ids=["run before the solar day begins", "run after", "fetched", "run before fetching", "neither: last day - 15"],
)
def test_the_day_a_forecast_was_made_is_the_solar_day_of_its_run_else_of_its_fetching_else_estimated(
    known: dict[str, datetime], made: str
) -> None:
    assert laid_forecast(**known).issued == np.datetime64(made)


def test_a_short_forecast_that_does_not_say_when_it_was_made_is_taken_as_made_on_its_first_day() -> None:
    weather = laid_forecast()
    times = np.datetime64("2026-05-25T04", "h") + np.arange(5 * 24)
    columns = {"temp_c": np.full(120, 20.0), "wind_ms": np.full(120, 1.0)}
    kinds: tuple[Kind, ...] = ("forecast", "ensemble", "spread", "observation", "analysis", "typical")
    site = stand(longitude=-60.0, timezone="America/Halifax")
    made = {
        kind: lay_on_site(make_weather(times, columns, Provenance("invented", kind, "none")), site, BIOLOGY.flight)
        for kind in kinds
    }
    assert [str(made[kind].issued) for kind in kinds] == ["2026-05-25"] * 3 + ["None"] * 3
    assert weather.issued is not None


# --- past years -----------------------------------------------------------------------------------------------


def dated(first: str, last: str) -> SiteWeather:
    """A record whose temperature is the number of the day, so that a day can be recognised."""
    days = np.arange(first, last, dtype="datetime64[D]")
    weather = by_hours(first, np.full(len(days), 2.0))
    return replace(weather, temp_c=np.repeat(days.astype(float)[None, :, None], 24, axis=2))


def test_each_past_year_serves_once_for_each_shift_of_its_dates() -> None:
    """Hours differ by date here: block (year, shift) holds the same dates moved by the shift."""
    past = changeable("2020-01-01", 366 + 365, np.random.default_rng(5))
    _, usual = paths_of(Sources(past=past), "2026-06-01", 30, today=np.datetime64("2026-01-01"))
    assert usual is not None
    by_day = past.flight(BIOLOGY.flight, 1.0).effective_h[0]
    assert usual.hours.shape == (30, 2 * len(SHIFTS_D))
    for block in range(usual.hours.shape[1]):
        year, shift = 2020 + block // len(SHIFTS_D), SHIFTS_D[block % len(SHIFTS_D)]
        at = int((np.datetime64(f"{year}-06-01") - past.days[0]).astype(int)) + shift
        walked = naive_pent_up(by_day[at : at + 30].tolist())
        np.testing.assert_allclose(usual.hours[:, block], [h for h, _ in walked], atol=1e-12)
    assert usual.years.tolist() == [2020, 2021]


def test_missing_days_of_a_past_year_are_filled_from_within_three_days_or_the_year_is_left_out() -> None:
    past = years(2001, 2025)
    small_gap = missing(past, ["2010-06-10", "2010-06-11", "2010-06-12"])
    paths = spliced(Sources(past=small_gap))
    assert 2010 in paths.years
    assert not np.isnan(paths.hours).any()
    np.testing.assert_allclose(paths.hours[:, paths.years[paths.year] == 2010], 1.0, atol=SAME)
    assert paths.notes == ()

    big_gap = missing(past, [f"2010-06-{d}" for d in range(10, 17)])
    left = spliced(Sources(past=big_gap))
    assert left.years.tolist() == [y for y in range(2001, 2026) if y != 2010]
    assert not np.isnan(left.hours).any()
    (note,) = left.notes
    assert note.startswith("1 past year")


def test_only_the_needed_days_decide_whether_a_past_year_serves() -> None:
    """13 to 26 June are needed, moved 6 June to 3 July: 2010 lacks days before, 2011 days after, 2012 some of them."""
    past = years(2001, 2025)
    past = missing(past, [str(np.datetime64("2010-05-25") + i) for i in range(12)])
    past = missing(past, [f"2011-07-{d:02d}" for d in range(4, 13)])
    past = missing(past, [f"2012-06-{d}" for d in range(15, 23)])
    paths, usual = paths_of(Sources(past=past), n_days=40, needed=slice(12, 26))
    assert usual is not None
    assert paths.years.tolist() == [y for y in range(2001, 2026) if y != 2012]
    assert not np.isnan(paths.hours[12:26]).any()
    unknown = np.isnan(paths.hours)
    assert set(paths.years[paths.year[unknown.any(axis=0)]]) == {2010, 2011}
    np.testing.assert_array_equal(origins(paths) == UNKNOWN, unknown)
    (note,) = paths.notes
    assert note.startswith("1 past year lacks")


def test_a_missing_day_takes_the_nearest_day_that_is_known() -> None:
    hours = np.array([1.0] * 31 + [2.0] * 40)  # 2025-05-20 to 06-19, then 06-20 on
    past = missing(by_hours("2025-05-20", hours), ["2025-06-19", "2025-06-20"])
    _, usual = paths_of(Sources(past=past), "2026-06-10", 20, today=np.datetime64("2026-01-01"))
    assert usual is not None
    unshifted = usual.hours[:, SHIFTS_D.index(0)]
    np.testing.assert_allclose(unshifted[8:12], [1.0, 1.0, 2.0, 2.0], atol=SAME)


def test_a_start_on_29_february_begins_on_28_february_in_every_past_year() -> None:
    past = dated("2019-01-01", "2028-01-01")
    found, rows = year_rows(past, np.datetime64("2028-02-29"), np.arange(30), np.datetime64("2028-02-29"))
    assert found.tolist() == list(range(2019, 2028))
    assert [str(d) for d in past.days[rows[:, 0]]] == [f"{y}-02-28" for y in range(2019, 2028)]
    paths = spliced(Sources(past=years(2001, 2027)), "2028-02-29", today=np.datetime64("2028-02-01"))
    assert paths.years.tolist() == list(range(2001, 2028))
    assert not np.isnan(paths.hours).any()


def test_a_southern_season_runs_over_new_year_in_one_block() -> None:
    past = dated("2015-01-01", "2026-09-01")
    found, rows = year_rows(past, np.datetime64("2026-12-10"), np.arange(-7, 55), np.datetime64("2026-09-01"))
    whole = (rows >= 0).all(axis=1)
    assert found[whole].tolist() == list(range(2015, 2026))
    for year, row in zip(found[whole], rows[whole], strict=True):
        assert past.days[row[7]] == np.datetime64(f"{year}-12-10")
        assert (np.diff(row) == 1).all()
    hours = by_hours("2015-01-01", np.where(past.days.astype("datetime64[M]").astype(int) % 12 == 0, 3.0, 1.0))
    paths = spliced(Sources(past=hours), "2026-12-10", 45, today=np.datetime64("2026-09-01"))
    unshifted = paths.hours[:, np.abs(paths.hours[22] - 3.0) < SAME]
    assert paths.years.tolist() == list(range(2015, 2026))
    assert str(paths.days[22]) == "2027-01-01"
    assert unshifted.shape[1] >= 11  # on 1 January those that are not moved back into December


def test_a_typical_year_goes_round() -> None:
    """Its December joins its January; the year counts as one, and is called 0."""
    days = np.arange("2001-01-01", "2002-01-01", dtype="datetime64[D]")
    month = days.astype("datetime64[M]").astype(int) % 12 + 1
    typical = by_hours("2001-01-01", 0.25 * month, kind="typical")
    paths = spliced(Sources(past=typical), "2026-12-20", 30, today=np.datetime64("2026-12-01"))
    assert paths.years.tolist() == [0]
    assert paths.hours.shape[1] == len(SHIFTS_D)
    unshifted = paths.hours[:, paths.source[0] == SHIFTS_D.index(0)][:, 0]
    assert unshifted[:12] == pytest.approx([3.0] * 12, abs=SAME)
    assert unshifted[12:] == pytest.approx([0.25] * 18, abs=SAME)


@given(
    start_d=st.integers(0, 366),
    lead_d=st.integers(-80, 80),
    n_days=st.integers(1, 80),
)
@settings(max_examples=60, deadline=None)
def test_the_year_being_judged_never_serves_as_a_past_year(start_d: int, lead_d: int, n_days: int) -> None:
    """With a record that runs on to 2016, no day of any block lies on or after today or within reach of the days judged."""
    past = dated("2009-01-01", "2016-01-01")
    first_day = np.datetime64("2013-01-01") + start_d
    today = first_day - lead_d
    margin = max(SHIFTS_D)
    _, rows = year_rows(past, first_day, np.arange(-margin, n_days + margin), today)
    used = past.days[rows[rows >= 0]]
    assert (used < today).all()
    assert (used < first_day - margin).all()


def test_a_hindcast_sees_nothing_of_the_outcome() -> None:
    """2013 and all later years are fine, the years before are hopeless: judged in 2013, hope must not leak in."""
    past = by_hours("2005-01-01", np.repeat([0.0, 4.0], [8 * 365 + 2, 4 * 365]))
    paths = spliced(Sources(past=past), "2013-06-01", today=np.datetime64("2013-06-01"))
    assert paths.years.tolist() == list(range(2005, 2013))
    assert (paths.hours < SAME).all()


# --- the trend --------------------------------------------------------------------------------------------------


def warming(first: int, last: int, slope_k: float) -> SiteWeather:
    """Cool days, each year warmer by the slope than the one before; without scatter."""
    days = np.arange(f"{first}-01-01", f"{last + 1}-01-01", dtype="datetime64[D]")
    weather = by_hours(f"{first}-01-01", np.full(len(days), 4.0), temp_c=17.0)
    year = days.astype("datetime64[Y]").astype(int) + 1970
    return replace(weather, temp_c=weather.temp_c + slope_k * (year - first)[None, :, None])


@pytest.mark.parametrize(
    ("slope_k", "used_k"), [(0.05, 0.05), (0.2, 0.08), (-0.1, 0.0)], ids=["as it is", "capped", "no cooling"]
)
def test_past_years_are_warmed_to_the_year_in_question_by_a_slope_of_none_to_0_08_k_a_year(
    slope_k: float, used_k: float
) -> None:
    paths = spliced(Sources(past=warming(2000, 2025, slope_k)))
    assert paths.trend_k == pytest.approx(used_k * np.mean(2026 - paths.years), abs=1e-9)
    # each year's days, brought to 2026: warmed by slope x (2026 - year)
    level_0 = [
        row for rows in paths.rows if rows.kind == PAST_YEARS for row in rows.effective_h[:: len(SHIFTS_D), 0, 0]
    ]
    temp = 17.0 + slope_k * (paths.years - 2000) + used_k * (2026 - paths.years)
    np.testing.assert_allclose(level_0, 4.0 / (1.0 + np.exp(-0.9 * (temp - 19.0))), rtol=1e-6)


@pytest.mark.parametrize(("first", "warmed"), [(2006, True), (2007, False)])
def test_a_trend_is_believed_from_twenty_years_on(first: int, warmed: bool) -> None:  # noqa: FBT001
    paths = spliced(Sources(past=warming(first, 2025, 0.05)))
    assert len(paths.years) == 2026 - first
    assert (paths.trend_k > 0.1) == warmed


def test_a_typical_year_has_no_trend() -> None:
    typical = by_hours("2001-01-01", np.full(365, 2.0), kind="typical")
    assert spliced(Sources(past=typical)).trend_k == 0.0


# --- what the paths say -----------------------------------------------------------------------------------------


def test_hours_and_losses_of_the_paths_add_up_to_the_window_on_every_day() -> None:
    sources = Sources(
        observed=changeable("2026-05-01", 31, np.random.default_rng(8)),
        members=changeable("2026-06-01", 16, np.random.default_rng(9), n_series=12, kind="ensemble"),
        past=a_changeable_past(),
    )
    paths = spliced(sources, "2026-05-20")
    total = paths.hours.mean(axis=1) + paths.mean_losses().sum(axis=1)
    np.testing.assert_allclose(total, paths.window_h, atol=1e-12)
    np.testing.assert_allclose(paths.window_h, 4.0, atol=1e-12)
    assert (paths.strict_hours() <= 4.0).all()


def test_pent_up_drive_runs_on_across_the_seam() -> None:
    """Five hopeless observed days, then past years at 18 °C: the first of those is flown as by pent-up queens."""
    observed = by_hours("2026-05-20", np.zeros(12))
    marginal = by_hours("2001-01-01", np.full(25 * 365 + 6, 4.0), temp_c=18.0)
    paths = spliced(Sources(observed=observed, past=marginal), "2026-05-20", 20)
    at_rest, pent_up = (4.0 / (1.0 + np.exp(-0.9 * (18.0 + drop - 19.0))) for drop in (0.0, 2.0))
    np.testing.assert_allclose(paths.hours[12], pent_up, atol=1e-9)
    np.testing.assert_allclose(paths.hours[13], at_rest, atol=1e-9)
    assert (paths.level[12] == 5).all()


def test_resampling_weighs_each_path_by_its_year_and_its_member() -> None:
    paths = spliced(Sources(members=ensemble(10, 16), past=years(2001, 2025)))
    weights = draw_weights(paths, n_draws=2000)
    assert weights.shape == (2000, 1000)
    assert weights.mean() == pytest.approx(1.0, abs=0.05)
    # paths of one year on past years alone get the same weight in a redraw
    alone = spliced(Sources(past=years(2001, 2025)))
    by_year = draw_weights(alone, n_draws=50)
    for year in range(25):
        of_year = by_year[:, alone.year == year]
        np.testing.assert_array_equal(of_year, of_year[:, :1].repeat(of_year.shape[1], axis=1))
    np.testing.assert_allclose(by_year.mean(axis=1), 1.0)


def test_the_resampled_range_of_a_mean_has_the_width_of_its_standard_error() -> None:
    """25 years of a yes-or-no event in 10 of them: 5 to 95 % is 2 x 1.645 x sqrt(.4 x .6 / 25), to 10 %."""
    alone = spliced(Sources(past=years(2001, 2025)))
    event = (alone.year < 10).astype(float)[None, :]
    ((low, high),) = resampled_ranges(event, np.ones_like(event), draw_weights(alone, n_draws=4000))
    assert high - low == pytest.approx(2.0 * 1.645 * np.sqrt(0.4 * 0.6 / 25.0), rel=0.1)
    assert low < 0.4 < high


def test_one_typical_year_cannot_show_its_doubt() -> None:
    typical = by_hours("2001-01-01", np.full(365, 2.0), kind="typical")
    assert (draw_weights(spliced(Sources(past=typical))) == 1.0).all()
