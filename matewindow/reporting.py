"""Results as plain data: what ``--json`` prints and the service answers, with the same numbers to the last digit.

Dates are ISO 8601, probabilities and shares lie between 0 and 1, hours are hours, NaN never occurs: what is not
    known is null.
"""

from __future__ import annotations

from dataclasses import asdict
from typing import TYPE_CHECKING, Any

import numpy as np

from matewindow.advice import window_message
from matewindow.units import beaufort, beaufort_name
from matewindow.words import percent, verbal

if TYPE_CHECKING:
    from datetime import date, datetime

    from matewindow.biology import Biology
    from matewindow.graft import GraftDay, GraftDecision
    from matewindow.hours import DayHours, Hour
    from matewindow.odds import Range, Spread
    from matewindow.outlook import Outlook
    from matewindow.paths import Sources
    from matewindow.site import Site
    from matewindow.weather.normal import Provenance

CAUTIONS = (
    "Stings can kill: keep a phone with signal, know where you are, and do not work bees alone if you react to stings.",
    "This is no safety forecast: for storms, lightning and heat heed your national weather service.",
    "Moving bees and notifiable disease are matters of local law: ask your bee inspector first.",
)


def site_report(site: Site) -> dict[str, Any]:
    """Name, position and shelter of a site."""
    return {
        "name": site.name,
        "latitude": site.latitude,
        "longitude": site.longitude,
        "elevation_m": site.elevation_m,
        "timezone": site.timezone,
        "exposure": site.exposure,
    }


def sources_report(sources: Sources) -> list[dict[str, Any]]:
    """What a result stands on: each weather part with its source, licence line and remarks."""
    parts = {"observed": sources.observed, "run": sources.run, "members": sources.members, "past": sources.past}
    return [
        {
            "part": name,
            **_provenance(part.provenance),
            "made_on": None if part.issued is None else str(part.issued),
            "first_day": str(part.days[0]),
            "last_day": str(part.days[-1]),
        }
        for name, part in parts.items()
        if part is not None
    ]


def graft_report(
    decision: GraftDecision, sources: Sources, biology: Biology, model: str | None = None
) -> dict[str, Any]:
    """The graft decision.

    Args:
        decision, sources, biology: with what it was worked out from.
        model: version of the parameters and models that made its odds; None = the parameters alone.
    """
    return {
        "site": site_report(decision.site),
        "now": decision.now.astimezone(decision.site.zone).isoformat(),
        "grafts": decision.n_grafts,
        "by": _day(decision.by),
        "recommendation": {
            "sentence": decision.sentence,
            "graft_dates": [d.isoformat() for d in decision.graft_dates],
            "worth_it_from": decision.threshold,
        },
        "days": [_graft_day(day) for day in decision.days],
        "shares": decision.shares,
        "past_years": decision.years,
        "members": decision.members,
        "warnings": decision.warnings,
        "sources": sources_report(sources),
        "parameters": biology.version,
        "model": model or biology.version,
        "cautions": list(CAUTIONS),
    }


def window_report(
    outlook: Outlook, site: Site, sources: Sources, biology: Biology, model: str | None = None
) -> dict[str, Any]:
    """The outlook of one batch; arguments as ``graft_report``."""
    batch, said = outlook.batch, window_message(outlook, site)
    return {
        "site": site_report(site),
        "now": outlook.now.astimezone(site.zone).isoformat(),
        "message": " ".join(said),
        "message_parts": said,
        "batch": {
            "grafted": batch.grafted.isoformat(),
            "emerged": _day(batch.emerged),
            "moved": None if batch.moved is None else batch.moved.isoformat(),
            "checks": [{"date": c.day.isoformat(), "saw": c.saw} for c in batch.checks],
        },
        "emergence": dict(zip(("p5", "likeliest", "p95"), (d.isoformat() for d in outlook.emergence), strict=True)),
        "fates": outlook.fates,
        "p_well_mated": outlook.well_mated.value,
        "p_well_mated_range": _range(outlook.well_mated),
        "p_well_mated_usual": outlook.well_mated_usual,
        "in_words": f"{verbal(outlook.well_mated.value)} ({percent(outlook.well_mated.value)}) to be well mated",
        "p_well_mated_by_weather": _spread(outlook.well_mated_by_weather),
        "risk_poor_mating": _value(outlook.risk_poor_mating),
        "risk_poor_mating_range": _range(outlook.risk_poor_mating),
        "risk_poor_mating_usual": outlook.risk_poor_mating_usual,
        "risk_delayed_laying": _value(outlook.risk_delayed_laying),
        "risk_delayed_laying_range": _range(outlook.risk_delayed_laying),
        "risk_delayed_laying_usual": outlook.risk_delayed_laying_usual,
        "first_egg": _dates(outlook.first_egg),
        "first_egg_usual": _dates(outlook.first_egg_usual),
        "mean_mating_flights": outlook.mean_flights,
        "prime_flight_hours": _spread(outlook.prime_flight_hours),
        "prime_flight_hours_usual": _spread(outlook.prime_flight_hours_usual),
        "days": [
            {
                "date": d.day.isoformat(),
                "age": d.age,
                "prime": d.prime,
                "strict_hours": d.strict_hours,
                "effective_hours": d.effective_hours,
                "effective_hours_p10": d.p10_hours,
                "effective_hours_p90": d.p90_hours,
                "p_flying_day": d.p_flying,
                "drones": d.drones,
                "usual_hours": d.usual_hours,
                "window_hours": d.window_hours,
                "spoiled_by": d.spoiled_by,
                "shares": d.shares,
                "mating_flights": d.flights,
                "p_in_lay": outlook.laying_by_day.get(d.day, 0.0),
                "p_still_good_without_eggs": outlook.still_good.get(d.day),
            }
            for d in outlook.days
        ],
        "timeline": [
            {
                "event": e.name,
                "date": e.day.isoformat(),
                "earliest": e.earliest.isoformat(),
                "latest": e.latest.isoformat(),
                "at": None if e.at is None else e.at.isoformat(),
                "work": e.work,
                "caution": e.caution or None,
            }
            for e in outlook.timeline
        ],
        "shares": outlook.shares,
        "past_years": outlook.years,
        "members": outlook.members,
        "warnings": outlook.warnings,
        "sources": sources_report(sources),
        "parameters": biology.version,
        "model": model or biology.version,
        "cautions": list(CAUTIONS),
    }


def hours_report(days: list[DayHours], site: Site, now: datetime, sources: Sources, biology: Biology) -> dict[str, Any]:
    """Hour by hour; nothing in it but parameters comes from a model."""
    return {
        "site": site_report(site),
        "now": now.astimezone(site.zone).isoformat(),
        "days": [
            {
                "date": d.day.isoformat(),
                "from": d.origin,
                "series": d.n_series,
                "forecast_weight": d.forecast_weight,
                "sunrise": None if d.sunrise is None else d.sunrise.isoformat(),
                "sunset": None if d.sunset is None else d.sunset.isoformat(),
                "daylight_hours": d.daylight_h,
                "effective_hours": d.effective_hours,
                "strict_hours": d.strict_hours,
                "hours": [_hour(h) for h in d.hours],
            }
            for d in days
        ],
        "warnings": list(sources.remarks),
        "sources": sources_report(sources),
        "parameters": biology.version,
        "model": biology.version,
        "cautions": list(CAUTIONS),
    }


def _hour(hour: Hour) -> dict[str, Any]:
    force = None if hour.wind_ms is None else int(beaufort(np.array([hour.wind_ms]))[0])
    return {
        **asdict(hour),
        "start": hour.start.isoformat(),
        "beaufort": force,
        "wind": None if force is None else beaufort_name(force),
    }


def _graft_day(day: GraftDay) -> dict[str, Any]:
    return {
        "graft_date": day.day.isoformat(),
        "p_well_mated": day.well_mated.value,
        "p_well_mated_range": _range(day.well_mated),
        "p_well_mated_by_weather": _spread(day.well_mated_by_weather),
        "p_well_mated_usual": day.well_mated_usual,
        "p_in_lay_by": day.in_lay_by,
        "p_in_lay_by_usual": day.in_lay_by_usual,
        "expected_laying": day.expected_laying,
        "expected_laying_usual": day.expected_laying_usual,
        "laying_p10_p90": list(day.laying_range),
        "first_egg": _dates(day.first_egg),
        "prime_window": [d.isoformat() for d in day.prime],
        "prime_flight_hours": _spread(day.prime_flight_hours),
        "prime_flight_hours_usual": _spread(day.prime_flight_hours_usual),
        "forecast_share": day.forecast_share,
        "utility": day.utility,
        "merit": day.merit,
        "worth_it_from": day.break_even,
        "rank": day.rank,
        "tied_with_best": day.tied_with_best,
        "constraints": [{"name": c.name, "text": c.text} for c in day.constraints],
    }


def _provenance(p: Provenance) -> dict[str, Any]:
    return {
        "source": p.source,
        "kind": p.kind,
        "model": p.model,
        "run_time": None if p.run_time is None else p.run_time.isoformat(),
        "fetched_at": None if p.fetched_at is None else p.fetched_at.isoformat(),
        "native_step_h": p.native_step_h,
        "licence": p.licence,
        "file": p.file,
        "notes": list(p.notes),
    }


def _value(r: Range | None) -> float | None:
    return None if r is None else r.value


def _range(r: Range | None) -> list[float] | None:
    return None if r is None or r.low is None or r.high is None else [r.low, r.high]


def _spread(s: Spread | None) -> dict[str, float] | None:
    return None if s is None else {"mean": s.mean, "p10": s.p10, "p50": s.p50, "p90": s.p90}


def _dates(eggs: dict[str, date] | None) -> dict[str, str | None]:
    return {q: None if eggs is None else eggs[q].isoformat() for q in ("p10", "p50", "p90")}


def _day(day: date | None) -> str | None:
    return None if day is None else day.isoformat()
