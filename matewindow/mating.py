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
MATED = (("well_mated", True), ("under_mated", False), ("late_mated", True), ("late_mated", False))
"""How a queen comes to lay: her fate, and whether she made all the flights she needed or waited in vain for one."""


@dataclass(frozen=True)
class DayFlows:
    """What happens on one day of age, each an array (n_emergence, n_paths) of probability.

    ``virgin`` is what is mature and has not flown by the end of the day, ``flights`` the mating flights of the day, of
    each of which ``loss_per_flight`` do not come back; None once nobody flies any more.
    ``mated`` holds those whose mating flights are over, in the order of ``MATED``, None where there can be none: queens
    that complete the flights they need, and those for whom it is the last day of waiting in vain for a further one;
    first those whose first flight was in time, then the late.
    """

    age: int
    virgin: Floats
    flights: Floats | None
    mated: tuple[Floats | None, Floats | None, Floats | None, Floats | None]


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


def drive(age: ArrayLike, mating: Mating) -> Floats:
    """Eagerness to fly by age, 1 in the prime, falling to nothing: 1 to day 14, 0.6 at day 21, 0 from day 32.

    Source: 0.59 from Woyke & Jasiński 1976 (sperm stored by older over best-aged queens), 21 d COLOSS BEEBOOK; end
        is judgement.
    """
    turns = [mating.full_drive_to_age_d, mating.late_age_d, mating.end_age_d]
    return np.asarray(
        np.interp(np.asarray(age, dtype=np.float64), turns, [1.0, mating.drive_at_late_age, 0.0]), dtype=np.float64
    )


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


def mated_lags(laying: Laying) -> Floats:
    """Probability of 0, 1, 2 … days from the end of the mating flights to the first egg, by ``MATED`` (4, n_lags).

    Queens that wait no more lay on the next day.
    """
    lag = laying_lag(laying)
    in_vain = np.zeros(len(lag) + 1)
    in_vain[1] = 1.0
    return np.stack([np.append(lag, 0.0) if whole else in_vain for _, whole in MATED])


def chain_ages(mating: Mating) -> int:
    """How many ages the chain runs over: to the last flight and through the wait that may follow it."""
    return int(np.ceil(mating.end_age_d)) + int(mating.settle_after_d) + 1


def egg_ages(biology: Biology) -> int:
    """How many ages a first egg can have: those of the chain plus the longest lag."""
    return chain_ages(biology.mating) + len(laying_lag(biology.laying))


def daily_flows(
    hours: Floats,
    drones: Floats,
    first_emergence: int,
    n_emergence: int,
    mating: Mating,
    mass: Floats | float = 1.0,
) -> Iterator[DayFlows]:
    """Run the chain and give its flows one day of age at a time.

    Args:
        hours: effective flight hours, days first, shape (n_days, n_paths); days past the end count as without
            flight, so give enough of them (``chain_ages`` beyond the last emergence).
        drones: share of drones available on each day, shape (n_days,).
        first_emergence: index of the day on which the first of the emergence days lies.
        n_emergence: number of consecutive emergence days.
        mating: parameters.
        mass: of the queens of each emergence day and path, broadcast to (n_emergence, n_paths).

    Yields:
        ``DayFlows`` of each age from the first with a mature queen on; use each before asking for the next, ``virgin``
        is changed in place.
    """
    n_ages = chain_ages(mating)
    exponent = _flight_exponent(hours, drones, first_emergence + n_emergence + n_ages, mating)
    inflow, eager = maturing(n_ages, mating), drive(np.arange(n_ages), mating)
    last_eager = int(mating.full_drive_to_age_d)
    at_full_drive = np.exp(exponent[: first_emergence + n_emergence + last_eager])  # by day, whatever their age
    virgin = np.zeros((n_emergence, hours.shape[1]))
    in_time, late = _Line(mating), _Line(mating)
    stays: list[Floats] = []
    one = np.ones((1, 1))
    for age in range(int(np.argmax(inflow > 0.0)), n_ages):
        if inflow[age]:
            virgin += inflow[age] * mass
        p, first = None, None
        stays = stays[: in_time.wait - 1]
        if eager[age]:
            today = slice(first_emergence + age, first_emergence + age + n_emergence)
            stays.insert(0, at_full_drive[today] if age <= last_eager else np.exp(eager[age] * exponent[today]))
            p = 1.0 - stays[0]
            first = virgin * p
            virgin -= first
        else:
            stays.insert(0, one)
        stayed = reduce(np.multiply, stays) if in_time.due or late.due else one
        is_late = age > mating.late_age_d
        well, under, well_flown = in_time.day(p, stayed, None if is_late else first)
        late_well, late_under, late_flown = late.day(p, stayed, first if is_late else None)
        yield DayFlows(age, virgin, _together(first, well_flown, late_flown), (well, under, late_well, late_under))


def _flight_exponent(hours: Floats, drones: Floats, n_days: int, mating: Mating) -> Floats:
    """-rate x drones x hours for exactly ``n_days`` days; those past the end of ``hours`` are without flight."""
    exponent = np.zeros((n_days, hours.shape[1]))
    known = min(n_days, len(hours))
    exponent[:known] = -mating.flight_rate_per_h * hours[:known] * drones[:known, None]
    return exponent


class _Line:
    """Queens that have flown and need to fly again, either of those that began in time or of those that were late.

    Queens that need more than one flight need two or three in this proportion as long as they wait.
    """

    def __init__(self, mating: Mating) -> None:
        self.wait = int(mating.settle_after_d)
        self._after_one, self._after_two = _Waiting(self.wait), _Waiting(self.wait)
        self._lives, self._one = 1.0 - mating.loss_per_flight, mating.one_flight_share
        self._more = 1.0 - self._one
        self._three = mating.three_flight_share / self._more if self._more > 0.0 else 0.0

    @property
    def due(self) -> bool:
        """Whether for some of them it is the last day of waiting."""
        return self._after_one.due or self._after_two.due

    def day(
        self, p: Floats | None, stayed: Floats, fresh: Floats | None
    ) -> tuple[Floats | None, Floats | None, Floats | None]:
        """One day: queens fly with probability ``p``, ``fresh`` ones make their first flight; None is nobody.

        Returns:
            Those that have now made the flights they need, those that have waited in vain for the last of them, and
            all that made a second or a third flight.
        """
        if fresh is None and self._after_one.pending is None and self._after_two.pending is None:
            return None, None, None
        second, settled_one = self._after_one.fly(p, stayed)
        third, settled_two = self._after_two.fly(p, stayed)
        with_two = None if second is None else (1.0 - self._three) * second
        done = _together(with_two, third, None if fresh is None else self._one * fresh)
        self._after_one.join(None if fresh is None else self._lives * self._more * fresh)
        self._after_two.join(None if second is None else self._lives * self._three * second)
        done = None if done is None else self._lives * done
        return done, _together(settled_one, settled_two), _together(second, third)


class _Waiting:
    """Queens that wait for a further flight: how many in all, and how many joined on each of the last days."""

    def __init__(self, days: int) -> None:
        self.joined: list[Floats | None] = [None] * days
        self.pending: Floats | None = None
        self._nil = np.zeros(0)

    @property
    def due(self) -> bool:
        """Whether for some of them it is the last day of waiting."""
        return self.joined[-1] is not None

    def fly(self, p: Floats | None, stayed: Floats) -> tuple[Floats | None, Floats | None]:
        """Those that fly today with probability ``p``, and those whose last day of waiting passes in vain.

        ``stayed`` is the probability of not flying on any of the days of waiting up to today. None is nobody.
        """
        oldest = self.joined.pop()
        if self.pending is None:
            return None, None
        flying = None if p is None else self.pending * p
        settled = None if oldest is None else oldest * stayed
        if all(queens is None for queens in self.joined):
            self.pending = None
            return flying, settled
        if flying is not None:
            self.pending -= flying
        if settled is not None:
            self.pending -= settled
            # rounding only; against an array it takes a third of the time that it takes against a number
            np.maximum(self.pending, self._nil, out=self.pending)
        return flying, settled

    def join(self, queens: Floats | None) -> None:
        """Add those whose last flight was today; None where there can be none."""
        self.joined.insert(0, queens)
        if queens is not None and self.pending is None:
            self.pending, self._nil = queens.copy(), np.zeros_like(queens)
        elif queens is not None and self.pending is not None:
            self.pending += queens


def _together(*parts: Floats | None) -> Floats | None:
    """The sum of those that are there, in order; None if none is."""
    there = [part for part in parts if part is not None]
    if len(there) < 2:
        return there[0] if there else None
    total: Floats = there[0] + there[1]
    for part in there[2:]:
        total += part
    return total


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
        well, under, late, late_under = flow.mated
        age = flow.age
        if flow.flights is not None:
            fates[4] += mating.loss_per_flight * flow.flights
            flights += flow.flights
        if well is not None:
            fates[0] += well
            egg_sum += (age + mean_lag) * well
            if by_index is not None:
                spare = np.clip(by_index - emergence - age, -1, len(lag) - 1)
                in_time = np.where(spare < 0, 0.0, lag_cdf[spare])
                by_day += in_time[:, None] * well
        for fate, waited in ((1, under), (2, late_under)):
            if waited is not None:
                fates[fate] += waited
                egg_age[:, age + 1] += waited.mean(axis=1)
        if late is not None:
            fates[2] += late
        flown = _together(well, late)
        if flown is not None:
            egg_age[:, age : age + len(lag)] += flown.mean(axis=1)[:, None] * lag
    fates[3] = flow.virgin
    return Summary(fates, flights, egg_sum, fates[0] if by_index is None else by_day, egg_age)


def distribution(
    hours: Floats, drones: Floats, first_emergence: int, n_emergence: int, biology: Biology
) -> Distribution:
    """The joint distribution of fate and day, every cell of it spelt out."""
    lags = mated_lags(biology.laying)
    shape, n_ages = (n_emergence, hours.shape[1]), egg_ages(biology)
    egg, lost, flights = np.zeros((3, n_ages, *shape)), np.zeros((n_ages, *shape)), np.zeros((n_ages, *shape))
    for flow in daily_flows(hours, drones, first_emergence, n_emergence, biology.mating):
        for (fate, _), lag, mass in zip(MATED, lags, flow.mated, strict=True):
            if mass is None:
                continue
            days = np.flatnonzero(lag)
            after = slice(flow.age + int(days[0]), flow.age + int(days[-1]) + 1)
            egg[FATES.index(fate), after] += lag[days[0] : days[-1] + 1, None, None] * mass
        if flow.flights is not None:
            lost[flow.age] = biology.mating.loss_per_flight * flow.flights
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
