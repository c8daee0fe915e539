"""Long work: asked for, watched, cancelled."""

# No `from __future__ import annotations` here: FastAPI reads the annotations of the routes at run time.

from datetime import datetime
from typing import Annotated, Any, Literal, Self

from fastapi import APIRouter, Path, Query
from pydantic import BaseModel, ConfigDict, Field, model_validator
from starlette.requests import Request
from starlette.responses import Response

from api.answers import NOT_MODIFIED, Limit, answer, problems, to_bytes
from api.auth import Reader, Recorder
from api.bounds import SeasonBounds
from api.reports.record import BoundsInRecord
from api.service import service_of
from matewindow.keeping.jobs import HINDCAST
from matewindow.keeping.siterecords import bounds_of
from matewindow.register.ids import PATTERN
from matewindow.register.records import Fields, Id, as_data

router = APIRouter(prefix="/v1/jobs", tags=["jobs"])
JobId = Annotated[str, Path(pattern=PATTERN, description="Its id.", examples=["jobs_0123456789abcdef"])]


class JobFields(Fields):
    """What is to be done."""

    kind: Literal["refresh", "hindcast"] = Field(
        "refresh",
        description="refresh: ask for the site's weather now, past years too, and issue its outlooks. hindcast: live "
        "through its past seasons again and keep the record of the odds; it takes minutes, one runs at a time.",
    )
    site_id: Id = Field(description="For which site.", examples=["site_0123456789abcdef"])
    bounds: SeasonBounds | None = Field(
        None, description="Of a hindcast: which seasons.", examples=[{"first_graft": "04-20", "last_graft": "07-31"}]
    )

    @model_validator(mode="after")
    def _bounds_of_a_hindcast(self) -> Self:
        if self.bounds is not None and self.kind != HINDCAST:
            raise ValueError("bounds go with the kind hindcast alone")
        return self


class Job(BaseModel):
    """Long work and how far it has come."""

    model_config = ConfigDict(extra="forbid")

    id: str = Field(description="Names the job.")
    kind: str = Field(description="What is done.")
    site_id: str | None = Field(description="For which site.")
    state: Literal["waiting", "running", "done", "failed", "cancelled"] = Field(description="How it stands.")
    bounds: BoundsInRecord | None = Field(description="Of a hindcast: which seasons; null = of another kind.")
    done: int = Field(description="Steps done: past years of a refresh, seasons of a hindcast.")
    wanted: int | None = Field(description="Steps in all; null = not known yet.")
    said: str = Field(description="What came of it.")
    created_at: datetime = Field(description="When it was asked for, UTC.")
    started_at: datetime | None = Field(description="When it began, UTC.")
    ended_at: datetime | None = Field(description="When it ended, UTC.")
    cancel_asked: bool = Field(description="Whether it is to stop.")


class JobPage(BaseModel):
    """Jobs in the order in which they were asked for."""

    items: list[Job]
    next_after: str | None = Field(description="Give this as `after` for the next page; null = this is the last.")


def _told(row: dict[str, Any]) -> dict[str, Any]:
    told = as_data(row)
    return {"bounds": told.pop("asked")} | told


@router.post(
    "",
    status_code=202,
    summary="Ask for long work",
    response_model=Job,
    responses=problems(404, 409, 413, 415, 507),
)
def ask(request: Request, given: JobFields, who: Recorder) -> Response:  # noqa: ARG001
    """A job that is already open for the same site is given instead of a second one."""
    asked = None if given.kind != HINDCAST else bounds_of(None if given.bounds is None else given.bounds.model_dump())
    row = service_of(request).jobs.ask(given.kind, given.site_id, asked)
    place = f"{request.scope.get('root_path', '')}/v1/jobs/{row['id']}"
    return Response(to_bytes(_told(row)), 202, headers={"Location": place}, media_type="application/json")


@router.get("", summary="List jobs", response_model=JobPage, responses=NOT_MODIFIED | problems())
def list_jobs(
    request: Request,
    who: Reader,  # noqa: ARG001
    open_only: Annotated[bool, Query(description="Only those that wait or run.")] = False,
    after: Annotated[Id | None, Query(description="Id of the last one of the page before.")] = None,
    limit: Limit = 50,
) -> Response:
    """In the order in which they were asked for."""
    rows = service_of(request).jobs.page(open_only=open_only, after=after, limit=limit + 1)
    last: Any = rows[limit - 1]["id"] if len(rows) > limit else None
    return answer(request, {"items": [_told(r) for r in rows[:limit]], "next_after": last})


@router.get("/{job_id}", summary="Read a job", response_model=Job, responses=NOT_MODIFIED | problems(404))
def read_job(request: Request, job_id: JobId, who: Reader) -> Response:  # noqa: ARG001
    """How far it has come."""
    return answer(request, _told(service_of(request).jobs.get(job_id)))


@router.post("/{job_id}/cancel", summary="Cancel a job", response_model=Job, responses=problems(404, 409))
def cancel_job(request: Request, job_id: JobId, who: Recorder) -> Response:  # noqa: ARG001
    """One that waits ends at once, one that runs at its next step."""
    return Response(to_bytes(_told(service_of(request).jobs.cancel(job_id))), media_type="application/json")
