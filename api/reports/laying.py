"""When to look for eggs, and whether to wait or to replace."""

from __future__ import annotations

from datetime import date as Date  # noqa: N812, TC003  fields are called date; pydantic reads annotations at run time
from typing import Annotated, Literal

from pydantic import Field

from api.reports.common import BatchInReport, CivilDay, Clock, Part, RangeOf, Share, Shares, SiteInReport, Stands


class Clocks(Part):
    """The two clocks of a nuc: the virgin's age, and how long it has been without brood."""

    age: int = Field(description="Age of most virgins today, days.")
    uneasy_on: Date = Field(description="Day from which she should lay by now.")
    over_on: Date = Field(description="Day from which she is past mating.")
    nuc_without_brood_since: Date = Field(description="Since when the nuc has been without brood.")
    nuc_without_brood_told: bool = Field(description="Whether that was told; else it is taken from the move.")
    nuc_worn_out_on: Date = Field(description="Day from which its bees are too old to go on.")


class LookTime(Part):
    """A span of the day that suits a look."""

    from_: str = Field(alias="from", description="From, civil time.")
    to: str = Field(description="To, civil time.")


class Finding(Part):
    """What a look may show, and what it would mean."""

    saw: Literal["eggs", "virgin", "nothing"] = Field(description="What is seen.")
    p: Share = Field(description="Probability to see it.")
    p_well_mated: Share | None = Field(description="Probability to be well mated then; null = cannot be told.")
    p_well_mated_range: RangeOf | None = Field(description="5 to 95 % range of it.")


class LookFirst(Part):
    """When to look for eggs, and what that would tell."""

    date: CivilDay
    at: str | None = Field(description="A time of day that suits, civil time.")
    times: list[LookTime] = Field(description="Times of day outside the flight hours.")
    due: Date | None = Field(description="Day by which 90 % of the well mated show eggs, before it was moved.")
    moved_because: str | None = Field(description="Why it was moved, if it was.", examples=["Sunday is a day off"])
    share_of_well_mated_in_lay: Share = Field(description="Share of the well mated that show eggs by then.")
    findings: list[Finding] = Field(description="Each thing that may be seen.")


class LayingOption(Part):
    """One thing that can be done with the nuc."""

    what: str = Field(description="Which.")
    until: Date | None = Field(description="Until when to wait.")
    then: str | None = Field(description="What is done if there are no eggs by then.")
    p_good: Share | None = Field(description="Probability of a good queen.")
    p_good_range: RangeOf | None = Field(description="5 to 95 % range of it.")
    first_egg_mean: Date | None = Field(description="Mean day of the first egg.")
    worth: float = Field(description="Expected worth, in laying queens.")
    tied_with_best: bool = Field(description="No real difference to the best.")
    beats_waiting_from: Date | None = Field(description="Day from which it beats waiting.")


class WaitDay(Part):
    """Waiting until a day."""

    date: CivilDay
    age: int = Field(description="Age of most virgins, days.")
    p_no_eggs_by_then: Share = Field(description="Probability that there are no eggs by then.")
    p_still_good_without_eggs: Share = Field(description="Probability that she still comes good then.")
    p_still_good_range: RangeOf | None = Field(description="5 to 95 % range of it.")
    p_good_with_ripe_cell: Share | None = Field(description="Probability of a good queen from a cell given then.")
    best_replacement: str | None = Field(description="Best thing to do then.")
    worth: float | None = Field(description="Expected worth of waiting until then, in laying queens.")
    tied_with_best: bool = Field(description="No real difference to the best.")


class LayingDecision(Part):
    """Wait or replace, for a nuc in which a look today shows no eggs."""

    verdict: str = Field(description="What it comes to.", examples=["wait"])
    replace_on: Date = Field(description="First day from which replacing beats waiting.")
    with_: str | None = Field(alias="with", description="With what.")
    no_real_difference: Annotated[list[Date], Field(min_length=2, max_length=2)] = Field(
        description="First and last day between which waiting and replacing are worth the same."
    )
    p_no_eggs_today: Share = Field(description="Probability that a look today shows no eggs.")
    p_still_good: Share = Field(description="Probability that she comes good if so.")
    p_still_good_range: RangeOf | None = Field(description="5 to 95 % range of it.")
    options: list[LayingOption] = Field(description="What can be done, best first.")
    days: list[WaitDay] = Field(description="Days until which one could wait, in order.")


class Costs(Part):
    """What things cost, in laying queens."""

    nuc: float = Field(description="A nuc that fails, in laying queens.")
    delay_per_day: float = Field(description="A day of delay.")
    poor_queen: float = Field(description="A poor queen found late, in laying queens.")
    mated_queen: float = Field(description="A mated queen, in laying queens.")
    fresh_bees: float = Field(description="Fresh bees for the nuc, in laying queens.")


class LayingReport(Stands):
    """When to look for eggs, and whether to wait or to replace."""

    site: SiteInReport
    now: Clock
    message: str = Field(description="All of it in a few sentences.")
    message_parts: list[str] = Field(description="The same by part.")
    batch: BatchInReport
    likeliest_emergence: Date = Field(description="Day on which most virgins emerged.")
    eggs_seen: Date | None = Field(description="Day on which eggs were seen.")
    sealed_brood: Date | None = Field(description="Day on which sealed brood is to be expected.")
    p_well_mated: Share = Field(description="Probability to be well mated, after all checks.")
    p_well_mated_range: RangeOf | None = Field(description="5 to 95 % range of it.")
    clocks: Clocks
    check: LookFirst | None = Field(description="When to look; null = there is nothing to look for.")
    decision: LayingDecision | None = Field(description="Wait or replace; null = there is nothing to decide.")
    costs: Costs
    shares: Shares = Field(description="What the prime window stands on.")
    past_years: int = Field(description="Past years used.")
    members: int = Field(description="Forecast members used.")
