"""Models as records would have made them, put on a shelf; nothing in them was ever learnt."""

from __future__ import annotations

from typing import TYPE_CHECKING

from matewindow.biology import load_biology
from matewindow.learning.artefacts import MODEL, Shelf
from matewindow.learning.model import FLIGHT_RATE, LITERATURE, RECALIBRATION, Model, Proof
from matewindow.learning.records import Ground

if TYPE_CHECKING:
    from pathlib import Path

LITERATURE_VERSION = load_biology().version
TESTED = Proof(by="season", n_groups=4, before=-0.61, after=-0.57, gain=0.04, bound=0.01, bound_records=0.02)
GROUND = Ground(300, 210, 90, ["Hollin Bank (invented)"], ["2024", "2025"], "2024-05-20", "2025-07-01", "0" * 64)


def rate_model(rate: float = 0.3) -> Model:
    """Queens that mate at another rate than the literature's."""
    name = "mating.flight_rate_per_h"
    beside = {"literature": 0.4, "prior_sd_log": 0.7, "gone": 0.06, "sd_log": 0.09}
    return Model(
        FLIGHT_RATE, LITERATURE_VERSION, "2026-11-01T08:00:00Z", "0.1.0", {name: rate}, {name: rate - 0.05},
        {name: rate + 0.06}, beside, GROUND, TESTED,
    )  # fmt: skip


def odds_model(a: float = -0.4, b: float = 0.7, base: str = LITERATURE_VERSION) -> Model:
    """Odds that were too good (a below 0) or not good enough, and too bold (b below 1)."""
    beside = {"a_sd": 0.1, "b_sd": 0.1, "shows_30": 0.27, "shows_50": 0.4, "shows_70": 0.55, "shows_90": 0.76}
    values, low, high = {"a": a, "b": b}, {"a": a - 0.16, "b": b - 0.16}, {"a": a + 0.16, "b": b + 0.16}
    return Model(RECALIBRATION, base, "2026-11-02T08:00:00Z", "0.1.0", values, low, high, beside, GROUND, TESTED)


def use(home: Path, *models: Model) -> str:
    """Put models to use, one after the other; gives the last one's name, or the literature's for none."""
    shelf, name = Shelf(home), LITERATURE
    for model in models:
        name = shelf.add(model)
        shelf.use(name, load_biology())
    if not models:
        shelf.use(LITERATURE, load_biology())
    return name


def damage(home: Path, name: str) -> None:
    """Change a number in a model, as no program would."""
    file = home / name / MODEL
    file.write_text(file.read_text().replace("0.7", "0.9"))
