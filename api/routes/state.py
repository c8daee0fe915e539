"""How things stand: warnings, the weather held for a site, the parameters in use, health."""

# No `from __future__ import annotations` here: FastAPI reads the annotations of the routes at run time.

from datetime import date as Date  # noqa: N812  fields are called date
from datetime import datetime
from typing import Annotated, Any, Literal

from fastapi import APIRouter, Path, Query
from pydantic import BaseModel, ConfigDict, Field
from starlette.requests import Request
from starlette.responses import Response

from api.answers import NEXT_AFTER, NOT_MODIFIED, Limit, answer, page, problems, to_bytes
from api.auth import Reader
from api.edge.problems import Problem
from api.hot import mark_hot
from api.queries import Flag
from api.reports import Source
from api.service import service_of
from matewindow import __version__
from matewindow.errors import MatewindowError
from matewindow.keeping import warned
from matewindow.keeping.state import health_of, site_states
from matewindow.register.ids import PATTERN
from matewindow.register.life import site_of
from matewindow.register.records import Id, as_data
from matewindow.reporting import sources_report

router = APIRouter(prefix="/v1")


class Strict(BaseModel):
    """No other keys than these."""

    model_config = ConfigDict(extra="forbid")


class WarnedBatch(Strict):
    """Which batch a warning is about."""

    id: str = Field(description="Of the batch.")
    name: str = Field(description="What the keeper called it then; may be empty.")


class Todo(Strict):
    """One thing that can still be done."""

    action: str = Field(description="A word for it that programs can go by.")
    by: Date = Field(description="By when.")
    text: str = Field(description="The same in sentences.")


class WarningData(Strict):
    """A warning for machines: what changed, why, and what can still be done."""

    type: Literal["raise", "worse", "clear"] = Field(description="What became of the warning.")
    batch: WarnedBatch = Field(description="The batch.")
    stage: str = Field(description="How far the batch was.")
    cause: str | None = Field(description="What spoils the window most; null = cannot be told.")
    causes: list[str] = Field(description="All that spoils it, worst first.")
    days_affected: list[Date] = Field(description="Days on which it does.")
    flying_days: list[Date] = Field(description="Days still ahead on which flight is likely.")
    p_before: float | None = Field(
        ge=0, le=1, description="Probability to be well mated as said before; null = nothing was said.", examples=[0.81]
    )
    p_now: float = Field(ge=0, le=1, description="Probability to be well mated now.")
    p_now_range: Annotated[list[float], Field(min_length=2, max_length=2)] | None = Field(
        description="5 to 95 % range of it; null with too few past years."
    )
    usual: float | None = Field(ge=0, le=1, description="Probability to be expected for the season.")
    what_can_be_done: list[Todo] = Field(description="What can still be done, the first thing first.")
    by: Date = Field(description="By when the first of it must be done.")
    day: Date = Field(description="Civil day on which it was said.")
    issued_at: datetime = Field(description="When the outlook behind it was issued, UTC.")
    outlook: str = Field(description="Id of that outlook.")
    outlook_before: str | None = Field(
        description="Id of the one that it was held against.", examples=["otlk_0123456789abcdef"]
    )


class Warned(Strict):
    """A warning that a batch's mating window has turned bad."""

    id: str = Field(description="Names the warning.")
    batch_id: str = Field(description="The batch.")
    site_id: str = Field(description="Its site.")
    outlook_id: str = Field(description="The outlook that raised it.")
    raised_at: datetime = Field(description="When it was raised, UTC.")
    cleared_at: datetime | None = Field(description="When it was cleared, UTC; null = it stands.")
    cleared_by: str | None = Field(description="The outlook that cleared it.", examples=["otlk_0123456789abcdef"])
    cleared_message: str = Field(description="What was said then; empty while it stands.")
    kind: Literal["raised", "worse"] = Field(description="worse: it stood already and has got worse.")
    cause: str = Field(description="What spoils the window.", examples=["rain"])
    message: str = Field(description="What changed, why, and what can still be done.")
    data: WarningData = Field(description="The same for machines.")


class WarningPage(Strict):
    """Warnings in the order in which they were raised."""

    items: list[Warned] = Field(description="The warnings.")
    next_after: str | None = Field(description=NEXT_AFTER)


class Attempt(Strict):
    """A weather service that was asked."""

    service: str = Field(description="Which service.", examples=["Open-Meteo"])
    part: str = Field(description="For what.", examples=["members"])
    outcome: str = Field(description="What came of it.", examples=["fresh"])
    age_h: float | None = Field(description="Age of the answer, hours.", examples=[2.5])
    reason: str | None = Field(description="Why it failed or is stale.", examples=["no answer in time"])


class SiteWeatherState(Strict):
    """The weather that is held for a site, and how it was come by."""

    site_id: str = Field(description="The site.")
    refreshed_at: datetime | None = Field(description="When its weather last came, UTC; null = never yet.")
    tried_at: datetime | None = Field(description="When it was last tried, UTC.")
    next_at: datetime | None = Field(description="When it is due again, UTC.")
    failures: int = Field(description="Tries that failed since it last came.")
    trouble: str = Field(description="Why the last try failed; empty = it did not.")
    fetched_at: datetime | None = Field(description="Age of the newest forecast part, UTC; null = not known.")
    attempts: list[Attempt] = Field(description="Services asked at the last refresh.")
    sources: list[Source] = Field(description="What outlooks of this site stand on.")


class Parameter(Strict):
    """One parameter of the odds."""

    name: str = Field(description="Group and name.", examples=["flight.temp_half_c"])
    value: float = Field(description="Its value, in that unit.")
    unit: str = Field(description="Its unit.")
    low: float = Field(description="Lowest value allowed, in that unit.")
    high: float = Field(description="Highest value allowed, in that unit.")
    source: str = Field(description="Keys of its sources on the card; - = none.")
    flag: str = Field(description="How sure it is.")


class Recalibration(Strict):
    """What puts the odds of being well mated right: logit p = a + b logit p as worked out, and effects beside."""

    a: float = Field(description="Shifts all odds.", examples=[-0.4])
    b: float = Field(description="Draws odds towards even (below 1) or away from it.", examples=[0.7])
    effects: dict[str, float] = Field(
        description="Added to a for each step of what is known of a batch, by its name.", examples=[{"week": 0.12}]
    )


class Learnt(Strict):
    """One model on the shelf; the literature is the first."""

    name: str = Field(description="Its name; literature = the parameters that ship with the program.")
    kind: str = Field(description="What it sets.", examples=["flight-rate"])
    made_at: datetime | None = Field(
        description="When it was made, UTC; null = not told, or it is damaged.", examples=["2026-11-01T08:00:00+00:00"]
    )
    version: str | None = Field(description="Version of the parameters that it goes with; null = it is damaged.")
    in_use: bool = Field(description="Whether odds are given with it now.")
    records: int | None = Field(description="Queens that it was made from.", examples=[300])
    gain: float | None = Field(
        description="How much better its odds were on records left out, nats for each queen.", examples=[0.012]
    )
    fault: str = Field(description="Why it cannot be used; empty = it can.")


class Models(Strict):
    """The parameters and models in use, and all models there are."""

    version: str = Field(description="Version of the parameters, with the model that sets any.", examples=["2026.1"])
    model: str = Field(description="Version that outlooks carry: parameters and all models.", examples=["2026.1"])
    in_use: list[str] = Field(
        description="Names of the models in use; none = the literature alone.",
        examples=[["flight-rate-20261101-0a1b2c3d"]],
    )
    recalibration: Recalibration | None = Field(description="What puts odds right; null = they are as worked out.")
    trouble: str = Field(description="Why what was chosen last is not in use; empty = it is.")
    models: list[Learnt] = Field(description="All models there are; they are chosen on the command line.")
    parameters: list[Parameter] = Field(description="Every parameter, by group.")


class Health(Strict):
    """That the service answers, and what it stands on."""

    status: Literal["ok", "degraded"] = Field(description="degraded: something below is in trouble.")
    version: str = Field(description="Of the program.")
    storage: str = Field(description="State of the register: ok, or what is wrong with it.")
    sites: int = Field(description="Sites on record.")
    sites_without_weather: int = Field(description="Sites for which no weather has come yet.")
    sites_in_trouble: int = Field(description="Sites whose last refresh failed, or brought no new forecast.")
    troubles: list[str] = Field(description="Why, in words: at most five reasons.")
    oldest_weather_at: datetime | None = Field(description="The site whose weather is oldest: when it came, UTC.")
    refresh: str = Field(description="State of the refreshes: running, off, or what is wrong.")
    last_refresh_at: datetime | None = Field(description="When one last ended, UTC.")
    deliveries_waiting: int = Field(description="Webhook messages not yet delivered.")
    webhooks_paused: int = Field(description="Number of webhooks switched off since their receivers do not answer.")


class Ready(Strict):
    """That the service can answer from its register."""

    status: Literal["ready"] = Field(description="There is no other answer with status 200.")


@router.get("/health", tags=["state"], summary="How the service does", response_model=Health, responses=problems())
def read_health(request: Request, who: Reader) -> Response:  # noqa: ARG001
    """Ages of the weather, state of the register, of the refreshes and of the deliveries."""
    service = service_of(request)
    body = {"version": __version__} | as_data(health_of(service.register.database, service.clock()))
    return Response(to_bytes(body), media_type="application/json", headers={"Cache-Control": "no-store"})


@router.get(
    "/ready", tags=["state"], summary="Whether the service can answer", response_model=Ready, responses=problems()
)
def read_ready(request: Request) -> Response:
    """For whatever starts and watches the service: no token, nothing told but yes or no."""
    try:
        with service_of(request).register.database.read():
            pass
    except MatewindowError as fault:
        raise Problem("storage-unavailable", "The register cannot be read.") from fault
    return Response(b'{"status":"ready"}', media_type="application/json", headers={"Cache-Control": "no-store"})


@router.get(
    "/warnings",
    tags=["warnings"],
    summary="List warnings",
    response_model=WarningPage,
    responses=NOT_MODIFIED | problems(),
)
def list_warnings(
    request: Request,
    who: Reader,  # noqa: ARG001
    site_id: Annotated[
        Id | None, Query(description="Only those of this site.", examples=["site_0123456789abcdef"])
    ] = None,
    batch_id: Annotated[
        Id | None, Query(description="Only those of this batch.", examples=["btch_0123456789abcdef"])
    ] = None,
    standing: Annotated[
        Flag | None, Query(description="true: only those that stand; false: only those cleared.", examples=[True])
    ] = None,
    after: Annotated[
        Id | None, Query(description="Id of the last one of the page before.", examples=["warn_0123456789abcdef"])
    ] = None,
    limit: Limit = 50,
) -> Response:
    """In the order in which they were raised."""
    mark_hot(request.scope)
    found = warned.list_warnings(
        service_of(request).register.database,
        site_id=site_id,
        batch_id=batch_id,
        standing=standing,
        after=after,
        limit=limit + 1,
    )
    last = found[limit - 1]["id"] if len(found) > limit else None
    return page(request, [as_data(w) for w in found[:limit]], last)


@router.get(
    "/warnings/{warning_id}",
    tags=["warnings"],
    summary="Read a warning",
    response_model=Warned,
    responses=NOT_MODIFIED | problems(404),
)
def read_warning(
    request: Request,
    warning_id: Annotated[str, Path(pattern=PATTERN, description="Its id.", examples=["warn_0123456789abcdef"])],
    who: Reader,  # noqa: ARG001
) -> Response:
    """What changed, why, and what can still be done."""
    return answer(request, as_data(warned.one_warning(service_of(request).register.database, warning_id)))


@router.get(
    "/sites/{site_id}/weather",
    tags=["weather"],
    summary="The weather held for a site: from whom, how old, what failed",
    response_model=SiteWeatherState,
    responses=NOT_MODIFIED | problems(404),
)
def read_site_weather(
    request: Request,
    site_id: Annotated[str, Path(pattern=PATTERN, description="Its id.", examples=["site_0123456789abcdef"])],
    who: Reader,  # noqa: ARG001
) -> Response:
    """Nobody is asked for it; a refresh is a job."""
    service = service_of(request)
    site = site_of(service.register.get("site", site_id))
    state = site_states(service.register.database, site_id)[site_id]
    try:
        held = service.desk.held(site_id, site)
    except MatewindowError as fault:
        trouble = state["trouble"] or str(fault)
        more: dict[str, Any] = {"fetched_at": None, "attempts": [], "sources": [], "trouble": trouble}
    else:
        more = {
            "fetched_at": held.fetched_at,
            "attempts": list(held.attempts),
            "sources": sources_report(held.sources),
        }
    return answer(request, as_data(state | more))


@router.get(
    "/models",
    tags=["state"],
    summary="The parameters and models in use",
    response_model=Models,
    responses=NOT_MODIFIED | problems(),
)
def read_models(request: Request, who: Reader) -> Response:  # noqa: ARG001
    """Every value with its unit, range, source and how sure it is, and which models made from records there are.

    Another model is chosen with `matewindow models use`; that holds from the next answer or refresh on, for outlooks
    that are made from then.
    """
    return answer(request, service_of(request).models.told())
