"""Tokens and feed tokens: made, listed, revoked. A secret is shown once, in the answer that makes it.

An Idempotency-Key is not taken here: the answer to a repetition would have to hold the secret, which is not kept.
"""

# No `from __future__ import annotations` here: FastAPI reads the annotations of the routes at run time.

from datetime import datetime
from typing import Annotated, Any, Literal

from fastapi import APIRouter, Path, Query
from pydantic import BaseModel, ConfigDict, Field, StringConstraints
from starlette.requests import Request
from starlette.responses import Response

from api.answers import LOCATION, NEXT_AFTER, NOT_MODIFIED, Limit, answer, page, problems, to_bytes
from api.auth import Manager
from api.edge.problems import Problem, base_url
from api.service import Service, service_of
from matewindow.register.ids import PATTERN
from matewindow.register.records import Fields, Id, Name, as_data

router = APIRouter(prefix="/v1", tags=["access"])
TokenId = Annotated[
    str, Path(pattern=PATTERN, description="Id of the token; no secret.", examples=["tokn_0123456789abcdef"])
]
FeedId = Annotated[
    str, Path(pattern=PATTERN, description="Id of the feed token; no secret.", examples=["feed_0123456789abcdef"])
]
AfterToken = Annotated[
    Id | None, Query(description="Id of the last one of the page before.", examples=["tokn_0123456789abcdef"])
]
AfterFeed = Annotated[
    Id | None, Query(description="Id of the last one of the page before.", examples=["feed_0123456789abcdef"])
]
OneLine = Annotated[Name, StringConstraints(pattern=r"^[^\t\n]+$")]
_MADE: dict[int | str, dict[str, Any]] = {201: {"headers": LOCATION, "description": "Made; the secret is in it."}}
_SHOWN_ONCE = {"Cache-Control": "no-store"}


class TokenFields(Fields):
    """Who or what will use the token, and what it may do."""

    name: OneLine = Field(description="Who or what will use it, in one line.", examples=["Phone"])
    scope: Literal["read", "record", "manage"] = Field(
        description="read: look; record: also write records; manage: also tokens, webhooks and feeds.",
        examples=["record"],
    )


class FeedFields(Fields):
    """What the feed token opens."""

    name: OneLine = Field(description="Who or what will use it, in one line.", examples=["Calendar of the phone"])
    kind: Literal["calendar", "metrics"] = Field(description="Which feed it opens.", examples=["calendar"])
    site_id: Id | None = Field(
        None, description="Only this site; null = all sites.", examples=["site_0123456789abcdef"]
    )


class _Kept(BaseModel):
    model_config = ConfigDict(extra="forbid")

    id: str = Field(pattern=PATTERN, description="Names the token; it is no secret.")
    name: str = Field(description="Who or what uses it.")
    created_at: datetime = Field(description="When it was made, UTC.")
    last_used_at: datetime | None = Field(description="When it was last used, UTC, to the minute; null = never.")
    revoked_at: datetime | None = Field(description="When it was revoked, UTC; null = it is valid.")


class Token(_Kept):
    """A token, without its secret."""

    scope: Literal["read", "record", "manage"] = Field(description="What it may do.")


class NewToken(Token):
    """A token with its secret, which is shown here and never again."""

    token: str = Field(description="Send it as 'Authorization: Bearer TOKEN'.")


class Feed(_Kept):
    """A feed token, without its secret."""

    kind: Literal["calendar", "metrics"] = Field(description="Which feed it opens.")
    site_id: str | None = Field(description="Only this site; null = all sites.")


class NewFeed(Feed):
    """A feed token with the address that it opens, which is shown here and never again."""

    path: str = Field(description="Path of the feed, with its secret.", examples=["/v1/feeds/mw_f.../calendar.ics"])
    url: str = Field(description="The same as a whole address.")


class Tokens(BaseModel):
    """Tokens in the order in which they were made."""

    model_config = ConfigDict(extra="forbid")

    items: list[Token]
    next_after: str | None = Field(description=NEXT_AFTER)


class Feeds(BaseModel):
    """Feed tokens in the order in which they were made."""

    model_config = ConfigDict(extra="forbid")

    items: list[Feed]
    next_after: str | None = Field(description=NEXT_AFTER)


@router.post(
    "/tokens",
    status_code=201,
    summary="Make a token",
    response_model=NewToken,
    responses=_MADE | problems(413, 415, 507),
)
def make_token(request: Request, given: TokenFields, who: Manager) -> Response:  # noqa: ARG001
    """The secret is in this answer and nowhere else. A request that is repeated makes a second token."""
    row, secret = service_of(request).access.new_token(given.name, given.scope)
    return _made(request, "tokens", as_data(row) | {"token": secret})


@router.get("/tokens", summary="List tokens", response_model=Tokens, responses=NOT_MODIFIED | problems())
def list_tokens(request: Request, who: Manager, after: AfterToken = None, limit: Limit = 50) -> Response:  # noqa: ARG001
    """Revoked ones too, without their secrets."""
    return _listed(request, service_of(request).access.tokens(after=after, limit=limit + 1), limit)


@router.get("/tokens/{token_id}", summary="Read a token", response_model=Token, responses=NOT_MODIFIED | problems(404))
def read_token(request: Request, token_id: TokenId, who: Manager) -> Response:  # noqa: ARG001
    """Without its secret."""
    return answer(request, as_data(service_of(request).access.get(_of("tokn_", token_id))))


@router.post(
    "/tokens/{token_id}/revoke", summary="Revoke a token, at once", response_model=Token, responses=problems(404, 507)
)
def revoke_token(request: Request, token_id: TokenId, who: Manager) -> Response:  # noqa: ARG001
    """It opens nothing from now on, and stays in the list. To revoke it again changes nothing."""
    return _revoked(service_of(request), _of("tokn_", token_id))


@router.post(
    "/feeds",
    status_code=201,
    summary="Make a feed token",
    response_model=NewFeed,
    responses=_MADE | problems(413, 415, 507),
)
def make_feed(request: Request, given: FeedFields, who: Manager) -> Response:  # noqa: ARG001
    """For programs that can send no headers, such as calendars. It reads one feed and can do nothing else."""
    service = service_of(request)
    row, secret = service.access.new_feed(given.name, given.kind, given.site_id)
    inner = f"/v1/feeds/{secret}/{'calendar.ics' if given.kind == 'calendar' else 'metrics'}"
    path = f"{request.scope.get('root_path', '')}{inner}"
    url = f"{service.public_url}{inner}" if service.public_url else f"{base_url(request.scope)}{inner}"
    return _made(request, "feeds", as_data(row) | {"path": path, "url": url})


@router.get("/feeds", summary="List feed tokens", response_model=Feeds, responses=NOT_MODIFIED | problems())
def list_feeds(request: Request, who: Manager, after: AfterFeed = None, limit: Limit = 50) -> Response:  # noqa: ARG001
    """Revoked ones too, without their secrets."""
    return _listed(request, service_of(request).access.feeds(after=after, limit=limit + 1), limit)


@router.get(
    "/feeds/{feed_id}", summary="Read a feed token", response_model=Feed, responses=NOT_MODIFIED | problems(404)
)
def read_feed(request: Request, feed_id: FeedId, who: Manager) -> Response:  # noqa: ARG001
    """Without its secret."""
    return answer(request, as_data(service_of(request).access.get(_of("feed_", feed_id))))


@router.post(
    "/feeds/{feed_id}/revoke", summary="Revoke a feed token, at once", response_model=Feed, responses=problems(404, 507)
)
def revoke_feed(request: Request, feed_id: FeedId, who: Manager) -> Response:  # noqa: ARG001
    """It opens nothing from now on, and stays in the list. To revoke it again changes nothing."""
    return _revoked(service_of(request), _of("feed_", feed_id))


def _of(prefix: str, thing: str) -> str:
    """The id, if it is one of this kind of token.

    Raises:
        Problem: 404.
    """
    if not thing.startswith(prefix):
        raise Problem("not-found", f"There is no token {thing!r}.", fix="Look at the list for its id.")
    return thing


def _made(request: Request, plural: str, body: dict[str, Any]) -> Response:
    place = f"{request.scope.get('root_path', '')}/v1/{plural}/{body['id']}"
    headers = _SHOWN_ONCE | {"Location": place}
    return Response(to_bytes(body), 201, headers=headers, media_type="application/json")


def _listed(request: Request, rows: list[dict[str, Any]], limit: int) -> Response:
    return page(request, [as_data(row) for row in rows[:limit]], rows[limit - 1]["id"] if len(rows) > limit else None)


def _revoked(service: Service, thing: str) -> Response:
    return Response(to_bytes(as_data(service.access.revoke(thing))), media_type="application/json")
