"""Invented seasons and forecasts of them with a skill that is known, for tests of the hindcast."""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import cache
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np

from matewindow.biology import load_biology
from matewindow.hindcast.asof import Ground
from matewindow.hindcast.seasons import Plan
from matewindow.site import read_site
from matewindow.sources import load_sources
from matewindow.timegrid import solar_day_at
from matewindow.weather.normal import Provenance
from tests.made_weather import changeable, stand

if TYPE_CHECKING:
    from datetime import datetime

    from numpy.typing import NDArray

    from matewindow.siteweather import SiteWeather

SAMPLE = Path(__file__).parents[2] / "sample_weather"
BIOLOGY = load_biology()
REACH_D = 15


@cache
def sample() -> Ground:
    """The sample climate: twenty invented seasons."""
    site = read_site(SAMPLE / "site.toml")
    past = load_sources(SAMPLE, site, BIOLOGY).past
    assert past is not None
    return Ground(site, past, BIOLOGY)


@cache
def small() -> Ground:
    """Six invented years without a season, so that every date has the same usual."""
    record = changeable("2010-01-01", 365 * 6 + 1, np.random.default_rng(3))
    return Ground(stand(), record, BIOLOGY)


SMALL = Plan(first=(6, 1), n_days=12, years=(2011, 2012, 2013))


@dataclass(frozen=True)
class Planted:
    """Ensembles made from what came: each member follows it for some days and then another year.

    Attributes:
        record: the weather that came.
        half_d: after so many days half the members have left it; 0 for members that never follow it.
        n_members: of each run.
        apart: whether members that have left what came go ways of their own; else all follow the same other year, and
            the run is sure of it.
        longitude: of the site, for the day on which a run is made.
    """

    record: SiteWeather
    half_d: float
    n_members: int = 20
    apart: bool = True
    longitude: float = 0.0

    @property
    def edition(self) -> str:
        return f"planted {self.half_d} {self.n_members} {self.apart} {self.longitude}"

    def known_at(self, now: datetime, season: int) -> tuple[None, SiteWeather]:
        today = solar_day_at(now, self.longitude)
        rng = np.random.default_rng([season, int(today.astype(np.int64))])
        lead = np.arange(REACH_D)
        stays = rng.random(self.n_members)[:, None] < np.exp(
            -np.log(2.0) * lead / self.half_d if self.half_d else -99.0 * (lead + 1)
        )
        at = int((today - self.record.days[0]).astype(np.int64)) + lead
        years = rng.choice(self._other_years(season), self.n_members if self.apart else 1)
        other = at + self._days_between(season, np.broadcast_to(years, self.n_members))[:, None]
        rows = np.where(stays, at, other)
        inside = (rows >= 0) & (rows < len(self.record.days))
        cut = self.record.take(np.where(inside, rows, -1))
        made = Provenance("invented", "ensemble", "none")
        return None, replace(cut, days=today + lead, provenance=made, issued=today)

    def _other_years(self, season: int) -> NDArray[np.int64]:
        first, last = (int(str(day)[:4]) for day in (self.record.days[0], self.record.days[-1]))
        return np.array([year for year in range(first, last) if year != season])

    def _days_between(self, season: int, years: NDArray[np.int64]) -> NDArray[np.int64]:
        starts = np.array([f"{year}-06-01" for year in years], dtype="datetime64[D]")
        return (starts - np.datetime64(f"{season}-06-01", "D")).astype(np.int64)
