"""A batch's dates as distributions, and the work that each asks for, in civil time of the site."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import UTC, date, datetime, time, timedelta
from functools import lru_cache
from math import ceil, floor
from typing import TYPE_CHECKING, Literal

import numpy as np

from matewindow import sun, timegrid
from matewindow.errors import RequestError
from matewindow.flight import drone_window_h
from matewindow.mating import normal_cdf
from matewindow.words import day_month

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from matewindow.biology import Biology
    from matewindow.site import Site

    Floats = NDArray[np.float64]

NOON = time(12)
Seen = Literal["eggs", "virgin", "nothing"]
SAW: tuple[Seen, ...] = ("eggs", "virgin", "nothing")
_REACH_SD = 4.0  # emergence is spread over solar days up to so many standard deviations from its mean
_Z90 = 1.645  # half-width of the middle 90 % of a normal distribution, in standard deviations


@dataclass(frozen=True)
class Check:
    """A look into a nuc and what was seen: eggs, the virgin (alive, no eggs), or nothing (no eggs, no queen)."""

    day: date
    saw: Seen


@dataclass(frozen=True)
class Batch:
    """Larvae grafted at one time from one breeder queen.

    Attributes:
        grafted: when, aware.
        larva_age_h: hours since hatching at the graft; None = default.
        sealed_temp_c: temperature of the sealed cells; None = 34.5 °C.
        moved: when the cells went into the nucs, aware.
        emerged: day on which the virgins were found emerged; replaces the computed emergence.
        checks: looks into the nuc.
    """

    grafted: datetime
    larva_age_h: float | None = None
    sealed_temp_c: float | None = None
    moved: datetime | None = None
    emerged: date | None = None
    checks: tuple[Check, ...] = ()


@dataclass(frozen=True)
class Event:
    """One date of a batch: the likeliest day, the days that hold 90 % of it, the work and any caution."""

    name: str
    day: date
    earliest: date
    latest: date
    work: str
    at: datetime | None = None
    caution: str = ""


def checks_from_text(texts: list[str]) -> tuple[Check, ...]:
    """Checks written as DATE:eggs, DATE:virgin or DATE:nothing, in order of date.

    Raises:
        RequestError: the text is none of these.
    """
    checks = []
    for text in texts:
        day, _, saw = text.lower().partition(":")
        try:
            checks.append(Check(date.fromisoformat(day.strip()), SAW[SAW.index(saw)]))
        except ValueError as fault:
            raise RequestError(
                f"{text!r} is no check",
                where="check",
                fix=f"Write it as 2026-06-20:eggs; seen may be {', '.join(SAW)}.",
            ) from fault
    return tuple(sorted(checks, key=lambda c: c.day))


def graft_time(day: date, site: Site, at: time = NOON) -> datetime:
    """A graft without a time of day is taken at noon of the site's clock."""
    return datetime.combine(day, at, tzinfo=site.zone)


def emergence_mean(batch: Batch, biology: Biology) -> datetime:
    """Mean time at which the batch's virgins emerge (aware, UTC), from the graft.

    Source: Chuda-Mickiewicz & Samborski 2015 (385 h from laying at 34.5 °C, 27 h later at 32 °C).

    Raises:
        RequestError: larva age or temperature outside the range that the sources cover.
    """
    dev = biology.development
    age_h = dev.larva_age_h if batch.larva_age_h is None else batch.larva_age_h
    limits = biology.parameters["development.larva_age_h"]
    if not limits.low <= age_h <= limits.high:
        raise RequestError(
            f"a larva {age_h:g} h old",
            where="larva age",
            fix=f"Grafting works from {limits.low:g} to {limits.high:g} h.",
        )
    temp_c = dev.reference_temp_c if batch.sealed_temp_c is None else batch.sealed_temp_c
    if not dev.sealed_temp_low_c <= temp_c <= dev.sealed_temp_high_c:
        raise RequestError(
            f"sealed cells at {temp_c:g} °C",
            where="temperature",
            fix=f"Emergence times are known for {dev.sealed_temp_low_c:g} to {dev.sealed_temp_high_c:g} °C only.",
        )
    cooler = dev.sealed_delay_h_per_c * (dev.reference_temp_c - temp_c)
    hours = dev.emergence_h - dev.egg_stage_h - age_h + cooler
    return batch.grafted.astimezone(UTC) + timedelta(hours=hours)


def emergence_days(batch: Batch, site: Site, biology: Biology) -> tuple[np.datetime64, Floats]:
    """First solar day on which virgins may emerge, and the shares that emerge on it and the days after.

    The shares add up to 1.

    Raises:
        RequestError: an observed emergence that no graft of that day can give.
    """
    mean = emergence_mean(batch, biology)
    if batch.emerged is not None:
        _check_emerged(batch, mean, site, biology)
        return site.solar_day(batch.emerged), np.ones(1)
    sd_h, mean_h = biology.development.emergence_sd_h, mean.timestamp() / 3600.0
    start_h = timegrid.solar_day_start_hour(site.longitude)
    first = floor((mean_h - _REACH_SD * sd_h - start_h) / 24.0)
    last = floor((mean_h + _REACH_SD * sd_h - start_h) / 24.0)
    edges = 24.0 * np.arange(first, last + 2, dtype=np.float64) + start_h
    weights = np.diff(normal_cdf((edges - mean_h) / sd_h))
    return np.datetime64(first, "D"), weights / weights.sum()


def likeliest_emergence(batch: Batch, site: Site, biology: Biology) -> date:
    """The solar day on which most of the batch's virgins emerge."""
    first, weights = emergence_days(batch, site, biology)
    return site.civil_day(first + int(weights.argmax()))


def timeline(batch: Batch, site: Site, biology: Biology, *, first_egg: date | None = None) -> list[Event]:
    """Every date of a batch with its spread and its work, in order, in the site's civil time.

    Args:
        batch, site, biology: what to plan for.
        first_egg: day by which half of the queens in lay have laid, from an outlook; None = planned from fine weather.
    """
    zone, dev, checks = site.zone, biology.development, biology.checks
    grafted = batch.grafted.astimezone(zone)
    mean = emergence_mean(batch, biology).astimezone(zone)
    reach = timedelta(hours=_Z90 * dev.emergence_sd_h)
    if batch.emerged is not None:
        born = earliest = latest = batch.emerged
    else:
        born = likeliest_emergence(batch, site, biology)  # the day that the outlook counts ages from
        earliest, latest = min(born, (mean - reach).date()), max(born, (mean + reach).date())
    age_h = dev.larva_age_h if batch.larva_age_h is None else batch.larva_age_h
    # in UTC, since adding hours to a local time would pass over a change of the clocks
    sealed = batch.grafted.astimezone(UTC) + timedelta(hours=dev.sealed_at_h - dev.egg_stage_h - age_h)
    _, ripe, move_by = move_span(batch, biology)

    def aged(days: float) -> tuple[date, date, date]:
        step = timedelta(days=days)
        return born + step, earliest + step, latest + step

    def on(moment: datetime) -> tuple[date, date, date]:
        day = moment.astimezone(zone).date()
        return day, day, day

    prime = aged(biology.mating.prime_from_age_d)[0], aged(biology.mating.prime_to_age_d)[0]
    flying, drones = flying_hours(prime[0], site, biology), flying_hours(prime[0], site, biology, drones=True)
    quiet = quiet_hours(prime[0], site, biology)
    brood_gap = timedelta(days=biology.laying.sealed_brood_after_d)
    brood = (first_egg or aged(checks.first_check_age_d)[0]) + brood_gap
    move_day = batch.moved or ripe
    events = [
        Event(
            "prepare the cell builder",
            *on(grafted - timedelta(days=checks.builder_before_d)),
            "Crowd it with young bees, feed it, take open brood and its queen out of reach of the cells.",
        ),
        Event(
            "graft",
            *on(grafted),
            "Graft; keep the larvae warm and damp on the way to the builder.",
            at=grafted,
        ),
        Event(
            "check the takes",
            *on(grafted + timedelta(days=checks.takes_after_d)),
            "Count what was taken; close up gently.",
        ),
        Event(
            "cells sealed",
            *on(sealed),
            "Leave the cells where they are: from now until they are ripe a knock or a chill cripples the queen.",
            at=sealed.astimezone(zone),
        ),
        Event(
            "move ripe cells",
            move_day.astimezone(zone).date(),
            on(batch.grafted.astimezone(UTC) + timedelta(days=dev.move_earliest_d))[0],
            move_by.astimezone(zone).date(),
            "Put a ripe cell into each nuc, upright and warm. Before the first virgin emerges all must be moved or "
            "caged.",
            caution=judge_move(batch, site, biology),
        ),
        Event(
            "emergence",
            born,
            earliest,
            latest,
            "Virgins emerge. Look at the cells if you must; do not look for the virgins.",
        ),
        Event(
            "prime window",
            prime[0],
            prime[0],
            prime[1],
            f"Mating flights on warm, dry, calm days to {day_month(prime[1])}, mostly {clock(flying[0])} to "
            f"{clock(flying[1])}; drones are about from {clock(drones[0])} to {clock(drones[1])}.",
        ),
        Event(
            "leave alone",
            prime[0],
            aged(3)[0],
            aged(biology.mating.late_age_d)[0],
            f"Keep the nucs shut and do not stand in front of them from {clock(quiet[0])} to {clock(quiet[1])}. Feed "
            "early or late.",
        ),
        Event(
            "first laying check",
            *aged(checks.first_check_age_d),
            f"Look for eggs before {clock(quiet[0])} or after {clock(quiet[1])}. No eggs yet is not a failure.",
        ),
        Event(
            "late",
            *aged(biology.mating.late_age_d),
            "A queen that has not flown by now will be a poor one if she mates at all.",
        ),
        Event(
            "sealed-brood check",
            brood,
            brood,
            brood,
            "Flat sealed worker brood shows a mated queen; only now is she fit to be judged, caged or sold.",
        ),
        Event(
            "nuc wears out",
            *on(move_day + timedelta(days=checks.nuc_without_brood_d)),
            "Without brood the nuc itself is at its end about now, whatever its queen does: remake it or unite it.",
        ),
        Event(
            "give up",
            *aged(checks.give_up_age_d),
            "No eggs by now: give the nuc a test frame of eggs, unite it or start it afresh.",
        ),
    ]
    return sorted(events, key=lambda e: (e.day, e.at or datetime.combine(e.day, time(23), tzinfo=zone)))


def judge_move(batch: Batch, site: Site, biology: Biology) -> str:
    """A caution if the cells were moved at the wrong stage, or an empty text.

    Source: de Bruyn 2015 (10 days after the graft, 9 workable); the margin before emergence is common practice.
    """
    if batch.moved is None:
        return ""
    zone, dev = site.zone, biology.development
    first_born, _, move_by = move_span(batch, biology)
    days = (batch.moved.astimezone(UTC) - batch.grafted.astimezone(UTC)) / timedelta(days=1)
    sealed_d = (dev.sealed_at_h - dev.egg_stage_h - (batch.larva_age_h or dev.larva_age_h)) / 24.0
    if days < sealed_d - 0.5:
        return (
            f"Too early: moved {days:.1f} days after the graft, before the cells were sealed. "
            "Young larvae chill and starve outside the builder."
        )
    if days < dev.move_earliest_d:
        return (
            f"Too early: moved {days:.1f} days after the graft, in the tender part of the sealed stage. "
            "Expect damaged queens; "
            f"{dev.move_cells_d:g} days is the rule, {dev.move_earliest_d:g} the least."
        )
    if batch.moved > first_born:
        born = first_born.astimezone(zone)
        return (
            f"Too late: the first virgin may have emerged from {day_month(born)} {born:%H:%M} on and torn down others. "
            "Look at every cell."
        )
    if batch.moved > move_by:
        return (
            f"Late: less than {dev.move_margin_h:g} hours before the first virgin may emerge. "
            "Handle the cells as if she were about to come out."
        )
    return ""


def quiet_hours(day: date, site: Site, biology: Biology) -> tuple[float, float]:
    """From when to when nucs stay shut on a day, in hours of the local clock.

    The site's own hours if it has any; else 11 to 16 (COLOSS BEEBOOK, queen rearing 2.2.2), stretched to the next
    half hour where summer time or the longitude puts the mating window later (or earlier) on the clock.
    """
    if site.quiet_hours:
        return site.quiet_hours
    start, end = flying_hours(day, site, biology)
    half_hours = floor(start * 2.0) / 2.0, ceil(end * 2.0) / 2.0
    return min(biology.checks.quiet_from_h, half_hours[0]), max(biology.checks.quiet_to_h, half_hours[1])


def flying_hours(day: date, site: Site, biology: Biology, *, drones: bool = False) -> tuple[float, float]:
    """When queens (or drones) fly on a day, in hours of the local clock, from the window in apparent solar time."""
    flight = biology.flight
    span = (
        flight.window_centre_h - flight.window_half_width_h,
        flight.window_centre_h + flight.window_half_width_h,
    )
    if drones:
        span = drone_window_h(flight, biology.drones)
    equation_h = _equation_of_time_h(day)
    offset = datetime.combine(day, NOON, tzinfo=site.zone).utcoffset() or timedelta()
    shift = offset.total_seconds() / 3600.0 - site.longitude / 15.0 - equation_h - 24.0 * site.day_shift
    return span[0] + shift, span[1] + shift


@lru_cache(maxsize=1024)
def _equation_of_time_h(day: date) -> float:
    """Apparent minus mean solar time on a day. [h] Kept: a few days serve all batches of all sites."""
    return float(sun.equation_of_time_min(np.array([day], dtype="datetime64[D]"))[0]) / 60.0


def clock(hours: float) -> str:
    """Hours of the day as a person writes them: 13.25 is 13:15."""
    minutes = round(hours * 60.0) % (24 * 60)
    return f"{minutes // 60}:{minutes % 60:02d}"


def move_span(batch: Batch, biology: Biology) -> tuple[datetime, datetime, datetime]:
    """When the first virgin of the batch may emerge, when the cells are ripe, and by when they must be moved.

    Aware, UTC. The first is taken to emerge two standard deviations before the mean.
    """
    dev = biology.development
    first_born = emergence_mean(batch, biology) - timedelta(hours=2.0 * dev.emergence_sd_h)
    ripe = batch.grafted.astimezone(UTC) + timedelta(days=dev.move_cells_d)
    return first_born, ripe, first_born - timedelta(hours=dev.move_margin_h)


def _check_emerged(batch: Batch, mean: datetime, site: Site, biology: Biology) -> None:
    assert batch.emerged is not None
    local = mean.astimezone(site.zone).date()
    slack = ceil(_REACH_SD * biology.development.emergence_sd_h / 24.0)
    low, high = local - timedelta(days=slack), local + timedelta(days=slack)
    if not low <= batch.emerged <= high:
        raise RequestError(
            f"emerged on {batch.emerged} does not fit a graft on {batch.grafted.astimezone(site.zone).date()}",
            where="emerged",
            fix=f"Virgins of that graft emerge between {low} and {high}; check both dates.",
        )
