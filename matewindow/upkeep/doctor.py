"""What is wrong with an installation, and how to mend it.

Nothing is changed by looking: no register and no store is made where there is none, and no schema is brought up.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any, Literal

from matewindow.errors import InputError, MatewindowError
from matewindow.settings import Settings

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator, Mapping
    from datetime import datetime

State = Literal["ok", "note", "warning", "fault"]
STATES: tuple[State, ...] = ("ok", "note", "warning", "fault")
"""From well to worst. A note needs nothing done; a warning should be seen to; with a fault something does not work."""


@dataclass(frozen=True)
class Finding:
    """What was looked at and what was found.

    Attributes:
        about: what was looked at.
        state: how it is.
        what: what was found.
        fix: what to do; empty if nothing.
    """

    about: str
    state: State
    what: str
    fix: str = ""


@dataclass(frozen=True)
class Patient:
    """What is looked at.

    Attributes:
        settings: of the process.
        environment: the variables that they came from.
        now: the present, aware.
        thorough: also what takes long.
    """

    settings: Settings
    environment: Mapping[str, str]
    now: datetime
    thorough: bool = False


def examine(
    environment: Mapping[str, str],
    now: datetime,
    *,
    register: str | None = None,
    thorough: bool = False,
    on_look: Callable[[str], None] | None = None,
) -> list[Finding]:
    """Look at everything.

    Args:
        environment: such as ``os.environ``.
        now: the present, aware.
        register: file or URL instead of the setting's.
        thorough: also hold every record against its history, and every stored answer against its checksum.
        on_look: is told what is being looked at.
    """
    from matewindow.upkeep.lookprogram import look_at_program, look_at_settings, look_at_time
    from matewindow.upkeep.lookregister import look_at_register
    from matewindow.upkeep.lookweather import look_at_weather

    settings, found = _readable(environment)
    if register is not None:
        settings = replace(settings, register=register)
    patient = Patient(settings, environment, now, thorough)
    looks: dict[str, Callable[[Patient], Iterator[Finding]]] = {
        "program": look_at_program,
        "settings": look_at_settings,
        "clock": look_at_time,
        "register": look_at_register,
        "weather": look_at_weather,
    }
    for about, look in looks.items():
        if on_look is not None:
            on_look(about)
        try:
            found.extend(look(patient))
        except MatewindowError as fault:
            found.append(_as_finding(about, fault))
    return found


def _readable(environment: Mapping[str, str]) -> tuple[Settings, list[Finding]]:
    """The settings without those that cannot be read, and what is wrong with these."""
    left, found = dict(environment), list[Finding]()
    while True:
        try:
            return Settings.from_environment(left), found
        except InputError as fault:
            found.append(_as_finding(fault.where or "settings", fault))
            if fault.where not in left:
                return Settings(), found
            del left[fault.where]


def _as_finding(about: str, fault: MatewindowError) -> Finding:
    """What a fault says, with what to do apart."""
    what, fix, where = (str(getattr(fault, name, "")) for name in ("what", "fix", "where"))
    if not what:
        return Finding(about, "fault", str(fault))
    return Finding(about, "fault", what if where in {"", about} else f"{where}: {what}", fix)


def worst(findings: list[Finding]) -> State:
    """The state of the whole."""
    return STATES[max((STATES.index(f.state) for f in findings), default=0)]


def as_report(findings: list[Finding]) -> dict[str, Any]:
    """For JSON."""
    rows = [{"about": f.about, "state": f.state, "what": f.what, "fix": f.fix} for f in findings]
    return {"state": worst(findings), "findings": rows}
