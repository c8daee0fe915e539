"""Messages are sent as the standard has it, and what came of each is on record once."""

from __future__ import annotations

import json
import threading
from contextlib import suppress
from datetime import UTC, datetime, timedelta
from email.utils import format_datetime
from typing import TYPE_CHECKING, Any

import pytest
import sqlalchemy as sa
from standardwebhooks.webhooks import Webhook, WebhookVerificationError

from matewindow.errors import BusyError, ConflictError, NotThereError
from matewindow.keeping.figures import figures_of
from matewindow.keeping.state import health_of
from matewindow.outbound import CallLimits, Guard
from matewindow.register.records import as_data
from matewindow.register.tables import deliveries, webhooks
from matewindow.webhooks import sending
from matewindow.webhooks.deliveries import one, prune, status
from matewindow.webhooks.ladder import WAITS_S
from matewindow.webhooks.sender import LEASE, Sender
from matewindow.webhooks.sending import Outcome
from tests.register.made import Clock
from tests.webhooks.endpoint import OK, Endpoint, Exchange, answer, silent
from tests.webhooks.made import LOOPBACK, ON_SQLITE, Hooked, address, check_order, check_recorded_once, ids
from tests.webhooks.test_endpoints import Names

if TYPE_CHECKING:
    from collections.abc import Callable

pytestmark = pytest.mark.allow_hosts(["127.0.0.1"])


@pytest.fixture
def hurried(monkeypatch: pytest.MonkeyPatch) -> None:
    """0.3 s for everything, so that nobody waits for a test."""
    monkeypatch.setattr(sending, "LIMITS", CallLimits(0.3, 0.3, 0.3, sending.LIMITS.max_bytes, only_beginning=True))


def give_up(hooked: Hooked) -> None:
    """Let the clock pass all ten attempts of the first message."""
    for wait_s in (*WAITS_S[1:], 0.0):
        assert len(hooked.run(limit=1)) == 1
        hooked.clock.step(seconds=wait_s)


def test_a_change_is_delivered_once_as_the_published_library_reads_it(hooked: Hooked, endpoint: Endpoint) -> None:
    batch = hooked.add_batch(notes="Bärenwald")
    row = as_data(hooked.register.get("batch", batch))

    assert hooked.run() == [("batch.added", "delivered")]
    assert hooked.run() == []
    assert hooked.verified(endpoint) == [{"type": "batch.added", "timestamp": row["changed_at"], "data": row}]
    delivery = hooked.deliveries()[0]
    assert ids(endpoint.seen) == [delivery["event_id"]]
    assert (delivery["state"], delivery["attempts"], delivery["last_status"]) == ("delivered", 1, 204)
    assert delivery["delivered_at"] == delivery["last_at"] == hooked.clock.now
    assert delivery["last_reason"] == "delivered (204 No Content)"
    check_recorded_once(hooked.register)


def test_what_failed_is_sent_again_after_five_seconds_with_the_same_id_and_bytes(
    hooked: Hooked, endpoint: Endpoint
) -> None:
    """Source: "Example retry schedule" of Standard Webhooks 1.0.0."""
    hooked.add_batch()
    endpoint.will(answer(500, b"no hives here"))
    assert hooked.run() == [("batch.added", "again")]
    failed = hooked.deliveries()[0]
    endpoint.will(OK)
    hooked.clock.step(seconds=4.9)
    assert hooked.run() == []
    hooked.clock.step(seconds=0.1)
    assert hooked.run() == [("batch.added", "delivered")]

    first, second = endpoint.seen
    assert (first.headers["webhook-id"], first.body) == (second.headers["webhook-id"], second.body)
    assert len(hooked.verified(endpoint)) == 2
    assert (failed["state"], failed["last_status"], failed["last_answer"]) == ("waiting", 500, "no hives here")
    assert failed["next_at"] == hooked.clock.now
    assert hooked.deliveries()[0]["attempts"] == 2
    assert hooked.totals() == {"delivered": 1, "failed": 1, "given_up": 0}
    assert status(hooked.database, hooked.webhook) == hooked.totals() | {"waiting": 0, "rests_until": None}


@ON_SQLITE
@pytest.mark.usefixtures("hurried")
@pytest.mark.parametrize("reply", [silent, answer(307, Location="http://127.0.0.1:9/"), b"hum\r\n"])
def test_no_answer_and_a_redirect_are_failures_that_are_tried_again(
    hooked: Hooked, endpoint: Endpoint, reply: Any
) -> None:
    hooked.add_batch()
    endpoint.will(reply)

    assert hooked.run() == [("batch.added", "again")]
    assert hooked.states() == ["waiting"]
    assert endpoint.connections == 1


def test_an_endpoint_that_is_gone_is_disabled_and_the_reason_is_told(hooked: Hooked, endpoint: Endpoint) -> None:
    batch = hooked.add_batch()
    hooked.change(batch, "later")
    endpoint.will(answer(410))

    assert hooked.run() == [("batch.added", "endpoint gone")]
    assert hooked.states() == ["given up", "missed"]
    paused = hooked.endpoints.paused()[0]
    assert (paused["id"], paused["disabled_because"], paused["version"]) == (hooked.webhook, "gone", 2)
    assert paused["disabled_why"] == "it answered 410 Gone: it wants no more messages"
    hooked.clock.step(days=2)
    assert hooked.run() == []


def test_after_ten_attempts_a_message_is_given_up_and_the_webhook_paused(hooked: Hooked, endpoint: Endpoint) -> None:
    batch = hooked.add_batch()
    hooked.change(batch, "later")
    endpoint.will(answer(500))
    give_up(hooked)

    assert ids(endpoint.seen) == 10 * [hooked.deliveries()[0]["event_id"]]
    assert hooked.states() == ["given up", "missed"]
    paused = hooked.endpoints.paused()[0]
    assert paused["disabled_because"] == "given up"
    assert "after 10 attempts" in paused["disabled_why"]
    assert "500 Internal Server Error" in paused["disabled_why"]
    assert hooked.totals()["given_up"] == 1
    hooked.clock.step(days=2)
    hooked.add_batch()
    assert hooked.run() == []
    assert hooked.states() == ["given up", "missed", "missed"]


@pytest.mark.parametrize("as_date", [False, True])
def test_an_endpoint_that_asks_for_a_rest_gets_no_message_at_all_before_it_is_over(
    hooked: Hooked, endpoint: Endpoint, other: Endpoint, *, as_date: bool
) -> None:
    hooked.add_webhook(other)
    for _ in range(3):
        hooked.add_batch()
    now = datetime.now(UTC)
    until = format_datetime(now + timedelta(hours=1), usegmt=True)
    date = answer(429, Date=format_datetime(now, usegmt=True), Retry_After=until)
    endpoint.will(date if as_date else answer(429, Retry_After="3600"))
    done = hooked.run()

    assert sorted(verdict for _, verdict in done) == ["again", "delivered", "delivered", "delivered"]
    endpoint.will(OK)
    hooked.clock.step(seconds=3590)
    hooked.add_batch()
    assert [verdict for _, verdict in hooked.run()] == ["delivered"]  # the other webhook's
    assert len(endpoint.seen) == 1
    how = status(hooked.database, hooked.webhook)
    assert (how["waiting"], how["rests_until"]) == (4, hooked.clock.now + timedelta(seconds=10))
    with pytest.raises(ConflictError, match="left alone until"):
        hooked.endpoints.test(hooked.webhook)
    hooked.clock.step(seconds=15)
    assert [verdict for _, verdict in hooked.run()] == 4 * ["delivered"]


def test_a_rest_ends_when_the_webhook_is_enabled_by_hand(hooked: Hooked, endpoint: Endpoint) -> None:
    hooked.add_batch()
    endpoint.will(answer(503, Retry_After="86400"))
    hooked.run()
    endpoint.will(OK)
    hooked.endpoints.enable(hooked.webhook)
    hooked.add_batch()

    assert hooked.run() == [("batch.added", "delivered")]
    assert hooked.states() == ["waiting", "delivered"]


def test_changes_of_one_batch_arrive_in_order_and_wait_for_each_other(hooked: Hooked, endpoint: Endpoint) -> None:
    first, second = hooked.add_batch(), hooked.add_batch()
    hooked.change(first, "later")
    hooked.change(second, "later")

    def refuse_first(exchange: Exchange) -> None:
        data = json.loads(exchange.said.body)["data"]
        exchange.wfile.write(answer(500) if data["id"] == first else OK)

    endpoint.will(refuse_first)
    done = [hooked.run() for _ in range(3)]
    assert done == [[("batch.added", "again")], [("batch.added", "delivered"), ("batch.changed", "delivered")], []]
    assert hooked.states() == ["waiting", "delivered", "waiting", "delivered"]
    endpoint.will(OK)
    hooked.clock.step(seconds=5)
    assert hooked.run() == [("batch.added", "delivered"), ("batch.changed", "delivered")]
    check_order(endpoint.seen)


def test_what_waits_behind_a_failed_message_does_not_hold_up_other_batches(hooked: Hooked, endpoint: Endpoint) -> None:
    first = hooked.add_batch()
    endpoint.will(answer(500))
    hooked.run()
    endpoint.will(OK)
    for note in ("one", "two", "three"):
        hooked.change(first, note)
    second = hooked.add_batch()

    assert hooked.sender.send(hooked.deliveries()[1]["id"]) is None
    assert hooked.run(limit=1) == [("batch.added", "delivered")]
    assert [said["data"]["id"] for said in hooked.verified(endpoint)] == [first, second]


@ON_SQLITE
@pytest.mark.usefixtures("hurried")
def test_an_endpoint_that_does_not_answer_holds_up_no_other(
    hooked: Hooked, endpoint: Endpoint, other: Endpoint
) -> None:
    webhook = hooked.add_webhook(other)
    for _ in range(5):
        hooked.add_batch()
    endpoint.will(silent)
    done = hooked.sent()

    assert [sent.verdict for sent in done if sent.webhook_id == webhook] == 5 * ["delivered"]
    assert [sent.verdict for sent in done if sent.webhook_id == hooked.webhook] == ["again"]


def test_a_run_makes_no_more_attempts_than_it_may(hooked: Hooked, endpoint: Endpoint, other: Endpoint) -> None:
    hooked.add_webhook(other)
    for _ in range(4):
        hooked.add_batch()

    assert [len(hooked.run(limit)) for limit in (1, 3, 100, 100)] == [1, 3, 4, 0]
    assert len(endpoint.seen) + len(other.seen) == 8


# --- tests of an endpoint ------------------------------------------------------------------------------------------------


def test_a_test_is_sent_once_and_pauses_nothing(hooked: Hooked, endpoint: Endpoint, other: Endpoint) -> None:
    hooked.add_webhook(other)
    endpoint.will(answer(500))
    delivery = hooked.endpoints.test(hooked.webhook)
    sent = hooked.sender.send(delivery)

    assert sent is not None
    assert (sent.type, sent.verdict) == ("webhook.test", "test failed")
    hooked.clock.step(days=5)
    assert hooked.run() == []
    assert hooked.verified(endpoint)[0]["data"]["webhook_id"] == hooked.webhook
    assert (other.seen, hooked.endpoints.paused()) == ([], [])
    with pytest.raises(ConflictError, match="a test is not sent again"):
        hooked.replay(delivery)


def test_a_webhook_that_is_disabled_can_be_tested_before_it_is_enabled(hooked: Hooked, endpoint: Endpoint) -> None:
    hooked.endpoints.disable(hooked.webhook)
    sent = hooked.sender.send(hooked.endpoints.test(hooked.webhook))

    assert sent is not None
    assert (sent.verdict, len(endpoint.seen)) == ("delivered", 1)
    assert hooked.endpoints.get(hooked.webhook)["disabled_because"] == "owner"


# --- secrets and addresses -----------------------------------------------------------------------------------------------


@ON_SQLITE
def test_while_a_secret_is_exchanged_the_old_and_the_new_one_both_verify(hooked: Hooked, endpoint: Endpoint) -> None:
    old = hooked.secrets[hooked.webhook]
    new, _ = hooked.endpoints.rotate(hooked.webhook)
    hooked.add_batch()
    hooked.run()
    hooked.clock.step(hours=24)
    hooked.add_batch()
    hooked.run()
    first, second = endpoint.seen

    assert all(Webhook(secret).verify(first.body, first.headers) for secret in (old, new))
    assert Webhook(new).verify(second.body, second.headers)
    with pytest.raises(WebhookVerificationError):
        Webhook(old).verify(second.body, second.headers)


@ON_SQLITE
def test_a_name_that_leads_inside_by_the_time_of_sending_is_not_called(hooked: Hooked, endpoint: Endpoint) -> None:
    names = Names()
    hooked.endpoints.guard = Guard(resolve=names)
    row, _ = hooked.endpoints.add(f"http://hooks.example.org:{endpoint.port}/", ["*"])
    names.leads_to["hooks.example.org"] = ["127.0.0.1"]
    hooked.add_batch()
    sender = Sender(hooked.database, Guard(resolve=names), hooked.clock)
    done = {sent.webhook_id: sent for sent in sender.run_once()}[row["id"]]

    assert (done.verdict, endpoint.connections) == ("again", 0)
    assert done.reason.startswith("not sent: hooks.example.org: it does not lead to a public address")
    assert hooked.states(row["id"]) == ["waiting"]


def test_what_waits_goes_to_the_new_address_after_a_move(hooked: Hooked, endpoint: Endpoint, other: Endpoint) -> None:
    hooked.add_batch()
    hooked.endpoints.change(hooked.webhook, {"url": address(other)})
    hooked.run()

    assert (len(endpoint.seen), len(other.seen)) == (0, 1)


@ON_SQLITE
def test_a_secret_that_was_damaged_on_the_disk_ends_as_a_pause_with_its_reason(
    hooked: Hooked, endpoint: Endpoint
) -> None:
    with hooked.database.write() as connection:
        connection.execute(webhooks.update().values(secrets=[{"secret": "whsec_abc%", "until": None}]))
    hooked.add_batch()
    give_up(hooked)

    why = hooked.endpoints.paused()[0]["disabled_why"]
    assert "the secret is not whsec_ followed by base64" in why
    assert "abc" not in why
    assert endpoint.seen == []


@ON_SQLITE
def test_neither_secret_nor_address_is_in_the_log_or_in_what_a_run_returns(
    hooked: Hooked, endpoint: Endpoint, caplog: pytest.LogCaptureFixture
) -> None:
    caplog.set_level("DEBUG")
    for reply in (answer(500), OK):
        endpoint.will(reply)
        hooked.add_batch()
        hooked.clock.step(seconds=5)
        told = repr(hooked.sent()) + repr(hooked.deliveries())
        assert "whsec_" not in told
        assert "s3cret" not in told
    hooked.endpoints.rotate(hooked.webhook)

    assert "500 Internal Server Error" in caplog.text
    assert hooked.webhook in caplog.text
    assert "whsec_" not in caplog.text
    assert "s3cret" not in caplog.text


def test_counters_for_monitoring_never_fall_though_old_messages_are_dropped(hooked: Hooked, endpoint: Endpoint) -> None:
    batch = hooked.add_batch()
    endpoint.will(answer(500))
    hooked.run()
    endpoint.will(OK)
    hooked.clock.step(hours=1)
    hooked.run()
    hooked.change(batch, "later")
    endpoint.will(answer(410))
    hooked.run()
    before = figures_of(hooked.database, hooked.clock.now).outbox[0]
    with hooked.database.write() as connection:
        assert prune(connection, hooked.clock.now + timedelta(days=1), hooked.clock.now) == 2

    assert (before.delivered, before.failed, before.given_up, before.waiting) == (1, 2, 1, 0)
    assert figures_of(hooked.database, hooked.clock.now).outbox[0] == before


def test_health_tells_of_webhooks_whose_receivers_are_gone_but_not_of_those_their_owner_disabled(
    hooked: Hooked, endpoint: Endpoint, other: Endpoint
) -> None:
    hooked.endpoints.disable(hooked.add_webhook(other))
    well = health_of(hooked.database, hooked.clock.now)
    hooked.add_batch()
    endpoint.will(answer(410))
    hooked.run()
    ill = health_of(hooked.database, hooked.clock.now)

    assert (well["status"], well["webhooks_paused"]) == ("ok", 0)
    assert (ill["status"], ill["webhooks_paused"]) == ("degraded", 1)


# --- replay --------------------------------------------------------------------------------------------------------------


def test_one_message_is_sent_once_more_with_the_id_that_it_had(hooked: Hooked, endpoint: Endpoint) -> None:
    hooked.add_batch()
    hooked.run()
    first = hooked.deliveries()[0]
    hooked.clock.step(hours=1)
    waiting = hooked.replay(first["id"])

    assert (waiting["state"], waiting["attempts"], waiting["delivered_at"]) == ("waiting", 0, first["delivered_at"])
    assert hooked.run() == [("batch.added", "delivered")]
    assert ids(endpoint.seen) == 2 * [first["event_id"]]
    assert hooked.deliveries()[0]["delivered_at"] == first["delivered_at"]
    assert len(hooked.deliveries()) == 1


def test_one_that_waits_for_its_next_attempt_is_sent_at_once(hooked: Hooked, endpoint: Endpoint) -> None:
    hooked.add_batch()
    endpoint.will(answer(500))
    hooked.run()
    endpoint.will(OK)
    hooked.replay(hooked.deliveries()[0]["id"])

    assert hooked.run() == [("batch.added", "delivered")]


def test_what_was_missed_in_a_time_is_sent_on_request_in_order(hooked: Hooked, endpoint: Endpoint) -> None:
    batch = hooked.add_batch()
    hooked.run()
    hooked.endpoints.disable(hooked.webhook)
    begin = hooked.clock.now + timedelta(hours=1)
    for note in ("one", "two", "three"):
        hooked.clock.step(hours=1)
        hooked.change(batch, note)
    with pytest.raises(ConflictError, match="disabled"):
        hooked.replay_range(begin, hooked.clock.now)
    with pytest.raises(ConflictError, match="disabled"):
        hooked.replay(hooked.deliveries()[0]["id"])
    hooked.endpoints.enable(hooked.webhook)

    assert hooked.run() == []
    assert hooked.replay_range(begin, hooked.clock.now) == 2
    assert hooked.run() == 2 * [("batch.changed", "delivered")]
    assert [said["data"]["notes"] for said in hooked.verified(endpoint)] == ["", "one", "two"]
    assert hooked.replay_range(begin, hooked.clock.now) == 0
    assert hooked.replay_range(begin, hooked.clock.now, delivered=True) == 2
    assert hooked.states() == ["delivered", "waiting", "waiting", "missed"]


def test_tests_are_not_among_what_is_replayed(hooked: Hooked) -> None:
    hooked.sender.send(hooked.endpoints.test(hooked.webhook))
    around = (hooked.clock.now - timedelta(days=1), hooked.clock.now + timedelta(days=1))

    assert hooked.replay_range(*around, delivered=True) == 0


# --- several senders, and senders that fail ------------------------------------------------------------------------------


def claim_of(hooked: Hooked, sender: Sender, batch: str | None = None) -> dict[str, Any]:
    """Let a sender claim the first delivery, of a batch if one is named, and go no further."""
    first = next(row for row in hooked.deliveries() if batch in {None, row["batch_id"]})
    row = sender._claim(first["id"], sa.true())
    assert row is not None
    return row


def second_sender(hooked: Hooked) -> Sender:
    return Sender(hooked.database, Guard(LOOPBACK), hooked.clock, name="the second")


def test_what_one_sender_has_claimed_no_other_takes_before_the_claim_is_over(
    hooked: Hooked, endpoint: Endpoint
) -> None:
    hooked.add_batch()
    claim_of(hooked, hooked.sender)
    other = second_sender(hooked)
    assert other.run_once() == []
    with pytest.raises(ConflictError, match="being sent just now"):
        hooked.replay(hooked.deliveries()[0]["id"])
    hooked.clock.step(seconds=LEASE.total_seconds() - 1)
    assert other.run_once() == []
    hooked.clock.step(seconds=1)

    assert [sent.verdict for sent in other.run_once()] == ["delivered"]
    assert hooked.deliveries()[0]["attempts"] == 2
    assert len(endpoint.seen) == 1


def test_a_sender_that_was_overtaken_records_nothing(hooked: Hooked, endpoint: Endpoint) -> None:
    hooked.add_batch()
    slow = claim_of(hooked, hooked.sender)
    hooked.clock.step(seconds=LEASE.total_seconds())
    second_sender(hooked).run_once()
    late = hooked.sender._record(slow, Outcome(hooked.clock.now, 500, "it answered 500", 0.1))

    assert late.verdict == "not recorded"
    assert hooked.states() == ["delivered"]
    assert hooked.totals()["failed"] == 0
    check_recorded_once(hooked.register)


def test_a_sender_that_was_held_up_after_its_claim_sends_nothing(hooked: Hooked, endpoint: Endpoint) -> None:
    hooked.add_batch()
    row = claim_of(hooked, hooked.sender)
    hooked.clock.step(seconds=LEASE.total_seconds() - sending.LIMITS.total_s + 1)

    assert hooked.sender._deliver(row) is None
    assert endpoint.connections == 0


def test_what_could_not_be_recorded_is_sent_again_with_the_same_id(
    hooked: Hooked, endpoint: Endpoint, monkeypatch: pytest.MonkeyPatch
) -> None:
    hooked.add_batch()

    def locked(*_: object) -> None:
        raise BusyError("the register is in use")

    with monkeypatch.context() as trouble:
        trouble.setattr("matewindow.webhooks.sender._note", locked)
        with pytest.raises(BusyError):
            hooked.run()
    assert hooked.states() == ["claimed"]
    assert hooked.run() == []
    hooked.clock.step(seconds=LEASE.total_seconds())

    assert hooked.run() == [("batch.added", "delivered")]
    assert ids(endpoint.seen) == 2 * [hooked.deliveries()[0]["event_id"]]
    check_recorded_once(hooked.register)


def test_a_message_that_brings_down_whoever_sends_it_is_given_up_in_the_end(hooked: Hooked, endpoint: Endpoint) -> None:
    hooked.add_batch()
    for _ in WAITS_S:
        claim_of(hooked, hooked.sender)
        hooked.clock.step(seconds=LEASE.total_seconds())

    assert hooked.run() == [("batch.added", "given up")]
    assert endpoint.seen == []
    assert "whoever made the last attempt broke off" in hooked.endpoints.paused()[0]["disabled_why"]


def test_a_test_whose_sender_broke_off_is_not_sent_again(hooked: Hooked, endpoint: Endpoint) -> None:
    hooked.endpoints.test(hooked.webhook)
    claim_of(hooked, hooked.sender)
    hooked.clock.step(seconds=LEASE.total_seconds())

    assert hooked.run() == [("webhook.test", "test failed")]
    assert endpoint.seen == []


@pytest.mark.parametrize("take_off", ["disable", "delete"])
def test_a_message_under_way_while_its_webhook_is_taken_off_is_not_tried_again(hooked: Hooked, take_off: str) -> None:
    hooked.add_batch()
    row = claim_of(hooked, hooked.sender)
    getattr(hooked.endpoints, take_off)(hooked.webhook)
    hooked.sender._record(row, Outcome(hooked.clock.now, 500, "it answered 500", 0.1))

    assert hooked.states() == ["missed"]
    hooked.clock.step(days=1)
    assert hooked.run() == []


def test_what_waits_at_a_webhook_that_is_deleted_is_no_longer_to_be_sent(hooked: Hooked, endpoint: Endpoint) -> None:
    hooked.add_batch()
    hooked.endpoints.delete(hooked.webhook)

    assert hooked.states() == ["missed"]
    assert (hooked.run(), endpoint.connections) == ([], 0)
    with pytest.raises(NotThereError):
        hooked.replay(hooked.deliveries()[0]["id"])


def test_a_message_that_arrives_while_its_webhook_is_disabled_stands_as_delivered(hooked: Hooked) -> None:
    hooked.add_batch()
    row = claim_of(hooked, hooked.sender)
    hooked.endpoints.disable(hooked.webhook)
    hooked.sender._deliver(row)

    assert hooked.states() == ["delivered"]
    check_recorded_once(hooked.register)


def test_of_two_messages_under_way_the_longer_rest_that_was_asked_for_counts(hooked: Hooked) -> None:
    begun = hooked.clock.now
    rows = [claim_of(hooked, hooked.sender, hooked.add_batch()) for _ in range(2)]
    for row, rest_s in zip(rows, (7200.0, 60.0), strict=True):
        outcome = Outcome(begun, 429, "it answered 429", 0.1, retry_after_s=rest_s)
        hooked.sender._record(row, outcome)

    assert status(hooked.database, hooked.webhook)["rests_until"] == begun + timedelta(hours=2)


def test_a_webhook_that_its_owner_disabled_stays_so_whatever_comes_of_what_was_under_way(hooked: Hooked) -> None:
    hooked.add_batch()
    row = claim_of(hooked, hooked.sender)
    hooked.endpoints.disable(hooked.webhook, "moved")
    hooked.sender._record(row, Outcome(hooked.clock.now, 410, "it answered 410 Gone", 0.1))
    found = hooked.endpoints.get(hooked.webhook)

    assert (found["disabled_because"], found["disabled_why"], found["version"]) == ("owner", "moved", 2)
    assert hooked.states() == ["given up"]


def in_flight(endpoint: Endpoint) -> Callable[[], list[int]]:
    """Count how many requests with the same id are there at the same time; each waits until there are four in all."""
    lock, there, most = threading.Lock(), dict[str, int](), [0]
    meeting = threading.Barrier(4)

    def reply(exchange: Exchange) -> None:
        name = exchange.said.headers["webhook-id"]
        with lock:
            there[name] = there.get(name, 0) + 1
            most.append(there[name])
        with suppress(threading.BrokenBarrierError):
            meeting.wait(0.2)
        with lock:
            there[name] -= 1
        exchange.wfile.write(OK)

    endpoint.will(reply)
    return lambda: most


def test_senders_side_by_side_never_send_one_message_at_the_same_time(hooked: Hooked, endpoint: Endpoint) -> None:
    for _ in range(12):
        hooked.add_batch()
    most = in_flight(endpoint)
    senders = [Sender(hooked.database, Guard(LOOPBACK), hooked.clock) for _ in range(4)]
    done: list[str] = []
    threads = [threading.Thread(target=lambda s=s: done.extend(x.verdict for x in s.run_once())) for s in senders]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()

    assert sorted(done) == 12 * ["delivered"]
    assert max(most()) == 1
    assert len(set(ids(endpoint.seen))) == len(endpoint.seen) == 12
    check_recorded_once(hooked.register)


# --- tidying up ----------------------------------------------------------------------------------------------------------


def test_after_thirty_days_messages_are_dropped_but_not_while_they_are_to_be_sent(
    hooked: Hooked, endpoint: Endpoint, other: Endpoint
) -> None:
    gone = hooked.add_webhook(other)
    hooked.add_batch()
    hooked.run(limit=0)
    endpoint.will(answer(429, Retry_After="100"))
    hooked.run()
    hooked.endpoints.rotate(hooked.webhook)
    hooked.clock.step(days=31)
    hooked.add_batch()
    hooked.run(limit=0)

    assert hooked.states() == ["waiting", "waiting"]
    assert hooked.states(gone) == ["waiting"]
    endpoint.will(OK)
    hooked.run()
    hooked.clock.step(days=29)
    hooked.run()
    assert [row["at"] for row in hooked.deliveries()] == [hooked.clock.now - timedelta(days=29)]
    with hooked.database.read() as connection:
        kept = connection.execute(sa.select(webhooks.c.secrets).where(webhooks.c.id == hooked.webhook)).scalar_one()
        assert len(kept) == 1
    assert status(hooked.database, hooked.webhook)["delivered"] == 2


def test_what_waits_at_a_webhook_that_is_disabled_does_not_wait_for_ever(hooked: Hooked) -> None:
    hooked.endpoints.disable(hooked.webhook)
    hooked.endpoints.test(hooked.webhook)
    assert (hooked.run(), hooked.states()) == ([], ["waiting"])
    hooked.clock.step(days=31)
    hooked.run()

    with hooked.database.read() as connection:
        assert connection.execute(sa.select(deliveries.c.id)).all() == []


def test_the_messages_of_a_demo_are_signed_with_the_machines_own_time(hooked: Hooked, endpoint: Endpoint) -> None:
    """Receivers hold the time against their own clock: the library refuses what is 5 min off."""
    hooked.clock.now = datetime(2001, 1, 1, tzinfo=UTC)
    hooked.add_batch()
    hooked.run()

    assert hooked.verified(endpoint)[0]["type"] == "batch.added"
    assert one(hooked.database, hooked.deliveries()[0]["id"])["delivered_at"] == Clock(hooked.clock.now)()
