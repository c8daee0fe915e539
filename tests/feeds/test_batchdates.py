"""A batch's dates as calendar entries: which days, which hours, which words."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, date, datetime, time, timedelta
from typing import TYPE_CHECKING

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from matewindow.feeds.batchdates import KINDS, eggs_seen
from matewindow.feeds.calendar import entries_of
from matewindow.feeds.oddstext import ground_of, odds_lines
from matewindow.outlook import batch_outlook
from matewindow.reporting import CAUTIONS
from matewindow.timeline import Batch, Check, graft_time, move_span, timeline
from matewindow.words import day_month, percent
from tests.conftest import SAMPLE_NOW
from tests.feeds.made import BATCH, BATCH_ID, BIOLOGY, GRAFT, INSTANCE, LONDON, NOW, an_entry, by_key, dates
from tests.made_weather import stand

if TYPE_CHECKING:
    from matewindow.biology import Biology
    from matewindow.feeds.calendar import Entry
    from matewindow.outlook import Outlook
    from matewindow.paths import Sources
    from matewindow.site import Site

EMERGED = date(2026, 5, 22)


def sample_entries(outlook: Outlook, site: Site, biology: Biology, sources: Sources | None = None) -> dict[str, Entry]:
    made = entries_of(
        BATCH_ID, "Batch 3", outlook.batch, site, outlook, biology=biology, instance=INSTANCE, now=NOW, sources=sources
    )
    return by_key(made)


# --- which days -------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("key", "first", "last"),
    [
        ("prepare-builder", "05-09", "05-09"),
        ("graft", "05-10", "05-10"),
        ("takes", "05-12", "05-12"),
        ("sealed", "05-14", "05-14"),
        ("emergence", "05-22", "05-22"),
        ("leave-alone", "05-25", "06-12"),
        ("prime-window", "05-28", "06-05"),
        ("first-check", "06-05", "06-05"),
        ("nuc-worn-out", "06-10", "06-10"),
        ("late", "06-12", "06-12"),
        ("sealed-brood", "06-14", "06-14"),
        ("give-up", "06-19", "06-19"),
    ],
)
def test_whole_days_of_one_graft_by_hand(key: str, first: str, last: str) -> None:
    """Virgins emerge 295 h after the graft (385 - 72 - 18, Chuda-Mickiewicz & Samborski 2015): on 22 May.

    From there: alone from age 3 to 21, prime 6 to 14, first look at 14, given up at 28 days. The end is exclusive.
    """
    entry = by_key(dates())[key]
    assert (entry.start, entry.end) == (
        date.fromisoformat(f"2026-{first}"),
        date.fromisoformat(f"2026-{last}") + timedelta(days=1),
    )


def test_every_date_of_a_timeline_has_its_entry_and_only_moving_the_cells_has_an_hour() -> None:
    assert {event.name for event in timeline(BATCH, LONDON, BIOLOGY)} == set(KINDS)
    assert [entry.key for entry in dates() if entry.timed] == ["move-cells"]


def test_keys_are_what_they_have_always_been() -> None:
    """Calendars know entries by them: a key that changed would leave the old entry behind in every calendar."""
    assert {kind.key for kind in KINDS.values()} == {
        "prepare-builder", "graft", "takes", "sealed", "move-cells", "emergence", "prime-window", "leave-alone",
        "first-check", "late", "sealed-brood", "nuc-worn-out", "give-up",
    }  # fmt: skip


def test_a_uid_is_made_of_batch_date_and_instance_and_stays_when_everything_else_changes() -> None:
    before, after = by_key(dates()), by_key(dates("Renamed", Batch(graft_time(date(2026, 6, 1), LONDON))))
    assert before["graft"].uid == "btch_0123456789abcdef-graft@bees.example.org"
    assert {key: entry.uid for key, entry in before.items()} == {key: entry.uid for key, entry in after.items()}


# --- moving the cells -------------------------------------------------------------------------------------------


def test_cells_are_moved_ten_days_after_the_graft_and_one_is_reminded_at_six_the_evening_before() -> None:
    """10 days: de Bruyn 2015. First virgin 20 h before the mean of 22 May 19:00, a day's margin: 20 May 23:00."""
    move = by_key(dates())["move-cells"]
    assert move.start == datetime(2026, 5, 20, 11, tzinfo=UTC)  # noon of summer time
    assert [alarm.before for alarm in move.alarms] == [timedelta(hours=18)]
    assert "Ripe from Wednesday 20 May 12:00; have all of them moved or caged by Wednesday 20 May 23:00." in move.text
    assert move.alarms[0].text == "Tomorrow from 12:00: move the ripe cells of Batch 3."


def test_nobody_is_reminded_of_what_is_done() -> None:
    moved = replace(BATCH, moved=datetime(2026, 5, 20, 19, 30, tzinfo=LONDON.zone))
    entry = by_key(dates(batch=moved))["move-cells"]
    assert (entry.start, entry.alarms) == (datetime(2026, 5, 20, 18, 30, tzinfo=UTC), ())
    assert entry.summary == "Batch 3: cells moved into the nucs"
    for done in (replace(BATCH, emerged=EMERGED), replace(BATCH, checks=(Check(date(2026, 6, 5), "virgin"),))):
        assert by_key(dates(batch=done))["move-cells"].alarms == ()


def test_cells_moved_too_early_carry_the_caution() -> None:
    early = replace(BATCH, moved=datetime(2026, 5, 17, 12, tzinfo=LONDON.zone))
    assert "Too early: moved 7.0 days after the graft" in by_key(dates(batch=early))["move-cells"].text


def test_old_larvae_are_moved_before_they_are_quite_ripe() -> None:
    """Larvae of 36 h emerge after 277 h, the first 257 h; less the day's margin 233 h, before the 240 h of ripeness."""
    old = replace(BATCH, larva_age_h=36.0)
    entry = by_key(dates(batch=old))["move-cells"]
    assert entry.end == BATCH.grafted + timedelta(hours=233)
    assert "These cells come early: have all of them moved or caged by Wednesday 20 May 05:00" in entry.text


def test_cells_are_never_moved_sooner_than_nine_days_after_the_graft_even_if_they_may_have_to_be_caged_before() -> None:
    """De Bruyn 2015: 9 days are workable. Warm old larvae with a wide spread: 277 - 10.8 - 36 - 24 = 206.2 h < 216 h."""
    wide = BIOLOGY.with_values({"development.emergence_sd_h": 18.0})
    entry = by_key(dates(batch=replace(BATCH, larva_age_h=36.0, sealed_temp_c=35.5), biology=wide))["move-cells"]
    assert entry.start == BATCH.grafted + timedelta(days=9)
    assert "moved or caged by Tuesday 19 May 02:12" in entry.text


@settings(max_examples=60, deadline=None)
@given(
    day=st.dates(date(2026, 1, 1), date(2027, 12, 31)),
    hour=st.integers(0, 23),
    age=st.floats(6.0, 20.0),
    zone=st.sampled_from(
        [("Europe/London", 0.0), ("America/New_York", -74.0), ("Pacific/Auckland", 172.6), ("Asia/Kathmandu", 85.3)]
    ),
)
def test_the_hours_of_moving_fall_on_the_days_that_the_timeline_names(
    day: date, hour: int, age: float, zone: tuple[str, float]
) -> None:
    site = stand(timezone=zone[0], longitude=zone[1])
    batch = Batch(graft_time(day, site, time(hour)), larva_age_h=age)
    event = next(e for e in timeline(batch, site, BIOLOGY) if e.name == "move ripe cells")
    entry = by_key(dates(batch=batch, site=site))["move-cells"]
    assert isinstance(entry.start, datetime)
    assert entry.start.astimezone(site.zone).date() == event.day
    assert move_span(batch, BIOLOGY)[2].astimezone(site.zone).date() == event.latest


# --- what has been seen -----------------------------------------------------------------------------------------


def test_eggs_end_the_wait_and_nobody_is_told_to_give_up() -> None:
    laying = replace(BATCH, checks=(Check(date(2026, 6, 1), "virgin"), Check(date(2026, 6, 4), "eggs")))
    assert eggs_seen(laying) == date(2026, 6, 4)
    entries = by_key(dates(batch=laying))
    assert {"late", "give-up", "nuc-worn-out", "first-check"}.isdisjoint(entries)
    assert "sealed-brood" in entries
    assert entries["leave-alone"].end == entries["prime-window"].end == date(2026, 6, 5)


def test_the_last_look_decides_in_whatever_order_looks_were_noted() -> None:
    looks = (Check(date(2026, 6, 8), "nothing"), Check(date(2026, 6, 4), "eggs"))
    assert eggs_seen(replace(BATCH, checks=looks)) is None
    assert eggs_seen(BATCH) is None


def test_emergence_that_was_seen_is_told_as_seen_and_without_a_range() -> None:
    entry = by_key(dates(batch=replace(BATCH, emerged=EMERGED)))["emergence"]
    assert entry.summary == "Batch 3: virgins emerged"
    assert "in 9 of 10" not in entry.text
    assert "22 May to 23 May in 9 of 10" in by_key(dates())["emergence"].text


# --- the words --------------------------------------------------------------------------------------------------


def test_each_text_says_which_batch_and_when_it_was_worked_out_and_jobs_carry_the_cautions() -> None:
    for entry in dates(notes="Hilda's daughters"):
        assert entry.text.startswith("Batch 3, graft of Sunday 10 May 2026, at Test stand (invented).")
        assert "Worked out Monday 11 May 2026, 07:00 (Europe/London)" in entry.text
        assert "Hilda's daughters" in entry.text
        assert all(caution in entry.text for caution in CAUTIONS) == ("Job" in entry.categories)


def test_without_an_outlook_there_are_dates_and_no_odds() -> None:
    entries = by_key(dates())
    assert not any("%" in entry.text for entry in entries.values())
    assert "there is no outlook yet" in entries["prime-window"].text
    assert "not from weather" in entries["graft"].text


def test_the_prime_window_tells_odds_hours_usual_footing_and_sources(
    sample_outlook: Outlook, sample_site: Site, sample_biology: Biology, sample_sources: Sources
) -> None:
    text = sample_entries(sample_outlook, sample_site, sample_biology, sample_sources)["prime-window"].text
    odds = sample_outlook.well_mated
    assert odds.low is not None
    assert odds.high is not None
    assert f"to be well mated: {percent(odds.value)}, {percent(odds.low)} to {percent(odds.high)}; usual" in text
    assert "Flight hours in this window: " in text
    assert f"{percent(sample_outlook.shares['forecast'])} on the forecast" in text
    assert f"{sample_outlook.years} past years" in text
    assert "Weather by Open-Meteo" in text
    assert all(caveat in text for caveat in sample_outlook.warnings)
    assert "Worked out Monday 1 June 2026, 07:00 (Europe/London)" in text  # the outlook's own time, not the feed's


def test_the_first_look_says_when_eggs_are_expected_and_that_it_may_be_too_early(
    sample_outlook: Outlook, sample_site: Site, sample_biology: Biology
) -> None:
    entry = sample_entries(sample_outlook, sample_site, sample_biology)["first-check"]
    eggs = sample_outlook.first_egg
    assert eggs is not None
    assert isinstance(entry.start, date)
    assert eggs["p50"] > entry.start, "the sample's weather is such that most lay after the first look"
    assert (
        f"from {day_month(eggs['p10'])} to {day_month(eggs['p90'])}, half of them by {day_month(eggs['p50'])}"
        in entry.text
    )
    assert "Most queens will not lay yet on this day" in entry.text


def test_sealed_brood_is_counted_from_the_first_eggs_of_the_outlook(
    sample_outlook: Outlook, sample_site: Site, sample_biology: Biology
) -> None:
    entry = sample_entries(sample_outlook, sample_site, sample_biology)["sealed-brood"]
    eggs = sample_outlook.first_egg
    assert eggs is not None
    gap = timedelta(days=sample_biology.laying.sealed_brood_after_d)
    assert entry.start == eggs["p50"] + gap
    assert f"{day_month(eggs['p10'] + gap)} to {day_month(eggs['p90'] + gap)} in 8 of 10" in entry.text


def test_the_day_of_giving_up_carries_the_odds_that_are_left(
    sample_outlook: Outlook, sample_site: Site, sample_biology: Biology
) -> None:
    entry = sample_entries(sample_outlook, sample_site, sample_biology)["give-up"]
    left = sample_outlook.still_good[date(2026, 6, 24)]
    assert f"Odds that a nuc without eggs on this day still gets a well mated queen: {percent(left)}." in entry.text


def test_a_window_without_drones_says_so_instead_of_odds(sample_outlook: Outlook) -> None:
    none = replace(sample_outlook, days=[replace(d, drones=0.0) for d in sample_outlook.days])
    event = next(e for e in none.timeline if e.name == "prime window")
    (line,) = odds_lines("prime-window", event, none, None)
    assert line.startswith("No mature drones")


def test_after_a_look_the_usual_odds_are_left_out_since_they_know_nothing_of_it(
    sample_outlook: Outlook, sample_site: Site, sample_biology: Biology
) -> None:
    looked = replace(sample_outlook, batch=replace(sample_outlook.batch, checks=(Check(date(2026, 5, 31), "virgin"),)))
    line = sample_entries(looked, sample_site, sample_biology)["prime-window"].text.split("\n")[2]
    assert "to be well mated" in line
    assert "usual" not in line
    assert "usual" in sample_entries(sample_outlook, sample_site, sample_biology)["prime-window"].text.split("\n")[2]


def test_the_footing_names_only_what_the_odds_rest_on(sample_outlook: Outlook) -> None:
    assert sample_outlook.shares["observed"] == 0.0
    assert "measured weather" not in ground_of("first-check", sample_outlook, None)
    nothing = replace(sample_outlook, shares={"observed": 0.0, "forecast": 0.0, "past_years": 0.0, "unknown": 1.0})
    assert ground_of("first-check", nothing, None) == "No weather is known for the prime window."


def test_after_eggs_the_window_tells_the_odds_of_this_queen(
    sample_batch: Batch, sample_site: Site, sample_sources: Sources, sample_biology: Biology
) -> None:
    laying = replace(sample_batch, checks=(Check(date(2026, 6, 8), "eggs"),))
    now = datetime(2026, 6, 9, 6, tzinfo=UTC)
    outlook = batch_outlook(laying, sample_site, sample_sources, now, sample_biology)
    text = sample_entries(outlook, sample_site, sample_biology)["prime-window"].text
    assert "Eggs were seen on 8 June; she is " in text
    assert "usual for these dates" not in text


def test_an_outlook_of_another_batch_is_refused(sample_outlook: Outlook) -> None:
    with pytest.raises(ValueError, match="another batch"):
        entries_of(BATCH_ID, "x", BATCH, LONDON, sample_outlook, biology=BIOLOGY, instance=INSTANCE, now=SAMPLE_NOW)


# --- what no entry can be ---------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("changes", "said"),
    [
        ({"batch_id": "a@b"}, "batch id"),
        ({"batch_id": "a\r\nb"}, "batch id"),
        ({"key": "Graft 1"}, "key"),
        ({"instance": "bees example"}, "instance"),
        ({"instance": ""}, "instance"),
        ({"end": GRAFT}, "not after"),
        ({"start": datetime(2026, 5, 10, tzinfo=UTC)}, "both"),
        ({"start": datetime(2026, 5, 10), "end": datetime(2026, 5, 11)}, "time zone"),  # noqa: DTZ001
    ],
)
def test_an_entry_that_no_calendar_can_hold_is_refused(changes: dict[str, object], said: str) -> None:
    with pytest.raises(ValueError, match=said):
        an_entry(**changes)
