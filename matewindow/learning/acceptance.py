"""What may be fitted to so many records, and whether a fit has earned its use on records that it was not made from.

By number of records with a known outcome (judgement from a simulation: with a right model, plain maximum likelihood
makes odds worse in 72 of 100 cases at 10 records and 13 of 100 at 50; needed numbers differ widely between settings,
Riley et al. 2019, doi 10.1002/sim.7992):

===========================  =======================================================
fewer than 10                nothing
10 to 49                     the rate alone (all odds shifted alike)
50 and more                  rate and slope, if each outcome is there ten times
150 and more                 covariates too (``samplesize``)
500 and more                 whether a straight line is enough (``curve``)
===========================  =======================================================

A fit is accepted if, on seasons (or sites) that were left out in turn, its mean log score is better than that of the
odds as they stand, and the lower end of a one-sided 90 % range is above -0.002 nats a record: that over seasons (or
sites), and that over single records, since two or three seasons alone would let half of all fits pass that only follow
chance.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum
from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence
    from datetime import date

    from numpy.typing import NDArray

    Floats = NDArray[np.float64]
    Indices = NDArray[np.intp]

FEWEST, FEWEST_FOR_SLOPE, FEWEST_OF_EACH = 10, 50, 10
PURGE_D = 40
"""Records grafted within so many days of a season that is left out share its weather and are left out too."""
BOUND = -0.002
"""Lower end of the range that a gain must be above. [nats a record]"""
_DRAWS, _SEED, _QUANTILE = 2_000, 20_260_601, 0.10
_Z = 1.2816  # one-sided 90 % point of the normal distribution
_MANY = 2_000
_SHIFTED_FROM, _SHIFT_LOGIT = 0.75, 0.5  # odds of 75 % against 64 %: what a keeper would notice (judgement)
_FIFTH_LOG = 0.2
_LEAST_GAIN = 1e-4


class Stage(StrEnum):
    """What may be fitted."""

    NOTHING = "nothing"
    RATE = "rate only"
    SLOPE = "rate and slope"


def stage_of(n: int, n_rarer: int) -> Stage:
    """What may be fitted to ``n`` records, of which ``n_rarer`` have the rarer outcome."""
    if n < FEWEST:
        return Stage.NOTHING
    return Stage.SLOPE if n >= FEWEST_FOR_SLOPE and n_rarer >= FEWEST_OF_EACH else Stage.RATE


@dataclass(frozen=True)
class Folds:
    """Groups that are left out in turn.

    Attributes:
        by: ``season`` or ``site``; empty where there is only one of each.
        group: number of each record's group, shape (n,).
        names: of the groups.
        day: day of each record's graft, counted from any day, shape (n,).
    """

    by: str
    group: Indices
    names: tuple[str, ...]
    day: Indices

    def training(self, group: int) -> Indices:
        """Records to fit on while a group is left out."""
        mine = self.group == group
        use = ~mine
        if (
            self.by == "season"
        ):  # sites of one season share its weather whatever is left out, so there it would leave none
            held = np.sort(self.day[mine])
            at = np.searchsorted(held, self.day)
            after = np.abs(held[np.minimum(at, len(held) - 1)] - self.day)
            before = np.abs(self.day - held[np.maximum(at - 1, 0)])
            use &= np.minimum(after, before) > PURGE_D
        return np.flatnonzero(use)


def folds_of(seasons: Sequence[str], sites: Sequence[str], grafted: Sequence[date]) -> Folds:
    """Groups of records: seasons if there are three, else sites if there are three, else what there are two of."""
    day = np.array([d.toordinal() for d in grafted], dtype=np.intp)
    kinds = {"season": seasons, "site": sites}
    for least in (3, 2):
        for by, labels in kinds.items():
            names = tuple(sorted(set(labels)))
            if len(names) >= least:
                return Folds(by, np.array([names.index(label) for label in labels], dtype=np.intp), names, day)
    return Folds("", np.zeros(len(day), dtype=np.intp), ("all",), day)


@dataclass(frozen=True)
class Verdict:
    """Whether a fit has earned its use.

    Attributes:
        accepted: whether it has.
        by, n_groups: what was left out in turn, and how many of them there are.
        before, after: mean log score of records left out, with the odds as they stand and with the fit [nats]; None
            where there was nothing to leave out.
        gain, bound: how much better, and the lower end of its one-sided 90 % range over the groups [nats a record].
        bound_records: the same over single records.
    """

    accepted: bool
    by: str = ""
    n_groups: int = 0
    before: float | None = None
    after: float | None = None
    gain: float | None = None
    bound: float | None = None
    bound_records: float | None = None


def judged(folds: Folds, score: Callable[[Indices, Indices], tuple[Floats, Floats]]) -> Verdict:
    """Leave each group out, fit on the others, and hold the gains on what was left out against the rule.

    Args:
        folds: the groups.
        score: given the records to fit on and those left out, the log scores of the latter with the odds as they stand
            and with the fit.
    """
    if not folds.by:
        return Verdict(accepted=False)
    before, after = np.zeros(len(folds.group)), np.zeros(len(folds.group))
    for group in range(len(folds.names)):
        held = np.flatnonzero(folds.group == group)
        training = folds.training(group)
        before[held], after[held] = score(training, held)
    gains = after - before
    gain, single = float(gains.mean()), np.arange(len(gains))
    bound, bound_records = lower_bound(gains, folds.group), lower_bound(gains, single)
    return Verdict(
        accepted=gain > 0.0 and min(bound, bound_records) > BOUND,
        by=folds.by,
        n_groups=len(folds.names),
        before=float(before.mean()),
        after=float(after.mean()),
        gain=gain,
        bound=bound,
        bound_records=bound_records,
    )


def lower_bound(gains: Floats, group: Indices) -> float:
    """Lower end of the one-sided 90 % range of the mean gain: whole groups are drawn anew (bootstrap)."""
    rng = np.random.default_rng(_SEED)
    sums, sizes = np.bincount(group, weights=gains), np.bincount(group)
    drawn = rng.integers(0, len(sums), size=(_DRAWS, len(sums)))
    return float(np.quantile(sums[drawn].sum(axis=1) / sizes[drawn].sum(axis=1), _QUANTILE))


# --- how many more --------------------------------------------------------------------------------------------


def records_needed(gains: Floats, n_fitted: int) -> int | None:
    """About how many records in all a fit would need to pass, if these are typical.

    A fit loses about half a nat for each number fitted, spread over all records (Akaike 1973, from memory); what it
    gains must stand clear of that and of chance.

    Args:
        gains: how much better a fit to all records scores on each of them [nats], shape (n,).
        n_fitted: how many numbers are fitted.

    Returns:
        The number, at most 2,000; None where the records give no sign that the odds are off.
    """
    effect = float(gains.mean()) - n_fitted / (2.0 * len(gains))
    return None if effect <= _LEAST_GAIN else _enough(effect, float(gains.std()), n_fitted)


@dataclass(frozen=True)
class Faint:
    """A difference that is worth finding: how many records in all would show it, and what it is in words."""

    n: int
    words: str


def ten_points(n_fitted: int, words: str = "the odds were off by about ten points") -> Faint:
    """Odds that are off by about ten points: half a unit of log odds at 75 %."""
    p = _SHIFTED_FROM
    effect = 0.5 * p * (1.0 - p) * _SHIFT_LOGIT**2
    noise = _SHIFT_LOGIT * (p * (1.0 - p)) ** 0.5
    return Faint(_enough(effect, noise, n_fitted), words)


def a_fifth(n: int, sd_log: float) -> Faint:
    """A rate that is off by a fifth, if ``n`` records give its logarithm the standard deviation ``sd_log``."""
    wanted = n * (_Z * sd_log / _FIFTH_LOG) ** 2
    return Faint(min(_MANY, max(FEWEST, int(wanted) + 1)), "the rate was off by a fifth")


def _enough(effect: float, noise: float, n_fitted: int) -> int:
    """The least number of records whose mean gain stands clear of what fitting costs and of chance."""
    wanted = np.arange(FEWEST, _MANY + 1, 10)
    mean = effect - n_fitted / (2.0 * wanted)
    enough = (mean > 0.0) & (mean - _Z * noise / np.sqrt(wanted) > BOUND)
    return int(wanted[enough.argmax()]) if enough.any() else _MANY


def refusal(
    what: str,
    n: int,
    folds: Folds,
    verdict: Verdict,
    needed: int | None = None,
    faint: Faint | None = None,
    *,
    n_rarer: int = FEWEST_OF_EACH,
) -> str:
    """Why there is no new model, and about how many more records of what kind it would take.

    Args:
        what: of what, such as ``queens with a known outcome``.
        n: how many records there are.
        folds, verdict: how they were tested.
        needed: from ``records_needed``.
        faint: what would be worth finding where the records give no sign; needed where something was fitted.
        n_rarer: how many records have the rarer outcome.
    """
    no = "Your records do not yet justify a change"
    if n < FEWEST:
        wanted = _more(FEWEST - n) if n else f"{FEWEST} of them"
        return (
            f"{no}: there are {n or 'no'} {what}, and nothing is fitted to fewer than {FEWEST}. {wanted} would be the "
            "least, failures as well as successes."
        )
    if not folds.by:
        return (
            f"{no}: all {n} {what} are of one season at one site, so a change cannot be tried on records that it was "
            f"not made from. About {FEWEST} of a second season would allow the first test."
        )
    assert faint is not None
    assert verdict.gain is not None
    assert verdict.bound_records is not None
    tried = f"on {folds.by}s left out in turn"
    worse = f"made the odds no better {tried}"
    chance = f"made the odds better {tried}, but by no more than chance may do"
    why = f"a fit to the {n} {what} {worse if verdict.gain <= 0.0 else chance}"
    short = "" if n_rarer >= FEWEST_OF_EACH else f", at least {FEWEST_OF_EACH - n_rarer} of them of the rarer outcome,"
    part, more = _smaller(faint.n, n)
    if needed is None and not part:
        return (
            f"{no}: {why}, and they give no sign that a change is due. {_more(more)}{short} would show it if "
            f"{faint.words}."
        )
    if needed is None:
        return (
            f"{no}: {why}, and they give no sign that a change is due. They are enough that it would most likely have "
            f"shown if {faint.words}; {_more(more).lower()} would show {part} of that."
        )
    if needed <= n and (verdict.gain <= 0.0 or verdict.bound_records > BOUND):
        return (
            f"{no}: {why}, since the {folds.by}s contradict each other. It is not the number of records: "
            f"{_more(2 * FEWEST).lower()} from each of two more {folds.by}s would tell which of them is the exception. "
            "Check first whether one was entered wrongly."
        )
    return (
        f"{no}: {why}. {_more(max(needed - n, n // 4))}{short} would settle it if they are like these, from at least "
        f"one more {folds.by}."
    )


def _smaller(n_wanted: int, n: int) -> tuple[str, int]:
    """What part of a difference is still too small for ``n`` records (empty: all of it), and how many more show it."""
    parts = ("", "half", "a quarter", "an eighth")
    power = next((i for i in range(len(parts)) if n_wanted * 4**i > n), len(parts) - 1)
    return parts[power], max(FEWEST, n_wanted * 4**power - n)


def _more(n: int) -> str:
    rounded = n if n < 10 else 10 * -(-n // 10)
    return f"About {rounded:,} more" if rounded < _MANY else f"More than {_MANY:,} more"
