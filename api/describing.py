"""The OpenAPI document: what FastAPI makes of the routes, completed and made smaller.

Added are what is the same for many routes (If-None-Match on reads, header fields of answers, the problems), and the
examples of ``examples.py``.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from fastapi.openapi.utils import get_openapi
from pydantic.json_schema import models_json_schema

from api.answers import ETAG, problem_entry
from api.edge.problems import MEDIA_TYPE
from api.examples import usual, with_examples
from api.models import Problem

if TYPE_CHECKING:
    from collections.abc import Iterator

    from fastapi import FastAPI

Schema = dict[str, Any]
SUMMARY = "Weather-aware mating windows for queen producers."
DESCRIPTION = """\
Odds of well mated queens from real weather: sites, batches, nucs and checks of a queen producer, the outlook of every
batch, days to graft on, flight hours, warnings, and feeds for other tools.

- Instants are UTC, or civil times of the site with their offset; days are civil days of the site, as 2026-06-01.
- Probabilities and shares lie between 0 and 1. Names of measured values end in their unit (`temp_c`, `wind_ms`).
  Records are written and read in metric units, so that what was read can be written back; where measured values are
  reported, `units` chooses others.
- A token goes into the Authorization header (`Bearer TOKEN`); its scope is read, record or manage. On the machine
  itself none is needed while the service listens there alone.
- A change needs the ETag of the version that it is made to as If-Match. Adding a record takes an Idempotency-Key.
- Lists come in pages: give `next_after` as `after`, or follow the Link. Names in a query that a route does not know are
  refused, and so are unknown fields in a body.
- A deleted record answers 404 and can be restored.
- HEAD is answered wherever GET is. Answers are compressed by gzip where that is accepted; each form has its own ETag.
- Every error is a problem by RFC 9457 with what to do; every answer has an X-Request-Id, which the log has too.

Examples come from the invented weather of the demo."""
TAGS = [
    {"name": "sites", "description": "Places where queens mate."},
    {"name": "builders", "description": "Colonies that raise queen cells."},
    {"name": "batches", "description": "Larvae grafted at one time, and what became of them."},
    {"name": "nucs", "description": "Mating nuclei, each with a queen of a batch."},
    {"name": "checks", "description": "Looks into nucs and what was seen; they change the odds at once."},
    {"name": "outlooks", "description": "Odds from weather: of batches and nucs, of days to graft on, hour by hour."},
    {"name": "records", "description": "How good the odds would have been in past seasons."},
    {"name": "warnings", "description": "Windows that have turned bad, what changed, and what can still be done."},
    {"name": "weather", "description": "The weather that answers stand on."},
    {"name": "jobs", "description": "Long work: asked for, watched, cancelled."},
    {"name": "feeds", "description": "Calendars and figures for other tools."},
    {"name": "webhooks", "description": "Whom the service tells what happens, by Standard Webhooks 1.0."},
    {"name": "access", "description": "Tokens, and feed tokens for programs that can send no header."},
    {"name": "state", "description": "How the service does, and the parameters in use."},
]
_NO_TOKEN = ("/v1/feeds/{secret}/", "/v1/ready")


def describe(app: FastAPI, public_url: str = "") -> Schema:
    """The whole document, made once.

    Args:
        app: with all its routes.
        public_url: where the service is reached; empty = where the document was.
    """
    if app.openapi_schema is None:
        document = get_openapi(
            title=app.title,
            version=app.version,
            summary=app.summary,
            description=app.description,
            routes=app.routes,
            tags=TAGS,
            servers=[{"url": public_url or "/"}],
            license_info={"name": "MIT", "identifier": "MIT"},
        )
        _components(document)
        for path, method, operation in _operations(document):
            _complete(path, method, operation)
        with_examples(document)
        app.openapi_schema = document
    return app.openapi_schema


def _operations(document: Schema) -> Iterator[tuple[str, str, Schema]]:
    for path, methods in document["paths"].items():
        for method, operation in methods.items():
            yield path, method, operation


def _components(document: Schema) -> None:
    """The parts that operations refer to."""
    schemas = document["components"]["schemas"]
    _, problem = models_json_schema([(Problem, "serialization")], ref_template="#/components/schemas/{model}")
    schemas |= problem["$defs"]
    for unused in ("HTTPValidationError", "ValidationError"):
        schemas.pop(unused, None)
    components = document["components"]
    components["securitySchemes"] = {
        "token": {"type": "http", "scheme": "bearer", "description": "Not needed on the machine itself."}
    }
    document["security"] = [{"token": []}, {}]
    components["responses"] = {}
    for _, _, operation in _operations(document):
        for status, response in operation["responses"].items():
            if _is_problem(response) and response == problem_entry(int(status)):
                components["responses"][f"Problem{status}"] = response | _more(int(status))
                operation["responses"][status] = {"$ref": f"#/components/responses/Problem{status}"}
    components["responses"] = dict(sorted(components["responses"].items()))
    components["headers"] = dict(ETAG)
    components["parameters"] = {
        "IfNoneMatch": {
            "name": "If-None-Match",
            "in": "header",
            "required": False,
            "description": "ETag of what the caller has; 304 if it is still the present one.",
            "schema": {"type": "string", "examples": ['"1"']},
        }
    }


def _is_problem(response: Schema) -> bool:
    return list(response.get("content", ())) == [MEDIA_TYPE]


def _more(status: int) -> Schema:
    """Header fields of a problem."""
    text = {"type": "string"}
    fields = {
        401: {"WWW-Authenticate": {"description": "How to authenticate.", "schema": text}},
        429: {"Retry-After": {"description": "Seconds to wait.", "schema": text}},
        503: {"Retry-After": {"description": "Seconds to wait, or until when, where that is known.", "schema": text}},
    }
    return {"headers": fields[status]} if status in fields else {}


def _complete(path: str, method: str, operation: Schema) -> None:
    """What is the same for many operations."""
    if path.startswith(_NO_TOKEN):
        operation["security"] = []
    given = operation.setdefault("parameters", [])
    for parameter in given:
        _without_null(parameter)
        example = usual("", parameter["name"], parameter["schema"])
        if example is not None:
            parameter["schema"].setdefault("examples", [example])
    if method == "get" and "304" in operation["responses"]:
        given[:] = [p for p in given if p["name"] != "If-None-Match"]
        given.append({"$ref": "#/components/parameters/IfNoneMatch"})
        for status in ("200", "304"):
            operation["responses"][status].setdefault("headers", {})["ETag"] = {"$ref": "#/components/headers/ETag"}
    if not given:
        del operation["parameters"]


def _without_null(parameter: Schema) -> None:
    """A parameter that may be left out cannot be null: that only says how it is kept here."""
    schema = parameter.get("schema", {})
    kinds = [kind for kind in schema.get("anyOf", ()) if kind != {"type": "null"}]
    if len(kinds) == 1:
        del schema["anyOf"]
        parameter["schema"] = kinds[0] | schema
    schema = parameter.get("schema", {})
    for name in ("title", "description"):  # the parameter itself has them
        schema.pop(name, None)
    if schema.get("default", "") is None:
        del schema["default"]
