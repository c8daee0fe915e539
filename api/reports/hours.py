"""Hour by hour."""

from __future__ import annotations

from typing import Annotated

from fastapi import Query
from pydantic import Field

from api.reports.common import CivilDay, Clock, Hours, Part, Share, SiteInReport, Stands
from matewindow.unitsystems import System

Units = Annotated[
    System,
    Query(
        description="metric: °C, m/s, mm, m; uk: °C, mph, mm, m; us: °F, mph, in, ft. Names of fields tell the unit.",
        examples=["us"],
    ),
]


class Hour(Part):
    """One hour of the day's mating window. Means over members or past years."""

    start: Clock
    share: Share = Field(description="Share of the hour that lies inside the window.")
    temp_c: float | None = Field(None, description="Air temperature at 2 m, °C.")
    temp_f: float | None = Field(None, description="Air temperature at 2 m, °F (units us).")
    wind_ms: float | None = Field(None, description="Wind at 10 m, m/s.")
    wind_mph: float | None = Field(None, description="Wind at 10 m, mph (units uk and us).")
    rain_mm: float | None = Field(None, description="Rain in the hour, mm.")
    rain_in: float | None = Field(None, description="Rain in the hour, inches (units us).")
    ghi_wm2: float | None = Field(description="Light on the horizontal, W/m².")
    beaufort: int | None = Field(description="Wind as a Beaufort force.")
    wind: str | None = Field(description="Wind in words.")
    suitable: Share | None = Field(description="Effective share of the hour; null = not known.")
    strictly: Share | None = Field(description="Probability that it passes every strict limit.")
    spoiled_by: dict[str, float] = Field(description="Hours lost, by cause.")


class HoursDay(Part):
    """The window hours of one day."""

    date: CivilDay
    from_: str = Field(alias="from", description="Which part of the weather it comes from.")
    series: int = Field(description="Members or years behind it.")
    forecast_weight: Share | None = Field(description="How much the forecast counts against past years on this day.")
    sunrise: str | None = Field(description="Civil time; null = the sun does not rise.")
    sunset: str | None = Field(description="Civil time; null = it does not set.")
    daylight_hours: Hours = Field(description="Length of the day, hours.")
    effective_hours: Hours | None = Field(description="Sum of the hours' fitness; null = not known.")
    strict_hours: Hours | None = Field(description="Hours that pass every limit.")
    hours: list[Hour] = Field(description="Hours of the day's mating window, in order.")


class HoursReport(Stands):
    """Hour by hour."""

    site: SiteInReport
    now: Clock
    days: list[HoursDay] = Field(description="Days in the order of dates.")
