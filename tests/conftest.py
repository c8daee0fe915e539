"""What many tests share: the sample site and its weather, read once."""

from __future__ import annotations

from datetime import UTC, datetime
from pathlib import Path

import pytest

from matewindow.biology import Biology, load_biology
from matewindow.paths import Sources
from matewindow.site import Site, read_site
from matewindow.sources import load_sources, site_biology

ROOT = Path(__file__).resolve().parent.parent
SAMPLE = ROOT / "sample_weather"
SAMPLE_NOW = datetime(2026, 6, 1, 6, tzinfo=UTC)


@pytest.fixture(scope="session")
def sample_folder() -> Path:
    """The invented weather that ships with the program."""
    return SAMPLE


@pytest.fixture(scope="session")
def biology() -> Biology:
    """The literature's parameters."""
    return load_biology()


@pytest.fixture(scope="session")
def sample_site() -> Site:
    """The invented site of the demo."""
    return read_site(SAMPLE / "site.toml")


@pytest.fixture(scope="session")
def sample_biology(sample_site: Site, biology: Biology) -> Biology:
    """The parameters with the sample site's thresholds."""
    return site_biology(sample_site, biology)


@pytest.fixture(scope="session")
def sample_sources(sample_site: Site, sample_biology: Biology) -> Sources:
    """The sample weather on the sample site's solar days."""
    return load_sources(SAMPLE, sample_site, sample_biology)
