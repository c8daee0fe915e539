"""The weather that queens of the records really had, and what the chain says of their first eggs in it.

Each queen is put on the flight hours of her own site and days. The chain of ``mating`` gives, for any rate of flight,
the odds that there is no egg yet by each day; looks into the nuc cut that into the days before the last look without
eggs, those between, and those after the first look with them.
"""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING

import numpy as np

from matewindow import mating
from matewindow.errors import InputError
from matewindow.flight import resolve_pent_up
from matewindow.outlook import RUN_IN_D, drone_share
from matewindow.pathparts import OBSERVED, Flown
from matewindow.sources import site_biology
from matewindow.timeline import NOON, Batch, emergence_days, graft_time

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    from matewindow.biology import Biology
    from matewindow.learning.records import Record
    from matewindow.paths import Sources
    from matewindow.site import Site

    Floats = NDArray[np.float64]
    Indices = NDArray[np.intp]

NEVER = -1
"""Stands for the first look with eggs where there was none."""
_NOTHING = 1e-12
_FASTEST = 2.0
"""A rate per hour at which what cannot be said to happen cannot happen."""


@dataclass(frozen=True)
class Ground:
    """A site with the weather it had."""

    site: Site
    sources: Sources


@dataclass(frozen=True)
class EggPaths:
    """Weather of queens that emerged together, one column for each such group; days count from its first emergence.

    Attributes:
        hours: effective flight hours times the share of drones, shape (n_days, n_columns).
        weights: share that emerges on the first day and those after it, shape (n_emergence, n_columns).
    """

    hours: Floats
    weights: Floats


@dataclass(frozen=True)
class Looks:
    """What looks told of the first egg of each queen, shape (n,); days as in ``EggPaths``.

    Attributes:
        column: which path she is on.
        left: last day without eggs; -1 where no look found none.
        right: day by which there were eggs; ``NEVER`` where none were found.
    """

    column: Indices
    left: Indices
    right: Indices

    def take(self, rows: Indices | NDArray[np.bool_]) -> Looks:
        """Some of them."""
        return Looks(self.column[rows], self.left[rows], self.right[rows])


@dataclass
class FirstEggs:
    """What the chain says of first eggs on some paths, kept for every rate that was asked for."""

    paths: EggPaths
    biology: Biology
    _kept: dict[float, Floats] = field(default_factory=dict)

    def survival(self, rate_per_h: float) -> Floats:
        """Odds that there is no egg by the end of each day, shape (n_days + 1, n_columns); row 0 is before them all."""
        if rate_per_h not in self._kept:
            self._kept[rate_per_h] = self._survival(rate_per_h)
        return self._kept[rate_per_h]

    def _survival(self, rate_per_h: float) -> Floats:
        m = replace(self.biology.mating, flight_rate_per_h=rate_per_h)
        hours, weights = self.paths.hours, self.paths.weights
        n_emergence, n_columns = weights.shape
        lags = mating.mated_lags(self.biology.laying)
        n_ages, n_lags = mating.chain_ages(m), lags.shape[1]
        done = np.zeros((len(lags), n_ages + n_emergence, n_columns))
        all_drones = np.ones(len(hours))  # their share is in the hours already
        for flow in mating.daily_flows(hours, all_drones, 0, n_emergence, m, weights):
            for kind, queens in enumerate(flow.mated):
                if queens is not None:
                    done[kind, flow.age : flow.age + n_emergence] += queens
        eggs = np.zeros((n_ages + n_emergence + n_lags, n_columns))
        for kind, days in zip(*np.nonzero(lags), strict=True):
            eggs[days : days + done.shape[1]] += lags[kind, days] * done[kind]
        yet = np.concatenate([np.zeros((1, n_columns)), np.cumsum(eggs, axis=0)])
        left: Floats = np.clip(1.0 - yet, 0.0, 1.0)
        return left


def look_odds(survival: Floats, looks: Looks) -> tuple[Floats, Floats]:
    """Odds of no egg by the last look without eggs, and by the first with eggs (0 if there was none), (n,) each."""
    end = len(survival) - 1
    left = survival[np.clip(looks.left + 1, 0, end), looks.column]
    right = survival[np.clip(looks.right + 1, 0, end), looks.column]
    return left, np.where(looks.right == NEVER, 0.0, right)


@dataclass(frozen=True)
class Gathered:
    """The records that tell of first eggs in known weather.

    Attributes:
        eggs: their paths.
        looks: what was seen, shape (n,).
        rows: which of the records they are, shape (n,).
        set_aside: how many others there are, by reason.
    """

    eggs: FirstEggs
    looks: Looks
    rows: Indices
    set_aside: dict[str, int]


def gather(records: Sequence[Record], grounds: Sequence[Ground], biology: Biology, *, detection_d: int = 0) -> Gathered:
    """Put each record on the weather of its site and days.

    Args:
        records: of any sites.
        grounds: sites with their weather, told apart by name.
        biology: parameters; each site's own thresholds are put into them.
        detection_d: days that eggs are there before a look finds them. The lag from mating to eggs is in the chain
            already; elsewhere the program takes it that a look finds eggs of the same day.
    """
    by_name = {ground.site.name: ground for ground in grounds}
    columns = _Columns(biology)
    aside: Counter[str] = Counter()
    found: list[tuple[int, int, int, int]] = []
    for row, record in enumerate(records):
        look = columns.look(record, by_name.get(record.site), detection_d)
        if isinstance(look, str):
            aside[look] += 1
        else:
            found.append((row, *look))
    table = np.array(found, dtype=np.intp).reshape(-1, 4)
    eggs, looks = FirstEggs(columns.paths(), biology), Looks(table[:, 1], table[:, 2], table[:, 3])
    if not found:
        return Gathered(eggs, looks, table[:, 0], dict(aside))
    left, right = look_odds(eggs.survival(_FASTEST), looks)
    slow_left, slow_right = look_odds(eggs.survival(biology.mating.flight_rate_per_h), looks)
    can_be = np.maximum(left - right, slow_left - slow_right) > _NOTHING
    if not can_be.all():
        aside["eggs on a day on which no queen of that graft can have laid, in that weather"] += int((~can_be).sum())
    return Gathered(eggs, looks.take(can_be), table[can_be, 0], dict(aside))


class _Columns:
    """The paths of groups of queens, made as they are met."""

    def __init__(self, biology: Biology) -> None:
        self._biology = biology
        self._number: dict[tuple[object, ...], int] = {}
        self._hours: list[Floats] = []
        self._weights: list[Floats] = []

    def look(self, record: Record, ground: Ground | None, detection_d: int) -> tuple[int, int, int] | str:
        """Column, left and right of a record, or why it tells nothing here."""
        if record.last_look is None:
            return "no look for eggs with a date"
        if ground is None:
            return f"no weather was given for the site {record.site}"
        site = ground.site
        try:
            first, weights = emergence_days(_batch(record, site), site, self._biology)
        except InputError:
            return "the day of emergence does not fit the graft"
        column = self._column(ground, first, weights)
        left, right = (
            None if day is None else int((site.solar_day(day) - first).astype(np.int64)) - detection_d
            for day in (record.last_without_eggs, record.eggs_by)
        )
        last = max(day for day in (left, right) if day is not None)
        earliest = int(self._biology.mating.earliest_flight_age_d)
        if np.isnan(self._hours[column][earliest : last + 1]).any():
            return "weather is missing in the mating window"
        return column, -1 if left is None else max(left, -1), NEVER if right is None else max(right, 0)

    def _column(self, ground: Ground, first: np.datetime64, weights: Floats) -> int:
        key = (ground.site.name, first, weights.tobytes())
        if key not in self._number:
            self._number[key] = len(self._hours)
            n_days = mating.egg_ages(self._biology) + len(weights)
            self._hours.append(observed_hours(ground, self._biology, first, n_days))
            self._weights.append(weights)
        return self._number[key]

    def paths(self) -> EggPaths:
        """All of them, padded to the same length."""
        n_days = max((len(hours) for hours in self._hours), default=1)
        n_emergence = max((len(weights) for weights in self._weights), default=1)
        hours, weights = np.zeros((n_days, len(self._hours))), np.zeros((n_emergence, len(self._hours)))
        for i, (path, share) in enumerate(zip(self._hours, self._weights, strict=True)):
            # a missing day left here lies after the last look at these queens, or before they fly: nothing reads it
            hours[: len(path), i] = np.where(np.isnan(path), 0.0, path)
            weights[: len(share), i] = share
        return EggPaths(hours, weights)


def _batch(record: Record, site: Site) -> Batch:
    return Batch(
        graft_time(record.grafted_on, site, record.grafted_at or NOON),
        larva_age_h=record.larva_age_h,
        sealed_temp_c=record.sealed_temp_c,
        emerged=record.emerged_on,
    )


def observed_hours(ground: Ground, biology: Biology, first: np.datetime64, n_days: int) -> Floats:
    """Effective flight hours that a site had, times its share of drones, NaN where they are not known, (n_days,).

    A day comes from the record of the season, else from that of past years as they were. The site's first mature drones
    are a limit in the year that they are given for; of other years nothing is known.

    Args:
        ground: the site and its weather.
        biology: parameters; the site's thresholds are put into them.
        first: first day wanted.
        n_days: how many.
    """
    site, own = ground.site, site_biology(ground.site, biology)
    days = first - RUN_IN_D + np.arange(n_days + RUN_IN_D)
    past = ground.sources.past
    parts = [ground.sources.observed, None if past is None or past.provenance.kind == "typical" else past]
    by_level: Floats | None = None
    for part in parts:
        flown = Flown.of(part, days[0], len(days), own, site.exposure)
        rows = None if flown is None else flown.rows(OBSERVED, days)
        if rows is None:
            continue
        by_level = rows.effective_h if by_level is None else np.where(np.isnan(by_level), rows.effective_h, by_level)
    if by_level is None:
        return np.full(n_days, np.nan)
    hours, _ = resolve_pent_up(by_level, own.flight)
    limit = site.drones_mature_from
    drones = np.ones(len(days)) if limit is None else drone_share(days, site)
    if limit is not None:
        drones[days.astype("datetime64[Y]") != np.datetime64(limit, "Y")] = 1.0
    known: Floats = (hours[0] * drones)[RUN_IN_D:]
    return known
