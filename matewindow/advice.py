"""What a result comes to, said to a beekeeper: one sentence on when to graft, five short parts on a batch under way."""

from __future__ import annotations

from typing import TYPE_CHECKING

from matewindow.words import CAUSES, count, day_month, list_days, of_ten, percent, verbal, weekday_day

if TYPE_CHECKING:
    from datetime import date

    from matewindow.graft import GraftDay
    from matewindow.outlook import DayOutlook, Outlook
    from matewindow.site import Site

BEYOND_SHARE = 0.5
"""A day of which past years make up so much is called beyond the forecast (judgement)."""
FORESEEN = 0.6
"""A flying day is called foreseen from this chance on (judgement)."""
HOPELESS = 0.10
"""A queen that does not lay is past saving for most where fewer than this come good yet (judgement)."""


def advise(days: list[GraftDay], by: date | None) -> tuple[str, list[date]]:
    """One sentence on when to graft, and the days it names, best first."""
    free = sorted((d for d in days if not d.constraints), key=lambda d: d.rank)
    if not free:
        reasons = sorted({c.name for d in days for c in d.constraints})
        if reasons == ["past"]:
            return "All of these days are past.", []
        return f"No day here works, each breaks a limit ({', '.join(reasons)}).", []
    top = free[0]
    odds = _odds_of(top)
    if top.merit <= 0.0:
        if by is not None:
            return (
                f"None of these days brings queens into lay by {day_month(by)} often enough: {of_ten(odds)} virgins.",
                [],
            )
        worth = f"grafting pays from {percent(top.break_even)}"
        return (
            f"Do not graft yet: on the best of these days {of_ten(odds)} virgins would be well mated, and {worth}.",
            [],
        )
    pool = [d for d in free if d.tied_with_best]
    chance = f"a virgin is {verbal(odds)} to be {_outcome(by)} ({percent(odds)}{_against_usual(top)})"
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
    usual = day.well_mated_usual if day.in_lay_by is None else day.in_lay_by_usual
    return "" if usual is None else f", usual {percent(usual)}"


def window_message(outlook: Outlook, site: Site) -> list[str]:
    """A batch in up to five parts: which; what the weather allows; what to do or leave, by when; the odds; why."""
    now = outlook.now.astimezone(site.zone).date()
    parts = [_who(outlook, site, now), _work(outlook, now)]
    if not _laying(outlook):
        parts.insert(1, _weather(outlook, now))
    return [part for part in [*parts, _odds(outlook), _why(outlook, site)] if part]


def _laying(outlook: Outlook) -> bool:
    return bool(outlook.batch.checks) and outlook.batch.checks[-1].saw == "eggs"


def _who(outlook: Outlook, site: Site, now: date) -> str:
    grafted = outlook.batch.grafted.astimezone(site.zone).date()
    born = outlook.emergence[1]
    age = (now - born).days
    emerge = "emerged" if outlook.batch.emerged else "emerged about" if age > 0 else "emerge about"
    old = f", {age} days old today" if age > 1 else ", a day old today" if age == 1 else ""
    cautions = [e.caution for e in outlook.timeline if e.caution]
    return " ".join([f"Batch grafted {day_month(grafted)}: virgins {emerge} {day_month(born)}{old}.", *cautions])


def _weather(outlook: Outlook, now: date) -> str:
    """Flying days so far as measured, those that the forecast can foresee, and what is usual beyond."""
    first = next(d.age for d in outlook.days if d.prime)
    days = [d for d in outlook.days if d.age >= first]
    if days and all(d.drones == 0.0 for d in days):
        return "No mature drones in the whole window: these virgins have nobody to mate with."
    gone, ahead = [d for d in days if d.day < now], [d for d in days if d.day >= now]
    seen = [d for d in ahead if _stands_on_past(d) < BEYOND_SHARE]
    beyond = [d for d in ahead if _stands_on_past(d) >= BEYOND_SHARE]
    said = [_so_far(gone)] if gone else []
    if seen:
        good = [d.day for d in seen if d.p_flying >= FORESEEN]
        to = f"to {day_month(seen[-1].day)}"
        said.append(f"Flying days foreseen {to}: {list_days(good)}." if good else f"Little hope of a flying day {to}.")
    usual = [d.usual_hours for d in beyond if d.usual_hours is not None]
    if usual:
        mean = sum(usual) / len(usual)
        said.append(f"From {day_month(beyond[0].day)} only past years can tell: about {mean:.1f} flight hours a day.")
    return " ".join(said)


def _so_far(gone: list[DayOutlook]) -> str:
    measured = [d for d in gone if d.shares["observed"] > BEYOND_SHARE]
    unknown = len(gone) - len(measured)
    flown = sum(d.p_flying >= FORESEEN for d in measured)
    text = f"{count(flown)} flying {'day' if flown == 1 else 'days'} so far" if measured else "So far"
    if unknown:
        text += f", {count(unknown).lower()} {'day' if unknown == 1 else 'days'} not measured"
    return text + "."


def _stands_on_past(day: DayOutlook) -> float:
    return day.shares["past_years"] + day.shares.get("unknown", 0.0)


def _work(outlook: Outlook, now: date) -> str:
    """What to leave and what comes next; never something that is already past or cannot be done any more."""
    events = {e.name: e for e in outlook.timeline}
    if _laying(outlook):
        brood = max(events["sealed-brood check"].day, now)
        return f"Eggs seen: leave her alone until there is sealed brood, about {weekday_day(brood)}."
    give_up = events["give up"].day
    hope = outlook.still_good.get(now, 0.0)
    if now >= give_up and not outlook.batch.checks:  # nobody has looked: most of them may well be in lay
        left = "give it a test frame of eggs, unite it or start it afresh."
        return f"Look for eggs now. A nuc without any is past saving: {left}"
    if now >= give_up or (outlook.batch.checks and now >= events["late"].day and hope < HOPELESS):
        return (
            "Past saving for most: look once more, then give the nuc a test frame of eggs, unite it or start it afresh."
        )
    alone = events["leave alone"]
    text = alone.work.split(".")[0] + "." if alone.earliest <= now <= alone.latest else ""
    skip = {"leave alone", "prime window", "late", "sealed-brood check", "nuc wears out"}
    ahead = [e for e in outlook.timeline if e.day >= now and e.name not in skip]
    if not ahead:
        return text
    coming, egg, later = ahead[0], outlook.first_egg, ""
    if coming.name == "first laying check" and egg is not None and egg["p50"] > coming.day:
        later = f", but most will not lay by then: {weekday_day(egg['p90'])} tells more"
    return f"{text} Next: {coming.name}, {weekday_day(coming.day)}{later}.".strip()


def _odds(outlook: Outlook) -> str:
    p, usual, egg = outlook.well_mated, outlook.well_mated_usual, outlook.first_egg
    when = ""
    if egg is not None:
        low, half, high = (day_month(egg[q]) for q in ("p10", "p50", "p90"))
        when = f" First eggs {low} to {high}, half by {half}."
    if _laying(outlook):
        return f"She is {verbal(p.value)} to be well mated ({percent(p.value)})."
    range_ = "" if p.low is None or p.high is None else f", {percent(p.low)} to {percent(p.high)}"
    beside = "" if usual is None or outlook.batch.checks else f"; usual {percent(usual)}"  # the usual knows no checks
    if outlook.batch.checks and p.value < HOPELESS:
        return f"A virgin is {verbal(p.value)} to be well mated by now ({percent(p.value)}{range_})."
    late, late_usual = outlook.risk_delayed_laying, outlook.risk_delayed_laying_usual
    delay = ""
    if late is not None:
        delay = f" {percent(late.value)} of the good ones start laying late"
        delay += "." if late_usual is None else f" (usual {percent(late_usual)})."
    return f"A virgin is {verbal(p.value)} to be well mated ({percent(p.value)}{range_}{beside}).{delay}{when}"


def _why(outlook: Outlook, site: Site) -> str:
    if _laying(outlook):
        return ""
    prime = [d for d in outlook.days if d.prime]
    if all(d.drones == 0.0 for d in prime) and site.drones_mature_from is not None:
        return f"Why: no mature drones before {day_month(site.drones_mature_from)}."
    lost = {cause: sum(d.spoiled_by[cause] for d in prime) for cause in prime[0].spoiled_by}
    cause = max(lost, key=lambda c: lost[c])
    stands = max(outlook.shares, key=lambda k: outlook.shares[k])
    if stands == "unknown":
        return "Why: most of the prime window is not known."
    ground = {"observed": "what was measured", "forecast": "the forecast", "past_years": "past years"}[stands]
    return f"Why: {CAUSES[cause]} costs the most flying time in the prime window; the odds rest mainly on {ground}."
