"""One case: a day of which a run spoke at a site, what its members and past years said of it, and what came."""

from __future__ import annotations

import hashlib
from dataclasses import dataclass, fields
from typing import TYPE_CHECKING, Any

import numpy as np

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    Floats = NDArray[np.float64]
    Indices = NDArray[np.intp]

P_FLOOR = 0.01
"""Odds are scored as if none were nearer to 0 or 1: what a few dozen members can tell."""


@dataclass(frozen=True, eq=False)
class DayCases:
    """Cases of some sites; all arrays have the shape (n,). The event is a flying day.

    Attributes:
        site, season: names.
        issued: solar day of the run, datetime64[D].
        lead: days from there.
        share: of the run's members that have the event.
        members: how many there are; 1 for a single run.
        usual: share of other years that have it on this date.
        came: whether it came.
    """

    site: NDArray[np.str_]
    season: NDArray[np.str_]
    issued: NDArray[np.datetime64]
    lead: Indices
    share: Floats
    members: Indices
    usual: Floats
    came: NDArray[np.bool_]

    def __len__(self) -> int:
        return len(self.lead)

    def take(self, rows: Indices | NDArray[np.bool_]) -> DayCases:
        """Some of them."""
        return DayCases(**{f.name: getattr(self, f.name)[rows] for f in fields(self)})

    @classmethod
    def joined(cls, parts: Sequence[DayCases]) -> DayCases:
        """All of several; none for no part."""
        if not parts:
            return cls.none()
        return cls(**{f.name: np.concatenate([getattr(p, f.name) for p in parts]) for f in fields(cls)})

    @classmethod
    def none(cls) -> DayCases:
        """No case at all."""
        kinds: dict[str, Any] = {"site": "U1", "season": "U1", "issued": "datetime64[D]", "came": np.bool_}
        kinds |= {"lead": np.intp, "members": np.intp, "share": np.float64, "usual": np.float64}
        return cls(**{name: np.array([], dtype=kind) for name, kind in kinds.items()})

    def mixed(self, weight: Floats) -> Floats:
        """Odds of the event where forecast and past years are mixed, (n,).

        Args:
            weight: of the forecast at lead day 0, 1, 2 …, at least as many as there are leads.
        """
        w = weight[self.lead]
        odds: Floats = w * self.share + (1.0 - w) * self.usual
        return odds

    @property
    def n_leads(self) -> int:
        """One more than the longest lead."""
        return int(self.lead.max()) + 1 if len(self) else 0

    @property
    def n_site_days(self) -> int:
        """How many different days of issue there are, each site's for itself."""
        return len(set(zip(self.site.tolist(), self.issued.tolist(), strict=True)))

    @property
    def sha256(self) -> str:
        """A digest of all of them."""
        digest = hashlib.sha256()
        for f in fields(self):
            values = getattr(self, f.name)
            digest.update("\n".join(values.tolist()).encode() if values.dtype.kind == "U" else values.tobytes())
        return digest.hexdigest()


def day_scores(p: Floats, came: NDArray[np.bool_]) -> Floats:
    """Logarithm of the odds that were given to what came [nats], odds kept ``P_FLOOR`` from 0 and 1, (n,)."""
    odds = np.clip(p, P_FLOOR, 1.0 - P_FLOOR)
    scores: Floats = np.log(np.where(came, odds, 1.0 - odds))
    return scores
