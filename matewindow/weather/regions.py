"""Where each service is at home, in rough boxes: one that turns out not to serve a place says so and is passed over."""

from __future__ import annotations

from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from matewindow.site import Site

# south, north, west, east in degrees
_GERMANY = ((47.2, 55.1, 5.8, 15.1),)
_NORDIC = ((54.5, 71.5, 4.0, 31.5),)
_UNITED_STATES = (
    (24.4, 49.4, -125.0, -66.9),
    (51.0, 71.5, -180.0, -129.9),
    (18.8, 22.3, -160.6, -154.7),
    (17.8, 18.6, -67.4, -65.2),
)


def _within(site: Site, boxes: tuple[tuple[float, float, float, float], ...]) -> bool:
    return any(s <= site.latitude <= n and w <= site.longitude <= e for s, n, w, e in boxes)


def in_germany(site: Site) -> bool:
    """Within reach of DWD's stations."""
    return _within(site, _GERMANY)


def in_the_north(site: Site) -> bool:
    """Where MET Norway runs its fine model with hourly updates."""
    return _within(site, _NORDIC)


def in_the_united_states(site: Site) -> bool:
    """Where the US National Weather Service forecasts."""
    return _within(site, _UNITED_STATES)
