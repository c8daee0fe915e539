"""Effective flight hours by day to the fates of virgin queens and the day of their first egg.

An exact daily chain: probabilities flow from immature to mature virgin, through one, two or three mating flights, to a
queen in lay. Nothing is sampled. Every function is vectorised over weather paths and over the solar day of
emergence. How the
chain is built is design judgement around published numbers; each number's source is in ``models/literature.md``.

Ages count solar days since emergence; the day of emergence has age 0.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import reduce
from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from collections.abc import Iterator

    from numpy.typing import ArrayLike, NDArray

    from matewindow.biology import Biology, Laying, Mating, Quality

    Floats = NDArray[np.float64]

FATES = ("well_mated", "under_mated", "late_mated", "unmated", "lost")


@dataclass(frozen=True)
class DayFlows:
    """What happens on one day of age, each an array (n_emergence, n_paths) of probability.

    ``virgin`` is what is mature and has not flown by the end of the day. ``last_flight`` holds the queens that
    complete the flights they need on this day, by whether their first was in time
    (``well``) or not (``late``); ``settled`` those for whom it is the last day of waiting in vain for a further flight.
    """

    age: int
    virgin: Floats
    flights: Floats
    well_last_flight: Floats
    late_last_flight: Floats
    under_settled: Floats
    late_settled: Floats
    lost: Floats


@dataclass(frozen=True)
class Summary:
    """The chain's outcome for each emergence day and path, shape (n_emergence, n_paths), and the laying dates.

    Attributes:
        fates: probabilities in the order of ``FATES``, shape (5, n_emergence, n_paths); they add up to 1.
        flights: mating flights made per queen.
        well_egg_age: sum over the well mated of probability times age at first egg [d].
        well_by_day: probability of being well mated and in lay on a given day (see ``by_index`` of ``summarise``).
        egg_age: probability of the first egg at each age, over all queens in lay, mean over paths (n_emergence,
            n_ages).
    """

    fates: Floats
    flights: Floats
    well_egg_age: Floats
    well_by_day: Floats
    egg_age: Floats


@dataclass(frozen=True)
class Distribution:
    """The joint distribution of fate and day for each emergence day and path.

    Attributes:
        egg: probability of the first egg at each age by fate (well, under, late), shape (3, n_ages, n_emergence,
            n_paths).
        lost: probability of being lost at each age, shape (n_ages, n_emergence, n_paths).
        unmated: probability of never flying, shape (n_emergence, n_paths).
        flights: probability of a mating flight at each age, shape (n_ages, n_emergence, n_paths).
    """

    egg: Floats
    lost: Floats
    unmated: Floats
    flights: Floats


def normal_cdf(x: ArrayLike) -> Floats:
    """Standard normal distribution function."""
    from scipy.special import ndtr

    result: Floats = ndtr(np.asarray(x, dtype=np.float64))
    return result


def drive(age: Floats | int, mating: Mating) -> Floats:
    """Eagerness to fly by age, 1 in the prime, falling to nothing: 1 to day 14, 0.6 at day 21, 0 from day 32.

    Source: 0.59 from Woyke & Jasiński 1976 (sperm stored by older over best-aged queens), 21 d COLOSS BEEBOOK; end
        is judgement.
    """
    turns = [mating.full_drive_to_age_d, mating.late_age_d, mating.end_age_d]
    return np.asarray(np.interp(age, turns, [1.0, mating.drive_at_late_age, 0.0]), dtype=np.float64)


def maturing(n_ages: int, mating: Mating) -> Floats:
    """Share of queens that become mature on each day of age, shape (n_ages,), adding up to 1.

    Normal, counted up to the age itself. What falls before ``earliest_flight_age_d`` is put there: no source has an egg
    before age 4 (Szabo et al. 1987).
    """
    ages = np.arange(n_ages)
    mature = normal_cdf((ages - mating.maturity_age_d) / mating.maturity_sd_d)
    mature[ages < mating.earliest_flight_age_d] = 0.0
    mature[-1] = 1.0
    return np.diff(mature, prepend=0.0)


def laying_lag(laying: Laying) -> Floats:
    """Probability of 0, 1, 2 … days from the last mating flight to the first egg, shape (n_lags,), adding up to 1.

    A normal distribution rounded to whole days, what falls short of ``lag_min_d`` put there.
    """
    longest = int(np.ceil(laying.lag_d + 6 * laying.lag_sd_d))
    upper = normal_cdf((np.arange(longest + 1) + 0.5 - laying.lag_d) / laying.lag_sd_d)
    upper[: int(laying.lag_min_d)] = 0.0
    upper[-1] = 1.0
    return np.diff(upper, prepend=0.0)


def chain_ages(mating: Mating) -> int:
    """How many ages the chain runs over: to the last flight and through the wait that may follow it."""
    return int(np.ceil(mating.end_age_d)) + int(mating.settle_after_d) + 1


def egg_ages(biology: Biology) -> int:
    """How many ages a first egg can have: those of the chain plus the longest lag."""
    return chain_ages(biology.mating) + len(laying_lag(biology.laying))


def daily_flows(
    hours: Floats, drones: Floats, first_emergence: int, n_emergence: int, mating: Mating
) -> Iterator[DayFlows]:
    """Run the chain and give its flows one day of age at a time.

    Args:
        hours: effective flight hours, days first, shape (n_days, n_paths); days past the end count as without
            flight, so give enough of them (``chain_ages`` beyond the last emergence).
        drones: share of drones available on each day, shape (n_days,).
        first_emergence: index of the day on which the first of the emergence days lies.
        n_emergence: number of consecutive emergence days.
        mating: parameters.

    Yields:
        ``DayFlows`` for age 0, 1, 2 …; use each before asking for the next, ``virgin`` is changed in place.
    """
    n_ages, wait = chain_ages(mating), int(mating.settle_after_d)
    exponent = _flight_exponent(hours, drones, first_emergence + n_emergence + n_ages, mating)
    in_prime = -np.expm1(exponent)
    inflow = maturing(n_ages, mating)
    lives = 1.0 - mating.loss_per_flight
    one, three = mating.one_flight_share, mating.three_flight_share
    more = 1.0 - one
    # among queens that need more than one flight, those that need two and three keep this proportion while they wait
    two_of_more, three_of_more = (1.0 - three / more, three / more) if more > 0.0 else (1.0, 0.0)
    virgin = np.zeros((n_emergence, hours.shape[1]))
    # queens that wait for another flight, by days since the last one; a pair: those whose first was in time, and late
    after_one, after_two = (_Waiting(wait), _Waiting(wait)), (_Waiting(wait), _Waiting(wait))
    stays: list[Floats] = []
    for age in range(n_ages):
        today = slice(first_emergence + age, first_emergence + age + n_emergence)
        eager = float(drive(age, mating))
        p = in_prime[today] if eager == 1.0 else -np.expm1(eager * exponent[today])
        virgin = virgin + inflow[age]
        first = virgin * p
        virgin -= first
        stays = [1.0 - p, *stays[: wait - 1]]
        stayed = reduce(np.multiply, stays)
        flown, finished, settled = first.copy(), [], []
        for late in (False, True):
            fresh = first if late == (age > mating.late_age_d) else None
            second, settled_one = after_one[late].fly(p, stayed)
            third, settled_two = after_two[late].fly(p, stayed)
            done = two_of_more * second + third
            flown += second + third
            if fresh is not None:
                done += one * fresh
            finished.append(lives * done)
            settled.append(settled_one + settled_two)
            after_one[late].join(None if fresh is None else lives * more * fresh)
            after_two[late].join(lives * three_of_more * second if after_one[late].pending is not None else None)
        yield DayFlows(
            age,
            virgin,
            flown,
            finished[0],
            finished[1],
            settled[0],
            settled[1],
            mating.loss_per_flight * flown,
        )


def _flight_exponent(hours: Floats, drones: Floats, n_days: int, mating: Mating) -> Floats:
    """-rate x drones x hours for exactly ``n_days`` days; those past the end of ``hours`` are without flight."""
    exponent = np.zeros((n_days, hours.shape[1]))
    known = min(n_days, len(hours))
    exponent[:known] = -mating.flight_rate_per_h * hours[:known] * drones[:known, None]
    return exponent


class _Waiting:
    """Queens that wait for a further flight: how many in all, and how many joined on each of the last days."""

    def __init__(self, days: int) -> None:
        self.joined: list[Floats | None] = [None] * days
        self.pending: Floats | None = None

    def fly(self, p: Floats, stayed: Floats) -> tuple[Floats, Floats]:
        """Those that fly today with probability ``p``, and those whose last day of waiting passes in vain.

        ``stayed`` is the probability of not flying on any of the days of waiting up to today.
        """
        oldest = self.joined.pop()
        nobody = np.zeros_like(p)
        if self.pending is None:
            return nobody, nobody
        flying = self.pending * p
        self.pending -= flying
        settled = nobody if oldest is None else oldest * stayed
        self.pending -= settled
        np.maximum(self.pending, 0.0, out=self.pending)  # rounding only
        return flying, settled

    def join(self, queens: Floats | None) -> None:
        """Add those whose last flight was today; None where there can be none."""
        self.joined.insert(0, queens)
        if queens is not None:
            self.pending = queens.copy() if self.pending is None else self.pending + queens


def summarise(
    hours: Floats,
    drones: Floats,
    first_emergence: int,
    n_emergence: int,
    biology: Biology,
    *,
    by_index: int | None = None,
) -> Summary:
    """Fates, flights and laying dates without keeping the whole distribution of each path.

    Args:
        hours, drones, first_emergence, n_emergence: as in ``daily_flows``.
        biology: parameters.
        by_index: day index by which a queen should be in lay; None = any time.
    """
    mating, lag = biology.mating, laying_lag(biology.laying)
    lag_cdf, mean_lag = np.cumsum(lag), float(lag @ np.arange(len(lag)))
    shape = (n_emergence, hours.shape[1])
    fates, flights, egg_sum, by_day = np.zeros((5, *shape)), np.zeros(shape), np.zeros(shape), np.zeros(shape)
    egg_age = np.zeros((n_emergence, egg_ages(biology)))
    emergence = first_emergence + np.arange(n_emergence)
    for flow in daily_flows(hours, drones, first_emergence, n_emergence, mating):
        late = flow.late_last_flight + flow.late_settled
        fates[0] += flow.well_last_flight
        fates[1] += flow.under_settled
        fates[2] += late
        fates[4] += flow.lost
        flights += flow.flights
        egg_sum += (flow.age + mean_lag) * flow.well_last_flight
        if by_index is not None:
            spare = np.clip(by_index - emergence - flow.age, -1, len(lag) - 1)
            in_time = np.where(spare < 0, 0.0, lag_cdf[spare])
            by_day += in_time[:, None] * flow.well_last_flight
        through_lag = (flow.well_last_flight + flow.late_last_flight).mean(axis=1)
        egg_age[:, flow.age : flow.age + len(lag)] += through_lag[:, None] * lag
        egg_age[:, flow.age + 1] += (flow.under_settled + flow.late_settled).mean(axis=1)
    fates[3] = flow.virgin
    return Summary(fates, flights, egg_sum, fates[0] if by_index is None else by_day, egg_age)


def distribution(
    hours: Floats, drones: Floats, first_emergence: int, n_emergence: int, biology: Biology
) -> Distribution:
    """The joint distribution of fate and day, for few emergence days: what conditioning on observations needs."""
    lag = laying_lag(biology.laying)
    shape = (n_emergence, hours.shape[1])
    n_ages = egg_ages(biology)
    egg, lost, flights = np.zeros((3, n_ages, *shape)), np.zeros((n_ages, *shape)), np.zeros((n_ages, *shape))
    for flow in daily_flows(hours, drones, first_emergence, n_emergence, biology.mating):
        after = slice(flow.age, flow.age + len(lag))
        egg[0, after] += lag[:, None, None] * flow.well_last_flight
        egg[1, flow.age + 1] += flow.under_settled
        egg[2, after] += lag[:, None, None] * flow.late_last_flight
        egg[2, flow.age + 1] += flow.late_settled
        lost[flow.age] = flow.lost
        flights[flow.age] = flow.flights
    return Distribution(egg, lost, flow.virgin, flights)


def stored_sperm_m(n_flights: int, quality: Quality) -> float:
    """Sperm that a queen stores after one, two or three mating flights [million].

    Source: Woyke 1964, J Apic Res 3(1):17-23.

    Raises:
        ValueError: ``n_flights`` is not 1, 2 or 3.
    """
    by_flights = (quality.sperm_one_flight_m, quality.sperm_two_flights_m, quality.sperm_three_flights_m)
    if n_flights not in (1, 2, 3):
        raise ValueError(f"n_flights is {n_flights}, but the source has 1, 2 and 3 only")
    return by_flights[n_flights - 1]
