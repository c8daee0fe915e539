"""The record of the odds at a site: its past seasons lived through again, as ``hindcast.report`` tells of them."""

from __future__ import annotations

from datetime import date as Date  # noqa: N812, TC003  fields are called date; pydantic reads annotations at run time
from datetime import datetime  # noqa: TC003
from typing import Annotated, Any, Literal

from pydantic import Field

from api.reports.common import Part

Verdict = Literal["better", "worse", "the same", "unclear", "too few", "nothing"]
Numbers = list[float | None]
Bar = Annotated[list[float], Field(min_length=2, max_length=2)]
"""Low and high end."""
_SCORE = "lower is better; in the unit that the score's name ends in, or none for a squared probability"


class Ranged(Part):
    """A figure with its 5 to 95 % range over redrawn seasons; null where it cannot be told."""

    value: float | None = Field(
        description="The figure: a share, or in the unit that its name ends in.", examples=[0.1]
    )
    low: float | None = Field(description="Low end of its range, in that unit.", examples=[0.08])
    high: float | None = Field(description="High end of its range, in that unit.", examples=[0.13])


class Comparison(Part):
    """The odds held against a reference on the same cases."""

    score: Ranged = Field(description=f"Mean score of the odds: {_SCORE}.")
    reference_score: Ranged = Field(description="That of the reference, likewise.")
    gain: Ranged = Field(description="Reference less odds: above 0 the odds are better.")
    skill: Ranged = Field(description="Share of the reference's score that the odds take away.")
    verdict: Verdict = Field(description="What it comes to.")
    cases: int = Field(description="Number of cases.")
    cases_left_out: int = Field(description="Number of cases that lack odds, reference or outcome.")
    blocks: str = Field(description="What is drawn again for the ranges.", examples=["seasons"])
    n_blocks: int = Field(description="Number of them.")
    worth_independent_cases: float | None = Field(
        description="Number of independent cases that these are worth.", examples=[22.2]
    )
    blocks_wanted: float | None = Field(
        description="Number of blocks that would settle an unclear comparison.", examples=[34.0]
    )


class Against(Part):
    """The odds held against the usual and against persistence."""

    usual: Comparison = Field(description="Against past years alone.")
    persistence: Comparison | None = Field(
        description="Against the usual moved by the last week's departure; null = makes no sense here."
    )


class BrierParts(Part):
    """What a Brier score is made of."""

    reliability: float | None = Field(description="Lost by odds that are off, a squared probability.", examples=[0.001])
    resolution: float | None = Field(description="Won by odds that differ, a squared probability.", examples=[0.02])
    uncertainty: float | None = Field(description="Of what came true, a squared probability.", examples=[0.12])


class Decomposition(Part):
    """A Brier score taken apart."""

    score: float | None = Field(description="The Brier score, a squared probability.", examples=[0.13])
    counted: BrierParts = Field(description="As counted in bins.")
    corrected: BrierParts | None = Field(description="With the bias of small bins taken out.")
    within_bins: float | None = Field(description="Left within bins, a squared probability.", examples=[0.0007])
    bins: int = Field(description="Number of bins.")


class ReliabilityCurve(Part):
    """What came true where the odds said so much; entries belong together."""

    odds: Numbers = Field(description="The odds as issued, rising.")
    cases: list[int] = Field(description="Number of cases with these odds.")
    came_true: Numbers = Field(description="Share that came true, by isotonic regression.")
    bar_low: Numbers = Field(description="Low end of what chance allows.")
    bar_high: Numbers = Field(description="High end of it.")


class ReliabilityTenth(Part):
    """Odds between two tenths."""

    start: float = Field(alias="from", description="Lowest of the odds.", examples=[0.8])
    to: float = Field(description="It ends below these odds.")
    cases: int = Field(description="Number of cases.")
    mean_odds: float = Field(description="Mean of the odds.")
    came_true: float = Field(description="Share that came true.")
    bar: Bar = Field(description="What chance allows of that share.")


class Reliability(Part):
    """Whether odds of 70 % come true in 7 of 10 cases."""

    score: float = Field(description="The Brier score, a squared probability.")
    miscalibration: float = Field(description="What calibrated odds would take off it, a squared probability.")
    discrimination: float = Field(description="What telling cases apart takes off it, a squared probability.")
    uncertainty: float = Field(description="Of what came true, a squared probability.")
    chance_of_as_much_miscalibration: float | None = Field(
        description="Probability of as much where the odds mean what they say.", examples=[0.29]
    )
    miscalibration_by_chance_p95: float | None = Field(
        description="Exceeded with probability 0.05 where they do; a squared probability.", examples=[0.006]
    )
    shared_within_block: float | None = Field(
        description="Share of the spread that a season has in common.", examples=[0.2]
    )
    shared_on_a_day_beyond_it: float | None = Field(
        description="Share that cases of one day have in common beside it.", examples=[0.1]
    )
    memory_d: float | None = Field(description="Number of days over which that is lost.", examples=[4.0])
    bars_level: float = Field(description="Probability that lies within the bars.")
    curve: ReliabilityCurve = Field(description="The curve.")
    tenths: list[ReliabilityTenth] = Field(description="The same in tenths; those without a case are left out.")


class Roc(Part):
    """Hits and false alarms if one acts from some odds on; lists belong together."""

    area: Ranged = Field(description="Area under the curve: 0.5 tells nothing apart, 1 everything.")
    threshold_percent: list[int] = Field(description="Lowest odds at which one acts, percent.")
    hit_rate: Numbers = Field(description="Share of what came true that was acted on.")
    false_alarm_rate: Numbers = Field(description="Share of what did not that was.")


class ValueAt(Part):
    """What acting by the odds is worth to somebody with this cost."""

    cost_over_gain: float = Field(description="What acting costs, as a share of what it gains.")
    odds: Ranged = Field(description="Share of the worth of knowing the future that the odds give.")
    usual: Ranged = Field(description="That of the usual.")
    gain: Ranged = Field(description="The difference.")
    best_threshold: float | None = Field(
        description="Share that acting from the best odds in hindsight would give.", examples=[0.4]
    )


class Ranks(Part):
    """Where what came lies among equally likely values."""

    counts: list[int] = Field(description="Number of cases in each class of ranks.")
    expected: float = Field(description="Number of cases in each if the spread is right.")
    bar: Bar = Field(description="What chance allows of it.")
    chi_square: float | None = Field(
        description="How uneven the numbers are, chi square: a number without unit.", examples=[9.1]
    )
    chance_of_as_uneven: float | None = Field(description="Probability of as much by chance.", examples=[0.5])
    slope: float | None = Field(description="Part of it from a bias, in standard deviations: a share.", examples=[-1.1])
    slope_chance: float | None = Field(description="Probability of as much by chance.", examples=[0.3])
    bend: float | None = Field(description="Part of it from a wrong width, likewise a share.", examples=[0.8])
    bend_chance: float | None = Field(description="Probability of as much by chance.", examples=[0.4])
    cases: int = Field(description="Number of cases.")
    cases_left_out: int = Field(description="Number of cases left out.")


class FlightHourScores(Part):
    """How well the hours were told."""

    crps_h: Against = Field(description="Continuous ranked probability score, hours.")
    rps: Against = Field(description="Ranked probability score over the classes.")
    class_edges_h: list[float] = Field(description="Edges of the classes, hours.")
    ranks: Ranks = Field(description="The rank histogram.")


class FirstEggScores(Part):
    """How well the day of the first egg was told."""

    score_d: Against | None = Field(description="Brier scores of in lay by each day, added up: days.")
    log_nats: Against = Field(description="Log score of the days between which it came, nats.")
    horizon_d: int = Field(description="Number of days after which a nuc is given up.")


class LeadGroup(Part):
    """Cases that were looked at equally far ahead."""

    lead_group: str = Field(description="How far ahead.")
    cases: int = Field(description="Number of cases.")
    seasons: int = Field(description="Number of seasons.")
    sites: int = Field(description="Number of sites.")
    cases_left_out: int = Field(description="Number of cases that could not be judged.")
    came_true: Ranged = Field(description="Share that came true.")
    mean_odds: Ranged = Field(description="Mean of the odds.")
    verdict: Verdict = Field(description="What the Brier score beside the usual comes to.")
    brier: Against = Field(description="Brier score, a squared probability.")
    log_nats: Against = Field(description="Log score, nats.")
    brier_parts: Decomposition = Field(description="What the Brier score is made of.")
    reliability: Reliability | None = Field(description="Whether the odds mean what they say; null = no case.")
    roc: Roc = Field(description="Hits and false alarms.")
    roc_usual: Roc = Field(description="Those of the usual.")
    value: list[ValueAt] = Field(description="Worth at costs from small to large.")
    flight_hours: FlightHourScores | None = Field(description="How well hours were told; null = none are.")
    first_egg: FirstEggScores | None = Field(description="How well first eggs were told; null = none are.")


class JudgementInWords(Part):
    """What it comes to."""

    headline: str = Field(description="In a sentence.")
    lead_groups: dict[str, list[str]] = Field(description="In sentences for each lead group, by its name.")
    doubts: list[str] = Field(description="What weakens it.")


class ProductRecord(Part):
    """The record of one kind of odds."""

    product: str = Field(description="Which odds.")
    event: str = Field(description="What they are odds of.")
    notes: list[str] = Field(description="How the cases came about.")
    first_issued: Date | None = Field(description="Day of the first odds.")
    last_issued: Date | None = Field(description="Day of the last.")
    judgement: JudgementInWords = Field(description="What it comes to.")
    brier_overall: Comparison | None = Field(description="All lead groups together; null = no case.")
    lead_groups: list[LeadGroup] = Field(
        description="One after the other, from the longest look ahead or the shortest."
    )


class WaysToChoose(Part):
    """Worth of grafting, in laying queens a nuc less what failing and waiting cost."""

    advised: Ranged = Field(description="On the day ranked first.")
    equal: Ranged = Field(description="On any day that the advice called equal to it.")
    at_once: Ranged = Field(description="On the first day.")
    any: Ranged = Field(description="On any of the days.")
    best: Ranged = Field(description="On the best day, had it been known.")


class GraftAdviceRecord(Part):
    """What following the graft advice was worth."""

    mornings: int = Field(description="Number of mornings with advice.")
    seasons: int = Field(description="Number of seasons.")
    days_to_choose_from: int = Field(description="Number of days among which one was to be chosen.")
    worth_laying_queens_per_nuc: WaysToChoose = Field(description="Worth of each way to choose.")
    gain: Ranged = Field(description="Of the day ranked first over the first day, laying queens a nuc.")
    share_of_possible_gain: Ranged = Field(description="Share of what knowing the future would have gained.")
    share_of_mornings_without_advice: float = Field(description="Share of mornings on which no day was advised.")
    days_advised: float | None = Field(description="Number of days named by the advice on average; null = never any.")
    sentences: list[str] = Field(description="The same in words.")


class BoundsInRecord(Part):
    """The season bounds that a record was asked for with; null = not given."""

    first_graft: str | None = Field(description="First graft of each season, month and day.", examples=["04-20"])
    last_graft: str | None = Field(description="Last graft of each season, month and day.", examples=["07-31"])
    first_season: int | None = Field(
        description="First year in which a season begins, a whole number.", examples=[2006]
    )
    last_season: int | None = Field(description="Last such year, a whole number.", examples=[2025])


class RecordReport(Part):
    """The odds held against the weather that came, each season left out of its own past years."""

    site_id: str = Field(description="The site.")
    made_at: datetime = Field(description="When it was made, UTC.")
    site_version: int = Field(description="Version of the site's record that it was made for.")
    bounds: BoundsInRecord = Field(description="What was asked for.")
    site: str = Field(description="What the keeper called the site then.")
    model: str = Field(description="Version of the parameters that made the odds.", examples=["2026.1"])
    seasons: list[int] = Field(description="Years in which the seasons judged begin.")
    first_graft: str = Field(description="First graft of each season, month and day.")
    last_graft: str = Field(description="Last graft of each season, month and day.")
    seed: int = Field(description="Of the lots drawn: a number.")
    seasons_from_before: int = Field(description="Number of seasons taken over from a run that was broken off.")
    attribution: list[str] = Field(description="Lines that must be shown with it.")
    title: str = Field(description="Heading.")
    made_on: Date = Field(description="Civil day of the site on which it was made.")
    products: list[ProductRecord] = Field(description="One a kind of odds.")
    graft_advice: GraftAdviceRecord | None = Field(
        None, description="What following the advice was worth; left out where none could be judged."
    )
    terms: dict[str, Any] = Field(
        description="What the words mean.", examples=[{"Usual": "The odds from past years alone."}]
    )
