"""All seasons of a plan, in several processes, each kept as soon as it is done so that a stopped run goes on."""

from __future__ import annotations

import hashlib
import json
from dataclasses import asdict, dataclass, fields
from typing import TYPE_CHECKING

from matewindow import __version__
from matewindow.hindcast.oneseason import SeasonCases, judge_season
from matewindow.keptbytes import opened, sealed
from matewindow.processes import in_processes
from matewindow.register.wholefiles import whole_file
from matewindow.weather.entries import DamagedError

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator
    from pathlib import Path

    from matewindow.hindcast.asof import Ground
    from matewindow.hindcast.seasons import Plan

_FORMAT = 2


@dataclass(frozen=True)
class Hindcast:
    """All seasons, in order, and how many of them had been kept from an earlier run."""

    plan: Plan
    seasons: tuple[SeasonCases, ...]
    n_kept: int


def hindcast(
    ground: Ground,
    plan: Plan,
    *,
    processes: int = 2,
    keep: Path | None = None,
    on_season: Callable[[int, int], None] | None = None,
) -> Hindcast:
    """Live through all seasons of a plan. The result is the same for any number of processes.

    Args:
        ground: the site and all its weather.
        plan: which seasons and days.
        processes: how many work at once, at least 1.
        keep: folder for seasons that are done; a later run on the same weather, parameters and plan takes them from
            there. None keeps nothing.
        on_season: called with how many are done and how many there are; what it raises stops the run, and what is done
            by then stays kept.

    Raises:
        RequestError: ``keep`` cannot be written.
    """
    run = _Run(ground, plan, keep)
    found = {year: kept for year in plan.years if (kept := run.kept(year)) is not None}
    due = [year for year in plan.years if year not in found]
    n_kept = len(found)
    if on_season is not None:
        on_season(n_kept, len(plan.years))
    for year, cases in zip(due, _judged(ground, plan, due, processes), strict=True):
        run.put(cases)
        found[year] = cases
        if on_season is not None:
            on_season(len(found), len(plan.years))
    return Hindcast(plan, tuple(found[year] for year in plan.years), n_kept)


def _judged(ground: Ground, plan: Plan, years: list[int], processes: int) -> Iterator[SeasonCases]:
    """The seasons one after the other."""
    if processes < 2 or len(years) < 2:
        yield from (judge_season(ground, plan, year) for year in years)
        return
    portable = ground.portable
    yield from in_processes(_judge, ((portable, plan, year) for year in years), processes=min(processes, len(years)))


def _judge(item: tuple[Ground, Plan, int]) -> SeasonCases:
    return judge_season(*item)


class _Run:
    """Seasons on disk, each under a name that tells what it hangs on."""

    def __init__(self, ground: Ground, plan: Plan, keep: Path | None) -> None:
        asked = asdict(plan)
        del asked["years"]  # the usual of a season are all other years of the record, whichever are judged
        known = json.dumps([_FORMAT, __version__, ground.edition if keep else "", asked], sort_keys=True)
        self._keep, self._mark = keep, hashlib.sha256(known.encode()).hexdigest()[:16]

    def kept(self, year: int) -> SeasonCases | None:
        """A season of an earlier run; None where there is none, or it is damaged."""
        if self._keep is None:
            return None
        try:
            return _unpacked(self._file(self._keep, year).read_bytes())
        except (OSError, DamagedError):
            return None

    def put(self, cases: SeasonCases) -> None:
        """Keep a season."""
        if self._keep is not None:
            with whole_file(self._file(self._keep, cases.year), overwrite=True) as file:
                file.write_bytes(_packed(cases))

    def _file(self, keep: Path, year: int) -> Path:
        return keep / f"season-{year}-{self._mark}.npz"


def _packed(cases: SeasonCases) -> bytes:
    return sealed({"year": cases.year}, {field.name: getattr(cases, field.name) for field in fields(cases)[1:]})


def _unpacked(data: bytes) -> SeasonCases:
    """From ``_packed``.

    Raises:
        DamagedError: it is not what was packed.
    """
    with opened(data) as (head, arrays):
        return SeasonCases(head["year"], **{field.name: arrays[field.name] for field in fields(SeasonCases)[1:]})
