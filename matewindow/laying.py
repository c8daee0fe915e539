"""The laying check, and wait or replace: one batch, one site, one weather -> when to look for eggs, and what then."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date, datetime, timedelta
from typing import TYPE_CHECKING

from matewindow.caveats import caveats
from matewindow.looking import Ground, LayingCheck, ground_of, laying_check
from matewindow.odds import Range, risks
from matewindow.outlook import named_shares
from matewindow.replacing import Clocks, WaitOrReplace, clocks_of, wait_or_replace

if TYPE_CHECKING:
    from matewindow.biology import Biology
    from matewindow.paths import Sources
    from matewindow.site import Site
    from matewindow.timeline import Batch

__all__ = ["LayingOutlook", "clocks_of", "ground_of", "laying_check", "laying_outlook", "wait_or_replace"]


@dataclass(frozen=True)
class LayingOutlook:
    """Both answers on one batch. ``check`` and ``decision`` are None once eggs were seen.

    ``well_mated`` are the odds of one queen after what has been seen. ``sealed_brood`` is the day from which a queen
    whose eggs were seen can be judged, None before that. ``unknown`` are days of the mating window that nothing covers.
    """

    batch: Batch
    site: Site
    now: datetime
    today: date
    born: date
    eggs_seen: date | None
    well_mated: Range
    sealed_brood: date | None
    clocks: Clocks
    check: LayingCheck | None
    decision: WaitOrReplace | None
    unknown: list[date]
    shares: dict[str, float]
    years: int
    members: int
    warnings: list[str]


def laying_outlook(
    batch: Batch,
    site: Site,
    sources: Sources,
    now: datetime,
    biology: Biology,
    *,
    nuc_without_brood_since: date | None = None,
) -> LayingOutlook:
    """When to look, what that would tell, and whether to wait or to replace.

    Args:
        batch: its graft, and what was seen of it.
        site: where its queens mate.
        sources: weather laid on the site's solar days.
        now: aware.
        biology: parameters with the site's thresholds, and the cost of the nuc (``graft.for_nuc``).
        nuc_without_brood_since: day from which the nuc has had no brood; None = since the cells went in.

    Raises:
        RequestError: as ``outlook.batch_outlook``; virgins too old for any decision; a nuc without brood only from a
            day to come.
    """
    ground = ground_of(batch, site, sources, now, biology)
    clocks = clocks_of(ground, nuc_without_brood_since)
    well, shares, seen = risks(ground.odds, ground.paths, biology).well_mated, _prime_shares(ground), ground.eggs_seen
    return LayingOutlook(
        batch=batch,
        site=site,
        now=now,
        today=ground.today,
        born=ground.born,
        eggs_seen=seen,
        well_mated=well,
        sealed_brood=None if seen is None else seen + timedelta(days=round(biology.laying.sealed_brood_after_d)),
        clocks=clocks,
        check=laying_check(ground),
        decision=wait_or_replace(ground, clocks),
        unknown=[site.civil_day(day) for day in ground.unknown],
        shares=shares,
        years=len(ground.paths.years),
        members=ground.paths.n_members,
        warnings=caveats(ground.paths, shares, sources, now, site, well.width, ground.unknown),
    )


def _prime_shares(ground: Ground) -> dict[str, float]:
    """What the batch's prime window stands on, as in its outlook."""
    m, age = ground.biology.mating, (ground.paths.days - ground.site.solar_day(ground.born)).astype(int)
    return named_shares(ground.paths.shares((age >= m.prime_from_age_d) & (age <= m.prime_to_age_d)))
