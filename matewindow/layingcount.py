"""How many queens of a batch will come into lay, from the last count of it on."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from matewindow.graft import laying_range

if TYPE_CHECKING:
    from collections.abc import Mapping

    from matewindow.biology import Biology, Success
    from matewindow.outlook import Outlook


@dataclass(frozen=True)
class ExpectedLaying:
    """Queens in lay that are to be expected.

    Attributes:
        mean: their number on average; what was counted once they lay.
        p10, p90: one in ten times there are fewer, nine in ten times at most.
        mean_usual: the mean from past years alone; None without any.
        counted: what the number starts from: grafted, taken, sealed, placed, emerged or laying.
        count: how many were counted then.
    """

    mean: float
    p10: int
    p90: int
    mean_usual: float | None
    counted: str
    count: int


def expected_laying(
    counts: Mapping[str, int | None], outlook: Outlook, biology: Biology, *, incubator: bool = False
) -> ExpectedLaying | None:
    """Grafts x take x emergence and acceptance x chance of being well mated, each replaced by what was counted.

    Args:
        counts: by step, from ``grafted`` to ``laying``; None = not counted.
        outlook: of the batch.
        biology: parameters, for the steps that were not counted.
        incubator: cells may have emerged before they were placed: then the smaller one of both counts is taken.

    Returns:
        None if nothing was counted.
    """
    last = _last_count(counts, incubator=incubator)
    if last is None:
        return None
    counted, count = last
    if counted == "laying":
        return ExpectedLaying(float(count), count, count, None, counted, count)
    arrive = _arrive(counted, biology.success)
    odds, usual = outlook.by_path, outlook.well_mated_usual
    low, high = laying_range(count, arrive * odds.share, odds.weight)
    return ExpectedLaying(
        mean=count * arrive * outlook.well_mated.value,
        p10=low,
        p90=high,
        mean_usual=None if usual is None else count * arrive * usual,
        counted=counted,
        count=count,
    )


def _arrive(counted: str, success: Success) -> float:
    """Share of what was counted that becomes a virgin in a nuc."""
    if counted == "emerged":
        return 1.0
    return success.emergence_acceptance * (success.take if counted == "grafted" else 1.0)


def _last_count(counts: Mapping[str, int | None], *, incubator: bool) -> tuple[str, int] | None:
    """What was counted last, and how many there were."""
    for step in ("laying", "emerged", "placed", "sealed", "taken", "grafted"):
        n = counts.get(step)
        if n is None:
            continue
        placed = counts.get("placed")
        if step == "emerged" and incubator and placed is not None:
            n = min(n, placed)
        return step, n
    return None
