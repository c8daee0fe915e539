"""How each weather source wants to be asked: positions, name plate, limits.

Sources (their public terms of use, as of 2026):

- MET Norway Locationforecast: at most 4 decimals (more are refused with 403), an identifying User-Agent with a
  contact (403 without), ``Expires`` and ``If-Modified-Since`` honoured, 429 means stop.
- NWS api.weather.gov: at most 4 decimals and no trailing zeros (both are redirected), a User-Agent.
- Open-Meteo: a weighted number of calls per minute, hour and day (``budget.py``).
- Bright Sky, DWD and ECMWF open data: no published rate limit.
"""

from __future__ import annotations

import math
import re
from dataclasses import dataclass
from typing import TYPE_CHECKING

from matewindow import __version__
from matewindow.errors import InputError, RequestError

if TYPE_CHECKING:
    from matewindow.settings import Settings


@dataclass(frozen=True)
class Source:
    """A weather source.

    Args:
        name: short name for folders and the table of cool-downs, lower-case.
        title: name as people know it, for messages.
        decimals: to how many decimals of a degree a position is sent.
        needs_contact: whether it answers only those who say who they are.
        budgeted: whether its calls are weighted and counted (``budget.Budget``).
    """

    name: str
    title: str
    decimals: int
    needs_contact: bool = False
    budgeted: bool = False


# Three decimals (110 m) for Open-Meteo: finer than any of its grids (2 km and more) and about the mesh of its terrain
# model (90 m), but not the doorstep of the apiary. Bright Sky looks for stations kilometres away: two would do as well.
OPEN_METEO = Source("open-meteo", "Open-Meteo", 3, budgeted=True)
MET_NORWAY = Source("met-norway", "MET Norway", 4, needs_contact=True)
NWS = Source("nws", "US National Weather Service", 4)
BRIGHT_SKY = Source("bright-sky", "Bright Sky", 3)
DWD = Source("dwd", "Deutscher Wetterdienst", 3)
ECMWF = Source("ecmwf", "ECMWF open data", 3)


def coordinates(source: Source, latitude_deg: float, longitude_deg: float) -> tuple[str, str]:
    """A position as the source wants it: rounded to its decimals, no trailing zeros, no exponent, no "-0".

    Args:
        source: decides the number of decimals.
        latitude_deg: degrees north, -90 to 90.
        longitude_deg: degrees east, -180 to 180.

    Raises:
        RequestError: no such place on Earth.
    """
    for name, value, most in (("latitude", latitude_deg, 90.0), ("longitude", longitude_deg, 180.0)):
        if not (math.isfinite(value) and abs(value) <= most):
            raise RequestError(f"{name} {value:g} does not exist", fix=f"Give -{most:g} to {most:g} degrees.")
    return _short(latitude_deg, source.decimals), _short(longitude_deg, source.decimals)


def _short(value: float, decimals: int) -> str:
    text = f"{value:.{decimals}f}".rstrip("0").rstrip(".")
    return "0" if text in {"-0", ""} else text


def user_agent(settings: Settings, source: Source) -> str:
    """The name plate of a call: program, version and who runs it.

    Raises:
        InputError: the source answers only with a contact and none is set, or the contact is unusable in a header.
    """
    contact = (settings.contact or "").strip()
    if not contact and source.needs_contact:
        raise InputError(
            f"{source.title} answers only programs that name a contact, and none is set",
            where="MATEWINDOW_CONTACT",
            fix="Set it to a mail address or web page of yours: MATEWINDOW_CONTACT=you@your-domain.org.",
        )
    if not re.fullmatch(r"[ -~]*", contact) or (contact and not re.search(r"\w[@.]\w", contact)):
        raise InputError(
            f"{contact!r} is neither a mail address nor a web page",
            where="MATEWINDOW_CONTACT",
            fix="Give one in plain letters, such as you@your-domain.org.",
        )
    return f"matewindow/{__version__} ({contact or 'no contact given'})"
