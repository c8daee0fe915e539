"""What the card of a model says that was made from stored runs of the forecast."""

from __future__ import annotations

from typing import TYPE_CHECKING

from matewindow.learning.acceptance import BOUND, PURGE_D
from matewindow.learning.model import FORECAST_WEIGHT, Model
from matewindow.learning.recalibration import A_SD, B_SD
from matewindow.words import percent

if TYPE_CHECKING:
    from collections.abc import Sequence

_WEIGHT_NOT = (
    "Beside parameters of another version than the one named above: it is refused there.",
    "Forecasts of another model or with another number of members than the stored runs: their weight is another one.",
    "Sites whose wind shelter or flight thresholds were changed since: flying days are others then.",
    "Ensembles corrected for what their model gets wrong: they may deserve more, the stored runs are as they came.",
)
_DAYS_NOT = (
    "Odds of another version of the parameters than the one named above: it is refused there.",
    "Odds of being well mated: only the odds that a day is a flying day are put right, nothing that follows from them.",
    "Forecasts of another model than the stored runs.",
)
_SHOWS = "shows_"


def weather_texts(model: Model) -> tuple[str, str, str, Sequence[str]]:
    """What a model is, what it was made from, how it did, and when not to use it."""
    of_weight = model.kind == FORECAST_WEIGHT
    what = _weight_text(model) if of_weight else _days_text(model)
    when_not: Sequence[str] = _WEIGHT_NOT if of_weight else _DAYS_NOT
    ground, tested = model.ground, model.tested
    made_from = (
        f"{ground.n:,} days that stored runs spoke of, issued on {model.beside['site_days']:,.0f} site-days from "
        f"{ground.first} to {ground.last} and held against the record of the site: {ground.successes:,} were flying "
        f"days, {ground.failures:,} were not. Sites: {_listed(ground.sites)}. Seasons: {_listed(ground.seasons)}. "
        f"Digest of the cases (SHA-256): `{ground.sha256}`."
    )
    verdict = (
        f"Mean log score of days of a {tested.by} that was left out ({tested.n_groups} in turn), with runs issued "
        f"within {PURGE_D} days of it left out of the fit: {tested.before:.4f} nats before, {tested.after:.4f} after. "
        f"Gain {tested.gain:+.4f} nats a day, lower end of its one-sided 90 % range {tested.bound:+.4f} over what was "
        f"left out and {tested.bound_records:+.4f} over blocks of 30 days; more than {BOUND} was asked for of both."
    )
    return what, made_from, verdict, when_not


def _weight_text(model: Model) -> str:
    single = model.beside["single"] > 0.5
    of = "single" if single else "ensemble"
    names = [f"forecast.{of}_{part}" for part in ("weight", "half_d", "power")]
    (a, h, p), spans = (model.values[n] for n in names), [_span(model, n) for n in names]
    worthless = (
        "" if a > 0.0 else "\n\nThese runs told no more than the usual of the date: the forecast gets no weight."
    )
    return (
        f"How much {'a single run' if single else 'an ensemble'} counts against past years at lead day l: "
        f"w(l) = {a:.3f} / (1 + (l / {h:.2f})^{p:.2f}). 90 % ranges: {spans[0]} at first, half at {spans[1]} days, "
        f"power {spans[2]}.{worthless}\n\n"
        f"Fitted by least squares to the share of members and of past years with a flying day, at "
        f"{model.beside['leads']:.0f} leads with 200 cases or more, with the literature's curve as its prior. The "
        f"weights of {'ensembles' if single else 'single runs'} stay as they were."
    )


def _days_text(model: Model) -> str:
    a, b = model.values["a"], model.values["b"]
    shown = ", ".join(
        f"{name.removeprefix(_SHOWS)} % becomes {percent(p)}" for name, p in model.beside.items() if _SHOWS in name
    )
    prior = (
        f"with the priors a ~ N(0, {A_SD:g}²) and b ~ N(1, {B_SD:g}²) and b between 0.5 and 1.2"
        if model.beside["site_days"] < 300
        else "by maximum likelihood"
    )
    return (
        "Odds that a day of the mating window is a flying day are put right: logit p = a + b logit p as worked out, "
        f"a {a:+.3f} ({_span(model, 'a')}), b {b:.3f} ({_span(model, 'b')}). So {shown}.\n\n"
        f"Fitted to odds of all leads as the parameters in use give them and to the weather that came, {prior}; the "
        "ranges count neighbouring days, which share their weather, as a third of a case."
    )


def _span(model: Model, name: str) -> str:
    return f"{model.low[name]:.2f} to {model.high[name]:.2f}"


def _listed(names: Sequence[str]) -> str:
    return ", ".join(name.replace("\n", " ") for name in names)
