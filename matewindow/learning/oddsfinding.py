"""Whether odds that were issued have to be put right: fitted to those of queens whose outcome is known, and tested."""

from __future__ import annotations

from collections import Counter
from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np

from matewindow.learning import acceptance
from matewindow.learning.acceptance import Stage, Verdict
from matewindow.learning.cards import SHOWN, shows
from matewindow.learning.findings import Finding, Fitted, earned, flatters, folds_for
from matewindow.learning.model import LIMITS, RECALIBRATION
from matewindow.learning.recalibration import Recalibration, fit_recalibration, log_scores
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
    return record.p_issued if changed is None else float(changed.undone(record.p_issued))


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
    aside: Counter[str] = Counter()
    used: list[Record] = []
    for record in records:
        if record.success is None:
            aside["its outcome is not known"] += 1
        elif record.p_issued is None:
            aside["no odds were issued for it beforehand"] += 1
        elif record.model not in raw:
            aside[f"its odds are of the parameters {record.model}, not {base}"] += 1
        else:
            used.append(record)
    p = np.array([raw_odds(r, raw) for r in used])
    y = np.array([bool(r.success) for r in used])
    n, rarer = len(used), int(min(y.sum(), (~y).sum())) if used else 0
    stage, folds = acceptance.stage_of(n, rarer), folds_for(used)
    if stage is Stage.NOTHING:
        why = acceptance.refusal(_QUEENS, n, folds, Verdict(accepted=False))
        return Finding(RECALIBRATION, n, dict(aside), stage, {}, Verdict(accepted=False), why)
    slope = stage is Stage.SLOPE
    fit = fit_recalibration(p, y, slope=slope)

    def score(training: Indices, held: Indices) -> tuple[Floats, Floats]:
        part = fit_recalibration(p[training], y[training], slope=slope)
        return log_scores(p[held], y[held]), log_scores(part.apply(p[held]), y[held])

    verdict = acceptance.judged(folds, score)
    fitted = _of_recalibration(fit)
    finding = Finding(RECALIBRATION, n, dict(aside), stage, fitted.values | fitted.beside, verdict, "")
    if not verdict.accepted:
        n_fitted = 2 if slope else 1
        needed = acceptance.records_needed(log_scores(fit.apply(p), y) - log_scores(p, y), n_fitted)
        faint = acceptance.ten_points(n_fitted)
        why = acceptance.refusal(_QUEENS, n, folds, verdict, needed, faint, n_rarer=rarer)
        return replace(finding, sentence=why)
    raises = float(np.mean(fit.apply(p))) > float(p.mean())
    if raises and (open_ or y.all()):
        return flatters(finding, open_ or f"no failure is among {n} queens")
    if fit.b < LIMITS["b"][0]:
        return replace(finding, sentence=_UPSIDE_DOWN)
    shown = ", ".join(f"{percent(x)} becomes {percent(float(fit.apply(x)))}" for x in SHOWN)
    said = f"Put right by these records {shown}. {earned(n, _QUEENS, verdict)}"
    return replace(finding, sentence=said, model=maker.model(RECALIBRATION, base, fitted, used, verdict))


def _of_recalibration(fit: Recalibration) -> Fitted:
    values, sds = {"a": fit.a, "b": fit.b}, {"a": fit.a_sd, "b": fit.b_sd}
    return Fitted(
        values=values,
        low={name: values[name] - _Z90 * sd for name, sd in sds.items()},
        high={name: values[name] + _Z90 * sd for name, sd in sds.items()},
        beside={"a_sd": fit.a_sd, "b_sd": fit.b_sd} | {shows(x): float(fit.apply(x)) for x in SHOWN},
    )
