"""What following the graft advice was worth, beside grafting at once, on any day, and on the best day in hindsight."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np

from matewindow.verification.blocks import Blocks, Ranged, redrawn_ranges
from matewindow.verification.tables import Table

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    from matewindow.hindcast.oneseason import SeasonCases

    Floats = NDArray[np.float64]

WAYS = {
    "advised": "on the day ranked first",
    "equal": "on any day that the advice called equal to it",
    "at_once": "on the first day",
    "any": "on any of the days",
    "best": "on the best day, had it been known",
}
TITLE = "The graft advice"


@dataclass(frozen=True)
class Following:
    """Worth of ways to choose the day, in laying queens a nuc, with ranges over redrawn seasons.

    Attributes:
        n, n_seasons: mornings on which advice was given, and seasons.
        week_d: days to choose from.
        worth: mean worth of each of ``WAYS``.
        gain: of the day ranked first over grafting on the first day.
        share: of what knowing the future would have gained over the first day, how much the advice did gain.
        none_advised: share of the mornings on which no day was advised.
        mean_days: days named by the advice, on average, where it named any.
    """

    n: int
    n_seasons: int
    week_d: int
    worth: dict[str, Ranged]
    gain: Ranged
    share: Ranged
    none_advised: float
    mean_days: float | None


def following(seasons: Sequence[SeasonCases], week_d: int) -> Following | None:
    """Add up what the advice came to; None where no advice could be judged.

    Args:
        seasons: as judged.
        week_d: days to choose from.
    """
    columns = np.column_stack([np.concatenate([getattr(s, f"graft_{way}") for s in seasons]) for way in WAYS])
    years = np.repeat([s.year for s in seasons], [len(s.graft_advised) for s in seasons])
    named = np.concatenate([s.graft_days for s in seasons])
    if not len(columns):
        return None
    blocks = Blocks.of(years, "seasons")
    found = redrawn_ranges(_figures, np.column_stack([columns, np.ones(len(columns))]), blocks)
    advised = named[named > 0]
    return Following(
        n=len(columns),
        n_seasons=blocks.count,
        week_d=week_d,
        worth=dict(zip(WAYS, found, strict=False)),
        gain=found[len(WAYS)],
        share=found[len(WAYS) + 1],
        none_advised=float((named == 0).mean()),
        mean_days=float(advised.mean()) if len(advised) else None,
    )


def _figures(sums: Floats) -> Floats:
    """Mean worth of each way, gain of the advice and its share of the most that could be gained."""
    means = sums[..., : len(WAYS)] / sums[..., len(WAYS) :]
    advised, at_once, best = (means[..., list(WAYS).index(way)] for way in ("advised", "at_once", "best"))
    gain, most = advised - at_once, best - at_once
    share = np.where(most > 0.0, gain / np.where(most > 0.0, most, 1.0), np.nan)
    return np.concatenate([means, np.stack([gain, share], axis=-1)], axis=-1)


def following_sentences(found: Following) -> list[str]:
    """What it comes to, in words."""
    gain, low, high = (found.gain.value, found.gain.low, found.gain.high)
    assert gain is not None  # there is advice to judge
    per = f"{abs(100.0 * gain):.1f} laying queens in 100 nucs"
    if low is None or high is None:
        first = f"Following the advice came to {'+' if gain >= 0.0 else '-'}{per} beside grafting on the first day; in "
        first += f"{found.n_seasons} seasons luck can do that."
    elif low > 0.0:
        first = f"Following the advice was worth {per} more than grafting on the first day."
    elif high < 0.0:
        first = f"Following the advice was worth {per} less than grafting on the first day."
    else:
        first = (
            "Following the advice and grafting on the first day were worth the same, as far as this record can tell."
        )
    said = [first]
    told = low is not None and high is not None and not low <= 0.0 <= high
    if told and found.share.value is not None:
        said.append(f"That is {100.0 * found.share.value:.0f} % of what knowing the weather to come would have gained.")
    if found.mean_days is not None:
        said.append(
            f"The advice called {found.mean_days:.1f} of {found.week_d} days equal on average, "
            f"and advised against all of them on {100.0 * found.none_advised:.0f} % of mornings."
        )
    else:
        said.append("It advised against grafting on every morning.")
    return said


def following_table(found: Following) -> Table:
    """The worth of each way to choose."""
    rows = [(words, _number(found.worth[way])) for way, words in WAYS.items()]
    rows.append(("gain of the day ranked first on the first day", _number(found.gain)))
    return Table("Worth of a nuc, in laying queens (5 to 95 %)", ("grafted", "worth"), tuple(rows))


def following_data(found: Following) -> dict[str, Any]:
    """The same as plain data."""

    def plain(r: Ranged) -> dict[str, float | None]:
        return {"value": r.value, "low": r.low, "high": r.high}

    return {
        "mornings": found.n,
        "seasons": found.n_seasons,
        "days_to_choose_from": found.week_d,
        "worth_laying_queens_per_nuc": {way: plain(r) for way, r in found.worth.items()},
        "gain": plain(found.gain),
        "share_of_possible_gain": plain(found.share),
        "share_of_mornings_without_advice": found.none_advised,
        "days_advised": found.mean_days,
        "sentences": following_sentences(found),
    }


def _number(r: Ranged) -> str:
    if r.value is None:
        return "–"
    return f"{r.value:.3f}" if r.low is None or r.high is None else f"{r.value:.3f} ({r.low:.3f} to {r.high:.3f})"
