"""The whole record: every score of every lead group of a product, in one call."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from matewindow.verification.blocks import Blocks, Ranged, redrawn_ranges
from matewindow.verification.comparing import Comparison, compare
from matewindow.verification.missing import complete
from matewindow.verification.odds_scores import Decomposition, brier_scores, decompose, log_scores
from matewindow.verification.ordered import first_egg_log_scores, first_egg_scores, pinned_down, rps_of_samples
from matewindow.verification.ranks import RankHistogram, rank_histogram
from matewindow.verification.reliability import Reliability, reliability
from matewindow.verification.roc import Roc, roc
from matewindow.verification.samples import Samples, crps, positions
from matewindow.verification.value import Value, economic_value

if TYPE_CHECKING:
    from collections.abc import Callable

    from numpy.typing import NDArray

    from matewindow.verification.cases import Cases, EggCases, HoursCases

    Floats = NDArray[np.float64]

TENTHS = tuple(round(0.1 * i, 1) for i in range(1, 10))
_SEED = 47


@dataclass(frozen=True)
class Against:
    """One score of the odds against the usual and, if there is such a thing, against persistence."""

    usual: Comparison
    persistence: Comparison | None


@dataclass(frozen=True)
class HoursRecord:
    """Flight hours: CRPS [h] of the amount, RPS over the classes between ``edges`` [h], and the rank histogram."""

    crps: Against
    rps: Against
    edges: tuple[float, ...]
    ranks: RankHistogram


@dataclass(frozen=True)
class EggRecord:
    """First egg: score over the days up to the horizon [d], and the logarithmic score of the span between looks [nats].

    ``score`` is None if of some nucs only the looks around the day are known.
    """

    score: Against | None
    log: Against
    horizon_d: int


@dataclass(frozen=True)
class GroupRecord:
    """The record of one lead group.

    Attributes:
        name: of the lead group.
        n, n_seasons, n_sites: cases, and how many seasons and sites they come from.
        n_missing: cases in which the odds, the usual or the outcome is not known.
        came_true, issued: share that came true and mean of the odds.
        brier, log: scores of the odds.
        parts: Murphy's decomposition over tenths of the odds.
        reliability: by isotonic regression; None without cases.
        roc, roc_usual: of the odds and of the usual.
        value: of acting on the odds and on the usual.
        hours, first_egg: None if not forecast.
    """

    name: str
    n: int
    n_seasons: int
    n_sites: int
    n_missing: int
    came_true: Ranged
    issued: Ranged
    brier: Against
    log: Against
    parts: Decomposition
    reliability: Reliability | None
    roc: Roc
    roc_usual: Roc
    value: Value
    hours: HoursRecord | None
    first_egg: EggRecord | None


@dataclass(frozen=True)
class Record:
    """The record of a product.

    Attributes:
        product, event, notes: from the cases.
        first, last: days on which the first and the last odds were issued, ISO; "" without cases.
        groups: in the order of the cases' lead groups.
        overall: Brier score over all lead groups together; None if there is only one.
    """

    product: str
    event: str
    notes: tuple[str, ...]
    first: str
    last: str
    groups: tuple[GroupRecord, ...]
    overall: Comparison | None


def record_of(cases: Cases, *, seed: int = _SEED) -> Record:
    """Score all cases of a product.

    Args:
        cases: of any number of lead groups, sites and seasons.
        seed: of drawn lots and bars; the same cases and seed give the same record.
    """
    groups = tuple(_group(name, cases.of(name), seed) for name in cases.groups)
    overall = _against(brier_scores, cases).usual if len(groups) > 1 else None
    first, last = (str(f(cases.issued)) for f in (np.min, np.max)) if len(cases) else ("", "")
    return Record(cases.product, cases.event, cases.notes, first, last, groups, overall)


def _group(name: str, cases: Cases, seed: int) -> GroupRecord:
    blocks = cases.blocks()
    known = complete(cases.p, cases.p_usual, cases.outcome)
    return GroupRecord(
        name=name,
        n=len(cases),
        n_seasons=len(np.unique(cases.season)),
        n_sites=len(np.unique(cases.site)),
        n_missing=int((~known).sum()),
        came_true=_mean(cases.outcome, blocks),
        issued=_mean(cases.p, blocks),
        brier=_against(brier_scores, cases),
        log=_against(log_scores, cases),
        parts=decompose(cases.p, cases.outcome, TENTHS),
        reliability=reliability(cases.p, cases.outcome, blocks, days=cases.outcome_days, seed=seed),
        roc=roc(cases.p, cases.outcome, blocks),
        roc_usual=roc(cases.p_usual, cases.outcome, blocks),
        value=economic_value(cases.p, cases.p_usual, cases.outcome, blocks),
        hours=None if cases.hours is None else _hours(cases.hours, blocks, seed),
        first_egg=None if cases.first_egg is None else _first_egg(cases.first_egg, blocks),
    )


def _against(score: Callable[[Floats, Floats], Floats], cases: Cases) -> Against:
    blocks = cases.blocks()
    issued, usual = score(cases.p, cases.outcome), score(cases.p_usual, cases.outcome)
    third = cases.p_persistence
    persistence = None if third is None else compare(issued, score(third, cases.outcome), blocks)
    return Against(compare(issued, usual, blocks), persistence)


def _of_samples(score: Callable[[Samples], Floats], part: HoursCases | EggCases, blocks: Blocks) -> Against:
    issued, third = score(part.issued), part.persistence
    persistence = None if third is None else compare(issued, score(third), blocks)
    return Against(compare(issued, score(part.usual), blocks), persistence)


def _hours(hours: HoursCases, blocks: Blocks, seed: int) -> HoursRecord:
    edges = usual_quartiles(hours.usual) if hours.edges is None else hours.edges
    return HoursRecord(
        crps=_of_samples(lambda samples: crps(samples, hours.observed), hours, blocks),
        rps=_of_samples(lambda samples: rps_of_samples(samples, hours.observed, edges), hours, blocks),
        edges=edges,
        ranks=rank_histogram(positions(hours.issued, hours.observed, seed), blocks),
    )


def _first_egg(egg: EggCases, blocks: Blocks) -> EggRecord:
    seen = egg.after_d, egg.by_d, egg.horizon_d
    pinned = pinned_down(*seen)[complete(egg.after_d, egg.by_d)].all()
    score = _of_samples(lambda samples: first_egg_scores(samples, *seen), egg, blocks) if pinned else None
    return EggRecord(
        score, _of_samples(lambda samples: first_egg_log_scores(samples, *seen), egg, blocks), egg.horizon_d
    )


def usual_quartiles(usual: Samples) -> tuple[float, ...]:
    """Quartiles of what is usual, in whole hours: classes that are about equally common, without a look at what came.

    Of equal quartiles one is kept; below 1 h the lowest edge is 1 h, so that "no flight worth the name" is a class.
    """
    shares = usual.shares().ravel()
    values = usual.values.ravel()[shares > 0.0]
    if len(values) == 0:
        return (1.0,)
    order = np.argsort(values)
    cumulative = np.cumsum(shares[shares > 0.0][order])
    at = np.searchsorted(cumulative, (np.array([0.25, 0.5, 0.75]) - 1e-9) * cumulative[-1])  # sums are not exact
    quartiles = np.round(values[order][np.minimum(at, len(values) - 1)])
    return tuple(float(x) for x in np.unique(np.maximum(quartiles, 1.0)))


def _mean(values: Floats, blocks: Blocks) -> Ranged:
    known = complete(values)
    if not known.any():
        return Ranged(None)
    columns = np.column_stack([values[known], np.ones(int(known.sum()))])
    return redrawn_ranges(lambda sums: sums[..., :1] / sums[..., 1:], columns, blocks.of_cases(known))[0]
