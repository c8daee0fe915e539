"""What a beekeeper is told: never a crash, never something past or impossible, and the odds in words that fit them."""

from __future__ import annotations

import re
from dataclasses import replace
from datetime import UTC, date, datetime, timedelta
from typing import TYPE_CHECKING, Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from matewindow.advice import window_message
from matewindow.biology import load_biology
from matewindow.errors import RequestError
from matewindow.graft import GraftDecision, graft_decision
from matewindow.limits import Limits
from matewindow.outlook import Outlook, batch_outlook
from matewindow.paths import Sources
from matewindow.timeline import Batch, Check, graft_time
from matewindow.words import count, list_days, of_ten, percent, spans, verbal
from tests.made_weather import by_hours, changeable, stand

if TYPE_CHECKING:
    from matewindow.site import Site
    from matewindow.siteweather import SiteWeather
    from matewindow.timeline import Seen

BIOLOGY = load_biology()
SITE = stand()
BATCH = Batch(graft_time(date(2026, 5, 10), SITE))  # virgins emerge on 22 May
BORN = date(2026, 5, 22)
NOW = datetime(2026, 5, 27, 8, tzinfo=UTC)


def past_years(n_years: int = 12, warmth_c: float = 19.0) -> SiteWeather:
    first = 2026 - n_years
    n_days = int((np.datetime64("2026-01-01") - np.datetime64(f"{first}-01-01")).astype(int))
    return changeable(f"{first}-01-01", n_days, np.random.default_rng(5), warmth_c=warmth_c)


PAST = past_years()
FINE = by_hours("2026-05-01", np.full(90, 4.0))
COLD = by_hours("2026-05-01", np.full(90, 4.0), temp_c=9.0)


def members(temp_c: float = 24.0, first: str = "2026-05-27", hours: float = 4.0) -> SiteWeather:
    return by_hours(first, np.full((20, 16), hours), temp_c=temp_c, kind="ensemble")


def outlook(batch: Batch, sources: Sources, now: datetime = NOW, site: Site = SITE) -> Outlook:
    return batch_outlook(batch, site, sources, now, BIOLOGY)


def told(batch: Batch, sources: Sources, now: datetime = NOW, site: Site = SITE) -> list[str]:
    """The message, after a look at what holds for every message."""
    found = outlook(batch, sources, now, site)
    parts = window_message(found, site)
    assert_sensible(parts, now.astimezone(site.zone).date())
    return parts


def assert_sensible(parts: list[str], today: date) -> None:
    assert 2 <= len(parts) <= 5
    text = " ".join(parts)
    assert not re.search(r"nan|None|\b(?:0|100) %|  |\.\.|%\.?\d", text), text
    for part in parts:
        assert part[0].isupper() or part[0].isdigit(), part
        assert part.endswith("."), part
    coming = re.search(r"Next: .*?, \w+ (\d+) (\w+)[.,]", text)
    if coming:
        day = datetime.strptime(f"{coming[1]} {coming[2]} {today.year}", "%d %B %Y").date()  # noqa: DTZ007  a date
        assert day >= today, text


def looked(*checks: tuple[int, Seen], batch: Batch = BATCH) -> Batch:
    return replace(batch, checks=tuple(Check(BORN + timedelta(days=age), saw) for age, saw in checks))


def on_age(age: int) -> datetime:
    return datetime(2026, 5, 22, 8, tzinfo=UTC) + timedelta(days=age)


# --- a batch under way ------------------------------------------------------------------------------------------


def test_a_cold_window_has_no_flying_days_and_the_cold_is_named() -> None:
    parts = told(BATCH, Sources(observed=COLD, members=members(9.0), past=past_years(warmth_c=9.0)), on_age(8))
    text = " ".join(parts)
    assert "No flying days so far. Little hope of a flying day to 5 June." in text
    assert re.search(r"A virgin is (very )?unlikely to be well mated", text)
    assert "Why: cold costs the most flying time in the prime window" in text
    assert "only past years can tell" in text


def test_a_fine_window_has_its_flying_days_counted_and_foreseen() -> None:
    parts = told(BATCH, Sources(observed=FINE, members=members(30.0, "2026-05-31"), past=PAST), on_age(9))
    text = " ".join(parts)
    assert "Three flying days so far. Flying days foreseen to 9 June: Sunday 31 May to " in text
    assert "A virgin is very likely to be well mated" in text
    assert "Why: " in text


def test_days_without_a_record_are_called_not_measured() -> None:
    parts = told(BATCH, Sources(past=PAST), on_age(9))
    assert any(part.startswith("So far, three days not measured.") for part in parts)


def test_where_drones_never_mature_the_virgins_have_nobody_to_mate_with() -> None:
    parts = told(BATCH, Sources(observed=FINE, past=PAST), on_age(9), stand(drones_mature_from=date(2026, 8, 1)))
    assert "No mature drones in the whole window: these virgins have nobody to mate with." in parts
    assert "A virgin is very unlikely to be well mated" in " ".join(parts)
    assert "Why: no mature drones before 1 August." in parts


def test_where_drones_mature_in_the_window_the_weather_is_told_as_ever() -> None:
    parts = told(BATCH, Sources(observed=FINE, past=PAST), on_age(9), stand(drones_mature_from=date(2026, 6, 3)))
    assert not any("nobody to mate with" in part for part in parts)
    assert "No flying days so far" in " ".join(parts)


@pytest.mark.parametrize("age", [15, 30])
def test_after_eggs_the_queen_is_left_alone_until_there_is_sealed_brood(age: int) -> None:
    """And the day of it is never past: nine days after the eggs, or today."""
    parts = told(looked((14, "eggs")), Sources(observed=FINE, past=PAST), on_age(age))
    work, odds = parts[1:]
    assert work.startswith("Eggs seen: leave her alone until there is sealed brood, about ")
    said = re.search(r"about \w+ (\d+) June", work)
    assert said is not None
    assert date(2026, 6, int(said[1])) >= on_age(age).date()
    assert re.fullmatch(r"She is (nearly certain|very likely) to be well mated \(\d\d %\)\.", odds)
    assert len(parts) == 3  # neither the weather nor why: it is over


@pytest.mark.parametrize("age", [24, 26, 30])
def test_after_two_empty_looks_late_in_the_window_the_nuc_is_past_saving(age: int) -> None:
    batch = looked((14, "nothing"), (age, "nothing"))
    parts = told(batch, Sources(observed=FINE, past=PAST), on_age(age))
    text = " ".join(parts)
    assert "Past saving for most: look once more, then give the nuc a test frame of eggs, unite it" in text
    assert "A virgin is very unlikely to be well mated by now" in text
    assert "Next:" not in text
    assert "usual" not in text


@pytest.mark.parametrize("age", [30, 60, 200])
def test_long_after_a_window_in_which_nobody_looked_the_odds_stand_and_a_look_is_due(age: int) -> None:
    """Likely mated and past saving at once would be nonsense: only a nuc found without eggs is."""
    parts = told(looked(), Sources(observed=FINE, past=PAST), on_age(age))
    text = " ".join(parts)
    assert "Look for eggs now. A nuc without any is past saving" in text
    assert re.search(r"(likely|certain) to be well mated", text)


def test_an_empty_look_in_bad_weather_leaves_hope_and_says_when_to_look_again() -> None:
    """No flying day to age 14: a virgin without eggs then is what there must be, and fine days come."""
    shut_in = by_hours("2026-05-01", np.where(np.arange(90) < 36, 0.0, 4.0))  # fine from 6 June
    batch = looked((14, "virgin"))
    parts = told(batch, Sources(observed=shut_in, members=members(30.0, "2026-06-06"), past=PAST), on_age(15))
    text = " ".join(parts)
    assert "Past saving" not in text
    assert re.search(r"Next: give up, \w+ 19 June", text)
    assert "likely to be well mated" in text


def test_a_first_check_before_most_lay_says_which_day_tells_more() -> None:
    shut_in = by_hours("2026-05-01", np.where(np.arange(90) < 36, 0.0, 4.0))
    sources = Sources(observed=shut_in, members=members(30.0, "2026-06-04", 0.0), past=PAST)
    found = outlook(BATCH, sources, on_age(13))
    assert found.first_egg is not None
    (work,) = [part for part in window_message(found, SITE) if "Next:" in part]
    assert "Next: first laying check, Friday 5 June, but most will not lay by then: " in work
    last = found.first_egg["p90"]
    assert f"{last:%A} {last.day} {last:%B} tells more" in work


@pytest.mark.parametrize("days", [3.0, 6.0])
def test_cells_moved_too_early_are_said_first_since_nothing_mends_it(days: float) -> None:
    batch = replace(BATCH, moved=BATCH.grafted + timedelta(days=days))
    parts = told(batch, Sources(past=PAST), datetime(2026, 5, 17, 8, tzinfo=UTC))
    assert parts[0].startswith("Batch grafted 10 May: virgins emerge about 22 May. Too early: moved ")


@pytest.mark.parametrize(
    ("age", "said"),
    [(-3, "virgins emerge about 22 May."), (0, "virgins emerge about 22 May."), (1, "a day old today."), (9, "9 days old today.")],
)  # fmt: skip
def test_the_age_of_the_virgins_is_told_from_the_day_after_they_emerge(age: int, said: str) -> None:
    assert told(BATCH, Sources(past=PAST), on_age(age))[0].endswith(said)
    if age > 0:
        seen = replace(BATCH, emerged=BORN)
        assert "virgins emerged 22 May" in told(seen, Sources(past=PAST), on_age(age))[0]


def test_a_single_past_year_gives_odds_without_a_range_and_is_warned_of() -> None:
    sources = Sources(past=past_years(1))
    found = outlook(BATCH, sources)
    (odds,) = [part for part in window_message(found, SITE) if part.startswith("A virgin is")]
    assert re.search(r"\(\d+ %; usual \d+ %\)", odds)
    assert "Only 1 past year; 20 or more are wanted." in found.warnings


def test_a_forecast_alone_has_no_usual_and_what_it_does_not_know_is_not_called_weather() -> None:
    parts = told(BATCH, Sources(members=members(30.0)))
    text = " ".join(parts)
    assert "usual" not in text
    assert "past years" not in text
    assert "Flying days foreseen to 11 June" in text
    assert parts[-1].endswith("the odds rest mainly on the forecast.")
    early = told(BATCH, Sources(members=members(30.0, "2026-05-15")), datetime(2026, 5, 15, 8, tzinfo=UTC))
    assert early[-1] == "Why: most of the prime window is not known."


def test_a_forecast_that_ended_long_before_the_window_is_told_as_past_years() -> None:
    parts = told(BATCH, Sources(members=members(30.0, "2026-04-15"), past=PAST), datetime(2026, 4, 16, tzinfo=UTC))
    assert any("only past years can tell" in part for part in parts)


WEATHERS = st.sampled_from([8.0, 14.0, 19.0, 24.0])
LOOKS = st.lists(st.tuples(st.integers(1, 33), st.sampled_from(["virgin", "nothing"])), max_size=2)


@given(
    age=st.integers(-12, 40),
    warmth_c=WEATHERS,
    parts=st.sets(st.sampled_from(["observed", "run", "members", "past"]), min_size=1),
    looks=LOOKS,
    moved_d=st.none() | st.floats(2.0, 13.0),
    drones=st.none() | st.integers(-10, 60),
    seed=st.integers(0, 50),
)
@settings(max_examples=60, deadline=None)
def test_whatever_is_known_and_whenever_it_is_asked_the_message_holds_together(
    age: int,
    warmth_c: float,
    parts: set[str],
    looks: list[tuple[int, Seen]],
    moved_d: float | None,
    drones: int | None,
    seed: int,
) -> None:
    now, rng = on_age(age), np.random.default_rng(seed)
    today = now.date().isoformat()
    have: dict[str, Any] = {
        "observed": changeable("2026-05-01", 70, rng, warmth_c=warmth_c),
        "run": changeable(today, 7, rng, kind="forecast", warmth_c=warmth_c),
        "members": changeable(today, 15, rng, n_series=6, kind="ensemble", warmth_c=warmth_c),
        "past": past_years(3, warmth_c),
    }
    site = stand(drones_mature_from=None if drones is None else BORN + timedelta(days=drones))
    moved = None if moved_d is None else BATCH.grafted + timedelta(days=moved_d)
    batch = looked(*sorted(look for look in looks if look[0] <= age), batch=replace(BATCH, moved=moved))
    sources = Sources(**{name: have[name] for name in parts})
    refused = ""
    try:
        found = outlook(batch, sources, now, site)
    except RequestError as fault:
        refused = str(fault)
    if refused:
        assert re.search("no weather covers|holds nothing|cannot be", refused)
        return
    assert_sensible(window_message(found, site), now.astimezone(site.zone).date())


# --- when to graft ----------------------------------------------------------------------------------------------


def decide(sources: Sources, first: date = date(2026, 5, 28), n_days: int = 5, **more: Any) -> GraftDecision:
    found = graft_decision(more.pop("site", SITE), sources, first, n_days, more.pop("now", NOW), BIOLOGY, **more)
    assert found.sentence.endswith(".")
    assert not re.search(r"nan|None(?! of)|\b(?:0|100) %|\.\.", found.sentence)
    assert set(found.graft_dates) <= {day.day for day in found.days if not day.constraints and day.merit > 0.0}
    return found


def test_in_a_cold_season_one_is_told_not_to_graft_yet_and_from_what_odds_it_pays() -> None:
    found = decide(Sources(past=past_years(warmth_c=7.0)))
    assert re.fullmatch(
        r"Do not graft yet: on the best of these days (about \d|fewer than 1) in 10 virgins would be well mated, "
        r"and grafting pays from \d\d? %\.",
        found.sentence,
    )


def test_where_drones_never_mature_no_day_works_and_drones_are_named() -> None:
    found = decide(Sources(past=PAST), site=stand(drones_mature_from=date(2026, 8, 1)))
    assert found.sentence == "No day here works, each breaks a limit (drones)."
    assert all(day.well_mated.value == pytest.approx(0.0, abs=1e-9) for day in found.days)
    assert all(day.first_egg is None for day in found.days)


def test_where_all_days_are_limited_the_limits_are_named() -> None:
    limits = Limits(nucs_free_from=date(2026, 7, 1), weekdays_off=frozenset({3}))
    assert (
        decide(Sources(past=PAST), limits=limits).sentence == "No day here works, each breaks a limit (day off, nucs)."
    )


def test_days_that_are_all_past_are_called_so() -> None:
    assert decide(Sources(past=PAST), date(2026, 5, 1)).sentence == "All of these days are past."


def test_a_deadline_that_is_missed_by_nearly_all_is_told_with_its_odds() -> None:
    found = decide(Sources(past=PAST), by=date(2026, 6, 16))
    assert found.sentence == (
        "None of these days brings queens into lay by 16 June often enough: fewer than 1 in 10 virgins."
    )


def test_a_deadline_that_can_be_met_is_in_the_sentence_with_its_odds() -> None:
    found = decide(Sources(past=past_years(warmth_c=24.0)), by=date(2026, 7, 10))
    best = next(day for day in found.days if day.rank == 1)
    assert best.in_lay_by is not None
    assert (
        f"{verbal(best.in_lay_by)} to be well mated and in lay by 10 July ({percent(best.in_lay_by)}" in found.sentence
    )


def test_a_single_past_year_gives_advice_all_the_same_and_is_warned_of() -> None:
    found = decide(Sources(past=past_years(1, 24.0)))
    assert found.sentence.startswith("Graft on ")
    assert "Only 1 past year; 20 or more are wanted." in found.warnings
    assert all(day.well_mated.low is None for day in found.days)


def test_a_forecast_alone_gives_advice_and_names_the_days_that_it_does_not_know() -> None:
    found = decide(Sources(members=members(30.0)), date(2026, 5, 19), 3, now=NOW)
    assert any(w.startswith("No weather covers 12 June to ") for w in found.warnings)
    assert "usual" not in found.sentence


def test_later_days_that_only_cost_the_wait_are_said_to() -> None:
    found = decide(Sources(past=by_hours("2001-01-01", np.full(25 * 365 + 6, 3.0))), n_days=14)
    assert found.sentence.endswith("; later days mate no better and cost the wait.")


# --- words ------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("p", "word"),
    [
        (0.999, "nearly certain"), (0.99, "nearly certain"), (0.98, "very likely"), (0.90, "very likely"),
        (0.89, "likely"), (0.66, "likely"), (0.65, "about as likely as not"), (0.33, "about as likely as not"),
        (0.32, "unlikely"), (0.10, "unlikely"), (0.09, "very unlikely"), (0.0, "very unlikely"),
    ],
)  # fmt: skip
def test_odds_are_said_in_the_words_of_the_ipcc(p: float, word: str) -> None:
    """AR4 guidance note on uncertainty (2005), table 4, disjoint classes: 99, 90, 66, 33 and 10 %."""
    assert verbal(p) == word


def test_percent_is_never_nought_or_a_hundred() -> None:
    assert [percent(p) for p in (0.0, 0.004, 0.496, 0.994, 1.0)] == ["1 %", "1 %", "50 %", "99 %", "99 %"]


def test_odds_in_ten_say_fewer_and_more_at_the_ends() -> None:
    said = [of_ten(p) for p in (0.0, 0.049, 0.06, 0.5, 0.94, 0.96)]
    assert said == ["fewer than 1 in 10", "fewer than 1 in 10", "about 1 in 10", "about 5 in 10", "about 9 in 10", "more than 9 in 10"]  # fmt: skip


def test_days_are_listed_with_runs_of_three_and_more_as_a_span() -> None:
    day = date(2026, 6, 1)  # a Monday
    days = [day + timedelta(days=i) for i in (0, 1, 3, 4, 5, 8)]
    assert list_days(days) == "Monday 1 June, Tuesday 2 June, Thursday 4 June to Saturday 6 June and Tuesday 9 June"
    assert list_days(days[:1]) == "Monday 1 June"
    assert list_days([]) == "no day"
    assert spans(days) == "1 June to 2 June, 4 June to 6 June and 9 June"


def test_small_numbers_are_words() -> None:
    assert [count(n) for n in (0, 1, 10, 11)] == ["No", "One", "Ten", "11"]
