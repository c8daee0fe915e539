"""The card of a model: what it is, what it was made from, how it did, and when not to use it."""

from __future__ import annotations

from typing import TYPE_CHECKING

from matewindow.learning.acceptance import BOUND
from matewindow.learning.covariates import WORDS
from matewindow.learning.model import FLIGHT_RATE, OF_WEATHER, Model
from matewindow.learning.recalibration import A_SD, B_SD, MORE_SD
from matewindow.learning.weathercards import weather_texts
from matewindow.words import percent

if TYPE_CHECKING:
    from collections.abc import Sequence

_RATE_NOT = (
    "Parameters of another version than the one named above: it is refused there.",
    "Sites whose wind shelter or flight thresholds were changed since: the hours it counts by are others then.",
    "Bees or nucs of another kind than those of the records.",
)
_ODDS_NOT = (
    "Odds of another version of the parameters than the one named above: it is refused there.",
    "Odds after a look into the nuc: what was seen says more, and they are left as they are.",
    "As proof of why queens fail: it shifts the odds, whatever the cause.",
)


def card_of(model: Model, name: str, questions: Sequence[str]) -> str:
    """The card in Markdown.

    Args:
        model: what it is of.
        name: its name.
        questions: what was open about the records when it was made.
    """
    what, records, verdict, when_not = weather_texts(model) if model.kind in OF_WEATHER else _record_texts(model)
    parts = [
        f"# Card of `{name}`",
        f"Made {model.made_at} by matewindow {model.program}, beside the parameters {model.base}.",
        "## What it is",
        what,
        "## From which records",
        records,
        *([] if not questions else ["Open about them when it was made:", _points(questions)]),
        "## How it did on records that it was not made from",
        verdict,
        "## When not to use it",
        _points(when_not),
        "## The way back",
        _WAY_BACK,
    ]
    return "\n\n".join(parts) + "\n"


def _record_texts(model: Model) -> tuple[str, str, str, Sequence[str]]:
    """What a model made from records of queens is, which these were, how it did, and when not to use it."""
    ground, tested = model.ground, model.tested
    if model.kind == FLIGHT_RATE:
        what, when_not = _rate_text(model), _RATE_NOT
    else:
        what, when_not = _odds_text(model), _ODDS_NOT
    not_known = ground.n - ground.successes - ground.failures
    open_ = f", of {not_known} it is not known" if not_known else ""
    records = (
        f"{ground.n} queens grafted from {ground.first} to {ground.last}: {ground.successes} came good, "
        f"{ground.failures} did not{open_}. Sites: {_listed(ground.sites)}. Seasons: "
        f"{_listed(ground.seasons)}. Digest of the records (SHA-256): `{ground.sha256}`."
    )
    verdict = (
        f"Mean log score of records of a {tested.by} that was left out ({tested.n_groups} in turn): "
        f"{tested.before:.4f} nats before, {tested.after:.4f} after. Gain {tested.gain:+.4f} nats a record, lower end "
        f"of its one-sided 90 % range {tested.bound:+.4f} over {tested.by}s and {tested.bound_records:+.4f} over "
        f"records; more than {BOUND} was asked for of both."
    )
    return what, records, verdict, when_not


_WAY_BACK = (
    "`matewindow models use literature` returns to the parameters that ship with the program; "
    "`matewindow models list` shows every other model that can be chosen."
)


def _rate_text(model: Model) -> str:
    (name,) = model.values
    beside = model.beside
    return (
        f"The rate of mating flights per effective flight hour (`{name}`): {model.values[name]:.3f}, 90 % range "
        f"{model.low[name]:.3f} to {model.high[name]:.3f}; the literature has {beside['literature']:.3f}.\n\n"
        "Fitted to looks for eggs on the weather that the queens had: S(L) - S(R) for eggs found between two looks, "
        "S(L) where there were none yet, S from the program's own chain. Prior of the rate: log-normal about the "
        f"literature's, standard deviation {beside['prior_sd_log']:g}. Beside it {100 * beside['gone']:.0f} % of the "
        "nucs were found to come to nothing for reasons other than the weather; the odds do not carry that share."
    )


def _odds_text(model: Model) -> str:
    a, b = model.values["a"], model.values["b"]
    shown = ", ".join(f"{percent(x)} becomes {percent(model.beside[shows(x)])}" for x in SHOWN)
    slope = f"b {b:.3f} ({model.low['b']:.3f} to {model.high['b']:.3f})" if model.beside["b_sd"] else "b stays 1"
    return (
        "Odds of being well mated are put right: logit p = a + b logit p as worked out, "
        f"a {a:+.3f} ({model.low['a']:+.3f} to {model.high['a']:+.3f}), {slope}. So {shown}.\n\n{_more_text(model)}"
        "Fitted to the odds as they were issued before the mating window and to what became of the queens, with the "
        f"priors a ~ N(0, {A_SD:g}²) and b ~ N(1, {B_SD:g}²); ranges are 90 % by Laplace's method."
    )


def _more_text(model: Model) -> str:
    said = [
        f"{step}: {model.values[name]:+.3f} ({model.low[name]:+.3f} to {model.high[name]:+.3f})"
        for name, (_, step) in WORDS.items()
        if name in model.values
    ]
    if not said:
        return ""
    return (
        f"To a is added for {'; '.join(said)}, each about its mean in the records and leaning on none at all by the "
        f"prior N(0, {MORE_SD:g}²). What is not known of a queen counts as average; an "
        f"outlook knows the day of the graft and the age of the larvae, not the nuc.\n\n"
    )


def shows(p: float) -> str:
    """Under which name a model keeps what these odds become."""
    return f"shows_{round(100 * p)}"


SHOWN = (0.3, 0.5, 0.7, 0.9)
"""Odds whose change a card spells out."""


def _points(lines: Sequence[str]) -> str:
    return "\n".join(f"- {line}" for line in lines)


def _listed(names: Sequence[str]) -> str:
    return ", ".join(name.replace("\n", " ") for name in names)
