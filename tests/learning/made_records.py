"""Invented records and weather for the tests of learning, and queens that live by the second, plain implementation."""

from __future__ import annotations

from dataclasses import dataclass, replace
from datetime import UTC, date, datetime, timedelta
from typing import TYPE_CHECKING, Any

import numpy as np

from matewindow.biology import Biology, load_biology
from matewindow.learning.eggpaths import NEVER, EggPaths, FirstEggs, Ground, Looks
from matewindow.learning.records import Record
from matewindow.paths import Sources
from tests.made_weather import by_hours, stand
from tests.reference import queen_by_queen as reference
from tests.same_names import reference_params

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    Floats = NDArray[np.float64]

BIOLOGY = load_biology()
TODAY = date(2026, 11, 1)
N_DAYS = 70


def record(**changes: Any) -> Record:
    """An invented queen of June 2025 that came good."""
    values: dict[str, Any] = {
        "site": "Test stand (invented)",
        "season": "2025",
        "grafted_on": date(2025, 6, 1),
        "success": True,
    }
    return Record(**(values | changes))


def spells(n_days: int, n_series: int, rng: np.random.Generator, *, mean_h: float = 1.2) -> Floats:
    """Flight hours that come in spells of some days, 0 to 4 a day, shape (n_days, n_series)."""
    mood, hours = np.zeros(n_series), np.empty((n_days, n_series))
    for day in range(n_days):
        mood = 0.7 * mood + 0.71 * rng.normal(size=n_series)
        hours[day] = np.clip(mean_h + 1.3 * mood, 0.0, 4.0)
    return hours


@dataclass(frozen=True)
class Yard:
    """Groups of queens that emerge on day 0 of weather of their own, and the odds of flight that the reference gives."""

    hours: Floats
    odds: list[list[float]]
    params: dict[str, float]

    @classmethod
    def at_rate(cls, hours: Floats, rate_per_h: float, biology: Biology = BIOLOGY) -> Yard:
        params = reference_params(biology) | {"rate_per_hour": rate_per_h}
        drones = np.ones(len(hours))
        return cls(hours, [reference.flight_odds(path, 0, drones, params) for path in hours.T], params)

    def eggs(self, biology: Biology = BIOLOGY) -> FirstEggs:
        return FirstEggs(EggPaths(self.hours, np.ones((1, self.hours.shape[1]))), biology)

    def looks(
        self, n: int, rng: np.random.Generator, *, visits: Sequence[int] = (14, 21, 28), robbed: float = 0.0
    ) -> Looks:
        """``n`` queens looked at about these ages; a share ``robbed`` comes to nothing whatever the weather."""
        column, left, right = np.arange(n) % self.hours.shape[1], np.full(n, -1), np.full(n, NEVER)
        for queen in range(n):
            egg = reference.one_queen(self.odds[column[queen]], rng, self.params).egg_age
            if rng.random() < robbed:
                egg = None
            for visit in np.array(visits) + rng.integers(-1, 2, len(visits)):
                if egg is not None and egg <= visit:
                    right[queen] = visit
                    break
                left[queen] = visit
        return Looks(column.astype(np.intp), left.astype(np.intp), right.astype(np.intp))


def rate_of(biology: Biology, rate_per_h: float) -> Biology:
    """The same parameters with another flight rate."""
    return replace(biology, mating=replace(biology.mating, flight_rate_per_h=rate_per_h))


# --- a producer's seasons --------------------------------------------------------------------------------------

SEASONS = (2022, 2023, 2024, 2025)


def ground(seed: int, seasons: Sequence[int] = SEASONS, *, name: str = "Test stand (invented)") -> Ground:
    """A site with invented weather of all the seasons, from 1 May to the end of September, unknown in the winters."""
    rng = np.random.default_rng(seed)
    first, last = date(min(seasons), 5, 1), date(max(seasons), 9, 30)
    hours = np.full((last - first).days + 1, np.nan)
    for year in seasons:
        start = (date(year, 5, 1) - first).days
        hours[start : start + 153] = spells(153, 1, rng)[:, 0]
    return Ground(stand(name=name), Sources(observed=by_hours(first.isoformat(), hours)))


def hours_from(place: Ground, day: date) -> Floats:
    """The flight hours that were put into the weather, from a day on: at 30 °C light alone limits them."""
    weather = place.sources.observed
    assert weather is not None
    at = int((np.datetime64(day) - weather.days[0]).astype(int))
    found: Floats = (weather.ghi_wm2[0, at : at + 60, 12] - 100.0) / 200.0 * 4.0  # type: ignore[index]
    return found


def lived(
    place: Ground, grafts: Sequence[date], n_each: int, rate_per_h: float, rng: np.random.Generator
) -> list[Record]:
    """Records of queens that lived by the reference at a rate; the keeper looks 26, 33 and 40 days after the graft.

    Every second batch was found on the day it emerged, the others by nobody: those virgins emerge 295 h after the graft
    at noon with a standard deviation of 10 h (British summer time at longitude 0).
    """
    params = reference_params(BIOLOGY) | {"rate_per_hour": rate_per_h}
    records = []
    for batch, grafted in enumerate(grafts):
        noon = datetime(grafted.year, grafted.month, grafted.day, 11, tzinfo=UTC)
        for queen in range(n_each):
            spread = 0.0 if batch % 2 else rng.normal(0.0, 10.0)
            born = (noon + timedelta(hours=295.0 + spread)).date()
            odds = reference.flight_odds(hours_from(place, born), 0, np.ones(60), params)
            outcome = reference.one_queen(odds, rng, params)
            egg = None if outcome.egg_age is None else born + timedelta(days=outcome.egg_age)
            looks = [grafted + timedelta(days=d) for d in (26, 33, 40)]
            with_eggs = [day for day in looks if egg is not None and egg <= day]
            without = [day for day in looks if day not in with_eggs]
            records.append(
                Record(
                    site=place.site.name,
                    season=str(grafted.year),
                    grafted_on=grafted,
                    success=outcome.fate == "well_mated",
                    batch=f"graft of {grafted}",
                    nuc=f"{queen + 1}",
                    emerged_on=born if batch % 2 else None,
                    last_without_eggs=without[-1] if without else None,
                    first_with_eggs=with_eggs[0] if with_eggs else None,
                    reason="" if outcome.fate == "well_mated" else outcome.fate,
                )
            )
    return records


def grafts_of(seasons: Sequence[int], per_season: int) -> list[date]:
    """Grafts from 20 May on, eleven days apart."""
    return [date(year, 5, 20) + timedelta(days=11 * i) for year in seasons for i in range(per_season)]
