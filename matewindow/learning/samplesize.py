"""How many records it takes before more may be fitted than a rate and a slope.

Riley et al. 2020 (BMJ 368:m441, doi 10.1136/bmj.m441): a model with so many predictors needs so many records that it
will have to be drawn in by a tenth at most, and that the share that comes good on the whole is known well enough. How
much a model will explain is not known beforehand; they advise to take 15 % of what is possible, which at three in four
that come good is a Cox-Snell R² of 0.10.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import ceil, log

R2, SHRINKAGE, MARGIN = 0.10, 0.9, 0.10
"""R² that is reckoned with, how much of each effect must be left, and how well the share on the whole must be known."""
FEWEST_FOR_MORE, SEASONS_FOR_MORE, SITES_FOR_MORE = 150, 3, 5
"""Records, seasons and sites from which covariates are looked at (judgement)."""
FEWEST_FOR_CURVE = 500
"""Records from which it is asked whether a straight line is enough (judgement)."""
_Z95 = 1.96


def riley_number(n_parameters: int, r2: float = R2, shrinkage: float = SHRINKAGE) -> int:
    """Records that a model with so many parameters (the intercept not counted) needs.

    Args:
        n_parameters: how many.
        r2: Cox-Snell R² that it is expected to have.
        shrinkage: share of each effect that must be left on other records.

    Source: Riley et al. 2019, Stat. Med. 38:1276-1296, doi 10.1002/sim.7992 (their criterion of shrinkage).
    """
    return ceil(n_parameters / ((shrinkage - 1.0) * log(1.0 - r2 / shrinkage)))


def share_number(share: float, margin: float = MARGIN) -> int:
    """Records that give a share within a margin, in 95 of 100 cases; source as ``riley_number``."""
    return ceil((_Z95 / margin) ** 2 * share * (1.0 - share))


@dataclass(frozen=True)
class Enough:
    """What there is of records, seasons and sites, and what covariates beside the odds would take."""

    n: int
    seasons: int
    sites: int
    share: float

    def wanted(self, n_covariates: int) -> int:
        """Records that so many covariates take."""
        return max(FEWEST_FOR_MORE, riley_number(1 + n_covariates), share_number(self.share))

    def covariates(self, most: int) -> int:
        """How many covariates may be fitted, 0 to ``most``."""
        if self.seasons < SEASONS_FOR_MORE or self.sites < SITES_FOR_MORE:
            return 0
        return max((k for k in range(1, most + 1) if self.n >= self.wanted(k)), default=0)

    def lacking(self) -> str:
        """What is lacking for the first covariate, in words; empty if nothing is."""
        said = []
        for has, wants, one, many in (
            (self.n, self.wanted(1), "queen", "queens"),
            (self.seasons, SEASONS_FOR_MORE, "season", "seasons"),
            (self.sites, SITES_FOR_MORE, "site", "sites"),
        ):
            if has < wants:
                short = wants - has
                said.append(f"{short} more {one if short == 1 else many}")
        return ", ".join(said[:-1]) + " and " + said[-1] if len(said) > 1 else "".join(said)
