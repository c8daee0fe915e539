"""The record of the odds at a site, as its last hindcast found it: data and page."""

# No `from __future__ import annotations` here: FastAPI reads the annotations of the routes at run time.

from typing import Annotated, Any

from fastapi import APIRouter, Path
from starlette.requests import Request
from starlette.responses import HTMLResponse, Response

from api.answers import NOT_MODIFIED, answer, problems
from api.auth import Reader
from api.bounds import FirstGraft, FirstSeason, LastGraft, LastSeason
from api.edge.conditional import Prepared
from api.reports import RecordReport
from api.service import service_of
from matewindow.keeping import siterecords
from matewindow.register.ids import PATTERN
from matewindow.register.records import as_data

router = APIRouter(prefix="/v1/sites/{site_id}", tags=["records"])
PAGE_CSP = "default-src 'none'; style-src 'unsafe-inline'; base-uri 'none'; form-action 'none'; frame-ancestors 'none'"
"""The page brings its own styles and nothing else: no script, no picture from elsewhere."""
SiteId = Annotated[str, Path(pattern=PATTERN, description="Its id.", examples=["site_0123456789abcdef"])]


@router.get(
    "/record",
    summary="The record of the odds at a site",
    response_model=RecordReport,
    responses=NOT_MODIFIED | problems(404),
)
def read_record(
    request: Request,
    site_id: SiteId,
    who: Reader,  # noqa: ARG001
    first_graft: FirstGraft = None,
    last_graft: LastGraft = None,
    first_season: FirstSeason = None,
    last_season: LastSeason = None,
) -> Response:
    """The past seasons of the site lived through again, and how good odds and advice would have been.

    It is made by a job of the kind hindcast (`POST /v1/jobs`), and stays as it is until the next one.
    """
    asked = _asked(first_graft, last_graft, first_season, last_season)
    service_of(request).register.get("site", site_id)
    return answer(request, as_data(siterecords.data_of(service_of(request).register.database, site_id, asked)))


@router.get(
    "/record.html",
    summary="The record of the odds at a site as a page",
    response_class=HTMLResponse,
    responses={200: {"content": {"text/html": {"schema": {"type": "string"}}}}} | NOT_MODIFIED | problems(404),
)
def read_record_page(
    request: Request,
    site_id: SiteId,
    who: Reader,  # noqa: ARG001
    first_graft: FirstGraft = None,
    last_graft: LastGraft = None,
    first_season: FirstSeason = None,
    last_season: LastSeason = None,
) -> Response:
    """The same figures in words, pictures and tables: one page that stands by itself and runs no script."""
    asked = _asked(first_graft, last_graft, first_season, last_season)
    service_of(request).register.get("site", site_id)
    body = siterecords.page_of(service_of(request).register.database, site_id, asked)
    page = Prepared(body, "text/html; charset=utf-8").response(request.scope)
    page.headers["Content-Security-Policy"] = PAGE_CSP  # of a 304 too: browsers take its fields for the kept page
    return page


def _asked(*values: str | int | None) -> dict[str, Any] | None:
    return dict(zip(siterecords.BOUNDS, values, strict=True)) if any(v is not None for v in values) else None
