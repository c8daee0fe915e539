"""A verdict put into words, in five parts, and into data for machines.

The parts in their order: which batch and its age; what the weather allows and on which days; what to do or to leave;
by when; why, with the doubt stated.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import timedelta
from typing import TYPE_CHECKING, Any

from matewindow.advice import FORESEEN
from matewindow.limits import Limits
from matewindow.warnings.actions import actions, actions_when_clear
from matewindow.warnings.causes import WORDS, Change, change, foreseeable, standing
from matewindow.words import count, day_month, list_days, percent, verbal

if TYPE_CHECKING:
    from datetime import date

    from matewindow.biology import Biology
    from matewindow.warnings.actions import Action
    from matewindow.warnings.judge import Verdict
    from matewindow.warnings.reading import DayReading, Reading


@dataclass(frozen=True)
class Message:
    """What the keeper is told: five parts of one or more sentences each, and the same for machines."""

    parts: tuple[str, str, str, str, str]
    data: dict[str, Any]

    @property
    def text(self) -> str:
        """All parts in a row."""
        return " ".join(self.parts)


def message(
    verdict: Verdict, batch_name: str, biology: Biology, *, batch_id: str = "", limits: Limits | None = None
) -> Message:
    """Word a verdict that speaks.

    Args:
        verdict: to raise, of a change for the worse, or to clear.
        batch_name: what the keeper calls the batch; may be empty.
        biology: parameters.
        batch_id: for machines.
        limits: days on which the keeper does not work, heeded by a replacement graft.

    Raises:
        ValueError: the verdict is silent.
    """
    if not verdict.speaks:
        raise ValueError(f"a verdict of {verdict.outcome!r} has no message")
    now, before, today = verdict.reading, verdict.before, verdict.day
    better = verdict.outcome == "clear"
    changed = standing(now) if before is None else change(before, now, better=better)
    if better:
        todo = actions_when_clear(now, today)
    else:
        todo = actions(now, changed.causes, today, biology, limits or Limits())
    parts = (
        _who(now, batch_name, today),
        _weather(now, before, changed, today, better=better),
        " ".join(a.text for a in todo if a.text),
        " ".join(a.when for a in todo if a.when),
        f"{_why(now, before, changed, verdict)} {_doubt(now, today)}",
    )
    return Message(parts, _data(verdict, changed, todo, batch_id, batch_name))


def _who(now: Reading, name: str, today: date) -> str:
    born, age = now.dates.born, (today - now.dates.born).days
    grafted = f"{f'{name},' if name else 'Batch'} grafted {day_month(now.dates.grafted)}"
    if now.stage == "before transfer":
        return f"{grafted}: the cells are not yet in nucs, virgins emerge about {day_month(born)}."
    if now.stage == "cells in nucs":
        return f"{grafted}: the cells are in nucs, virgins emerge about {day_month(born)}."
    emerged = "emerged" if now.emerged_seen else "emerged about"
    old = "today" if age == 0 else "a day old today" if age == 1 else f"{age} days old today"
    return f"{grafted}: virgins {emerged} {day_month(born)}, {old}."


def _weather(now: Reading, before: Reading | None, changed: Change, today: date, *, better: bool) -> str:
    """What turned, which days still allow flight, and from when on only past years can tell."""
    said = [_turned(now, before, changed, today, better=better)]
    gone = [d for d in now.window if d.day < today]
    seen = [d for d in now.window if d.day >= today and foreseeable(d)]
    beyond = [d for d in now.window if d.day >= today and not foreseeable(d)]
    if gone:
        flown = sum(d.p_flying >= FORESEEN and foreseeable(d) for d in gone)
        said.append(f"{count(flown)} flying {'day' if flown == 1 else 'days'} so far.")
    if seen:
        good = _flying(seen)
        to = f"to {day_month(seen[-1].day)}"
        said.append(f"Flying days foreseen {to}: {list_days(good)}." if good else f"Little hope of a flying day {to}.")
    usual = [d.usual_hours for d in beyond if d.usual_hours is not None]
    if usual:
        mean = sum(usual) / len(usual)
        said.append(f"From {day_month(beyond[0].day)} only past years can tell: about {mean:.1f} flight hours a day.")
    return " ".join(s for s in said if s)


def _turned(now: Reading, before: Reading | None, changed: Change, today: date, *, better: bool) -> str:
    if better:
        if before is None or not changed.causes:
            return "The window looks better again."
        return f"The window looks better again. Less {_listed(changed.causes)} is foreseen than {_on(before, now)}."
    if changed.causes == ("drones",):
        return "There are no mature drones for part or all of the prime window."
    ahead, past = [d for d in changed.days if d >= today], [d for d in changed.days if d < today]
    said = []
    if past:
        said.append(f"{_cap(WORDS[changed.causes[0]])} cost flying time on {list_days(past)}.")
    if ahead:
        said.append(f"{_cap(WORDS[changed.causes[0]])} is foreseen for {list_days(ahead)}.")
    return " ".join(said)


def _why(now: Reading, before: Reading | None, changed: Change, verdict: Verdict) -> str:
    odds = percent(now.p)
    range_ = "" if now.low is None or now.high is None else f", {percent(now.low)} to {percent(now.high)}"
    usual = "" if now.expected is None else f"; usual {percent(now.expected)}"
    what = f"({verbal(now.p)}{range_}{usual})"
    if before is None:
        cost = (
            f"{WORDS[changed.causes[0]]} costs the most flying time in the prime window, and " if changed.causes else ""
        )
        return f"Why: {cost}the odds of a well mated queen are {odds} {what}."
    went = "rose" if verdict.outcome == "clear" else "fell"
    cost = _cost(now, before, changed, verdict)
    return f"Why: {cost}the odds of a well mated queen {went} from {percent(before.p)} to {odds} {what}."


def _cost(now: Reading, before: Reading, changed: Change, verdict: Verdict) -> str:
    if not changed.causes:
        return ""
    hours = max(1, round(changed.hours))
    amount = f"about {count(hours).lower()} flight {'hour' if hours == 1 else 'hours'}"
    where = "the prime window" if changed.prime else "the days after the prime window"
    verb, more = ("take", "less") if verdict.outcome == "clear" else ("take", "more")
    plural = len(changed.causes) > 1 and "drones" not in changed.causes
    subject, verb = _listed(changed.causes), verb if plural else f"{verb}s"
    main = f", {WORDS[changed.causes[0]]} above all" if plural else ""
    return f"{subject} {verb} {amount} {more} out of {where} than {_on(before, now)}{main}; "


def _doubt(now: Reading, today: date) -> str:
    """What the odds stand on, and what that is worth."""
    prime = [d for d in now.days if d.prime] or list(now.days)
    n = len(prime)
    grounds = {
        "measured": sum(d.observed for d in prime) / n,
        "forecast": sum(d.forecast for d in prime) / n,
        "taken from past years": sum(d.past_years for d in prime) / n,
    }
    named = [(what, share) for what, share in grounds.items() if share >= 0.05]
    open_ = any(d.day >= today and d.observed < 0.5 for d in now.window)
    turn = ": it can still turn out better or worse" if open_ else ""
    if len(named) == 1:
        return f"The prime window is almost wholly {named[0][0]}{turn}."
    (what, share), *rest = named
    parts = [f"{percent(share)} of the prime window is {what}", *(f"{percent(s)} {w}" for w, s in rest)]
    return f"{_and(parts)}{turn}."


def _data(verdict: Verdict, changed: Change, todo: tuple[Action, ...], batch_id: str, name: str) -> dict[str, Any]:
    now, before = verdict.reading, verdict.before
    return {
        "type": verdict.outcome,
        "batch": {"id": batch_id, "name": name},
        "stage": now.stage,
        "cause": changed.causes[0] if changed.causes else None,
        "causes": list(changed.causes),
        "days_affected": [d.isoformat() for d in changed.days],
        "flying_days": [d.isoformat() for d in _flying([d for d in now.window if d.day >= verdict.day])],
        "p_before": None if before is None else before.p,
        "p_now": now.p,
        "p_now_range": None if now.low is None or now.high is None else [now.low, now.high],
        "usual": now.expected,
        "what_can_be_done": [
            {"action": a.code, "by": a.by.isoformat(), "text": " ".join(t for t in (a.text, a.when) if t)} for a in todo
        ],
        "by": min(a.by for a in todo).isoformat(),
        "day": verdict.day.isoformat(),
        "issued_at": now.issued_at.isoformat(),
        "outlook": now.outlook_id,
        "outlook_before": None if before is None else before.outlook_id,
    }


def _flying(days: list[DayReading]) -> list[date]:
    return [d.day for d in days if foreseeable(d) and d.p_flying >= FORESEEN]


def _on(before: Reading, now: Reading) -> str:
    """When the other reading was made, as a person says it."""
    then, day = before.civil_day(before.issued_at), now.civil_day(now.issued_at)
    if then == day:
        return "earlier today"
    return "yesterday" if day - then == timedelta(days=1) else f"on {day_month(then)}"


def _listed(causes: tuple[str, ...]) -> str:
    return " and ".join(WORDS[c] for c in causes)


def _and(parts: list[str]) -> str:
    return f"{', '.join(parts[:-1])} and {parts[-1]}"


def _cap(text: str) -> str:
    return text[0].upper() + text[1:]
