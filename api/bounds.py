"""Season bounds of hindcasts, in bodies and queries: the same four names everywhere."""

# No `from __future__ import annotations` here: FastAPI reads the annotations of the routes at run time.

from datetime import date
from typing import Annotated, Self

from annotated_types import Interval
from fastapi import Query
from pydantic import AfterValidator, Field, StringConstraints, model_validator

from api.queries import InDigits
from matewindow.register.records import Fields

_PATTERN = r"^(0[1-9]|1[0-2])-(0[1-9]|[12][0-9]|3[01])$"
_FIRST_YEAR, _LAST_YEAR = 1800, 2200


def _a_day(text: str) -> str:
    month, day = text.split("-")
    try:
        date(2000, int(month), int(day))
    except ValueError:
        raise ValueError("is no day of the year") from None
    return text


MonthDay = Annotated[str, StringConstraints(pattern=_PATTERN), AfterValidator(_a_day)]
_FIRST = "First graft of each season, month and day; null = the usual of the hemisphere, as far as the weather reaches."
_LAST = "Last graft of each season, month and day, likewise; in the south it may lie in the next year."
_BEGINS = "in which a season begins, a whole number; null = no bound."


class SeasonBounds(Fields):
    """Which seasons are looked back on; all that the site's weather covers if nothing is said."""

    first_graft: MonthDay | None = Field(None, description=_FIRST, examples=["04-20"])
    last_graft: MonthDay | None = Field(None, description=_LAST, examples=["07-31"])
    first_season: int | None = Field(
        None, ge=_FIRST_YEAR, le=_LAST_YEAR, description=f"First year {_BEGINS}", examples=[2006]
    )
    last_season: int | None = Field(
        None, ge=_FIRST_YEAR, le=_LAST_YEAR, description=f"Last year {_BEGINS}", examples=[2025]
    )

    @model_validator(mode="after")
    def _in_order(self) -> Self:
        first, last = self.first_season, self.last_season
        if first is not None and last is not None and last < first:
            raise ValueError("last_season lies before first_season")
        return self


_OF = "Only the record that was asked for with exactly the bounds given here; without any, the newest."
Year = Annotated[int, Interval(ge=_FIRST_YEAR, le=_LAST_YEAR), InDigits]
FirstGraft = Annotated[MonthDay | None, Query(description=f"First graft of each season. {_OF}", examples=["04-20"])]
LastGraft = Annotated[MonthDay | None, Query(description=f"Last graft of each season. {_OF}", examples=["07-31"])]
FirstSeason = Annotated[
    Year | None, Query(description=f"First year in which a season begins, a whole number. {_OF}", examples=[2006])
]
LastSeason = Annotated[Year | None, Query(description=f"Last such year, a whole number. {_OF}", examples=[2025])]
