"""What a result comes to, said to a beekeeper: one sentence on when to graft, five on a batch under way."""

from __future__ import annotations

from typing import TYPE_CHECKING

from matewindow.words import day_month, in_ten, list_days, percent, share_words, verbal, weekday_day

if TYPE_CHECKING:
    from datetime import date

    from matewindow.graft import GraftDay
    from matewindow.outlook import Outlook
    from matewindow.site import Site


def advise(days: list[GraftDay], threshold: float, by: date | None) -> tuple[str, list[date]]:
    """One sentence and the days it names, best first."""
    free = sorted((d for d in days if not d.constraints), key=lambda d: d.rank)
    if not free:
        reasons = ", ".join(sorted({c.name for d in days for c in d.constraints}))
        return f"Do not graft in these days: each of them breaks a limit of your own ({reasons}).", []
    top = free[0]
    odds = _odds_of(top)
    if odds < threshold:
        wait = (
            f"Better wait: on the best of these days a virgin has {in_ten(odds)} chances to end {_outcome(by)}, "
            f"and a nuc is worth stocking from {share_words(threshold)}."
        )
        return wait, []
    pool = [d for d in free if d.tied_with_best]
    chance = f"a virgin is {verbal(odds)} to end {_outcome(by)} ({percent(odds)}{_against_usual(top)})"
    names = list_days(sorted(d.day for d in pool))
    if len(pool) == 1:
        return f"Graft on {names}: {chance}{_later(free, top)}.", [top.day]
    whichever = f"Graft on whichever of {names} suits you: there is no real difference between them"
    return f"{whichever}, and {chance}{_later(free, top)}.", [d.day for d in pool]


def _odds_of(day: GraftDay) -> float:
    return day.well_mated.value if day.in_lay_by is None else day.in_lay_by


def _outcome(by: date | None) -> str:
    return f"well mated and in lay by {day_month(by)}" if by else "well mated"


def _later(free: list[GraftDay], top: GraftDay) -> str:
    """A clause on the days that are left out though their odds are as good: they only cost the wait."""
    rest = [d for d in free if not d.tied_with_best and d.day > top.day]
    as_good = [d for d in rest if abs(_odds_of(d) - _odds_of(top)) < 0.05]
    return "; later days mate no better and cost the wait" if rest and len(as_good) == len(rest) else ""


def _against_usual(day: GraftDay) -> str:
    if day.well_mated_usual is None or day.in_lay_by is not None:
        return ""
    return f", usual for the date {percent(day.well_mated_usual)}"


USABLE_H = 1.0
"""Effective hours from which a day is called a flying day (shortest usable spell 1 h; judgement)."""


BEYOND_SHARE = 0.5
"""A day of which past years make up so much is called beyond the forecast (judgement)."""


def window_message(outlook: Outlook, site: Site) -> str:
    """A batch in five parts: which, what the weather allows, what to do or leave, by when, and why."""
    now = outlook.now.astimezone(site.zone).date()
    parts = (_who(outlook, site, now), _weather(outlook, now), _work(outlook, now), _odds(outlook))
    return " ".join(part for part in parts if part)


def _who(outlook: Outlook, site: Site, now: date) -> str:
    grafted = outlook.batch.grafted.astimezone(site.zone).date()
    born = outlook.emergence[1]
    age = (now - born).days
    emerge = "emerged" if outlook.batch.emerged else "emerged about" if age >= 0 else "emerge about"
    old = f", {age} days old today" if age > 1 else ", a day old today" if age == 1 else ""
    return f"Batch grafted {day_month(grafted)}: virgins {emerge} {day_month(born)}{old}."


def _weather(outlook: Outlook, now: date) -> str:
    """Flying days so far, those that the forecast can foresee, and what is usual beyond it."""
    first = next(d.age for d in outlook.days if d.prime)
    days = [d for d in outlook.days if d.age >= first]
    gone, ahead = [d for d in days if d.day < now], [d for d in days if d.day >= now]
    seen = [d for d in ahead if d.shares["past_years"] < BEYOND_SHARE]
    beyond = [d for d in ahead if d.shares["past_years"] >= BEYOND_SHARE]
    said = []
    if gone:
        flown = sum(d.effective_hours >= USABLE_H for d in gone)
        said.append(f"{_count(flown)} flying {'day' if flown == 1 else 'days'} so far.")
    if seen:
        good = [d.day for d in seen if d.effective_hours >= USABLE_H]
        span = f"to {day_month(seen[-1].day)}"
        foreseen = f"Flying days foreseen {span}: {list_days(good)}."
        said.append(foreseen if good else f"No flying day is foreseen {span}.")
    usual = [d.usual_hours for d in beyond if d.usual_hours is not None]
    if usual:
        mean = sum(usual) / len(usual)
        said.append(f"From {day_month(beyond[0].day)} only past years can tell: about {mean:.1f} flight hours a day.")
    return " ".join(said)


def _work(outlook: Outlook, now: date) -> str:
    """What to leave and what comes next; never something that is already past."""
    events = {e.name: e for e in outlook.timeline}
    if outlook.batch.checks and outlook.batch.checks[-1].saw == "eggs":
        return f"Eggs seen: leave her until sealed brood, about {weekday_day(events['sealed-brood check'].day)}."
    ahead = [e for e in outlook.timeline if e.day >= now and e.name not in ("leave alone", "prime window", "late")]
    alone = events["leave alone"]
    text = alone.work.split(".")[0] + "." if alone.earliest <= now <= alone.latest else ""
    if not ahead:
        return f"{text} The time to give up has passed: look once more, then unite the nuc or start it afresh.".strip()
    coming, egg = ahead[0], outlook.first_egg
    later = ""
    if coming.name == "first laying check" and egg is not None and egg["p50"] > coming.day:
        later = f" (most will not lay by then: {weekday_day(egg['p90'])} tells more)"
    return f"{text} Next: {coming.name}, {weekday_day(coming.day)}{later}.".strip()


def _odds(outlook: Outlook) -> str:
    p = outlook.well_mated
    usual = "" if outlook.well_mated_usual is None else f", usual for these dates {percent(outlook.well_mated_usual)}"
    egg = outlook.first_egg
    when = "" if egg is None else " First eggs {} to {}, half by {}.".format(*(day_month(egg[q]) for q in _EGG_POINTS))
    late = outlook.risk_delayed_laying
    slow = "" if outlook.risk_delayed_laying_usual is None else f" (usual {percent(outlook.risk_delayed_laying_usual)})"
    delay = f" {percent(late.value)} of the good ones come late into lay{slow}."
    lost = {cause: sum(d.spoiled_by[cause] for d in outlook.days if d.prime) for cause in outlook.days[0].spoiled_by}
    cause = max(lost, key=lambda c: lost[c])
    stands = max(outlook.shares, key=lambda k: outlook.shares[k])
    ground = {"observed": "what was measured", "forecast": "the forecast", "past_years": "past years"}[stands]
    return (
        f"A virgin is {verbal(p.value)} to end well mated ({percent(p.value)}, {percent(p.low)} to "
        f"{percent(p.high)}{usual}).{delay}{when} "
        f"Most flying time in the prime window goes to {_CAUSE_WORDS[cause]}; the odds rest mainly on {ground}."
    )


_EGG_POINTS = ("p10", "p90", "p50")
_CAUSE_WORDS = {"cold": "cold", "heat": "heat", "wind": "wind", "rain": "rain", "light": "poor light"}


def _count(n: int) -> str:
    words = ("No", "One", "Two", "Three", "Four", "Five", "Six", "Seven", "Eight", "Nine", "Ten")
    return words[n] if n < len(words) else str(n)
