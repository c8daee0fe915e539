"""What the reports of the library have in common, as OpenAPI describes them: every field with its unit and meaning.

These models check nothing at run time: reports go out as the library made them, and a test holds them against these.
"""

from __future__ import annotations

from datetime import date as Date  # noqa: N812  fields are called date; pydantic reads annotations at run time
from datetime import datetime
from typing import Annotated, Literal

from pydantic import BaseModel, ConfigDict, Field


class Part(BaseModel):
    """What is common to all parts of a report."""

    model_config = ConfigDict(extra="forbid")


Share = Annotated[float, Field(ge=-1e-9, le=1.000000001)]
Hours = Annotated[float, Field(ge=-1e-6)]
CivilDay = Annotated[Date, Field(description="Civil day of the site.", examples=["2026-06-01"])]
Clock = Annotated[
    str, Field(description="Civil time of the site with its offset.", examples=["2026-06-01T07:00:00+01:00"])
]


class SiteInReport(Part):
    """The site that a report is for."""

    name: str = Field(description="What the keeper calls it.")
    latitude: float = Field(description="Degrees north.")
    longitude: float = Field(description="Degrees east.")
    elevation_m: float | None = Field(None, description="Metres above sea level (units metric and uk).")
    elevation_ft: float | None = Field(None, description="Feet above sea level (units us).")
    timezone: str = Field(description="IANA name of the zone whose clock is meant.")
    exposure: float = Field(description="Share of the 10 m wind met at flight height.")


class Source(Part):
    """A part of the weather that a result stands on."""

    part: Literal["observed", "run", "members", "past"] = Field(description="What it serves as.")
    source: str = Field(description="Who made it.")
    kind: str = Field(description="What kind of weather it is.", examples=["ensemble"])
    model: str | None = Field(description="Name of the weather model; null = not told.")
    run_time: datetime | None = Field(description="When the model was started, UTC; null = not told.")
    fetched_at: datetime | None = Field(description="When it was fetched, UTC; null = from a file.")
    native_step_h: float = Field(description="Step of the source, hours.")
    licence: str = Field(description="Line that must be shown with it.")
    file: str | None = Field(description="Name of the file that it was read from.")
    notes: list[str] = Field(description="What was noticed on reading it.")
    made_on: Date | None = Field(description="Solar day on which it was made; null = not told.")
    first_day: Date = Field(description="First solar day that it covers.")
    last_day: Date = Field(description="Last solar day that it covers.")


class Spread(Part):
    """How something differs between possible weathers."""

    mean: float = Field(description="Mean.")
    p10: float = Field(description="One in ten is lower.")
    p50: float = Field(description="Half are lower.")
    p90: float = Field(description="Nine in ten are lower.")


class EggDates(Part):
    """When first eggs are laid; null where none are to be expected."""

    p10: Date | None = Field(description="Day by which 10 % of the queens in lay have laid.")
    p50: Date | None = Field(description="Day by which half have.")
    p90: Date | None = Field(description="Day by which 90 % have.")


class Causes(Part):
    """Flight hours lost, by cause."""

    cold: Hours = Field(description="Hours lost to cold.")
    heat: Hours = Field(description="Hours lost to heat.")
    wind: Hours = Field(description="Hours lost to wind.")
    rain: Hours = Field(description="Hours lost to rain.")
    light: Hours = Field(description="Hours lost to poor light.")


class Shares(Part):
    """What something stands on; the shares add up to 1."""

    observed: Share = Field(description="Measured or analysed weather.")
    forecast: Share = Field(description="Forecasts.")
    past_years: Share = Field(description="Past years at the site.")
    unknown: Share | None = Field(None, description="Nothing at all; left out where it is none.")


RangeOf = Annotated[list[float], Field(min_length=2, max_length=2)]


class Stands(Part):
    """What every report ends with."""

    warnings: list[str] = Field(description="What the result is weak in.")
    sources: list[Source] = Field(description="What it stands on, with licence lines.")
    parameters: str = Field(description="Version of the parameters.", examples=["2026.1"])
    model: str | None = Field(
        None,
        description="Version of the parameters and models that made the odds; left out of outlooks that an earlier "
        "version of the program issued.",
        examples=["2026.1+recalibration-20261101-0a1b2c3d"],
    )
    cautions: list[str] = Field(description="For the safety of the keeper.")


class CheckInReport(Part):
    """A check that was taken into account."""

    date: CivilDay
    saw: Literal["eggs", "virgin", "nothing"] = Field(description="What was seen.")


class BatchInReport(Part):
    """The batch that an outlook is for."""

    grafted: Clock
    emerged: Date | None = Field(description="Day on which the virgins were found emerged.")
    moved: str | None = Field(description="When the cells went into nucs, civil time.")
    checks: list[CheckInReport] = Field(description="Checks taken into account.")
