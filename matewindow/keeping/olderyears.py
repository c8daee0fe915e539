"""The older past years of a site: which are kept in the register, and what the archive need still be asked for.

A year is kept once it is final, from the second January after it on; then its hours never have to be read again.
"""

from __future__ import annotations

import hashlib
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np

from matewindow import timegrid
from matewindow.errors import RequestError
from matewindow.keptpast import KeptPast, past_edition, past_key
from matewindow.weather.live.archive import years_wanted
from matewindow.weather.normal import HOUR

if TYPE_CHECKING:
    from matewindow.biology import Biology
    from matewindow.live import Live
    from matewindow.paths import Sources
    from matewindow.site import Site
    from matewindow.weather.desk import Desk

PAST_YEARS = "past years"
"""What the attempts call them."""
LACKING = ("stale", "failed", "left out", "incomplete")
"""Outcomes of attempts that gave nothing new, or not all."""


@dataclass(frozen=True)
class OlderYears:
    """Past years as they are kept; ``edition`` tells them from others."""

    kept: KeptPast
    edition: str

    @property
    def end(self) -> np.datetime64:
        """The first day that is not kept."""
        day: np.datetime64 = self.kept.weather.days[-1] + 1
        return day


def years_from(end: np.datetime64, desk: Desk) -> int:
    """How many years beside the current one the archive must give where all before a day is kept."""
    return max(1, years_wanted(desk, 0)[0] - int(str(end)[:4]))


def keep_until(desk: Desk) -> np.datetime64:
    """Past years are kept up to the beginning of last year.

    Two days more, since a solar day begins up to half a day before or after that of the archive's year.
    """
    return np.datetime64(f"{years_wanted(desk, 1)[-1]}-01-03", "D")


def more_years(
    older: OlderYears | None, live: Live, site: Site, biology: Biology, until: np.datetime64
) -> OlderYears | None:
    """What can be kept from now on, out of weather that has just come.

    Args:
        older: what was kept so far.
        live: what came.
        site, biology: whose it is.
        until: up to which day.

    Returns:
        None if that is nothing new, or if years are lacking that may still come.
    """
    record = live.gathered.weather.past
    if older is not None and older.end >= until:
        return None
    if record is None or any(a.part == PAST_YEARS and a.outcome in LACKING for a in live.gathered.attempts):
        return None
    edition = past_edition(record)
    if older is not None:
        edition = hashlib.sha256(f"{older.edition} {edition}".encode()).hexdigest()
        return OlderYears(_extended(older.kept, live, site, biology, edition, until), edition)
    try:
        return OlderYears(KeptPast.of(record, site, biology.flight, edition=edition, before=until), edition)
    except RequestError:  # it begins later than that
        return None


def with_older(sources: Sources, older: OlderYears | None) -> Sources:
    """Weather with the older years, in the record too: batches of earlier seasons are looked up in it."""
    if older is None:
        return sources
    past = older.kept.with_record(sources.observed)
    return replace(sources, past=past, observed=past)


def _extended(kept: KeptPast, live: Live, site: Site, biology: Biology, edition: str, until: np.datetime64) -> KeptPast:
    """What was kept, with the years that have become final since."""
    past, rain = live.sources.past, kept.rain_with(live.gathered.weather.past)
    assert past is not None
    whole = past.between(0, int((until - past.days[0]).astype(np.int64)))
    key = past_key(edition, site, biology.flight, before=until)
    if rain is None:
        return KeptPast(key, whole, None, kept.first_hour)
    end = until.astype("datetime64[h]") + timegrid.solar_day_start_hour(site.longitude)
    return KeptPast(key, whole, rain[1][: int((end - rain[0]) / HOUR)], rain[0])
