"""A hindcast told: the record of its odds and what its advice was worth, as data, text and page."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from matewindow.hindcast.cases import flying_day_cases, window_cases
from matewindow.hindcast.following import (
    TITLE,
    following,
    following_data,
    following_sentences,
    following_table,
)
from matewindow.verification import record_of, report_data, report_html, report_text
from matewindow.verification.report import Section
from matewindow.words import day_month

if TYPE_CHECKING:
    from datetime import date

    from matewindow.hindcast.asof import Ground
    from matewindow.hindcast.oneseason import SeasonCases
    from matewindow.hindcast.running import Hindcast
    from matewindow.verification import Record

FEW_SEASONS = 20
HEADING = "The record of the odds"


@dataclass(frozen=True)
class Told:
    """A hindcast, judged.

    Attributes:
        ground: the site and its weather.
        hindcast: its seasons.
        records: of the odds, one a product.
        sections: what the advice was worth.
    """

    ground: Ground
    hindcast: Hindcast
    records: tuple[Record, ...]
    sections: tuple[Section, ...]

    def data(self, made_on: date | None = None) -> dict[str, Any]:
        """As plain data."""
        plan = self.hindcast.plan
        grafts = plan.grafts(plan.years[0])
        return {
            "site": self.ground.site.name,
            "model": self.ground.version,
            "seasons": list(plan.years),
            "first_graft": grafts[0].strftime("%m-%d"),
            "last_graft": grafts[-1].strftime("%m-%d"),
            "seed": plan.seed,
            "seasons_from_before": self.hindcast.n_kept,
            "attribution": list(_attribution(self.ground)),
        } | report_data(self.records, made_on=made_on, sections=self.sections)

    def text(self, made_on: date | None = None, *, width: int = 100) -> str:
        """As plain text, in lines of so many characters."""
        return report_text(self.records, made_on=made_on, sections=self.sections, width=width)

    def page(self, made_on: date | None = None) -> str:
        """As one page of HTML."""
        title = f"{HEADING}: {self.ground.site.name}"
        return report_html(self.records, title=title, made_on=made_on, sections=self.sections)


def told(ground: Ground, found: Hindcast) -> Told:
    """Judge a hindcast.

    Args:
        ground: the site and its weather.
        found: its seasons.
    """
    notes = tuple(_notes(ground, found))
    records = (
        record_of(window_cases(found.seasons, ground.site.name, ground.biology, notes=notes)),
        record_of(flying_day_cases(found.seasons, ground.site.name)),
    )
    advice = following(found.seasons, found.plan.week_d)
    if advice is None:
        return Told(ground, found, records, ())
    about = (
        f"On {advice.n} mornings of {advice.n_seasons} seasons one of the next {advice.week_d} days was to be chosen. "
        "Worth counts a queen in lay as 1 and takes off what failed nucs, poor queens and days of waiting cost; "
        "not grafting at all is worth 0."
    )
    section = Section(
        "graft_advice", TITLE, about, following_sentences(advice), (following_table(advice),), following_data(advice)
    )
    return Told(ground, found, records, (section,))


def _notes(ground: Ground, found: Hindcast) -> list[str]:
    """What a reader must know of how the cases came about."""
    plan = found.plan
    grafts = plan.grafts(plan.years[0])
    n = len(plan.years)
    notes = [
        *ground.remarks,
        (
            f"{ground.site.name}: {n} seasons, {plan.years[0]} to {plan.years[-1]}, one graft a day from "
            f"{day_month(grafts[0])} to {day_month(grafts[-1])}. Each season was left out of its own past years. "
            f"Odds made with {ground.version}."
        ),
    ]
    mornings, served = (sum(count) for count in zip(*(_mornings(season) for season in found.seasons), strict=True))
    if served:
        notes.append(f"A forecast had been kept for {served} of {mornings} mornings.")
    else:
        notes.append(
            "No forecasts of these seasons were kept: the odds stand on what had been measured and on other years, "
            "and can hardly beat the usual before virgins fly."
        )
    if "+" in ground.version:  # the name of a learnt model follows that of the literature's parameters
        notes.append(
            "These odds were learnt from records. Seasons that they were learnt from flatter them here; the card of "
            "the model has its score on seasons left out."
        )
    if n < FEW_SEASONS:
        notes.append(
            f"{n} seasons are few: {FEW_SEASONS} or more would make the ranges worth trusting. Odds that stand on few "
            "years are rough, and a season left out of its own usual pulls the two apart, so that odds may seem not to "
            "mean what they say."
        )
    return notes + list(_attribution(ground))


def _mornings(season: SeasonCases) -> tuple[int, int]:
    """On how many mornings there were odds of flying days, and on how many of them a forecast."""
    tomorrow = season.day_lead == 1
    return int(tomorrow.sum()), int((season.day_forecast[tomorrow] > 0.0).sum())


def _attribution(ground: Ground) -> tuple[str, ...]:
    line = ground.record.provenance.licence
    return (line,) if line else ()
