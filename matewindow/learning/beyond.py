"""Covariates beside the odds: tried where records are many, taken in if they do better than odds alone."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from matewindow.learning import acceptance
from matewindow.learning.covariates import COVARIATES, WORDS, columns, telling
from matewindow.learning.findings import Remark
from matewindow.learning.recalibration import Recalibration, fit_recalibration, log_scores
from matewindow.learning.samplesize import Enough

if TYPE_CHECKING:
    from collections.abc import Sequence

    import numpy as np
    from numpy.typing import NDArray

    from matewindow.learning.acceptance import Folds, Verdict
    from matewindow.learning.records import Record

    Floats = NDArray[np.float64]
    Indices = NDArray[np.intp]

ABOUT = "covariates"
_OTHERS = ", ".join(WORDS[name][0] for name in COVARIATES[:-1]) + " and " + WORDS[COVARIATES[-1]][0]


@dataclass(frozen=True)
class Beyond:
    """What became of the covariates.

    Attributes:
        remark: in words.
        fit, verdict: odds put right with them, and how that did beside the odds as they stand; None if not earned.
        values: the covariates that were fitted, shape (n,) each.
    """

    remark: Remark
    fit: Recalibration | None
    verdict: Verdict | None
    values: dict[str, Floats]


def beyond(used: Sequence[Record], p: Floats, success: NDArray[np.bool_], folds: Folds) -> Beyond:
    """Try the covariates that so many records allow.

    Args:
        used: records with odds and an outcome.
        p, success: their odds as worked out, and whether they came good, shape (n,).
        folds: what is left out in turn.
    """
    n = len(used)
    enough = Enough(n, len({r.season for r in used}), len({r.site for r in used}), float(success.mean()))
    if lacking := enough.lacking():
        said = f"{_OTHERS[0].upper()}{_OTHERS[1:]} are not looked at yet: that would take {lacking}."
        return Beyond(Remark(ABOUT, said, {}), None, None, {})
    everything = columns(used, COVARIATES)
    names = telling(everything)[: enough.covariates(len(COVARIATES))]
    if not names:
        said = (
            f"{_OTHERS[0].upper()}{_OTHERS[1:]} are not known of most queens, or are the same for all of them: nothing "
            "can be said about them."
        )
        return Beyond(Remark(ABOUT, said, {}), None, None, {})
    values = {name: everything[name] for name in names}
    fit, alone = fit_recalibration(p, success, more=values), fit_recalibration(p, success)
    scores = _Scores(p, success, values)
    beside, whole = acceptance.judged(folds, scores.beside_alone), acceptance.judged(folds, scores.beside_odds)
    numbers = {name: effect.value for name, effect in fit.more} | {f"{name}_sd": effect.sd for name, effect in fit.more}
    assert beside.gain is not None
    assert beside.bound is not None
    numbers |= {"gain": beside.gain, "bound": beside.bound}
    listed = " and ".join(", ".join(WORDS[name][0] for name in names).rsplit(", ", 1))
    if beside.accepted and whole.accepted:
        said = (
            f"Odds are better still with {listed} ({_effects(fit)}): by {beside.gain:.4f} nats a record on "
            f"{folds.by}s left out in turn."
        )
        return Beyond(Remark(ABOUT, said, numbers), fit, whole, values)
    gains = log_scores(fit.apply(p, values), success) - log_scores(alone.apply(p), success)
    needed = acceptance.records_needed(gains, len(names))
    what = f"queens with odds, an outcome and {listed}"
    faint = acceptance.ten_points(len(names), "one step of it were worth ten points to half of the queens")
    return Beyond(Remark(ABOUT, acceptance.refusal(what, n, folds, beside, needed, faint), numbers), None, None, values)


def _effects(fit: Recalibration) -> str:
    """What one step of each covariate does, in points at odds of three in four."""
    said = []
    for name, effect in fit.more:
        points = 100.0 * (float(Recalibration(effect.value, 1.0, 0.0, 0.0).apply(0.75)) - 0.75)
        said.append(f"{WORDS[name][1]} {points:+.0f} points at 75 %")
    return ", ".join(said)


@dataclass(frozen=True)
class _Scores:
    p: Floats
    success: NDArray[np.bool_]
    values: dict[str, Floats]

    def _part(self, rows: Indices) -> dict[str, Floats]:
        return {name: v[rows] for name, v in self.values.items()}

    def _after(self, training: Indices, held: Indices) -> Floats:
        fit = fit_recalibration(self.p[training], self.success[training], more=self._part(training))
        return log_scores(fit.apply(self.p[held], self._part(held)), self.success[held])

    def beside_alone(self, training: Indices, held: Indices) -> tuple[Floats, Floats]:
        """Scores of queens held out with odds alone put right, and with the covariates."""
        alone = fit_recalibration(self.p[training], self.success[training])
        return log_scores(alone.apply(self.p[held]), self.success[held]), self._after(training, held)

    def beside_odds(self, training: Indices, held: Indices) -> tuple[Floats, Floats]:
        """Scores of queens held out with the odds as they stand, and with the covariates."""
        return log_scores(self.p[held], self.success[held]), self._after(training, held)
