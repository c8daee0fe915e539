"""Dates that the program can reckon with."""

from __future__ import annotations

from typing import TYPE_CHECKING

from matewindow.errors import RequestError

if TYPE_CHECKING:
    from datetime import date

FIRST_YEAR, LAST_YEAR = 1950, 2199


def in_reach(day: date, where: str = "date") -> date:
    """The day itself.

    Raises:
        RequestError: its year lies outside ``FIRST_YEAR`` to ``LAST_YEAR``.
    """
    if not FIRST_YEAR <= day.year <= LAST_YEAR:
        raise RequestError(
            f"the year {day.year} is out of reach", where=where, fix=f"Give one from {FIRST_YEAR} to {LAST_YEAR}."
        )
    return day
