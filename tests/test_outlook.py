"""The outlook of one batch: against every course added up by hand, and after looks into the nuc by Bayes' rule."""

from __future__ import annotations

import itertools
import math
from dataclasses import replace
from datetime import UTC, date, datetime, timedelta
from typing import TYPE_CHECKING, Any, Literal

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from matewindow.biology import load_biology
from matewindow.errors import RequestError
from matewindow.outlook import RUN_IN_D, Outlook, batch_outlook, egg_quantiles, solar_today
from matewindow.paths import Sources
from matewindow.timeline import Batch, Check, emergence_days, graft_time
from tests.made_weather import by_hours, changeable, stand
from tests.reference.naive_flight import naive_pent_up
from tests.reference.queen_by_queen import FATES, Outcome, exact_outcomes, flight_odds, simulate
from tests.same_names import reference_params

if TYPE_CHECKING:
    from matewindow.site import Site
    from matewindow.siteweather import SiteWeather

    Saw = Literal["eggs", "virgin", "nothing"]

BIOLOGY = load_biology()
SITE = stand()
GRAFT = date(2026, 5, 10)  # virgins emerge on 22 May, see test_timeline
BORN = date(2026, 5, 22)
BATCH = Batch(graft_time(GRAFT, SITE))
EMERGED = replace(BATCH, emerged=BORN)
AFTER = datetime(2026, 8, 20, 9, tzinfo=UTC)
BEFORE = datetime(2026, 5, 11, 9, tzinfo=UTC)
N_RECORD = 90
Mass = list[tuple[int, Outcome, float]]  # day of emergence after the first, what became of her, probability


def a_record(seed: int = 4, warmth_c: float = 19.0) -> SiteWeather:
    """Observed weather of the whole window and around it."""
    return changeable("2026-05-10", N_RECORD, np.random.default_rng(seed), warmth_c=warmth_c)


def past_years(seed: int = 5, *, n_years: int = 22, warmth_c: float = 19.0) -> SiteWeather:
    first = 2026 - n_years
    n_days = int((np.datetime64("2026-01-01") - np.datetime64(f"{first}-01-01")).astype(int))
    return changeable(f"{first}-01-01", n_days, np.random.default_rng(seed), warmth_c=warmth_c)


def outlook(batch: Batch, sources: Sources, now: datetime = AFTER, site: Site = SITE) -> Outlook:
    return batch_outlook(batch, site, sources, now, BIOLOGY)


def looked(batch: Batch, *checks: tuple[int, Saw]) -> Batch:
    """The batch with looks into the nuc at given ages (counted from 22 May)."""
    return replace(batch, checks=tuple(Check(BORN + timedelta(days=age), saw) for age, saw in checks))


def every_course(batch: Batch, weather: SiteWeather, series: int = 0) -> Mass:
    """What can become of the batch's queens under observed weather, by the reference alone."""
    first, weights = emergence_days(batch, SITE, BIOLOGY)
    start = int((first - RUN_IN_D - weather.days[0]).astype(int))
    levels = weather.flight(BIOLOGY.flight, 1.0).effective_h[series, start:]
    hours = [h for h, _ in naive_pent_up(levels.tolist())]
    mass: Mass = []
    params = reference_params(BIOLOGY)
    for e, weight in enumerate(weights):
        odds = flight_odds(hours, RUN_IN_D + e, [1.0] * len(hours), params)
        mass += [(e, outcome, float(weight) * p) for outcome, p in exact_outcomes(odds, params).items()]
    return mass


def agrees(e: int, outcome: Outcome, day: int, saw: Saw) -> bool:
    """Whether a look on a day (counted from the first emergence day) fits what became of a queen."""
    laying = outcome.egg_age is not None and e + outcome.egg_age <= day
    gone = outcome.loss_age is not None and e + outcome.loss_age <= day
    return {"eggs": laying, "virgin": not laying and not gone, "nothing": not laying}[saw]


def by_fate(mass: Mass) -> dict[str, float]:
    total = math.fsum(p for *_, p in mass)
    return {fate: math.fsum(p for _, o, p in mass if o.fate == fate) / total for fate in FATES}


# --- without a look -----------------------------------------------------------------------------------------------


@pytest.mark.parametrize("batch", [BATCH, EMERGED], ids=["spread emergence", "observed emergence"])
@pytest.mark.parametrize("warmth_c", [17.0, 22.0])
def test_under_known_weather_the_odds_are_those_of_every_course_added_up(batch: Batch, warmth_c: float) -> None:
    weather = a_record(warmth_c=warmth_c)
    found = outlook(batch, Sources(observed=weather))
    mass = every_course(batch, weather)
    assert found.fates == pytest.approx(by_fate(mass), abs=1e-11)
    well = math.fsum(p for _, o, p in mass if o.fate == "well_mated")
    in_lay = [(e + o.egg_age, p) for e, o, p in mass if o.egg_age is not None]
    assert found.well_mated.value == pytest.approx(well, abs=1e-11)
    poor = 1.0 - well - found.fates["lost"]
    assert found.risk_poor_mating.value == pytest.approx(poor / (1.0 - found.fates["lost"]), abs=1e-9)
    delayed = math.fsum(p for _, o, p in mass if o.fate == "well_mated" and o.egg_age is not None and o.egg_age > 14)
    assert found.risk_delayed_laying.value == pytest.approx(delayed / well, abs=1e-9)
    flights = math.fsum(o.flights * p for *_, o, p in mass)
    assert found.mean_flights == pytest.approx(flights / (1.0 - found.fates["unmated"]), abs=1e-9)
    first, _ = emergence_days(batch, SITE, BIOLOGY)
    for day, share in found.laying_by_day.items():
        index = int((np.datetime64(day, "D") - first).astype(int))
        assert share == pytest.approx(math.fsum(p for d, p in in_lay if d <= index), abs=1e-9)
    assert found.shares["observed"] == pytest.approx(1.0)
    assert (found.well_mated.low, found.well_mated.high) == pytest.approx((well, well), abs=1e-11)


def test_without_forecast_and_observation_the_outlook_is_the_usual() -> None:
    found = outlook(BATCH, Sources(past=past_years()), BEFORE)
    assert found.well_mated.value == pytest.approx(found.well_mated_usual, abs=1e-12)
    assert found.risk_poor_mating.value == pytest.approx(found.risk_poor_mating_usual, abs=1e-12)
    assert found.risk_delayed_laying.value == pytest.approx(found.risk_delayed_laying_usual, abs=1e-12)
    assert found.first_egg == found.first_egg_usual
    assert found.prime_flight_hours_usual is not None
    for name in ("mean", "p10", "p50", "p90"):
        usual = getattr(found.prime_flight_hours_usual, name)
        assert getattr(found.prime_flight_hours, name) == pytest.approx(usual, abs=1e-12)
    for day in found.days:
        assert day.effective_hours == pytest.approx(day.usual_hours, abs=1e-12)
        assert day.shares == {"observed": 0.0, "forecast": 0.0, "past_years": 1.0}
    assert found.years == 22
    assert any("No forecast was given" in warning for warning in found.warnings)


def test_the_odds_of_past_years_are_the_mean_over_their_blocks() -> None:
    """Two past years, one fine and one hopeless: each block's courses added up by the reference, then averaged."""
    past = by_hours("2024-01-01", np.repeat([2.0, 0.2], [366, 365]))
    found = outlook(EMERGED, Sources(past=past), BEFORE)
    params = reference_params(BIOLOGY)
    each = []
    for year in (2024, 2025):
        start = int((np.datetime64(f"{year}-05-16") - past.days[0]).astype(int))
        levels = past.flight(BIOLOGY.flight, 1.0).effective_h[0, start : start + 60]
        hours = [h for h, _ in naive_pent_up(levels.tolist())]
        outcomes = exact_outcomes(flight_odds(hours, RUN_IN_D, [1.0] * 60, params), params)
        each.append(by_fate([(0, o, p) for o, p in outcomes.items()]))
    assert found.fates == pytest.approx({f: 0.5 * (each[0][f] + each[1][f]) for f in FATES}, abs=1e-9)
    assert found.well_mated.low == pytest.approx(each[1]["well_mated"], abs=1e-9)
    assert found.well_mated.high == pytest.approx(each[0]["well_mated"], abs=1e-9)


def test_a_fine_forecast_lifts_the_odds_above_the_usual_and_a_bad_one_lowers_them() -> None:
    past = past_years()
    now = datetime(2026, 5, 27, 6, tzinfo=UTC)
    for hours, better in ((3.5, True), (0.0, False)):
        members = by_hours("2026-05-27", np.full((20, 16), hours), kind="ensemble")
        found = outlook(BATCH, Sources(members=members, past=past), now)
        assert found.well_mated_usual is not None
        assert (found.well_mated.value > found.well_mated_usual) == better
        assert found.shares["forecast"] > 0.5
        assert found.members == 20


def test_no_queen_mates_before_there_are_drones() -> None:
    site = stand(drones_mature_from=date(2026, 6, 5))
    found = outlook(EMERGED, Sources(observed=a_record(warmth_c=24.0)), site=site)
    assert all(day.flights == 0.0 for day in found.days if day.day < date(2026, 6, 5))
    assert sum(day.flights for day in found.days) > 0.5
    without = stand(drones_mature_from=date(2026, 8, 1))
    assert outlook(EMERGED, Sources(observed=a_record()), site=without).fates["unmated"] == pytest.approx(1.0)


def test_each_day_says_what_the_weather_allowed_and_what_spoiled_the_rest() -> None:
    sources = Sources(
        observed=changeable("2026-05-10", 18, np.random.default_rng(1)),
        members=changeable("2026-05-28", 12, np.random.default_rng(2), n_series=15, kind="ensemble"),
        past=past_years(),
    )
    found = outlook(BATCH, sources, datetime(2026, 5, 28, 5, tzinfo=UTC))
    assert [day.age for day in found.days] == list(range(22))
    assert found.days[0].day == BORN
    for day in found.days:
        assert day.effective_hours + sum(day.spoiled_by.values()) == pytest.approx(day.window_hours, abs=1e-12)
        assert min(day.spoiled_by.values()) >= 0.0
        assert day.p10_hours <= day.p90_hours
        assert 0.0 <= day.strict_hours <= 4.0
        assert sum(day.shares.values()) == pytest.approx(1.0)
        assert day.prime == (6 <= day.age <= 14)
    by_day = {day.day: day.shares for day in found.days}
    assert by_day[date(2026, 5, 27)]["observed"] == 1.0
    assert by_day[date(2026, 5, 28)]["forecast"] == pytest.approx(0.9, abs=0.001)
    assert by_day[date(2026, 6, 12)]["past_years"] == 1.0


@given(st.integers(0, 2_000), st.floats(12.0, 26.0))
@settings(max_examples=15, deadline=None)
def test_whatever_the_weather_the_outlook_holds_together(seed: int, warmth_c: float) -> None:
    rng = np.random.default_rng(seed)
    sources = Sources(
        members=changeable("2026-05-25", 14, rng, n_series=6, kind="ensemble", warmth_c=warmth_c),
        past=past_years(seed, n_years=4, warmth_c=warmth_c),
    )
    found = outlook(BATCH, sources, datetime(2026, 5, 25, 5, tzinfo=UTC))
    assert math.fsum(found.fates.values()) == pytest.approx(1.0, abs=1e-12)
    for r in (found.well_mated, found.risk_poor_mating, found.risk_delayed_laying):
        assert 0.0 <= r.low <= r.value + 1e-9
        assert r.value - 1e-9 <= r.high <= 1.0
    shares = list(found.laying_by_day.values())
    assert shares == sorted(shares)
    assert shares[-1] == pytest.approx(1.0 - found.fates["unmated"] - found.fates["lost"], abs=1e-9)
    assert all(0.0 <= odds <= 1.0 for odds in found.still_good.values())
    if found.first_egg is not None:
        assert BORN <= found.first_egg["p10"] <= found.first_egg["p50"] <= found.first_egg["p90"]
    assert found.emergence[0] <= found.emergence[1] <= found.emergence[2]


def test_the_first_egg_dates_are_quantiles_of_the_laying_days() -> None:
    found = outlook(BATCH, Sources(observed=a_record()))
    total = list(found.laying_by_day.values())[-1]
    assert found.first_egg is not None
    for name, q in (("p10", 0.1), ("p50", 0.5), ("p90", 0.9)):
        day = found.first_egg[name]
        assert found.laying_by_day[day] >= q * total - 1e-9
        assert found.laying_by_day[day - timedelta(days=1)] < q * total
    assert egg_quantiles(np.zeros(5), np.datetime64("2026-05-22")) is None


def test_waiting_pays_less_the_longer_no_eggs_are_seen_late_in_the_window() -> None:
    found = outlook(EMERGED, Sources(observed=a_record(warmth_c=22.0)))
    late = [found.still_good[BORN + timedelta(days=age)] for age in range(14, 35)]
    assert all(a >= b for a, b in itertools.pairwise(late))
    assert found.still_good[BORN] == pytest.approx(found.well_mated.value, abs=1e-9)
    assert late[-1] < 0.01


# --- after looks into the nuc ---------------------------------------------------------------------------------------


@pytest.mark.parametrize("batch", [BATCH, EMERGED], ids=["spread emergence", "observed emergence"])
@pytest.mark.parametrize(
    "checks",
    [
        ((14, "nothing"),),
        ((14, "virgin"),),
        ((14, "eggs"),),
        ((9, "virgin"), (14, "nothing")),
        ((9, "virgin"), (14, "virgin"), (19, "eggs")),
        ((12, "nothing"), (20, "nothing")),
    ],
    ids=lambda checks: ", ".join(f"{saw} at {age}" for age, saw in checks),
)
def test_looks_into_the_nuc_count_by_bayes_rule(batch: Batch, checks: tuple[tuple[int, Saw], ...]) -> None:
    """Every course that contradicts a look is struck out, the rest kept in proportion: fates, eggs and the odds of waiting."""
    weather = a_record(warmth_c=18.0)
    found = outlook(looked(batch, *checks), Sources(observed=weather))
    first, _ = emergence_days(batch, SITE, BIOLOGY)
    shift = int((np.datetime64(BORN, "D") - first).astype(int))
    left = [
        (e, o, p) for e, o, p in every_course(batch, weather) if all(agrees(e, o, shift + a, saw) for a, saw in checks)
    ]
    total = math.fsum(p for *_, p in left)
    assert found.fates == pytest.approx(by_fate(left), abs=1e-9)
    for age in (15, 18, 22, 30):
        day = BORN + timedelta(days=age)
        laid = [p for e, o, p in left if o.egg_age is not None and e + o.egg_age <= shift + age]
        assert found.laying_by_day[day] == pytest.approx(math.fsum(laid) / total, abs=1e-9)
        waiting = [(o, p) for e, o, p in left if o.egg_age is None or e + o.egg_age > shift + age]
        good = math.fsum(p for o, p in waiting if o.fate == "well_mated") / max(
            1e-300, math.fsum(p for _, p in waiting)
        )
        if math.fsum(p for _, p in waiting) > 1e-6:
            assert found.still_good[day] == pytest.approx(good, abs=1e-6)


def test_queens_rolled_one_by_one_and_struck_out_give_the_same_odds() -> None:
    """60,000 queens on one path: among those without eggs at age 14, the shares by fate, within 4 standard errors."""
    weather = a_record(warmth_c=18.0)
    found = outlook(looked(EMERGED, (14, "nothing")), Sources(observed=weather))
    start = int((np.datetime64(BORN, "D") - RUN_IN_D - weather.days[0]).astype(int))
    hours = [h for h, _ in naive_pent_up(weather.flight(BIOLOGY.flight, 1.0).effective_h[0, start:].tolist())]
    rolled = simulate(hours, RUN_IN_D, [1.0] * len(hours), 60_000, np.random.default_rng(3), reference_params(BIOLOGY))
    laid = [(fate, age) for fate, age in zip(rolled["egg_fates"], rolled["egg_ages"], strict=True) if age <= 14]
    left = {fate: rolled["counts"][fate] - sum(f == fate for f, _ in laid) for fate in FATES}
    n = sum(left.values())
    assert n > 2_000
    for fate, p in found.fates.items():
        assert left[fate] / n == pytest.approx(p, abs=4.0 * math.sqrt(p * (1.0 - p) / n) + 2.0 / n), fate


def test_no_eggs_at_the_check_speak_for_the_years_with_bad_weather() -> None:
    """One fine and one hopeless past year: after "no eggs at day 16" nearly all the weight lies on the hopeless one."""
    past = by_hours("2024-01-01", np.repeat([3.5, 0.3], [366, 365]))
    sources = Sources(past=past)
    before, after = outlook(EMERGED, sources, BEFORE), outlook(looked(EMERGED, (16, "virgin")), sources, BEFORE)
    assert after.well_mated.value < before.well_mated.value - 0.2
    assert after.well_mated_usual == pytest.approx(before.well_mated_usual, abs=1e-12)  # the usual knows no checks


def test_eggs_seen_rule_out_that_she_is_lost_or_unmated() -> None:
    found = outlook(looked(BATCH, (14, "eggs")), Sources(past=past_years()), BEFORE)
    assert found.fates["lost"] == 0.0
    assert found.fates["unmated"] == 0.0
    assert found.laying_by_day[BORN + timedelta(days=14)] == pytest.approx(1.0, abs=1e-12)
    assert found.first_egg is not None
    assert found.first_egg["p90"] <= BORN + timedelta(days=14)


def test_the_same_look_twice_tells_nothing_new() -> None:
    sources = Sources(past=past_years())
    once = outlook(looked(BATCH, (13, "nothing")), sources, BEFORE)
    twice = outlook(looked(BATCH, (13, "nothing"), (13, "nothing")), sources, BEFORE)
    assert once.fates == pytest.approx(twice.fates, abs=1e-12)


def test_a_look_before_anything_can_have_happened_tells_nothing() -> None:
    sources = Sources(past=past_years())
    early: Any
    for early in ("virgin", "nothing"):
        found = outlook(looked(BATCH, (1, early)), sources, BEFORE)
        assert found.fates == pytest.approx(outlook(BATCH, sources, BEFORE).fates, abs=1e-12)


@pytest.mark.parametrize(
    "checks",
    [
        ((2, "eggs"),),
        ((-3, "eggs"),),
        ((14, "eggs"), (18, "virgin")),
        ((14, "eggs"), (18, "nothing")),
        ((20, "virgin"), (15, "eggs")),
    ],
    ids=["eggs at age 2", "eggs before emergence", "eggs, then a virgin", "eggs, then none", "a virgin after eggs"],
)
def test_looks_that_cannot_be_are_refused(checks: tuple[tuple[int, Saw], ...]) -> None:
    with pytest.raises(RequestError, match="cannot be") as refused:
        outlook(looked(EMERGED, *checks), Sources(past=past_years()), BEFORE)
    assert refused.value.where
    assert refused.value.fix


def test_eggs_where_no_queen_could_fly_are_refused() -> None:
    hopeless = Sources(observed=by_hours("2026-05-10", np.zeros(N_RECORD)))
    with pytest.raises(RequestError, match="eggs on 2026-06-05 cannot be"):
        outlook(looked(EMERGED, (14, "eggs")), hopeless)


def test_an_observed_emergence_narrows_the_dates() -> None:
    sources = Sources(past=past_years())
    seen = outlook(EMERGED, sources, BEFORE)
    assert seen.emergence == (BORN, BORN, BORN)
    later = outlook(replace(BATCH, emerged=BORN + timedelta(days=1)), sources, BEFORE)
    assert later.days[0].day == BORN + timedelta(days=1)
    with pytest.raises(RequestError, match="does not fit a graft"):
        outlook(replace(BATCH, emerged=BORN + timedelta(days=9)), sources, BEFORE)


# --- what cannot be answered ----------------------------------------------------------------------------------------


def test_a_forecast_that_ends_inside_the_window_is_not_enough_without_past_years() -> None:
    members = by_hours("2026-05-15", np.full((5, 20), 2.0), kind="ensemble")
    with pytest.raises(RequestError, match="no weather covers 2026-06-04"):
        outlook(BATCH, Sources(members=members), datetime(2026, 5, 15, 5, tzinfo=UTC))


def test_a_forecast_that_covers_the_window_up_to_the_late_age_is_enough() -> None:
    """Days past age 21 that nothing covers count as without flight: a queen that has not flown by then is late in any case."""
    members = by_hours("2026-05-15", np.full((5, 33), 2.0), kind="ensemble")  # to 16 June
    found = outlook(BATCH, Sources(members=members), datetime(2026, 5, 15, 5, tzinfo=UTC))
    assert found.well_mated_usual is None
    assert found.first_egg_usual is None
    assert found.days[0].usual_hours is None
    assert found.well_mated.value > 0.9
    assert any("No past years" in warning for warning in found.warnings)


def test_missing_weather_in_the_window_is_refused_not_taken_for_bad_weather() -> None:
    weather = a_record()
    gap = np.isin(weather.days, np.arange("2026-06-01", "2026-06-03", dtype="datetime64[D]"))
    temp = np.where(gap[None, :, None], np.nan, weather.temp_c)
    with pytest.raises(RequestError, match="no weather covers 2026-06-01"):
        outlook(BATCH, Sources(observed=replace(weather, temp_c=temp)))


@pytest.mark.parametrize(
    ("now", "longitude", "zone", "day"),
    [
        ("2026-06-01T23:40", 0.0, "Europe/London", "2026-06-01"),
        ("2026-06-01T23:40", 20.0, "Europe/Warsaw", "2026-06-02"),
        ("2026-06-01T02:00", -75.0, "America/New_York", "2026-05-31"),
        ("2026-06-01T20:00", 172.6, "Pacific/Auckland", "2026-06-02"),
    ],
)
def test_today_is_the_solar_day_of_the_site(now: str, longitude: float, zone: str, day: str) -> None:
    moment = datetime.fromisoformat(now).replace(tzinfo=UTC)
    assert str(solar_today(moment, stand(longitude=longitude, timezone=zone))) == day
