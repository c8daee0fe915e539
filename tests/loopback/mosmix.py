"""DWD's open data server on loopback: MOSMIX_L files of single stations.

A file is a zip with one KML in ISO-8859-1. Issues are at 03, 09, 15 and 21 UTC and there some hours later; the ones
of the last two days can be fetched by their time, the newest as LATEST.
"""

from __future__ import annotations

import io
import re
import zipfile
from dataclasses import dataclass
from typing import TYPE_CHECKING
from xml.sax.saxutils import escape, quoteattr

import numpy as np

from tests.loopback.exchange import Answer, RefusedError, confirmed, html_answer, moment_of
from tests.loopback.openmeteo_models import VARIABLES
from tests.loopback.scenario import DAY_S, HOUR_S, Hours, Place

if TYPE_CHECKING:
    from tests.loopback.exchange import Request, Scene
    from tests.loopback.scenario import Floats

STEPS = 247
DELAY_S = 75 * 60
_KEPT_S = 2 * DAY_S
_ZERO_K = 273.15
_FOLDER = "/weather/local_forecasts/mos/MOSMIX_L/single_stations"
_NAMES = {
    "dwd": "https://opendata.dwd.de/weather/lib/pointforecast_dwd_extension_V1_0.xsd",
    "gx": "http://www.google.com/kml/ext/2.2",
    "xal": "urn:oasis:names:tc:ciq:xsdschema:xAL:2.0",
    "kml": "http://www.opengis.net/kml/2.2",
    "atom": "http://www.w3.org/2005/Atom",
}


@dataclass(frozen=True)
class Station:
    """An invented station."""

    number: int
    name: str
    dwd_id: str
    wmo_id: str
    latitude: float
    longitude: float
    height_m: float
    has_sunshine: bool = True

    @property
    def place(self) -> Place:
        """Where it stands."""
        return Place(self.latitude, self.longitude, self.height_m)


STATIONS = (
    Station(1, "GRÜNAU/LAHLE", "91001", "Q1001", 50.62, 9.18, 240.0),
    Station(2, "OBERLAHLE", "91002", "Q1002", 50.71, 9.30, 410.0, has_sunshine=False),
    Station(3, "HINTERWALDEN", "91003", "Q1003", 48.02, 8.12, 880.0),
    Station(4, "DEICHHORN", "91004", "Q1004", 53.91, 8.84, 3.0),
    Station(5, "NEUSANDAU", "91005", "Q1005", 52.44, 13.51, 42.0),
    Station(6, "ALTSANDAU", "91006", "Q1006", 52.49, 13.40, 50.0, has_sunshine=False),
)
"""Where no DWD station is; sources of Bright Sky are numbered 10·n + 1 to 10·n + 3: historical, current, forecast."""


def issues(now_s: int) -> list[int]:
    """Issues that are there, epoch seconds, newest first."""
    newest = (now_s - DELAY_S - 3 * HOUR_S) // (6 * HOUR_S) * 6 * HOUR_S + 3 * HOUR_S
    return [newest - 6 * HOUR_S * i for i in range(_KEPT_S // (6 * HOUR_S))]


def answer(request: Request, scene: Scene) -> Answer:
    """Answer a request to the server."""
    form = re.fullmatch(_FOLDER + r"/(\w{5})/kml/MOSMIX_L_(LATEST|\d{10})_(\w{5})\.kmz", request.path)
    there = {f"{moment_of(issue):%Y%m%d%H}": issue for issue in issues(scene.newest_s)}
    station = next((s for s in STATIONS if form and form[1] == form[3] and s.wmo_id == form[1]), None)
    issue = None if form is None else issues(scene.newest_s)[0] if form[2] == "LATEST" else there.get(form[2])
    if station is None or issue is None:
        raise RefusedError(html_answer(404, "404 Not Found"))
    name = f"MOSMIX_L_{moment_of(issue):%Y%m%d%H}_{station.wmo_id}.kml"
    body = _zipped(name, _kml(scene, station.wmo_id, station.name, station.place, issue), issue)
    told = Answer(200, body, {"Content-Type": "application/vnd.google-earth.kmz", "Accept-Ranges": "bytes"})
    told.headers["ETag"] = f'"{issue:x}-{len(body):x}"'
    if request.headers.get("if-none-match") == told.headers["ETag"]:
        return Answer(304, b"", {"ETag": told.headers["ETag"]})
    return confirmed(request, told, moment_of(issue + DELAY_S))


def _zipped(name: str, text: str, issue: int) -> bytes:
    made = io.BytesIO()
    info = zipfile.ZipInfo(name, moment_of(issue).timetuple()[:6])
    info.compress_type = zipfile.ZIP_DEFLATED
    with zipfile.ZipFile(made, "w") as archive:
        archive.writestr(info, text.encode("iso-8859-1"))
    return made.getvalue()


def _kml(scene: Scene, number: str, name: str, place: Place, issue: int) -> str:
    stamps = issue + HOUR_S * np.arange(1, STEPS + 1)
    hours = scene.spoiled(scene.scenario.forecast(place, stamps, issue, "mosmix"))
    shown = scene.shown(place)
    spaces = " ".join(f"xmlns:{short}={quoteattr(long)}" for short, long in _NAMES.items())
    steps = "".join(f"<dwd:TimeStep>{_millis(t)}</dwd:TimeStep>\n" for t in stamps.tolist())
    forecasts = "".join(
        f"<dwd:Forecast dwd:elementName={quoteattr(element)}>\n<dwd:value>{_column(values)}</dwd:value>\n</dwd:Forecast>\n"
        for element, values in _elements(hours, place).items()
    )
    run = _millis(issue - 3 * HOUR_S)
    return (
        '<?xml version="1.0" encoding="ISO-8859-1" standalone="yes"?>\n'
        f"<kml:kml {spaces}>\n<kml:Document>\n<kml:ExtendedData>\n<dwd:ProductDefinition>\n"
        "<dwd:Issuer>Deutscher Wetterdienst</dwd:Issuer>\n<dwd:ProductID>MOSMIX</dwd:ProductID>\n"
        "<dwd:GeneratingProcess>invented for tests</dwd:GeneratingProcess>\n"
        f"<dwd:IssueTime>{_millis(issue)}</dwd:IssueTime>\n<dwd:ReferencedModel>\n"
        f'<dwd:Model dwd:name="ICON" dwd:referenceTime="{run}"/>\n'
        f'<dwd:Model dwd:name="ECMWF/IFS" dwd:referenceTime="{run}"/>\n</dwd:ReferencedModel>\n'
        f"<dwd:ForecastTimeSteps>\n{steps}</dwd:ForecastTimeSteps>\n"
        "<dwd:FormatCfg>\n<dwd:DefaultUndefSign>-</dwd:DefaultUndefSign>\n</dwd:FormatCfg>\n"
        "</dwd:ProductDefinition>\n</kml:ExtendedData>\n<kml:Placemark>\n"
        f"<kml:name>{number}</kml:name>\n<kml:description>{escape(name)}</kml:description>\n"
        f"<kml:ExtendedData>\n{forecasts}</kml:ExtendedData>\n<kml:Point>\n"
        f"<kml:coordinates>{shown.longitude:.2f},{shown.latitude:.2f},{shown.height_m:.1f}</kml:coordinates>\n"
        "</kml:Point>\n</kml:Placemark>\n</kml:Document>\n</kml:kml>\n"
    )


def _elements(hours: Hours, place: Place) -> dict[str, Floats]:
    """Elements in the units of the product; values that it gives at some hours only are missing at the others."""
    temp, wind, cloud, rain = hours.temp_c[0], hours.wind_ms[0], hours.cloud_frac[0], hours.rain_mm[0]
    dew = VARIABLES["dew_point_2m"].values(hours, place)[0]
    lead_d = np.arange(1, len(temp) + 1) / 24.0
    hour = hours.stamps // HOUR_S % 24
    in_three = np.convolve(rain, np.ones(3))[: len(rain)]
    unknown = np.full(len(temp), np.nan)
    odds = np.clip(100.0 * (cloud - 0.5) + 40.0 * (rain > 0.0), 0.0, 100.0)
    error = np.where(np.isnan(temp), np.nan, 0.7 + 0.35 * lead_d)
    elements = {
        "PPPP": np.full(len(temp), 101300.0),
        "TX": np.where(hour == 18, temp + _ZERO_K, np.nan),
        "TTT": temp + _ZERO_K,
        "Td": dew + _ZERO_K,
        "T5cm": temp - 0.5 + _ZERO_K,
        "DD": np.full(len(temp), 250.0),
        "FF": wind,
        "FX1": 1.7 * wind + 0.5,
        "N": 100.0 * cloud,
        "Neff": 100.0 * cloud,
        "RR1c": rain,
        "RR3c": np.where(hour % 3 == 0, in_three, np.nan),
        **{f"R1{mm10:02d}": odds * np.exp((1.0 - mm10) / 15.0) for mm10 in (1, 2, 3, 5, 7, 10, 20, 30, 50)},
        "Rad1h": hours.ghi_wm2[0] * 3.6,
        "SunD1": VARIABLES["sunshine_duration"].values(hours, place)[0],
        "E_TTT": error,
        "E_FF": 0.4 * error,
        "wwD": unknown,
    }
    return {name: np.asarray(values, dtype=np.float64) for name, values in elements.items()}


def _column(values: Floats) -> str:
    return "".join(f"{'-' if np.isnan(v) else f'{v:.2f}':>11}" for v in values)


def _millis(seconds: int) -> str:
    return f"{moment_of(seconds):%Y-%m-%dT%H:%M:%S}.000Z"
