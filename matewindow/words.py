"""Numbers, odds and days in the words that a beekeeper would use."""

from __future__ import annotations

from datetime import date, timedelta

_MONTHS = (
    *("January", "February", "March", "April", "May", "June"),
    *("July", "August", "September", "October", "November", "December"),
)
_WEEKDAYS = ("Monday", "Tuesday", "Wednesday", "Thursday", "Friday", "Saturday", "Sunday")


def day_month(day: date) -> str:
    """A date as a person says it: 9 June."""
    return f"{day.day} {_MONTHS[day.month - 1]}"


def weekday_day(day: date) -> str:
    """The same with its weekday: Tuesday 9 June."""
    return f"{_WEEKDAYS[day.weekday()]} {day_month(day)}"


VERBAL = ((0.99, "nearly certain"), (0.90, "very likely"), (0.66, "likely"), (0.33, "about as likely as not"))


def verbal(p: float) -> str:
    """A probability in the calibrated words of the IPCC (AR4, disjoint classes)."""
    for low, word in VERBAL:
        if p >= low:
            return word
    return "unlikely" if p >= 0.10 else "very unlikely"


def percent(p: float) -> str:
    """A probability as whole percent, never 0 or 100."""
    return f"{min(99, max(1, round(100 * p)))} %"


def of_ten(p: float) -> str:
    """A probability in words of frequency: about 3 in 10."""
    tenths = round(10 * p)
    return "fewer than 1 in 10" if tenths < 1 else "more than 9 in 10" if tenths > 9 else f"about {tenths} in 10"


CAUSES = {"cold": "cold", "heat": "heat", "wind": "wind", "rain": "rain", "light": "poor light"}
"""What spoils a flight hour, in words."""

_NUMBERS = ("No", "One", "Two", "Three", "Four", "Five", "Six", "Seven", "Eight", "Nine", "Ten")


def count(n: int) -> str:
    """A small number at the beginning of a sentence."""
    return _NUMBERS[n] if n < len(_NUMBERS) else str(n)


def list_days(days: list[date]) -> str:
    """Days in words, runs of three and more as a span; none is "no day"."""
    if not days:
        return "no day"
    parts = []
    for run in _runs(days):
        if len(run) > 2:
            parts.append(f"{weekday_day(run[0])} to {weekday_day(run[-1])}")
        else:
            parts += [weekday_day(d) for d in run]
    return _listed(parts)


def spans(days: list[date]) -> str:
    """Spans of days without their weekdays: 24 May to 26 May and 12 June."""
    ends = [(day_month(run[0]), day_month(run[-1])) for run in _runs(days)]
    return _listed([first if first == last else f"{first} to {last}" for first, last in ends])


def _runs(days: list[date]) -> list[list[date]]:
    """Days in order, as runs without a gap."""
    runs: list[list[date]] = []
    for day in days:
        if runs and day - runs[-1][-1] == timedelta(days=1):
            runs[-1].append(day)
        else:
            runs.append([day])
    return runs


def _listed(parts: list[str]) -> str:
    return parts[0] if len(parts) == 1 else ", ".join(parts[:-1]) + " and " + parts[-1]
