"""Examples in the OpenAPI document: whole answers from the invented weather of the demo, and one for every field.

``examples.json`` holds one whole answer for each operation; ``python -m tests.service.examples`` writes it. A field
without an example of its own gets its from there, or else a usual one by its name or form.
"""

from __future__ import annotations

import json
from functools import cache
from pathlib import Path
from typing import Any

Schema = dict[str, Any]
EXAMPLES = Path(__file__).with_name("examples.json")
_LONGEST = 1_500
"""Characters of the example of a field."""


@cache
def _answers() -> dict[str, Any]:
    """A whole answer for each operation, by its id."""
    found: dict[str, Any] = json.loads(EXAMPLES.read_text("utf-8")) if EXAMPLES.is_file() else {}
    return found


def with_examples(document: Schema) -> None:
    """Put a whole answer to every operation that has one, and an example to every field.

    Args:
        document: it is changed.
    """
    schemas = document["components"]["schemas"]
    found: dict[tuple[str, str], Any] = {}
    for operation in (one for methods in document["paths"].values() for one in methods.values()):
        answer = _answers().get(operation["operationId"])
        if answer is None:
            continue
        for status, response in operation["responses"].items():
            for content in response.get("content", {}).values() if status in {"200", "201", "202"} else ():
                content["example"] = answer
                _harvest(content["schema"], answer, schemas, found)
    for name, schema in schemas.items():
        for field, part in schema.get("properties", {}).items():
            part.pop("title", None)  # only says the name again
            if field == "items":
                part.setdefault("description", "The entries of this page, in their order.")
            example = found.get((name, field), usual(name, field, part))
            if example is not None and "$ref" not in part:
                part.setdefault("examples", [example])


_BY_NAME: dict[str, Any] = {
    "next_after": "site_0123456789abcdef",
    "after": "site_0123456789abcdef",
    "wanted": 30,
    "site_id": "site_0123456789abcdef",
    "batch_id": "btch_0123456789abcdef",
    "event_id": "evnt_0123456789abcdef",
    "webhook_id": "hook_0123456789abcdef",
    "version": 1,
    "seq": 17,
    "attempts": 2,
    "delivered": 120,
    "failed": 1,
    "given_up": 0,
    "replayed": 3,
    "last_duration_s": 0.12,
    "last_answer": "Thank you",
    "disabled_why": "Moved to another server",
    "notes": "Seen at noon.",
    "last_status": 503,
    "temp_f": 68.5,
    "wind_mph": 6.7,
    "rain_in": 0.02,
    "elevation_ft": 688.98,
    "model": "icon_eu",
    "unknown": 0.1,
    "mean_mating_flights": 1.4,
}
_IDS = {"Webhook": "hook", "NewWebhook": "hook", "Delivery": "dlvr"}
_BY_FORMAT = {"date": "2026-06-13", "date-time": "2026-06-01T06:00:00Z", "time": "14:30"}


def usual(name: str, field: str, part: Schema) -> Any:  # noqa: ANN401  any JSON value
    """An example for what the demo has none of.

    Args:
        name: of the schema.
        field: of the field or parameter.
        part: its schema.

    Returns:
        None where nothing is known that would fit.
    """
    kinds = part.get("anyOf", [part])
    for kind in kinds:
        if kind.get("enum"):
            return kind["enum"][0]
        if kind.get("format") in _BY_FORMAT:
            return _BY_FORMAT[kind["format"]]
        if kind.get("type") == "boolean":
            return True
    if field == "id" and name in _IDS:
        return f"{_IDS[name]}_0123456789abcdef"
    if field in _BY_NAME:
        return 17 if field in {"after", "next_after"} and kinds[0].get("type") == "integer" else _BY_NAME[field]
    return None


def _harvest(schema: Schema, value: Any, schemas: Schema, found: dict[tuple[str, str], Any], name: str = "") -> None:  # noqa: ANN401
    """Take an example of every field of every schema out of a whole answer."""
    if "$ref" in schema:
        name = schema["$ref"].rpartition("/")[2]
        _harvest(schemas[name], value, schemas, found, name)
    elif "anyOf" in schema:
        for kind in schema["anyOf"]:
            _harvest(kind, value, schemas, found, name)
    elif isinstance(value, list):
        for part in value:
            _harvest(schema.get("items", {}), part, schemas, found)
    elif isinstance(value, dict):
        for field, part in schema.get("properties", {}).items():
            if field not in value or value[field] is None:
                continue
            _harvest(part, value[field], schemas, found)
            if name and len(json.dumps(value[field])) < _LONGEST:
                found.setdefault((name, field), value[field])
