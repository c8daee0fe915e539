"""What became of single queens: the records that the odds are held against, and what has to be asked about them."""

from __future__ import annotations

import hashlib
import json
from collections import Counter
from dataclasses import asdict, dataclass
from datetime import timedelta
from typing import TYPE_CHECKING, Any, ClassVar

if TYPE_CHECKING:
    from collections.abc import Iterable, Sequence
    from datetime import date, time

SETTLED_AFTER_D = 60
"""Days after the graft from which every queen's story is over: 12 to emergence, 32 of flights, then waiting and lag."""
STRICT: dict[str, Any] = {"strict": True, "extra": "forbid", "allow_inf_nan": False}
"""How what a model's file says is checked, in the words of pydantic."""
_FEW = 5
"""A season with fewer queens than this may well have had no failure."""
_NAMED = 5
"""So many batches are named one by one in a question."""


@dataclass(frozen=True)
class Record:
    """One virgin queen in her nuc, from the graft to what became of her. Days are civil days of the site.

    Attributes:
        site: name of the site.
        season: the season's name, such as 2026 (or 2025/26 in the south).
        grafted_on: day of the graft.
        success: whether she came good: laying, and found a good layer as far as was looked; None = not known.
        batch, nuc: what the keeper calls them; empty = not told.
        grafted_at, larva_age_h, sealed_temp_c: of the graft, as in ``timeline.Batch``; None = default.
        emerged_on: day on which she was found emerged; None = worked out from the graft.
        model: version of the parameters that ``p_issued`` was worked out with.
        p_issued: odds of being well mated as they were given out before her mating window; None = none were.
        last_without_eggs: last look that found no eggs.
        first_with_eggs: first look that found eggs or brood.
        brood_age_d: age of the oldest brood at that look, in days since it was laid.
        reason: why it failed, or why nobody can say whether it did, such as removed; empty = not told.
        nucs_in_batch: how many nucs the batch went into, so that those without a record can be counted.
        nuc_kind: what kind of nuc she was in, of ``covariates.NUC_KINDS``; empty = not told.
    """

    site: str
    season: str
    grafted_on: date
    success: bool | None
    batch: str = ""
    nuc: str = ""
    grafted_at: time | None = None
    larva_age_h: float | None = None
    sealed_temp_c: float | None = None
    emerged_on: date | None = None
    model: str = ""
    p_issued: float | None = None
    last_without_eggs: date | None = None
    first_with_eggs: date | None = None
    brood_age_d: int | None = None
    reason: str = ""
    nucs_in_batch: int | None = None
    nuc_kind: str = ""

    @property
    def eggs_by(self) -> date | None:
        """Day by which there were eggs: the first look with eggs, less the age of the brood seen."""
        if self.first_with_eggs is None:
            return None
        return self.first_with_eggs - timedelta(days=self.brood_age_d or 0)

    @property
    def last_look(self) -> date | None:
        """The last of the looks that tell of eggs."""
        looks = [day for day in (self.last_without_eggs, self.first_with_eggs) if day is not None]
        return max(looks) if looks else None


@dataclass(frozen=True)
class Question:
    """Something about the records that the keeper should be asked, since it may bend what is learnt from them.

    Attributes:
        about: ``no outcome``, ``only successes``, ``eggs without a verdict`` or ``perhaps never emerged``.
        count: how many queens it concerns.
        text: the question.
    """

    about: str
    count: int
    text: str


def questions(records: Sequence[Record], today: date) -> list[Question]:
    """What has to be asked: nucs without an outcome, seasons without a failure, eggs that nobody judged.

    Args:
        records: all there are.
        today: batches grafted less than ``SETTLED_AFTER_D`` days before it are still open.
    """
    asked = [*_without_outcome(records, today), *_only_successes(records), *_unjudged(records, today)]
    return asked + _unemerged(records)


def _without_outcome(records: Sequence[Record], today: date) -> list[Question]:
    missing: Counter[tuple[str, str]] = Counter()
    for (site, _, batch), group in _by_batch(records).items():
        if group[0].grafted_on + timedelta(days=SETTLED_AFTER_D) > today:
            continue
        open_ = sum(r.success is None and r.first_with_eggs is None and not r.reason for r in group)
        placed = max((r.nucs_in_batch for r in group if r.nucs_in_batch is not None), default=len(group))
        name = batch or f"grafted {group[0].grafted_on}"
        missing[site, name] += open_ + max(0, placed - len(group))
    missing = +missing
    if not missing:
        return []
    total, n_batches = sum(missing.values()), len(missing)
    named = ", ".join(f"{name}: {n}" for (_, name), n in missing.most_common(_NAMED))
    more = f" and {n_batches - _NAMED} more" if n_batches > _NAMED else ""
    text = (
        f"{_nucs(total)} of {n_batches} {_plural(n_batches, 'batch', 'batches')} {_plural(total, 'has', 'have')} no "
        f"outcome ({named}{more}). What became of them? Failures are forgotten more often than successes, and odds "
        "that learn from successes alone become too good."
    )
    return [Question("no outcome", total, text)]


def _only_successes(records: Sequence[Record]) -> list[Question]:
    asked = []
    for season in sorted({r.season for r in records}):
        known = [r.success for r in records if r.season == season and r.success is not None]
        if len(known) >= _FEW and all(known):
            text = (
                f"Season {season} has {len(known)} queens that came good and none that failed. Were failures left out? "
                "Enter them too."
            )
            asked.append(Question("only successes", len(known), text))
    return asked


def _unjudged(records: Sequence[Record], today: date) -> list[Question]:
    closed = today - timedelta(days=SETTLED_AFTER_D)
    eggs_only = [r for r in records if r.success is None and r.first_with_eggs is not None and not r.reason]
    n = sum(r.grafted_on <= closed for r in eggs_only)
    if not n:
        return []
    text = (
        f"Eggs were seen in {_nucs(n).lower()} and nobody wrote whether the queen was good. Eggs alone may be those of "
        "a drone layer: enter success yes or no."
    )
    return [Question("eggs without a verdict", n, text)]


def _unemerged(records: Sequence[Record]) -> list[Question]:
    n = sum(r.success is False and not r.reason and r.emerged_on is None and r.first_with_eggs is None for r in records)
    if not n:
        return []
    text = (
        f"{_nucs(n)} failed without a reason or a day of emergence. Were there cells among them from which nobody "
        "emerged? The odds are those of a virgin: leave such cells out, and write the reason beside the others."
    )
    return [Question("perhaps never emerged", n, text)]


def _by_batch(records: Iterable[Record]) -> dict[tuple[str, date, str], list[Record]]:
    groups: dict[tuple[str, date, str], list[Record]] = {}
    for record in records:
        groups.setdefault((record.site, record.grafted_on, record.batch), []).append(record)
    return groups


def _plural(n: int, one: str, many: str) -> str:
    return one if n == 1 else many


def _nucs(n: int) -> str:
    return f"{n} {_plural(n, 'nuc', 'nucs')}"


@dataclass(frozen=True)
class Ground:
    """Which records something was made from, for its card.

    Attributes:
        n: queens.
        successes, failures: of those whose outcome is known.
        sites, seasons: their names, in order.
        first, last: days of the first and the last graft, ISO.
        sha256: digest of the records, so that they can be told from others.
    """

    __pydantic_config__: ClassVar[dict[str, Any]] = STRICT

    n: int
    successes: int
    failures: int
    sites: list[str]
    seasons: list[str]
    first: str
    last: str
    sha256: str


def ground_of(records: Sequence[Record]) -> Ground:
    """What there is to say about at least one record."""
    rows = [asdict(record) for record in records]
    text = json.dumps(rows, default=lambda value: value.isoformat(), sort_keys=True, ensure_ascii=False)
    days = sorted(record.grafted_on for record in records)
    return Ground(
        n=len(records),
        successes=sum(record.success is True for record in records),
        failures=sum(record.success is False for record in records),
        sites=sorted({record.site for record in records}),
        seasons=sorted({record.season for record in records}),
        first=days[0].isoformat(),
        last=days[-1].isoformat(),
        sha256=hashlib.sha256(text.encode()).hexdigest(),
    )
