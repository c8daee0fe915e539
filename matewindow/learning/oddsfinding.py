"""Whether odds that were issued have to be put right: fitted to those of queens whose outcome is known, and tested."""

from __future__ import annotations

from collections import Counter
from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np

from matewindow.learning import acceptance
from matewindow.learning.acceptance import Stage, Verdict
from matewindow.learning.beyond import beyond
from matewindow.learning.cards import SHOWN, shows
from matewindow.learning.covariates import of_record
from matewindow.learning.curve import curve_remark
from matewindow.learning.findings import Finding, Fitted, Remark, earned, flatters, folds_for
from matewindow.learning.model import LIMITS, RECALIBRATION
from matewindow.learning.recalibration import Recalibration, fit_recalibration, log_scores
from matewindow.learning.samplesize import FEWEST_FOR_CURVE
from matewindow.words import percent

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from numpy.typing import NDArray

    from matewindow.learning.findings import Maker
    from matewindow.learning.records import Record

    Floats = NDArray[np.float64]
    Indices = NDArray[np.intp]

_Z90 = 1.645
_QUEENS = "queens with odds and an outcome"
_UPSIDE_DOWN = (
    "By these records fewer queens came good the higher their odds were. No model is made of that: look first whether "
    "success yes and no, or the odds of different batches, were exchanged."
)


def raw_odds(record: Record, raw: Mapping[str, Recalibration | None]) -> float:
    """The odds of a record as they were worked out, before anything put them right."""
    assert record.p_issued is not None
    changed = raw[record.model]
    return record.p_issued if changed is None else float(changed.undone(record.p_issued, of_record(record, nuc=False)))


def odds_finding(
    records: Sequence[Record], raw: Mapping[str, Recalibration | None], base: str, maker: Maker, open_: str
) -> Finding:
    """What the records say of the odds.

    Args:
        records: all that there are.
        raw: versions whose odds can be used, and what has to be taken back from them first.
        base: version of the parameters in use.
        maker: for the model's papers.
        open_: why the records must not raise any odds; empty if nothing speaks against it.
    """
    used, aside = _usable(records, raw, base)
    p = np.array([raw_odds(r, raw) for r in used])
    y = np.array([bool(r.success) for r in used])
    n, rarer = len(used), int(min(y.sum(), (~y).sum())) if used else 0
    stage, folds = acceptance.stage_of(n, rarer), folds_for(used)
    if stage is Stage.NOTHING:
        why = acceptance.refusal(_QUEENS, n, folds, Verdict(accepted=False))
        return Finding(RECALIBRATION, n, aside, stage, {}, Verdict(accepted=False), why)
    slope = stage is Stage.SLOPE
    fit = fit_recalibration(p, y, slope=slope)

    def score(training: Indices, held: Indices) -> tuple[Floats, Floats]:
        part = fit_recalibration(p[training], y[training], slope=slope)
        return log_scores(p[held], y[held]), log_scores(part.apply(p[held]), y[held])

    verdict = acceptance.judged(folds, score)
    values: dict[str, Floats] = {}
    remarks: tuple[Remark, ...] = ()
    if slope:
        more = beyond(used, p, y, folds)
        remarks = (more.remark, *([curve_remark(p, y, folds)] if n >= FEWEST_FOR_CURVE else []))
        if more.fit is not None and more.verdict is not None:
            fit, verdict, values = more.fit, more.verdict, more.values
    fitted = _of_recalibration(fit)
    numbers = fitted.values | fitted.beside
    finding = Finding(RECALIBRATION, n, aside, stage, numbers, verdict, "", remarks=remarks)
    if not verdict.accepted:
        n_fitted = 2 if slope else 1
        needed = acceptance.records_needed(log_scores(fit.apply(p), y) - log_scores(p, y), n_fitted)
        faint = acceptance.ten_points(n_fitted)
        why = acceptance.refusal(_QUEENS, n, folds, verdict, needed, faint, n_rarer=rarer)
        return replace(finding, sentence=why)
    raises = float(np.mean(fit.apply(p, values))) > float(p.mean())
    if raises and (open_ or y.all()):
        return flatters(finding, open_ or f"no failure is among {n} queens")
    if fit.b < LIMITS["b"][0]:
        return replace(finding, sentence=_UPSIDE_DOWN)
    shown = ", ".join(f"{percent(x)} becomes {percent(float(fit.apply(x)))}" for x in SHOWN)
    said = f"Put right by these records {shown}. {earned(n, _QUEENS, verdict)}"
    return replace(finding, sentence=said, model=maker.model(RECALIBRATION, base, fitted, used, verdict))


def _usable(
    records: Sequence[Record], raw: Mapping[str, Recalibration | None], base: str
) -> tuple[list[Record], dict[str, int]]:
    """Records with odds of known making and an outcome, and how many others there are, by reason."""
    aside: Counter[str] = Counter()
    used: list[Record] = []
    for record in records:
        if record.success is None:
            aside["the outcome is not known"] += 1
        elif record.p_issued is None:
            aside["no odds were issued for them beforehand"] += 1
        elif record.model not in raw:
            aside[f"their odds are of the parameters {record.model}, not {base}"] += 1
        else:
            used.append(record)
    return used, dict(aside)


def _of_recalibration(fit: Recalibration) -> Fitted:
    more = dict(fit.more)
    values = {"a": fit.a, "b": fit.b} | {name: effect.value for name, effect in more.items()}
    sds = {"a": fit.a_sd, "b": fit.b_sd} | {name: effect.sd for name, effect in more.items()}
    beside = {f"{name}_sd": sd for name, sd in sds.items()}
    beside |= {f"{name}_centre": effect.centre for name, effect in more.items()}
    return Fitted(
        values=values,
        low={name: values[name] - _Z90 * sd for name, sd in sds.items()},
        high={name: values[name] + _Z90 * sd for name, sd in sds.items()},
        beside=beside | {shows(x): float(fit.apply(x)) for x in SHOWN},
    )
