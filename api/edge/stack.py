"""All pieces of the edge around an application, in the order in which they must stand.

From the outside in: id, proxies, log, security fields, last resort, hosts, other origins, other sites, rates, HEAD,
body. The id comes first since all others name it; proxies before the log and the guards, which look at the host; the
log and the security fields see the refusals of everything inside of them; bodies are only read for callers that
nothing else refuses.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING

from api.edge.accesslog import AccessLog
from api.edge.body import JSON_BODY, BodyGuard, BodyRule
from api.edge.conditional import HeadLikeGet
from api.edge.forwarded import Forwarded
from api.edge.handlers import LastResort
from api.edge.headers import PAGE_CSP, RequestIds, SecurityHeaders
from api.edge.origin import LOOPBACK, Cors, CrossSiteGuard, HostGuard, own_origins
from api.edge.rates import Buckets, RateLimit, caller_key, carries_authorization

if TYPE_CHECKING:
    from collections.abc import Callable

    from starlette.types import ASGIApp, Scope


@dataclass(frozen=True)
class Edge:
    """How the edge is set up.

    Args:
        base_url: where the service is reached; from the request if left out.
        hosts: names that it goes by.
        origins: other origins that may read and write through a browser.
        proxies: addresses of proxies whose ``X-Forwarded`` fields are believed.
        requests: buckets for all requests.
        failures: buckets for failed authentications.
        key: whose bucket a request takes from.
        has_credentials: whether a request could be a failed authentication.
        body_rule: what bodies a path takes.
        page_csp: Content-Security-Policy of HTML pages.
        hsts: whether browsers are told to come by HTTPS only.
        access_log: whether answers are logged.
        quiet: route templates that the access log leaves out while they answer well.
    """

    base_url: str | None = None
    hosts: tuple[str, ...] = LOOPBACK
    origins: tuple[str, ...] = ()
    proxies: tuple[str, ...] = ()
    requests: Buckets = field(default_factory=lambda: Buckets(per_minute=600, burst=300))
    failures: Buckets = field(default_factory=lambda: Buckets(per_minute=10, burst=20))
    key: Callable[[Scope], str] = caller_key
    has_credentials: Callable[[Scope], bool] = carries_authorization
    body_rule: Callable[[Scope], BodyRule] = lambda _: JSON_BODY
    page_csp: str = PAGE_CSP
    hsts: bool = False
    access_log: bool = True
    quiet: tuple[str, ...] = ()


def guard(app: ASGIApp, edge: Edge) -> ASGIApp:
    """The application with the edge around it.

    Raises:
        ValueError: a host, origin or proxy is not written as one.
    """
    app = BodyGuard(app, edge.body_rule)
    app = HeadLikeGet(app)
    app = RateLimit(app, edge.requests, edge.failures, key=edge.key, has_credentials=edge.has_credentials)
    app = CrossSiteGuard(app, edge.origins, own_origins(edge.base_url))
    if edge.origins:
        app = Cors(app, edge.origins)
    app = HostGuard(app, edge.hosts)
    app = LastResort(app)
    app = SecurityHeaders(app, edge.page_csp, hsts=edge.hsts)
    if edge.access_log:
        app = AccessLog(app, quiet=edge.quiet)
    app = Forwarded(app, edge.proxies)
    return RequestIds(app, edge.base_url)
