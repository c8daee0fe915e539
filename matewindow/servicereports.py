"""Reports on where weather comes from: what was pulled, which services there are, places found by name."""

from __future__ import annotations

from dataclasses import asdict
from typing import TYPE_CHECKING, Any

from matewindow.reporting import site_report, sources_report
from matewindow.weather.live.services import LISTINGS, services_for

if TYPE_CHECKING:
    from matewindow.live import Live
    from matewindow.settings import Settings
    from matewindow.site import Site
    from matewindow.weather.live.services import Desk
    from matewindow.weather.openmeteo_places import Place


def weather_report(site: Site, live: Live, desk: Desk) -> dict[str, Any]:
    """What was pulled for a site, from whom, how old it is, and how much of the quota is used."""
    return {
        "site": site_report(site),
        "now": desk.now.astimezone(site.zone).isoformat(),
        "attempts": [
            {
                "service": a.service,
                "part": a.part,
                "outcome": a.outcome,
                "age_h": None if a.age is None else a.age.total_seconds() / 3600.0,
                "reason": a.reason or None,
                "model": a.model or None,
                "hours": a.hours,
                "licence": a.licence or None,
            }
            for a in live.gathered.attempts
        ],
        "quota": [{"period": p.name, "used": p.used, "limit": p.limit} for p in desk.client.budget.state()],
        "store": str(desk.client.store.folder),
        "warnings": list(live.sources.remarks),
        "sources": sources_report(live.sources),
    }


def services_report(site: Site | None, settings: Settings) -> dict[str, Any]:
    """The weather services; for a site only those that serve it, in the order in which they are asked."""
    shown = list(LISTINGS)
    if site is not None:
        order = [
            s
            for part in ("ensemble", "forecast", "observed")
            for s in services_for(site, part, trade_without_key=settings.trade_without_key)
        ]
        shown = [listing for service in order for listing in LISTINGS if listing.service == service]
    return {
        "site": None if site is None else site_report(site),
        "services": [
            {
                "service": x.service.name,
                "part": x.service.part,
                "gives": x.gives,
                "region": x.region,
                "terms": x.terms,
                "licence": x.licence,
                "trade_without_key": x.without_key_for_trade,
            }
            for x in shown
        ],
    }


def places_report(places: list[Place]) -> dict[str, Any]:
    """Places found by name."""
    return {"places": [asdict(place) for place in places]}
