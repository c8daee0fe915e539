"""What passes between a client and the services: requests, answers, the record of both, and the clock they share."""

from __future__ import annotations

import gzip
import json
import threading
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta
from email.utils import format_datetime
from typing import TYPE_CHECKING, Any

import numpy as np

from matewindow.weather.http import Clock
from tests.loopback.scenario import FIELDS, Hours, Place, Scenario

if TYPE_CHECKING:
    from collections.abc import Mapping

    from numpy.typing import NDArray

ADDRESS = "127.0.0.1"
HOSTS = {
    "open-meteo-forecast": "api.open-meteo.com",
    "open-meteo-ensemble": "ensemble-api.open-meteo.com",
    "open-meteo-archive": "archive-api.open-meteo.com",
    "open-meteo-previous-runs": "previous-runs-api.open-meteo.com",
    "open-meteo-single-runs": "single-runs-api.open-meteo.com",
    "open-meteo-geocoding": "geocoding-api.open-meteo.com",
    "met-norway": "api.met.no",
    "nws": "api.weather.gov",
    "bright-sky": "api.brightsky.dev",
    "dwd": "opendata.dwd.de",
}
"""Services and the host names that they have in the world."""
SERVICES = {host: service for service, host in HOSTS.items()}
SERVICES |= {f"customer-{host}": service for host, service in SERVICES.items() if service.startswith("open-meteo")}
"""Host names, those of Open-Meteo for users with a key too, and their services."""
NOW = datetime(2026, 6, 1, 6, tzinfo=UTC)
"""What the clock shows at first, as in the sample weather."""


class SetClock(Clock):
    """A clock that stands still until it is set. Client and server may share one.

    ``sleep`` moves it and returns at once, so that no test waits; ``monotonic`` is real, as time limits on real sockets
    must be.
    """

    def __init__(self, now: datetime = NOW) -> None:
        self._now = now
        self._lock = threading.Lock()

    def now(self) -> datetime:
        with self._lock:
            return self._now

    def set(self, now: datetime) -> None:
        """Show this time from now on, aware UTC."""
        with self._lock:
            self._now = now

    def advance(self, span: timedelta) -> None:
        """Move on, or back."""
        with self._lock:
            self._now += span

    def sleep(self, seconds: float) -> None:
        self.advance(timedelta(seconds=seconds))


@dataclass(frozen=True)
class Request:
    """A request as a service sees it.

    Attributes:
        number: counted from 1 over all services.
        at: time on the server's clock.
        service: name of the service, such as "nws".
        path: without the service's prefix.
        query: names and values in their order; a form or JSON body of a POST adds to it.
        headers: names in lower case.
        root: what the address of any of the service's pages begins with, seen from this client.
        prefix: what its path begins with: "/nws", or nothing if the client came by the service's own host name.
        raw_query: as sent.
    """

    number: int
    at: datetime
    method: str
    service: str
    path: str
    query: tuple[tuple[str, str], ...]
    headers: Mapping[str, str]
    root: str
    prefix: str
    raw_query: str = ""

    def text(self, name: str, default: str = "") -> str:
        """The last value given for a name."""
        return next((value for key, value in reversed(self.query) if key == name), default)

    def items(self, name: str) -> list[str]:
        """All values given for a name, repeated or with commas."""
        return [part for key, value in self.query if key == name for part in value.split(",") if part]


@dataclass
class Answer:
    """What a service says. ``weight`` is what the call costs in units of the service's budget."""

    status: int
    body: bytes = b""
    headers: dict[str, str] = field(default_factory=dict)
    weight: float = 1.0


@dataclass(frozen=True)
class Exchange:
    """A request and what became of it.

    Attributes:
        status: of the answer; None if none was sent.
        sent_bytes: bytes of the body that were sent, packed if it was.
        weight: weighted calls that it cost.
        faults: names of the faults that it met.
    """

    request: Request
    status: int | None
    sent_bytes: int
    weight: float
    faults: tuple[str, ...]

    @property
    def path(self) -> str:
        """Path of the request."""
        return self.request.path


@dataclass(frozen=True)
class Scene:
    """What a service answers from.

    Attributes:
        scenario: the weather.
        now: time of day as the service believes.
        newest: time whose runs are the newest that it has; ``now``, unless they are stuck.
        faults: names of the faults in what it says.
    """

    scenario: Scenario
    now: datetime
    newest: datetime
    faults: frozenset[str] = frozenset()

    @property
    def now_s(self) -> int:
        """Epoch seconds of ``now``."""
        return int(self.now.timestamp())

    @property
    def newest_s(self) -> int:
        """Epoch seconds of ``newest``."""
        return int(self.newest.timestamp())

    def spoiled(self, hours: Hours) -> Hours:
        """Weather with the faults in it that concern values."""
        if "all_nulls" in self.faults:
            return hours.blanked(np.ones(hours.stamps.shape, dtype=bool))
        changes: dict[str, NDArray[np.float64]] = {name: getattr(hours, name) for name in FIELDS}
        if "negative_rain" in self.faults:
            changes["rain_mm"] = -1.0 - changes["rain_mm"]
        if "temperature_200" in self.faults:
            changes["temp_c"] = np.full_like(changes["temp_c"], 200.0)
        return Hours(hours.stamps, **changes)

    def unit(self, text: str) -> str:
        """A unit as the service states it."""
        return "undefined" if "undefined_units" in self.faults else text

    def shown(self, place: Place) -> Place:
        """A place as the service repeats it."""
        if "wrong_coordinates" not in self.faults:
            return place
        south = -10.0 if place.latitude > 0.0 else 10.0
        west = -10.0 if place.longitude > 0.0 else 10.0
        return Place(place.latitude + south, place.longitude + west, place.elevation_m)


class RefusedError(Exception):
    """A service does not give what was asked for; its answer says why."""

    def __init__(self, answer: Answer) -> None:
        super().__init__(answer.body.decode("utf-8", "replace"))
        self.answer = answer


def json_answer(
    payload: object, *, status: int = 200, media: str = "application/json; charset=utf-8", weight: float = 1.0
) -> Answer:
    """An answer in JSON, without blanks between its parts. NaN is not JSON: say None."""
    text = json.dumps(payload, ensure_ascii=False, separators=(",", ":"), allow_nan=False)
    return Answer(status, text.encode(), {"Content-Type": media}, weight)


def html_answer(status: int, title: str) -> Answer:
    """A short web page, as servers and proxies send for an error."""
    page = f"<!DOCTYPE html>\n<html><head><title>{title}</title></head><body><h1>{title}</h1></body></html>\n"
    return Answer(status, page.encode(), {"Content-Type": "text/html; charset=utf-8"})


def packed(answer: Answer, request: Request) -> Answer:
    """The answer in gzip, if the client takes that and there is something to pack."""
    if "gzip" in request.headers.get("accept-encoding", "") and answer.status == 200:
        answer.body = gzip.compress(answer.body, compresslevel=1, mtime=0)
        answer.headers |= {"Content-Encoding": "gzip", "Vary": "Accept-Encoding"}
    return answer


def confirmed(request: Request, answer: Answer, changed: datetime) -> Answer:
    """The answer with ``Last-Modified``, or a 304 if the client says that it has it (RFC 9110, 13.1.3)."""
    answer.headers["Last-Modified"] = http_date(changed)
    if request.headers.get("if-modified-since") != answer.headers["Last-Modified"]:
        return answer
    kept = ("Last-Modified", "Expires", "Cache-Control", "ETag", "Vary")
    return Answer(304, b"", {name: value for name, value in answer.headers.items() if name in kept}, answer.weight)


def http_date(moment: datetime) -> str:
    """Like "Mon, 01 Jun 2026 06:00:00 GMT"."""
    return format_datetime(moment.astimezone(UTC), usegmt=True)


def zulu(seconds: float) -> str:
    """Epoch seconds like 2026-06-01T06:00:00Z."""
    return f"{moment_of(seconds):%Y-%m-%dT%H:%M:%SZ}"


def moment_of(seconds: float) -> datetime:
    """Epoch seconds as aware UTC datetime."""
    return datetime.fromtimestamp(seconds, UTC)


def listed(values: NDArray[np.float64], digits: int) -> list[Any]:
    """Values as a JSON list, NaN as null, rounded; no digits gives whole numbers."""
    rounded = np.round(values, digits) + 0.0
    plain = rounded.tolist() if digits else [v if np.isnan(v) else int(v) for v in rounded]
    return [None if np.isnan(v) else v for v in plain] if np.isnan(rounded).any() else plain
