"""Signatures of webhooks: as the standard's own example and its published library have them.

The reader is `standardwebhooks`, the Python library of the standard. Its ``sign`` replaces the time zone of what it is
given, so it gets UTC only; its ``verify`` takes the clock of the machine.
"""

from __future__ import annotations

import base64
import itertools
from datetime import UTC, datetime, timedelta, timezone

import pytest
from hypothesis import given
from hypothesis import strategies as st
from standardwebhooks.webhooks import Webhook, WebhookVerificationError

from matewindow.errors import InputError
from matewindow.webhooks.signing import FEWEST_BYTES, MOST_BYTES, PREFIX, Secret, headers, new_secret, signature

ids = st.from_regex(r"[A-Za-z0-9_-]{1,100}", fullmatch=True)
keys = st.binary(min_size=FEWEST_BYTES, max_size=MOST_BYTES).map(Secret)
bodies = st.text(alphabet=st.characters(exclude_categories=["Cs"]), max_size=300).map(str.encode)
EPOCH = datetime(1970, 1, 1, tzinfo=UTC)
moments = st.integers(0, 7 * 10**15).map(lambda us: EPOCH + timedelta(microseconds=us))
"""Until the year 2191."""
BODY = b'{"type":"batch.emerged","timestamp":"2026-06-01T12:00:00.000000Z","data":{"id":"btch_0"}}'


def read(secret: Secret, body: bytes, sent: dict[str, str]) -> bool:
    """Whether the published library takes a message for ours."""
    try:
        Webhook(secret.text).verify(body, sent, json_parse=False)
    except WebhookVerificationError:
        return False
    return True


def test_the_example_of_the_standards_libraries_is_signed_the_same() -> None:
    """Source: the "sign function" test of the libraries of github.com/standard-webhooks/standard-webhooks."""
    secret = Secret.parse("whsec_MfKQ9r8GKYqrTwjUPD8ILPZIo2LaLaSw")
    at = datetime.fromtimestamp(1614265330, tz=UTC)

    sent = headers("msg_p5jXN8AQM9LWM0D4loKWxJek", at, b'{"test": 2432232314}', [secret])

    assert sent == {
        "webhook-id": "msg_p5jXN8AQM9LWM0D4loKWxJek",
        "webhook-timestamp": "1614265330",
        "webhook-signature": "v1,g0hM9SsE+OTPJTGt/tmIKtSyZlE3uFJELVlNIOLJ1OE=",
    }


@given(keys, ids, moments, bodies)
def test_any_message_is_signed_as_the_published_library_signs_it(
    secret: Secret, message_id: str, at: datetime, body: bytes
) -> None:
    sent = headers(message_id, at, body, [secret])

    assert sent["webhook-signature"] == Webhook(secret.text).sign(message_id, at, body.decode())


@given(keys, ids, bodies)
def test_any_message_of_now_is_taken_by_the_published_library(secret: Secret, message_id: str, body: bytes) -> None:
    assert read(secret, body, headers(message_id, datetime.now(UTC), body, [secret]))


@given(st.lists(keys, min_size=1, max_size=4, unique=True), keys)
def test_while_secrets_are_exchanged_each_of_them_will_do_and_no_other(secrets: list[Secret], other: Secret) -> None:
    sent = headers("evnt_1", datetime.now(UTC), BODY, secrets)

    assert all(read(secret, BODY, sent) for secret in secrets)
    assert read(other, BODY, sent) == (other in secrets)
    assert sent["webhook-signature"].split(" ") == [
        signature(secret, "evnt_1", int(sent["webhook-timestamp"]), BODY) for secret in secrets
    ]


@given(keys, st.integers(0, 8 * len(BODY) - 1))
def test_a_message_in_which_one_bit_was_changed_is_not_taken(secret: Secret, bit: int) -> None:
    sent = headers("evnt_1", datetime.now(UTC), BODY, [secret])
    changed = bytearray(BODY)
    changed[bit // 8] ^= 1 << bit % 8

    assert signature(secret, "evnt_1", int(sent["webhook-timestamp"]), bytes(changed)) != sent["webhook-signature"]
    if bit % 8 != 7:  # with the eighth bit it is no UTF-8, which the library does not read at all
        assert not read(secret, bytes(changed), sent)


def test_neither_id_nor_time_can_be_exchanged() -> None:
    secret, now = new_secret(), datetime.now(UTC)
    sent = headers("evnt_1", now, BODY, [secret])

    assert not read(secret, BODY, {**sent, "webhook-id": "evnt_2"})
    assert not read(secret, BODY, {**sent, "webhook-timestamp": str(int(sent["webhook-timestamp"]) + 1)})


def test_an_attempt_has_a_time_of_its_own_and_an_old_one_is_not_taken() -> None:
    secret, now = new_secret(), datetime.now(UTC)
    old = headers("evnt_1", now - timedelta(minutes=6), BODY, [secret])
    new = headers("evnt_1", now, BODY, [secret])

    assert (read(secret, BODY, old), read(secret, BODY, new)) == (False, True)
    assert old["webhook-id"] == new["webhook-id"]


@given(moments, st.integers(-14 * 60, 14 * 60).map(lambda minutes: timezone(timedelta(minutes=minutes))))
def test_the_timestamp_is_whole_seconds_of_utc_from_any_zone(at: datetime, zone: timezone) -> None:
    sent = headers("evnt_1", at.astimezone(zone), b"", [new_secret()])

    assert sent["webhook-timestamp"] == str((at - EPOCH) // timedelta(seconds=1))


def test_a_time_without_zone_and_a_message_without_secret_are_refused() -> None:
    with pytest.raises(ValueError, match="aware"):
        headers("evnt_1", datetime(2026, 6, 1), BODY, [new_secret()])  # noqa: DTZ001 - that is what is tested
    with pytest.raises(ValueError, match="at least one secret"):
        headers("evnt_1", datetime.now(UTC), BODY, [])
    with pytest.raises(ValueError, match="1970"):
        headers("evnt_1", datetime(1969, 12, 31, tzinfo=UTC), BODY, [new_secret()])


@pytest.mark.parametrize("message_id", ["", "a.b", "a b", "ä", "a\n", "a\r\nx: 1", 101 * "a"])
def test_an_id_that_could_pass_for_a_timestamp_or_a_header_is_refused(message_id: str) -> None:
    with pytest.raises(ValueError, match="no message id"):
        headers(message_id, datetime.now(UTC), BODY, [new_secret()])


# --- secrets ------------------------------------------------------------------------------------------------------------


def test_new_secrets_have_32_bytes_that_nobody_can_guess() -> None:
    made = [new_secret() for _ in range(100)]

    assert {len(secret.key) for secret in made} == {32}
    assert len({secret.key for secret in made}) == 100
    counted = itertools.count()
    assert new_secret(lambda n: bytes(next(counted) for _ in range(n))).key == bytes(range(32))


@given(keys)
def test_a_secret_is_read_as_it_is_shown(secret: Secret) -> None:
    assert Secret.parse(secret.text) == secret
    assert secret.text == PREFIX + base64.b64encode(secret.key).decode()


@given(st.binary(max_size=100))
def test_a_secret_of_another_length_is_refused(key: bytes) -> None:
    if FEWEST_BYTES <= len(key) <= MOST_BYTES:
        assert Secret(key).key == key
    else:
        with pytest.raises(InputError, match="24 to 64 are needed"):
            Secret(key)


@pytest.mark.parametrize(
    "text",
    ["", "whsec_", "whsec_***", "MfKQ9r8GKYqrTwjUPD8ILPZIo2LaLaSw", "whsec_MfKQ9r8GKYqrTwjUPD8ILPZIo2LaLaS", "whsec_ü"],
)
def test_what_is_no_secret_is_refused_and_not_shown(text: str) -> None:
    with pytest.raises(InputError) as caught:
        Secret.parse(text)

    assert "MfKQ9" not in str(caught.value)


def test_a_secret_does_not_show_itself() -> None:
    secret = Secret.parse("whsec_MfKQ9r8GKYqrTwjUPD8ILPZIo2LaLaSw")

    assert repr(secret) == str(secret) == "Secret()"
