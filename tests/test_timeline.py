"""A batch's dates: worked out by hand for one graft, in civil time, through clock changes and in the south."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, date, datetime, time, timedelta
from math import erf, sqrt
from typing import TYPE_CHECKING, Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from matewindow.biology import load_biology
from matewindow.errors import RequestError
from matewindow.timeline import (
    Batch,
    Event,
    clock,
    emergence_days,
    emergence_mean,
    flying_hours,
    graft_time,
    judge_move,
    likeliest_emergence,
    quiet_hours,
    timeline,
)
from tests.made_weather import stand

if TYPE_CHECKING:
    from matewindow.site import Site

BIOLOGY = load_biology()
LONDON = stand()
CANTERBURY = stand(name="Plains (invented)", latitude=-43.5, longitude=172.6, timezone="Pacific/Auckland")
GRAFT = date(2026, 5, 10)
BATCH = Batch(graft_time(GRAFT, LONDON))


def events_of(batch: Batch, site: Site = LONDON, **more: date) -> dict[str, Event]:
    return {event.name: event for event in timeline(batch, site, BIOLOGY, **more)}


# --- one graft by hand ------------------------------------------------------------------------------------------


def test_a_graft_without_a_time_of_day_is_taken_at_noon_of_the_sites_clock() -> None:
    assert graft_time(GRAFT, LONDON).isoformat() == "2026-05-10T12:00:00+01:00"
    assert graft_time(GRAFT, CANTERBURY).isoformat() == "2026-05-10T12:00:00+12:00"
    assert graft_time(GRAFT, LONDON, time(15, 30)).hour == 15


@pytest.mark.parametrize(
    ("name", "day", "earliest", "latest"),
    [
        ("prepare the cell builder", "05-09", "05-09", "05-09"),
        ("graft", "05-10", "05-10", "05-10"),
        ("check the takes", "05-12", "05-12", "05-12"),
        ("cells sealed", "05-14", "05-14", "05-14"),  # 102 h on
        ("move ripe cells", "05-20", "05-19", "05-20"),  # day 10; from day 9; 24 h before the first virgin
        ("emergence", "05-22", "05-22", "05-23"),  # 295 h on: 22 May 19:00; 16.5 h either way
        ("prime window", "05-28", "05-28", "06-05"),  # ages 6 to 14
        ("leave alone", "05-28", "05-25", "06-12"),  # ages 3 to 21
        ("first laying check", "06-05", "06-05", "06-06"),
        ("late", "06-12", "06-12", "06-13"),
        ("nuc wears out", "06-10", "06-10", "06-10"),  # 21 days after the cells were moved
        ("sealed-brood check", "06-14", "06-14", "06-14"),  # 9 days after the check
        ("give up", "06-19", "06-19", "06-20"),
    ],
)
def test_the_dates_of_a_graft_on_10_may_are_those_counted_by_hand(
    name: str, day: str, earliest: str, latest: str
) -> None:
    """Grafted at 12:00 BST, larva 18 h old, cells at 34.5 °C. All spans are 90 % spans."""
    event = events_of(BATCH)[name]
    assert [str(d) for d in (event.day, event.earliest, event.latest)] == [f"2026-{d}" for d in (day, earliest, latest)]
    assert event.work


def test_the_timeline_has_these_dates_and_no_others_in_order() -> None:
    found = timeline(BATCH, LONDON, BIOLOGY)
    assert len(found) == len(events_of(BATCH)) == 13
    assert [e.day for e in found] == sorted(e.day for e in found)
    assert all(e.earliest <= e.day <= e.latest for e in found)


def test_hours_that_matter_are_given_in_civil_time() -> None:
    events = events_of(BATCH)
    assert str(events["graft"].at) == "2026-05-10 12:00:00+01:00"
    assert str(events["cells sealed"].at) == "2026-05-14 18:00:00+01:00"


def test_a_nuc_wears_out_21_days_after_its_cells_came_whenever_that_was() -> None:
    moved = replace(BATCH, moved=datetime(2026, 5, 21, 0, 30, tzinfo=LONDON.zone))
    assert events_of(moved)["nuc wears out"].day == date(2026, 6, 11)
    assert "remake it or unite it" in events_of(moved)["nuc wears out"].work


def test_the_first_check_falls_14_days_after_emergence_whatever_the_day_of_the_graft() -> None:
    """B-THENET good-practice sheet: 14 days after emergence. Exact."""
    for offset in range(0, 366, 5):
        batch = Batch(graft_time(GRAFT + timedelta(days=offset), LONDON))
        events = events_of(batch)
        assert events["first laying check"].day - events["emergence"].day == timedelta(days=14)


def test_sealed_brood_is_looked_for_nine_days_after_the_first_egg_of_the_outlook() -> None:
    assert events_of(BATCH, first_egg=date(2026, 6, 2))["sealed-brood check"].day == date(2026, 6, 11)


def test_older_larvae_and_cooler_cells_move_the_emergence_by_their_hours() -> None:
    """A larva 12 h older emerges 12 h earlier; cells at 32 °C 27 h later (Chuda-Mickiewicz and Samborski 2015)."""
    base = emergence_mean(BATCH, BIOLOGY)
    assert emergence_mean(replace(BATCH, larva_age_h=30.0), BIOLOGY) == base - timedelta(hours=12)
    assert emergence_mean(replace(BATCH, sealed_temp_c=32.0), BIOLOGY) == base + timedelta(hours=27)
    assert emergence_mean(replace(BATCH, sealed_temp_c=35.5), BIOLOGY) < base


@pytest.mark.parametrize(
    ("change", "said"),
    [
        ({"larva_age_h": 40.0}, "a larva 40 h old"),
        ({"larva_age_h": 2.0}, "a larva 2 h old"),
        ({"sealed_temp_c": 30.0}, "sealed cells at 30 °C"),
        ({"sealed_temp_c": 37.0}, "sealed cells at 37 °C"),
    ],
)
def test_what_no_source_covers_is_refused_with_what_is_covered(change: dict[str, Any], said: str) -> None:
    with pytest.raises(RequestError, match=said) as refused:
        emergence_mean(replace(BATCH, **change), BIOLOGY)
    assert " to " in refused.value.fix


# --- emergence as a distribution --------------------------------------------------------------------------------


def test_emergence_spreads_over_solar_days_by_the_normal_distribution() -> None:
    """Mean 22 May 18:00 UTC, SD 10 h, solar days from 0 to 24 UTC: shares of 21, 22 and 23 May from the normal table."""
    first, shares = emergence_days(BATCH, LONDON, BIOLOGY)

    def below(hours: float) -> float:
        return 0.5 * (1.0 + erf(hours / 10.0 / sqrt(2.0)))

    expected = {
        "2026-05-21": below(-18.0) - below(-42.0),
        "2026-05-22": below(6.0) - below(-18.0),
        "2026-05-23": below(30.0) - below(6.0),
    }
    found = {str(first + i): share for i, share in enumerate(shares)}
    assert {day: found[day] for day in expected} == pytest.approx(expected, abs=1e-4)
    assert likeliest_emergence(BATCH, LONDON, BIOLOGY) == date(2026, 5, 22)


@given(st.datetimes(datetime(2024, 1, 1), datetime(2027, 1, 1)), st.floats(-180.0, 180.0))  # noqa: DTZ001  civil times
@settings(max_examples=80, deadline=None)
def test_shares_of_emergence_add_up_to_1_and_have_the_mean_of_the_batch(grafted: datetime, longitude: float) -> None:
    site = stand(longitude=longitude, timezone="UTC")
    batch = Batch(grafted.replace(tzinfo=UTC))
    first, shares = emergence_days(batch, site, BIOLOGY)
    assert shares.sum() == pytest.approx(1.0, abs=1e-12)
    assert (shares >= 0.0).all()
    # the mean of the days' middles, in UTC: whole days and whole hours of their starts cost less than an hour
    noon = datetime.fromisoformat(str(first)).replace(hour=12, tzinfo=UTC)
    start = noon - timedelta(hours=longitude / 15.0)
    mean = start + timedelta(days=float(shares @ np.arange(len(shares))))
    assert abs(mean - emergence_mean(batch, BIOLOGY)) < timedelta(hours=1)


def test_an_observed_emergence_replaces_the_computed_one() -> None:
    seen = replace(BATCH, emerged=date(2026, 5, 23))
    first, shares = emergence_days(seen, LONDON, BIOLOGY)
    assert (str(first), shares.tolist()) == ("2026-05-23", [1.0])
    event = events_of(seen)["emergence"]
    assert event.earliest == event.day == event.latest == date(2026, 5, 23)
    assert events_of(seen)["first laying check"].day == date(2026, 6, 6)


@pytest.mark.parametrize("emerged", [date(2026, 5, 18), date(2026, 5, 26), date(2025, 5, 22)])
def test_an_emergence_that_the_graft_cannot_give_is_refused_with_the_days_that_it_can(emerged: date) -> None:
    with pytest.raises(RequestError, match="does not fit a graft on 2026-05-10") as refused:
        emergence_days(replace(BATCH, emerged=emerged), LONDON, BIOLOGY)
    assert "2026-05-20 and 2026-05-24" in refused.value.fix


# --- moving the cells ---------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("days", "said"),
    [
        (3.0, "Too early: moved 3.0 days after the graft, before the cells were sealed"),
        (6.0, "Too early: moved 6.0 days after the graft, in the tender part"),
        (8.9, "Too early: moved 8.9 days after the graft, in the tender part"),
        (9.0, ""),
        (10.0, ""),
        (10.4, ""),
        (10.6, "Late: less than 24 hours before the first virgin"),
        (11.4, "Late: less than 24 hours before the first virgin"),
        (11.6, "Too late: the first virgin may have emerged"),
        (13.0, "Too late: the first virgin may have emerged"),
    ],
)
def test_cells_moved_at_the_wrong_stage_get_a_caution_that_says_which(days: float, said: str) -> None:
    """De Bruyn 2015: 10 days after the graft, 9 workable. First virgin: 2 SD (20 h) before the mean, day 11.46."""
    when = BATCH.grafted + timedelta(days=days)
    moved = replace(BATCH, moved=when)
    caution = judge_move(moved, LONDON, BIOLOGY)
    assert caution.startswith(said)
    assert bool(caution) == bool(said)
    assert events_of(moved)["move ripe cells"].caution == caution
    assert events_of(moved)["move ripe cells"].day == when.date()


def test_cells_not_moved_yet_get_no_caution() -> None:
    assert judge_move(BATCH, LONDON, BIOLOGY) == ""


def test_warmth_decides_when_it_is_too_late() -> None:
    """At 32 °C virgins come 27 h later: a move on day 11.6 is then only late."""
    moved = BATCH.grafted + timedelta(days=11.6)
    cool = replace(BATCH, sealed_temp_c=32.0, moved=moved)
    assert judge_move(cool, LONDON, BIOLOGY).startswith("Late")
    assert judge_move(replace(BATCH, moved=moved), LONDON, BIOLOGY).startswith("Too late")


# --- civil time -----------------------------------------------------------------------------------------------------


def test_hours_are_counted_through_the_start_of_summer_time() -> None:
    """British clocks go forward on 29 March 2026: 102 h from 25 March 12:00 GMT end at 19:00 BST, not at 18:00."""
    batch = Batch(graft_time(date(2026, 3, 25), LONDON))
    assert str(events_of(batch)["cells sealed"].at) == "2026-03-29 19:00:00+01:00"
    assert emergence_mean(batch, BIOLOGY) - batch.grafted.astimezone(UTC) == timedelta(hours=295)


def test_days_since_the_graft_are_real_days_through_the_end_of_summer_time() -> None:
    """Clocks go back on 25 October 2026: 9 days later at 11:30 by the clock, 9 days and half an hour have passed."""
    grafted = graft_time(date(2026, 10, 20), LONDON)
    moved = datetime(2026, 10, 29, 11, 30, tzinfo=LONDON.zone)
    assert judge_move(Batch(grafted, moved=moved), LONDON, BIOLOGY) == ""
    too_early = datetime(2026, 10, 29, 10, 30, tzinfo=LONDON.zone)
    assert judge_move(Batch(grafted, moved=too_early), LONDON, BIOLOGY).startswith("Too early")


def test_flying_hours_follow_the_sun_and_so_jump_on_the_clock_with_summer_time() -> None:
    """12 to 16 apparent solar time at longitude 0: less the equation of time, and an hour later in summer time."""
    day_before, day_of = (
        flying_hours(date(2026, 3, 28), LONDON, BIOLOGY),
        flying_hours(date(2026, 3, 29), LONDON, BIOLOGY),
    )
    assert day_before == pytest.approx((12.0 + 5.0 / 60.0, 16.0 + 5.0 / 60.0), abs=1.0 / 60.0)
    assert np.subtract(day_of, day_before) == pytest.approx([1.0, 1.0], abs=0.01)
    drones = flying_hours(date(2026, 3, 28), LONDON, BIOLOGY, drones=True)
    assert np.subtract(drones, day_before) == pytest.approx([-25.0 / 60.0, 25.0 / 60.0], abs=1e-9)


def test_a_site_in_the_west_of_its_zone_flies_later_by_the_clock() -> None:
    east = stand(longitude=22.0, timezone="Europe/Warsaw")
    west = stand(longitude=15.0, timezone="Europe/Warsaw")
    day = date(2026, 6, 15)
    gap = np.subtract(flying_hours(day, west, BIOLOGY), flying_hours(day, east, BIOLOGY))
    assert gap == pytest.approx([7.0 / 15.0, 7.0 / 15.0], abs=1e-9)


def test_quiet_hours_are_11_to_16_and_stretch_to_where_queens_fly_by_the_clock() -> None:
    """COLOSS BEEBOOK 2.2.2: 11 to 16. In British summer time queens fly to 17:00, so the nucs stay shut a little longer."""
    assert quiet_hours(date(2026, 1, 15), stand(longitude=1.0), BIOLOGY) == (11.0, 16.5)
    assert quiet_hours(date(2026, 6, 15), LONDON, BIOLOGY) == (11.0, 17.5)
    assert quiet_hours(date(2026, 6, 15), stand(quiet_hours=(10.0, 18.0)), BIOLOGY) == (10.0, 18.0)
    events = events_of(BATCH)
    assert "11:00 to 17:00" in events["leave alone"].work
    assert "before 11:00 or after 17:00" in events["first laying check"].work


def test_a_southern_batch_has_southern_dates_and_hours() -> None:
    """Canterbury, New Zealand, grafted on 20 November 2026 at noon NZDT: emergence 295 h later, 2 December 19:00.

    The window 12 to 16 solar: 13 h ahead of UTC, longitude 11.51 h, sundial 8 min ahead on 8 December.
    """
    batch = Batch(graft_time(date(2026, 11, 20), CANTERBURY))
    events = events_of(batch, CANTERBURY)
    assert events["emergence"].day == date(2026, 12, 2)
    assert (events["prime window"].day, events["prime window"].latest) == (date(2026, 12, 8), date(2026, 12, 16))
    assert events["give up"].day == date(2026, 12, 30)
    start, end = flying_hours(date(2026, 12, 8), CANTERBURY, BIOLOGY)
    assert (start, end) == pytest.approx((13.0 + 21.6 / 60.0, 17.0 + 21.6 / 60.0), abs=2.0 / 60.0)
    assert str(events["cells sealed"].at) == "2026-11-24 18:00:00+13:00"
    first, shares = emergence_days(batch, CANTERBURY, BIOLOGY)
    assert CANTERBURY.civil_day(first + int(shares.argmax())) == date(2026, 12, 2)


def test_a_southern_batch_over_new_year_and_the_change_of_clocks() -> None:
    """New Zealand clocks go forward on 27 September 2026."""
    spring = events_of(Batch(graft_time(date(2026, 9, 25), CANTERBURY)), CANTERBURY)
    assert str(spring["cells sealed"].at) == "2026-09-29 19:00:00+13:00"
    summer = events_of(Batch(graft_time(date(2026, 12, 15), CANTERBURY)), CANTERBURY)
    assert summer["give up"].day == date(2027, 1, 24)


PLACES = [
    (-176.5, "Pacific/Chatham", 1),
    (-175.2, "Pacific/Tongatapu", 1),
    (-179.9, "Pacific/Fiji", 1),
    (178.4, "Pacific/Fiji", 0),
    (174.8, "Pacific/Auckland", 0),
    (-171.8, "Pacific/Apia", 1),
    (-170.7, "Pacific/Pago_Pago", 0),
    (177.5, "Asia/Anadyr", 0),
    (0.0, "Europe/London", 0),
]


@pytest.mark.parametrize(("longitude", "zone", "ahead"), PLACES)
def test_a_solar_day_has_the_date_that_the_calendar_shows_at_its_noon(longitude: float, zone: str, ahead: int) -> None:
    """Chatham, Tonga and Samoa keep the date of the lands west of the line, a day ahead of their sun. In any season."""
    site = stand(longitude=longitude, timezone=zone)
    for day in np.arange("2026-01-01", "2027-01-01", 9, dtype="datetime64[D]"):
        noon = datetime.fromisoformat(str(day)).replace(hour=12, tzinfo=UTC) - timedelta(hours=longitude / 15.0)
        shown = noon.astimezone(site.zone).date()
        assert site.civil_day(day) == shown
        assert site.solar_day(shown) == day
        assert shown == date.fromisoformat(str(day)) + timedelta(days=ahead)


@pytest.mark.parametrize(("longitude", "zone", "ahead"), PLACES)
def test_a_graft_at_local_noon_emerges_on_the_local_calendar_wherever_it_is(
    longitude: float, zone: str, ahead: int
) -> None:
    """295 h after noon is 19:00 on the twelfth day by the local clock; the solar day of it is the calendar's, less the shift."""
    site = stand(longitude=longitude, timezone=zone)
    batch = Batch(graft_time(date(2026, 12, 10), site))
    events = events_of(batch, site)
    assert events["emergence"].day == date(2026, 12, 22)
    assert events["first laying check"].day == date(2027, 1, 5)
    first, shares = emergence_days(batch, site, BIOLOGY)
    assert first + int(shares.argmax()) == np.datetime64("2026-12-22") - ahead
    seen = replace(batch, emerged=date(2026, 12, 23))
    assert emergence_days(seen, site, BIOLOGY)[0] == np.datetime64("2026-12-23") - ahead
    flying = flying_hours(date(2026, 12, 22), site, BIOLOGY)
    assert 11.0 < flying[0] < 14.5
    assert flying[1] == pytest.approx(flying[0] + 4.0)
    assert quiet_hours(date(2026, 12, 22), site, BIOLOGY)[0] == 11.0


@pytest.mark.parametrize(
    ("hours", "text"), [(13.25, "13:15"), (9.999, "10:00"), (0.0, "0:00"), (24.5, "0:30"), (-0.5, "23:30")]
)
def test_hours_of_the_day_are_written_as_on_a_clock(hours: float, text: str) -> None:
    assert clock(hours) == text
