"""The scenario of the demo: an invented site and season, fixed in time, so that it always says the same."""

from __future__ import annotations

from datetime import UTC, date, datetime
from typing import TYPE_CHECKING

from matewindow.graft import GraftDecision, graft_decision
from matewindow.outlook import Outlook, batch_outlook
from matewindow.timeline import Batch, graft_time

if TYPE_CHECKING:
    from matewindow.biology import Biology
    from matewindow.paths import Sources
    from matewindow.site import Site

NOW = datetime(2026, 6, 1, 6, tzinfo=UTC)
WEEK_FROM, WEEK_DAYS = date(2026, 6, 1), 7
BATCH_GRAFTED = date(2026, 5, 13)
"""The wet week that the sample forecast brings falls into its prime window."""


def run_demo(site: Site, sources: Sources, biology: Biology) -> tuple[GraftDecision, Outlook]:
    """The week's graft decision and one batch's window, as of ``NOW``."""
    decision = graft_decision(site, sources, WEEK_FROM, WEEK_DAYS, NOW, biology)
    outlook = batch_outlook(Batch(graft_time(BATCH_GRAFTED, site)), site, sources, NOW, biology)
    return decision, outlook
