"""The hours of stored runs by lead day, as what a model gets wrong time and again is learnt from them."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from matewindow.timegrid import solar_day_start_hour
from matewindow.weather import bias
from matewindow.weather.normal import Provenance, Weather, make_weather

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from matewindow.siteweather import SiteWeather

    Floats = NDArray[np.float64]
    Days = NDArray[np.datetime64]

MEMBERS = 5
"""Members taken of each run: a mean error needs no more, they err alike."""
LEADS = range(bias.LEAD_GROUPS[0][0], bias.LEAD_GROUPS[-1][1] + 1)
_NAMES = ("temp_c", "wind_ms", "rain_mm")
_Held = tuple[np.datetime64, dict[str, "Floats"]]


class HourlyLeads:
    """The hours of a site's runs, gathered run by run.

    Args:
        record: hourly weather of the site.
        longitude: of the site, degrees east.
    """

    def __init__(self, record: SiteWeather, longitude: float) -> None:
        self._record, self.longitude = record, longitude
        self._held: dict[int, list[_Held]] = {lead: [] for lead in LEADS}
        self._source: Provenance | None = None

    def add(self, run: SiteWeather, today: np.datetime64) -> None:
        """Take in a run: those of its days that lie 1 to 16 days after today."""
        n_members = len(run.temp_c)
        picked = np.linspace(0, n_members - 1, min(MEMBERS, n_members)).round().astype(np.intp)
        self._source = self._source or run.provenance
        for at, day in enumerate(run.days):
            lead = int((day - today).astype(np.int64))
            if lead in self._held and len(picked) == self._members(len(picked)):
                values = {name: part[picked, at] for name in _NAMES if (part := getattr(run, name)) is not None}
                self._held[lead].append((day, values))

    def _members(self, otherwise: int) -> int:
        """Members of the runs that are there already."""
        first = next((held[0] for held in self._held.values() if held), None)
        return otherwise if first is None else len(first[1]["temp_c"])

    @property
    def days(self) -> Days:
        """All days that runs spoke of and that the record knows, in order: those of the newest runs are yet to come."""
        found = sorted({day for held in self._held.values() for day, _ in held})
        spoken_of = np.array(found, dtype="datetime64[D]")
        record = self._record
        unknown = np.isnan(record.temp_c).all(axis=(0, 2)) | np.isnan(record.wind_ms).all(axis=(0, 2))
        return spoken_of[np.isin(spoken_of, record.days[~unknown])]

    def learn(self, days: Days | None = None) -> bias.Bias:
        """What the model gets wrong on some of ``days``, all of them unless told."""
        return bias.learn(self._forecasts(days), self._analysis(days), self.longitude)

    def _forecasts(self, days: Days | None) -> dict[int, Weather]:
        assert self._source is not None
        wanted = set() if days is None else set(days)
        found = {}
        for lead, held in self._held.items():
            chosen = held if days is None else [h for h in held if h[0] in wanted]
            latest = dict(sorted(chosen, key=lambda held: held[0]))  # of two runs of a day the newer
            if latest:
                names = [name for name in _NAMES if all(name in values for values in latest.values())]
                columns = {name: np.concatenate([values[name] for values in latest.values()], axis=1) for name in names}
                found[lead] = self._weather(np.array(list(latest), dtype="datetime64[D]"), columns, self._source)
        return found

    def _analysis(self, days: Days | None) -> Weather:
        record = self._record.whole_days()
        wanted = self.days if days is None else days
        at = (wanted - record.days[0]).astype(np.intp)
        inside = (at >= 0) & (at < len(record.days))
        columns = {
            name: part[:, at[inside]].reshape(1, -1)
            for name in _NAMES
            if (part := getattr(record, name)) is not None and not np.isnan(part[:, at[inside]]).all()
        }
        return self._weather(wanted[inside], columns, record.provenance)

    def _weather(self, days: Days, columns: dict[str, Floats], provenance: Provenance) -> Weather:
        start = days.astype("datetime64[h]") + solar_day_start_hour(self.longitude)
        hours = (start[:, None] + np.arange(24).astype("timedelta64[h]")).ravel()
        return make_weather(hours, columns, provenance)
