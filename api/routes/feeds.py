"""Feeds for other tools: calendars and Prometheus figures, with a token in a header or a feed token in the path."""

# No `from __future__ import annotations` here: FastAPI reads the annotations of the routes at run time.

from typing import Annotated, Any

from fastapi import APIRouter, Path, Query
from starlette.requests import Request
from starlette.responses import Response

from api.answers import NOT_MODIFIED, problems
from api.auth import Reader, note_use
from api.edge.conditional import Prepared
from api.edge.problems import Problem, state_of
from api.queries import Flag
from api.service import Service, service_of
from matewindow.feeds.metrics import exposition, negotiated
from matewindow.keeping.calendars import calendar
from matewindow.keeping.figures import figures_of
from matewindow.register.records import Id

router = APIRouter(prefix="/v1", tags=["feeds"])
CALENDAR_TYPE = "text/calendar; charset=utf-8"
Secret = Annotated[
    str,
    Path(
        min_length=10,
        max_length=100,
        pattern=r"^[A-Za-z0-9_-]+$",
        description="The feed token; whoever knows it can read the feed.",
        examples=["mw_f" + "x" * 43 + "000000"],
    ),
]
_ICS: dict[int | str, dict[str, Any]] = {
    200: {
        "description": "The calendar, by RFC 5545.",
        "content": {"text/calendar": {"schema": {"type": "string"}}},
    }
}
_TEXT: dict[int | str, dict[str, Any]] = {
    200: {
        "description": "Figures in the text format of Prometheus, or as OpenMetrics if that is asked for.",
        "content": {
            "text/plain": {"schema": {"type": "string"}},
            "application/openmetrics-text": {"schema": {"type": "string"}},
        },
    }
}


@router.get(
    "/calendar.ics",
    summary="The dates of all batches, or of one site's, as a calendar",
    response_class=Response,
    responses=_ICS | NOT_MODIFIED | problems(404),
)
def read_calendar(
    request: Request,
    who: Reader,  # noqa: ARG001
    site_id: Annotated[Id | None, Query(description="Only this site.", examples=["site_0123456789abcdef"])] = None,
) -> Response:
    """For calendar programs that can send a token in a header; the others get a feed token."""
    return _calendar(request, service_of(request), site_id, secret=False)


@router.get(
    "/feeds/{secret}/calendar.ics",
    summary="A calendar, for programs that can send no headers",
    response_class=Response,
    responses=_ICS | NOT_MODIFIED | problems(404),
)
def read_calendar_of_feed(request: Request, secret: Secret) -> Response:
    """The feed token stands in the path: whoever has the address can read this calendar and nothing else."""
    service = service_of(request)
    return _calendar(request, service, _feed(request, service, secret, "calendar")["site_id"], secret=True)


@router.get(
    "/metrics",
    summary="Figures of the service for Prometheus",
    response_class=Response,
    responses=_TEXT | NOT_MODIFIED | problems(),
)
def read_metrics(
    request: Request,
    who: Reader,  # noqa: ARG001
    batches: Annotated[Flag, Query(description="Also the odds of each batch.", examples=[True])] = False,
) -> Response:
    """Ages of the weather as points in time, warnings, deliveries, requests."""
    return _metrics(request, service_of(request), None, batches=batches)


@router.get(
    "/feeds/{secret}/metrics",
    summary="Figures of the service, or of one site, for Prometheus without a header",
    response_class=Response,
    responses=_TEXT | NOT_MODIFIED | problems(404),
)
def read_metrics_of_feed(
    request: Request,
    secret: Secret,
    batches: Annotated[Flag, Query(description="Also the odds of each batch.", examples=[True])] = False,
) -> Response:
    """The feed token stands in the path: whoever has the address can read these figures and nothing else."""
    service = service_of(request)
    return _metrics(request, service, _feed(request, service, secret, "metrics")["site_id"], batches=batches)


def _feed(request: Request, service: Service, secret: str, kind: str) -> dict[str, Any]:
    """What a feed token opens.

    Raises:
        Problem: 404, as if there were nothing: it is unknown, revoked or for another feed.
    """
    row = service.access.feed(secret)
    if row is None or row["kind"] != kind:
        state_of(request.scope)["auth_failed"] = True
        raise Problem("not-found")
    note_use(service, row["id"])
    return row


def _calendar(request: Request, service: Service, site_id: str | None, *, secret: bool) -> Response:
    body = calendar(service.keeper, site_id)
    cache = "no-store" if secret else "private, no-cache"
    return Prepared(body, CALENDAR_TYPE, cache_control=cache).response(request.scope)


def _metrics(request: Request, service: Service, site_id: str | None, *, batches: bool) -> Response:
    media = negotiated(request.headers.get("accept"))
    figures = figures_of(service.register.database, service.clock(), site_id, each_batch=batches)
    meters = request.app.state.meters if site_id is None else ()  # requests are those of the whole service
    body = exposition(figures, media, batches=batches, meters=meters)
    return Prepared(body, media, cache_control="no-store", vary=["Accept"]).response(request.scope)
