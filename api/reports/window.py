"""The mating window of a batch or nuc, and what was issued."""

from __future__ import annotations

from datetime import date as Date  # noqa: N812, TC003  fields are called date; pydantic reads annotations at run time
from datetime import datetime  # noqa: TC003
from typing import Literal

from pydantic import Field

from api.answers import NEXT_AFTER
from api.reports.common import (
    BatchInReport,
    Causes,
    CivilDay,
    Clock,
    EggDates,
    Hours,
    Part,
    RangeOf,
    Share,
    Shares,
    SiteInReport,
    Spread,
    Stands,
)


class Emergence(Part):
    """When the virgins emerge."""

    p5: Date = Field(description="Day by which 5 % have emerged.")
    likeliest: Date = Field(description="Day on which most emerge.")
    p95: Date = Field(description="Day by which 95 % have.")


class Fates(Part):
    """What becomes of a queen; the probabilities add up to 1."""

    well_mated: Share = Field(description="Probability: made all flights that she needed, the first in time.")
    under_mated: Share = Field(description="Probability: settled with fewer flights than she needed.")
    late_mated: Share = Field(description="Probability: first flight after the late age.")
    unmated: Share = Field(description="Probability: never mated.")
    lost: Share = Field(description="Probability: lost on a flight.")


class WindowDay(Part):
    """One day of a batch's window."""

    date: CivilDay
    age: int = Field(description="Age of most virgins, days.")
    prime: bool = Field(description="Within the prime mating window.")
    strict_hours: Hours | None = Field(description="Hours that pass every limit; null = not known.")
    effective_hours: Hours = Field(description="Flight hours weighted by fitness, mean.")
    effective_hours_p10: Hours = Field(description="Hours: one in ten weathers has fewer.")
    effective_hours_p90: Hours = Field(description="Hours: nine in ten weathers have fewer.")
    p_flying_day: Share = Field(description="Probability of an effective hour or more, with drones about.")
    drones: Share = Field(description="Share of drones available.")
    usual_hours: Hours | None = Field(description="Effective hours usual for the date.")
    window_hours: Hours = Field(description="Length of the day's mating window, hours.")
    spoiled_by: Causes = Field(description="Hours lost, by cause.")
    shares: Shares = Field(description="What the day stands on.")
    mating_flights: float | None = Field(description="Mating flights expected of a virgin; null after a check.")
    p_in_lay: Share = Field(description="Probability to be in lay by the end of the day.")
    p_still_good_without_eggs: Share | None = Field(
        description="Probability that a queen without eggs on this day still comes good."
    )


class TimelineEvent(Part):
    """A date of the batch and its work."""

    event: str = Field(description="What it is.")
    date: CivilDay
    earliest: Date = Field(description="First day that it can fall on.")
    latest: Date = Field(description="Last day that it can fall on.")
    at: str | None = Field(description="Time of day where one matters, civil time.")
    work: str = Field(description="What to do.")
    caution: str | None = Field(description="What to beware of.", examples=["Keep cells upright and warm."])


class WindowReport(Stands):
    """The outlook of a batch. What ends in `_usual` is the same from past years alone and without checks."""

    site: SiteInReport
    now: Clock
    message: str = Field(description="All of it in a few sentences.")
    message_parts: list[str] = Field(description="The same by part: which batch, the weather, the work, the odds, why.")
    batch: BatchInReport
    emergence: Emergence
    fates: Fates
    p_well_mated: Share = Field(description="Probability to be well mated.")
    p_well_mated_range: RangeOf | None = Field(description="5 to 95 % range of it; null with too few past years.")
    p_well_mated_usual: Share | None = Field(description="The same from past years alone, without checks.")
    in_words: str = Field(description="The same in calibrated words.")
    p_well_mated_by_weather: Spread = Field(description="How it differs between possible weathers.")
    risk_poor_mating: Share | None = Field(
        description="Probability of under-mated, late-mated or unmated, of queens not lost."
    )
    risk_poor_mating_range: RangeOf | None = Field(description="5 to 95 % range of it.")
    risk_poor_mating_usual: Share | None = Field(description="The same from past years alone, without checks.")
    risk_delayed_laying: Share | None = Field(description="Share of the well mated that lay after the first check.")
    risk_delayed_laying_range: RangeOf | None = Field(description="5 to 95 % range of it.")
    risk_delayed_laying_usual: Share | None = Field(description="The same from past years alone, without checks.")
    first_egg: EggDates
    first_egg_usual: EggDates
    mean_mating_flights: float | None = Field(description="Mating flights of a mated queen; null after a check.")
    prime_flight_hours: Spread = Field(description="Effective flight hours in the prime window.")
    prime_flight_hours_usual: Spread | None = Field(description="The same from past years alone.")
    days: list[WindowDay] = Field(description="From emergence to the late age.")
    timeline: list[TimelineEvent] = Field(description="Dates and work.")
    shares: Shares = Field(description="What the prime window stands on.")
    past_years: int = Field(description="Past years used.")
    members: int = Field(description="Forecast members used.")


class ExpectedLaying(Part):
    """Queens of the batch in lay that are to be expected, from the last count of it on."""

    mean: float = Field(ge=0, description="Number of queens, on average.", examples=[15.4])
    p10: int = Field(ge=0, description="Number of queens: one in ten times fewer.", examples=[12])
    p90: int = Field(ge=0, description="Number of queens: nine in ten times at most so many.", examples=[19])
    mean_usual: float | None = Field(
        ge=0, description="Number of queens on average, from past years alone; null without any.", examples=[17.0]
    )
    counted: Literal["grafted", "taken", "sealed", "placed", "emerged", "laying"] = Field(
        description="Which count it starts from."
    )
    count: int = Field(ge=0, description="Number that was counted then.", examples=[21])


class BatchOutlook(WindowReport):
    """The outlook of a batch of the register, as it was issued."""

    outlook_id: str = Field(description="Names this outlook for ever.")
    batch_id: str = Field(description="The batch.")
    site_id: str = Field(description="Its site.")
    name: str = Field(description="What the keeper calls the batch.")
    issued_at: datetime = Field(description="When it was issued, UTC.")
    expected_laying: ExpectedLaying | None = Field(
        description="Queens in lay to be expected; null = nothing was counted."
    )


class NucOutlook(WindowReport):
    """The outlook of one nuc, from what was seen in it."""

    nuc_id: str = Field(description="The nuc.")
    batch_id: str = Field(description="The batch of its cell.")


class IssuedOutlook(Part):
    """An outlook that was issued, in brief."""

    id: str = Field(description="Read it under /v1/outlooks/{id}.")
    batch_id: str = Field(description="The batch.")
    issued_at: datetime = Field(description="When, UTC.")
    parameters: str = Field(description="Version of the parameters and models that it was made with.")
    p_well_mated: Share = Field(description="Probability to be well mated.")
    p_well_mated_low: Share | None = Field(description="Lower end of its range, a probability.")
    p_well_mated_high: Share | None = Field(description="Upper end of its range, a probability.")
    p_well_mated_usual: Share | None = Field(description="The same from past years alone.")


class IssuedOutlooks(Part):
    """What was issued for a batch, oldest first."""

    items: list[IssuedOutlook] = Field(description="Outlooks, oldest first.")
    next_after: str | None = Field(description=NEXT_AFTER)
