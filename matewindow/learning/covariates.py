"""What else may tell queens apart than the odds they were given: named before anybody looks at outcomes.

Three, in the order in which they are taken in as records grow. Each has a natural step, so that one prior suits all.

==============  ======================================================  ===========================
week            how late in the season she was grafted                  four weeks
nuc             whether she was in a nuc of frames, not in a mini nuc    one kind against the other
larva_age       how old the larva was at the graft                      12 hours
==============  ======================================================  ===========================

Why these: drones and the readiness to mate change over a season, mini nucs are robbed and left more easily (both common
practice), and queens from older larvae are poorer (Woyke 1971, from memory).
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence
    from datetime import date

    from numpy.typing import ArrayLike, NDArray

    from matewindow.learning.records import Record

    Floats = NDArray[np.float64]

WEEK, NUC, LARVA_AGE = "week", "nuc", "larva_age"
COVARIATES = (WEEK, NUC, LARVA_AGE)
"""Their names, in the order in which they are taken in."""
WORDS = {
    WEEK: ("the week of the season", "a graft four weeks later"),
    NUC: ("the kind of nuc", "a nuc of frames instead of a mini nuc"),
    LARVA_AGE: ("the age of the larvae", "larvae 12 hours older"),
}
"""What each is, and what one step of it is."""
MINI = "mini"
NUC_KINDS = (MINI, "few-frames", "five-frames")
"""Kinds of nuc, as the register has them."""
_STEP_D, _STEP_H = 28.0, 12.0
_YEAR = 365.25 / _STEP_D
_KNOWN, _LEAST_SD = 0.8, 0.2
"""A covariate is looked at if it is known of so many queens and differs between them by so many steps (judgement)."""


def of_batch(grafted_on: date, larva_age_h: float | None) -> dict[str, float]:
    """What is known of all queens of a batch, in steps; what is not known is left out.

    Args:
        grafted_on: day of the graft, in the site's calendar.
        larva_age_h: hours since hatching at the graft; None = not told.
    """
    found = {WEEK: grafted_on.timetuple().tm_yday / _STEP_D}
    return found if larva_age_h is None else found | {LARVA_AGE: larva_age_h / _STEP_H}


def of_record(record: Record, *, nuc: bool = True) -> dict[str, float]:
    """What is known of a queen, in steps.

    Args:
        record: of her.
        nuc: whether her own nuc counts; odds that were issued for a batch know nothing of it.
    """
    found = of_batch(record.grafted_on, record.larva_age_h)
    return found | {NUC: float(record.nuc_kind != MINI)} if nuc and record.nuc_kind else found


def columns(records: Sequence[Record], names: Sequence[str]) -> dict[str, Floats]:
    """Covariates of records, NaN where not known, shape (n,) each."""
    rows = [of_record(record) for record in records]
    return {name: np.array([row.get(name, np.nan) for row in rows]) for name in names}


def centre_of(name: str, values: Floats) -> float:
    """The mean of a covariate where it is known; 0 where it never is.

    Weeks go round the year, so that a season of the south may reach over its end: theirs is the middle of the season.
    """
    known = values[np.isfinite(values)]
    if len(known) == 0:
        return 0.0
    if name != WEEK:
        return float(known.mean())
    turn = np.exp(2j * np.pi * known / _YEAR).mean()
    return float(np.angle(turn) / (2.0 * np.pi) * _YEAR) % _YEAR


def steps_from(name: str, values: ArrayLike, centre: float) -> Floats:
    """Steps above a centre, shape as given; 0 where a value is not known (NaN), which so counts as average."""
    away = np.asarray(values, dtype=np.float64) - centre
    if name == WEEK:
        away = (away + _YEAR / 2.0) % _YEAR - _YEAR / 2.0
    result: Floats = np.where(np.isnan(away), 0.0, away)
    return result


def telling(values: Mapping[str, Floats]) -> list[str]:
    """Those that are known of most queens and differ between them, in their order."""
    found = []
    for name in COVARIATES:
        known = values[name][np.isfinite(values[name])]
        if len(known) == 0 or len(known) < _KNOWN * len(values[name]):
            continue
        if float(steps_from(name, known, centre_of(name, known)).std()) >= _LEAST_SD:
            found.append(name)
    return found
