"""What people may write into the register: every field with its unit, range, meaning and an example.

The same models check what comes from a file, from the command line and over HTTP, and describe it in the service's
OpenAPI document. They check one record by itself; how it fits the records around it is judged in ``life.py``.
"""

from __future__ import annotations

import re
from datetime import date, datetime, time
from typing import Annotated, Any, Literal

from pydantic import BaseModel, BeforeValidator, ConfigDict, Field, StringConstraints, WithJsonSchema
from pydantic_core import PydanticKnownError

from matewindow.dates import FIRST_YEAR, LAST_YEAR
from matewindow.register.ids import PATTERN
from matewindow.warnings.thresholds import DROP_RANGE, LOW_RANGE

_DAY = re.compile(r"\d{4}-\d{2}-\d{2}", re.ASCII)
_CLOCK = re.compile(r"\d{2}:\d{2}(:\d{2})?", re.ASCII)
_UNPRINTABLE = re.compile(r"[\x00-\x08\x0b-\x1f\x7f-\x9f\ud800-\udfff]")


def storable(text: str) -> bool:
    """Whether a text can stand in the register: no control characters but tab and line feed, no half characters."""
    return _UNPRINTABLE.search(text) is None


def _day(value: object) -> object:
    """A date, or its ISO text; never a number or a time."""
    if isinstance(value, str):
        if not _DAY.fullmatch(value):
            raise ValueError("write a date as 2026-06-01")
        try:
            value = date.fromisoformat(value)
        except ValueError:
            raise ValueError("there is no such day; write a date as 2026-06-01") from None
    if isinstance(value, datetime) or not isinstance(value, date):
        raise ValueError("write a date as 2026-06-01")  # noqa: TRY004  pydantic reports only ValueError
    if not FIRST_YEAR <= value.year <= LAST_YEAR:
        raise ValueError(f"give a year from {FIRST_YEAR} to {LAST_YEAR}")
    return value


def _clock(value: object) -> object:
    """A time of day to the second, or its text."""
    if isinstance(value, str):
        if not _CLOCK.fullmatch(value):
            raise ValueError("write a time of day as 14:30")
        try:
            value = time.fromisoformat(value)
        except ValueError:
            raise ValueError("there is no such time; write a time of day as 14:30") from None
    if not isinstance(value, time) or value.tzinfo is not None or value.microsecond:
        raise ValueError("write a time of day as 14:30")
    return value


def _printable(value: object) -> object:
    """Text without control characters; tabs and line breaks are kept, the latter as line feeds."""
    if not isinstance(value, str):
        return value
    value = value.replace("\r\n", "\n")
    if found := _UNPRINTABLE.search(value):
        raise ValueError(f"a control character (U+{ord(found.group()):04X}) cannot be stored; leave it out")
    return value


Day = Annotated[date, BeforeValidator(_day, json_schema_input_type=date)]
_CLOCK_PATTERN = r"^([01]\d|2[0-3]):[0-5]\d(:[0-5]\d)?$"
ClockTime = Annotated[
    time,
    BeforeValidator(_clock, json_schema_input_type=Annotated[str, Field(pattern=_CLOCK_PATTERN)]),
    WithJsonSchema({"type": "string", "pattern": _CLOCK_PATTERN}, mode="serialization"),  # format time has a zone
]


def _at_most(length: int) -> BeforeValidator:
    """Text that is not longer than this as it is given, before blanks at its ends and returns are taken away."""

    def check(value: object) -> object:
        if isinstance(value, str) and len(value) > length:
            raise PydanticKnownError("string_too_long", {"max_length": length})
        return _printable(value)

    return BeforeValidator(check)


# the constraints stand before the validator, so that they hold for the text itself
Name = Annotated[str, StringConstraints(min_length=1, max_length=200, strip_whitespace=True), _at_most(200)]
Short = Annotated[str, StringConstraints(max_length=200), _at_most(200)]
Text = Annotated[str, StringConstraints(max_length=5_000), _at_most(5_000)]
Id = Annotated[str, StringConstraints(pattern=PATTERN)]
Count = Annotated[int, Field(ge=0, le=100_000)]
Low = Annotated[float, Field(ge=LOW_RANGE[0], le=LOW_RANGE[1])]
Drop = Annotated[float, Field(ge=DROP_RANGE[0], le=DROP_RANGE[1])]


class Fields(BaseModel):
    """What is common to everything that people write: unknown keys and wrong types are refused."""

    model_config = ConfigDict(extra="forbid", strict=True, allow_inf_nan=False)


class SiteFields(Fields):
    """The place where a batch's queens mate."""

    name: Name = Field(description="What the keeper calls it.", examples=["Lower orchard"])
    latitude: float = Field(ge=-90, le=90, description="Degrees north.", examples=[51.5])
    longitude: float = Field(ge=-180, le=180, description="Degrees east; west is negative.", examples=[-1.2])
    elevation_m: float = Field(ge=-430, le=6000, description="Metres above sea level.", examples=[120.0])
    timezone: Annotated[str, StringConstraints(min_length=1, max_length=64), BeforeValidator(_printable)] = Field(
        description="IANA name of the zone whose clock the keeper reads.", examples=["Europe/London"]
    )
    exposure: float = Field(
        1.0,
        ge=0.2,
        le=1.2,
        description="Share of the 10 m wind met at flight height: open 1.0, sheltered about 0.7.",
        examples=[0.8],
    )
    thresholds: dict[Annotated[str, StringConstraints(max_length=64)], float] = Field(
        default_factory=dict,
        max_length=64,
        description="Flight thresholds that differ from the defaults, by name (see /v1/models).",
        examples=[{"strict_temp_c": 17.0}],
    )
    drones_mature_from: Day | None = Field(None, description="First day with mature drones.", examples=["2026-05-10"])
    quiet_from_h: float | None = Field(
        None, ge=0, le=24, description="Local hour from which nucs are left shut; the default is 11.", examples=[11.0]
    )
    quiet_to_h: float | None = Field(
        None, ge=0, le=24, description="Local hour until which nucs are left shut; the default is 16.", examples=[16.0]
    )
    warn_below: Low | None = Field(
        None, description="Warn when the odds of being well mated fall below this share.", examples=[0.5]
    )
    warn_drop: Drop | None = Field(
        None, description="Warn when the odds fall by more than this share; the default is 0.2.", examples=[0.2]
    )
    notes: Text = Field("", description="Anything else.")


class BuilderFields(Fields):
    """A colony that raises queen cells."""

    site_id: Id = Field(description="The site it stands at.", examples=["site_0123456789abcdef"])
    name: Name = Field(description="What the keeper calls it.", examples=["Cell builder 2"])
    kind: Literal["starter", "finisher", "starter-finisher"] = Field(
        "starter-finisher", description="What it is used for."
    )
    queenright: bool | None = Field(None, description="Whether it has its queen; null = not told.")
    strength_frames: float | None = Field(None, ge=0, le=100, description="Frames covered with bees.", examples=[12.0])
    recovering_until: Day | None = Field(
        None, description="Day before which it should get no new graft.", examples=["2026-06-14"]
    )
    notes: Text = Field("", description="Anything else.")


class BatchFields(Fields):
    """Larvae grafted at one time from one breeder queen. A site and the day of the graft are enough.

    Dates and clock times are civil ones of the site.
    """

    site_id: Id = Field(description="Where its queens mate.", examples=["site_0123456789abcdef"])
    builder_id: Id | None = Field(None, description="The cell builder.", examples=["bldr_0123456789abcdef"])
    name: Short = Field("", description="What the keeper calls it.", examples=["June, second graft"])
    breeder_queen: Short = Field("", description="The queen that the larvae come from.", examples=["Q 17"])
    drone_stock: Short = Field("", description="Where the drones come from.", examples=["Hill apiary"])
    grafted_on: Day = Field(description="Day of the graft.", examples=["2026-06-01"])
    grafted_at: ClockTime | None = Field(None, description="Time of day; noon if not told.", examples=["14:30"])
    larva_age_h: float | None = Field(
        None, ge=0, le=96, description="Age of the larvae since hatching, in hours.", examples=[18.0]
    )
    sealed_temp_c: float | None = Field(
        None, ge=20, le=40, description="Temperature of the sealed cells, in °C.", examples=[34.5]
    )
    kept_in: Literal["builder", "incubator"] = Field("builder", description="Where the sealed cells are kept.")
    taken_on: Day | None = Field(None, description="Day on which the take was counted.", examples=["2026-06-02"])
    sealed_on: Day | None = Field(None, description="Day on which the cells were sealed.", examples=["2026-06-06"])
    moved_on: Day | None = Field(
        None, description="Day on which cells (or virgins) went into nucs.", examples=["2026-06-11"]
    )
    moved_at: ClockTime | None = Field(
        None, description="Time of day of the move; noon if not told.", examples=["09:00"]
    )
    emerged_on: Day | None = Field(
        None, description="Day on which the virgins were found emerged.", examples=["2026-06-13"]
    )
    n_grafted: Count | None = Field(None, description="Larvae grafted.", examples=[30])
    n_taken: Count | None = Field(None, description="Larvae accepted.", examples=[25])
    n_sealed: Count | None = Field(None, description="Cells sealed.", examples=[24])
    n_placed: Count | None = Field(None, description="Cells or virgins put into nucs.", examples=[22])
    n_emerged: Count | None = Field(None, description="Virgins emerged.", examples=[21])
    n_laying: Count | None = Field(None, description="Queens found in lay.", examples=[17])
    warn_below: Low | None = Field(None, description="As at the site (a share), for this batch alone.", examples=[0.5])
    ended_on: Day | None = Field(
        None, description="Day from which the batch is no longer followed.", examples=["2026-07-20"]
    )
    notes: Text = Field("", description="Anything else.")


class NucFields(Fields):
    """A mating nucleus, with the queen of a batch in it."""

    site_id: Id = Field(description="The site it stands at.", examples=["site_0123456789abcdef"])
    batch_id: Id | None = Field(None, description="The batch that its cell is of.", examples=["btch_0123456789abcdef"])
    name: Name = Field(description="What the keeper calls it.", examples=["Nuc 7"])
    kind: Literal["mini", "few-frames", "five-frames"] = Field("mini", description="How large it is.")
    broodless_since: Day | None = Field(
        None, description="Day since when it has been without brood.", examples=["2026-06-10"]
    )
    cell_placed_on: Day | None = Field(None, description="Day on which it got its cell.", examples=["2026-06-11"])
    emerged_on: Day | None = Field(
        None, description="Day on which its virgin was found emerged.", examples=["2026-06-13"]
    )
    outcome: Literal["laying", "poor", "lost", "never laid", "removed"] | None = Field(
        None, description="What became of its queen."
    )
    outcome_on: Day | None = Field(None, description="Day of the outcome.", examples=["2026-06-28"])
    outcome_reason: Short = Field("", description="Why, if known.", examples=["drone layer"])
    notes: Text = Field("", description="Anything else.")


class CheckFields(Fields):
    """A look into a nuc and what was seen.

    Without a nuc it stands for the batch as a whole, as if it had one queen.
    """

    batch_id: Id = Field(description="The batch.", examples=["btch_0123456789abcdef"])
    nuc_id: Id | None = Field(None, description="The nuc looked into.", examples=["nuc_0123456789abcdef"])
    day: Day = Field(description="Day of the look.", examples=["2026-06-27"])
    saw: Literal["eggs", "virgin", "nothing"] = Field(
        description="Eggs; the virgin, alive and without eggs; or neither of them."
    )
    notes: Text = Field("", description="Anything else.")


KINDS: dict[str, type[Fields]] = {
    "site": SiteFields,
    "builder": BuilderFields,
    "batch": BatchFields,
    "nuc": NucFields,
    "check": CheckFields,
}
"""What people write, by kind, parents before children."""


def as_data(values: dict[str, Any]) -> dict[str, Any]:
    """Values of a record as JSON knows them: dates, times and instants as ISO text."""
    return {key: _plain(value) for key, value in values.items()}


def _plain(value: Any) -> Any:  # noqa: ANN401  a column's value
    if isinstance(value, datetime):
        return value.isoformat().replace("+00:00", "Z")
    if isinstance(value, time):
        return value.isoformat("minutes") if value.second == value.microsecond == 0 else value.isoformat()
    return value.isoformat() if isinstance(value, date) else value
