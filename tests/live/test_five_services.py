"""One weather told by five services comes out as the same flight hours, as far as their steps allow.

The scenario of these tests has forecasts that come true, so that whatever differs was lost on the way: in the wire
format's rounding, in steps of several hours, or in us. The reference is made here from the scenario itself, hour by
hour, by the definitions of the normal form (means of an hour's two ends, sums of the hour), and not by a reader.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from datetime import timedelta
from typing import TYPE_CHECKING

import numpy as np
import pytest

from matewindow.sources import sources_of
from matewindow.weather import brightsky_fetch, metno_fetch, mosmix, mosmix_fetch, nws_fetch, openmeteo_fetch
from matewindow.weather.folder import WeatherFolder
from matewindow.weather.live.archive import fetch_archive
from matewindow.weather.live.services import LISTINGS
from matewindow.weather.normal import Provenance, make_weather
from tests.live.helpers import AMERICA, BIOLOGY, GERMANY, desk_at
from tests.loopback.scenario import FIELDS, HOUR_S, Hours, Place, Scenario

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence
    from pathlib import Path

    from numpy.typing import ArrayLike

    from matewindow.site import Site
    from matewindow.siteweather import SiteWeather
    from matewindow.weather.desk import Desk
    from matewindow.weather.normal import Weather
    from matewindow.weather.obtain import Obtained
    from tests.loopback.server import LoopbackServer

pytestmark = pytest.mark.allow_hosts(["127.0.0.1"])

Days = dict[np.datetime64, float]


class Prophetic(Scenario):
    """Weather in which every forecast comes true."""

    def forecast(
        self,
        place: Place,
        stamps: ArrayLike,
        run_s: ArrayLike,
        model: str,
        members: Sequence[int] = (0,),
    ) -> Hours:
        """The truth, once for each member."""
        truth = self.truth(place, stamps)
        return replace(truth, **{name: np.repeat(getattr(truth, name)[None], len(members), axis=0) for name in FIELDS})


@dataclass(frozen=True)
class Tolerance:
    """By how many flight hours of a day a service may be off the truth, and why.

    Args:
        fine_d: days from today that come in hourly steps.
        fine_h: on these days, any of them. [h]
        coarse_h: on later days, any of them. [h]
        mean_h: on later days on average. [h]
    """

    fine_d: int
    fine_h: float
    why: str
    coarse_h: float = 0.0
    mean_h: float = 0.0


FETCH: dict[str, Callable[[Site, Desk], Obtained]] = {
    "Open-Meteo ensemble": openmeteo_fetch.fetch_ensemble,
    "Open-Meteo forecast": openmeteo_fetch.fetch_forecast,
    "MET Norway ensemble": metno_fetch.fetch_spread,
    "MET Norway forecast": metno_fetch.fetch_locationforecast,
    "US National Weather Service forecast": nws_fetch.fetch_gridpoints,
    "Bright Sky (DWD) forecast": brightsky_fetch.fetch_forecast,
    "Bright Sky (DWD) observed": brightsky_fetch.fetch_observed,
    "DWD MOSMIX ensemble": mosmix_fetch.fetch_spread,
}
"""How each part of each service is fetched by itself."""
STEPS = "rain placed by the record"
"""Rain of 3 or 6 hours falls in as many hours as past weather shows for such a sum, which may hit the hours that matter
or miss them: a day of four hours may be off by more than one."""
ALLOWED = {
    "Open-Meteo forecast": Tolerance(20, 0.02, "hourly; a tenth of a unit"),
    "Open-Meteo ensemble": Tolerance(0, 0.0, f"3 h, 6 h from day 6 on: {STEPS}", 0.9, 0.30),
    "MET Norway forecast": Tolerance(2, 0.02, f"hourly for two days, then 6 h: {STEPS}", 1.2, 0.40),
    "MET Norway ensemble": Tolerance(2, 0.05, "as its forecast; 11 members", 1.2, 0.40),
    "Bright Sky (DWD) forecast": Tolerance(20, 0.02, "hourly; km/h with one decimal"),
    "Bright Sky (DWD) observed": Tolerance(20, 0.20, "hourly; no radiation for two days: light from cloud"),
    "DWD MOSMIX run": Tolerance(20, 0.02, "hourly; kelvin with two decimals"),
    "DWD MOSMIX ensemble": Tolerance(0, 0.0, "members spread by DWD's expected errors, on purpose", 1.5, 0.60),
    "US National Weather Service forecast": Tolerance(0, 0.0, f"rain in 6 h throughout: {STEPS}", 1.6, 0.50),
}


def reference(scenario: Scenario, site: Site, desk: Desk) -> Days:
    """Flight hours of the truth at the site from five days ago to 16 days ahead."""
    begin = int((desk.now.replace(hour=0) - timedelta(days=5)).timestamp())
    stamps = begin + HOUR_S * np.arange(22 * 24 + 1)
    truth = scenario.truth(Place(site.latitude, site.longitude, site.elevation_m), stamps)
    columns = {
        "temp_c": 0.5 * (truth.temp_c[1:] + truth.temp_c[:-1]),
        "wind_ms": 0.5 * (truth.wind_ms[1:] + truth.wind_ms[:-1]),
        "rain_mm": truth.rain_mm[1:],
        "ghi_wm2": truth.ghi_wm2[1:],
    }
    weather = make_weather(stamps[:-1].astype("datetime64[s]"), columns, Provenance("truth", "observation", "invented"))
    return flight_hours(sources_of(WeatherFolder(record=weather), site, BIOLOGY).observed, site)


def flight_hours(weather: SiteWeather | None, site: Site) -> Days:
    """Effective flight hours of each solar day that is known, pent-up drive left aside, mean over members."""
    assert weather is not None
    hours = weather.flight(BIOLOGY.flight, site.exposure).effective_h[..., 0].mean(axis=0)
    return {day: float(h) for day, h in zip(weather.days, hours, strict=True) if np.isfinite(h)}


def told(site: Site, desk: Desk) -> dict[str, Days]:
    """Flight hours by each service that serves the site, its answers fetched and read as in a pull."""
    past = fetch_archive(site, desk, years=3).record

    def laid(weather: Weather) -> Days:
        folder = WeatherFolder(forecast=weather, record=past, past=past)
        return flight_hours(sources_of(folder, site, BIOLOGY).run, site)

    found = {}
    for service in (listing.service for listing in LISTINGS if listing.service.serves(site)):
        name = f"{service.name} {service.part}"
        found[name] = laid(FETCH[name](site, desk).weather)
        if isinstance(service, mosmix_fetch.MosmixSpread):
            run = mosmix.parse_kmz(service.question(site, desk).ask(desk).body)
            found[f"{service.name} run"] = laid(run.weather)
    return found


@pytest.mark.parametrize("seed", [1, 2])
@pytest.mark.parametrize(
    ("site", "services"),
    [(GERMANY, {"Open-Meteo", "MET Norway", "Bright Sky (DWD)", "DWD MOSMIX"}),
     (AMERICA, {"Open-Meteo", "MET Norway", "US National Weather Service"})],
    ids=["Germany", "America"],
)  # fmt: skip
def test_all_services_give_the_flight_hours_of_the_same_weather(
    site: Site,
    services: set[str],
    seed: int,
    server: LoopbackServer,
    tmp_path: Path,
    tell: Callable[[str, str], None],
) -> None:
    server.scenario = Prophetic(seed=seed)
    with desk_at(server, tmp_path) as desk:
        truth = reference(server.scenario, site, desk)
        found = told(site, desk)

    today = np.datetime64("2026-06-01")
    days = [day for day in sorted(truth) if today - 3 <= day < today + 10]
    heading = f"flight hours a day as five services tell the same weather: {site.name}, weather {seed}"
    tell(heading, f"{'':<37}" + " ".join(f"{str(d)[5:]:>5}" for d in days) + "  worst  mean")
    tell(heading, f"{'truth':<37}" + " ".join(f"{truth[d]:5.2f}" for d in days))
    failures = []
    for name, hours in found.items():
        allowed = ALLOWED[name]
        off = {d: abs(hours[d] - truth[d]) for d in hours if d in truth}
        late = [h for d, h in off.items() if d >= today + allowed.fine_d]
        row = " ".join(f"{hours[d]:5.2f}" if d in hours else "    -" for d in days)
        tell(heading, f"{name:<37}{row}  {max(off.values()):5.2f} {np.mean(list(off.values())):5.2f}  ({allowed.why})")
        assert len(off) >= 3
        if any(h > allowed.fine_h for d, h in off.items() if d < today + allowed.fine_d):
            failures.append(f"{name}: hourly days")
        if late and (max(late) > allowed.coarse_h or np.mean(late) > allowed.mean_h):
            failures.append(f"{name}: coarse days, {max(late):.2f} at worst, {np.mean(late):.2f} on average")
    assert {name.rpartition(" ")[0] for name in found} == services
    assert not failures


def test_every_part_of_every_service_can_be_fetched_by_itself() -> None:
    assert {f"{listing.service.name} {listing.service.part}" for listing in LISTINGS} == set(FETCH)


def test_whatever_the_service_a_wet_spell_shuts_the_queens_in(server: LoopbackServer, tmp_path: Path) -> None:
    """A check that the comparison above can tell weathers apart: the days differ by more than any tolerance."""
    start = server.clock.now() + timedelta(days=2)
    server.scenario = Prophetic(seed=3, dry_outside=True, warmer_c=5.0).with_spell(start, start + timedelta(days=3))
    with desk_at(server, tmp_path) as desk:
        found = told(GERMANY, desk)

    for name, hours in found.items():
        if name != "Bright Sky (DWD) observed":
            before, amid, after = (hours[np.datetime64(f"2026-06-0{day}")] for day in (2, 4, 7))
            assert (before > 3.0, amid < 0.3, after > 3.0) == (True, True, True), name
