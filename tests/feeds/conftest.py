"""An invented batch of the sample site with its outlook, worked out once."""

from __future__ import annotations

from datetime import date
from typing import TYPE_CHECKING

import pytest

from matewindow.outlook import Outlook, batch_outlook
from matewindow.timeline import Batch, graft_time
from tests.conftest import SAMPLE_NOW

if TYPE_CHECKING:
    from matewindow.biology import Biology
    from matewindow.paths import Sources
    from matewindow.site import Site


@pytest.fixture(scope="session")
def sample_batch(sample_site: Site) -> Batch:
    """Grafted so that the forecast reaches into its prime window."""
    return Batch(graft_time(date(2026, 5, 15), sample_site))


@pytest.fixture(scope="session")
def sample_outlook(sample_batch: Batch, sample_site: Site, sample_sources: Sources, sample_biology: Biology) -> Outlook:
    """Its outlook on the invented weather."""
    return batch_outlook(sample_batch, sample_site, sample_sources, SAMPLE_NOW, sample_biology)
