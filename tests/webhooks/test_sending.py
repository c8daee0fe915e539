"""One attempt to deliver: what goes over the wire, and what is said of what comes back."""

from __future__ import annotations

import re
import socket
from datetime import UTC, datetime, timedelta
from typing import TYPE_CHECKING, Any

import pytest
from standardwebhooks.webhooks import Webhook

from matewindow.outbound import CallLimits, Guard
from matewindow.outbound_networks import allowed_networks
from matewindow.webhooks import sending
from matewindow.webhooks.events import Event, body
from matewindow.webhooks.sending import ANSWER_CHARACTERS, LIMITS, Message, Outcome, attempt
from matewindow.webhooks.signing import new_secret
from tests.webhooks.endpoint import Endpoint, answer, dripping, hang_up, silent

if TYPE_CHECKING:
    from collections.abc import Iterator

pytestmark = pytest.mark.allow_hosts(["127.0.0.1"])

OLD, NEW = new_secret(), new_secret()
BODY = body(Event("batch.emerged", datetime(2026, 6, 1, 12, tzinfo=UTC), {"id": "btch_1", "yard": "Bärenwald"}))


def now() -> datetime:
    """The published library compares with the clock of the machine."""
    return datetime.now(UTC)


@pytest.fixture
def endpoint() -> Iterator[Endpoint]:
    with Endpoint() as running:
        yield running


@pytest.fixture
def hurried(monkeypatch: pytest.MonkeyPatch) -> None:
    """0.3 s for everything, so that nobody waits for a test."""
    monkeypatch.setattr(sending, "LIMITS", CallLimits(0.3, 0.3, 0.3, LIMITS.max_bytes, only_beginning=True))


def message(endpoint: Endpoint) -> Message:
    return Message(f"http://127.0.0.1:{endpoint.port}/hook/s3cret?bees=1", "evnt_1", BODY, (NEW, OLD))


def tried(endpoint: Endpoint, reply: Any) -> Outcome:
    endpoint.will(reply)
    return attempt(message(endpoint), guard=Guard(allowed_networks("127.0.0.1")), now=now)


@pytest.mark.parametrize("secret", [OLD, NEW])
def test_the_published_library_takes_what_came_over_the_wire(endpoint: Endpoint, secret: Any) -> None:
    outcome = tried(endpoint, answer(202, b"thanks"))
    seen = endpoint.seen[0]

    said = Webhook(secret.text).verify(seen.body, seen.headers)
    assert said["data"] == {"id": "btch_1", "yard": "Bärenwald"}
    assert seen.body == BODY
    assert (seen.method, seen.path) == ("POST", "/hook/s3cret?bees=1")
    assert seen.headers["content-type"] == "application/json"
    assert seen.headers["user-agent"].startswith("matewindow/")
    assert (outcome.delivered, outcome.status, outcome.answer) == (True, 202, "thanks")
    assert outcome.reason == "delivered (202 Accepted)"


def test_a_second_attempt_has_the_same_id_and_body_and_a_time_of_its_own(endpoint: Endpoint) -> None:
    guard = Guard(allowed_networks("127.0.0.1"))
    times = [datetime(2026, 6, 1, 12, 0, 0, 900_000, tzinfo=UTC), datetime(2026, 6, 1, 12, 0, 6, tzinfo=UTC)]
    outcomes = [attempt(message(endpoint), guard=guard, now=lambda at=at: at) for at in times]  # type: ignore[misc]
    first, second = (seen.headers for seen in endpoint.seen)

    assert [outcome.at for outcome in outcomes] == times
    assert first["webhook-id"] == second["webhook-id"] == "evnt_1"
    assert int(second["webhook-timestamp"]) - int(first["webhook-timestamp"]) == 6
    assert first["webhook-signature"] != second["webhook-signature"]
    assert endpoint.seen[0].body == endpoint.seen[1].body


@pytest.mark.parametrize(
    ("status", "reason"),
    [
        (500, "it answered 500 Internal Server Error"),
        (404, "it answered 404 Not Found"),
        (410, "it answered 410 Gone: it wants no more messages"),
        (429, "it answered 429 Too Many Requests: it is asked less often for now"),
        (504, "it answered 504 Gateway Timeout: it is asked less often for now"),
        (599, "it answered 599"),
    ],
)
def test_a_status_that_is_no_success_is_told_in_words(endpoint: Endpoint, status: int, reason: str) -> None:
    outcome = tried(endpoint, answer(status))

    assert (outcome.delivered, outcome.status, outcome.reason) == (False, status, reason)


def test_a_redirect_is_a_failure_and_not_followed(endpoint: Endpoint) -> None:
    with Endpoint() as other:
        outcome = tried(endpoint, answer(307, Location=f"http://127.0.0.1:{other.port}/"))

        assert (outcome.delivered, outcome.status, other.connections) == (False, 307, 0)
        assert "redirects are not followed" in outcome.reason


def test_retry_after_is_read_in_seconds_and_as_a_date(endpoint: Endpoint) -> None:
    """Source: RFC 9110, section 10.2.3."""
    noon, later = "Mon, 01 Jun 2026 12:00:00 GMT", "Mon, 01 Jun 2026 12:02:00 GMT"

    assert tried(endpoint, answer(503, Retry_After="120")).retry_after_s == 120.0
    assert tried(endpoint, answer(503, Date=noon, Retry_After=later)).retry_after_s == 120.0
    assert tried(endpoint, answer(503, Retry_After="soon")).retry_after_s is None
    assert tried(endpoint, answer(503)).retry_after_s is None


def test_of_the_answer_the_first_500_characters_are_kept_without_control_characters(endpoint: Endpoint) -> None:
    sent = "no\r\nhives\x00\x1b[31m \u202ehere\t" + 2000 * "🐝"
    outcome = tried(endpoint, answer(500, sent.encode()))

    assert outcome.answer.startswith("no  hives  [31m  here 🐝")
    assert len(outcome.answer) == ANSWER_CHARACTERS
    assert outcome.answer.isprintable()


def test_an_answer_that_is_no_text_is_kept_as_far_as_it_can_be_read(endpoint: Endpoint) -> None:
    assert tried(endpoint, answer(500, b"\xff\xfehum")).answer == "\ufffd\ufffdhum"


@pytest.mark.usefixtures("hurried")
@pytest.mark.parametrize(
    "reply",
    [dripping(b"HTTP/1.1 200 OK\r\n\r\n"), answer(200, b"short", Content_Length="50"), answer(200, 50_000 * b"a")],
)
def test_an_endpoint_that_has_said_yes_has_taken_the_message_however_it_goes_on(endpoint: Endpoint, reply: Any) -> None:
    assert tried(endpoint, reply).delivered


@pytest.mark.usefixtures("hurried")
@pytest.mark.parametrize(
    ("reply", "reason"),
    [
        (silent, r"it did not answer in time|it took more than 0\.3 s in all"),
        (dripping(b"HTTP/1.1 200"), r"it took more than 0\.3 s in all"),
        (hang_up, "it broke off the connection"),
        (b"hum\r\n", "it did not answer in HTTP"),
    ],
)
def test_no_answer_is_an_outcome_with_a_reason(endpoint: Endpoint, reply: Any, reason: str) -> None:
    outcome = tried(endpoint, reply)

    assert (outcome.delivered, outcome.status, outcome.answer) == (False, None, "")
    assert pytest.approx(0.3, abs=1.0) == outcome.duration_s
    assert re.fullmatch(reason, outcome.reason)


def test_an_endpoint_inside_is_not_called_and_the_reason_says_what_to_do(endpoint: Endpoint) -> None:
    outcome = attempt(message(endpoint), guard=Guard(), now=now)

    assert (outcome.delivered, outcome.status, endpoint.connections) == (False, None, 0)
    assert outcome.reason.startswith("not sent: 127.0.0.1: it does not lead to a public address.")
    assert "s3cret" not in outcome.reason


def test_a_name_that_is_unknown_is_an_outcome(endpoint: Endpoint) -> None:
    def unknown(host: str, port: int, *, type: int) -> list[tuple[Any, ...]]:  # noqa: A002 - as getaddrinfo has it
        raise socket.gaierror(-2, "Name or service not known")

    outcome = attempt(message(endpoint), guard=Guard(resolve=unknown), now=now)

    assert outcome.reason == "there is no host of this name"


def test_the_duration_is_measured_with_the_clock_that_is_given(endpoint: Endpoint) -> None:
    ticks = iter([10.0, 12.5])
    outcome = attempt(
        message(endpoint), guard=Guard(allowed_networks("127.0.0.1")), now=now, monotonic=lambda: next(ticks)
    )

    assert outcome.duration_s == 2.5


def test_the_time_limit_is_that_of_the_standard_and_a_message_shows_no_address() -> None:
    """Source: "Request timeouts" of Standard Webhooks 1.0.0: 15 to 30 s."""
    assert timedelta(seconds=15) <= timedelta(seconds=LIMITS.total_s) <= timedelta(seconds=30)
    shown = repr(Message("https://hooks.example/s3cret", "evnt_1", BODY, (NEW,)))
    assert shown == "Message(id='evnt_1', secrets=(Secret(),))"
