"""What a calendar entry says of odds: ranges in plain words, and what they rest on."""

from __future__ import annotations

from typing import TYPE_CHECKING

from matewindow.feeds.plaintext import one_line
from matewindow.words import day_month, percent, verbal, weekday_day

if TYPE_CHECKING:
    from datetime import date, timedelta

    from matewindow.odds import Range
    from matewindow.outlook import Outlook
    from matewindow.paths import Sources
    from matewindow.timeline import Event

_WITH_ODDS = frozenset({"prime-window", "first-check", "sealed-brood", "late", "give-up"})
_RESTS_ON = {"observed": "measured weather", "forecast": "the forecast", "past_years": "past years"}


def odds_lines(key: str, event: Event, outlook: Outlook | None, eggs_seen: date | None) -> list[str]:
    """The odds that belong to one of a batch's dates; none without an outlook.

    Args:
        key: of ``batchdates.Kind``.
        event: the date.
        outlook: of the batch.
        eggs_seen: day of the last look if it showed eggs.
    """
    if outlook is None:
        return []
    if key == "prime-window":
        return _prime(outlook, eggs_seen)
    if key == "first-check":
        return _first_eggs(event, outlook) if eggs_seen is None else []
    if key == "sealed-brood":
        return _sealed_brood(event, outlook)
    if key in ("late", "give-up") and event.day in outlook.still_good:
        odds = outlook.still_good[event.day]
        return [f"Odds that a nuc without eggs on this day still gets a well mated queen: {percent(odds)}."]
    return []


def _prime(outlook: Outlook, eggs_seen: date | None) -> list[str]:
    odds, prime = outlook.well_mated, [d for d in outlook.days if d.prime]
    said = f"{verbal(odds.value)} to be well mated: {percent(odds.value)}{_between(odds)}"
    if eggs_seen is not None:
        return [f"Eggs were seen on {day_month(eggs_seen)}; she is {said}."]
    if prime and all(d.drones == 0.0 for d in prime):
        return ["No mature drones are about in this window: these virgins have nobody to mate with."]
    beside = outlook.well_mated_usual if not outlook.batch.checks else None  # the usual knows nothing of looks
    usual = "" if beside is None else f"; usual for these dates {percent(beside)}"
    return [f"A virgin is {said}{usual}.", _flight_hours(outlook)]


def _between(odds: Range) -> str:
    return "" if odds.low is None or odds.high is None else f", {percent(odds.low)} to {percent(odds.high)}"


def _flight_hours(outlook: Outlook) -> str:
    hours, usual = outlook.prime_flight_hours, outlook.prime_flight_hours_usual
    beside = "" if usual is None else f"; usual for these dates {_hours(usual.mean)}"
    return (
        f"Flight hours in this window: {_hours(hours.mean)} on average, {_hours(hours.p10)} to {_hours(hours.p90)} in "
        f"8 of 10 courses that the weather may take{beside}."
    )


def _hours(hours: float) -> str:
    return "under 1" if hours < 1.0 else f"{hours:.0f}"


def _first_eggs(event: Event, outlook: Outlook) -> list[str]:
    eggs = outlook.first_egg
    if eggs is None:
        return []
    low, half, high = (day_month(eggs[q]) for q in ("p10", "p50", "p90"))
    lines = [f"First eggs are expected from {low} to {high}, half of them by {half}."]
    if eggs["p50"] > event.day:
        lines.append(f"Most queens will not lay yet on this day: {weekday_day(eggs['p90'])} tells more.")
    return lines


def _sealed_brood(event: Event, outlook: Outlook) -> list[str]:
    eggs = outlook.first_egg
    if eggs is None:
        return []
    after: timedelta = event.day - eggs["p50"]
    low, high = eggs["p10"] + after, eggs["p90"] + after
    if low == high:
        return []
    return [f"Counted from the first eggs: {day_month(low)} to {day_month(high)} in 8 of 10."]


# --- the footing ------------------------------------------------------------------------------------------------


def ground_of(key: str, outlook: Outlook | None, sources: Sources | None) -> str:
    """What an entry rests on: the graft alone, or weather, with its caveats and sources beside the main odds."""
    if key not in _WITH_ODDS:
        return "Counted from what is recorded of the batch, not from weather."
    if outlook is None:
        return "Counted from what is recorded of the batch and fine weather: there is no outlook yet."
    lines = [_shares(outlook)]
    if key == "prime-window":
        lines += [one_line(caveat) for caveat in outlook.warnings]
        lines += _sources(sources)
    return "\n".join(lines)


def _shares(outlook: Outlook) -> str:
    parts = [f"{percent(outlook.shares[k])} on {words}" for k, words in _RESTS_ON.items() if outlook.shares[k] > 0.005]
    said = f"The odds rest {', '.join(parts)}" if parts else "No weather is known for the prime window"
    counts = []
    if outlook.years and outlook.shares["past_years"] > 0.0:
        counts.append(f"{outlook.years} past years")
    if outlook.members > 1 and outlook.shares["forecast"] > 0.0:
        counts.append(f"{outlook.members} runs of an ensemble")
    return f"{said}{' (' + ', '.join(counts) + ')' if counts else ''}."


def _sources(sources: Sources | None) -> list[str]:
    if sources is None:
        return []
    parts = (sources.observed, sources.run, sources.members, sources.past)
    named = {f"{part.provenance.source}: {part.provenance.licence}" for part in parts if part is not None}
    return [f"Weather by {one_line(name)}" for name in sorted(named)]
