"""Invented records of odds, with a skill that is known: for tests and for looking at the report."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
from scipy.special import ndtr, ndtri

from matewindow.verification import Cases, EggCases, HoursCases, Samples, exact_days

if TYPE_CHECKING:
    from numpy.typing import NDArray

    Floats = NDArray[np.float64]

INVENTED = "Invented weather and invented queens."
SKILFUL = {"days 1 to 3": 0.85, "days 4 to 7": 0.6, "days 8 to 12": 0.35, "days 13 to 16": 0.1, "day 17 on": 0.0}
"""Correlation of what was forecast with what came, by lead group."""


def made_cases(
    *,
    n_seasons: int = 20,
    n_sites: int = 2,
    n_days: int = 40,
    skill: dict[str, float] | None = None,
    shift: float = 0.0,
    shared: float = 0.3,
    seed: int = 1,
    amounts: bool = True,
) -> Cases:
    """A daily event with a season, honest odds of known skill (or shifted ones), shared weather within a season.

    Args:
        n_seasons, n_sites, n_days: size; a case for each of them and each lead group.
        skill: correlation of forecast and truth by lead group.
        shift: added to the odds' Gaussian score: 0 is honest, above 0 too high.
        shared: correlation of the weather within a season.
        seed: of everything.
        amounts: with flight hours and first eggs.
    """
    rng = np.random.default_rng(seed)
    groups = SKILFUL if skill is None else skill
    season, site, day = (x.ravel() for x in np.indices((n_seasons, n_sites, n_days)))
    n = len(season)
    usual_z = 0.9 * np.sin(np.pi * day / n_days) - 0.3  # good weather is commoner in the middle of the season
    common = rng.standard_normal(n_seasons)[season]
    weather = np.sqrt(shared) * common + np.sqrt(1.0 - shared) * rng.standard_normal(n)
    outcome = (weather < usual_z).astype(float)
    hours = np.clip(4.0 * (usual_z - weather) + 2.0, 0.0, 8.0)
    parts = []
    for name, rho in groups.items():
        signal = rho * weather + np.sqrt(1.0 - rho**2) * rng.standard_normal(n) if rho else rng.standard_normal(n)
        left = np.sqrt(1.0 - rho**2)
        p = ndtr((usual_z - rho * signal) / left + shift)
        members = rho * signal[:, None] + left * rng.standard_normal((n, 20))
        parts.append((name, p, np.clip(4.0 * (usual_z[:, None] - members) + 2.0, 0.0, 8.0)))
    usual_members = np.clip(4.0 * (usual_z[:, None] - rng.standard_normal((n, 30))) + 2.0, 0.0, 8.0)
    tiled = len(groups)
    year = 2000 + season
    lag = rng.integers(0, 3, n)
    egg = np.where(outcome > 0, np.round(14.0 - hours) + lag, np.inf)
    first_egg = EggCases(
        Samples(np.concatenate([np.where(h > 2.0, np.round(14.0 - h) + 1.0, np.inf) for _, _, h in parts])),
        Samples(np.tile(np.where(usual_members > 2.0, np.round(14.0 - usual_members) + 1.0, np.inf), (tiled, 1))),
        after_d=np.tile(exact_days(egg)[0], tiled),
        by_d=np.tile(exact_days(egg)[1], tiled),
        horizon_d=28,
    )
    return Cases(
        product="Day with flight hours",
        event="the day has two flight hours or more",
        issued=np.tile(
            (year - 1970).astype("datetime64[Y]").astype("datetime64[D]") + (130 + day).astype("timedelta64[D]"), tiled
        ),
        lead_group=np.repeat(list(groups), n),
        season=np.tile(year, tiled),
        site=np.tile(np.array([f"Site {chr(65 + s)}" for s in range(n_sites)])[site], tiled),
        p=np.concatenate([p for _, p, _ in parts]),
        p_usual=np.tile(ndtr(usual_z), tiled),
        outcome=np.tile(outcome, tiled),
        p_persistence=np.tile(ndtr(usual_z - 0.5 * common), tiled),
        lead_groups=tuple(groups),
        hours=HoursCases(
            Samples(np.concatenate([h for _, _, h in parts])),
            Samples(np.tile(usual_members, (tiled, 1))),
            np.tile(hours, tiled),
        )
        if amounts
        else None,
        first_egg=first_egg if amounts else None,
        notes=(INVENTED,),
    )


def honest_odds(rng: np.random.Generator, n: int) -> tuple[Floats, Floats]:
    """Odds that are right, and outcomes drawn from them."""
    p = rng.beta(3.0, 2.0, n)
    return p, (rng.random(n) < p).astype(float)


def shared_outcomes(rng: np.random.Generator, p: Floats, block: NDArray[np.int_], shared: float) -> Floats:
    """Outcomes of right odds that go together within a block, by a Gaussian of that correlation."""
    common = rng.standard_normal(int(block.max()) + 1)[block]
    hidden = np.sqrt(shared) * common + np.sqrt(1.0 - shared) * rng.standard_normal(len(p))
    return np.asarray(hidden < ndtri(p), dtype=float)
