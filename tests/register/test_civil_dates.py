"""Dates and times of a batch are those of its site's own calendar and clock: over clock changes and beside the date line.

Dates of clock changes and offsets are those of the IANA time zone database.
"""

from __future__ import annotations

from datetime import UTC, date, datetime, timedelta
from typing import TYPE_CHECKING, Any

import pytest

from matewindow.errors import RefusedError
from matewindow.register.life import batch_of, site_of
from matewindow.timeline import emergence_mean
from tests.register.made import ME, add_batch, add_nuc, add_site, check_laws, refusals

if TYPE_CHECKING:
    from matewindow.biology import Biology
    from matewindow.register.register import Register
    from tests.register.made import Clock

KIRITIMATI = {"timezone": "Pacific/Kiritimati", "latitude": 1.9, "longitude": -157.4}  # UTC+14
APIA = {"timezone": "Pacific/Apia", "latitude": -13.8, "longitude": -171.8}  # UTC+13
PAGO_PAGO = {"timezone": "Pacific/Pago_Pago", "latitude": -14.3, "longitude": -170.7}  # UTC-11
AUCKLAND = {"timezone": "Pacific/Auckland", "latitude": -36.8, "longitude": 174.8}
NEW_YORK = {"timezone": "America/New_York", "latitude": 40.7, "longitude": -74.0}


@pytest.mark.parametrize(
    ("site", "now", "today"),
    [
        (KIRITIMATI, datetime(2026, 6, 28, 10, 0, tzinfo=UTC), "2026-06-29"),
        (KIRITIMATI, datetime(2026, 6, 28, 9, 59, 59, tzinfo=UTC), "2026-06-28"),
        (PAGO_PAGO, datetime(2026, 6, 30, 10, 59, 59, tzinfo=UTC), "2026-06-29"),
        (PAGO_PAGO, datetime(2026, 6, 30, 11, 0, tzinfo=UTC), "2026-06-30"),
        (AUCKLAND, datetime(2026, 6, 28, 12, 0, tzinfo=UTC), "2026-06-29"),
        (NEW_YORK, datetime(2026, 6, 30, 3, 59, tzinfo=UTC), "2026-06-29"),
        ({}, datetime(2026, 6, 28, 23, 0, tzinfo=UTC), "2026-06-29"),
    ],
    ids=["UTC+14 at midnight", "UTC+14 before midnight", "UTC-11 before", "UTC-11 at midnight", "NZ", "NY", "London"],
)
def test_today_is_the_site_s_own(
    register: Register, clock: Clock, site: dict[str, Any], now: datetime, today: str
) -> None:
    clock.now = now
    place = add_site(register, **site)
    whole = {"batch_id": add_batch(register, place), "saw": "nothing"}
    tomorrow = str(date.fromisoformat(today) + timedelta(days=1))
    register.add("check", whole | {"day": today}, ME)
    for call in (
        lambda: register.add("check", whole | {"day": tomorrow}, ME),
        lambda: add_batch(register, place, ended_on=tomorrow),
        lambda: add_nuc(register, place, whole["batch_id"], broodless_since=tomorrow),
    ):
        with pytest.raises(RefusedError, match=f"{tomorrow} lies in the future: today is {today} at the site"):
            call()


@pytest.mark.parametrize("site", [KIRITIMATI, APIA, PAGO_PAGO, AUCKLAND, NEW_YORK, {}], ids=lambda s: s.get("timezone"))
def test_the_same_civil_dates_make_the_same_life_everywhere(register: Register, site: dict[str, Any]) -> None:
    """Grafted at noon of 1 June by the local clock, no virgin lays before 16 June by the local calendar."""
    place = add_site(register, **site)
    batch = add_batch(register, place)
    with pytest.raises(RefusedError) as caught:
        register.add("check", {"batch_id": batch, "day": "2026-06-15", "saw": "eggs"}, ME)
    assert refusals(caught.value)[0][1] == (
        "eggs on 15 June: these virgins are 3 days old then, and none lays before 4 days"
    )
    register.add("check", {"batch_id": batch, "day": "2026-06-16", "saw": "eggs"}, ME)
    for day in ("2026-06-11", "2026-06-15"):
        add_batch(register, place, emerged_on=day)
    for day in ("2026-06-10", "2026-06-16"):
        with pytest.raises(RefusedError, match="does not fit a graft on 2026-06-01"):
            add_batch(register, place, emerged_on=day)


@pytest.mark.parametrize(
    ("place", "day", "at", "instant"),
    [
        ({}, "2026-03-29", "00:59", "2026-03-29T00:59:00Z"),
        ({}, "2026-03-29", "01:30", "2026-03-29T01:30:00Z"),
        ({}, "2026-03-29", "02:00", "2026-03-29T01:00:00Z"),
        ({}, "2025-10-26", "01:30", "2025-10-26T00:30:00Z"),
        ({}, "2025-10-26", "02:00", "2025-10-26T02:00:00Z"),
        ({}, "2025-10-26", None, "2025-10-26T12:00:00Z"),
        (NEW_YORK, "2026-03-08", "02:30", "2026-03-08T07:30:00Z"),
        (NEW_YORK, "2025-11-02", "01:30", "2025-11-02T05:30:00Z"),
        (AUCKLAND, "2025-09-28", "02:30", "2025-09-27T14:30:00Z"),
        (KIRITIMATI, "2026-06-01", None, "2026-05-31T22:00:00Z"),
        (PAGO_PAGO, "2026-06-01", None, "2026-06-01T23:00:00Z"),
    ],
)
def test_a_civil_time_is_kept_as_written_and_means_one_instant(
    register: Register, place: dict[str, Any], day: str, at: str | None, instant: str
) -> None:
    """Also an hour that the clocks leap over (taken as if they had not yet), or one that comes twice (the first)."""
    site = add_site(register, **place)
    row = register.get("batch", add_batch(register, site, grafted_on=day, grafted_at=at))
    assert str(row["grafted_on"]) == day
    assert (row["grafted_at"] and row["grafted_at"].isoformat("minutes")) == at
    batch = batch_of(row, site_of(register.get("site", site)))
    assert batch.grafted.astimezone(UTC) == datetime.fromisoformat(instant)


@pytest.mark.parametrize("grafted_on", ["2026-03-20", "2025-10-18"])
def test_a_change_of_the_clocks_between_graft_and_emergence_moves_no_instant(
    register: Register, biology: Biology, grafted_on: str
) -> None:
    """295 h pass on the sun's clock, whatever ours do: one more or one less by it."""
    site = add_site(register)
    row = register.get("batch", add_batch(register, site, grafted_on=grafted_on))
    batch = batch_of(row, site_of(register.get("site", site)))
    assert emergence_mean(batch, biology) - batch.grafted.astimezone(UTC) == timedelta(hours=295)


def test_a_history_over_a_change_of_the_clocks_and_over_the_date_line_stays_in_order(
    register: Register, clock: Clock
) -> None:
    """Instants are kept in UTC, which has no clock changes."""
    clock.now = datetime(2026, 10, 25, 0, 30, tzinfo=UTC)
    site = add_site(register)
    for _ in range(4):
        clock.step(minutes=30)
        register.change("site", site, {"notes": str(clock.now)}, ME)
    for zone in (KIRITIMATI, PAGO_PAGO, APIA):
        register.change("site", site, zone, ME)
    assert check_laws(register) == 8
