"""Asking weather sources: what is sent, how long it may take, what is refused, what comes from the store instead.

The faults are real ones, from a server on 127.0.0.1; where https or another host matters the transport is replaced.
"""

from __future__ import annotations

import gzip
import logging
import os
import random
import shutil
import socket
import ssl
import subprocess
import time
import traceback
import tracemalloc
from datetime import UTC, datetime, timedelta
from typing import TYPE_CHECKING, Any

import filelock
import pytest
import responses
from hypothesis import given
from hypothesis import strategies as st

from matewindow import __version__
from matewindow.errors import InputError, RequestError, SourceError
from matewindow.settings import Settings
from matewindow.weather.freshness import fresh_for
from matewindow.weather.http import Client, Clock, SourceRequest
from matewindow.weather.manners import (
    BRIGHT_SKY,
    DWD,
    ECMWF,
    MET_NORWAY,
    NWS,
    OPEN_METEO,
    Source,
    coordinates,
    user_agent,
)
from matewindow.weather.store import WeatherStore
from matewindow.weather.transport import Limits
from tests.weather.loopback import (
    NOON,
    Loopback,
    TurnedClock,
    cut_gzip,
    cut_short,
    dripping,
    hang_up,
    in_chunks,
    reply,
    silent,
    unchanged,
    without_length,
)

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

    Reply = Any

ASKED = Settings(contact="keeper@apiary.example")
MINUTE, HOUR, DAY = timedelta(minutes=1), timedelta(hours=1), timedelta(days=1)
KEY = "k3y/with spaces&more"
HTTPS = "https://weather.example/v1/forecast"
loopback_only = pytest.mark.allow_hosts(["127.0.0.1"])


@pytest.fixture
def server() -> Iterator[Loopback]:
    with Loopback() as running:
        yield running


@pytest.fixture
def clock() -> TurnedClock:
    return TurnedClock()


@pytest.fixture
def store(tmp_path: Path, clock: TurnedClock) -> WeatherStore:
    return WeatherStore(tmp_path / "store", now=clock.now)


@pytest.fixture
def client(store: WeatherStore, clock: TurnedClock) -> Iterator[Client]:
    with Client(ASKED, store, clock, rng=random.Random(1)) as made:
        yield made


@pytest.fixture
def hurried(store: WeatherStore) -> Iterator[Client]:
    """A client by real time, with 0.3 s for everything."""
    limits = Limits(connect_s=0.2, read_s=0.15, total_s=0.3)
    with Client(ASKED, store, limits=limits, rng=random.Random(1)) as made:
        yield made


def question(url: str, source: Source = BRIGHT_SKY, **changes: Any) -> SourceRequest:
    asked: dict[str, Any] = {"params": {"lat": "51.5", "lon": "-0.12"}, "site": "51.5_-0.12", "kind": "forecast"}
    return SourceRequest(source, url, **{**asked, **changes})


def http_date(at: datetime) -> str:
    return at.strftime("%a, %d %b %Y %H:%M:%S GMT")


def failure(client: Client, request: SourceRequest, **how: Any) -> SourceError:
    with pytest.raises(SourceError) as caught:
        client.get(request, **how)
    return caught.value


def expired(body: bytes = b'{"n": 1}', **headers: str) -> Reply:
    """An answer that the source wants to be asked about again next time."""
    return reply(body, 200, Cache_Control="no-cache", **headers)


# --- how a source wants to be asked -------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("source", "latitude", "longitude", "sent"),
    [
        (MET_NORWAY, 59.913868, 10.752245, ("59.9139", "10.7522")),
        (NWS, 39.7456, -97.0892, ("39.7456", "-97.0892")),
        (NWS, 40.10001, -97.50, ("40.1", "-97.5")),
        (NWS, 40.0, -97.0, ("40", "-97")),
        (OPEN_METEO, 51.50735, -0.12776, ("51.507", "-0.128")),
        (OPEN_METEO, -0.0001, 1e-9, ("0", "0")),
        (BRIGHT_SKY, 52.52, 13.4, ("52.52", "13.4")),
        (MET_NORWAY, -90.0, 180.0, ("-90", "180")),
    ],
)
def test_a_position_is_sent_with_as_many_decimals_as_the_source_takes(
    source: Source, latitude: float, longitude: float, sent: tuple[str, str]
) -> None:
    """MET Norway's terms: at most 4 decimals, 5 give 403. NWS API FAQ: 4 decimals, no trailing zeros, or a redirect."""
    assert coordinates(source, latitude, longitude) == sent


@given(st.floats(-90, 90), st.floats(-180, 180), st.sampled_from([OPEN_METEO, MET_NORWAY, NWS, BRIGHT_SKY, DWD, ECMWF]))
def test_no_position_is_sent_with_an_exponent_a_trailing_zero_or_more_decimals(
    latitude: float, longitude: float, source: Source
) -> None:
    for text, value in zip(coordinates(source, latitude, longitude), (latitude, longitude), strict=True):
        whole, _, decimals = text.partition(".")
        assert whole.lstrip("-").isdigit()
        assert len(decimals) <= source.decimals
        assert not decimals.endswith("0")
        assert text != "-0"
        assert float(text) == pytest.approx(value, abs=0.51 * 10.0**-source.decimals)


@pytest.mark.parametrize(("latitude", "longitude"), [(91.0, 0.0), (0.0, 181.0), (float("nan"), 0.0)])
def test_a_position_off_the_globe_is_refused(latitude: float, longitude: float) -> None:
    with pytest.raises(RequestError, match="does not exist"):
        coordinates(NWS, latitude, longitude)


@loopback_only
def test_the_name_plate_gives_program_version_and_contact(server: Loopback, client: Client) -> None:
    client.get(question(server.url))

    sent = server.seen[0].headers
    assert sent["User-Agent"] == f"matewindow/{__version__} (keeper@apiary.example)"
    assert sent["Accept-Encoding"] == "gzip"


@pytest.mark.parametrize("contact", [None, "", "   "])
def test_met_norway_is_not_asked_without_a_contact_and_the_error_says_how_to_set_one(
    contact: str | None, store: WeatherStore
) -> None:
    with (
        Client(Settings(contact=contact), store) as client,
        pytest.raises(InputError, match=r"^MATEWINDOW_CONTACT: .*MATEWINDOW_CONTACT=you@your-domain\.org\.$"),
    ):
        client.get(question(HTTPS, MET_NORWAY))  # sockets are off: a call would fail otherwise


@pytest.mark.parametrize("contact", ["a@b.example\r\nX-Evil: 1", "Bienenstände@x.example", "me"])
def test_a_contact_that_cannot_stand_in_a_header_is_refused(contact: str) -> None:
    with pytest.raises(InputError, match="neither a mail address nor a web page"):
        user_agent(Settings(contact=contact), OPEN_METEO)


def test_a_web_page_is_a_contact_too() -> None:
    assert user_agent(Settings(contact="https://apiary.example/about"), NWS).endswith("(https://apiary.example/about)")


@pytest.mark.parametrize(
    "url",
    [
        "ftp://h.example/x",
        "https:///x",
        "https://h.example/x?apikey=1",
        "https://u:p@h.example/",
        "https://h.example/a b",
    ],
)
def test_an_address_with_a_query_a_password_or_another_scheme_is_refused(url: str) -> None:
    with pytest.raises(RequestError, match="cannot be used"):
        question(url)


# --- time and size ------------------------------------------------------------------------------------------


@loopback_only
def test_a_refused_connection_is_tried_three_times_and_then_reported(client: Client, clock: TurnedClock) -> None:
    with socket.socket() as taken:
        taken.bind(("127.0.0.1", 0))
        url = f"http://127.0.0.1:{taken.getsockname()[1]}/x"
        error = failure(client, question(url))

    assert "it could not be reached (ConnectionRefusedError), at the last of 3 tries" in str(error)
    assert len(clock.slept) == 2


@loopback_only
def test_waits_between_tries_are_random_up_to_a_bound_that_doubles(server: Loopback, store: WeatherStore) -> None:
    server.will(reply(b"", 503))
    waits = []
    for seed in range(40):
        clock = TurnedClock(NOON + seed * DAY)  # every failed request of the row before is forgotten
        with Client(ASKED, store, clock, rng=random.Random(seed)) as client:
            failure(client, question(server.url))
        waits.append(clock.slept)

    first, second = zip(*waits, strict=True)
    assert min(first) >= 0.0
    assert 0.9 < max(first) <= 1.0
    assert 1.7 < max(second) <= 2.0
    assert min(second) < 0.3


@loopback_only
def test_a_server_that_never_answers_is_given_up_after_the_read_limit(server: Loopback, hurried: Client) -> None:
    server.will(silent)
    begun = time.monotonic()

    assert "did not answer in time" in str(failure(hurried, question(server.url)))
    assert 0.1 < time.monotonic() - begun < 1.0
    assert len(server.seen) == 1


HEAD = b"HTTP/1.1 200 OK\r\n"


@loopback_only
@pytest.mark.parametrize(
    "head",
    [
        HEAD + b"Content-Length: 100000\r\n\r\n",
        HEAD + b"Transfer-Encoding: chunked\r\n\r\n8000\r\n",
        HEAD + b"Connection: close\r\n\r\n",
        HEAD + b"X-Slow: ",
        HEAD[:9],
        b"HTTP/1.1 503 Busy\r\nContent-Length: 60000\r\n\r\n",
    ],
    ids=["body", "chunk", "body without length", "header", "status line", "body of an error"],
)
def test_a_slow_drip_ends_with_the_time_for_everything(head: bytes, server: Loopback, hurried: Client) -> None:
    """Every byte comes well within the read limit, so that limit alone would wait for ever."""
    server.will(dripping(head))
    begun = time.monotonic()

    error = failure(hurried, question(server.url))

    assert 0.25 < time.monotonic() - begun < 1.0
    assert "took more than 0.3 s in all" in str(error) or "answered 503" in str(error)


@loopback_only
def test_tries_end_with_the_time_for_everything(server: Loopback, store: WeatherStore, clock: TurnedClock) -> None:
    server.will(reply(b"", 503, Retry_After="7"))
    with Client(ASKED, store, clock, limits=Limits(total_s=10.0), rng=random.Random(1)) as client:
        failure(client, question(server.url))

    assert len(server.seen) == 2
    assert sum(clock.slept) < 10.0


@loopback_only
@pytest.mark.parametrize(
    "broken",
    [
        cut_short(b'{"n": ', 20),
        cut_gzip(b'{"n": 1}'),
        in_chunks(b'{"n": ', whole=False),
        without_length(b'{"n": '),
        hang_up,
        reply(b"\x1f\x8b\x08not really gzip", Content_Encoding="gzip"),
    ],
    ids=["length", "gzip", "chunked", "until closed", "nothing at all", "damaged gzip"],
)
def test_an_answer_that_breaks_off_is_asked_for_again(broken: Reply, server: Loopback, client: Client) -> None:
    server.will(broken, reply(b'{"n": 2}'))

    assert client.get(question(server.url)).text == '{"n": 2}'
    assert len(server.seen) == 2


@loopback_only
def test_an_answer_that_always_breaks_off_is_no_answer_and_nothing_of_it_is_kept(
    server: Loopback, client: Client, store: WeatherStore
) -> None:
    server.will(cut_short(b'{"n": 1}', 5))

    assert "breaks off, at the last of 3 tries" in str(failure(client, question(server.url)))
    assert store.state().n_answers == 0


@loopback_only
def test_gzip_is_unpacked(server: Loopback, client: Client) -> None:
    body = b'{"n": "' + 300_000 * b"ab" + b'"}'
    server.will(reply(gzip.compress(body), Content_Encoding="gzip"))

    assert client.get(question(server.url)).body == body


@loopback_only
def test_a_gzip_bomb_is_refused_at_the_size_limit_without_filling_the_memory(server: Loopback, client: Client) -> None:
    """50 MB of blanks in 50 kB."""
    server.will(reply(gzip.compress(50_000_000 * b" "), Content_Encoding="gzip"))
    tracemalloc.start()
    try:
        error = failure(client, question(server.url, max_bytes=1_000_000))
        peak = tracemalloc.get_traced_memory()[1]
    finally:
        tracemalloc.stop()

    assert "larger than the 1,000,000 bytes" in str(error)
    assert peak < 8_000_000
    assert len(server.seen) == 1


@loopback_only
@pytest.mark.parametrize("way", [reply, without_length, in_chunks])
def test_an_answer_of_ten_times_the_size_is_refused(way: Any, server: Loopback, client: Client) -> None:
    server.will(way(b'"' + 10_000 * b"x" + b'"'))

    assert "larger than the 1,000 bytes" in str(failure(client, question(server.url, max_bytes=1000)))
    assert len(server.seen) == 1


@loopback_only
def test_an_answer_of_just_the_size_is_taken_and_one_byte_more_is_not(server: Loopback, client: Client) -> None:
    server.will(without_length(b'"12345678"'))

    assert client.get(question(server.url, max_bytes=10)).body == b'"12345678"'
    assert "larger" in str(failure(client, question(server.url, max_bytes=9)))


@loopback_only
def test_an_encoding_that_was_not_asked_for_is_refused(server: Loopback, client: Client) -> None:
    server.will(reply(b"????", Content_Encoding="br"))

    assert "encoding" in str(failure(client, question(server.url)))


# --- what counts as an answer -------------------------------------------------------------------------------


@loopback_only
@pytest.mark.parametrize(
    "page",
    [
        reply(b"<!doctype html><p>Please log in", Content_Type="application/json"),
        reply(b"Please log in", Content_Type="text/html; charset=utf-8"),
    ],
)
def test_a_web_page_where_data_were_expected_is_a_failure_and_not_asked_for_again(
    page: Reply, server: Loopback, client: Client, store: WeatherStore
) -> None:
    server.will(page)

    assert "web page instead of data" in str(failure(client, question(server.url)))
    assert len(server.seen) == 1
    assert store.state().n_answers == 0


@loopback_only
def test_a_stream_that_ends_in_an_error_text_is_asked_for_again(server: Loopback, client: Client) -> None:
    """Open-Meteo, server code: an error while streaming comes with status 200, appended to the JSON."""
    server.will(reply(b'{"hourly": {"time": [1, 2Unexpected error while streaming data'), reply())

    assert client.get(question(server.url)).text == '{"n": 1}'


@loopback_only
def test_json_nested_without_end_is_refused(server: Loopback, client: Client) -> None:
    server.will(reply(200_000 * b"["))

    assert "no whole JSON" in str(failure(client, question(server.url)))


@loopback_only
def test_bytes_are_taken_as_they_are_where_no_json_is_expected(server: Loopback, client: Client) -> None:
    server.will(reply(b"<kml/>"))

    assert client.get(question(server.url, DWD, expect="bytes")).body == b"<kml/>"


@loopback_only
def test_a_deprecation_status_gives_the_answer_and_a_note(
    server: Loopback, client: Client, caplog: pytest.LogCaptureFixture
) -> None:
    """MET Norway's terms: 203 marks a version that is in beta or will be withdrawn."""
    server.will(reply(b'{"n": 1}', 203))

    fetched = client.get(question(server.url))

    assert fetched.text == '{"n": 1}'
    assert "will be withdrawn (status 203)" in fetched.notes[0]
    assert "will be withdrawn" in caplog.text


@loopback_only
@pytest.mark.parametrize("status", [400, 404, 408, 422, 204, 206])
def test_other_statuses_are_reported_at_once_with_the_reason_given(
    status: int, server: Loopback, client: Client
) -> None:
    body = b"" if status == 204 else b'{"error": true, "reason": "no \\u001b[31m such variable"}'
    server.will(reply(body, status))

    error = str(failure(client, question(server.url)))

    assert f"it answered {status}" in error
    assert status == 204 or "(no [31m such variable)" in error
    assert len(server.seen) == 1


@loopback_only
def test_an_answer_that_nobody_asked_about_cannot_be_unchanged(server: Loopback, client: Client) -> None:
    server.will(unchanged())

    assert "304 to a question that had no condition" in str(failure(client, question(server.url)))


# --- redirects and surroundings -----------------------------------------------------------------------------


def redirect(to: str, status: int = 301) -> None:
    responses.get(HTTPS, status=status, headers={"Location": to})


@responses.activate
@pytest.mark.parametrize("target", ["https://weather.example/points/40,-97", "/points/40,-97"])
@pytest.mark.parametrize("status", [301, 302, 303, 307, 308])
def test_a_redirect_to_the_same_host_is_followed(target: str, status: int, client: Client) -> None:
    redirect(target, status)
    responses.get("https://weather.example/points/40,-97", body='{"n": 3}')

    assert client.get(question(HTTPS, NWS)).text == '{"n": 3}'


@responses.activate
@pytest.mark.parametrize(
    "target",
    [
        "https://other.example/v1",
        "https://weather.example.evil.example/v1",
        "http://weather.example/v1",
        "https://user@weather.example/v1",
        "https://weather.example:8443/v1",
        "https://weather.example:port/v1",
        "file:///etc/passwd",
    ],
)
def test_a_redirect_elsewhere_is_refused(target: str, client: Client) -> None:
    redirect(target)

    assert "redirects to another host" in str(failure(client, question(HTTPS)))
    assert len(responses.calls) == 1


@responses.activate
def test_a_circle_of_redirects_ends_after_two(client: Client) -> None:
    redirect("https://weather.example/a")
    responses.get("https://weather.example/a", status=302, headers={"Location": HTTPS})

    assert "redirects more than 2 times" in str(failure(client, question(HTTPS)))
    assert len(responses.calls) == 3


@loopback_only
def test_an_unencrypted_redirect_is_refused_even_on_the_same_host(server: Loopback, client: Client) -> None:
    server.will(reply(b"", 301, Location="/elsewhere"))

    assert "redirects to another host or to an unencrypted address" in str(failure(client, question(server.url)))


@loopback_only
def test_proxies_of_the_environment_are_not_used(
    server: Loopback, client: Client, monkeypatch: pytest.MonkeyPatch
) -> None:
    for name in ("http_proxy", "HTTP_PROXY", "all_proxy", "ALL_PROXY"):
        monkeypatch.setenv(name, "http://127.0.0.1:1/")
    monkeypatch.delenv("no_proxy", raising=False)

    assert client.get(question(server.url)).origin == "network"


@loopback_only
def test_cookies_are_not_kept(server: Loopback, client: Client) -> None:
    server.will(expired(Set_Cookie="track=1"))

    client.get(question(server.url))
    client.get(question(server.url))

    assert "Cookie" not in server.seen[1].headers


@pytest.fixture(scope="module")
def certificate(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Key and self-signed certificate of 127.0.0.1 in one file."""
    tool = shutil.which("openssl")
    if tool is None:
        pytest.skip("there is no openssl to make a certificate with: encrypted calls were not tested")
    pem = tmp_path_factory.mktemp("tls") / "server.pem"
    how = "-x509 -newkey ec -pkeyopt ec_paramgen_curve:P-256 -nodes -days 1 -subj /CN=127.0.0.1"
    what = "-addext subjectAltName=IP:127.0.0.1 -keyout - -out -"
    made = subprocess.run([tool, "req", *how.split(), *what.split()], check=True, capture_output=True)
    pem.write_bytes(made.stdout)
    return pem


@pytest.fixture
def secure_server(certificate: Path) -> Iterator[Loopback]:
    context = ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER)
    context.load_cert_chain(certificate)
    with Loopback(tls=context) as running:
        yield running


@loopback_only
def test_a_certificate_that_nobody_vouches_for_is_refused(secure_server: Loopback, client: Client) -> None:
    assert "certificate is not trusted" in str(failure(client, question(secure_server.url)))
    assert secure_server.seen == []


@loopback_only
def test_the_certificates_of_the_settings_are_trusted_and_the_drip_ends_there_too(
    secure_server: Loopback, certificate: Path, store: WeatherStore
) -> None:
    settings = Settings(contact="keeper@apiary.example", ca_bundle=certificate)
    with Client(settings, store, limits=Limits(read_s=0.15, total_s=0.4)) as client:
        assert client.get(question(secure_server.url)).text == '{"n": 1}'
        secure_server.will(dripping(HEAD + b"X-Slow: "))
        begun = time.monotonic()
        assert "took more than 0.4 s" in str(failure(client, question(secure_server.url)))
    assert time.monotonic() - begun < 1.0


def test_a_file_of_certificates_that_is_not_there_is_named(store: WeatherStore, tmp_path: Path) -> None:
    with pytest.raises(InputError, match=r"^MATEWINDOW_CA_BUNDLE: there is no file .*none\.pem"):
        Client(Settings(ca_bundle=tmp_path / "none.pem"), store)


# --- trying again, and leaving alone ------------------------------------------------------------------------


@loopback_only
@pytest.mark.parametrize("status", [500, 502, 503, 504])
def test_an_overloaded_source_is_tried_again(status: int, server: Loopback, client: Client) -> None:
    server.will(reply(b"busy", status), reply(b'{"n": 2}'))

    assert client.get(question(server.url)).text == '{"n": 2}'


@loopback_only
def test_a_short_retry_after_is_waited_for(server: Loopback, client: Client, clock: TurnedClock) -> None:
    server.will(reply(b"", 429, Retry_After="5"), reply())

    assert client.get(question(server.url)).origin == "network"
    assert 5.0 <= clock.slept[0] <= 6.0


@loopback_only
def test_a_source_that_answers_429_for_an_hour_is_called_once_in_that_hour(
    server: Loopback, client: Client, store: WeatherStore, clock: TurnedClock
) -> None:
    """Also by another process: the cool-down is kept in the folder of the store."""
    server.will(reply(b'{"reason": "too many"}', 429, Retry_After="3600"))

    first = failure(client, question(server.url))
    with Client(ASKED, store, clock) as other:
        clock.turn(59 * MINUTE)
        later = failure(other, question(server.url, params={"lat": "48"}))

    assert first.retry_after == later.retry_after == NOON + HOUR
    assert "it is left alone for now: it answered 429 (too many)" in str(later)
    assert "asked again from 2026-06-01 13:00 UTC on" in str(later)
    assert len(server.seen) == 1

    clock.turn(MINUTE)
    server.will(reply())
    assert client.get(question(server.url)).origin == "network"


@loopback_only
def test_other_sources_are_asked_while_one_rests(server: Loopback, client: Client) -> None:
    server.will(reply(b"", 429, Retry_After="3600"), reply())
    failure(client, question(server.url, BRIGHT_SKY))

    assert client.get(question(server.url, DWD)).origin == "network"


@loopback_only
def test_a_retry_after_that_is_a_date_counts_from_the_date_of_the_server(
    server: Loopback, client: Client, clock: TurnedClock
) -> None:
    theirs = NOON + DAY
    server.will(reply(b"", 503, Date=http_date(theirs), Retry_After=http_date(theirs + 2 * HOUR)))

    assert failure(client, question(server.url)).retry_after == NOON + 2 * HOUR
    assert clock.slept == []


@loopback_only
@pytest.mark.parametrize(
    ("words", "until"),
    [
        (
            "Minutely API request limit exceeded. Please try again in one minute.",
            datetime(2026, 6, 1, 12, 1, tzinfo=UTC),
        ),
        ("Hourly API request limit exceeded. Please try again in the next hour.", datetime(2026, 6, 1, 13, tzinfo=UTC)),
        ("Daily API request limit exceeded. Please try again tomorrow.", datetime(2026, 6, 2, tzinfo=UTC)),
        ("Too many concurrent requests", NOON + 10 * MINUTE),
    ],
)
def test_open_meteo_says_in_words_which_limit_was_met(
    words: str, until: datetime, server: Loopback, client: Client
) -> None:
    """Open-Meteo, server code: counters start anew at each minute, full hour and 00:00 UTC; no Retry-After."""
    server.will(reply(b'{"error": true, "reason": "%s"}' % words.encode(), 429))

    assert failure(client, question(server.url, OPEN_METEO)).retry_after == until
    assert len(server.seen) == 1


@loopback_only
def test_no_rest_is_longer_than_a_day_whatever_the_source_says(server: Loopback, client: Client) -> None:
    server.will(reply(b"", 429, Retry_After="99999999999999999999"))

    assert failure(client, question(server.url)).retry_after == NOON + DAY


@loopback_only
def test_a_source_that_fails_three_requests_in_a_row_is_left_alone_longer_each_time(
    server: Loopback, client: Client, clock: TurnedClock
) -> None:
    server.will(reply(b"", 500))
    rests = []
    for _ in range(10):
        error = failure(client, question(server.url))
        rests.append(error.retry_after - clock.now() if error.retry_after else None)
        clock.turn(rests[-1] or timedelta(0))

    assert rests == [None, None, *(n * MINUTE for n in (1, 2, 4, 8, 16, 32, 60, 60))]
    assert len(server.seen) == 30


@loopback_only
def test_an_answer_ends_the_row_of_failures(server: Loopback, client: Client) -> None:
    bad, good = reply(b"", 404), expired()
    unwell = reply(b"", 501)
    server.will(unwell, unwell, good, unwell, unwell, bad, bad, bad, good)
    for _ in range(2):
        failure(client, question(server.url))
    client.get(question(server.url))
    for _ in range(5):
        assert failure(client, question(server.url)).retry_after is None

    assert client.get(question(server.url)).origin == "network"


@loopback_only
def test_where_the_network_is_down_the_rest_stays_short(client: Client, clock: TurnedClock) -> None:
    with socket.socket() as taken:
        taken.bind(("127.0.0.1", 0))
        request = question(f"http://127.0.0.1:{taken.getsockname()[1]}/x")
        for _ in range(8):
            error = failure(client, request)
            left = error.retry_after - clock.now() if error.retry_after else timedelta(0)
            clock.turn(left)

    assert left == 2 * MINUTE


# --- from the store -----------------------------------------------------------------------------------------


@loopback_only
def test_nobody_is_asked_while_an_answer_is_fresh_by_expires(
    server: Loopback, client: Client, clock: TurnedClock
) -> None:
    server.will(reply(Date=http_date(NOON), Expires=http_date(NOON + 30 * MINUTE)))
    client.get(question(server.url))
    clock.turn(29 * MINUTE)

    again = client.get(question(server.url))

    assert (again.origin, again.age, again.fetched_at) == ("fresh", 29 * MINUTE, NOON)
    assert again.text == '{"n": 1}'
    assert len(server.seen) == 1
    clock.turn(MINUTE)
    assert client.get(question(server.url)).origin == "network"


@loopback_only
def test_what_is_wanted_anew_is_asked_for_though_an_answer_is_fresh_and_is_kept_like_any_other(
    server: Loopback, client: Client, store: WeatherStore, clock: TurnedClock
) -> None:
    request = question(server.url, fresh=HOUR)
    server.will(reply(b'{"n": 1}', ETag='"one"'), reply(b'{"n": 2}'))
    client.get(request)
    clock.turn(MINUTE)

    again = client.get(request, anew=True)

    assert (again.origin, again.text, again.fetched_at) == ("network", '{"n": 2}', NOON + MINUTE)
    assert server.seen[1].headers["If-None-Match"] == '"one"'
    assert [store.body(e) for e in store.answers(request.key)] == [b'{"n": 2}', b'{"n": 1}']
    assert client.get(request).text == '{"n": 2}'
    assert len(server.seen) == 2


@loopback_only
def test_what_is_not_to_be_kept_is_asked_for_every_time_and_says_how_long_it_is_fresh(
    server: Loopback, client: Client, store: WeatherStore
) -> None:
    server.will(reply(ETag='"one"'), reply(Cache_Control="max-age=60"))
    request = question(server.url, fresh=HOUR, keep=False)

    first, second = client.get(request), client.get(request)

    assert [(f.origin, f.entry, f.text) for f in (first, second)] == [("network", None, '{"n": 1}')] * 2
    assert (first.fresh_until, second.fresh_until) == (NOON + HOUR, NOON + MINUTE)
    assert "If-None-Match" not in server.seen[1].headers
    assert list(store.entries()) == []


@loopback_only
@pytest.mark.parametrize("ours_off", [-400 * DAY, 400 * DAY])
def test_a_wrong_clock_here_does_not_change_how_long_an_answer_is_fresh(
    ours_off: timedelta, server: Loopback, client: Client, clock: TurnedClock
) -> None:
    server.will(reply(Date=http_date(NOON), Expires=http_date(NOON + 30 * MINUTE)))
    clock.time += ours_off

    client.get(question(server.url))
    clock.turn(29 * MINUTE)
    assert client.get(question(server.url)).origin == "fresh"
    clock.turn(2 * MINUTE)
    assert client.get(question(server.url)).origin == "network"


@loopback_only
def test_an_answer_from_the_future_is_not_fresh(server: Loopback, client: Client, clock: TurnedClock) -> None:
    """The clock was ten years ahead when it was fetched, and has been set right since."""
    server.will(reply(b'{"n": 1}', Cache_Control="max-age=3600"), reply(b'{"n": 2}', Cache_Control="max-age=3600"))
    clock.time += 3650 * DAY
    client.get(question(server.url))
    clock.set_back(3650 * DAY)

    assert client.get(question(server.url)).text == '{"n": 2}'
    clock.turn(MINUTE)
    assert client.get(question(server.url)).text == '{"n": 2}'
    assert len(server.seen) == 2


@loopback_only
def test_validators_are_sent_back_exactly_as_they_came_and_304_makes_the_answer_fresh_again(
    server: Loopback, client: Client, store: WeatherStore, clock: TurnedClock
) -> None:
    """A date spelt as no clock would spell it shows that it was not parsed on the way."""
    odd, tag = "Mon, 1 Jun 2026 11:59:07 +0000 (odd)", 'W/"a,b \'c"'
    fresh = "max-age=3600"
    first = reply(b'{"n": 1}', Last_Modified=odd, ETag=tag, Cache_Control=fresh)
    server.will(first, unchanged(Cache_Control=fresh))
    client.get(question(server.url))
    clock.turn(2 * HOUR)

    confirmed = client.get(question(server.url))

    sent = server.seen[1].headers
    assert (sent["If-Modified-Since"], sent["If-None-Match"]) == (odd, tag)
    assert (confirmed.origin, confirmed.text, confirmed.fetched_at) == ("confirmed", '{"n": 1}', NOON)
    assert store.state().n_answers == 1
    clock.turn(59 * MINUTE)
    assert client.get(question(server.url)).age == 59 * MINUTE
    assert len(server.seen) == 2
    clock.turn(2 * MINUTE)
    client.get(question(server.url))
    assert server.seen[2].headers["If-Modified-Since"] == odd


@loopback_only
def test_a_new_answer_after_a_condition_replaces_the_old_one_and_both_are_kept(
    server: Loopback, client: Client, store: WeatherStore, clock: TurnedClock
) -> None:
    server.will(expired(b'{"n": 1}', ETag='"1"'), expired(b'{"n": 2}', ETag='"2"'), unchanged())
    texts = []
    for _ in range(3):
        texts.append(client.get(question(server.url)).text)
        clock.turn(MINUTE)

    assert texts == ['{"n": 1}', '{"n": 2}', '{"n": 2}']
    assert server.seen[2].headers["If-None-Match"] == '"2"'
    assert [store.body(entry) for entry in store.entries()] == [b'{"n": 1}', b'{"n": 2}']


@loopback_only
def test_a_source_that_says_nothing_about_it_is_fresh_for_as_long_as_the_request_says(
    server: Loopback, client: Client, clock: TurnedClock
) -> None:
    request = question(server.url, fresh=HOUR)
    client.get(request)
    clock.turn(59 * MINUTE)
    assert client.get(request).origin == "fresh"
    clock.turn(MINUTE)
    assert client.get(request).origin == "network"


@pytest.mark.parametrize(
    ("headers", "fresh"),
    [
        ({"Cache-Control": "public, max-age=600"}, 10 * MINUTE),
        ({"Cache-Control": 'max-age="600"', "Age": "60"}, 9 * MINUTE),
        ({"Cache-Control": "max-age=600", "Age": "900"}, timedelta(0)),
        ({"Cache-Control": "max-age=600", "Expires": http_date(NOON + DAY)}, 10 * MINUTE),
        ({"Cache-Control": "no-cache, max-age=600"}, timedelta(0)),
        ({"Cache-Control": "no-store", "Expires": http_date(NOON + DAY)}, timedelta(0)),
        ({"Cache-Control": "max-age=soon"}, timedelta(0)),
        ({"Cache-Control": "max-age=999999999999"}, 7 * DAY),
        ({"Expires": http_date(NOON + HOUR)}, HOUR),
        ({"Expires": http_date(NOON + HOUR), "Date": http_date(NOON + 30 * MINUTE)}, 30 * MINUTE),
        ({"Expires": http_date(NOON - HOUR)}, timedelta(0)),
        ({"Expires": "0"}, timedelta(0)),
        ({"Cache-Control": "public"}, 5 * MINUTE),
        ({}, 5 * MINUTE),
    ],
)
def test_how_long_an_answer_is_fresh_follows_rfc_9111(headers: dict[str, str], fresh: timedelta) -> None:
    """Sections 4.2.1, 4.2.3, 5.2.2.1, 5.2.2.4, 5.2.2.5 and 5.3; the limit of 7 days is ours."""
    assert fresh_for(headers, NOON, default=5 * MINUTE) == fresh


@loopback_only
def test_when_the_source_fails_an_old_answer_is_given_marked_with_its_age_and_the_reason(
    server: Loopback, client: Client, clock: TurnedClock
) -> None:
    server.will(expired(), reply(b"", 500))
    client.get(question(server.url))
    clock.turn(5 * HOUR)

    old = client.get(question(server.url), max_age=6 * HOUR)

    assert old.stale
    assert old.text == '{"n": 1}'
    assert 5 * HOUR <= old.age <= 5 * HOUR + MINUTE
    assert old.reason is not None
    assert "it answered 500, at the last of 3 tries" in old.reason


@loopback_only
def test_an_old_answer_beyond_the_age_allowed_is_not_given(
    server: Loopback, client: Client, clock: TurnedClock
) -> None:
    server.will(expired(), reply(b"", 404))
    client.get(question(server.url))
    clock.turn(5 * HOUR)

    assert client.get(question(server.url), max_age=5 * HOUR).stale
    failure(client, question(server.url), max_age=5 * HOUR - MINUTE)
    failure(client, question(server.url))


@loopback_only
def test_an_answer_from_the_future_has_no_age_and_is_not_given_as_an_old_one(
    server: Loopback, client: Client, clock: TurnedClock
) -> None:
    server.will(expired(), reply(b"", 404))
    client.get(question(server.url))
    clock.set_back(DAY)

    failure(client, question(server.url), max_age=1000 * DAY)


@loopback_only
def test_a_confirmed_answer_ages_from_its_confirmation(server: Loopback, client: Client, clock: TurnedClock) -> None:
    server.will(expired(ETag='"1"'), unchanged(), reply(b"", 404))
    client.get(question(server.url))
    clock.turn(5 * HOUR)
    client.get(question(server.url))
    clock.turn(HOUR)

    assert client.get(question(server.url), max_age=2 * HOUR).age == HOUR


@loopback_only
@pytest.mark.parametrize("bad", [reply(b"<html>"), reply(b"{"), cut_short(b'{"n": 1}', 9), hang_up])
def test_a_bad_answer_never_takes_the_place_of_a_good_one(
    bad: Reply, server: Loopback, client: Client, store: WeatherStore
) -> None:
    server.will(expired(b'{"n": 1}'), bad)
    client.get(question(server.url))

    assert client.get(question(server.url), max_age=DAY).text == '{"n": 1}'
    assert store.state().n_answers == 1


@loopback_only
def test_during_a_rest_the_old_answer_is_given_too(server: Loopback, client: Client) -> None:
    server.will(expired(), reply(b"", 429, Retry_After="3600"))
    client.get(question(server.url))

    reasons = [client.get(question(server.url), max_age=DAY).reason for _ in range(2)]

    assert "answered 429" in str(reasons[0])
    assert "left alone for now" in str(reasons[1])
    assert len(server.seen) == 2


@loopback_only
def test_a_damaged_answer_in_the_store_is_fetched_anew(server: Loopback, client: Client) -> None:
    server.will(reply(ETag='"1"', Cache_Control="max-age=3600"))
    entry = client.get(question(server.url)).entry
    assert entry is not None
    (entry.folder / "body.gz").write_bytes(b"rot")

    assert client.get(question(server.url)).origin == "network"
    assert "If-None-Match" not in server.seen[1].headers


@loopback_only
def test_an_answer_is_given_even_if_the_disk_is_full(
    server: Loopback, client: Client, monkeypatch: pytest.MonkeyPatch
) -> None:
    def full(handle: int) -> None:
        raise OSError(28, os.strerror(28))

    monkeypatch.setattr(os, "fsync", full)

    fetched = client.get(question(server.url))

    assert (fetched.text, fetched.entry) == ('{"n": 1}', None)
    assert "No space left on device" in fetched.notes[0]


@loopback_only
def test_one_process_at_a_time_asks_a_source_and_who_waits_too_long_takes_the_old_answer(
    server: Loopback, store: WeatherStore, hurried: Client, client: Client
) -> None:
    server.will(expired())
    store.now = Clock().now
    hurried.get(question(server.url))
    with filelock.FileLock(store.folder / "locks" / "bright-sky.lock"):
        old = hurried.get(question(server.url), max_age=DAY)

    assert old.stale
    assert "another process has been asking it all the time" in str(old.reason)
    assert len(server.seen) == 1


# --- the budget ---------------------------------------------------------------------------------------------


@loopback_only
def test_calls_to_open_meteo_are_entered_with_their_weight(server: Loopback, client: Client) -> None:
    client.get(question(server.url, OPEN_METEO, weight=43.7))

    assert [period.used for period in client.budget.state()] == [43.7, 43.7, 43.7]


@loopback_only
def test_a_refused_call_costs_one_and_each_try_is_a_call(server: Loopback, client: Client, clock: TurnedClock) -> None:
    clock.time = NOON.replace(second=0)
    server.will(reply(b"", 503), reply(b'{"n": 1}'))

    client.get(question(server.url, OPEN_METEO, weight=40.0))

    assert client.budget.state()[0].used == 41.0


@loopback_only
@pytest.mark.parametrize(("bad", "cost"), [(reply(b"<html>"), 40), (hang_up, 120), (cut_short(b"{", 5), 120)])
def test_a_call_that_broke_off_keeps_its_weight_for_the_source_may_have_counted_it(
    bad: Reply, cost: float, server: Loopback, client: Client
) -> None:
    """A page is asked for once, the others three times."""
    server.will(bad)
    failure(client, question(server.url, OPEN_METEO, weight=40.0))

    assert client.budget.state()[1].used == cost


@loopback_only
def test_nothing_is_sent_when_the_budget_is_spent(server: Loopback, client: Client, clock: TurnedClock) -> None:
    server.will(expired())
    for _ in range(2):
        client.get(question(server.url, OPEN_METEO, weight=300.0))

    error = failure(client, question(server.url, OPEN_METEO, weight=1.0))

    assert error.retry_after == datetime(2026, 6, 1, 12, 1, tzinfo=UTC)
    assert len(server.seen) == 2
    assert client.get(question(server.url, OPEN_METEO, weight=1.0), max_age=DAY).stale
    clock.turn(MINUTE)
    assert client.get(question(server.url, OPEN_METEO, weight=1.0)).origin == "network"


@loopback_only
def test_other_sources_and_calls_with_a_key_are_not_counted(server: Loopback, client: Client) -> None:
    client.get(question(server.url, OPEN_METEO, weight=40.0, secrets={"apikey": KEY}))
    client.get(question(server.url, BRIGHT_SKY, weight=40.0))

    assert client.budget.state()[0].used == 0.0


# --- secrets ------------------------------------------------------------------------------------------------


def spelled(secret: str) -> list[str]:
    return [secret, "k3y%2Fwith%20spaces%26more", "k3y%2Fwith+spaces%26more", "k3y"]


@loopback_only
@pytest.mark.parametrize(
    "bad",
    [
        reply(b'{"reason": "apikey %s is wrong"}' % KEY.encode(), 403),
        reply(b"<html>"),
        hang_up,
        cut_short(b"{", 9),
        reply(b"", 302, Location="http://other.example/?apikey=" + KEY.replace(" ", "+")),
        None,
    ],
    ids=["refused", "page", "hung up", "cut short", "redirect", "no server"],
)
def test_a_key_is_sent_and_stands_nowhere_else(
    bad: Reply, server: Loopback, client: Client, store: WeatherStore, caplog: pytest.LogCaptureFixture
) -> None:
    """Not in logs down to the debug lines of the libraries, in errors and what they hang on, in texts, in the store."""
    caplog.set_level(logging.DEBUG)
    server.will(expired(), bad or silent)
    request = question(server.url, OPEN_METEO, secrets={"apikey": KEY})
    client.get(request)
    if bad is None:
        with socket.socket() as taken:
            taken.bind(("127.0.0.1", 0))
            request = question(f"http://127.0.0.1:{taken.getsockname()[1]}/x", OPEN_METEO, secrets={"apikey": KEY})
            error = failure(client, request)
    else:
        error = failure(client, request)

    assert "apikey=k3y%2Fwith+spaces%26more" in server.seen[0].path
    assert "GET /v1/forecast" in caplog.text
    chain: list[str] = []
    link: BaseException | None = error
    while link is not None:
        chain += [str(link), repr(link), *traceback.format_exception(link)]
        link = link.__cause__ or link.__context__
    kept = [path.read_bytes().decode("latin-1") for path in store.folder.rglob("*") if path.is_file()]
    entry = next(store.entries())
    places = {
        "log": caplog.text,
        "errors": "\n".join(chain),
        "store": "\n".join(kept),
        "reprs": repr((request, entry, Settings(openmeteo_api_key=KEY), request.key)),
    }
    found = [(place, spelling) for place, text in places.items() for spelling in spelled(KEY) if spelling in text]
    assert found == []


def test_two_keys_find_the_same_answer() -> None:
    with_key = question(HTTPS, OPEN_METEO, secrets={"apikey": KEY})

    assert with_key.key == question(HTTPS, OPEN_METEO).key
    assert with_key.key != question(HTTPS, OPEN_METEO, params={"lat": "51.6", "lon": "-0.12"}).key


# --- settings -----------------------------------------------------------------------------------------------


def test_settings_are_read_from_the_environment() -> None:
    given = {
        "MATEWINDOW_CONTACT": " keeper@apiary.example ",
        "MATEWINDOW_STORE_FOLDER": "somewhere/store",
        "MATEWINDOW_STORE_MAX_MB": "120.5",
        "MATEWINDOW_OPENMETEO_API_KEY": KEY,
        "MATEWINDOW_CA_BUNDLE": "",
    }
    settings = Settings.from_environment(given)

    assert settings.contact == "keeper@apiary.example"
    assert str(settings.store_folder) == os.path.join("somewhere", "store")  # noqa: PTH118 - what the text should be
    assert settings.store_max_mb == 120.5
    assert settings.openmeteo_api_key == KEY
    assert settings.ca_bundle is None


@pytest.mark.parametrize("text", ["much", "0", "-5", "nan", "inf"])
def test_a_size_that_is_no_number_above_zero_is_refused_by_name(text: str) -> None:
    with pytest.raises(InputError, match=r"^MATEWINDOW_STORE_MAX_MB: .*no number above zero"):
        Settings.from_environment({"MATEWINDOW_STORE_MAX_MB": text})
