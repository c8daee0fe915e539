"""Several stretches of one record as one."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np

from matewindow.weather.normal import VARIABLES, make_weather

if TYPE_CHECKING:
    from collections.abc import Sequence

    from matewindow.weather.normal import Weather


def joined(stretches: Sequence[Weather]) -> Weather:
    """One record from several; where they overlap, the later in the sequence counts where it knows the hour.

    Args:
        stretches: of one member each, at least one, at one place; a single one is given back as it is.

    Returns:
        Weather over the whole span, hours that none holds missing; provenance of the last stretch.
    """
    if len(stretches) == 1:
        return stretches[0]
    first = min(w.times[0] for w in stretches)
    n_hours = int((max(w.times[-1] for w in stretches) - first) / np.timedelta64(1, "h")) + 1
    columns = {}
    for name in VARIABLES:
        having = [w for w in stretches if w.values(name) is not None]
        if having:
            column = np.full(n_hours, np.nan)
            for w in having:
                at = int((w.times[0] - first) / np.timedelta64(1, "h"))
                values = w.values(name)
                assert values is not None
                part = column[at : at + values.shape[1]]
                part[...] = np.where(np.isnan(values[0]), part, values[0])
            columns[name] = column
    times = first + np.arange(n_hours) * np.timedelta64(1, "h")
    notes = tuple(dict.fromkeys(note for w in stretches for note in w.provenance.notes))
    return make_weather(times, columns, replace(stretches[-1].provenance, notes=notes))
