"""What became of one kind of model: the numbers, the test, the words, and the model if it has earned its use."""

from __future__ import annotations

from dataclasses import asdict, dataclass, replace
from typing import TYPE_CHECKING

from matewindow.learning import acceptance
from matewindow.learning.model import Kind, Model, Proof
from matewindow.learning.records import Record, ground_of

if TYPE_CHECKING:
    from collections.abc import Sequence
    from datetime import datetime

    from matewindow.learning.acceptance import Stage, Verdict

_PRIOR_RULES_BELOW = 50


@dataclass(frozen=True)
class Remark:
    """Something seen beside a fit.

    Attributes:
        about: ``covariates`` or ``curve``.
        sentence: in words.
        numbers: what it stands on.
    """

    about: str
    sentence: str
    numbers: dict[str, float]


@dataclass(frozen=True)
class Finding:
    """What became of one kind of model.

    Attributes:
        kind: ``flight-rate`` or ``recalibration``.
        n: records that it could be fitted to.
        set_aside: how many others there are, by reason.
        stage: what may be fitted to so many.
        estimate: what the fit says, with its range; empty where nothing was fitted.
        verdict: how it did on records left out.
        sentence: the whole in words.
        model: the model, if it has earned its use.
        remarks: what else was seen.
    """

    kind: Kind
    n: int
    set_aside: dict[str, int]
    stage: Stage
    estimate: dict[str, float]
    verdict: Verdict
    sentence: str
    model: Model | None = None
    remarks: tuple[Remark, ...] = ()


@dataclass(frozen=True)
class Fitted:
    """What a fit gives a model: what it sets with its 90 % range, and other numbers for its card."""

    values: dict[str, float]
    low: dict[str, float]
    high: dict[str, float]
    beside: dict[str, float]


@dataclass(frozen=True)
class Maker:
    """Who makes a model, for its papers: the time (aware UTC) and the program's version."""

    now: datetime
    program: str

    def model(self, kind: Kind, base: str, fitted: Fitted, used: Sequence[Record], verdict: Verdict) -> Model:
        """A model that has earned its use."""
        made_at = self.now.isoformat(timespec="seconds").replace("+00:00", "Z")
        scores = {key: value for key, value in asdict(verdict).items() if key != "accepted"}
        low, high = fitted.low, fitted.high
        ground = ground_of(used)
        return Model(
            kind, base, made_at, self.program, fitted.values, low, high, fitted.beside, ground, Proof(**scores)
        )


def flatters(finding: Finding, why: str) -> Finding:
    """The finding without a model: what it would raise may only be due to failures that nobody entered."""
    said = (
        f"By these records things go better than the odds say, but they may flatter: {why}. Nothing is made of that "
        "until failures are entered as well as successes: answer what is asked about them, then learn again."
    )
    return replace(finding, sentence=said)


def folds_for(used: Sequence[Record]) -> acceptance.Folds:
    """Seasons or sites of some records, to be left out in turn."""
    return acceptance.folds_of([r.season for r in used], [r.site for r in used], [r.grafted_on for r in used])


def earned(n: int, what: str, verdict: Verdict) -> str:
    """How a fit has earned its use, in words."""
    assert verdict.bound is not None
    assert verdict.bound_records is not None
    lean = (
        " With so few records the literature still weighs most: expect this to change as more come in."
        if n < _PRIOR_RULES_BELOW
        else ""
    )
    least = min(verdict.bound, verdict.bound_records)
    return (
        f"Fitted to {n} {what}, and better than the odds as they stand on {verdict.by}s left out in turn (by "
        f"{verdict.gain:.4f} nats a record over {verdict.n_groups} {verdict.by}s, at least {least:.4f}).{lean}"
    )
