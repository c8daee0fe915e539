"""Who asks, and whether they may."""

from __future__ import annotations

from typing import TYPE_CHECKING, Annotated

import structlog
from fastapi import Depends
from starlette.requests import Request  # noqa: TC002  FastAPI reads annotations at run time

from api.edge.problems import Problem, state_of
from api.edge.rates import carries_authorization
from api.service import service_of
from matewindow.errors import RegisterError
from matewindow.register.access import Principal, Scope

if TYPE_CHECKING:
    from collections.abc import Callable

    from starlette.types import Scope as AsgiScope

    from api.service import Service

HERE = Principal("here", "this machine", "manage")
"""Whoever asks without a token where none is needed."""
PROXIED = (b"forwarded", b"x-forwarded-for", b"x-real-ip")
_log = structlog.get_logger("api.auth")


def bearer(scope: AsgiScope) -> str | None:
    """The token that a request carries; None = it carries none.

    Raises:
        Problem: an Authorization header of another kind, or more than one.
    """
    found = [value for name, value in scope["headers"] if name == b"authorization"]
    if not found:
        return None
    kind, _, secret = found[0].partition(b" ")
    if len(found) > 1 or kind.lower() != b"bearer" or not secret.strip():
        raise Problem("unauthenticated", "The Authorization header is not 'Bearer TOKEN'.")
    text: str = secret.strip().decode("latin-1")
    return text


def carries_credentials(scope: AsgiScope) -> bool:
    """Whether a request could be a guess at a token, in the header or in the path of a feed."""
    path = str(scope["path"]).removeprefix(str(scope.get("root_path", "")))
    return carries_authorization(scope) or path.startswith("/v1/feeds/mw_")


def identify(scope: AsgiScope, service: Service) -> Principal:
    """Who asks.

    Without a token only a program on this machine is let in, and only where the service listens on loopback alone
    and nothing tells that a proxy passed the request on.

    Raises:
        Problem: 401, no token or a worthless one.
    """
    secret = bearer(scope)
    if secret is None:
        proxied = any(name in PROXIED for name, _ in scope["headers"])
        if service.open_door and not proxied:
            return HERE
        raise Problem("unauthenticated")
    holder = service.access.holder(secret)
    if holder is None:
        raise Problem("unauthenticated", "This token is unknown or was revoked.")
    note_use(service, holder.id)
    return holder


def note_use(service: Service, thing: str) -> None:
    """Note that a token was used; where that cannot be written now, the request is answered all the same."""
    try:
        service.access.used(thing)
    except RegisterError as fault:
        _log.warning("use of a token not noted", holder=thing, reason=str(fault))


def _needs(scope: Scope) -> Callable[[Request], Principal]:
    def check(request: Request) -> Principal:
        who = identify(request.scope, service_of(request))
        state_of(request.scope)["token_id"] = who.id
        if not who.may(scope):
            raise Problem("forbidden", f"This needs the scope {scope}; the token has {who.scope}.")
        return who

    return check


Reader = Annotated[Principal, Depends(_needs("read"))]
Recorder = Annotated[Principal, Depends(_needs("record"))]
Manager = Annotated[Principal, Depends(_needs("manage"))]
