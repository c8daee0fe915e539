"""Bodies of webhooks: type, time and data as the standard has them, the same bytes every time, never 20,000 of them."""

from __future__ import annotations

import json
from datetime import UTC, datetime, timedelta, timezone
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from standardwebhooks.webhooks import Webhook

from matewindow.errors import InputError
from matewindow.webhooks.events import LEFT_OUT, MAX_BYTES, Event, body, fitting_body
from matewindow.webhooks.signing import headers, new_secret

AT = datetime(2026, 6, 1, 12, 0, 0, 344522, tzinfo=UTC)
texts = st.text(alphabet=st.characters(exclude_categories=["Cs"]), max_size=20)
values = st.recursive(
    st.none()
    | st.booleans()
    | st.integers(-(2**53) + 1, 2**53 - 1)
    | st.floats(allow_nan=False, allow_infinity=False)
    | texts,
    lambda inner: st.lists(inner, max_size=4) | st.dictionaries(texts, inner, max_size=4),
    max_leaves=20,
)
data_of_events = st.dictionaries(texts, values, max_size=5)


def test_a_body_looks_as_in_the_standard() -> None:
    """Source: "Payload structure" of Standard Webhooks 1.0.0: type, timestamp with fractions and Z, data; minified."""
    event = Event("batch.emerged", AT, {"site": "site_1", "id": "btch_1", "queens": None, "hours": 1.5})

    assert body(event) == (
        b'{"type":"batch.emerged","timestamp":"2026-06-01T12:00:00.344522Z",'
        b'"data":{"hours":1.5,"id":"btch_1","queens":null,"site":"site_1"}}'
    )


def test_the_time_is_written_in_utc() -> None:
    local = Event("batch.emerged", AT.astimezone(timezone(timedelta(hours=-4))), {})

    assert body(local) == body(Event("batch.emerged", AT, {}))


@given(data_of_events, st.randoms())
def test_the_same_event_gives_the_same_bytes_in_whatever_order_it_was_put_together(
    data: dict[str, Any], rnd: Any
) -> None:
    keys = list(data)
    rnd.shuffle(keys)

    assert body(Event("a.b", AT, {key: data[key] for key in keys})) == body(Event("a.b", AT, data))


@given(data_of_events)
def test_a_reader_gets_what_was_said(data: dict[str, Any]) -> None:
    sent, secret = body(Event("a.b", AT, data)), new_secret()

    said = Webhook(secret.text).verify(sent, headers("evnt_1", datetime.now(UTC), sent, [secret]))

    assert said == {"type": "a.b", "timestamp": "2026-06-01T12:00:00.344522Z", "data": data}


@pytest.mark.parametrize("name", ["batch", "batch.emerged", "A_1.b2.C"])
def test_a_type_is_identifiers_with_dots_between(name: str) -> None:
    assert json.loads(body(Event(name, AT, {})))["type"] == name


@pytest.mark.parametrize("name", ["", ".", "batch.", ".batch", "a..b", "a b", "a-b", "ä", 'a"', "a\n"])
def test_any_other_type_is_refused(name: str) -> None:
    with pytest.raises(ValueError, match="no event type"):
        Event(name, AT, {})


@pytest.mark.parametrize(
    ("value", "why"),
    [
        (float("nan"), r"data\.x is nan: what is not known is None"),
        ([1.0, float("inf")], r"data\.x\[1\] is inf"),
        ({"y": {1: 2}}, r"a key of data\.x\.y is of type int"),
        (AT, "of type datetime"),
        (b"bytes", "of type bytes"),
        ({1, 2}, "of type set"),
        (2**53, "larger than readers keep exactly"),
        (10**400, "larger than readers keep exactly"),
        ("\ud800", "half a character"),
        ({"\udfff": 1}, "half a character"),
    ],
)
def test_what_json_or_its_readers_do_not_have_is_refused_with_its_place(value: object, why: str) -> None:
    with pytest.raises(ValueError, match=why):
        Event("a.b", AT, {"x": value})


def test_a_time_without_zone_is_refused() -> None:
    with pytest.raises(ValueError, match="aware"):
        Event("a.b", datetime(2026, 6, 1), {})  # noqa: DTZ001 - that is what is tested


# --- size ---------------------------------------------------------------------------------------------------------------


def filled(n_bytes: int) -> Event:
    """An event whose body has so many bytes."""
    rest = len(body(Event("a.b", AT, {"note": ""})))
    return Event("a.b", AT, {"note": (n_bytes - rest) * "a"})


def test_a_body_has_fewer_than_20000_bytes_or_is_refused() -> None:
    """Source: "Payload size" of Standard Webhooks 1.0.0."""
    assert len(body(filled(19_999))) == 19_999
    with pytest.raises(InputError, match=r"a\.b: the event takes 20,000 bytes, and a message has fewer than 20,000"):
        body(filled(20_000))


def test_bytes_are_counted_and_not_characters() -> None:
    event = Event("a.b", AT, {"note": 10_000 * "ü"})

    with pytest.raises(InputError, match="20,0"):
        body(event)


@settings(deadline=None)  # large ones take a while on a busy machine
@given(*(st.tuples(st.integers(0, 3000), st.integers(0, 60)) for _ in range(2)), st.integers(0, 19_800))
def test_a_large_event_loses_as_few_entries_as_possible_and_says_so(
    days: tuple[int, int], nucs: tuple[int, int], n_other: int
) -> None:
    data: dict[str, Any] = {"days": days[0] * [days[1] * "d"], "nucs": nucs[0] * [nucs[1] * "n"]}
    data["note"] = n_other * "a"
    sent = body(Event("a.b", AT, data), shorten=("days", "nucs"))
    said = json.loads(sent)["data"]
    left_out = said.pop(LEFT_OUT, {})

    assert len(sent) < MAX_BYTES
    assert list(left_out) in ([], ["days"], ["nucs"], ["days", "nucs"])
    assert said["note"] == data["note"]
    for key in ("days", "nucs"):
        assert said[key] == data[key][: len(data[key]) - left_out.get(key, 0)]
    if left_out:
        last = list(left_out)[-1]
        assert last == "days" or said["days"] == []
        n = len(said[last]) + 1
        more = {**said, last: data[last][:n], LEFT_OUT: {**left_out, last: len(data[last]) - n}}
        assert len(unlimited(more)) >= MAX_BYTES or n == len(data[last])


def unlimited(data: dict[str, Any]) -> bytes:
    """What a body would be if there were no limit."""
    said = {"type": "a.b", "timestamp": "2026-06-01T12:00:00.344522Z", "data": data}
    return json.dumps(said, ensure_ascii=False, separators=(",", ":")).encode()


def test_an_event_that_fits_is_not_shortened() -> None:
    event = Event("a.b", AT, {"days": [1, 2, 3]})

    assert body(event, shorten=["days"]) == body(event)


def test_an_event_that_is_too_large_without_its_lists_is_refused() -> None:
    event = Event("a.b", AT, {"days": [1, 2, 3], "none": [], "note": 20_000 * "a"})

    with pytest.raises(InputError, match="shorten notes"):
        body(event, shorten=["days", "none"])


def test_a_list_that_is_not_there_and_a_count_that_is_taken_are_faults() -> None:
    with pytest.raises(ValueError, match="no list or text 'day'"):
        body(filled(30_000), shorten=["day"])
    with pytest.raises(ValueError, match="no list or text 'count'"):
        body(Event("a.b", AT, {"count": 3, "note": 20_000 * "a"}), shorten=["count"])
    with pytest.raises(ValueError, match="left_out"):
        body(Event("a.b", AT, {LEFT_OUT: 3, "days": []}), shorten=["days"])


# --- whatever it holds ---------------------------------------------------------------------------------------------------


@settings(deadline=None)
@given(st.integers(0, 9_000), st.sampled_from(["a", "ü", "🐝", '"', "\n"]))
def test_a_text_that_is_too_long_loses_its_end_and_the_message_says_how_much(n: int, character: str) -> None:
    sent = fitting_body(Event("a.b", AT, {"id": "btch_1", "notes": n * character}))
    said = json.loads(sent)["data"]
    missing = said.get(LEFT_OUT, {}).get("notes", 0)

    assert len(sent) < MAX_BYTES
    assert said["id"] == "btch_1"
    assert said["notes"] == (n - missing) * character
    if missing:  # not one more would have fitted
        more = {**said, "notes": said["notes"] + character, LEFT_OUT: {"notes": missing - 1}}
        assert len(unlimited(more)) >= MAX_BYTES - 1


def test_lists_are_shortened_before_texts_and_ids_never() -> None:
    data = {"batch_id": "btch_1", "message": 15_000 * "m", "days": [10 * "d"] * 1000, "version": 3}
    said = json.loads(fitting_body(Event("a.b", AT, data)))["data"]

    assert said["message"] == data["message"]
    assert 0 < len(said["days"]) < 1000
    assert said[LEFT_OUT] == {"days": 1000 - len(said["days"])}
    assert (said["batch_id"], said["version"]) == ("btch_1", 3)


def test_an_event_that_fits_is_told_whole() -> None:
    assert fitting_body(filled(19_999)) == body(filled(19_999))


@pytest.mark.parametrize("more", [{}, {LEFT_OUT: "of its own"}])
def test_what_cannot_be_shortened_is_told_by_its_ids_alone(more: dict[str, Any]) -> None:
    data = {
        "id": "site_1",
        "version": 2,
        "odd_id": 100 * "x",
        "thresholds": {f"{i:05}": 1.0 for i in range(3000)},
        **more,
    }
    said = json.loads(fitting_body(Event("a.b", AT, data)))["data"]

    assert said == {"id": "site_1", "version": 2, LEFT_OUT: {"fields": len(data) - 2}}


@settings(deadline=None, max_examples=30)
@given(data_of_events, st.integers(0, 800))
def test_there_is_a_body_for_every_event(data: dict[str, Any], n: int) -> None:
    assert len(fitting_body(Event("a.b", AT, {key: n * [value] for key, value in data.items()}))) < MAX_BYTES
