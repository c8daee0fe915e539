"""A change and the message that tells of it stand or fall together, and a message never makes a change fail."""

from __future__ import annotations

import json
from typing import TYPE_CHECKING, Any

import pytest
import sqlalchemy as sa

from matewindow.register.outbox import matches
from matewindow.register.records import KINDS as RECORDS
from matewindow.register.records import as_data
from matewindow.register.tables import ENTITIES, batches, deliveries, events
from matewindow.webhooks.events import LEFT_OUT, MAX_BYTES
from matewindow.webhooks.kinds import KINDS, TEST, WANTED
from tests.register.made import GRAFT, ME, SITE, add_batch, add_nuc, add_site

if TYPE_CHECKING:
    from tests.webhooks.endpoint import Endpoint
    from tests.webhooks.made import Hooked

pytestmark = pytest.mark.allow_hosts(["127.0.0.1"])


class TroubleError(Exception):
    """Whatever may happen within a transaction."""


def bodies(hooked: Hooked) -> list[dict[str, Any]]:
    """Messages in the order of the changes."""
    query = sa.select(events.c.body).join(deliveries, deliveries.c.event_id == events.c.id).order_by(deliveries.c.seq)
    with hooked.database.read() as connection:
        return [json.loads(body) for body in connection.execute(query).scalars()]


def counted(hooked: Hooked) -> list[int]:
    with hooked.database.read() as connection:
        tables = (batches, events, deliveries)
        return [connection.execute(sa.select(sa.func.count()).select_from(t)).scalar_one() for t in tables]


def test_a_change_and_its_message_are_there_together(hooked: Hooked) -> None:
    batch = hooked.add_batch()
    row = hooked.register.get("batch", batch)

    assert counted(hooked) == [1, 1, 1]
    assert bodies(hooked)[0]["type"] == "batch.added"
    assert bodies(hooked)[0]["data"] == as_data(row)
    assert hooked.states() == ["waiting"]


def test_a_change_that_is_rolled_back_takes_its_message_with_it(hooked: Hooked) -> None:
    def fail_halfway() -> None:
        with hooked.database.write():
            hooked.add_batch()
            assert counted_within(hooked) == 1
            raise TroubleError

    with pytest.raises(TroubleError):
        fail_halfway()

    assert counted(hooked) == [0, 0, 0]
    assert hooked.run() == []


def counted_within(hooked: Hooked) -> int:
    """Deliveries as the open transaction sees them."""
    with hooked.database.write() as connection:
        return int(connection.execute(sa.select(sa.func.count()).select_from(deliveries)).scalar_one())


def test_a_message_that_cannot_be_stored_takes_the_change_with_it(
    hooked: Hooked, monkeypatch: pytest.MonkeyPatch
) -> None:
    def fail(_: object) -> bytes:
        raise TroubleError

    monkeypatch.setattr("matewindow.register.outbox.fitting_body", fail)
    with pytest.raises(TroubleError):
        hooked.add_batch()

    assert counted(hooked) == [0, 0, 0]


def test_the_longest_records_that_can_be_stored_are_told_shortened_and_do_not_fail(hooked: Hooked) -> None:
    notes, name = 5_000 * "🐝", 200 * "🐝"
    hooked.register.change("site", hooked.site, {"notes": notes, "name": name}, ME)
    batch = hooked.add_batch(notes=notes, name=name, breeder_queen=name, drone_stock=name)
    nuc = add_nuc(hooked.register, hooked.site, batch, notes=notes, name=name)
    check = {"batch_id": batch, "nuc_id": nuc, "day": "2026-06-27", "saw": "virgin", "notes": 5_000 * '"'}
    hooked.register.add("check", check, ME)

    with hooked.database.read() as connection:
        assert all(len(body) < MAX_BYTES for body in connection.execute(sa.select(events.c.body)).scalars())
    for body in bodies(hooked)[:3]:
        data = body["data"]
        assert 0 < len(data["notes"]) < 5_000
        assert data[LEFT_OUT] == {"notes": 5_000 - len(data["notes"])}
        assert data["name"] == name
    assert LEFT_OUT not in bodies(hooked)[3]["data"]
    assert hooked.register.get("batch", batch)["notes"] == notes


def test_messages_tell_the_time_of_the_change_in_utc(hooked: Hooked) -> None:
    hooked.add_batch()

    assert bodies(hooked)[0]["timestamp"] == "2026-06-29T12:00:20.123456Z"


def test_a_webhook_is_told_of_the_types_and_of_the_site_that_it_wants(hooked: Hooked, other: Endpoint) -> None:
    elsewhere = add_site(hooked.register, name="Invented hill")
    wants = {
        types: hooked.add_webhook(other, types, site)
        for types, site in ((("batch.*",), None), (("nuc.added", "site.changed"), None), (("*",), hooked.site))
    }
    batch = add_batch(hooked.register, elsewhere)
    add_nuc(hooked.register, elsewhere, batch)
    hooked.register.change("site", hooked.site, {"notes": "invented"}, ME)
    hooked.change(hooked.add_batch(), "invented")

    told = {types: [row["type"] for row in hooked.deliveries(webhook)] for types, webhook in wants.items()}
    assert told == {
        ("batch.*",): ["batch.added", "batch.added", "batch.changed"],
        ("nuc.added", "site.changed"): ["nuc.added", "site.changed"],
        ("*",): ["site.changed", "batch.added", "batch.changed"],
    }
    assert len(hooked.deliveries()) == 6


def test_of_one_event_all_webhooks_get_the_same_message(hooked: Hooked, other: Endpoint) -> None:
    second = hooked.add_webhook(other)
    hooked.add_batch()

    assert hooked.deliveries()[0]["event_id"] == hooked.deliveries(second)[0]["event_id"]
    assert counted(hooked) == [1, 1, 2]


def test_where_nobody_listens_nothing_is_stored(hooked: Hooked) -> None:
    hooked.endpoints.delete(hooked.webhook)
    hooked.add_batch()

    assert counted(hooked) == [1, 0, 0]


def test_what_happens_while_a_webhook_is_disabled_is_kept_as_missed(hooked: Hooked) -> None:
    hooked.endpoints.disable(hooked.webhook)
    hooked.add_batch()

    assert hooked.states() == ["missed"]
    assert hooked.run() == []


def test_messages_keep_the_order_of_the_changes_when_the_clock_is_set_back(hooked: Hooked, endpoint: Endpoint) -> None:
    batch = hooked.add_batch()
    for note in ("one", "two", "three"):
        hooked.clock.step(hours=-5)
        hooked.change(batch, note)

    assert [body["data"]["notes"] for body in bodies(hooked)] == ["", "one", "two", "three"]
    assert hooked.run() == [("batch.added", "delivered"), *3 * [("batch.changed", "delivered")]]
    assert [said["data"]["version"] for said in hooked.verified(endpoint)] == [1, 2, 3, 4]


def test_every_kind_of_change_has_its_event_on_the_list(hooked: Hooked) -> None:
    register = hooked.register
    for kind in ("site", "batch"):
        thing = register.add(kind, SITE if kind == "site" else {"site_id": hooked.site} | GRAFT, ME)["id"]
        register.change(kind, thing, {"notes": "invented"}, ME)
        register.undo(kind, thing, ME)
        register.delete(kind, thing, ME)
        register.bring_back(kind, thing, ME)
    told = [body["type"] for body in bodies(hooked)]

    actions = ["added", "changed", "undone", "deleted", "brought_back"]
    assert told == [f"{kind}.{action}" for kind in ("site", "batch") for action in actions]
    assert set(KINDS) == {f"{kind}.{action}" for kind in RECORDS for action in actions} | {
        "warning.raised",
        "warning.worse",
        "warning.cleared",
        TEST,
    }


def test_what_can_be_asked_for_is_every_type_every_group_and_everything() -> None:
    groups = {f"{kind.split('.')[0]}.*" for kind in KINDS if kind != TEST}

    assert set(WANTED) == {"*"} | groups | (set(KINDS) - {TEST})
    assert len(set(WANTED)) == len(WANTED)
    assert set(ENTITIES) | {"warning"} == {group[:-2] for group in groups}


@pytest.mark.parametrize(
    ("wanted", "fits"),
    [
        (["*"], True),
        (["batch.*"], True),
        (["batch.changed"], True),
        (["nuc.*", "batch.changed"], True),
        (["batch.added"], False),
        (["batc.*"], False),
        (["batch"], False),
        ([], False),
    ],
)
def test_a_type_is_wanted_by_itself_by_its_group_or_with_everything(wanted: list[str], *, fits: bool) -> None:
    assert matches("batch.changed", wanted) is fits
