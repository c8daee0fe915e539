"""The parameters: what they are called, what they are worth, how far they may be moved and where they come from.

The numbers live in ``models/literature.toml`` with unit, range, source and flag; the classes here give them names that
the kernels use and mypy checks. Loading compares both, so that neither can drift from the other.
"""

from __future__ import annotations

import difflib
import tomllib
from dataclasses import dataclass, field, fields, replace
from functools import lru_cache
from types import MappingProxyType
from typing import TYPE_CHECKING, Any

from matewindow.artefacts import data_folder
from matewindow.errors import ParameterError

if TYPE_CHECKING:
    from collections.abc import Mapping
    from pathlib import Path

FLAGS = ("read", "secondary", "derived", "memory", "judgement")


@dataclass(frozen=True)
class Parameter:
    """One number of the literature with its unit, its accepted range, its source and how sure it is."""

    name: str
    value: float
    unit: str
    low: float
    high: float
    source: str
    flag: str
    note: str = ""


@dataclass(frozen=True)
class Development:
    """From the egg to the emerged virgin. Hours (``_h``), days (``_d``) and °C (``_c``)."""

    egg_stage_h: float
    sealed_at_h: float
    emergence_h: float
    emergence_sd_h: float
    reference_temp_c: float
    sealed_delay_h_per_c: float
    sealed_temp_low_c: float
    sealed_temp_high_c: float
    larva_age_h: float
    move_cells_d: float
    move_earliest_d: float
    move_margin_h: float
    ripe_cell_emergence_d: float


@dataclass(frozen=True)
class Mating:
    """Maturity, drive by age, number of flights, losses. Ages in days since emergence."""

    maturity_age_d: float
    maturity_sd_d: float
    earliest_flight_age_d: float
    prime_from_age_d: float
    prime_to_age_d: float
    full_drive_to_age_d: float
    late_age_d: float
    drive_at_late_age: float
    end_age_d: float
    flight_rate_per_h: float
    one_flight_share: float
    two_flight_share: float
    three_flight_share: float
    loss_per_flight: float
    settle_after_d: float


@dataclass(frozen=True)
class Laying:
    """From the last mating flight, or from the introduction of a mated queen, to eggs and sealed brood, in days."""

    lag_d: float
    lag_sd_d: float
    lag_min_d: float
    sealed_brood_after_d: float
    introduced_lag_d: float


@dataclass(frozen=True)
class Quality:
    """Sperm stored by queens that made one, two or three mating flights, in millions."""

    sperm_one_flight_m: float
    sperm_two_flights_m: float
    sperm_three_flights_m: float


@dataclass(frozen=True)
class Flight:
    """Thresholds of the hourly flight suitability. A site may override each of them."""

    temp_midpoint_c: float
    temp_slope_per_c: float
    heat_full_to_c: float
    heat_none_from_c: float
    wind_full_to_ms: float
    wind_none_from_ms: float
    rain_full_to_mm: float
    rain_none_from_mm: float
    light_none_to_wm2: float
    light_full_from_wm2: float
    window_centre_h: float
    window_half_width_h: float
    strict_temp_c: float
    strict_rain_mm: float
    pent_up_per_day_c: float
    pent_up_cap_c: float
    pent_up_below_h: float


@dataclass(frozen=True)
class Drones:
    """Drone development in days, and their longer day in minutes."""

    emergence_d: float
    mature_age_d: float
    start_earlier_min: float
    end_later_min: float


@dataclass(frozen=True)
class Checks:
    """The visits that a batch asks for: days before or after the graft, ages in days, hours of the local clock."""

    builder_before_d: float
    takes_after_d: float
    first_check_age_d: float
    give_up_age_d: float
    nuc_without_brood_d: float
    introduced_check_d: float
    quiet_from_h: float
    quiet_to_h: float


@dataclass(frozen=True)
class Success:
    """Shares of grafts taken, of ripe cells that give an accepted virgin, of mated queens accepted by a nuc."""

    take: float
    emergence_acceptance: float
    introduction: float


@dataclass(frozen=True)
class Decision:
    """What a failed nuc, a day, a poor and a mated queen and fresh bees cost, in laying queens; when days are equal."""

    nuc_cost: float
    few_frames_nuc_cost: float
    five_frames_nuc_cost: float
    delay_cost_per_d: float
    poor_queen_cost: float
    mated_queen_cost: float
    fresh_bees_cost: float
    tie_points: float
    tie_days: float


@dataclass(frozen=True)
class Forecast:
    """How fast a weather forecast loses to the site's own past years with lead time, and the warming allowed for."""

    ensemble_weight: float
    ensemble_half_d: float
    ensemble_power: float
    single_weight: float
    single_half_d: float
    single_power: float
    trend_cap_k_per_a: float
    trend_min_years: float


@dataclass(frozen=True)
class Biology:
    """All parameters, validated, frozen. ``parameters`` has each one's range and source by its dotted name."""

    development: Development
    mating: Mating
    laying: Laying
    quality: Quality
    flight: Flight
    drones: Drones
    checks: Checks
    success: Success
    decision: Decision
    forecast: Forecast
    version: str
    parameters: Mapping[str, Parameter] = field(repr=False, compare=False)

    def with_values(self, values: Mapping[str, float], *, where: str = "", group: str = "") -> Biology:
        """The same parameters with some values changed.

        Args:
            values: dotted name (``flight.temp_midpoint_c``), or bare name where ``group`` is given -> value.
            where: file or option to name in errors.
            group: the only group that may be changed, such as ``flight`` for a site's thresholds.

        Raises:
            ParameterError: unknown name, no number, outside the accepted range, or at odds with another value.
        """
        changed: dict[str, dict[str, float]] = {}
        for name, value in values.items():
            dotted = f"{group}.{name}" if group else name
            checked = _checked_value(self.parameters, dotted, value, where=where, group=group)
            section, _, key = dotted.partition(".")
            changed.setdefault(section, {})[key] = checked
        parts = {section: replace(getattr(self, section), **new) for section, new in changed.items()}
        result: Biology = replace(self, **parts)
        _check_order(result, where)
        return result


_GROUPS: dict[str, type] = {
    "development": Development,
    "mating": Mating,
    "laying": Laying,
    "quality": Quality,
    "flight": Flight,
    "drones": Drones,
    "checks": Checks,
    "success": Success,
    "decision": Decision,
    "forecast": Forecast,
}


@lru_cache(maxsize=4)
def load_biology(models_folder: Path | None = None) -> Biology:
    """Read and check ``literature.toml`` of the models folder (default: the one that ships with the program).

    Raises:
        ParameterError: the file is missing or malformed, lacks a parameter or has one too many, or a value lies
            outside its range.
    """
    file = data_folder("models", models_folder) / "literature.toml"
    try:
        document = tomllib.loads(file.read_text(encoding="utf-8"))
    except (OSError, UnicodeDecodeError, tomllib.TOMLDecodeError) as fault:
        raise ParameterError(f"cannot be read as TOML ({fault})", where=str(file)) from fault
    parameters = _parameters(document, str(file))
    groups = {
        section: cls(**{f.name: parameters[f"{section}.{f.name}"].value for f in fields(cls)})
        for section, cls in _GROUPS.items()
    }
    biology = Biology(
        **groups, version=str(document.get("version", "unversioned")), parameters=MappingProxyType(parameters)
    )
    _check_order(biology, str(file))
    return biology


def _parameters(document: Mapping[str, Any], where: str) -> dict[str, Parameter]:
    expected = {f"{section}.{f.name}" for section, cls in _GROUPS.items() for f in fields(cls)}
    found = {
        f"{section}.{key}": entry
        for section, entries in document.items()
        if isinstance(entries, dict)
        for key, entry in entries.items()
    }
    for name in sorted(expected ^ set(found)):
        what = f"parameter {name} is missing" if name in expected else f"parameter {name} is unknown"
        raise ParameterError(what, where=where, fix="The file and the program belong to different versions.")
    parameters = {}
    for name, entry in found.items():
        try:
            parameter = Parameter(name=name, **entry)
            ok = parameter.low <= parameter.value <= parameter.high and parameter.flag in FLAGS
        except TypeError as fault:
            raise ParameterError(f"entry {name} is malformed ({fault})", where=where) from fault
        if not ok:
            raise ParameterError(
                f"{name} = {parameter.value} does not lie in {parameter.low} to {parameter.high}, or its flag "
                f"{parameter.flag!r} is none of {', '.join(FLAGS)}",
                where=where,
            )
        parameters[name] = parameter
    return parameters


def _checked_value(parameters: Mapping[str, Parameter], dotted: str, value: object, *, where: str, group: str) -> float:
    shown = dotted.removeprefix(f"{group}.") if group else dotted
    if dotted not in parameters:
        names = [n.removeprefix(f"{group}.") for n in parameters if n.startswith(group)]
        near = difflib.get_close_matches(shown, names, n=1)
        hint = f"Did you mean {near[0]}? " if near else ""
        listing = ", ".join(
            f"{n} ({parameters[f'{group}.{n}' if group else n].low:g} to "
            f"{parameters[f'{group}.{n}' if group else n].high:g})"
            for n in names
        )
        raise ParameterError(
            f"there is no parameter {shown!r}",
            where=where,
            fix=f"{hint}The names and their ranges: {listing}.",
        )
    parameter = parameters[dotted]
    if isinstance(value, bool) or not isinstance(value, (int, float)):
        raise ParameterError(
            f"{shown} is {value!r}, not a number", where=where, fix=f"Write a number in {parameter.unit}."
        )
    if not parameter.low <= value <= parameter.high:
        raise ParameterError(
            f"{shown} = {value:g} {parameter.unit} is outside the allowed range",
            where=where,
            fix=f"Allowed are {parameter.low:g} to {parameter.high:g} {parameter.unit}.",
        )
    return float(value)


def _check_order(biology: Biology, where: str) -> None:
    """Refuse values that contradict each other although each lies in its own range."""
    flight, mating = biology.flight, biology.mating
    ordered = (
        ("heat_full_to_c", flight.heat_full_to_c, "heat_none_from_c", flight.heat_none_from_c),
        ("wind_full_to_ms", flight.wind_full_to_ms, "wind_none_from_ms", flight.wind_none_from_ms),
        ("rain_full_to_mm", flight.rain_full_to_mm, "rain_none_from_mm", flight.rain_none_from_mm),
        ("light_none_to_wm2", flight.light_none_to_wm2, "light_full_from_wm2", flight.light_full_from_wm2),
        ("full_drive_to_age_d", mating.full_drive_to_age_d, "late_age_d", mating.late_age_d),
        ("late_age_d", mating.late_age_d, "end_age_d", mating.end_age_d),
    )
    for low_name, low, high_name, high in ordered:
        if not low < high:
            raise ParameterError(
                f"{low_name} = {low:g} is not below {high_name} = {high:g}",
                where=where,
                fix="Move one of them.",
            )
    total = mating.one_flight_share + mating.two_flight_share + mating.three_flight_share
    if abs(total - 1.0) > 1e-9:
        raise ParameterError(f"the shares of one, two and three flights add up to {total:g}, not 1", where=where)
