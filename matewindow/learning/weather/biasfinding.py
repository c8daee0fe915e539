"""What the runs get wrong at a site time and again, told and not used.

No model is made of it: live weather learns the same from the runs of its last weeks and takes it out of every
ensemble (``weather/live/correction``), so a stored correction would be taken out twice. What it would have been worth
is tried on weather left out: the mean error of afternoons, when queens fly, before and after.
"""

from __future__ import annotations

from dataclasses import asdict, dataclass
from typing import TYPE_CHECKING, Any

import numpy as np

from matewindow.learning.acceptance import PURGE_D, Verdict
from matewindow.learning.weather.findings import WeatherFinding
from matewindow.learning.weather.windows import WINDOW_D
from matewindow.weather.bias import MIN_DAYS, NEUTRAL

if TYPE_CHECKING:
    from collections.abc import Iterable, Mapping

    from numpy.typing import NDArray

    from matewindow.learning.weather.reading import Read
    from matewindow.weather.bias import Bias, Correction

BIAS = "bias"
_HOURS = "afternoon"
_UNITS = {"temp_c": ("temperature", "K"), "wind_ms": ("wind", "m/s")}


@dataclass(frozen=True)
class _Tried:
    """Mean size of the mean error of afternoons left out, before and after a correction, and their weight."""

    before: float
    after: float
    weight: float


def bias_finding(reads: Mapping[str, Read]) -> WeatherFinding:
    """What the runs get wrong, site by site, and how much less it would be.

    Args:
        reads: what was read of each site, by its name.
    """
    n = sum(len(read.cases) for read in reads.values())
    site_days = sum(read.cases.n_site_days for read in reads.values())
    rows: list[dict[str, Any]] = []
    tried: dict[str, list[_Tried]] = {name: [] for name in _UNITS}
    for site, read in reads.items():
        days = read.leads.days
        if not len(days):
            continue
        learnt = read.leads.learn()
        rows += [{"site": site, **asdict(c), "leads": [*c.leads]} for c in learnt.corrections if c.applies]
        for training, held in _folds(days):
            for name, result in _on_days(read.leads.learn(training), read.leads.learn(held)):
                tried[name].append(result)
    estimate = {}
    for name, results in tried.items():
        if results:
            weight = [t.weight for t in results]
            estimate[f"{name}_before"] = float(np.average([t.before for t in results], weights=weight))
            estimate[f"{name}_after"] = float(np.average([t.after for t in results], weights=weight))
    return WeatherFinding(
        BIAS, n, site_days, {}, estimate, Verdict(accepted=False), _sentence(rows, estimate, site_days), rows
    )


def _folds(days: NDArray[np.datetime64]) -> Iterable[tuple[NDArray[np.datetime64], NDArray[np.datetime64]]]:
    """Days to learn from and days to try it on: stretches of 45 days, with 40 between the two."""
    number = np.unique((days - days[0]).astype(np.intp) // WINDOW_D, return_inverse=True)[1]
    for stretch in range(int(number.max()) + 1):
        held = days[number == stretch]
        away = np.maximum(held[0] - days, days - held[-1]).astype(np.int64) > PURGE_D
        if away.any():
            yield days[away], held


def _on_days(learnt: Bias, held: Bias) -> Iterable[tuple[str, _Tried]]:
    """How a correction does on other days, for each variable and group of leads."""
    known = {(c.variable, c.hours, c.leads): c for c in learnt.corrections}
    for there in held.corrections:
        here = known.get((there.variable, there.hours, there.leads))
        if here is None or there.hours != _HOURS or there.variable not in _UNITS:
            continue
        after = _corrected(there, here) - there.analysis
        yield there.variable, _Tried(abs(there.forecast - there.analysis), abs(after), float(there.days))


def _corrected(there: Correction, by: Correction) -> float:
    amount = by.amount if by.applies else NEUTRAL[by.variable]
    return there.forecast + amount if there.variable == "temp_c" else there.forecast * amount


def _sentence(rows: list[dict[str, Any]], estimate: dict[str, float], site_days: int) -> str:
    if not rows:
        return (
            f"It cannot be told yet: there are {site_days} site-days of issue, and fewer "
            f"than {MIN_DAYS} different days with both forecast and record at any lead."
        )
    said = [
        f"{word} {estimate[f'{name}_before']:.2f} {unit}, {estimate[f'{name}_after']:.2f} {unit} after a correction "
        "learnt from other weather"
        for name, (word, unit) in _UNITS.items()
        if f"{name}_before" in estimate
    ]
    tested = f"Mean error of afternoons on stretches left out in turn: {'; '.join(said)}. " if said else ""
    return (
        f"{tested}This is told and not used: live weather learns the same from its own last weeks and takes it out of "
        "every ensemble, and would do so twice."
    )
