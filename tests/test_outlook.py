"""The outlook of one batch: against every course added up by hand, and after looks into the nuc by Bayes' rule."""

from __future__ import annotations

import itertools
import math
from dataclasses import replace
from datetime import UTC, date, datetime, timedelta
from typing import TYPE_CHECKING, Literal

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from matewindow.biology import load_biology
from matewindow.errors import RequestError
from matewindow.odds import egg_quantiles
from matewindow.outlook import RUN_IN_D, Outlook, batch_outlook, solar_today
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
    assert found.risk_poor_mating is not None
    assert found.risk_delayed_laying is not None
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
    assert (found.well_mated.low, found.well_mated.high) == (None, None)  # no past years to tell
    beside = outlook(batch, Sources(observed=weather, past=past_years()))  # which have no say in what was measured
    assert beside.fates == pytest.approx(found.fates, abs=1e-12)
    assert (beside.well_mated.low, beside.well_mated.high) == pytest.approx((well, well), abs=1e-11)


def test_without_forecast_and_observation_the_outlook_is_the_usual() -> None:
    found = outlook(BATCH, Sources(past=past_years()), BEFORE)
    assert found.well_mated.value == pytest.approx(found.well_mated_usual, abs=1e-12)
    assert found.risk_poor_mating is not None
    assert found.risk_delayed_laying is not None
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
    found = outlook(EMERGED, Sources(past=past))
    fine, hopeless = past_fates(past, 2024), past_fates(past, 2025)
    assert found.fates == pytest.approx({f: 0.5 * (fine[f] + hopeless[f]) for f in FATES}, abs=1e-9)
    assert found.years == 2


def past_fates(past: SiteWeather, year: int) -> dict[str, float]:
    """Fates of queens that emerged on 22 May of a past year, by the reference alone."""
    params = reference_params(BIOLOGY)
    start = int((np.datetime64(f"{year}-05-22") - past.days[0]).astype(int)) - RUN_IN_D
    levels = past.flight(BIOLOGY.flight, 1.0).effective_h[0, start : start + 60]
    hours = [h for h, _ in naive_pent_up(levels.tolist())]
    outcomes = exact_outcomes(flight_odds(hours, RUN_IN_D, [1.0] * 60, params), params)
    return by_fate([(0, o, p) for o, p in outcomes.items()])


def test_the_range_is_that_of_past_years_drawn_again() -> None:
    """One fine year of six. Redrawn, 0 to 6 of six are fine, by the binomial: 33 % none, 94 % up to two, 99 % up to three.

    So the 5 % point is that of no fine year, the 95 % point that of three.
    """
    n_days = np.diff(np.array([f"{y}-01-01" for y in range(2020, 2027)], dtype="datetime64[D]")).astype(int)
    past = by_hours("2020-01-01", np.repeat([2.0] + 5 * [0.05], n_days))
    found = outlook(EMERGED, Sources(past=past))
    fine, hopeless = past_fates(past, 2020)["well_mated"], past_fates(past, 2021)["well_mated"]
    assert found.well_mated.value == pytest.approx(fine / 6.0 + 5.0 * hopeless / 6.0, abs=1e-9)
    assert found.well_mated.low == pytest.approx(hopeless, abs=1e-9)
    assert found.well_mated.high == pytest.approx(0.5 * (fine + hopeless), abs=1e-9)
    assert found.well_mated.width == pytest.approx(0.5 * (fine - hopeless), abs=1e-9)
    assert any("would move by up to" in warning for warning in found.warnings)


@pytest.mark.parametrize(("n_years", "known"), [(4, False), (5, True)])
def test_fewer_than_five_past_years_give_no_range(n_years: int, known: bool) -> None:  # noqa: FBT001
    found = outlook(BATCH, Sources(past=past_years(n_years=n_years)), BEFORE)
    for r in (found.well_mated, found.risk_poor_mating, found.risk_delayed_laying):
        assert r is not None
        assert (r.low is not None, r.high is not None) == (known, known)
        assert (r.width > 0.0) == known


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
    for day in found.days:
        drones = day.day >= date(2026, 6, 5)
        assert day.drones == float(drones)
        assert day.flights is not None
        assert drones or (day.flights, day.p_flying) == (0.0, 0.0)
    assert sum(day.flights or 0.0 for day in found.days) > 0.5
    assert any(day.p_flying == 1.0 for day in found.days)
    without = stand(drones_mature_from=date(2026, 8, 1))
    alone = outlook(EMERGED, Sources(observed=a_record()), site=without)
    assert alone.fates["unmated"] == pytest.approx(1.0)
    assert alone.risk_delayed_laying is None  # there is no good queen that could lay late
    assert alone.first_egg is None
    assert alone.mean_flights is None


def test_a_flying_day_is_one_with_an_effective_hour_or_more() -> None:
    """22 past years, in ten of them 0.9 hours a day and in twelve 1.1."""
    n_days = np.diff(np.array([f"{y}-01-01" for y in range(2004, 2027)], dtype="datetime64[D]")).astype(int)
    found = outlook(BATCH, Sources(past=by_hours("2004-01-01", np.repeat([0.9] * 10 + [1.1] * 12, n_days))), BEFORE)
    assert [day.p_flying for day in found.days] == pytest.approx([12.0 / 22.0] * 22)


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
        assert day.strict_hours is not None
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
        past=past_years(seed, n_years=5, warmth_c=warmth_c),
    )
    found = outlook(BATCH, sources, datetime(2026, 5, 25, 5, tzinfo=UTC))
    assert math.fsum(found.fates.values()) == pytest.approx(1.0, abs=1e-12)
    for r in (found.well_mated, found.risk_poor_mating, found.risk_delayed_laying):
        assert r is not None
        assert r.low is not None
        assert r.high is not None
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
    assert egg_quantiles(np.zeros(5), np.datetime64("2026-05-22"), SITE) is None


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
    before, after = outlook(EMERGED, sources), outlook(looked(EMERGED, (16, "virgin")), sources)
    assert after.well_mated.value < before.well_mated.value - 0.2
    assert after.well_mated_usual == pytest.approx(before.well_mated_usual, abs=1e-12)  # the usual knows no checks


def test_eggs_seen_rule_out_that_she_is_lost_or_unmated() -> None:
    found = outlook(looked(BATCH, (14, "eggs")), Sources(past=past_years()))
    assert found.fates["lost"] == 0.0
    assert found.fates["unmated"] == 0.0
    assert found.laying_by_day[BORN + timedelta(days=14)] == pytest.approx(1.0, abs=1e-12)
    assert found.first_egg is not None
    assert found.first_egg["p90"] <= BORN + timedelta(days=14)


def test_the_same_look_twice_tells_nothing_new() -> None:
    sources = Sources(past=past_years())
    once = outlook(looked(BATCH, (13, "nothing")), sources)
    twice = outlook(looked(BATCH, (13, "nothing"), (13, "nothing")), sources)
    assert once.fates == pytest.approx(twice.fates, abs=1e-12)


def test_a_look_before_anything_can_have_happened_tells_nothing() -> None:
    """No eggs a day after emergence, or a virgin in a batch whose emergence was seen: that is what there must be."""
    sources = Sources(past=past_years())
    looks: list[tuple[Batch, Saw]] = [(BATCH, "nothing"), (EMERGED, "nothing"), (EMERGED, "virgin")]
    for batch, saw in looks:
        found = outlook(looked(batch, (1, saw)), sources)
        assert found.fates == pytest.approx(outlook(batch, sources).fates, abs=1e-12)


def test_a_virgin_seen_early_tells_that_she_has_emerged() -> None:
    """On 22 May: those that emerge on 23 May are struck out, and the first eggs come no later for it."""
    sources = Sources(past=past_years())
    seen, before = outlook(looked(BATCH, (0, "virgin")), sources), outlook(BATCH, sources)
    assert sum(seen.fates.values()) == pytest.approx(1.0, abs=1e-12)
    first, weights = emergence_days(BATCH, SITE, BIOLOGY)
    by = int((np.datetime64(BORN, "D") - first).astype(int))
    assert weights[by + 1 :].sum() > 0.1
    for day, share in seen.laying_by_day.items():
        assert share >= before.laying_by_day[day] - 1e-9


def test_checks_leave_the_flights_unsaid() -> None:
    sources = Sources(past=past_years())
    checked, before = outlook(looked(BATCH, (14, "nothing")), sources), outlook(BATCH, sources)
    assert before.mean_flights is not None
    assert all(day.flights is not None for day in before.days)
    assert checked.mean_flights is None
    assert all(day.flights is None for day in checked.days)


def test_the_risk_of_poor_mating_is_unsaid_where_no_queen_is_left() -> None:
    """Every virgin flies on her first day and every flight kills: after the loss there is nobody left to mate poorly."""
    biology = replace(BIOLOGY, mating=replace(BIOLOGY.mating, loss_per_flight=1.0, flight_rate_per_h=1e6))
    fine = Sources(observed=by_hours("2026-05-10", np.full(N_RECORD, 4.0)))
    found = batch_outlook(EMERGED, SITE, fine, AFTER, biology)
    assert found.fates["lost"] == pytest.approx(1.0)
    assert found.risk_poor_mating is None
    assert found.risk_delayed_laying is None
    assert found.well_mated.value == pytest.approx(0.0, abs=1e-12)


@pytest.mark.parametrize(
    "checks",
    [
        ((2, "eggs"),),
        ((-3, "eggs"),),
        ((14, "eggs"), (18, "virgin")),
        ((14, "eggs"), (18, "nothing")),
        ((20, "virgin"), (15, "eggs")),
        ((-1, "virgin"),),
    ],
    ids=[
        "eggs at age 2",
        "eggs before emergence",
        "eggs, then a virgin",
        "eggs, then none",
        "a virgin after eggs",
        "a virgin before emergence",
    ],
)
def test_looks_that_cannot_be_are_refused(checks: tuple[tuple[int, Saw], ...]) -> None:
    with pytest.raises(RequestError, match="cannot be") as refused:
        outlook(looked(EMERGED, *checks), Sources(past=past_years()))
    assert refused.value.where
    assert refused.value.fix


def test_eggs_where_no_queen_could_fly_are_refused() -> None:
    hopeless = Sources(observed=by_hours("2026-05-10", np.zeros(N_RECORD)))
    with pytest.raises(RequestError, match="eggs on 2026-06-05 cannot be"):
        outlook(looked(EMERGED, (14, "eggs")), hopeless)


def test_an_observed_emergence_narrows_the_dates() -> None:
    sources = Sources(past=past_years())
    seen = outlook(EMERGED, sources)
    assert seen.emergence == (BORN, BORN, BORN)
    later = outlook(replace(BATCH, emerged=BORN + timedelta(days=1)), sources)
    assert later.days[0].day == BORN + timedelta(days=1)
    with pytest.raises(RequestError, match="does not fit a graft"):
        outlook(replace(BATCH, emerged=BORN + timedelta(days=9)), sources)


@pytest.mark.parametrize(
    ("batch", "where", "said"),
    [
        (replace(BATCH, emerged=BORN), "emerged", "2026-05-22 lies in the future: today is 2026-05-21"),
        (looked(BATCH, (0, "nothing")), "check", "2026-05-22 lies in the future: today is 2026-05-21"),
        (replace(BATCH, moved=graft_time(date(2026, 5, 9), SITE)), "moved", "moved before the graft"),
    ],
    ids=["emerged tomorrow", "checked tomorrow", "moved before the graft"],
)
def test_what_cannot_have_been_seen_yet_is_refused(batch: Batch, where: str, said: str) -> None:
    sources = Sources(past=past_years())
    with pytest.raises(RequestError, match=said) as refused:
        outlook(batch, sources, datetime(2026, 5, 21, 22, 59, tzinfo=UTC))
    assert refused.value.where == where
    if where != "moved":  # an hour later it is the 22nd by British summer time
        assert outlook(batch, sources, datetime(2026, 5, 21, 23, 1, tzinfo=UTC)).batch == batch


# --- what cannot be answered ----------------------------------------------------------------------------------------


def test_a_forecast_alone_that_ends_inside_the_window_answers_and_names_the_days_that_it_does_not_know() -> None:
    """Known to 3 June; the needed days run from the first flight to 21 days after the last emergence, 14 June."""
    members = by_hours("2026-05-15", np.full((5, 20), 2.0), kind="ensemble")
    now = datetime(2026, 5, 15, 5, tzinfo=UTC)
    found = outlook(BATCH, Sources(members=members), now)
    (unknown,) = [w for w in found.warnings if w.startswith("No weather covers")]
    _, weights = emergence_days(BATCH, SITE, BIOLOGY)
    first, _ = emergence_days(BATCH, SITE, BIOLOGY)
    last = date.fromisoformat(str(first)) + timedelta(days=len(weights) - 1 + 21)
    assert unknown == (
        f"No weather covers 4 June to {last.day} June: these days count as without flight, so the true odds are better."
    )
    whole = outlook(BATCH, Sources(members=by_hours("2026-05-15", np.full((5, 60), 2.0), kind="ensemble")), now)
    assert found.well_mated.value < whole.well_mated.value
    without = np.concatenate([np.full(20, 2.0), np.zeros(60)])
    record = outlook(BATCH, Sources(observed=by_hours("2026-05-15", without)))
    assert found.fates == pytest.approx(record.fates, abs=1e-12)
    assert sum(found.shares.values()) == pytest.approx(1.0)
    assert found.shares["unknown"] == pytest.approx(2.0 / 9.0)  # 4 and 5 June of the prime window of 28 May to 5 June
    for day in found.days:
        if day.day <= date(2026, 6, 3):
            assert day.shares == {"observed": 0.0, "forecast": 1.0, "past_years": 0.0}
        else:
            assert day.shares == {"observed": 0.0, "forecast": 0.0, "past_years": 0.0, "unknown": 1.0}
            assert (day.strict_hours, day.effective_hours, day.p_flying) == (None, 0.0, 0.0)


def test_weather_that_knows_no_day_of_the_window_is_refused() -> None:
    """From emergence on 21 or 22 May the first flight is on 24 May at the earliest."""
    members = by_hours("2026-05-13", np.full((5, 10), 2.0), kind="ensemble")
    with pytest.raises(RequestError, match="no weather covers the mating window, 2026-05-2") as refused:
        outlook(BATCH, Sources(members=members), datetime(2026, 5, 13, 5, tzinfo=UTC))
    assert "past years" in refused.value.fix


def test_a_forecast_that_covers_the_window_up_to_the_late_age_is_enough() -> None:
    """Days past age 21 that nothing covers count as without flight: a queen that has not flown by then is late in any case."""
    members = by_hours("2026-05-15", np.full((5, 33), 2.0), kind="ensemble")  # to 16 June
    found = outlook(BATCH, Sources(members=members), datetime(2026, 5, 15, 5, tzinfo=UTC))
    assert found.well_mated_usual is None
    assert found.first_egg_usual is None
    assert found.days[0].usual_hours is None
    assert found.well_mated.value > 0.9
    assert any("No past years" in warning for warning in found.warnings)


def test_days_missing_in_the_record_count_as_without_flight_and_are_named_not_taken_for_bad_weather() -> None:
    """1 and 2 June: nobody flies on them, but the drive of queens shut in does not grow for it."""
    weather = a_record(warmth_c=17.0)
    gap = np.isin(weather.days, np.arange("2026-06-01", "2026-06-03", dtype="datetime64[D]"))
    temp = np.where(gap[None, :, None], np.nan, weather.temp_c)
    found = outlook(EMERGED, Sources(observed=replace(weather, temp_c=temp)))
    start = int((np.datetime64(BORN, "D") - RUN_IN_D - weather.days[0]).astype(int))
    levels = weather.flight(BIOLOGY.flight, 1.0).effective_h[0]
    known = iter([h for h, _ in naive_pent_up(levels[start:][~gap[start:]].tolist())])
    hours = [0.0 if missing else next(known) for missing in gap[start:]]
    params = reference_params(BIOLOGY)
    outcomes = exact_outcomes(flight_odds(hours, RUN_IN_D, [1.0] * len(hours), params), params)
    assert found.fates == pytest.approx(by_fate([(0, o, p) for o, p in outcomes.items()]), abs=1e-11)
    assert any(w.startswith("No weather covers 1 June to 2 June: ") for w in found.warnings)
    by_day = {day.day: day for day in found.days}
    assert by_day[date(2026, 6, 1)].shares["unknown"] == 1.0
    assert by_day[date(2026, 6, 1)].strict_hours is None
    assert by_day[date(2026, 6, 3)].shares["observed"] == 1.0


# --- what is warned of ----------------------------------------------------------------------------------------------


def of_run(hours_old: float) -> SiteWeather:
    """An ensemble whose run began so many hours before 27 May 6:00 UTC."""
    began = datetime(2026, 5, 27, 6, tzinfo=UTC) - timedelta(hours=hours_old)
    members = by_hours("2026-05-26", np.full((20, 16), 2.0), kind="ensemble", issued=str(began.date()))
    return replace(members, provenance=replace(members.provenance, run_time=began))


NOW = datetime(2026, 5, 27, 6, tzinfo=UTC)


@pytest.mark.parametrize(("hours_old", "warned"), [(6.0, False), (11.9, False), (13.0, True), (40.0, True)])
def test_a_forecast_more_than_twelve_hours_old_is_warned_of(hours_old: float, warned: bool) -> None:  # noqa: FBT001
    found = outlook(BATCH, Sources(members=of_run(hours_old), past=past_years()), NOW)
    old = [w for w in found.warnings if "hours old" in w]
    assert old == ([f"The ensemble of invented is {hours_old:.0f} hours old."] if warned else [])


def test_a_forecast_that_does_not_say_when_it_was_made_is_weighed_by_its_first_day_and_warned_of() -> None:
    members = by_hours("2026-05-24", np.full((20, 16), 2.0), kind="ensemble")
    found = outlook(BATCH, Sources(members=members, past=past_years()), NOW)
    said = "The ensemble does not say when it was made; it may be of 24 May, 3 days ago, and is weighed so."
    assert said in found.warnings
    by_day = {day.day: day.shares["forecast"] for day in found.days}
    assert by_day[date(2026, 5, 27)] == pytest.approx(0.9 / (1.0 + (3.0 / 9.8) ** 3.5), abs=1e-3)


@pytest.mark.parametrize(
    ("members", "said"),
    [
        (by_hours("2026-05-29", np.full((20, 16), 2.0), kind="ensemble"), "begins or was made later than tomorrow"),
        (
            by_hours("2026-05-25", np.full((20, 16), 2.0), kind="ensemble", issued="2026-05-29"),
            "begins or was made later than tomorrow",
        ),
        (by_hours("2026-05-10", np.full((20, 16), 2.0), kind="ensemble"), "ends before today"),
    ],
    ids=["begins after tomorrow", "made after tomorrow", "ended"],
)
def test_a_forecast_of_another_day_is_not_used_and_that_is_said(members: SiteWeather, said: str) -> None:
    found = outlook(BATCH, Sources(members=members, past=past_years()), NOW)
    assert any(said in warning for warning in found.warnings)
    assert not any("No forecast was given" in warning for warning in found.warnings)
    assert all(day.shares["forecast"] == 0.0 for day in found.days if day.day >= date(2026, 5, 27))


def test_what_is_wholly_measured_is_not_warned_of_for_its_forecast() -> None:
    found = outlook(BATCH, Sources(observed=a_record(), past=past_years()))
    assert [w for w in found.warnings if not w.startswith("Past years were warmed")] == []


# --- where the calendar and the sun part ------------------------------------------------------------------------------


DATE_LINE = {  # longitude, zone, days by which the calendar runs ahead of the solar day
    "Chatham": (-176.5, "Pacific/Chatham", 1),
    "Tonga": (-175.2, "Pacific/Tongatapu", 1),
    "Fiji, east of 180": (-179.9, "Pacific/Fiji", 1),
    "Fiji, west of 180": (178.4, "Pacific/Fiji", 0),
    "Auckland": (174.8, "Pacific/Auckland", 0),
    "Apia": (-171.8, "Pacific/Apia", 1),
    "Pago Pago": (-170.7, "Pacific/Pago_Pago", 0),
    "London": (0.0, "Europe/London", 0),
}


@pytest.mark.parametrize("place", DATE_LINE)
def test_beside_the_date_line_a_batch_has_the_dates_of_the_local_calendar(place: str) -> None:
    """The same weather at the same hours of the sun, grafted at local noon: the same odds, on the local calendar's days."""
    longitude, zone, ahead = DATE_LINE[place]
    site = stand(longitude=longitude, timezone=zone, latitude=-20.0)
    assert site.day_shift == ahead
    weather = a_record(warmth_c=18.0)  # on solar days from 10 May
    grafted = datetime(2026, 5, 10, 12, tzinfo=UTC) - timedelta(hours=longitude / 15.0)  # at solar noon of 10 May
    batch = Batch(grafted)
    day = grafted.astimezone(site.zone).date()
    assert day == date(2026, 5, 10) + timedelta(days=ahead)
    found = outlook(batch, Sources(observed=weather), site=site)
    at_greenwich = outlook(Batch(datetime(2026, 5, 10, 12, tzinfo=UTC)), Sources(observed=weather))
    # solar days begin at full hours of UTC: emergence falls on the same days but for less than half an hour
    assert found.fates == pytest.approx(at_greenwich.fates, abs=0.01)
    shift = timedelta(days=ahead)
    assert [d.day for d in found.days] == [d.day + shift for d in at_greenwich.days]
    assert found.emergence[1] == at_greenwich.emergence[1] + shift
    events = {e.name: e.day for e in found.timeline}
    assert events["emergence"] == found.emergence[1]
    assert events["first laying check"] == found.days[14].day
    eggs_on = found.days[14].day
    seen = outlook(replace(batch, checks=(Check(eggs_on, "eggs"),)), Sources(observed=weather), site=site)
    assert seen.laying_by_day[eggs_on] == pytest.approx(1.0, abs=1e-12)
    assert seen.first_egg is not None
    assert seen.first_egg["p90"] <= eggs_on
    drones = stand(longitude=longitude, timezone=zone, latitude=-20.0, drones_mature_from=eggs_on)
    waited = outlook(batch, Sources(observed=weather), site=drones)
    assert [d.drones for d in waited.days] == [float(d.day >= eggs_on) for d in waited.days]


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
