"""Missing values: a case counts where everything that it is judged by is known, and the others are counted."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from numpy.typing import ArrayLike, NDArray

    Floats = NDArray[np.float64]


@dataclass(frozen=True)
class Mean:
    """A mean score, the number of cases behind it, and the number left out because something was not known.

    ``value`` is NaN where there is no case.
    """

    value: float
    n: int
    missing: int


def mean_score(scores: ArrayLike) -> Mean:
    """Mean of the scores of single cases.

    Args:
        scores: one for each case, NaN where it is not known, shape (n,).
    """
    known = np.asarray(scores, dtype=np.float64)
    known = known[~np.isnan(known)]
    missing = int(np.size(scores)) - len(known)
    return Mean(float(known.mean()) if len(known) else float("nan"), len(known), missing)


def complete(*columns: ArrayLike) -> NDArray[np.bool_]:
    """The cases in which every column is known, shape (n,); columns of shape (n,), NaN for what is missing."""
    stacked = np.stack([np.asarray(column, dtype=np.float64) for column in columns])
    return np.asarray(~np.isnan(stacked).any(axis=0))
