"""The odds of one batch as an outlook asks for them, kept by the end of the mating flights and not by the first egg.

The lag from the one to the other is the same on every path, so nothing is lost by applying it to sums. Paths with the
same hours share one run of the chain. Together that takes a tenth of the time of ``odds.Odds``, which spells every cell
out for every path.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import cached_property
from typing import TYPE_CHECKING

import numpy as np

from matewindow import mating
from matewindow.odds import Cells, agreeing, by_day, share_left
from matewindow.pathparts import PAST_YEARS

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from matewindow.biology import Biology, Mating
    from matewindow.paths import Paths
    from matewindow.site import Site
    from matewindow.timeline import Check

    Floats = NDArray[np.float64]
    Indices = NDArray[np.intp]

_FATE_OF = tuple(mating.FATES.index(fate) for fate, _ in mating.MATED)


@dataclass(frozen=True)
class Course:
    """All days of the chain, each array of shape (..., n_ages, n_emergence, n_paths).

    Attributes:
        mated: probability that the mating flights are over, by ``mating.MATED`` (4, ...).
        flights: probability of a mating flight; ``loss_per_flight`` of them end in a loss.
        unmated: probability of never flying, shape (n_emergence, n_paths).
        ages: for each of ``mating.MATED`` the ages at which there can be any.
    """

    mated: Floats
    flights: Floats
    unmated: Floats
    ages: tuple[slice, ...]

    @classmethod
    def empty(cls, n_emergence: int, n_paths: int, parameters: Mating) -> Course:
        """Room for a course."""
        shape = mating.chain_ages(parameters), n_emergence, n_paths
        return cls(np.zeros((len(mating.MATED), *shape)), np.zeros(shape), np.zeros(shape[1:]), ())

    def on(self, paths: slice) -> Course:
        """The same on some of the paths, as views."""
        return Course(self.mated[..., paths], self.flights[..., paths], self.unmated[..., paths], self.ages)


def course(
    hours: Floats,
    drones: Floats,
    first_emergence: int,
    n_emergence: int,
    parameters: Mating,
    mass: Floats | float = 1.0,
    *,
    into: Course | None = None,
) -> Course:
    """All days of the chain, for few emergence days; arguments as in ``mating.daily_flows``.

    Args:
        into: room for the same number of emergence days and paths, made for these parameters; what it held is written
            over. Fresh memory takes as long as the chain itself.
    """
    into = into or Course.empty(n_emergence, hours.shape[1], parameters)
    ages: list[list[int]] = [[] for _ in mating.MATED]
    for flow in mating.daily_flows(hours, drones, first_emergence, n_emergence, parameters, mass):
        for kind, part in enumerate(flow.mated):
            if part is not None:  # at an age at which there can be none the room has never held any
                into.mated[kind, flow.age] = part
                ages[kind].append(flow.age)
        if flow.flights is not None:
            into.flights[flow.age] = flow.flights
    into.unmated[...] = flow.virgin
    return replace(into, ages=tuple(slice(min(a, default=0), max(a, default=-1) + 1) for a in ages))


@dataclass(frozen=True)
class ChainOdds:
    """Probability mass of one batch; all of it that is left together adds up to 1.

    Attributes:
        course: the chain by age, emergence day and column, before any check; a column is run once for all its paths.
        column: of each path, shape (n_paths,).
        lags: from ``mating.mated_lags``.
        loss: share of the flights from which no queen comes back.
        left: share of each cell that checks have left, of first eggs and losses by age.
        checked: whether checks have been taken into account.
    """

    course: Course
    column: Indices
    lags: Floats
    loss: float
    left: Cells
    checked: bool = False

    @classmethod
    def of(cls, course: Course, column: Indices, lags: Floats, loss: float) -> ChainOdds:
        """All mass of a course, before any check."""
        n_ages, n_emergence, _ = course.flights.shape
        egg = np.ones((n_ages + lags.shape[1] - 1, n_emergence))
        return cls(course, column, lags, loss, Cells(egg, np.ones((n_ages, n_emergence)), np.ones(n_emergence)))

    def after(self, checks: tuple[Check, ...], first: np.datetime64, site: Site) -> ChainOdds:
        """What is left after looks into the nuc; rules, arguments and errors as in ``odds.after_checks``."""
        left = self.left
        for check in checks:
            agrees = agreeing(check, first, site, left.egg.shape, left.lost.shape)
            left = Cells(left.egg * agrees.egg, left.lost * agrees.lost, left.unmated * agrees.unmated)
            share = share_left(self._mass(left), check)
            left = Cells(left.egg / share, left.lost / share, left.unmated / share)
        return replace(self, left=left, checked=True) if checks else self

    @cached_property
    def masses(self) -> Floats:
        """Mass of each fate on each path, shape (5, n_paths), in the order of ``mating.FATES``."""
        course = self.course
        found = np.zeros((len(mating.FATES), course.unmated.shape[1]))
        for kind, share in enumerate(self._leading_to(self.left.egg)):
            ages = course.ages[kind]
            found[_FATE_OF[kind]] += _over_cells(share[ages], course.mated[kind, ages])
        found[3] = self.left.unmated @ course.unmated
        found[4] = self.loss * _over_cells(self.left.lost, course.flights)
        return found[:, self.column] / len(self.column)

    def by_path(self) -> Floats:
        """As ``masses``."""
        return self.masses

    def fates(self) -> dict[str, float]:
        """Probability of each fate; they add up to 1."""
        return dict(zip(mating.FATES, (float(x) for x in self.masses.sum(axis=1)), strict=True))

    def well_mated_from(self, age: int) -> Floats:
        """Mass of the well mated on each path that lay their first egg at this age or later, shape (n_paths,)."""
        eggs, well = self.left.egg.copy(), _FATE_OF.index(0)
        eggs[:age] = 0.0
        ages = self.course.ages[well]
        mass = _over_cells(self._leading_to(eggs)[well, ages], self.course.mated[well, ages])
        return mass[self.column] / len(self.column)

    @cached_property
    def eggs(self) -> Floats:
        """Mass of the first egg by fate and day since the first emergence day, (3, n_egg_ages + n_emergence - 1)."""
        return by_day(self._first_eggs * self.left.egg)

    def egg_days(self) -> Floats:
        """As ``eggs``."""
        return self.eggs

    def flight_days(self) -> Floats:
        """Expected mating flights by day since the first emergence day, before any check."""
        days: Floats = by_day(self._over_paths(self.course.flights)[None])[0]
        return days

    @cached_property
    def _first_eggs(self) -> Floats:
        """Mass of the first egg by fate, age and emergence day over all paths, before any check."""
        eggs = np.zeros((3, *self.left.egg.shape))
        for kind, (ages, lags) in enumerate(zip(self.course.ages, self.lags, strict=True)):
            mass = self._over_paths(self.course.mated[kind, ages])
            for days in np.flatnonzero(lags):
                eggs[_FATE_OF[kind], ages.start + days : ages.stop + days] += lags[days] * mass
        return eggs

    def _over_paths(self, values: Floats) -> Floats:
        """Mean over the paths of values by column, (..., n_columns) to (...)."""
        share = np.bincount(self.column, minlength=values.shape[-1]) / len(self.column)
        mean: Floats = values @ share
        return mean

    def _mass(self, left: Cells) -> float:
        """All mass, if this share of it is left."""
        lost, unmated = self.loss * self._over_paths(self.course.flights), self._over_paths(self.course.unmated)
        return float((self._first_eggs * left.egg).sum() + (lost * left.lost).sum() + unmated @ left.unmated)

    def _leading_to(self, eggs: Floats) -> Floats:
        """Share of each end of the mating flights that leads to the first eggs left, (n_kinds, n_ages, n_emergence)."""
        n_ages = len(self.course.flights)
        later = np.stack([eggs[days : days + n_ages] for days in range(self.lags.shape[1])])
        share: Floats = np.einsum("kd,dae->kae", self.lags, later)
        return share


class Chain:
    """Runs the chain for one batch after the other in the same memory."""

    def __init__(self, biology: Biology) -> None:
        self._mating, self._lags = biology.mating, mating.mated_lags(biology.laying)
        self._first_age = int(np.argmax(mating.maturing(mating.chain_ages(self._mating), self._mating) > 0.0))
        self._room: Course | None = None

    def odds(
        self, paths: Paths, usual: Paths | None, drones: Floats, first_emergence: int, weights: Floats
    ) -> tuple[ChainOdds, ChainOdds | None]:
        """The odds of one batch on its paths and on past years alone, before any check.

        They hold until the next call, which writes over them.

        Args:
            paths, usual: over the same days, from ``paths.build_paths``, no hour missing.
            drones: share of drones on each day, shape (n_days,).
            first_emergence: index of the first emergence day.
            weights: share that emerges on it and on each day after, adding up to 1, shape (n_emergence,).
        """
        n_paths = paths.hours.shape[1]
        if usual is None or paths.block is None:
            own, column = paths.hours, np.arange(n_paths)
            course = self._run(own, drones, first_emergence, weights, n_paths)
            return ChainOdds.of(course, column, self._lags, self._mating.loss_per_flight), None
        # what has gone over to its past year before any queen flies is no other weather than that year alone
        flying = slice(first_emergence + self._first_age, None)
        differs = (paths.hours[flying] != usual.hours[flying][:, paths.block]).any(axis=0)
        # nor do those differ that follow the same member for as long as queens fly
        lasting = np.flatnonzero(differs & (paths.origin[paths.source[-1]] != PAST_YEARS))
        first, like = _different(paths.hours[flying][:, lasting])
        differs[lasting] = False
        own = np.concatenate([lasting[first], np.flatnonzero(differs)])
        n_own, column = len(own), len(own) + paths.block
        column[lasting], column[differs] = like, np.arange(len(first), n_own)
        hours = np.concatenate([paths.hours[:, own], usual.hours], axis=1)
        course = self._run(hours, drones, first_emergence, weights, n_paths + usual.hours.shape[1])
        every = np.arange(usual.hours.shape[1])
        alone = ChainOdds.of(
            course.on(slice(n_own, n_own + len(every))), every, self._lags, self._mating.loss_per_flight
        )
        return ChainOdds.of(course, column, self._lags, self._mating.loss_per_flight), alone

    def _run(self, hours: Floats, drones: Floats, first_emergence: int, weights: Floats, n_room: int) -> Course:
        """A course of some columns in room for as many as there may be of another batch of the site."""
        n_emergence, room = len(weights), self._room
        if room is None or room.flights.shape[1] != n_emergence or room.flights.shape[2] < n_room:
            room = self._room = Course.empty(n_emergence, n_room, self._mating)
        room = room.on(slice(0, hours.shape[1]))
        return course(hours, drones, first_emergence, n_emergence, self._mating, weights[:, None], into=room)


def _different(hours: Floats) -> tuple[Indices, Indices]:
    """Which columns differ from each other (indices), and which of these each column is like (index into them)."""
    every = np.arange(hours.shape[1])
    if not len(every):
        return every, every
    # columns that are alike have the same sum, whatever the days weigh
    marks = (np.cos(np.arange(len(hours)))[:, None] * hours).sum(axis=0)
    _, own, like = np.unique(marks, return_index=True, return_inverse=True)
    if np.array_equal(hours[:, own[like]], hours):
        return own, like
    return every, every


def _over_cells(share: Floats, mass: Floats) -> Floats:
    """Sum of (n_ages, n_emergence) shares of (n_ages, n_emergence, n_columns), shape (n_columns,)."""
    total: Floats = np.einsum("ae,aen->n", share, mass)
    return total
