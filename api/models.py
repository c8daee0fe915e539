"""The service's resources as OpenAPI describes them: what people write (from the register), and what is read back."""

from __future__ import annotations

from datetime import datetime  # noqa: TC003  pydantic reads annotations at run time
from typing import Annotated, Any, Literal, Self

from pydantic import BaseModel, ConfigDict, Field, create_model, model_validator

from api.answers import NEXT_AFTER
from matewindow.register.ids import PATTERN
from matewindow.register.records import KINDS, Fields

PLURALS = {"site": "sites", "builder": "builders", "batch": "batches", "nuc": "nucs", "check": "checks"}
"""Names of the collections in paths."""


class Own(BaseModel):
    """What the register writes into every record by itself."""

    model_config = ConfigDict(extra="forbid")

    id: str = Field(pattern=PATTERN, description="Made by the service; never changes.")
    version: int = Field(ge=1, description="Rises by one with every change; the ETag goes by it.")
    created_at: datetime = Field(description="When it was added, UTC.")
    changed_at: datetime = Field(description="When it was last changed, UTC.")
    deleted_at: datetime | None = Field(description="When it was deleted, UTC; null if it is not.")


class ValueProblem(BaseModel):
    """One value of a request that is wrong."""

    location: list[str] = Field(
        description="Where it stands: body, path, query or header, then the names on the way to it.",
        examples=[["body", "sealed_on"]],
    )
    pointer: str | None = Field(
        None, description="JSON Pointer (RFC 6901) to a value in the body.", examples=["/sealed_on"]
    )
    message: str = Field(
        description="What is wrong with it; the value itself is never repeated.",
        examples=["cells sealed 20 days after the graft"],
    )
    fix: str | None = Field(
        None,
        description="What to do instead.",
        examples=["They are sealed about five days after it: check both dates."],
    )


class Problem(BaseModel):
    """What went wrong, by RFC 9457. Further members may stand beside these."""

    type: str = Field(
        description="Address of a page that explains this kind of problem; programs tell problems apart by it.",
        examples=["http://localhost:8377/problems/record-refused"],
    )
    title: str = Field(description="The kind of problem in a few words.", examples=["The record cannot be true"])
    status: int = Field(description="The HTTP status.", ge=400, le=599, examples=[422])
    detail: str = Field(
        description="What was wrong here, in sentences for a person.",
        examples=["sealed_on: cells sealed 20 days after the graft."],
    )
    fix: str | None = Field(
        None, description="What to do.", examples=["They are sealed about five days after it: check both dates."]
    )
    request_id: str | None = Field(
        None,
        description="Under which the log of the service has the request; as X-Request-Id.",
        examples=["971be4eb60c123e82b17c6d9"],
    )
    errors: list[ValueProblem] | None = Field(None, description="One entry for each value that was wrong, 50 at most.")
    errors_not_listed: int | None = Field(
        None, description="Number of further values that were wrong.", ge=1, examples=[3]
    )


def _record(kind: str) -> type[BaseModel]:
    fields: dict[str, Any] = {name: (info.annotation, info) for name, info in Own.model_fields.items()}
    model: type[BaseModel] = create_model(
        f"{kind.capitalize()}Record", __base__=KINDS[kind], __doc__=KINDS[kind].__doc__, **fields
    )
    return model


def _patch(kind: str) -> type[BaseModel]:
    """The fields of a kind, each of which may be left out."""
    fields: dict[str, Any] = {}
    for name, info in KINDS[kind].model_fields.items():
        free = info.asdict()
        attributes = {k: v for k, v in free["attributes"].items() if k not in {"default", "default_factory"}}
        annotated: Any = free["annotation"]
        for extra in free["metadata"]:
            annotated = Annotated[annotated, extra]
        fields[name] = (annotated, Field(default=None, **attributes))
    model: type[BaseModel] = create_model(
        f"{kind.capitalize()}Change",
        __base__=Changes,
        __doc__=f"Fields of a {kind} to change; the others stay.",
        **fields,
    )
    return model


def _without_defaults(schema: dict[str, Any]) -> None:
    schema["minProperties"] = 1
    for field in schema.get("properties", {}).values():
        field.pop("default", None)


class Changes(Fields):
    """What is common to all changes."""

    model_config = ConfigDict(json_schema_extra=_without_defaults)

    @model_validator(mode="after")
    def _something(self) -> Self:
        if not self.model_fields_set:
            raise ValueError("nothing is given to change")
        return self


RECORDS = {kind: _record(kind) for kind in KINDS}
CHANGES = {kind: _patch(kind) for kind in KINDS}


def page_of(kind: str) -> type[BaseModel]:
    """A page of records of a kind."""
    items: Any = list.__class_getitem__(RECORDS[kind])
    model: type[BaseModel] = create_model(
        f"{kind.capitalize()}Page",
        __config__=ConfigDict(extra="forbid"),
        __doc__="Records in the order in which they were added; at most as many as asked for.",
        items=(items, Field(description="The records.")),
        next_after=(str | None, Field(description=NEXT_AFTER)),
    )
    return model


class Change(BaseModel):
    """One change of a record."""

    model_config = ConfigDict(extra="forbid")

    seq: int = Field(description="Number of the change, rising.")
    at: datetime = Field(description="When, UTC.")
    who: str = Field(description="Made by whom: a token's name, or the command line.")
    action: Literal["added", "changed", "deleted", "brought back", "undone", "imported"] = Field(
        description="What was done."
    )
    version: int = Field(description="Version of the record after it.")
    before: dict[str, Any] | None = Field(description="What the record held before; null = there was none.")
    after: dict[str, Any] = Field(description="What it held after.")


class History(BaseModel):
    """The changes of a record, oldest first."""

    model_config = ConfigDict(extra="forbid")

    items: list[Change]
    next_after: int | None = Field(description=NEXT_AFTER)
