"""Reports in the units that a reader thinks in: converted at the edge, from the metric values that everything works in.

Only what bears its unit in its name is converted, and the name tells the new one: ``temp_c`` becomes ``temp_f``. Hours,
shares and dates are the same everywhere.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any, Literal, get_args

from matewindow.errors import RequestError
from matewindow.units import c_to_fahrenheit, m_to_feet, mm_to_inches, ms_to_mph

if TYPE_CHECKING:
    from collections.abc import Callable

System = Literal["metric", "uk", "us"]
SYSTEMS: tuple[System, ...] = get_args(System)

_MILES: dict[str, tuple[str, Callable[[float], float]]] = {"_ms": ("_mph", ms_to_mph)}
CONVERSIONS: dict[str, dict[str, tuple[str, Callable[[float], float]]]] = {
    "metric": {},
    "uk": _MILES,
    "us": _MILES | {"_c": ("_f", c_to_fahrenheit), "_mm": ("_in", mm_to_inches), "_m": ("_ft", m_to_feet)},
}
"""For each system: the end of a name, what it becomes, and the conversion."""


def in_units(report: Any, system: str) -> Any:  # noqa: ANN401  any part of a report
    """A report with its measured values in another system of units.

    Args:
        report: from ``reporting``; it is not changed.
        system: metric (°C, m/s, mm, m), uk (°C, mph, mm, m) or us (°F, mph, in, ft).

    Raises:
        RequestError: no such system.
    """
    if system not in CONVERSIONS:
        raise RequestError(f"{system!r} is no system of units", where="units", fix=f"Give {', '.join(SYSTEMS)}.")
    table = CONVERSIONS[system]
    return _converted(report, table) if table else report


def _converted(value: Any, table: dict[str, tuple[str, Callable[[float], float]]]) -> Any:  # noqa: ANN401
    if isinstance(value, list):
        return [_converted(part, table) for part in value]
    if not isinstance(value, dict):
        return value
    found = {}
    for name, part in value.items():
        end = next((e for e in table if name.endswith(e)), None)
        if end is None or isinstance(part, bool) or not (part is None or isinstance(part, (int, float))):
            found[name] = _converted(part, table)
        else:
            new, convert = table[end]
            found[name.removesuffix(end) + new] = None if part is None else convert(part)
    return found
