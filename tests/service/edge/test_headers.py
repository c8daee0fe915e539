"""Every answer has the security fields and its id, and is kept by no cache unless its route says so."""

from __future__ import annotations

import pytest

from api.edge.headers import API_CSP, PAGE_CSP, RequestIds, SecurityHeaders
from tests.service.edge.asgi import Echo, call


def test_an_answer_of_the_api_loads_nothing_is_framed_by_nobody_and_kept_nowhere() -> None:
    """OWASP ASVS 5.0, items 3.4.3 to 3.4.6, 3.4.8, 3.5.8 and 14.3.2."""
    answer = call(SecurityHeaders(Echo()))

    assert answer["x-content-type-options"] == "nosniff"
    assert answer["referrer-policy"] == "no-referrer"
    assert answer["cross-origin-opener-policy"] == "same-origin"
    assert answer["cross-origin-resource-policy"] == "same-origin"
    assert answer["cache-control"] == "no-store"
    assert answer["content-security-policy"] == API_CSP
    assert "default-src 'none'" in API_CSP
    assert answer["strict-transport-security"] == ""


def test_a_page_has_the_policy_of_pages() -> None:
    page = Echo(headers=[("content-type", "text/html; charset=utf-8")])

    assert call(SecurityHeaders(page))["content-security-policy"] == PAGE_CSP
    assert call(SecurityHeaders(page, "default-src 'self'"))["content-security-policy"] == "default-src 'self'"
    for directive in ("object-src 'none'", "base-uri 'none'", "frame-ancestors 'none'"):
        assert directive in PAGE_CSP
    assert "unsafe" not in PAGE_CSP


@pytest.mark.parametrize(
    ("name", "value"),
    [
        ("cache-control", "private, max-age=60"),
        ("content-security-policy", "default-src 'self'"),
        ("referrer-policy", "origin"),
    ],
)
def test_what_a_route_has_set_itself_stays(name: str, value: str) -> None:
    answer = call(SecurityHeaders(Echo(headers=[(name, value)])))

    assert [v for n, v in answer.fields if n.lower() == name.lower()] == [value]


def test_a_304_does_not_forbid_to_keep_what_the_caller_has() -> None:
    assert call(SecurityHeaders(Echo(304, body=b"")))["cache-control"] == ""


def test_browsers_are_told_to_come_by_https_only_on_purpose() -> None:
    """OWASP ASVS 5.0, item 3.4.1: at least a year."""
    assert call(SecurityHeaders(Echo(), hsts=True))["strict-transport-security"] == "max-age=31536000"


def test_a_request_gets_an_id_that_the_application_and_the_answer_share() -> None:
    app = Echo()
    first, second = call(RequestIds(app)), call(RequestIds(app))

    assert len(first["x-request-id"]) == 24
    assert first["x-request-id"] != second["x-request-id"]
    assert [scope["state"]["request_id"] for scope in app.scopes] == [first["x-request-id"], second["x-request-id"]]


@pytest.mark.parametrize("given", ["01J9Z3-trace.7", "a" * 64, "12345678"])
def test_a_sane_id_of_the_caller_is_kept(given: str) -> None:
    assert call(RequestIds(Echo()), headers={"X-Request-Id": given})["x-request-id"] == given


@pytest.mark.parametrize(
    "given", ["", "short", "a" * 65, "with space", "line\nbreak", 'quote"quote', "-starts-so", "ünïcödé-id"]
)
def test_any_other_id_of_the_caller_is_replaced(given: str) -> None:
    answer = call(RequestIds(Echo()), headers={"X-Request-Id": given})

    assert answer["x-request-id"] != given
    assert len(answer["x-request-id"]) == 24


def test_the_configured_base_url_is_handed_on() -> None:
    app = Echo()
    call(RequestIds(app, "https://bees.example/mw/"))

    assert app.scopes[0]["state"]["base_url"] == "https://bees.example/mw"
