"""What a browser can be made to do by a foreign page, and what proxies may tell."""

from __future__ import annotations

import pytest

from api.edge.forwarded import Forwarded
from api.edge.origin import Cors, CrossSiteGuard, HostGuard, own_origins
from tests.service.edge.asgi import Answer, Echo, call

# --- Host ----------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    "host", ["localhost", "LOCALHOST:8377", "127.0.0.1", "127.0.0.1:8377", "[::1]", "[::1]:8377", "[0:0:0:0:0:0:0:1]", "localhost."]
)  # fmt: skip
def test_loopback_names_are_ours_by_default(host: str) -> None:
    assert call(HostGuard(Echo()), headers={"Host": host}).status == 200


@pytest.mark.parametrize(
    "host",
    ["evil.example", "localhost.evil.example", "127.0.0.1.evil.example", "127.0.0.2", "192.168.1.5", "notlocalhost",
     "[::2]", "[::]", "localhost.."],
)  # fmt: skip
def test_a_foreign_name_that_points_to_our_address_is_refused(host: str) -> None:
    """DNS rebinding: the browser takes us for a host of the page that it shows (RFC 9110, section 15.5.20)."""
    app = Echo()
    answer = call(HostGuard(app), headers={"Host": host})

    assert (answer.status, answer.slug, app.calls) == (421, "misdirected-request", 0)
    assert answer.json["type"] == "http://127.0.0.1:8377/problems/misdirected-request"
    assert "evil" not in answer.body.decode()


@pytest.mark.parametrize(
    "hosts",
    [[], ["localhost", "localhost"], [""], ["local host"], ["user@localhost"], ["localhost:port"], ["localhost/"],
     ["[::1"], ["localhost,evil.example"], ["a" * 5000], ["\xff"], ["localhost:123456"]],
)  # fmt: skip
def test_a_host_that_is_missing_double_or_malformed_is_refused(hosts: list[str]) -> None:
    """RFC 9112, section 3.2: 400."""
    app = Echo()
    answer = call(HostGuard(app), headers=[("host", host) for host in hosts], host=None)

    assert (answer.status, answer.slug, app.calls) == (400, "malformed-request", 0)


@pytest.mark.parametrize(
    ("host", "status"),
    [
        ("bees.example", 200),
        ("BEES.example:443", 200),
        ("a.hives.example", 200),
        ("b.a.hives.example", 200),
        ("hives.example", 421),
        ("evilhives.example", 421),
        ("192.0.2.7:8377", 200),
        ("[2001:db8::7]", 200),
        ("[2001:DB8:0::7]:80", 200),
        ("localhost", 421),
    ],
)
def test_named_hosts_are_ours_and_no_others(host: str, status: int) -> None:
    guard = HostGuard(Echo(), ["bees.example", "*.hives.example", "192.0.2.7", "2001:db8::7"])

    assert call(guard, headers={"Host": host}).status == status


@pytest.mark.parametrize(
    "name", ["*", "", "https://bees.example", "bees.example:8377", "bees.*", "a b", "bees.example/mw"]
)
def test_a_name_that_would_never_fit_or_always_is_told_at_the_start(name: str) -> None:
    with pytest.raises(ValueError, match="allowed hosts"):
        HostGuard(Echo(), ["localhost", name])
    with pytest.raises(ValueError, match="allowed hosts"):
        HostGuard(Echo(), [])


# --- writes from other sites ---------------------------------------------------------------------------------


def write(headers: dict[str, str], method: str = "POST", guard: CrossSiteGuard | None = None) -> Answer:
    """Send a write with these header fields to a service that goes by bees.local:8377."""
    return call(guard or CrossSiteGuard(Echo()), method=method, headers={"Host": "bees.local:8377", **headers})


@pytest.mark.parametrize(
    "headers",
    [
        {},  # a program
        {"Sec-Fetch-Site": "same-origin"},
        {"Sec-Fetch-Site": "none"},
        {"Sec-Fetch-Site": "same-origin", "Origin": "http://bees.local:8377"},
        {"Origin": "http://bees.local:8377"},  # a browser over plain HTTP on a network sends no Sec-Fetch-Site
        {"Origin": "HTTP://Bees.Local:8377"},
        {"Origin": "https://bees.local:8377"},  # TLS ended at a proxy
        {"Sec-Fetch-Site": "same-origin", "Origin": "https://bees.example"},  # a proxy changed the Host
    ],
)
@pytest.mark.parametrize("method", ["POST", "PUT", "PATCH", "DELETE"])
def test_writes_of_our_own_pages_and_of_programs_go_through(headers: dict[str, str], method: str) -> None:
    assert write(headers, method).status == 200


@pytest.mark.parametrize(
    "headers",
    [
        {"Sec-Fetch-Site": "cross-site"},
        {"Sec-Fetch-Site": "same-site"},
        {"Sec-Fetch-Site": "nonsense"},
        {"Sec-Fetch-Site": ""},
        {"Sec-Fetch-Site": "cross-site", "Origin": "http://bees.local:8377"},
        {"Origin": "https://evil.example"},
        {"Origin": "null"},
        {"Origin": ""},
        {"Origin": "http://bees.local"},
        {"Origin": "http://bees.local:8378"},
        {"Origin": "bees.local:8377"},
        {"Origin": "http://bees.local:8377.evil.example"},
        {"Origin": "http://evil.example/http://bees.local:8377"},
    ],
)
@pytest.mark.parametrize("method", ["POST", "PUT", "PATCH", "DELETE", "PROPFIND"])
def test_writes_on_behalf_of_another_site_are_refused(headers: dict[str, str], method: str) -> None:
    answer = write(headers, method)

    assert (answer.status, answer.slug) == (403, "cross-site-refused")


@pytest.mark.parametrize("double", [("sec-fetch-site", "same-origin"), ("origin", "http://bees.local:8377")])
def test_a_second_good_header_does_not_hide_a_bad_one(double: tuple[str, str]) -> None:
    bad = ("sec-fetch-site", "cross-site") if double[0] == "sec-fetch-site" else ("origin", "http://evil.example")
    for fields in ([double, bad], [bad, double]):
        answer = call(CrossSiteGuard(Echo()), method="POST", headers=[("host", "bees.local:8377"), *fields])
        assert answer.status == 403


@pytest.mark.parametrize("method", ["GET", "HEAD", "OPTIONS"])
def test_reads_are_not_its_business(method: str) -> None:
    assert write({"Sec-Fetch-Site": "cross-site", "Origin": "https://evil.example"}, method).status == 200


def test_named_origins_may_write() -> None:
    guard = CrossSiteGuard(Echo(), ["https://Other.example/"], own_origins("https://bees.example/mw"))

    assert write({"Sec-Fetch-Site": "cross-site", "Origin": "https://other.example"}, guard=guard).status == 200
    assert write({"Origin": "https://bees.example"}, guard=guard).status == 200
    assert write({"Origin": "http://other.example"}, guard=guard).status == 403
    assert own_origins(None) == ()


@pytest.mark.parametrize(
    "origin", ["*", "null", "bees.example", "https://bees.example/path", "https://*.example", "ftp://x"]
)
def test_what_is_no_origin_is_told_at_the_start(origin: str) -> None:
    with pytest.raises(ValueError, match="an origin is written like"):
        CrossSiteGuard(Echo(), [origin])
    with pytest.raises(ValueError, match="an origin is written like"):
        Cors(Echo(), [origin])


# --- CORS ----------------------------------------------------------------------------------------------------

OTHER = "https://other.example"


def preflight(app: Cors, origin: str = OTHER, method: str = "PATCH", headers: str = "if-match,authorization") -> Answer:
    """Ask as a browser does before a request from another origin."""
    asking = {
        "Origin": origin,
        "Access-Control-Request-Method": method,
        "Access-Control-Request-Headers": headers,
    }
    return call(app, method="OPTIONS", headers=asking)


def test_a_named_origin_gets_a_preflight_with_all_that_it_asked_for() -> None:
    """WHATWG Fetch, sections 3.3.2 and 3.3.3."""
    app = Echo()
    answer = preflight(Cors(app, [OTHER]))

    assert (answer.status, app.calls) == (200, 0)
    assert answer["access-control-allow-origin"] == OTHER
    assert "PATCH" in answer["access-control-allow-methods"].split(", ")
    allowed = {name.lower() for name in answer["access-control-allow-headers"].split(", ")}
    assert {"authorization", "content-type", "if-match", "if-none-match", "idempotency-key"} <= allowed
    assert "Origin" in answer["vary"]
    assert answer["access-control-allow-credentials"] == ""


@pytest.mark.parametrize(
    ("origin", "method", "headers"),
    [("https://evil.example", "GET", ""), ("null", "GET", ""), (OTHER, "TRACE", ""), (OTHER, "GET", "x-other")],
)
def test_other_preflights_are_refused_by_a_problem(origin: str, method: str, headers: str) -> None:
    app = Echo()
    answer = preflight(Cors(app, [OTHER]), origin, method, headers or "accept")

    assert (answer.status, answer.slug, app.calls) == (403, "cross-site-refused", 0)
    assert "Origin" in answer["vary"]
    assert answer["access-control-allow-origin"] == ""


def test_answers_say_which_origin_may_read_them_and_that_they_depend_on_it() -> None:
    app = Cors(Echo(headers=[("vary", "Accept-Encoding")]), [OTHER])
    named, foreign, none = (call(app, headers={"Origin": o} if o else {}) for o in (OTHER, "https://evil.example", ""))

    assert named["access-control-allow-origin"] == OTHER
    assert "ETag" in named["access-control-expose-headers"].split(", ")
    assert foreign["access-control-allow-origin"] == ""
    assert {a["vary"] for a in (named, foreign, none)} == {"Accept-Encoding, Origin"}


@pytest.mark.parametrize("headers", [{}, {"Origin": OTHER}, {"Access-Control-Request-Method": "GET"}])
def test_options_that_is_no_preflight_reaches_the_application(headers: dict[str, str]) -> None:
    app = Echo()
    call(Cors(app, [OTHER]), method="OPTIONS", headers=headers)

    assert app.calls == 1


# --- proxies -------------------------------------------------------------------------------------------------

TOLD = {
    "X-Forwarded-For": "203.0.113.9, 198.51.100.4",
    "X-Forwarded-Proto": "https",
    "X-Forwarded-Host": "bees.example",
}


def test_a_named_proxy_is_believed() -> None:
    app = Echo()
    call(Forwarded(app, ["192.0.2.0/24"]), headers=TOLD)
    scope = app.scopes[0]

    assert scope["client"] == ("198.51.100.4", 0)
    assert scope["scheme"] == "https"
    assert [v for n, v in scope["headers"] if n == b"host"] == [b"bees.example"]


def test_the_last_address_that_is_no_proxy_of_ours_is_the_caller() -> None:
    app = Echo()
    call(Forwarded(app, ["192.0.2.0/24"]), headers={"X-Forwarded-For": "10.0.0.1, 203.0.113.9, 192.0.2.77"})

    assert app.scopes[0]["client"] == ("203.0.113.9", 0)


def test_the_last_host_of_several_is_the_one_that_our_proxy_saw() -> None:
    app = Echo()
    fields = [("x-forwarded-host", "localhost"), ("x-forwarded-host", "a.example, bees.example")]
    call(Forwarded(app, ["192.0.2.10"]), headers=fields)

    assert [v for n, v in app.scopes[0]["headers"] if n == b"host"] == [b"bees.example"]


@pytest.mark.parametrize("proxies", [(), ("198.51.100.1",), ("203.0.113.0/24",)])
def test_nobody_else_is_believed_and_what_they_tell_is_taken_away(proxies: tuple[str, ...]) -> None:
    app = Echo()
    call(
        Forwarded(app, proxies),
        headers={**TOLD, "X-Real-IP": "127.0.0.1", "Forwarded": "for=127.0.0.1", "Accept": "a/b"},
    )
    scope = app.scopes[0]

    assert (scope["client"], scope["scheme"]) == (("192.0.2.10", 50000), "http")
    assert scope["headers"] == [(b"host", b"localhost"), (b"accept", b"a/b")]


def test_a_proxy_that_tells_nothing_changes_nothing() -> None:
    app = Echo()
    call(Forwarded(app, ["192.0.2.10"]))

    assert (app.scopes[0]["client"], app.scopes[0]["scheme"]) == (("192.0.2.10", 50000), "http")


def test_a_local_socket_has_no_address_and_is_not_believed() -> None:
    app = Echo()
    call(Forwarded(app, ["192.0.2.10"]), headers=TOLD, client=None)

    assert app.scopes[0]["client"] is None


def test_believing_everybody_is_refused_at_the_start() -> None:
    with pytest.raises(ValueError, match="believe everybody"):
        Forwarded(Echo(), ["*"])
