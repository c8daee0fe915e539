"""Whether a new outlook of a batch is worth a message: a state machine without clock or memory of its own.

A batch is *watched*, *warned* or *closed*. A message raises a warning, says that it got worse, or clears it; raising
and clearing alternate. The rules, in the order in which they are asked:

1. An outlook seen before, or older than the one seen last, changes nothing: a refresh may be repeated after a crash.
2. A batch that lays or whose window is over is closed without a word.
3. A reading that has faults of our own (``grounds``) is not judged, neither up nor down.
4. The first reading, and one after an edit of the batch, the site, the parameters, the thresholds or a new check, is a
   baseline: its odds are what later ones are held against. An edit by itself never warns. The first reading may: who
   enters a batch late must hear that its window is bad.
5. A reading that stands on less than the last one is not judged; after two days of it, it is the new baseline.
6. A watched batch warns below its threshold or after a fall by more than ``drop``, against what was last told (so that
   a slow slide counts) or against the run before; see ``thresholds`` for how the usual is held beside both.
7. A warned batch clears once two forecasts in a row, or one by a wide margin, are back above the level of clearing. It
   gets worse when the odds fall by more than ``drop`` again, or fall below the threshold only now.
8. One message a batch and civil day of its site. What comes up later on the same day, for the better or the worse, is
   held, and said with the first reading of a later day on which it still stands.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from datetime import timedelta
from typing import TYPE_CHECKING, Literal

from matewindow.warnings.grounds import faults, lesser
from matewindow.warnings.plain import DIGITS
from matewindow.words import day_month, percent

if TYPE_CHECKING:
    from datetime import date, datetime

    from matewindow.warnings.reading import Reading
    from matewindow.warnings.state import State
    from matewindow.warnings.thresholds import Thresholds

Outcome = Literal["raise", "worse", "clear", "nothing", "held", "not judged", "baseline", "closed", "seen"]
MESSAGES: tuple[Outcome, ...] = ("raise", "worse", "clear")
RUN_SPACING = timedelta(hours=3)
"""Forecasts made closer together than this count as one: hourly refreshes of one run are no second opinion."""
ACCEPT_LESSER_AFTER = timedelta(days=2)
"""What has been lacking for so long is taken to be gone for good (a service that ended, a key that ran out)."""
TOLD_FALL = 0.02
"""A smaller change of the odds than this is not told as one."""
SWING = 0.20


@dataclass(frozen=True)
class Verdict:
    """What came of one outlook.

    Attributes:
        outcome: ``raise``, ``worse`` and ``clear`` are messages; the rest is silence, with its reason.
        reason: in words, for logs and for whoever asks why there is no message.
        state: to be stored together with the message, in one transaction.
        reading: the one judged.
        before: what it was compared with; None where nothing fell.
        day: civil day of the site.
        ends: whether a standing warning ends with this, by a clear or silently.
    """

    outcome: Outcome
    reason: str
    state: State
    reading: Reading
    before: Reading | None
    day: date
    ends: bool = False

    @property
    def speaks(self) -> bool:
        """Whether there is a message to send."""
        return self.outcome in MESSAGES

    @property
    def key(self) -> str:
        """The same text for the same message, however often the refresh is repeated."""
        return f"{self.reading.outlook_id}:{self.outcome}"


def judge(state: State, reading: Reading, thresholds: Thresholds, now: datetime) -> Verdict:
    """Decide what a new outlook of a batch calls for.

    Args:
        state: as the last verdict left it; ``State()`` for a new batch.
        reading: of the new outlook.
        thresholds: of the batch.
        now: aware.
    """
    if reading.outlook_id == state.seen_id or (state.seen_at is not None and reading.issued_at < state.seen_at):
        return _quiet("seen", "this outlook or a newer one was looked at before", state, reading, now)
    seen = replace(state, seen_id=reading.outlook_id, seen_at=reading.issued_at)
    if reading.stage in ("over", "laying"):
        return _close(state, seen, reading, now)
    fault = faults(reading, now)
    if fault is not None:
        return _quiet("not judged", f"not judged, because {fault}", seen, reading, now)
    return _compare(state, seen, reading, thresholds, now)


def _compare(state: State, seen: State, reading: Reading, thresholds: Thresholds, now: datetime) -> Verdict:
    """Judge a sound reading, beside the last one if the two can be compared."""
    if state.last is None:
        return _watch(_started(seen, reading, thresholds), reading, thresholds, now)
    edited = _edit(state, state.last, reading, thresholds)
    if edited is not None:
        return _baseline(state, _edited(seen, reading, thresholds), f"new baseline: {edited}", reading, now)
    lacking = lesser(state.last, reading)
    if lacking is not None:
        return _lacking(seen, lacking, reading, now)
    whole = replace(seen, lesser_since=None)
    act = _warned if state.phase == "warned" else _watch
    return act(whole, reading, thresholds, now)


def swing(before: Reading | None, reading: Reading) -> str | None:
    """A caveat where the last two outlooks disagree by more than 20 points for no other reason than weather."""
    if before is None or before.grounds.baseline != reading.grounds.baseline:
        return None
    change = abs(fall(before, reading))
    if change <= SWING:
        return None
    return (
        f"The last two runs changed the odds by {100 * change:.0f} points, from {percent(before.p)} to "
        f"{percent(reading.p)}: the next one may change them again."
    )


def fall(before: Reading, reading: Reading) -> float:
    """By how much the odds fell, free of the rounding of binary numbers: 80 to 60 % is 20 points and no more."""
    return round(before.p - reading.p, DIGITS)


# --- the states ---------------------------------------------------------------------------------------------------


def _watch(state: State, reading: Reading, thresholds: Thresholds, now: datetime) -> Verdict:
    """A batch without a warning."""
    assert state.announced is not None
    assert state.last is not None
    before = _fell_from(state, reading)
    fallen = before is not None and fall(before, reading) > thresholds.drop
    low = state.armed and reading.p < thresholds.low
    bad = _below_usual(reading, thresholds)
    if not ((fallen or low) and bad):
        armed = state.armed or reading.p >= thresholds.low + thresholds.margin
        why = "the odds are still about as usual" if fallen or low else "the odds did not fall far enough"
        return _quiet("nothing", why, replace(state, last=reading, armed=armed), reading, now)
    if _told_today(state, reading, now):
        return _quiet("held", "worse, but there was a message today", state, reading, now, before)
    level = thresholds.clear_level(reading.expected, before.p if fallen and before is not None else None)
    warned = replace(state, phase="warned", clear_at=level, good_runs=0, good_since=None)
    reason = f"below {percent(thresholds.low)}" if low else "fell by more than the drop"
    return _say("raise", reason, warned, reading, before, now)


def _warned(state: State, reading: Reading, thresholds: Thresholds, now: datetime) -> Verdict:
    """A batch with a standing warning."""
    assert state.announced is not None
    assert state.clear_at is not None
    told = state.announced
    further = fall(told, reading)
    crossed = told.p >= thresholds.low > reading.p and further > thresholds.drop / 2.0
    if further > thresholds.drop or crossed:
        if _told_today(state, reading, now):
            return _quiet("held", "worse again, but there was a message today", state, reading, now, told)
        still = replace(state, good_runs=0, good_since=None)
        return _say("worse", "the odds fell further", still, reading, told, now)
    counted = _count_good(state, reading)
    if counted.good_runs < 2 and reading.p < state.clear_at + thresholds.wide:
        why = "better, but not yet for sure" if counted.good_runs else "the warning stands"
        return _quiet("nothing", why, replace(counted, last=reading), reading, now)
    if _told_today(state, reading, now):
        return _quiet("held", "better again, but there was a message today", counted, reading, now, told)
    free = replace(counted, phase="watching", clear_at=None, good_runs=0, good_since=None, armed=True)
    before = told if told.p < reading.p else None
    return _say("clear", "the odds are back", free, reading, before, now, ends=True)


def _count_good(state: State, reading: Reading) -> State:
    """Count the forecasts in a row that are good enough to clear."""
    assert state.clear_at is not None
    if reading.p < state.clear_at:
        return replace(state, good_runs=0, good_since=None)
    made = reading.grounds.forecast_made or reading.issued_at
    if state.good_since is not None and made - state.good_since < RUN_SPACING:
        return state
    return replace(state, good_runs=state.good_runs + 1, good_since=made)


def _fell_from(state: State, reading: Reading) -> Reading | None:
    """Which of the last told and the last judged reading the odds fell from, the higher one; None if from neither."""
    assert state.announced is not None
    assert state.last is not None
    higher = max(state.announced, state.last, key=lambda r: r.p)
    return higher if fall(higher, reading) >= TOLD_FALL else None


def _below_usual(reading: Reading, thresholds: Thresholds) -> bool:
    """Whether the odds are bad for these dates; taken as such where there is no usual to hold them against."""
    if reading.expected is None or thresholds.below_usual is None:
        return True
    return round(reading.expected - reading.p, DIGITS) >= thresholds.below_usual


def _told_today(state: State, reading: Reading, now: datetime) -> bool:
    """Whether a message went out on this civil day (or on a later one, if the site was moved over the date line)."""
    return state.message_day is not None and reading.civil_day(now) <= state.message_day


# --- beginnings and ends ------------------------------------------------------------------------------------------


def _started(seen: State, reading: Reading, thresholds: Thresholds) -> State:
    """Watched from now on."""
    return replace(seen, phase="watching", last=reading, announced=reading, thresholds=thresholds)


def _edit(state: State, last: Reading, reading: Reading, thresholds: Thresholds) -> str | None:
    """What changed that is not weather, in words."""
    if state.phase == "closed":
        return "the batch was taken up again"
    if last.grounds.baseline != reading.grounds.baseline:
        return "the batch, its site, a check or the parameters changed"
    return "the thresholds changed" if state.thresholds != thresholds else None


def _edited(seen: State, reading: Reading, thresholds: Thresholds) -> State:
    """A new baseline. A standing warning stays if the odds are still bad by the new measure."""
    level = thresholds.clear_level(reading.expected)
    stands = seen.phase == "warned" and reading.p < level
    return replace(
        seen,
        phase="warned" if stands else "watching",
        last=reading,
        announced=reading,
        thresholds=thresholds,
        armed=reading.p >= thresholds.low,
        clear_at=level if stands else None,
        good_runs=0,
        good_since=None,
        lesser_since=None,
    )


def _lacking(seen: State, lacking: str, reading: Reading, now: datetime) -> Verdict:
    """A reading that stands on less than the last one: passed over, until that has become the rule."""
    since = seen.lesser_since or reading.issued_at
    if reading.issued_at - since < ACCEPT_LESSER_AFTER:
        waiting = replace(seen, lesser_since=since)
        return _quiet("not judged", f"not judged, because {lacking}", waiting, reading, now)
    settled = replace(seen, last=reading, lesser_since=None, good_runs=0, good_since=None)
    if settled.phase == "watching":  # a standing warning keeps what was told: better grounds may come back
        settled = replace(settled, announced=reading)
    reason = f"new baseline: for two days {lacking}"
    return _baseline(seen, settled, reason, reading, now)


def _baseline(was: State, state: State, reason: str, reading: Reading, now: datetime) -> Verdict:
    ends = was.phase == "warned" and state.phase == "watching"
    return replace(_quiet("baseline", reason, state, reading, now), ends=ends)


def _close(was: State, seen: State, reading: Reading, now: datetime) -> Verdict:
    closed = replace(seen, phase="closed", clear_at=None, good_runs=0, good_since=None, lesser_since=None)
    reason = "eggs were seen" if reading.stage == "laying" else f"the window ended on {day_month(reading.dates.late)}"
    return replace(_quiet("closed", reason, closed, reading, now), ends=was.phase == "warned")


def _quiet(
    outcome: Outcome, reason: str, state: State, reading: Reading, now: datetime, before: Reading | None = None
) -> Verdict:
    return Verdict(outcome, reason, state, reading, before, reading.civil_day(now))


def _say(
    outcome: Outcome,
    reason: str,
    state: State,
    reading: Reading,
    before: Reading | None,
    now: datetime,
    *,
    ends: bool = False,
) -> Verdict:
    """A message: from now on its reading is what the keeper was told."""
    day = reading.civil_day(now)
    return Verdict(
        outcome, reason, replace(state, last=reading, announced=reading, message_day=day), reading, before, day, ends
    )
