"""Invented cases straight from their definition: a signal, members that spread about it, and what came.

The event is a hidden number above 0, so the usual is one half and the skill of the perfect probability is
(2/π) asin(ρ²) (Gaussian, event at the median), with ρ the correlation of signal and truth.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import numpy as np
from numpy.typing import NDArray

from matewindow.learning.weather.cases import DayCases
from tests.made_runs import MEMORY, fading, nothing

Floats = NDArray[np.float64]

__all__ = ["fading", "made", "nothing", "skill_of"]


def skill_of(rho: Floats) -> Floats:
    """Brier skill of the perfect probability: (2/π) asin(ρ²)."""
    return 2.0 / np.pi * np.arcsin(rho**2)


def memory(shape: tuple[int, ...], rng: np.random.Generator) -> Floats:
    """Standard normal numbers that follow each other along the last axis."""
    out = rng.normal(size=shape)
    for day in range(1, shape[-1]):
        out[..., day] = MEMORY * out[..., day - 1] + np.sqrt(1.0 - MEMORY**2) * out[..., day]
    return out


def made(
    seed: int,
    *,
    seasons: int = 4,
    sites: int = 1,
    days: int = 100,
    members: int = 50,
    leads: int = 16,
    skill: Callable[[Floats], Floats] | list[Callable[[Floats], Floats]] = fading,
    agreed: float = 0.0,
    spread: float = 1.0,
    shift: float = 0.0,
) -> DayCases:
    """Cases of a run a day in some seasons.

    Args:
        skill: correlation of signal and truth by lead, negative for one that misleads; a list gives one for each season.
        agreed: share of the members' spread that they have in common though it is no signal.
        spread: of the members, beside what it should be.
        shift: added to every member.
    """
    rng = np.random.default_rng(seed)
    lead = np.arange(leads, dtype=np.float64)
    parts: dict[str, list[Any]] = {name: [] for name in ("site", "season", "issued", "share", "came")}
    for year in range(seasons):
        r = (skill[year] if isinstance(skill, list) else skill)(lead)
        for site in range(sites):
            truth = memory((days + leads,), rng)
            for day in range(days):
                mine = truth[day : day + leads]
                signal = r * mine + np.sqrt(1.0 - r**2) * memory((leads,), rng)
                scatter = np.sqrt(agreed) * memory((leads,), rng) + np.sqrt(1.0 - agreed) * memory(
                    (members, leads), rng
                )
                member = np.abs(r) * signal + spread * np.sqrt(1.0 - r**2) * scatter + shift
                parts["site"].append(np.full(leads, f"site {site}"))
                parts["season"].append(np.full(leads, str(2020 + year)))
                parts["issued"].append(np.full(leads, np.datetime64(f"{2020 + year}-05-01") + day))
                parts["share"].append((member > 0.0).mean(axis=0))
                parts["came"].append(mine > 0.0)
    joined = {name: np.concatenate(values) for name, values in parts.items()}
    n = len(joined["came"])
    return DayCases(
        lead=np.tile(np.arange(leads), n // leads),
        members=np.full(n, members),
        usual=np.full(n, 0.5),
        **joined,
    )
