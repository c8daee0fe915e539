"""Live weather as the service holds it, and as it lies in the register between refreshes."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING, Any

import numpy as np

from matewindow.keeping.olderyears import LACKING, PAST_YEARS, OlderYears, with_older
from matewindow.keeping.packing import packed, unpacked
from matewindow.keeping.weather import Held, parts_of, stamp_of
from matewindow.paths import Sources
from matewindow.weather.entries import DamagedError

if TYPE_CHECKING:
    from collections.abc import Sequence
    from datetime import datetime

    from matewindow.live import Live
    from matewindow.site import Site
    from matewindow.weather.live.gather import Attempt

_FORECASTS = ("ensemble", "forecast")
_OVERLAP_D = 7


def held_of(site: Site, live: Live, older: OlderYears | None = None) -> Held:
    """Live weather as it is held for outlooks.

    Args:
        site: whose it is.
        live: what came.
        older: past years that are kept apart.
    """
    attempts, sources = live.gathered.attempts, with_older(live.sources, older)
    lacking = sorted(f"{a.service} {a.part} {a.outcome}" for a in attempts if a.outcome in LACKING)
    return Held(
        site,
        sources,
        stamp_of(sources, lacking),
        _newest(sources),
        tuple(_told(a) for a in attempts),
        _trouble(attempts),
        None if older is None else older.end,
    )


def unfinished(held: Held) -> bool:
    """Whether something is lacking that may come soon: a new forecast, or past years beyond the day's budget."""
    lacking = any(a["part"] == PAST_YEARS and a["outcome"] in ("failed", "incomplete") for a in held.attempts)
    return bool(held.trouble) or lacking


def to_bytes(held: Held) -> bytes:
    """Held weather as it is kept; past years that are kept apart are left out."""
    parts = {name: part for name, part in parts_of(held.sources).items() if part is not None}
    one_record = parts.get("past") is not None and parts.get("past") is parts.get("observed")
    if held.older is not None or one_record:
        del parts["past"]
    record = parts.get("observed")
    if held.older is not None and record is not None:
        start = int((held.older - _OVERLAP_D - record.days[0]).astype(np.int64))
        parts["observed"] = record.between(max(0, start), len(record.days))
    head = {
        "older": None if held.older is None else str(held.older),
        "one_record": one_record,
        "remarks": list(held.sources.remarks),
        "attempts": list(held.attempts),
        "trouble": held.trouble,
    }
    return packed(parts, head)


def from_bytes(data: bytes, stamp: str, site: Site, older: OlderYears | None) -> Held:
    """Held weather from what is kept of it.

    Raises:
        DamagedError: it is not what was kept, or the past years that belong to it are lacking.
    """
    parts, head = unpacked(data)
    end = None if head["older"] is None else np.datetime64(head["older"], "D")
    if end is not None and (older is None or older.end != end):
        raise DamagedError("the past years that belong to it are lacking")
    given: dict[str, Any] = {**parts, "remarks": tuple(head["remarks"])}
    sources = Sources(**given)
    if end is not None:
        sources = with_older(sources, older)
    elif head["one_record"]:
        sources = replace(sources, past=sources.observed)
    return Held(site, sources, stamp, _newest(sources), tuple(head["attempts"]), str(head["trouble"]), end)


def _told(a: Attempt) -> dict[str, Any]:
    age_h = None if a.age is None else a.age.total_seconds() / 3600.0
    return {"service": a.service, "part": a.part, "outcome": a.outcome, "age_h": age_h, "reason": a.reason or None}


def _trouble(attempts: Sequence[Attempt]) -> str:
    """Why there is no new forecast of any kind; empty if there is one."""
    asked = [a for a in attempts if a.part in _FORECASTS]
    if any(a.outcome not in LACKING for a in asked):
        return ""
    reasons = list(dict.fromkeys(f"{a.service}: {a.reason}" for a in attempts if a.outcome in LACKING and a.reason))
    return f"No weather service gave a new forecast ({'; '.join(reasons)})."


def _newest(sources: Sources) -> datetime | None:
    times = (p.provenance.fetched_at for p in (sources.members, sources.run, sources.observed) if p is not None)
    return max((t for t in times if t is not None), default=None)
