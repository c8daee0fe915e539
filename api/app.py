"""The application: all routes, their description, and the edge around them."""

from __future__ import annotations

from contextlib import asynccontextmanager
from dataclasses import replace
from typing import TYPE_CHECKING

from fastapi import Depends, FastAPI
from starlette.concurrency import run_in_threadpool
from starlette.routing import Route

from api.answers import to_bytes
from api.auth import carries_credentials
from api.describing import DESCRIPTION, SUMMARY, describe
from api.edge.conditional import Prepared
from api.edge.handlers import install
from api.edge.problems import problem_page
from api.edge.stack import Edge, guard
from api.hot import Hot
from api.metering import Metered
from api.queries import known_query
from api.routes import access, feeds, geo, jobs, outlooks, siterecords, state, webhooks
from api.routes.records import router_of
from matewindow import __version__
from matewindow.feeds.requestmeter import RequestMeter
from matewindow.register.idempotency import ReusedKeyError
from matewindow.register.records import KINDS

if TYPE_CHECKING:
    from collections.abc import AsyncIterator

    from starlette.requests import Request
    from starlette.responses import Response
    from starlette.types import ASGIApp

    from api.service import Service

OPENAPI = "/v1/openapi.json"


def create_api(service: Service) -> FastAPI:
    """The routes and their description, without the edge around them."""
    app = FastAPI(
        title="matewindow",
        version=__version__,
        summary=SUMMARY,
        description=DESCRIPTION,
        docs_url=None,
        redoc_url=None,
        openapi_url=None,
        redirect_slashes=False,
        generate_unique_id_function=lambda route: route.name,
        lifespan=_with_schedule,
        dependencies=[Depends(known_query)],
    )
    app.state.service = service
    modules = (geo, outlooks, siterecords, state, jobs, feeds, webhooks, access)
    routers = [*(router_of(kind) for kind in KINDS), *(module.router for module in modules)]
    for router in routers:
        app.include_router(router)
    plain = [
        Route(OPENAPI, _openapi),
        Route("/problems", problem_page),
        Route("/problems/{slug}", problem_page),
    ]
    app.router.routes += plain
    templates = [route.path for router in routers for route in router.routes if isinstance(route, Route)]
    app.state.meters = (RequestMeter([*templates, *(route.path for route in plain)]),)
    install(app, {ReusedKeyError: "idempotency-key-reused"})
    app.openapi = lambda: describe(app, service.public_url)  # type: ignore[method-assign]
    return app


def _openapi(request: Request) -> Response:
    """The description of the interface, made at the first request for it."""
    app = request.app
    if not hasattr(app.state, "description"):
        app.state.description = Prepared(to_bytes(app.openapi()), cache_control="public, no-cache")
    description: Prepared = app.state.description
    return description.response(request.scope)


@asynccontextmanager
async def _with_schedule(app: FastAPI) -> AsyncIterator[None]:
    """The service's own work begins and ends with it."""
    schedule = app.state.service.schedule
    if schedule is not None:
        schedule.start()
    try:
        yield
    finally:
        if schedule is not None:
            await run_in_threadpool(schedule.stop)


def create_app(service: Service, edge: Edge | None = None) -> ASGIApp:
    """The whole service as one ASGI application.

    Args:
        service: its parts.
        edge: how the edge is set up.
    """
    edge = replace(edge or Edge(), has_credentials=carries_credentials)
    api = create_api(service)
    (meter,) = api.state.meters
    return Hot(Metered(guard(api, edge), meter), service.register.database, edge.requests, meter)
