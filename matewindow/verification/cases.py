"""Cases to be judged: what was issued, what is usual for those dates, and what came.

All arrays of a ``Cases`` are aligned: row i of each is the same case. A case is one issue of odds: one day on which
they were given out, for one site and one lead group. Everything that is not known is NaN and stays NaN; a score leaves
out the cases that lack what it needs, and says how many.

The usual must be that of the site *and date*, from other years than the one that is judged. One number for the whole
season would make skill out of the calendar (Hamill and Juras 2006, QJRMS 132:2905-2923, doi:10.1256/qj.06.25).
"""

from __future__ import annotations

from dataclasses import dataclass, fields, replace
from typing import TYPE_CHECKING, Any, TypeVar

import numpy as np

from matewindow.errors import InputError
from matewindow.verification.blocks import MIN_BLOCKS, Blocks
from matewindow.verification.samples import Samples

if TYPE_CHECKING:
    from collections.abc import Iterator

    from numpy.typing import ArrayLike, NDArray

    Floats = NDArray[np.float64]
    Mask = NDArray[np.bool_]

_Part = TypeVar("_Part", bound="Cases | HoursCases | EggCases")


@dataclass(frozen=True, eq=False)
class HoursCases:
    """Flight hours of each case: of the day, or of the whole window.

    Attributes:
        issued: effective flight hours thought possible [h], finite, shape (n, m): members, or paths with their weights.
        usual: the same from past years alone, shape (n, m2).
        observed: hours that the weather that came gave [h], shape (n,).
        persistence: hours thought possible if the anomaly of the last days had gone on, shape (n, m3); None if there is
            no such thing.
        edges: inner edges of the classes of hours for the ranked probability score [h], rising; None for the quartiles
            of ``usual``, in whole hours.
    """

    issued: Samples
    usual: Samples
    observed: Floats
    persistence: Samples | None = None
    edges: tuple[float, ...] | None = None

    def __post_init__(self) -> None:
        for name in ("issued", "usual", "persistence"):
            samples = getattr(self, name)
            if samples is not None and np.isinf(samples.values).any():
                raise InputError(
                    "hours that are not finite",
                    where=f"HoursCases.{name}",
                    fix="Give hours, or NaN for what is missing.",
                )
        if self.edges is not None and (not self.edges or (np.diff(self.edges) <= 0.0).any()):
            raise InputError(
                f"edges {self.edges}", where="HoursCases.edges", fix="Give the inner edges of the classes, rising."
            )


@dataclass(frozen=True, eq=False)
class EggCases:
    """Day of the first egg of each case.

    Days are whole and count from the emergence of the case's queen, or from any other day that all its arrays share.

    Attributes:
        issued: days thought possible [d], +inf for a queen that never lays, shape (n, m). The chain's odds by day are
            values 0, 1, 2, ..., +inf with their masses as weights and ``drawn=False``.
        usual: the same from past years alone, shape (n, m2).
        after_d: last day on which she was known not to lay yet [d], shape (n,); -inf if there was no such look, +inf if
            she is known to have never laid.
        by_d: first day on which she was known to lay [d], shape (n,); +inf if she was never seen laying.
        horizon_d: day at which a nuc without eggs is given up [d]; lateness beyond it is not told apart from never.
        persistence: as in ``HoursCases``.

    ``ordered.exact_days`` makes ``after_d`` and ``by_d`` of days that are known exactly, as in a hindcast. Looks must
    not be chosen by what is in the nuc. Where days are known only to lie between looks, the logarithmic score alone is
    given.
    """

    issued: Samples
    usual: Samples
    after_d: Floats
    by_d: Floats
    horizon_d: int
    persistence: Samples | None = None

    def __post_init__(self) -> None:
        after, by = self.after_d, self.by_d
        crossed = (after >= by) & ~(np.isposinf(after) & np.isposinf(by))
        if crossed.any():
            raise InputError(
                f"no eggs up to day {after[crossed][0]:g}, but eggs by day {by[crossed][0]:g}",
                where=f"EggCases, case {int(np.flatnonzero(crossed)[0])}",
                fix="The last day without eggs must lie before the first day with eggs.",
            )
        if self.horizon_d < 1:
            raise InputError(
                f"a horizon of {self.horizon_d} days",
                where="EggCases.horizon_d",
                fix="Give the age at which a nuc without eggs is given up, in whole days.",
            )


@dataclass(frozen=True, eq=False)
class Cases:
    """The cases of one product, with n of them.

    Attributes:
        product: what was forecast, as a heading: "Queen well mated".
        event: what the odds are of, in words that follow "odds that": "a virgin ends well mated".
        issued: day on which the odds were given out, datetime64[D], shape (n,).
        lead_group: of each case, text, shape (n,): "days 1 to 3", "window".
        season: that the case belongs to, whole number, shape (n,); the year, or in the south the year it begins in.
        site: name, text, shape (n,).
        p: odds issued, 0 to 1, shape (n,).
        p_usual: usual odds for the site and the dates, 0 to 1, shape (n,).
        outcome: whether it came true: 0 or 1; or the share of several queens; or in a hindcast the odds that the chain
            gives for the weather that came, which spares a drawing of lots; shape (n,).
        p_persistence: odds if the anomaly of the last days had gone on (``persistence_odds``), shape (n,), or None.
        came_on: day whose weather decides each case, datetime64[D], shape (n,); None if the cases of a lead group are
            equally far from their issue, so that ``issued`` stands for it.
        lead_groups: their order; () for the order in which they first come.
        hours: flight hours of the same cases, or None.
        first_egg: first eggs of the same cases, or None.
        notes: what a reader of the report must know about how the cases came about: "Invented weather.".
    """

    product: str
    event: str
    issued: NDArray[np.datetime64]
    lead_group: NDArray[np.str_]
    season: NDArray[np.int_]
    site: NDArray[np.str_]
    p: Floats
    p_usual: Floats
    outcome: Floats
    p_persistence: Floats | None = None
    came_on: NDArray[np.datetime64] | None = None
    lead_groups: tuple[str, ...] = ()
    hours: HoursCases | None = None
    first_egg: EggCases | None = None
    notes: tuple[str, ...] = ()

    def __post_init__(self) -> None:
        for name, column in _columns(self):
            if len(column) != len(self.p):
                raise InputError(
                    f"{len(column)} rows beside {len(self.p)} odds", where=name, fix="Give one row for each case."
                )
        for name in ("p", "p_usual", "p_persistence", "outcome"):
            column = getattr(self, name)
            if column is not None and ((column < 0.0) | (column > 1.0)).any():
                bad = column[(column < 0.0) | (column > 1.0)][0]
                raise InputError(f"{bad:g}", where=f"Cases.{name}", fix="Odds and outcomes lie between 0 and 1.")
        unnamed = set(self.lead_group.tolist()) - set(self.lead_groups)
        if self.lead_groups and unnamed:
            raise InputError(
                f"cases of {', '.join(sorted(unnamed))}",
                where="Cases.lead_groups",
                fix="Name every lead group that cases belong to.",
            )

    def __len__(self) -> int:
        return len(self.p)

    @property
    def outcome_days(self) -> NDArray[np.datetime64]:
        """Days by which it is known which cases share their weather, shape (n,)."""
        return self.issued if self.came_on is None else self.came_on

    @property
    def groups(self) -> tuple[str, ...]:
        """Lead groups in order, those without cases included if they are named."""
        return self.lead_groups or tuple(dict.fromkeys(self.lead_group.tolist()))

    def of(self, lead_group: str) -> Cases:
        """The cases of one lead group."""
        return self.take(self.lead_group == lead_group)

    def take(self, cases: Mask) -> Cases:
        """Some of the cases; mask of shape (n,)."""
        return replace(_taken(self, cases), lead_groups=())

    def blocks(self) -> Blocks:
        """What may be taken as independent: seasons, all sites together; sites if there are too few seasons."""
        seasons, sites = Blocks.of(self.season, "seasons"), Blocks.of(self.site, "sites")
        return sites if seasons.count < MIN_BLOCKS <= sites.count else seasons


def persistence_odds(p_usual: ArrayLike, recent: ArrayLike, recent_usual: ArrayLike, carried: float = 1.0) -> Floats:
    """Odds if the last days' departure from the usual went on: the second thing that a forecast must beat.

    Args:
        p_usual: usual odds of the cases, shape (n,).
        recent: share of the last days (7, say) on which it came true, shape (n,).
        recent_usual: usual odds of those days, on average, shape (n,).
        carried: part of the departure that is kept, 0 to 1.

    Returns:
        Odds held to 1 to 99 %, shape (n,); NaN where something is missing.
    """
    usual, last, before = (np.asarray(x, dtype=np.float64) for x in (p_usual, recent, recent_usual))
    odds: Floats = np.clip(usual + carried * (last - before), 0.01, 0.99)
    return odds


def _columns(part: Cases | HoursCases | EggCases) -> Iterator[tuple[str, Samples | NDArray[np.generic]]]:
    """Every array of rows with its name, those of the parts included."""
    for field in fields(part):
        column = getattr(part, field.name)
        if isinstance(column, HoursCases | EggCases):
            yield from _columns(column)
        elif isinstance(column, np.ndarray | Samples):
            yield f"{type(part).__name__}.{field.name}", column


def _taken(part: _Part, cases: Mask) -> _Part:
    """Some rows of all arrays."""
    changed: dict[str, Any] = {}
    for field in fields(part):
        column = getattr(part, field.name)
        if isinstance(column, HoursCases | EggCases):
            changed[field.name] = _taken(column, cases)
        elif isinstance(column, Samples):
            changed[field.name] = column.take(cases)
        elif isinstance(column, np.ndarray):
            changed[field.name] = column[cases]
    taken: _Part = replace(part, **changed)
    return taken
