"""What may stand in a query: nothing that a route does not know, nothing twice, and values as the schema has them."""

from __future__ import annotations

import re
from typing import TYPE_CHECKING, Annotated, Any, get_args, get_origin

from pydantic import BaseModel, BeforeValidator
from starlette.requests import Request  # noqa: TC002  FastAPI reads annotations at run time

from api.edge.handlers import problem_of_values

if TYPE_CHECKING:
    from collections.abc import Iterator

    from fastapi.dependencies.models import Dependant
    from fastapi.routing import APIRoute

_WHOLE = re.compile(r"-?(0|[1-9]\d{0,15})", re.ASCII)
NO_QUERY = "is not known here; nothing can be asked for in this query"
_BOOLS = {"true": True, "false": False}


def _flag(value: object) -> object:
    """``true`` or ``false``, and none of the other spellings that pydantic takes."""
    if isinstance(value, str):
        if value not in _BOOLS:
            raise ValueError("write true or false")
        return _BOOLS[value]
    return value


def _whole(value: object) -> object:
    """A whole number in plain digits, without the blanks and underscores that pydantic takes."""
    if isinstance(value, str):
        if not _WHOLE.fullmatch(value):
            raise ValueError("write a whole number in digits")
        return int(value)
    return value


Flag = Annotated[bool, BeforeValidator(_flag, json_schema_input_type=bool)]
InDigits = BeforeValidator(_whole)
"""Written after the bounds of a whole number: ``Annotated[int, Interval(ge=1), InDigits]``; before them, and OpenAPI
would not know them."""


def known_query(request: Request) -> None:
    """Refuse a query with names that the route does not know, or with one given twice that may be given once.

    A name that is not known is most often a slip of the pen, and an answer that silently leaves a filter out is wrong.

    Raises:
        Problem: 422 with all such names.
    """
    given = request.query_params.multi_items()
    if not given:
        return
    known = _known(request.scope["route"])
    seen: set[str] = set()
    wrong = []
    for name, _ in given:
        if name not in known:
            wrong.append((name, f"is not known here; known are: {', '.join(known)}" if known else NO_QUERY))
        elif name in seen and not known[name]:
            wrong.append((name, "is given more than once"))
        seen.add(name)
    if wrong:
        listed = dict.fromkeys(wrong)
        raise problem_of_values([{"loc": ("query", name), "msg": message} for name, message in listed])


_kept: dict[tuple[str, frozenset[str]], dict[str, bool]] = {}


def _known(route: APIRoute) -> dict[str, bool]:
    """Names that a route knows, and whether each may be repeated."""
    key = (route.path, frozenset(route.methods or ()))
    if key not in _kept:
        _kept[key] = dict(sorted(_names(route.dependant)))
    return _kept[key]


def _names(dependant: Dependant) -> Iterator[tuple[str, bool]]:
    for field in dependant.query_params:
        annotation = field.field_info.annotation
        if isinstance(annotation, type) and issubclass(annotation, BaseModel):
            yield from (
                (info.alias or name, _is_list(info.annotation)) for name, info in annotation.model_fields.items()
            )
        else:
            yield field.alias, _is_list(annotation)
    for inner in dependant.dependencies:
        yield from _names(inner)


def _is_list(annotation: Any) -> bool:  # noqa: ANN401  any annotation
    if get_origin(annotation) is Annotated:
        return _is_list(get_args(annotation)[0])
    return get_origin(annotation) is list or any(get_origin(part) is list for part in get_args(annotation))
