"""On which days to graft."""

from __future__ import annotations

from datetime import date as Date  # noqa: N812, TC003  fields are called date; pydantic reads annotations at run time
from typing import Annotated

from pydantic import Field

from api.reports.common import Clock, EggDates, Part, RangeOf, Share, Shares, SiteInReport, Spread, Stands


class Constraint(Part):
    """A limit that a day breaks."""

    name: str = Field(description="Which limit.")
    text: str = Field(description="The same in words.")


class GraftDay(Part):
    """One candidate day."""

    graft_date: Date = Field(description="Day of the graft.")
    p_well_mated: Share = Field(description="Probability that a virgin becomes well mated.")
    p_well_mated_range: RangeOf | None = Field(description="5 to 95 % range of it; null with too few past years.")
    p_well_mated_by_weather: Spread = Field(description="How it differs between possible weathers.")
    p_well_mated_usual: Share | None = Field(description="The same from past years alone.")
    p_in_lay_by: Share | None = Field(description="Probability to be well mated and in lay by the day asked for.")
    p_in_lay_by_usual: Share | None = Field(description="The same from past years alone.")
    expected_laying: float = Field(description="Expected number of laying queens.")
    expected_laying_usual: float | None = Field(description="The same from past years alone.")
    laying_p10_p90: Annotated[list[int], Field(min_length=2, max_length=2)] = Field(
        description="Number of laying queens: one in ten times fewer, nine in ten times at most."
    )
    first_egg: EggDates = Field(description="When first eggs are laid.")
    prime_window: Annotated[list[Date], Field(min_length=2, max_length=2)] = Field(
        description="First and last day of the prime mating window."
    )
    prime_flight_hours: Spread = Field(description="Effective flight hours in it.")
    prime_flight_hours_usual: Spread | None = Field(description="The same from past years alone.")
    forecast_share: Share = Field(description="Share of the window that stands on a forecast.")
    utility: float = Field(description="Expected utility, in laying queens for each larva grafted.")
    merit: float = Field(description="Utility over that of not grafting, in laying queens for each larva grafted.")
    worth_it_from: Share = Field(description="Probability from which grafting pays.")
    rank: int = Field(ge=1, description="Place among the days, 1 is best.")
    tied_with_best: bool = Field(description="No real difference to the best day.")
    constraints: list[Constraint] = Field(description="Limits that the day breaks.")


class Recommendation(Part):
    """What it comes to."""

    sentence: str = Field(description="The advice in a sentence.")
    graft_dates: list[Date] = Field(description="The days that it names, best first.")
    worth_it_from: Share = Field(description="Probability from which grafting pays.")


class GraftReport(Stands):
    """On which days to graft."""

    site: SiteInReport
    now: Clock
    grafts: int = Field(description="Larvae grafted.")
    by: Date | None = Field(description="Day by which queens should be in lay.")
    recommendation: Recommendation
    days: list[GraftDay] = Field(description="Candidate days in the order of dates.")
    shares: Shares = Field(description="What the prime windows stand on.")
    past_years: int = Field(description="Past years used.")
    members: int = Field(description="Forecast members used.")
