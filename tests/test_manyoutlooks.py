"""Many batches of a site at once say the same as one by one, and a kept past the same as the whole record."""

from __future__ import annotations

import os
from dataclasses import replace
from datetime import UTC, date, datetime, timedelta
from typing import TYPE_CHECKING, Any

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from matewindow import mating
from matewindow.biology import load_biology
from matewindow.chainodds import Chain, _different
from matewindow.errors import MatewindowError, RequestError
from matewindow.flight import CAUSES
from matewindow.graft import graft_decision
from matewindow.hours import hourly_outlook
from matewindow.keptpast import KeptPast, past_edition, past_key
from matewindow.manyoutlooks import outlooks_of
from matewindow.odds import after_checks, odds_of, risks, still_good
from matewindow.outlook import RUN_IN_D, Outlook, batch_outlook, known_hours, window_span
from matewindow.pathparts import FORECAST
from matewindow.paths import Judged, Sources, build_paths
from matewindow.processes import in_processes
from matewindow.resampling import draw_weights, quantiles, redrawn_ranges, resampled_ranges
from matewindow.siteweather import lay_on_site
from matewindow.sources import sources_of
from matewindow.timeline import Batch, Check, emergence_days, graft_time
from matewindow.weather.entries import DamagedError
from matewindow.weather.folder import WeatherFolder
from matewindow.weather.normal import Provenance, Weather, make_weather
from matewindow.weather.steps import WetHours, respread
from tests.made_weather import by_hours, changeable, stand

if TYPE_CHECKING:
    from collections.abc import Iterator

    from numpy.typing import NDArray

    from matewindow.paths import Paths
    from matewindow.site import Site
    from matewindow.siteweather import SiteWeather
    from matewindow.timeline import Seen

    Floats = NDArray[np.float64]

BIOLOGY = load_biology()
SITE = stand()
NOW = datetime(2026, 5, 27, 6, tzinfo=UTC)
TODAY = np.datetime64("2026-05-27")
SAW: tuple[Seen, ...] = ("eggs", "virgin", "nothing")


def with_gaps(weather: SiteWeather, rng: np.random.Generator, rate: float) -> SiteWeather:
    """The same weather with single hours of single variables missing."""

    def cut(values: Floats | None) -> Floats | None:
        return None if values is None else np.where(rng.random(values.shape) < rate, np.nan, values)

    changed: dict[str, Any] = {
        name: cut(getattr(weather, name)) for name in ("temp_c", "wind_ms", "rain_mm", "ghi_wm2")
    }
    return replace(weather, **changed)


def any_sources(rng: np.random.Generator) -> Sources:
    """Weather of all kinds, any of them absent, with and without gaps; invented."""
    n_years, rate = int(rng.choice([0, 4, 21])), float(rng.choice([0.0, 0.004]))
    n_days = int((np.datetime64("2026-01-01") - np.datetime64(f"{2026 - n_years}-01-01")).astype(int))
    parts: dict[str, Any] = {
        "observed": changeable("2026-04-10", 48, rng),
        "run": changeable("2026-05-25", 9, rng, kind="forecast", issued="2026-05-27"),
        "members": changeable("2026-05-27", 15, rng, n_series=9, kind="ensemble"),
        "past": changeable(f"{2026 - n_years}-01-01", n_days, rng) if n_years else None,
    }
    there = [name for name, part in parts.items() if part is not None and (name == "past" or rng.random() < 0.7)]
    chosen: dict[str, Any] = {name: with_gaps(parts[name], rng, rate) for name in there}
    return Sources(**chosen)


def any_batch(rng: np.random.Generator) -> Batch:
    """Grafted on any of fifty days, perhaps moved, found emerged and looked into: also what cannot be."""
    grafted = date(2026, 4, 15) + timedelta(days=int(rng.integers(0, 50)))
    born = grafted + timedelta(days=12 + int(rng.integers(-3, 4)))
    checks = tuple(
        Check(born + timedelta(days=int(rng.integers(-1, 26))), SAW[int(rng.integers(3))])
        for _ in range(int(rng.integers(0, 3)))
    )
    return Batch(
        graft_time(grafted, SITE) + timedelta(hours=float(rng.choice([0.0, 5.0, -11.0]))),
        sealed_temp_c=float(rng.choice([34.5, 33.0, 20.0])),  # 20 °C lies outside what is known
        emerged=born if rng.random() < 0.3 else None,
        checks=checks,
    )


def alone(batch: Batch, sources: Sources, site: Site = SITE, now: datetime = NOW) -> Outlook | MatewindowError:
    try:
        return batch_outlook(batch, site, sources, now, BIOLOGY)
    except MatewindowError as fault:
        return fault


def same(one: Outlook | MatewindowError, other: Outlook | MatewindowError) -> bool:
    """Equal to the last bit; errors by type and text."""
    if isinstance(one, MatewindowError) or isinstance(other, MatewindowError):
        return type(one) is type(other) and str(one) == str(other)
    by_path = [(np.array_equal(getattr(one.by_path, n), getattr(other.by_path, n))) for n in ("share", "weight")]
    return one == other and all(by_path)


def spread_batches(n: int, site: Site = SITE) -> list[Batch]:
    """Grafted over forty days around four weeks ago."""
    return [Batch(graft_time(date(2026, 4, 20) + timedelta(days=40 * i // n), site)) for i in range(n)]


# --- many at once --------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("seed", range(12))
def test_each_of_many_outlooks_is_to_the_last_bit_that_of_the_batch_alone(seed: int) -> None:
    rng = np.random.default_rng(seed)
    sources = any_sources(rng)
    batches = [any_batch(rng) for _ in range(7)]
    batches += [batches[2], replace(batches[4], checks=()), batches[0]]  # the same again, and with other checks
    found = outlooks_of(batches, SITE, sources, NOW, BIOLOGY)
    assert len(found) == len(batches)
    for one, batch in zip(found, batches, strict=True):
        assert same(one, alone(batch, sources))
        assert isinstance(one, MatewindowError) or one.batch is batch


def test_the_random_batches_hold_good_ones_and_such_that_end_in_errors() -> None:
    """So that the comparison above compares something."""
    kinds = set()
    for seed in range(12):
        rng = np.random.default_rng(seed)
        sources = any_sources(rng)
        kinds |= {type(x) for x in outlooks_of([any_batch(rng) for _ in range(7)], SITE, sources, NOW, BIOLOGY)}
    assert kinds == {Outlook, RequestError}


@given(st.permutations(range(6)))
@settings(max_examples=10, deadline=None)
def test_the_order_of_the_batches_does_not_matter(order: list[int]) -> None:
    rng = np.random.default_rng(3)
    sources, batches = any_sources(rng), [any_batch(rng) for _ in range(6)]
    straight = outlooks_of(batches, SITE, sources, NOW, BIOLOGY)
    for at, found in zip(order, outlooks_of([batches[i] for i in order], SITE, sources, NOW, BIOLOGY), strict=True):
        assert same(found, straight[at])


def test_one_impossible_batch_keeps_no_other_from_its_outlook() -> None:
    sources = Sources(observed=changeable("2026-04-10", 48, np.random.default_rng(1)), past=past_days())
    good = spread_batches(1)[0]
    bad = replace(good, sealed_temp_c=20.0)
    ahead = replace(good, checks=(Check(date(2026, 7, 1), "eggs"),))
    first, second, third = outlooks_of([bad, ahead, good], SITE, sources, NOW, BIOLOGY)
    assert isinstance(first, RequestError)
    assert "20" in str(first)
    assert isinstance(second, RequestError)
    assert "future" in str(second)
    assert isinstance(third, Outlook)


def test_no_weather_at_all_is_told_for_every_batch() -> None:
    found = outlooks_of(spread_batches(3), SITE, Sources(), NOW, BIOLOGY)
    assert len(found) == 3
    assert all(isinstance(one, RequestError) and "weather" in str(one) for one in found)


def test_no_batches_give_no_outlooks() -> None:
    assert outlooks_of([], SITE, Sources(), NOW, BIOLOGY) == []


def past_days(seed: int = 5, n_years: int = 21) -> SiteWeather:
    first = 2026 - n_years
    n_days = int((np.datetime64("2026-01-01") - np.datetime64(f"{first}-01-01")).astype(int))
    return changeable(f"{first}-01-01", n_days, np.random.default_rng(seed))


# --- the parts that are shared ----------------------------------------------------------------------------------------


def paths_of(
    seed: int, batch: Batch, observed: SiteWeather | None = None
) -> tuple[Paths, Paths | None, np.datetime64, Floats]:
    """Paths of a batch without missing hours, its first emergence day and shares of emergence."""
    sources = Sources(
        observed=observed,
        members=changeable("2026-05-27", 16, np.random.default_rng(seed), n_series=11, kind="ensemble"),
        past=past_days(seed),
    )
    first, weights = emergence_days(batch, SITE, BIOLOGY)
    span = window_span(len(weights), BIOLOGY)
    paths, usual = build_paths(sources, first - RUN_IN_D, span.n_days, TODAY, BIOLOGY, 1.0, needed=span.needed)
    assert usual is not None
    return replace(paths, hours=known_hours(paths)), replace(usual, hours=known_hours(usual)), first, weights


@pytest.mark.parametrize("grafted", [date(2026, 5, 2), date(2026, 5, 20), date(2026, 6, 9)])
@pytest.mark.parametrize("checks", [(), ("nothing",), ("virgin", "nothing"), ("eggs",), ("nothing", "eggs")])
def test_the_short_form_of_the_odds_equals_every_cell_spelt_out(grafted: date, checks: tuple[Seen, ...]) -> None:
    """For windows with much forecast, little, and none, where paths share the chain with their past year."""
    paths, usual, first, weights = paths_of(7, Batch(graft_time(grafted, SITE)))
    drones = np.linspace(0.5, 1.0, len(paths.days))
    seen = tuple(Check(SITE.civil_day(first + 10 + 6 * i), saw) for i, saw in enumerate(checks))
    short = Chain(BIOLOGY).odds(paths, usual, drones, RUN_IN_D, weights)
    assert usual is not None
    for of, chain in ((paths, short[0]), (usual, short[1])):
        assert chain is not None
        found = chain.after(seen, first, SITE)
        plain = after_checks(odds_of(of.hours, drones, RUN_IN_D, weights, BIOLOGY), seen, first, SITE)
        assert found.checked == plain.checked == bool(seen)
        np.testing.assert_allclose(found.by_path(), plain.by_path(), atol=1e-13)
        np.testing.assert_allclose(found.egg_days(), plain.egg_days(), atol=1e-12)
        np.testing.assert_allclose(found.well_mated_from(15), plain.well_mated_from(15), atol=1e-13)
        flights = plain.flight_days()
        n_days = len(found.flight_days())
        np.testing.assert_allclose(found.flight_days(), flights[:n_days], atol=1e-12)
        assert (flights[n_days:] == 0.0).all()
        np.testing.assert_allclose(still_good(found), still_good(plain), atol=1e-9)
        assert found.fates() == pytest.approx(plain.fates(), abs=1e-12)
        assert risks(found, of, BIOLOGY).well_mated.value == pytest.approx(plain.fates()["well_mated"], abs=1e-12)


def test_what_cannot_be_is_refused_by_the_short_form_as_well() -> None:
    paths, usual, first, weights = paths_of(7, Batch(graft_time(date(2026, 5, 2), SITE)))
    odds, _ = Chain(BIOLOGY).odds(paths, usual, np.ones(len(paths.days)), RUN_IN_D, weights)
    with pytest.raises(RequestError, match=r"eggs on .* cannot be"):
        odds.after((Check(SITE.civil_day(first + 2), "eggs"),), first, SITE)


def test_a_window_beyond_the_forecast_runs_the_chain_on_its_past_years_only() -> None:
    paths, usual, _, weights = paths_of(7, Batch(graft_time(date(2026, 6, 9), SITE)))
    assert usual is not None
    odds, before = Chain(BIOLOGY).odds(paths, usual, np.ones(len(paths.days)), RUN_IN_D, weights)
    assert odds.course.unmated.shape[1] == usual.hours.shape[1] < paths.hours.shape[1] / 5
    assert before is not None
    assert odds.fates() == pytest.approx(before.fates(), abs=1e-12)


@pytest.mark.parametrize("grafted", [date(2026, 4, 12), date(2026, 4, 21)])
@pytest.mark.parametrize("checks", [(), ("virgin", "nothing")])
def test_paths_that_follow_one_member_for_as_long_as_queens_fly_share_one_run(
    grafted: date, checks: tuple[Seen, ...]
) -> None:
    observed = changeable("2026-04-01", 60, np.random.default_rng(3))
    paths, usual, first, weights = paths_of(7, Batch(graft_time(grafted, SITE)), observed)
    assert usual is not None
    drones = np.linspace(0.5, 1.0, len(paths.days))
    seen = tuple(Check(SITE.civil_day(first + 10 + 6 * i), saw) for i, saw in enumerate(checks))
    chain, _ = Chain(BIOLOGY).odds(paths, usual, drones, RUN_IN_D, weights)
    lasting = paths.origin[paths.source[-1]] == FORECAST
    assert 0.1 < lasting.mean() < 0.9
    n_own = chain.course.unmated.shape[1] - usual.hours.shape[1]
    assert n_own == (~lasting).sum() + len(np.unique(paths.member[lasting]))
    plain = after_checks(odds_of(paths.hours, drones, RUN_IN_D, weights, BIOLOGY), seen, first, SITE)
    found = chain.after(seen, first, SITE)
    np.testing.assert_allclose(found.by_path(), plain.by_path(), atol=1e-13)
    np.testing.assert_allclose(found.egg_days(), plain.egg_days(), atol=1e-12)
    np.testing.assert_allclose(found.well_mated_from(15), plain.well_mated_from(15), atol=1e-13)


def test_different_paths_of_the_same_sum_are_not_taken_for_alike() -> None:
    """No two days weigh the same, but another history of hours may come to the same all the same."""
    weigh = np.cos(np.arange(2.0))
    hours = np.array([[2.0, 2.0, 0.0], [0.0, 0.0, 2.0 * weigh[0] / weigh[1]]])
    own, like = _different(hours)
    np.testing.assert_array_equal(hours[:, own[like]], hours)
    own, like = _different(hours[:, :2])
    assert len(own) == 1
    assert _different(hours[:, :0])[0].size == 0


def test_room_that_is_used_again_leaves_nothing_of_the_batch_before() -> None:
    chain = Chain(BIOLOGY)
    drones = np.ones(80)
    for grafted in (date(2026, 5, 2), date(2026, 6, 9), date(2026, 5, 20)):
        paths, usual, _, weights = paths_of(8, Batch(graft_time(grafted, SITE)))
        used = chain.odds(paths, usual, drones[: len(paths.days)], RUN_IN_D, weights)[0]
        fresh = Chain(BIOLOGY).odds(paths, usual, drones[: len(paths.days)], RUN_IN_D, weights)[0]
        np.testing.assert_array_equal(used.by_path(), fresh.by_path())
        np.testing.assert_array_equal(used.egg_days(), fresh.egg_days())
        np.testing.assert_array_equal(used.flight_days(), fresh.flight_days())


@pytest.mark.parametrize("rate", [0.0, 0.01])
def test_weather_judged_for_a_season_is_that_judged_for_one_window(rate: float) -> None:
    rng = np.random.default_rng(9)
    sources = Sources(
        observed=with_gaps(changeable("2026-03-01", 90, rng), rng, rate),
        members=with_gaps(changeable("2026-05-27", 16, rng, n_series=5, kind="ensemble"), rng, rate),
    )
    first, n_days = np.datetime64("2026-05-10"), 50
    season = Judged.of(sources, np.datetime64("2026-01-01"), 300, TODAY, BIOLOGY, 0.8)
    assert season.covers(first + np.arange(n_days))
    together, _ = build_paths(sources, first, n_days, TODAY, BIOLOGY, 0.8, judged=season)
    apart, _ = build_paths(sources, first, n_days, TODAY, BIOLOGY, 0.8)
    np.testing.assert_array_equal(together.hours, apart.hours)
    np.testing.assert_array_equal(together.strict_hours(), apart.strict_hours())
    np.testing.assert_array_equal(together.mean_losses(), apart.mean_losses())


def test_weather_judged_for_other_days_is_judged_anew() -> None:
    sources = Sources(observed=changeable("2026-03-01", 90, np.random.default_rng(9)))
    elsewhen = Judged.of(sources, np.datetime64("2026-03-01"), 10, TODAY, BIOLOGY, 1.0)
    first = np.datetime64("2026-04-10")
    found, _ = build_paths(sources, first, 30, TODAY, BIOLOGY, 1.0, judged=elsewhen)
    np.testing.assert_array_equal(found.hours, build_paths(sources, first, 30, TODAY, BIOLOGY, 1.0)[0].hours)


@pytest.mark.parametrize("rate", [0.0, 0.02])
def test_losses_of_the_paths_are_the_mean_over_each_path_on_its_own(rate: float) -> None:
    rng = np.random.default_rng(4)
    sources = Sources(
        observed=with_gaps(changeable("2026-05-01", 26, rng), rng, rate),
        members=with_gaps(changeable("2026-05-27", 16, rng, n_series=6, kind="ensemble"), rng, rate),
        past=with_gaps(past_days(), rng, rate / 10.0),
    )
    paths, _ = build_paths(sources, np.datetime64("2026-05-20"), 40, TODAY, BIOLOGY, 1.0)
    n_days, n_paths = paths.hours.shape
    expected = np.zeros((n_days, len(CAUSES)))
    first = 0
    for rows in paths.rows:
        for day in range(n_days):
            own = np.flatnonzero((paths.source[day] >= first) & (paths.source[day] < first + len(rows.strict_h)))
            if len(own):
                lost = rows.lost(paths.source[day, own] - first, np.full(len(own), day), paths.level[day, own])
                expected[day] += np.nansum(lost, axis=0) / n_paths
        first += len(rows.strict_h)
    np.testing.assert_allclose(paths.mean_losses(), expected, atol=1e-12)
    np.testing.assert_array_equal(paths.mean_losses(slice(7, 12)), paths.mean_losses()[7:12])


def test_ranges_by_way_of_year_and_member_are_those_of_the_weights_of_all_paths() -> None:
    paths, _, _, _ = paths_of(7, Batch(graft_time(date(2026, 5, 2), SITE)))
    rng = np.random.default_rng(1)
    tops, bottoms = rng.random((3, len(paths.year))), 1.0 + rng.random((3, len(paths.year)))
    bottoms[2] = 0.0
    found = redrawn_ranges(tops, bottoms, paths)
    np.testing.assert_allclose(found, resampled_ranges(tops, bottoms, draw_weights(paths)), atol=1e-12)
    assert np.isnan(found[2]).all()
    assert (found[:2, 0] < found[:2, 1]).all()


@pytest.mark.parametrize("rate", [0.0, 0.01])
def test_the_hours_around_the_window_fly_and_lose_what_whole_days_do(rate: float) -> None:
    rng = np.random.default_rng(2)
    whole = with_gaps(lay_on_site(hourly(rng, "2020-12-30", 800), stand(longitude=9.0), BIOLOGY.flight), rng, rate)
    short = whole.window_only
    assert short.temp_c.shape[-1] in (5, 6)
    for one, other in ((whole, short), (whole, short.whole_days())):
        np.testing.assert_array_equal(
            other.flight(BIOLOGY.flight, 0.8).effective_h, one.flight(BIOLOGY.flight, 0.8).effective_h
        )
        np.testing.assert_array_equal(
            other.flight(BIOLOGY.flight, 0.8).strict_h, one.flight(BIOLOGY.flight, 0.8).strict_h
        )
        np.testing.assert_array_equal(other.losses(BIOLOGY.flight, 0.8), one.losses(BIOLOGY.flight, 0.8))
        np.testing.assert_array_equal(other.known_days, one.known_days)
        np.testing.assert_array_equal(other.mean_temp_c, one.mean_temp_c)
    series, days, level = np.zeros(4, dtype=np.intp), np.array([3, 90, 90, 700]), np.array([0, 5, 1, 2])
    np.testing.assert_array_equal(
        short.day_losses(series, days, level, BIOLOGY.flight, 0.8), whole.losses(BIOLOGY.flight, 0.8)[0, days, level]
    )


@given(st.integers(1, 300), st.integers(0, 10_000))
@settings(max_examples=100, deadline=None)
def test_quantiles_are_those_of_numpy_to_the_last_digit(n: int, seed: int) -> None:
    values = np.random.default_rng(seed).normal(size=(4, n))
    shares = (0.0, 0.1, 0.5, 0.9, 1.0)
    np.testing.assert_array_equal(quantiles(values, shares), np.quantile(values, shares, axis=-1))


# --- the kept past ----------------------------------------------------------------------------------------------------


def hourly(
    rng: np.random.Generator,
    first: str,
    n_days: int,
    kind: Any = "analysis",
    n_members: int = 1,
    *,
    step_h: int = 1,
    longitude: float = 0.0,
) -> Weather:
    """Hourly weather in spells, in tenths as sources give it, rain split evenly over steps; invented."""
    n_hours, shape = 24 * n_days, (n_members, 24 * n_days)
    mood = np.repeat(np.cumsum(rng.normal(0.0, 1.0, (n_members, n_days)), axis=1) % 6.0 - 3.0, 24, axis=1)
    solar = (np.arange(n_hours) + longitude / 15.0) % 24.0
    wet = rng.random((n_members, n_hours // step_h)) < 0.04 * (1 + (mood[:, ::step_h] < -1.0) * 5)
    rain = np.repeat(np.where(wet, np.round(rng.exponential(0.8, wet.shape), 1), 0.0) / step_h, step_h, axis=1)
    columns = {
        "temp_c": np.round(
            16.0 + mood + 5.0 * np.cos(2.0 * np.pi * (solar - 15.0) / 24.0) + rng.normal(0, 1, shape), 1
        ),
        "wind_ms": np.round(np.abs(rng.normal(2.5, 1.5, shape)), 2),
        "rain_mm": rain,
        "ghi_wm2": np.round(np.maximum(0.0, 750.0 * np.sin(np.pi * (solar - 5.0) / 14.0) + 40.0 * mood)),
    }
    times = np.datetime64(first, "s") + np.arange(n_hours) * np.timedelta64(3600, "s")
    return make_weather(
        times, columns, Provenance("invented", kind, "none", run_time=NOW if kind != "analysis" else None)
    )


def part_of(weather: Weather, first: str) -> Weather:
    """The hours from a time on."""
    at = int((np.datetime64(first, "s") - weather.times[0]) / np.timedelta64(3600, "s"))
    columns = {name: weather.values(name)[:, at:] for name in weather.frame.columns}  # type: ignore[index]
    return make_weather(weather.times[at:], columns, weather.provenance)


PLACES = [(-1.7, "Europe/London"), (174.8, "Pacific/Auckland"), (-105.0, "America/Denver")]


@pytest.mark.parametrize(("longitude", "zone"), PLACES)
def test_with_a_kept_past_every_outlook_is_to_the_last_bit_that_of_the_whole_record(
    longitude: float, zone: str
) -> None:
    site, rng = stand(longitude=longitude, timezone=zone), np.random.default_rng(11)
    n_days = int((TODAY - np.datetime64("2004-01-01")).astype(int))
    record = hourly(rng, "2004-01-01", n_days, longitude=longitude)
    forecast = hourly(rng, "2026-05-25", 12, "forecast", longitude=longitude)
    ensemble = hourly(rng, "2026-05-27", 15, "ensemble", 7, step_h=3, longitude=longitude)
    whole = sources_of(WeatherFolder(forecast, ensemble, record, record), site, BIOLOGY)
    edition, before = past_edition(record), np.datetime64("2026-01-01")
    made = KeptPast.of(record, site, BIOLOGY.flight, edition=edition, before=before)
    kept = KeptPast.from_bytes(made.as_bytes(), key=past_key(edition, site, BIOLOGY.flight, before=before))
    season = WeatherFolder(forecast, ensemble, part_of(record, "2025-12-31"))
    short = sources_of(season, site, BIOLOGY, kept=kept)
    batches = spread_batches(6, site)
    assert whole.past is not None
    assert short.past is not None
    np.testing.assert_array_equal(short.past.days, whole.past.days)
    expected = outlooks_of(batches, site, whole, NOW, BIOLOGY)
    assert all(isinstance(one, Outlook) and one.years == 22 for one in expected)
    found = outlooks_of(batches, site, short, NOW, BIOLOGY)
    assert all(same(one, other) for one, other in zip(found, expected, strict=True))
    day = date(2026, 5, 22)
    assert graft_decision(site, short, day, 9, NOW, BIOLOGY) == graft_decision(site, whole, day, 9, NOW, BIOLOGY)
    hours = hourly_outlook(site, whole, day, 25, NOW, BIOLOGY)
    assert {one.origin for one in hours} == {"observed", "forecast", "past_years"}
    assert hourly_outlook(site, short, day, 25, NOW, BIOLOGY) == hours


def kept_of(past: Weather, site: Site = SITE) -> KeptPast:
    return KeptPast.of(past, site, BIOLOGY.flight, edition="first")


def assert_same_weather(one: SiteWeather, other: SiteWeather) -> None:
    for name in ("days", "temp_c", "wind_ms", "rain_mm", "ghi_wm2", "share", "inside", "mean_temp_c"):
        np.testing.assert_array_equal(getattr(one, name), getattr(other, name))
    assert (one.first_hour, one.light_filled, one.provenance) == (
        other.first_hour,
        other.light_filled,
        other.provenance,
    )


@pytest.mark.parametrize("exact", [True, False], ids=["tenths", "any numbers"])
def test_a_kept_past_comes_back_from_its_bytes_number_by_number(exact: bool) -> None:  # noqa: FBT001
    rng = np.random.default_rng(1)
    past = hourly(rng, "2020-01-01", 500)
    frame = past.frame.mask(rng.random(past.frame.shape) < 0.01)
    past = replace(past, frame=frame if exact else frame * (1.0 / 3.0))
    kept = kept_of(past)
    back = KeptPast.from_bytes(kept.as_bytes(), key=past_key("first", SITE, BIOLOGY.flight))
    assert_same_weather(back.weather, kept.weather)
    np.testing.assert_array_equal(back.hourly_rain_mm, kept.hourly_rain_mm)
    assert (back.key, back.first_hour) == (kept.key, kept.first_hour)
    assert np.isnan(back.weather.temp_c).any()


def test_what_the_past_does_not_tell_is_not_told_by_a_kept_one() -> None:
    past = hourly(np.random.default_rng(1), "2020-01-01", 40)
    bare = replace(past, frame=past.frame[["temp_c", "wind_ms"]])
    kept = kept_of(bare)
    back = KeptPast.from_bytes(kept.as_bytes(), key=past_key("first", SITE, BIOLOGY.flight))
    assert back.weather.not_judged == ("rain", "light")
    assert back.hourly_rain_mm is None
    assert back.rain_with(None) is None


SMALL = kept_of(hourly(np.random.default_rng(1), "2020-01-01", 12)).as_bytes()


@given(st.integers(0, len(SMALL) - 1), st.integers(1, 255))
@settings(max_examples=200, deadline=None)
def test_any_changed_byte_is_found(at: int, by: int) -> None:
    data = bytearray(SMALL)
    data[at] ^= by
    with pytest.raises(DamagedError):
        KeptPast.from_bytes(bytes(data), key=past_key("first", SITE, BIOLOGY.flight))


@given(st.binary(max_size=200) | st.integers(0, len(SMALL) - 1).map(lambda n: SMALL[:n]))
@settings(max_examples=100, deadline=None, suppress_health_check=[HealthCheck.too_slow])
def test_cut_off_and_foreign_bytes_are_found(data: bytes) -> None:
    with pytest.raises(DamagedError):
        KeptPast.from_bytes(data, key=past_key("first", SITE, BIOLOGY.flight))


def test_a_kept_past_serves_its_own_place_window_and_weather_only() -> None:
    flight = BIOLOGY.flight
    key = past_key("first", SITE, flight)
    assert KeptPast.from_bytes(SMALL, key=key).key == key
    others = [
        past_key("second", SITE, flight),
        past_key("first", replace(SITE, latitude=52.1), flight),
        past_key("first", replace(SITE, longitude=0.1), flight),
        past_key("first", replace(SITE, elevation_m=60.0), flight),
        past_key("first", SITE, replace(flight, window_centre_h=13.5)),
        past_key("first", SITE, replace(flight, window_half_width_h=2.5)),
        past_key("first", SITE, flight, before=np.datetime64("2026-01-01")),
    ]
    assert len({key, *others}) == 1 + len(others)
    for other in others:
        with pytest.raises(DamagedError, match="made from other weather"):
            KeptPast.from_bytes(SMALL, key=other)
    # what is asked for only when flight is judged, or not at all, needs no new one
    assert past_key("first", SITE, replace(flight, temp_midpoint_c=18.0)) == key
    assert past_key("first", replace(SITE, name="Other", exposure=0.7), flight) == key


def test_the_edition_of_past_weather_changes_with_any_value_and_not_with_the_day_it_was_fetched() -> None:
    past = hourly(np.random.default_rng(1), "2020-01-01", 40)
    frame = past.frame.copy()
    frame.iloc[333, 2] += 0.1
    fetched = replace(past, provenance=replace(past.provenance, fetched_at=NOW, file="past.json"))
    assert past_edition(fetched) == past_edition(past)
    assert past_edition(replace(past, frame=frame)) != past_edition(past)
    assert past_edition(part_of(past, "2020-01-02")) != past_edition(past)


@pytest.mark.parametrize(("longitude", "zone"), PLACES)
def test_a_kept_past_has_the_rain_of_all_hours_for_placing_coarse_rain(longitude: float, zone: str) -> None:
    site = stand(longitude=longitude, timezone=zone)
    past = hourly(np.random.default_rng(3), "2020-01-01", 40, longitude=longitude)
    whole = lay_on_site(past, site, BIOLOGY.flight)
    kept = KeptPast.of(past, site, BIOLOGY.flight, edition="first", before=np.datetime64("2020-02-05"))
    found = kept.with_whole_rain(site)
    n = len(found.days)
    assert whole.rain_mm is not None
    np.testing.assert_array_equal(found.days, whole.days[:n])
    np.testing.assert_array_equal(found.rain_mm, whole.rain_mm[:, :n])


def test_days_between_the_kept_past_and_the_record_are_missing() -> None:
    weather = hourly(np.random.default_rng(1), "2020-01-01", 60)
    kept = KeptPast.of(weather, SITE, BIOLOGY.flight, edition="first", before=np.datetime64("2020-01-31"))
    record = lay_on_site(part_of(weather, "2020-02-10"), SITE, BIOLOGY.flight)
    joined = kept.with_record(record)
    assert (joined.days == np.datetime64("2020-01-01") + np.arange(60)).all()
    whole = lay_on_site(weather, SITE, BIOLOGY.flight)
    hours = slice(joined.first_hour, joined.first_hour + joined.temp_c.shape[-1])
    gap = np.zeros(60, dtype=bool)
    gap[30:40] = True
    np.testing.assert_array_equal(joined.temp_c[:, ~gap], whole.temp_c[:, ~gap, hours])
    assert np.isnan(joined.temp_c[:, gap]).all()
    assert np.isnan(joined.mean_temp_c[:, gap]).all()
    assert not joined.known_days[:, gap].any()
    assert kept.with_record(None) is kept.weather
    rain = kept.rain_with(part_of(weather, "2020-02-10"))
    assert rain is not None
    assert rain[0] == weather.times[0]
    assert np.flatnonzero(np.isnan(rain[1])).tolist() == list(range(30 * 24, 40 * 24))


def test_a_record_that_tells_no_light_leaves_its_days_of_the_past_unknown() -> None:
    weather = hourly(np.random.default_rng(1), "2020-01-01", 60)
    kept = KeptPast.of(weather, SITE, BIOLOGY.flight, edition="first", before=np.datetime64("2020-01-31"))
    later = part_of(weather, "2020-01-31")
    dark = lay_on_site(replace(later, frame=later.frame.drop(columns="ghi_wm2")), SITE, BIOLOGY.flight)
    joined = kept.with_record(dark)
    assert joined.known_days[0].tolist() == [True] * 30 + [False] * 30


def test_nothing_of_the_past_before_a_day_is_refused() -> None:
    past = hourly(np.random.default_rng(1), "2020-01-01", 40)
    with pytest.raises(RequestError, match="nothing of it lies before"):
        KeptPast.of(past, SITE, BIOLOGY.flight, edition="first", before=np.datetime64("2019-05-01"))


def test_a_typical_year_is_kept_whole_and_never_grows() -> None:
    past = hourly(np.random.default_rng(1), "2001-01-01", 365, "typical")
    kept = kept_of(past)
    record = lay_on_site(hourly(np.random.default_rng(2), "2026-01-01", 140), SITE, BIOLOGY.flight)
    assert kept.with_record(record) is kept.weather
    assert kept.hourly_rain_mm is None
    sources = Sources(observed=record, past=kept.weather)
    whole = replace(sources, past=lay_on_site(past, SITE, BIOLOGY.flight))
    batches = spread_batches(3)
    assert outlooks_of(batches, SITE, sources, NOW, BIOLOGY) == outlooks_of(batches, SITE, whole, NOW, BIOLOGY)


def test_thirty_years_take_less_than_a_megabyte() -> None:
    past = hourly(np.random.default_rng(1), "1996-01-01", 10_958)
    assert len(kept_of(past).as_bytes()) < 1_000_000


@pytest.mark.parametrize("step_h", [3, 6])
def test_rain_falls_into_the_hours_that_the_whole_record_says(step_h: int) -> None:
    """Left out are other months and dry stretches, which have no say."""
    rng = np.random.default_rng(6)
    record = hourly(rng, "2015-03-07", 4000)
    frame = record.frame.mask(rng.random(record.frame.shape) < 0.001)
    record = replace(record, frame=frame)
    ensemble = hourly(rng, "2026-05-27", 15, "ensemble", 5, step_h=step_h)
    expected = respread(ensemble, WetHours.from_weather(record, {4, 5, 6, 7}))
    laid = sources_of(WeatherFolder(ensemble=ensemble, record=record, past=record), SITE, BIOLOGY).members
    assert laid is not None
    np.testing.assert_array_equal(laid.rain_mm, lay_on_site(expected, SITE, BIOLOGY.flight).rain_mm)
    assert laid.provenance == expected.provenance
    assert laid.provenance.native_step_h == step_h


# --- several processes ------------------------------------------------------------------------------------------------


def outlook_numbers(seed: int) -> tuple[int, int, list[float]]:
    """Work for another process: which one it was, and the odds that came out."""
    sources = Sources(past=by_hours("2015-01-01", np.random.default_rng(seed).uniform(0.0, 4.0, 4018)))
    found = outlooks_of(spread_batches(2), SITE, sources, NOW, BIOLOGY)
    return os.getpid(), seed, [one.well_mated.value for one in found if isinstance(one, Outlook)]


def a_division(by: int) -> float:
    return 1.0 / by


def test_processes_give_the_same_results_in_order_and_take_items_as_they_need_them() -> None:
    taken = []

    def endless() -> Iterator[int]:
        seed = 0
        while True:
            taken.append(seed)
            yield seed
            seed += 1

    results = in_processes(outlook_numbers, endless(), processes=2)
    found = [next(results) for _ in range(4)]
    results.close()  # type: ignore[attr-defined]
    assert [seed for _, seed, _ in found] == [0, 1, 2, 3]
    assert len(taken) <= 4 + 2 * 3
    assert os.getpid() not in {pid for pid, _, _ in found}
    assert [numbers for _, _, numbers in found] == [outlook_numbers(seed)[2] for seed in range(4)]


def test_what_goes_wrong_in_a_process_is_raised_here() -> None:
    results = in_processes(a_division, [1, 2, 0, 4], processes=1)
    assert [next(results), next(results)] == [1.0, 0.5]
    with pytest.raises(ZeroDivisionError):
        next(results)


def test_the_lags_of_all_ends_of_the_mating_flights_add_up_to_one() -> None:
    lags = mating.mated_lags(BIOLOGY.laying)
    np.testing.assert_allclose(lags.sum(axis=1), 1.0, atol=1e-12)
    assert lags[1].tolist() == lags[3].tolist()
    assert lags[1, 1] == 1.0  # she that waits no more lays on the next day
