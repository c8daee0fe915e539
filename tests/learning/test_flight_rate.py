"""The daily flight rate from looks for eggs: against another library, against a second implementation, and recovered."""

from __future__ import annotations

import importlib
from dataclasses import replace
from datetime import date, timedelta
from math import exp
from typing import TYPE_CHECKING, Any

import numpy as np
import pytest
from scipy.optimize import minimize
from scipy.stats import binom

from matewindow.learning.eggpaths import NEVER, EggPaths, FirstEggs, Ground, Looks, gather, look_odds, observed_hours
from matewindow.learning.flightrate import fit_flight_rate, interval_log_likelihoods, look_log_likelihoods
from matewindow.paths import Sources
from tests.learning.made_records import (
    BIOLOGY,
    N_DAYS,
    Yard,
    grafts_of,
    ground,
    hours_from,
    lived,
    rate_of,
    record,
    spells,
)
from tests.made_weather import by_hours, stand
from tests.reference import queen_by_queen as reference
from tests.same_names import reference_params

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from matewindow.biology import Biology

PRIOR = BIOLOGY.mating.flight_rate_per_h


def surpyval() -> Any:
    """The library, imported late: it takes seconds. A development dependency, so its absence is a failure."""
    return importlib.import_module("surpyval")


# --- against surpyval, a library of survival analysis ----------------------------------------------------------


def test_the_interval_likelihood_finds_the_weibull_that_surpyval_finds() -> None:
    """300 simulated lives that end between two looks; scale 8, shape 2.3."""
    rng = np.random.default_rng(11)
    lives = 8.0 * rng.weibull(2.3, 300)
    left = np.floor(lives / 3.0) * 3.0
    right = left + 3.0

    def loss(x: NDArray[np.float64]) -> float:
        scale, shape = np.exp(x)
        odds = [np.exp(-((at / scale) ** shape)) for at in (left, right)]
        return -float(interval_log_likelihoods(*odds).sum())

    ours = np.exp(minimize(loss, [2.0, 0.5], method="Nelder-Mead", options={"xatol": 1e-8, "fatol": 1e-10}).x)
    theirs = surpyval().Weibull.fit(x=np.c_[left, right], c=np.full(300, 2)).params

    assert ours == pytest.approx(theirs, rel=2e-4)


def simplest(biology: Biology = BIOLOGY) -> Biology:
    """Queens that are mature at once, need one flight, keep their drive, are never lost and lay the day after.

    Then the hours until the flight are exponential with the rate, which any library of survival analysis can fit.
    """
    m = replace(
        biology.mating,
        maturity_age_d=-50.0,
        full_drive_to_age_d=57.0,
        late_age_d=58.0,
        end_age_d=59.0,
        one_flight_share=1.0,
        two_flight_share=0.0,
        three_flight_share=0.0,
        loss_per_flight=0.0,
    )
    return replace(biology, mating=m, laying=replace(biology.laying, lag_d=1.0, lag_sd_d=1e-9))


def test_the_rate_of_the_simplest_queens_is_the_one_that_surpyval_finds_on_their_hours() -> None:
    """On the clock of flight hours the flight is exponential: eggs between two looks, before the first, or not yet."""
    rng = np.random.default_rng(12)
    hours = spells(N_DAYS, 8, rng)
    until = np.concatenate([np.zeros((1, 8)), np.cumsum(hours[3:], axis=0)])  # row d: hours on ages 3 to d + 2
    column, left, right = np.arange(160) % 8, np.full(160, -1), np.full(160, NEVER)
    clock = np.zeros((160, 2))
    for queen in range(160):
        flown = rng.exponential(1.0 / 0.12)
        egg = next((3 + day + 1 for day in range(40) if until[day + 1, column[queen]] >= flown), None)
        for visit in (7, 12, 17):
            if egg is not None and egg <= visit:
                right[queen] = visit
                break
            left[queen] = visit
        clock[queen] = [
            until[max(0, look - 3), column[queen]] if look > 0 else 0.0 for look in (left[queen], right[queen])
        ]
    eggs = FirstEggs(EggPaths(hours, np.ones((1, 8))), simplest())

    ours = fit_flight_rate(eggs, Looks(column, left, right), PRIOR, prior_sd_log=np.inf, gone_prior=None)
    kind = np.where(right == NEVER, 1, 2)
    clock[kind == 1, 1] = clock[kind == 1, 0]
    theirs = surpyval().Exponential.fit(x=clock, c=kind).params

    assert (kind == 1).sum() > 5
    assert (left == -1).sum() > 5
    assert ours.rate_per_h == pytest.approx(float(theirs[0]), rel=1e-4)


def test_the_worked_interval_likelihood_comes_out() -> None:
    """Rate .1, hours 4, 0, 6, egg after the end of day 1 and by that of day 3: exp(-.4) - exp(-1), by hand."""
    survival = np.exp(-0.1 * np.cumsum([4.0, 0.0, 6.0]))

    assert exp(interval_log_likelihoods(survival[[0]], survival[[2]])[0]) == pytest.approx(0.3024406, abs=1e-7)


def test_a_hazard_of_a_fifth_a_day_comes_out_of_the_chain_as_by_hand() -> None:
    """Daily hazard .2: still without .8, .64, .512 after one, two, three days, so .488 by then; mean wait to there 2.44 d."""
    hours = np.ones((N_DAYS, 1))
    rate = -float(np.log(0.8))
    survival = FirstEggs(EggPaths(hours, np.ones((1, 1))), simplest()).survival(rate)[:, 0]
    first = int(np.flatnonzero(survival < 1.0)[0])

    assert survival[first : first + 3] == pytest.approx([0.8, 0.64, 0.512], rel=1e-6)
    assert survival[first - 1 : first + 2].sum() == pytest.approx(2.44, rel=1e-6)


# --- against the second implementation --------------------------------------------------------------------------


def test_odds_of_no_egg_yet_are_those_of_exact_enumeration() -> None:
    hours = spells(N_DAYS, 3, np.random.default_rng(3))
    yard = Yard.at_rate(hours, 0.27)
    survival = yard.eggs().survival(0.27)

    for path in range(3):
        exact = reference.exact_enumeration(hours[:, path], 0, np.ones(N_DAYS), yard.params)
        eggs: dict[int, float] = {}
        for by_age in exact["egg_ages"].values():
            for age, p in by_age.items():
                eggs[age] = eggs.get(age, 0.0) + p
        for day in range(45):
            laid = sum(p for age, p in eggs.items() if age <= day)
            assert survival[day + 1, path] == pytest.approx(1.0 - laid, abs=1e-7)


def test_queens_that_emerge_on_several_days_are_a_mixture_of_those_that_emerge_on_each() -> None:
    hours = spells(N_DAYS, 1, np.random.default_rng(4))
    shares = np.array([[0.2], [0.5], [0.3]])
    mixed = FirstEggs(EggPaths(hours, shares), BIOLOGY).survival(0.4)
    single = [FirstEggs(EggPaths(hours[day:], np.ones((1, 1))), BIOLOGY).survival(0.4) for day in range(3)]

    for day in range(10, 40):
        expected = sum(float(shares[late, 0]) * single[late][day - late, 0] for late in range(3))
        assert mixed[day, 0] == pytest.approx(expected, abs=1e-9)


# --- recovery ---------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(("n", "spread"), [(30, 0.30), (100, 0.16), (300, 0.09)])
def test_a_known_rate_is_recovered_and_the_range_covers_it_as_often_as_it_says(n: int, spread: float) -> None:
    """100 times over: the median lands on the truth, and the 90 % range holds it in 90 of 100 cases up to chance."""
    true, runs = 0.28, 100
    rng = np.random.default_rng(1000 + n)
    yard = Yard.at_rate(spells(N_DAYS, 10, rng), true)
    eggs = yard.eggs()

    fits = [fit_flight_rate(eggs, yard.looks(n, rng), PRIOR) for _ in range(runs)]
    rates = np.array([fit.rate_per_h for fit in fits])
    held = sum(fit.low <= true <= fit.high for fit in fits)
    low, high = binom.ppf([0.002, 0.998], runs, 0.90)
    print(
        f"\n{n} queens: median {np.median(rates):.3f} (true {true}), IQR {np.percentile(rates, 25):.3f} to "
        f"{np.percentile(rates, 75):.3f}, coverage of the 90 % range {held / runs:.2f}"
    )

    assert np.median(rates) == pytest.approx(true, rel=0.06)
    assert np.log(rates).std() < spread
    assert low <= held <= high


def test_nucs_that_were_robbed_do_not_pass_for_queens_that_would_not_fly() -> None:
    """A fifth of the nucs comes to nothing whatever the weather. Without a share for them the rate comes out too low."""
    true = 0.4
    rng = np.random.default_rng(21)
    yard = Yard.at_rate(spells(N_DAYS, 10, rng, mean_h=1.6), true)
    looks = yard.looks(600, rng, robbed=0.2)

    fit = fit_flight_rate(yard.eggs(), looks, PRIOR)
    naive = fit_flight_rate(yard.eggs(), looks, PRIOR, gone_prior=None)

    assert fit.low <= true <= fit.high
    assert fit.gone == pytest.approx(0.2, abs=0.05)
    assert naive.high < true


def test_taking_the_day_of_the_look_for_the_day_of_the_egg_is_a_mistake_that_shows() -> None:
    """The classic error: the rate comes out far too low."""
    true = 0.4
    rng = np.random.default_rng(22)
    yard = Yard.at_rate(spells(N_DAYS, 10, rng), true)
    looks = yard.looks(300, rng)
    mistaken = replace(looks, left=np.where(looks.right == NEVER, looks.left, looks.right - 1))

    assert fit_flight_rate(yard.eggs(), looks, PRIOR).low <= true <= fit_flight_rate(yard.eggs(), looks, PRIOR).high
    assert fit_flight_rate(yard.eggs(), mistaken, PRIOR).high < true


def test_without_records_the_rate_is_the_literature_s() -> None:
    yard = Yard.at_rate(spells(N_DAYS, 2, np.random.default_rng(1)), 0.3)
    nobody = np.array([], dtype=np.intp)

    fit = fit_flight_rate(yard.eggs(), Looks(nobody, nobody, nobody), PRIOR)

    assert fit.rate_per_h == pytest.approx(PRIOR, rel=1e-4)
    assert fit.high / fit.low == pytest.approx(exp(2 * 1.645 * 0.7), rel=0.01)


def test_ten_records_hardly_move_the_rate_and_three_hundred_do() -> None:
    true = 0.22
    rng = np.random.default_rng(30)
    yard = Yard.at_rate(spells(N_DAYS, 10, rng), true)
    few, many = (fit_flight_rate(yard.eggs(), yard.looks(n, rng), PRIOR) for n in (10, 300))

    assert few.low < PRIOR < few.high
    assert many.high < PRIOR


# --- records on the weather that they had -----------------------------------------------------------------------


def test_the_hours_of_a_record_are_those_that_its_site_had() -> None:
    place = ground(5)

    hours = observed_hours(place, BIOLOGY, np.datetime64("2024-06-10"), 40)

    assert hours == pytest.approx(hours_from(place, date(2024, 6, 10))[:40], rel=1e-3, abs=1e-3)


def test_records_of_queens_that_lived_at_a_known_rate_give_it_back() -> None:
    """From dates of graft, emergence and looks and the site's weather alone; half of the emergences were not seen."""
    true = 0.26
    place, rng = ground(6), np.random.default_rng(6)
    records = lived(place, grafts_of((2022, 2023, 2024, 2025), 6), 12, true, rng)

    found = gather(records, [place], BIOLOGY)
    fit = fit_flight_rate(found.eggs, found.looks, PRIOR)

    assert len(found.rows) == len(records) == 288
    assert found.set_aside == {}
    assert fit.low <= true <= fit.high
    assert fit.high < PRIOR


def test_records_that_tell_nothing_are_set_aside_with_the_reason() -> None:
    place = ground(7, (2025,))
    laid = {"last_without_eggs": date(2025, 6, 24), "first_with_eggs": date(2025, 7, 1)}
    records = [
        record(),
        record(site="Elsewhere", **laid),
        record(**laid),
        record(grafted_on=date(2024, 6, 1), first_with_eggs=date(2024, 7, 1)),
        record(emerged_on=date(2025, 6, 25), first_with_eggs=date(2025, 7, 20)),
        record(first_with_eggs=date(2025, 6, 15)),
    ]

    found = gather(records, [place], BIOLOGY)

    assert found.rows.tolist() == [2]
    assert found.set_aside == {
        "no look for eggs with a date": 1,
        "no weather was given for the site Elsewhere": 1,
        "weather is missing in the mating window": 1,
        "the day of emergence does not fit the graft": 1,
        "eggs on a day on which no queen of that graft can have laid, in that weather": 1,
    }


def test_no_records_at_all_are_no_error() -> None:
    found = gather([], [ground(7, (2025,))], BIOLOGY)

    assert len(found.rows) == 0
    assert found.set_aside == {}


def test_weather_after_the_last_look_does_not_matter_and_may_be_missing() -> None:
    hours = np.full(60, 2.0)
    cut = hours.copy()
    cut[33:] = np.nan
    places = [Ground(stand(), Sources(observed=by_hours("2025-06-01", h))) for h in (hours, cut)]
    queen = record(emerged_on=date(2025, 6, 13), last_without_eggs=date(2025, 6, 27), first_with_eggs=date(2025, 7, 3))

    odds = []
    for place in places:
        found = gather([queen], [place], BIOLOGY)
        assert found.rows.tolist() == [0]
        odds.append(look_odds(found.eggs.survival(0.4), found.looks))

    assert odds[0] == odds[1]


def test_brood_tells_when_the_first_egg_was_there_and_not_only_when_it_was_seen() -> None:
    place = ground(8, (2025,))
    seen = record(first_with_eggs=date(2025, 7, 8))
    aged = record(first_with_eggs=date(2025, 7, 8), brood_age_d=9)

    found = gather([seen, aged], [place], BIOLOGY)

    assert found.looks.right[0] - found.looks.right[1] == 9


def test_a_look_that_misses_eggs_of_the_last_days_counts_as_a_look_made_earlier() -> None:
    place = ground(8, (2025,))
    queen = record(last_without_eggs=date(2025, 6, 30), first_with_eggs=date(2025, 7, 8))

    sharp, dull = (gather([queen], [place], BIOLOGY, detection_d=lag).looks for lag in (0, 2))

    assert sharp.left[0] - dull.left[0] == sharp.right[0] - dull.right[0] == 2


def test_past_years_serve_where_the_record_of_the_season_does_not_reach_as_they_were_and_without_warming() -> None:
    hours = np.linspace(0.0, 4.0, 200)
    past = by_hours("2024-04-01", hours, kind="analysis")
    season = by_hours("2024-06-11", np.full(3, 2.0))
    place = Ground(stand(), Sources(observed=season, past=past))

    found = observed_hours(place, BIOLOGY, np.datetime64("2024-06-10"), 6)

    at = (date(2024, 6, 10) - date(2024, 4, 1)).days
    expected = [hours[at], 2.0, 2.0, 2.0, hours[at + 4], hours[at + 5]]
    assert found == pytest.approx(expected, rel=1e-3)


def test_the_first_mature_drones_are_a_limit_in_their_own_year_only() -> None:
    days = np.full(900, 2.0)
    place = Ground(stand(drones_mature_from=date(2025, 6, 12)), Sources(observed=by_hours("2024-01-01", days)))

    this, other = (observed_hours(place, BIOLOGY, np.datetime64(f"{year}-06-10"), 4) for year in (2025, 2024))

    assert this == pytest.approx([0.0, 0.0, 2.0, 2.0], rel=1e-3)
    assert other == pytest.approx([2.0] * 4, rel=1e-3)


def test_a_site_s_own_thresholds_decide_its_hours() -> None:
    cool = by_hours("2025-06-01", np.full(60, 3.0), temp_c=18.0)
    hardy, usual = stand(thresholds={"temp_midpoint_c": 16.0}), stand()

    found = [
        observed_hours(Ground(site, Sources(observed=cool)), BIOLOGY, np.datetime64("2025-06-20"), 5).mean()
        for site in (hardy, usual)
    ]

    assert found[0] > 1.5 * found[1]


def test_likelihoods_follow_the_chain_and_not_a_copy_of_it() -> None:
    """Another number of flights needed changes what the looks say at the same rate."""
    rng = np.random.default_rng(9)
    yard = Yard.at_rate(spells(N_DAYS, 4, rng), 0.4)
    looks = yard.looks(40, rng)
    more = replace(
        BIOLOGY, mating=replace(BIOLOGY.mating, one_flight_share=0.3, two_flight_share=0.6, three_flight_share=0.1)
    )

    as_they_are, changed = (look_log_likelihoods(yard.eggs(b), looks, 0.4, 0.0).sum() for b in (BIOLOGY, more))

    assert abs(as_they_are - changed) > 0.5
    assert look_log_likelihoods(yard.eggs(rate_of(BIOLOGY, 0.7)), looks, 0.4, 0.0).sum() == pytest.approx(as_they_are)
    assert reference_params(BIOLOGY)["needs_1"] == BIOLOGY.mating.one_flight_share


def test_a_graft_near_midnight_of_the_solar_day_is_put_on_the_right_days() -> None:
    """At 15 degrees east the solar day begins an hour before the UTC day; civil dates are those of the site."""
    site = stand(longitude=15.0, timezone="Europe/Berlin")
    hours = np.zeros(60)
    place = Ground(site, Sources(observed=by_hours("2025-06-01", hours)))
    queen = record(emerged_on=date(2025, 6, 13), last_without_eggs=date(2025, 6, 13) + timedelta(days=15))

    found = gather([queen], [place], BIOLOGY)

    assert found.looks.left.tolist() == [15]
