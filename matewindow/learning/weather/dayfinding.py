"""Whether the odds that a day is a flying day have to be put right: logit p = a + b logit p as worked out.

The odds are those of the weights in use. Few runs lean on "no change" by the priors of ``recalibration``, and with
fewer than 300 site-days b also stays within 0.5 and 1.2; with more the data speak alone (Platt 1999, from memory).
"""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np

from matewindow.learning.acceptance import Verdict
from matewindow.learning.cards import SHOWN, shows
from matewindow.learning.findings import Fitted
from matewindow.learning.model import DAY_RECALIBRATION, LIMITS
from matewindow.learning.recalibration import Recalibration, fit_recalibration
from matewindow.learning.weather import findings
from matewindow.learning.weather.cases import day_scores
from matewindow.learning.weather.findings import Z90, WeatherFinding, earned, weather_model
from matewindow.learning.weather.weights import WORTH, Hill
from matewindow.learning.weather.windows import Windows
from matewindow.words import percent

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from matewindow.biology import Biology, Forecast
    from matewindow.learning.findings import Maker
    from matewindow.learning.weather.cases import DayCases

    Floats = NDArray[np.float64]
    Indices = NDArray[np.intp]

MIN_SITE_DAYS, FREE_FROM = 100, 300
"""Site-days below which nothing is fitted, and from which the data speak alone."""
SLOPES = (0.5, 1.2)
"""Between these b is held while there are fewer."""
_HALF_LOGIT = 0.5
_Z = 1.2816
_UPSIDE_DOWN = (
    "By these runs flying days were no more common where their odds were higher. No model is made of that: look first "
    "whether the runs are of this place and whether each file is named by its own start."
)


def odds_in_use(cases: DayCases, forecast: Forecast) -> Floats:
    """Odds of a flying day with the weights in use, (n,)."""
    leads = np.arange(cases.n_leads)
    ensemble, single = (cases.mixed(Hill.of(forecast, single=s).at(leads)) for s in (False, True))
    return np.where(cases.members == 1, single, ensemble)


def fit_days(p: Floats, came: NDArray[np.bool_], n_site_days: int) -> Recalibration:
    """What puts odds right.

    Args:
        p: odds, (n,).
        came: whether the days were flying days, (n,).
        n_site_days: days of issue behind them, each site's for itself.
    """
    if n_site_days >= FREE_FROM:
        return fit_recalibration(p, came, a_sd=np.inf, b_sd=np.inf)
    fit = fit_recalibration(p, came)
    if SLOPES[0] <= fit.b <= SLOPES[1]:
        return fit
    # at the end of its range b is as good as known: a is then fitted beside it
    b = min(max(fit.b, SLOPES[0]), SLOPES[1])
    held = fit_recalibration(Recalibration(0.0, b, 0.0, 0.0).apply(p), came, slope=False)
    return Recalibration(held.a, b, held.a_sd, fit.b_sd)


def day_finding(cases: DayCases, using: Biology, maker: Maker) -> WeatherFinding:
    """What stored runs say of the odds of a flying day.

    Args:
        cases: of all sites.
        using: parameters in use.
        maker: for the model's papers.
    """
    n = cases.n_site_days
    nothing = WeatherFinding(DAY_RECALIBRATION, len(cases), n, {}, {}, Verdict(accepted=False), "")
    if n < MIN_SITE_DAYS:
        return replace(
            nothing,
            sentence=findings.too_few(
                n, MIN_SITE_DAYS, "nothing is fitted to fewer than {wants}, and there {are} {has}"
            ),
        )
    windows = Windows.of(cases)
    if not windows.enough:
        return replace(nothing, sentence=findings.untried(cases))
    p, came = odds_in_use(cases, using.forecast), cases.came
    fit = fit_days(p, came, n)

    def left_out(training: Indices, held: Indices) -> Floats:
        part = fit_days(p[training], came[training], n)
        return day_scores(part.apply(p[held]), came[held])

    before, after = day_scores(p, came), windows.out_of_sample(left_out)
    verdict = windows.verdict(before, after)
    fitted = _fitted(fit, n)
    finding = replace(nothing, estimate=fitted.values | fitted.beside, verdict=verdict)
    if not verdict.accepted:
        off = int(n * (_Z * fit.a_sd / _HALF_LOGIT) ** 2 / WORTH) + 1
        words = "the odds were off by about ten points"
        return replace(
            finding,
            sentence=findings.not_earned(cases, windows, verdict, after - before, max(off, MIN_SITE_DAYS), words),
        )
    if fit.b < LIMITS["b"][0]:
        return replace(finding, sentence=_UPSIDE_DOWN)
    shown = ", ".join(f"{percent(x)} becomes {percent(float(fit.apply(x)))}" for x in SHOWN)
    said = f"Put right by the weather that came {shown}. {earned(cases, verdict, 'the odds as they stand')}"
    model = weather_model(DAY_RECALIBRATION, using.version, fitted, cases, verdict, maker)
    return replace(finding, sentence=said, model=model)


def _fitted(fit: Recalibration, n_site_days: int) -> Fitted:
    widened = WORTH**-0.5  # neighbouring days share their weather
    values, sds = {"a": fit.a, "b": fit.b}, {"a": fit.a_sd * widened, "b": fit.b_sd * widened}
    return Fitted(
        values=values,
        low={name: values[name] - Z90 * sd for name, sd in sds.items()},
        high={name: values[name] + Z90 * sd for name, sd in sds.items()},
        beside={f"{name}_sd": sd for name, sd in sds.items()}
        | {"site_days": float(n_site_days)}
        | {shows(x): float(fit.apply(x)) for x in SHOWN},
    )
