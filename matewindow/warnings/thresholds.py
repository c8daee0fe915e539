"""From which odds on a batch warns, and from which it clears."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, ClassVar

from matewindow.errors import RequestError
from matewindow.warnings.plain import DIGITS, STRICT

if TYPE_CHECKING:
    from pydantic import ConfigDict

    from matewindow.biology import Biology

LOW_RANGE = (0.0, 0.9)
"""Odds to warn below: above this no warning could clear again."""
DROP_RANGE = (0.05, 0.95)
"""Falls to warn of: under this, noise would toggle."""


@dataclass(frozen=True)
class Thresholds:
    """When a batch warns. All are shares of 1.

    Attributes:
        low: odds of a well mated queen below which the batch warns.
        drop: a fall by more than this warns as well, against what was last told or against the run before.
        below_usual: the odds must besides lie so far below what is usual for the dates. Without this a place whose
            usual is 55 % and whose break-even is 50 % would warn all summer; and odds that a fine forecast had lifted
            would be called falling when they only come back to the usual. None = the usual is not asked. The default
            was chosen on 90 seasons of invented weather with a usual of 54 %: it warned of 39 of 40 windows that turned
            out bad and of 8 of 50 that did not. At 10 points these were 40 and 18, at 20 points 37 and 3.
        margin: so far above ``low`` the odds must rise before a warning clears.
        wide: odds so far above the level of clearing clear at once, else two forecasts must agree.
    """

    __pydantic_config__: ClassVar[ConfigDict] = STRICT

    low: float
    drop: float = 0.20
    below_usual: float | None = 0.15
    margin: float = 0.05
    wide: float = 0.10

    def __post_init__(self) -> None:
        """Refuse what would warn always, or toggle.

        Raises:
            RequestError: out of range.
        """
        for name, value, least, most in (
            ("warn below", self.low, *LOW_RANGE),
            ("warn at a drop of", self.drop, *DROP_RANGE),
            ("below the usual", 0.1 if self.below_usual is None else self.below_usual, 0.02, 0.5),
            ("margin", self.margin, 0.02, 0.3),
            ("wide margin", self.wide, 0.0, 0.5),
        ):
            if not least <= value <= most:
                raise RequestError(f"{value:g}", where=name, fix=f"Give a share from {least:g} to {most:g}.")

    def clear_level(self, expected: float | None, before: float | None = None) -> float:
        """The odds from which a warning clears.

        Above ``low`` by the margin; after a fall from ``before``, half of ``drop`` below that, if this is higher. In
        both cases no higher than half of ``below_usual`` short of what is expected: a window that is about as good as
        usual is no longer a bad one, and more may never come. All three lie ``margin``, ``drop`` / 2 and
        ``below_usual`` / 2 above the odds that raise, so that noise within these does not toggle.
        """
        level = self.low + self.margin
        if before is not None:
            level = max(level, before - self.drop / 2.0)
        if expected is not None and self.below_usual is not None:
            level = min(level, expected - self.below_usual / 2.0)
        return round(level, DIGITS)


def thresholds_of(biology: Biology, *, low: float | None = None, drop: float | None = None) -> Thresholds:
    """The thresholds of a batch.

    Args:
        biology: parameters, with the costs of the keeper's kind of nuc (``graft.for_nuc``).
        low: the keeper's own; None = the break-even of grafting, held against the usual. The keeper is taken at his
            word: where he names a threshold, the usual is not asked.
        drop: the keeper's own; None = 20 points.

    What the keeper names beyond ``LOW_RANGE`` or ``DROP_RANGE`` is taken as the nearest that works: an odd record must
    not keep a batch from being judged.
    """
    own = None if low is None else Thresholds(_within(low, LOW_RANGE), below_usual=None)
    chosen = own or Thresholds(break_even(biology))
    return chosen if drop is None else replace(chosen, drop=_within(drop, DROP_RANGE))


def _within(value: float, span: tuple[float, float]) -> float:
    return min(max(value, span[0]), span[1])


def break_even(biology: Biology) -> float:
    """The chance of a well mated queen at which a graft would just be worth it, roughly.

    ``graft.GraftDay.break_even`` knows the weather's share of each failure; here half of the failures are taken to
    leave nothing and half a poor queen found late, and a good queen to come without delay (judgement; it agrees with
    the other to within a few points).
    """
    d, accept = biology.decision, biology.success.emergence_acceptance
    wait_d = biology.checks.first_check_age_d - biology.mating.maturity_age_d - biology.laying.lag_d
    waiting = d.delay_cost_per_d * wait_d
    loss = 0.5 * (d.nuc_cost + d.poor_queen_cost) + waiting
    no_virgin = (1.0 - accept) / accept * (d.nuc_cost + waiting)
    return _within((loss + no_virgin) / (1.0 + loss), LOW_RANGE)
