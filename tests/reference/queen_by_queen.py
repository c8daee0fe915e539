"""Mating and first egg, one queen at a time, and the same rules by exact enumeration.

`simulate` rolls dice for every single queen; `exact_enumeration` adds up every course that a queen's life
can take. They share the odds of a flight and the naming of fates, nothing else. The defaults are the
project's: one, two or three mating flights as 62, 32 and 6 % (derived from Woyke 1964,
doi:10.1080/00218839.1964.11100077), loss per flight near that of Pérez-Sato and Ratnieks 2006
(doi:10.1051/apido:2006036), the rest judgement within published ranges. Nothing here imports
`matewindow`.
"""

from __future__ import annotations

import math
from functools import cache
from typing import TYPE_CHECKING, NamedTuple, TypedDict

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    import numpy as np

FATES = ("well_mated", "under_mated", "late_mated", "unmated", "lost")

DEFAULT_PARAMS: dict[str, float] = {
    "maturity_mean_d": 6.0,
    "maturity_sd_d": 1.0,
    "earliest_age_d": -math.inf,  # no queen matures before this age
    "rate_per_hour": 0.40,
    "age_full_d": 14.0,  # keen up to this age
    "age_late_d": 21.0,  # keenness is age_late_factor here, and a first flight later than this is late
    "age_late_factor": 0.6,
    "age_over_d": 32.0,  # keenness is 0 from here on
    "loss_per_flight": 0.03,
    "needs_1": 0.62,
    "needs_2": 0.32,
    "needs_3": 0.06,
    "settle_after_d": 5.0,
    "lag_mean_d": 3.0,
    "lag_sd_d": 1.0,
    "lag_min_d": 1.0,
}


class Outcome(NamedTuple):
    """How a queen's mating ended.

    Attributes:
        fate: One of `FATES`.
        egg_age: Age at the first egg [d], None unless she came into lay.
        flights: Mating flights made, the fatal one included.
        loss_age: Age on the day she was lost [d], None unless she was.
    """

    fate: str
    egg_age: int | None
    flights: int
    loss_age: int | None


class Simulated(TypedDict):
    """What became of the simulated queens; the three `egg_` lists, of queens in lay, run in step.

    `loss_days` are indices into the path's days, ages are counted from emergence; means are NaN where no
    queen is in lay.
    """

    n_queens: int
    counts: dict[str, int]
    egg_ages: list[int]
    egg_fates: list[str]
    egg_flights: list[int]
    loss_days: list[int]
    mean_egg_age: float
    mean_flights: float


class Enumerated(TypedDict):
    """Exact odds for one path.

    Of each fate, of each first-egg age by fate and of each count of flights of queens in lay (neither
    renormalised), and of each day of loss.
    """

    fates: dict[str, float]
    egg_ages: dict[str, dict[int, float]]
    flights: dict[int, float]
    loss_days: dict[int, float]
    mean_egg_age: float
    mean_flights: float


def keenness(age: int, params: Mapping[str, float] = DEFAULT_PARAMS) -> float:
    """The age factor g: 1, then falling in two straight lines to 0. [-]"""
    full, late, over = params["age_full_d"], params["age_late_d"], params["age_over_d"]
    low = params["age_late_factor"]
    if age <= full:
        return 1.0
    if age <= late:
        return 1.0 - (1.0 - low) * (age - full) / (late - full)
    if age < over:
        return low * (over - age) / (over - late)
    return 0.0


def flight_odds(
    hours_by_day: Sequence[float] | np.ndarray,
    emergence_day: int,
    drones_by_day: Sequence[float] | np.ndarray,
    params: Mapping[str, float] = DEFAULT_PARAMS,
) -> list[float]:
    """Probability that a mature queen in need flies to mate, at each age from 0 to the last that matters. [-]

    Days past the end of the path have no flight hours.

    Raises:
        ValueError: If a day is missing, the two series differ in length or emergence lies before the path.
    """
    if len(hours_by_day) != len(drones_by_day):
        raise ValueError(
            f"{len(hours_by_day)} days of hours, {len(drones_by_day)} of drones; give both for the same days"
        )
    if emergence_day < 0:
        raise ValueError(
            f"emergence on day {emergence_day} lies before the path; start the path no later than emergence"
        )
    odds = []
    for age in range(int(params["age_over_d"]) + 1):
        day = emergence_day + age
        if day >= len(hours_by_day):
            odds.append(0.0)
            continue
        exponent = (
            params["rate_per_hour"] * keenness(age, params) * float(drones_by_day[day]) * float(hours_by_day[day])
        )
        if math.isnan(exponent):
            raise ValueError(f"day {day} of the path is missing; fill it before asking what became of the queens")
        odds.append(1.0 - math.exp(-exponent))
    return odds


def one_queen(odds: Sequence[float], rng: np.random.Generator, params: Mapping[str, float] = DEFAULT_PARAMS) -> Outcome:
    """Live one queen's life day by day with random draws."""
    maturity_age = max(rng.normal(params["maturity_mean_d"], params["maturity_sd_d"]), _earliest_age(params))
    luck = rng.random()
    needed = 1 if luck < params["needs_1"] else 2 if luck < params["needs_1"] + params["needs_2"] else 3
    draws = rng.random((len(odds), 2)).tolist()

    flight_ages: list[int] = []
    for age, (flight_draw, loss_draw) in enumerate(draws):
        if flight_ages and age > flight_ages[-1] + params["settle_after_d"]:
            break
        if age < maturity_age or flight_draw >= odds[age]:
            continue
        flight_ages.append(age)
        if loss_draw < params["loss_per_flight"]:
            return Outcome("lost", None, len(flight_ages), age)
        if len(flight_ages) == needed:
            break

    if not flight_ages:
        return Outcome("unmated", None, 0, None)
    complete = len(flight_ages) == needed
    if complete:
        # floor(x + 1/2) rounds halves up, unlike Python's round.
        lag = math.floor(rng.normal(params["lag_mean_d"], params["lag_sd_d"]) + 0.5)
        egg_age = flight_ages[-1] + max(int(params["lag_min_d"]), lag)
    else:
        egg_age = flight_ages[-1] + int(params["settle_after_d"]) + 1
    return Outcome(_fate_in_lay(flight_ages[0], params, complete=complete), egg_age, len(flight_ages), None)


def _fate_in_lay(first_age: int, params: Mapping[str, float], *, complete: bool) -> str:
    if first_age > params["age_late_d"]:
        return "late_mated"
    return "well_mated" if complete else "under_mated"


def simulate(
    hours_by_day: Sequence[float] | np.ndarray,
    emergence_day: int,
    drones_by_day: Sequence[float] | np.ndarray,
    n_queens: int,
    rng: np.random.Generator,
    params: Mapping[str, float] = DEFAULT_PARAMS,
) -> Simulated:
    """Let `n_queens` queens of one emergence day live through one path of weather.

    Args:
        hours_by_day: Effective flight hours of each solar day. [h], shape (D,)
        emergence_day: Index of the solar day of emergence, at which age is 0.
        drones_by_day: Share of drones available each day. [-], shape (D,)
        n_queens: How many queens.
        rng: Source of the random draws.
        params: Rates and ages, as in `DEFAULT_PARAMS`.
    """
    odds = flight_odds(hours_by_day, emergence_day, drones_by_day, params)
    queens = [one_queen(odds, rng, params) for _ in range(n_queens)]
    laying = [(queen, queen.egg_age) for queen in queens if queen.egg_age is not None]
    return {
        "n_queens": n_queens,
        "counts": {fate: sum(queen.fate == fate for queen in queens) for fate in FATES},
        "egg_ages": [egg_age for _, egg_age in laying],
        "egg_fates": [queen.fate for queen, _ in laying],
        "egg_flights": [queen.flights for queen, _ in laying],
        "loss_days": [emergence_day + queen.loss_age for queen in queens if queen.loss_age is not None],
        "mean_egg_age": sum(egg_age for _, egg_age in laying) / len(laying) if laying else math.nan,
        "mean_flights": sum(queen.flights for queen, _ in laying) / len(laying) if laying else math.nan,
    }


def normal_below(x: float, mean: float, sd: float) -> float:
    """Probability that a normal value is at most `x`. [-]"""
    return 0.5 * math.erfc((mean - x) / (sd * math.sqrt(2.0)))


def lag_odds(params: Mapping[str, float] = DEFAULT_PARAMS) -> dict[int, float]:
    """Probability of each whole-day lag from last flight to first egg; the far tail sits on the last."""
    first = int(params["lag_min_d"])
    last = math.ceil(params["lag_mean_d"] + 9.0 * params["lag_sd_d"])
    odds = {}
    below = 0.0
    for lag in range(first, last):
        up_to = normal_below(lag + 0.5, params["lag_mean_d"], params["lag_sd_d"])
        odds[lag] = up_to - below
        below = up_to
    odds[last] = 1.0 - below
    return odds


def _earliest_age(params: Mapping[str, float]) -> float:
    return params["earliest_age_d"]


def maturity_odds(n_ages: int, params: Mapping[str, float] = DEFAULT_PARAMS) -> dict[int, float]:
    """Probability of each age to be the first mature day; what is missing to 1 matures too late to matter.

    Queens that would mature before the earliest age wait for it.
    """
    odds = {}
    below = 0.0
    for age in range(n_ages):
        up_to = normal_below(age, params["maturity_mean_d"], params["maturity_sd_d"])
        if age < _earliest_age(params):
            up_to = 0.0
        odds[age] = up_to - below
        below = up_to
    return odds


def exact_outcomes(odds: Sequence[float], params: Mapping[str, float] = DEFAULT_PARAMS) -> dict[Outcome, float]:
    """Every outcome with its probability, by looking ahead from each state, not by a chain forward.

    Which day she matures and how many flights she needs are both settled at birth and summed over last,
    so the recursion has no immature state: a queen enters it on her first mature day.
    """
    settle_after = int(params["settle_after_d"])
    loss = params["loss_per_flight"]
    lags = lag_odds(params)

    @cache
    def ahead(age: int, made: int, needed: int, days_since: int, first_age: int) -> dict[Outcome, float]:
        """What can still come, at the start of a day; `days_since` the last flight, if one was made."""
        if made == needed:
            fate = _fate_in_lay(first_age, params, complete=True)
            return {Outcome(fate, age - days_since + lag, made, None): p for lag, p in lags.items()}
        if made and days_since > settle_after:
            fate = _fate_in_lay(first_age, params, complete=False)
            return {Outcome(fate, age, made, None): 1.0}
        if not made and age >= len(odds):
            return {Outcome("unmated", None, 0, None): 1.0}

        flies = odds[age] if age < len(odds) else 0.0
        total: dict[Outcome, float] = {}
        _add(total, ahead(age + 1, made, needed, days_since + 1 if made else 0, first_age), 1.0 - flies)
        if flies > 0.0:
            _add(total, {Outcome("lost", None, made + 1, age): 1.0}, flies * loss)
            survived = ahead(age + 1, made + 1, needed, 1, first_age if made else age)
            _add(total, survived, flies * (1.0 - loss))
        return total

    total: dict[Outcome, float] = {}
    ripe = maturity_odds(len(odds), params)
    never_ripe = 1.0 - math.fsum(ripe.values())
    _add(total, {Outcome("unmated", None, 0, None): 1.0}, max(0.0, never_ripe))
    for needed in (1, 2, 3):
        for age, odds_age in ripe.items():
            _add(total, ahead(age, 0, needed, 0, -1), odds_age * params[f"needs_{needed}"])
    return total


def _add(total: dict[Outcome, float], part: Mapping[Outcome, float], weight: float) -> None:
    for outcome, probability in part.items():
        total[outcome] = total.get(outcome, 0.0) + weight * probability


def exact_enumeration(
    hours_by_day: Sequence[float] | np.ndarray,
    emergence_day: int,
    drones_by_day: Sequence[float] | np.ndarray,
    params: Mapping[str, float] = DEFAULT_PARAMS,
) -> Enumerated:
    """Exact odds for one emergence day and one path; arguments as for `simulate`."""
    outcomes = exact_outcomes(flight_odds(hours_by_day, emergence_day, drones_by_day, params), params)
    fates = dict.fromkeys(FATES, 0.0)
    egg_ages: dict[str, dict[int, float]] = {fate: {} for fate in FATES}
    flights: dict[int, float] = {}
    loss_days: dict[int, float] = {}
    for outcome, probability in outcomes.items():
        fates[outcome.fate] += probability
        if outcome.egg_age is not None:
            by_age = egg_ages[outcome.fate]
            by_age[outcome.egg_age] = by_age.get(outcome.egg_age, 0.0) + probability
            flights[outcome.flights] = flights.get(outcome.flights, 0.0) + probability
        if outcome.loss_age is not None:
            day = emergence_day + outcome.loss_age
            loss_days[day] = loss_days.get(day, 0.0) + probability
    in_lay = math.fsum(flights.values())
    egg_sum = math.fsum(age * p for by_age in egg_ages.values() for age, p in by_age.items())
    flight_sum = math.fsum(count * p for count, p in flights.items())
    return {
        "fates": fates,
        "egg_ages": egg_ages,
        "flights": flights,
        "loss_days": loss_days,
        "mean_egg_age": egg_sum / in_lay if in_lay > 0.0 else math.nan,
        "mean_flights": flight_sum / in_lay if in_lay > 0.0 else math.nan,
    }
