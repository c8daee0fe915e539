"""Whether a straight line is enough to put odds right: the line held against a curve that may rise as it likes.

The curve is an isotonic regression of what came on the odds after the line (the CORP approach, Dimitriadis, Gneiting
and Jordan 2021, doi 10.1073/pnas.2016191118). It is told of and never used: with some hundred records its steps are
mostly chance. Each of its steps leans on the line as if that were ``LEAN`` queens more. Even so it has to pass the same
test as anything else, on seasons or sites that it was not made from.

By a simulation with 500 and 1,000 queens of five seasons: a line is called bent in 2 to 7 of 100 cases; odds that mean
nothing but "low" and "high" in all of them, odds of more than 65 % that all come to 65 % in a quarter and in a half.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from matewindow.learning.acceptance import judged
from matewindow.learning.findings import Remark
from matewindow.learning.recalibration import P_FLOOR, fit_recalibration, log_scores
from matewindow.words import percent

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from matewindow.learning.acceptance import Folds

    Floats = NDArray[np.float64]
    Indices = NDArray[np.intp]

CURVE = "curve"
LEAN = 10.0
"""Queens that the line counts for at each step of the curve (judgement, from that simulation)."""
_PARTS = 5


def curve_remark(p: Floats, success: NDArray[np.bool_], folds: Folds) -> Remark:
    """What the curve says of the line.

    Args:
        p: odds as worked out, shape (n,).
        success: whether the queens came good, shape (n,).
        folds: what is left out in turn.
    """
    n = len(p)
    line = fit_recalibration(p, success).apply(p)
    parts = np.array_split(np.argsort(line, kind="stable"), _PARTS)
    said, came = (np.array([values[part].mean() for part in parts]) for values in (line, success))
    worst = int(np.abs(came - said).argmax())
    verdict = judged(folds, lambda training, held: _scores(p, success, training, held))
    numbers = {
        "queens": float(len(parts[worst])),
        "line_says": float(said[worst]),
        "came": float(came[worst]),
        "miscalibration": float(
            (log_scores(isotonic(line, success, line, lean=0.0), success) - log_scores(line, success)).mean()
        ),
    }
    if verdict.gain is None:
        text = f"Whether a straight line is enough cannot be tried on {n} queens of one season at one site."
        return Remark(CURVE, text, numbers)
    numbers |= {"gain": verdict.gain, "bound": float(verdict.bound or 0.0)}
    if verdict.accepted:
        text = (
            f"A straight line is not enough: where it says {percent(said[worst])}, {percent(came[worst])} of "
            f"{len(parts[worst])} queens came good, and a curve does better on {folds.by}s left out in turn (by "
            f"{verdict.gain:.4f} nats a record). Nothing is changed by that: look at what these queens have in common."
        )
    else:
        text = f"A curve does no better than the straight line on {folds.by}s left out in turn ({n} queens)."
    return Remark(CURVE, text, numbers)


def isotonic(line: Floats, success: NDArray[np.bool_], at: Floats, lean: float = LEAN) -> Floats:
    """What odds mean by an isotonic regression on some of them, its steps leaning on the odds themselves.

    Args:
        line, success: what it is made from, shape (n,).
        at: odds asked after, shape (m,).
        lean: records that the odds themselves count for at each step; 0 for none.
    """
    from sklearn.isotonic import IsotonicRegression

    curve = IsotonicRegression(y_min=P_FLOOR, y_max=1.0 - P_FLOOR, out_of_bounds="clip")
    steps, sizes = np.unique(curve.fit(line, success.astype(np.float64)).predict(line), return_counts=True)
    fitted = curve.predict(at)
    size = np.interp(fitted, steps, sizes)
    leaning: Floats = (size * fitted + lean * at) / (size + lean)
    return leaning


def _scores(p: Floats, success: NDArray[np.bool_], training: Indices, held: Indices) -> tuple[Floats, Floats]:
    """Log scores of queens held out: by the line of the others, and by the curve on top of it."""
    fit = fit_recalibration(p[training], success[training])
    line, own = fit.apply(p[held]), fit.apply(p[training])
    curve = isotonic(own, success[training], line)
    return log_scores(line, success[held]), log_scores(curve, success[held])
