"""The laying check and wait-or-replace in words, and as plain data for the command line and the service alike."""

from __future__ import annotations

from datetime import datetime, timedelta
from typing import TYPE_CHECKING, Any

from matewindow.reporting import CAUTIONS, site_report, sources_report
from matewindow.words import day_month, of_ten, percent, verbal, weekday_day

if TYPE_CHECKING:
    from datetime import date

    from matewindow.biology import Biology
    from matewindow.laying import LayingOutlook
    from matewindow.looking import LayingCheck
    from matewindow.odds import Range
    from matewindow.paths import Sources
    from matewindow.replacing import Option, WaitOrReplace

_A = {"ripe cell": "a ripe cell", "mated queen": "a mated queen", "unite": "uniting the nuc"}
_DO = {"ripe cell": "give it a ripe cell", "mated queen": "give it a mated queen", "unite": "unite it"}
_GROUND = {"observed": "what was measured", "forecast": "the forecast", "past_years": "past years"}
_UNCERTAIN = 0.5
"""Below this chance of finding no eggs today the first advice is to look (judgement)."""
_RARE = 0.005
"""What is less likely than this is not spoken of: in whole percent it is nought."""
_NARROW = 0.03
"""A narrower range of odds is not worth its words."""


def laying_message(outlook: LayingOutlook) -> list[str]:
    """A nuc in up to five parts: which; when to look, or what was seen; wait or replace; its clocks; why."""
    parts = [_who(outlook)]
    if outlook.eggs_seen is not None:
        brood = max(outlook.sealed_brood or outlook.today, outlook.today)
        parts.append(
            f"Eggs were seen on {day_month(outlook.eggs_seen)}: there is nothing to replace. Leave her alone until "
            f"there is sealed brood, about {weekday_day(brood)}."
        )
        return [
            *parts,
            f"She is {verbal(outlook.well_mated.value)} to be well mated ({percent(outlook.well_mated.value)}).",
        ]
    check, decision = outlook.check, outlook.decision
    if check is not None and (decision is None or decision.verdict != "replace" or check.day == outlook.today):
        parts.append(_look(outlook, check))
    if decision is not None:
        parts.append(_decide(outlook, decision))
    return [*parts, _clocks(outlook), _why(outlook)]


def _who(outlook: LayingOutlook) -> str:
    batch, age = outlook.batch, outlook.clocks.age
    grafted = day_month(batch.grafted.astimezone(outlook.site.zone).date())
    emerge = "emerged" if batch.emerged else "emerged about" if age > 0 else "emerge about"
    old = f", {age} days old today" if age > 1 else ", a day old today" if age == 1 else ""
    return f"Batch grafted {grafted}: virgins {emerge} {day_month(outlook.born)}{old}."


def _look(outlook: LayingOutlook, check: LayingCheck) -> str:
    """When to look, and what each outcome would mean."""
    when = _time(outlook, check)
    if check.day == outlook.today:
        text = f"Look for eggs today{when}"
    else:
        text = f"Leave the nuc alone until {weekday_day(check.day)}, then look for eggs{when}"
    if check.shown is None:
        text += ": by this weather hardly a queen of this batch can be well mated any more"
    else:
        text += f": {of_ten(check.shown)} of the well mated would show them by then"
    if check.why == "over":
        text += "; it is put off no further, since virgins so old are past saving for most"
    elif check.why == "alone" and check.due is not None:
        text += f" (9 in 10 by {day_month(check.due)}, but until the first check virgins are best left alone)"
    return f"{text}. {_findings(check)}"


def _time(outlook: LayingOutlook, check: LayingCheck) -> str:
    if check.at is None:
        return " (your quiet hours leave no time of the day: look at dusk)"
    if check.at - outlook.now < timedelta(minutes=1):
        return ", now"
    if len(check.slots) == 1 and check.at.hour < 12:
        return f" before {check.slots[0][1]:%H:%M}"
    before = f" before {check.slots[0][1]:%H:%M} or" if len(check.slots) > 1 else ""
    return f"{before} after {check.at:%H:%M}"


def _findings(check: LayingCheck) -> str:
    good = {f.saw: f.good for f in check.findings}
    said = [] if good["eggs"] is None else [f"Eggs would mean {percent(good['eggs'].value)} well mated"]
    if good["nothing"] is not None:
        there = check.findings[1]
        seen = "" if there.good is None or there.p < _RARE else f" ({percent(there.good.value)} if you see her)"
        said.append(f"{'no eggs' if said else 'No eggs would mean'} {percent(good['nothing'].value)}{seen}")
    return ", ".join(said) + "."


def _decide(outlook: LayingOutlook, decision: WaitOrReplace) -> str:
    if outlook.clocks.age < 0:
        said = "There is nothing to decide before the virgins emerge. " + _later(outlook, decision)
    elif decision.verdict == "wait":
        p = decision.still_good
        said = (
            f"Wait: a nuc without eggs today is {verbal(p.value)} to come good if left ({percent(p.value)}{_wide(p)}). "
        )
        said += _later(outlook, decision)
    else:
        said = _say_either(decision) if decision.verdict == "either" else _say_replace(outlook, decision)
        if decision.p_none_today < _UNCERTAIN:
            said = f"Look first: {percent(1.0 - decision.p_none_today)} of such nucs have eggs by now. {said}"
    if any(o.what == "ripe cell" and o.good is None for o in decision.options):
        said += " What a new cell would come to is not known: no weather covers its mating window."
    return said


def _later(outlook: LayingOutlook, decision: WaitOrReplace) -> str:
    then, on = _A[decision.with_what], weekday_day(decision.replace_on)
    early = outlook.check is not None and decision.replace_on < outlook.check.day
    if early:
        return (
            f"To decide, look already about {on}: without eggs {then} is the better bet from then on{_span(decision)}."
        )
    return f"If there are still no eggs by about {on}, {then} is the better bet from then on{_span(decision)}."


def _say_either(decision: WaitOrReplace) -> str:
    now = _best_today(decision)
    given = "" if now.what == "unite" or now.good is None else f", {percent(now.good.value)} with {_A[now.what]} today"
    return (
        f"No real difference between {_A[now.what]} today and waiting: of nucs without eggs today "
        f"{percent(decision.still_good.value)} come good if left{given}. Do what suits your week; past about "
        f"{weekday_day(decision.equal_to)} waiting is the worse bet."
    )


def _say_replace(outlook: LayingOutlook, decision: WaitOrReplace) -> str:
    now = _best_today(decision)
    looked = any(c.day == outlook.today for c in outlook.batch.checks)
    left = f"of nucs without eggs today {percent(decision.still_good.value)} come good if left"
    if now.what == "unite":
        do = "End this nuc and unite it" if looked else "If there are no eggs today, end this nuc and unite it"
        return f"{do}: {left}, and nothing that could be given to it pays{_span(decision)}."
    assert now.good is not None
    do = f"{'Do' if looked else 'If there are no eggs today, do'} not wait any longer, {_DO[now.what]}"
    return (
        f"{do}: {left}, {percent(now.good.value)} with {_A[now.what]}{_span(decision)}. Take the old queen out first; "
        "if you do not find her, give a test frame of eggs and read it after four days."
    )


def _best_today(decision: WaitOrReplace) -> Option:
    today = [o for o in decision.options if o.what != "wait" and o.worth is not None]
    return max(today, key=lambda o: o.worth or 0.0)


def _span(decision: WaitOrReplace) -> str:
    if decision.equal_from == decision.equal_to:
        return ""
    return f" (any day from {day_month(decision.equal_from)} to {day_month(decision.equal_to)} comes to the same)"


def _clocks(outlook: LayingOutlook) -> str:
    c = outlook.clocks
    since = f"no brood since {day_month(c.without_brood_since)}"
    told = since if c.told else f"{since}, when the cells went in; say so if it had brood"
    worn = "is worn out" if c.worn_out_on >= outlook.today else "has been worn out since"
    return (
        f"Two clocks: the virgin is a worry from {day_month(c.uneasy_on)}, over by {day_month(c.over_on)}; the nuc "
        f"{worn} about {day_month(c.worn_out_on)} ({told}) and then needs young bees whatever its queen does."
    )


def _why(outlook: LayingOutlook) -> str:
    stands = max(outlook.shares, key=lambda k: outlook.shares[k])
    if stands == "unknown":
        why = "Why: most of the mating window is not known."
    else:
        why = f"Why: the odds rest mainly on {_GROUND[stands]}."
    if outlook.well_mated.low is None:
        few = "with so few past years" if outlook.years else "without past years"
        why += f" How firm they are cannot be told {few}."
    if any(day >= outlook.today for day in outlook.unknown):
        why += " Days that no weather covers count as without flight: waiting is worth more than is said here."
    return why


def _wide(r: Range) -> str:
    """The range of odds, where it is known and wide enough to matter."""
    if r.low is None or r.high is None or r.width < _NARROW:
        return ""
    return f", {percent(r.low)} to {percent(r.high)}"


# --- plain data -----------------------------------------------------------------------------------------------------


def laying_report(
    outlook: LayingOutlook, sources: Sources, biology: Biology, model: str | None = None
) -> dict[str, Any]:
    """When to look and wait or replace, as plain data.

    ``worth`` is in laying queens; everything under ``decision`` holds for a nuc in which a look today shows no eggs.
    ``model`` is the version of the parameters and models that made ``p_well_mated``; None = the parameters alone.
    """
    batch, clocks = outlook.batch, outlook.clocks
    return {
        "site": site_report(outlook.site),
        "now": outlook.now.astimezone(outlook.site.zone).isoformat(),
        "message": " ".join(laying_message(outlook)),
        "message_parts": laying_message(outlook),
        "batch": {
            "grafted": batch.grafted.isoformat(),
            "emerged": _day(batch.emerged),
            "moved": None if batch.moved is None else batch.moved.isoformat(),
            "checks": [{"date": c.day.isoformat(), "saw": c.saw} for c in batch.checks],
        },
        "likeliest_emergence": outlook.born.isoformat(),
        "eggs_seen": _day(outlook.eggs_seen),
        "sealed_brood": _day(outlook.sealed_brood),
        "p_well_mated": outlook.well_mated.value,
        "p_well_mated_range": _range(outlook.well_mated),
        "clocks": {
            "age": clocks.age,
            "uneasy_on": clocks.uneasy_on.isoformat(),
            "over_on": clocks.over_on.isoformat(),
            "nuc_without_brood_since": clocks.without_brood_since.isoformat(),
            "nuc_without_brood_told": clocks.told,
            "nuc_worn_out_on": clocks.worn_out_on.isoformat(),
        },
        "check": None if outlook.check is None else _check(outlook.check),
        "decision": None if outlook.decision is None else _decision(outlook.decision),
        "costs": {
            "nuc": biology.decision.nuc_cost,
            "delay_per_day": biology.decision.delay_cost_per_d,
            "poor_queen": biology.decision.poor_queen_cost,
            "mated_queen": biology.decision.mated_queen_cost,
            "fresh_bees": biology.decision.fresh_bees_cost,
        },
        "shares": outlook.shares,
        "past_years": outlook.years,
        "members": outlook.members,
        "warnings": outlook.warnings,
        "sources": sources_report(sources),
        "parameters": biology.version,
        "model": model or biology.version,
        "cautions": list(CAUTIONS),
    }


def _check(check: LayingCheck) -> dict[str, Any]:
    return {
        "date": check.day.isoformat(),
        "at": _moment(check.at),
        "times": [{"from": _moment(a), "to": _moment(b)} for a, b in check.slots],
        "due": _day(check.due),
        "moved_because": check.why or None,
        "share_of_well_mated_in_lay": check.shown,
        "findings": [
            {
                "saw": f.saw,
                "p": f.p,
                "p_well_mated": None if f.good is None else f.good.value,
                "p_well_mated_range": _range(f.good),
            }
            for f in check.findings
        ],
    }


def _decision(decision: WaitOrReplace) -> dict[str, Any]:
    return {
        "verdict": decision.verdict,
        "replace_on": decision.replace_on.isoformat(),
        "with": decision.with_what,
        "no_real_difference": [decision.equal_from.isoformat(), decision.equal_to.isoformat()],
        "p_no_eggs_today": decision.p_none_today,
        "p_still_good": decision.still_good.value,
        "p_still_good_range": _range(decision.still_good),
        "options": [
            {
                "what": o.what,
                "until": _day(o.until),
                "then": o.then,
                "p_good": None if o.good is None else o.good.value,
                "p_good_range": _range(o.good),
                "first_egg_mean": _day(o.first_egg),
                "worth": o.worth,
                "tied_with_best": o.equal,
                "beats_waiting_from": _day(o.better_from),
            }
            for o in decision.options
        ],
        "days": [
            {
                "date": d.day.isoformat(),
                "age": d.age,
                "p_no_eggs_by_then": d.none_yet,
                "p_still_good_without_eggs": d.still_good.value,
                "p_still_good_range": _range(d.still_good),
                "p_good_with_ripe_cell": d.cell,
                "best_replacement": d.then,
                "worth": d.worth,
                "tied_with_best": d.equal,
            }
            for d in decision.days
        ],
    }


def _range(r: Range | None) -> list[float] | None:
    return None if r is None or r.low is None or r.high is None else [r.low, r.high]


def _day(day: date | None) -> str | None:
    return None if day is None else day.isoformat()


def _moment(moment: datetime | None) -> str | None:
    return None if moment is None else moment.isoformat(timespec="minutes")
