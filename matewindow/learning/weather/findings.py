"""What became of one thing that stored runs may teach: the numbers, the test, the words, and the model if earned."""

from __future__ import annotations

from dataclasses import asdict, dataclass, field
from typing import TYPE_CHECKING, Any

import numpy as np

from matewindow.learning.acceptance import BOUND, PURGE_D
from matewindow.learning.model import Kind, Model, Proof
from matewindow.learning.records import Ground
from matewindow.learning.weather.windows import WINDOW_D

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from matewindow.learning.acceptance import Verdict
    from matewindow.learning.findings import Fitted, Maker
    from matewindow.learning.weather.cases import DayCases
    from matewindow.learning.weather.windows import Windows

    Floats = NDArray[np.float64]

NO = "The stored runs do not yet justify a change"
Z90 = 1.645
_Z_ONE_SIDED = 1.2816
_MOST = 20_000


@dataclass(frozen=True)
class WeatherFinding:
    """What became of one kind of thing.

    Attributes:
        kind: ``forecast-weight``, ``day-recalibration`` or ``bias``.
        n: cases, days of which runs spoke.
        site_days: days of issue, each site's for itself.
        set_aside: cases that it could not use, by reason.
        estimate: what the fit says; empty where nothing was fitted.
        verdict: how it did on weather left out.
        sentence: the whole in words.
        rows: a table of it, a plain row for each lead or each correction.
        model: the model, if it has earned its use.
    """

    kind: str
    n: int
    site_days: int
    set_aside: dict[str, int]
    estimate: dict[str, float]
    verdict: Verdict
    sentence: str
    rows: list[dict[str, Any]] = field(default_factory=list)
    model: Model | None = None


def weather_model(kind: Kind, base: str, fitted: Fitted, cases: DayCases, verdict: Verdict, maker: Maker) -> Model:
    """A model that has earned its use."""
    made_at = maker.now.isoformat(timespec="seconds").replace("+00:00", "Z")
    scores = {key: value for key, value in asdict(verdict).items() if key != "accepted"}
    came = int(cases.came.sum())
    ground = Ground(
        n=len(cases),
        successes=came,
        failures=len(cases) - came,
        sites=sorted(set(cases.site.tolist())),
        seasons=sorted(set(cases.season.tolist())),
        first=str(cases.issued.min()),
        last=str(cases.issued.max()),
        sha256=cases.sha256,
    )
    beside = {name: float(value) for name, value in fitted.beside.items()}
    values, low, high = fitted.values, fitted.low, fitted.high
    return Model(kind, base, made_at, maker.program, values, low, high, beside, ground, Proof(**scores))


def earned(cases: DayCases, verdict: Verdict, rival: str) -> str:
    """How a fit has earned its use, in words."""
    return (
        f"Fitted to {ground_words(cases)}, and better than {rival} on {left_out(verdict.by)} (by {verdict.gain:.4f} "
        f"nats a day, at least {_least(verdict):.4f})."
    )


def _least(verdict: Verdict) -> float:
    """The lower end of the gain's range."""
    assert verdict.bound is not None
    assert verdict.bound_records is not None
    return min(verdict.bound, verdict.bound_records)


def ground_words(cases: DayCases) -> str:
    """How much there is, in words."""
    sites, seasons = len(set(cases.site.tolist())), len(set(cases.season.tolist()))
    return (
        f"{len(cases):,} days forecast from {number(cases.n_site_days, 'site-day')} of issue at "
        f"{number(sites, 'site')} in {number(seasons, 'season')}"
    )


def left_out(by: str) -> str:
    """What was left out in turn, in words."""
    what, _, sites = by.partition(" at ")
    many = what.replace("stretch of", "stretches of") if "stretch" in what else f"{what}s"
    return f"{many} left out in turn" + (", at sites left out with them" if sites else "")


def number(n: int, one: str) -> str:
    """A count with its noun."""
    return f"{n:,} {one}{'' if n == 1 else 's'}"


# --- refusals ---------------------------------------------------------------------------------------------------


def too_few(has: int, wants: int, why: str) -> str:
    """Nothing is fitted to so few.

    Args:
        has, wants: site-days that there are and that it takes.
        why: the rule, with room for ``has``, ``wants`` and ``are``.
    """
    said = why.format(has=number(has, "site-day"), wants=wants, are="is" if has == 1 else "are")
    least = "would be the least: a run a day at one site, or fewer days at several"
    return f"{NO}: {said}. {_more(wants - has)} {least}."


def untried(cases: DayCases) -> str:
    """A fit that cannot be tried."""
    return (
        f"{NO}: all {number(cases.n_site_days, 'site-day')} of issue lie so close together that a change cannot be "
        f"tried on weather that it was not made from. About {WINDOW_D} more days with runs, more than {PURGE_D} days "
        "away from these, would allow the first test; a second season is better."
    )


def not_earned(cases: DayCases, windows: Windows, verdict: Verdict, gains: Floats, faint: int, words: str) -> str:
    """A fit that did no better, or no more so than chance may do, and how many more cases would settle it.

    Args:
        cases, windows, verdict: what it was fitted to and how it was tried.
        gains: of cases left out [nats], NaN = not tried.
        faint: site-days in all that would show a difference worth finding.
        words: that difference, as the end of a sentence after "if".
    """
    assert verdict.gain is not None
    n, tried = cases.n_site_days, f"on {left_out(verdict.by)}"
    if verdict.gain > 0.0:
        wanted = max(needed(gains, windows, n), n + n // 4)
        return (
            f"{NO}: a fit to {number(n, 'site-day')} of issue made the odds better {tried}, but by no more than chance "
            f"may do ({verdict.gain:.4f} nats a day, perhaps as little as {_least(verdict):.4f}). {_more(wanted - n)} "
            "would settle it if they are like these."
        )
    worse = (
        f"{NO}: a fit to {number(n, 'site-day')} of issue made the odds no better {tried}, so they give no sign that"
    )
    if faint > n:
        return f"{worse} a change is due. {_more(faint - n)} would show it if {words}."
    return (
        f"{worse} a change is due. They are enough that it would most likely have shown if {words}; "
        f"{_more(max(4 * faint - n, n // 2)).lower()} would show half of that."
    )


def needed(gains: Floats, windows: Windows, n_site_days: int) -> int:
    """Site-days in all that would lift the lower end of a gain's range over the bound, if they are like these."""
    tried = ~np.isnan(gains)
    most = n_site_days
    for labels in (windows.window[tried], windows.block[tried]):
        groups = np.unique(labels, return_inverse=True)[1]
        sizes = np.bincount(groups)
        means = np.bincount(groups, weights=gains[tried]) / sizes
        spread = float(np.sqrt(np.average((means - gains[tried].mean()) ** 2, weights=sizes)))
        wanted = (_Z_ONE_SIDED * spread / (float(gains[tried].mean()) - BOUND)) ** 2
        most = max(most, int(np.ceil(n_site_days * wanted / len(sizes))))
    return min(most, _MOST)


def _more(n: int) -> str:
    rounded = 10 * -(-max(n, 1) // 10)
    return f"About {rounded:,} more site-days" if rounded < _MOST else f"More than {_MOST:,} more site-days"
