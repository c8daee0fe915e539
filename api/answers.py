"""What all routes share: JSON answers with ETag, pages, problem descriptions for OpenAPI."""

from __future__ import annotations

import json
from typing import TYPE_CHECKING, Annotated, Any
from urllib.parse import urlencode

from annotated_types import Interval
from fastapi import Header, Query

from api.edge.conditional import Prepared
from api.edge.problems import MEDIA_TYPE
from api.queries import InDigits

if TYPE_CHECKING:
    from starlette.requests import Request
    from starlette.responses import Response

KEY_PATTERN = r'^("[\x21\x23-\x5b\x5d-\x7e]{1,198}"|[\x21\x23-\x5b\x5d-\x7e]{1,200})$'
"""Visible ASCII without quotes and backslashes, in quotes (a structured string) or bare."""

Limit = Annotated[int, Interval(ge=1, le=200), InDigits, Query(description="Number of items, at most.", examples=[50])]
IfMatch = Annotated[
    str | None,
    Header(
        alias="If-Match",
        description="ETag of the version that the change is made to, as it was received. Needed: without it the answer "
        "is 428, with that of another version 412.",
        examples=['"1"'],
    ),
]
IfNoneMatch = Annotated[
    str | None,
    Header(
        alias="If-None-Match",
        description="ETag of what the caller has; 304 if it is still the present one.",
        examples=['"1"'],
    ),
]
IdempotencyKey = Annotated[
    str | None,
    Header(
        alias="Idempotency-Key",
        pattern=KEY_PATTERN,
        description="A value of the caller's own for this one creation, quoted or bare; a repeated request gets the "
        "first answer again, with another body it is refused (422). Kept for 30 days, for each token by itself.",
        examples=['"8e03978e-40d5-43dd-bc93-6894a57f9324"'],
    ),
]
NEXT_AFTER = "Give this as `after` for the next page; null = this is the last."

_WORDS = {
    400: "The request is malformed.",
    401: "A valid token is needed.",
    403: "The token's scope does not cover this, or a browser asks for a page of another site.",
    404: "There is no such thing, or it was deleted.",
    406: "No acceptable form of the answer.",
    409: "The change contradicts what is stored.",
    412: "It has changed since it was read.",
    413: "The body is too large.",
    415: "The body must be JSON.",
    421: "The Host header names a host that is not ours.",
    422: "Values are not valid, or cannot be true.",
    428: "If-Match is needed.",
    429: "Too many requests.",
    500: "A fault of the service.",
    503: "The register is busy or cannot be reached, or there is no weather yet.",
    507: "No room is left.",
}
_ALWAYS = (400, 401, 403, 406, 421, 422, 429, 500, 503)


def to_bytes(body: Any) -> bytes:  # noqa: ANN401  anything that JSON knows
    """JSON in UTF-8, without NaN."""
    return json.dumps(body, ensure_ascii=False, allow_nan=False, separators=(",", ":")).encode("utf-8")


def answer(request: Request, body: Any, *, tag: str | None = None, **headers: str) -> Response:  # noqa: ANN401
    """A JSON answer with its ETag; 304 where the caller has it already."""
    fields = [(name.replace("_", "-"), value) for name, value in headers.items()]
    return Prepared(to_bytes(body), tag=tag, headers=fields).response(request.scope)


def page(request: Request, items: list[Any], next_after: Any) -> Response:  # noqa: ANN401  an id or a number
    """A page of a list, with a Link to the next one (RFC 8288) where there is one."""
    more: dict[str, str] = {}
    if next_after is not None:
        given = [(name, value) for name, value in request.query_params.multi_items() if name != "after"]
        more["Link"] = f'<{request.scope["path"]}?{urlencode([*given, ("after", next_after)])}>; rel="next"'
    return answer(request, {"items": items, "next_after": next_after}, **more)


def problem_entry(status: int) -> dict[str, Any]:
    """How OpenAPI describes the problem of a status."""
    return {
        "description": _WORDS[status],
        "content": {MEDIA_TYPE: {"schema": {"$ref": "#/components/schemas/Problem"}}},
    }


def problems(*statuses: int) -> dict[int | str, dict[str, Any]]:
    """The problems that a route may answer with, for OpenAPI."""
    return {status: problem_entry(status) for status in sorted({*_ALWAYS, *statuses})}


NOT_MODIFIED: dict[int | str, dict[str, Any]] = {304: {"description": "The caller has it already."}}
ETAG: dict[str, Any] = {
    "ETag": {"description": "Version of the answer.", "schema": {"type": "string", "examples": ['"1"']}}
}
LOCATION: dict[str, Any] = {
    "Location": {
        "description": "Path of what was made.",
        "schema": {"type": "string", "examples": ["/v1/sites/site_0123456789abcdef"]},
    }
}
