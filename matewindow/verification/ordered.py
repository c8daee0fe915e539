"""Scores over ordered thresholds and classes: flight hours in classes, and the day of the first egg.

First egg. A queen may never lay, so the day of her first egg has no mean and no ordinary CRPS. What a keeper asks is
"will she be in lay by that day?", for every day up to the horizon at which the nuc is given up. The score is therefore
the Brier score of that question, added up over those days. It is the CRPS of the day, cut off at the horizon: "never"
is an outcome of its own that lies beyond the last day, and it is not treated as if it were a late date. Whether she is
well mated at all is scored beside it, by the odds of that.

That needs the day itself. Of most nucs only two looks are known, the last without eggs and the first with them, or they
were lost from sight. It would not do to add up the days that happen to be known: which those are depends on the day of
the egg, and such a score rewards wrong odds. Then the logarithmic score of the span between the looks is right, since
the span that holds the egg is all that it asks about, as long as looks are not chosen by what is in the nuc.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from matewindow.verification.odds_scores import LOG_BOUND

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import ArrayLike, NDArray

    from matewindow.verification.samples import Samples

    Floats = NDArray[np.float64]


def rps(odds: ArrayLike, category: ArrayLike) -> Floats:
    """Ranked probability score of each case over ordered classes, not divided by their number: 0 is best.

    Args:
        odds: of each class, in order, adding up to 1, shape (n, k).
        category: the class that came, 0 to k - 1, NaN if not known, shape (n,).

    Returns:
        Shape (n,); NaN where something is missing.

    Source: Epstein 1969, J Appl Meteorol 8:985-987; Murphy 1971 (both from memory).
    """
    cumulative = np.cumsum(np.asarray(odds, dtype=np.float64), axis=1)[:, :-1]
    came = np.asarray(category, dtype=np.float64)[:, None]
    reached = np.where(np.isnan(came), np.nan, came <= np.arange(cumulative.shape[1]))
    scores: Floats = ((cumulative - reached) ** 2).sum(axis=1)
    return scores


def class_odds(samples: Samples, edges: Sequence[float]) -> Floats:
    """Probability of each class, shape (n, k + 1), from ``k`` rising edges; a value on an edge is in the upper class.

    NaN where no value is known.
    """
    below = _cumulative(samples, [np.nextafter(edge, -np.inf) for edge in edges])
    ends = [np.where(np.isnan(below[:, :1]), np.nan, 0.0), below, np.where(np.isnan(below[:, :1]), np.nan, 1.0)]
    return np.diff(np.concatenate(ends, axis=1), axis=1)


def rps_of_samples(samples: Samples, observed: ArrayLike, edges: Sequence[float]) -> Floats:
    """Ranked probability score of each case over the classes between rising edges, fair if the values are a draw.

    Args:
        samples: shape (n, m).
        observed: shape (n,).
        edges: inner edges of the classes; a value on an edge is in the upper class.

    Returns:
        Shape (n,); NaN where something is missing or a draw has one value only.

    Source: fair form, Ferro 2014, QJRMS 140:1917-1923 (from memory).
    """
    thresholds = np.nextafter(np.asarray(edges, dtype=np.float64), -np.inf)
    seen = np.asarray(observed, dtype=np.float64)[:, None]
    return _threshold_scores(samples, thresholds, seen <= thresholds, ~np.isnan(seen) & np.ones(len(edges), dtype=bool))


def exact_days(first_egg_d: ArrayLike) -> tuple[Floats, Floats]:
    """The looks that would pin down a first egg to its day: see ``first_egg_scores``.

    Args:
        first_egg_d: day of the first egg, +inf for never, NaN if not known, shape (n,).
    """
    day = np.asarray(first_egg_d, dtype=np.float64)
    return day - 1.0, day


def pinned_down(after_d: ArrayLike, by_d: ArrayLike, horizon_d: int) -> NDArray[np.bool_]:
    """Whether it is known of every day before the horizon if she was in lay, shape (n,); arguments as below."""
    return np.asarray(_known_days(after_d, by_d, horizon_d)[1].all(axis=1))


def first_egg_scores(samples: Samples, after_d: ArrayLike, by_d: ArrayLike, horizon_d: int) -> Floats:
    """Score of the day of the first egg, in days: the Brier score of "in lay by day t", added up over t < horizon.

    Days are whole and count from any day that all arrays of a case share, such as the emergence of the queen.

    Args:
        samples: possible days, +inf for never, shape (n, m).
        after_d: last day on which she is known not to lay yet, shape (n,). -inf if she was never seen without eggs,
            +inf if it is known that she never laid.
        by_d: first day on which she is known to lay, shape (n,); +inf if she was never seen laying.
        horizon_d: day at which a nuc is given up; days from it on are not asked about.

    Returns:
        Shape (n,); NaN where something is missing, the day is not pinned down, or a draw has one value only. It is the
        (fair) CRPS of the day cut off at the horizon. Do not average it over those nucs alone whose day happens to be
        pinned down.
    """
    laid, known = _known_days(after_d, by_d, horizon_d)
    days = np.arange(horizon_d, dtype=np.float64)
    return _threshold_scores(samples, days, laid, known & known.all(axis=1, keepdims=True))


def first_egg_log_scores(
    samples: Samples, after_d: ArrayLike, by_d: ArrayLike, horizon_d: int, bound: float = LOG_BOUND
) -> Floats:
    """Logarithmic score of the span between two looks in which the first egg was laid, in nats: 0 is best.

    Args:
        samples, after_d, by_d, horizon_d: as in ``first_egg_scores``; from the horizon on and never are one outcome.
        bound: odds below this count as this. A small draw gives many spans no odds at all.

    Returns:
        -ln P(after < first egg <= by), shape (n,); NaN where something is missing.

    Source: the likelihood of interval-censored events, Zhang and Sun 2010, Stat Methods Med Res 19:53-70,
    doi:10.1177/0962280209105023; as a score it is the logarithmic one of the class that came.
    """
    after, by = (np.asarray(x, dtype=np.float64)[:, None] for x in (after_d, by_d))
    last = float(horizon_d - 1)
    shares = samples.shares()
    inside = (samples.values > np.minimum(after, last)) & (samples.values <= np.where(by > last, np.inf, by))
    mass = np.where(inside, shares, 0.0).sum(axis=1)
    missing = np.isnan(after[:, 0]) | np.isnan(by[:, 0])
    return np.where(missing | (shares.sum(axis=1) == 0.0), np.nan, -np.log(np.maximum(mass, bound)))


def _known_days(after_d: ArrayLike, by_d: ArrayLike, horizon_d: int) -> tuple[NDArray[np.bool_], NDArray[np.bool_]]:
    """For each day before the horizon: whether she is known to lay, and whether it is known at all, (n, horizon)."""
    days = np.arange(horizon_d, dtype=np.float64)
    after, by = (np.asarray(x, dtype=np.float64)[:, None] for x in (after_d, by_d))
    laid = days >= by
    return laid, (laid | (days <= after)) & ~np.isnan(after) & ~np.isnan(by)


def _threshold_scores(
    samples: Samples, thresholds: Floats, reached: NDArray[np.bool_], known: NDArray[np.bool_]
) -> Floats:
    """Brier scores of "at most the threshold" added up over the thresholds known, shape (n,).

    For a draw the variance that a small number of values brings is taken off: F (1 - F) / (M - 1), and with weights
    F (1 - F) s / (1 - s), s the sum of their squares.
    """
    below = _cumulative(samples, thresholds)
    fairness = samples.fairness()[:, None]
    scores = (below - reached) ** 2 - below * (1.0 - below) * (1.0 - fairness) / fairness
    total = np.where(known, scores, 0.0).sum(axis=1)
    return np.where(known.any(axis=1), total, np.nan)


def _cumulative(samples: Samples, thresholds: Sequence[float] | Floats) -> Floats:
    """Probability of each case of being at most each of the rising thresholds, (n, k); NaN where no value is known."""
    shares = samples.shares()
    n, k = len(samples), len(thresholds)
    place = np.searchsorted(np.asarray(thresholds), samples.values)  # NaN lies beyond all, with a share of nil
    rows = np.arange(n)[:, None] * (k + 1)
    mass = np.bincount((rows + place).ravel(), shares.ravel(), minlength=n * (k + 1)).reshape(n, k + 1)
    below = np.cumsum(mass[:, :k], axis=1)
    return np.where(shares.sum(axis=1, keepdims=True) > 0.0, np.minimum(below, 1.0), np.nan)
