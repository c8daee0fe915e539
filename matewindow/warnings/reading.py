"""The summary of an issued outlook that warnings are judged by and worded from; kept with the outlook."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import UTC, date, datetime
from typing import TYPE_CHECKING, Any, ClassVar, Literal
from zoneinfo import ZoneInfo

from matewindow.timeline import quiet_hours
from matewindow.warnings.grounds import Grounds, grounds_of
from matewindow.warnings.plain import DIGITS, STRICT, Plain

if TYPE_CHECKING:
    from collections.abc import Mapping

    from pydantic import ConfigDict

    from matewindow.biology import Biology
    from matewindow.outlook import DayOutlook, Outlook
    from matewindow.paths import Sources
    from matewindow.site import Site

Stage = Literal["before transfer", "cells in nucs", "virgins out", "window nearly over", "over", "laying"]
NEARLY_OVER_D = 9
"""Days before the late age from which a window is nearly over: the forecast then reaches to its end, so what it
says is about all that is left. At the default ages the virgins are 12 days old (judgement)."""
VERSION = 1


@dataclass(frozen=True)
class DayReading:
    """One day of a batch, as ``outlook.DayOutlook``: hours are means over the paths, ``lost`` those spoiled by cause.

    ``observed``, ``forecast``, ``past_years`` and ``unknown`` are the shares that the day stands on; they add up to 1.
    """

    __pydantic_config__: ClassVar[ConfigDict] = STRICT

    day: date
    age: int
    prime: bool
    effective_hours: float
    usual_hours: float | None
    p_flying: float
    lost: dict[str, float]
    drones: float
    observed: float
    forecast: float
    past_years: float
    unknown: float

    @property
    def beyond(self) -> float:
        """Share of the day that nothing but past years (or nothing at all) speaks of."""
        return self.past_years + self.unknown


@dataclass(frozen=True)
class Dates:
    """Civil dates of a batch that advice refers to. ``eggs_*`` are the days by which 10, 50 and 90 % have laid."""

    __pydantic_config__: ClassVar[ConfigDict] = STRICT

    grafted: date
    move_from: date
    move_by: date
    born: date
    first_check: date
    late: date
    give_up: date
    last_check: date | None
    eggs_from: date | None
    eggs_half: date | None
    eggs_to: date | None


@dataclass(frozen=True)
class Reading:
    """An issued outlook in brief.

    Attributes:
        outlook_id: of the issued outlook: a reading of the same id is the same reading.
        issued_at: aware UTC.
        timezone: IANA name; its civil days are those of dates and messages.
        stage: what can still be done, see ``stage_of``.
        emerged_seen: whether the emergence was observed.
        p, low, high: chance of being well mated and its 5 to 95 % range, None where it is not known.
        usual: the same from past years alone, None without any.
        prime_hours, prime_hours_usual: mean effective flight hours in the prime window.
        shares: what the prime window stands on, by name.
        quiet: from when to when nucs stay shut, hours of the local clock.
        dates, days, grounds: see there. ``days`` run from emergence to the late age.
    """

    __pydantic_config__: ClassVar[ConfigDict] = STRICT

    outlook_id: str
    issued_at: datetime
    timezone: str
    stage: Stage
    emerged_seen: bool
    p: float
    low: float | None
    high: float | None
    usual: float | None
    prime_hours: float
    prime_hours_usual: float | None
    shares: dict[str, float]
    quiet: tuple[float, float]
    dates: Dates
    days: tuple[DayReading, ...]
    grounds: Grounds

    @property
    def window(self) -> tuple[DayReading, ...]:
        """The days of the mating window: from the first prime day to the late age."""
        first = min((d.day for d in self.days if d.prime), default=date.max)
        return tuple(d for d in self.days if d.day >= first)

    @property
    def expected(self) -> float | None:
        """The usual, where the odds can be held against it: the usual knows nothing of checks."""
        return None if self.dates.last_check else self.usual

    def lost_in_prime(self) -> dict[str, float]:
        """Flight hours lost in the prime window by cause; ``drones`` are hours in which there is nobody to meet."""
        prime = [d for d in self.days if d.prime]
        causes = prime[0].lost if prime else {}
        lost = {cause: sum(d.lost[cause] * d.drones for d in prime) for cause in causes}
        return lost | {"drones": sum(d.effective_hours * (1.0 - d.drones) for d in prime)}

    def civil_day(self, moment: datetime) -> date:
        """The date of an aware time on the site's calendar."""
        return moment.astimezone(ZoneInfo(self.timezone)).date()

    def as_data(self) -> dict[str, Any]:
        """Plain JSON data."""
        return _PLAIN.data(self)

    @staticmethod
    def from_data(data: Mapping[str, Any]) -> Reading:
        """The reading that ``as_data`` was made from.

        Raises:
            StoreError: written by another version, or damaged.
        """
        return _PLAIN.thing(data)


_PLAIN = Plain(Reading, VERSION, "a reading")


def reading_of(outlook: Outlook, site: Site, sources: Sources, biology: Biology, outlook_id: str) -> Reading:
    """Sum up an outlook.

    Args:
        outlook: as issued.
        site, sources, biology: what it was worked out from.
        outlook_id: of the issued outlook.
    """
    events, eggs = {e.name: e for e in outlook.timeline}, outlook.first_egg
    prime, usual_hours = events["prime window"].day, outlook.prime_flight_hours_usual
    moving, checks = events["move ripe cells"], outlook.batch.checks
    dates = Dates(
        grafted=outlook.batch.grafted.astimezone(site.zone).date(),
        move_from=moving.earliest,
        move_by=moving.latest,
        born=outlook.emergence[1],
        first_check=events["first laying check"].day,
        late=events["late"].day,
        give_up=events["give up"].day,
        last_check=max((c.day for c in checks), default=None),
        eggs_from=None if eggs is None else eggs["p10"],
        eggs_half=None if eggs is None else eggs["p50"],
        eggs_to=None if eggs is None else eggs["p90"],
    )
    odds = outlook.well_mated
    return Reading(
        outlook_id=outlook_id,
        issued_at=outlook.now.astimezone(UTC),
        timezone=site.timezone,
        stage=stage_of(outlook, site, dates),
        emerged_seen=outlook.batch.emerged is not None,
        p=_share(odds.value),
        low=None if odds.low is None else _share(odds.low),
        high=None if odds.high is None else _share(odds.high),
        usual=None if outlook.well_mated_usual is None else _share(outlook.well_mated_usual),
        prime_hours=_hours(outlook.prime_flight_hours.mean),
        prime_hours_usual=None if usual_hours is None else _hours(usual_hours.mean),
        shares={name: _share(x) for name, x in outlook.shares.items()},
        quiet=quiet_hours(prime, site, biology),
        dates=dates,
        days=tuple(_day(d) for d in outlook.days),
        grounds=grounds_of(
            outlook.batch, site, sources, outlook.now, biology, members=outlook.members, years=outlook.years
        ),
    )


def stage_of(outlook: Outlook, site: Site, dates: Dates) -> Stage:
    """Where a batch stands at the time of its outlook, by what can still be done for it.

    Cells that nobody has said to have been moved count as moved once the last day for it is past.
    """
    batch, today = outlook.batch, outlook.now.astimezone(site.zone).date()
    if batch.checks and batch.checks[-1].saw == "eggs":
        return "laying"
    if today > dates.late:
        return "over"
    if (dates.late - today).days <= NEARLY_OVER_D:
        return "window nearly over"
    if today >= dates.born:
        return "virgins out"
    moved = batch.moved is not None and batch.moved <= outlook.now
    return "cells in nucs" if moved or today > dates.move_by else "before transfer"


def _day(d: DayOutlook) -> DayReading:
    return DayReading(
        day=d.day,
        age=d.age,
        prime=d.prime,
        effective_hours=_hours(d.effective_hours),
        usual_hours=None if d.usual_hours is None else _hours(d.usual_hours),
        p_flying=_share(d.p_flying),
        lost={cause: _hours(x) for cause, x in d.spoiled_by.items()},
        drones=_share(d.drones),
        observed=_share(d.shares["observed"]),
        forecast=_share(d.shares["forecast"]),
        past_years=_share(d.shares["past_years"]),
        unknown=_share(d.shares.get("unknown", 0.0)),
    )


def _share(x: float) -> float:
    return round(float(x), DIGITS)


def _hours(x: float) -> float:
    """To a thousandth of an hour."""
    return round(float(x), 3)
