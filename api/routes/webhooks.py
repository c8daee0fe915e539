"""Webhooks: whom the service tells what happens, what became of each message, and sending it once more."""

# No `from __future__ import annotations` here: FastAPI reads the annotations of the routes at run time.

from typing import Annotated, Any

from annotated_types import Interval
from fastapi import APIRouter, Path, Query
from starlette.requests import Request
from starlette.responses import Response

from api.answers import (
    ETAG,
    LOCATION,
    NOT_MODIFIED,
    IfMatch,
    IfNoneMatch,
    Limit,
    answer,
    page,
    problems,
    to_bytes,
)
from api.auth import Manager
from api.edge.conditional import both_tags, require_match
from api.queries import InDigits
from api.service import Service, service_of
from api.webhookmodels import (
    Deliveries,
    Delivery,
    DisableFields,
    NewSecret,
    NewWebhook,
    Replayed,
    ReplayFields,
    Webhook,
    WebhookChange,
    WebhookFields,
    Webhooks,
    WebhookStatus,
)
from matewindow.register.ids import PATTERN
from matewindow.register.records import Id, as_data
from matewindow.webhooks import deliveries
from matewindow.webhooks.endpoints import Endpoints
from matewindow.webhooks.sender import Sender

router = APIRouter(prefix="/v1", tags=["webhooks"])
WebhookId = Annotated[str, Path(pattern=PATTERN, description="Its id.", examples=["hook_0123456789abcdef"])]
DeliveryId = Annotated[str, Path(pattern=PATTERN, description="Its id.", examples=["dlvr_0123456789abcdef"])]
_SHOWN_ONCE = {"Cache-Control": "no-store"}
_TAGGED: dict[int | str, dict[str, Any]] = {200: {"headers": ETAG}}
_ADDED: dict[int | str, dict[str, Any]] = {
    201: {"headers": ETAG | LOCATION, "description": "Added; the secret is in it."}
}


@router.post(
    "/webhooks",
    status_code=201,
    summary="Add a webhook",
    response_model=NewWebhook,
    responses=_ADDED | problems(409, 413, 415, 507),
)
def add_webhook(request: Request, given: WebhookFields, who: Manager) -> Response:  # noqa: ARG001
    """Messages are those of Standard Webhooks 1.0; the secret to verify them with is in this answer and nowhere else.

    There is no Idempotency-Key here, since the answer would have to be kept with the secret in it.
    """
    row, secret = _endpoints(service_of(request)).add(given.url, given.types, given.site_id)
    place = f"{request.scope.get('root_path', '')}/v1/webhooks/{row['id']}"
    headers = _SHOWN_ONCE | {"Location": place, "ETag": both_tags(str(row["version"]))[0]}
    return Response(to_bytes(as_data(row) | {"secret": secret}), 201, headers=headers, media_type="application/json")


@router.get("/webhooks", summary="List webhooks", response_model=Webhooks, responses=NOT_MODIFIED | problems())
def list_webhooks(
    request: Request,
    who: Manager,  # noqa: ARG001
    after: Annotated[
        Id | None, Query(description="Id of the last one of the page before.", examples=["hook_0123456789abcdef"])
    ] = None,
    limit: Limit = 50,
) -> Response:
    """Disabled ones too, without their secrets."""
    rows = _endpoints(service_of(request)).every(after=after, limit=limit + 1)
    last = rows[limit - 1]["id"] if len(rows) > limit else None
    return page(request, [as_data(row) for row in rows[:limit]], last)


@router.get(
    "/webhooks/{webhook_id}",
    summary="Read a webhook",
    response_model=Webhook,
    responses=_TAGGED | NOT_MODIFIED | problems(404),
)
def read_webhook(
    request: Request,
    webhook_id: WebhookId,
    who: Manager,  # noqa: ARG001
    if_none_match: IfNoneMatch = None,  # noqa: ARG001
) -> Response:
    """Without its secret."""
    row = _endpoints(service_of(request)).get(webhook_id)
    return answer(request, as_data(row), tag=str(row["version"]))


@router.patch(
    "/webhooks/{webhook_id}",
    summary="Change a webhook",
    response_model=Webhook,
    responses=_TAGGED | problems(404, 409, 412, 413, 415, 428, 507),
)
def change_webhook(
    request: Request,
    webhook_id: WebhookId,
    given: WebhookChange,
    who: Manager,  # noqa: ARG001
    if_match: IfMatch = None,  # noqa: ARG001
) -> Response:
    """Only the fields that are given are changed. What still waits goes to the new address."""
    endpoints = _endpoints(service_of(request))
    version = _seen(request, endpoints.get(webhook_id))
    return _fresh(endpoints.change(webhook_id, given.model_dump(exclude_unset=True), version=version))


@router.delete(
    "/webhooks/{webhook_id}",
    status_code=204,
    summary="Delete a webhook",
    responses=problems(404, 409, 412, 428, 507),
)
def delete_webhook(
    request: Request,
    webhook_id: WebhookId,
    who: Manager,  # noqa: ARG001
    if_match: IfMatch = None,  # noqa: ARG001
) -> Response:
    """For good: it gets nothing more, and its secrets are erased at once."""
    endpoints = _endpoints(service_of(request))
    endpoints.delete(webhook_id, version=_seen(request, endpoints.get(webhook_id)))
    return Response(status_code=204)


@router.post(
    "/webhooks/{webhook_id}/secret",
    summary="Exchange the secret of a webhook",
    response_model=NewSecret,
    responses=problems(404, 409, 507),
)
def exchange_secret(request: Request, webhook_id: WebhookId, who: Manager) -> Response:  # noqa: ARG001
    """For 24 hours messages carry two signatures, the new secret's and the old one's."""
    secret, until = _endpoints(service_of(request)).rotate(webhook_id)
    body = as_data({"secret": secret, "old_secret_until": until})
    return Response(to_bytes(body), headers=_SHOWN_ONCE, media_type="application/json")


@router.post(
    "/webhooks/{webhook_id}/test",
    summary="Send a test message and see what comes of it",
    response_model=Delivery,
    responses=problems(404, 409, 507),
)
def test_webhook(request: Request, webhook_id: WebhookId, who: Manager) -> Response:  # noqa: ARG001
    """The answer comes when the endpoint has answered, after 20 seconds at most. A test is not sent again.

    Also for a webhook that is disabled.
    """
    service = service_of(request)
    delivery = _endpoints(service).test(webhook_id)
    database = service.register.database
    Sender(database, service.guard, service.clock).send(delivery)
    return _said(deliveries.one(database, delivery))


@router.post(
    "/webhooks/{webhook_id}/disable",
    summary="Disable a webhook",
    response_model=Webhook,
    responses=_TAGGED | problems(404, 409, 413, 415, 507),
)
def disable_webhook(request: Request, webhook_id: WebhookId, given: DisableFields, who: Manager) -> Response:  # noqa: ARG001
    """It gets nothing until it is enabled; what happens meanwhile is kept for 30 days and can be replayed."""
    return _fresh(_endpoints(service_of(request)).disable(webhook_id, given.why))


@router.post(
    "/webhooks/{webhook_id}/enable",
    summary="Enable a webhook",
    response_model=Webhook,
    responses=_TAGGED | problems(404, 409, 507),
)
def enable_webhook(request: Request, webhook_id: WebhookId, who: Manager) -> Response:  # noqa: ARG001
    """It is told of what happens from now on; what it missed is sent if it is replayed."""
    return _fresh(_endpoints(service_of(request)).enable(webhook_id))


@router.get(
    "/webhooks/{webhook_id}/status",
    summary="How a webhook does: delivered, failed, waiting",
    response_model=WebhookStatus,
    responses=NOT_MODIFIED | problems(404),
)
def read_webhook_status(request: Request, webhook_id: WebhookId, who: Manager) -> Response:  # noqa: ARG001
    """What changes with every message stands here and not in the webhook itself."""
    return answer(request, as_data(deliveries.status(service_of(request).register.database, webhook_id)))


@router.get(
    "/webhooks/{webhook_id}/deliveries",
    summary="What became of the messages to a webhook",
    response_model=Deliveries,
    responses=NOT_MODIFIED | problems(404),
)
def list_deliveries(
    request: Request,
    webhook_id: WebhookId,
    who: Manager,  # noqa: ARG001
    state: Annotated[
        deliveries.State | None, Query(description="Only those in this state.", examples=["given up"])
    ] = None,
    after: Annotated[
        Annotated[int, Interval(ge=1, le=2**53), InDigits] | None,
        Query(description="`seq` of the last one of the page before.", examples=[17]),
    ] = None,
    limit: Limit = 50,
) -> Response:
    """The newest first; they are kept for 30 days, and longer while they are still to be sent."""
    database = service_of(request).register.database
    rows = deliveries.page(database, webhook_id, state=state, after=after, limit=limit + 1)
    items = [as_data(row) for row in rows[:limit]]
    return page(request, items, items[-1]["seq"] if len(rows) > limit else None)


@router.post(
    "/webhooks/{webhook_id}/replay",
    summary="Send the messages of a time once more",
    response_model=Replayed,
    responses=problems(404, 409, 413, 415, 507),
)
def replay_webhook(request: Request, webhook_id: WebhookId, given: ReplayFields, who: Manager) -> Response:  # noqa: ARG001
    """With the ids that they had, so that a receiver can tell what it has already. Those that wait are sent anyway."""
    service = service_of(request)
    n = deliveries.replay_range(
        service.register.database, webhook_id, given.begin, given.end, service.clock(), delivered=given.delivered
    )
    return Response(to_bytes({"replayed": n}), media_type="application/json")


@router.post(
    "/deliveries/{delivery_id}/replay",
    summary="Send a message once more",
    response_model=Delivery,
    responses=problems(404, 409, 507),
)
def replay_delivery(request: Request, delivery_id: DeliveryId, who: Manager) -> Response:  # noqa: ARG001
    """With the id that it had, beginning at the first attempt; one that waits is sent at once."""
    service = service_of(request)
    return _said(deliveries.replay(service.register.database, delivery_id, service.clock()))


def _endpoints(service: Service) -> Endpoints:
    return Endpoints(service.register.database, service.guard, service.clock)


def _seen(request: Request, row: dict[str, Any]) -> int:
    """The stored version, if the caller has seen it."""
    require_match(request.scope, both_tags(str(row["version"])))
    version: int = row["version"]
    return version


def _fresh(row: dict[str, Any]) -> Response:
    """A webhook as it is after a change."""
    headers = {"ETag": both_tags(str(row["version"]))[0]}
    return Response(to_bytes(as_data(row)), headers=headers, media_type="application/json")


def _said(row: dict[str, Any]) -> Response:
    return Response(to_bytes(as_data(row)), media_type="application/json", headers={"Cache-Control": "no-store"})
