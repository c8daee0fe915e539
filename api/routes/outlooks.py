"""Odds from weather: outlooks of batches and nucs, days to graft on, flight hours, for the sites of the register."""

# No `from __future__ import annotations` here: FastAPI reads the annotations of the routes at run time.

from typing import Annotated, Any, Literal

from annotated_types import Interval
from fastapi import APIRouter, Path, Query
from pydantic import StringConstraints
from starlette.requests import Request
from starlette.responses import Response

from api.answers import ETAG, NOT_MODIFIED, IfNoneMatch, Limit, answer, page, problems
from api.auth import Reader
from api.edge.conditional import Prepared
from api.gate import Gate
from api.hot import mark_hot
from api.queries import InDigits
from api.reports import (
    BatchOutlook,
    GraftReport,
    HoursReport,
    IssuedOutlooks,
    LayingReport,
    NucOutlook,
    Units,
    WindowReport,
)
from api.service import service_of
from matewindow.graft import for_nuc, graft_decision
from matewindow.hours import hourly_outlook
from matewindow.laying import laying_outlook
from matewindow.layingreport import laying_report
from matewindow.limits import WEEKDAYS, Limits
from matewindow.outlook import batch_outlook
from matewindow.register.ids import PATTERN
from matewindow.register.life import site_of
from matewindow.register.records import Day, Id, as_data
from matewindow.reporting import graft_report, hours_report, window_report
from matewindow.timeline import Batch, checks_from_text, graft_time
from matewindow.unitsystems import in_units

router = APIRouter(prefix="/v1", tags=["outlooks"])
gate = Gate()
"""Before everything that is worked out anew at each request."""
BatchId = Annotated[str, Path(pattern=PATTERN, description="Id of the batch.", examples=["btch_0123456789abcdef"])]
NucId = Annotated[str, Path(pattern=PATTERN, description="Id of the nuc.", examples=["nuc_0123456789abcdef"])]
SiteId = Annotated[str, Path(pattern=PATTERN, description="Id of the site.", examples=["site_0123456789abcdef"])]
OutlookId = Annotated[str, Path(pattern=PATTERN, description="Id of the outlook.", examples=["otlk_0123456789abcdef"])]
NucKind = Annotated[
    Literal["mini", "few-frames", "five-frames"],
    Query(description="Kind of nuc; what a failed one costs stands in the parameters.", examples=["mini"]),
]
Weekday = Literal["monday", "tuesday", "wednesday", "thursday", "friday", "saturday", "sunday"]
Seen = Annotated[str, StringConstraints(pattern=r"^\d{4}-\d{2}-\d{2}:(eggs|virgin|nothing)$")]
ISSUED: dict[int | str, dict[str, Any]] = {200: {"headers": ETAG}}


@router.get(
    "/batches/{batch_id}/outlook",
    summary="A batch's mating window: flight hours, odds, dates and work",
    response_model=BatchOutlook,
    responses=ISSUED | NOT_MODIFIED | problems(404),
)
def read_outlook(request: Request, batch_id: BatchId, who: Reader, if_none_match: IfNoneMatch = None) -> Response:  # noqa: ARG001
    """The outlook that stands: a new one is issued as soon as the records, the weather or the day have changed."""
    service = service_of(request)
    mark_hot(request.scope)
    issued = service.keeper.outlook(batch_id)
    return Prepared(issued.body, tag=issued.id).response(request.scope)


@router.get(
    "/batches/{batch_id}/outlooks",
    summary="What was issued for a batch, oldest first",
    response_model=IssuedOutlooks,
    responses=NOT_MODIFIED | problems(404),
)
def list_outlooks(
    request: Request,
    batch_id: BatchId,
    who: Reader,  # noqa: ARG001
    after: Annotated[
        Id | None, Query(description="Id of the last outlook of the page before.", examples=["otlk_0123456789abcdef"])
    ] = None,
    limit: Limit = 50,
) -> Response:
    """Outlooks are never changed afterwards, so that they can be held against what became of the queens."""
    rows = service_of(request).keeper.issued(batch_id, after=after, limit=limit + 1)
    last = rows[limit - 1]["id"] if len(rows) > limit else None
    items = [as_data({k: v for k, v in row.items() if k != "stands_on"}) for row in rows[:limit]]
    return page(request, items, last)


@router.get(
    "/outlooks/{outlook_id}",
    summary="An outlook as it was issued",
    response_model=BatchOutlook,
    responses=ISSUED | NOT_MODIFIED | problems(404),
)
def read_issued_outlook(request: Request, outlook_id: OutlookId, who: Reader) -> Response:  # noqa: ARG001
    """Word for word, however long ago."""
    issued = service_of(request).keeper.one_issued(outlook_id)
    return Prepared(issued.body, tag=issued.id, cache_control="private, max-age=86400").response(request.scope)


@router.get(
    "/nucs/{nuc_id}/outlook",
    summary="A nuc's mating window, from what was seen in it",
    response_model=NucOutlook,
    responses=NOT_MODIFIED | problems(404),
)
def read_nuc_outlook(request: Request, nuc_id: NucId, who: Reader) -> Response:  # noqa: ARG001
    """As its batch's, from the nuc's own day of emergence and its own checks, where there are any.

    A nuc without a batch has no outlook (404).
    """
    with gate.open():
        found = service_of(request).keeper.nuc_outlook(nuc_id)
    return answer(request, found)


@router.get(
    "/batches/{batch_id}/laying-check",
    summary="When to look for eggs, and whether to wait or to replace",
    response_model=LayingReport,
    responses=NOT_MODIFIED | problems(404),
)
def read_laying_check(request: Request, batch_id: BatchId, who: Reader, nuc: NucKind = "mini") -> Response:  # noqa: ARG001
    """For the batch as a whole, from the checks that name no nuc."""
    service = service_of(request)
    records, held, now = service.keeper.basis(batch_id)
    using, batch = service.models.at(records.site), records.batch
    biology = for_nuc(using.biology, nuc)
    with gate.open():
        found = using.put_laying_right(laying_outlook(batch, records.site, held.sources, now, biology))
    return answer(request, laying_report(found, held.sources, biology, using.made(batch)))


@router.get(
    "/nucs/{nuc_id}/laying-check",
    summary="When to look for eggs in a nuc, and whether to wait or to replace its queen",
    response_model=LayingReport,
    responses=NOT_MODIFIED | problems(404),
)
def read_nuc_laying_check(request: Request, nuc_id: NucId, who: Reader) -> Response:  # noqa: ARG001
    """With the nuc's own clock: how long it has been without brood."""
    service = service_of(request)
    nuc = service.register.get("nuc", nuc_id)
    records, held, now = service.keeper.basis(nuc["batch_id"], nuc_id)
    using, batch = service.models.at(records.site), records.in_nuc(nuc_id)
    biology = for_nuc(using.biology, nuc["kind"])
    since = nuc["broodless_since"]
    with gate.open():
        found = laying_outlook(batch, records.site, held.sources, now, biology, nuc_without_brood_since=since)
    return answer(request, laying_report(using.put_laying_right(found), held.sources, biology, using.made(batch)))


@router.get(
    "/sites/{site_id}/graft-days",
    summary="On which days to graft, with the odds for each",
    response_model=GraftReport,
    responses=NOT_MODIFIED | problems(404),
)
def read_graft_days(
    request: Request,
    site_id: SiteId,
    who: Reader,  # noqa: ARG001
    from_: Annotated[Day, Query(alias="from", description="First candidate day.", examples=["2026-06-01"])],
    days: Annotated[
        int, Interval(ge=1, le=60), InDigits, Query(description="Number of candidate days.", examples=[7])
    ] = 7,
    grafts: Annotated[
        int, Interval(ge=1, le=100_000), InDigits, Query(description="Number of larvae grafted.", examples=[20])
    ] = 20,
    by: Annotated[
        Day | None, Query(description="Day by which queens should be in lay.", examples=["2026-07-05"])
    ] = None,
    nuc: NucKind = "mini",
    builder_free_from: Annotated[
        Day | None, Query(description="First day the cell builder is fit again.", examples=["2026-06-03"])
    ] = None,
    nucs_free_from: Annotated[
        Day | None, Query(description="First day nucs are free for ripe cells.", examples=["2026-06-12"])
    ] = None,
    day_off: Annotated[
        list[Day] | None,
        Query(max_length=60, description="A date on which nobody works; may be repeated.", examples=[["2026-06-07"]]),
    ] = None,
    weekday_off: Annotated[
        list[Weekday] | None,
        Query(max_length=7, description="A weekday on which nobody works; may be repeated.", examples=[["sunday"]]),
    ] = None,
) -> Response:
    """For the graft decision: odds, laying dates and flight hours for each day, and the advice in a sentence."""
    service = service_of(request)
    site = site_of(service.register.get("site", site_id))
    held = service.desk.held(site_id, site)
    using = service.models.at(site)
    biology = for_nuc(using.biology, nuc)
    limits = Limits(
        builder_free_from=builder_free_from,
        nucs_free_from=nucs_free_from,
        days_off=frozenset(day_off or ()),
        weekdays_off=frozenset(WEEKDAYS.index(name) for name in weekday_off or ()),
    )
    with gate.open():
        decision = graft_decision(
            site,
            held.sources,
            from_,
            days,
            service.clock(),
            biology,
            n_grafts=grafts,
            by=by,
            limits=limits,
            recalibration=using.for_days(from_, days),
        )
    return answer(request, graft_report(decision, held.sources, biology, using.version))


@router.get(
    "/sites/{site_id}/window",
    summary="The mating window of a graft that is not on record",
    response_model=WindowReport,
    responses=NOT_MODIFIED | problems(404),
)
def read_window(
    request: Request,
    site_id: SiteId,
    who: Reader,  # noqa: ARG001
    graft: Annotated[Day, Query(description="Day of the graft.", examples=["2026-06-01"])],
    emerged: Annotated[
        Day | None, Query(description="Day on which virgins were found emerged.", examples=["2026-06-13"])
    ] = None,
    check: Annotated[
        list[Seen] | None,
        Query(max_length=50, description="DATE:eggs, DATE:virgin or DATE:nothing.", examples=[["2026-06-27:eggs"]]),
    ] = None,
) -> Response:
    """As a batch's outlook, for a graft that was only thought of."""
    service = service_of(request)
    site = site_of(service.register.get("site", site_id))
    held = service.desk.held(site_id, site)
    batch = Batch(graft_time(graft, site), emerged=emerged, checks=checks_from_text(check or []))
    using = service.models.at(site)
    with gate.open():
        outlook = using.put_right(batch_outlook(batch, site, held.sources, service.clock(), using.biology))
    return answer(request, window_report(outlook, site, held.sources, using.biology, using.made(batch)))


@router.get(
    "/sites/{site_id}/hours",
    summary="Hour by hour, with what spoiled each",
    response_model=HoursReport,
    responses=NOT_MODIFIED | problems(404),
)
def read_hours(
    request: Request,
    site_id: SiteId,
    who: Reader,  # noqa: ARG001
    from_: Annotated[
        Day | None, Query(alias="from", description="First day; today if not given.", examples=["2026-06-01"])
    ] = None,
    days: Annotated[
        Annotated[int, Interval(ge=1, le=60), InDigits] | None,
        Query(description="Number of days; as far as there is a forecast if not given.", examples=[7]),
    ] = None,
    units: Units = "metric",
) -> Response:
    """How fit the weather is for mating flights."""
    service = service_of(request)
    site = site_of(service.register.get("site", site_id))
    held, now = service.desk.held(site_id, site), service.clock()
    biology = service.models.at(site).biology
    with gate.open():
        found = hourly_outlook(site, held.sources, from_, days, now, biology)
    return answer(request, in_units(hours_report(found, site, now, held.sources, biology), units))
