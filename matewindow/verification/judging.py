"""What a record comes to, in words: whether the odds beat the usual, by how much, with what doubt, and where not."""

from __future__ import annotations

from dataclasses import dataclass
from math import floor, log10
from typing import TYPE_CHECKING

from matewindow.verification.comparing import Verdict

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

    from matewindow.verification.blocks import Ranged
    from matewindow.verification.comparing import Comparison
    from matewindow.verification.ranks import RankHistogram
    from matewindow.verification.records import GroupRecord, Record
    from matewindow.verification.reliability import Bin, Reliability
    from matewindow.verification.value import Value

RARE = 0.05
"""A record that right odds would give less often than this counts against them."""
FEW_CASES = 50
_MANY_BLOCKS = 200.0
_RUN = 3
_STANDINGS = {
    Verdict.BETTER: "Better than the usual",
    Verdict.SAME: "As good as the usual, no better",
    Verdict.WORSE: "Worse than the usual",
    Verdict.UNCLEAR: "Not to be told apart from the usual by this record",
    Verdict.TOO_FEW: "Too little to go by",
    Verdict.NOTHING: "Nothing to go by",
}


@dataclass(frozen=True)
class GroupWords:
    """Sentences about one lead group, the answer first."""

    name: str
    sentences: tuple[str, ...]


@dataclass(frozen=True)
class Judgement:
    """A record in words.

    Attributes:
        headline: which lead groups beat the usual, and which do not.
        groups: each lead group.
        doubts: what weakens all of it.
    """

    headline: str
    groups: tuple[GroupWords, ...]
    doubts: tuple[str, ...]


def judgement(record: Record) -> Judgement:
    """Say what a record comes to."""
    return Judgement(
        _headline(record.groups),
        tuple(GroupWords(group.name, tuple(_sentences(group))) for group in record.groups),
        tuple(_doubts(record)),
    )


def _headline(groups: Sequence[GroupRecord]) -> str:
    named = {verdict: [g.name for g in groups if g.brier.usual.verdict == verdict] for verdict in _STANDINGS}
    said = [f"{words}: {listed(named[verdict])}." for verdict, words in _STANDINGS.items() if named[verdict]]
    if not named[Verdict.BETTER]:
        said.insert(0, "Nowhere shown to be better than the usual.")
    return " ".join(said)


def _sentences(group: GroupRecord) -> Iterator[str]:
    yield skill_words(group.brier.usual)
    if group.brier.persistence is not None and group.brier.usual.n:
        yield skill_words(group.brier.persistence, "persistence")
    if group.reliability is not None:
        yield reliability_words(group.reliability)
    if any(gain.low is not None for gain in group.value.gain):
        yield value_words(group.value)
    if group.hours is not None:
        yield "Flight hours: " + _lower(skill_words(group.hours.crps.usual)) + _off_by(group.hours.crps.usual, "h")
        yield from rank_words(group.hours.ranks)
    if group.first_egg is not None:
        egg = group.first_egg
        yield "First egg: " + _lower(skill_words((egg.log if egg.score is None else egg.score).usual))
        if egg.score is None:
            yield "The day of the first egg is known only to lie between two looks; it is scored by that."


def skill_words(c: Comparison, usual: str = "the usual") -> str:
    """One comparison as a sentence or two.

    Args:
        c: of the odds against a reference.
        usual: what the reference is called.
    """
    if c.n == 0:
        return f"No case in which the odds, {usual} and the outcome are all known."
    if c.skill.value is None:
        return f"{usual.capitalize()} made no error at all here, so there was nothing to gain."
    error = f"the error is {change(c.skill.value)}"
    few = f"{c.n_blocks} {c.blocks if c.n_blocks != 1 else c.blocks.removesuffix('s')}"
    said = {
        Verdict.BETTER: f"Better than {usual}: {error}{_between(c.skill)}.",
        Verdict.WORSE: f"Worse than {usual}: {error}{_between(c.skill)}.",
        Verdict.SAME: f"As good as {usual}, no better and no worse: the error differs by less than 5 %.",
        Verdict.UNCLEAR: f"Not to be told apart from {usual}: {error}{_between(c.skill)}.{_wanted(c)}",
        Verdict.TOO_FEW: f"Too little to go by beside {usual}: {error}, but in {few} luck can do that.",
    }
    return said[c.verdict]


def reliability_words(r: Reliability) -> str:
    """Whether the odds mean what they say."""
    if r.n < FEW_CASES:
        return f"{r.n} cases are too few to tell whether the odds mean what they say."
    if r.chance > RARE:
        return f"The odds mean what they say, as far as {r.n:,} cases can tell."
    runs = _runs(r.bins)
    if not runs:
        return "Taken together the odds stray further from what came true than chance explains; no single tenth does."
    return " ".join(_run_words(run) for run in runs)


def value_words(v: Value) -> str:
    """For whom acting on the odds pays more than acting on the usual."""
    more = _spans([r for r, gain in zip(v.ratios, v.gain, strict=True) if gain.low is not None and gain.low > 0.0])
    less = _spans([r for r, gain in zip(v.ratios, v.gain, strict=True) if gain.high is not None and gain.high < 0.0])
    said = [
        f"Acting on the odds pays {how} than acting on the usual where cost is {listed(spans)} of the gain."
        for how, spans in (("more", more), ("less", less))
        if spans
    ]
    none = "It makes no clear difference whether one acts on the odds or on the usual, whatever a nuc costs."
    return " ".join(said) or none


def rank_words(h: RankHistogram) -> Iterator[str]:
    """Whether what came lies where it was thought to lie."""
    if h.n < FEW_CASES or h.slope_chance is None or h.bend_chance is None:
        return
    if h.slope_chance < RARE / 2.0:
        yield f"{'More' if h.slope > 0.0 else 'Fewer'} flight hours came than was thought."
    if h.bend_chance < RARE / 2.0:
        yield (
            "Their range was too narrow: what came lay outside it too often."
            if h.bend > 0.0
            else "Their range was wider than it need have been."
        )


def _doubts(record: Record) -> Iterator[str]:
    for group in record.groups:
        c = group.brier.usual
        if c.worth is not None and c.worth < 0.8 * c.n:
            yield (
                f"{_upper(group.name)}: {c.n:,} cases from {_counted(group.n_seasons, 'season')} and "
                f"{_counted(group.n_sites, 'site')}; days next to each other share their weather, so they count like "
                f"about {_rounded(c.worth):,} independent ones."
            )
        if group.n_missing:
            left_out = f"{group.n_missing:,} of {group.n:,} cases are left out"
            yield f"{_upper(group.name)}: {left_out}, as something of them is not known."
    told = sum(group.brier.usual.gain.low is not None for group in record.groups)
    if told > 2:
        yield (
            f"Each range misses the truth about once in ten. Of {told} lead groups one may look better or worse than "
            "the usual by luck alone."
        )


def change(skill: float) -> str:
    """A skill as the change of the error: "about 15 % smaller"; to the nearest 5 %, since more would be false."""
    points = 5 * round(20.0 * abs(skill))
    if points == 0:
        return "hardly different"
    if points >= 200:
        return "three times as large or more"
    return f"about {points} % {'smaller' if skill > 0.0 else 'larger'}"


def _between(skill: Ranged) -> str:
    """The range of a skill: "(10 to 20 % smaller)", "(anything from 5 % larger to 20 % smaller)"."""
    if skill.low is None or skill.high is None:
        return ""
    low, high = (5 * round(20.0 * x) for x in (skill.low, skill.high))
    if low == high:
        return ""
    if low >= 0:
        return f" ({low} to {high} %)"
    if high <= 0:
        return f" ({-high} to {-low} %)"
    return f" (anything from {-low} % larger to {high} % smaller)"


def _wanted(c: Comparison) -> str:
    if c.blocks_wanted is None:
        return ""
    if c.blocks_wanted > _MANY_BLOCKS:
        return f" Even {_MANY_BLOCKS:.0f} {c.blocks} like these would hardly show it."
    more = max(_rounded(c.blocks_wanted), c.n_blocks + 1)
    return f" If the gain is real, it takes about {more} {c.blocks} like these to show it."


def _off_by(c: Comparison, unit: str) -> str:
    """Both errors in their unit."""
    if c.score.value is None or c.reference.value is None:
        return ""
    return f" Error {c.score.value:.2g} {unit}, usual {c.reference.value:.2g} {unit}."


def _runs(bins: Sequence[Bin]) -> list[list[Bin]]:
    """Neighbouring tenths that are off to the same side."""
    runs: list[list[Bin]] = []
    for b in bins:
        if b.off == 0.0:
            continue
        last = runs[-1][-1] if runs else None
        if last is not None and last.end == b.start and last.off * b.off > 0.0:
            runs[-1].append(b)
        else:
            runs.append([b])
    return runs


def _run_words(run: Sequence[Bin]) -> str:
    n = sum(b.n for b in run)
    came = sum(b.n * b.came for b in run) / n
    side = "low" if run[0].off > 0.0 else "high"
    span = f"{100 * run[0].start:.0f} to {100 * run[-1].end:.0f} %"
    return f"Odds of {span} were too {side}: it came true in {_of_hundred(came)}."


def _of_hundred(share: float) -> str:
    whole = round(100.0 * share)
    return "fewer than 1 in 100" if whole < 1 else "more than 99 in 100" if whole > 99 else f"about {whole} in 100"


def _spans(ratios: Sequence[float]) -> list[str]:
    """Runs of thresholds that follow each other in steps of 5 %; a single one or two may be luck and are left out."""
    runs: list[list[float]] = []
    for ratio in ratios:
        if runs and ratio - runs[-1][-1] < 0.051:
            runs[-1].append(ratio)
        else:
            runs.append([ratio])
    return [f"{100 * run[0]:.0f} to {100 * run[-1]:.0f} %" for run in runs if len(run) >= _RUN]


def listed(parts: Sequence[str]) -> str:
    """Words in a row: "a, b and c"."""
    return parts[0] if len(parts) == 1 else ", ".join(parts[:-1]) + " and " + parts[-1]


def _counted(n: int, name: str) -> str:
    return f"{n} {name}" if n == 1 else f"{n} {name}s"


def _rounded(x: float) -> int:
    """To one leading figure, from 20 on; more would be false precision."""
    if x < 20.0:
        return max(1, round(x))
    step = 10.0 ** floor(log10(x))
    return int(step * round(x / step))


def _upper(text: str) -> str:
    return text[:1].upper() + text[1:]


def _lower(sentence: str) -> str:
    return sentence[0].lower() + sentence[1:]
