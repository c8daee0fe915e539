"""When to look into a nuc for eggs, and what that look would tell.

Both follow from the odds of one batch held against what has been seen so far (``odds.after_checks``): a look still to
come is judged by the same rule of Bayes as one that was made.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import UTC, date, datetime, time, timedelta
from typing import TYPE_CHECKING, Literal

import numpy as np

from matewindow import sun
from matewindow.errors import RequestError
from matewindow.odds import Odds, Range, after_checks, odds_of, risks
from matewindow.outlook import RUN_IN_D, check_dates, drone_share, known_paths, solar_today, window_span
from matewindow.paths import Paths, Sources, build_paths
from matewindow.timeline import SAW, Batch, Check, Seen, emergence_days, quiet_hours

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from matewindow.biology import Biology
    from matewindow.site import Site

    Floats = NDArray[np.float64]

LOOK_SHARE = 0.90
"""Share of the well mated that would show eggs by the day of the look (judgement)."""
OLDEST_D = 60
"""Age of virgins up to which there is anything to decide."""
NOTHING = 1e-9
"""Less probability than this is rounding."""
_HOPELESS = 0.005
"""Below this the odds of a well mated queen, in whole percent, are nought."""
_LEAST_SLOT = timedelta(minutes=30)


@dataclass(frozen=True)
class Ground:
    """What the look and the decision stand on: the paths, and the batch's odds on them after what has been seen.

    ``good`` and ``poor`` hold the mass of the first egg by day since ``first``, (n_days, n_paths), of the well mated
    and of the others. ``unknown`` are the days of the mating window that nothing covers.
    """

    batch: Batch
    site: Site
    sources: Sources
    now: datetime
    biology: Biology
    today: date
    first: np.datetime64
    born: date
    paths: Paths
    odds: Odds
    good: Floats
    poor: Floats
    unknown: list[np.datetime64]

    @property
    def eggs_seen(self) -> date | None:
        """First day on which eggs were seen."""
        return min((c.day for c in self.batch.checks if c.saw == "eggs"), default=None)

    def index(self, day: date) -> int:
        """Days since the first emergence day."""
        return int((self.site.solar_day(day) - self.first).astype(int))


def ground_of(batch: Batch, site: Site, sources: Sources, now: datetime, biology: Biology) -> Ground:
    """Work out a batch's odds as ``outlook.batch_outlook`` does.

    Raises:
        RequestError: as there; or the virgins are too old for anything to be decided.
    """
    check_dates(batch, site, now)
    today = now.astimezone(site.zone).date()
    first, weights = emergence_days(batch, site, biology)
    born = site.civil_day(first + int(weights.argmax()))
    if (today - born).days > OLDEST_D:
        raise RequestError(
            f"the virgins of this batch would be {(today - born).days} days old",
            where="graft",
            fix=f"Whether to wait is told up to {OLDEST_D} days of age; check the day of the graft, and today's.",
        )
    span = window_span(len(weights), biology)
    paths, _ = build_paths(
        sources, first - RUN_IN_D, span.n_days, solar_today(now, site), biology, site.exposure, needed=span.needed
    )
    paths, unknown = known_paths(paths, span)
    odds = odds_of(paths.hours, drone_share(paths.days, site), RUN_IN_D, weights, biology)
    odds = after_checks(odds, batch.checks, first, site)
    return Ground(
        batch=batch,
        site=site,
        sources=sources,
        now=now,
        biology=biology,
        today=today,
        first=first,
        born=born,
        paths=paths,
        odds=odds,
        good=_by_day(odds.egg[0]),
        poor=_by_day(odds.egg[1] + odds.egg[2]),
        unknown=unknown,
    )


def _by_day(by_age: Floats) -> Floats:
    """(n_ages, n_emergence, n_paths) by age to (n_days, n_paths) by day since the first emergence day."""
    n_ages, n_emergence, n_paths = by_age.shape
    days = np.zeros((n_ages + n_emergence - 1, n_paths))
    for e in range(n_emergence):
        days[e : e + n_ages] += by_age[:, e]
    return days


@dataclass(frozen=True)
class Finding:
    """What one outcome of the look would mean: its chance, and the odds of a well mated queen after it.

    "virgin" is that part of "nothing" in which she is still there; ``good`` is None for what cannot be seen.
    """

    saw: Seen
    p: float
    good: Range | None


@dataclass(frozen=True)
class LayingCheck:
    """The next look for eggs.

    Attributes:
        day: on which to look.
        at: when on that day: outside the quiet hours, in daylight where there is any; None where they leave no time.
        slots: all such times of that day.
        due: day by which ``LOOK_SHARE`` of the well mated would show eggs; None where hardly any can be well mated.
        why: what moved the look away from ``due``: "" nothing; "alone" the virgins should be left alone until this
            day; "past" that day, or its last hours, are gone; "over" the virgins are past saving before it.
        shown: share of the well mated that would show eggs by ``day``; None as for ``due``.
        findings: what "eggs", "virgin" and "nothing" on that day would mean.
    """

    day: date
    at: datetime | None
    slots: list[tuple[datetime, datetime]]
    due: date | None
    why: Literal["", "alone", "past", "over"]
    shown: float | None
    findings: list[Finding]


def laying_check(ground: Ground) -> LayingCheck | None:
    """The next look for eggs, None once they were seen.

    Due on the day by which ``LOOK_SHARE`` of the well mated would show eggs, given the weather and the looks so far;
    not before the age of the first check, up to which virgins are left alone, nor after that at which the trade gives
    up.

    Source: age 14 days for the first check from COLOSS BEEBOOK, queen rearing 2.2.2, and the B-THENET sheet; giving up
        at 28 is common practice.
    """
    if ground.eggs_seen is not None:
        return None
    checks, good = ground.biology.checks, ground.good.sum(axis=1)
    alone_to = ground.born + timedelta(days=round(checks.first_check_age_d))
    over = ground.born + timedelta(days=round(checks.give_up_age_d))
    due = None
    if good.sum() > _HOPELESS:
        at = int(np.searchsorted(np.cumsum(good), (LOOK_SHARE - 1e-12) * good.sum()))
        due = ground.site.civil_day(ground.first + at)
    wanted = min(max(due or alone_to, alone_to), over)
    looked = max((c.day for c in ground.batch.checks), default=date.min)
    day = max(wanted, ground.today, looked + timedelta(days=1))
    slots = look_slots(day, ground.site, ground.biology, not_before=ground.now)
    if not slots and day == ground.today:
        day += timedelta(days=1)
        slots = look_slots(day, ground.site, ground.biology)
    why: Literal["", "alone", "past", "over"] = ""
    if due is not None and day != due:
        why = "over" if day < due else "alone" if day == alone_to else "past"
    return LayingCheck(
        day=day,
        at=_best_time(slots) if slots else None,
        slots=slots,
        due=due,
        why=why,
        shown=None if due is None else float(good[: max(0, ground.index(day) + 1)].sum() / good.sum()),
        findings=[_finding(ground, day, saw) for saw in SAW],
    )


def _finding(ground: Ground, day: date, saw: Seen) -> Finding:
    """What an outcome of a look on a day would mean, by Bayes' rule; all have emerged by then."""
    at = ground.index(day)
    eggs = float((ground.good + ground.poor)[: at + 1].sum())
    p = {"eggs": eggs, "nothing": 1.0 - eggs, "virgin": 1.0 - eggs - _lost_by(ground.odds, at)}[saw]
    if p <= NOTHING:
        return Finding(saw, 0.0, None)
    seen = after_checks(ground.odds, (Check(day, saw),), ground.first, ground.site)
    return Finding(saw, min(1.0, p), risks(seen, ground.paths, ground.biology).well_mated)


def _lost_by(odds: Odds, at: int) -> float:
    """Chance that the queen is lost by a day since the first emergence day."""
    n_ages, n_emergence, _ = odds.lost.shape
    lost = odds.lost.sum(axis=-1)
    return float(lost[np.arange(n_ages)[:, None] <= at - np.arange(n_emergence)].sum())


def look_slots(
    day: date, site: Site, biology: Biology, *, not_before: datetime | None = None
) -> list[tuple[datetime, datetime]]:
    """Times of a day for opening a nuc: outside its quiet hours, by daylight where that leaves half an hour.

    Args:
        day: on the local calendar.
        site: with its quiet hours, if it has its own.
        biology: parameters.
        not_before: aware; what is earlier is left out.

    Source: COLOSS BEEBOOK, queen rearing 2.2.2 (not from 11 to 16); that eggs are looked for by daylight is common
        practice.
    """
    start, end = quiet_hours(day, site, biology)
    free = [
        (_on_clock(day, 0.0, site), _on_clock(day, start, site)),
        (_on_clock(day, end, site), _on_clock(day, 24.0, site)),
    ]
    light = sun.sunrise_sunset(site.latitude, site.longitude, np.array([site.solar_day(day)]))
    lit = free
    if not np.isnat(light.sunrise[0]):
        rise, fall = (_instant(t, site) for t in (light.sunrise[0], light.sunset[0]))
        lit = [(max(a, rise), min(b, fall)) for a, b in free]
    slots = _long_enough(lit) or _long_enough(free)
    if not_before is None:
        return slots
    early = not_before.astimezone(site.zone)
    return _long_enough([(max(a, early), b) for a, b in slots])


def _long_enough(slots: list[tuple[datetime, datetime]]) -> list[tuple[datetime, datetime]]:
    return [(a, b) for a, b in slots if b - a >= _LEAST_SLOT]


def _best_time(slots: list[tuple[datetime, datetime]]) -> datetime:
    """After the quiet hours, when the eggs of that day are laid; else in the last hour before them."""
    start, end = slots[-1]
    return start if start.hour >= 12 else max(start, end - timedelta(hours=1))


def _on_clock(day: date, hours: float, site: Site) -> datetime:
    """A time of the local clock on a day, kept within the day."""
    minutes = round(60.0 * min(24.0, max(0.0, hours)))
    return datetime.combine(
        day + timedelta(days=minutes // 1440), time(minutes // 60 % 24, minutes % 60), tzinfo=site.zone
    )


def _instant(instant: np.datetime64, site: Site) -> datetime:
    """A UTC instant to the minute, on the local clock."""
    moment = datetime.fromisoformat(str(instant.astype("datetime64[m]"))).replace(tzinfo=UTC)
    return moment.astimezone(site.zone)
