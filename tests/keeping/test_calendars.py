"""Calendars of the register: dates entered with each outlook, looked after when they are asked for, withdrawn at the end."""

from __future__ import annotations

import re
from datetime import timedelta
from typing import TYPE_CHECKING

import pytest

from matewindow.errors import NotThereError, SourceError
from matewindow.keeping.calendars import calendar
from matewindow.register import tables
from tests.keeping.made import ME, add_batch, add_check, add_site, rows

if TYPE_CHECKING:
    from matewindow.keeping.outlooks import Keeper
    from matewindow.register.register import Register
    from tests.keeping.invented import InventedDesk
    from tests.register.made import Clock

DATES = 13
"""Entries of a batch at the beginning."""


def events(text: bytes) -> dict[str, str]:
    """Each entry's own lines by its UID, unfolded."""
    flat = text.decode().replace("\r\n ", "")
    found = re.findall(r"BEGIN:VEVENT\r\n(.*?)END:VEVENT", flat, re.DOTALL)
    return {re.search(r"UID:(.*?)\r\n", e)[1]: e for e in found}  # type: ignore[index]


def sequences(text: bytes) -> dict[str, int]:
    return {uid: int(re.search(r"SEQUENCE:(\d+)", e)[1]) for uid, e in events(text).items()}  # type: ignore[index]


def test_dates_are_there_with_the_first_outlook_and_the_same_octets_come_again(
    keeper: Keeper, register: Register
) -> None:
    site = add_site(register)
    batch = add_batch(register, site)
    keeper.site_outlooks(site)
    first = calendar(keeper, site)

    assert len(events(first)) == DATES
    assert all(uid.startswith(batch) for uid in events(first))
    assert calendar(keeper, site) == first


def test_a_change_by_hand_is_in_the_calendar_at_once_with_a_higher_sequence(
    keeper: Keeper, register: Register, clock: Clock
) -> None:
    site = add_site(register)
    batch = add_batch(register, site)
    before = sequences(calendar(keeper, site))
    clock.step(minutes=5)
    register.change("batch", batch, {"emerged_on": "2026-05-19"}, ME)
    after = sequences(calendar(keeper, site))

    assert set(before.values()) == {0}
    assert {uid for uid in after if after[uid] > before[uid]} != set()
    assert len(keeper.issued(batch)) == 2


def test_a_check_is_such_a_change_and_new_weather_is_left_to_the_refresh(
    keeper: Keeper, register: Register, clock: Clock, desk: InventedDesk, rainy: object
) -> None:
    site = add_site(register)
    batch = add_batch(register, site)
    calendar(keeper, site)
    clock.step(minutes=5)
    desk.weathers = [rainy]  # type: ignore[list-item]
    calendar(keeper, site)
    assert len(keeper.issued(batch)) == 1
    add_check(register, batch)
    calendar(keeper, site)
    assert len(keeper.issued(batch)) == 2


def test_without_weather_the_dates_alone_are_shown_and_nothing_is_asked_or_written_twice(
    keeper: Keeper, register: Register, desk: InventedDesk, monkeypatch: pytest.MonkeyPatch
) -> None:
    def none(*_: object) -> None:
        return None

    def breaks(*_: object) -> None:
        raise SourceError("The weather store", "it holds nothing of this site yet")

    monkeypatch.setattr(desk, "stamp", none)
    monkeypatch.setattr(desk, "held", breaks)
    site = add_site(register)
    add_batch(register, site)
    first = calendar(keeper, site)
    writes: list[int] = []
    write = register.database.write

    def counted() -> object:
        writes.append(1)
        return write()

    monkeypatch.setattr(register.database, "write", counted)

    assert len(events(first)) == DATES
    assert calendar(keeper, None).replace(b"All sites", b"Invented yard 0") == first
    assert writes == []
    assert desk.asked == []


@pytest.mark.parametrize("end", ["deleted", "ended"])
def test_dates_that_no_longer_hold_are_cancelled_for_a_month_and_then_gone(
    end: str, keeper: Keeper, register: Register, clock: Clock
) -> None:
    site = add_site(register)
    batch = add_batch(register, site)
    calendar(keeper, site)
    clock.step(minutes=5)
    if end == "deleted":
        register.delete("batch", batch, ME)
    else:
        register.change("batch", batch, {"ended_on": "2026-05-27"}, ME)
    after = events(calendar(keeper, site))
    cancelled = {uid for uid, text in after.items() if "STATUS:CANCELLED" in text}

    assert len(after) == DATES
    assert len(cancelled) == {"deleted": DATES, "ended": 5}[end]
    assert calendar(keeper, site) == calendar(keeper, site)
    clock.now += timedelta(days=31)
    assert not cancelled & set(events(calendar(keeper, site)))


def test_a_site_has_its_own_batches_and_the_common_calendar_all_of_them(keeper: Keeper, register: Register) -> None:
    sites = [add_site(register), add_site(register)]
    batches = [add_batch(register, site) for site in sites]
    for site in sites:
        keeper.site_outlooks(site)
    own = {uid[:21] for uid in events(calendar(keeper, sites[0]))}
    common = {uid[:21] for uid in events(calendar(keeper, None))}
    assert (own, common) == ({batches[0]}, set(batches))
    with pytest.raises(NotThereError):
        calendar(keeper, "site_0000000000000000")


def test_every_outlook_keeps_the_ledger_up_to_date(keeper: Keeper, register: Register, clock: Clock) -> None:
    batch = add_batch(register, add_site(register))
    keeper.outlook(batch)
    before = {r["uid"]: r["stamp"] for r in rows(register.database, tables.calendar_stamps)}
    clock.step(minutes=5)
    add_check(register, batch)
    keeper.outlook(batch)
    after = {r["uid"]: r["stamp"] for r in rows(register.database, tables.calendar_stamps)}
    assert set(before) == set(after)
    assert before != after
