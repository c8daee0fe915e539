"""One set of odds against another on the same cases: scores, gain and skill, with ranges."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum
from typing import TYPE_CHECKING

import numpy as np

from matewindow.verification.blocks import Blocks, Ranged, blocks_wanted, redrawn_ranges, standard_error, worth
from matewindow.verification.missing import complete

if TYPE_CHECKING:
    from numpy.typing import ArrayLike, NDArray

    Floats = NDArray[np.float64]

SAME_WITHIN = 0.05
"""Skill whose whole range lies within this of nil makes no difference that anybody would notice."""


class Verdict(StrEnum):
    """What a comparison comes to."""

    BETTER = "better"
    WORSE = "worse"
    SAME = "the same"
    UNCLEAR = "unclear"
    TOO_FEW = "too few"
    NOTHING = "nothing"


@dataclass(frozen=True)
class Comparison:
    """Scores of odds and of what they are held against, on the cases in which both are known; small scores are good.

    Attributes:
        score: mean score of the odds.
        reference: of what they are held against.
        gain: reference less score; above 0 the odds are better.
        skill: share of the reference's score that the odds take away; None where the reference has no error.
        n, missing: cases used and left out.
        n_blocks, blocks: what the ranges stand on: so many seasons or sites.
        worth: independent cases that these are worth as regards the gain; None with a single block.
        blocks_wanted: how many blocks would show a gain of this size; None if there is no gain or no range.
    """

    score: Ranged
    reference: Ranged
    gain: Ranged
    skill: Ranged
    n: int
    missing: int
    n_blocks: int
    blocks: str
    worth: float | None
    blocks_wanted: float | None

    @property
    def verdict(self) -> Verdict:
        """Better or worse if the range of the gain says so, the same if skill lies close to nil throughout."""
        if self.skill.value is None:
            return Verdict.NOTHING
        if self.skill.low is None or self.skill.high is None or self.gain.low is None or self.gain.high is None:
            return Verdict.TOO_FEW
        if self.skill.low > -SAME_WITHIN and self.skill.high < SAME_WITHIN:
            return Verdict.SAME
        return Verdict.BETTER if self.gain.low > 0.0 else Verdict.WORSE if self.gain.high < 0.0 else Verdict.UNCLEAR


def compare(scores: ArrayLike, reference: ArrayLike, blocks: Blocks) -> Comparison:
    """Hold scores against those of a reference, case by case.

    Args:
        scores: of the odds, NaN for what is missing, shape (n,).
        reference: of the reference on the same cases, shape (n,).
        blocks: of the same cases.
    """
    known = complete(scores, reference)
    pairs = np.stack([np.asarray(x, dtype=np.float64)[known] for x in (scores, reference)], axis=1)
    here, n = blocks.of_cases(known), int(known.sum())
    if n == 0:
        nothing = Ranged(None)
        return Comparison(nothing, nothing, nothing, nothing, 0, len(known), 0, blocks.name, None, None)
    gains = pairs[:, 1] - pairs[:, 0]
    score, against, gain, skill = redrawn_ranges(_figures, np.column_stack([pairs, np.ones(n)]), here)
    assert gain.value is not None  # there is a case
    told = here.enough and gain.value > 0.0
    return Comparison(
        score=score,
        reference=against,
        gain=gain,
        skill=skill,
        n=n,
        missing=len(known) - n,
        n_blocks=here.count,
        blocks=blocks.name,
        worth=worth(gains, here) if here.count > 1 else None,
        blocks_wanted=blocks_wanted(gain.value, standard_error(gains, here), here.count) if told else None,
    )


def _figures(sums: Floats) -> Floats:
    """Mean score, mean reference, gain and skill from the sums of scores, references and cases."""
    score, reference = sums[..., 0] / sums[..., 2], sums[..., 1] / sums[..., 2]
    skill = np.where(reference > 0.0, 1.0 - score / reference, np.nan)
    return np.stack([score, reference, reference - score, skill], axis=-1)
