"""Rows that come from outside, before anything is believed of them."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from collections.abc import Callable

    from matewindow.register.problems import Place


@dataclass(frozen=True)
class Given:
    """One row.

    Attributes:
        place: where it stands.
        table: name of its table.
        raw: its values as JSON has them.
    """

    place: Place
    table: str
    raw: dict[str, Any]


class UnreadableError(Exception):
    """A file that cannot be read on; becomes a problem of the file.

    Args:
        what: what is wrong.
        fix: what to do.
    """

    def __init__(self, what: str, fix: str) -> None:
        self.fix = fix
        super().__init__(what)


class Meter:
    """Counts what was read, unpacked, and ends it where that is too much.

    Args:
        most: bytes that may be read.
        wanted: bytes that there are, as far as can be told.
        on_bytes: is told how many of how many were read.
    """

    def __init__(self, most: int, wanted: int = 0, on_bytes: Callable[[int, int], None] | None = None) -> None:
        self.most, self.wanted, self._on_bytes = most, wanted, on_bytes
        self.done, self.ended_early = 0, False

    def count(self, n: int) -> None:
        """So many more.

        Raises:
            UnreadableError: it is too much.
        """
        self.done += n
        if self.done > self.most:
            self.ended_early = True
            raise UnreadableError(
                f"it holds more than {self.most / 1e6:,.0f} MB", "If it is yours, raise the limit with --limit-mb."
            )
        if self._on_bytes is not None:
            self._on_bytes(self.done, max(self.wanted, self.done))
