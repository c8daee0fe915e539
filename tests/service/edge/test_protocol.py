"""What holds on the wire before an application is called: deadlines, sizes, connections. By raw sockets."""

from __future__ import annotations

import asyncio
import json
import threading
import time
from contextlib import ExitStack
from typing import TYPE_CHECKING

import pytest
from uvicorn.server import ServerState

from api.edge.body import BodyGuard
from api.edge.protocol import Limits, protocol_class, uvicorn_config
from tests.service.edge.asgi import Echo
from tests.service.edge.running import PATIENCE_S, Wire, running

if TYPE_CHECKING:
    from starlette.types import Receive, Scope, Send

pytestmark = pytest.mark.allow_hosts(["127.0.0.1"])

QUICK = Limits(head_s=0.4, body_s=0.4, stalled_s=0.4, keep_alive_s=5)
GET = b"GET / HTTP/1.1\r\nHost: localhost\r\n\r\n"


def slug(body: bytes) -> str:
    """Kind of a problem that came over the wire."""
    return str(json.loads(body)["type"]).rpartition("/problems/")[2]


# --- deadlines -----------------------------------------------------------------------------------------------


@pytest.mark.parametrize("loop", ["uvloop", "asyncio"])
def test_a_head_that_trickles_in_is_cut_at_the_deadline_however_steadily_it_comes(loop: str) -> None:
    with running(Echo(), QUICK, loop=loop) as port, Wire(port) as wire:
        wire.write(b"GET / HTTP/1.1\r\nHost: localhost\r\n")
        wire.socket.settimeout(0.02)
        answered = b""
        while not answered and wire.age_s < 5:
            wire.write(b"X-Slow: 1\r\n")
            try:
                answered = wire.socket.recv(65536)
            except TimeoutError:
                continue
        took = wire.age_s
        wire.left = answered
        wire.socket.settimeout(5)
        status, fields, body = wire.answer()

        assert 0.3 < took < 10.0
        assert (status, slug(body)) == (408, "request-timeout")
        assert fields["connection"] == "close"
        assert fields["content-type"] == "application/problem+json"
        assert wire.closed() == b""


def test_a_connection_that_says_nothing_is_closed_without_a_word() -> None:
    with running(Echo(), QUICK) as port, Wire(port) as wire:
        assert wire.closed() == b""
        assert 0.3 < wire.age_s < 10.0


def test_empty_lines_do_not_keep_a_connection_open() -> None:
    with running(Echo(), QUICK) as port, Wire(port) as wire:
        wire.write(GET)
        assert wire.answer()[0] == 200
        wire.write(b"\r\n")
        began = wire.age_s

        assert wire.closed() == b""
        assert 0.3 < wire.age_s - began < 10.0


def test_a_body_that_stops_coming_is_cut_and_the_application_sees_the_caller_gone() -> None:
    seen: list[str] = []

    async def waits(scope: Scope, receive: Receive, send: Send) -> None:
        while True:
            message = await receive()
            seen.append(message["type"])
            if message["type"] == "http.disconnect":
                return

    with running(waits, QUICK) as port, Wire(port) as wire:
        wire.write(b"POST / HTTP/1.1\r\nHost: localhost\r\nContent-Length: 100\r\n\r\n{")
        status, _, body = wire.answer()

        assert (status, slug(body)) == (408, "request-timeout")
        assert 0.3 < wire.age_s < 10.0
        assert wire.closed() == b""
    assert seen[-1] == "http.disconnect"


def test_an_application_that_takes_its_time_is_not_cut() -> None:
    async def slow(scope: Scope, receive: Receive, send: Send) -> None:
        await asyncio.sleep(0.9)
        await Echo()(scope, receive, send)

    with running(slow, QUICK) as port, Wire(port) as wire:
        wire.write(GET)

        assert wire.answer()[0] == 200
        assert wire.age_s > 0.9


def test_a_large_body_that_the_application_is_slow_to_read_is_not_the_callers_fault() -> None:
    async def slow(scope: Scope, receive: Receive, send: Send) -> None:
        await asyncio.sleep(1.0)
        await Echo(body=b"read")(scope, receive, send)

    with running(slow, QUICK) as port, Wire(port) as wire:
        wire.write(b"POST / HTTP/1.1\r\nHost: localhost\r\nContent-Length: 4000000\r\n\r\n" + bytes(4_000_000))

        assert wire.answer()[2] == b"read"


@pytest.mark.parametrize("loop", ["uvloop", "asyncio"])
def test_a_caller_who_takes_nothing_of_its_answer_is_cut(loop: str) -> None:
    with running(Echo(body=bytes(20_000_000)), QUICK, loop=loop) as port, Wire(port, receive_buffer=4096) as wire:
        wire.write(GET)
        with running(Echo()) as other:  # another connection lives on meanwhile
            with Wire(other) as healthy:
                healthy.write(GET)
                assert healthy.answer()[0] == 200
            time.sleep(1.5)  # the deadline is in real time; nothing is read while it passes
        assert len(wire.closed()) < 20_000_000


def test_a_slow_reader_gets_its_whole_answer() -> None:
    size = 8_000_000
    limits = Limits(stalled_s=1.0)
    with running(Echo(body=bytes(size)), limits) as port, Wire(port, receive_buffer=65536) as wire:
        wire.write(GET.replace(b"\r\n\r\n", b"\r\nConnection: close\r\n\r\n"))
        got = 0
        while part := wire.socket.recv(400_000):
            got += len(part)
            if wire.age_s < 2.5:
                time.sleep(0.05)  # longer in all than the time that nothing may be taken

        assert got > size


# --- sizes ---------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    "head",
    [
        b"".join(b"X-%d: %b\r\n" % (n, b"a" * 20_000) for n in range(50)),
        b"X-One: " + b"a" * 1_000_000 + b"\r\n",
        b"X" * 1_000_000,
        b"a: b\r\n" * 200,
    ],
    ids=["many long fields", "one field that goes on", "a name that goes on", "too many fields"],
)
@pytest.mark.parametrize("loop", ["uvloop", "asyncio"])
def test_a_head_that_is_too_large_is_refused(head: bytes, loop: str) -> None:
    app = Echo()
    with running(app, loop=loop) as port, Wire(port) as wire:
        wire.write_until_cut(b"GET / HTTP/1.1\r\nHost: localhost\r\n" + head + b"\r\n")
        status, _, body = wire.answer()

        assert (status, slug(body)) == (431, "header-too-large")
        assert wire.closed() == b""
    assert app.calls == 0


def test_sixty_kilobytes_of_headers_are_read() -> None:
    with running(Echo()) as port, Wire(port) as wire:
        wire.write(b"GET / HTTP/1.1\r\nHost: localhost\r\nX-Long: " + b"a" * 60_000 + b"\r\n\r\n")

        assert wire.answer()[0] == 200


@pytest.mark.parametrize("size", [9_000, 1_000_000])
def test_an_address_that_is_too_long_is_refused(size: int) -> None:
    app = Echo()
    with running(app) as port, Wire(port) as wire:
        wire.write_until_cut(b"GET /?" + b"a" * size + b" HTTP/1.1\r\nHost: localhost\r\n\r\n")
        status, _, body = wire.answer()

        assert (status, slug(body)) == (414, "uri-too-long")
    assert app.calls == 0


def test_an_address_of_eight_thousand_octets_is_read() -> None:
    """RFC 9110, section 4.1, recommends at least so many."""
    with running(Echo()) as port, Wire(port) as wire:
        wire.write(b"GET /?" + b"a" * 8_000 + b" HTTP/1.1\r\nHost: localhost\r\n\r\n")

        assert wire.answer()[0] == 200


def test_a_refused_body_is_taken_a_while_so_that_the_refusal_arrives_and_then_cut() -> None:
    with running(BodyGuard(Echo())) as port, Wire(port) as wire:
        head = (
            b"POST / HTTP/1.1\r\nHost: localhost\r\nContent-Type: application/json\r\nContent-Length: 100000000\r\n\r\n"
        )
        wire.write_until_cut(head + bytes(100_000_000))
        status, _, body = wire.answer()

        assert (status, slug(body)) == (413, "content-too-large")
        assert wire.closed() == b""


def test_a_connection_survives_a_refused_body_that_ends() -> None:
    with running(BodyGuard(Echo())) as port, Wire(port) as wire:
        head = (
            b"POST / HTTP/1.1\r\nHost: localhost\r\nContent-Type: application/json\r\nContent-Length: 2000000\r\n\r\n"
        )
        wire.write(head + bytes(2_000_000))
        assert wire.answer()[0] == 413
        wire.write(GET)

        assert wire.answer()[0] == 200


def test_chunks_without_end_that_carry_nothing_are_cut() -> None:
    """Extensions of chunks are bytes on the wire that no application ever counts (RFC 9112, section 7.1.1)."""

    async def reads_all(scope: Scope, receive: Receive, send: Send) -> None:
        while (await receive()).get("more_body", False):
            pass

    with running(reads_all, Limits(message_bytes=500_000)) as port, Wire(port) as wire:
        wire.write(b"POST / HTTP/1.1\r\nHost: localhost\r\nTransfer-Encoding: chunked\r\n\r\n")
        wire.write_until_cut((b"1;" + b"x" * 5_000 + b"\r\na\r\n") * 1_000)
        status, _, body = wire.answer()

        assert (status, slug(body)) == (413, "content-too-large")


def test_trailer_fields_are_not_taken_for_header_fields() -> None:
    app = Echo()
    with running(app) as port, Wire(port) as wire:
        wire.write(
            b"POST / HTTP/1.1\r\nHost: localhost\r\nTransfer-Encoding: chunked\r\n\r\n"
            b"2\r\n{}\r\n0\r\nAuthorization: Bearer late\r\n\r\n"
        )
        assert wire.answer()[2] == b"{}"

    assert [name for name, _ in app.scopes[0]["headers"]] == [b"host", b"transfer-encoding"]


# --- connections ---------------------------------------------------------------------------------------------


def test_more_connections_than_allowed_are_turned_away_and_the_others_go_on() -> None:
    with running(Echo(), Limits(connections=3)) as port, ExitStack() as stack:
        kept = [stack.enter_context(Wire(port)) for _ in range(3)]
        for wire in kept:
            wire.write(GET)
            assert wire.answer()[0] == 200
        extra = stack.enter_context(Wire(port))
        status, fields, body = extra.answer()

        assert (status, slug(body), fields["retry-after"]) == (503, "busy", "2")
        kept[0].write(GET)
        assert kept[0].answer()[0] == 200


def test_a_connection_that_has_closed_makes_room() -> None:
    with running(Echo(), Limits(connections=1)) as port:
        for _ in range(5):
            with Wire(port) as wire:
                wire.write(GET.replace(b"\r\n\r\n", b"\r\nConnection: close\r\n\r\n"))
                assert wire.answer()[0] == 200
                assert wire.closed() == b""


def test_keep_alive_serves_many_requests_on_one_connection() -> None:
    with running(Echo(), QUICK) as port, Wire(port) as wire:
        for _ in range(200):
            wire.write(GET)
            assert wire.answer()[0] == 200


def test_a_connection_without_a_request_is_closed_after_the_keep_alive_time() -> None:
    with running(Echo(), Limits(keep_alive_s=1)) as port, Wire(port) as wire:
        wire.write(GET)
        wire.answer()
        began = wire.age_s

        assert wire.closed() == b""
        assert 0.8 < wire.age_s - began < 10.0


def test_a_kept_connection_may_rest_longer_than_the_deadline_of_a_head() -> None:
    with running(Echo(), Limits(head_s=0.2, keep_alive_s=5)) as port, Wire(port) as wire:
        wire.write(GET)
        wire.answer()
        time.sleep(0.6)  # real time passes; uvicorn's own keep-alive of five seconds holds
        wire.write(GET)

        assert wire.answer()[0] == 200


def test_the_deadline_starts_anew_with_each_request() -> None:
    with running(Echo(), Limits(head_s=1.0)) as port, Wire(port) as wire:
        for _ in range(3):
            wire.write(GET[:20])
            time.sleep(0.4)  # well within the deadline; three of them are more than one deadline
            wire.write(GET[20:])
            assert wire.answer()[0] == 200


# --- pipelining ----------------------------------------------------------------------------------------------


def test_pipelined_requests_are_answered_in_order() -> None:
    async def names(scope: Scope, receive: Receive, send: Send) -> None:
        await asyncio.sleep(0.01 if scope["path"] == "/0" else 0)
        await Echo(body=scope["path"].encode())(scope, receive, send)

    with running(names, QUICK) as port, Wire(port) as wire:
        wire.write(b"".join(GET.replace(b"GET /", b"GET /%d" % n) for n in range(20)))

        assert [wire.answer()[2] for _ in range(20)] == [b"/%d" % n for n in range(20)]


def test_a_pipeline_that_is_too_deep_ends_after_the_answer_that_is_being_made() -> None:
    with running(Echo(), Limits(pipelined=8)) as port, Wire(port) as wire:
        wire.write(GET * 100)
        assert wire.answer()[0] == 200

        assert wire.closed() == b""


def test_nonsense_after_a_request_does_not_mix_into_its_answer() -> None:
    async def slow(scope: Scope, receive: Receive, send: Send) -> None:
        await asyncio.sleep(0.2)
        await Echo(body=b"whole")(scope, receive, send)

    with running(slow) as port, Wire(port) as wire:
        wire.write(GET + b"\x00nonsense\r\n\r\n")
        status, fields, body = wire.answer()

        assert (status, body) == (200, b"whole")
        assert fields["connection"] == "close"
        assert wire.closed() == b""


def test_an_application_at_work_hears_that_the_caller_is_gone_even_when_more_requests_were_waiting() -> None:
    heard = threading.Event()

    async def waits(scope: Scope, receive: Receive, send: Send) -> None:
        while (await receive())["type"] != "http.disconnect":
            pass
        heard.set()

    with running(waits) as port:
        with Wire(port) as wire:
            wire.write(GET * 3)
        assert heard.wait(PATIENCE_S)


def test_a_refusal_over_a_transport_that_cannot_be_half_closed_closes_it() -> None:
    """TLS has no half-closed connections in asyncio."""
    written: list[bytes] = []

    class Tls(asyncio.Transport):
        closing = False

        def can_write_eof(self) -> bool:
            return False

        def write(self, data: bytes | bytearray | memoryview) -> None:
            written.append(bytes(data))

        def get_write_buffer_size(self) -> int:
            return 0

        def is_closing(self) -> bool:
            return self.closing

        def close(self) -> None:
            self.closing = True

    async def talk() -> bool:
        config = uvicorn_config(Echo())
        protocol = protocol_class(Limits())(config, ServerState(), {})
        transport = Tls()
        protocol.connection_made(transport)
        protocol.data_received(b"nonsense\r\n\r\n")
        protocol.connection_lost(None)
        return transport.closing

    assert asyncio.run(talk())
    assert written[0].startswith(b"HTTP/1.1 400 ")


# --- nonsense ------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    "data",
    [
        b"\x16\x03\x01\x02\x00\x01\x00\x01\xfc\x03\x03",
        b"nonsense\r\n\r\n",
        b"GET / HTTP/9.9\r\n\r\n",
        b"GET / HTTP/1.1\r\nHost: localhost\r\nContent-Length: -1\r\n\r\n",
        b"GET / HTTP/1.1\r\nHost: localhost\r\nContent-Length: 1\r\nContent-Length: 2\r\n\r\n",
        b"POST / HTTP/1.1\r\nHost: localhost\r\nContent-Length: 5\r\nTransfer-Encoding: chunked\r\n\r\n0\r\n\r\n",
        b"POST / HTTP/1.1\r\nHost: localhost\r\nTransfer-Encoding: gzip\r\n\r\n",
        b"GET / HTTP/1.1\r\nHost : localhost\r\n\r\n",
        b"GET / HTTP/1.1\r\nHost: local\x00host\r\n\r\n",
        b"GET \xff\xfe HTTP/1.1\r\nHost: localhost\r\n\r\n",
        b"GET http://localhost HTTP/1.1\r\nHost: localhost\r\n\r\n",
        b"CONNECT localhost:80 HTTP/1.1\r\nHost: localhost\r\n\r\n",
    ],
)
def test_what_is_no_request_gets_a_problem_and_never_reaches_the_application(data: bytes) -> None:
    app = Echo()
    with running(app) as port, Wire(port) as wire:
        wire.write(data)
        status, fields, body = wire.answer()

        assert (status, slug(body)) == (400, "malformed-request")
        assert fields["content-type"] == "application/problem+json"
        assert json.loads(body)["type"].startswith(f"http://127.0.0.1:{port}/problems/")
        assert wire.closed() == b""
    assert app.calls == 0


def test_the_type_of_a_problem_on_the_wire_stands_on_the_configured_base() -> None:
    with running(Echo(), base_url="https://bees.example/mw/") as port, Wire(port) as wire:
        wire.write(b"nonsense\r\n\r\n")

        assert json.loads(wire.answer()[2])["type"] == "https://bees.example/mw/problems/malformed-request"


def test_a_wish_to_upgrade_is_answered_as_a_plain_request(caplog: pytest.LogCaptureFixture) -> None:
    with running(Echo()) as port, Wire(port) as wire:
        wire.write(GET.replace(b"\r\n\r\n", b"\r\nConnection: Upgrade\r\nUpgrade: websocket\r\n\r\n"))

        assert wire.answer()[0] == 200
    assert not caplog.records


def test_the_server_does_not_say_what_it_is() -> None:
    with running(Echo()) as port, Wire(port) as wire:
        wire.write(GET)
        _, fields, _ = wire.answer()

        assert "server" not in fields
        assert "date" in fields


def test_random_bytes_never_stop_the_server() -> None:
    import random

    chance = random.Random(5)
    pieces = [b"GET ", b"POST ", b"/ ", b"HTTP/1.1", b"\r\n", b"\r\n\r\n", b"Host: localhost", b"Content-Length: 3",
              b"Transfer-Encoding: chunked", b"3\r\nabc\r\n", b"0\r\n", b": ", b"\x00", b"\xff", b"a" * 100]  # fmt: skip
    with running(Echo(), Limits(head_s=0.05, body_s=0.05)) as port:
        for _ in range(150):
            with Wire(port) as wire:
                wire.write_until_cut(b"".join(chance.choices(pieces, k=chance.randrange(1, 30))))
                wire.closed()
        with Wire(port) as wire:
            wire.write(GET)
            assert wire.answer()[0] == 200
