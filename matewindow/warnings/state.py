"""What the judge remembers of a batch from one outlook to the next."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date, datetime  # noqa: TC003  the types are read at run time, here and below
from typing import TYPE_CHECKING, Any, ClassVar, Literal

from matewindow.warnings.plain import STRICT, Plain
from matewindow.warnings.reading import Reading  # noqa: TC001
from matewindow.warnings.thresholds import Thresholds  # noqa: TC001

if TYPE_CHECKING:
    from collections.abc import Mapping

    from pydantic import ConfigDict

Phase = Literal["watching", "warned", "closed"]
VERSION = 1


@dataclass(frozen=True)
class State:
    """The judge's memory; ``State()`` for a batch never judged.

    It carries the readings that it compares with, since the outlook issued last need not be one that was judged.

    Attributes:
        phase: ``watching``, ``warned`` (a warning stands) or ``closed`` (no weather matters to this batch any more).
        last: the reading judged last; kept back while a message waits for the next day.
        announced: the reading that the keeper was last told of: by a message, or as the first one or a new baseline.
        thresholds: those of the last judgement.
        armed: whether odds under ``low`` warn: not while a new baseline itself lies under it.
        clear_at: the odds from which the standing warning clears.
        good_runs, good_since: forecasts in a row at or above ``clear_at``, and when the last one counted was made.
        lesser_since: from when on readings have stood on less than ``last``.
        seen_id, seen_at: the outlook looked at last, judged or not.
        message_day: civil day of the last message.
    """

    __pydantic_config__: ClassVar[ConfigDict] = STRICT

    phase: Phase = "watching"
    last: Reading | None = None
    announced: Reading | None = None
    thresholds: Thresholds | None = None
    armed: bool = True
    clear_at: float | None = None
    good_runs: int = 0
    good_since: datetime | None = None
    lesser_since: datetime | None = None
    seen_id: str | None = None
    seen_at: datetime | None = None
    message_day: date | None = None

    def as_data(self) -> dict[str, Any]:
        """Plain JSON data."""
        return _PLAIN.data(self)

    @staticmethod
    def from_data(data: Mapping[str, Any]) -> State:
        """The state that ``as_data`` was made from.

        Raises:
            StoreError: written by another version, or damaged.
        """
        return _PLAIN.thing(data)


_PLAIN = Plain(State, VERSION, "a judge's state")
