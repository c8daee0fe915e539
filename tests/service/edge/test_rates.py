"""Whoever asks too often waits; whoever guesses waits sooner; and memory stays bounded."""

from __future__ import annotations

import threading
from typing import TYPE_CHECKING

import pytest
from hypothesis import given
from hypothesis import strategies as st

from api.edge.problems import Problem
from api.edge.rates import Buckets, RateLimit, address_key, caller_key, spend
from tests.service.edge.asgi import Answer, Echo, call

if TYPE_CHECKING:
    from starlette.types import Receive, Scope, Send


class Clock:
    """Stands still until it is turned."""

    def __init__(self) -> None:
        self.seconds = 1000.0

    def __call__(self) -> float:
        return self.seconds


# --- buckets -------------------------------------------------------------------------------------------------


def test_a_bucket_gives_its_burst_and_then_one_permit_at_a_time() -> None:
    clock = Clock()
    buckets = Buckets(per_minute=6, burst=3, clock=clock)

    assert [buckets.take("a") for _ in range(3)] == [0.0, 0.0, 0.0]
    assert buckets.take("a") == pytest.approx(10.0)
    clock.seconds += 9.0
    assert buckets.take("a") == pytest.approx(1.0)
    clock.seconds += 1.0
    assert buckets.take("a") == 0.0
    assert buckets.take("b") == 0.0


def test_a_bucket_does_not_fill_beyond_its_burst() -> None:
    clock = Clock()
    buckets = Buckets(per_minute=60, burst=2, clock=clock)
    buckets.take("a")
    clock.seconds += 3600.0

    assert [buckets.take("a") for _ in range(3)] == [0.0, 0.0, pytest.approx(1.0)]


def test_asking_for_the_wait_takes_nothing() -> None:
    buckets = Buckets(per_minute=60, burst=1, clock=Clock())

    assert [buckets.wait_s("a") for _ in range(5)] == [0.0] * 5
    assert len(buckets) == 0
    buckets.take("a")
    assert buckets.wait_s("a") == pytest.approx(1.0)


@given(st.lists(st.floats(0.0, 30.0), max_size=200), st.integers(1, 5), st.sampled_from([6.0, 60.0, 90.0]))
def test_in_no_stretch_of_time_are_there_more_permits_than_burst_and_rate_allow(
    pauses: list[float], burst: int, per_minute: float
) -> None:
    clock = Clock()
    buckets = Buckets(per_minute=per_minute, burst=burst, clock=clock)
    given_at = []
    for pause in pauses:
        clock.seconds += pause
        if buckets.take("a") == 0.0:
            given_at.append(clock.seconds)

    for first in range(len(given_at)):
        for last in range(first, len(given_at)):
            allowed = burst + (given_at[last] - given_at[first]) * per_minute / 60.0
            assert last - first + 1 <= allowed + 1e-6


def test_the_number_of_buckets_is_bounded_and_the_one_used_longest_ago_goes_first() -> None:
    buckets = Buckets(per_minute=1, burst=1, keys_max=3, clock=Clock())
    for key in "abc":
        buckets.take(key)
    buckets.take("d")

    assert len(buckets) == 3
    assert buckets.wait_s("a") == 0.0
    assert buckets.wait_s("b") > 0.0
    for n in range(10_000):
        buckets.take(str(n))
    assert len(buckets) == 3


@pytest.mark.parametrize("wrong", [{"per_minute": 0}, {"burst": 0}, {"keys_max": 0}, {"per_minute": float("nan")}])
def test_a_limit_that_lets_nobody_through_is_told_at_the_start(wrong: dict[str, float]) -> None:
    with pytest.raises(ValueError, match="above zero"):
        Buckets(**{"per_minute": 1.0, "burst": 1, **wrong})  # type: ignore[arg-type]


def test_threads_together_get_no_more_permits_than_there_are() -> None:
    buckets = Buckets(per_minute=1, burst=500, clock=Clock())
    got: list[float] = []

    def take() -> None:
        got.extend(buckets.take("a") for _ in range(200))

    threads = [threading.Thread(target=take) for _ in range(5)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()

    assert got.count(0.0) == 500


# --- whose bucket --------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("address", "key"),
    [
        ("192.0.2.7", "192.0.2.7"),
        ("2001:db8:1:2:3:4:5:6", "2001:db8:1:2::/64"),
        ("2001:db8:1:2:ffff::1", "2001:db8:1:2::/64"),
        ("::ffff:192.0.2.7", "192.0.2.7"),
        ("testclient", "unknown"),
    ],
)
def test_a_caller_is_an_address_or_the_network_of_one_customer(address: str, key: str) -> None:
    """RFC 6177: end sites get networks of /64 or larger, so single addresses of version 6 are free to whoever asks."""
    assert address_key(address) == key


def test_a_verified_token_has_a_bucket_of_its_own() -> None:
    scope = {"client": ("192.0.2.7", 1), "headers": [], "state": {"token_id": "tokn_1"}}

    assert caller_key(scope) == "token tokn_1"
    assert caller_key({**scope, "state": {}}) == "192.0.2.7"
    assert caller_key({**scope, "state": {}, "client": None}) == "unknown"


def test_an_invented_token_does_not_get_a_new_bucket() -> None:
    app = limited(Echo(), burst=2)
    answers = [call(app, headers={"Authorization": f"Bearer invented-{n}"}).status for n in range(4)]

    assert answers == [200, 200, 429, 429]


# --- requests ------------------------------------------------------------------------------------------------


def limited(app: object, burst: int = 1000, failures: int = 3, clock: Clock | None = None) -> RateLimit:
    """An application behind limits of one permit a minute after the burst."""
    clock = clock or Clock()
    return RateLimit(
        app,  # type: ignore[arg-type]
        Buckets(per_minute=1, burst=burst, clock=clock),
        Buckets(per_minute=1, burst=failures, clock=clock),
    )


def test_too_many_requests_are_told_when_to_come_back_and_are_let_in_then() -> None:
    clock = Clock()
    app = limited(Echo(), burst=1, clock=clock)
    assert call(app).status == 200
    clock.seconds += 0.5
    answer = call(app)

    assert (answer.status, answer.slug, answer["retry-after"]) == (429, "too-many-requests", "60")
    clock.seconds += int(answer["retry-after"])
    assert call(app).status == 200


def test_others_are_not_affected() -> None:
    app = limited(Echo(), burst=1)
    call(app)

    assert call(app).status == 429
    assert call(app, client=("192.0.2.99", 1)).status == 200


class Door:
    """Knows one token; others are a 401, or a 404 that is marked, if they stand in the path."""

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        told = dict(scope["headers"]).get(b"authorization")
        if scope["path"].startswith("/feeds/"):
            scope["state"]["auth_failed"] = True
            await Echo(404)(scope, receive, send)
        else:
            await Echo(200 if told == b"Bearer good" else 401)(scope, receive, send)


def guess(app: RateLimit, token: str | None, **more: object) -> Answer:
    """Try a token."""
    return call(app, headers={"Authorization": f"Bearer {token}"} if token else {}, **more)  # type: ignore[arg-type]


def test_guessing_is_stopped_long_before_the_limit_of_requests() -> None:
    app = limited(Door(), failures=3)

    assert [guess(app, f"guess-{n}").status for n in range(5)] == [401, 401, 401, 429, 429]


def test_a_right_guess_after_too_many_wrong_ones_is_not_even_looked_at() -> None:
    clock = Clock()
    app = limited(Door(), failures=3, clock=clock)
    for n in range(3):
        guess(app, f"guess-{n}")

    assert guess(app, "good").status == 429
    assert guess(app, "good", client=("192.0.2.99", 1)).status == 200
    clock.seconds += 60.0
    assert guess(app, "good").status == 200


def test_requests_that_succeed_or_bring_no_token_are_no_failures() -> None:
    app = limited(Door(), failures=3)

    assert {guess(app, "good").status for _ in range(20)} == {200}
    assert {guess(app, None).status for _ in range(20)} == {401}
    assert guess(app, "good").status == 200


def test_a_wrong_token_in_a_path_counts_when_the_application_marks_it() -> None:
    clock = Clock()
    app = RateLimit(
        Door(),
        Buckets(per_minute=1, burst=1000, clock=clock),
        Buckets(per_minute=1, burst=2, clock=clock),
        has_credentials=lambda scope: scope["path"].startswith("/feeds/"),
    )

    assert [call(app, f"/feeds/{n}").status for n in range(4)] == [404, 404, 429, 429]


def test_a_refused_guess_takes_nothing_from_the_bucket_of_requests() -> None:
    app = limited(Door(), burst=10, failures=1)
    for n in range(50):
        guess(app, f"guess-{n}")

    assert call(app).status == 401


def test_inside_the_application_a_permit_is_taken_or_a_problem_raised() -> None:
    buckets = Buckets(per_minute=30, burst=1, clock=Clock())
    spend(buckets, "token 1")
    with pytest.raises(Problem) as caught:
        spend(buckets, "token 1")

    assert (caught.value.status, caught.value.headers["Retry-After"]) == (429, "2")
