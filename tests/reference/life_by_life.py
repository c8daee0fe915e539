"""Looks into a nuc, waiting and replacing, by going through a list of lives one at a time.

A life is one course that a queen can take in one weather, with its probability. A look strikes out the lives that
contradict it. A plan is followed life by life and its costs are added up as they fall due. Costs are in laying
queens and are the project's own judgement. Nothing here imports `matewindow`.
"""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, NamedTuple

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence


class Life(NamedTuple):
    """One course of a queen; days are counted from any common day.

    Attributes:
        p: Probability.
        weather: Which weather she lives in.
        egg_day: Day of her first egg, None if she never lays.
        good: Whether she is well mated.
        lost_day: Day on which she is lost, None if she is not.
    """

    p: float
    weather: int
    egg_day: int | None
    good: bool
    lost_day: int | None = None


class Costs(NamedTuple):
    """What goes wrong, in laying queens; per day for `day`."""

    nuc: float
    day: float
    poor_queen: float
    mated_queen: float
    fresh_bees: float


def eggs_by(life: Life, day: int) -> bool:
    """Whether she has laid by the end of a day."""
    return life.egg_day is not None and life.egg_day <= day


def after_look(lives: Sequence[Life], day: int, saw: str) -> list[Life]:
    """The lives that agree with what was seen on a day: "eggs", "virgin" (there, no eggs) or "nothing" (no eggs)."""
    left = []
    for life in lives:
        gone = life.lost_day is not None and life.lost_day <= day
        fits = eggs_by(life, day) if saw == "eggs" else not eggs_by(life, day) and not (saw == "virgin" and gone)
        if fits:
            left.append(life)
    total = total_of(left)
    return [life._replace(p=life.p / total) for life in left]


def total_of(lives: Sequence[Life]) -> float:
    """Probability of all of them together."""
    return math.fsum(life.p for life in lives)


def odds_of_good(lives: Sequence[Life]) -> float:
    """Share of the lives that end well mated."""
    return math.fsum(life.p for life in lives if life.good) / total_of(lives)


def still_good(lives: Sequence[Life], day: int) -> float:
    """Odds of a well mated queen if there are no eggs by a day."""
    return odds_of_good(after_look(lives, day, "nothing"))


def day_of_look(lives: Sequence[Life], share: float) -> int:
    """First day by which so large a share of the good ones has laid."""
    good = [life for life in lives if life.good]
    day = min(life.egg_day for life in good if life.egg_day is not None)
    while total_of([life for life in good if eggs_by(life, day)]) < share * total_of(good):
        day += 1
    return day


def plan(
    lives: Sequence[Life],
    start: int,
    until: int,
    worn_out: int,
    costs: Costs,
    replaced: Callable[[int], tuple[float, float, float]],
) -> tuple[float, float, float]:
    """What waiting comes to, given no eggs on the first day.

    Returns what it is worth, the odds that the nuc ends with a good queen, and these times her days until eggs.

    Args:
        lives: What can become of the queen.
        start: First day; costs of days are counted from it.
        until: Day on which she is replaced if there are no eggs by then.
        worn_out: Day by which a nuc without eggs needs fresh bees.
        costs: What goes wrong.
        replaced: By weather, the same three of replacing on `until`, from then on.
    """
    worth = good = days = weight = 0.0
    needs_bees_from = max(worn_out, start)
    for life in lives:
        if eggs_by(life, start):
            continue
        weight += life.p
        if eggs_by(life, until):
            assert life.egg_day is not None
            value = 1.0 if life.good else -costs.poor_queen
            value -= costs.day * (life.egg_day - start)
            if life.egg_day > needs_bees_from:
                value -= costs.fresh_bees
            good += life.p * life.good
            days += life.p * life.good * (life.egg_day - start)
        else:
            value, odds, odds_days = replaced(life.weather)
            value -= costs.day * (until - start)
            good += life.p * odds
            days += life.p * (odds_days + odds * (until - start))
        worth += life.p * value
    return worth / weight, good / weight, days / weight


def new_cell(
    virgins: Sequence[tuple[int, Life]],
    on: int,
    start: int,
    worn_out: int,
    accept: float,
    check_age: float,
    costs: Costs,
) -> tuple[float, float, float]:
    """What a ripe cell is worth from the day it is given, in one weather, the odds of a good queen, these times her days.

    Args:
        virgins: Day of emergence and life of every virgin that can come of it; their probabilities add up to 1.
        on: Day on which it is given.
        start: First day of the plan.
        worn_out: As in `plan`.
        accept: Odds that the cell gives a virgin at all.
        check_age: Age of a virgin at her first check, by which a failure is found.
        costs: What goes wrong.
    """
    mean_check = math.fsum(life.p * (born + check_age - on) for born, life in virgins)
    bees = costs.fresh_bees
    needs_bees_from = max(worn_out, start)
    fails = -costs.nuc - costs.day * mean_check - bees
    worth = good = days = 0.0
    for _, life in virgins:
        if life.egg_day is None:
            value = fails
        else:
            value = 1.0 if life.good else -costs.poor_queen
            value -= costs.day * (life.egg_day - on)
            if life.egg_day > needs_bees_from:
                value -= bees
            days += life.p * life.good * (life.egg_day - on)
        worth += life.p * value
        good += life.p * life.good
    return accept * worth + (1.0 - accept) * fails, accept * good, accept * days


def mated_queen(
    on: int, start: int, worn_out: int, accept: float, lag: float, check: float, costs: Costs
) -> tuple[float, float, float]:
    """What a mated queen is worth from the day she is given, the odds that she is accepted, these times her days."""
    in_time = on + lag <= max(worn_out, start)
    taken = 1.0 - costs.day * lag - (0.0 if in_time else costs.fresh_bees)
    refused = -costs.nuc - costs.day * check - costs.fresh_bees
    return accept * taken + (1.0 - accept) * refused - costs.mated_queen, accept, accept * lag


def united(on: int, start: int, worn_out: int, costs: Costs) -> tuple[float, float, float]:
    """What the end of the nuc is worth: fresh bees are lost as well if it was given some before that day."""
    return -costs.nuc - (costs.fresh_bees if on > max(worn_out, start) else 0.0), 0.0, 0.0
