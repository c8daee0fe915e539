"""The outlooks of all batches of a site at once, on shared work: for refreshes of many sites."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from matewindow.errors import MatewindowError
from matewindow.outlook import RUN_IN_D, Outlook, SiteWork, window_span
from matewindow.timeline import Batch, emergence_days

if TYPE_CHECKING:
    from collections.abc import Sequence
    from datetime import datetime

    from matewindow.biology import Biology
    from matewindow.paths import Sources
    from matewindow.site import Site


def outlooks_of(
    batches: Sequence[Batch], site: Site, sources: Sources, now: datetime, biology: Biology
) -> list[Outlook | MatewindowError]:
    """Work out the odds of several batches of one site, each exactly as ``outlook.batch_outlook`` would.

    Args:
        batches: any number, in any order.
        site, sources, now, biology: as in ``batch_outlook``.

    Returns:
        For each batch its outlook, or the error that ``batch_outlook`` would have raised for it.
    """
    work = SiteWork(site, sources, now, biology)
    order = _by_emergence(batches, site, biology)
    if order:
        first_day = min(first for first, _, _ in order) - RUN_IN_D
        end = max(first + window_span(n_emergence, biology).n_days for first, n_emergence, _ in order) - RUN_IN_D
        work.judge(first_day, int((end - first_day).astype(np.int64)))
    results: dict[int, Outlook | MatewindowError] = {}
    for i in [*(i for _, _, i in order), *range(len(batches))]:
        if i not in results:
            results[i] = _outlook(work, batches[i])
    return [results[i] for i in range(len(batches))]


def _outlook(work: SiteWork, batch: Batch) -> Outlook | MatewindowError:
    try:
        return work.outlook(batch)
    except MatewindowError as fault:
        return fault


def _by_emergence(batches: Sequence[Batch], site: Site, biology: Biology) -> list[tuple[np.datetime64, int, int]]:
    """First emergence day, number of emergence days and index of each batch, those with shared work together.

    A batch whose emergence cannot be told is left out.
    """
    found = []
    for i, batch in enumerate(batches):
        try:
            first, weights = emergence_days(batch, site, biology)
        except MatewindowError:
            continue
        found.append((first, len(weights), weights.tobytes(), i))
    return [(first, n_emergence, i) for first, n_emergence, _, i in sorted(found)]
