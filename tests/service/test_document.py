"""The OpenAPI document as a stranger reads it: every field told with its unit and an example, every example true."""

from __future__ import annotations

import json
import re
from functools import cache
from typing import TYPE_CHECKING, Any

import jsonschema_rs
import pytest
from openapi_spec_validator import OpenAPIV31SpecValidator

from api.examples import EXAMPLES
from tests.service.examples import answers
from tests.service.made import Client, app_of, service_in

if TYPE_CHECKING:
    from collections.abc import Iterator

_UNIT = re.compile(
    r"_(c|f|ms|mph|mm|in|m|ft|wm2|h|s)$"  # the name tells it
    r"|[Hh]ours?\b|days?\b|seconds|°|metres|feet|Degrees|W/m²|milliseconds"
    r"|[Pp]robabilit|[Ss]hare|odds|range of it|same from past years|lower\.|Mean\.|the mean|utility|worth"
    r"|laying queens|[Nn]umber|\bhow many|Sites on record|[Ss]teps|in that unit|^Sites|^Tries|[Mm]essages|Attempts|^`seq`|Beaufort|frames|grafted|Larvae|Cells"
    r"|Virgins|Queens|virgins|Version|Rises by one|HTTP status|Place among|[Ff]orecast members|Past years used"
    r"|Members or years|[Mm]ating flights|next page|not yet delivered|Webhook messages|Number of",
)


@pytest.fixture(scope="module")
def document(tmp_path_factory: pytest.TempPathFactory) -> dict[str, Any]:
    client = Client(app_of(service_in(tmp_path_factory.mktemp("service"), open_door=True)))
    answer = client.get("/v1/openapi.json")
    assert client.get("/v1/openapi.json", if_none_match=answer["etag"]).status == 304
    assert len(client.get("/v1/openapi.json", accept_encoding="gzip").body) < 60_000
    found: dict[str, Any] = answer.json
    return found


def fields(document: dict[str, Any]) -> Iterator[tuple[str, dict[str, Any]]]:
    """Every field of every schema, and every parameter, by name."""
    for name, schema in document["components"]["schemas"].items():
        for field, part in schema.get("properties", {}).items():
            yield f"{name}.{field}", part
    for methods in document["paths"].values():
        for operation in methods.values():
            for parameter in operation.get("parameters", []):
                if "$ref" not in parameter:
                    part = parameter["schema"] | {"description": parameter.get("description", "")}
                    yield f"{operation['operationId']}.{parameter['name']}", part


def kinds(part: dict[str, Any]) -> list[dict[str, Any]]:
    return [kind for kind in part.get("anyOf", [part]) if kind != {"type": "null"}]


def test_it_is_openapi_3_1(document: dict[str, Any]) -> None:
    assert document["openapi"].startswith("3.1")
    OpenAPIV31SpecValidator(document).validate()


def test_every_operation_is_told_named_and_put_under_a_heading(document: dict[str, Any]) -> None:
    headings = {tag["name"]: tag["description"] for tag in document["tags"]}
    names = []
    for methods in document["paths"].values():
        for operation in methods.values():
            names.append(operation["operationId"])
            assert operation["summary"], operation["operationId"]
            assert set(operation["tags"]) <= set(headings), operation["operationId"]
            assert not operation["summary"].startswith("The same"), operation["operationId"]  # as whom?
    assert len(names) == len(set(names))
    assert all(re.fullmatch(r"[a-z]+(_[a-z]+)*", name) for name in names)


def test_every_field_is_described_with_an_example(document: dict[str, Any]) -> None:
    without = []
    for name, part in fields(document):
        if "$ref" in part:
            continue
        refers = any("$ref" in kind or "$ref" in kind.get("items", {}) for kind in kinds(part))
        if not part.get("description"):
            without.append(f"{name}: no description")
        if not (refers or part.get("examples") or "enum" in part or "const" in part):
            without.append(f"{name}: no example")
    assert without == []


def test_every_number_has_its_unit_in_its_name_or_its_description(document: dict[str, Any]) -> None:
    without = [
        name
        for name, part in fields(document)
        if any(kind.get("type") in {"number", "integer"} for kind in kinds(part))
        and not _UNIT.search(name)
        and not _UNIT.search(part.get("description", ""))
    ]
    assert without == []


def test_every_schema_of_ours_is_told_and_closed(document: dict[str, Any]) -> None:
    for name, schema in document["components"]["schemas"].items():
        if schema.get("type") != "object":
            continue
        assert schema.get("description"), name
        if name not in {"Problem", "ValueProblem", "JobPage"}:  # RFC 9457 lets problems have further members
            assert schema.get("additionalProperties") is False, name


def test_every_whole_number_in_a_query_has_its_bounds_in_words_that_openapi_knows(document: dict[str, Any]) -> None:
    bounds = {}
    for methods in document["paths"].values():
        for operation in methods.values():
            for parameter in operation.get("parameters", []):
                for kind in kinds(parameter.get("schema", {})):
                    if kind.get("type") == "integer":
                        name = f"{operation['operationId']}.{parameter['name']}"
                        bounds[name] = kind.get("minimum"), kind.get("maximum")
                        assert not {"ge", "gt", "le", "lt"} & (kind.keys() | parameter["schema"].keys()), name
    assert bounds["list_batches.limit"] == (1, 200)
    assert bounds["read_graft_days.grafts"] == (1, 100_000)
    assert [name for name, both in bounds.items() if None in both] == []


def test_every_example_of_a_field_is_one(document: dict[str, Any]) -> None:
    for name, part in fields(document):
        schema = part | {"components": document["components"]}
        validator = jsonschema_rs.validator_for(schema, validate_formats=True)
        for example in part.get("examples", []):
            errors = [error.message for error in validator.iter_errors(example)]
            assert errors == [], (name, example)


def test_every_problem_is_told_by_its_status_and_no_success_is_left_out(document: dict[str, Any]) -> None:
    for path, methods in document["paths"].items():
        for method, operation in methods.items():
            statuses = set(operation["responses"])
            assert {"400", "422", "429", "503"} <= statuses, (method, path)
            assert statuses & {"200", "201", "202", "204"}
            if method == "get" and "304" in statuses:
                assert {"$ref": "#/components/parameters/IfNoneMatch"} in operation["parameters"], path
            if "428" in statuses:
                assert "If-Match" in [p.get("name") for p in operation["parameters"]], path


def test_what_takes_no_token_says_so(document: dict[str, Any]) -> None:
    open_ = [
        operation["operationId"]
        for methods in document["paths"].values()
        for operation in methods.values()
        if operation.get("security") == []
    ]
    assert sorted(open_) == ["read_calendar_of_feed", "read_metrics_of_feed", "read_ready"]


# --- whole answers -------------------------------------------------------------------------------------------


@cache
def kept() -> dict[str, Any]:
    found: dict[str, Any] = json.loads(EXAMPLES.read_text("utf-8"))
    return found


def test_every_whole_answer_in_the_document_fits_its_schema(document: dict[str, Any]) -> None:
    n = 0
    for methods in document["paths"].values():
        for operation in methods.values():
            for response in operation["responses"].values():
                for content in response.get("content", {}).values():
                    if "example" in content:
                        schema = content["schema"] | {"components": document["components"]}
                        validator = jsonschema_rs.validator_for(schema, validate_formats=True)
                        errors = [e.message for e in validator.iter_errors(content["example"])]
                        assert errors == [], operation["operationId"]
                        n += 1
    assert n == len(kept())


def test_the_answers_in_the_document_are_those_of_the_demo(tmp_path_factory: pytest.TempPathFactory) -> None:
    fresh = answers(tmp_path_factory.mktemp("service"))

    assert sorted(fresh) == sorted(kept())
    for operation, answer in fresh.items():
        assert _alike(answer, kept()[operation]), f"{operation}: write them anew with python -m tests.service.examples"


def _alike(one: Any, other: Any) -> bool:
    """Whether two answers have the same fields with the same kinds of values."""
    if isinstance(one, dict) and isinstance(other, dict):
        return one.keys() == other.keys() and all(_alike(one[name], other[name]) for name in one)
    if isinstance(one, list) and isinstance(other, list):
        return all(map(_alike, one, other))
    numbers = (int, float)
    return type(one) is type(other) or (isinstance(one, numbers) and isinstance(other, numbers))
