"""Sites, cell builders, batches, nucs and checks: the same routes for each."""

# mypy: disable-error-code="valid-type, attr-defined"
# No `from __future__ import annotations` here: the annotations of the routes are models made within the function.

from typing import Annotated, Any, Literal

from annotated_types import Interval
from fastapi import APIRouter, Path, Query
from starlette.requests import Request
from starlette.responses import Response

from api.answers import (
    ETAG,
    LOCATION,
    NOT_MODIFIED,
    IdempotencyKey,
    IfMatch,
    IfNoneMatch,
    Limit,
    answer,
    page,
    problems,
    to_bytes,
)
from api.auth import Reader, Recorder
from api.edge.conditional import both_tags, require_match
from api.edge.problems import Problem
from api.models import CHANGES, PLURALS, RECORDS, History, page_of
from api.queries import Flag, InDigits
from api.service import service_of
from matewindow.errors import UnknownReferenceError
from matewindow.register.idempotency import Answer, fingerprint
from matewindow.register.ids import PATTERN, PREFIXES
from matewindow.register.records import KINDS, Day, Id, as_data
from matewindow.register.register import Filter
from matewindow.register.rows import WORDS

_WORDS = {kind: f"a {word}" for kind, word in WORDS.items()}
_ALL = {"site": "sites", "builder": "cell builders", "batch": "batches", "nuc": "nucs", "check": "checks"}
_AT_SITE: dict[str, tuple[str, ...]] = {
    "site": (),
    "builder": ("site_id",),
    "batch": ("site_id", "builder_id"),
    "nuc": ("site_id", "batch_id", "outcome"),
    "check": ("batch_id", "nuc_id", "saw"),
}
"""Fields by whose value a list can be filtered."""


def router_of(kind: str) -> APIRouter:  # noqa: C901  nine small routes, each with a name of its own
    """The routes of one kind of record."""
    router = APIRouter(prefix=f"/v1/{PLURALS[kind]}", tags=[PLURALS[kind]])
    record, change, fields, page_model = RECORDS[kind], CHANGES[kind], KINDS[kind], page_of(kind)
    own = f"{kind}_id"
    named = Annotated[
        str, Path(alias=own, pattern=PATTERN, description=f"Id of the {WORDS[kind]}.", examples=[_example(kind)])
    ]
    tagged = {"headers": ETAG}
    placed = {"headers": ETAG | LOCATION, "description": "Added."}

    def said(request: Request, row: dict[str, Any], **headers: str) -> Response:
        return answer(request, as_data(row), tag=str(row["version"]), **headers)

    @router.post(
        "",
        status_code=201,
        summary=f"Add {_WORDS[kind]}",
        response_model=record,
        responses=_two_hundred(placed, 201) | problems(409, 413, 415, 507),
        operation_id=f"add_{kind}",
    )
    def add(request: Request, given: fields, who: Recorder, idempotency_key: IdempotencyKey = None) -> Response:
        register = service_of(request).register
        values = given.model_dump()

        def say(row: dict[str, Any]) -> Answer:
            place = f"{request.scope.get('root_path', '')}/v1/{PLURALS[kind]}/{row['id']}"
            return Answer(201, {"Location": place, "ETag": both_tags("1")[0]}, to_bytes(as_data(row)))

        if idempotency_key is None:
            made = say(register.add(kind, values, who.name))
        else:
            key, mark = idempotency_key.strip('"'), fingerprint(to_bytes(as_data(values)))
            made = register.add_once(
                kind, values, who.name, holder=who.id, route=f"add {kind}", key=key, mark=mark, say=say
            )
        return Response(made.body, made.status, headers=made.headers, media_type="application/json")

    lists = _lists(kind)

    @router.get(
        "",
        summary=f"List {_ALL[kind]}",
        response_model=page_model,
        responses=NOT_MODIFIED | problems(),
        operation_id=f"list_{PLURALS[kind]}",
    )
    def list_(request: Request, who: Reader, wanted: Annotated[lists, Query()]) -> Response:  # noqa: ARG001
        given = wanted.model_dump()
        found = service_of(request).register.page(
            kind, _filter(kind, given), after=given["after"], limit=given["limit"]
        )
        return page(request, [as_data(r) for r in found.rows], found.next_after)

    @router.get(
        f"/{{{own}}}",
        summary=f"Read {_WORDS[kind]}",
        response_model=record,
        responses=_two_hundred(tagged) | NOT_MODIFIED | problems(404),
        operation_id=f"read_{kind}",
    )
    def read(request: Request, thing_id: named, who: Reader, if_none_match: IfNoneMatch = None) -> Response:  # noqa: ARG001
        return said(request, service_of(request).register.get(kind, thing_id))

    @router.patch(
        f"/{{{own}}}",
        summary=f"Change {_WORDS[kind]}",
        description="Only the fields that are given are changed, each as a whole; null clears a field that may be "
        "null. What the record would then be is judged as at its creation.",
        response_model=record,
        responses=_two_hundred(tagged) | problems(404, 409, 412, 413, 415, 428, 507),
        operation_id=f"change_{kind}",
    )
    def change_(
        request: Request,
        thing_id: named,
        given: change,
        who: Recorder,
        if_match: IfMatch = None,  # noqa: ARG001
    ) -> Response:
        register = service_of(request).register
        version = _seen(request, register.get(kind, thing_id))
        values = given.model_dump(exclude_unset=True)
        return _fresh(register.change(kind, thing_id, values, who.name, version=version))

    @router.delete(
        f"/{{{own}}}",
        status_code=204,
        summary=f"Delete {_WORDS[kind]}",
        description="It goes out of sight and can be restored; what stands on it must be deleted first.",
        responses=problems(404, 409, 412, 428, 507),
        operation_id=f"delete_{kind}",
    )
    def delete(request: Request, thing_id: named, who: Recorder, if_match: IfMatch = None) -> Response:  # noqa: ARG001
        register = service_of(request).register
        version = _seen(request, register.get(kind, thing_id))
        register.delete(kind, thing_id, who.name, version=version)
        return Response(status_code=204)

    @router.post(
        f"/{{{own}}}/restore",
        summary=f"Bring back {_WORDS[kind]} that was deleted",
        description="As it was when it was deleted. What it stands on must be there: bring that back first.",
        response_model=record,
        responses=_two_hundred(tagged) | problems(404, 409, 507),
        operation_id=f"restore_{kind}",
    )
    def restore(request: Request, thing_id: named, who: Recorder) -> Response:
        try:
            return _fresh(service_of(request).register.bring_back(kind, thing_id, who.name))
        except UnknownReferenceError as fault:
            raise Problem("conflict", f"What it stands on is not there: {fault.what}.", fix=fault.fix) from fault

    @router.post(
        f"/{{{own}}}/undo",
        summary=f"Undo the last change of {_WORDS[kind]}",
        description="What it held before is written again, as a new version. A deleted one comes back by it; If-Match "
        "then names the version in the list of the deleted ones.",
        response_model=record,
        responses=_two_hundred(tagged) | problems(404, 409, 412, 428, 507),
        operation_id=f"undo_{kind}",
    )
    def undo(request: Request, thing_id: named, who: Recorder, if_match: IfMatch = None) -> Response:  # noqa: ARG001
        register = service_of(request).register
        version = _seen(request, register.get(kind, thing_id, deleted=True))
        return _fresh(register.undo(kind, thing_id, who.name, version=version))

    @router.get(
        f"/{{{own}}}/history",
        summary=f"What was done to {_WORDS[kind]}: when, by whom, before and after",
        response_model=History,
        responses=NOT_MODIFIED | problems(404),
        operation_id=f"history_of_{kind}",
    )
    def history(
        request: Request,
        thing_id: named,
        who: Reader,  # noqa: ARG001
        after: Annotated[
            int,
            Interval(ge=0, le=2**53),
            InDigits,
            Query(description="Number of the last change of the page before.", examples=[0]),
        ] = 0,
        limit: Limit = 50,
    ) -> Response:
        rows = service_of(request).register.history(kind, thing_id, after=after, limit=limit + 1)
        items = [as_data({k: v for k, v in row.items() if k not in {"kind", "thing_id"}}) for row in rows[:limit]]
        return page(request, items, items[-1]["seq"] if len(rows) > limit else None)

    return router


def _example(kind: str) -> str:
    return f"{PREFIXES[kind]}_0123456789abcdef"


def _two_hundred(said: dict[str, Any], status: int = 200) -> dict[int | str, dict[str, Any]]:
    return {status: said}


def _seen(request: Request, row: dict[str, Any]) -> int:
    """The stored version, if the caller has seen it."""
    require_match(request.scope, both_tags(str(row["version"])))
    version: int = row["version"]
    return version


def _fresh(row: dict[str, Any]) -> Response:
    """A record as it is after a change."""
    tag = both_tags(str(row["version"]))[0]
    return Response(to_bytes(as_data(row)), headers={"ETag": tag}, media_type="application/json")


def _filter(kind: str, given: dict[str, Any]) -> Filter:
    equal = {name: given[name] for name in _AT_SITE[kind] if given[name] is not None}
    least = {} if given.get("grafted_from") is None else {"grafted_on": given["grafted_from"]}
    most = {} if given.get("grafted_to") is None else {"grafted_on": given["grafted_to"]}
    return Filter(equal, least, most, under_way=bool(given.get("under_way")), deleted=given["deleted"])


def _lists(kind: str) -> Any:  # noqa: ANN401  a model made here
    """What a list of this kind can be asked for."""
    from pydantic import ConfigDict, Field, create_model

    fields: dict[str, Any] = {
        "after": (
            Id | None,
            Field(None, description="Id of the last record of the page before.", examples=[_example(kind)]),
        ),
        "limit": (
            Annotated[int, Interval(ge=1, le=200), InDigits],
            Field(50, description="Number of items, at most.", examples=[50]),
        ),
        "deleted": (
            Flag,
            Field(default=False, description="The deleted ones instead of the others.", examples=[False]),
        ),
    }
    for name in _AT_SITE[kind]:
        info = KINDS[kind].model_fields[name]
        of: Any = info.annotation if name in {"outcome", "saw"} else Id
        if name == "saw":
            of = Literal["eggs", "virgin", "nothing"]
        fields[name] = (of | None, Field(None, description=f"Only those with this {name}.", examples=info.examples))
    if kind == "batch":
        fields["grafted_from"] = (
            Day | None,
            Field(None, description="Only those grafted on this day or later.", examples=["2026-06-01"]),
        )
        fields["grafted_to"] = (
            Day | None,
            Field(None, description="Only those grafted on this day or earlier.", examples=["2026-06-30"]),
        )
        fields["under_way"] = (
            Flag,
            Field(default=False, description="Only those that have not ended.", examples=[True]),
        )
    return create_model(f"{kind.capitalize()}Query", __config__=ConfigDict(extra="forbid"), **fields)
