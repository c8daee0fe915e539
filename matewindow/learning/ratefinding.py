"""Whether queens fly at another rate than the literature's: fitted to looks for eggs on their weather, and tested."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np

from matewindow.learning import acceptance
from matewindow.learning.acceptance import Stage, Verdict
from matewindow.learning.eggpaths import gather
from matewindow.learning.findings import Finding, Fitted, earned, flatters, folds_for
from matewindow.learning.flightrate import RATE_SD_LOG, RateFit, best_gone, fit_flight_rate, look_log_likelihoods
from matewindow.learning.model import FLIGHT_RATE

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    from matewindow.biology import Biology
    from matewindow.learning.eggpaths import Gathered, Ground
    from matewindow.learning.findings import Maker
    from matewindow.learning.records import Record

    Floats = NDArray[np.float64]
    Indices = NDArray[np.intp]

_LOOKS = "queens with looks for eggs, whose weather is known"


def rate_finding(
    records: Sequence[Record], grounds: Sequence[Ground], literature: Biology, maker: Maker, open_: str
) -> Finding:
    """What the records say of the flight rate.

    Args:
        records: all that there are.
        grounds: sites with their weather.
        literature: the parameters that ship with the program.
        maker: for the model's papers.
        open_: why the records must not raise the rate; empty if nothing speaks against it.
    """
    found = gather(records, grounds, literature)
    used = [records[int(row)] for row in found.rows]
    n, folds = len(used), folds_for(used)
    stage = Stage.NOTHING if n < acceptance.FEWEST else Stage.RATE
    none = Verdict(accepted=False)
    if stage is Stage.NOTHING:
        why = acceptance.refusal(_LOOKS, n, folds, none)
        return Finding(FLIGHT_RATE, n, found.set_aside, stage, {}, none, why)
    prior = literature.mating.flight_rate_per_h
    fit = fit_flight_rate(found.eggs, found.looks, prior)
    verdict = acceptance.judged(folds, _RateScore(found, prior))
    fitted = _of_rate(fit, prior)
    estimate = {"rate_per_h": fit.rate_per_h, "low": fit.low, "high": fit.high} | fitted.beside
    finding = Finding(FLIGHT_RATE, n, found.set_aside, stage, estimate, verdict, "")
    if not verdict.accepted:
        everyone = np.arange(n)
        before, after = _RateScore(found, prior)(everyone, everyone)
        needed = acceptance.records_needed(after - before, 1)
        faint = acceptance.a_fifth(n, fit.sd_log)
        return replace(finding, sentence=acceptance.refusal(_LOOKS, n, folds, verdict, needed, faint))
    limits = literature.parameters["mating.flight_rate_per_h"]
    span = f"{fit.rate_per_h:.2f} mating flights an effective flight hour ({fit.low:.2f} to {fit.high:.2f})"
    if not limits.low <= fit.rate_per_h <= limits.high:
        why = (
            f"The records put the rate at {span}, outside {limits.low:g} to {limits.high:g}, which is all that the "
            "sources support. More likely the hours are off: look at the site's shelter (exposure) and its flight "
            "thresholds."
        )
        return replace(finding, sentence=why)
    if open_ and fit.rate_per_h > prior:
        return flatters(finding, open_)
    said = f"Your queens make {span}; the literature has {prior:.2f}. {earned(n, _LOOKS, verdict)}"
    return replace(finding, sentence=said, model=maker.model(FLIGHT_RATE, literature.version, fitted, used, verdict))


@dataclass(frozen=True)
class _RateScore:
    """Log-likelihood of looks left out, at the literature's rate and at one fitted to the other looks.

    The share gone for other reasons is fitted beside both, so that only the rate makes the difference.
    """

    found: Gathered
    prior: float

    def __call__(self, training: Indices, held: Indices) -> tuple[Floats, Floats]:
        """Scores of the looks held out, before and after."""
        eggs, others, mine = self.found.eggs, self.found.looks.take(training), self.found.looks.take(held)
        fit = fit_flight_rate(eggs, others, self.prior)
        before = look_log_likelihoods(eggs, mine, self.prior, best_gone(eggs, others, self.prior))
        return before, look_log_likelihoods(eggs, mine, fit.rate_per_h, fit.gone)


def _of_rate(fit: RateFit, prior: float) -> Fitted:
    name = "mating.flight_rate_per_h"
    beside = {"literature": prior, "prior_sd_log": RATE_SD_LOG, "gone": fit.gone, "sd_log": fit.sd_log}
    return Fitted({name: fit.rate_per_h}, {name: fit.low}, {name: fit.high}, beside)
