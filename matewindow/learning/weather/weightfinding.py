"""How much the forecast should count at each lead: the fit, its test, and whether the runs are worth anything at all.

Two candidates: the fitted curve and no weight. The curve counts as a candidate only if on weather left out it beats
the usual of the date beyond chance (lower end of the one-sided 90 % range above 0); else the candidate is no weight,
so that runs which know nothing get none, also if they looked good by chance in the weather that they were fitted to.
The candidate then has to beat the weights in use by the rule of acceptance.
"""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np

from matewindow.learning.acceptance import Verdict
from matewindow.learning.findings import Fitted
from matewindow.learning.model import FORECAST_WEIGHT, VALUES
from matewindow.learning.weather import findings
from matewindow.learning.weather.cases import day_scores
from matewindow.learning.weather.findings import Z90, WeatherFinding, earned, weather_model
from matewindow.learning.weather.weights import MIN_LEADS, MIN_SITE_DAYS, Hill, HillFit, LeadSums, fit_hill
from matewindow.learning.weather.windows import Windows

if TYPE_CHECKING:
    from typing import Any

    from numpy.typing import NDArray

    from matewindow.biology import Biology
    from matewindow.learning.findings import Maker
    from matewindow.learning.weather.cases import DayCases

    Floats = NDArray[np.float64]
    Indices = NDArray[np.intp]

_PARTS = ("weight", "half_d", "power")
_OFF_BY = 0.1
_Z = 1.2816
_IN_USE = "the weights in use"


def weight_finding(cases: DayCases, using: Biology, literature: Biology, maker: Maker) -> WeatherFinding:
    """What stored runs say of the weight curve.

    Args:
        cases: of all sites; of ensembles and single runs those are used of which there are more.
        using: parameters in use.
        literature: the parameters that ship with the program, the prior of the fit.
        maker: for the model's papers.
    """
    single = bool((cases.members == 1).sum() * 2 > len(cases))
    other = "they are of an ensemble" if single else "they are of a single run"
    mine = cases.take((cases.members == 1) == single)
    aside = {other: len(cases) - len(mine)} if len(mine) < len(cases) else {}
    sums, now = LeadSums.of(mine), Hill.of(using.forecast, single=single)
    leads = np.flatnonzero(sums.n >= MIN_SITE_DAYS)
    nothing = WeatherFinding(
        FORECAST_WEIGHT, len(mine), mine.n_site_days, aside, {}, Verdict(accepted=False), "", _rows(sums, now, None)
    )
    if len(leads) < MIN_LEADS:
        has = int(np.sort(sums.n)[-MIN_LEADS]) if len(sums.n) >= MIN_LEADS else 0
        why = "no lead's weight is moved by fewer than {wants} site-days, and five must have them: there {are} {has}"
        return replace(nothing, sentence=findings.too_few(has, MIN_SITE_DAYS, why))
    windows = Windows.of(mine)
    if not windows.enough:
        return replace(nothing, sentence=findings.untried(mine))
    fit = _Fit(mine, literature, leads, single=single)
    whole = fit.to(np.arange(len(mine)))
    usual, before = fit.scores(Hill(0.0, 1.0, 1.0)), fit.scores(now)
    after = windows.out_of_sample(fit.left_out)
    known = windows.verdict(usual, after)
    assert known.gain is not None
    assert known.bound is not None
    assert known.bound_records is not None
    worth_something = known.gain > 0.0 and min(known.bound, known.bound_records) > 0.0
    if not worth_something:
        whole = HillFit(Hill(0.0, whole.curve.half_d, whole.curve.power), whole.sd)
        after = np.where(np.isnan(after), np.nan, usual)
    verdict = windows.verdict(before, after)
    fitted = _fitted(whole, using, literature, mine, leads, single=single)
    estimate = dict(zip(_PARTS, _numbers(whole.curve), strict=True)) | {"gain_over_usual": known.gain}
    finding = WeatherFinding(
        FORECAST_WEIGHT,
        len(mine),
        mine.n_site_days,
        aside,
        estimate,
        verdict,
        "",
        _rows(sums, now, whole.curve),
    )
    if not verdict.accepted:
        off = int(mine.n_site_days * (_Z / _OFF_BY) ** 2 / max(1e-9, float(sums.pulls.sum())))
        words = "the weights were off by a tenth at all leads"
        return replace(finding, sentence=findings.not_earned(mine, windows, verdict, after - before, off, words))
    said = _said(whole.curve, now, "single run" if single else "ensemble") if worth_something else _WORTHLESS
    model = weather_model(FORECAST_WEIGHT, literature.version, fitted, mine, verdict, maker)
    return replace(finding, sentence=f"{said} {earned(mine, verdict, _IN_USE)}", model=model)


_WORTHLESS = (
    "On weather left out these runs tell no more of flying days than the date's usual does, so they get no weight. "
    "Look first whether they are runs of this place and whether each file is named by its own start."
)


def _said(curve: Hill, now: Hill, what: str) -> str:
    def words(of: Hill) -> str:
        return f"{of.today:.2f} at first, half of that at day {of.half_d:.1f}, power {of.power:.1f}"

    return f"The {what} should count {words(curve)} (in use: {words(now)})."


class _Fit:
    """Curves fitted to some cases, and the scores of others by them."""

    def __init__(self, cases: DayCases, literature: Biology, leads: Indices, *, single: bool) -> None:
        self.cases, self.leads, self.n_leads = cases, leads, cases.n_leads
        self.prior = Hill.of(literature.forecast, single=single)
        limits = [literature.parameters[f"forecast.{_of(single)}_{part}"] for part in _PARTS]
        low, high = [x.low for x in limits], [x.high for x in limits]
        self.bounds = (low[0], low[1], low[2]), (high[0], high[1], high[2])

    def to(self, rows: Indices) -> HillFit:
        """The curve that fits some cases."""
        return fit_hill(LeadSums.of(self.cases.take(rows), self.n_leads), self.prior, self.leads, self.bounds)

    def scores(self, curve: Hill, rows: Indices | None = None) -> Floats:
        """Log scores of some cases, of all unless told."""
        cases = self.cases if rows is None else self.cases.take(rows)
        return day_scores(cases.mixed(curve.at(np.arange(self.n_leads))), cases.came)

    def left_out(self, training: Indices, held: Indices) -> Floats:
        """Log scores of cases held out, by the curve of the others."""
        return self.scores(self.to(training).curve, held)


def _of(single: bool) -> str:  # noqa: FBT001
    return "single" if single else "ensemble"


def _numbers(curve: Hill) -> tuple[float, float, float]:
    return curve.today, curve.half_d, curve.power


def _fitted(
    fit: HillFit, using: Biology, literature: Biology, cases: DayCases, leads: Indices, *, single: bool
) -> Fitted:
    """All six numbers: those that were fitted, and the others as they are in use."""
    values = {name: float(getattr(using.forecast, name.partition(".")[2])) for name in VALUES[FORECAST_WEIGHT]}
    low, high = dict(values), dict(values)
    for part, value, sd in zip(_PARTS, _numbers(fit.curve), fit.sd, strict=True):
        name = f"forecast.{_of(single)}_{part}"
        limits = literature.parameters[name]
        values[name] = value
        low[name], high[name] = (min(max(value + s * Z90 * sd, limits.low), limits.high) for s in (-1.0, 1.0))
    beside = {"site_days": float(cases.n_site_days), "leads": float(len(leads)), "single": float(single)}
    return Fitted(values, low, high, beside)


def _rows(sums: LeadSums, now: Hill, fitted: Hill | None) -> list[dict[str, Any]]:
    """What there is at each lead: cases, weight in use, best weight of this lead alone, weight by the new curve."""
    return [
        {
            "lead": lead,
            "cases": int(sums.n[lead]),
            "in_use": float(now.at(lead)),
            "alone": None if np.isnan(sums.weight[lead]) else float(sums.weight[lead]),
            "fitted": None if fitted is None else float(fitted.at(lead)),
        }
        for lead in range(len(sums.n))
    ]
