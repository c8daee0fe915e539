"""How long one pull of weather waits in all: then nobody is asked for what the store has."""

from __future__ import annotations

import time
from typing import TYPE_CHECKING

from matewindow.weather.desk import SLOW_S

if TYPE_CHECKING:
    from collections.abc import Callable

PATIENCE_S = 4.5
"""Seconds lost to calls that failed or hung, after which only those are made for which nothing is in the store. One
call that hangs to its limit still lets the next service be asked."""


class Patience:
    """What calls that failed or hung have cost one pull of weather.

    Args:
        monotonic: seconds that never run backwards.
        longest_s: what such calls may cost in all.
    """

    def __init__(self, monotonic: Callable[[], float] = time.monotonic, longest_s: float = PATIENCE_S) -> None:
        self._monotonic = monotonic
        self._longest_s = longest_s
        self._begun_s = 0.0
        self._lost_s = 0.0
        self._hung: set[str] = set()

    @property
    def spent(self) -> str | None:
        """Why what is in the store will do, if so much was lost that it will."""
        return "it was not asked, as others had kept us waiting too long" if self._lost_s >= self._longest_s else None

    def hung(self, source: str) -> str | None:
        """Why a source is not asked again: it kept this pull waiting and then gave nothing."""
        return "it was not asked again after it had kept us waiting" if source in self._hung else None

    def begin(self) -> None:
        """A call is made now."""
        self._begun_s = self._monotonic()

    def end(self, source: str, *, failed: bool) -> None:
        """The call is over."""
        taken_s = self._monotonic() - self._begun_s
        if failed or taken_s >= SLOW_S:
            self._lost_s += taken_s
        if failed and taken_s >= SLOW_S:
            self._hung.add(source)
