"""What many tests share: the sample site and its weather, read once."""

from __future__ import annotations

from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING

import pytest

from matewindow.biology import Biology, load_biology
from matewindow.learning import artefacts, inuse
from matewindow.paths import Sources
from matewindow.site import Site, read_site
from matewindow.sources import load_sources, site_biology

if TYPE_CHECKING:
    from collections.abc import Iterator

ROOT = Path(__file__).resolve().parent.parent
SAMPLE = ROOT / "sample_weather"
SAMPLE_NOW = datetime(2026, 6, 1, 6, tzinfo=UTC)


@pytest.fixture(scope="session", autouse=True)
def _nobodys_models(tmp_path_factory: pytest.TempPathFactory) -> Iterator[None]:
    """No test sees the models that the user of this machine has learnt, in this process or in one of its own."""
    home = tmp_path_factory.mktemp("no-models")
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(artefacts, "default_home", lambda: home)
        patch.setattr(inuse, "default_home", lambda: home)
        patch.setenv("MATEWINDOW_LEARNED_FOLDER", str(home))
        yield


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
